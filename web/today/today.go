// Package today is the first page: what is on the bench, what is ready, what waits for somebody, what runs out.
package today

import (
	"net/http"
	"time"

	"example.org/stillroom/internal/access"
	"example.org/stillroom/internal/cure"
	"example.org/stillroom/internal/day"
	"example.org/stillroom/internal/quantity"
	"example.org/stillroom/internal/store"
	"example.org/stillroom/web/ui"
)

// Area serves the first page.
type Area struct{ Store *store.Store }

type view struct {
	store.Today
	Kept                 kept
	Clock                ui.Clock
	Now                  time.Time
	Day                  day.Day
	Workshop             string
	MayBench, MayReceive bool
	MayRelease           bool
	Backup               string // when the last backup was made, for owners; empty for others
	Empty                bool
	Drill                string // what there is to say of drills; empty for nothing
	MayDrill             bool
}

// Today shows the page.
func (a Area) Today(r *ui.Request) error {
	today := r.Today()
	t, err := a.Store.Today(r.HTTP.Context(), r.Who.Workshop, today, r.Workshop.SoonDays)
	if err != nil {
		return err
	}
	v := view{Today: t, Kept: kept{Due: t.Due, Suspects: t.Suspects, Style: r.Workshop.Style, Day: today}, Clock: r.Clock(), Now: r.Now, Day: today, Workshop: r.Workshop.Name, MayBench: r.May("bench"), MayReceive: r.May("receive"), MayRelease: r.May("release")}
	if r.May(access.Settings) && !r.Workshop.IsDemo && !t.New {
		made, err := a.Store.LastBackup(r.HTTP.Context(), r.Who.Workshop)
		if err != nil {
			return err
		}
		v.Backup = backupWords(v.Clock, made)
	}
	v.Drill, v.MayDrill = drillWords(r.Workshop.Style, t.Drill, today), r.May(access.Recall)
	v.Empty = v.Drill == "" && len(t.Open)+len(t.Curing)+len(t.Plans)+len(t.Waiting)+len(t.Bulk)+len(t.Deviations)+len(t.Lots)+len(t.Stock)+len(t.Due)+len(t.Suspects)+len(t.Recalls)+len(t.Crates)+t.Samples.Past+t.Samples.Unplaced+t.Missing+len(t.Complaints) == 0
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
		return "good", "Ready since " + v.Clock.Short(at)
	}
	left := at.Sub(v.Now)
	if left < 48*time.Hour {
		return "wait", "Ready " + v.Clock.Short(at)
	}
	return "wait", "Ready " + v.Clock.Style.Day(day.In(at, v.Clock.Zone))
}

// name is what a batch makes.
func name(b store.Batch) string {
	if b.ProductName != "" {
		return b.ProductName
	}
	return b.FormulaName
}

// doing says where an open batch stands.
func (v view) doing(b store.Batch) string {
	switch {
	case b.Status == "making":
		return "Begun " + v.Clock.Short(b.MadeAt) + " by " + b.MadeBy
	case b.Yields == "bulk":
		return "To be measured; made " + v.Clock.Short(b.MadeAt) + " by " + b.MadeBy
	}
	return "To be packed; made " + v.Clock.Short(b.MadeAt) + " by " + b.MadeBy
}

// left is what is on hand of a lot; of millilitres that a density gave, a tenth is enough here.
func (v view) left(l store.Lot) string {
	switch l.Material.Unit {
	case "each":
		return quantity.Format(l.OnHand) + " left"
	case "g":
		return v.Kept.Style.Bulk(l.OnHand) + " left"
	}
	return quantity.Format(l.OnHand.Round(1)) + " " + l.Material.Unit + " left"
}

// dated says how a date stands against today.
func (v view) dated(d day.Day) (kind, words string) {
	switch {
	case d.IsZero():
		return "wait", "No date"
	case d.Before(v.Day):
		return "stop", "Out since " + v.Clock.Style.Day(d)
	default:
		return "care", "Until " + v.Clock.Style.Day(d)
	}
}

// lotState is why a lot is on the page.
func (v view) lotState(l store.Lot) (kind, words string) {
	if l.Status == "quarantined" {
		return "wait", "In quarantine"
	}
	d := l.ExpiresOn
	if d.IsZero() || !l.RetestOn.IsZero() && l.RetestOn.Before(d) {
		if l.RetestOn.Before(v.Day) {
			return "care", "Retest was due " + v.Clock.Style.Day(l.RetestOn)
		}
		return "care", "Retest by " + v.Clock.Style.Day(l.RetestOn)
	}
	return v.dated(d)
}

// complaintWords says where an open complaint stands.
func (v view) complaintWords(c store.OpenComplaint) (kind, words string) {
	came := "came in " + v.Clock.Date(c.ReceivedAt)
	switch {
	case c.Overdue:
		return "stop", "Serious, and no authority told yet; " + came
	case c.Kind == "serious":
		return "stop", "Serious, " + came
	case c.Kind == "undesirable":
		return "care", "Undesirable effect, " + came
	}
	return "wait", "Quality, " + came
}

// complained is what an open complaint is about, behind its number.
func complained(c store.OpenComplaint) string {
	if c.Product == "" {
		return ""
	}
	return ", " + c.Product
}
