package store_test

import (
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/uuid"

	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/pgtest"
	"example.org/stillroom/internal/store"
)

// supplyOf finds what a plan says of one thing.
func supplyOf(t *testing.T, sheet store.PlanSheet, code string) store.Supply {
	t.Helper()
	for _, u := range sheet.Supplies {
		if u.Code == code {
			return u
		}
	}
	t.Fatalf("the plan takes no %s", code)
	return store.Supply{}
}

// orderOf finds a line of what to order.
func orderOf(t *testing.T, o store.Order, code string) store.OrderLine {
	t.Helper()
	for _, l := range o.Lines {
		if l.Code == code {
			return l
		}
	}
	t.Fatalf("%s is not among what is needed", code)
	return store.OrderLine{}
}

func supplyNames(list []store.Supply) string {
	var out []string
	for _, u := range list {
		out = append(out, u.Name)
	}
	return strings.Join(out, ", ")
}

// tins gives oat balm its tin, of which there are so many.
func (h benchShop) tins(n string) {
	h.t.Helper()
	ctx := h.t.Context()
	_, err := h.AddMaterial(ctx, h.owner, store.Entry{}, store.Material{Code: "TIN", Name: "Tin", Kind: "packaging", Unit: "each", Tracked: true})
	h.ok(err)
	h.lot("TIN", "TIN-1", n)
	p, err := h.Product(ctx, h.owner.Workshop, "OB50")
	h.ok(err)
	p.Packaging = []store.ProductPackaging{{MaterialCode: "TIN", PerUnit: benchDec("1")}}
	h.ok(h.CorrectProduct(ctx, h.owner, store.Entry{}, p, "it gets a tin"))
}

func (h benchShop) preview(n store.NewPlan) store.PlanSheet {
	h.t.Helper()
	if n.On.IsZero() {
		n.On = h.today
	}
	sheet, err := h.PreviewPlan(h.t.Context(), h.owner.Workshop, n)
	h.ok(err)
	return sheet
}

// A batch of 1,000 g takes 516 g of oat oil, 224 g of shea butter, 240 g of beeswax and 20 g, or 25 ml, of tocopherol.
func TestWhatOtherPlansAndBegunBatchesNeedIsNotThereForAPlan(t *testing.T) {
	t.Parallel()
	h := newBenchShop(t)
	own := h.plan(store.NewPlan{Formula: "OB", MassG: benchDec("4000")})
	code := h.begun()
	h.ok(h.wax(code, "240"))
	sheet := h.preview(store.NewPlan{Formula: "OB", MassG: benchDec("5000")})
	for name, want := range map[string][4]string{ // needed, on hand, usable, missing
		"OO": {"2580", "5000", "2420", "160"}, // 5000 - 4 × 516 - 516
		"SH": {"1120", "5000", "3880", "0"},   // 5000 - 4 × 224 - 224
		"BW": {"1200", "4760", "3800", "0"},   // 240 are in the bowl; 4760 - 4 × 240
		"TC": {"125", "500", "375", "0"},      // ml
		"WA": {"0", "0", "0", "0"},            // the tap has enough
	} {
		u := supplyOf(t, sheet, name)
		if diff := cmp.Diff(want, [4]string{u.Needed.String(), u.OnHand.String(), u.Usable.String(), u.Missing.String()}); diff != "" {
			t.Errorf("%s: %s", name, diff)
		}
	}
	if got := supplyNames(sheet.Supplies[:1]); got != "Oat oil" {
		t.Errorf("what is missing stands first: %q", got)
	}
	if got := supplyNames(sheet.Missing()); got != "Oat oil" {
		t.Errorf("missing: %q", got)
	}
	// The plan itself is not held against itself.
	mine, err := h.Plan(t.Context(), h.owner.Workshop, own)
	h.ok(err)
	if got := supplyOf(t, mine, "OO").Usable.String(); got != "4484" {
		t.Errorf("for the first plan %s of oat oil are usable, want 5000 - 516", got)
	}
	// A line short of its target beyond the tolerance still needs the rest.
	h.ok(h.Weigh(t.Context(), h.helper, store.Entry{}, store.Weighing{Batch: code, Line: h.line(code, "Base", "Shea butter").ID, Lot: "SH-1", Grams: benchDec("100"), Really: store.Really{Yes: true, Reason: "the rest comes"}}))
	if got := supplyOf(t, h.preview(store.NewPlan{Formula: "OB", MassG: benchDec("1000")}), "SH").Usable.String(); got != "3880" {
		t.Errorf("%s of shea butter are usable, want 4900 - 896 - 124", got)
	}
}

func TestLotsThatMayNotBeUsedByTheDayDoNotCountAndAreNamed(t *testing.T) {
	t.Parallel()
	h := newBenchShop(t)
	h.lot("OO", "OO-2", "300", func(r *store.Receipt) { r.ExpiresOn = h.today.AddDays(5) })
	h.lot("OO", "OO-3", "70", func(r *store.Receipt) { r.Release = false })
	for name, tc := range map[string]struct {
		days           int
		usable, tooFew string
	}{
		"today":       {0, "5300", ""},
		"its last":    {5, "5300", ""},
		"a day later": {6, "5000", "OO-2 300"},
	} {
		u := supplyOf(t, h.preview(store.NewPlan{Formula: "OB", MassG: benchDec("1000"), On: h.today.AddDays(tc.days)}), "OO")
		var named string
		for _, s := range u.TooSoon {
			named = s.Code + " " + s.Left.String()
		}
		if u.Usable.String() != tc.usable || named != tc.tooFew || u.Waiting.String() != "70" {
			t.Errorf("%s: %s usable, %q too soon, %s in quarantine", name, u.Usable, named, u.Waiting)
		}
	}
	// A rejected lot waits for nothing.
	h.ok(h.SetLotStatus(t.Context(), h.owner, store.Entry{}, "OO-3", "rejected", "rancid"))
	if u := supplyOf(t, h.preview(store.NewPlan{Formula: "OB", MassG: benchDec("1000")}), "OO"); !u.Waiting.IsZero() {
		t.Errorf("%s wait", u.Waiting)
	}
}

func TestPackagingIsNeededForPlannedUnitsAndThoseNotPackedYet(t *testing.T) {
	t.Parallel()
	h := newBenchShop(t)
	h.tins("50")
	code, err := h.StartBatch(t.Context(), h.helper, store.Entry{}, store.Start{Plan: h.plan(store.NewPlan{Formula: "OB", Product: "OB50", Units: 20})})
	h.ok(err)
	for name, tc := range map[string]struct {
		n                       store.NewPlan
		needed, usable, missing string
	}{
		"by units":                {store.NewPlan{Formula: "OB", Product: "OB50", Units: 40}, "40", "30", "10"},
		"by mass, as many as fit": {store.NewPlan{Formula: "OB", Product: "OB50", MassG: benchDec("500")}, "10", "30", "0"},
	} {
		u := supplyOf(t, h.preview(tc.n), "TIN")
		if u.Kind != "packaging" || u.Needed.String() != tc.needed || u.Usable.String() != tc.usable || u.Missing.String() != tc.missing {
			t.Errorf("%s: %s needed, %s usable, %s missing", name, u.Needed, u.Usable, u.Missing)
		}
	}
	h.weighAll(code)
	h.ok(h.Mould(t.Context(), h.helper, store.Entry{}, store.Moulding{Batch: code, Units: 18, Really: store.Really{Yes: true, Reason: "some stuck"}}))
	if got := supplyOf(t, h.preview(store.NewPlan{Formula: "OB", Product: "OB50", Units: 40}), "TIN").Usable.String(); got != "32" {
		t.Errorf("of 18 moulded units %s tins are left, want 32", got)
	}
}

func TestMissingBulkIsToBeMadeFirst(t *testing.T) {
	t.Parallel()
	h := newBenchShop(t)
	h.formula("CI", "Calendula infusion", "bulk", func(v *store.FormulaVersion) {
		v.ExpectedLossPct = benchDec("20")
		v.Portions = []store.FormulaPortion{{Name: "Base", Basis: "share", Amount: benchDec("100"), Lines: []store.FormulaLine{benchLine("OO", "100")}}}
	})
	h.formula("CB", "Calendula balm", "units", func(v *store.FormulaVersion) {
		v.Portions = []store.FormulaPortion{{Name: "Base", Basis: "share", Amount: benchDec("100"), Lines: []store.FormulaLine{{Kind: "bulk", BulkFormula: "CI", Basis: "share", Amount: benchDec("80")}, benchLine("BW", "20")}}}
	})
	u := supplyOf(t, h.preview(store.NewPlan{Formula: "CB", MassG: benchDec("1000")}), "CI")
	if u.Kind != "bulk" || u.Missing.String() != "800" || u.MakeG.String() != "1000" {
		t.Errorf("%s g are missing, to be made %s g, want 800 after a loss of 20 %%", u.Missing, u.MakeG)
	}
	h.plan(store.NewPlan{Formula: "CB", MassG: benchDec("1000")})
	h.plan(store.NewPlan{Formula: "CI", MassG: benchDec("600"), On: h.today.AddDays(1)})
	o, err := h.Order(t.Context(), h.owner.Workshop)
	h.ok(err)
	line := orderOf(t, o, "CI")
	if len(line.Coming) != 1 || line.Coming[0].Amount.String() != "600" {
		t.Errorf("what is planned of it: %+v", line.Coming)
	}
	if line.Missing.String() != "800" || line.MakeG.String() != "1000" || len(line.For) != 1 || line.For[0].Name != "Calendula balm" {
		t.Errorf("to make first: %+v", line)
	}
	h.ok(h.RetireFormula(t.Context(), h.owner, store.Entry{}, "CB", 1, "not made any more"))
	h.ok(h.RetireFormula(t.Context(), h.owner, store.Entry{}, "CI", 1, "not made any more"))
	o, err = h.Order(t.Context(), h.owner.Workshop)
	h.ok(err)
	if got := orderOf(t, o, "CI").MakeG; !got.IsZero() {
		t.Errorf("%s g of what nobody can make", got)
	}
}

func TestWhatToOrderIsAddedUpOverAllPlans(t *testing.T) {
	t.Parallel()
	h := newBenchShop(t)
	ctx := t.Context()
	h.tins("10")
	receive := func(supplier, quantity, cost string, daysAgo int) {
		t.Helper()
		r := store.Receipt{Material: "OO", NewSupplier: supplier, Quantity: benchDec(quantity), ReceivedOn: h.today.AddDays(-daysAgo)}
		if cost != "" {
			r.UnitCost = benchMaybe(cost)
		}
		_, err := h.ReceiveLot(ctx, h.owner, store.Entry{}, r)
		h.ok(err)
	}
	receive("Fenmarch Oils", "100", "0.02", 30)
	receive("Sedgebank Trading", "250", "", 20)
	receive("Fenmarch Oils", "150", "0.03", 10)
	if o, err := h.Order(ctx, h.owner.Workshop); err != nil || len(o.Lines) != 0 {
		t.Fatalf("nothing is planned: %v, %v", o.Lines, err)
	}
	first := h.plan(store.NewPlan{Formula: "OB", MassG: benchDec("6000"), On: h.today.AddDays(1)})
	h.plan(store.NewPlan{Formula: "OB", Product: "OB50", Units: 100, On: h.today.AddDays(2)}) // 5,000 g
	code := h.begun()
	o, err := h.Order(ctx, h.owner.Workshop)
	h.ok(err)
	if o.Plans != 2 || o.Batches != 1 || !o.Today.Equal(h.today) {
		t.Errorf("%d plans and %d batches", o.Plans, o.Batches)
	}
	oil := orderOf(t, o, "OO")
	// 12,000 g of balm take 6,192 g; 500 g of it wait in quarantine.
	if oil.Needed.String() != "6192" || oil.Usable.String() != "5000" || oil.Waiting.String() != "500" || oil.Missing.String() != "1192" {
		t.Errorf("oat oil: %s needed, %s usable, %s waiting, %s missing", oil.Needed, oil.Usable, oil.Waiting, oil.Missing)
	}
	var last []string
	for _, d := range oil.Last {
		cost := "?"
		if d.UnitCost.Valid {
			cost = d.UnitCost.Decimal.String()
		}
		last = append(last, strings.TrimSpace(d.SupplierName+" "+d.Quantity.String()+" at "+cost))
	}
	if diff := cmp.Diff([]string{"Fenmarch Oils 150 at 0.03", "Sedgebank Trading 250 at ?", "5000 at ?"}, last); diff != "" {
		t.Error(diff)
	}
	if tins := orderOf(t, o, "TIN"); tins.Needed.String() != "120" || tins.Missing.String() != "110" {
		t.Errorf("tins: %s needed, %s missing", tins.Needed, tins.Missing)
	}
	var by []string
	for _, n := range oil.For {
		by = append(by, n.Batch+n.Name+" "+n.Amount.String())
	}
	if diff := cmp.Diff([]string{code + "Oat balm, 50 g 516", "Oat balm 3096", "Oat balm, 50 g 2580"}, by); diff != "" {
		t.Error(diff)
	}
	var names []string
	for _, l := range o.Lines {
		names = append(names, l.Name)
	}
	if diff := cmp.Diff([]string{"Oat oil", "Tin", "Beeswax", "Shea butter", "Tocopherol"}, names); diff != "" {
		t.Errorf("what is missing stands first, and water not at all: %s", diff)
	}
	// Each gives up what it no longer needs.
	h.ok(h.DropPlan(ctx, h.owner, first))
	o, err = h.Order(ctx, h.owner.Workshop)
	h.ok(err)
	if got := orderOf(t, o, "OO"); got.Needed.String() != "3096" || !got.Missing.IsZero() {
		t.Errorf("after a plan was dropped %s are needed, %s missing", got.Needed, got.Missing)
	}
	if other := newHouse(t); len(mustOrder(t, other).Lines) != 0 {
		t.Error("another workshop orders for this one's plans")
	}
}

func mustOrder(t *testing.T, h house) store.Order {
	t.Helper()
	o, err := h.Order(t.Context(), h.owner.Workshop)
	if err != nil {
		t.Fatal(err)
	}
	return o
}

func TestALotThatRunsOutBeforeItIsNeededIsNamedInWhatToOrder(t *testing.T) {
	t.Parallel()
	h := newBenchShop(t)
	h.lot("OO", "OO-2", "900", func(r *store.Receipt) { r.ExpiresOn = h.today.AddDays(3) })
	h.plan(store.NewPlan{Formula: "OB", MassG: benchDec("10000"), On: h.today.AddDays(9)}) // 5,160 g
	line := orderOf(t, mustOrder(t, h.house), "OO")
	if line.Usable.String() != "5900" || line.Missing.String() != "160" || len(line.TooSoon) != 1 || line.TooSoon[0].Code != "OO-2" {
		t.Errorf("%s usable, %s missing, too soon %v", line.Usable, line.Missing, line.TooSoon)
	}
	// An earlier plan can use it, so that the later one goes short of nothing.
	h.plan(store.NewPlan{Formula: "OB", MassG: benchDec("500"), On: h.today.AddDays(1)})
	if got := orderOf(t, mustOrder(t, h.house), "OO").Missing.String(); got != "160" {
		t.Errorf("%s missing: the early plan took from what lasts", got)
	}
}

func TestABatchSaysWhatTheNextOneLikeItIs(t *testing.T) {
	t.Parallel()
	h := newBenchShop(t)
	ctx, shop := t.Context(), h.owner.Workshop
	code, err := h.StartBatch(ctx, h.helper, store.Entry{}, store.Start{Plan: h.plan(store.NewPlan{Formula: "OB", Product: "OB50", Units: 20}), Place: "Still room", TemperatureC: benchMaybe("20.5"), HumidityPct: benchMaybe("45"), MadeAt: time.Now().Add(-3 * time.Hour)})
	h.ok(err)
	h.ok(h.wax(code, "250", benchReally("slipped")))
	h.ok(h.Mould(ctx, h.helper, store.Entry{}, store.Moulding{Batch: code, Units: 19, At: time.Now().Add(-time.Hour), Really: store.Really{Yes: true, Reason: "the rest was not noted"}}))
	again, err := h.Again(ctx, shop, strings.ToLower(code))
	h.ok(err)
	if diff := cmp.Diff(store.NewPlan{Formula: "OB", Product: "OB50", Units: 20, Place: "Still room"}, again.Plan); diff != "" {
		t.Error(diff)
	}
	if again.Batch != code || again.Then != 1 || again.Now != 1 || again.Gone != "" {
		t.Errorf("%+v", again)
	}
	l := again.Last
	if l.Room == nil || l.Room.TemperatureC.String() != "20.5" || l.ToMould.Round(time.Minute) != 2*time.Hour || len(l.Deviations) < 2 || l.MadeBy != "Ned Fenwick" {
		t.Errorf("what it taught: %+v", l)
	}
	sheet := h.preview(again.Plan)
	if sheet.Last == nil || sheet.Last.Code != code {
		t.Errorf("the plan shows the last making: %+v", sheet.Last)
	}

	// By mass, and with a newer version, and of a product that is no longer sold.
	byMass := h.begun()
	again, err = h.Again(ctx, shop, byMass)
	h.ok(err)
	if again.Plan.Units != 0 || again.Plan.MassG.String() != "1000" || again.Plan.Product != "OB50" {
		t.Errorf("by mass: %+v", again.Plan)
	}
	_, err = h.NewVersion(ctx, h.owner, store.Entry{}, "OB")
	h.ok(err)
	h.ok(h.ApproveFormula(ctx, h.owner, store.Entry{}, "OB", 2))
	p, err := h.Product(ctx, shop, "OB50")
	h.ok(err)
	p.Retired = true
	h.ok(h.CorrectProduct(ctx, h.owner, store.Entry{}, p, "no longer sold"))
	again, err = h.Again(ctx, shop, code)
	h.ok(err)
	if again.Then != 1 || again.Now != 2 || again.Gone != "Oat balm, 50 g" || again.Plan.Product != "" || again.Plan.Units != 0 || !again.Plan.MassG.IsPositive() {
		t.Errorf("after a new version: %+v", again)
	}
	h.ok(h.RetireFormula(ctx, h.owner, store.Entry{}, "OB", 2, "not made any more"))
	if again, err = h.Again(ctx, shop, code); err != nil || again.Now != 0 {
		t.Errorf("nothing is in force: %+v, %v", again, err)
	}
	if _, err := h.Again(ctx, shop, "NOSUCH"); !fault.Is(err, fault.NotFound) {
		t.Errorf("a code that is none: %v", err)
	}
	other := newHouse(t)
	if _, err := other.Again(ctx, other.owner.Workshop, code); !fault.Is(err, fault.NotFound) {
		t.Errorf("a batch of another workshop: %v", err)
	}
}

// A batch of an older book may name no formula: then there is nothing to plan from.
func TestABatchWithoutAFormulaIsNotMadeAgain(t *testing.T) {
	t.Parallel()
	h := newBenchShop(t)
	pgtest.History(t, h.db, uuid.UUID(h.owner.Workshop)).Do(pgtest.Statement{SQL: `INSERT INTO batch (workshop_id, id, code, code_key, origin, status, made_at, made_on, change_id)
		VALUES ($1, gen_random_uuid(), 'HX7', 'HX7', 'history', 'released', now(), current_date, $2)`})
	_, err := h.Again(t.Context(), h.owner.Workshop, "HX7")
	benchFault(t, err, "", "not made by a formula")
}
