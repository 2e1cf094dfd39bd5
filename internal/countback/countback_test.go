package countback_test

import (
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"example.org/stillroom/internal/countback"
)

// TestAWorkedExample is reckoned by hand (common practice, no source): 3 shops had 12, 8 and 0 units. The first sent 5
// back, destroyed 2, used 1 and sold 3; the second sent 8 back.
func TestAWorkedExample(t *testing.T) {
	t.Parallel()
	first := countback.Units{Out: 12, Returned: 5, Destroyed: 2, Used: 1, Sold: 3}
	second := countback.Units{Out: 8, Returned: 8}
	all := first.Add(second).Add(countback.Units{})
	for _, row := range []struct {
		name                         string
		units                        countback.Units
		recovered, accounted         int
		missing, over                int
		recoveredPct, accountedShare string
	}{
		{"first", first, 7, 11, 1, 0, "58.3 %", "91.6 %"}, // 7/12 = 58.33, 11/12 = 91.67, rounded down
		{"second", second, 8, 8, 0, 0, "100.0 %", "100.0 %"},
		{"both", all, 15, 19, 1, 0, "75.0 %", "95.0 %"}, // of 20
		{"nothing out", countback.Units{}, 0, 0, 0, 0, "", ""},
		{"nothing heard", countback.Units{Out: 5}, 0, 0, 5, 0, "0.0 %", "0.0 %"},
		{"one of very many missing", countback.Units{Out: 100_000, Returned: 99_999}, 99_999, 99_999, 1, 0, "99.9 %", "99.9 %"},
		{"sold, then back after all", countback.Units{Out: 4, Returned: 3, Sold: 2}, 3, 5, 0, 1, "75.0 %", "125.0 %"},
	} {
		got := row.units
		if got.Recovered() != row.recovered || got.Accounted() != row.accounted || got.Missing() != row.missing || got.Over() != row.over || got.RecoveredPct() != row.recoveredPct || got.AccountedPct() != row.accountedShare {
			t.Errorf("%s: recovered %d %s, accounted %d %s, missing %d, over %d", row.name, got.Recovered(), got.RecoveredPct(), got.Accounted(), got.AccountedPct(), got.Missing(), got.Over())
		}
	}
}

func TestUnitsAreTakenOffTheOldestDispatchFirst(t *testing.T) {
	t.Parallel()
	taken, left := countback.Allocate(9, []int{4, 0, -2, 3, 7})
	if d := cmp.Diff([]int{4, 0, 0, 3, 2}, taken); d != "" || left != 0 {
		t.Errorf("left %d, %s", left, d)
	}
	rapid.Check(t, func(t *rapid.T) {
		out := rapid.SliceOfN(rapid.IntRange(-2, 9), 0, 6).Draw(t, "out")
		units := rapid.IntRange(0, 40).Draw(t, "units")
		taken, left := countback.Allocate(units, out)
		sum, open := 0, false
		for i, n := range taken {
			if n < 0 || n > max(0, out[i]) || open && n > 0 {
				t.Fatalf("%d of %d at %d", n, out[i], i)
			}
			open = open || n < out[i]
			sum += n
		}
		if sum+left != units || open && left > 0 {
			t.Fatalf("%d taken and %d left of %d", sum, left, units)
		}
	})
}
