package bench

import (
	"net/http"
	"strings"

	"github.com/a-h/templ"
	"github.com/shopspring/decimal"

	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/measure"
	"example.org/stillroom/internal/quantity"
	"example.org/stillroom/internal/store"
	"example.org/stillroom/web/paths"
	"example.org/stillroom/web/ui"
)

func (s screen) step() store.BatchStep { return s.Batch.Steps[s.Now.Index] }

func stepTitle(s screen) string { return short(s.step().Text) }

func (a Area) recordStep(r *ui.Request, s screen) error {
	f := r.Form()
	note, at := f.Text(fieldNote, 1000), s.happened(f)
	err := f.Err()
	var entry store.Entry
	if err == nil {
		entry, err = r.Entry()
	}
	if err == nil {
		err = a.Store.TickStep(r.HTTP.Context(), who(r), entry, s.Batch.Code, s.step().ID, note, at)
	}
	if err != nil {
		return s.refuse(r, err, stepTitle(s), func(s screen) templ.Component {
			s.Typed = typedOf(r, fieldNote, fieldAt)
			return stepPage(s)
		})
	}
	return a.goOn(r, s, "Ticked: "+stepTitle(s))
}

func (s screen) control() store.BatchControl { return s.Batch.Controls[s.Now.Index] }

func controlTitle(s screen) string { return "Check " + s.control().Name }

func (a Area) recordControl(r *ui.Request, s screen) error {
	f := r.Form()
	control := store.Readings{Batch: s.Batch.Code, Control: s.control().ID, Values: readings(f, s.control().Unit), At: s.happened(f), Really: really(f)}
	err := f.Err()
	var entry store.Entry
	if err == nil {
		entry, err = r.Entry()
	}
	if err == nil {
		err = a.Store.ReadControl(r.HTTP.Context(), who(r), entry, control)
	}
	if err != nil {
		return s.refuse(r, err, controlTitle(s), func(s screen) templ.Component {
			s.Typed = typedOf(r, fieldValues, fieldAt, fieldReason)
			return controlPage(s)
		})
	}
	saved := "Recorded: " + s.control().Name + " " + written(s.Style, control.Values, s.control().Unit) + "."
	if have := len(s.control().Current()) + len(control.Values); have < s.control().Asked {
		return r.SeeOther(paths.BenchTask(s.Batch.Code, s.Now.ID), saved)
	}
	return a.goOn(r, s, saved)
}

func written(style measure.Style, values []decimal.Decimal, unit string) string {
	if len(values) == 1 {
		return style.Value(values[0], unit)
	}
	return quantity.Format(decimal.NewFromInt(int64(len(values)))) + " readings"
}

// readings reads one number a line, kept in a unit; every line that is none is named at once.
func readings(f *ui.Form, unit string) []decimal.Decimal {
	var values []decimal.Decimal
	var off []string
	lines := strings.Split(f.Raw(fieldValues), "\n")
	for i, line := range lines {
		if line = strings.TrimSpace(line); line == "" {
			continue
		}
		v, err := quantity.Parse(line)
		if err != nil {
			words := err.Error()
			if len(lines) > 1 {
				words = "Line " + quantity.Plain(decimal.NewFromInt(int64(i+1))) + ": " + words
			}
			off = append(off, words)
			continue
		}
		values = append(values, f.Style().From(v, unit))
	}
	switch {
	case len(off) > 3:
		f.Add(fieldValues, strings.Join(off[:3], " ")+" And more of the kind.")
	case len(off) > 0:
		f.Add(fieldValues, strings.Join(off, " "))
	case len(values) == 0:
		f.Add(fieldValues, "What does it read?")
	case len(values) > 500:
		f.Add(fieldValues, "At most 500 readings at once.")
	}
	return values
}

// several tells whether more than one reading was typed at once.
func (s screen) several() bool {
	return strings.Contains(strings.TrimSpace(s.Typed[fieldValues]), "\n")
}

// Two forms of the page hold the same field: the one that was sent has the field's own id, with its words beside it.
func oneID(s screen) string {
	if s.several() {
		return "f-values-one"
	}
	return ""
}

func manyID(s screen) string {
	if s.several() {
		return ""
	}
	return "f-values-many"
}

func oneValue(s screen) string {
	if s.several() {
		return ""
	}
	return s.Typed[fieldValues]
}

func manyValue(s screen) string {
	if s.several() {
		return s.Typed[fieldValues]
	}
	return ""
}

func oneError(s screen) string {
	if s.several() {
		return ""
	}
	return s.Fault.Of(fieldValues)
}

func manyError(s screen) string {
	if s.several() {
		return s.Fault.Of(fieldValues)
	}
	return ""
}

// Kinds of entry that are taken back whole, as they stand in the URL.
const (
	entrySteps     = "steps"
	entryReadings  = "readings"
	entryRoom      = "room"
	entryWeighings = "weighings"
	entryGear      = "equipment"
)

// withdrawView is the page on which an entry is taken back.
type withdrawView struct {
	screen
	What string // the entry in words
	Made store.Made
	Gone bool
	kind string
	id   [16]byte
}

func (v withdrawView) action() string {
	return paths.WithdrawEntry(v.Batch.Code, v.kind, store.Text(store.ReadingID(v.id)))
}

// back is where the entry was made.
func (v withdrawView) back() string {
	if v.Now.ID == "" {
		return paths.Bench(v.Batch.Code)
	}
	return paths.BenchTask(v.Batch.Code, v.Now.ID)
}

func (v withdrawView) why() string {
	if reason, ok := v.Typed[fieldReason]; ok {
		return reason
	}
	if v.mine(v.Made) {
		return misTap
	}
	return ""
}

// entry finds an entry of a kind in the record.
func (a Area) entry(r *ui.Request) (withdrawView, error) {
	s, err := a.screen(r, r.Param("code"))
	if err != nil {
		return withdrawView{}, err
	}
	id, err := store.ParseID[[16]byte](r.Param("id"))
	if err != nil {
		return withdrawView{}, err
	}
	v := withdrawView{screen: s, kind: r.Param("kind"), id: id}
	if !v.find() {
		return v, fault.New(fault.NotFound, "That is not in the book of this batch.")
	}
	return v, nil
}

func (v *withdrawView) find() bool {
	switch v.kind {
	case entrySteps:
		for i, s := range v.Batch.Steps {
			ticks := s.Undone
			if s.Tick != nil {
				ticks = append(ticks[:len(ticks):len(ticks)], *s.Tick)
			}
			for n, t := range ticks {
				if t.ID == v.id {
					return v.found(kindStep, i, "the tick of “"+short(s.Text)+"”", t.Made, n < len(s.Undone))
				}
			}
		}
	case entryReadings:
		for i, c := range v.Batch.Controls {
			for _, read := range c.Readings {
				if read.ID == v.id {
					return v.found(kindControl, i, c.Name+" "+written(v.Style, []decimal.Decimal{read.Value}, c.Unit), read.Made, read.Replaced)
				}
			}
		}
	case entryRoom:
		for _, c := range v.Batch.Climate {
			if c.ID == v.id {
				at := kindRoom
				if c.Stage == "cure" {
					at = kindCure
				}
				return v.found(at, 0, "the room at "+v.Style.Degrees(c.TemperatureC)+" and "+quantity.Format(c.HumidityPct)+" %", c.Made, c.Replaced)
			}
		}
	case entryGear:
		for _, u := range v.Batch.Equipment {
			if u.ID == v.id {
				return v.found(gearOf(u.Kind), 0, u.Name+" ("+u.Equipment+")", u.Made, u.Replaced)
			}
		}
	case entryWeighings:
		for _, w := range v.Batch.Weighings {
			if w.ID == v.id {
				return v.found(kindCure, 0, "the marked unit at "+v.Style.Grams(w.Grams), w.Made, w.Replaced)
			}
		}
	}
	return false
}

func (v *withdrawView) found(k kind, index int, what string, made store.Made, gone bool) bool {
	v.What, v.Made, v.Gone = what, made, gone
	for n, t := range v.Tasks {
		if t.Kind == k && t.Index == index {
			v.Now, v.N = t, n+1
		}
	}
	return true
}

// Withdraw shows an entry and asks why it is taken back.
func (a Area) Withdraw(r *ui.Request) error {
	v, err := a.entry(r)
	if err != nil {
		return err
	}
	return v.show(r, http.StatusOK, "Take it back", withdrawPage(v))
}

// TakeBack does it: the entry stays in the record, struck through.
func (a Area) TakeBack(r *ui.Request) error {
	v, err := a.entry(r)
	if err != nil {
		return err
	}
	f := r.Form()
	reason := f.Must(fieldReason, 1000, "Say why: the old value is kept.")
	err = f.Err()
	var entry store.Entry
	if err == nil {
		entry, err = r.Entry()
	}
	if err == nil {
		ctx, person, code := r.HTTP.Context(), who(r), v.Batch.Code
		switch v.kind {
		case entrySteps:
			err = a.Store.UndoTick(ctx, person, entry, code, v.id, reason)
		case entryReadings:
			err = a.Store.WithdrawReading(ctx, person, entry, code, v.id, reason)
		case entryRoom:
			err = a.Store.WithdrawClimate(ctx, person, entry, code, v.id, reason)
		case entryGear:
			err = a.Store.WithdrawEquipment(ctx, person, entry, code, v.id, reason)
		case entryWeighings:
			err = a.Store.WithdrawCureWeighing(ctx, person, entry, code, v.id, reason)
		}
	}
	if err != nil && !fault.Is(err, fault.NotFound) {
		return v.refuse(r, err, "Take it back", func(s screen) templ.Component {
			s.Typed = typed{fieldReason: f.Raw(fieldReason)}
			v.screen = s
			return withdrawPage(v)
		})
	}
	if err != nil {
		return err
	}
	return r.SeeOther(v.back(), "Taken back: "+v.What+".")
}
