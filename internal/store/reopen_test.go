package store_test

import (
	"slices"
	"testing"

	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/store"
)

func TestPackingFinishedByMistakeIsTakenUpAgain(t *testing.T) {
	t.Parallel()
	h := newPackShop(t)
	code := h.dried()
	n := h.nine(code)
	n.Good, n.Retained, n.LeftOverG, n.LossG, n.YieldNote = 5, 0, packSome("600"), packSome("20"), "the rest is on the shelf"
	h.pack(n)
	packFault(t, h.ReopenPacking(t.Context(), h.helper, store.Entry{}, code, " "), fault.Invalid, "reason", "Say why")
	packOK(t, h.ReopenPacking(t.Context(), h.helper, store.Entry{}, code, "four more stood behind the kettle"))
	b := h.read(code)
	if b.Status != "packing" || b.LeftOverG.Valid || b.LossG.Valid || b.YieldNote != "" {
		t.Errorf("%s, left over %v, loss %v, note %q", b.Status, b.LeftOverG, b.LossG, b.YieldNote)
	}
	packFault(t, h.ReopenPacking(t.Context(), h.helper, store.Entry{}, code, "again"), fault.Conflict, "", "is not finished")
	n.Good, n.Retained, n.LeftOverG, n.LossG, n.YieldNote = 4, 1, packSome("0"), packSome("10"), ""
	h.pack(n)
	if b = h.read(code); b.Status != "quarantined" || len(b.Packings) != 2 {
		t.Errorf("after packing more: %s, %d packings", b.Status, len(b.Packings))
	}
	h.verified()
}

func TestUnitsThatTurnUpAfterTheReleaseArePackedAndTheSignatureStaysWhole(t *testing.T) {
	t.Parallel()
	h := newPackShop(t)
	n := h.nine(h.dried())
	n.Good, n.Retained, n.LeftOverG = 8, 1, packSome("165")
	code := h.pack(n)
	packOK(t, h.ReleasePacking(t.Context(), h.maker, store.Entry{}, code, packPassword, store.SeenHash(h.packing(code).Conditions)))
	if b := h.read(code); b.Status != "released" {
		t.Fatalf("the batch is %s", b.Status)
	}
	// The helper finished it with the packing; the release that settled it was somebody else's.
	packOK(t, h.ReopenPacking(t.Context(), h.helper, store.Entry{}, code, "one more turned up"))
	n.Good, n.Retained, n.LeftOverG = 1, 0, packSome("0")
	second := h.pack(n)
	if p := h.packing(code); p.Status != "released" || p.Signatures[0].Broken {
		t.Errorf("the first packing is %s, its signature broken: %t", p.Status, p.Signatures[0].Broken)
	}
	if b := h.read(code); b.Status != "quarantined" || h.packing(second).Status != "quarantined" {
		t.Errorf("the batch is %s with a packing that waits", b.Status)
	}
	h.verified()
}

func TestWhoMayTakePackingUpAgain(t *testing.T) {
	t.Parallel()
	h := newPackShop(t)
	code := h.dried()
	_, err := h.Pack(t.Context(), h.maker, store.Entry{}, h.nine(code))
	packOK(t, err)
	if err := h.ReopenPacking(t.Context(), h.helper, store.Entry{}, code, "mine now"); !fault.Is(err, fault.Forbidden) {
		t.Errorf("a helper, what a maker finished: %v", err)
	}
	other := h.maker
	other.Workshop = store.WorkshopID{9}
	if err := h.ReopenPacking(t.Context(), other, store.Entry{}, code, "not ours"); !fault.Is(err, fault.NotFound) {
		t.Errorf("another workshop: %v", err)
	}
	packOK(t, h.ReopenPacking(t.Context(), h.maker, store.Entry{}, code, "not yet"))
	h.verified()
}

func TestARejectedBatchStaysRejectedButOneWhosePackingsWereMayGoOn(t *testing.T) {
	t.Parallel()
	h := newPackShop(t)
	decided := h.dried()
	packOK(t, h.RejectBatch(t.Context(), h.maker, store.Entry{}, decided, "", "it foamed over"))
	packFault(t, h.ReopenPacking(t.Context(), h.maker, store.Entry{}, decided, "after all"), fault.Conflict, "", "was rejected")

	n := h.nine(h.dried())
	n.Good, n.Retained, n.LeftOverG = 5, 0, packSome("830")
	code := h.pack(n)
	packOK(t, h.RejectPacking(t.Context(), h.maker, store.Entry{}, code, packPassword, "the wrong label"))
	if b := h.read(code); b.Status != "rejected" {
		t.Fatalf("the batch is %s", b.Status)
	}
	packOK(t, h.ReopenPacking(t.Context(), h.maker, store.Entry{}, code, "the rest is fine"))
	if b := h.read(code); b.Status != "packing" || b.Packings[0].Status != "rejected" {
		t.Errorf("the batch is %s, the packing %s", b.Status, b.Packings[0].Status)
	}
	h.verified()
}

func TestABatchRejectedWithWhatWaitsIsSignedForPackingByPacking(t *testing.T) {
	t.Parallel()
	h := newPackShop(t)
	code := h.dried()
	n := h.nine(code)
	n.Good, n.Retained, n.Finished = 4, 0, false
	first := h.pack(n)
	packOK(t, h.ReleasePacking(t.Context(), h.maker, store.Entry{}, first, packPassword, store.SeenHash(h.packing(first).Conditions)))
	waiting := []string{h.pack(n), ""}
	n.Good = 1
	waiting[1] = h.pack(n)
	packFault(t, h.RejectBatch(t.Context(), h.maker, store.Entry{}, code, "", "mould found"), fault.Invalid, "password", "2 packings of it wait and are rejected with it")
	packFault(t, h.RejectBatch(t.Context(), h.maker, store.Entry{}, code, "guessed-at-random", "mould found"), fault.Invalid, "password", "not your password")
	packFault(t, h.RejectBatch(t.Context(), h.maker, store.Entry{}, code, packPassword, " "), fault.Invalid, "reason", "Say why")
	if err := h.RejectBatch(t.Context(), h.helper, store.Entry{}, code, packPassword, "mould found"); !fault.Is(err, fault.Forbidden) {
		t.Errorf("a helper: %v", err)
	}
	if b := h.read(code); b.Status != "packing" || slices.ContainsFunc(b.Packings, func(p store.Packing) bool { return p.Status == "rejected" }) {
		t.Fatal("something was rejected before it was signed for")
	}
	packOK(t, h.RejectBatch(t.Context(), h.maker, store.Entry{}, code, packPassword, "mould found"))
	for _, w := range waiting {
		p := h.packing(w)
		if p.Status != "rejected" || len(p.Signatures) != 1 || p.Signatures[0].Meaning != "rejected" || p.Signatures[0].Broken || p.Signatures[0].Name != h.maker.Name {
			t.Errorf("%s is %s, signed %+v", w, p.Status, p.Signatures)
		}
	}
	if p := h.packing(first); p.Status != "released" || len(p.Signatures) != 1 {
		t.Errorf("what was released is %s, %d signatures", p.Status, len(p.Signatures))
	}
	h.verified()
}
