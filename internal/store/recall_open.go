package store

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"unicode/utf8"

	"github.com/jackc/pgx/v5"

	"example.org/stillroom/internal/access"
	"example.org/stillroom/internal/fault"
)

// NewRecall opens a recall or a drill.
type NewRecall struct {
	Drill   bool
	From    []TraceStart
	Level   string // consumer, stockist, stock
	Title   string
	Reason  string
	Hazard  string
	ToDo    string
	Remedy  string
	Contact string
	Target  int // a drill's, in minutes from start to full list; 0 for none
}

// RecallStartMost is the most things that one recall starts from.
const RecallStartMost = 50

func (n NewRecall) check() error {
	var f fault.Fields
	switch {
	case len(n.From) == 0:
		f.Add("from", "What does it start from? A lot, a supplier's lot, a batch or a packing.")
	case len(n.From) > RecallStartMost:
		f.Add("from", fmt.Sprintf("At most %d at once.", RecallStartMost))
	}
	if !slices.Contains([]string{"consumer", "stockist", "stock"}, n.Level) {
		f.Add("level", "How far does it reach?")
	}
	if strings.TrimSpace(n.Title) == "" {
		f.Add("title", "Give it a name that everybody here understands.")
	}
	if strings.TrimSpace(n.Reason) == "" {
		f.Add("reason", "Say what is wrong, or what is suspected.")
	}
	for _, x := range []struct {
		field, text string
		most        int
	}{{"title", n.Title, 200}, {"reason", n.Reason, 2000}, {"hazard", n.Hazard, 2000}, {"to_do", n.ToDo, 2000}, {"remedy", n.Remedy, 2000}, {"contact", n.Contact, 1000}} {
		if utf8.RuneCountInString(x.text) > x.most {
			f.Add(x.field, fmt.Sprintf("At most %d characters, please.", x.most))
		}
	}
	if n.Target < 0 || n.Target > 100000 {
		f.Add("target", "Between 1 and 100,000 minutes.")
	}
	return f.Err()
}

// OpenRecall computes what the starts reach, freezes it as the recall's scope and list, and blocks it, all in one
// transaction: from then on none of it leaves or is used, in any window. A drill freezes the same and blocks nothing. It
// answers the number. Only the owner may. Faults: from, level, title, reason, hazard, to_do, remedy, contact, target.
func (s *Store) OpenRecall(ctx context.Context, who Who, entry Entry, n NewRecall) (string, error) {
	if who.Actor == "person" && !access.May(who.Role, access.Recall) {
		return "", fault.New(fault.Forbidden, "Only the owner opens a recall.")
	}
	if err := n.check(); err != nil {
		return "", err
	}
	number, err := s.write(ctx, who, create, "", entry, func(t *tx) error { return t.openRecall(ctx, n) })
	if err != nil {
		return "", fmt.Errorf("store: open recall: %w", err)
	}
	return number, nil
}

func (t *tx) openRecall(ctx context.Context, n NewRecall) error {
	if err := t.lockGenealogy(ctx); err != nil {
		return err
	}
	all, err := starts(ctx, t, t.who.Workshop, n.From)
	if err != nil {
		return faultIn("from", err)
	}
	set, err := t.settleScope(ctx, slices.Concat(all...), !n.Drill)
	if err != nil {
		return err
	}
	number, err := t.next(ctx, "recall")
	if err != nil {
		return err
	}
	id := newID[RecallID]()
	var target *int
	if n.Drill && n.Target > 0 {
		target = &n.Target
	}
	if _, err := t.Exec(ctx, `INSERT INTO recall (workshop_id, id, n, drill, level, title, reason, hazard, to_do, remedy, contact, opened_at, opened_on, target_minutes, change_id)
		VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13, $14, $15)`, t.who.Workshop, id, number, n.Drill, n.Level, strings.TrimSpace(n.Title), n.Reason, n.Hazard, n.ToDo, n.Remedy, n.Contact, t.now, t.today, target, t.change); err != nil {
		return err
	}
	for i, s := range n.From {
		if err := t.recallStart(ctx, id, s, all[i]); err != nil {
			return err
		}
	}
	if err := t.freeze(ctx, id, set); err != nil {
		return err
	}
	t.result = fmt.Sprint(number)
	if n.Drill {
		return nil
	}
	return t.block(ctx, id, RecallCode(number, false)+": "+n.Title, set)
}

// recallStart keeps what a recall was opened from: a row for each lot, batch or packing that it stands for.
func (t *tx) recallStart(ctx context.Context, recall RecallID, s TraceStart, nodes []node) error {
	kind, said := s.Kind, s.Code
	if kind == "supplier lot" {
		kind, said = "supplier_lot", s.Code+" of "+s.Supplier
	}
	for _, n := range nodes {
		_, err := t.Exec(ctx, `INSERT INTO recall_origin (workshop_id, id, recall_id, kind, said, lot_id, batch_id, packing_id, change_id) VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9)`,
			t.who.Workshop, newID[RowID](), recall, kind, said, n.of("lot"), n.of("batch"), n.of("packing"), t.change)
		if err != nil {
			return err
		}
	}
	return nil
}

// of is the node's id where it is of that kind, else nil.
func (n node) of(kind string) *[16]byte {
	if n.Kind != kind {
		return nil
	}
	return &n.ID
}

// settleScope finds what the origins reach and, for a recall, locks it in the order that everybody locks in: batches,
// packings, lots. Whatever was being weighed, packed or sent meanwhile is then either in what it answers, or waits and sees
// the block. The genealogy is locked already.
func (t *tx) settleScope(ctx context.Context, origins []node, lock bool) (reached, error) {
	set, err := t.scopeOf(ctx, origins)
	if err != nil || !lock {
		return set, err
	}
	for {
		if _, err := t.Exec(ctx, `SELECT FROM batch WHERE workshop_id = $1 AND id = ANY ($2::uuid[]) ORDER BY id FOR NO KEY UPDATE`, t.who.Workshop, set["batch"]); err != nil {
			return nil, err
		}
		if _, err := t.Exec(ctx, `SELECT FROM packing WHERE workshop_id = $1 AND id = ANY ($2::uuid[]) ORDER BY id FOR NO KEY UPDATE`, t.who.Workshop, set["packing"]); err != nil {
			return nil, err
		}
		if _, err := t.Exec(ctx, `SELECT FROM material_lot WHERE workshop_id = $1 AND id = ANY ($2::uuid[]) ORDER BY code FOR NO KEY UPDATE`, t.who.Workshop, set["lot"]); err != nil {
			return nil, err
		}
		again, err := t.scopeOf(ctx, origins)
		if err != nil || again.size() == set.size() {
			return again, err
		}
		set = again
	}
}

func (r reached) size() int { return len(r["lot"]) + len(r["batch"]) + len(r["packing"]) }

// scopeOf is all that the origins reach, with all packings of the batches among it.
func (t *tx) scopeOf(ctx context.Context, origins []node) (reached, error) {
	return recallScope(ctx, t, t.who.Workshop, origins)
}

func recallScope(ctx context.Context, t pgx.Tx, workshop WorkshopID, origins []node) (reached, error) {
	set, err := reach(ctx, t, workshop, reachForward, origins...)
	if err != nil {
		return nil, err
	}
	rows, err := t.Query(ctx, `SELECT h.id FROM `+affectedIDs+` ORDER BY h.id`, workshop, set["batch"], set["packing"])
	if err != nil {
		return nil, err
	}
	set["packing"], err = pgx.CollectRows(rows, pgx.RowTo[[16]byte])
	return set, err
}

// freeze stores the scope and the list as they stand, but for what the recall holds already.
func (t *tx) freeze(ctx context.Context, recall RecallID, set reached) error {
	for kind, column := range map[string]string{"lot": "lot_id", "batch": "batch_id"} {
		if _, err := t.Exec(ctx, `INSERT INTO recall_scope (workshop_id, id, recall_id, `+column+`, added_at, change_id)
			SELECT $1, gen_random_uuid(), $2, x, $4, $5 FROM unnest($3::uuid[]) x ORDER BY x ON CONFLICT DO NOTHING`, t.who.Workshop, recall, set[kind], t.now, t.change); err != nil {
			return err
		}
	}
	if _, err := t.Exec(ctx, `INSERT INTO recall_scope (workshop_id, id, recall_id, packing_id, units_good, units_dispatched, units_returned, units_destroyed, units_used, units_moved, units_on_hand, added_at, change_id)
		SELECT $1, gen_random_uuid(), $2, x, k.units_good, k.dispatched, k.returned, k.destroyed, k.used, k.moved, k.on_hand, $4, $5 FROM unnest($3::uuid[]) x
		CROSS JOIN LATERAL (SELECT s.* FROM packing_stock s WHERE s.workshop_id = $1 AND s.packing_id = x OFFSET 0) k ORDER BY x ON CONFLICT DO NOTHING`, t.who.Workshop, recall, set["packing"], t.now, t.change); err != nil {
		return err
	}
	_, err := t.Exec(ctx, `INSERT INTO recall_line (workshop_id, id, recall_id, line_id, packing_id, customer_id, units, returned, added_at, change_id)
		SELECT $1, gen_random_uuid(), $2, l.id, l.packing_id, l.customer_id, l.units, l.back, $4, $5 FROM unnest($3::uuid[]) x
		CROSS JOIN LATERAL (SELECT e.id, e.packing_id, e.customer_id, e.units, least(e.units, coalesce((SELECT sum(b.units) FROM unit_return b WHERE b.workshop_id = $1 AND b.dispatch_id = e.dispatch_id AND b.packing_id = x AND b.replaced_by IS NULL), 0))::int AS back
		                      FROM dispatch_line e WHERE e.workshop_id = $1 AND e.packing_id = x AND e.replaced_by IS NULL OFFSET 0) l
		ORDER BY l.id ON CONFLICT DO NOTHING`, t.who.Workshop, recall, set["packing"], t.now, t.change)
	return err
}

// block keeps what a recall covers from being used or leaving: lots and batches by their flag, packings by a hold over
// all their units, those that come back too. What another recall blocked already gets this one's hold as well.
func (t *tx) block(ctx context.Context, recall RecallID, why string, set reached) error {
	if _, err := t.Exec(ctx, `UPDATE material_lot SET recalled = true WHERE workshop_id = $1 AND id = ANY ($2::uuid[]) AND NOT recalled`, t.who.Workshop, set["lot"]); err != nil {
		return err
	}
	if _, err := t.Exec(ctx, `UPDATE batch SET recalled = true WHERE workshop_id = $1 AND id = ANY ($2::uuid[]) AND recalled IS DISTINCT FROM true`, t.who.Workshop, set["batch"]); err != nil {
		return err
	}
	short := []rune(why)
	_, err := t.Exec(ctx, `INSERT INTO hold (workshop_id, id, packing_id, recall_id, reason, placed_at, change_id)
		SELECT $1, gen_random_uuid(), x, $2, $4, $5, $6 FROM unnest($3::uuid[]) x WHERE NOT EXISTS (SELECT FROM hold h WHERE h.workshop_id = $1 AND h.packing_id = x AND h.recall_id = $2) ORDER BY x`,
		t.who.Workshop, recall, set["packing"], string(short[:min(len(short), 1000)]), t.now, t.change)
	return err
}

// holdNewPacking holds a packing at its birth where its batch is in a recall: what is packed of it may not leave either.
func (t *tx) holdNewPacking(ctx context.Context, batch BatchID, packing PackingID) error {
	_, err := t.Exec(ctx, `INSERT INTO hold (workshop_id, id, packing_id, recall_id, reason, placed_at, change_id)
		SELECT $1, gen_random_uuid(), $3, r.id, left('R-' || r.n || ': ' || r.title, 1000), $4, $5 FROM recall_scope s JOIN recall r ON r.workshop_id = $1 AND r.id = s.recall_id
		WHERE s.workshop_id = $1 AND s.batch_id = $2 AND NOT r.drill AND EXISTS (SELECT FROM batch b WHERE b.workshop_id = $1 AND b.id = $2 AND b.recalled) ORDER BY r.n`,
		t.who.Workshop, batch, packing, t.now, t.change)
	return err
}

// lockRecall puts what is done about one recall in order.
func (t *tx) lockRecall(ctx context.Context, n int) (Recall, error) {
	if _, err := t.Exec(ctx, `SELECT FROM recall WHERE workshop_id = $1 AND n = $2 FOR NO KEY UPDATE`, t.who.Workshop, n); err != nil {
		return Recall{}, err
	}
	return recallByNumber(ctx, t, t.who.Workshop, n)
}
