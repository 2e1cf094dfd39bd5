package store_test

import (
	"testing"

	"github.com/shopspring/decimal"

	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/store"
)

// bulkOil is 500 g of an infusion, released, of which 200 g went into a balm.
func (h packShop) bulkOil() string {
	h.t.Helper()
	ctx := h.t.Context()
	_, err := h.AddFormula(ctx, h.maker, store.Entry{}, store.NewFormula{Code: "IN", Name: "Infused soda", Letters: "IN", Yields: "bulk"})
	packOK(h.t, err)
	v, err := h.FormulaVersion(ctx, h.maker.Workshop, "IN", 1)
	packOK(h.t, err)
	v.BulkMonths = 6
	v.Portions = []store.FormulaPortion{{Name: "All", Basis: "share", Amount: packDec("100"), Lines: []store.FormulaLine{{Kind: "material", MaterialCode: "SB", Basis: "share", Amount: packDec("100")}}}}
	packOK(h.t, h.SaveDraft(ctx, h.maker, store.Entry{}, "IN", v))
	packOK(h.t, h.ApproveFormula(ctx, h.maker, store.Entry{}, "IN", 1))
	plan, err := h.MakePlan(ctx, h.maker, store.NewPlan{Formula: "IN", MassG: packDec("500"), On: h.today})
	packOK(h.t, err)
	code, err := h.StartBatch(ctx, h.maker, store.Entry{}, store.Start{Plan: plan, TemperatureC: packSome("20"), HumidityPct: packSome("45")})
	packOK(h.t, err)
	packOK(h.t, h.Weigh(ctx, h.maker, store.Entry{}, store.Weighing{Batch: code, Line: h.read(code).Lines[0].ID, Lot: "SB-1", Grams: packDec("500")}))
	packOK(h.t, h.Mould(ctx, h.maker, store.Entry{}, store.Moulding{Batch: code}))
	packOK(h.t, h.NoteBulkReady(ctx, h.maker, store.Entry{}, store.BulkReady{Batch: code, Grams: packDec("500")}))
	packOK(h.t, h.DecideBulk(ctx, h.maker, store.Entry{}, code, packPassword, "", true, ""))
	packOK(h.t, h.Weigh(ctx, h.maker, store.Entry{}, store.Weighing{Batch: h.begunFizz(), SourceBatch: code, Grams: packDec("200"), Really: store.Really{Yes: true, Reason: "trial"}}))
	return code
}

func (h packShop) bulkLeft(code string) decimal.Decimal {
	h.t.Helper()
	left, err := h.BulkLeft(h.t.Context(), h.maker.Workshop, code)
	packOK(h.t, err)
	return left.LeftG
}

func TestBulkIsThrownAwayAndWeighedAgain(t *testing.T) {
	t.Parallel()
	h := newPackShop(t)
	ctx := t.Context()
	code := h.bulkOil()
	if got := h.bulkLeft(code); !got.Equal(packDec("300")) {
		t.Fatalf("left %s, want 300", got)
	}
	for name, tc := range map[string]struct {
		move         store.NewBulkMove
		field, words string
	}{
		"more than there is":    {store.NewBulkMove{Reason: "thrown_away", Grams: packDec("301"), Note: "spilt"}, "grams", "holds only 300"},
		"nothing":               {store.NewBulkMove{Reason: "thrown_away", Note: "spilt"}, "grams", "more than 0"},
		"no reason":             {store.NewBulkMove{Grams: packDec("1"), Note: "spilt"}, "reason", "Choose"},
		"no words":              {store.NewBulkMove{Reason: "count", Grams: packDec("1")}, "note", "Say why"},
		"the same as the book":  {store.NewBulkMove{Reason: "count", Grams: packDec("300"), Note: "weighed"}, "grams", "nothing to record"},
		"below nothing":         {store.NewBulkMove{Reason: "count", Grams: packDec("-1"), Note: "weighed"}, "grams", "Write 0 or more"},
		"against another count": {store.NewBulkMove{Reason: "count", Grams: packDec("1"), Note: "weighed", Seen: packSome("500")}, "grams", "The book held 500"},
		"a day to come":         {store.NewBulkMove{Reason: "thrown_away", Grams: packDec("1"), Note: "spilt", On: h.today.AddDays(1)}, "moved_on", "not come yet"},
		"before it was made":    {store.NewBulkMove{Reason: "thrown_away", Grams: packDec("1"), Note: "spilt", On: h.today.AddDays(-1)}, "moved_on", "made only"},
	} {
		t.Run(name, func(t *testing.T) {
			tc.move.Batch = code
			packFault(t, h.MoveBulk(ctx, h.helper, store.Entry{}, tc.move), fault.Invalid, tc.field, tc.words)
		})
	}
	packOK(t, h.MoveBulk(ctx, h.helper, store.Entry{}, store.NewBulkMove{Batch: code, Reason: "thrown_away", Grams: packDec("250"), Note: "turned"}))
	list, err := h.BulkFor(ctx, h.maker.Workshop, "IN")
	packOK(t, err)
	if len(list) != 1 || !list[0].LeftG.Equal(packDec("50")) {
		t.Fatalf("to draw on: %+v", list)
	}
	packOK(t, h.MoveBulk(ctx, h.helper, store.Entry{}, store.NewBulkMove{Batch: code, Reason: "count", Grams: decimal.Zero, Note: "scraped out, the pot is empty", Seen: packSome("50")}))
	if list, err = h.BulkFor(ctx, h.maker.Workshop, "IN"); err != nil || len(list) > 0 {
		t.Errorf("an empty pot is still offered: %+v, %v", list, err)
	}
	left, err := h.BulkLeft(ctx, h.maker.Workshop, code)
	packOK(t, err)
	packOK(t, h.WithdrawBulkMove(ctx, h.helper, store.Entry{}, code, left.Moves[0].ID, "only half of it"))
	packFault(t, h.WithdrawBulkMove(ctx, h.helper, store.Entry{}, code, left.Moves[0].ID, "again"), fault.Conflict, "", "already")
	if got := h.bulkLeft(code); !got.Equal(packDec("250")) {
		t.Errorf("left %s, want 250", got)
	}
	if _, err := h.BulkLeft(ctx, h.maker.Workshop, h.begunFizz()); !fault.Is(err, fault.Conflict) {
		t.Errorf("what gives units: %v", err)
	}
	h.verified()
}

func TestMoreBulkThanTheBookHoldsIsBookedAndFollowsACorrection(t *testing.T) {
	t.Parallel()
	h := newPackShop(t)
	ctx := t.Context()
	code, into := h.bulkOil(), h.begunFizz()
	w := store.Weighing{Batch: into, SourceBatch: code, Grams: packDec("320")}
	if f := fault.As(h.Weigh(ctx, h.maker, store.Entry{}, w)); f == nil || f.Of("really") == "" {
		t.Errorf("320 g of 300 g: %v, want a question", f)
	}
	if got := h.bulkLeft(code); !got.Equal(packDec("300")) {
		t.Errorf("after the question %s are left", got)
	}
	w.Really = store.Really{Yes: true, Reason: "the pot was fuller"}
	packOK(t, h.Weigh(ctx, h.maker, store.Entry{}, w))
	if got := h.bulkLeft(code); !got.IsZero() {
		t.Errorf("after 320 g of 300 g %s are left, want 0", got)
	}
	input := h.read(into).Inputs()[0].ID
	packOK(t, h.CorrectInput(ctx, h.maker, store.Entry{}, store.Correction{Batch: into, Input: input, Grams: packDec("120"), Reason: "misread", Really: store.Really{Yes: true, Reason: "misread"}}))
	if got := h.bulkLeft(code); !got.Equal(packDec("180")) {
		t.Errorf("corrected to 120 g, %s are left, want 180", got)
	}
	left, err := h.BulkLeft(ctx, h.maker.Workshop, code)
	packOK(t, err)
	if len(left.Moves) != 1 || !left.Moves[0].Replaced || !left.Moves[0].Grams.Equal(packDec("20")) {
		t.Errorf("moves: %+v", left.Moves)
	}
}
