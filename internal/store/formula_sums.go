package store

import (
	"github.com/shopspring/decimal"

	"example.org/stillroom/internal/measure"
	"example.org/stillroom/internal/quantity"
	"example.org/stillroom/internal/scaling"
)

// FormulaSums is what a version adds up to in its nominal batch, for a page that shows a draft while it is written:
// unlike scaling.PlanFor it answers for an unfinished one too. What cannot be told yet is not valid.
type FormulaSums struct {
	Portions Sum   // of those that go into the batch
	Lines    []Sum // of each portion
	PortionG []decimal.NullDecimal
	LineG    [][]decimal.NullDecimal // of an as-needed line not valid
	LinePct  [][]decimal.NullDecimal // of its portion
}

// Sum is a running total against what it has to come to.
type Sum struct {
	Unit  string // "%" or "g"; empty where shares and weights are mixed, or nothing stands there
	Have  decimal.Decimal
	Want  decimal.NullDecimal
	Mixed bool
	parts int
}

// Words says how far it is: "97.5 of 100 %; 2.5 to go".
func (s Sum) Words(style measure.Style) string {
	_, unit := style.In(decimal.Zero, s.Unit)
	show := func(amount decimal.Decimal) string {
		shown, _ := style.In(amount, s.Unit)
		return quantity.Format(shown)
	}
	switch {
	case s.Mixed:
		return "partly by share and partly by weight; take one of the two"
	case s.Unit == "":
		return "nothing yet"
	case !s.Want.Valid:
		return show(s.Have) + " " + unit + " together"
	}
	words := show(s.Have) + " of " + show(s.Want.Decimal) + " " + unit
	switch left := s.Want.Decimal.Sub(s.Have); {
	case s.Right():
	case left.IsPositive():
		words += "; " + show(left) + " to go"
	default:
		words += "; " + show(left.Neg()) + " too much"
	}
	return words
}

// Right tells whether it comes to what it has to.
func (s Sum) Right() bool {
	return !s.Mixed && s.Unit != "" && (!s.Want.Valid || s.Want.Decimal.Equal(s.Have) || s.Unit == "g" && scaling.SameWeight(s.Have, s.Want.Decimal, s.parts))
}

func (s *Sum) add(basis string, amount, whole decimal.Decimal, known bool) {
	unit, want := "%", decimal.NewNullDecimal(hundred)
	if basis == scaling.Weight {
		unit, want = "g", decimal.NullDecimal{Decimal: whole, Valid: known}
	}
	if s.Unit != "" && s.Unit != unit {
		s.Mixed = true
	}
	s.Unit, s.Want, s.Have, s.parts = unit, want, s.Have.Add(amount), s.parts+1
}

// Sums adds a version up.
func (v FormulaVersion) Sums() FormulaSums {
	n := len(v.Portions)
	a := FormulaSums{Lines: make([]Sum, n), PortionG: make([]decimal.NullDecimal, n), LineG: make([][]decimal.NullDecimal, n), LinePct: make([][]decimal.NullDecimal, n)}
	for i, p := range v.Portions {
		a.LineG[i], a.LinePct[i] = make([]decimal.NullDecimal, len(p.Lines)), make([]decimal.NullDecimal, len(p.Lines))
		switch p.Basis {
		case scaling.Share:
			a.PortionG[i] = decimal.NewNullDecimal(p.Amount.Mul(v.NominalG).Shift(-2))
		case scaling.Weight:
			a.PortionG[i] = decimal.NewNullDecimal(p.Amount)
		}
		if p.Basis != scaling.Inner {
			a.Portions.add(p.Basis, p.Amount, v.NominalG, true)
		}
		for _, l := range p.Lines {
			if !l.AsNeeded {
				a.Lines[i].add(l.Basis, l.Amount, a.PortionG[i].Decimal, a.PortionG[i].Valid)
			}
		}
	}
	// An inner portion is made in the mass that others take of it, so those come first; one that goes into itself,
	// however far round, is never reached and stays unknown.
	waits := make([]int, n)
	for _, p := range v.Portions {
		for _, l := range p.Lines {
			if at := v.portion(l.InnerPortion); l.Kind == scaling.KindPortion && at >= 0 {
				waits[at]++
			}
		}
	}
	var open []int
	for i, count := range waits {
		if count == 0 {
			open = append(open, i)
		}
	}
	for len(open) > 0 {
		i := open[0]
		open = open[1:]
		for _, at := range a.fill(v, i) {
			if waits[at]--; waits[at] == 0 {
				open = append(open, at)
			}
		}
	}
	return a
}

// fill works out the lines of portion i, whose mass is known by now if ever, and answers the portions they take from.
func (a *FormulaSums) fill(v FormulaVersion, i int) (taken []int) {
	sum := a.Lines[i]
	for j, l := range v.Portions[i].Lines {
		if !l.AsNeeded && !sum.Mixed {
			whole := hundred
			if l.Basis == scaling.Weight {
				whole = sum.Have
				if a.PortionG[i].Valid && v.Portions[i].Basis != scaling.Inner {
					whole = a.PortionG[i].Decimal
				}
			}
			if whole.IsPositive() {
				a.LinePct[i][j] = decimal.NewNullDecimal(l.Amount.Mul(hundred).DivRound(whole, 8))
				if a.PortionG[i].Valid {
					a.LineG[i][j] = decimal.NewNullDecimal(l.Amount.Mul(a.PortionG[i].Decimal).DivRound(whole, 8))
				}
			}
		}
		at := v.portion(l.InnerPortion)
		if l.Kind != scaling.KindPortion || at < 0 {
			continue
		}
		taken = append(taken, at)
		if v.Portions[at].Basis == scaling.Inner {
			// As in scaling: an inner portion suffices for the highest of as-needed lines too.
			need := a.LineG[i][j]
			if l.AsNeeded {
				need = decimal.NewNullDecimal(l.High)
			}
			if need.Valid {
				a.PortionG[at] = decimal.NewNullDecimal(a.PortionG[at].Decimal.Add(need.Decimal))
			}
		}
	}
	return taken
}
