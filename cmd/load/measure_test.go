package main

import (
	"strings"
	"testing"
	"time"

	"example.org/stillroom/internal/batchcode"
)

func TestTargetsAreHeldOnTheirSide(t *testing.T) {
	t.Parallel()
	for _, tt := range []struct {
		name  string
		r     result
		holds bool
	}{
		{"a rate above its least", result{ratio: 0.61, least: 0.6}, true},
		{"a rate just at it", result{ratio: 0.6, least: 0.6}, true},
		{"a rate below", result{ratio: 0.59, least: 0.6}, false},
		{"a time below its most", result{ratio: 1.29, most: 1.3}, true},
		{"a time above", result{ratio: 1.31, most: 1.3}, false},
	} {
		t.Run(tt.name, func(t *testing.T) {
			t.Parallel()
			if got := tt.r.holds(); got != tt.holds {
				t.Errorf("holds: %t", got)
			}
			var out strings.Builder
			if err := printTable(&out, []result{tt.r}); err != nil {
				t.Fatal(err)
			}
			want := "no"
			if tt.holds {
				want = "yes"
			}
			if lines := strings.Split(out.String(), "\n"); !strings.HasSuffix(lines[1], want) {
				t.Errorf("the line ends otherwise than with %s: %q", want, lines[1])
			}
		})
	}
}

func TestMedianIsTheMiddleOne(t *testing.T) {
	t.Parallel()
	times := []time.Duration{9, 1, 5}
	if got := median(times); got != 5 {
		t.Errorf("got %d", got)
	}
	if times[0] != 9 {
		t.Error("the times were put in another order")
	}
}

func TestAMistypedCodeIsOneDigitOffAndDoesNotProveItself(t *testing.T) {
	t.Parallel()
	m, err := newMaker(1, 1000)
	if err != nil {
		t.Fatal(err)
	}
	for n := range 200 {
		code := m.code(n)
		wrong := mistype(code, n)
		if wrong == code || !batchcode.Near(wrong, code) || batchcode.Valid(wrong) {
			t.Errorf("%s for %s", wrong, code)
		}
	}
}

func TestASettingIsAddedToAURL(t *testing.T) {
	t.Parallel()
	if got := with("postgres://u@h/db?host=%2Ftmp", "role", "app"); !strings.Contains(got, "role=app") || !strings.Contains(got, "host=%2Ftmp") {
		t.Errorf("got %s", got)
	}
}
