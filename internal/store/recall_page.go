package store

import (
	"context"
	"fmt"
	"strings"

	"github.com/jackc/pgx/v5"

	"example.org/stillroom/internal/trace"
)

// RecallKeys are what pages of a recall's lists begin behind: the code of a packing, a lot, a batch and a customer, and of
// a place its kind, its crate or sample, and its packing. Empty is the beginning, or the end of what follows.
type RecallKeys struct{ Packing, Place, Lot, Batch, Customer string }

// RecallSums are of the whole scope, however much of it is read: where the units of its packings are now, and how many
// customers stand in its list.
type RecallSums struct {
	Packings, Batches          int // batches of the packings
	Made, OnHand, Held         int
	Dispatched, Returned, Gone int // gone: destroyed, used or left otherwise
	Known, Events, Reachable   int // customers known by name, events, and those known who can be written to or called
}

// Recall reads a recall with its whole scope in one snapshot.
func (s *Store) Recall(ctx context.Context, workshop WorkshopID, n int) (RecallPage, error) {
	var page RecallPage
	err := s.read(ctx, workshop, func(t pgx.Tx) (err error) {
		page, err = loadRecall(ctx, t, workshop, n)
		return err
	})
	if err != nil {
		return RecallPage{}, fmt.Errorf("store: recall %d: %w", n, err)
	}
	return page, nil
}

// RecallPart reads a recall with at most limit rows of each of its lists, behind those that after names, and the lines of
// the frozen list that are about those customers. Of its packings it has those that units are or were here of.
func (s *Store) RecallPart(ctx context.Context, workshop WorkshopID, n int, after RecallKeys, limit int) (RecallPage, []RecallLine, error) {
	var page RecallPage
	var lines []RecallLine
	err := s.read(ctx, workshop, func(t pgx.Tx) error {
		r, err := recallByNumber(ctx, t, workshop, n)
		if err != nil {
			return err
		}
		page.Recall = r
		return together(ctx, t,
			func(t pgx.Tx) error { return page.read(ctx, t, workshop, after, limit) },
			func(t pgx.Tx) error {
				customers, err := recallCustomers(ctx, t, workshop, r.ID, after.Customer, limit+1)
				if err != nil {
					return err
				}
				customers, page.Next.Customer = cut(customers, limit, func(c recallCustomer) string { return c.code })
				ids := make([]CustomerID, len(customers))
				for i, c := range customers {
					ids[i] = c.id
				}
				return eachRecallLine(ctx, t, workshop, r.ID, ids, func(l RecallLine) error {
					lines = append(lines, l)
					return nil
				})
			})
	})
	if err != nil {
		return RecallPage{}, nil, fmt.Errorf("store: part of recall %d: %w", n, err)
	}
	return page, lines, nil
}

func loadRecall(ctx context.Context, t pgx.Tx, workshop WorkshopID, n int) (RecallPage, error) {
	r, err := recallByNumber(ctx, t, workshop, n)
	if err != nil {
		return RecallPage{}, err
	}
	page := RecallPage{Recall: r}
	return page, page.read(ctx, t, workshop, RecallKeys{}, 0)
}

// read reads the scope: at most limit rows of each list behind those that after names; a limit of 0 reads all.
func (p *RecallPage) read(ctx context.Context, t pgx.Tx, workshop WorkshopID, after RecallKeys, limit int) error {
	var most *int // of rows, one more than are shown; NULL is all
	if limit > 0 {
		n := limit + 1
		most = &n
	}
	err := together(ctx, t,
		func(t pgx.Tx) (err error) {
			p.Origins, err = recallOrigins(ctx, t, workshop, p.ID)
			return err
		},
		func(t pgx.Tx) (err error) {
			p.Lots, err = recallNodes(ctx, t, recallLots, workshop, p.ID, after.Lot, most)
			return err
		},
		func(t pgx.Tx) (err error) {
			p.Batches, err = recallNodes(ctx, t, recallBatches, workshop, p.ID, after.Batch, most)
			return err
		},
		func(t pgx.Tx) (err error) {
			p.Packings, err = recallPackings(ctx, t, workshop, p.ID, after.Packing, most)
			return err
		},
		func(t pgx.Tx) (err error) {
			p.Places, err = recallPlaces(ctx, t, workshop, p.ID, after.Place, most)
			return err
		},
		func(t pgx.Tx) (err error) {
			p.Strangers, err = queryUnitCodes(ctx, t, `WHERE u.workshop_id = $1 AND u.replaced_by IS NULL AND u.code_key IN (SELECT z.code_key FROM recall_scope s JOIN packing z ON z.workshop_id = $1 AND z.id = s.packing_id WHERE s.workshop_id = $1 AND s.recall_id = $2)
				AND NOT EXISTS (SELECT FROM recall_scope s WHERE s.workshop_id = $1 AND s.recall_id = $2 AND s.packing_id = u.packing_id) ORDER BY k.code, u.code`, workshop, p.ID)
			return err
		},
		func(t pgx.Tx) error { return p.Sums.read(ctx, t, workshop, p.ID) },
		func(t pgx.Tx) error {
			list, err := signatures(ctx, t, workshop, p.ID, p.facts())
			if err == nil && len(list) > 0 {
				p.Signature = &list[len(list)-1]
			}
			return err
		})
	if err != nil || limit == 0 {
		return err
	}
	code := func(n RecallNode) string { return n.Code }
	p.Lots, p.Next.Lot = cut(p.Lots, limit, code)
	p.Batches, p.Next.Batch = cut(p.Batches, limit, code)
	p.Packings, p.Next.Packing = cut(p.Packings, limit, func(x RecallPacking) string { return x.Code })
	p.Places, p.Next.Place = cut(p.Places, limit, func(x RecallPlace) string { return x.Kind + ":" + x.Code + ":" + x.Packing })
	return nil
}

func (u *RecallSums) read(ctx context.Context, t pgx.Tx, workshop WorkshopID, id RecallID) error {
	return together(ctx, t,
		func(t pgx.Tx) error {
			return t.QueryRow(ctx, `SELECT count(*)::int, count(DISTINCT k.batch_id)::int, coalesce(sum(n.units_good), 0)::int, coalesce(sum(n.on_hand), 0)::int, coalesce(sum(n.held), 0)::int,
					coalesce(sum(n.dispatched), 0)::int, coalesce(sum(n.returned), 0)::int, coalesce(sum(n.destroyed + n.used + greatest(0, -n.moved)), 0)::int
				FROM recall_scope s CROSS JOIN LATERAL (SELECT x.batch_id FROM packing x WHERE x.workshop_id = $1 AND x.id = s.packing_id OFFSET 0) k
				CROSS JOIN LATERAL (SELECT x.* FROM packing_stock x WHERE x.workshop_id = $1 AND x.packing_id = s.packing_id OFFSET 0) n
				WHERE s.workshop_id = $1 AND s.recall_id = $2 AND s.packing_id IS NOT NULL`, workshop, id).
				Scan(&u.Packings, &u.Batches, &u.Made, &u.OnHand, &u.Held, &u.Dispatched, &u.Returned, &u.Gone)
		},
		func(t pgx.Tx) error {
			return t.QueryRow(ctx, `SELECT (count(*) FILTER (WHERE c.kind <> 'event'))::int, (count(*) FILTER (WHERE c.kind = 'event'))::int, (count(*) FILTER (WHERE c.kind <> 'event' AND (c.email <> '' OR c.phone <> '' OR c.address <> '')))::int
				FROM (SELECT DISTINCT l.customer_id FROM recall_line l WHERE l.workshop_id = $1 AND l.recall_id = $2) x CROSS JOIN LATERAL (SELECT y.kind, y.email, y.phone, y.address FROM customer y WHERE y.workshop_id = $1 AND y.id = x.customer_id OFFSET 0) c`, workshop, id).
				Scan(&u.Known, &u.Events, &u.Reachable)
		})
}

// Lots and batches of a scope by code: $3 is the code that a page begins behind, $4 how many are read, NULL for all.
const (
	recallLots = `SELECT x.code, m.name, x.recalled, s.added_at, k.on_hand, m.unit, x.id FROM recall_scope s JOIN material_lot x ON x.workshop_id = s.workshop_id AND x.id = s.lot_id
		JOIN material m ON m.workshop_id = x.workshop_id AND m.id = x.material_id CROSS JOIN LATERAL (SELECT y.on_hand FROM lot_stock y WHERE y.workshop_id = $1 AND y.lot_id = s.lot_id OFFSET 0) k
		WHERE s.workshop_id = $1 AND s.recall_id = $2 AND x.code > $3 ORDER BY x.code LIMIT $4`
	recallBatches = `SELECT x.code, coalesce(p.name, f.name, ''), coalesce(x.recalled, false), s.added_at, coalesce(g.left_g, 0), CASE WHEN x.bulk_g IS NULL THEN '' ELSE 'g' END, x.id FROM recall_scope s JOIN batch x ON x.workshop_id = s.workshop_id AND x.id = s.batch_id
		LEFT JOIN LATERAL (SELECT b.bulk_g - coalesce((SELECT sum(i.quantity) FROM batch_input i WHERE i.workshop_id = $1 AND i.source_batch_id = b.id AND i.unit = 'g' AND i.replaced_by IS NULL), 0) + ` + bulkMovedG + ` AS left_g
			FROM batch b WHERE b.workshop_id = $1 AND b.id = s.batch_id OFFSET 0) g ON x.bulk_g IS NOT NULL
		LEFT JOIN product p ON p.workshop_id = x.workshop_id AND p.id = x.product_id LEFT JOIN formula f ON f.workshop_id = x.workshop_id AND f.id = x.formula_id
		WHERE s.workshop_id = $1 AND s.recall_id = $2 AND x.code > $3 ORDER BY x.code LIMIT $4`
)

func recallNodes(ctx context.Context, t pgx.Tx, query string, args ...any) ([]RecallNode, error) {
	rows, err := t.Query(ctx, query, args...)
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, func(row pgx.CollectableRow) (RecallNode, error) {
		var n RecallNode
		return n, row.Scan(&n.Code, &n.Name, &n.Blocked, &n.AddedAt, &n.OnHand, &n.Unit, &n.id)
	})
}

// recallPackings reads the packings of a scope by batch and number behind the packing of a code; where most is not nil so
// many, and only those that units are or were here of.
func recallPackings(ctx context.Context, t pgx.Tx, workshop WorkshopID, id RecallID, after string, most *int) ([]RecallPacking, error) {
	rows, err := t.Query(ctx, `SELECT k.id, k.code, b.code, pr.code, pr.name, k.best_before, k.printed, `+alsoOn+`, k.status, s.added_at, s.units_good, s.units_dispatched, s.units_returned, s.units_destroyed, s.units_used, s.units_moved, s.units_on_hand, s.counted,
			n.units_good, n.dispatched, n.returned, n.returned_back, n.destroyed, n.used, n.moved, n.held,
			coalesce((SELECT sum(l.units) FROM crate c JOIN crate_line l ON l.workshop_id = $1 AND l.crate_id = c.id AND l.packing_id = s.packing_id AND l.replaced_by IS NULL WHERE c.workshop_id = $1 AND c.status = 'packing'), 0)::int,
			EXISTS (SELECT FROM hold h WHERE h.workshop_id = $1 AND h.packing_id = s.packing_id AND h.recall_id = $2 AND h.lifted_at IS NULL)
		FROM recall_scope s CROSS JOIN LATERAL (SELECT x.* FROM packing x WHERE x.workshop_id = $1 AND x.id = s.packing_id OFFSET 0) k
		CROSS JOIN LATERAL (SELECT x.* FROM packing_stock x WHERE x.workshop_id = $1 AND x.packing_id = s.packing_id OFFSET 0) n
		JOIN batch b ON b.workshop_id = $1 AND b.id = k.batch_id JOIN product pr ON pr.workshop_id = $1 AND pr.id = k.product_id
		WHERE s.workshop_id = $1 AND s.recall_id = $2 AND s.packing_id IS NOT NULL AND ($4::int IS NULL OR s.units_on_hand > 0 OR n.on_hand > 0 OR s.counted IS NOT NULL)
			AND coalesce((b.code, k.n) > (SELECT y.code, x.n FROM packing x JOIN batch y ON y.workshop_id = $1 AND y.id = x.batch_id WHERE x.workshop_id = $1 AND x.code = $3), true)
		ORDER BY b.code, k.n LIMIT $4`, workshop, id, after, most)
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, func(row pgx.CollectableRow) (RecallPacking, error) {
		var p RecallPacking
		f, u := &p.Frozen, &p.Now
		err := row.Scan(&p.ID, &p.Code, &p.Batch, &p.ProductCode, &p.ProductName, &p.BestBefore, &p.Printed, &p.Also, &p.Status, &p.AddedAt, &f.Good, &f.Dispatched, &f.Returned, &f.Destroyed, &f.Used, &f.Moved, &p.OnHand, &p.Counted,
			&u.Good, &u.Dispatched, &u.Returned, &u.RestockedOrHeld, &u.Destroyed, &u.Used, &u.Moved, &p.HeldNow, &p.Crated, &p.Blocked)
		f.RestockedOrHeld = f.Returned - f.Destroyed
		p.OnHandNow = trace.OnHand(p.Now)
		return p, err
	})
}

type recallCustomer struct {
	id   CustomerID
	code string
}

// recallCustomers are those in the frozen list, events last, who had most when it was frozen first: that order stays the
// same while units come back. after is the code of the one that a page begins behind.
func recallCustomers(ctx context.Context, t pgx.Tx, workshop WorkshopID, id RecallID, after string, limit int) ([]recallCustomer, error) {
	rows, err := t.Query(ctx, `WITH h AS (SELECT l.customer_id, sum(l.units - l.returned_before) AS held FROM recall_list l WHERE l.workshop_id = $1 AND l.recall_id = $2 GROUP BY l.customer_id),
		c AS (SELECT x.id, x.code, x.name, x.kind = 'event' AS event, -h.held AS held FROM h CROSS JOIN LATERAL (SELECT y.id, y.code, y.name, y.kind FROM customer y WHERE y.workshop_id = $1 AND y.id = h.customer_id OFFSET 0) x)
		SELECT c.id, c.code FROM c WHERE coalesce((c.event, c.held, c.name, c.code) > (SELECT y.event, y.held, y.name, y.code FROM c y WHERE y.code = $3), true)
		ORDER BY c.event, c.held, c.name, c.code LIMIT $4`, workshop, id, after, limit)
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, func(row pgx.CollectableRow) (recallCustomer, error) {
		var c recallCustomer
		return c, row.Scan(&c.id, &c.code)
	})
}

// RecallPlace is units of a packing in a recall's scope that lie apart from the shelf.
type RecallPlace struct {
	Packing string // code
	Kind    string // packing: in a crate that is being packed, and so on hand; away: at an event; sample: kept back
	Name    string // the crate's event, or the place of the sample
	Code    string // of the crate; the id of the sample
	On      string // ISO date: of the event, or taken
	Units   int
}

// recallPlaces reads where units of the packings in a scope lie: in crates that are being packed, in crates that are away
// (what of them has not come back), and as retained samples. after names the one that a page begins behind.
func recallPlaces(ctx context.Context, t pgx.Tx, workshop WorkshopID, id RecallID, after string, most *int) ([]RecallPlace, error) {
	kind, at, _ := strings.Cut(after, ":") // codes have no colon
	crate, packing, _ := strings.Cut(at, ":")
	rows, err := t.Query(ctx, `SELECT a.* FROM (SELECT k.code, 'packing' AS kind, u.name, c.code AS crate, c.event_on::text, l.units FROM crate c JOIN crate_line l ON l.workshop_id = $1 AND l.crate_id = c.id AND l.replaced_by IS NULL
		  JOIN recall_scope s ON s.workshop_id = $1 AND s.recall_id = $2 AND s.packing_id = l.packing_id JOIN customer u ON u.workshop_id = $1 AND u.id = c.customer_id JOIN packing k ON k.workshop_id = $1 AND k.id = l.packing_id
		 WHERE c.workshop_id = $1 AND c.status = 'packing'
		UNION ALL
		SELECT k.code, 'away', u.name, c.code, c.event_on::text, x.units FROM crate c JOIN dispatch_line e ON e.workshop_id = $1 AND e.dispatch_id = c.dispatch_id AND e.replaced_by IS NULL
		  JOIN recall_scope s ON s.workshop_id = $1 AND s.recall_id = $2 AND s.packing_id = e.packing_id JOIN customer u ON u.workshop_id = $1 AND u.id = c.customer_id JOIN packing k ON k.workshop_id = $1 AND k.id = e.packing_id
		 CROSS JOIN LATERAL (SELECT e.units - coalesce(sum(b.units), 0)::int AS units FROM unit_return b WHERE b.workshop_id = $1 AND b.dispatch_id = e.dispatch_id AND b.packing_id = e.packing_id AND b.replaced_by IS NULL) x
		 WHERE c.workshop_id = $1 AND c.status = 'away' AND x.units > 0
		UNION ALL
		SELECT k.code, 'sample', m.place, m.id::text, m.taken_on::text, x.units FROM recall_scope s JOIN sample m ON m.workshop_id = $1 AND m.packing_id = s.packing_id AND m.replaced_by IS NULL AND m.ended_on IS NULL
		  JOIN packing k ON k.workshop_id = $1 AND k.id = s.packing_id
		 CROSS JOIN LATERAL (SELECT m.units - coalesce(sum(i.units_used), 0)::int AS units FROM sample_check i WHERE i.workshop_id = $1 AND i.sample_id = m.id AND i.replaced_by IS NULL) x
		 WHERE s.workshop_id = $1 AND s.recall_id = $2 AND x.units > 0) a
		WHERE (a.kind, a.crate, a.code) > ($3, $4, $5) ORDER BY a.kind, a.crate, a.code LIMIT $6`, workshop, id, kind, crate, packing, most)
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, pgx.RowToStructByPos[RecallPlace])
}
