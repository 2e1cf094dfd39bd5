package dispatch

import (
	"net/http"
	"strconv"
	"strings"

	"github.com/a-h/templ"

	"example.org/stillroom/internal/access"
	"example.org/stillroom/internal/day"
	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/measure"
	"example.org/stillroom/internal/store"
	"example.org/stillroom/web/paths"
	"example.org/stillroom/web/ui"
)

// Names of the fields of samples and their inspections.
const (
	fieldPlace     = "place"
	fieldTakenOn   = "taken_on"
	fieldKeepUntil = "keep_until"
	fieldStill     = "still_there"
	fieldEndedOn   = "ended_on"
	fieldEndedNote = "ended_note"
	fieldLookedOn  = "looked_on"
	fieldResult    = "result"
	fieldWords     = "words"
	fieldUsed      = "units_used"
	fieldWithdraw  = "withdraw"
)

var sampleLabels = map[string]string{fieldUnits: "Units", fieldPlace: "Place", fieldTakenOn: "Put there on", fieldKeepUntil: "Keep until", fieldNote: "Note", fieldReason: "Why",
	fieldEndedOn: "On", fieldEndedNote: "What became of it", fieldLookedOn: "Looked at on", fieldResult: "How it is", fieldWords: "In words", fieldUsed: "Units used up"}

var lookResults = []ui.Option{
	{Value: "as_made", Label: "As it was made", Hint: "look, smell, feel and weight as they should be"},
	{Value: "changed", Label: "Changed", Hint: "not as it was, but not spoiled: faded, sweating, weaker"},
	{Value: "spoiled", Label: "Spoiled", Hint: "rancid, mouldy, separated"},
}

// looked is how a sample was found, as a mark and words.
func looked(result string) (kind, word string) {
	switch result {
	case "as_made":
		return "good", "As made"
	case "changed":
		return "care", "Changed"
	case "spoiled":
		return "stop", "Spoiled"
	}
	return "wait", "Not looked at"
}

type samplesView struct {
	store.SampleBook
	Style  measure.Style
	Today  day.Day
	Pages  ui.Pages
	MayAdd bool
}

// Samples shows what is to be done about retained samples, and all of them by place.
func (a Area) Samples(r *ui.Request) error {
	book, err := a.Store.Samples(r.HTTP.Context(), r.Who.Workshop, r.Today(), r.AfterKey())
	if err != nil {
		return err
	}
	v := samplesView{SampleBook: book, Style: r.Workshop.Style, Today: r.Today(), Pages: r.Pages(book.Next), MayAdd: r.May(access.Pack)}
	return r.Render(http.StatusOK, r.Page("Retained samples", "samples"), samplesPage(v))
}

// headline is the page's answer.
func (v samplesView) headline() string {
	if v.AllKept == 0 && v.AllUnplaced > 0 {
		return "No sample has a place yet"
	}
	return count(v.AllKept, "retained sample", "retained samples")
}

// more says how many of a list are not shown; empty where all are.
func more(shown, all int) string {
	if shown >= all {
		return ""
	}
	return "And " + strconv.Itoa(all-shown) + " more, which come up as these are done."
}

func (v samplesView) until(s store.Sample) string {
	if s.KeepUntil.IsZero() {
		return "no end"
	}
	return v.Style.Day(s.KeepUntil)
}

type sampleView struct {
	store.SamplePage
	Style              measure.Style
	Clock              ui.Clock
	Today              day.Day
	MayLook, MayRemedy bool
	MayHold            bool
}

func (a Area) sampleID(r *ui.Request) (store.SampleID, error) {
	id, err := store.ParseID[store.SampleID](r.Param("id"))
	if err != nil {
		return id, fault.New(fault.NotFound, "There is no such sample.")
	}
	return id, nil
}

// sampleOf reads the sample that the address names.
func (a Area) sampleOf(r *ui.Request) (store.SamplePage, error) {
	id, err := a.sampleID(r)
	if err != nil {
		return store.SamplePage{}, err
	}
	return a.Store.Sample(r.HTTP.Context(), r.Who.Workshop, id)
}

// Sample shows one, with its inspections.
func (a Area) Sample(r *ui.Request) error {
	page, err := a.sampleOf(r)
	if err != nil {
		return err
	}
	v := sampleView{SamplePage: page, Style: r.Workshop.Style, Clock: r.Clock(), Today: r.Today(), MayLook: r.May(access.Pack), MayRemedy: r.May(access.CorrectOwn), MayHold: r.May(access.Dispatch)}
	return r.Render(http.StatusOK, r.Page("Sample of "+page.Packing, "samples"), samplePage(v))
}

// headline is the page's answer.
func (v sampleView) headline() string {
	switch {
	case v.Withdrawn:
		return "It never was there"
	case !v.EndedOn.IsZero():
		return "Nothing is left"
	case v.Used > 0:
		return strconv.Itoa(v.Left()) + " of " + store.UnitCount(v.Units) + " left in " + v.Place
	}
	return store.UnitCount(v.Left()) + " in " + v.Place
}

// open is the last inspection whose deviation waits for a decision.
func (v sampleView) open() *store.SampleCheck {
	for i := len(v.Checks) - 1; i >= 0; i-- {
		if c := &v.Checks[i]; !c.Replaced && c.Open {
			return c
		}
	}
	return nil
}

// sampleForm is what was typed, kept as it was.
type sampleForm struct {
	Units, Place, TakenOn, KeepUntil, Note, Reason string
	Still                                          bool
}

type sampleFormView struct {
	Key     string
	Packing store.Packing
	Style   measure.Style
	Form    sampleForm
	Placed  int            // units that have a place already, those of the sample itself left out
	Sample  *store.Sample  // the one that is corrected
	Places  []string       // used before
	Before  []store.Sample // of the packing, when one is added
	Fault   *fault.Fault
}

// hint says where the date that stands in the box comes from.
func (v sampleFormView) hint() string {
	if v.Packing.BestBefore.IsZero() {
		return "Offered: 36 months from packing. Common practice, no source: your assessor or the law may ask otherwise. Empty for no end."
	}
	return "Offered: 12 months behind the best-before. Common practice, no source: your assessor or the law may ask otherwise. Empty for no end."
}

// left is how many units may still be given a place.
func (v sampleFormView) left() int { return max(v.Packing.UnitsRetained-v.Placed, 0) }

func (v sampleFormView) action() string {
	if v.Sample != nil {
		return paths.CorrectSample(store.Text(v.Sample.ID))
	}
	return paths.PackingSample(v.Packing.Code)
}

// places are those of samples that are kept now, for the box to suggest.
func (a Area) places(r *ui.Request) ([]string, error) {
	return a.Store.SamplePlaces(r.HTTP.Context(), r.Who.Workshop)
}

// sampleFormOf loads what a form for a packing's samples shows; sample is the one that is corrected, or nil.
func (a Area) sampleFormOf(r *ui.Request, packing string, sample *store.Sample) (sampleFormView, error) {
	v := sampleFormView{Style: r.Workshop.Style, Sample: sample}
	var err error
	if v.Packing, err = a.Store.Packing(r.HTTP.Context(), r.Who.Workshop, packing); err != nil {
		return v, err
	}
	if v.Before, err = a.Store.PackingSamples(r.HTTP.Context(), r.Who.Workshop, packing); err != nil {
		return v, err
	}
	for _, s := range v.Before {
		if sample == nil || s.ID != sample.ID {
			v.Placed += s.Units
		}
	}
	v.Places, err = a.places(r)
	return v, err
}

// NewSample shows the form that gives units kept back their place.
func (a Area) NewSample(r *ui.Request) error {
	v, err := a.sampleFormOf(r, r.Param("code"), nil)
	if err != nil {
		return err
	}
	v.Key = ui.NewKey()
	v.Form = sampleForm{TakenOn: v.Packing.PackedOn.String(), KeepUntil: v.Packing.KeepUntil().String()}
	if v.left() > 0 {
		v.Form.Units = strconv.Itoa(v.left())
	}
	if len(v.Places) > 0 {
		v.Form.Place = v.Places[0]
	}
	return r.Render(http.StatusOK, r.Page("Samples of "+v.Packing.Code, "samples"), sampleFormPage(v))
}

func parseSample(f *ui.Form) (sampleForm, store.NewSample) {
	form := sampleForm{Units: f.Raw(fieldUnits), Place: f.Raw(fieldPlace), TakenOn: f.Raw(fieldTakenOn), KeepUntil: f.Raw(fieldKeepUntil), Note: f.Raw(fieldNote), Reason: f.Raw(fieldReason), Still: f.On(fieldStill)}
	n := store.NewSample{
		Units:     f.Whole(fieldUnits, "How many?"),
		Place:     f.Must(fieldPlace, 80, "Where do they lie?"),
		TakenOn:   f.Day(fieldTakenOn, "When were they put there?"),
		KeepUntil: f.OptionalDay(fieldKeepUntil),
		Note:      f.Text(fieldNote, 1000),
	}
	return form, n
}

// AddSample stores it.
func (a Area) AddSample(r *ui.Request) error {
	f := r.Form()
	v, err := a.sampleFormOf(r, r.Param("code"), nil)
	if err != nil {
		return err
	}
	form, n := parseSample(f)
	n.Packing = v.Packing.Code
	var id store.SampleID
	err = save(r, f, func(entry store.Entry) (err error) {
		id, err = a.Store.AddSample(r.HTTP.Context(), r.Who, entry, n)
		return err
	})
	if err == nil {
		return r.SeeOther(paths.Sample(store.Text(id)), store.UnitCount(n.Units)+" of "+n.Packing+" kept in "+n.Place+".")
	}
	return r.Refuse(err, r.Page("Samples of "+v.Packing.Code, "samples"), func(said *fault.Fault) templ.Component {
		v.Key, v.Form, v.Fault = f.Raw("entry_key"), form, said
		return sampleFormPage(v)
	})
}

// EditSample shows a sample to correct.
func (a Area) EditSample(r *ui.Request) error {
	page, err := a.sampleOf(r)
	if err != nil {
		return err
	}
	v, err := a.sampleFormOf(r, page.Packing, &page.Sample)
	if err != nil {
		return err
	}
	v.Key = ui.NewKey()
	v.Form = sampleForm{Units: strconv.Itoa(page.Units), Place: page.Place, TakenOn: page.TakenOn.String(), Note: page.Note}
	if !page.KeepUntil.IsZero() {
		v.Form.KeepUntil = page.KeepUntil.String()
	}
	return r.Render(http.StatusOK, r.Page("Correct a sample of "+page.Packing, "samples"), sampleFormPage(v))
}

// CorrectSample replaces a sample, or takes it back.
func (a Area) CorrectSample(r *ui.Request) error {
	f := r.Form()
	id, err := a.sampleID(r)
	if err != nil {
		return err
	}
	page, err := a.Store.Sample(r.HTTP.Context(), r.Who.Workshop, id)
	if err != nil {
		return err
	}
	c := store.SampleCorrection{Sample: id, Withdraw: f.Raw(fieldWithdraw) == "yes"}
	var form sampleForm
	if c.Withdraw {
		form = sampleForm{Units: strconv.Itoa(page.Units), Place: page.Place, TakenOn: page.TakenOn.String(), KeepUntil: page.KeepUntil.String(), Note: page.Note, Reason: f.Raw(fieldReason)}
	} else {
		form, c.NewSample = parseSample(f)
		c.StillThere = form.Still
	}
	c.Reason = f.Must(fieldReason, 1000, "Say why: the old entry is kept beside the new one.")
	err = save(r, f, func(entry store.Entry) error {
		id, err = a.Store.CorrectSample(r.HTTP.Context(), r.Who, entry, c)
		return err
	})
	if err == nil {
		return r.SeeOther(paths.Sample(store.Text(id)), "The sample is corrected.")
	}
	v, loadErr := a.sampleFormOf(r, page.Packing, &page.Sample)
	if loadErr != nil {
		return loadErr
	}
	return r.Refuse(err, r.Page("Correct a sample of "+page.Packing, "samples"), func(said *fault.Fault) templ.Component {
		v.Key, v.Form, v.Fault = f.Raw("entry_key"), form, said
		return sampleFormPage(v)
	})
}

type endView struct {
	Key     string
	Sample  store.Sample
	On, Why string
	Fault   *fault.Fault
}

// NewEnd shows the form for a sample that is gone.
func (a Area) NewEnd(r *ui.Request) error {
	page, err := a.sampleOf(r)
	if err != nil {
		return err
	}
	return r.Render(http.StatusOK, r.Page("A sample of "+page.Packing+" is gone", "samples"), endPage(endView{Key: ui.NewKey(), Sample: page.Sample, On: r.Today().String()}))
}

// EndSample notes what became of it.
func (a Area) EndSample(r *ui.Request) error {
	f := r.Form()
	page, err := a.sampleOf(r)
	if err != nil {
		return err
	}
	on, words := f.Day(fieldEndedOn, "On which day?"), f.Must(fieldEndedNote, 1000, "Say what became of it.")
	err = save(r, f, func(entry store.Entry) error {
		return a.Store.EndSample(r.HTTP.Context(), r.Who, entry, page.ID, on, words)
	})
	if err == nil {
		return r.SeeOther(paths.Sample(store.Text(page.ID)), "The sample has ended.")
	}
	return r.Refuse(err, r.Page("A sample of "+page.Packing+" is gone", "samples"), func(said *fault.Fault) templ.Component {
		return endPage(endView{Key: f.Raw("entry_key"), Sample: page.Sample, On: f.Raw(fieldEndedOn), Why: f.Raw(fieldEndedNote), Fault: said})
	})
}

// lookForm is what was typed, kept as it was.
type lookForm struct{ On, Result, Words, Used, Reason string }

type lookView struct {
	Key    string
	Sample store.Sample
	Check  string // id of the inspection that is corrected; empty for a new one
	Left   int    // units that this inspection may have used up
	Form   lookForm
	Fault  *fault.Fault
}

func (v lookView) action() string {
	if v.Check != "" {
		return paths.CorrectInspection(store.Text(v.Sample.ID), v.Check)
	}
	return paths.InspectSample(store.Text(v.Sample.ID))
}

// NewInspection shows the form for looking at a sample.
func (a Area) NewInspection(r *ui.Request) error {
	page, err := a.sampleOf(r)
	if err != nil {
		return err
	}
	v := lookView{Key: ui.NewKey(), Sample: page.Sample, Left: page.Left(), Form: lookForm{On: r.Today().String(), Used: "0"}}
	return r.Render(http.StatusOK, r.Page("Look at a sample of "+page.Packing, "samples"), lookPage(v))
}

func parseLook(f *ui.Form) (lookForm, store.Inspection) {
	form := lookForm{On: f.Raw(fieldLookedOn), Result: f.Raw(fieldResult), Words: f.Raw(fieldWords), Used: f.Raw(fieldUsed), Reason: f.Raw(fieldReason)}
	n := store.Inspection{
		On:     f.Day(fieldLookedOn, "When was it looked at?"),
		Result: f.OneOf(fieldResult, "Choose how it is.", "as_made", "changed", "spoiled"),
		Words:  f.Text(fieldWords, 800),
		Used:   f.OptionalWhole(fieldUsed),
	}
	if n.Words == "" && (n.Result == "changed" || n.Result == "spoiled") {
		f.Add(fieldWords, "Say how it is: look, smell, feel.")
	}
	return form, n
}

// Inspect stores an inspection.
func (a Area) Inspect(r *ui.Request) error {
	f := r.Form()
	page, err := a.sampleOf(r)
	if err != nil {
		return err
	}
	form, n := parseLook(f)
	err = save(r, f, func(entry store.Entry) error {
		return a.Store.InspectSample(r.HTTP.Context(), r.Who, entry, page.ID, n)
	})
	if err == nil {
		_, word := looked(n.Result)
		return r.SeeOther(paths.Sample(store.Text(page.ID)), "Looked at: "+strings.ToLower(word)+".")
	}
	return r.Refuse(err, r.Page("Look at a sample of "+page.Packing, "samples"), func(said *fault.Fault) templ.Component {
		return lookPage(lookView{Key: f.Raw("entry_key"), Sample: page.Sample, Left: page.Left(), Form: form, Fault: said})
	})
}

// checkOf finds the inspection that the address names, as it stands.
func checkOf(r *ui.Request, page store.SamplePage) (store.SampleCheck, error) {
	for _, c := range page.Checks {
		if store.Text(c.ID) == r.Param("check") {
			return c, nil
		}
	}
	return store.SampleCheck{}, fault.New(fault.NotFound, "There is no such inspection of this sample.")
}

// EditInspection shows an inspection to correct.
func (a Area) EditInspection(r *ui.Request) error {
	page, err := a.sampleOf(r)
	if err != nil {
		return err
	}
	c, err := checkOf(r, page)
	if err != nil {
		return err
	}
	v := lookView{Key: ui.NewKey(), Sample: page.Sample, Check: store.Text(c.ID), Left: page.Units - page.Used + c.Used,
		Form: lookForm{On: c.On.String(), Result: c.Result, Words: c.Words, Used: strconv.Itoa(c.Used)}}
	return r.Render(http.StatusOK, r.Page("Correct an inspection of "+page.Packing, "samples"), lookPage(v))
}

// CorrectInspection replaces it, or takes it back.
func (a Area) CorrectInspection(r *ui.Request) error {
	f := r.Form()
	page, err := a.sampleOf(r)
	if err != nil {
		return err
	}
	check, err := checkOf(r, page)
	if err != nil {
		return err
	}
	c := store.InspectionCorrection{Sample: page.ID, Check: check.ID, Withdraw: f.Raw(fieldWithdraw) == "yes"}
	form := lookForm{On: check.On.String(), Result: check.Result, Words: check.Words, Used: strconv.Itoa(check.Used), Reason: f.Raw(fieldReason)}
	if !c.Withdraw {
		form, c.Inspection = parseLook(f)
	}
	c.Reason = f.Must(fieldReason, 1000, "Say why: the old entry is kept beside the new one.")
	err = save(r, f, func(entry store.Entry) error {
		return a.Store.CorrectInspection(r.HTTP.Context(), r.Who, entry, c)
	})
	if err == nil {
		return r.SeeOther(paths.Sample(store.Text(page.ID)), "The inspection is corrected.")
	}
	return r.Refuse(err, r.Page("Correct an inspection of "+page.Packing, "samples"), func(said *fault.Fault) templ.Component {
		return lookPage(lookView{Key: f.Raw("entry_key"), Sample: page.Sample, Check: store.Text(check.ID), Left: page.Units - page.Used + check.Used, Form: form, Fault: said})
	})
}
