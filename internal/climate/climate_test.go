package climate_test

import (
	"encoding/json"
	"math"
	"os"
	"testing"

	"example.org/stillroom/internal/climate"
	"example.org/stillroom/internal/fault"
	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"
)

type saturationCase struct {
	Name string  `json:"name"`
	TC   float64 `json:"t_c"`
	HPa  float64 `json:"hpa"`
}

type airCase struct {
	Name   string   `json:"name"`
	TC     float64  `json:"t_c"`
	RHPct  float64  `json:"rh_pct"`
	DewC   *float64 `json:"dew_c"`
	GPerM3 *float64 `json:"g_per_m3"`
}

type airSet struct {
	Source       string    `json:"source"`
	ToleranceK   float64   `json:"tolerance_k"`
	TolerancePct float64   `json:"tolerance_pct"`
	Cases        []airCase `json:"cases"`
}

type roomAir struct {
	Saturation struct {
		TolerancePct float64          `json:"tolerance_pct"`
		Cases        []saturationCase `json:"cases"`
	} `json:"saturation"`
	Magnus struct {
		ToleranceHPa float64          `json:"tolerance_hpa"`
		Cases        []saturationCase `json:"cases"`
	} `json:"magnus"`
	Air    airSet `json:"air"`
	Worked airSet `json:"worked"`
}

func readRoomAir(t *testing.T) roomAir {
	t.Helper()
	raw, err := os.ReadFile("../../testdata/climate/room-air.json")
	if err != nil {
		t.Fatal(err)
	}
	var v roomAir
	if err := json.Unmarshal(raw, &v); err != nil {
		t.Fatal(err)
	}
	if len(v.Saturation.Cases) == 0 || len(v.Magnus.Cases) == 0 || len(v.Air.Cases) == 0 || len(v.Worked.Cases) == 0 {
		t.Fatal("a set of published values is empty")
	}
	return v
}

func within(t *testing.T, what string, got, want, tolerance float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tolerance) {
		t.Errorf("%s: got %v, want %v within %v", what, got, want, tolerance)
	}
}

func TestSaturationAgreesWithPublishedTables(t *testing.T) {
	t.Parallel()
	v := readRoomAir(t)
	check := func(c saturationCase, tolerance float64) {
		t.Run(c.Name, func(t *testing.T) {
			t.Parallel()
			got, err := climate.SaturationHPa(c.TC)
			if err != nil {
				t.Fatal(err)
			}
			within(t, "hPa", got, c.HPa, tolerance)
		})
	}
	for _, c := range v.Saturation.Cases {
		check(c, c.HPa*v.Saturation.TolerancePct/100)
	}
	for _, c := range v.Magnus.Cases {
		c.Name = "Magnus " + c.Name
		check(c, v.Magnus.ToleranceHPa)
	}
}

func TestDewPointAndAbsoluteHumidityAgreeWithPublishedValues(t *testing.T) {
	t.Parallel()
	v := readRoomAir(t)
	for _, set := range []airSet{v.Air, v.Worked} {
		for _, c := range set.Cases {
			t.Run(c.Name, func(t *testing.T) {
				t.Parallel()
				dew, err := climate.DewPointC(c.TC, c.RHPct)
				if err != nil {
					t.Fatal(err)
				}
				water, err := climate.AbsoluteHumidity(c.TC, c.RHPct)
				if err != nil {
					t.Fatal(err)
				}
				if c.DewC == nil && c.GPerM3 == nil {
					t.Fatal("this case claims nothing")
				}
				if c.DewC != nil {
					within(t, "dew point °C", dew, *c.DewC, set.ToleranceK)
				}
				if c.GPerM3 != nil {
					within(t, "g/m³", water, *c.GPerM3, *c.GPerM3*set.TolerancePct/100)
				}
			})
		}
	}
}

func TestAirThatCannotBeIsRefusedBesideItsField(t *testing.T) {
	t.Parallel()
	nan, inf := math.NaN(), math.Inf(1)
	tests := []struct {
		name         string
		tC, rhPct    float64
		dew, reading []string // fields refused for a dew point, and for a reading or absolute humidity
	}{
		{"an ordinary room", 20, 50, nil, nil},
		{"saturated", 20, 100, nil, nil},
		{"coldest of the formula", -45, 50, nil, nil},
		{"hottest of the formula", 60, 50, nil, nil},
		{"bone dry", 20, 0, []string{"humidity_pct"}, nil},
		{"below dry", 20, -0.1, []string{"humidity_pct"}, []string{"humidity_pct"}},
		{"beyond saturated", 20, 100.1, []string{"humidity_pct"}, []string{"humidity_pct"}},
		{"too cold", -45.1, 50, []string{"temp_c"}, []string{"temp_c"}},
		{"too hot", 60.1, 50, []string{"temp_c"}, []string{"temp_c"}},
		{"no temperature", nan, 50, []string{"temp_c"}, []string{"temp_c"}},
		{"no humidity", 20, nan, []string{"humidity_pct"}, []string{"humidity_pct"}},
		{"neither", inf, -inf, []string{"humidity_pct", "temp_c"}, []string{"humidity_pct", "temp_c"}},
	}
	for _, tc := range tests {
		t.Run(tc.name, func(t *testing.T) {
			t.Parallel()
			_, err := climate.DewPointC(tc.tC, tc.rhPct)
			if diff := cmp.Diff(tc.dew, refused(err)); diff != "" {
				t.Errorf("dew point (-want +got):\n%s", diff)
			}
			_, err = climate.AbsoluteHumidity(tc.tC, tc.rhPct)
			if diff := cmp.Diff(tc.reading, refused(err)); diff != "" {
				t.Errorf("absolute humidity (-want +got):\n%s", diff)
			}
			err = climate.Reading{TempC: tc.tC, HumidityPct: tc.rhPct}.Check()
			if diff := cmp.Diff(tc.reading, refused(err)); diff != "" {
				t.Errorf("reading (-want +got):\n%s", diff)
			}
		})
	}
}

func refused(err error) []string {
	if err == nil {
		return nil
	}
	f := fault.As(err)
	if f == nil || f.Kind != fault.Invalid {
		return []string{"not an invalid fault: " + err.Error()}
	}
	return f.Names()
}

func TestSaturationRefusesWhatTheFormulaDoesNotCover(t *testing.T) {
	t.Parallel()
	for _, tC := range []float64{-45.01, 60.01, math.NaN(), math.Inf(-1)} {
		if v, err := climate.SaturationHPa(tC); err == nil {
			t.Errorf("%v °C gave %v hPa", tC, v)
		}
	}
}

func TestDewPointNeverLiesAboveTheAirAndRisesWithHumidity(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		tC := rapid.Float64Range(-45, 60).Draw(t, "t")
		low := rapid.Float64Range(1e-300, 100).Draw(t, "low")
		high := rapid.Float64Range(low, 100).Draw(t, "high")
		dewLow, err := climate.DewPointC(tC, low)
		if err != nil {
			t.Fatal(err)
		}
		dewHigh, err := climate.DewPointC(tC, high)
		if err != nil {
			t.Fatal(err)
		}
		if dewHigh > tC || dewLow > dewHigh+1e-9 {
			t.Fatalf("%v °C: %v %% gives %v, %v %% gives %v", tC, low, dewLow, high, dewHigh)
		}
		full, err := climate.DewPointC(tC, 100)
		if err != nil {
			t.Fatal(err)
		}
		if math.Abs(full-tC) > 1e-9 {
			t.Fatalf("saturated air at %v °C has a dew point of %v", tC, full)
		}
	})
}

func TestWarmerAirHoldsMoreWaterAtTheSameHumidity(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		cold := rapid.Float64Range(-45, 59).Draw(t, "cold")
		warm := rapid.Float64Range(cold+0.01, 60).Draw(t, "warm")
		rh := rapid.Float64Range(0.1, 100).Draw(t, "rh")
		a, err := climate.AbsoluteHumidity(cold, rh)
		if err != nil {
			t.Fatal(err)
		}
		b, err := climate.AbsoluteHumidity(warm, rh)
		if err != nil {
			t.Fatal(err)
		}
		if a >= b {
			t.Fatalf("%v %% at %v °C holds %v, at %v °C %v", rh, cold, a, warm, b)
		}
	})
}
