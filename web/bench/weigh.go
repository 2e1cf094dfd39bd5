package bench

import (
	"fmt"
	"net/http"
	"strings"

	"github.com/a-h/templ"
	"github.com/shopspring/decimal"

	"example.org/stillroom/internal/day"
	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/measure"
	"example.org/stillroom/internal/quantity"
	"example.org/stillroom/internal/store"
	"example.org/stillroom/web/paths"
	"example.org/stillroom/web/ui"
)

// source is a lot, or a batch of bulk, that a line may be weighed from.
type source struct {
	Code  string
	About string // what it holds, until when
	Unfit string // why not, in words; it may be in the bowl all the same
}

func plain(d decimal.Decimal) string { return quantity.Plain(d) }

// weighView is the screen of one line.
type weighView struct {
	screen
	Line       store.BatchLine
	Fit, Unfit []source
	Lotless    string // why no lot is asked for; empty where one is
	Rest       []store.Rescaled
}

// line shows the screen of one line.
func (a Area) line(r *ui.Request, s screen) error {
	v, err := a.weighView(r, s)
	if err != nil {
		return err
	}
	return s.show(r, http.StatusOK, weighTitle(v), weighPage(v))
}

func (a Area) weighView(r *ui.Request, s screen) (weighView, error) {
	v := weighView{screen: s, Line: s.Batch.Lines[s.Now.Index]}
	var err error
	switch l := v.Line; {
	case l.Kind == "portion":
		v.Lotless = "as mixed for this batch"
	case l.Kind == "bulk":
		v.Fit, v.Unfit, err = a.bulk(r, l.BulkFormula)
	case l.Tracked:
		v.Fit, v.Unfit, err = a.lots(r, l.Material)
	default:
		v.Lotless = "not tracked: no lot"
		if l.SourceNote != "" {
			v.Lotless += " (" + l.SourceNote + ")"
		}
	}
	return v, err
}

// lots are those of a material: fit ones in the order in which they should be used, then the others.
func (a Area) lots(r *ui.Request, material string) (fit, unfit []source, err error) {
	list, err := a.Store.LotsFor(r.HTTP.Context(), r.Who.Workshop, material, r.Today())
	for _, l := range list {
		about := "holds " + ui.Amount(r.Workshop.Style, l.OnHand, l.Material.Unit) + until(r.Workshop.Style, l.ExpiresOn)
		if !l.OpenedOn.IsZero() {
			about += ", opened"
		}
		if !l.RetestOn.IsZero() && l.RetestOn.Before(r.Today()) {
			about += ", retest was due " + r.Workshop.Style.Day(l.RetestOn)
		}
		if l.Tub != "" {
			about = "tub " + l.Tub + ", " + about
		}
		src := source{Code: l.Code, About: about, Unfit: strings.Join(l.Unfit, " ")}
		if src.Unfit == "" {
			fit = append(fit, src)
		} else {
			unfit = append(unfit, src)
		}
	}
	return fit, unfit, err
}

func (a Area) bulk(r *ui.Request, formula string) (fit, unfit []source, err error) {
	list, err := a.Store.BulkFor(r.HTTP.Context(), r.Who.Workshop, formula)
	for _, b := range list {
		src := source{Code: b.Code, About: "holds " + r.Workshop.Style.Grams(b.LeftG) + ", made " + r.Workshop.Style.Day(b.MadeOn) + useBy(r.Workshop.Style, b.BestBefore)}
		if b.Fit(r.Today()) {
			fit = append(fit, src)
			continue
		}
		src.Unfit = strings.Join(b.Unfit(r.Workshop.Style, r.Today()), " ")
		unfit = append(unfit, src)
	}
	return fit, unfit, err
}

func until(style measure.Style, d day.Day) string {
	if d.IsZero() {
		return ", no expiry stated"
	}
	return ", expires " + style.Day(d)
}

func useBy(style measure.Style, d day.Day) string {
	if d.IsZero() {
		return ""
	}
	return ", use by " + style.Day(d)
}

// asksLot tells whether the screen asks where it came from.
func (v weighView) asksLot() bool { return v.Lotless == "" }

// chosen is the lot that is ticked: the one typed before, else the only one that is fit.
func (v weighView) chosen() string {
	if code, ok := v.Typed[fieldLot]; ok {
		return code
	}
	if len(v.Fit) == 1 {
		return v.Fit[0].Code
	}
	return ""
}

// beside tells whether the part for another lot stands open: nothing is fit, or it was used, or it is at fault.
func (v weighView) beside() bool {
	if len(v.Fit) == 0 || v.Typed[fieldOtherLot] != "" || v.Fault.Of(fieldOtherLot) != "" {
		return true
	}
	for _, u := range v.Unfit {
		if u.Code == v.chosen() {
			return true
		}
	}
	return false
}

// sofar is what stands recorded for the line, valid only while more is to come or something stands.
func (v weighView) sofar() decimal.Decimal { return v.Line.WeighedG() }

// still is the target on the screen: what is left to weigh of the line.
func (v weighView) still() string {
	if v.Now.State == statePart && !v.Line.LowG.Valid {
		return v.Num.grams(v.Line.TargetG.Sub(v.sofar()))
	}
	return lineTarget(v.Line, v.Num)
}

// cautions are those of what is in hand: of an inner portion, those of everything that was mixed into it.
func (v weighView) cautions() []ui.Care {
	list := []ui.Care{{Words: v.Line.Caution}}
	for _, l := range v.Batch.Lines {
		if v.Line.Kind == "portion" && l.Portion == v.Line.Name {
			list = append(list, ui.Care{What: l.Name, Words: l.Caution})
		}
	}
	return list
}

func weighTitle(v weighView) string {
	if v.Line.Kind == "portion" {
		return "Weigh " + v.Line.Name + ", as mixed"
	}
	return "Weigh " + v.Line.Name
}

// recordLine stores what is in the bowl.
func (a Area) recordLine(r *ui.Request, s screen) error {
	v, err := a.weighView(r, s)
	if err != nil {
		return err
	}
	f := r.Form()
	v.Typed = typedOf(r, fieldGrams, fieldLot, fieldOtherLot, fieldMore, fieldAt, fieldReason)
	keepScale(v.Typed, r)
	w := store.Weighing{Batch: s.Batch.Code, Line: v.Line.ID, Scale: f.Text(fieldScale, 40), Grams: f.Mass(fieldGrams, "How much is in the bowl?"), Typed: f.TypedMass(fieldGrams),
		More: f.On(fieldMore), At: s.happened(f), Really: really(f)}
	lot := f.Text(fieldOtherLot, 40)
	where := fieldOtherLot
	if lot == "" {
		lot = f.Text(fieldLot, 40)
		if len(v.Fit) > 0 || lot != "" {
			where = fieldLot
		}
	}
	if v.asksLot() && lot == "" {
		f.Add(where, v.askLot())
	}
	switch {
	case v.Line.Kind == "bulk":
		w.SourceBatch = lot
	case v.asksLot():
		w.Lot = lot
	}
	err = f.Err()
	var entry store.Entry
	if err == nil {
		entry, err = r.Entry()
	}
	if err == nil {
		err = a.Store.Weigh(r.HTTP.Context(), who(r), entry, w)
	}
	if err != nil {
		return s.refuse(r, beside(err, fieldLot, where), weighTitle(v), func(s screen) templ.Component {
			s.Typed = v.Typed
			v.screen = s
			return weighPage(v)
		})
	}
	saved := "Recorded: " + v.Line.Name + " " + s.Style.Grams(w.Grams) + "."
	if off := s.scaleWords(w.Scale, w.Grams); off != "" {
		saved += " " + off
	}
	if w.Really.Yes && weighedOff(v, w.Grams) {
		if rest, err := a.Store.RestOf(r.HTTP.Context(), r.Who.Workshop, s.Batch, v.Line.ID); err == nil && changes(rest) {
			return r.SeeOther(paths.BenchRescale(s.Batch.Code, s.Now.ID), saved)
		}
	}
	if w.More {
		return r.SeeOther(paths.BenchTask(s.Batch.Code, s.Now.ID), saved)
	}
	return a.goOn(r, s, saved)
}

func (v weighView) askLot() string {
	if v.Line.Kind == "bulk" {
		return "From which batch of " + v.Line.Name + "?"
	}
	return "From which lot?"
}

// beside moves what the store says of one field to the box in which it was typed.
func beside(err error, from, to string) error {
	f := fault.As(err)
	if f == nil || from == to || f.Of(from) == "" {
		return err
	}
	out := &fault.Fault{Kind: f.Kind, Message: f.Message}
	for _, field := range f.Fields {
		if field.Name == from {
			field.Name = to
		}
		out.Fields = append(out.Fields, field)
	}
	return out
}

// weighedOff tells whether the line is now outside its limits by weight: a lot that was not fit is no reason to
// rescale.
func weighedOff(v weighView, grams decimal.Decimal) bool {
	return !v.Line.LowG.Valid && lineOutside(v.Batch, v.Line, v.sofar().Add(grams))
}

func changes(rest []store.Rescaled) bool {
	for _, l := range rest {
		if !l.NextG.Equal(l.TargetG) {
			return true
		}
	}
	return false
}

// Rescale offers to rescale what is left of a portion after a real mis-weighing.
func (a Area) Rescale(r *ui.Request) error {
	s, err := a.task(r)
	if err != nil {
		return err
	}
	if s.Now.Kind != kindLine {
		return fault.New(fault.NotFound, "There is nothing to rescale here.")
	}
	v := weighView{screen: s, Line: s.Batch.Lines[s.Now.Index]}
	if v.Rest, err = a.Store.RestOf(r.HTTP.Context(), r.Who.Workshop, s.Batch, v.Line.ID); err != nil {
		return err
	}
	return s.show(r, http.StatusOK, "Rescale the rest", rescalePage(v))
}

// RescaleRest does it.
func (a Area) RescaleRest(r *ui.Request) error {
	s, err := a.task(r)
	if err != nil {
		return err
	}
	if s.Now.Kind != kindLine {
		return fault.New(fault.NotFound, "There is nothing to rescale here.")
	}
	v := weighView{screen: s, Line: s.Batch.Lines[s.Now.Index]}
	entry, err := r.Entry()
	if err == nil {
		err = a.Store.RescaleRest(r.HTTP.Context(), who(r), entry, s.Batch.Code, v.Line.ID)
	}
	if err != nil {
		return s.refuse(r, err, "Rescale the rest", func(s screen) templ.Component {
			v.screen = s
			return rescalePage(v)
		})
	}
	return a.goOn(r, s, "The rest of "+v.Line.Portion+" is rescaled.")
}

// ratio says in words how far a line is from what was planned.
func (v weighView) ratio() string {
	if !v.Line.PlannedG.IsPositive() {
		return ""
	}
	return fmt.Sprintf("%s instead of %s, that is %s %% of it", v.Num.mass(v.sofar()), v.Num.mass(v.Line.PlannedG),
		quantity.Format(v.sofar().Mul(decimal.NewFromInt(100)).DivRound(v.Line.PlannedG, 1)))
}
