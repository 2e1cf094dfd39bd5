package bestbefore

import (
	"fmt"
	"strings"

	"example.org/stillroom/internal/day"
	"example.org/stillroom/internal/measure"
)

// Part is one packing that a set was put together from: its date, or the months after opening that it bears instead.
// Neither is not known.
type Part struct {
	Code   string
	Date   day.Day
	Opened int
}

// DecideSet finds the date of a set: it keeps as long as the first of what is in it, and so has no shelf life of its own
// (common practice, no source; it errs towards the earlier date). Packaging whose expiry counts cuts it too. Where nothing
// in it has a date, the shortest period after opening is printed. A part of which neither is known is shown, since it
// may be the first to go; with no part known there is no date.
func DecideSet(style measure.Style, precision Precision, parts []Part, packaging []Cap) Decision {
	decision := Decision{Precision: precision, Style: style}
	var opened Part
	take := func(c Cap) {
		by := decision.DecidedBy
		if by.Date.IsZero() || c.Date.Before(by.Date) || c.Date == by.Date && c.String() < by.String() {
			decision.DecidedBy = c
		}
	}
	for _, p := range parts {
		switch {
		case !p.Date.IsZero():
			take(Cap{Code: p.Code, Kind: Batch, Date: p.Date})
		case p.Opened == 0:
			decision.Unknown = append(decision.Unknown, Cap{Code: p.Code, Kind: Batch})
		case opened.Opened == 0 || p.Opened < opened.Opened || p.Opened == opened.Opened && p.Code < opened.Code:
			opened = p
		}
	}
	for _, c := range packaging {
		if c.Date.IsZero() {
			decision.Unknown = append(decision.Unknown, c)
		} else {
			take(c)
		}
	}
	end := decision.DecidedBy.Date
	var words string
	switch {
	case end.IsZero() && opened.Opened > 0:
		decision.Opened = opened.Opened
		words = "nothing in it has a date; the shortest period is that of batch " + opened.Code
	case end.IsZero():
		words = "not decided: nothing in it has a date"
	default:
		words = fmt.Sprintf("the earliest of what is in it, %s by %s", style.Day(end), decision.DecidedBy)
		decision.Counted, decision.Date = end, end
		if precision == ToMonth {
			decision.Date = lastWholeMonth(end)
			words += ", to the month: " + Printed(decision)
		}
	}
	if len(decision.Unknown) > 0 {
		names := make([]string, len(decision.Unknown))
		for i, c := range decision.Unknown {
			names[i] = c.String()
		}
		words += "; no date known for " + strings.Join(names, ", ")
	}
	decision.Reason = words
	return decision
}
