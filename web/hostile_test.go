package web_test

import (
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"sync"
	"testing"

	"github.com/PuerkitoBio/goquery"
	"github.com/google/go-cmp/cmp"
	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"github.com/shopspring/decimal"

	"example.org/stillroom/internal/access"
	"example.org/stillroom/internal/batchcode"
	"example.org/stillroom/internal/day"
	"example.org/stillroom/internal/pgtest"
	"example.org/stillroom/internal/store"
	"example.org/stillroom/web/paths"
	"example.org/stillroom/web/webtest"
)

// nasties are what a form or an address may not stumble over: each is either taken or told, never "something went wrong".
var nasties = []string{
	strings.Repeat("ä", 10_000),
	"a\x00b",
	"\xff\xfe",
	"1e999",
	strings.Repeat("9", 40),
	"999999999999.999999",
	"-1",
	"NaN",
	"Infinity",
	"-0.0000001",
	"1,234",
	"2026-02-30",
	"0000-01-01",
	"9999-12-31",
	"1800-01-01",
	"2300-12-31",
	"1800-02-03T04:05",
	"9999-12-31T23:59",
	"2026-13-01T25:61",
	"0001-01-01T00:00",
	"'; DROP TABLE batch; --",
	"\r\nSet-Cookie: x=1",
	"{letters}{yyddd}{check",
	"%s%n%00",
	"12345678-1234-4234-8234-123456789012",
	"\U0001F9FC\u202e\ufeff",
	"",
}

// hostileQueries are what pages read from their address.
var hostileQueries = []string{"before", "after", "q", "product", "code", "customer", "material", "packing", "entry", "hold", "edit", "formula", "pattern", "status", "show", "next"}

// TestAHostileBrowser has one world for both, one after the other.
func TestAHostileBrowser(t *testing.T) {
	t.Parallel()
	w := newServedDemo(t)
	t.Run("looking at pages changes nothing", func(t *testing.T) { lookingChangesNothing(t, w) })
	t.Run("a form without its key stores nothing, and one sent twice stores once", func(t *testing.T) { formsAreStoredOnce(t, w) })
	t.Run("nothing that is sent makes a page fail", func(t *testing.T) { nothingSentFails(t, w) })
}

// keyless are forms that may come without an entry key: what they do twice is what they do once.
var keyless = []string{"/sign-out", "/account/", "/settings/people/", "/plans/", "/settings/data/import/", "/settings/data/sheet/"}

// hostileLeaves tells whether a form may end the session that sends it.
func hostileLeaves(action string) bool {
	return action == "/sign-out" || strings.HasPrefix(action, "/account/") || strings.HasSuffix(action, "/access") || strings.HasSuffix(action, "/role")
}

// formsAreStoredOnce sends each form as it is drawn: without its key, which records nothing; and twice with one key, which
// records what once does.
func formsAreStoredOnce(t *testing.T, w *walkWorld) {
	cookie := w.signIn(t, w.full, reader)
	changes := func() (n int) {
		walkCheck(t, w.conn.QueryRow(t.Context(), `SELECT count(*) FROM change WHERE workshop_id = $1`, w.full).Scan(&n))
		return n
	}
	seen, sent, stored := map[string]bool{}, 0, 0
	for _, r := range w.routes {
		if r.Method != http.MethodGet {
			continue
		}
		for _, path := range w.paths(t, r.Pattern) {
			page := w.ask(t, http.MethodGet, path, cookie)
			if !page.html() {
				continue
			}
			for _, form := range page.page(t).Find("form").EachIter() {
				action, values := hostileForm(form, path)
				name := hostileName(w, action) + " " + strings.Join(slices.Sorted(keysOf(values)), ",")
				if !strings.EqualFold(form.AttrOr("method", "get"), "post") || seen[name] || hostileLeaves(action) {
					continue
				}
				seen[name] = true
				if !values.Has("entry_key") {
					if !slices.ContainsFunc(keyless, func(k string) bool { return strings.HasPrefix(action, k) }) {
						t.Errorf("%s: the form to %s has no entry key", path, action)
					}
					continue
				}
				sent++
				before := changes()
				without := hostileCopy(values)
				without.Del("entry_key")
				a := w.send(t, action, cookie, without)
				hostileFine(t, w, action+" without its key", a)
				if n := changes() - before; n != 0 {
					t.Errorf("%s without its key recorded %d changes, and answered %d", action, n, a.status)
				}
				values.Set("entry_key", uuid.NewString())
				first := w.send(t, action, cookie, values)
				hostileFine(t, w, action+" as it is drawn", first)
				once := changes()
				again := w.send(t, action, cookie, values)
				hostileFine(t, w, action+" a second time", again)
				if n := changes() - once; n != 0 {
					t.Errorf("%s sent twice with one key recorded %d changes more", action, n)
				}
				if once > before {
					stored++
				}
			}
		}
		_, err := w.conn.Exec(t.Context(), `DELETE FROM throttle`)
		walkCheck(t, err)
	}
	if sent < 40 || stored < 3 {
		t.Errorf("only %d forms were sent, and %d of them stored", sent, stored)
	}
	for _, v := range hostileVerify(t, w) {
		t.Error(v)
	}
}

// nothingSentFails sends each form of each page, as it is drawn, with one field after the other spoilt, and asks for each
// page with a spoilt address.
func nothingSentFails(t *testing.T, w *walkWorld) {
	cookie := w.signIn(t, w.full, reader)
	forms, sent := 0, 0
	seen := map[string]bool{}
	for _, r := range w.routes {
		if r.Method != http.MethodGet {
			continue
		}
		for _, path := range w.paths(t, r.Pattern) {
			page := w.ask(t, http.MethodGet, path, cookie)
			if !page.html() {
				continue
			}
			for _, form := range page.page(t).Find("form").EachIter() {
				action, values := hostileForm(form, path)
				post := strings.EqualFold(form.AttrOr("method", "get"), "post")
				name := hostileName(w, action) + " " + strings.Join(slices.Sorted(keysOf(values)), ",")
				if seen[name] || hostileLeaves(action) {
					continue
				}
				seen[name] = true
				forms++
				for _, field := range slices.Sorted(keysOf(values)) {
					// Each field of each form meets one of them: all with all (7,524 forms, none failed) takes minutes.
					nasty := nasties[sent%len(nasties)]
					sent++
					spoilt := hostileCopy(values)
					spoilt.Set(field, nasty)
					what := fmt.Sprintf("%s with %s=%.30q", action, field, nasty)
					if !post {
						hostileFine(t, w, what, w.ask(t, http.MethodGet, action+"?"+spoilt.Encode(), cookie))
						continue
					}
					if field != "entry_key" {
						spoilt.Set("entry_key", uuid.NewString())
					}
					hostileFine(t, w, what, w.send(t, action, cookie, spoilt))
				}
			}
			for _, nasty := range []string{"\x00", "zz|zz\xff|zz"} {
				query := url.Values{}
				for _, name := range hostileQueries {
					query.Set(name, nasty)
				}
				hostileFine(t, w, path+" with "+nasty, w.ask(t, http.MethodGet, path+"?"+query.Encode(), cookie))
			}
		}
		_, err := w.conn.Exec(t.Context(), `DELETE FROM throttle`) // lists are bounded a minute
		walkCheck(t, err)
		if begin, _, ok := strings.Cut(r.Pattern, "{"); ok {
			for _, part := range []string{"%00", "%ff", "a%2Fb", "..%2F..%2Fetc", "%25", "%0d%0aX:%20y", "-1", strings.Repeat("9", 400), strings.Repeat("%C3%A4", 3000)} {
				path := strings.NewReplacer("{code}", part, "{id}", part, "{n}", part, "{number}", part, "{task}", part, "{kind}", part, "{link}", part, "{supplier}", part, "{lot}", part).Replace(r.Pattern)
				if a := w.ask(t, http.MethodGet, path, cookie); a.status != http.StatusNotFound && begin != "/sign-in/" && begin != "/password/" && begin != "/set-up/" {
					t.Errorf("%.60s: %d, want 404", path, a.status)
				}
			}
		}
	}
	if forms < 40 || sent < 200 {
		t.Errorf("only %d forms were tried, %d times", forms, sent)
	}
	for _, v := range hostileVerify(t, w) {
		t.Error(v)
	}
}

func keysOf(v url.Values) func(func(string) bool) {
	return func(yield func(string) bool) {
		for k := range v {
			if !yield(k) {
				return
			}
		}
	}
}

func hostileCopy(v url.Values) url.Values {
	out := url.Values{}
	for name, list := range v {
		out[name] = slices.Clone(list)
	}
	return out
}

// hostileName is an action without its codes, so that the same form of two batches is one.
func hostileName(w *walkWorld, action string) string {
	parts := strings.Split(action, "/")
	for i, p := range parts {
		if strings.ContainsAny(p, "0123456789") {
			parts[i] = "…"
		}
	}
	return strings.Join(parts, "/")
}

// hostileForm is where a form goes and what stands in it.
func hostileForm(form *goquery.Selection, path string) (string, url.Values) {
	values := url.Values{}
	for _, field := range form.Find("input, select, textarea, button[name]").EachIter() {
		name := field.AttrOr("name", "")
		kind := field.AttrOr("type", "")
		switch {
		case name == "" || kind == "file":
		case goquery.NodeName(field) == "select":
			option := field.Find("option[selected]")
			if option.Length() == 0 {
				option = field.Find("option")
			}
			values.Set(name, option.First().AttrOr("value", ""))
		case goquery.NodeName(field) == "textarea":
			values.Set(name, field.Text())
		case goquery.NodeName(field) == "button":
			if !values.Has(name) {
				values.Set(name, field.AttrOr("value", ""))
			}
		case kind == "radio" || kind == "checkbox":
			if _, on := field.Attr("checked"); on || !values.Has(name) {
				values.Set(name, field.AttrOr("value", "on"))
			}
		default:
			values.Set(name, field.AttrOr("value", ""))
		}
	}
	action := form.AttrOr("action", path)
	if at := strings.IndexByte(action, '?'); at >= 0 {
		action = action[:at]
	}
	return action, values
}

func (w *walkWorld) send(t *testing.T, path, cookie string, values url.Values) walkAnswer {
	t.Helper()
	req, err := http.NewRequestWithContext(t.Context(), http.MethodPost, w.url+path, strings.NewReader(values.Encode()))
	walkCheck(t, err)
	req.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	req.Header.Set("Origin", w.url)
	req.Header.Set("Cookie", "stillroom="+cookie)
	res, err := http.DefaultTransport.RoundTrip(req)
	walkCheck(t, err)
	defer res.Body.Close()
	text, err := io.ReadAll(res.Body)
	walkCheck(t, err)
	return walkAnswer{res.StatusCode, res.Header, string(text)}
}

func hostileFine(t *testing.T, w *walkWorld, what string, a walkAnswer) {
	t.Helper()
	switch a.status {
	case http.StatusOK, http.StatusSeeOther, http.StatusNotFound, http.StatusConflict, http.StatusUnprocessableEntity, http.StatusForbidden:
	case http.StatusTooManyRequests:
		_, err := w.conn.Exec(t.Context(), `DELETE FROM throttle`)
		walkCheck(t, err)
	default:
		t.Errorf("%s: %d", what, a.status)
	}
	if a.header.Get("Set-Cookie") != "" && strings.Contains(a.header.Get("Set-Cookie"), "x=1") {
		t.Errorf("%s: sets %q", what, a.header.Get("Set-Cookie"))
	}
	if a.html() {
		nothingInline(t, what, a.page(t))
	}
}

func hostileVerify(t *testing.T, w *walkWorld) []string {
	t.Helper()
	verdicts, err := store.Verify(t.Context(), w.conn.Config().ConnString())
	walkCheck(t, err)
	var broken []string
	for _, v := range verdicts {
		broken = append(broken, v.Broken...)
	}
	return broken
}

// What a browser may do by itself (follow a link, look ahead, load again) changes nothing: no page writes a record, and
// none empties a table.
func lookingChangesNothing(t *testing.T, w *walkWorld) {
	cookie := w.signIn(t, w.full, reader)
	count := func() map[string]int {
		rows, err := w.conn.Query(t.Context(), `SELECT relname::text FROM pg_class WHERE relkind = 'r' AND relnamespace = 'public'::regnamespace AND relname NOT IN ('throttle', 'goose_db_version') ORDER BY 1`)
		walkCheck(t, err)
		tables, err := pgx.CollectRows(rows, pgx.RowTo[string])
		walkCheck(t, err)
		found := map[string]int{}
		for _, table := range tables {
			var n int
			walkCheck(t, w.conn.QueryRow(t.Context(), `SELECT count(*) FROM `+pgx.Identifier{table}.Sanitize()).Scan(&n))
			found[table] = n
		}
		return found
	}
	before := count()
	for _, r := range w.routes {
		if r.Method != http.MethodGet {
			continue
		}
		for _, path := range w.paths(t, r.Pattern) {
			w.ask(t, http.MethodGet, path, cookie)
		}
	}
	if diff := cmp.Diff(before, count()); diff != "" {
		t.Error(diff)
	}
	if before["audit"] == 0 || before["batch"] == 0 {
		t.Errorf("there was nothing to change: %v", before)
	}
}

// hostileLog keeps what the server writes.
type hostileLog struct {
	mu   sync.Mutex
	text strings.Builder
}

func (l *hostileLog) Write(line []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.text.Write(line)
}

func TestALineOfTheLogIsOneEventAndHoldsNoSecret(t *testing.T) {
	t.Parallel()
	site := webtest.New(t)
	log := &hostileLog{}
	site.House.Log = slog.New(slog.NewTextHandler(log, nil))
	const forged = "%0atime=2026-01-01T00:00:00Z%20level=INFO%20msg=forged"
	viewer := site.As(access.Viewer)
	if p := viewer.Get("/materials/OO" + forged + "/correct"); p.Status != http.StatusForbidden {
		t.Errorf("it answered %d", p.Status)
	}
	nobody := site.As("")
	nobody.Post("/sign-in", url.Values{"email": {"owner@quillmoor.example.org\ntime=1 msg=forged"}, "password": {"not-the-password\nmsg=forged"}})
	nobody.Post("/sign-in", url.Values{"email": {"owner@quillmoor.example.org"}, "password": {webtest.Password}})
	events := strings.Split(strings.TrimSpace(log.text.String()), "\n")
	if len(events) < 2 {
		t.Errorf("a denial and a sign-in left %q", events)
	}
	for _, e := range events {
		if !strings.HasPrefix(e, "time=") || strings.HasPrefix(e, "time=1") || strings.HasPrefix(e, "time=2026-01-01T00:00:00Z") {
			t.Errorf("forged: %q", e)
		}
		if strings.Contains(e, webtest.Password) || strings.Contains(e, "not-the-password") {
			t.Errorf("a password: %q", e)
		}
	}
}

func TestAFormThatIsTooLargeIsRefusedWhole(t *testing.T) {
	t.Parallel()
	site := webtest.New(t)
	owner := site.As(access.Owner)
	p := owner.Post("/suppliers/new", url.Values{"entry_key": {uuid.NewString()}, "name": {strings.Repeat("x", 1<<20)}})
	if p.Status != http.StatusRequestEntityTooLarge || p.Text("h1") == "" {
		t.Errorf("over 1 MB: %d, %q", p.Status, p.Text("h1"))
	}
	p = owner.Post("/suppliers/new", url.Values{"entry_key": {uuid.NewString()}, "name": {strings.Repeat("x", 10_000)}, "email": {strings.Repeat("y", 10_000)}})
	if p.Status != http.StatusUnprocessableEntity || p.Error("name") == "" || p.Value("name") != strings.Repeat("x", 10_000) {
		t.Errorf("10,000 characters: %d, %q, and %d of them kept", p.Status, p.Error("name"), len(p.Value("name")))
	}
}

// Codes of our own are letters, digits and dashes; those that an older book or a supplier brought may hold anything.
func TestACodeMayHoldWhatAnAddressGivesAMeaning(t *testing.T) {
	t.Parallel()
	site := webtest.New(t)
	owner := site.As(access.Owner)
	owner.Follow(owner.Submit(owner.Get("/materials/new"), "Add", map[string]string{"name": "Oat oil", "code": "OO"}))
	book := pgtest.History(t, site.DB, uuid.UUID(site.Who(access.Owner).Workshop))
	soap := book.Product("OS", "Oat soap bar")
	for _, code := range []string{"A/B", "50%", "50%25", "C/50%", "D?B", "E#B", "F B", "Ä+1", "G&amp;B", "%2F"} {
		book.Batch(code, batchcode.Fold(code), soap, "2026-01-05", 10, "released", "")
		lot, err := site.Store.ReceiveLot(t.Context(), site.Who(access.Owner), store.Entry{}, store.Receipt{Material: "OO", SupplierLot: code, NewSupplier: "Marsh", Quantity: decimal.NewFromInt(100), ReceivedOn: day.Must("2026-01-05")})
		if err != nil {
			t.Fatal(err)
		}
		page, err := site.Store.Lot(t.Context(), site.Who(access.Owner).Workshop, lot)
		if err != nil {
			t.Fatal(err)
		}
		for _, path := range []string{paths.Batch(code), paths.Packing(code), paths.PackingUnits(code), paths.TraceBatch(code), paths.TraceSources(code), paths.TraceSupplierLot(page.SupplierCode, code)} {
			if p := owner.Get(path); p.Status != http.StatusOK || !strings.Contains(p.Text("main"), code) {
				t.Errorf("%q at %s: %d, %q", code, path, p.Status, p.Text("h1"))
			}
		}
	}
}
