package demo

import (
	"cmp"
	"hash/fnv"
	"math/rand/v2"
	"slices"
	"time"

	"github.com/shopspring/decimal"

	"example.org/stillroom/internal/scaling"
)

// making is one batch of the calendar and what is told of it.
type making struct {
	formula string
	on      int // days from today
	hour    int
	units   int    // of the product; 0 for bulk
	massG   string // for bulk
	by      string
	damp    bool   // a damp day: the room is over its limit
	slip    string // "typed": a weight typed wrong and corrected; "real": really too much, decided and rescaled
	light   int    // units too light, kept back at packing
	cut     int    // units rejected at cutting
	cracked int    // units rejected at the end of the cure
	rework  bool   // left-over of an earlier batch of this formula is worked in
	extra   bool   // something that the formula does not have goes in
	stopsAt string // "weighing": at the bench today
	discard bool   // rejected as a whole
	fails   bool   // packed, and then not released
	whole   bool   // all of it becomes the planned product
}

// mass is what goes in, in g.
func (m making) mass() decimal.Decimal {
	if m.units == 0 {
		return num(m.massG)
	}
	return scaling.BatchFor(m.units, recipeOf(m.formula).fill(), recipeOf(m.formula).version(m.on).ExpectedLossPct)
}

// habit is how often something is made, as a rule.
type habit struct {
	formula      string
	first, every int // days from today, days between
	units        int
	by           []string
}

var habits = []habit{
	{"TW", -727, 18, 32, []string{"mara"}},
	{"GF", -725, 27, 30, []string{"pia", "pia", "jun"}},
	{"OB", -721, 34, 46, []string{"jun", "mara"}},
	{"FS", -716, 40, 30, []string{"jun"}},
	{"SS", -712, 54, 20, []string{"pia", "mara"}},
	{"HH", -612, 38, 28, []string{"mara", "jun"}},
	{"LP", -555, 66, 90, []string{"jun"}},
	{"SL", -512, 57, 24, []string{"pia"}},
	{"GP", -447, 58, 34, []string{"pia", "jun"}},
	{"SM", -396, 42, 26, []string{"mara"}},
	{"QS", -318, 54, 20, []string{"jun", "pia"}},
	{"BO", -137, 26, 26, []string{"jun"}},
}

// bulks are made when what is left does not reach for the next making, so many days before it.
var bulks = []struct{ formula, massG, by string }{{"CI", "2000", "jun"}, {"BB", "700", "mara"}}

// told are makings that the viewer comes upon.
var told = []making{
	{formula: "TW", on: -47, hour: 13, units: 32, by: "mara"}, // its bars are packed, its guest bars not yet
	{formula: "SS", on: -1, hour: 10, units: 20, by: "pia", whole: true},
	{formula: "GF", on: -1, hour: 13, units: 30, by: "pia", light: 1},
	{formula: "OB", on: 0, units: 40, by: "jun", stopsAt: "weighing"},
	{formula: "FS", on: 0, units: 27, by: "mara", stopsAt: "weighing"},
}

func recipeOf(code string) recipe {
	for _, r := range book {
		if r.code == code {
			return r
		}
	}
	panic("demo: no recipe " + code)
}

// dice are seeded by what they are thrown for, so that one thing more in the story does not change the rest of it.
func (d *maker) dice(what string, on int) *rand.Rand {
	h := fnv.New64a()
	h.Write([]byte(what))
	return rand.New(rand.NewPCG(h.Sum64(), uint64(on+10_000)))
}

// damp tells of a damp week, which autumn and winter have now and then.
func (d *maker) damp(on int) bool {
	date := d.today.AddDays(on)
	year, week := date.Time().ISOWeek()
	return (date.Time().Month() >= time.October || date.Time().Month() <= time.February) && d.dice("damp", year*100+week).IntN(10) < 4
}

// makings are those of the habits, with what goes wrong in a real workshop, and the bulk that they take.
func (d *maker) makings() ([]making, error) {
	busy := map[int]int{}
	var list []making
	for _, h := range habits {
		for n, on := 0, h.first; on <= -2; n, on = n+1, on+h.every {
			if on < d.begun {
				continue
			}
			m := making{formula: h.formula, on: d.workday(on, busy, 2), hour: 9, units: h.units, by: h.by[n%len(h.by)]}
			if m.on > -2 {
				continue
			}
			if busy[m.on]++; busy[m.on] == 2 {
				m.hour = 13
			}
			list = append(list, d.fate(m, n))
		}
	}
	list = append(list, told...)
	slices.SortStableFunc(list, func(a, b making) int { return cmp.Or(cmp.Compare(a.on, b.on), cmp.Compare(a.hour, b.hour)) })
	for _, b := range bulks {
		needs := map[string][]need{}
		for _, m := range list {
			if err := m.wants(needs); err != nil {
				return nil, err
			}
		}
		have, gives := decimal.Zero, num(b.massG).Mul(num("0.9"))
		// The infusion that carries the bad lot on: made when its oil had come, wanted or not.
		carries := b.formula == "CI"
		if carries {
			list = append(list, making{formula: "CI", on: badFirst + 5, hour: 14, massG: b.massG, by: b.by})
		}
		for _, want := range needs["bulk:"+b.formula] {
			if want.on > 0 {
				break
			}
			if carries && want.on > badFirst+8 {
				carries, have = false, have.Add(gives)
			}
			if have.LessThan(want.amount) {
				m := making{formula: b.formula, on: max(d.begun+2, d.workday(want.on-6, busy, 3)), hour: 11, massG: b.massG, by: b.by}
				if m.on > want.on-3 {
					m.on = want.on - 3
				}
				busy[m.on]++
				list = append(list, m)
				have = have.Add(gives)
			}
			have = have.Sub(want.amount)
		}
	}
	slices.SortStableFunc(list, func(a, b making) int { return cmp.Or(cmp.Compare(a.on, b.on), cmp.Compare(a.hour, b.hour)) })
	return list, nil
}

// workday is the day, or the next that is no Sunday and not full.
func (d *maker) workday(on int, busy map[int]int, most int) int {
	for d.today.AddDays(on).Time().Weekday() == time.Sunday || busy[on] >= most {
		on++
	}
	return on
}

// fate is what befalls the nth making of a formula. Damp weeks crack fizz and soap.
func (d *maker) fate(m making, n int) making {
	rnd := d.dice("fate "+m.formula, m.on)
	m.damp = d.damp(m.on)
	soap := m.formula == "TW" || m.formula == "HH" || m.formula == "SM"
	switch {
	case m.formula == "TW" && n%9 == 4:
		m.slip = "typed"
	case m.formula == "FS" && n%8 == 5, m.formula == "HH" && n%7 == 3:
		m.slip = "real"
	case m.formula == "OB" && n%8 == 6:
		m.slip = "typed"
	case m.formula == "SS" && n%6 == 4:
		m.extra = true
	}
	if (m.formula == "GF" || m.formula == "FS" || m.formula == "OB") && n%5 == 3 {
		m.light = 1 + rnd.IntN(2)
	}
	if soap && n%3 == 1 {
		m.cut = 1
	}
	if rnd.IntN(4) == 0 {
		m.cracked = 1
	}
	if m.damp && (soap || m.formula == "GF" || m.formula == "SL") {
		m.cracked += 2 + rnd.IntN(3)
	}
	m.rework = m.formula == "TW" && (n%4 == 3 || m.on > -40)
	m.discard = m.formula == "TW" && n%17 == 11 || m.formula == "SL" && n == 3
	m.fails = m.formula == "GF" && n%10 == 7 || m.formula == "QS" && n == 2
	return m
}

// calendar notes everything that is to happen.
func (d *maker) calendar() error {
	d.at(d.begin, d.shelf)
	d.at(d.begin, d.shops)
	for _, r := range book {
		for i, v := range r.versions {
			since := max(v.since, r.since)
			d.at(d.on(max(since, d.begun), 8, 30), func() error { return d.introduce(r, i+1) })
		}
	}
	makings, err := d.makings()
	if err != nil {
		return err
	}
	needs := map[string][]need{}
	for _, m := range makings {
		if err := m.wants(needs); err != nil {
			return err
		}
	}
	d.boxed(needs)
	for i, dl := range deliveries(needs, d.begun+1) {
		d.at(d.on(dl.on, 8, 32+i%20), func() error { return d.receive(dl) })
	}
	for _, m := range makings {
		if m.on == 0 {
			// Whatever the time of day now, it began in the last hour and a half.
			d.makeBefore(m)
			continue
		}
		d.make(m)
	}
	d.logBook()
	d.sets()
	for _, on := range []int{-450, -300, -150, -22} {
		d.at(d.on(on, 8, 0), d.wash)
	}
	for on := d.begun + 60; on < -3; on += 30 {
		d.at(d.on(on, 16, 15), d.lookAgain)
	}
	d.at(d.on(-109, 10, 40), d.spoils)
	d.trade()
	d.oddities()
	d.complaints()
	d.drills()
	for _, on := range []int{20, 60, 150, 320, 520, 700} {
		d.at(d.on(d.begun+on, 6, 0), func() error { return d.s.RefreshStatistics(d.ctx) })
	}
	return nil
}
