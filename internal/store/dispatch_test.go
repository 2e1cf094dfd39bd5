package store_test

import (
	"sort"
	"strings"
	"sync"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/uuid"

	"example.org/stillroom/internal/day"
	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/measure"
	"example.org/stillroom/internal/store"
)

var dispatchDay = day.Must("2026-03-14")

func dispatchPacking(onHand, held int, change func(*store.Packing)) store.Packing {
	p := store.Packing{Status: "released", PackedOn: dispatchDay.AddDays(-30), BestBefore: dispatchDay.AddDays(90), OnHand: onHand, Held: held}
	if change != nil {
		change(&p)
	}
	return p
}

func TestUnitsThatMayNotLeaveAreRefusedInWords(t *testing.T) {
	t.Parallel()
	for _, row := range []struct {
		name    string
		packing store.Packing
		units   int
		want    string
	}{
		{"all of it", dispatchPacking(10, 0, nil), 10, ""},
		{"on its last day", dispatchPacking(10, 0, func(p *store.Packing) { p.BestBefore = dispatchDay }), 10, ""},
		{"no date", dispatchPacking(10, 0, func(p *store.Packing) { p.BestBefore = day.Day{} }), 10, ""},
		{"what is not on hold", dispatchPacking(10, 4, nil), 6, ""},
		{"one too many", dispatchPacking(10, 0, nil), 11, "Only 10 on hand."},
		{"some on hold", dispatchPacking(10, 4, nil), 7, "10 on hand, 4 of them on hold: 6 may leave."},
		{"all on hold", dispatchPacking(10, 10, nil), 1, "What is there is on hold: 10 units."},
		{"none there", dispatchPacking(0, 0, nil), 1, "Only 0 on hand."},
		{"the day after its date", dispatchPacking(10, 0, func(p *store.Packing) { p.BestBefore = dispatchDay.AddDays(-1) }), 1, "It is out of date: best before 13 Mar 2026."},
		{"in quarantine", dispatchPacking(10, 0, func(p *store.Packing) { p.Status = "quarantined" }), 1, "It is not released yet."},
		{"rejected", dispatchPacking(10, 0, func(p *store.Packing) { p.Status = "rejected" }), 1, "It was rejected."},
		{"before it was packed", dispatchPacking(10, 0, func(p *store.Packing) { p.PackedOn = dispatchDay.AddDays(1) }), 1, "It was packed only on 15 Mar 2026."},
	} {
		t.Run(row.name, func(t *testing.T) {
			t.Parallel()
			if got := row.packing.Refuse(measure.Style{}, row.units, dispatchDay); got != row.want {
				t.Errorf("%q, want %q", got, row.want)
			}
		})
	}
}

func TestUnitsAreTakenFromTheFirstPackingsThatMayLeave(t *testing.T) {
	t.Parallel()
	past := dispatchPacking(5, 0, func(p *store.Packing) { p.BestBefore = dispatchDay.AddDays(-1) })
	waiting := dispatchPacking(5, 0, func(p *store.Packing) { p.Status = "quarantined" })
	for _, row := range []struct {
		name    string
		shelf   []store.Packing
		units   int
		taken   []int
		missing int
	}{
		{"one is enough", []store.Packing{dispatchPacking(5, 0, nil), dispatchPacking(5, 0, nil)}, 4, []int{4, 0}, 0},
		{"over into the next", []store.Packing{dispatchPacking(5, 0, nil), dispatchPacking(5, 0, nil)}, 7, []int{5, 2}, 0},
		{"held units are passed over", []store.Packing{dispatchPacking(5, 3, nil), dispatchPacking(5, 0, nil)}, 4, []int{2, 2}, 0},
		{"unfit packings are passed over", []store.Packing{past, waiting, dispatchPacking(5, 0, nil)}, 2, []int{0, 0, 2}, 0},
		{"too few", []store.Packing{dispatchPacking(5, 0, nil)}, 8, []int{5}, 3},
		{"an empty shelf", nil, 8, []int{}, 8},
	} {
		t.Run(row.name, func(t *testing.T) {
			t.Parallel()
			taken, missing := store.Pick(row.shelf, row.units, dispatchDay)
			if diff := cmp.Diff(row.taken, taken); diff != "" || missing != row.missing {
				t.Errorf("missing %d, want %d; taken: %s", missing, row.missing, diff)
			}
		})
	}
}

func TestADispatchTakesItsUnitsOffTheShelf(t *testing.T) {
	t.Parallel()
	h := newUnitsShop(t)
	h.packed("SB-1", 20, 100)
	h.packed("SB-2", 20, 200)
	shop := h.customer("Harbour Street Pantry")
	first := h.send(shop, unitsLine("SB-1", 20), unitsLine("sb 2", 5), unitsLine("SB-2", 0))
	second := h.send(shop, unitsLine("SB-2", 1))
	if want := unitsYearCode("D", h.today.Year(), 1); first != want || second != unitsYearCode("D", h.today.Year(), 2) {
		t.Errorf("codes %s and %s, want %s and the next", first, second, want)
	}
	h.onHand("SB-1", 0)
	h.onHand("SB-2", 14)
	page, err := h.DispatchPage(t.Context(), h.owner.Workshop, first)
	if err != nil {
		t.Fatal(err)
	}
	if page.Units != 25 || page.Lines != 2 || page.Late || page.By != h.owner.Name || len(page.Deviations) != 0 {
		t.Errorf("the dispatch says %+v", page)
	}
}

func TestPlanningRefusesWhatMayNotLeaveAndStoresNothing(t *testing.T) {
	t.Parallel()
	h := newUnitsShop(t)
	h.packed("SB-1", 20, 100)
	h.packedAs("SB-2", 20, 100, "quarantined")
	h.packedAs("SB-3", 20, 100, "rejected")
	h.packed("SB-4", 20, -1)
	h.packed("SB-5", 20, 100)
	shop := h.customer("Harbour Street Pantry")
	if err := h.PlaceHold(t.Context(), h.owner, store.Entry{}, store.NewHold{Packing: "SB-5", Units: 15, Reason: "two dented"}); err != nil {
		t.Fatal(err)
	}
	_, elsewhere, _ := h.elsewhere()
	past := "It is out of date: best before " + h.today.AddDays(-1).Long() + "."
	good := store.NewDispatch{Customer: shop, On: h.today, Lines: []store.DispatchLine{unitsLine("SB-1", 1)}}
	with := func(change func(*store.NewDispatch)) store.NewDispatch {
		n := good
		change(&n)
		return n
	}
	lines := func(l ...store.DispatchLine) store.NewDispatch {
		return with(func(n *store.NewDispatch) { n.Lines = l })
	}
	for _, row := range []struct {
		name, field, want string
		asked             store.NewDispatch
	}{
		{"more than there are", "line-0", "Only 20 on hand.", lines(unitsLine("SB-1", 21))},
		{"unreleased", "line-1", "It is not released yet.", lines(unitsLine("SB-1", 1), unitsLine("SB-2", 1))},
		{"rejected", "line-0", "It was rejected.", lines(unitsLine("SB-3", 1))},
		{"out of date", "line-0", past, lines(unitsLine("SB-4", 1))},
		{"on hold", "line-0", "20 on hand, 15 of them on hold: 5 may leave.", lines(unitsLine("SB-5", 6))},
		{"twice in one", "line-1", "SB-1 stands here twice: write its units in one line.", lines(unitsLine("SB-1", 1), unitsLine("sb1", 1))},
		{"no such code", "packing-0", `No packing has the code "SB-9".`, lines(unitsLine("SB-9", 1))},
		{"no code", "packing-0", "Which code stands on them?", lines(unitsLine(" ", 1))},
		{"another workshop's code", "packing-0", `No packing has the code "ZZ-1".`, lines(unitsLine("ZZ-1", 1))},
		{"fewer than none", "line-0", "Between 1 and 1,000,000 units.", lines(unitsLine("SB-1", -1))},
		{"nothing", "lines", "Which units leave? Write how many.", lines(unitsLine("SB-1", 0))},
		{"too many lines", "lines", "At most 500 packings in one dispatch.", lines(make([]store.DispatchLine, 501)...)},
		{"nobody", "customer", "Who are they for? Choose a customer, or write a new one.", with(func(n *store.NewDispatch) { n.Customer = "" })},
		{"no such customer", "customer", `There is no customer "XX".`, with(func(n *store.NewDispatch) { n.Customer = "XX" })},
		{"another workshop's customer", "customer", `There is no customer "OTHER".`, with(func(n *store.NewDispatch) { n.Customer = elsewhere })},
		{"a known and a new one", "new_customer", "Choose a customer or write a new one, not both.", with(func(n *store.NewDispatch) { n.NewCustomer.Name = "I. Okafor" })},
		{"a new one of no kind", "new_kind", "Choose what kind of customer: stockist, online, event or direct.", with(func(n *store.NewDispatch) { n.Customer, n.NewCustomer.Name = "", "I. Okafor" })},
		{"a name too long", "new_customer", "At most 200 characters, please.", with(func(n *store.NewDispatch) {
			n.Customer, n.NewCustomer = "", store.Customer{Name: strings.Repeat("n", 201), Kind: "online"}
		})},
		{"no day", "dispatched_on", "When did they leave?", with(func(n *store.NewDispatch) { n.On = day.Day{} })},
		{"tomorrow", "dispatched_on", "That day has not come yet.", with(func(n *store.NewDispatch) { n.On = h.today.AddDays(1) })},
		{"before it was packed", "line-0", "It was packed only on " + h.today.AddDays(-60).Long() + ".", with(func(n *store.NewDispatch) { n.On = h.today.AddDays(-61) })},
		{"left already, without saying how", "reason", "Say how it came about; it goes into the record.", with(func(n *store.NewDispatch) { n.AlreadyLeft = true })},
		{"a note too long", "note", "At most 1,000 characters, please.", with(func(n *store.NewDispatch) { n.Note = strings.Repeat("n", 1001) })},
	} {
		t.Run(row.name, func(t *testing.T) {
			_, err := h.Dispatch(t.Context(), h.owner, store.Entry{}, row.asked)
			unitsSays(t, err, row.field, row.want)
		})
	}
	if n := unitsAsk[int](h, `SELECT count(*) FROM dispatch d JOIN workshop w ON w.id = d.workshop_id WHERE w.code = 'main'`); n != 0 {
		t.Errorf("%d dispatches were stored of those refused", n)
	}
	if n := unitsAsk[int](h, `SELECT count(*) FROM customer c JOIN workshop w ON w.id = c.workshop_id WHERE w.code = 'main'`); n != 1 {
		t.Errorf("%d customers, want the one from before: a refused dispatch leaves no new customer", n)
	}
	h.stands()
}

func TestAllThatIsOffWithADispatchIsToldAtOnce(t *testing.T) {
	t.Parallel()
	h := newUnitsShop(t)
	h.packed("SB-1", 2, 100)
	_, err := h.Dispatch(t.Context(), h.owner, store.Entry{}, store.NewDispatch{Customer: "XX", Lines: []store.DispatchLine{unitsLine("SB-1", 3), unitsLine("SB-9", 1)}})
	if f := fault.As(err); f == nil || cmp.Diff([]string{"customer", "dispatched_on", "line-0", "packing-1"}, f.Names()) != "" {
		t.Errorf("told: %v", err)
	}
}

func TestWhatHasAlreadyLeftIsStoredWithItsDeviation(t *testing.T) {
	t.Parallel()
	for _, row := range []struct {
		name             string
		status           string
		daysLeft, units  int
		hold             int // units on hold, -1 for all
		onHand, recorded int
		says             string
	}{
		{"in order", "released", 100, 4, 0, 6, 0, ""},
		{"unreleased", "quarantined", 100, 4, 0, 6, 0, "4 units of SB-1 left in D-1. It is not released yet."},
		{"rejected", "rejected", 100, 4, 0, 6, 0, "4 units of SB-1 left in D-1. It was rejected."},
		{"out of date", "released", -3, 4, 0, 6, 0, "4 units of SB-1 left in D-1. It is out of date: best before PAST."},
		{"on hold in part", "released", 100, 8, 4, 2, 0, "8 units of SB-1 left in D-1. 2 units of it on hold."},
		{"on hold", "released", 100, 1, -1, 9, 0, "1 unit of SB-1 left in D-1. 1 unit of it on hold."},
		{"more than the book holds", "released", 100, 13, 0, 0, 3, "13 units of SB-1 left in D-1. The book held 10 units: 3 more than recorded."},
		{"all at once", "quarantined", 100, 13, -1, 0, 3, "13 units of SB-1 left in D-1. It is not released yet. The book held 10 units: 3 more than recorded. 10 units of it on hold."},
	} {
		t.Run(row.name, func(t *testing.T) {
			t.Parallel()
			h := newUnitsShop(t)
			h.packedAs("SB-1", 10, row.daysLeft, row.status)
			if row.hold != 0 {
				if err := h.PlaceHold(t.Context(), h.owner, store.Entry{}, store.NewHold{Packing: "SB-1", Units: max(row.hold, 0), Reason: "smells off"}); err != nil {
					t.Fatal(err)
				}
			}
			code, err := h.Dispatch(t.Context(), h.helper, store.Entry{}, store.NewDispatch{NewCustomer: store.Customer{Name: "Sedgebank fair", Kind: "event"}, On: h.today,
				Lines: []store.DispatchLine{unitsLine("SB-1", row.units)}, AlreadyLeft: true, Reason: "sold off the table"})
			if err != nil {
				t.Fatal(err)
			}
			h.onHand("SB-1", row.onHand)
			page, err := h.DispatchPage(t.Context(), h.owner.Workshop, code)
			if err != nil {
				t.Fatal(err)
			}
			if !page.Late || page.Units != row.units || page.Reason != "sold off the table" {
				t.Errorf("the dispatch is late %t, %d units, %q", page.Late, page.Units, page.Reason)
			}
			var said []string
			for _, d := range page.Deviations {
				if d.Kind != "dispatch" || d.Packing != "SB-1" || d.Reason != "sold off the table" || !d.Open() {
					t.Errorf("the deviation is %+v", d)
				}
				said = append(said, d.What)
			}
			want := strings.NewReplacer("D-1", code, "PAST", h.today.AddDays(-3).Long()).Replace(row.says)
			if strings.Join(said, "|") != want {
				t.Errorf("deviations say %q, want %q", said, want)
			}
			if got := unitsAsk[int](h, `SELECT coalesce(sum(units), 0) FROM unit_move WHERE more_than_recorded AND reason = 'count'`); got != row.recorded {
				t.Errorf("more than recorded: %d, want %d", got, row.recorded)
			}
		})
	}
}

func TestADispatchOfAnEarlierDayIsMarkedLate(t *testing.T) {
	t.Parallel()
	h := newUnitsShop(t)
	h.packed("SB-1", 10, 100)
	code, err := h.Dispatch(t.Context(), h.owner, store.Entry{}, store.NewDispatch{Customer: h.customer("Pantry"), On: h.today.AddDays(-2), Lines: []store.DispatchLine{unitsLine("SB-1", 1)}})
	if err != nil {
		t.Fatal(err)
	}
	if page, err := h.DispatchPage(t.Context(), h.owner.Workshop, code); err != nil || !page.Late || len(page.Deviations) != 0 {
		t.Errorf("late %t with %d deviations, %v; want late and in order", page.Late, len(page.Deviations), err)
	}
}

func TestOfTwoDispatchesOfTheLastUnitsOneSucceedsAndOneIsTold(t *testing.T) {
	t.Parallel()
	h := newUnitsShop(t)
	h.packed("SB-1", 10, 100)
	shop := h.customer("Pantry")
	errs := make([]error, 4)
	var all sync.WaitGroup
	for i := range errs {
		all.Go(func() {
			_, errs[i] = h.Dispatch(t.Context(), h.owner, store.Entry{}, store.NewDispatch{Customer: shop, On: h.today, Lines: []store.DispatchLine{unitsLine("SB-1", 7)}})
		})
	}
	all.Wait()
	sent := 0
	for _, err := range errs {
		if err == nil {
			sent++
			continue
		}
		unitsSays(t, err, "line-0", "Only 3 on hand.")
	}
	if sent != 1 {
		t.Errorf("%d of 4 dispatches of the last units succeeded, want 1", sent)
	}
	h.onHand("SB-1", 3)
}

func TestDispatchesThatNameTheSamePackingsInAnyOrderAllSucceed(t *testing.T) {
	t.Parallel()
	h := newUnitsShop(t)
	codes := []string{"SB-1", "SB-2", "SB-3", "SB-4"}
	for _, code := range codes {
		h.packed(code, 12, 100)
	}
	shop := h.customer("Pantry")
	errs := make([]error, 12)
	var all sync.WaitGroup
	for i := range errs {
		all.Go(func() {
			var lines []store.DispatchLine
			for j := range codes {
				lines = append(lines, unitsLine(codes[(i*3+j*(1+2*(i%2)))%4], 1))
			}
			_, errs[i] = h.Dispatch(t.Context(), h.owner, store.Entry{}, store.NewDispatch{Customer: shop, On: h.today, Lines: lines})
		})
	}
	all.Wait()
	for i, err := range errs {
		if err != nil {
			t.Errorf("dispatch %d: %v", i, err)
		}
	}
	for _, code := range codes {
		h.onHand(code, 0)
	}
}

func TestADispatchSentTwiceIsStoredOnce(t *testing.T) {
	t.Parallel()
	h := newUnitsShop(t)
	h.packed("SB-1", 10, 100)
	entry := store.Entry{Key: uuid.New(), Payload: [32]byte{1}}
	n := store.NewDispatch{NewCustomer: store.Customer{Name: "I. Okafor", Kind: "online"}, On: h.today, Lines: []store.DispatchLine{unitsLine("SB-1", 4)}}
	first, err := h.Dispatch(t.Context(), h.owner, entry, n)
	if err != nil {
		t.Fatal(err)
	}
	again, err := h.Dispatch(t.Context(), h.owner, entry, n)
	if err != nil || again != first {
		t.Errorf("again: %q, %v; want %q", again, err, first)
	}
	entry.Payload = [32]byte{2}
	if _, err := h.Dispatch(t.Context(), h.owner, entry, n); !fault.Is(err, fault.Invalid) || !strings.Contains(err.Error(), first) {
		t.Errorf("the same key with other values: %v, want to be told of %s", err, first)
	}
	h.onHand("SB-1", 6)
}

func TestACorrectedLineReplacesTheOldOneAndKeepsIt(t *testing.T) {
	t.Parallel()
	for _, row := range []struct {
		name   string
		units  int
		left   bool
		onHand int
		field  string
		want   string
	}{
		{"fewer", 4, false, 6, "", ""},
		{"none of it", 0, false, 10, "", ""},
		{"more, as many as there are", 10, false, 0, "", ""},
		{"more than there are", 11, false, 2, "units", "Only 10 on hand."},
		{"more than there are, and they did leave", 11, true, 0, "", ""},
		{"the same", 8, false, 2, "units", "That is what stands there: nothing to correct."},
		{"fewer than none", -1, false, 2, "units", "Between 0 and 1,000,000 units."},
	} {
		t.Run(row.name, func(t *testing.T) {
			t.Parallel()
			h := newUnitsShop(t)
			h.packed("SB-1", 10, 100)
			code := h.send(h.customer("Pantry"), unitsLine("SB-1", 8))
			err := h.CorrectDispatch(t.Context(), h.owner, store.Entry{}, store.LineCorrection{Dispatch: code, Packing: "SB-1", Units: row.units, AlreadyLeft: row.left, Reason: "counted again"})
			if row.field != "" {
				unitsSays(t, err, row.field, row.want)
				h.onHand("SB-1", row.onHand)
				return
			}
			if err != nil {
				t.Fatal(err)
			}
			h.onHand("SB-1", row.onHand)
			page, err := h.DispatchPage(t.Context(), h.owner.Workshop, code)
			if err != nil {
				t.Fatal(err)
			}
			got := page.Packings[0]
			if got.Units != row.units || len(got.Old) != 1 || got.Old[0].Units != 8 || got.Old[0].Reason != "counted again" || got.Old[0].Who != h.owner.Name {
				t.Errorf("the dispatch says %+v", got)
			}
		})
	}
}

func TestACorrectionNeedsAReason(t *testing.T) {
	t.Parallel()
	h := newUnitsShop(t)
	h.packed("SB-1", 10, 100)
	code := h.send(h.customer("Pantry"), unitsLine("SB-1", 8))
	err := h.CorrectDispatch(t.Context(), h.owner, store.Entry{}, store.LineCorrection{Dispatch: code, Packing: "SB-1", Units: 4, Reason: "  "})
	unitsSays(t, err, "reason", "Say why: the old value is kept beside the new one.")
	h.onHand("SB-1", 2)
}

func TestACodeThatWasReadWrongIsMovedToTheRightPacking(t *testing.T) {
	t.Parallel()
	h := newUnitsShop(t)
	h.packed("SB-1", 10, 100)
	h.packed("SB-2", 10, 100)
	code := h.send(h.customer("Pantry"), unitsLine("SB-1", 8))
	for _, c := range []store.LineCorrection{{Dispatch: code, Packing: "SB-2", Units: 8, Reason: "read wrong"}, {Dispatch: code, Packing: "SB-1", Units: 0, Reason: "read wrong"}} {
		if err := h.CorrectDispatch(t.Context(), h.owner, store.Entry{}, c); err != nil {
			t.Fatal(err)
		}
	}
	h.onHand("SB-1", 10)
	h.onHand("SB-2", 2)
}

func TestAMistypedLateDispatchGivesBackWhatWasBookedForIt(t *testing.T) {
	t.Parallel()
	h := newUnitsShop(t)
	h.packed("SB-1", 10, 100)
	code, err := h.Dispatch(t.Context(), h.owner, store.Entry{}, store.NewDispatch{Customer: h.customer("Pantry"), On: h.today, Lines: []store.DispatchLine{unitsLine("SB-1", 50)}, AlreadyLeft: true, Reason: "van was loaded"})
	if err != nil {
		t.Fatal(err)
	}
	h.onHand("SB-1", 0)
	if err := h.CorrectDispatch(t.Context(), h.owner, store.Entry{}, store.LineCorrection{Dispatch: code, Packing: "SB-1", Units: 5, Reason: "5, not 50"}); err != nil {
		t.Fatal(err)
	}
	h.onHand("SB-1", 5)
	page, err := h.DispatchPage(t.Context(), h.owner.Workshop, code)
	if err != nil {
		t.Fatal(err)
	}
	for _, d := range page.Deviations {
		if d.Open() {
			t.Errorf("still open: %s", d.What)
		}
	}
}

func TestWhatWasUsedOfBookedUnitsStaysBookedWhenTheDispatchIsCorrected(t *testing.T) {
	t.Parallel()
	h := newUnitsShop(t)
	packing := h.packed("SB-1", 10, 100)
	code, err := h.Dispatch(t.Context(), h.owner, store.Entry{}, store.NewDispatch{Customer: h.customer("Pantry"), On: h.today, Lines: []store.DispatchLine{unitsLine("SB-1", 50)}, AlreadyLeft: true, Reason: "van was loaded"})
	if err != nil {
		t.Fatal(err)
	}
	// 45 of the 50 come back to stock, and 43 of those are given away: more than were ever packed.
	if _, err := h.Return(t.Context(), h.owner, store.Entry{}, store.NewReturn{Packing: "SB-1", On: h.today, Units: 45, Disposition: "restock"}); err != nil {
		t.Fatal(err)
	}
	if _, err := h.MoveUnits(t.Context(), h.owner, store.Entry{}, store.UnitMove{Packing: "SB-1", Reason: "gift", Units: 43}); err != nil {
		t.Fatal(err)
	}
	err = h.CorrectDispatch(t.Context(), h.owner, store.Entry{}, store.LineCorrection{Dispatch: code, Packing: "SB-1", Units: 44, Reason: "44"})
	unitsSays(t, err, "units", "45 units of SB-1 came back in all: fewer cannot have left.")
	if err := h.CorrectDispatch(t.Context(), h.owner, store.Entry{}, store.LineCorrection{Dispatch: code, Packing: "SB-1", Units: 45, Reason: "45"}); err != nil {
		t.Fatal(err)
	}
	h.onHand("SB-1", 0)
	if n := unitsAsk[int](h, `SELECT sum(units) FROM unit_move WHERE packing_id = $1 AND more_than_recorded AND replaced_by IS NULL`, packing); n != 33 {
		t.Errorf("%d stay booked as more than recorded, want the 33 that were there after all", n)
	}
}

func TestAHelperCorrectsTheirOwnDispatchOfTheDayAndNoOther(t *testing.T) {
	t.Parallel()
	h := newUnitsShop(t)
	h.packed("SB-1", 10, 100)
	shop := h.customer("Pantry")
	theirs := h.send(shop, unitsLine("SB-1", 4))
	own, err := h.Dispatch(t.Context(), h.helper, store.Entry{}, store.NewDispatch{Customer: shop, On: h.today, Lines: []store.DispatchLine{unitsLine("SB-1", 4)}})
	if err != nil {
		t.Fatal(err)
	}
	if err := h.CorrectDispatch(t.Context(), h.helper, store.Entry{}, store.LineCorrection{Dispatch: own, Packing: "SB-1", Units: 3, Reason: "3"}); err != nil {
		t.Errorf("their own: %v", err)
	}
	if err := h.CorrectDispatch(t.Context(), h.helper, store.Entry{}, store.LineCorrection{Dispatch: theirs, Packing: "SB-1", Units: 3, Reason: "3"}); !fault.Is(err, fault.Forbidden) {
		t.Errorf("the owner's: %v, want forbidden", err)
	}
	h.onHand("SB-1", 3)
}

func TestDispatchesAreListedNewestFirstAPageAtATime(t *testing.T) {
	t.Parallel()
	h := newUnitsShop(t)
	packing := h.packed("SB-1", 100, 100)
	customer := h.book.Customer("PA", "Pantry", "stockist")
	for i, on := range []string{"2026-01-03", "2026-01-01", "2026-01-02", "2026-01-02", "2026-01-01"} {
		h.book.Dispatch(unitsYearCode("D", 2026, i+1), customer, packing, i+1, on)
	}
	var codes []string
	before := ""
	for range 4 {
		page, next, err := h.Dispatches(t.Context(), h.owner.Workshop, before, 2)
		if err != nil {
			t.Fatal(err)
		}
		for _, d := range page {
			codes = append(codes, d.Code)
		}
		if before = next; next == "" {
			break
		}
	}
	want := []string{"D-2026-0001", "D-2026-0004", "D-2026-0003", "D-2026-0005", "D-2026-0002"}
	if diff := cmp.Diff(want, codes); diff != "" {
		t.Error(diff)
	}
}

func TestADispatchCodeThatAnOlderBookTookIsPassedOver(t *testing.T) {
	t.Parallel()
	h := newUnitsShop(t)
	packing := h.packed("SB-1", 100, 100)
	h.book.Dispatch(unitsYearCode("D", h.today.Year(), 1), h.book.Customer("PA", "Pantry", "stockist"), packing, 1, "2026-01-03")
	if got, want := h.send("PA", unitsLine("SB-1", 1)), unitsYearCode("D", h.today.Year(), 2); got != want {
		t.Errorf("code %s, want %s", got, want)
	}
}

func TestAnotherWorkshopsDispatchIsNotFound(t *testing.T) {
	t.Parallel()
	h := newUnitsShop(t)
	h.packed("SB-1", 10, 100)
	packing, customer, dispatch := h.elsewhere()
	ctx := t.Context()
	for name, err := range map[string]error{
		"its page":       unitsErr(h.DispatchPage(ctx, h.owner.Workshop, dispatch)),
		"its customer":   unitsErr(h.Customer(ctx, h.owner.Workshop, customer, store.CustomerKeys{}, 10)),
		"its packing":    unitsErr(h.PackingUnits(ctx, h.owner.Workshop, packing)),
		"a correction":   h.CorrectDispatch(ctx, h.owner, store.Entry{}, store.LineCorrection{Dispatch: dispatch, Packing: "SB-1", Units: 1, Reason: "x"}),
		"a return to it": unitsErr(h.Return(ctx, h.owner, store.Entry{}, store.NewReturn{Dispatch: dispatch, Packing: "SB-1", On: h.today, Units: 1, Disposition: "restock"})),
		"a move":         unitsErr(h.MoveUnits(ctx, h.owner, store.Entry{}, store.UnitMove{Packing: packing, Reason: "gift", Units: 1})),
		"a hold":         h.PlaceHold(ctx, h.owner, store.Entry{}, store.NewHold{Packing: packing, Reason: "x"}),
	} {
		if !fault.Is(err, fault.NotFound) {
			t.Errorf("%s: %v, want not found", name, err)
		}
	}
	stock, err := h.Stock(ctx, h.owner.Workshop)
	if err != nil || len(stock) != 1 || stock[0].Code != "SB" {
		t.Errorf("stock: %v, %v; want only ours", stock, err)
	}
}

func unitsErr[T any](_ T, err error) error { return err }

func TestStockIsListedInTheOrderInWhichItLeaves(t *testing.T) {
	t.Parallel()
	h := newUnitsShop(t)
	made := func(code, on, best string, good int) {
		h.book.Batch(code, code, h.soap, on, good, "released", best)
	}
	made("B5", "2026-01-05", "", 5)
	made("B4", "2026-01-04", "", 5)
	made("B3", "2026-01-01", "2027-06-30", 5)
	made("B2", "2026-01-02", "2027-05-31", 5)
	made("B1", "2026-01-01", "2027-05-31", 5)
	made("B0", "2026-01-01", "2027-01-31", 0)
	scrub := h.book.Product("AB", "Almond scrub")
	h.book.Batch("C1", "C1", scrub, "2026-01-01", 7, "quarantined", "")
	stock, err := h.Stock(t.Context(), h.owner.Workshop)
	if err != nil {
		t.Fatal(err)
	}
	got := map[string][]string{}
	var order []string
	for _, s := range stock {
		order = append(order, s.Code)
		for _, p := range s.Packings {
			got[s.Code] = append(got[s.Code], p.Code)
		}
	}
	if diff := cmp.Diff(map[string][]string{"SB": {"B1", "B2", "B3", "B4", "B5"}, "AB": {"C1"}}, got); diff != "" {
		t.Error(diff)
	}
	if !sort.StringsAreSorted(order) {
		t.Errorf("products in order %v, want by name", order)
	}
	if stock[0].OnHand != 7 || stock[0].Free(h.today) != 0 || stock[1].OnHand != 25 || stock[1].Free(h.today) != 25 {
		t.Errorf("sums are %+v", stock)
	}
}

func TestStockToWatchIsWhatIsOnHandAndNearItsDate(t *testing.T) {
	t.Parallel()
	h := newUnitsShop(t)
	h.packed("SB-1", 5, -2)
	h.packed("SB-2", 5, 30)
	h.packed("SB-3", 5, 31)
	h.packed("SB-4", 0, 1)
	h.packed("SB-5", 5, 0)
	h.packedAs("SB-6", 5, 1, "rejected")
	today, err := h.Today(t.Context(), h.owner.Workshop, h.today, 30)
	if err != nil {
		t.Fatal(err)
	}
	var codes []string
	for _, p := range today.Stock {
		codes = append(codes, p.Code)
	}
	if diff := cmp.Diff([]string{"SB-1", "SB-2"}, codes); diff != "" {
		t.Error(diff)
	}
}
