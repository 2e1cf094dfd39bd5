package cure_test

import (
	"encoding/json"
	"math"
	"os"
	"testing"

	"example.org/stillroom/internal/cure"
	"example.org/stillroom/internal/fault"
	"pgregory.net/rapid"
)

type firstOrder struct {
	BoxBOD struct {
		Days []float64 `json:"days"`
		Y    []float64 `json:"y"`
		B1   float64   `json:"b1"`
		B2   float64   `json:"b2"`
		RSS  float64   `json:"rss"`
	} `json:"boxbod"`
	NoiseFree struct {
		Days         []float64 `json:"days"`
		LossG        []float64 `json:"loss_g"`
		M0G          float64   `json:"m0_g"`
		LimitG       float64   `json:"limit_g"`
		KPerDay      float64   `json:"k_per_day"`
		HalfLifeDays float64   `json:"half_life_days"`
		DaysTo95     float64   `json:"days_to_95_pct"`
	} `json:"noise_free"`
}

func readFirstOrder(t *testing.T) firstOrder {
	t.Helper()
	raw, err := os.ReadFile("../../testdata/cure/first-order.json")
	if err != nil {
		t.Fatal(err)
	}
	var v firstOrder
	if err := json.Unmarshal(raw, &v); err != nil {
		t.Fatal(err)
	}
	if len(v.BoxBOD.Days) != 6 || len(v.NoiseFree.Days) != 5 {
		t.Fatalf("testdata is not what it was: %+v", v)
	}
	return v
}

// near compares to a part of want.
func near(t *testing.T, what string, got, want, part float64) {
	t.Helper()
	if !(math.Abs(got-want) <= part*math.Abs(want)) {
		t.Errorf("%s: got %.12g, want %.12g within %g of it", what, got, want, part)
	}
}

func TestFitLossMeetsTheCertifiedValuesOfBoxBOD(t *testing.T) {
	t.Parallel()
	v := readFirstOrder(t).BoxBOD
	c, err := cure.FitLoss(v.Days, v.Y)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "b1", c.WInf, v.B1, 1e-7)
	near(t, "b2", c.K, v.B2, 1e-7)
	near(t, "residual sum of squares", c.RSS, v.RSS, 1e-9)
	near(t, "half-life", c.HalfLifeDays, math.Ln2/v.B2, 1e-7)
	if c.W0 != 0 {
		t.Errorf("a loss begins at nothing, not at %v", c.W0)
	}
}

func TestThreeFreeParametersComeNearerToBoxBODThanTwo(t *testing.T) {
	t.Parallel()
	v := readFirstOrder(t).BoxBOD
	c, err := cure.Fit(v.Days, v.Y)
	if err != nil {
		t.Fatal(err)
	}
	if !(c.RSS < v.RSS) {
		t.Errorf("residual sum of squares %v is not below the certified %v of two parameters", c.RSS, v.RSS)
	}
	var rss float64
	for i, d := range v.Days {
		rss += (v.Y[i] - c.At(d)) * (v.Y[i] - c.At(d))
	}
	near(t, "RSS by At", rss, c.RSS, 1e-9)
	// A floor of the valley: no small step in any parameter comes nearer.
	for _, step := range []float64{-1e-3, 1e-3} {
		for name, other := range map[string]cure.Curve{
			"W0":   {W0: c.W0 + step*50, WInf: c.WInf, K: c.K},
			"WInf": {W0: c.W0, WInf: c.WInf + step*200, K: c.K},
			"K":    {W0: c.W0, WInf: c.WInf, K: c.K * (1 + step)},
		} {
			var moved float64
			for i, d := range v.Days {
				moved += (v.Y[i] - other.At(d)) * (v.Y[i] - other.At(d))
			}
			if moved < c.RSS {
				t.Errorf("%s moved by %v comes nearer: %v < %v", name, step, moved, c.RSS)
			}
		}
	}
}

func TestTheNoiseFreeCureIsFoundAgain(t *testing.T) {
	t.Parallel()
	v := readFirstOrder(t).NoiseFree
	grams := make([]float64, len(v.LossG))
	for i, loss := range v.LossG {
		grams[i] = v.M0G - loss
	}
	weights, err := cure.Fit(v.Days, grams)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "w0", weights.W0, v.M0G, 1e-4)
	near(t, "w∞", weights.WInf, v.M0G-v.LimitG, 1e-4)
	loss, err := cure.FitLoss(v.Days, v.LossG)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "loss in the end", loss.WInf, v.LimitG, 1e-3)
	for name, c := range map[string]cure.Curve{"weights": weights, "loss": loss} {
		near(t, name+": k", c.K, v.KPerDay, 1e-3)
		near(t, name+": half-life", c.HalfLifeDays, v.HalfLifeDays, 1e-3)
		near(t, name+": days to 95 %", c.DaysTo(0.95), v.DaysTo95, 2e-3)
	}
	for _, share := range []float64{-0.1, 1, 1.5, math.NaN()} {
		if d := weights.DaysTo(share); !math.IsNaN(d) {
			t.Errorf("a share of %v was reached after %v days", share, d)
		}
	}
}

func TestWeighingsThatTellNoCurveAreRefused(t *testing.T) {
	t.Parallel()
	nan, inf := math.NaN(), math.Inf(1)
	tests := []struct {
		name        string
		days, grams []float64
		fit         func(days, grams []float64) (cure.Curve, error)
	}{
		{"two weighings", []float64{0, 7}, []float64{100, 95}, cure.Fit},
		{"none", nil, nil, cure.Fit},
		{"a day without a weight", []float64{0, 7, 14}, []float64{100, 95}, cure.Fit},
		{"all the same", []float64{0, 7, 14}, []float64{100, 100, 100}, cure.Fit},
		{"a weight that is no number", []float64{0, 7, 14}, []float64{100, nan, 90}, cure.Fit},
		{"an endless day", []float64{0, 7, inf}, []float64{100, 95, 90}, cure.Fit},
		{"before the start", []float64{-1, 7, 14}, []float64{100, 95, 93}, cure.Fit},
		{"two days only", []float64{0, 7, 7}, []float64{100, 95, 95.1}, cure.Fit},
		{"nothing on the scale", []float64{0, 7, 14}, []float64{100, 50, 0}, cure.Fit},
		{"a straight line", []float64{0, 7, 14, 21}, []float64{100, 95, 90, 85}, cure.Fit},
		{"ever faster", []float64{0, 7, 14, 21}, []float64{100, 99, 97, 93}, cure.Fit},
		{"heading below nothing", []float64{0, 10, 20}, []float64{100, 60, 22}, cure.Fit},
		{"at rest by the second weighing", []float64{0, 7, 14, 21}, []float64{100, 90, 90, 90}, cure.Fit},
		{"loss: two weighings", []float64{7, 14}, []float64{5, 8}, cure.FitLoss},
		{"loss: one day after the start", []float64{0, 7, 7}, []float64{0, 5, 5.1}, cure.FitLoss},
		{"loss: none at all", []float64{0, 7, 14}, []float64{0, 0, 0}, cure.FitLoss},
		{"loss: a straight line", []float64{0, 7, 14, 21}, []float64{0, 5, 10, 15}, cure.FitLoss},
		{"loss: at rest by the first weighing", []float64{0, 7, 14, 21}, []float64{0, 9, 9, 9}, cure.FitLoss},
		{"loss: no number", []float64{0, 7, 14}, []float64{0, inf, 2}, cure.FitLoss},
	}
	for _, tc := range tests {
		t.Run(tc.name, func(t *testing.T) {
			t.Parallel()
			c, err := tc.fit(tc.days, tc.grams)
			if err == nil {
				t.Fatalf("gave %+v", c)
			}
			if f := fault.As(err); f == nil || f.Kind != fault.Invalid || f.Of(cure.FieldWeighings) == "" {
				t.Errorf("not an invalid fault beside the weighings: %v", err)
			}
		})
	}
}

func TestARefusalSaysWhichEndIsMissing(t *testing.T) {
	t.Parallel()
	_, early := cure.Fit([]float64{0, 7, 14, 21}, []float64{100, 95, 90, 85})
	_, late := cure.Fit([]float64{0, 7, 14, 21}, []float64{100, 90, 90, 90})
	const wantEarly = "The weight does not level off yet, so where it ends cannot be told. Weigh again later."
	const wantLate = "The weight had come to rest before the second weighing, so how fast it went cannot be told."
	if got := fault.As(early).Of(cure.FieldWeighings); got != wantEarly {
		t.Errorf("got %q", got)
	}
	if got := fault.As(late).Of(cure.FieldWeighings); got != wantLate {
		t.Errorf("got %q", got)
	}
}

func TestAnExactCureIsFoundAgainWhateverItsRate(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		want := cure.Curve{
			W0:   rapid.Float64Range(80, 2000).Draw(t, "w0"),
			K:    rapid.Float64Range(0.01, 1).Draw(t, "k"),
			WInf: 0,
		}
		want.WInf = want.W0 * rapid.Float64Range(0.5, 0.97).Draw(t, "kept")
		// From a part to many half-lives, begun on any day, in any order.
		gap := rapid.Float64Range(0.3, 2).Draw(t, "gap") / want.K
		first := rapid.Float64Range(0, 3).Draw(t, "first")
		days := make([]float64, rapid.IntRange(3, 12).Draw(t, "n"))
		for i := range days {
			days[i] = first + float64(i)*gap
		}
		days = rapid.Permutation(days).Draw(t, "days")
		grams := make([]float64, len(days))
		for i, d := range days {
			grams[i] = want.At(d)
		}
		got, err := cure.Fit(days, grams)
		if err != nil {
			t.Fatal(err)
		}
		for name, pair := range map[string][2]float64{
			"w0": {got.W0, want.W0}, "w∞": {got.WInf, want.WInf}, "k": {got.K, want.K},
		} {
			if math.Abs(pair[0]-pair[1]) > 1e-5*pair[1] {
				t.Errorf("%s: got %v, want %v", name, pair[0], pair[1])
			}
		}
	})
}

func TestAGainInWeightIsFittedToo(t *testing.T) {
	t.Parallel()
	want := cure.Curve{W0: 165, WInf: 171, K: 0.2}
	days := []float64{0, 1, 2, 5, 9}
	grams := make([]float64, len(days))
	for i, d := range days {
		grams[i] = want.At(d)
	}
	got, err := cure.Fit(days, grams)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "w0", got.W0, want.W0, 1e-7)
	near(t, "w∞", got.WInf, want.WInf, 1e-7)
	near(t, "k", got.K, want.K, 1e-5)
}
