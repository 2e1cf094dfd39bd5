package demo_test

import (
	"strings"
	"testing"
	"time"

	"example.org/stillroom/internal/day"
	"example.org/stillroom/internal/demo"
	"example.org/stillroom/internal/pgtest"
	"example.org/stillroom/internal/store"
)

// The demo is the longest story that the store is told in a test: three months through the same methods as real
// entries, and at the end the chain and the ledgers hold.
func TestTheDemoIsAWholeWorkshopAndItsBookHolds(t *testing.T) {
	t.Parallel()
	// Whatever the hour, and on a leap day's morrow too, somebody waits at the bench and something for release.
	for name, now := range map[string]time.Time{"now": time.Now(), "just after midnight": time.Date(2028, 3, 1, 0, 20, 0, 0, time.UTC), "late at night": time.Date(2026, 6, 14, 22, 50, 0, 0, time.UTC)} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			wholeWorkshop(t, now)
		})
	}
}

func wholeWorkshop(t *testing.T, now time.Time) {
	ctx := t.Context()
	db := pgtest.Database(t)
	s, err := store.Open(ctx, db.OwnerURL)
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	shops, err := store.Workshops(ctx, db.OwnerURL)
	if err != nil {
		t.Fatal(err)
	}
	began := time.Now()
	if err := demo.Seed(ctx, s, shops[0], now, nil); err != nil {
		t.Fatal(err)
	}
	t.Logf("seeded in %s", time.Since(began).Round(time.Millisecond))
	verdicts, err := store.Verify(ctx, db.OwnerURL)
	if err != nil || len(verdicts[0].Broken) > 0 {
		t.Fatalf("verify: %+v, %v", verdicts, err)
	}
	shops, err = store.Workshops(ctx, db.OwnerURL)
	if err != nil || !shops[0].IsDemo || shops[0].Name != "Quillmoor Workshop" {
		t.Fatalf("workshop: %+v, %v", shops[0], err)
	}
	ws := shops[0].ID
	batches, _, err := s.Batches(ctx, ws, store.AllBatches, store.BatchKey{}, 500)
	if err != nil {
		t.Fatal(err)
	}
	states := map[string]int{}
	for _, b := range batches {
		states[b.Status]++
	}
	if len(batches) < 36 || states["making"] < 2 || states["curing"] < 2 || states["released"] < 18 || states["rejected"] < 2 {
		t.Errorf("%d batches: %v", len(batches), states)
	}
	materials, err := s.Materials(ctx, ws)
	if err != nil {
		t.Fatal(err)
	}
	lots := 0
	for _, m := range materials {
		page, err := s.MaterialPage(ctx, ws, m.Code, "")
		if err != nil {
			t.Fatal(err)
		}
		lots += len(page.InStock) + len(page.UsedUp)
	}
	if len(materials) < 25 || lots < 55 {
		t.Errorf("%d materials, %d lots", len(materials), lots)
	}
	bad, err := s.TraceSupplierLot(ctx, ws, "FO", "7731-B")
	if err != nil {
		t.Fatal(err)
	}
	if bad.Totals.Batches < 2 || bad.Totals.UnitsDispatched < 10 || bad.Totals.Customers < 3 || bad.Totals.UnitsOnHand < 1 {
		t.Errorf("the lot that went wrong reached %+v", bad.Totals)
	}
	today, err := s.Today(ctx, ws, day.In(now, shops[0].Location()).AddDays(60))
	if err != nil {
		t.Fatal(err)
	}
	if len(today.Open) < 2 || len(today.Curing) < 3 || len(today.Plans) != 1 || len(today.Lots) == 0 || len(today.Waiting) != 1 || len(today.Deviations) == 0 {
		t.Errorf("today: %d open, %d curing, %d plans, %d lots, %d waiting, %d deviations", len(today.Open), len(today.Curing), len(today.Plans), len(today.Lots), len(today.Waiting), len(today.Deviations))
	}
	late := 0
	for _, b := range batches {
		record, err := s.Batch(ctx, ws, b.Code)
		if err != nil {
			t.Fatal(err)
		}
		if record.Late {
			late++
		}
		if strings.TrimSpace(record.MadeBy) == "" {
			t.Errorf("batch %s names nobody", b.Code)
		}
	}
	if late > 0 {
		t.Errorf("%d batches count as written up late", late)
	}
}
