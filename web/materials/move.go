package materials

import (
	"net/http"

	"github.com/a-h/templ"
	"github.com/shopspring/decimal"

	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/quantity"
	"example.org/stillroom/internal/store"
	"example.org/stillroom/web/paths"
	"example.org/stillroom/web/ui"
)

// moveForm is what was typed in one of the two forms, kept as it was.
type moveForm struct{ Counted, CountedWhy, Away, AwayWhy string }

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
	return r.Render(http.StatusOK, r.Page("Count or write off "+lot.Code, "materials"), movePage(moveView{Lot: lot.Lot}))
}

// MoveLot books the count or the write-off.
func (a Area) MoveLot(r *ui.Request) error {
	f := r.Form()
	code := code(r)
	form := moveForm{f.Raw(fieldCounted), f.Raw(fieldCountedWhy), f.Raw(fieldAway), f.Raw(fieldAwayWhy)}
	var said string
	var err error
	switch f.OneOf(fieldWhat, "Say what is there, or what was thrown away.", "count", "away") {
	case "count":
		said, err = a.count(r, f, code)
	case "away":
		said, err = a.throwAway(r, f, code)
	default:
		err = f.Err()
	}
	if err == nil {
		return r.SeeOther(paths.Lot(code), said)
	}
	lot, loadErr := a.Store.Lot(r.HTTP.Context(), r.Who.Workshop, code)
	if loadErr != nil {
		return loadErr
	}
	return r.Refuse(err, r.Page("Count or write off "+code, "materials"), func(f *fault.Fault) templ.Component {
		return movePage(moveView{Lot: lot.Lot, Form: form, Fault: f})
	})
}

func (a Area) count(r *ui.Request, f *ui.Form, code string) (said string, err error) {
	c := store.LotCount{Lot: code, Counted: f.NonNegative(fieldCounted, "How much is there?"), Note: f.Text(fieldCountedWhy, 500)}
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
		return "Counted: " + quantity.Format(difference) + " more than the book said.", nil
	}
	return "Counted: " + quantity.Format(difference.Neg()) + " less than the book said.", nil
}

func (a Area) throwAway(r *ui.Request, f *ui.Form, code string) (said string, err error) {
	away := f.Positive(fieldAway, "How much was thrown away?")
	m := store.LotMove{Lot: code, Quantity: away.Neg(), Reason: "write_off", Note: f.Must(fieldAwayWhy, 500, "Say why.")}
	if err := f.Err(); err != nil {
		return "", err
	}
	entry, err := r.Entry()
	if err != nil {
		return "", err
	}
	err = a.Store.MoveLot(r.HTTP.Context(), r.Who, entry, m)
	return quantity.Format(away) + " written off.", beside(err, map[string]string{"quantity": fieldAway, "note": fieldAwayWhy})
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
