package materials

import (
	"slices"
	"strconv"
	"strings"

	"github.com/shopspring/decimal"

	"example.org/stillroom/internal/day"
	"example.org/stillroom/internal/measure"
	"example.org/stillroom/internal/quantity"
	"example.org/stillroom/internal/store"
	"example.org/stillroom/web/ui"
)

// stateOf is a lot's state as a mark and a word. What makes it unfit is said before what it was released as; a date
// that passed after the last of it was used tells nobody to do anything.
func stateOf(l store.Lot, today day.Day) (kind, word string) {
	switch {
	case l.Recalled:
		return "stop", "In a recall"
	case l.Status == "rejected":
		return "stop", "Rejected"
	case len(l.Holds) > 0:
		return "stop", "Holds a recalled lot"
	case usedUp(l):
		return "wait", "Used up"
	case !l.ExpiresOn.IsZero() && l.ExpiresOn.Before(today):
		return "stop", "Expired"
	case l.Status == "quarantined":
		return "wait", "In quarantine"
	case l.FailedTest:
		return "care", "Did not pass"
	case l.RetestDue(today):
		return "care", "Retest due"
	default:
		return "good", "Released"
	}
}

// usedUp tells of a released lot that nothing is left of. A tub stands there still and may be topped up.
func usedUp(l store.Lot) bool {
	return l.Status == "released" && l.Tub == "" && !l.OnHand.IsPositive()
}

// watchGroups are the lots to watch, each where the first thing to do about it stands.
type watchGroups struct{ Quarantined, Expired, Expiring, Retest []store.Lot }

func (g watchGroups) empty() bool {
	return len(g.Quarantined)+len(g.Expired)+len(g.Expiring)+len(g.Retest) == 0
}

// watched sorts lots that were asked for because they wait, are past a date or come near one. A lot that is expired
// and waits in quarantine is told as expired: it is not to be released.
func watched(list []store.Lot, today day.Day) watchGroups {
	var g watchGroups
	for _, l := range list {
		switch {
		case !l.ExpiresOn.IsZero() && l.ExpiresOn.Before(today):
			g.Expired = append(g.Expired, l)
		case l.Status == "quarantined":
			g.Quarantined = append(g.Quarantined, l)
		case !l.RetestOn.IsZero() && (l.ExpiresOn.IsZero() || l.RetestOn.Before(l.ExpiresOn)):
			g.Retest = append(g.Retest, l)
		default:
			g.Expiring = append(g.Expiring, l)
		}
	}
	return g
}

func onHand(style measure.Style, l store.Lot) string { return amount(style, l.OnHand, l.Material.Unit) }

// amount is a quantity with its unit; what is counted by the piece is a bare number, as one says "390 left".
func amount(style measure.Style, q decimal.Decimal, unit string) string {
	if unit == "each" {
		return quantity.Format(q)
	}
	if unit == "g" {
		return style.Grams(q)
	}
	return quantity.Format(q) + " " + unit
}

// unitHead heads a column of such quantities.
func unitHead(style measure.Style, unit string) string {
	switch unit {
	case "each":
		return "Number"
	case "g":
		return style.MassUnit()
	}
	return unit
}

// figure is a quantity under such a head.
func figure(style measure.Style, q decimal.Decimal, unit string) string {
	if unit == "g" {
		return strings.TrimSuffix(style.Grams(q), " "+style.MassUnit())
	}
	return quantity.Format(q)
}

// retested tells whether any of the lots has a day to be tested anew.
func retested(lots []store.Lot) bool {
	return slices.ContainsFunc(lots, func(l store.Lot) bool { return !l.RetestOn.IsZero() })
}

func dateOr(style measure.Style, d day.Day, none string) string {
	if d.IsZero() {
		return none
	}
	return style.Day(d)
}

// supplied says where a lot came from in one line.
func supplied(style measure.Style, l store.Lot) string {
	words := l.Material.Name
	if l.Tub != "" {
		return words + ", tub " + l.Tub + ", filled " + style.Day(l.ReceivedOn)
	}
	if l.SupplierName != "" {
		words += ", " + l.SupplierName
	}
	if l.SupplierLot != "" {
		words += " lot " + l.SupplierLot
	}
	return words + ", received " + style.Day(l.ReceivedOn)
}

// inBook is the hint beside a box of a correction: what stands in the book where it differs from what was typed.
func inBook(typed, book, otherwise string) string {
	switch {
	case typed == book:
		return otherwise
	case book == "":
		return "In the book: nothing."
	}
	return "In the book: " + book
}

// kindOf says what a material is and what it is counted in.
func kindOf(m store.Material) string {
	words := "raw material"
	if m.Kind == "packaging" {
		words = "packaging material"
	}
	if m.Unit == "each" {
		return words + ", counted by the piece"
	}
	return words + " in " + m.Unit
}

// cameOn says when a lot came, or was filled.
func cameOn(style measure.Style, l store.Lot) string {
	if l.Tub != "" {
		return "filled " + style.Day(l.ReceivedOn)
	}
	return "received " + style.Day(l.ReceivedOn)
}

func dayOr(style measure.Style, d day.Day, none string) string {
	if d.IsZero() {
		return none
	}
	return style.Day(d)
}

// priceOf says of how much a price is: of one of the unit that the material is kept in.
func priceOf(unit string) string {
	if unit == "each" {
		return "Price of one"
	}
	return "Price of 1 " + unit
}

// unitOptions are the units that an amount of a material may be written in.
func unitOptions(m store.Material) []ui.Option {
	var list []ui.Option
	for _, u := range measure.IntakeUnits(m.Unit) {
		list = append(list, ui.Option{Value: u.Name, Label: u.Words})
	}
	return list
}

func retestWord(t store.Retest) string {
	if t.Passed {
		return "Fine"
	}
	return "Not fine"
}

// count is a small number in words, a larger one in digits.
func count(n int) string {
	words := []string{"none", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten"}
	if n < len(words) {
		return words[n]
	}
	return strconv.Itoa(n)
}

// sameLotMark is care where one delivery of a supplier's lot is not to be used and another still is in the house.
func (v lotView) sameLotMark() string {
	if v.unusable() && slices.ContainsFunc(v.others(), func(l store.Lot) bool { return l.Status != "rejected" }) {
		return "care"
	}
	return ""
}

func (v lotView) sameLotWords() string {
	words := "This supplier's lot came " + count(len(v.Deliveries)) + " times."
	if len(v.Deliveries) == 2 {
		words = "This supplier's lot came twice."
	}
	if v.sameLotMark() == "care" {
		return words + " Only this delivery is decided; the others are the same supplier's lot:"
	}
	return words + " The others:"
}
