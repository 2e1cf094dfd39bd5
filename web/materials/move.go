package materials

import (
	"net/http"

	"github.com/a-h/templ"
	"github.com/shopspring/decimal"

	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/measure"
	"example.org/stillroom/internal/store"
	"example.org/stillroom/web/paths"
	"example.org/stillroom/web/ui"
)

// moveForm is what was typed in one of the two forms, kept as it was.
type moveForm struct{ Counted, CountedUnit, CountedWhy, Away, AwayUnit, AwayWhy string }

type moveView struct {
	Lot   store.Lot
	Form  moveForm
	Fault *fault.Fault
}

// CountLot shows what the book holds of a lot, with two ways to set it right: what is there, or what was thrown away.
func (a Area) CountLot(r *ui.Request) error {
	lot, err := a.Store.Lot(r.HTTP.Context(), r.Who.Workshop, code(r))
	if err != nil {
		return err
	}
	own := figuresOf(r, lot.Material).beside()
	v := moveView{Lot: lot.Lot, Form: moveForm{CountedUnit: own, AwayUnit: own}}
	return r.Render(http.StatusOK, r.Page("Count or write off "+lot.Code, "materials"), movePage(v))
}

// MoveLot books the count or the write-off.
func (a Area) MoveLot(r *ui.Request) error {
	f := r.Form()
	lot, err := a.Store.Lot(r.HTTP.Context(), r.Who.Workshop, code(r))
	if err != nil {
		return err
	}
	form := moveForm{f.Raw(fieldCounted), f.Raw(fieldCountedUnit), f.Raw(fieldCountedWhy), f.Raw(fieldAway), f.Raw(fieldAwayUnit), f.Raw(fieldAwayWhy)}
	var said string
	switch f.OneOf(fieldWhat, "Say what is there, or what was thrown away.", "count", "away") {
	case "count":
		said, err = a.count(r, f, lot.Lot)
	case "away":
		said, err = a.throwAway(r, f, lot.Lot)
	default:
		err = f.Err()
	}
	if err == nil {
		return r.SeeOther(paths.Lot(lot.Code), said)
	}
	return r.Refuse(err, r.Page("Count or write off "+lot.Code, "materials"), func(f *fault.Fault) templ.Component {
		return movePage(moveView{Lot: lot.Lot, Form: form, Fault: f})
	})
}

// inUnit is an amount in the material's unit, and how it was written where that is another one. A unit that cannot be
// converted is told beside its field.
func inUnit(f *ui.Form, amount decimal.Decimal, field string, m store.Material) (kept decimal.Decimal, typed string) {
	unit := f.Raw(field)
	kept, err := measure.Intake(amount, unit, m.Unit, m.Density)
	if wrong := fault.As(err); wrong != nil {
		f.Add(field, wrong.Message)
	}
	if unit != "" && unit != m.Unit {
		typed = measure.IntakeWords(amount, unit)
	}
	return kept, typed
}

func (a Area) count(r *ui.Request, f *ui.Form, lot store.Lot) (said string, err error) {
	c := store.LotCount{Lot: lot.Code, Note: f.Text(fieldCountedWhy, 500)}
	c.Counted, c.Typed = inUnit(f, f.NonNegative(fieldCounted, "How much is there?"), fieldCountedUnit, lot.Material)
	// The page says what the book held when it was drawn; what does not say so is no page of ours and is not compared.
	if seen, err := decimal.NewFromString(f.Raw(fieldSeen)); err == nil {
		c.Seen = decimal.NewNullDecimal(seen)
	}
	if err := f.Err(); err != nil {
		return "", err
	}
	entry, err := r.Entry()
	if err != nil {
		return "", err
	}
	difference, err := a.Store.CountLot(r.HTTP.Context(), r.Who, entry, c)
	switch {
	case err != nil:
		return "", beside(err, map[string]string{"note": fieldCountedWhy})
	case difference.IsZero():
		return "The count agrees with the book; nothing had to be changed.", nil
	case difference.IsPositive():
		return "Counted: " + amount(r.Workshop.Style, difference, lot.Material.Unit) + " more than the book said.", nil
	}
	return "Counted: " + amount(r.Workshop.Style, difference.Neg(), lot.Material.Unit) + " less than the book said.", nil
}

func (a Area) throwAway(r *ui.Request, f *ui.Form, lot store.Lot) (said string, err error) {
	away, typed := inUnit(f, f.Positive(fieldAway, "How much was thrown away?"), fieldAwayUnit, lot.Material)
	m := store.LotMove{Lot: lot.Code, Quantity: away.Neg(), Reason: "write_off", Note: f.Must(fieldAwayWhy, 500, "Say why.")}
	if err := f.Err(); err != nil {
		return "", err
	}
	if typed != "" {
		m.Note = typed + ": " + m.Note
	}
	entry, err := r.Entry()
	if err != nil {
		return "", err
	}
	err = a.Store.MoveLot(r.HTTP.Context(), r.Who, entry, m)
	return amount(r.Workshop.Style, away, lot.Material.Unit) + " written off.", beside(err, map[string]string{"quantity": fieldAway, "note": fieldAwayWhy})
}

// beside moves a fault's messages to the fields of this form.
func beside(err error, names map[string]string) error {
	f := fault.As(err)
	if f == nil {
		return err
	}
	moved := *f
	moved.Fields = nil
	for _, field := range f.Fields {
		if name, known := names[field.Name]; known {
			field.Name = name
		}
		moved.Fields = append(moved.Fields, field)
	}
	return &moved
}
