// Package cure decides how long a product must lie between moulding and packing, whether it has, and what its
// weighings say of the loss still to come: first-order drying, w(t) = w∞ + (w0 - w∞) exp(-k t).
package cure

import (
	"strconv"
	"time"

	"example.org/stillroom/internal/fault"
)

// Rule is the cure that a formula asks for. MinHours 0 asks for none.
type Rule struct{ MinHours int }

// maxHours is ten years: a guard against a slip of the pen, not a rule of the trade.
const maxHours = 10 * 365 * 24

// Check refuses a cure below none or above ten years: an Invalid fault beside "min_hours".
func (r Rule) Check() error {
	if r.MinHours < 0 || r.MinHours > maxHours {
		return fault.In("min_hours", "A cure from 0 hours to ten years is needed.")
	}
	return nil
}

// Due is the first moment at which a cure begun at start has been long enough. Hours are elapsed hours: a change of
// the clocks makes a cure of 48 hours neither shorter nor longer.
func Due(start time.Time, rule Rule) time.Time {
	return start.Add(time.Duration(rule.MinHours) * time.Hour)
}

// LongEnough tells whether a cure from start to end kept the rule; exactly the minimum does.
func LongEnough(start, end time.Time, rule Rule) bool { return !end.Before(Due(start, rule)) }

// Words says a minimum as a maker would: whole weeks as weeks, whole days above two as days, all else as hours.
func Words(minHours int) string {
	const day, week = 24, 7 * 24
	switch {
	case minHours <= 0:
		return "no minimum"
	case minHours%week == 0:
		return count(minHours/week, "week")
	case minHours%day == 0 && minHours > 2*day:
		return count(minHours/day, "day")
	}
	return count(minHours, "hour")
}

// Ran says how long a cure has run: in minutes where it was less than an hour, in whole hours up to two days, then in
// days and hours: 43 minutes, 46 hours, 41 days 23 hours.
func Ran(d time.Duration) string {
	if d < time.Hour {
		return count(int(max(d, 0).Minutes()), "minute")
	}
	hours := int(d.Hours())
	if hours > 48 && hours%24 != 0 {
		return count(hours/24, "day") + " " + count(hours%24, "hour")
	}
	return Words(hours)
}

func count(n int, noun string) string {
	if n == 1 {
		return "1 " + noun
	}
	return strconv.Itoa(n) + " " + noun + "s"
}
