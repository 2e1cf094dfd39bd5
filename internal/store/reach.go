package store

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"

	"example.org/stillroom/internal/day"
	"example.org/stillroom/internal/fault"
)

// LotReach is how far a lot reaches, or all deliveries of one supplier's lot together.
type LotReach struct {
	Lots         []string // codes: one, or those of the deliveries
	Material     string   // code
	MaterialName string
	Supplier     string // code, empty for a tub
	SupplierName string
	SupplierLot  string
	Batches      int // that contain it, through every level
	Units        int // good units packed of those
	YearUnits    int // of those, packed in the last twelve months
	Customers    int // who were sent any; an event counts as one
}

// LotsReach is how far the lots in use reach.
type LotsReach struct {
	Since     day.Day // the last twelve months begin after this day
	YearUnits int     // all good units packed since
	Lots      []LotReach
	// Delivered are supplier's lots that came more than once, all deliveries together.
	Delivered []LotReach
	// Sole are the lots that alone stand for their material in what was packed in the last twelve months.
	Sole []LotReach
}

// A lot is in use while some of it is on hand, or while it is in units that are in date or were packed in the last twelve
// months; units that bear no date count for three years.
const undatedMonths = 36

// reachPatience is how long the database may take: of a small workshop's book it takes a few hundredths of a second.
const reachPatience = "8s"

// ErrReachTooLong says that the book is too large to reckon the reach of all its lots on demand.
var ErrReachTooLong = fault.New(fault.TooMany, "This book is too large to reckon the reach of all its lots while somebody waits. Trace one lot at a time instead.")

// lotsInUse are the lots in use: those behind the packings that count, through every level, and those on hand. $2 is the
// day of today, $3 twelve months before it, $4 undatedMonths before it.
const lotsInUse = `WITH RECURSIVE back (kind, id) AS (
	SELECT x.kind, x.id FROM (SELECT k.id, k.batch_id FROM packing k WHERE k.workshop_id = $1 AND (k.best_before >= $2 OR k.packed_on > $3 OR k.best_before IS NULL AND k.packed_on > $4)) p
		CROSS JOIN LATERAL (SELECT 'packing' AS kind, p.id UNION ALL SELECT 'batch', p.batch_id) x
	UNION
	SELECT s.kind, s.id FROM back r CROSS JOIN LATERAL (
		SELECT CASE WHEN i.material_lot_id IS NOT NULL THEN 'lot' ELSE 'batch' END AS kind, coalesce(i.material_lot_id, i.source_batch_id) AS id FROM batch_input i WHERE r.kind = 'batch' AND i.workshop_id = $1 AND i.batch_id = r.id AND i.replaced_by IS NULL AND num_nonnulls(i.material_lot_id, i.source_batch_id) > 0
		UNION ALL SELECT 'packing', i.source_packing_id FROM batch_input i WHERE r.kind = 'batch' AND i.workshop_id = $1 AND i.batch_id = r.id AND i.replaced_by IS NULL AND i.source_packing_id IS NOT NULL
		UNION ALL SELECT 'lot', i.material_lot_id FROM packing_input i WHERE r.kind = 'packing' AND i.workshop_id = $1 AND i.packing_id = r.id AND i.replaced_by IS NULL
		UNION ALL SELECT 'lot', i.source_lot_id FROM lot_input i WHERE r.kind = 'lot' AND i.workshop_id = $1 AND i.lot_id = r.id AND i.replaced_by IS NULL
		OFFSET 0) s),
	used AS (SELECT b.id FROM back b WHERE b.kind = 'lot'
		UNION SELECT l.id FROM material_lot l CROSS JOIN LATERAL (SELECT s.on_hand FROM lot_stock s WHERE s.workshop_id = $1 AND s.lot_id = l.id OFFSET 0) s WHERE l.workshop_id = $1 AND l.emptied_on IS NULL AND s.on_hand > 0)
	SELECT u.id, l.code, m.code, m.name, coalesce(p.code, ''), coalesce(p.name, ''), l.supplier_lot, l.supplier_lot_key FROM used u
	CROSS JOIN LATERAL (SELECT x.* FROM material_lot x WHERE x.workshop_id = $1 AND x.id = u.id OFFSET 0) l
	JOIN material m ON m.workshop_id = $1 AND m.id = l.material_id LEFT JOIN supplier p ON p.workshop_id = $1 AND p.id = l.supplier_id ORDER BY l.code`

// countedReach counts what several subjects reach at once: $2 is the number of a subject, $3 a lot that it begins at. Its
// steps are those of reachForward, of pairs of subject and node.
const countedReach = `WITH RECURSIVE reach (s, kind, id) AS (
	SELECT o.s, 'lot', o.id FROM unnest($2::int[], $3::uuid[]) o (s, id)
	UNION
	SELECT r.s, x.kind, x.id FROM reach r CROSS JOIN LATERAL (` + reachedBy + ` OFFSET 0) x),
	packed AS MATERIALIZED (SELECT r.s, k.id FROM reach r CROSS JOIN LATERAL (SELECT p.id FROM packing p WHERE p.workshop_id = $1 AND p.batch_id = r.id OFFSET 0) k WHERE r.kind = 'batch'
		UNION SELECT r.s, r.id FROM reach r WHERE r.kind = 'packing'),
	once AS MATERIALIZED (SELECT d.id, k.batch_id, k.units_good, k.packed_on, k.customers FROM (SELECT DISTINCT p.id FROM packed p) d CROSS JOIN LATERAL (
		SELECT y.batch_id, y.units_good, y.packed_on, ARRAY (SELECT DISTINCT l.customer_id FROM dispatch_line l WHERE l.workshop_id = $1 AND l.packing_id = d.id AND l.replaced_by IS NULL) AS customers FROM packing y WHERE y.workshop_id = $1 AND y.id = d.id OFFSET 0) k),
	units AS (SELECT p.s, sum(o.units_good)::int AS units, coalesce(sum(o.units_good) FILTER (WHERE o.packed_on > $4), 0)::int AS year FROM packed p JOIN once o ON o.id = p.id GROUP BY p.s),
	batches AS (SELECT b.s, count(*)::int AS n FROM (SELECT r.s, r.id FROM reach r WHERE r.kind = 'batch' UNION SELECT p.s, o.batch_id FROM packed p JOIN once o ON o.id = p.id) b GROUP BY b.s),
	customers AS (SELECT c.s, count(*)::int AS n FROM (SELECT DISTINCT p.s, c FROM packed p JOIN once o ON o.id = p.id CROSS JOIN LATERAL unnest(o.customers) c) c GROUP BY c.s)
	SELECT b.s, b.n, coalesce(u.units, 0), coalesce(u.year, 0), coalesce(c.n, 0) FROM batches b LEFT JOIN units u ON u.s = b.s LEFT JOIN customers c ON c.s = b.s`

// LotsReach reckons how far each lot in use reaches, the widest first. What a lot reached counts whole, however long ago.
func (s *Store) LotsReach(ctx context.Context, workshop WorkshopID, today day.Day) (LotsReach, error) {
	out := LotsReach{Since: today.AddMonths(-12)}
	err := s.readStandby(ctx, workshop, func(t pgx.Tx) error {
		if _, err := t.Exec(ctx, `SET LOCAL statement_timeout = '`+reachPatience+`'`); err != nil {
			return err
		}
		lots, subjects, from, err := reachSubjects(ctx, t, workshop, today)
		if err != nil {
			return err
		}
		if err := t.QueryRow(ctx, `SELECT coalesce(sum(k.units_good), 0)::int FROM packing k WHERE k.workshop_id = $1 AND k.packed_on > $2`, workshop, out.Since).Scan(&out.YearUnits); err != nil {
			return err
		}
		rows, err := t.Query(ctx, countedReach, workshop, subjects, from, out.Since)
		if err != nil {
			return err
		}
		var n, batches, units, year, customers int
		if _, err := pgx.ForEachRow(rows, []any{&n, &batches, &units, &year, &customers}, func() error {
			lots[n].Batches, lots[n].Units, lots[n].YearUnits, lots[n].Customers = batches, units, year, customers
			return nil
		}); err != nil {
			return err
		}
		out.fill(lots)
		return nil
	})
	var late *pgconn.PgError
	if errors.As(err, &late) && late.Code == "57014" && ctx.Err() == nil { // query_canceled, by its timeout
		return out, ErrReachTooLong
	}
	if err != nil {
		return out, fmt.Errorf("store: reach of lots: %w", err)
	}
	return out, nil
}

// reachSubjects are the lots in use, one each, and behind them each supplier's lot that came more than once; with pairs of
// the subject's number and a lot that it begins at.
func reachSubjects(ctx context.Context, t pgx.Tx, workshop WorkshopID, today day.Day) (list []LotReach, subjects []int32, from []LotID, err error) {
	rows, err := t.Query(ctx, lotsInUse, workshop, today, today.AddMonths(-12), today.AddMonths(-undatedMonths))
	if err != nil {
		return nil, nil, nil, err
	}
	var ids []LotID
	var id LotID
	var l LotReach
	var code, key string
	deliveries, order := map[[2]string][]int{}, [][2]string{}
	if _, err := pgx.ForEachRow(rows, []any{&id, &code, &l.Material, &l.MaterialName, &l.Supplier, &l.SupplierName, &l.SupplierLot, &key}, func() error {
		if l.Supplier != "" && key != "" {
			same := [2]string{l.Supplier, key}
			if deliveries[same] == nil {
				order = append(order, same)
			}
			deliveries[same] = append(deliveries[same], len(list))
		}
		l.Lots = []string{code}
		list, ids, subjects, from = append(list, l), append(ids, id), append(subjects, int32(len(list))), append(from, id)
		return nil
	}); err != nil {
		return nil, nil, nil, err
	}
	for _, same := range order {
		at := deliveries[same]
		if len(at) < 2 {
			continue
		}
		all := list[at[0]]
		all.Lots = nil
		for _, k := range at {
			all.Lots = append(all.Lots, list[k].Lots...)
			subjects, from = append(subjects, int32(len(list))), append(from, ids[k])
		}
		list = append(list, all)
	}
	return list, subjects, from, nil
}

func (r *LotsReach) fill(list []LotReach) {
	in := map[string]int{} // lots of a material that went into what was packed in the last twelve months
	for _, l := range list {
		switch {
		case len(l.Lots) > 1:
			r.Delivered = append(r.Delivered, l)
			continue
		case l.YearUnits > 0:
			in[l.Material]++
		}
		r.Lots = append(r.Lots, l)
	}
	widest := func(a, b LotReach) int {
		for _, d := range []int{b.YearUnits - a.YearUnits, b.Units - a.Units, b.Customers - a.Customers, b.Batches - a.Batches} {
			if d != 0 {
				return d
			}
		}
		return strings.Compare(a.Lots[0], b.Lots[0])
	}
	slices.SortFunc(r.Lots, widest)
	slices.SortFunc(r.Delivered, widest)
	for _, l := range r.Lots {
		if l.YearUnits > 0 && in[l.Material] == 1 {
			r.Sole = append(r.Sole, l)
		}
	}
}

// Share is how much of the units packed in the last twelve months contain it, in percent; 0 where none were.
func (r LotsReach) Share(l LotReach) float64 {
	if r.YearUnits == 0 {
		return 0
	}
	return 100 * float64(l.YearUnits) / float64(r.YearUnits)
}
