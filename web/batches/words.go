package batches

import (
	"fmt"
	"strconv"
	"strings"

	"github.com/shopspring/decimal"

	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/measure"
	"example.org/stillroom/internal/quantity"
	"example.org/stillroom/internal/store"
	"example.org/stillroom/web/ui"
)

func unitsOf(style measure.Style, b store.BatchRow) string {
	switch {
	case b.Yields == "bulk" && b.BulkG.Valid:
		return style.Grams(b.BulkG.Decimal)
	case b.Yields == "bulk":
		return ""
	case b.Good > 0:
		return fmt.Sprint(b.Good)
	case b.PlannedUnits > 0:
		return fmt.Sprintf("%d planned", b.PlannedUnits)
	}
	return ""
}

func waitingWords(n int) string {
	if n == 1 {
		return "1 deviation waits"
	}
	return fmt.Sprintf("%d deviations wait", n)
}

func target(style measure.Style, l store.BatchLine) string {
	if l.AsNeeded {
		return gramsOnly(style, l.LowG.Decimal) + " to " + style.Grams(l.HighG.Decimal)
	}
	return style.Grams(l.TargetG)
}

func sourceText(in store.BatchInput) string {
	switch {
	case in.Lot != "":
		return in.Lot
	case in.SourcePacking != "":
		return in.SourcePacking
	case in.SourceBatch != "":
		return in.SourceBatch
	case in.Inner:
		return "from its portion"
	}
	return "no lot kept"
}

func amount(style measure.Style, in store.BatchInput) string {
	if in.WeighedG.Valid {
		return style.Grams(in.WeighedG.Decimal)
	}
	if in.Unit == "each" {
		return quantity.Format(in.Quantity) + " units"
	}
	return ui.Amount(style, in.Quantity, in.Unit)
}

// counted is an amount with its unit; what is counted needs none.
func counted(style measure.Style, d decimal.Decimal, unit string) string {
	if unit == "each" {
		return quantity.Format(d)
	}
	if unit == "g" {
		return style.Grams(d)
	}
	return quantity.Format(d) + " " + unit
}

func printed(style measure.Style, p store.Packing) string {
	switch {
	case p.Printed != "":
		return p.Printed
	case !p.BestBefore.IsZero():
		return style.Day(p.BestBefore)
	}
	return "not decided"
}

func packTitle(v packView) string {
	if v.Product.Name != "" {
		return v.Product.Name
	}
	return v.Batch.FormulaName
}

// packLeft says when the batch was made and, before anything is packed, how many units were.
func packLeft(v packView) string {
	words := "Made " + v.Style.Day(v.Batch.MadeOn)
	if v.Batch.MouldedUnits != nil && *v.Batch.MouldedUnits > 1 {
		words += ", " + store.UnitCount(*v.Batch.MouldedUnits) + " moulded"
	}
	return words
}

// leftWords says what is still to be packed, by the count where there is one, else by the mass.
func leftWords(v packView) string {
	switch {
	case !v.LeftKnown:
		return "not known: nothing says what a unit weighs"
	case v.LeftByCount:
		return store.UnitCount(v.Left) + " by the count: " + v.Yield.Counts.Words()
	case len(v.Batch.Packings) == 0:
		return "about " + store.UnitCount(v.Left) + ": the mass gives no more"
	}
	return "about " + store.UnitCount(v.Left) + " of this product by the mass: " + v.Style.Bulk(v.Yield.Balance.UnexplainedG.Round(0)) + " have no place yet"
}

// packedSoFar says a packing that was made before.
func packedSoFar(v packView, p store.Packing) string {
	words := fmt.Sprintf("%s of %s, packed %s", store.UnitCount(p.UnitsGood), p.ProductName, v.Style.Day(p.PackedOn))
	if p.UnitsRetained > 0 {
		words += fmt.Sprintf(", %d kept back", p.UnitsRetained)
	}
	return words
}

// otherSizes says which controls are not asked for, since they are meant for units of another size.
func otherSizes(style measure.Style, list []store.BatchControl) string {
	var names []string
	for _, c := range list {
		names = append(names, c.Name+" ("+store.Window(style, c.Low, c.High, c.Unit)+")")
	}
	return "Not asked for, since it is meant for units of another size: " + strings.Join(names, ", ") + "."
}

func rowLabel(word string, i int) string {
	if i == 0 {
		return word
	}
	return fmt.Sprintf("%s (%d)", word, i+1)
}

func runLabel(style measure.Style, c store.BatchControl) string {
	if c.Unit == "" {
		return c.Name
	}
	return c.Name + ", " + style.Unit(c.Unit)
}

func runHint(style measure.Style, c store.BatchControl) string {
	words := "One a line. Allowed: " + store.Window(style, c.Low, c.High, c.Unit) + "."
	if c.Asked > 1 {
		words = fmt.Sprintf("One a line, at least %d. Allowed: %s.", c.Asked, store.Window(style, c.Low, c.High, c.Unit))
	}
	return words
}

// second tells whether a row is a further lot of the material above it.
func second(rows []useRow, i int) bool { return i > 0 && rows[i-1].Material == rows[i].Material }

func useLabel(rows []useRow, i int) string {
	if second(rows, i) {
		return rows[i].Name + ", another lot"
	}
	return rows[i].Name + ", lot"
}

func usePlaceholder(rows []useRow, i int) string {
	if second(rows, i) {
		return "None"
	}
	return "Choose"
}

func firstHint(rows []useRow, i int) string {
	if second(rows, i) {
		return ""
	}
	return rows[i].Hint
}

func plainG(style measure.Style, d decimal.Decimal) string { return style.Each(d, 1) }

func itoa(n int) string { return strconv.Itoa(n) }

func orNone(text, none string) string {
	if text == "" {
		return none
	}
	return text
}

func capital(word string) string {
	if word == "" {
		return ""
	}
	return strings.ToUpper(word[:1]) + word[1:]
}

func packingSub(v packingView) string {
	return fmt.Sprintf("%s, packed %s by %s", store.UnitCount(v.UnitsGood), v.Clock.Style.Day(v.PackedOn), v.Recorded.By)
}

func packedWords(v packingView) string {
	words := v.Clock.Style.Day(v.PackedOn) + ", recorded " + v.Clock.Short(v.Recorded.At) + " by " + v.Recorded.By
	if v.Late {
		words += ", written late"
	}
	return words
}

func ofPacking(list []store.Reject, code string) []store.Reject {
	var out []store.Reject
	for _, r := range list {
		if r.Packing == code {
			out = append(out, r)
		}
	}
	return out
}

func signatureKind(s store.Signature) string {
	if s.Meaning == "released" {
		return "good"
	}
	return "stop"
}

// errorIf shows a fault beside the password of the form that was sent: there are two on the page.
func errorIf(here bool, words string) string {
	if here {
		return words
	}
	return ""
}

// The password stands in two forms: the one that was sent has the id that the summary leads to.
func releasePasswordID(v releaseView) string {
	if v.Decision == "reject" {
		return "f-password-release"
	}
	return ""
}

func rejectPasswordID(v releaseView) string {
	if v.Decision == "reject" {
		return ""
	}
	return "f-password-reject"
}

// releaseKey and rejectKey keep the key of the form that was sent with that form alone.
func releaseKey(v releaseView) string {
	if v.Decision == "reject" {
		return ui.NewKey()
	}
	return v.Key
}

func rejectKey(v releaseView) string {
	if v.Decision == "reject" {
		return v.Key
	}
	return ui.NewKey()
}

// packedDay is the day that the date on the form was counted with.
func packedDay(v packView) string {
	if v.On == v.Today {
		return "today"
	}
	return v.Style.Day(v.On)
}

// soFarTerm stands before the packings that were made before; the term is said once.
func soFarTerm(i int) string {
	if i == 0 {
		return "Packed so far"
	}
	return "and"
}

// useName is the material of a row.
func useName(rows []useRow, i int) string {
	switch {
	case rows[i].Other:
		return "Other packaging"
	case second(rows, i):
		return rows[i].Name + ", another lot"
	}
	return rows[i].Name
}

// handedOut tells whether the counts of what was handed out are shown at once: something was typed there, or is off.
func handedOut(rows []useRow, note string, f *fault.Fault) bool {
	open := note != "" || f.Of(fieldPackagingNote) != ""
	for i, r := range rows {
		open = open || r.Issued+r.Returned != "" || f.Of(at(fieldPackIssued, i)) != "" || f.Of(at(fieldPackReturned, i)) != ""
	}
	return open
}

// counted tells whether somebody counted what was handed out or put back.
func (v packingView) counted() bool {
	for _, l := range v.Packaging {
		if !l.Replaced && (l.Issued.Valid || l.Returned.Valid) {
			return true
		}
	}
	return v.LabelsIssued != nil || v.LabelsReturned != nil
}

// finishWords is what was packed when packing ends, with how the units stand against those moulded.
func finishWords(v remainderView) string {
	words := fmt.Sprintf("%d good in %d packings", v.Yield.Counts.Good, len(v.Batch.Packings))
	if len(v.Batch.Packings) == 1 {
		words = fmt.Sprintf("%d good in one packing", v.Yield.Counts.Good)
	}
	if v.Yield.Countable {
		words += "; " + v.Yield.Counts.Words()
	}
	return words
}

// usedWords says for what equipment was named, by whom and when, and why it was taken back.
func (v batchView) usedWords(u store.UsedEquipment) string {
	words := u.By + ", " + v.Clock.Short(u.UsedAt)
	if u.Packing != "" {
		words = "Packing " + u.Packing + ", " + words
	}
	if u.Note != "" {
		words += ". " + u.Note
	}
	if u.Replaced && u.Reason != "" {
		words += ". Taken back: " + u.Reason
	}
	return words
}
