package batches

import (
	"fmt"
	"strconv"
	"strings"

	"github.com/shopspring/decimal"

	"example.org/stillroom/internal/quantity"
	"example.org/stillroom/internal/store"
	"example.org/stillroom/internal/yield"
	"example.org/stillroom/web/ui"
)

func unitsOf(b store.BatchRow) string {
	switch {
	case b.Yields == "bulk" && b.BulkG.Valid:
		return quantity.Format(b.BulkG.Decimal) + " g"
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

func target(l store.BatchLine) string {
	if l.AsNeeded {
		return quantity.Format(l.LowG.Decimal) + " to " + quantity.Format(l.HighG.Decimal) + " g"
	}
	return quantity.Format(l.TargetG) + " g"
}

func sourceText(in store.BatchInput) string {
	switch {
	case in.Lot != "":
		return in.Lot
	case in.SourceBatch != "":
		return in.SourceBatch
	case in.Inner:
		return "from its portion"
	}
	return "no lot kept"
}

func amount(in store.BatchInput) string {
	if in.WeighedG.Valid {
		return quantity.Format(in.WeighedG.Decimal) + " g"
	}
	if in.Unit == "each" {
		return quantity.Format(in.Quantity) + " units"
	}
	return quantity.Format(in.Quantity) + " " + in.Unit
}

// counted is an amount with its unit; what is counted needs none.
func counted(d decimal.Decimal, unit string) string {
	if unit == "each" {
		return quantity.Format(d)
	}
	return quantity.Format(d) + " " + unit
}

func printed(p store.Packing) string {
	switch {
	case p.Printed != "":
		return p.Printed
	case !p.BestBefore.IsZero():
		return p.BestBefore.Long()
	}
	return "not decided"
}

func packTitle(v packView) string {
	if v.Product.Name != "" {
		return v.Product.Name
	}
	return v.Batch.FormulaName
}

// packLeft says what the mass still gives.
func packLeft(v packView) string {
	y := v.Yield
	words := "Made " + v.Batch.MadeOn.Long()
	if y.Theoretical.IsPositive() {
		words += ", the mass gives " + yield.Shown(y.Theoretical) + " units"
	}
	if done := y.Counts.Good + y.Counts.Retained + y.Counts.Rejected; done > 0 {
		words += fmt.Sprintf(", %d packed, kept back or rejected so far", done)
	}
	return words
}

func rowLabel(word string, i int) string {
	if i == 0 {
		return word
	}
	return fmt.Sprintf("%s (%d)", word, i+1)
}

func runLabel(c store.BatchControl) string {
	if c.Unit == "" {
		return c.Name
	}
	return c.Name + ", " + c.Unit
}

func runHint(c store.BatchControl) string {
	words := "One a line. Allowed: " + store.Window(c.Low, c.High, c.Unit) + "."
	if c.Asked > 1 {
		words = fmt.Sprintf("One a line, at least %d. Allowed: %s.", c.Asked, store.Window(c.Low, c.High, c.Unit))
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

func plainG(d decimal.Decimal) string { return quantity.FormatFixed(d, 1) }

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
	return fmt.Sprintf("%s, packed %s by %s", store.UnitCount(v.UnitsGood), v.PackedOn.Long(), v.Recorded.By)
}

func packedWords(v packingView) string {
	words := v.PackedOn.Long() + ", recorded " + v.Clock.Short(v.Recorded.At) + " by " + v.Recorded.By
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
	return v.On.Long()
}
