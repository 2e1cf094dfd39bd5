package compare

import (
	"slices"
	"strings"
	"time"

	"github.com/shopspring/decimal"
)

// Making is what is compared of a batch.
type Making struct {
	Facts    []Field
	MadeAt   time.Time
	Lines    []Weighed
	Steps    []Done
	Controls []Measured
	Rejects  []Counted // by stage and reason
	Packings []Counted // by product
}

// Weighed is one line as it was weighed, or an addition, whose target is zero.
type Weighed struct {
	Portion    string
	Kind, Code string // as in Line
	Name       string
	TargetG    decimal.Decimal
	AsNeeded   bool
	LowG       decimal.Decimal
	HighG      decimal.Decimal
	ActualG    decimal.NullDecimal // not valid where nothing was weighed
	Lots       []string            // codes of lots and source batches
}

// OffPct is by how much the weight is off its target, in % of it; not valid without both, and as needed.
func (w Weighed) OffPct() decimal.NullDecimal {
	if w.AsNeeded || !w.ActualG.Valid || !w.TargetG.IsPositive() {
		return decimal.NullDecimal{}
	}
	return decimal.NewNullDecimal(w.ActualG.Decimal.Sub(w.TargetG).Shift(2).DivRound(w.TargetG, 2))
}

// Done is a step of the method; At is zero where it was not ticked.
type Done struct {
	Text string
	At   time.Time
	// Since is the time from the step that was done before it, or from the start of making. Makings fills it.
	Since time.Duration
}

// Measured is a control with its readings.
type Measured struct {
	Name, Stage, Unit string
	Low, High         decimal.NullDecimal
	Values            []decimal.Decimal
}

// Mean is the mean of the readings, to four places; not valid without any.
func (m Measured) Mean() decimal.NullDecimal {
	if len(m.Values) == 0 {
		return decimal.NullDecimal{}
	}
	return decimal.NewNullDecimal(decimal.Sum(decimal.Zero, m.Values...).DivRound(decimal.NewFromInt(int64(len(m.Values))), 4))
}

// Outside is how many readings are out of the limits.
func (m Measured) Outside() int {
	n := 0
	for _, v := range m.Values {
		if m.Low.Valid && v.LessThan(m.Low.Decimal) || m.High.Valid && v.GreaterThan(m.High.Decimal) {
			n++
		}
	}
	return n
}

// Counted is units of one name.
type Counted struct {
	Name  string
	Units int
}

// MakingDiff is what differs between two makings.
type MakingDiff struct {
	Facts    []Pair[Field]
	Lines    []Pair[Weighed]
	Steps    []Pair[Done]
	Controls []Pair[Measured]
	Rejects  []Pair[Counted]
	Packings []Pair[Counted]
}

// Makings holds one making against another. Lines are paired by portion and what went in, wherever they stand; what is
// left by what went in alone, since a portion may have been renamed between two versions.
func Makings(a, b Making) MakingDiff {
	named := func(c Counted) string { return fold(c.Name) }
	count := func(x, y Counted) bool { return x.Units == y.Units }
	return MakingDiff{
		Facts:    Fields(a.Facts, b.Facts),
		Lines:    weighed(a.Lines, b.Lines),
		Steps:    texts(timed(a), timed(b), func(d Done) string { return d.Text }, func(x, y Done) bool { return x.Text == y.Text && x.At.IsZero() == y.At.IsZero() }),
		Controls: pair(a.Controls, b.Controls, func(m Measured) string { return fold(m.Name) + "\n" + m.Stage }, sameMeasured),
		Rejects:  pair(summed(a.Rejects), summed(b.Rejects), named, count),
		Packings: pair(summed(a.Packings), summed(b.Packings), named, count),
	}
}

// summed makes one of what has one name.
func summed(list []Counted) []Counted {
	var out []Counted
	for _, c := range list {
		if i := slices.IndexFunc(out, func(have Counted) bool { return fold(have.Name) == fold(c.Name) }); i >= 0 {
			out[i].Units += c.Units
		} else {
			out = append(out, c)
		}
	}
	return out
}

// timed fills in the times between the steps, in the order in which they were done.
func timed(m Making) []Done {
	steps := slices.Clone(m.Steps)
	order := make([]int, 0, len(steps))
	for i, s := range steps {
		if !s.At.IsZero() {
			order = append(order, i)
		}
	}
	slices.SortStableFunc(order, func(x, y int) int { return steps[x].At.Compare(steps[y].At) })
	before := m.MadeAt
	for _, i := range order {
		if !before.IsZero() {
			steps[i].Since = max(steps[i].At.Sub(before), 0)
		}
		before = steps[i].At
	}
	return steps
}

func weighed(a, b []Weighed) []Pair[Weighed] {
	partner := make([]int, len(b))
	for j := range partner {
		partner[j] = -1
	}
	free := make([]bool, len(a))
	for i := range free {
		free[i] = true
	}
	for _, key := range []func(Weighed) string{
		func(w Weighed) string { return fold(w.Portion) + "\n" + w.what() },
		Weighed.what,
	} {
		for j := range b {
			for i := range a {
				if partner[j] < 0 && free[i] && key(a[i]) == key(b[j]) {
					partner[j], free[i] = i, false
				}
			}
		}
	}
	return join(a, b, partner, sameWeighed)
}

func (w Weighed) what() string {
	if w.Code == "" {
		return w.Kind + ":" + fold(w.Name)
	}
	return w.Kind + ":" + w.Code
}

func sameWeighed(a, b Weighed) bool {
	return a.AsNeeded == b.AsNeeded && a.TargetG.Equal(b.TargetG) && a.LowG.Equal(b.LowG) && a.HighG.Equal(b.HighG) && sameNull(a.ActualG, b.ActualG) &&
		slices.Equal(slices.Sorted(slices.Values(a.Lots)), slices.Sorted(slices.Values(b.Lots)))
}

// SharedLots are the lots that both took from, in the order of the second.
func SharedLots(p Pair[Weighed]) []string {
	if p.A == nil || p.B == nil {
		return nil
	}
	var list []string
	for _, lot := range p.B.Lots {
		if slices.Contains(p.A.Lots, lot) && !slices.Contains(list, lot) {
			list = append(list, lot)
		}
	}
	return list
}

func sameMeasured(a, b Measured) bool {
	same := sameNull(a.Low, b.Low) && sameNull(a.High, b.High) && strings.EqualFold(a.Unit, b.Unit) && len(a.Values) == len(b.Values)
	for i := 0; same && i < len(a.Values); i++ {
		same = a.Values[i].Equal(b.Values[i])
	}
	return same
}
