package dispatch

import (
	"net/http"
	"strconv"
	"strings"

	"github.com/a-h/templ"

	"example.org/stillroom/internal/access"
	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/store"
	"example.org/stillroom/web/paths"
	"example.org/stillroom/web/ui"
)

// Dispatches lists them, newest first.
func (a Area) Dispatches(r *ui.Request) error {
	list, next, err := a.Store.Dispatches(r.HTTP.Context(), r.Who.Workshop, r.AfterKey(), ui.PageLength)
	if err != nil {
		return err
	}
	v := dispatchesView{Dispatches: list, Pages: r.Pages(next), MayDispatch: r.May(access.Dispatch)}
	return r.Render(http.StatusOK, r.Page("Dispatches", "dispatches"), dispatchesPage(v))
}

type dispatchesView struct {
	Dispatches  []store.DispatchSummary
	Pages       ui.Pages
	MayDispatch bool
}

// Dispatch shows one, to read and to print.
func (a Area) Dispatch(r *ui.Request) error {
	page, err := a.Store.DispatchPage(r.HTTP.Context(), r.Who.Workshop, r.Param("code"))
	if err != nil {
		return err
	}
	v := dispatchView{DispatchPage: page, Clock: r.Clock(), MayReturn: r.May(access.Dispatch), MayCorrect: r.May(access.CorrectOwn)}
	return r.Render(http.StatusOK, r.Page("Dispatch "+page.Code, "dispatches"), dispatchPage(v))
}

type dispatchView struct {
	store.DispatchPage
	Clock                 ui.Clock
	MayReturn, MayCorrect bool
}

// answer is the page's first line.
func (v dispatchView) answer() string {
	if v.Units == 0 {
		return "Nothing left for " + v.CustomerName
	}
	return store.UnitCount(v.Units) + " to " + v.CustomerName
}

// about is the line below it.
func (v dispatchView) about() string {
	words := "Dispatch " + v.Code + ", " + v.Clock.Style.Day(v.On) + ", " + count(v.Lines, "packing", "packings")
	if v.Returned > 0 {
		words += "; " + strconv.Itoa(v.Returned) + " came back"
	}
	return words
}

// correctForm is what was typed, kept as it was.
type correctForm struct {
	Packing, Units, Reason string
	Left                   bool
}

type correctView struct {
	Key   string
	Code  string
	Form  correctForm
	Says  string // what stands there now
	Fault *fault.Fault
}

// EditDispatch shows what stands of one packing, to correct.
func (a Area) EditDispatch(r *ui.Request) error {
	page, err := a.Store.DispatchPage(r.HTTP.Context(), r.Who.Workshop, r.Param("code"))
	if err != nil {
		return err
	}
	v := correctView{Key: ui.NewKey(), Code: page.Code, Form: correctForm{Packing: r.HTTP.URL.Query().Get("packing")}}
	v.Says = standing(page, v.Form.Packing)
	return r.Render(http.StatusOK, r.Page("Correct "+page.Code, "dispatches"), correctPage(v))
}

// standing says what a dispatch holds of a packing.
func standing(page store.DispatchPage, packing string) string {
	for _, l := range page.Packings {
		if l.Packing == packing {
			return store.UnitCount(l.Units) + " of " + l.Packing + " stand in this dispatch."
		}
	}
	return ""
}

// CorrectDispatch stores what really left of one packing.
func (a Area) CorrectDispatch(r *ui.Request) error {
	f := r.Form()
	code := r.Param("code")
	form := correctForm{Packing: f.Raw(fieldPacking), Units: f.Raw(fieldUnits), Reason: f.Raw(fieldReason), Left: f.On(fieldLeft)}
	c := store.LineCorrection{
		Dispatch:    code,
		Packing:     f.Must(fieldPacking, 40, "Which code stands on the units?"),
		Units:       f.Whole(fieldUnits, "How many really left? 0 for none."),
		AlreadyLeft: form.Left,
		Reason:      f.Must(fieldReason, 1000, "Say why: the old number is kept beside the new one."),
	}
	err := save(r, f, func(entry store.Entry) error {
		return a.Store.CorrectDispatch(r.HTTP.Context(), r.Who, entry, c)
	})
	if err == nil {
		return r.SeeOther(paths.Dispatch(code), "Dispatch "+code+" is corrected.")
	}
	page, loadErr := a.Store.DispatchPage(r.HTTP.Context(), r.Who.Workshop, code)
	if loadErr != nil {
		return loadErr
	}
	return r.Refuse(err, r.Page("Correct "+code, "dispatches"), func(said *fault.Fault) templ.Component {
		return correctPage(correctView{Key: f.Raw("entry_key"), Code: code, Form: form, Says: standing(page, form.Packing), Fault: said})
	})
}

// returnForm is what was typed, kept as it was.
type returnForm struct{ Packing, On, Units, Disposition, Note string }

type returnView struct {
	Key      string
	Dispatch string // code, empty where it is not known
	To       string
	Form     returnForm
	Packings []ui.Option // of the dispatch, with what is still out
	Fault    *fault.Fault
}

func (v returnView) action() string {
	if v.Dispatch == "" {
		return paths.NewReturn("")
	}
	return paths.ReturnTo(v.Dispatch, "")
}

// NewReturn shows the form for units whose dispatch is not known.
func (a Area) NewReturn(r *ui.Request) error {
	return a.showReturn(r, returnView{})
}

// ReturnTo shows the form for units of one dispatch.
func (a Area) ReturnTo(r *ui.Request) error {
	v, err := a.returnOf(r)
	if err != nil {
		return err
	}
	return a.showReturn(r, v)
}

func (a Area) showReturn(r *ui.Request, v returnView) error {
	v.Key = ui.NewKey()
	v.Form = returnForm{Packing: r.HTTP.URL.Query().Get("packing"), On: r.Today().String()}
	if v.Form.Packing == "" && len(v.Packings) == 1 {
		v.Form.Packing = v.Packings[0].Value
	}
	return r.Render(http.StatusOK, r.Page("Units came back", "dispatches"), returnPage(v))
}

// returnOf reads the dispatch that units come back from.
func (a Area) returnOf(r *ui.Request) (returnView, error) {
	page, err := a.Store.DispatchPage(r.HTTP.Context(), r.Who.Workshop, r.Param("code"))
	if err != nil {
		return returnView{}, err
	}
	v := returnView{Dispatch: page.Code, To: page.CustomerName}
	for _, l := range page.Packings {
		if l.Units > 0 {
			v.Packings = append(v.Packings, ui.Option{Value: l.Packing, Label: l.Packing, Hint: l.ProductName + ", " + store.UnitCount(l.Out()) + " with them", Disabled: l.Out() == 0})
		}
	}
	return v, nil
}

// TakeBack records units that came back to a dispatch.
func (a Area) TakeBack(r *ui.Request) error {
	v, err := a.returnOf(r)
	if err != nil {
		return err
	}
	return a.recordReturn(r, v)
}

// TakeBackUnknown records units whose dispatch is not known.
func (a Area) TakeBackUnknown(r *ui.Request) error { return a.recordReturn(r, returnView{}) }

func (a Area) recordReturn(r *ui.Request, v returnView) error {
	f := r.Form()
	v.Key = f.Raw("entry_key")
	v.Form = returnForm{Packing: f.Raw(fieldPacking), On: f.Raw(fieldReturnedOn), Units: f.Raw(fieldUnits), Disposition: f.Raw(fieldDisposition), Note: f.Raw(fieldNote)}
	n := store.NewReturn{
		Dispatch:    v.Dispatch,
		Packing:     f.Must(fieldPacking, 40, "Which code stands on the units?"),
		On:          f.Day(fieldReturnedOn, "When did they come back?"),
		Units:       f.Whole(fieldUnits, "How many came back?"),
		Disposition: f.OneOf(fieldDisposition, "Choose where they go: back to stock, on hold, or destroyed.", "restock", "hold", "destroy"),
		Note:        f.Text(fieldNote, 900),
	}
	if n.Note == "" && (n.Disposition == "hold" || n.Disposition == "destroy") {
		f.Add(fieldNote, "Say what is wrong with them.")
	}
	var code string
	err := save(r, f, func(entry store.Entry) (err error) {
		code, err = a.Store.Return(r.HTTP.Context(), r.Who, entry, n)
		return err
	})
	if err == nil {
		to := paths.Dispatch(v.Dispatch)
		if v.Dispatch == "" {
			units, err := a.Store.PackingTyped(r.HTTP.Context(), r.Who.Workshop, n.Packing)
			if err != nil {
				return err
			}
			to = paths.PackingUnits(units.Code)
		}
		return r.SeeOther(to, "Return "+code+" is in the book: "+strings.ToLower(label(dispositions, n.Disposition))+".")
	}
	return r.Refuse(err, r.Page("Units came back", "dispatches"), func(said *fault.Fault) templ.Component {
		v.Fault = said
		return returnPage(v)
	})
}
