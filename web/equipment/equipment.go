// Package equipment is what a workshop works with and how it is kept: its scales, pots and moulds with their checks, and
// the log of what was cleaned, checked, mended and taught.
package equipment

import (
	"net/http"
	"strconv"
	"strings"
	"time"

	"github.com/a-h/templ"
	"github.com/shopspring/decimal"

	"example.org/stillroom/internal/access"
	"example.org/stillroom/internal/day"
	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/measure"
	"example.org/stillroom/internal/store"
	"example.org/stillroom/web/paths"
	"example.org/stillroom/web/ui"
)

// Area serves equipment and the log.
type Area struct{ Store *store.Store }

// Names of form fields, shared by form, fault and page.
const (
	fieldName        = "name"
	fieldCode        = "code"
	fieldKind        = "kind"
	fieldPlace       = "place"
	fieldReadability = "readability"
	fieldMinLoad     = "min_load"
	fieldMaxLoad     = "max_load"
	fieldCheckDays   = "check_days"
	fieldClean       = "clean_before_use"
	fieldNote        = "note"
	fieldRetired     = "retired"
	fieldReason      = "reason"
	fieldSeen        = "seen"
	fieldEquipment   = "equipment"
	fieldAbout       = "about"
	fieldAt          = "at"
	fieldResult      = "result"
	fieldWords       = "words"
	fieldReference   = "reference"
	fieldShown       = "shown"
	fieldTolerance   = "tolerance"
	fieldNext        = "next_on"
	fieldWithdraw    = "withdraw"
)

// labels are the words above each field, for the summary of what is off.
var labels = map[string]string{
	fieldName: "Name", fieldCode: "Code", fieldKind: "What it is", fieldPlace: "Place", fieldReadability: "Smallest step", fieldMinLoad: "Minimum load", fieldMaxLoad: "Maximum load",
	fieldCheckDays: "Days between checks", fieldNote: "Note", fieldReason: "Why", fieldEquipment: "Equipment", fieldAbout: "What or who else", fieldAt: "When", fieldResult: "How it was",
	fieldWords: "In words", fieldReference: "Mass put on", fieldShown: "Mass shown", fieldTolerance: "May be off by", fieldNext: "Due next",
}

// seen is what every page of the area writes times, dates and masses with.
type seen struct {
	Style measure.Style
	Zone  *time.Location
	Today day.Day
	Clock ui.Clock
}

func seenBy(r *ui.Request) seen {
	return seen{Style: r.Workshop.Style, Zone: r.Workshop.Location(), Today: r.Today(), Clock: r.Clock()}
}

func (s seen) moment(t time.Time) string { return s.Style.Moment(t, s.Zone) }

type listView struct {
	seen
	List    []store.EquipmentStanding
	Pages   ui.Pages
	Retired bool
	MayAdd  bool
}

// Equipment lists what is in use with how its checks stand; with ?retired=1 also what is not any more.
func (a Area) Equipment(r *ui.Request) error {
	v := listView{seen: seenBy(r), Retired: r.HTTP.URL.Query().Get("retired") == "1", MayAdd: r.May(access.EditFormula)}
	list, next, err := a.Store.EquipmentList(r.HTTP.Context(), r.Who.Workshop, v.Today, v.Retired, r.AfterKey(), ui.PageLength)
	if err != nil {
		return err
	}
	v.List, v.Pages = list, r.Pages(next)
	return r.Render(http.StatusOK, r.Page("Equipment", "equipment"), listPage(v))
}

type gearView struct {
	seen
	store.EquipmentPage
	Pages              ui.Pages
	MayCorrect, MayLog bool
}

// Gear shows one piece of equipment with its log and what used it.
func (a Area) Gear(r *ui.Request) error {
	page, err := a.Store.EquipmentPage(r.HTTP.Context(), r.Who.Workshop, r.Param("code"), r.Today(), store.ParseMomentKey(r.AfterKey()))
	if err != nil {
		return err
	}
	v := gearView{seen: seenBy(r), EquipmentPage: page, Pages: r.Pages(page.Next), MayCorrect: r.May(access.CorrectAny), MayLog: r.May(access.Bench) && !page.Retired}
	return r.Render(http.StatusOK, r.Page(page.Name, "equipment"), gearPage(v))
}

// gearForm is what was typed, kept as it was.
type gearForm struct {
	Name, Code, Kind, Place, Readability, MinLoad, MaxLoad, CheckDays, Note, Reason, Seen string
	Clean, Retired                                                                        bool
}

type gearFormView struct {
	Key     string
	Unit    string
	Form    gearForm
	Book    *gearForm // what stands in the book, for a correction
	Correct string    // code of what is corrected, empty for something new
	Fault   *fault.Fault
}

func (v gearFormView) title() string {
	if v.Correct == "" {
		return "Add equipment"
	}
	return "Correct " + v.Book.Name
}

// scale tells whether the boxes of a scale are shown: for a correction only where it is one.
func (v gearFormView) scale() bool { return v.Correct == "" || v.Book.Kind == "scale" }

func formOf(e store.Equipment, style measure.Style) gearForm {
	days := ""
	if e.CheckDays > 0 {
		days = strconv.Itoa(e.CheckDays)
	}
	return gearForm{Name: e.Name, Code: e.Code, Kind: e.Kind, Place: e.Place, Readability: figure(style, e.ReadabilityG), MinLoad: figure(style, e.MinLoadG), MaxLoad: figure(style, e.MaxLoadG),
		CheckDays: days, Note: e.Note, Clean: e.CleanBeforeUse, Retired: e.Retired}
}

// figure is a mass as a form holds it, empty for none.
func figure(style measure.Style, g decimal.NullDecimal) string {
	if !g.Valid {
		return ""
	}
	return style.Figure(g.Decimal)
}

// mass is a mass or nothing in g. One that stands as the book's own was not typed anew: it stays to the last digit.
func mass(f *ui.Form, name string, style measure.Style, book decimal.NullDecimal) decimal.NullDecimal {
	if book.Valid && strings.TrimSpace(f.Raw(name)) == style.Figure(book.Decimal) {
		return book
	}
	typed := f.OptionalNumber(name)
	if typed.Valid {
		typed.Decimal = style.ToGrams(typed.Decimal)
	}
	return typed
}

func parseGear(f *ui.Form, style measure.Style, book store.Equipment) (gearForm, store.Equipment) {
	form := gearForm{Name: f.Raw(fieldName), Code: f.Raw(fieldCode), Kind: f.Raw(fieldKind), Place: f.Raw(fieldPlace), Readability: f.Raw(fieldReadability), MinLoad: f.Raw(fieldMinLoad), MaxLoad: f.Raw(fieldMaxLoad),
		CheckDays: f.Raw(fieldCheckDays), Note: f.Raw(fieldNote), Reason: f.Raw(fieldReason), Seen: f.Raw(fieldSeen), Clean: f.On(fieldClean), Retired: f.On(fieldRetired)}
	e := store.Equipment{Name: f.Text(fieldName, 200), Code: f.Text(fieldCode, 40), Kind: form.Kind, Place: f.Text(fieldPlace, 80), CheckDays: f.OptionalWhole(fieldCheckDays), Note: f.Text(fieldNote, 1000),
		CleanBeforeUse: form.Clean, Retired: form.Retired, Seen: form.Seen,
		ReadabilityG: mass(f, fieldReadability, style, book.ReadabilityG), MinLoadG: mass(f, fieldMinLoad, style, book.MinLoadG), MaxLoadG: mass(f, fieldMaxLoad, style, book.MaxLoadG)}
	return form, e
}

// alsoOff adds what a check found to what could not be read; what is told of a field already stays.
func alsoOff(f *ui.Form, err error) {
	if more := fault.As(err); more != nil {
		for _, field := range more.Fields {
			f.Add(field.Name, field.Message)
		}
	}
}

// New shows the form for equipment.
func (a Area) New(r *ui.Request) error {
	v := gearFormView{Key: ui.NewKey(), Unit: r.Workshop.Style.MassUnit()}
	return r.Render(http.StatusOK, r.Page(v.title(), "equipment"), gearFormPage(v))
}

// Add stores it.
func (a Area) Add(r *ui.Request) error {
	f := r.Form()
	form, e := parseGear(f, r.Workshop.Style, store.Equipment{})
	alsoOff(f, e.Check())
	err := f.Err()
	var entry store.Entry
	if err == nil {
		entry, err = r.Entry()
	}
	var code string
	if err == nil {
		code, err = a.Store.AddEquipment(r.HTTP.Context(), r.Who, entry, e)
	}
	if err == nil {
		return r.SeeOther(paths.Gear(code), e.Name+" is in the book as "+code+".")
	}
	v := gearFormView{Key: f.Raw("entry_key"), Unit: r.Workshop.Style.MassUnit(), Form: form}
	return r.Refuse(err, r.Page(v.title(), "equipment"), func(f *fault.Fault) templ.Component {
		v.Fault = f
		return gearFormPage(v)
	})
}

// correctOf loads what a correction starts from.
func (a Area) correctOf(r *ui.Request) (gearFormView, store.Equipment, error) {
	page, err := a.Store.EquipmentPage(r.HTTP.Context(), r.Who.Workshop, r.Param("code"), r.Today(), store.MomentKey{})
	if err != nil {
		return gearFormView{}, store.Equipment{}, err
	}
	book := formOf(page.Equipment, r.Workshop.Style)
	book.Seen = page.Entered.Seen
	return gearFormView{Unit: r.Workshop.Style.MassUnit(), Form: book, Book: &book, Correct: page.Code}, page.Equipment, nil
}

// Edit shows the form that corrects equipment or takes it out of use.
func (a Area) Edit(r *ui.Request) error {
	v, _, err := a.correctOf(r)
	if err != nil {
		return err
	}
	v.Key = ui.NewKey()
	return r.Render(http.StatusOK, r.Page(v.title(), "equipment"), gearFormPage(v))
}

// Correct stores the correction.
func (a Area) Correct(r *ui.Request) error {
	v, book, err := a.correctOf(r)
	if err != nil {
		return err
	}
	f := r.Form()
	form, e := parseGear(f, r.Workshop.Style, book)
	e.Code, e.Kind = book.Code, book.Kind
	reason := f.Must(fieldReason, 1000, "Say why: the old value is kept beside the new one.")
	alsoOff(f, e.Check())
	err = f.Err()
	var entry store.Entry
	if err == nil {
		entry, err = r.Entry()
	}
	if err == nil {
		err = a.Store.CorrectEquipment(r.HTTP.Context(), r.Who, entry, e, reason)
	}
	if err == nil {
		return r.SeeOther(paths.Gear(e.Code), e.Name+" is corrected.")
	}
	form.Code, form.Kind, form.Seen = book.Code, book.Kind, v.Book.Seen
	v.Key, v.Form = f.Raw("entry_key"), form
	return r.Refuse(err, r.Page(v.title(), "equipment"), func(f *fault.Fault) templ.Component {
		v.Fault = f
		return gearFormPage(v)
	})
}
