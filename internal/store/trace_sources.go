package store

import (
	"cmp"
	"context"
	"fmt"
	"slices"

	"github.com/jackc/pgx/v5"

	"example.org/stillroom/internal/day"
	"example.org/stillroom/internal/trace"
)

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

// TraceBackward is what a batch was made of, through every level.
type TraceBackward struct {
	trace.Backward
	Edges []trace.Edge // from a batch to the batches it drew on
	// Names says in words what each batch is: its product, else its formula.
	Names map[string]string
}

// TraceSources follows a batch, or the batch of a packing, back to every lot and source batch in it, the packaging of
// its packings included. Of a source batch of which only grams were drawn the packaging is left out; of a packing
// whose units were drawn it belongs to it.
func (s *Store) TraceSources(ctx context.Context, workshop WorkshopID, code string) (TraceBackward, error) {
	var out TraceBackward
	err := s.readStandby(ctx, workshop, func(t pgx.Tx) error {
		id, batch, err := batchOfCode(ctx, t, workshop, code)
		if err != nil {
			return err
		}
		out, err = traceSources(ctx, t, workshop, id, batch)
		return err
	})
	if err != nil {
		return TraceBackward{}, fmt.Errorf("store: trace sources %q: %w", code, err)
	}
	return out, nil
}

func traceSources(ctx context.Context, t pgx.Tx, workshop WorkshopID, id BatchID, code string) (TraceBackward, error) {
	var out TraceBackward
	origins, err := withPackings(ctx, t, workshop, id)
	if err != nil {
		return out, err
	}
	set, err := reach(ctx, t, workshop, reachBackward, origins...)
	if err != nil {
		return out, err
	}
	var inputs []trace.SourceLine
	if err := together(ctx, t, func(t pgx.Tx) (err error) {
		inputs, err = sourceInputs(ctx, t, workshop, set)
		return err
	}, func(t pgx.Tx) (err error) {
		out.Names, err = batchNames(ctx, t, workshop, set["batch"])
		return err
	}); err != nil {
		return out, err
	}
	out.lay(code, inputs)
	return out, nil
}

// lay puts the inputs in order: depth is counted in steps from batch to batch, as a forward trace counts it, and what
// a tub was filled from stands with the nearest batch that used the tub.
func (b *TraceBackward) lay(origin string, lines []trace.SourceLine) {
	into := map[string][]string{} // by tub: the tubs and lots it was filled from
	for _, in := range lines {
		if in.SourceBatch != "" {
			b.Edges = append(b.Edges, trace.Edge{From: in.Batch, To: in.SourceBatch})
		}
		if in.IntoLot != "" {
			into[in.IntoLot] = append(into[in.IntoLot], in.MaterialLot)
		}
	}
	depths := trace.Depths([]string{origin}, b.Edges)
	users := slices.DeleteFunc(slices.Clone(lines), func(in trace.SourceLine) bool { return in.IntoLot != "" || in.MaterialLot == "" })
	slices.SortStableFunc(users, func(x, y trace.SourceLine) int {
		return cmp.Or(cmp.Compare(depths[x.Batch], depths[y.Batch]), cmp.Compare(x.Batch, y.Batch))
	})
	owner := map[string]string{} // of a lot, the nearest batch
	for _, in := range users {
		for todo := []string{in.MaterialLot}; len(todo) > 0; todo = todo[1:] {
			if _, taken := owner[todo[0]]; !taken {
				owner[todo[0]] = in.Batch
				todo = append(todo, into[todo[0]]...)
			}
		}
	}
	for i := range lines {
		in := &lines[i]
		if in.IntoLot != "" {
			in.Batch = owner[in.IntoLot]
		}
		in.Depth = depths[in.Batch]
	}
	slices.SortStableFunc(lines, func(x, y trace.SourceLine) int {
		return cmp.Or(cmp.Compare(x.Depth, y.Depth), cmp.Compare(x.Batch, y.Batch), cmp.Compare(x.IntoLot, y.IntoLot),
			cmp.Compare(x.MaterialLot, y.MaterialLot), cmp.Compare(x.SourceBatch, y.SourceBatch), cmp.Compare(x.SourcePacking, y.SourcePacking), cmp.Compare(x.Material, y.Material))
	})
	b.Backward = trace.NewBackward(trace.Origin{Kind: "batch", Code: origin}, lines)
}

// sourceInputs are all inputs of the reached: into batches, into batches by way of their packings, and into tubs (IntoLot;
// Batch is empty then).
func sourceInputs(ctx context.Context, t pgx.Tx, workshop WorkshopID, set reached) ([]trace.SourceLine, error) {
	rows, err := t.Query(ctx, `
		SELECT e.* FROM unnest($2::uuid[]) o (id) CROSS JOIN LATERAL (
			SELECT i.id, b.code AS into_batch, '' AS into_lot, coalesce(l.code, '') AS lot, coalesce(m.code, um.code, '') AS material, coalesce(m.name, um.name, '') AS name, coalesce(p.code, '') AS supplier,
			       coalesce(p.name, '') AS supplier_name, coalesce(l.supplier_lot, '') AS supplier_lot, l.expires_on, i.quantity, coalesce(sb.code, '') AS source, i.unit, coalesce(sk.code, '') AS source_packing
			  FROM batch_input i JOIN batch b ON b.workshop_id = $1 AND b.id = i.batch_id
			  LEFT JOIN material_lot l ON l.workshop_id = $1 AND l.id = i.material_lot_id LEFT JOIN material m ON m.workshop_id = $1 AND m.id = l.material_id
			  LEFT JOIN supplier p ON p.workshop_id = $1 AND p.id = l.supplier_id LEFT JOIN batch sb ON sb.workshop_id = $1 AND sb.id = i.source_batch_id LEFT JOIN packing sk ON sk.workshop_id = $1 AND sk.id = i.source_packing_id
			  LEFT JOIN material um ON um.workshop_id = $1 AND um.id = i.untracked_material_id
			 WHERE i.workshop_id = $1 AND i.batch_id = o.id AND i.replaced_by IS NULL AND NOT i.inner_line OFFSET 0) e
		UNION ALL
		SELECT e.* FROM unnest($3::uuid[]) o (id) CROSS JOIN LATERAL (
			SELECT i.id, b.code, '', l.code, m.code, m.name, coalesce(p.code, ''), coalesce(p.name, ''), l.supplier_lot, l.expires_on, i.quantity, '', m.unit, ''
			  FROM packing_input i JOIN packing k ON k.workshop_id = $1 AND k.id = i.packing_id JOIN batch b ON b.workshop_id = $1 AND b.id = k.batch_id
			  JOIN material_lot l ON l.workshop_id = $1 AND l.id = i.material_lot_id JOIN material m ON m.workshop_id = $1 AND m.id = l.material_id
			  LEFT JOIN supplier p ON p.workshop_id = $1 AND p.id = l.supplier_id
			 WHERE i.workshop_id = $1 AND i.packing_id = o.id AND i.replaced_by IS NULL OFFSET 0) e
		UNION ALL
		SELECT e.* FROM unnest($4::uuid[]) o (id) CROSS JOIN LATERAL (
			SELECT i.id, '', tub.code, l.code, m.code, m.name, coalesce(p.code, ''), coalesce(p.name, ''), l.supplier_lot, l.expires_on, i.quantity, '', m.unit, ''
			  FROM lot_input i JOIN material_lot tub ON tub.workshop_id = $1 AND tub.id = i.lot_id JOIN material_lot l ON l.workshop_id = $1 AND l.id = i.source_lot_id
			  JOIN material m ON m.workshop_id = $1 AND m.id = l.material_id LEFT JOIN supplier p ON p.workshop_id = $1 AND p.id = l.supplier_id
			 WHERE i.workshop_id = $1 AND i.lot_id = o.id AND i.replaced_by IS NULL OFFSET 0) e
		ORDER BY id`, workshop, set["batch"], set["packing"], set["lot"])
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, func(row pgx.CollectableRow) (trace.SourceLine, error) {
		var l trace.SourceLine
		var id [16]byte
		var expires day.Day
		err := row.Scan(&id, &l.Batch, &l.IntoLot, &l.MaterialLot, &l.Material, &l.MaterialName, &l.Supplier, &l.SupplierName, &l.SupplierLot, &expires, &l.Quantity, &l.SourceBatch, &l.Unit, &l.SourcePacking)
		l.ExpiresOn = expires.String()
		return l, err
	})
}

// batchNames says in words what each batch is: the product of its first packing, else the planned one, else its formula.
func batchNames(ctx context.Context, t pgx.Tx, workshop WorkshopID, ids [][16]byte) (map[string]string, error) {
	rows, err := t.Query(ctx, `SELECT b.code, b.name FROM unnest($2::uuid[]) o (id) CROSS JOIN LATERAL (
			SELECT k.code, coalesce((SELECT pp.name FROM packing p JOIN product pp ON pp.workshop_id = $1 AND pp.id = p.product_id WHERE p.workshop_id = $1 AND p.batch_id = k.id ORDER BY p.n LIMIT 1), pr.name, f.name, '') AS name
			  FROM batch k LEFT JOIN product pr ON pr.workshop_id = $1 AND pr.id = k.product_id LEFT JOIN formula f ON f.workshop_id = $1 AND f.id = k.formula_id
			 WHERE k.workshop_id = $1 AND k.id = o.id OFFSET 0) b`, workshop, ids)
	if err != nil {
		return nil, err
	}
	names := map[string]string{}
	var code, name string
	_, err = pgx.ForEachRow(rows, []any{&code, &name}, func() error {
		names[code] = name
		return nil
	})
	return names, err
}
