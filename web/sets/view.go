package sets

import (
	"fmt"
	"strconv"
	"strings"

	"example.org/stillroom/internal/day"
	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/measure"
	"example.org/stillroom/internal/quantity"
	"example.org/stillroom/internal/store"
	"example.org/stillroom/web/ui"
)

// unitRow is one packing that units may come from, as typed.
type unitRow struct {
	Code, Units string
	Part        string // name of the product; empty for a code that is typed in
	About       string // what is there of it, and why it may not leave; not typed
	Listed      bool   // the packing has a row of its own; else its code is typed in
}

// useRow is one lot of packaging as typed.
type useRow struct {
	Material, Lot, Used, Spoiled string
	Name, Unit, Hint             string // of the material; not typed
	Lots                         []ui.Option
	Again                        bool // a further lot of a material that has a row already; rarely needed, and folded
}

// filled tells of a row in which something was typed.
func (r useRow) filled() bool { return r.Lot+r.Used+r.Spoiled != "" }

func (r useRow) lotLabel() string {
	if r.Again {
		return r.Name
	}
	return r.Name + ", lot"
}

// useFaulty tells whether a fault stands beside a field of the row: what is off is not folded away.
func useFaulty(f *fault.Fault, i int) bool {
	return f.Of(at(fieldPackLot, i))+f.Of(at(fieldPackUsed, i))+f.Of(at(fieldPackSpoiled, i)) != ""
}

// fillRows gives the form its rows: those typed stay where they are, so that a fault stands beside what it is about.
func (v *newView) fillRows(units []unitRow, uses []useRow) {
	v.Form.Units = rowsOf(v.Style, v.Parts, units, v.On, units == nil)
	v.Form.Uses = nil
	for _, n := range v.Packaging {
		if !n.Tracked {
			continue
		}
		var rows []useRow
		for _, row := range uses {
			if row.Material == n.Material {
				rows = append(rows, row)
			}
		}
		if len(rows) == 0 {
			rows = []useRow{{Material: n.Material, Lot: n.Preselected()}, {Material: n.Material}}
		}
		for i, row := range rows {
			row.Name = n.Name
			if i == 0 {
				row.Hint = "Left empty: " + quantity.Format(n.PerUnit) + " for each set."
			} else {
				row.Name, row.Again = row.Name+", another lot", true
			}
			if n.Unit != "each" {
				row.Unit = n.Unit
			}
			for _, l := range n.Lots {
				hint := quantity.Format(l.OnHand) + " in the book"
				if len(l.Unfit) > 0 {
					hint += "; " + strings.Join(l.Unfit, " ")
				}
				row.Lots = append(row.Lots, ui.Option{Value: l.Code, Label: l.Code, Hint: hint})
			}
			v.Form.Uses = append(v.Form.Uses, row)
		}
	}
}

// rowsOf are the rows typed, then every packing of a part that has none yet, then free ones for a code that the book holds
// nothing of. With preselect the packings that may leave are filled in, the oldest best-before first.
func rowsOf(style measure.Style, parts []store.SetPart, typed []unitRow, on day.Day, preselect bool) []unitRow {
	listed := map[string]unitRow{}
	var fresh []unitRow
	for _, part := range parts {
		for i, p := range part.Packings {
			row := unitRow{Code: p.Code, Part: part.Name, About: about(style, p, on), Listed: true}
			listed[p.Code] = row
			if preselect && part.Taken[i] > 0 {
				row.Units = strconv.Itoa(part.Taken[i])
			}
			fresh = append(fresh, row)
		}
	}
	var rows []unitRow
	seen := map[string]bool{}
	for _, t := range typed {
		if known, ok := listed[t.Code]; ok && !seen[t.Code] {
			t.Part, t.About, t.Listed = known.Part, known.About, true
		}
		seen[t.Code] = true
		rows = append(rows, t)
	}
	for _, row := range fresh {
		if !seen[row.Code] {
			rows = append(rows, row)
		}
	}
	free := 0
	for _, row := range rows {
		if row.Code == "" && row.Units == "" {
			free++
		}
	}
	for ; free < 2; free++ {
		rows = append(rows, unitRow{})
	}
	return rows
}

// about says what is there of a packing, until when, and why it may not leave.
func about(style measure.Style, p store.Packing, on day.Day) string {
	words := store.UnitCount(p.OnHand) + " on hand"
	switch {
	case p.Printed != "":
		words += ", best before " + p.Printed
	case !p.BestBefore.IsZero():
		words += ", best before " + style.Day(p.BestBefore)
	}
	if p.Held > 0 {
		words += fmt.Sprintf(", %d of them on hold", p.Held)
	}
	if why := p.Unfit(style, on); why != "" {
		words += ". " + why
	}
	return words
}

// opens tells whether a row begins those of another part.
func opens(rows []unitRow, i int) bool {
	return rows[i].Part != "" && (i == 0 || rows[i-1].Part != rows[i].Part)
}

// need says how many units of a part so many sets take.
func (v newView) need(part string) string {
	for _, p := range v.Parts {
		if p.Name == part {
			words := fmt.Sprintf("%s, %s needed", p.Name, store.UnitCount(p.Needed))
			if p.Missing > 0 {
				words += fmt.Sprintf("; %d are not there to be taken", p.Missing)
			}
			return words
		}
	}
	return part
}

// without are parts of which nothing is on hand.
func (v newView) without() []store.SetPart {
	var out []store.SetPart
	for _, p := range v.Parts {
		if len(p.Packings) == 0 {
			out = append(out, p)
		}
	}
	return out
}

var fixedLabels = map[string]string{fieldProduct: "Set", fieldSets: "How many", fieldPackedOn: "Put together on", fieldGood: "Good sets", fieldRetained: "Kept back", fieldUnits: "Units", fieldPackaging: "Packaging",
	fieldLabelsUsed: "Labels used", fieldLabelSpecimen: "Label as printed", fieldReally: "Is it so?", fieldReason: "Reason"}

// labels are the words of the error summary.
func labels(units []unitRow, uses []useRow) map[string]string {
	all := map[string]string{}
	for name, words := range fixedLabels {
		all[name] = words
	}
	for i, row := range units {
		name := row.Code
		if !row.Listed {
			name = "Another code"
		}
		all[store.UnitsField(i)], all[store.UnitsCodeField(i)] = name, name
	}
	for i, row := range uses {
		all[at(fieldPackLot, i)], all[at(fieldPackUsed, i)], all[at(fieldPackSpoiled, i)] = row.Name+", lot", row.Name+", used", row.Name+", spoiled"
	}
	return all
}

func plural(n int, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return fmt.Sprintf("%d %s", n, many)
}

// lotPlaceholder chooses nothing: the first row of a material asks, another is free.
func lotPlaceholder(rows []useRow, i int) string {
	if i > 0 && rows[i-1].Material == rows[i].Material {
		return "None"
	}
	return "Choose"
}

func either(a, b *fault.Fault) *fault.Fault {
	if a != nil {
		return a
	}
	return b
}

// The product and the reason stand in two forms: the one that was sent has the id that the summary leads to.
func chooseID(v newView, field string) string {
	if v.open() {
		return "f-choose-" + field
	}
	return ""
}

func chooseError(v newView, field string) string {
	if v.open() {
		return ""
	}
	return v.Fault.Of(field)
}

func reasonID(v correctView, apart bool) string {
	if apart == (v.ApartFault != nil) {
		return ""
	}
	if apart {
		return "f-reason-apart"
	}
	return "f-reason-correct"
}

// cautions are those of the packaging: glass that may be chipped, for one.
func (v newView) cautions() []ui.Care {
	var list []ui.Care
	for _, n := range v.Packaging {
		list = append(list, ui.Care{What: n.Name, Words: n.Caution})
	}
	return list
}
