package ui

import (
	"crypto/sha256"
	"sort"
	"strings"
	"time"

	"github.com/google/uuid"
	"github.com/shopspring/decimal"

	"example.org/stillroom/internal/day"
	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/measure"
	"example.org/stillroom/internal/quantity"
	"example.org/stillroom/internal/store"
)

// Form reads one posted form: raw strings, and faults gathered beside their fields, so that all are told at once.
type Form struct {
	fault.Fields
	values map[string][]string
	style  measure.Style
}

// Form is what was posted.
func (r *Request) Form() *Form { return &Form{values: r.HTTP.PostForm, style: r.Workshop.Style} }

// Style is what the form's figures are typed in.
func (f *Form) Style() measure.Style { return f.style }

// Text is a field trimmed, at most so many characters.
func (f *Form) Text(name string, most int) string {
	v := strings.TrimSpace(f.Raw(name))
	if len([]rune(v)) > most {
		f.Add(name, "At most "+quantity.Plain(decimal.NewFromInt(int64(most)))+" characters, please.")
	}
	return v
}

// Must is Text that may not be empty; ask says what to fill in.
func (f *Form) Must(name string, most int, ask string) string {
	v := f.Text(name, most)
	if v == "" {
		f.Add(name, ask)
	}
	return v
}

// Raw is a field as it was typed.
func (f *Form) Raw(name string) string {
	if v := f.values[name]; len(v) > 0 {
		return v[0]
	}
	return ""
}

// All is every value of a repeated field.
func (f *Form) All(name string) []string { return f.values[name] }

// On tells whether a box was ticked.
func (f *Form) On(name string) bool { return f.Raw(name) == "on" }

// OneOf is a choice; anything else asks again.
func (f *Form) OneOf(name, ask string, options ...string) string {
	v := f.Raw(name)
	for _, o := range options {
		if v == o {
			return v
		}
	}
	f.Add(name, ask)
	return ""
}

// Positive is a quantity above zero.
func (f *Form) Positive(name, ask string) decimal.Decimal {
	return f.number(name, ask, quantity.ParsePositive)
}

// NonNegative is a quantity of zero or more.
func (f *Form) NonNegative(name, ask string) decimal.Decimal {
	return f.number(name, ask, quantity.ParseNonNegative)
}

// Number is any quantity, below zero too.
func (f *Form) Number(name, ask string) decimal.Decimal {
	return f.number(name, ask, quantity.Parse)
}

func (f *Form) number(name, ask string, parse func(string) (decimal.Decimal, error)) decimal.Decimal {
	if strings.TrimSpace(f.Raw(name)) == "" {
		f.Add(name, ask)
		return decimal.Zero
	}
	v, err := parse(f.Raw(name))
	f.Check(name, err)
	return v
}

// OptionalNumber is a quantity or nothing.
func (f *Form) OptionalNumber(name string) decimal.NullDecimal {
	if strings.TrimSpace(f.Raw(name)) == "" {
		return decimal.NullDecimal{}
	}
	v, err := quantity.ParseNonNegative(f.Raw(name))
	f.Check(name, err)
	return decimal.NewNullDecimal(v)
}

// Mass is a quantity above zero in the workshop's unit of mass, in g. One that was left as it was drawn comes back as
// exactly that: in ounces it was rounded, and sending the form for another reason must not change it.
func (f *Form) Mass(name, ask string, drawn ...decimal.Decimal) decimal.Decimal {
	typed := f.Positive(name, ask)
	for _, d := range drawn {
		if strings.TrimSpace(f.Raw(name)) == f.style.Figure(d) {
			return d
		}
	}
	return f.style.ToGrams(typed)
}

// OptionalMass is Mass, of zero or more, or nothing.
func (f *Form) OptionalMass(name string, drawn ...decimal.NullDecimal) decimal.NullDecimal {
	typed := f.OptionalNumber(name)
	for _, d := range drawn {
		if d.Valid && strings.TrimSpace(f.Raw(name)) == f.style.Figure(d.Decimal) {
			return d
		}
	}
	typed.Decimal = f.style.ToGrams(typed.Decimal)
	return typed
}

// TypedMass is a mass as it was typed, for the book: its unit beside it where that is not g.
func (f *Form) TypedMass(name string) string {
	raw := strings.TrimSpace(f.Raw(name))
	if raw == "" || f.style.MassUnit() == "g" {
		return raw
	}
	return raw + " " + f.style.MassUnit()
}

// Degrees is a temperature on the workshop's scale in °C, which may be below zero, or none. One that was left as it was
// drawn comes back as exactly that.
func (f *Form) Degrees(name string, drawn ...decimal.NullDecimal) decimal.NullDecimal {
	raw := strings.TrimSpace(f.Raw(name))
	if raw == "" {
		return decimal.NullDecimal{}
	}
	for _, d := range drawn {
		if d.Valid && raw == f.style.TemperatureFigure(d.Decimal) {
			return d
		}
	}
	typed, err := quantity.Parse(raw)
	f.Check(name, err)
	if err != nil {
		return decimal.NewNullDecimal(typed)
	}
	return decimal.NewNullDecimal(f.style.ToCelsius(typed))
}

// Whole is a count of 0 to 1,000,000.
func (f *Form) Whole(name, ask string) int {
	if strings.TrimSpace(f.Raw(name)) == "" {
		f.Add(name, ask)
		return 0
	}
	v, err := quantity.ParseWhole(f.Raw(name))
	f.Check(name, err)
	return v
}

// OptionalWhole is a count, 0 where nothing was typed.
func (f *Form) OptionalWhole(name string) int {
	if strings.TrimSpace(f.Raw(name)) == "" {
		return 0
	}
	return f.Whole(name, "")
}

// Day is a date that has to be there.
func (f *Form) Day(name, ask string) day.Day {
	if strings.TrimSpace(f.Raw(name)) == "" {
		f.Add(name, ask)
		return day.Day{}
	}
	return f.OptionalDay(name)
}

// OptionalDay is a date or none.
func (f *Form) OptionalDay(name string) day.Day {
	v := strings.TrimSpace(f.Raw(name))
	if v == "" {
		return day.Day{}
	}
	d, err := day.Parse(v)
	f.Check(name, err)
	return d
}

// Moment is a datetime-local value in the workshop's zone.
func (f *Form) Moment(name string, zone *time.Location, ask string) time.Time {
	v := strings.TrimSpace(f.Raw(name))
	if v == "" {
		f.Add(name, ask)
		return time.Time{}
	}
	for _, layout := range []string{"2006-01-02T15:04", "2006-01-02T15:04:05", "2006-01-02 15:04"} {
		if t, err := time.ParseInLocation(layout, v, zone); err == nil {
			return t
		}
	}
	f.Add(name, "Write date and time, such as 2026-03-14 09:30.")
	return time.Time{}
}

// NewKey mints the entry key of a form.
func NewKey() string { return uuid.NewString() }

// Entry is the form's entry key and the SHA-256 of what it says, so that it is stored once however often it is sent.
// A form without a key is refused: it was not drawn by us, or is too old.
func (r *Request) Entry() (store.Entry, error) {
	key, err := uuid.Parse(r.HTTP.PostForm.Get("entry_key"))
	if err != nil || key == uuid.Nil {
		return store.Entry{}, fault.New(fault.Conflict, "This form is too old to be stored. Open the page anew and fill it in again.")
	}
	names := make([]string, 0, len(r.HTTP.PostForm))
	for name := range r.HTTP.PostForm {
		// The tablet's clock differs between two sendings of one entry; the rest may not.
		if name != "entry_key" && name != "device_time" && name != "password" {
			names = append(names, name)
		}
	}
	sort.Strings(names)
	h := sha256.New()
	h.Write([]byte(r.HTTP.URL.Path))
	for _, name := range names {
		for _, v := range r.HTTP.PostForm[name] {
			h.Write([]byte("\x00" + name + "\x00" + v))
		}
	}
	entry := store.Entry{Key: key}
	h.Sum(entry.Payload[:0])
	return entry, nil
}

// Clock writes times and dates in a workshop's zone.
type Clock struct {
	Zone  *time.Location
	Style measure.Style
}

// Clock is the workshop's.
func (r *Request) Clock() Clock { return Clock{r.Workshop.Location(), r.Workshop.Style} }

// Today is the workshop's date now.
func (r *Request) Today() day.Day { return day.In(r.Now, r.Workshop.Location()) }

// Time is "14 Mar 2026, 09:30", in the workshop's order of a date.
func (c Clock) Time(t time.Time) string { return c.Style.Moment(t, c.Zone) }

// Date is the day of a moment: "14 Mar 2026".
func (c Clock) Date(t time.Time) string { return c.Style.Day(day.In(t, c.Zone)) }

// Short is "14 Mar, 09:30".
func (c Clock) Short(t time.Time) string { return c.Style.Short(t, c.Zone) }

// Input is the value of a datetime-local box.
func (c Clock) Input(t time.Time) string { return t.In(c.Zone).Format("2006-01-02T15:04") }
