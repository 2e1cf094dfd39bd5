package web_test

import (
	"context"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"testing"

	"github.com/PuerkitoBio/goquery"
	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"example.org/stillroom/internal/access"
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
				at := 0
				for _, field := range slices.Sorted(keysOf(values)) {
					// Each field meets all of them somewhere, each form some: all with all takes a minute.
					for range hostileShare {
						spoilt := hostileCopy(values)
						spoilt.Set(field, nasties[at%len(nasties)])
						what := fmt.Sprintf("%s with %s=%.30q", action, field, nasties[at%len(nasties)])
						at++
						sent++
						if post {
							if field != "entry_key" {
								spoilt.Set("entry_key", uuid.NewString())
							}
							hostileFine(t, w, what, w.send(t, action, cookie, spoilt))
						} else {
							hostileFine(t, w, what, w.ask(t, http.MethodGet, action+"?"+spoilt.Encode(), cookie))
						}
					}
				}
			}
			for _, name := range []string{"before", "after", "q", "product", "code", "customer", "material", "packing", "entry", "hold", "edit", "formula", "pattern", "status", "show", "next"} {
				for _, nasty := range []string{"\x00", "\xff", "zz|zz|zz", strings.Repeat("9", 400)} {
					hostileFine(t, w, path+"?"+name, w.ask(t, http.MethodGet, path+"?"+name+"="+url.QueryEscape(nasty), cookie))
				}
			}
		}
	}
	t.Logf("%d forms, %d times", forms, sent)
	if forms < 40 {
		t.Errorf("only %d forms were tried", forms)
	}
	for _, v := range hostileVerify(t, w) {
		t.Error(v)
	}
}

const hostileShare = 22

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

var _ = access.Owner
var _ pgx.Tx
var _ = context.Background
