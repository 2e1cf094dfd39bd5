package store_test

import (
	"context"
	"slices"
	"strings"
	"sync"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/uuid"
	"github.com/shopspring/decimal"

	"example.org/stillroom/internal/day"
	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/store"
)

func tubOf(lot, quantity string) store.TubDraw {
	return store.TubDraw{Lot: lot, Quantity: benchDec(quantity)}
}

// tubFilled is oat oil in a tub.
func (h benchShop) tubFilled(name string, from ...store.TubDraw) string {
	h.t.Helper()
	code, err := h.FillTub(h.t.Context(), h.helper, store.Entry{}, store.TubFill{Tub: name, Material: "OO", From: from, Really: store.Really{Yes: true, Reason: "it was at hand"}})
	h.ok(err)
	return code
}

func (h benchShop) tubLot(code string) store.LotPage {
	h.t.Helper()
	l, err := h.Lot(h.t.Context(), h.owner.Workshop, code)
	h.ok(err)
	return l
}

// tubExpires makes a lot expire so many days from today; 0 is not stated.
func (h benchShop) tubExpires(days int) func(*store.Receipt) {
	return func(r *store.Receipt) {
		r.ExpiresOn = day.Day{}
		if days != 0 {
			r.ExpiresOn = h.today.AddDays(days)
		}
	}
}

func tubQuarantined(r *store.Receipt) { r.Release = false }

func (h benchShop) tubSound() {
	h.t.Helper()
	if broken := h.broken(h.t); len(broken) > 0 {
		h.t.Errorf("verify: %v", broken)
	}
}

func TestATubIsALotDrawnFromOthersUntilItIsWashed(t *testing.T) {
	t.Parallel()
	h := newBenchShop(t)
	ctx := t.Context()
	h.lot("OO", "OO-2", "1000", h.tubExpires(90), func(r *store.Receipt) { r.RetestOn = h.today.AddDays(40) })
	h.lot("OO", "OO-3", "1000", h.tubExpires(0), func(r *store.Receipt) { r.RetestOn = h.today.AddDays(60) })
	code, err := h.FillTub(ctx, h.helper, store.Entry{}, store.TubFill{Tub: "Blue drum", Material: "OO", From: []store.TubDraw{tubOf("OO-1", "300"), tubOf("OO-3", "200")}})
	h.ok(err)
	tub := h.tubLot(code)
	if tub.Tub != "Blue drum" || tub.Status != "released" || !tub.OnHand.Equal(benchDec("500")) || tub.ExpiresOn != h.today.AddDays(730) || tub.RetestOn != h.today.AddDays(60) {
		t.Errorf("filled: %+v", tub.Lot)
	}
	if h.onHand("OO-1") != "4700" || h.onHand("OO-3") != "800" {
		t.Errorf("left in the lots: %s and %s", h.onHand("OO-1"), h.onHand("OO-3"))
	}
	benchFault(t, tubErr(h.FillTub(ctx, h.helper, store.Entry{}, store.TubFill{Tub: "blue DRUM", Material: "OO", From: []store.TubDraw{tubOf("OO-1", "1")}})), "tub", "Lot "+code+" stands in it")

	h.ok(h.TopUpTub(ctx, h.helper, store.Entry{}, store.TopUp{Lot: code, From: []store.TubDraw{tubOf("OO-2", "100")}}))
	tub = h.tubLot(code)
	if !tub.OnHand.Equal(benchDec("600")) || tub.ExpiresOn != h.today.AddDays(90) || tub.RetestOn != h.today.AddDays(40) {
		t.Errorf("topped up from what expires earlier: %s g, %s, %s", tub.OnHand, tub.ExpiresOn, tub.RetestOn)
	}
	if why := tub.History[len(tub.History)-1]; why.Kind != "correct" || !strings.HasPrefix(why.Reason, "Topped up from OO-2") {
		t.Errorf("the trail says %+v", why)
	}
	var from []string
	for _, f := range tub.FilledFrom {
		from = append(from, f.Lot.Code+" "+f.Quantity.String())
	}
	if diff := cmp.Diff([]string{"OO-1 300", "OO-3 200", "OO-2 100"}, from); diff != "" {
		t.Errorf("filled from:\n%s", diff)
	}
	if source := h.tubLot("OO-2"); len(source.WentInto) != 1 || source.WentInto[0].Lot.Code != code || source.OpenedOn != h.today {
		t.Errorf("the lot does not say where it went: %+v", source.WentInto)
	}
	list, _, err := h.Tubs(ctx, h.owner.Workshop, "", 50)
	h.ok(err)
	if len(list) != 1 || !slices.Equal(list[0].From, []string{"OO-1", "OO-2", "OO-3"}) {
		t.Errorf("the tubs: %+v", list)
	}

	// Emptied and not washed it is the same lot still; washed it is free.
	empty := store.TubEmptied{Lot: code, Rest: "away", Note: "rancid at the rim"}
	h.ok(h.EmptyTub(ctx, h.helper, store.Entry{}, empty))
	h.ok(h.TopUpTub(ctx, h.helper, store.Entry{}, store.TopUp{Lot: code, From: []store.TubDraw{tubOf("OO-1", "50")}}))
	if tub = h.tubLot(code); !tub.EmptiedOn.IsZero() || !tub.OnHand.Equal(benchDec("50")) {
		t.Errorf("filled again without washing: emptied %s, %s g", tub.EmptiedOn, tub.OnHand)
	}
	h.ok(h.EmptyTub(ctx, h.helper, store.Entry{}, store.TubEmptied{Lot: code, Washed: true, Rest: "gone", Note: "clung to the walls"}))
	tub = h.tubLot(code)
	if tub.WashedOn != h.today || !tub.OnHand.IsZero() {
		t.Errorf("washed: %s, %s g", tub.WashedOn, tub.OnHand)
	}
	var notes []string
	for _, e := range tub.Entries {
		if e.Note != "" {
			notes = append(notes, e.What+" "+e.Quantity.String()+" "+e.Note)
		}
	}
	if diff := cmp.Diff([]string{"written off -600 thrown away when the tub was emptied: rancid at the rim", "adjusted -50 not there when the tub was emptied: clung to the walls"}, notes); diff != "" {
		t.Errorf("what was left is booked with its words:\n%s", diff)
	}
	if err := h.TopUpTub(ctx, h.helper, store.Entry{}, store.TopUp{Lot: code, From: []store.TubDraw{tubOf("OO-1", "1")}}); !fault.Is(err, fault.Conflict) {
		t.Errorf("topping up what was washed: %v", err)
	}
	if next := h.tubFilled("Blue drum", tubOf("OO-1", "10")); next == code {
		t.Error("after washing it is another lot")
	}
	// Now that the tub is another lot's, the old one cannot be put back into it.
	if err := h.ReopenTub(ctx, h.owner, store.Entry{}, code, "it was another drum"); !fault.Is(err, fault.Conflict) {
		t.Errorf("reopening a tub that was filled anew: %v", err)
	}
	h.tubSound()
}

func tubErr[T any](_ T, err error) error { return err }

func TestATubNotedAsEmptyByMistakeStandsThereAgain(t *testing.T) {
	t.Parallel()
	h := newBenchShop(t)
	code := h.tubFilled("Crock", tubOf("OO-1", "300"))
	h.ok(h.EmptyTub(t.Context(), h.helper, store.Entry{}, store.TubEmptied{Lot: code, Washed: true, Rest: "gone", Note: "x"}))
	h.ok(h.ReopenTub(t.Context(), h.owner, store.Entry{}, code, "it was the other crock"))
	tub := h.tubLot(code)
	if !tub.WashedOn.IsZero() || !tub.EmptiedOn.IsZero() {
		t.Errorf("emptied %s, washed %s", tub.EmptiedOn, tub.WashedOn)
	}
	if err := h.ReopenTub(t.Context(), h.owner, store.Entry{}, code, "again"); !fault.Is(err, fault.Conflict) {
		t.Errorf("twice: %v", err)
	}
}

func TestWhatIsNotFitIsAskedOnceAndThenInTheTub(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		name, asked, status string
		draw                string
		deviations          int
		set                 func(h benchShop)
	}{
		{"a lot in quarantine", "Lot OO-2 is still in quarantine.", "quarantined", "100", 1, func(h benchShop) { h.lot("OO", "OO-2", "500", tubQuarantined) }},
		{"an expired lot", "Lot OO-2 expired on", "released", "100", 1, func(h benchShop) { h.lot("OO", "OO-2", "500", h.tubExpires(-1)) }},
		{"a rejected lot", "Lot OO-2 was rejected and may not be used.", "rejected", "100", 1, func(h benchShop) {
			h.lot("OO", "OO-2", "500")
			h.ok(h.SetLotStatus(h.t.Context(), h.owner, store.Entry{}, "OO-2", "rejected", "smells of paint"))
		}},
		{"a lot in a recall", "Lot OO-2 is in a recall and may not be used.", "rejected", "100", 1, func(h benchShop) {
			h.lot("OO", "OO-2", "500")
			h.tubRecall("OO-2")
		}},
		{"more than the book holds", "The book holds 500 g of lot OO-2.", "released", "600", 0, func(h benchShop) { h.lot("OO", "OO-2", "500") }},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			h := newBenchShop(t)
			c.set(h)
			fill := store.TubFill{Tub: "Crock", Material: "OO", From: []store.TubDraw{tubOf("OO-1", "200"), tubOf("OO-2", c.draw)}}
			before := h.counts()
			benchFault(t, tubErr(h.FillTub(t.Context(), h.helper, store.Entry{}, fill)), "really", c.asked)
			fill.Really.Yes = true
			benchFault(t, tubErr(h.FillTub(t.Context(), h.helper, store.Entry{}, fill)), "reason", "Say how it came about")
			if diff := cmp.Diff(before, h.counts()); diff != "" {
				t.Errorf("asking stored something:\n%s", diff)
			}
			fill.Really.Reason = "poured before I looked"
			code, err := h.FillTub(t.Context(), h.helper, store.Entry{}, fill)
			h.ok(err)
			tub := h.tubLot(code)
			if tub.Status != c.status || len(tub.Deviations) != c.deviations {
				t.Errorf("the tub is %s with %d deviations", tub.Status, len(tub.Deviations))
			}
			for _, d := range tub.Deviations {
				if !strings.Contains(d.What, c.asked) || d.Lot != code || d.Reason != "poured before I looked" {
					t.Errorf("deviation: %+v", d)
				}
			}
			if left := h.tubLot("OO-2").OnHand; left.IsNegative() {
				t.Errorf("%s g are left in the lot", left)
			}
			h.tubSound()
		})
	}
}

// tubRecall flags a lot as in a recall, as an open one does.
func (h benchShop) tubRecall(code string) {
	h.t.Helper()
	h.asOwner(h.t, `ALTER TABLE material_lot DISABLE TRIGGER USER`, `UPDATE material_lot SET recalled = true WHERE code = '`+code+`'`, `ALTER TABLE material_lot ENABLE TRIGGER USER`)
}

func TestARejectedLotTakesEveryTubThatHoldsItAlong(t *testing.T) {
	t.Parallel()
	h := newBenchShop(t)
	ctx := t.Context()
	h.lot("OO", "OO-2", "1000")
	first := h.tubFilled("First", tubOf("OO-2", "500"))
	second := h.tubFilled("Second", tubOf(first, "200"), tubOf("OO-1", "100"))
	apart := h.tubFilled("Apart", tubOf("OO-1", "100"))
	status := func(codes ...string) (out []string) {
		for _, c := range codes {
			out = append(out, h.tubLot(c).Status)
		}
		return out
	}
	h.ok(h.SetLotStatus(ctx, h.owner, store.Entry{}, "OO-2", "rejected", "recalled by the press"))
	if got := status(first, second, apart, "OO-1"); !slices.Equal(got, []string{"rejected", "rejected", "released", "released"}) {
		t.Errorf("the tubs are %v", got)
	}
	source := h.tubLot("OO-2")
	if len(source.HeldIn) != 2 || source.HeldIn[0].Code != first || source.HeldIn[1].Code != second {
		t.Errorf("the lot names the tubs that hold it: %+v", source.HeldIn)
	}
	// Nothing that a tub's user signs makes it fit.
	if err := h.SetLotStatus(ctx, h.owner, store.Entry{}, second, "released", "I want it"); !fault.Is(err, fault.Conflict) || !strings.Contains(err.Error(), "OO-2") {
		t.Errorf("releasing a tub that holds a rejected lot: %v", err)
	}
	// Taken back, the lot takes no tub back with it.
	h.ok(h.SetLotStatus(ctx, h.owner, store.Entry{}, "OO-2", "quarantined", "it was another pressing"))
	if got := status(first, second); !slices.Equal(got, []string{"rejected", "rejected"}) {
		t.Errorf("after taking the lot back the tubs are %v", got)
	}
	h.ok(h.SetLotStatus(ctx, h.owner, store.Entry{}, first, "quarantined", "looked at"))
	if err := h.SetLotStatus(ctx, h.owner, store.Entry{}, first, "released", ""); !fault.Is(err, fault.Conflict) || !strings.Contains(err.Error(), "still in quarantine") {
		t.Errorf("releasing a tub whose lot waits: %v", err)
	}
	h.ok(h.SetLotStatus(ctx, h.owner, store.Entry{}, "OO-2", "released", ""))
	h.ok(h.SetLotStatus(ctx, h.owner, store.Entry{}, first, "released", ""))
	// Back in quarantine it takes its released tubs along.
	h.ok(h.SetLotStatus(ctx, h.owner, store.Entry{}, "OO-2", "quarantined", "a doubt"))
	if got := status(first, second); !slices.Equal(got, []string{"quarantined", "rejected"}) {
		t.Errorf("after a doubt the tubs are %v", got)
	}
	h.tubSound()
}

func TestATubThatHoldsARecalledLotMayNotBeUsed(t *testing.T) {
	t.Parallel()
	h := newBenchShop(t)
	first := h.tubFilled("First", tubOf("OO-1", "500"))
	second := h.tubFilled("Second", tubOf(first, "200"))
	h.tubRecall("OO-1")
	tub := h.tubLot(second)
	if !slices.Equal(tub.Holds, []string{"OO-1"}) || tub.Fit(h.today) {
		t.Errorf("the tub holds %v and is fit: %t", tub.Holds, tub.Fit(h.today))
	}
	choices, err := h.LotsFor(t.Context(), h.owner.Workshop, "OO", h.today)
	h.ok(err)
	for _, c := range choices {
		if len(c.Unfit) == 0 {
			t.Errorf("%s is offered as fit", c.Code)
		}
	}
	stock, err := h.MaterialPage(t.Context(), h.owner.Workshop, "OO", "", "")
	h.ok(err)
	if !stock.OnHand.IsZero() {
		t.Errorf("%s g of it are said to be fit to use", stock.OnHand)
	}
	code := h.begun()
	w := store.Weighing{Batch: code, Line: h.line(code, "Base", "Oat oil").ID, Lot: second, Grams: h.line(code, "Base", "Oat oil").TargetG}
	benchFault(t, h.Weigh(t.Context(), h.helper, store.Entry{}, w), "really", "holds what was rejected or recalled and may not be used: lot OO-1")
}

func TestATubIsWeighedFromLikeALotAndTracedThrough(t *testing.T) {
	t.Parallel()
	h := newBenchShop(t)
	ctx := t.Context()
	h.lot("OO", "OO-2", "1000")
	tub := h.tubFilled("Crock", tubOf("OO-1", "500"))
	code := h.begun()
	line := h.line(code, "Base", "Oat oil")
	h.ok(h.Weigh(ctx, h.helper, store.Entry{}, store.Weighing{Batch: code, Line: line.ID, Lot: tub, Grams: line.TargetG}))
	// Topped up after the batch: it is listed all the same, to be on the safe side.
	h.ok(h.TopUpTub(ctx, h.helper, store.Entry{}, store.TopUp{Lot: tub, From: []store.TubDraw{tubOf("OO-2", "100")}}))
	for _, lot := range []string{"OO-1", "OO-2", tub} {
		trace, err := h.TraceLot(ctx, h.owner.Workshop, lot)
		h.ok(err)
		if len(trace.Batches) != 1 || trace.Batches[0].Code != code {
			t.Errorf("a trace of %s finds %v", lot, trace.Batches)
		}
	}
}

func TestATubCannotBeFilledFromItself(t *testing.T) {
	t.Parallel()
	h := newBenchShop(t)
	first := h.tubFilled("First", tubOf("OO-1", "500"))
	second := h.tubFilled("Second", tubOf(first, "200"))
	third := h.tubFilled("Third", tubOf(second, "100"))
	for _, source := range []string{first, second, third} {
		err := h.TopUpTub(t.Context(), h.helper, store.Entry{}, store.TopUp{Lot: first, From: []store.TubDraw{tubOf(source, "10")}})
		benchFault(t, err, "lot-0", "A lot cannot contain itself")
	}
	h.ok(h.TopUpTub(t.Context(), h.helper, store.Entry{}, store.TopUp{Lot: third, From: []store.TubDraw{tubOf(first, "10")}}))
}

func TestACorrectedExpiryGoesOnIntoTubsAtEveryLevel(t *testing.T) {
	t.Parallel()
	h := newBenchShop(t)
	h.lot("OO", "OO-2", "1000", h.tubExpires(100))
	h.lot("OO", "OO-3", "1000", h.tubExpires(50))
	first := h.tubFilled("First", tubOf("OO-1", "500"), tubOf("OO-2", "100"))
	second := h.tubFilled("Second", tubOf(first, "200"))
	mixed := h.tubFilled("Mixed", tubOf(second, "100"), tubOf("OO-3", "100"))
	own := h.tubFilled("Own", tubOf(first, "50"))
	set := func(code string, days int) {
		t.Helper()
		c := lotCorrection(h.tubLot(code))
		c.ExpiresOn = h.today.AddDays(days)
		h.ok(h.CorrectLot(t.Context(), h.owner, store.Entry{}, c, "read the label again"))
	}
	in := func(want map[string]int) {
		t.Helper()
		for code, days := range want {
			if got := h.tubLot(code).ExpiresOn; got != h.today.AddDays(days) {
				t.Errorf("%s (%s) expires in %d days, want %d", code, h.tubLot(code).Tub, got.DaysSince(h.today), days)
			}
		}
	}
	in(map[string]int{first: 100, second: 100, mixed: 50, own: 100})
	set(own, 20) // a date of its own, earlier than what is in it
	set("OO-2", 70)
	in(map[string]int{first: 70, second: 70, mixed: 50, own: 20})
	set("OO-2", 30)
	in(map[string]int{first: 30, second: 30, mixed: 30, own: 20})
	set("OO-2", 10)
	in(map[string]int{first: 10, second: 10, mixed: 10, own: 10})
	set("OO-2", 400)
	in(map[string]int{first: 400, second: 400, mixed: 50})

	later := lotCorrection(h.tubLot(first))
	later.ExpiresOn = h.today.AddDays(401)
	benchFault(t, h.CorrectLot(t.Context(), h.owner, store.Entry{}, later, "optimism"), "expires_on", "What is in the tub expires on")
	h.tubSound()
}

func TestACorrectedFillingPutsBothLedgersRight(t *testing.T) {
	t.Parallel()
	h := newBenchShop(t)
	ctx := t.Context()
	h.lot("OO", "OO-2", "100", h.tubExpires(30))
	tub := h.tubFilled("Crock", tubOf("OO-1", "300"), tubOf("OO-2", "500")) // typed ten times too much
	id := func(lot string) store.FillingID {
		t.Helper()
		for _, f := range h.tubLot(tub).FilledFrom {
			if f.Lot.Code == lot && !f.Replaced {
				return f.ID
			}
		}
		t.Fatalf("nothing of %s is in the tub", lot)
		return store.FillingID{}
	}
	wrong := id("OO-2")
	h.ok(h.CorrectFilling(ctx, h.owner, store.Entry{}, store.FillingCorrection{Lot: tub, ID: wrong, Quantity: benchDec("50"), Reason: "a nought too many"}))
	if h.onHand(tub) != "350" || h.onHand("OO-2") != "50" || h.onHand("OO-1") != "4700" {
		t.Errorf("corrected: tub %s, OO-2 %s, OO-1 %s", h.onHand(tub), h.onHand("OO-2"), h.onHand("OO-1"))
	}
	if err := h.CorrectFilling(ctx, h.owner, store.Entry{}, store.FillingCorrection{Lot: tub, ID: wrong, Quantity: benchDec("60"), Reason: "from an old page"}); !fault.Is(err, fault.Conflict) {
		t.Errorf("correcting what was corrected: %v", err)
	}
	h.ok(h.CorrectFilling(ctx, h.owner, store.Entry{}, store.FillingCorrection{Lot: tub, ID: id("OO-2"), Withdraw: true, Reason: "it was another tub"}))
	if page := h.tubLot(tub); !page.OnHand.Equal(benchDec("300")) || h.onHand("OO-2") != "100" || page.ExpiresOn != h.today.AddDays(730) {
		t.Errorf("taken back: %s g, expires %s, OO-2 %s", page.OnHand, page.ExpiresOn, h.onHand("OO-2"))
	}
	trace, err := h.TraceLot(ctx, h.owner.Workshop, "OO-2")
	h.ok(err)
	if slices.Contains(trace.Lots, tub) {
		t.Error("a trace still follows what was taken back")
	}
	// More was drawn from the tub than is now known to have gone in: the rest was in it.
	h.ok(h.MoveLot(ctx, h.owner, store.Entry{}, store.LotMove{Lot: tub, Quantity: benchDec("-250"), Reason: "write_off", Note: "spilt"}))
	h.ok(h.CorrectFilling(ctx, h.owner, store.Entry{}, store.FillingCorrection{Lot: tub, ID: id("OO-1"), Quantity: benchDec("100"), Reason: "weighed the drum"}))
	if h.onHand(tub) != "0" || h.onHand("OO-1") != "4900" {
		t.Errorf("below what was drawn: tub %s, OO-1 %s", h.onHand(tub), h.onHand("OO-1"))
	}
	h.tubSound()
}

func TestAHelperCorrectsTheirOwnFillingOfTheDayOnly(t *testing.T) {
	t.Parallel()
	h := newBenchShop(t)
	tub := h.tubFilled("Crock", tubOf("OO-1", "300"))
	c := store.FillingCorrection{Lot: tub, ID: h.tubLot(tub).FilledFrom[0].ID, Quantity: benchDec("310"), Reason: "misread"}
	if err := h.CorrectFilling(t.Context(), lotHelper(t, h.house, "Tansy"), store.Entry{}, c); !fault.Is(err, fault.Forbidden) {
		t.Errorf("another helper: %v", err)
	}
	h.ok(h.CorrectFilling(t.Context(), h.helper, store.Entry{}, c))
}

func TestABadFillingTellsEverythingAndStoresNothing(t *testing.T) {
	t.Parallel()
	h := newBenchShop(t)
	ctx := t.Context()
	_, err := h.AddMaterial(ctx, h.owner, store.Entry{}, store.Material{Code: "CAP", Name: "Cap", Kind: "packaging", Unit: "each", Tracked: true})
	h.ok(err)
	h.lot("CAP", "CAP-1", "100")
	tub := h.tubFilled("Crock", tubOf("OO-1", "100"))
	before := h.counts()
	fill := func(change func(*store.TubFill)) error {
		n := store.TubFill{Tub: "New", Material: "OO", From: []store.TubDraw{tubOf("OO-1", "10")}}
		change(&n)
		return tubErr(h.FillTub(ctx, h.helper, store.Entry{}, n))
	}
	for _, c := range []struct {
		name   string
		err    error
		fields []string
	}{
		{"nothing filled in", tubErr(h.FillTub(ctx, h.helper, store.Entry{}, store.TubFill{})), []string{"from", "material", "tub"}},
		{"a name of a novel, a day to come", fill(func(n *store.TubFill) { n.Tub, n.On = strings.Repeat("x", 81), h.today.AddDays(2) }), []string{"on", "tub"}},
		{"a tub that is in use", fill(func(n *store.TubFill) { n.Tub = " crock " }), []string{"tub"}},
		{"nothing of it, and of what is not there", fill(func(n *store.TubFill) { n.From = []store.TubDraw{tubOf("OO-1", "0"), tubOf("XX-9", "5")} }), []string{"amount-0", "lot-1"}},
		{"another material", fill(func(n *store.TubFill) { n.From = append(n.From, tubOf("SH-1", "5")) }), []string{"lot-1"}},
		{"one lot twice", fill(func(n *store.TubFill) { n.From = append(n.From, tubOf("OO-1", "5")) }), []string{"lot-1"}},
		{"more than a ship holds", fill(func(n *store.TubFill) { n.From[0].Quantity = decimal.New(1, 9) }), []string{"amount-0"}},
		{"half a cap", fill(func(n *store.TubFill) { n.Material, n.From = "CAP", []store.TubDraw{tubOf("CAP-1", "0.5")} }), []string{"amount-0"}},
		{"a rest that nobody explains", h.EmptyTub(ctx, h.helper, store.Entry{}, store.TubEmptied{Lot: tub}), []string{"note", "rest"}},
		{"emptied before it was filled", h.EmptyTub(ctx, h.helper, store.Entry{}, store.TubEmptied{Lot: tub, On: h.today.AddDays(-1), Rest: "gone", Note: "x"}), []string{"on"}},
		{"a filling of nothing", h.CorrectFilling(ctx, h.helper, store.Entry{}, store.FillingCorrection{Lot: tub, ID: h.tubLot(tub).FilledFrom[0].ID, Reason: "x"}), []string{"amount"}},
		{"a filling corrected without a reason", h.CorrectFilling(ctx, h.helper, store.Entry{}, store.FillingCorrection{Lot: tub, ID: h.tubLot(tub).FilledFrom[0].ID, Quantity: benchDec("1")}), []string{"reason"}},
	} {
		f := fault.As(c.err)
		if f == nil || f.Kind != fault.Invalid {
			t.Errorf("%s: %v", c.name, c.err)
		} else if diff := cmp.Diff(c.fields, f.Names()); diff != "" {
			t.Errorf("%s: %v\n%s", c.name, f, diff)
		}
	}
	stale := store.TubEmptied{Lot: tub, Rest: "gone", Note: "x", Seen: decimal.NewNullDecimal(benchDec("90"))}
	for name, err := range map[string]error{
		"emptying what moved meanwhile": h.EmptyTub(ctx, h.helper, store.Entry{}, stale),
		"reopening what is full":        h.ReopenTub(ctx, h.owner, store.Entry{}, tub, "x"),
	} {
		if !fault.Is(err, fault.Conflict) {
			t.Errorf("%s: %v", name, err)
		}
	}
	for name, err := range map[string]error{
		"topping up a delivery": h.TopUpTub(ctx, h.helper, store.Entry{}, store.TopUp{Lot: "OO-1", From: []store.TubDraw{tubOf("OO-1", "1")}}),
		"emptying a delivery":   h.EmptyTub(ctx, h.helper, store.Entry{}, store.TubEmptied{Lot: "OO-1"}),
		"a tub that is none":    h.TopUpTub(ctx, h.helper, store.Entry{}, store.TopUp{Lot: "XX-1"}),
		"another tub's filling": h.CorrectFilling(ctx, h.helper, store.Entry{}, store.FillingCorrection{Lot: "OO-1", ID: h.tubLot(tub).FilledFrom[0].ID, Withdraw: true, Reason: "x"}),
	} {
		if !fault.Is(err, fault.NotFound) {
			t.Errorf("%s: %v", name, err)
		}
	}
	if diff := cmp.Diff(before, h.counts()); diff != "" {
		t.Errorf("something was stored:\n%s", diff)
	}
}

func TestAFillingSentTwiceIsStoredOnce(t *testing.T) {
	t.Parallel()
	h := newBenchShop(t)
	entry := benchEntry()
	fill := store.TubFill{Tub: "Crock", Material: "OO", From: []store.TubDraw{tubOf("OO-1", "100")}}
	first, err := h.FillTub(t.Context(), h.helper, entry, fill)
	h.ok(err)
	again, err := h.FillTub(t.Context(), h.helper, entry, fill)
	h.ok(err)
	if first != again || h.onHand("OO-1") != "4900" {
		t.Errorf("%s, then %s; %s g are left", first, again, h.onHand("OO-1"))
	}
}

// Eight hands pour 600 g each out of a lot of 1,000 g, and into tubs of the same name: what the book does not hold, and a
// tub that is taken, is told to all but one.
func TestManyHandsPourFromOneLotAndTheBookStaysTrue(t *testing.T) {
	t.Parallel()
	h := newBenchShop(t)
	h.lot("OO", "OO-2", "1000")
	const hands = 8
	poured, named := make([]error, hands), make([]error, hands)
	var start, done sync.WaitGroup
	start.Add(1)
	for i := range hands {
		done.Go(func() {
			start.Wait()
			_, poured[i] = h.FillTub(context.Background(), h.helper, store.Entry{Key: uuid.New()}, store.TubFill{Tub: "Tub " + string(rune('A'+i)), Material: "OO", From: []store.TubDraw{tubOf("OO-2", "600")}})
			_, named[i] = h.FillTub(context.Background(), h.helper, store.Entry{Key: uuid.New()}, store.TubFill{Tub: "The one", Material: "OO", From: []store.TubDraw{tubOf("OO-1", "10")}})
		})
	}
	start.Done()
	done.Wait()
	tubs, names := 0, 0
	for i := range hands {
		if poured[i] == nil {
			tubs++
		} else {
			benchFault(t, poured[i], "really", "The book holds 400 g of lot OO-2.")
		}
		if named[i] == nil {
			names++
		} else {
			benchFault(t, named[i], "tub", "")
		}
	}
	if tubs != 1 || names != 1 || h.onHand("OO-2") != "400" || h.onHand("OO-1") != "4990" {
		t.Errorf("%d tubs of 600 g, %d of one name; %s and %s g are left", tubs, names, h.onHand("OO-2"), h.onHand("OO-1"))
	}
	h.tubSound()
}
