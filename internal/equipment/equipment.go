// Package equipment decides what a workshop's things at the bench are fit for: whether a scale can weigh a mass, whether
// its check passed, and until when a check holds. That twenty steps of the scale are the least to weigh, that a check
// may be two steps off, and that what is done again is due after the same time as before, is common practice, no source.
package equipment

import (
	"slices"

	"github.com/shopspring/decimal"

	"example.org/stillroom/internal/day"
)

// Readabilities is how many of a scale's smallest steps a mass needs to be weighed fairly: one is then 5 % of it at
// most. Common practice, no source.
const Readabilities = 20

// ToleranceReadabilities is how many steps a check may be off where nothing else is stated. Common practice, no source.
const ToleranceReadabilities = 2

// Scale is what a scale can do, in g. Zero MinLoadG or MaxLoadG is one that is not stated.
type Scale struct{ ReadabilityG, MinLoadG, MaxLoadG decimal.Decimal }

// Fit is how a mass suits a scale.
type Fit string

const (
	Fits  Fit = "fits"
	Small Fit = "too small" // below the minimum load or below 20 readabilities: a finer scale is needed
	Heavy Fit = "too heavy" // over the maximum load: in two goes, or on another scale
)

// LeastG is the least mass that the scale weighs fairly.
func (s Scale) LeastG() decimal.Decimal {
	return decimal.Max(s.MinLoadG, s.ReadabilityG.Mul(decimal.NewFromInt(Readabilities)))
}

// Carries tells whether g is not over the maximum load. The bowl is not known and not counted.
func (s Scale) Carries(g decimal.Decimal) bool {
	return !s.MaxLoadG.IsPositive() || !g.GreaterThan(s.MaxLoadG)
}

// For is how g suits the scale.
func (s Scale) For(g decimal.Decimal) Fit {
	switch {
	case !s.Carries(g):
		return Heavy
	case g.LessThan(s.LeastG()):
		return Small
	}
	return Fits
}

// Shows tells whether g is a whole number of the scale's steps, so that it can be weighed as it is written.
func (s Scale) Shows(g decimal.Decimal) bool {
	return s.ReadabilityG.IsPositive() && g.Mod(s.ReadabilityG).IsZero()
}

// Best is the index of the scale to weigh g on, -1 for no scales: the finest of those that g fits; else the finest that
// carries it; else the one that carries most, for two goes. The first of equals.
func Best(scales []Scale, g decimal.Decimal) int {
	best := -1
	for i, s := range scales {
		if best < 0 || better(s, scales[best], g) {
			best = i
		}
	}
	return best
}

func better(a, b Scale, g decimal.Decimal) bool {
	if x, y := rank(a.For(g)), rank(b.For(g)); x != y {
		return x < y
	}
	if a.For(g) == Heavy {
		return a.MaxLoadG.GreaterThan(b.MaxLoadG)
	}
	return a.ReadabilityG.LessThan(b.ReadabilityG)
}

func rank(f Fit) int {
	switch f {
	case Fits:
		return 0
	case Small:
		return 1
	}
	return 2
}

// ToleranceG is how far a check may be off on a scale where nothing else is stated.
func ToleranceG(readabilityG decimal.Decimal) decimal.Decimal {
	return readabilityG.Mul(decimal.NewFromInt(ToleranceReadabilities))
}

// Passed tells whether a check passed: what was shown differs from the reference by no more than the tolerance. At the
// tolerance is inside.
func Passed(referenceG, shownG, toleranceG decimal.Decimal) bool {
	return !shownG.Sub(referenceG).Abs().GreaterThan(toleranceG)
}

// Due is the last day on which a check of a day holds: the day that was noted with it, else so many days after it. No
// day where neither is stated.
func Due(checked, noted day.Day, days int) day.Day {
	switch {
	case !noted.IsZero():
		return noted
	case days <= 0:
		return day.Day{}
	}
	return checked.AddDays(days)
}

// Standing is how something stands that is to be checked.
type Standing string

const (
	Unchecked Standing = ""        // no check is kept
	Never     Standing = "never"   // one is kept, and was never made
	Failed    Standing = "failed"  // the last one failed
	Overdue   Standing = "overdue" // the last one passed and no longer holds
	InDate    Standing = "in date"
)

// Stands is how it stands on a day: asked tells whether a check is kept for it, checked the day of the last one (no day
// for none), failed its result, due the last day on which it holds (no day for without end).
func Stands(asked bool, checked day.Day, failed bool, due, on day.Day) Standing {
	switch {
	case !checked.IsZero() && failed:
		return Failed
	case checked.IsZero() && asked:
		return Never
	case checked.IsZero():
		return Unchecked
	case !due.IsZero() && on.After(due):
		return Overdue
	case due.IsZero():
		return Unchecked
	}
	return InDate
}

// Every is after how many days something is done again by habit: as many as lay between the last two days on which it was
// done; 0 where it was done on one day only.
func Every(done ...day.Day) int {
	list := slices.Clone(done)
	slices.SortFunc(list, day.Day.Compare)
	list = slices.Compact(list)
	n := len(list)
	if n < 2 {
		return 0
	}
	return list[n-1].DaysSince(list[n-2])
}
