// Package supply decides whether what lies on the shelf suffices for what is meant to be made. What is needed first is
// served first, from what runs out first; what has run out by the day it is needed for does not count. Common practice
// (first expired, first out), no source.
package supply

import (
	"cmp"
	"slices"

	"github.com/shopspring/decimal"

	"example.org/stillroom/internal/day"
)

// Source is what may be used: a lot, or a batch of bulk.
type Source struct {
	Code  string
	Left  decimal.Decimal
	Until day.Day // the last day it may be used on; zero for no end
}

// Fit tells whether the source may be used on a day.
func (s Source) Fit(on day.Day) bool { return s.Until.IsZero() || !s.Until.Before(on) }

// Need is what a batch or a plan will take, in the unit of the sources.
type Need struct {
	On     day.Day
	Amount decimal.Decimal
}

// Serve gives each need its share, the earliest day first and those of one day in the order they come in. missing has
// the place of its need; left are the sources with what nobody takes, the first to run out first.
func Serve(sources []Source, needs []Need) (left []Source, missing []decimal.Decimal) {
	left = slices.Clone(sources)
	slices.SortStableFunc(left, func(a, b Source) int {
		// Without an end comes after every end.
		if a.Until.IsZero() != b.Until.IsZero() {
			if a.Until.IsZero() {
				return 1
			}
			return -1
		}
		return cmp.Or(a.Until.Compare(b.Until), cmp.Compare(a.Code, b.Code))
	})
	order := make([]int, len(needs))
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, func(a, b int) int { return needs[a].On.Compare(needs[b].On) })
	missing = make([]decimal.Decimal, len(needs))
	for _, n := range order {
		want := needs[n].Amount
		for i := range left {
			if left[i].Fit(needs[n].On) && left[i].Left.IsPositive() {
				take := decimal.Min(want, left[i].Left)
				want, left[i].Left = want.Sub(take), left[i].Left.Sub(take)
			}
		}
		missing[n] = decimal.Max(want, decimal.Zero)
	}
	return left, missing
}

// Usable is what of the sources is left for one more need of a day, when the needs of others are served.
func Usable(sources []Source, others []Need, on day.Day) decimal.Decimal {
	left, _ := Serve(sources, others)
	return On(left, on)
}

// On is the sum of what may be used on a day.
func On(sources []Source, on day.Day) decimal.Decimal {
	sum := decimal.Zero
	for _, s := range sources {
		if s.Fit(on) {
			sum = sum.Add(s.Left)
		}
	}
	return sum
}

// TooSoon are the sources with something in them that run out before a day.
func TooSoon(sources []Source, on day.Day) []Source {
	var list []Source
	for _, s := range sources {
		if !s.Fit(on) && s.Left.IsPositive() {
			list = append(list, s)
		}
	}
	return list
}
