// Package reporting says which effects of a product count as serious, by when an authority is to be told of one, and how
// long what was reported is to be kept. It counts days and names its sources; whether a duty holds, the authority or an
// adviser says, and each page that shows what comes from here says so.
package reporting

import (
	"time"

	"example.org/stillroom/internal/day"
)

// Market is the law under which a unit was sold, as it is stored.
type Market string

const (
	EU    Market = "eu"
	UK    Market = "uk"
	US    Market = "us"
	Other Market = "other"
)

// Markets are all of them, in the order in which forms offer them.
var Markets = []Market{EU, UK, US, Other}

// Kind is what was complained of, as it is stored.
type Kind string

const (
	Quality     Kind = "quality"     // the unit is not as it should be, nobody was harmed
	Undesirable Kind = "undesirable" // an adverse reaction of a person
	Serious     Kind = "serious"     // one that meets a criterion below
)

// Kinds are all of them, in the order in which forms offer them.
var Kinds = []Kind{Quality, Undesirable, Serious}

// Criterion is one of the things that make an undesirable effect serious, and where it is named so.
type Criterion struct {
	Key   string // as it is stored
	Words string
	EU    bool // and UK
	US    bool
}

// Criteria are those of both lists, what both name first.
//
// EU, UK: Reg. (EC) 1223/2009 Art. 2(1)(p), from memory. US: FD&C Act section 604 as amended by MoCRA, read in secondary
// sources (soapguild.org; see testdata/reporting).
var Criteria = []Criterion{
	{"death", "Death", true, true},
	{"life_threatening", "Immediate danger to life", true, true},
	{"hospital", "Stay in hospital", true, true},
	{"disability", "Disability", true, true},
	{"congenital", "Harm to a child before birth (congenital anomaly)", true, true},
	{"incapacity", "Could not do what they usually do, for a time or for good", true, false},
	{"infection", "Infection", false, true},
	{"disfigurement", "Disfigurement: serious lasting rash, second- or third-degree burn, much hair lost, lasting change of appearance", false, true},
	{"intervention", "Needed a doctor's or surgeon's treatment to prevent one of these", false, true},
}

// Known tells whether a key is that of a criterion.
func Known(key string) bool {
	for _, c := range Criteria {
		if c.Key == key {
			return true
		}
	}
	return false
}

// usDays are the business days for a serious adverse event report: FD&C Act section 605 (MoCRA).
const usDays = 15

// BusinessDays is the nth day from Monday to Friday after a day: what comes in on a Friday has its first on the Monday.
// Holidays are not counted out, so that the day is never later than the law's. n below 1 gives the day itself.
func BusinessDays(after day.Day, n int) day.Day {
	d := after
	for n > 0 {
		d = d.AddDays(1)
		if w := d.Time().Weekday(); w != time.Saturday && w != time.Sunday {
			n--
		}
	}
	return d
}

// Clock runs from the day on which the workshop learned of something that an authority is to be told.
type Clock struct {
	Market Market
	From   day.Day
	News   bool    // new medical information about what was told before
	Due    day.Day // no day: without delay
	ToldOn day.Day // no day: not yet
}

// Open tells whether nobody was told yet.
func (c Clock) Open() bool { return c.ToldOn.IsZero() }

// Overdue tells whether the day has passed and nobody was told; without delay has passed when the day it came in has.
func (c Clock) Overdue(today day.Day) bool {
	last := c.Due
	if last.IsZero() {
		last = c.From
	}
	return c.Open() && today.After(last)
}

// Clocks are those that run for a complaint: none unless it is serious, and none where no rule is known here. news are the
// days of new medical information and told those on which an authority was told, in any order.
//
// EU, UK: without delay, Reg. (EC) 1223/2009 Art. 23. US: 15 business days from receipt, and again from new material
// medical information that comes within a year, FD&C Act section 605 (MoCRA).
func Clocks(m Market, k Kind, received day.Day, news, told []day.Day) []Clock {
	if k != Serious || m == Other {
		return nil
	}
	first := Clock{Market: m, From: received}
	if m == US {
		first.Due = BusinessDays(received, usDays)
	}
	list := []Clock{first}
	if m == US {
		for _, n := range news {
			if n.After(received) && !n.After(received.AddMonths(12)) {
				list = append(list, Clock{Market: m, From: n, News: true, Due: BusinessDays(n, usDays)})
			}
		}
	}
	for i := range list {
		for _, t := range told {
			if !t.Before(list[i].From) && (list[i].Open() || t.Before(list[i].ToldOn)) {
				list[i].ToldOn = t
			}
		}
	}
	return list
}

// Keep is how long the record of an adverse event is to be kept; zero where no fixed time is known here.
type Keep struct {
	Small day.Day // by a small business (under 1,000,000 dollars a year of sales of cosmetics there, on average over 3 years)
	Until day.Day // by any other
}

// KeepUntil counts from the day on which the complaint was closed, to be on the safe side. US: 6 years, 3 for a small
// business, FD&C Act section 605 (MoCRA). EU, UK: no fixed time for complaints is known here.
func KeepUntil(m Market, k Kind, closed day.Day) Keep {
	if m != US || k == Quality || closed.IsZero() {
		return Keep{}
	}
	return Keep{Small: closed.AddMonths(3 * 12), Until: closed.AddMonths(6 * 12)}
}
