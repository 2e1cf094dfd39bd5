// Package scaling decides how much of each line of a formula is weighed for a batch of a given mass, on a scale of a
// given readability, or each line on the one of several scales that suits it. All is exact: masses are counted in whole
// readabilities, shares are fractions, and what rounding leaves is put somewhere rather than lost. That it goes to the
// largest line is common practice, no source.
package scaling

import (
	"github.com/shopspring/decimal"

	"example.org/stillroom/internal/equipment"
	"example.org/stillroom/internal/measure"
)

// Bases of a portion and of a line.
const (
	Share  = "share"  // % of the batch (portion) or of its portion (line)
	Weight = "weight" // g per nominal batch
	Inner  = "inner"  // portions only: made for other portions, in the mass they take
)

// Kinds of line.
const (
	KindMaterial = "material"
	KindPortion  = "portion"
	KindBulk     = "bulk"
)

// Portion is what is weighed and mixed together, such as one colour.
type Portion struct {
	Name  string
	Basis string
	// Amount is in % of the batch or g per nominal batch by Basis; of no meaning for an inner portion.
	Amount decimal.Decimal
	Lines  []Line
}

// Line is one thing weighed into a portion.
type Line struct {
	// Name tells whether two lines are the same material: its limit of use counts for both together. Case and
	// surrounding space do not matter; lines without a name are never the same.
	Name string
	Kind string
	// Portion is the index in Formula.Portions of the inner portion that a line of KindPortion takes from.
	Portion int
	// Basis is Share or Weight. In an inner portion weights are proportions: it is made in the mass that is needed.
	Basis  string
	Amount decimal.Decimal
	// AsNeeded lines have a lowest and a highest amount, in g per nominal batch, outside the 100 %, and no Amount.
	AsNeeded  bool
	Low, High decimal.Decimal
	// MaxPct is the limit of use in % of the batch mass.
	MaxPct decimal.NullDecimal
}

// Formula is what scaling needs of a formula version.
type Formula struct {
	// NominalG is the mass in g of the batch that weights and as-needed amounts refer to; of no meaning without them.
	NominalG decimal.Decimal
	Portions []Portion
	Style    measure.Style // of the words of its faults
}

// Scale is a scale that the batch is weighed on.
type Scale = equipment.Scale

// Target is what to weigh for one line, in g, in whole readabilities.
type Target struct {
	Portion, Line int // indices in the formula
	Scale         int // index of the scale that the line is planned for
	// TargetG is for all of the batch, also where the line's portion is used in several others. Zero for an
	// as-needed line, which has LowG and HighG instead.
	TargetG     decimal.Decimal
	LowG, HighG decimal.Decimal
	AsNeeded    bool
	// NeedsFinerScale: below the scale's minimum load or below 20 readabilities. An as-needed line is judged by
	// its lowest amount, by its highest where that is zero.
	NeedsFinerScale bool
	// OverLoad: over the scale's maximum load, and with that over every scale's; weighed in two goes.
	OverLoad bool
	// OverLimit: with all lines of the same name (as-needed ones at their highest) over the limit of use. Rounding
	// alone brings this about only where every other line that could take the rest is at its limit too.
	OverLimit bool
}

// Plan is a formula scaled to a batch.
type Plan struct {
	Lines    []Target          // in the order of the formula
	PortionG []decimal.Decimal // mass of each portion; an inner one's is what all lines take from it
	BatchG   decimal.Decimal   // the mass asked for, in whole readabilities; with several scales a little more
}

var (
	hundred = decimal.NewFromInt(100)
	one     = decimal.NewFromInt(1)
)

// BatchFor is the mass in g to make for units of fillG g each when lossPct % of the batch is lost: units × fill ÷
// (1 − loss ÷ 100), rounded up at the fourth decimal so that it never falls short. Zero where there is no answer:
// units or fillG not above zero, lossPct outside 0 to below 100.
func BatchFor(units int, fillG, lossPct decimal.Decimal) decimal.Decimal {
	if units <= 0 || !fillable(fillG, lossPct) {
		return decimal.Zero
	}
	need := decimal.NewFromInt(int64(units)).Mul(fillG).Mul(hundred)
	q, r := need.QuoRem(hundred.Sub(lossPct), 4)
	if r.IsPositive() {
		q = q.Add(decimal.New(1, -4))
	}
	return q
}

// UnitsFor is how many whole units of fillG g a batch of batchG g gives when lossPct % of it is lost. Zero where
// there is no answer, as in BatchFor.
func UnitsFor(batchG, fillG, lossPct decimal.Decimal) int {
	if !batchG.IsPositive() || !fillable(fillG, lossPct) {
		return 0
	}
	q, _ := batchG.Mul(hundred.Sub(lossPct)).QuoRem(fillG.Mul(hundred), 0)
	return int(q.IntPart())
}

func fillable(fillG, lossPct decimal.Decimal) bool {
	return fillG.IsPositive() && !lossPct.IsNegative() && lossPct.LessThan(hundred)
}

// FactorAfter is what the targets of the rest of a portion are multiplied by to keep its proportions when actual g of
// a line of target g are really in the bowl; to 16 places. One where target is not above zero.
func FactorAfter(actual, target decimal.Decimal) decimal.Decimal {
	if !target.IsPositive() {
		return one
	}
	return actual.DivRound(target, 16)
}

// Rescale multiplies each target (g) by factor and rounds it to the readability (g, above zero; else it is left
// unrounded). The limits of use are not known here: scale a formula again, or look, before it is followed.
func Rescale(targets []decimal.Decimal, factor, readability decimal.Decimal) []decimal.Decimal {
	out := make([]decimal.Decimal, len(targets))
	for i, target := range targets {
		out[i] = target.Mul(factor)
		if readability.IsPositive() {
			out[i] = out[i].DivRound(readability, 0).Mul(readability)
		}
	}
	return out
}
