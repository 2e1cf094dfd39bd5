package scaling_test

import (
	"testing"

	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/scaling"
	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
	"github.com/shopspring/decimal"
	"pgregory.net/rapid"
)

func d(s string) decimal.Decimal { return decimal.RequireFromString(s) }

func limit(s string) decimal.NullDecimal { return decimal.NewNullDecimal(d(s)) }

func material(name, pct string) scaling.Line {
	return scaling.Line{Name: name, Kind: scaling.KindMaterial, Basis: scaling.Share, Amount: d(pct)}
}

func limited(name, pct, max string) scaling.Line {
	l := material(name, pct)
	l.MaxPct = limit(max)
	return l
}

func weighed(name, g string) scaling.Line {
	return scaling.Line{Name: name, Kind: scaling.KindMaterial, Basis: scaling.Weight, Amount: d(g)}
}

func takes(portion int, pct string) scaling.Line {
	return scaling.Line{Kind: scaling.KindPortion, Portion: portion, Basis: scaling.Share, Amount: d(pct)}
}

func asNeeded(name, low, high string) scaling.Line {
	return scaling.Line{Name: name, Kind: scaling.KindMaterial, AsNeeded: true, Low: d(low), High: d(high)}
}

func share(name, pct string, lines ...scaling.Line) scaling.Portion {
	return scaling.Portion{Name: name, Basis: scaling.Share, Amount: d(pct), Lines: lines}
}

func inner(name string, lines ...scaling.Line) scaling.Portion {
	return scaling.Portion{Name: name, Basis: scaling.Inner, Lines: lines}
}

func only(lines ...scaling.Line) scaling.Formula {
	return scaling.Formula{NominalG: d("1000"), Portions: []scaling.Portion{share("all", "100", lines...)}}
}

// fizz is two colours of one base; the fragrance is in both and at its limit of use exactly.
func fizz(fragranceLimit string) scaling.Formula {
	fragrance := func() scaling.Line {
		if fragranceLimit == "" {
			return material("Fragrance", "1.5")
		}
		return limited("Fragrance", "1.5", fragranceLimit)
	}
	return scaling.Formula{NominalG: d("1000"), Portions: []scaling.Portion{
		share("white", "60", takes(2, "98.5"), fragrance()),
		share("blue", "40", takes(2, "98"), fragrance(), material("Mica", "0.5")),
		inner("base", material("Bicarbonate", "65"), material("Citric acid", "35"), asNeeded("Witch hazel", "5", "20")),
	}}
}

// target makes a short form of a plan's line, for tables that are read across.
type target struct {
	TargetG, LowG, HighG string
	Finer, Over          bool
}

func short(plan scaling.Plan) []target {
	var out []target
	for _, l := range plan.Lines {
		s := target{Finer: l.NeedsFinerScale, Over: l.OverLimit}
		if l.AsNeeded {
			s.LowG, s.HighG = l.LowG.String(), l.HighG.String()
		} else {
			s.TargetG = l.TargetG.String()
		}
		out = append(out, s)
	}
	return out
}

func TestAFormulaIsScaledToWhatTheScaleShows(t *testing.T) {
	t.Parallel()
	tests := []struct {
		name                        string
		formula                     scaling.Formula
		batch, readability, minLoad string
		want                        []target
		wantBatch                   string
		wantPortions                []string
	}{
		{
			// White 990: base 975.15, fragrance 14.85, both halves up, so 0.1 too much comes off the base. Blue 660 is
			// exact. Base 975.1 + 646.8 = 1621.9: 1054.235 and 567.665. As needed 1.65 × 5 = 8.25 and × 20 = 33.
			name: "two colours of one base", formula: fizz(""), batch: "1650", readability: "0.1", minLoad: "5",
			want: []target{{TargetG: "975.1"}, {TargetG: "14.9"},
				{TargetG: "646.8"}, {TargetG: "9.9"}, {TargetG: "3.3", Finer: true},
				{TargetG: "1054.2"}, {TargetG: "567.7"}, {LowG: "8.3", HighG: "33"}},
			wantBatch: "1650", wantPortions: []string{"990", "660", "1621.9"},
		},
		{
			// The same with 1.5 % of 1650 = 24.75 g allowed in all: 14.9 + 9.9 = 24.8 would be over, so 14.85 goes down.
			name: "a limit counts for all portions together", formula: fizz("1.5"), batch: "1650", readability: "0.1",
			minLoad: "0",
			want: []target{{TargetG: "975.2"}, {TargetG: "14.8"},
				{TargetG: "646.8"}, {TargetG: "9.9"}, {TargetG: "3.3"},
				{TargetG: "1054.3"}, {TargetG: "567.7"}, {LowG: "8.3", HighG: "33"}},
			wantBatch: "1650", wantPortions: []string{"990", "660", "1622"},
		},
		{
			// Base 983: 638.95 and 344.05 go up, and the larger gives the 0.1 back.
			name: "a formula over its limit is scaled and says so", formula: fizz("1.4"), batch: "1000", readability: "0.1",
			minLoad: "0",
			want: []target{{TargetG: "591"}, {TargetG: "9", Over: true},
				{TargetG: "392"}, {TargetG: "6", Over: true}, {TargetG: "2"},
				{TargetG: "638.9"}, {TargetG: "344.1"}, {LowG: "5", HighG: "20"}},
			wantBatch: "1000", wantPortions: []string{"600", "400", "983"},
		},
		{
			// Thirds of 100 at 5 g: 35 + 35 + 35 is 5 too much, off the first of the largest.
			name: "a coarse scale", formula: only(material("a", "33.3334"), material("b", "33.3333"), material("c", "33.3333")),
			batch: "100", readability: "5", minLoad: "0",
			want:      []target{{TargetG: "30", Finer: true}, {TargetG: "35", Finer: true}, {TargetG: "35", Finer: true}},
			wantBatch: "100", wantPortions: []string{"100"},
		},
		{
			name: "a batch between two readabilities is rounded", formula: only(material("a", "100")),
			batch: "1000.3", readability: "0.5", minLoad: "0",
			want: []target{{TargetG: "1000.5"}}, wantBatch: "1000.5", wantPortions: []string{"1000.5"},
		},
		{
			// 20 lines of half a gram each, rounded up to one: ten too many. No line goes below nothing.
			name: "a batch far too small", formula: only(twentieths()...), batch: "10", readability: "1", minLoad: "0",
			want: append(repeat(target{TargetG: "0", Finer: true}, 10), repeat(target{TargetG: "1", Finer: true}, 10)...),

			wantBatch: "10", wantPortions: []string{"10"},
		},
		{
			// 6.6 would go up to 7, over 60 % of 11; 4.29 and 0.11 go down; the gram left goes to the next largest.
			name:    "what is left passes by a line at its limit",
			formula: only(limited("a", "60", "60"), material("b", "39"), material("c", "1")),
			batch:   "11", readability: "1", minLoad: "0",
			want:      []target{{TargetG: "6", Finer: true}, {TargetG: "5", Finer: true}, {TargetG: "0", Finer: true}},
			wantBatch: "11", wantPortions: []string{"11"},
		},
		{
			// 1.5 % of 333 is 4.995: the portion would be 5 and its one line with it, over its limit.
			name: "a portion at its limit leaves the gram to another",
			formula: scaling.Formula{Portions: []scaling.Portion{
				share("soap", "98.5", material("Base", "100")), share("preservative", "1.5", limited("P", "100", "1.5"))}},
			batch: "333", readability: "1", minLoad: "0",
			want:      []target{{TargetG: "329"}, {TargetG: "4", Finer: true}},
			wantBatch: "333", wantPortions: []string{"329", "4"},
		},
		{
			// The same limit two portions down: the line that takes from the full inner portion is held down with it.
			name: "a full inner portion holds down what takes from it",
			formula: scaling.Formula{Portions: []scaling.Portion{
				share("soap", "100", takes(1, "1.5"), material("Base", "98.5")), inner("mix", limited("P", "100", "1.5"))}},
			batch: "333", readability: "1", minLoad: "0",
			want:      []target{{TargetG: "4", Finer: true}, {TargetG: "329"}, {TargetG: "4", Finer: true}},
			wantBatch: "333", wantPortions: []string{"333", "4"},
		},
		{
			// Half of 5 g each, both at their limit: no whole grams keep both limits and the sum. The sum stands.
			name: "where all are at their limits the sum stands", formula: only(limited("a", "50", "50"), limited("b", "50", "50")),
			batch: "5", readability: "1", minLoad: "0",
			want:      []target{{TargetG: "3", Finer: true, Over: true}, {TargetG: "2", Finer: true}},
			wantBatch: "5", wantPortions: []string{"5"},
		},
		{
			// As needed up to 2 of 100 g, allowed 1.25 % of 60 g = 0.75: the formula is over; allowed 2 % = 1.2 it is not,
			// and 1.2 of whole halves is 1.
			name: "an as-needed amount has a limit too",
			formula: func() scaling.Formula {
				over, held := asNeeded("over", "0", "2"), asNeeded("held", "1", "2")
				over.MaxPct, held.MaxPct = limit("1.25"), limit("2")
				f := only(material("a", "100"), over, held)
				f.NominalG = d("100")
				return f
			}(),
			batch: "60", readability: "0.5", minLoad: "0",
			want: []target{{TargetG: "60"}, {LowG: "0", HighG: "1", Finer: true, Over: true},
				{LowG: "0.5", HighG: "1", Finer: true}},
			wantBatch: "60", wantPortions: []string{"60"},
		},
		{
			// By weight: 750 and 250 of 1000 in lines of 500, 250 and 250; an inner portion's weights are proportions,
			// 30 to 10, of the 25 it is taken for at double the batch.
			name: "by weight",
			formula: scaling.Formula{NominalG: d("1000"), Portions: []scaling.Portion{
				{Basis: scaling.Weight, Amount: d("750"), Lines: []scaling.Line{weighed("a", "500"), weighed("b", "250")}},
				{Basis: scaling.Weight, Amount: d("250"), Lines: []scaling.Line{weighed("c", "237.5"),
					{Kind: scaling.KindPortion, Portion: 2, Basis: scaling.Weight, Amount: d("12.5")}}},
				inner("paste", weighed("Glycerin", "30"), weighed("Mica", "10")),
			}},
			batch: "2000", readability: "0.01", minLoad: "0",
			want: []target{{TargetG: "1000"}, {TargetG: "500"}, {TargetG: "475"}, {TargetG: "25"},
				{TargetG: "18.75"}, {TargetG: "6.25"}},
			wantBatch: "2000", wantPortions: []string{"1500", "500", "25"},
		},
		{
			name: "twenty readabilities are enough, and the minimum load itself", formula: only(material("a", "98"), material("b", "2")),
			batch: "100", readability: "0.1", minLoad: "2",
			want: []target{{TargetG: "98"}, {TargetG: "2"}}, wantBatch: "100", wantPortions: []string{"100"},
		},
	}
	for _, tc := range tests {
		t.Run(tc.name, func(t *testing.T) {
			t.Parallel()
			got, err := scaling.PlanFor(tc.formula, d(tc.batch),
				scaling.Scale{ReadabilityG: d(tc.readability), MinLoadG: d(tc.minLoad)})
			if err != nil {
				t.Fatal(err)
			}
			if diff := cmp.Diff(tc.want, short(got)); diff != "" {
				t.Errorf("lines (-want +got):\n%s", diff)
			}
			if got.BatchG.String() != tc.wantBatch {
				t.Errorf("batch of %s g, want %s", got.BatchG, tc.wantBatch)
			}
			var portions []string
			for _, g := range got.PortionG {
				portions = append(portions, g.String())
			}
			if diff := cmp.Diff(tc.wantPortions, portions); diff != "" {
				t.Errorf("portions (-want +got):\n%s", diff)
			}
		})
	}
}

func twentieths() []scaling.Line {
	var lines []scaling.Line
	for range 20 {
		lines = append(lines, material("", "5"))
	}
	return lines
}

func repeat(t target, n int) []target {
	var out []target
	for range n {
		out = append(out, t)
	}
	return out
}

func TestTargetsSayWhichLineTheyAreOf(t *testing.T) {
	t.Parallel()
	plan, err := scaling.PlanFor(fizz(""), d("1000"), scaling.Scale{ReadabilityG: d("1")})
	if err != nil {
		t.Fatal(err)
	}
	var got [][2]int
	for _, l := range plan.Lines {
		got = append(got, [2]int{l.Portion, l.Line})
	}
	want := [][2]int{{0, 0}, {0, 1}, {1, 0}, {1, 1}, {1, 2}, {2, 0}, {2, 1}, {2, 2}}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
}

func TestABatchOrScaleThatCannotBeIsRefused(t *testing.T) {
	t.Parallel()
	tests := []struct {
		name                        string
		batch, readability, minLoad string
		want                        []string
	}{
		{"nothing", "0", "0.1", "0", []string{"batch"}},
		{"less than nothing", "-5", "0.1", "0", []string{"batch"}},
		{"less than the scale shows", "2.4", "5", "0", []string{"batch"}},
		{"more than can be counted", "1e15", "0.001", "0", []string{"batch"}},
		{"no readability", "100", "0", "0", []string{"readability"}},
		{"all at once", "0", "-1", "-1", []string{"batch", "min_load", "readability"}},
	}
	for _, tc := range tests {
		t.Run(tc.name, func(t *testing.T) {
			t.Parallel()
			_, err := scaling.PlanFor(fizz(""), d(tc.batch),
				scaling.Scale{ReadabilityG: d(tc.readability), MinLoadG: d(tc.minLoad)})
			if err == nil {
				t.Fatal("was planned")
			}
			if diff := cmp.Diff(tc.want, fault.As(err).Names()); diff != "" {
				t.Errorf("(-want +got):\n%s", diff)
			}
		})
	}
}

func TestAFormulaAtFaultIsNotScaled(t *testing.T) {
	t.Parallel()
	_, err := scaling.PlanFor(only(material("a", "99")), d("100"), scaling.Scale{ReadabilityG: d("1")})
	if err == nil || fault.As(err).Of("portions.0.lines") == "" {
		t.Errorf("got %v", err)
	}
}

func TestABatchIsMadeForUnitsAndItsLoss(t *testing.T) {
	t.Parallel()
	tests := []struct {
		name       string
		units      int
		fill, loss string
		want       string
	}{
		{"no loss", 10, "165", "0", "1650"},
		{"a twentieth is lost", 19, "100", "5", "2000"},
		{"rounded up at the fourth decimal", 10, "100", "7", "1075.2689"}, // 1000 / 0.93 = 1075.26881…
		{"no units", 0, "100", "5", "0"},
		{"no fill", 10, "0", "5", "0"},
		{"all is lost", 10, "100", "100", "0"},
		{"a loss below nothing", 10, "100", "-1", "0"},
	}
	for _, tc := range tests {
		t.Run(tc.name, func(t *testing.T) {
			t.Parallel()
			if diff := cmp.Diff(d(tc.want), scaling.BatchFor(tc.units, d(tc.fill), d(tc.loss))); diff != "" {
				t.Errorf("(-want +got):\n%s", diff)
			}
		})
	}
}

func TestUnitsAreWholeOnes(t *testing.T) {
	t.Parallel()
	tests := []struct {
		name              string
		batch, fill, loss string
		want              int
	}{
		{"exactly", "2000", "100", "5", 19},
		{"a hair short", "1999.9999", "100", "5", 18},
		{"less than one", "99", "100", "0", 0},
		{"no batch", "0", "100", "0", 0},
		{"no fill", "1000", "0", "0", 0},
		{"all is lost", "1000", "100", "100", 0},
	}
	for _, tc := range tests {
		t.Run(tc.name, func(t *testing.T) {
			t.Parallel()
			if got := scaling.UnitsFor(d(tc.batch), d(tc.fill), d(tc.loss)); got != tc.want {
				t.Errorf("got %d, want %d", got, tc.want)
			}
		})
	}
}

func TestABatchForUnitsGivesThoseUnits(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		units := rapid.IntRange(1, 100_000).Draw(t, "units")
		fill := decimal.New(rapid.Int64Range(10, 5_000_00).Draw(t, "fill in hundredths"), -2)
		loss := decimal.New(rapid.Int64Range(0, 99_99).Draw(t, "loss in hundredths"), -2)
		if got := scaling.UnitsFor(scaling.BatchFor(units, fill, loss), fill, loss); got != units {
			t.Fatalf("%d units of %s g at %s %% loss became %d", units, fill, loss, got)
		}
	})
}

func TestTheRestOfAPortionFollowsAMisweighing(t *testing.T) {
	t.Parallel()
	factor := scaling.FactorAfter(d("660"), d("600"))
	if diff := cmp.Diff(d("1.1"), factor); diff != "" {
		t.Fatalf("factor (-want +got):\n%s", diff)
	}
	if diff := cmp.Diff(d("0.3333333333333333"), scaling.FactorAfter(d("1"), d("3"))); diff != "" {
		t.Errorf("a third (-want +got):\n%s", diff)
	}
	if diff := cmp.Diff(d("1"), scaling.FactorAfter(d("5"), d("0"))); diff != "" {
		t.Errorf("no target (-want +got):\n%s", diff)
	}
	rest := []decimal.Decimal{d("350"), d("14.9"), d("0.5")}
	got := scaling.Rescale(rest, factor, d("0.1"))
	want := []decimal.Decimal{d("385"), d("16.4"), d("0.6")} // 16.39 and 0.55
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
	unrounded := scaling.Rescale(rest, factor, decimal.Zero)
	if diff := cmp.Diff([]decimal.Decimal{d("385"), d("16.39"), d("0.55")}, unrounded); diff != "" {
		t.Errorf("without a readability (-want +got):\n%s", diff)
	}
	if diff := cmp.Diff([]decimal.Decimal{d("350"), d("14.9"), d("0.5")}, rest); diff != "" {
		t.Errorf("the targets given were changed (-want +got):\n%s", diff)
	}
	if got := scaling.Rescale(nil, factor, d("0.1")); !cmp.Equal(got, []decimal.Decimal{}, cmpopts.EquateEmpty()) {
		t.Errorf("nothing became %v", got)
	}
}
