package trace

import (
	"encoding/json"

	"github.com/shopspring/decimal"
)

// Origin is what a trace starts from; Kind is "lot" or "batch".
type Origin struct {
	Kind string `json:"kind"`
	Code string `json:"code"`
}

// BatchRow is one affected batch, as `trace lot` and `trace batch` give it in JSON. Dates are ISO 8601 or empty.
type BatchRow struct {
	Code            string `json:"code"`
	Product         string `json:"product"`
	MadeOn          string `json:"made_on"`
	BestBefore      string `json:"best_before"`
	Status          string `json:"status"`
	Depth           int    `json:"depth"`
	UnitsGood       int    `json:"units_good"`
	UnitsOnHand     int    `json:"units_on_hand"`
	UnitsDispatched int    `json:"units_dispatched"`
	UnitsReturned   int    `json:"units_returned"`
	UnitsDestroyed  int    `json:"units_destroyed"`
	UnitsUsed       int    `json:"units_used"`
	UnitsMoved      int    `json:"units_moved"` // signed like unit moves: negative where units left
}

// WithUnits gives the row with its counts filled from the ledger, on hand computed.
func (r BatchRow) WithUnits(u Units) BatchRow {
	r.UnitsGood = u.Good
	r.UnitsOnHand = OnHand(u)
	r.UnitsDispatched = u.Dispatched
	r.UnitsReturned = u.Returned
	r.UnitsDestroyed = u.Destroyed
	r.UnitsUsed = u.Used
	r.UnitsMoved = u.Moved
	return r
}

// Line is one dispatch line of an affected batch, or its stock on hand (Customer and Dispatch empty, CustomerKind
// OnHandKind): the columns of the interchange's `trace lot` and `trace batch`, in their order.
type Line struct {
	Batch        string `json:"batch"` // the batch's code; the packing's is Packing
	Product      string `json:"product"`
	ProductName  string `json:"product_name"`
	MadeOn       string `json:"made_on"`
	BestBefore   string `json:"best_before"`
	Units        int    `json:"units"`    // as dispatched, or on hand
	Returned     int    `json:"returned"` // what came back of them
	Customer     string `json:"customer"`
	CustomerName string `json:"customer_name"`
	CustomerKind string `json:"customer_kind"`
	Email        string `json:"email"`
	Phone        string `json:"phone"`
	Dispatch     string `json:"dispatch"`
	DispatchedOn string `json:"dispatched_on"`
	Packing      string `json:"packing"`
	// AlsoMarked are other codes than the packing's own that stand on units of it, with a space between. It is told on
	// lists for people, and is no column of the interchange.
	AlsoMarked string `json:"-"`
}

// OnHandKind is the customer_kind of a line that is stock still held.
const OnHandKind = "on hand"

// Totals are the sums over all affected batches. AccountedPct is nil, null in JSON, where nothing good was made.
type Totals struct {
	Batches         int      `json:"batches"`
	Customers       int      `json:"customers"`
	UnitsGood       int      `json:"units_good"`
	UnitsOnHand     int      `json:"units_on_hand"`
	UnitsDispatched int      `json:"units_dispatched"`
	UnitsReturned   int      `json:"units_returned"`
	UnitsDestroyed  int      `json:"units_destroyed"`
	UnitsUsed       int      `json:"units_used"`
	UnitsMoved      int      `json:"units_moved"`
	AccountedPct    *float64 `json:"accounted_pct"`
}

// Total adds the rows up. The number of customers is given, since a page counts them without reading the lines;
// Customers counts them where the lines are there.
func Total(rows []BatchRow, customers int) Totals {
	t := Totals{Batches: len(rows), Customers: customers}
	for _, r := range rows {
		t.UnitsGood += r.UnitsGood
		t.UnitsOnHand += r.UnitsOnHand
		t.UnitsDispatched += r.UnitsDispatched
		t.UnitsReturned += r.UnitsReturned
		t.UnitsDestroyed += r.UnitsDestroyed
		t.UnitsUsed += r.UnitsUsed
		t.UnitsMoved += r.UnitsMoved
	}
	pct, ok := accounted(t.UnitsGood, t.UnitsOnHand, t.UnitsDispatched, t.UnitsReturned, t.UnitsDestroyed, t.UnitsUsed,
		t.UnitsMoved)
	if ok {
		t.AccountedPct = &pct
	}
	return t
}

// Customers counts the different customers among the lines; stock on hand has none.
func Customers(lines []Line) int {
	seen := map[string]bool{}
	for _, l := range lines {
		if l.Customer != "" {
			seen[l.Customer] = true
		}
	}
	return len(seen)
}

// Forward is the whole answer of `trace lot` and `trace batch`, in the interchange's JSON.
type Forward struct {
	Origin  Origin     `json:"origin"`
	Batches []BatchRow `json:"batches"`
	Lines   []Line     `json:"lines"`
	Totals  Totals     `json:"totals"`
}

// NewForward makes the answer from rows and lines in the order given. Empty lists are [] in JSON, never null.
func NewForward(origin Origin, rows []BatchRow, lines []Line) Forward {
	if rows == nil {
		rows = []BatchRow{}
	}
	if lines == nil {
		lines = []Line{}
	}
	return Forward{Origin: origin, Batches: rows, Lines: lines, Totals: Total(rows, Customers(lines))}
}

// SourceLine is one input on the way back from a batch: the columns of the interchange's `trace sources`, in their
// order, then four of our own at the end of the row, which say what an input is that came by way of another.
type SourceLine struct {
	Depth        int             `json:"depth"` // steps from the batch asked for, which is 0
	Batch        string          `json:"batch"` // the batch that the input went into
	MaterialLot  string          `json:"material_lot"`
	Material     string          `json:"material"`
	MaterialName string          `json:"material_name"`
	Supplier     string          `json:"supplier"`
	SupplierName string          `json:"supplier_name"`
	SupplierLot  string          `json:"supplier_lot"`
	ExpiresOn    string          `json:"expires_on"`
	Quantity     decimal.Decimal `json:"quantity"`     // a bare number in JSON, every digit kept
	SourceBatch  string          `json:"source_batch"` // set in place of MaterialLot where the input is a batch
	IntoLot      string          `json:"into_lot"`     // the tub that the lot was filled into, where it was
	Unit         string          `json:"unit"`         // g, ml or each
	// SourcePacking is the packing of SourceBatch that units came from, such as those in a set.
	SourcePacking string `json:"source_packing"`
}

// MarshalJSON writes the quantity as a number; decimal's own way is a string.
func (l SourceLine) MarshalJSON() ([]byte, error) {
	type plain SourceLine
	return json.Marshal(struct {
		plain
		Quantity json.Number `json:"quantity"`
	}{plain(l), json.Number(l.Quantity.String())})
}

// Backward is the whole answer of `trace sources` in JSON.
type Backward struct {
	Origin Origin       `json:"origin"`
	Lines  []SourceLine `json:"lines"`
}

// NewBackward makes the answer from lines in the order given. An empty list is [] in JSON, never null.
func NewBackward(origin Origin, lines []SourceLine) Backward {
	if lines == nil {
		lines = []SourceLine{}
	}
	return Backward{Origin: origin, Lines: lines}
}
