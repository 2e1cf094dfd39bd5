package dispatch

import (
	"fmt"
	"slices"
	"strconv"

	"example.org/stillroom/internal/day"
	"example.org/stillroom/internal/measure"
	"example.org/stillroom/internal/store"
	"example.org/stillroom/web/ui"
)

var customerKinds = []ui.Option{
	{Value: "stockist", Label: "Stockist", Hint: "sells your units on"},
	{Value: "online", Label: "Online order", Hint: "a buyer by post"},
	{Value: "event", Label: "Event", Hint: "a market or fair; buyers not known by name"},
	{Value: "direct", Label: "Direct", Hint: "bought from you in person, known by name"},
}

var dispositions = []ui.Option{
	{Value: "restock", Label: "Back to stock", Hint: "looked at, as good as when they left"},
	{Value: "hold", Label: "On hold", Hint: "here, but not for sale until somebody decides"},
	{Value: "destroy", Label: "Destroyed", Hint: "gone; they do not count as stock"},
}

var moveReasons = []ui.Option{
	{Value: "tester", Label: "Tester", Hint: "opened for people to try"},
	{Value: "broken", Label: "Broken", Hint: "spoiled or thrown away here; rejected or out of date too"},
	{Value: "gift", Label: "Gift", Hint: "given away"},
	{Value: "own_use", Label: "Own use", Hint: "kept for ourselves"},
	{Value: "count", Label: "Counted", Hint: "how many are there now"},
}

// label is an option's own words.
func label(options []ui.Option, value string) string {
	for _, o := range options {
		if o.Value == value {
			return o.Label
		}
	}
	return value
}

// what is an entry of the ledger in words.
func what(e store.UnitEntry) string {
	switch e.What {
	case "packed":
		return "Packed"
	case "dispatched":
		return "Sent"
	case "returned":
		return "Came back"
	case "destroyed":
		return fmt.Sprintf("%d came back and destroyed", e.Moved)
	case "used":
		return "Used in another batch"
	case "more than recorded":
		return "More than recorded"
	}
	return label(moveReasons, e.What)
}

// takenBack tells whether an entry can be taken back by itself: what was sent is corrected in its dispatch, what was
// booked with it goes with it, what was used is corrected in its batch.
func takenBack(e store.UnitEntry) bool {
	switch e.What {
	case "returned", "destroyed", "tester", "broken", "gift", "own_use", "count":
		return !e.Replaced
	}
	return false
}

// stateOf is what stands in the way of a packing's units, as a mark and words; soon is the last day counted as near.
func stateOf(p store.Packing, today, soon day.Day) (kind, word string) {
	switch {
	case p.Status == "rejected":
		return "stop", "Rejected"
	case !p.BestBefore.IsZero() && p.BestBefore.Before(today):
		return "stop", "Out of date"
	case p.Status != "released":
		return "wait", "Not released"
	case p.OnHand == 0:
		return "wait", "None left"
	case p.Held >= p.OnHand:
		return "care", "On hold"
	case !p.BestBefore.IsZero() && !p.BestBefore.After(soon):
		return "care", "Soon out of date"
	}
	return "good", "May leave"
}

func bestBefore(style measure.Style, p store.Packing) string {
	switch {
	case !p.BestBefore.IsZero():
		return style.Day(p.BestBefore)
	case p.OpenedMonths > 0:
		return strconv.Itoa(p.OpenedMonths) + " months after opening"
	}
	return "no date"
}

func dateOr(style measure.Style, d day.Day, none string) string {
	if d.IsZero() {
		return none
	}
	return style.Day(d)
}

// reachBy is how a customer is told of a recall: none, one or two ways.
func reachBy(kind string, c store.Contact) []string {
	switch {
	case c.Email != "" && c.Phone != "":
		return []string{c.Email + ",", c.Phone}
	case c.Email != "" || c.Phone != "":
		return []string{c.Email + c.Phone}
	case kind == "event":
		return []string{"public notice"}
	case c.Address != "":
		return []string{"by post"}
	}
	return nil
}

// count is a number with its word: "1 packing", "3 packings".
func count(n int, one, more string) string {
	if n == 1 {
		return "1 " + one
	}
	return strconv.Itoa(n) + " " + more
}

func signed(n int) string {
	if n > 0 {
		return "+" + strconv.Itoa(n)
	}
	if n < 0 {
		return "−" + strconv.Itoa(-n)
	}
	return "0"
}

// deviationKind is the mark of a deviation's note: it stands out while a decision is waited for.
func deviationKind(d store.Deviation) string {
	switch {
	case d.Open():
		return "care"
	case d.Decision == "reject":
		return "stop"
	}
	return ""
}

func deviationSays(d store.Deviation) string {
	switch {
	case d.Open():
		return "Waits for a decision."
	case d.Decision == "reject":
		return "Rejected by " + d.DecidedBy + ": " + d.DecisionNote
	}
	return "Accepted by " + d.DecidedBy + ": " + d.DecisionNote
}

// noted tells whether a list of dispatches says anything beside its numbers.
func noted(list []store.DispatchSummary) bool {
	return slices.ContainsFunc(list, func(d store.DispatchSummary) bool { return d.Late || d.Note != "" })
}

func heldUnits(h store.Hold) string {
	if h.Units == 0 {
		return "All of it"
	}
	return store.UnitCount(h.Units)
}
