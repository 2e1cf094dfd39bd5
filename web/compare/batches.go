package compare

import (
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/shopspring/decimal"

	"example.org/stillroom/internal/compare"
	"example.org/stillroom/internal/day"
	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/measure"
	"example.org/stillroom/internal/quantity"
	"example.org/stillroom/internal/store"
	"example.org/stillroom/internal/yield"
	"example.org/stillroom/web/ui"
)

type batchesView struct {
	TypedA, TypedB string // as in the address
	A, B           store.Making
	Others         []store.MadeBatch
	Style          measure.Style
	Clock          ui.Clock
	Fault          *fault.Fault
	Shown          bool
	Blocks         []block
}

func (v batchesView) left() string  { return v.A.Code }
func (v batchesView) right() string { return v.B.Code }

func (v batchesView) sub() string {
	if !v.Shown {
		return "Choose two batches. What differs is said in words."
	}
	return v.name(v.A) + " of " + v.Style.Day(v.A.MadeOn) + ", beside " + v.name(v.B) + " of " + v.Style.Day(v.B.MadeOn) + "."
}

func (v batchesView) name(m store.Making) string {
	switch {
	case m.ProductName != "":
		return m.ProductName
	case m.FormulaName != "":
		return m.FormulaName
	case len(m.Packings) > 0:
		return m.Packings[0].ProductName
	}
	return m.Code
}

func (v batchesView) otherFormula() bool { return v.Shown && v.A.FormulaCode != v.B.FormulaCode }

func (v batchesView) otherVersion() bool {
	return v.Shown && !v.otherFormula() && v.A.VersionNumber > 0 && v.B.VersionNumber > 0 && v.A.VersionNumber != v.B.VersionNumber
}

// options are the batches to choose from. What was typed and is not among them is kept, so that the form says what it
// was sent with.
func (v batchesView) options(typed string) []ui.Option {
	list := make([]ui.Option, 0, len(v.Others)+1)
	known := typed == ""
	for _, o := range v.Others {
		hint := v.Style.Day(o.MadeOn)
		if o.Number > 0 {
			hint += ", version " + strconv.Itoa(o.Number)
		}
		list = append(list, ui.Option{Value: o.Code, Label: o.Code, Hint: hint})
		known = known || o.Code == typed
	}
	if !known {
		list = append(list, ui.Option{Value: typed, Label: quoted(typed)})
	}
	return list
}

// fill compares, and puts what was found into words.
func (v *batchesView) fill() {
	v.Shown = true
	a, b := v.compared(v.A), v.compared(v.B)
	diff := compare.Makings(a, b)
	facts := block{Title: "In brief", One: "particular", Many: "particulars"}
	for _, p := range diff.Facts {
		r := row{Name: p.Either().Name, A: words("none"), B: words("none")}
		if p.A != nil {
			r.A = words(p.A.Value)
		}
		if p.B != nil {
			r.B = words(p.B.Value)
		}
		facts.Rows = append(facts.Rows, v.differing(r, p.Kind))
	}
	lines := block{Title: "What went in", One: "line", Many: "lines", Note: "Nothing was weighed in either."}
	for _, p := range diff.Lines {
		lines.Rows = append(lines.Rows, v.weighed(p))
	}
	steps := block{Title: "Method", One: "step", Many: "steps", Note: "Neither has steps."}
	for _, p := range diff.Steps {
		steps.Rows = append(steps.Rows, v.step(p))
	}
	controls := block{Title: "Controls", One: "control", Many: "controls", Note: "Nothing was measured in either."}
	for _, p := range diff.Controls {
		controls.Rows = append(controls.Rows, v.control(p))
	}
	v.Blocks = append(v.Blocks, facts, lines, steps, controls,
		v.counted("Rejects", "reason", "reasons", "Nothing was rejected in either.", diff.Rejects), v.counted("Packed", "product", "products", "Nothing is packed of either yet.", diff.Packings))
}

// differing marks a row of two batches: neither was there first, so that it is said on which side something is.
func (v batchesView) differing(r row, kind compare.Kind) row {
	return marked(r, kind, "only in "+v.right(), "only in "+v.left(), "differs")
}

func (v batchesView) compared(m store.Making) compare.Making {
	out := m.Compared()
	out.Facts = v.facts(m)
	for _, r := range m.Rejects {
		if !r.Replaced {
			out.Rejects = append(out.Rejects, compare.Counted{Name: capital(strings.ReplaceAll(r.Reason, "_", " ")) + ", " + store.RejectStage(r.Stage), Units: r.Units})
		}
	}
	for _, p := range m.Packings {
		out.Packings = append(out.Packings, compare.Counted{Name: p.ProductName, Units: p.UnitsGood})
	}
	return out
}

// facts are a batch in brief; what is not known of it says so.
func (v batchesView) facts(m store.Making) []compare.Field {
	orNone := func(text, none string) string {
		if text == "" {
			return none
		}
		return text
	}
	version := "not noted"
	if m.VersionNumber > 0 {
		version = strconv.Itoa(m.VersionNumber)
	}
	room := "not noted"
	for _, c := range m.Climate {
		if c.Stage == "making" && !c.Replaced {
			room = v.Style.Degrees(c.TemperatureC) + ", " + pct(c.HumidityPct)
		}
	}
	mould := "not moulded"
	if m.MouldedAt != nil {
		mould = ui.Lasted(m.MouldedAt.Sub(m.MadeAt))
	}
	planned := "not noted"
	switch {
	case m.PlannedUnits > 0:
		planned = store.UnitCount(m.PlannedUnits)
	case m.PlannedG.Valid:
		planned = v.Style.Grams(m.PlannedG.Decimal)
	}
	return []compare.Field{
		{Name: "Formula", Value: orNone(m.FormulaName, "none")},
		{Name: "Version", Value: version},
		{Name: "Made on", Value: v.Style.Day(m.MadeOn)},
		{Name: "Made by", Value: orNone(m.MadeBy, "not noted")},
		{Name: "Place", Value: orNone(m.Place, "not noted")},
		{Name: "Room at making", Value: room},
		{Name: "Planned", Value: planned},
		{Name: "Went in", Value: v.Style.Grams(m.WeighedG())},
		{Name: "Start to moulding", Value: mould},
		{Name: "Cure", Value: v.cure(m)},
		{Name: "Yield", Value: v.yield(m)},
		{Name: "Reconciled", Value: reconciled(m)},
		{Name: "Deviations", Value: strconv.Itoa(len(standing(m)))},
	}
}

func (v batchesView) cure(m store.Making) string {
	switch {
	case m.CureStartedAt == nil && m.CureHours == 0:
		return "none"
	case m.CureStartedAt == nil:
		return "not begun"
	case m.CureEndedAt == nil:
		return "since " + v.Style.Day(day.In(*m.CureStartedAt, v.Clock.Zone))
	}
	return ui.Lasted(m.CureEndedAt.Sub(*m.CureStartedAt))
}

func (v batchesView) yield(m store.Making) string {
	switch {
	case m.Yields == "bulk" && m.BulkG.Valid:
		return v.Style.Grams(m.BulkG.Decimal) + " of bulk"
	case m.Yields == "bulk":
		return "not measured yet"
	case !m.Yield.Closed && m.Yield.Counts.Good == 0:
		return "nothing packed yet"
	case !m.Yield.Percent.Valid:
		return store.UnitCount(m.Yield.Counts.Good) + " good"
	case m.Yield.ByMass: // of several sizes, which are not to be held against how many of one the mass would give
		return pct(m.Yield.Percent.Decimal.Round(1)) + " of the mass: " + store.UnitCount(m.Yield.Counts.Good) + " good"
	}
	return pct(m.Yield.Percent.Decimal.Round(1)) + ": " + store.UnitCount(m.Yield.Counts.Good) + " good of " + yield.Shown(m.Yield.Theoretical)
}

// reconciled says the balance of what is finished: before that, what is missing is simply not packed yet.
func reconciled(m store.Making) string {
	if !m.Yield.Closed {
		return "not before all is packed"
	}
	return m.Yield.Words()
}

// standing are the deviations that were not taken back.
func standing(m store.Making) []store.Deviation {
	return slices.DeleteFunc(slices.Clone(m.Deviations), func(d store.Deviation) bool { return d.Withdrawn })
}

func (v batchesView) weighed(p compare.Pair[compare.Weighed]) row {
	shared := compare.SharedLots(p)
	r := row{Name: p.Either().Name, A: v.weighedCell(p.A, shared), B: v.weighedCell(p.B, shared)}
	if portion := p.Either().Portion; portion != "" {
		r.Name += ", " + portion
	} else {
		r.Name += ", not in the formula"
	}
	r = v.differing(r, p.Kind)
	if p.A == nil || p.B == nil {
		return r
	}
	if a, b := p.A.OffPct(), p.B.OffPct(); a.Valid && b.Valid && !a.Decimal.Equal(b.Decimal) {
		r.Diff = append(r.Diff, more(b.Decimal.Sub(a.Decimal), func(d decimal.Decimal) string { return quantity.Format(d) + " points" })+" against its target")
	}
	switch {
	case len(p.A.Lots)+len(p.B.Lots) == 0:
	case len(shared) == 0:
		r.Diff = append(r.Diff, "other lots")
	case len(shared) == len(p.A.Lots) && len(shared) == len(p.B.Lots):
		r.Diff = append(r.Diff, "the same lot")
	default:
		r.Diff = append(r.Diff, "some lots the same")
	}
	return r
}

func (v batchesView) weighedCell(w *compare.Weighed, shared []string) cell {
	if w == nil {
		return words("not in it")
	}
	target := "no target"
	switch {
	case w.AsNeeded:
		target = "as needed, " + v.Style.Grams(w.LowG) + " to " + v.Style.Grams(w.HighG)
	case w.TargetG.IsPositive():
		target = "of " + v.Style.Grams(w.TargetG)
	}
	c := words("not weighed", target)
	if w.ActualG.Valid {
		c = words(v.Style.Grams(w.ActualG.Decimal), target, off(w.OffPct()))
	}
	for _, code := range w.Lots {
		c.Lots = append(c.Lots, lot{Code: code, Batch: v.isBatch(code), Both: slices.Contains(shared, code)})
	}
	return c
}

// isBatch tells whether something was drawn from a batch rather than a lot.
func (v batchesView) isBatch(code string) bool {
	for _, m := range []store.Making{v.A, v.B} {
		if slices.ContainsFunc(m.Inputs(), func(in store.BatchInput) bool { return in.SourceBatch == code }) {
			return true
		}
	}
	return false
}

// off is a difference from the target with its sign.
func off(d decimal.NullDecimal) string {
	switch {
	case !d.Valid:
		return ""
	case d.Decimal.IsZero():
		return "to the point"
	case d.Decimal.IsNegative():
		return pct(d.Decimal.Neg()) + " under"
	}
	return pct(d.Decimal) + " over"
}

func (v batchesView) step(p compare.Pair[compare.Done]) row {
	r := v.differing(row{Name: p.Either().Text, A: v.stepCell(p.A), B: v.stepCell(p.B)}, p.Kind)
	if p.A == nil || p.B == nil {
		return r
	}
	if p.A.Text != p.B.Text {
		r.Diff = append(r.Diff, "other words before: "+p.A.Text)
	}
	if p.A.At.IsZero() || p.B.At.IsZero() {
		return r
	}
	if d := (p.B.Since - p.A.Since).Round(time.Minute); d >= time.Minute {
		r.Kind, r.Word, r.Diff = "care", "differs", append(r.Diff, ui.Lasted(d)+" later after the one before")
	} else if d <= -time.Minute {
		r.Kind, r.Word, r.Diff = "care", "differs", append(r.Diff, ui.Lasted(-d)+" sooner after the one before")
	}
	return r
}

func (v batchesView) stepCell(s *compare.Done) cell {
	switch {
	case s == nil:
		return words("not in it")
	case s.At.IsZero():
		return words("not ticked")
	}
	return words(v.Style.Moment(s.At, v.Clock.Zone), ui.Lasted(s.Since)+" after the one before")
}

func (v batchesView) control(p compare.Pair[compare.Measured]) row {
	name := p.Either().Name
	if stage := stageWords[p.Either().Stage]; stage != "" {
		name += ", " + stage
	}
	r := v.differing(row{Name: name, A: measuredCell(p.A), B: measuredCell(p.B)}, p.Kind)
	if p.A != nil && p.B != nil {
		if a, b := p.A.Mean(), p.B.Mean(); a.Valid && b.Valid && !a.Decimal.Equal(b.Decimal) {
			r.Diff = append(r.Diff, more(b.Decimal.Sub(a.Decimal), func(d decimal.Decimal) string {
				return strings.TrimSpace(quantity.Format(d.Round(3)) + " " + p.B.Unit)
			}))
		}
	}
	return r
}

func measuredCell(m *compare.Measured) cell {
	if m == nil {
		return words("not in it")
	}
	write := func(d decimal.Decimal) string { return strings.TrimSpace(quantity.Format(d.Round(3)) + " " + m.Unit) }
	limits := "allowed: " + window(m.Low, m.High, write, "anything")
	switch {
	case len(m.Values) == 0:
		return words("not measured", limits)
	case len(m.Values) == 1 && m.Outside() == 1:
		return words(write(m.Values[0]), "out of its limits", limits)
	case len(m.Values) == 1:
		return words(write(m.Values[0]), limits)
	}
	outside := "none out of limits"
	if n := m.Outside(); n > 0 {
		outside = strconv.Itoa(n) + " out of limits"
	}
	return words("mean "+write(m.Mean().Decimal), strconv.Itoa(len(m.Values))+" readings, "+outside, limits)
}

func (v batchesView) counted(title, one, many, none string, pairs []compare.Pair[compare.Counted]) block {
	b := block{Title: title, One: one, Many: many, Note: none}
	side := func(c *compare.Counted) cell {
		if c == nil {
			return words("none")
		}
		return words(store.UnitCount(c.Units))
	}
	for _, p := range pairs {
		r := v.differing(row{Name: p.Either().Name, A: side(p.A), B: side(p.B)}, p.Kind)
		if p.Kind == compare.Changed {
			r.Diff = append(r.Diff, more(decimal.NewFromInt(int64(p.B.Units-p.A.Units)), func(d decimal.Decimal) string { return d.String() })+" in "+v.right())
		}
		b.Rows = append(b.Rows, r)
	}
	return b
}
