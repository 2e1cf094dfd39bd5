package compare_test

import (
	"net/http"
	"strings"
	"testing"
	"time"

	"github.com/PuerkitoBio/goquery"
	"github.com/shopspring/decimal"

	"example.org/stillroom/internal/access"
	"example.org/stillroom/internal/day"
	"example.org/stillroom/internal/store"
	"example.org/stillroom/web/paths"
	"example.org/stillroom/web/webtest"
)

func dec(text string) decimal.Decimal { return decimal.RequireFromString(text) }

func some(text string) decimal.NullDecimal { return decimal.NewNullDecimal(dec(text)) }

// bench is a site whose oat balm has two versions in force one after the other, and formula XX of the same oil.
type bench struct {
	*webtest.Site
	t     *testing.T
	today day.Day
}

func (b bench) ok(err error) {
	b.t.Helper()
	if err != nil {
		b.t.Fatal(err)
	}
}

func line(code, pct string) store.FormulaLine {
	return store.FormulaLine{Kind: "material", MaterialCode: code, Basis: "share", Amount: dec(pct)}
}

func newBench(t *testing.T) bench {
	t.Helper()
	b := bench{webtest.New(t), t, day.In(time.Now(), time.UTC)}
	ctx, maker := t.Context(), b.Who(access.Maker)
	for code, name := range map[string]string{"OO": "Oat oil", "SH": "Shea butter", "BW": "Bees<i>wax</i>", "TC": "Tocopherol"} {
		_, err := b.Store.AddMaterial(ctx, maker, store.Entry{}, store.Material{Code: code, Name: name, Kind: "raw", Unit: "g", Tracked: true, ExpiryCounts: true})
		b.ok(err)
		for _, lot := range []string{"-1", "-2"} {
			_, err = b.Store.ReceiveLot(ctx, maker, store.Entry{}, store.Receipt{Material: code, Code: code + lot, Quantity: dec("5000"), ReceivedOn: b.today.AddDays(-60), ExpiresOn: b.today.AddDays(700), Release: true})
			b.ok(err)
		}
	}
	for _, code := range []string{"OB", "XX"} {
		_, err := b.Store.AddFormula(ctx, maker, store.Entry{}, store.NewFormula{Code: code, Name: map[string]string{"OB": "Oat balm", "XX": "Other balm"}[code], Letters: code})
		b.ok(err)
		b.draft(code, 1, func(v *store.FormulaVersion) {
			v.Portions = []store.FormulaPortion{{Name: "Base", Basis: "share", Amount: dec("100"), Lines: []store.FormulaLine{line("OO", "60"), line("SH", "20"), line("BW", "20")}}}
			v.Steps = []store.FormulaStep{{Text: "Melt the wax to 70 °C"}, {Text: "Pour into tins"}}
			v.Controls = []store.FormulaControl{{Name: "pH", Stage: "making", Low: some("5"), High: some("7"), Readings: 1}}
			v.CureHours, v.CureWord, v.MaxC = 48, "set", some("30")
		})
		b.ok(b.Store.ApproveFormula(ctx, maker, store.Entry{}, code, 1))
	}
	return b
}

func (b bench) draft(code string, number int, change func(*store.FormulaVersion)) {
	b.t.Helper()
	v, err := b.Store.FormulaVersion(b.t.Context(), b.Who(access.Maker).Workshop, code, number)
	b.ok(err)
	change(&v)
	b.ok(b.Store.SaveDraft(b.t.Context(), b.Who(access.Maker), store.Entry{}, code, v))
}

// second drafts version 2: less oil, more wax, tocopherol for shea butter, another temperature, one step more.
func (b bench) second() {
	b.t.Helper()
	_, err := b.Store.NewVersion(b.t.Context(), b.Who(access.Maker), store.Entry{}, "OB")
	b.ok(err)
	b.draft("OB", 2, func(v *store.FormulaVersion) {
		v.Portions[0].Name = "Warm oils"
		v.Portions[0].Lines = []store.FormulaLine{line("BW", "25"), line("OO", "55"), line("SH", "20")}
		v.Steps = []store.FormulaStep{{Text: "Melt the wax to 65 °C"}, {Text: "Stir for two minutes"}, {Text: "Pour into tins"}}
		v.Controls[0].High = some("6.5")
		v.CureHours = 72
	})
}

// block is the sheet under a heading, in words.
func block(p *webtest.Page, title string) string {
	sheet := p.Find("h2").FilterFunction(func(_ int, h *goquery.Selection) bool { return strings.TrimSpace(h.Text()) == title }).Closest("section")
	return strings.Join(strings.Fields(sheet.Text()), " ")
}

func says(t *testing.T, where string, text string, words ...string) {
	t.Helper()
	for _, w := range words {
		if !strings.Contains(text, w) {
			t.Errorf("%s does not say %q: %q", where, w, text)
		}
	}
}

func TestTwoVersionsStandSideBySide(t *testing.T) {
	t.Parallel()
	b := newBench(t)
	viewer := b.As(access.Viewer)
	says(t, "one version alone", viewer.Get(paths.CompareVersions("OB", 0, 0)).Text("main"), "There is only one version")
	b.second()
	page := viewer.Get(paths.CompareVersions("OB", 1, 2))
	if page.Status != http.StatusOK || page.Value("a") != "1" || page.Value("b") != "2" {
		t.Fatalf("%d: %q %q", page.Status, page.Value("a"), page.Value("b"))
	}
	says(t, "the head", page.Text(".head"), "Version 1, in force, beside version 2, a draft.")
	says(t, "the portion", block(page, "Base, now Warm oils"), "100 % of the batch, as before", "5 points more", "50 g more in 1 000 g", "5 points less", "1 line the same", "Bees<i>wax</i>", "20 %200 g", "25 %250 g")
	says(t, "the method", block(page, "Method"), "changedother words", "new in version 2", "Melt the wax to 70 °C", "Melt the wax to 65 °C", "1 step the same")
	says(t, "the controls", block(page, "Controls"), "5 to 7", "5 to 6.5", "changed")
	says(t, "the batch", block(page, "For the whole batch"), "Cure", "sets at least 48 hours", "sets at least 3 days", "9 particulars the same")
	if strings.Contains(page.Body, "<i>wax</i>") {
		t.Error("a material's name is markup")
	}
	// A draft stands beside the one in force, from its own page.
	if link := viewer.Get(paths.FormulaVersion("OB", 2)).Find("a:contains('What is different from version 1')").AttrOr("href", ""); link != paths.CompareVersions("OB", 1, 2) {
		t.Errorf("the draft leads to %q", link)
	}
	for name, path := range map[string]string{"none asked for": paths.CompareVersions("OB", 0, 0), "the second alone": paths.CompareVersions("OB", 0, 2), "the first alone": paths.CompareVersions("OB", 1, 0)} {
		if p := viewer.Get(path); p.Status != http.StatusOK || p.Value("a") != "1" || p.Value("b") != "2" {
			t.Errorf("%s: %d, %q beside %q", name, p.Status, p.Value("a"), p.Value("b"))
		}
	}
	b.draft("OB", 2, func(v *store.FormulaVersion) {
		first, err := b.Store.FormulaVersion(t.Context(), b.Who(access.Maker).Workshop, "OB", 1)
		b.ok(err)
		seen := v.Seen
		*v = first
		v.Seen = seen
	})
	says(t, "two of the same", viewer.Get(paths.CompareVersions("OB", 1, 2)).Text("main"), "They say the same.")
}

func TestVersionsThatAreNotThereAreAskedForAgain(t *testing.T) {
	t.Parallel()
	b := newBench(t)
	b.second()
	viewer := b.As(access.Viewer)
	for name, tc := range map[string]struct {
		query, field, words string
		status              int
	}{
		"no such version":       {"?a=9&b=2", "a", `There is no version "9" of Oat balm`, http.StatusUnprocessableEntity},
		"no number":             {"?a=1&b=two", "b", `There is no version "two"`, http.StatusUnprocessableEntity},
		"a very long one":       {"?a=1&b=" + strings.Repeat("7", 500), "b", `"77777777777777777777…"`, http.StatusUnprocessableEntity},
		"the same version":      {"?a=2&b=2", "b", "same version twice", http.StatusUnprocessableEntity},
		"below zero":            {"?a=-1&b=2", "a", "There is no version", http.StatusUnprocessableEntity},
		"both wrong, both told": {"?a=x&b=y", "b", `"y"`, http.StatusUnprocessableEntity},
	} {
		page := viewer.Get("/formulas/OB/compare" + tc.query)
		if page.Status != tc.status || !strings.Contains(page.Error(tc.field), tc.words) || page.Find("form select[name=a] option").Length() != 2 {
			t.Errorf("%s: %d, %q", name, page.Status, page.Error(tc.field))
		}
	}
	if page := viewer.Get(paths.CompareVersions("NOSUCH", 1, 2)); page.Status != http.StatusNotFound {
		t.Errorf("no such formula: %d", page.Status)
	}
}

// making is a batch of 1,000 g, made so many days ago, with so much oil of a lot, whose second step came so long after
// the first; five units cracked if cracked.
func (b bench) making(formula string, daysAgo int, oil, lot string, gap time.Duration, cracked int) string {
	b.t.Helper()
	ctx, helper := b.t.Context(), b.Who(access.Helper)
	at := time.Now().Add(-time.Duration(daysAgo) * 24 * time.Hour)
	plan, err := b.Store.MakePlan(ctx, helper, store.NewPlan{Formula: formula, MassG: dec("1000"), On: b.today})
	b.ok(err)
	yes := store.Really{Yes: true, Reason: "so it was"}
	code, err := b.Store.StartBatch(ctx, helper, store.Entry{}, store.Start{Plan: plan, MadeAt: at, Place: "Still room", TemperatureC: some("20"), HumidityPct: some("45")})
	b.ok(err)
	record, err := b.Store.Batch(ctx, helper.Workshop, code)
	b.ok(err)
	for _, l := range record.Lines {
		w := store.Weighing{Batch: code, Line: l.ID, Lot: l.Material + "-1", Grams: l.TargetG, At: at.Add(10 * time.Minute), Really: yes}
		if l.Material == "OO" {
			w.Grams, w.Lot = dec(oil), lot
		}
		b.ok(b.Store.Weigh(ctx, helper, store.Entry{}, w))
	}
	for i, s := range record.Steps {
		b.ok(b.Store.TickStep(ctx, helper, store.Entry{}, code, s.ID, "", at.Add(20*time.Minute).Add(time.Duration(i)*gap)))
	}
	b.ok(b.Store.ReadControl(ctx, helper, store.Entry{}, store.Readings{Batch: code, Control: record.Controls[0].ID, Values: []decimal.Decimal{dec("6")}, At: at.Add(30 * time.Minute), Really: yes}))
	b.ok(b.Store.Mould(ctx, helper, store.Entry{}, store.Moulding{Batch: code, Units: 20, At: at.Add(time.Hour), Really: yes}))
	if cracked > 0 {
		b.ok(b.Store.RejectUnits(ctx, helper, store.Entry{}, code, []store.NewReject{{Stage: "cut", Reason: "crack", Units: cracked}}, yes))
	}
	return code
}

func TestTwoBatchesStandSideBySide(t *testing.T) {
	t.Parallel()
	b := newBench(t)
	first := b.making("OB", 2, "600", "OO-1", 5*time.Minute, 0)
	b.second()
	b.ok(b.Store.ApproveFormula(t.Context(), b.Who(access.Maker), store.Entry{}, "OB", 2))
	second := b.making("OB", 1, "561", "OO-2", 20*time.Minute, 5)
	viewer := b.As(access.Viewer)
	page := viewer.Get(paths.CompareBatches("", second))
	if page.Status != http.StatusOK || page.Value("a") != first || page.Value("b") != second {
		t.Fatalf("%d: %q beside %q: %s", page.Status, page.Value("a"), page.Value("b"), page.Text("main"))
	}
	says(t, "the note", page.Text(".note"), "made with different versions")
	if href := page.Find(".note a").AttrOr("href", ""); href != paths.CompareVersions("OB", 1, 2) {
		t.Errorf("the note leads to %q", href)
	}
	says(t, "in brief", block(page, "In brief"), "Version", "differs", "Room at making", "20 °C, 45 %", "particulars the same", "1 h")
	// Of what is not packed yet a yield of nothing, or all of it missing, would be no news.
	if brief := block(page, "In brief"); strings.Contains(brief, "are missing") || !strings.Contains(brief, "nothing packed yet") || !strings.Contains(brief, "not before all is packed") {
		t.Errorf("of open batches: %q", brief)
	}
	says(t, "what went in", block(page, "What went in"), "600 g", "to the point", "561 g", "of 550 g", "2 % over", "2 points more against its target", "other lots", "OO-1", "OO-2", "in both", "the same lot")
	says(t, "the method", block(page, "Method"), "15 min later after the one before", "only in "+second, "other words before: Melt the wax to 70 °C")
	says(t, "the controls", block(page, "Controls"), "6", "allowed: 5 to 7", "allowed: 5 to 6.5")
	says(t, "the rejects", block(page, "Rejects"), "Crack, at cutting", "5 units", "only in "+second)
	says(t, "the deviations", block(page, "Deviations of "+second), "Oat oil")
	// The form offers the batches of the formula, and the page leads to both.
	if page.Find("select[name=a] option").Length() != 3 || page.Find("a[href='"+paths.Batch(first)+"']").Length() == 0 {
		t.Errorf("%q", page.Text("form"))
	}
	// One code alone may stand on either side.
	if p := viewer.Get(paths.CompareBatches(second, "")); p.Value("a") != first || p.Value("b") != second {
		t.Errorf("%q beside %q", p.Value("a"), p.Value("b"))
	}
	other := b.making("XX", 1, "600", "OO-1", time.Minute, 0)
	page = viewer.Get(paths.CompareBatches(other, second))
	says(t, "of two formulas", page.Text(".note"), "not made by the same formula")
	if page.Status != http.StatusOK {
		t.Errorf("%d", page.Status)
	}
}

func TestBatchesThatAreNotThereAreAskedForAgain(t *testing.T) {
	t.Parallel()
	b := newBench(t)
	code := b.making("OB", 1, "600", "OO-1", time.Minute, 0)
	viewer := b.As(access.Viewer)
	if page := viewer.Get(paths.CompareBatches("", "")); page.Status != http.StatusOK || page.Find("form input[name=a]").Length() != 1 || page.Find("[role=alert]").Length() != 0 {
		t.Errorf("asked for nothing: %d, %q", page.Status, page.Text("main"))
	}
	for name, tc := range map[string]struct{ a, b, field, words string }{
		"none before the first": {"", code, "a", "There is no batch of this formula before"},
		"no such batch":         {code, "NOSUCH", "b", "There is no batch"},
		"none beside":           {"NOSUCH", code, "a", "There is no batch"},
		"the same batch twice":  {code, strings.ToLower(code), "a", "same batch twice"},
		"a text as a code":      {"<script>", code, "a", "There is no batch"},
	} {
		page := viewer.Get(paths.CompareBatches(tc.a, tc.b))
		if page.Status != http.StatusUnprocessableEntity || !strings.Contains(page.Error(tc.field), tc.words) || page.Find("main form button").Length() == 0 {
			t.Errorf("%s: %d, %q", name, page.Status, page.Text("main"))
		}
		if tc.a != "" && page.Value("a") != tc.a {
			t.Errorf("%s: what was asked for is kept: %q", name, page.Value("a"))
		}
	}
}
