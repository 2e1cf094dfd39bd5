// Package materials is where deliveries come in: materials, their lots, and who supplied them.
package materials

import (
	"net/http"

	"github.com/a-h/templ"
	"github.com/go-chi/chi/v5"

	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/store"
	"example.org/stillroom/web/paths"
	"example.org/stillroom/web/ui"
)

// Area serves the pages of materials, lots and suppliers.
type Area struct{ Store *store.Store }

// Names of form fields, shared by form, fault and page.
const (
	fieldMaterial     = "material"
	fieldSupplier     = "supplier"
	fieldNewSupplier  = "new_supplier"
	fieldSupplierLot  = "supplier_lot"
	fieldReceived     = "received_on"
	fieldExpires      = "expires_on"
	fieldRetest       = "retest_on"
	fieldQuantity     = "quantity"
	fieldUnitCost     = "unit_cost"
	fieldDeliveryNote = "delivery_note"
	fieldCode         = "code"
	fieldRelease      = "release"
	fieldReason       = "reason"
	fieldStatus       = "status"
	fieldFile         = "file"
	fieldKind         = "kind"
)

// Materials lists all materials with what the book says is there.
func (a Area) Materials(r *ui.Request) error {
	list, err := a.Store.Materials(r.HTTP.Context(), r.Who.Workshop)
	if err != nil {
		return err
	}
	return r.Render(http.StatusOK, r.Page("Materials", "materials"), materialsPage(materialsView{Materials: list, MayReceive: r.May("receive"), MayEdit: r.May("edit formula")}))
}

type materialsView struct {
	Materials           []store.MaterialStock
	MayReceive, MayEdit bool
}

// NewLot shows the form for a delivery.
func (a Area) NewLot(r *ui.Request) error {
	v := receiveView{Key: ui.NewKey(), Form: receiveForm{Material: r.HTTP.URL.Query().Get("material"), Received: r.Today().String()}, MayRelease: r.May("release lot")}
	if err := a.receiveChoices(r, &v); err != nil {
		return err
	}
	return r.Render(http.StatusOK, r.Page("Receive a lot", "materials"), receivePage(v))
}

// ReceiveLot books the delivery.
func (a Area) ReceiveLot(r *ui.Request) error {
	form, receipt, papers, err := parseReceipt(r)
	var code string
	var entry store.Entry
	if err == nil {
		entry, err = r.Entry()
	}
	if err == nil {
		code, err = a.Store.ReceiveLot(r.HTTP.Context(), r.Who, entry, receipt, papers...)
	}
	if err == nil {
		return r.SeeOther(paths.Lot(code), "Lot "+code+" is in the book.")
	}
	v := receiveView{Key: r.Form().Raw("entry_key"), Form: form, MayRelease: r.May("release lot")}
	if err := a.receiveChoices(r, &v); err != nil {
		return err
	}
	return r.Refuse(err, r.Page("Receive a lot", "materials"), func(f *fault.Fault) templ.Component {
		v.Fault = f
		return receivePage(v)
	})
}

func (a Area) receiveChoices(r *ui.Request, v *receiveView) error {
	materials, err := a.Store.Materials(r.HTTP.Context(), r.Who.Workshop)
	if err != nil {
		return err
	}
	for _, m := range materials {
		if m.Tracked && !m.Retired {
			v.Materials = append(v.Materials, ui.Option{Value: m.Code, Label: m.Name, Hint: m.Code + ", in " + m.Unit})
		}
	}
	suppliers, err := a.Store.Suppliers(r.HTTP.Context(), r.Who.Workshop)
	for _, s := range suppliers {
		v.Suppliers = append(v.Suppliers, ui.Option{Value: s.Code, Label: s.Name, Hint: s.Code})
	}
	return err
}

// receiveForm is what was typed, kept as it was.
type receiveForm struct {
	Material, Supplier, NewSupplier, SupplierLot, Received, Expires, Retest, Quantity, UnitCost, DeliveryNote, Code string
	Release                                                                                                         bool
}

type receiveView struct {
	Key                  string
	Form                 receiveForm
	Materials, Suppliers []ui.Option
	MayRelease           bool
	Fault                *fault.Fault
}

func parseReceipt(r *ui.Request) (receiveForm, store.Receipt, []store.Upload, error) {
	f := r.Form()
	form := receiveForm{
		Material: f.Raw(fieldMaterial), Supplier: f.Raw(fieldSupplier), NewSupplier: f.Raw(fieldNewSupplier), SupplierLot: f.Raw(fieldSupplierLot),
		Received: f.Raw(fieldReceived), Expires: f.Raw(fieldExpires), Retest: f.Raw(fieldRetest), Quantity: f.Raw(fieldQuantity),
		UnitCost: f.Raw(fieldUnitCost), DeliveryNote: f.Raw(fieldDeliveryNote), Code: f.Raw(fieldCode), Release: f.On(fieldRelease),
	}
	receipt := store.Receipt{
		Material:     f.Must(fieldMaterial, 40, "Choose the material."),
		Supplier:     f.Text(fieldSupplier, 40),
		NewSupplier:  f.Text(fieldNewSupplier, 200),
		SupplierLot:  f.Text(fieldSupplierLot, 80),
		ReceivedOn:   f.Day(fieldReceived, "When did it come?"),
		ExpiresOn:    f.OptionalDay(fieldExpires),
		RetestOn:     f.OptionalDay(fieldRetest),
		Quantity:     f.Positive(fieldQuantity, "How much came?"),
		UnitCost:     f.OptionalNumber(fieldUnitCost),
		DeliveryNote: f.Text(fieldDeliveryNote, 80),
		Code:         f.Text(fieldCode, 40),
		Release:      f.On(fieldRelease),
	}
	papers, err := r.Uploads(fieldFile, "certificate")
	f.Check(fieldFile, err)
	return form, receipt, papers, f.Err()
}

// Lot shows one lot: what it is, what is left, where it went.
func (a Area) Lot(r *ui.Request) error {
	lot, err := a.Store.Lot(r.HTTP.Context(), r.Who.Workshop, chi.URLParam(r.HTTP, "code"))
	if err != nil {
		return err
	}
	return r.Render(http.StatusOK, r.Page("Lot "+lot.Code, "materials"), lotPage(a.lotView(r, lot)))
}

func (a Area) lotView(r *ui.Request, lot store.LotPage) lotView {
	return lotView{LotPage: lot, Key: ui.NewKey(), Clock: r.Clock(), Today: r.Today(), MayRelease: r.May("release lot"), MayReject: r.May("reject lot"), MayMove: r.May("receive"), MayCorrect: r.May("correct any")}
}

// SetStatus releases, rejects or re-admits a lot.
func (a Area) SetStatus(r *ui.Request) error {
	f := r.Form()
	code := chi.URLParam(r.HTTP, "code")
	status := f.OneOf(fieldStatus, "Choose what to do with the lot.", "released", "rejected", "quarantined")
	reason := f.Text(fieldReason, 500)
	err := f.Err()
	var entry store.Entry
	if err == nil {
		entry, err = r.Entry()
	}
	if err == nil {
		err = a.Store.SetLotStatus(r.HTTP.Context(), r.Who, entry, code, status, reason)
	}
	if err == nil {
		return r.SeeOther(paths.Lot(code), "Lot "+code+" is "+status+".")
	}
	lot, loadErr := a.Store.Lot(r.HTTP.Context(), r.Who.Workshop, code)
	if loadErr != nil {
		return loadErr
	}
	return r.Refuse(err, r.Page("Lot "+code, "materials"), func(f *fault.Fault) templ.Component {
		v := a.lotView(r, lot)
		v.Fault, v.Reason, v.Status = f, reason, status
		return lotPage(v)
	})
}
