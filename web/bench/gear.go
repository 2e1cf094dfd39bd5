package bench

import (
	"net/http"
	"slices"
	"strings"

	"github.com/a-h/templ"
	"github.com/shopspring/decimal"

	"example.org/stillroom/internal/equipment"
	"example.org/stillroom/internal/store"
	"example.org/stillroom/web/ui"
)

// Two tasks name what a batch is made with: pots and the like before the first weighing, moulds at moulding. Scales name
// themselves by what is weighed on them.
const (
	kindGear   kind = "equipment"
	kindMoulds kind = "moulds"
)

const fieldScale = "scale"

// usedField and cleanField are the two ticks of a piece of equipment.
func usedField(code string) string  { return "used-" + code }
func cleanField(code string) string { return "clean-" + code }

// gearOf tells in which task a kind of equipment is named.
func gearOf(kindOf string) kind {
	if kindOf == "mould" {
		return kindMoulds
	}
	return kindGear
}

// named are what the batch names in a task, current and taken back.
func named(b store.BatchRecord, task kind) []store.UsedEquipment {
	var list []store.UsedEquipment
	for _, u := range b.Equipment {
		if u.Packing == "" && gearOf(u.Kind) == task {
			list = append(list, u)
		}
	}
	return list
}

// withGear puts the tasks of equipment into the list of a workshop that keeps some.
func withGear(list []task, b store.BatchRecord, gear []store.EquipmentStanding) []task {
	kept := map[kind]bool{}
	for _, e := range gear {
		kept[gearOf(e.Kind)] = kept[gearOf(e.Kind)] || e.Kind != "scale"
	}
	var out []task
	for _, t := range list {
		if t.Kind == kindMould && b.Yields != "bulk" && kept[kindMoulds] {
			out = append(out, gearTask(b, kindMoulds, mouldGroup(b), "Moulds"))
		}
		out = append(out, t)
		if t.Kind == kindRoom && kept[kindGear] {
			out = append(out, gearTask(b, kindGear, groupFirst, "Equipment"))
		}
	}
	return out
}

// gearTask is asked for in its turn and never in the way: once something is weighed, it is only offered.
func gearTask(b store.BatchRecord, k kind, group, name string) task {
	t := task{ID: string(k), Kind: k, Group: group, Name: name, State: stateMaybe}
	if k == kindGear && b.Status == "making" && len(b.Inputs()) == 0 {
		t.State = stateOpen
	}
	for _, u := range named(b, k) {
		if u.Replaced || u.Kind == "scale" {
			continue
		}
		t.By, t.At = u.By, u.Made.At
		if t.State != stateOff {
			t.State = stateDone
		}
		if u.Clean != nil && !*u.Clean {
			t.State = stateOff
		}
	}
	return t
}

// tasks are those of a record, with equipment where the workshop keeps some.
func (s screen) tasks(b store.BatchRecord) []task {
	return withGear(tasksOf(b, s.Time, s.Num), b, s.Gear)
}

// gearItem is one thing that may be ticked.
type gearItem struct {
	store.EquipmentStanding
	Ticked, Clean bool
}

// gearView is the screen on which equipment is named.
type gearView struct {
	screen
	Items  []gearItem
	Named  []store.UsedEquipment
	Before bool // something is ticked since the last batch used it
}

func gearTitle(s screen) string { return s.Now.Name }

func (a Area) gear(r *ui.Request, s screen) error {
	v, err := a.gearView(r, s)
	if err != nil {
		return err
	}
	return s.show(r, http.StatusOK, gearTitle(s), gearPage(v))
}

func (a Area) gearView(r *ui.Request, s screen) (gearView, error) {
	v := gearView{screen: s, Named: named(s.Batch, s.Now.Kind)}
	before, err := a.Store.EquipmentBefore(r.HTTP.Context(), r.Who.Workshop, s.Batch.ID)
	if err != nil {
		return v, err
	}
	// What was named once is not ticked again for the maker: the rest was left out knowingly.
	first := !slices.ContainsFunc(v.Named, func(u store.UsedEquipment) bool { return !u.Replaced })
	for _, e := range s.Gear {
		if e.Kind == "scale" || gearOf(e.Kind) != s.Now.Kind || slices.ContainsFunc(v.Named, func(u store.UsedEquipment) bool { return !u.Replaced && u.Equipment == e.Code }) {
			continue
		}
		item := gearItem{EquipmentStanding: e}
		if r.HTTP.Method == http.MethodPost {
			item.Ticked, item.Clean = r.Form().On(usedField(e.Code)), r.Form().On(cleanField(e.Code))
		} else if first && slices.Contains(before, e.Code) {
			item.Ticked, v.Before = true, true
		}
		v.Items = append(v.Items, item)
	}
	return v, nil
}

// carried are the ticks that go along with "it is really so".
func (v gearView) carried() []hidden {
	list := v.Typed.carried(fieldAt)
	for _, i := range v.Items {
		if i.Ticked {
			list = append(list, hidden{usedField(i.Code), "on"})
		}
		if i.Clean {
			list = append(list, hidden{cleanField(i.Code), "on"})
		}
	}
	return list
}

// about is what there is to say of a thing before it is used.
func (v gearView) about(e store.EquipmentStanding) string {
	words := e.Code
	if e.Place != "" {
		words += ", " + e.Place
	}
	if off := v.checkWords(e); off != "" {
		words += ". " + off
	}
	return words
}

// checkWords warns of a check; empty where there is nothing to warn of.
func (s screen) checkWords(e store.EquipmentStanding) string {
	switch e.Stands {
	case equipment.Never:
		return "It was never checked."
	case equipment.Failed:
		return "Its check failed on " + s.Style.Day(e.CheckedOn) + "."
	case equipment.Overdue:
		return "Its check was due on " + s.Style.Day(e.DueOn) + "."
	}
	return ""
}

func (a Area) recordGear(r *ui.Request, s screen) error {
	v, err := a.gearView(r, s)
	if err != nil {
		return err
	}
	f := r.Form()
	n := store.BatchEquipment{Batch: s.Batch.Code, At: s.happened(f), Really: really(f)}
	var names []string
	// All that is kept, not only what the form shows by now: a form that is sent again says the same again.
	for _, e := range s.Gear {
		if e.Kind == "scale" || gearOf(e.Kind) != s.Now.Kind || !f.On(usedField(e.Code)) {
			continue
		}
		u := store.NameUse{Equipment: e.Code}
		if e.CleanBeforeUse {
			clean := f.On(cleanField(e.Code))
			u.Clean = &clean
		}
		n.Used, names = append(n.Used, u), append(names, e.Name)
	}
	if len(n.Used) == 0 {
		f.Add(fieldUsed, "Tick what was used, or go on without.")
	}
	err = f.Err()
	var entry store.Entry
	if err == nil {
		entry, err = r.Entry()
	}
	if err == nil {
		err = a.Store.NameEquipment(r.HTTP.Context(), who(r), entry, n)
	}
	if err != nil {
		return s.refuse(r, err, gearTitle(s), func(s screen) templ.Component {
			s.Typed = typedOf(r, fieldAt, fieldReason)
			v.screen = s
			return gearPage(v)
		})
	}
	return a.goOn(r, s, "Named: "+strings.Join(names, ", ")+".")
}

const fieldUsed = "used"

// scales are those that the workshop keeps.
func (s screen) scales() []store.EquipmentStanding {
	var list []store.EquipmentStanding
	for _, e := range s.Gear {
		if e.Kind == "scale" {
			list = append(list, e)
		}
	}
	return list
}

// scaleFor is the code of the scale to weigh g on: the one used last in this batch, where it suits and can show so much,
// else the one that suits best, one that failed its check only for want of another. Zero is a mass not known yet. Empty
// where none is kept.
func (s screen) scaleFor(g decimal.Decimal) string {
	list := s.scales()
	last, at := "", s.Batch.MadeAt.AddDate(-1, 0, 0)
	for _, l := range s.Batch.Lines {
		for _, in := range l.Inputs {
			if !in.Replaced && in.Scale != "" && in.Made.At.After(at) {
				last, at = in.Scale, in.Made.At
			}
		}
	}
	for _, e := range list {
		if e.Code == last && e.Stands != equipment.Failed && (g.IsZero() || e.Scale().For(g) == equipment.Fits && e.Scale().Shows(g)) {
			return last
		}
	}
	right := slices.DeleteFunc(slices.Clone(list), func(e store.EquipmentStanding) bool { return e.Stands == equipment.Failed })
	if len(right) == 0 {
		right = list
	}
	if i := best(right, g); i >= 0 {
		return right[i].Code
	}
	return ""
}

func best(list []store.EquipmentStanding, g decimal.Decimal) int {
	var scales []equipment.Scale
	for _, e := range list {
		scales = append(scales, e.Scale())
	}
	return equipment.Best(scales, g)
}

// scaleWords says what is off about weighing g on a scale, and which one would do; empty where nothing is.
func (s screen) scaleWords(code string, g decimal.Decimal) string {
	list := s.scales()
	at := slices.IndexFunc(list, func(e store.EquipmentStanding) bool { return e.Code == code })
	if at < 0 || !g.IsPositive() {
		return ""
	}
	e, other := list[at], ""
	if i := best(list, g); i >= 0 && list[i].Scale().For(g) == equipment.Fits {
		other = list[i].Code
	}
	var words []string
	switch fit := e.Scale().For(g); {
	case fit == equipment.Small && other != "":
		words = append(words, s.Style.Grams(g)+" needs a finer scale: "+other+" would do.")
	case fit == equipment.Small:
		words = append(words, s.Style.Grams(g)+" needs a finer scale than any in the book.")
	case fit == equipment.Heavy && other != "":
		words = append(words, s.Style.Grams(g)+" is over the maximum load of "+e.Code+": "+other+" would do.")
	case fit == equipment.Heavy:
		words = append(words, s.Style.Grams(g)+" is over the maximum load: weigh in two goes.")
	}
	if off := s.checkWords(e); off != "" {
		words = append(words, e.Code+": "+off)
	}
	return strings.Join(words, " ")
}

// scaleOptions are the scales to choose from, each with how it suits g.
func (s screen) scaleOptions(g decimal.Decimal) []ui.Option {
	var list []ui.Option
	for _, e := range s.scales() {
		hint := "steps of " + s.Style.Grams(e.ReadabilityG.Decimal)
		switch fit := e.Scale().For(g); {
		case !g.IsPositive():
		case fit == equipment.Small:
			hint += ", too coarse for " + s.Style.Grams(g)
		case fit == equipment.Heavy:
			hint += ", carries " + s.Style.Bulk(e.MaxLoadG.Decimal) + " at most"
		}
		list = append(list, ui.Option{Value: e.Code, Label: e.Code + " " + e.Name, Hint: hint})
	}
	return list
}

// targetG is what a scale is chosen for: what is left to weigh, of an as-needed line its least.
func (v weighView) targetG() decimal.Decimal {
	l := v.Line
	switch {
	case l.LowG.Valid && l.LowG.Decimal.IsPositive():
		return l.LowG.Decimal
	case l.LowG.Valid:
		return l.HighG.Decimal
	}
	if left := l.TargetG.Sub(v.sofar()); left.IsPositive() {
		return left
	}
	return l.TargetG
}

// scale is the code of the scale that stands in the form.
func (v weighView) scale() string {
	if code, ok := v.Typed[fieldScale]; ok {
		return code
	}
	return v.scaleFor(v.targetG())
}

// scale is the one that was typed for an addition, else the one used last.
func (v addView) scale() string {
	if code, ok := v.Typed[fieldScale]; ok {
		return code
	}
	return v.scaleFor(decimal.Zero)
}

func (s screen) scaleName(code string) string {
	for _, e := range s.scales() {
		if e.Code == code {
			return e.Name + " (" + code + ")"
		}
	}
	return "no scale noted"
}

// keepScale keeps the scale that was typed, also where none was chosen.
func keepScale(t typed, r *ui.Request) {
	if values := r.Form().All(fieldScale); len(values) > 0 {
		t[fieldScale] = values[0]
	}
}
