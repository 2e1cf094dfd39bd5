package recallpages_test

import (
	"bytes"
	"encoding/csv"
	"net/http"
	"slices"
	"strings"
	"testing"

	"github.com/google/uuid"
	"github.com/xuri/excelize/v2"

	"example.org/stillroom/internal/access"
	"example.org/stillroom/internal/batchcode"
	"example.org/stillroom/internal/day"
	"example.org/stillroom/internal/pgtest"
	"example.org/stillroom/internal/store"
	"example.org/stillroom/web/webtest"
)

// harbour is a workshop that sent bars of one batch to a shop and to a fair; a second batch has two packings.
type harbour struct {
	*webtest.Site
	book  *pgtest.Book
	first pgtest.Packed
}

func newHarbour(t *testing.T) harbour {
	t.Helper()
	site := webtest.New(t)
	h := harbour{Site: site, book: pgtest.History(t, site.DB, uuid.UUID(site.Who(access.Owner).Workshop))}
	soap := h.book.Product("SB", "Sage bar")
	made := func(code string) pgtest.Packed {
		return h.book.Batch(code, batchcode.Fold(code), soap, "2026-04-01", 60, "released", "2027-03-31")
	}
	h.first = made("OB-26101-01")
	two := made("OB-26102-01")
	h.book.Do(pgtest.Statement{SQL: `INSERT INTO packing (workshop_id, id, batch_id, n, code, code_key, product_id, packed_on, units_good, status, change_id) SELECT $1, gen_random_uuid(), p.batch_id, 2, 'OB-26102-01B', $3, p.product_id, p.packed_on, 5, 'released', $2 FROM packing p WHERE p.workshop_id = $1 AND p.id = $4`,
		Args: []any{batchcode.Fold("OB-26102-01B"), two.Packing}})
	shop, fair := h.book.Customer("HSP", `=HYPERLINK("x")`, "stockist"), h.book.Customer("SSF", "Sedgebank Summer Fair", "event")
	h.book.Do(pgtest.Statement{SQL: `UPDATE customer SET email = 'orders@harbour.example.org' WHERE workshop_id = $1 AND id = $3 AND $2::uuid IS NOT NULL`, Args: []any{shop}})
	h.book.Do(pgtest.Statement{SQL: `INSERT INTO code_near (workshop_id, near_key, code, batch_id) SELECT $1, k, 'OB-26101-01', $3 FROM unnest($4::text[]) k WHERE $2::uuid IS NOT NULL`, Args: []any{h.first.Batch, batchcode.Deletions(batchcode.Fold("OB-26101-01"))}})
	h.book.Dispatch("D-1", shop, h.first.Packing, 20, "2026-05-01")
	h.book.Dispatch("D-2", fair, h.first.Packing, 6, "2026-05-02")
	return h
}

func says(t *testing.T, page *webtest.Page, status int, selector string, want ...string) {
	t.Helper()
	if page.Status != status {
		t.Fatalf("%s: %d, want %d: %s", page.Path, page.Status, status, page.Text("main"))
	}
	text := page.Text(selector)
	for _, w := range want {
		if !strings.Contains(text, w) {
			t.Errorf("%s: %q does not say %q", page.Path, text, w)
		}
	}
}

// filled is what somebody types.
var filled = map[string]string{"code-0": "ob 26101 01", "level": "consumer", "title": "Rash after use", "reason": "Three customers report a rash.", "hazard": "The skin may burn."}

// opened takes the form through its steps and answers the page of the recall.
func (h harbour) opened(t *testing.T, owner *webtest.Client) *webtest.Page {
	t.Helper()
	preview := owner.Submit(owner.Get("/recalls/new"), "Show what it would cover", filled)
	says(t, preview, http.StatusOK, "main", "Nothing has been changed yet", "34 here", "26 with 2 customers", "Batch OB-26101-01: Sage bar, made 1 Apr 2026, with 1 packing", "may leave or be used", "Sedgebank Summer Fair")
	page := owner.Follow(owner.Submit(preview, "Open the recall and block 34 units", nil))
	says(t, page, http.StatusOK, "main", "R-1", "Rash after use", "From consumers", "34 here", "34 blocked", "orders@harbour.example.org", "Sedgebank Summer Fair", "2 May 2026")
	return page
}

func TestOpeningARecallAsksShowsAndOnlyThenBlocks(t *testing.T) {
	t.Parallel()
	h := newHarbour(t)
	owner := h.As(access.Owner)
	for _, role := range []access.Role{access.Maker, access.Helper, access.Viewer} {
		if page := h.As(role).Get("/recalls/new"); page.Status != http.StatusForbidden {
			t.Errorf("a %s opens a recall: %d", role, page.Status)
		}
	}
	form := owner.Get("/recalls/new")
	bad := owner.Submit(form, "Show what it would cover", map[string]string{"code-0": "ZZ-9", "code-1": "OB-26102-01", "reason": "It smells."})
	says(t, bad, http.StatusUnprocessableEntity, ".summary", "No lot, no batch and no packing", "can mean 2 things", "How far does it reach?", "Give it a name")
	if bad.Value("code-0") != "ZZ-9" || bad.Value("reason") != "It smells." || bad.Find(`input[name="means-1"]`).Length() != 2 {
		t.Error("what was typed is gone, or what it can mean is not asked")
	}
	if more := owner.Submit(bad, "More lines", nil); more.Find(`input[name^="code-"]`).Length() != 6 || more.Value("code-0") != "ZZ-9" {
		t.Errorf("more lines: %d", more.Find(`input[name^="code-"]`).Length())
	}
	preview := owner.Submit(owner.Get("/recalls/new"), "Show what it would cover", filled)
	back := owner.Submit(preview, "Change something first", nil)
	if back.Value("reason") != filled["reason"] || back.Value("code-0") != filled["code-0"] {
		t.Error("on the way back something got lost")
	}
	if list, err := h.Store.OpenRecalls(t.Context(), h.Who(access.Owner).Workshop); err != nil || len(list) != 0 {
		t.Fatalf("a preview opened a recall: %v, %v", list, err)
	}
	h.opened(t, owner)
	viewer := h.As(access.Viewer)
	says(t, viewer.Get("/recalls"), http.StatusOK, "main", "They run", "R-1", "Rash after use", "Owner Quill")
	for path, selector := range map[string]string{"/": "main", "/batches/OB-26101-01": "main", "/packings/OB-26101-01": "main", "/packings/OB-26101-01/units": "main", "/stock": "main", "/find?q=OB-26101-01": "main"} {
		if page := viewer.Get(path); page.Find(selector+` a[href="/recalls/1"]`).Length() == 0 {
			t.Errorf("%s does not lead to the recall: %s", path, page.Text("main"))
		}
	}
	if page := h.As(access.Maker).Get("/packings/OB-26101-01/units"); strings.Contains(page.Text("main"), "Lift this hold") {
		t.Error("a maker is offered to lift a recall's hold")
	}
	if page := viewer.Get("/recalls/2"); page.Status != http.StatusNotFound {
		t.Errorf("a recall that is not there: %d", page.Status)
	}
}

func TestARecallIsCountedAndLetGoOnItsPage(t *testing.T) {
	t.Parallel()
	h := newHarbour(t)
	owner := h.As(access.Owner)
	page := h.opened(t, owner)
	helper := h.As(access.Helper)
	// A count comes back to the pages of the lists that it was written on; refused, nothing leads away from what was typed.
	turned := helper.Get("/recalls/1?lot=OO-1")
	wrong := helper.Submit(turned, "Write down the count", map[string]string{"counted-0": "many"})
	if turned.Find(".pager a[rel=start]").Length() != 1 || wrong.Find(".pager").Length() != 0 {
		t.Errorf("pagers: %d, refused %d", turned.Find(".pager").Length(), wrong.Find(".pager").Length())
	}
	if wrong.Status != http.StatusUnprocessableEntity || wrong.Error("counted-0") == "" || wrong.Value("counted-0") != "many" {
		t.Errorf("many: %d %q", wrong.Status, wrong.Error("counted-0"))
	}
	counted := helper.Follow(helper.Submit(turned, "Write down the count", map[string]string{"counted-0": "33"}))
	says(t, counted, http.StatusOK, "#stock", "1 fewer than in the book")
	if counted.Find(".pager a[rel=start]").Length() != 1 {
		t.Errorf("the count leads to %s", counted.Path)
	}
	if helper.Get("/recalls/1").Find(`a[href^="/recalls/1/unblock"]`).Length() != 0 {
		t.Error("a helper is offered to let something go")
	}
	link := page.Find(`a[href*="kind=packing"]`).AttrOr("href", "")
	empty := owner.Submit(owner.Get(link), "Let packing OB-26101-01 go", map[string]string{"reason": ""})
	if empty.Status != http.StatusUnprocessableEntity || empty.Error("reason") == "" {
		t.Errorf("without a reason: %d", empty.Status)
	}
	says(t, owner.Follow(owner.Submit(owner.Get(link), "Let packing OB-26101-01 go", map[string]string{"reason": "It was the label."})), http.StatusOK, "#stock", "Let go")
	// A dispatch written down late shows as a difference; the owner takes it in.
	if _, err := h.Store.Dispatch(t.Context(), h.Who(access.Owner), store.Entry{}, store.NewDispatch{Customer: "HSP", On: day.Must("2026-06-01"), Lines: []store.DispatchLine{{Packing: "OB-26101-01", Units: 2}}, AlreadyLeft: true, Reason: "It was in the van."}); err != nil {
		t.Fatal(err)
	}
	differs := owner.Get("/recalls/1")
	says(t, differs, http.StatusOK, ".note", "Entries made since", "2 units of", "0 in the list")
	if after := owner.Follow(owner.Submit(differs, "Take it into the recall", nil)); strings.Contains(after.Text("main"), "Entries made since") {
		t.Error("taken in, and yet it differs")
	}
}

func TestTheListLeavesAsPageCSVWorkbookAndPDF(t *testing.T) {
	t.Parallel()
	h := newHarbour(t)
	h.opened(t, h.As(access.Owner))
	viewer := h.As(access.Viewer)
	says(t, viewer.Get("/recalls/1/list"), http.StatusOK, "main", "Printed", "To tell", "To take off the shelf", "34 on the shelf", "D-1", "Checked against the shelf by")

	file := viewer.Get("/recalls/1/list.csv")
	rows, err := csv.NewReader(strings.NewReader(file.Body)).ReadAll()
	if err != nil || len(rows) != 3 || file.Header.Get("Content-Disposition") != `attachment; filename="recall-list-R-1.csv"` {
		t.Fatalf("%v %v %v", rows, err, file.Header)
	}
	want := []string{"OB-26101-01", "SB", "Sage bar", "2026-04-01", "2027-03-31", "20", "0", "HSP", `'=HYPERLINK("x")`, "stockist", "orders@harbour.example.org", "", "D-1", "2026-05-01", "OB-26101-01", "", "", "0", ""}
	if !slices.Equal(rows[1], want) {
		t.Errorf("%q\nwant %q", rows[1], want)
	}

	sheet := viewer.Get("/recalls/1/list.xlsx")
	book, err := excelize.OpenReader(bytes.NewReader([]byte(sheet.Body)))
	if err != nil {
		t.Fatal(err)
	}
	defer book.Close()
	cells, err := book.GetRows("R-1")
	if err != nil || len(cells) != 3 || !slices.Equal(cells[0], rows[0]) || cells[1][8] != `'=HYPERLINK("x")` || cells[1][5] != "20" {
		t.Errorf("%q, %v", cells, err)
	}

	printed := viewer.Get("/recalls/1/list.pdf")
	text := webtest.Flat(strings.Join(webtest.PDFPages(t, []byte(printed.Body)), " "))
	for _, want := range []string{"ListofrecallR-1", "Rashafteruse", "Theskinmayburn.", "OB-26101-01", "orders@harbour.example.org", "publicnotice", "Signature", "page1of", "ended at link"} {
		if !strings.Contains(text, webtest.Flat(want)) {
			t.Errorf("the PDF lacks %q", want)
		}
	}
	if page := h.As("").Get("/recalls/1/list.csv"); page.Status != http.StatusSeeOther {
		t.Errorf("nobody signed in: %d", page.Status)
	}
	for i := range 30 {
		if page := viewer.Get("/recalls/1/list.csv"); page.Status == http.StatusTooManyRequests {
			return
		} else if page.Status != http.StatusOK {
			t.Fatalf("%d: %d", i, page.Status)
		}
	}
	t.Error("lists are not bounded")
}
