package store

import (
	"context"
	"fmt"
	"strconv"

	"github.com/jackc/pgx/v5"

	"example.org/stillroom/internal/access"
	"example.org/stillroom/internal/day"
	"example.org/stillroom/internal/fault"
)

// RecallSince is how a recall's frozen scope differs from what its starts reach now: entries and corrections made since.
type RecallSince struct {
	// More is what is reached now and not in the scope: its lots, batches and packings by code.
	More []RecallDifference
	// Less is what the scope holds and nothing reaches any more. It stays in the recall, and blocked, until its owner decides.
	Less []RecallDifference
	// Lines are those of dispatches that are new, or that were corrected or withdrawn.
	Lines []RecallLineSince
	more  reached
}

// RecallDifference is a lot, a batch or a packing by its code.
type RecallDifference struct {
	Kind string // lot, batch, packing
	Code string
}

// RecallLineSince is units of a packing in one dispatch: in the list as frozen, and now. 0 is not there.
type RecallLineSince struct {
	Packing, Dispatch, Customer, CustomerName string
	DispatchedOn                              day.Day
	Was, Is                                   int
}

// Any tells whether something differs.
func (d RecallSince) Any() bool { return len(d.More)+len(d.Less)+len(d.Lines) > 0 }

// Grew tells whether there is something to take into the recall: what is reached besides, and lines of dispatches as they
// stand now. A line that was withdrawn stays in the list, which says so.
func (d RecallSince) Grew() bool {
	for _, l := range d.Lines {
		if l.Is > 0 {
			return true
		}
	}
	return len(d.More) > 0
}

// RecallSince compares the frozen scope with what its starts reach now.
func (s *Store) RecallSince(ctx context.Context, workshop WorkshopID, n int) (RecallSince, error) {
	var out RecallSince
	err := s.read(ctx, workshop, func(t pgx.Tx) error {
		r, err := recallByNumber(ctx, t, workshop, n)
		if err != nil {
			return err
		}
		out, err = recallSince(ctx, t, workshop, r.ID)
		return err
	})
	if err != nil {
		return RecallSince{}, fmt.Errorf("store: recall %d since: %w", n, err)
	}
	return out, nil
}

func recallSince(ctx context.Context, t pgx.Tx, workshop WorkshopID, id RecallID) (RecallSince, error) {
	origins, err := recallOrigins(ctx, t, workshop, id)
	if err != nil {
		return RecallSince{}, err
	}
	out := RecallSince{}
	if out.more, err = recallScope(ctx, t, workshop, startsOf(origins)); err != nil {
		return out, err
	}
	err = together(ctx, t,
		func(t pgx.Tx) (err error) {
			out.More, err = recallDifferences(ctx, t, `SELECT n.kind, n.id FROM now n EXCEPT SELECT f.kind, f.id FROM frozen f`, workshop, id, out.more)
			return err
		},
		func(t pgx.Tx) (err error) {
			out.Less, err = recallDifferences(ctx, t, `SELECT f.kind, f.id FROM frozen f EXCEPT SELECT n.kind, n.id FROM now n`, workshop, id, out.more)
			return err
		},
		func(t pgx.Tx) (err error) {
			out.Lines, err = recallLinesSince(ctx, t, workshop, id, out.more["packing"])
			return err
		})
	return out, err
}

// startsOf are the nodes that a recall was opened from.
func startsOf(origins []RecallOrigin) []node {
	from := make([]node, len(origins))
	for i, o := range origins {
		from[i] = node{o.Node, o.id}
	}
	return from
}

func recallDifferences(ctx context.Context, t pgx.Tx, which string, workshop WorkshopID, id RecallID, set reached) ([]RecallDifference, error) {
	rows, err := t.Query(ctx, `WITH frozen AS (SELECT CASE WHEN s.lot_id IS NOT NULL THEN 'lot' WHEN s.batch_id IS NOT NULL THEN 'batch' ELSE 'packing' END AS kind, coalesce(s.lot_id, s.batch_id, s.packing_id) AS id
			FROM recall_scope s WHERE s.workshop_id = $1 AND s.recall_id = $2),
		now AS (SELECT 'lot' AS kind, x AS id FROM unnest($3::uuid[]) x UNION ALL SELECT 'batch', x FROM unnest($4::uuid[]) x UNION ALL SELECT 'packing', x FROM unnest($5::uuid[]) x),
		d AS (`+which+`)
		SELECT d.kind, coalesce(l.code, b.code, p.code) FROM d LEFT JOIN material_lot l ON d.kind = 'lot' AND l.workshop_id = $1 AND l.id = d.id LEFT JOIN batch b ON d.kind = 'batch' AND b.workshop_id = $1 AND b.id = d.id
		LEFT JOIN packing p ON d.kind = 'packing' AND p.workshop_id = $1 AND p.id = d.id ORDER BY 1, 2`, workshop, id, set["lot"], set["batch"], set["packing"])
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, pgx.RowToStructByPos[RecallDifference])
}

// recallLinesSince pairs the frozen list with the current lines by packing and dispatch: a corrected line has another id.
func recallLinesSince(ctx context.Context, t pgx.Tx, workshop WorkshopID, id RecallID, packings [][16]byte) ([]RecallLineSince, error) {
	rows, err := t.Query(ctx, `WITH was AS (SELECT l.dispatch_id, l.packing_id, l.customer_id, l.units FROM recall_list l WHERE l.workshop_id = $1 AND l.recall_id = $2),
		is_now AS (SELECT e.dispatch_id, e.packing_id, e.customer_id, e.units FROM (SELECT unnest($3::uuid[]) AS id UNION SELECT s.packing_id FROM recall_scope s WHERE s.workshop_id = $1 AND s.recall_id = $2 AND s.packing_id IS NOT NULL) p
			CROSS JOIN LATERAL (SELECT x.dispatch_id, x.packing_id, x.customer_id, x.units FROM dispatch_line x WHERE x.workshop_id = $1 AND x.packing_id = p.id AND x.replaced_by IS NULL OFFSET 0) e)
		SELECT k.code, d.code, c.code, c.name, d.dispatched_on, coalesce(w.units, 0)::int, coalesce(i.units, 0)::int
		  FROM was w FULL JOIN is_now i ON i.dispatch_id = w.dispatch_id AND i.packing_id = w.packing_id AND i.customer_id = w.customer_id
		  JOIN packing k ON k.workshop_id = $1 AND k.id = coalesce(w.packing_id, i.packing_id) JOIN dispatch d ON d.workshop_id = $1 AND d.id = coalesce(w.dispatch_id, i.dispatch_id)
		  JOIN customer c ON c.workshop_id = $1 AND c.id = coalesce(w.customer_id, i.customer_id)
		 WHERE coalesce(w.units, 0) <> coalesce(i.units, 0) ORDER BY d.dispatched_on, d.code, k.code`, workshop, id, packings)
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, pgx.RowToStructByPos[RecallLineSince])
}

// ExtendRecall takes what the starts reach now, and the scope does not hold yet, into an open recall: frozen, listed and
// blocked like the rest. Only the owner may.
func (s *Store) ExtendRecall(ctx context.Context, who Who, entry Entry, n int) error {
	if who.Actor == "person" && !access.May(who.Role, access.Recall) {
		return fault.New(fault.Forbidden, "Only the owner takes more into a recall.")
	}
	_, err := s.write(ctx, who, create, "", entry, func(t *tx) error {
		if err := t.lockGenealogy(ctx); err != nil {
			return err
		}
		r, err := t.lockRecall(ctx, n)
		if err != nil {
			return err
		}
		if !r.Open() {
			return fault.New(fault.Conflict, "It is closed. What was reached since needs a recall of its own.")
		}
		since, err := recallSince(ctx, t, who.Workshop, r.ID)
		if err != nil {
			return err
		}
		if !since.Grew() {
			return fault.New(fault.Conflict, "The scope holds all that is reached already.")
		}
		origins, err := recallOrigins(ctx, t, who.Workshop, r.ID)
		if err != nil {
			return err
		}
		set, err := t.settleScope(ctx, startsOf(origins), !r.Drill)
		if err != nil {
			return err
		}
		t.result = strconv.Itoa(n)
		if err := t.freeze(ctx, r.ID, set); err != nil || r.Drill {
			return err
		}
		return t.block(ctx, r.ID, r.Code()+": "+r.Title, set)
	})
	if err != nil {
		return fmt.Errorf("store: extend recall %d: %w", n, err)
	}
	return nil
}
