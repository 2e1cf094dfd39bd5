package web_test

import (
	"encoding/csv"
	"strings"
	"testing"
	"time"

	"github.com/shopspring/decimal"

	"example.org/stillroom/internal/access"
	"example.org/stillroom/internal/chrome"
	"example.org/stillroom/internal/scaling"
	"example.org/stillroom/internal/store"
	"example.org/stillroom/web/webtest"
)

func grams(text string) decimal.Decimal { return decimal.RequireFromString(text) }

// kitchen puts a balm into the book: two materials, tins, an approved formula with a set of two hours, a product.
func kitchen(t *testing.T, site *webtest.Site) {
	t.Helper()
	ctx, maker := t.Context(), site.Who(access.Maker)
	check := func(err error) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
	}
	for _, m := range []store.Material{
		{Code: "SB", Name: "Shea butter", Kind: "raw", Unit: "g", Tracked: true, ExpiryCounts: true},
		{Code: "OO", Name: "Oat oil", Kind: "raw", Unit: "g", Tracked: true, ExpiryCounts: true},
		{Code: "TI", Name: "Tin, 50 g", Kind: "packaging", Unit: "each", Tracked: true},
	} {
		_, err := site.Store.AddMaterial(ctx, maker, store.Entry{}, m)
		check(err)
	}
	_, err := site.Store.AddFormula(ctx, maker, store.Entry{}, store.NewFormula{Code: "OB", Name: "Oat balm", Letters: "OB", NominalG: grams("500"), Yields: "units"})
	check(err)
	share := func(material, pct string) store.FormulaLine {
		return store.FormulaLine{Kind: scaling.KindMaterial, MaterialCode: material, Basis: scaling.Share, Amount: grams(pct)}
	}
	check(site.Store.SaveDraft(ctx, maker, store.Entry{}, "OB", store.FormulaVersion{
		NominalG: grams("500"), TolerancePct: grams("1"), ReconciliationPct: grams("5"), CureHours: 2, CureWord: "set", Yields: "units",
		Portions: []store.FormulaPortion{{Name: "Melt", Basis: scaling.Share, Amount: grams("100"), Lines: []store.FormulaLine{share("SB", "70"), share("OO", "30")}}},
		Steps:    []store.FormulaStep{{Text: "Pour at 50 °C"}},
	}))
	check(site.Store.ApproveFormula(ctx, maker, store.Entry{}, "OB", 1))
	_, err = site.Store.AddProduct(ctx, maker, store.Entry{}, store.Product{Code: "OB50", Name: "Oat balm, 50 g tin", FormulaCode: "OB", NetContentG: decimal.NewNullDecimal(grams("50")), ShelfLifeMonths: 18, ShelfLifeFrom: "made",
		CapByExpiry: true, DatePrecision: "day", Packaging: []store.ProductPackaging{{MaterialCode: "TI", PerUnit: grams("1")}}})
	check(err)
	_, err = site.Store.AddCustomer(ctx, maker, store.Entry{}, store.Customer{Code: "HSP", Name: "Harbour Street Pantry", Kind: "stockist", Contact: store.Contact{Email: "orders@harbour.example.org"}})
	check(err)
}

// The promise of the whole book, in a browser, by touch on a tablet, with scripts and without: from a delivery to
// the list of who holds it.
func TestTheWholePathFromADeliveryToTheRecallList(t *testing.T) {
	t.Parallel()
	for name, scripts := range map[string]bool{"with scripts": true, "without scripts": false} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			wholePath(t, scripts)
		})
	}
}

func wholePath(t *testing.T, scripts bool) {
	site := webtest.New(t)
	kitchen(t, site)
	tablet := chrome.Open(t).Page()
	tablet.Size(820, 1180)
	tablet.Touch(true)
	tablet.JavaScript(scripts)

	tablet.Goto(site.URL + "/")
	tablet.Fill("email", "maker@quillmoor.example.org")
	tablet.Fill("password", webtest.Password)
	tablet.Submit("Sign in")
	tablet.MustHave("Nothing is open")

	// Three deliveries.
	for _, d := range []struct{ name, quantity, lot, expires string }{
		{"Shea butter", "2000", "S-18", "2099-06-30"}, {"Oat oil", "1000", "7731-B", "2099-04-30"}, {"Tin, 50 g", "40", "T-4", ""},
	} {
		tablet.Goto(site.URL + "/lots/new")
		tablet.Click(d.name)
		tablet.Fill("quantity", d.quantity)
		tablet.Fill("supplier_lot", d.lot)
		if d.expires != "" {
			tablet.Fill("expires_on", d.expires)
		}
		tablet.Choose("release", "on")
		tablet.Submit("Receive this lot")
		tablet.MustHave("Released")
	}

	// Plan ten tins and begin: three hours ago, so that the set is over by now.
	tablet.Goto(site.URL + "/plans/new")
	tablet.Choose("formula", "OB")
	tablet.Choose("product", "OB50")
	tablet.Fill("units", "10")
	tablet.Submit("Plan it")
	tablet.MustHave("Oat oil")
	tablet.Click("Start now")
	tablet.MustHave("Temperature")
	begun := time.Now().UTC().Add(-3 * time.Hour)
	tablet.Fill("temperature", "21,4")
	tablet.Fill("humidity", "48")
	tablet.Click("It was made earlier")
	tablet.Fill("made_at", begun.Format("2006-01-02T15:04"))
	tablet.Submit("Start now")
	tablet.MustHave("Weigh Shea butter")
	code := strings.Split(strings.TrimPrefix(tablet.URL(), site.URL+"/batches/"), "/")[0]
	tablet.Fill("grams", "350.4")
	tablet.Submit("Record")
	tablet.MustHave("Weigh Oat oil")
	tablet.Fill("grams", "150")
	tablet.Submit("Record")
	tablet.MustHave("Pour at 50")
	tablet.Submit("Done")
	tablet.MustHave("Units moulded, poured or pressed")
	tablet.Fill("units", "10")
	if begun.Day() != time.Now().UTC().Day() {
		tablet.Fill("at", begun.Add(10*time.Minute).Format("2006-01-02T15:04"))
	}
	tablet.Submit("Record")
	tablet.MustHave("Mark one unit")
	tablet.Goto(site.URL + "/batches/" + code + "/bench/cure-end")
	tablet.Click("It is over now")
	tablet.MustHave("It is really so")
	tablet.Fill("reason", "Cold room; set hard within the hour")
	tablet.Click("End it now")
	tablet.MustHave("Good units")

	// Pack nine, keep one.
	tablet.Fill("good", "9")
	tablet.Fill("retained", "1")
	tablet.Choose("cleared", "on")
	tablet.Fill("labels_used", "10")
	tablet.Fill("label_specimen", "Oat balm 50 g, batch "+code)
	tablet.Choose("label_checked", "on")
	tablet.Choose("finished", "on")
	tablet.Submit("Record this packing")
	tablet.MustHave("In quarantine")

	// One deviation stands in the way: the set was short. Decide it, then sign.
	tablet.Goto(site.URL + "/packings/" + code + "/release")
	if tablet.Has("Sign and release") {
		t.Error("a packing with an open deviation can be signed for")
	}
	tablet.Goto(site.URL + "/deviations/1")
	tablet.Choose("decision", "accept")
	tablet.Fill("note", "Set hard, looked at every tin")
	tablet.Submit("Record the decision")
	tablet.Goto(site.URL + "/packings/" + code + "/release")
	tablet.Fill("password", webtest.Password)
	tablet.Submit("Sign and release")
	tablet.MustHave("Released")

	// Six to a stockist.
	tablet.Goto(site.URL + "/dispatches/new")
	tablet.Fill("customer", "Harbour Street Pantry")
	tablet.Fill("wanted-0", "6")
	tablet.Submit("Propose codes")
	tablet.MustHave(code)
	tablet.Submit("Record this dispatch")
	tablet.MustHave("Harbour Street Pantry")

	// A customer reads the code out wrong: two digits swapped.
	misread := swapDigits(code)
	tablet.Goto(site.URL + "/find?q=" + misread)
	tablet.MustHave("mistyped")
	tablet.Click(code)
	tablet.MustHave("Oat balm, 50 g tin")

	// The supplier withdraws the oat oil.
	tablet.Goto(site.URL + "/trace/lots/OO-0001")
	tablet.MustHave("Where this lot went")
	tablet.MustHave("Harbour Street Pantry")
	rows, err := csv.NewReader(strings.NewReader(string(tablet.Download("Recall list, CSV")))).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	column := map[string]int{}
	for i, name := range rows[0] {
		column[name] = i
	}
	got := map[string]string{}
	for _, row := range rows[1:] {
		got[row[column["customer"]]] = row[column["batch"]] + " " + row[column["units"]] + " " + row[column["email"]] + " " + row[column["customer_kind"]]
	}
	if len(rows) != 3 || got["HSP"] != code+" 6 orders@harbour.example.org stockist" || got[""] != code+" 3  on hand" {
		t.Errorf("the recall list says %v", rows)
	}
	// The lot is rejected: the page of every batch that it is in says so first.
	if err := site.Store.SetLotStatus(t.Context(), site.Who(access.Owner), store.Entry{}, "OO-0001", "rejected", "withdrawn by its supplier"); err != nil {
		t.Fatal(err)
	}
	tablet.Goto(site.URL + "/batches/" + code)
	tablet.MustHave("What is in it may not be used any more.")
	for _, red := range tablet.Errors() {
		// The question whether the set is really over is a 422 that the outbox takes up.
		if !strings.HasSuffix(red, "/bench/cure-end: 422") {
			t.Errorf("a developer sees in red: %s", red)
		}
	}
	verdicts, err := store.Verify(t.Context(), site.DB.OwnerURL)
	if err != nil || len(verdicts[0].Broken) > 0 {
		t.Errorf("verify: %+v, %v", verdicts, err)
	}
}

// swapDigits swaps the first two neighbours of the date that differ.
func swapDigits(code string) string {
	b := []byte(code)
	for i := 3; i+1 < len(b); i++ {
		if b[i] != b[i+1] && b[i] != '-' && b[i+1] != '-' {
			b[i], b[i+1] = b[i+1], b[i]
			return string(b)
		}
	}
	return code
}
