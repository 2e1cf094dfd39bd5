package main

import (
	"fmt"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/uuid"

	"example.org/stillroom/internal/pgtest"
	"example.org/stillroom/internal/store"
	"example.org/stillroom/internal/store/floor"
)

// fresh is a place on a cloned database.
func fresh(t *testing.T) *place {
	t.Helper()
	db := pgtest.Database(t)
	p := &place{owner: db.OwnerURL, app: db.AppURL, recorder: &floor.Recorder{}}
	t.Cleanup(func() {
		if err := p.Close(); err != nil {
			t.Error(err)
		}
	})
	if err := p.prepare(t.Context()); err != nil {
		t.Fatal(err)
	}
	return p
}

// The import has to take what is made here, and its floor has to do all of what the import leaves in the book: one that
// did less would flatter nobody but be no floor.
func TestTheFloorOfAnImportMakesTheSameRows(t *testing.T) {
	t.Parallel()
	ctx := t.Context()
	m, dir := made(t, 2, block)
	ours := fresh(t)
	ours.recorder.Take()
	if _, err := ours.bring(ctx, dir); err != nil {
		t.Fatal(err)
	}
	recorded := ours.recorder.Take()
	want, err := ours.floor.Counts(ctx, ours.ID())
	if err != nil {
		t.Fatal(err)
	}
	if want["batch"] != int64(m.n) || want["dispatch_line"] < int64(m.n)*leastLine/2 || want["code_near"] == 0 {
		t.Fatalf("the import made %v", want)
	}
	for _, by := range []string{"pgx", "psql"} {
		t.Run(by, func(t *testing.T) {
			other := fresh(t)
			script, err := floor.NewScript(ctx, recorded, dir, t.TempDir(), other.ID())
			if err != nil {
				t.Fatal(err)
			}
			psql := (&run{}).program("psql")
			if by == "psql" && psql == "" {
				t.Log("psql is not on this machine, where the floor is pgx's")
			}
			if by == "psql" && psql != "" {
				err = script.Psql(ctx, psql, other.app)
			} else {
				err = script.Run(ctx, other.floor)
			}
			if err != nil {
				t.Fatal(err)
			}
			got, err := other.floor.Counts(ctx, other.ID())
			if err != nil {
				t.Fatal(err)
			}
			if diff := cmp.Diff(want, got); diff != "" {
				t.Errorf("rows (-import +floor):\n%s", diff)
			}
		})
	}
}

func TestAnEntryIsSentAgainAsAnother(t *testing.T) {
	t.Parallel()
	ctx := t.Context()
	r := &run{place: fresh(t), data: t.TempDir()}
	list, err := r.setBenches(ctx, 1)
	if err != nil {
		t.Fatal(err)
	}
	b, workshop := list[3], uuid.UUID(list[3].who.Workshop)
	moves := func() int64 {
		t.Helper()
		n, err := r.place.floor.Counts(ctx, workshop)
		if err != nil {
			t.Fatal(err)
		}
		return n["stock_move"]
	}
	before := moves()
	for range 5 {
		if err := b.floor.Send(ctx, r.place.floor); err != nil {
			t.Fatal(err)
		}
	}
	if got := moves() - before; got != 5 {
		t.Errorf("%d moves were stored, want 5", got)
	}
	lot, err := r.place.store.Lot(ctx, store.WorkshopID(workshop), b.lot)
	if err != nil {
		t.Fatal(err)
	}
	if got := fmt.Sprint(lot.OnHand); !strings.HasPrefix(got, "99999999.3") {
		t.Errorf("%s g are on hand after two moves and five of 0.1 g", got)
	}
}
