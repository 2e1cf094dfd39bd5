package drillpages

import (
	"fmt"
	"strings"
	"time"

	"example.org/stillroom/internal/drill"
	"example.org/stillroom/internal/release"
	"example.org/stillroom/internal/store"
	"example.org/stillroom/web/paths"
	"example.org/stillroom/web/ui"
)

func count(n int, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return fmt.Sprintf("%d %s", n, many)
}

// foodTarget says where 4 hours come from, and that they bind nobody here.
const foodTarget = "Schemes for food use 4 hours (from memory). No hour limit is set for cosmetics: the target is your own."

func minutes(n int) string { return drill.Took(time.Duration(n) * time.Minute) }

// timing is how long a list took, or has been taking, against its target.
func timing(r store.Recall, now time.Time) (kind, words string) {
	took := r.Took(now)
	words = drill.Took(took)
	if r.ListedAt == nil {
		words = "Running for " + words
	}
	switch {
	case r.Target == 0:
		return "wait", words
	case drill.InTime(took, r.Target):
		kind = "good"
		if r.ListedAt == nil {
			kind = "wait"
		}
	default:
		kind = "care"
	}
	return kind, words + " of " + minutes(r.Target)
}

// stands is where a drill is.
func stands(r store.Recall) (kind, words string) {
	switch {
	case !r.Open():
		return "good", "Ended and signed"
	case r.ListedAt != nil:
		return "care", "To be signed"
	}
	return "wait", "Running"
}

func how(drawn bool) string {
	if drawn {
		return "Drawn at random"
	}
	return "Chosen"
}

func percent(pct float64, known bool) string {
	if !known {
		return "nothing made"
	}
	return strings.TrimSuffix(fmt.Sprintf("%.1f", pct), ".0") + " %"
}

// strip is the life of a drill.
func (v pageView) strip() []ui.Cell {
	listed := ui.Cell{Title: "List complete", Detail: "not yet", Now: v.ListedAt == nil}
	if v.ListedAt != nil {
		listed.Detail = "after " + drill.Took(v.Took(v.Now))
	}
	ended := ui.Cell{Title: "Signed", Detail: "not yet", Now: v.ListedAt != nil && v.Open()}
	if v.ClosedAt != nil {
		ended.Detail, ended.Now = v.Clock.Time(*v.ClosedAt), true
	}
	return []ui.Cell{{Title: "Began", Detail: v.Clock.Time(v.OpenedAt)}, listed, ended}
}

// reach is how a customer can be told.
func reach(c store.DrillCustomer) []string {
	var list []string
	for _, x := range []string{c.Email, c.Phone, c.Address} {
		if x != "" {
			list = append(list, x)
		}
	}
	return list
}

var kindWords = map[string]string{"stockist": "Stockist", "online": "Online order", "event": "Event", "direct": "Direct"}

func (v pageView) sent() (units int) {
	for _, c := range v.Customers {
		units += c.Units - c.Returned
	}
	return units
}

func (v pageView) counted() int {
	n := 0
	for _, row := range v.Rows {
		if row.Counted != nil {
			n++
		}
	}
	return n
}

func itemPath(i drill.Item) string {
	switch i.Kind {
	case "customer":
		return paths.Customer(i.Code)
	case "lot":
		return paths.Lot(i.Code)
	case "packing":
		return paths.Packing(i.Code)
	}
	return paths.Batch(i.Code)
}

// mostItems is how many of the things that a gap is about stand on the page; the report has more.
const mostItems = 25

func stateKind(s release.State) string {
	if s == release.OK {
		return "good"
	}
	return "care"
}

func labels(v pageView) map[string]string {
	list := map[string]string{}
	for _, row := range v.Rows {
		list[countField+row.Code] = row.Code
	}
	return list
}

func rowLabel(row countRow) string {
	words := row.Code + ", " + row.ProductName
	if row.Printed != "" {
		words += ", " + row.Printed
	}
	return words
}
