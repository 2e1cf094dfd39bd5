package climate_test

import (
	"math"
	"testing"
	"time"

	"example.org/stillroom/internal/climate"
	"example.org/stillroom/internal/measure"
	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
	"pgregory.net/rapid"
)

var start = time.Date(2026, 11, 1, 8, 0, 0, 0, time.UTC)

func hours(h float64) time.Time { return start.Add(time.Duration(h * float64(time.Hour))) }

func at(h, tC, rhPct float64) climate.Reading {
	return climate.Reading{At: hours(h), TempC: tC, HumidityPct: rhPct}
}

func p(v float64) *float64 { return &v }

func TestOutsideSaysWhatTheFormulaAllows(t *testing.T) {
	t.Parallel()
	room := climate.Limits{MinC: p(18), MaxC: p(24), MinPct: p(40), MaxPct: p(60)}
	tests := []struct {
		name      string
		limits    climate.Limits
		tC, rhPct float64
		want      []string
	}{
		{"inside", room, 20, 50, nil},
		{"at both highest", room, 24, 60, nil},
		{"at both lowest", room, 18, 40, nil},
		{"damp", room, 20, 63, []string{"63 % humidity; the formula allows 60 %"}},
		{"dry", room, 20, 38.25, []string{"38.3 % humidity; the formula asks for at least 40 %"}},
		{"hot and damp", room, 25.5, 63,
			[]string{"25.5 °C; the formula allows 24 °C", "63 % humidity; the formula allows 60 %"}},
		{"cold", room, 17, 50, []string{"17 °C; the formula asks for at least 18 °C"}},
		{"a hair over is shown in full", room, 20, 60.04, []string{"60.04 % humidity; the formula allows 60 %"}},
		{"no limits", climate.Limits{}, 45, 99, nil},
		{"unreadable under limits", room, math.NaN(), math.Inf(1), []string{
			"no temperature that can be read; the formula has limits for it",
			"no humidity that can be read; the formula has limits for it"}},
		{"unreadable without limits", climate.Limits{MaxC: p(24)}, 20, math.NaN(), nil},
	}
	for _, tc := range tests {
		t.Run(tc.name, func(t *testing.T) {
			t.Parallel()
			if diff := cmp.Diff(tc.want, tc.limits.Outside(measure.Style{}, tc.tC, tc.rhPct)); diff != "" {
				t.Errorf("(-want +got):\n%s", diff)
			}
		})
	}
}

func TestLimitsThatCannotBeMetAreRefused(t *testing.T) {
	t.Parallel()
	tests := []struct {
		name   string
		limits climate.Limits
		want   []string
	}{
		{"none", climate.Limits{}, nil},
		{"one value only", climate.Limits{MinC: p(20), MaxC: p(20)}, nil},
		{"crossed", climate.Limits{MinC: p(24), MaxC: p(18), MinPct: p(60), MaxPct: p(40)}, []string{"max_c", "max_pct"}},
		{"out of range", climate.Limits{MinC: p(-50), MaxPct: p(101)}, []string{"max_pct", "min_c"}},
		{"not a number", climate.Limits{MaxC: p(math.NaN())}, []string{"max_c"}},
	}
	for _, tc := range tests {
		t.Run(tc.name, func(t *testing.T) {
			t.Parallel()
			if diff := cmp.Diff(tc.want, refused(tc.limits.Check())); diff != "" {
				t.Errorf("(-want +got):\n%s", diff)
			}
		})
	}
}

// Every expectation is worked out by hand; the reason stands beside it.
func TestOverSumsUpReadingsByTime(t *testing.T) {
	t.Parallel()
	dry := climate.Limits{MaxPct: p(60)}
	tests := []struct {
		name     string
		readings []climate.Reading
		from, to time.Time
		limits   climate.Limits
		want     climate.Summary
	}{
		{
			// 50 to 70 % in 4 h crosses 60 % after 2 h; back to 50 % in 4 h the same: 4 of 8 h outside, mean 60 %.
			name:     "up and down again",
			readings: []climate.Reading{at(0, 20, 50), at(4, 20, 70), at(8, 20, 50)},
			from:     hours(0), to: hours(8), limits: dry,
			want: climate.Summary{
				Readings: 3, Covered: 8 * time.Hour, Outside: 4 * time.Hour, MeanC: p(20), MeanPct: p(60),
				Worst: &climate.Reading{At: hours(4), TempC: 20, HumidityPct: 70},
			},
		},
		{
			// A mean of values would be (40+40+70)/3 = 50; by time it is (1·40 + 6·55)/7 = 370/7.
			name:     "the mean is by time",
			readings: []climate.Reading{at(0, 20, 40), at(1, 20, 40), at(7, 20, 70)},
			from:     hours(0), to: hours(7),
			want: climate.Summary{Readings: 3, Covered: 7 * time.Hour, MeanC: p(20), MeanPct: p(370.0 / 7)},
		},
		{
			// 2 h before the first, a gap of 7 h, and 1 h after the last are unknown: 10 of 14 h. The lone 65 % is worst.
			name:     "long gaps and the ends are unknown",
			readings: []climate.Reading{at(2, 20, 50), at(4, 22, 50), at(11, 20, 65), at(13, 20, 65)},
			from:     hours(0), to: hours(14), limits: dry,
			want: climate.Summary{
				Readings: 4, Covered: 4 * time.Hour, Unknown: 10 * time.Hour, Outside: 2 * time.Hour,
				MeanC: p(20.5), MeanPct: p(57.5),
				Worst: &climate.Reading{At: hours(11), TempC: 20, HumidityPct: 65},
			},
		},
		{
			name:     "six hours are still known",
			readings: []climate.Reading{at(0, 20, 50), at(6, 20, 50)},
			from:     hours(0), to: hours(6), limits: dry,
			want: climate.Summary{
				Readings: 2, Covered: 6 * time.Hour, MeanC: p(20), MeanPct: p(50),
				Worst: &climate.Reading{At: hours(0), TempC: 20, HumidityPct: 50},
			},
		},
		{
			// Readings an hour either side of the span: 50 to 70 % over 4 h, of which the span is the middle 55..65 %.
			name:     "a line is cut at the ends of the span",
			readings: []climate.Reading{at(-1, 18, 50), at(3, 22, 70)},
			from:     hours(0), to: hours(2), limits: dry,
			want: climate.Summary{
				Covered: 2 * time.Hour, Outside: time.Hour, MeanC: p(20), MeanPct: p(60),
				Worst: &climate.Reading{At: hours(2), TempC: 21, HumidityPct: 65},
			},
		},
		{
			// Humidity is out for the first half hour of 4 (62 to 46, 60 after 0.5 h), temperature for the last 2 (20 to 28,
			// 24 after 2 h). 4 °C over is more than 2 points of humidity over.
			name:     "out by humidity first and temperature last",
			readings: []climate.Reading{at(0, 20, 62), at(4, 28, 46)},
			from:     hours(0), to: hours(4), limits: climate.Limits{MaxC: p(24), MaxPct: p(60)},
			want: climate.Summary{
				Readings: 2, Covered: 4 * time.Hour, Outside: 150 * time.Minute, MeanC: p(24), MeanPct: p(54),
				Worst: &climate.Reading{At: hours(4), TempC: 28, HumidityPct: 46},
			},
		},
		{
			// Both out for the same hours count once: 4 h, not 8.
			name:     "two limits broken at once count once",
			readings: []climate.Reading{at(0, 28, 70), at(4, 28, 70)},
			from:     hours(0), to: hours(4), limits: climate.Limits{MaxC: p(24), MaxPct: p(60)},
			want: climate.Summary{
				Readings: 2, Covered: 4 * time.Hour, Outside: 4 * time.Hour, MeanC: p(28), MeanPct: p(70),
				Worst: &climate.Reading{At: hours(0), TempC: 28, HumidityPct: 70},
			},
		},
		{
			// 17 to 19 °C with at least 18: the first of 2 h is outside. Order of the readings does not matter.
			name:     "too cold, readings in any order",
			readings: []climate.Reading{at(2, 19, 50), at(0, 17, 50)},
			from:     hours(0), to: hours(2), limits: climate.Limits{MinC: p(18)},
			want: climate.Summary{
				Readings: 2, Covered: 2 * time.Hour, Outside: time.Hour, MeanC: p(18), MeanPct: p(50),
				Worst: &climate.Reading{At: hours(0), TempC: 17, HumidityPct: 50},
			},
		},
		{
			name:     "resting at the limit takes no time outside",
			readings: []climate.Reading{at(0, 20, 60), at(3, 20, 60)},
			from:     hours(0), to: hours(3), limits: dry,
			want: climate.Summary{
				Readings: 2, Covered: 3 * time.Hour, MeanC: p(20), MeanPct: p(60),
				Worst: &climate.Reading{At: hours(0), TempC: 20, HumidityPct: 60},
			},
		},
		{
			name:     "a reading that no air can have is left out and counted",
			readings: []climate.Reading{at(0, 20, 50), at(1, 20, 655), at(2, math.NaN(), 50), at(3, 20, 50)},
			from:     hours(0), to: hours(3), limits: dry,
			want: climate.Summary{
				Readings: 2, Unusable: 2, Covered: 3 * time.Hour, MeanC: p(20), MeanPct: p(50),
				Worst: &climate.Reading{At: hours(0), TempC: 20, HumidityPct: 50},
			},
		},
		{
			name:     "a single reading covers no time",
			readings: []climate.Reading{at(1, 20, 65)},
			from:     hours(0), to: hours(3), limits: dry,
			want: climate.Summary{
				Readings: 1, Unknown: 3 * time.Hour,
				Worst: &climate.Reading{At: hours(1), TempC: 20, HumidityPct: 65},
			},
		},
		{
			name: "no readings", from: hours(0), to: hours(3), limits: dry,
			want: climate.Summary{Unknown: 3 * time.Hour},
		},
		{
			name:     "a span that ends before it starts",
			readings: []climate.Reading{at(0, 20, 50), at(4, 20, 70)},
			from:     hours(4), to: hours(0), limits: dry,
			want: climate.Summary{},
		},
	}
	for _, tc := range tests {
		t.Run(tc.name, func(t *testing.T) {
			t.Parallel()
			got := climate.Over(tc.readings, tc.from, tc.to, tc.limits)
			if diff := cmp.Diff(tc.want, got, cmpopts.EquateApprox(0, 1e-9)); diff != "" {
				t.Errorf("(-want +got):\n%s", diff)
			}
		})
	}
}

func TestTheSpanIsCoveredOrUnknownAndOutsideIsWithinCovered(t *testing.T) {
	t.Parallel()
	reading := rapid.Custom(func(t *rapid.T) climate.Reading {
		return at(rapid.Float64Range(-20, 120).Draw(t, "hour"),
			rapid.Float64Range(-45, 60).Draw(t, "t"), rapid.Float64Range(0, 100).Draw(t, "rh"))
	})
	rapid.Check(t, func(t *rapid.T) {
		readings := rapid.SliceOfN(reading, 0, 60).Draw(t, "readings")
		limits := climate.Limits{
			MinC: p(rapid.Float64Range(0, 15).Draw(t, "minC")), MaxC: p(rapid.Float64Range(15, 40).Draw(t, "maxC")),
			MinPct: p(rapid.Float64Range(0, 50).Draw(t, "minPct")), MaxPct: p(rapid.Float64Range(50, 100).Draw(t, "maxPct")),
		}
		from, to := hours(0), hours(100)
		all := climate.Over(readings, from, to, limits)
		if all.Covered+all.Unknown != to.Sub(from) || all.Covered < 0 || all.Unknown < 0 {
			t.Fatalf("covered %v and unknown %v do not make %v", all.Covered, all.Unknown, to.Sub(from))
		}
		if all.Outside < 0 || all.Outside > all.Covered {
			t.Fatalf("%v outside of %v covered", all.Outside, all.Covered)
		}
		if all.Outside > time.Microsecond && (all.Worst == nil || len(limits.Outside(measure.Style{}, all.Worst.TempC, all.Worst.HumidityPct)) == 0) {
			t.Fatalf("%v outside, yet the worst moment %v is inside", all.Outside, all.Worst)
		}
		if (all.MeanC != nil) != (all.Covered > 0) {
			t.Fatalf("a mean of %v over %v", all.MeanC, all.Covered)
		}
		// Cutting the span in two anywhere changes nothing but rounding.
		mid := hours(rapid.Float64Range(0, 100).Draw(t, "mid"))
		a, b := climate.Over(readings, from, mid, limits), climate.Over(readings, mid, to, limits)
		if a.Covered+b.Covered != all.Covered {
			t.Fatalf("%v and %v covered do not make %v", a.Covered, b.Covered, all.Covered)
		}
		if d := (a.Outside + b.Outside - all.Outside).Abs(); d > time.Millisecond {
			t.Fatalf("%v and %v outside do not make %v", a.Outside, b.Outside, all.Outside)
		}
	})
}
