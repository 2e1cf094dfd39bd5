package scaling

import (
	"math"
	"math/big"
	"slices"
	"strings"

	"github.com/shopspring/decimal"

	"example.org/stillroom/internal/equipment"
	"example.org/stillroom/internal/fault"
)

// maxUnits bounds a batch in readabilities, so that every count below fits an int64.
const maxUnits = 1 << 50

// PlanFor plans a batch of batchG g on one scale. What it guarantees:
//   - every mass is a whole number of readabilities;
//   - the portions that go into the batch make exactly Plan.BatchG, which is batchG rounded to the readability;
//   - the lines of a portion (but as-needed ones) make exactly its mass, and an inner portion's mass is what all
//     lines take from it, as-needed ones at their highest;
//   - each is rounded to the nearest, and what is left goes to the largest, to the next where that one is at its limit
//     of use (or, taken away, at nothing);
//   - rounding lifts no line over its limit while any other can take the rest.
//
// On several scales each line is planned for the one that suits it best (equipment.Best), in whole steps of that one.
// Then a portion's largest line is rounded up to its own step, so that no small line on a finer scale has to take what a
// coarse one cannot show: Plan.BatchG is never less than asked for, and more by less than one step a portion. A line
// that takes from another portion is planned to take all of that, in steps of the finest.
//
// Invalid faults: those of Validate, and "batch", "readability" and "min_load".
func PlanFor(f Formula, batchG decimal.Decimal, scales ...Scale) (Plan, error) {
	if err := Validate(f); err != nil {
		return Plan{}, err
	}
	if err := check(batchG, scales); err != nil {
		return Plan{}, err
	}
	unit := commonStep(scales)
	batch, err := batchUnits(batchG, unit)
	if err != nil {
		return Plan{}, err
	}
	p := newPlanner(f, batch, unit, scales)
	p.findIdeals()
	p.findSteps()
	p.findCaps()
	p.share()
	p.settle()
	return p.plan(), nil
}

func check(batchG decimal.Decimal, scales []Scale) error {
	var faults fault.Fields
	if len(scales) == 0 {
		faults.Add("readability", "A scale is needed to plan for.")
	}
	for _, s := range scales {
		if !s.ReadabilityG.IsPositive() {
			faults.Add("readability", "The scale's smallest step has to be more than 0.")
		}
		if s.MinLoadG.IsNegative() {
			faults.Add("min_load", "The scale's minimum load cannot be less than 0.")
		}
	}
	if !batchG.IsPositive() {
		faults.Add("batch", "A batch of more than 0 g is needed.")
	}
	return faults.Err()
}

// commonStep is the largest mass of which every scale's readability is a whole number: all is counted in it.
func commonStep(scales []Scale) decimal.Decimal {
	if len(scales) == 1 {
		return scales[0].ReadabilityG
	}
	exponent := scales[0].ReadabilityG.Exponent()
	for _, s := range scales {
		exponent = min(exponent, s.ReadabilityG.Exponent())
	}
	step := new(big.Int)
	for _, s := range scales {
		step.GCD(nil, nil, step, s.ReadabilityG.Shift(-exponent).BigInt())
	}
	return decimal.NewFromBigInt(step, exponent)
}

// batchUnits is the batch in whole steps, halves up.
func batchUnits(batchG, unit decimal.Decimal) (int64, error) {
	units := batchG.DivRound(unit, 0)
	switch {
	case units.IsZero():
		return 0, fault.In("batch", "The batch is less than the scale can show.")
	case units.GreaterThan(decimal.NewFromInt(maxUnits)):
		return 0, fault.In("batch", "The batch is too large for a scale that fine.")
	}
	return units.IntPart(), nil
}

// noCap marks a line or portion that no limit of use holds down.
const noCap = math.MaxInt64

// planner counts all masses in units, the common step of all scales. Ideals are what they would be without rounding.
type planner struct {
	f      Formula
	unit   decimal.Decimal // g
	scales []Scale
	batch  int64
	order  []int        // portions, each before those that it takes from
	ideal  []*big.Rat   // by portion
	lineAt [][]*big.Rat // by portion and line; the highest amount of an as-needed line
	on     [][]int      // the scale of a line
	steps  [][]int64    // what a line is a whole number of
	low    [][]int64    // as-needed lines
	caps   [][]int64
	room   []int64   // the most that a portion can be without a line over its limit
	want   []int64   // what a portion has to make at least
	mass   []int64   // what its lines make
	target [][]int64 // by portion and line; the highest amount of an as-needed line
}

func newPlanner(f Formula, batch int64, unit decimal.Decimal, scales []Scale) *planner {
	n := len(f.Portions)
	p := &planner{
		f: f, unit: unit, scales: scales, batch: batch, ideal: make([]*big.Rat, n), lineAt: make([][]*big.Rat, n), on: make([][]int, n), steps: make([][]int64, n),
		low: make([][]int64, n), caps: make([][]int64, n), room: make([]int64, n), want: make([]int64, n), mass: make([]int64, n),
		target: make([][]int64, n),
	}
	for i, portion := range f.Portions {
		p.ideal[i] = new(big.Rat)
		p.lineAt[i] = make([]*big.Rat, len(portion.Lines))
		p.on[i] = make([]int, len(portion.Lines))
		p.steps[i] = make([]int64, len(portion.Lines))
		p.low[i] = make([]int64, len(portion.Lines))
		p.caps[i] = make([]int64, len(portion.Lines))
		p.target[i] = make([]int64, len(portion.Lines))
	}
	// Reversed post-order of a graph without cycles, which Validate saw to.
	seen := make([]bool, n)
	var visit func(i int)
	visit = func(i int) {
		seen[i] = true
		for _, l := range f.Portions[i].Lines {
			if l.Kind == KindPortion && !seen[l.Portion] {
				visit(l.Portion)
			}
		}
		p.order = append(p.order, i)
	}
	for i := range f.Portions {
		if !seen[i] {
			visit(i)
		}
	}
	slices.Reverse(p.order)
	return p
}

// mains are the portions that go into the batch themselves.
func (p *planner) mains() (mains []int, parts []decimal.Decimal) {
	for i, portion := range p.f.Portions {
		if portion.Basis != Inner {
			mains, parts = append(mains, i), append(parts, portion.Amount)
		}
	}
	return mains, parts
}

// parts are the lines of a portion that share its mass.
func (p *planner) parts(i int) (lines []int, parts []decimal.Decimal) {
	for j, l := range p.f.Portions[i].Lines {
		if !l.AsNeeded {
			lines, parts = append(lines, j), append(parts, l.Amount)
		}
	}
	return lines, parts
}

func (p *planner) findIdeals() {
	batch := new(big.Rat).SetInt64(p.batch)
	mains, parts := p.mains()
	whole := sum(parts).Rat()
	for n, i := range mains {
		p.ideal[i].Mul(batch, new(big.Rat).Quo(parts[n].Rat(), whole))
	}
	for _, i := range p.order {
		lines, parts := p.parts(i)
		whole := sum(parts).Rat()
		for n, j := range lines {
			p.lineAt[i][j] = new(big.Rat).Mul(p.ideal[i], new(big.Rat).Quo(parts[n].Rat(), whole))
		}
		for j, l := range p.f.Portions[i].Lines {
			if l.AsNeeded {
				p.lineAt[i][j] = p.perNominal(l.High)
			}
			if l.Kind == KindPortion {
				p.ideal[l.Portion].Add(p.ideal[l.Portion], p.lineAt[i][j])
			}
		}
	}
}

// perNominal scales g per nominal batch to this batch.
func (p *planner) perNominal(g decimal.Decimal) *big.Rat {
	r := new(big.Rat).Quo(g.Rat(), p.f.NominalG.Rat())
	return r.Mul(r, new(big.Rat).SetInt64(p.batch))
}

// findSteps gives each line its scale by what it is to hold at least. What is taken from another portion is not held to
// a scale's step: all of it goes in.
func (p *planner) findSteps() {
	p.eachLine(func(i, j int, l Line) {
		least := p.lineAt[i][j]
		if l.AsNeeded && l.Low.IsPositive() {
			least = p.perNominal(l.Low)
		}
		p.on[i][j] = equipment.Best(p.scales, p.inGrams(least))
		p.steps[i][j] = p.scales[p.on[i][j]].ReadabilityG.DivRound(p.unit, 0).IntPart()
		if l.Kind == KindPortion {
			p.steps[i][j] = 1
		}
		if l.AsNeeded {
			p.low[i][j] = nearestStep(p.perNominal(l.Low), p.steps[i][j])
		}
	})
}

// inGrams is near enough to choose a scale by.
func (p *planner) inGrams(units *big.Rat) decimal.Decimal {
	const places = 8
	return decimal.NewFromBigInt(units.Num(), 0).DivRound(decimal.NewFromBigInt(units.Denom(), 0), places).Mul(p.unit)
}

// lineKey groups the lines that a limit of use counts together.
type lineKey struct {
	kind, name      string
	portion, single int
}

func (p *planner) key(i, j int) lineKey {
	l := p.f.Portions[i].Lines[j]
	name := strings.ToLower(strings.TrimSpace(l.Name))
	switch {
	case l.Kind == KindPortion:
		return lineKey{kind: l.Kind, portion: l.Portion}
	case name == "":
		return lineKey{kind: l.Kind, portion: i, single: j + 1}
	}
	return lineKey{kind: l.Kind, name: name}
}

// limit is a limit of use in readabilities.
func (p *planner) limit(maxPct decimal.Decimal) *big.Rat {
	r := maxPct.Shift(-2).Rat()
	return r.Mul(r, new(big.Rat).SetInt64(p.batch))
}

// findCaps finds how far each line, and with that each portion, may be rounded up. A limit is shared out among the
// lines of the same material by what they are to hold; a formula that is over a limit by itself is not held down
// here, since its maker is told by OverLimit and no rounding would mend it.
func (p *planner) findCaps() {
	total, limit := map[lineKey]*big.Rat{}, map[lineKey]*big.Rat{}
	p.eachLine(func(i, j int, l Line) {
		k := p.key(i, j)
		if total[k] == nil {
			total[k] = new(big.Rat)
		}
		total[k].Add(total[k], p.lineAt[i][j])
		if l.MaxPct.Valid {
			if most := p.limit(l.MaxPct.Decimal); limit[k] == nil || most.Cmp(limit[k]) < 0 {
				limit[k] = most
			}
		}
	})
	p.eachLine(func(i, j int, _ Line) {
		p.caps[i][j] = noCap
		if k := p.key(i, j); limit[k] != nil && total[k].Cmp(limit[k]) <= 0 {
			p.caps[i][j] = portionOf(limit[k], p.lineAt[i][j], total[k])
		}
	})
	// From the innermost outwards: a portion full of lines at their limits holds down what takes from it.
	for _, i := range slices.Backward(p.order) {
		for j, l := range p.f.Portions[i].Lines {
			if l.Kind == KindPortion && p.room[l.Portion] != noCap {
				room := new(big.Rat).SetInt64(p.room[l.Portion])
				p.caps[i][j] = min(p.caps[i][j], portionOf(room, p.lineAt[i][j], p.ideal[l.Portion]))
			}
		}
		lines, _ := p.parts(i)
		for _, j := range lines {
			if p.caps[i][j] == noCap {
				p.room[i] = noCap
				break
			}
			p.room[i] += p.caps[i][j]
		}
	}
}

func (p *planner) eachLine(do func(i, j int, l Line)) {
	for i, portion := range p.f.Portions {
		for j, l := range portion.Lines {
			do(i, j, l)
		}
	}
}

// share gives each portion and line its mass, from the batch inwards.
func (p *planner) share() {
	mains, parts := p.mains()
	caps, units := make([]int64, len(mains)), make([]int64, len(mains))
	for n, i := range mains {
		caps[n], units[n] = p.room[i], 1
	}
	for n, mass := range distribute(p.batch, parts, caps, units) {
		p.want[mains[n]] = mass
	}
	for _, i := range p.order {
		lines, parts := p.parts(i)
		caps, steps := make([]int64, len(lines)), make([]int64, len(lines))
		for n, j := range lines {
			caps[n], steps[n] = p.caps[i][j], p.steps[i][j]
		}
		for n, mass := range distribute(p.want[i], parts, caps, steps) {
			p.target[i][lines[n]] = mass
			p.mass[i] += mass
		}
		for j, l := range p.f.Portions[i].Lines {
			if l.AsNeeded {
				p.target[i][j] = min(nearestStep(p.lineAt[i][j], p.steps[i][j]), wholeSteps(p.caps[i][j], p.steps[i][j]))
				p.low[i][j] = min(p.low[i][j], p.target[i][j])
			}
			if l.Kind == KindPortion {
				p.want[l.Portion] += p.target[i][j]
			}
		}
	}
}

// settle lets what an inner portion makes more than was asked of it, for the sake of its largest line's step, go into
// what takes from it, from the innermost outwards. On one scale there is none.
func (p *planner) settle() {
	for _, i := range slices.Backward(p.order) {
		more := p.mass[i] - p.want[i]
		if p.f.Portions[i].Basis != Inner || more == 0 {
			continue
		}
		if at, j := p.taker(i, more); j >= 0 {
			p.target[at][j] += more
			if !p.f.Portions[at].Lines[j].AsNeeded {
				p.mass[at] += more
			}
			p.want[i] = p.mass[i]
		}
	}
}

// taker is the largest line that takes from portion q: one with room for more under its limit before one without, one
// that shares its portion's mass before an as-needed one.
func (p *planner) taker(q int, more int64) (portion, line int) {
	portion, line = -1, -1
	var best [3]int64
	p.eachLine(func(i, j int, l Line) {
		if l.Kind != KindPortion || l.Portion != q {
			return
		}
		rank := [3]int64{0, 0, p.target[i][j]}
		if p.caps[i][j]-p.target[i][j] >= more {
			rank[0] = 1
		}
		if !l.AsNeeded {
			rank[1] = 1
		}
		if line < 0 || slices.Compare(rank[:], best[:]) > 0 {
			portion, line, best = i, j, rank
		}
	})
	return portion, line
}

// distribute shares total out by parts, each rounded to the nearest of its steps and held down to its cap, so that the
// shares make total, or more by less than a step of the largest. What is left goes to the largest part, first of equals;
// caps give way only where all are reached.
func distribute(total int64, parts []decimal.Decimal, caps, steps []int64) []int64 {
	whole := sum(parts).Rat()
	out := make([]int64, len(parts))
	left := total
	bySize := make([]int, len(parts))
	for n, part := range parts {
		r := new(big.Rat).Quo(part.Rat(), whole)
		out[n] = min(nearestStep(r.Mul(r, new(big.Rat).SetInt64(total)), steps[n]), wholeSteps(caps[n], steps[n]))
		left -= out[n]
		bySize[n] = n
	}
	slices.SortStableFunc(bySize, func(a, b int) int { return parts[b].Cmp(parts[a]) })
	for _, n := range bySize {
		if left > 0 {
			more := min(stepsUp(left, steps[n]), wholeSteps(caps[n]-out[n], steps[n]))
			out[n] += more
			left -= more
		} else {
			less := wholeSteps(min(-left, out[n]), steps[n])
			out[n] -= less
			left += less
		}
		if left <= 0 && -left < steps[n] {
			return out
		}
	}
	if left > 0 {
		out[bySize[0]] += stepsUp(left, steps[bySize[0]])
	}
	return out
}

func (p *planner) plan() Plan {
	grams := func(units int64) decimal.Decimal { return decimal.NewFromInt(units).Mul(p.unit) }
	total := map[lineKey]int64{}
	p.eachLine(func(i, j int, _ Line) { total[p.key(i, j)] += p.target[i][j] })
	plan := Plan{}
	p.batch = 0
	for i, mass := range p.mass {
		plan.PortionG = append(plan.PortionG, grams(mass))
		if p.f.Portions[i].Basis != Inner {
			p.batch += mass
		}
	}
	plan.BatchG = grams(p.batch)
	p.eachLine(func(i, j int, l Line) {
		t := Target{Portion: i, Line: j, Scale: p.on[i][j], AsNeeded: l.AsNeeded}
		least := grams(p.target[i][j])
		if l.AsNeeded {
			t.LowG, t.HighG = grams(p.low[i][j]), least
			if l.Low.IsPositive() {
				least = t.LowG
			}
		} else {
			t.TargetG = least
		}
		t.NeedsFinerScale = least.LessThan(p.scales[t.Scale].LeastG())
		t.OverLoad = !p.scales[t.Scale].Carries(grams(p.target[i][j]))
		if l.MaxPct.Valid {
			all := new(big.Rat).SetInt64(total[p.key(i, j)])
			t.OverLimit = all.Cmp(p.limit(l.MaxPct.Decimal)) > 0
		}
		plan.Lines = append(plan.Lines, t)
	})
	return plan
}

func sum(parts []decimal.Decimal) decimal.Decimal {
	total := decimal.Zero
	for _, part := range parts {
		total = total.Add(part)
	}
	return total
}

// portionOf is all × part ÷ whole, rounded down.
func portionOf(all, part, whole *big.Rat) int64 {
	r := new(big.Rat).Mul(all, part)
	return floor(r.Quo(r, whole))
}

// floor and nearest (halves up) are for what is not below zero and fits an int64.
func floor(r *big.Rat) int64 { return new(big.Int).Quo(r.Num(), r.Denom()).Int64() }

func nearest(r *big.Rat) int64 { return floor(new(big.Rat).Add(r, big.NewRat(1, 2))) }

// wholeSteps is n rounded down to whole steps, stepsUp up; neither is for what is below zero.
func wholeSteps(n, step int64) int64 { return n / step * step }

func stepsUp(n, step int64) int64 { return (n + step - 1) / step * step }

// nearestStep is the nearest whole number of steps, halves up.
func nearestStep(r *big.Rat, step int64) int64 {
	return nearest(new(big.Rat).Quo(r, new(big.Rat).SetInt64(step))) * step
}
