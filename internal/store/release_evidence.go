package store

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/shopspring/decimal"

	"example.org/stillroom/internal/measure"
	"example.org/stillroom/internal/quantity"
	"example.org/stillroom/internal/release"
	"example.org/stillroom/internal/weighing"
)

// decided is the decision over all deviations that match: one rejected rejects, one open leaves it open, and none at
// all is no decision.
func decided(list []Deviation, match func(Deviation) bool) release.Decision {
	decision := release.Undecided
	for _, d := range list {
		if d.Withdrawn || !match(d) {
			continue
		}
		switch d.Decision {
		case "reject":
			return release.Reject
		case "accept":
			decision = release.Accept
		default:
			return release.Undecided
		}
	}
	return decision
}

// about matches deviations that came from one of the entries.
func about(ids map[[16]byte]bool) func(Deviation) bool {
	return func(d Deviation) bool { return d.AboutID != nil && ids[*d.AboutID] }
}

func ofKind(kind string) func(Deviation) bool {
	return func(d Deviation) bool { return d.Kind == kind }
}

// evidence is what bulk and packings have in common: what went in, and how it was made. packing is nil for bulk.
func (j *judge) evidence(packing *PackingRecord) release.Evidence {
	w, b := j.w, j.b
	deviations, id := b.Deviations, bulkID
	if packing != nil {
		deviations, id = packing.Deviations(), packing.ID
	}
	e := release.Evidence{
		Style: w.Style, Inputs: release.Read(j.inputEvidence(id, deviations)...),
		Steps:     release.Read(stepEvidence(b, deviations)...),
		Controls:  release.Read(controlEvidence(w.Style, b, packing, deviations)...),
		Climate:   climateEvidence(w.Style, b, deviations),
		Equipment: release.Read(j.equipmentEvidence(id)...),
	}
	var rows []release.Deviation
	for _, d := range deviations {
		if !d.Withdrawn {
			rows = append(rows, release.Deviation{Name: fmt.Sprintf("Deviation %d (%s)", d.N, strings.TrimSuffix(d.What, ".")), Decision: release.Decision(d.Decision)})
		}
	}
	e.Deviations = release.Read(rows...)
	var late []release.Late
	if b.Late {
		late = append(late, release.Late{Name: "Batch " + b.Code})
	}
	for _, in := range b.Inputs() {
		if in.Late {
			late = append(late, release.Late{Name: in.Name})
		}
	}
	if packing != nil && packing.Late {
		late = append(late, release.Late{Name: "Packing " + packing.Code})
	}
	e.Late = release.Read(late...)
	return e
}

// inputEvidence is what went into a packing, or into bulk.
func (j *judge) inputEvidence(packing PackingID, deviations []Deviation) []release.Input {
	var out []release.Input
	entries := map[string]map[[16]byte]bool{}
	for _, l := range j.lots {
		if l.Packing != packing && l.Packing != (PackingID{}) {
			continue
		}
		if entries[l.Code] == nil {
			entries[l.Code] = map[[16]byte]bool{}
			// The latest use stands for all of them: whatever was expired at one of them was at the last.
			out = append(out, release.Input{Kind: release.Lot, Code: l.Code, Name: l.Name, State: lotState(l.Status, l.Recalled), UsedOn: l.UsedOn.String(), ExpiresOn: l.ExpiresOn.String(), RetestOn: l.RetestOn.String()})
		}
		entries[l.Code][l.EntryID], entries[l.Code][l.LotID] = true, true
	}
	// What was poured into a tub has its deviation on the tub's lot, so all of them are looked through for each entry.
	all := slices.Clone(deviations)
	for _, d := range j.onLot {
		if entries[d.Lot] != nil {
			all = append(all, d)
		}
	}
	for i := range out {
		out[i].Deviation = decided(all, about(entries[out[i].Code]))
	}
	out = append(out, j.sourceEvidence(deviations)...)
	// Lots in source batches were fit when those were released, and are not now.
	for _, l := range j.below {
		if entries[l.Code] == nil {
			out = append(out, release.Input{Kind: release.Lot, Code: l.Code, Name: l.Material.Name, State: lotState(l.Status, l.Recalled), UsedOn: j.b.MadeOn.String(), ExpiresOn: l.ExpiresOn.String()})
		}
	}
	return out
}

func lotState(status string, recalled bool) string {
	if recalled {
		return release.Recalled
	}
	return status
}

// sourceEvidence are the batches that were drawn on, and what has no lot. Rejected or left-over product that is worked
// in again is fit where leave was signed for it; else it waits until its deviation is accepted.
func (j *judge) sourceEvidence(deviations []Deviation) []release.Input {
	var out []release.Input
	if j.b.Recalled {
		out = append(out, release.Input{Kind: release.Batch, Code: j.b.Code, Name: cmp.Or(j.b.ProductName, j.b.FormulaName), State: release.Recalled})
	}
	for _, in := range j.b.Inputs() {
		if in.Untracked {
			out = append(out, release.Input{Kind: release.Untracked, Code: j.notes[in.Material], Name: in.Name})
		}
		if in.SourceBatch == "" {
			continue
		}
		from := j.from[in.ID]
		reworked := from.yields == "units" && !in.SourceUnits
		state, code := release.Quarantined, in.SourceBatch
		switch {
		case in.Signed != "":
			state = release.Released // leave was signed before it went in
		case reworked:
		case from.held:
			state = release.Held
		case from.status == "released" || from.status == "rejected":
			state = from.status
		}
		if in.SourcePacking != "" {
			code = in.SourcePacking
		}
		out = append(out, release.Input{Kind: release.Batch, Code: code, Name: in.Name, State: state, Signed: in.Signed, Deviation: decided(deviations, about(map[[16]byte]bool{in.ID: true}))})
	}
	return out
}

// equipmentEvidence is each thing that was used for the making or for a packing, with how its check stood. A workshop that
// keeps equipment, and a batch that names none, is a row of its own; no row at all where the workshop keeps none.
func (j *judge) equipmentEvidence(packing PackingID) []release.Equipment {
	var list []release.Equipment
	for _, g := range j.gear {
		if g.packing == packing {
			list = append(list, g.Equipment)
		}
	}
	if len(list) == 0 && j.kept {
		return []release.Equipment{{NoneNamed: true}}
	}
	return list
}

func stepEvidence(b BatchRecord, deviations []Deviation) []release.Step {
	left := decided(deviations, ofKind("step"))
	var out []release.Step
	for _, l := range b.Lines {
		if l.Done() || !(l.AsNeeded && l.LowG.Decimal.IsZero()) {
			out = append(out, release.Step{Name: "Weighing " + l.Name, Done: l.Done(), Deviation: left})
		}
	}
	for _, s := range b.Steps {
		out = append(out, release.Step{Name: "“" + strings.TrimSuffix(s.Text, ".") + "”", Done: s.Tick != nil, Deviation: left})
	}
	return out
}

func controlEvidence(style measure.Style, b BatchRecord, packing *PackingRecord, deviations []Deviation) []release.Control {
	var out []release.Control
	for _, c := range b.Controls {
		ids := map[[16]byte]bool{c.ID: true}
		if c.Stage == "packing" {
			if packing == nil {
				continue // bulk is not packed
			}
			if slices.ContainsFunc(packing.Others, func(o BatchControl) bool { return o.ID == c.ID }) {
				continue // meant for units of another size
			}
			for _, run := range packing.Runs {
				if run.ID == c.ID {
					c = run
				}
			}
			ids = map[[16]byte]bool{aboutIn(packing.ID, c.ID): true}
		}
		var values []decimal.Decimal
		for _, r := range c.Current() {
			values = append(values, r.Value)
			ids[r.ID] = true
		}
		run := weighing.Run(values, c.Low, c.High)
		out = append(out, release.Control{Name: c.Name, Stage: ControlStage(c.Stage), Done: run.Count >= c.Asked, InLimits: run.Outside == 0,
			Words: RunWords(style, run, c) + "; the formula allows " + Window(style, c.Low, c.High, c.Unit), Deviation: decided(deviations, about(ids))})
	}
	return out
}

// RunWords says what a control's readings came to: one value, or a run's mean and ends.
func RunWords(style measure.Style, run weighing.RunStats, c BatchControl) string {
	show := func(v decimal.Decimal) string {
		shown, _ := style.In(v, c.Unit)
		return quantity.Format(shown)
	}
	unit := style.Unit(c.Unit)
	if run.Count == 0 {
		return "no reading"
	}
	if run.Count == 1 {
		return strings.TrimSpace(show(run.Mean) + " " + unit)
	}
	words := strings.TrimSpace(fmt.Sprintf("%d readings, mean %s, %s to %s %s", run.Count, show(run.Mean.Round(2)), show(run.Lightest), show(run.Heaviest), unit))
	if run.Outside > 0 {
		words += fmt.Sprintf(", %d outside", run.Outside)
	}
	return words
}

func climateEvidence(style measure.Style, b BatchRecord, deviations []Deviation) release.Climate {
	e := release.Climate{}
	ids := map[[16]byte]bool{b.ID: true}
	for _, c := range b.Climate {
		if c.Replaced || c.Stage != "making" {
			continue
		}
		e.Recorded = true
		e.Words = style.Air(c.TemperatureC, c.HumidityPct)
		e.Outside = append(e.Outside, b.Limits.Room().Outside(style, c.TemperatureC.InexactFloat64(), c.HumidityPct.InexactFloat64())...)
		ids[c.ID] = true
	}
	e.Deviation = decided(deviations, about(ids))
	return e
}

// packingEvidence is what the release of a packing is judged by.
func (j *judge) packingEvidence(r *PackingRecord, product Product) release.Evidence {
	e := j.evidence(r)
	deviations := r.Deviations()
	e.Subject = release.Packing
	if r.Batch.IsSet() {
		e.Subject = release.Set
		e.Parts = r.partEvidence(product, deviations)
	}
	e.Yield = r.Yield.evidence(r.Batch, true, r.UnitsGood)
	e.BestBefore = release.BestBefore{Printed: r.Printed, Reason: r.DateReason, Unknown: r.Unknown}
	e.Cure = release.Cure{NotAsked: r.Batch.CureHours == 0 && r.Batch.VersionID != nil, MinHours: r.Batch.CureHours, Deviation: decided(deviations, ofKind("cure"))}
	if r.Batch.CureStartedAt != nil {
		e.Cure.Started = *r.Batch.CureStartedAt
	}
	if r.Batch.CureEndedAt != nil {
		e.Cure.Ended = *r.Batch.CureEndedAt
	}
	var packed time.Time
	if r.PackedAt != nil {
		packed = *r.PackedAt
	}
	e.Clearance.PackedAt = packed
	if r.Cleared {
		e.Clearance.By, e.Clearance.At = r.Recorded.By, packed
	}
	e.Label = release.Label{Ticked: r.LabelChecked, By: r.Recorded.By, Specimen: r.LabelSpecimen}
	e.Packaging = release.Read(r.packagingEvidence(deviations)...)
	return e
}

// packagingEvidence holds what was taken against what the units take: labels and whatever is counted to the piece, film
// and paper in g or ml within the formula's limit. Where nobody counted what was handed out it is what was used, spoiled
// and put back.
func (r *PackingRecord) packagingEvidence(deviations []Deviation) []release.Packaged {
	units := decimal.NewFromInt(int64(r.UnitsGood + r.UnitsRetained))
	var out []release.Packaged
	for _, n := range r.Need {
		if !n.Tracked {
			continue
		}
		p := release.Packaged{Name: n.Name, Explanation: r.PackagingNote}
		if n.Unit != "each" {
			p.LimitPct = r.Batch.Limits.ReconciliationPct
		}
		for _, l := range r.Packaging {
			if !l.Replaced && l.Material == n.Material {
				p.Lots = append(p.Lots, l.Lot)
				p.Issued, p.Spoiled, p.Used, p.Returned = p.Issued.Add(l.Out()), p.Spoiled.Add(l.Spoiled), p.Used.Add(l.Used()), p.Returned.Add(l.Returned.Decimal)
			}
		}
		if expected := n.PerUnit.Mul(units); n.Unit == "each" && expected.IsPositive() && len(p.Lots) > 0 {
			p.Used = expected
		}
		gap := aboutIn(r.ID, n.ID)
		for _, d := range deviations {
			if !d.Withdrawn && d.AboutID != nil && *d.AboutID == gap && d.Decision == "accept" && p.Explanation == "" {
				p.Explanation = d.Reason
			}
		}
		out = append(out, p)
	}
	if l, counted := r.Labels(); counted && !labelled(r.Need) {
		out = append(out, release.Packaged{Name: "Labels", NoLots: true, Issued: l.Issued, Used: l.Used, Spoiled: l.Spoiled, Returned: l.Returned, Explanation: r.PackagingNote})
	}
	return out
}

// evidence of a yield: until nothing more comes out, what is missing is simply not packed yet.
func (y Yield) evidence(b BatchRecord, measured bool, good int) release.Yield {
	e := release.Yield{Measured: measured, Good: good, UnitsOff: y.UnitsOff(), UnexplainedG: y.Balance.UnexplainedG, UnexplainedPct: y.Balance.UnexplainedPct, LimitPct: b.Limits.ReconciliationPct, Explanation: strings.TrimSpace(y.Note)}
	if y.Unknown != "" {
		e.UnexplainedG, e.UnexplainedPct = b.WeighedG(), decimal.NewFromInt(100)
	}
	if e.Explanation == "" && !y.Closed && !e.UnexplainedG.IsNegative() {
		e.Explanation = "more of the batch is still to be packed"
	}
	return e
}
