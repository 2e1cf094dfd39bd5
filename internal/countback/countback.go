// Package countback says how far a recall has come in units: what went out, what of it came back or is known to be gone,
// and what nobody can account for.
//
// The two percentages are common practice, no source: what a recall's status report asks for (units returned or corrected,
// and the quantity accounted for, 21 CFR 7.53, from memory) is divided by the units out. The wider "accounted %" over a
// whole production, with stock and samples (law.md §7.6, itself from memory), is a drill's and not reckoned here.
package countback

import "fmt"

// Units are the units of a packing, a customer or a whole recall, each counted once.
type Units struct {
	Out       int // with customers when the list was frozen: sent less what had come back by then
	Returned  int // came back here since, whatever became of them here
	Destroyed int // destroyed where they were
	Used      int // used up, as the customer says
	Sold      int // sold on, as the customer says: known to be gone, and not got back
}

// Add gives the counts of both together.
func (u Units) Add(v Units) Units {
	return Units{u.Out + v.Out, u.Returned + v.Returned, u.Destroyed + v.Destroyed, u.Used + v.Used, u.Sold + v.Sold}
}

// Recovered are the units that nobody can use any more: back here, or destroyed there.
func (u Units) Recovered() int { return u.Returned + u.Destroyed }

// Accounted are the units of which somebody says what became of them.
func (u Units) Accounted() int { return u.Recovered() + u.Used + u.Sold }

// Missing are the units of which nobody has said anything yet, 0 where more was counted than went out.
func (u Units) Missing() int { return max(0, u.Out-u.Accounted()) }

// Over is how many more were counted than went out: an entry is wrong, or something sold on came back after all.
func (u Units) Over() int { return max(0, u.Accounted()-u.Out) }

// AccountedPct is the accounted share of the units out, RecoveredPct the recovered one, as Percent writes it.
func (u Units) AccountedPct() string { return Percent(u.Accounted(), u.Out) }

// RecoveredPct is the share of the units out that nobody can use any more.
func (u Units) RecoveredPct() string { return Percent(u.Recovered(), u.Out) }

// Percent writes part of whole with one decimal place, rounded down: 100.0 stands only where all is there. It is empty
// where the whole is none: of nothing there is no share.
func Percent(part, whole int) string {
	if whole <= 0 {
		return ""
	}
	tenths := part * 1000 / whole
	return fmt.Sprintf("%d.%d %%", tenths/10, tenths%10)
}

// Allocate takes units that came back off what is still out of each dispatch, the first first. left is what none of
// them can have been.
func Allocate(units int, out []int) (taken []int, left int) {
	taken = make([]int, len(out))
	for i, most := range out {
		taken[i] = min(units, max(0, most))
		units -= taken[i]
	}
	return taken, units
}
