package complaint

import (
	"net/http"
	"slices"
	"strings"
	"time"

	"github.com/a-h/templ"

	"example.org/stillroom/internal/day"
	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/reporting"
	"example.org/stillroom/internal/store"
	"example.org/stillroom/web/paths"
	"example.org/stillroom/web/ui"
)

// complaintForm is what was typed, kept as it was.
type complaintForm struct {
	Received, CameBy, Name, Email, Phone, Customer, Product, Packing, Code, BoughtAt, BoughtOn, Happened, What, Kind, Market, Reason, Seen string
	Criteria                                                                                                                               []string
}

type formView struct {
	Key       string
	Form      complaintForm
	Book      *store.ComplaintPage // what is corrected; nil for a new one
	Was       complaintForm        // what stands in the book
	Look      looked
	Products  []ui.Option
	Customers []string
	Fault     *fault.Fault
}

func (v formView) title() string {
	if v.Book != nil {
		return "Correct complaint " + v.Book.Code()
	}
	return "Write down a complaint"
}

func (v formView) action() string {
	if v.Book != nil {
		return paths.CorrectComplaint(v.Book.N)
	}
	return paths.NewComplaint()
}

// was says what stands in the book, where something else was typed; else the hint.
func (v formView) was(typed, book, hint string) string {
	if v.Book == nil || typed == book {
		return hint
	}
	if book == "" {
		return "In the book: nothing."
	}
	return "In the book: " + book
}

// choices fills in what the form offers.
func (a Area) choices(r *ui.Request, v *formView) error {
	products, err := a.Store.ProductChoices(r.HTTP.Context(), r.Who.Workshop)
	if err != nil {
		return err
	}
	for _, p := range products {
		v.Products = append(v.Products, ui.Option{Value: p.Code, Label: p.Name, Hint: p.Code})
	}
	customers, err := a.Store.RecentCustomers(r.HTTP.Context(), r.Who.Workshop, 100)
	for _, c := range customers {
		v.Customers = append(v.Customers, named(c.Name, c.Code))
	}
	return err
}

// named is how a customer is suggested and shown.
func named(name, code string) string {
	if code == "" {
		return ""
	}
	return name + " (" + code + ")"
}

// lookFor fills in what the unit can have been. A code that proves itself is chosen where nothing is yet; what was chosen
// before stays to choose. decided tells that somebody has said what it is, or that it is not known.
func (a Area) lookFor(r *ui.Request, v *formView, decided bool) error {
	q := asked{Code: strings.TrimSpace(v.Form.Code), Product: v.Form.Product, Place: strings.TrimSpace(v.Form.BoughtAt)}
	if on, err := day.Parse(strings.TrimSpace(v.Form.BoughtOn)); err == nil {
		q.Bought = on
	}
	if !q.empty() {
		var err error
		if v.Look, err = a.look(r, q); err != nil {
			return err
		}
	}
	if v.Form.Packing == "" && !decided {
		v.Form.Packing = v.Look.Sure
	}
	if p := v.Form.Packing; p != "" && !slices.ContainsFunc(v.Look.Options, func(o ui.Option) bool { return o.Value == p }) {
		v.Look.Options = append([]ui.Option{{Value: p, Label: p, Hint: "chosen before"}}, v.Look.Options...)
	}
	return nil
}

// New shows the form; the address may say what is known of the unit already, as a packing's page does, and as the page's
// module does while somebody types.
func (a Area) New(r *ui.Request) error {
	v := formView{Key: ui.NewKey(), Form: complaintForm{Received: r.Clock().Input(r.Now), CameBy: "telephone", Code: query(r, fieldCode), Product: query(r, fieldProduct), Packing: query(r, fieldPacking), BoughtAt: query(r, fieldBoughtAt), BoughtOn: query(r, fieldBoughtOn)}}
	if err := a.choices(r, &v); err != nil {
		return err
	}
	if err := a.lookFor(r, &v, false); err != nil {
		return err
	}
	return r.Render(http.StatusOK, r.Page(v.title(), "complaints"), formPage(v))
}

// parse reads the form; what is off is noted in f.
func parse(f *ui.Form, zone *time.Location) (complaintForm, store.NewComplaint) {
	form := complaintForm{Received: f.Raw(fieldReceived), CameBy: f.Raw(fieldCameBy), Name: f.Raw(fieldName), Email: f.Raw(fieldEmail), Phone: f.Raw(fieldPhone), Customer: f.Raw(fieldCustomer), Product: f.Raw(fieldProduct), Packing: f.Raw(fieldPacking),
		Code: f.Raw(fieldCode), BoughtAt: f.Raw(fieldBoughtAt), BoughtOn: f.Raw(fieldBoughtOn), Happened: f.Raw(fieldHappened), What: f.Raw(fieldWhat), Kind: f.Raw(fieldKind), Market: f.Raw(fieldMarket), Reason: f.Raw(fieldReason), Seen: f.Raw(fieldSeen)}
	if form.Packing == undecided {
		form.Packing = ""
	}
	for _, c := range reporting.Criteria {
		if f.On(criterionField(c.Key)) {
			form.Criteria = append(form.Criteria, c.Key)
		}
	}
	return form, store.NewComplaint{ReceivedAt: f.Moment(fieldReceived, zone, "When did it come in?"), CameBy: form.CameBy, Name: form.Name, Email: form.Email, Phone: form.Phone, Product: form.Product, Packing: form.Packing, CodeSaid: form.Code,
		BoughtAt: form.BoughtAt, BoughtOn: f.OptionalDay(fieldBoughtOn), HappenedOn: f.OptionalDay(fieldHappened), What: form.What, Kind: reporting.Kind(form.Kind), Criteria: form.Criteria, Market: reporting.Market(form.Market)}
}

func criterionField(key string) string { return fieldCriteria + "-" + key }

// customer finds the customer that was written, where one was.
func (a Area) customer(r *ui.Request, f *ui.Form, n *store.NewComplaint) error {
	typed := f.Text(fieldCustomer, 260)
	if typed == "" {
		return nil
	}
	c, err := a.Store.CustomerNamed(r.HTTP.Context(), r.Who.Workshop, typed)
	if fault.Is(err, fault.NotFound) {
		f.Add(fieldCustomer, strings.Replace(fault.As(err).Message, ", or write a new one below", ", or leave it empty and write the name below", 1))
		return nil
	}
	n.Customer = c.Code
	return err
}

// alsoOff adds what a check found to what could not be read; what is told of a field already stays.
func alsoOff(f *ui.Form, err error) {
	if more := fault.As(err); more != nil {
		for _, field := range more.Fields {
			f.Add(field.Name, field.Message)
		}
	}
}

// Log stores a complaint, or with the button "Look up" shows what the unit can have been and keeps all that was typed: as
// a form and not in the address, since some of it is personal.
func (a Area) Log(r *ui.Request) error {
	f := r.Form()
	form, n := parse(f, r.Workshop.Location())
	v := formView{Key: f.Raw("entry_key"), Form: form}
	if err := a.choices(r, &v); err != nil {
		return err
	}
	if f.Raw(fieldLook) != "" {
		if err := a.lookFor(r, &v, false); err != nil {
			return err
		}
		return r.Render(http.StatusOK, r.Page(v.title(), "complaints"), formPage(v))
	}
	if err := a.customer(r, f, &n); err != nil {
		return err
	}
	alsoOff(f, n.Check(r.Now, r.Today()))
	err := f.Err()
	var entry store.Entry
	if err == nil {
		entry, err = r.Entry()
	}
	var code string
	if err == nil {
		code, err = a.Store.LogComplaint(r.HTTP.Context(), r.Who, entry, n)
	}
	if err == nil {
		number, err := store.ParseComplaint(code)
		if err != nil {
			return err
		}
		return r.SeeOther(paths.Complaint(number), "It is in the book as "+code+".")
	}
	return a.refuse(r, v, err)
}

// refuse draws the form again with what is off and what the unit can have been.
func (a Area) refuse(r *ui.Request, v formView, err error) error {
	if fault.As(err) != nil {
		if e := a.lookFor(r, &v, true); e != nil {
			return e
		}
	}
	return r.Refuse(err, r.Page(v.title(), "complaints"), func(f *fault.Fault) templ.Component {
		v.Fault = f
		return formPage(v)
	})
}

// correctOf loads what a correction starts from.
func (a Area) correctOf(r *ui.Request) (formView, error) {
	p, err := a.read(r)
	if err != nil {
		return formView{}, err
	}
	switch {
	case p.ErasedAt != nil:
		return formView{}, fault.New(fault.Conflict, "What was personal in "+p.Code()+" is erased: nothing more is written about it.")
	case !mayCorrect(r, p.By, p.At):
		return formView{}, fault.New(fault.Forbidden, "You may correct what you entered yourself today. For anything else ask a maker.")
	}
	v := formView{Book: &p, Was: complaintForm{Received: r.Clock().Input(p.ReceivedAt), CameBy: p.CameBy, Name: p.Name, Email: p.Email, Phone: p.Phone, Customer: named(p.CustomerName, p.Customer), Product: p.Product, Packing: p.Packing, Code: p.CodeSaid,
		BoughtAt: p.BoughtAt, BoughtOn: p.BoughtOn.String(), Happened: p.HappenedOn.String(), What: p.What, Kind: string(p.Kind), Market: string(p.Market), Criteria: p.Criteria, Seen: p.Seen}}
	v.Form = v.Was
	return v, a.choices(r, &v)
}

// Edit shows the form that corrects a complaint.
func (a Area) Edit(r *ui.Request) error {
	v, err := a.correctOf(r)
	if err != nil {
		return err
	}
	v.Key = ui.NewKey()
	if err := a.lookFor(r, &v, true); err != nil { // nothing is decided by opening the form
		return err
	}
	return r.Render(http.StatusOK, r.Page(v.title(), "complaints"), formPage(v))
}

// Correct stores the correction.
func (a Area) Correct(r *ui.Request) error {
	v, err := a.correctOf(r)
	if err != nil {
		return err
	}
	f := r.Form()
	var n store.NewComplaint
	v.Form, n = parse(f, r.Workshop.Location())
	v.Key = f.Raw("entry_key")
	if f.Raw(fieldLook) != "" {
		if err := a.lookFor(r, &v, false); err != nil {
			return err
		}
		return r.Render(http.StatusOK, r.Page(v.title(), "complaints"), formPage(v))
	}
	if err := a.customer(r, f, &n); err != nil {
		return err
	}
	if v.Form.Received == v.Was.Received {
		n.ReceivedAt = v.Book.ReceivedAt // a moment that is typed again as it stands keeps its seconds
	}
	reason := f.Must(fieldReason, 1000, "Say why: the old value is kept beside the new one.")
	alsoOff(f, n.Check(r.Now, r.Today()))
	err = f.Err()
	var entry store.Entry
	if err == nil {
		entry, err = r.Entry()
	}
	if err == nil {
		err = a.Store.CorrectComplaint(r.HTTP.Context(), r.Who, entry, v.Book.N, n, v.Form.Seen, reason)
	}
	if err == nil {
		return r.SeeOther(paths.Complaint(v.Book.N), v.Book.Code()+" is corrected.")
	}
	v.Form.Seen = v.Was.Seen
	return a.refuse(r, v, err)
}
