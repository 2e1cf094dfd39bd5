// Package quantity reads and writes the numbers of the bench: weights, volumes, counts. They are exact
// decimals from the page to the column, never binary floats. Both decimal marks of the trade's countries are
// read; where a text could mean two numbers a thousandfold apart, it is asked about and never guessed.
package quantity

import (
	"strings"

	"github.com/shopspring/decimal"

	"example.org/stillroom/internal/fault"
)

// groupMark is U+202F, the narrow no-break space: a number never breaks over two lines.
const groupMark = "\u202f"

// Format writes a number for people: thousands grouped by U+202F, a point as the mark, no trailing zeros. Parse
// reads it back.
func Format(d decimal.Decimal) string { return group(Plain(d)) }

// FormatFixed is Format with exactly that many digits behind the point, rounded half away from zero.
func FormatFixed(d decimal.Decimal, places int32) string { return group(d.StringFixed(places)) }

// Plain writes a number for form values and CSV: a point, no grouping, no trailing zeros, no exponent.
func Plain(d decimal.Decimal) string {
	text := d.String()
	if strings.Contains(text, ".") {
		text = strings.TrimRight(strings.TrimRight(text, "0"), ".")
	}
	return text
}

func group(plain string) string {
	sign, rest := "", plain
	if strings.HasPrefix(plain, "-") {
		sign, rest = "-", plain[1:]
	}
	whole, fraction, marked := strings.Cut(rest, ".")
	var b strings.Builder
	b.WriteString(sign)
	for i, digit := range whole {
		if i > 0 && (len(whole)-i)%3 == 0 {
			b.WriteString(groupMark)
		}
		b.WriteRune(digit)
	}
	if marked {
		b.WriteString("." + fraction)
	}
	return b.String()
}

// RoundTo rounds d to the nearest multiple of step, a half away from zero: what a scale of that readability
// can show. It is exact, as a division to a fixed number of digits would not be. A step of zero or less rounds
// nothing.
func RoundTo(d, step decimal.Decimal) decimal.Decimal {
	if step.Sign() <= 0 {
		return d
	}
	times, rest := d.QuoRem(step, 0)
	if rest.Abs().Mul(decimal.NewFromInt(2)).GreaterThanOrEqual(step) {
		times = times.Add(decimal.NewFromInt(int64(d.Sign())))
	}
	return times.Mul(step)
}

func invalid(message string) error { return fault.New(fault.Invalid, message) }
