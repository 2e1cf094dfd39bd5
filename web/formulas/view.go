package formulas

import (
	"fmt"
	"net/url"
	"slices"
	"strconv"
	"strings"

	"github.com/shopspring/decimal"

	"example.org/stillroom/internal/cure"
	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/measure"
	"example.org/stillroom/internal/quantity"
	"example.org/stillroom/internal/scaling"
	"example.org/stillroom/internal/store"
	"example.org/stillroom/web/paths"
	"example.org/stillroom/web/ui"
)

type versionView struct {
	Formula                         store.FormulaPage
	V                               store.FormulaVersion
	Sums                            store.FormulaSums
	Clock                           ui.Clock
	Style                           measure.Style
	Edit                            bool // a draft, and the person may change it
	MayEdit, MayApprove, MayCorrect bool
	MayPlan                         bool
	Ingredients                     []ui.Option
	Open                            string     // the part whose form is open
	Typed                           url.Values // what was typed in it, where it could not be taken
	Fault                           *fault.Fault
}

func (v versionView) title() string { return v.V.FormulaName }

// sub is the line below the heading.
func (v versionView) sub() string {
	state := map[string]string{"draft": "a draft", "approved": "in force", "retired": "no longer in force"}[v.V.Status]
	words := fmt.Sprintf("Version %d, %s. Code letters %s.", v.V.Number, state, v.V.Letters)
	if v.V.ApprovedAt != nil {
		words += " Approved by " + v.V.ApprovedBy + ", " + v.Clock.Time(*v.V.ApprovedAt) + "."
	}
	return words
}

func (v versionView) versions() []ui.Link {
	links := make([]ui.Link, 0, len(v.Formula.Versions))
	for _, x := range v.Formula.Versions {
		words := "Version " + strconv.Itoa(x.Number)
		switch x.Status {
		case "draft":
			words += ", draft"
		case "approved":
			words += ", in force"
		}
		links = append(links, ui.Link{Href: paths.FormulaVersion(v.Formula.Code, x.Number), Words: words, Current: x.Number == v.V.Number})
	}
	return links
}

// draft is the number of the draft, 0 for none.
func (v versionView) draft() int {
	for _, x := range v.Formula.Versions {
		if x.Status == "draft" {
			return x.Number
		}
	}
	return 0
}

// retired says who took the version out of force, and why; empty where the next one took its place.
func (v versionView) retired() string {
	for _, x := range v.Formula.Versions {
		if x.Number == v.V.Number && x.Why != "" {
			return "Taken out of force by " + x.RetiredBy + ", " + v.Clock.Time(*x.RetiredAt) + ": " + x.Why
		}
	}
	return ""
}

// inForce is the number of the version in force, 0 for none.
func (v versionView) inForce() int {
	for _, x := range v.Formula.Versions {
		if x.Status == "approved" {
			return x.Number
		}
	}
	return 0
}

// beside are the versions to hold side by side: a draft beside the one in force, any other beside the one before it; 0
// where there is none.
func (v versionView) beside() (a, b int) {
	if v.V.Status == "draft" && v.inForce() > 0 {
		return v.inForce(), v.V.Number
	}
	for _, x := range v.Formula.Versions {
		if x.Number < v.V.Number {
			return x.Number, v.V.Number
		}
	}
	return 0, 0
}

// clamp is the part to open: a form that was drawn for more parts than there are now becomes the one that adds.
func (v versionView) clamp(part string) string {
	s := parseSpot(part)
	if s.kind == "lines" && s.portion >= len(v.V.Portions) {
		s.portion = max(len(v.V.Portions)-1, 0)
	}
	size := s.size(v.V)
	if size < 0 {
		return ""
	}
	s.at = min(s.at, size)
	return s.part()
}

// key is what a field is called in faults and ids.
func key(part, name string) string {
	if part == particulars {
		return name
	}
	return part + "-" + name
}

// field is a box of a part: as it is stored, or as it was typed.
func (v versionView) field(part, name, label, stored string) ui.Field {
	f := ui.Field{Name: name, ID: "f-" + key(part, name), Label: label, Value: stored, Error: v.Fault.Of(key(part, name))}
	if v.Typed != nil && v.Open == part {
		f.Value = v.Typed.Get(name)
	}
	return f
}

func (f field) decimal() field { f.Type = "decimal"; return f }

// field adds to ui.Field in a row, for templates.
type field ui.Field

func (v versionView) box(part, name, label, stored string) field {
	return field(v.field(part, name, label, stored))
}
func (f field) unit(unit string) field { f.Unit = unit; return f }
func (f field) hint(hint string) field { f.Hint = hint; return f }
func (f field) optional() field        { f.Optional = true; return f }
func (f field) required() field        { f.Required = true; return f }
func (f field) first() field           { f.Autofocus = f.Error == ""; return f }
func (f field) most(n int) field       { f.Max = n; return f }
func (f field) of(kind string) field   { f.Type = kind; return f }
func (f field) placeholder(words string) ui.Field {
	f.Placeholder = words
	return ui.Field(f)
}
func (f field) ui() ui.Field { return ui.Field(f) }

// off are the faults of a part whose form is not open, each with the id that the summary leads to.
func (v versionView) off(part string) []fault.Field {
	if v.Fault == nil || v.Open == part {
		return nil
	}
	var list []fault.Field
	for _, f := range v.Fault.Fields {
		rest, here := strings.CutPrefix(f.Name, part+"-")
		if part == particulars {
			rest, here = f.Name, slices.Contains(particularFields, f.Name)
		}
		if here && !strings.Contains(rest, "-") && rest != "lines" {
			list = append(list, f)
		}
	}
	return list
}

var particularFields = []string{"nominal", "tolerance_pct", "tolerance_g", "expected_loss_pct", "reconciliation_pct", "min_c", "max_c", "min_pct", "max_pct",
	"cure", "cure_word", "yields", "bulk_months", "caution", "note"}

// labels say for the summary what each fault is about.
func (v versionView) labels() map[string]string {
	labels := map[string]string{"nominal": "Nominal batch", "tolerance_pct": "Tolerance, %", "tolerance_g": "Tolerance, g", "expected_loss_pct": "Expected loss", "reconciliation_pct": "Unexplained at most",
		"min_c": "Lowest temperature", "max_c": "Highest temperature", "min_pct": "Lowest humidity", "max_pct": "Highest humidity", "cure": "Time", "cure_unit": "Time", "cure_word": "Called", "yields": "Yields",
		"bulk_months": "Bulk keeps", "caution": "Caution", "note": "Note", "portions": "Portions"}
	if v.Fault == nil {
		return labels
	}
	for _, f := range v.Fault.Fields {
		names := strings.Split(f.Name, "-")
		var words string
		switch s := parseSpot(strings.Join(names[:max(len(names)-1, 0)], "-")); {
		case s.kind == "portions" && s.at < len(v.V.Portions):
			words = v.V.Portions[s.at].Name
		case s.kind == "portions":
			words = "New portion"
		case s.kind == "lines" && s.portion < len(v.V.Portions):
			words = v.V.Portions[s.portion].Name
			if s.at < len(v.V.Portions[s.portion].Lines) {
				words += ", " + v.V.Portions[s.portion].Lines[s.at].Name
			}
		case s.kind == "steps":
			words = "Step " + strconv.Itoa(s.at+1)
		case s.kind == "controls" && s.at < len(v.V.Controls):
			words = v.V.Controls[s.at].Name
		case s.kind == "controls":
			words = "New control"
		}
		if words != "" {
			labels[f.Name] = words
		}
	}
	return labels
}

// kept is what was typed where its form cannot be shown any more, so that it is not lost.
func (v versionView) kept() []string {
	if v.Typed == nil || v.Edit && v.Open != "" {
		return nil
	}
	var list []string
	for name, values := range v.Typed {
		switch name {
		case "entry_key", "seen", "part", "do":
			continue
		}
		if text := strings.TrimSpace(strings.Join(values, ", ")); text != "" {
			list = append(list, strings.ReplaceAll(name, "_", " ")+": "+text)
		}
	}
	slices.Sort(list)
	return list
}

// num is a number as it is shown, to three decimals.
func num(d decimal.Decimal) string { return quantity.Format(d.Round(3)) }

// plain is a number as it stands in a box; nothing for zero or none.
func plain(d decimal.Decimal) string {
	if d.IsZero() {
		return ""
	}
	return quantity.Plain(d)
}

func plainNull(d decimal.NullDecimal) string {
	if !d.Valid {
		return ""
	}
	return quantity.Plain(d.Decimal)
}

func count(n int) string {
	if n == 0 {
		return ""
	}
	return strconv.Itoa(n)
}

func withUnit(d decimal.NullDecimal, unit string) string {
	if !d.Valid {
		return ""
	}
	return num(d.Decimal) + " " + unit
}

// next is the button of what comes after approval: a product where units come out and there is none, else a plan.
func (v versionView) next() (href, words string) {
	switch {
	case v.V.Status != "approved":
	case v.V.Yields == "units" && len(v.Formula.Products) == 0:
		if v.MayEdit {
			return paths.NewProduct(v.Formula.Code), "New product of it"
		}
	case v.MayPlan:
		return paths.NewPlanOf(v.Formula.Code), "Plan a batch"
	}
	return "", ""
}

// limited tells whether a portion's table has a column for limits of use: a draft's has, for one to be missed.
func (v versionView) limited(i int) bool {
	return v.Edit || slices.ContainsFunc(v.V.Portions[i].Lines, func(l store.FormulaLine) bool { return l.MaxPct.Valid })
}

// mass is a mass in g, or nothing where it is not known.
func (v versionView) mass(g decimal.NullDecimal) string {
	if !g.Valid {
		return withUnit(g, "")
	}
	return v.Style.Grams(g.Decimal.Round(4))
}

// plainMass and plainDegrees are what a box is drawn with, empty for none.
func (v versionView) plainMass(g decimal.Decimal) string {
	if g.IsZero() {
		return ""
	}
	return v.Style.Figure(g)
}

func (v versionView) plainDegrees(c decimal.NullDecimal) string {
	if !c.Valid {
		return ""
	}
	return v.Style.TemperatureFigure(c.Decimal)
}

// plainAmount is the amount of a line or portion as its basis counts it.
func (v versionView) plainAmount(basis string, amount decimal.Decimal) string {
	if basis == scaling.Weight {
		return v.plainMass(amount)
	}
	return plain(amount)
}

// portionWords says how much of the batch a portion is, both ways.
func (v versionView) portionWords(i int) string {
	p := v.V.Portions[i]
	g := v.Sums.PortionG[i]
	switch p.Basis {
	case scaling.Share:
		return num(p.Amount) + " % of the batch, " + v.mass(g)
	case scaling.Weight:
		words := v.mass(g)
		if v.V.NominalG.IsPositive() {
			words += ", " + num(p.Amount.Shift(2).DivRound(v.V.NominalG, 8)) + " % of the batch"
		}
		return words
	}
	if g.Valid {
		return "made for other portions, " + v.mass(g)
	}
	return "made for other portions"
}

// lineShare and lineMass are a line's amount both ways.
func (v versionView) lineShare(i, j int) string {
	if v.V.Portions[i].Lines[j].AsNeeded {
		return "as needed"
	}
	return withUnit(v.Sums.LinePct[i][j], "%")
}

func (v versionView) lineMass(i, j int) string {
	if l := v.V.Portions[i].Lines[j]; l.AsNeeded {
		return strings.TrimSuffix(v.Style.Grams(l.Low), " "+v.Style.MassUnit()) + " to " + v.Style.Grams(l.High)
	}
	return v.mass(v.Sums.LineG[i][j])
}

func lineHint(l store.FormulaLine) string {
	switch l.Kind {
	case scaling.KindPortion:
		return "portion of this formula"
	case scaling.KindBulk:
		return "bulk of " + l.BulkFormula
	}
	return l.MaterialCode
}

// choice is the value of the line in the list of what goes in.
func choice(l store.FormulaLine) string {
	switch l.Kind {
	case scaling.KindMaterial:
		return "material:" + l.MaterialCode
	case scaling.KindPortion:
		return "portion:" + l.InnerPortion
	case scaling.KindBulk:
		return "bulk:" + l.BulkFormula
	}
	return ""
}

// choices are what a line of a portion can take; what it takes now is one of them, even where it is not bought any
// more.
func (v versionView) choices(i int, l store.FormulaLine) []ui.Option {
	var list []ui.Option
	known := choice(l) == ""
	for _, o := range v.Ingredients {
		if o.Value != "portion:"+v.V.Portions[i].Name {
			list = append(list, o)
			known = known || o.Value == choice(l)
		}
	}
	if !known {
		list = append(list, ui.Option{Value: choice(l), Label: l.Name, Hint: lineHint(l)})
	}
	return list
}

// newLine starts a line the way the portion's others go.
func (v versionView) newLine(i int) store.FormulaLine {
	for _, l := range v.V.Portions[i].Lines {
		if !l.AsNeeded {
			return store.FormulaLine{Basis: l.Basis}
		}
	}
	return store.FormulaLine{Basis: scaling.Share}
}

// newPortion starts with what is left of the batch.
func (v versionView) newPortion() store.FormulaPortion {
	p := store.FormulaPortion{Basis: scaling.Share, Amount: decimal.NewFromInt(100)}
	if len(v.V.Portions) == 0 {
		p.Name = "Base"
		return p
	}
	if s := v.Sums.Portions; !s.Mixed && s.Want.Valid {
		p.Amount = decimal.Max(s.Want.Decimal.Sub(s.Have), decimal.Zero)
		if s.Unit == "g" {
			p.Basis = scaling.Weight
		}
	}
	return p
}

// afterWords says when a step comes.
func afterWords(s store.FormulaStep) string {
	if s.Portion == "" {
		return "after all portions"
	}
	return "after " + s.Portion
}

func (v versionView) portionChoices() []ui.Option {
	list := make([]ui.Option, 0, len(v.V.Portions))
	for _, p := range v.V.Portions {
		list = append(list, ui.Option{Value: p.Name, Label: "After " + p.Name})
	}
	return list
}

var stageKeys = []string{"making", "moulding", "cure_end", "packing"}

var stageWords = map[string]string{"making": "while making", "moulding": "at moulding", "cure_end": "at end of cure", "packing": "at packing"}

func stageChoices() []ui.Option {
	list := make([]ui.Option, 0, len(stageKeys))
	for _, k := range stageKeys {
		words := stageWords[k]
		list = append(list, ui.Option{Value: k, Label: strings.ToUpper(words[:1]) + words[1:]})
	}
	return list
}

// between says limits in words, empty for none.
func between(style measure.Style, low, high decimal.NullDecimal, unit string) string {
	kept := unit
	low.Decimal, _ = style.In(low.Decimal, kept)
	high.Decimal, unit = style.In(high.Decimal, kept)
	var words string
	switch {
	case low.Valid && high.Valid:
		words = num(low.Decimal) + " to " + num(high.Decimal)
	case low.Valid:
		words = "at least " + num(low.Decimal)
	case high.Valid:
		words = "at most " + num(high.Decimal)
	default:
		return ""
	}
	return strings.TrimSpace(words + " " + unit)
}

func (v versionView) climateWords() string {
	var list []string
	for _, words := range []string{between(v.Style, v.V.MinC, v.V.MaxC, "°C"), between(v.Style, v.V.MinPct, v.V.MaxPct, "% humidity")} {
		if words != "" {
			list = append(list, words)
		}
	}
	if len(list) == 0 {
		return "no limits"
	}
	return strings.Join(list, ", ")
}

func (v versionView) toleranceWords() string {
	words := num(v.V.TolerancePct) + " % of a target"
	if v.V.ToleranceG.IsPositive() {
		words += ", or " + v.Style.Grams(v.V.ToleranceG) + " where that is more"
	}
	return words
}

func (v versionView) cureWords() string {
	if v.V.CureHours == 0 {
		return "none"
	}
	return map[string]string{"cure": "cures", "dry": "dries", "set": "sets"}[v.V.CureWord] + " at least " + cure.Words(v.V.CureHours)
}

func (v versionView) yieldsWords() string {
	if v.V.Yields != "bulk" {
		return "units, packed from the batch"
	}
	words := "bulk that other batches draw from"
	if v.V.BulkMonths > 0 {
		words += ", to be used within " + strconv.Itoa(v.V.BulkMonths) + " months of making"
	}
	return words
}

// cureNumber and cureUnit take hours apart into the largest whole unit.
func cureNumber(hours int) string { return count(hours / cureUnits[cureUnit(hours)]) }

func cureUnit(hours int) string {
	switch {
	case hours > 0 && hours%168 == 0:
		return "weeks"
	case hours > 0 && hours%24 == 0:
		return "days"
	case hours == 0:
		return "weeks"
	}
	return "hours"
}

// ready tells whether the sums come out, so far as a page can see: the approval asks for the rest.
func (v versionView) ready() bool {
	for i := range v.V.Portions {
		if !v.Sums.Lines[i].Right() {
			return false
		}
	}
	return v.Sums.Portions.Right()
}

// cautions are those of what goes in, for whoever writes the caution of a step.
func (v versionView) cautions() []ui.Care {
	var list []ui.Care
	for _, p := range v.V.Portions {
		for _, l := range p.Lines {
			if l.Caution != "" {
				list = append(list, ui.Care{What: l.Name, Words: l.Caution})
			}
		}
	}
	return list
}
