package batches

import (
	"cmp"
	"fmt"
	"regexp"
	"slices"
	"strings"
	"time"

	"example.org/stillroom/internal/cure"
	"example.org/stillroom/internal/day"
	"example.org/stillroom/internal/measure"
	"example.org/stillroom/internal/quantity"
	"example.org/stillroom/internal/release"
	"example.org/stillroom/internal/store"
)

// reasonPart is a stretch of a reason: words, or the code of a lot or batch.
type reasonPart struct{ Kind, Text string }

// named finds what a reason names, in the words of package bestbefore: "lot SF-0002", "batch CI-26322-019".
var named = regexp.MustCompile(`\b(lot|batch) ([^\s,;]+)`)

// reasonParts cuts a reason where it names a lot or a batch.
func reasonParts(reason string) (parts []reasonPart) {
	from := 0
	for _, at := range named.FindAllStringSubmatchIndex(reason, -1) {
		parts = append(parts, reasonPart{"", reason[from:at[4]]}, reasonPart{reason[at[2]:at[3]], reason[at[4]:at[5]]})
		from = at[5]
	}
	return append(parts, reasonPart{"", reason[from:]})
}

// untilWords says which lots decide until when bulk is to be used; empty where it is the formula's months.
func (v batchView) untilWords() string {
	switch len(v.Until) {
	case 0:
		return ""
	case 1:
		return "That is when lot " + v.Until[0] + " expires"
	}
	return "That is when lot " + strings.Join(v.Until, ", lot ") + " expire"
}

func (v batchView) endedWords() string {
	word := "Rejected"
	if v.Status == "void" {
		word = "Void"
	}
	return word + " by " + v.Ended.Who + ", " + v.Clock.Time(v.Ended.At)
}

// over tells that nothing more will be done to the batch.
func (v batchView) over() bool {
	return v.Status == "rejected" || v.Status == "released" || v.Status == "void"
}

// notYet is what a stage says that was not reached.
func (v batchView) notYet() string {
	if v.over() {
		return "not done"
	}
	return "not yet"
}

// undone is what a step says that nobody ticked.
func (v batchView) undone() string {
	if v.over() {
		return "Not done"
	}
	return "To do"
}

// unweighed is what a line says that has no input.
func (v batchView) unweighed() string {
	if v.Status == "making" {
		return "to weigh"
	}
	return "not weighed"
}

// cureWords says when a cure that runs is over.
func (v batchView) cureWords() string {
	due := cure.Due(*v.CureStartedAt, cure.Rule{MinHours: v.CureHours})
	ready := v.Clock.Style.Day(day.In(due, v.Clock.Zone))
	if due.Sub(v.Now) < 48*time.Hour && v.Now.Sub(due) < 48*time.Hour {
		ready = v.Clock.Short(due)
	}
	switch {
	case v.over():
		return fmt.Sprintf("from %s", v.Clock.Style.Day(day.In(*v.CureStartedAt, v.Clock.Zone)))
	case due.After(v.Now):
		return fmt.Sprintf("ready %s, after %s", ready, cure.Words(v.CureHours))
	}
	return fmt.Sprintf("ready since %s, after %s", ready, cure.Words(v.CureHours))
}

// planned is what the plan asked for.
func (v batchView) planned() string {
	if v.PlannedUnits > 0 {
		return store.UnitCount(v.PlannedUnits)
	}
	if v.PlannedG.Valid {
		return g(v.Clock.Style, v.PlannedG.Decimal)
	}
	return "not said"
}

// opensPortion tells whether a line is the first of its portion, in a batch of several.
func (v batchView) opensPortion(n int) bool {
	many := slices.ContainsFunc(v.Lines, func(l store.BatchLine) bool { return l.Portion != v.Lines[0].Portion })
	return many && (n == 0 || v.Lines[n].Portion != v.Lines[n-1].Portion)
}

func (v batchView) roomTitle() string {
	if v.CureHours > 0 && v.Yields != "bulk" {
		return "The room and the cure"
	}
	return "The room"
}

// onlyRoom is what an older book says of the room at making where it has one of temperature and humidity.
func (v batchView) onlyRoom() string {
	switch {
	case v.OnlyC.Valid:
		return "At making: " + v.Style.Degrees(v.OnlyC.Decimal) + ". The older book does not say the humidity."
	case v.OnlyPct.Valid:
		return "At making: " + quantity.Format(v.OnlyPct.Decimal) + " % humidity. The older book does not say the temperature."
	}
	return ""
}

func atStage(stage string) string {
	if stage == "cure" {
		return "over the cure"
	}
	return "at " + stage
}

// sourceBy says where a reading comes from.
func sourceBy(c store.ClimateNote) string {
	if c.Source == "typed" {
		return "typed by " + c.By
	}
	return c.Source + ", " + c.By
}

func releaseButton(open int) string {
	if open == 0 {
		return "Release"
	}
	return "Release: " + openWords(open)
}

// worstFirst puts what is in the way before what is to be looked at, and both before the rest.
func worstFirst(list []release.Condition) []release.Condition {
	rank := func(c release.Condition) int {
		switch c.State {
		case release.OK:
			return 2
		case release.Warn:
			return 1
		}
		return 0
	}
	out := slices.Clone(list)
	slices.SortStableFunc(out, func(a, b release.Condition) int { return cmp.Compare(rank(a), rank(b)) })
	return out
}

// signedAt is the signer's own time as pages write times. What was signed keeps it to the second, with its zone.
func signedAt(style measure.Style, s store.Signature) string {
	stamp, zone, _ := cutLast(s.LocalTime)
	at, err := time.Parse("2006-01-02 15:04:05 -0700", stamp)
	if err != nil {
		return s.LocalTime + toldWords(s)
	}
	return style.Moment(at, at.Location()) + " (" + zone + ")" + toldWords(s)
}

// toldWords goes on from a signature that this program did not see given.
func toldWords(s store.Signature) string {
	if s.Told {
		return ", as an import told"
	}
	return ""
}

func cutLast(text string) (before, after string, found bool) {
	i := strings.LastIndexByte(text, ' ')
	if i < 0 {
		return text, "", false
	}
	return text[:i], text[i+1:], true
}

// spoken leaves out of a history what says nothing to a person: the key of a signature, which is shown itself.
func spoken(list []store.RowChange) []store.RowChange {
	out := slices.Clone(list)
	for i := range out {
		out[i].Fields = slices.DeleteFunc(slices.Clone(out[i].Fields), func(f store.FieldChange) bool { return f.Field == "Signature" || f.Field == "Decided" })
	}
	return out
}

// kinds are the kinds of deviations.
var kinds = map[string]string{
	"weight": "Weighing", "lot": "Lot", "control": "Control", "climate": "The room", "cure": "Cure", "step": "Step", "addition": "Addition",
	"yield": "Yield", "date": "Best before", "dispatch": "Dispatch", "late": "Written late", "other": "Something else",
	"packaging": "Packaging", "label": "Labels", "equipment": "Equipment", "sample": "Samples", "rework": "Reprocessing",
}

func kindWords(kind string) string { return cmp.Or(kinds[kind], kind) }

// unitBeside is the unit that stands beside a box; what is counted needs none.
func unitBeside(unit string) string {
	if unit == "each" {
		return ""
	}
	return unit
}

// why is the reason that was given with a signature; none is asked for a release.
func (v packingView) why(s store.Signature) string {
	for _, c := range v.Changes {
		for _, f := range c.Fields {
			if f.Field == "Status" && f.New == s.Meaning {
				return c.Reason
			}
		}
	}
	return ""
}

// takenBack goes on from the tags of lots.
func takenBack(n int) string {
	if n == 1 {
		return "was rejected or recalled."
	}
	return "were rejected or recalled."
}
