package store

import (
	"context"
	"fmt"

	"github.com/jackc/pgx/v5"
)

// SupplierLot is one supplier's lot that came more than once: a withdrawal means all of its deliveries.
type SupplierLot struct {
	SupplierCode, SupplierName string
	Lot                        string // the supplier's number, as it was written first
	Deliveries                 int
}

// RepeatedLots are the suppliers' lots of a number, however it is written, that came more than once, by supplier's name.
func (s *Store) RepeatedLots(ctx context.Context, workshop WorkshopID, number string) ([]SupplierLot, error) {
	key := foldWord(number)
	if key == "" {
		return nil, nil
	}
	var list []SupplierLot
	err := s.read(ctx, workshop, func(t pgx.Tx) error {
		rows, err := t.Query(ctx, `SELECT p.code, p.name, (array_agg(l.supplier_lot ORDER BY l.received_on, l.code))[1], count(*)::int FROM material_lot l JOIN supplier p ON p.workshop_id = l.workshop_id AND p.id = l.supplier_id
			WHERE l.workshop_id = $1 AND l.supplier_lot_key = $2 AND l.supplier_lot_key <> '' GROUP BY p.id, p.code, p.name HAVING count(*) > 1 ORDER BY p.name, p.code`, workshop, key)
		if err == nil {
			list, err = pgx.CollectRows(rows, pgx.RowToStructByPos[SupplierLot])
		}
		return err
	})
	if err != nil {
		return nil, fmt.Errorf("store: repeated lots %q: %w", number, err)
	}
	return list, nil
}
