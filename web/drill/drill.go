// Package drillpages is the drill: a recall without blocking or telling, timed from its start to the full list, with the
// shelf counted and a signed report of what it has shown.
package drillpages

import (
	"crypto/rand"
	"fmt"
	"math/big"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/a-h/templ"

	"example.org/stillroom/internal/access"
	"example.org/stillroom/internal/drill"
	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/store"
	"example.org/stillroom/web/paths"
	"example.org/stillroom/web/ui"
)

// Area serves the pages of drills.
type Area struct{ Store *store.Store }

// Names of form fields, shared by form, fault and page.
const (
	fieldHow      = "how"
	fieldKind     = "kind"
	fieldCode     = "code"
	fieldSupplier = "supplier"
	fieldTitle    = "title"
	fieldReason   = "reason"
	fieldNote     = "note"
	fieldPassword = "password"
	countField    = "count-" // with the packing's code
)

type listView struct {
	Drills []store.DrillRow
	Watch  store.DrillWatch
	Due    bool
	Pages  ui.Pages
	Clock  ui.Clock
	Now    time.Time
	Target int
	May    bool
}

// Drills lists them all, the newest first.
func (a Area) Drills(r *ui.Request) error {
	after, err := strconv.Atoi(r.AfterKey())
	if err != nil {
		after = 0
	}
	list, next, err := a.Store.Drills(r.HTTP.Context(), r.Who.Workshop, after, ui.PageLength)
	if err != nil {
		return err
	}
	watch, err := a.Store.DrillWatch(r.HTTP.Context(), r.Who.Workshop)
	if err != nil {
		return err
	}
	key := ""
	if next > 0 {
		key = strconv.Itoa(next)
	}
	v := listView{Drills: list, Watch: watch, Due: drill.Due(watch.Last, watch.First, r.Today()), Pages: r.Pages(key), Clock: r.Clock(), Now: r.Now, Target: r.Workshop.DrillMinutes, May: r.May(access.Recall)}
	return r.Render(http.StatusOK, r.Page("Drills", "trace"), listPage(v))
}

type newForm struct{ How, Kind, Code, Supplier, Title, Reason string }

type newView struct {
	Key       string
	Form      newForm
	Suppliers []ui.Option
	Target    int
	Fault     *fault.Fault
}

// New is the form that begins a drill.
func (a Area) New(r *ui.Request) error {
	v := newView{Key: ui.NewKey(), Target: r.Workshop.DrillMinutes, Form: newForm{How: "random", Kind: "lot", Title: "Drill of " + r.Workshop.Style.Day(r.Today())}}
	if lot := r.HTTP.URL.Query().Get("lot"); lot != "" && len(lot) <= 100 {
		v.Form.How, v.Form.Code = "chosen", lot
	}
	return a.showNew(r, v, nil)
}

func (a Area) showNew(r *ui.Request, v newView, err error) error {
	suppliers, loadErr := a.Store.Suppliers(r.HTTP.Context(), r.Who.Workshop)
	if loadErr != nil {
		return loadErr
	}
	for _, s := range suppliers {
		v.Suppliers = append(v.Suppliers, ui.Option{Value: s.Code, Label: s.Name})
	}
	page := r.Page("New drill", "trace")
	if err == nil {
		return r.Render(http.StatusOK, page, newPage(v))
	}
	return r.Refuse(named(err, v.Form.How), page, func(f *fault.Fault) templ.Component {
		v.Fault = f
		return newPage(v)
	})
}

// named puts what the store says of the start beside the field that says it.
func named(err error, how string) error {
	f := fault.As(err)
	if f == nil {
		return err
	}
	if f.Kind == fault.NotFound {
		return fault.In(fieldCode, f.Message)
	}
	if len(f.Fields) == 0 {
		return err
	}
	var out fault.Fields
	for _, field := range f.Fields {
		switch {
		case field.Name != "from":
			out.Add(field.Name, field.Message)
		case how == "random":
			out.Add(fieldHow, field.Message)
		default:
			out.Add(fieldCode, field.Message)
		}
	}
	return out.Err()
}

// Begin opens the drill: the clock runs from here.
func (a Area) Begin(r *ui.Request) error {
	f := r.Form()
	form := newForm{f.Raw(fieldHow), f.Raw(fieldKind), f.Raw(fieldCode), f.Raw(fieldSupplier), f.Raw(fieldTitle), f.Raw(fieldReason)}
	d := store.NewDrill{
		Random: f.OneOf(fieldHow, "Draw a lot, or choose one.", "random", "chosen") == "random",
		Title:  f.Must(fieldTitle, 200, "Give it a name."),
		Reason: f.Must(fieldReason, 2000, "What is pretended?"),
	}
	if form.How == "chosen" {
		d.From.Kind = f.OneOf(fieldKind, "What is it?", "lot", "supplier lot", "batch", "packing")
		d.From.Code = f.Must(fieldCode, 100, "Which one?")
		if form.Kind == "supplier lot" {
			d.From.Supplier = f.Must(fieldSupplier, 100, "Whose lot is it?")
		}
	}
	err := f.Err()
	var entry store.Entry
	if err == nil {
		entry, err = r.Entry()
	}
	var number string
	if err == nil {
		number, err = a.Store.OpenDrill(r.HTTP.Context(), r.Who, entry, d, drawn)
	}
	if err != nil {
		return a.showNew(r, newView{Key: f.Raw("entry_key"), Form: form, Target: r.Workshop.DrillMinutes}, err)
	}
	n, err := strconv.Atoi(number)
	if err != nil {
		return err
	}
	r.Log("drill begun", "drill", n, "by", store.Text(r.Who.Person))
	return r.SeeOther(paths.Drill(n), "The drill runs.")
}

// drawn is a number of 0 to n-1, each as likely: nobody can know before which lot it will be.
func drawn(n int) int {
	i, err := rand.Int(rand.Reader, big.NewInt(int64(n)))
	if err != nil {
		panic(err) // crypto/rand ends the program rather than return an error
	}
	return int(i.Int64())
}

type countRow struct {
	store.RecallPacking
	Typed string
}

type pageView struct {
	store.DrillPage
	Key, ListKey string
	Clock        ui.Clock
	Now          time.Time
	Rows         []countRow // packings to be counted
	ToCount      []countRow // a page of them
	CountPages   ui.Pages
	Shown        []store.DrillCustomer // a page of the customers
	Pages        ui.Pages
	At           string // which pages are shown, for the address of the form that counts
	MayCount     bool
	MayRun       bool
	Fault        *fault.Fault
}

func number(r *ui.Request) (int, error) {
	n, err := strconv.Atoi(r.Param("n"))
	if err != nil || n < 1 || n > 1<<30 {
		return 0, fault.New(fault.NotFound, "There is no such drill.")
	}
	return n, nil
}

func (a Area) load(r *ui.Request) (store.DrillPage, error) {
	n, err := number(r)
	if err != nil {
		return store.DrillPage{}, err
	}
	return a.Store.Drill(r.HTTP.Context(), r.Who.Workshop, n)
}

// afterPacking names the packing behind which the page of those to be counted begins.
const afterPacking = "stock"

// viewOf is a drill's page with the customers and the packings to be counted behind those that the page before ended with.
func viewOf(r *ui.Request, p store.DrillPage) pageView {
	v := pageView{DrillPage: p, Key: ui.NewKey(), ListKey: ui.NewKey(), Clock: r.Clock(), Now: r.Now, MayCount: r.May(access.Dispatch), MayRun: r.May(access.Recall)}
	for _, x := range p.Packings {
		if x.OnHand > 0 || x.OnHandNow > 0 || x.Counted != nil {
			row := countRow{RecallPacking: x}
			if x.Counted != nil {
				row.Typed = strconv.Itoa(*x.Counted)
			}
			v.Rows = append(v.Rows, row)
		}
	}
	var next string
	v.Shown, next = turned(p.Customers, r.AfterKey(), func(c store.DrillCustomer) string { return c.Code })
	v.Pages = r.Pages(next)
	v.ToCount, next = turned(v.Rows, r.HTTP.URL.Query().Get(afterPacking), func(row countRow) string { return row.Code })
	v.CountPages = r.PagesBy(afterPacking, next)
	v.At = r.PagesAt()
	return v
}

// turned is a page of a list that is read whole, since all of it is judged: what follows the row of a key, and the key that
// the next page begins behind. A key that names no row begins at the beginning.
func turned[T any](list []T, behind string, key func(T) string) (page []T, next string) {
	page = list[1+slices.IndexFunc(list, func(x T) bool { return key(x) == behind }):]
	if len(page) > ui.PageLength {
		page = page[:ui.PageLength]
		next = key(page[ui.PageLength-1])
	}
	return page, next
}

// refused is the page of a form that was not taken.
func (v pageView) refused(said *fault.Fault) templ.Component {
	v.Fault = said
	return drillPage(v)
}

// Drill shows one: what is to be done while it runs, and what it has shown.
func (a Area) Drill(r *ui.Request) error {
	p, err := a.load(r)
	if err != nil {
		return err
	}
	return r.Render(http.StatusOK, r.Page("Drill "+p.Code(), "trace"), drillPage(viewOf(r, p)))
}

// Count stores what was found on the shelf.
func (a Area) Count(r *ui.Request) error {
	p, err := a.load(r)
	if err != nil {
		return err
	}
	f, v := r.Form(), viewOf(r, p)
	v.Key = f.Raw("entry_key")
	found := map[string]int{}
	for i := range v.Rows {
		row := &v.Rows[i]
		if row.Typed = f.Raw(countField + row.Code); strings.TrimSpace(row.Typed) != "" {
			found[row.Code] = f.Whole(countField+row.Code, "")
		}
	}
	err = f.Err()
	if err == nil && len(found) == 0 {
		err = fault.New(fault.Invalid, "Write how many units you found of at least one packing; 0 where there are none.")
	}
	var entry store.Entry
	if err == nil {
		entry, err = r.Entry()
	}
	if err == nil {
		err = a.Store.CountDrill(r.HTTP.Context(), r.Who, entry, p.Number, found)
	}
	if err == nil {
		return r.SeeOther(paths.Drill(p.Number)+v.At, fmt.Sprintf("Counted: %s.", count(len(found), "packing", "packings")))
	}
	return r.Refuse(err, r.Page("Drill "+p.Code(), "trace"), v.refused)
}

// List says that the list is complete.
func (a Area) List(r *ui.Request) error {
	p, err := a.load(r)
	if err != nil {
		return err
	}
	entry, err := r.Entry()
	if err == nil {
		err = a.Store.ListDrill(r.HTTP.Context(), r.Who, entry, p.Number)
	}
	if err == nil {
		return r.SeeOther(paths.Drill(p.Number), "The list is complete, and the time stands still.")
	}
	return r.Refuse(err, r.Page("Drill "+p.Code(), "trace"), viewOf(r, p).refused)
}

type endView struct {
	store.DrillPage
	Key   string
	Note  string
	Clock ui.Clock
	Fault *fault.Fault
}

// EndForm shows what the drill has shown, to be signed.
func (a Area) EndForm(r *ui.Request) error {
	p, err := a.load(r)
	if err != nil {
		return err
	}
	return r.Render(http.StatusOK, r.Page("End drill "+p.Code(), "trace"), endPage(endView{DrillPage: p, Key: ui.NewKey(), Clock: r.Clock()}))
}

// End signs what the drill has shown.
func (a Area) End(r *ui.Request) error {
	p, err := a.load(r)
	if err != nil {
		return err
	}
	f := r.Form()
	note, password := f.Must(fieldNote, 2000, "What has it shown, and what will you change?"), f.Raw(fieldPassword)
	switch {
	case password == "":
		f.Add(fieldPassword, "Sign with your password.")
	case len(password) > 128:
		f.Add(fieldPassword, "That is not your password.")
	}
	err = f.Err()
	var entry store.Entry
	if err == nil {
		entry, err = r.Entry()
	}
	if err == nil {
		// So that a password cannot be tried out on an open tablet.
		err = r.Throttle("sign:"+store.Text(r.Who.Workshop)+":"+store.Text(r.Who.Person), 10, 10*time.Minute)
	}
	if err == nil {
		err = a.Store.EndDrill(r.HTTP.Context(), r.Who, entry, p.Number, note, password)
	}
	if err == nil {
		return r.SeeOther(paths.DrillReport(p.Number), "The drill has ended, and its report is signed.")
	}
	v := endView{DrillPage: p, Key: f.Raw("entry_key"), Note: f.Raw(fieldNote), Clock: r.Clock()}
	return r.Refuse(err, r.Page("End drill "+p.Code(), "trace"), func(fl *fault.Fault) templ.Component {
		v.Fault = fl
		return endPage(v)
	})
}
