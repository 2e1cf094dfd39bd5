package day_test

import (
	"encoding/csv"
	"os"
	"strconv"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"example.org/stillroom/internal/day"
	"example.org/stillroom/internal/fault"
)

// rows reads a table of ../../testdata/dates without its heading.
func rows(t *testing.T, name string) [][]string {
	t.Helper()
	f, err := os.Open("../../testdata/dates/" + name)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	all, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	if len(all) < 2 {
		t.Fatalf("%s holds no rows", name)
	}
	return all[1:]
}

func number(t *testing.T, text string) int {
	t.Helper()
	n, err := strconv.Atoi(text)
	if err != nil {
		t.Fatal(err)
	}
	return n
}

func TestAMonthWithoutThatDayGivesItsLastDay(t *testing.T) {
	t.Parallel()
	for _, row := range rows(t, "add-months.csv") {
		t.Run(row[0]+" plus "+row[1], func(t *testing.T) {
			t.Parallel()
			start, months := day.Must(row[0]), number(t, row[1])
			if got := start.AddMonths(months).String(); got != row[2] {
				t.Errorf("got %s, want %s", got, row[2])
			}
			// The trap that the rule avoids: were this row to fail, the table would no longer tell the two
			// apart.
			if got := start.Time().AddDate(0, months, 0).Format(time.DateOnly); got != row[3] {
				t.Errorf("time.AddDate gives %s, the table says %s", got, row[3])
			}
		})
	}
}

func TestDaysOfTheYear(t *testing.T) {
	t.Parallel()
	for _, row := range rows(t, "days-of-year.csv") {
		t.Run(row[0], func(t *testing.T) {
			t.Parallel()
			if got := day.Must(row[0]).YearDay(); strconv.Itoa(got) != row[1] {
				t.Errorf("got %d, want %s", got, row[1])
			}
		})
	}
}

func TestParseTakesOnlyDaysThatExistInOneForm(t *testing.T) {
	t.Parallel()
	const form = "write the date as year-month-day, such as 2027-04-30"
	for name, tc := range map[string]struct{ text, want string }{
		"empty":                      {"", form},
		"a space behind":             {"2027-04-30 ", form},
		"a short month":              {"2027-4-30", form},
		"slashes":                    {"2027/04/30", form},
		"day first":                  {"30-04-2027", form},
		"a time":                     {"2027-04-30T00:00:00Z", form},
		"a sign":                     {"+027-04-30", form},
		"digits of another script":   {"٢٠٢٧-٠٤-٣٠", form},
		"31 April":                   {"2027-04-31", "there is no 31 April 2027"},
		"29 February in 2100":        {"2100-02-29", "there is no 29 February 2100"},
		"29 February in 1900":        {"1900-02-29", "there is no 29 February 1900"},
		"29 February in a usual one": {"2027-02-29", "there is no 29 February 2027"},
		"day 0":                      {"2027-04-00", "there is no 0 April 2027"},
		"month 0":                    {"2027-00-10", "there is no month 0"},
		"month 13":                   {"2027-13-10", "there is no month 13"},
		"before 1900":                {"1899-12-31", "the year 1899 is not between 1900 and 2199"},
		"after 2199":                 {"2200-01-01", "the year 2200 is not between 1900 and 2199"},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			got, err := day.Parse(tc.text)
			if err == nil {
				t.Fatalf("Parse(%q) took it as %v", tc.text, got)
			}
			if err.Error() != tc.want || !fault.Is(err, fault.Invalid) {
				t.Errorf("got %T %q, want a fault %q", err, err, tc.want)
			}
			if !got.IsZero() {
				t.Errorf("a refused date came back as %v", got)
			}
		})
	}
	for _, text := range []string{"1900-01-01", "2000-02-29", "2024-02-29", "2199-12-31"} {
		if got, err := day.Parse(text); err != nil || got.String() != text {
			t.Errorf("Parse(%q) = %v, %v", text, got, err)
		}
	}
}

func TestMustPanicsWhereParseFails(t *testing.T) {
	t.Parallel()
	defer func() {
		if recover() == nil {
			t.Error("no panic")
		}
	}()
	day.Must("2027-02-30")
}

func TestNoDayStaysNoDay(t *testing.T) {
	t.Parallel()
	var none day.Day
	if got := []day.Day{none.AddDays(3), none.AddMonths(3), none.LastOfMonth(), day.In(time.Time{}, time.UTC)}; !cmp.Equal(got, make([]day.Day, 4)) {
		t.Errorf("got %v", got)
	}
	if !none.IsZero() || none.String() != "" || none.Long() != "" || none.YearDay() != 0 {
		t.Errorf("no day writes %q, %q, day %d of the year", none, none.Long(), none.YearDay())
	}
	if !none.Time().IsZero() || !none.Start(time.UTC).IsZero() {
		t.Error("no day has a time")
	}
	if !none.Before(day.Must("1900-01-01")) || none.After(none) || none.DaysSince(day.Must("2027-04-30")) != 0 {
		t.Error("no day is not before every day")
	}
}

func TestWrittenForPeople(t *testing.T) {
	t.Parallel()
	got := []string{day.Must("2027-04-30").Long(), day.Must("2027-05-03").Long()}
	if diff := cmp.Diff([]string{"30 Apr 2027", "3 May 2027"}, got); diff != "" {
		t.Error(diff)
	}
}

func zone(t *testing.T, name string) *time.Location {
	t.Helper()
	loc, err := time.LoadLocation(name)
	if err != nil {
		t.Fatal(err)
	}
	return loc
}

func TestTheDateIsTheOneInTheWorkshop(t *testing.T) {
	t.Parallel()
	// 23:30 on 31 January in Auckland is still the morning of that day in UTC; in Chicago UTC has the next day
	// already.
	for name, tc := range map[string]struct{ zone, local, want string }{
		"late in the evening west of Greenwich": {"America/Chicago", "2026-01-31T23:30:00", "2026-01-31"},
		"early in the morning east of it":       {"Pacific/Auckland", "2026-02-01T00:30:00", "2026-02-01"},
		"in summer time":                        {"Europe/London", "2026-07-01T00:30:00", "2026-07-01"},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			loc := zone(t, tc.zone)
			at, err := time.ParseInLocation("2006-01-02T15:04:05", tc.local, loc)
			if err != nil {
				t.Fatal(err)
			}
			if utc := day.In(at, time.UTC).String(); utc == tc.want {
				t.Fatalf("the case shows nothing: UTC has %s too", utc)
			}
			if got := day.In(at.UTC(), loc).String(); got != tc.want {
				t.Errorf("got %s, want %s", got, tc.want)
			}
		})
	}
}

func TestADayStartsAtItsFirstInstant(t *testing.T) {
	t.Parallel()
	for name, tc := range map[string]struct{ zone, date, want string }{
		"UTC":                            {"UTC", "2026-11-01", "2026-11-01T00:00:00Z"},
		"winter":                         {"Europe/London", "2026-01-31", "2026-01-31T00:00:00Z"},
		"summer":                         {"Europe/London", "2026-07-31", "2026-07-30T23:00:00Z"},
		"clocks forward over midnight":   {"America/Havana", "2026-03-08", "2026-03-08T05:00:00Z"},
		"midnight comes twice":           {"America/Havana", "2026-11-01", "2026-11-01T04:00:00Z"},
		"clocks back to the day before":  {"America/Sao_Paulo", "2018-02-18", "2018-02-18T03:00:00Z"},
		"clocks forward in Sao Paulo":    {"America/Sao_Paulo", "2018-11-04", "2018-11-04T03:00:00Z"},
		"a day that the island left out": {"Pacific/Apia", "2011-12-30", "2011-12-30T10:00:00Z"},
		"the day after the one left out": {"Pacific/Apia", "2011-12-31", "2011-12-30T10:00:00Z"},
		"forward at half past eleven":    {"America/Toronto", "1919-03-31", "1919-03-31T04:30:00Z"},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			if got := day.Must(tc.date).Start(zone(t, tc.zone)).UTC().Format(time.RFC3339); got != tc.want {
				t.Errorf("got %s, want %s", got, tc.want)
			}
		})
	}
}

func TestTheInstantBeforeTheStartIsAnEarlierDay(t *testing.T) {
	t.Parallel()
	var zones []*time.Location
	for _, name := range []string{"UTC", "Europe/London", "America/Havana", "America/Sao_Paulo", "Asia/Beirut", "Atlantic/Azores", "Pacific/Auckland"} {
		zones = append(zones, zone(t, name))
	}
	rapid.Check(t, func(t *rapid.T) {
		d := anyDay(t, "d")
		loc := rapid.SampledFrom(zones).Draw(t, "zone")
		start := d.Start(loc)
		if got := day.In(start, loc); got != d {
			t.Errorf("the start %v is on %v", start, got)
		}
		if got := day.In(start.Add(-time.Nanosecond), loc); !got.Before(d) {
			t.Errorf("just before the start %v it is %v", start, got)
		}
	})
}

// anyDay stays far enough from the ends of the years that arithmetic in the tests stays within them.
func anyDay(t *rapid.T, label string) day.Day {
	return day.Must("1950-01-01").AddDays(rapid.IntRange(0, 200*365).Draw(t, label))
}

func TestMonthsAreAddedByTheRegulation(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		d, later := anyDay(t, "d"), anyDay(t, "later")
		n := rapid.IntRange(-120, 120).Draw(t, "months")
		got := d.AddMonths(n)
		if months := (got.Year()-d.Year())*12 + int(got.Month()-d.Month()); months != n {
			t.Errorf("%v plus %d months is %v, %d months away", d, n, got, months)
		}
		if got.Day() != min(d.Day(), got.LastOfMonth().Day()) {
			t.Errorf("%v plus %d months is %v: neither that day nor the month's last", d, n, got)
		}
		if later.Before(d) {
			d, later = later, d
		}
		if d.AddMonths(n).After(later.AddMonths(n)) {
			t.Errorf("%v is before %v, but not with %d months added", d, later, n)
		}
	})
}

func TestMonthsAreNotAddedTwice(t *testing.T) {
	t.Parallel()
	jan := day.Must("2026-01-31")
	if twice, once := jan.AddMonths(1).AddMonths(1), jan.AddMonths(2); twice != day.Must("2026-03-28") || once != day.Must("2026-03-31") {
		t.Errorf("one month twice gives %v, two months give %v", twice, once)
	}
}

func TestDaysAddUp(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		d := anyDay(t, "d")
		n := rapid.IntRange(-20000, 20000).Draw(t, "days")
		later := d.AddDays(n)
		if got := later.DaysSince(d); got != n {
			t.Errorf("%v to %v is %d days, want %d", d, later, got, n)
		}
		if got, want := later.Compare(d), sign(n); got != want {
			t.Errorf("%v compared with %v is %d, want %d", later, d, got, want)
		}
		if back, err := day.Parse(d.String()); err != nil || back != d {
			t.Errorf("%v read back is %v, %v", d, back, err)
		}
		if last := d.LastOfMonth(); last.AddDays(1).Day() != 1 || last.Month() != d.Month() || last.Before(d) {
			t.Errorf("the last day of the month of %v came out as %v", d, last)
		}
	})
}

func sign(n int) int { return max(-1, min(1, n)) }

func TestToTheDatabaseAndBack(t *testing.T) {
	t.Parallel()
	april := day.Must("2027-04-30")
	for name, tc := range map[string]struct {
		from any
		want day.Day
	}{
		"null":       {nil, day.Day{}},
		"a date":     {time.Date(2027, 4, 30, 0, 0, 0, 0, time.UTC), april},
		"text":       {"2027-04-30", april},
		"bytes":      {[]byte("2027-04-30"), april},
		"empty text": {"", day.Day{}},
		"zoned time": {time.Date(2027, 4, 30, 0, 0, 0, 0, time.FixedZone("east", 10*3600)), april},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			got := day.Must("2001-01-01")
			if err := got.Scan(tc.from); err != nil || got != tc.want {
				t.Errorf("got %v, %v; want %v", got, err, tc.want)
			}
		})
	}
	for name, from := range map[string]any{"a number": 7, "a year too far": time.Date(2200, 1, 1, 0, 0, 0, 0, time.UTC), "no date": "soon"} {
		got := april
		if err := got.Scan(from); err == nil || got != april {
			t.Errorf("%s: scanned as %v, error %v", name, got, err)
		}
	}
	if v, err := april.Value(); err != nil || v != time.Date(2027, 4, 30, 0, 0, 0, 0, time.UTC) {
		t.Errorf("Value gives %v, %v", v, err)
	}
	if v, err := (day.Day{}).Value(); err != nil || v != nil {
		t.Errorf("Value of no day gives %v, %v", v, err)
	}
}

func TestToTextAndBack(t *testing.T) {
	t.Parallel()
	for _, want := range []day.Day{{}, day.Must("2027-04-30")} {
		text, err := want.MarshalText()
		if err != nil {
			t.Fatal(err)
		}
		got := day.Must("2001-01-01")
		if err := got.UnmarshalText(text); err != nil || got != want {
			t.Errorf("%q read back is %v, %v", text, got, err)
		}
	}
	if err := new(day.Day).UnmarshalText([]byte("2027-02-30")); !fault.Is(err, fault.Invalid) {
		t.Errorf("got %v, want a fault", err)
	}
}
