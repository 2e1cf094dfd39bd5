// Package today is the first page: what is on the bench, what is ready, what waits for somebody, what runs out.
package today

import (
	"net/http"
	"time"

	"example.org/stillroom/internal/cure"
	"example.org/stillroom/internal/day"
	"example.org/stillroom/internal/store"
	"example.org/stillroom/web/ui"
)

// Area serves the first page.
type Area struct{ Store *store.Store }

type view struct {
	store.Today
	Clock                ui.Clock
	Now                  time.Time
	Day                  day.Day
	Workshop             string
	MayBench, MayReceive bool
	MayRelease           bool
	Empty                bool
}

// Today shows the page.
func (a Area) Today(r *ui.Request) error {
	today := r.Today()
	t, err := a.Store.Today(r.HTTP.Context(), r.Who.Workshop, today.AddDays(r.Workshop.SoonDays))
	if err != nil {
		return err
	}
	v := view{Today: t, Clock: r.Clock(), Now: r.Now, Day: today, Workshop: r.Workshop.Name, MayBench: r.May("bench"), MayReceive: r.May("receive"), MayRelease: r.May("release")}
	v.Empty = len(t.Open)+len(t.Curing)+len(t.Plans)+len(t.Waiting)+len(t.Bulk)+len(t.Deviations)+len(t.Lots)+len(t.Stock) == 0
	return r.Render(http.StatusOK, r.Page("Today", "today"), page(v))
}

// due is when a cure has run its least time.
func due(b store.Batch) time.Time {
	if b.CureStartedAt == nil {
		return b.MadeAt
	}
	return cure.Due(*b.CureStartedAt, cure.Rule{MinHours: b.CureHours})
}

// ready says how a cure stands: its mark, and when it is or was over.
func (v view) ready(b store.Batch) (kind, words string) {
	at := due(b)
	if !at.After(v.Now) {
		return "good", "ready since " + v.Clock.Short(at)
	}
	left := at.Sub(v.Now)
	if left < 48*time.Hour {
		return "wait", "ready " + v.Clock.Short(at)
	}
	return "wait", "ready " + day.In(at, v.Clock.Zone).Long()
}

// name is what a batch makes.
func name(b store.Batch) string {
	if b.ProductName != "" {
		return b.ProductName
	}
	return b.FormulaName
}

// doing says where an open batch stands.
func doing(b store.Batch) string {
	if b.Status == "making" {
		return "being made"
	}
	if b.Yields == "bulk" {
		return "to be weighed out"
	}
	return "to be packed"
}

// dated says how a date stands against today.
func (v view) dated(d day.Day) (kind, words string) {
	switch {
	case d.IsZero():
		return "wait", "no date"
	case d.Before(v.Day):
		return "stop", "out since " + d.Long()
	default:
		return "care", "until " + d.Long()
	}
}

// lotState is why a lot is on the page.
func (v view) lotState(l store.Lot) (kind, words string) {
	if l.Status == "quarantined" {
		return "wait", "in quarantine"
	}
	d := l.ExpiresOn
	if d.IsZero() || !l.RetestOn.IsZero() && l.RetestOn.Before(d) {
		if l.RetestOn.Before(v.Day) {
			return "care", "retest was due " + l.RetestOn.Long()
		}
		return "care", "retest by " + l.RetestOn.Long()
	}
	return v.dated(d)
}
