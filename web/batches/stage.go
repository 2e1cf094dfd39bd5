package batches

import (
	"errors"
	"net/http"

	"github.com/a-h/templ"
	"github.com/shopspring/decimal"

	"example.org/stillroom/internal/access"
	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/measure"
	"example.org/stillroom/internal/store"
	"example.org/stillroom/internal/yield"
	"example.org/stillroom/web/paths"
	"example.org/stillroom/web/ui"
)

// stageForm is what was typed.
type stageForm struct{ Stage, Units, Grams, Really, Reason string }

type stageView struct {
	Batch      store.BatchRecord
	Style      measure.Style
	Clock      ui.Clock
	Key        string
	Form       stageForm
	MayCorrect bool
	Entry      *store.StageMass // the one to be corrected, nil for a new one
	Fault      *fault.Fault
}

var stageLabels = map[string]string{fieldStage: "When", fieldUnits: "Units", fieldGrams: "Together", fieldReally: "Is it so?", fieldReason: "Why"}

// stageChoices are the stages that a batch has.
func stageChoices(b store.BatchRecord) []ui.Option {
	list := []ui.Option{{Value: "cut", Label: "At cutting"}}
	if b.CureHours > 0 {
		list = append(list, ui.Option{Value: "cure_end", Label: stageTitle("end of the cure", b)})
	}
	return append(list, ui.Option{Value: "packing", Label: "At packing"})
}

// stageTitle is a stage as pages say it: the formula has its own word for the cure.
func stageTitle(name string, b store.BatchRecord) string {
	if name == "end of the cure" {
		switch b.CureWord {
		case "dry":
			return "End of the drying"
		case "set":
			return "End of the setting"
		}
	}
	return capital(name)
}

// stageWords says a stored stage.
func stageWords(stage string, b store.BatchRecord) string {
	switch stage {
	case "cut":
		return "Cut"
	case "cure_end":
		return stageTitle("end of the cure", b)
	}
	return "Packed"
}

func (a Area) stageView(r *ui.Request) (stageView, error) {
	b, err := a.Store.Batch(r.HTTP.Context(), r.Who.Workshop, code(r))
	return stageView{Batch: b, Style: r.Workshop.Style, Clock: r.Clock(), Key: ui.NewKey(), MayCorrect: r.May(access.CorrectOwn)}, err
}

// StageForm takes units weighed together at a stage, and shows those that were.
func (a Area) StageForm(r *ui.Request) error {
	v, err := a.stageView(r)
	if err != nil {
		return err
	}
	v.Form.Stage = r.HTTP.URL.Query().Get(fieldStage)
	return r.Render(http.StatusOK, r.Page("Units weighed, "+v.Batch.Code, "batches"), stagePage(v))
}

// weighable tells whether units of the batch may still be weighed.
func weighable(b store.BatchRecord) bool {
	return b.Origin == "bench" && b.Yields == "units" && !b.IsSet() && (b.Status == "curing" || b.Status == "packing" || b.Status == "quarantined")
}

func parseStage(r *ui.Request, f *ui.Form) (stageForm, store.NewStageMass) {
	form := stageForm{Stage: f.Raw(fieldStage), Units: f.Raw(fieldUnits), Grams: f.Raw(fieldGrams), Really: f.Raw(fieldReally), Reason: f.Raw(fieldReason)}
	n := store.NewStageMass{Batch: code(r), Stage: f.OneOf(fieldStage, "Choose at which stage they were weighed.", "cut", "cure_end", "packing"), Units: f.Whole(fieldUnits, "How many were weighed together?"),
		Grams: r.Workshop.Style.ToGrams(f.Positive(fieldGrams, "What did they weigh together?")), Really: really(f)}
	// Another unit than the book's is kept as it was typed.
	if unit := r.Workshop.Style.MassUnit(); unit != "g" && form.Grams != "" {
		n.Typed = f.Text(fieldGrams, 40) + " " + unit
	}
	return form, n
}

// WeighStage records them.
func (a Area) WeighStage(r *ui.Request) error {
	f := r.Form()
	form, n := parseStage(r, f)
	err := f.Err()
	var entry store.Entry
	if err == nil {
		entry, err = r.Entry()
	}
	if err == nil {
		err = a.Store.WeighStage(r.HTTP.Context(), r.Who, entry, n)
	}
	if err == nil {
		return r.SeeOther(paths.BatchStage(code(r), n.Stage), store.UnitCount(n.Units)+" weighed: "+r.Workshop.Style.Grams(n.Grams)+".")
	}
	v, loadErr := a.stageView(r)
	if loadErr != nil {
		return errors.Join(loadErr, err)
	}
	v.Key, v.Form = f.Raw("entry_key"), form
	return r.Refuse(err, r.Page("Units weighed, "+v.Batch.Code, "batches"), func(f *fault.Fault) templ.Component {
		v.Fault = f
		return stagePage(v)
	})
}

// entryView is the page of one weighing, to be put right or taken back.
func (a Area) entryView(r *ui.Request) (stageView, error) {
	v, err := a.stageView(r)
	if err != nil {
		return v, err
	}
	id, err := store.ParseID[store.StageMassID](r.Param("id"))
	if err != nil {
		return v, err
	}
	for i, m := range v.Batch.StageMasses {
		if m.ID == id {
			v.Entry = &v.Batch.StageMasses[i]
			v.Form = stageForm{Stage: m.Stage, Units: itoa(m.Units), Grams: v.Style.Figure(m.Grams)}
			return v, nil
		}
	}
	return v, fault.New(fault.NotFound, "There is no such weighing in this batch.")
}

// StageEntry shows one weighing to be corrected.
func (a Area) StageEntry(r *ui.Request) error {
	v, err := a.entryView(r)
	if err != nil {
		return err
	}
	return r.Render(http.StatusOK, r.Page("Correct a weighing of "+v.Batch.Code, "batches"), stageEntryPage(v))
}

// CorrectStage replaces a weighing or takes it back.
func (a Area) CorrectStage(r *ui.Request) error {
	v, err := a.entryView(r)
	if err != nil {
		return err
	}
	f := r.Form()
	c := store.StageMassCorrection{ID: v.Entry.ID, Withdraw: f.Raw(fieldDecision) == "withdraw", Reason: f.Must(fieldReason, 500, "Say why: the old value is kept beside the new one.")}
	form := stageForm{Stage: f.Raw(fieldStage), Units: f.Raw(fieldUnits), Grams: f.Raw(fieldGrams), Really: f.Raw(fieldReally), Reason: f.Raw(fieldReason)}
	if c.Withdraw {
		c.Batch = code(r)
	} else {
		form, c.NewStageMass = parseStage(r, f)
	}
	err = f.Err()
	var entry store.Entry
	if err == nil {
		entry, err = r.Entry()
	}
	if err == nil {
		err = a.Store.CorrectStage(r.HTTP.Context(), r.Who, entry, c)
	}
	if err == nil {
		said := "The weighing is corrected."
		if c.Withdraw {
			said = "Taken back; it stays in the book, struck through."
		}
		return r.SeeOther(paths.BatchStage(code(r), ""), said)
	}
	v.Key, v.Form = f.Raw("entry_key"), form
	return r.Refuse(err, r.Page("Correct a weighing of "+v.Batch.Code, "batches"), func(f *fault.Fault) templ.Component {
		v.Fault = f
		return stageEntryPage(v)
	})
}

// weighedWords says a weighing in one line, with the mean it gives.
func (v stageView) weighedWords(m store.StageMass) string {
	words := stageWords(m.Stage, v.Batch) + ": " + store.UnitCount(m.Units) + ", " + v.Style.Grams(m.Grams)
	if m.Units > 1 {
		words += ", " + v.Style.Grams(m.Grams.DivRound(decimal.NewFromInt(int64(m.Units)), 2)) + " each"
	}
	return words
}

// stagePct is a share of what should be there, empty where it is not known.
func stagePct(l yield.StageLine) string {
	if !l.Pct.Valid {
		return ""
	}
	return l.Pct.Decimal.StringFixed(1) + " %"
}

// stageHow says how the mass of a stage is known, its figures in the workshop's unit left to the column beside it.
func stageHow(l yield.StageLine, style measure.Style) string {
	if style.MassUnit() != "g" && l.Measured {
		return "weighed"
	}
	return l.Words
}

func stageUnknown(l yield.StageLine, y store.Yield) string {
	if l.Name == "packed" && !y.Closed {
		return "not all is packed yet"
	}
	return l.Words
}
