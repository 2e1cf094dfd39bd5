package store_test

import (
	"context"
	"fmt"
	"math/rand/v2"
	"slices"
	"sync"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/shopspring/decimal"

	"example.org/stillroom/internal/batchcode"
	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/store"
)

// shelfStorm is a storm over what stands around the bench: tubs, sets, crates, rework, samples, codes on units, counts.
type shelfStorm struct {
	*storm
	spare []string // batches packed, with rejects and a left-over

	codes map[string][]string // what came to be, by kind, under storm.mu
}

func (s *shelfStorm) keep(kind, code string, err error) error {
	if err == nil {
		s.mu.Lock()
		defer s.mu.Unlock()
		s.codes[kind] = append(s.codes[kind], code)
	}
	return err
}

// one is a code of a kind, or one that there is not.
func (s *shelfStorm) one(rnd *rand.Rand, kind string) string {
	s.mu.Lock()
	defer s.mu.Unlock()
	if len(s.codes[kind]) == 0 {
		return "none yet"
	}
	return stormOne(rnd, s.codes[kind])
}

func newShelfStorm(t *testing.T) *shelfStorm {
	t.Helper()
	s := &shelfStorm{storm: newStorm(t), codes: map[string][]string{}}
	shop := setShopOf(s.packShop)
	shop.stock("FZ-1", "BF165", 90, 100, "released")
	shop.stock("FZ-2", "BF165", 5, 100, "released")
	shop.stock("BR-1", "BAR", 60, 200, "released")
	for range 2 {
		s.spare = append(s.spare, s.crumbled())
	}
	for n := range 2 {
		code, err := s.FillTub(t.Context(), s.helper, store.Entry{}, store.TubFill{Tub: fmt.Sprintf("First drum %d", n), Material: "SB", From: []store.TubDraw{tubOf("SB-2", "400")}})
		packOK(t, s.keep("tub", code, err))
	}
	fair, err := s.AddCustomer(t.Context(), s.maker, store.Entry{}, store.Customer{Code: "FAIR", Name: "Quay Fair", Kind: "event"})
	packOK(t, s.keep("fair", fair, err))
	return s
}

// Tubs are filled from each other and rejected while they are drawn on, sets made of the same last units, crates sent and
// counted back twice, leave drawn on twice, all while the bench goes on: each entry is taken or refused in words, nobody
// waits in a ring, no ledger goes below zero, every trace is that of a search by hand, and the chain holds.
func TestManyHandsAtTheShelfAndTheBenchNeverWaitForEachOther(t *testing.T) {
	t.Parallel()
	s := newShelfStorm(t)
	ctx, cancel := context.WithTimeout(t.Context(), 2*stormLasts)
	defer cancel()
	var hands sync.WaitGroup
	for hand := range stormHands {
		hands.Go(func() {
			rnd := rand.New(rand.NewPCG(11, uint64(hand)))
			for range 2 * stormEntries {
				kind, err := s.shelf(ctx, rnd)
				switch {
				case ctx.Err() != nil:
					return // the rest of a slow machine's entries are not missed
				case err == nil:
					s.mu.Lock()
					s.did[kind]++
					s.mu.Unlock()
				case fault.As(err) == nil:
					t.Errorf("%s: %v%s", kind, err, stormDetail(err))
				}
			}
		})
	}
	hands.Wait()
	for _, kind := range []string{"fill", "top up", "weigh from tub", "set", "crate", "send crate", "crate back", "count shelf", "draw rework", "code on units", "stage"} {
		if s.did[kind] == 0 {
			t.Errorf("nobody's %q was taken: %v", kind, s.did)
		}
	}
	s.nothingBelowZero()
	s.tracesAgree()
	s.verified()
}

// nothingBelowZero sums each ledger from its rows, without the store's own views.
func (s *shelfStorm) nothingBelowZero() {
	s.t.Helper()
	conn, err := pgx.Connect(s.t.Context(), s.db.OwnerURL)
	packOK(s.t, err)
	defer conn.Close(context.Background())
	for what, sql := range map[string]string{
		"lots": `SELECT l.code FROM material_lot l WHERE l.quantity
			+ coalesce((SELECT sum(m.quantity) FROM stock_move m WHERE m.lot_id = l.id AND m.replaced_by IS NULL), 0)
			+ coalesce((SELECT sum(i.quantity) FROM lot_input i WHERE i.lot_id = l.id AND i.replaced_by IS NULL), 0)
			- coalesce((SELECT sum(i.quantity) FROM lot_input i WHERE i.source_lot_id = l.id AND i.replaced_by IS NULL), 0)
			- coalesce((SELECT sum(i.quantity) FROM batch_input i WHERE i.material_lot_id = l.id AND i.replaced_by IS NULL), 0)
			- coalesce((SELECT sum(i.quantity) FROM packing_input i WHERE i.material_lot_id = l.id AND i.replaced_by IS NULL), 0) < 0`,
		"packings": `SELECT p.code FROM packing p WHERE p.units_good
			+ coalesce((SELECT sum(m.units) FROM unit_move m WHERE m.packing_id = p.id AND m.replaced_by IS NULL), 0)
			+ coalesce((SELECT sum(r.units) FROM unit_return r WHERE r.packing_id = p.id AND r.replaced_by IS NULL AND r.disposition <> 'destroy'), 0)
			- coalesce((SELECT sum(d.units) FROM dispatch_line d WHERE d.packing_id = p.id AND d.replaced_by IS NULL), 0)
			- coalesce((SELECT sum(i.quantity) FROM batch_input i WHERE i.source_packing_id = p.id AND i.replaced_by IS NULL), 0) < 0`,
		"leave drawn on without a deviation": `SELECT r.id::text FROM rework r WHERE r.grams < (SELECT sum(i.quantity) FROM batch_input i WHERE i.rework_id = r.id AND i.replaced_by IS NULL)`,
		"crates that are back with more than they took": `SELECT k.code FROM crate k WHERE (SELECT sum(r.units) FROM unit_return r WHERE r.dispatch_id = k.dispatch_id AND r.replaced_by IS NULL)
			> (SELECT sum(d.units) FROM dispatch_line d WHERE d.dispatch_id = k.dispatch_id AND d.replaced_by IS NULL)`,
		"tubs in use under one name": `SELECT lower(tub) FROM material_lot WHERE washed_on IS NULL AND tub IS NOT NULL GROUP BY 1 HAVING count(*) > 1`,
		"lots in a ring":             `WITH RECURSIVE r (a, b) AS (SELECT source_lot_id, lot_id FROM lot_input WHERE replaced_by IS NULL UNION SELECT r.a, i.lot_id FROM r JOIN lot_input i ON i.source_lot_id = r.b AND i.replaced_by IS NULL) SELECT a::text FROM r WHERE a = b`,
		"batches in a ring":          `WITH RECURSIVE r (a, b) AS (SELECT source_batch_id, batch_id FROM batch_input WHERE replaced_by IS NULL AND source_batch_id IS NOT NULL UNION SELECT r.a, i.batch_id FROM r JOIN batch_input i ON i.source_batch_id = r.b AND i.replaced_by IS NULL) SELECT a::text FROM r WHERE a = b`,
		"a tub that is released and holds what was rejected before it was filled in": `SELECT l.code FROM material_lot l WHERE l.tub IS NOT NULL AND l.status = 'released' AND EXISTS (SELECT FROM lot_input i JOIN material_lot x ON x.id = i.source_lot_id
			WHERE i.lot_id = l.id AND i.replaced_by IS NULL AND x.status = 'rejected')`,
	} {
		rows, err := conn.Query(s.t.Context(), sql)
		packOK(s.t, err)
		off, err := pgx.CollectRows(rows, pgx.RowTo[string])
		packOK(s.t, err)
		if len(off) > 0 {
			s.t.Errorf("%s: %v", what, off)
		}
	}
}

var shelfKinds = []string{"fill", "fill", "top up", "top up", "top up", "weigh from tub", "weigh from tub", "empty tub", "reopen tub", "correct filling", "reject lot", "retest",
	"set", "set", "correct set", "apart", "release", "crate", "add to crate", "edit crate", "send crate", "send crate", "crate back", "crate back", "drop crate", "count shelf",
	"leave", "take leave back", "draw rework", "draw rework", "sample", "code on units", "stage", "reopen", "reject set", "bench", "bench", "bench", "bench", "bench", "bench"}

func (s *shelfStorm) shelf(ctx context.Context, rnd *rand.Rand) (kind string, err error) {
	kind = stormOne(rnd, shelfKinds)
	none := store.Entry{}
	grams := decimal.NewFromInt(int64(1 + rnd.IntN(300)))
	lot := stormOne(rnd, []string{"SB-1", "SB-2", s.one(rnd, "tub"), s.one(rnd, "tub")})
	tub, spare := s.one(rnd, "tub"), stormOne(rnd, s.spare)
	switch kind {
	case "bench":
		return s.anything(ctx, rnd)
	case "fill":
		var code string
		code, err = s.FillTub(ctx, s.helper, none, store.TubFill{Tub: fmt.Sprintf("Drum %d", rnd.IntN(9)), Material: "SB", From: []store.TubDraw{{Lot: lot, Quantity: grams}}, Really: stormReally})
		err = s.keep("tub", code, err)
	case "top up":
		err = s.TopUpTub(ctx, s.helper, none, store.TopUp{Lot: tub, From: []store.TubDraw{{Lot: lot, Quantity: grams}}, Really: stormReally})
	case "weigh from tub":
		var b store.BatchRecord
		making := stormOne(rnd, s.making)
		if b, err = s.Batch(ctx, s.maker.Workshop, making); err == nil {
			err = s.Weigh(ctx, s.helper, none, store.Weighing{Batch: making, Line: b.Lines[0].ID, Lot: tub, Grams: grams, Really: stormReally})
		}
	case "empty tub":
		err = s.EmptyTub(ctx, s.helper, none, store.TubEmptied{Lot: tub, Washed: rnd.IntN(3) == 0, Rest: "away", Note: "rancid at the rim"})
	case "reopen tub":
		err = s.ReopenTub(ctx, s.maker, none, tub, "it was the other one")
	case "correct filling":
		var l store.LotPage
		if l, err = s.Lot(ctx, s.maker.Workshop, tub); err == nil && len(l.FilledFrom) > 0 {
			err = s.CorrectFilling(ctx, s.maker, none, store.FillingCorrection{Lot: tub, ID: stormOne(rnd, l.FilledFrom).ID, Quantity: grams, Withdraw: rnd.IntN(4) == 0, Reason: "read the scale again", Really: stormReally})
		}
	case "reject lot":
		err = s.SetLotStatus(ctx, s.owner, none, lot, stormOne(rnd, []string{"released", "released", "rejected"}), "the supplier wrote")
	case "retest":
		err = s.RetestLot(ctx, s.maker, none, store.NewRetest{Lot: lot, Passed: rnd.IntN(2) == 0, Words: "smelt and looked at", NextOn: s.today.AddDays(90)})
	case "set", "correct set":
		units := []store.SetUnits{{Packing: stormOne(rnd, []string{"FZ-1", "FZ-2"}), Units: 2}, {Packing: "BR-1", Units: 1}}
		if rnd.IntN(2) == 0 {
			slices.Reverse(units)
		}
		if kind == "correct set" {
			err = s.CorrectSet(ctx, s.maker, none, store.SetCorrection{Batch: s.one(rnd, "set"), Units: units, Reason: "looked in the box", Really: stormReally})
			break
		}
		var code string
		code, err = s.PutTogether(ctx, s.helper, none, store.NewSet{Product: "GIFT", On: s.today, Good: 1, Units: units, Packaging: []store.PackagingUse{{Material: "BOX", Lot: "BOX-1"}}, Cleared: true, LabelChecked: true, LabelSpecimen: "Gift set", Really: stormReally})
		err = s.keep("set", code, err)
	case "apart":
		err = s.TakeApart(ctx, s.maker, none, s.one(rnd, "set"), "written down by mistake")
	case "reject set":
		err = s.RejectBatch(ctx, s.maker, none, s.one(rnd, "set"), packPassword, "the ribbon ran")
	case "release":
		code := stormOne(rnd, []string{spare, s.one(rnd, "set")})
		var p store.PackingRecord
		if p, err = s.PackingRecord(ctx, s.maker.Workshop, code); err == nil {
			err = s.ReleasePacking(ctx, s.maker, none, code, packPassword, store.SeenHash(p.Conditions))
		}
	case "crate", "edit crate":
		lines := []store.DispatchLine{{Packing: stormOne(rnd, s.released), Units: 1 + rnd.IntN(5)}, {Packing: "FZ-1", Units: 1}, {Packing: s.one(rnd, "set"), Units: 1}}
		if lines[2].Packing == "none yet" || rnd.IntN(2) == 0 {
			lines = lines[:2]
		}
		if rnd.IntN(2) == 0 {
			slices.Reverse(lines)
		}
		if kind == "edit crate" {
			err = s.EditCrate(ctx, s.helper, none, s.one(rnd, "crate"), store.CrateEdit{On: s.today, Lines: lines})
			break
		}
		var code string
		code, err = s.AddCrate(ctx, s.helper, none, store.NewCrate{Customer: "FAIR", On: s.today, Lines: lines})
		err = s.keep("crate", code, err)
	case "add to crate":
		err = s.AddToCrate(ctx, s.helper, none, s.one(rnd, "crate"), store.DispatchLine{Packing: stormOne(rnd, s.released), Units: 1})
	case "send crate":
		leaves := store.CrateLeaves{On: s.today}
		if rnd.IntN(2) == 0 {
			leaves.AlreadyLeft, leaves.Reason = true, "the van has gone"
		}
		_, err = s.SendCrate(ctx, s.helper, none, s.one(rnd, "crate"), leaves)
	case "crate back":
		var page store.CratePage
		if page, err = s.CratePage(ctx, s.maker.Workshop, s.one(rnd, "crate")); err == nil {
			back := store.CrateBack{On: s.today}
			for _, o := range page.Out {
				c := store.CrateCount{Packing: o.Packing, Left: rnd.IntN(o.Out() + 1)}
				if c.Left < o.Out() {
					c.Tester = 1
				}
				back.Lines = append(back.Lines, c)
			}
			slices.Reverse(back.Lines)
			err = s.BookCrateBack(ctx, s.helper, none, page.Code, back)
		}
	case "drop crate":
		err = s.DropCrate(ctx, s.helper, none, s.one(rnd, "crate"))
	case "count shelf":
		_, err = s.CountShelf(ctx, s.helper, none, store.ShelfCount{Lines: []store.CountedLine{{Packing: stormOne(rnd, s.released), Units: 20 + rnd.IntN(40)}, {Packing: "FZ-1", Units: 5 + rnd.IntN(30)}}, Note: "counted twice"})
	case "leave":
		err = s.SignRework(ctx, s.maker, none, store.NewRework{Batch: spare, Formula: "BF", What: "rejects", Grams: decimal.NewFromInt(int64(10 + rnd.IntN(90))), Reason: "clean and dry"}, packPassword)
	case "take leave back":
		var page store.ReworkPage
		if page, err = s.ReworkPage(ctx, s.maker.Workshop, spare); err == nil && len(page.Leaves) > 0 {
			err = s.WithdrawRework(ctx, s.maker, none, spare, stormOne(rnd, page.Leaves).ID, "not needed")
		}
	case "draw rework":
		err = s.Weigh(ctx, s.helper, none, store.Weighing{Batch: stormOne(rnd, s.making), SourceBatch: spare, Grams: decimal.NewFromInt(int64(1 + rnd.IntN(40))), Really: stormReally})
	case "sample":
		_, err = s.AddSample(ctx, s.helper, none, store.NewSample{Packing: stormOne(rnd, s.dried), Units: 1, Place: "shelf 3", TakenOn: s.today})
	case "code on units":
		err = s.NoteUnitCode(ctx, s.helper, none, store.NewUnitCode{Packing: stormOne(rnd, s.released), Code: batchcode.Fold(fmt.Sprintf("MX-%d", rnd.IntN(40))), Kind: "misprint", Reason: "the ribbon ran"})
	case "stage":
		err = s.WeighStage(ctx, s.helper, none, store.NewStageMass{Batch: stormOne(rnd, s.dried), Stage: "cure_end", Units: 2, Grams: decimal.NewFromInt(330), At: time.Now(), Really: stormReally})
	case "reopen":
		err = s.ReopenPacking(ctx, s.maker, none, spare, "two more turned up")
	}
	return kind, err
}
