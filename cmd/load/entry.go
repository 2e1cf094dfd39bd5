package main

import (
	"context"
	"crypto/sha256"
	"fmt"
	"os"
	"path/filepath"
	"time"

	"github.com/google/uuid"
	"github.com/shopspring/decimal"

	"example.org/stillroom/internal/store"
	"example.org/stillroom/internal/store/floor"
)

// benches is how many people book at a time.
const benches = 16

// bench is somebody who books moves of one lot, and what a pipeline sends for the same.
type bench struct {
	who   store.Who
	lot   string
	floor floor.Entry
}

// measureEntry books moves of lots, each a durable transaction with its change, its trail and its link in the chain, by
// sixteen at a time: in one workshop, whose chain they share, and in sixteen. The floor is the same statements sent by
// pgx in one pipeline.
func (r *run) measureEntry(ctx context.Context) error {
	for _, workshops := range []int{1, benches} {
		list, err := r.setBenches(ctx, workshops)
		if err != nil {
			return err
		}
		const lasts = 2 * time.Second
		var fs, os []float64
		for round := range r.rounds + 1 {
			f, err := perSecond(ctx, benches, lasts, func(ctx context.Context, n int) error { return list[n%benches].floor.Send(ctx, r.place.floor) })
			if err != nil {
				return err
			}
			o, err := perSecond(ctx, benches, lasts, func(ctx context.Context, n int) error { return list[n%benches].book(ctx, r.place.store) })
			if err != nil {
				return err
			}
			if round > 0 {
				fs, os = append(fs, f), append(os, o)
			}
		}
		f, o := median(fs), median(os)
		what := fmt.Sprintf("durable entry (a move of a lot), %d clients in %d workshops", benches, workshops)
		if workshops == 1 {
			what = fmt.Sprintf("durable entry (a move of a lot), %d clients in one workshop", benches)
		}
		r.results = append(r.results, result{what: what, floor: rate(f), ours: rate(o), ratio: o / f, least: 0.6, note: "the floor is a pgx pipeline of the same statements, not pgbench, which cannot make their ids"})
	}
	return nil
}

// setBenches makes workshops with a lot for each bench, and records an entry of each twice.
func (r *run) setBenches(ctx context.Context, workshops int) ([]bench, error) {
	dir := filepath.Join(r.data, "bench")
	if err := writeBenchLots(dir); err != nil {
		return nil, err
	}
	ids := make([]uuid.UUID, workshops)
	for w := range ids {
		ids[w] = uuid.New()
		if err := floor.NewWorkshop(ctx, r.place.owner, ids[w], benchCode+ids[w].String()[:8]); err != nil {
			return nil, err
		}
		src, err := store.OpenImportDir(dir)
		if err != nil {
			return nil, err
		}
		report, err := r.place.store.Import(ctx, store.Who{Workshop: store.WorkshopID(ids[w]), Actor: "command"}, src, store.ImportOptions{})
		if err != nil {
			return nil, err
		}
		if !report.Saved {
			return nil, fmt.Errorf("the lots of the benches were refused: %v", report.Faults)
		}
	}
	list := make([]bench, benches)
	for n := range list {
		b := &list[n]
		b.who, b.lot = store.Who{Workshop: store.WorkshopID(ids[n%workshops]), Actor: "command"}, benchLot(n)
		var twice [2]recording
		for k := range twice {
			var err error
			if twice[k], err = r.place.recorded(func() error { return b.book(ctx, r.place.traced) }); err != nil {
				return nil, err
			}
		}
		var err error
		if b.floor, err = floor.NewEntry(twice[0].list, twice[1].list); err != nil {
			return nil, err
		}
	}
	return list, nil
}

// benchCode begins the codes of workshops that are there for the entries.
const benchCode = "bench-"

func benchLot(n int) string { return fmt.Sprintf("BENCH-%02d", n) }

func writeBenchLots(dir string) error {
	if err := os.MkdirAll(dir, 0o755); err != nil {
		return err
	}
	if _, err := write(dir, "materials", columns("code name kind unit"), func(o *out) { o.row("OIL", "Olive oil", "raw", "g") }); err != nil {
		return err
	}
	_, err := write(dir, "material_lots", columns("code material received_on quantity status"), func(o *out) {
		for n := range benches {
			o.row(benchLot(n), "OIL", firstDay.String(), "100000000", "released")
		}
	})
	return err
}

func (b bench) book(ctx context.Context, s *store.Store) error {
	m := store.LotMove{Lot: b.lot, Quantity: decimal.New(-1, -1), Reason: "adjust", Note: "Measured"}
	return s.MoveLot(ctx, b.who, store.Entry{Key: uuid.New(), Payload: sha256.Sum256([]byte(b.lot))}, m)
}
