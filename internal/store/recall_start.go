package store

import (
	"context"
	"fmt"
	"strings"

	"github.com/jackc/pgx/v5"

	"example.org/stillroom/internal/day"
)

// RecallChoice is one thing in the book that a typed code can mean, as a recall may start from it.
type RecallChoice struct {
	Start TraceStart
	Name  string  // the material, product or formula
	From  string  // a lot's supplier with the supplier's number; how else a code came onto a packing's units; a complaint's packing
	On    day.Day // received, made or packed
	N     int     // deliveries of a supplier's lot, packings of a batch
}

// recallChoices finds what each of several codes names exactly, but for case, separators and look-alikes: lots by their
// own code and by the supplier's number, batches, packings, packings whose units bear it besides, and complaints that
// somebody decided a packing for. $2 and $3 are the codes folded as words and as codes, $4 as codes on units, $5 the numbers of complaints. A supplier's lot is one choice with all its deliveries. The
// first packing has the code of its batch: it is a choice of its own only where there are others.
const recallChoices = `SELECT o.n, x.kind, x.code, x.supplier, x.name, x.detail, x.happened_on, x.things FROM unnest($2::text[], $3::text[], $4::text[], $5::int[]) WITH ORDINALITY o (word, alike, batch, complaint, n) CROSS JOIN LATERAL (
	SELECT 1 AS rank, 'lot' AS kind, l.code, '' AS supplier, m.name, concat_ws(' lot ', nullif(p.name, ''), nullif(l.supplier_lot, '')) AS detail, l.received_on AS happened_on, 1 AS things
	  FROM material_lot l JOIN material m ON m.workshop_id = $1 AND m.id = l.material_id LEFT JOIN supplier p ON p.workshop_id = $1 AND p.id = l.supplier_id
	 WHERE l.workshop_id = $1 AND l.id IN (SELECT s.target_id FROM search_key s WHERE s.workshop_id = $1 AND s.kind = 'lot' AND s.key IN (o.word, o.alike))
	UNION ALL
	SELECT 2, 'supplier lot', (array_agg(l.supplier_lot ORDER BY l.received_on, l.code))[1], p.code, string_agg(DISTINCT m.name, ', '), p.name, min(l.received_on), count(*)::int
	  FROM material_lot l JOIN material m ON m.workshop_id = $1 AND m.id = l.material_id JOIN supplier p ON p.workshop_id = $1 AND p.id = l.supplier_id
	 WHERE l.workshop_id = $1 AND l.supplier_lot_key = o.word AND l.supplier_lot_key <> '' GROUP BY p.code, p.name
	UNION ALL
	SELECT 3, 'batch', b.code, '', coalesce(r.name, f.name, ''), '', b.made_on, (SELECT count(*)::int FROM packing k WHERE k.workshop_id = $1 AND k.batch_id = b.id)
	  FROM batch b LEFT JOIN product r ON r.workshop_id = $1 AND r.id = b.product_id LEFT JOIN formula f ON f.workshop_id = $1 AND f.id = b.formula_id
	 WHERE b.workshop_id = $1 AND b.code_key = o.batch AND b.status <> 'void'
	UNION ALL
	SELECT 4, 'packing', k.code, '', r.name, '', k.packed_on, 1 FROM packing k JOIN product r ON r.workshop_id = $1 AND r.id = k.product_id
	 WHERE k.workshop_id = $1 AND k.code_key = o.batch AND (SELECT count(*) FROM packing z WHERE z.workshop_id = $1 AND z.batch_id = k.batch_id) > 1
	UNION ALL
	SELECT 5, 'packing', k.code, '', r.name, u.reason, k.packed_on, 1 FROM unit_code u JOIN packing k ON k.workshop_id = $1 AND k.id = u.packing_id JOIN product r ON r.workshop_id = $1 AND r.id = k.product_id
	 WHERE u.workshop_id = $1 AND u.code_key = o.batch AND u.replaced_by IS NULL
	UNION ALL
	SELECT 6, 'complaint', 'C-' || e.n, '', r.name, k.code, k.packed_on, 1 FROM complaint e JOIN packing k ON k.workshop_id = $1 AND k.id = e.packing_id JOIN product r ON r.workshop_id = $1 AND r.id = k.product_id
	 WHERE e.workshop_id = $1 AND e.n = o.complaint) x
	WHERE o.word <> '' ORDER BY o.n, x.rank, x.code, x.supplier`

// RecallChoices tells for each typed code what it can mean, in the order of the codes. None is ever chosen here.
func (s *Store) RecallChoices(ctx context.Context, workshop WorkshopID, typed []string) ([][]RecallChoice, error) {
	found := make([][]RecallChoice, len(typed))
	words, alikes, batches, complaints := make([]string, len(typed)), make([]string, len(typed)), make([]string, len(typed)), make([]int, len(typed))
	for i, code := range typed {
		words[i], alikes[i], batches[i] = foldWord(code), foldCode(code), foldBatch(code)
		if strings.HasPrefix(words[i], "c") { // a number alone names no complaint
			complaints[i], _ = ParseComplaint(code)
		}
	}
	err := s.read(ctx, workshop, func(t pgx.Tx) error {
		rows, err := t.Query(ctx, recallChoices, workshop, words, alikes, batches, complaints)
		if err != nil {
			return err
		}
		var n int
		var c RecallChoice
		_, err = pgx.ForEachRow(rows, []any{&n, &c.Start.Kind, &c.Start.Code, &c.Start.Supplier, &c.Name, &c.From, &c.On, &c.N}, func() error {
			found[n-1] = append(found[n-1], c)
			return nil
		})
		return err
	})
	if err != nil {
		return nil, fmt.Errorf("store: what a recall starts from: %w", err)
	}
	return found, nil
}
