package api_test

import (
	"bytes"
	"context"
	"encoding/json"
	"io"
	"net/http"
	"net/url"
	"strings"
	"testing"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"github.com/pb33f/libopenapi"
	validator "github.com/pb33f/libopenapi-validator"

	"example.org/stillroom/internal/access"
	"example.org/stillroom/internal/batchcode"
	"example.org/stillroom/internal/pgtest"
	"example.org/stillroom/internal/store"
	"example.org/stillroom/web/webtest"
)

// contract is a served workshop whose every answer is held to the description that it serves.
type contract struct {
	*webtest.Site
	t               *testing.T
	url             string
	described       validator.Validator
	document        []byte
	token, readOnly string
}

func newContract(t *testing.T) *contract {
	t.Helper()
	c := &contract{Site: webtest.New(t), t: t}
	c.url = c.Site.URL
	c.token, c.readOnly = c.made("Hub", false), c.made("Reader", true)
	res, err := http.Get(c.url + "/api/v1/openapi.json")
	c.ok(err)
	defer res.Body.Close()
	c.document, err = io.ReadAll(res.Body)
	c.ok(err)
	doc, err := libopenapi.NewDocument(c.document)
	c.ok(err)
	var errs []error
	if c.described, errs = validator.NewValidator(doc); len(errs) > 0 {
		t.Fatalf("the description: %v", errs)
	}
	return c
}

func (c *contract) ok(err error) {
	c.t.Helper()
	if err != nil {
		c.t.Fatal(err)
	}
}

func (c *contract) shop() store.WorkshopID { return c.Who(access.Owner).Workshop }

func (c *contract) made(name string, readOnly bool) string {
	c.t.Helper()
	text, err := c.Store.MakeToken(c.t.Context(), c.Who(access.Owner), store.Entry{}, name, readOnly)
	c.ok(err)
	return text
}

// sql runs a statement as the owner of the database.
func (c *contract) sql(statement string, args ...any) {
	c.t.Helper()
	conn, err := pgx.Connect(c.t.Context(), c.DB.OwnerURL)
	c.ok(err)
	defer conn.Close(context.Background())
	_, err = conn.Exec(c.t.Context(), statement, args...)
	c.ok(err)
}

// question is one request; an empty method is GET.
type question struct {
	method, path, token string
	head                map[string]string
	body                string
	outside             bool // of an address or a method that is not described
}

type reply struct {
	t      *testing.T
	status int
	head   http.Header
	body   string
}

func (q question) request(t *testing.T, base string) *http.Request {
	t.Helper()
	method := q.method
	if method == "" {
		method = http.MethodGet
	}
	req, err := http.NewRequest(method, base+q.path, strings.NewReader(q.body))
	if err != nil {
		t.Fatal(err)
	}
	if q.token != "" {
		req.Header.Set("Authorization", "Bearer "+q.token)
	}
	for name, value := range q.head {
		req.Header.Set(name, value)
	}
	return req
}

// ask sends a question and holds the answer to the description; what was answered with 200 has to have been asked as
// described, too.
func (c *contract) ask(q question) reply {
	c.t.Helper()
	res, err := http.DefaultClient.Do(q.request(c.t, c.url))
	c.ok(err)
	defer res.Body.Close()
	body, err := io.ReadAll(res.Body)
	c.ok(err)
	a := reply{c.t, res.StatusCode, res.Header, string(body)}
	if got := res.Header.Get("Content-Security-Policy"); !strings.HasPrefix(got, "default-src 'none'") || res.Header.Get("X-Content-Type-Options") != "nosniff" || res.Header.Get("Cache-Control") != "no-store" || res.Header.Get("Set-Cookie") != "" {
		c.t.Errorf("%s %s: headers %v", q.method, q.path, res.Header)
	}
	if a.status >= 400 {
		a.problem()
	}
	if q.outside {
		return a
	}
	res.Body = io.NopCloser(bytes.NewReader(body))
	if fine, faults := c.described.ValidateHttpResponse(q.request(c.t, c.url), res); !fine {
		for _, f := range faults {
			c.t.Errorf("%s %s answers %d, which is not as described: %s: %s\n%.2000s", q.method, q.path, a.status, f.Message, f.Reason, a.body)
		}
	}
	if a.status == http.StatusOK {
		if fine, faults := c.described.ValidateHttpRequest(q.request(c.t, c.url)); !fine {
			for _, f := range faults {
				c.t.Errorf("%s %s was answered, though it was not asked as described: %s: %s", q.method, q.path, f.Message, f.Reason)
			}
		}
	}
	return a
}

type problem struct {
	Type, Title, Detail, Request string
	Status                       int
	Errors                       []struct{ Location, Message string }
	More                         int64
}

// problem reads a problem document, and fails where the answer is none.
func (a reply) problem() problem {
	a.t.Helper()
	var p problem
	if err := json.Unmarshal([]byte(a.body), &p); err != nil || a.head.Get("Content-Type") != "application/problem+json" ||
		p.Status != a.status || p.Type != "about:blank" || p.Title != http.StatusText(a.status) || p.Detail == "" || len(p.Request) != 16 {
		a.t.Errorf("%d with %q is no problem document (%v): %s", a.status, a.head.Get("Content-Type"), err, a.body)
	}
	return p
}

// at lists where the problem is.
func (p problem) at() string {
	var list []string
	for _, e := range p.Errors {
		list = append(list, e.Location)
	}
	return strings.Join(list, " ")
}

func (a reply) want(what string, status int) reply {
	a.t.Helper()
	if a.status != status {
		a.t.Errorf("%s: answered %d, want %d: %.1000s", what, a.status, status, a.body)
	}
	return a
}

// traded is the workshop after one lot of oil went through a premix into a balm, and on to a shop. Its codes have a slash,
// and its customer a name that a spreadsheet would take for a formula.
func (c *contract) traded() {
	c.t.Helper()
	h := pgtest.History(c.t, c.DB, uuid.UUID(c.shop()))
	oil := h.Material("OO", "Oat oil")
	lot := h.Lot("OO/26 42", oil, 5000)
	balm := h.Product("OB", "Oat balm <50 g>")
	premix := h.Batch("PX-26100-01", batchcode.Fold("PX-26100-01"), balm, "2026-04-10", 0, "released", "")
	one := h.Batch("OB/26101-01", batchcode.Fold("OB/26101-01"), balm, "2026-04-11", 40, "released", "2027-04-11")
	h.Draw(premix.Batch, lot, 1000)
	h.DrawBatch(one.Batch, premix.Batch, 400)
	h.Dispatch("D-1", h.Customer("C-1", "=Harbour Pantry", "stockist"), one.Packing, 25, "2026-05-02")
}

func seg(code string) string { return url.PathEscape(code) }
