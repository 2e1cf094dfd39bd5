package today

import (
	"fmt"
	"strings"
	"time"

	"example.org/stillroom/internal/day"
	"example.org/stillroom/internal/drill"
	"example.org/stillroom/internal/measure"
	"example.org/stillroom/internal/store"
	"example.org/stillroom/web/ui"
)

// headline is the page's answer in one line.
func headline(v view) string {
	var parts []string
	add := func(n int, one, many string) {
		switch {
		case n == 1:
			parts = append(parts, "1 "+one)
		case n > 1:
			parts = append(parts, fmt.Sprintf("%d %s", n, many))
		}
	}
	add(len(v.Open), "batch open", "batches open")
	ready := 0
	for _, b := range v.Curing {
		if kind, _ := v.ready(b); kind == "good" {
			ready++
		}
	}
	add(ready, "cure is over", "cures are over")
	add(len(v.Waiting)+len(v.Bulk), "waits for release", "wait for release")
	add(len(v.Deviations), "deviation to decide", "deviations to decide")
	if len(parts) == 0 {
		return "Nothing waits for you."
	}
	return strings.Join(parts, ", ")
}

// crateWords is where a crate stands: to be packed, or to be counted back.
func (v view) crateWords(c store.Crate) (kind, words string) {
	switch {
	case c.Status == "packing":
		return "wait", "To be packed for " + v.Clock.Style.Day(c.On)
	case c.On.Before(v.Day):
		return "care", "To be counted back since " + v.Clock.Style.Day(c.On)
	}
	return "wait", "Away"
}

// drillWords says that a drill runs, or that it is time for one; empty where there is nothing to say.
func drillWords(style measure.Style, w store.DrillWatch, today day.Day) string {
	switch {
	case w.Running > 0:
		return "Drill " + store.RecallCode(w.Running, true) + " is running"
	case !drill.Due(w.Last, w.First, today):
		return ""
	case w.Last.IsZero():
		return "Units have been leaving for a year, and there has been no drill yet"
	}
	return "The last drill was a year ago or longer, on " + style.Day(w.Last)
}

// sampleWords is what waits of the retained samples.
func sampleWords(w store.SamplesWatch) []string {
	var list []string
	if w.Past > 0 {
		list = append(list, fmt.Sprintf("%d kept long enough", w.Past))
	}
	if w.Unplaced > 0 {
		list = append(list, fmt.Sprintf("%d without a place", w.Unplaced))
	}
	return list
}

// planned is how much a plan makes.
func planned(style measure.Style, p store.Plan) string {
	if p.Units > 0 {
		return fmt.Sprintf("%d × %s, %s", p.Units, p.ProductName, style.Grams(p.MassG.Round(0)))
	}
	return style.Grams(p.MassG.Round(0))
}

// backupWords says when the last backup was made, and how to make one where none was.
func backupWords(clock ui.Clock, made time.Time) string {
	if made.IsZero() {
		return "There is no backup of this book yet: the command stillroom backup FILE writes one."
	}
	return "Last backup: " + clock.Style.Day(day.In(made, clock.Zone)) + "."
}

// missingWords counts what is to be ordered, or to be made first.
func missingWords(n int) string {
	if n == 1 {
		return "1 thing goes short for what is planned and started"
	}
	return fmt.Sprintf("%d things go short for what is planned and started", n)
}
