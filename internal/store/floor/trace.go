package floor

import (
	"context"
	"fmt"
	"io"
	"strings"

	"github.com/google/uuid"
)

// traceLines is the list of a forward trace from a lot as one statement: what is affected, then the dispatch lines and
// what is on hand, in one block each that keeps the planner to the indexes. %[1]s is the workshop, %[2]s the lot's code.
const traceLines = `WITH RECURSIVE reach (kind, id) AS (
	SELECT 'lot'::text, l.id FROM material_lot l WHERE l.workshop_id = %[1]s AND l.code = %[2]s
	UNION
	SELECT s.kind, s.id FROM reach r CROSS JOIN LATERAL (
		SELECT 'lot' AS kind, i.lot_id AS id FROM lot_input i WHERE r.kind = 'lot' AND i.workshop_id = %[1]s AND i.source_lot_id = r.id AND i.replaced_by IS NULL
		UNION ALL SELECT 'batch', i.batch_id FROM batch_input i WHERE r.kind = 'lot' AND i.workshop_id = %[1]s AND i.material_lot_id = r.id AND i.replaced_by IS NULL
		UNION ALL SELECT 'packing', i.packing_id FROM packing_input i WHERE r.kind = 'lot' AND i.workshop_id = %[1]s AND i.material_lot_id = r.id AND i.replaced_by IS NULL
		UNION ALL SELECT 'batch', i.batch_id FROM batch_input i WHERE r.kind = 'batch' AND i.workshop_id = %[1]s AND i.source_batch_id = r.id AND i.replaced_by IS NULL
		UNION ALL SELECT 'batch', i.batch_id FROM batch_input i WHERE r.kind = 'packing' AND i.workshop_id = %[1]s AND i.source_packing_id = r.id AND i.replaced_by IS NULL
		OFFSET 0) s)
SELECT x.* FROM (
	SELECT a.id FROM reach r CROSS JOIN LATERAL (SELECT k.id FROM packing k WHERE r.kind = 'batch' AND k.workshop_id = %[1]s AND k.batch_id = r.id OFFSET 0) a
	UNION SELECT r.id FROM reach r WHERE r.kind = 'packing') h
CROSS JOIN LATERAL (
	SELECT b.code AS batch, p.code AS product, p.name AS product_name, b.made_on, k.best_before, o.*, k.code AS packing
	  FROM packing k JOIN batch b ON b.workshop_id = %[1]s AND b.id = k.batch_id JOIN product p ON p.workshop_id = %[1]s AND p.id = k.product_id
	 CROSS JOIN LATERAL (
		SELECT l.units, coalesce((SELECT sum(r.units) FROM unit_return r WHERE r.workshop_id = %[1]s AND r.dispatch_id = l.dispatch_id AND r.packing_id = h.id AND r.replaced_by IS NULL), 0)::int AS returned,
		       c.code AS customer, c.name AS customer_name, c.kind AS customer_kind, c.email, c.phone, d.code AS dispatch, d.dispatched_on
		  FROM dispatch_line l JOIN dispatch d ON d.workshop_id = %[1]s AND d.id = l.dispatch_id JOIN customer c ON c.workshop_id = %[1]s AND c.id = l.customer_id
		 WHERE l.workshop_id = %[1]s AND l.packing_id = h.id AND l.replaced_by IS NULL
		UNION ALL
		SELECT s.on_hand, 0, '', '', 'on hand', '', '', '', NULL FROM packing_stock s WHERE s.workshop_id = %[1]s AND s.packing_id = h.id AND s.on_hand > 0
		OFFSET 0) o
	 WHERE k.workshop_id = %[1]s AND k.id = h.id OFFSET 0) x
ORDER BY x.batch, x.packing, x.dispatch = '', x.dispatched_on, x.dispatch`

// CopyTrace writes the list of a forward trace as COPY does, under the serving role.
func (db *DB) CopyTrace(ctx context.Context, workshop uuid.UUID, lot string, w io.Writer) (rows int64, err error) {
	conn, err := db.pool.Acquire(ctx)
	if err != nil {
		return 0, fmt.Errorf("floor: %w", err)
	}
	defer conn.Release()
	if _, err := conn.Exec(ctx, `SELECT set_config('app.workshop_id', $1::text, false)`, workshop.String()); err != nil {
		return 0, fmt.Errorf("floor: %w", err)
	}
	query := fmt.Sprintf(traceLines, literal(workshop.String())+"::uuid", literal(lot))
	tag, err := conn.Conn().PgConn().CopyTo(ctx, w, `COPY (`+query+`) TO STDOUT (FORMAT csv, HEADER)`)
	if err != nil {
		return 0, fmt.Errorf("floor: copy: %w", err)
	}
	return tag.RowsAffected(), nil
}

// literal writes a text into a statement that takes no values.
func literal(text string) string { return "'" + strings.ReplaceAll(text, "'", "''") + "'" }

// Reached counts the batches that a lot reached.
func (db *DB) Reached(ctx context.Context, workshop uuid.UUID, lot string) (n int, err error) {
	list := []Statement{
		{`SELECT set_config('app.workshop_id', $1::text, true)`, []any{workshop.String()}},
		{`WITH RECURSIVE reach (id) AS (
			SELECT i.batch_id FROM material_lot l JOIN batch_input i ON i.workshop_id = $1 AND i.material_lot_id = l.id AND i.replaced_by IS NULL WHERE l.workshop_id = $1 AND l.code = $2
			UNION SELECT s.id FROM reach r CROSS JOIN LATERAL (SELECT i.batch_id AS id FROM batch_input i WHERE i.workshop_id = $1 AND i.source_batch_id = r.id AND i.replaced_by IS NULL OFFSET 0) s)
			SELECT count(*) FROM reach`, []any{workshop, lot}},
	}
	all, err := db.Batch(ctx, list)
	if err != nil {
		return 0, err
	}
	_, err = fmt.Sscan(all[1][0][0], &n)
	return n, err
}
