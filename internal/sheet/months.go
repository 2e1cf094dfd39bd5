package sheet

import (
	"fmt"
	"regexp"
	"slices"
	"strings"
	"time"

	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/interchange"
)

// What stands for a month without a day.
const (
	LastDay  = "last"
	FirstDay = "first"
	NoDay    = "none" // nothing does: such a cell is a fault
)

// A year of two figures is read behind a name or two figures of a month only: "3/27" is as likely a day.
var (
	monthYear = regexp.MustCompile(`^(\d{1,2})[-/.](\d{4})$|^(\d{2})[-/.](\d{2})$`)
	yearMonth = regexp.MustCompile(`^(\d{4})[-/.](\d{1,2})$`)
	shortYear = regexp.MustCompile(`^(\D*|\d{2}[-/.])\d{2}$`)
	nameYear  = regexp.MustCompile(`^([A-Za-z]{3,9})\.?[-/, ]*(\d{4}|\d{2})$`)
)

// monthOnly reads a month without a day, such as "03/2027", "2027-03" or "Mar 2027", as its first or its last day.
func monthOnly(text, as string) (iso string, ok bool) {
	text = dotSpace.ReplaceAllString(strings.Join(strings.Fields(text), " "), "$1")
	var y, m int
	if p := monthYear.FindStringSubmatch(text); p != nil {
		y, m = year(p[2]+p[4]), whole(p[1]+p[3])
	} else if p := yearMonth.FindStringSubmatch(text); p != nil {
		y, m = whole(p[1]), whole(p[2])
	} else if p := nameYear.FindStringSubmatch(text); p != nil {
		y, m = year(p[2]), monthOf(p[1])
	}
	if y < 1 || m < 1 || m > 12 {
		return "", false
	}
	at := time.Date(y, time.Month(m), 1, 0, 0, 0, 0, time.UTC)
	if as == LastDay {
		at = at.AddDate(0, 1, -1)
	}
	return at.Format("2006-01-02"), true
}

// lastGood are the columns whose day is the last on which something is good. Of them alone is a month's last day a reading.
var lastGood = map[string]bool{"expires_on": true, "best_before": true, "retest_on": true}

// monthDays are what may be said of months without a day in a column.
func monthDays(c interchange.Column) []string {
	if lastGood[c.Name] {
		return []string{LastDay, FirstDay, NoDay}
	}
	return []string{FirstDay, NoDay}
}

// seeMonth keeps one month without a day, one with a year of two figures before others: it shows best that it may be a day.
func (c *Column) seeMonth(cell Cell) {
	text, _ := splitTime(cell.Text)
	if _, ok := monthOnly(text, FirstDay); !ok || cell.Kind != Text {
		return
	}
	if c.month == "" || shortYear.MatchString(text) && !shortYear.MatchString(c.month) {
		c.month = text
	}
}

// checkMonth adds what is still to be said of a column that has months without a day.
func checkMonth(f *fault.Fields, n int, ch Choice, a Asked) {
	if a.Month != "" && !slices.Contains(a.MonthDays, ch.Month) {
		f.Add(Field(PartMonth, n), fmt.Sprintf("Say which day \"%s\" stands for.", clip(a.Month)))
	}
}
