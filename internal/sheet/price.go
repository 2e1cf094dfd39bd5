package sheet

import (
	"fmt"
	"regexp"
	"slices"
	"strings"
	"unicode"
	"unicode/utf8"

	"github.com/shopspring/decimal"
	"golang.org/x/text/currency"

	"example.org/stillroom/internal/interchange"
	"example.org/stillroom/internal/measure"
	"example.org/stillroom/internal/quantity"
)

// What a price may be for, beside the amounts of PriceFors.
const (
	OwnPrice = "own" // one of the material's own unit
	LotPrice = "lot" // the whole lot
)

// PriceFor is an amount that prices are written for.
type PriceFor struct {
	Name  string // as forms send it: "100g"
	Words string // "100 g"
	of    decimal.Decimal
	unit  string
}

// PriceFors are those amounts: common practice, no source.
var PriceFors = priceFors()

func priceFors() (list []PriceFor) {
	add := func(of int64, unit string) {
		p := PriceFor{Name: unit, of: decimal.NewFromInt(of), unit: unit}
		p.Words = measure.IntakeWords(p.of, unit)
		if of != 1 {
			p.Name = p.of.String() + unit
		}
		if unit == "each" {
			p.Words = strings.Replace(p.Words, "each", "pieces", 1)
		}
		list = append(list, p)
	}
	for _, u := range measure.IntakeUnits("g") {
		add(1, u.Name)
		if u.Name == "g" || u.Name == "ml" {
			add(100, u.Name)
		}
	}
	for _, of := range []int64{1, 100, 1000} {
		add(of, "each")
	}
	return list
}

func isPrice(name string) bool { return name == "unit_cost" }

func priceFor(name string) (PriceFor, bool) {
	at := slices.IndexFunc(PriceFors, func(p PriceFor) bool { return p.Name == name })
	if at < 0 {
		return PriceFor{}, false
	}
	return PriceFors[at], true
}

var (
	forWords     = regexp.MustCompile(`^(?:/|(?i:per|an?)\s)\s*(.+)$`)
	forHeading   = regexp.MustCompile(`^(.*?)(?:/|(?:^|[^\pL])(?i:per)\s)\s*([^()\[\]]+?)[)\]]?\s*$`)
	forMoney     = regexp.MustCompile(`^(.*\S)\s*[(\[]\s*([^()\[\]]+?)\s*[)\]]\s*$`)
	amountOfUnit = regexp.MustCompile(`^(\d+)?\s*(\D+)$`)
)

// amountFor is what a price is for by words such as "kg" and "100 g", "" for what is not known. "Unit" is not: of what?
func amountFor(words string) string {
	p := amountOfUnit.FindStringSubmatch(strings.TrimSpace(words))
	if p == nil || strings.HasPrefix(Fold(p[2]), "unit") {
		return ""
	}
	name := unitOf(p[2])
	if p[1] != "" && p[1] != "1" {
		name = p[1] + name
	}
	if _, ok := priceFor(name); !ok {
		return ""
	}
	return name
}

// pricedHeading takes the currency and what a price is for off its heading: "Price per kg", "Cost (€/100 g)", "Cost (GBP)".
func pricedHeading(heading string) (name, amount string) {
	if p := forMoney.FindStringSubmatch(heading); p != nil {
		if mark, more := takeMoney(p[2]); mark != "" && more == "" {
			heading = p[1]
		}
	}
	if p := forHeading.FindStringSubmatch(heading); p != nil {
		if amount := amountFor(p[2]); amount != "" {
			return p[1], amount
		}
	}
	return heading, ""
}

var moneyMark = regexp.MustCompile(`^(?:[A-Z]{0,3}\p{Sc}|[A-Z]{3}|kr\.?|zł|Kč|Ft)`)

// takeMoney takes the mark of a currency off the beginning: a sign (£, US$), a code of ISO 4217 (EUR), and some short names
// that stand for a sign. Three letters that are a unit are none.
func takeMoney(text string) (mark, rest string) {
	mark = moneyMark.FindString(text)
	rest = text[len(mark):]
	last, _ := utf8.DecodeLastRuneInString(mark)
	next, _ := utf8.DecodeRuneInString(rest)
	if mark == "" || unicode.IsLetter(last) && unicode.IsLetter(next) {
		return "", text
	}
	if len(mark) == 3 && unicode.IsUpper(last) {
		if _, err := currency.ParseISO(mark); err != nil || unitOf(mark) != "" {
			return "", text
		}
	}
	return mark, strings.TrimSpace(rest)
}

// price turns a price into that of one of the unit that its material is counted in.
func (c *converter) price(row Row, column interchange.Column, at int, cell Cell, ch Choice) (value, wrong string) {
	if cell.Text == "" {
		return "", ""
	}
	d, f, wrong := c.figure(at, cell, ch)
	if wrong != "" {
		return "", wrong
	}
	if others := c.look.Columns[at].money; f.money != "" && f.money != others {
		return "", fmt.Sprintf("\"%s\" is in %s, and others in the column are in %s; write all in one currency", clip(cell.Text), f.money, others)
	}
	of := ch.Price
	if f.unit != "" {
		if of = ""; forWords.MatchString(f.unit) {
			of = amountFor(forWords.FindStringSubmatch(f.unit)[1])
		}
		if of == "" {
			return "", fmt.Sprintf("\"%s\": what does \"%s\" stand for behind the number?", clip(cell.Text), clip(f.unit))
		}
	}
	if of == LotPrice {
		return c.lotPrice(row, cell, d)
	}
	kept, known := c.kept(column)
	if !known {
		// What is not in the book is refused by the check that follows, which names it.
		return plain(d), ""
	}
	amount, ok := priceFor(of)
	if !ok {
		amount = PriceFor{of: decimal.NewFromInt(1), unit: kept.Unit}
	}
	one, err := measure.PriceOfOne(d, amount.of, amount.unit, kept.Unit, kept.Density)
	if err != nil {
		return "", fmt.Sprintf("\"%s\": %s", clip(cell.Text), unitFault(err, kept.Unit, amount.unit))
	}
	return fine(cell, d, one)
}

// lotPrice parts the price of a whole lot over its quantity. A quantity that cannot be read is told by itself.
func (c *converter) lotPrice(row Row, cell Cell, d decimal.Decimal) (value, wrong string) {
	at := slices.IndexFunc(c.columns, func(column interchange.Column) bool { return column.Name == "quantity" })
	whole, err := decimal.NewFromString(c.values[at])
	switch {
	case err != nil && c.from[at] >= 0 && row.at(c.from[at]).blank():
		return "", fmt.Sprintf("\"%s\" is for the whole lot, and its quantity is empty", clip(cell.Text))
	case err != nil:
		return "", ""
	case !whole.IsPositive():
		return "", fmt.Sprintf("\"%s\" is for the whole lot, and its quantity is %s: the price of one cannot be told", clip(cell.Text), whole)
	}
	return fine(cell, d, d.DivRound(whole, quantity.MaxFractionDigits))
}

// fine refuses a price that rounding made nothing.
func fine(cell Cell, written, one decimal.Decimal) (value, wrong string) {
	if one.IsZero() && !written.IsZero() {
		return "", fmt.Sprintf("\"%s\" is less than a millionth for one g, ml or piece: a book keeps no finer price", clip(cell.Text))
	}
	return plain(one), ""
}
