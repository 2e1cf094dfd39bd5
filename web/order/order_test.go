package order_test

import (
	"encoding/csv"
	"net/http"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/shopspring/decimal"

	"example.org/stillroom/internal/access"
	"example.org/stillroom/internal/day"
	"example.org/stillroom/internal/store"
	"example.org/stillroom/web/paths"
	"example.org/stillroom/web/webtest"
)

func dec(text string) decimal.Decimal { return decimal.RequireFromString(text) }

// shop makes a balm of 70 % oat oil and 30 % of an infusion, which is made of oat oil; 500 g of the oil are there. The
// oil's name and its supplier's would be formulas in a spreadsheet.
func shop(t *testing.T) (*webtest.Site, day.Day) {
	t.Helper()
	site := webtest.New(t)
	ctx, maker, today := t.Context(), site.Who(access.Maker), day.In(time.Now(), time.UTC)
	ok := func(err error) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
	}
	_, err := site.Store.AddMaterial(ctx, maker, store.Entry{}, store.Material{Code: "OO", Name: "=Oat oil", Kind: "raw", Unit: "g", Tracked: true, ExpiryCounts: true})
	ok(err)
	for i, supplier := range []string{"Sedgebank Trading", "+Fenmarch Oils"} {
		_, err = site.Store.ReceiveLot(ctx, maker, store.Entry{}, store.Receipt{Material: "OO", NewSupplier: supplier, Quantity: dec("250"), UnitCost: decimal.NewNullDecimal(dec("0.02")), ReceivedOn: today.AddDays(i - 9), Release: true})
		ok(err)
	}
	formulas := map[string]struct {
		yields string
		lines  []store.FormulaLine
	}{
		"CI": {"bulk", []store.FormulaLine{{Kind: "material", MaterialCode: "OO", Basis: "share", Amount: dec("100")}}},
		"OB": {"units", []store.FormulaLine{{Kind: "material", MaterialCode: "OO", Basis: "share", Amount: dec("70")}, {Kind: "bulk", BulkFormula: "CI", Basis: "share", Amount: dec("30")}}},
	}
	for _, code := range []string{"CI", "OB"} { // the balm takes the infusion, which has to be there first
		f := formulas[code]
		_, err = site.Store.AddFormula(ctx, maker, store.Entry{}, store.NewFormula{Code: code, Name: "Formula " + code, Letters: code, Yields: f.yields})
		ok(err)
		v, err := site.Store.FormulaVersion(ctx, maker.Workshop, code, 1)
		ok(err)
		v.Portions = []store.FormulaPortion{{Name: "Base", Basis: "share", Amount: dec("100"), Lines: f.lines}}
		ok(site.Store.SaveDraft(ctx, maker, store.Entry{}, code, v))
	}
	for _, code := range []string{"CI", "OB"} {
		ok(site.Store.ApproveFormula(ctx, maker, store.Entry{}, code, 1))
	}
	return site, today
}

func planned(t *testing.T, site *webtest.Site, on day.Day) store.PlanID {
	t.Helper()
	id, err := site.Store.MakePlan(t.Context(), site.Who(access.Helper), store.NewPlan{Formula: "OB", MassG: dec("1000"), On: on})
	if err != nil {
		t.Fatal(err)
	}
	return id
}

func TestWhatToOrderIsOnOnePage(t *testing.T) {
	t.Parallel()
	site, today := shop(t)
	helper := site.As(access.Helper)
	if page := helper.Get(paths.Order()); page.Status != http.StatusOK || !strings.Contains(page.Text("main"), "Nothing is planned or started") {
		t.Errorf("%d: %q", page.Status, page.Text("main"))
	}
	plan := planned(t, site, today.AddDays(1))
	page := helper.Get(paths.Order())
	rows := page.Text("tbody")
	for _, want := range []string{"=Oat oil", "700 g", "500 g", "200 g", "+Fenmarch Oils, 250 g on ", "0.02 a g", "Sedgebank Trading", "Formula OB on ", "Formula CI", "Plan 300 g"} {
		if !strings.Contains(rows, want) {
			t.Errorf("the page does not say %q: %q", want, rows)
		}
	}
	for words, href := range map[string]string{"=Oat oil": paths.Material("OO"), "Formula OB on": paths.Plan(store.Text(plan)), "For a spreadsheet": paths.OrderCSV(), "Plan 300 g": paths.NewPlanFor("CI", "", "", "300", "")} {
		if got := page.Find("a:contains('"+words+"')").First().AttrOr("href", ""); got != href {
			t.Errorf("%q leads to %q, want %q", words, got, href)
		}
	}
	if got := page.Text(".subnav [aria-current]"); got != "To order" {
		t.Errorf("the tab is %q", got)
	}
	// A viewer reads it and plans nothing.
	viewer := site.As(access.Viewer).Get(paths.Order())
	if viewer.Status != http.StatusOK || viewer.Find("a:contains('Plan 300 g')").Length() != 0 || !strings.Contains(viewer.Text("tbody"), "200 g") {
		t.Errorf("a viewer: %d, %q", viewer.Status, viewer.Text("main"))
	}
	// With the oil there, it is told apart from what is missing.
	if _, err := site.Store.ReceiveLot(t.Context(), site.Who(access.Maker), store.Entry{}, store.Receipt{Material: "OO", Quantity: dec("300"), ReceivedOn: today, Release: true}); err != nil {
		t.Fatal(err)
	}
	page = helper.Get(paths.Order())
	if !strings.Contains(page.Text("main"), "There is enough of everything that is bought.") || !strings.Contains(page.Text("details summary"), "1 material of which there is enough") {
		t.Errorf("%q", page.Text("main"))
	}
}

func TestTheListForASpreadsheetIsNoFormula(t *testing.T) {
	t.Parallel()
	site, today := shop(t)
	planned(t, site, today.AddDays(1))
	answer := site.As(access.Viewer).Get(paths.OrderCSV())
	if answer.Status != http.StatusOK || answer.Header.Get("Content-Type") != "text/csv; charset=utf-8" || !strings.Contains(answer.Header.Get("Content-Disposition"), "order-"+today.String()+".csv") {
		t.Fatalf("%d %v", answer.Status, answer.Header)
	}
	rows, err := csv.NewReader(strings.NewReader(answer.Body)).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	want := [][]string{
		{"kind", "code", "name", "unit", "needed", "usable", "in_quarantine", "missing", "supplier", "supplier_name", "last_delivery", "last_delivered_on", "unit_cost", "other_suppliers"},
		{"raw", "OO", "'=Oat oil", "g", "700", "500", "0", "200", rows[1][8], "'+Fenmarch Oils", "250", today.AddDays(-8).String(), "0.02", "Sedgebank Trading"},
		{"bulk", "CI", "Formula CI", "g", "300", "0", "0", "300", "", "", "", "", "", ""},
	}
	if diff := cmp.Diff(want, rows); diff != "" {
		t.Error(diff)
	}
	if page := site.As("").Get(paths.OrderCSV()); page.Status != http.StatusSeeOther {
		t.Errorf("to nobody: %d", page.Status)
	}
}
