package keeping_test

import (
	"testing"

	"example.org/stillroom/internal/day"
	"example.org/stillroom/internal/keeping"
)

// The periods are from memory (Regulation (EC) 1223/2009, Articles 7 and 11) or read in secondary sources (FD&C Act, section
// 605); how a period ends, in a month without the day too, is Regulation (EEC, Euratom) 1182/71, Article 3(2)(c). The
// dates are worked by hand from it.
func TestPapersAreKeptForWholeYears(t *testing.T) {
	t.Parallel()
	report := func(small bool) func(day.Day) day.Day {
		return func(d day.Day) day.Day { return keeping.Report(d, small) }
	}
	for _, tt := range []struct {
		name     string
		until    func(day.Day) day.Day
		on, want string
	}{
		{"product information, from the last batch placed", keeping.ProductFile, "2026-02-28", "2036-02-28"},
		{"product information, from a leap day to a leap year", keeping.ProductFile, "2028-02-29", "2038-02-28"},
		{"who was supplied, from a leap day", keeping.Supplied, "2024-02-29", "2027-02-28"},
		{"who was supplied", keeping.Supplied, "2026-11-29", "2029-11-29"},
		{"a report", report(false), "2026-11-29", "2032-11-29"},
		{"a report to a small business", report(true), "2026-11-29", "2029-11-29"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			t.Parallel()
			if got := tt.until(day.Must(tt.on)); got != day.Must(tt.want) {
				t.Errorf("from %s until %s, want %s", tt.on, got, tt.want)
			}
		})
	}
	if !keeping.Supplied(day.Day{}).IsZero() {
		t.Error("what was never supplied has a date")
	}
}

func TestMarketsAreWrittenInOneOrder(t *testing.T) {
	t.Parallel()
	if got := keeping.Join([]string{"us", "mars", "eu", "us"}); got != "eu,us" {
		t.Errorf("joined %q", got)
	}
	if got := keeping.Markets(""); len(got) != 3 {
		t.Errorf("nobody said, and only %v concern", got)
	}
	if got := keeping.Markets("uk"); len(got) != 1 || got[0] != keeping.UK {
		t.Errorf("of uk: %v", got)
	}
}
