package weighing

import (
	"strings"

	"github.com/shopspring/decimal"

	"example.org/stillroom/internal/measure"
)

// nearPct is how near to the target what was meant must come, in % of the target: nearer than any slip below moves a
// number, wider than a steady hand weighs. Common practice, no source.
var nearPct = decimal.NewFromInt(2)

// LooksMistyped tells whether actual, which is off target, becomes target or nearly so when one slip of the finger is
// undone: the decimal mark by one place or two, two neighbouring digits swapped, one digit doubled. why reads on from
// "Typed wrong, or really in the bowl?": "164.8 g with the decimal mark one place out". It is a hint for a question
// and decides nothing; an actual within 2 % of target, and one not above zero, is never likely.
func LooksMistyped(style measure.Style, targetG, actualG decimal.Decimal) (why string, likely bool) {
	// The finger slipped over the digits that it typed: in ounces these are others than those that are kept.
	target, unit := style.In(targetG, "g")
	actual, _ := style.In(actualG, "g")
	if !target.IsPositive() || !actual.IsPositive() || near(target, actual) {
		return "", false
	}
	var best decimal.Decimal
	offer := func(meant decimal.Decimal, how string) {
		off := Difference(target, meant).Abs()
		if near(target, meant) && (!likely || off.LessThan(Difference(target, best).Abs())) {
			best, likely = meant, true
			why = meant.String() + " " + unit + " with " + how
		}
	}
	for _, places := range []int32{1, -1} {
		offer(actual.Shift(places), "the decimal mark one place out")
		offer(actual.Shift(2*places), "the decimal mark two places out")
	}
	typed := actual.String()
	for i := range typed {
		j := i + 1
		if j < len(typed) && typed[j] == '.' {
			j++ // digits swap across the mark, which stays
		}
		if j >= len(typed) || typed[i] == '.' {
			continue
		}
		if typed[i] != typed[j] {
			swapped := []byte(typed)
			swapped[i], swapped[j] = swapped[j], swapped[i]
			offerDigits(offer, string(swapped), "two digits swapped")
		} else {
			// Of two equal digits across the mark either may be the one too many, but the same number is left.
			offerDigits(offer, typed[:j]+typed[j+1:], "a digit doubled")
			offerDigits(offer, typed[:i]+typed[i+1:], "a digit doubled")
		}
	}
	return why, likely
}

func offerDigits(offer func(decimal.Decimal, string), digits, how string) {
	if meant, err := decimal.NewFromString(strings.TrimSuffix(digits, ".")); err == nil {
		offer(meant, how)
	}
}

func near(target, actual decimal.Decimal) bool {
	return !Difference(target, actual).Abs().Mul(hundred).GreaterThan(target.Mul(nearPct))
}
