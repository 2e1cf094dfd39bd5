package tracepages_test

import (
	"fmt"
	"log/slog"
	"net/http"
	"net/url"
	"strings"
	"sync"
	"testing"

	"github.com/google/uuid"

	"example.org/stillroom/internal/access"
	"example.org/stillroom/internal/batchcode"
	"example.org/stillroom/internal/day"
	"example.org/stillroom/internal/epcis/epcistest"
	"example.org/stillroom/internal/pgtest"
	"example.org/stillroom/internal/store"
	"example.org/stillroom/web/webtest"

	"github.com/shopspring/decimal"
)

// harbour is a workshop in which one lot of oat oil went through a premix into bars, to a shop and to a fair.
type harbour struct {
	*webtest.Site
	book           *pgtest.Book
	premix, first  pgtest.Packed
	lot, otherLot  string
	supplier, shop string
}

func newHarbour(t *testing.T) harbour {
	t.Helper()
	site := webtest.New(t)
	who := site.Who(access.Owner)
	h := harbour{Site: site, book: pgtest.History(t, site.DB, uuid.UUID(who.Workshop)), shop: "HSP"}
	ctx := t.Context()
	if _, err := site.Store.AddMaterial(ctx, who, store.Entry{}, store.Material{Code: "OO", Name: "Oat oil", Kind: "raw", Unit: "g", Tracked: true, ExpiryCounts: true}); err != nil {
		t.Fatal(err)
	}
	var err error
	if h.supplier, err = site.Store.AddSupplier(ctx, who, store.Entry{}, store.Supplier{Name: "Fenmarch Oils"}); err != nil {
		t.Fatal(err)
	}
	receive := func() string {
		code, err := site.Store.ReceiveLot(ctx, who, store.Entry{}, store.Receipt{Material: "OO", Supplier: h.supplier, SupplierLot: "7731/B", ReceivedOn: day.Must("2026-03-12"), ExpiresOn: day.Must("2027-03-31"), Quantity: decimal.NewFromInt(2500)})
		if err != nil {
			t.Fatal(err)
		}
		return code
	}
	h.lot, h.otherLot = receive(), receive()
	product := h.book.Product("SB", "Sage bar")
	batch := func(code string, good int) pgtest.Packed {
		return h.book.Batch(code, batchcode.Fold(code), product, "2026-04-01", good, "released", "2027-03-31")
	}
	h.premix, h.first = batch("PX-26091-01", 0), batch("OB-26101-01", 60)
	h.drawLot(h.premix.Batch, h.lot)
	h.book.DrawBatch(h.first.Batch, h.premix.Batch, 200)
	shop, fair := h.book.Customer("HSP", "Harbour <i>Street</i> Pantry", "stockist"), h.book.Customer("SSF", "Sedgebank Summer Fair", "event")
	h.book.Do(pgtest.Statement{SQL: `UPDATE customer SET email = 'orders@harbour.example.org' WHERE workshop_id = $1 AND id = $3 AND $2::uuid IS NOT NULL`, Args: []any{shop}})
	sent := h.book.Dispatch("D-1", shop, h.first.Packing, 20, "2026-05-01")
	h.book.Dispatch("D-2", fair, h.first.Packing, 6, "2026-05-02")
	h.book.Do(
		pgtest.Statement{SQL: `INSERT INTO unit_return (workshop_id, id, code, dispatch_id, packing_id, returned_on, units, disposition, change_id) VALUES ($1, $3, 'R-1', $4, $5, '2026-05-20', 2, 'destroy', $2)`, Args: []any{uuid.Must(uuid.NewV7()), sent, h.first.Packing}},
		pgtest.Statement{SQL: `INSERT INTO unit_return (workshop_id, id, code, packing_id, returned_on, units, disposition, change_id) VALUES ($1, $3, 'R-2', $4, '2026-05-21', 1, 'restock', $2)`, Args: []any{uuid.Must(uuid.NewV7()), h.first.Packing}},
		pgtest.Statement{SQL: `INSERT INTO hold (workshop_id, id, packing_id, units, reason, placed_at, change_id) VALUES ($1, $3, $4, 5, 'smells', now(), $2)`, Args: []any{uuid.Must(uuid.NewV7()), h.first.Packing}},
	)
	return h
}

func (h harbour) drawLot(batch uuid.UUID, lot string) {
	h.book.Do(pgtest.Statement{SQL: `INSERT INTO batch_input (workshop_id, id, batch_id, material_lot_id, quantity, unit, change_id) SELECT $1, $3, $4, l.id, 300, 'g', $2 FROM material_lot l WHERE l.workshop_id = $1 AND l.code = $5`,
		Args: []any{uuid.Must(uuid.NewV7()), batch, lot}})
}

func saysAll(t *testing.T, page *webtest.Page, selector string, want ...string) {
	t.Helper()
	if page.Status != http.StatusOK {
		t.Fatalf("%s: %d %s", page.Path, page.Status, page.Text("main"))
	}
	text := page.Text(selector)
	for _, w := range want {
		if !strings.Contains(text, w) {
			t.Errorf("%s: %q does not say %q", page.Path, text, w)
		}
	}
}

func TestALotsPageTellsWhereItWentAndWhoHoldsWhat(t *testing.T) {
	t.Parallel()
	h := newHarbour(t)
	page := h.As(access.Viewer).Get("/trace/lots/" + h.lot)
	saysAll(t, page, "h1", "Where this lot went")
	saysAll(t, page, ".head", "Oat oil, Fenmarch Oils lot 7731/B, received 12 Mar 2026")
	saysAll(t, page, ".life", "2 batches", "1 by way of another", "60 units made", "all accounted for", "35 here", "5 on hold", "23 with 2 customers", "1 can be written to or called", "2 gone", "2 destroyed")
	rows := page.Find("table").First().Find("tbody tr")
	if rows.Length() != 2 {
		t.Fatalf("%d holders", rows.Length())
	}
	saysAll(t, page, "table:contains('Who holds') tbody tr:nth-child(1)", "Harbour <i>Street</i> Pantry", "stockist", "orders@harbour.example.org", "18", "of 20", "OB-26101-01")
	saysAll(t, page, "table:contains('Who holds') tbody tr:nth-child(2)", "Sedgebank Summer Fair", "event", "Public notice", "6")
	saysAll(t, page, "table:contains('The batches') tbody", "Directly", "1 batch on, by way of", "PX-26091-01")
	saysAll(t, page, ".note", "The same supplier's lot came more than once", h.otherLot, "1 unit came back of which the dispatch is not known")
	if page.Find("main i").Length() != 0 {
		t.Error("a name is shown as it was written")
	}
}

func TestOneDeliveryLeadsToAllOfTheSupplierLot(t *testing.T) {
	t.Parallel()
	h := newHarbour(t)
	h.drawLot(h.first.Batch, h.otherLot)
	viewer := h.As(access.Viewer)
	link := viewer.Get("/trace/lots/"+h.lot).Find(`.note a[href^="/trace/supplier-lots/"]`).AttrOr("href", "")
	page := viewer.Get(link)
	saysAll(t, page, "h1", "Where this supplier's lot went")
	saysAll(t, page, ".head", h.lot+": Oat oil", h.otherLot+": Oat oil", "7731/B")
	saysAll(t, page, "table:contains('The batches') tbody", "OB-26101-01", "PX-26091-01")
	for _, part := range []string{"/list", "/list.csv", "/epcis.jsonld"} {
		if more := viewer.Get(link + part); more.Status != http.StatusOK {
			t.Errorf("%s%s: %d", link, part, more.Status)
		}
	}
}

func TestABatchIsTracedForwardAndBack(t *testing.T) {
	t.Parallel()
	h := newHarbour(t)
	viewer := h.As(access.Viewer)
	page := viewer.Get("/trace/batches/PX-26091-01")
	saysAll(t, page, "h1", "Where this batch went")
	saysAll(t, page, ".life", "2 batches", "60 units made")
	saysAll(t, page, "table:contains('The batches') tbody", "Itself", "by way of")
	back := viewer.Get("/trace/sources/OB-26101-01")
	saysAll(t, back, "h1", "What went into this batch")
	saysAll(t, back, ".life", "1 lot", "from 1 supplier", "1 source batch", "1 step deep")
	saysAll(t, back, "main", "Went in directly", "PX-26091-01", "200 g", "1 step back", "Oat oil", h.lot, "Fenmarch Oils", "7731/B", "31 Mar 2027", "300 g")
}

func TestACorrectedEntryIsToldApartOnThePage(t *testing.T) {
	t.Parallel()
	h := newHarbour(t)
	h.book.Do(pgtest.Statement{SQL: `UPDATE batch_input SET replaced_by = id WHERE workshop_id = $1 AND source_batch_id = $3 AND $2::uuid IS NOT NULL`, Args: []any{h.premix.Batch}})
	page := h.As(access.Viewer).Get("/trace/lots/" + h.lot)
	saysAll(t, page, ".life", "1 batch", "nothing good was made")
	saysAll(t, page, ".note", "corrected since", "OB-26101-01")
	saysAll(t, page, "main", "Nothing of it was sent to anybody")
}

func TestTheRecallListIsAFileThatASpreadsheetCannotRun(t *testing.T) {
	t.Parallel()
	h := newHarbour(t)
	h.book.Do(pgtest.Statement{SQL: `UPDATE customer SET name = '=HYPERLINK("x")' WHERE workshop_id = $1 AND code = 'SSF' AND $2::uuid IS NOT NULL`})
	log := &lines{}
	h.House.Log = slog.New(slog.NewTextHandler(log, nil))
	viewer := h.As(access.Viewer)
	page := viewer.Get("/trace/lots/" + h.lot + "/list.csv")
	if page.Status != http.StatusOK || page.Header.Get("Content-Type") != "text/csv; charset=utf-8" || page.Header.Get("Content-Disposition") != `attachment; filename="recall-list-`+h.lot+`.csv"` {
		t.Errorf("%d %v", page.Status, page.Header)
	}
	for _, want := range []string{"batch,product,product_name,made_on,best_before,units,returned,customer,", "OB-26101-01,SB,Sage bar,2026-04-01,2027-03-31,20,2,HSP,", ",35,0,,,on hand,", `'=HYPERLINK`} {
		if !strings.Contains(page.Body, want) {
			t.Errorf("the list lacks %q:\n%s", want, page.Body)
		}
	}
	if text := log.String(); !strings.Contains(text, "msg=export") || !strings.Contains(text, "code="+h.lot) {
		t.Errorf("the export is not in the log: %s", text)
	}
	sources := viewer.Get("/trace/sources/OB-26101-01/list.csv")
	if !strings.HasPrefix(sources.Body, "depth,batch,material_lot,") || !strings.Contains(sources.Body, "1,PX-26091-01,"+h.lot+",OO,Oat oil,") {
		t.Errorf("sources:\n%s", sources.Body)
	}
	batch := viewer.Get("/trace/batches/OB-26101-01/list.csv")
	if strings.Count(batch.Body, "\n") != 4 {
		t.Errorf("batch list:\n%s", batch.Body)
	}
}

func TestATracesEventsAreAnEPCISFileWithoutNames(t *testing.T) {
	t.Parallel()
	h := newHarbour(t)
	log := &lines{}
	h.House.Log = slog.New(slog.NewTextHandler(log, nil))
	viewer := h.As(access.Viewer)
	for path, name := range map[string]string{"/trace/lots/" + h.lot: "epcis-" + h.lot, "/trace/batches/OB-26101-01": "epcis-OB-26101-01"} {
		file := viewer.Get(viewer.Get(path).Find("a:contains('EPCIS file')").AttrOr("href", ""))
		if file.Status != http.StatusOK || file.Header.Get("Content-Type") != "application/ld+json" || file.Header.Get("Content-Disposition") != `attachment; filename="`+name+`.jsonld"` {
			t.Errorf("%s: %d %v", path, file.Status, file.Header)
		}
		doc, faults := epcistest.Check([]byte(file.Body))
		if len(faults) > 0 || len(doc.Events) < 7 || strings.Count(file.Body, `"shipping"`) != 2 || strings.Contains(file.Body, "Harbour") || strings.Contains(file.Body, "orders@") || strings.Contains(file.Body, "Fenmarch") {
			t.Errorf("%s: %v\n%s", path, faults, file.Body)
		}
	}
	if text := log.String(); !strings.Contains(text, "what=EPCIS") || !strings.Contains(text, "code="+h.lot) {
		t.Errorf("the file is not in the log: %s", text)
	}
}

func TestThePrintedListSaysWhenByWhomAndWhereTheChainStood(t *testing.T) {
	t.Parallel()
	h := newHarbour(t)
	verdict, err := store.Verify(t.Context(), h.DB.OwnerURL)
	if err != nil {
		t.Fatal(err)
	}
	page := h.As(access.Viewer).Get("/trace/lots/" + h.lot + "/list")
	saysAll(t, page, "main", "Printed", "(UTC) by Viewer Quill", fmt.Sprintf("link %d", verdict[0].Links), verdict[0].Head[:16], "To tell", "To take off the shelf", "Dispatches", "D-1", "Checked against the shelf by")
}

func TestListsAreBounded(t *testing.T) {
	t.Parallel()
	h := newHarbour(t)
	viewer := h.As(access.Viewer)
	path := "/trace/lots/" + h.lot + "/list.csv"
	for i := range 30 {
		if page := viewer.Get(path); page.Status != http.StatusOK {
			t.Fatalf("%d: %d", i, page.Status)
		}
	}
	if page := viewer.Get(path); page.Status != http.StatusTooManyRequests || page.Header.Get("Retry-After") == "" {
		t.Errorf("the 31st in a minute: %d", page.Status)
	}
}

func TestTheChooserLeadsToTheTraceThatIsMeant(t *testing.T) {
	t.Parallel()
	h := newHarbour(t)
	h.book.Do(pgtest.Statement{SQL: `INSERT INTO code_near (workshop_id, near_key, code, batch_id) SELECT $1, k, 'OB-26101-01', $3 FROM unnest($4::text[]) k WHERE $2::uuid IS NOT NULL`, Args: []any{h.first.Batch, batchcode.Deletions(batchcode.Fold("OB-26101-01"))}})
	viewer := h.As(access.Viewer)
	for name, c := range map[string]struct{ code, way, want string }{
		"a lot":                   {strings.ToLower(h.lot), "forward", "/trace/lots/" + h.lot},
		"what a lot came from":    {h.lot, "back", "/lots/" + h.lot},
		"a batch":                 {"ob 26101 01", "forward", "/trace/batches/OB-26101-01"},
		"a batch back":            {"OB-26101-01", "back", "/trace/sources/OB-26101-01"},
		"a batch with a mistake":  {"OB-26102-01", "forward", "/find?q=OB-26102-01"},
		"a supplier's lot of two": {"7731/B", "forward", "/trace/supplier-lots/" + h.supplier + "/7731%2FB"},
	} {
		page := viewer.Submit(viewer.Get("/trace"), "Trace it", map[string]string{"code": c.code, "way": c.way})
		if page.Status != http.StatusSeeOther || page.Location != c.want {
			t.Errorf("%s: %d to %q, want %q", name, page.Status, page.Location, c.want)
		}
	}
	for name, c := range map[string]struct{ code, want string }{
		"nothing":   {"", "Which lot or batch?"},
		"unknown":   {"ZZZ-1", "No lot and no batch"},
		"too long":  {strings.Repeat("x", 101), "At most 100"},
		"no letter": {"--", "No lot and no batch"},
	} {
		page := viewer.Get("/trace?way=back&code=" + url.QueryEscape(c.code))
		if page.Status != http.StatusUnprocessableEntity || !strings.Contains(page.Error("code"), c.want) || page.Value("code") != c.code {
			t.Errorf("%s: %d %q, still there %q", name, page.Status, page.Error("code"), page.Value("code"))
		}
		if page.Find(`input[name=way][value=back][checked]`).Length() != 1 {
			t.Errorf("%s: the way back is still chosen", name)
		}
	}
}

func TestWhatIsNotInTheBookIsNotFound(t *testing.T) {
	t.Parallel()
	h := newHarbour(t)
	viewer := h.As(access.Viewer)
	for _, path := range []string{"/trace/lots/ZZ-1", "/trace/batches/ZZ-1", "/trace/sources/ZZ-1", "/trace/supplier-lots/" + h.supplier + "/99", "/trace/supplier-lots/ZZ/7731%2FB"} {
		for _, part := range []string{"", "/list", "/list.csv", "/epcis.jsonld"} {
			if strings.HasPrefix(path, "/trace/sources") && (part == "/list" || part == "/epcis.jsonld") {
				continue
			}
			if page := viewer.Get(path + part); page.Status != http.StatusNotFound {
				t.Errorf("%s: %d", path+part, page.Status)
			}
		}
		if page := h.As("").Get(path); page.Status != http.StatusSeeOther || !strings.HasPrefix(page.Location, "/sign-in") {
			t.Errorf("%s, nobody signed in: %d", path, page.Status)
		}
	}
}

// lines is a log that many requests write to.
type lines struct {
	mu   sync.Mutex
	text strings.Builder
}

func (l *lines) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.text.Write(p)
}

func (l *lines) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.text.String()
}
