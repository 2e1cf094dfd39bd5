package bench

import (
	"net/http"
	"strconv"
	"strings"

	"github.com/a-h/templ"
	"github.com/google/uuid"

	"example.org/stillroom/internal/access"
	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/quantity"
	"example.org/stillroom/internal/store"
	"example.org/stillroom/web/paths"
	"example.org/stillroom/web/ui"
)

const (
	fieldFormula = "formula"
	fieldProduct = "product"
	fieldOn      = "on"
	fieldPlace   = "place"
	fieldMadeAt  = "made_at"
	fieldDo      = "do"
)

// Plans lists what is meant to be made.
func (a Area) Plans(r *ui.Request) error {
	list, err := a.Store.Plans(r.HTTP.Context(), r.Who.Workshop)
	if err != nil {
		return err
	}
	return r.Render(http.StatusOK, r.Page("Plans", "batches"), plansPage(plansView{Plans: list, MayPlan: r.May(access.Bench)}))
}

type plansView struct {
	Plans   []store.Plan
	MayPlan bool
}

// amount says how much is planned.
func amount(p store.Plan) string {
	if p.Units > 0 {
		return unitsOf(p.Units)
	}
	return quantity.Format(p.MassG) + " g"
}

func planName(p store.Plan) string {
	if p.ProductName != "" {
		return p.ProductName
	}
	return p.FormulaName
}

// planForm is what was typed, kept as it was.
type planForm struct{ Formula, Product, Units, Mass, On, Place, Note string }

type planView struct {
	Key                string
	Form               planForm
	Formulas, Products []ui.Option
	Fault              *fault.Fault
	Preview            *sheetView
}

// NewPlan shows the form of a plan.
func (a Area) NewPlan(r *ui.Request) error {
	v := planView{Key: ui.NewKey(), Form: planForm{Formula: r.HTTP.URL.Query().Get(fieldFormula), On: r.Today().String()}}
	if err := a.planChoices(r, &v); err != nil {
		return err
	}
	return r.Render(http.StatusOK, r.Page("Plan a batch", "batches"), newPlanPage(v))
}

// MakePlan notes it, or shows it scaled first.
func (a Area) MakePlan(r *ui.Request) error {
	f := r.Form()
	v := planView{Key: f.Raw("entry_key"), Form: planForm{Formula: f.Raw(fieldFormula), Product: f.Raw(fieldProduct), Units: f.Raw(fieldUnits), Mass: f.Raw(fieldMass), On: f.Raw(fieldOn), Place: f.Raw(fieldPlace), Note: f.Raw(fieldNote)}}
	if err := a.planChoices(r, &v); err != nil {
		return err
	}
	n, err := parsePlan(r, f)
	if err == nil && f.Raw(fieldDo) == "preview" {
		var sheet store.PlanSheet
		if sheet, err = a.Store.PreviewPlan(r.HTTP.Context(), r.Who.Workshop, n); err == nil {
			v.Preview = &sheetView{PlanSheet: sheet, Num: numbersOf(r.Workshop.ReadabilityG)}
			return r.Render(http.StatusOK, r.Page("Plan a batch", "batches"), newPlanPage(v))
		}
	}
	if err == nil {
		var id store.PlanID
		if id, err = a.Store.MakePlan(r.HTTP.Context(), r.Who, n); err == nil {
			return r.SeeOther(paths.Plan(store.Text(id)), "Planned.")
		}
	}
	return r.Refuse(err, r.Page("Plan a batch", "batches"), func(f *fault.Fault) templ.Component {
		v.Fault = f
		return newPlanPage(v)
	})
}

func parsePlan(r *ui.Request, f *ui.Form) (store.NewPlan, error) {
	n := store.NewPlan{
		Formula: f.Must(fieldFormula, 40, "Choose the formula."),
		Product: f.Text(fieldProduct, 40),
		Units:   f.OptionalWhole(fieldUnits),
		On:      f.Day(fieldOn, "Which day?"),
		Place:   f.Text(fieldPlace, 80),
		Note:    f.Text(fieldNote, 1000),
	}
	typedUnits, typedMass := strings.TrimSpace(f.Raw(fieldUnits)) != "", strings.TrimSpace(f.Raw(fieldMass)) != ""
	switch {
	case typedUnits && typedMass:
		f.Add(fieldMass, "Either units or a mass, not both.")
	case typedMass:
		n.MassG = f.Positive(fieldMass, "")
	case !typedUnits:
		f.Add(fieldMass, "How much? Give units of a product, or a mass.")
	case n.Units == 0:
		f.Add(fieldUnits, "How many? At least one.")
	}
	entry, err := r.Entry()
	if err != nil {
		return n, err
	}
	n.Key = uuid.UUID(entry.Key)
	return n, f.Err()
}

// planChoices offers the formulas with an approved version, and their products.
func (a Area) planChoices(r *ui.Request, v *planView) error {
	formulas, err := a.Store.Formulas(r.HTTP.Context(), r.Who.Workshop)
	if err != nil {
		return err
	}
	approved := map[string]bool{}
	for _, f := range formulas {
		if f.Approved > 0 {
			approved[f.Code] = true
			v.Formulas = append(v.Formulas, ui.Option{Value: f.Code, Label: f.Name, Hint: "version " + strconv.Itoa(f.Approved)})
		}
	}
	products, err := a.Store.Products(r.HTTP.Context(), r.Who.Workshop)
	for _, p := range products {
		if !p.Retired && approved[p.FormulaCode] {
			v.Products = append(v.Products, ui.Option{Value: p.Code, Label: p.Name, Hint: p.FormulaName})
		}
	}
	return err
}

// sheetView is a plan scaled, on its page and as a preview.
type sheetView struct {
	store.PlanSheet
	Num      numbers
	Key      string
	MayStart bool
	Fault    *fault.Fault
}

// planPortion is a portion's lines together.
type planPortion struct {
	Name  string
	Lines []store.PlanLine
}

func (v sheetView) portions() []planPortion {
	var list []planPortion
	for _, l := range v.Lines {
		if len(list) == 0 || list[len(list)-1].Name != l.Portion {
			list = append(list, planPortion{Name: l.Portion})
		}
		p := &list[len(list)-1]
		p.Lines = append(p.Lines, l)
	}
	return list
}

func (v sheetView) target(l store.PlanLine) string {
	if l.AsNeeded {
		return v.Num.grams(l.LowG) + " to " + v.Num.grams(l.HighG) + " g"
	}
	return v.Num.grams(l.TargetG) + " g"
}

// stock says whether the stock suffices for all that the batch needs of it.
func (v sheetView) stock(l store.PlanLine) (kind, words string) {
	switch {
	case l.Kind == "portion":
		return "", "from this batch"
	case !l.Tracked:
		return "", "not tracked"
	case l.Enough():
		return "good", "enough"
	}
	return "stop", v.missing(l)
}

func (v sheetView) missing(l store.PlanLine) string {
	return quantity.Format(l.NeedG.Sub(l.OnHandG).RoundCeil(v.Num.places)) + " g short"
}

// Plan shows a plan scaled, with the stock held against it.
func (a Area) Plan(r *ui.Request) error {
	v, err := a.sheet(r)
	if err != nil {
		return err
	}
	return r.Render(http.StatusOK, r.Page("Plan of "+planName(v.Plan), "batches"), planPage(v))
}

func (a Area) sheet(r *ui.Request) (sheetView, error) {
	id, err := store.ParseID[store.PlanID](r.Param("id"))
	if err != nil {
		return sheetView{}, err
	}
	sheet, err := a.Store.Plan(r.HTTP.Context(), r.Who.Workshop, id)
	return sheetView{PlanSheet: sheet, Num: numbersOf(r.Workshop.ReadabilityG), Key: ui.NewKey(), MayStart: r.May(access.Bench)}, err
}

// Drop removes a plan: it was no record.
func (a Area) Drop(r *ui.Request) error {
	id, err := store.ParseID[store.PlanID](r.Param("id"))
	if err != nil {
		return err
	}
	if err := a.Store.DropPlan(r.HTTP.Context(), r.Who, id); err != nil {
		return err
	}
	return r.SeeOther(paths.Plans(), "The plan is dropped.")
}

// startForm is what was typed to begin a batch.
type startForm struct {
	roomForm
	MadeAt, Place, Reason string
}

type startView struct {
	sheetView
	Clock ui.Clock
	Form  startForm
	Asked string
}

// StartForm asks for the room, and for the time where the batch was made earlier.
func (a Area) StartForm(r *ui.Request) error {
	sheet, err := a.sheet(r)
	if err != nil {
		return err
	}
	v := startView{sheetView: sheet, Clock: r.Clock(), Form: startForm{Place: sheet.Place}}
	if v.Form.roomForm, err = a.fromLogger(r, sheet.Place); err != nil {
		return err
	}
	return r.RenderBench(http.StatusOK, r.Page("Start "+planName(v.Plan), "batches"), nil, startPage(v))
}

// Start turns the plan into a batch. A start that is sent again answers the same batch, though the plan is gone.
func (a Area) Start(r *ui.Request) error {
	f := r.Form()
	id, err := store.ParseID[store.PlanID](r.Param("id"))
	if err != nil {
		return err
	}
	form := startForm{roomForm: readRoom(f), MadeAt: f.Raw(fieldMadeAt), Place: f.Raw(fieldPlace), Reason: f.Raw(fieldReason)}
	n := store.Start{Plan: id, TemperatureC: degrees(f, fieldTemperature), HumidityPct: f.OptionalNumber(fieldHumidity), Source: form.source(), Place: f.Text(fieldPlace, 80), Really: really(f)}
	if strings.TrimSpace(form.MadeAt) != "" {
		n.MadeAt = f.Moment(fieldMadeAt, r.Workshop.Location(), "")
	}
	err = f.Err()
	var entry store.Entry
	if err == nil {
		entry, err = r.Entry()
	}
	var code string
	if err == nil {
		code, err = a.Store.StartBatch(r.HTTP.Context(), who(r), entry, n)
	}
	if err == nil {
		return r.SeeOther(paths.Bench(code), "Batch "+code+" is begun.")
	}
	sheet, loadErr := a.sheet(r)
	if loadErr != nil {
		if fault.As(err) != nil {
			return err
		}
		return loadErr
	}
	refused := fault.As(err)
	if refused == nil || refused.Kind != fault.Invalid && refused.Kind != fault.Conflict {
		return err
	}
	v := startView{sheetView: sheet, Clock: r.Clock(), Form: form, Asked: refused.Of(fieldReally)}
	v.Key, v.Fault = f.Raw("entry_key"), without(refused, fieldReally)
	p := r.Page("Start "+planName(v.Plan), "batches")
	p.Failed = true
	return r.RenderBench(ui.StatusOf(refused), p, nil, startPage(v))
}
