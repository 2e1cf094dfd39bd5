package release

import (
	"fmt"
	"strings"

	"example.org/stillroom/internal/measure"
)

func lots(style measure.Style, list List[Input]) Condition {
	const name = "Lots fit for use"
	if !list.read {
		return missing(KeyLots, name, "The lots used")
	}
	var f finding
	drawn := 0
	for _, in := range list.rows {
		switch in.Kind {
		case Untracked:
			if blank(in.Code) {
				f.fail("%s has no note of where it came from", in.Name)
			}
			continue
		case Lot, Batch:
			drawn++
		default:
			f.fail("%s has no lot", called(in.Name, in.Code))
			continue
		}
		judgeInput(style, &f, in)
	}
	if len(list.rows) == 0 {
		f.fail("No ingredient has been recorded")
	}
	fine := count(drawn, "lot or batch", "lots and batches") + " used, released and in date"
	if drawn == 0 {
		fine = "Only materials that have no lots were used"
	}
	for _, in := range list.rows {
		if in.Signed != "" {
			fine += fmt.Sprintf("\n%s worked in again, as signed for by %s", called(in.Name, in.Code), in.Signed)
		}
	}
	return f.settle(KeyLots, name, fine)
}

func judgeInput(style measure.Style, f *finding, in Input) {
	what := called(in.Name, in.Code)
	switch in.State {
	case Rejected, Recalled:
		// Whatever its user signed: only an owner's decision on the lot itself changes this.
		f.fail("%s is %s", what, in.State)
		return
	case Released:
	case Quarantined:
		accept(f, in.Deviation, what+" is in quarantine")
	case Held:
		accept(f, in.Deviation, what+" is on hold")
	default:
		f.fail("%s has not been released", what)
	}
	if in.Kind != Lot {
		return // a batch's best-before caps the packing's own; it does not expire for use
	}
	used, ok := day(in.UsedOn)
	if !ok {
		f.fail("%s: the day it was used is missing", what)
		return
	}
	if retest, ok := day(in.RetestOn); ok && used.After(retest) {
		f.warn("%s was to be looked at again by %s and was used on %s", what, shown(style, retest), shown(style, used))
	}
	if in.ExpiresOn == "" {
		return
	}
	expires, ok := day(in.ExpiresOn)
	if !ok {
		f.fail("%s: its expiry cannot be read", what)
		return
	}
	if used.After(expires) {
		accept(f, in.Deviation, fmt.Sprintf("%s expired on %s and was used on %s", what, shown(style, expires), shown(style, used)))
	}
}

// parts holds units in to units out: what a set takes of each product was taken, no more and no less.
func parts(list List[Part]) Condition {
	const name = "Units in and out"
	if !list.read {
		return missing(KeyParts, name, "The parts of the set")
	}
	var f finding
	if len(list.rows) == 0 {
		f.fail("Nothing says what the set is put together from")
	}
	in := 0
	for _, p := range list.rows {
		in += p.Used
		if p.Used != p.Needed || p.Needed <= 0 {
			accept(&f, p.Deviation, fmt.Sprintf("%s: %s taken, the sets hold %d", p.Name, count(p.Used, "unit", "units"), p.Needed))
		}
	}
	return f.settle(KeyParts, name, count(in, "unit", "units")+" went in, as many as the sets hold")
}

func steps(list List[Step]) Condition {
	const name = "Steps done"
	if !list.read {
		return missing(KeySteps, name, "The steps")
	}
	var f finding
	for _, s := range list.rows {
		if !s.Done {
			accept(&f, s.Deviation, s.Name+" is not done")
		}
	}
	fine := "The formula asks for no steps"
	if n := len(list.rows); n > 0 {
		fine = "All " + count(n, "weighing or step", "weighings and steps") + " done"
		if n == 1 {
			fine = "1 step done"
		}
	}
	return f.settle(KeySteps, name, fine)
}

func controls(list List[Control]) Condition {
	const name = "Controls in limits"
	if !list.read {
		return missing(KeyControls, name, "The controls")
	}
	var f finding
	for _, c := range list.rows {
		what := strings.TrimSpace(c.Name + " " + c.Stage)
		switch {
		case !c.Done:
			accept(&f, c.Deviation, what+" has no reading")
		case !c.InLimits:
			said := what + " is outside its limits"
			if !blank(c.Words) {
				said = what + ": " + c.Words
			}
			accept(&f, c.Deviation, said)
		}
	}
	fine := "The formula asks for no controls"
	if n := len(list.rows); n > 0 {
		fine = count(n, "control", "controls") + ", in limits"
	}
	return f.settle(KeyControls, name, fine)
}

func deviations(list List[Deviation]) Condition {
	const name = "Deviations decided"
	if !list.read {
		return missing(KeyDeviations, name, "The deviations")
	}
	var f finding
	for _, d := range list.rows {
		switch d.Decision {
		case Accept:
		case Reject:
			f.fail("%s was decided: reject", d.Name)
		default:
			f.fail("%s is not decided", d.Name)
		}
	}
	fine := "No deviations"
	if n := len(list.rows); n > 0 {
		fine = count(n, "deviation", "deviations") + ", decided and accepted"
	}
	return f.settle(KeyDeviations, name, fine)
}

func climate(c Climate) Condition {
	var f finding
	if !c.Recorded {
		accept(&f, c.Deviation, "Temperature and humidity at making are not recorded")
	} else {
		for _, words := range c.Outside {
			accept(&f, c.Deviation, words)
		}
	}
	fine := "Recorded"
	if !blank(c.Words) {
		fine = c.Words
	}
	return f.settle(KeyClimate, "Climate at making", fine)
}

func reconciled(style measure.Style, y Yield, subject Subject) Condition {
	var f finding
	over := y.UnexplainedPct.Abs().GreaterThan(y.LimitPct)
	left := fmt.Sprintf("%s unaccounted for, %s %% of what went in; the limit is %s %%",
		style.Grams(y.UnexplainedG.Round(1)), y.UnexplainedPct.Round(2), y.LimitPct)
	switch {
	case !y.Measured && subject == Bulk:
		f.fail("The bulk has not been weighed")
	case !y.Measured:
		f.fail("The units have not been counted")
	case y.LimitPct.IsNegative():
		f.fail("The formula's reconciliation limit cannot be read")
	case subject != Bulk && y.Good <= 0:
		f.fail("There are no good units to release")
	case over && blank(y.Explanation):
		f.fail("%s, and nobody has explained it", left)
	case over:
		f.warn("%s; explained: %s", left, strings.TrimSpace(y.Explanation))
	}
	switch {
	case blank(y.UnitsOff):
	case blank(y.Explanation):
		f.fail("%s, and nobody has explained it", y.UnitsOff)
	default:
		f.warn("%s; explained: %s", y.UnitsOff, strings.TrimSpace(y.Explanation))
	}
	fine := left
	if subject != Bulk {
		fine = count(y.Good, "good unit", "good units") + "; " + left
	}
	return f.settle(KeyYield, "Yield reconciled", fine)
}

func equipment(style measure.Style, list List[Equipment]) Condition {
	const name = "Equipment checks"
	if !list.read {
		return missing(KeyEquipment, name, "The equipment and its checks")
	}
	var f finding
	for _, q := range list.rows {
		if q.NoneNamed {
			f.warn("No equipment is named")
			continue
		}
		judgeFailed(style, &f, q)
		if q.NoCheck {
			continue
		}
		due, okDue := day(q.CheckDue)
		used, okUsed := day(q.UsedOn)
		switch {
		case q.Never:
			f.warn("%s was used and had never been checked", q.Name)
		case q.CheckDue == "":
			f.warn("%s has no date for its next check", q.Name)
		case !okDue || !okUsed:
			f.warn("%s: whether its check was in date is not known", q.Name)
		case used.After(due):
			f.warn("%s was used on %s; its check was due on %s", q.Name, shown(style, used), shown(style, due))
		}
	}
	return f.settle(KeyEquipment, name, "All checks in date")
}

// judgeFailed says in strong words what was used though it was wrong, or may have been.
func judgeFailed(style measure.Style, f *finding, q Equipment) {
	if q.FailedOn == "" {
		return
	}
	failed, okFailed := day(q.FailedOn)
	used, okUsed := day(q.UsedOn)
	switch {
	case !okFailed || !okUsed:
		f.warn("%s failed a check; when is not known", q.Name)
	case q.FailedAfter:
		f.warn("%s was used on %s and failed its next check on %s: nobody knows whether it was right", q.Name, shown(style, used), shown(style, failed))
	default:
		f.warn("%s failed its last check on %s and was used all the same, last on %s", q.Name, shown(style, failed), shown(style, used))
	}
}

func late(list List[Late]) Condition {
	const name = "Written at the time"
	if !list.read {
		return missing(KeyLate, name, "The times of the entries")
	}
	var f finding
	for _, l := range list.rows {
		f.warn("%s was written late", l.Name)
	}
	return f.settle(KeyLate, name, "No entry was made late")
}
