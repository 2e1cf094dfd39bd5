package store

import (
	"context"
	"fmt"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/shopspring/decimal"

	"example.org/stillroom/internal/access"
	"example.org/stillroom/internal/bestbefore"
	"example.org/stillroom/internal/fault"
)

// PackingCorrection is a packing as it should have been written down.
type PackingCorrection struct {
	Packing       string // code
	Good          int
	Retained      int
	LabelsUsed    *int
	Labels        LabelCounts
	PackagingNote string // why packaging or labels do not add up
	Cleared       bool
	LabelChecked  bool
	LabelSpecimen string
	Packaging     []PackagingUse // all of it: what is listed with an unchanged lot and quantity stays as it is
	Reason        string
	Really        Really
	// Seen are the counts that the form was drawn with; another correction meanwhile is a conflict.
	Seen string
}

// Seen is what a form for correcting the packing shows as it stands.
func (p Packing) Seen() string {
	labels := ""
	for _, n := range []*int{p.LabelsUsed, p.LabelsIssued, p.LabelsSpoiled, p.LabelsReturned} {
		if n == nil {
			labels += "-"
		} else {
			labels += fmt.Sprint(*n)
		}
		labels += "/"
	}
	return fmt.Sprintf("%d/%d/%s%t/%t/%s/%s", p.UnitsGood, p.UnitsRetained, labels, p.Cleared, p.LabelChecked, p.Printed, p.PackagingNote)
}

// CorrectPacking replaces a packing's counts, checks and packaging; the trail keeps the old ones. Good units never go
// below what has left. A signed packing shows its signature as broken from then on. A best-before that could not be
// decided when it was packed is decided now; one that was printed does not move.
func (s *Store) CorrectPacking(ctx context.Context, who Who, entry Entry, c PackingCorrection) error {
	_, err := s.write(ctx, who, correct, c.Reason, entry, func(t *tx) error { return t.correctPacking(ctx, c) })
	if err != nil {
		return fmt.Errorf("store: correct packing %q: %w", c.Packing, err)
	}
	return nil
}

func (t *tx) correctPacking(ctx context.Context, c PackingCorrection) error {
	p, err := packingByCode(ctx, t, t.who.Workshop, c.Packing)
	if err != nil {
		return err
	}
	// The batch first, then the packing, then lots: the order in which packing takes them.
	b, err := t.lockBatch(ctx, p.BatchCode)
	if err != nil {
		return err
	}
	locked, err := t.lockPackings(ctx, []PackingID{p.ID})
	if err != nil {
		return err
	}
	p = locked[p.ID]
	if c.Seen != "" && c.Seen != p.Seen() {
		return fault.New(fault.Conflict, "Packing "+p.Code+" was corrected meanwhile. Look at it again.")
	}
	if err := t.mayCorrectPacking(ctx, p); err != nil {
		return err
	}
	var f fault.Fields
	checkCounts(&f, c.Good, c.Retained, c.LabelsUsed, c.LabelSpecimen)
	checkLabels(&f, c.LabelsUsed, c.Labels, c.PackagingNote)
	if left := p.UnitsGood - p.OnHand; c.Good < left {
		f.Add("good", fmt.Sprintf("%s of it have left or been used already; the good ones cannot be fewer.", UnitCount(left)))
	}
	if placed, err := t.samplesPlaced(ctx, p.ID); err != nil {
		return err
	} else if c.Retained < placed {
		f.Add("retained", fmt.Sprintf("%d of them have a place as samples; it cannot be fewer. Correct those first.", placed))
	}
	if err := f.Err(); err != nil {
		return err
	}
	record, err := loadBatch(ctx, t, t.who.Workshop, b.ID)
	if err != nil {
		return err
	}
	product, err := productByCode(ctx, t, t.who.Workshop, p.ProductCode)
	if err != nil {
		return err
	}
	changed, err := t.changedUses(ctx, p, c.Packaging)
	if err != nil {
		return err
	}
	need, err := packagingTaken(ctx, t, t.who.Workshop, p.ID)
	if err != nil {
		return err
	}
	lots, unfit, err := t.packagingFor(ctx, p.ID, need, c.Good+c.Retained, p.PackedOn, c.Packaging)
	if err != nil {
		return err
	}
	c.LabelsUsed, c.Labels = labelsBy(need, lots, c.LabelsUsed, c.Labels)
	more := NewPacking{Good: c.Good - p.UnitsGood, Retained: c.Retained - p.UnitsRetained}
	asked, err := t.tooManyOf(ctx, record, p.ID, more, product)
	if err != nil {
		return err
	}
	asked = keepNew(append(asked, unfit...), lots, changed)
	if b.IsSet() && more.Good+more.Retained != 0 {
		asked = append(asked, unitsOff(p.ID, product.Parts, taken(record.Inputs()), c.Good+c.Retained)...)
	}
	if more.Good+more.Retained <= 0 {
		asked = without(asked, func(d deviant) bool { return d.About == p.ID })
	}
	if more.Good+more.Retained == 0 && !anyNew(lots, changed) {
		asked = without(asked, func(d deviant) bool { return d.Kind == "packaging" || d.Kind == "label" })
	} else if err := t.withdrawGaps(ctx, p.ID, need); err != nil {
		return err
	}
	c.Really.Reason = firstOf(c.Really.Reason, c.Reason)
	if err := t.askAll(c.Really, asked); err != nil {
		return err
	}
	if err := t.withdrawDeviations(ctx, p.ID); err != nil {
		return err
	}
	if err := t.replaceUses(ctx, p, lots, changed); err != nil {
		return err
	}
	if _, err := t.Exec(ctx, `UPDATE packing SET units_good = $3, units_retained = $4, labels_used = $5, cleared = $6, label_checked = $7, label_specimen = $8,
			labels_issued = $9, labels_spoiled = $10, labels_returned = $11, packaging_note = nullif($12, '') WHERE workshop_id = $1 AND id = $2`,
		t.who.Workshop, p.ID, c.Good, c.Retained, c.LabelsUsed, c.Cleared, c.LabelChecked, c.LabelSpecimen, c.Labels.Issued, c.Labels.Spoiled, c.Labels.Returned, strings.TrimSpace(c.PackagingNote)); err != nil {
		return err
	}
	if err := t.raise(ctx, b.ID, asked, c.Really.Reason); err != nil {
		return err
	}
	if p.Printed != "" {
		return nil
	}
	date, err := t.decideDate(ctx, record, product, p.PackedOn, lots)
	if err != nil {
		return err
	}
	_, err = t.Exec(ctx, `UPDATE packing SET best_before = $3, date_precision = $4, opened_months = $5, date_reason = $6, printed = $7 WHERE workshop_id = $1 AND id = $2`,
		t.who.Workshop, p.ID, date.Date, date.precision(), date.opened(), date.Reason, bestbefore.Printed(date.Decision))
	return err
}

func firstOf(a, b string) string {
	if a != "" {
		return a
	}
	return b
}

// mayCorrectPacking lets a helper correct what they packed themselves today, while it waits in quarantine.
func (t *tx) mayCorrectPacking(ctx context.Context, p Packing) error {
	var by *PersonID
	var at time.Time
	if err := t.QueryRow(ctx, `SELECT c.person_id, c.at FROM packing e JOIN change c ON c.workshop_id = e.workshop_id AND c.id = e.change_id WHERE e.workshop_id = $1 AND e.id = $2`, t.who.Workshop, p.ID).Scan(&by, &at); err != nil {
		return err
	}
	if p.Status != "quarantined" && t.who.Actor == "person" && !access.May(t.who.Role, access.CorrectAny) {
		return fault.New(fault.Forbidden, "Packing "+p.Code+" is "+p.Status+" already. Ask a maker to correct it.")
	}
	return t.mayCorrect(by, at)
}

// changedUses tells which current entries of packaging do not stay as they are: those that the correction lists with
// another lot or quantity, and those that it leaves out. An entry that is not this packing's, or was corrected
// meanwhile, is a conflict.
func (t *tx) changedUses(ctx context.Context, p Packing, uses []PackagingUse) (map[PackingInputID]bool, error) {
	list, err := packagingLines(ctx, t, t.who.Workshop, p.ID)
	if err != nil {
		return nil, err
	}
	changed, listed := map[PackingInputID]bool{}, map[PackingInputID]PackagingUse{}
	for _, u := range uses {
		if u.Input != (PackingInputID{}) {
			listed[u.Input] = u
		}
	}
	for _, l := range list {
		if l.Replaced {
			continue
		}
		u, ok := listed[l.ID]
		delete(listed, l.ID)
		changed[l.ID] = !ok || u.Lot != l.Lot || !u.Used.Valid || !u.Used.Decimal.Equal(l.Quantity.Sub(l.Spoiled)) || !u.Spoiled.Equal(l.Spoiled) || !same(u.Issued, l.Issued) || !same(u.Returned, l.Returned)
	}
	if len(listed) > 0 {
		return nil, fault.New(fault.Conflict, "The packaging of "+p.Code+" was corrected meanwhile. Look at it again.")
	}
	return changed, nil
}

func same(a, b decimal.NullDecimal) bool { return a.Valid == b.Valid && a.Decimal.Equal(b.Decimal) }

// keepNew drops what is asked about an entry that stays as it is: it was asked when that was made.
func keepNew(asked []deviant, lots []packaged, changed map[PackingInputID]bool) []deviant {
	var out []deviant
	for _, d := range asked {
		old := false
		for _, p := range lots {
			if d.About == [16]byte(p.id) && p.replaces != (PackingInputID{}) && !changed[p.replaces] {
				old = true
			}
		}
		if !old {
			out = append(out, d)
		}
	}
	return out
}

func without(asked []deviant, drop func(deviant) bool) []deviant {
	var out []deviant
	for _, d := range asked {
		if !drop(d) {
			out = append(out, d)
		}
	}
	return out
}

func anyNew(lots []packaged, changed map[PackingInputID]bool) bool {
	for _, yes := range changed {
		if yes {
			return true
		}
	}
	for _, l := range lots {
		if l.replaces == (PackingInputID{}) {
			return true
		}
	}
	return false
}

// withdrawGaps ends what waits for a decision about packaging that did not fit the units: it is asked anew.
func (t *tx) withdrawGaps(ctx context.Context, packing PackingID, need []PackagingNeed) error {
	for _, n := range need {
		if err := t.withdrawDeviations(ctx, aboutIn(packing, n.ID)); err != nil {
			return err
		}
	}
	return nil
}

// replaceUses takes changed entries back and books their successors. The old ones go first, so that what returns to a
// lot is there for the new.
func (t *tx) replaceUses(ctx context.Context, p Packing, lots []packaged, changed map[PackingInputID]bool) error {
	next := map[PackingInputID]PackingInputID{}
	for _, l := range lots {
		if changed[l.replaces] {
			next[l.replaces] = l.id
		}
	}
	for id, yes := range changed {
		if !yes {
			continue
		}
		by, ok := next[id]
		if !ok {
			by = id
		}
		if _, err := t.Exec(ctx, `UPDATE packing_input SET replaced_by = $3 WHERE workshop_id = $1 AND id = $2`, t.who.Workshop, id, by); err != nil {
			return err
		}
		if err := t.withdrawDeviations(ctx, id); err != nil {
			return err
		}
	}
	for _, l := range lots {
		if l.replaces == (PackingInputID{}) || changed[l.replaces] {
			if err := t.insertPackaging(ctx, p.ID, l, p.PackedOn); err != nil {
				return err
			}
		}
	}
	return nil
}

// CorrectionSheet is the packaging that a packing's product asked for when it was packed, with the lots to choose from:
// what the form that corrects it starts with.
func (s *Store) CorrectionSheet(ctx context.Context, workshop WorkshopID, code string) ([]PackagingNeed, error) {
	var need []PackagingNeed
	err := s.read(ctx, workshop, func(t pgx.Tx) error {
		p, err := packingByCode(ctx, t, workshop, code)
		if err != nil {
			return err
		}
		if need, err = packagingTaken(ctx, t, workshop, p.ID); err != nil {
			return err
		}
		for i := range need {
			if need[i].Lots, err = packagingLots(ctx, t, workshop, need[i].Material, p.PackedOn); err != nil {
				return err
			}
		}
		return nil
	})
	if err != nil {
		return nil, fmt.Errorf("store: correction sheet of %q: %w", code, err)
	}
	return need, nil
}

// ExplainPackaging stores why packaging or labels of a packing do not add up. Filling it in needs no reason; changing what
// stands there does. It breaks a signature that stands already. Faults: packaging_note, reason.
func (s *Store) ExplainPackaging(ctx context.Context, who Who, entry Entry, code, note, reason string) error {
	kind := progress
	if strings.TrimSpace(reason) != "" {
		kind = correct
	}
	_, err := s.write(ctx, who, kind, reason, entry, func(t *tx) error {
		var f fault.Fields
		if note = strings.TrimSpace(note); note == "" {
			f.Add("packaging_note", "Say what became of it.")
		}
		checkLength(&f, "packaging_note", note, 1000)
		if err := f.Err(); err != nil {
			return err
		}
		p, err := packingByCode(ctx, t, who.Workshop, code)
		if err != nil {
			return err
		}
		if _, err := t.lockBatch(ctx, p.BatchCode); err != nil {
			return err
		}
		locked, err := t.lockPackings(ctx, []PackingID{p.ID})
		if err != nil {
			return err
		}
		if p = locked[p.ID]; p.PackagingNote != "" || p.Status != "quarantined" {
			if err := t.mayCorrectPacking(ctx, p); err != nil {
				return err
			}
			if kind == progress {
				return fault.In("reason", "This changes what stands there already: say why.")
			}
		}
		_, err = t.Exec(ctx, `UPDATE packing SET packaging_note = $3 WHERE workshop_id = $1 AND id = $2`, who.Workshop, p.ID, note)
		return err
	})
	if err != nil {
		return fmt.Errorf("store: explain packaging of %q: %w", code, err)
	}
	return nil
}
