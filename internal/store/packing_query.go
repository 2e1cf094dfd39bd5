package store

import (
	"context"
	"fmt"

	"github.com/jackc/pgx/v5"

	"example.org/stillroom/internal/fault"
)

// packingColumns reads a Packing from packingFrom; packingOrder is the order in which stock leaves: earliest best-before
// first, then what has no date, in order of making (design, "Best before").
const packingColumns = `p.id, p.code, p.n, b.code, p.product_id, r.code, r.name, p.packed_on, p.packed_at, p.units_good, p.units_retained, p.best_before, p.date_precision, coalesce(p.opened_months, 0),
	p.date_reason, p.printed, p.status, p.cleared, p.label_checked, p.label_specimen, p.labels_used, p.labels_issued, p.labels_spoiled, p.labels_returned, coalesce(p.packaging_note, ''), s.dispatched, s.returned, s.destroyed, s.used, s.moved, s.on_hand, s.held, coalesce(` + recallOfPacking + `, 0)`

// The ledger is one LATERAL block with OFFSET 0: the planner then sums it for the packings asked for, and not for all
// of the workshop before it picks them.
const packingFrom = ` FROM packing p JOIN batch b ON b.workshop_id = p.workshop_id AND b.id = p.batch_id
	JOIN product r ON r.workshop_id = p.workshop_id AND r.id = p.product_id
	CROSS JOIN LATERAL (SELECT k.dispatched, k.returned, k.destroyed, k.used, k.moved, k.on_hand, least(k.held, k.on_hand) AS held
		FROM packing_stock k WHERE k.workshop_id = p.workshop_id AND k.packing_id = p.id OFFSET 0) s `

const packingOrder = ` ORDER BY p.best_before NULLS LAST, b.made_on, p.packed_on, p.n, p.code`

func (p *Packing) fields() []any {
	return []any{&p.ID, &p.Code, &p.N, &p.BatchCode, &p.ProductID, &p.ProductCode, &p.ProductName, &p.PackedOn, &p.PackedAt, &p.UnitsGood, &p.UnitsRetained, &p.BestBefore, &p.Precision, &p.OpenedMonths,
		&p.DateReason, &p.Printed, &p.Status, &p.Cleared, &p.LabelChecked, &p.LabelSpecimen, &p.LabelsUsed, &p.LabelsIssued, &p.LabelsSpoiled, &p.LabelsReturned, &p.PackagingNote, &p.Dispatched, &p.Returned, &p.Destroyed, &p.Used, &p.Moved, &p.OnHand, &p.Held, &p.Recall}
}

func scanPacking(row pgx.CollectableRow) (Packing, error) {
	var p Packing
	err := row.Scan(p.fields()...)
	return p, err
}

// queryPackings reads packings with their ledgers summed; where starts with WHERE and may name p (packing), b (batch),
// r (product) and s (its stock), and order.
func queryPackings(ctx context.Context, t pgx.Tx, where string, args ...any) ([]Packing, error) {
	rows, err := t.Query(ctx, `SELECT `+packingColumns+packingFrom+where, args...)
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, scanPacking)
}

func noPacking(code string) error {
	return fault.New(fault.NotFound, fmt.Sprintf("There is no packing %q.", code))
}

// packingByCode reads one packing by the code as it is written in the book.
func packingByCode(ctx context.Context, t pgx.Tx, workshop WorkshopID, code string) (Packing, error) {
	list, err := queryPackings(ctx, t, `WHERE p.workshop_id = $1 AND p.code_key = $2 AND p.code = $3`, workshop, foldBatch(code), code)
	if err == nil && len(list) == 0 {
		err = noPacking(code)
	}
	if err != nil {
		return Packing{}, err
	}
	return list[0], nil
}

// typedPacking reads one packing by its code as somebody typed it from a label: case, separators and look-alikes do not
// matter, and folded codes are unique in the workshop, so that it cannot be another one.
func typedPacking(ctx context.Context, t pgx.Tx, workshop WorkshopID, typed string) (Packing, error) {
	list, err := queryPackings(ctx, t, `WHERE p.workshop_id = $1 AND p.code_key = $2`, workshop, foldBatch(typed))
	if err == nil && len(list) == 0 {
		err = noPacking(typed)
	}
	if err != nil {
		return Packing{}, err
	}
	return list[0], nil
}

// lockPackings keeps others from moving units of these packings until the transaction ends, in the order of their ids,
// so that two transactions never wait for each other. What is on hand is true from then on.
func (t *tx) lockPackings(ctx context.Context, ids []PackingID) (map[PackingID]Packing, error) {
	if _, err := t.Exec(ctx, `SELECT FROM packing WHERE workshop_id = $1 AND id = ANY ($2::uuid[]) ORDER BY id FOR NO KEY UPDATE`, t.who.Workshop, ids); err != nil {
		return nil, err
	}
	list, err := queryPackings(ctx, t, `WHERE p.workshop_id = $1 AND p.id = ANY ($2::uuid[])`, t.who.Workshop, ids)
	if err != nil {
		return nil, err
	}
	locked := make(map[PackingID]Packing, len(list))
	for _, p := range list {
		locked[p.ID] = p
	}
	return locked, nil
}

// lockPacking is lockPackings for one, by its code as it is written in the book or on the label.
func (t *tx) lockPacking(ctx context.Context, code string) (Packing, error) {
	p, err := typedPacking(ctx, t, t.who.Workshop, code)
	if err != nil {
		return Packing{}, err
	}
	locked, err := t.lockPackings(ctx, []PackingID{p.ID})
	return locked[p.ID], err
}

// Packing reads one packing with its ledger summed, by the code as it is written in the book.
func (s *Store) Packing(ctx context.Context, workshop WorkshopID, code string) (Packing, error) {
	return s.onePacking(ctx, workshop, code, packingByCode)
}

// PackingTyped is Packing for a code as somebody typed it from a label.
func (s *Store) PackingTyped(ctx context.Context, workshop WorkshopID, typed string) (Packing, error) {
	return s.onePacking(ctx, workshop, typed, typedPacking)
}

func (s *Store) onePacking(ctx context.Context, workshop WorkshopID, code string, find func(context.Context, pgx.Tx, WorkshopID, string) (Packing, error)) (Packing, error) {
	var p Packing
	err := s.read(ctx, workshop, func(t pgx.Tx) (err error) {
		p, err = find(ctx, t, workshop, code)
		return err
	})
	if err != nil {
		return Packing{}, fmt.Errorf("store: packing %q: %w", code, err)
	}
	return p, nil
}
