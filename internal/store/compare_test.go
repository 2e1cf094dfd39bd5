package store_test

import (
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"example.org/stillroom/internal/compare"
	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/store"
)

func TestAFormulaIsCopiedIntoANewOne(t *testing.T) {
	t.Parallel()
	h := newBenchShop(t)
	ctx, shop := t.Context(), h.owner.Workshop
	code, err := h.AddFormula(ctx, h.owner, store.Entry{}, store.NewFormula{Name: "Winter balm", Letters: "WB", Copy: "OB"})
	h.ok(err)
	from, err := h.FormulaVersion(ctx, shop, "OB", 1)
	h.ok(err)
	copied, err := h.FormulaVersion(ctx, shop, code, 1)
	h.ok(err)
	if copied.Status != "draft" || copied.FormulaName != "Winter balm" || copied.Letters != "WB" || copied.Note != "Copied from Oat balm (OB), version 1." {
		t.Errorf("%s %q %s %q", copied.Status, copied.FormulaName, copied.Letters, copied.Note)
	}
	if diff := compare.Versions(from.Compared(), copied.Compared()); !diff.Same() {
		t.Errorf("the copy differs: %+v", diff)
	}
	if copied.CureHours != 48 || !copied.MaxC.Valid || copied.TolerancePct.String() != "1" {
		t.Errorf("particulars: %+v", copied)
	}
	// The copy is its own: changing it leaves the first as it was.
	copied.Portions[1].Lines[0].Amount = benchDec("31")
	copied.Portions[1].Lines[1].Amount = benchDec("69")
	h.ok(h.SaveDraft(ctx, h.owner, store.Entry{}, code, copied))
	if again, err := h.FormulaVersion(ctx, shop, "OB", 1); err != nil || again.Seen != from.Seen {
		t.Errorf("the first was changed: %v", err)
	}
	for name, tc := range map[string]struct {
		n            store.NewFormula
		field, words string
	}{
		"no such formula":     {store.NewFormula{Name: "X", Letters: "XX", Copy: "NOSUCH"}, "copy", "no formula"},
		"no such version":     {store.NewFormula{Name: "X", Letters: "XX", Copy: "OB", CopyOf: 9}, "copy", "no version 9"},
		"letters of the copy": {store.NewFormula{Name: "X", Letters: "OB", Copy: "OB"}, "letters", "has these letters"},
		"a code that is used": {store.NewFormula{Name: "X", Letters: "XX", Code: "OB", Copy: "OB"}, "code", "has this code"},
	} {
		_, err := h.AddFormula(ctx, h.owner, store.Entry{}, tc.n)
		if f := fault.As(err); f == nil || !strings.Contains(f.Of(tc.field), tc.words) {
			t.Errorf("%s: %v", name, err)
		}
	}
	other := newHouse(t)
	if _, err := other.AddFormula(ctx, other.owner, store.Entry{}, store.NewFormula{Name: "X", Letters: "XX", Copy: "OB"}); fault.As(err).Of("copy") == "" {
		t.Errorf("another workshop's formula was copied: %v", err)
	}
}

func TestAVersionIsTakenOutOfForceWithAReason(t *testing.T) {
	t.Parallel()
	h := newBenchShop(t)
	ctx, shop := t.Context(), h.owner.Workshop
	plan := h.plan(store.NewPlan{Formula: "OB", MassG: benchDec("1000")})
	benchFault(t, h.RetireFormula(ctx, h.owner, store.Entry{}, "OB", 1, " "), "reason", "Say why")
	benchFault(t, h.RetireFormula(ctx, h.owner, store.Entry{}, "OB", 2, "it sank"), "", "is not in force")
	benchFault(t, h.RetireFormula(ctx, h.owner, store.Entry{}, "NOSUCH", 1, "it sank"), "", "no formula")
	entry := benchEntry()
	for range 2 { // a form that is sent twice is one
		h.ok(h.RetireFormula(ctx, h.owner, entry, "OB", 1, "it sank in the tin"))
	}
	benchFault(t, h.RetireFormula(ctx, h.owner, store.Entry{}, "OB", 1, "again"), "", "is not in force")
	page, err := h.Formula(ctx, shop, "OB")
	h.ok(err)
	if v := page.Versions[0]; v.Status != "retired" || v.Why != "it sank in the tin" || v.RetiredBy != "Mara Thistle" || v.RetiredAt == nil || page.Plans != 1 {
		t.Errorf("%+v, %d plans", v, page.Plans)
	}
	_, err = h.StartBatch(ctx, h.helper, store.Entry{}, store.Start{Plan: plan})
	benchFault(t, err, "", "no longer in force")
	_, err = h.MakePlan(ctx, h.owner, store.NewPlan{Formula: "OB", MassG: benchDec("1000"), On: h.today})
	benchFault(t, err, "formula", "no approved version")
	if sheet, err := h.Plan(ctx, shop, plan); err != nil || sheet.Status != "retired" {
		t.Errorf("its plan says so: %q, %v", sheet.Status, err)
	}
	// It is taken up again by a new version.
	n, err := h.NewVersion(ctx, h.owner, store.Entry{}, "OB")
	h.ok(err)
	h.ok(h.ApproveFormula(ctx, h.owner, store.Entry{}, "OB", n))
	h.plan(store.NewPlan{Formula: "OB", MassG: benchDec("1000")})
}

func TestAFormulaThatOthersDrawFromStaysInForce(t *testing.T) {
	t.Parallel()
	h := newBenchShop(t)
	h.formula("CI", "Calendula infusion", "bulk", func(v *store.FormulaVersion) {
		v.Portions = []store.FormulaPortion{{Name: "Base", Basis: "share", Amount: benchDec("100"), Lines: []store.FormulaLine{benchLine("OO", "100")}}}
	})
	h.formula("CB", "Calendula balm", "units", func(v *store.FormulaVersion) {
		v.Portions = []store.FormulaPortion{{Name: "Base", Basis: "share", Amount: benchDec("100"), Lines: []store.FormulaLine{{Kind: "bulk", BulkFormula: "CI", Basis: "share", Amount: benchDec("100")}}}}
	})
	benchFault(t, h.RetireFormula(t.Context(), h.owner, store.Entry{}, "CI", 1, "no flowers"), "", "Calendula balm draws from this formula")
	h.ok(h.RetireFormula(t.Context(), h.owner, store.Entry{}, "CB", 1, "no flowers"))
	h.ok(h.RetireFormula(t.Context(), h.owner, store.Entry{}, "CI", 1, "no flowers"))
}

// The shares of a version are of the whole batch, so that another nominal batch and an inner portion make no difference.
func TestAVersionsSharesAreOfTheWholeBatch(t *testing.T) {
	t.Parallel()
	h := newBenchShop(t)
	v, err := h.FormulaVersion(t.Context(), h.owner.Workshop, "OB", 1)
	h.ok(err)
	got := map[string]string{}
	for _, p := range v.Compared().Portions {
		for _, l := range p.Lines {
			share := "?"
			if l.Pct.Valid {
				share = l.Pct.Decimal.String()
			}
			if l.AsNeeded {
				share = l.LowPct.String() + " to " + l.HighPct.String()
			}
			got[p.Name+" "+l.Code] = share
		}
	}
	want := map[string]string{"Base OO": "33.6", "Base SH": "22.4", "Melt BW": "24", "Melt Base": "56", "Cool OO": "18", "Cool TC": "2", "Cool WA": "0 to 2"}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Error(diff)
	}
}

func TestTwoBatchesAreReadTogether(t *testing.T) {
	t.Parallel()
	h := newBenchShop(t)
	ctx, shop := t.Context(), h.owner.Workshop
	made := func(daysAgo int, wax string) string {
		t.Helper()
		code, err := h.StartBatch(ctx, h.helper, store.Entry{}, store.Start{Plan: h.plan(store.NewPlan{Formula: "OB", Product: "OB50", MassG: benchDec("1000")}), MadeAt: time.Now().AddDate(0, 0, -daysAgo)})
		h.ok(err)
		h.ok(h.wax(code, wax, benchReally("so it was")))
		return code
	}
	first, second, third := made(3, "241"), made(2, "239"), made(1, "240")
	found, err := h.CompareBatches(ctx, shop, "", third)
	h.ok(err)
	if found.A.Code != second || found.B.Code != third {
		t.Errorf("beside %s stands %s, want the one before it, %s", third, found.A.Code, second)
	}
	var others []string
	for _, o := range found.Others {
		others = append(others, o.Code)
	}
	if diff := cmp.Diff([]string{third, second, first}, others); diff != "" {
		t.Error(diff)
	}
	diff := compare.Makings(found.A.Compared(), found.B.Compared())
	for _, p := range diff.Lines {
		if p.B.Code == "BW" && (p.A.ActualG.Decimal.String() != "239" || p.B.ActualG.Decimal.String() != "240" || p.A.OffPct().Decimal.String() != "-0.42" || len(compare.SharedLots(p)) != 1) {
			t.Errorf("beeswax: %+v beside %+v", p.A, p.B)
		}
	}
	void := h.begun()
	h.ok(h.VoidBatch(ctx, h.owner, store.Entry{}, void, "never made"))
	for name, tc := range map[string]struct{ a, b, field, words string }{
		"no such batch beside":   {"NOSUCH", third, "a", "no batch"},
		"no such batch":          {third, "NOSUCH", "b", "no batch"},
		"neither":                {"", "", "b", "Which batch?"},
		"the same twice":         {third, strings.ToLower(third), "a", "same batch twice"},
		"none before the first":  {"", first, "a", "no batch of this formula before"},
		"both unknown, told too": {"NOSUCH", "NEITHER", "b", "no batch"},
	} {
		_, err := h.CompareBatches(ctx, shop, tc.a, tc.b)
		if f := fault.As(err); f == nil || !strings.Contains(f.Of(tc.field), tc.words) {
			t.Errorf("%s: %v", name, err)
		}
	}
	if found, err := h.CompareBatches(ctx, shop, "", void); err != nil || found.A.Code != third {
		t.Errorf("a void batch stands beside the last that was made: %q, %v", found.A.Code, err)
	}
	other := newHouse(t)
	if _, err := other.CompareBatches(ctx, other.owner.Workshop, first, third); fault.As(err).Of("a") == "" || fault.As(err).Of("b") == "" {
		t.Errorf("batches of another workshop: %v", err)
	}
}
