package api_test

import (
	"net/http"
	"net/url"
	"strings"
	"testing"

	"example.org/stillroom/internal/epcis/epcistest"
)

// events of an answer that has to be a sound EPCIS document.
func (a reply) events() []map[string]any {
	a.t.Helper()
	doc, faults := epcistest.Check([]byte(a.body))
	if len(faults) > 0 || a.head.Get("Content-Type") != "application/ld+json" || a.head.Get("GS1-EPCIS-Version") != "2.0.0" || a.head.Get("GS1-CBV-Version") != "2.0.0" {
		a.t.Errorf("%v: %s", a.head, strings.Join(faults, "\n"))
	}
	return doc.Events
}

func TestTheBookIsGivenAsEPCIS(t *testing.T) {
	t.Parallel()
	c := newContract(t)
	c.traded()
	ask := func(query string) reply {
		t.Helper()
		return c.ask(question{path: "/api/v1/epcis?" + query, token: c.readOnly})
	}
	// A lot came, was drawn into a premix, that into a balm; two makings, two packings (the premix has no units), one dispatch.
	lot := ask("lot="+url.QueryEscape("OO/26 42")).want("a lot", http.StatusOK).events()
	batch := ask("batch="+url.QueryEscape("ob/26101-01")).want("a batch", http.StatusOK).events()
	if len(lot) != 7 || len(batch) != 7 || lot[6]["bizStep"] != "shipping" {
		t.Errorf("%d events of the lot, %d of the batch", len(lot), len(batch))
	}
	if strings.Contains(ask("batch="+url.QueryEscape("OB/26101-01")).body, "Harbour") {
		t.Error("a customer's name stands in the document")
	}
	// Page by page by the links, and no longer than asked for.
	var all []map[string]any
	for next, pages := "/api/v1/epcis?from=2026-01-01&to=2026-12-31&perPage=3", 0; next != ""; pages++ {
		page := c.ask(question{path: next, token: c.readOnly}).want("a page", http.StatusOK)
		all = append(all, page.events()...)
		link := page.head.Get("Link")
		next, _, _ = strings.Cut(strings.TrimPrefix(link, "<"), `>; rel="next"`)
		if pages > 3 || link != "" && next == link {
			t.Fatalf("page %d: Link %q", pages, link)
		}
	}
	if len(all) != 7 {
		t.Errorf("%d events of the year", len(all))
	}
	for _, name := range []string{"from=2027-01-01", "to=2025-12-31"} {
		if none := ask(name).want(name, http.StatusOK).events(); len(none) > 0 {
			t.Errorf("%s: %d events", name, len(none))
		}
	}
	c.ask(question{path: "/api/v1/epcis?lot=X"}).want("without a token", http.StatusUnauthorized)
	for query, at := range map[string]string{
		"": "lot", "lot=A&batch=B": "lot", "lot=A&from=2026-01-01": "lot", "recall=twelve": "recall", "recall=0": "recall", "from=1+May": "from", "to=2026-02-30": "to",
		"from=2026-05-02&to=2026-05-01": "to", "from=2026-05-02&perPage=0": "perPage", "from=2026-05-02&perPage=1001": "perPage", "from=2026-05-02&perPage=few": "perPage",
		"from=2026-05-02&nextPageToken=xyz": "nextPageToken", "lot=A&perPage=3": "perPage",
	} {
		if got := ask(query).want(query, http.StatusUnprocessableEntity).problem().at(); got != at {
			t.Errorf("%q: at %q, want %q", query, got, at)
		}
	}
	for _, query := range []string{"lot=NO", "batch=NO-1", "recall=R-77", "recall=77", "lot=%00", "batch=%ff"} {
		ask(query).want(query, http.StatusNotFound).problem()
	}
}
