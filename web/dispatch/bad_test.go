package dispatch_test

import (
	"strings"
	"testing"

	"example.org/stillroom/internal/access"
	"example.org/stillroom/internal/batchcode"
	"example.org/stillroom/internal/store"
	"example.org/stillroom/web/paths"
)

func TestALotRejectedSinceIsToldOnEveryPageOfItsUnits(t *testing.T) {
	t.Parallel()
	s := newShelf(t)
	ctx, owner := t.Context(), s.Who(access.Owner)
	oil := s.book.Material("OO", "Oat oil")
	lot := s.book.Lot("OO-1", oil, 500)
	batch := s.book.Batch("SB-9", batchcode.Fold("SB-9"), s.soap, s.today.AddDays(-60).String(), 10, "released", s.today.AddDays(90).String())
	s.book.Draw(batch.Batch, lot, 100)
	s.book.Draw(s.book.Batch("SB-8", batchcode.Fold("SB-8"), s.soap, s.today.AddDays(-60).String(), 10, "released", s.today.AddDays(90).String()).Batch, s.book.Lot("OO-2", oil, 500), 100)
	lines := []store.DispatchLine{{Packing: "SB-8", Units: 2}, {Packing: "SB-9", Units: 2}}
	sent, err := s.Store.Dispatch(ctx, owner, store.Entry{}, store.NewDispatch{Customer: "HSP", On: s.today, Lines: lines})
	if err != nil {
		t.Fatal(err)
	}
	packing, err := s.Store.AddCrate(ctx, owner, store.Entry{}, store.NewCrate{NewEvent: "Quay Fair", On: s.today, Lines: lines})
	if err != nil {
		t.Fatal(err)
	}
	away, err := s.Store.AddCrate(ctx, owner, store.Entry{}, store.NewCrate{NewEvent: "Mill Fair", On: s.today, Lines: lines})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := s.Store.SendCrate(ctx, owner, store.Entry{}, away, store.CrateLeaves{On: s.today}); err != nil {
		t.Fatal(err)
	}
	viewer := s.As(access.Viewer)
	pages := map[string]string{"batch": paths.Batch("SB-9"), "packing": paths.Packing("SB-9"), "dispatch": paths.Dispatch(sent), "crate being packed": paths.Crate(packing), "crate that is away": paths.Crate(away)}
	for name, path := range pages {
		if words := viewer.Get(path).Text(".note.stop"); strings.Contains(words, "may not be used") {
			t.Errorf("%s: nothing is wrong yet, and it says %q", name, words)
		}
	}
	if err := s.Store.SetLotStatus(ctx, owner, store.Entry{}, "OO-1", "rejected", "the supplier wrote"); err != nil {
		t.Fatal(err)
	}
	for name, path := range pages {
		words := viewer.Get(path).Text(".note.stop")
		if !strings.Contains(words, "may not be used") || !strings.Contains(words, "OO-1") || strings.Contains(words, "SB-8") || strings.Contains(words, "OO-2") {
			t.Errorf("%s says %q", name, words)
		}
	}
}
