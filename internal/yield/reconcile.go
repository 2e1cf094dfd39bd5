package yield

import (
	"fmt"

	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/measure"
	"github.com/shopspring/decimal"
)

// Units are units of one fate at one stage, with what is known of their mass. What they weighed together goes before
// count × mean, and that before count × nominal fill.
type Units struct {
	Name     string // what a maker calls them: "10 units for sale", "rejected at cutting"
	Count    int
	MassG    decimal.NullDecimal // weighed together
	MeanG    decimal.NullDecimal // mean unit weight at that stage
	NominalG decimal.NullDecimal // nominal fill
}

// Input is what a batch took in and gave.
type Input struct {
	Style           measure.Style   // of the words
	WeighedG        decimal.Decimal // all that went in, as weighed
	ExpectedLossPct decimal.Decimal // of WeighedG
	LimitPct        decimal.Decimal // of WeighedG; the most that may be unexplained, either way
	LossMeasuredG   decimal.NullDecimal
	// DryingG is what units are expected to have lost in the cure whose mass here is that of dried ones.
	DryingG decimal.Decimal
	// One entry a product, stage or place.
	Good, Rejected, Retained []Units
	LeftOverG                decimal.Decimal
}

// Part is one line of a balance.
type Part struct {
	Name     string
	Grams    decimal.Decimal
	Words    string // how the mass is known
	Measured bool   // weighed, and not worked out
}

// Balance is what went in against what came out.
type Balance struct {
	Style                                                  measure.Style // of the words
	InG                                                    decimal.Decimal
	GoodG, RejectedG, RetainedG, LeftOverG, LossG, DryingG decimal.Decimal
	// UnexplainedG is InG less all the others: above zero is missing, below zero is more out than in.
	UnexplainedG   decimal.Decimal
	UnexplainedPct decimal.Decimal // of InG, to four places
	Over           bool            // beyond the limit, decided on the exact figures; at the limit is within
	Lines          []Part          // in this order: good, rejected, retained, left over, loss, drying
}

// Reconcile makes the balance of a batch. Invalid faults: "weighed", "loss", "limit", "loss_measured", "left_over", "drying", and
// for entry i of "good", "rejected" and "retained" "good.i.count", ".mass", ".mean" and ".nominal" (none of the three
// is known although there are units).
func Reconcile(in Input) (Balance, error) {
	if err := in.check(); err != nil {
		return Balance{}, err
	}
	b := Balance{Style: in.Style, InG: in.WeighedG, LeftOverG: in.LeftOverG}
	add := func(total *decimal.Decimal, all []Units) {
		for _, u := range all {
			part := u.part(in.Style)
			*total = total.Add(part.Grams)
			b.Lines = append(b.Lines, part)
		}
	}
	add(&b.GoodG, in.Good)
	add(&b.RejectedG, in.Rejected)
	add(&b.RetainedG, in.Retained)
	if in.LeftOverG.IsPositive() {
		b.Lines = append(b.Lines, Part{Name: "left over", Grams: in.LeftOverG, Words: grams(in.Style, in.LeftOverG) + " weighed",
			Measured: true})
	}
	loss := in.loss()
	b.LossG = loss.Grams
	b.Lines = append(b.Lines, loss)
	if b.DryingG = in.DryingG; b.DryingG.IsPositive() {
		b.Lines = append(b.Lines, Part{Name: "drying", Grams: b.DryingG, Words: "what the products say that they lose in the cure"})
	}

	out := decimal.Sum(b.GoodG, b.RejectedG, b.RetainedG, b.LeftOverG, b.LossG, b.DryingG)
	b.UnexplainedG = b.InG.Sub(out)
	b.UnexplainedPct = b.UnexplainedG.Mul(hundred).DivRound(b.InG, 4)
	b.Over = b.UnexplainedG.Abs().Mul(hundred).GreaterThan(in.LimitPct.Mul(b.InG))
	return b, nil
}

// Words says what is unexplained: "12.5 g are missing, 0.8 % of what went in".
func (b Balance) Words() string {
	if b.UnexplainedG.IsZero() {
		return "What came out is what went in."
	}
	what := " are missing, "
	if b.UnexplainedG.IsNegative() {
		what = " more came out than went in, "
	}
	return b.Style.Grams(b.UnexplainedG.Abs().Round(4)) + what + trim(b.UnexplainedPct.Abs()) + " % of what went in."
}

func (in Input) loss() Part {
	if in.LossMeasuredG.Valid {
		g := in.LossMeasuredG.Decimal
		return Part{Name: "loss", Grams: g, Words: grams(in.Style, g) + " measured", Measured: true}
	}
	return Part{
		Name: "loss", Grams: in.WeighedG.Mul(in.ExpectedLossPct).Shift(-2),
		Words: in.ExpectedLossPct.String() + " % of " + grams(in.Style, in.WeighedG) + " as the formula expects, not measured",
	}
}

// part is the mass of some units and how it is known; check has seen to it that it is.
func (u Units) part(style measure.Style) Part {
	p := Part{Name: u.Name}
	times := func(unit decimal.Decimal, how string) {
		p.Grams = unit.Mul(decimal.NewFromInt(int64(u.Count)))
		p.Words = fmt.Sprintf("%d × %s, %s", u.Count, grams(style, unit), how)
	}
	switch {
	case u.MassG.Valid:
		p.Grams, p.Measured = u.MassG.Decimal, true
		p.Words = grams(style, p.Grams) + " weighed together"
	case u.Count == 0:
		p.Words = "none"
	case u.MeanG.Valid:
		times(u.MeanG.Decimal, "the mean weight at that stage")
	default:
		times(u.NominalG.Decimal, "the nominal fill, none was weighed")
	}
	return p
}

func (in Input) check() error {
	var faults fault.Fields
	if !in.WeighedG.IsPositive() {
		faults.Add("weighed", "What went in must be more than nothing.")
	}
	if in.ExpectedLossPct.IsNegative() || in.ExpectedLossPct.GreaterThan(hundred) {
		faults.Add("loss", "An expected loss from 0 to 100 % is needed.")
	}
	if in.LimitPct.IsNegative() {
		faults.Add("limit", "A limit of 0 % or more is needed.")
	}
	if in.LossMeasuredG.Valid && in.LossMeasuredG.Decimal.IsNegative() {
		faults.Add("loss_measured", "A loss cannot be below nothing.")
	}
	if in.LeftOverG.IsNegative() {
		faults.Add("left_over", "What is left over cannot be below nothing.")
	}
	if in.DryingG.IsNegative() {
		faults.Add("drying", "What dries away cannot be below nothing.")
	}
	for _, group := range []struct {
		name string
		all  []Units
	}{{"good", in.Good}, {"rejected", in.Rejected}, {"retained", in.Retained}} {
		for i, u := range group.all {
			u.check(&faults, fmt.Sprintf("%s.%d.", group.name, i))
		}
	}
	return faults.Err()
}

func (u Units) check(faults *fault.Fields, prefix string) {
	if u.Count < 0 {
		faults.Add(prefix+"count", "A count cannot be below nothing.")
	}
	if u.MassG.Valid && u.MassG.Decimal.IsNegative() {
		faults.Add(prefix+"mass", "A mass cannot be below nothing.")
	}
	if u.MeanG.Valid && !u.MeanG.Decimal.IsPositive() {
		faults.Add(prefix+"mean", "A mean weight above nothing is needed.")
	}
	switch {
	case u.NominalG.Valid && !u.NominalG.Decimal.IsPositive():
		faults.Add(prefix+"nominal", "A nominal fill above nothing is needed.")
	case u.Count > 0 && !u.MassG.Valid && !u.MeanG.Valid && !u.NominalG.Valid:
		faults.Add(prefix+"nominal", "Nothing says what one of these weighs.")
	}
}

// grams shows at most four decimals, and as few as there are.
func grams(style measure.Style, g decimal.Decimal) string { return style.Grams(g.Round(4)) }

// trim shows a share with at most four decimals, and as few as there are.
func trim(d decimal.Decimal) string { return d.Round(4).String() }
