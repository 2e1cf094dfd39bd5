package yield_test

import (
	"testing"

	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/yield"
	"github.com/google/go-cmp/cmp"
	"github.com/shopspring/decimal"
	"pgregory.net/rapid"
)

func d(s string) decimal.Decimal { return decimal.RequireFromString(s) }

func known(s string) decimal.NullDecimal { return decimal.NewNullDecimal(d(s)) }

func TestTheoreticalUnitsAreExactAndShownToOneDecimal(t *testing.T) {
	t.Parallel()
	tests := []struct {
		name                string
		weighed, loss, fill string
		want, shown         string
	}{
		{"no loss", "1650", "0", "165", "10", "10.0"},
		{"a twentieth is lost", "2000", "5", "100", "19", "19.0"},
		{"part of a unit", "1000", "0", "150", "6.6666666666666667", "6.7"},
		{"all is lost", "1000", "100", "150", "0", "0.0"},
		{"nothing weighed", "0", "5", "100", "0", "0.0"},
		{"no fill", "1000", "5", "0", "0", "0.0"},
		{"a loss below nothing", "1000", "-5", "100", "0", "0.0"},
		{"a loss above all", "1000", "101", "100", "0", "0.0"},
	}
	for _, tc := range tests {
		t.Run(tc.name, func(t *testing.T) {
			t.Parallel()
			got := yield.Theoretical(d(tc.weighed), d(tc.loss), d(tc.fill))
			if diff := cmp.Diff(d(tc.want), got); diff != "" {
				t.Errorf("(-want +got):\n%s", diff)
			}
			if shown := yield.Shown(got); shown != tc.shown {
				t.Errorf("shown as %q, want %q", shown, tc.shown)
			}
		})
	}
}

func TestYieldIsGoodUnitsInPercentOfTheoretical(t *testing.T) {
	t.Parallel()
	tests := []struct {
		name        string
		good        int
		theoretical string
		want        decimal.NullDecimal
	}{
		{"all", 10, "10", known("100")},
		{"a third", 1, "3", known("33.3333")},
		{"more than there should be", 11, "10", known("110")},
		{"none", 0, "10", known("0")},
		{"nothing could be made", 0, "0", decimal.NullDecimal{}},
	}
	for _, tc := range tests {
		t.Run(tc.name, func(t *testing.T) {
			t.Parallel()
			if diff := cmp.Diff(tc.want, yield.PercentOf(tc.good, d(tc.theoretical))); diff != "" {
				t.Errorf("(-want +got):\n%s", diff)
			}
		})
	}
}

// Common practice, no source: ten pressed, nine saleable and a light one kept back is a batch in order.
func TestTenPressedNineSaleableAndALightOneKeptBackReconcile(t *testing.T) {
	t.Parallel()
	b, err := yield.Reconcile(yield.Input{
		WeighedG: d("1680"), ExpectedLossPct: d("0.5"), LimitPct: d("1"),
		Good:     []yield.Units{{Name: "for sale", Count: 9, MeanG: known("167.9"), NominalG: known("167.5")}},
		Retained: []yield.Units{{Name: "kept back", Count: 1, MassG: known("160.2"), NominalG: known("167.5")}},
	})
	if err != nil {
		t.Fatal(err)
	}
	// 9 × 167.9 = 1511.1; 0.5 % of 1680 = 8.4; 1680 − 1511.1 − 160.2 − 8.4 = 0.3.
	want := yield.Balance{
		InG: d("1680"), GoodG: d("1511.1"), RejectedG: d("0"), RetainedG: d("160.2"), LeftOverG: d("0"), LossG: d("8.4"),
		UnexplainedG: d("0.3"), UnexplainedPct: d("0.0179"),
		Lines: []yield.Part{
			{Name: "for sale", Grams: d("1511.1"), Words: "9 × 167.9 g, the mean weight at that stage"},
			{Name: "kept back", Grams: d("160.2"), Words: "160.2 g weighed together", Measured: true},
			{Name: "loss", Grams: d("8.4"), Words: "0.5 % of 1\u202f680 g as the formula expects, not measured"},
		},
	}
	if diff := cmp.Diff(want, b); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
	counts := yield.Counts{Made: 10, Good: 9, Retained: 1}
	if counts.Missing() != 0 || counts.Words() != "10 made: 9 good, 1 kept back" {
		t.Errorf("%d missing: %q", counts.Missing(), counts.Words())
	}
	theoretical := yield.Theoretical(d("1680"), d("0.5"), d("167.5")) // 1671.6 / 167.5 = 9.97970…
	if got := yield.Shown(theoretical); got != "10.0" {
		t.Errorf("theoretically %s", got)
	}
	if diff := cmp.Diff(known("90.1831"), yield.PercentOf(9, theoretical)); diff != "" {
		t.Errorf("yield (-want +got):\n%s", diff)
	}
}

// loaf is 5000 g of soap: bars, guest bars, two rejected wet at cutting, crumbs, one kept back and an end left over.
func loaf() yield.Input {
	return yield.Input{
		WeighedG: d("5000"), ExpectedLossPct: d("10"), LimitPct: d("2"), LossMeasuredG: known("480"),
		Good: []yield.Units{
			{Name: "bars", Count: 30, MassG: known("3015.5"), MeanG: known("100.4"), NominalG: known("100")},
			{Name: "guest bars", Count: 20, NominalG: known("50")},
		},
		Rejected: []yield.Units{
			{Name: "rejected at cutting", Count: 2, MeanG: known("112.25"), NominalG: known("100")},
			{Name: "rejected at the end of the cure", Count: 0},
			{Name: "crumbs", Count: 0, MassG: known("20")},
		},
		Retained:  []yield.Units{{Name: "kept back", Count: 1, MeanG: known("100.4")}},
		LeftOverG: d("60"),
	}
}

func TestMassOutIsTheBestKnownOfEachStage(t *testing.T) {
	t.Parallel()
	b, err := yield.Reconcile(loaf())
	if err != nil {
		t.Fatal(err)
	}
	// 3015.5 + 1000; 224.5 + 20; 100.4; 60; 480. Out 4900.4 of 5000.
	want := yield.Balance{
		InG: d("5000"), GoodG: d("4015.5"), RejectedG: d("244.5"), RetainedG: d("100.4"), LeftOverG: d("60"), LossG: d("480"),
		UnexplainedG: d("99.6"), UnexplainedPct: d("1.992"), Over: false,
		Lines: []yield.Part{
			{Name: "bars", Grams: d("3015.5"), Words: "3\u202f015.5 g weighed together", Measured: true},
			{Name: "guest bars", Grams: d("1000"), Words: "20 × 50 g, the nominal fill, none was weighed"},
			{Name: "rejected at cutting", Grams: d("224.5"), Words: "2 × 112.25 g, the mean weight at that stage"},
			{Name: "rejected at the end of the cure", Grams: d("0"), Words: "none"},
			{Name: "crumbs", Grams: d("20"), Words: "20 g weighed together", Measured: true},
			{Name: "kept back", Grams: d("100.4"), Words: "1 × 100.4 g, the mean weight at that stage"},
			{Name: "left over", Grams: d("60"), Words: "60 g weighed", Measured: true},
			{Name: "loss", Grams: d("480"), Words: "480 g measured", Measured: true},
		},
	}
	if diff := cmp.Diff(want, b); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
}

func TestADifferenceBeyondTheLimitIsOverEitherWay(t *testing.T) {
	t.Parallel()
	tests := []struct {
		name   string
		change func(in *yield.Input)
		over   bool
		words  string
	}{
		{"within", func(*yield.Input) {}, false, "99.6 g are missing, 1.992 % of what went in."},
		{"at the limit", func(in *yield.Input) { in.LeftOverG = d("59.6") }, false,
			"100 g are missing, 2 % of what went in."},
		{"a hair beyond, though four places do not show it", func(in *yield.Input) { in.LeftOverG = d("59.599") }, true,
			"100.001 g are missing, 2 % of what went in."},
		{"more out than in", func(in *yield.Input) { in.LeftOverG = d("400") }, true,
			"240.4 g more came out than went in, 4.808 % of what went in."},
		{"nothing unexplained", func(in *yield.Input) { in.LeftOverG = d("159.6") }, false,
			"What came out is what went in."},
		{"no limit set is a limit of nothing", func(in *yield.Input) { in.LimitPct = decimal.Zero }, true,
			"99.6 g are missing, 1.992 % of what went in."},
		{"the loss expected where none was measured", func(in *yield.Input) { in.LossMeasuredG = decimal.NullDecimal{} }, false,
			"79.6 g are missing, 1.592 % of what went in."},
		{"a loss measured as nothing is not the expected one", func(in *yield.Input) { in.LossMeasuredG = known("0") }, true,
			"579.6 g are missing, 11.592 % of what went in."},
	}
	for _, tc := range tests {
		t.Run(tc.name, func(t *testing.T) {
			t.Parallel()
			in := loaf()
			tc.change(&in)
			b, err := yield.Reconcile(in)
			if err != nil {
				t.Fatal(err)
			}
			if b.Over != tc.over || b.Words() != tc.words {
				t.Errorf("over %v, %q; want %v, %q", b.Over, b.Words(), tc.over, tc.words)
			}
		})
	}
}

func TestAllThatCannotBeReconciledIsTold(t *testing.T) {
	t.Parallel()
	tests := []struct {
		name string
		in   yield.Input
		want []string
	}{
		{"nothing went in", yield.Input{}, []string{"weighed"}},
		{"figures below nothing", yield.Input{WeighedG: d("-1"), ExpectedLossPct: d("-1"), LimitPct: d("-1"),
			LossMeasuredG: known("-1"), LeftOverG: d("-1"), DryingG: d("-1")},
			[]string{"drying", "left_over", "limit", "loss", "loss_measured", "weighed"}},
		{"a loss above all", yield.Input{WeighedG: d("1"), ExpectedLossPct: d("100.1")}, []string{"loss"}},
		{"units of unknown weight", yield.Input{WeighedG: d("1"), Good: []yield.Units{{Count: 1}},
			Rejected: []yield.Units{{Count: 0}, {Count: 2}}, Retained: []yield.Units{{Count: 3}}},
			[]string{"good.0.nominal", "rejected.1.nominal", "retained.0.nominal"}},
		{"units that cannot be", yield.Input{WeighedG: d("1"),
			Good: []yield.Units{{Count: -1, MassG: known("-1"), MeanG: known("0"), NominalG: known("0")}}},
			[]string{"good.0.count", "good.0.mass", "good.0.mean", "good.0.nominal"}},
	}
	for _, tc := range tests {
		t.Run(tc.name, func(t *testing.T) {
			t.Parallel()
			_, err := yield.Reconcile(tc.in)
			if err == nil {
				t.Fatal("was reconciled")
			}
			if diff := cmp.Diff(tc.want, fault.As(err).Names()); diff != "" {
				t.Errorf("(-want +got):\n%s", diff)
			}
		})
	}
}

func TestABalanceLosesNothing(t *testing.T) {
	t.Parallel()
	mass := func(t *rapid.T) decimal.Decimal { return decimal.New(rapid.Int64Range(1, 100_000).Draw(t, "mass"), -2) }
	maybe := func(t *rapid.T) decimal.NullDecimal {
		if rapid.Bool().Draw(t, "known") {
			return decimal.NewNullDecimal(mass(t))
		}
		return decimal.NullDecimal{}
	}
	units := rapid.Custom(func(t *rapid.T) yield.Units {
		return yield.Units{Count: rapid.IntRange(0, 200).Draw(t, "count"), MassG: maybe(t), MeanG: maybe(t),
			NominalG: decimal.NewNullDecimal(mass(t))}
	})
	rapid.Check(t, func(t *rapid.T) {
		in := yield.Input{
			WeighedG: mass(t), ExpectedLossPct: decimal.New(rapid.Int64Range(0, 10_000).Draw(t, "loss"), -2),
			LossMeasuredG: maybe(t), LimitPct: d("2"), LeftOverG: mass(t), DryingG: mass(t),
			Good:     rapid.SliceOfN(units, 0, 3).Draw(t, "good"),
			Rejected: rapid.SliceOfN(units, 0, 3).Draw(t, "rejected"),
			Retained: rapid.SliceOfN(units, 0, 3).Draw(t, "retained"),
		}
		b, err := yield.Reconcile(in)
		if err != nil {
			t.Fatal(err)
		}
		byFate := decimal.Sum(b.GoodG, b.RejectedG, b.RetainedG, b.LeftOverG, b.LossG, b.DryingG)
		byLine := decimal.Zero
		for _, l := range b.Lines {
			byLine = byLine.Add(l.Grams)
			if l.Words == "" {
				t.Fatalf("%+v does not say how it is known", l)
			}
		}
		if !byFate.Equal(byLine) || !byFate.Add(b.UnexplainedG).Equal(b.InG) {
			t.Fatalf("%s g in; by fate %s, by line %s, unexplained %s", b.InG, byFate, byLine, b.UnexplainedG)
		}
	})
}

func TestEachUnitMadeHasOneFate(t *testing.T) {
	t.Parallel()
	tests := []struct {
		name    string
		counts  yield.Counts
		missing int
		words   string
	}{
		{"all good", yield.Counts{Made: 10, Good: 10}, 0, "10 made: 10 good"},
		{"each fate", yield.Counts{Made: 44, Good: 40, Rejected: 3, Retained: 1}, 0,
			"44 made: 40 good, 3 rejected, 1 kept back"},
		{"one gone", yield.Counts{Made: 10, Good: 9}, 1, "10 made: 9 good, 1 not accounted for"},
		{"one too many", yield.Counts{Made: 10, Good: 9, Retained: 2}, -1, "10 made: 9 good, 2 kept back, 1 too many"},
		{"some left over", yield.Counts{Made: 10, Good: 5, LeftOver: 5}, 0, "10 made: 5 good, about 5 left over"},
		{"none", yield.Counts{}, 0, "none made"},
	}
	for _, tc := range tests {
		t.Run(tc.name, func(t *testing.T) {
			t.Parallel()
			if tc.counts.Missing() != tc.missing || tc.counts.Words() != tc.words {
				t.Errorf("%d missing, %q; want %d, %q", tc.counts.Missing(), tc.counts.Words(), tc.missing, tc.words)
			}
		})
	}
}

func TestPackagingIssuedIsUsedSpoiledOrReturned(t *testing.T) {
	t.Parallel()
	tests := []struct {
		name                            string
		issued, used, spoiled, returned string
		missing, words                  string
	}{
		{"in order", "25", "20", "2", "3", "0", "25 handed out = 20 used + 2 spoiled + 3 put back"},
		{"labels gone", "25", "20", "2", "1", "2", "25 handed out, 20 used + 2 spoiled + 1 put back; 2 not accounted for"},
		{"labels from nowhere", "25", "26", "0", "0", "-1",
			"25 handed out, 26 used + 0 spoiled + 0 put back; 1 more than were handed out"},
		{"ribbon by the metre", "10.5", "9.25", "0.25", "1", "0", "10.5 handed out = 9.25 used + 0.25 spoiled + 1 put back"},
	}
	for _, tc := range tests {
		t.Run(tc.name, func(t *testing.T) {
			t.Parallel()
			p := yield.Packaging{Issued: d(tc.issued), Used: d(tc.used), Spoiled: d(tc.spoiled), Returned: d(tc.returned)}
			if diff := cmp.Diff(d(tc.missing), p.Missing()); diff != "" {
				t.Errorf("missing (-want +got):\n%s", diff)
			}
			if diff := cmp.Diff(tc.words, p.Words()); diff != "" {
				t.Errorf("words (-want +got):\n%s", diff)
			}
		})
	}
}
