// Package measure shows and reads figures in what a workshop thinks in: grams or ounces, °C or °F, and its order of a
// date. The book keeps g, °C and dates: a Style only changes what is seen and how what is typed is understood.
//
// An ounce is the avoirdupois ounce of 28.349523125 g and a pound 453.59237 g, both exact by definition (NIST Special
// Publication 811, appendix B.8; international yard and pound agreement of 1959; from memory).
package measure

import (
	"math"
	"strings"
	"time"

	"github.com/shopspring/decimal"

	"example.org/stillroom/internal/day"
	"example.org/stillroom/internal/quantity"
)

// Style is what a workshop shows its figures in. The zero Style is g, °C and "14 Mar 2026".
type Style struct {
	Mass        string // "g" or "oz"
	Temperature string // "C" or "F"
	Date        string // "dmy", "mdy" or "iso"
}

var (
	gramsPerOunce = decimal.RequireFromString("28.349523125")
	gramsPerPound = decimal.RequireFromString("453.59237")
	thousand      = decimal.NewFromInt(1000)
)

func (s Style) ounces() bool { return s.Mass == "oz" }

// MassUnit is what stands beside a box for a mass at the bench: "g" or "oz".
func (s Style) MassUnit() string {
	if s.ounces() {
		return "oz"
	}
	return "g"
}

// Grams shows a mass in g with its unit, as the bench weighs: "803.2 g", or "28.332 oz" to a thousandth.
func (s Style) Grams(g decimal.Decimal) string {
	return quantity.Format(s.mass(g)) + " " + s.MassUnit()
}

// Bulk shows a mass in g as a shelf counts it: kg from 1,000 g on, pounds from one pound on; below as Grams.
func (s Style) Bulk(g decimal.Decimal) string {
	switch {
	case s.ounces() && g.Abs().GreaterThanOrEqual(gramsPerPound):
		return quantity.Format(g.DivRound(gramsPerPound, 3)) + " lb"
	case !s.ounces() && g.Abs().GreaterThanOrEqual(thousand):
		return quantity.Format(g.Div(thousand)) + " kg"
	}
	return s.Grams(g)
}

// Figure is a mass in g as a form holds it, in MassUnit without its name: what ReadMass reads back.
func (s Style) Figure(g decimal.Decimal) string { return quantity.Plain(s.mass(g)) }

func (s Style) mass(g decimal.Decimal) decimal.Decimal {
	if s.ounces() {
		return g.DivRound(gramsPerOunce, 3)
	}
	return g
}

// Each shows a mass of one unit as a list does, to the same number of places in each row: grams to places, ounces to
// a thousandth. A mass in grams that is finer keeps its own.
func (s Style) Each(g decimal.Decimal, places int32) string {
	switch {
	case s.ounces():
		return quantity.FormatFixed(s.mass(g), 3)
	case !g.Equal(g.Round(places)):
		return quantity.Format(g)
	}
	return quantity.FormatFixed(g, places)
}

// ToGrams is a mass typed in MassUnit in g, to a tenth of a milligram.
func (s Style) ToGrams(typed decimal.Decimal) decimal.Decimal {
	if s.ounces() {
		return typed.Mul(gramsPerOunce).Round(4)
	}
	return typed
}

// Degrees shows a temperature in °C with its unit: "19.5 °C" or "67.1 °F".
func (s Style) Degrees(c decimal.Decimal) string {
	return quantity.Format(s.temperature(c)) + " " + s.TemperatureUnit()
}

// In is a figure that is kept in g or °C, with its unit, as the workshop shows them. Any other unit stays as it is.
func (s Style) In(v decimal.Decimal, unit string) (decimal.Decimal, string) {
	switch unit {
	case "g":
		return s.mass(v), s.MassUnit()
	case "°C":
		return s.temperature(v), s.TemperatureUnit()
	}
	return v, unit
}

// From is a figure that was typed in the unit that In shows, in the unit that it is kept in.
func (s Style) From(typed decimal.Decimal, unit string) decimal.Decimal {
	switch unit {
	case "g":
		return s.ToGrams(typed)
	case "°C":
		return s.ToCelsius(typed)
	}
	return typed
}

// Unit is what stands beside a figure that is kept in a unit.
func (s Style) Unit(kept string) string {
	_, unit := s.In(decimal.Zero, kept)
	return unit
}

// Value shows a figure that is kept in a unit, with the unit as the workshop shows it.
func (s Style) Value(v decimal.Decimal, unit string) string {
	shown, unit := s.In(v, unit)
	return strings.TrimSpace(quantity.Format(shown) + " " + unit)
}

// Air shows the air of a room: "19.5 °C, 48 %".
func (s Style) Air(c, pct decimal.Decimal) string {
	return s.Degrees(c) + ", " + quantity.Format(pct) + " %"
}

// Heat is a temperature in °C on the workshop's scale, not rounded to what is shown.
func (s Style) Heat(c float64) float64 {
	if s.Temperature == "F" {
		return math.Round((c*1.8+32)*1e6) / 1e6
	}
	return c
}

// TemperatureUnit is what stands beside a box for a temperature: "°C" or "°F".
func (s Style) TemperatureUnit() string {
	if s.Temperature == "F" {
		return "°F"
	}
	return "°C"
}

// TemperatureFigure is a temperature in °C as a form holds it: what ToCelsius understands.
func (s Style) TemperatureFigure(c decimal.Decimal) string { return quantity.Plain(s.temperature(c)) }

func (s Style) temperature(c decimal.Decimal) decimal.Decimal {
	if s.Temperature == "F" {
		return c.Mul(decimal.New(18, -1)).Add(decimal.NewFromInt(32)).Round(1)
	}
	return c
}

// ToCelsius is a temperature typed in TemperatureUnit in °C, to a hundredth.
func (s Style) ToCelsius(typed decimal.Decimal) decimal.Decimal {
	if s.Temperature == "F" {
		return typed.Sub(decimal.NewFromInt(32)).DivRound(decimal.New(18, -1), 2)
	}
	return typed
}

// Day writes a date: "14 Mar 2026", "Mar 14, 2026" or "2026-03-14"; empty for no day.
func (s Style) Day(d day.Day) string {
	if d.IsZero() {
		return ""
	}
	return d.Time().Format(s.layout())
}

// Month writes a month: "Mar 2026" or "2026-03"; empty for no day.
func (s Style) Month(d day.Day) string {
	switch {
	case d.IsZero():
		return ""
	case s.Date == "iso":
		return d.Time().Format("2006-01")
	}
	return d.Time().Format("Jan 2006")
}

func (s Style) layout() string {
	switch s.Date {
	case "mdy":
		return "Jan 2, 2006"
	case "iso":
		return time.DateOnly
	}
	return "2 Jan 2006"
}

// Moment writes date and time of day in a zone: "14 Mar 2026, 09:30"; empty for the zero time.
func (s Style) Moment(t time.Time, zone *time.Location) string {
	if t.IsZero() {
		return ""
	}
	return t.In(zone).Format(s.layout() + ", 15:04")
}

// Short is Moment within the year: "14 Mar, 09:30" or "Mar 14, 09:30". A date that is written by numbers keeps its
// year, without which nobody could tell it from a month and a day.
func (s Style) Short(t time.Time, zone *time.Location) string {
	if t.IsZero() {
		return ""
	}
	layout := map[string]string{"mdy": "Jan 2", "iso": time.DateOnly}[s.Date]
	if layout == "" {
		layout = "2 Jan"
	}
	return t.In(zone).Format(layout + ", 15:04")
}
