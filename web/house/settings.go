package house

import (
	"fmt"
	"io"
	"net/http"
	"strconv"
	"strings"
	"time"

	"github.com/a-h/templ"
	"github.com/shopspring/decimal"

	"example.org/stillroom/internal/batchcode"
	"example.org/stillroom/internal/day"
	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/measure"
	"example.org/stillroom/internal/store"
	"example.org/stillroom/web/paths"
	"example.org/stillroom/web/ui"
)

// settingsForm is what was typed, kept as it was.
type settingsForm struct{ Name, Zone, Pattern, SoonDays, Readability, MinLoad, Mass, Temperature, Date, Drill, Contact string }

type settingsView struct {
	Key, Seen string
	Form      settingsForm
	Unit      string // of a mass, as the page was drawn
	Styles    []ui.Option
	Preview   string
	Zones     []string
	Fault     *fault.Fault
}

// Settings shows how the workshop is set.
func (a Area) Settings(r *ui.Request) error {
	w := r.Workshop
	v := settingsView{
		Key: ui.NewKey(), Seen: w.Stamp(), Unit: w.Style.MassUnit(), Styles: dateStyles(r.Today()), Zones: zones, Preview: preview(w.CodePattern, r.Today()),
		Form: settingsForm{Name: w.Name, Zone: w.Zone, Pattern: w.CodePattern, SoonDays: strconv.Itoa(w.SoonDays), Readability: w.Style.Figure(w.ReadabilityG), MinLoad: w.Style.Figure(w.MinLoadG), Mass: w.Style.Mass, Temperature: w.Style.Temperature, Date: w.Style.Date, Contact: w.Contact},
	}
	if w.DrillMinutes > 0 {
		v.Form.Drill = strconv.Itoa(w.DrillMinutes)
	}
	return r.Render(http.StatusOK, r.Page("Settings", "settings"), settingsPage(v))
}

// SetSettings keeps the settings; with the Show button it keeps nothing and shows what the pattern would make.
func (a Area) SetSettings(r *ui.Request) error {
	form, w, err := parseSettings(r)
	v := settingsView{Key: r.Form().Raw("entry_key"), Seen: r.Form().Raw(fieldSeen), Unit: r.Workshop.Style.MassUnit(), Styles: dateStyles(r.Today()), Form: form, Zones: zones, Preview: preview(w.CodePattern, r.Today())}
	if r.Form().Raw(fieldShow) != "" {
		return r.Render(http.StatusOK, r.Page("Settings", "settings"), settingsPage(v))
	}
	var entry store.Entry
	if err == nil {
		entry, err = r.Entry()
	}
	if err == nil {
		err = a.Store.SetWorkshop(r.HTTP.Context(), r.Who, entry, w, v.Seen)
	}
	if err == nil {
		r.Log("settings changed", "by", store.Text(r.Who.Person))
		return r.SeeOther(paths.Settings(), "The settings are saved.")
	}
	return r.Refuse(err, r.Page("Settings", "settings"), func(f *fault.Fault) templ.Component {
		// Sent again after a conflict it is meant.
		v.Fault, v.Seen = f, r.Workshop.Stamp()
		return settingsPage(v)
	})
}

func parseSettings(r *ui.Request) (settingsForm, store.Workshop, error) {
	f := r.Form()
	form := settingsForm{Name: f.Raw(fieldName), Zone: f.Raw(fieldZone), Pattern: f.Raw(fieldPattern), SoonDays: f.Raw(fieldSoonDays), Readability: f.Raw(fieldReadability), MinLoad: f.Raw(fieldMinLoad), Mass: f.Raw(fieldMass), Temperature: f.Raw(fieldTemperature), Date: f.Raw(fieldDate), Drill: f.Raw(fieldDrill), Contact: f.Raw(fieldContact)}
	w := r.Workshop
	w.Name = f.Must(fieldName, 200, "Write the workshop's name, up to 200 characters.")
	w.Zone = zoneNamed(form.Zone)
	if _, err := time.LoadLocation(w.Zone); err != nil || w.Zone == "" || w.Zone == "Local" {
		f.Add(fieldZone, "Choose the time zone that the workshop stands in, such as Europe/Dublin.")
	}
	w.CodePattern = f.Text(fieldPattern, 60)
	_, err := batchcode.ParsePattern(w.CodePattern)
	f.Check(fieldPattern, err)
	w.SoonDays = f.Whole(fieldSoonDays, "How many days ahead counts as soon?")
	if w.SoonDays < 1 || w.SoonDays > 730 {
		f.Add(fieldSoonDays, "Between 1 and 730 days.")
	}
	// The scale's figures stand on the page in the units that it was drawn with, not in those that are chosen on it.
	w.ReadabilityG = settingMass(f, w, fieldReadability, w.ReadabilityG, f.Positive(fieldReadability, "What is the smallest step of the scale?"))
	w.MinLoadG = settingMass(f, w, fieldMinLoad, w.MinLoadG, f.NonNegative(fieldMinLoad, "Write 0 where it is not stated."))
	w.Style = measure.Style{
		Mass:        f.OneOf(fieldMass, "Choose grams or ounces.", "g", "oz"),
		Temperature: f.OneOf(fieldTemperature, "Choose °C or °F.", "C", "F"),
		Date:        f.OneOf(fieldDate, "Choose how dates are written.", "dmy", "mdy", "iso"),
	}
	w.DrillMinutes = f.OptionalWhole(fieldDrill)
	if strings.TrimSpace(form.Drill) != "" && (w.DrillMinutes < 1 || w.DrillMinutes > 100000) {
		f.Add(fieldDrill, "Between 1 and 100,000 minutes, or nothing.")
	}
	w.Contact = f.Text(fieldContact, 1000)
	return form, w, f.Err()
}

// dateStyles shows each order with the day of today, which says more than its name.
func dateStyles(today day.Day) []ui.Option {
	var list []ui.Option
	for _, order := range []string{"dmy", "mdy", "iso"} {
		list = append(list, ui.Option{Value: order, Label: measure.Style{Date: order}.Day(today)})
	}
	return list
}

// settingMass is a mass of the form in g. One that was left as it was drawn stays exactly as it is: shown in ounces it
// was rounded, and saving the page for another reason must not change it.
func settingMass(f *ui.Form, w store.Workshop, name string, now, typed decimal.Decimal) decimal.Decimal {
	if strings.TrimSpace(f.Raw(name)) == w.Style.Figure(now) {
		return now
	}
	return w.Style.ToGrams(typed)
}

// longCode is more than can be read over the telephone without losing one's place (common practice, no source).
const longCode = 12

// preview says in a sentence what the pattern makes today, or what is off about it.
func preview(pattern string, today day.Day) string {
	p, err := batchcode.ParsePattern(pattern)
	if err != nil {
		return err.Error()
	}
	const letters = "OB"
	code, err := p.Code(letters, today, 1)
	if err != nil {
		return err.Error()
	}
	words := fmt.Sprintf("Today's first batch of %s would be %s, %d characters; its second packing %s", letters, code, len(code), batchcode.PackingCode(code, 2, p.HasCheck()))
	if len(code) > longCode {
		words += fmt.Sprintf("; long to read over the telephone, where %d do well", longCode)
	}
	if !p.HasCheck() {
		words += "; without a check character a mistyped code cannot be told from a strange one"
	}
	return words + "."
}

// PatternPreview answers the same sentence as text, for the page's module.
func (a Area) PatternPreview(r *ui.Request) error {
	pattern := r.HTTP.URL.Query().Get("pattern")
	if len(pattern) > 200 {
		pattern = strings.ToValidUTF8(pattern[:200], "")
	}
	r.W.Header().Set("Content-Type", "text/plain; charset=utf-8")
	_, err := io.WriteString(r.W, preview(pattern, r.Today()))
	return err
}
