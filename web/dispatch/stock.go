package dispatch

import (
	"net/http"
	"slices"
	"strconv"

	"github.com/a-h/templ"

	"example.org/stillroom/internal/access"
	"example.org/stillroom/internal/day"
	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/store"
	"example.org/stillroom/web/paths"
	"example.org/stillroom/web/ui"
)

// shownPackings is how many packings of a product the overview lists; all of them stand on the product's own page.
const shownPackings = 25

// shownProducts is how many products a page of the overview has.
const shownProducts = 20

// Stock shows what is on hand, by product; with ?product= all of one.
func (a Area) Stock(r *ui.Request) error {
	v := stockView{Today: r.Today(), Product: r.HTTP.URL.Query().Get("product"), MayMove: r.May(access.Dispatch)}
	v.Soon = v.Today.AddDays(r.Workshop.SoonDays)
	q := store.StockQuery{Product: v.Product, After: r.AfterKey(), Today: v.Today, Soon: v.Soon, Products: shownProducts, Packings: shownPackings}
	if v.Product != "" {
		q.Packings = 2 * ui.PageLength
	}
	var err error
	if v.StockPage, err = a.Store.StockPage(r.HTTP.Context(), r.Who.Workshop, q); err != nil {
		return err
	}
	if v.Product != "" && len(v.Products) == 0 {
		return fault.New(fault.NotFound, "Nothing of product "+strconv.Quote(v.Product)+" is on hand.")
	}
	v.Pages = r.Pages(v.Next)
	return r.Render(http.StatusOK, r.Page("Stock", "stock"), stockPage(v))
}

type stockView struct {
	store.StockPage
	Pages       ui.Pages
	Product     string
	Today, Soon day.Day
	MayMove     bool
}

// order is the line below the heading: how many may leave, and which first.
func (v stockView) order() string {
	if len(v.Products) == 0 {
		return ""
	}
	return strconv.Itoa(v.Free) + " may leave today. Earliest best-before first; without a date in order of making."
}

// held tells whether any of a product's packings is on hold: only then there is a column for it.
func (v stockView) held(p store.StockedProduct) bool {
	return slices.ContainsFunc(p.Packings, func(k store.Packing) bool { return k.Held > 0 })
}

// captionOf is a product with its counts.
func captionOf(p store.StockedProduct) string {
	return p.Name + ": " + strconv.Itoa(p.OnHand) + " on hand, " + strconv.Itoa(p.Free) + " may leave"
}

// Units shows the ledger of a packing.
func (a Area) Units(r *ui.Request) error {
	page, err := a.Store.PackingUnitsAfter(r.HTTP.Context(), r.Who.Workshop, r.Param("code"), r.AfterKey())
	if err != nil {
		return err
	}
	v := unitsView{UnitsPage: page, Pages: r.Pages(page.Next), Clock: r.Clock(), Today: r.Today(), MayMove: r.May(access.Dispatch), MayLift: r.May(access.Release), MayCorrect: r.May(access.CorrectOwn), MayRecall: r.May(access.Recall)}
	v.Soon = v.Today.AddDays(r.Workshop.SoonDays)
	return r.Render(http.StatusOK, r.Page("Units of "+page.Code, "stock"), unitsPage(v))
}

type unitsView struct {
	store.UnitsPage
	Pages                        ui.Pages
	Clock                        ui.Clock
	Today, Soon                  day.Day
	MayMove, MayLift, MayCorrect bool
	MayRecall                    bool // the owner: lifts what a recall placed too
}

// balance is where the good units are, as a strip.
func (v unitsView) balance() []ui.Cell {
	cells := []ui.Cell{
		{Title: store.UnitCount(v.UnitsGood), Detail: "packed, good"},
		{Title: strconv.Itoa(v.Dispatched-v.Returned) + " with customers", Detail: v.wentOut()},
	}
	if v.Used > 0 {
		cells = append(cells, ui.Cell{Title: strconv.Itoa(v.Used) + " used", Detail: "in other batches"})
	}
	if v.Moved != 0 || v.Destroyed > 0 {
		cells = append(cells, v.otherwise())
	}
	here := ui.Cell{Title: strconv.Itoa(v.OnHand) + " here", Detail: "none on hold", Now: true}
	if v.Held > 0 {
		here.Detail = strconv.Itoa(v.Held) + " on hold"
	}
	return append(cells, here)
}

// wentOut is what was sent, and what of it came back where some did.
func (v unitsView) wentOut() string {
	words := strconv.Itoa(v.Dispatched) + " sent"
	if v.Returned > 0 {
		words += ", " + strconv.Itoa(v.Returned) + " came back"
	}
	return words
}

// otherwise is what left or was found without a dispatch, and what was destroyed when it came back.
func (v unitsView) otherwise() ui.Cell {
	c := ui.Cell{Title: signed(v.Moved) + " otherwise", Detail: "moved or counted"}
	switch {
	case v.Moved == 0:
		c.Title, c.Detail = strconv.Itoa(v.Destroyed)+" destroyed", "came back"
	case v.Destroyed > 0:
		c.Detail = strconv.Itoa(v.Destroyed) + " came back and destroyed"
	}
	return c
}

// moveForm is what was typed, kept as it was.
type moveForm struct{ Reason, Units, On, Note, Seen, Hold, Really string }

type moveView struct {
	store.Packing
	Key   string
	Form  moveForm
	Holds []ui.Option // free units, and each hold of so many units; empty where there is none
	Fault *fault.Fault
}

// holdsOf are the places that units can be taken from. A hold of all of a packing is none: it goes on for the rest.
func holdsOf(page store.UnitsPage) []ui.Option {
	var list []ui.Option
	for _, h := range page.Holds {
		if h.LiftedAt == nil && h.Units > 0 {
			list = append(list, ui.Option{Value: store.Text(h.ID), Label: heldUnits(h) + " on hold", Hint: h.Reason})
		}
	}
	if len(list) == 0 {
		return nil
	}
	return append([]ui.Option{{Value: "", Label: strconv.Itoa(page.Free()) + " not on hold"}}, list...)
}

// held is what of it is on hold, where some is.
func (v moveView) held() string {
	if v.Held == 0 {
		return ""
	}
	return ", " + strconv.Itoa(v.Held) + " of them on hold"
}

// NewMove shows the form for units that leave without a dispatch, or a count.
func (a Area) NewMove(r *ui.Request) error {
	page, err := a.Store.PackingUnits(r.HTTP.Context(), r.Who.Workshop, r.Param("code"))
	if err != nil {
		return err
	}
	v := moveView{Packing: page.Packing, Holds: holdsOf(page), Key: ui.NewKey(), Form: moveForm{On: r.Today().String(), Seen: strconv.Itoa(page.OnHand)}}
	return r.Render(http.StatusOK, r.Page("Move or count "+page.Code, "stock"), movePage(v))
}

// Move books it.
func (a Area) Move(r *ui.Request) error {
	f := r.Form()
	page, err := a.Store.PackingUnits(r.HTTP.Context(), r.Who.Workshop, r.Param("code"))
	if err != nil {
		return err
	}
	p := page.Packing
	form := moveForm{Reason: f.Raw(fieldReason), Units: f.Raw(fieldUnits), On: f.Raw(fieldMovedOn), Note: f.Raw(fieldNote), Seen: f.Raw(fieldSeen), Hold: f.Raw(fieldHold), Really: f.Raw(fieldReally)}
	m := store.UnitMove{
		Packing: p.Code,
		Reason:  f.OneOf(fieldReason, "Choose what happened to them.", "tester", "broken", "gift", "own_use", "count"),
		Units:   f.Whole(fieldUnits, "How many?"),
		On:      f.Day(fieldMovedOn, "When was that?"),
		Note:    f.Text(fieldNote, 1000),
		Really:  form.Really == "yes",
	}
	if form.Hold != "" {
		if m.Hold, err = store.ParseID[store.HoldID](form.Hold); err != nil {
			f.Add(fieldHold, "Choose which of them.")
		}
	}
	if seen, err := strconv.Atoi(form.Seen); err == nil {
		m.Seen = &seen
	}
	if m.Reason == "count" && m.Note == "" && m.Units != p.OnHand {
		f.Add(fieldNote, "Say why the book was off, or that you do not know.")
	}
	var code string
	err = save(r, f, func(entry store.Entry) (err error) {
		code, err = a.Store.MoveUnits(r.HTTP.Context(), r.Who, entry, m)
		return err
	})
	if err == nil {
		return r.SeeOther(paths.PackingUnits(p.Code), code+" is in the book: "+label(moveReasons, m.Reason)+".")
	}
	return r.Refuse(err, r.Page("Move or count "+p.Code, "stock"), func(said *fault.Fault) templ.Component {
		// The page now shows what the book holds now: a count sent again is made against that.
		form.Seen = strconv.Itoa(p.OnHand)
		return movePage(moveView{Packing: p, Holds: holdsOf(page), Key: f.Raw("entry_key"), Form: form, Fault: said})
	})
}

type holdView struct {
	store.Packing
	Key                  string
	Which, Units, Reason string
	Fault                *fault.Fault
}

// NewHold shows the form that keeps units from leaving.
func (a Area) NewHold(r *ui.Request) error {
	p, err := a.Store.Packing(r.HTTP.Context(), r.Who.Workshop, r.Param("code"))
	if err != nil {
		return err
	}
	return r.Render(http.StatusOK, r.Page("Hold "+p.Code, "stock"), holdPage(holdView{Packing: p, Key: ui.NewKey(), Which: "all"}))
}

// PlaceHold keeps units from leaving.
func (a Area) PlaceHold(r *ui.Request) error {
	f := r.Form()
	p, err := a.Store.Packing(r.HTTP.Context(), r.Who.Workshop, r.Param("code"))
	if err != nil {
		return err
	}
	h := store.NewHold{Packing: p.Code, Reason: f.Must(fieldReason, 1000, "Say why they may not leave.")}
	if f.OneOf(fieldWhich, "All of them, or so many?", "all", "some") == "some" {
		if h.Units = f.Whole(fieldUnits, "How many?"); h.Units == 0 {
			f.Add(fieldUnits, "How many? At least 1.")
		}
	}
	err = save(r, f, func(entry store.Entry) error {
		return a.Store.PlaceHold(r.HTTP.Context(), r.Who, entry, h)
	})
	if err == nil {
		return r.SeeOther(paths.PackingUnits(p.Code), "On hold: "+p.Code+" may not leave for now.")
	}
	return r.Refuse(err, r.Page("Hold "+p.Code, "stock"), func(said *fault.Fault) templ.Component {
		return holdPage(holdView{Packing: p, Key: f.Raw("entry_key"), Which: f.Raw(fieldWhich), Units: f.Raw(fieldUnits), Reason: f.Raw(fieldReason), Fault: said})
	})
}

type liftView struct {
	Packing string
	Hold    store.Hold
	Clock   ui.Clock
	Key     string
	Reason  string
	Fault   *fault.Fault
}

// NewLift shows a hold to lift.
func (a Area) NewLift(r *ui.Request) error {
	v, err := a.liftOf(r, r.HTTP.URL.Query().Get("hold"))
	if err != nil {
		return err
	}
	v.Key = ui.NewKey()
	return r.Render(http.StatusOK, r.Page("Lift a hold on "+v.Packing, "stock"), liftPage(v))
}

func (a Area) liftOf(r *ui.Request, id string) (liftView, error) {
	page, err := a.Store.PackingUnits(r.HTTP.Context(), r.Who.Workshop, r.Param("code"))
	if err != nil {
		return liftView{}, err
	}
	for _, h := range page.Holds {
		if store.Text(h.ID) == id {
			return liftView{Packing: page.Code, Hold: h, Clock: r.Clock()}, nil
		}
	}
	return liftView{}, fault.New(fault.NotFound, "There is no such hold of "+page.Code+".")
}

// LiftHold lets the units leave again.
func (a Area) LiftHold(r *ui.Request) error {
	f := r.Form()
	v, err := a.liftOf(r, f.Raw(fieldHold))
	if err != nil {
		return err
	}
	v.Key, v.Reason = f.Raw("entry_key"), f.Raw(fieldReason)
	reason := f.Must(fieldReason, 1000, "Say what was found, and why they may leave.")
	err = save(r, f, func(entry store.Entry) error {
		return a.Store.LiftHold(r.HTTP.Context(), r.Who, entry, v.Hold.ID, reason)
	})
	if err == nil {
		return r.SeeOther(paths.PackingUnits(v.Packing), "The hold on "+v.Packing+" is lifted.")
	}
	return r.Refuse(err, r.Page("Lift a hold on "+v.Packing, "stock"), func(said *fault.Fault) templ.Component {
		v.Fault = said
		return liftPage(v)
	})
}

type takeBackView struct {
	Packing string
	Entry   store.UnitEntry
	Key     string
	Reason  string
	Fault   *fault.Fault
}

// NewTakeBack shows an entry of the ledger that did not happen as it was written.
func (a Area) NewTakeBack(r *ui.Request) error {
	v, err := a.entryOf(r, r.HTTP.URL.Query().Get("entry"))
	if err != nil {
		return err
	}
	v.Key = ui.NewKey()
	return r.Render(http.StatusOK, r.Page("Take back "+v.Entry.Code, "stock"), takeBackPage(v))
}

func (a Area) entryOf(r *ui.Request, code string) (takeBackView, error) {
	packing := r.Param("code")
	e, err := a.Store.UnitEntry(r.HTTP.Context(), r.Who.Workshop, packing, code)
	return takeBackView{Packing: packing, Entry: e}, err
}

// TakeBackEntry withdraws it; it stays in the ledger, struck through.
func (a Area) TakeBackEntry(r *ui.Request) error {
	f := r.Form()
	v, err := a.entryOf(r, f.Raw(fieldEntry))
	if err != nil {
		return err
	}
	v.Key, v.Reason = f.Raw("entry_key"), f.Raw(fieldReason)
	reason := f.Must(fieldReason, 1000, "Say why: the entry stays, struck through.")
	err = save(r, f, func(entry store.Entry) error {
		if v.Entry.What == "returned" || v.Entry.What == "destroyed" {
			return a.Store.WithdrawReturn(r.HTTP.Context(), r.Who, entry, v.Entry.Code, reason)
		}
		return a.Store.WithdrawMove(r.HTTP.Context(), r.Who, entry, v.Entry.Code, reason)
	})
	if err == nil {
		return r.SeeOther(paths.PackingUnits(v.Packing), v.Entry.Code+" is taken back.")
	}
	return r.Refuse(err, r.Page("Take back "+v.Entry.Code, "stock"), func(said *fault.Fault) templ.Component {
		v.Fault = said
		return takeBackPage(v)
	})
}
