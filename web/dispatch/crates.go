package dispatch

import (
	"net/http"
	"slices"
	"strconv"
	"strings"

	"github.com/a-h/templ"

	"example.org/stillroom/internal/access"
	"example.org/stillroom/internal/day"
	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/measure"
	"example.org/stillroom/internal/quantity"
	"example.org/stillroom/internal/store"
	"example.org/stillroom/web/paths"
	"example.org/stillroom/web/ui"
)

const fieldEventOn = "event_on"

// crateState is the state of a crate, as a mark and a word.
func crateState(status string) (kind, word string) {
	switch status {
	case "packing":
		return "wait", "Being packed"
	case "away":
		return "care", "Away"
	case "back":
		return "good", "Back"
	}
	return "stop", "Dropped"
}

type cratesView struct {
	Crates  []store.Crate
	Style   measure.Style
	Pages   ui.Pages
	MayPack bool
}

// Crates lists them, the latest event first.
func (a Area) Crates(r *ui.Request) error {
	list, next, err := a.Store.Crates(r.HTTP.Context(), r.Who.Workshop, r.AfterKey(), ui.PageLength)
	if err != nil {
		return err
	}
	v := cratesView{Crates: list, Pages: r.Pages(next), Style: r.Workshop.Style, MayPack: r.May(access.Dispatch)}
	return r.Render(http.StatusOK, r.Page("Crates", "crates"), cratesPage(v))
}

type crateView struct {
	store.CratePage
	Style               measure.Style
	Clock               ui.Clock
	Today               day.Day
	MayPack, MayCorrect bool
	Key                 string
	AddCode, AddUnits   string
	Fault               *fault.Fault // of the box that adds a code
}

func (a Area) crateOf(r *ui.Request) (crateView, error) {
	page, err := a.Store.CratePage(r.HTTP.Context(), r.Who.Workshop, r.Param("code"))
	if err != nil {
		return crateView{}, err
	}
	return crateView{CratePage: page, Style: r.Workshop.Style, Clock: r.Clock(), Today: r.Today(), MayPack: r.May(access.Dispatch), MayCorrect: r.May(access.CorrectOwn), Key: ui.NewKey(), AddUnits: "1"}, nil
}

// Crate shows one: the list to pack by and to print, then what became of it.
func (a Area) Crate(r *ui.Request) error {
	v, err := a.crateOf(r)
	if err != nil {
		return err
	}
	return r.Render(http.StatusOK, r.Page("Crate "+v.Code, "crates"), cratePage(v))
}

// answer is the page's first line.
func (v crateView) answer() string {
	switch v.Status {
	case "back":
		return strconv.Itoa(v.Sold()) + " of " + store.UnitCount(v.Units) + " sold at " + v.CustomerName
	case "away":
		return store.UnitCount(v.Units) + " at " + v.CustomerName
	}
	return store.UnitCount(v.Units) + " for " + v.CustomerName
}

// about is the line below it.
func (v crateView) about() string {
	words := v.Style.Day(v.On) + ", " + count(v.Packings, "packing", "packings")
	if !v.BackOn.IsZero() {
		words += ", back " + v.Style.Day(v.BackOn)
	}
	return words
}

// on is the day that what is packed has to be fit for: the event's, or today where that has passed.
func (v crateView) on() day.Day {
	if v.On.Before(v.Today) {
		return v.Today
	}
	return v.On
}

// says is what stands in the way of a line that is being packed.
func (v crateView) says(l store.CrateLine) string { return l.Refuse(v.Clock.Style, l.InCrate, v.on()) }

// sheetLine is a line of the printed list: what is packed, or what left.
type sheetLine struct {
	Code, Product, Date, Says string
	Units                     int
}

// sheet is the list as it is printed.
func (v crateView) sheet() []sheetLine {
	var list []sheetLine
	if v.Dispatch == "" {
		for _, l := range v.Lines {
			line := sheetLine{Code: l.Code, Product: l.ProductName, Date: l.Printed, Units: l.InCrate}
			if line.Date == "" {
				line.Date = bestBefore(v.Clock.Style, l.Packing)
			}
			if v.Status == "packing" {
				line.Says = v.says(l)
			}
			list = append(list, line)
		}
		return list
	}
	for _, o := range v.Out {
		date := o.Printed
		if date == "" {
			date = dateOr(v.Clock.Style, o.BestBefore, "no date")
		}
		list = append(list, sheetLine{Code: o.Packing, Product: o.ProductName, Date: date, Units: o.Units})
	}
	return list
}

// pencil are the columns that are filled in at the fair.
var pencil = []string{"Left", "Sold", "Tester", "Broken", "Gift"}

// entryWords is an entry of a crate that is back.
func entryWords(e store.CrateEntry) string {
	words := strconv.Itoa(e.Units) + " "
	switch e.What {
	case "restock":
		return words + "back"
	case "hold":
		return words + "on hold"
	case "destroy":
		return words + "destroyed"
	}
	return words + e.What
}

// crateForm is a crate as it was typed: the form of a dispatch, for an event.
type crateForm struct {
	newView
	Code string // of the crate that is changed; empty for a new one
	Seen string
	Name string // of its event
}

func (v crateForm) action() string {
	if v.Code != "" {
		return paths.EditCrate(v.Code)
	}
	return paths.NewCrate("")
}

func (v crateForm) title() string {
	if v.Code != "" {
		return "Change crate " + v.Code
	}
	return "Pack a crate"
}

func (v crateForm) words() map[string]string {
	words := v.labels()
	words[fieldCustomer], words[fieldNewCustomer], words[fieldEventOn] = "Event", "New event", "Day of the event"
	return words
}

// NewCrate shows which event, when, and what is there to take.
func (a Area) NewCrate(r *ui.Request) error {
	v := crateForm{newView: newView{Key: ui.NewKey(), Form: newForm{On: r.Today().AddDays(1).String()}}}
	if code := r.HTTP.URL.Query().Get("customer"); code != "" {
		c, err := a.Store.CustomerNamed(r.HTTP.Context(), r.Who.Workshop, code)
		if err != nil {
			return err
		}
		v.Form.Customer = named(c)
	}
	if err := a.fillCrate(r, &v); err != nil {
		return err
	}
	return r.Render(http.StatusOK, r.Page(v.title(), "crates"), crateFormPage(v))
}

// fillCrate loads what the form chooses from; only events have crates.
func (a Area) fillCrate(r *ui.Request, v *crateForm) error {
	if err := a.fillNew(r, &v.newView, v.Form.Rows); err != nil {
		return err
	}
	customers, err := a.Store.RecentCustomers(r.HTTP.Context(), r.Who.Workshop, suggested)
	if err != nil {
		return err
	}
	v.Customers = nil
	for _, c := range customers {
		if c.Kind == "event" {
			v.Customers = append(v.Customers, named(c))
		}
	}
	return nil
}

// EditCrate shows a crate that is being packed, to change.
func (a Area) EditCrate(r *ui.Request) error {
	page, err := a.Store.CratePage(r.HTTP.Context(), r.Who.Workshop, r.Param("code"))
	if err != nil {
		return err
	}
	if page.Status != "packing" {
		return r.SeeOther(paths.Crate(page.Code), "Crate "+page.Code+" is no longer being packed.")
	}
	v := crateForm{Code: page.Code, Seen: page.Seen, Name: page.CustomerName, newView: newView{Key: ui.NewKey(), Proposed: true, More: true, Form: newForm{On: page.On.String(), Note: page.Note}}}
	for _, l := range page.Lines {
		v.Form.Rows = append(v.Form.Rows, row{Code: l.Code, Units: strconv.Itoa(l.InCrate), Packing: &l.Packing, Says: l.Refuse(r.Workshop.Style, 1, page.On)})
	}
	if err := a.fillCrate(r, &v); err != nil {
		return err
	}
	for i, l := range page.Lines {
		v.Form.Rows[i].Packing = &l.Packing // also one of which nothing is on hand
	}
	return r.Render(http.StatusOK, r.Page(v.title(), "crates"), crateFormPage(v))
}

// parseCrate reads the form; lines that cannot be read are faults once the crate is to be stored.
func parseCrate(f *ui.Form, record bool) (crateForm, []store.DispatchLine) {
	v, n := parseRows(f, record)
	form := crateForm{newView: v, Seen: f.Raw(fieldSeen)}
	form.Key = f.Raw("entry_key")
	form.Form.Customer, form.Form.NewCustomer = f.Raw(fieldCustomer), f.Raw(fieldNewCustomer)
	form.Form.On, form.Form.Note = f.Raw(fieldEventOn), f.Raw(fieldNote)
	return form, n
}

// RecordCrate proposes which codes to take, or begins the crate.
func (a Area) RecordCrate(r *ui.Request) error {
	f := r.Form()
	propose := f.Raw(fieldStep) == "propose"
	v, lines := parseCrate(f, !propose)
	n := store.NewCrate{NewEvent: f.Text(fieldNewCustomer, 200), On: f.Day(fieldEventOn, "On which day is it?"), Note: f.Text(fieldNote, 1000), Lines: lines}
	switch typed := strings.TrimSpace(v.Form.Customer); {
	case typed == "" && n.NewEvent == "":
		f.Add(fieldCustomer, "Which event? Choose one, or write a new one.")
	case typed != "" && n.NewEvent != "":
		f.Add(fieldNewCustomer, "Choose an event or write a new one, not both.")
	case typed != "":
		c, err := a.Store.CustomerNamed(r.HTTP.Context(), r.Who.Workshop, typed)
		if known := fault.As(err); known != nil {
			f.Add(fieldCustomer, strings.ReplaceAll(known.Message, "customer", "event"))
		} else if err != nil {
			return err
		}
		n.Customer = c.Code
	}
	return a.crateForm(r, f, v, n.On, propose, func(entry store.Entry) (string, string, error) {
		code, err := a.Store.AddCrate(r.HTTP.Context(), r.Who, entry, n)
		return code, "Crate " + code + " is in the book: pack it by this list.", err
	})
}

// SaveCrate proposes more codes for a crate, or stores it as it is written now.
func (a Area) SaveCrate(r *ui.Request) error {
	page, err := a.Store.CratePage(r.HTTP.Context(), r.Who.Workshop, r.Param("code"))
	if err != nil {
		return err
	}
	f := r.Form()
	propose := f.Raw(fieldStep) == "propose"
	v, lines := parseCrate(f, !propose)
	v.Code, v.Name, v.More = page.Code, page.CustomerName, true
	e := store.CrateEdit{On: f.Day(fieldEventOn, "On which day is it?"), Note: f.Text(fieldNote, 1000), Lines: lines, Seen: v.Seen}
	return a.crateForm(r, f, v, e.On, propose, func(entry store.Entry) (string, string, error) {
		return page.Code, "Crate " + page.Code + " is changed.", a.Store.EditCrate(r.HTTP.Context(), r.Who, entry, page.Code, e)
	})
}

// crateForm ends both: it proposes, or stores and shows the crate, or shows again what was typed.
func (a Area) crateForm(r *ui.Request, f *ui.Form, v crateForm, on day.Day, propose bool, book func(store.Entry) (code, said string, err error)) error {
	if err := a.fillCrate(r, &v); err != nil {
		return err
	}
	if propose {
		if on.IsZero() {
			on = v.Today
		}
		v.propose(f, on)
		if err := f.Err(); err == nil {
			return r.Render(http.StatusOK, r.Page(v.title(), "crates"), crateFormPage(v))
		}
	} else {
		v.Proposed = true
	}
	var code, said string
	err := save(r, f, func(entry store.Entry) (err error) {
		code, said, err = book(entry)
		return err
	})
	if err == nil {
		return r.SeeOther(paths.Crate(code), said)
	}
	if fault.Is(err, fault.Conflict) && v.Code != "" {
		// What was typed stays; sent again it is held against the crate as it is now.
		now, loadErr := a.Store.CratePage(r.HTTP.Context(), r.Who.Workshop, v.Code)
		if loadErr != nil {
			return loadErr
		}
		v.Seen = now.Seen
	}
	return r.Refuse(err, r.Page(v.title(), "crates"), func(said *fault.Fault) templ.Component {
		v.Fault = said
		return crateFormPage(v)
	})
}

// propose puts codes to take into the form: into a new crate for what is asked for, into one that is changed besides what
// is in it.
func (v *crateForm) propose(f *ui.Form, on day.Day) {
	if v.Code == "" {
		v.newView = proposed(f, v.newView, on)
		return
	}
	inCrate := map[string]int{}
	var rows []row
	for _, i := range v.listed() {
		l := v.Form.Rows[i]
		if units, err := quantity.ParseWhole(l.Units); err == nil {
			inCrate[l.Code] = units
		}
		if strings.TrimSpace(l.Units) != "" {
			rows = append(rows, l)
		}
	}
	for i := range v.Form.Wanted {
		for k := range v.Form.Wanted[i].Product.Packings {
			p := &v.Form.Wanted[i].Product.Packings[k]
			p.OnHand -= inCrate[p.Code]
		}
	}
	before := v.newView
	more := proposed(f, v.newView, on)
	if !more.Proposed || f.Any() {
		v.newView = before
		v.Proposed = true
		return
	}
	for _, l := range more.Form.Rows {
		if at := slices.IndexFunc(rows, func(have row) bool { return have.Code == l.Code && l.Code != "" }); at < 0 {
			rows = append(rows, l)
		} else if units, err := quantity.ParseWhole(l.Units); err == nil {
			rows[at].Units = strconv.Itoa(inCrate[l.Code] + units)
		}
	}
	for i := range more.Form.Wanted {
		more.Form.Wanted[i].Units = "" // it stands in the rows now
	}
	more.Form.Rows = rows
	v.newView = more
}

// AddToCrate puts a scanned or typed code into a crate.
func (a Area) AddToCrate(r *ui.Request) error {
	f := r.Form()
	code := r.Param("code")
	add := store.DispatchLine{Packing: f.Must(fieldPacking, 40, "Which code stands on them?"), Units: f.Whole(fieldUnits, "How many?")}
	// Whether there is such a crate is answered first.
	v, err := a.crateOf(r)
	if err != nil {
		return err
	}
	err = save(r, f, func(entry store.Entry) error {
		return a.Store.AddToCrate(r.HTTP.Context(), r.Who, entry, code, add)
	})
	if err == nil {
		return r.SeeOther(paths.Crate(code), store.UnitCount(add.Units)+" of "+strings.ToUpper(add.Packing)+" added.")
	}
	return r.Refuse(err, r.Page("Crate "+v.Code, "crates"), func(said *fault.Fault) templ.Component {
		v.Key, v.AddCode, v.AddUnits, v.Fault = f.Raw("entry_key"), f.Raw(fieldPacking), f.Raw(fieldUnits), said
		return cratePage(v)
	})
}

// DropCrate gives a crate up that has not left.
func (a Area) DropCrate(r *ui.Request) error {
	page, err := a.Store.CratePage(r.HTTP.Context(), r.Who.Workshop, r.Param("code"))
	if err != nil {
		return err
	}
	entry, err := r.Entry()
	if err == nil {
		err = a.Store.DropCrate(r.HTTP.Context(), r.Who, entry, page.Code)
	}
	if err != nil {
		return err
	}
	return r.SeeOther(paths.Crates(), "Crate "+page.Code+" is dropped: nothing of it left.")
}

type leavesView struct {
	store.CratePage
	Style      measure.Style
	Key        string
	On, Reason string
	Left       bool
	Fault      *fault.Fault
}

// labels are the words above each field, for the summary.
func (v leavesView) labels() map[string]string {
	words := map[string]string{fieldOn: "Left on", fieldReason: "How it came about", fieldLines: "Units"}
	for i, l := range v.Lines {
		words[store.LineField(i)] = l.Code
	}
	return words
}

// NewLeaves shows what leaves, to say so.
func (a Area) NewLeaves(r *ui.Request) error {
	page, err := a.Store.CratePage(r.HTTP.Context(), r.Who.Workshop, r.Param("code"))
	if err != nil {
		return err
	}
	if page.Status != "packing" {
		return r.SeeOther(paths.Crate(page.Code), "Crate "+page.Code+" has left already.")
	}
	v := leavesView{CratePage: page, Style: r.Workshop.Style, Key: ui.NewKey(), On: r.Today().String()}
	return r.Render(http.StatusOK, r.Page("Crate "+page.Code+" leaves", "crates"), leavesPage(v))
}

// CrateLeaves records the dispatch.
func (a Area) CrateLeaves(r *ui.Request) error {
	page, err := a.Store.CratePage(r.HTTP.Context(), r.Who.Workshop, r.Param("code"))
	if err != nil {
		return err
	}
	f := r.Form()
	l := store.CrateLeaves{On: f.Day(fieldOn, "When did they leave?"), AlreadyLeft: f.On(fieldLeft), Reason: f.Text(fieldReason, 1000), Seen: f.Raw(fieldSeen)}
	if l.AlreadyLeft && l.Reason == "" {
		f.Add(fieldReason, "Say how it came about; it goes into the record.")
	}
	var dispatch string
	err = save(r, f, func(entry store.Entry) (err error) {
		dispatch, err = a.Store.SendCrate(r.HTTP.Context(), r.Who, entry, page.Code, l)
		return err
	})
	if err == nil {
		return r.SeeOther(paths.Crate(page.Code), "Crate "+page.Code+" left as dispatch "+dispatch+".")
	}
	return r.Refuse(err, r.Page("Crate "+page.Code+" leaves", "crates"), func(said *fault.Fault) templ.Component {
		return leavesPage(leavesView{CratePage: page, Style: r.Workshop.Style, Key: f.Raw("entry_key"), On: f.Raw(fieldOn), Reason: f.Raw(fieldReason), Left: l.AlreadyLeft, Fault: said})
	})
}
