// Package tellingpages is what follows when a recall was opened: telling customers, counting units back, letters and
// notices, and closing it with a report.
package tellingpages

import (
	"fmt"
	"net/http"
	"strconv"
	"strings"
	"time"

	"github.com/a-h/templ"

	"example.org/stillroom/internal/access"
	"example.org/stillroom/internal/closing"
	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/mail"
	"example.org/stillroom/internal/store"
	"example.org/stillroom/web/paths"
	"example.org/stillroom/web/ui"
)

// Area serves these pages.
type Area struct {
	Store *store.Store
	Mail  *mail.Server // nil where none is set up: nothing is sent then, and no page offers it
}

// Names of form fields, shared by form, fault and page. The rows of an answer are store.AnswerField.
const (
	fieldToldAt      = "told_at"
	fieldHow         = "how"
	fieldNote        = "note"
	fieldAnsweredOn  = "answered_on"
	fieldDisposition = "disposition"
	fieldCode        = "code"
	fieldReason      = "reason"
	fieldSeen        = "seen"
	fieldSubject     = "subject"
	fieldBody        = "body"
	fieldHazard      = "hazard"
	fieldToDo        = "to_do"
	fieldRemedy      = "remedy"
	fieldContact     = "contact"
	fieldKind        = "kind"
	fieldFile        = "file"
	fieldPassword    = "password"
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

// number is the recall that the path names.
func number(r *ui.Request) (int, error) {
	n, err := strconv.Atoi(r.Param("n"))
	if err != nil || n < 1 || n > 1_000_000_000 {
		return 0, fault.New(fault.NotFound, "There is no such recall.")
	}
	return n, nil
}

var hows = []ui.Option{
	{Value: "telephone", Label: closing.Way("telephone")}, {Value: "email", Label: closing.Way("email")}, {Value: "letter", Label: closing.Way("letter")},
	{Value: "in_person", Label: closing.Way("in_person")}, {Value: "notice", Label: closing.Way("notice"), Hint: "for an event's buyers, who are not known by name"},
}

var customerKinds = map[string]string{"stockist": "stockist", "online": "online order", "event": "event", "direct": "direct"}

type toldView struct {
	store.RecallTold
	Clock        ui.Clock
	Pages        ui.Pages
	MayTell      bool
	MayClose     bool
	Key, Now     string
	Only         bool // a page behind the first
	HasCustomers bool
}

// Telling lists the customers: who is to be told, who has not answered, what is counted back.
func (a Area) Telling(r *ui.Request) error {
	n, err := number(r)
	if err != nil {
		return err
	}
	told, err := a.Store.RecallTold(r.HTTP.Context(), r.Who.Workshop, n, r.AfterKey(), ui.PageLength)
	if err != nil {
		return err
	}
	v := toldView{RecallTold: told, Clock: r.Clock(), Pages: r.Pages(told.Next), MayTell: r.May(access.Dispatch) && told.Open(), MayClose: r.May(access.Recall) && told.Open()}
	return r.Render(http.StatusOK, r.Page("Telling of "+told.Code(), "trace"), toldPage(v))
}

// strip is how far it came.
func (v toldView) strip() []ui.Cell {
	u := v.Units
	cells := []ui.Cell{
		{Title: store.UnitCount(u.Out) + " out", Detail: "with " + count(v.Count, "customer", "customers")},
		{Title: strconv.Itoa(v.Count-v.NotTold) + " told", Detail: strconv.Itoa(v.NotTold) + " not yet"},
		{Title: strconv.Itoa(v.Answered) + " answered", Detail: strconv.Itoa(v.Silent) + " silent"},
		{Title: strconv.Itoa(u.Recovered()) + " recovered", Detail: u.RecoveredPct()},
		{Title: strconv.Itoa(u.Accounted()) + " accounted for", Detail: u.AccountedPct()},
	}
	return cells
}

func count(n int, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return fmt.Sprintf("%d %s", n, many)
}

// state is where a customer stands, as a mark and a word.
func state(c store.ToldCustomer) (kind, word string) {
	switch {
	case !c.Told():
		return "stop", "not told"
	case c.Silent():
		return "care", "no answer"
	case c.Missing() > 0:
		return "wait", fmt.Sprintf("%d missing", c.Missing())
	}
	return "good", "all counted"
}

func stateKind(c store.ToldCustomer) string { kind, _ := state(c); return kind }
func stateWord(c store.ToldCustomer) string { _, word := state(c); return word }

// tellForm and answerForm are what was typed, kept as it was.
type tellForm struct{ At, How, Note string }

type answerForm struct {
	On, Note, Disposition string
	Rows                  []answerRow
}

type answerRow struct{ Returned, Destroyed, Used, Sold string }

func (r answerRow) part(name string) string {
	switch name {
	case "returned":
		return r.Returned
	case "destroyed":
		return r.Destroyed
	case "used":
		return r.Used
	}
	return r.Sold
}

var parts = []struct{ Field, Label string }{{"returned", "Came back"}, {"destroyed", "Destroyed there"}, {"used", "Used already"}, {"sold", "Sold on"}}

type customerView struct {
	store.RecallCustomer
	Clock      ui.Clock
	TellKey    string
	AnswerKey  string
	Tell       tellForm
	Answer     answerForm
	Withdraw   string // id of the entry that a refused form is about
	Reason     string
	MayTell    bool
	MayCorrect bool
	Fault      *fault.Fault
	About      string // told, answer or withdraw: which form the fault is of
}

func (v customerView) faultOf(form, field string) string {
	if v.About != form {
		return ""
	}
	return v.Fault.Of(field)
}

// labels are the words above each field, for the summary.
func (v customerView) labels() map[string]string {
	words := map[string]string{fieldToldAt: "When", fieldHow: "How", fieldNote: "Note", fieldAnsweredOn: "Answered on", fieldDisposition: "Where they go", fieldReason: "Why"}
	for i, p := range v.Packings {
		for _, x := range parts {
			words[store.AnswerField(x.Field, i)] = p.Code + ", " + strings.ToLower(x.Label)
		}
	}
	return words
}

var dispositions = []ui.Option{{Value: "hold", Label: "On hold", Hint: "kept apart here until somebody decides"}, {Value: "destroy", Label: "Destroyed", Hint: "gone; they do not count as stock"}}

func (a Area) customerOf(r *ui.Request) (customerView, int, error) {
	n, err := number(r)
	if err != nil {
		return customerView{}, 0, err
	}
	c, err := a.Store.RecallCustomer(r.HTTP.Context(), r.Who.Workshop, n, r.Param("customer"))
	if err != nil {
		return customerView{}, 0, err
	}
	v := customerView{RecallCustomer: c, Clock: r.Clock(), TellKey: ui.NewKey(), AnswerKey: ui.NewKey(), MayTell: r.May(access.Dispatch) && c.Recall.Open(), MayCorrect: r.May(access.CorrectOwn) && c.Recall.Open()}
	v.Tell = tellForm{At: v.Clock.Input(r.Now), How: "telephone"}
	if c.Customer.Event() {
		v.Tell.How = "notice"
	}
	v.Answer = answerForm{On: r.Today().String(), Disposition: "hold", Rows: make([]answerRow, len(c.Packings))}
	return v, n, nil
}

// Customer shows one customer of a recall with the forms for what is said on the telephone.
func (a Area) Customer(r *ui.Request) error {
	v, _, err := a.customerOf(r)
	if err != nil {
		return err
	}
	return r.Render(http.StatusOK, v.page(r), customerPage(v))
}

func (v customerView) page(r *ui.Request) ui.Page {
	return r.Page(v.Customer.Name+", "+v.Recall.Code(), "trace")
}

// Tell stores that a customer was told.
func (a Area) Tell(r *ui.Request) error {
	v, n, err := a.customerOf(r)
	if err != nil {
		return err
	}
	f := r.Form()
	v.About, v.TellKey = "told", f.Raw("entry_key")
	v.Tell = tellForm{At: f.Raw(fieldToldAt), How: f.Raw(fieldHow), Note: f.Raw(fieldNote)}
	told := store.NewTold{At: f.Moment(fieldToldAt, v.Clock.Zone, "When were they told?"), How: f.OneOf(fieldHow, "How were they told?", "telephone", "email", "letter", "in_person", "notice"), Note: f.Text(fieldNote, 1000)}
	if told.At.After(r.Now.Add(time.Minute)) {
		f.Add(fieldToldAt, "That moment has not come yet.")
	}
	err = save(r, f, func(entry store.Entry) error {
		return a.Store.TellCustomer(r.HTTP.Context(), r.Who, entry, n, v.Customer.Code, told)
	})
	if err == nil {
		return r.SeeOther(paths.RecallTelling(n), v.Customer.Name+" is told of "+v.Recall.Code()+".")
	}
	return r.Refuse(err, v.page(r), func(said *fault.Fault) templ.Component {
		v.Fault = said
		return customerPage(v)
	})
}

// Answer stores what a customer answered, with the units that it counts back.
func (a Area) Answer(r *ui.Request) error {
	v, n, err := a.customerOf(r)
	if err != nil {
		return err
	}
	f := r.Form()
	v.About, v.AnswerKey = "answer", f.Raw("entry_key")
	answer := v.parse(f)
	err = save(r, f, func(entry store.Entry) error {
		return a.Store.AnswerRecall(r.HTTP.Context(), r.Who, entry, n, v.Customer.Code, answer)
	})
	if err == nil {
		return r.SeeOther(paths.RecallCustomer(n, v.Customer.Code), "The answer of "+v.Customer.Name+" is in the book.")
	}
	return r.Refuse(err, v.page(r), func(said *fault.Fault) templ.Component {
		v.Fault = said
		return customerPage(v)
	})
}

// parse reads the form into the view and gives the answer. A packing is found by its code, not by its place: the list may
// have grown since the page was drawn.
func (v *customerView) parse(f *ui.Form) store.NewAnswer {
	v.Answer.On, v.Answer.Note, v.Answer.Disposition = f.Raw(fieldAnsweredOn), f.Raw(fieldNote), f.Raw(fieldDisposition)
	a := store.NewAnswer{On: f.Day(fieldAnsweredOn, "When did they answer?"), Note: f.Text(fieldNote, 800), Disposition: v.Answer.Disposition}
	at := map[string]int{}
	for i := range 200 {
		if code := f.Raw(store.AnswerField(fieldCode, i)); code != "" {
			at[code] = i
		}
	}
	for i, p := range v.Packings {
		from, sent := at[p.Code]
		if !sent {
			a.Counts = append(a.Counts, store.AnswerCount{Packing: p.Code})
			continue
		}
		read := func(name string) string { return f.Raw(store.AnswerField(name, from)) }
		v.Answer.Rows[i] = answerRow{read("returned"), read("destroyed"), read("used"), read("sold")}
		units := func(name string) int {
			if strings.TrimSpace(read(name)) == "" {
				return 0
			}
			if from != i {
				f.Add(store.AnswerField(name, i), "The list has changed since the page was opened. Look at it again, and send it once more.")
				return 0
			}
			return f.Whole(store.AnswerField(name, from), "")
		}
		a.Counts = append(a.Counts, store.AnswerCount{Packing: p.Code, Returned: units("returned"), Destroyed: units("destroyed"), Used: units("used"), Sold: units("sold")})
	}
	return a
}

// Withdraw takes a mistaken entry back.
func (a Area) Withdraw(r *ui.Request) error {
	v, n, err := a.customerOf(r)
	if err != nil {
		return err
	}
	id, err := store.ParseID[store.RowID](r.Param("id"))
	if err != nil {
		return err
	}
	f := r.Form()
	v.About, v.Withdraw, v.Reason = "withdraw", r.Param("id"), f.Raw(fieldReason)
	reason := f.Must(fieldReason, 1000, "Say why: what was written down stays, struck through.")
	err = save(r, f, func(entry store.Entry) error {
		return a.Store.WithdrawTold(r.HTTP.Context(), r.Who, entry, n, v.Customer.Code, r.Param("kind"), id, reason)
	})
	if err == nil {
		return r.SeeOther(paths.RecallCustomer(n, v.Customer.Code), "That is taken back.")
	}
	return r.Refuse(err, v.page(r), func(said *fault.Fault) templ.Component {
		v.Fault = said
		return customerPage(v)
	})
}

// what is an entry in words.
func what(e store.ToldEntry, clock ui.Clock) string {
	switch e.Kind {
	case "told":
		return "Told " + clock.Time(e.At) + ", " + closing.Way(e.How)
	case "answer":
		return "Answered " + clock.Style.Day(e.On)
	}
	words := map[string]string{"returned": "came back", "destroyed": "destroyed there", "used": "used already", "sold": "sold on"}[e.How]
	if e.Return != "" {
		words += " (return " + e.Return + ")"
	}
	return store.UnitCount(e.Units) + " of " + e.Packing + " " + words
}
