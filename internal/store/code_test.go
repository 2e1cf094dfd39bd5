package store_test

import (
	"fmt"
	"sync"
	"testing"
	"time"

	"github.com/google/uuid"

	"example.org/stillroom/internal/fault"
)

func TestABatchNeverContainsItself(t *testing.T) {
	t.Parallel()
	b := newTraceBook(t)
	var id []uuid.UUID
	for i := range 4 {
		id = append(id, b.batch(fmt.Sprintf("OB-26001-0%d", i), 5).Batch)
	}
	draw := func(into, source int) error {
		return b.DrawOn(t.Context(), b.owner, id[into], id[source], func() {})
	}
	for _, c := range []struct {
		name         string
		into, source int
		refused      bool
	}{
		{"of itself", 0, 0, true},
		{"a first step", 1, 0, false},
		{"the step back", 0, 1, true},
		{"a second step", 2, 1, false},
		{"back over two steps", 0, 2, true},
		{"a short cut is no circle", 2, 0, false},
		{"something else", 2, 3, false},
		{"and back from there", 3, 2, true},
	} {
		err := draw(c.into, c.source)
		if c.refused != fault.Is(err, fault.Conflict) || (!c.refused && err != nil) {
			t.Errorf("%s: %v", c.name, err)
		}
	}
	for _, code := range []string{"OB-26001-00", "OB-26001-01", "OB-26001-02", "OB-26001-03"} {
		if f := b.from(t, code); len(f.Batches) > 4 {
			t.Errorf("%s leads to %v", code, traceDepths(f.Forward))
		}
	}
}

func TestAnEntryCorrectedAwayIsNoStepOfACircle(t *testing.T) {
	t.Parallel()
	b := newTraceBook(t)
	x, y := b.batch("OB-26001-01", 5), b.batch("OB-26001-02", 5)
	if err := b.DrawOn(t.Context(), b.owner, x.Batch, y.Batch, func() {}); err != nil {
		t.Fatal(err)
	}
	b.asOwner(t, `ALTER TABLE batch_input DISABLE TRIGGER USER`, `UPDATE batch_input SET replaced_by = id`)
	if err := b.DrawOn(t.Context(), b.owner, y.Batch, x.Batch, func() {}); err != nil {
		t.Errorf("the first step was taken back: %v", err)
	}
}

func TestATubNeverContainsItself(t *testing.T) {
	t.Parallel()
	b := newTraceBook(t)
	x, y, z := b.Lot("OO-1", b.material, 50), b.Lot("OO-2", b.material, 50), b.Lot("OO-3", b.material, 50)
	for _, c := range []struct {
		name        string
		tub, source uuid.UUID
		refused     bool
	}{{"itself", x, x, true}, {"a step", y, x, false}, {"a second", z, y, false}, {"all the way back", x, z, true}, {"a short cut", z, x, false}} {
		err := b.FillFrom(t.Context(), b.owner, c.tub, c.source)
		if c.refused != fault.Is(err, fault.Conflict) || (!c.refused && err != nil) {
			t.Errorf("%s: %v", c.name, err)
		}
	}
}

func TestTwoHalvesOfACircleAtTheSameTimeAreNotBothStored(t *testing.T) {
	t.Parallel()
	b := newTraceBook(t)
	x, y := b.batch("OB-26001-01", 5), b.batch("OB-26001-02", 5)
	var once sync.WaitGroup
	errs := make([]error, 2)
	for i, pair := range [][2]uuid.UUID{{x.Batch, y.Batch}, {y.Batch, x.Batch}} {
		once.Go(func() {
			// Between check and entry each leaves the other time to check too.
			errs[i] = b.DrawOn(t.Context(), b.owner, pair[0], pair[1], func() { time.Sleep(100 * time.Millisecond) })
		})
	}
	once.Wait()
	if fault.Is(errs[0], fault.Conflict) == fault.Is(errs[1], fault.Conflict) || (errs[0] != nil && errs[1] != nil) {
		t.Errorf("one is stored and one refused: %v, %v", errs[0], errs[1])
	}
}

func TestACodeIsTakenByBatchesAndPackingsAlike(t *testing.T) {
	t.Parallel()
	b := newTraceBook(t)
	x := b.batch("OB-26001-01", 5)
	b.packing(x.Batch, 2, "OB-26001-01A", 5)
	for i, c := range []struct {
		code  string
		taken bool
	}{{"OB-26001-01", true}, {"ob 26oo1 0l", true}, {"OB-26001-01A", true}, {"OB-26001-02", false}, {"OB-26001-01B", false}, {"OB-26001-O2", true}} {
		taken, err := b.TakeCode(t.Context(), b.owner, c.code, x.Batch, b.product, 10+i, func() {})
		if err != nil || taken != c.taken {
			t.Errorf("%s: taken %t, %v", c.code, taken, err)
		}
	}
}

func TestACodeWantedTwiceAtOnceIsGivenOnce(t *testing.T) {
	t.Parallel()
	b := newTraceBook(t)
	x := b.batch("OB-26001-01", 5)
	var both sync.WaitGroup
	taken, errs := make([]bool, 2), make([]error, 2)
	for i := range 2 {
		// One wants it for a batch, the other for a packing: no unique index spans the two.
		both.Go(func() {
			taken[i], errs[i] = b.TakeCode(t.Context(), b.owner, "OB-26001-02", x.Batch, b.product, 2*i, func() { time.Sleep(100 * time.Millisecond) })
		})
	}
	both.Wait()
	if errs[0] != nil || errs[1] != nil || taken[0] == taken[1] {
		t.Errorf("taken %v, %v", taken, errs)
	}
}
