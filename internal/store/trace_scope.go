package store

import (
	"context"
	"slices"
	"strings"

	"github.com/jackc/pgx/v5"

	"example.org/stillroom/internal/trace"
)

// provenance reads what the lots of a trace are: the origins as they came in, tubs filled from them, and deliveries of
// the same supplier's lot that the trace does not cover.
func (f *TraceForward) provenance(ctx context.Context, t pgx.Tx, workshop WorkshopID, set reached, origins []node) error {
	if len(set["lot"]) == 0 {
		return nil
	}
	rows, err := t.Query(ctx, `SELECT l.code FROM unnest($2::uuid[]) o (id) CROSS JOIN LATERAL (
			SELECT x.code FROM material_lot x WHERE x.workshop_id = $1 AND x.id = o.id OFFSET 0) l`, workshop, set["lot"])
	if err != nil {
		return err
	}
	if f.Lots, err = pgx.CollectRows(rows, pgx.RowTo[string]); err != nil {
		return err
	}
	slices.Sort(f.Lots)
	var from [][16]byte
	for _, o := range origins {
		if o.Kind == "lot" {
			from = append(from, o.ID)
		}
	}
	const delivery = `SELECT x.id, x.code, m.name, coalesce(p.code, ''), coalesce(p.name, ''), x.supplier_lot, x.received_on FROM material_lot x
		JOIN material m ON m.workshop_id = $1 AND m.id = x.material_id LEFT JOIN supplier p ON p.workshop_id = $1 AND p.id = x.supplier_id WHERE x.workshop_id = $1 AND `
	rows, err = t.Query(ctx, `SELECT true, d.* FROM unnest($2::uuid[]) o (id) CROSS JOIN LATERAL (`+delivery+`x.id = o.id OFFSET 0) d
		UNION SELECT false, d.* FROM unnest($2::uuid[]) o (id)
		CROSS JOIN LATERAL (SELECT l.supplier_id, l.supplier_lot_key FROM material_lot l WHERE l.workshop_id = $1 AND l.id = o.id AND l.supplier_lot_key <> '' OFFSET 0) k
		CROSS JOIN LATERAL (`+delivery+`x.supplier_lot_key = k.supplier_lot_key AND x.supplier_lot_key <> '' AND x.supplier_id = k.supplier_id AND x.id <> ALL ($2::uuid[]) OFFSET 0) d
		ORDER BY 3`, workshop, from)
	if err != nil {
		return err
	}
	var d Delivery
	var origin bool
	var id LotID
	_, err = pgx.ForEachRow(rows, []any{&origin, &id, &d.Code, &d.Material, &d.SupplierCode, &d.SupplierName, &d.SupplierLot, &d.ReceivedOn}, func() error {
		if origin {
			f.Deliveries = append(f.Deliveries, d)
		} else {
			f.Others = append(f.Others, d)
		}
		return nil
	})
	return err
}

// strangers are units of packings that are not affected, though they bear the code of one that is.
func (f *TraceForward) strangers(ctx context.Context, t pgx.Tx, workshop WorkshopID) (err error) {
	ids, keys := make([][16]byte, len(f.Packings)), make([]string, len(f.Packings))
	for i, p := range f.Packings {
		ids[i], keys[i] = p.ID, foldBatch(p.Code)
	}
	f.Strangers, err = queryUnitCodes(ctx, t, `WHERE u.workshop_id = $1 AND u.code_key = ANY ($2::text[]) AND u.packing_id <> ALL ($3::uuid[]) AND u.replaced_by IS NULL ORDER BY k.code, u.code`, workshop, keys, ids)
	return err
}

// alsoMarked notes beside each line which other codes its units bear.
func (f *TraceForward) alsoMarked() {
	for i := range f.Lines {
		f.Lines[i].AlsoMarked = strings.Join(f.Also(f.Lines[i].Packing), " ")
	}
}

// Also are the codes that units of a packing bear besides its own.
func (f TraceForward) Also(packing string) []string {
	var codes []string
	for _, u := range f.Marked {
		if u.Packing == packing {
			codes = append(codes, u.Code)
		}
	}
	return codes
}

// addresses are the postal addresses of the customers in the lines.
func addresses(ctx context.Context, t pgx.Tx, workshop WorkshopID, lines []trace.Line) (map[string]string, error) {
	found, codes := map[string]string{}, []string{}
	for _, l := range lines {
		if l.Customer != "" {
			codes = append(codes, l.Customer)
		}
	}
	if len(codes) == 0 {
		return found, nil
	}
	slices.Sort(codes)
	rows, err := t.Query(ctx, `SELECT o.code, c.address FROM unnest($2::text[]) o (code) CROSS JOIN LATERAL (
			SELECT x.address FROM customer x WHERE x.workshop_id = $1 AND x.code = o.code AND x.address <> '' OFFSET 0) c`, workshop, slices.Compact(codes))
	if err != nil {
		return nil, err
	}
	var code, address string
	_, err = pgx.ForEachRow(rows, []any{&code, &address}, func() error {
		found[code] = address
		return nil
	})
	return found, err
}

// correctedAway lists what was reached only by entries that were corrected since: from the reached nodes by a replaced
// entry, and on from there by any. Batches, and packings reached so whose batches are not among them, by code.
func correctedAway(ctx context.Context, t pgx.Tx, workshop WorkshopID, set reached) ([]string, error) {
	rows, err := t.Query(ctx, `SELECT 'lot', i.lot_id FROM lot_input i WHERE i.workshop_id = $1 AND i.source_lot_id = ANY ($2::uuid[]) AND i.replaced_by IS NOT NULL
		UNION SELECT 'batch', i.batch_id FROM batch_input i WHERE i.workshop_id = $1 AND i.material_lot_id = ANY ($2::uuid[]) AND i.replaced_by IS NOT NULL
		UNION SELECT 'packing', i.packing_id FROM packing_input i WHERE i.workshop_id = $1 AND i.material_lot_id = ANY ($2::uuid[]) AND i.replaced_by IS NOT NULL
		UNION SELECT 'batch', i.batch_id FROM batch_input i WHERE i.workshop_id = $1 AND i.source_batch_id = ANY ($3::uuid[]) AND i.replaced_by IS NOT NULL
		UNION SELECT 'batch', i.batch_id FROM batch_input i WHERE i.workshop_id = $1 AND i.source_packing_id = ANY ($4::uuid[]) AND i.replaced_by IS NOT NULL`,
		workshop, set["lot"], set["batch"], set["packing"])
	if err != nil {
		return nil, err
	}
	seeds, err := pgx.CollectRows(rows, pgx.RowToStructByPos[node])
	if err != nil {
		return nil, err
	}
	seeds = slices.DeleteFunc(seeds, set.has)
	if len(seeds) == 0 {
		return nil, nil
	}
	ever, err := reach(ctx, t, workshop, reachEver, seeds...)
	if err != nil {
		return nil, err
	}
	away := func(kind string) [][16]byte {
		return slices.DeleteFunc(ever[kind], func(id [16]byte) bool { return set.has(node{kind, id}) })
	}
	batches := away("batch")
	rows, err = t.Query(ctx, `SELECT b.code FROM unnest($2::uuid[]) o (id) CROSS JOIN LATERAL (SELECT x.code FROM batch x WHERE x.workshop_id = $1 AND x.id = o.id OFFSET 0) b
		UNION SELECT p.code FROM unnest($3::uuid[]) o (id) CROSS JOIN LATERAL (
			SELECT x.code FROM packing x WHERE x.workshop_id = $1 AND x.id = o.id AND (x.batch_id = ANY ($2::uuid[] || $4::uuid[])) IS NOT TRUE OFFSET 0) p
		ORDER BY 1`, workshop, batches, away("packing"), set["batch"])
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, pgx.RowTo[string])
}

// ChainHead is the end of the workshop's chain of records: its number and hash in hex. It is printed on lists, so that
// paper and book can be held to each other later.
func (s *Store) ChainHead(ctx context.Context, workshop WorkshopID) (n int64, hash string, err error) {
	err = s.readStandby(ctx, workshop, func(t pgx.Tx) error {
		return t.QueryRow(ctx, `SELECT n, encode(hash, 'hex') FROM chain_head WHERE workshop_id = $1`, workshop).Scan(&n, &hash)
	})
	return n, hash, err
}
