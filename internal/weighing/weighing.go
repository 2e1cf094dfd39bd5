// Package weighing compares what the scale showed with what the formula asked for, sums up the unit weights of a run,
// and looks at a mis-weighing for signs of a slip of the finger. Masses are exact, in g.
package weighing

import (
	"example.org/stillroom/internal/measure"
	"github.com/shopspring/decimal"
)

var hundred = decimal.NewFromInt(100)

// Difference is actual less target: above zero is too much.
func Difference(target, actual decimal.Decimal) decimal.Decimal { return actual.Sub(target) }

// allowed is the larger of tolerancePct % of target and floorG.
func allowed(target, tolerancePct, floorG decimal.Decimal) decimal.Decimal {
	return decimal.Max(target.Mul(tolerancePct).Shift(-2), floorG)
}

// Outside tells whether actual differs from target by more than tolerancePct % of target and by more than
// toleranceFloorG, which keeps small targets from being held to less than the scale shows. At the tolerance is inside.
func Outside(target, actual, tolerancePct, toleranceFloorG decimal.Decimal) bool {
	return Difference(target, actual).Abs().GreaterThan(allowed(target, tolerancePct, toleranceFloorG))
}

// OutsideRange tells whether actual is below low or above high, as for an as-needed line.
func OutsideRange(low, high, actual decimal.Decimal) bool {
	return actual.LessThan(low) || actual.GreaterThan(high)
}

// Words says a difference beside what is allowed: "3.2 g over, 0.4 %; 1 % allowed", or "0.3 g under, 0.5 g allowed" where
// the floor decides.
func Words(style measure.Style, target, actual, tolerancePct, toleranceFloorG decimal.Decimal) string {
	diff := Difference(target, actual)
	off := diff.Abs()
	words := style.Grams(off) + " over"
	switch {
	case diff.IsZero():
		return "exactly as asked"
	case diff.IsNegative():
		words = style.Grams(off) + " under"
	}
	byPct := target.Mul(tolerancePct).Shift(-2)
	switch {
	case toleranceFloorG.GreaterThan(byPct):
		return words + ", " + style.Grams(toleranceFloorG) + " allowed"
	case !target.IsPositive():
		return words
	}
	return words + ", " + percent(off, target, tolerancePct) + " %; " + tolerancePct.String() + " % allowed"
}

// percent is off as a percentage of target to one decimal; to more where one would show it as nothing, or on the
// other side of the tolerance from where it is.
func percent(off, target, tolerancePct decimal.Decimal) string {
	outside := off.Mul(hundred).GreaterThan(target.Mul(tolerancePct))
	const most = 12
	for places := int32(1); ; places++ {
		shown := off.Mul(hundred).DivRound(target, places)
		if places == most || (!shown.IsZero() && shown.GreaterThan(tolerancePct) == outside) {
			return shown.String()
		}
	}
}

// RunStats sums up the unit weights of a run, in g.
type RunStats struct {
	Count             int
	Mean              decimal.Decimal // to four places, halves away from zero
	Lightest          decimal.Decimal
	Heaviest          decimal.Decimal
	Outside           int
	OutsideIdx        []int // which, in the order given
	OutsideLightCount int   // those of Outside that are below the lowest
}

// Run sums up values against a lowest and a highest unit weight, either of which may be unknown; at a limit is inside.
// Without values all is zero.
func Run(values []decimal.Decimal, low, high decimal.NullDecimal) RunStats {
	var s RunStats
	if len(values) == 0 {
		return s
	}
	s.Count = len(values)
	s.Lightest, s.Heaviest = values[0], values[0]
	sum := decimal.Zero
	for i, v := range values {
		sum = sum.Add(v)
		s.Lightest, s.Heaviest = decimal.Min(s.Lightest, v), decimal.Max(s.Heaviest, v)
		light := low.Valid && v.LessThan(low.Decimal)
		if light {
			s.OutsideLightCount++
		}
		if light || (high.Valid && v.GreaterThan(high.Decimal)) {
			s.Outside++
			s.OutsideIdx = append(s.OutsideIdx, i)
		}
	}
	s.Mean = sum.DivRound(decimal.NewFromInt(int64(s.Count)), 4)
	return s
}
