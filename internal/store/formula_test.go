package store_test

import (
	"strings"
	"sync"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
	"github.com/google/uuid"
	"github.com/shopspring/decimal"
	"pgregory.net/rapid"

	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/measure"
	"example.org/stillroom/internal/pgtest"
	"example.org/stillroom/internal/scaling"
	"example.org/stillroom/internal/store"
)

func formulaDec(text string) decimal.Decimal { return decimal.RequireFromString(text) }

func formulaOpt(text string) decimal.NullDecimal { return decimal.NewNullDecimal(formulaDec(text)) }

// formulaMaterials puts what the formulas of these tests are made of into the book.
func formulaMaterials(t *testing.T, h house) {
	t.Helper()
	for _, m := range []store.Material{
		{Code: "OO", Name: "Oat oil", Kind: "raw", Unit: "g", Tracked: true, ExpiryCounts: true},
		{Code: "CB", Name: "Cocoa butter", Kind: "raw", Unit: "g", Tracked: true, ExpiryCounts: true},
		{Code: "LV", Name: "Lavender oil", Kind: "raw", Unit: "g", Tracked: true, ExpiryCounts: true, Caution: "Irritates the skin undiluted."},
		{Code: "TIN", Name: "Tin 60 ml", Kind: "packaging", Unit: "each", Tracked: true},
	} {
		if _, err := h.AddMaterial(t.Context(), h.owner, store.Entry{}, m); err != nil {
			t.Fatal(err)
		}
	}
}

func formulaLine(material, share string) store.FormulaLine {
	return store.FormulaLine{Kind: scaling.KindMaterial, MaterialCode: material, Basis: scaling.Share, Amount: formulaDec(share)}
}

// formulaWhole is a version with one of everything that can be approved.
func formulaWhole() store.FormulaVersion {
	limited := formulaLine("LV", "2.5")
	limited.MaxPct = formulaOpt("3")
	return store.FormulaVersion{
		NominalG: formulaDec("1000"), TolerancePct: formulaDec("1"), ToleranceG: formulaDec("0.2"), ExpectedLossPct: formulaDec("4.5"), ReconciliationPct: formulaDec("3"),
		MinC: formulaOpt("15"), MaxC: formulaOpt("24"), MaxPct: formulaOpt("60"), CureHours: 672, CureWord: "cure", Yields: "units", Caution: "Hot oil.", Note: "Slow in winter.",
		Portions: []store.FormulaPortion{
			{Name: "Base", Basis: scaling.Share, Amount: formulaDec("60"), Lines: []store.FormulaLine{formulaLine("OO", "70"), {Kind: scaling.KindPortion, InnerPortion: "Melt", Basis: scaling.Share, Amount: formulaDec("27.5")}, limited,
				{Kind: scaling.KindMaterial, MaterialCode: "CB", Basis: scaling.Share, AsNeeded: true, Low: formulaDec("0"), High: formulaDec("12.5")}}},
			{Name: "Top", Basis: scaling.Share, Amount: formulaDec("40"), Lines: []store.FormulaLine{{Kind: scaling.KindMaterial, MaterialCode: "OO", Basis: scaling.Weight, Amount: formulaDec("400")}}},
			{Name: "Melt", Basis: scaling.Inner, Lines: []store.FormulaLine{formulaLine("CB", "100")}},
		},
		Steps:    []store.FormulaStep{{Text: "Melt the butter.", Caution: "Hot.", Portion: "Melt"}, {Text: "Pour."}},
		Controls: []store.FormulaControl{{Name: "pH", Stage: "cure_end", Low: formulaOpt("8"), High: formulaOpt("10.5"), Readings: 2}},
	}
}

// formulaDraft begins a formula whose draft holds v.
func formulaDraft(t *testing.T, h house, code, letters string, v store.FormulaVersion) {
	t.Helper()
	if _, err := h.AddFormula(t.Context(), h.owner, store.Entry{}, store.NewFormula{Code: code, Name: code + " bar", Letters: letters}); err != nil {
		t.Fatal(err)
	}
	if err := h.SaveDraft(t.Context(), h.owner, store.Entry{}, code, v); err != nil {
		t.Fatal(err)
	}
}

func formulaApproved(t *testing.T, h house, code, letters string, v store.FormulaVersion) {
	t.Helper()
	formulaDraft(t, h, code, letters, v)
	if err := h.ApproveFormula(t.Context(), h.owner, store.Entry{}, code, 1); err != nil {
		t.Fatal(err)
	}
}

func (h house) formulaVersion(t *testing.T, code string, number int) store.FormulaVersion {
	t.Helper()
	v, err := h.FormulaVersion(t.Context(), h.owner.Workshop, code, number)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

// formulaTyped compares what a maker enters; ids, names and states are the store's.
var formulaTyped = cmp.Options{
	cmp.Comparer(decimal.Decimal.Equal),
	cmpopts.IgnoreFields(store.FormulaVersion{}, "ID", "FormulaID", "FormulaCode", "FormulaName", "Letters", "Number", "Status", "ApprovedBy", "ApprovedAt", "Seen"),
	cmpopts.IgnoreFields(store.FormulaPortion{}, "ID"),
	cmpopts.IgnoreFields(store.FormulaLine{}, "ID", "Name", "Caution", "Retired"),
	cmpopts.IgnoreFields(store.FormulaStep{}, "ID"),
	cmpopts.IgnoreFields(store.FormulaControl{}, "ID"),
}

func formulaFault(err error) (fault.Kind, []string) {
	f := fault.As(err)
	if f == nil {
		return "", nil
	}
	return f.Kind, f.Names()
}

func TestADraftIsReadBackAsItWasSaved(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	formulaMaterials(t, h)
	formulaDraft(t, h, "OB", "OB", formulaWhole())
	got := h.formulaVersion(t, "OB", 1)
	if diff := cmp.Diff(formulaWhole(), got, formulaTyped); diff != "" {
		t.Errorf("read back (-saved +read):\n%s", diff)
	}
	if line := got.Portions[0].Lines[2]; line.Name != "Lavender oil" || line.Caution != "Irritates the skin undiluted." {
		t.Errorf("a line has its material's name and caution: %q, %q", line.Name, line.Caution)
	}
	// Saving anew replaces everything, and saving the same is the same content.
	if err := h.SaveDraft(t.Context(), h.owner, store.Entry{}, "OB", got); err != nil {
		t.Fatal(err)
	}
	if again := h.formulaVersion(t, "OB", 1); again.Seen != got.Seen {
		t.Error("the same content has the same hash")
	}
	small := formulaWhole()
	small.Portions, small.Steps, small.Controls = nil, nil, nil
	if err := h.SaveDraft(t.Context(), h.owner, store.Entry{}, "OB", small); err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(small, h.formulaVersion(t, "OB", 1), formulaTyped, cmpopts.EquateEmpty()); diff != "" {
		t.Errorf("emptied (-saved +read):\n%s", diff)
	}
	if broken := h.broken(t); len(broken) > 0 {
		t.Errorf("verify: %v", broken)
	}
}

func TestADraftThatCannotBeKeptIsRefusedBesideEachField(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	formulaMaterials(t, h)
	formulaDraft(t, h, "OB", "OB", formulaWhole())
	before := h.formulaVersion(t, "OB", 1)
	cases := map[string]struct {
		spoil func(*store.FormulaVersion)
		want  []string
	}{
		"a nominal batch of nothing":       {func(v *store.FormulaVersion) { v.NominalG = decimal.Zero }, []string{"nominal"}},
		"more decimals than scaling keeps": {func(v *store.FormulaVersion) { v.NominalG = formulaDec("1000.00001") }, []string{"nominal"}},
		"a loss of all":                    {func(v *store.FormulaVersion) { v.ExpectedLossPct = formulaDec("100") }, []string{"expected_loss_pct"}},
		"tolerance and limit out of range": {func(v *store.FormulaVersion) {
			v.TolerancePct, v.ReconciliationPct = formulaDec("-1"), formulaDec("101")
		}, []string{"reconciliation_pct", "tolerance_pct"}},
		"climate limits the wrong way round": {func(v *store.FormulaVersion) { v.MinC, v.MinPct = formulaOpt("30"), formulaOpt("70") }, []string{"max_c", "max_pct"}},
		"a cure longer than the book takes":  {func(v *store.FormulaVersion) { v.CureHours = 20001 }, []string{"cure"}},
		"words that are none of ours":        {func(v *store.FormulaVersion) { v.CureWord, v.Yields = "age", "soap" }, []string{"cure_word", "yields"}},
		"a caution too long":                 {func(v *store.FormulaVersion) { v.Caution = strings.Repeat("é", 2001) }, []string{"caution"}},
		"a portion without a name":           {func(v *store.FormulaVersion) { v.Portions[1].Name = " " }, []string{"portions.1.name"}},
		"two portions of one name":           {func(v *store.FormulaVersion) { v.Portions[1].Name = "base" }, []string{"portions.1.name"}},
		"a portion by guess":                 {func(v *store.FormulaVersion) { v.Portions[1].Basis = "guess" }, []string{"portions.1.basis"}},
		"a material that there is not":       {func(v *store.FormulaVersion) { v.Portions[1].Lines[0].MaterialCode = "XX" }, []string{"portions.1.lines.0.kind"}},
		"packaging in the bowl":              {func(v *store.FormulaVersion) { v.Portions[1].Lines[0].MaterialCode = "TIN" }, []string{"portions.1.lines.0.kind"}},
		"nothing in the bowl":                {func(v *store.FormulaVersion) { v.Portions[1].Lines[0] = store.FormulaLine{} }, []string{"portions.1.lines.0.basis", "portions.1.lines.0.kind"}},
		"a portion taken that there is not":  {func(v *store.FormulaVersion) { v.Portions[0].Lines[1].InnerPortion = "Swirl" }, []string{"portions.0.lines.1.kind"}},
		"a portion in itself":                {func(v *store.FormulaVersion) { v.Portions[0].Lines[1].InnerPortion = "Base" }, []string{"portions.0.lines.1.kind"}},
		"bulk of a formula that there is not": {func(v *store.FormulaVersion) {
			v.Portions[1].Lines[0] = store.FormulaLine{Kind: scaling.KindBulk, BulkFormula: "ZZ", Basis: scaling.Weight}
		}, []string{"portions.1.lines.0.kind"}},
		"bulk of itself": {func(v *store.FormulaVersion) {
			v.Portions[1].Lines[0] = store.FormulaLine{Kind: scaling.KindBulk, BulkFormula: "OB", Basis: scaling.Weight}
		}, []string{"portions.1.lines.0.kind"}},
		"as needed from more to less":           {func(v *store.FormulaVersion) { v.Portions[0].Lines[3].Low = formulaDec("20") }, []string{"portions.0.lines.3.high"}},
		"an amount and as needed":               {func(v *store.FormulaVersion) { v.Portions[0].Lines[3].Amount = formulaDec("2") }, []string{"portions.0.lines.3.amount"}},
		"a limit of use over 100 %":             {func(v *store.FormulaVersion) { v.Portions[0].Lines[2].MaxPct = formulaOpt("101") }, []string{"portions.0.lines.2.limit"}},
		"a step that says nothing":              {func(v *store.FormulaVersion) { v.Steps[1].Text = "" }, []string{"steps.1.text"}},
		"a step after a portion that is gone":   {func(v *store.FormulaVersion) { v.Steps[1].Portion = "Swirl" }, []string{"steps.1.portion"}},
		"a control of nothing at no stage":      {func(v *store.FormulaVersion) { v.Controls[0] = store.FormulaControl{} }, []string{"controls.0.name", "controls.0.readings", "controls.0.stage"}},
		"control limits the wrong way round":    {func(v *store.FormulaVersion) { v.Controls[0].Low = formulaOpt("11") }, []string{"controls.0.high"}},
		"everything that is off, all at once":   {func(v *store.FormulaVersion) { v.NominalG, v.Portions[0].Name, v.Steps[0].Text = decimal.Zero, "", "" }, []string{"nominal", "portions.0.name", "steps.0.text"}},
		"a number that no workshop ever weighs": {func(v *store.FormulaVersion) { v.Portions[1].Amount = decimal.New(1, 40) }, []string{"portions.1.amount"}},
	}
	for name, c := range cases {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			v := formulaWhole()
			c.spoil(&v)
			kind, names := formulaFault(h.SaveDraft(t.Context(), h.owner, store.Entry{}, "OB", v))
			if kind != fault.Invalid || cmp.Diff(c.want, names) != "" {
				t.Errorf("refused as %q beside %v, want invalid beside %v", kind, names, c.want)
			}
			if now := h.formulaVersion(t, "OB", 1); now.Seen != before.Seen {
				t.Error("something of it was saved")
			}
		})
	}
}

func TestAnApprovalSaysAllThatKeepsADraftFromBeingMade(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	formulaMaterials(t, h)
	units := store.FormulaVersion{NominalG: formulaDec("100"), CureWord: "cure", Yields: "units", Portions: []store.FormulaPortion{{Name: "All", Basis: scaling.Share, Amount: formulaDec("100"), Lines: []store.FormulaLine{formulaLine("OO", "100")}}}}
	formulaApproved(t, h, "UNITS", "UN", units)
	formulaDraft(t, h, "DRAFT", "DR", units)
	bulkLine := func(code string) store.FormulaLine {
		return store.FormulaLine{Kind: scaling.KindBulk, BulkFormula: code, Basis: scaling.Share, Amount: formulaDec("100")}
	}
	cases := map[string]struct {
		letters string
		spoil   func(*store.FormulaVersion)
		want    []string
	}{
		"no portion at all":                  {"AA", func(v *store.FormulaVersion) { v.Portions, v.Steps = nil, nil }, []string{"portions"}},
		"portions that make 90 %":            {"AB", func(v *store.FormulaVersion) { v.Portions[0].Amount = formulaDec("50") }, []string{"portions"}},
		"lines that make 97.5 %":             {"AC", func(v *store.FormulaVersion) { v.Portions[0].Lines[0].Amount = formulaDec("67.5") }, []string{"portions.0.lines"}},
		"a portion with nothing in it":       {"AD", func(v *store.FormulaVersion) { v.Portions[2].Lines = nil }, []string{"portions.2.lines"}},
		"an inner portion that nobody takes": {"AE", func(v *store.FormulaVersion) { v.Portions[0].Lines[1] = formulaLine("CB", "27.5") }, []string{"portions.2.basis"}},
		"over the limit of use":              {"AF", func(v *store.FormulaVersion) { v.Portions[0].Lines[2].MaxPct = formulaOpt("1.4") }, []string{"portions.0.lines.2.limit"}},
		"over the limit in two lines together": {"AG", func(v *store.FormulaVersion) {
			v.Portions[2].Lines = []store.FormulaLine{formulaLine("CB", "50"), formulaLine("LV", "50")}
		}, []string{"portions.0.lines.2.limit"}},
		"bulk of a formula that makes units":   {"AH", func(v *store.FormulaVersion) { v.Portions[2].Lines[0] = bulkLine("UNITS") }, []string{"portions.2.lines.0.kind"}},
		"bulk of a formula that is not in use": {"AI", func(v *store.FormulaVersion) { v.Portions[2].Lines[0] = bulkLine("DRAFT") }, []string{"portions.2.lines.0.kind"}},
	}
	for name, c := range cases {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			v := formulaWhole()
			c.spoil(&v)
			formulaDraft(t, h, c.letters, c.letters, v)
			kind, names := formulaFault(h.ApproveFormula(t.Context(), h.owner, store.Entry{}, c.letters, 1))
			if kind != fault.Invalid || cmp.Diff(c.want, names) != "" {
				t.Errorf("refused as %q beside %v, want invalid beside %v", kind, names, c.want)
			}
			if status := h.formulaVersion(t, c.letters, 1).Status; status != "draft" {
				t.Errorf("it is %s", status)
			}
		})
	}
}

func TestAMaterialThatIsNotBoughtAnyMoreKeepsADraftFromApproval(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	formulaMaterials(t, h)
	formulaDraft(t, h, "OB", "OB", formulaWhole())
	if err := h.CorrectMaterial(t.Context(), h.owner, store.Entry{}, store.Material{Code: "LV", Name: "Lavender oil", Tracked: true, ExpiryCounts: true, Retired: true}, "supplier closed"); err != nil {
		t.Fatal(err)
	}
	_, names := formulaFault(h.ApproveFormula(t.Context(), h.owner, store.Entry{}, "OB", 1))
	if diff := cmp.Diff([]string{"portions.0.lines.2.kind"}, names); diff != "" {
		t.Error(diff)
	}
	// Everything else about the draft can still be saved.
	v := h.formulaVersion(t, "OB", 1)
	v.Note = "Look for another lavender."
	if err := h.SaveDraft(t.Context(), h.owner, store.Entry{}, "OB", v); err != nil {
		t.Error(err)
	}
}

func TestAnApprovedVersionNeverChanges(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	formulaMaterials(t, h)
	formulaApproved(t, h, "OB", "OB", formulaWhole())
	v := h.formulaVersion(t, "OB", 1)
	if v.Status != "approved" || v.ApprovedBy != "Mara Thistle" || v.ApprovedAt == nil {
		t.Fatalf("approved: %s by %q", v.Status, v.ApprovedBy)
	}
	if kind, _ := formulaFault(h.SaveDraft(t.Context(), h.owner, store.Entry{}, "OB", formulaWhole())); kind != fault.Conflict {
		t.Errorf("saving over it: %q", kind)
	}
	if kind, _ := formulaFault(h.ApproveFormula(t.Context(), h.owner, store.Entry{}, "OB", 1)); kind != fault.Conflict {
		t.Errorf("approving it again: %q", kind)
	}
	for _, sql := range []string{
		`UPDATE portion_line SET amount = amount + 1`, `DELETE FROM method_step`, `UPDATE portion SET name = 'Other'`, `DELETE FROM control`,
		`INSERT INTO method_step (workshop_id, id, version_id, position, text) SELECT workshop_id, gen_random_uuid(), id, 9, 'Stir.' FROM formula_version`,
	} {
		if err := h.asApp(t, sql); err == nil || !strings.Contains(err.Error(), "never changes") {
			t.Errorf("%s: %v", sql, err)
		}
	}
	if broken := h.broken(t); len(broken) > 0 {
		t.Errorf("verify: %v", broken)
	}
}

func TestAChangeIsANewVersionThatRetiresTheOneBefore(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	ctx := t.Context()
	formulaMaterials(t, h)
	formulaApproved(t, h, "OB", "OB", formulaWhole())
	n, err := h.NewVersion(ctx, h.owner, store.Entry{}, "OB")
	if err != nil || n != 2 {
		t.Fatalf("new version: %d, %v", n, err)
	}
	if diff := cmp.Diff(formulaWhole(), h.formulaVersion(t, "OB", 2), formulaTyped); diff != "" {
		t.Errorf("the draft starts as a copy:\n%s", diff)
	}
	if kind, _ := formulaFault(second(h.NewVersion(ctx, h.owner, store.Entry{}, "OB"))); kind != fault.Conflict {
		t.Errorf("a second draft: %q", kind)
	}
	if inForce := h.formulaVersion(t, "OB", 0); inForce.Number != 1 {
		t.Errorf("in force while version 2 is drafted: %d", inForce.Number)
	}
	if err := h.ApproveFormula(ctx, h.owner, store.Entry{}, "OB", 2); err != nil {
		t.Fatal(err)
	}
	page, err := h.Formula(ctx, h.owner.Workshop, "OB")
	if err != nil {
		t.Fatal(err)
	}
	var states []string
	for _, v := range page.Versions {
		states = append(states, v.Status)
	}
	if diff := cmp.Diff([]string{"approved", "retired"}, states); diff != "" {
		t.Error(diff)
	}
	list, err := h.Formulas(ctx, h.owner.Workshop)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff([]store.FormulaSummary{{Code: "OB", Name: "OB bar", Letters: "OB", Approved: 2, Yields: "units"}}, list); diff != "" {
		t.Error(diff)
	}
}

func second[T any](_ T, err error) error { return err }

func TestAFormulaBegunTwiceByOneFormIsOne(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	ctx := t.Context()
	entry := store.Entry{Key: uuid.New(), Payload: [32]byte{1}}
	n := store.NewFormula{Name: "Oat bar", Letters: "OB"}
	first, err := h.AddFormula(ctx, h.owner, entry, n)
	if err != nil {
		t.Fatal(err)
	}
	again, err := h.AddFormula(ctx, h.owner, entry, n)
	if err != nil || again != first || first != "OB" {
		t.Errorf("first %q, again %q, %v", first, again, err)
	}
	entry.Payload[0] = 2
	if kind, _ := formulaFault(second(h.AddFormula(ctx, h.owner, entry, n))); kind != fault.Invalid {
		t.Errorf("another formula under the same key: %q", kind)
	}
}

func TestABadBeginningIsToldBesideEachField(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	if _, err := h.AddFormula(t.Context(), h.owner, store.Entry{}, store.NewFormula{Code: "OB", Name: "Oat bar", Letters: "OB"}); err != nil {
		t.Fatal(err)
	}
	cases := map[string]struct {
		formula store.NewFormula
		want    []string
	}{
		"nothing":                      {store.NewFormula{}, []string{"letters", "name"}},
		"a name too long":              {store.NewFormula{Name: strings.Repeat("n", 201), Letters: "XX"}, []string{"name"}},
		"a code with a slash":          {store.NewFormula{Name: "Bar", Letters: "XX", Code: "a/b"}, []string{"code"}},
		"a code that another has":      {store.NewFormula{Name: "Bar", Letters: "XX", Code: "OB"}, []string{"code"}},
		"letters that another has":     {store.NewFormula{Name: "Bar", Letters: "OB", Code: "BB"}, []string{"letters"}},
		"letters that are none":        {store.NewFormula{Name: "Bar", Letters: "O1", Code: "BB"}, []string{"letters"}},
		"five letters":                 {store.NewFormula{Name: "Bar", Letters: "ABCDE", Code: "BB"}, []string{"letters"}},
		"a batch of less than nothing": {store.NewFormula{Name: "Bar", Letters: "XX", NominalG: formulaDec("-5")}, []string{"nominal"}},
		"yields soap":                  {store.NewFormula{Name: "Bar", Letters: "XX", Yields: "soap"}, []string{"yields"}},
	}
	for name, c := range cases {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			kind, names := formulaFault(second(h.AddFormula(t.Context(), h.owner, store.Entry{}, c.formula)))
			if kind != fault.Invalid || cmp.Diff(c.want, names) != "" {
				t.Errorf("refused as %q beside %v, want %v", kind, names, c.want)
			}
		})
	}
}

func TestOfTwoWhoSaveOneDraftTheSecondIsTold(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	ctx := t.Context()
	formulaMaterials(t, h)
	formulaDraft(t, h, "OB", "OB", formulaWhole())
	v := h.formulaVersion(t, "OB", 1)
	errs := make([]error, 4)
	var all sync.WaitGroup
	for i := range errs {
		mine := v
		mine.Note = strings.Repeat("mine ", i+1)
		all.Go(func() { errs[i] = h.SaveDraft(ctx, h.owner, store.Entry{}, "OB", mine) })
	}
	all.Wait()
	saved, told := 0, 0
	for _, err := range errs {
		if err == nil {
			saved++
		} else if fault.Is(err, fault.Conflict) {
			told++
		} else {
			t.Error(err)
		}
	}
	if saved != 1 || told != 3 {
		t.Errorf("%d saved, %d told", saved, told)
	}
	if kind, _ := formulaFault(h.ApproveSeen(ctx, h.owner, store.Entry{}, "OB", 1, v.Seen)); kind != fault.Conflict {
		t.Errorf("approving what is not what was looked at: %q", kind)
	}
	if err := h.ApproveSeen(ctx, h.owner, store.Entry{}, "OB", 1, h.formulaVersion(t, "OB", 1).Seen); err != nil {
		t.Errorf("approving what was looked at: %v", err)
	}
}

// formulaBulk is a version that yields bulk and draws from other bulk.
func formulaBulk(from ...string) store.FormulaVersion {
	v := store.FormulaVersion{NominalG: formulaDec("100"), CureWord: "cure", Yields: "bulk", BulkMonths: 6, Portions: []store.FormulaPortion{{Name: "All", Basis: scaling.Share, Amount: formulaDec("100")}}}
	rest := 100
	for _, code := range from {
		v.Portions[0].Lines = append(v.Portions[0].Lines, store.FormulaLine{Kind: scaling.KindBulk, BulkFormula: code, Basis: scaling.Share, Amount: formulaDec("10")})
		rest -= 10
	}
	v.Portions[0].Lines = append(v.Portions[0].Lines, store.FormulaLine{Kind: scaling.KindMaterial, MaterialCode: "OO", Basis: scaling.Share, Amount: decimal.NewFromInt(int64(rest))})
	return v
}

func TestBulkFormulasNeverGoRoundInACircle(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	ctx := t.Context()
	formulaMaterials(t, h)
	formulaApproved(t, h, "A", "A", formulaBulk())
	formulaApproved(t, h, "B", "B", formulaBulk("A"))
	formulaApproved(t, h, "C", "C", formulaBulk("B", "A"))
	// A drawing from C would be made of itself, three formulas round.
	if _, err := h.NewVersion(ctx, h.owner, store.Entry{}, "A"); err != nil {
		t.Fatal(err)
	}
	if err := h.SaveDraft(ctx, h.owner, store.Entry{}, "A", formulaBulk("C")); err != nil {
		t.Fatal(err)
	}
	err := h.ApproveFormula(ctx, h.owner, store.Entry{}, "A", 2)
	if f := fault.As(err); f == nil || !strings.Contains(f.Of("portions.0.lines.0.kind"), "itself made with this formula") {
		t.Errorf("a circle: %v", err)
	}
	// And a formula that others draw from cannot turn to units.
	units := formulaBulk()
	units.Yields = "units"
	if err := h.SaveDraft(ctx, h.owner, store.Entry{}, "A", units); err != nil {
		t.Fatal(err)
	}
	if _, names := formulaFault(h.ApproveFormula(ctx, h.owner, store.Entry{}, "A", 2)); cmp.Diff([]string{"yields"}, names) != "" {
		t.Errorf("units while others draw from it: beside %v", names)
	}
}

func TestOfTwoFormulasApprovedAtOnceOnlyOneDrawsFromTheOther(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	ctx := t.Context()
	formulaMaterials(t, h)
	formulaApproved(t, h, "A", "A", formulaBulk())
	formulaApproved(t, h, "B", "B", formulaBulk())
	for code, from := range map[string]string{"A": "B", "B": "A"} {
		if _, err := h.NewVersion(ctx, h.owner, store.Entry{}, code); err != nil {
			t.Fatal(err)
		}
		if err := h.SaveDraft(ctx, h.owner, store.Entry{}, code, formulaBulk(from)); err != nil {
			t.Fatal(err)
		}
	}
	errs := make([]error, 2)
	var both sync.WaitGroup
	for i, code := range []string{"A", "B"} {
		both.Go(func() { errs[i] = h.ApproveFormula(ctx, h.owner, store.Entry{}, code, 2) })
	}
	both.Wait()
	if (errs[0] == nil) == (errs[1] == nil) {
		t.Errorf("A: %v; B: %v", errs[0], errs[1])
	}
}

func TestVerifyFindsAnApprovedFormulaThatIsNotWhatWasApproved(t *testing.T) {
	t.Parallel()
	cases := map[string]struct{ table, tamper string }{
		"an amount":    {"portion_line", `UPDATE portion_line SET amount = 71 WHERE amount = 70`},
		"a limit":      {"portion_line", `UPDATE portion_line SET max_pct = NULL`},
		"two steps":    {"method_step", `UPDATE method_step SET position = 3 - position`},
		"a control":    {"control", `DELETE FROM control`},
		"a portion":    {"portion", `UPDATE portion SET name = 'Bottom' WHERE name = 'Base'`},
		"its own hash": {"formula_version", `UPDATE formula_version SET content_hash = sha256('x')`},
	}
	for name, c := range cases {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			h := newHouse(t)
			formulaMaterials(t, h)
			formulaApproved(t, h, "OB", "OB", formulaWhole())
			h.asOwner(t, `ALTER TABLE `+c.table+` DISABLE TRIGGER USER`, c.tamper)
			if broken := strings.Join(h.broken(t), "\n"); !strings.Contains(broken, "formula OB version 1: the content is not what was approved") {
				t.Errorf("verify says %q", broken)
			}
		})
	}
}

func TestAMaterialsCorrectedNameLeavesAnApprovalWhole(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	formulaMaterials(t, h)
	formulaApproved(t, h, "OB", "OB", formulaWhole())
	if err := h.CorrectMaterial(t.Context(), h.owner, store.Entry{}, store.Material{Code: "OO", Name: "Oat oil, cold pressed", Tracked: true, ExpiryCounts: true}, "full name"); err != nil {
		t.Fatal(err)
	}
	if err := h.CorrectFormula(t.Context(), h.owner, store.Entry{}, "OB", "OB bar", "Oat bar, large", "as on the label"); err != nil {
		t.Fatal(err)
	}
	if broken := h.broken(t); len(broken) > 0 {
		t.Errorf("verify: %v", broken)
	}
	page, err := h.Formula(t.Context(), h.owner.Workshop, "OB")
	if err != nil || page.Name != "Oat bar, large" || len(page.History) != 1 || page.History[0].Fields[0].Old != "OB bar" {
		t.Errorf("%q with history %v, %v", page.Name, page.History, err)
	}
	if kind, names := formulaFault(h.CorrectFormula(t.Context(), h.owner, store.Entry{}, "OB", "", "Bar", " ")); kind != fault.Invalid || cmp.Diff([]string{"reason"}, names) != "" {
		t.Errorf("a correction without a reason: %q beside %v", kind, names)
	}
	if kind, _ := formulaFault(h.CorrectFormula(t.Context(), h.owner, store.Entry{}, "OB", "OB bar", "Bar", "shorter")); kind != fault.Conflict {
		t.Errorf("a correction of a name that is another now: %q", kind)
	}
}

func TestAnotherWorkshopsFormulaIsNotThere(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	ctx := t.Context()
	formulaMaterials(t, h)
	other := uuid.Must(uuid.NewV7())
	h.asOwner(t, `INSERT INTO workshop (id, code, name) VALUES ('`+other.String()+`', 'other', 'Fenmarch Workshop')`)
	formula := uuid.Must(uuid.NewV7())
	pgtest.History(t, h.db, other).Do(
		pgtest.Statement{SQL: `INSERT INTO formula (workshop_id, id, code, name, letters, change_id) VALUES ($1, $3, 'ZZ', 'Theirs', 'ZZ', $2)`, Args: []any{formula}},
		pgtest.Statement{SQL: `INSERT INTO formula_version (workshop_id, id, formula_id, number, status, nominal_g, tolerance_pct, reconciliation_pct, yields, change_id) VALUES ($1, $3, $4, 1, 'draft', 100, 1, 1, 'bulk', $2)`, Args: []any{uuid.Must(uuid.NewV7()), formula}},
	)
	for name, ask := range map[string]func() error{
		"read":    func() error { return second(h.FormulaVersion(ctx, h.owner.Workshop, "ZZ", 1)) },
		"page":    func() error { return second(h.Formula(ctx, h.owner.Workshop, "ZZ")) },
		"save":    func() error { return h.SaveDraft(ctx, h.owner, store.Entry{}, "ZZ", formulaWhole()) },
		"approve": func() error { return h.ApproveFormula(ctx, h.owner, store.Entry{}, "ZZ", 1) },
		"begin":   func() error { return second(h.NewVersion(ctx, h.owner, store.Entry{}, "ZZ")) },
		"correct": func() error { return h.CorrectFormula(ctx, h.owner, store.Entry{}, "ZZ", "", "Ours", "why not") },
	} {
		if kind, _ := formulaFault(ask()); kind != fault.NotFound {
			t.Errorf("%s: %q", name, kind)
		}
	}
	formulaDraft(t, h, "OB", "OB", formulaWhole())
	if _, names := formulaFault(h.SaveDraft(ctx, h.owner, store.Entry{}, "OB", formulaBulk("ZZ"))); cmp.Diff([]string{"portions.0.lines.0.kind"}, names) != "" {
		t.Errorf("drawing from it: beside %v", names)
	}
}

func TestSumsSayHowFarADraftIs(t *testing.T) {
	t.Parallel()
	share := func(amounts ...string) store.FormulaVersion {
		v := store.FormulaVersion{NominalG: formulaDec("1000"), Portions: []store.FormulaPortion{{Name: "All", Basis: scaling.Share, Amount: formulaDec("60")}}}
		for _, a := range amounts {
			v.Portions[0].Lines = append(v.Portions[0].Lines, formulaLine("OO", a))
		}
		return v
	}
	weight := share()
	weight.Portions[0].Lines = []store.FormulaLine{{Kind: scaling.KindMaterial, Basis: scaling.Weight, Amount: formulaDec("612.5")}}
	mixed := share("50")
	mixed.Portions[0].Lines = append(mixed.Portions[0].Lines, weight.Portions[0].Lines[0])
	inner := store.FormulaVersion{NominalG: formulaDec("1000"), Portions: []store.FormulaPortion{{Name: "In", Basis: scaling.Inner, Lines: weight.Portions[0].Lines}}}
	cases := map[string]struct {
		version store.FormulaVersion
		words   string
		right   bool
	}{
		"nothing yet":         {share(), "nothing yet", false},
		"2.5 to go":           {share("70", "27.5"), "97.5 of 100 %; 2.5 to go", false},
		"just right":          {share("70", "30"), "100 of 100 %", true},
		"too much":            {share("70", "32"), "102 of 100 %; 2 too much", false},
		"too heavy":           {weight, "612.5 of 600 g; 12.5 too much", false},
		"shares and weights":  {mixed, "partly by share and partly by weight; take one of the two", false},
		"weights in no batch": {inner, "612.5 g together", true},
	}
	for name, c := range cases {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			sum := c.version.Sums().Lines[0]
			if sum.Words(measure.Style{}) != c.words || sum.Right() != c.right {
				t.Errorf("%q, right %v; want %q, %v", sum.Words(measure.Style{}), sum.Right(), c.words, c.right)
			}
		})
	}
}

// A page and a batch of the nominal mass must say the same grams.
func TestSumsAgreeWithScaling(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		v := store.FormulaVersion{NominalG: decimal.NewFromInt(int64(rapid.IntRange(1, 50_000).Draw(t, "nominal")))}
		split := func(label string, of int) []decimal.Decimal {
			n := rapid.IntRange(1, 5).Draw(t, label)
			var parts []decimal.Decimal
			for i := range n {
				part := of
				if i < n-1 {
					part = rapid.IntRange(1, of-(n-1-i)).Draw(t, label)
				}
				parts, of = append(parts, decimal.New(int64(part), -2)), of-part
			}
			return parts
		}
		for i, amount := range split("portions", 10_000) {
			p := store.FormulaPortion{Name: string(rune('A' + i)), Basis: scaling.Share, Amount: amount}
			for j, share := range split("lines", 10_000) {
				l := store.FormulaLine{Kind: scaling.KindMaterial, Basis: scaling.Share, Amount: share}
				if j == 0 {
					l.Kind, l.InnerPortion = scaling.KindPortion, "In"
				}
				p.Lines = append(p.Lines, l)
			}
			v.Portions = append(v.Portions, p)
		}
		in := store.FormulaPortion{Name: "In", Basis: scaling.Inner}
		for _, share := range split("inner", 10_000) {
			in.Lines = append(in.Lines, store.FormulaLine{Kind: scaling.KindMaterial, Basis: scaling.Weight, Amount: share})
		}
		v.Portions = append(v.Portions, in)
		plan, err := scaling.PlanFor(v.Scaling(), v.NominalG, scaling.Scale{ReadabilityG: decimal.New(1, -4)})
		if err != nil {
			t.Fatal(err)
		}
		sums := v.Sums()
		for _, target := range plan.Lines {
			got := sums.LineG[target.Portion][target.Line]
			// Rounding in the plan moves a line by a few of the scale's steps: what is left over, and an inner
			// portion's through all that take of it.
			if !got.Valid || got.Decimal.Sub(target.TargetG).Abs().GreaterThan(formulaDec("0.002")) {
				t.Errorf("portion %d line %d: the page says %s g, the plan %s g", target.Portion, target.Line, got.Decimal, target.TargetG)
			}
		}
	})
}

func TestAFormulaIsFoundByItsWordsCodeAndLetters(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	if _, err := h.AddFormula(t.Context(), h.owner, store.Entry{}, store.NewFormula{Code: "BAR-1", Name: "Crème oat", Letters: "KRM"}); err != nil {
		t.Fatal(err)
	}
	conn := formulaKeys(t, h, "formula")
	if diff := cmp.Diff([]string{"bar1", "creme", "krm", "oat"}, conn); diff != "" {
		t.Error(diff)
	}
}
