package exchange_test

import (
	"bytes"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/uuid"
	"github.com/xuri/excelize/v2"

	"example.org/stillroom/internal/access"
	"example.org/stillroom/web/paths"
	"example.org/stillroom/web/webtest"
)

// sendSheet sends a spreadsheet with other headings and gives the page of its columns.
func sendSheet(t *testing.T, c *webtest.Client, table, name string, data []byte) *webtest.Page {
	t.Helper()
	p := c.Upload(paths.Sheets(), map[string]string{"entry_key": uuid.NewString(), "table": table}, "file", name, data)
	wantStatus(t, name, p, http.StatusSeeOther)
	p = c.Follow(p)
	wantStatus(t, name, p, http.StatusOK)
	return p
}

// chosen is what a field of the page holds.
func chosen(p *webtest.Page, name string) string {
	if s := p.Find(`select[name="` + name + `"]`); s.Length() == 1 {
		return s.Find("option[selected]").AttrOr("value", "")
	}
	if s := p.Find(`input[type="radio"][name="` + name + `"]`); s.Length() > 0 {
		return p.Find(`input[type="radio"][name="`+name+`"][checked]`).AttrOr("value", "")
	}
	return p.Find(`[name="`+name+`"]`).AttrOr("value", "(no such field)")
}

// off is what stands beside a field as wrong.
func off(p *webtest.Page, name string) string {
	return strings.TrimSpace(p.Text("#f-" + name + "-error"))
}

func workbook(t *testing.T, fill func(f *excelize.File)) []byte {
	t.Helper()
	f := excelize.NewFile()
	fill(f)
	var b bytes.Buffer
	check(t, f.Write(&b))
	check(t, f.Close())
	return b.Bytes()
}

func TestASpreadsheetWithOtherHeadingsIsTakenOverColumnByColumn(t *testing.T) {
	t.Parallel()
	site := webtest.New(t)
	c := site.As(access.Owner)
	data := workbook(t, func(f *excelize.File) {
		check(t, f.SetSheetRow("Sheet1", "A1", &[]any{"What we buy"}))
		check(t, f.SetSheetRow("Sheet1", "A3", &[]any{"Ingredient", "INCI", "Sort", "Shelf"}))
		check(t, f.SetSheetRow("Sheet1", "A4", &[]any{"Olive oil", "Olea Europaea Fruit Oil", "ingredient", "B2"}))
		check(t, f.SetSheetRow("Sheet1", "A6", &[]any{"Jar", "", "glass", "C1"}))
	})
	p := sendSheet(t, c, "materials", "What we buy.xlsx", data)
	if got := []string{chosen(p, "column-0"), chosen(p, "column-1"), chosen(p, "column-2"), chosen(p, "column-3")}; !slices.Equal(got, []string{"name", "inci_name", "", ""}) {
		t.Errorf("suggested: %v", got)
	}
	p = c.Submit(p, "Look it through", map[string]string{"column-2": "kind"})
	wantStatus(t, "with questions left", p, http.StatusUnprocessableEntity)
	want := map[string]string{"word-2-0": `Choose what "ingredient" stands for.`, "word-2-1": `Choose what "glass" stands for.`, "all-unit": "Choose the column that holds it above, or give one value for all rows.", "make": "Choose above which column holds the code, or let codes be made."}
	for name, words := range want {
		if got := off(p, name); got != words {
			t.Errorf("beside %s: %q, want %q", name, got, words)
		}
	}
	if chosen(p, "column-2") != "kind" || chosen(p, "word-2-0") != "raw" {
		t.Errorf("what was chosen is lost: %q, %q", chosen(p, "column-2"), chosen(p, "word-2-0"))
	}
	p = c.Submit(p, "Look it through", map[string]string{"word-2-1": "packaging", "all-unit": "g", "make": "on", "prefix": "M-"})
	wantStatus(t, "all said", p, http.StatusSeeOther)
	p = through(t, c, p.Location)
	if diff := cmp.Diff([][]string{{"materials.csv", "2", "0", "0", "0"}}, rows(p)); diff != "" {
		t.Errorf("looked through (-want +got):\n%s\n%s", diff, p.Text("#import"))
	}
	p = through(t, c, c.Submit(p, "Save 2 rows", nil).Location)
	if !strings.Contains(p.Text("#import"), "It is saved.") {
		t.Errorf("saved: %q", p.Text("#import"))
	}
	if got := c.Get("/materials/M-2"); got.Text("h1") != "Jar" {
		t.Errorf("the second material: %q", got.Text("h1"))
	}
	var reason, sum string
	conn := ownerConn(t, site)
	check(t, conn.QueryRow(t.Context(), `SELECT (SELECT reason FROM change WHERE reason LIKE 'Import of%'), (SELECT encode(sha256, 'hex') FROM import_job WHERE sheet IS NOT NULL)`).Scan(&reason, &sum))
	if reason != "Import of What we buy.xlsx (SHA-256 "+sum+")" {
		t.Errorf("the reason is %q", reason)
	}

	again := sendSheet(t, c, "materials", "Again.xlsx", data)
	if !strings.Contains(again.Text("main"), "Filled in as last time, on ") || chosen(again, "word-2-1") != "packaging" || chosen(again, "all-unit") != "g" || chosen(again, "prefix") != "M-" {
		t.Errorf("the next time: %q", again.Text(".note"))
	}
	if anew := c.Get(again.Path + "?anew=yes"); chosen(anew, "column-2") != "" || strings.Contains(anew.Text("main"), "last time") {
		t.Errorf("anew: %q", chosen(anew, "column-2"))
	}
}

const lotList = "Our lot;Ingredient;Came in;Best before;Qty;How it is;Price\n" +
	"L-1;Olive oil;03/04/2026;12/2027;1,250;approved;£4.50\n" +
	"L-2;Olive oil;05/04/2026;;2 kg;approved;\n" +
	"L-3;Tallow;06/04/2026;;3 kg;approved;£0.62/100 g\n"

func TestWhatIsAmbiguousIsAskedBesideTheColumnAndFaultsSpeakOfTheMakersSheet(t *testing.T) {
	t.Parallel()
	site := webtest.New(t)
	c := site.As(access.Owner)
	through(t, c, c.Submit(sent(t, c, "materials.csv", []byte(materials)), "Save 1 row", nil).Location)
	p := sendSheet(t, c, "material_lots", "lots.csv", []byte(lotList))
	if chosen(p, "column-5") != "" || chosen(p, "column-1") != "material" {
		t.Errorf("suggested: %q, %q", chosen(p, "column-5"), chosen(p, "column-1"))
	}
	p = c.Submit(p, "Look it through", map[string]string{"column-2": "received_on", "column-5": "status"})
	wantStatus(t, "with questions left", p, http.StatusUnprocessableEntity)
	for name, words := range map[string]string{"dates-2": `Say what comes first in "03/04/2026", the day or the month.`, "decimals-4": `Say how much "1,250" is.`, "unit-4": `Say what "1,250" is counted in: others in the column have a unit.`, "month-3": `Say which day "12/2027" stands for.`, "price-6": `Say what "£4.50" is the price of.`} {
		if got := off(p, name); got != words {
			t.Errorf("beside %s: %q, want %q", name, got, words)
		}
	}
	if chosen(p, "dates-2")+chosen(p, "decimals-4")+chosen(p, "unit-4")+chosen(p, "month-3")+chosen(p, "price-6") != "" {
		t.Error("an answer is guessed")
	}
	answers := map[string]string{"dates-2": "day", "decimals-4": "point", "unit-4": "own", "month-3": "none", "price-6": "lot"}
	p = c.Submit(p, "Look it through", answers)
	wantStatus(t, "with a cell that cannot be read", p, http.StatusUnprocessableEntity)
	if got := p.Text("ul.faults"); !strings.Contains(got, `lots.csv:2: Best before: "12/2027" is a month without a day`) {
		t.Errorf("cells that cannot be read: %q", got)
	}
	p = c.Submit(p, "Look it through", map[string]string{"month-3": "last", "price-6": "kg"})
	wantStatus(t, "read as its last day", p, http.StatusSeeOther)
	p = through(t, c, p.Location)
	if got := faults(p); len(got) != 1 || !strings.HasPrefix(got[0], "lots.csv:4: Ingredient: ") || !strings.Contains(got[0], "Tallow") {
		t.Errorf("faults of the later checks: %q", got)
	}
	back := p.Find(`#import a[href^="`+paths.Sheets()+`"]`).AttrOr("href", "")
	p = c.Get(back)
	wantStatus(t, "back to the columns", p, http.StatusOK)
	if said := []string{chosen(p, "dates-2"), chosen(p, "month-3"), chosen(p, "price-6")}; !slices.Equal(said, []string{"day", "last", "kg"}) {
		t.Errorf("gone back, what was said is lost: %q", said)
	}

	right := strings.Replace(lotList, "Tallow", "OIL", 1)
	p = sendSheet(t, c, "material_lots", "lots.csv", []byte(right))
	p = through(t, c, c.Submit(p, "Look it through", nil).Location)
	if got := faults(p); got != nil {
		t.Fatalf("put right: %q", got)
	}
	through(t, c, c.Submit(p, "Save 3 rows", nil).Location)
	var got [][5]string
	rows, err := ownerConn(t, site).Query(t.Context(), `SELECT code, received_on::text, coalesce(expires_on::text, ''), trim_scale(quantity)::text, coalesce(unit_cost::text, '') FROM material_lot ORDER BY code`)
	check(t, err)
	defer rows.Close()
	for rows.Next() {
		var r [5]string
		check(t, rows.Scan(&r[0], &r[1], &r[2], &r[3], &r[4]))
		got = append(got, r)
	}
	if diff := cmp.Diff([][5]string{{"L-1", "2026-04-03", "2027-12-31", "1250", "0.0045"}, {"L-2", "2026-04-05", "", "2000", ""}, {"L-3", "2026-04-06", "", "3000", "0.0062"}}, got); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
}

func TestASpreadsheetThatCannotBeReadIsRefusedWithItsPlace(t *testing.T) {
	t.Parallel()
	c := webtest.New(t).As(access.Owner)
	for name, f := range map[string]struct{ name, text, table, field, want string }{
		"an open quote":  {"list.csv", "a,b\n1,\"2\n", "suppliers", "file", "list.csv:2: a quote is opened and never closed"},
		"a torn zip":     {"list.xlsx", "PK\x03\x04", "suppliers", "file", "list.xlsx: the workbook is damaged and cannot be read whole; save it anew and send it again"},
		"nothing in it":  {"list.csv", " ", "suppliers", "file", "list.csv: the file is empty"},
		"no table":       {"list.csv", "a,b\n1,2\n", "", "table", "Choose what stands in the spreadsheet."},
		"not for a list": {"list.csv", "a,b\n1,2\n", "workshop", "table", "Choose what stands in the spreadsheet."},
	} {
		t.Run(name, func(t *testing.T) {
			p := c.Upload(paths.Sheets(), map[string]string{"entry_key": uuid.NewString(), "table": f.table}, "file", f.name, []byte(f.text))
			wantStatus(t, name, p, http.StatusUnprocessableEntity)
			if got := off(p, f.field); got != f.want {
				t.Errorf("%q, want %q", got, f.want)
			}
			if f.field == "file" && chosen(p, "table") != f.table {
				t.Error("the table that was chosen is lost")
			}
		})
	}
}

func TestASpreadsheetIsReadOtherwiseWhereItIsSaid(t *testing.T) {
	t.Parallel()
	site := webtest.New(t)
	c := site.As(access.Owner)
	data := workbook(t, func(f *excelize.File) {
		check(t, f.SetSheetRow("Sheet1", "A1", &[]any{"Notes", "of", "ours"}))
		check(t, f.SetSheetRow("Sheet1", "A2", &[]any{"buy", "more", "salt"}))
		_, err := f.NewSheet("Suppliers")
		check(t, err)
		check(t, f.SetSheetRow("Suppliers", "A1", &[]any{"Printed", "today"}))
		check(t, f.SetSheetRow("Suppliers", "A2", &[]any{"Code", "Name"}))
		check(t, f.SetSheetRow("Suppliers", "A3", &[]any{"SALT", "Salt Ltd"}))
	})
	p := sendSheet(t, c, "suppliers", "book.xlsx", data)
	p = c.Submit(p, "Read it so", map[string]string{"sheet": "Suppliers", "head": "7"})
	wantStatus(t, "a row without headings", p, http.StatusUnprocessableEntity)
	if got := off(p, "head"); got != "book.xlsx:7: there are no headings in this row; say in which row they stand" {
		t.Errorf("%q", got)
	}
	if chosen(p, "sheet") != "Suppliers" || chosen(p, "head") != "7" {
		t.Errorf("what was chosen is lost: %q %q", chosen(p, "sheet"), chosen(p, "head"))
	}
	p = c.Follow(c.Submit(p, "Read it so", map[string]string{"head": "2"}))
	if chosen(p, "column-0") != "code" || chosen(p, "column-1") != "name" || chosen(p, "head") != "2" {
		t.Errorf("read anew: %q", p.Text("main"))
	}
	list := c.Get(paths.Data())
	if !strings.Contains(list.Text("main"), "what are its columns?") {
		t.Errorf("in the list: %q", list.Text("main"))
	}
	wantStatus(t, "imported as it is", c.Post(strings.Replace(p.Path, "/sheet/", "/import/", 1)+"/check", url.Values{}), http.StatusConflict)
	if shown := c.Get(strings.Replace(p.Path, "/sheet/", "/import/", 1)); shown.Status != http.StatusSeeOther || shown.Location != p.Path {
		t.Errorf("as an import: %d %s", shown.Status, shown.Location)
	}
	wantStatus(t, "given up", c.Submit(p, "Give the file up", nil), http.StatusSeeOther)
	wantStatus(t, "after it was given up", c.Get(p.Path), http.StatusConflict)
}

func TestTheSameColumnsSentTwiceAreOneTable(t *testing.T) {
	t.Parallel()
	site := webtest.New(t)
	c := site.As(access.Owner)
	p := sendSheet(t, c, "suppliers", "s.csv", []byte("Company;Supplier no\nSalt Ltd;SALT\n"))
	first, second := c.Submit(p, "Look it through", nil), c.Submit(p, "Look it through", nil)
	if first.Status != http.StatusSeeOther || first.Location != second.Location {
		t.Errorf("%d %s, %d %s", first.Status, first.Location, second.Status, second.Location)
	}
	other := c.Submit(p, "Look it through", map[string]string{"update": "on"})
	if other.Status != http.StatusSeeOther || other.Location == first.Location {
		t.Errorf("answered otherwise: %d %s", other.Status, other.Location)
	}
	through(t, c, first.Location)
	through(t, c, other.Location)
	var mappings int
	check(t, ownerConn(t, site).QueryRow(t.Context(), `SELECT count(*) FROM import_mapping`).Scan(&mappings))
	if mappings != 1 {
		t.Errorf("%d mappings are remembered", mappings)
	}
}
