package bench

import (
	"net/http"
	"strings"

	"github.com/a-h/templ"

	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/quantity"
	"example.org/stillroom/internal/store"
	"example.org/stillroom/web/paths"
	"example.org/stillroom/web/ui"
)

const (
	fieldWithdraw = "withdraw"
	fieldFrom     = "from"
	fieldSource   = "source"
	fieldCode     = "code"
)

// mine tells whether this person made an entry a moment ago.
func (s screen) mine(m store.Made) bool { return m.By == s.Who && m.At.After(s.Time.Add(-moments)) }

// at is what stands in the box for the time of an entry of a batch that is written up late.
func (s screen) at() string {
	if v, ok := s.Typed[fieldAt]; ok {
		return v
	}
	if s.Batch.Status != "making" {
		return ""
	}
	return s.Clock.Input(s.Batch.MadeAt)
}

// typedGrams is the number that was typed, for the button that keeps it.
func (s screen) typedGrams() string {
	d, err := quantity.Parse(s.Typed[fieldGrams])
	if err != nil {
		return s.Typed[fieldGrams]
	}
	return quantity.Format(d)
}

func (s screen) focus() bool { return s.Fault == nil }

// about is the line below the target: how far it is allowed to be off, and what stands already.
func (v weighView) about() string {
	var words []string
	switch {
	case v.Now.State == statePart:
		words = append(words, "still to weigh of "+lineTarget(v.Line, v.Num)+" "+v.Style.MassUnit()+"; "+v.Num.mass(v.sofar())+" are in the bowl")
	case v.Line.LowG.Valid:
		words = append(words, "as much as it needs, within this range")
	default:
		words = append(words, "within "+v.tolerance())
	}
	if !v.Line.TargetG.Equal(v.Line.PlannedG) {
		words = append(words, "rescaled from "+v.Num.mass(v.Line.PlannedG))
	}
	if code := v.scale(); code != "" && !v.Now.done() {
		words = append(words, "on "+v.scaleName(code))
	}
	if v.Line.FinerScale && len(v.scales()) == 0 {
		words = append(words, "needs a finer scale")
	}
	return strings.Join(words, "; ")
}

func (v weighView) tolerance() string {
	l := v.Batch.Limits
	words := quantity.Format(l.TolerancePct) + " %"
	if l.ToleranceG.IsPositive() {
		words += " or " + v.Style.Grams(l.ToleranceG)
	}
	return words
}

func (v weighView) lotWord() string {
	if v.Line.Kind == "bulk" {
		return "batch"
	}
	return "lot"
}

func (v weighView) lotLabel() string { return "From which " + v.lotWord() }

// unfitID keeps the field's own id for whichever group of lots comes first.
func unfitID(v weighView) string {
	if len(v.Fit) > 0 {
		return "f-lot-unfit"
	}
	return ""
}

func unfitError(v weighView, f *fault.Fault) string {
	if len(v.Fit) > 0 {
		return ""
	}
	return f.Of(fieldLot)
}

func options(list []source) []ui.Option {
	out := make([]ui.Option, 0, len(list))
	for _, s := range list {
		hint := s.About
		if s.Unfit != "" {
			hint = s.Unfit + " " + strings.ToUpper(hint[:1]) + hint[1:]
		}
		out = append(out, ui.Option{Value: s.Code, Label: s.Code, Hint: hint})
	}
	return out
}

// correctView is the page on which a weight is corrected or taken out.
type correctView struct {
	weighView
	Input store.BatchInput
}

func (v correctView) title() string { return "Correct " + v.Input.Name }

func (v correctView) action() string {
	return paths.CorrectInput(v.Batch.Code, store.Text(v.Input.ID))
}

// why is the reason as it was typed; for one's own entry of a moment ago it is a mis-tap, so that one tap does.
func (v correctView) why() string {
	if reason, ok := v.Typed[fieldReason]; ok {
		return reason
	}
	if v.Fault == nil && v.Asked == "" && v.mine(v.Input.Made) {
		return misTap
	}
	return ""
}

// whyError stands beside the reason of the correction, unless the question has a reason of its own on the page.
func (v correctView) whyError() string {
	if v.Asked != "" {
		return ""
	}
	return v.Fault.Of(fieldReason)
}

func (v correctView) whyID() string {
	if v.Asked != "" {
		return "f-why"
	}
	return ""
}

func (v correctView) grams() string {
	if typed, ok := v.Typed[fieldGrams]; ok {
		return typed
	}
	return v.Style.Figure(v.Input.WeighedG.Decimal)
}

// back is where the entry was made.
func (v correctView) back() string {
	if v.Now.ID != "" {
		return paths.BenchTask(v.Batch.Code, v.Now.ID)
	}
	return paths.BenchAdd(v.Batch.Code)
}

// Correct shows what was recorded and asks for what is true.
func (a Area) Correct(r *ui.Request) error {
	v, err := a.correctView(r)
	if err != nil {
		return err
	}
	return v.show(r, http.StatusOK, v.title(), correctPage(v))
}

func (a Area) correctView(r *ui.Request) (correctView, error) {
	s, err := a.screen(r, r.Param("code"))
	if err != nil {
		return correctView{}, err
	}
	id, err := store.ParseID[store.InputID](r.Param("id"))
	if err != nil {
		return correctView{}, err
	}
	for i, l := range s.Batch.Lines {
		for _, in := range l.Inputs {
			if in.ID != id {
				continue
			}
			s.Now, s.N = s.Tasks[s.line(i)], s.line(i)+1
			v, err := a.weighView(r, s)
			v.Typed = typed{fieldLot: in.Lot + in.SourceBatch, fieldScale: in.Scale}
			return correctView{v, in}, err
		}
	}
	for _, in := range s.Batch.Additions {
		if in.ID == id {
			s.Typed = typed{fieldScale: in.Scale}
			return correctView{weighView{screen: s, Lotless: "an addition"}, in}, nil
		}
	}
	return correctView{}, fault.New(fault.NotFound, "That is not in the book of this batch.")
}

// RecordCorrection replaces the entry, or takes it out.
func (a Area) RecordCorrection(r *ui.Request) error {
	v, err := a.correctView(r)
	if err != nil {
		return err
	}
	f := r.Form()
	c := store.Correction{Batch: v.Batch.Code, Input: v.Input.ID, Withdraw: f.On(fieldWithdraw), Typed: f.TypedMass(fieldGrams), Really: really(f),
		Reason: f.Must(fieldReason, 1000, "Say why: the old value is kept beside the new one.")}
	where := fieldLot
	if !c.Withdraw {
		v.Typed = typedOf(r, fieldGrams, fieldLot, fieldOtherLot)
		keepScale(v.Typed, r)
		c.Scale = f.Text(fieldScale, 40)
		c.Grams = f.Mass(fieldGrams, "How much is in the bowl?", v.Input.WeighedG.Decimal)
		lot := f.Text(fieldLot, 40)
		if other := f.Text(fieldOtherLot, 40); other != "" {
			lot, where = other, fieldOtherLot
		}
		if v.Line.Kind == "bulk" {
			c.SourceBatch = lot
		} else {
			c.Lot = lot
		}
	}
	if v.Typed == nil {
		v.Typed = typed{}
	}
	v.Typed[fieldReason] = f.Raw(fieldReason)
	err = f.Err()
	var entry store.Entry
	if err == nil {
		entry, err = r.Entry()
	}
	if err == nil {
		err = a.Store.CorrectInput(r.HTTP.Context(), who(r), entry, c)
	}
	if err != nil {
		return v.refuse(r, beside(err, fieldLot, where), v.title(), func(s screen) templ.Component {
			s.Typed = v.Typed
			v.screen = s
			return correctPage(v)
		})
	}
	if c.Withdraw {
		return r.SeeOther(v.back(), v.Input.Name+" is taken out.")
	}
	return a.goOn(r, v.screen, "Corrected: "+v.Input.Name+" "+v.Style.Grams(c.Grams)+".")
}

// addView is the page for something that the formula does not have.
type addView struct {
	screen
	Leaves []store.Rework // remainders signed for that may go into batches of this formula
}

// Add shows it.
func (a Area) Add(r *ui.Request) error {
	s, err := a.screen(r, r.Param("code"))
	if err != nil {
		return err
	}
	v := addView{screen: s}
	if v.Leaves, err = a.Store.ReworkFor(r.HTTP.Context(), r.Who.Workshop, s.Batch.FormulaCode); err != nil {
		return err
	}
	// A remainder that was tapped is filled in.
	for _, l := range v.Leaves {
		if l.Batch == r.HTTP.URL.Query().Get(fieldSource) {
			v.Typed = typed{fieldFrom: "batch", fieldCode: l.Batch}
		}
	}
	return s.show(r, http.StatusOK, "Add something else", addPage(v))
}

// RecordAddition stores it, once the question is answered.
func (a Area) RecordAddition(r *ui.Request) error {
	s, err := a.screen(r, r.Param("code"))
	if err != nil {
		return err
	}
	f := r.Form()
	kept := typedOf(r, fieldFrom, fieldCode, fieldGrams, fieldReason, fieldAt)
	keepScale(kept, r)
	w := store.Weighing{Batch: s.Batch.Code, Scale: f.Text(fieldScale, 40), Grams: f.Mass(fieldGrams, "How much is in the bowl?"), Typed: f.TypedMass(fieldGrams), At: s.happened(f), Really: really(f)}
	from := f.OneOf(fieldFrom, "Say what it is.", "lot", "batch", "material")
	code := f.Must(fieldCode, 40, "Which one? Type its code.")
	switch from {
	case "lot":
		w.Lot = code
	case "batch":
		w.SourceBatch = code
	case "material":
		w.Material = code
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
		return s.refuse(r, beside(err, fieldLot, fieldCode), "Add something else", func(s screen) templ.Component {
			s.Typed = kept
			return addPage(addView{screen: s})
		})
	}
	return r.SeeOther(paths.BenchAdd(s.Batch.Code), "Added "+s.Style.Grams(w.Grams)+" of "+code+".")
}
