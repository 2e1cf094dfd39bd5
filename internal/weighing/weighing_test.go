package weighing_test

import (
	"fmt"
	"testing"

	"example.org/stillroom/internal/measure"
	"example.org/stillroom/internal/weighing"
	"github.com/google/go-cmp/cmp"
	"github.com/shopspring/decimal"
	"pgregory.net/rapid"
)

func d(s string) decimal.Decimal { return decimal.RequireFromString(s) }

func list(values ...string) []decimal.Decimal {
	var out []decimal.Decimal
	for _, v := range values {
		out = append(out, d(v))
	}
	return out
}

func TestAWeighingIsHeldToTheWiderOfPercentAndFloor(t *testing.T) {
	t.Parallel()
	tests := []struct {
		name                       string
		target, actual, pct, floor string
		outside                    bool
		difference, words          string
	}{
		{"within", "800", "803.2", "1", "0.1", false, "3.2", "3.2 g over, 0.4 %; 1 % allowed"},
		{"at the tolerance", "800", "808", "1", "0.1", false, "8", "8 g over, 1 %; 1 % allowed"},
		{"a hair beyond", "800", "808.1", "1", "0.1", true, "8.1", "8.1 g over, 1.01 %; 1 % allowed"},
		{"far beyond, too little", "800", "700", "1", "0.1", true, "-100", "100 g under, 12.5 %; 1 % allowed"},
		{"a hair within shows no tolerance", "800", "807.9", "1", "0.1", false, "7.9", "7.9 g over, 1 %; 1 % allowed"},
		{"next to nothing is still something", "8000", "8000.1", "1", "0.1", false, "0.1", "0.1 g over, 0.001 %; 1 % allowed"},
		{"exact", "800", "800.00", "1", "0.1", false, "0", "exactly as asked"},
		{"small, held by the floor", "3.3", "3.4", "1", "0.1", false, "0.1", "0.1 g over, 0.1 g allowed"},
		{"small, beyond the floor", "3.3", "3.1", "1", "0.1", true, "-0.2", "0.2 g under, 0.1 g allowed"},
		{"nothing was asked for", "0", "0.2", "1", "0.1", true, "0.2", "0.2 g over, 0.1 g allowed"},
		{"nothing asked for, nothing allowed", "0", "0.2", "1", "0", true, "0.2", "0.2 g over"},
		{"no tolerance at all", "100", "100.1", "0", "0", true, "0.1", "0.1 g over, 0.1 %; 0 % allowed"},
	}
	for _, tc := range tests {
		t.Run(tc.name, func(t *testing.T) {
			t.Parallel()
			target, actual, pct, floor := d(tc.target), d(tc.actual), d(tc.pct), d(tc.floor)
			if got := weighing.Outside(target, actual, pct, floor); got != tc.outside {
				t.Errorf("outside %v, want %v", got, tc.outside)
			}
			if diff := cmp.Diff(d(tc.difference), weighing.Difference(target, actual)); diff != "" {
				t.Errorf("difference (-want +got):\n%s", diff)
			}
			if diff := cmp.Diff(tc.words, weighing.Words(measure.Style{}, target, actual, pct, floor)); diff != "" {
				t.Errorf("words (-want +got):\n%s", diff)
			}
		})
	}
}

func TestTheWordsNeverSayWithinOfWhatIsOutside(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		target := decimal.New(rapid.Int64Range(1, 5_000_00).Draw(t, "target"), -2)
		pct := decimal.New(rapid.Int64Range(1, 500).Draw(t, "tolerance"), -2)
		actual := target.Add(target.Mul(pct).Shift(-2)).Add(decimal.New(rapid.Int64Range(-3, 3).Draw(t, "hairs"), -4))
		words := weighing.Words(measure.Style{}, target, actual, pct, decimal.Zero)
		var off, shown, of decimal.Decimal
		if !actual.Equal(target) {
			off, shown, of = parse(t, words)
			if !off.Equal(actual.Sub(target).Abs()) || !of.Equal(pct) {
				t.Fatalf("%s for %s: %q", actual, target, words)
			}
		}
		if outside := weighing.Outside(target, actual, pct, decimal.Zero); shown.GreaterThan(of) != outside {
			t.Fatalf("outside %v, yet %q", outside, words)
		}
	})
}

// parse reads "1.2 g over, 0.4 %; 1 % allowed".
func parse(t *rapid.T, words string) (off, pct, of decimal.Decimal) {
	var side string
	var a, b, c string
	if _, err := fmt.Sscanf(words, "%s g %s %s %%; %s %% allowed", &a, &side, &b, &c); err != nil {
		t.Fatalf("%q: %v", words, err)
	}
	return d(a), d(b), d(c)
}

func TestAnAsNeededAmountIsHeldToItsRange(t *testing.T) {
	t.Parallel()
	tests := []struct {
		name, low, high, actual string
		want                    bool
	}{
		// A round bath-fizz mould filled to 165-170 g: common practice, no source.
		{"lowest of a bath-fizz mould", "165", "170", "165", false},
		{"highest of a bath-fizz mould", "165", "170", "170.0", false},
		{"light", "165", "170", "164.9", true},
		{"heavy", "165", "170", "170.1", true},
		{"none where none is needed", "0", "20", "0", false},
	}
	for _, tc := range tests {
		t.Run(tc.name, func(t *testing.T) {
			t.Parallel()
			if got := weighing.OutsideRange(d(tc.low), d(tc.high), d(tc.actual)); got != tc.want {
				t.Errorf("outside %v, want %v", got, tc.want)
			}
		})
	}
}

func TestARunIsSummedUpExactly(t *testing.T) {
	t.Parallel()
	known := func(s string) decimal.NullDecimal { return decimal.NewNullDecimal(d(s)) }
	var unknown decimal.NullDecimal
	tests := []struct {
		name      string
		values    []decimal.Decimal
		low, high decimal.NullDecimal
		want      weighing.RunStats
	}{
		{"nothing weighed", nil, known("165"), known("170"), weighing.RunStats{}},
		{
			// Mould filled to 165-170 g: common practice, no source. 1172.1 / 7 = 167.442857…
			"a mould of 165 to 170 g", list("165", "170", "167.5", "164.9", "170.1", "168.2", "166.4"),
			known("165"), known("170"),
			weighing.RunStats{Count: 7, Mean: d("167.4429"), Lightest: d("164.9"), Heaviest: d("170.1"),
				Outside: 2, OutsideIdx: []int{3, 4}, OutsideLightCount: 1},
		},
		{"no limits", list("1", "2"), unknown, unknown,
			weighing.RunStats{Count: 2, Mean: d("1.5"), Lightest: d("1"), Heaviest: d("2")}},
		{"a lowest only", list("1", "2", "3"), known("2"), unknown,
			weighing.RunStats{Count: 3, Mean: d("2"), Lightest: d("1"), Heaviest: d("3"),
				Outside: 1, OutsideIdx: []int{0}, OutsideLightCount: 1}},
		{"a highest only", list("1", "2", "3"), unknown, known("2"),
			weighing.RunStats{Count: 3, Mean: d("2"), Lightest: d("1"), Heaviest: d("3"), Outside: 1, OutsideIdx: []int{2}}},
		{"no binary dust", list("0.1", "0.2"), known("0.1"), known("0.2"),
			weighing.RunStats{Count: 2, Mean: d("0.15"), Lightest: d("0.1"), Heaviest: d("0.2")}},
	}
	for _, tc := range tests {
		t.Run(tc.name, func(t *testing.T) {
			t.Parallel()
			if diff := cmp.Diff(tc.want, weighing.Run(tc.values, tc.low, tc.high)); diff != "" {
				t.Errorf("(-want +got):\n%s", diff)
			}
		})
	}
}

func TestASlipOfTheFingerIsSeen(t *testing.T) {
	t.Parallel()
	tests := []struct {
		name, target, actual, why string
	}{
		{"the mark one place left", "165", "16.48", "164.8 g with the decimal mark one place out"},
		{"the mark one place right", "165", "1648", "164.8 g with the decimal mark one place out"},
		{"the mark two places left", "165", "1.65", "165 g with the decimal mark two places out"},
		{"the mark two places right", "16.5", "1652", "16.52 g with the decimal mark two places out"},
		{"neighbours swapped", "165", "615.2", "165.2 g with two digits swapped"},
		{"neighbours swapped across the mark", "12.5", "15.2", "12.5 g with two digits swapped"},
		{"a digit doubled", "165", "1655", "165 g with a digit doubled"},
		{"the first digit doubled", "165", "1165", "165 g with a digit doubled"},
		{"the last before the mark doubled", "165.2", "1655.2", "165.2 g with a digit doubled"},
		{"doubled across the mark", "15.5", "155.5", "15.5 g with a digit doubled"},
		{"the nearest of several slips", "100", "1001", "100.1 g with the decimal mark one place out"},
		{"on target", "165", "165", ""},
		{"a little heavy", "165", "168", ""},
		{"really too much", "165", "190", ""},
		{"really half", "165", "82", ""},
		{"nothing was put in", "165", "0", ""},
		{"nothing was asked for", "0", "5", ""},
		{"below nothing", "165", "-165", ""},
	}
	for _, tc := range tests {
		t.Run(tc.name, func(t *testing.T) {
			t.Parallel()
			why, likely := weighing.LooksMistyped(measure.Style{}, d(tc.target), d(tc.actual))
			if why != tc.why || likely != (tc.why != "") {
				t.Errorf("got %q, %v; want %q", why, likely, tc.why)
			}
		})
	}
}

func TestAnySwapOrDoublingOfTheTargetIsSeen(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		// No second zero: 011 is typed as 11, which shows no swap any more.
		digits := []byte(rapid.StringMatching(`[1-9][1-9][0-9]{0,2}`).Draw(t, "target"))
		target := d(string(digits))
		i := rapid.IntRange(0, len(digits)-2).Draw(t, "digit")
		swapped := append([]byte(nil), digits...)
		swapped[i], swapped[i+1] = swapped[i+1], swapped[i]
		doubled := append(append(append([]byte(nil), digits[:i+1]...), digits[i]), digits[i+1:]...)
		for _, typed := range [][]byte{swapped, doubled} {
			actual := d(string(typed))
			off := actual.Sub(target).Abs().Mul(d("50")) // 2 %
			_, likely := weighing.LooksMistyped(measure.Style{}, target, actual)
			if want := off.GreaterThan(target); likely != want {
				t.Fatalf("%s typed for %s: likely %v, want %v", actual, target, likely, want)
			}
		}
	})
}
