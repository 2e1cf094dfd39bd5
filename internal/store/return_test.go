package store_test

import (
	"strings"
	"sync"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"example.org/stillroom/internal/day"
	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/store"
)

func TestUnitsComeBackToStockOnHoldOrDestroyed(t *testing.T) {
	t.Parallel()
	for _, row := range []struct {
		disposition                  string
		onHand, held, destroyed, out int
	}{
		{"restock", 5, 0, 0, 5},
		{"hold", 5, 3, 0, 5},
		{"destroy", 2, 0, 3, 5},
	} {
		t.Run(row.disposition, func(t *testing.T) {
			t.Parallel()
			h := newUnitsShop(t)
			h.packed("SB-1", 10, 100)
			sent := h.send(h.customer("Pantry"), unitsLine("SB-1", 8))
			code, err := h.Return(t.Context(), h.helper, store.Entry{}, store.NewReturn{Dispatch: sent, Packing: "sb 1", On: h.today, Units: 3, Disposition: row.disposition, Note: "box wet"})
			if err != nil || code != unitsYearCode("R", h.today.Year(), 1) {
				t.Fatalf("return %q, %v", code, err)
			}
			h.onHand("SB-1", row.onHand)
			page := h.units("SB-1")
			if page.Held != row.held || page.Destroyed != row.destroyed || page.Dispatched-page.Returned != row.out {
				t.Errorf("held %d, destroyed %d, out %d; want %d, %d, %d", page.Held, page.Destroyed, page.Dispatched-page.Returned, row.held, row.destroyed, row.out)
			}
			if row.disposition == "hold" {
				if got := page.Holds[0]; got.Return != code || got.Units != 3 || got.Reason != "Came back in "+code+": box wet" {
					t.Errorf("the hold is %+v", got)
				}
				_, err := h.Dispatch(t.Context(), h.owner, store.Entry{}, store.NewDispatch{Customer: "PA", On: h.today, Lines: []store.DispatchLine{unitsLine("SB-1", 3)}})
				unitsSays(t, err, "line-0", "5 on hand, 3 of them on hold: 2 may leave.")
			}
		})
	}
}

func TestNoMoreComesBackThanWasSent(t *testing.T) {
	t.Parallel()
	h := newUnitsShop(t)
	h.packed("SB-1", 20, 100)
	h.packed("SB-2", 20, 100)
	shop := h.customer("Pantry")
	first := h.send(shop, unitsLine("SB-1", 6))
	h.send(shop, unitsLine("SB-1", 4))
	back := func(dispatch string, units int) error {
		_, err := h.Return(t.Context(), h.owner, store.Entry{}, store.NewReturn{Dispatch: dispatch, Packing: "SB-1", On: h.today, Units: units, Disposition: "restock"})
		return err
	}
	unitsSays(t, back(first, 7), "units", "6 units of SB-1 were in "+first+": no more than 6 can come back.")
	unitsSays(t, back("", 11), "units", "10 units of SB-1 were sent in all: no more than 10 can come back.")
	if err := back(first, 2); err != nil {
		t.Fatal(err)
	}
	unitsSays(t, back(first, 5), "units", "6 units of SB-1 were in "+first+", and 2 came back already: no more than 4 can.")
	if err := back("", 7); err != nil {
		t.Fatal(err)
	}
	unitsSays(t, back(first, 2), "units", "10 units of SB-1 were sent in all, and 9 came back already: no more than 1 can.")
	h.onHand("SB-1", 19)
}

func TestABadReturnIsToldInWords(t *testing.T) {
	t.Parallel()
	h := newUnitsShop(t)
	h.packed("SB-1", 20, 100)
	h.packed("SB-2", 20, 100)
	h.elsewhere()
	sent := h.send(h.customer("Pantry"), unitsLine("SB-1", 6))
	good := store.NewReturn{Dispatch: sent, Packing: "SB-1", On: h.today, Units: 1, Disposition: "restock"}
	for _, row := range []struct {
		name, field, want string
		change            func(*store.NewReturn)
	}{
		{"nothing of it was sent", "packing", "Nothing of SB-2 was in " + sent + ".", func(n *store.NewReturn) { n.Packing = "SB-2" }},
		{"no such code", "packing", `No packing has the code "SB-9".`, func(n *store.NewReturn) { n.Packing = "SB-9" }},
		{"another workshop's code", "packing", `No packing has the code "ZZ-1".`, func(n *store.NewReturn) { n.Dispatch, n.Packing = "", "ZZ-1" }},
		{"no code", "packing", "Which code stands on the units?", func(n *store.NewReturn) { n.Packing = "" }},
		{"none", "units", "How many came back? At least 1.", func(n *store.NewReturn) { n.Units = 0 }},
		{"no day", "returned_on", "When did they come back?", func(n *store.NewReturn) { n.On = day.Day{} }},
		{"tomorrow", "returned_on", "That day has not come yet.", func(n *store.NewReturn) { n.On = h.today.AddDays(1) }},
		{"before they left", "returned_on", "They left only on " + h.today.Long() + ".", func(n *store.NewReturn) { n.On = h.today.AddDays(-1) }},
		{"nowhere", "disposition", "Choose where they go: back to stock, on hold, or destroyed.", func(n *store.NewReturn) { n.Disposition = "sold" }},
		{"destroyed without a word", "note", "Say what is wrong with them.", func(n *store.NewReturn) { n.Disposition = "destroy" }},
		{"on hold without a word", "note", "Say what is wrong with them.", func(n *store.NewReturn) { n.Disposition, n.Note = "hold", " " }},
		{"a note too long", "note", "At most 900 characters, please.", func(n *store.NewReturn) { n.Note = strings.Repeat("n", 901) }},
	} {
		t.Run(row.name, func(t *testing.T) {
			n := good
			row.change(&n)
			_, err := h.Return(t.Context(), h.owner, store.Entry{}, n)
			unitsSays(t, err, row.field, row.want)
		})
	}
	if n := unitsAsk[int](h, `SELECT count(*) FROM unit_return`); n != 0 {
		t.Errorf("%d returns were stored of those refused", n)
	}
	h.onHand("SB-1", 14)
}

func TestOfTwoReturnsOfTheSameUnitsOneSucceedsAndOneIsTold(t *testing.T) {
	t.Parallel()
	h := newUnitsShop(t)
	h.packed("SB-1", 10, 100)
	sent := h.send(h.customer("Pantry"), unitsLine("SB-1", 8))
	errs := make([]error, 3)
	var all sync.WaitGroup
	for i := range errs {
		all.Go(func() {
			_, errs[i] = h.Return(t.Context(), h.owner, store.Entry{}, store.NewReturn{Dispatch: sent, Packing: "SB-1", On: h.today, Units: 5, Disposition: "restock"})
		})
	}
	all.Wait()
	stored := 0
	for _, err := range errs {
		if err == nil {
			stored++
			continue
		}
		unitsSays(t, err, "units", "8 units of SB-1 were in "+sent+", and 5 came back already: no more than 3 can.")
	}
	if stored != 1 {
		t.Errorf("%d of 3 returns of the same units were stored, want 1", stored)
	}
	h.onHand("SB-1", 7)
}

func TestAReturnThatDidNotHappenIsTakenBackWithItsHold(t *testing.T) {
	t.Parallel()
	h := newUnitsShop(t)
	h.packed("SB-1", 10, 100)
	sent := h.send(h.customer("Pantry"), unitsLine("SB-1", 8))
	code, err := h.Return(t.Context(), h.helper, store.Entry{}, store.NewReturn{Dispatch: sent, Packing: "SB-1", On: h.today, Units: 3, Disposition: "hold", Note: "box wet"})
	if err != nil {
		t.Fatal(err)
	}
	unitsSays(t, h.WithdrawReturn(t.Context(), h.owner, store.Entry{}, code, " "), "reason", "Say why: the old value is kept beside the new one.")
	if err := h.WithdrawReturn(t.Context(), h.owner, store.Entry{}, code, "another shop's"); err != nil {
		t.Fatal(err)
	}
	h.onHand("SB-1", 2)
	page := h.units("SB-1")
	if page.Held != 0 || page.Returned != 0 || page.Holds[0].LiftReason != "another shop's" {
		t.Errorf("held %d, returned %d, hold %+v", page.Held, page.Returned, page.Holds[0])
	}
	last := page.Entries[len(page.Entries)-1]
	if !last.Replaced || last.Why != "another shop's" || last.Code != code {
		t.Errorf("the ledger's last entry is %+v", last)
	}
	if err := h.WithdrawReturn(t.Context(), h.owner, store.Entry{}, code, "again"); !fault.Is(err, fault.Conflict) {
		t.Errorf("taking it back again: %v, want a conflict", err)
	}
	if err := h.WithdrawReturn(t.Context(), h.owner, store.Entry{}, "R-1900-0001", "x"); !fault.Is(err, fault.NotFound) {
		t.Errorf("taking back what is not there: %v, want not found", err)
	}
}

func TestAReturnIsNotTakenBackOnceItsUnitsHaveLeftAgain(t *testing.T) {
	t.Parallel()
	h := newUnitsShop(t)
	h.packed("SB-1", 10, 100)
	shop := h.customer("Pantry")
	sent := h.send(shop, unitsLine("SB-1", 10))
	code, err := h.Return(t.Context(), h.owner, store.Entry{}, store.NewReturn{Dispatch: sent, Packing: "SB-1", On: h.today, Units: 3, Disposition: "restock"})
	if err != nil {
		t.Fatal(err)
	}
	h.send(shop, unitsLine("SB-1", 2))
	unitsSays(t, h.WithdrawReturn(t.Context(), h.owner, store.Entry{}, code, "wrong"), "reason", "The book holds 1 unit of SB-1: some of these have left again. Correct what they left by first.")
	h.onHand("SB-1", 1)
}

func TestUnitsLeaveWithoutADispatchOrAreCounted(t *testing.T) {
	t.Parallel()
	for _, row := range []struct {
		name   string
		move   store.UnitMove
		onHand int
		what   string
	}{
		{"a tester", store.UnitMove{Reason: "tester", Units: 1}, 9, "tester"},
		{"broken", store.UnitMove{Reason: "broken", Units: 10}, 0, "broken"},
		{"a gift", store.UnitMove{Reason: "gift", Units: 2}, 8, "gift"},
		{"own use", store.UnitMove{Reason: "own_use", Units: 3}, 7, "own_use"},
		{"counted: fewer", store.UnitMove{Reason: "count", Units: 6, Note: "not known"}, 6, "count"},
		{"counted: more", store.UnitMove{Reason: "count", Units: 12, Note: "found behind the shelf"}, 12, "count"},
		{"counted: none", store.UnitMove{Reason: "count", Units: 0, Note: "not known"}, 0, "count"},
	} {
		t.Run(row.name, func(t *testing.T) {
			t.Parallel()
			h := newUnitsShop(t)
			h.packed("SB-1", 10, 100)
			row.move.Packing, row.move.On = "SB-1", h.today
			code, err := h.MoveUnits(t.Context(), h.helper, store.Entry{}, row.move)
			if err != nil || code != "UM-00001" {
				t.Fatalf("move %q, %v", code, err)
			}
			h.onHand("SB-1", row.onHand)
			last := h.units("SB-1").Entries[1]
			if last.What != row.what || last.Units != row.onHand-10 || last.Who != h.helper.Name {
				t.Errorf("the ledger says %+v", last)
			}
			if err := h.WithdrawMove(t.Context(), h.helper, store.Entry{}, code, "mis-tap"); err != nil {
				t.Fatal(err)
			}
			h.onHand("SB-1", 10)
			if err := h.WithdrawMove(t.Context(), h.helper, store.Entry{}, code, "mis-tap"); !fault.Is(err, fault.Conflict) {
				t.Errorf("taking it back again: %v, want a conflict", err)
			}
		})
	}
}

func TestABadMoveIsToldInWords(t *testing.T) {
	t.Parallel()
	h := newUnitsShop(t)
	h.packed("SB-1", 10, 100)
	seen := 12
	for _, row := range []struct {
		name, field, want string
		move              store.UnitMove
	}{
		{"more than there are", "units", "The book holds only 10 units. If more were there, count the shelf first.", store.UnitMove{Reason: "gift", Units: 11}},
		{"none", "units", "How many? At least 1.", store.UnitMove{Reason: "gift", Units: 0}},
		{"no reason", "reason", "Choose what happened to them.", store.UnitMove{Reason: "sold", Units: 1}},
		{"tomorrow", "moved_on", "That day has not come yet.", store.UnitMove{Reason: "gift", Units: 1, On: h.today.AddDays(1)}},
		{"before they were packed", "moved_on", "They were packed only on " + h.today.AddDays(-60).Long() + ".", store.UnitMove{Reason: "gift", Units: 1, On: h.today.AddDays(-61)}},
		{"a note too long", "note", "At most 1,000 characters, please.", store.UnitMove{Reason: "gift", Units: 1, Note: strings.Repeat("n", 1001)}},
		{"a count of yesterday", "moved_on", "A count is of today: the book is compared as it stands now.", store.UnitMove{Reason: "count", Units: 1, Note: "x", On: h.today.AddDays(-1)}},
		{"a count that is right", "units", "The book says 10 too: nothing to record.", store.UnitMove{Reason: "count", Units: 10}},
		{"a count that is off, without a word", "note", "Say why the book was off, or that you do not know.", store.UnitMove{Reason: "count", Units: 9}},
		{"a count of fewer than none", "units", "How many are there? Between 0 and 1,000,000.", store.UnitMove{Reason: "count", Units: -1, Note: "x"}},
		{"a count made before others sent some", "units", "The book held 12 when you began and holds 10 now. Look again and write what is there.", store.UnitMove{Reason: "count", Units: 11, Note: "x", Seen: &seen}},
	} {
		t.Run(row.name, func(t *testing.T) {
			row.move.Packing = "SB-1"
			_, err := h.MoveUnits(t.Context(), h.owner, store.Entry{}, row.move)
			unitsSays(t, err, row.field, row.want)
		})
	}
	h.onHand("SB-1", 10)
}

func TestOfADispatchAndAMoveOfTheLastUnitsOneIsTold(t *testing.T) {
	t.Parallel()
	h := newUnitsShop(t)
	h.packed("SB-1", 10, 100)
	shop := h.customer("Pantry")
	var sent, moved error
	var all sync.WaitGroup
	all.Go(func() {
		_, sent = h.Dispatch(t.Context(), h.owner, store.Entry{}, store.NewDispatch{Customer: shop, On: h.today, Lines: []store.DispatchLine{unitsLine("SB-1", 8)}})
	})
	all.Go(func() {
		_, moved = h.MoveUnits(t.Context(), h.owner, store.Entry{}, store.UnitMove{Packing: "SB-1", Reason: "broken", Units: 8})
	})
	all.Wait()
	switch {
	case sent == nil && moved != nil:
		unitsSays(t, moved, "units", "The book holds only 2 units. If more were there, count the shelf first.")
	case moved == nil && sent != nil:
		unitsSays(t, sent, "line-0", "Only 2 on hand.")
	default:
		t.Errorf("sent: %v, moved: %v; want one of the two told", sent, moved)
	}
	h.onHand("SB-1", 2)
}

func TestAMoveOfADispatchGoesWithThatDispatch(t *testing.T) {
	t.Parallel()
	h := newUnitsShop(t)
	h.packed("SB-1", 1, 100)
	if _, err := h.Dispatch(t.Context(), h.owner, store.Entry{}, store.NewDispatch{Customer: h.customer("Pantry"), On: h.today, Lines: []store.DispatchLine{unitsLine("SB-1", 2)}, AlreadyLeft: true, Reason: "gone"}); err != nil {
		t.Fatal(err)
	}
	unitsSays(t, h.WithdrawMove(t.Context(), h.owner, store.Entry{}, "UM-00001", "wrong"), "reason", "A dispatch booked this. Correct that dispatch, and it goes with it.")
	h.onHand("SB-1", 0)
}

func TestUnitsOnHoldMayNotLeaveUntilTheHoldIsLifted(t *testing.T) {
	t.Parallel()
	h := newUnitsShop(t)
	h.packed("SB-1", 10, 100)
	shop := h.customer("Pantry")
	ctx := t.Context()
	if err := h.PlaceHold(ctx, h.helper, store.Entry{}, store.NewHold{Packing: "SB-1", Units: 4, Reason: "two dented"}); err != nil {
		t.Fatal(err)
	}
	unitsSays(t, h.PlaceHold(ctx, h.helper, store.Entry{}, store.NewHold{Packing: "SB-1", Units: 7, Reason: "more"}), "units", "6 are on hand and not on hold yet.")
	unitsSays(t, h.PlaceHold(ctx, h.helper, store.Entry{}, store.NewHold{Packing: "SB-1", Units: -1, Reason: "more"}), "units", "How many? At least 1.")
	unitsSays(t, h.PlaceHold(ctx, h.helper, store.Entry{}, store.NewHold{Packing: "SB-1", Reason: " "}), "reason", "Say why they may not leave.")
	if err := h.PlaceHold(ctx, h.helper, store.Entry{}, store.NewHold{Packing: "SB-1", Reason: "smells off"}); err != nil {
		t.Fatal(err)
	}
	if err := h.PlaceHold(ctx, h.helper, store.Entry{}, store.NewHold{Packing: "SB-1", Reason: "again"}); !fault.Is(err, fault.Conflict) {
		t.Errorf("a hold of all of it on top of one: %v, want a conflict", err)
	}
	page := h.units("SB-1")
	if page.Held != 10 || page.OnHand != 10 || len(page.Holds) != 2 {
		t.Fatalf("held %d of %d, %d holds", page.Held, page.OnHand, len(page.Holds))
	}
	whole := page.Holds[1]
	unitsSays(t, h.LiftHold(ctx, h.owner, store.Entry{}, whole.ID, ""), "reason", "Say what was found, and why they may leave.")
	if err := h.LiftHold(ctx, h.owner, store.Entry{}, whole.ID, "it is the scent"); err != nil {
		t.Fatal(err)
	}
	if err := h.LiftHold(ctx, h.owner, store.Entry{}, whole.ID, "again"); !fault.Is(err, fault.Conflict) {
		t.Errorf("lifting it again: %v, want a conflict", err)
	}
	if err := h.LiftHold(ctx, h.owner, store.Entry{}, store.HoldID{1}, "x"); !fault.Is(err, fault.NotFound) {
		t.Errorf("lifting what is not there: %v, want not found", err)
	}
	_, err := h.Dispatch(ctx, h.owner, store.Entry{}, store.NewDispatch{Customer: shop, On: h.today, Lines: []store.DispatchLine{unitsLine("SB-1", 7)}})
	unitsSays(t, err, "line-0", "10 on hand, 4 of them on hold: 6 may leave.")
	h.send(shop, unitsLine("SB-1", 6))
	page = h.units("SB-1")
	if got := page.Holds[1]; got.LiftReason != "it is the scent" || got.LiftedBy != h.owner.Name || got.LiftedAt == nil {
		t.Errorf("the lifted hold says %+v", got)
	}
	h.onHand("SB-1", 4)
}

// Whatever is sent, taken back, moved and corrected in whatever order, the book agrees with a plain count kept beside
// it, the list of stock agrees with the ledger of each packing, and nothing falls below zero.
func TestTheLedgerOfUnitsAgreesWithAPlainCount(t *testing.T) {
	t.Parallel()
	h := newUnitsShop(t)
	shop := h.customer("Pantry")
	codes := []string{"SB-1", "SB-2"}
	onHand := map[string]int{}
	out := map[string]int{}
	for _, code := range codes {
		h.packed(code, 12, 100)
		onHand[code] = 12
	}
	type sentLine struct {
		dispatch, code  string
		units, returned int
	}
	var sent []*sentLine
	ctx := t.Context()
	rapid.Check(t, func(rt *rapid.T) {
		for range rapid.IntRange(1, 6).Draw(rt, "steps") {
			code := rapid.SampledFrom(codes).Draw(rt, "code")
			units := rapid.IntRange(1, 15).Draw(rt, "units")
			switch rapid.SampledFrom([]string{"send", "late", "back", "move", "count", "correct"}).Draw(rt, "what") {
			case "send":
				d, err := h.Dispatch(ctx, h.owner, store.Entry{}, store.NewDispatch{Customer: shop, On: h.today, Lines: []store.DispatchLine{unitsLine(code, units)}})
				if (err == nil) != (units <= onHand[code]) {
					rt.Fatalf("sending %d of %d: %v", units, onHand[code], err)
				}
				if err == nil {
					onHand[code] -= units
					out[code] += units
					sent = append(sent, &sentLine{d, code, units, 0})
				}
			case "late":
				d, err := h.Dispatch(ctx, h.owner, store.Entry{}, store.NewDispatch{Customer: shop, On: h.today, Lines: []store.DispatchLine{unitsLine(code, units)}, AlreadyLeft: true, Reason: "gone"})
				if err != nil {
					rt.Fatal(err)
				}
				onHand[code] = max(onHand[code]-units, 0)
				out[code] += units
				sent = append(sent, &sentLine{d, code, units, 0})
			case "back":
				if len(sent) == 0 {
					continue
				}
				l := rapid.SampledFrom(sent).Draw(rt, "line")
				_, err := h.Return(ctx, h.owner, store.Entry{}, store.NewReturn{Dispatch: l.dispatch, Packing: l.code, On: h.today, Units: units, Disposition: "restock"})
				if (err == nil) != (units <= l.units-l.returned) {
					rt.Fatalf("%d back of %d, %d back before: %v", units, l.units, l.returned, err)
				}
				if err == nil {
					onHand[l.code] += units
					out[l.code] -= units
					l.returned += units
				}
			case "move":
				_, err := h.MoveUnits(ctx, h.owner, store.Entry{}, store.UnitMove{Packing: code, Reason: "gift", Units: units})
				if (err == nil) != (units <= onHand[code]) {
					rt.Fatalf("giving away %d of %d: %v", units, onHand[code], err)
				}
				if err == nil {
					onHand[code] -= units
				}
			case "count":
				if _, err := h.MoveUnits(ctx, h.owner, store.Entry{}, store.UnitMove{Packing: code, Reason: "count", Units: units, Note: "counted"}); (err == nil) != (units != onHand[code]) {
					rt.Fatalf("counting %d of %d: %v", units, onHand[code], err)
				}
				onHand[code] = units
			case "correct":
				if len(sent) == 0 {
					continue
				}
				l := rapid.SampledFrom(sent).Draw(rt, "line")
				err := h.CorrectDispatch(ctx, h.owner, store.Entry{}, store.LineCorrection{Dispatch: l.dispatch, Packing: l.code, Units: units, AlreadyLeft: true, Reason: "counted again"})
				if (err == nil) != (units != l.units && units >= l.returned) {
					rt.Fatalf("correcting %d to %d, %d came back: %v", l.units, units, l.returned, err)
				}
				if err == nil {
					out[l.code] += units - l.units
					l.units = units
					// What was booked for the old line is gone with it: only the book can tell what is left.
					onHand[l.code] = h.units(l.code).OnHand
				}
			}
			for _, code := range codes {
				p := h.units(code)
				if p.OnHand != onHand[code] || p.OnHand < 0 || p.Dispatched-p.Returned != out[code] {
					rt.Fatalf("%s: on hand %d, out %d; counted %d, %d", code, p.OnHand, p.Dispatched-p.Returned, onHand[code], out[code])
				}
			}
		}
		listed := map[string]int{}
		stock, err := h.Stock(ctx, h.owner.Workshop)
		if err != nil {
			rt.Fatal(err)
		}
		for _, s := range stock {
			for _, p := range s.Packings {
				listed[p.Code] = p.OnHand
			}
		}
		want := map[string]int{}
		for code, n := range onHand {
			if n > 0 {
				want[code] = n
			}
		}
		if diff := cmp.Diff(want, listed); diff != "" {
			rt.Fatal(diff)
		}
	})
	h.stands()
}
