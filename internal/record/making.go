package record

import (
	"cmp"
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"

	"github.com/shopspring/decimal"

	"example.org/stillroom/internal/quantity"
)

func (w *writer) components() ([]Block, string) {
	t := Table{Columns: []Column{{Title: "Material", Share: 20}, {Title: "Lot and supplier", Share: 28}, {Title: "Target", Share: 13, Number: true}, {Title: "Weighed", Share: 13, Number: true}, {Title: "Difference", Share: 13, Number: true}, {Title: "By, when, scale", Share: 26}}}
	portion := ""
	for _, l := range w.Lines {
		if l.Portion != portion {
			portion = l.Portion
			t.Rows = append(t.Rows, []Cell{{{Text: portion, Look: Strong}}, nil, nil, nil, nil, nil})
		}
		t.Rows = append(t.Rows, w.lineRows(l)...)
	}
	if len(w.Lines) == 0 {
		if len(w.Additions) > 0 && w.Master == nil {
			for _, in := range w.Additions {
				t.Rows = append(t.Rows, w.inputRow(plain(in.Name), nil, nil, in))
			}
			return []Block{t}, ""
		}
		return nil, "Nothing was weighed."
	}
	return []Block{t, Facts{List: []Fact{fact("All that went in", plain(w.g(w.Yield.WeighedG)))}}}, ""
}

// lineRows are the inputs of one line; its target stands with the first, the difference with the last that stands.
func (w *writer) lineRows(l Line) [][]Cell {
	last, sum, inner := -1, decimal.Zero, false
	for i, in := range l.Inputs {
		if in.Gone == nil {
			last, sum, inner = i, sum.Add(in.WeighedG.Decimal), in.Inner
		}
	}
	var target, difference Cell
	switch {
	case l.AsNeeded:
		target = plain(w.Style.Grams(l.LowG.Decimal) + " to " + w.Style.Grams(l.HighG.Decimal))
		if sum.GreaterThan(l.HighG.Decimal) {
			difference = plain(w.signed(sum.Sub(l.HighG.Decimal)) + " over")
		} else if sum.LessThan(l.LowG.Decimal) {
			difference = plain(w.signed(sum.Sub(l.LowG.Decimal)) + " under")
		} else {
			difference = plain("within")
		}
	case !l.PlannedG.Equal(l.TargetG):
		target = Cell{{Text: w.g(l.PlannedG), Look: Old}, {Text: w.g(l.TargetG)}}
		difference = w.difference(sum, l.TargetG)
	default:
		target = plain(w.g(l.TargetG))
		difference = w.difference(sum, l.TargetG)
	}
	if inner {
		difference = nil
	}
	if len(l.Inputs) == 0 {
		return [][]Cell{{plain(l.Name), Cell{{Text: "not weighed", Look: Quiet}}, target, nil, nil, nil}}
	}
	var rows [][]Cell
	for i, in := range l.Inputs {
		name := Cell{{Text: l.Name}}
		if i > 0 {
			name = Cell{{Text: "the same", Look: Quiet}}
		}
		var asked, off Cell
		if i == 0 {
			asked = target
		}
		if i == last {
			off = difference
		}
		rows = append(rows, w.inputRow(name, asked, off, in))
	}
	return rows
}

func (w *writer) inputRow(name, target, difference Cell, in Input) []Cell {
	who := Cell{{Text: w.entered(in.Made, in.Happened, in.Late)}}
	if in.Scale != "" {
		who = append(who, Span{Text: "\non " + in.Scale})
	}
	if in.Gone != nil {
		who = append(who, Span{Text: "\nno longer stands, see Corrections", Look: Quiet})
	}
	return []Cell{name, w.source(in), target, standing(in.Entry, w.weighed(in)), difference, who}
}

// difference is what was weighed against the target, signed, with its share of the target.
func (w *writer) difference(sum, target decimal.Decimal) Cell {
	off := sum.Sub(target)
	words := w.signed(off)
	if target.IsPositive() && !off.IsZero() {
		words += "\n" + sign(off) + pct(off.Abs().Shift(2).DivRound(target, 2))
	}
	return plain(words)
}

func sign(d decimal.Decimal) string {
	switch d.Sign() {
	case -1:
		return "−"
	case 1:
		return "+"
	}
	return ""
}

func (w *writer) signed(d decimal.Decimal) string { return sign(d) + w.g(d.Abs()) }

func (w *writer) weighed(in Input) string {
	if in.WeighedG.Valid {
		words := w.g(in.WeighedG.Decimal)
		if in.Unit != "g" {
			words += " (" + w.amount(in.Quantity, in.Unit) + ")"
		}
		return words
	}
	if in.Unit == "each" {
		return quantity.Format(in.Quantity) + " units"
	}
	return w.amount(in.Quantity, in.Unit)
}

// source is where an input came from: its lot with the supplier and the supplier's own lot, the batch, or the note that
// stands for a lot.
func (w *writer) source(in Input) Cell {
	lot, look := LotCode, BatchCode
	if in.Gone != nil {
		lot, look = Old, Old
	}
	switch {
	case in.Lot != "":
		return append(Cell{{Text: in.Lot, Look: lot}}, w.supplied(in.Lot)...)
	case in.Batch != "":
		return Cell{{Text: in.Batch, Look: look}, {Text: "a batch of ours", Look: Quiet}}
	case in.Inner:
		return Cell{{Text: "the portion of this batch", Look: Quiet}}
	case in.Untracked:
		return Cell{{Text: "no lots kept; from: " + cmp.Or(in.From, "not noted")}}
	}
	return Cell{{Text: "no lot", Look: Quiet}}
}

func (w *writer) supplied(lot string) Cell {
	if l := w.lots[lot]; l.Tub != "" || l.Supplier != "" || l.SupplierLot != "" {
		return Cell{{Text: supplier(l)}}
	}
	return nil
}

// supplier is whom a lot came from and the supplier's own lot; a tub was filled here.
func supplier(l Lot) string {
	if l.Tub != "" {
		return "our tub “" + l.Tub + "”"
	}
	return cmp.Or(l.Supplier, "supplier not noted") + ", lot " + cmp.Or(l.SupplierLot, "not noted")
}

func (w *writer) lotTable() ([]Block, string) {
	if len(w.Lots) == 0 {
		return nil, "No lot is recorded for this batch."
	}
	t := Table{Columns: []Column{{Title: "Lot", Share: 18}, {Title: "Material", Share: 22}, {Title: "Supplier and its lot", Share: 26}, {Title: "Received", Share: 17}, {Title: "Expires", Share: 17}, {Title: "State now, papers", Share: 24}}}
	for _, l := range w.Lots {
		lot := Cell{{Text: l.Code, Look: LotCode}}
		for _, tub := range l.Into {
			lot = append(lot, Span{Text: "filled into " + tub, Look: Quiet})
		}
		from := plain(supplier(l))
		if l.DeliveryNote != "" {
			from = append(from, Span{Text: "\ndelivery note " + l.DeliveryNote, Look: Quiet})
		}
		expires := cmp.Or(w.date(l.Expires), "not known")
		if !l.Retest.IsZero() {
			expires += "\nretest by " + w.date(l.Retest)
		}
		state := stateWords(l.Status)
		if l.Recalled {
			state += ", recalled"
		}
		papers := Cell{{Text: state}}
		if len(l.Papers) > 0 {
			papers = append(papers, Span{Text: "\n" + strings.Join(l.Papers, "\n"), Look: Quiet})
		}
		t.Rows = append(t.Rows, []Cell{lot, plain(coded(l.Name, l.Material)), from, plain(w.date(l.Received)), plain(expires), papers})
	}
	blocks := []Block{t}
	if water := w.untracked(); len(water) > 0 {
		blocks = append(blocks, Facts{Title: "No lots are kept of", List: water})
	}
	return blocks, ""
}

// untracked are materials of which only their source is noted, such as water.
func (w *writer) untracked() []Fact {
	var list []Fact
	seen := map[string]bool{}
	note := func(in Input) {
		if in.Untracked && in.Gone == nil && !seen[in.Material] {
			seen[in.Material] = true
			list = append(list, fact(coded(in.Name, in.Material), plain("from: "+cmp.Or(in.From, "not noted"))))
		}
	}
	for _, l := range w.Lines {
		for _, in := range l.Inputs {
			note(in)
		}
	}
	for _, in := range w.Additions {
		note(in)
	}
	return list
}

func (w *writer) sourceTable() ([]Block, string) {
	if len(w.Sources) == 0 {
		return nil, "None: no other batch went into it."
	}
	t := Table{Columns: []Column{{Title: "Batch", Share: 20}, {Title: "What", Share: 35}, {Title: "Drawn", Share: 20, Number: true}, {Title: "Made", Share: 17}, {Title: "Use by", Share: 17}, {Title: "State now", Share: 18}}}
	for _, s := range w.Sources {
		drawn := Cell{}
		w.eachInput(func(_ string, in Input) {
			if in.Batch == s.Code {
				drawn = append(drawn, standing(in.Entry, w.weighed(in))...)
			}
		})
		t.Rows = append(t.Rows, []Cell{code(s.Code), plain(s.Name), drawn, plain(w.date(s.MadeOn)), plain(w.date(s.BestBefore)), plain(stateWords(s.Status))})
	}
	return []Block{t}, ""
}

// eachInput goes through all inputs with the name of their line.
func (w *writer) eachInput(do func(name string, in Input)) {
	for _, l := range w.Lines {
		for _, in := range l.Inputs {
			do(l.Name, in)
		}
	}
	for _, in := range w.Additions {
		do(in.Name, in)
	}
}

func (w *writer) additions() ([]Block, string) {
	if w.Master == nil {
		return nil, w.noFormula()
	}
	if len(w.Additions) == 0 {
		return nil, "None: nothing went in that the formula does not have."
	}
	t := Table{Columns: []Column{{Title: "Material", Share: 24}, {Title: "Lot and supplier", Share: 34}, {Title: "Added", Share: 16, Number: true}, {Title: "By, when, scale", Share: 30}}}
	for _, in := range w.Additions {
		row := w.inputRow(plain(in.Name), nil, nil, in)
		t.Rows = append(t.Rows, []Cell{row[0], row[1], row[3], row[5]})
	}
	return []Block{t}, ""
}

func (w *writer) steps() ([]Block, string) {
	if w.Master == nil {
		return nil, w.noFormula()
	}
	if len(w.Steps) == 0 {
		return nil, "The formula has no steps to tick."
	}
	t := Table{Columns: []Column{{Title: "Step", Share: 7}, {Title: "What", Share: 58}, {Title: "Done by, when", Share: 35}}}
	for i, s := range w.Steps {
		done := Cell{}
		stands := false
		for _, tick := range s.Ticks {
			words := w.entered(tick.Made, tick.Done, false)
			if tick.Note != "" {
				words += "\n" + tick.Note
			}
			stands = stands || tick.Gone == nil
			done = append(done, standing(tick.Entry, words)...)
		}
		if !stands {
			done = append(done, Span{Text: "not done", Look: Strong})
		}
		what := Cell{}
		if s.Portion != "" {
			what = Cell{{Text: s.Portion + ":", Look: Quiet}}
		}
		t.Rows = append(t.Rows, []Cell{plain(strconv.Itoa(i + 1)), append(what, Span{Text: s.Text}), done})
	}
	return []Block{t}, ""
}

func (w *writer) equipment() ([]Block, string) {
	if len(w.Equipment) == 0 {
		return nil, "No equipment is noted for this batch."
	}
	t := Table{Columns: []Column{{Title: "Equipment", Share: 30}, {Title: "Used", Share: 24}, {Title: "Clean before use", Share: 25}, {Title: "Last checked or maintained", Share: 31}}}
	for _, e := range w.Equipment {
		what := standing(e.Entry, e.Code+" "+e.Name)
		what = append(what, Span{Text: "\n" + equipmentWords(w, e), Look: Quiet})
		used := Cell{{Text: w.entered(e.Made, e.Used, false)}}
		if e.Packing != "" {
			used = append(used, Span{Text: "\nfor packing " + e.Packing})
		}
		if e.Note != "" {
			used = append(used, Span{Text: "\n" + e.Note})
		}
		clean := "nobody was asked"
		if e.WasClean != nil {
			clean = map[bool]string{true: "looked at: clean", false: "looked at: NOT clean"}[*e.WasClean]
		}
		clean += "\n" + w.logged("last cleaned", e.Cleaned, "no cleaning is in the log before that")
		checked := w.logged("checked", e.Checked, "no check is in the log before that")
		if e.CheckDays == 0 && e.Checked == nil {
			checked = "no check is kept for it"
		} else if e.Checked != nil && e.CheckDays > 0 && e.Used.After(e.Checked.At.AddDate(0, 0, e.CheckDays)) {
			checked += "\nOVERDUE when it was used"
		}
		if e.Kept != nil {
			checked += "\n" + w.logged("maintained", e.Kept, "")
		}
		t.Rows = append(t.Rows, []Cell{what, used, plain(clean), plain(checked)})
	}
	return []Block{t}, ""
}

func equipmentWords(w *writer, e Equipment) string {
	words := e.Kind
	if e.Place != "" {
		words += ", " + e.Place
	}
	if e.Readability.Valid {
		words += ", reads to " + w.g(e.Readability.Decimal)
	}
	if e.MinLoad.Valid {
		words += ", from " + w.g(e.MinLoad.Decimal)
	}
	return words
}

func (w *writer) logged(what string, e *LogEntry, none string) string {
	if e == nil {
		return none
	}
	words := what + " " + w.by(Made{e.By, e.At}) + ": " + map[string]string{"fine": "fine", "attention": "needs attention", "failed": "FAILED"}[e.Result]
	if e.Words != "" {
		words += ", " + e.Words
	}
	return words
}

var airColumns = []Column{{Title: "When", Share: 30}, {Title: "Temperature", Share: 17, Number: true}, {Title: "Humidity", Share: 15, Number: true}, {Title: "By", Share: 38}}

func (w *writer) airRows(stage string) [][]Cell {
	var rows [][]Cell
	for _, a := range w.Air {
		if a.Stage != stage {
			continue
		}
		by := map[string]string{"typed": "read by " + a.By, "logger": "the room's logger, taken over by " + a.By, "history": "from an older book"}[a.Source]
		rows = append(rows, []Cell{plain(w.at(a.Taken)), standing(a.Entry, w.Style.Degrees(a.C)), standing(a.Entry, pct(a.Pct)), plain(by)})
	}
	return rows
}

func (w *writer) room() ([]Block, string) {
	rows := w.airRows("making")
	switch {
	case len(rows) > 0:
	case w.OnlyC.Valid:
		return nil, "An older book says " + w.Style.Degrees(w.OnlyC.Decimal) + " at making; it does not say the humidity."
	case w.OnlyPct.Valid:
		return nil, "An older book says " + pct(w.OnlyPct.Decimal) + " at making; it does not say the temperature."
	default:
		return nil, "Temperature and humidity at making are not recorded."
	}
	blocks := []Block{Table{Columns: airColumns, Rows: rows}}
	if m := w.Master; m != nil {
		blocks = append(blocks, Facts{List: []Fact{fact("The formula allows", plain(w.window(m.MinC, m.MaxC, "°C")+"; humidity "+w.window(m.MinPct, m.MaxPct, "%")))}})
	}
	return blocks, ""
}

func (w *writer) cure() ([]Block, string) {
	c := w.Cure
	if c.Start.IsZero() {
		if c.Hours == 0 {
			return nil, "No cure: the formula asks for none."
		}
		return nil, "No " + cureNoun(c.Word) + " has begun. The formula asks for " + atLeast(c.Hours) + "."
	}
	lasted := "still going on"
	if !c.End.IsZero() {
		lasted = hours(c.End.Sub(c.Start))
	}
	list := []Fact{
		fact("Began", plain(w.at(c.Start))), fact("Ended", textOr(w.at(c.End), "not yet")), fact("Lasted", plain(lasted)), fact("Asked for", plain(atLeast(c.Hours))),
	}
	blocks := []Block{Facts{List: append(list, w.cureRoom()...)}}
	if rows := w.airRows("cure"); len(rows) > 0 {
		blocks = append(blocks, Table{Caption: "The room, as noted", Columns: airColumns, Rows: rows})
	}
	if len(c.Weighings) > 0 {
		t := Table{Caption: "The marked unit, weighed again", Columns: []Column{{Title: "When", Share: 40}, {Title: "Weight", Share: 20, Number: true}, {Title: "By", Share: 40}}}
		for _, x := range c.Weighings {
			t.Rows = append(t.Rows, []Cell{plain(w.at(x.Taken)), standing(x.Entry, w.g(x.Grams)), plain(x.By)})
		}
		blocks = append(blocks, t)
	}
	return blocks, ""
}

// cureRoom sums the air over the cure up.
func (w *writer) cureRoom() []Fact {
	room := w.Cure.Room
	if room.Readings == 0 {
		return []Fact{fact("Room over it", plain("no readings"))}
	}
	list := []Fact{fact("Room over it", plain(count(room.Readings, "reading", "readings")+", "+hours(room.Covered)+" covered, "+hours(room.Unknown)+" not known"))}
	if room.MeanC != nil && room.MeanPct != nil {
		list = append(list, fact("Mean by time", plain(w.Style.Degrees(tenth(*room.MeanC))+", "+pct(tenth(*room.MeanPct)))))
	}
	list = append(list, fact("Outside the limits", plain(hours(room.Outside))))
	if room.Worst != nil {
		list = append(list, fact("Worst", plain(w.Style.Degrees(tenth(room.Worst.TempC))+", "+pct(tenth(room.Worst.HumidityPct))+" on "+w.at(room.Worst.At))))
	}
	return list
}

func tenth(v float64) decimal.Decimal {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return decimal.Zero
	}
	return decimal.NewFromFloat(v).Round(1)
}

// hours says a time that things took, to whole hours rounded down: no cure looks longer than it was.
func hours(d time.Duration) string {
	switch {
	case d <= 0:
		return "no time"
	case d < time.Hour:
		return count(int(d/time.Minute), "minute", "minutes")
	case d <= 72*time.Hour:
		return count(int(d/time.Hour), "hour", "hours")
	}
	whole := int(d / (24 * time.Hour))
	words := count(whole, "day", "days")
	if rest := int((d - time.Duration(whole)*24*time.Hour) / time.Hour); rest > 0 {
		words += fmt.Sprintf(" %d h", rest)
	}
	return words
}

func (w *writer) controls() ([]Block, string) {
	if w.Master == nil {
		return nil, w.noFormula()
	}
	if len(w.Controls) == 0 {
		return nil, "The formula asks for no controls."
	}
	t := Table{Columns: []Column{{Title: "Control", Share: 24}, {Title: "Allowed", Share: 20}, {Title: "Readings", Share: 30}, {Title: "Result", Share: 17}, {Title: "By, when", Share: 28}}}
	for _, c := range w.Controls {
		runs := []string{""}
		if c.Stage == "packing" {
			runs = nil
			for _, p := range w.Packings {
				runs = append(runs, p.Code)
			}
		}
		for _, packing := range runs {
			t.Rows = append(t.Rows, w.runRow(c, packing))
		}
	}
	if len(t.Rows) == 0 {
		return nil, "The controls that the formula asks for come at packing, and nothing has been packed."
	}
	return []Block{t}, ""
}

// runRow is one control, at packing one for each packing: every reading, who took them, and whether all are in.
func (w *writer) runRow(c Control, packing string) []Cell {
	name := Cell{{Text: c.Name}, {Text: "\n" + controlStage(c.Stage), Look: Quiet}}
	if packing != "" {
		name = append(name, Span{Text: packing, Look: BatchCode})
	}
	var readings, who Cell
	n, outside, last := 0, 0, ""
	for _, r := range c.Readings {
		if r.Packing != packing {
			continue
		}
		readings = append(readings, standing(r.Entry, w.figure(r.Value, c.Unit))...)
		if words := w.entered(r.Made, r.Taken, false); words != last {
			who = append(who, Span{Text: words})
			last = words
		}
		if r.Gone == nil {
			n++
			if c.Low.Valid && r.Value.LessThan(c.Low.Decimal) || c.High.Valid && r.Value.GreaterThan(c.High.Decimal) {
				outside++
			}
		}
	}
	result := Cell{{Text: fmt.Sprintf("in limits (%d of %d)", n, max(n, c.Asked))}}
	switch {
	case n == 0:
		result = Cell{{Text: "no reading", Look: Strong}}
	case outside > 0:
		result = Cell{{Text: fmt.Sprintf("%d of %d outside", outside, n), Look: Strong}}
	case n < c.Asked:
		result = Cell{{Text: fmt.Sprintf("in limits, but %d of %d readings", n, c.Asked), Look: Strong}}
	}
	return []Cell{name, plain(w.window(c.Low, c.High, c.Unit)), readings, result, who}
}
