package store_test

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"sync"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"
	"github.com/shopspring/decimal"

	"example.org/stillroom/internal/batchcode"
	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/pgtest"
	"example.org/stillroom/internal/store"
)

const (
	stormHands   = 16
	stormEntries = 30 // of each hand; some 500 in all take 3 to 8 s
	stormLasts   = 10 * time.Second
)

// storm is a shelf that many hands work on at once: two lots a material, three batches in making, three dried, three
// packings that may leave.
type storm struct {
	packShop
	making, dried, released []string
	lots                    []string
	customer                string

	mu         sync.Mutex
	dispatches []string
	did        map[string]int // entries that were taken, by kind
}

// Whatever sixteen hands do at once on the same lots, batches and packings, each entry is taken or refused in words: no
// two wait for each other, and the chain and every ledger hold afterwards.
func TestManyHandsAtOnceNeverWaitForEachOtherAndTheBookHolds(t *testing.T) {
	t.Parallel()
	s := newStorm(t)
	ctx, cancel := context.WithTimeout(t.Context(), stormLasts)
	defer cancel()
	var hands sync.WaitGroup
	for hand := range stormHands {
		hands.Go(func() {
			rnd := rand.New(rand.NewPCG(7, uint64(hand)))
			for range stormEntries {
				kind, err := s.anything(ctx, rnd)
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
	for _, kind := range []string{"start", "weigh", "correct", "pack", "dispatch", "return", "move", "count lot", "correct lot"} {
		if s.did[kind] == 0 {
			t.Errorf("nobody's %q was taken: %v", kind, s.did)
		}
	}
	conn, err := pgx.Connect(t.Context(), s.db.OwnerURL)
	packOK(t, err)
	defer conn.Close(context.Background())
	var below []string
	rows, err := conn.Query(t.Context(), `SELECT l.code FROM material_lot l WHERE l.quantity + coalesce((SELECT sum(m.quantity) FROM stock_move m WHERE m.workshop_id = l.workshop_id AND m.lot_id = l.id AND m.replaced_by IS NULL), 0)
		- coalesce((SELECT sum(i.quantity) FROM batch_input i WHERE i.workshop_id = l.workshop_id AND i.material_lot_id = l.id AND i.replaced_by IS NULL), 0)
		- coalesce((SELECT sum(i.quantity) FROM packing_input i WHERE i.workshop_id = l.workshop_id AND i.material_lot_id = l.id AND i.replaced_by IS NULL), 0) < 0`)
	packOK(t, err)
	below, err = pgx.CollectRows(rows, pgx.RowTo[string])
	packOK(t, err)
	if len(below) > 0 {
		t.Errorf("more was drawn than there is of %v", below)
	}
	s.verified()
}

func newStorm(t *testing.T) *storm {
	t.Helper()
	h := newPackShop(t)
	s := &storm{packShop: h, lots: []string{"SB-1", "SB-2", "CA-1", "CA-2"}, did: map[string]int{}}
	h.lot("SB", "SB-2", "3000", h.today.AddDays(300))
	h.lot("CA", "CA-2", "900", h.today.AddDays(300))
	h.lot("WR", "WR-2", "20", h.today.AddDays(300))
	for range 3 {
		s.dried = append(s.dried, h.dried())
		code, err := s.begin(t.Context())
		packOK(t, err)
		s.making = append(s.making, code)
	}
	book := pgtest.History(t, h.db, uuid.UUID(h.maker.Workshop))
	soap := book.Product("OS", "Oat soap bar")
	for n := range 3 {
		code := fmt.Sprintf("OS-%d", n)
		book.Batch(code, batchcode.Fold(code), soap, h.today.AddDays(-40).String(), 60, "released", "")
		s.released = append(s.released, code)
	}
	var err error
	s.customer, err = h.AddCustomer(t.Context(), h.maker, store.Entry{}, store.Customer{Name: "Fenmarch Shop", Kind: "stockist"})
	packOK(t, err)
	return s
}

func (s *storm) begin(ctx context.Context) (string, error) {
	plan, err := s.MakePlan(ctx, s.maker, store.NewPlan{Formula: "BF", Product: "BF165", MassG: packDec("1690"), On: s.today})
	if err != nil {
		return "", err
	}
	return s.StartBatch(ctx, s.maker, store.Entry{}, store.Start{Plan: plan, TemperatureC: packSome("20"), HumidityPct: packSome("45")})
}

func stormOne[T any](rnd *rand.Rand, of []T) T { return of[rnd.IntN(len(of))] }

var stormKinds = []string{"start", "weigh", "weigh", "weigh", "add", "draw", "correct", "correct", "tick", "reject", "pack", "pack", "correct packing",
	"dispatch", "dispatch", "correct dispatch", "return", "move", "hold", "count lot", "move lot", "status", "correct lot", "release", "note", "decide"}

var stormReally = store.Really{Yes: true, Reason: "it is so"}

// anything makes one entry, mostly what a bench allows and sometimes what it refuses.
func (s *storm) anything(ctx context.Context, rnd *rand.Rand) (kind string, err error) {
	kind = stormOne(rnd, stormKinds)
	making, dried, lot := stormOne(rnd, s.making), stormOne(rnd, s.dried), stormOne(rnd, s.lots)
	grams := decimal.NewFromInt(int64(1 + rnd.IntN(400)))
	sold := []string{stormOne(rnd, s.released), stormOne(rnd, s.released)}
	switch kind {
	case "start":
		_, err = s.begin(ctx)
	case "weigh", "add":
		var b store.BatchRecord
		if b, err = s.Batch(ctx, s.maker.Workshop, making); err != nil {
			return kind, err
		}
		w := store.Weighing{Batch: making, Lot: lot, Grams: grams, Really: stormReally}
		if kind == "weigh" {
			w.Line = b.Lines[0].ID
			w.Lot = stormOne(rnd, []string{"SB-1", "SB-2"})
		}
		entry := store.Entry{Key: uuid.New()}
		err = s.Weigh(ctx, s.maker, entry, w)
		if again := s.Weigh(ctx, s.maker, entry, w); err == nil && again != nil {
			return kind, fmt.Errorf("sent again: %w", again)
		}
	case "draw":
		err = s.Weigh(ctx, s.maker, store.Entry{}, store.Weighing{Batch: making, SourceBatch: dried, Grams: grams, Really: stormReally})
	case "correct":
		err = s.correctAny(ctx, rnd, stormOne(rnd, []string{making, dried}), grams)
	case "tick":
		var b store.BatchRecord
		if b, err = s.Batch(ctx, s.maker.Workshop, making); err == nil {
			err = s.TickStep(ctx, s.maker, store.Entry{}, making, b.Steps[0].ID, "", time.Time{})
		}
	case "reject":
		err = s.RejectUnits(ctx, s.maker, store.Entry{}, dried, []store.NewReject{{Stage: "cure_end", Reason: "crack", Units: 1}}, stormReally)
	case "pack":
		_, err = s.Pack(ctx, s.helper, store.Entry{}, store.NewPacking{Batch: dried, Product: "BF165", PackedOn: s.today, Good: 1, Cleared: true, LabelChecked: true, LabelSpecimen: "Bath fizz",
			Packaging: []store.PackagingUse{{Material: "WR", Lot: stormOne(rnd, []string{"WR-1", "WR-2"})}}, Finished: rnd.IntN(12) == 0, Really: stormReally})
	case "correct packing":
		err = s.CorrectPacking(ctx, s.maker, store.Entry{}, store.PackingCorrection{Packing: dried, Good: 1 + rnd.IntN(3), Cleared: true, LabelChecked: true, LabelSpecimen: "Bath fizz", Reason: "counted again", Really: stormReally})
	case "dispatch":
		n := store.NewDispatch{Customer: s.customer, On: s.today, Lines: []store.DispatchLine{{Packing: sold[0], Units: 1 + rnd.IntN(9)}}}
		if sold[1] != sold[0] {
			n.Lines = append(n.Lines, store.DispatchLine{Packing: sold[1], Units: 1 + rnd.IntN(9)})
		}
		if rnd.IntN(3) == 0 {
			n.AlreadyLeft, n.Reason = true, "the van has gone"
		}
		var code string
		if code, err = s.Dispatch(ctx, s.helper, store.Entry{}, n); err == nil {
			s.mu.Lock()
			s.dispatches = append(s.dispatches, code)
			s.mu.Unlock()
		}
	case "correct dispatch", "return":
		s.mu.Lock()
		var code string
		if len(s.dispatches) > 0 {
			code = stormOne(rnd, s.dispatches)
		}
		s.mu.Unlock()
		if kind == "return" {
			_, err = s.Return(ctx, s.helper, store.Entry{}, store.NewReturn{Dispatch: code, Packing: sold[0], On: s.today, Units: 1, Disposition: stormOne(rnd, []string{"restock", "hold", "destroy"}), Note: "dented"})
			break
		}
		err = s.CorrectDispatch(ctx, s.maker, store.Entry{}, store.LineCorrection{Dispatch: code, Packing: sold[0], Units: rnd.IntN(12), AlreadyLeft: true, Reason: "counted the box"})
	case "move":
		_, err = s.MoveUnits(ctx, s.helper, store.Entry{}, store.UnitMove{Packing: sold[0], On: s.today, Reason: "tester", Units: 1})
	case "hold":
		err = s.PlaceHold(ctx, s.helper, store.Entry{}, store.NewHold{Packing: sold[0], Units: 1, Reason: "a smell"})
	case "count lot":
		_, err = s.CountLot(ctx, s.helper, store.Entry{}, store.LotCount{Lot: lot, Counted: decimal.NewFromInt(int64(rnd.IntN(4000))), Note: "weighed the tub"})
	case "move lot":
		err = s.MoveLot(ctx, s.helper, store.Entry{}, store.LotMove{Lot: lot, Quantity: grams.Neg(), Reason: "write_off", Note: "spilt", On: s.today})
	case "status":
		err = s.SetLotStatus(ctx, s.owner, store.Entry{}, lot, stormOne(rnd, []string{"released", "rejected"}), "the supplier wrote")
	case "correct lot":
		err = s.CorrectLot(ctx, s.maker, store.Entry{}, store.LotCorrection{Code: lot, ReceivedOn: s.today.AddDays(-90), ExpiresOn: s.today.AddDays(rnd.IntN(900)), Quantity: decimal.NewFromInt(int64(500 + rnd.IntN(5000)))}, "read the label again")
	case "release":
		var p store.PackingRecord
		if p, err = s.PackingRecord(ctx, s.maker.Workshop, dried); err == nil {
			err = s.ReleasePacking(ctx, s.maker, store.Entry{}, dried, packPassword, store.SeenHash(p.Conditions))
		}
	case "note":
		err = s.NoteDeviation(ctx, s.helper, store.Entry{}, stormOne(rnd, []string{making, dried}), "the lamp went out", "")
	case "decide":
		err = s.DecideDeviation(ctx, s.maker, store.Entry{}, 1+rnd.IntN(60), stormOne(rnd, []string{"accept", "reject"}), "looked at")
	}
	return kind, err
}

func (s *storm) correctAny(ctx context.Context, rnd *rand.Rand, batch string, grams decimal.Decimal) error {
	b, err := s.Batch(ctx, s.maker.Workshop, batch)
	if err != nil || len(b.Inputs()) == 0 {
		return errors.Join(err, fault.New(fault.NotFound, "nothing was weighed yet"))
	}
	in := stormOne(rnd, b.Inputs())
	c := store.Correction{Batch: batch, Input: in.ID, Grams: grams, Reason: "read it wrong", Withdraw: rnd.IntN(5) == 0, Really: stormReally}
	switch in.Lot {
	case "SB-1", "SB-2":
		c.Lot = stormOne(rnd, []string{"SB-1", "SB-2"})
	case "CA-1", "CA-2":
		c.Lot = stormOne(rnd, []string{"CA-1", "CA-2"})
	}
	return s.CorrectInput(ctx, s.maker, store.Entry{}, c)
}

// stormDetail is who waited for whom, where that was the failure.
func stormDetail(err error) string {
	var pg *pgconn.PgError
	if errors.As(err, &pg) {
		return ": " + pg.Detail + " " + pg.Where
	}
	return ""
}
