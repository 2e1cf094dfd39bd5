package trace_test

import (
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"example.org/stillroom/internal/trace"
)

func TestOnHandAndAccountedForByHand(t *testing.T) {
	t.Parallel()
	type answer struct {
		OnHand int
		Pct    float64
		OK     bool
	}
	for _, tt := range []struct {
		name  string
		units trace.Units
		want  answer
	}{
		{"nothing made has no percentage", trace.Units{}, answer{0, 0, false}},
		{"nothing good, though something moved", trace.Units{Moved: 1}, answer{1, 0, false}},
		{"all still there", trace.Units{Good: 48}, answer{48, 100, true}},
		{"all sent", trace.Units{Good: 48, Dispatched: 48}, answer{0, 100, true}},
		{
			"returned to stock and on hold are on hand again",
			trace.Units{Good: 48, Dispatched: 40, Returned: 5, RestockedOrHeld: 5}, answer{13, 100, true},
		},
		{
			"returned and destroyed are not on hand",
			trace.Units{Good: 48, Dispatched: 40, Returned: 5, RestockedOrHeld: 2, Destroyed: 3}, answer{10, 100, true},
		},
		{"sent, returned and sent again", trace.Units{Good: 10, Dispatched: 14, Returned: 4, RestockedOrHeld: 4}, answer{0, 100, true}},
		{"drawn for a set", trace.Units{Good: 48, Used: 12}, answer{36, 100, true}},
		{"a tester and two gifts", trace.Units{Good: 48, Moved: -3}, answer{45, 100, true}},
		{"one more found in a count", trace.Units{Good: 48, Moved: 1}, answer{49, 100, true}},
		{
			"all of it at once",
			trace.Units{
				Good: 200, Dispatched: 150, Returned: 20, RestockedOrHeld: 12, Destroyed: 8, Used: 24, Moved: -6,
			},
			answer{32, 100, true},
		},
		{
			"five came back and nobody says what became of them",
			trace.Units{Good: 40, Dispatched: 40, Returned: 5}, answer{0, 87.5, true},
		},
		{
			"one came back, of three made",
			trace.Units{Good: 3, Dispatched: 3, Returned: 1}, answer{0, 200.0 / 3, true},
		},
		{
			"more destroyed than came back",
			trace.Units{Good: 40, Dispatched: 40, Returned: 5, Destroyed: 7}, answer{0, 105, true},
		},
	} {
		t.Run(tt.name, func(t *testing.T) {
			t.Parallel()
			pct, ok := trace.AccountedPct(tt.units)
			if diff := cmp.Diff(tt.want, answer{trace.OnHand(tt.units), pct, ok}); diff != "" {
				t.Errorf("(-want +got):\n%s", diff)
			}
		})
	}
}

func TestALedgerThatAddsUpIsAccountedForInFull(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		count := rapid.IntRange(0, 100_000)
		u := trace.Units{
			Good:            rapid.IntRange(1, 100_000).Draw(t, "good"),
			Dispatched:      count.Draw(t, "dispatched"),
			RestockedOrHeld: count.Draw(t, "restocked or held"),
			Destroyed:       count.Draw(t, "destroyed"),
			Used:            count.Draw(t, "used"),
			Moved:           rapid.IntRange(-1000, 1000).Draw(t, "moved"),
		}
		u.Returned = u.RestockedOrHeld + u.Destroyed
		if pct, ok := trace.AccountedPct(u); !ok || pct != 100 {
			t.Fatalf("AccountedPct(%+v) = %v, %v; want exactly 100", u, pct, ok)
		}
	})
}

// The ledger is replayed unit move by unit move; the sums must come to the same.
func TestOnHandIsWhatALedgerReplayedRowByRowComesTo(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		var u trace.Units
		shelf := 0
		for i := range rapid.IntRange(0, 60).Draw(t, "rows") {
			n := rapid.IntRange(1, 9).Draw(t, "units")
			row := rapid.SampledFrom([]string{"pack", "send", "restock", "hold", "destroy", "use", "move"}).Draw(t, "row")
			switch row {
			case "pack":
				u, shelf = u.Add(trace.Units{Good: n}), shelf+n
			case "send":
				u, shelf = u.Add(trace.Units{Dispatched: n}), shelf-n
			case "restock", "hold":
				u, shelf = u.Add(trace.Units{Returned: n, RestockedOrHeld: n}), shelf+n
			case "destroy":
				u = u.Add(trace.Units{Returned: n, Destroyed: n})
			case "use":
				u, shelf = u.Add(trace.Units{Used: n}), shelf-n
			case "move":
				if i%2 == 0 {
					n = -n
				}
				u, shelf = u.Add(trace.Units{Moved: n}), shelf+n
			}
		}
		if got := trace.OnHand(u); got != shelf {
			t.Fatalf("OnHand(%+v) = %d, the shelf holds %d", u, got, shelf)
		}
	})
}
