package store_test

import (
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"example.org/stillroom/internal/day"
	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/store"
)

// retestShop has a lot OO-2 that was due ten days ago.
func retestShop(t *testing.T) benchShop {
	t.Helper()
	h := newBenchShop(t)
	h.lot("OO", "OO-2", "1000", func(r *store.Receipt) { r.RetestOn = h.today.AddDays(-10) })
	return h
}

func (h benchShop) retestDue(code string) bool {
	h.t.Helper()
	list, _, err := h.LotsToWatch(h.t.Context(), h.owner.Workshop, h.today, "", 200)
	h.ok(err)
	return slices.ContainsFunc(list, func(l store.Lot) bool { return l.Code == code })
}

func TestALotLookedAtAgainIsDueLater(t *testing.T) {
	t.Parallel()
	h := retestShop(t)
	ctx := t.Context()
	if !h.retestDue("OO-2") || !h.tubLot("OO-2").RetestDue(h.today) {
		t.Fatal("a lot past its retest date is not among those to watch")
	}
	if words := h.retestUnfit("OO-2"); len(words) != 0 {
		t.Errorf("a retest date is no expiry, but a use asks: %v", words)
	}
	tub := h.tubFilled("Crock", tubOf("OO-2", "100"))
	next := h.today.AddDays(180)
	h.ok(h.RetestLot(ctx, h.owner, store.Entry{}, store.NewRetest{Lot: "OO-2", Passed: true, Words: "clear, smells fresh", NextOn: next}))
	l := h.tubLot("OO-2")
	if l.RetestOn != next || h.retestDue("OO-2") || len(l.Retests) != 1 || l.Retests[0].Words != "clear, smells fresh" {
		t.Errorf("looked at: due %s, %+v", l.RetestOn, l.Retests)
	}
	if got := h.tubLot(tub).RetestOn; got != next {
		t.Errorf("the tub that has its date from it is due %s", got)
	}
	if why := l.History[len(l.History)-1]; why.Kind != "correct" || why.Reason != "Looked at again, fine: clear, smells fresh" {
		t.Errorf("the trail says %+v", why)
	}
	h.ok(h.RetestLot(ctx, h.owner, store.Entry{}, store.NewRetest{Lot: "OO-2", Passed: true, Words: "still clear"}))
	if got := h.tubLot("OO-2").RetestOn; !got.IsZero() {
		t.Errorf("without a next day it is due %s", got)
	}
	h.tubSound()
}

// retestUnfit are the words with which a use of the lot asks.
func (h benchShop) retestUnfit(code string) []string {
	h.t.Helper()
	list, err := h.LotsFor(h.t.Context(), h.owner.Workshop, "OO", h.today)
	h.ok(err)
	for _, l := range list {
		if l.Code == code {
			return l.Unfit
		}
	}
	h.t.Fatalf("%s is not offered", code)
	return nil
}

func TestALotThatDidNotPassAsksAtEachUse(t *testing.T) {
	t.Parallel()
	h := retestShop(t)
	ctx := t.Context()
	h.ok(h.RetestLot(ctx, h.owner, store.Entry{}, store.NewRetest{Lot: "OO-2", Words: "rancid"}))
	l := h.tubLot("OO-2")
	if l.RetestOn != h.today.AddDays(-10) || !l.FailedTest || len(l.Deviations) != 1 || !strings.Contains(l.Deviations[0].What, "did not pass when it was looked at again") {
		t.Errorf("due %s, failed %t, %+v", l.RetestOn, l.FailedTest, l.Deviations)
	}
	if got := h.retestUnfit("OO-2"); !slices.Equal(got, []string{"Lot OO-2 did not pass when it was last looked at."}) {
		t.Errorf("a use asks %v", got)
	}
	h.ok(h.RetestLot(ctx, h.owner, store.Entry{}, store.NewRetest{Lot: "OO-2", Passed: true, Words: "it was the lid", NextOn: h.today.AddDays(30)}))
	if got := h.retestUnfit("OO-2"); len(got) != 0 {
		t.Errorf("looked at once more it asks still: %v", got)
	}
}

func TestALookThatWasWrittenWrongIsPutRight(t *testing.T) {
	t.Parallel()
	h := retestShop(t)
	ctx := t.Context()
	was := h.today.AddDays(-10)
	due := func(want day.Day, when string) {
		t.Helper()
		if got := h.tubLot("OO-2").RetestOn; got != want {
			t.Errorf("%s it is due %s, want %s", when, got, want)
		}
	}
	latest := func() store.RetestID {
		t.Helper()
		list := h.tubLot("OO-2").Retests
		return list[slices.IndexFunc(list, func(r store.Retest) bool { return !r.Replaced })].ID
	}
	correct := func(c store.RetestCorrection) {
		t.Helper()
		c.Lot = "OO-2"
		h.ok(h.CorrectRetest(ctx, h.owner, store.Entry{}, c))
	}
	h.ok(h.RetestLot(ctx, h.owner, store.Entry{}, store.NewRetest{Lot: "OO-2", Passed: true, Words: "clear", NextOn: h.today.AddDays(180)}))
	correct(store.RetestCorrection{ID: latest(), NewRetest: store.NewRetest{Passed: true, Words: "clear", NextOn: h.today.AddDays(90)}, Reason: "three months"})
	due(h.today.AddDays(90), "with another next day")
	correct(store.RetestCorrection{ID: latest(), NewRetest: store.NewRetest{Words: "cloudy"}, Reason: "ticked the wrong box"})
	due(was, "not passed after all")
	if n := len(h.openLot("OO-2")); n != 1 {
		t.Errorf("%d deviations are open", n)
	}
	failed := latest()
	correct(store.RetestCorrection{ID: failed, Withdraw: true, Reason: "it was another drum"})
	due(was, "taken back")
	if l := h.tubLot("OO-2"); l.FailedTest || len(h.openLot("OO-2")) != 0 {
		t.Errorf("taken back it still failed: %t", l.FailedTest)
	}
	if err := h.CorrectRetest(ctx, h.owner, store.Entry{}, store.RetestCorrection{NewRetest: store.NewRetest{Lot: "OO-2"}, ID: failed, Withdraw: true, Reason: "again"}); !fault.Is(err, fault.Conflict) {
		t.Errorf("taken back twice: %v", err)
	}
	// A look that a later one has overtaken no longer decides the date.
	h.ok(h.RetestLot(ctx, h.owner, store.Entry{}, store.NewRetest{Lot: "OO-2", On: h.today.AddDays(-5), Passed: true, Words: "clear", NextOn: h.today.AddDays(20)}))
	first := latest()
	h.ok(h.RetestLot(ctx, h.owner, store.Entry{}, store.NewRetest{Lot: "OO-2", Passed: true, Words: "clear", NextOn: h.today.AddDays(60)}))
	correct(store.RetestCorrection{ID: first, NewRetest: store.NewRetest{On: h.today.AddDays(-5), Passed: true, Words: "clear", NextOn: h.today.AddDays(25)}, Reason: "misread"})
	due(h.today.AddDays(60), "an older look corrected")
	h.tubSound()
}

// openLot are the open deviations about a lot.
func (h benchShop) openLot(code string) (out []store.Deviation) {
	h.t.Helper()
	for _, d := range h.tubLot(code).Deviations {
		if d.Open() {
			out = append(out, d)
		}
	}
	return out
}

func TestABadLookIsToldAndNotStored(t *testing.T) {
	t.Parallel()
	h := retestShop(t)
	ctx := t.Context()
	h.ok(h.RetestLot(ctx, h.owner, store.Entry{}, store.NewRetest{Lot: "OO-2", Passed: true, Words: "clear", NextOn: h.today.AddDays(30)}))
	id := h.tubLot("OO-2").Retests[0].ID
	before := h.counts()
	look := func(change func(*store.NewRetest)) error {
		n := store.NewRetest{Lot: "OO-2", Passed: true, Words: "clear"}
		change(&n)
		return h.RetestLot(ctx, h.owner, store.Entry{}, n)
	}
	for _, c := range []struct {
		name   string
		err    error
		fields []string
	}{
		{"nothing found, a day to come", look(func(n *store.NewRetest) { n.Words, n.On = " ", h.today.AddDays(2) }), []string{"on", "words"}},
		{"before it came", look(func(n *store.NewRetest) { n.On = h.today.AddDays(-61) }), []string{"on"}},
		{"due again before it was looked at", look(func(n *store.NewRetest) { n.NextOn = h.today }), []string{"next_on"}},
		{"a novel", look(func(n *store.NewRetest) { n.Words = strings.Repeat("x", 1001) }), []string{"words"}},
		{"corrected without a reason", h.CorrectRetest(ctx, h.owner, store.Entry{}, store.RetestCorrection{NewRetest: store.NewRetest{Lot: "OO-2", Passed: true, Words: "x"}, ID: id}), []string{"reason"}},
	} {
		f := fault.As(c.err)
		if f == nil || f.Kind != fault.Invalid {
			t.Errorf("%s: %v", c.name, c.err)
		} else if diff := cmp.Diff(c.fields, f.Names()); diff != "" {
			t.Errorf("%s:\n%s", c.name, diff)
		}
	}
	if err := h.CorrectRetest(ctx, h.owner, store.Entry{}, store.RetestCorrection{NewRetest: store.NewRetest{Lot: "OO-1"}, ID: id, Withdraw: true, Reason: "x"}); !fault.Is(err, fault.NotFound) {
		t.Errorf("another lot's entry: %v", err)
	}
	if err := h.CorrectRetest(ctx, h.helper, store.Entry{}, store.RetestCorrection{NewRetest: store.NewRetest{Lot: "OO-2"}, ID: id, Withdraw: true, Reason: "x"}); !fault.Is(err, fault.Forbidden) {
		t.Errorf("a helper takes back what the owner found: %v", err)
	}
	if diff := cmp.Diff(before, h.counts()); diff != "" {
		t.Errorf("something was stored:\n%s", diff)
	}
}

func TestASupplierLotThatCameThreeTimesIsOne(t *testing.T) {
	t.Parallel()
	h := newBenchShop(t)
	ctx := t.Context()
	for i, code := range []string{"OO-A", "OO-B", "OO-C"} {
		h.lot("OO", code, "100", func(r *store.Receipt) {
			r.NewSupplier, r.SupplierLot, r.ReceivedOn = "Fenmarch Oils", []string{"7731-B", "7731 b", "7731B"}[i], h.today.AddDays(i-10)
		})
	}
	h.lot("OO", "OO-D", "100", func(r *store.Receipt) { r.NewSupplier, r.SupplierLot = "Heather Acre", "7731-B" })
	for _, code := range []string{"OO-A", "OO-B", "OO-C"} {
		var came []string
		for _, l := range h.tubLot(code).Deliveries {
			came = append(came, l.Code)
		}
		if diff := cmp.Diff([]string{"OO-A", "OO-B", "OO-C"}, came); diff != "" {
			t.Errorf("%s came as:\n%s", code, diff)
		}
	}
	if other := h.tubLot("OO-D").Deliveries; len(other) != 1 {
		t.Errorf("another supplier's lot of that number came %d times", len(other))
	}
	if none := h.tubLot("OO-1").Deliveries; len(none) != 0 {
		t.Errorf("a lot without a supplier's number came %d times", len(none))
	}
	trace, err := h.TraceSupplierLot(ctx, h.owner.Workshop, "FO", "7731-b")
	h.ok(err)
	if len(trace.Deliveries) != 3 || len(trace.Others) != 0 {
		t.Errorf("traced as one: %+v and %+v", trace.Deliveries, trace.Others)
	}
}

func TestADeliveryWrittenInAnotherUnitIsKeptAsWrittenAndInItsOwn(t *testing.T) {
	t.Parallel()
	h := newBenchShop(t)
	ctx := t.Context()
	h.lot("OO", "OO-LB", "5", func(r *store.Receipt) { r.Unit = "lb" })
	l := h.tubLot("OO-LB")
	if l.Quantity.String() != "2267.96185" || l.OnHand.String() != "2267.96185" || l.Typed != "5 lb" {
		t.Errorf("5 lb are %s, %s on hand, written %q", l.Quantity, l.OnHand, l.Typed)
	}
	h.lot("TC", "TC-KG", "2", func(r *store.Receipt) { r.Unit = "kg" }) // 0.8 g per ml
	if l := h.tubLot("TC-KG"); l.Quantity.String() != "2500" || l.Typed != "2 kg" {
		t.Errorf("2 kg are %s ml, written %q", l.Quantity, l.Typed)
	}
	h.lot("OO", "OO-G", "5", func(r *store.Receipt) { r.Unit = "g" })
	if l := h.tubLot("OO-G"); l.Typed != "" {
		t.Errorf("written in its own unit it keeps %q", l.Typed)
	}
	_, err := h.ReceiveLot(ctx, h.owner, store.Entry{}, store.Receipt{Material: "OO", Quantity: benchDec("2"), Unit: "l", ReceivedOn: h.today})
	benchFault(t, err, "unit", "its density is needed")
	_, err = h.ReceiveLot(ctx, h.owner, store.Entry{}, store.Receipt{Material: "OO", Quantity: benchDec("2"), Unit: "fl_oz", ReceivedOn: h.today})
	benchFault(t, err, "unit", "Choose the unit")
	_, err = h.ReceiveLot(ctx, h.owner, store.Entry{}, store.Receipt{Material: "TC", Quantity: benchDec("0.0000003"), Unit: "g", ReceivedOn: h.today})
	benchFault(t, err, "quantity", "less than the book can hold")

	same := lotCorrection(l)
	same.SupplierLot = "77"
	h.ok(h.CorrectLot(ctx, h.owner, store.Entry{}, same, "forgot it"))
	if l = h.tubLot("OO-LB"); l.Typed != "5 lb" {
		t.Errorf("another particular corrected, it was written %q", l.Typed)
	}
	other := lotCorrection(l)
	other.Quantity, other.Unit = benchDec("4"), "lb"
	h.ok(h.CorrectLot(ctx, h.owner, store.Entry{}, other, "a 4"))
	if l = h.tubLot("OO-LB"); l.Typed != "4 lb" || l.Quantity.String() != "1814.36948" {
		t.Errorf("corrected to %s, written %q", l.Quantity, l.Typed)
	}
	other = lotCorrection(l)
	other.Quantity = benchDec("1800")
	h.ok(h.CorrectLot(ctx, h.owner, store.Entry{}, other, "weighed it"))
	if l = h.tubLot("OO-LB"); l.Typed != "" {
		t.Errorf("weighed in g it was written %q", l.Typed)
	}
}
