package quantity

import (
	"fmt"
	"strings"
	"unicode"
	"unicode/utf8"

	"github.com/shopspring/decimal"

	"example.org/stillroom/internal/fault"
)

// The most digits a number may have before and behind the mark: the width of the columns, numeric(18,6).
const (
	MaxWholeDigits    = 12
	MaxFractionDigits = 6
)

// MaxWhole is the largest count that ParseWhole takes.
const MaxWhole = 1_000_000

// Ambiguous says that a text could mean two numbers, such as 1,234: one and a bit, or over a thousand.
type Ambiguous struct {
	Text      string // as typed, trimmed
	AsDecimal string // the comma read as the decimal mark
	AsGrouped string // the comma read as grouping
}

func (a *Ambiguous) Error() string {
	return fmt.Sprintf("%s could mean %s or %s; write it without the comma", a.Text, a.AsDecimal, a.AsGrouped)
}

// Unwrap makes it a fault for people too, so that it answers 422 like every other bad entry.
func (a *Ambiguous) Unwrap() error { return fault.New(fault.Invalid, a.Error()) }

// Parse reads a number as people type it. The decimal mark is a point or a comma; thousands may be grouped by
// spaces of any width, apostrophes, or the other of the two marks ("1,234.5" and "1.234,5" are both 1234.5),
// in proper groups of three. A lone point is always the decimal mark; a lone comma with one to three digits
// before it, not just 0, and exactly three behind is *Ambiguous. A sign may lead. Units, exponents, NaN and
// more digits than the columns hold are refused, with a fault for people.
func Parse(text string) (decimal.Decimal, error) {
	d, _, err := parse(text)
	return d, err
}

// ParseNonNegative is Parse for what may be zero but not less.
func ParseNonNegative(text string) (decimal.Decimal, error) {
	d, err := Parse(text)
	if err != nil {
		return decimal.Decimal{}, err
	}
	if d.Sign() < 0 {
		return decimal.Decimal{}, invalid("this cannot be less than 0")
	}
	return d, nil
}

// ParsePositive is Parse for what must be more than zero.
func ParsePositive(text string) (decimal.Decimal, error) {
	d, err := Parse(text)
	if err != nil {
		return decimal.Decimal{}, err
	}
	if d.Sign() <= 0 {
		return decimal.Decimal{}, invalid("this must be more than 0")
	}
	return d, nil
}

// ParseWhole reads a count of 0 to 1,000,000. A decimal mark is refused even with zeros behind it, since 1.000
// is a thousand to half of those who type it.
func ParseWhole(text string) (int, error) {
	d, marked, err := parse(text)
	if err != nil {
		return 0, err
	}
	if marked {
		return 0, invalid("write a whole number, without a point or comma")
	}
	if d.Sign() < 0 {
		return 0, invalid("this cannot be less than 0")
	}
	if d.GreaterThan(decimal.NewFromInt(MaxWhole)) {
		return 0, invalid(fmt.Sprintf("this cannot be more than %d", MaxWhole))
	}
	return int(d.IntPart()), nil
}

// parse also tells whether a decimal mark was read.
func parse(typed string) (d decimal.Decimal, marked bool, err error) {
	text := strings.TrimSpace(typed)
	if text == "" {
		return d, false, invalid("write a number")
	}
	sign, rest := "", text
	switch first, size := utf8.DecodeRuneInString(text); first {
	case '-', '\u2212':
		sign, rest = "-", text[size:]
	case '+':
		rest = text[size:]
	}
	if unit := trailingUnit(rest); unit != "" {
		return d, false, invalid(fmt.Sprintf("write the number alone and leave out %q", unit))
	}
	number, ok := oneGrouping(rest)
	if !ok {
		return d, false, notANumber(text)
	}
	whole, fraction, marked, ok := split(number)
	if !ok || whole+fraction == "" || marked && fraction == "" {
		return d, false, notANumber(text)
	}
	if before, after, _ := strings.Cut(number, ","); after == fraction && marked && len(after) == 3 &&
		len(before) >= 1 && len(before) <= 3 && before != "0" {
		return d, false, &Ambiguous{Text: text, AsDecimal: sign + before + "." + after, AsGrouped: sign + before + after}
	}
	if len(whole) > MaxWholeDigits {
		return d, false, invalid(fmt.Sprintf("this number is too long: at most %d digits before the point", MaxWholeDigits))
	}
	if len(fraction) > MaxFractionDigits {
		return d, false, invalid(fmt.Sprintf("this number is too fine: at most %d digits behind the point", MaxFractionDigits))
	}
	plain := sign + "0" + whole
	if marked {
		plain += "." + fraction
	}
	d, err = decimal.NewFromString(plain)
	if err != nil {
		return decimal.Decimal{}, false, notANumber(text)
	}
	return d, marked, nil
}

// oneGrouping turns every kind of space into one and every apostrophe into one, and refuses what is neither,
// nor a digit or a mark.
func oneGrouping(text string) (string, bool) {
	var b strings.Builder
	for _, r := range text {
		switch {
		case r >= '0' && r <= '9', r == '.', r == ',':
			b.WriteRune(r)
		case r == ' ', r == '\u00a0', r == '\u2007', r == '\u2009', r == '\u202f':
			b.WriteByte(' ')
		case r == '\'', r == '\u2019':
			b.WriteByte('\'')
		default:
			return "", false
		}
	}
	return b.String(), true
}

// split finds the decimal mark and takes the grouping out. At most one kind of grouping may be there, in
// groups of three, and only before the mark: "12 5" is more likely a lost point than 125.
func split(number string) (whole, fraction string, marked, ok bool) {
	mark := -1
	point, comma := strings.LastIndexByte(number, '.'), strings.LastIndexByte(number, ',')
	switch {
	case point >= 0 && comma >= 0:
		mark = max(point, comma)
	case strings.Count(number, ".") == 1:
		mark = point
	case strings.Count(number, ",") == 1:
		mark = comma
	}
	whole = number
	if mark >= 0 {
		whole, fraction, marked = number[:mark], number[mark+1:], true
	}
	if strings.ContainsAny(fraction, " '.,") || marked && strings.Contains(whole, number[mark:mark+1]) {
		return "", "", false, false
	}
	at := strings.IndexAny(whole, " '.,")
	if at < 0 {
		return whole, fraction, marked, true
	}
	groups := strings.Split(whole, whole[at:at+1])
	for i, digits := range groups {
		if strings.ContainsAny(digits, " '.,") || i > 0 && len(digits) != 3 || i == 0 && (len(digits) < 1 || len(digits) > 3) {
			return "", "", false, false
		}
	}
	return strings.Join(groups, ""), fraction, marked, true
}

// trailingUnit is what stands behind the last digit where it begins, after spaces, with a letter or per cent
// sign and holds no digit: "g", "ml", "% w/w".
func trailingUnit(text string) string {
	last := strings.LastIndexAny(text, "0123456789")
	if last < 0 {
		return ""
	}
	unit := strings.TrimFunc(text[last+1:], func(r rune) bool { return unicode.IsSpace(r) || r == '.' || r == ',' })
	first, _ := utf8.DecodeRuneInString(unit)
	if unit == "" || !unicode.IsLetter(first) && first != '%' && first != '‰' && first != '°' {
		return ""
	}
	return clip(unit)
}

func notANumber(text string) error {
	return invalid(fmt.Sprintf("%s is not a number that can be read here; write it like 1234.5", clip(text)))
}

// clip keeps messages short whatever was pasted.
func clip(text string) string {
	const most = 24
	runes := []rune(text)
	if len(runes) <= most {
		return text
	}
	return string(runes[:most]) + "…"
}
