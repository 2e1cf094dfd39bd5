package bench_test

import (
	"net/http"
	"strings"
	"testing"
	"time"

	"example.org/stillroom/internal/access"
	figures "example.org/stillroom/internal/measure"
	"example.org/stillroom/internal/store"
	"example.org/stillroom/web/paths"
)

func TestABatchIsPlannedAgainAsItWas(t *testing.T) {
	t.Parallel()
	s := newShop(t)
	helper := s.As(access.Helper)
	code := s.moulded(time.Hour)
	page := helper.Get(paths.SameAgain(code))
	says(t, page, "As batch "+code, "Last time", "Deviations")
	if page.Status != http.StatusOK || page.Value("formula") != "OB" || page.Value("product") != "OB50" || page.Value("mass") != "1000" || page.Value("units") != "" || page.Value("place") != "Still room" {
		t.Errorf("%d: the form holds %q %q %q %q", page.Status, page.Value("formula"), page.Value("product"), page.Value("mass"), page.Value("place"))
	}
	// What is refused keeps what was typed and what the last making taught.
	refused := helper.Submit(page, "Plan it", map[string]string{"mass": "much", "note": "for the fair"})
	if refused.Status != http.StatusUnprocessableEntity || refused.Error("mass") == "" || refused.Value("mass") != "much" || refused.Value("note") != "for the fair" || refused.Value("again") != code {
		t.Errorf("%d: %q", refused.Status, refused.Text("main"))
	}
	says(t, refused, "As batch "+code, "Last time")
	planned := helper.Submit(refused, "Plan it", map[string]string{"mass": "900"})
	says(t, helper.Follow(planned), "900 g", "Last time", code)
	if twice := helper.Submit(refused, "Plan it", map[string]string{"mass": "900"}); twice.Location != planned.Location {
		t.Errorf("one form made two plans: %q and %q", planned.Location, twice.Location)
	}
	if plans, _, err := s.Store.PlanList(t.Context(), s.Who(access.Helper).Workshop, ""); err != nil || len(plans) != 1 {
		t.Errorf("%d plans, %v", len(plans), err)
	}
}

func TestAPlanTellsWhatIsMissingFirstAndWhatIsForOthers(t *testing.T) {
	t.Parallel()
	s := newShop(t)
	helper := s.As(access.Helper)
	s.lot("OO", "OO-2", "700", func(r *store.Receipt) { r.ExpiresOn = s.today.AddDays(3) })
	s.lot("OO", "OO-3", "80", func(r *store.Receipt) { r.Release = false })
	s.plan()
	page := helper.Submit(helper.Get(paths.NewPlanOf("OB")), "Show it scaled first", map[string]string{"mass": "10000", "on": s.today.AddDays(9).String()})
	// 10,000 g take 5,160 g of oat oil; 5,000 g last so long, of which the plan of today, which can use the other lot,
	// takes none.
	says(t, page, "160 g short.")
	rows := page.Find("table caption:contains('What it takes')").Parent().Find("tbody tr")
	if got := strings.Join(strings.Fields(rows.First().Text()), " "); !strings.HasPrefix(got, "Oat oil") || !strings.Contains(got, "160 g short") || rows.Length() != 5 {
		t.Errorf("%d rows, the first is %q", rows.Length(), got)
	}
	says(t, page, "OO-2", "does not count", "80 g waits in quarantine", "of it for other plans and started batches", "not tracked")
}

func TestBulkThatIsMissingIsPlannedFirst(t *testing.T) {
	t.Parallel()
	s := newShop(t)
	ctx, maker := t.Context(), s.Who(access.Maker)
	for _, f := range []struct {
		code, yields string
		line         store.FormulaLine
	}{{"CI", "bulk", share("OO", "100")}, {"CB", "units", store.FormulaLine{Kind: "bulk", BulkFormula: "CI", Basis: "share", Amount: dec("100")}}} {
		_, err := s.Store.AddFormula(ctx, maker, store.Entry{}, store.NewFormula{Code: f.code, Name: "Formula " + f.code, Letters: f.code, Yields: f.yields})
		s.ok(err)
		v, err := s.Store.FormulaVersion(ctx, maker.Workshop, f.code, 1)
		s.ok(err)
		v.Portions = []store.FormulaPortion{{Name: "Base", Basis: "share", Amount: dec("100"), Lines: []store.FormulaLine{f.line}}}
		s.ok(s.Store.SaveDraft(ctx, maker, store.Entry{}, f.code, v))
		s.ok(s.Store.ApproveFormula(ctx, maker, store.Entry{}, f.code, 1))
	}
	helper := s.As(access.Helper)
	page := helper.Submit(helper.Get(paths.NewPlanOf("CB")), "Show it scaled first", map[string]string{"mass": "400"})
	link := page.Find("a:contains('Make it first')")
	if link.Length() != 1 || link.Text() != "Make it first: plan 400 g of Formula CI" {
		t.Fatalf("%q", page.Text("main"))
	}
	first := helper.Get(link.AttrOr("href", ""))
	if first.Value("formula") != "CI" || first.Value("mass") != "400" {
		t.Errorf("the plan of the bulk holds %q and %q", first.Value("formula"), first.Value("mass"))
	}
}

func TestAPlanSaysWhatChangedSinceTheBatch(t *testing.T) {
	t.Parallel()
	s := newShop(t)
	ctx, maker := t.Context(), s.Who(access.Maker)
	code, stale := s.begun(), s.plan()
	_, err := s.Store.NewVersion(ctx, maker, store.Entry{}, "OB")
	s.ok(err)
	s.ok(s.Store.ApproveFormula(ctx, maker, store.Entry{}, "OB", 2))
	p, err := s.Store.Product(ctx, maker.Workshop, "OB50")
	s.ok(err)
	p.Retired = true
	s.ok(s.Store.CorrectProduct(ctx, maker, store.Entry{}, p, "no longer sold"))
	helper := s.As(access.Helper)
	page := helper.Get(paths.SameAgain(code))
	says(t, page, "was made with version 1. Version 2 is in force now.", "Oat balm, 50 g is not made of this formula any more")
	if href := page.Find("a:contains('See what has changed')").AttrOr("href", ""); href != paths.CompareVersions("OB", 1, 2) {
		t.Errorf("leads to %q", href)
	}
	page = helper.Get(paths.Plan(stale))
	says(t, page, "is no longer in force, so this plan cannot be started")
	if page.Find("a:contains('Start now')").Length() != 0 {
		t.Error("a plan of an old version offers to start")
	}
	anew := helper.Get(page.Find("a:contains('Plan it anew')").AttrOr("href", ""))
	if anew.Value("formula") != "OB" || anew.Value("mass") != "1000" {
		t.Errorf("anew: %q", anew.Text("main"))
	}
	s.ok(s.Store.RetireFormula(ctx, maker, store.Entry{}, "OB", 2, "not made any more"))
	says(t, helper.Get(paths.SameAgain(code)), "No version of Oat balm is in force")
}

func TestSameAgainOfWhatThereIsNot(t *testing.T) {
	t.Parallel()
	s := newShop(t)
	for name, tc := range map[string]struct {
		role   access.Role
		path   string
		status int
	}{
		"no such batch":          {access.Helper, paths.SameAgain("NOSUCH"), http.StatusNotFound},
		"a viewer plans nothing": {access.Viewer, paths.SameAgain("NOSUCH"), http.StatusForbidden},
		"no such formula":        {access.Helper, paths.NewPlanFor("NOSUCH", "X", "many", "-1", ""), http.StatusOK},
	} {
		if page := s.As(tc.role).Get(tc.path); page.Status != tc.status {
			t.Errorf("%s: %d", name, page.Status)
		}
	}
	s.sql(`INSERT INTO batch (workshop_id, id, code, code_key, origin, status, made_at, made_on, change_id) VALUES ($1, gen_random_uuid(), 'HX7', 'HX7', 'history', 'released', now(), current_date, $2)`)
	page := s.As(access.Helper).Get(paths.SameAgain("HX7"))
	if page.Status != http.StatusOK || !strings.Contains(page.Text(".summary"), "was not made by a formula") || page.Find("form [name=formula]").Length() != 1 {
		t.Errorf("%d: %q", page.Status, page.Text("main"))
	}
}

func TestAPlanIsTypedAndShownInOunces(t *testing.T) {
	t.Parallel()
	s := newShop(t)
	code := s.begun()
	s.style(figures.Style{Mass: "oz", Temperature: "F", Date: "mdy"})
	helper := s.As(access.Helper)
	page := helper.Get(paths.SameAgain(code))
	if page.Value("mass") != "35.274" {
		t.Errorf("1,000 g stand in the form as %q oz", page.Value("mass"))
	}
	says(t, helper.Follow(helper.Submit(page, "Plan it", map[string]string{"mass": "10"})), "10 oz", "2.399 oz")
	says(t, page, "68 °F")
	plans, _, err := s.Store.PlanList(t.Context(), s.Who(access.Helper).Workshop, "")
	if err != nil || len(plans) != 1 || plans[0].MassG.String() != "283.4952" {
		t.Errorf("10 oz are kept as %v g, %v", plans, err)
	}
}

// style changes what the workshop shows its figures in.
func (s shop) style(style figures.Style) {
	s.t.Helper()
	s.sql(`UPDATE workshop SET mass_unit = '` + style.Mass + `', temp_unit = '` + style.Temperature + `', date_style = '` + style.Date + `' WHERE id = $1 AND $2::uuid IS NOT NULL`)
}

func TestAPlanSaysThatOtherBatchesTakeWhatThereIs(t *testing.T) {
	t.Parallel()
	s := newShop(t)
	helper := s.As(access.Helper)
	s.plan() // 1,000 g, of which 516 g are oat oil
	page := helper.Submit(helper.Get(paths.NewPlanOf("OB")), "Show it scaled first", map[string]string{"mass": "9000", "on": s.today.String()})
	says(t, page, "Oat oil: needs 4 644 g, of 5 000 g on hand other plans and started batches leave 4 484 g; 160 g short.")
}
