package scaling_test

import (
	"math/big"
	"strings"
	"testing"

	"example.org/stillroom/internal/scaling"
	"github.com/shopspring/decimal"
	"pgregory.net/rapid"
)

// compose splits whole (in ten-thousandths) into n amounts above zero that make it exactly.
func compose(t *rapid.T, whole int64, n int) []decimal.Decimal {
	weights := make([]int64, n)
	var all int64
	for i := range weights {
		weights[i] = rapid.Int64Range(1, 1000).Draw(t, "weight")
		all += weights[i]
	}
	out, left := make([]decimal.Decimal, n), whole
	for i := range out {
		part := max(1, whole*weights[i]/all)
		if i == n-1 {
			part = left
		}
		out[i] = decimal.New(part, -4)
		left -= part
	}
	return out
}

const (
	hundredPct = 100_0000  // in ten-thousandths
	nominal    = 1000_0000 // g, in ten-thousandths
)

// anyFormula draws a valid formula of portions in portions; limits of use only when asked for.
func anyFormula(t *rapid.T, limits bool) scaling.Formula {
	mains, inners := rapid.IntRange(1, 3).Draw(t, "mains"), rapid.IntRange(0, 3).Draw(t, "inners")
	f := scaling.Formula{NominalG: decimal.New(nominal, -4), Portions: make([]scaling.Portion, mains+inners)}
	for q := mains; q < len(f.Portions); q++ {
		f.Portions[q].Basis = scaling.Inner
		for range rapid.IntRange(1, 3).Draw(t, "takers") {
			taker := rapid.IntRange(0, q-1).Draw(t, "taker")
			l := scaling.Line{Kind: scaling.KindPortion, Portion: q}
			f.Portions[taker].Lines = append(f.Portions[taker].Lines, l)
		}
	}
	shares := compose(t, hundredPct, mains)
	byWeight := rapid.Bool().Draw(t, "portions by weight")
	for i := range f.Portions {
		p := &f.Portions[i]
		linesWhole := int64(nominal)
		if i < mains {
			p.Basis, p.Amount = scaling.Share, shares[i]
			linesWhole = shares[i].Shift(5).IntPart() // of 1000 g
			if byWeight {
				p.Basis, p.Amount = scaling.Weight, decimal.New(linesWhole, -4)
			}
		}
		for range rapid.IntRange(1, 5).Draw(t, "materials") {
			l := scaling.Line{Kind: scaling.KindMaterial, Name: rapid.SampledFrom([]string{"", "oil", "Oil ", "clay", "scent"}).Draw(t, "name")}
			if limits && rapid.Bool().Draw(t, "limited") {
				l.MaxPct = decimal.NewNullDecimal(decimal.New(rapid.Int64Range(1, hundredPct).Draw(t, "limit"), -4))
			}
			p.Lines = append(p.Lines, l)
		}
		basis := rapid.SampledFrom([]string{scaling.Share, scaling.Weight}).Draw(t, "basis")
		if basis == scaling.Share {
			linesWhole = hundredPct
		}
		for j, amount := range compose(t, linesWhole, len(p.Lines)) {
			p.Lines[j].Basis, p.Lines[j].Amount = basis, amount
		}
		if rapid.Bool().Draw(t, "as needed") {
			low := rapid.Int64Range(0, 50_0000).Draw(t, "low")
			high := rapid.Int64Range(max(low, 1), 100_0000).Draw(t, "high")
			l := scaling.Line{Kind: scaling.KindMaterial, Name: "clay", AsNeeded: true,
				Low: decimal.New(low, -4), High: decimal.New(high, -4)}
			if to := i + 1; i >= mains && to < len(f.Portions) && rapid.Bool().Draw(t, "as needed from a portion") {
				l.Kind, l.Portion = scaling.KindPortion, to
			}
			p.Lines = append(p.Lines, l)
		}
	}
	return f
}

var readabilities = []string{"0.01", "0.1", "0.5", "1", "5"}

func anyPlan(t *rapid.T, f scaling.Formula) (scaling.Plan, scaling.Scale) {
	scale := scaling.Scale{
		ReadabilityG: d(rapid.SampledFrom(readabilities).Draw(t, "readability")),
		MinLoadG:     decimal.New(rapid.Int64Range(0, 200).Draw(t, "minimum load"), -1),
	}
	batch := decimal.New(rapid.Int64Range(250, 5_000_000).Draw(t, "batch in hundredths"), -2)
	plan, err := scaling.PlanFor(f, batch, scale)
	if err != nil {
		t.Fatalf("%+v: %v", f, err)
	}
	if plan.BatchG.Sub(batch).Abs().Mul(d("2")).GreaterThan(scale.ReadabilityG) {
		t.Fatalf("asked for %s g, planned %s", batch, plan.BatchG)
	}
	return plan, scale
}

func TestEverySumIsExactOnAnyScale(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		f := anyFormula(t, rapid.Bool().Draw(t, "limits"))
		plan, scale := anyPlan(t, f)
		lines := make([]decimal.Decimal, len(f.Portions)) // what its lines make, by portion
		taken := make([]decimal.Decimal, len(f.Portions)) // what is taken from it
		n := 0
		for i, p := range f.Portions {
			if p.Basis != scaling.Inner {
				taken[i] = plan.PortionG[i] // by the batch
			}
			n += len(p.Lines)
		}
		if len(plan.Lines) != n {
			t.Fatalf("%d targets for %d lines", len(plan.Lines), n)
		}
		finest := decimal.Max(scale.MinLoadG, scale.ReadabilityG.Mul(d("20")))
		for _, l := range plan.Lines {
			for _, g := range []decimal.Decimal{l.TargetG, l.LowG, l.HighG} {
				if g.IsNegative() || !g.Mod(scale.ReadabilityG).IsZero() {
					t.Fatalf("%s g cannot be weighed to %s g", g, scale.ReadabilityG)
				}
			}
			if l.LowG.GreaterThan(l.HighG) {
				t.Fatalf("as needed from %s to %s g", l.LowG, l.HighG)
			}
			line := f.Portions[l.Portion].Lines[l.Line]
			if line.Kind == scaling.KindPortion {
				taken[line.Portion] = taken[line.Portion].Add(l.TargetG).Add(l.HighG)
			}
			lines[l.Portion] = lines[l.Portion].Add(l.TargetG)
			if !l.AsNeeded && l.NeedsFinerScale != l.TargetG.LessThan(finest) {
				t.Fatalf("%s g on a scale for %s g: needs a finer one %v", l.TargetG, finest, l.NeedsFinerScale)
			}
		}
		batch := decimal.Zero
		for i, p := range f.Portions {
			if !lines[i].Equal(plan.PortionG[i]) || !taken[i].Equal(plan.PortionG[i]) {
				t.Fatalf("portion %d of %s g: lines make %s, taken are %s", i, plan.PortionG[i], lines[i], taken[i])
			}
			if p.Basis != scaling.Inner {
				batch = batch.Add(plan.PortionG[i])
			}
		}
		if !batch.Equal(plan.BatchG) {
			t.Fatalf("portions make %s of %s g", batch, plan.BatchG)
		}
	})
}

func TestOnlyTheLargestLineIsNotRoundedToTheNearest(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		f := anyFormula(t, false)
		plan, scale := anyPlan(t, f)
		for i, p := range f.Portions {
			whole, largest := decimal.Zero, decimal.Zero
			for _, l := range p.Lines {
				whole = whole.Add(l.Amount)
				largest = decimal.Max(largest, l.Amount)
			}
			if plan.PortionG[i].LessThan(scale.ReadabilityG.Mul(d("100"))) {
				continue // so small that the largest line may have nothing left to give
			}
			for _, l := range plan.Lines {
				line := p.Lines[min(l.Line, len(p.Lines)-1)]
				if l.Portion != i || l.AsNeeded || line.Amount.Equal(largest) {
					continue
				}
				// |target × whole − mass × amount| ≤ readability × whole / 2, without a division
				off := l.TargetG.Mul(whole).Sub(plan.PortionG[i].Mul(line.Amount)).Abs()
				if off.Mul(d("2")).GreaterThan(scale.ReadabilityG.Mul(whole)) {
					t.Fatalf("portion %d line %d: %s g of %s g for %s of %s", i, l.Line, l.TargetG, plan.PortionG[i], line.Amount, whole)
				}
			}
		}
	})
}

// ideals are the lines' unrounded parts of the batch, by another road than the planner's: from each line upwards.
func ideals(f scaling.Formula) map[[2]int]*big.Rat {
	var portion func(q int) *big.Rat
	line := func(i, j int) *big.Rat {
		p := f.Portions[i]
		if l := p.Lines[j]; l.AsNeeded {
			return new(big.Rat).Quo(l.High.Rat(), f.NominalG.Rat())
		}
		whole := decimal.Zero
		for _, l := range p.Lines {
			if !l.AsNeeded {
				whole = whole.Add(l.Amount)
			}
		}
		r := new(big.Rat).Quo(p.Lines[j].Amount.Rat(), whole.Rat())
		return r.Mul(r, portion(i))
	}
	portion = func(q int) *big.Rat {
		switch p := f.Portions[q]; p.Basis {
		case scaling.Share:
			return p.Amount.Shift(-2).Rat()
		case scaling.Weight:
			return new(big.Rat).Quo(p.Amount.Rat(), f.NominalG.Rat())
		}
		all := new(big.Rat)
		for i, p := range f.Portions {
			for j, l := range p.Lines {
				if l.Kind == scaling.KindPortion && l.Portion == q {
					all.Add(all, line(i, j))
				}
			}
		}
		return all
	}
	out := map[[2]int]*big.Rat{}
	for i, p := range f.Portions {
		for j := range p.Lines {
			out[[2]int{i, j}] = line(i, j)
		}
	}
	return out
}

func TestRoundingLiftsNothingOverItsLimitOfUse(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		f := anyFormula(t, false)
		// Every portion has a line that can take the rest; of the others some are at their limit exactly, some near it.
		group := func(l scaling.Line, i, j int) string {
			if name := strings.ToLower(strings.TrimSpace(l.Name)); name != "" {
				return name
			}
			return string(rune('0'+i)) + "/" + string(rune('0'+j))
		}
		const free = "free"
		for i := range f.Portions {
			for j, l := range f.Portions[i].Lines {
				if l.Kind == scaling.KindMaterial && !l.AsNeeded {
					f.Portions[i].Lines[j].Name = free
					break
				}
			}
		}
		parts, totals := ideals(f), map[string]*big.Rat{}
		for i, p := range f.Portions {
			for j, l := range p.Lines {
				if l.Kind != scaling.KindMaterial {
					continue
				}
				g := group(l, i, j)
				if totals[g] == nil {
					totals[g] = new(big.Rat)
				}
				totals[g].Add(totals[g], parts[[2]int{i, j}])
			}
		}
		limits := map[string]decimal.Decimal{}
		for g, total := range totals {
			pct := new(big.Rat).Mul(total, big.NewRat(hundredPct, 1)) // in ten-thousandths of a %
			up := new(big.Int).Quo(new(big.Int).Add(pct.Num(), new(big.Int).Sub(pct.Denom(), big.NewInt(1))), pct.Denom())
			if up.Int64() <= hundredPct && g != free {
				limits[g] = decimal.New(up.Int64(), -4)
			}
		}
		for i := range f.Portions {
			for j, l := range f.Portions[i].Lines {
				if m, ok := limits[group(l, i, j)]; ok && l.Kind == scaling.KindMaterial {
					f.Portions[i].Lines[j].MaxPct = decimal.NewNullDecimal(m)
				}
			}
		}
		plan, _ := anyPlan(t, f)
		used := map[string]decimal.Decimal{}
		for _, l := range plan.Lines {
			line := f.Portions[l.Portion].Lines[l.Line]
			if l.OverLimit {
				t.Fatalf("portion %d line %d (%s) is over its limit", l.Portion, l.Line, line.Name)
			}
			if line.Kind == scaling.KindMaterial {
				g := group(line, l.Portion, l.Line)
				used[g] = used[g].Add(l.TargetG).Add(l.HighG)
			}
		}
		for g, m := range limits {
			if used[g].GreaterThan(plan.BatchG.Mul(m).Shift(-2)) {
				t.Fatalf("%s: %s g of %s g is over %s %%", g, used[g], plan.BatchG, m)
			}
		}
	})
}
