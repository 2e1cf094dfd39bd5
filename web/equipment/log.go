package equipment

import (
	"net/http"
	"slices"
	"strings"

	"github.com/a-h/templ"

	"example.org/stillroom/internal/access"
	"example.org/stillroom/internal/equipment"
	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/measure"
	"example.org/stillroom/internal/store"
	"example.org/stillroom/web/paths"
	"example.org/stillroom/web/ui"
)

// dueDays is how far ahead the log tells what is due.
const (
	dueDays = 31
)

type logView struct {
	seen
	Entries  []store.LogEntry
	Filter   store.LogFilter
	Gear     string // name of the equipment that the list is about
	Pages    ui.Pages
	Due      []store.LogDue
	Suspects []store.Suspect
	MayLog   bool
	First    bool // the newest page of everything: what is due stands above it
}

// Log lists what was done, the newest first, below what is due; ?kind= and ?equipment= choose.
func (a Area) Log(r *ui.Request) error {
	ctx, q := r.HTTP.Context(), r.HTTP.URL.Query()
	v := logView{seen: seenBy(r), Filter: store.LogFilter{Kind: q.Get("kind"), Equipment: q.Get("equipment")}, MayLog: r.May(access.Bench)}
	if v.Filter.Kind != "" && !slices.Contains(store.LogKinds, v.Filter.Kind) {
		return fault.New(fault.NotFound, "The log has no such kind of entry.")
	}
	after := store.ParseMomentKey(r.AfterKey())
	list, next, err := a.Store.Log(ctx, r.Who.Workshop, v.Filter, after, ui.PageLength)
	if err != nil {
		return err
	}
	v.Entries, v.Pages = list, r.Pages(next)
	if v.Filter.Equipment != "" {
		page, err := a.Store.EquipmentPage(ctx, r.Who.Workshop, v.Filter.Equipment, v.Today, store.MomentKey{})
		if err != nil {
			return err
		}
		v.Gear = page.Name + " (" + page.Code + ")"
	}
	if v.First = v.Filter == (store.LogFilter{}) && after.At.IsZero(); v.First {
		if v.Due, err = a.Store.LogDue(ctx, r.Who.Workshop, v.Today, v.Today.AddDays(dueDays)); err != nil {
			return err
		}
		if v.Suspects, err = a.Store.Suspects(ctx, r.Who.Workshop, v.Today); err != nil {
			return err
		}
	}
	return r.Render(http.StatusOK, r.Page(v.title(), "log"), logPage(v))
}

func (v logView) caption() string {
	words := "Everything, the newest first"
	if v.Filter.Kind != "" {
		words = logWords[v.Filter.Kind] + ", the newest first"
	}
	if v.Gear != "" {
		words = v.Gear + ": " + strings.ToLower(words[:1]) + words[1:]
	}
	return words
}

// kinds are the ways to look at one kind of entry.
func (v logView) kinds() []ui.Link {
	list := []ui.Link{{Href: paths.LogOf("", v.Filter.Equipment), Words: "All", Current: v.Filter.Kind == ""}}
	for _, kind := range store.LogKinds {
		list = append(list, ui.Link{Href: paths.LogOf(kind, v.Filter.Equipment), Words: logWords[kind], Current: v.Filter.Kind == kind})
	}
	return list
}

// entryForm is what was typed, kept as it was.
type entryForm struct {
	Kind, Equipment, About, At, Result, Words, Reference, Shown, Tolerance, Next, Reason string
}

type entryView struct {
	seen
	Key      string
	Form     entryForm
	Book     store.LogEntry // what is corrected
	Correct  string         // id of the entry to correct, empty for a new one
	Gear     store.Equipment
	Choices  []ui.Option // equipment to choose from, where nothing is chosen yet
	Subjects []string
	Every    int
	Fault    *fault.Fault
	Withdraw bool // the form that takes it back was sent
}

// scaleCheck tells whether two masses are asked for.
func (v entryView) scaleCheck() bool { return v.Form.Kind == "check" && v.Gear.Kind == "scale" }

// subject is what or whom the entry is about.
func (v entryView) subject() string {
	return store.LogEntry{Equipment: v.Gear.Code, EquipmentName: v.Gear.Name, About: v.Form.About}.Subject()
}

// title tells a list of one kind, or of one piece of equipment, from the whole log in the browser's tabs.
func (v logView) title() string {
	title := "Log"
	if v.Filter.Kind != "" {
		title += ", " + strings.ToLower(logWords[v.Filter.Kind])
	}
	if v.Gear != "" {
		title += ", " + v.Gear
	}
	return title
}

func (v entryView) title() string {
	switch {
	case v.Correct != "":
		return "Correct an entry"
	case v.Form.Kind == "" || v.Gear.Code == "" && v.Form.About == "":
		return "Write in the log"
	}
	return logWords[v.Form.Kind] + ": " + v.subject()
}

// NewEntry asks what is written down and about what, and with ?kind= and one of ?equipment= and ?about= asks the rest.
func (a Area) NewEntry(r *ui.Request) error {
	q := r.HTTP.URL.Query()
	v := entryView{seen: seenBy(r), Key: ui.NewKey(), Form: entryForm{Kind: q.Get(fieldKind), Equipment: q.Get(fieldEquipment), About: strings.TrimSpace(q.Get(fieldAbout))}}
	if !q.Has(fieldKind) && !q.Has(fieldAbout) {
		if err := a.choices(r, &v); err != nil {
			return err
		}
		return r.Render(http.StatusOK, r.Page(v.title(), "log"), choosePage(v))
	}
	var f fault.Fields
	v.checkSubject(&f)
	if err := f.Err(); err != nil {
		return a.chooseAgain(r, v, err)
	}
	if err := a.habit(r, &v); err != nil {
		if fault.Is(err, fault.NotFound) {
			return a.chooseAgain(r, v, fault.In(fieldEquipment, fault.As(err).Message))
		}
		return err
	}
	v.Form.At = r.Clock().Input(r.Now)
	if v.Every > 0 {
		v.Form.Next = v.Today.AddDays(v.Every).String()
	}
	if v.scaleCheck() {
		v.Form.Tolerance = v.Style.Figure(equipment.ToleranceG(v.Gear.ReadabilityG.Decimal))
	}
	return r.Render(http.StatusOK, r.Page("Write in the log: "+v.title(), "log"), entryPage(v))
}

func (v *entryView) checkSubject(f *fault.Fields) {
	if !slices.Contains(store.LogKinds, v.Form.Kind) {
		f.Add(fieldKind, "Choose what was done.")
	}
	if v.Form.Equipment == "" && v.Form.About == "" {
		f.Add(fieldAbout, "What or who was it about?")
	}
	if len([]rune(v.Form.About)) > 200 {
		f.Add(fieldAbout, "At most 200 characters, please.")
	}
}

// chooseAgain shows the first page with what is off.
func (a Area) chooseAgain(r *ui.Request, v entryView, err error) error {
	if e := a.choices(r, &v); e != nil {
		return e
	}
	p := r.Page("Write in the log", "log")
	return r.Refuse(err, p, func(f *fault.Fault) templ.Component {
		v.Fault = f
		return choosePage(v)
	})
}

func (a Area) choices(r *ui.Request, v *entryView) error {
	list, err := a.Store.EquipmentInUse(r.HTTP.Context(), r.Who.Workshop, v.Today)
	if err != nil {
		return err
	}
	for _, e := range list {
		v.Choices = append(v.Choices, ui.Option{Value: e.Code, Label: e.Name, Hint: e.Code})
	}
	subjects, err := a.Store.LogSubjects(r.HTTP.Context(), r.Who.Workshop)
	if err != nil {
		return err
	}
	for _, s := range subjects {
		if !slices.Contains(v.Subjects, s) {
			v.Subjects = append(v.Subjects, s)
		}
	}
	return nil
}

// habit looks up what the entry is about and how often it is written.
func (a Area) habit(r *ui.Request, v *entryView) error {
	h, err := a.Store.LogHabit(r.HTTP.Context(), r.Who.Workshop, v.Form.Kind, v.Form.Equipment, v.Form.About, v.Today)
	v.Gear, v.Every = h.Gear, h.Every
	if v.Gear.Code != "" {
		v.Form.About = ""
	}
	return err
}

// parseEntry reads the form; v knows by then what it is about.
func (v *entryView) parseEntry(f *ui.Form, style measure.Style) store.NewLogEntry {
	form := &v.Form
	form.At, form.Result, form.Words, form.Reference, form.Shown, form.Tolerance, form.Next, form.Reason =
		f.Raw(fieldAt), f.Raw(fieldResult), f.Raw(fieldWords), f.Raw(fieldReference), f.Raw(fieldShown), f.Raw(fieldTolerance), f.Raw(fieldNext), f.Raw(fieldReason)
	n := store.NewLogEntry{Kind: form.Kind, Equipment: form.Equipment, About: form.About, At: f.Moment(fieldAt, v.Zone, "When was it?"), Result: form.Result, Words: f.Text(fieldWords, 1000), NextOn: f.OptionalDay(fieldNext)}
	// A moment that is typed again as it stands keeps its seconds.
	if v.Correct != "" && form.At == v.Clock.Input(v.Book.HappenedAt) {
		n.At = v.Book.HappenedAt
	}
	if v.scaleCheck() {
		n.ReferenceG, n.ToleranceG = mass(f, fieldReference, style, v.Book.ReferenceG), mass(f, fieldTolerance, style, v.Book.ToleranceG)
		if raw := strings.TrimSpace(form.Shown); v.Book.ShownG.Valid && raw == style.Figure(v.Book.ShownG.Decimal) {
			n.ShownG = v.Book.ShownG
		} else if raw != "" {
			// A scale that is off may show less than nothing.
			n.ShownG.Decimal, n.ShownG.Valid = style.ToGrams(f.Number(fieldShown, "")), true
		}
	}
	return n
}

// AddEntry stores it.
func (a Area) AddEntry(r *ui.Request) error {
	f := r.Form()
	v := entryView{seen: seenBy(r), Key: f.Raw("entry_key"), Form: entryForm{Kind: f.Raw(fieldKind), Equipment: f.Raw(fieldEquipment), About: strings.TrimSpace(f.Raw(fieldAbout))}}
	var off fault.Fields
	v.checkSubject(&off)
	err := off.Err()
	if err == nil {
		if err = a.habit(r, &v); fault.Is(err, fault.NotFound) {
			err = fault.In(fieldEquipment, fault.As(err).Message)
		}
	}
	if err != nil {
		return a.chooseAgain(r, v, err)
	}
	n := v.parseEntry(f, r.Workshop.Style)
	alsoOff(f, n.Check(v.Gear, r.Now, v.Zone))
	err = f.Err()
	var entry store.Entry
	if err == nil {
		entry, err = r.Entry()
	}
	var id store.LogEntryID
	if err == nil {
		id, err = a.Store.AddLogEntry(r.HTTP.Context(), r.Who, entry, n)
	}
	if err == nil {
		return a.saved(r, id, "Written down: ")
	}
	return r.Refuse(err, r.Page(v.title(), "log"), func(f *fault.Fault) templ.Component {
		v.Fault = f
		return entryPage(v)
	})
}

// saved leads to the equipment that an entry is about, or to the log, and says how it stands.
func (a Area) saved(r *ui.Request, id store.LogEntryID, words string) error {
	p, err := a.Store.LogEntry(r.HTTP.Context(), r.Who.Workshop, id)
	if err != nil {
		return err
	}
	words += logWords[p.Kind] + ", " + p.Subject() + "."
	if p.Result == "failed" {
		words += " It failed."
	}
	to := paths.Log()
	if p.Equipment != "" {
		to = paths.Gear(p.Equipment)
	}
	return r.SeeOther(to, words)
}

type entryPageView struct {
	seen
	store.LogPage
	MayCorrect bool
}

// Entry shows one entry with what was changed in it.
func (a Area) Entry(r *ui.Request) error {
	page, err := a.logPage(r)
	if err != nil {
		return err
	}
	v := entryPageView{seen: seenBy(r), LogPage: page, MayCorrect: mayCorrect(r, page) && !page.Withdrawn && !page.Replaced}
	return r.Render(http.StatusOK, r.Page(logWords[page.Kind]+": "+page.Subject(), "log"), onePage(v))
}

func (a Area) logPage(r *ui.Request) (store.LogPage, error) {
	id, err := store.ParseID[store.LogEntryID](r.Param("id"))
	if err != nil {
		return store.LogPage{}, err
	}
	return a.Store.LogEntry(r.HTTP.Context(), r.Who.Workshop, id)
}

// mayCorrect follows the store's rule, so that nobody is shown a form that it would refuse.
func mayCorrect(r *ui.Request, p store.LogPage) bool {
	own := p.Author == r.Who.Person && seenBy(r).sameDay(p)
	return r.May(access.CorrectAny) || own && r.May(access.CorrectOwn)
}

// correctEntry loads what a correction starts from.
func (a Area) correctEntry(r *ui.Request) (entryView, store.LogPage, error) {
	p, err := a.logPage(r)
	if err != nil {
		return entryView{}, p, err
	}
	if !mayCorrect(r, p) {
		return entryView{}, p, fault.New(fault.Forbidden, "You may correct what you entered yourself today. For anything else ask a maker.")
	}
	v := entryView{seen: seenBy(r), Book: p.LogEntry, Correct: store.Text(p.ID)}
	v.Form = entryForm{Kind: p.Kind, Equipment: p.Equipment, About: p.About, At: v.Clock.Input(p.HappenedAt), Result: p.Result, Words: p.Words, Reference: figure(v.Style, p.ReferenceG), Shown: figure(v.Style, p.ShownG),
		Tolerance: figure(v.Style, p.ToleranceG), Next: p.NextOn.String()}
	if p.ReferenceG.Valid && p.Result != "attention" {
		v.Form.Result = "" // the masses decided, and decide again
	}
	err = a.habit(r, &v)
	return v, p, err
}

// EditEntry shows the form that corrects an entry, and the one that takes it back.
func (a Area) EditEntry(r *ui.Request) error {
	v, p, err := a.correctEntry(r)
	if err != nil {
		return err
	}
	if p.Replaced || p.Withdrawn {
		return r.SeeOther(paths.LogEntry(store.Text(p.ID)), "")
	}
	v.Key = ui.NewKey()
	return r.Render(http.StatusOK, r.Page(v.title(), "log"), entryPage(v))
}

// CorrectEntry stores the correction, or takes the entry back.
func (a Area) CorrectEntry(r *ui.Request) error {
	v, p, err := a.correctEntry(r)
	if err != nil {
		return err
	}
	f := r.Form()
	c := store.LogCorrection{ID: p.ID, Withdraw: f.On(fieldWithdraw), Reason: f.Must(fieldReason, 1000, "Say why: the old value is kept beside the new one.")}
	v.Key, v.Withdraw, v.Form.Reason = f.Raw("entry_key"), c.Withdraw, f.Raw(fieldReason)
	if !c.Withdraw {
		c.Entry = v.parseEntry(f, r.Workshop.Style)
		alsoOff(f, c.Entry.Check(v.Gear, r.Now, v.Zone))
	}
	err = f.Err()
	var entry store.Entry
	if err == nil {
		entry, err = r.Entry()
	}
	var id store.LogEntryID
	if err == nil {
		id, err = a.Store.CorrectLogEntry(r.HTTP.Context(), r.Who, entry, c)
	}
	if err == nil && c.Withdraw {
		return r.SeeOther(paths.Log(), "Taken back: "+logWords[p.Kind]+", "+p.Subject()+".")
	}
	if err == nil {
		return a.saved(r, id, "Corrected: ")
	}
	return r.Refuse(err, r.Page(v.title(), "log"), func(f *fault.Fault) templ.Component {
		v.Fault = f
		return entryPage(v)
	})
}
