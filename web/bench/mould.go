package bench

import (
	"net/http"
	"strings"
	"time"

	"github.com/a-h/templ"

	"example.org/stillroom/internal/climate"
	"example.org/stillroom/internal/cure"
	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/store"
	"example.org/stillroom/web/paths"
	"example.org/stillroom/web/ui"
)

func (s screen) bulk() bool { return s.Batch.Yields == "bulk" }

// checks are the tasks of controls in the same group as the one on the screen.
func (s screen) checks() []task {
	var list []task
	for _, t := range s.Tasks {
		if t.Kind == kindControl && t.Group == s.Now.Group {
			list = append(list, t)
		}
	}
	return list
}

// unfinished are the tasks before moulding that are not done.
func (s screen) unfinished() []task {
	var list []task
	for _, t := range s.Tasks {
		if t.ID == s.Now.ID {
			break
		}
		if t.State == stateOpen || t.State == statePart {
			list = append(list, t)
		}
	}
	return list
}

func (a Area) recordMould(r *ui.Request, s screen) error {
	f := r.Form()
	m := store.Moulding{Batch: s.Batch.Code, At: s.happened(f), Really: really(f)}
	if !s.bulk() {
		m.Units, m.MassG = f.Whole(fieldUnits, "How many units? At least one."), f.OptionalMass(fieldMass)
		if m.Units == 0 {
			f.Add(fieldUnits, "How many units? At least one.")
		}
	}
	err := f.Err()
	var entry store.Entry
	if err == nil {
		entry, err = r.Entry()
	}
	if err == nil {
		err = a.Store.Mould(r.HTTP.Context(), who(r), entry, m)
	}
	if err != nil {
		return s.refuse(r, err, s.Now.Name, func(s screen) templ.Component {
			s.Typed = typedOf(r, fieldUnits, fieldMass, fieldAt, fieldReason)
			return mouldPage(s)
		})
	}
	saved := "The making is ended."
	if !s.bulk() {
		saved = unitsOf(m.Units) + " moulded."
	}
	return a.goOn(r, s, saved)
}

func cureEndTitle(s screen) string { return "End of " + lower(cureGroup(s.Batch)) }

func lower(word string) string { return string(word[0]|0x20) + word[1:] }

func (a Area) recordCureEnd(r *ui.Request, s screen) error {
	f := r.Form()
	at := s.happened(f)
	answer := really(f)
	err := f.Err()
	var entry store.Entry
	if err == nil {
		entry, err = r.Entry()
	}
	if err == nil {
		err = a.Store.EndCure(r.HTTP.Context(), who(r), entry, s.Batch.Code, at, answer)
	}
	if err != nil {
		return s.refuse(r, err, cureEndTitle(s), func(s screen) templ.Component {
			s.Typed = typedOf(r, fieldAt, fieldReason)
			return cureEndPage(s)
		})
	}
	return a.goOn(r, s, cureGroup(s.Batch)+" ended.")
}

// due is when the cure has run its least time.
func (s screen) due() time.Time {
	if s.Batch.CureStartedAt == nil {
		return time.Time{}
	}
	return cure.Due(*s.Batch.CureStartedAt, cure.Rule{MinHours: s.Batch.CureHours})
}

// cureView is the screen of the cure: how the room was, and what the marked unit weighs.
type cureView struct {
	screen
	Room  roomForm
	Air   climate.Summary
	Chart *chart
	Which string // of the two forms that was sent: "room" or "unit"
}

// worst says what was off at the worst moment of the cure; empty where nothing was.
func (v cureView) worst() string {
	if v.Air.Worst == nil {
		return ""
	}
	return strings.Join(v.Batch.Limits.Room().Outside(v.Style, v.Air.Worst.TempC, v.Air.Worst.HumidityPct), "; ")
}

func (a Area) cure(r *ui.Request, s screen) error {
	v, err := a.cureView(r, s)
	if err != nil {
		return err
	}
	return s.show(r, http.StatusOK, s.Now.Name, curePage(v))
}

func (a Area) cureView(r *ui.Request, s screen) (cureView, error) {
	v := cureView{screen: s}
	if s.Batch.CureStartedAt == nil {
		return v, nil
	}
	from, to := *s.Batch.CureStartedAt, r.Now
	if s.Batch.CureEndedAt != nil {
		to = *s.Batch.CureEndedAt
	}
	var list []climate.Reading
	var err error
	if s.Batch.Place != "" {
		if list, err = a.Store.RoomReadings(r.HTTP.Context(), r.Who.Workshop, s.Batch.Place, from, to); err != nil {
			return v, err
		}
		if v.Room, err = a.fromLogger(r, s.Batch.Place); err != nil {
			return v, err
		}
	}
	for _, c := range notes(s.Batch, "cure") {
		if !c.Replaced {
			list = append(list, climate.Reading{At: c.TakenAt, TempC: c.TemperatureC.InexactFloat64(), HumidityPct: c.HumidityPct.InexactFloat64()})
		}
	}
	v.Air = climate.Over(list, from, to, s.Batch.Limits.Room())
	v.Chart = chartOf(s.Batch, s.Clock)
	return v, nil
}

func (a Area) cureScreen(r *ui.Request) (screen, error) {
	s, err := a.screen(r, r.Param("code"))
	if err != nil {
		return s, err
	}
	var ok bool
	if s.Now, s.N, ok = taskByID(s.Tasks, string(kindCure)); !ok {
		return s, fault.New(fault.NotFound, "Nothing cures in this batch.")
	}
	return s, nil
}

// CureRoom notes the room during the cure.
func (a Area) CureRoom(r *ui.Request) error {
	s, err := a.cureScreen(r)
	if err != nil {
		return err
	}
	if err := a.noteRoom(r, s, "cure"); err != nil {
		return a.refuseCure(r, s, err, "room")
	}
	return r.SeeOther(paths.BenchTask(s.Batch.Code, s.Now.ID), "The room is noted.")
}

// CureUnit weighs the marked unit.
func (a Area) CureUnit(r *ui.Request) error {
	s, err := a.cureScreen(r)
	if err != nil {
		return err
	}
	f := r.Form()
	grams, at := f.Mass(fieldGrams, "What does the marked unit weigh?"), s.happened(f)
	err = f.Err()
	var entry store.Entry
	if err == nil {
		entry, err = r.Entry()
	}
	if err == nil {
		err = a.Store.WeighCure(r.HTTP.Context(), who(r), entry, s.Batch.Code, grams, at)
	}
	if err != nil {
		return a.refuseCure(r, s, err, "unit")
	}
	return r.SeeOther(paths.BenchTask(s.Batch.Code, s.Now.ID), "Recorded: the marked unit "+s.Num.mass(grams)+".")
}

func (a Area) refuseCure(r *ui.Request, s screen, err error, which string) error {
	v, loadErr := a.cureView(r, s)
	if loadErr != nil {
		return loadErr
	}
	return s.refuse(r, err, s.Now.Name, func(s screen) templ.Component {
		s.Typed = typedOf(r, fieldTemperature, fieldHumidity, fieldLogger, fieldGrams, fieldAt, fieldReason)
		v.screen, v.Which = s, which
		if which == "room" {
			v.Room = readRoom(r.Form())
		}
		return curePage(v)
	})
}

// formOf gives each of the two forms of the page a key of its own; the one that was sent keeps its key.
func (v cureView) formOf(which string) screen {
	s := v.screen
	if v.Which != "" && v.Which != which {
		s.Key, s.Fault, s.Typed = ui.NewKey(), nil, nil
	}
	if v.Which == "" && which == "unit" {
		s.Key = ui.NewKey()
	}
	return s
}

// over says how the cure stands, in one line.
func (v cureView) over() string {
	switch due := v.due(); {
	case v.Batch.CureEndedAt != nil:
		return "Ended " + v.Clock.Short(*v.Batch.CureEndedAt)
	case due.After(v.Time):
		return "Ready " + v.Clock.Time(due)
	default:
		return "Ready since " + v.Clock.Time(due)
	}
}

func mouldButton(s screen) string {
	if s.bulk() {
		return "The making is ended"
	}
	return "Record the units"
}

func keepWords(s screen) string {
	if s.bulk() {
		return "End it without"
	}
	return "Go on without"
}
