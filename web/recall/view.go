package recallpages

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
	"example.org/stillroom/web/paths"
	"example.org/stillroom/web/ui"
)

// levels are how far a recall reaches. Common practice, no source.
var levels = []ui.Option{
	{Value: "consumer", Label: "From consumers", Hint: "Units come back from whoever has one. Customers known by name are told, the others by public notice."},
	{Value: "stockist", Label: "From stockists", Hint: "Shops and others who sell on take it off the shelf and send it back. Buyers are not asked."},
	{Value: "stock", Label: "Own stock only", Hint: "Nothing is asked back. What is here may not leave or be used."},
}

func levelWords(level string) string {
	for _, o := range levels {
		if o.Value == level {
			return o.Label
		}
	}
	return level
}

// held is units of one packing that a customer was sent.
type held struct {
	Packing, Also        string
	Units, Returned, Now int // sent; had come back when frozen; have come back by now
	Gone                 bool
}

// Left is what may still be there.
func (h held) Left() int { return max(0, h.Units-h.Now) }

// holder is a customer of the frozen list, with the units sent by packing.
type holder struct {
	Code, Name, Kind    string
	Email, Phone, Place string
	Of                  []held
	Days                []string // ISO dates of the dispatches
}

func (h holder) Units() (n int) {
	for _, p := range h.Of {
		n += p.Units
	}
	return n
}

// mostCodes is how many packings of one customer the page shows; the list has all.
const mostCodes = 20

// shown are the packings that the page shows.
func (h holder) shown() []held { return h.Of[:min(len(h.Of), mostCodes)] }

// Left is what may still be there.
func (h holder) Left() (n int) {
	for _, p := range h.Of {
		n += p.Left()
	}
	return n
}

// reachable tells whether the customer can be written to or called, as store.RecallSums counts them. Who bought at an event
// is not known by name.
func (h holder) reachable() bool {
	return h.Kind != "event" && (h.Email != "" || h.Phone != "" || h.Place != "")
}

// holdersOf sums a list by customer and packing; who may still have most comes first.
func holdersOf(lines []store.RecallLine) []holder {
	index := map[string]int{}
	var list []holder
	for _, l := range lines {
		at, known := index[l.Customer]
		if !known {
			at = len(list)
			index[l.Customer] = at
			list = append(list, holder{Code: l.Customer, Name: l.CustomerName, Kind: l.CustomerKind, Email: l.Email, Phone: l.Phone, Place: l.Address})
		}
		h := &list[at]
		if !slices.Contains(h.Days, l.DispatchedOn) {
			h.Days = append(h.Days, l.DispatchedOn)
		}
		i := slices.IndexFunc(h.Of, func(p held) bool { return p.Packing == l.Packing })
		if i < 0 {
			i = len(h.Of)
			h.Of = append(h.Of, held{Packing: l.Packing, Also: l.AlsoMarked})
		}
		p := &h.Of[i]
		p.Units, p.Returned, p.Now, p.Gone = p.Units+l.Units, p.Returned+l.Returned, p.Now+min(l.Units, l.ReturnedNow), p.Gone || l.Gone
	}
	slices.SortStableFunc(list, func(a, b holder) int {
		return cmp.Or(-cmp.Compare(a.Left(), b.Left()), cmp.Compare(a.Name, b.Name), cmp.Compare(a.Code, b.Code))
	})
	return list
}

// pages are the links of the lists of a recall's page.
type pages struct{ Stock, Places, Lots, Batches, Customers ui.Pages }

type recallView struct {
	store.RecallPage
	Pages               pages
	At                  string // which pages are shown, for the address of the form that counts
	Lines               []store.RecallLine
	Holders             []holder // known by name
	Events              []holder
	Since               store.RecallSince
	Clock               ui.Clock
	MayRecall, MayCount bool
	Counted             []string // as typed, by the index of Here
	Key                 string   // of the counts
	Fault               *fault.Fault
	style               measure.Style
}

func newRecallView(style measure.Style, page store.RecallPage, lines []store.RecallLine) recallView {
	v := recallView{RecallPage: page, Lines: lines, Key: ui.NewKey(), style: style}
	for _, h := range holdersOf(lines) {
		if h.Kind == "event" {
			v.Events = append(v.Events, h)
		} else {
			v.Holders = append(v.Holders, h)
		}
	}
	for _, p := range v.Here() {
		counted := ""
		if p.Counted != nil {
			counted = fmt.Sprint(*p.Counted)
		}
		v.Counted = append(v.Counted, counted)
	}
	return v
}

// Here are the packings that units are or were here of: those that somebody goes and counts.
func (v recallView) Here() []store.RecallPacking {
	var list []store.RecallPacking
	for _, p := range v.Packings {
		if p.OnHand > 0 || p.OnHandNow > 0 || p.Counted != nil {
			list = append(list, p)
		}
	}
	return list
}

// since says when and by whom it was opened.
func (v recallView) since() string {
	words := levelWords(v.Level) + ". Opened " + v.Clock.Time(v.OpenedAt) + " by " + v.OpenedBy
	if v.ClosedAt != nil {
		words += ", closed " + v.Clock.Time(*v.ClosedAt)
	}
	return words
}

// strip is where the units of the whole scope are.
func (v recallView) strip() []ui.Cell {
	u := v.Sums
	cells := []ui.Cell{
		{Title: count(u.Made, "unit", "units") + " made", Detail: count(u.Packings, "packing", "packings") + " of " + count(u.Batches, "batch", "batches")},
		{Title: whole(u.OnHand) + " here", Detail: whole(min(u.Held, u.OnHand)) + " blocked", Now: true},
		{Title: whole(max(0, u.Dispatched-u.Returned)) + " with customers", Detail: whole(u.Returned) + " came back"},
	}
	if u.Gone > 0 {
		cells = append(cells, ui.Cell{Title: whole(u.Gone) + " gone", Detail: "destroyed, used or left otherwise"})
	}
	return append(cells, ui.Cell{Title: count(u.Known+u.Events, "customer", "customers"), Detail: whole(u.Reachable) + " can be written to or called"})
}

// places says where units of a packing lie apart from the shelf.
func (v recallView) places(packing string) []store.RecallPlace {
	var list []store.RecallPlace
	for _, p := range v.Places {
		if p.Packing == packing {
			list = append(list, p)
		}
	}
	return list
}

// shelf is what of a packing is on hand and in no crate.
func (v recallView) shelf(p store.RecallPacking) int { return max(0, p.OnHandNow-p.Crated) }

// apart are places away from the shelf, of all packings.
func (v recallView) apart() bool { return len(v.Places) > 0 }

func placeWords(style measure.Style, p store.RecallPlace) string {
	switch p.Kind {
	case "packing":
		return "in crate " + p.Code + ", being packed for " + p.Name
	case "away":
		return "away in crate " + p.Code + " at " + p.Name + ", " + long(style, p.On)
	}
	return "retained sample, " + p.Name
}

func placePath(p store.RecallPlace) string {
	if p.Kind == "sample" {
		return paths.Sample(p.Code)
	}
	return paths.Crate(p.Code)
}

// countedWords tells how a count stands against the book.
func countedWords(p store.RecallPacking) string {
	if p.Counted == nil {
		return ""
	}
	switch d := *p.Counted - p.OnHandNow; {
	case d == 0:
		return "as in the book"
	case d > 0:
		return whole(d) + " more than in the book"
	default:
		return whole(-d) + " fewer than in the book"
	}
}

// from says what it started from, each thing once.
func (v recallView) from() []origin {
	var list []origin
	for _, o := range v.Origins {
		words := o.Said
		switch {
		case o.Kind == "complaint" && o.Complaint > 0:
			words = fmt.Sprintf("complaint C-%d", o.Complaint)
		case o.Kind == "supplier_lot":
			words = "supplier's lot " + o.Said
		case o.Said == o.Code:
			words = ""
		}
		list = append(list, origin{Node: o.Node, Code: o.Code, Words: words})
	}
	return list
}

type origin struct{ Node, Code, Words string }

// tracePath is the trace of a lot, batch or packing.
func tracePath(node, code string) string {
	if node == "lot" {
		return paths.TraceLot(code)
	}
	return paths.TraceBatch(code)
}

func nodePath(node, code string) string {
	switch node {
	case "lot":
		return paths.Lot(code)
	case "batch":
		return paths.Batch(code)
	}
	return paths.Packing(code)
}

// kindWords are the kinds of customers.
var kindWords = map[string]string{"stockist": "stockist", "online": "online order", "event": "event", "direct": "direct"}

// days are the dates of dispatches, in words.
func (h holder) days(style measure.Style) string {
	list := slices.Clone(h.Days)
	slices.Sort(list)
	for i := range list {
		list[i] = long(style, list[i])
	}
	return strings.Join(list, "; ")
}

func onHand(style measure.Style, n store.RecallNode) string {
	if n.Unit == "" {
		return ""
	}
	return ui.Amount(style, n.OnHand, n.Unit)
}

// printed is the date as it stands on the label, else the best-before.
func printed(style measure.Style, p store.RecallPacking) string {
	switch {
	case p.Printed != "":
		return p.Printed
	case !p.BestBefore.IsZero():
		return style.Day(p.BestBefore)
	}
	return "no date"
}

// long is an ISO date as pages write it; empty for none.
func long(style measure.Style, iso string) string {
	d, err := day.Parse(iso)
	if err != nil {
		return ""
	}
	return style.Day(d)
}

func whole(n int) string { return quantity.Format(decimal.NewFromInt(int64(n))) }

func count(n int, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return whole(n) + " " + many
}

// alsoWords names what else stands on units of a packing.
func alsoWords(also string) string {
	if also == "" {
		return ""
	}
	return "or marked " + also
}
