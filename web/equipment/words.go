package equipment

import (
	"slices"
	"strconv"
	"strings"

	"example.org/stillroom/internal/day"
	"example.org/stillroom/internal/equipment"
	"example.org/stillroom/internal/store"
	"example.org/stillroom/web/ui"
)

var kindWords = map[string]string{"scale": "Scale", "vessel": "Vessel", "mould": "Mould", "dehumidifier": "Dehumidifier", "thermometer": "Thermometer", "other": "Other"}

func kindOptions() []ui.Option {
	hints := map[string]string{"scale": "with its step and loads", "vessel": "pot, jug, blender", "other": "whatever a batch should name"}
	var list []ui.Option
	for _, kind := range store.EquipmentKinds {
		list = append(list, ui.Option{Value: kind, Label: kindWords[kind], Hint: hints[kind]})
	}
	return list
}

var logWords = store.LogKindWords

func logOptions() []ui.Option {
	hints := map[string]string{"check": "of a scale, a thermometer", "pest": "traps looked at, signs found", "water": "tap, filter, analysis", "training": "who was shown what"}
	var list []ui.Option
	for _, kind := range store.LogKinds {
		list = append(list, ui.Option{Value: kind, Label: logWords[kind], Hint: hints[kind]})
	}
	return list
}

// stands is how a check stands, as a mark and words; both empty where none is kept.
func (s seen) stands(e store.EquipmentStanding) (kind, words string) {
	if e.Retired {
		return "wait", "Not in use any more"
	}
	switch e.Stands {
	case equipment.Never:
		return "care", "Never checked"
	case equipment.Failed:
		return "stop", "Failed on " + s.Style.Day(e.CheckedOn)
	case equipment.Overdue:
		return "care", "Check was due " + s.Style.Day(e.DueOn)
	case equipment.InDate:
		return "good", "Checked, due " + s.Style.Day(e.DueOn)
	}
	return "", ""
}

// ranges says what a scale is for; empty for anything else.
func (s seen) ranges(e store.Equipment) string {
	if !e.ReadabilityG.Valid {
		return ""
	}
	words := "steps of " + s.Style.Grams(e.ReadabilityG.Decimal)
	if e.MinLoadG.Valid && e.MinLoadG.Decimal.IsPositive() {
		words += ", from " + s.Style.Grams(e.MinLoadG.Decimal)
	}
	if e.MaxLoadG.Valid {
		words += ", up to " + s.Style.Bulk(e.MaxLoadG.Decimal)
	}
	return words
}

// sub is the line below the heading of a piece of equipment.
func (v gearView) sub() string {
	parts := []string{kindWords[v.Kind] + " " + v.Code}
	if v.Place != "" {
		parts = append(parts, v.Place)
	}
	if words := v.ranges(v.Equipment); words != "" {
		parts = append(parts, words)
	}
	return strings.Join(parts, " · ")
}

// checks says how often its check is asked for.
func checks(e store.Equipment) string {
	switch e.CheckDays {
	case 0:
		return "no check is kept"
	case 1:
		return "every day"
	}
	return "every " + strconv.Itoa(e.CheckDays) + " days"
}

func resultState(e store.LogEntry) (kind, word string) {
	switch e.Result {
	case "fine":
		return "good", "Fine"
	case "attention":
		return "care", "To watch"
	}
	return "stop", "Failed"
}

// masses says what a scale's check put on and found; empty without.
func (s seen) masses(e store.LogEntry) string {
	if !e.ReferenceG.Valid {
		return ""
	}
	return s.Style.Grams(e.ReferenceG.Decimal) + " put on, " + s.Style.Grams(e.ShownG.Decimal) + " shown; " + s.Style.Grams(e.ToleranceG.Decimal) + " allowed"
}

// said is an entry's masses and words together.
func (s seen) said(e store.LogEntry) string {
	masses := s.masses(e)
	if masses == "" || e.Words == "" {
		return masses + e.Words
	}
	return masses + ". " + e.Words
}

// anyClean tells whether a list of uses says of any that it was clean: only then there is a column for it.
func anyClean(list []store.EquipmentUse) bool {
	return slices.ContainsFunc(list, func(u store.EquipmentUse) bool { return u.Clean != nil })
}

// dueState is how something due stands today.
func (s seen) dueState(d store.LogDue) (kind, words string) {
	switch {
	case d.Failed:
		return "stop", "Failed on " + s.Style.Day(d.LastOn)
	case d.DueOn.IsZero():
		return "care", "Never done"
	case d.DueOn.Before(s.Today):
		return "care", "Was due " + s.Style.Day(d.DueOn)
	case d.DueOn == s.Today:
		return "wait", "Due today"
	}
	return "wait", "Due " + s.Style.Day(d.DueOn)
}

// sinceWhen says since when a scale that failed is not known to be right.
func (s seen) sinceWhen(x store.Suspect) string {
	if x.GoodOn.IsZero() {
		return x.Name + " (" + x.Code + ") failed its check on " + s.Style.Day(x.FailedOn) + ", and no check before it passed."
	}
	return x.Name + " (" + x.Code + ") failed its check on " + s.Style.Day(x.FailedOn) + "; the last one that passed was on " + s.Style.Day(x.GoodOn) + "."
}

// cleanWords says whether something was clean before use; empty where nobody was asked.
func cleanWords(clean *bool) string {
	switch {
	case clean == nil:
		return ""
	case *clean:
		return "clean before use"
	}
	return "not clean before use"
}

func useState(status string) (kind, word string) {
	switch status {
	case "released":
		return "good", "Released"
	case "quarantined":
		return "wait", "In quarantine"
	case "rejected":
		return "stop", "Rejected"
	case "void":
		return "stop", "Void"
	case "curing":
		return "wait", "Curing"
	case "packing":
		return "wait", "To be packed"
	}
	return "wait", "Being made"
}

// inBook is the hint beside a box of a correction: what stands in the book where it differs from what was typed.
func inBook(typed, book, otherwise string) string {
	switch {
	case typed == book:
		return otherwise
	case book == "":
		return "In the book: nothing."
	}
	return "In the book: " + book
}

func resultWord(e store.LogEntry) string {
	_, word := resultState(e)
	return word
}

// sameDay tells whether an entry was written today: then whoever wrote it may correct it.
func (s seen) sameDay(p store.LogPage) bool {
	return day.In(p.LogEntry.Made.At, s.Zone) == s.Today
}

// entrySub is the line below the heading of a correction: what it is about.
func (v entryView) entrySub() string {
	if v.Correct == "" {
		return ""
	}
	return logWords[v.Form.Kind] + ": " + v.subject()
}

// fault is what is off beside a field of the entry, unless the other form of the page was sent.
func (v entryView) fault(name string) string {
	if v.Withdraw {
		return ""
	}
	return v.Fault.Of(name)
}

// reason is what was typed in one of the page's two forms.
func (v entryView) reason(withdraw bool) string {
	if v.Withdraw != withdraw {
		return ""
	}
	return v.Form.Reason
}

// reasonID keeps the field's own id for the form that was sent, since the summary leads to it.
func (v entryView) reasonID(withdraw bool) string {
	if v.Withdraw == withdraw {
		return ""
	}
	return "f-other-reason"
}

func (v entryView) withdrawFault() string {
	if !v.Withdraw {
		return ""
	}
	return v.Fault.Of(fieldReason)
}

// withdrawKey is another key than that of the correction, unless this form was sent: put right, it is the same entry.
func (v entryView) withdrawKey() string {
	if v.Withdraw {
		return v.Key
	}
	return ui.NewKey()
}

func (v entryView) resultHint() string {
	if v.scaleCheck() {
		return "Left open, the two masses decide."
	}
	return ""
}

func (v entryView) nextHint() string {
	switch {
	case v.Every == 0:
		return "Left empty, nothing reminds of it."
	case v.Form.Kind == "check" && v.Gear.CheckDays > 0:
		return "Its check is asked for " + every(v.Every) + "."
	}
	return "The last two times were " + strconv.Itoa(v.Every) + " days apart."
}
