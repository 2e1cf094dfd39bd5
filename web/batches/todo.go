package batches

import (
	"fmt"
	"slices"
	"strings"

	"example.org/stillroom/internal/release"
	"example.org/stillroom/internal/store"
	"example.org/stillroom/web/paths"
	"example.org/stillroom/web/ui"
)

// decidedBy are the kinds of deviations whose decision settles a condition.
var decidedBy = map[string][]string{
	release.KeyLots: {"lot", "addition", "rework"}, release.KeySteps: {"step"}, release.KeyControls: {"control"}, release.KeyClimate: {"climate"}, release.KeyCure: {"cure"},
	release.KeyPackaging: {"packaging", "label"},
}

// packingTodo says, for each condition that stands in the way of a packing, where it is put right.
func packingTodo(p store.PackingRecord) map[string][]ui.Link {
	correct := ui.Link{Href: paths.CorrectPacking(p.Code), Words: "Correct the packing"}
	todo := batchTodo(p.Batch, p.Conditions, p.Deviations())
	for _, c := range p.Conditions {
		if c.State != release.Fail {
			continue
		}
		switch c.Key {
		case release.KeyLots:
			for _, l := range p.Packaging {
				todo[c.Key] = withLot(todo[c.Key], c, l.Lot)
			}
		case release.KeyYield:
			if p.Yield.Unknown != "" || p.Yield.Over() {
				todo[c.Key] = append(todo[c.Key], ui.Link{Href: paths.BatchStage(p.Batch.Code, "packing"), Words: "Weigh some units"})
			}
		case release.KeyBestBefore:
			todo[c.Key] = append(todo[c.Key], ui.Link{Href: paths.CorrectProduct(p.ProductCode), Words: "Give the product its shelf life"}, ui.Link{Href: correct.Href, Words: "then correct the packing: the date is decided with it"})
		case release.KeyClearance, release.KeyLabel:
			todo[c.Key] = append(todo[c.Key], correct)
		case release.KeyPackaging:
			todo[c.Key] = append(todo[c.Key], ui.Link{Href: paths.ExplainPackaging(p.Code), Words: "Say what became of it"}, ui.Link{Href: correct.Href, Words: "Correct lots or counts"})
		}
	}
	return todo
}

// bulkTodo is the same for bulk.
func bulkTodo(b store.BulkRecord) map[string][]ui.Link {
	return batchTodo(b.BatchRecord, b.Conditions, b.Deviations)
}

// batchTodo is what bulk and packings have in common: lots, deviations and the yield.
func batchTodo(b store.BatchRecord, conditions []release.Condition, deviations []store.Deviation) map[string][]ui.Link {
	todo := map[string][]ui.Link{}
	for _, c := range conditions {
		if c.State != release.Fail {
			continue
		}
		if c.Key == release.KeyLots {
			for _, in := range b.Inputs() {
				todo[c.Key] = withLot(todo[c.Key], c, in.Lot)
			}
		}
		if c.Key == release.KeyYield {
			todo[c.Key] = append(todo[c.Key], ui.Link{Href: paths.BatchYield(b.Code), Words: "Say what became of it"})
		}
		for _, d := range deviations {
			if d.Open() && (c.Key == release.KeyDeviations || slices.Contains(decidedBy[c.Key], d.Kind)) {
				todo[c.Key] = append(todo[c.Key], ui.Link{Href: paths.Deviation(d.N), Words: fmt.Sprintf("Decide deviation %d", d.N)})
			}
		}
	}
	return todo
}

// withLot adds a lot that the condition names.
func withLot(list []ui.Link, c release.Condition, lot string) []ui.Link {
	link := ui.Link{Href: paths.Lot(lot), Words: "Look at lot " + lot}
	if lot == "" || !slices.Contains(strings.Fields(c.Words), lot) || slices.Contains(list, link) {
		return list
	}
	return append(list, link)
}
