package rates_test

import (
	"math"
	"math/big"
	"testing"

	"pgregory.net/rapid"

	"example.org/stillroom/internal/rates"
)

// Newcombe, Two-sided confidence intervals for the single proportion, Statistics in Medicine 17 (1998) 857-872, for the
// rows marked so (from memory); the others calculated with SciPy.
func TestWilsonAgreesWithPublishedIntervals(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		k, n      int
		low, high float64
	}{
		"0 of 10":              {0, 10, 0, 0.2775},
		"0 of 20 (Newcombe)":   {0, 20, 0, 0.1611},
		"1 of 20":              {1, 20, 0.0089, 0.2361},
		"2 of 20":              {2, 20, 0.0279, 0.3010},
		"1 of 29 (Newcombe)":   {1, 29, 0.0061, 0.1718},
		"0 of 30":              {0, 30, 0, 0.1135},
		"5 of 50":              {5, 50, 0.0435, 0.2136},
		"3 of 100":             {3, 100, 0.0103, 0.0845},
		"81 of 263 (Newcombe)": {81, 263, 0.2553, 0.3662},
	} {
		got := rates.Wilson(c.k, c.n)
		if math.Abs(got.Low-c.low) > 0.00005 || math.Abs(got.High-c.high) > 0.00005 {
			t.Errorf("%s: %.4f to %.4f, want %.4f to %.4f", name, got.Low, got.High, c.low, c.high)
		}
		// What is not met is the rest of what is.
		other := rates.Wilson(c.n-c.k, c.n)
		if math.Abs(other.Low-(1-got.High)) > 1e-12 || math.Abs(other.High-(1-got.Low)) > 1e-12 {
			t.Errorf("%s: the rest is %+v of %+v", name, other, got)
		}
	}
	for what, got := range map[string]rates.Interval{"of nothing": rates.Wilson(0, 0), "of less than nothing": rates.Wilson(2, -1)} {
		if got != (rates.Interval{Low: 0, High: 1}) {
			t.Errorf("%s: %+v", what, got)
		}
	}
	if got, want := rates.Wilson(7, 5), rates.Wilson(5, 5); got != want {
		t.Errorf("7 of 5: %+v, want as 5 of 5: %+v", got, want)
	}
}

// The lady tasting tea: R. A. Fisher, The Design of Experiments (1935), chapter 2 (from memory): of eight cups four are
// milk first; all four told right happens by chance once in 70, three or more in 17 of 70.
func TestChanceOfTheLadyTastingTea(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		table rates.Table
		want  float64
	}{
		"all four right": {rates.Table{With: 4, OthersWithout: 4}, 1.0 / 70},
		"three right":    {rates.Table{With: 3, Without: 1, OthersWith: 1, OthersWithout: 3}, 17.0 / 70},
		"none right":     {rates.Table{Without: 4, OthersWith: 4}, 1},
		"nobody asked":   {rates.Table{OthersWith: 3, OthersWithout: 2}, 1},
		"nothing at all": {rates.Table{}, 1},
		"a count astray": {rates.Table{With: -1, Without: 3, OthersWithout: 9}, 1},
	} {
		if got := c.table.Chance(); math.Abs(got-c.want) > 1e-12 {
			t.Errorf("%s: %v, want %v", name, got, c.want)
		}
	}
}

// exact sums the hypergeometric distribution in whole numbers.
func exact(t rates.Table) float64 {
	inQuestion, having := t.With+t.Without, t.With+t.OthersWith
	all := inQuestion + t.OthersWith + t.OthersWithout
	over := func(n, k int) *big.Int {
		if k < 0 || k > n {
			return new(big.Int)
		}
		return new(big.Int).Binomial(int64(n), int64(k))
	}
	sum := new(big.Int)
	for k := t.With; k <= min(inQuestion, having); k++ {
		sum.Add(sum, new(big.Int).Mul(over(having, k), over(all-having, inQuestion-k)))
	}
	f, _ := new(big.Rat).SetFrac(sum, over(all, inQuestion)).Float64()
	return f
}

func TestChanceIsWhatWholeNumbersSay(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		count := func(name string, most int) int { return rapid.IntRange(0, most).Draw(t, name) }
		table := rates.Table{With: count("with", 30), Without: count("without", 30), OthersWith: count("others with", 400), OthersWithout: count("others without", 3000)}
		got, want := table.Chance(), exact(table)
		if math.Abs(got-want) > 1e-9*max(want, 1e-3) {
			t.Fatalf("%+v: %v, want %v", table, got, want)
		}
		// One more of those in question with it, in the place of one without: less likely by chance, never more.
		if table.Without > 0 {
			more := table
			more.With, more.Without = more.With+1, more.Without-1
			more.OthersWith, more.OthersWithout = max(more.OthersWith-1, 0), more.OthersWithout+1
			if more.OthersWith == table.OthersWith-1 && more.Chance() > got+1e-12 {
				t.Fatalf("%+v: %v, and with one more %v", table, got, more.Chance())
			}
		}
	})
	if p := (rates.Table{With: 40, Without: 0, OthersWith: 10, OthersWithout: 100000}).Chance(); !(p > 0 && p < 1e-100) {
		t.Errorf("forty in forty beside ten in a hundred thousand: %v", p)
	}
}

func TestSharesOfNobodyAreNothing(t *testing.T) {
	t.Parallel()
	table := rates.Table{With: 3, Without: 1, OthersWith: 1, OthersWithout: 4}
	if table.Share() != 0.75 || table.OthersShare() != 0.2 || (rates.Table{}).Share() != 0 {
		t.Errorf("%v and %v", table.Share(), table.OthersShare())
	}
}
