// Package sets puts products together from units of others: which set, how many, from which packings, and what was
// really in them when that was written down wrong.
package sets

import (
	"errors"
	"fmt"
	"net/http"
	"strconv"
	"strings"

	"github.com/a-h/templ"

	"example.org/stillroom/internal/day"
	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/measure"
	"example.org/stillroom/internal/store"
	"example.org/stillroom/web/paths"
	"example.org/stillroom/web/ui"
)

// Area serves the pages of sets.
type Area struct{ Store *store.Store }

// Names of form fields, shared by form, fault and page. Rows carry their index behind the name.
const (
	fieldProduct       = "product"
	fieldSets          = "sets"
	fieldPackedOn      = "packed_on"
	fieldGood          = "good"
	fieldRetained      = "retained"
	fieldUnits         = "units"
	fieldPackaging     = "packaging"
	fieldPackMaterial  = "pack-material"
	fieldPackLot       = "pack-lot"
	fieldPackUsed      = "pack-used"
	fieldPackSpoiled   = "pack-spoiled"
	fieldCleared       = "cleared"
	fieldLabelsUsed    = "labels_used"
	fieldLabelChecked  = "label_checked"
	fieldLabelSpecimen = "label_specimen"
	fieldReally        = "really"
	fieldReason        = "reason"
	fieldSeen          = "seen"
)

func at(name string, i int) string { return fmt.Sprintf("%s-%d", name, i) }

// mostRows bounds the rows that a form may bring, mostSets how many sets one form puts together.
const (
	mostRows = 500
	mostSets = 100_000
)

// form is what was typed.
type form struct {
	Product, PackedOn, Good, Retained         string
	Units                                     []unitRow
	Uses                                      []useRow
	Cleared, LabelChecked                     bool
	LabelsUsed, LabelSpecimen, Really, Reason string
}

type newView struct {
	store.SetSheet
	Sets    []ui.Option
	Product string // asked for
	Count   string // as typed
	On      day.Day
	Style   measure.Style
	Key     string
	Form    form
	Fault   *fault.Fault
}

// open tells whether the form for the sets stands on the page, rather than the question which and how many.
func (v newView) open() bool { return v.SetSheet.Product.Code != "" && v.SetSheet.Count > 0 }

// New asks which set and how many, and then shows the form with what may go in preselected.
func (a Area) New(r *ui.Request) error {
	q := r.HTTP.URL.Query()
	v, err := a.sheet(r, q.Get(fieldProduct), strings.TrimSpace(q.Get(fieldSets)), r.Today())
	if err != nil {
		if f := fault.As(err); f == nil || f.Kind != fault.Invalid {
			return err
		}
		return r.Refuse(err, r.Page("Put sets together", "batches"), func(f *fault.Fault) templ.Component {
			v.Fault = f
			return newPage(v)
		})
	}
	if v.open() {
		v.Form = form{Product: v.Product, PackedOn: r.Today().String(), Good: v.Count}
		v.fillRows(nil, nil)
	}
	return r.Render(http.StatusOK, r.Page("Put sets together", "batches"), newPage(v))
}

func (a Area) sheet(r *ui.Request, product, count string, on day.Day) (newView, error) {
	v := newView{Style: r.Workshop.Style, Product: product, Count: count, On: on, Key: ui.NewKey()}
	sets, err := 0, error(nil)
	if count != "" {
		if sets, err = strconv.Atoi(count); err != nil || sets < 1 || sets > mostSets {
			sets, err = 0, fault.In(fieldSets, "How many sets? Between 1 and 100,000.")
		}
	}
	var loadErr error
	if v.SetSheet, loadErr = a.Store.SetSheet(r.HTTP.Context(), r.Who.Workshop, product, sets, on); loadErr != nil {
		return v, loadErr
	}
	for _, p := range v.SetSheet.Sets {
		v.Sets = append(v.Sets, ui.Option{Value: p.Code, Label: p.Name, Hint: p.Code})
	}
	return v, err
}

// PutTogether records the sets.
func (a Area) PutTogether(r *ui.Request) error {
	typed, n, err := parse(r)
	var entry store.Entry
	if err == nil {
		entry, err = r.Entry()
	}
	var code string
	if err == nil {
		code, err = a.Store.PutTogether(r.HTTP.Context(), r.Who, entry, n)
	}
	if err == nil {
		return r.SeeOther(paths.Packing(code), "Put together: "+plural(n.Good, "set", "sets")+", "+code+".")
	}
	on := n.On
	if on.IsZero() || on.After(r.Today()) {
		on = r.Today()
	}
	sets := n.Good + n.Retained
	if sets < 1 || sets > mostSets {
		sets = 1
	}
	v, loadErr := a.sheet(r, typed.Product, strconv.Itoa(sets), on)
	if loadErr != nil {
		return errors.Join(loadErr, err)
	}
	v.Key, v.Form = r.Form().Raw("entry_key"), typed
	v.fillRows(typed.Units, typed.Uses)
	return r.Refuse(err, r.Page("Put sets together", "batches"), func(f *fault.Fault) templ.Component {
		v.Fault = f
		return newPage(v)
	})
}

func parse(r *ui.Request) (form, store.NewSet, error) {
	f := r.Form()
	typed := form{Product: f.Raw(fieldProduct), PackedOn: f.Raw(fieldPackedOn), Good: f.Raw(fieldGood), Retained: f.Raw(fieldRetained), Cleared: f.On(fieldCleared), LabelChecked: f.On(fieldLabelChecked),
		LabelsUsed: f.Raw(fieldLabelsUsed), LabelSpecimen: f.Raw(fieldLabelSpecimen), Really: f.Raw(fieldReally), Reason: f.Raw(fieldReason)}
	n := store.NewSet{
		Product: f.Must(fieldProduct, 40, "Choose the set."), On: f.Day(fieldPackedOn, "Which day?"), Good: f.Whole(fieldGood, "How many sets?"), Retained: f.OptionalWhole(fieldRetained),
		Cleared: typed.Cleared, LabelChecked: typed.LabelChecked, LabelSpecimen: f.Text(fieldLabelSpecimen, 2000), Really: store.Really{Yes: typed.Really == "yes", Reason: f.Text(fieldReason, 1000)},
	}
	if strings.TrimSpace(typed.LabelsUsed) != "" {
		used := f.Whole(fieldLabelsUsed, "")
		n.LabelsUsed = &used
	}
	typed.Units, n.Units = parseUnits(f)
	typed.Uses, n.Packaging = parseUses(f)
	return typed, n, f.Err()
}

// parseUnits reads every row of units that the form had, empty ones too, so that indexes stay.
func parseUnits(f *ui.Form) (rows []unitRow, list []store.SetUnits) {
	for i := range mostRows {
		if f.All(store.UnitsCodeField(i)) == nil {
			break
		}
		row := unitRow{Code: strings.TrimSpace(f.Raw(store.UnitsCodeField(i))), Units: strings.TrimSpace(f.Raw(store.UnitsField(i)))}
		u := store.SetUnits{Packing: row.Code, Units: f.OptionalWhole(store.UnitsField(i))}
		rows, list = append(rows, row), append(list, u)
	}
	return rows, list
}

func parseUses(f *ui.Form) (rows []useRow, list []store.PackagingUse) {
	for i := range mostRows {
		if f.All(at(fieldPackLot, i)) == nil {
			break
		}
		row := useRow{Material: f.Raw(at(fieldPackMaterial, i)), Lot: strings.TrimSpace(f.Raw(at(fieldPackLot, i))), Used: strings.TrimSpace(f.Raw(at(fieldPackUsed, i))), Spoiled: strings.TrimSpace(f.Raw(at(fieldPackSpoiled, i)))}
		if row.Lot == "" && (row.Used != "" || row.Spoiled != "") {
			f.Add(at(fieldPackLot, i), "From which lot?")
		}
		rows = append(rows, row)
		list = append(list, store.PackagingUse{Material: row.Material, Lot: row.Lot, Used: f.OptionalNumber(at(fieldPackUsed, i)), Spoiled: f.OptionalNumber(at(fieldPackSpoiled, i)).Decimal})
	}
	return rows, list
}

type correctView struct {
	Batch      store.BatchRecord
	Parts      []store.SetPart
	Key, Seen  string
	ApartKey   string
	Units      []unitRow
	Reason     string
	Really     string
	WhyApart   string
	ApartFault *fault.Fault
	Fault      *fault.Fault
}

// correctView loads a set that stands in the book, with the packings that its parts may come from.
func (a Area) correctView(r *ui.Request) (correctView, error) {
	b, err := a.Store.Batch(r.HTTP.Context(), r.Who.Workshop, r.Param("code"))
	if err != nil {
		return correctView{}, err
	}
	if !b.IsSet() {
		return correctView{}, fault.New(fault.NotFound, "Batch "+b.Code+" is no set.")
	}
	sheet, err := a.Store.SetSheet(r.HTTP.Context(), r.Who.Workshop, b.ProductCode, 0, r.Today())
	if fault.Is(err, fault.NotFound) {
		err = nil // it is no set any more; its units are listed all the same
	}
	return correctView{Batch: b, Parts: sheet.Parts, Key: ui.NewKey(), ApartKey: ui.NewKey(), Seen: store.SetSeen(b)}, err
}

// Correct shows which units stand recorded for a set.
func (a Area) Correct(r *ui.Request) error {
	v, err := a.correctView(r)
	if err != nil {
		return err
	}
	for _, in := range v.Batch.Inputs() {
		v.Units = append(v.Units, unitRow{Code: in.SourcePacking, Units: in.Quantity.String()})
	}
	v.Units = rowsOf(r.Workshop.Style, v.Parts, v.Units, r.Today(), false)
	return r.Render(http.StatusOK, r.Page("Correct set "+v.Batch.Code, "batches"), correctPage(v))
}

// RecordCorrection replaces them.
func (a Area) RecordCorrection(r *ui.Request) error {
	v, err := a.correctView(r)
	if err != nil {
		return err
	}
	f := r.Form()
	c := store.SetCorrection{Batch: v.Batch.Code, Reason: f.Must(fieldReason, 1000, "Say why: the old value is kept beside the new one."), Seen: f.Raw(fieldSeen)}
	c.Really = store.Really{Yes: f.Raw(fieldReally) == "yes", Reason: c.Reason}
	v.Key, v.Reason, v.Really = f.Raw("entry_key"), f.Raw(fieldReason), f.Raw(fieldReally)
	v.Units, c.Units = parseUnits(f)
	if err = f.Err(); err == nil && c.Seen == "" {
		err = fault.New(fault.Invalid, "The form is too old. Open the set anew and correct it there.")
	}
	var entry store.Entry
	if err == nil {
		entry, err = r.Entry()
	}
	if err == nil {
		err = a.Store.CorrectSet(r.HTTP.Context(), r.Who, entry, c)
	}
	if err == nil {
		return r.SeeOther(paths.Batch(v.Batch.Code), "Set "+v.Batch.Code+" is corrected.")
	}
	v.Units = rowsOf(r.Workshop.Style, v.Parts, v.Units, r.Today(), false)
	return r.Refuse(err, r.Page("Correct set "+v.Batch.Code, "batches"), func(fl *fault.Fault) templ.Component {
		v.Fault = fl
		return correctPage(v)
	})
}

// TakeApart takes a set out of the book; its units go back.
func (a Area) TakeApart(r *ui.Request) error {
	v, err := a.correctView(r)
	if err != nil {
		return err
	}
	f := r.Form()
	reason := f.Must(fieldReason, 1000, "Say why.")
	err = f.Err()
	var entry store.Entry
	if err == nil {
		entry, err = r.Entry()
	}
	if err == nil {
		err = a.Store.TakeApart(r.HTTP.Context(), r.Who, entry, v.Batch.Code, reason)
	}
	if err == nil {
		return r.SeeOther(paths.Batch(v.Batch.Code), "Set "+v.Batch.Code+" is taken apart; its units are back in stock.")
	}
	for _, in := range v.Batch.Inputs() {
		v.Units = append(v.Units, unitRow{Code: in.SourcePacking, Units: in.Quantity.String()})
	}
	v.Units, v.ApartKey, v.WhyApart = rowsOf(r.Workshop.Style, v.Parts, v.Units, r.Today(), false), f.Raw("entry_key"), f.Raw(fieldReason)
	return r.Refuse(err, r.Page("Correct set "+v.Batch.Code, "batches"), func(fl *fault.Fault) templ.Component {
		v.ApartFault = fl
		return correctPage(v)
	})
}
