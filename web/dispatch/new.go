package dispatch

import (
	"fmt"
	"maps"
	"net/http"
	"slices"
	"strconv"
	"strings"

	"github.com/a-h/templ"

	"example.org/stillroom/internal/day"
	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/measure"
	"example.org/stillroom/internal/quantity"
	"example.org/stillroom/internal/store"
	"example.org/stillroom/web/paths"
	"example.org/stillroom/web/ui"
)

const (
	// mostRows is the most rows that a posted form may claim to have.
	mostRows = 600
	// shownMore is how many packings of a product are offered beyond those taken from.
	shownMore = 6
	// freeRows is how many rows there are for codes that somebody reads off the units.
	freeRows = 3
	// suggested is how many customers a form suggests.
	suggested = 300
)

// newForm is what was typed, kept as it was.
type newForm struct {
	Customer, NewCustomer, NewKind, On, Note, Reason string
	Left                                             bool
	Wanted                                           []wanted
	Rows                                             []row
}

// wanted is a product and how many units of it were asked for.
type wanted struct {
	Product store.ProductStock
	Free    int
	Units   string
}

// row is units of one packing. A listed row stands under its product; the others are codes read off the units.
type row struct {
	Code    string
	Units   string
	Packing *store.Packing
	Says    string // why its units may not leave
}

func wantedField(i int) string { return "wanted-" + strconv.Itoa(i) }
func productField(i int) string {
	return "product-" + strconv.Itoa(i)
}

type newView struct {
	Key       string
	Form      newForm
	Customers []string
	Today     day.Day
	// Proposed is set once codes stand to be taken off the shelf.
	Proposed bool
	// More is set where what is asked for comes on top of the rows.
	More  bool
	Fault *fault.Fault
}

// asks is what stands above the products.
func (v newView) asks() string {
	if v.More {
		return "How many more of what"
	}
	return "How many of what"
}

// labels are the words above each field, for the summary.
func (v newView) labels() map[string]string {
	words := map[string]string{fieldCustomer: "Customer", fieldNewCustomer: "New customer", fieldNewKind: "Kind", fieldOn: "Left on", fieldNote: "Note", fieldReason: "How it came about", fieldLines: "Units"}
	for i, w := range v.Form.Wanted {
		words[wantedField(i)] = w.Product.Name
	}
	for i, l := range v.Form.Rows {
		words[store.LineField(i)] = l.Code
		words[store.CodeField(i)] = "Code"
	}
	return words
}

// NewDispatch shows who, when, and what is there to send.
func (a Area) NewDispatch(r *ui.Request) error {
	v := newView{Key: ui.NewKey(), Form: newForm{On: r.Today().String()}}
	if code := r.HTTP.URL.Query().Get("customer"); code != "" {
		c, err := a.Store.CustomerNamed(r.HTTP.Context(), r.Who.Workshop, code)
		if err != nil {
			return err
		}
		v.Form.Customer = named(c)
	}
	if err := a.fillNew(r, &v, nil); err != nil {
		return err
	}
	return r.Render(http.StatusOK, r.Page("New dispatch", "dispatches"), newPage(v))
}

// named is how a customer is suggested and shown: the name, and the code that tells two of a name apart.
func named(c store.Customer) string { return c.Name + " (" + c.Code + ")" }

// RecordDispatch proposes which codes to take, or records what was confirmed.
func (a Area) RecordDispatch(r *ui.Request) error {
	f := r.Form()
	propose := f.Raw(fieldStep) == "propose"
	v, n := parseNew(f, !propose)
	if err := a.customerOf(r, f, v.Form.Customer, &n); err != nil {
		return err
	}
	if err := a.fillNew(r, &v, v.Form.Rows); err != nil {
		return err
	}
	if propose {
		return a.propose(r, f, v, n.On)
	}
	v.Proposed = true
	var code string
	err := save(r, f, func(entry store.Entry) (err error) {
		code, err = a.Store.Dispatch(r.HTTP.Context(), r.Who, entry, n)
		return err
	})
	if err == nil {
		return r.SeeOther(paths.Dispatch(code), "Dispatch "+code+" is in the book.")
	}
	return r.Refuse(err, r.Page("New dispatch", "dispatches"), func(said *fault.Fault) templ.Component {
		v.Fault = said
		return newPage(v)
	})
}

// parseNew reads the form. Counts that cannot be read are faults beside their rows, once the rows are to be recorded: a
// proposal draws them anew.
func parseNew(f *ui.Form, record bool) (newView, store.NewDispatch) {
	v := newView{Key: f.Raw("entry_key"), Form: newForm{Customer: f.Raw(fieldCustomer), NewCustomer: f.Raw(fieldNewCustomer), NewKind: f.Raw(fieldNewKind), On: f.Raw(fieldOn), Note: f.Raw(fieldNote), Reason: f.Raw(fieldReason), Left: f.On(fieldLeft)}}
	n := store.NewDispatch{
		NewCustomer: store.Customer{Name: f.Text(fieldNewCustomer, 200), Kind: f.Raw(fieldNewKind)},
		On:          f.Day(fieldOn, "When did they leave?"),
		AlreadyLeft: f.On(fieldLeft),
		Reason:      f.Text(fieldReason, 1000),
		Note:        f.Text(fieldNote, 1000),
	}
	if n.AlreadyLeft && n.Reason == "" {
		f.Add(fieldReason, "Say how it came about; it goes into the record.")
	}
	rows, lines := parseRows(f, record)
	v.Form.Rows, n.Lines = rows.Form.Rows, lines
	return v, n
}

// parseRows reads the rows of packings alone.
func parseRows(f *ui.Form, record bool) (v newView, lines []store.DispatchLine) {
	rows, err := strconv.Atoi(f.Raw(fieldRows))
	if err != nil || rows < 0 || rows > mostRows {
		rows = 0
	}
	for i := range rows {
		l := row{Code: strings.TrimSpace(f.Raw(store.CodeField(i))), Units: f.Raw(store.LineField(i))}
		v.Form.Rows = append(v.Form.Rows, l)
		if !record {
			continue
		}
		units := f.OptionalWhole(store.LineField(i))
		if l.Code != "" && strings.TrimSpace(l.Units) == "" && f.Raw(listedField(i)) == "" {
			f.Add(store.LineField(i), "How many of them?")
		}
		lines = append(lines, store.DispatchLine{Packing: l.Code, Units: units})
	}
	return v, lines
}

// listedField marks a row whose code we wrote, so that an empty count in it is no omission.
func listedField(i int) string { return "listed-" + strconv.Itoa(i) }

// customerOf finds who was written.
func (a Area) customerOf(r *ui.Request, f *ui.Form, typed string, n *store.NewDispatch) error {
	typed = strings.TrimSpace(typed)
	switch {
	case typed == "" && n.NewCustomer.Name == "":
		f.Add(fieldCustomer, "Who are they for? Choose a customer, or write a new one.")
		return nil
	case typed == "":
		f.OneOf(fieldNewKind, "Choose what kind of customer.", "stockist", "online", "event", "direct")
		return nil
	case n.NewCustomer.Name != "":
		f.Add(fieldNewCustomer, "Choose a customer or write a new one, not both.")
		return nil
	}
	c, err := a.Store.CustomerNamed(r.HTTP.Context(), r.Who.Workshop, typed)
	if known := fault.As(err); known != nil {
		f.Add(fieldCustomer, known.Message)
		return nil
	}
	n.Customer = c.Code
	return err
}

// fillNew loads what the form chooses from and puts posted rows beside their packings.
func (a Area) fillNew(r *ui.Request, v *newView, posted []row) error {
	v.Today = r.Today()
	customers, err := a.Store.RecentCustomers(r.HTTP.Context(), r.Who.Workshop, suggested)
	if err != nil {
		return err
	}
	for _, c := range customers {
		v.Customers = append(v.Customers, named(c))
	}
	stock, err := a.Store.Stock(r.HTTP.Context(), r.Who.Workshop)
	if err != nil {
		return err
	}
	on := v.on()
	f := r.Form()
	asked := map[string]string{}
	for i := range mostRows {
		code := f.Raw(productField(i))
		if code == "" {
			break
		}
		asked[code] = f.Raw(wantedField(i))
	}
	packings := map[string]store.Packing{}
	for _, s := range stock {
		v.Form.Wanted = append(v.Form.Wanted, wanted{Product: s, Free: s.Free(on), Units: asked[s.Code]})
		delete(asked, s.Code)
		for _, p := range s.Packings {
			packings[p.Code] = p
		}
	}
	// What was asked for and is gone meanwhile stays on the page.
	for _, code := range slices.Sorted(maps.Keys(asked)) {
		if strings.TrimSpace(asked[code]) != "" {
			v.Form.Wanted = append(v.Form.Wanted, wanted{Product: store.ProductStock{Code: code, Name: code}, Units: asked[code]})
		}
	}
	for i, l := range posted {
		if p, here := packings[l.Code]; here && f.Raw(listedField(i)) != "" {
			v.Form.Rows[i].Packing = &p
			v.Form.Rows[i].Says = p.Refuse(r.Workshop.Style, 1, on)
		}
	}
	for free := len(v.free()); free < freeRows; free++ {
		v.Form.Rows = append(v.Form.Rows, row{})
	}
	return nil
}

// on is the day that was written, or today where it cannot be read.
func (v newView) on() day.Day {
	if on, err := day.Parse(strings.TrimSpace(v.Form.On)); err == nil {
		return on
	}
	return v.Today
}

// free are the indexes of rows that nobody has listed.
func (v newView) free() []int {
	var list []int
	for i, l := range v.Form.Rows {
		if l.Packing == nil {
			list = append(list, i)
		}
	}
	return list
}

// listed are the indexes of rows of known packings.
func (v newView) listed() []int {
	var list []int
	for i, l := range v.Form.Rows {
		if l.Packing != nil {
			list = append(list, i)
		}
	}
	return list
}

// propose puts codes to take under each product asked for, earliest best-before first, and shows them to confirm.
func (a Area) propose(r *ui.Request, f *ui.Form, v newView, on day.Day) error {
	if on.IsZero() {
		on = v.Today
	}
	v = proposed(f, v, on)
	page := r.Page("New dispatch", "dispatches")
	if err := f.Err(); err != nil {
		return r.Refuse(err, page, func(said *fault.Fault) templ.Component {
			v.Fault = said
			return newPage(v)
		})
	}
	return r.Render(http.StatusOK, page, newPage(v))
}

// proposed is the form with rows for what was asked for, and notes what is off beside it.
func proposed(f *ui.Form, v newView, on day.Day) newView {
	var rows []row
	anything := false
	for i, w := range v.Form.Wanted {
		if strings.TrimSpace(w.Units) == "" {
			continue
		}
		units, err := quantity.ParseWhole(w.Units)
		f.Check(wantedField(i), err)
		anything = anything || err != nil || units > 0
		if err != nil || units == 0 {
			continue
		}
		taken, missing := store.Pick(w.Product.Packings, units, on)
		if missing > 0 {
			f.Add(wantedField(i), fmt.Sprintf("Only %d may leave: %d too few.", units-missing, missing))
		}
		rows = append(rows, offered(f.Style(), w.Product.Packings, taken, on)...)
	}
	for _, i := range v.free() {
		if l := v.Form.Rows[i]; l.Code != "" || strings.TrimSpace(l.Units) != "" {
			anything = true
			rows = append(rows, row{Code: l.Code, Units: l.Units})
		}
	}
	if !anything {
		f.Add(fieldLines, "Which units leave? Write how many of a product, or the codes on them.")
	}
	v.Proposed = len(rows) > 0
	if v.Proposed {
		v.Form.Rows = rows
		for free := len(v.free()); free < freeRows; free++ {
			v.Form.Rows = append(v.Form.Rows, row{})
		}
	}
	return v
}

// offered are the rows of a product: what is taken, and some more to take instead.
func offered(style measure.Style, packings []store.Packing, taken []int, on day.Day) []row {
	var rows []row
	more := 0
	for i := range packings {
		p := packings[i]
		l := row{Code: p.Code, Packing: &p, Says: p.Refuse(style, 1, on)}
		if taken[i] > 0 {
			l.Units = strconv.Itoa(taken[i])
		} else if more++; more > shownMore {
			continue
		}
		rows = append(rows, l)
	}
	return rows
}

// freeUsed tells whether something stands in the rows for codes read off the units, or is off with them.
func (v newView) freeUsed() bool {
	for _, i := range v.free() {
		if v.Form.Rows[i].Code != "" || v.Form.Rows[i].Units != "" {
			return true
		}
	}
	return len(v.Form.Wanted) == 0
}
