package equipment_test

import (
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/shopspring/decimal"
	"pgregory.net/rapid"

	"example.org/stillroom/internal/day"
	"example.org/stillroom/internal/equipment"
)

func d(text string) decimal.Decimal { return decimal.RequireFromString(text) }

func scale(readability, least, most string) equipment.Scale {
	return equipment.Scale{ReadabilityG: d(readability), MinLoadG: d(least), MaxLoadG: d(most)}
}

// No source states these limits; they are those of the package's own rule.
func TestAScaleIsFitForAMass(t *testing.T) {
	t.Parallel()
	for _, tt := range []struct {
		name string
		s    equipment.Scale
		g    string
		want equipment.Fit
	}{
		{"in its range", scale("0.1", "5", "2000"), "800", equipment.Fits},
		{"at the minimum load", scale("0.1", "5", "2000"), "5", equipment.Fits},
		{"just below it", scale("0.1", "5", "2000"), "4.9", equipment.Small},
		{"twenty steps, no minimum load stated", scale("0.1", "0", "2000"), "2", equipment.Fits},
		{"nineteen steps", scale("0.1", "0", "2000"), "1.9", equipment.Small},
		{"at the maximum load", scale("0.1", "5", "2000"), "2000", equipment.Fits},
		{"over it", scale("0.1", "5", "2000"), "2000.1", equipment.Heavy},
		{"no maximum load stated", scale("0.1", "5", "0"), "900000", equipment.Fits},
	} {
		if diff := cmp.Diff(tt.want, tt.s.For(d(tt.g))); diff != "" {
			t.Errorf("%s (-want +got):\n%s", tt.name, diff)
		}
	}
}

func TestTheScaleToWeighOnIsTheFinestThatSuits(t *testing.T) {
	t.Parallel()
	fine, bench, floor := scale("0.01", "0.2", "500"), scale("0.1", "5", "3000"), scale("1", "0", "30000")
	all := []equipment.Scale{bench, floor, fine}
	for _, tt := range []struct {
		name   string
		scales []equipment.Scale
		g      string
		want   int
	}{
		{"none is kept", nil, "10", -1},
		{"little", all, "14.6", 2},
		{"at the end of the fine one", all, "500", 2},
		{"over it", all, "500.01", 0},
		{"much", all, "12000", 1},
		{"too little for any: the finest", all, "0.05", 2},
		{"too much for any: the strongest", all, "40000", 1},
		{"too little for the finer of two that carry it, enough for the coarser", []equipment.Scale{scale("0.1", "50", "0"), scale("1", "0", "0")}, "30", 1},
		{"the first of equals", []equipment.Scale{bench, bench}, "30", 0},
	} {
		if diff := cmp.Diff(tt.want, equipment.Best(tt.scales, d(tt.g))); diff != "" {
			t.Errorf("%s (-want +got):\n%s", tt.name, diff)
		}
	}
}

func TestNoScaleSuitsBetterThanTheBest(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		var scales []equipment.Scale
		for range rapid.IntRange(1, 4).Draw(t, "scales") {
			least := rapid.IntRange(0, 50).Draw(t, "least")
			most := rapid.SampledFrom([]int64{0, 100, 500, 3000}).Draw(t, "most")
			scales = append(scales, equipment.Scale{ReadabilityG: d(rapid.SampledFrom([]string{"0.01", "0.1", "1", "5"}).Draw(t, "step")), MinLoadG: decimal.NewFromInt(int64(least)), MaxLoadG: decimal.NewFromInt(most)})
		}
		g := decimal.New(rapid.Int64Range(1, 500_000).Draw(t, "g in hundredths"), -2)
		best := scales[equipment.Best(scales, g)]
		for _, s := range scales {
			if s.For(g) == equipment.Fits && (best.For(g) != equipment.Fits || s.ReadabilityG.LessThan(best.ReadabilityG)) {
				t.Fatalf("%v g: %+v suits better than %+v", g, s, best)
			}
		}
	})
}

func TestAMassIsShownByAScaleInWholeSteps(t *testing.T) {
	t.Parallel()
	for _, tt := range []struct {
		name, step, g string
		want          bool
	}{
		{"tenths on a tenth", "0.1", "803.2", true}, {"hundredths on a tenth", "0.1", "803.25", false},
		{"fives", "5", "805", true}, {"between fives", "5", "803", false}, {"nothing known of the scale", "0", "803", false},
	} {
		if got := scale(tt.step, "0", "0").Shows(d(tt.g)); got != tt.want {
			t.Errorf("%s: %v", tt.name, got)
		}
	}
}

// Common practice, no source: two steps of the scale.
func TestACheckPassesWithinItsTolerance(t *testing.T) {
	t.Parallel()
	if diff := cmp.Diff(d("0.2"), equipment.ToleranceG(d("0.1"))); diff != "" {
		t.Errorf("two steps (-want +got):\n%s", diff)
	}
	for _, tt := range []struct {
		name, shown string
		want        bool
	}{
		{"exactly", "500", true}, {"two steps over", "500.2", true}, {"three steps over", "500.3", false},
		{"two steps under", "499.8", true}, {"three steps under", "499.7", false}, {"nothing shown", "0", false},
	} {
		if got := equipment.Passed(d("500"), d(tt.shown), d("0.2")); got != tt.want {
			t.Errorf("%s: %v", tt.name, got)
		}
	}
}

func TestHowACheckStands(t *testing.T) {
	t.Parallel()
	none, checked, today := day.Day{}, day.Must("2026-03-01"), day.Must("2026-03-31")
	for _, tt := range []struct {
		name    string
		asked   bool
		checked day.Day
		failed  bool
		noted   day.Day
		days    int
		want    equipment.Standing
	}{
		{"no check is kept", false, none, false, none, 0, equipment.Unchecked},
		{"kept and never made", true, none, false, none, 30, equipment.Never},
		{"on the last day", true, checked, false, none, 30, equipment.InDate},
		{"the day after", true, checked, false, none, 29, equipment.Overdue},
		{"a day noted with it comes before the habit", true, checked, false, day.Must("2026-03-30"), 90, equipment.Overdue},
		{"a later day noted with it", true, checked, false, day.Must("2026-06-30"), 5, equipment.InDate},
		{"failed yesterday", true, day.Must("2026-03-30"), true, none, 30, equipment.Failed},
		{"failed, though none is kept", false, checked, true, none, 0, equipment.Failed},
		{"made once, not kept", false, checked, false, none, 0, equipment.Unchecked},
	} {
		due := equipment.Due(tt.checked, tt.noted, tt.days)
		if diff := cmp.Diff(tt.want, equipment.Stands(tt.asked, tt.checked, tt.failed, due, today)); diff != "" {
			t.Errorf("%s (-want +got):\n%s", tt.name, diff)
		}
	}
}

func TestWhatIsDoneAgainIsDueAfterTheSameTime(t *testing.T) {
	t.Parallel()
	on := day.Must
	for _, tt := range []struct {
		name string
		done []day.Day
		want int
	}{
		{"never", nil, 0},
		{"once", []day.Day{on("2026-03-01")}, 0},
		{"weekly", []day.Day{on("2026-03-01"), on("2026-03-08")}, 7},
		{"the last two count", []day.Day{on("2026-01-01"), on("2026-03-01"), on("2026-03-08")}, 7},
		{"in any order", []day.Day{on("2026-03-08"), on("2026-03-01")}, 7},
		{"twice a day is once", []day.Day{on("2026-03-01"), on("2026-03-08"), on("2026-03-08")}, 7},
		{"only on one day", []day.Day{on("2026-03-08"), on("2026-03-08")}, 0},
	} {
		if diff := cmp.Diff(tt.want, equipment.Every(tt.done...)); diff != "" {
			t.Errorf("%s (-want +got):\n%s", tt.name, diff)
		}
	}
}
