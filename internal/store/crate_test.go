package store_test

import (
	"sync"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/uuid"

	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/store"
)

// crateFair is a shop with an event and two packings: SB-1 with 20 units and SB-2 with 30.
func crateFair(t *testing.T) unitsShop {
	t.Helper()
	h := newUnitsShop(t)
	h.packed("SB-1", 20, 100)
	h.packed("SB-2", 30, 200)
	if _, err := h.AddCustomer(t.Context(), h.owner, store.Entry{}, store.Customer{Code: "FAIR", Name: "Quay Fair", Kind: "event"}); err != nil {
		t.Fatal(err)
	}
	return h
}

// crateAway packs 10 of SB-1 and 20 of SB-2 and sends them.
func crateAway(h unitsShop) string {
	h.t.Helper()
	code := cratePacked(h)
	if _, err := h.SendCrate(h.t.Context(), h.helper, store.Entry{}, code, store.CrateLeaves{On: h.today}); err != nil {
		h.t.Fatal(err)
	}
	return code
}

func cratePacked(h unitsShop) string {
	h.t.Helper()
	code, err := h.AddCrate(h.t.Context(), h.helper, store.Entry{}, store.NewCrate{Customer: "FAIR", On: h.today, Lines: []store.DispatchLine{unitsLine("sb 1", 10), unitsLine("SB-2", 20)}})
	if err != nil {
		h.t.Fatal(err)
	}
	return code
}

func crateRead(h unitsShop, code string) store.CratePage {
	h.t.Helper()
	page, err := h.CratePage(h.t.Context(), h.owner.Workshop, code)
	if err != nil {
		h.t.Fatal(err)
	}
	return page
}

// crateCounts is a crate of which some of SB-1 are left and all of SB-2 were sold.
func crateCounts(h unitsShop, left int) store.CrateBack {
	return store.CrateBack{On: h.today, Lines: []store.CrateCount{{Packing: "SB-1", Left: left}, {Packing: "SB-2"}}}
}

func TestACrateIsAListUntilItLeavesAsOneDispatch(t *testing.T) {
	t.Parallel()
	h := crateFair(t)
	ctx := t.Context()
	code := cratePacked(h)
	if want := unitsYearCode("C", h.today.Year(), 1); code != want {
		t.Errorf("crate %q, want %q", code, want)
	}
	h.onHand("SB-1", 20)
	page := crateRead(h, code)
	edit := store.CrateEdit{On: h.today.AddDays(1), Note: "Pitch 4", Lines: []store.DispatchLine{unitsLine("SB-1", 8)}, Seen: page.Seen}
	if err := h.EditCrate(ctx, h.helper, store.Entry{}, code, edit); err != nil {
		t.Fatal(err)
	}
	if err := h.EditCrate(ctx, h.owner, store.Entry{}, code, edit); !fault.Is(err, fault.Conflict) {
		t.Errorf("changed on a page drawn before: %v, want a conflict", err)
	}
	for range 2 {
		if err := h.AddToCrate(ctx, h.helper, store.Entry{}, code, unitsLine("sb1", 1)); err != nil {
			t.Fatal(err)
		}
	}
	if err := h.AddToCrate(ctx, h.helper, store.Entry{}, code, unitsLine("SB-2", 20)); err != nil {
		t.Fatal(err)
	}
	page = crateRead(h, code)
	if page.Units != 30 || len(page.Lines) != 2 || page.Lines[0].InCrate != 10 || page.Note != "Pitch 4" || page.On != h.today.AddDays(1) {
		t.Errorf("packed: %+v", page)
	}
	// What stood in the list before stays: the first two, the one of eight, and one that a scan added to.
	if n := unitsAsk[int](h, `SELECT count(*) FROM crate_line WHERE replaced_by IS NOT NULL`); n != 4 {
		t.Errorf("%d lines are kept of those replaced, want 4", n)
	}
	dispatch, err := h.SendCrate(ctx, h.helper, store.Entry{}, code, store.CrateLeaves{On: h.today, Seen: page.Seen})
	if err != nil {
		t.Fatal(err)
	}
	h.onHand("SB-1", 10)
	h.onHand("SB-2", 10)
	page = crateRead(h, code)
	if page.Status != "away" || page.Dispatch != dispatch || page.Units != 30 || len(page.Out) != 2 || page.Out[1].Units != 20 {
		t.Errorf("away: %+v", page)
	}
	sent, err := h.DispatchPage(ctx, h.owner.Workshop, dispatch)
	if err != nil || sent.CustomerCode != "FAIR" || sent.Note != "Crate "+code || len(sent.Packings) != 2 {
		t.Errorf("its dispatch: %+v, %v", sent, err)
	}
	for name, err := range map[string]error{
		"changed once away":  h.EditCrate(ctx, h.owner, store.Entry{}, code, edit),
		"added to once away": h.AddToCrate(ctx, h.owner, store.Entry{}, code, unitsLine("SB-1", 1)),
		"dropped once away":  h.DropCrate(ctx, h.owner, store.Entry{}, code),
	} {
		if !fault.Is(err, fault.Conflict) {
			t.Errorf("%s: %v, want a conflict", name, err)
		}
	}
}

func TestACrateLeavesByTheRulesOfAnyDispatch(t *testing.T) {
	t.Parallel()
	h := crateFair(t)
	ctx := t.Context()
	h.packedAs("SB-3", 5, 100, "quarantined")
	code, err := h.AddCrate(ctx, h.owner, store.Entry{}, store.NewCrate{NewEvent: "Green Fair", On: h.today, Lines: []store.DispatchLine{unitsLine("SB-1", 21), unitsLine("SB-2", 1), unitsLine("SB-3", 1)}})
	if err != nil {
		t.Fatal(err)
	}
	_, err = h.SendCrate(ctx, h.owner, store.Entry{}, code, store.CrateLeaves{On: h.today.AddDays(1)})
	unitsSays(t, err, "dispatched_on", "That day has not come yet.")
	_, err = h.SendCrate(ctx, h.owner, store.Entry{}, code, store.CrateLeaves{On: h.today})
	unitsSays(t, err, "line-0", "Only 20 on hand.")
	unitsSays(t, err, "line-1", "It is not released yet.")
	h.onHand("SB-1", 20)
	_, err = h.SendCrate(ctx, h.owner, store.Entry{}, code, store.CrateLeaves{On: h.today, AlreadyLeft: true})
	unitsSays(t, err, "reason", "Say how it came about; it goes into the record.")
	if _, err := h.SendCrate(ctx, h.owner, store.Entry{}, code, store.CrateLeaves{On: h.today, AlreadyLeft: true, Reason: "in a hurry"}); err != nil {
		t.Fatal(err)
	}
	open, _, err := h.OpenDeviations(ctx, h.owner.Workshop, "", 50)
	if err != nil || len(open) != 2 {
		t.Errorf("deviations: %+v, %v", open, err)
	}
	h.onHand("SB-1", 0)
	dropped := cratePacked(h)
	if err := h.DropCrate(ctx, h.helper, store.Entry{}, dropped); err != nil {
		t.Fatal(err)
	}
	if _, err := h.SendCrate(ctx, h.owner, store.Entry{}, dropped, store.CrateLeaves{On: h.today}); !fault.Is(err, fault.Conflict) {
		t.Errorf("a dropped crate leaves: %v, want a conflict", err)
	}
}

func TestABadCrateIsToldInWords(t *testing.T) {
	t.Parallel()
	h := crateFair(t)
	h.elsewhere()
	shop := h.customer("Pantry")
	good := store.NewCrate{Customer: "FAIR", On: h.today, Lines: []store.DispatchLine{unitsLine("SB-1", 1)}}
	for _, row := range []struct {
		name, field, want string
		change            func(*store.NewCrate)
	}{
		{"nobody", "customer", "Which event? Choose one, or write a new one.", func(n *store.NewCrate) { n.Customer = "" }},
		{"a shop", "customer", "Pantry is no event. What goes to a shop or a buyer is a dispatch.", func(n *store.NewCrate) { n.Customer = shop }},
		{"another workshop's customer", "customer", `There is no customer "OTHER".`, func(n *store.NewCrate) { n.Customer = "OTHER" }},
		{"both", "new_customer", "Choose an event or write a new one, not both.", func(n *store.NewCrate) { n.NewEvent = "Green Fair" }},
		{"no day", "event_on", "On which day is it?", func(n *store.NewCrate) { *n = store.NewCrate{Customer: "FAIR"} }},
		{"no such code", "packing-0", `No packing has the code "SB-9".`, func(n *store.NewCrate) { n.Lines[0].Packing = "SB-9" }},
		{"another workshop's code", "packing-0", `No packing has the code "ZZ-1".`, func(n *store.NewCrate) { n.Lines[0].Packing = "ZZ-1" }},
		{"a code twice", "line-1", "SB-1 stands here twice: write its units in one line.", func(n *store.NewCrate) { n.Lines = append(n.Lines, unitsLine("sb-1", 2)) }},
		{"too many", "line-0", "Between 1 and 1,000,000 units.", func(n *store.NewCrate) { n.Lines[0].Units = 1_000_001 }},
	} {
		t.Run(row.name, func(t *testing.T) {
			n := good
			n.Lines = append([]store.DispatchLine{}, good.Lines...)
			row.change(&n)
			_, err := h.AddCrate(t.Context(), h.owner, store.Entry{}, n)
			unitsSays(t, err, row.field, row.want)
		})
	}
	if n := unitsAsk[int](h, `SELECT count(*) FROM crate`); n != 0 {
		t.Errorf("%d crates were stored of those refused", n)
	}
}

func TestACrateThatIsBackPutsEachUnitWhereItIs(t *testing.T) {
	t.Parallel()
	h := crateFair(t)
	ctx := t.Context()
	code := crateAway(h)
	back := store.CrateBack{On: h.today, Seen: crateRead(h, code).Seen, Lines: []store.CrateCount{
		{Packing: "SB-2", Left: 4, Damaged: 3, Disposition: "hold", Note: "rained on"},
		{Packing: "SB-1", Left: 2, Tester: 1, Broken: 2, Gift: 1},
	}}
	if err := h.BookCrateBack(ctx, h.helper, store.Entry{}, code, back); err != nil {
		t.Fatal(err)
	}
	// SB-1: 20 - 10 + 6 back - 4 gone; SB-2: 30 - 20 + 7 back, 3 of them on hold.
	h.onHand("SB-1", 12)
	h.onHand("SB-2", 17)
	one, two := h.units("SB-1"), h.units("SB-2")
	if one.Dispatched != 10 || one.Returned != 6 || one.Moved != -4 || two.Held != 3 || two.Holds[0].Reason == "" {
		t.Errorf("ledgers: %+v, %+v", one.Packing, two.Packing)
	}
	page := crateRead(h, code)
	if page.Status != "back" || page.BackOn != h.today || page.Sold() != 17 {
		t.Errorf("back: %+v", page.Crate)
	}
	type fate struct{ Sold, Shelf, Tester, Broken, Gift, Damaged, Entries int }
	var fates []fate
	for _, o := range page.Out {
		fates = append(fates, fate{o.Out(), o.Shelf(), o.Tester, o.Broken, o.Gift, o.Damaged, len(o.Entries)})
	}
	if diff := cmp.Diff([]fate{{4, 2, 1, 2, 1, 0, 4}, {13, 4, 0, 0, 0, 3, 2}}, fates); diff != "" {
		t.Error(diff)
	}
	// The recall list names the event, what went there and what came back.
	trace, err := h.TraceBatch(ctx, h.owner.Workshop, "SB-1")
	if err != nil || len(trace.Lines) == 0 || trace.Lines[0].Customer != "FAIR" || trace.Lines[0].Units != 10 || trace.Lines[0].Returned != 6 {
		t.Errorf("the recall list: %+v, %v", trace.Lines, err)
	}
	customer, err := h.Customer(ctx, h.owner.Workshop, "FAIR", store.CustomerKeys{}, 10)
	if err != nil || len(customer.Crates) != 1 || customer.Crates[0].Sold() != 17 {
		t.Errorf("the event's page: %+v, %v", customer.Crates, err)
	}
	// A wrong count is corrected entry by entry.
	for _, e := range page.Out[0].Entries {
		if e.What == "gift" {
			if err := h.WithdrawMove(ctx, h.owner, store.Entry{}, e.Code, "not a gift"); err != nil {
				t.Fatal(err)
			}
		}
	}
	if page = crateRead(h, code); page.Out[0].Gift != 0 || page.Out[0].Shelf() != 3 {
		t.Errorf("corrected: %+v", page.Out[0])
	}
	h.onHand("SB-1", 13)
}

func TestABadCountOfACrateIsToldBesideItsLine(t *testing.T) {
	t.Parallel()
	h := crateFair(t)
	ctx := t.Context()
	code := crateAway(h)
	for _, row := range []struct {
		name, field, want string
		change            func(*store.CrateBack)
	}{
		{"more left than taken", "left-0", "10 were taken: 11 cannot be left.", func(b *store.CrateBack) { b.Lines[0].Left = 11 }},
		{"more in all than taken", "left-0", "10 were taken: 8 left, 1 tester, 2 broken make 11.", func(b *store.CrateBack) { b.Lines[0].Left, b.Lines[0].Tester, b.Lines[0].Broken = 8, 1, 2 }},
		{"fewer than none", "gift-0", "Between 0 and 1,000,000.", func(b *store.CrateBack) { b.Lines[0].Gift = -1 }},
		{"damaged, nowhere", "disposition-0", "Choose what becomes of the damaged ones.", func(b *store.CrateBack) { b.Lines[0].Damaged, b.Lines[0].Note = 1, "wet" }},
		{"damaged, without a word", "note-0", "Say what is wrong with them.", func(b *store.CrateBack) { b.Lines[0].Damaged, b.Lines[0].Disposition = 1, "destroy" }},
		{"a line not counted", "lines", "How many of SB-2 are left? 0 where all were sold.", func(b *store.CrateBack) { b.Lines = b.Lines[:1] }},
		{"a line twice", "left-2", `"SB-1" is not in this crate, or stands here twice.`, func(b *store.CrateBack) { b.Lines = append(b.Lines, b.Lines[0]) }},
		{"a code that was not in it", "left-1", `"SB-9" is not in this crate, or stands here twice.`, func(b *store.CrateBack) { b.Lines[1].Packing = "SB-9" }},
		{"tomorrow", "returned_on", "That day has not come yet.", func(b *store.CrateBack) { b.On = h.today.AddDays(1) }},
		{"before it left", "returned_on", "It left only on " + h.today.Long() + ".", func(b *store.CrateBack) { b.On = h.today.AddDays(-1) }},
	} {
		t.Run(row.name, func(t *testing.T) {
			b := crateCounts(h, 2)
			row.change(&b)
			unitsSays(t, h.BookCrateBack(ctx, h.owner, store.Entry{}, code, b), row.field, row.want)
		})
	}
	if n := unitsAsk[int](h, `SELECT (SELECT count(*) FROM unit_return) + (SELECT count(*) FROM unit_move)`); n != 0 {
		t.Errorf("%d entries were stored of counts that were refused", n)
	}
	if err := h.BookCrateBack(ctx, h.owner, store.Entry{}, cratePacked(h), crateCounts(h, 0)); !fault.Is(err, fault.Conflict) {
		t.Errorf("a crate that has not left is back: %v, want a conflict", err)
	}
}

func TestACountWrittenBeforeSomethingCameBackIsToldSo(t *testing.T) {
	t.Parallel()
	h := crateFair(t)
	ctx := t.Context()
	code := crateAway(h)
	page := crateRead(h, code)
	if _, err := h.Return(ctx, h.owner, store.Entry{}, store.NewReturn{Dispatch: page.Dispatch, Packing: "SB-1", On: h.today, Units: 3, Disposition: "restock"}); err != nil {
		t.Fatal(err)
	}
	b := crateCounts(h, 8)
	b.Seen = page.Seen
	if err := h.BookCrateBack(ctx, h.owner, store.Entry{}, code, b); !fault.Is(err, fault.Conflict) {
		t.Errorf("a stale count: %v, want a conflict", err)
	}
	b.Seen = crateRead(h, code).Seen
	unitsSays(t, h.BookCrateBack(ctx, h.owner, store.Entry{}, code, b), "left-0", "10 were taken and 3 came back already: 8 cannot be left.")
	// Units whose dispatch nobody knew were of these, as far as the book can tell.
	if _, err := h.Return(ctx, h.owner, store.Entry{}, store.NewReturn{Packing: "SB-1", On: h.today, Units: 5, Disposition: "restock"}); err != nil {
		t.Fatal(err)
	}
	unitsSays(t, h.BookCrateBack(ctx, h.owner, store.Entry{}, code, crateCounts(h, 4)), "left-0", "10 units of SB-1 were sent in all, and 8 came back already: no more than 2 can.")
	if err := h.BookCrateBack(ctx, h.owner, store.Entry{}, code, crateCounts(h, 2)); err != nil {
		t.Fatal(err)
	}
	h.onHand("SB-1", 20)
}

func TestOfManyWhoCountACrateBackOneIsBooked(t *testing.T) {
	t.Parallel()
	h := crateFair(t)
	code := crateAway(h)
	errs := make([]error, 4)
	var all sync.WaitGroup
	for i := range errs {
		all.Go(func() {
			errs[i] = h.BookCrateBack(t.Context(), h.owner, store.Entry{}, code, crateCounts(h, 6))
		})
	}
	all.Wait()
	booked := 0
	for _, err := range errs {
		if err == nil {
			booked++
		} else if !fault.Is(err, fault.Conflict) {
			t.Errorf("%v, want a conflict", err)
		}
	}
	if booked != 1 {
		t.Errorf("%d counts were booked, want 1", booked)
	}
	h.onHand("SB-1", 16)
}

func TestACrateSentTwiceIsStoredOnce(t *testing.T) {
	t.Parallel()
	h := crateFair(t)
	ctx := t.Context()
	code := cratePacked(h)
	leaves, back := store.Entry{Key: uuid.New()}, store.Entry{Key: uuid.New()}
	first, err := h.SendCrate(ctx, h.owner, leaves, code, store.CrateLeaves{On: h.today})
	again, errAgain := h.SendCrate(ctx, h.owner, leaves, code, store.CrateLeaves{On: h.today})
	if err != nil || errAgain != nil || first != again {
		t.Errorf("left as %q %v, again as %q %v", first, err, again, errAgain)
	}
	for range 2 {
		if err := h.BookCrateBack(ctx, h.owner, back, code, crateCounts(h, 6)); err != nil {
			t.Error(err)
		}
	}
	h.onHand("SB-1", 16)
}

func TestAnotherWorkshopsCrateIsNotFound(t *testing.T) {
	t.Parallel()
	h := crateFair(t)
	ctx := t.Context()
	code := crateAway(h)
	h.elsewhere()
	other := store.Who{Workshop: store.WorkshopID(unitsAsk[uuid.UUID](h, `SELECT id FROM workshop WHERE code = 'other'`)), Actor: "system"}
	_, read := h.CratePage(ctx, other.Workshop, code)
	_, sent := h.SendCrate(ctx, other, store.Entry{}, code, store.CrateLeaves{On: h.today})
	for name, err := range map[string]error{"read": read, "sent": sent, "back": h.BookCrateBack(ctx, other, store.Entry{}, code, crateCounts(h, 1)), "dropped": h.DropCrate(ctx, other, store.Entry{}, code),
		"changed": h.EditCrate(ctx, other, store.Entry{}, code, store.CrateEdit{On: h.today}), "added to": h.AddToCrate(ctx, other, store.Entry{}, code, unitsLine("SB-1", 1))} {
		if !fault.Is(err, fault.NotFound) {
			t.Errorf("%s by another workshop: %v, want not found", name, err)
		}
	}
}

func TestCratesAreListedByTheirDayAPageAtATime(t *testing.T) {
	t.Parallel()
	h := crateFair(t)
	ctx := t.Context()
	var want []string
	for days := range 3 {
		code, err := h.AddCrate(ctx, h.owner, store.Entry{}, store.NewCrate{Customer: "FAIR", On: h.today.AddDays(days)})
		if err != nil {
			t.Fatal(err)
		}
		want = append([]string{code}, want...)
	}
	var got []string
	for before := ""; len(got) < 4; {
		list, next, err := h.Crates(ctx, h.owner.Workshop, before, 2)
		if err != nil {
			t.Fatal(err)
		}
		if len(list) == 0 {
			break
		}
		for _, c := range list {
			got = append(got, c.Code)
		}
		if before = next; next == "" {
			break
		}
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Error(diff)
	}
	today, err := h.Today(ctx, h.owner.Workshop, h.today, 0)
	if open := today.Crates; err != nil || len(open) != 3 || open[0].Code != want[2] || today.MoreCrates {
		t.Errorf("open: %+v, %v", open, err)
	}
}
