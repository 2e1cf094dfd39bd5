package compare

import (
	"slices"
	"strings"

	"github.com/shopspring/decimal"
)

// Version is what is compared of a version of a formula.
type Version struct {
	NominalG    decimal.Decimal
	Particulars []Field
	Portions    []Portion
	Steps       []Step
	Controls    []Control
}

// Portion is what is weighed and mixed together.
type Portion struct {
	Name  string
	Basis string              // how much of the batch it is, as in scaling: share, weight or inner
	Pct   decimal.NullDecimal // of the batch; not valid where a draft does not say it yet
	Lines []Line
}

// Line is one thing that goes into a portion. Shares are of the whole batch, so that versions of other nominal batches
// and portions of other sizes can be held against each other.
type Line struct {
	Kind     string // as in scaling: material, portion or bulk
	Code     string // of the material or formula, or the name of the portion
	Name     string
	Basis    string              // share or weight
	Amount   decimal.Decimal     // as written: % of the portion, or g in the nominal batch
	Pct      decimal.NullDecimal // not valid for an as-needed line, and where a draft does not say it yet
	AsNeeded bool
	LowPct   decimal.Decimal
	HighPct  decimal.Decimal
	MaxPct   decimal.NullDecimal // limit of use
}

// Step is a step of the method.
type Step struct {
	Text, Caution string
	After         string // the portion after which it comes; empty for after all
}

// Control is an in-process control.
type Control struct {
	Name, Stage, Unit string
	Low, High         decimal.NullDecimal
	Readings          int
}

// PortionPair is a portion with its lines paired.
type PortionPair struct {
	Pair[Portion]
	Renamed bool // it has another name, and is known by what goes in
	Lines   []Pair[Line]
}

// VersionDiff is what differs between two versions.
type VersionDiff struct {
	Particulars []Pair[Field]
	Portions    []PortionPair
	Steps       []Pair[Step]
	Controls    []Pair[Control]
}

// Same tells whether nothing differs.
func (d VersionDiff) Same() bool {
	for _, p := range d.Portions {
		if p.Kind != Same || p.Renamed || Differing(p.Lines) > 0 {
			return false
		}
	}
	return Differing(d.Particulars)+Differing(d.Steps)+Differing(d.Controls) == 0
}

// Versions holds one version against another. Portions are the same by name, and one that was renamed by what goes in,
// where no other of either version could be meant; lines of a portion by what goes in, wherever they stand, and where
// that is there several times by their order.
func Versions(a, b Version) VersionDiff {
	partner := portions(a.Portions, b.Portions)
	renamed := map[string]string{} // folded new name to folded old name
	for j, i := range partner {
		if i >= 0 {
			renamed[fold(b.Portions[j].Name)] = fold(a.Portions[i].Name)
		}
	}
	key := func(l Line, second bool) string {
		code := l.Code
		if l.Kind == "portion" {
			code = fold(code)
			if old, known := renamed[code]; known && second {
				code = old
			}
		}
		return l.Kind + ":" + code
	}
	diff := VersionDiff{Particulars: Fields(a.Particulars, b.Particulars)}
	for _, p := range join(a.Portions, b.Portions, partner, samePortion) {
		both := PortionPair{Pair: p}
		var left, right []Line
		if p.A != nil {
			left = p.A.Lines
		}
		if p.B != nil {
			right = p.B.Lines
		}
		both.Renamed = p.A != nil && p.B != nil && fold(p.A.Name) != fold(p.B.Name)
		both.Lines = lines(left, right, key)
		diff.Portions = append(diff.Portions, both)
	}
	diff.Steps = texts(a.Steps, b.Steps, func(s Step) string { return s.Text }, func(x, y Step) bool {
		after := fold(y.After)
		if old, known := renamed[after]; known {
			after = old
		}
		return x.Text == y.Text && x.Caution == y.Caution && fold(x.After) == after
	})
	diff.Controls = controls(a.Controls, b.Controls)
	return diff
}

// lines pairs by key, which depends on the side: a portion that was renamed is looked up by its old name.
func lines(a, b []Line, key func(Line, bool) string) []Pair[Line] {
	type keyed struct {
		Line
		key string
	}
	tag := func(list []Line, second bool) []keyed {
		out := make([]keyed, len(list))
		for i, l := range list {
			out[i] = keyed{l, key(l, second)}
		}
		return out
	}
	found := pair(tag(a, false), tag(b, true), func(k keyed) string { return k.key }, func(x, y keyed) bool { return sameLine(x.Line, y.Line) })
	pairs := make([]Pair[Line], len(found))
	for i, p := range found {
		pairs[i].Kind = p.Kind
		if p.A != nil {
			pairs[i].A = &p.A.Line
		}
		if p.B != nil {
			pairs[i].B = &p.B.Line
		}
	}
	return pairs
}

// places is how fine shares are compared: finer differences come from division, not from a maker.
const places = 5

func samePct(a, b decimal.NullDecimal) bool {
	return a.Valid == b.Valid && a.Decimal.Round(places).Equal(b.Decimal.Round(places))
}

func sameNull(a, b decimal.NullDecimal) bool {
	return a.Valid == b.Valid && a.Decimal.Equal(b.Decimal)
}

func samePortion(a, b Portion) bool { return a.Basis == b.Basis && samePct(a.Pct, b.Pct) }

func sameLine(a, b Line) bool {
	// What a draft does not say a share of yet is compared as it is written.
	if !a.AsNeeded && !a.Pct.Valid && !b.Pct.Valid && !a.Amount.Equal(b.Amount) {
		return false
	}
	return a.AsNeeded == b.AsNeeded && a.Basis == b.Basis && samePct(a.Pct, b.Pct) && sameNull(a.MaxPct, b.MaxPct) &&
		a.LowPct.Round(places).Equal(b.LowPct.Round(places)) && a.HighPct.Round(places).Equal(b.HighPct.Round(places))
}

// Points is by how much a line's share of the batch changed, in percentage points; one that is new or gone changed by
// all of it. Not valid where a share is not known, or as needed.
func Points(p Pair[Line]) decimal.NullDecimal {
	share := func(l *Line) decimal.NullDecimal {
		if l == nil {
			return decimal.NewNullDecimal(decimal.Zero)
		}
		return l.Pct
	}
	a, b := share(p.A), share(p.B)
	if !a.Valid || !b.Valid {
		return decimal.NullDecimal{}
	}
	return decimal.NewNullDecimal(b.Decimal.Sub(a.Decimal).Round(places))
}

// portions answers for each portion of b the index of its partner in a, or -1.
func portions(a, b []Portion) []int {
	partner := make([]int, len(b))
	free := make([]bool, len(a))
	for i := range free {
		free[i] = true
	}
	for j := range b {
		partner[j] = -1
		for i := range a {
			if free[i] && fold(a[i].Name) == fold(b[j].Name) {
				partner[j], free[i] = i, false
				break
			}
		}
	}
	// First by what goes in and how much, then by what goes in alone.
	for _, content := range []func(Portion) string{exactly, roughly} {
		left, right := map[string][]int{}, map[string][]int{}
		for i := range a {
			if free[i] {
				left[content(a[i])] = append(left[content(a[i])], i)
			}
		}
		for j := range b {
			if partner[j] < 0 {
				right[content(b[j])] = append(right[content(b[j])], j)
			}
		}
		for what, js := range right {
			if is := left[what]; what != "" && len(is) == 1 && len(js) == 1 {
				partner[js[0]], free[is[0]] = is[0], false
			}
		}
	}
	return partner
}

// roughly is what goes into a portion; empty where nothing does. A portion inside it counts without its name, which
// may be what was changed.
func roughly(p Portion) string { return content(p, func(Line) string { return "" }) }

// exactly is that with the amounts.
func exactly(p Portion) string {
	return content(p, func(l Line) string {
		return " " + l.Basis + " " + l.Amount.String() + " " + l.LowPct.String() + " " + l.HighPct.String()
	})
}

func content(p Portion, amount func(Line) string) string {
	list := make([]string, 0, len(p.Lines))
	for _, l := range p.Lines {
		code := l.Code
		if l.Kind == "portion" {
			code = ""
		}
		list = append(list, l.Kind+":"+code+amount(l))
	}
	slices.Sort(list)
	return strings.Join(list, "\n")
}

// controls pairs by name and stage, and what is left by name alone: it was moved to another stage.
func controls(a, b []Control) []Pair[Control] {
	partner := make([]int, len(b))
	for j := range partner {
		partner[j] = -1
	}
	free := make([]bool, len(a))
	for i := range free {
		free[i] = true
	}
	for _, key := range []func(Control) string{
		func(c Control) string { return fold(c.Name) + "\n" + c.Stage },
		func(c Control) string { return fold(c.Name) },
	} {
		for j := range b {
			for i := range a {
				if partner[j] < 0 && free[i] && key(a[i]) == key(b[j]) {
					partner[j], free[i] = i, false
				}
			}
		}
	}
	return join(a, b, partner, func(x, y Control) bool {
		return x.Name == y.Name && x.Stage == y.Stage && x.Unit == y.Unit && sameNull(x.Low, y.Low) && sameNull(x.High, y.High) && x.Readings == y.Readings
	})
}
