package store_test

import (
	"fmt"
	"slices"
	"sync"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/shopspring/decimal"

	"example.org/stillroom/internal/batchcode"
	"example.org/stillroom/internal/day"
	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/release"
	"example.org/stillroom/internal/store"
)

// Common practice, no source: ten pressed at 165 to 170 g and dried for about 48 h, nine saleable and a light one kept
// back.
func TestTenPressedNineSaleableAndOneKeptBackReconcile(t *testing.T) {
	t.Parallel()
	h := newPackShop(t)
	code := h.dried()
	if got := h.pack(h.nine(code)); got != code {
		t.Errorf("the first packing is %s, want the batch's own code %s", got, code)
	}
	p := h.packing(code)
	y := p.Yield
	if got := y.Counts.Words(); got != "10 made: 9 good, 1 kept back" {
		t.Errorf("counts: %q", got)
	}
	if y.Unknown != "" || y.Over() || !y.Closed {
		t.Errorf("balance: %q, over %t, closed %t", y.Words(), y.Over(), y.Closed)
	}
	// 10 dried ones at the mean of 165.7 g; 0.5 % of 1,690 g stays behind, and each dries from 168 to 165 g as the product
	// says: 1690 − 1657 − 8.45 − 30 = −5.45, a little less than was expected to dry away.
	if want := packDec("-5.45"); !y.Balance.UnexplainedG.Equal(want) {
		t.Errorf("unexplained %s g, want %s", y.Balance.UnexplainedG, want)
	}
	if b := h.read(code); b.Status != "quarantined" || b.PackedAt == nil {
		t.Errorf("the batch is %s, packed at %v", b.Status, b.PackedAt)
	}
	h.verified()
}

func TestTheBestBeforeIsCutByWhatWentInAndFrozenWithItsReason(t *testing.T) {
	t.Parallel()
	h := newPackShop(t)
	code := h.pack(h.nine(h.dried()))
	p := h.packing(code)
	want := h.today.AddDays(100)
	if p.BestBefore != want || p.Printed != want.Long() || p.DateReason != fmt.Sprintf("12 months from start of making, cut to %s by lot CA-1", want.Long()) {
		t.Errorf("best before %s, printed %q, because %q", p.BestBefore, p.Printed, p.DateReason)
	}
	packOK(t, h.CorrectLot(t.Context(), h.owner, store.Entry{}, store.LotCorrection{Code: "CA-1", ReceivedOn: h.today.AddDays(-90), ExpiresOn: h.today.AddDays(50), Quantity: packDec("5000")}, "misread"))
	after := h.packing(code)
	if after.Printed != p.Printed {
		t.Error("a printed date moved by itself")
	}
	if !slices.ContainsFunc(after.Deviations(), func(d store.Deviation) bool { return d.Kind == "date" && d.Open() }) {
		t.Error("no deviation names the labels that are out")
	}
}

func TestTheCapsReachThroughBulkAndTubs(t *testing.T) {
	t.Parallel()
	h := newPackShop(t)
	code := h.dried()
	// A tub of citric acid without an expiry of its own, filled from the lot that expires first.
	h.lot("CA", "CA-9", "100", h.today.AddDays(30))
	h.sql(`INSERT INTO material_lot (workshop_id, id, code, material_id, received_on, quantity, status, change_id) SELECT $1, gen_random_uuid(), 'CA-TUB', id, current_date, 0, 'released', $2 FROM material WHERE workshop_id = $1 AND code = 'CA'`,
		`INSERT INTO lot_input (workshop_id, id, lot_id, source_lot_id, quantity, happened_on, change_id) SELECT $1, gen_random_uuid(), t.id, s.id, 10, current_date, $2 FROM material_lot t, material_lot s WHERE t.workshop_id = $1 AND t.code = 'CA-TUB' AND s.workshop_id = $1 AND s.code = 'CA-9'`,
		`INSERT INTO batch_input (workshop_id, id, batch_id, material_lot_id, quantity, unit, weighed_g, change_id) SELECT $1, gen_random_uuid(), b.id, t.id, 5, 'g', 5, $2 FROM batch b, material_lot t WHERE b.workshop_id = $1 AND b.code = '`+code+`' AND t.workshop_id = $1 AND t.code = 'CA-TUB'`)
	p := h.packing(h.pack(h.nine(code)))
	if want := h.today.AddDays(30); p.BestBefore != want {
		t.Errorf("best before %s (%s), want %s through the tub", p.BestBefore, p.DateReason, want)
	}
	if len(p.Unknown) != 0 {
		t.Errorf("unknown: %v; a tub has no expiry of its own", p.Unknown)
	}
}

func TestWhatIsUnusualIsAskedAboutOnceAndThenStoredWithADeviation(t *testing.T) {
	t.Parallel()
	for _, tt := range []struct {
		name  string
		early bool
		set   func(*packShop, *store.NewPacking)
		words string
		kind  string
	}{
		{"before the drying is over", true, func(h *packShop, n *store.NewPacking) { n.PackedOn = h.today.AddDays(-2) }, "the formula asks for 48 hours", "cure"},
		{"more than were pressed", false, func(_ *packShop, n *store.NewPacking) { n.Good = 12 }, "13 units packed, kept back or rejected; 10 moulded.", "yield"},
		{"from a quarantined lot", false, func(h *packShop, _ *store.NewPacking) {
			packOK(h.t, h.SetLotStatus(h.t.Context(), h.owner, store.Entry{}, "WR-1", "quarantined", "damp"))
		}, "still in quarantine", "lot"},
		{"from a rejected lot", false, func(h *packShop, _ *store.NewPacking) {
			packOK(h.t, h.SetLotStatus(h.t.Context(), h.owner, store.Entry{}, "WR-1", "rejected", "damp"))
		}, "was rejected", "lot"},
		{"from an expired lot", false, func(h *packShop, n *store.NewPacking) {
			h.lot("WR", "WR-2", "50", h.today.AddDays(-1))
			n.Packaging[0].Lot = "WR-2"
		}, "expired on", "lot"},
		{"light ones", false, func(_ *packShop, n *store.NewPacking) {
			n.Readings[0].Values = append(n.Readings[0].Values, packDec("149"))
		}, "1 of 3 outside 160 to 170 g", "control"},
		{"a control left out", false, func(_ *packShop, n *store.NewPacking) { n.Readings = nil }, "Weight dried at packing: 0 readings, the formula asks for 2.", "control"},
		{"more wraps than units", false, func(_ *packShop, n *store.NewPacking) { n.Packaging[0].Used = packSome("12") }, "Wrap: 12 used; 10 units take 10.", "packaging"},
		{"other packaging", false, func(h *packShop, n *store.NewPacking) {
			_, err := h.AddMaterial(h.t.Context(), h.maker, store.Entry{}, store.Material{Code: "JR", Name: "Jar", Kind: "packaging", Unit: "each", Tracked: true})
			packOK(h.t, err)
			h.lot("JR", "JR-1", "5", day.Day{})
			n.Packaging = append(n.Packaging, store.PackagingUse{Lot: "JR-1", Used: packSome("1")})
		}, "is not among the product's packaging", "addition"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			t.Parallel()
			h := newPackShop(t)
			code := ""
			if tt.early {
				code = h.pressed()
			} else {
				code = h.dried()
			}
			n := h.nine(code)
			n.Finished = false
			tt.set(&h, &n)
			_, err := h.Pack(t.Context(), h.helper, store.Entry{}, n)
			packFault(t, err, fault.Invalid, "really", tt.words)
			if b := h.read(code); len(b.Packings) != 0 || len(b.Deviations) != 0 {
				t.Fatalf("something was stored while it was only asked about: %d packings, %d deviations", len(b.Packings), len(b.Deviations))
			}
			n.Really = store.Really{Yes: true}
			_, err = h.Pack(t.Context(), h.helper, store.Entry{}, n)
			packFault(t, err, fault.Invalid, "reason", "Say how it came about")
			n.Really.Reason = "it is so"
			p := h.packing(h.pack(n))
			kinds := map[string]string{}
			for _, d := range p.Deviations() {
				kinds[d.Kind] = d.Reason
			}
			if diff := cmp.Diff(map[string]string{tt.kind: "it is so"}, kinds); diff != "" {
				t.Errorf("deviations (-want +got):\n%s", diff)
			}
			if p.Open() == 0 {
				t.Error("nothing stands in the way of the release")
			}
			h.verified()
		})
	}
}

func TestPackingEndsACureThatHasRunLongEnough(t *testing.T) {
	t.Parallel()
	h := newPackShop(t)
	code := h.pressed()
	h.pack(h.nine(code))
	p := h.packing(code)
	if p.Batch.CureEndedAt == nil || p.PackedAt == nil || !p.Batch.CureEndedAt.Equal(*p.PackedAt) || len(p.Deviations()) != 0 {
		t.Errorf("cure ended %v, packed %v, deviations %v", p.Batch.CureEndedAt, p.PackedAt, p.Deviations())
	}
	if diff := cmp.Diff([]string{}, packConditions(p)); diff != "" {
		t.Errorf("in the way (-want +got):\n%s", diff)
	}
}

func TestPackagingMoreThanTheBookHoldsIsMoreThanRecorded(t *testing.T) {
	t.Parallel()
	h := newPackShop(t)
	h.lot("WR", "WR-3", "4", day.Day{})
	n := h.nine(h.dried())
	n.Packaging[0].Lot, n.Packaging[0].Spoiled = "WR-3", packDec("2")
	h.pack(n)
	lot, err := h.Lot(t.Context(), h.maker.Workshop, "WR-3")
	packOK(t, err)
	if !lot.OnHand.IsZero() || !lot.Drawn.Equal(packDec("12")) || !lot.Moved.Equal(packDec("8")) {
		t.Errorf("on hand %s, drawn %s, more than recorded %s", lot.OnHand, lot.Drawn, lot.Moved)
	}
	h.verified()
}

func TestAMissingLotIsAskedForWhereThereIsOne(t *testing.T) {
	t.Parallel()
	h := newPackShop(t)
	n := h.nine(h.dried())
	n.Packaging = []store.PackagingUse{{Material: "WR"}}
	_, err := h.Pack(t.Context(), h.helper, store.Entry{}, n)
	packFault(t, err, fault.Invalid, "pack-lot-0", "Which lot of Wrap?")
}

func TestWhatCannotBeIsToldAllAtOnce(t *testing.T) {
	t.Parallel()
	h := newPackShop(t)
	n := h.nine(h.dried())
	n.PackedOn, n.Good, n.Retained, n.Finished, n.LeftOverG = h.today.AddDays(1), -1, 2_000_000, false, packSome("5")
	n.Rejects = []store.NewReject{{Stage: "shelf", Units: 0}}
	_, err := h.Pack(t.Context(), h.helper, store.Entry{}, n)
	f := fault.As(err)
	if f == nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff([]string{"good", "left_over", "packed_on", "reject-reason-0", "reject-stage-0", "reject-units-0", "retained"}, f.Names()); diff != "" {
		t.Errorf("faults (-want +got):\n%s", diff)
	}
}

func TestConcurrentPackingsOfOneBatchGetDifferentCodes(t *testing.T) {
	t.Parallel()
	h := newPackShop(t)
	code := h.dried()
	const hands = 6
	codes := make([]string, hands)
	var wait sync.WaitGroup
	for i := range hands {
		wait.Go(func() {
			n := h.nine(code)
			n.Good, n.Retained, n.Finished = 1, 0, false
			var err error
			if codes[i], err = h.Pack(t.Context(), h.helper, store.Entry{}, n); err != nil {
				t.Error(err)
			}
		})
	}
	wait.Wait()
	slices.Sort(codes)
	want := []string{}
	for n := 1; n <= hands; n++ {
		want = append(want, batchcode.PackingCode(code, n, true))
	}
	slices.Sort(want)
	if diff := cmp.Diff(want, codes); diff != "" {
		t.Errorf("codes (-want +got):\n%s", diff)
	}
	for _, c := range codes {
		if !batchcode.Valid(c) {
			t.Errorf("%s has a wrong check character", c)
		}
	}
	h.verified()
}

func TestAPackingPassesOverACodeThatAnImportTook(t *testing.T) {
	t.Parallel()
	h := newPackShop(t)
	code := h.dried()
	n := h.nine(code)
	n.Good, n.Retained, n.Finished = 4, 0, false
	h.pack(n)
	taken := batchcode.PackingCode(code, 2, true)
	h.sql(`INSERT INTO batch (workshop_id, id, code, code_key, origin, status, made_at, made_on, change_id) VALUES ($1, gen_random_uuid(), '` + taken + `', '` + batchcode.Fold(taken) + `', 'history', 'released', now(), current_date, $2)`)
	if got, want := h.pack(n), batchcode.PackingCode(code, 3, true); got != want {
		t.Errorf("the second packing is %s, want %s", got, want)
	}
}

func TestTheSamePackingSentTwiceIsStoredOnce(t *testing.T) {
	t.Parallel()
	h := newPackShop(t)
	n := h.nine(h.dried())
	entry := store.Entry{Key: [16]byte{1}, Payload: [32]byte{2}}
	first, err := h.Pack(t.Context(), h.helper, entry, n)
	packOK(t, err)
	again, err := h.Pack(t.Context(), h.helper, entry, n)
	packOK(t, err)
	if first != again || len(h.read(first).Packings) != 1 {
		t.Errorf("first %s, again %s, %d packings", first, again, len(h.read(first).Packings))
	}
}

func TestPackingMoreLaterAndFinishingAsksWhatBecameOfTheRest(t *testing.T) {
	t.Parallel()
	h := newPackShop(t)
	code := h.dried()
	n := h.nine(code)
	n.Good, n.Retained, n.Finished = 5, 0, false
	h.pack(n)
	if p := h.packing(code); p.Yield.Over() || p.Yield.Closed {
		t.Error("what is not packed yet is not missing yet")
	}
	err := h.FinishPacking(t.Context(), h.helper, store.Entry{}, store.Finish{Batch: code})
	packFault(t, err, fault.Invalid, "yield_note", "g are missing")
	packOK(t, h.FinishPacking(t.Context(), h.helper, store.Entry{}, store.Finish{Batch: code, LeftOverG: packSome("830")}))
	b := h.read(code)
	if b.Status != "quarantined" || !b.LeftOverG.Decimal.Equal(packDec("830")) {
		t.Errorf("after finishing: %s, %v left over", b.Status, b.LeftOverG)
	}
	_, err = h.Pack(t.Context(), h.helper, store.Entry{}, n)
	packFault(t, err, fault.Conflict, "", "is finished")
	// Changing what stands there needs a reason, and the trail keeps the old.
	packFault(t, h.ExplainYield(t.Context(), h.maker, store.Entry{}, store.YieldNote{Batch: code, LeftOverG: packSome("820")}), fault.Invalid, "reason", "say why")
	packOK(t, h.ExplainYield(t.Context(), h.maker, store.Entry{}, store.YieldNote{Batch: code, LeftOverG: packSome("820"), Note: "swept up", Reason: "weighed again"}))
	h.verified()
}

func TestRejectsAreCountedByStageAndTakenBack(t *testing.T) {
	t.Parallel()
	h := newPackShop(t)
	code := h.dried()
	packOK(t, h.RejectUnits(t.Context(), h.helper, store.Entry{}, code, []store.NewReject{{Stage: "cure_end", Reason: "cracked", Units: 2, MassG: packSome("331")}}, store.Really{}))
	err := h.RejectUnits(t.Context(), h.helper, store.Entry{}, code, []store.NewReject{{Stage: "cut", Reason: "broken", Units: 9}}, store.Really{})
	packFault(t, err, fault.Invalid, "really", "11 units packed, kept back or rejected; 10 moulded.")
	id := h.read(code).Rejects[0].ID
	packOK(t, h.WithdrawReject(t.Context(), h.helper, store.Entry{}, code, id, "they are fine"))
	packFault(t, h.WithdrawReject(t.Context(), h.helper, store.Entry{}, code, id, "again"), fault.NotFound, "", "corrected meanwhile")
	n := h.nine(code)
	n.Good, n.Retained = 8, 1
	n.Rejects = []store.NewReject{{Stage: "packing", Reason: "light", Units: 1, MassG: packSome("149")}}
	h.pack(n)
	y := h.packing(code).Yield
	if got := y.Counts.Words(); got != "10 made: 8 good, 1 rejected, 1 kept back" {
		t.Errorf("counts: %q", got)
	}
	h.verified()
}

// conditions are the keys of what stands in the way.
func packConditions(p store.PackingRecord) []string {
	out := []string{}
	for _, c := range p.Conditions {
		if c.State == release.Fail {
			out = append(out, c.Key)
		}
	}
	return out
}

func TestEachConditionOfAReleaseBlocksByItself(t *testing.T) {
	t.Parallel()
	for _, tt := range []struct {
		name string
		set  func(*packShop, *store.NewPacking)
		want []string
	}{
		{"nothing", func(*packShop, *store.NewPacking) {}, []string{}},
		{"the line not cleared", func(_ *packShop, n *store.NewPacking) { n.Cleared = false }, []string{"clearance"}},
		{"the label not checked", func(_ *packShop, n *store.NewPacking) { n.LabelChecked = false }, []string{"label"}},
		{"no specimen", func(_ *packShop, n *store.NewPacking) { n.LabelSpecimen = "" }, []string{"label"}},
		{"a lot rejected since", func(h *packShop, _ *store.NewPacking) {
			packOK(h.t, h.SetLotStatus(h.t.Context(), h.owner, store.Entry{}, "SB-1", "rejected", "withdrawn by the supplier"))
		}, []string{"lots"}},
		{"a light one not decided", func(_ *packShop, n *store.NewPacking) {
			n.Readings[0].Values = append(n.Readings[0].Values, packDec("149"))
			n.Really = store.Really{Yes: true, Reason: "one crumbled"}
		}, []string{"controls", "deviations"}},
		{"more wraps than units, not decided", func(_ *packShop, n *store.NewPacking) {
			n.Packaging[0].Used = packSome("11")
			n.Really = store.Really{Yes: true, Reason: "one torn and not noted"}
		}, []string{"deviations", "packaging"}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			t.Parallel()
			h := newPackShop(t)
			n := h.nine(h.dried())
			tt.set(&h, &n)
			code := h.pack(n)
			p := h.packing(code)
			if diff := cmp.Diff(tt.want, packConditions(p)); diff != "" {
				t.Errorf("in the way (-want +got):\n%s\n%v", diff, p.Conditions)
			}
			err := h.ReleasePacking(t.Context(), h.maker, store.Entry{}, code, packPassword, store.SeenHash(p.Conditions))
			if len(tt.want) == 0 {
				packOK(t, err)
				return
			}
			packFault(t, err, fault.Conflict, "", "in the way of this release")
		})
	}
}

func TestADecidedDeviationLetsThePackingGo(t *testing.T) {
	t.Parallel()
	for decision, want := range map[string][]string{"accept": {}, "reject": {"controls", "deviations"}} {
		t.Run(decision, func(t *testing.T) {
			t.Parallel()
			h := newPackShop(t)
			n := h.nine(h.dried())
			n.Readings[0].Values[1] = packDec("171")
			n.Really = store.Really{Yes: true, Reason: "full mould"}
			code := h.pack(n)
			packOK(t, h.DecideDeviation(t.Context(), h.maker, store.Entry{}, h.packing(code).Deviations()[0].N, decision, "looked at"))
			if diff := cmp.Diff(want, packConditions(h.packing(code))); diff != "" {
				t.Errorf("in the way (-want +got):\n%s", diff)
			}
		})
	}
}

func TestAReleaseIsSignedAndALaterChangeShowsItBroken(t *testing.T) {
	t.Parallel()
	h := newPackShop(t)
	code := h.pack(h.nine(h.dried()))
	p := h.packing(code)
	seen := store.SeenHash(p.Conditions)
	packFault(t, h.ReleasePacking(t.Context(), h.maker, store.Entry{}, code, "not-the-password", seen), fault.Invalid, "password", "not your password")
	packFault(t, h.ReleasePacking(t.Context(), h.helper, store.Entry{}, code, packPassword, seen), fault.Forbidden, "", "Only a maker")
	packFault(t, h.ReleasePacking(t.Context(), h.maker, store.Entry{}, code, packPassword, "0000"), fault.Conflict, "", "changed since you opened")
	packOK(t, h.ReleasePacking(t.Context(), h.maker, store.Entry{}, code, packPassword, seen))
	packFault(t, h.ReleasePacking(t.Context(), h.maker, store.Entry{}, code, packPassword, seen), fault.Conflict, "", "released already")
	p = h.packing(code)
	if len(p.Signatures) != 1 || p.Signatures[0].Broken || p.Signatures[0].Name != h.maker.Name || p.Signatures[0].Meaning != "released" {
		t.Fatalf("signatures: %+v", p.Signatures)
	}
	if b := h.read(code); b.Status != "released" || p.Status != "released" {
		t.Errorf("batch %s, packing %s", b.Status, p.Status)
	}
	correction := store.PackingCorrection{Packing: code, Good: 8, Retained: 2, Cleared: true, LabelChecked: true, LabelSpecimen: p.LabelSpecimen, Packaging: packUses(p), Reason: "counted again"}
	packFault(t, h.CorrectPacking(t.Context(), h.helper, store.Entry{}, correction), fault.Forbidden, "", "Ask a maker")
	packOK(t, h.CorrectPacking(t.Context(), h.maker, store.Entry{}, correction))
	p = h.packing(code)
	if p.UnitsGood != 8 || !p.Signatures[0].Broken {
		t.Errorf("%d good, signature broken: %t", p.UnitsGood, p.Signatures[0].Broken)
	}
	if len(p.Changes) == 0 || p.Changes[len(p.Changes)-1].Reason != "counted again" {
		t.Errorf("what was changed: %+v", p.Changes)
	}
	h.verified()
}

func packUses(p store.PackingRecord) []store.PackagingUse {
	var out []store.PackagingUse
	for _, l := range p.Packaging {
		if !l.Replaced {
			out = append(out, store.PackagingUse{Input: l.ID, Material: l.Material, Lot: l.Lot, Used: decimal.NewNullDecimal(l.Used()), Spoiled: l.Spoiled})
		}
	}
	return out
}

func TestALaterPackingOfTheSameBatchLeavesTheSignatureWhole(t *testing.T) {
	t.Parallel()
	h := newPackShop(t)
	n := h.nine(h.dried())
	n.Good, n.Retained, n.Finished = 5, 0, false
	code := h.pack(n)
	packOK(t, h.ReleasePacking(t.Context(), h.maker, store.Entry{}, code, packPassword, store.SeenHash(h.packing(code).Conditions)))
	if b := h.read(code); b.Status != "packing" {
		t.Errorf("the batch is %s while it is still packed", b.Status)
	}
	n.Good, n.Retained, n.Finished = 4, 1, true
	next := h.pack(n)
	p := h.packing(code)
	if p.Signatures[0].Broken {
		t.Error("a later packing broke the signature of the first")
	}
	if b := h.read(code); b.Status != "quarantined" {
		t.Errorf("the batch is %s, with a packing that waits", b.Status)
	}
	packOK(t, h.RejectPacking(t.Context(), h.maker, store.Entry{}, next, packPassword, "smells of damp"))
	if b := h.read(code); b.Status != "released" || b.Packings[1].Status != "rejected" {
		t.Errorf("the batch is %s, the second packing %s", b.Status, b.Packings[1].Status)
	}
	if s := h.packing(next).Signatures; len(s) != 1 || s[0].Meaning != "rejected" || s[0].Broken {
		t.Errorf("signatures of the rejection: %+v", s)
	}
	h.verified()
}

func TestACorrectionKeepsTheLedgersTrue(t *testing.T) {
	t.Parallel()
	h := newPackShop(t)
	n := h.nine(h.dried())
	n.Packaging[0].Used, n.Packaging[0].Spoiled = packSome("10"), packDec("1")
	code := h.pack(n)
	h.lot("WR", "WR-4", "30", day.Day{})
	p := h.packing(code)
	uses := packUses(p)
	c := store.PackingCorrection{Packing: code, Good: 8, Retained: 1, Cleared: true, LabelChecked: true, LabelSpecimen: p.LabelSpecimen, Reason: "miscounted, and from the other box", Seen: p.Seen(),
		Packaging: []store.PackagingUse{{Input: uses[0].Input, Material: "WR", Lot: "WR-4", Used: packSome("9"), Spoiled: packDec("2")}}}
	packFault(t, h.CorrectPacking(t.Context(), h.helper, store.Entry{}, store.PackingCorrection{Packing: code, Good: 9, Retained: 1, Packaging: uses}), fault.Invalid, "reason", "Say why")
	packOK(t, h.CorrectPacking(t.Context(), h.helper, store.Entry{}, c))
	packFault(t, h.CorrectPacking(t.Context(), h.helper, store.Entry{}, c), fault.Conflict, "", "corrected meanwhile")
	for lot, want := range map[string]string{"WR-1": "50", "WR-4": "19"} {
		l, err := h.Lot(t.Context(), h.maker.Workshop, lot)
		packOK(t, err)
		if !l.OnHand.Equal(packDec(want)) {
			t.Errorf("lot %s holds %s, want %s", lot, l.OnHand, want)
		}
	}
	p = h.packing(code)
	if len(p.Packaging) != 2 || !p.Packaging[0].Replaced || p.Packaging[1].Lot != "WR-4" {
		t.Errorf("packaging: %+v", p.Packaging)
	}
	if p.UnitsGood != 8 || p.OnHand != 8 {
		t.Errorf("%d good, %d on hand", p.UnitsGood, p.OnHand)
	}
	h.verified()
}

func TestGoodUnitsNeverGoBelowWhatHasLeft(t *testing.T) {
	t.Parallel()
	h := newPackShop(t)
	code := h.pack(h.nine(h.dried()))
	h.sql(`INSERT INTO unit_move (workshop_id, id, code, packing_id, moved_on, units, reason, change_id) SELECT $1, gen_random_uuid(), 'UM-1', id, current_date, -4, 'gift', $2 FROM packing WHERE workshop_id = $1 AND code = '` + code + `'`)
	p := h.packing(code)
	c := store.PackingCorrection{Packing: code, Good: 3, Retained: 1, Cleared: true, LabelChecked: true, LabelSpecimen: p.LabelSpecimen, Packaging: packUses(p), Reason: "counted"}
	packFault(t, h.CorrectPacking(t.Context(), h.maker, store.Entry{}, c), fault.Invalid, "good", "4 units of it have left")
	h.verified()
}

func TestAPackingWithoutAShelfLifeWaitsForIt(t *testing.T) {
	t.Parallel()
	h := newPackShop(t)
	h.sql(`UPDATE product SET shelf_life_months = NULL WHERE workshop_id = $1 AND code = 'BF165'`)
	code := h.pack(h.nine(h.dried()))
	p := h.packing(code)
	if diff := cmp.Diff([]string{"best-before"}, packConditions(p)); diff != "" {
		t.Errorf("in the way (-want +got):\n%s", diff)
	}
	h.sql(`UPDATE product SET shelf_life_months = 12 WHERE workshop_id = $1 AND code = 'BF165'`)
	c := store.PackingCorrection{Packing: code, Good: 9, Retained: 1, Cleared: true, LabelChecked: true, LabelSpecimen: p.LabelSpecimen, Packaging: packUses(p), Reason: "the product had no shelf life"}
	packOK(t, h.CorrectPacking(t.Context(), h.maker, store.Entry{}, c))
	if p = h.packing(code); p.Printed == "" || len(packConditions(p)) != 0 {
		t.Errorf("printed %q, in the way %v", p.Printed, packConditions(p))
	}
}

func TestBulkIsReleasedSoThatOthersMayDraw(t *testing.T) {
	t.Parallel()
	h := newPackShop(t)
	ctx := t.Context()
	_, err := h.AddFormula(ctx, h.maker, store.Entry{}, store.NewFormula{Code: "BK", Name: "Fizz base", Letters: "BK", Yields: "bulk"})
	packOK(t, err)
	v, err := h.FormulaVersion(ctx, h.maker.Workshop, "BK", 1)
	packOK(t, err)
	v.BulkMonths = 6
	v.Portions = []store.FormulaPortion{{Name: "Base", Basis: "share", Amount: packDec("100"), Lines: []store.FormulaLine{{Kind: "material", MaterialCode: "SB", Basis: "share", Amount: packDec("100")}}}}
	packOK(t, h.SaveDraft(ctx, h.maker, store.Entry{}, "BK", v))
	packOK(t, h.ApproveFormula(ctx, h.maker, store.Entry{}, "BK", 1))
	plan, err := h.MakePlan(ctx, h.maker, store.NewPlan{Formula: "BK", MassG: packDec("1000"), On: h.today})
	packOK(t, err)
	code, err := h.StartBatch(ctx, h.maker, store.Entry{}, store.Start{Plan: plan, TemperatureC: packSome("20"), HumidityPct: packSome("45")})
	packOK(t, err)
	packFault(t, h.NoteBulkReady(ctx, h.helper, store.Entry{}, store.BulkReady{Batch: code, Grams: packDec("990")}), fault.Conflict, "", "still being made")
	packOK(t, h.Weigh(ctx, h.maker, store.Entry{}, store.Weighing{Batch: code, Line: h.read(code).Lines[0].ID, Lot: "SB-1", Grams: packDec("1000")}))
	packOK(t, h.Mould(ctx, h.maker, store.Entry{}, store.Moulding{Batch: code}))
	packFault(t, h.NoteBulkReady(ctx, h.helper, store.Entry{}, store.BulkReady{Batch: code, Grams: packDec("1100")}), fault.Invalid, "really", "1\u202f100 g ready; 1\u202f000 g went in")
	packFault(t, h.NoteBulkReady(ctx, h.helper, store.Entry{}, store.BulkReady{Batch: code, Grams: packDec("500")}), fault.Invalid, "yield_note", "500 g are missing")
	packOK(t, h.NoteBulkReady(ctx, h.helper, store.Entry{}, store.BulkReady{Batch: code, Grams: packDec("990")}))
	b, err := h.BulkRecord(ctx, h.maker.Workshop, code)
	packOK(t, err)
	if b.Status != "quarantined" || b.BestBefore != h.today.AddMonths(6) || release.Open(b.Conditions) != 0 {
		t.Fatalf("%s, use by %s, conditions %v", b.Status, b.BestBefore, b.Conditions)
	}
	packOK(t, h.DecideBulk(ctx, h.maker, store.Entry{}, code, packPassword, store.SeenHash(b.Conditions), true, ""))
	b, err = h.BulkRecord(ctx, h.maker.Workshop, code)
	packOK(t, err)
	if b.Status != "released" || b.BulkReleased == nil || len(b.Signatures) != 1 || b.Signatures[0].Broken {
		t.Errorf("%s, released at %v, %+v", b.Status, b.BulkReleased, b.Signatures)
	}
	list, err := h.BulkFor(ctx, h.maker.Workshop, "BK")
	packOK(t, err)
	if len(list) != 1 || !list[0].Fit(h.today) || !list[0].LeftG.Equal(packDec("990")) {
		t.Errorf("to be drawn: %+v", list)
	}
	h.verified()
}

func TestTheListGoesOnWhereItsPageEnded(t *testing.T) {
	t.Parallel()
	h := newPackShop(t)
	var want []string
	for range 5 {
		want = append([]string{h.pressed()}, want...)
	}
	var got []string
	key := store.BatchKey{}
	for {
		list, next, err := h.Batches(t.Context(), h.maker.Workshop, store.OpenBatches, key, 2)
		packOK(t, err)
		for _, b := range list {
			got = append(got, b.Code)
		}
		if next == "" {
			break
		}
		key = store.ParseBatchKey(next)
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("batches (-want +got):\n%s", diff)
	}
}

func TestTheRecordKeepsACorrectionBesideTheNew(t *testing.T) {
	t.Parallel()
	h := newPackShop(t)
	code := h.pressed()
	in := h.read(code).Lines[0].Inputs[0]
	packOK(t, h.CorrectInput(t.Context(), h.maker, store.Entry{}, store.Correction{Batch: code, Input: in.ID, Grams: in.Quantity.Add(packDec("1")), Lot: in.Lot, Reason: "read it wrong"}))
	page, err := h.BatchPage(t.Context(), store.Workshop{ID: h.maker.Workshop}, code, time.Now())
	packOK(t, err)
	inputs := page.Lines[0].Inputs
	if len(inputs) != 2 || !inputs[0].Replaced || inputs[0].Reason != "read it wrong" || page.Corrected[inputs[0].ID].By != h.maker.Name || inputs[1].Replaced {
		t.Errorf("inputs: %+v, corrected: %+v", inputs, page.Corrected)
	}
}

func TestAnotherWorkshopsBatchIsNotFound(t *testing.T) {
	t.Parallel()
	h := newPackShop(t)
	code := h.pack(h.nine(h.dried()))
	other := store.WorkshopID{9}
	for name, ask := range map[string]func() error{
		"batch": func() error { _, err := h.Batch(t.Context(), other, code); return err },
		"page": func() error {
			_, err := h.BatchPage(t.Context(), store.Workshop{ID: other}, code, time.Now())
			return err
		},
		"packing": func() error { _, err := h.PackingRecord(t.Context(), other, code); return err },
		"bulk":    func() error { _, err := h.BulkRecord(t.Context(), other, code); return err },
		"sheet":   func() error { _, err := h.PackSheet(t.Context(), other, code, "", h.today); return err },
	} {
		if err := ask(); !fault.Is(err, fault.NotFound) {
			t.Errorf("%s: %v, want not found", name, err)
		}
	}
}
