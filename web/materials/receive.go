package materials

import (
	"net/http"

	"github.com/a-h/templ"

	"example.org/stillroom/internal/access"
	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/store"
	"example.org/stillroom/web/paths"
	"example.org/stillroom/web/ui"
)

// receiveForm is what was typed, kept as it was.
type receiveForm struct {
	Material, Supplier, NewSupplier, SupplierLot, Received, Expires, Retest, Quantity, Unit, UnitCost, DeliveryNote, Code string
	Release                                                                                                               bool
}

type receiveView struct {
	Key       string
	Form      receiveForm
	Material  *store.Material // what the delivery is of; nil where that is not chosen yet
	Materials []ui.Option     // to choose from, where it is not
	Suppliers []ui.Option
	// MayRelease: somebody who looked at it and may say so at once.
	MayRelease bool
	Fault      *fault.Fault
}

// more tells whether the less-needed boxes are open: they are where something stands in them or is off in them.
func (v receiveView) more() bool {
	for _, field := range []string{fieldReceived, fieldRetest, fieldUnitCost, fieldDeliveryNote, fieldCode, fieldFile} {
		if v.Fault.Of(field) != "" {
			return true
		}
	}
	return v.Form.Retest+v.Form.UnitCost+v.Form.DeliveryNote+v.Form.Code != ""
}

// price says of how much the price is.
func (v receiveView) price() string {
	if v.Material == nil {
		return "Price of one unit"
	}
	return priceOf(v.Material.Unit)
}

// title names the material once it is chosen.
func (v receiveView) title() string {
	if v.Material == nil {
		return "Receive a lot"
	}
	return "Receive a lot of " + v.Material.Name
}

// NewLot asks what came, then shows the form for a delivery of it: with its unit, its caution and who delivered last.
func (a Area) NewLot(r *ui.Request) error {
	v := receiveView{Key: ui.NewKey(), Form: receiveForm{Material: r.HTTP.URL.Query().Get("material"), Received: r.Today().String()}, MayRelease: r.May(access.ReleaseLot)}
	if err := a.receiveChoices(r, &v); err != nil {
		return err
	}
	page := r.Page(v.title(), "materials")
	if v.Material == nil {
		return r.Render(http.StatusOK, page, chooseMaterialPage(v))
	}
	v.Form.Unit = figuresOf(r, *v.Material).beside()
	var err error
	if v.Form.Supplier, err = a.Store.LastSupplier(r.HTTP.Context(), r.Who.Workshop, v.Material.ID); err != nil {
		return err
	}
	return r.Render(http.StatusOK, page, receivePage(v))
}

// ReceiveLot books the delivery.
func (a Area) ReceiveLot(r *ui.Request) error {
	f := r.Form()
	form, receipt := parseReceipt(f)
	v := receiveView{Key: f.Raw("entry_key"), Form: form, MayRelease: r.May(access.ReleaseLot)}
	if err := a.receiveChoices(r, &v); err != nil {
		return err
	}
	if v.Material != nil {
		alsoOff(f, receipt.Check(*v.Material, r.Today()))
	}
	papers, err := r.Uploads(fieldFile, "certificate")
	f.Check(fieldFile, err)
	err = f.Err()
	var entry store.Entry
	if err == nil {
		entry, err = r.EntryWith(papers)
	}
	var code string
	if err == nil {
		code, err = a.Store.ReceiveLot(r.HTTP.Context(), r.Who, entry, receipt, papers...)
	}
	if err == nil {
		return r.SeeOther(paths.Lot(code), "Lot "+code+" is in the book"+receipt.Converted(*v.Material)+".")
	}
	return r.Refuse(err, r.Page(v.title(), "materials"), func(f *fault.Fault) templ.Component {
		v.Fault = f
		return receivePage(v)
	})
}

func (a Area) receiveChoices(r *ui.Request, v *receiveView) error {
	materials, err := a.Store.TrackedMaterials(r.HTTP.Context(), r.Who.Workshop)
	if err != nil {
		return err
	}
	for i, m := range materials {
		if m.Code == v.Form.Material {
			v.Material = &materials[i]
		}
		v.Materials = append(v.Materials, ui.Option{Value: m.Code, Label: m.Name, Hint: m.Code + ", in " + m.Unit})
	}
	v.Suppliers, err = a.suppliers(r)
	return err
}

func (a Area) suppliers(r *ui.Request) ([]ui.Option, error) {
	list, err := a.Store.Suppliers(r.HTTP.Context(), r.Who.Workshop)
	var options []ui.Option
	for _, s := range list {
		options = append(options, ui.Option{Value: s.Code, Label: s.Name, Hint: s.Code})
	}
	return options, err
}

func parseReceipt(f *ui.Form) (receiveForm, store.Receipt) {
	form := receiveForm{
		Material: f.Raw(fieldMaterial), Supplier: f.Raw(fieldSupplier), NewSupplier: f.Raw(fieldNewSupplier), SupplierLot: f.Raw(fieldSupplierLot),
		Received: f.Raw(fieldReceived), Expires: f.Raw(fieldExpires), Retest: f.Raw(fieldRetest), Quantity: f.Raw(fieldQuantity), Unit: f.Raw(fieldUnit),
		UnitCost: f.Raw(fieldUnitCost), DeliveryNote: f.Raw(fieldDeliveryNote), Code: f.Raw(fieldCode), Release: f.On(fieldRelease),
	}
	return form, store.Receipt{
		Material:     f.Must(fieldMaterial, 40, "Choose the material."),
		Quantity:     f.Positive(fieldQuantity, "How much came?"),
		Unit:         f.Raw(fieldUnit),
		SupplierLot:  f.Text(fieldSupplierLot, 80),
		ExpiresOn:    f.OptionalDay(fieldExpires),
		Supplier:     f.Text(fieldSupplier, 40),
		NewSupplier:  f.Text(fieldNewSupplier, 200),
		ReceivedOn:   f.Day(fieldReceived, "When did it come?"),
		RetestOn:     f.OptionalDay(fieldRetest),
		UnitCost:     f.OptionalNumber(fieldUnitCost),
		DeliveryNote: f.Text(fieldDeliveryNote, 80),
		Code:         f.Text(fieldCode, 40),
		Release:      f.On(fieldRelease),
	}
}
