package store_test

import (
	"context"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/jackc/pgx/v5"
	"github.com/shopspring/decimal"

	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/store"
)

// The pages offer only what comes next. Whoever sends a form all the same, at any stage of a batch, is told, and the
// book is as it was.
func TestNoStepIsSkippedOrMadeTwiceByAFormThatNoPageOffers(t *testing.T) {
	t.Parallel()
	h := newPackShop(t)
	ctx := t.Context()
	owner, err := pgx.Connect(ctx, h.db.OwnerURL)
	packOK(t, err)
	defer owner.Close(context.Background())
	making := pressedNot(h)
	packed := h.dried()
	h.pack(h.nine(packed))
	h.lot("SB", "SB-2", "5000", h.today.AddDays(900))
	released := h.dried()
	h.pack(h.nine(released))
	packOK(t, h.ReleasePacking(ctx, h.maker, store.Entry{}, released, packPassword, store.SeenHash(h.packing(released).Conditions)))
	customer, err := h.AddCustomer(ctx, h.maker, store.Entry{}, store.Customer{Name: "Fenmarch Shop", Kind: "stockist"})
	packOK(t, err)
	yes := store.Really{Yes: true, Reason: "it is so"}
	none := store.Entry{}
	b := h.read(released)
	line, step, control := b.Lines[0].ID, b.Steps[0].ID, b.Controls[0].ID
	entries := map[string]func(code string) error{
		"weigh": func(code string) error {
			return h.Weigh(ctx, h.maker, none, store.Weighing{Batch: code, Line: h.read(code).Lines[0].ID, Lot: "SB-1", Grams: packDec("10"), Really: yes})
		},
		"add": func(code string) error {
			return h.Weigh(ctx, h.maker, none, store.Weighing{Batch: code, Lot: "SB-2", Grams: packDec("10"), Really: yes})
		},
		"tick": func(code string) error { return h.TickStep(ctx, h.maker, none, code, step, "", time.Time{}) },
		"read a control": func(code string) error {
			return h.ReadControl(ctx, h.maker, none, store.Readings{Batch: code, Control: control, Values: []decimal.Decimal{packDec("168")}, Really: yes})
		},
		"room": func(code string) error {
			return h.NoteClimate(ctx, h.maker, none, code, store.Climate{Stage: "making", TemperatureC: packSome("20"), HumidityPct: packSome("40"), Really: yes})
		},
		"rescale": func(code string) error { return h.RescaleRest(ctx, h.maker, none, code, line) },
		"mould": func(code string) error {
			return h.Mould(ctx, h.maker, none, store.Moulding{Batch: code, Units: 10, Really: yes})
		},
		"end the cure":   func(code string) error { return h.EndCure(ctx, h.maker, none, code, time.Time{}, yes) },
		"weigh the cure": func(code string) error { return h.WeighCure(ctx, h.maker, none, code, packDec("160"), time.Time{}) },
		"pack": func(code string) error {
			n := h.nine(code)
			n.Really = yes
			_, err := h.Pack(ctx, h.maker, none, n)
			return err
		},
		"finish": func(code string) error {
			return h.FinishPacking(ctx, h.maker, none, store.Finish{Batch: code, Note: "all gone"})
		},
		"reject units": func(code string) error {
			return h.RejectUnits(ctx, h.maker, none, code, []store.NewReject{{Stage: "cure_end", Reason: "crack", Units: 1}}, yes)
		},
		"bulk ready": func(code string) error {
			return h.NoteBulkReady(ctx, h.maker, none, store.BulkReady{Batch: code, Grams: packDec("100"), Really: yes})
		},
		"release bulk": func(code string) error { return h.DecideBulk(ctx, h.maker, none, code, packPassword, "", true, "") },
		"release": func(code string) error {
			seen := ""
			if p, err := h.PackingRecord(ctx, h.maker.Workshop, code); err == nil {
				seen = store.SeenHash(p.Conditions)
			}
			return h.ReleasePacking(ctx, h.maker, none, code, packPassword, seen)
		},
		"void": func(code string) error { return h.VoidBatch(ctx, h.maker, none, code, "never made") },
		"dispatch": func(code string) error {
			_, err := h.Dispatch(ctx, h.helper, none, store.NewDispatch{Customer: customer, On: h.today, Lines: []store.DispatchLine{{Packing: code, Units: 1}}})
			return err
		},
	}
	for name, tc := range map[string]struct {
		code string
		not  []string
	}{
		"in making":              {making, []string{"end the cure", "weigh the cure", "pack", "finish", "reject units", "bulk ready", "release bulk", "release", "void", "dispatch"}},
		"packed, not released":   {packed, []string{"weigh", "add", "tick", "read a control", "room", "rescale", "mould", "end the cure", "weigh the cure", "pack", "finish", "reject units", "bulk ready", "release bulk", "void", "dispatch"}},
		"released, nothing more": {released, []string{"weigh", "add", "tick", "read a control", "room", "rescale", "mould", "end the cure", "weigh the cure", "pack", "finish", "reject units", "bulk ready", "release bulk", "release", "void"}},
	} {
		for _, entry := range tc.not {
			before := cutCounts(t, owner)
			if err := entries[entry](tc.code); fault.As(err) == nil {
				t.Errorf("%s: %q answers %v, want a refusal in words", name, entry, err)
			}
			if diff := cmp.Diff(before, cutCounts(t, owner)); diff != "" {
				t.Errorf("%s: %q left something: %s", name, entry, diff)
			}
		}
	}
	h.verified()
}

// pressedNot is a batch with one line weighed.
func pressedNot(h packShop) string {
	h.t.Helper()
	plan, err := h.MakePlan(h.t.Context(), h.maker, store.NewPlan{Formula: "BF", Product: "BF165", MassG: packDec("1690"), On: h.today})
	packOK(h.t, err)
	code, err := h.StartBatch(h.t.Context(), h.maker, store.Entry{}, store.Start{Plan: plan, TemperatureC: packSome("20"), HumidityPct: packSome("45")})
	packOK(h.t, err)
	packOK(h.t, h.Weigh(h.t.Context(), h.maker, store.Entry{}, store.Weighing{Batch: code, Line: h.read(code).Lines[0].ID, Lot: "SB-1", Grams: h.read(code).Lines[0].TargetG}))
	return code
}
