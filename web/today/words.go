package today

import (
	"fmt"
	"strings"

	"example.org/stillroom/internal/quantity"
	"example.org/stillroom/internal/store"
)

// headline is the page's answer in one line.
func headline(v view) string {
	var parts []string
	add := func(n int, one, many string) {
		switch {
		case n == 1:
			parts = append(parts, "1 "+one)
		case n > 1:
			parts = append(parts, fmt.Sprintf("%d %s", n, many))
		}
	}
	add(len(v.Open), "batch open", "batches open")
	ready := 0
	for _, b := range v.Curing {
		if kind, _ := v.ready(b); kind == "good" {
			ready++
		}
	}
	add(ready, "cure is over", "cures are over")
	add(len(v.Waiting)+len(v.Bulk), "waits for release", "wait for release")
	add(len(v.Deviations), "deviation to decide", "deviations to decide")
	if len(parts) == 0 {
		return "Nothing waits for you."
	}
	return strings.Join(parts, ", ")
}

// planned is how much a plan makes.
func planned(p store.Plan) string {
	if p.Units > 0 {
		return fmt.Sprintf("%d × %s, %s g", p.Units, p.ProductName, quantity.Format(p.MassG.Round(0)))
	}
	return quantity.Format(p.MassG.Round(0)) + " g"
}
