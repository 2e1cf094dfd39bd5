package materials

import (
	"example.org/stillroom/internal/day"
	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/quantity"
	"example.org/stillroom/internal/store"
	"example.org/stillroom/web/ui"
)

type lotView struct {
	store.LotPage
	Key                                        string
	Clock                                      ui.Clock
	Today                                      day.Day
	MayRelease, MayReject, MayMove, MayCorrect bool
	Fault                                      *fault.Fault
	Reason, Status                             string
}

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

func onHand(l store.Lot) string { return quantity.Format(l.OnHand) + " " + l.Material.Unit }

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
