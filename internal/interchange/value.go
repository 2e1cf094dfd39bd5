package interchange

import (
	"fmt"
	"regexp"
	"slices"
	"strings"
	"time"
	"unicode/utf8"

	"example.org/stillroom/internal/batchcode"
)

// Forms of the numbers. Thirty digits before and twenty after the point are more than any balance or ledger has.
var (
	decimalForm = regexp.MustCompile(`^-?[0-9]{1,30}(\.[0-9]{1,20})?$`)
	integerForm = regexp.MustCompile(`^-?[0-9]{1,18}$`)
	momentForm  = regexp.MustCompile(`^[0-9]{4}-[0-9]{2}-[0-9]{2}[Tt][0-9]{2}:[0-9]{2}:[0-9]{2}(\.[0-9]{1,9})?([Zz]|[+-][0-9]{2}:[0-9]{2})$`)
)

// Value reads one cell and gives it in the one form in which it is written, or says what is wrong with it. An empty
// optional cell is the column's default.
func (c Column) Value(cell string) (value, wrong string) {
	if !utf8.ValidString(cell) {
		return "", "this is not UTF-8 text; save the file as UTF-8"
	}
	if strings.IndexByte(cell, 0) >= 0 {
		return "", "a NUL byte stands in it"
	}
	if cell == "" {
		if !c.Optional {
			return "", "is empty, and is needed"
		}
		return c.Default, ""
	}
	switch c.Kind {
	case Text:
		if n := utf8.RuneCountInString(cell); n > c.Max {
			return "", fmt.Sprintf("has %d characters; %d are the most", n, c.Max)
		}
		return cell, ""
	case Code:
		if n := utf8.RuneCountInString(cell); n > 40 {
			return "", fmt.Sprintf("has %d characters; a code has 1 to 40", n)
		}
		return cell, ""
	case UnitCode:
		if err := batchcode.Validate(cell); err != nil {
			return "", quoted(cell) + ": " + err.Error()
		}
		return cell, ""
	case Decimal, Integer:
		return c.number(cell)
	case Date:
		return dateValue(cell)
	case Moment:
		return momentValue(cell)
	default:
		if !slices.Contains(c.Words, cell) {
			return "", fmt.Sprintf("%s is none of %s", quoted(cell), strings.Join(c.Words, ", "))
		}
		return cell, ""
	}
}

// quoted shows a cell within a message, cut where it is long.
func quoted(cell string) string {
	const most = 60
	if utf8.RuneCountInString(cell) > most {
		cell = string([]rune(cell)[:most]) + "..."
	}
	return fmt.Sprintf("%q", cell)
}

func (c Column) number(cell string) (value, wrong string) {
	form, what := decimalForm, "a number with a point, such as 12.5"
	if c.Kind == Integer {
		form, what = integerForm, "a whole number"
	}
	if !form.MatchString(cell) {
		return "", fmt.Sprintf("%s is not %s", quoted(cell), what)
	}
	value = plain(cell)
	if c.Low != "" && (lessPlain(value, c.Low) || c.Over && value == c.Low) {
		if c.Over {
			return "", fmt.Sprintf("%s: has to be more than %s", cell, c.Low)
		}
		return "", fmt.Sprintf("%s: has to be %s or more", cell, c.Low)
	}
	if c.High != "" && lessPlain(c.High, value) {
		return "", fmt.Sprintf("%s: has to be %s or less", cell, c.High)
	}
	return value, ""
}

// plain drops what a number can do without: leading zeros, trailing ones after the point, the sign of zero.
func plain(s string) string {
	sign := ""
	if s[0] == '-' {
		sign, s = "-", s[1:]
	}
	whole, part, _ := strings.Cut(s, ".")
	whole, part = strings.TrimLeft(whole, "0"), strings.TrimRight(part, "0")
	if whole == "" {
		whole = "0"
	}
	if part != "" {
		return sign + whole + "." + part
	}
	if whole == "0" {
		return "0"
	}
	return sign + whole
}

// lessPlain compares two numbers in plain form without turning them into floats.
func lessPlain(a, b string) bool {
	an, bn := a[0] == '-', b[0] == '-'
	switch {
	case an && !bn:
		return true
	case bn && !an:
		return false
	case an && bn:
		return lessPlain(b[1:], a[1:])
	}
	aw, ap, _ := strings.Cut(a, ".")
	bw, bp, _ := strings.Cut(b, ".")
	if len(aw) != len(bw) {
		return len(aw) < len(bw)
	}
	if aw != bw {
		return aw < bw
	}
	return ap < bp // without trailing zeros, text order is the order of the parts
}

func dateValue(cell string) (value, wrong string) {
	if len(cell) != len("2006-01-02") {
		return "", fmt.Sprintf("%s is not a date such as 2026-03-14", quoted(cell))
	}
	d, err := time.Parse("2006-01-02", cell)
	if err != nil {
		if looksLikeDate(cell) {
			return "", fmt.Sprintf("%s: there is no such day", quoted(cell))
		}
		return "", fmt.Sprintf("%s is not a date such as 2026-03-14", quoted(cell))
	}
	if d.Year() < 1 {
		return "", fmt.Sprintf("%s: there is no such day", quoted(cell))
	}
	return cell, ""
}

func looksLikeDate(cell string) bool {
	for i, r := range cell {
		if i == 4 || i == 7 {
			if r != '-' {
				return false
			}
		} else if r < '0' || r > '9' {
			return false
		}
	}
	return true
}

// momentValue reads RFC 3339 and writes UTC, to the microsecond that the book keeps.
func momentValue(cell string) (value, wrong string) {
	if !momentForm.MatchString(cell) {
		return "", fmt.Sprintf("%s is not a moment such as 2026-03-14T09:30:00Z (with its offset from UTC)", quoted(cell))
	}
	t, err := time.Parse(time.RFC3339Nano, strings.ToUpper(cell))
	if err != nil {
		return "", fmt.Sprintf("%s: there is no such moment", quoted(cell))
	}
	t = t.UTC().Truncate(time.Microsecond)
	if t.Year() < 1 || t.Year() > 9999 {
		return "", fmt.Sprintf("%s: the year has to be from 1 to 9999", quoted(cell))
	}
	return t.Format("2006-01-02T15:04:05.999999Z"), ""
}
