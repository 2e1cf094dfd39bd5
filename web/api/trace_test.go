package api_test

import (
	"bytes"
	"encoding/json"
	"net/http"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/uuid"

	"example.org/stillroom/internal/pgtest"
	"example.org/stillroom/internal/trace"
)

// printed is what the command line prints as JSON: indented, with < as it is.
func printed(t *testing.T, v any) string {
	t.Helper()
	var out bytes.Buffer
	e := json.NewEncoder(&out)
	e.SetEscapeHTML(false)
	e.SetIndent("", "  ")
	if err := e.Encode(v); err != nil {
		t.Fatal(err)
	}
	return out.String()
}

func TestATraceIsWhatTheCommandLinePrints(t *testing.T) {
	t.Parallel()
	c := newContract(t)
	c.traded()
	ctx := t.Context()
	lot, err := c.Store.TraceLot(ctx, c.shop(), "OO/26 42")
	c.ok(err)
	batch, err := c.Store.TraceBatch(ctx, c.shop(), "OB/26101-01")
	c.ok(err)
	sources, err := c.Store.TraceSources(ctx, c.shop(), "OB/26101-01")
	c.ok(err)
	var lotCSV, batchCSV, sourcesCSV bytes.Buffer
	c.ok(trace.CSV(&lotCSV, lot.Lines))
	c.ok(trace.CSV(&batchCSV, batch.Lines))
	c.ok(trace.SourcesCSV(&sourcesCSV, sources.Lines))
	for name, tc := range map[string]struct{ path, json, csv, holds string }{
		"a lot":     {"/api/v1/trace/lots/" + seg("OO/26 42"), printed(t, lot.Forward), lotCSV.String(), "OB/26101-01,OB,Oat balm <50 g>,2026-04-11,2027-04-11,25,0,C-1,=Harbour Pantry,"},
		"a batch":   {"/api/v1/trace/batches/" + seg("OB/26101-01"), printed(t, batch.Forward), batchCSV.String(), ",15,0,,,on hand,"},
		"sources":   {"/api/v1/trace/sources/" + seg("OB/26101-01"), printed(t, sources.Backward), sourcesCSV.String(), "1,PX-26100-01,OO/26 42,OO,Oat oil,,,,,1000,"},
		"no branch": {"/api/v1/trace/sources/PX-26100-01", "", "", "0,PX-26100-01,OO/26 42,"},
	} {
		object := c.ask(question{path: tc.path, token: c.readOnly}).want(name, http.StatusOK)
		table := c.ask(question{path: tc.path, token: c.readOnly, head: map[string]string{"Accept": "text/csv"}}).want(name, http.StatusOK)
		if object.head.Get("Content-Type") != "application/json" || table.head.Get("Content-Type") != "text/csv; charset=utf-8" || !strings.Contains(object.head.Get("Vary"), "Accept") {
			t.Errorf("%s: %v and %v", name, object.head, table.head)
		}
		if diff := cmp.Diff(tc.json, object.body); tc.json != "" && diff != "" {
			t.Errorf("%s as JSON (-want +got):\n%s", name, diff)
		}
		if diff := cmp.Diff(tc.csv, table.body); tc.csv != "" && diff != "" {
			t.Errorf("%s as CSV (-want +got):\n%s", name, diff)
		}
		if !strings.Contains(table.body, tc.holds) {
			t.Errorf("%s lacks %q:\n%s", name, tc.holds, table.body)
		}
	}
}

func TestWhatIsAskedForByAccept(t *testing.T) {
	t.Parallel()
	c := newContract(t)
	c.traded()
	for accept, csv := range map[string]bool{
		"":                                   false,
		"*/*":                                false,
		"text/csv":                           true,
		"text/csv; header=present":           true,
		"TEXT/CSV;q=0.5, */*;q=0.1":          true,
		"application/json, text/csv;q=0.9":   false,
		"application/json;q=0.5, text/csv":   true,
		"text/csv;q=0":                       false,
		"text/html,application/xhtml+xml":    false,
		"text/csv;q=nothing":                 false,
		"application/json;q=0.2, text/csv;;": false,
	} {
		q := question{path: "/api/v1/trace/batches/PX-26100-01", token: c.token, head: map[string]string{}}
		if accept != "" {
			q.head["Accept"] = accept
		}
		a := c.ask(q).want(accept, http.StatusOK)
		if got := strings.HasPrefix(a.head.Get("Content-Type"), "text/csv"); got != csv {
			t.Errorf("Accept %q is answered with %q", accept, a.head.Get("Content-Type"))
		}
	}
}

func TestATraceThatDidNotChangeIsNotSentAgain(t *testing.T) {
	t.Parallel()
	c := newContract(t)
	c.traded()
	path := "/api/v1/trace/lots/" + seg("OO/26 42")
	ask := func(matches, accept string) reply {
		q := question{path: path, token: c.token, head: map[string]string{"Accept": accept}}
		if matches != "" {
			q.head["If-None-Match"] = matches
		}
		return c.ask(q)
	}
	first := ask("", "application/json").want("first", http.StatusOK)
	tag := first.head.Get("ETag")
	if len(tag) != 66 || tag[0] != '"' {
		t.Fatalf("ETag %q is not strong", tag)
	}
	table := ask("", "text/csv").want("table", http.StatusOK)
	if table.head.Get("ETag") == tag {
		t.Error("two forms have one tag")
	}
	for _, matches := range []string{tag, `"x", ` + tag, "W/" + tag, "*"} {
		a := ask(matches, "application/json").want(matches, http.StatusNotModified)
		if a.body != "" || a.head.Get("ETag") != tag {
			t.Errorf("%s: %q, ETag %q", matches, a.body, a.head.Get("ETag"))
		}
	}
	ask(table.head.Get("ETag"), "application/json").want("the tag of the other form", http.StatusOK)
	ask(`"x"`, "application/json").want("another tag", http.StatusOK)
	pgtest.History(t, c.DB, uuid.UUID(c.shop())).Do(pgtest.Statement{SQL: `UPDATE customer SET name = 'Harbour Store' WHERE workshop_id = $1 AND $2::uuid IS NOT NULL`})
	if a := ask(tag, "application/json").want("after a change", http.StatusOK); !strings.Contains(a.body, "Harbour Store") {
		t.Errorf("after a change: %s", a.body)
	}
}

func TestACodeThatIsNotThereIsNotFound(t *testing.T) {
	t.Parallel()
	c := newContract(t)
	for name, code := range map[string]string{
		"none":              "OO-1",
		"a NUL":             "OO%00",
		"broken UTF-8":      "OO%FF",
		"escaped twice":     "OO%252F26",
		"an escaped slash":  "%2F",
		"dots":              "..%2F..%2Fexport",
		"longer than codes": strings.Repeat("x", 5000),
		"a quote":           "%27%3B--",
	} {
		for _, of := range []string{"lots", "batches", "sources"} {
			c.ask(question{path: "/api/v1/trace/" + of + "/" + code, token: c.token}).want(name+" of "+of, http.StatusNotFound)
		}
	}
}
