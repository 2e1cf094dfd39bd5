package materials

import (
	"fmt"
	"net/http"
	"strings"

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

// Names of the fields of tubs; rows are numbered from 0.
const (
	fieldTub    = "tub"
	fieldOn     = "on"
	fieldFrom   = "from"
	fieldReally = "really"
	fieldRest   = "rest"
	fieldNote   = "note"
	fieldWashed = "washed"
	fieldAmount = "amount"
	fieldTake   = "withdraw"
)

func lotField(i int) string    { return fmt.Sprintf("lot-%d", i) }
func amountField(i int) string { return fmt.Sprintf("%s-%d", fieldAmount, i) }

// figures are amounts of a material as the workshop thinks in them: what is kept in g by mass in g or oz, all else in
// its own unit.
type figures struct {
	Style measure.Style
	Unit  string
}

func figuresOf(r *ui.Request, m store.Material) figures { return figures{r.Workshop.Style, m.Unit} }

// words is an amount with its unit.
func (f figures) words(q decimal.Decimal) string {
	if f.Unit == "g" {
		return f.Style.Grams(q)
	}
	return amount(f.Style, q, f.Unit)
}

// beside is what stands beside a box.
func (f figures) beside() string {
	if f.Unit == "g" {
		return f.Style.MassUnit()
	}
	return f.Unit
}

// typed is what was typed in the material's unit.
func (f figures) typed(q decimal.Decimal) decimal.Decimal {
	if f.Unit == "g" {
		return f.Style.ToGrams(q)
	}
	return q
}

// Tubs lists what stands in which tub.
func (a Area) Tubs(r *ui.Request) error {
	list, next, err := a.Store.Tubs(r.HTTP.Context(), r.Who.Workshop, r.AfterKey(), ui.PageLength)
	if err != nil {
		return err
	}
	v := tubsView{Tubs: list, Pages: r.Pages(next), Style: r.Workshop.Style, Today: r.Today(), MayFill: r.May(access.Receive)}
	return r.Render(http.StatusOK, r.Page("Tubs", "materials"), tubsPage(v))
}

type tubsView struct {
	Tubs    []store.Tub
	Pages   ui.Pages
	Style   measure.Style
	Today   day.Day
	MayFill bool
}

// pourRow is a lot that may be poured from, with what was typed beside it.
type pourRow struct {
	Lot, Amount string
	About       string // what it holds, until when, why it is not fit; empty for the row whose code is typed
	Typed       bool   // its code is typed
}

// pourView is the form that fills a tub anew or tops one up.
type pourView struct {
	Key              string
	Material         *store.Material // nil where that is not chosen yet
	Choices          []ui.Option     // materials to choose from, where it is not
	Tub              *store.LotPage  // the one that is topped up; nil for a new one
	Name, On         string
	Rows             []pourRow
	Really, Reason   string
	Figures          figures
	Fault            *fault.Fault
	Asked            bool
	materialWasTyped string
}

func (v pourView) title() string {
	if v.Tub != nil {
		return "Top up " + v.Tub.Tub
	}
	return "Fill a tub"
}

func (v pourView) action() string {
	if v.Tub != nil {
		return paths.TopUp(v.Tub.Code)
	}
	return paths.FillTub("")
}

func (v pourView) labels() map[string]string {
	labels := map[string]string{fieldTub: "Tub", fieldMaterial: "Material", fieldOn: "Filled", fieldFrom: "From", fieldReally: "Is it so?", fieldReason: "Reason"}
	for i, row := range v.Rows {
		labels[lotField(i)] = "Lot"
		labels[amountField(i)] = "From " + row.Lot
		if row.Typed {
			labels[amountField(i)] = "Amount"
		}
	}
	return labels
}

// lotsOf makes a row for each lot of the material that has something in it, and one for a lot to be typed.
func (a Area) lotsOf(r *ui.Request, v *pourView) error {
	list, err := a.Store.LotsFor(r.HTTP.Context(), r.Who.Workshop, v.Material.Code, r.Today())
	if err != nil {
		return err
	}
	for _, l := range list {
		if v.Tub == nil || l.ID != v.Tub.ID {
			v.Rows = append(v.Rows, pourRow{Lot: l.Code, About: aboutLot(l, v.Figures, r.Today())})
		}
	}
	v.Rows = append(v.Rows, pourRow{Typed: true})
	return nil
}

// aboutLot says beside a lot what one has to know before pouring from it.
func aboutLot(l store.LotChoice, f figures, today day.Day) string {
	words := "holds " + f.words(l.OnHand)
	if l.Tub != "" {
		words = "tub " + l.Tub + ", " + words
	}
	if l.ExpiresOn.IsZero() {
		words += ", no expiry stated"
	} else {
		words += ", expires " + f.Style.Day(l.ExpiresOn)
	}
	if l.RetestDue(today) {
		words += ", retest was due " + f.Style.Day(l.RetestOn)
	}
	if len(l.Unfit) > 0 {
		words += ". " + strings.Join(l.Unfit, " ")
	}
	return words
}

// NewTub asks of what, then shows the form that fills a tub.
func (a Area) NewTub(r *ui.Request) error {
	v := pourView{Key: ui.NewKey(), On: r.Today().String(), materialWasTyped: r.HTTP.URL.Query().Get("material")}
	if err := a.pourMaterial(r, &v); err != nil {
		return err
	}
	if v.Material != nil {
		if err := a.lotsOf(r, &v); err != nil {
			return err
		}
	}
	return r.Render(http.StatusOK, r.Page(v.title(), "materials"), pourPage(v))
}

func (a Area) pourMaterial(r *ui.Request, v *pourView) error {
	list, err := a.Store.Materials(r.HTTP.Context(), r.Who.Workshop)
	for i, m := range list {
		if m.Code == v.materialWasTyped && m.Tracked {
			v.Material, v.Figures = &list[i].Material, figuresOf(r, m.Material)
		}
		// What is counted by the piece is not poured together; who does so all the same starts from its page's address.
		if m.Tracked && m.Lots > 0 && m.Unit != "each" {
			v.Choices = append(v.Choices, ui.Option{Value: m.Code, Label: m.Name})
		}
	}
	return err
}

// FillTub stores a tub filled anew.
func (a Area) FillTub(r *ui.Request) error {
	f := r.Form()
	v := pourView{Key: f.Raw("entry_key"), Name: f.Raw(fieldTub), materialWasTyped: f.Raw(fieldMaterial)}
	if err := a.pourMaterial(r, &v); err != nil {
		return err
	}
	n := store.TubFill{Tub: f.Must(fieldTub, 80, "What is the tub called?"), Material: f.Must(fieldMaterial, 40, "Choose the material.")}
	var rows []int
	n.From, rows, n.On, n.Really = v.parse(r, f)
	err := f.Err()
	var entry store.Entry
	if err == nil {
		entry, err = r.Entry()
	}
	var code string
	if err == nil {
		code, err = a.Store.FillTub(r.HTTP.Context(), r.Who, entry, n)
	}
	if err == nil {
		return r.SeeOther(paths.Lot(code), "What stands in tub "+n.Tub+" is lot "+code+".")
	}
	return a.refusePouring(r, v, err, rows)
}

// TopUpForm shows the form that adds to a tub.
func (a Area) TopUpForm(r *ui.Request) error {
	v := pourView{Key: ui.NewKey(), On: r.Today().String()}
	if err := a.pourTub(r, &v); err != nil {
		return err
	}
	if err := a.lotsOf(r, &v); err != nil {
		return err
	}
	return r.Render(http.StatusOK, r.Page(v.title(), "materials"), pourPage(v))
}

// pourTub loads the tub; one that was washed, or a lot that stands in none, has no such form.
func (a Area) pourTub(r *ui.Request, v *pourView) error {
	lot, err := a.tub(r)
	v.Tub, v.Material, v.Figures = &lot, &lot.Material, figuresOf(r, lot.Material)
	return err
}

func (a Area) tub(r *ui.Request) (store.LotPage, error) {
	lot, err := a.Store.Lot(r.HTTP.Context(), r.Who.Workshop, code(r))
	if err == nil && lot.Tub == "" {
		err = fault.New(fault.NotFound, fmt.Sprintf("Lot %q stands in no tub.", lot.Code))
	}
	return lot, err
}

// TopUp stores what was added to a tub.
func (a Area) TopUp(r *ui.Request) error {
	f := r.Form()
	v := pourView{Key: f.Raw("entry_key")}
	if err := a.pourTub(r, &v); err != nil {
		return err
	}
	n := store.TopUp{Lot: v.Tub.Code}
	var rows []int
	n.From, rows, n.On, n.Really = v.parse(r, f)
	err := f.Err()
	var entry store.Entry
	if err == nil {
		entry, err = r.Entry()
	}
	if err == nil {
		err = a.Store.TopUpTub(r.HTTP.Context(), r.Who, entry, n)
	}
	if err == nil {
		return r.SeeOther(paths.Lot(v.Tub.Code), "Tub "+v.Tub.Tub+" is topped up. It stays lot "+v.Tub.Code+".")
	}
	return a.refusePouring(r, v, err, rows)
}

// parse reads what both forms have: rows tells for each draw in which row it stands.
func (v *pourView) parse(r *ui.Request, f *ui.Form) (from []store.TubDraw, rows []int, on day.Day, really store.Really) {
	v.On, v.Really, v.Reason = f.Raw(fieldOn), f.Raw(fieldReally), f.Raw(fieldReason)
	for i := 0; f.All(lotField(i)) != nil && i < 500; i++ {
		row := pourRow{Lot: f.Raw(lotField(i)), Amount: f.Raw(amountField(i)), Typed: f.All(lotField(i+1)) == nil}
		v.Rows = append(v.Rows, row)
		lot := f.Text(lotField(i), 40)
		switch {
		case strings.TrimSpace(row.Amount) == "" && (lot == "" || !row.Typed):
			continue
		case lot == "":
			f.Add(lotField(i), "From which lot?")
		}
		from = append(from, store.TubDraw{Lot: lot, Quantity: v.Figures.typed(f.Positive(amountField(i), "How much of it?"))})
		rows = append(rows, i)
	}
	if len(from) == 0 {
		f.Add(fieldFrom, "Write beside each lot how much of it went in.")
	}
	return from, rows, f.Day(fieldOn, "When was it filled?"), store.Really{Yes: v.Really == "yes", Reason: f.Text(fieldReason, 1000)}
}

// refusePouring shows the form again. A fault of the store names draws: it is shown in their rows, and a lot that was not
// typed has only one box.
func (a Area) refusePouring(r *ui.Request, v pourView, err error, rows []int) error {
	names := map[string]string{}
	for draw := len(rows) - 1; draw >= 0; draw-- {
		at := rows[draw]
		names[amountField(draw)], names[lotField(draw)] = amountField(at), lotField(at)
		if !v.Rows[at].Typed {
			names[lotField(draw)] = amountField(at)
		}
	}
	if fromStore(err) {
		err = beside(err, names)
	}
	if v.Material != nil {
		fresh := pourView{Material: v.Material, Tub: v.Tub, Figures: v.Figures}
		if loadErr := a.lotsOf(r, &fresh); loadErr != nil {
			return loadErr
		}
		v.describe(fresh.Rows)
	}
	return r.Refuse(err, r.Page(v.title(), "materials"), func(wrong *fault.Fault) templ.Component {
		v.Fault = wrong
		v.Asked = wrong.Of(fieldReally) != "" || v.Really != ""
		return pourPage(v)
	})
}

// fromStore tells a fault that the store wrapped from one that the form gathered.
func fromStore(err error) bool {
	_, plain := err.(*fault.Fault)
	return !plain
}

// describe puts beside posted rows what the book says of their lots now, and adds what the page did not have.
func (v *pourView) describe(now []pourRow) {
	about := map[string]string{}
	for _, row := range now {
		about[row.Lot] = row.About
	}
	for i, row := range v.Rows {
		if !row.Typed {
			v.Rows[i].About = about[row.Lot]
		}
	}
	if len(v.Rows) == 0 {
		v.Rows = now
	}
}

// EmptyForm asks what became of the rest, then notes that a tub was emptied and washed.
func (a Area) EmptyForm(r *ui.Request) error {
	lot, err := a.tub(r)
	if err != nil {
		return err
	}
	v := emptyView{Key: ui.NewKey(), Lot: lot, Figures: figuresOf(r, lot.Material), On: r.Today().String(), Washed: true}
	return r.Render(http.StatusOK, r.Page("Empty "+lot.Tub, "materials"), emptyPage(v))
}

type emptyView struct {
	Key            string
	Lot            store.LotPage
	Figures        figures
	On, Rest, Note string
	Washed         bool
	Fault          *fault.Fault
}

// Empty stores it.
func (a Area) Empty(r *ui.Request) error {
	lot, err := a.tub(r)
	if err != nil {
		return err
	}
	f := r.Form()
	v := emptyView{Key: f.Raw("entry_key"), Lot: lot, Figures: figuresOf(r, lot.Material), On: f.Raw(fieldOn), Rest: f.Raw(fieldRest), Note: f.Raw(fieldNote), Washed: f.On(fieldWashed)}
	e := store.TubEmptied{Lot: lot.Code, On: f.Day(fieldOn, "When was that?"), Washed: v.Washed, Rest: v.Rest, Note: f.Text(fieldNote, 500)}
	if seen, err := decimal.NewFromString(f.Raw(fieldSeen)); err == nil {
		e.Seen = decimal.NewNullDecimal(seen)
	}
	err = f.Err()
	var entry store.Entry
	if err == nil {
		entry, err = r.Entry()
	}
	if err == nil {
		err = a.Store.EmptyTub(r.HTTP.Context(), r.Who, entry, e)
	}
	if err == nil {
		said := "Tub " + lot.Tub + " is empty. What is filled in before it is washed is still lot " + lot.Code + "."
		if v.Washed {
			said = "Tub " + lot.Tub + " is empty and washed: it can be filled anew."
		}
		return r.SeeOther(paths.Lot(lot.Code), said)
	}
	return r.Refuse(err, r.Page("Empty "+lot.Tub, "materials"), func(wrong *fault.Fault) templ.Component {
		v.Fault = wrong
		return emptyPage(v)
	})
}

// Reopen takes back that a tub was emptied.
func (a Area) Reopen(r *ui.Request) error {
	lot, err := a.tub(r)
	if err != nil {
		return err
	}
	f := r.Form()
	reason := f.Must(fieldReason, 500, "Say why: the old value is kept beside the new one.")
	err = f.Err()
	var entry store.Entry
	if err == nil {
		entry, err = r.Entry()
	}
	if err == nil {
		err = a.Store.ReopenTub(r.HTTP.Context(), r.Who, entry, lot.Code, reason)
	}
	if err == nil {
		return r.SeeOther(paths.Lot(lot.Code), "Lot "+lot.Code+" stands in tub "+lot.Tub+" still. Count it where something is in it.")
	}
	return r.Refuse(err, r.Page("Lot "+lot.Code, "materials"), func(wrong *fault.Fault) templ.Component {
		v := lotViewOf(r, lot)
		v.Fault, v.Reason, v.Reopening = wrong, f.Raw(fieldReason), true
		return lotPage(v)
	})
}

type fillingView struct {
	Key                    string
	Lot                    store.LotPage
	Filling                store.Filling
	Figures                figures
	Amount, Reason, Really string
	Fault                  *fault.Fault
}

// filling finds the entry that is to be corrected.
func (a Area) filling(r *ui.Request) (fillingView, error) {
	lot, err := a.tub(r)
	if err != nil {
		return fillingView{}, err
	}
	id, err := store.ParseID[store.FillingID](r.Param("id"))
	if err != nil {
		return fillingView{}, err
	}
	for _, f := range lot.FilledFrom {
		if f.ID == id && !mayCorrect(r, store.Entered{By: f.By, At: f.At}) {
			return fillingView{}, correctsOwnOnly()
		} else if f.ID == id {
			return fillingView{Key: ui.NewKey(), Lot: lot, Filling: f, Figures: figuresOf(r, lot.Material)}, nil
		}
	}
	return fillingView{}, fault.New(fault.NotFound, "That is not in the book of this tub.")
}

// EditFilling shows one pouring with its two ways to be put right.
func (a Area) EditFilling(r *ui.Request) error {
	v, err := a.filling(r)
	if err != nil {
		return err
	}
	v.Amount = v.Filling.Quantity.String()
	if v.Figures.Unit == "g" {
		v.Amount = v.Figures.Style.Figure(v.Filling.Quantity)
	}
	return r.Render(http.StatusOK, r.Page("Correct a filling of "+v.Lot.Code, "materials"), fillingPage(v))
}

// CorrectFilling stores the correction.
func (a Area) CorrectFilling(r *ui.Request) error {
	v, err := a.filling(r)
	if err != nil {
		return err
	}
	f := r.Form()
	v.Key, v.Amount, v.Reason, v.Really = f.Raw("entry_key"), f.Raw(fieldAmount), f.Raw(fieldReason), f.Raw(fieldReally)
	c := store.FillingCorrection{Lot: v.Lot.Code, ID: v.Filling.ID, Withdraw: f.On(fieldTake)}
	if !c.Withdraw {
		c.Quantity = v.Figures.typed(f.Positive(fieldAmount, "How much of it?"))
	}
	c.Reason = f.Must(fieldReason, 500, "Say why: the old value is kept beside the new one.")
	c.Really = store.Really{Yes: v.Really == "yes", Reason: c.Reason}
	err = f.Err()
	var entry store.Entry
	if err == nil {
		entry, err = r.Entry()
	}
	if err == nil {
		err = a.Store.CorrectFilling(r.HTTP.Context(), r.Who, entry, c)
	}
	if err == nil {
		return r.SeeOther(paths.Lot(v.Lot.Code), "Corrected. What was written before stands below, struck through.")
	}
	return r.Refuse(err, r.Page("Correct a filling of "+v.Lot.Code, "materials"), func(wrong *fault.Fault) templ.Component {
		v.Fault = wrong
		return fillingPage(v)
	})
}
