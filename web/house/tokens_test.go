package house_test

import (
	"net/http"
	"net/url"
	"strings"
	"testing"
	"time"

	"github.com/PuerkitoBio/goquery"
	"github.com/google/uuid"

	"example.org/stillroom/internal/access"
	"example.org/stillroom/web/webtest"
)

func TestATokenIsShownOnceToTheOwnerWhoMadeIt(t *testing.T) {
	t.Parallel()
	site := webtest.New(t)
	owner := site.As(access.Owner)
	empty := owner.Get("/settings/tokens")
	wantStatus(t, "the page", empty, http.StatusOK)
	if !strings.Contains(empty.Text("main"), "There is no token.") || empty.Find(`nav a[aria-current="page"]:contains("Tokens")`).Length() != 1 {
		t.Errorf("an empty page: %q", empty.Text("main"))
	}
	made := owner.Submit(empty, "Make the token", map[string]string{"name": "Logger", "read_only": "on"})
	wantStatus(t, "made", made, http.StatusOK)
	bearer, err := site.Store.TokenWho(t.Context(), made.Value("token"), time.Now())
	if err != nil || !bearer.ReadOnly || bearer.Who.Name != "Logger" {
		t.Fatalf("the token shown is %+v, %v", bearer, err)
	}
	if made.Header.Get("Cache-Control") != "no-store" || made.Header.Get("Set-Cookie") != "" {
		t.Errorf("headers %v", made.Header)
	}
	_, secret, _ := strings.Cut(made.Value("token"), ".")
	later := owner.Get("/settings/tokens")
	if strings.Contains(later.Body, secret) || !strings.Contains(later.Text("tbody tr"), "reads only") || !strings.Contains(later.Text("tbody tr"), "Owner Quill") {
		t.Errorf("later: %s", later.Text("main"))
	}
	if strings.Contains(later.Text("tbody tr"), "never") {
		t.Errorf("it was used just now: %s", later.Text("tbody tr"))
	}
	sound(t, site)
}

func TestATokenFormSentTwiceMakesOneAndShowsItOnce(t *testing.T) {
	t.Parallel()
	site := webtest.New(t)
	owner := site.As(access.Owner)
	page := owner.Get("/settings/tokens")
	first := owner.Submit(page, "Make the token", map[string]string{"name": "Logger"})
	wantStatus(t, "first", first, http.StatusOK)
	again := owner.Follow(owner.Submit(page, "Make the token", map[string]string{"name": "Logger"}))
	if again.Value("token") != "" || !strings.Contains(again.Text("#said"), "made already") || again.Find("tbody tr").Length() != 1 {
		t.Errorf("again: %q", again.Text("main"))
	}
	wantStatus(t, "with another name", owner.Submit(page, "Make the token", map[string]string{"name": "Hub"}), http.StatusUnprocessableEntity)
}

func TestATokenFormComesBackWithWhatWasTyped(t *testing.T) {
	t.Parallel()
	site := webtest.New(t)
	owner := site.As(access.Owner)
	owner.Submit(owner.Get("/settings/tokens"), "Make the token", map[string]string{"name": "Logger"})
	for name, tc := range map[string]struct{ typed, says string }{
		"nothing":          {"", "Write what the token is for"},
		"a name it has":    {"Logger", "There is a token of this name."},
		"longer than fits": {strings.Repeat("log ", 30), "80 characters"},
	} {
		p := owner.Submit(owner.Get("/settings/tokens"), "Make the token", map[string]string{"name": tc.typed, "read_only": "on"})
		wantStatus(t, name, p, http.StatusUnprocessableEntity)
		if !strings.Contains(p.Error("name"), tc.says) || p.Value("name") != tc.typed || p.Find("#f-read_only[checked]").Length() != 1 || p.Value("token") != "" {
			t.Errorf("%s: beside name %q, typed %q", name, p.Error("name"), p.Value("name"))
		}
	}
}

func TestARevokedTokenNamesItsEndAndNeedsAReason(t *testing.T) {
	t.Parallel()
	site := webtest.New(t)
	owner := site.As(access.Owner)
	owner.Submit(owner.Get("/settings/tokens"), "Make the token", map[string]string{"name": "Hub"})
	text := owner.Submit(owner.Get("/settings/tokens"), "Make the token", map[string]string{"name": "Logger"}).Value("token")
	page := owner.Get("/settings/tokens")
	ids := map[string]bool{}
	page.Find("[id]").Each(func(_ int, s *goquery.Selection) {
		id := s.AttrOr("id", "")
		if ids[id] {
			t.Errorf("two things on the page are called %q", id)
		}
		ids[id] = true
	})
	without := owner.Submit(page, "Revoke Logger", map[string]string{"reason": " "})
	wantStatus(t, "without a reason", without, http.StatusUnprocessableEntity)
	if without.Error("reason") != "Say why the token ends." || without.Find("details[open]").Length() != 1 {
		t.Errorf("beside reason %q", without.Error("reason"))
	}
	if _, err := site.Store.TokenWho(t.Context(), text, time.Now()); err != nil {
		t.Errorf("not revoked, and yet: %v", err)
	}
	after := owner.Follow(owner.Submit(without, "Revoke Logger", map[string]string{"reason": "sold"}))
	if _, err := site.Store.TokenWho(t.Context(), text, time.Now()); err == nil {
		t.Error("it still works")
	}
	if !strings.Contains(after.Text("tbody"), "revoked") || after.Find(`button:contains("Revoke Logger")`).Length() != 0 || after.Find(`button:contains("Revoke Hub")`).Length() != 1 {
		t.Errorf("after: %q", after.Text("main"))
	}
	id := page.Find(`form:has(button:contains("Revoke Logger"))`).AttrOr("action", "")
	twice := owner.Post(id, url.Values{"entry_key": {uuid.NewString()}, "reason": {"once more"}})
	wantStatus(t, "twice", twice, http.StatusConflict)
	if !strings.Contains(twice.Text(".summary"), "revoked before") {
		t.Errorf("twice: %q", twice.Text("main"))
	}
	wantStatus(t, "one that never was", owner.Post("/settings/tokens/"+uuid.NewString()+"/revoke", url.Values{"entry_key": {uuid.NewString()}, "reason": {"x"}}), http.StatusNotFound)
	sound(t, site)
}

func TestTokensAreTheOwners(t *testing.T) {
	t.Parallel()
	site := webtest.New(t)
	for _, role := range []access.Role{access.Viewer, access.Helper, access.Maker} {
		c := site.As(role)
		wantStatus(t, string(role)+" looks", c.Get("/settings/tokens"), http.StatusForbidden)
		wantStatus(t, string(role)+" makes", c.Post("/settings/tokens", url.Values{"entry_key": {uuid.NewString()}, "name": {"Mine"}}), http.StatusForbidden)
	}
	list, err := site.Store.Tokens(t.Context(), site.Who(access.Owner).Workshop)
	if err != nil || len(list) != 0 {
		t.Errorf("tokens %v, %v", list, err)
	}
}
