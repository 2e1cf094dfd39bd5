package store_test

import (
	"context"
	"io"
	"testing"
	"time"

	"example.org/stillroom/internal/batchcode"
	"example.org/stillroom/internal/store"
	"example.org/stillroom/internal/store/floor"
	"example.org/stillroom/internal/trace"
)

// ratio reports how much longer one thing takes than another; they take turns, so that both meet the same machine.
func ratio(b *testing.B, what func() error, against func() error) {
	b.Helper()
	took := func(do func() error) time.Duration {
		at := time.Now()
		if err := do(); err != nil {
			b.Fatal(err)
		}
		return time.Since(at)
	}
	var ours, least time.Duration
	for b.Loop() {
		least += took(against)
		ours += took(what)
	}
	b.ReportMetric(float64(ours)/float64(least), "x/floor")
}

// benchFloor records what the store asks for something, and answers the same statements in one batch.
func benchFloor(b *testing.B, h unitsShop, do func(*store.Store) error) func() error {
	b.Helper()
	ctx := context.Background()
	recorder := &floor.Recorder{}
	traced, err := store.Open(ctx, h.db.AppURL, store.Traced(recorder))
	if err != nil {
		b.Fatal(err)
	}
	defer traced.Close()
	if err := do(traced); err != nil {
		b.Fatal(err)
	}
	recorder.Take()
	if err := do(traced); err != nil {
		b.Fatal(err)
	}
	asked := floor.Reads(recorder.Take())
	db, err := floor.Open(ctx, h.db.AppURL)
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(db.Close)
	return func() error {
		_, err := db.Batch(ctx, asked)
		return err
	}
}

// BenchmarkBatchPage is the page of a batch against the same statements in one batch.
func BenchmarkBatchPage(b *testing.B) {
	h := newUnitsShop(b)
	h.packed("OB-1", 40, 300)
	w := store.Workshop{ID: h.owner.Workshop}
	page := func(s *store.Store) error {
		_, err := s.BatchPage(context.Background(), w, "OB-1", time.Now())
		return err
	}
	least := benchFloor(b, h, page)
	ratio(b, func() error { return page(h.Store) }, least)
}

// BenchmarkRecallList is a recall list with its CSV, 200 packings in ten dispatches each, against the same statements in
// one batch.
func BenchmarkRecallList(b *testing.B) {
	h := newUnitsShop(b)
	lot := h.book.Lot("L-1", h.book.Material("OIL", "Oil"), 1_000_000)
	customer := h.book.Customer("C-1", "Alder House", "stockist")
	for i := range 200 {
		p := h.book.Batch(benchCode("OB", i), batchcode.Fold(benchCode("OB", i)), h.soap, "2026-01-05", 100, "released", "2028-01-05")
		h.book.Draw(p.Batch, lot, 10)
		for j := range 10 {
			h.book.Dispatch(benchCode("D", i*10+j), customer, p.Packing, 1, "2026-02-05")
		}
	}
	list := func(s *store.Store) error {
		_, lines, err := s.RecallList(context.Background(), h.owner.Workshop, store.TraceStart{Kind: "lot", Code: "L-1"})
		if err == nil {
			err = trace.RecallCSV(io.Discard, lines)
		}
		return err
	}
	least := benchFloor(b, h, list)
	ratio(b, func() error { return list(h.Store) }, least)
}

func benchCode(letters string, n int) string {
	return letters + string(rune('A'+n/1000)) + string([]byte{byte('0' + n/100%10), byte('0' + n/10%10), byte('0' + n%10)})
}
