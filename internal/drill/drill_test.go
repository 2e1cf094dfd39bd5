package drill_test

import (
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"example.org/stillroom/internal/day"
	"example.org/stillroom/internal/drill"
	"example.org/stillroom/internal/trace"
)

func found(n int) *int { return &n }

// The percentage is what mock recalls are judged by, 100 × (in stock + sold + returned + destroyed + samples) ÷ made: common
// practice, no source. Worked by hand: 100 made, 60 sent, 4 back (3 restocked, 1 destroyed), 10 used in sets, 2
// given away: 31 on hand; 31 + 60 − 4 + 1 + 10 + 2 = 100.
func TestUnitsAreAccountedForByTheShelfWhereItWasCounted(t *testing.T) {
	t.Parallel()
	units := trace.Units{Good: 100, Dispatched: 60, Returned: 4, RestockedOrHeld: 3, Destroyed: 1, Used: 10, Moved: -2}
	for _, tt := range []struct {
		name                            string
		counted                         *int
		book                            int
		accounted                       int
		pct                             float64
		missing, tooMany, uncounted, at int
	}{
		{"nobody counted", nil, 0, 100, 100, 0, 0, 1, 31},
		{"all are there", found(31), 31, 100, 100, 0, 0, 0, 31},
		{"four are not there", found(27), 31, 96, 96, 4, 0, 0, 27},
		{"two more than the book has", found(33), 31, 102, 102, 0, 2, 0, 33},
		{"six were sent between the start and the count", found(25), 25, 100, 100, 0, 0, 0, 31},
		{"an empty shelf that should not be", found(0), 31, 69, 69, 31, 0, 0, 0},
	} {
		t.Run(tt.name, func(t *testing.T) {
			t.Parallel()
			p := drill.Packing{Code: "OB-1", Units: units, OnHand: 31, Counted: tt.counted, Book: tt.book}
			r := drill.Judge(drill.Scope{Packings: []drill.Packing{p}})
			got := []any{r.Good, r.Accounted, r.Pct, r.Known, r.Missing, r.TooMany, r.Uncounted, p.Found()}
			if diff := cmp.Diff([]any{100, tt.accounted, tt.pct, true, tt.missing, tt.tooMany, tt.uncounted, tt.at}, got); diff != "" {
				t.Errorf("(-want +got):\n%s", diff)
			}
		})
	}
	if r := drill.Judge(drill.Scope{}); r.Known || len(r.Gaps) != 0 {
		t.Errorf("of nothing: %+v", r)
	}
}

// What one packing lacks is not made good by what another has too much.
func TestAGapIsToldForEachThingOfItsOwn(t *testing.T) {
	t.Parallel()
	r := drill.Judge(drill.Scope{
		Packings: []drill.Packing{
			{Code: "A", Units: trace.Units{Good: 10}, OnHand: 10, Counted: found(8), Book: 10},
			{Code: "B", Units: trace.Units{Good: 10}, OnHand: 10, Counted: found(12), Book: 10},
			{Code: "C", Units: trace.Units{Good: 10, Dispatched: 5, Returned: 2, RestockedOrHeld: 1}, OnHand: 6, Counted: found(6), Book: 6},
			{Code: "D", Units: trace.Units{Good: 5, Dispatched: 5}},
		},
		Customers: []drill.Customer{{Code: "X", Name: "Alder", Kind: "stockist", Units: 3}, {Code: "Y", Name: "Fair", Kind: "event", Units: 2}, {Code: "Z", Name: "Birch", Kind: "online", Units: 1, Reachable: true}},
		Lots:      []drill.Lot{{Code: "L1", Supplier: true}, {Code: "L2", SupplierLot: true}, {Code: "L3", Tub: true}, {Code: "L4", Supplier: true, SupplierLot: true}, {Code: "L5"}},
		Batches:   []drill.Batch{{Code: "A", Inputs: true}, {Code: "D"}},
	})
	var got []string
	for _, g := range r.Gaps {
		for _, i := range g.Items {
			got = append(got, g.Key+" "+i.Code+" "+i.Words)
		}
	}
	want := []string{"missing A 8 found, 10 by the book", "too_many B 12 found, 10 by the book", "ledger C 90.0 % by its ledger", "unreachable X Alder, 3 units", "events Y Fair, 2 units",
		"lots L1 no supplier's lot", "lots L2 no supplier", "lots L5 no supplier and no supplier's lot", "inputs D "}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
	if r.Missing != 2 || r.TooMany != 2 || r.Unreachable != 1 || r.ToEvents != 2 {
		t.Errorf("%+v", r)
	}
}

func TestADrillIsHeldToTheWorkshopsOwnTarget(t *testing.T) {
	t.Parallel()
	for d, want := range map[time.Duration]string{30 * time.Second: "less than a minute", 45*time.Minute + 59*time.Second: "45 min", 2 * time.Hour: "2 h", 110 * time.Minute: "1 h 50 min"} {
		if got := drill.Took(d); got != want {
			t.Errorf("%v in words: %q, want %q", d, got, want)
		}
	}
	if !drill.InTime(4*time.Hour, 240) || drill.InTime(4*time.Hour+time.Second, 240) {
		t.Error("240 minutes are 4 hours, and no second more")
	}
}

func TestADrillIsDueAYearAfterTheLast(t *testing.T) {
	t.Parallel()
	for _, tt := range []struct {
		name               string
		last, first, today string
		want               bool
	}{
		{"nothing was ever dispatched", "", "", "2026-11-29", false},
		{"dispatches for a year less a day, no drill", "", "2025-11-30", "2026-11-29", false},
		{"dispatches for a year, no drill", "", "2025-11-29", "2026-11-29", true},
		{"a drill within the year", "2026-03-01", "2020-01-01", "2026-11-29", false},
		{"a drill a year ago", "2025-11-29", "2020-01-01", "2026-11-29", true},
		{"a drill on a leap day", "2024-02-29", "2020-01-01", "2025-02-28", true},
	} {
		t.Run(tt.name, func(t *testing.T) {
			t.Parallel()
			on := func(iso string) day.Day {
				if iso == "" {
					return day.Day{}
				}
				return day.Must(iso)
			}
			if got := drill.Due(on(tt.last), on(tt.first), on(tt.today)); got != tt.want {
				t.Errorf("due %v, want %v", got, tt.want)
			}
		})
	}
}
