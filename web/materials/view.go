package materials

import (
	"slices"

	"github.com/shopspring/decimal"

	"example.org/stillroom/internal/day"
	"example.org/stillroom/internal/quantity"
	"example.org/stillroom/internal/store"
)

// stateOf is a lot's state as a mark and a word. What makes it unfit is said before what it was released as.
func stateOf(l store.Lot, today day.Day) (kind, word string) {
	switch {
	case l.Recalled:
		return "stop", "In a recall"
	case l.Status == "rejected":
		return "stop", "Rejected"
	case !l.ExpiresOn.IsZero() && l.ExpiresOn.Before(today):
		return "stop", "Expired"
	case l.Status == "quarantined":
		return "wait", "In quarantine"
	case !l.RetestOn.IsZero() && l.RetestOn.Before(today):
		return "care", "Retest due"
	default:
		return "good", "Released"
	}
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

func onHand(l store.Lot) string { return amount(l.OnHand, l.Material.Unit) }

// amount is a quantity with its unit; what is counted by the piece is a bare number, as one says "390 left".
func amount(q decimal.Decimal, unit string) string {
	if unit == "each" {
		return quantity.Format(q)
	}
	return quantity.Format(q) + " " + unit
}

// unitHead heads a column of such quantities.
func unitHead(unit string) string {
	if unit == "each" {
		return "Number"
	}
	return unit
}

// retested tells whether any of the lots has a day to be tested anew.
func retested(lots []store.Lot) bool {
	return slices.ContainsFunc(lots, func(l store.Lot) bool { return !l.RetestOn.IsZero() })
}

func dateOr(d day.Day, none string) string {
	if d.IsZero() {
		return none
	}
	return d.Long()
}

// supplied says where a lot came from in one line.
func supplied(l store.Lot) string {
	words := l.Material.Name
	if l.SupplierName != "" {
		words += ", " + l.SupplierName
	}
	if l.SupplierLot != "" {
		words += " lot " + l.SupplierLot
	}
	return words + ", received " + l.ReceivedOn.Long()
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
