package bench

import (
	"net/http"
	"slices"
	"strconv"
	"strings"

	"github.com/a-h/templ"
	"github.com/google/uuid"
	"github.com/shopspring/decimal"

	"example.org/stillroom/internal/access"
	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/measure"
	"example.org/stillroom/internal/quantity"
	"example.org/stillroom/internal/store"
	"example.org/stillroom/internal/yield"
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
	fieldAgain   = "again"
)

// Plans lists what is meant to be made.
func (a Area) Plans(r *ui.Request) error {
	list, next, err := a.Store.PlanList(r.HTTP.Context(), r.Who.Workshop, r.AfterKey())
	if err != nil {
		return err
	}
	return r.Render(http.StatusOK, r.Page("Plans", "batches"), plansPage(plansView{Plans: list, Pages: r.Pages(next), Style: r.Workshop.Style, MayPlan: r.May(access.Bench)}))
}

type plansView struct {
	Plans   []store.Plan
	Pages   ui.Pages
	Style   measure.Style
	MayPlan bool
}

// amount says how much is planned.
func amount(p store.Plan, style measure.Style) string {
	if p.Units > 0 {
		return unitsOf(p.Units)
	}
	return style.Grams(p.MassG)
}

func planName(p store.Plan) string {
	if p.ProductName != "" {
		return p.ProductName
	}
	return p.FormulaName
}

// planForm is what was typed, kept as it was. Again is the batch that it is planned from.
type planForm struct{ Formula, Product, Units, Mass, On, Place, Note, Again string }

type planView struct {
	Key                string
	Form               planForm
	Formulas, Products []ui.Option
	Style              measure.Style
	Clock              ui.Clock
	Fault              *fault.Fault
	Again              *store.Again
	Preview            *sheetView
}

// last is what the last making taught: the one it is planned from, or the latest of the formula.
func (v planView) last() *store.LastMaking {
	switch {
	case v.Again != nil:
		return &v.Again.Last
	case v.Preview != nil:
		return v.Preview.Last
	}
	return nil
}

func (v planView) sub() string {
	if v.Again != nil {
		return "As batch " + v.Again.Batch + " of " + v.Style.Day(v.Again.Last.MadeOn) + ". Change what is to be otherwise."
	}
	return "Units of a product, or a mass. What rounding and loss do to it is shown before anything is made."
}

func (a Area) planView(r *ui.Request, form planForm) (planView, error) {
	v := planView{Key: ui.NewKey(), Form: form, Style: r.Workshop.Style, Clock: r.Clock()}
	return v, a.planChoices(r, &v)
}

// NewPlan shows the form of a plan: empty, begun by a link, or filled in with what a batch was, scaled at once.
func (a Area) NewPlan(r *ui.Request) error {
	q := r.HTTP.URL.Query()
	form := planForm{Formula: q.Get(fieldFormula), Product: q.Get(fieldProduct), Units: q.Get(fieldUnits), Place: q.Get(fieldPlace), On: r.Today().String(), Again: q.Get(fieldAgain)}
	if g, err := quantity.ParsePositive(q.Get("mass_g")); err == nil {
		form.Mass = r.Workshop.Style.Figure(g)
	}
	v, err := a.planView(r, form)
	if err != nil {
		return err
	}
	if err := a.again(r, &v, true); err != nil {
		return err
	}
	title := "Plan a batch"
	if v.Again != nil {
		title += " as " + v.Again.Batch
	}
	return r.Render(http.StatusOK, r.Page(title, "batches"), newPlanPage(v))
}

// again reads the batch that is planned from, and with fill puts what it was into the form and scales it. What it cannot
// say is told above the form.
func (a Area) again(r *ui.Request, v *planView, fill bool) error {
	if v.Form.Again == "" {
		return nil
	}
	again, err := a.Store.Again(r.HTTP.Context(), r.Who.Workshop, v.Form.Again)
	if f := fault.As(err); f != nil && f.Kind == fault.Invalid {
		v.Form.Again = ""
		if fill {
			v.Fault = f
		}
		return nil
	}
	if err != nil {
		return err
	}
	v.Again = &again
	if !fill {
		return nil
	}
	p := again.Plan
	v.Form.Formula, v.Form.Product, v.Form.Place = p.Formula, p.Product, p.Place
	if p.Units > 0 {
		v.Form.Units = strconv.Itoa(p.Units)
	} else if p.MassG.IsPositive() {
		v.Form.Mass = v.Style.Figure(p.MassG)
	}
	p.On = r.Today()
	sheet, err := a.Store.PreviewPlan(r.HTTP.Context(), r.Who.Workshop, p)
	if fault.As(err) != nil {
		return nil // the form is sent with it, and then says so
	}
	if err == nil {
		v.Preview = v.scaled(r, sheet)
	}
	return err
}

func (v planView) scaled(r *ui.Request, sheet store.PlanSheet) *sheetView {
	return &sheetView{PlanSheet: sheet, Num: numbersOf(r.Workshop), Style: v.Style, Clock: v.Clock, MayStart: r.May(access.Bench)}
}

// MakePlan notes it, or shows it scaled first.
func (a Area) MakePlan(r *ui.Request) error {
	f := r.Form()
	v, err := a.planView(r, planForm{Formula: f.Raw(fieldFormula), Product: f.Raw(fieldProduct), Units: f.Raw(fieldUnits), Mass: f.Raw(fieldMass), On: f.Raw(fieldOn), Place: f.Raw(fieldPlace), Note: f.Raw(fieldNote), Again: f.Raw(fieldAgain)})
	if err != nil {
		return err
	}
	v.Key = f.Raw("entry_key")
	n, err := parsePlan(r, f)
	if err == nil && f.Raw(fieldDo) == "preview" {
		var sheet store.PlanSheet
		if sheet, err = a.Store.PreviewPlan(r.HTTP.Context(), r.Who.Workshop, n); err == nil {
			v.Preview = v.scaled(r, sheet)
			if err := a.again(r, &v, false); err != nil && !fault.Is(err, fault.NotFound) {
				return err
			}
			return r.Render(http.StatusOK, r.Page("Plan a batch", "batches"), newPlanPage(v))
		}
	}
	if err == nil {
		var id store.PlanID
		if id, err = a.Store.MakePlan(r.HTTP.Context(), r.Who, n); err == nil {
			return r.SeeOther(paths.Plan(store.Text(id)), "Planned.")
		}
	}
	if gone := a.again(r, &v, false); gone != nil && fault.As(gone) == nil {
		return gone
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
		n.MassG = r.Workshop.Style.ToGrams(f.Positive(fieldMass, ""))
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
	Style    measure.Style
	Clock    ui.Clock
	Key      string
	MayStart bool
	Fault    *fault.Fault
}

// planPortion is a portion's lines together.
type planPortion struct {
	Name  string
	Lines []store.PlanLine
}

// cautions are those of the formula and of what the batch takes: to have goggles, gloves or mask ready before the first weighing.
func (v sheetView) cautions() []ui.Care {
	list := []ui.Care{{Words: v.Caution}}
	for _, l := range v.Lines {
		list = append(list, ui.Care{What: l.Name, Words: l.Caution})
	}
	return list
}

// careful tells whether the batch, or anything that it takes, has a caution.
func (v sheetView) careful() bool {
	return slices.ContainsFunc(v.cautions(), func(c ui.Care) bool { return c.Words != "" })
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

// grams writes a mass with the scale's places where the workshop weighs in g.
func (v sheetView) grams(g decimal.Decimal) string {
	if v.Style.MassUnit() == "g" {
		return v.Num.mass(g)
	}
	return v.Style.Grams(g)
}

func (v sheetView) target(l store.PlanLine) string {
	if l.AsNeeded {
		return strings.TrimSuffix(v.grams(l.LowG), " "+v.Style.MassUnit()) + " to " + v.grams(l.HighG)
	}
	return v.grams(l.TargetG)
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
	return "stop", v.Style.Grams(l.NeedG.Sub(l.OnHandG).RoundCeil(v.Num.places)) + " short"
}

// amount writes so much of a supply, in what the workshop counts it in.
func (v sheetView) amount(d decimal.Decimal, unit string) string { return ui.Amount(v.Style, d, unit) }

// about is what there is to say of a supply beyond its numbers.
func (v sheetView) about(u store.Supply) []string {
	var list []string
	if others := u.OnHand.Sub(u.Usable); others.IsPositive() {
		list = append(list, v.amount(u.OnHand, u.Unit)+" on hand, "+v.amount(others, u.Unit)+" of it for other plans and started batches")
	}
	if u.Waiting.IsPositive() {
		list = append(list, v.amount(u.Waiting, u.Unit)+" waits in quarantine")
	}
	for _, p := range u.Coming {
		list = append(list, v.amount(p.Amount, u.Unit)+" is planned for "+v.Style.Day(p.On))
	}
	for _, s := range u.TooSoon {
		list = append(list, s.Code+" ("+v.amount(s.Left, u.Unit)+") does not count: "+ui.RunsOut(v.Style, s.Until, v.On))
	}
	return list
}

// why says in one sentence why a supply goes short. What is there and meant for other batches is fit to use all the
// same: said as that, it would send somebody to look for spoilt stock.
func (v sheetView) why(u store.Supply) string {
	words := "needs " + v.amount(u.Needed, u.Unit) + ", "
	if u.OnHand.GreaterThan(u.Usable) {
		words += "of " + v.amount(u.OnHand, u.Unit) + " on hand other plans and started batches leave " + v.amount(u.Usable, u.Unit)
	} else {
		words += v.amount(u.Usable, u.Unit) + " are fit to use on " + v.Style.Day(v.On)
	}
	return words + "; " + v.amount(u.Missing, u.Unit) + " short."
}

// usable is what is left for this batch; of what is not tracked nobody keeps count.
func (v sheetView) usable(u store.Supply) string {
	if !u.Tracked {
		return "not tracked"
	}
	return v.amount(u.Usable, u.Unit)
}

// anew plans the same with the version that is in force now.
func (v sheetView) anew() string {
	units, mass := "", quantity.Plain(v.MassG)
	if v.Units > 0 {
		units, mass = strconv.Itoa(v.Units), ""
	}
	return paths.NewPlanFor(v.FormulaCode, v.ProductCode, units, mass, v.Place)
}

// newerWords says that another version is in force than the one that the batch was made with.
func newerWords(again store.Again) string {
	return "Batch " + again.Batch + " was made with version " + strconv.Itoa(again.Then) + ". Version " + strconv.Itoa(again.Now) + " is in force now."
}

// lastYield is what came out of the last making, in words.
func lastYield(l store.LastMaking, style measure.Style) string {
	var words string
	switch {
	case l.Yields == "bulk" && l.BulkG.Valid:
		return style.Grams(l.BulkG.Decimal) + " of bulk"
	case l.Yields == "bulk":
		return "not measured yet"
	case l.Good == 0 && l.Rejected == 0:
		return "nothing packed yet"
	case l.Percent.Valid:
		words = quantity.Format(l.Percent.Decimal.Round(1)) + " %: "
		if l.ByMass {
			words = quantity.Format(l.Percent.Decimal.Round(1)) + " % of the mass: "
		}
	}
	// Units of several sizes are not to be held against how many of one size the mass would have given.
	words += unitsOf(l.Good) + " good"
	if l.Theoretical.IsPositive() && !l.ByMass {
		words += " of " + yield.Shown(l.Theoretical) + " that the mass gave"
	}
	if l.Rejected > 0 {
		words += ", " + strconv.Itoa(l.Rejected) + " rejected"
	}
	return words
}

// lastWhen is when it was made, and by whom.
func lastWhen(l store.LastMaking, style measure.Style) string {
	if l.MadeBy == "" {
		return style.Day(l.MadeOn)
	}
	return style.Day(l.MadeOn) + ", by " + l.MadeBy
}

func lastRoom(c store.ClimateNote, style measure.Style) string {
	return style.Degrees(c.TemperatureC) + ", " + quantity.Format(c.HumidityPct) + " % humidity"
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
	return sheetView{PlanSheet: sheet, Num: numbersOf(r.Workshop), Style: r.Workshop.Style, Clock: r.Clock(), Key: ui.NewKey(), MayStart: r.May(access.Bench)}, err
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
	n := store.Start{Plan: id, TemperatureC: f.Degrees(fieldTemperature, form.drawn()), HumidityPct: f.OptionalNumber(fieldHumidity), Source: form.source(), Place: f.Text(fieldPlace, 80), Really: really(f)}
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
