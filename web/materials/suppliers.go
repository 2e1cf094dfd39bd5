package materials

import (
	"net/http"

	"github.com/a-h/templ"

	"example.org/stillroom/internal/access"
	"example.org/stillroom/internal/day"
	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/store"
	"example.org/stillroom/web/paths"
	"example.org/stillroom/web/ui"
)

type suppliersView struct {
	Suppliers []store.Supplier
	Pages     ui.Pages
	MayAdd    bool
}

// Suppliers lists who delivers.
func (a Area) Suppliers(r *ui.Request) error {
	list, next, err := a.Store.SupplierList(r.HTTP.Context(), r.Who.Workshop, r.AfterKey())
	if err != nil {
		return err
	}
	return r.Render(http.StatusOK, r.Page("Suppliers", "materials"), suppliersPage(suppliersView{Suppliers: list, Pages: r.Pages(next), MayAdd: r.May(access.Receive)}))
}

type supplierView struct {
	store.SupplierPage
	Pages      ui.Pages
	Clock      ui.Clock
	Today      day.Day
	MayCorrect bool
}

// Supplier shows one supplier with its lots.
func (a Area) Supplier(r *ui.Request) error {
	page, err := a.Store.SupplierPage(r.HTTP.Context(), r.Who.Workshop, code(r), r.AfterKey())
	if err != nil {
		return err
	}
	v := supplierView{SupplierPage: page, Pages: r.Pages(page.Next), Clock: r.Clock(), Today: r.Today(), MayCorrect: mayCorrect(r, page.Entered)}
	return r.Render(http.StatusOK, r.Page(page.Name, "materials"), supplierPage(v))
}

// supplierForm is what was typed, kept as it was.
type supplierForm struct{ Name, Code, Email, Phone, Address, Reason, Seen string }

type supplierFormView struct {
	Key     string
	Form    supplierForm
	Book    *supplierForm // what stands in the book, for a correction
	Correct string        // code of the supplier to correct, empty for a new one
	Fault   *fault.Fault
}

func (v supplierFormView) title() string {
	if v.Correct == "" {
		return "Add a supplier"
	}
	return "Correct " + v.Book.Name
}

func parseSupplier(f *ui.Form) (supplierForm, store.Supplier) {
	form := supplierForm{Name: f.Raw(fieldName), Code: f.Raw(fieldCode), Email: f.Raw(fieldEmail), Phone: f.Raw(fieldPhone), Address: f.Raw(fieldAddress), Reason: f.Raw(fieldReason), Seen: f.Raw(fieldSeen)}
	return form, store.Supplier{Name: f.Text(fieldName, 200), Code: f.Text(fieldCode, 40), Seen: form.Seen,
		Contact: store.Contact{Email: f.Text(fieldEmail, 254), Phone: f.Text(fieldPhone, 60), Address: f.Text(fieldAddress, 500)}}
}

// NewSupplier shows the form for a supplier.
func (a Area) NewSupplier(r *ui.Request) error {
	v := supplierFormView{Key: ui.NewKey()}
	return r.Render(http.StatusOK, r.Page(v.title(), "materials"), supplierFormPage(v))
}

// AddSupplier stores it.
func (a Area) AddSupplier(r *ui.Request) error {
	f := r.Form()
	form, n := parseSupplier(f)
	alsoOff(f, n.Check())
	err := f.Err()
	var entry store.Entry
	if err == nil {
		entry, err = r.Entry()
	}
	var code string
	if err == nil {
		code, err = a.Store.AddSupplier(r.HTTP.Context(), r.Who, entry, n)
	}
	if err == nil {
		return r.SeeOther(paths.Supplier(code), n.Name+" is in the book as "+code+".")
	}
	v := supplierFormView{Key: f.Raw("entry_key"), Form: form}
	return r.Refuse(err, r.Page(v.title(), "materials"), func(f *fault.Fault) templ.Component {
		v.Fault = f
		return supplierFormPage(v)
	})
}

// correctSupplierOf loads what a correction starts from.
func (a Area) correctSupplierOf(r *ui.Request) (supplierFormView, error) {
	page, err := a.Store.SupplierPage(r.HTTP.Context(), r.Who.Workshop, code(r), "")
	if err != nil {
		return supplierFormView{}, err
	}
	if !mayCorrect(r, page.Entered) {
		return supplierFormView{}, correctsOwnOnly()
	}
	book := supplierForm{Name: page.Name, Code: page.Code, Email: page.Email, Phone: page.Phone, Address: page.Address, Seen: page.Entered.Seen}
	return supplierFormView{Form: book, Book: &book, Correct: page.Code}, nil
}

// EditSupplier shows the form that corrects a supplier.
func (a Area) EditSupplier(r *ui.Request) error {
	v, err := a.correctSupplierOf(r)
	if err != nil {
		return err
	}
	v.Key = ui.NewKey()
	return r.Render(http.StatusOK, r.Page(v.title(), "materials"), supplierFormPage(v))
}

// CorrectSupplier stores the correction.
func (a Area) CorrectSupplier(r *ui.Request) error {
	v, err := a.correctSupplierOf(r)
	if err != nil {
		return err
	}
	f := r.Form()
	form, n := parseSupplier(f)
	n.Code = v.Correct
	reason := f.Must(fieldReason, 500, "Say why: the old value is kept beside the new one.")
	alsoOff(f, n.Check())
	err = f.Err()
	var entry store.Entry
	if err == nil {
		entry, err = r.Entry()
	}
	if err == nil {
		err = a.Store.CorrectSupplier(r.HTTP.Context(), r.Who, entry, n, reason)
	}
	if err == nil {
		return r.SeeOther(paths.Supplier(n.Code), n.Name+" is corrected.")
	}
	form.Code, form.Seen = v.Book.Code, v.Book.Seen
	v.Key, v.Form = f.Raw("entry_key"), form
	return r.Refuse(err, r.Page(v.title(), "materials"), func(f *fault.Fault) templ.Component {
		v.Fault = f
		return supplierFormPage(v)
	})
}
