// Package dispatch is where units leave and come back: customers, dispatches, returns, the stock of units, and what
// keeps units from leaving.
package dispatch

import (
	"example.org/stillroom/internal/store"
	"example.org/stillroom/web/ui"
)

// Area serves the pages of customers, dispatches, returns and stock.
type Area struct{ Store *store.Store }

// Names of form fields, shared by form, fault and page. The rows of a dispatch are store.LineField and
// store.CodeField.
const (
	fieldName        = "name"
	fieldCode        = "code"
	fieldKind        = "kind"
	fieldEmail       = "email"
	fieldPhone       = "phone"
	fieldAddress     = "address"
	fieldReason      = "reason"
	fieldSeen        = "seen"
	fieldCustomer    = "customer"
	fieldNewCustomer = "new_customer"
	fieldNewKind     = "new_kind"
	fieldOn          = "dispatched_on"
	fieldLeft        = "already_left"
	fieldNote        = "note"
	fieldLines       = "lines"
	fieldStep        = "step"
	fieldRows        = "rows"
	fieldPacking     = "packing"
	fieldUnits       = "units"
	fieldReturnedOn  = "returned_on"
	fieldDisposition = "disposition"
	fieldMovedOn     = "moved_on"
	fieldWhich       = "which"
	fieldHold        = "hold"
	fieldEntry       = "entry"
	fieldReally      = "really"
	fieldProduct     = "product"
)

// save ends a form's parsing: its faults, else the entry and what the store says.
func save(r *ui.Request, f *ui.Form, do func(store.Entry) error) error {
	if err := f.Err(); err != nil {
		return err
	}
	entry, err := r.Entry()
	if err != nil {
		return err
	}
	return do(entry)
}
