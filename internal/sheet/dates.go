package sheet

import (
	"fmt"
	"regexp"
	"strconv"
	"strings"
	"time"
)

// Orders of the parts of a date that is written in figures.
const (
	DayFirst   = "day"   // 03/04/2026 is 3 April
	MonthFirst = "month" // 03/04/2026 is 4 March
)

var (
	figures   = regexp.MustCompile(`^(\d{1,4})([-/.])(\d{1,2})([-/.])(\d{1,4})\.?$`)
	dayName   = regexp.MustCompile(`^(\d{1,2})(?:st|nd|rd|th)?[-/. ]*([A-Za-z]{3,9})\.?[-/, ]*(\d{4}|\d{2})$`)
	nameDay   = regexp.MustCompile(`^([A-Za-z]{3,9})\.?[-/ ]*(\d{1,2})(?:st|nd|rd|th)?[-/, ]+(\d{4}|\d{2})$`)
	clockForm = regexp.MustCompile(`^(\d{1,2})[:.](\d{2})(?:[:.](\d{2})(?:\.\d{1,9})?)?\s*([AaPp])?\.?([Mm])?\.?$`)
	behindDay = regexp.MustCompile(`^(.*\d)(?:[Tt]|,?\s+(?:at\s+)?)(\d{1,2}[:.]\d{2}(?:[:.]\d{2})?(?:\.\d{1,9})?\s*(?:[AaPp]\.?[Mm]\.?)?)$`)
	dotSpace  = regexp.MustCompile(`([-/.])\s+`)
)

var months = []string{"january", "february", "march", "april", "may", "june", "july", "august", "september", "october", "november", "december"}

func monthOf(name string) int {
	name = strings.ToLower(name)
	if name == "sept" {
		return 9
	}
	for n, month := range months {
		if len(name) >= 3 && strings.HasPrefix(month, name) {
			return n + 1
		}
	}
	return 0
}

// date reads a day in one order of its parts; it answers no day where the text is none, or there is no such day. A year of
// two figures is one of this century.
func date(text, order string) (iso string, ok bool) {
	text = dotSpace.ReplaceAllString(strings.Join(strings.Fields(text), " "), "$1")
	var y, m, d int
	if p := figures.FindStringSubmatch(text); p != nil && p[2] == p[4] {
		first, middle, last := whole(p[1]), whole(p[3]), whole(p[5])
		switch {
		case len(p[1]) == 4 && len(p[5]) <= 2:
			y, m, d = first, middle, last
		case len(p[1]) > 2 || len(p[5]) != 4 && len(p[5]) != 2:
			return "", false
		case order == MonthFirst:
			y, m, d = year(p[5]), first, middle
		default:
			y, m, d = year(p[5]), middle, first
		}
		_ = last
	} else if p := dayName.FindStringSubmatch(text); p != nil {
		y, m, d = year(p[3]), monthOf(p[2]), whole(p[1])
	} else if p := nameDay.FindStringSubmatch(text); p != nil {
		y, m, d = year(p[3]), monthOf(p[1]), whole(p[2])
	}
	at := time.Date(y, time.Month(m), d, 0, 0, 0, 0, time.UTC)
	if y < 1 || m < 1 || m > 12 || d < 1 || at.Day() != d {
		return "", false
	}
	return at.Format("2006-01-02"), true
}

func whole(digits string) int {
	n, err := strconv.Atoi(digits)
	if err != nil {
		return 0
	}
	return n
}

func year(digits string) int {
	if len(digits) == 2 {
		return 2000 + whole(digits)
	}
	return whole(digits)
}

// splitTime takes the time off a day that has one: "14/03/2026 9:30 am".
func splitTime(text string) (day, clock string) {
	if p := behindDay.FindStringSubmatch(strings.TrimSpace(text)); p != nil && clockForm.MatchString(p[2]) {
		return p[1], p[2]
	}
	return text, ""
}

// clockTime reads a time of day: 9:30, 09.30, 9:30 pm.
func clockTime(text string) (h, m, s int, ok bool) {
	p := clockForm.FindStringSubmatch(strings.TrimSpace(text))
	if p == nil || (p[4] == "") != (p[5] == "") {
		return 0, 0, 0, false
	}
	h, m, s = whole(p[1]), whole(p[2]), whole(p[3])
	if p[4] != "" {
		if h < 1 || h > 12 {
			return 0, 0, 0, false
		}
		h %= 12
		if p[4] == "p" || p[4] == "P" {
			h += 12
		}
	}
	return h, m, s, h < 24 && m < 60 && s < 60
}

// moment is a local time of a zone in UTC. In the night in which clocks go forward some times do not happen, and in the
// other some happen twice: both are said.
func moment(iso string, h, m, s int, zone *time.Location) (utc, wrong string) {
	d, err := time.Parse("2006-01-02", iso)
	if err != nil {
		return "", "there is no such day"
	}
	at := time.Date(d.Year(), d.Month(), d.Day(), h, m, s, 0, zone)
	if at.Hour() != h || at.Minute() != m {
		return "", fmt.Sprintf("%s %02d:%02d does not happen in %s: the clocks go forward", iso, h, m, zone)
	}
	for _, shift := range []time.Duration{30 * time.Minute, time.Hour, 2 * time.Hour} {
		for _, other := range []time.Time{at.Add(shift), at.Add(-shift)} {
			if other.Hour() == h && other.Minute() == m && other.Day() == at.Day() {
				return "", fmt.Sprintf("%s %02d:%02d happens twice in %s; write it with its offset, such as 2026-03-14T09:30:00+01:00", iso, h, m, zone)
			}
		}
	}
	return at.UTC().Format("2006-01-02T15:04:05Z"), ""
}

// orders tells how many of a column's days fit one order only, the first of them, and one that both orders read differently.
type orders struct {
	day, month int
	one, both  string
}

func (o *orders) see(c Cell) {
	if c.Kind == Day || c.Wrong != "" || c.Text == "" {
		return
	}
	text, _ := splitTime(c.Text)
	d, asDay := date(text, DayFirst)
	m, asMonth := date(text, MonthFirst)
	switch {
	case asDay && !asMonth:
		o.day++
	case asMonth && !asDay:
		o.month++
	case asDay && d != m && o.both == "":
		o.both = c.Text
	}
	if o.one == "" && asDay != asMonth {
		o.one = c.Text
	}
}

// settled is the one order that reads all of the column, "" where it has to be asked. A column that no order bears on is
// read by either.
func (o orders) settled() (order string, ask bool) {
	switch {
	case o.day > 0 && o.month > 0:
		return "", true
	case o.day > 0:
		return DayFirst, false
	case o.month > 0:
		return MonthFirst, false
	}
	return DayFirst, o.both != ""
}
