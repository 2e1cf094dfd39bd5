package recallpages

import (
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"

	"github.com/a-h/templ"

	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/measure"
	"example.org/stillroom/internal/store"
	"example.org/stillroom/internal/trace"
	"example.org/stillroom/web/paths"
	"example.org/stillroom/web/ui"
)

// Names of the form's fields. The faults of the store stand beside those of the same name.
const (
	fieldFrom    = "from"
	fieldRows    = "rows"
	fieldStep    = "step"
	fieldLevel   = "level"
	fieldTitle   = "title"
	fieldReason  = "reason"
	fieldHazard  = "hazard"
	fieldToDo    = "to_do"
	fieldRemedy  = "remedy"
	fieldContact = "contact"
)

func codeField(i int) string  { return "code-" + strconv.Itoa(i) }
func meansField(i int) string { return "means-" + strconv.Itoa(i) }

// mostRows is how many boxes the form has at most, moreRows how many a press of the button adds.
const (
	mostRows = store.RecallStartMost
	moreRows = 3
)

// row is one thing to start from: the code as it was typed, and which of the things that it can mean are meant.
type row struct {
	Code    string
	Means   []string // values of meansOf
	Choices []store.RecallChoice
}

// newForm is what was typed, kept as it was.
type newForm struct {
	Rows                                                []row
	Level, Title, Reason, Hazard, ToDo, Remedy, Contact string
}

type newView struct {
	Key   string
	Form  newForm
	Fault *fault.Fault
}

// meansOf is a choice as the form sends it back.
func meansOf(c store.RecallChoice) string {
	q := url.Values{"kind": {c.Start.Kind}, "code": {c.Start.Code}}
	if c.Start.Supplier != "" {
		q.Set("supplier", c.Start.Supplier)
	}
	return q.Encode()
}

func (r row) means(c store.RecallChoice) bool { return slices.Contains(r.Means, meansOf(c)) }

// choiceWords says what a choice is.
func choiceWords(style measure.Style, c store.RecallChoice) string {
	switch c.Start.Kind {
	case "lot":
		return "Lot " + c.Start.Code + ": " + joined(c.Name, c.From, "received "+style.Day(c.On))
	case "supplier lot":
		return "Supplier's lot " + c.Start.Code + ": " + joined(c.Name, c.From, count(c.N, "delivery", "deliveries"))
	case "batch":
		return "Batch " + c.Start.Code + ": " + joined(c.Name, "made "+style.Day(c.On), "with "+count(c.N, "packing", "packings"))
	}
	if c.Start.Kind == "complaint" {
		return "Complaint " + c.Start.Code + " about packing " + c.From + ": " + joined(c.Name, "packed "+style.Day(c.On))
	}
	words := "Packing " + c.Start.Code + " alone: " + joined(c.Name, "packed "+style.Day(c.On))
	if c.From != "" {
		words += " (units of it bear this code: " + c.From + ")"
	}
	return words
}

func joined(parts ...string) string {
	return strings.Join(slices.DeleteFunc(parts, func(p string) bool { return p == "" }), ", ")
}

// labels are the words above each field, for the summary.
func (v newView) labels() map[string]string {
	words := map[string]string{fieldFrom: "What it starts from", fieldLevel: "How far", fieldTitle: "Name", fieldReason: "What is wrong", fieldHazard: "What can happen", fieldToDo: "What to do", fieldRemedy: "Remedy", fieldContact: "Where to turn to"}
	for i := range v.Form.Rows {
		words[codeField(i)], words[meansField(i)] = "Code", "Which is meant"
	}
	return words
}

// New shows the form; a lot, batch or packing that somebody came from stands in it.
func (a Area) New(r *ui.Request) error {
	v := newView{Key: ui.NewKey()}
	q := r.HTTP.URL.Query()
	if code := strings.TrimSpace(q.Get("code")); code != "" && len([]rune(code)) <= 100 {
		start := store.TraceStart{Kind: q.Get(fieldFrom), Code: code, Supplier: q.Get("supplier")}
		v.Form.Rows = append(v.Form.Rows, row{Code: code, Means: []string{meansOf(store.RecallChoice{Start: start})}})
	}
	for range moreRows {
		v.Form.Rows = append(v.Form.Rows, row{})
	}
	if err := a.choices(r, &v.Form); err != nil {
		return err
	}
	v.Form.Contact = r.Workshop.Contact
	return r.Render(http.StatusOK, r.Page("New recall", "trace"), newPage(v))
}

// choices finds what each code can mean; what was chosen and is none of these is forgotten.
func (a Area) choices(r *ui.Request, form *newForm) error {
	var typed []string
	for _, line := range form.Rows {
		typed = append(typed, line.Code)
	}
	found, err := a.Store.RecallChoices(r.HTTP.Context(), r.Who.Workshop, typed)
	if err != nil {
		return err
	}
	for i := range form.Rows {
		line := &form.Rows[i]
		line.Choices = found[i]
		line.Means = slices.DeleteFunc(line.Means, func(m string) bool {
			return !slices.ContainsFunc(line.Choices, func(c store.RecallChoice) bool { return meansOf(c) == m })
		})
	}
	return nil
}

// parseNew reads the form.
func parseNew(f *ui.Form) newForm {
	form := newForm{Level: f.Raw(fieldLevel), Title: f.Raw(fieldTitle), Reason: f.Raw(fieldReason), Hazard: f.Raw(fieldHazard), ToDo: f.Raw(fieldToDo), Remedy: f.Raw(fieldRemedy), Contact: f.Raw(fieldContact)}
	rows, err := strconv.Atoi(f.Raw(fieldRows))
	if err != nil || rows < 1 {
		rows = 1
	}
	for i := range min(rows, mostRows) {
		form.Rows = append(form.Rows, row{Code: strings.TrimSpace(f.Raw(codeField(i))), Means: slices.Clone(f.All(meansField(i)))})
	}
	return form
}

// starts are what the rows mean. A code that can mean several things is asked about beside it, and never decided here.
func (form newForm) starts(f *fault.Fields) []store.TraceStart {
	var list []store.TraceStart
	for i, line := range form.Rows {
		switch {
		case line.Code == "":
			continue
		case len([]rune(line.Code)) > 100:
			f.Add(codeField(i), "At most 100 characters, please.")
			continue
		case len(line.Choices) == 0:
			f.Add(codeField(i), "No lot, no batch and no packing has this code, and no complaint that a packing is decided for. The box at the top of the page also finds codes with a mistake in them.")
			continue
		case len(line.Choices) > 1 && len(line.Means) == 0:
			f.Add(meansField(i), "“"+line.Code+"” can mean "+strconv.Itoa(len(line.Choices))+" things. Tick all that are meant.")
			continue
		}
		for _, c := range line.Choices {
			if (len(line.Choices) == 1 || line.means(c)) && !slices.Contains(list, c.Start) {
				list = append(list, c.Start)
			}
		}
	}
	return list
}

// Open takes the form a step on: more boxes, what it would cover, back to the form, and last the recall itself.
func (a Area) Open(r *ui.Request) error {
	f := r.Form()
	v := newView{Key: f.Raw("entry_key"), Form: parseNew(f)}
	if err := a.choices(r, &v.Form); err != nil {
		return err
	}
	step := f.Raw(fieldStep)
	if step == "more" || step == "edit" {
		if step == "more" {
			for range min(moreRows, mostRows-len(v.Form.Rows)) {
				v.Form.Rows = append(v.Form.Rows, row{})
			}
		}
		return r.Render(http.StatusOK, r.Page("New recall", "trace"), newPage(v))
	}
	n := store.NewRecall{Level: v.Form.Level, Title: v.Form.Title, Reason: v.Form.Reason, Hazard: v.Form.Hazard, ToDo: v.Form.ToDo, Remedy: v.Form.Remedy, Contact: v.Form.Contact}
	n.From = v.Form.starts(&f.Fields)
	opened, found, err := a.open(r, f, step, n)
	switch {
	case err == nil && opened > 0:
		return r.SeeOther(paths.Recall(opened), store.RecallCode(opened, false)+" is open, and what it covers is blocked. Now tell who holds units of it.")
	case err == nil:
		return r.Render(http.StatusOK, r.Page("New recall: what it covers", "trace"), previewPage(newPreview(r.Workshop.Style, v, found)))
	}
	return r.Refuse(err, r.Page("New recall", "trace"), func(said *fault.Fault) templ.Component {
		v.Fault = said
		return newPage(v)
	})
}

// open checks what was filled in and answers what the recall would cover, or with the last step its number.
func (a Area) open(r *ui.Request, f *ui.Form, step string, n store.NewRecall) (int, store.TraceForward, error) {
	var found store.TraceForward
	if said := fault.As(n.Check()); said != nil {
		for _, field := range said.Fields {
			if field.Name != fieldFrom || !f.Any() { // beside a code that was not found nothing more is to be said
				f.Add(field.Name, field.Message)
			}
		}
	}
	if err := f.Err(); err != nil {
		return 0, found, err
	}
	if step != "open" {
		found, err := a.Store.PreviewRecall(r.HTTP.Context(), r.Who.Workshop, n.From)
		return 0, found, err
	}
	entry, err := r.Entry()
	if err != nil {
		return 0, found, err
	}
	code, err := a.Store.OpenRecall(r.HTTP.Context(), r.Who, entry, n)
	if err != nil {
		return 0, found, err
	}
	r.Log("recall opened", "n", code, "by", store.Text(r.Who.Person))
	number, err := strconv.Atoi(code)
	return number, found, err
}

// preview is what a recall would cover.
type preview struct {
	newView
	store.TraceForward
	Holders []holder
	style   measure.Style
}

func newPreview(style measure.Style, v newView, found store.TraceForward) preview {
	p := preview{newView: v, TraceForward: found, style: style}
	var lines []store.RecallLine
	for _, l := range found.Lines {
		if l.Customer != "" {
			lines = append(lines, store.RecallLine{Line: l, Address: found.Addresses[l.Customer], ReturnedNow: l.Returned})
		}
	}
	p.Holders = holdersOf(lines)
	return p
}

// starts are what it starts from, in words.
func (p preview) starts() []string {
	var list []string
	for _, line := range p.Form.Rows {
		for _, c := range line.Choices {
			if words := choiceWords(p.style, c); (len(line.Choices) == 1 || line.means(c)) && !slices.Contains(list, words) {
				list = append(list, words)
			}
		}
	}
	return list
}

// strip is what it covers.
func (p preview) strip() []ui.Cell {
	t := p.Totals
	cells := []ui.Cell{
		{Title: count(t.Batches, "batch", "batches"), Detail: count(len(p.Packings), "packing", "packings")},
		{Title: count(t.UnitsGood, "unit", "units") + " made"},
		{Title: whole(t.UnitsOnHand) + " here", Detail: "to be blocked", Now: true},
		{Title: whole(t.UnitsDispatched-t.UnitsReturned) + " with " + count(t.Customers, "customer", "customers")},
	}
	if n := len(p.Lots); n > 0 {
		cells = append(cells, ui.Cell{Title: count(n, "lot", "lots"), Detail: "tubs filled from them too; to be blocked"})
	}
	return cells
}

// button says what the last step does.
func (p preview) button() string {
	return "Open the recall and block " + count(p.Totals.UnitsOnHand, "unit", "units")
}

// making are batches that are being made, cured or packed: their work stops.
func (p preview) making() (list []trace.BatchRow) {
	for _, b := range p.Batches {
		if b.Status == "making" || b.Status == "curing" || b.Status == "packing" {
			list = append(list, b)
		}
	}
	return list
}

// warning is what happens at once.
func (p preview) warning() string {
	words := "Once it is open, nothing of this may leave or be used, in any window of this workshop: " + count(p.Totals.UnitsOnHand, "unit", "units") + " here"
	if n := len(p.Lots); n > 0 {
		words += ", " + count(n, "lot", "lots")
	}
	if n := len(p.Batches); n > 0 {
		words += ", the bulk and all further packings of " + count(n, "batch", "batches")
	}
	return words + ". A recall is not taken back: it is closed with a signature, and what was blocked is let go one by one, each with a reason."
}

// hidden are all fields of the form, for the page that only confirms them.
func (v newView) hidden() []ui.Option {
	list := []ui.Option{{Value: fieldRows, Label: strconv.Itoa(len(v.Form.Rows))}}
	for i, line := range v.Form.Rows {
		list = append(list, ui.Option{Value: codeField(i), Label: line.Code})
		for _, m := range line.Means {
			list = append(list, ui.Option{Value: meansField(i), Label: m})
		}
	}
	for _, x := range [][2]string{{fieldLevel, v.Form.Level}, {fieldTitle, v.Form.Title}, {fieldReason, v.Form.Reason}, {fieldHazard, v.Form.Hazard}, {fieldToDo, v.Form.ToDo}, {fieldRemedy, v.Form.Remedy}, {fieldContact, v.Form.Contact}} {
		list = append(list, ui.Option{Value: x[0], Label: x[1]})
	}
	return list
}

// others says which further deliveries of a supplier's lot it leaves out.
func (p preview) others() string {
	var codes []string
	for _, d := range p.Others {
		codes = append(codes, fmt.Sprintf("%s (%s)", d.Code, d.SupplierLot))
	}
	return strings.Join(codes, ", ")
}

// choiceID is the id of a choice of a row. The first has that of the field, which the summary's link leads to.
func choiceID(row, n int) string {
	if n == 0 {
		return "f-" + meansField(row)
	}
	return "f-" + meansField(row) + "-" + strconv.Itoa(n+1)
}
