// Package yield decides how many units a batch should give, how many of them were good, and whether what came out
// of it accounts for what went in. Masses are exact, in g.
package yield

import (
	"github.com/shopspring/decimal"
)

var hundred = decimal.NewFromInt(100)

// Theoretical is the number of units of fillG g in a batch weighed at weighedG g that loses lossPct % of it, to 16
// places; Shown is what people are shown of it. Zero where there is no answer: weighedG or fillG not above zero,
// lossPct outside 0..100.
func Theoretical(weighedG, lossPct, fillG decimal.Decimal) decimal.Decimal {
	if !weighedG.IsPositive() || !fillG.IsPositive() || lossPct.IsNegative() || lossPct.GreaterThan(hundred) {
		return decimal.Zero
	}
	return weighedG.Mul(hundred.Sub(lossPct)).DivRound(fillG.Mul(hundred), 16)
}

// Shown is a theoretical number of units to one decimal: "9.9".
func Shown(theoretical decimal.Decimal) string { return theoretical.StringFixed(1) }

// PercentOf is good units in % of theoretical ones, to four places; not valid where nothing could have been made.
func PercentOf(good int, theoretical decimal.Decimal) decimal.NullDecimal {
	if !theoretical.IsPositive() {
		return decimal.NullDecimal{}
	}
	return decimal.NewNullDecimal(decimal.NewFromInt(int64(good)).Mul(hundred).DivRound(theoretical, 4))
}
