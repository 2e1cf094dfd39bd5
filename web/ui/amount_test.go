package ui_test

import (
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/shopspring/decimal"

	"example.org/stillroom/internal/measure"
	"example.org/stillroom/web/ui"
)

func TestAmountsHaveTheUnitTheyAreCountedIn(t *testing.T) {
	t.Parallel()
	got := map[string]string{}
	for name, tc := range map[string]struct {
		style measure.Style
		unit  string
	}{"g": {unit: "g"}, "oz": {measure.Style{Mass: "oz"}, "g"}, "ml": {unit: "ml"}, "pieces": {unit: "each"}} {
		got[name] = ui.Amount(tc.style, decimal.RequireFromString("1250.25"), tc.unit)
	}
	want := map[string]string{"g": "1\u202f250.25 g", "oz": "44.101 oz", "ml": "1\u202f250.3 ml", "pieces": "1\u202f250.25"}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Error(diff)
	}
}

func TestHowLongSomethingTook(t *testing.T) {
	t.Parallel()
	for want, d := range map[string]time.Duration{
		"under a minute": 20 * time.Second, "25 min": 25 * time.Minute, "1 h": time.Hour, "1 h 20 min": 80 * time.Minute, "23 h 59 min": 24*time.Hour - time.Minute,
		"1 day": 24 * time.Hour, "3 days 4 h": 76*time.Hour + 20*time.Minute,
	} {
		if got := ui.Lasted(d); got != want {
			t.Errorf("%s: %q, want %q", d, got, want)
		}
	}
}
