package scaling

import (
	"math"
	"math/big"
	"slices"
	"strings"

	"example.org/stillroom/internal/fault"
	"github.com/shopspring/decimal"
)

// maxUnits bounds a batch in readabilities, so that every count below fits an int64.
const maxUnits = 1 << 50

// PlanFor plans a batch of batchG g. What it guarantees:
//   - every mass is a whole number of readabilities;
//   - the portions that go into the batch make exactly Plan.BatchG, which is batchG rounded to the readability;
//   - the lines of a portion (but as-needed ones) make exactly its mass, and an inner portion's mass is what all
//     lines take from it, as-needed ones at their highest;
//   - each is rounded to the nearest, and what is left goes to the largest, to the next where that one is at its limit
//     of use (or, taken away, at nothing);
//   - rounding lifts no line over its limit while any other can take the rest.
//
// Invalid faults: those of Validate, and "batch", "readability" and "min_load".
func PlanFor(f Formula, batchG decimal.Decimal, scale Scale) (Plan, error) {
	if err := Validate(f); err != nil {
		return Plan{}, err
	}
	batch, err := batchUnits(batchG, scale)
	if err != nil {
		return Plan{}, err
	}
	p := newPlanner(f, batch, scale)
	p.findIdeals()
	p.findCaps()
	p.share()
	return p.plan(), nil
}

// batchUnits is the batch in whole readabilities, halves up.
func batchUnits(batchG decimal.Decimal, scale Scale) (int64, error) {
	var faults fault.Fields
	if !scale.ReadabilityG.IsPositive() {
		faults.Add("readability", "The scale's readability must be above zero.")
	}
	if scale.MinLoadG.IsNegative() {
		faults.Add("min_load", "The scale's minimum load cannot be below zero.")
	}
	if !batchG.IsPositive() {
		faults.Add("batch", "A batch of more than 0 g is needed.")
	}
	if faults.Any() {
		return 0, faults.Err()
	}
	units := batchG.DivRound(scale.ReadabilityG, 0)
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

// planner counts all masses in readabilities. Ideals are what they would be without rounding.
type planner struct {
	f      Formula
	scale  Scale
	batch  int64
	order  []int        // portions, each before those that it takes from
	ideal  []*big.Rat   // by portion
	lineAt [][]*big.Rat // by portion and line; the highest amount of an as-needed line
	low    [][]int64    // as-needed lines
	caps   [][]int64
	room   []int64 // the most that a portion can be without a line over its limit
	mass   []int64
	target [][]int64 // by portion and line; the highest amount of an as-needed line
}

func newPlanner(f Formula, batch int64, scale Scale) *planner {
	n := len(f.Portions)
	p := &planner{
		f: f, scale: scale, batch: batch, ideal: make([]*big.Rat, n), lineAt: make([][]*big.Rat, n),
		low: make([][]int64, n), caps: make([][]int64, n), room: make([]int64, n), mass: make([]int64, n),
		target: make([][]int64, n),
	}
	for i, portion := range f.Portions {
		p.ideal[i] = new(big.Rat)
		p.lineAt[i] = make([]*big.Rat, len(portion.Lines))
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
				p.low[i][j] = nearest(p.perNominal(l.Low))
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
	caps := make([]int64, len(mains))
	for n, i := range mains {
		caps[n] = p.room[i]
	}
	for n, mass := range distribute(p.batch, parts, caps) {
		p.mass[mains[n]] = mass
	}
	for _, i := range p.order {
		lines, parts := p.parts(i)
		caps := make([]int64, len(lines))
		for n, j := range lines {
			caps[n] = p.caps[i][j]
		}
		for n, mass := range distribute(p.mass[i], parts, caps) {
			p.target[i][lines[n]] = mass
		}
		for j, l := range p.f.Portions[i].Lines {
			if l.AsNeeded {
				p.target[i][j] = min(nearest(p.lineAt[i][j]), p.caps[i][j])
				p.low[i][j] = min(p.low[i][j], p.target[i][j])
			}
			if l.Kind == KindPortion {
				p.mass[l.Portion] += p.target[i][j]
			}
		}
	}
}

// distribute shares total out by parts, each rounded to the nearest and held down to its cap, so that the shares make
// exactly total. What is left goes to the largest part, first of equals; caps give way only where all are reached.
func distribute(total int64, parts []decimal.Decimal, caps []int64) []int64 {
	whole := sum(parts).Rat()
	out := make([]int64, len(parts))
	left := total
	bySize := make([]int, len(parts))
	for n, part := range parts {
		r := new(big.Rat).Quo(part.Rat(), whole)
		out[n] = min(nearest(r.Mul(r, new(big.Rat).SetInt64(total))), caps[n])
		left -= out[n]
		bySize[n] = n
	}
	slices.SortStableFunc(bySize, func(a, b int) int { return parts[b].Cmp(parts[a]) })
	for _, n := range bySize {
		step := left
		if left > 0 {
			step = min(left, caps[n]-out[n])
		} else {
			step = max(left, -out[n])
		}
		out[n] += step
		left -= step
	}
	out[bySize[0]] += left
	return out
}

func (p *planner) plan() Plan {
	grams := func(units int64) decimal.Decimal { return decimal.NewFromInt(units).Mul(p.scale.ReadabilityG) }
	total := map[lineKey]int64{}
	p.eachLine(func(i, j int, _ Line) { total[p.key(i, j)] += p.target[i][j] })
	plan := Plan{BatchG: grams(p.batch)}
	for _, mass := range p.mass {
		plan.PortionG = append(plan.PortionG, grams(mass))
	}
	finest := decimal.Max(p.scale.MinLoadG, grams(finestReadabilities))
	p.eachLine(func(i, j int, l Line) {
		t := Target{Portion: i, Line: j, AsNeeded: l.AsNeeded}
		least := grams(p.target[i][j])
		if l.AsNeeded {
			t.LowG, t.HighG = grams(p.low[i][j]), least
			if l.Low.IsPositive() {
				least = t.LowG
			}
		} else {
			t.TargetG = least
		}
		t.NeedsFinerScale = least.LessThan(finest)
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
