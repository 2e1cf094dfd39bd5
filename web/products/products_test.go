package products_test

import (
	"context"
	"net/http"
	"net/url"
	"strings"
	"testing"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"example.org/stillroom/internal/access"
	"example.org/stillroom/internal/pgtest"
	"example.org/stillroom/internal/store"
	"example.org/stillroom/web/webtest"
)

// kiln is a site with formula OB and two kinds of packaging.
func kiln(t *testing.T) (*webtest.Site, *webtest.Client) {
	t.Helper()
	site := webtest.New(t)
	who := site.Who(access.Maker)
	for code, name := range map[string]string{"TIN": "Tin 60 ml", "LBL": "Label"} {
		if _, err := site.Store.AddMaterial(t.Context(), who, store.Entry{}, store.Material{Code: code, Name: name, Kind: "packaging", Unit: "each", Tracked: true}); err != nil {
			t.Fatal(err)
		}
	}
	if _, err := site.Store.AddFormula(t.Context(), who, store.Entry{}, store.NewFormula{Code: "OB", Name: "Oat bar", Letters: "OB"}); err != nil {
		t.Fatal(err)
	}
	return site, site.As(access.Maker)
}

var bar = map[string]string{"name": "Oat bar 100 g", "code": "OB100", "net_content": "100", "fill": "112,5", "shelf_life": "12", "opened_months": "6", "grade": "first", "gtin": "6 291041 500213", "label": "Oat bar\n100 g",
	"packaging-0-material": "TIN", "packaging-0-per_unit": "1"}

func added(t *testing.T) (*webtest.Site, *webtest.Client, *webtest.Page) {
	t.Helper()
	site, maker := kiln(t)
	return site, maker, maker.Follow(maker.Submit(maker.Get("/products/new?formula=OB"), "Save this product", bar))
}

func TestAMakerAddsAProductAndReadsWhatItsRuleWillDo(t *testing.T) {
	t.Parallel()
	_, maker, page := added(t)
	text := page.Text("main")
	for _, want := range []string{"12 months from end of cure, cut by the earliest expiry of its lots; printed to the month, rounded down; where more than 30 months are left, no date but 6 months after opening.",
		"FormulaOat bar", "100 g, filled at 112.5 g", "Tin 60 ml1", "GTIN6291041500213", "Oat bar 100 g"} {
		if !strings.Contains(text, want) {
			t.Errorf("the page does not say %q: %q", want, text)
		}
	}
	if row := maker.Get("/products").Text("tbody"); row != "Oat bar 100 g OB100firstOat bar100 g, filled at 112.5 g12 months from end of cure" {
		t.Errorf("the list says %q", row)
	}
	if !strings.Contains(maker.Get("/formulas/OB").Text("main"), "Oat bar 100 g") {
		t.Error("the formula names its products")
	}
}

func TestARuleIsSaidInOneSentence(t *testing.T) {
	t.Parallel()
	_, maker, _ := added(t)
	cases := map[string]struct {
		typed map[string]string
		want  string
	}{
		"days from packing, to the day":     {map[string]string{"shelf_life": "90", "shelf_unit": "days", "from": "packed", "precision": "day", "opened_months": "", "cap": ""}, "90 days from packing; printed to the day."},
		"one month from making, cut":        {map[string]string{"shelf_life": "1", "from": "made", "precision": "day", "opened_months": ""}, "1 month from start of making, cut by the earliest expiry of its lots; printed to the day."},
		"long, with a period after opening": {map[string]string{"shelf_life": "36", "opened_months": "1"}, "36 months from end of cure, cut by the earliest expiry of its lots; printed to the month, rounded down; where more than 30 months are left, no date but 1 month after opening."},
	}
	for name, c := range cases {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			values := map[string]string{"name": "Bar, " + name, "code": strings.ToUpper(name[:3]) + "X"}
			for k, v := range c.typed {
				values[k] = v
			}
			page := maker.Follow(maker.Submit(maker.Get("/products/new"), "Save this product", values))
			if got := page.Text("section.sheet:first-of-type dd:first-of-type"); got != c.want {
				t.Errorf("it says %q", got)
			}
		})
	}
}

func TestABadProductTellsEverythingAtOnceAndKeepsWhatWasTyped(t *testing.T) {
	t.Parallel()
	_, maker := kiln(t)
	typed := map[string]string{"name": " ", "code": "a/b", "net_content": "-5", "fill": "full", "shelf_life": "a year", "opened_months": "1.5", "grade": strings.Repeat("g", 41), "packaging-0-material": "TIN", "packaging-1-per_unit": "2", "packaging-2-material": "LBL", "packaging-2-per_unit": "0"}
	page := maker.Submit(maker.Get("/products/new"), "Save this product", typed)
	if page.Status != http.StatusUnprocessableEntity {
		t.Fatalf("status %d", page.Status)
	}
	for field, want := range map[string]string{"name": "What is it called?", "net_content": "less than 0", "fill": "number", "shelf_life": "not a number", "opened_months": "whole", "grade": "40 characters",
		"packaging-0-per_unit": "How much for one unit?", "packaging-1-material": "Which packaging?", "packaging-2-per_unit": "more than 0"} {
		if !strings.Contains(page.Error(field), want) || page.Find(".summary a[href='#f-"+field+"']").Length() != 1 {
			t.Errorf("beside %s: %q, want %q", field, page.Error(field), want)
		}
	}
	for field, want := range typed {
		if strings.TrimSpace(page.Value(field)) != strings.TrimSpace(want) {
			t.Errorf("%s holds %q, typed was %q", field, page.Value(field), want)
		}
	}
	// What only the store can tell comes beside the same fields.
	good := map[string]string{}
	for k, v := range bar {
		good[k] = v
	}
	for name, c := range map[string]struct {
		field, value, want string
	}{
		"a shelf life of nothing":   {"shelf_life", "0", "Say how many months or days"},
		"longer than a rule goes":   {"shelf_life", "241", "1 to 240 months"},
		"open for eleven years":     {"opened_months", "132", "at most 120 months"},
		"a digit of it mistyped":    {"gtin", "6 291041 500231", "does not fit the others"},
		"too short for a GTIN":      {"gtin", "629104", "8, 12, 13 or 14 digits"},
		"a code with a slash in it": {"code", "a/b", "letters, digits"},
	} {
		values := map[string]string{}
		for k, v := range good {
			values[k] = v
		}
		values[c.field] = c.value
		if got := maker.Submit(maker.Get("/products/new"), "Save this product", values); got.Status != http.StatusUnprocessableEntity || !strings.Contains(got.Error(c.field), c.want) {
			t.Errorf("%s: %d %q", name, got.Status, got.Error(c.field))
		}
	}
	if got := maker.Get("/products").Text("main"); !strings.Contains(got, "No products yet") {
		t.Errorf("something was saved: %q", got)
	}
}

func TestACorrectionShowsOldBesideNew(t *testing.T) {
	t.Parallel()
	_, maker, _ := added(t)
	form := maker.Get("/products/OB100/correct")
	refused := maker.Submit(form, "Correct this product", map[string]string{"shelf_life": "18"})
	if refused.Status != http.StatusUnprocessableEntity || !strings.Contains(refused.Error("reason"), "Say why") || refused.Value("shelf_life") != "18" {
		t.Errorf("without a reason: %d %q", refused.Status, refused.Error("reason"))
	}
	page := maker.Follow(maker.Submit(form, "Correct this product", map[string]string{"shelf_life": "18", "packaging-0-per_unit": "2", "packaging-1-material": "LBL", "packaging-1-per_unit": "1", "retired": "on", "gtin": "", "reason": "measured again"}))
	text := page.Text("main")
	for _, want := range []string{"18 months from end of cure", "Not made any more.", "was 12 now 18", "For one unit, Tin 60 ml:was 1 now 2", "For one unit, Label:1 new", "GTIN:6291041500213 taken away", "Not made any more since", "measured again (Maker Quill"} {
		if !strings.Contains(text, want) {
			t.Errorf("the page does not say %q: %q", want, text)
		}
	}
}

func TestAStaleCorrectionIsToldWhatStandsNow(t *testing.T) {
	t.Parallel()
	site, maker, _ := added(t)
	old := maker.Get("/products/OB100/correct")
	owner := site.As(access.Owner)
	owner.Follow(owner.Submit(owner.Get("/products/OB100/correct"), "Correct this product", map[string]string{"shelf_life": "9", "reason": "shorter"}))
	typed := map[string]string{"name": "Oat bar, 100 g", "reason": "comma"}
	page := maker.Submit(old, "Correct this product", typed)
	if page.Status != http.StatusConflict || !strings.Contains(page.Text(".note"), "Keeps: 9 months") || page.Value("name") != "Oat bar, 100 g" || page.Value("reason") != "comma" {
		t.Fatalf("%d: %q", page.Status, page.Text("main"))
	}
	if got := maker.Get("/products/OB100").Text("h1"); got != "Oat bar 100 g" {
		t.Errorf("half of it was saved: %q", got)
	}
	// Sent again from the page that says so, it is meant.
	saved := maker.Follow(maker.Submit(page, "Correct this product", map[string]string{"shelf_life": "9"}))
	if saved.Text("h1") != "Oat bar, 100 g" || !strings.Contains(saved.Text("main"), "9 months from end of cure") {
		t.Errorf("saved: %q", saved.Text("main"))
	}
}

func TestASecondSendingOfAProductIsStoredOnce(t *testing.T) {
	t.Parallel()
	_, maker := kiln(t)
	form := maker.Get("/products/new")
	values := map[string]string{"name": "Oat bar", "shelf_life": "12"}
	first, again := maker.Submit(form, "Save this product", values), maker.Submit(form, "Save this product", values)
	if first.Status != 303 || again.Status != 303 || again.Location != first.Location || maker.Get("/products").Find("tbody tr").Length() != 1 {
		t.Errorf("first %d %s, again %d %s", first.Status, first.Location, again.Status, again.Location)
	}
	values["name"] = "Another"
	if other := maker.Submit(form, "Save this product", values); other.Status != http.StatusUnprocessableEntity {
		t.Errorf("another product under the same key: %d", other.Status)
	}
	form = maker.Get(first.Location + "/correct")
	values = map[string]string{"name": "Oat bar, small", "reason": "there are two"}
	if a, b := maker.Submit(form, "Correct this product", values), maker.Submit(form, "Correct this product", values); a.Status != 303 || b.Status != 303 {
		t.Errorf("corrected %d, again %d", a.Status, b.Status)
	}
}

func TestAHelperReadsProductsAndChangesNone(t *testing.T) {
	t.Parallel()
	site, _, _ := added(t)
	helper := site.As(access.Helper)
	if page := helper.Get("/products/OB100"); page.Status != http.StatusOK || strings.Contains(page.Body, "/correct") {
		t.Errorf("a helper's page: %d", page.Status)
	}
	for _, path := range []string{"/products/new", "/products/OB100/correct"} {
		if got := helper.Get(path); got.Status != http.StatusForbidden {
			t.Errorf("get %s: %d", path, got.Status)
		}
		if got := helper.Post(path, url.Values{"name": {"X"}}); got.Status != http.StatusForbidden {
			t.Errorf("post %s: %d", path, got.Status)
		}
	}
}

func TestAnotherWorkshopsProductIsNotFound(t *testing.T) {
	t.Parallel()
	site, maker, _ := added(t)
	book := elsewhere(t, site)
	book.Product("THEIRS", "Theirs")
	for _, got := range []*webtest.Page{maker.Get("/products/THEIRS"), maker.Get("/products/THEIRS/correct"), maker.Post("/products/THEIRS/correct", url.Values{"entry_key": {uuid.NewString()}, "seen": {"x"}, "name": {"Ours"}, "shelf_life": {"1"}, "shelf_unit": {"months"}, "from": {"made"}, "precision": {"day"}, "reason": {"ours"}})} {
		if got.Status != http.StatusNotFound || strings.Contains(got.Body, "Theirs") {
			t.Errorf("%s: %d", got.Path, got.Status)
		}
	}
}

// elsewhere is the book of another workshop in the same database.
func elsewhere(t *testing.T, site *webtest.Site) *pgtest.Book {
	t.Helper()
	conn, err := pgx.Connect(t.Context(), site.DB.OwnerURL)
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close(context.Background())
	id := uuid.Must(uuid.NewV7())
	if _, err := conn.Exec(t.Context(), `INSERT INTO workshop (id, code, name) VALUES ($1, 'other', 'Fenmarch Workshop')`, id); err != nil {
		t.Fatal(err)
	}
	return pgtest.History(t, site.DB, id)
}
