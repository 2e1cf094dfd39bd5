// Package bestbefore decides the best-before date of a packing: the product's shelf life counted from its
// basis, cut by what went in, written to the day or to the month, or replaced by a period after opening.
//
// Months are counted as Regulation (EEC, Euratom) 1182/71 Art. 3(2)(c) ends a period. A minimum durability of
// more than 30 months needs no date but the period after opening: Regulation (EC) 1223/2009 Art. 19(1)(c).
// Capping by the shortest-lived ingredient, and rounding down to the month, are common practice, no source;
// both err towards the earlier date.
package bestbefore

import (
	"fmt"
	"strings"

	"example.org/stillroom/internal/day"
	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/measure"
)

// Basis is the day from which the shelf life counts.
type Basis string

// What a shelf life can count from.
const (
	Made   Basis = "made"   // start of making
	Cured  Basis = "cured"  // end of cure
	Packed Basis = "packed" // packing
)

// words name the basis in a reason.
func (b Basis) words() string {
	switch b {
	case Made:
		return "start of making"
	case Cured:
		return "end of cure"
	}
	return "packing"
}

// Precision is how exactly the date is printed.
type Precision string

// How a date can be printed.
const (
	ToDay   Precision = "day"
	ToMonth Precision = "month"
)

// durabilityLimit is the months of minimum durability above which no date is needed: Reg. (EC) 1223/2009 Art.
// 19(1)(c).
const durabilityLimit = 30

// The longest shelf lives that a rule may name: twenty years.
const (
	maxMonths = 240
	maxDays   = 7300
)

// Rule is a product's shelf-life rule, frozen into the packing.
type Rule struct {
	Months, Days int // whole months or days from the basis; one of them, the other 0
	From         Basis
	CapByExpiry  bool // whether what went in can cut the date
	Precision    Precision
	OpenedMonths int           // period after opening, in months; 0 where it has no meaning for the product
	Style        measure.Style // how the workshop writes dates, on the label too
}

// Names of the fields of a rule in the faults of Validate.
const (
	FieldMonths    = "months"
	FieldDays      = "days"
	FieldFrom      = "from"
	FieldPrecision = "precision"
	FieldOpened    = "opened_months"
)

// Validate tells whether the rule can be followed; all faults come at once, beside the fields of the Field
// constants.
func (r Rule) Validate() error {
	var faults fault.Fields
	switch {
	case r.Months < 0 || r.Months > maxMonths:
		faults.Add(FieldMonths, fmt.Sprintf("a shelf life has 1 to %d months", maxMonths))
	case r.Days < 0 || r.Days > maxDays:
		faults.Add(FieldDays, fmt.Sprintf("a shelf life has 1 to %d days", maxDays))
	case r.Months == 0 && r.Days == 0:
		faults.Add(FieldMonths, "say how many months or days the product keeps")
	case r.Months > 0 && r.Days > 0:
		faults.Add(FieldDays, "count the shelf life in months or in days, not in both")
	}
	if r.From != Made && r.From != Cured && r.From != Packed {
		faults.Add(FieldFrom, "say whether the shelf life counts from start of making, end of cure or packing")
	}
	if r.Precision != ToDay && r.Precision != ToMonth {
		faults.Add(FieldPrecision, "say whether the date is printed to the day or to the month")
	}
	if r.OpenedMonths < 0 || r.OpenedMonths > maxMonths {
		faults.Add(FieldOpened, fmt.Sprintf("a period after opening has at most %d months, or 0 for none", maxMonths))
	}
	return faults.Err()
}

// CapKind is what can cut a date.
type CapKind string

// What can cut a date.
const (
	Lot   CapKind = "lot"   // a material lot, by its expiry
	Batch CapKind = "batch" // a source batch, by its best-before
)

// Cap is one thing that went in and counts, at any level, with the date until which it keeps. The zero date is
// not known.
type Cap struct {
	Code string
	Kind CapKind
	Date day.Day
}

func (c Cap) String() string { return string(c.Kind) + " " + c.Code }

// Dates are the days a shelf life can count from, in the workshop's calendar; the zero day has not come yet.
type Dates struct{ Made, CureEnded, Packed day.Day }

func (d Dates) of(b Basis) day.Day {
	switch b {
	case Made:
		return d.Made
	case Cured:
		return d.CureEnded
	}
	return d.Packed
}

// Decision is what is printed, and why.
type Decision struct {
	// Date is the last day on which the product is at its best, the last of its month where it is printed to
	// the month; no day where a period after opening takes its place.
	Date      day.Day
	Precision Precision
	// Opened is the period after opening in months, 0 where a date is printed.
	Opened int
	// DecidedBy is what cut the date; the zero Cap where nothing did.
	DecidedBy Cap
	// Counted is the date by shelf life alone, neither cut nor rounded.
	Counted day.Day
	// Unknown are the caps without a date, in the order given, where the rule caps. They must be shown: one of
	// them may be the first to go.
	Unknown []Cap
	Style   measure.Style // of the rule: how the date is written
	// Reason says all of it in one sentence without a full stop.
	Reason string
}

// Decide finds the best-before date. The caps matter only where the rule says so; the earliest dated one cuts,
// and of two on the same day the first by kind and code. A basis that has no date yet, or a rule that cannot
// be followed, is a fault for people.
func Decide(rule Rule, dates Dates, caps []Cap) (Decision, error) {
	if err := rule.Validate(); err != nil {
		return Decision{}, err
	}
	basis := dates.of(rule.From)
	if basis.IsZero() {
		return Decision{}, fault.New(fault.Invalid, fmt.Sprintf("the shelf life counts from the %s, and no date of it is recorded", rule.From.words()))
	}
	decision := Decision{Precision: rule.Precision, Style: rule.Style, Counted: basis.AddMonths(rule.Months).AddDays(rule.Days)}
	end := decision.Counted
	if rule.CapByExpiry {
		decision.DecidedBy, decision.Unknown = earliest(caps, end)
		if !decision.DecidedBy.Date.IsZero() {
			end = decision.DecidedBy.Date
		}
	}
	switch over := end.After(basis.AddMonths(durabilityLimit)); {
	case over && rule.OpenedMonths > 0:
		// Durability is what is left after the cut and before rounding: a cut to 30 months or less brings the
		// date back, and rounding, which is only how the date is printed, does not.
		decision.Opened = rule.OpenedMonths
	case rule.Precision == ToMonth:
		decision.Date = lastWholeMonth(end)
	default:
		decision.Date = end
	}
	decision.Reason = reason(rule, decision)
	return decision, nil
}

// earliest is the dated cap that comes first, where it comes before the end, and the caps that have no date.
func earliest(caps []Cap, end day.Day) (first Cap, unknown []Cap) {
	for _, c := range caps {
		switch {
		case c.Date.IsZero():
			unknown = append(unknown, c)
		case !c.Date.Before(end):
		case first.Date.IsZero() || c.Date.Before(first.Date) || c.Date == first.Date && c.String() < first.String():
			first = c
		}
	}
	return first, unknown
}

// lastWholeMonth is the last day of the last month whose end is not after d. A label with "Mar 2027" promises
// all of March.
func lastWholeMonth(d day.Day) day.Day {
	if d == d.LastOfMonth() {
		return d
	}
	return d.AddDays(-d.Day())
}

func reason(rule Rule, decision Decision) string {
	var b strings.Builder
	length := count(rule.Months, "month")
	if rule.Days > 0 {
		length = count(rule.Days, "day")
	}
	fmt.Fprintf(&b, "%s from %s", length, rule.From.words())
	if by := decision.DecidedBy; !by.Date.IsZero() {
		fmt.Fprintf(&b, ", cut to %s by %s", rule.Style.Day(by.Date), by)
	}
	switch {
	case decision.Opened > 0:
		fmt.Fprintf(&b, ", which is over %d months: no date, %s", durabilityLimit, Printed(decision))
	case decision.Precision == ToMonth:
		fmt.Fprintf(&b, ", to the month: %s", Printed(decision))
	}
	if len(decision.Unknown) > 0 {
		names := make([]string, len(decision.Unknown))
		for i, c := range decision.Unknown {
			names[i] = c.String()
		}
		fmt.Fprintf(&b, "; no date known for %s", strings.Join(names, ", "))
	}
	return b.String()
}

func count(n int, unit string) string {
	if n == 1 {
		return "1 " + unit
	}
	return fmt.Sprintf("%d %ss", n, unit)
}

// Printed is the text on the label, in the workshop's style: "30 Apr 2027", "Apr 2027" or "12 months after opening"; empty
// for the zero Decision.
func Printed(decision Decision) string {
	switch {
	case decision.Opened > 0:
		return count(decision.Opened, "month") + " after opening"
	case decision.Date.IsZero():
		return ""
	case decision.Precision == ToMonth:
		return decision.Style.Month(decision.Date)
	}
	return decision.Style.Day(decision.Date)
}
