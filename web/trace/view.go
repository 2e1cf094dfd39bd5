package tracepages

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"github.com/shopspring/decimal"

	"example.org/stillroom/internal/day"
	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/measure"
	"example.org/stillroom/internal/quantity"
	"example.org/stillroom/internal/store"
	"example.org/stillroom/internal/trace"
	"example.org/stillroom/web/paths"
	"example.org/stillroom/web/ui"
)

type chooseView struct {
	Code, Way string
	Fault     *fault.Fault
}

// holder is a customer with the units that they may still hold.
type holder struct {
	Code, Name, Kind    string
	Email, Phone, Place string
	Units, Returned     int
	Packings            []string       // codes, those on the units
	Of                  map[string]int // how many are still held, by code
}

// Held is what was dispatched and did not come back.
func (h holder) Held() int { return h.Units - h.Returned }

// reachable tells whether the customer can be written to or called. Who bought at an event is not known by name.
func (h holder) reachable() bool {
	return h.Kind != "event" && (h.Email != "" || h.Phone != "" || h.Place != "")
}

type forwardView struct {
	store.TraceForward
	Path    string // of this trace
	Kind    string // lot, batch, supplier lot
	Holders []holder
	// MayRecall is the owner's: from a trace to a recall is one step.
	MayRecall bool
	paths     map[string][]string
	style     measure.Style
}

func newForwardView(style measure.Style, f forward, found store.TraceForward) forwardView {
	v := forwardView{style: style, TraceForward: found, Path: f.path, Kind: f.start.Kind, paths: trace.Paths(found.Origins, found.Edges)}
	index := map[string]int{}
	for _, l := range found.Lines {
		if l.Customer == "" {
			continue
		}
		at, ok := index[l.Customer]
		if !ok {
			at = len(v.Holders)
			index[l.Customer] = at
			v.Holders = append(v.Holders, holder{Code: l.Customer, Name: l.CustomerName, Kind: l.CustomerKind, Email: l.Email, Phone: l.Phone, Place: found.Addresses[l.Customer], Of: map[string]int{}})
		}
		h := &v.Holders[at]
		h.Units, h.Returned = h.Units+l.Units, h.Returned+l.Returned
		h.Of[l.Packing] += l.Units - l.Returned
		if !slices.Contains(h.Packings, l.Packing) {
			h.Packings = append(h.Packings, l.Packing)
		}
	}
	slices.SortFunc(v.Holders, func(a, b holder) int {
		return cmp.Or(-cmp.Compare(a.Held(), b.Held()), cmp.Compare(a.Name, b.Name), cmp.Compare(a.Code, b.Code))
	})
	return v
}

// what is traced, in words.
func (v forwardView) what() string {
	switch v.Kind {
	case "supplier lot":
		return "supplier's lot " + v.Origin.Code
	default:
		return v.Kind + " " + v.Origin.Code
	}
}

// recall is the form of a recall that starts from what is traced.
func (v forwardView) recall() string {
	if v.Kind == "supplier lot" {
		return paths.RecallFrom(v.Kind, v.Origin.Code, v.Deliveries[0].SupplierCode)
	}
	return paths.RecallFrom(v.Kind, v.Origin.Code, "")
}

func (v forwardView) heading() string {
	switch v.Kind {
	case "batch":
		return "Where this batch went"
	case "supplier lot":
		return "Where this supplier's lot went"
	default:
		return "Where this lot went"
	}
}

// about is one line on what is traced.
func (v forwardView) about() string {
	if v.Kind == "batch" {
		for _, b := range v.Batches {
			if b.Code == v.Origin.Code {
				return strings.TrimPrefix(v.Names[b.Code]+", made "+long(v.style, b.MadeOn), ", ")
			}
		}
		return ""
	}
	var parts []string
	for _, d := range v.Deliveries {
		words := d.Material
		if d.SupplierName != "" {
			words += ", " + d.SupplierName
		}
		if d.SupplierLot != "" {
			words += " lot " + d.SupplierLot
		}
		words += ", received " + v.style.Day(d.ReceivedOn)
		if len(v.Deliveries) > 1 {
			words = d.Code + ": " + words
		}
		parts = append(parts, words)
	}
	return strings.Join(parts, "; ")
}

// strip is the balance: every unit is here, with somebody, or not for sale.
func (v forwardView) strip() []ui.Cell {
	t := v.Totals
	onward := 0
	for _, b := range v.Batches {
		if b.Depth > 0 {
			onward++
		}
	}
	cells := []ui.Cell{{Title: count(t.Batches, "batch", "batches")}}
	if onward > 0 {
		cells[0].Detail = fmt.Sprintf("%d by way of another", onward)
	}
	made := ui.Cell{Title: count(t.UnitsGood, "unit", "units") + " made"}
	switch {
	case t.AccountedPct == nil:
		made.Detail = "nothing good was made"
	case *t.AccountedPct == 100:
		made.Detail = "all accounted for"
	default:
		made.Detail = fmt.Sprintf("%.1f %% accounted for", *t.AccountedPct)
	}
	if v.Retained > 0 {
		made.Detail += ", " + whole(v.Retained) + " kept back besides"
	}
	here := ui.Cell{Title: whole(t.UnitsOnHand) + " here", Detail: v.stopped()}
	reachable := 0
	for _, h := range v.Holders {
		if h.reachable() {
			reachable++
		}
	}
	out := ui.Cell{Title: whole(t.UnitsDispatched-t.UnitsReturned) + " with " + count(t.Customers, "customer", "customers")}
	if t.Customers > 0 {
		out.Detail = fmt.Sprintf("%d can be written to or called", reachable)
	}
	return append(cells, made, here, out, v.gone())
}

// stopped says how many of the units here may not leave, each unit once: what waits or was rejected needs no hold.
func (v forwardView) stopped() string {
	var waiting, rejected, held int
	for _, p := range v.Packings {
		switch p.Status {
		case "quarantined":
			waiting += p.OnHand()
		case "rejected":
			rejected += p.OnHand()
		default:
			held += p.Held
		}
	}
	var parts []string
	if held > 0 {
		parts = append(parts, whole(held)+" on hold")
	}
	if waiting > 0 {
		parts = append(parts, whole(waiting)+" in quarantine")
	}
	if rejected > 0 {
		parts = append(parts, whole(rejected)+" rejected")
	}
	if len(parts) == 0 {
		return "none on hold"
	}
	return strings.Join(parts, ", ")
}

// gone are units that are neither here nor with anybody. Retained ones were never among the good.
func (v forwardView) gone() ui.Cell {
	t := v.Totals
	moved := max(0, -t.UnitsMoved)
	var parts []string
	for _, p := range []struct {
		n     int
		words string
	}{{t.UnitsDestroyed, "destroyed"}, {t.UnitsUsed, "used in other batches"}, {moved, "left otherwise"}} {
		if p.n > 0 {
			parts = append(parts, whole(p.n)+" "+p.words)
		}
	}
	return ui.Cell{Title: whole(t.UnitsDestroyed+t.UnitsUsed+moved) + " gone", Detail: strings.Join(parts, ", ")}
}

// untied is how many units came back of which the dispatch is not known: they are on nobody's account below.
func (v forwardView) untied() int {
	n := v.Totals.UnitsReturned
	for _, h := range v.Holders {
		n -= h.Returned
	}
	return n
}

// way is by which batches a batch was reached, the origin's own left out.
func (v forwardView) way(code string) []string {
	path := v.paths[code]
	if len(path) < 2 {
		return nil
	}
	return path[:len(path)-1]
}

// tubs are the lots that were filled from the lots traced.
func (v forwardView) tubs() []string {
	return slices.DeleteFunc(slices.Clone(v.Lots), func(code string) bool {
		return slices.ContainsFunc(v.Deliveries, func(d store.Delivery) bool { return d.Code == code })
	})
}

// allDeliveries is the trace of all deliveries of the supplier's lot, where there are more.
func (v forwardView) allDeliveries() string {
	d := v.Deliveries[0]
	return paths.TraceSupplierLot(d.SupplierCode, d.SupplierLot)
}

func packingPath(packing string, v forwardView) string {
	for _, p := range v.Packings {
		if p.Code == packing && p.Code == p.Batch {
			return paths.Batch(packing)
		}
	}
	return paths.Packing(packing)
}

// kindWords are the kinds of customers.
var kindWords = map[string]string{"stockist": "stockist", "online": "online order", "event": "event", "direct": "direct"}

// stateOf is a batch's or packing's state as a mark and a word.
func stateOf(status string) (kind, word string) {
	switch status {
	case "released":
		return "good", "Released"
	case "quarantined":
		return "wait", "In quarantine"
	case "rejected":
		return "stop", "Rejected"
	case "void":
		return "stop", "Void"
	case "making":
		return "wait", "Being made"
	case "curing":
		return "wait", "Curing"
	default:
		return "wait", "Being packed"
	}
}

// level are the inputs of all batches at one depth.
type level struct {
	Title string
	Lines []trace.SourceLine
}

type sourcesView struct {
	store.TraceBackward
	Levels []level
	Path   string
}

func newSourcesView(found store.TraceBackward) sourcesView {
	v := sourcesView{TraceBackward: found, Path: paths.TraceSources(found.Origin.Code)}
	for i, l := range found.Lines {
		if i == 0 || l.Depth != found.Lines[i-1].Depth {
			title := "Went in directly"
			if l.Depth > 0 {
				title = "Went into those batches, " + count(l.Depth, "step", "steps") + " back"
			}
			v.Levels = append(v.Levels, level{Title: title})
		}
		last := &v.Levels[len(v.Levels)-1]
		last.Lines = append(last.Lines, l)
	}
	return v
}

// strip counts what is in it.
func (v sourcesView) strip() []ui.Cell {
	lots, batches, suppliers := map[string]bool{}, map[string]bool{}, map[string]bool{}
	for _, l := range v.Lines {
		lots[l.MaterialLot], batches[l.SourceBatch], suppliers[l.Supplier] = true, true, true
	}
	delete(lots, "")
	delete(batches, "")
	delete(suppliers, "")
	cells := []ui.Cell{{Title: count(len(lots), "lot", "lots"), Detail: "from " + count(len(suppliers), "supplier", "suppliers")}}
	if len(batches) > 0 {
		cells = append(cells, ui.Cell{Title: count(len(batches), "source batch", "source batches"), Detail: count(v.Levels[len(v.Levels)-1].depth(), "step", "steps") + " deep"})
	}
	return cells
}

func (l level) depth() int { return l.Lines[0].Depth }

func amount(style measure.Style, l trace.SourceLine) string {
	if l.Unit == "each" && l.SourceBatch != "" {
		return store.UnitCount(int(l.Quantity.IntPart()))
	}
	if l.Unit == "each" {
		return quantity.Format(l.Quantity)
	}
	return ui.Amount(style, l.Quantity, l.Unit)
}

// opens tells whether a line begins those of another batch or tub. What went straight into the page's own batch needs
// no such line.
func (l level) opens(i int) bool {
	line := l.Lines[i]
	if i == 0 {
		return line.Depth > 0 || line.IntoLot != ""
	}
	return line.Batch != l.Lines[i-1].Batch || line.IntoLot != l.Lines[i-1].IntoLot
}

// orMarked names what else stands on units of a packing: "or marked OB-26305-02T".
func (v forwardView) orMarked(packing string) string {
	codes := v.Also(packing)
	if len(codes) == 0 {
		return ""
	}
	return "or marked " + strings.Join(codes, ", ")
}

func upper(words string) string { return strings.ToUpper(words[:1]) + words[1:] }

// packed tells whether there is anything to count of a batch.
func packed(b trace.BatchRow) bool { return b.UnitsGood > 0 || b.UnitsDispatched > 0 }

// sums says how many units of each code a customer holds, where there are several.
func (h holder) sums(code string) string {
	if len(h.Packings) < 2 {
		return ""
	}
	return whole(h.Of[code]) + " of "
}

// long is an ISO date as pages write it; empty for none.
func long(style measure.Style, iso string) string {
	d, err := day.Parse(iso)
	if err != nil {
		return ""
	}
	return style.Day(d)
}

func dateOr(style measure.Style, iso, none string) string {
	return cmp.Or(long(style, iso), none)
}

func whole(n int) string { return quantity.Format(decimal.NewFromInt(int64(n))) }

func count(n int, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return whole(n) + " " + many
}
