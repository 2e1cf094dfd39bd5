package main

import (
	"bufio"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"slices"
	"strconv"
	"strings"
	"text/tabwriter"
	"unicode"

	"github.com/spf13/cobra"

	"example.org/stillroom/internal/store"
	"example.org/stillroom/internal/trace"
)

var formats = []string{"table", "csv", "json"}

func (p *program) traceCommand() *cobra.Command {
	var format string
	cmd := &cobra.Command{Use: "trace", Short: "Where a lot or a batch went, or what is in a batch", Args: cobra.ArbitraryArgs, RunE: needsCommand}
	cmd.PersistentFlags().StringVar(&format, "format", "table", "table, csv or json")
	one := func(use, short string, write func(context.Context, io.Writer, *store.Store, store.WorkshopID, string) error) *cobra.Command {
		return &cobra.Command{
			Use: use + " CODE", Short: short, Args: cobra.ExactArgs(1),
			RunE: p.does(func(ctx context.Context, args []string) error {
				if !slices.Contains(formats, format) {
					return wrong("--format: %q is none of table, csv, json", format)
				}
				return p.inWorkshop(ctx, func(_ *database, s *store.Store, w store.Workshop) error {
					out := bufio.NewWriter(p.out)
					if err := write(ctx, out, s, w.ID, args[0]); err != nil {
						return err
					}
					return out.Flush()
				})
			}),
		}
	}
	cmd.AddCommand(
		one("lot", "Every batch, unit and customer that a material lot reached", func(ctx context.Context, out io.Writer, s *store.Store, w store.WorkshopID, code string) error {
			found, err := s.TraceLot(ctx, w, code)
			if err != nil {
				return err
			}
			return writeForward(out, format, found)
		}),
		one("batch", "The same from one batch on", func(ctx context.Context, out io.Writer, s *store.Store, w store.WorkshopID, code string) error {
			found, err := s.TraceBatch(ctx, w, code)
			if err != nil {
				return err
			}
			return writeForward(out, format, found)
		}),
		one("sources", "Every material lot and source batch in a batch", func(ctx context.Context, out io.Writer, s *store.Store, w store.WorkshopID, code string) error {
			found, err := s.TraceSources(ctx, w, code)
			if err != nil {
				return err
			}
			return writeBackward(out, format, found.Backward)
		}),
	)
	return cmd
}

func writeJSON(out io.Writer, v any) error {
	e := json.NewEncoder(out)
	e.SetEscapeHTML(false)
	e.SetIndent("", "  ")
	return e.Encode(v)
}

func writeForward(out io.Writer, format string, found store.TraceForward) error {
	f := found.Forward
	switch format {
	case "json":
		return writeJSON(out, f)
	case "csv":
		return trace.CSV(out, f.Lines)
	}
	t := newTable(out, "BATCH", "PRODUCT", "MADE", "BEST BEFORE", "STATUS", "STEPS", "GOOD", "ON HAND", "SENT", "CAME BACK", "USED")
	for _, b := range f.Batches {
		t.row(b.Code, b.Product, b.MadeOn, b.BestBefore, b.Status, strconv.Itoa(b.Depth), strconv.Itoa(b.UnitsGood), strconv.Itoa(b.UnitsOnHand), strconv.Itoa(b.UnitsDispatched), strconv.Itoa(b.UnitsReturned), strconv.Itoa(b.UnitsUsed))
	}
	t.gap("PACKING", "PRODUCT", "UNITS", "CAME BACK", "WHERE", "CUSTOMER", "E-MAIL", "PHONE", "DISPATCH", "SENT ON")
	for _, l := range f.Lines {
		t.row(l.Packing, l.ProductName, strconv.Itoa(l.Units), strconv.Itoa(l.Returned), l.CustomerKind, l.CustomerName, l.Email, l.Phone, l.Dispatch, l.DispatchedOn)
	}
	accounted := "nothing good was made"
	if pct := f.Totals.AccountedPct; pct != nil {
		accounted = strconv.FormatFloat(*pct, 'f', 1, 64) + " % accounted for"
	}
	used := ""
	if f.Totals.UnitsUsed > 0 {
		used = fmt.Sprintf(", %d used in other batches", f.Totals.UnitsUsed)
	}
	t.gap(fmt.Sprintf("%s, %s; %d good, %d on hand, %d sent, %d came back%s: %s",
		counted(f.Totals.Batches, "batch", "batches"), counted(f.Totals.Customers, "customer", "customers"), f.Totals.UnitsGood, f.Totals.UnitsOnHand, f.Totals.UnitsDispatched, f.Totals.UnitsReturned, used, accounted))
	for _, u := range found.Marked {
		t.row(fmt.Sprintf("Note: %s of %s also bear the code %s (%s).", u.Count(), u.Packing, u.Code, u.How()))
	}
	for _, u := range found.Strangers {
		t.row(fmt.Sprintf("Note: the code %s also stands on %s of %s (%s), which are not part of this trace.", u.Code, u.Count(), u.Packing, u.How()))
	}
	return t.Flush()
}

func writeBackward(out io.Writer, format string, b trace.Backward) error {
	switch format {
	case "json":
		return writeJSON(out, b)
	case "csv":
		return trace.SourcesCSV(out, b.Lines)
	}
	t := newTable(out, "STEPS", "INTO", "LOT", "MATERIAL", "SUPPLIER", "SUPPLIER'S LOT", "EXPIRES", "QUANTITY", "UNIT")
	for _, l := range b.Lines {
		from, into := l.MaterialLot, l.Batch
		if l.SourceBatch != "" {
			from = "batch " + l.SourceBatch
		}
		if l.SourcePacking != "" {
			from = "units of " + l.SourcePacking
		}
		if l.IntoLot != "" {
			into = "lot " + l.IntoLot
		}
		t.row(strconv.Itoa(l.Depth), into, from, l.MaterialName, l.SupplierName, l.SupplierLot, l.ExpiresOn, l.Quantity.String(), l.Unit)
	}
	return t.Flush()
}

// table is for eyes at a terminal.
type table struct{ *tabwriter.Writer }

func newTable(out io.Writer, heads ...string) table {
	t := table{tabwriter.NewWriter(out, 0, 0, 2, ' ', 0)}
	t.row(heads...)
	return t
}

// row writes cells. What would break the table, or tell the terminal something, is shown as a mark. Errors are the
// buffer's, which Flush answers.
func (t table) row(cells ...string) {
	for i, cell := range cells {
		cells[i] = visible(cell)
	}
	_, _ = io.WriteString(t, strings.TrimRight(strings.Join(cells, "\t"), "\t")+"\n")
}

// visible is text for a terminal: what would tell it something is shown as a mark.
func visible(s string) string {
	return strings.Map(func(r rune) rune {
		if unicode.IsControl(r) || unicode.Is(unicode.Cf, r) {
			return '\u00b7'
		}
		return r
	}, s)
}

// gap begins a part with columns of its own.
func (t table) gap(heads ...string) {
	_, _ = io.WriteString(t, "\n")
	t.row(heads...)
}

func counted(n int, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return fmt.Sprintf("%d %s", n, many)
}
