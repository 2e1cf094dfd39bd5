package store

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"

	"example.org/stillroom/internal/day"
	"example.org/stillroom/internal/fault"
)

// UnitMove is units leaving without a dispatch, or a shelf that was counted.
type UnitMove struct {
	Packing string // code
	On      day.Day
	Reason  string // tester, broken, gift, own_use: they leave; count: the shelf was counted
	Units   int    // how many leave; for a count, how many are there now
	Note    string // needed for a count that is off: why
	// Seen is what the book held when the form was drawn. A count made against another number is asked again: whoever
	// counted may have counted units that have been sent meanwhile.
	Seen *int
}

// MoveUnits books the move and answers its code. The ledger never goes below zero: more than the book holds is told, and
// the shelf counted first. Faults: packing, moved_on, reason, units, note.
func (s *Store) MoveUnits(ctx context.Context, who Who, entry Entry, m UnitMove) (string, error) {
	code, err := s.write(ctx, who, create, "", entry, func(t *tx) error {
		p, err := t.lockPacking(ctx, m.Packing)
		if err != nil {
			return err
		}
		if m.On.IsZero() {
			m.On = t.today
		}
		units, err := m.signed(p, t.today)
		if err != nil {
			return err
		}
		return t.moveUnits(ctx, p.ID, m.On, units, m.Reason, false, m.Note)
	})
	if err != nil {
		return "", fmt.Errorf("store: move units of %q: %w", m.Packing, err)
	}
	return code, nil
}

// signed checks a move against a locked packing and gives what it adds to the ledger.
func (m UnitMove) signed(p Packing, today day.Day) (int, error) {
	var f fault.Fields
	checkHappened(&f, "moved_on", m.On, today, "When was that?")
	checkWords(&f, "note", m.Note)
	units := -m.Units
	switch m.Reason {
	case "count":
		units = m.Units - p.OnHand
		m.checkCount(&f, p, today)
	case "tester", "broken", "gift", "own_use":
		if m.Units < 1 || m.Units > mostUnits {
			f.Add("units", "How many? At least 1.")
		} else if m.Units > p.OnHand {
			f.Add("units", fmt.Sprintf("The book holds only %s. If more were there, count the shelf first.", UnitCount(p.OnHand)))
		}
		if m.On.Before(p.PackedOn) {
			f.Add("moved_on", "They were packed only on "+p.PackedOn.Long()+".")
		}
	default:
		f.Add("reason", "Choose what happened to them.")
	}
	return units, f.Err()
}

func (m UnitMove) checkCount(f *fault.Fields, p Packing, today day.Day) {
	if m.On != today {
		f.Add("moved_on", "A count is of today: the book is compared as it stands now.")
	}
	switch {
	case m.Units < 0 || m.Units > mostUnits:
		f.Add("units", "How many are there? Between 0 and 1,000,000.")
	case m.Seen != nil && *m.Seen != p.OnHand:
		f.Add("units", fmt.Sprintf("The book held %d when you began and holds %d now. Look again and write what is there.", *m.Seen, p.OnHand))
	case m.Units == p.OnHand:
		f.Add("units", fmt.Sprintf("The book says %d too: nothing to record.", p.OnHand))
	case strings.TrimSpace(m.Note) == "":
		f.Add("note", "Say why the book was off, or that you do not know.")
	}
}

func (t *tx) moveUnits(ctx context.Context, packing PackingID, on day.Day, units int, reason string, moreThanRecorded bool, note string) error {
	n, err := t.next(ctx, "unit_move")
	if err != nil {
		return err
	}
	code := fmt.Sprintf("UM-%05d", n)
	if !moreThanRecorded {
		t.result = code
	}
	_, err = t.Exec(ctx, `INSERT INTO unit_move (workshop_id, id, code, packing_id, moved_on, units, reason, more_than_recorded, note, change_id) VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10)`,
		t.who.Workshop, newID[UnitMoveID](), code, packing, on, units, reason, moreThanRecorded, note, t.change)
	return err
}

// WithdrawMove takes back a move that did not happen as it was written. What a dispatch booked as more than recorded
// goes with a correction of that dispatch. Faults: reason.
func (s *Store) WithdrawMove(ctx context.Context, who Who, entry Entry, code, reason string) error {
	_, err := s.write(ctx, who, correct, reason, entry, func(t *tx) error {
		var id UnitMoveID
		var packing string
		if err := t.QueryRow(ctx, `SELECT v.id, p.code FROM unit_move v JOIN packing p ON p.workshop_id = v.workshop_id AND p.id = v.packing_id
			WHERE v.workshop_id = $1 AND v.code = $2 ORDER BY v.replaced_by IS NULL DESC LIMIT 1`, who.Workshop, code).Scan(&id, &packing); err != nil {
			return notFound(err, fmt.Sprintf("There is no entry %q.", code))
		}
		p, err := t.lockPacking(ctx, packing)
		if err != nil {
			return err
		}
		var units int
		var booked bool
		var by *PersonID
		var at time.Time
		err = t.QueryRow(ctx, `SELECT v.units, v.more_than_recorded, c.person_id, c.at FROM unit_move v JOIN change c ON c.workshop_id = v.workshop_id AND c.id = v.change_id
			WHERE v.workshop_id = $1 AND v.id = $2 AND v.replaced_by IS NULL`, who.Workshop, id).Scan(&units, &booked, &by, &at)
		if errors.Is(err, pgx.ErrNoRows) {
			return fault.New(fault.Conflict, "This entry has been taken back already.")
		}
		if err != nil {
			return err
		}
		if err := t.mayCorrect(by, at); err != nil {
			return err
		}
		var f fault.Fields
		checkWords(&f, "reason", reason)
		if booked {
			f.Add("reason", "A dispatch booked this. Correct that dispatch, and it goes with it.")
		} else if units > p.OnHand {
			f.Add("reason", fmt.Sprintf("The book holds %s of %s: some of what this entry added has left since.", UnitCount(p.OnHand), p.Code))
		}
		if err := f.Err(); err != nil {
			return err
		}
		t.result = packing
		_, err = t.Exec(ctx, `UPDATE unit_move SET replaced_by = id WHERE workshop_id = $1 AND id = $2`, who.Workshop, id)
		return err
	})
	if err != nil {
		return fmt.Errorf("store: withdraw move %q: %w", code, err)
	}
	return nil
}
