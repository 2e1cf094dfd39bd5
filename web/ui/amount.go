package ui

import (
	"context"
	"strconv"
	"time"

	"github.com/shopspring/decimal"

	"example.org/stillroom/internal/day"
	"example.org/stillroom/internal/measure"
	"example.org/stillroom/internal/quantity"
)

type styleKey struct{}

// Style is what the page that is being drawn shows its figures in: a component takes it from its own context.
func Style(ctx context.Context) measure.Style {
	style, _ := ctx.Value(styleKey{}).(measure.Style)
	return style
}

// Amount writes so much of a material in the unit it is counted in; what is counted by the piece is a bare number, as
// one says "390 left".
func Amount(style measure.Style, d decimal.Decimal, unit string) string {
	switch unit {
	case "g":
		return style.Grams(d.Round(4))
	case "each":
		return quantity.Format(d)
	}
	return quantity.Format(d.Round(1)) + " " + unit
}

// RunsOut says why a lot does not count on a day that comes after its last one.
func RunsOut(style measure.Style, until, on day.Day) string {
	return "it may be used until " + style.Day(until) + ", before " + style.Day(on)
}

// Lasted writes how long something took: "25 min", "1 h 20 min", "3 days 4 h".
func Lasted(d time.Duration) string {
	minutes := int(d.Round(time.Minute) / time.Minute)
	hours, days := minutes/60, minutes/(24*60)
	switch {
	case minutes < 1:
		return "under a minute"
	case hours < 1:
		return strconv.Itoa(minutes) + " min"
	case days < 1 && minutes%60 == 0:
		return strconv.Itoa(hours) + " h"
	case days < 1:
		return strconv.Itoa(hours) + " h " + strconv.Itoa(minutes%60) + " min"
	}
	words := strconv.Itoa(days) + " days"
	if days == 1 {
		words = "1 day"
	}
	if rest := hours % 24; rest > 0 {
		words += " " + strconv.Itoa(rest) + " h"
	}
	return words
}
