package measure_test

import (
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/shopspring/decimal"
	"pgregory.net/rapid"

	"example.org/stillroom/internal/day"
	"example.org/stillroom/internal/measure"
)

func dec(text string) decimal.Decimal { return decimal.RequireFromString(text) }

var (
	grams  = measure.Style{Mass: "g", Temperature: "C", Date: "dmy"}
	ounces = measure.Style{Mass: "oz", Temperature: "F", Date: "mdy"}
)

// 16 oz are a pound of 453.59237 g by definition (international yard and pound agreement of 1959, from memory).
func TestAMassIsShownInTheWorkshopsUnit(t *testing.T) {
	t.Parallel()
	for _, tt := range []struct {
		name        string
		style       measure.Style
		g           string
		bench, bulk string
		figure      string
	}{
		{"the style of nobody", measure.Style{}, "803.2", "803.2 g", "803.2 g", "803.2"},
		{"grams as weighed", grams, "1250.4", "1\u202f250.4 g", "1.2504 kg", "1250.4"},
		{"a kilogram", grams, "1000", "1\u202f000 g", "1 kg", "1000"},
		{"one gram less", grams, "999", "999 g", "999 g", "999"},
		{"a pound", ounces, "453.59237", "16 oz", "1 lb", "16"},
		{"less than a pound", ounces, "28.349523125", "1 oz", "1 oz", "1"},
		{"to a thousandth of an ounce", ounces, "803.2", "28.332 oz", "1.771 lb", "28.332"},
		{"nothing", ounces, "0", "0 oz", "0 oz", "0"},
		{"missing", ounces, "-453.59237", "-16 oz", "-1 lb", "-16"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			t.Parallel()
			got := []string{tt.style.Grams(dec(tt.g)), tt.style.Bulk(dec(tt.g)), tt.style.Figure(dec(tt.g))}
			if diff := cmp.Diff([]string{tt.bench, tt.bulk, tt.figure}, got); diff != "" {
				t.Errorf("(-want +got):\n%s", diff)
			}
		})
	}
}

// Water freezes at 32 °F and boils at 212 °F; the two scales meet at -40.
func TestATemperatureIsShownInTheWorkshopsUnit(t *testing.T) {
	t.Parallel()
	for c, f := range map[string]string{"0": "32 °F", "100": "212 °F", "-40": "-40 °F", "19.5": "67.1 °F", "37": "98.6 °F"} {
		if got := ounces.Degrees(dec(c)); got != f {
			t.Errorf("%s °C is shown as %s, want %s", c, got, f)
		}
		if got := grams.Degrees(dec(c)); got != c+" °C" {
			t.Errorf("%s °C is shown as %s", c, got)
		}
	}
}

func TestWhatIsShownIsReadBackAsTheSame(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		// In thousandths of an ounce and tenths of a degree: what a person can have typed.
		mass := decimal.New(rapid.Int64Range(0, 10_000_000).Draw(t, "mass"), -3)
		heat := decimal.New(rapid.Int64Range(-400, 1800).Draw(t, "heat"), -1)
		for _, s := range []measure.Style{grams, ounces} {
			if got := s.Figure(s.ToGrams(mass)); !dec(got).Equal(mass) {
				t.Fatalf("%s %s come back as %s", mass, s.MassUnit(), got)
			}
			if got := s.TemperatureFigure(s.ToCelsius(heat)); !dec(got).Equal(heat) {
				t.Fatalf("%s %s come back as %s", heat, s.TemperatureUnit(), got)
			}
		}
	})
}

func TestADateIsWrittenInTheWorkshopsOrder(t *testing.T) {
	t.Parallel()
	d, moment := day.Must("2026-03-04"), time.Date(2026, 3, 4, 23, 30, 0, 0, time.UTC)
	zone := time.FixedZone("east", 3600)
	for style, want := range map[string][2]string{
		"":    {"4 Mar 2026", "5 Mar 2026, 00:30"},
		"dmy": {"4 Mar 2026", "5 Mar 2026, 00:30"},
		"mdy": {"Mar 4, 2026", "Mar 5, 2026, 00:30"},
		"iso": {"2026-03-04", "2026-03-05, 00:30"},
	} {
		s := measure.Style{Date: style}
		if diff := cmp.Diff(want, [2]string{s.Day(d), s.Moment(moment, zone)}); diff != "" {
			t.Errorf("%q (-want +got):\n%s", style, diff)
		}
		if got := s.Day(day.Day{}) + s.Moment(time.Time{}, zone); got != "" {
			t.Errorf("%q: no day is written %q", style, got)
		}
	}
}
