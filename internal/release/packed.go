package release

import (
	"fmt"
	"strings"
	"time"

	"example.org/stillroom/internal/yield"
)

func cure(c Cure) Condition {
	const name = "Cure"
	var f finding
	ran := c.Ended.Sub(c.Started)
	switch {
	case c.NotAsked:
		return f.settle(KeyCure, name, "The formula asks for no cure")
	case c.MinHours <= 0:
		f.fail("The formula's cure time has not been looked up")
	case c.Started.IsZero():
		accept(&f, c.Deviation, "Cure has no start")
	case c.Ended.IsZero():
		accept(&f, c.Deviation, "Cure has not ended")
	case ran < 0:
		f.fail("Cure ends before it starts")
	case ran < time.Duration(c.MinHours)*time.Hour:
		accept(&f, c.Deviation, "Cure ran "+cureWords(ran, c.MinHours))
	}
	return f.settle(KeyCure, name, "Cure ran "+cureWords(ran, c.MinHours))
}

// cureWords compares in days where the formula asks for whole days from ten on, else in hours. What ran is rounded
// down, so that a cure an hour short never reads as long enough.
func cureWords(ran time.Duration, minHours int) string {
	hours := int(ran / time.Hour)
	if minHours >= 240 && minHours%24 == 0 {
		return fmt.Sprintf("%s, the formula asks for %d days", count(hours/24, "day", "days"), minHours/24)
	}
	return fmt.Sprintf("%d h, the formula asks for %d h", hours, minHours)
}

func bestBefore(b BestBefore) Condition {
	var f finding
	if blank(b.Printed) {
		f.fail("The best-before date is not decided")
	}
	for _, lot := range b.Unknown {
		f.warn("%s has no known expiry", lot)
	}
	fine := b.Printed
	if !blank(b.Reason) {
		fine += ": " + b.Reason
	}
	return f.settle(KeyBestBefore, "Best before", fine)
}

func clearance(c Clearance) Condition {
	var f finding
	switch {
	case blank(c.By) || c.At.IsZero():
		f.fail("Nobody has cleared the line")
	case c.PackedAt.IsZero():
		f.fail("The start of packing is not recorded")
	case c.At.After(c.PackedAt):
		f.fail("The line was cleared after packing had started")
	}
	return f.settle(KeyClearance, "Line cleared", "Cleared by "+c.By+" before packing")
}

func packaging(list List[Packaged]) Condition {
	const name = "Packaging"
	if !list.read {
		return missing(KeyPackaging, name, "The packaging materials")
	}
	var f finding
	for _, p := range list.rows {
		if noneOf(p.Lots) && !p.NoLots {
			f.fail("%s has no lot", p.Name)
		}
		if !p.Used.IsPositive() {
			f.fail("%s: nothing is recorded as used", p.Name)
			continue
		}
		counts := yield.Packaging{Issued: p.Issued, Used: p.Used, Spoiled: p.Spoiled, Returned: p.Returned}
		if !counts.Over(p.LimitPct) {
			continue
		}
		said := p.Name + ": " + counts.Words()
		if blank(p.Explanation) {
			f.fail("%s", said)
		} else {
			f.warn("%s; explained: %s", said, strings.TrimSpace(p.Explanation))
		}
	}
	fine := "The product has no packaging"
	if n := len(list.rows); n > 0 {
		fine = count(n, "material", "materials") + ", lots recorded, counts add up"
	}
	return f.settle(KeyPackaging, name, fine)
}

func label(l Label) Condition {
	var f finding
	if !l.Ticked || blank(l.By) {
		f.fail("Nobody has checked the label")
	}
	if blank(l.Specimen) {
		f.fail("There is no specimen of the label")
	}
	return f.settle(KeyLabel, "Label checked", "Checked by "+l.By+", specimen kept")
}
