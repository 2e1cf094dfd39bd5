package compare

import (
	"strconv"
	"strings"

	"github.com/shopspring/decimal"

	"example.org/stillroom/internal/compare"
	"example.org/stillroom/internal/cure"
	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/measure"
	"example.org/stillroom/internal/quantity"
	"example.org/stillroom/internal/store"
	"example.org/stillroom/web/ui"
)

type versionsView struct {
	Formula        store.FormulaPage
	TypedA, TypedB string // as in the address
	A, B           store.FormulaVersion
	Style          measure.Style
	Fault          *fault.Fault
	Shown          bool // two were found
	Same           bool
	Blocks         []block
}

// chosen are the numbers asked for, or what is most likely meant. Faults are beside a and b.
func (v versionsView) chosen() (a, b int, err error) {
	var f fault.Fields
	number := func(field, typed string) int {
		if strings.TrimSpace(typed) == "" {
			return 0
		}
		n, err := strconv.Atoi(strings.TrimSpace(typed))
		if err != nil || !v.has(n) {
			f.Add(field, "There is no version "+quoted(typed)+" of "+v.Formula.Name+". Choose one.")
		}
		return n
	}
	a, b = number(fieldA, v.TypedA), number(fieldB, v.TypedB)
	if f.Any() {
		return 0, 0, f.Err()
	}
	if b == 0 {
		b = v.newest(a)
	}
	if a == 0 {
		a = v.against(b)
	}
	switch {
	case a == 0 || b == 0:
		f.Add(fieldA, "There is no other version to hold beside it.")
	case a == b:
		f.Add(fieldB, "That is the same version twice. Choose another.")
	}
	return a, b, f.Err()
}

// quoted bounds what is said again.
func quoted(typed string) string {
	if r := []rune(typed); len(r) > 20 {
		typed = string(r[:20]) + "…"
	}
	return `"` + typed + `"`
}

func (v versionsView) has(n int) bool { return v.status(n) != "" }

func (v versionsView) status(n int) string {
	for _, x := range v.Formula.Versions {
		if x.Number == n {
			return x.Status
		}
	}
	return ""
}

// newest is the newest version but one; 0 for none.
func (v versionsView) newest(but int) int {
	for _, x := range v.Formula.Versions {
		if x.Number != but {
			return x.Number
		}
	}
	return 0
}

// against is what a version is most likely compared with: a draft with the one in force, any other with the one before.
func (v versionsView) against(b int) int {
	before := 0
	for _, x := range v.Formula.Versions {
		if v.status(b) == "draft" && x.Status == "approved" {
			return x.Number
		}
		if x.Number < b && before == 0 {
			before = x.Number
		}
	}
	if before == 0 {
		return v.newest(b)
	}
	return before
}

func (v versionsView) options() []ui.Option {
	list := make([]ui.Option, 0, len(v.Formula.Versions))
	for _, x := range v.Formula.Versions {
		list = append(list, ui.Option{Value: strconv.Itoa(x.Number), Label: "Version " + strconv.Itoa(x.Number), Hint: stateWords[x.Status]})
	}
	return list
}

var stateWords = map[string]string{"draft": "a draft", "approved": "in force", "retired": "no longer in force"}

func (v versionsView) left() string  { return "Version " + strconv.Itoa(v.A.Number) }
func (v versionsView) right() string { return "Version " + strconv.Itoa(v.B.Number) }

func (v versionsView) sub() string {
	if !v.Shown {
		return ""
	}
	return v.left() + ", " + stateWords[v.A.Status] + ", beside " + strings.ToLower(v.right()) + ", " + stateWords[v.B.Status] + "."
}

// fill compares, and puts what was found into words.
func (v *versionsView) fill() {
	a, b := v.A.Compared(), v.B.Compared()
	a.Particulars, b.Particulars = v.particulars(v.A), v.particulars(v.B)
	diff := compare.Versions(a, b)
	v.Shown, v.Same = true, diff.Same()
	for _, p := range diff.Portions {
		v.Blocks = append(v.Blocks, v.portion(p))
	}
	steps := block{Title: "Method", One: "step", Many: "steps", Note: "Neither has steps."}
	na, nb := 0, 0
	for _, p := range diff.Steps {
		if p.A != nil {
			na++
		}
		if p.B != nil {
			nb++
		}
		steps.Rows = append(steps.Rows, v.step(p, na, nb))
	}
	controls := block{Title: "Controls", One: "control", Many: "controls", Note: "Nothing is measured in either."}
	for _, p := range diff.Controls {
		controls.Rows = append(controls.Rows, v.control(p))
	}
	rest := block{Title: "For the whole batch", One: "particular", Many: "particulars"}
	for _, p := range diff.Particulars {
		rest.Rows = append(rest.Rows, v.mark(row{Name: p.Either().Name, A: words(p.A.Value), B: words(p.B.Value)}, p.Kind))
	}
	v.Blocks = append(v.Blocks, steps, controls, rest)
}

// mark says in a word what became of a row.
func (v versionsView) mark(r row, kind compare.Kind) row {
	return marked(r, kind, "new in "+strings.ToLower(v.right()), "not in "+strings.ToLower(v.right()), "changed")
}

func marked(r row, kind compare.Kind, added, removed, changed string) row {
	switch kind {
	case compare.Added:
		r.Kind, r.Word = "good", added
	case compare.Removed:
		r.Kind, r.Word = "stop", removed
	case compare.Changed:
		r.Kind, r.Word = "care", changed
	}
	return r
}

func pct(d decimal.Decimal) string { return quantity.Format(d.Round(3)) + " %" }

// grams is a share of the batch as a mass in the second's nominal batch, so that both sides speak of the same.
func (v versionsView) grams(share decimal.Decimal) string {
	return v.Style.Grams(share.Mul(v.B.NominalG).Shift(-2).Round(3))
}

func (v versionsView) portion(p compare.PortionPair) block {
	b := block{Title: p.Either().Name, One: "line", Many: "lines", Note: "Nothing goes in."}
	if p.Renamed {
		b.Title = p.A.Name + ", now " + p.B.Name
	}
	of := func(p *compare.Portion) string {
		switch {
		case p.Basis == "inner":
			return "made for other portions"
		case p.Pct.Valid:
			return pct(p.Pct.Decimal) + " of the batch"
		}
		return "not said yet"
	}
	switch p.Kind {
	case compare.Added:
		b.Sub = "New in " + strings.ToLower(v.right()) + ": " + of(p.B) + "."
	case compare.Removed:
		b.Sub = "Not in " + strings.ToLower(v.right()) + " any more. It was " + of(p.A) + "."
	case compare.Changed:
		b.Sub = "Was " + of(p.A) + ", now " + of(p.B) + "."
	default:
		b.Sub = capital(of(p.B)) + ", as before."
	}
	for _, l := range p.Lines {
		b.Rows = append(b.Rows, v.line(l))
	}
	return b
}

func capital(text string) string {
	if text == "" {
		return ""
	}
	return strings.ToUpper(text[:1]) + text[1:]
}

func (v versionsView) line(p compare.Pair[compare.Line]) row {
	r := v.mark(row{Name: p.Either().Name, A: v.lineCell(p.A), B: v.lineCell(p.B)}, p.Kind)
	if points := compare.Points(p); points.Valid && !points.Decimal.IsZero() && p.Kind == compare.Changed {
		r.Diff = append(r.Diff, more(points.Decimal, func(d decimal.Decimal) string { return quantity.Format(d.Round(3)) + " points" }),
			more(points.Decimal, v.grams)+" in "+v.Style.Grams(v.B.NominalG))
	}
	if p.Kind == compare.Changed {
		if p.A.AsNeeded != p.B.AsNeeded {
			r.Diff = append(r.Diff, map[bool]string{true: "as needed now", false: "no longer as needed"}[p.B.AsNeeded])
		} else if p.A.Basis != p.B.Basis {
			r.Diff = append(r.Diff, map[bool]string{true: "written in g now", false: "written as a share now"}[p.B.Basis == "weight"])
		}
		if p.A.MaxPct.Valid != p.B.MaxPct.Valid || !p.A.MaxPct.Decimal.Equal(p.B.MaxPct.Decimal) {
			r.Diff = append(r.Diff, "another limit of use")
		}
	}
	return r
}

// more says a difference without a sign.
func more(d decimal.Decimal, write func(decimal.Decimal) string) string {
	if d.IsNegative() {
		return write(d.Neg()) + " less"
	}
	return write(d) + " more"
}

func (v versionsView) lineCell(l *compare.Line) cell {
	if l == nil {
		return words("not in it")
	}
	var list []string
	switch {
	case l.AsNeeded:
		list = append(list, "as needed", quantity.Format(l.LowPct.Round(3))+" to "+pct(l.HighPct), v.grams(l.LowPct)+" to "+v.grams(l.HighPct))
	case l.Pct.Valid:
		list = append(list, pct(l.Pct.Decimal), v.grams(l.Pct.Decimal))
	case l.Basis == "weight":
		list = append(list, v.Style.Grams(l.Amount))
	default:
		list = append(list, pct(l.Amount)+" of its portion")
	}
	if l.MaxPct.Valid {
		list = append(list, "limit of use "+pct(l.MaxPct.Decimal))
	}
	return words(list...)
}

func (v versionsView) step(p compare.Pair[compare.Step], na, nb int) row {
	r := row{A: stepCell(p.A), B: stepCell(p.B)}
	if r.Name = "Step " + strconv.Itoa(nb); p.B == nil {
		r.Name = "Step " + strconv.Itoa(na) + " before"
	}
	r = v.mark(r, p.Kind)
	if p.Kind == compare.Changed {
		if p.A.Text != p.B.Text {
			r.Diff = append(r.Diff, "other words")
		}
		if p.A.Caution != p.B.Caution {
			r.Diff = append(r.Diff, "another caution")
		}
		if p.A.After != p.B.After {
			r.Diff = append(r.Diff, "another place in the method")
		}
	}
	return r
}

func stepCell(s *compare.Step) cell {
	if s == nil {
		return words("not in it")
	}
	after := "after all portions"
	if s.After != "" {
		after = "after " + s.After
	}
	caution := ""
	if s.Caution != "" {
		caution = "Caution: " + s.Caution
	}
	return words(s.Text, caution, after)
}

var stageWords = map[string]string{"making": "while making", "moulding": "at moulding", "cure_end": "at end of cure", "packing": "at packing"}

func (v versionsView) control(p compare.Pair[compare.Control]) row {
	return v.mark(row{Name: p.Either().Name, A: controlCell(p.A), B: controlCell(p.B)}, p.Kind)
}

func controlCell(c *compare.Control) cell {
	if c == nil {
		return words("not in it")
	}
	readings := strconv.Itoa(c.Readings) + " readings"
	if c.Readings == 1 {
		readings = "1 reading"
	}
	return words(stageWords[c.Stage], window(c.Low, c.High, func(d decimal.Decimal) string { return strings.TrimSpace(quantity.Format(d) + " " + c.Unit) }, "no limits"), readings)
}

// window says limits in words.
func window(low, high decimal.NullDecimal, write func(decimal.Decimal) string, none string) string {
	switch {
	case low.Valid && high.Valid:
		return write(low.Decimal) + " to " + write(high.Decimal)
	case low.Valid:
		return "at least " + write(low.Decimal)
	case high.Valid:
		return "at most " + write(high.Decimal)
	}
	return none
}

// particulars are what holds for the whole batch, in words.
func (v versionsView) particulars(x store.FormulaVersion) []compare.Field {
	tolerance := pct(x.TolerancePct) + " of a target"
	if x.ToleranceG.IsPositive() {
		tolerance += ", or " + v.Style.Grams(x.ToleranceG) + " where that is more"
	}
	cures := "none"
	if x.CureHours > 0 {
		cures = map[string]string{"cure": "cures", "dry": "dries", "set": "sets"}[x.CureWord] + " at least " + cure.Words(x.CureHours)
	}
	yields := "units"
	if x.Yields == "bulk" {
		yields = "bulk"
		if x.BulkMonths > 0 {
			yields += ", to be used within " + strconv.Itoa(x.BulkMonths) + " months of making"
		}
	}
	orNone := func(text string) string {
		if text == "" {
			return "none"
		}
		return text
	}
	return []compare.Field{
		{Name: "Nominal batch", Value: v.Style.Grams(x.NominalG)},
		{Name: "Yields", Value: yields},
		{Name: "Cure", Value: cures},
		{Name: "Room, temperature", Value: window(x.MinC, x.MaxC, v.Style.Degrees, "no limits")},
		{Name: "Room, humidity", Value: window(x.MinPct, x.MaxPct, pct, "no limits")},
		{Name: "A weight may be off by", Value: tolerance},
		{Name: "Expected loss", Value: pct(x.ExpectedLossPct)},
		{Name: "Unexplained at most", Value: pct(x.ReconciliationPct)},
		{Name: "Caution", Value: orNone(x.Caution)},
		{Name: "Note", Value: orNone(x.Note)},
	}
}
