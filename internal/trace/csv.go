package trace

import (
	"encoding/csv"
	"io"
	"slices"
	"strconv"
	"strings"
)

var lineHeader = []string{
	"batch", "product", "product_name", "made_on", "best_before", "units", "returned", "customer", "customer_name",
	"customer_kind", "email", "phone", "dispatch", "dispatched_on", "packing",
}

var sourceHeader = []string{
	"depth", "batch", "material_lot", "material", "material_name", "supplier", "supplier_name", "supplier_lot",
	"expires_on", "quantity", "source_batch", "into_lot", "unit", "source_packing",
}

// CSV writes the lines as interchange: RFC 4180, rows ending in LF, a header always, every cell exactly as stored.
func CSV(w io.Writer, lines []Line) error { return writeLines(w, lines, lineHeader, exact) }

// RecallCSV writes the same table as a list for people, who open it in a spreadsheet: Guard on every text. A column at
// the end names the other codes that stand on units of the packing.
func RecallCSV(w io.Writer, lines []Line) error {
	return writeLines(w, lines, append(slices.Clone(lineHeader), "also_marked"), Guard)
}

// SourcesCSV writes `trace sources` as interchange, in the form of CSV.
func SourcesCSV(w io.Writer, lines []SourceLine) error { return writeSources(w, lines, exact) }

// SourcesListCSV writes `trace sources` as a list for people, in the form of RecallCSV.
func SourcesListCSV(w io.Writer, lines []SourceLine) error { return writeSources(w, lines, Guard) }

// Guard puts an apostrophe before a text that a spreadsheet would take for a formula: a first character of = + - @,
// tab or carriage return (OWASP, CSV injection; ASVS 5.0 §1.2.10). For lists for people only: interchange is exact.
// Typed numbers do not pass through it, so that a negative one stays a number.
func Guard(cell string) string {
	if cell != "" && strings.IndexByte("=+-@\t\r", cell[0]) >= 0 {
		return "'" + cell
	}
	return cell
}

func exact(cell string) string { return cell }

func writeLines(w io.Writer, lines []Line, header []string, text func(string) string) error {
	out := csv.NewWriter(w)
	if err := out.Write(header); err != nil {
		return err
	}
	row := make([]string, 0, len(header))
	for _, l := range lines {
		row = append(row[:0],
			text(l.Batch), text(l.Product), text(l.ProductName), text(l.MadeOn), text(l.BestBefore),
			strconv.Itoa(l.Units), strconv.Itoa(l.Returned),
			text(l.Customer), text(l.CustomerName), text(l.CustomerKind), text(l.Email), text(l.Phone),
			text(l.Dispatch), text(l.DispatchedOn), text(l.Packing))
		if len(header) > len(row) {
			row = append(row, text(l.AlsoMarked))
		}
		if err := out.Write(row); err != nil {
			return err
		}
	}
	out.Flush()
	return out.Error()
}

func writeSources(w io.Writer, lines []SourceLine, text func(string) string) error {
	out := csv.NewWriter(w)
	if err := out.Write(sourceHeader); err != nil {
		return err
	}
	row := make([]string, 0, len(sourceHeader))
	for _, l := range lines {
		row = append(row[:0],
			strconv.Itoa(l.Depth), text(l.Batch), text(l.MaterialLot), text(l.Material), text(l.MaterialName),
			text(l.Supplier), text(l.SupplierName), text(l.SupplierLot), text(l.ExpiresOn), l.Quantity.String(),
			text(l.SourceBatch), text(l.IntoLot), text(l.Unit), text(l.SourcePacking))
		if err := out.Write(row); err != nil {
			return err
		}
	}
	out.Flush()
	return out.Error()
}
