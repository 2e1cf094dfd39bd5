package bench

import (
	"fmt"
	"strconv"
	"time"

	"github.com/shopspring/decimal"

	"example.org/stillroom/internal/cure"
	"example.org/stillroom/internal/measure"
	"example.org/stillroom/internal/quantity"
	"example.org/stillroom/internal/store"
	"example.org/stillroom/internal/weighing"
)

type kind string

const (
	kindRoom    kind = "room"
	kindLine    kind = "line"
	kindStep    kind = "step"
	kindControl kind = "control"
	kindMould   kind = "mould"
	kindCure    kind = "cure"
	kindCureEnd kind = "cure-end"
	kindPack    kind = "pack"
	kindBulk    kind = "bulk"
)

type state string

const (
	stateOpen  state = "to do"
	statePart  state = "begun"     // something stands recorded, and more is to come
	stateMaybe state = "if needed" // may be left out
	stateLater state = "later"     // its turn has not come
	stateDone  state = "done"
	stateOff   state = "off" // done, and outside its limits or unlike the formula
)

// Groups of the list that are not a portion of the formula.
const (
	groupFirst   = "Before you begin"
	groupThen    = "Then"
	groupChecks  = "Checks"
	groupPacking = "Packing"
)

// task is one thing to do at the bench, with where it stands.
type task struct {
	ID     string // in the URL: kind, and its number where there are several
	Kind   kind
	Index  int // in the record's lines, steps or controls
	Group  string
	Name   string
	Amount string
	State  state
	By     string // who did it
	At     time.Time
	Detail string // instead of who and when
}

// done tells whether something stands recorded and nothing more is waited for.
func (t task) done() bool { return t.State == stateDone || t.State == stateOff }

// numbers writes masses to the scale's readability, so that all of a list have the same places.
type numbers struct {
	places int32
	style  measure.Style
}

func numbersOf(w store.Workshop) numbers {
	return numbers{max(0, -w.ReadabilityG.Exponent()), w.Style}
}

// grams writes a mass without its unit: in g with the scale's places, one that is finer keeps its own.
func (n numbers) grams(d decimal.Decimal) string {
	return n.style.Each(d, n.places)
}

// mass is grams with the unit.
func (n numbers) mass(d decimal.Decimal) string { return n.grams(d) + " " + n.style.MassUnit() }

// reading is a figure of a control, without its unit.
func (n numbers) reading(v decimal.Decimal, unit string) string {
	shown, _ := n.style.In(v, unit)
	return quantity.Format(shown)
}

// tasksOf puts everything that a batch asks for in the order of the hand: the room; each portion's lines and then its
// steps; the other steps; what is checked at making; moulding with its checks; the cure and its end; packing. What
// stands recorded does not change the order, so that the list stays where the eye left it.
func tasksOf(b store.BatchRecord, now time.Time, n numbers) []task {
	list := []task{roomTask(b, n)}
	steps := map[string][]int{}
	for i, s := range b.Steps {
		steps[s.Portion] = append(steps[s.Portion], i)
	}
	for i, l := range b.Lines {
		list = append(list, lineTask(b, i, n))
		// Two portions of one name that follow each other are one here; the steps come after the last line of the name.
		if !laterLineOf(b.Lines[i+1:], l.Portion) {
			for _, s := range steps[l.Portion] {
				list = append(list, stepTask(b, s, l.Portion))
			}
			delete(steps, l.Portion)
		}
	}
	for i, s := range b.Steps {
		if _, left := steps[s.Portion]; left {
			group := groupThen
			if s.Portion != "" {
				group = s.Portion
			}
			list = append(list, stepTask(b, i, group))
		}
	}
	list = append(list, controlTasks(b, n, "making", groupChecks, false)...)
	if b.Yields == "bulk" {
		list = append(list, controlTasks(b, n, "moulding", mouldGroup(b), false)...)
		list = append(list, mouldTask(b))
		list = append(list, controlTasks(b, n, "cure_end", groupPacking, false)...)
		return append(list, bulkTask(b, n))
	}
	list = append(list, controlTasks(b, n, "moulding", mouldGroup(b), false)...)
	list = append(list, mouldTask(b))
	if b.CureHours > 0 {
		due := b.CureStartedAt != nil && !cure.Due(*b.CureStartedAt, cure.Rule{MinHours: b.CureHours}).After(now)
		list = append(list, cureTask(b, due))
		list = append(list, controlTasks(b, n, "cure_end", cureGroup(b), b.CureEndedAt == nil && !due)...)
		list = append(list, cureEndTask(b, due))
	} else {
		list = append(list, controlTasks(b, n, "cure_end", groupPacking, b.MouldedAt == nil)...)
	}
	return append(list, packTask(b))
}

func laterLineOf(lines []store.BatchLine, portion string) bool {
	for _, l := range lines {
		if l.Portion == portion {
			return true
		}
	}
	return false
}

func roomTask(b store.BatchRecord, n numbers) task {
	t := task{ID: string(kindRoom), Kind: kindRoom, Group: groupFirst, Name: "Room", State: stateOpen}
	for _, c := range b.Climate {
		if c.Stage != "making" || c.Replaced {
			continue
		}
		t.State, t.By, t.At = stateDone, c.By, c.Made.At
		t.Amount = n.style.Air(c.TemperatureC, c.HumidityPct)
		if len(b.Limits.Room().Outside(n.style, c.TemperatureC.InexactFloat64(), c.HumidityPct.InexactFloat64())) > 0 {
			t.State = stateOff
		}
	}
	return t
}

func lineTask(b store.BatchRecord, i int, n numbers) task {
	l := b.Lines[i]
	t := task{ID: "line-" + strconv.Itoa(i+1), Kind: kindLine, Index: i, Group: l.Portion, Name: l.Name, Amount: lineTarget(l, n) + " " + n.style.MassUnit(), State: stateOpen}
	if !l.Done() {
		if l.AsNeeded && l.LowG.Decimal.IsZero() {
			t.State = stateMaybe
		}
		return t
	}
	for _, in := range l.Inputs {
		if !in.Replaced {
			t.By, t.At = in.By, in.Made.At
		}
	}
	sum := l.WeighedG()
	t.Amount, t.State = n.mass(sum), stateDone
	switch {
	case hasDeviation(b, l):
		t.State = stateOff
	case lineOutside(b, l, sum) && sum.LessThan(lineLeast(l)):
		t.State, t.Detail = statePart, "still "+n.mass(lineLeast(l).Sub(sum))
	case lineOutside(b, l, sum):
		t.State = stateOff
	}
	return t
}

// lineTarget is what a line asks for, without its unit: "800.0", or "5.0 to 20.0".
func lineTarget(l store.BatchLine, n numbers) string {
	if l.LowG.Valid {
		return n.grams(l.LowG.Decimal) + " to " + n.grams(l.HighG.Decimal)
	}
	return n.grams(l.TargetG)
}

func lineLeast(l store.BatchLine) decimal.Decimal {
	if l.LowG.Valid {
		return l.LowG.Decimal
	}
	return l.TargetG
}

func lineOutside(b store.BatchRecord, l store.BatchLine, grams decimal.Decimal) bool {
	if l.LowG.Valid {
		return weighing.OutsideRange(l.LowG.Decimal, l.HighG.Decimal, grams)
	}
	return weighing.Outside(l.TargetG, grams, b.Limits.TolerancePct, b.Limits.ToleranceG)
}

// hasDeviation tells whether a deviation stands about what was weighed for a line.
func hasDeviation(b store.BatchRecord, l store.BatchLine) bool {
	for _, d := range b.Deviations {
		if d.AboutID == nil || d.Withdrawn {
			continue
		}
		for _, in := range l.Inputs {
			if !in.Replaced && *d.AboutID == in.ID {
				return true
			}
		}
	}
	return false
}

func stepTask(b store.BatchRecord, i int, group string) task {
	s := b.Steps[i]
	t := task{ID: "step-" + strconv.Itoa(i+1), Kind: kindStep, Index: i, Group: group, Name: s.Text, State: stateOpen}
	if s.Tick != nil {
		t.State, t.By, t.At = stateDone, s.Tick.By, s.Tick.Made.At
	}
	return t
}

func controlTasks(b store.BatchRecord, n numbers, stage, group string, later bool) []task {
	var list []task
	for i, c := range b.Controls {
		if c.Stage != stage {
			continue
		}
		t := task{ID: "control-" + strconv.Itoa(i+1), Kind: kindControl, Index: i, Group: group, Name: c.Name, State: stateOpen}
		run := runOf(c)
		switch current := c.Current(); {
		case len(current) == 0 && later:
			t.State = stateLater
		case len(current) == 0:
		case len(current) < c.Asked:
			t.State, t.Detail = statePart, fmt.Sprintf("%d of %d", len(current), c.Asked)
		default:
			last := current[len(current)-1]
			t.State, t.By, t.At = stateDone, last.By, last.Made.At
			if run.Outside > 0 {
				t.State = stateOff
			}
		}
		if run.Count == 1 {
			t.Amount = n.reading(run.Mean, c.Unit)
		} else if run.Count > 1 {
			t.Amount = "mean " + n.reading(run.Mean.Round(2), c.Unit)
		}
		list = append(list, t)
	}
	return list
}

func runOf(c store.BatchControl) weighing.RunStats {
	var values []decimal.Decimal
	for _, r := range c.Current() {
		values = append(values, r.Value)
	}
	return weighing.Run(values, c.Low, c.High)
}

func mouldGroup(b store.BatchRecord) string {
	if b.Yields == "bulk" {
		return "End of making"
	}
	return "Moulding"
}

func mouldTask(b store.BatchRecord) task {
	t := task{ID: string(kindMould), Kind: kindMould, Group: mouldGroup(b), Name: "Mould and count", State: stateOpen}
	if b.Yields == "bulk" {
		t.Name = "End the making"
	}
	if b.MouldedAt != nil {
		t.State, t.At = stateDone, *b.MouldedAt
		if b.Yields != "bulk" && b.MouldedUnits != nil {
			t.Amount = unitsOf(*b.MouldedUnits)
		}
	}
	return t
}

func unitsOf(n int) string {
	if n == 1 {
		return "1 unit"
	}
	return quantity.Format(decimal.NewFromInt(int64(n))) + " units"
}

// cureGroup is the cure by the word of its formula.
func cureGroup(b store.BatchRecord) string {
	switch b.CureWord {
	case "dry":
		return "Drying"
	case "set":
		return "Setting"
	}
	return "Cure"
}

func cureTask(b store.BatchRecord, due bool) task {
	t := task{ID: string(kindCure), Kind: kindCure, Group: cureGroup(b), Name: cureGroup(b) + " of " + cure.Words(b.CureHours), State: stateLater}
	switch {
	case b.CureStartedAt == nil:
	case due || b.CureEndedAt != nil:
		t.State, t.At = stateDone, *b.CureStartedAt
		t.Detail = "long enough"
		if b.CureEndedAt != nil && !cure.LongEnough(*b.CureStartedAt, *b.CureEndedAt, cure.Rule{MinHours: b.CureHours}) {
			t.Detail = ""
		}
	default:
		t.State, t.Detail = statePart, "under way"
	}
	return t
}

func cureEndTask(b store.BatchRecord, due bool) task {
	t := task{ID: string(kindCureEnd), Kind: kindCureEnd, Group: cureGroup(b), Name: "End of it", State: stateLater}
	switch {
	case b.CureEndedAt != nil:
		t.State, t.At = stateDone, *b.CureEndedAt
		if b.CureStartedAt != nil && !cure.LongEnough(*b.CureStartedAt, *b.CureEndedAt, cure.Rule{MinHours: b.CureHours}) {
			t.State = stateOff
		}
	case due && b.Status == "curing":
		t.State = stateOpen
	}
	return t
}

func packTask(b store.BatchRecord) task {
	t := task{ID: string(kindPack), Kind: kindPack, Group: groupPacking, Name: "Pack", State: stateLater}
	good := 0
	for _, p := range b.Packings {
		good += p.UnitsGood
	}
	if len(b.Packings) > 0 {
		t.Amount = unitsOf(good)
	}
	switch b.Status {
	case "making", "curing":
	case "packing":
		t.State = stateOpen
		if len(b.Packings) > 0 {
			t.State = statePart
		}
	default:
		t.State = stateDone
	}
	return t
}

func bulkTask(b store.BatchRecord, n numbers) task {
	t := task{ID: string(kindBulk), Kind: kindBulk, Group: groupPacking, Name: "Weigh the bulk", State: stateLater}
	switch {
	case b.BulkG.Valid:
		t.State, t.Amount = stateDone, n.mass(b.BulkG.Decimal)
	case b.MouldedAt != nil:
		t.State = stateOpen
	}
	return t
}

// firstOpen is where the bench opens: the first task that waits for something.
func firstOpen(list []task) (task, bool) {
	for _, t := range list {
		if t.State == stateOpen || t.State == statePart {
			return t, true
		}
	}
	return task{}, false
}

// nextAfter is where the hand goes after a task: the next that may be done, else the first that was left open.
func nextAfter(list []task, id string) (task, bool) {
	passed := false
	for _, t := range list {
		if passed && (t.State == stateOpen || t.State == statePart || t.State == stateMaybe) {
			return t, true
		}
		passed = passed || t.ID == id
	}
	return firstOpen(list)
}

func taskByID(list []task, id string) (t task, n int, ok bool) {
	for i, t := range list {
		if t.ID == id {
			return t, i + 1, true
		}
	}
	return task{}, 0, false
}
