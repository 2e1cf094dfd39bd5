package yield_test

import (
	"encoding/json"
	"os"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/shopspring/decimal"
	"pgregory.net/rapid"

	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/measure"
	"example.org/stillroom/internal/yield"
)

type stageVector struct {
	Name   string
	InG    decimal.Decimal `json:"in_g"`
	Stages []struct {
		Name     string
		MassG    decimal.NullDecimal `json:"mass_g"`
		Count    int
		MeanG    decimal.NullDecimal `json:"mean_g"`
		ExtraG   decimal.Decimal     `json:"extra_g"`
		LossG    decimal.Decimal     `json:"loss_g"`
		Parts    []unitsVector
		Rejected []unitsVector
	}
	Want         []stageWant
	UnexplainedG decimal.Decimal `json:"unexplained_g"`
}

type unitsVector struct {
	Count    int
	MassG    decimal.NullDecimal `json:"mass_g"`
	MeanG    decimal.NullDecimal `json:"mean_g"`
	NominalG decimal.NullDecimal `json:"nominal_g"`
}

type stageWant struct {
	Name         string
	Known        bool
	Measured     bool
	Grams        string
	LossG        string `json:"loss_g"`
	UnexplainedG string `json:"unexplained_g"`
	RejectedG    string `json:"rejected_g"`
	TheoreticalG string `json:"theoretical_g"`
	Pct          string
}

func units(list []unitsVector) (out []yield.Units) {
	for _, u := range list {
		out = append(out, yield.Units{Count: u.Count, MassG: u.MassG, MeanG: u.MeanG, NominalG: u.NominalG})
	}
	return out
}

func TestTheWorkedExamplesComeOutAsByHand(t *testing.T) {
	t.Parallel()
	data, err := os.ReadFile("../../testdata/yield/stages.json")
	if err != nil {
		t.Fatal(err)
	}
	var file struct{ Cases []stageVector }
	if err := json.Unmarshal(data, &file); err != nil {
		t.Fatal(err)
	}
	if len(file.Cases) == 0 {
		t.Fatal("there is no example to hold it to")
	}
	for _, tc := range file.Cases {
		t.Run(tc.Name, func(t *testing.T) {
			t.Parallel()
			var stages []yield.Stage
			for _, s := range tc.Stages {
				stages = append(stages, yield.Stage{Name: s.Name, MassG: s.MassG, Count: s.Count, MeanG: s.MeanG, ExtraG: s.ExtraG, LossG: s.LossG, Parts: units(s.Parts), Rejected: units(s.Rejected)})
			}
			lines, err := yield.ByStage(measure.Style{}, tc.InG, stages)
			if err != nil {
				t.Fatal(err)
			}
			var got []stageWant
			for _, l := range lines {
				pct := ""
				if l.Pct.Valid {
					pct = l.Pct.Decimal.String()
				}
				got = append(got, stageWant{l.Name, l.Known, l.Measured, l.Grams.String(), l.LossG.String(), l.UnexplainedG.String(), l.RejectedG.String(), l.TheoreticalG.String(), pct})
				if l.Words == "" {
					t.Errorf("%s does not say how its mass is known", l.Name)
				}
			}
			if diff := cmp.Diff(tc.Want, got); diff != "" {
				t.Errorf("(-want +got):\n%s", diff)
			}
			if diff := cmp.Diff(tc.UnexplainedG, yield.Unexplained(lines)); diff != "" {
				t.Errorf("unexplained (-want +got):\n%s", diff)
			}
		})
	}
}

func TestAStageSaysHowItsMassIsKnown(t *testing.T) {
	t.Parallel()
	for name, tc := range map[string]struct {
		stage yield.Stage
		want  string
	}{
		"weighed":           {yield.Stage{MassG: known("4930"), Count: 3, MeanG: known("1")}, "4\u202f930 g weighed together"},
		"counted":           {yield.Stage{Count: 42, MeanG: known("112.25")}, "42 × 112.25 g, the mean weight at that stage"},
		"counted, and more": {yield.Stage{Count: 42, MeanG: known("112"), ExtraG: d("210")}, "42 × 112 g, the mean weight at that stage, and 210 g left over"},
		"by fate":           {yield.Stage{Parts: []yield.Units{{MassG: known("1")}}}, "all that came out, by fate"},
		"counted only":      {yield.Stage{Count: 42}, "not weighed"},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			lines, err := yield.ByStage(measure.Style{}, d("5000"), []yield.Stage{tc.stage})
			if err != nil {
				t.Fatal(err)
			}
			if got := lines[1].Words; got != tc.want {
				t.Errorf("%q, want %q", got, tc.want)
			}
		})
	}
}

func TestStagesThatCannotBeAreTold(t *testing.T) {
	t.Parallel()
	_, err := yield.ByStage(measure.Style{}, d("0"), []yield.Stage{{LossG: d("-1")}, {Parts: []yield.Units{{Count: 2}}, Rejected: []yield.Units{{Count: -1}}}})
	if err == nil {
		t.Fatal("was followed")
	}
	if diff := cmp.Diff([]string{"stage.0.loss", "stage.1.parts.0.nominal", "stage.1.rejected.0.count", "weighed"}, fault.As(err).Names()); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
}

// Whatever is known of the stages between, nothing gets lost: the stages close, and what they leave unexplained together
// is what the balance of the same batch leaves.
func TestStagesCloseAndAgreeWithTheBalance(t *testing.T) {
	t.Parallel()
	mass := rapid.Custom(func(t *rapid.T) decimal.Decimal { return decimal.New(rapid.Int64Range(1, 100_000).Draw(t, "g"), -2) })
	maybe := rapid.Custom(func(t *rapid.T) decimal.NullDecimal {
		if rapid.Bool().Draw(t, "known") {
			return decimal.NewNullDecimal(mass.Draw(t, "mass"))
		}
		return decimal.NullDecimal{}
	})
	group := rapid.Custom(func(t *rapid.T) yield.Units {
		return yield.Units{Count: rapid.IntRange(0, 200).Draw(t, "count"), MassG: maybe.Draw(t, "together"), MeanG: maybe.Draw(t, "mean"), NominalG: decimal.NewNullDecimal(mass.Draw(t, "nominal"))}
	})
	rapid.Check(t, func(t *rapid.T) {
		in := yield.Input{WeighedG: mass.Draw(t, "in"), LossMeasuredG: decimal.NewNullDecimal(mass.Draw(t, "loss")), DryingG: mass.Draw(t, "drying"), LeftOverG: mass.Draw(t, "left"),
			Good: rapid.SliceOfN(group, 0, 3).Draw(t, "good"), Retained: rapid.SliceOfN(group, 0, 2).Draw(t, "retained")}
		var stages []yield.Stage
		for range rapid.IntRange(0, 3).Draw(t, "stages") {
			s := yield.Stage{MassG: maybe.Draw(t, "mass"), Count: rapid.IntRange(0, 60).Draw(t, "count"), MeanG: maybe.Draw(t, "mean"), Rejected: rapid.SliceOfN(group, 0, 2).Draw(t, "rejected")}
			in.Rejected, stages = append(in.Rejected, s.Rejected...), append(stages, s)
		}
		last := yield.Stage{Rejected: rapid.SliceOfN(group, 0, 2).Draw(t, "rejected at packing")}
		in.Rejected = append(in.Rejected, last.Rejected...)
		last.Parts = append(append(append([]yield.Units{{MassG: decimal.NewNullDecimal(in.LeftOverG)}}, in.Good...), in.Retained...), last.Rejected...)
		stages = append(stages, last)
		at := rapid.IntRange(0, len(stages)-1).Draw(t, "where the loss falls")
		stages[at].LossG = in.LossMeasuredG.Decimal
		dry := rapid.IntRange(0, len(stages)-1).Draw(t, "where it dries")
		stages[dry].LossG = stages[dry].LossG.Add(in.DryingG)

		lines, err := yield.ByStage(measure.Style{}, in.WeighedG, stages)
		if err != nil {
			t.Fatal(err)
		}
		sum := decimal.Zero
		for _, l := range lines {
			sum = sum.Add(l.RejectedG).Add(l.LossG).Add(l.UnexplainedG)
		}
		end := lines[len(lines)-1]
		if sum = sum.Add(end.Grams).Sub(end.RejectedG); !sum.Equal(in.WeighedG) {
			t.Fatalf("%s went in, %s came out", in.WeighedG, sum)
		}
		b, err := yield.Reconcile(in)
		if err != nil {
			t.Fatal(err)
		}
		if got := yield.Unexplained(lines); !got.Equal(b.UnexplainedG) {
			t.Fatalf("by stage %s unexplained, in the balance %s", got, b.UnexplainedG)
		}
	})
}

func TestAWindowOfWeightsIsForUnitsOfItsSize(t *testing.T) {
	t.Parallel()
	for _, tc := range []struct {
		name, unit, low, high string
		other                 bool
	}{
		{"the size it is meant for", "165", "160", "170", false},
		{"an overfill is weighed against", "100", "103", "108", false},
		{"a quarter below is the last of its size", "120", "160", "170", false},
		{"lighter than that is another size", "119.9", "160", "170", true},
		{"a third above is the last of its size", "40", "25", "30", false},
		{"heavier than that is another size", "40.1", "25", "30", true},
		{"no lowest", "50", "", "30", true},
		{"no highest", "50", "100", "", true},
		{"no window", "50", "", "", false},
		{"a size that nobody knows", "0", "160", "170", false},
	} {
		t.Run(tc.name, func(t *testing.T) {
			t.Parallel()
			limit := func(text string) decimal.NullDecimal {
				if text == "" {
					return decimal.NullDecimal{}
				}
				return known(text)
			}
			if got := yield.OtherSize(d(tc.unit), limit(tc.low), limit(tc.high)); got != tc.other {
				t.Errorf("another size: %t, want %t", got, tc.other)
			}
		})
	}
}

func TestPackagingIsOverItsLimitEitherWay(t *testing.T) {
	t.Parallel()
	for _, tc := range []struct {
		name, issued, used, limit string
		over                      bool
	}{
		{"labels add up", "20", "20", "0", false},
		{"one label gone", "20", "19", "0", true},
		{"one label too many", "20", "21", "0", true},
		{"film within its limit", "200", "196", "2", false},
		{"film a hair beyond", "200", "195.9", "2", true},
		{"nothing issued and nothing used", "0", "0", "0", false},
		{"used though nothing was issued", "0", "1", "5", true},
	} {
		t.Run(tc.name, func(t *testing.T) {
			t.Parallel()
			if got := (yield.Packaging{Issued: d(tc.issued), Used: d(tc.used)}).Over(d(tc.limit)); got != tc.over {
				t.Errorf("over: %t, want %t", got, tc.over)
			}
		})
	}
}
