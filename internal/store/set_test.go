package store_test

import (
	"strings"
	"sync"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/uuid"

	"example.org/stillroom/internal/batchcode"
	"example.org/stillroom/internal/day"
	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/pgtest"
	"example.org/stillroom/internal/release"
	"example.org/stillroom/internal/store"
)

// setShop is a workshop that sells a gift set of two fizzes and one bar, in a box, from an older book's packings.
type setShop struct {
	packShop
	past *pgtest.Book
}

func newSetShop(t *testing.T) setShop {
	t.Helper()
	return setShopOf(newPackShop(t))
}

func setShopOf(shop packShop) setShop {
	t := shop.t
	t.Helper()
	h := setShop{packShop: shop}
	h.past = pgtest.History(t, h.db, uuid.UUID(h.maker.Workshop))
	h.product("BAR", "Oat bar", "90")
	_, err := h.AddMaterial(t.Context(), h.maker, store.Entry{}, store.Material{Code: "BOX", Name: "Gift box", Kind: "packaging", Unit: "each", Tracked: true})
	packOK(t, err)
	h.lot("BOX", "BOX-1", "20", day.Day{})
	_, err = h.AddProduct(t.Context(), h.maker, store.Entry{}, setGift())
	packOK(t, err)
	return h
}

func setGift() store.Product {
	return store.Product{Code: "GIFT", Name: "Gift set", Letters: "GS", DatePrecision: "day", Parts: []store.ProductPart{{Product: "BF165", PerUnit: 2}, {Product: "BAR", PerUnit: 1}},
		Packaging: []store.ProductPackaging{{MaterialCode: "BOX", PerUnit: packDec("1")}}}
}

// stock adds a packing of an older book that is in date for so many days more.
func (h setShop) stock(code, product string, good, daysLeft int, status string) {
	h.t.Helper()
	p, err := h.Product(h.t.Context(), h.maker.Workshop, product)
	packOK(h.t, err)
	h.past.Batch(code, batchcode.Fold(code), uuid.UUID(p.ID), h.today.AddDays(-60).String(), good, status, h.today.AddDays(daysLeft).String())
}

// three is three sets out of stock that has them.
func (h setShop) three() store.NewSet {
	return store.NewSet{Product: "GIFT", On: h.today, Good: 3, Units: []store.SetUnits{{Packing: "FZ-1", Units: 6}, {Packing: "BR-1", Units: 3}},
		Packaging: []store.PackagingUse{{Material: "BOX", Lot: "BOX-1"}}, Cleared: true, LabelChecked: true, LabelSpecimen: "Gift set"}
}

func (h setShop) stocked() setShop {
	h.t.Helper()
	h.stock("FZ-1", "BF165", 10, 100, "released")
	h.stock("BR-1", "BAR", 10, 200, "released")
	return h
}

func (h setShop) put(n store.NewSet) string {
	h.t.Helper()
	code, err := h.PutTogether(h.t.Context(), h.helper, store.Entry{}, n)
	packOK(h.t, err)
	return code
}

func (h setShop) shelf(code string) int {
	h.t.Helper()
	p, err := h.Packing(h.t.Context(), h.maker.Workshop, code)
	packOK(h.t, err)
	return p.OnHand
}

// opened are the open deviations of a batch, "kind: what".
func (h setShop) opened(code string) []string {
	h.t.Helper()
	var out []string
	for _, d := range h.read(code).Deviations {
		if d.Open() {
			out = append(out, d.Kind+": "+d.What)
		}
	}
	return out
}

func TestASetTakesItsUnitsFromTheirPackings(t *testing.T) {
	t.Parallel()
	h := newSetShop(t).stocked()
	code := h.put(h.three())
	if !strings.HasPrefix(code, "GS-") {
		t.Errorf("code %s does not begin with the set's letters", code)
	}
	b, p := h.read(code), h.packing(code)
	if b.Status != "quarantined" || !b.IsSet() || b.FormulaCode != "" || b.ProductCode != "GIFT" || p.UnitsGood != 3 || p.OnHand != 3 {
		t.Errorf("batch %+v, %d good, %d on hand", b.Batch, p.UnitsGood, p.OnHand)
	}
	if p.BestBefore != h.today.AddDays(100) || !strings.Contains(p.DateReason, "by batch FZ-1") {
		t.Errorf("best before %s: %s", p.BestBefore, p.DateReason)
	}
	if h.shelf("FZ-1") != 4 || h.shelf("BR-1") != 7 {
		t.Errorf("on hand %d and %d, want 4 and 7", h.shelf("FZ-1"), h.shelf("BR-1"))
	}
	if list := h.opened(code); len(list) > 0 {
		t.Errorf("deviations %q", list)
	}
	for _, c := range p.Conditions {
		if c.State == release.Fail {
			t.Errorf("%s: %s", c.Name, c.Words)
		}
	}
	packOK(t, h.ReleasePacking(t.Context(), h.maker, store.Entry{}, code, packPassword, store.SeenHash(p.Conditions)))
	p = h.packing(code)
	if p.Status != "released" || h.read(code).Status != "released" || len(p.Signatures) != 1 || p.Signatures[0].Broken {
		t.Errorf("packing %s, batch %s, signatures %+v", p.Status, h.read(code).Status, p.Signatures)
	}
	h.verified()
}

func TestTheFormForASetPreselectsTheOldestThatMayLeave(t *testing.T) {
	t.Parallel()
	h := newSetShop(t)
	h.stock("FZ-1", "BF165", 4, 200, "released")
	h.stock("FZ-2", "BF165", 3, 100, "released")
	h.stock("FZ-3", "BF165", 9, 50, "quarantined")
	h.stock("BR-1", "BAR", 2, 300, "released")
	sheet, err := h.SetSheet(t.Context(), h.maker.Workshop, "GIFT", 3, h.today)
	packOK(t, err)
	var got []string
	for _, part := range sheet.Parts {
		for i, p := range part.Packings {
			got = append(got, p.Code+" "+store.UnitCount(part.Taken[i]))
		}
		got = append(got, part.Name+" missing "+store.UnitCount(part.Missing))
	}
	want := []string{"FZ-3 0 units", "FZ-2 3 units", "FZ-1 3 units", "Bath fizz, 165 g missing 0 units", "BR-1 2 units", "Oat bar missing 1 unit"}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
	if sheet.BestBefore.Date != h.today.AddDays(100) || len(sheet.Sets) != 1 || len(sheet.Packaging) != 1 {
		t.Errorf("best before %s, %d sets, %d packaging", sheet.BestBefore.Date, len(sheet.Sets), len(sheet.Packaging))
	}
}

func TestWhatIsOffAboutASetIsAskedOnceAndKept(t *testing.T) {
	t.Parallel()
	for name, tc := range map[string]struct {
		before func(setShop)
		change func(*store.NewSet)
		asked  string
		kept   []string
		shelf  int
		fails  []string
	}{
		"not released": {func(h setShop) { h.stock("FZ-2", "BF165", 10, 100, "quarantined") }, func(n *store.NewSet) { n.Units[0].Packing = "FZ-2" },
			"It is not released yet.", []string{"lot: 6 units of FZ-2 (Bath fizz, 165 g) in the sets. It is not released yet."}, 4, []string{"lots", "deviations"}},
		"rejected": {func(h setShop) { h.stock("FZ-2", "BF165", 10, 100, "rejected") }, func(n *store.NewSet) { n.Units[0].Packing = "FZ-2" },
			"It was rejected.", []string{"lot: 6 units of FZ-2 (Bath fizz, 165 g) in the sets. It was rejected."}, 4, []string{"lots", "deviations"}},
		"on hold": {func(h setShop) {
			h.stock("FZ-2", "BF165", 10, 100, "released")
			packOK(h.t, h.PlaceHold(h.t.Context(), h.maker, store.Entry{}, store.NewHold{Packing: "FZ-2", Reason: "smells odd"}))
		}, func(n *store.NewSet) { n.Units[0].Packing = "FZ-2" },
			"on hold", []string{"lot: 6 units of FZ-2 (Bath fizz, 165 g) in the sets. 6 units of it on hold."}, 4, []string{"lots", "deviations"}},
		"out of date": {func(h setShop) { h.stock("FZ-2", "BF165", 10, -1, "released") }, func(n *store.NewSet) { n.Units[0].Packing = "FZ-2" },
			"out of date", nil, 4, []string{"deviations"}},
		"more than the book holds": {func(h setShop) { h.stock("FZ-2", "BF165", 4, 100, "released") }, func(n *store.NewSet) { n.Units[0].Packing = "FZ-2" },
			"2 more than recorded", []string{"lot: 6 units of FZ-2 (Bath fizz, 165 g) in the sets. The book held 4 units: 2 more than recorded."}, 0, []string{"deviations"}},
		"fewer than the sets hold": {func(h setShop) { h.stock("FZ-2", "BF165", 10, 100, "released") }, func(n *store.NewSet) { n.Units[0] = store.SetUnits{Packing: "FZ-2", Units: 5} },
			"5 units taken; 3 sets hold 6", []string{"yield: Bath fizz, 165 g: 5 units taken; 3 sets hold 6."}, 5, []string{"parts", "deviations"}},
		"a part left out": {func(h setShop) { h.stock("FZ-2", "BF165", 10, 100, "released") }, func(n *store.NewSet) { n.Units = []store.SetUnits{{Packing: "FZ-2", Units: 6}} },
			"Oat bar: 0 units taken", []string{"yield: Oat bar: 0 units taken; 3 sets hold 3."}, 4, []string{"parts", "deviations"}},
		"something else in it": {func(h setShop) {
			h.stock("FZ-2", "BF165", 10, 100, "released")
			h.stocked()
			h.product("SOAP", "Round soap", "80")
			h.stock("SO-1", "SOAP", 5, 400, "released")
		}, func(n *store.NewSet) { n.Units = append(n.Units, store.SetUnits{Packing: "SO-1", Units: 3}) },
			"Round soap is not among what the set holds.", []string{"lot: 3 units of SO-1 (Round soap) in the sets. Round soap is not among what the set holds."}, 10, []string{"deviations"}},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			h := newSetShop(t)
			if name != "something else in it" {
				h.stocked()
			}
			tc.before(h)
			n := h.three()
			tc.change(&n)
			_, err := h.PutTogether(t.Context(), h.helper, store.Entry{}, n)
			packFault(t, err, fault.Invalid, "really", tc.asked)
			if h.shelf("FZ-2") == 0 || len(h.setCodes()) > 0 {
				t.Error("something was stored before the answer")
			}
			n.Really = store.Really{Yes: true, Reason: "so it was"}
			code := h.put(n)
			if tc.kept != nil {
				if diff := cmp.Diff(tc.kept, h.opened(code)); diff != "" {
					t.Errorf("deviations (-want +got):\n%s", diff)
				}
			}
			if got := h.shelf("FZ-2"); got != tc.shelf {
				t.Errorf("on hand of FZ-2 %d, want %d", got, tc.shelf)
			}
			var fails []string
			for _, c := range h.packing(code).Conditions {
				if c.State == release.Fail {
					fails = append(fails, c.Key)
				}
			}
			if diff := cmp.Diff(tc.fails, fails); diff != "" {
				t.Errorf("in the way (-want +got):\n%s", diff)
			}
			for _, d := range h.read(code).Deviations {
				packOK(t, h.DecideDeviation(t.Context(), h.maker, store.Entry{}, d.N, "accept", "looked at"))
			}
			open := h.packing(code).Open()
			if want := map[bool]int{true: 1}[name == "rejected"]; open != want {
				t.Errorf("%d in the way once the deviations are accepted, want %d", open, want)
			}
			h.verified()
		})
	}
}

func (h setShop) setCodes() []string {
	h.t.Helper()
	list, _, err := h.Batches(h.t.Context(), h.maker.Workshop, store.AllBatches, store.BatchKey{}, 100)
	packOK(h.t, err)
	var out []string
	for _, b := range list {
		if strings.HasPrefix(b.Code, "GS-") {
			out = append(out, b.Code)
		}
	}
	return out
}

func TestABadSetSaysWhatIsWrongBesideTheField(t *testing.T) {
	t.Parallel()
	h := newSetShop(t).stocked()
	for name, tc := range map[string]struct {
		change       func(*store.NewSet)
		field, words string
	}{
		"no set at all":           {func(n *store.NewSet) { n.Product = "BAR" }, "product", "is no set"},
		"no such product":         {func(n *store.NewSet) { n.Product = "NONE" }, "product", "no product"},
		"none":                    {func(n *store.NewSet) { n.Good = 0 }, "good", "How many sets?"},
		"below none":              {func(n *store.NewSet) { n.Good = -1 }, "good", "Between 0"},
		"a day to come":           {func(n *store.NewSet) { n.On = h.today.AddDays(1) }, "packed_on", "has not come yet"},
		"a year of another age":   {func(n *store.NewSet) { n.On = h.today.AddMonths(-1200) }, "packed_on", "years ago"},
		"no units":                {func(n *store.NewSet) { n.Units = nil }, "units", "Which units"},
		"units below none":        {func(n *store.NewSet) { n.Units[1].Units = -2 }, "units-1", "Between 1"},
		"a code that nothing has": {func(n *store.NewSet) { n.Units[0].Packing = "NONE-1" }, "source-0", "No packing has the code"},
		"units without a code":    {func(n *store.NewSet) { n.Units[0].Packing = " " }, "source-0", "Which code"},
		"the same packing twice":  {func(n *store.NewSet) { n.Units[1].Packing = "fz 1" }, "units-1", "stands here twice"},
		"no lot of the box":       {func(n *store.NewSet) { n.Packaging = nil }, "packaging", "Which lot of Gift box?"},
	} {
		t.Run(name, func(t *testing.T) {
			n := h.three()
			tc.change(&n)
			_, err := h.PutTogether(t.Context(), h.helper, store.Entry{}, n)
			packFault(t, err, fault.Invalid, tc.field, tc.words)
		})
	}
	if h.shelf("FZ-1") != 10 || len(h.setCodes()) > 0 {
		t.Error("something was stored")
	}
}

func TestTheSameSetFormTwiceIsOneSet(t *testing.T) {
	t.Parallel()
	h := newSetShop(t).stocked()
	entry := benchEntry()
	first, err := h.PutTogether(t.Context(), h.helper, entry, h.three())
	packOK(t, err)
	again, err := h.PutTogether(t.Context(), h.helper, entry, h.three())
	packOK(t, err)
	if first != again || len(h.setCodes()) != 1 || h.shelf("FZ-1") != 4 {
		t.Errorf("%s and %s, %v, %d on hand", first, again, h.setCodes(), h.shelf("FZ-1"))
	}
}

func TestTwoWhoTakeTheLastUnitsAreNotBothBelieved(t *testing.T) {
	t.Parallel()
	h := newSetShop(t).stocked() // ten fizzes: one form for six goes through, the other is asked
	var wait sync.WaitGroup
	faults := make([]error, 4)
	for i := range faults {
		wait.Go(func() { _, faults[i] = h.PutTogether(t.Context(), h.helper, store.Entry{}, h.three()) })
	}
	wait.Wait()
	made := 0
	for _, err := range faults {
		if err == nil {
			made++
		} else {
			packFault(t, err, fault.Invalid, "really", "more than recorded")
		}
	}
	if made != 1 || h.shelf("FZ-1") != 4 || len(h.setCodes()) != 1 {
		t.Errorf("%d made, %d on hand, %v", made, h.shelf("FZ-1"), h.setCodes())
	}
	h.verified()
}

func TestASetOfSetsIsAllowedAndACircleIsNot(t *testing.T) {
	t.Parallel()
	h := newSetShop(t).stocked()
	ctx := t.Context()
	code := h.put(h.three())
	packOK(t, h.ReleasePacking(ctx, h.maker, store.Entry{}, code, packPassword, ""))
	_, err := h.AddProduct(ctx, h.maker, store.Entry{}, store.Product{Code: "HAMPER", Name: "Hamper", Letters: "HM", DatePrecision: "month", Parts: []store.ProductPart{{Product: "GIFT", PerUnit: 2}}})
	packOK(t, err)
	hamper, err := h.PutTogether(ctx, h.helper, store.Entry{}, store.NewSet{Product: "HAMPER", On: h.today, Good: 1, Units: []store.SetUnits{{Packing: code, Units: 2}}, Cleared: true, LabelChecked: true, LabelSpecimen: "Hamper"})
	packOK(t, err)
	if p := h.packing(hamper); p.Open() != 0 || p.BestBefore.After(h.today.AddDays(100)) {
		t.Errorf("%d in the way, best before %s", p.Open(), p.BestBefore)
	}
	forward, err := h.TraceBatch(ctx, h.maker.Workshop, "FZ-1")
	packOK(t, err)
	var reached []string
	for _, b := range forward.Batches {
		reached = append(reached, b.Code)
	}
	if diff := cmp.Diff([]string{"FZ-1", code, hamper}, reached); diff != "" {
		t.Errorf("reached (-want +got):\n%s", diff)
	}
	err = h.CorrectSet(ctx, h.maker, store.Entry{}, store.SetCorrection{Batch: code, Reason: "read wrong", Units: []store.SetUnits{{Packing: "FZ-1", Units: 6}, {Packing: hamper, Units: 1}}})
	packFault(t, err, fault.Invalid, "units-1", "cannot contain itself")
	gift := setGift()
	gift.Parts = append(gift.Parts, store.ProductPart{Product: "HAMPER", PerUnit: 1})
	packFault(t, h.CorrectProduct(ctx, h.maker, store.Entry{}, gift, "typed wrong"), fault.Invalid, "parts.2.product", "holds this set itself")
}

func TestCorrectingASetMovesItsUnits(t *testing.T) {
	t.Parallel()
	h := newSetShop(t).stocked()
	ctx := t.Context()
	h.stock("FZ-2", "BF165", 2, 50, "released")
	n := h.three()
	n.Units[0].Packing, n.Really = "FZ-2", store.Really{Yes: true, Reason: "box was fuller"}
	code := h.put(n)
	if h.shelf("FZ-2") != 0 || len(h.opened(code)) != 1 {
		t.Fatalf("on hand %d, deviations %q", h.shelf("FZ-2"), h.opened(code))
	}
	seen := store.SetSeen(h.read(code))
	right := store.SetCorrection{Batch: code, Seen: seen, Reason: "code read wrong", Units: []store.SetUnits{{Packing: "FZ-1", Units: 6}, {Packing: "BR-1", Units: 3}}}
	packOK(t, h.CorrectSet(ctx, h.maker, store.Entry{}, right))
	if h.shelf("FZ-2") != 2 || h.shelf("FZ-1") != 4 || h.shelf("BR-1") != 7 {
		t.Errorf("on hand %d, %d and %d", h.shelf("FZ-2"), h.shelf("FZ-1"), h.shelf("BR-1"))
	}
	if list := h.opened(code); len(list) > 0 {
		t.Errorf("deviations %q", list)
	}
	packFault(t, h.CorrectSet(ctx, h.maker, store.Entry{}, right), fault.Conflict, "", "corrected meanwhile")
	// What keeps shorter than the label says is told; the label does not move.
	h.stock("FZ-3", "BF165", 10, 20, "released")
	shorter := store.SetCorrection{Batch: code, Reason: "it was the older box", Units: []store.SetUnits{{Packing: "FZ-3", Units: 6}, {Packing: "BR-1", Units: 3}}}
	packOK(t, h.CorrectSet(ctx, h.maker, store.Entry{}, shorter))
	if list := h.opened(code); len(list) != 1 || !strings.Contains(list[0], "date: Bath fizz, 165 g FZ-3 in "+code+" is good until") {
		t.Errorf("deviations %q", list)
	}
	packFault(t, h.CorrectSet(ctx, h.helper, store.Entry{}, store.SetCorrection{Batch: code, Reason: "x", Units: shorter.Units}), fault.Invalid, "units", "nothing to correct")
	h.verified()
}

func TestASetTakenApartGivesItsUnitsBack(t *testing.T) {
	t.Parallel()
	h := newSetShop(t).stocked()
	ctx := t.Context()
	code := h.put(h.three())
	packFault(t, h.TakeApart(ctx, h.helper, store.Entry{}, code, " "), fault.Invalid, "reason", "Say why")
	packOK(t, h.TakeApart(ctx, h.helper, store.Entry{}, code, "order was cancelled"))
	if h.shelf("FZ-1") != 10 || h.shelf("BR-1") != 10 || h.shelf(code) != 0 || h.read(code).Status != "void" {
		t.Errorf("on hand %d, %d and %d, status %s", h.shelf("FZ-1"), h.shelf("BR-1"), h.shelf(code), h.read(code).Status)
	}
	if l, err := h.Lot(ctx, h.maker.Workshop, "BOX-1"); err != nil || !l.OnHand.Equal(packDec("20")) {
		t.Errorf("boxes on hand %s, %v", l.OnHand, err)
	}
	packFault(t, h.TakeApart(ctx, h.maker, store.Entry{}, code, "again"), fault.Conflict, "", "taken apart already")
	back, err := h.TraceSources(ctx, h.maker.Workshop, code)
	packOK(t, err)
	if len(back.Lines) > 0 {
		t.Errorf("still made of %v", back.Lines)
	}
	sold := h.put(h.three())
	packOK(t, h.ReleasePacking(ctx, h.maker, store.Entry{}, sold, packPassword, ""))
	customer, err := h.AddCustomer(ctx, h.maker, store.Entry{}, store.Customer{Name: "Harbour Street Pantry", Kind: "stockist"})
	packOK(t, err)
	_, err = h.Dispatch(ctx, h.maker, store.Entry{}, store.NewDispatch{Customer: customer, On: h.today, Lines: []store.DispatchLine{{Packing: sold, Units: 1}}})
	packOK(t, err)
	packFault(t, h.TakeApart(ctx, h.maker, store.Entry{}, sold, "changed my mind"), fault.Conflict, "", "1 unit of "+sold+" have left")
	h.verified()
}

func TestTheSourcesOfASetNameItsPackings(t *testing.T) {
	t.Parallel()
	h := newSetShop(t).stocked()
	code := h.put(h.three())
	back, err := h.TraceSources(t.Context(), h.maker.Workshop, code)
	packOK(t, err)
	var got []string
	for _, l := range back.Lines {
		got = append(got, l.SourcePacking+l.MaterialLot+" "+l.Quantity.String()+" "+l.Unit)
	}
	if diff := cmp.Diff([]string{"BR-1 3 each", "FZ-1 6 each", "BOX-1 3 each"}, got); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
}

func TestASetHasLettersOfItsOwnAndNoFormula(t *testing.T) {
	t.Parallel()
	h := newSetShop(t)
	ctx := t.Context()
	for name, tc := range map[string]struct {
		change       func(*store.Product)
		field, words string
	}{
		"letters of a formula": {func(p *store.Product) { p.Letters = "BF" }, "letters", "A formula has these letters"},
		"letters of a set":     {func(p *store.Product) { p.Letters = "GS" }, "letters", "Another set has these letters"},
		"no letters":           {func(p *store.Product) { p.Letters = "" }, "letters", "One to four letters"},
		"a formula":            {func(p *store.Product) { p.FormulaCode = "BF" }, "formula", "no formula"},
		"no such part":         {func(p *store.Product) { p.Parts[1].Product = "NONE" }, "parts.1.product", "There is no product"},
		"a part twice":         {func(p *store.Product) { p.Parts[1].Product = "BF165" }, "parts.1.product", "twice"},
		"none of a part":       {func(p *store.Product) { p.Parts[0].PerUnit = 0 }, "parts.0.per_unit", "Between 1"},
		"itself":               {func(p *store.Product) { p.Parts[0].Product = "TWO" }, "parts.0.product", "cannot hold itself"},
		"letters and no parts": {func(p *store.Product) { p.Parts, p.ShelfLifeMonths, p.ShelfLifeFrom = nil, 12, "made" }, "letters", "Only a set has letters"},
	} {
		t.Run(name, func(t *testing.T) {
			p := setGift()
			p.Code, p.Letters = "TWO", "TW"
			tc.change(&p)
			_, err := h.AddProduct(ctx, h.maker, store.Entry{}, p)
			packFault(t, err, fault.Invalid, tc.field, tc.words)
		})
	}
	_, err := h.AddFormula(ctx, h.maker, store.Entry{}, store.NewFormula{Code: "GX", Name: "Green soap", Letters: "GS"})
	packFault(t, err, fault.Invalid, "letters", "Another set has these letters")
	h.stocked()
	h.put(h.three())
	p := setGift()
	p.Letters = "GG"
	packFault(t, h.CorrectProduct(ctx, h.maker, store.Entry{}, p, "nicer"), fault.Invalid, "letters", "put together already")
	p = setGift()
	p.Parts[0].PerUnit = 3
	packOK(t, h.CorrectProduct(ctx, h.maker, store.Entry{}, p, "three from now on"))
	page, err := h.ProductPage(ctx, h.maker.Workshop, "GIFT")
	packOK(t, err)
	want := []store.FieldChange{{Field: "In one set, Bath fizz, 165 g", Old: "2", New: "3"}}
	if len(page.History) != 1 || cmp.Diff(want, page.History[0].Fields) != "" || page.Parts[0].PerUnit != 3 {
		t.Errorf("history %+v, parts %+v", page.History, page.Parts)
	}
}

func TestWhatIsOnlyForAMakingIsRefusedForASet(t *testing.T) {
	t.Parallel()
	h := newSetShop(t).stocked()
	ctx := t.Context()
	code := h.put(h.three())
	in := h.read(code).Additions[0]
	for name, err := range map[string]error{
		"a weighing corrected": h.CorrectInput(ctx, h.maker, store.Entry{}, store.Correction{Batch: code, Input: in.ID, Grams: packDec("5"), Reason: "typed wrong"}),
		"something weighed in": h.Weigh(ctx, h.maker, store.Entry{}, store.Weighing{Batch: code, Lot: "SB-1", Grams: packDec("5")}),
		"a yield explained":    h.ExplainYield(ctx, h.maker, store.Entry{}, store.YieldNote{Batch: code, LeftOverG: packSome("5")}),
		"packing finished":     h.FinishPacking(ctx, h.maker, store.Entry{}, store.Finish{Batch: code}),
		"packing taken up":     h.ReopenPacking(ctx, h.maker, store.Entry{}, code, "one more"),
		"leave to work it in":  h.SignRework(ctx, h.maker, store.Entry{}, reworkLeave(code, "5"), packPassword),
		"what is no set":       h.CorrectSet(ctx, h.maker, store.Entry{}, store.SetCorrection{Batch: "FZ-1", Reason: "typed wrong"}),
	} {
		if f := fault.As(err); f == nil || f.Kind != fault.Conflict && f.Kind != fault.NotFound {
			t.Errorf("%s: %v", name, err)
		}
	}
	if h.shelf("FZ-1") != 4 || len(h.read(code).Inputs()) != 2 {
		t.Errorf("on hand %d, inputs %+v", h.shelf("FZ-1"), h.read(code).Inputs())
	}
}

func TestWhatHappensToASourceLaterIsToldOfItsSets(t *testing.T) {
	t.Parallel()
	h := newSetShop(t).stocked()
	ctx := t.Context()
	lot, err := h.Lot(ctx, h.maker.Workshop, "CA-1")
	packOK(t, err)
	h.past.Draw(uuid.UUID(h.read("FZ-1").ID), uuid.UUID(lot.ID), 300)
	code := h.put(h.three())
	label := h.packing(code).Printed
	packOK(t, h.PlaceHold(ctx, h.maker, store.Entry{}, store.NewHold{Packing: "BR-1", Reason: "a complaint"}))
	if c := h.packing(code).Conditions[0]; c.State != release.Fail || !strings.Contains(c.Words, "Oat bar BR-1 is on hold") {
		t.Errorf("while the source is on hold: %s %q", c.State, c.Words)
	}
	packOK(t, h.CorrectLot(ctx, h.maker, store.Entry{}, store.LotCorrection{Code: "CA-1", ReceivedOn: lot.ReceivedOn, ExpiresOn: h.today.AddDays(10), Quantity: lot.Quantity}, "read the wrong line"))
	var told []string
	for _, d := range h.opened(code) {
		if strings.HasPrefix(d, "date: Lot CA-1 now expires on") && strings.Contains(d, "the labels of "+code) {
			told = append(told, d)
		}
	}
	if len(told) != 1 || h.packing(code).Printed != label {
		t.Errorf("told %q, the label says %q", h.opened(code), h.packing(code).Printed)
	}
	packOK(t, h.SetLotStatus(ctx, h.owner, store.Entry{}, "CA-1", "rejected", "withdrawn by its maker"))
	if c := h.packing(code).Conditions[0]; !strings.Contains(c.Words, "CA-1 is rejected") {
		t.Errorf("with a rejected lot in its source: %q", c.Words)
	}
}
