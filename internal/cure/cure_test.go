package cure_test

import (
	"testing"
	"time"
	_ "time/tzdata"

	"example.org/stillroom/internal/cure"
	"example.org/stillroom/internal/fault"
	"github.com/google/go-cmp/cmp"
)

func TestACureIsLongEnoughFromTheMomentItIsDue(t *testing.T) {
	t.Parallel()
	zone, err := time.LoadLocation("Europe/London")
	if err != nil {
		t.Fatal(err)
	}
	// 25 October 2026, 02:00 BST: the clocks went back to 01:00 GMT.
	start := time.Date(2026, 10, 24, 12, 0, 0, 0, zone)
	tests := []struct {
		name string
		rule cure.Rule
		end  time.Time
		want bool
	}{
		{"a second short", cure.Rule{MinHours: 48}, start.Add(48*time.Hour - time.Second), false},
		{"exactly", cure.Rule{MinHours: 48}, start.Add(48 * time.Hour), true},
		{"noon of the day after next is 49 hours, clocks having gone back", cure.Rule{MinHours: 49},
			time.Date(2026, 10, 26, 12, 0, 0, 0, zone), true},
		{"eleven by those clocks is 48 hours", cure.Rule{MinHours: 49}, time.Date(2026, 10, 26, 11, 0, 0, 0, zone), false},
		{"no minimum", cure.Rule{}, start, true},
		{"ended before it began", cure.Rule{}, start.Add(-time.Second), false},
		{"six weeks", cure.Rule{MinHours: 6 * 7 * 24}, start.Add(42 * 24 * time.Hour), true},
		{"ten years", cure.Rule{MinHours: 87600}, start.Add(87599 * time.Hour), false},
	}
	for _, tc := range tests {
		t.Run(tc.name, func(t *testing.T) {
			t.Parallel()
			if got := cure.LongEnough(start, tc.end, tc.rule); got != tc.want {
				t.Errorf("due %v, ended %v: long enough %v, want %v", cure.Due(start, tc.rule), tc.end, got, tc.want)
			}
		})
	}
}

func TestDueCountsElapsedHours(t *testing.T) {
	t.Parallel()
	start := time.Date(2026, 11, 1, 9, 30, 0, 0, time.UTC)
	want := time.Date(2026, 12, 13, 9, 30, 0, 0, time.UTC)
	if diff := cmp.Diff(want, cure.Due(start, cure.Rule{MinHours: 1008})); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
}

func TestAMinimumIsSaidAsAMakerWould(t *testing.T) {
	t.Parallel()
	tests := []struct {
		name  string
		hours int
		want  string
	}{
		{"none", 0, "no minimum"},
		{"one hour", 1, "1 hour"},
		{"a day", 24, "24 hours"},
		{"two days", 48, "48 hours"},
		{"three days", 72, "3 days"},
		{"part of a day", 100, "100 hours"},
		{"a week", 168, "1 week"},
		{"ten days", 240, "10 days"},
		{"six weeks", 1008, "6 weeks"},
	}
	for _, tc := range tests {
		t.Run(tc.name, func(t *testing.T) {
			t.Parallel()
			if got := cure.Words(tc.hours); got != tc.want {
				t.Errorf("got %q, want %q", got, tc.want)
			}
		})
	}
}

func TestARuleThatNoCureCanKeepIsRefused(t *testing.T) {
	t.Parallel()
	for hours, ok := range map[int]bool{-1: false, 0: true, 1008: true, 87600: true, 87601: false} {
		err := cure.Rule{MinHours: hours}.Check()
		if (err == nil) != ok {
			t.Errorf("%d hours: %v", hours, err)
		}
		if err != nil && fault.As(err).Of("min_hours") == "" {
			t.Errorf("%d hours: not beside its field: %v", hours, err)
		}
	}
}

func TestRanSaysHowLongItWas(t *testing.T) {
	t.Parallel()
	for want, d := range map[string]time.Duration{"0 minutes": -time.Minute, "43 minutes": 43*time.Minute + 59*time.Second, "1 hour": time.Hour, "46 hours": 46*time.Hour + 40*time.Minute, "6 weeks": 42 * 24 * time.Hour, "41 days 23 hours": 42*24*time.Hour - time.Minute, "2 days 1 hour": 49 * time.Hour} {
		if got := cure.Ran(d); got != want {
			t.Errorf("Ran(%s) = %q, want %q", d, got, want)
		}
	}
}
