package store_test

import (
	"slices"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/store"
)

// A lot that turns bad after all is signed and sent is told wherever its units are shown: on the batch, on the packing, on
// the dispatch and on the crate, through tubs, sets, rework and packaging.
func TestALotRejectedAfterItsUnitsLeftIsToldWhereTheyAreShown(t *testing.T) {
	t.Parallel()
	for name, tc := range map[string]struct {
		lot  string
		into func(h setShop) (packing string)
	}{
		"weighed into the batch": {"CA-1", func(h setShop) string { return h.badReleased("") }},
		"wrapped around it":      {"WR-1", func(h setShop) string { return h.badReleased("") }},
		"through two tubs": {"SB-T", func(h setShop) string {
			h.lot("SB", "SB-T", "500", h.today.AddDays(300))
			tub := ""
			for _, drum := range []store.TubFill{{Tub: "Blue drum", From: []store.TubDraw{tubOf("SB-T", "400")}}, {Tub: "Red drum"}} {
				if tub != "" {
					drum.From = []store.TubDraw{tubOf(tub, "300")}
				}
				drum.Material = "SB"
				var err error
				tub, err = h.FillTub(h.t.Context(), h.helper, store.Entry{}, drum)
				packOK(h.t, err)
			}
			return h.badReleased(tub)
		}},
		"through a set, as the wrap of its part": {"WR-1", func(h setShop) string {
			part := h.badReleased("")
			h.stock("BR-1", "BAR", 10, 200, "released")
			n := h.three()
			n.Units[0] = store.SetUnits{Packing: part, Units: 6}
			code := h.put(n)
			packOK(h.t, h.ReleasePacking(h.t.Context(), h.maker, store.Entry{}, code, packPassword, store.SeenHash(h.packing(code).Conditions)))
			return code
		}},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			h := newSetShop(t)
			ctx := t.Context()
			packing := tc.into(h)
			crate, err := h.AddCrate(ctx, h.helper, store.Entry{}, store.NewCrate{NewEvent: "Quay Fair", On: h.today, Lines: []store.DispatchLine{{Packing: packing, Units: 2}}})
			packOK(t, err)
			sent, err := h.SendCrate(ctx, h.helper, store.Entry{}, crate, store.CrateLeaves{On: h.today})
			packOK(t, err)
			told := func() map[string][]string {
				t.Helper()
				batch, err := h.BatchPage(ctx, store.Workshop{ID: h.maker.Workshop}, packing, time.Now())
				packOK(t, err)
				dispatch, err := h.DispatchPage(ctx, h.maker.Workshop, sent)
				packOK(t, err)
				page, err := h.CratePage(ctx, h.maker.Workshop, crate)
				packOK(t, err)
				out := map[string][]string{"batch": batch.Bad, "packing": h.packing(packing).Bad}
				for where, list := range map[string][]store.BadPacking{"dispatch": dispatch.Bad, "crate": page.Bad} {
					for _, b := range list {
						out[where] = append(append(out[where], b.Packing), b.Lots...)
					}
				}
				return out
			}
			for where, lots := range told() {
				if len(lots) > 0 {
					t.Errorf("before it is rejected the %s names %v", where, lots)
				}
			}
			packOK(t, h.SetLotStatus(ctx, h.owner, store.Entry{}, tc.lot, "rejected", "the supplier wrote"))
			got := told()
			for where, lots := range got {
				if len(lots) == 0 || !slices.Contains(lots, tc.lot) {
					t.Errorf("the %s names %v, want %s among them", where, lots, tc.lot)
				}
			}
			if diff := cmp.Diff(got["crate"], got["dispatch"]); diff != "" {
				t.Errorf("crate and dispatch differ: %s", diff)
			}
			h.verified()
		})
	}
}

// badReleased is a packing of nine that is released; its first material comes from a lot, SB-1 where none is named.
func (h setShop) badReleased(lot string) string {
	h.t.Helper()
	ctx := h.t.Context()
	code := h.dried()
	if lot != "" {
		b := h.read(code)
		packOK(h.t, h.CorrectInput(ctx, h.maker, store.Entry{}, store.Correction{Batch: code, Input: b.Lines[0].Inputs[0].ID, Lot: lot, Grams: b.Lines[0].Inputs[0].Quantity, Reason: "took the drum", Really: stormReally}))
		for _, d := range h.read(code).Deviations {
			if d.Open() {
				packOK(h.t, h.DecideDeviation(ctx, h.maker, store.Entry{}, d.N, "accept", "looked at"))
			}
		}
	}
	h.pack(h.nine(code))
	packOK(h.t, h.ReleasePacking(ctx, h.maker, store.Entry{}, code, packPassword, store.SeenHash(h.packing(code).Conditions)))
	return code
}

// Whatever a maker accepts, nothing is released that holds a rejected lot or a rejected packing, however it came in; what
// is on hold as a whole waits.
func TestNothingUnfitIsReleasedByWhateverWayItCameIn(t *testing.T) {
	t.Parallel()
	for name, unfit := range map[string]func(h setShop) (packing string){
		"a tub in which a lot was rejected since": func(h setShop) string {
			h.lot("SB", "SB-T", "2000", h.today.AddDays(300))
			tub, err := h.FillTub(h.t.Context(), h.helper, store.Entry{}, store.TubFill{Tub: "Blue drum", Material: "SB", From: []store.TubDraw{tubOf("SB-T", "1500")}})
			packOK(h.t, err)
			code := h.begunFizz()
			packOK(h.t, h.Weigh(h.t.Context(), h.maker, store.Entry{}, store.Weighing{Batch: code, Line: h.read(code).Lines[0].ID, Lot: tub, Grams: h.read(code).Lines[0].TargetG, Really: stormReally}))
			packOK(h.t, h.SetLotStatus(h.t.Context(), h.owner, store.Entry{}, "SB-T", "rejected", "the supplier wrote"))
			return h.badPacked(code)
		},
		"a set with units of a packing that was rejected": func(h setShop) string {
			h.stock("FZ-1", "BF165", 10, 100, "rejected")
			h.stock("BR-1", "BAR", 10, 200, "released")
			return h.badSet()
		},
		"a set with units of a packing that is on hold since": func(h setShop) string {
			code := h.stocked().badSet()
			packOK(h.t, h.PlaceHold(h.t.Context(), h.helper, store.Entry{}, store.NewHold{Packing: "BR-1", Reason: "a smell"}))
			return code
		},
		"rejects worked in, with leave, of a batch whose lot was rejected since": func(h setShop) string {
			h.lot("SB", "SB-9", "9000", h.today.AddDays(300))
			h.lot("CA", "CA-9", "9000", h.today.AddDays(300))
			source := h.crumbled()
			packOK(h.t, h.SignRework(h.t.Context(), h.maker, store.Entry{}, reworkLeave(source, "300"), packPassword))
			code := h.begunFizz()
			packOK(h.t, h.workIn(code, source, "100", store.Really{}))
			packOK(h.t, h.SetLotStatus(h.t.Context(), h.owner, store.Entry{}, "SB-1", "rejected", "the supplier wrote"))
			for i, l := range h.read(code).Lines {
				packOK(h.t, h.Weigh(h.t.Context(), h.maker, store.Entry{}, store.Weighing{Batch: code, Line: l.ID, Lot: []string{"SB-9", "CA-9"}[i], Grams: l.TargetG, Really: stormReally}))
			}
			return h.badPacked(code)
		},
		"a label lot that was rejected since": func(h setShop) string {
			code := h.dried()
			h.pack(h.nine(code))
			packOK(h.t, h.SetLotStatus(h.t.Context(), h.owner, store.Entry{}, "WR-1", "rejected", "printed wrong"))
			return code
		},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			h := newSetShop(t)
			ctx := t.Context()
			code := unfit(h)
			for _, d := range h.read(code).Deviations {
				if d.Open() {
					packOK(t, h.DecideDeviation(ctx, h.owner, store.Entry{}, d.N, "accept", "it will do"))
				}
			}
			p := h.packing(code)
			if err := h.ReleasePacking(ctx, h.owner, store.Entry{}, code, packPassword, store.SeenHash(p.Conditions)); fault.As(err) == nil {
				t.Errorf("released: %v", err)
			}
			if s := h.packing(code).Status; s != "quarantined" {
				t.Errorf("it is %s", s)
			}
			h.verified()
		})
	}
}

func (h setShop) badSet() string {
	n := h.three()
	n.Really = stormReally
	return h.put(n)
}

// badPacked goes on with a batch in making to its packing, whatever is asked.
func (h setShop) badPacked(code string) string {
	h.t.Helper()
	ctx := h.t.Context()
	b := h.read(code)
	for i, l := range b.Lines {
		if len(l.Inputs) == 0 {
			packOK(h.t, h.Weigh(ctx, h.maker, store.Entry{}, store.Weighing{Batch: code, Line: l.ID, Lot: []string{"SB-1", "CA-1"}[i], Grams: l.TargetG, Really: stormReally}))
		}
	}
	packOK(h.t, h.TickStep(ctx, h.maker, store.Entry{}, code, b.Steps[0].ID, "", time.Now()))
	packOK(h.t, h.Mould(ctx, h.maker, store.Entry{}, store.Moulding{Batch: code, Units: 10, Really: stormReally}))
	packOK(h.t, h.EndCure(ctx, h.maker, store.Entry{}, code, time.Now(), stormReally))
	n := h.nine(code)
	n.Really, n.YieldNote = stormReally, "crumbs on the bench"
	h.pack(n)
	return code
}
