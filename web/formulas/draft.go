package formulas

import (
	"fmt"
	"slices"
	"strconv"
	"strings"

	"github.com/shopspring/decimal"

	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/scaling"
	"example.org/stillroom/internal/store"
	"example.org/stillroom/web/paths"
	"example.org/stillroom/web/ui"
)

// A draft is edited part by part: each small form names its part, such as "portions-0-lines-2", loads the draft,
// changes that part and saves the whole. Faults come back under the same names, so that they stand beside the part.

// particulars is the part of everything that is not a portion, step or control.
const particulars = "particulars"

func portionPart(i int) string { return fmt.Sprintf("portions-%d", i) }
func linePart(i, j int) string { return fmt.Sprintf("portions-%d-lines-%d", i, j) }
func stepPart(i int) string    { return fmt.Sprintf("steps-%d", i) }
func controlPart(i int) string { return fmt.Sprintf("controls-%d", i) }

// spot is where in a draft a form belongs; at is one behind the last for what is being added.
type spot struct {
	kind        string // portions, lines, steps, controls or particulars; empty for none of them
	portion, at int
}

func parseSpot(part string) spot {
	names := strings.Split(part, "-")
	number := func(i int) int {
		n, err := strconv.Atoi(names[i])
		if err != nil || n < 0 {
			return -1
		}
		return n
	}
	var s spot
	switch {
	case part == particulars:
		return spot{kind: particulars}
	case len(names) == 2 && (names[0] == "portions" || names[0] == "steps" || names[0] == "controls"):
		s = spot{kind: names[0], at: number(1)}
	case len(names) == 4 && names[0] == "portions" && names[2] == "lines":
		s = spot{kind: "lines", portion: number(1), at: number(3)}
	}
	if s.at < 0 || s.portion < 0 {
		return spot{}
	}
	return s
}

// size is how many there are of what the spot is one of; -1 where the spot is nowhere in this version.
func (s spot) size(v store.FormulaVersion) int {
	switch {
	case s.kind == particulars:
		return 1
	case s.kind == "portions":
		return len(v.Portions)
	case s.kind == "steps":
		return len(v.Steps)
	case s.kind == "controls":
		return len(v.Controls)
	case s.kind == "lines" && s.portion < len(v.Portions):
		return len(v.Portions[s.portion].Lines)
	}
	return -1
}

// placed gives the store's faults the names of the page: dashes for dots, and what is off about the portion that a
// line takes from stands beside the choice of what goes in.
func placed(err error) error {
	f := fault.As(err)
	if f == nil || len(f.Fields) == 0 {
		return err
	}
	var out fault.Fields
	for _, field := range f.Fields {
		name := strings.ReplaceAll(field.Name, ".", "-")
		if stem, cut := strings.CutSuffix(name, "-portion"); cut && strings.Contains(stem, "-lines-") {
			name = stem + "-kind"
		}
		out.Add(name, field.Message)
	}
	return out.Err()
}

// within gives the faults of a form the names of its part.
func within(err error, part string) error {
	f := fault.As(err)
	if f == nil || part == particulars {
		return err
	}
	var out fault.Fields
	for _, field := range f.Fields {
		out.Add(part+"-"+field.Name, field.Message)
	}
	return out.Err()
}

// change is what one form does to a draft. Faults of what was typed go to the form; an error is for anything else.
type change func(v *store.FormulaVersion, s spot, f *ui.Form) error

// save applies one form to the draft and saves the whole.
func (a Area) save(r *ui.Request, kind, what string, apply change) error {
	f := r.Form()
	ctx, code := r.HTTP.Context(), r.Param("code")
	page, err := a.Store.Formula(ctx, r.Who.Workshop, code)
	if err != nil {
		return err
	}
	number := page.Versions[0].Number // a formula has a version from its first moment
	v, err := a.Store.FormulaVersion(ctx, r.Who.Workshop, code, number)
	if err != nil {
		return err
	}
	part, seen := f.Raw("part"), f.Raw("seen")
	s := parseSpot(part)
	if s.kind != kind || seen == "" {
		return fault.New(fault.Invalid, "The form is too old. Open the formula anew and fill it in again.")
	}
	// A stale form is not applied to another draft than the one it was drawn for. The store tells whether it was
	// saved before, which is fine, or would go over somebody else's work.
	if v.Status == "draft" && seen == v.Seen {
		if size := s.size(v); size < 0 || s.at > size {
			return fault.New(fault.Invalid, "The form is too old. Open the formula anew and fill it in again.")
		}
		if err = apply(&v, s, f); err == nil {
			err = within(f.Err(), part)
		}
	}
	v.Seen = seen
	var entry store.Entry
	if err == nil {
		entry, err = r.Entry()
	}
	if err == nil {
		err = placed(a.Store.SaveDraft(ctx, r.Who, entry, code, v))
	}
	if err != nil {
		return a.refuse(r, err, number, part, r.HTTP.PostForm)
	}
	switch do := f.Raw("do"); do {
	case "more":
		s.at++
		return r.SeeOther(paths.FormulaEdit(code, number, s.part()), what+" is saved. Now the next.")
	case "remove":
		return r.SeeOther(paths.FormulaVersion(code, number)+"#"+s.section(), what+" is taken out of the draft.")
	case "up", "down":
		return r.SeeOther(paths.FormulaVersion(code, number)+"#"+s.section(), "Moved.")
	}
	return r.SeeOther(paths.FormulaVersion(code, number)+"#"+s.section(), what+" is saved.")
}

func (s spot) part() string {
	switch s.kind {
	case "portions":
		return portionPart(s.at)
	case "lines":
		return linePart(s.portion, s.at)
	case "steps":
		return stepPart(s.at)
	case "controls":
		return controlPart(s.at)
	}
	return particulars
}

// section is the id of the sheet to come back to.
func (s spot) section() string {
	if s.kind == "lines" {
		return portionPart(s.portion)
	}
	return s.kind
}

// arrange moves or removes the element at a spot; it tells whether that was all the form asked for.
func arrange[T any](list []T, at int, do string) ([]T, bool) {
	if at >= len(list) {
		return list, false
	}
	switch do {
	case "remove":
		return slices.Delete(list, at, at+1), true
	case "up", "down":
		to := at - 1
		if do == "down" {
			to = at + 1
		}
		if to >= 0 && to < len(list) {
			list[at], list[to] = list[to], list[at]
		}
		return list, true
	}
	return list, false
}

// put sets the element at a spot, one behind the last is added.
func put[T any](list []T, at int, value T) []T {
	if at < len(list) {
		list[at] = value
		return list
	}
	return append(list, value)
}

// optional is a number of any sign, or none.
func optional(f *ui.Form, name string) decimal.NullDecimal {
	if strings.TrimSpace(f.Raw(name)) == "" {
		return decimal.NullDecimal{}
	}
	return decimal.NewNullDecimal(f.Number(name, ""))
}

// amountOf is an amount in % or, by weight, in g. now is what stands, as the basis before counted it.
func amountOf(f *ui.Form, before, basis string, now decimal.Decimal, ask string) decimal.Decimal {
	switch {
	case basis != scaling.Weight:
		return f.Positive("amount", ask)
	case before == scaling.Weight:
		return f.Mass("amount", ask, now)
	}
	return f.Mass("amount", ask)
}

// SaveParticulars saves what holds for the whole batch.
func (a Area) SaveParticulars(r *ui.Request) error {
	return a.save(r, particulars, "What holds for the batch", func(v *store.FormulaVersion, _ spot, f *ui.Form) error {
		v.NominalG = f.Mass(fieldNominal, "Which batch mass do weights refer to?", v.NominalG)
		v.TolerancePct = f.NonNegative("tolerance_pct", "How far may a weight be off, in %? 0 for not at all.")
		v.ToleranceG = f.OptionalMass("tolerance_g", decimal.NewNullDecimal(v.ToleranceG)).Decimal
		v.ExpectedLossPct = f.OptionalNumber("expected_loss_pct").Decimal
		v.ReconciliationPct = f.NonNegative("reconciliation_pct", "How much may stay unexplained, in %?")
		v.MinC, v.MaxC, v.MinPct, v.MaxPct = f.Degrees("min_c", v.MinC), f.Degrees("max_c", v.MaxC), optional(f, "min_pct"), optional(f, "max_pct")
		v.CureHours = f.OptionalWhole("cure") * cureUnits[f.OneOf("cure_unit", "Choose hours, days or weeks.", "hours", "days", "weeks")]
		v.CureWord = f.OneOf("cure_word", "Choose cure, dry or set.", "cure", "dry", "set")
		v.Yields = f.OneOf(fieldYields, "Choose units or bulk.", "units", "bulk")
		v.BulkMonths = f.OptionalWhole("bulk_months")
		v.Caution, v.Note = f.Text("caution", 2000), f.Text("note", 2000)
		return nil
	})
}

var cureUnits = map[string]int{"hours": 1, "days": 24, "weeks": 168}

// SavePortion adds, changes, moves or removes a portion.
func (a Area) SavePortion(r *ui.Request) error {
	return a.save(r, "portions", "The portion", func(v *store.FormulaVersion, s spot, f *ui.Form) error {
		if s.at < len(v.Portions) && f.Raw("do") == "remove" {
			if where := usedIn(*v, v.Portions[s.at].Name); where != "" {
				return fault.New(fault.Invalid, v.Portions[s.at].Name+" is used "+where+". Take it out there first.")
			}
		}
		var done bool
		if v.Portions, done = arrange(v.Portions, s.at, f.Raw("do")); done {
			return nil
		}
		var p store.FormulaPortion
		if s.at < len(v.Portions) {
			p = v.Portions[s.at]
		}
		before, was := p.Name, p.Basis
		p.Name = f.Must("name", 100, "Name the portion, such as Base or Blue.")
		p.Basis = f.OneOf("basis", "Say how much of the batch it is.", scaling.Share, scaling.Weight, scaling.Inner)
		if p.Basis == scaling.Inner {
			p.Amount = decimal.Zero
		} else {
			p.Amount = amountOf(f, was, p.Basis, p.Amount, "How much of the batch?")
		}
		v.Portions = put(v.Portions, s.at, p)
		if before != "" {
			rename(v, before, p.Name)
		}
		return nil
	})
}

// usedIn says where a portion is named, empty for nowhere.
func usedIn(v store.FormulaVersion, name string) string {
	for _, p := range v.Portions {
		for _, l := range p.Lines {
			if l.Kind == scaling.KindPortion && strings.EqualFold(l.InnerPortion, name) {
				return "in " + p.Name
			}
		}
	}
	for i, s := range v.Steps {
		if strings.EqualFold(s.Portion, name) {
			return "in step " + strconv.Itoa(i+1) + " of the method"
		}
	}
	return ""
}

// rename carries a portion's new name to where it is used.
func rename(v *store.FormulaVersion, before, now string) {
	for i := range v.Portions {
		for j := range v.Portions[i].Lines {
			if l := &v.Portions[i].Lines[j]; l.Kind == scaling.KindPortion && l.InnerPortion == before {
				l.InnerPortion = now
			}
		}
	}
	for i := range v.Steps {
		if v.Steps[i].Portion == before {
			v.Steps[i].Portion = now
		}
	}
}

// SaveLine adds, changes, moves or removes a line of a portion.
func (a Area) SaveLine(r *ui.Request) error {
	return a.save(r, "lines", "The line", func(v *store.FormulaVersion, s spot, f *ui.Form) error {
		p := &v.Portions[s.portion]
		var done bool
		if p.Lines, done = arrange(p.Lines, s.at, f.Raw("do")); done {
			return nil
		}
		var l, was store.FormulaLine
		if s.at < len(p.Lines) {
			was = p.Lines[s.at]
		}
		kind, name, _ := strings.Cut(f.Raw("kind"), ":")
		switch {
		case name == "":
			f.Add("kind", "What goes in?")
		case kind == scaling.KindMaterial:
			l.Kind, l.MaterialCode = kind, name
		case kind == scaling.KindPortion:
			l.Kind, l.InnerPortion = kind, name
		case kind == scaling.KindBulk:
			l.Kind, l.BulkFormula = kind, name
		default:
			f.Add("kind", "What goes in?")
		}
		l.Basis = f.OneOf("basis", "Choose % or "+f.Style().MassUnit()+".", scaling.Share, scaling.Weight)
		l.AsNeeded = strings.TrimSpace(f.Raw("amount")) == "" && (strings.TrimSpace(f.Raw("low")) != "" || strings.TrimSpace(f.Raw("high")) != "")
		if l.AsNeeded {
			l.Low = f.OptionalMass("low", decimal.NullDecimal{Decimal: was.Low, Valid: was.AsNeeded}).Decimal
			l.High = f.Mass("high", "What is the highest amount?", was.High)
		} else {
			l.Amount = amountOf(f, was.Basis, l.Basis, was.Amount, "How much? Or, as needed, give lowest and highest.")
			if strings.TrimSpace(f.Raw("low"))+strings.TrimSpace(f.Raw("high")) != "" {
				f.Add("amount", "Give an amount, or lowest and highest for as needed, not both.")
			}
		}
		l.MaxPct = f.OptionalNumber("limit")
		p.Lines = put(p.Lines, s.at, l)
		return nil
	})
}

// SaveStep adds, changes, moves or removes a step of the method.
func (a Area) SaveStep(r *ui.Request) error {
	return a.save(r, "steps", "The step", func(v *store.FormulaVersion, s spot, f *ui.Form) error {
		var done bool
		if v.Steps, done = arrange(v.Steps, s.at, f.Raw("do")); done {
			return nil
		}
		v.Steps = put(v.Steps, s.at, store.FormulaStep{Text: f.Must("text", 1000, "Say what is done."), Caution: f.Text("caution", 1000), Portion: f.Text("portion", 100)})
		return nil
	})
}

// SaveControl adds, changes, moves or removes an in-process control.
func (a Area) SaveControl(r *ui.Request) error {
	return a.save(r, "controls", "The control", func(v *store.FormulaVersion, s spot, f *ui.Form) error {
		var done bool
		if v.Controls, done = arrange(v.Controls, s.at, f.Raw("do")); done {
			return nil
		}
		c := store.FormulaControl{Name: f.Must("name", 100, "What is measured, such as pH?"), Stage: f.OneOf("stage", "Choose the stage.", stageKeys...), Unit: f.Text("unit", 20), Low: optional(f, "low"), High: optional(f, "high"), Readings: f.Whole("readings", "How many readings, at least?")}
		v.Controls = put(v.Controls, s.at, c)
		return nil
	})
}
