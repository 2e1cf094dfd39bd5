package complaint

import (
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"example.org/stillroom/internal/day"
	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/measure"
	"example.org/stillroom/internal/store"
	"example.org/stillroom/web/ui"
)

// Look-ups are bounded a person, together with those of the box at the top.
const (
	findMost   = 120
	findWindow = time.Minute
)

// backs are how many days before a purchase what was bought may have been sent there: half a year first, and three years
// where that finds nothing.
var backs = []int{183, 1096}

// asked is what is known of a unit.
type asked struct {
	Code, Product, Place string
	Bought               day.Day // no day: today
}

func (q asked) empty() bool { return q.Code == "" && q.Product == "" && q.Place == "" }

// looked is what the book knows of a unit that somebody describes. Nothing in it is chosen, but where a code proves itself.
type looked struct {
	Asked   bool
	Kind    string // of the note: good, care or empty
	Words   []string
	Options []ui.Option // packings it can have been, the likeliest first
	Sure    string      // code of the packing whose code proves that it was read right
	// Sold says what was sent to the place in the time, and how sure that makes it.
	Sold string
}

// look finds what a unit can have been: by its code, and where that does not prove itself, by product, place and time.
func (a Area) look(r *ui.Request, q asked) (looked, error) {
	l := looked{Asked: true}
	if err := r.Throttle("find:"+store.Text(r.Who.Workshop)+":"+store.Text(r.Who.Person), findMost, findWindow); err != nil {
		return l, err
	}
	if q.Code != "" {
		found, err := a.Store.Find(r.HTTP.Context(), r.Who.Workshop, q.Code)
		if err != nil {
			return l, err
		}
		l.code(r.Workshop.Style, found)
	}
	if l.Sure != "" || q.Product == "" && q.Place == "" {
		return l, nil
	}
	if q.Bought.IsZero() {
		q.Bought = r.Today()
	}
	return l, a.sold(r, &l, q)
}

// code explains what was read out.
func (l *looked) code(style measure.Style, found store.Found) {
	switch e := found.Exact; {
	case e != nil && len(e.Also) > 0:
		l.say("care", "The code “"+e.Code+"” stands on units of "+plural(e.Leads(), "packing", "packings")+". It alone does not tell which: ask for product, date and where it was bought.")
	case e != nil && found.Sure:
		l.say("good", "“"+e.Code+"” was read right: its last character fits the rest.")
	case e != nil:
		l.say("care", "“"+e.Code+"” is in the book, but nothing in it proves that it was read right. Ask for product and date.")
	case found.Mistyped:
		l.say("care", "“"+found.Query+"” looks like a code of this workshop, but its last character does not fit the rest: something was mistyped or misheard. Ask for it again, character by character.")
	case found.NotOurs:
		l.say("care", "“"+found.Query+"” was read right, for its last character fits the rest, but no batch of this workshop has it: it is not ours.")
	case len(found.Near) > 0:
		l.say("care", "No unit has the code “"+found.Query+"”. These are one character away.")
	default:
		l.say("care", "No code of this workshop is like “"+found.Query+"”. It is kept as it was said.")
	}
	if found.Exact != nil {
		l.offer(style, *found.Exact, "")
		if found.Sure && len(l.Options) == 1 {
			l.Sure = l.Options[0].Value
		}
	}
	for _, c := range found.Near {
		l.offer(style, c, "one character away")
	}
}

func (l *looked) say(kind, words string) { l.Kind, l.Words = kind, append(l.Words, words) }

// offer lists the packings that a code stands on.
func (l *looked) offer(style measure.Style, c store.FoundCode, how string) {
	switch {
	case c.Batch != "" && c.PackedOn.IsZero():
		l.Words = append(l.Words, "Of "+c.Code+" nothing is packed, so no unit has its code.")
	case c.Batch != "":
		date := ""
		if d := c.DateOnLabel(style); d != "" {
			date = "best before " + d
		}
		l.add(ui.Option{Value: c.Code, Label: c.Code, Hint: beside(c.Name, date, "packed "+style.Day(c.PackedOn), how, stateWord(c.Status))})
	}
	for _, u := range c.Also {
		l.add(ui.Option{Value: u.Packing, Label: u.Packing, Hint: beside(u.Name, u.Count()+" with the code "+u.Code, u.How(), how)})
	}
}

func (l *looked) add(o ui.Option) {
	if !slices.ContainsFunc(l.Options, func(x ui.Option) bool { return x.Value == o.Value }) {
		l.Options = append(l.Options, o)
	}
}

// soldMost is how many packings are offered by what was sent.
const soldMost = 8

// sold ranks packings by the units that were sent to the place in the time.
func (a Area) sold(r *ui.Request, l *looked, q asked) error {
	p := store.Purchase{Product: q.Product, Place: q.Place, On: q.Bought}
	var answer store.PurchaseAnswer
	unknown := ""
	for _, p.BackDays = range backs {
		var err error
		answer, err = a.Store.WhatWasBought(r.HTTP.Context(), r.Who.Workshop, p)
		if f := fault.As(err); f != nil && f.Of(fieldPlaceOfStore) != "" && q.Product != "" {
			// The place is in words of a customer; what the book does not know does not stop the telephone.
			unknown, p.Place = "No customer of the book is called “"+q.Place+"”, so every place counts. ", ""
			answer, err = a.Store.WhatWasBought(r.HTTP.Context(), r.Who.Workshop, p)
		}
		switch f := fault.As(err); {
		case f != nil && f.Kind == fault.Invalid:
			l.Sold = strings.Join(sentences(f), " ")
			return nil
		case err != nil:
			return err
		}
		if answer.Total > 0 {
			break
		}
	}
	l.Sold = unknown + howSure(r.Workshop.Style, answer)
	for _, s := range answer.Sold[:min(len(answer.Sold), soldMost)] {
		to := s.To[0]
		for _, x := range s.To {
			if x.LastOn.After(to.LastOn) {
				to = x
			}
		}
		share := fmt.Sprintf("%d of %d units sent there then (%s), last on %s", s.Units, answer.Total, percent(s.Units, answer.Total), r.Workshop.Style.Day(to.LastOn))
		l.add(ui.Option{Value: s.Packing, Label: s.Packing, Hint: beside(s.ProductName, share)})
	}
	return nil
}

// fieldPlaceOfStore is what the store calls the place.
const fieldPlaceOfStore = "place"

func sentences(f *fault.Fault) (list []string) {
	if f.Message != "" {
		list = append(list, f.Message)
	}
	for _, field := range f.Fields {
		list = append(list, field.Message)
	}
	return list
}

// howSure says in plain words what the shares are worth.
func howSure(style measure.Style, a store.PurchaseAnswer) string {
	span := "from " + style.Day(a.From) + " to " + style.Day(a.To)
	if a.Total == 0 {
		return "By product and place: nothing was sent there " + span + "."
	}
	first := a.Sold[0]
	words := fmt.Sprintf("By product and place: %s of the %s sent there %s and not come back are %s. ", percent(first.Units, a.Total), store.UnitCount(a.Total), span, first.Packing)
	switch {
	case len(a.Sold) == 1:
		return words + "Nothing else fits, as far as the book knows; bought earlier or elsewhere it can still be another."
	case 2*first.Units > a.Total:
		return words + "That is the likeliest, and no proof: " + percent(a.Total-first.Units, a.Total) + " are something else."
	}
	return words + "That is less than half: more likely it is another of the " + strconv.Itoa(len(a.Sold)) + ", and only a code tells which."
}

func percent(part, all int) string {
	switch pct := 100 * float64(part) / float64(all); {
	case pct > 0 && pct < 1:
		return "under 1 %"
	case pct > 99 && pct < 100:
		return "over 99 %"
	default:
		return fmt.Sprintf("%.0f %%", pct)
	}
}

// beside joins what is known; what is not known leaves no gap.
func beside(parts ...string) string {
	return strings.Join(slices.DeleteFunc(parts, func(p string) bool { return p == "" }), ", ")
}

func stateWord(status string) string {
	switch status {
	case "released":
		return ""
	case "quarantined":
		return "in quarantine"
	}
	return status
}

func plural(n int, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return strconv.Itoa(n) + " " + many
}
