package exchange

import (
	"fmt"
	"strconv"

	"github.com/shopspring/decimal"

	"example.org/stillroom/internal/quantity"
	"example.org/stillroom/internal/store"
	"example.org/stillroom/web/paths"
	"example.org/stillroom/web/ui"
)

// stateOf says how a file stands: the kind of mark, and a word.
func stateOf(j store.ImportJob) (kind, words string) {
	switch {
	case j.Silent:
		return "stop", "broke off"
	case j.State == "previewing":
		return "wait", "being looked through"
	case j.State == "applying":
		return "wait", "being saved"
	case j.State == "applied":
		return "good", "saved"
	case j.State == "dropped" || j.Expired:
		return "wait", "given up"
	case j.State == "failed":
		return "stop", "failed"
	case j.State == "previewed" && j.Faults > 0:
		return "stop", "faults in it, not saved"
	case j.State == "previewed":
		return "care", "looked through, not saved yet"
	case j.Sheet != nil:
		return "care", "what are its columns?"
	case j.AsksTable():
		return "care", "which table is it?"
	}
	return "care", "not looked through yet"
}

func count(n int64) string { return quantity.Format(decimal.NewFromInt(n)) }

func many(n int64, one, several string) string {
	if n == 1 {
		return "1 " + one
	}
	return count(n) + " " + several
}

func sizeWords(n int64) string {
	switch {
	case n < 1<<10:
		return strconv.FormatInt(n, 10) + " bytes"
	case n < 1<<20:
		return fmt.Sprintf("%d KB", (n+1<<9)>>10)
	}
	return fmt.Sprintf("%.1f MB", float64(n)/(1<<20))
}

// totals sums a report.
func totals(r *store.ImportReport) (t store.TableCount) {
	for _, c := range r.Tables {
		t.New, t.Changed, t.Same, t.Refused = t.New+c.New, t.Changed+c.Changed, t.Same+c.Same, t.Refused+c.Refused
	}
	return t
}

// listOf is where the rows of a table are shown.
func listOf(table string) (ui.Link, bool) {
	switch table {
	case "workshop":
		return ui.Link{Href: paths.Settings(), Words: "Workshop"}, true
	case "suppliers":
		return ui.Link{Href: paths.Suppliers(), Words: "Suppliers"}, true
	case "customers":
		return ui.Link{Href: paths.Customers(), Words: "Customers"}, true
	case "materials", "material_lots", "stock_moves":
		return ui.Link{Href: paths.Materials(), Words: "Materials"}, true
	case "lot_inputs":
		return ui.Link{Href: paths.Tubs(), Words: "Tubs"}, true
	case "products":
		return ui.Link{Href: paths.Products(), Words: "Products"}, true
	case "batches", "batch_inputs", "climate_readings":
		return ui.Link{Href: paths.Batches("all", ""), Words: "Batches"}, table != "climate_readings"
	case "packings", "packing_inputs", "unit_moves", "returns":
		return ui.Link{Href: paths.Stock(), Words: "Stock"}, true
	case "dispatches":
		return ui.Link{Href: paths.Dispatches(), Words: "Dispatches"}, true
	}
	return ui.Link{}, false
}

// listsOf are the lists that an import added to or changed, each once.
func listsOf(r *store.ImportReport) []ui.Link {
	var list []ui.Link
	seen := map[string]bool{}
	for _, c := range r.Tables {
		if l, ok := listOf(c.Table); ok && c.New+c.Changed > 0 && !seen[l.Href] {
			seen[l.Href] = true
			list = append(list, l)
		}
	}
	return list
}
