// Package bench is where batches are planned, begun and made: one task a screen, for a tablet and a wet thumb, with the
// whole list in reach.
package bench

import (
	"context"
	"net/http"
	"strings"
	"time"

	"github.com/a-h/templ"

	"example.org/stillroom/internal/access"
	"example.org/stillroom/internal/day"
	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/measure"
	"example.org/stillroom/internal/store"
	"example.org/stillroom/web/paths"
	"example.org/stillroom/web/ui"
)

// Area serves plans and the bench.
type Area struct{ Store *store.Store }

// Names of form fields, shared by form, fault and page.
const (
	fieldGrams       = "grams"
	fieldLot         = "lot"
	fieldOtherLot    = "other_lot"
	fieldMore        = "more"
	fieldReally      = "really"
	fieldReason      = "reason"
	fieldNote        = "note"
	fieldValues      = "values"
	fieldTemperature = "temperature"
	fieldHumidity    = "humidity"
	fieldLogger      = "from_logger"
	fieldUnits       = "units"
	fieldMass        = "mass"
	fieldAt          = "at"
	fieldWhat        = "what"
)

// labels are the words above each field, for the summary of what is off.
var labels = map[string]string{
	fieldGrams: "Weighed", fieldLot: "Lot", fieldOtherLot: "Another lot", fieldReason: "Reason", fieldNote: "Note", fieldValues: "Readings",
	fieldTemperature: "Temperature", fieldHumidity: "Humidity", fieldUnits: "Units", fieldMass: "Mass", fieldAt: "When", fieldWhat: "What is off",
	fieldUsed: "Used", fieldScale: "On which scale", fieldFormula: "Formula", fieldProduct: "Product", fieldOn: "Day", fieldPlace: "Place", fieldMadeAt: "Made earlier",
}

// screen is what every bench page shows around its task.
type screen struct {
	Batch  store.BatchRecord
	Tasks  []task
	Now    task // the one on the screen; its ID is empty on pages beside the tasks
	N      int  // its place in the list
	Clock  ui.Clock
	Today  day.Day
	Time   time.Time
	Who    string
	Key    string
	Fault  *fault.Fault
	Num    numbers
	Style  measure.Style
	Gear   []store.EquipmentStanding // what the workshop keeps, in use
	Also   []store.BatchRow          // other batches in making
	Last   *entered
	Open   bool   // still takes entries
	Typed  typed  // what was typed, to be shown again
	Asked  string // what is off, where the one question is asked
	MayEnd bool   // may reject the batch
}

// typed is a form as it came, kept so that nothing has to be typed twice.
type typed map[string]string

func typedOf(r *ui.Request, names ...string) typed {
	form := r.Form()
	t := typed{}
	for _, name := range names {
		if v := form.Raw(name); v != "" {
			t[name] = v
		}
	}
	return t
}

// hidden is one field that travels on with the answer to the question.
type hidden struct{ Name, Value string }

// carried are the fields that go along with "it is really so", in a fixed order.
func (t typed) carried(names ...string) []hidden {
	var list []hidden
	for _, name := range names {
		if v := t[name]; v != "" {
			list = append(list, hidden{name, v})
		}
	}
	return list
}

// entered is the person's own latest entry, for one-tap undo.
type entered struct {
	Words string
	Lot   string // code of a lot
	Undo  string // a page to correct it, for a weight
	Back  string // where a form takes it back, for a tick or a reading
}

// moments is how long an entry counts as "a moment ago": then its correction starts with the reason mis-tap.
const moments = 10 * time.Minute

const misTap = "mis-tap"

func (a Area) screen(r *ui.Request, code string) (screen, error) {
	b, err := a.Store.Batch(r.HTTP.Context(), r.Who.Workshop, code)
	if err != nil {
		return screen{}, err
	}
	if b.Origin != "bench" {
		return screen{}, fault.New(fault.NotFound, "Batch "+b.Code+" came from an older book: it was not made at this bench.")
	}
	num := numbersOf(r.Workshop)
	gear, err := a.Store.EquipmentInUse(r.HTTP.Context(), r.Who.Workshop, r.Today())
	if err != nil {
		return screen{}, err
	}
	s := screen{Batch: b, Gear: gear, Style: r.Workshop.Style, Clock: r.Clock(), Today: r.Today(), Time: r.Now, Who: r.Who.Name, Key: ui.NewKey(), Num: num,
		Open: b.Status == "making" || b.Status == "curing" || b.Status == "packing", MayEnd: r.May(access.Decide)}
	s.Tasks = s.tasks(b)
	if r.HTTP.Method == http.MethodPost {
		// A refused form keeps its key: put right, it is the same entry.
		if key := r.Form().Raw("entry_key"); key != "" {
			s.Key = key
		}
	}
	s.Last = s.latest()
	s.Also, err = a.also(r.HTTP.Context(), r.Who.Workshop, b.Code)
	return s, err
}

// also are the other batches that are being made, the newest first.
func (a Area) also(ctx context.Context, workshop store.WorkshopID, code string) ([]store.BatchRow, error) {
	list, _, err := a.Store.Batches(ctx, workshop, store.OpenBatches, store.BatchKey{}, 50)
	var open []store.BatchRow
	for _, b := range list {
		if b.Code != code && (b.Status == "making" || b.Status == "packing") && len(open) < 5 {
			open = append(open, b)
		}
	}
	return open, err
}

// latest is this person's last entry in the batch, where it was made a moment ago.
func (s screen) latest() *entered {
	var last *entered
	at := s.Time.Add(-moments)
	newer := func(by string, when time.Time) bool {
		if by != s.Who || !when.After(at) {
			return false
		}
		at = when
		return true
	}
	code := s.Batch.Code
	for i, l := range s.Batch.Lines {
		for _, in := range l.Inputs {
			if !in.Replaced && newer(in.By, in.Made.At) {
				words := l.Name + " " + s.Num.mass(in.WeighedG.Decimal)
				if !lineOutside(s.Batch, l, l.WeighedG()) && s.Tasks[s.line(i)].State == stateDone {
					words += ", within tolerance"
				}
				last = &entered{Words: words, Lot: in.Lot, Undo: paths.CorrectInput(code, store.Text(in.ID))}
			}
		}
	}
	for _, in := range s.Batch.Additions {
		if !in.Replaced && newer(in.By, in.Made.At) {
			last = &entered{Words: in.Name + " " + s.Num.mass(in.WeighedG.Decimal) + " added", Lot: in.Lot, Undo: paths.CorrectInput(code, store.Text(in.ID))}
		}
	}
	for _, st := range s.Batch.Steps {
		if st.Tick != nil && newer(st.Tick.By, st.Tick.Made.At) {
			last = &entered{Words: "“" + short(st.Text) + "” ticked", Back: paths.WithdrawEntry(code, entrySteps, store.Text(st.Tick.ID))}
		}
	}
	for _, c := range s.Batch.Controls {
		for _, read := range c.Current() {
			if newer(read.By, read.Made.At) {
				last = &entered{Words: strings.TrimSpace(c.Name + " " + plain(read.Value) + " " + c.Unit), Back: paths.WithdrawEntry(code, entryReadings, store.Text(read.ID))}
			}
		}
	}
	return last
}

// line is the place of the record's line i among the tasks.
func (s screen) line(i int) int {
	for n, t := range s.Tasks {
		if t.Kind == kindLine && t.Index == i {
			return n
		}
	}
	return 0
}

// short cuts a step's text to what fits a sentence.
func short(text string) string {
	if r := []rune(text); len(r) > 60 {
		return strings.TrimSpace(string(r[:60])) + "…"
	}
	return text
}

// Open leads to what is to be done next.
func (a Area) Open(r *ui.Request) error {
	s, err := a.screen(r, r.Param("code"))
	if err != nil {
		return err
	}
	t, ok := firstOpen(s.Tasks)
	if !ok || !s.Open {
		return r.SeeOther(paths.Batch(s.Batch.Code), r.Flash)
	}
	return r.SeeOther(s.href(t), r.Flash)
}

// href is where a task is done.
func (s screen) href(t task) string {
	switch t.Kind {
	case kindPack:
		return paths.Pack(s.Batch.Code, "")
	case kindBulk:
		return paths.BatchBulk(s.Batch.Code)
	}
	return paths.BenchTask(s.Batch.Code, t.ID)
}

// next is where the hand goes after this task, once it is done.
func (s screen) next() string {
	if t, ok := nextAfter(s.Tasks, s.Now.ID); ok {
		return s.href(t)
	}
	return paths.Batch(s.Batch.Code)
}

// goOn ends a form that was stored: the record is read anew, since the entry moved it.
func (a Area) goOn(r *ui.Request, s screen, saved string) error {
	b, err := a.Store.Batch(r.HTTP.Context(), r.Who.Workshop, s.Batch.Code)
	if err != nil {
		return err
	}
	s.Batch, s.Tasks = b, s.tasks(b)
	return r.SeeOther(s.next(), saved)
}

// groups is the list beside the task.
func (s screen) groups() []ui.StepGroup {
	var list []ui.StepGroup
	for _, t := range s.Tasks {
		if len(list) == 0 || list[len(list)-1].Title != t.Group {
			list = append(list, ui.StepGroup{Title: t.Group})
		}
		g := &list[len(list)-1]
		step := ui.Step{Href: s.href(t), Name: t.Name, Amount: t.Amount, Kind: markOf(t.State), Word: string(t.State), Detail: t.Detail, Now: t.ID == s.Now.ID}
		if step.Detail == "" && t.done() {
			step.Detail = s.madeBy(t.By, t.At)
		}
		g.Steps = append(g.Steps, step)
	}
	return list
}

func markOf(st state) string {
	switch st {
	case stateDone:
		return "good"
	case stateOff, statePart:
		return "care"
	}
	return "wait"
}

// madeBy is who and when: the time alone on the same day.
func (s screen) madeBy(by string, at time.Time) string {
	when := s.Clock.Short(at)
	if day.In(at, s.Clock.Zone) == s.Today {
		when = at.In(s.Clock.Zone).Format("15:04")
	}
	if at.IsZero() {
		when = ""
	}
	return strings.Trim(by+", "+when, ", ")
}

// name is what the batch makes, and how much of it.
func (s screen) name() string {
	name := s.Batch.FormulaName
	if s.Batch.ProductName != "" {
		name = s.Batch.ProductName
	}
	if s.Batch.PlannedUnits > 0 {
		return name + ", " + unitsOf(s.Batch.PlannedUnits)
	}
	return name
}

// finished says why nothing more can be entered; empty while the batch takes entries.
func (s screen) finished() string {
	switch s.Batch.Status {
	case "void":
		return "This batch is void: it was never started."
	case "rejected":
		return "This batch was rejected."
	case "quarantined", "released":
		return "This batch is finished. What is wrong in it is corrected with a reason."
	}
	return ""
}

// show draws a bench page.
func (s screen) show(r *ui.Request, status int, title string, body templ.Component) error {
	p := r.Page(title+" · "+s.Batch.Code, "batches")
	p.Failed = status >= 400
	return r.RenderBench(status, p, list(s), body)
}

// refuse draws the page again with what is off and everything that was typed; the question is asked where it is what
// stands in the way. An error that is no fault of the form is passed on.
func (s screen) refuse(r *ui.Request, err error, title string, draw func(screen) templ.Component) error {
	f := fault.As(err)
	if f == nil || f.Kind != fault.Invalid && f.Kind != fault.Conflict {
		return err
	}
	s.Asked = f.Of(fieldReally)
	s.Fault = without(f, fieldReally)
	return s.show(r, ui.StatusOf(f), title, draw(s))
}

// without is a fault with one field fewer; nil where nothing is left of it.
func without(f *fault.Fault, name string) *fault.Fault {
	out := &fault.Fault{Kind: f.Kind, Message: f.Message}
	for _, field := range f.Fields {
		if field.Name != name {
			out.Fields = append(out.Fields, field)
		}
	}
	if len(out.Fields) == 0 && len(f.Fields) > 0 {
		return nil
	}
	return out
}

// who is the person with the tablet's own clock beside the device: the time that counts is the server's.
func who(r *ui.Request) store.Who {
	w := r.Who
	if at, err := time.Parse(time.RFC3339, r.Form().Raw("device_time")); err == nil {
		w.Device += ", its clock " + at.UTC().Format(time.RFC3339)
	}
	return w
}

// really is the answer to the question, where it was given.
func really(f *ui.Form) store.Really {
	return store.Really{Yes: f.Raw(fieldReally) == "yes", Reason: f.Text(fieldReason, 1000)}
}

// happened is when an entry of a batch that is written up late happened; zero, for now, in any other.
func (s screen) happened(f *ui.Form) time.Time {
	if !s.Batch.Late || strings.TrimSpace(f.Raw(fieldAt)) == "" {
		return time.Time{}
	}
	at := f.Moment(fieldAt, s.Clock.Zone, "")
	if !at.IsZero() && at.Before(s.Batch.MadeAt.Add(-24*time.Hour)) {
		f.Add(fieldAt, "The batch was started on "+s.Clock.Style.Day(day.In(s.Batch.MadeAt, s.Clock.Zone))+".")
	}
	return at
}

// Task shows one task.
func (a Area) Task(r *ui.Request) error {
	s, err := a.task(r)
	if err != nil {
		return err
	}
	switch s.Now.Kind {
	case kindRoom:
		return a.room(r, s)
	case kindLine:
		return a.line(r, s)
	case kindGear, kindMoulds:
		return a.gear(r, s)
	case kindStep:
		return s.show(r, http.StatusOK, stepTitle(s), stepPage(s))
	case kindControl:
		return s.show(r, http.StatusOK, controlTitle(s), controlPage(s))
	case kindMould:
		return s.show(r, http.StatusOK, s.Now.Name, mouldPage(s))
	case kindCure:
		return a.cure(r, s)
	case kindCureEnd:
		return s.show(r, http.StatusOK, cureEndTitle(s), cureEndPage(s))
	}
	return r.SeeOther(s.href(s.Now), r.Flash)
}

// Record stores what was done for one task.
func (a Area) Record(r *ui.Request) error {
	s, err := a.task(r)
	if err != nil {
		return err
	}
	switch s.Now.Kind {
	case kindRoom:
		return a.recordRoom(r, s)
	case kindLine:
		return a.recordLine(r, s)
	case kindGear, kindMoulds:
		return a.recordGear(r, s)
	case kindStep:
		return a.recordStep(r, s)
	case kindControl:
		return a.recordControl(r, s)
	case kindMould:
		return a.recordMould(r, s)
	case kindCureEnd:
		return a.recordCureEnd(r, s)
	}
	return fault.New(fault.NotFound, "There is nothing to record here.")
}

func (a Area) task(r *ui.Request) (screen, error) {
	s, err := a.screen(r, r.Param("code"))
	if err != nil {
		return s, err
	}
	var ok bool
	if s.Now, s.N, ok = taskByID(s.Tasks, r.Param("task")); !ok {
		return s, fault.New(fault.NotFound, "There is no such task in this batch.")
	}
	return s, nil
}
