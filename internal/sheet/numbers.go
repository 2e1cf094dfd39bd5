package sheet

import (
	"regexp"
	"strings"
	"unicode"

	"github.com/shopspring/decimal"
)

// Marks that stand before the part of a number that is less than one.
const (
	Point = "point" // 1,250.5
	Comma = "comma" // 1.250,5
)

var (
	written    = regexp.MustCompile(`^([-+\x{2212}]?[0-9][0-9.,'\x{2019}\s\x{00A0}\x{2009}\x{202F}]*|[-+\x{2212}]?[.,][0-9]+)(.*)$`)
	pointForm  = regexp.MustCompile(`^-?(\d+|[1-9]\d{0,2}(,\d{3})+|[1-9]\d{0,2}( \d{3})+)?(\.\d+)?$`)
	commaForm  = regexp.MustCompile(`^-?(\d+|[1-9]\d{0,2}(\.\d{3})+|[1-9]\d{0,2}( \d{3})+)?(,\d+)?$`)
	groupSpace = regexp.MustCompile(`['\x{2019}\s\x{00A0}\x{2009}\x{202F}]`)
)

// figure is a number as it was written, and what stands around it.
type figure struct {
	digits string
	unit   string // as written behind it
	money  string // the mark of a currency, before or behind
}

// figureOf takes a written number apart; not ok where no number begins it.
func figureOf(text string) (figure, bool) {
	var f figure
	text = strings.TrimSpace(text)
	f.money, text = takeMoney(text)
	p := written.FindStringSubmatch(text)
	if p == nil {
		return f, false
	}
	f.digits = strings.Replace(strings.TrimPrefix(groupSpace.ReplaceAllString(strings.TrimRightFunc(p[1], unicode.IsSpace), " "), "+"), "\u2212", "-", 1)
	f.unit = strings.TrimSpace(p[2])
	if f.money == "" {
		f.money, f.unit = takeMoney(f.unit)
	}
	return f, true
}

// number reads digits with one mark; they come out plain.
func number(digits, mark string) (decimal.Decimal, bool) {
	form := pointForm
	if mark == Comma {
		form = commaForm
	}
	if !form.MatchString(digits) || !strings.ContainsAny(digits, "0123456789") || len(digits) > 60 {
		return decimal.Zero, false
	}
	digits = strings.ReplaceAll(digits, " ", "")
	if mark == Comma {
		digits = strings.ReplaceAll(strings.ReplaceAll(digits, ".", ""), ",", ".")
	} else {
		digits = strings.ReplaceAll(digits, ",", "")
	}
	d, err := decimal.NewFromString(digits)
	return d, err == nil
}

// marks tells how many of a column's numbers fit one mark only, and one that both read differently.
type marks struct {
	point, comma int
	both         string
}

func (m *marks) see(c Cell) {
	f, ok := figureOf(c.Text)
	if c.Kind != Text || c.Wrong != "" || !ok {
		return
	}
	p, asPoint := number(f.digits, Point)
	k, asComma := number(f.digits, Comma)
	switch {
	case asPoint && !asComma:
		m.point++
	case asComma && !asPoint:
		m.comma++
	case asPoint && !p.Equal(k) && m.both == "":
		m.both = c.Text
	}
}

func (m marks) settled() (mark string, ask bool) {
	switch {
	case m.point > 0 && m.comma > 0:
		return "", true
	case m.point > 0:
		return Point, false
	case m.comma > 0:
		return Comma, false
	}
	return Point, m.both != ""
}
