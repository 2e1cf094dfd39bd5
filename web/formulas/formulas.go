// Package formulas is how things are made: formulas, the drafts of their versions, and what is in force.
package formulas

import (
	"net/http"
	"net/url"
	"strconv"
	"strings"

	"github.com/a-h/templ"
	"github.com/shopspring/decimal"

	"example.org/stillroom/internal/access"
	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/measure"
	"example.org/stillroom/internal/scaling"
	"example.org/stillroom/internal/store"
	"example.org/stillroom/web/paths"
	"example.org/stillroom/web/ui"
)

// Area serves the pages of formulas.
type Area struct{ Store *store.Store }

// Formulas lists all formulas.
func (a Area) Formulas(r *ui.Request) error {
	list, next, err := a.Store.FormulaList(r.HTTP.Context(), r.Who.Workshop, r.AfterKey())
	if err != nil {
		return err
	}
	return r.Render(http.StatusOK, r.Page("Formulas", "formulas"), formulasPage(formulasView{Formulas: list, Pages: r.Pages(next), MayEdit: r.May(access.EditFormula)}))
}

type formulasView struct {
	Formulas []store.FormulaSummary
	Pages    ui.Pages
	MayEdit  bool
}

// Names of the fields of a formula itself, shared by form, fault and page.
const (
	fieldName    = "name"
	fieldCode    = "code"
	fieldLetters = "letters"
	fieldNominal = "nominal"
	fieldYields  = "yields"
	fieldReason  = "reason"
	fieldCopy    = "copy"
	fieldVersion = "version"
)

// newForm is what was typed. Copy and Version are the formula and the version that it begins as a copy of.
type newForm struct{ Name, Code, Letters, Nominal, Yields, Copy, Version string }

type newView struct {
	Key   string
	Form  newForm
	Of    *store.FormulaVersion // what is copied; nil for an empty formula
	Style measure.Style
	Fault *fault.Fault
}

// New shows the form that begins a formula, empty or as a copy of another.
func (a Area) New(r *ui.Request) error {
	q := r.HTTP.URL.Query()
	v := newView{Key: ui.NewKey(), Form: newForm{Nominal: r.Workshop.Style.Figure(decimal.NewFromInt(1000)), Yields: "units", Copy: q.Get(fieldCopy), Version: q.Get(fieldVersion)}, Style: r.Workshop.Style}
	if err := a.copied(r, &v); err != nil {
		return err
	}
	if v.Of != nil {
		v.Form.Name = "Copy of " + v.Of.FormulaName
	}
	return r.Render(http.StatusOK, r.Page("New formula", "formulas"), newPage(v))
}

// copied reads the version that is copied, where one is.
func (a Area) copied(r *ui.Request, v *newView) error {
	if v.Form.Copy == "" {
		return nil
	}
	number := 0
	if v.Form.Version != "" {
		var err error
		if number, err = parseNumber(v.Form.Version); err != nil {
			return err
		}
	}
	of, err := a.Store.FormulaVersion(r.HTTP.Context(), r.Who.Workshop, v.Form.Copy, number)
	v.Of, v.Form.Version = &of, strconv.Itoa(of.Number)
	return err
}

// Add begins a formula and opens its draft.
func (a Area) Add(r *ui.Request) error {
	f := r.Form()
	v := newView{Key: f.Raw("entry_key"), Style: r.Workshop.Style, Form: newForm{Name: f.Raw(fieldName), Code: f.Raw(fieldCode), Letters: f.Raw(fieldLetters), Nominal: f.Raw(fieldNominal), Yields: f.Raw(fieldYields), Copy: f.Raw(fieldCopy), Version: f.Raw(fieldVersion)}}
	if err := a.copied(r, &v); err != nil {
		return err
	}
	n := store.NewFormula{
		Name:    f.Must(fieldName, 200, "What is it called?"),
		Code:    f.Text(fieldCode, 40),
		Letters: strings.ToUpper(f.Must(fieldLetters, 4, "One to four letters from A to Z: batch codes begin with them.")),
	}
	if v.Of == nil {
		n.NominalG = r.Workshop.Style.ToGrams(f.Positive(fieldNominal, "Which batch mass do you think in?"))
		n.Yields = f.OneOf(fieldYields, "Choose units or bulk.", "units", "bulk")
	} else {
		n.Copy, n.CopyOf = v.Of.FormulaCode, v.Of.Number
	}
	err := f.Err()
	var entry store.Entry
	if err == nil {
		entry, err = r.Entry()
	}
	var code string
	if err == nil {
		code, err = a.Store.AddFormula(r.HTTP.Context(), r.Who, entry, n)
	}
	if err == nil && v.Of != nil {
		return r.SeeOther(paths.FormulaVersion(code, 1), "Formula "+code+" is begun as a copy. Now change what is to be otherwise.")
	}
	if err == nil {
		return r.SeeOther(paths.FormulaVersion(code, 1), "Formula "+code+" is begun. Now say what goes in.")
	}
	return r.Refuse(err, r.Page("New formula", "formulas"), func(bad *fault.Fault) templ.Component {
		v.Fault = bad
		return newPage(v)
	})
}

type retireView struct {
	Key    string
	V      store.FormulaVersion
	Plans  int
	Reason string
	Fault  *fault.Fault
}

// RetireForm asks why a version is taken out of force.
func (a Area) RetireForm(r *ui.Request) error {
	v, err := a.retiring(r)
	if err != nil {
		return err
	}
	return r.Render(http.StatusOK, r.Page("Take "+v.V.FormulaName+" out of force", "formulas"), retirePage(v))
}

func (a Area) retiring(r *ui.Request) (retireView, error) {
	number, err := versionNumber(r)
	if err != nil {
		return retireView{}, err
	}
	page, err := a.Store.Formula(r.HTTP.Context(), r.Who.Workshop, r.Param("code"))
	if err != nil {
		return retireView{}, err
	}
	version, err := a.Store.FormulaVersion(r.HTTP.Context(), r.Who.Workshop, page.Code, number)
	return retireView{Key: ui.NewKey(), V: version, Plans: page.Plans}, err
}

// Retire takes a version out of force.
func (a Area) Retire(r *ui.Request) error {
	v, err := a.retiring(r)
	if err != nil {
		return err
	}
	f := r.Form()
	v.Key, v.Reason = f.Raw("entry_key"), f.Raw(fieldReason)
	reason := f.Must(fieldReason, 500, "Say why it is not made any more.")
	err = f.Err()
	var entry store.Entry
	if err == nil {
		entry, err = r.Entry()
	}
	if err == nil {
		err = a.Store.RetireFormula(r.HTTP.Context(), r.Who, entry, v.V.FormulaCode, v.V.Number, reason)
	}
	if err == nil {
		return r.SeeOther(paths.Formula(v.V.FormulaCode), "Version "+strconv.Itoa(v.V.Number)+" is no longer in force.")
	}
	return r.Refuse(err, r.Page("Take "+v.V.FormulaName+" out of force", "formulas"), func(bad *fault.Fault) templ.Component {
		v.Fault = bad
		return retirePage(v)
	})
}

type correctView struct {
	Key          string
	Code         string
	Was          string // the name that stands
	Name, Reason string
	Fault        *fault.Fault
}

// EditName shows the form that corrects a formula's name.
func (a Area) EditName(r *ui.Request) error {
	page, err := a.Store.Formula(r.HTTP.Context(), r.Who.Workshop, r.Param("code"))
	if err != nil {
		return err
	}
	return r.Render(http.StatusOK, r.Page("Correct "+page.Name, "formulas"), correctPage(correctView{Key: ui.NewKey(), Code: page.Code, Was: page.Name, Name: page.Name}))
}

// CorrectName changes a formula's name.
func (a Area) CorrectName(r *ui.Request) error {
	f := r.Form()
	code := r.Param("code")
	page, err := a.Store.Formula(r.HTTP.Context(), r.Who.Workshop, code)
	if err != nil {
		return err
	}
	was := f.Raw("was")
	name := f.Must(fieldName, 200, "What is it called?")
	reason := f.Must(fieldReason, 500, "Say why: the old name is kept beside the new one.")
	err = f.Err()
	var entry store.Entry
	if err == nil {
		entry, err = r.Entry()
	}
	if err == nil {
		err = a.Store.CorrectFormula(r.HTTP.Context(), r.Who, entry, code, was, name, reason)
	}
	if err == nil {
		return r.SeeOther(paths.Formula(code), "The name is corrected.")
	}
	if fault.Is(err, fault.Conflict) {
		was = page.Name // the page says it now, so that the next saving is meant
	}
	return r.Refuse(err, r.Page("Correct "+page.Name, "formulas"), func(bad *fault.Fault) templ.Component {
		return correctPage(correctView{Key: ui.NewKey(), Code: code, Was: was, Name: f.Raw(fieldName), Reason: f.Raw(fieldReason), Fault: bad})
	})
}

// Formula shows the version in force, or the draft where none is yet.
func (a Area) Formula(r *ui.Request) error { return a.show(r, 0) }

// Version shows one version: a draft open to be changed, any other as it stands for ever.
func (a Area) Version(r *ui.Request) error {
	number, err := versionNumber(r)
	if err != nil {
		return err
	}
	return a.show(r, number)
}

func versionNumber(r *ui.Request) (int, error) { return parseNumber(r.Param("number")) }

func parseNumber(text string) (int, error) {
	number, err := strconv.Atoi(text)
	if err != nil || number < 1 || number > 1_000_000 {
		return 0, fault.New(fault.NotFound, "There is no such version.")
	}
	return number, nil
}

func (a Area) show(r *ui.Request, number int) error {
	v, err := a.view(r, number)
	if err != nil {
		return err
	}
	if part := r.HTTP.URL.Query().Get("edit"); v.Edit && part != "" {
		v.Open = v.clamp(part)
	}
	return r.Render(http.StatusOK, r.Page(v.title(), "formulas"), versionPage(v))
}

// view reads what a version's page shows; number 0 is the one in force.
func (a Area) view(r *ui.Request, number int) (versionView, error) {
	ctx, code := r.HTTP.Context(), r.Param("code")
	v := versionView{Clock: r.Clock(), Style: r.Workshop.Style, MayEdit: r.May(access.EditFormula), MayApprove: r.May(access.ApproveFormula), MayCorrect: r.May(access.CorrectAny), MayPlan: r.May(access.Bench)}
	var err error
	if v.Formula, err = a.Store.Formula(ctx, r.Who.Workshop, code); err != nil {
		return v, err
	}
	if v.V, err = a.Store.FormulaVersion(ctx, r.Who.Workshop, code, number); err != nil {
		return v, err
	}
	v.Sums = v.V.Sums()
	v.Edit = v.MayEdit && v.V.Status == "draft"
	if v.Edit {
		v.Ingredients, err = a.ingredients(r, v.V)
	}
	return v, err
}

// ingredients are what a line can take: materials, bulk of other formulas, portions made for others.
func (a Area) ingredients(r *ui.Request, v store.FormulaVersion) ([]ui.Option, error) {
	var list []ui.Option
	for _, p := range v.Portions {
		if p.Basis == scaling.Inner {
			list = append(list, ui.Option{Value: "portion:" + p.Name, Label: p.Name, Hint: "portion of this formula"})
		}
	}
	materials, err := a.Store.Materials(r.HTTP.Context(), r.Who.Workshop)
	if err != nil {
		return nil, err
	}
	for _, m := range materials {
		if m.Kind == "raw" && !m.Retired {
			list = append(list, ui.Option{Value: "material:" + m.Code, Label: m.Name, Hint: m.Code})
		}
	}
	formulas, err := a.Store.Formulas(r.HTTP.Context(), r.Who.Workshop)
	for _, f := range formulas {
		if f.Yields == "bulk" && f.Code != v.FormulaCode {
			list = append(list, ui.Option{Value: "bulk:" + f.Code, Label: f.Name, Hint: "bulk, " + f.Code})
		}
	}
	return list, err
}

// Begin makes a draft of the next version.
func (a Area) Begin(r *ui.Request) error {
	code := r.Param("code")
	entry, err := r.Entry()
	var number int
	if err == nil {
		number, err = a.Store.NewVersion(r.HTTP.Context(), r.Who, entry, code)
	}
	if err == nil {
		return r.SeeOther(paths.FormulaVersion(code, number), "Version "+strconv.Itoa(number)+" is a draft now. What is in force stays so until you approve it.")
	}
	return a.refuse(r, err, 0, "", nil)
}

// Approve puts a draft in force.
func (a Area) Approve(r *ui.Request) error {
	code := r.Param("code")
	number, err := versionNumber(r)
	if err != nil {
		return err
	}
	entry, err := r.Entry()
	seen := r.Form().Raw("seen")
	if err == nil && seen == "" {
		err = fault.New(fault.Invalid, "The form is too old. Open the page anew and look at it once more.")
	}
	if err == nil {
		err = a.Store.ApproveSeen(r.HTTP.Context(), r.Who, entry, code, number, seen)
	}
	if err == nil {
		return r.SeeOther(paths.Formula(code), "Version "+strconv.Itoa(number)+" is in force.")
	}
	return a.refuse(r, placed(err), number, "", nil)
}

// refuse shows a version's page again with what was off, and what was typed in its part.
func (a Area) refuse(r *ui.Request, err error, number int, part string, typed url.Values) error {
	if f := fault.As(err); f == nil || f.Kind == fault.NotFound || f.Kind == fault.Forbidden {
		return err
	}
	v, loadErr := a.view(r, number)
	if loadErr != nil {
		return loadErr
	}
	v.Typed = typed
	if part != "" {
		v.Open = v.clamp(part)
	}
	return r.Refuse(err, r.Page(v.title(), "formulas"), func(bad *fault.Fault) templ.Component {
		v.Fault = bad
		return versionPage(v)
	})
}
