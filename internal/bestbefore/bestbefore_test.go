package bestbefore_test

import (
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"example.org/stillroom/internal/bestbefore"
	"example.org/stillroom/internal/day"
	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/measure"
)

func lot(code, date string) bestbefore.Cap { return capped(bestbefore.Lot, code, date) }

func batch(code, date string) bestbefore.Cap { return capped(bestbefore.Batch, code, date) }

func capped(kind bestbefore.CapKind, code, date string) bestbefore.Cap {
	c := bestbefore.Cap{Kind: kind, Code: code}
	if date != "" {
		c.Date = day.Must(date)
	}
	return c
}

var dates = bestbefore.Dates{
	Made: day.Must("2026-01-31"), CureEnded: day.Must("2026-03-14"), Packed: day.Must("2026-04-01"),
}

func TestTheDateAndWhatDecidedIt(t *testing.T) {
	t.Parallel()
	type rule = bestbefore.Rule
	year := rule{Months: 12, From: bestbefore.Cured, CapByExpiry: true, Precision: bestbefore.ToDay}
	yearToMonth := year
	yearToMonth.Precision = bestbefore.ToMonth
	uncapped := year
	uncapped.CapByExpiry = false
	for name, tc := range map[string]struct {
		rule    rule
		caps    []bestbefore.Cap
		printed string
		date    string
		by      bestbefore.Cap
		counted string
		reason  string
	}{
		"from end of cure": {rule: year,
			printed: "14 Mar 2027", date: "2027-03-14", counted: "2027-03-14", reason: "12 months from end of cure"},
		"from start of making, clamped": {rule: rule{Months: 1, From: bestbefore.Made, Precision: bestbefore.ToDay},
			printed: "28 Feb 2026", date: "2026-02-28", counted: "2026-02-28", reason: "1 month from start of making"},
		"in days, from packing": {rule: rule{Days: 30, From: bestbefore.Packed, Precision: bestbefore.ToDay},
			printed: "1 May 2026", date: "2026-05-01", counted: "2026-05-01", reason: "30 days from packing"},
		"a single day": {rule: rule{Days: 1, From: bestbefore.Packed, Precision: bestbefore.ToDay},
			printed: "2 Apr 2026", date: "2026-04-02", counted: "2026-04-02", reason: "1 day from packing"},
		"cut by the earliest": {rule: year,
			caps:    []bestbefore.Cap{lot("OIL-0041", "2027-03-01"), lot("OIL-0042", "2026-12-30"), batch("IN-26010-01X", "2027-01-31")},
			printed: "30 Dec 2026", date: "2026-12-30", by: lot("OIL-0042", "2026-12-30"), counted: "2027-03-14",
			reason: "12 months from end of cure, cut to 30 Dec 2026 by lot OIL-0042"},
		"cut by a source batch": {rule: year, caps: []bestbefore.Cap{lot("OIL-0042", "2027-02-02"), batch("IN-26010-01X", "2027-01-31")},
			printed: "31 Jan 2027", date: "2027-01-31", by: batch("IN-26010-01X", "2027-01-31"), counted: "2027-03-14",
			reason: "12 months from end of cure, cut to 31 Jan 2027 by batch IN-26010-01X"},
		"a tie goes by kind and code": {rule: year,
			caps:    []bestbefore.Cap{lot("OIL-2", "2027-01-31"), lot("OIL-1", "2027-01-31"), batch("ZZ", "2027-01-31")},
			printed: "31 Jan 2027", date: "2027-01-31", by: batch("ZZ", "2027-01-31"), counted: "2027-03-14",
			reason: "12 months from end of cure, cut to 31 Jan 2027 by batch ZZ"},
		"an expiry on the very day does not cut": {rule: year, caps: []bestbefore.Cap{lot("OIL-0042", "2027-03-14")},
			printed: "14 Mar 2027", date: "2027-03-14", counted: "2027-03-14", reason: "12 months from end of cure"},
		"a product that is not cut": {rule: uncapped, caps: []bestbefore.Cap{lot("OIL-0042", "2026-12-30"), lot("OIL-0043", "")},
			printed: "14 Mar 2027", date: "2027-03-14", counted: "2027-03-14", reason: "12 months from end of cure"},
		"an expiry already past still cuts": {rule: year, caps: []bestbefore.Cap{lot("OIL-0042", "2025-12-30")},
			printed: "30 Dec 2025", date: "2025-12-30", by: lot("OIL-0042", "2025-12-30"), counted: "2027-03-14",
			reason: "12 months from end of cure, cut to 30 Dec 2025 by lot OIL-0042"},
		"to the month, rounded down": {rule: yearToMonth,
			printed: "Feb 2027", date: "2027-02-28", counted: "2027-03-14", reason: "12 months from end of cure, to the month: Feb 2027"},
		"to the month, the month's last day stays": {rule: yearToMonth, caps: []bestbefore.Cap{lot("OIL-0042", "2026-03-31")},
			printed: "Mar 2026", date: "2026-03-31", by: lot("OIL-0042", "2026-03-31"), counted: "2027-03-14",
			reason: "12 months from end of cure, cut to 31 Mar 2026 by lot OIL-0042, to the month: Mar 2026"},
		"to the month, the day before does not": {rule: yearToMonth, caps: []bestbefore.Cap{lot("OIL-0042", "2026-03-30")},
			printed: "Feb 2026", date: "2026-02-28", by: lot("OIL-0042", "2026-03-30"), counted: "2027-03-14",
			reason: "12 months from end of cure, cut to 30 Mar 2026 by lot OIL-0042, to the month: Feb 2026"},
		"to the month, into the year before": {rule: yearToMonth, caps: []bestbefore.Cap{lot("OIL-0042", "2027-01-30")},
			printed: "Dec 2026", date: "2026-12-31", by: lot("OIL-0042", "2027-01-30"), counted: "2027-03-14",
			reason: "12 months from end of cure, cut to 30 Jan 2027 by lot OIL-0042, to the month: Dec 2026"},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			got, err := bestbefore.Decide(tc.rule, dates, tc.caps)
			if err != nil {
				t.Fatal(err)
			}
			want := bestbefore.Decision{Date: day.Must(tc.date), Precision: tc.rule.Precision, DecidedBy: tc.by, Counted: day.Must(tc.counted), Reason: tc.reason}
			if diff := cmp.Diff(want, got); diff != "" {
				t.Error(diff)
			}
			if printed := bestbefore.Printed(got); printed != tc.printed {
				t.Errorf("printed %q, want %q", printed, tc.printed)
			}
		})
	}
}

func TestAnUnknownExpiryIsNamed(t *testing.T) {
	t.Parallel()
	rule := bestbefore.Rule{Months: 12, From: bestbefore.Cured, CapByExpiry: true, Precision: bestbefore.ToDay}
	caps := []bestbefore.Cap{lot("ZB-1", ""), lot("OIL-0042", "2026-12-30"), batch("IN-26010-01X", "")}
	got, err := bestbefore.Decide(rule, dates, caps)
	if err != nil {
		t.Fatal(err)
	}
	want := bestbefore.Decision{
		Date: day.Must("2026-12-30"), Precision: bestbefore.ToDay, DecidedBy: caps[1], Counted: day.Must("2027-03-14"),
		Unknown: []bestbefore.Cap{caps[0], caps[2]},
		Reason:  "12 months from end of cure, cut to 30 Dec 2026 by lot OIL-0042; no date known for lot ZB-1, batch IN-26010-01X",
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Error(diff)
	}
}

// Reg. (EC) 1223/2009 Art. 19(1)(c): over 30 months no date but a period after opening.
func TestOverThirtyMonthsAPeriodAfterOpeningTakesThePlaceOfTheDate(t *testing.T) {
	t.Parallel()
	of := func(months, days, opened int, precision bestbefore.Precision) bestbefore.Rule {
		return bestbefore.Rule{Months: months, Days: days, From: bestbefore.Packed, CapByExpiry: true, Precision: precision, OpenedMonths: opened}
	}
	// Packed on 1 April 2026: 30 months end on 1 October 2028, which is 914 days.
	for name, tc := range map[string]struct {
		rule            bestbefore.Rule
		caps            []bestbefore.Cap
		printed, reason string
	}{
		"exactly 30 months keeps the date": {rule: of(30, 0, 12, bestbefore.ToDay),
			printed: "1 Oct 2028", reason: "30 months from packing"},
		"31 months": {rule: of(31, 0, 12, bestbefore.ToDay),
			printed: "12 months after opening", reason: "31 months from packing, which is over 30 months: no date, 12 months after opening"},
		"one month after opening": {rule: of(36, 0, 1, bestbefore.ToMonth),
			printed: "1 month after opening", reason: "36 months from packing, which is over 30 months: no date, 1 month after opening"},
		"30 months in days": {rule: of(0, 914, 12, bestbefore.ToDay),
			printed: "1 Oct 2028", reason: "914 days from packing"},
		"a day more": {rule: of(0, 915, 12, bestbefore.ToDay),
			printed: "12 months after opening", reason: "915 days from packing, which is over 30 months: no date, 12 months after opening"},
		"a day more, though the month printed would be earlier": {rule: of(0, 915, 12, bestbefore.ToMonth),
			printed: "12 months after opening", reason: "915 days from packing, which is over 30 months: no date, 12 months after opening"},
		"where opening has no meaning the date stays": {rule: of(36, 0, 0, bestbefore.ToDay),
			printed: "1 Apr 2029", reason: "36 months from packing"},
		"a cut to 30 months brings the date back": {rule: of(36, 0, 12, bestbefore.ToDay), caps: []bestbefore.Cap{lot("OIL-0042", "2028-10-01")},
			printed: "1 Oct 2028", reason: "36 months from packing, cut to 1 Oct 2028 by lot OIL-0042"},
		"a cut that leaves more does not": {rule: of(36, 0, 12, bestbefore.ToDay), caps: []bestbefore.Cap{lot("OIL-0042", "2028-10-02")},
			printed: "12 months after opening",
			reason:  "36 months from packing, cut to 2 Oct 2028 by lot OIL-0042, which is over 30 months: no date, 12 months after opening"},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			got, err := bestbefore.Decide(tc.rule, dates, tc.caps)
			if err != nil {
				t.Fatal(err)
			}
			if diff := cmp.Diff([]string{tc.printed, tc.reason}, []string{bestbefore.Printed(got), got.Reason}); diff != "" {
				t.Error(diff)
			}
			if got.Date.IsZero() != (got.Opened > 0) {
				t.Errorf("a date %v and a period of %d months", got.Date, got.Opened)
			}
		})
	}
}

func TestWithoutTheBasisThereIsNoDate(t *testing.T) {
	t.Parallel()
	for basis, want := range map[bestbefore.Basis]string{
		bestbefore.Made:   "the shelf life counts from the start of making, and no date of it is recorded",
		bestbefore.Cured:  "the shelf life counts from the end of cure, and no date of it is recorded",
		bestbefore.Packed: "the shelf life counts from the packing, and no date of it is recorded",
	} {
		others := dates
		switch basis {
		case bestbefore.Made:
			others.Made = day.Day{}
		case bestbefore.Cured:
			others.CureEnded = day.Day{}
		default:
			others.Packed = day.Day{}
		}
		got, err := bestbefore.Decide(bestbefore.Rule{Months: 12, From: basis, Precision: bestbefore.ToDay}, others, nil)
		if err == nil || err.Error() != want || !fault.Is(err, fault.Invalid) {
			t.Errorf("%s: got %v, want %q", basis, err, want)
		}
		if bestbefore.Printed(got) != "" {
			t.Errorf("%s: something would be printed: %q", basis, bestbefore.Printed(got))
		}
	}
}

func TestRulesThatCannotBeFollowed(t *testing.T) {
	t.Parallel()
	good := bestbefore.Rule{Months: 12, From: bestbefore.Cured, Precision: bestbefore.ToDay, OpenedMonths: 6}
	for name, tc := range map[string]struct {
		change func(*bestbefore.Rule)
		fields []string
	}{
		"no length":        {func(r *bestbefore.Rule) { r.Months = 0 }, []string{"months"}},
		"both lengths":     {func(r *bestbefore.Rule) { r.Days = 3 }, []string{"days"}},
		"negative months":  {func(r *bestbefore.Rule) { r.Months = -1 }, []string{"months"}},
		"negative days":    {func(r *bestbefore.Rule) { r.Months, r.Days = 0, -1 }, []string{"days"}},
		"a century":        {func(r *bestbefore.Rule) { r.Months = 1200 }, []string{"months"}},
		"a century, days":  {func(r *bestbefore.Rule) { r.Months, r.Days = 0, 36500 }, []string{"days"}},
		"no basis":         {func(r *bestbefore.Rule) { r.From = "" }, []string{"from"}},
		"no precision":     {func(r *bestbefore.Rule) { r.Precision = "week" }, []string{"precision"}},
		"negative opening": {func(r *bestbefore.Rule) { r.OpenedMonths = -6 }, []string{"opened_months"}},
		"all of it":        {func(r *bestbefore.Rule) { *r = bestbefore.Rule{OpenedMonths: 999} }, []string{"from", "months", "opened_months", "precision"}},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			rule := good
			tc.change(&rule)
			_, err := bestbefore.Decide(rule, dates, nil)
			if err == nil {
				t.Fatal("followed all the same")
			}
			if diff := cmp.Diff(tc.fields, fault.As(err).Names()); diff != "" {
				t.Error(diff)
			}
		})
	}
	if err := good.Validate(); err != nil {
		t.Errorf("a good rule: %v", err)
	}
}

func TestTheDateNeverPassesWhatItIsDecidedBy(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		on := func(label string) day.Day {
			return day.Must("2020-01-01").AddDays(rapid.IntRange(0, 5000).Draw(t, label))
		}
		when := bestbefore.Dates{Made: on("made"), CureEnded: on("cured"), Packed: on("packed")}
		rule := bestbefore.Rule{
			From:        rapid.SampledFrom([]bestbefore.Basis{bestbefore.Made, bestbefore.Cured, bestbefore.Packed}).Draw(t, "from"),
			Precision:   rapid.SampledFrom([]bestbefore.Precision{bestbefore.ToDay, bestbefore.ToMonth}).Draw(t, "precision"),
			CapByExpiry: true,
		}
		if n := rapid.IntRange(1, 60).Draw(t, "length"); rapid.Bool().Draw(t, "in days") {
			rule.Days = n
		} else {
			rule.Months = n
		}
		var caps []bestbefore.Cap
		for range rapid.IntRange(0, 4).Draw(t, "caps") {
			caps = append(caps, bestbefore.Cap{Kind: bestbefore.Lot, Code: rapid.StringMatching(`[A-Z]{2}`).Draw(t, "code"), Date: on("expiry")})
		}
		got, err := bestbefore.Decide(rule, when, caps)
		if err != nil {
			t.Fatal(err)
		}
		end := got.Counted
		for _, c := range caps {
			if c.Date.Before(end) {
				end = c.Date
			}
		}
		if got.Date.After(end) {
			t.Errorf("printed %v, though it ends on %v", got.Date, end)
		}
		if rule.Precision == bestbefore.ToDay && got.Date != end {
			t.Errorf("got %v, want %v", got.Date, end)
		}
		if rule.Precision == bestbefore.ToMonth && (got.Date != got.Date.LastOfMonth() || !got.Date.AddDays(1).LastOfMonth().After(end)) {
			t.Errorf("got %v for %v: not the last month that ends by then", got.Date, end)
		}
		if decided := got.DecidedBy.Date; !decided.IsZero() && decided != end || decided.IsZero() && end != got.Counted {
			t.Errorf("decided by %v, though it ends on %v", got.DecidedBy, end)
		}
	})
}

// What was printed stays printed; a workshop that changes how it writes dates prints the next labels so.
func TestALabelIsWrittenInTheWorkshopsOrder(t *testing.T) {
	t.Parallel()
	caps := []bestbefore.Cap{{Code: "OIL-0042", Kind: bestbefore.Lot, Date: day.Must("2027-01-31")}}
	for _, tc := range []struct {
		style           string
		precision       bestbefore.Precision
		printed, reason string
	}{
		{"dmy", bestbefore.ToDay, "31 Jan 2027", "cut to 31 Jan 2027 by"},
		{"mdy", bestbefore.ToDay, "Jan 31, 2027", "cut to Jan 31, 2027 by"},
		{"iso", bestbefore.ToDay, "2027-01-31", "cut to 2027-01-31 by"},
		{"mdy", bestbefore.ToMonth, "Jan 2027", "to the month: Jan 2027"},
		{"iso", bestbefore.ToMonth, "2027-01", "to the month: 2027-01"},
	} {
		rule := bestbefore.Rule{Months: 18, From: bestbefore.Made, CapByExpiry: true, Precision: tc.precision, Style: measure.Style{Date: tc.style}}
		got, err := bestbefore.Decide(rule, bestbefore.Dates{Made: day.Must("2026-03-14"), Packed: day.Must("2026-04-20")}, caps)
		if err != nil || bestbefore.Printed(got) != tc.printed || !strings.Contains(got.Reason, tc.reason) {
			t.Errorf("%s to the %s: %q, because %q, %v", tc.style, tc.precision, bestbefore.Printed(got), got.Reason, err)
		}
	}
}
