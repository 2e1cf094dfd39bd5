package scaling_test

import (
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/shopspring/decimal"
	"pgregory.net/rapid"

	"example.org/stillroom/internal/equipment"
	"example.org/stillroom/internal/scaling"
)

var (
	fineScale  = scaling.Scale{ReadabilityG: d("0.01"), MinLoadG: d("0.2"), MaxLoadG: d("500")}
	benchScale = scaling.Scale{ReadabilityG: d("1"), MaxLoadG: d("6000")}
)

// plain is a line as a test reads it.
type plain struct {
	Scale          int
	Grams          string
	Finer, TooMuch bool
}

func plainOf(p scaling.Plan) []plain {
	var out []plain
	for _, l := range p.Lines {
		g := l.TargetG.String()
		if l.AsNeeded {
			g = l.LowG.String() + " to " + l.HighG.String()
		}
		out = append(out, plain{l.Scale, g, l.NeedsFinerScale, l.OverLoad})
	}
	return out
}

func TestEachLineIsPlannedForTheScaleThatSuitsIt(t *testing.T) {
	t.Parallel()
	share := func(name, pct string) scaling.Line {
		return scaling.Line{Kind: scaling.KindMaterial, Name: name, Basis: scaling.Share, Amount: d(pct)}
	}
	one := func(lines ...scaling.Line) scaling.Formula {
		return scaling.Formula{NominalG: d("1000"), Portions: []scaling.Portion{{Name: "Melt", Basis: scaling.Share, Amount: d("100"), Lines: lines}}}
	}
	needed := scaling.Line{Kind: scaling.KindMaterial, Name: "water", AsNeeded: true, Low: d("2.345"), High: d("20")}
	inner := scaling.Formula{NominalG: d("1000"), Portions: []scaling.Portion{
		{Name: "Melt", Basis: scaling.Share, Amount: d("100"), Lines: []scaling.Line{share("wax", "30"), {Kind: scaling.KindPortion, Portion: 1, Basis: scaling.Share, Amount: d("70")}}},
		{Name: "Base", Basis: scaling.Inner, Lines: []scaling.Line{share("oil", "99.3"), share("scent", "0.7")}},
	}}
	for _, tt := range []struct {
		name   string
		f      scaling.Formula
		batch  string
		scales []scaling.Scale
		want   []plain
		makes  string
	}{
		{"the small on the fine one, the large on the coarse one, rounded up", one(share("butter", "98.537"), share("scent", "1.463")), "1000", []scaling.Scale{benchScale, fineScale},
			[]plain{{0, "986", false, false}, {1, "14.63", false, false}}, "1000.63"},
		{"all within the fine one", one(share("butter", "98.537"), share("scent", "1.463")), "400", []scaling.Scale{benchScale, fineScale},
			[]plain{{1, "394.15", false, false}, {1, "5.85", false, false}}, "400"},
		{"one scale", one(share("butter", "98.537"), share("scent", "1.463")), "1000", []scaling.Scale{benchScale},
			[]plain{{0, "985", false, false}, {0, "15", true, false}}, "1000"},
		{"too much for any scale", one(share("butter", "98"), share("scent", "2")), "10000", []scaling.Scale{benchScale, fineScale},
			[]plain{{0, "9800", false, true}, {1, "200", false, false}}, "10000"},
		{"as needed goes by its least", one(share("butter", "100"), needed), "1000", []scaling.Scale{benchScale, fineScale},
			[]plain{{0, "1000", false, false}, {1, "2.35 to 20", false, false}}, "1000"},
		{"steps that do not divide each other", one(share("butter", "99.9"), share("scent", "0.1")), "9000", []scaling.Scale{{ReadabilityG: d("0.5")}, {ReadabilityG: d("0.2"), MaxLoadG: d("300")}},
			[]plain{{0, "8991", false, false}, {1, "9", false, false}}, "9000"},
		{"what is mixed first goes in whole", inner, "1000", []scaling.Scale{benchScale, fineScale},
			[]plain{{1, "300", false, false}, {0, "700.9", false, false}, {0, "696", false, false}, {1, "4.9", false, false}}, "1000.9"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			t.Parallel()
			p, err := scaling.PlanFor(tt.f, d(tt.batch), tt.scales...)
			if err != nil {
				t.Fatal(err)
			}
			if diff := cmp.Diff(tt.want, plainOf(p)); diff != "" {
				t.Errorf("lines (-want +got):\n%s", diff)
			}
			if diff := cmp.Diff(tt.makes, p.BatchG.String()); diff != "" {
				t.Errorf("batch (-want +got):\n%s", diff)
			}
		})
	}
}

func TestOnSeveralScalesEverySumIsExactAndTheBatchNeverShort(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		f := anyFormula(t, rapid.Bool().Draw(t, "limits"))
		var scales []scaling.Scale
		for range rapid.IntRange(1, 3).Draw(t, "scales") {
			scales = append(scales, scaling.Scale{ReadabilityG: d(rapid.SampledFrom([]string{"0.01", "0.02", "0.1", "0.5", "1", "2", "5"}).Draw(t, "step")), MaxLoadG: decimal.NewFromInt(rapid.SampledFrom([]int64{0, 50, 500, 5000}).Draw(t, "most"))})
		}
		batch := decimal.New(rapid.Int64Range(25_000, 5_000_000).Draw(t, "batch in hundredths"), -2)
		plan, err := scaling.PlanFor(f, batch, scales...)
		if err != nil {
			t.Fatalf("%+v: %v", f, err)
		}
		coarsest := decimal.Zero
		for _, s := range scales {
			coarsest = decimal.Max(coarsest, s.ReadabilityG)
		}
		if off := plan.BatchG.Sub(batch); off.LessThan(coarsest.Neg()) || off.GreaterThan(coarsest.Mul(decimal.NewFromInt(int64(1+len(f.Portions))))) {
			t.Fatalf("asked for %s g, planned %s", batch, plan.BatchG)
		}
		made, taken := make([]decimal.Decimal, len(f.Portions)), make([]decimal.Decimal, len(f.Portions))
		for _, l := range plan.Lines {
			line, s := f.Portions[l.Portion].Lines[l.Line], scales[l.Scale]
			for _, g := range []decimal.Decimal{l.TargetG, l.LowG, l.HighG} {
				if g.IsNegative() || line.Kind != scaling.KindPortion && !s.Shows(g) {
					t.Fatalf("%s g cannot be weighed to %s g", g, s.ReadabilityG)
				}
			}
			if !l.AsNeeded && l.NeedsFinerScale != (l.TargetG.LessThan(s.LeastG())) {
				t.Fatalf("%s g on a scale for %s g: needs a finer one %v", l.TargetG, s.LeastG(), l.NeedsFinerScale)
			}
			if best := scales[equipment.Best(scales, l.TargetG)]; !l.AsNeeded && best.For(l.TargetG) == equipment.Fits && l.OverLoad && best.MaxLoadG.Sub(l.TargetG).GreaterThan(coarsest) {
				t.Fatalf("%s g is over the load, though a scale carries it", l.TargetG)
			}
			if line.Kind == scaling.KindPortion {
				taken[line.Portion] = taken[line.Portion].Add(l.TargetG).Add(l.HighG)
			}
			made[l.Portion] = made[l.Portion].Add(l.TargetG)
		}
		whole := decimal.Zero
		for i, p := range f.Portions {
			if !made[i].Equal(plan.PortionG[i]) {
				t.Fatalf("portion %d of %s g: lines make %s", i, plan.PortionG[i], made[i])
			}
			if p.Basis == scaling.Inner && !taken[i].Equal(plan.PortionG[i]) {
				t.Fatalf("portion %d of %s g: %s are taken of it", i, plan.PortionG[i], taken[i])
			}
			if p.Basis != scaling.Inner {
				whole = whole.Add(plan.PortionG[i])
			}
		}
		if !whole.Equal(plan.BatchG) {
			t.Fatalf("portions make %s of %s g", whole, plan.BatchG)
		}
	})
}

func TestNoScalesAtAllIsRefused(t *testing.T) {
	t.Parallel()
	f := scaling.Formula{Portions: []scaling.Portion{{Basis: scaling.Share, Amount: d("100"), Lines: []scaling.Line{{Kind: scaling.KindMaterial, Name: "oil", Basis: scaling.Share, Amount: d("100")}}}}}
	if _, err := scaling.PlanFor(f, d("100")); err == nil {
		t.Error("planned for no scale")
	}
}
