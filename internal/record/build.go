package record

import (
	"cmp"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/shopspring/decimal"

	"example.org/stillroom/internal/day"
	"example.org/stillroom/internal/quantity"
)

// Keys of the sections, in the order of the record.
const (
	KeyBatch       = "batch"
	KeyFormula     = "formula"
	KeyComponents  = "components"
	KeyLots        = "lots"
	KeySources     = "sources"
	KeyAdditions   = "additions"
	KeySteps       = "steps"
	KeyEquipment   = "equipment"
	KeyRoom        = "room"
	KeyCure        = "cure"
	KeyControls    = "controls"
	KeyRejects     = "rejects"
	KeyYield       = "yield"
	KeyPackings    = "packings"
	KeyClearance   = "clearance"
	KeyLabels      = "labels"
	KeySamples     = "samples"
	KeyDeviations  = "deviations"
	KeyCorrections = "corrections"
	KeyRework      = "rework"
	KeyRelease     = "release"
	KeyPeople      = "people"
	KeyWent        = "went"
	KeyDocuments   = "documents"
	KeyChain       = "chain"
)

const (
	cfr211 = "21 CFR 211.188"
	cfr111 = "21 CFR 111.260"
	iso    = "ISO 22716 §"
)

// Build lays the source out. Every section is there, always in the same order; one that does not apply says why.
func Build(s Source) Document {
	w := &writer{Source: s, lots: map[string]Lot{}}
	for _, l := range s.Lots {
		w.lots[l.Code] = l
	}
	d := Document{Title: "Batch record " + s.Code, Workshop: s.Workshop, Code: s.Code, Printed: w.printed()}
	for _, part := range []struct {
		key, title string
		clauses    []string
		write      func() ([]Block, string)
	}{
		{KeyBatch, "The batch", []string{cfr211 + "(b)(1)", cfr111 + "(a)", iso + "7"}, w.batch},
		{KeyFormula, "The formula as approved", []string{cfr211 + "(a)", iso + "15"}, w.formula},
		{KeyComponents, "What was weighed", []string{cfr211 + "(b)(4)", cfr111 + "(e)"}, w.components},
		{KeyLots, "Lots and where they came from", []string{cfr211 + "(b)(3)", cfr111 + "(d)", iso + "6"}, w.lotTable},
		{KeySources, "Batches that it drew on", []string{cfr211 + "(b)(3)"}, w.sourceTable},
		{KeyAdditions, "Additions outside the formula", []string{cfr211 + "(b)(4)", cfr111 + "(e)"}, w.additions},
		{KeySteps, "Steps of the method", []string{cfr211 + "(b)", cfr111 + "(j)"}, w.steps},
		{KeyEquipment, "Equipment", []string{cfr211 + "(b)(2)", cfr111 + "(b)", cfr111 + "(c)", iso + "5"}, w.equipment},
		{KeyRoom, "The room at making", []string{cfr111 + "(g)"}, w.room},
		{KeyCure, "The cure", []string{cfr211 + "(b)(1)", cfr111 + "(g)"}, w.cure},
		{KeyControls, "In-process controls", []string{cfr211 + "(b)(5)", cfr111 + "(g)", cfr111 + "(h)", iso + "7"}, w.controls},
		{KeyRejects, "Units rejected", []string{cfr211 + "(b)(7)", iso + "10"}, w.rejects},
		{KeyYield, "Yield and reconciliation", []string{cfr211 + "(b)(7)", cfr111 + "(f)", iso + "7"}, w.yield},
		{KeyPackings, "Packings and their packaging", []string{cfr211 + "(b)(9)", cfr111 + "(k)", iso + "7"}, w.packings},
		{KeyClearance, "Line clearance", []string{cfr211 + "(b)(6)"}, w.clearance},
		{KeyLabels, "Labels", []string{cfr211 + "(b)(8)", cfr211 + "(b)(13)", cfr111 + "(k)"}, w.labels},
		{KeySamples, "Retained samples", []string{cfr211 + "(b)(10)", iso + "9"}, w.samples},
		{KeyDeviations, "Deviations", []string{cfr211 + "(b)(12)", cfr111 + "(m)", iso + "13"}, w.deviations},
		{KeyRework, "Leave to rework", []string{cfr111 + "(n)", iso + "10"}, w.rework},
		{KeyRelease, "Release", []string{cfr111 + "(i)", cfr111 + "(l)", iso + "8"}, w.release},
		{KeyCorrections, "Corrections", []string{iso + "17"}, w.corrections},
		{KeyPeople, "Who took part", []string{cfr211 + "(b)(11)", cfr111 + "(j)"}, w.people},
		{KeyWent, "Where the units went", []string{iso + "14"}, w.went},
		{KeyDocuments, "Papers kept with the batch", []string{cfr111 + "(h)", iso + "17"}, w.documents},
		{KeyChain, "This copy", []string{iso + "17"}, w.chain},
	} {
		blocks, absent := part.write()
		if len(blocks) > 0 {
			absent = ""
		}
		d.Sections = append(d.Sections, Section{Key: part.key, Title: part.title, Clauses: part.clauses, Absent: absent, Blocks: blocks})
	}
	return d
}

// writer turns a source into blocks. It gathers who did what, and what was corrected, while it goes.
type writer struct {
	Source
	lots map[string]Lot
}

func plain(text string) Cell { return Cell{{Text: text}} }

// textOr is a text, or other words in quiet where it is empty.
func textOr(text, other string) Cell {
	if text == "" {
		return Cell{{Text: other, Look: Quiet}}
	}
	return plain(text)
}

func code(text string) Cell {
	if text == "" {
		return nil
	}
	return Cell{{Text: text, Look: BatchCode}}
}

func fact(term string, value Cell) Fact { return Fact{Term: term, Value: value} }

func (w *writer) g(d decimal.Decimal) string { return w.Style.Grams(d) }

func (w *writer) maybeG(d decimal.NullDecimal) string {
	if !d.Valid {
		return ""
	}
	return w.g(d.Decimal)
}

func (w *writer) date(d day.Day) string { return w.Style.Day(d) }

func (w *writer) at(t time.Time) string { return w.Style.Moment(t, w.Zone) }

// by is who and when.
func (w *writer) by(m Made) string {
	switch {
	case m.By == "":
		return w.at(m.At)
	case m.At.IsZero():
		return m.By
	}
	return m.By + ", " + w.at(m.At)
}

// entered is who wrote an entry, when it happened, and when it was written where that was on another day.
func (w *writer) entered(m Made, happened time.Time, late bool) string {
	if happened.IsZero() {
		happened = m.At
	}
	words := w.by(Made{m.By, happened})
	if late || day.In(happened, w.Zone) != day.In(m.At, w.Zone) && !m.At.IsZero() {
		words += "\nwritten down " + w.at(m.At)
		if late {
			words += ", late"
		}
	}
	return words
}

// amount writes a quantity with its unit; what is counted needs none, masses follow the workshop's style.
func (w *writer) amount(q decimal.Decimal, unit string) string {
	switch unit {
	case "g":
		return w.g(q)
	case "each", "":
		return quantity.Format(q)
	}
	return quantity.Format(q) + " " + unit
}

// figure is a value of a control: a mass in g and a temperature in °C follow the workshop's style.
func (w *writer) figure(v decimal.Decimal, unit string) string {
	switch unit {
	case "g":
		return w.g(v)
	case "°C":
		return w.Style.Degrees(v)
	case "":
		return quantity.Format(v)
	}
	return quantity.Format(v) + " " + unit
}

// window is what a control allows.
func (w *writer) window(low, high decimal.NullDecimal, unit string) string {
	switch {
	case low.Valid && high.Valid:
		return w.figure(low.Decimal, unit) + " to " + w.figure(high.Decimal, unit)
	case low.Valid:
		return "at least " + w.figure(low.Decimal, unit)
	case high.Valid:
		return "at most " + w.figure(high.Decimal, unit)
	}
	return "no limits"
}

func pct(d decimal.Decimal) string { return quantity.Format(d) + " %" }

func count(n int, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return quantity.Format(decimal.NewFromInt(int64(n))) + " " + many
}

func units(n int) string { return count(n, "unit", "units") }

func counted(n *int) Cell {
	if n == nil {
		return Cell{{Text: "not counted", Look: Quiet}}
	}
	return plain(strconv.Itoa(*n))
}

// standing gives a cell the look of its entry: struck through where it no longer stands.
func standing(e Entry, text string) Cell {
	if e.Gone != nil {
		return Cell{{Text: text, Look: Old}}
	}
	return plain(text)
}

// capital makes the first letter of our own words a capital; they begin with ASCII.
func capital(words string) string {
	if words == "" {
		return ""
	}
	return strings.ToUpper(words[:1]) + words[1:]
}

func (w *writer) printed() string {
	return fmt.Sprintf("Written out %s (%s) for %s · chain of records %d, %s", w.at(w.Now), w.zone(), w.By, w.ChainN, w.ChainSum[:min(16, len(w.ChainSum))])
}

func (w *writer) zone() string {
	if w.Zone == nil {
		return "UTC"
	}
	return w.Zone.String()
}

func (w *writer) batch() ([]Block, string) {
	list := []Fact{
		fact("Workshop", plain(w.Workshop)), fact("Batch code", code(w.Code)), fact("Product", textOr(coded(w.ProductName, w.ProductCode), "none planned")),
		fact("Formula", textOr(coded(w.FormulaName, w.FormulaCode), "none kept")), fact("State", plain(stateWords(w.Status))),
	}
	switch {
	case w.Origin != "bench":
		list = append(list, fact("Comes from", plain("an older book; what is missing here was not in it")))
	case w.Set:
		list = append(list, fact("Kind", plain("put together from units of other batches")))
	}
	made := w.date(w.MadeOn)
	if w.Origin == "bench" {
		made = w.by(Made{w.MadeBy, w.MadeAt})
	}
	if w.Late {
		made += "; written up late"
	}
	list = append(list, fact("Made", plain(made)))
	if w.Place != "" {
		list = append(list, fact("Place", plain(w.Place)))
	}
	if w.PlannedG.Valid || w.PlannedUnits > 0 {
		planned := ""
		if w.PlannedG.Valid {
			planned = w.g(w.PlannedG.Decimal.Round(1)) // worked out from units, so to no end of digits
		}
		if w.PlannedUnits > 0 {
			planned = strings.TrimPrefix(planned+", "+units(w.PlannedUnits), ", ")
		}
		list = append(list, fact("Planned", plain(planned)))
	}
	if !w.Moulded.At.IsZero() {
		list = append(list, fact("Moulded", plain(w.at(w.Moulded.At))))
	}
	if !w.Cure.Start.IsZero() {
		list = append(list, fact(capital(cureNoun(w.Cure.Word))+" began", plain(w.at(w.Cure.Start))), fact(capital(cureNoun(w.Cure.Word))+" ended", textOr(w.at(w.Cure.End), "not yet")))
	}
	if w.Bulk {
		list = append(list, fact("Use by", textOr(w.date(w.BestBefore), "no date of its own")))
	}
	for _, p := range w.Packings {
		list = append(list, fact("Packing", Cell{{Text: p.Code, Look: BatchCode}, {Text: fmt.Sprintf("%s, packed %s, best before %s", p.Product, w.date(p.PackedOn), cmp.Or(p.Printed, w.date(p.BestBefore), "not decided"))}}))
	}
	for _, c := range w.Codes {
		look := BatchCode
		if c.Gone != nil {
			look = Old
		}
		list = append(list, fact("Other code on units", Cell{{Text: c.Code, Look: look}, {Text: codeWords(c)}}))
	}
	return []Block{Facts{List: list}}, ""
}

func coded(name, code string) string {
	if name == "" || code == "" {
		return cmp.Or(name, code)
	}
	return name + " (" + code + ")"
}

func codeWords(c OnUnits) string {
	how := map[string]string{"mix_up": "labels mixed up", "relabelled": "relabelled", "misprint": "misprint"}[c.Kind]
	n := "units not counted"
	if c.Units > 0 {
		n = units(c.Units)
	}
	return fmt.Sprintf("on %s of %s, %s: %s", n, c.Packing, how, c.Reason)
}

func stateWords(status string) string {
	switch status {
	case "making":
		return "being made"
	case "quarantined":
		return "in quarantine"
	case "packing":
		return "to be packed"
	}
	return status
}

func cureNoun(word string) string {
	switch word {
	case "dry":
		return "drying"
	case "set":
		return "setting"
	}
	return "cure"
}

func (w *writer) noFormula() string {
	switch {
	case w.Set:
		return "No formula: it was put together from units of other batches."
	case w.Origin != "bench":
		return "No formula: the batch was brought in from an older book that had none."
	}
	return "No formula is kept for this batch."
}

func (w *writer) formula() ([]Block, string) {
	m := w.Master
	if m == nil {
		return nil, w.noFormula()
	}
	same := Cell{{Text: "yes: its content gives this hash now"}}
	if m.Approved != m.Computed {
		same = Cell{{Text: "NO: its content now gives " + m.Computed, Look: Strong}}
	}
	facts := Facts{List: []Fact{
		fact("Formula", plain(fmt.Sprintf("%s, version %d", coded(w.FormulaName, w.FormulaCode), m.Version))),
		fact("Approved", plain(w.by(Made{m.ApprovedBy, m.ApprovedAt}))),
		fact("Hash of what was approved", Cell{{Text: m.Approved}, {Text: "SHA-256", Look: Quiet}}),
		fact("Printed here as approved", same),
		fact("Amounts refer to", plain(w.g(m.NominalG))),
		fact("Tolerance", plain(pct(m.TolerancePct)+" or "+w.g(m.ToleranceG)+", whichever is more")),
		fact("Expected loss", plain(pct(m.LossPct)+" of what goes in")),
		fact("May be unexplained", plain("up to "+pct(m.LimitPct)+" of what goes in")),
		fact("Room at making", plain(w.window(m.MinC, m.MaxC, "°C")+"; humidity "+w.window(m.MinPct, m.MaxPct, "%"))),
		fact(capital(cureNoun(w.Cure.Word)), plain(atLeast(w.Cure.Hours))),
	}}
	if m.BulkMonths > 0 {
		facts.List = append(facts.List, fact("To be used within", plain(count(m.BulkMonths, "month", "months"))))
	}
	if m.Caution != "" {
		facts.List = append(facts.List, fact("Caution", plain(m.Caution)))
	}
	if m.Note != "" {
		facts.List = append(facts.List, fact("Note", plain(m.Note)))
	}
	blocks := []Block{facts, w.masterLines(m)}
	if len(m.Cautions) > 0 {
		blocks = append(blocks, masterCautions(m))
	}
	return append(blocks, masterSteps(m), w.masterControls(m)), ""
}

func atLeast(hours int) string {
	switch {
	case hours == 0:
		return "none asked"
	case hours%24 == 0 && hours > 48:
		return "at least " + count(hours/24, "day", "days")
	}
	return "at least " + count(hours, "hour", "hours")
}

func (w *writer) masterLines(m *Master) Block {
	t := Table{Caption: "Ingredients", Columns: []Column{{Title: "Portion", Share: 24}, {Title: "Ingredient", Share: 36}, {Title: "Amount", Share: 26, Number: true}, {Title: "Limit of use", Share: 14, Number: true}}}
	for _, p := range m.Portions {
		of := map[string]string{"share": pct(p.Amount) + " of the batch", "weight": w.g(p.Amount), "inner": "used in other portions"}[p.Basis]
		for i, l := range p.Lines {
			portion := Cell{}
			if i == 0 {
				portion = Cell{{Text: p.Name, Look: Strong}, {Text: of, Look: Quiet}}
			}
			amount := pct(l.Amount)
			switch {
			case l.AsNeeded:
				amount = w.Style.Grams(l.Low) + " to " + w.Style.Grams(l.High) + " as needed"
			case l.Basis == "weight":
				amount = w.g(l.Amount)
			}
			most := ""
			if l.MaxPct.Valid {
				most = pct(l.MaxPct.Decimal)
			}
			t.Rows = append(t.Rows, []Cell{portion, plain(coded(l.Name, l.Code)), plain(amount), plain(most)})
		}
	}
	return t
}

func masterCautions(m *Master) Block {
	t := Table{Caption: "Cautions of the materials, as they stand now; the suppliers' safety data sheets go first", Columns: []Column{{Title: "Ingredient", Share: 28}, {Title: "Caution", Share: 72}}}
	for _, c := range m.Cautions {
		t.Rows = append(t.Rows, []Cell{plain(c.Name), plain(c.Text)})
	}
	return t
}

func masterSteps(m *Master) Block {
	t := Table{Caption: "Method", Columns: []Column{{Title: "Step", Share: 8}, {Title: "After", Share: 20}, {Title: "What to do", Share: 72}}}
	for i, s := range m.Steps {
		what := plain(s.Text)
		if s.Caution != "" {
			what = append(what, Span{Text: "\nCaution: " + s.Caution, Look: Quiet})
		}
		t.Rows = append(t.Rows, []Cell{plain(strconv.Itoa(i + 1)), plain(cmp.Or(s.Portion, "all portions")), what})
	}
	return t
}

func (w *writer) masterControls(m *Master) Block {
	t := Table{Caption: "Controls asked for", Columns: []Column{{Title: "Control", Share: 34}, {Title: "When", Share: 24}, {Title: "Allowed", Share: 28}, {Title: "Readings", Share: 14, Number: true}}}
	for _, c := range m.Controls {
		t.Rows = append(t.Rows, []Cell{plain(c.Name), plain(controlStage(c.Stage)), plain(w.window(c.Low, c.High, c.Unit)), plain(strconv.Itoa(c.Asked))})
	}
	return t
}

func controlStage(stage string) string {
	switch stage {
	case "making":
		return "at making"
	case "moulding":
		return "at moulding"
	case "cure_end":
		return "at the end of the cure"
	}
	return "at packing"
}

func rejectStage(stage string) string {
	switch stage {
	case "cut":
		return "at cutting"
	case "cure_end":
		return "at the end of the cure"
	}
	return "at packing"
}

// stageOrder is the order in which things happen to units.
var stageOrder = []string{"cut", "cure_end", "packing"}

func stageAt(stage string) int { return slices.Index(stageOrder, stage) }
