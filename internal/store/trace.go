package store

import (
	"context"
	"fmt"
	"sort"
	"strings"

	"github.com/jackc/pgx/v5"
	"github.com/shopspring/decimal"

	"example.org/stillroom/internal/batchcode"
	"example.org/stillroom/internal/day"
	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/trace"
)

// reachForward follows what used what: lots into lots, lots into batches, batches and packings into batches, packaging
// lots into packings. UNION on the node alone ends on diamonds and cycles; each step is one LATERAL block with OFFSET 0,
// so that the planner keeps to the indexes whatever it guesses about the size. $2 kinds, $3 ids of the origins.
const reachForward = `WITH RECURSIVE reach (kind, id) AS (
	SELECT o.kind, o.id FROM unnest($2::text[], $3::uuid[]) o (kind, id)
	UNION
	SELECT s.kind, s.id FROM reach r CROSS JOIN LATERAL (
		SELECT 'lot' AS kind, i.lot_id AS id FROM lot_input i WHERE r.kind = 'lot' AND i.workshop_id = $1 AND i.source_lot_id = r.id AND i.replaced_by IS NULL
		UNION ALL SELECT 'batch', i.batch_id FROM batch_input i WHERE r.kind = 'lot' AND i.workshop_id = $1 AND i.material_lot_id = r.id AND i.replaced_by IS NULL
		UNION ALL SELECT 'packing', i.packing_id FROM packing_input i WHERE r.kind = 'lot' AND i.workshop_id = $1 AND i.material_lot_id = r.id AND i.replaced_by IS NULL
		UNION ALL SELECT 'batch', i.batch_id FROM batch_input i WHERE r.kind = 'batch' AND i.workshop_id = $1 AND i.source_batch_id = r.id AND i.replaced_by IS NULL
		UNION ALL SELECT 'batch', i.batch_id FROM batch_input i WHERE r.kind = 'packing' AND i.workshop_id = $1 AND i.source_packing_id = r.id AND i.replaced_by IS NULL
		OFFSET 0) s)
	SELECT kind, id FROM reach`

// reachBackward follows what went into what, to the lots.
const reachBackward = `WITH RECURSIVE reach (kind, id) AS (
	SELECT o.kind, o.id FROM unnest($2::text[], $3::uuid[]) o (kind, id)
	UNION
	SELECT s.kind, s.id FROM reach r CROSS JOIN LATERAL (
		SELECT 'lot' AS kind, i.source_lot_id AS id FROM lot_input i WHERE r.kind = 'lot' AND i.workshop_id = $1 AND i.lot_id = r.id AND i.replaced_by IS NULL
		UNION ALL SELECT 'lot', i.material_lot_id FROM batch_input i WHERE r.kind = 'batch' AND i.workshop_id = $1 AND i.batch_id = r.id AND i.material_lot_id IS NOT NULL AND i.replaced_by IS NULL
		UNION ALL SELECT 'batch', i.source_batch_id FROM batch_input i WHERE r.kind = 'batch' AND i.workshop_id = $1 AND i.batch_id = r.id AND i.source_batch_id IS NOT NULL AND i.replaced_by IS NULL
		UNION ALL SELECT 'packing', i.source_packing_id FROM batch_input i WHERE r.kind = 'batch' AND i.workshop_id = $1 AND i.batch_id = r.id AND i.source_packing_id IS NOT NULL AND i.replaced_by IS NULL
		UNION ALL SELECT 'lot', i.material_lot_id FROM packing_input i WHERE r.kind = 'packing' AND i.workshop_id = $1 AND i.packing_id = r.id AND i.replaced_by IS NULL
		OFFSET 0) s)
	SELECT kind, id FROM reach`

// node is a lot, batch or packing of the genealogy.
type node struct {
	Kind string
	ID   [16]byte
}

// reached is a set of nodes, by kind.
type reached map[string][][16]byte

func reach(ctx context.Context, t pgx.Tx, workshop WorkshopID, query string, origins ...node) (reached, error) {
	kinds, ids := make([]string, len(origins)), make([][16]byte, len(origins))
	for i, o := range origins {
		kinds[i], ids[i] = o.Kind, o.ID
	}
	rows, err := t.Query(ctx, query, workshop, kinds, ids)
	if err != nil {
		return nil, err
	}
	set := reached{}
	var n node
	_, err = pgx.ForEachRow(rows, []any{&n.Kind, &n.ID}, func() error {
		set[n.Kind] = append(set[n.Kind], n.ID)
		return nil
	})
	return set, err
}

// TraceForward is where a lot or a batch went, as read in one snapshot, with the genealogy between the batches.
type TraceForward struct {
	trace.Forward
	// Origins are the batches at depth 0; Edges lead from a source batch to the batch that drew on it.
	Origins []string
	Edges   []trace.Edge
	// Lots are the origin lots and the tubs filled from them.
	Lots []string
	// CorrectedAway are batches that were reached only by entries corrected since; they are not part of the rest.
	CorrectedAway []string
}

// TraceLot follows one material lot forward.
func (s *Store) TraceLot(ctx context.Context, workshop WorkshopID, code string) (TraceForward, error) {
	var out TraceForward
	err := s.read(ctx, workshop, func(t pgx.Tx) error {
		var id LotID
		if err := t.QueryRow(ctx, `SELECT id FROM material_lot WHERE workshop_id = $1 AND code = $2`, workshop, code).Scan(&id); err != nil {
			return notFound(err, fmt.Sprintf("There is no lot %q.", code))
		}
		var err error
		out, err = forward(ctx, t, workshop, trace.Origin{Kind: "lot", Code: code}, node{"lot", id})
		return err
	})
	if err != nil {
		return TraceForward{}, fmt.Errorf("store: trace lot %q: %w", code, err)
	}
	return out, nil
}

// TraceSupplierLot follows every delivery of one supplier's lot forward. The key is the folded lot.
func (s *Store) TraceSupplierLot(ctx context.Context, workshop WorkshopID, supplier, supplierLot string) (TraceForward, error) {
	var out TraceForward
	err := s.read(ctx, workshop, func(t pgx.Tx) error {
		rows, err := t.Query(ctx, `SELECT l.id FROM material_lot l JOIN supplier p ON p.workshop_id = l.workshop_id AND p.id = l.supplier_id
			WHERE l.workshop_id = $1 AND p.code = $2 AND l.supplier_lot_key = $3 AND $3 <> ''`, workshop, supplier, foldWord(supplierLot))
		if err != nil {
			return err
		}
		ids, err := pgx.CollectRows(rows, pgx.RowTo[[16]byte])
		if err != nil {
			return err
		}
		if len(ids) == 0 {
			return fault.New(fault.NotFound, fmt.Sprintf("No delivery of lot %q from %s is in the book.", supplierLot, supplier))
		}
		origins := make([]node, len(ids))
		for i, id := range ids {
			origins[i] = node{"lot", id}
		}
		out, err = forward(ctx, t, workshop, trace.Origin{Kind: "lot", Code: supplierLot}, origins...)
		return err
	})
	if err != nil {
		return TraceForward{}, fmt.Errorf("store: trace supplier lot %q: %w", supplierLot, err)
	}
	return out, nil
}

// TraceBatch follows one batch forward; a packing's code leads to its batch.
func (s *Store) TraceBatch(ctx context.Context, workshop WorkshopID, code string) (TraceForward, error) {
	var out TraceForward
	err := s.read(ctx, workshop, func(t pgx.Tx) error {
		id, batch, err := batchOfCode(ctx, t, workshop, code)
		if err != nil {
			return err
		}
		out, err = forward(ctx, t, workshop, trace.Origin{Kind: "batch", Code: batch}, node{"batch", id})
		return err
	})
	if err != nil {
		return TraceForward{}, fmt.Errorf("store: trace batch %q: %w", code, err)
	}
	return out, nil
}

// foldBatch is a batch code's uniqueness key.
func foldBatch(code string) string { return batchcode.Fold(code) }

// batchOfCode finds a batch by its exact code or by that of one of its packings.
func batchOfCode(ctx context.Context, t pgx.Tx, workshop WorkshopID, code string) (BatchID, string, error) {
	var id BatchID
	var batch string
	err := t.QueryRow(ctx, `SELECT b.id, b.code FROM batch b WHERE b.workshop_id = $1 AND b.code_key = $2 AND b.code = $3
		UNION ALL SELECT b.id, b.code FROM packing p JOIN batch b ON b.workshop_id = p.workshop_id AND b.id = p.batch_id WHERE p.workshop_id = $1 AND p.code_key = $2 AND p.code = $3
		LIMIT 1`, workshop, foldBatch(code), code).Scan(&id, &batch)
	return id, batch, notFound(err, fmt.Sprintf("There is no batch %q.", code))
}

func forward(ctx context.Context, t pgx.Tx, workshop WorkshopID, origin trace.Origin, origins ...node) (TraceForward, error) {
	set, err := reach(ctx, t, workshop, reachForward, origins...)
	if err != nil {
		return TraceForward{}, err
	}
	out := TraceForward{}
	out.Edges, out.Origins, err = genealogy(ctx, t, workshop, set, origins)
	if err != nil {
		return TraceForward{}, err
	}
	if out.Lots, err = lotCodes(ctx, t, workshop, set["lot"]); err != nil {
		return TraceForward{}, err
	}
	batches, err := affected(ctx, t, workshop, set)
	if err != nil {
		return TraceForward{}, err
	}
	depths := trace.Depths(out.Origins, out.Edges)
	for i := range batches {
		batches[i].Depth = depths[batches[i].Code]
	}
	lines, err := traceLines(ctx, t, workshop, set)
	if err != nil {
		return TraceForward{}, err
	}
	out.Forward = trace.NewForward(origin, batches, lines)
	out.CorrectedAway, err = correctedAway(ctx, t, workshop, set)
	return out, err
}

// genealogy reads the edges between the reached batches, by code, and which batches stand at depth 0: those that used
// the origin itself, not another batch.
func genealogy(ctx context.Context, t pgx.Tx, workshop WorkshopID, set reached, origins []node) ([]trace.Edge, []string, error) {
	rows, err := t.Query(ctx, `SELECT DISTINCT s.code, b.code FROM unnest($2::uuid[]) r (id) CROSS JOIN LATERAL (
			SELECT i.source_batch_id, i.batch_id FROM batch_input i WHERE i.workshop_id = $1 AND i.batch_id = r.id AND i.source_batch_id = ANY ($3::uuid[]) AND i.replaced_by IS NULL OFFSET 0) e
		JOIN batch s ON s.workshop_id = $1 AND s.id = e.source_batch_id JOIN batch b ON b.workshop_id = $1 AND b.id = e.batch_id`,
		workshop, set["batch"], set["batch"])
	if err != nil {
		return nil, nil, err
	}
	edges, err := pgx.CollectRows(rows, pgx.RowToStructByPos[trace.Edge])
	if err != nil {
		return nil, nil, err
	}
	// A packing reached by its packaging alone leads on to batches that drew its units; they count from its batch.
	direct := map[[16]byte]bool{}
	for _, o := range origins {
		if o.Kind == "batch" {
			direct[o.ID] = true
		}
	}
	rows, err = t.Query(ctx, `SELECT DISTINCT b.id, b.code FROM (
			SELECT i.batch_id AS id FROM batch_input i WHERE i.workshop_id = $1 AND i.material_lot_id = ANY ($2::uuid[]) AND i.replaced_by IS NULL
			UNION SELECT p.batch_id FROM packing p WHERE p.workshop_id = $1 AND p.id = ANY ($3::uuid[])
			UNION SELECT o.id FROM unnest($4::uuid[]) o (id)) d JOIN batch b ON b.workshop_id = $1 AND b.id = d.id ORDER BY 2`,
		workshop, set["lot"], set["packing"], idList(direct))
	if err != nil {
		return nil, nil, err
	}
	var at []string
	var id [16]byte
	var code string
	_, err = pgx.ForEachRow(rows, []any{&id, &code}, func() error {
		at = append(at, code)
		return nil
	})
	if err != nil {
		return nil, nil, err
	}
	more, err := packingEdges(ctx, t, workshop, set)
	return append(edges, more...), at, err
}

// packingEdges are draws on packings that were reached by their packaging alone.
func packingEdges(ctx context.Context, t pgx.Tx, workshop WorkshopID, set reached) ([]trace.Edge, error) {
	rows, err := t.Query(ctx, `SELECT DISTINCT s.code, b.code FROM batch_input i JOIN batch s ON s.workshop_id = $1 AND s.id = i.source_batch_id
		JOIN batch b ON b.workshop_id = $1 AND b.id = i.batch_id WHERE i.workshop_id = $1 AND i.source_packing_id = ANY ($2::uuid[]) AND i.replaced_by IS NULL`, workshop, set["packing"])
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, pgx.RowToStructByPos[trace.Edge])
}

func idList(set map[[16]byte]bool) [][16]byte {
	list := make([][16]byte, 0, len(set))
	for id := range set {
		list = append(list, id)
	}
	return list
}

func lotCodes(ctx context.Context, t pgx.Tx, workshop WorkshopID, ids [][16]byte) ([]string, error) {
	rows, err := t.Query(ctx, `SELECT code FROM material_lot WHERE workshop_id = $1 AND id = ANY ($2::uuid[]) ORDER BY code`, workshop, ids)
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, pgx.RowTo[string])
}

// affectedPackings are all packings of the reached batches and those reached by their packaging.
const affectedPackings = `SELECT a.id FROM unnest($2::uuid[]) b (id) CROSS JOIN LATERAL (SELECT p.id FROM packing p WHERE p.workshop_id = $1 AND p.batch_id = b.id OFFSET 0) a
	UNION SELECT p.id FROM unnest($3::uuid[]) p (id)`

// affected is a row for each batch with its affected packings' units summed. A batch reached only through the
// packaging of some of its packings counts those alone.
func affected(ctx context.Context, t pgx.Tx, workshop WorkshopID, set reached) ([]trace.BatchRow, error) {
	rows, err := t.Query(ctx, `WITH hit AS (`+affectedPackings+`),
		whole AS (SELECT b.id FROM unnest($2::uuid[]) b (id) UNION SELECT p.batch_id FROM hit h JOIN packing p ON p.workshop_id = $1 AND p.id = h.id)
		SELECT b.code, coalesce(pr.code, ''), b.made_on, coalesce(u.best_before, b.best_before), b.status,
		       coalesce(u.good, 0), coalesce(u.dispatched, 0), coalesce(u.returned, 0), coalesce(u.back, 0), coalesce(u.destroyed, 0), coalesce(u.used, 0), coalesce(u.moved, 0)
		  FROM whole w CROSS JOIN LATERAL (SELECT x.id, x.code, x.product_id, x.made_on, x.best_before, x.status FROM batch x WHERE x.workshop_id = $1 AND x.id = w.id OFFSET 0) b
		  CROSS JOIN LATERAL (SELECT min(p.best_before) AS best_before, (array_agg(p.product_id ORDER BY p.n))[1] AS product_id, sum(s.units_good) AS good, sum(s.dispatched) AS dispatched, sum(s.returned) AS returned,
		                        sum(s.returned_back) AS back, sum(s.destroyed) AS destroyed, sum(s.used) AS used, sum(s.moved) AS moved
		                        FROM packing p JOIN packing_stock s ON s.workshop_id = $1 AND s.packing_id = p.id
		                       WHERE p.workshop_id = $1 AND p.batch_id = w.id AND p.id IN (SELECT id FROM hit) OFFSET 0) u
		  LEFT JOIN product pr ON pr.workshop_id = $1 AND pr.id = coalesce(u.product_id, b.product_id)
		 ORDER BY b.code`, workshop, set["batch"], set["packing"])
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, func(row pgx.CollectableRow) (trace.BatchRow, error) {
		var r trace.BatchRow
		var made, best day.Day
		var u trace.Units
		err := row.Scan(&r.Code, &r.Product, &made, &best, &r.Status, &u.Good, &u.Dispatched, &u.Returned, &u.RestockedOrHeld, &u.Destroyed, &u.Used, &u.Moved)
		r.MadeOn, r.BestBefore = made.String(), best.String()
		return r.WithUnits(u), err
	})
}

// traceLines is a row for each dispatch line of an affected packing, and one for what is still on hand of it.
func traceLines(ctx context.Context, t pgx.Tx, workshop WorkshopID, set reached) ([]trace.Line, error) {
	rows, err := t.Query(ctx, `WITH hit AS (`+affectedPackings+`)
		SELECT b.code, pr.code, pr.name, b.made_on, p.best_before, x.units, x.returned, coalesce(c.code, ''), coalesce(c.name, ''), coalesce(c.kind, 'on hand'),
		       coalesce(c.email, ''), coalesce(c.phone, ''), coalesce(x.dispatch, ''), x.dispatched_on, p.code
		  FROM hit h CROSS JOIN LATERAL (SELECT k.id, k.batch_id, k.product_id, k.best_before, k.code FROM packing k WHERE k.workshop_id = $1 AND k.id = h.id OFFSET 0) p
		  CROSS JOIN LATERAL (SELECT z.code, z.made_on FROM batch z WHERE z.workshop_id = $1 AND z.id = p.batch_id OFFSET 0) b
		  JOIN product pr ON pr.workshop_id = $1 AND pr.id = p.product_id
		  CROSS JOIN LATERAL (
		    SELECT l.units, coalesce((SELECT sum(r.units) FROM unit_return r WHERE r.workshop_id = $1 AND r.dispatch_id = l.dispatch_id AND r.packing_id = p.id AND r.replaced_by IS NULL), 0)::int AS returned,
		           l.customer_id, d.code AS dispatch, d.dispatched_on
		      FROM dispatch_line l JOIN dispatch d ON d.workshop_id = $1 AND d.id = l.dispatch_id
		     WHERE l.workshop_id = $1 AND l.packing_id = p.id AND l.replaced_by IS NULL
		    UNION ALL SELECT s.on_hand, 0, NULL, NULL, NULL FROM packing_stock s WHERE s.workshop_id = $1 AND s.packing_id = p.id AND s.on_hand > 0
		    OFFSET 0) x
		  LEFT JOIN customer c ON c.workshop_id = $1 AND c.id = x.customer_id
		 ORDER BY b.code, p.code, x.dispatched_on NULLS LAST, x.dispatch`, workshop, set["batch"], set["packing"])
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, func(row pgx.CollectableRow) (trace.Line, error) {
		var l trace.Line
		var made, best, sent day.Day
		err := row.Scan(&l.Batch, &l.Product, &l.ProductName, &made, &best, &l.Units, &l.Returned, &l.Customer, &l.CustomerName, &l.CustomerKind, &l.Email, &l.Phone, &l.Dispatch, &sent, &l.Packing)
		l.MadeOn, l.BestBefore, l.DispatchedOn = made.String(), best.String(), sent.String()
		return l, err
	})
}

// correctedAway lists batches that used the reached lots or batches only by entries that were corrected since.
func correctedAway(ctx context.Context, t pgx.Tx, workshop WorkshopID, set reached) ([]string, error) {
	rows, err := t.Query(ctx, `SELECT DISTINCT b.code FROM batch_input i JOIN batch b ON b.workshop_id = $1 AND b.id = i.batch_id
		WHERE i.workshop_id = $1 AND i.replaced_by IS NOT NULL AND (i.material_lot_id = ANY ($2::uuid[]) OR i.source_batch_id = ANY ($3::uuid[])) AND NOT i.batch_id = ANY ($3::uuid[]) ORDER BY 1`,
		workshop, set["lot"], set["batch"])
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, pgx.RowTo[string])
}

// TraceBackward is what a batch was made of, through every level.
type TraceBackward struct {
	trace.Backward
	Edges []trace.Edge // from a batch to the batches it drew on
}

// TraceSources follows a batch, or the batch of a packing, back to every lot and source batch in it.
func (s *Store) TraceSources(ctx context.Context, workshop WorkshopID, code string) (TraceBackward, error) {
	var out TraceBackward
	err := s.read(ctx, workshop, func(t pgx.Tx) error {
		id, batch, err := batchOfCode(ctx, t, workshop, code)
		if err != nil {
			return err
		}
		rows, err := t.Query(ctx, `SELECT id FROM packing WHERE workshop_id = $1 AND batch_id = $2`, workshop, id)
		if err != nil {
			return err
		}
		packings, err := pgx.CollectRows(rows, pgx.RowTo[[16]byte])
		if err != nil {
			return err
		}
		origins := []node{{"batch", id}}
		for _, p := range packings {
			origins = append(origins, node{"packing", p})
		}
		set, err := reach(ctx, t, workshop, reachBackward, origins...)
		if err != nil {
			return err
		}
		inputs, err := sourceRows(ctx, t, workshop, set)
		if err != nil {
			return err
		}
		for _, in := range inputs {
			out.Edges = append(out.Edges, trace.Edge{From: in.into, To: in.from})
		}
		depths := trace.Depths([]string{batch}, out.Edges)
		lines := make([]trace.SourceLine, 0, len(inputs))
		paths := trace.Paths([]string{batch}, out.Edges)
		for _, in := range inputs {
			in.line.Depth = depths[in.into]
			in.line.Batch = in.label
			if in.line.IntoLot != "" {
				in.line.Batch = lastBatch(paths[in.into])
			}
			lines = append(lines, in.line)
		}
		sort.SliceStable(lines, func(i, j int) bool { return lines[i].Depth < lines[j].Depth })
		out.Backward = trace.NewBackward(trace.Origin{Kind: "batch", Code: batch}, lines)
		return nil
	})
	if err != nil {
		return TraceBackward{}, fmt.Errorf("store: trace sources %q: %w", code, err)
	}
	return out, nil
}

// lastBatch is the batch nearest to a tub on the way to it.
func lastBatch(path []string) string {
	for i := len(path) - 1; i >= 0; i-- {
		if !strings.HasPrefix(path[i], "lot ") {
			return path[i]
		}
	}
	return ""
}

// sourceInput is one input with the names of the nodes it joins, for counting depth.
type sourceInput struct {
	into, from string // batch codes; a lot is "lot " and its code
	label      string // the code written into the row
	line       trace.SourceLine
}

func sourceRows(ctx context.Context, t pgx.Tx, workshop WorkshopID, set reached) ([]sourceInput, error) {
	rows, err := t.Query(ctx, `
		SELECT b.code, b.code, coalesce('lot ' || l.code, sb.code, ''), coalesce(l.code, ''), coalesce(m.code, um.code, ''), coalesce(m.name, um.name, ''), coalesce(p.code, ''), coalesce(p.name, ''), coalesce(l.supplier_lot, ''), l.expires_on, i.quantity, coalesce(sb.code, ''), '', i.unit
		  FROM batch_input i JOIN batch b ON b.workshop_id = $1 AND b.id = i.batch_id
		  LEFT JOIN material_lot l ON l.workshop_id = $1 AND l.id = i.material_lot_id LEFT JOIN material m ON m.workshop_id = $1 AND m.id = l.material_id
		  LEFT JOIN supplier p ON p.workshop_id = $1 AND p.id = l.supplier_id LEFT JOIN batch sb ON sb.workshop_id = $1 AND sb.id = i.source_batch_id
		  LEFT JOIN material um ON um.workshop_id = $1 AND um.id = i.untracked_material_id
		 WHERE i.workshop_id = $1 AND i.batch_id = ANY ($2::uuid[]) AND i.replaced_by IS NULL AND NOT i.inner_line
		UNION ALL
		SELECT b.code, k.code, 'lot ' || l.code, l.code, m.code, m.name, coalesce(p.code, ''), coalesce(p.name, ''), l.supplier_lot, l.expires_on, i.quantity, '', '', m.unit
		  FROM packing_input i JOIN packing k ON k.workshop_id = $1 AND k.id = i.packing_id JOIN batch b ON b.workshop_id = $1 AND b.id = k.batch_id
		  JOIN material_lot l ON l.workshop_id = $1 AND l.id = i.material_lot_id JOIN material m ON m.workshop_id = $1 AND m.id = l.material_id LEFT JOIN supplier p ON p.workshop_id = $1 AND p.id = l.supplier_id
		 WHERE i.workshop_id = $1 AND i.packing_id = ANY ($3::uuid[]) AND i.replaced_by IS NULL
		UNION ALL
		SELECT 'lot ' || o.code, '', 'lot ' || l.code, l.code, m.code, m.name, coalesce(p.code, ''), coalesce(p.name, ''), l.supplier_lot, l.expires_on, i.quantity, '', o.code, m.unit
		  FROM lot_input i JOIN material_lot o ON o.workshop_id = $1 AND o.id = i.lot_id JOIN material_lot l ON l.workshop_id = $1 AND l.id = i.source_lot_id
		  JOIN material m ON m.workshop_id = $1 AND m.id = l.material_id LEFT JOIN supplier p ON p.workshop_id = $1 AND p.id = l.supplier_id
		 WHERE i.workshop_id = $1 AND i.lot_id = ANY ($4::uuid[]) AND i.replaced_by IS NULL
		ORDER BY 1, 4, 12`, workshop, set["batch"], set["packing"], set["lot"])
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, func(row pgx.CollectableRow) (sourceInput, error) {
		var in sourceInput
		var expires day.Day
		var quantity decimal.Decimal
		var source string
		l := &in.line
		err := row.Scan(&in.into, &in.label, &in.from, &l.MaterialLot, &l.Material, &l.MaterialName, &l.Supplier, &l.SupplierName, &l.SupplierLot, &expires, &quantity, &source, &l.IntoLot, &l.Unit)
		l.ExpiresOn, l.Quantity, l.SourceBatch = expires.String(), quantity, source
		return in, err
	})
}
