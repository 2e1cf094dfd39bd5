package dispatch

import (
	"net/http"

	"github.com/a-h/templ"

	"example.org/stillroom/internal/access"
	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/measure"
	"example.org/stillroom/internal/store"
	"example.org/stillroom/web/paths"
	"example.org/stillroom/web/ui"
)

// Customers lists them by name.
func (a Area) Customers(r *ui.Request) error {
	list, next, err := a.Store.Customers(r.HTTP.Context(), r.Who.Workshop, r.AfterKey(), ui.PageLength)
	if err != nil {
		return err
	}
	v := customersView{Customers: list, Pages: r.Pages(next), MayAdd: r.May(access.Dispatch)}
	return r.Render(http.StatusOK, r.Page("Customers", "customers"), customersPage(v))
}

type customersView struct {
	Customers []store.CustomerLine
	Pages     ui.Pages
	MayAdd    bool
}

// customerForm is what was typed, kept as it was.
type customerForm struct{ Code, Name, Kind, Email, Phone, Address, Reason, Seen string }

type customerFormView struct {
	Key     string
	Form    customerForm
	Correct bool
	Now     *store.Customer // as in the book, where somebody else changed it meanwhile
	Fault   *fault.Fault
}

func parseCustomer(f *ui.Form) (customerForm, store.Customer) {
	form := customerForm{Code: f.Raw(fieldCode), Name: f.Raw(fieldName), Kind: f.Raw(fieldKind), Email: f.Raw(fieldEmail), Phone: f.Raw(fieldPhone), Address: f.Raw(fieldAddress), Reason: f.Raw(fieldReason), Seen: f.Raw(fieldSeen)}
	c := store.Customer{
		Code: f.Text(fieldCode, 40),
		Name: f.Must(fieldName, 200, "Write the customer's name."),
		Kind: f.OneOf(fieldKind, "Choose what kind of customer.", "stockist", "online", "event", "direct"),
		Contact: store.Contact{
			Email:   f.Text(fieldEmail, 254),
			Phone:   f.Text(fieldPhone, 60),
			Address: f.Text(fieldAddress, 500),
		},
	}
	// What the store would say of the rest is said at once, beside what is missing.
	if err := fault.As(c.Check()); err != nil {
		for _, off := range err.Fields {
			f.Add(off.Name, off.Message)
		}
	}
	return form, c
}

// NewCustomer shows the form.
func (a Area) NewCustomer(r *ui.Request) error {
	return r.Render(http.StatusOK, r.Page("Add a customer", "customers"), customerFormPage(customerFormView{Key: ui.NewKey()}))
}

// AddCustomer stores a customer.
func (a Area) AddCustomer(r *ui.Request) error {
	f := r.Form()
	form, c := parseCustomer(f)
	var code string
	err := save(r, f, func(entry store.Entry) (err error) {
		code, err = a.Store.AddCustomer(r.HTTP.Context(), r.Who, entry, c)
		return err
	})
	if err == nil {
		return r.SeeOther(paths.Customer(code), c.Name+" is in the book.")
	}
	return r.Refuse(err, r.Page("Add a customer", "customers"), func(said *fault.Fault) templ.Component {
		return customerFormPage(customerFormView{Key: f.Raw("entry_key"), Form: form, Fault: said})
	})
}

// Beside the dispatches, each list of a customer's page goes on by a key of its own.
const (
	afterCrate   = "crate"
	afterHolding = "received"
)

// Customer shows what a customer received and holds.
func (a Area) Customer(r *ui.Request) error {
	query := r.HTTP.URL.Query()
	after := store.CustomerKeys{Dispatch: r.AfterKey(), Crate: query.Get(afterCrate), Holding: query.Get(afterHolding)}
	page, err := a.Store.Customer(r.HTTP.Context(), r.Who.Workshop, r.Param("code"), after, ui.PageLength)
	if err != nil {
		return err
	}
	v := customerView{CustomerPage: page, Style: r.Workshop.Style, MayDispatch: r.May(access.Dispatch), MayCorrect: r.May(access.CorrectOwn),
		Pages: r.Pages(page.Next.Dispatch), CratePages: r.PagesBy(afterCrate, page.Next.Crate), HoldingPages: r.PagesBy(afterHolding, page.Next.Holding)}
	return r.Render(http.StatusOK, r.Page(page.Name, "customers"), customerPage(v))
}

type customerView struct {
	store.CustomerPage
	Style                           measure.Style
	Pages, CratePages, HoldingPages ui.Pages
	MayDispatch, MayCorrect         bool
}

// holds is the page's answer.
func (v customerView) holds() string {
	switch out := v.Sent - v.Returned; {
	case v.Sent == 0:
		return "Nothing sent yet"
	case v.Kind == "event":
		return store.UnitCount(out) + " went out there"
	default:
		return store.UnitCount(out) + " with them"
	}
}

// EditCustomer shows the particulars to correct.
func (a Area) EditCustomer(r *ui.Request) error {
	c, seen, err := a.Store.CustomerSeen(r.HTTP.Context(), r.Who.Workshop, r.Param("code"))
	if err != nil {
		return err
	}
	v := customerFormView{Key: ui.NewKey(), Correct: true, Form: customerForm{Code: c.Code, Name: c.Name, Kind: c.Kind, Email: c.Email, Phone: c.Phone, Address: c.Address, Seen: seen}}
	return r.Render(http.StatusOK, r.Page("Correct "+c.Name, "customers"), customerFormPage(v))
}

// CorrectCustomer stores corrected particulars.
func (a Area) CorrectCustomer(r *ui.Request) error {
	// Whether there is such a customer is answered first: what was typed is looked at only for one that is ours.
	if _, _, err := a.Store.CustomerSeen(r.HTTP.Context(), r.Who.Workshop, r.Param("code")); err != nil {
		return err
	}
	f := r.Form()
	form, c := parseCustomer(f)
	c.Code = r.Param("code")
	form.Code = c.Code
	if _, _, err := a.Store.CustomerSeen(r.HTTP.Context(), r.Who.Workshop, c.Code); err != nil {
		return err // before anything is asked: there may be no such customer
	}
	reason := f.Must(fieldReason, 500, "Say why: the book keeps that it was changed.")
	err := save(r, f, func(entry store.Entry) error {
		return a.Store.CorrectCustomer(r.HTTP.Context(), r.Who, entry, c, form.Seen, reason)
	})
	if err == nil {
		return r.SeeOther(paths.Customer(c.Code), c.Name+" is corrected.")
	}
	v := customerFormView{Key: f.Raw("entry_key"), Correct: true, Form: form}
	if fault.Is(err, fault.Conflict) {
		now, seen, loadErr := a.Store.CustomerSeen(r.HTTP.Context(), r.Who.Workshop, c.Code)
		if loadErr != nil {
			return loadErr
		}
		v.Now, v.Form.Seen = &now, seen
	}
	return r.Refuse(err, r.Page("Correct a customer", "customers"), func(said *fault.Fault) templ.Component {
		v.Fault = said
		return customerFormPage(v)
	})
}
