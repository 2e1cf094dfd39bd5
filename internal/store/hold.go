package store

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"

	"example.org/stillroom/internal/access"
	"example.org/stillroom/internal/fault"
)

// Hold is units that may not leave for now.
type Hold struct {
	ID         HoldID
	Packing    string // code
	Return     string // code of the return that they came back in, empty where they did not
	Units      int    // 0 for all units of the packing
	Reason     string
	PlacedAt   time.Time
	PlacedBy   string
	LiftedAt   *time.Time
	LiftReason string
	LiftedBy   string
	Recall     int // number of the recall that placed it, 0 for none: only the owner lifts it
}

func queryHolds(ctx context.Context, t pgx.Tx, where string, args ...any) ([]Hold, error) {
	rows, err := t.Query(ctx, `SELECT h.id, p.code, coalesce(x.code, ''), coalesce(h.units, 0), h.reason, h.placed_at, coalesce(w.name, c.actor), h.lifted_at, coalesce(h.lift_reason, ''), coalesce(z.who, ''), coalesce(r.n, 0)
		FROM hold h JOIN packing p ON p.workshop_id = h.workshop_id AND p.id = h.packing_id LEFT JOIN unit_return x ON x.workshop_id = h.workshop_id AND x.id = h.return_id
		JOIN change c ON c.workshop_id = h.workshop_id AND c.id = h.change_id LEFT JOIN person w ON w.workshop_id = c.workshop_id AND w.id = c.person_id
		LEFT JOIN recall r ON r.workshop_id = h.workshop_id AND r.id = h.recall_id LEFT JOIN LATERAL (`+lastChange(`'hold'`, `h.id`)+`) z ON h.lifted_at IS NOT NULL `+where, args...)
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, pgx.RowToStructByPos[Hold])
}

// NewHold says which units may not leave, and why.
type NewHold struct {
	Packing string // code
	Units   int    // 0 for all of the packing, also those that come back later
	Reason  string
}

// PlaceHold keeps units of a packing from leaving; they stay on hand. Faults: units, reason.
func (s *Store) PlaceHold(ctx context.Context, who Who, entry Entry, h NewHold) error {
	_, err := s.write(ctx, who, create, "", entry, func(t *tx) error {
		p, err := t.lockPacking(ctx, h.Packing)
		if err != nil {
			return err
		}
		var whole bool
		if err := t.QueryRow(ctx, `SELECT EXISTS (SELECT FROM hold WHERE workshop_id = $1 AND packing_id = $2 AND units IS NULL AND lifted_at IS NULL)`, who.Workshop, p.ID).Scan(&whole); err != nil {
			return err
		}
		if whole {
			return fault.New(fault.Conflict, "All of "+p.Code+" is on hold already.")
		}
		var f fault.Fields
		if h.Units < 0 || h.Units > mostUnits {
			f.Add("units", "How many? At least 1.")
		} else if h.Units > p.Free() {
			f.Add("units", fmt.Sprintf("%d are on hand and not on hold yet.", p.Free()))
		}
		if strings.TrimSpace(h.Reason) == "" {
			f.Add("reason", "Say why they may not leave.")
		}
		checkWords(&f, "reason", h.Reason)
		if err := f.Err(); err != nil {
			return err
		}
		t.result = p.Code
		return t.placeHold(ctx, p.ID, h.Units, h.Reason, nil)
	})
	if err != nil {
		return fmt.Errorf("store: hold %q: %w", h.Packing, err)
	}
	return nil
}

// placeHold stores a hold of a locked packing; units 0 is all of it.
func (t *tx) placeHold(ctx context.Context, packing PackingID, units int, reason string, of *ReturnID) error {
	var some *int
	if units > 0 {
		some = &units
	}
	_, err := t.Exec(ctx, `INSERT INTO hold (workshop_id, id, packing_id, return_id, units, reason, placed_at, change_id) VALUES ($1, $2, $3, $4, $5, $6, $7, $8)`,
		t.who.Workshop, newID[HoldID](), packing, of, some, reason, t.now, t.change)
	return err
}

// LiftHold lets units leave again. Faults: reason.
func (s *Store) LiftHold(ctx context.Context, who Who, entry Entry, id HoldID, reason string) error {
	_, err := s.write(ctx, who, progress, "", entry, func(t *tx) error {
		var packing string
		var recalled bool
		if err := t.QueryRow(ctx, `SELECT p.code, h.recall_id IS NOT NULL FROM hold h JOIN packing p ON p.workshop_id = h.workshop_id AND p.id = h.packing_id WHERE h.workshop_id = $1 AND h.id = $2`, who.Workshop, id).Scan(&packing, &recalled); err != nil {
			return notFound(err, "There is no such hold.")
		}
		if recalled && who.Actor == "person" && !access.May(who.Role, access.Recall) {
			return fault.New(fault.Forbidden, "A recall keeps them here. Only the owner lifts that.")
		}
		var f fault.Fields
		if strings.TrimSpace(reason) == "" {
			f.Add("reason", "Say what was found, and why they may leave.")
		}
		checkWords(&f, "reason", reason)
		if err := f.Err(); err != nil {
			return err
		}
		if _, err := t.lockPacking(ctx, packing); err != nil {
			return err
		}
		tag, err := t.Exec(ctx, `UPDATE hold SET lifted_at = $3, lift_reason = $4 WHERE workshop_id = $1 AND id = $2 AND lifted_at IS NULL`, who.Workshop, id, t.now, reason)
		if err == nil && tag.RowsAffected() == 0 {
			return fault.New(fault.Conflict, "This hold has been lifted already.")
		}
		t.result = packing
		return err
	})
	if err != nil {
		return fmt.Errorf("store: lift hold: %w", err)
	}
	return nil
}

// holdToTake is the hold that a move takes its units from, nil where it takes free ones. Broken units of a packing that
// is on hold as a whole need not say so: the hold goes on for the rest.
func (t *tx) holdToTake(ctx context.Context, p Packing, m UnitMove) (*Hold, error) {
	if m.Hold == (HoldID{}) || m.Reason == "count" {
		return nil, nil
	}
	list, err := queryHolds(ctx, t, `WHERE h.workshop_id = $1 AND h.packing_id = $2 AND h.id = $3 AND h.lifted_at IS NULL`, t.who.Workshop, p.ID, m.Hold)
	switch {
	case err != nil:
		return nil, err
	case len(list) == 0:
		return nil, fault.In("hold", "That hold has been lifted meanwhile, or is of another packing. Choose again.")
	case list[0].Units == 0:
		return nil, nil
	case list[0].Units < m.Units:
		return nil, fault.In("units", fmt.Sprintf("Only %s on that hold.", plural(list[0].Units, "unit is", "units are")))
	}
	return &list[0], nil
}

// shrinkHold takes units out of a hold of a locked packing: it is lifted, and another begins for the rest.
func (t *tx) shrinkHold(ctx context.Context, packing PackingID, h Hold, units int, why string) error {
	if _, err := t.Exec(ctx, `UPDATE hold SET lifted_at = $3, lift_reason = $4 WHERE workshop_id = $1 AND id = $2`, t.who.Workshop, h.ID, t.now, why); err != nil || units >= h.Units {
		return err
	}
	var of *ReturnID
	if err := t.QueryRow(ctx, `SELECT return_id FROM hold WHERE workshop_id = $1 AND id = $2`, t.who.Workshop, h.ID).Scan(&of); err != nil {
		return err
	}
	return t.placeHold(ctx, packing, h.Units-units, h.Reason, of)
}

// holdAgain puts units back on hold that a move, taken back now, had taken from one: the hold was lifted under the
// move's own change.
func (t *tx) holdAgain(ctx context.Context, packing PackingID, change ChangeID, units int, move string) error {
	var reason string
	err := t.QueryRow(ctx, `SELECT h.reason FROM audit a JOIN hold h ON h.workshop_id = a.workshop_id AND h.id::text = a.row_id
		WHERE a.workshop_id = $1 AND a.change_id = $2 AND a.table_name = 'hold' AND a.op = 'U' AND h.packing_id = $3 ORDER BY a.n LIMIT 1`, t.who.Workshop, change, packing).Scan(&reason)
	if errors.Is(err, pgx.ErrNoRows) {
		return nil
	}
	if err != nil {
		return err
	}
	why := []rune("Again, since " + move + " was taken back: " + reason)
	return t.placeHold(ctx, packing, units, string(why[:min(len(why), 1000)]), nil)
}
