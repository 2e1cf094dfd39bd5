package web_test

import (
	"fmt"
	"io"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"testing"

	"github.com/PuerkitoBio/goquery"
	"github.com/google/uuid"

	"example.org/stillroom/internal/store"
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
	"1,234",
	"2026-02-30",
	"0000-01-01",
	"9999-12-31",
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

// TestNothingThatIsSentMakesAPageFail sends each form of each page, as it is drawn, with one field after the other
// spoilt, and asks for each page with a spoilt address.
func TestNothingThatIsSentMakesAPageFail(t *testing.T) {
	t.Parallel()
	w := newServedDemo(t)
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
				if seen[name] || action == "/sign-out" || strings.HasPrefix(action, "/account/") || strings.HasSuffix(action, "/access") || strings.HasSuffix(action, "/role") {
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
