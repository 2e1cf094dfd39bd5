package store

import (
	"context"
	"fmt"
	"time"

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
	labels := "-"
	if p.LabelsUsed != nil {
		labels = fmt.Sprint(*p.LabelsUsed)
	}
	return fmt.Sprintf("%d/%d/%s/%t/%t/%s", p.UnitsGood, p.UnitsRetained, labels, p.Cleared, p.LabelChecked, p.Printed)
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
	if left := p.UnitsGood - p.OnHand; c.Good < left {
		f.Add("good", fmt.Sprintf("%s of it have left or been used already; the good ones cannot be fewer.", UnitCount(left)))
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
	lots, unfit, err := t.packaging(ctx, p.ID, product.ID, c.Good+c.Retained, p.PackedOn, c.Packaging)
	if err != nil {
		return err
	}
	more := NewPacking{Good: c.Good - p.UnitsGood, Retained: c.Retained - p.UnitsRetained}
	asked := append(record.tooMany(p.ID, more, product.Code, product.NominalFill()), unfit...)
	asked = keepNew(asked, lots, changed)
	if more.Good+more.Retained <= 0 {
		asked = without(asked, func(d deviant) bool { return d.About == p.ID })
	}
	if more.Good+more.Retained == 0 && !anyNew(lots, changed) {
		asked = without(asked, func(d deviant) bool { return d.Kind == "yield" && d.About != p.ID })
	} else if err := t.withdrawGaps(ctx, p.ID, product.ID); err != nil {
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
	if _, err := t.Exec(ctx, `UPDATE packing SET units_good = $3, units_retained = $4, labels_used = $5, cleared = $6, label_checked = $7, label_specimen = $8 WHERE workshop_id = $1 AND id = $2`,
		t.who.Workshop, p.ID, c.Good, c.Retained, c.LabelsUsed, c.Cleared, c.LabelChecked, c.LabelSpecimen); err != nil {
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
		changed[l.ID] = !ok || u.Lot != l.Lot || !u.Used.Valid || !u.Used.Decimal.Equal(l.Quantity.Sub(l.Spoiled)) || !u.Spoiled.Equal(l.Spoiled)
	}
	if len(listed) > 0 {
		return nil, fault.New(fault.Conflict, "The packaging of "+p.Code+" was corrected meanwhile. Look at it again.")
	}
	return changed, nil
}

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
func (t *tx) withdrawGaps(ctx context.Context, packing PackingID, product ProductID) error {
	need, err := packagingOf(ctx, t, t.who.Workshop, product)
	if err != nil {
		return err
	}
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
