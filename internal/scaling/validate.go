package scaling

import (
	"fmt"

	"example.org/stillroom/internal/fault"
	"github.com/shopspring/decimal"
)

// Decimals is how many decimals a share or weight may have.
const Decimals = 4

// Validate tells all that keeps a formula from being scaled, as an Invalid fault. Its fields: "nominal", "portions",
// and for portion i and line j "portions.i.basis", ".amount", ".lines", and "portions.i.lines.j.kind", ".portion",
// ".basis", ".amount", ".low", ".high", ".limit".
func Validate(f Formula) error {
	var faults fault.Fields
	v := validator{f: f, faults: &faults}
	v.nominal()
	v.portions()
	for i := range f.Portions {
		v.lines(i)
	}
	v.inner()
	return faults.Err()
}

type validator struct {
	f      Formula
	faults *fault.Fields
}

func portionField(i int, name string) string { return fmt.Sprintf("portions.%d.%s", i, name) }

func lineField(i, j int, name string) string {
	return fmt.Sprintf("portions.%d.lines.%d.%s", i, j, name)
}

// badAmount says what is wrong with an amount, "" if nothing is.
func badAmount(d decimal.Decimal) string {
	switch {
	// Far exponents would make each sum below as long as they say.
	case d.Exponent() > 12 || d.Exponent() < -32:
		return "This is too large or too fine an amount."
	case !d.IsPositive():
		return "Write an amount of more than 0."
	case !d.Equal(d.Truncate(Decimals)):
		return fmt.Sprintf("At most %d decimals can be kept.", Decimals)
	}
	return ""
}

// amount notes a bad amount and tells whether it was good.
func (v validator) amount(field string, d decimal.Decimal) bool {
	bad := badAmount(d)
	if bad != "" {
		v.faults.Add(field, bad)
	}
	return bad == ""
}

func (v validator) nominal() {
	for _, p := range v.f.Portions {
		needed := p.Basis == Weight
		for _, l := range p.Lines {
			needed = needed || l.AsNeeded || (l.Basis == Weight && p.Basis != Inner)
		}
		if needed {
			v.amount("nominal", v.f.NominalG)
			return
		}
	}
}

func (v validator) portions() {
	var shares, weights, bad int
	sum := decimal.Zero
	for i, p := range v.f.Portions {
		switch p.Basis {
		case Share:
			shares++
		case Weight:
			weights++
		case Inner:
			continue
		default:
			v.faults.Add(portionField(i, "basis"), "A portion goes by share, by weight, or inside other portions.")
			bad++
			continue
		}
		if v.amount(portionField(i, "amount"), p.Amount) {
			sum = sum.Add(p.Amount)
		} else {
			bad++
		}
	}
	switch {
	case bad > 0:
	case shares+weights == 0:
		v.faults.Add("portions", "At least one portion that goes into the batch is needed.")
	case shares > 0 && weights > 0:
		v.faults.Add("portions", "The portions go all by share or all by weight.")
	case shares > 0 && !sum.Equal(hundred):
		v.faults.Add("portions", "The portions make "+sum.String()+" %; they must make 100 %.")
	case weights > 0 && badAmount(v.f.NominalG) == "" && !SameWeight(sum, v.f.NominalG, weights):
		v.faults.Add("portions",
			"The portions weigh "+v.f.Style.Grams(sum)+"; the nominal batch weighs "+v.f.Style.Grams(v.f.NominalG)+".")
	}
}

// SameWeight tells whether so many weights make a mass. Each of them, and the mass, may have been written in ounces and
// rounded to a tenth of a milligram.
func SameWeight(sum, want decimal.Decimal, weights int) bool {
	return !sum.Sub(want).Abs().GreaterThan(decimal.New(5, -5).Mul(decimal.NewFromInt(int64(weights + 1))))
}

func (v validator) lines(i int) {
	var shares, weights, bad int
	sum := decimal.Zero
	for j, l := range v.f.Portions[i].Lines {
		v.line(i, j, l)
		if l.AsNeeded {
			continue
		}
		switch l.Basis {
		case Share:
			shares++
		case Weight:
			weights++
		default:
			v.faults.Add(lineField(i, j, "basis"), "A line goes by share or by weight.")
			bad++
			continue
		}
		if v.amount(lineField(i, j, "amount"), l.Amount) {
			sum = sum.Add(l.Amount)
		} else {
			bad++
		}
	}
	field := portionField(i, "lines")
	switch {
	case bad > 0:
	case shares+weights == 0:
		v.faults.Add(field, "At least one line with an amount is needed.")
	case shares > 0 && weights > 0:
		v.faults.Add(field, "The lines of a portion go all by share or all by weight.")
	case shares > 0 && !sum.Equal(hundred):
		v.faults.Add(field, "The lines make "+sum.String()+" %; they must make 100 %.")
	case weights > 0:
		if want, ok := v.nominalMass(i); ok && !SameWeight(sum, want, weights) {
			v.faults.Add(field, "The lines weigh "+v.f.Style.Grams(sum)+"; the portion weighs "+v.f.Style.Grams(want)+".")
		}
	}
}

// nominalMass is the mass of a portion in the nominal batch; not ok for an inner portion, whose weights are
// proportions, and where what it rests on is at fault already.
func (v validator) nominalMass(i int) (decimal.Decimal, bool) {
	p := v.f.Portions[i]
	switch {
	case (p.Basis != Share && p.Basis != Weight) || badAmount(p.Amount) != "":
		return decimal.Zero, false
	case p.Basis == Weight:
		return p.Amount, true
	}
	return p.Amount.Mul(v.f.NominalG).Shift(-2), badAmount(v.f.NominalG) == ""
}

func (v validator) line(i, j int, l Line) {
	switch l.Kind {
	case KindMaterial, KindBulk:
	case KindPortion:
		switch {
		case l.Portion < 0 || l.Portion >= len(v.f.Portions):
			v.faults.Add(lineField(i, j, "portion"), "There is no such portion.")
		case v.f.Portions[l.Portion].Basis != Inner:
			v.faults.Add(lineField(i, j, "portion"),
				"Only a portion that is used inside others can be taken from; this one goes into the batch itself.")
		}
	default:
		v.faults.Add(lineField(i, j, "kind"), "A line is a material, a portion or a bulk.")
	}
	if l.AsNeeded {
		if !l.Low.IsZero() { // none at all is a good lowest amount
			v.amount(lineField(i, j, "low"), l.Low)
		}
		if v.amount(lineField(i, j, "high"), l.High) && badAmount(l.Low) == "" && l.Low.GreaterThan(l.High) {
			v.faults.Add(lineField(i, j, "high"), "The highest amount is below the lowest.")
		}
	}
	if l.MaxPct.Valid && v.amount(lineField(i, j, "limit"), l.MaxPct.Decimal) && l.MaxPct.Decimal.GreaterThan(hundred) {
		v.faults.Add(lineField(i, j, "limit"), "A limit of use is at most 100 %.")
	}
}

// inner checks that each inner portion ends up in the batch and that none takes from itself, however far round.
func (v validator) inner() {
	taken := make([]bool, len(v.f.Portions))
	for _, p := range v.f.Portions {
		for _, l := range p.Lines {
			if l.Kind == KindPortion && l.Portion >= 0 && l.Portion < len(taken) {
				taken[l.Portion] = true
			}
		}
	}
	for i, p := range v.f.Portions {
		if p.Basis == Inner && !taken[i] {
			v.faults.Add(portionField(i, "basis"), "No other portion takes from this one.")
		}
	}
	const (
		fresh = iota
		open
		done
	)
	state := make([]int, len(v.f.Portions))
	var visit func(i int)
	visit = func(i int) {
		state[i] = open
		for j, l := range v.f.Portions[i].Lines {
			if l.Kind != KindPortion || l.Portion < 0 || l.Portion >= len(state) {
				continue
			}
			switch state[l.Portion] {
			case open:
				v.faults.Add(lineField(i, j, "portion"), "This takes from a portion that it goes into itself.")
			case fresh:
				visit(l.Portion)
			}
		}
		state[i] = done
	}
	for i := range v.f.Portions {
		if state[i] == fresh {
			visit(i)
		}
	}
}
