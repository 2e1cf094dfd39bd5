// Package day is the calendar date: what is printed on labels, counted in shelf lives and written in the batch
// book. A date is the date it was in the workshop, not an instant: a batch made at 23:30 on 31 January stays
// made on 31 January, whatever UTC says.
//
// Months are added as Regulation (EEC, Euratom) 1182/71 Art. 3(2)(c) ends a period: where the last month has
// no such day, the period ends with the last day of that month. time.Time.AddDate overflows into the next
// month instead and must not be used for this.
package day

import (
	"database/sql/driver"
	"fmt"
	"time"

	"example.org/stillroom/internal/fault"
)

// Years a typed or stored date may have. Arithmetic may lead outside them, as far as year 9999.
const (
	firstYear = 1900
	lastYear  = 2199
)

// Day is a date of the Gregorian calendar, without a time and without a zone. It is comparable with ==; the
// zero value means "no day" and stays so under all arithmetic.
type Day struct {
	year  int16
	month uint8
	day   uint8
}

// New is the day of that year, month and day of the month. A day that does not exist (30 February) and a year
// outside 1900 to 2199 are refused with a fault for people.
func New(year int, month time.Month, dayOfMonth int) (Day, error) {
	if year < firstYear || year > lastYear {
		return Day{}, fault.New(fault.Invalid, fmt.Sprintf("the year %d is not between %d and %d", year, firstYear, lastYear))
	}
	if month < time.January || month > time.December {
		return Day{}, fault.New(fault.Invalid, fmt.Sprintf("there is no month %d", int(month)))
	}
	if dayOfMonth < 1 || dayOfMonth > daysIn(year, month) {
		return Day{}, fault.New(fault.Invalid, fmt.Sprintf("there is no %d %s %d", dayOfMonth, month, year))
	}
	return Day{year: int16(year), month: uint8(month), day: uint8(dayOfMonth)}, nil
}

// Parse reads YYYY-MM-DD and nothing else: no spaces, no short years, no other order. Errors are faults for
// people.
func Parse(iso string) (Day, error) {
	var number [3]int
	shape := len(iso) == len("2027-04-30")
	for i := 0; shape && i < len(iso); i++ {
		switch c := iso[i]; {
		case i == 4 || i == 7:
			shape = c == '-'
		case c < '0' || c > '9':
			shape = false
		default:
			part := 0
			if i > 7 {
				part = 2
			} else if i > 4 {
				part = 1
			}
			number[part] = number[part]*10 + int(c-'0')
		}
	}
	if !shape {
		return Day{}, fault.New(fault.Invalid, "write the date as year-month-day, such as 2027-04-30")
	}
	return New(number[0], time.Month(number[1]), number[2])
}

// Must is Parse for dates that stand in a program or test; it panics where Parse fails.
func Must(iso string) Day {
	d, err := Parse(iso)
	if err != nil {
		panic(fmt.Sprintf("day.Must(%q): %v", iso, err))
	}
	return d
}

// In is the date that it was at that instant in that place. The zero time is no day.
func In(t time.Time, loc *time.Location) Day {
	if t.IsZero() {
		return Day{}
	}
	return of(t.In(loc))
}

func of(t time.Time) Day {
	y, m, d := t.Date()
	return Day{year: int16(y), month: uint8(m), day: uint8(d)}
}

func daysIn(year int, month time.Month) int {
	// Day 0 of the next month is the last of this one.
	return time.Date(year, month+1, 0, 0, 0, 0, 0, time.UTC).Day()
}

// IsZero tells whether this is no day.
func (d Day) IsZero() bool { return d == Day{} }

// Year is the year, 0 for no day.
func (d Day) Year() int { return int(d.year) }

// Month is the month, 0 for no day.
func (d Day) Month() time.Month { return time.Month(d.month) }

// Day is the day of the month, 0 for no day.
func (d Day) Day() int { return int(d.day) }

// YearDay is the day of the year, 1 to 366; 0 for no day.
func (d Day) YearDay() int {
	if d.IsZero() {
		return 0
	}
	return d.Time().YearDay()
}

// String is the ISO 8601 calendar date, "2027-04-30"; empty for no day.
func (d Day) String() string {
	if d.IsZero() {
		return ""
	}
	return fmt.Sprintf("%04d-%02d-%02d", d.year, d.month, d.day)
}

// Long is how pages and labels write it: "30 Apr 2027"; empty for no day.
func (d Day) Long() string {
	if d.IsZero() {
		return ""
	}
	return d.Time().Format("2 Jan 2006")
}

// AddDays is the day n days later, or earlier where n is negative.
func (d Day) AddDays(n int) Day {
	if d.IsZero() {
		return d
	}
	return of(time.Date(d.Year(), d.Month(), d.Day()+n, 0, 0, 0, 0, time.UTC))
}

// AddMonths is the same day of the month n months later, or the last day of that month where it has no such
// day (Regulation (EEC, Euratom) 1182/71 Art. 3(2)(c)). It is not associative: 31 January plus one month plus
// one month is 28 March, plus two months is 31 March. So count from the basis, never from a date that was
// itself counted.
func (d Day) AddMonths(n int) Day {
	if d.IsZero() {
		return d
	}
	first := time.Date(d.Year(), d.Month()+time.Month(n), 1, 0, 0, 0, 0, time.UTC)
	return Day{
		year:  int16(first.Year()),
		month: uint8(first.Month()),
		day:   uint8(min(d.Day(), daysIn(first.Year(), first.Month()))),
	}
}

// LastOfMonth is the last day of this day's month.
func (d Day) LastOfMonth() Day {
	if d.IsZero() {
		return d
	}
	return Day{year: d.year, month: d.month, day: uint8(daysIn(d.Year(), d.Month()))}
}

// Compare is -1, 0 or +1 as d is before, the same as or after other; no day is before every day.
func (d Day) Compare(other Day) int {
	switch a, b := d.ordinal(), other.ordinal(); {
	case a < b:
		return -1
	case a > b:
		return 1
	}
	return 0
}

func (d Day) ordinal() int { return int(d.year)<<16 | int(d.month)<<8 | int(d.day) }

// Equal is ==, as go-cmp asks for it.
func (d Day) Equal(other Day) bool { return d == other }

// Before tells whether d comes before other; no day is before every day.
func (d Day) Before(other Day) bool { return d.Compare(other) < 0 }

// After tells whether d comes after other; no day is after none.
func (d Day) After(other Day) bool { return d.Compare(other) > 0 }

// DaysSince is the number of days from other to d, negative where d comes first. Where either is no day there
// is nothing to count and the answer is 0: ask IsZero first.
func (d Day) DaysSince(other Day) int {
	if d.IsZero() || other.IsZero() {
		return 0
	}
	const secondsPerDay = 24 * 60 * 60
	return int((d.Time().Unix() - other.Time().Unix()) / secondsPerDay)
}

// Time is midnight UTC of this day, what a database column of type date is read from and written as. No day
// gives the zero time.
func (d Day) Time() time.Time {
	if d.IsZero() {
		return time.Time{}
	}
	return time.Date(d.Year(), d.Month(), d.Day(), 0, 0, 0, 0, time.UTC)
}

// Start is the first instant of this day in that place: its midnight, the first one where the clocks go back
// over midnight, and the moment of the change where they go forward over it (time.Date promises neither). No
// day gives the zero time.
func (d Day) Start(loc *time.Location) time.Time {
	if d.IsZero() {
		return time.Time{}
	}
	t := time.Date(d.Year(), d.Month(), d.Day(), 0, 0, 0, 0, loc)
	start, end := t.ZoneBounds()
	if there := of(t); there.Before(d) {
		return end
	} else if there.After(d) || t.Hour() != 0 || t.Minute() != 0 || t.Second() != 0 {
		return start
	}
	if start.IsZero() {
		return t
	}
	_, offset := t.Zone()
	_, offsetBefore := start.Add(-time.Nanosecond).Zone()
	if earlier := t.Add(time.Duration(offset-offsetBefore) * time.Second); earlier.Before(start) {
		return earlier
	}
	return t
}

// Scan reads a database value: null is no day, a time gives its date as written (a date column comes as
// midnight UTC), text must be an ISO date.
func (d *Day) Scan(value any) error {
	switch v := value.(type) {
	case nil:
		*d = Day{}
		return nil
	case time.Time:
		got, err := New(v.Date())
		if err != nil {
			return fmt.Errorf("day: scan %v: %w", v, err)
		}
		*d = got
		return nil
	case string:
		return d.UnmarshalText([]byte(v))
	case []byte:
		return d.UnmarshalText(v)
	}
	return fmt.Errorf("day: cannot scan %T", value)
}

// Value is what goes to the database: nil for no day, else midnight UTC.
func (d Day) Value() (driver.Value, error) {
	if d.IsZero() {
		return nil, nil
	}
	return d.Time(), nil
}

// MarshalText is String.
func (d Day) MarshalText() ([]byte, error) { return []byte(d.String()), nil }

// UnmarshalText is Parse, with empty text for no day.
func (d *Day) UnmarshalText(text []byte) error {
	if len(text) == 0 {
		*d = Day{}
		return nil
	}
	got, err := Parse(string(text))
	if err != nil {
		return fmt.Errorf("day: %q: %w", text, err)
	}
	*d = got
	return nil
}
