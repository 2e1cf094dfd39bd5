package store_test

import (
	"context"
	"strings"
	"sync"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/uuid"
	"github.com/shopspring/decimal"

	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/store"
)

func workshopNow(t *testing.T, h house) store.Workshop {
	t.Helper()
	list, err := store.Workshops(t.Context(), h.db.OwnerURL)
	if err != nil || len(list) != 1 {
		t.Fatalf("%v, %v", list, err)
	}
	return list[0]
}

func TestSettingsAreRefusedFieldByFieldAllAtOnce(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	before := workshopNow(t, h)
	for name, tc := range map[string]struct {
		change func(*store.Workshop)
		off    []string
	}{
		"everything": {func(w *store.Workshop) {
			*w = store.Workshop{SoonDays: -1, MinLoadG: decimal.NewFromInt(-1)}
		}, []string{"code_pattern", "date_style", "mass_unit", "min_load_g", "name", "readability_g", "soon_days", "temp_unit", "zone"}},
		"a name too long":           {func(w *store.Workshop) { w.Name = strings.Repeat("n", 201) }, []string{"name"}},
		"a zone that is a path":     {func(w *store.Workshop) { w.Zone = "../../etc/passwd" }, []string{"zone"}},
		"the server's own zone":     {func(w *store.Workshop) { w.Zone = "Local" }, []string{"zone"}},
		"a pattern without a date":  {func(w *store.Workshop) { w.CodePattern = "{letters}-{nn}" }, []string{"code_pattern"}},
		"more than two years ahead": {func(w *store.Workshop) { w.SoonDays = 731 }, []string{"soon_days"}},
		"a scale without a step":    {func(w *store.Workshop) { w.ReadabilityG = decimal.Zero }, []string{"readability_g"}},
	} {
		w := before
		tc.change(&w)
		err := h.SetWorkshop(t.Context(), h.owner, store.Entry{}, w, before.Stamp())
		if f := fault.As(err); f == nil || cmp.Diff(tc.off, f.Names()) != "" {
			t.Errorf("%s: %v, want faults beside %v", name, err, tc.off)
		}
	}
	if diff := cmp.Diff(before, workshopNow(t, h)); diff != "" {
		t.Errorf("something was saved: %s", diff)
	}
}

func TestSettingsSavedAreInTheTrailAndTheOldPatternIsRemembered(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	w := workshopNow(t, h)
	stamp := w.Stamp()
	w.Name, w.Zone, w.CodePattern, w.SoonDays = "Quillmoor Soap", "Europe/Dublin", "{yymmdd}{n}{check}", 90
	w.ReadabilityG, w.MinLoadG = decimal.RequireFromString("0.01"), decimal.RequireFromString("0.5")
	entry := store.Entry{Key: uuid.New()}
	for range 2 { // the same form twice is saved once
		if err := h.SetWorkshop(t.Context(), h.owner, entry, w, stamp); err != nil {
			t.Fatal(err)
		}
	}
	if diff := cmp.Diff(w, workshopNow(t, h)); diff != "" {
		t.Error(diff)
	}
	h.asOwner(t, `DO $$ BEGIN
		IF (SELECT count(*) FROM code_pattern WHERE pattern IN ('{letters}-{yyddd}-{nn}{check}', '{yymmdd}{n}{check}')) <> 2 THEN RAISE 'a pattern is forgotten'; END IF;
		IF (SELECT count(*) FROM audit WHERE table_name = 'workshop' AND new ->> 'name' = 'Quillmoor Soap') <> 1 THEN RAISE 'not once in the trail'; END IF;
	END $$`)
	personVerify(t, h)
}

func TestSettingsThatSomebodyElseChangedMeanwhileAreNotOverwritten(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	before := workshopNow(t, h)
	var wg sync.WaitGroup
	var errs [6]error
	for i := range errs {
		w := before
		w.SoonDays = 100 + i
		wg.Go(func() { errs[i] = h.SetWorkshop(context.Background(), h.owner, store.Entry{}, w, before.Stamp()) })
	}
	wg.Wait()
	saved := -1
	for i, err := range errs {
		switch {
		case err == nil && saved < 0:
			saved = i
		case err == nil:
			t.Errorf("both %d and %d were saved", saved, i)
		default:
			sessionWantKind(t, "a later one", err, fault.Conflict)
		}
	}
	if got := workshopNow(t, h).SoonDays; got != 100+saved {
		t.Errorf("soon is %d days; %d was saved", got, saved)
	}
	personVerify(t, h)
}
