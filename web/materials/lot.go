package materials

import (
	"net/http"
	"slices"
	"strings"
	"time"

	"github.com/a-h/templ"

	"example.org/stillroom/internal/access"
	"example.org/stillroom/internal/day"
	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/measure"
	"example.org/stillroom/internal/quantity"
	"example.org/stillroom/internal/store"
	"example.org/stillroom/web/paths"
	"example.org/stillroom/web/ui"
)

// LotsToWatch lists the lots that somebody has to do something about.
func (a Area) LotsToWatch(r *ui.Request) error {
	list, next, err := a.Store.LotsToWatch(r.HTTP.Context(), r.Who.Workshop, r.Today().AddDays(r.Workshop.SoonDays), r.AfterKey(), ui.PageLength)
	if err != nil {
		return err
	}
	v := watchView{Groups: watched(list, r.Today()), Pages: r.Pages(next), SoonDays: r.Workshop.SoonDays, Today: r.Today(), MayReceive: r.May(access.Receive)}
	return r.Render(http.StatusOK, r.Page("Lots to watch", "materials"), watchPage(v))
}

type watchView struct {
	Groups     watchGroups
	Pages      ui.Pages
	SoonDays   int
	Today      day.Day
	MayReceive bool
}

// Lot shows one lot: what it is, what is left, where it went, what was changed.
func (a Area) Lot(r *ui.Request) error {
	lot, err := a.Store.LotAfter(r.HTTP.Context(), r.Who.Workshop, code(r), r.AfterKey())
	if err != nil {
		return err
	}
	v := lotViewOf(r, lot)
	v.Pages = r.Pages(lot.Next)
	return r.Render(http.StatusOK, r.Page("Lot "+lot.Code, "materials"), lotPage(v))
}

type lotView struct {
	store.LotPage
	Pages                                      ui.Pages
	Clock                                      ui.Clock
	Today                                      day.Day
	MayRelease, MayReject, MayMove, MayCorrect bool
	MayCorrectAny                              bool
	Figures                                    figures
	Fault                                      *fault.Fault
	Reason                                     string
	Reopening                                  bool // the fault is of the form that takes back that a tub was emptied
	fix                                        func(store.Entered) bool
}

// mayFix tells whether an entry may be corrected by who looks at it.
func (v lotView) mayFix(by store.PersonID, at time.Time) bool {
	return v.fix(store.Entered{By: by, At: at})
}

// Two forms of the page ask why: only the one at fault has the field's own id, words and fault.
func (v lotView) reopenID() string {
	if v.Reopening {
		return ""
	}
	return "f-reopen-" + fieldReason
}

func (v lotView) reopenWhy() string {
	if v.Reopening {
		return v.Reason
	}
	return ""
}

func (v lotView) reopenError() string {
	if v.Reopening {
		return v.Fault.Of(fieldReason)
	}
	return ""
}

func (v lotView) statusID() string {
	if v.Reopening {
		return "f-status-" + fieldReason
	}
	return ""
}

func (v lotView) statusError() string {
	if v.Reopening {
		return ""
	}
	return v.Fault.Of(fieldReason)
}

func (v lotView) statusWhy() string {
	if v.Reopening {
		return ""
	}
	return v.Reason
}

// others are the further deliveries of the same supplier's lot.
func (v lotView) others() []store.Lot {
	return slices.DeleteFunc(slices.Clone(v.Deliveries), func(l store.Lot) bool { return l.ID == v.ID })
}

// blocked are the tubs that hold this lot and may not be used, with it or since.
func (v lotView) blocked() []store.Lot {
	return slices.DeleteFunc(slices.Clone(v.HeldIn), func(l store.Lot) bool { return l.Status != "rejected" && len(l.Holds) == 0 })
}

// waiting are the tubs that hold this lot and wait in quarantine.
func (v lotView) waiting() []store.Lot {
	return slices.DeleteFunc(slices.Clone(v.HeldIn), func(l store.Lot) bool { return l.Status != "quarantined" })
}

// unusable tells whether nothing of the lot may be used.
func (v lotView) unusable() bool { return v.Recalled || v.LotPage.Lot.Status == "rejected" }

func lotViewOf(r *ui.Request, lot store.LotPage) lotView {
	return lotView{LotPage: lot, Clock: r.Clock(), Today: r.Today(), MayRelease: r.May(access.ReleaseLot), MayReject: r.May(access.RejectLot),
		MayMove: r.May(access.Receive), MayCorrect: mayCorrect(r, lot.Entered), MayCorrectAny: r.May(access.CorrectAny), Figures: figuresOf(r, lot.Material),
		fix: func(e store.Entered) bool { return mayCorrect(r, e) }}
}

// SetStatus releases, rejects or re-admits a lot.
func (a Area) SetStatus(r *ui.Request) error {
	f := r.Form()
	code := code(r)
	status := f.OneOf(fieldStatus, "Choose what to do with the lot.", "released", "rejected", "quarantined")
	reason := f.Text(fieldReason, 500)
	err := f.Err()
	var entry store.Entry
	if err == nil {
		entry, err = r.Entry()
	}
	if err == nil {
		err = a.Store.SetLotStatus(r.HTTP.Context(), r.Who, entry, code, status, reason)
	}
	lot, loadErr := a.Store.Lot(r.HTTP.Context(), r.Who.Workshop, code)
	if loadErr != nil {
		return loadErr
	}
	if err == nil {
		return r.SeeOther(paths.Lot(code), statusSaid(lotViewOf(r, lot)))
	}
	return r.Refuse(err, r.Page("Lot "+code, "materials"), func(wrong *fault.Fault) templ.Component {
		v := lotViewOf(r, lot)
		v.Fault, v.Reason = wrong, f.Raw(fieldReason)
		return lotPage(v)
	})
}

// statusSaid says what became of a lot, and how many tubs there are to look at: they stand on its page.
func statusSaid(v lotView) string {
	said := "Lot " + v.Code + " is " + v.LotPage.Lot.Status + "."
	n := len(v.blocked()) + len(v.waiting())
	switch {
	case n == 0:
	case v.unusable():
		said += " So are the tubs that hold it: see below."
	default:
		said += " Look at the tubs that hold it: see below."
	}
	return said
}

// correctLotForm is what was typed, kept as it was.
type correctLotForm struct {
	Supplier, SupplierLot, Received, Expires, Retest, Quantity, Unit, UnitCost, DeliveryNote, Reason, Seen string
}

type correctLotView struct {
	Key       string
	Lot       store.Lot
	Form      correctLotForm
	Book      correctLotForm // what stands in the book
	Suppliers []ui.Option
	Fault     *fault.Fault
}

// writtenAs is the hint beside the quantity where the delivery was written in another unit.
func (v correctLotView) writtenAs() string {
	if v.Lot.Typed == "" {
		return ""
	}
	return "Written on the delivery as " + v.Lot.Typed + "."
}

// tub tells that nothing was received: the lot was filled from others, and its quantity is theirs.
func (v correctLotView) tub() bool { return v.Lot.Quantity.IsZero() }

func formOfLot(l store.LotPage, style measure.Style) correctLotForm {
	f := correctLotForm{Supplier: l.SupplierCode, SupplierLot: l.SupplierLot, Received: l.ReceivedOn.String(), Expires: l.ExpiresOn.String(), Retest: l.RetestOn.String(),
		Quantity: quantity.Plain(l.Quantity), Unit: l.Material.Unit, DeliveryNote: l.DeliveryNote, Seen: l.Entered.Seen}
	if l.Material.Unit == "g" {
		f.Quantity, f.Unit = style.Figure(l.Quantity), style.MassUnit()
	}
	if l.UnitCost.Valid {
		f.UnitCost = quantity.Plain(l.UnitCost.Decimal)
	}
	return f
}

// correctLotPageOf loads what a correction starts from.
func (a Area) correctLotPageOf(r *ui.Request) (correctLotView, error) {
	lot, err := a.Store.Lot(r.HTTP.Context(), r.Who.Workshop, code(r))
	if err != nil {
		return correctLotView{}, err
	}
	if !mayCorrect(r, lot.Entered) {
		return correctLotView{}, correctsOwnOnly()
	}
	v := correctLotView{Lot: lot.Lot, Book: formOfLot(lot, r.Workshop.Style)}
	v.Suppliers, err = a.suppliers(r)
	return v, err
}

// EditLot shows the form that corrects a lot's particulars.
func (a Area) EditLot(r *ui.Request) error {
	v, err := a.correctLotPageOf(r)
	if err != nil {
		return err
	}
	v.Key, v.Form = ui.NewKey(), v.Book
	return r.Render(http.StatusOK, r.Page("Correct lot "+v.Lot.Code, "materials"), correctLotPage(v))
}

// CorrectLot stores the correction.
func (a Area) CorrectLot(r *ui.Request) error {
	v, err := a.correctLotPageOf(r)
	if err != nil {
		return err
	}
	f := r.Form()
	v.Key = f.Raw("entry_key")
	v.Form = correctLotForm{Supplier: f.Raw(fieldSupplier), SupplierLot: f.Raw(fieldSupplierLot), Received: f.Raw(fieldReceived), Expires: f.Raw(fieldExpires),
		Retest: f.Raw(fieldRetest), Quantity: f.Raw(fieldQuantity), Unit: f.Raw(fieldUnit), UnitCost: f.Raw(fieldUnitCost), DeliveryNote: f.Raw(fieldDeliveryNote), Reason: f.Raw(fieldReason), Seen: v.Book.Seen}
	c := store.LotCorrection{
		Code: v.Lot.Code, Seen: f.Raw(fieldSeen),
		Supplier:     f.Text(fieldSupplier, 40),
		SupplierLot:  f.Text(fieldSupplierLot, 80),
		ReceivedOn:   f.Day(fieldReceived, "When did it come?"),
		ExpiresOn:    f.OptionalDay(fieldExpires),
		RetestOn:     f.OptionalDay(fieldRetest),
		UnitCost:     f.OptionalNumber(fieldUnitCost),
		DeliveryNote: f.Text(fieldDeliveryNote, 80),
	}
	if !v.tub() {
		c.Quantity, c.Unit = f.Positive(fieldQuantity, "How much came?"), f.Raw(fieldUnit)
		if strings.TrimSpace(v.Form.Quantity) == v.Book.Quantity && c.Unit == v.Book.Unit {
			c.Quantity, c.Unit = v.Lot.Quantity, v.Lot.Material.Unit // left as it was drawn, where an ounce was rounded
		}
	}
	reason := f.Must(fieldReason, 500, "Say why: the old value is kept beside the new one.")
	alsoOff(f, c.Check(v.Lot, r.Today()))
	err = f.Err()
	var entry store.Entry
	if err == nil {
		entry, err = r.Entry()
	}
	if err == nil {
		err = a.Store.CorrectLot(r.HTTP.Context(), r.Who, entry, c, reason)
	}
	if err == nil {
		return r.SeeOther(paths.Lot(v.Lot.Code), "Lot "+v.Lot.Code+" is corrected. The old values stand below, beside the new.")
	}
	return r.Refuse(err, r.Page("Correct lot "+v.Lot.Code, "materials"), func(f *fault.Fault) templ.Component {
		v.Fault = f
		return correctLotPage(v)
	})
}
