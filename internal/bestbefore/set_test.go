package bestbefore_test

import (
	"testing"

	"github.com/google/go-cmp/cmp"

	"example.org/stillroom/internal/bestbefore"
	"example.org/stillroom/internal/day"
	"example.org/stillroom/internal/measure"
)

func TestASetKeepsAsLongAsTheFirstOfWhatIsInIt(t *testing.T) {
	t.Parallel()
	dated := func(code, date string) bestbefore.Part { return bestbefore.Part{Code: code, Date: day.Must(date)} }
	opened := func(code string, months int) bestbefore.Part { return bestbefore.Part{Code: code, Opened: months} }
	for name, tc := range map[string]struct {
		precision bestbefore.Precision
		parts     []bestbefore.Part
		packaging []bestbefore.Cap
		printed   string
		reason    string
	}{
		"the earliest decides": {bestbefore.ToDay, []bestbefore.Part{dated("SB-1", "2027-03-14"), dated("BB-1", "2026-12-30")}, nil,
			"30 Dec 2026", "the earliest of what is in it, 30 Dec 2026 by batch BB-1"},
		"of two on one day the first by code": {bestbefore.ToDay, []bestbefore.Part{dated("SB-2", "2026-12-30"), dated("SB-1", "2026-12-30")}, nil,
			"30 Dec 2026", "the earliest of what is in it, 30 Dec 2026 by batch SB-1"},
		"to the month it is rounded down": {bestbefore.ToMonth, []bestbefore.Part{dated("SB-1", "2027-03-14")}, nil,
			"Feb 2027", "the earliest of what is in it, 14 Mar 2027 by batch SB-1, to the month: Feb 2027"},
		"packaging that expires first cuts it": {bestbefore.ToDay, []bestbefore.Part{dated("SB-1", "2027-03-14")}, []bestbefore.Cap{lot("PAD-1", "2027-01-31")},
			"31 Jan 2027", "the earliest of what is in it, 31 Jan 2027 by lot PAD-1"},
		"what bears a period after opening does not cut": {bestbefore.ToDay, []bestbefore.Part{opened("CR-1", 6), dated("SB-1", "2027-03-14")}, nil,
			"14 Mar 2027", "the earliest of what is in it, 14 Mar 2027 by batch SB-1"},
		"with periods alone the shortest": {bestbefore.ToDay, []bestbefore.Part{opened("CR-1", 12), opened("CR-2", 6), opened("CR-3", 6)}, nil,
			"6 months after opening", "nothing in it has a date; the shortest period is that of batch CR-2"},
		"what is not known is shown": {bestbefore.ToDay, []bestbefore.Part{dated("SB-1", "2027-03-14"), {Code: "OLD-1"}}, []bestbefore.Cap{lot("PAD-1", "")},
			"14 Mar 2027", "the earliest of what is in it, 14 Mar 2027 by batch SB-1; no date known for batch OLD-1, lot PAD-1"},
		"nothing known decides nothing": {bestbefore.ToDay, []bestbefore.Part{{Code: "OLD-1"}}, nil,
			"", "not decided: nothing in it has a date; no date known for batch OLD-1"},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			d := bestbefore.DecideSet(measure.Style{}, tc.precision, tc.parts, tc.packaging)
			if diff := cmp.Diff([]string{tc.printed, tc.reason}, []string{bestbefore.Printed(d), d.Reason}); diff != "" {
				t.Errorf("(-want +got):\n%s", diff)
			}
		})
	}
}
