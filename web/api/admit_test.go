package api_test

import (
	"encoding/json"
	"net/http"
	"strconv"
	"strings"
	"testing"
	"time"

	"example.org/stillroom/internal/access"
	"example.org/stillroom/internal/store"
)

// described is one operation of the description.
type described struct {
	method, path, sends string
	writes              bool
}

// operations are all that the description has, so that one that is added is asked here, too.
func (c *contract) operations() (list []described) {
	c.t.Helper()
	var doc struct {
		OpenAPI string `json:"openapi"`
		Paths   map[string]map[string]struct {
			Security    []map[string][]string `json:"security"`
			RequestBody struct {
				Content map[string]any `json:"content"`
			} `json:"requestBody"`
		} `json:"paths"`
	}
	c.ok(json.Unmarshal(c.document, &doc))
	if doc.OpenAPI != "3.1.0" {
		c.t.Errorf("OpenAPI %q", doc.OpenAPI)
	}
	for path, methods := range doc.Paths {
		for method, op := range methods {
			if path == "/openapi.json" {
				continue
			}
			d := described{method: strings.ToUpper(method), path: "/api/v1" + strings.ReplaceAll(path, "{code}", "NO-SUCH"), writes: method != "get"}
			for kind := range op.RequestBody.Content {
				d.sends = kind
			}
			if len(op.Security) != 1 {
				c.t.Errorf("%s %s asks for no token", method, path)
			}
			list = append(list, d)
		}
	}
	return list
}

func TestTheDescriptionIsOpenWholeAndHolds(t *testing.T) {
	t.Parallel()
	c := newContract(t)
	c.ask(question{path: "/api/v1/openapi.json"}).want("without a token", http.StatusOK)
	if fine, faults := c.described.ValidateDocument(); !fine {
		for _, f := range faults {
			t.Errorf("%s: %s", f.Message, f.Reason)
		}
	}
	have := map[string]bool{}
	for _, op := range c.operations() {
		have[op.method+" "+op.path] = true
	}
	for _, want := range []string{"GET /api/v1/trace/lots/NO-SUCH", "GET /api/v1/trace/batches/NO-SUCH", "GET /api/v1/trace/sources/NO-SUCH", "POST /api/v1/import", "GET /api/v1/export", "POST /api/v1/climate-readings"} {
		if !have[want] {
			t.Errorf("%s is not described", want)
		}
	}
	for _, stranger := range []string{"http://", "https://", "ErrorModel", "$schema"} {
		if strings.Contains(string(c.document), stranger) {
			t.Errorf("the description speaks of %s", stranger)
		}
	}
}

func TestNothingIsToldWithoutATokenThatWorks(t *testing.T) {
	t.Parallel()
	c := newContract(t)
	ended := c.made("Sold", false)
	list, err := c.Store.Tokens(t.Context(), c.shop())
	c.ok(err)
	for _, k := range list {
		if k.Name == "Sold" {
			c.ok(c.Store.RevokeToken(t.Context(), c.Who(access.Owner), store.Entry{}, k.ID, "sold"))
		}
	}
	cookie := strings.TrimPrefix(c.Link(access.Owner), c.URL+"/sign-in/")
	session, err := c.Store.SignInByLink(t.Context(), cookie, "test", time.Now())
	c.ok(err)
	operations := c.operations()
	if len(operations) < 6 {
		t.Fatalf("%d operations", len(operations))
	}
	for name, tc := range map[string]struct{ authorization, cookie, challenge string }{
		"nothing":              {"", "", `Bearer realm="stillroom"`},
		"another scheme":       {"Basic " + c.token, "", `Bearer realm="stillroom"`},
		"a scheme alone":       {"Bearer ", "", `Bearer realm="stillroom"`},
		"no token":             {"Bearer x.y", "", `error="invalid_token"`},
		"a revoked one":        {"Bearer " + ended, "", `error="invalid_token"`},
		"somebody's session":   {"Bearer " + session, "", `error="invalid_token"`},
		"a cookie of a person": {"", "stillroom=" + session, `Bearer realm="stillroom"`},
		"one with bad letters": {"Bearer \xff\xfe.\x01", "", `error="invalid_token"`},
	} {
		for _, op := range operations {
			q := question{method: op.method, path: op.path, head: map[string]string{}}
			for header, value := range map[string]string{"Authorization": tc.authorization, "Cookie": tc.cookie, "Content-Type": op.sends} {
				if value != "" && !strings.Contains(value, "\x01") {
					q.head[header] = value
				}
			}
			if strings.Contains(tc.authorization, "\x01") {
				q.head["Authorization"] = "Bearer \xff\xfe.zzz"
			}
			a := c.ask(q).want(name+": "+op.method+" "+op.path, http.StatusUnauthorized)
			if !strings.Contains(a.head.Get("WWW-Authenticate"), tc.challenge) {
				t.Errorf("%s: %s: challenge %q", name, op.path, a.head.Get("WWW-Authenticate"))
			}
		}
	}
}

func TestAReadOnlyTokenReadsAndStoresNothing(t *testing.T) {
	t.Parallel()
	c := newContract(t)
	for _, op := range c.operations() {
		a := c.ask(question{method: op.method, path: op.path, token: c.readOnly, head: map[string]string{"Content-Type": op.sends}, body: "[]"})
		if (a.status == http.StatusForbidden) != op.writes || a.status == http.StatusUnauthorized {
			t.Errorf("%s %s: answered %d", op.method, op.path, a.status)
		}
	}
	a := c.ask(question{path: "/api/v1/trace/lots/X", head: map[string]string{"Authorization": "bearer  " + c.readOnly}})
	a.want("the scheme in small letters", http.StatusNotFound)
}

func TestATokenOfAnotherWorkshopFindsNothingHere(t *testing.T) {
	t.Parallel()
	c := newContract(t)
	c.traded()
	c.sql(`INSERT INTO workshop (id, code, name) VALUES ('01890a5d-ac96-774b-bcce-b302099a8057', 'second', 'Fenmarch Workshop')`)
	other, err := store.ParseID[store.WorkshopID]("01890a5d-ac96-774b-bcce-b302099a8057")
	c.ok(err)
	text, err := c.Store.MakeToken(t.Context(), store.Who{Workshop: other, Actor: "system"}, store.Entry{}, "Hub", false)
	c.ok(err)
	path := "/api/v1/trace/lots/" + seg("OO/26 42")
	c.ask(question{path: path, token: c.token}).want("its own", http.StatusOK)
	c.ask(question{path: path, token: text}).want("another's", http.StatusNotFound)
}

func TestAskingTooOftenIsToldWhenToComeBack(t *testing.T) {
	t.Parallel()
	c := newContract(t)
	list, err := c.Store.Tokens(t.Context(), c.shop())
	c.ok(err)
	wild := map[string]string{}
	for _, k := range list {
		wild[k.Name] = "api:token:" + store.Text(k.ID)
	}
	tried := `INSERT INTO throttle (key, starts_at, tries) VALUES ($1, now(), 1000000) ON CONFLICT (key) DO UPDATE SET tries = excluded.tries`
	q := question{path: "/api/v1/trace/lots/X", token: c.token}
	c.ask(q).want("before", http.StatusNotFound)
	c.sql(tried, wild["Hub"])
	a := c.ask(q).want("a wild token", http.StatusTooManyRequests)
	if s, err := strconv.Atoi(a.head.Get("Retry-After")); err != nil || s < 1 || s > 61 {
		t.Errorf("Retry-After %q", a.head.Get("Retry-After"))
	}
	c.ask(question{path: q.path, token: c.readOnly}).want("another token", http.StatusNotFound)
	c.sql(tried, "api:127.0.0.1")
	c.ask(question{path: q.path, token: c.readOnly}).want("a wild address", http.StatusTooManyRequests)
	c.ask(question{path: q.path}).want("without a token", http.StatusTooManyRequests)
	c.ask(question{path: "/api/v1/openapi.json"}).want("the description", http.StatusOK)
}

func TestWhatIsNotThereIsAProblemToo(t *testing.T) {
	t.Parallel()
	c := newContract(t)
	for name, tc := range map[string]struct {
		method, path string
		status       int
		allow        string
	}{
		"the root":              {"GET", "/api/v1", 404, ""},
		"the root with a slash": {"GET", "/api/v1/", 404, ""},
		"an unknown address":    {"GET", "/api/v1/recalls", 404, ""},
		"a slash too many":      {"GET", "/api/v1/trace/lots/A/B", 404, ""},
		"an escaped root":       {"GET", "/api%2Fv1/export", 404, ""},
		"a description in YAML": {"GET", "/api/v1/openapi.yaml", 404, ""},
		"pages about it":        {"GET", "/api/v1/docs", 404, ""},
		"posting a trace":       {"POST", "/api/v1/trace/lots/X", 405, "GET"},
		"getting readings":      {"GET", "/api/v1/climate-readings", 405, "POST"},
		"deleting":              {"DELETE", "/api/v1/export", 405, "GET"},
		"posting a description": {"POST", "/api/v1/openapi.json", 405, "GET"},
		"an escaped code":       {"PUT", "/api/v1/trace/lots/A%2FB", 405, "GET"},
	} {
		a := c.ask(question{method: tc.method, path: tc.path, token: c.token, outside: true}).want(name, tc.status)
		if a.head.Get("Allow") != tc.allow {
			t.Errorf("%s: Allow %q, want %q", name, a.head.Get("Allow"), tc.allow)
		}
	}
}

func TestADefectTellsANumberAndNothingElse(t *testing.T) {
	t.Parallel()
	c := newContract(t)
	c.sql(`ALTER TABLE api_token RENAME TO api_token_gone`)
	a := c.ask(question{path: "/api/v1/trace/lots/X", token: c.token}).want("a broken schema", http.StatusInternalServerError)
	if strings.Contains(a.body, "api_token") || strings.Contains(a.body, "SQL") {
		t.Errorf("it tells %s", a.body)
	}
}
