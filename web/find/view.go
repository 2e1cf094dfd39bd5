package find

import (
	"fmt"
	"slices"
	"strconv"
	"strings"

	"example.org/stillroom/internal/day"
	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/measure"
	"example.org/stillroom/internal/store"
	"example.org/stillroom/web/ui"
)

type findView struct {
	store.Found
	Repeated []store.SupplierLot // suppliers' lots of this number that came more than once
}

// title is the page's heading: what there is to do about what was found.
func (v findView) title() string {
	switch {
	case v.Query == "":
		return "Find"
	case v.Exact != nil && len(v.Exact.Also) > 0 && v.Exact.Leads() == 1:
		return "This code stands on units of one packing by mistake"
	case v.Exact != nil && len(v.Exact.Also) > 0:
		return "This code stands on units of " + strconv.Itoa(v.Exact.Leads()) + " packings"
	case v.Exact != nil:
		return "Is it this one?"
	case len(v.Near) > 0:
		return "Which one was meant?"
	case len(v.Groups) > 0:
		return "Found for “" + v.Query + "”"
	default:
		return "Nothing found for “" + v.Query + "”"
	}
}

// verdict says what the check character tells about a code that no unit has.
func (v findView) verdict() string {
	switch {
	case v.Mistyped:
		return "“" + v.Query + "” looks like a code of this workshop, but its last character does not fit the rest: something was mistyped or misheard. Ask for it again, character by character."
	case v.NotOurs:
		return "“" + v.Query + "” was read right, for its last character fits the rest, but no batch of this workshop has it: it is not ours."
	default:
		return ""
	}
}

// groupTitles are the headings of what was found, by kind.
var groupTitles = map[string]string{
	"batch": "Batches", "packing": "Packings", "lot": "Lots", "supplier_lot": "Lots by the supplier's number", "dispatch": "Dispatches", "crate": "Crates",
	"customer": "Customers", "product": "Products", "formula": "Formulas", "material": "Materials", "supplier": "Suppliers", "equipment": "Equipment",
}

// happened says what the date of something found is.
func happened(style measure.Style, i store.FoundItem) string {
	switch {
	case i.On.IsZero():
		return ""
	case i.Kind == "batch":
		return "made " + style.Day(i.On)
	case i.Kind == "packing":
		return "packed " + style.Day(i.On)
	case i.Kind == "dispatch":
		return "sent " + style.Day(i.On)
	case i.Kind == "crate":
		return "for " + style.Day(i.On)
	default:
		return "received " + style.Day(i.On)
	}
}

// also says in a word that a code leads to several packings.
func also(c store.FoundCode) string {
	if len(c.Also) == 0 {
		return ""
	}
	if c.Leads() == 1 {
		return "stands there by mistake"
	}
	return "stands on units of " + strconv.Itoa(c.Leads()) + " packings"
}

// dates are those of a code that a customer can confirm.
func dates(style measure.Style, c store.FoundCode) string {
	words := "made " + style.Day(c.MadeOn)
	if c.MadeOn.IsZero() {
		words = "packed " + style.Day(c.PackedOn)
	}
	if date := c.DateOnLabel(style); date != "" {
		words = "best before " + date + ", " + words
	}
	return words
}

// others are what was found besides the codes one character away, which stand above them.
func (v findView) others() []store.FoundGroup {
	var groups []store.FoundGroup
	for _, g := range v.Groups {
		if g.Kind == "batch" || g.Kind == "packing" {
			g.Items = slices.DeleteFunc(slices.Clone(g.Items), func(i store.FoundItem) bool {
				return v.Exact != nil && v.Exact.Code == i.Code || slices.ContainsFunc(v.Near, func(c store.FoundCode) bool { return c.Code == i.Code })
			})
		}
		if len(g.Items) > 0 || g.More {
			groups = append(groups, g)
		}
	}
	return groups
}

// nothing tells that a question has no answer, and no verdict on its code either.
func (v findView) nothing() bool {
	return v.Query != "" && v.Exact == nil && len(v.Near)+len(v.Groups) == 0 && v.verdict() == ""
}

// beside joins what is known of something found; what is not known leaves no gap.
func beside(parts ...string) string {
	return strings.Join(slices.DeleteFunc(parts, func(p string) bool { return p == "" }), ", ")
}

func dateOr(style measure.Style, d day.Day, none string) string {
	if d.IsZero() {
		return none
	}
	return style.Day(d)
}

// stateOf is a state as a mark and a word.
func stateOf(status string) (kind, word string) {
	switch status {
	case "released":
		return "good", "Released"
	case "quarantined":
		return "wait", "In quarantine"
	case "rejected":
		return "stop", "Rejected"
	case "recalled":
		return "stop", "In a recall"
	case "void":
		return "stop", "Void"
	case "making":
		return "wait", "Being made"
	case "curing":
		return "wait", "Curing"
	case "packing":
		return "wait", "Being packed"
	default:
		return "", ""
	}
}

type purchaseView struct {
	Product, Place, On, Back string
	Products, Backs          []ui.Option
	Fault                    *fault.Fault
	Asked                    bool
	Answer                   store.PurchaseAnswer
}

// line is the answer in one line.
func (v purchaseView) line() string {
	if len(v.Answer.Sold) == 0 {
		return "Nothing was sent there in that time"
	}
	first := v.Answer.Sold[0]
	var level []string // as likely as the first
	for _, s := range v.Answer.Sold {
		if s.Units == first.Units {
			level = append(level, s.Packing)
		}
	}
	switch n := len(level); {
	case n == 1:
		return "Most likely " + first.Packing + ": " + v.share(first)
	case n > 4:
		return fmt.Sprintf("%d codes are equally likely: %s each", n, v.share(first))
	default:
		return "Equally likely " + strings.Join(level[:n-1], ", ") + " and " + level[n-1] + ": " + v.share(first) + " each"
	}
}

// places are the customers that the word typed can mean.
func (v purchaseView) places() string {
	var names []string
	for _, p := range v.Answer.Places {
		names = append(names, p.Name+" ("+p.Code+")")
	}
	return strings.Join(names, ", ")
}

// share is how sure that is: units of this packing among all that were sent.
func (v purchaseView) share(s store.SoldUnits) string {
	return fmt.Sprintf("%d of %d units", s.Units, v.Answer.Total)
}

func (v purchaseView) percent(s store.SoldUnits) string {
	pct := 100 * float64(s.Units) / float64(v.Answer.Total)
	if pct < 1 {
		return "under 1 %"
	}
	return fmt.Sprintf("%.0f %%", pct)
}

func sentTo(style measure.Style, to store.SentTo) string {
	return fmt.Sprintf("%d, last on %s", to.Units, style.Day(to.LastOn))
}

func labelDate(style measure.Style, c store.FoundCode) string {
	if date := c.DateOnLabel(style); date != "" {
		return date
	}
	return "None"
}
