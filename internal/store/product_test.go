package store_test

import (
	"context"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"github.com/shopspring/decimal"

	"example.org/stillroom/internal/bestbefore"
	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/pgtest"
	"example.org/stillroom/internal/store"
)

// formulaKeys are what the look-up box finds things of a kind by, in order.
func formulaKeys(t *testing.T, h house, kind string) []string {
	t.Helper()
	conn, err := pgx.Connect(t.Context(), h.db.OwnerURL)
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close(context.Background())
	rows, err := conn.Query(t.Context(), `SELECT key FROM search_key WHERE kind = $1 ORDER BY key`, kind)
	if err != nil {
		t.Fatal(err)
	}
	keys, err := pgx.CollectRows(rows, pgx.RowTo[string])
	if err != nil {
		t.Fatal(err)
	}
	return keys
}

// productBar is a product with one of everything, of a formula that productHouse has.
func productBar() store.Product {
	return store.Product{Code: "OB100", Name: "Oat bar 100 g", FormulaCode: "OB", NetContentG: formulaOpt("100"), FillG: formulaOpt("112.5"), ShelfLifeMonths: 12, ShelfLifeFrom: "cured", CapByExpiry: true, DatePrecision: "month",
		OpenedMonths: 12, Grade: "first", GTIN: "6291041500213", LabelText: "Oat bar\n100 g", Packaging: []store.ProductPackaging{{MaterialCode: "TIN", PerUnit: formulaDec("1")}}}
}

func productHouse(t *testing.T) house {
	t.Helper()
	h := newHouse(t)
	formulaMaterials(t, h)
	if _, err := h.AddMaterial(t.Context(), h.owner, store.Entry{}, store.Material{Code: "LABEL", Name: "Label", Kind: "packaging", Unit: "each", Tracked: true}); err != nil {
		t.Fatal(err)
	}
	if _, err := h.AddFormula(t.Context(), h.owner, store.Entry{}, store.NewFormula{Code: "OB", Name: "Oat bar", Letters: "OB"}); err != nil {
		t.Fatal(err)
	}
	return h
}

var productTyped = cmp.Options{cmp.Comparer(decimal.Decimal.Equal), cmpopts.IgnoreFields(store.Product{}, "ID", "FormulaName", "Seen"), cmpopts.IgnoreFields(store.ProductPackaging{}, "Name", "Unit"), cmpopts.EquateEmpty()}

func (h house) product(t *testing.T, code string) store.Product {
	t.Helper()
	p, err := h.Product(t.Context(), h.owner.Workshop, code)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

func TestAProductIsReadBackAsItWasAdded(t *testing.T) {
	t.Parallel()
	h := productHouse(t)
	entry := store.Entry{Key: uuid.New(), Payload: [32]byte{1}}
	for range 2 { // sent twice, stored once
		if code, err := h.AddProduct(t.Context(), h.owner, entry, productBar()); err != nil || code != "OB100" {
			t.Fatal(code, err)
		}
	}
	got := h.product(t, "OB100")
	if diff := cmp.Diff(productBar(), got, productTyped); diff != "" {
		t.Errorf("read back (-added +read):\n%s", diff)
	}
	if got.FormulaName != "Oat bar" || got.Packaging[0].Name != "Tin 60 ml" {
		t.Errorf("names: %q, %q", got.FormulaName, got.Packaging[0].Name)
	}
	want := bestbefore.Rule{Months: 12, From: bestbefore.Cured, CapByExpiry: true, Precision: bestbefore.ToMonth, OpenedMonths: 12}
	if diff := cmp.Diff(want, got.Rule()); diff != "" {
		t.Errorf("rule:\n%s", diff)
	}
	if keys := formulaKeys(t, h, "product"); cmp.Diff([]string{"100", "bar", "first", "g", "oat", "ob100"}, keys) != "" {
		t.Errorf("found by %v", keys)
	}
	page, err := h.Formula(t.Context(), h.owner.Workshop, "OB")
	if err != nil || len(page.Products) != 1 || page.Products[0].Code != "OB100" {
		t.Errorf("the formula's page names its products: %v, %v", page.Products, err)
	}
}

func TestAUnitTakesItsFillOfABatchOrItsNetContent(t *testing.T) {
	t.Parallel()
	cases := map[string]struct {
		net, fill decimal.NullDecimal
		want      string
	}{
		"both":        {formulaOpt("100"), formulaOpt("112.5"), "112.5"},
		"net content": {formulaOpt("100"), decimal.NullDecimal{}, "100"},
		"neither":     {decimal.NullDecimal{}, decimal.NullDecimal{}, "0"},
	}
	for name, c := range cases {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			if got := (store.Product{NetContentG: c.net, FillG: c.fill}).NominalFill(); got.String() != c.want {
				t.Errorf("%s g, want %s g", got, c.want)
			}
		})
	}
}

func TestABadProductIsToldBesideEachFieldAndNotStored(t *testing.T) {
	t.Parallel()
	h := productHouse(t)
	cases := map[string]struct {
		spoil func(*store.Product)
		want  []string
	}{
		"no name":                     {func(p *store.Product) { p.Name = " " }, []string{"name"}},
		"a code with a space":         {func(p *store.Product) { p.Code = "O B" }, []string{"code"}},
		"less than nothing in it":     {func(p *store.Product) { p.NetContentG, p.FillG = formulaOpt("-1"), formulaOpt("0") }, []string{"fill", "net_content"}},
		"no shelf life":               {func(p *store.Product) { p.ShelfLifeMonths = 0 }, []string{"months"}},
		"months and days":             {func(p *store.Product) { p.ShelfLifeDays = 3 }, []string{"days"}},
		"longer than rules go":        {func(p *store.Product) { p.ShelfLifeMonths = 241 }, []string{"months"}},
		"counted from nowhere":        {func(p *store.Product) { p.ShelfLifeFrom = "" }, []string{"from"}},
		"printed to the hour":         {func(p *store.Product) { p.DatePrecision = "hour" }, []string{"precision"}},
		"open for eleven years":       {func(p *store.Product) { p.OpenedMonths = 132 }, []string{"opened_months"}},
		"grade and label too long":    {func(p *store.Product) { p.Grade, p.LabelText = strings.Repeat("g", 41), strings.Repeat("l", 4001) }, []string{"grade", "label"}},
		"a GTIN with a digit wrong":   {func(p *store.Product) { p.GTIN = "6291041500214" }, []string{"gtin"}},
		"a formula that there is not": {func(p *store.Product) { p.FormulaCode = "ZZ" }, []string{"formula"}},
		"oil for packaging":           {func(p *store.Product) { p.Packaging[0].MaterialCode = "OO" }, []string{"packaging.0.material"}},
		"packaging that there is not": {func(p *store.Product) { p.Packaging[0].MaterialCode = "ZZ" }, []string{"packaging.0.material"}},
		"packaging twice, and none of it": {func(p *store.Product) {
			p.Packaging = append(p.Packaging, store.ProductPackaging{MaterialCode: "TIN"})
		}, []string{"packaging.1.material", "packaging.1.per_unit"}},
	}
	for name, c := range cases {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			p := productBar()
			c.spoil(&p)
			kind, names := formulaFault(second(h.AddProduct(t.Context(), h.owner, store.Entry{}, p)))
			if kind != fault.Invalid || cmp.Diff(c.want, names) != "" {
				t.Errorf("refused as %q beside %v, want %v", kind, names, c.want)
			}
			if list, err := h.Products(t.Context(), h.owner.Workshop); err != nil || len(list) > 0 {
				t.Errorf("stored: %v, %v", list, err)
			}
		})
	}
}

func TestACorrectionOfAProductKeepsWhatItWas(t *testing.T) {
	t.Parallel()
	h := productHouse(t)
	ctx := t.Context()
	if _, err := h.AddProduct(ctx, h.owner, store.Entry{}, productBar()); err != nil {
		t.Fatal(err)
	}
	p := h.product(t, "OB100")
	p.Name, p.ShelfLifeMonths, p.ShelfLifeDays, p.Retired = "Oat bar 110 g", 0, 90, true
	p.Packaging = []store.ProductPackaging{{MaterialCode: "LABEL", PerUnit: formulaDec("2")}}
	if kind, names := formulaFault(h.CorrectProduct(ctx, h.owner, store.Entry{}, p, "  ")); kind != fault.Invalid || cmp.Diff([]string{"reason"}, names) != "" {
		t.Errorf("without a reason: %q beside %v", kind, names)
	}
	if err := h.CorrectProduct(ctx, h.owner, store.Entry{}, p, "larger mould"); err != nil {
		t.Fatal(err)
	}
	if kind, _ := formulaFault(h.CorrectProduct(ctx, h.owner, store.Entry{}, p, "again, from the old page")); kind != fault.Conflict {
		t.Errorf("a stale page: %q", kind)
	}
	page, err := h.ProductPage(ctx, h.owner.Workshop, "OB100")
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(p, page.Product, productTyped); diff != "" {
		t.Errorf("corrected (-wanted +read):\n%s", diff)
	}
	if len(page.History) != 1 || page.History[0].Reason != "larger mould" || page.History[0].Who != "Mara Thistle" {
		t.Fatalf("history: %v", page.History)
	}
	old := map[string]string{}
	for _, f := range page.History[0].Fields {
		old[f.Field] = f.Old + " → " + f.New
	}
	for field, want := range map[string]string{"Name": "Oat bar 100 g → Oat bar 110 g", "For one unit, Tin 60 ml": "1 → ", "For one unit, Label": " → 2"} {
		if old[field] != want {
			t.Errorf("%s: %q, want %q (of %v)", field, old[field], want, old)
		}
	}
	p = page.Product
	p.Packaging[0].PerUnit = formulaDec("3")
	if err := h.CorrectProduct(ctx, h.owner, store.Entry{}, p, "three labels"); err != nil {
		t.Fatal(err)
	}
	if page, err = h.ProductPage(ctx, h.owner.Workshop, "OB100"); err != nil || len(page.History) != 2 || cmp.Diff([]store.FieldChange{{Field: "For one unit, Label", Old: "2", New: "3"}}, page.History[1].Fields) != "" {
		t.Errorf("an amount changed: %v, %v", page.History, err)
	}
	if broken := h.broken(t); len(broken) > 0 {
		t.Errorf("verify: %v", broken)
	}
}

func TestAnotherWorkshopsProductAndPackagingAreNotThere(t *testing.T) {
	t.Parallel()
	h := productHouse(t)
	ctx := t.Context()
	other := uuid.Must(uuid.NewV7())
	h.asOwner(t, `INSERT INTO workshop (id, code, name) VALUES ('`+other.String()+`', 'other', 'Fenmarch Workshop')`)
	book := pgtest.History(t, h.db, other)
	book.Product("THEIRS", "Theirs")
	book.Do(pgtest.Statement{SQL: `INSERT INTO material (workshop_id, id, code, name, kind, unit, change_id) VALUES ($1, $3, 'JAR', 'Jar', 'packaging', 'each', $2)`, Args: []any{uuid.Must(uuid.NewV7())}})
	if kind, _ := formulaFault(second(h.Product(ctx, h.owner.Workshop, "THEIRS"))); kind != fault.NotFound {
		t.Errorf("read: %q", kind)
	}
	p := productBar()
	p.Code = "THEIRS"
	if kind, _ := formulaFault(h.CorrectProduct(ctx, h.owner, store.Entry{}, p, "ours now")); kind != fault.NotFound {
		t.Errorf("correct: %q", kind)
	}
	p = productBar()
	p.Packaging[0].MaterialCode = "JAR"
	if _, names := formulaFault(second(h.AddProduct(ctx, h.owner, store.Entry{}, p))); cmp.Diff([]string{"packaging.0.material"}, names) != "" {
		t.Errorf("their jar: beside %v", names)
	}
}
