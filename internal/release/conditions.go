package release

import (
	"fmt"
	"strings"
	"time"

	calendar "example.org/stillroom/internal/day"
	"example.org/stillroom/internal/measure"
)

// State is how a condition stands.
type State string

const (
	OK   State = "ok"
	Fail State = "fail" // stands in the way of the release
	Warn State = "warn" // told to the releaser, who signs with it in view
)

// Condition is one line of the release page. Words is one short sentence a finding, each on its own line.
type Condition struct {
	Key   string `json:"key"`
	Name  string `json:"name"`
	State State  `json:"state"`
	Words string `json:"words"`
}

// Keys of the conditions, in the order in which they are shown.
const (
	KeyLots       = "lots"
	KeyParts      = "parts"
	KeySteps      = "steps"
	KeyControls   = "controls"
	KeyDeviations = "deviations"
	KeyClimate    = "climate"
	KeyCure       = "cure"
	KeyYield      = "yield"
	KeyBestBefore = "best-before"
	KeyClearance  = "clearance"
	KeyPackaging  = "packaging"
	KeyLabel      = "label"
	KeyEquipment  = "equipment"
	KeyLate       = "late"
)

// Conditions judges the evidence: all conditions of a packing, or those that bulk or a set has, always in the same order.
func Conditions(e Evidence) []Condition {
	var list []Condition
	if e.Subject == Set {
		list = []Condition{lots(e.Style, e.Inputs), parts(e.Parts), deviations(e.Deviations)}
	} else {
		list = []Condition{lots(e.Style, e.Inputs), steps(e.Steps), controls(e.Controls), deviations(e.Deviations), climate(e.Climate)}
		if e.Subject != Bulk {
			list = append(list, cure(e.Cure))
		}
		list = append(list, reconciled(e.Style, e.Yield, e.Subject))
	}
	if e.Subject != Bulk {
		list = append(list, bestBefore(e.BestBefore), clearance(e.Clearance), packaging(e.Packaging), label(e.Label))
	}
	// A workshop that keeps no equipment in its book has nothing to check here; a list never looked up still fails.
	if !e.Equipment.read || len(e.Equipment.rows) > 0 {
		list = append(list, equipment(e.Style, e.Equipment))
	}
	return append(list, late(e.Late))
}

// Open counts the conditions that stand in the way. It is 1 for no conditions at all, since nothing was judged then.
func Open(conds []Condition) int {
	if len(conds) == 0 {
		return 1
	}
	open := 0
	for _, c := range conds {
		if c.State != OK && c.State != Warn {
			open++
		}
	}
	return open
}

// finding gathers what one condition has to say. The worst decides the state, and only the worst and what is worth a
// warning is told, failures first.
type finding struct{ fails, warns []string }

func (f *finding) fail(format string, args ...any) {
	f.fails = append(f.fails, fmt.Sprintf(format, args...))
}
func (f *finding) warn(format string, args ...any) {
	f.warns = append(f.warns, fmt.Sprintf(format, args...))
}

// settle makes the condition; fine are the words where nothing failed or warned.
func (f *finding) settle(key, name, fine string) Condition {
	c := Condition{Key: key, Name: name, State: OK, Words: fine}
	switch {
	case len(f.fails) > 0:
		c.State = Fail
	case len(f.warns) > 0:
		c.State = Warn
	default:
		return c
	}
	c.Words = strings.Join(append(f.fails, f.warns...), "\n")
	return c
}

// missing is the condition for a list that was never read.
func missing(key, name, what string) Condition {
	return Condition{Key: key, Name: name, State: Fail, Words: what + " have not been looked up"}
}

// accept warns where the deviation was accepted and fails where it is open or rejected.
func accept(f *finding, decision Decision, words string) {
	if decision == Accept {
		f.warn("%s; accepted as a deviation", words)
		return
	}
	f.fail("%s", words)
}

func blank(text string) bool { return strings.TrimSpace(text) == "" }

func noneOf(codes []string) bool {
	for _, code := range codes {
		if !blank(code) {
			return false
		}
	}
	return true
}

// called is "Olive oil OIL-0042", or what there is of it.
func called(name, code string) string {
	if both := strings.TrimSpace(name + " " + code); both != "" {
		return both
	}
	return "An ingredient"
}

func count(n int, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return fmt.Sprintf("%d %s", n, many)
}

func day(iso string) (time.Time, bool) {
	d, err := time.Parse(time.DateOnly, iso)
	return d, err == nil
}

func shown(style measure.Style, d time.Time) string { return style.Day(calendar.In(d, time.UTC)) }
