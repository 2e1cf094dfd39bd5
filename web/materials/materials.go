// Package materials is where deliveries come in: materials, their lots, and who supplied them.
package materials

import (
	"net/http"

	"github.com/a-h/templ"

	"example.org/stillroom/internal/access"
	"example.org/stillroom/internal/day"
	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/quantity"
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
	fieldSeen         = "seen"
	fieldName         = "name"
	fieldUnit         = "unit"
	fieldINCI         = "inci_name"
	fieldCAS          = "cas_number"
	fieldDensity      = "density"
	fieldTracked      = "tracked"
	fieldSource       = "source_note"
	fieldExpiryCounts = "expiry_counts"
	fieldIsLabel      = "is_label"
	fieldCaution      = "caution"
	fieldRetired      = "retired"
	fieldEmail        = "email"
	fieldPhone        = "phone"
	fieldAddress      = "address"
	fieldWhat         = "what"
	fieldCounted      = "counted"
	fieldCountedUnit  = "counted_unit"
	fieldAwayUnit     = "away_unit"
	fieldCountedWhy   = "counted_why"
	fieldAway         = "away"
	fieldAwayWhy      = "away_why"
)

func code(r *ui.Request) string { return r.Param("code") }

// mayCorrect is the store's rule for showing the link: a maker corrects anything, a helper what they entered today.
func mayCorrect(r *ui.Request, e store.Entered) bool {
	own := e.By == r.Who.Person && day.In(e.At, r.Workshop.Location()) == r.Today()
	return r.May(access.CorrectAny) || own && r.May(access.CorrectOwn)
}

func correctsOwnOnly() error {
	return fault.New(fault.Forbidden, "You may correct what you entered yourself today. For anything else ask a maker.")
}

// alsoOff adds a rule's faults to those of the form, so that all are told at once.
func alsoOff(f *ui.Form, err error) {
	if wrong := fault.As(err); wrong != nil {
		for _, field := range wrong.Fields {
			f.Add(field.Name, field.Message)
		}
	}
}

// Materials lists the materials with what the book says is there.
func (a Area) Materials(r *ui.Request) error {
	list, next, err := a.Store.MaterialList(r.HTTP.Context(), r.Who.Workshop, r.AfterKey())
	if err != nil {
		return err
	}
	v := materialsView{Materials: list, Pages: r.Pages(next), MayReceive: r.May(access.Receive), MayEdit: r.May(access.EditFormula)}
	return r.Render(http.StatusOK, r.Page("Materials", "materials"), materialsPage(v))
}

type materialsView struct {
	Materials           []store.MaterialStock
	Pages               ui.Pages
	MayReceive, MayEdit bool
}

// stockAfter names the lot behind which the page of lots in stock begins; that of used-up lots has the usual name.
const stockAfter = "stock"

// Material shows one material: what it is, and its lots.
func (a Area) Material(r *ui.Request) error {
	page, err := a.Store.MaterialPage(r.HTTP.Context(), r.Who.Workshop, code(r), r.HTTP.URL.Query().Get(stockAfter), r.AfterKey())
	if err != nil {
		return err
	}
	v := materialView{MaterialPage: page, InStockPages: r.PagesBy(stockAfter, page.NextInStock), UsedUpPages: r.Pages(page.NextUsedUp), Clock: r.Clock(), Today: r.Today(), MayReceive: r.May(access.Receive), MayCorrect: mayCorrect(r, page.Entered)}
	return r.Render(http.StatusOK, r.Page(page.Name, "materials"), materialPage(v))
}

type materialView struct {
	store.MaterialPage
	InStockPages           ui.Pages
	UsedUpPages            ui.Pages
	Clock                  ui.Clock
	Today                  day.Day
	MayReceive, MayCorrect bool
}

// materialForm is what was typed, kept as it was.
type materialForm struct {
	Name, Code, Kind, Unit, INCI, CAS, Density, Source, Caution string
	Tracked, ExpiryCounts, IsLabel, Retired                     bool
	Reason, Seen                                                string
	Usual                                                       map[string]bool // usual cautions that were chosen to start from
}

type materialFormView struct {
	Key     string
	Form    materialForm
	Book    *materialForm // what stands in the book, for a correction
	Correct string        // code of the material to correct, empty for a new one
	Fault   *fault.Fault
}

func (v materialFormView) title() string {
	if v.Correct == "" {
		return "Add a material"
	}
	return "Correct " + v.Book.Name
}

func formOfMaterial(m store.Material, seen string) materialForm {
	f := materialForm{Name: m.Name, Code: m.Code, Kind: m.Kind, Unit: m.Unit, INCI: m.INCIName, CAS: m.CASNumber, Source: m.SourceNote, Caution: m.Caution,
		Tracked: m.Tracked, ExpiryCounts: m.ExpiryCounts, IsLabel: m.IsLabel, Retired: m.Retired, Seen: seen}
	if m.Density.Valid {
		f.Density = quantity.Plain(m.Density.Decimal)
	}
	return f
}

func parseMaterial(f *ui.Form) (materialForm, store.Material) {
	form := materialForm{Name: f.Raw(fieldName), Code: f.Raw(fieldCode), Kind: f.Raw(fieldKind), Unit: f.Raw(fieldUnit), INCI: f.Raw(fieldINCI), CAS: f.Raw(fieldCAS),
		Density: f.Raw(fieldDensity), Source: f.Raw(fieldSource), Caution: f.Raw(fieldCaution), Tracked: f.On(fieldTracked), ExpiryCounts: f.On(fieldExpiryCounts),
		IsLabel: f.On(fieldIsLabel), Retired: f.On(fieldRetired), Reason: f.Raw(fieldReason), Seen: f.Raw(fieldSeen)}
	m := store.Material{Name: f.Text(fieldName, 200), Code: f.Text(fieldCode, 40), Kind: f.Raw(fieldKind), Unit: f.Raw(fieldUnit), INCIName: f.Text(fieldINCI, 200),
		CASNumber: f.Text(fieldCAS, 80), Density: f.OptionalNumber(fieldDensity), Tracked: form.Tracked, SourceNote: f.Text(fieldSource, 200),
		ExpiryCounts: form.ExpiryCounts, IsLabel: form.IsLabel, Caution: f.Text(fieldCaution, 1000), Retired: form.Retired, Seen: form.Seen}
	form.startsFrom(f.On, &m)
	return form, m
}

// NewMaterial shows the form for a material.
func (a Area) NewMaterial(r *ui.Request) error {
	v := materialFormView{Key: ui.NewKey(), Form: materialForm{Kind: "raw", Unit: "g", Tracked: true, ExpiryCounts: true}}
	return r.Render(http.StatusOK, r.Page(v.title(), "materials"), materialFormPage(v))
}

// AddMaterial stores it.
func (a Area) AddMaterial(r *ui.Request) error {
	f := r.Form()
	form, m := parseMaterial(f)
	// Packaging never caps a date, whatever was ticked.
	m.ExpiryCounts, m.IsLabel = m.ExpiryCounts && m.Kind == "raw", m.IsLabel && m.Kind == "packaging"
	alsoOff(f, m.Check())
	err := f.Err()
	var entry store.Entry
	if err == nil {
		entry, err = r.Entry()
	}
	var code string
	if err == nil {
		code, err = a.Store.AddMaterial(r.HTTP.Context(), r.Who, entry, m)
	}
	if err == nil {
		return r.SeeOther(paths.Material(code), m.Name+" is in the book as "+code+".")
	}
	v := materialFormView{Key: f.Raw("entry_key"), Form: form}
	return r.Refuse(err, r.Page(v.title(), "materials"), func(f *fault.Fault) templ.Component {
		v.Fault = f
		return materialFormPage(v)
	})
}

// EditMaterial shows the form that corrects a material.
func (a Area) EditMaterial(r *ui.Request) error {
	page, err := a.Store.MaterialPage(r.HTTP.Context(), r.Who.Workshop, code(r), "", "")
	if err != nil {
		return err
	}
	book := formOfMaterial(page.Material, page.Entered.Seen)
	v := materialFormView{Key: ui.NewKey(), Form: book, Book: &book, Correct: page.Code}
	return r.Render(http.StatusOK, r.Page(v.title(), "materials"), materialFormPage(v))
}

// CorrectMaterial stores the correction.
func (a Area) CorrectMaterial(r *ui.Request) error {
	page, err := a.Store.MaterialPage(r.HTTP.Context(), r.Who.Workshop, code(r), "", "")
	if err != nil {
		return err
	}
	f := r.Form()
	form, m := parseMaterial(f)
	m.Code, m.Kind, m.Unit = page.Code, page.Kind, page.Unit
	m.ExpiryCounts, m.IsLabel = m.ExpiryCounts && m.Kind == "raw", m.IsLabel && m.Kind == "packaging"
	reason := f.Must(fieldReason, 500, "Say why: the old value is kept beside the new one.")
	alsoOff(f, m.Check())
	err = f.Err()
	var entry store.Entry
	if err == nil {
		entry, err = r.Entry()
	}
	if err == nil {
		err = a.Store.CorrectMaterial(r.HTTP.Context(), r.Who, entry, m, reason)
	}
	if err == nil {
		return r.SeeOther(paths.Material(page.Code), m.Name+" is corrected.")
	}
	book := formOfMaterial(page.Material, page.Entered.Seen)
	form.Code, form.Kind, form.Unit, form.Seen = book.Code, book.Kind, book.Unit, book.Seen
	v := materialFormView{Key: f.Raw("entry_key"), Form: form, Book: &book, Correct: page.Code}
	return r.Refuse(err, r.Page(v.title(), "materials"), func(f *fault.Fault) templ.Component {
		v.Fault = f
		return materialFormPage(v)
	})
}
