package store

import (
	"context"
	"fmt"
	"strconv"
	"strings"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"

	"example.org/stillroom/internal/access"
	"example.org/stillroom/internal/fault"
)

// Unblock lets one lot, batch or packing of a recall be used or leave again, while the recall runs or after it was closed.
// kind is lot, batch or packing. It is the owner's decision, and the reason stays with it: a correction of the lot's or
// batch's flag, or the lifting of the hold that this recall placed. Each is unblocked for itself: a lot's batches and a
// batch's packings stay blocked. What another recall that still runs covers too is refused. Faults: reason.
func (s *Store) Unblock(ctx context.Context, who Who, entry Entry, n int, kind, code, reason string) error {
	if who.Actor == "person" && !access.May(who.Role, access.Recall) {
		return fault.New(fault.Forbidden, "Only the owner lets what is in a recall be used again.")
	}
	var f fault.Fields
	if strings.TrimSpace(reason) == "" {
		f.Add("reason", "Say what was found, and why it may be used again.")
	}
	checkWords(&f, "reason", reason)
	if err := f.Err(); err != nil {
		return err
	}
	_, err := s.write(ctx, who, correct, reason, entry, func(t *tx) error { return t.unblock(ctx, n, kind, code, reason) })
	if err != nil {
		return fmt.Errorf("store: unblock %s %q of recall %d: %w", kind, code, n, err)
	}
	return nil
}

func (t *tx) unblock(ctx context.Context, n int, kind, code, reason string) error {
	lock, known := map[string]string{
		"lot":     `SELECT id FROM material_lot WHERE workshop_id = $1 AND code = $2 FOR NO KEY UPDATE`,
		"batch":   `SELECT id FROM batch WHERE workshop_id = $1 AND code = $2 FOR NO KEY UPDATE`,
		"packing": `SELECT id FROM packing WHERE workshop_id = $1 AND code = $2 FOR NO KEY UPDATE`,
	}[kind]
	if !known {
		return fault.New(fault.NotFound, "There is no such thing in a recall.")
	}
	r, err := recallByNumber(ctx, t, t.who.Workshop, n)
	if err != nil {
		return err
	}
	if r.Drill {
		return fault.New(fault.Conflict, r.Code()+" is a drill: it blocked nothing.")
	}
	var id [16]byte
	if err := t.QueryRow(ctx, lock, t.who.Workshop, code).Scan(&id); err != nil {
		return notFound(err, fmt.Sprintf("There is no %s %q.", kind, code))
	}
	// With the row locked no recall can come to cover it meanwhile.
	recalls, err := recallsOver(ctx, t, t.who.Workshop, kind, id)
	if err != nil {
		return err
	}
	covered := false
	for _, other := range recalls {
		covered = covered || other.n == n
		if other.n != n && other.open {
			return fault.New(fault.Conflict, RecallCode(other.n, false)+" covers "+code+" too and still runs. It stays blocked until that one is closed.")
		}
	}
	if !covered {
		return fault.New(fault.NotFound, r.Code()+" does not cover "+kind+" "+code+".")
	}
	var tag pgconn.CommandTag
	switch kind {
	case "lot":
		tag, err = t.Exec(ctx, `UPDATE material_lot SET recalled = false WHERE workshop_id = $1 AND id = $2 AND recalled`, t.who.Workshop, id)
	case "batch":
		tag, err = t.Exec(ctx, `UPDATE batch SET recalled = false WHERE workshop_id = $1 AND id = $2 AND recalled`, t.who.Workshop, id)
	case "packing":
		tag, err = t.Exec(ctx, `UPDATE hold SET lifted_at = $4, lift_reason = $5 WHERE workshop_id = $1 AND packing_id = $2 AND recall_id = $3 AND lifted_at IS NULL`, t.who.Workshop, id, r.ID, t.now, reason)
	}
	if err == nil && tag.RowsAffected() == 0 {
		return fault.New(fault.Conflict, strings.ToUpper(kind[:1])+kind[1:]+" "+code+" is not blocked by it any more.")
	}
	t.result = code
	return err
}

// overRecall is a recall that covers something.
type overRecall struct {
	n    int
	open bool
}

// recallsOver are the recalls (not the drills) whose frozen scope holds a lot, a batch or a packing, the latest first.
func recallsOver(ctx context.Context, t pgx.Tx, workshop WorkshopID, kind string, id [16]byte) ([]overRecall, error) {
	column, known := map[string]string{"lot": "lot_id", "batch": "batch_id", "packing": "packing_id"}[kind]
	if !known {
		return nil, fmt.Errorf("store: nothing called %q is in a recall", kind)
	}
	rows, err := t.Query(ctx, `SELECT r.n, r.closed_at IS NULL FROM recall_scope s JOIN recall r ON r.workshop_id = $1 AND r.id = s.recall_id WHERE s.workshop_id = $1 AND s.`+column+` = $2 AND NOT r.drill ORDER BY r.n DESC`, workshop, id)
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, func(row pgx.CollectableRow) (overRecall, error) {
		var o overRecall
		return o, row.Scan(&o.n, &o.open)
	})
}

// The number of the recall that keeps something blocked, for pages to lead to: of a lot l and a batch b that has its flag the
// latest recall that still runs, else the latest of all; of a packing p the latest whose hold stands. NULL for none.
const (
	recallOfLot = `CASE WHEN l.recalled THEN (SELECT r.n FROM recall_scope s JOIN recall r ON r.workshop_id = l.workshop_id AND r.id = s.recall_id
		WHERE s.workshop_id = l.workshop_id AND s.lot_id = l.id AND NOT r.drill ORDER BY r.closed_at IS NULL DESC, r.n DESC LIMIT 1) END`
	recallOfBatch = `CASE WHEN b.recalled THEN (SELECT r.n FROM recall_scope s JOIN recall r ON r.workshop_id = b.workshop_id AND r.id = s.recall_id
		WHERE s.workshop_id = b.workshop_id AND s.batch_id = b.id AND NOT r.drill ORDER BY r.closed_at IS NULL DESC, r.n DESC LIMIT 1) END`
	recallOfPacking = `(SELECT max(r.n) FROM hold h JOIN recall r ON r.workshop_id = p.workshop_id AND r.id = h.recall_id WHERE h.workshop_id = p.workshop_id AND h.packing_id = p.id AND h.recall_id IS NOT NULL AND h.lifted_at IS NULL)`
)

// ScopeCount is how many units of a packing somebody found on the shelf; nil where it was not counted after all. Seen is
// what stood there when the form was drawn: what was left as it was is passed over, so that two people may count at once.
type ScopeCount struct {
	Packing       string // code
	Counted, Seen *int
}

func (c ScopeCount) same() bool {
	return c.Counted == nil && c.Seen == nil || c.Counted != nil && c.Seen != nil && *c.Counted == *c.Seen
}

// CountedField is the form field of the count at an index, which faults stand beside.
func CountedField(i int) string { return "counted-" + strconv.Itoa(i) }

// CountScope writes what was found on the shelf of packings in the scope of a recall or drill that still runs. The book's
// own count does not change by it: what is off is booked on the stock pages. Faults: beside each count CountedField.
func (s *Store) CountScope(ctx context.Context, who Who, entry Entry, n int, counts []ScopeCount) error {
	if who.Actor == "person" && !access.May(who.Role, access.Dispatch) {
		return fault.New(fault.Forbidden, "Your role ("+string(who.Role)+") may not count.")
	}
	_, err := s.write(ctx, who, progress, "", entry, func(t *tx) error {
		r, err := t.lockRecall(ctx, n)
		if err != nil {
			return err
		}
		if !r.Open() {
			return fault.New(fault.Conflict, r.Code()+" is closed.")
		}
		var f fault.Fields
		for i, c := range counts {
			if c.same() {
				continue
			}
			if c.Counted != nil && (*c.Counted < 0 || *c.Counted > mostUnits) {
				f.Add(CountedField(i), "Between 0 and 1,000,000 units.")
				continue
			}
			tag, err := t.Exec(ctx, `UPDATE recall_scope SET counted = $4 WHERE workshop_id = $1 AND recall_id = $2 AND packing_id = (SELECT k.id FROM packing k WHERE k.workshop_id = $1 AND k.code_key = $3)`,
				who.Workshop, r.ID, foldBatch(c.Packing), c.Counted)
			if err != nil {
				return err
			}
			if tag.RowsAffected() == 0 {
				f.Add(CountedField(i), r.Code()+" does not cover "+c.Packing+".")
			}
		}
		return f.Err()
	})
	if err != nil {
		return fmt.Errorf("store: count for recall %d: %w", n, err)
	}
	return nil
}
