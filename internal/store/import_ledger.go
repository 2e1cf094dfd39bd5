package store

import (
	"context"
	"strings"
)

// overdrawn finds what would be drawn or sent beyond what there is, and tells it at a drawing row: the last one of this
// import. A few rows have the views that pages read sum just what they touch. Many have each ledger summed in one pass:
// inside the import the planner knows nothing of tables that it has just filled, and a sum for each packing may then
// read all lines of the workshop every time.
func (i *importing) overdrawn(ctx context.Context) error {
	lots, units := lotsTouched, unitsTouched
	if i.many() {
		lots, units = lotsSummed, unitsSummed
	}
	for _, query := range []string{
		strings.Replace(lotsOverdrawn, "{stock}", lots, 1),
		strings.Replace(unitsOverdrawn, "{stock}", units, 1),
	} {
		if _, err := i.Exec(ctx, query, i.args()); err != nil {
			return err
		}
	}
	return nil
}

const (
	lotsTouched  = `(SELECT l.id, l.code, s.on_hand FROM material_lot l CROSS JOIN LATERAL (SELECT x.on_hand FROM lot_stock x WHERE x.workshop_id = @ws AND x.lot_id = l.id OFFSET 0) s WHERE l.workshop_id = @ws)`
	unitsTouched = `(SELECT p.id, p.code, s.on_hand FROM packing p CROSS JOIN LATERAL (SELECT x.on_hand FROM packing_stock x WHERE x.workshop_id = @ws AND x.packing_id = p.id OFFSET 0) s WHERE p.workshop_id = @ws)`

	// lotsSummed is on_hand of the view lot_stock for all lots at once.
	lotsSummed = `(SELECT l.id, l.code, n.on_hand FROM material_lot l JOIN (
		  SELECT m.id, sum(m.quantity) AS on_hand FROM (
		        SELECT x.id, x.quantity FROM material_lot x WHERE x.workshop_id = @ws
		        UNION ALL SELECT x.lot_id, x.quantity FROM lot_input x WHERE x.workshop_id = @ws AND x.replaced_by IS NULL
		        UNION ALL SELECT x.source_lot_id, -x.quantity FROM lot_input x WHERE x.workshop_id = @ws AND x.replaced_by IS NULL
		        UNION ALL SELECT x.material_lot_id, -x.quantity FROM batch_input x WHERE x.workshop_id = @ws AND x.material_lot_id IS NOT NULL AND x.replaced_by IS NULL
		        UNION ALL SELECT x.material_lot_id, -x.quantity FROM packing_input x WHERE x.workshop_id = @ws AND x.replaced_by IS NULL
		        UNION ALL SELECT x.lot_id, x.quantity FROM stock_move x WHERE x.workshop_id = @ws AND x.replaced_by IS NULL) m
		   GROUP BY m.id HAVING sum(m.quantity) < 0) n ON n.id = l.id WHERE l.workshop_id = @ws)`
	// unitsSummed is on_hand of the view packing_stock for all packings at once.
	unitsSummed = `(SELECT p.id, p.code, n.on_hand FROM packing p JOIN (
		  SELECT m.id, sum(m.units)::int AS on_hand FROM (
		        SELECT x.id, x.units_good AS units FROM packing x WHERE x.workshop_id = @ws
		        UNION ALL SELECT x.packing_id, -x.units FROM dispatch_line x WHERE x.workshop_id = @ws AND x.replaced_by IS NULL
		        UNION ALL SELECT x.packing_id, x.units FROM unit_return x WHERE x.workshop_id = @ws AND x.disposition <> 'destroy' AND x.replaced_by IS NULL
		        UNION ALL SELECT x.source_packing_id, -x.quantity FROM batch_input x WHERE x.workshop_id = @ws AND x.source_packing_id IS NOT NULL AND x.unit = 'each' AND x.replaced_by IS NULL
		        UNION ALL SELECT x.packing_id, x.units FROM unit_move x WHERE x.workshop_id = @ws AND x.replaced_by IS NULL) m
		   GROUP BY m.id HAVING sum(m.units) < 0) n ON n.id = p.id WHERE p.workshop_id = @ws)`

	lotsOverdrawn = `INSERT INTO import_fault (tab, row, col, words)
		WITH short AS MATERIALIZED (
		  SELECT s.code, trim_scale(-s.on_hand) AS lacks FROM {stock} s
		   WHERE s.on_hand < 0 AND s.code IN (SELECT material_lot FROM in_batch_inputs UNION SELECT material_lot FROM in_packing_inputs UNION SELECT source_lot FROM in_lot_inputs
		         UNION SELECT lot FROM in_lot_inputs UNION SELECT material_lot FROM in_stock_moves UNION SELECT code FROM in_material_lots))
		SELECT DISTINCT ON (l.code) w.tab, w.row, w.col, 'more is drawn from lot "' || l.code || '" than it held, by ' || l.lacks
		FROM short l JOIN (
		      SELECT 'batch_inputs' AS tab, x.row, 'quantity' AS col, x.material_lot AS lot, 1 AS rank FROM in_batch_inputs x WHERE NOT x.bad
		      UNION ALL SELECT 'packing_inputs', x.row, 'quantity', x.material_lot, 2 FROM in_packing_inputs x WHERE NOT x.bad
		      UNION ALL SELECT 'lot_inputs', x.row, 'quantity', x.source_lot, 3 FROM in_lot_inputs x WHERE NOT x.bad
		      UNION ALL SELECT 'stock_moves', x.row, 'quantity', x.material_lot, CASE WHEN x.quantity LIKE '-%' THEN 4 ELSE 6 END FROM in_stock_moves x WHERE NOT x.bad
		      UNION ALL SELECT 'lot_inputs', x.row, 'quantity', x.lot, 5 FROM in_lot_inputs x WHERE NOT x.bad
		      UNION ALL SELECT 'material_lots', x.row, 'quantity', x.code, 7 FROM in_material_lots x WHERE NOT x.bad) w ON w.lot = l.code
		ORDER BY l.code, w.rank, w.row DESC`

	unitsOverdrawn = `INSERT INTO import_fault (tab, row, col, words)
		WITH short AS MATERIALIZED (
		  SELECT s.code, -s.on_hand AS lacks FROM {stock} s
		   WHERE s.on_hand < 0 AND s.code IN (SELECT batch FROM in_dispatches UNION SELECT source_batch FROM in_batch_inputs WHERE unit = 'each' UNION SELECT batch FROM in_unit_moves
		         UNION SELECT batch FROM in_returns UNION SELECT code FROM in_packings))
		SELECT DISTINCT ON (p.code) w.tab, w.row, w.col, 'more units of "' || p.code || '" are sent, used and moved out than were made and came back, by ' || p.lacks
		FROM short p JOIN (
		      SELECT 'dispatches' AS tab, x.row, 'units' AS col, x.batch AS code, 1 AS rank FROM in_dispatches x WHERE NOT x.bad
		      UNION ALL SELECT 'batch_inputs', x.row, 'quantity', x.source_batch, 2 FROM in_batch_inputs x WHERE NOT x.bad AND x.unit = 'each'
		      UNION ALL SELECT 'unit_moves', x.row, 'units', x.batch, 3 FROM in_unit_moves x WHERE NOT x.bad
		      UNION ALL SELECT 'returns', x.row, 'units', x.batch, 4 FROM in_returns x WHERE NOT x.bad
		      UNION ALL SELECT 'packings', x.row, 'units_good', x.code, 5 FROM in_packings x WHERE NOT x.bad) w ON w.code = p.code
		ORDER BY p.code, w.rank, w.row DESC`
)
