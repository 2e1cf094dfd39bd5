package store

import (
	"context"
	"fmt"
	"slices"
	"strings"

	"example.org/stillroom/internal/bestbefore"
	"example.org/stillroom/internal/fault"
)

// SetCorrection says which units really went into sets that stand in the book.
type SetCorrection struct {
	Batch  string     // code of the set
	Units  []SetUnits // all of them: a packing that is left out gave none
	Reason string
	Really Really
	Seen   string // SetSeen of the page it was written on; empty is not compared
}

// SetSeen is what a form for correcting a set shows as it stands.
func SetSeen(b BatchRecord) string {
	var list []string
	for _, in := range b.Inputs() {
		list = append(list, in.SourcePacking+"="+in.Quantity.String())
	}
	return strings.Join(list, ",")
}

// CorrectSet replaces the units that a set was put together from: those of the old entries go back to their packings, also
// what had been booked as more than recorded, and the new ones leave theirs. One's own entry of the day a helper may
// correct. A date that was printed does not move: where a new source keeps shorter, a deviation names the labels that are
// out. Faults as in PutTogether, and reason.
func (s *Store) CorrectSet(ctx context.Context, who Who, entry Entry, c SetCorrection) error {
	_, err := s.write(ctx, who, correct, c.Reason, entry, func(t *tx) error { return t.correctSet(ctx, c) })
	if err != nil {
		return fmt.Errorf("store: correct set %q: %w", c.Batch, err)
	}
	return nil
}

func (t *tx) correctSet(ctx context.Context, c SetCorrection) error {
	if err := t.lockGenealogy(ctx); err != nil {
		return err
	}
	b, record, p, err := t.lockSet(ctx, c.Batch)
	if err != nil {
		return err
	}
	if c.Seen != "" && c.Seen != SetSeen(record) {
		return fault.New(fault.Conflict, "Set "+b.Code+" was corrected meanwhile. Look at it again.")
	}
	if err := t.mayCorrectPacking(ctx, p); err != nil {
		return err
	}
	product, err := productByCode(ctx, t, t.who.Workshop, p.ProductCode)
	if err != nil {
		return err
	}
	old := map[PackingID]BatchInput{}
	var ids []PackingID
	for _, in := range record.Inputs() {
		from, err := packingByCode(ctx, t, t.who.Workshop, in.SourcePacking)
		if err != nil {
			return err
		}
		old[from.ID], ids = in, append(ids, from.ID)
	}
	var f fault.Fields
	checkWords(&f, "reason", c.Reason)
	sources, err := t.setSources(ctx, &f, c.Units, ids...)
	if err != nil {
		return err
	}
	if err := f.Err(); err != nil {
		return err
	}
	changed, err := t.undoUnits(ctx, b, old, sources)
	if err != nil {
		return err
	}
	if len(changed) == 0 && len(old) == len(sources) {
		return fault.In("units", "That is what stands there: nothing to correct.")
	}
	var asked []deviant
	for _, s := range changed {
		if err := t.refuseCycleOf(ctx, b.ID, s); err != nil {
			return err
		}
		asked = append(asked, s.off(t.workshop.Style, product, p.PackedOn)...)
	}
	for _, k := range product.Parts {
		if err := t.withdrawDeviations(ctx, aboutIn(p.ID, partKey(k.Product))); err != nil {
			return err
		}
	}
	asked = append(asked, unitsOff(p.ID, product.Parts, takenFrom(sources), p.UnitsGood+p.UnitsRetained)...)
	c.Really.Reason = firstOf(c.Really.Reason, c.Reason)
	if err := t.askAll(c.Really, asked); err != nil {
		return err
	}
	for _, s := range changed {
		if err := t.takeUnits(ctx, b.ID, b.Code, s, p.PackedOn); err != nil {
			return err
		}
	}
	if err := t.coverUnits(ctx, ids, b.Code); err != nil {
		return err
	}
	if err := t.dateSet(ctx, b, p, product, changed); err != nil {
		return err
	}
	return t.raise(ctx, b.ID, asked, c.Really.Reason)
}

// lockSet locks a set's batch and reads it with its one packing.
func (t *tx) lockSet(ctx context.Context, code string) (Batch, BatchRecord, Packing, error) {
	b, err := t.lockBatch(ctx, code)
	if err != nil {
		return b, BatchRecord{}, Packing{}, err
	}
	if !b.IsSet() {
		return b, BatchRecord{}, Packing{}, fault.New(fault.NotFound, "Batch "+code+" is no set.")
	}
	if b.Status == "void" {
		return b, BatchRecord{}, Packing{}, fault.New(fault.Conflict, "Set "+code+" was taken apart already.")
	}
	record, err := loadBatch(ctx, t, t.who.Workshop, b.ID)
	if err != nil {
		return b, record, Packing{}, err
	}
	return b, record, record.Packings[0], nil
}

// undoUnits takes back the entries that do not stay as they are, and answers the sources to book anew, each with its
// packing as it then is.
func (t *tx) undoUnits(ctx context.Context, b Batch, old map[PackingID]BatchInput, sources []setSource) ([]setSource, error) {
	next := map[PackingID]InputID{}
	var changed []setSource
	for _, s := range sources {
		if in, there := old[s.packing.ID]; there && int(in.Quantity.IntPart()) == s.units {
			next[s.packing.ID] = InputID{} // stays
			continue
		}
		next[s.packing.ID] = s.id
		changed = append(changed, s)
	}
	for packing, in := range old {
		by, listed := next[packing]
		if listed && by == (InputID{}) {
			continue
		}
		if !listed {
			by = in.ID
		}
		if err := t.giveBack(ctx, b.ID, packing, in.ID, by); err != nil {
			return nil, err
		}
	}
	for i := range changed {
		list, err := queryPackings(ctx, t, `WHERE p.workshop_id = $1 AND p.id = $2`, t.who.Workshop, changed[i].packing.ID)
		if err != nil {
			return nil, err
		}
		changed[i].packing = list[0]
	}
	return changed, nil
}

// giveBack replaces one entry of units, with what was booked so that it could be.
func (t *tx) giveBack(ctx context.Context, set BatchID, packing PackingID, id, by InputID) error {
	if _, err := t.Exec(ctx, `UPDATE unit_move m SET replaced_by = m.id FROM batch_input i WHERE m.workshop_id = $1 AND m.packing_id = $2 AND m.more_than_recorded AND m.replaced_by IS NULL
		AND i.workshop_id = $1 AND i.id = $3 AND m.change_id = i.change_id`, t.who.Workshop, packing, id); err != nil {
		return err
	}
	if _, err := t.Exec(ctx, `UPDATE batch_input SET replaced_by = $4 WHERE workshop_id = $1 AND batch_id = $2 AND id = $3`, t.who.Workshop, set, id, by); err != nil {
		return err
	}
	return t.withdrawDeviations(ctx, id)
}

// coverUnits books as more than recorded what locked packings are short of once what others rested on was taken back.
func (t *tx) coverUnits(ctx context.Context, ids []PackingID, code string) error {
	list, err := queryPackings(ctx, t, `WHERE p.workshop_id = $1 AND p.id = ANY ($2::uuid[]) ORDER BY p.id`, t.who.Workshop, ids)
	if err != nil {
		return err
	}
	for _, p := range list {
		if p.OnHand < 0 {
			if err := t.moveUnits(ctx, p.ID, t.today, -p.OnHand, "count", true, "Used after "+code+" was corrected."); err != nil {
				return err
			}
		}
	}
	return nil
}

func (t *tx) refuseCycleOf(ctx context.Context, set BatchID, s setSource) error {
	source, _, err := batchOfCode(ctx, t, t.who.Workshop, s.packing.Code)
	if err != nil {
		return err
	}
	return faultInConflict(s.field, t.refuseCycle(ctx, set, source))
}

// dateSet decides a date that could not be decided before; one that was printed does not move, but for every label that a
// new source makes too late there is a deviation.
func (t *tx) dateSet(ctx context.Context, b Batch, p Packing, product Product, changed []setSource) error {
	if p.Printed == "" {
		parts, err := partDates(ctx, t, t.who.Workshop, b.ID)
		if err != nil {
			return err
		}
		date := setDate(t.workshop.Style, product, parts, nil)
		_, err = t.Exec(ctx, `UPDATE packing SET best_before = $3, date_precision = $4, opened_months = $5, date_reason = $6, printed = $7 WHERE workshop_id = $1 AND id = $2`,
			t.who.Workshop, p.ID, date.Date, date.precision(), date.opened(), date.Reason, bestbefore.Printed(date.Decision))
		return err
	}
	for _, s := range changed {
		if err := t.labelsOut(ctx, b, newInput{ID: s.id, Name: s.packing.ProductName + " " + s.packing.Code, Until: s.packing.BestBefore}); err != nil {
			return err
		}
	}
	return nil
}

// TakeApart takes sets that were written down by mistake, or taken apart, out of the book: their units go back to the
// packings they came from, and the packaging to its lots. Only while all of them are here. Faults: reason.
func (s *Store) TakeApart(ctx context.Context, who Who, entry Entry, code, reason string) error {
	if err := checkReason(reason); err != nil {
		return err
	}
	_, err := s.write(ctx, who, void, reason, entry, func(t *tx) error {
		if err := t.lockGenealogy(ctx); err != nil {
			return err
		}
		b, record, p, err := t.lockSet(ctx, code)
		if err != nil {
			return err
		}
		ids := []PackingID{p.ID}
		from := map[InputID]PackingID{}
		for _, in := range record.Inputs() {
			source, err := packingByCode(ctx, t, who.Workshop, in.SourcePacking)
			if err != nil {
				return err
			}
			from[in.ID], ids = source.ID, append(ids, source.ID)
		}
		locked, err := t.lockPackings(ctx, ids)
		if err != nil {
			return err
		}
		p = locked[p.ID]
		if err := t.mayCorrectPacking(ctx, p); err != nil {
			return err
		}
		if err := t.allHere(ctx, p); err != nil {
			return err
		}
		for _, in := range record.Inputs() {
			if err := t.giveBack(ctx, b.ID, from[in.ID], in.ID, in.ID); err != nil {
				return err
			}
		}
		if err := t.coverUnits(ctx, ids[1:], b.Code); err != nil {
			return err
		}
		return t.endSet(ctx, b, p)
	})
	if err != nil {
		return fmt.Errorf("store: take apart %q: %w", code, err)
	}
	return nil
}

// allHere refuses where some of the sets are not: their units cannot go back.
func (t *tx) allHere(ctx context.Context, p Packing) error {
	if p.OnHand != p.UnitsGood || p.Dispatched > 0 || p.Used > 0 {
		return fault.New(fault.Conflict, fmt.Sprintf("%s of %s have left or been used: the units in them cannot go back. Correct what they were put together from instead.", UnitCount(max(p.UnitsGood-p.OnHand, p.Dispatched+p.Used)), p.Code))
	}
	var kept bool
	if err := t.QueryRow(ctx, `SELECT EXISTS (SELECT FROM sample WHERE workshop_id = $1 AND packing_id = $2 AND replaced_by IS NULL)`, t.who.Workshop, p.ID).Scan(&kept); err != nil {
		return err
	}
	if kept {
		return fault.New(fault.Conflict, "Samples of "+p.Code+" are in the book as kept: they cannot be taken apart too.")
	}
	return nil
}

// endSet leaves a set's batch and packing in the book as void, with nothing in them.
func (t *tx) endSet(ctx context.Context, b Batch, p Packing) error {
	lines, err := packagingLines(ctx, t, t.who.Workshop, p.ID)
	if err != nil {
		return err
	}
	lines = slices.DeleteFunc(lines, func(l PackagingLine) bool { return l.Replaced })
	codes := make([]string, len(lines))
	for i, l := range lines {
		codes[i] = l.Lot
	}
	if err := t.lockLots(ctx, codes...); err != nil {
		return err
	}
	for _, statement := range []string{
		`UPDATE packing_input SET replaced_by = id WHERE workshop_id = $1 AND packing_id = $2 AND replaced_by IS NULL`,
		`UPDATE packing SET units_good = 0, units_retained = 0, status = 'rejected' WHERE workshop_id = $1 AND id = $2`,
	} {
		if _, err := t.Exec(ctx, statement, t.who.Workshop, p.ID); err != nil {
			return err
		}
	}
	if _, err := t.Exec(ctx, `UPDATE deviation SET withdrawn_at = $3 WHERE workshop_id = $1 AND (batch_id = $2 OR packing_id = $4) AND decision IS NULL AND withdrawn_at IS NULL`, t.who.Workshop, b.ID, t.now, p.ID); err != nil {
		return err
	}
	if _, err := t.Exec(ctx, `UPDATE batch SET status = 'void' WHERE workshop_id = $1 AND id = $2`, t.who.Workshop, b.ID); err != nil {
		return err
	}
	// What packaging had booked as more than recorded rested on the old entries.
	for _, l := range lines {
		if _, err := t.Exec(ctx, `UPDATE stock_move m SET replaced_by = m.id FROM packing_input i, material_lot l WHERE m.workshop_id = $1 AND m.more_than_recorded AND m.replaced_by IS NULL
			AND i.workshop_id = $1 AND i.id = $2 AND m.change_id = i.change_id AND l.workshop_id = $1 AND l.code = $3 AND m.lot_id = l.id`, t.who.Workshop, l.ID, l.Lot); err != nil {
			return err
		}
		if err := t.cover(ctx, l.Lot); err != nil {
			return err
		}
	}
	return nil
}
