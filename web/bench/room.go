package bench

import (
	"net/http"
	"strings"

	"github.com/a-h/templ"
	"github.com/shopspring/decimal"

	"example.org/stillroom/internal/climate"
	"example.org/stillroom/internal/measure"
	"example.org/stillroom/internal/quantity"
	"example.org/stillroom/internal/store"
	"example.org/stillroom/web/ui"
)

// roomForm is temperature and humidity as typed; Logger is what the room's logger said when the form was drawn.
type roomForm struct{ Temperature, Humidity, Logger string }

// fromLogger starts the form with the logger's latest reading, where the place has one.
func (a Area) fromLogger(r *ui.Request, place string) (roomForm, error) {
	t, h, err := a.Store.RoomNow(r.HTTP.Context(), r.Who.Workshop, place, r.Now)
	if err != nil || !t.Valid || !h.Valid {
		return roomForm{}, err
	}
	form := roomForm{Temperature: r.Workshop.Style.TemperatureFigure(t.Decimal), Humidity: quantity.Plain(h.Decimal)}
	form.Logger = form.pair()
	if form.Temperature != quantity.Plain(t.Decimal) {
		form.Logger += " " + quantity.Plain(t.Decimal) // in °C: what is shown was rounded
	}
	return form, nil
}

func (f roomForm) pair() string { return f.Temperature + " " + f.Humidity }

// source tells whether the logger's reading went in as it was.
func (f roomForm) source() string {
	if f.Logger != "" && (f.Logger == f.pair() || strings.HasPrefix(f.Logger, f.pair()+" ")) {
		return "logger"
	}
	return "typed"
}

// drawn is the logger's temperature in °C where the form showed it rounded.
func (f roomForm) drawn() decimal.NullDecimal {
	exact, found := strings.CutPrefix(f.Logger, f.pair()+" ")
	c, err := quantity.Parse(exact)
	return decimal.NullDecimal{Decimal: c, Valid: found && err == nil}
}

func readRoom(f *ui.Form) roomForm {
	return roomForm{Temperature: strings.TrimSpace(f.Raw(fieldTemperature)), Humidity: strings.TrimSpace(f.Raw(fieldHumidity)), Logger: f.Raw(fieldLogger)}
}

// roomView is the screen of the room at making.
type roomView struct {
	screen
	Form roomForm
}

func (a Area) room(r *ui.Request, s screen) error {
	v := roomView{screen: s}
	if !s.Now.done() {
		var err error
		if v.Form, err = a.fromLogger(r, s.Batch.Place); err != nil {
			return err
		}
	}
	return s.show(r, http.StatusOK, "The room", roomPage(v))
}

func (a Area) recordRoom(r *ui.Request, s screen) error {
	err := a.noteRoom(r, s, "making")
	if err != nil {
		return s.refuse(r, err, "The room", func(s screen) templ.Component {
			s.Typed = typedOf(r, fieldTemperature, fieldHumidity, fieldLogger, fieldAt, fieldReason)
			return roomPage(roomView{s, readRoom(r.Form())})
		})
	}
	return a.goOn(r, s, "The room is noted.")
}

func (a Area) noteRoom(r *ui.Request, s screen, stage string) error {
	f := r.Form()
	form := readRoom(f)
	c := store.Climate{Stage: stage, TemperatureC: f.Degrees(fieldTemperature, form.drawn()), HumidityPct: f.OptionalNumber(fieldHumidity), Source: form.source(), TakenAt: s.happened(f), Really: really(f)}
	if c.TakenAt.IsZero() && stage == "making" && s.Batch.Late {
		c.TakenAt = s.Batch.MadeAt
	}
	// An empty box and one that cannot be read are told together.
	if form.Temperature == "" {
		f.Add(fieldTemperature, "And the temperature?")
	}
	if form.Humidity == "" {
		f.Add(fieldHumidity, "And the humidity?")
	}
	if err := f.Err(); err != nil {
		return err
	}
	entry, err := r.Entry()
	if err != nil {
		return err
	}
	return a.Store.NoteClimate(r.HTTP.Context(), who(r), entry, s.Batch.Code, c)
}

// window says the formula's limits of the room in words; empty where there are none.
func window(style measure.Style, l store.BatchLimits) string {
	var words []string
	if l.MinC.Valid || l.MaxC.Valid {
		words = append(words, store.Window(style, l.MinC, l.MaxC, "°C"))
	}
	if l.MinPct.Valid || l.MaxPct.Valid {
		words = append(words, store.Window(style, l.MinPct, l.MaxPct, "% humidity"))
	}
	return strings.Join(words, ", ")
}

// air is a reading with what it means: dew point and water in the air.
func air(style measure.Style, c store.ClimateNote) string {
	t, h := c.TemperatureC.InexactFloat64(), c.HumidityPct.InexactFloat64()
	words := style.Air(c.TemperatureC, c.HumidityPct)
	if dew, err := climate.DewPointC(t, h); err == nil {
		words += "; dew point " + one(style.Heat(dew)) + " " + style.TemperatureUnit()
	}
	if water, err := climate.AbsoluteHumidity(t, h); err == nil {
		words += ", " + one(water) + " g of water in 1 m³"
	}
	return words
}

// one writes a computed number with one place.
func one(f float64) string { return quantity.FormatFixed(decimal.NewFromFloat(f), 1) }

// notes are the current readings of a stage.
func notes(b store.BatchRecord, stage string) []store.ClimateNote {
	var list []store.ClimateNote
	for _, c := range b.Climate {
		if c.Stage == stage {
			list = append(list, c)
		}
	}
	return list
}

func outsideRoom(style measure.Style, l store.BatchLimits, c store.ClimateNote) []string {
	return l.Room().Outside(style, c.TemperatureC.InexactFloat64(), c.HumidityPct.InexactFloat64())
}
