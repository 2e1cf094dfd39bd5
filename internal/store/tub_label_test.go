package store_test

import (
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"example.org/stillroom/internal/day"
	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/store"
)

// tubDried is a dried batch whose citric acid came from a tub, filled five days ago from CA-2.
func (h packShop) tubDried() (batch, tub string) {
	h.t.Helper()
	ctx := h.t.Context()
	h.lot("CA", "CA-2", "1000", h.today.AddDays(400))
	tub, err := h.FillTub(ctx, h.helper, store.Entry{}, store.TubFill{Tub: "Acid crock", Material: "CA", From: []store.TubDraw{{Lot: "CA-2", Quantity: packDec("900")}}, On: h.today.AddDays(-5)})
	packOK(h.t, err)
	batch = h.dried()
	for _, in := range h.read(batch).Inputs() {
		if in.Lot == "CA-1" {
			packOK(h.t, h.CorrectInput(ctx, h.maker, store.Entry{}, store.Correction{Batch: batch, Input: in.ID, Grams: in.WeighedG.Decimal, Lot: tub, Reason: "from the crock"}))
		}
	}
	return batch, tub
}

// tubDates are the open deviations about a packing's date.
func (h packShop) tubDates(packing string) (out []string) {
	h.t.Helper()
	list, _, err := h.OpenDeviations(h.t.Context(), h.maker.Workshop, "", 50)
	packOK(h.t, err)
	for _, d := range list {
		if d.Kind == "date" && d.Packing == packing {
			out = append(out, d.What)
		}
	}
	return out
}

func TestATubThatExpiresEarlierNamesTheLabelsThatAreOut(t *testing.T) {
	t.Parallel()
	h := newPackShop(t)
	ctx := t.Context()
	batch, tub := h.tubDried()
	packing := h.pack(h.nine(batch))
	h.lot("CA", "CA-3", "500", h.today.AddDays(50))
	h.lot("CA", "CA-4", "500", h.today.AddDays(40))
	topUp := func(lot string, on day.Day) {
		t.Helper()
		packOK(t, h.TopUpTub(ctx, h.helper, store.Entry{}, store.TopUp{Lot: tub, From: []store.TubDraw{{Lot: lot, Quantity: packDec("10")}}, On: on}))
	}
	topUp("CA-3", h.today)
	if got := h.tubDates(packing); len(got) != 0 {
		t.Errorf("topped up after the batch drew on it: %v", got)
	}
	topUp("CA-4", h.today.AddDays(-4))
	if got := h.tubDates(packing); len(got) != 1 || !strings.Contains(got[0], "Lot "+tub+" now expires on "+h.today.AddDays(40).Long()) {
		t.Errorf("topped up before the batch drew on it: %v", got)
	}
	l, err := h.Lot(ctx, h.maker.Workshop, "CA-2")
	packOK(t, err)
	c := lotCorrection(l)
	c.ExpiresOn = h.today.AddDays(30)
	packOK(t, h.CorrectLot(ctx, h.maker, store.Entry{}, c, "read the label again"))
	if got := h.tubDates(packing); len(got) != 1 || !strings.Contains(got[0], "Lot CA-2 now expires on "+h.today.AddDays(30).Long()) {
		t.Errorf("a corrected lot in the tub is told once: %v", got)
	}
	h.verified()
}

func TestWhatWasPouredIntoATubBlocksReleaseUntilItIsDecided(t *testing.T) {
	t.Parallel()
	h := newPackShop(t)
	ctx := t.Context()
	batch, tub := h.tubDried()
	code := h.pack(h.nine(batch))
	if diff := cmp.Diff([]string{}, packConditions(h.packing(code))); diff != "" {
		t.Fatalf("before:\n%s", diff)
	}
	if _, err := h.ReceiveLot(ctx, h.helper, store.Entry{}, store.Receipt{Code: "CA-5", Material: "CA", Quantity: packDec("100"), ReceivedOn: h.today, ExpiresOn: h.today.AddDays(500)}); err != nil {
		t.Fatal(err)
	}
	packOK(t, h.TopUpTub(ctx, h.helper, store.Entry{}, store.TopUp{Lot: tub, From: []store.TubDraw{{Lot: "CA-5", Quantity: packDec("10")}}, Really: store.Really{Yes: true, Reason: "the scoop was in it"}}))
	if diff := cmp.Diff([]string{"lots"}, packConditions(h.packing(code))); diff != "" {
		t.Errorf("while it waits:\n%s", diff)
	}
	page, err := h.Lot(ctx, h.maker.Workshop, tub)
	packOK(t, err)
	if len(page.Deviations) != 1 || page.Lot.Status != "quarantined" {
		t.Fatalf("the tub is %s with %d deviations", page.Lot.Status, len(page.Deviations))
	}
	if err := h.SetLotStatus(ctx, h.maker, store.Entry{}, tub, "released", ""); !fault.Is(err, fault.Conflict) {
		t.Errorf("releasing the tub before that: %v", err)
	}
	packOK(t, h.DecideDeviation(ctx, h.maker, store.Entry{}, page.Deviations[0].N, "accept", "the certificate is here"))
	packOK(t, h.SetLotStatus(ctx, h.maker, store.Entry{}, tub, "released", ""))
	if diff := cmp.Diff([]string{}, packConditions(h.packing(code))); diff != "" {
		t.Errorf("accepted:\n%s", diff)
	}
	packOK(t, h.SetLotStatus(ctx, h.owner, store.Entry{}, "CA-5", "rejected", "smells of paint"))
	if diff := cmp.Diff([]string{"lots"}, packConditions(h.packing(code))); diff != "" {
		t.Errorf("rejected, whatever was accepted:\n%s", diff)
	}
}

func TestALotPastItsRetestDateWarnsAtRelease(t *testing.T) {
	t.Parallel()
	h := newPackShop(t)
	l, err := h.Lot(t.Context(), h.maker.Workshop, "SB-1")
	packOK(t, err)
	c := lotCorrection(l)
	c.RetestOn = h.today.AddDays(-10)
	packOK(t, h.CorrectLot(t.Context(), h.maker, store.Entry{}, c, "it says so on the drum"))
	p := h.packing(h.pack(h.nine(h.dried())))
	if diff := cmp.Diff([]string{}, packConditions(p)); diff != "" {
		t.Errorf("it blocks:\n%s", diff)
	}
	for _, cond := range p.Conditions {
		if cond.Key == "lots" && (cond.State != "warn" || !strings.Contains(cond.Words, "Sodium bicarbonate SB-1 was to be looked at again by "+h.today.AddDays(-10).Long())) {
			t.Errorf("lots: %s %q", cond.State, cond.Words)
		}
	}
}
