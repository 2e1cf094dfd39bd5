// Package order is what to order, and what bulk to make first, for all that is planned and begun.
package order

import (
	"bytes"
	"encoding/csv"
	"io"
	"net/http"
	"strings"

	"github.com/shopspring/decimal"

	"example.org/stillroom/internal/access"
	"example.org/stillroom/internal/measure"
	"example.org/stillroom/internal/quantity"
	"example.org/stillroom/internal/store"
	"example.org/stillroom/internal/trace"
	"example.org/stillroom/web/ui"
)

// Area serves the pages of what to order.
type Area struct{ Store *store.Store }

// Order shows it, to read and to print.
func (a Area) Order(r *ui.Request) error {
	found, err := a.Store.Order(r.HTTP.Context(), r.Who.Workshop)
	if err != nil {
		return err
	}
	v := view{Order: found, Style: r.Workshop.Style, MayPlan: r.May(access.Bench), MayReceive: r.May(access.Receive)}
	return r.Render(http.StatusOK, r.Page("What to order", "materials"), page(v))
}

// CSV is the same for a spreadsheet.
func (a Area) CSV(r *ui.Request) error {
	found, err := a.Store.Order(r.HTTP.Context(), r.Who.Workshop)
	if err != nil {
		return err
	}
	// Written into memory first: half a list must not look like a whole one.
	var body bytes.Buffer
	if err := writeCSV(&body, found); err != nil {
		return err
	}
	h := r.W.Header()
	h.Set("Content-Type", "text/csv; charset=utf-8")
	h.Set("Content-Disposition", `attachment; filename="order-`+found.Today.String()+`.csv"`)
	_, err = body.WriteTo(r.W)
	return err
}

var header = []string{"kind", "code", "name", "unit", "needed", "usable", "in_quarantine", "missing", "supplier", "supplier_name", "last_delivery", "last_delivered_on", "unit_cost", "other_suppliers"}

// writeCSV writes a row a material, what is missing first; the supplier is the one it came from last. It is a list for
// people, who open it in a spreadsheet: trace.Guard on every text, and bare numbers in the book's own unit.
func writeCSV(w io.Writer, o store.Order) error {
	out := csv.NewWriter(w)
	if err := out.Write(header); err != nil {
		return err
	}
	for _, l := range o.Lines {
		var last store.LastDelivery
		var others []string
		for i, d := range l.Last {
			if i == 0 {
				last = d
			} else if d.SupplierName != "" {
				others = append(others, d.SupplierName)
			}
		}
		delivered := ""
		if last.Lot != "" {
			delivered = quantity.Plain(last.Quantity)
		}
		if err := out.Write([]string{
			l.Kind, trace.Guard(l.Code), trace.Guard(l.Name), l.Unit, quantity.Plain(l.Needed), quantity.Plain(l.Usable), quantity.Plain(l.Waiting), quantity.Plain(l.Missing),
			trace.Guard(last.Supplier), trace.Guard(last.SupplierName), delivered, last.On.String(), orNone(last.UnitCost), trace.Guard(strings.Join(others, "; ")),
		}); err != nil {
			return err
		}
	}
	out.Flush()
	return out.Error()
}

func orNone(d decimal.NullDecimal) string {
	if !d.Valid {
		return ""
	}
	return quantity.Plain(d.Decimal)
}

type view struct {
	store.Order
	Style               measure.Style
	MayPlan, MayReceive bool
}

func (v view) amount(d decimal.Decimal, unit string) string { return ui.Amount(v.Style, d, unit) }

// missing are the lines that go short: of bulk, or of what is bought.
func (v view) missing(bulk bool) []store.OrderLine {
	var list []store.OrderLine
	for _, l := range v.Missing() {
		if (l.Kind == "bulk") == bulk {
			list = append(list, l)
		}
	}
	return list
}

// enough are the lines of which there is enough.
func (v view) enough() []store.OrderLine {
	return v.Lines[len(v.Missing()):]
}

// about is what there is to say beyond the numbers.
func (v view) about(l store.OrderLine) []string {
	var list []string
	if l.Waiting.IsPositive() {
		list = append(list, v.amount(l.Waiting, l.Unit)+" waits in quarantine")
	}
	for _, p := range l.Coming {
		list = append(list, v.amount(p.Amount, l.Unit)+" is planned for "+v.Style.Day(p.On))
	}
	for _, s := range l.TooSoon {
		list = append(list, s.Code+" ("+v.amount(s.Left, l.Unit)+") runs out on "+v.Style.Day(s.Until)+", before it is needed")
	}
	return list
}

// by says who needs it: "Oat balm on 14 Mar 2026:", with how much behind it.
func (v view) by(n store.NeededBy) string {
	if n.Batch != "" {
		return n.Name + ", started:"
	}
	return n.Name + " on " + v.Style.Day(n.On) + ":"
}

// delivered is what a supplier brought last.
func (v view) delivered(l store.OrderLine, d store.LastDelivery) string {
	words := v.amount(d.Quantity, l.Unit)
	if d.Typed != "" {
		words += " (" + d.Typed + ")"
	}
	words += " on " + v.Style.Day(d.On)
	if d.UnitCost.Valid {
		each := l.Unit
		if each == "each" {
			each = "piece"
		}
		words += ", " + quantity.Format(d.UnitCost.Decimal) + " a " + each
	}
	return words
}

// sub says what was added up.
func (v view) sub() string {
	return "For " + counted(v.Plans, "plan", "plans") + " and " + counted(v.Batches, "started batch", "started batches") + ", on " + v.Style.Day(v.Today) + "."
}

func counted(n int, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return quantity.Format(decimal.NewFromInt(int64(n))) + " " + many
}
