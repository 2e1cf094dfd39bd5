// Package drill judges a drill of a recall: how long the full list took against the workshop's own target, how much of
// what was made is accounted for once the shelf was counted, and what the book could not say.
//
// What a drill is held to: SQF Code 2.6.2 asks for a test of traceability at least once a year, both ways (read as quoted at
// ifsqn.com). Schemes for food use 4 hours from start to full list (BRCGS Food: read only in a forum's question; the
// rest from memory). Regulation (EC) 1223/2009 sets no hour limit for cosmetics (from memory). So the target is the
// workshop's own, and a yearly drill is common practice.
package drill

import (
	"fmt"
	"time"

	"example.org/stillroom/internal/day"
	"example.org/stillroom/internal/trace"
)

// Packing is a packing in the scope of a drill: its ledger and what was on hand by the book when the drill began, and what
// was found on the shelf. Book is what the book said at the moment of the count: a drill blocks nothing, so that units
// may have left since it began.
type Packing struct {
	Code    string
	Units   trace.Units
	OnHand  int
	Counted *int
	Book    int
}

// Off is how many units more were found than the book said, negative where some are missing; 0 where nobody counted.
func (p Packing) Off() int {
	if p.Counted == nil {
		return 0
	}
	return *p.Counted - p.Book
}

// Found is what is on hand: as counted where it was, else as the book says.
func (p Packing) Found() int { return p.OnHand + p.Off() }

// Customer is somebody who was sent units of it.
type Customer struct {
	Code, Name, Kind string // stockist, online, event, direct
	Units            int
	Reachable        bool // the book has an address, a telephone number or an e-mail address
}

// Lot is a lot of material in the scope.
type Lot struct {
	Code        string
	Tub         bool // filled from other lots here, so that it has no supplier
	Supplier    bool
	SupplierLot bool
}

// Batch is a batch in the scope; Inputs tells whether the book knows any lot or batch that went into it.
type Batch struct {
	Code   string
	Inputs bool
}

// Scope is what a drill covers.
type Scope struct {
	Packings  []Packing
	Customers []Customer
	Lots      []Lot
	Batches   []Batch
}

// Result is what a drill has shown.
type Result struct {
	Good        int // units made
	Accounted   int // of those, that the book and the shelf can tell of
	Pct         float64
	Known       bool // something good was made; else there is no percentage
	Missing     int  // units that the book has and nobody found
	TooMany     int  // units that were found and the book has not
	Uncounted   int  // packings with units on hand by the book that nobody counted
	ToEvents    int  // units sold to buyers who are not known by name
	Gaps        []Gap
	Unreachable int // customers whom nothing in the book leads to
}

// Gap is something that the drill brought to light.
type Gap struct {
	Key   string // missing, too_many, uncounted, ledger, unreachable, events, lots, inputs
	Name  string
	Words string
	Items []Item
}

// Item is one of the things a gap is about: a code with a word beside it.
type Item struct {
	Kind  string // packing, customer, lot, batch
	Code  string
	Words string
}

// Judge adds up what the scope shows.
func Judge(s Scope) Result {
	var r Result
	var sum trace.Units
	found := 0
	missing, tooMany := Gap{Key: "missing", Name: "Units not found"}, Gap{Key: "too_many", Name: "Units too many"}
	uncounted, ledger := Gap{Key: "uncounted", Name: "Not counted"}, Gap{Key: "ledger", Name: "Ledger does not add up"}
	for _, p := range s.Packings {
		sum = sum.Add(p.Units)
		found += p.Found()
		item := Item{Kind: "packing", Code: p.Code}
		switch off := p.Off(); {
		case off < 0:
			r.Missing -= off
			item.Words = fmt.Sprintf("%d found, %d by the book", *p.Counted, p.Book)
			missing.Items = append(missing.Items, item)
		case off > 0:
			r.TooMany += off
			item.Words = fmt.Sprintf("%d found, %d by the book", *p.Counted, p.Book)
			tooMany.Items = append(tooMany.Items, item)
		case p.Counted == nil && p.OnHand > 0:
			item.Words = count(p.OnHand, "unit", "units") + " by the book"
			uncounted.Items = append(uncounted.Items, item)
		}
		if pct, ok := trace.AccountedPct(p.Units); ok && pct != 100 {
			item.Words = fmt.Sprintf("%.1f %% by its ledger", pct)
			ledger.Items = append(ledger.Items, item)
		}
	}
	r.Good, r.Uncounted = sum.Good, len(uncounted.Items)
	r.Pct, r.Known = trace.AccountedCounted(sum, found)
	r.Accounted = found + sum.Dispatched - sum.Returned + sum.Destroyed + sum.Used - sum.Moved
	missing.Words = count(r.Missing, "unit that the book has was not found", "units that the book has were not found") + "."
	tooMany.Words = count(r.TooMany, "unit more was found than the book has", "units more were found than the book has") + "."
	uncounted.Words = count(r.Uncounted, "packing with units on hand was not counted", "packings with units on hand were not counted") + "."
	ledger.Words = count(len(ledger.Items), "packing has a ledger that does not add up", "packings have a ledger that does not add up") + "."
	r.add(missing, tooMany, uncounted, ledger)
	r.people(s.Customers)
	r.sources(s.Lots, s.Batches)
	return r
}

func (r *Result) add(gaps ...Gap) {
	for _, g := range gaps {
		if len(g.Items) > 0 {
			r.Gaps = append(r.Gaps, g)
		}
	}
}

// people finds who could not be told.
func (r *Result) people(list []Customer) {
	none, events := Gap{Key: "unreachable", Name: "Nothing to reach them by"}, Gap{Key: "events", Name: "Buyers not known by name"}
	for _, c := range list {
		item := Item{Kind: "customer", Code: c.Code, Words: c.Name + ", " + count(c.Units, "unit", "units")}
		switch {
		case c.Kind == "event":
			r.ToEvents += c.Units
			events.Items = append(events.Items, item)
		case !c.Reachable:
			none.Items = append(none.Items, item)
		}
	}
	r.Unreachable = len(none.Items)
	none.Words = count(r.Unreachable, "customer has no address, telephone number or e-mail address in the book", "customers have no address, telephone number or e-mail address in the book") + "."
	events.Words = count(r.ToEvents, "unit was", "units were") + " sold at events: only a public notice reaches those buyers."
	r.add(none, events)
}

// sources finds where the way back to a supplier ends.
func (r *Result) sources(lots []Lot, batches []Batch) {
	g, h := Gap{Key: "lots", Name: "No way back to the supplier"}, Gap{Key: "inputs", Name: "Nothing is known of what went in"}
	for _, l := range lots {
		item := Item{Kind: "lot", Code: l.Code}
		switch {
		case l.Tub:
			continue
		case !l.Supplier && !l.SupplierLot:
			item.Words = "no supplier and no supplier's lot"
		case !l.Supplier:
			item.Words = "no supplier"
		case !l.SupplierLot:
			item.Words = "no supplier's lot"
		default:
			continue
		}
		g.Items = append(g.Items, item)
	}
	for _, b := range batches {
		if !b.Inputs {
			h.Items = append(h.Items, Item{Kind: "batch", Code: b.Code})
		}
	}
	g.Words = count(len(g.Items), "lot has no supplier, or no lot number of the supplier's", "lots have no supplier, or no lot number of the supplier's") + "."
	h.Words = count(len(h.Items), "batch has no lot that went into it", "batches have no lot that went into them") + "."
	r.add(g, h)
}

// Took is a length of time in words: "1 h 50 min", "45 min", "less than a minute".
func Took(d time.Duration) string {
	minutes := int(d / time.Minute)
	switch {
	case minutes < 1:
		return "less than a minute"
	case minutes < 60:
		return fmt.Sprintf("%d min", minutes)
	case minutes%60 == 0:
		return fmt.Sprintf("%d h", minutes/60)
	}
	return fmt.Sprintf("%d h %d min", minutes/60, minutes%60)
}

// InTime tells whether the list was complete within so many minutes.
func InTime(took time.Duration, targetMinutes int) bool {
	return took <= time.Duration(targetMinutes)*time.Minute
}

// Due tells whether it is time for a drill: the last one began a year ago or longer, or there never was one and the first
// dispatch is as old. Nothing is due before anything was dispatched.
func Due(last, firstDispatch, today day.Day) bool {
	since := last
	if since.IsZero() {
		since = firstDispatch
	}
	return !since.IsZero() && !since.AddMonths(12).After(today)
}

func count(n int, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return fmt.Sprintf("%d %s", n, many)
}
