package store

import (
	"context"
	"fmt"
	"strings"

	"github.com/jackc/pgx/v5"

	"example.org/stillroom/internal/day"
	"example.org/stillroom/internal/fault"
)

// What is decided or corrected about a lot goes on into the tubs that were filled from it, at every level.

// tubState is a tub below a lot, locked, with the dates that it had from what is in it.
type tubState struct {
	ID   LotID
	Code string
	had  heldOf
	on   day.Day // labels are looked at only of what was drawn on or after it; zero for all
}

// heldOf are the earliest known dates of what is in a tub.
type heldOf struct{ Expires, Retest day.Day }

// downstream are tubs below a lot, itself among them where it is one.
type downstream []tubState

// below is downstream without the lot itself.
func (d downstream) below(id LotID) downstream {
	var out downstream
	for _, t := range d {
		if t.ID != id {
			out = append(out, t)
		}
	}
	return out
}

// since limits the labels that are looked at to what was drawn from the tubs on or after a day.
func (d downstream) since(on day.Day) downstream {
	for i := range d {
		d[i].on = on
	}
	return d
}

// tubsBelow are all tubs that were filled from the lots with the codes $2, through every level, and those lots.
const tubsBelow = `WITH RECURSIVE below (id) AS (
	SELECT l.id FROM material_lot l WHERE l.workshop_id = $1 AND l.code = ANY ($2)
	UNION SELECT f.lot_id FROM below b CROSS JOIN LATERAL (
		SELECT i.lot_id FROM lot_input i WHERE i.workshop_id = $1 AND i.source_lot_id = b.id AND i.replaced_by IS NULL OFFSET 0) f)`

// lockTubs locks a lot with all tubs below it, and others with them, in the order of their codes as everybody takes
// them, and notes what dates the tubs have from what is in them. It takes the genealogy first: no tub may be filled
// from these meanwhile.
func (t *tx) lockTubs(ctx context.Context, lot string, others ...string) (downstream, error) {
	if err := t.lockGenealogy(ctx); err != nil {
		return nil, err
	}
	var known bool
	if err := t.QueryRow(ctx, `SELECT EXISTS (SELECT FROM material_lot WHERE workshop_id = $1 AND code = $2)`, t.who.Workshop, lot).Scan(&known); err != nil {
		return nil, err
	}
	if !known {
		return nil, fault.New(fault.NotFound, fmt.Sprintf("There is no lot %q.", lot))
	}
	if _, err := t.Exec(ctx, tubsBelow+` SELECT FROM material_lot l WHERE l.workshop_id = $1 AND (l.code = ANY ($3) OR l.id IN (SELECT id FROM below)) ORDER BY l.code FOR NO KEY UPDATE`,
		t.who.Workshop, []string{lot}, others); err != nil {
		return nil, err
	}
	rows, err := t.Query(ctx, tubsBelow+` SELECT l.id, l.code, d.expires_on, d.retest_on FROM below b JOIN material_lot l ON l.workshop_id = $1 AND l.id = b.id
		CROSS JOIN LATERAL (SELECT min(x.expires_on) AS expires_on, min(x.retest_on) AS retest_on, count(*) AS n FROM lot_input i JOIN material_lot x ON x.workshop_id = i.workshop_id AND x.id = i.source_lot_id
			WHERE i.workshop_id = $1 AND i.lot_id = l.id AND i.replaced_by IS NULL) d
		WHERE d.n > 0 OR l.tub IS NOT NULL ORDER BY l.code`, t.who.Workshop, []string{lot})
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, func(row pgx.CollectableRow) (tubState, error) {
		var s tubState
		return s, row.Scan(&s.ID, &s.Code, &s.had.Expires, &s.had.Retest)
	})
}

// settleTubs gives tubs the dates that follow from what is in them now. A date that a tub had from what was in it moves
// with that; an earlier one of its own stays. A tub filled from a tub is settled after it, so this goes round until
// nothing moves. Where the expiry moved, labels that are out become a deviation. It runs under a correction.
func (t *tx) settleTubs(ctx context.Context, tubs downstream) error {
	moved := map[LotID]bool{}
	for range tubs {
		again := false
		for i := range tubs {
			tub := &tubs[i]
			var now, is heldOf
			if err := t.QueryRow(ctx, heldDates, t.who.Workshop, tub.ID).Scan(&now.Expires, &now.Retest); err != nil {
				return err
			}
			if err := t.QueryRow(ctx, `SELECT expires_on, retest_on FROM material_lot WHERE workshop_id = $1 AND id = $2`, t.who.Workshop, tub.ID).Scan(&is.Expires, &is.Retest); err != nil {
				return err
			}
			next := heldOf{follow(is.Expires, tub.had.Expires, now.Expires), follow(is.Retest, tub.had.Retest, now.Retest)}
			tub.had = now
			if next == is {
				continue
			}
			again, moved[tub.ID] = true, moved[tub.ID] || next.Expires != is.Expires
			if _, err := t.Exec(ctx, `UPDATE material_lot SET expires_on = $3, retest_on = $4 WHERE workshop_id = $1 AND id = $2`, t.who.Workshop, tub.ID, next.Expires, next.Retest); err != nil {
				return err
			}
		}
		if !again {
			break
		}
	}
	for _, tub := range tubs {
		if moved[tub.ID] {
			if err := t.tubLabelsOut(ctx, tub); err != nil {
				return err
			}
		}
	}
	return nil
}

// follow is a tub's date once what is in it says now instead of had; is stands in the book.
func follow(is, had, now day.Day) day.Day {
	switch {
	case now == had:
		return is
	case is == had:
		return now
	}
	return earliest(is, now)
}

// earliest is the earlier of two days of which either may not be known.
func earliest(a, b day.Day) day.Day {
	if a.IsZero() || !b.IsZero() && b.Before(a) {
		return b
	}
	return a
}

// tubLabelsOut measures anew which labels are out by a tub's expiry.
func (t *tx) tubLabelsOut(ctx context.Context, tub tubState) error {
	if tub.on.IsZero() {
		if err := t.withdrawDeviations(ctx, tub.ID); err != nil {
			return err
		}
	}
	l, err := lotByCode(ctx, t, t.who.Workshop, tub.Code)
	if err != nil || l.ExpiresOn.IsZero() {
		return err
	}
	origins := []node{{"lot", tub.ID}}
	if !tub.on.IsZero() {
		rows, err := t.Query(ctx, `SELECT 'batch', i.batch_id FROM batch_input i JOIN change c ON c.workshop_id = i.workshop_id AND c.id = i.change_id
			 WHERE i.workshop_id = $1 AND i.material_lot_id = $2 AND i.replaced_by IS NULL AND (coalesce(i.happened_at, c.at) AT TIME ZONE $4)::date >= $3
			UNION SELECT 'lot', i.lot_id FROM lot_input i WHERE i.workshop_id = $1 AND i.source_lot_id = $2 AND i.replaced_by IS NULL AND i.happened_on >= $3`, t.who.Workshop, tub.ID, tub.on, t.workshop.Zone)
		if err != nil {
			return err
		}
		if origins, err = pgx.CollectRows(rows, pgx.RowToStructByPos[node]); err != nil {
			return err
		}
	}
	return t.datesOut(ctx, l, l.ExpiresOn, origins...)
}

// tubsFollow takes the tubs below a lot along when it may no longer be used. Taking it back takes none of them back.
func (t *tx) tubsFollow(ctx context.Context, tubs downstream, was, status string) error {
	var from []string
	switch {
	case status == "rejected":
		from = []string{"quarantined", "released"}
	case status == "quarantined" && was == "released":
		from = []string{"released"}
	default:
		return nil
	}
	ids := make([][16]byte, len(tubs))
	for i, tub := range tubs {
		ids[i] = tub.ID
	}
	_, err := t.Exec(ctx, `UPDATE material_lot SET status = $3 WHERE workshop_id = $1 AND id = ANY ($2::uuid[]) AND status = ANY ($4)`, t.who.Workshop, ids, status, from)
	return err
}

// mayReleaseTub refuses to release a tub that holds what may not be used: a rejected or recalled lot at any depth, or
// one that waits in quarantine and whose filling was not accepted as a deviation.
func (t *tx) mayReleaseTub(ctx context.Context, l Lot) error {
	if len(l.Holds) > 0 {
		return fault.New(fault.Conflict, "It holds what was rejected or recalled: lot "+strings.Join(l.Holds, ", ")+". That is decided first.")
	}
	var waits *string
	if err := t.QueryRow(ctx, `SELECT string_agg(DISTINCT x.code, ', ' ORDER BY x.code) FROM lot_input i JOIN material_lot x ON x.workshop_id = i.workshop_id AND x.id = i.source_lot_id
		WHERE i.workshop_id = $1 AND i.lot_id = $2 AND i.replaced_by IS NULL AND x.status = 'quarantined'
		  AND NOT EXISTS (SELECT FROM deviation d WHERE d.workshop_id = $1 AND d.about_id = i.id AND d.decision = 'accept')`, t.who.Workshop, l.ID).Scan(&waits); err != nil {
		return err
	}
	if waits != nil {
		return fault.New(fault.Conflict, "It holds what is still in quarantine: lot "+*waits+". Release that first, or accept its deviation.")
	}
	return nil
}

// noLaterThanHeld refuses to state a date for a tub that is later than that of something in it, or none where one is
// known.
func (t *tx) noLaterThanHeld(ctx context.Context, l Lot, c LotCorrection) error {
	var held heldOf
	if err := t.QueryRow(ctx, heldDates, t.who.Workshop, l.ID).Scan(&held.Expires, &held.Retest); err != nil {
		return err
	}
	if held.Expires.IsZero() || !c.ExpiresOn.IsZero() && !c.ExpiresOn.After(held.Expires) {
		return nil
	}
	return fault.In("expires_on", "What is in the tub expires on "+t.workshop.Style.Day(held.Expires)+". The tub's own date may be earlier, not later.")
}
