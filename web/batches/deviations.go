package batches

import (
	"net/http"
	"strconv"

	"github.com/a-h/templ"

	"example.org/stillroom/internal/access"
	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/store"
	"example.org/stillroom/web/paths"
	"example.org/stillroom/web/ui"
)

// Deviations lists those of the workshop that wait for a decision, the oldest first.
func (a Area) Deviations(r *ui.Request) error {
	list, next, err := a.Store.OpenDeviations(r.HTTP.Context(), r.Who.Workshop, r.AfterKey(), ui.PageLength)
	if err != nil {
		return err
	}
	return r.Render(http.StatusOK, r.Page("Deviations", "batches"), deviationsPage(list, r.Pages(next)))
}

type deviationView struct {
	store.Deviation
	Key            string
	Clock          ui.Clock
	MayDecide      bool
	Choice, Reason string
	Fault          *fault.Fault
}

func (a Area) deviation(r *ui.Request) (deviationView, error) {
	n, err := strconv.Atoi(r.Param("n"))
	if err != nil || n < 1 || n > 1<<31-1 {
		return deviationView{}, fault.New(fault.NotFound, "There is no such deviation.")
	}
	d, err := a.Store.Deviation(r.HTTP.Context(), r.Who.Workshop, n)
	return deviationView{Deviation: d, Key: ui.NewKey(), Clock: r.Clock(), MayDecide: r.May(access.Decide)}, err
}

// Deviation shows one with the place to decide it.
func (a Area) Deviation(r *ui.Request) error {
	v, err := a.deviation(r)
	if err != nil {
		return err
	}
	return r.Render(http.StatusOK, r.Page("Deviation "+strconv.Itoa(v.N), "batches"), deviationPage(v))
}

// DecideDeviation accepts or rejects it.
func (a Area) DecideDeviation(r *ui.Request) error {
	v, err := a.deviation(r)
	if err != nil {
		return err
	}
	f := r.Form()
	decision := f.OneOf(fieldDecision, "Choose accept or reject.", "accept", "reject")
	note := f.Must(fieldNote, 1000, "Say what the decision rests on.")
	err = f.Err()
	var entry store.Entry
	if err == nil {
		entry, err = r.Entry()
	}
	if err == nil {
		err = a.Store.DecideDeviation(r.HTTP.Context(), r.Who, entry, v.N, decision, note)
	}
	if err == nil {
		href, _ := back(v.Deviation)
		return r.SeeOther(href, "Deviation "+strconv.Itoa(v.N)+" is decided.")
	}
	v.Key, v.Choice, v.Reason = f.Raw("entry_key"), f.Raw(fieldDecision), f.Raw(fieldNote)
	return r.Refuse(err, r.Page("Deviation "+strconv.Itoa(v.N), "batches"), func(fl *fault.Fault) templ.Component {
		v.Fault = fl
		return deviationPage(v)
	})
}

// deviationHref is where a deviation's own page is.
func deviationHref(d store.Deviation) string { return paths.Deviation(d.N) }
