package batches

import (
	"errors"
	"fmt"
	"net/http"
	"strings"

	"github.com/a-h/templ"
	"github.com/shopspring/decimal"

	"example.org/stillroom/internal/day"
	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/measure"
	"example.org/stillroom/internal/quantity"
	"example.org/stillroom/internal/store"
	"example.org/stillroom/web/paths"
	"example.org/stillroom/web/ui"
)

// rejectRow is one row of rejects as typed.
type rejectRow struct{ Stage, Reason, Units, Mass string }

func (r rejectRow) empty() bool { return r.Reason == "" && r.Units == "" && r.Mass == "" }

// useRow is one row of packaging as typed. Other is a row for packaging that the product does not list.
type useRow struct {
	Material, Input, Lot, Used, Spoiled string
	Issued, Returned                    string
	Name, Unit, Hint                    string // of the material; not typed
	Lots                                []ui.Option
	Other                               bool
}

// packForm is what was typed.
type packForm struct {
	Product, PackedOn, Good, Retained                    string
	Rejects                                              []rejectRow
	Gear, Clean                                          map[string]bool // ticked, by the code of equipment
	Uses                                                 []useRow
	Runs                                                 map[string]string // by control id
	Cleared, LabelChecked, Finished                      bool
	LabelsUsed, LabelSpecimen, LeftOver, Loss, YieldNote string
	labelsForm
	Really, Reason string
}

// labelsForm is what was typed about labels handed out, spoiled and put back, and about what does not add up.
type labelsForm struct{ Issued, Spoiled, Returned, PackagingNote string }

func (l labelsForm) typed() bool { return l.Issued+l.Spoiled+l.Returned != "" }

func parseLabels(f *ui.Form) (form labelsForm, counts store.LabelCounts, note string) {
	form = labelsForm{f.Raw(fieldLabelsIssued), f.Raw(fieldLabelsSpoiled), f.Raw(fieldLabelsBack), f.Raw(fieldPackagingNote)}
	counts = store.LabelCounts{Issued: optionalCount(f, fieldLabelsIssued), Spoiled: optionalCount(f, fieldLabelsSpoiled), Returned: optionalCount(f, fieldLabelsBack)}
	return form, counts, f.Text(fieldPackagingNote, 1000)
}

type packView struct {
	store.PackSheet
	Style    measure.Style
	On       day.Day // that the best-before shown was counted with
	Today    day.Day
	Key      string
	Form     packForm
	Products []ui.Option
	Gear     []store.EquipmentStanding // that may be used in packing
	Fault    *fault.Fault
}

// cautions are those of the packaging: glass that may be chipped, for one.
func (v packView) cautions() []ui.Care {
	var list []ui.Care
	for _, n := range v.Packaging {
		list = append(list, ui.Care{What: n.Name, Words: n.Caution})
	}
	return list
}

// rejectRows is how many rows a form offers at least; typed rows keep their place and one free row stays below.
const rejectRows = 3

// PackForm shows the form for packing a batch.
func (a Area) PackForm(r *ui.Request) error {
	v, err := a.packView(r, r.HTTP.URL.Query().Get(fieldProduct), r.Today())
	if err != nil {
		return err
	}
	if !packs(v.Batch) {
		return notPacked(v.Batch)
	}
	v.Form = packForm{Product: v.Product.Code, PackedOn: r.Today().String(), Runs: map[string]string{}}
	v.fillRows(v.Packaging)
	return r.Render(http.StatusOK, r.Page("Pack "+v.Batch.Code, "batches"), packPage(v))
}

func packs(b store.BatchRecord) bool {
	return b.Origin == "bench" && b.Yields == "units" && (b.Status == "curing" || b.Status == "packing")
}

func notPacked(b store.BatchRecord) error {
	words := "Batch " + b.Code + " is not to be packed now."
	switch {
	case b.Yields == "bulk":
		words = "Batch " + b.Code + " is bulk: other batches draw on it."
	case b.Status == "making":
		words = "Batch " + b.Code + " is still being made: end the making first."
	case b.Status == "quarantined" || b.Status == "released":
		words = "Packing of batch " + b.Code + " is finished."
	}
	return fault.New(fault.Conflict, words)
}

func (a Area) packView(r *ui.Request, product string, on day.Day) (packView, error) {
	sheet, err := a.Store.PackSheet(r.HTTP.Context(), r.Who.Workshop, code(r), product, on)
	v := packView{PackSheet: sheet, Style: r.Workshop.Style, On: on, Today: r.Today(), Key: ui.NewKey()}
	if err != nil {
		return v, err
	}
	if v.Gear, err = a.packingGear(r); err != nil {
		return v, err
	}
	for _, p := range sheet.Products {
		o := ui.Option{Value: p.Code, Label: p.Name, Hint: p.Code}
		if !p.OfFormula {
			o.Hint += ", not of this formula"
		}
		v.Products = append(v.Products, o)
	}
	return v, err
}

// fillRows gives the form its rows: two lots for each packaging material, the one fit lot chosen, one row for other
// packaging, and rows for rejects.
func (v *packView) fillRows(need []store.PackagingNeed) {
	typed := v.Form.Uses
	v.Form.Uses = nil
	for _, n := range need {
		if !n.Tracked {
			continue
		}
		rows := takeRows(&typed, n.Material)
		if len(rows) == 0 {
			rows = []useRow{{Material: n.Material, Lot: n.Preselected()}}
		}
		if len(rows) == 1 {
			rows = append(rows, useRow{Material: n.Material})
		}
		for _, row := range rows {
			row.Name, row.Unit, row.Lots = n.Name, unitBeside(n.Unit), lotOptions(v.Style, n.Lots, n.Unit)
			row.Hint = "Left empty: " + quantity.Format(n.PerUnit) + " for each unit."
			v.Form.Uses = append(v.Form.Uses, row)
		}
	}
	rest := append(typed, useRow{})
	for _, row := range rest {
		row.Other = true
		if row.Lot == "" && row.Used+row.Spoiled+row.Issued+row.Returned == "" && len(v.Form.Uses) > 0 && v.Form.Uses[len(v.Form.Uses)-1].Other {
			continue
		}
		v.Form.Uses = append(v.Form.Uses, row)
	}
	v.Form.Rejects = freeRows(v.Form.Rejects)
}

// takeRows takes the rows of a material out of those typed.
func takeRows(typed *[]useRow, material string) (rows []useRow) {
	var rest []useRow
	for _, row := range *typed {
		if row.Material == material {
			rows = append(rows, row)
		} else {
			rest = append(rest, row)
		}
	}
	*typed = rest
	return rows
}

func freeRows(typed []rejectRow) []rejectRow {
	rows := append([]rejectRow{}, typed...)
	for len(rows) < max(rejectRows, len(typed)+1) {
		rows = append(rows, rejectRow{})
	}
	return rows
}

func lotOptions(style measure.Style, lots []store.LotChoice, unit string) []ui.Option {
	var out []ui.Option
	for _, l := range lots {
		hint := counted(style, l.OnHand, unit) + " in the book"
		if len(l.Unfit) > 0 {
			hint += "; " + strings.Join(l.Unfit, " ")
		}
		out = append(out, ui.Option{Value: l.Code, Label: l.Code, Hint: hint})
	}
	return out
}

// Pack records the packing.
func (a Area) Pack(r *ui.Request) error {
	form, packing, err := parsePack(r)
	gear, gearErr := a.packingGear(r)
	if gearErr != nil {
		return gearErr
	}
	packing.Used = form.used(gear)
	if err == nil {
		err = a.kept(r, packing)
	}
	var entry store.Entry
	var made string
	if err == nil {
		entry, err = r.Entry()
	}
	if err == nil {
		made, err = a.Store.Pack(r.HTTP.Context(), r.Who, entry, packing)
	}
	if err == nil {
		return r.SeeOther(paths.Packing(made), fmt.Sprintf("Packed: %s of %s.", store.UnitCount(packing.Good), made))
	}
	on := packing.PackedOn
	if on.IsZero() || on.After(r.Today()) {
		on = r.Today()
	}
	v, loadErr := a.packView(r, form.Product, on)
	if loadErr != nil {
		return errors.Join(loadErr, err)
	}
	v.Key, v.Form = r.Form().Raw("entry_key"), form
	v.fillRows(v.Packaging)
	return r.Refuse(err, r.Page("Pack "+v.Batch.Code, "batches"), func(f *fault.Fault) templ.Component {
		v.Fault = f
		return packPage(v)
	})
}

// kept turns readings that were typed in the workshop's unit into that of their control.
func (a Area) kept(r *ui.Request, n store.NewPacking) error {
	if len(n.Readings) == 0 {
		return nil
	}
	b, err := a.Store.Batch(r.HTTP.Context(), r.Who.Workshop, n.Batch)
	if err != nil {
		return err
	}
	for _, read := range n.Readings {
		for _, c := range b.Controls {
			if c.ID != read.Control {
				continue
			}
			for i, v := range read.Values {
				read.Values[i] = r.Workshop.Style.From(v, c.Unit)
			}
		}
	}
	return nil
}

func at(name string, i int) string { return fmt.Sprintf("%s-%d", name, i) }

func parsePack(r *ui.Request) (packForm, store.NewPacking, error) {
	f := r.Form()
	form := packForm{Product: f.Raw(fieldProduct), PackedOn: f.Raw(fieldPackedOn), Good: f.Raw(fieldGood), Retained: f.Raw(fieldRetained), Runs: map[string]string{},
		Cleared: f.On(fieldCleared), LabelChecked: f.On(fieldLabelChecked), Finished: f.On(fieldFinished), LabelsUsed: f.Raw(fieldLabelsUsed), LabelSpecimen: f.Raw(fieldLabelSpecimen),
		LeftOver: f.Raw(fieldLeftOver), Loss: f.Raw(fieldLoss), YieldNote: f.Raw(fieldYieldNote), Really: f.Raw(fieldReally), Reason: f.Raw(fieldReason)}
	n := store.NewPacking{
		Batch:         code(r),
		Product:       f.Must(fieldProduct, 40, "Choose the product."),
		PackedOn:      f.Day(fieldPackedOn, "Which day?"),
		Good:          f.Whole(fieldGood, "How many came out good?"),
		Retained:      f.OptionalWhole(fieldRetained),
		Cleared:       form.Cleared,
		LabelsUsed:    optionalCount(f, fieldLabelsUsed),
		LabelChecked:  form.LabelChecked,
		LabelSpecimen: f.Text(fieldLabelSpecimen, 2000),
		Finished:      form.Finished,
		LeftOverG:     f.OptionalMass(fieldLeftOver),
		LossG:         f.OptionalMass(fieldLoss),
		YieldNote:     f.Text(fieldYieldNote, 1000),
		Really:        really(f),
	}
	form.labelsForm, n.Labels, n.PackagingNote = parseLabels(f)
	form.Rejects, n.Rejects = parseRejects(f)
	form.Uses, n.Packaging = parseUses(f)
	form.Gear, form.Clean = ticked(r, fieldUsedGear), ticked(r, fieldCleanGear)
	for name := range r.HTTP.PostForm {
		id, ok := strings.CutPrefix(name, fieldRun+"-")
		if !ok {
			continue
		}
		form.Runs[id] = f.Raw(name)
		control, err := store.ParseID[store.ControlID](id)
		if err != nil {
			return form, n, err
		}
		if values := parseRun(f, name); len(values) > 0 {
			n.Readings = append(n.Readings, store.Readings{Control: control, Values: values})
		}
	}
	return form, n, f.Err()
}

// optionalCount is a count or none: none is not zero.
func optionalCount(f *ui.Form, name string) *int {
	if strings.TrimSpace(f.Raw(name)) == "" {
		return nil
	}
	n := f.Whole(name, "")
	return &n
}

// really reads the answer to the one question.
func really(f *ui.Form) store.Really {
	return store.Really{Yes: f.Raw(fieldReally) == "yes", Reason: f.Text(fieldReason, 1000)}
}

// mostRows bounds the rows that a form may bring.
const mostRows = 100

// parseRejects reads the rows that hold something, closed up: a fault beside row i then stands where row i is drawn.
func parseRejects(f *ui.Form) ([]rejectRow, []store.NewReject) {
	var rows []rejectRow
	var list []store.NewReject
	for i := range mostRows {
		row := rejectRow{f.Raw(at(fieldRejectStage, i)), strings.TrimSpace(f.Raw(at(fieldRejectReason, i))), strings.TrimSpace(f.Raw(at(fieldRejectUnits, i))), strings.TrimSpace(f.Raw(at(fieldRejectMass, i)))}
		if row.empty() {
			continue
		}
		n := store.NewReject{Stage: row.Stage, Reason: row.Reason}
		if row.Units == "" {
			f.Add(at(fieldRejectUnits, len(rows)), "How many?")
		} else {
			units, err := quantity.ParseWhole(row.Units)
			f.Check(at(fieldRejectUnits, len(rows)), err)
			n.Units = units
		}
		if row.Mass != "" {
			mass, err := quantity.ParseNonNegative(row.Mass)
			f.Check(at(fieldRejectMass, len(rows)), err)
			n.MassG = decimal.NewNullDecimal(f.Style().ToGrams(mass))
		}
		rows, list = append(rows, row), append(list, n)
	}
	return rows, list
}

// parseUses reads every row of packaging that the form had, empty ones too, so that indexes stay.
func parseUses(f *ui.Form) ([]useRow, []store.PackagingUse) {
	var rows []useRow
	var list []store.PackagingUse
	for i := range mostRows {
		if f.All(at(fieldPackLot, i)) == nil {
			break
		}
		row := useRow{Material: f.Raw(at(fieldPackMaterial, i)), Input: f.Raw(at(fieldPackInput, i)), Lot: strings.TrimSpace(f.Raw(at(fieldPackLot, i))), Used: strings.TrimSpace(f.Raw(at(fieldPackUsed, i))), Spoiled: strings.TrimSpace(f.Raw(at(fieldPackSpoiled, i))),
			Issued: strings.TrimSpace(f.Raw(at(fieldPackIssued, i))), Returned: strings.TrimSpace(f.Raw(at(fieldPackReturned, i)))}
		u := store.PackagingUse{Material: row.Material, Lot: row.Lot, Used: f.OptionalNumber(at(fieldPackUsed, i)), Spoiled: f.OptionalNumber(at(fieldPackSpoiled, i)).Decimal,
			Issued: f.OptionalNumber(at(fieldPackIssued, i)), Returned: f.OptionalNumber(at(fieldPackReturned, i))}
		if row.Lot == "" && row.Used+row.Spoiled+row.Issued+row.Returned != "" && row.Input == "" {
			f.Add(at(fieldPackLot, i), "From which lot?")
		}
		if row.Input != "" {
			id, err := store.ParseID[store.PackingInputID](row.Input)
			f.Check(at(fieldPackLot, i), err)
			u.Input = id
		}
		rows, list = append(rows, row), append(list, u)
	}
	return rows, list
}

// parseRun reads weights typed one per line. A line that cannot be read is named by its number.
func parseRun(f *ui.Form, name string) []decimal.Decimal {
	var out []decimal.Decimal
	for i, line := range strings.FieldsFunc(f.Raw(name), func(r rune) bool { return r == '\n' || r == '\r' || r == ';' }) {
		if line = strings.TrimSpace(line); line == "" {
			continue
		}
		v, err := quantity.Parse(line)
		if err != nil {
			words := err.Error()
			if fl := fault.As(err); fl != nil {
				words = fl.Error()
			}
			f.Add(name, fmt.Sprintf("Line %d (%s): %s", i+1, line, words))
			return nil
		}
		out = append(out, v)
	}
	return out
}

var rejectStages = []ui.Option{{Value: "packing", Label: "at packing"}, {Value: "cure_end", Label: "at the end of the cure"}, {Value: "cut", Label: "at cutting"}}

// packLabels are the words of the error summary.
func packLabels(form packForm, controls []store.BatchControl) map[string]string {
	labels := map[string]string{fieldProduct: "Product", fieldPackedOn: "Packed on", fieldGood: "Good units", fieldRetained: "Kept back", fieldLabelsUsed: "Labels used", fieldLabelSpecimen: "Label as printed",
		fieldLeftOver: "Left over", fieldLoss: "Loss", fieldYieldNote: "Yield", fieldReally: "Is it so?", fieldReason: "Reason", fieldUsedGear: "Equipment",
		fieldLabelsIssued: "Labels handed out", fieldLabelsSpoiled: "Labels spoiled", fieldLabelsBack: "Labels put back", fieldPackagingNote: "What does not add up"}
	for i := range form.Rejects {
		labels[at(fieldRejectUnits, i)], labels[at(fieldRejectReason, i)], labels[at(fieldRejectStage, i)], labels[at(fieldRejectMass, i)] = "Rejected units", "Why rejected", "Where rejected", "Mass rejected"
	}
	for i, u := range form.Uses {
		name := u.Name
		if name == "" {
			name = "Other packaging"
		}
		labels[at(fieldPackLot, i)], labels[at(fieldPackUsed, i)], labels[at(fieldPackSpoiled, i)] = name+", lot", name+", used", name+", spoiled"
		labels[at(fieldPackIssued, i)], labels[at(fieldPackReturned, i)] = name+", handed out", name+", put back"
	}
	for _, c := range controls {
		labels[fieldRun+"-"+store.Text(c.ID)] = c.Name
	}
	return labels
}
