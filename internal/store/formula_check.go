package store

import (
	"fmt"
	"strings"

	"github.com/shopspring/decimal"

	"example.org/stillroom/internal/climate"
	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/scaling"
)

// longestCureHours is what the column takes: a little over two years.
const longestCureHours = 20000

// longNote is the most characters that a version's note holds.
const longNote = 2000

var hundred = decimal.NewFromInt(100)

// Check tells everything at once that no draft can hold. An unfinished draft passes: whether it can be made is asked
// at approval. Faults are beside nominal, tolerance_pct, tolerance_g, expected_loss_pct, reconciliation_pct, min_c,
// max_c, min_pct, max_pct, cure, cure_word, yields, bulk_months, caution, note; for portion i "portions.i.name",
// ".basis", ".amount", for its line j "portions.i.lines.j.kind", ".basis", ".amount", ".low", ".high", ".limit"; for
// steps "steps.i.text", ".caution", ".portion"; for controls "controls.i.name", ".stage", ".unit", ".low", ".high",
// ".readings".
func (v FormulaVersion) Check() error {
	var f fault.Fields
	v.checkParticulars(&f)
	seen := map[string]bool{}
	for i, p := range v.Portions {
		at := fmt.Sprintf("portions.%d.", i)
		checkText(&f, at+"name", p.Name, 100, "Name the portion, such as Base or Blue.")
		if name := strings.ToLower(strings.TrimSpace(p.Name)); name != "" && seen[name] {
			f.Add(at+"name", "Another portion has this name.")
		} else {
			seen[name] = true
		}
		if p.Basis != scaling.Share && p.Basis != scaling.Weight && p.Basis != scaling.Inner {
			f.Add(at+"basis", "A portion goes by share, by weight, or inside other portions.")
		}
		checkAmount(&f, at+"amount", p.Amount)
		for j, l := range p.Lines {
			v.checkLine(&f, fmt.Sprintf("%slines.%d.", at, j), i, l)
		}
	}
	for i, s := range v.Steps {
		at := fmt.Sprintf("steps.%d.", i)
		checkText(&f, at+"text", s.Text, 1000, "Say what is done.")
		checkLength(&f, at+"caution", s.Caution, 1000)
		if s.Portion != "" && v.portion(s.Portion) < 0 {
			f.Add(at+"portion", "There is no portion "+s.Portion+".")
		}
	}
	for i, c := range v.Controls {
		checkControl(&f, fmt.Sprintf("controls.%d.", i), c)
	}
	return f.Err()
}

func (v FormulaVersion) checkParticulars(f *fault.Fields) {
	if !v.NominalG.IsPositive() {
		f.Add("nominal", "Which batch mass do weights refer to? Write more than 0.")
	}
	checkAmount(f, "nominal", v.NominalG)
	percent := func(field string, d decimal.Decimal) {
		if d.IsNegative() || d.GreaterThan(hundred) {
			f.Add(field, "Between 0 and 100 %.")
		}
		checkAmount(f, field, d)
	}
	percent("tolerance_pct", v.TolerancePct)
	if v.ToleranceG.IsNegative() {
		f.Add("tolerance_g", "Write 0 or more.")
	}
	checkAmount(f, "tolerance_g", v.ToleranceG)
	percent("expected_loss_pct", v.ExpectedLossPct)
	if v.ExpectedLossPct.Equal(hundred) {
		f.Add("expected_loss_pct", "Less than 100 %, or nothing is left.")
	}
	percent("reconciliation_pct", v.ReconciliationPct)
	if bad := fault.As(v.Room().Check()); bad != nil {
		for _, field := range bad.Fields {
			f.Add(field.Name, field.Message)
		}
	}
	if v.CureHours < 0 || v.CureHours > longestCureHours {
		f.Add("cure", "From none to 833 days.")
	}
	if v.CureWord != "cure" && v.CureWord != "dry" && v.CureWord != "set" {
		f.Add("cure_word", "Choose cure, dry or set.")
	}
	if v.Yields != "units" && v.Yields != "bulk" {
		f.Add("yields", "Choose units or bulk.")
	}
	if v.BulkMonths < 0 || v.BulkMonths > 600 {
		f.Add("bulk_months", "From 1 to 600 months, or none.")
	}
	checkLength(f, "caution", v.Caution, 2000)
	checkLength(f, "note", v.Note, longNote)
}

// Room gives the climate limits to the rule.
func (v FormulaVersion) Room() climate.Limits {
	return BatchLimits{MinC: v.MinC, MaxC: v.MaxC, MinPct: v.MinPct, MaxPct: v.MaxPct}.Room()
}

func (v FormulaVersion) checkLine(f *fault.Fields, at string, portion int, l FormulaLine) {
	switch l.Kind {
	case scaling.KindMaterial, scaling.KindBulk:
		if l.MaterialCode+l.BulkFormula == "" {
			f.Add(at+"kind", "What goes in?")
		}
	case scaling.KindPortion:
		if inner := v.portion(l.InnerPortion); inner < 0 {
			f.Add(at+"kind", "There is no portion "+l.InnerPortion+".")
		} else if inner == portion {
			f.Add(at+"kind", "A portion cannot go into itself.")
		}
	default:
		f.Add(at+"kind", "What goes in?")
	}
	if l.Basis != scaling.Share && l.Basis != scaling.Weight {
		f.Add(at+"basis", "A line goes by share or by weight.")
	}
	checkAmount(f, at+"amount", l.Amount)
	if l.AsNeeded {
		if l.Amount.IsPositive() {
			f.Add(at+"amount", "Give an amount, or lowest and highest for as needed, not both.")
		}
		if !l.High.IsPositive() {
			f.Add(at+"high", "What is the highest amount, for the nominal batch?")
		} else if l.Low.GreaterThan(l.High) {
			f.Add(at+"high", "The highest amount is below the lowest.")
		}
		checkAmount(f, at+"low", l.Low)
		checkAmount(f, at+"high", l.High)
	}
	if l.MaxPct.Valid {
		if !l.MaxPct.Decimal.IsPositive() || l.MaxPct.Decimal.GreaterThan(hundred) {
			f.Add(at+"limit", "A limit of use is above 0 and at most 100 %.")
		}
		checkAmount(f, at+"limit", l.MaxPct.Decimal)
	}
}

func checkControl(f *fault.Fields, at string, c FormulaControl) {
	checkText(f, at+"name", c.Name, 100, "What is measured, such as pH?")
	switch c.Stage {
	case "making", "moulding", "cure_end", "packing":
	default:
		f.Add(at+"stage", "Choose the stage.")
	}
	checkLength(f, at+"unit", c.Unit, 20)
	if c.Low.Valid && c.High.Valid && c.Low.Decimal.GreaterThan(c.High.Decimal) {
		f.Add(at+"high", "The highest value is below the lowest.")
	}
	if c.Readings < 1 || c.Readings > 500 {
		f.Add(at+"readings", "From 1 to 500 readings.")
	}
}

func checkText(f *fault.Fields, field, text string, most int, ask string) {
	if strings.TrimSpace(text) == "" {
		f.Add(field, ask)
	}
	checkLength(f, field, text, most)
}

// checkAmount holds a number to what scaling can keep.
func checkAmount(f *fault.Fields, field string, d decimal.Decimal) {
	switch {
	case d.IsNegative():
		f.Add(field, "Write 0 or more.")
	case d.GreaterThan(decimal.New(1, 9)):
		f.Add(field, "That is more than a workshop makes.")
	case !d.Equal(d.Truncate(scaling.Decimals)):
		f.Add(field, fmt.Sprintf("At most %d decimals can be kept.", scaling.Decimals))
	}
}
