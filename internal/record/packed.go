package record

import (
	"cmp"
	"fmt"
	"strconv"

	"github.com/shopspring/decimal"

	"example.org/stillroom/internal/yield"
)

func (w *writer) rejects() ([]Block, string) {
	if len(w.Rejects) == 0 {
		return nil, "None: no unit was rejected."
	}
	t := Table{Columns: []Column{{Title: "Stage", Share: 22}, {Title: "Reason", Share: 34}, {Title: "Units", Share: 10, Number: true}, {Title: "Weighed together", Share: 16, Number: true}, {Title: "By, when", Share: 28}}}
	for at := range stageOrder {
		for _, r := range w.Rejects {
			if stageAt(r.Stage) != at {
				continue
			}
			stage := Cell{{Text: rejectStage(r.Stage)}}
			if r.Packing != "" {
				stage = append(stage, Span{Text: r.Packing, Look: BatchCode})
			}
			t.Rows = append(t.Rows, []Cell{stage, standing(r.Entry, cmp.Or(r.Reason, "no reason noted")), standing(r.Entry, strconv.Itoa(r.Units)), standing(r.Entry, w.maybeG(r.MassG)), plain(w.by(r.Made))})
		}
	}
	return []Block{t}, ""
}

func (w *writer) yield() ([]Block, string) {
	y := w.Yield
	list := []Fact{fact("Went in, as weighed", plain(w.g(y.WeighedG)))}
	if m := w.Master; m != nil {
		list = append(list, fact("Expected loss", plain(pct(m.LossPct))))
	}
	var blocks []Block
	if w.Bulk {
		if w.BulkG.Valid {
			list = append(list, fact("Ready", plain(w.g(w.BulkG.Decimal)+", "+percentOf(w.BulkG.Decimal, y.WeighedG)+" of what went in")), fact("Drawn by other batches", plain(w.g(w.DrawnG))), fact("Left", plain(w.g(w.BulkG.Decimal.Sub(w.DrawnG)))))
		} else {
			list = append(list, fact("Ready", Cell{{Text: "not weighed yet", Look: Quiet}}))
		}
	} else {
		fill := textOr("", "nothing says it")
		if y.FillG.IsPositive() {
			fill = plain(w.g(y.FillG))
		}
		theory := textOr("", "not known")
		if y.Theoretical.IsPositive() {
			theory = plain(yield.Shown(y.Theoretical) + " units")
		}
		list = append(list, fact("Nominal fill", fill), fact("Theoretical yield", theory))
		if p := w.Yield.Percent; p.Valid && len(w.Packings) > 0 {
			of := "the theoretical number of units"
			if y.ByMass {
				of = "the theoretical mass, since it was packed in several sizes"
			}
			list = append(list, fact("Good", plain(pct(p.Decimal.Round(1))+" of "+of)))
		}
		if t := w.phases(); len(t.Rows) > 0 {
			blocks = append(blocks, t)
		}
	}
	blocks = append([]Block{Facts{List: list}}, blocks...)
	if len(w.Stages) > 0 {
		t := Table{Caption: "Weighed together at a stage", Columns: []Column{{Title: "Stage", Share: 28}, {Title: "Units", Share: 12, Number: true}, {Title: "Together", Share: 16, Number: true}, {Title: "Mean", Share: 16, Number: true}, {Title: "By, when", Share: 32}}}
		for _, s := range w.Stages {
			mean := s.Grams.DivRound(decimal.NewFromInt(int64(max(s.Units, 1))), 2)
			t.Rows = append(t.Rows, []Cell{plain(rejectStage(s.Stage)), standing(s.Entry, strconv.Itoa(s.Units)), standing(s.Entry, w.g(s.Grams)), standing(s.Entry, w.g(mean)), plain(w.by(s.Made))})
		}
		blocks = append(blocks, t)
	}
	if t, any := w.stageMasses(); any && (len(w.Packings) > 0 || w.BulkG.Valid) {
		blocks = append(blocks, t)
	}
	return append(blocks, w.balance()...), ""
}

func percentOf(part, whole decimal.Decimal) string {
	if !whole.IsPositive() {
		return "no percentage"
	}
	return pct(part.Shift(2).DivRound(whole, 1))
}

// phases are units after each phase with their percentage of the theoretical yield. Units of several sizes, and a loaf
// that was moulded as one, cannot be held against it by their number.
func (w *writer) phases() Table {
	t := Table{Caption: "Units by phase", Columns: []Column{{Title: "Phase", Share: 40}, {Title: "Units", Share: 15, Number: true}, {Title: "Of theoretical", Share: 25, Number: true}, {Title: "Rejected there", Share: 20, Number: true}}}
	add := func(phase string, n, rejected int, comparable bool) {
		of := "not known"
		if p := yield.PercentOf(n, w.Yield.Theoretical); !comparable {
			of = "by mass only"
		} else if p.Valid {
			of = pct(p.Decimal.Round(1))
		}
		t.Rows = append(t.Rows, []Cell{plain(phase), plain(strconv.Itoa(n)), plain(of), plain(strconv.Itoa(rejected))})
	}
	if w.Moulded.Units != nil {
		left := *w.Moulded.Units
		add("Moulded", left, 0, w.Yield.Countable)
		for _, stage := range []struct{ key, words string }{{"cut", "After cutting"}, {"cure_end", "After the " + cureNoun(w.Cure.Word)}} {
			rejected := w.rejected(stage.key)
			left -= rejected
			if rejected > 0 || stage.key == "cure_end" && !w.Cure.End.IsZero() {
				if w.Yield.Countable {
					add(stage.words, left, rejected, true)
				} else {
					t.Rows = append(t.Rows, []Cell{plain(stage.words), {{Text: "not counted", Look: Quiet}}, plain("by mass only"), plain(strconv.Itoa(rejected))})
				}
			}
		}
	}
	if len(w.Packings) > 0 {
		add("Packed, for sale and kept back", w.Yield.Counts.Good+w.Yield.Counts.Retained, w.rejected("packing"), !w.Yield.ByMass)
		add("Good units", w.Yield.Counts.Good, 0, !w.Yield.ByMass)
	}
	return t
}

// stageMasses is the mass at each stage with its percentage of what would be there had only the expected losses gone.
func (w *writer) stageMasses() (Table, bool) {
	t := Table{Caption: "Mass by phase", Columns: []Column{{Title: "Phase", Share: 28}, {Title: "Mass", Share: 16, Number: true}, {Title: "Theoretical", Share: 16, Number: true}, {Title: "Of theoretical", Share: 16, Number: true}, {Title: "Rejected there", Share: 16, Number: true}, {Title: "How it is known", Share: 18}}}
	for _, l := range w.Yield.Stages {
		if !l.Known {
			t.Rows = append(t.Rows, []Cell{plain(l.Name), {{Text: "not weighed", Look: Quiet}}, nil, nil, plain(w.g(l.RejectedG.Round(1))), nil})
			continue
		}
		how, of := "worked out", "not known"
		if l.Measured {
			how = "weighed"
		}
		if l.Pct.Valid {
			of = pct(l.Pct.Decimal.Round(1))
		}
		t.Rows = append(t.Rows, []Cell{plain(l.Name), plain(w.g(l.Grams.Round(1))), plain(w.g(l.TheoreticalG.Round(1))), plain(of), plain(w.g(l.RejectedG.Round(1))), plain(how)})
	}
	return t, len(t.Rows) > 0
}

func (w *writer) rejected(stage string) int {
	n := 0
	for _, r := range w.Rejects {
		if r.Stage == stage && r.Gone == nil {
			n += r.Units
		}
	}
	return n
}

// balance is the mass that went in against all that came out.
func (w *writer) balance() []Block {
	y := w.Yield
	if len(w.Packings) == 0 && !w.BulkG.Valid {
		return []Block{Text(plain("Not reconciled yet: nothing has been packed or measured."))}
	}
	var blocks []Block
	list := []Fact{}
	if y.Unknown != "" {
		list = append(list, fact("Reconciliation", plain(y.Unknown)))
	} else {
		t := Table{Caption: "Reconciliation by mass", Columns: []Column{{Title: "What", Share: 50}, {Title: "Mass", Share: 20, Number: true}, {Title: "How it is known", Share: 30}}}
		t.Rows = append(t.Rows, []Cell{plain("went in"), plain(w.g(y.Balance.InG)), plain("weighed")})
		for _, l := range y.Balance.Lines {
			how := "worked out"
			if l.Measured {
				how = "weighed"
			}
			t.Rows = append(t.Rows, []Cell{plain(l.Name), plain(w.g(l.Grams.Round(1))), plain(how)})
		}
		blocks = append(blocks, t)
		words := w.signed(y.Balance.UnexplainedG.Round(1)) + ", " + pct(y.Balance.UnexplainedPct.Abs().Round(2)) + " of what went in"
		if m := w.Master; m != nil {
			words += "; the limit is " + pct(m.LimitPct)
		}
		look := Plain
		if y.Balance.Over {
			look, words = Strong, words+", which this is over"
		}
		list = append(list, fact("Unexplained", Cell{{Text: words, Look: look}}))
	}
	if y.Note != "" {
		list = append(list, fact("Explained", plain(y.Note)))
	}
	return append(blocks, Facts{List: list})
}

func (w *writer) notPacked() string {
	if w.Bulk {
		return "Not packed: other batches draw on it as bulk."
	}
	return "Nothing has been packed of it."
}

func (w *writer) packings() ([]Block, string) {
	if len(w.Packings) == 0 {
		return nil, w.notPacked()
	}
	t := Table{Columns: []Column{{Title: "Packing", Share: 20}, {Title: "Product", Share: 27}, {Title: "Good", Share: 9, Number: true}, {Title: "Kept back", Share: 9, Number: true}, {Title: "Best before, as printed, and why", Share: 34}, {Title: "Packed", Share: 24}}}
	for _, p := range w.Packings {
		best := cmp.Or(p.Printed, w.date(p.BestBefore), "not decided")
		if p.OpenedMonths > 0 {
			best += "\n" + count(p.OpenedMonths, "month", "months") + " after opening"
		}
		date := Cell{{Text: best}}
		if p.Reason != "" {
			date = append(date, Span{Text: "\n" + p.Reason, Look: Quiet})
		}
		packed := w.date(p.PackedOn) + "\n" + w.by(p.Made)
		if p.Late {
			packed += "\nwritten down late"
		}
		t.Rows = append(t.Rows, []Cell{code(p.Code), plain(coded(p.Product, p.ProductCode)), plain(strconv.Itoa(p.Good)), plain(strconv.Itoa(p.Retained)), date, plain(packed)})
	}
	blocks := []Block{t}
	materials := Table{Caption: "Containers, closures and other packaging", Columns: []Column{{Title: "Packing", Share: 20}, {Title: "Material and lot", Share: 30}, {Title: "Issued", Share: 10, Number: true}, {Title: "Used", Share: 10, Number: true}, {Title: "Spoiled", Share: 10, Number: true}, {Title: "Returned", Share: 11, Number: true}, {Title: "By, when", Share: 25}}}
	var notes []Fact
	for _, p := range w.Packings {
		for _, m := range p.Packaging {
			materials.Rows = append(materials.Rows, w.packagingRow(p, m))
		}
		if p.PackagingNote != "" {
			notes = append(notes, fact("Explained for "+p.Code, plain(p.PackagingNote)))
		}
	}
	if len(materials.Rows) > 0 {
		blocks = append(blocks, materials)
	} else {
		blocks = append(blocks, Text(plain("No packaging from lots is recorded.")))
	}
	if len(notes) > 0 {
		blocks = append(blocks, Facts{List: notes})
	}
	return blocks, ""
}

func (w *writer) packagingRow(p Packing, m Packaging) []Cell {
	look := LotCode
	if m.Gone != nil {
		look = Old
	}
	maybe := func(d decimal.NullDecimal) Cell {
		if !d.Valid {
			return Cell{{Text: "not counted", Look: Quiet}}
		}
		return standing(m.Entry, w.amount(d.Decimal, m.Unit))
	}
	what := append(Cell{{Text: m.Name}, {Text: m.Lot, Look: look}}, w.supplied(m.Lot)...)
	if m.Issued.Valid {
		if open := m.Issued.Decimal.Sub(m.Returned.Decimal).Sub(m.Quantity); !open.IsZero() {
			what = append(what, Span{Text: "\nnot accounted for: " + w.amount(open, m.Unit), Look: Strong})
		}
	}
	return []Cell{code(p.Code), what, maybe(m.Issued), standing(m.Entry, w.amount(m.Quantity.Sub(m.Spoiled), m.Unit)), standing(m.Entry, w.amount(m.Spoiled, m.Unit)), maybe(m.Returned), plain(w.by(m.Made))}
}

func (w *writer) clearance() ([]Block, string) {
	if len(w.Packings) == 0 {
		return nil, w.notPacked()
	}
	t := Table{Columns: []Column{{Title: "Packing", Share: 22}, {Title: "Cleared before packing", Share: 40}, {Title: "By, packing began", Share: 38}}}
	for _, p := range w.Packings {
		cleared := Cell{{Text: "yes: nothing of the batch before was left where it was packed"}}
		if !p.Cleared {
			cleared = Cell{{Text: "not ticked", Look: Strong}}
		}
		t.Rows = append(t.Rows, []Cell{code(p.Code), cleared, plain(w.by(Made{p.By, p.PackedAt}))})
	}
	return []Block{t}, ""
}

func (w *writer) labels() ([]Block, string) {
	if len(w.Packings) == 0 {
		return nil, w.notPacked()
	}
	t := Table{Columns: []Column{{Title: "Packing", Share: 21}, {Title: "Specimen: what stands on the label", Share: 38}, {Title: "Checked", Share: 22}, {Title: "Issued", Share: 11, Number: true}, {Title: "Used", Share: 11, Number: true}, {Title: "Spoiled", Share: 11, Number: true}, {Title: "Returned", Share: 12, Number: true}}}
	for _, p := range w.Packings {
		checked := Cell{{Text: "against product and batch by " + p.By}}
		if !p.Checked {
			checked = Cell{{Text: "not ticked", Look: Strong}}
		}
		t.Rows = append(t.Rows, []Cell{code(p.Code), textOr(p.Specimen, "none kept"), checked, counted(p.LabelsIssued), counted(p.LabelsUsed), counted(p.LabelsSpoiled), counted(p.LabelsReturned)})
	}
	return []Block{t}, ""
}

func (w *writer) samples() ([]Block, string) {
	kept := 0
	for _, p := range w.Packings {
		kept += p.Retained
	}
	if kept == 0 && len(w.Samples) == 0 {
		return nil, "None: no unit was kept back."
	}
	placed := map[string]int{}
	t := Table{Columns: []Column{{Title: "Packing", Share: 19}, {Title: "Units", Share: 9, Number: true}, {Title: "Place", Share: 21}, {Title: "Taken, kept until", Share: 24}, {Title: "Looked at later", Share: 40}}}
	for _, s := range w.Samples {
		if s.Gone == nil {
			placed[s.Packing] += s.Units
		}
		until := "taken " + w.date(s.Taken)
		if !s.Until.IsZero() {
			until += "\nkept until " + w.date(s.Until)
		}
		if !s.Ended.IsZero() {
			until += "\nended " + w.date(s.Ended) + ": " + s.EndedNote
		}
		place := standing(s.Entry, s.Place)
		if s.Note != "" {
			place = append(place, Span{Text: "\n" + s.Note, Look: Quiet})
		}
		looks := Cell{}
		for _, l := range s.Inspections {
			words := w.date(l.On) + ": " + map[string]string{"as_made": "as made", "changed": "changed", "spoiled": "spoiled"}[l.Result]
			if l.Words != "" {
				words += ", " + l.Words
			}
			if l.Used > 0 {
				words += ", " + units(l.Used) + " used up"
			}
			looks = append(looks, standing(l.Entry, words+" ("+l.By+")\n")...)
		}
		t.Rows = append(t.Rows, []Cell{code(s.Packing), standing(s.Entry, strconv.Itoa(s.Units)), place, plain(until), looks})
	}
	for _, p := range w.Packings {
		if rest := p.Retained - placed[p.Code]; rest > 0 {
			t.Rows = append(t.Rows, []Cell{code(p.Code), plain(strconv.Itoa(rest)), {{Text: "place not noted", Look: Quiet}}, plain("taken " + w.date(p.PackedOn)), nil})
		}
	}
	return []Block{t}, ""
}

func (w *writer) went() ([]Block, string) {
	if len(w.Packings) == 0 {
		if w.Bulk {
			return []Block{Facts{List: []Fact{fact("Drawn by other batches", plain(w.g(w.DrawnG)))}}}, ""
		}
		return nil, w.notPacked()
	}
	t := Table{Caption: "By kind of customer; names and addresses stand in the list of a trace", Columns: []Column{{Title: "Packing", Share: 20}, {Title: "What became of its units", Share: 55}, {Title: "Units", Share: 15, Number: true}}}
	add := func(p Packing, what string, n int) {
		t.Rows = append(t.Rows, []Cell{code(p.Code), plain(what), plain(strconv.Itoa(n))})
	}
	for _, p := range w.Packings {
		l := p.Ledger
		add(p, "good when packed", p.Good)
		for _, s := range l.Sent {
			add(p, "sent: "+customerKind(s.Kind)+", "+count(s.Customers, "customer", "customers"), s.Units)
		}
		for _, row := range []struct {
			what string
			n    int
		}{{"returned, to stock or on hold", l.Back}, {"returned, destroyed", l.Destroyed}, {"used in other batches", l.Used}} {
			if row.n != 0 {
				add(p, row.what, row.n)
			}
		}
		for _, m := range l.Moves {
			add(p, moveWords(m.Reason), m.Units)
		}
		on := "on hand now"
		if l.Held > 0 {
			on += fmt.Sprintf(", %d of them on hold", l.Held)
		}
		add(p, on, l.OnHand)
	}
	return []Block{t}, ""
}

func customerKind(kind string) string {
	switch kind {
	case "stockist":
		return "stockists"
	case "online":
		return "online orders"
	case "event":
		return "events"
	}
	return "direct buyers"
}

func moveWords(reason string) string {
	return "without a dispatch: " + map[string]string{"tester": "testers", "broken": "broken", "gift": "gifts", "own_use": "own use", "count": "counted anew"}[reason]
}
