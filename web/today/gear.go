package today

import (
	"example.org/stillroom/internal/day"
	"example.org/stillroom/internal/measure"
	"example.org/stillroom/internal/store"
)

// kept is what the log asks for: what is due, and what used equipment that is not known to be right.
type kept struct {
	Due      []store.LogDue
	Suspects []store.Suspect
	Style    measure.Style
	Day      day.Day
}

// state is how something due stands today.
func (k kept) state(d store.LogDue) (kind, words string) {
	switch {
	case d.Failed:
		return "stop", "Failed on " + k.Style.Day(d.LastOn)
	case d.DueOn.IsZero():
		return "care", "Never done"
	case d.DueOn.Before(k.Day):
		return "care", "Was due " + k.Style.Day(d.DueOn)
	case d.DueOn == k.Day:
		return "wait", "Due today"
	}
	return "wait", "Due " + k.Style.Day(d.DueOn)
}
