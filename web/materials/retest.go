package materials

import (
	"net/http"

	"github.com/a-h/templ"

	"example.org/stillroom/internal/day"
	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/measure"
	"example.org/stillroom/internal/store"
	"example.org/stillroom/web/paths"
	"example.org/stillroom/web/ui"
)

// Names of the fields of a look at a lot.
const (
	fieldPassed = "passed"
	fieldWords  = "words"
	fieldNextOn = "next_on"
)

type retestForm struct {
	On, Passed, Words, NextOn, Reason string
	Withdraw                          bool
}

type retestView struct {
	Key   string
	Lot   store.LotPage
	Old   *store.Retest // the entry that is corrected; nil for a new one
	Form  retestForm
	Style measure.Style
	Today day.Day
	Fault *fault.Fault
}

func (v retestView) title() string {
	if v.Old != nil {
		return "Correct how it was"
	}
	return "Looked at again"
}

func (v retestView) action() string {
	if v.Old != nil {
		return paths.CorrectRetest(v.Lot.Code, store.Text(v.Old.ID))
	}
	return paths.LotRetest(v.Lot.Code)
}

func (a Area) retestView(r *ui.Request) (retestView, error) {
	lot, err := a.Store.Lot(r.HTTP.Context(), r.Who.Workshop, code(r))
	return retestView{Key: ui.NewKey(), Lot: lot, Form: retestForm{On: r.Today().String()}, Style: r.Workshop.Style, Today: r.Today()}, err
}

// RetestForm asks what was found when a lot was looked at again.
func (a Area) RetestForm(r *ui.Request) error {
	v, err := a.retestView(r)
	if err != nil {
		return err
	}
	return r.Render(http.StatusOK, r.Page(v.title()+", lot "+v.Lot.Code, "materials"), retestPage(v))
}

func (v *retestView) parse(f *ui.Form) store.NewRetest {
	v.Form = retestForm{On: f.Raw(fieldOn), Passed: f.Raw(fieldPassed), Words: f.Raw(fieldWords), NextOn: f.Raw(fieldNextOn), Reason: f.Raw(fieldReason), Withdraw: f.On(fieldTake)}
	n := store.NewRetest{Lot: v.Lot.Code, On: f.Day(fieldOn, "When was it looked at?"), NextOn: f.OptionalDay(fieldNextOn), Words: f.Must(fieldWords, 1000, "Say what was looked at and what you found.")}
	n.Passed = f.OneOf(fieldPassed, "Is it still fit to use?", "yes", "no") == "yes"
	return n
}

// Retest stores what was found.
func (a Area) Retest(r *ui.Request) error {
	v, err := a.retestView(r)
	if err != nil {
		return err
	}
	f := r.Form()
	v.Key = f.Raw("entry_key")
	n := v.parse(f)
	err = f.Err()
	var entry store.Entry
	if err == nil {
		entry, err = r.Entry()
	}
	if err == nil {
		err = a.Store.RetestLot(r.HTTP.Context(), r.Who, entry, n)
	}
	if err == nil {
		said := "Lot " + n.Lot + " was looked at and is fine."
		if !n.Passed {
			said = "Lot " + n.Lot + " did not pass. It asks at each use; the owner rejects it below."
		}
		return r.SeeOther(paths.Lot(n.Lot), said)
	}
	return v.refuse(r, err)
}

func (v retestView) refuse(r *ui.Request, err error) error {
	return r.Refuse(err, r.Page(v.title()+", lot "+v.Lot.Code, "materials"), func(wrong *fault.Fault) templ.Component {
		v.Fault = wrong
		return retestPage(v)
	})
}

// oldRetest finds the entry that is to be corrected.
func (a Area) oldRetest(r *ui.Request) (retestView, error) {
	v, err := a.retestView(r)
	if err != nil {
		return v, err
	}
	id, err := store.ParseID[store.RetestID](r.Param("id"))
	if err != nil {
		return v, err
	}
	for i, old := range v.Lot.Retests {
		if old.ID != id {
			continue
		}
		if !mayCorrect(r, store.Entered{By: old.By, At: old.At}) {
			return v, correctsOwnOnly()
		}
		v.Old = &v.Lot.Retests[i]
		v.Form = retestForm{On: old.On.String(), Passed: "no", Words: old.Words, NextOn: old.NextOn.String()}
		if old.Passed {
			v.Form.Passed = "yes"
		}
		return v, nil
	}
	return v, fault.New(fault.NotFound, "That is not in the book of this lot.")
}

// EditRetest shows an entry to be put right.
func (a Area) EditRetest(r *ui.Request) error {
	v, err := a.oldRetest(r)
	if err != nil {
		return err
	}
	return r.Render(http.StatusOK, r.Page(v.title()+", lot "+v.Lot.Code, "materials"), retestPage(v))
}

// CorrectRetest stores the correction.
func (a Area) CorrectRetest(r *ui.Request) error {
	v, err := a.oldRetest(r)
	if err != nil {
		return err
	}
	f := r.Form()
	v.Key = f.Raw("entry_key")
	c := store.RetestCorrection{ID: v.Old.ID, Withdraw: f.On(fieldTake)}
	if c.Withdraw {
		// What is taken back need not be right any more.
		v.parse(r.Form())
		c.NewRetest = store.NewRetest{Lot: v.Lot.Code}
	} else {
		c.NewRetest = v.parse(f)
	}
	c.Reason = f.Must(fieldReason, 500, "Say why: the old value is kept beside the new one.")
	err = f.Err()
	var entry store.Entry
	if err == nil {
		entry, err = r.Entry()
	}
	if err == nil {
		err = a.Store.CorrectRetest(r.HTTP.Context(), r.Who, entry, c)
	}
	if err == nil {
		return r.SeeOther(paths.Lot(v.Lot.Code), "Corrected. What was written before stands below, struck through.")
	}
	return v.refuse(r, err)
}
