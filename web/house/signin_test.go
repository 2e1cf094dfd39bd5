package house_test

import (
	"context"
	"fmt"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/PuerkitoBio/goquery"
	"github.com/google/go-cmp/cmp"
	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"example.org/stillroom/internal/access"
	"example.org/stillroom/internal/store"
	"example.org/stillroom/web/webtest"
)

const (
	makerAddress = "maker@quillmoor.example.org"
	newPassword  = "nine-copper-ladles"
)

// secondShop adds another workshop to the site's database and answers its id.
func secondShop(t *testing.T, site *webtest.Site) store.WorkshopID {
	t.Helper()
	conn, err := pgx.Connect(t.Context(), site.DB.OwnerURL)
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close(context.Background())
	id := uuid.Must(uuid.NewV7())
	if _, err := conn.Exec(t.Context(), `INSERT INTO workshop (id, code, name) VALUES ($1, 'second', 'Fenmarch Workshop')`, id); err != nil {
		t.Fatal(err)
	}
	return store.WorkshopID(id)
}

// join registers somebody in a workshop and gives them a password.
func join(t *testing.T, site *webtest.Site, shop store.WorkshopID, email, name string, role access.Role, password string) {
	t.Helper()
	link, err := site.Store.AddPerson(t.Context(), store.Who{Workshop: shop, Actor: "system"}, store.Entry{}, store.NewPerson{Email: email, Name: name, Role: role}, time.Now())
	if err == nil {
		_, err = site.Store.SetPassword(t.Context(), link, password, "test", time.Now())
	}
	if err != nil {
		t.Fatal(err)
	}
}

// answer is what a program without a browser's habits gets.
type answer struct {
	status               int
	header               http.Header
	location, said, held string
}

// post sends a form from nowhere in particular, with headers of its own (name, value, …).
func post(t *testing.T, site *webtest.Site, path string, form url.Values, headers ...string) answer {
	t.Helper()
	req, err := http.NewRequestWithContext(t.Context(), "POST", site.URL+path, strings.NewReader(form.Encode()))
	if err != nil {
		t.Fatal(err)
	}
	req.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	for i := 0; i < len(headers); i += 2 {
		req.Header.Set(headers[i], headers[i+1])
	}
	res, err := http.DefaultTransport.RoundTrip(req)
	if err != nil {
		t.Fatal(err)
	}
	defer res.Body.Close()
	doc, err := goquery.NewDocumentFromReader(res.Body)
	if err != nil {
		t.Fatal(err)
	}
	return answer{res.StatusCode, res.Header, res.Header.Get("Location"), doc.Find(".summary").Text(), doc.Find("[name=email]").AttrOr("value", "")}
}

func signIn(c *webtest.Client, email, password string) *webtest.Page {
	return c.Submit(c.Get("/sign-in"), "Sign in", map[string]string{"email": email, "password": password})
}

func wantStatus(t *testing.T, what string, p *webtest.Page, want int) {
	t.Helper()
	if p.Status != want {
		t.Errorf("%s: %s answered %d, want %d: %s", what, p.Path, p.Status, want, p.Text("main"))
	}
}

func TestSomebodySignsInAndOut(t *testing.T) {
	t.Parallel()
	site := webtest.New(t)
	c := site.As("")
	in := signIn(c, " Maker@quillmoor.example.org ", webtest.Password)
	if in.Status != http.StatusSeeOther || in.Location != "/" {
		t.Fatalf("%d to %q: %s", in.Status, in.Location, in.Text("main"))
	}
	cookie := in.Header.Get("Set-Cookie")
	for _, part := range []string{"stillroom=", "Path=/", "HttpOnly", "SameSite=Lax"} {
		if !strings.Contains(cookie, part) {
			t.Errorf("the cookie %q lacks %s", cookie, part)
		}
	}
	account := c.Get("/account")
	if !strings.Contains(account.Text("main"), "Maker Quill") || !strings.Contains(account.Text("main"), "(this one)") {
		t.Errorf("the account says %q", account.Text("main"))
	}
	out := c.Follow(c.Submit(account, "Sign out", nil))
	if !strings.Contains(out.Text("#said"), "You are signed out.") {
		t.Errorf("it says %q", out.Text("#said"))
	}
	if p := c.Get("/account"); p.Location != "/sign-in?next=%2Faccount" {
		t.Errorf("afterwards the account leads to %q", p.Location)
	}
}

func TestABadSignInSaysWhatIsOffAndKeepsTheAddress(t *testing.T) {
	t.Parallel()
	site := webtest.New(t)
	for name, tc := range map[string]struct {
		email, password string
		beside          map[string]string
		above           string
	}{
		"nothing":          {"", "", map[string]string{"email": "Write your e-mail address.", "password": "Write your password."}, ""},
		"only spaces":      {"  ", "x", map[string]string{"email": "Write your e-mail address."}, ""},
		"a wrong password": {makerAddress, "not-my-password", nil, "That address and password do not go together."},
		"a stranger":       {"stranger@example.org", webtest.Password, nil, "That address and password do not go together."},
		"far too long":     {strings.Repeat("m", 300) + "@example.org", "x", map[string]string{"email": "At most 254 characters"}, ""},
		"a script":         {"<script>alert(1)</script>", "x", nil, "do not go together"},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			c := site.As("")
			p := c.Submit(c.Get("/sign-in?next=/materials"), "Sign in", map[string]string{"email": tc.email, "password": tc.password})
			wantStatus(t, "sign in", p, http.StatusUnprocessableEntity)
			for field, words := range tc.beside {
				if !strings.Contains(p.Error(field), words) {
					t.Errorf("beside %s: %q, want %q", field, p.Error(field), words)
				}
			}
			if !strings.Contains(p.Text(".summary"), tc.above) {
				t.Errorf("above: %q, want %q", p.Text(".summary"), tc.above)
			}
			if p.Value("email") != tc.email || p.Value("next") != "/materials" || p.Value("password") != "" {
				t.Errorf("kept: address %q, next %q, password %q", p.Value("email"), p.Value("next"), p.Value("password"))
			}
			if p.Header.Get("Set-Cookie") != "" {
				t.Error("it set a cookie")
			}
		})
	}
}

func TestAfterSigningInOneIsWhereOneWantedToGoAndNeverElsewhere(t *testing.T) {
	t.Parallel()
	site := webtest.New(t)
	for next, want := range map[string]string{
		"":                         "/",
		"/":                        "/",
		"/materials":               "/materials",
		"/lots/new?material=O%2FO": "/lots/new?material=O%2FO",
		"https://evil.example.org": "/",
		"//evil.example.org/x":     "/",
		"/\\evil.example.org":      "/",
		"\\\\evil.example.org":     "/",
		"/\t/evil.example.org":     "/",
		"/\n/evil.example.org":     "/",
		"javascript:alert(1)":      "/",
		"materials":                "/",
		"/sign-in":                 "/",
		"/sign-in?next=/sign-in":   "/",
		"/sign-in/abc":             "/",
		"/sign-out":                "/",
		"/%":                       "/",
		"http:/materials":          "/",
		"///evil.example.org":      "/",
		"/.//evil.example.org":     "/evil.example.org",
		"/x/..//evil.example.org":  "/evil.example.org",
	} {
		c := site.As("")
		p := c.Get("/sign-in?next=" + url.QueryEscape(next))
		in := c.Submit(p, "Sign in", map[string]string{"email": makerAddress, "password": webtest.Password})
		if in.Status != http.StatusSeeOther || in.Location != want {
			t.Errorf("next %q leads to %q (%d), want %q", next, in.Location, in.Status, want)
		}
		posted := site.As("").Post("/sign-in", url.Values{"email": {makerAddress}, "password": {webtest.Password}, "next": {next}})
		if posted.Location != want {
			t.Errorf("next %q, posted, leads to %q, want %q", next, posted.Location, want)
		}
		if again := c.Get("/sign-in?next=" + url.QueryEscape(next)); again.Status != http.StatusSeeOther || again.Location != want {
			t.Errorf("next %q, signed in already, leads to %q (%d), want %q", next, again.Location, again.Status, want)
		}
	}
}

func TestSigningInEndsTheSessionThatTheBrowserHad(t *testing.T) {
	t.Parallel()
	site := webtest.New(t)
	helper := site.Who(access.Helper)
	link, err := site.Store.SignInLink(t.Context(), helper.Workshop, "helper@quillmoor.example.org", time.Now())
	if err != nil {
		t.Fatal(err)
	}
	before, err := site.Store.SignInByLink(t.Context(), link, "test", time.Now())
	if err != nil {
		t.Fatal(err)
	}
	in := post(t, site, "/sign-in", url.Values{"email": {makerAddress}, "password": {webtest.Password}}, "Cookie", "stillroom="+before)
	if in.status != http.StatusSeeOther || strings.Contains(in.header.Get("Set-Cookie"), before) {
		t.Errorf("%d, cookie %q", in.status, in.header.Get("Set-Cookie"))
	}
	if _, err := site.Store.Session(t.Context(), before, time.Now()); err == nil {
		t.Error("the session before is still open")
	}
}

func TestGuessingIsSlowedDownAndNeverShutsOut(t *testing.T) {
	t.Parallel()
	site := webtest.New(t)
	now := time.Now()
	site.House.Clock = func() time.Time { return now }
	site.House.Proxied = true
	from := func(address, email, password string) answer {
		t.Helper()
		return post(t, site, "/sign-in", url.Values{"email": {email}, "password": {password}}, "X-Forwarded-For", address)
	}
	want := func(what string, a answer, status int) {
		t.Helper()
		if a.status != status {
			t.Errorf("%s: answered %d, want %d: %s", what, a.status, status, a.said)
		}
	}
	for n := range 10 {
		want(fmt.Sprintf("guess %d", n+1), from("192.0.2.7", makerAddress, "guess-"+strconv.Itoa(n)), http.StatusUnprocessableEntity)
	}
	stopped := from("192.0.2.7", strings.ToUpper(makerAddress), webtest.Password)
	want("the eleventh, even with the right password", stopped, http.StatusTooManyRequests)
	wait, err := strconv.Atoi(stopped.header.Get("Retry-After"))
	if err != nil || wait < 60 || wait > 15*60+1 {
		t.Errorf("Retry-After is %q", stopped.header.Get("Retry-After"))
	}
	if !strings.Contains(stopped.said, "tried too often") || stopped.held != strings.ToUpper(makerAddress) {
		t.Errorf("it says %q and keeps %q", stopped.said, stopped.held)
	}
	want("another account from there", from("192.0.2.7", "helper@quillmoor.example.org", webtest.Password), http.StatusSeeOther)
	want("the person, from another address", from("192.0.2.8", makerAddress, webtest.Password), http.StatusSeeOther)
	// Trying on meanwhile does not make it longer.
	now = now.Add(14 * time.Minute)
	want("meanwhile", from("192.0.2.7", makerAddress, "another-guess"), http.StatusTooManyRequests)
	now = now.Add(61 * time.Second)
	want("a quarter of an hour later", from("192.0.2.7", makerAddress, webtest.Password), http.StatusSeeOther)
}

func TestOneAddressCannotTryManyAccounts(t *testing.T) {
	t.Parallel()
	site := webtest.New(t)
	now := time.Now()
	site.House.Clock = func() time.Time { return now }
	site.House.Proxied = true
	want := func(what, address, email string, status int) {
		t.Helper()
		a := post(t, site, "/sign-in", url.Values{"email": {email}, "password": {"guess-guess"}}, "X-Forwarded-For", address)
		if a.status != status {
			t.Errorf("%s: answered %d, want %d: %s", what, a.status, status, a.said)
		}
	}
	// One host of IPv6 has a /64 to choose from.
	for n := range 60 {
		want("guess", fmt.Sprintf("2001:db8:0:1::%x", n+1), fmt.Sprintf("somebody-%d@example.org", n), http.StatusUnprocessableEntity)
	}
	want("one more", "2001:db8:0:1::abcd", "somebody@example.org", http.StatusTooManyRequests)
	want("another network", "2001:db8:0:2::1", "somebody@example.org", http.StatusUnprocessableEntity)
}

func TestWithoutAProxyAForwardedAddressCountsForNothing(t *testing.T) {
	t.Parallel()
	site := webtest.New(t)
	status := 0
	for n := range 11 {
		status = post(t, site, "/sign-in", url.Values{"email": {makerAddress}, "password": {"guess-guess"}}, "X-Forwarded-For", fmt.Sprintf("192.0.2.%d", n)).status
	}
	if status != http.StatusTooManyRequests {
		t.Errorf("the eleventh guess answered %d", status)
	}
}

func TestALinkSignsInOnce(t *testing.T) {
	t.Parallel()
	site := webtest.New(t)
	path := strings.TrimPrefix(site.Link(access.Maker), site.URL)
	c := site.As("")
	in := c.Get(path)
	if in.Status != http.StatusSeeOther || in.Location != "/" {
		t.Fatalf("%d to %q", in.Status, in.Location)
	}
	wantStatus(t, "then", c.Get("/account"), http.StatusOK)
	other := site.As("")
	again := other.Get(path)
	wantStatus(t, "a second time", again, http.StatusNotFound)
	if !strings.Contains(again.Text("main"), "used or has run out") {
		t.Errorf("it says %q", again.Text("main"))
	}
	wantStatus(t, "and is nobody", other.Get("/account"), http.StatusSeeOther)
	wantStatus(t, "one that never was", other.Get("/sign-in/"+strings.Repeat("x", 40)), http.StatusNotFound)
}

func TestAnAddressInSeveralWorkshopsChoosesOne(t *testing.T) {
	t.Parallel()
	site := webtest.New(t)
	join(t, site, secondShop(t, site), makerAddress, "Maker Quill", access.Viewer, webtest.Password)
	c := site.As("")
	page := c.Submit(c.Get("/sign-in?next=/materials"), "Sign in", map[string]string{"email": makerAddress, "password": webtest.Password})
	wantStatus(t, "to choose", page, http.StatusOK)
	if got := page.Text("main button"); got != "Fenmarch WorkshopQuillmoor Workshop" && got != "Quillmoor WorkshopFenmarch Workshop" {
		t.Errorf("to choose from: %q", got)
	}
	if page.Header.Get("Set-Cookie") != "" || strings.Contains(page.Body, webtest.Password) {
		t.Error("before the choice there is no session, and no password in the page")
	}
	in := c.Submit(page, "Fenmarch Workshop", nil)
	if in.Location != "/materials" {
		t.Fatalf("%d to %q", in.Status, in.Location)
	}
	if got := c.Get("/account").Text("header .shop"); got != "Fenmarch Workshop" {
		t.Errorf("it is in %q", got)
	}
	wantStatus(t, "the same choice again", site.As("").Submit(page, "Fenmarch Workshop", nil), http.StatusNotFound)
}

func TestTheSetUpPageNamesTheWorkshopAndItsOwner(t *testing.T) {
	t.Parallel()
	site := webtest.New(t)
	shop := secondShop(t, site)
	link, err := site.Store.SetUpLink(t.Context(), shop, time.Now())
	if err != nil {
		t.Fatal(err)
	}
	c := site.As("")
	page := c.Get("/set-up/" + link)
	if got := page.Find("datalist option[value='Europe/Dublin'], datalist option[value='UTC']").Length(); got != 2 {
		t.Errorf("%d of two zones are suggested", got)
	}
	typed := map[string]string{"workshop": "Fenmarch <b>", "zone": "Mars/Base", "name": strings.Repeat("n", 201), "email": "ann at fenmarch", "password": "12345678"}
	bad := c.Submit(page, "Set up and sign in", typed)
	wantStatus(t, "bad input", bad, http.StatusUnprocessableEntity)
	for _, field := range []string{"zone", "name", "email", "password"} {
		if bad.Error(field) == "" {
			t.Errorf("nothing beside %s", field)
		}
	}
	for field, value := range typed {
		if field != "password" && bad.Value(field) != value {
			t.Errorf("%s is now %q", field, bad.Value(field))
		}
	}
	if bad.Value("password") != "" {
		t.Error("the password is shown again")
	}
	empty := c.Submit(page, "Set up and sign in", nil)
	wantStatus(t, "nothing typed", empty, http.StatusUnprocessableEntity)
	done := c.Submit(bad, "Set up and sign in", map[string]string{"workshop": "Fenmarch Balms", "zone": " europe/isle of man ", "name": "Ann Fen", "email": "ann@fenmarch.example.org", "password": newPassword})
	if done.Status != http.StatusSeeOther || done.Location != "/" {
		t.Fatalf("%d to %q: %s", done.Status, done.Location, done.Text("main"))
	}
	settings := c.Get("/settings")
	if settings.Value("name") != "Fenmarch Balms" || settings.Value("zone") != "Europe/Isle_of_Man" {
		t.Errorf("the workshop is %q in %q", settings.Value("name"), settings.Value("zone"))
	}
	wantStatus(t, "the link again", c.Get("/set-up/"+link), http.StatusNotFound)
	wantStatus(t, "its form again", c.Submit(page, "Set up and sign in", typed), http.StatusNotFound)
	wantStatus(t, "one that never was", c.Get("/set-up/nothing"), http.StatusNotFound)
}

func TestAPasswordLinkSetsAPasswordOnce(t *testing.T) {
	t.Parallel()
	site := webtest.New(t)
	maker := site.Who(access.Maker)
	link, err := site.Store.NewPasswordLink(t.Context(), maker, maker.Person, time.Now())
	if err != nil {
		t.Fatal(err)
	}
	old := site.As(access.Maker)
	c := site.As("")
	page := c.Get("/password/" + link)
	if !strings.Contains(page.Text("main"), "Maker Quill") {
		t.Errorf("whose it is: %q", page.Text("main"))
	}
	for password, words := range map[string]string{"": "at least 8", "short": "at least 8", strings.Repeat("long ", 30): "at most 128", "password": "Many people"} {
		p := c.Submit(page, "Set it and sign in", map[string]string{"password": password})
		wantStatus(t, "a bad password", p, http.StatusUnprocessableEntity)
		if !strings.Contains(p.Error("password"), words) {
			t.Errorf("beside %q: %q, want %q", password, p.Error("password"), words)
		}
	}
	wantStatus(t, "a good one", c.Submit(page, "Set it and sign in", map[string]string{"password": newPassword}), http.StatusSeeOther)
	wantStatus(t, "signed in", c.Get("/account"), http.StatusOK)
	wantStatus(t, "the session before", old.Get("/account"), http.StatusSeeOther)
	wantStatus(t, "a second sending", c.Submit(page, "Set it and sign in", map[string]string{"password": newPassword}), http.StatusNotFound)
	wantStatus(t, "the link again", c.Get("/password/"+link), http.StatusNotFound)
	wantStatus(t, "the new password", signIn(site.As(""), makerAddress, newPassword), http.StatusSeeOther)
	wantStatus(t, "the old password", signIn(site.As(""), makerAddress, webtest.Password), http.StatusUnprocessableEntity)
}

func TestOverHTTPSTheCookieIsBoundToTheHost(t *testing.T) {
	t.Parallel()
	site := webtest.New(t)
	site.House.Secure = true
	cookie := post(t, site, "/sign-in", url.Values{"email": {makerAddress}, "password": {webtest.Password}}).header.Get("Set-Cookie")
	got := map[string]bool{}
	for _, part := range []string{"__Host-stillroom=", "Path=/;", "HttpOnly", "Secure", "SameSite=Lax", "Domain"} {
		got[part] = strings.Contains(cookie, part)
	}
	want := map[string]bool{"__Host-stillroom=": true, "Path=/;": true, "HttpOnly": true, "Secure": true, "SameSite=Lax": true, "Domain": false}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("%q: %s", cookie, diff)
	}
}
