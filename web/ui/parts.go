package ui

import (
	"strconv"
	"strings"

	"example.org/stillroom/internal/fault"
	"github.com/a-h/templ"
)

// Page is what every page tells the layout about itself.
type Page struct {
	Title    string // the heading in words, for the browser's tab
	Area     string // key of the current area: "today", "batches", "materials", …; empty for none
	Workshop string
	Person   string // printed name of who is signed in
	// PersonID tells people of the same name apart in the outbox of a shared tablet: an entry kept for one is
	// never sent as another. Empty falls back to workshop and name.
	PersonID string
	Role     string // "viewer", "helper", "maker", "owner"; settings show for the owner only
	Flash    string // said once after something was saved
	Failed   bool   // what was typed could not be taken: the title starts with "Error: "
	Bench    bool   // an arm's length: larger type and controls, the areas in a menu
	Signed   bool   // false: no areas, no search, no person
	Query    string // what stands in the search box
	Again    int    // after how many seconds the page is asked for anew where no script runs; 0 for never
}

func (p Page) title() string {
	title := p.Title
	if p.Workshop != "" && p.Workshop != title {
		title += " · " + p.Workshop
	}
	if p.Failed {
		return "Error: " + title
	}
	return title
}

// shop is the name at the top left; a workshop not named yet shows the program's.
func (p Page) shop() string {
	if p.Workshop == "" {
		return "Stillroom"
	}
	return p.Workshop
}

// person is the identity that the outbox keeps with an entry.
func (p Page) person() string {
	switch {
	case !p.Signed:
		return ""
	case p.PersonID != "":
		return p.PersonID
	default:
		return p.Workshop + "/" + p.Person
	}
}

// attrs marks the body for the style sheet (bench) and the outbox (who is signed in).
func (p Page) attrs() templ.Attributes {
	a := templ.Attributes{}
	if p.Bench {
		a["class"] = "at-bench"
	}
	if p.Signed {
		a["data-person"], a["data-name"] = p.person(), p.Person
	}
	return a
}

type area struct{ key, href, words, role string }

// areas are few enough to stand in one row on a tablet held upright. Products are a tab of Formulas, customers one of
// Dispatches.
var areas = []area{
	{"today", "/", "Today", ""},
	{"batches", "/batches", "Batches", ""},
	{"materials", "/materials", "Materials", ""},
	{"formulas", "/formulas", "Formulas", ""},
	{"stock", "/stock", "Stock", ""},
	{"dispatches", "/dispatches", "Dispatches", ""},
	{"trace", "/trace", "Trace", ""},
	{"log", "/log", "Log", ""},
	{"settings", "/settings", "Settings", "owner"},
}

// within is the area that a page's key belongs to.
func within(key string) string {
	switch key {
	case "products":
		return "formulas"
	case "customers", "crates":
		return "dispatches"
	case "equipment":
		return "log"
	case "samples":
		return "stock"
	case "complaints":
		return "trace"
	}
	return key
}

func (p Page) areas() []area {
	var open []area
	for _, a := range areas {
		if a.role == "" || a.role == p.Role {
			open = append(open, a)
		}
	}
	return open
}

// Cell is one cell of the strip: what, and when or how much. The one marked Now is where it stands.
type Cell struct {
	Title, Detail string
	Now           bool
}

// Link is a link in words.
type Link struct {
	Href, Words string
	Current     bool
}

// Step is one line of the list beside a bench task.
type Step struct {
	Href   string
	Name   string // "Cocoa butter"
	Amount string // "803.2 g", done or to do
	Detail string // for a done step who and when: "Mara T., 10:42"
	Kind   string // good, care, stop, wait
	Word   string // the state in a word: "done", "off", "to do"
	Now    bool   // the step on the screen
}

// line is the state in a word, then who and when: the mark alone is not enough to tell.
func (s Step) line() string {
	if s.Detail == "" {
		return s.Word
	}
	return s.Word + ", " + s.Detail
}

// StepGroup is a stage of the method and its steps.
type StepGroup struct {
	Title string
	Steps []Step
}

// Option is one choice of a Select or of Radios.
type Option struct {
	Value, Label, Hint string
	Disabled           bool
}

// Field is one box of a form, with everything that stands around it. Its id is "f-" and its name.
type Field struct {
	Name, Label string
	Value       string // as it was typed; a password is never shown again
	Hint        string
	Error       string // the same words as in the summary
	Unit        string // stands beside the box
	// Type is text (or empty), decimal, number-whole, date, time, datetime-local, email, tel, password, textarea
	// or file. Numbers are text boxes with a number keyboard: a browser's own number box drops what it cannot
	// read and changes its value under a scrolling wheel.
	Type         string
	Placeholder  string
	Required     bool
	Optional     bool // says "(optional)" behind the label
	Autofocus    bool
	Readonly     bool
	List         []string // suggestions
	Max          int      // characters
	Autocomplete string
	Accept       string // for file: ".pdf,image/*"
	ID           string // only where another form on the page has a field of the same name
}

func (f Field) id() string {
	if f.ID != "" {
		return f.ID
	}
	return "f-" + f.Name
}

func (f Field) hintID() string  { return f.id() + "-hint" }
func (f Field) errorID() string { return f.id() + "-error" }
func (f Field) unitID() string  { return f.id() + "-unit" }

// described lists what a screen reader says after the label: unit, hint, error.
func (f Field) described() string {
	var ids []string
	if f.Unit != "" {
		ids = append(ids, f.unitID())
	}
	return strings.Join(append(ids, f.around()...), " ")
}

// around is what stands about the field in every form: hint and error.
func (f Field) around() []string {
	var ids []string
	if f.Hint != "" {
		ids = append(ids, f.hintID())
	}
	if f.Error != "" {
		ids = append(ids, f.errorID())
	}
	return ids
}

func (f Field) class() string {
	class := "field"
	if f.Type != "" {
		class += " " + f.Type
	}
	if f.Error != "" {
		class += " off"
	}
	return class
}

// common are the attributes of every kind of box.
func (f Field) common() templ.Attributes {
	a := templ.Attributes{"id": f.id(), "name": f.Name}
	if d := f.described(); d != "" {
		a["aria-describedby"] = d
	}
	if f.Error != "" {
		a["aria-invalid"] = "true"
	}
	if f.Required {
		a["required"] = true
	}
	if f.Autofocus {
		a["autofocus"] = true
	}
	if f.Autocomplete != "" {
		a["autocomplete"] = f.Autocomplete
	}
	return a
}

// box adds what a typed box has.
func (f Field) box() templ.Attributes {
	a := f.common()
	if f.Placeholder != "" {
		a["placeholder"] = f.Placeholder
	}
	if f.Readonly {
		a["readonly"] = true
	}
	if f.Max > 0 {
		a["maxlength"] = f.Max
	}
	return a
}

// input adds type, value and keyboard.
func (f Field) input() templ.Attributes {
	a := f.box()
	kind := f.Type
	switch f.Type {
	case "", "text":
		kind = "text"
	case "decimal", "number-whole":
		kind = "text"
		a["inputmode"] = "decimal"
		if f.Type == "number-whole" {
			a["inputmode"] = "numeric"
		}
		if f.Autocomplete == "" {
			a["autocomplete"] = "off"
		}
		a["data-number"] = f.Type
	}
	a["type"] = kind
	if kind != "password" && kind != "file" {
		a["value"] = f.Value
	}
	if kind == "file" && f.Accept != "" {
		a["accept"] = f.Accept
	}
	if len(f.List) > 0 {
		a["list"] = f.id() + "-list"
	}
	return a
}

// radio are the attributes of the option at an index. The first carries the field's own id, so that the summary's
// link leads to something that takes the focus.
func (f Field) radio(index int, o Option) templ.Attributes {
	a := templ.Attributes{"type": "radio", "id": f.radioID(index), "name": f.Name, "value": o.Value}
	if o.Value == f.Value && f.Value != "" {
		a["checked"] = true
	}
	if o.Disabled {
		a["disabled"] = true
	}
	if f.Required {
		a["required"] = true
	}
	if f.Autofocus && index == 0 {
		a["autofocus"] = true
	}
	if f.Error != "" {
		a["aria-invalid"] = "true"
	}
	if o.Hint != "" {
		a["aria-describedby"] = f.radioID(index) + "-about"
	}
	return a
}

func (f Field) radioID(index int) string {
	if index == 0 {
		return f.id()
	}
	return f.id() + "-" + strconv.Itoa(index+1)
}

// group are the attributes of the fieldset around radios: its hint and error belong to all of them.
func (f Field) group() templ.Attributes {
	a := templ.Attributes{"class": f.class()}
	if ids := f.around(); len(ids) > 0 {
		a["aria-describedby"] = strings.Join(ids, " ")
	}
	return a
}

// tick are the attributes of a checkbox. Its value is "on", as a browser's own.
func (f Field) tick(checked bool) templ.Attributes {
	a := f.common()
	a["type"], a["value"] = "checkbox", "on"
	if checked {
		a["checked"] = true
	}
	return a
}

// summarised is one line of the error summary.
type summarised struct{ href, label, message string }

func lines(f *fault.Fault, labels map[string]string) []summarised {
	list := make([]summarised, 0, len(f.Fields))
	for _, field := range f.Fields {
		list = append(list, summarised{"#f-" + field.Name, labels[field.Name], field.Message})
	}
	return list
}

var keys = []string{"1", "2", "3", "4", "5", "6", "7", "8", "9", ".", "0"}

func atBench(p Page) Page {
	p.Bench = true
	return p
}
