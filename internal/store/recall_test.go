package store_test

import (
	"context"
	"strconv"
	"testing"

	"example.org/stillroom/internal/access"
	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/store"
)

// sent dispatches units of a packing to a customer.
func (h unitsShop) recallSent(customer, packing string, units int) string {
	h.t.Helper()
	code, err := h.Dispatch(context.Background(), h.owner, store.Entry{}, store.NewDispatch{Customer: customer, On: h.today, Lines: []store.DispatchLine{{Packing: packing, Units: units}}})
	if err != nil {
		h.t.Fatal(err)
	}
	return code
}

func (h unitsShop) openRecall(n store.NewRecall) int {
	h.t.Helper()
	number, err := h.OpenRecall(context.Background(), h.owner, store.Entry{}, n)
	if err != nil {
		h.t.Fatal(err)
	}
	i, err := strconv.Atoi(number)
	if err != nil {
		h.t.Fatal(err)
	}
	return i
}

func TestARecallFreezesItsListAndBlocksWhatItCovers(t *testing.T) {
	t.Parallel()
	ctx := context.Background()
	h := newUnitsShop(t)
	h.packed("OB-1", 40, 300)
	h.packed("OB-2", 40, 300)
	alder := h.customer("Alder House")
	sent := h.recallSent(alder, "OB-1", 12)
	n := store.NewRecall{From: []store.TraceStart{{Kind: "batch", Code: "OB-1"}}, Level: "consumer", Title: "Rash after use", Reason: "Three customers report a rash."}
	if _, err := h.OpenRecall(ctx, h.helper, store.Entry{}, n); !fault.Is(err, fault.Forbidden) {
		t.Fatalf("a helper opens a recall: %v", err)
	}
	number := h.openRecall(n)
	page, err := h.Recall(ctx, h.owner.Workshop, number)
	if err != nil {
		t.Fatal(err)
	}
	if len(page.Packings) != 1 || page.Packings[0].Code != "OB-1" || page.Packings[0].OnHand != 28 || page.Packings[0].HeldNow != 28 || len(page.Batches) != 1 || !page.Batches[0].Blocked {
		t.Errorf("scope %+v", page)
	}
	lines, err := h.RecallLines(ctx, h.owner.Workshop, number)
	if err != nil {
		t.Fatal(err)
	}
	if len(lines) != 1 || lines[0].CustomerName != "Alder House" || lines[0].Units != 12 || lines[0].Dispatch != sent || lines[0].Gone {
		t.Errorf("list %+v", lines)
	}
	if _, err := h.Dispatch(ctx, h.owner, store.Entry{}, store.NewDispatch{Customer: alder, On: h.today, Lines: []store.DispatchLine{{Packing: "OB-1", Units: 1}}}); !fault.Is(err, fault.Invalid) {
		t.Errorf("a recalled unit leaves: %v", err)
	}
	h.recallSent(alder, "OB-2", 1)
	since, err := h.RecallSince(ctx, h.owner.Workshop, number)
	if err != nil || since.Any() {
		t.Errorf("differs at once: %+v, %v", since, err)
	}
	units, err := h.PackingUnitsAfter(ctx, h.owner.Workshop, "OB-1", "")
	if err != nil || len(units.Holds) != 1 || units.Holds[0].Recall != number {
		t.Fatalf("%+v, %v", units.Holds, err)
	}
	maker := h.helper
	maker.Role = access.Maker
	if err := h.LiftHold(ctx, maker, store.Entry{}, units.Holds[0].ID, "It looks fine."); !fault.Is(err, fault.Forbidden) {
		t.Errorf("a maker lifts a recall's hold: %v", err)
	}
}

func TestADrillFreezesTheSameAndBlocksNothing(t *testing.T) {
	t.Parallel()
	ctx := context.Background()
	h := newUnitsShop(t)
	h.packed("OB-1", 40, 300)
	alder := h.customer("Alder House")
	h.recallSent(alder, "OB-1", 12)
	number := h.openRecall(store.NewRecall{Drill: true, Target: 240, From: []store.TraceStart{{Kind: "packing", Code: "ob1"}}, Level: "stockist", Title: "Yearly drill", Reason: "The yearly drill."})
	h.recallSent(alder, "OB-1", 3)
	since, err := h.RecallSince(ctx, h.owner.Workshop, number)
	if err != nil || len(since.Lines) != 1 || since.Lines[0].Was != 0 || since.Lines[0].Is != 3 || len(since.More)+len(since.Less) != 0 {
		t.Fatalf("%+v, %v", since, err)
	}
	if err := h.ExtendRecall(ctx, h.owner, store.Entry{}, number); err != nil {
		t.Fatal(err)
	}
	lines, err := h.RecallLines(ctx, h.owner.Workshop, number)
	if err != nil || len(lines) != 2 {
		t.Errorf("%+v, %v", lines, err)
	}
}
