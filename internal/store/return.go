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
	"example.org/stillroom/internal/measure"
)

// NewReturn is units of one packing that came back.
type NewReturn struct {
	Dispatch    string // code; empty where it is not known which dispatch they came from
	Packing     string // code, as written in the book or as typed from a label
	On          day.Day
	Units       int
	Disposition string // restock, hold or destroy
	Note        string // needed for hold and destroy: what is wrong with them
}

// Return records units that came back and answers the return's code. Never more come back than were sent, less what
// came back already: of the dispatch where it is known, and of the packing in all. Units on hold are on hand and may not
// leave. Faults: dispatch, packing, returned_on, units, disposition, note.
func (s *Store) Return(ctx context.Context, who Who, entry Entry, n NewReturn) (string, error) {
	code, err := s.write(ctx, who, create, "", entry, func(t *tx) error {
		return t.takeBack(ctx, n)
	})
	if err != nil {
		return "", fmt.Errorf("store: return of %q: %w", n.Packing, err)
	}
	return code, nil
}

func (t *tx) takeBack(ctx context.Context, n NewReturn) error {
	var d sent
	var from *DispatchID
	if n.Dispatch != "" {
		var err error
		if d, err = t.sentByCode(ctx, n.Dispatch); err != nil {
			return err
		}
		from = &d.ID
	}
	var f fault.Fields
	n.check(t.workshop.Style, &f, d.On, t.today)
	p, err := t.lockPacking(ctx, n.Packing)
	if n.Packing == "" {
		f.Add("packing", "Which code stands on the units?")
		return f.Err()
	}
	if fault.Is(err, fault.NotFound) {
		f.Add("packing", fmt.Sprintf("No packing has the code %q.", n.Packing))
		return f.Err()
	}
	if err != nil {
		return err
	}
	why, field, err := t.tooMany(ctx, d, p, n.Units)
	if err != nil {
		return err
	}
	if why != "" {
		f.Add(field, why)
	}
	if err := f.Err(); err != nil {
		return err
	}
	_, t.result, err = t.insertReturn(ctx, from, p.ID, n)
	return err
}

// insertReturn writes a checked return of a locked packing, with its hold, and answers its id and code.
func (t *tx) insertReturn(ctx context.Context, from *DispatchID, packing PackingID, n NewReturn) (ReturnID, string, error) {
	id := newID[ReturnID]()
	code, err := t.yearCode(ctx, "R", "return", n.On.Year())
	if err != nil {
		return id, "", err
	}
	if _, err := t.Exec(ctx, `INSERT INTO unit_return (workshop_id, id, code, dispatch_id, packing_id, returned_on, units, disposition, note, change_id) VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10)`,
		t.who.Workshop, id, code, from, packing, n.On, n.Units, n.Disposition, n.Note, t.change); err != nil {
		return id, "", err
	}
	if n.Disposition == "hold" {
		err = t.placeHold(ctx, packing, n.Units, "Came back in "+code+": "+n.Note, &id)
	}
	return id, code, err
}

func (n NewReturn) check(style measure.Style, f *fault.Fields, sentOn, today day.Day) {
	checkHappened(f, "returned_on", n.On, today, "When did they come back?")
	if n.On.Before(sentOn) && !n.On.IsZero() {
		f.Add("returned_on", "They left only on "+style.Day(sentOn)+".")
	}
	if n.Units < 1 || n.Units > mostUnits {
		f.Add("units", "How many came back? At least 1.")
	}
	switch n.Disposition {
	case "restock":
	case "hold", "destroy":
		if strings.TrimSpace(n.Note) == "" {
			f.Add("note", "Say what is wrong with them.")
		}
	default:
		f.Add("disposition", "Choose where they go: back to stock, on hold, or destroyed.")
	}
	if len([]rune(n.Note)) > 900 {
		f.Add("note", "At most 900 characters, please.")
	}
}

// tooMany says why so many units cannot have come back, beside which field; empty where they can.
func (t *tx) tooMany(ctx context.Context, d sent, p Packing, units int) (why, field string, err error) {
	if d.Code != "" {
		l, err := t.lineOf(ctx, d.ID, p.ID)
		if err != nil {
			return "", "", err
		}
		switch out := l.units - l.returned; {
		case l.units == 0:
			return fmt.Sprintf("Nothing of %s was in %s.", p.Code, d.Code), "packing", nil
		case units > out:
			return cameBack(fmt.Sprintf("%s of %s were in %s", UnitCount(l.units), p.Code, d.Code), l.returned, out), "units", nil
		}
	}
	if out := p.Dispatched - p.Returned; units > out {
		return cameBack(fmt.Sprintf("%s of %s were sent in all", UnitCount(p.Dispatched), p.Code), p.Returned, out), "units", nil
	}
	return "", "", nil
}

func cameBack(sent string, returned, out int) string {
	if returned == 0 {
		return fmt.Sprintf("%s: no more than %d can come back.", sent, out)
	}
	return fmt.Sprintf("%s, and %d came back already: no more than %d can.", sent, returned, out)
}

// UnitReturn is units that came back.
type UnitReturn struct {
	Code        string
	Dispatch    string // code, empty where it is not known
	Packing     string
	On          day.Day
	Units       int
	Disposition string
	Note        string
	By          string
	At          time.Time
	Withdrawn   bool
	Why         string // it was withdrawn
}

func queryReturns(ctx context.Context, t pgx.Tx, where string, args ...any) ([]UnitReturn, error) {
	rows, err := t.Query(ctx, `SELECT x.code, coalesce(d.code, ''), p.code, x.returned_on, x.units, x.disposition, x.note, coalesce(w.name, c.actor), c.at, x.replaced_by IS NOT NULL, coalesce(z.reason, '')
		FROM unit_return x JOIN packing p ON p.workshop_id = x.workshop_id AND p.id = x.packing_id LEFT JOIN dispatch d ON d.workshop_id = x.workshop_id AND d.id = x.dispatch_id
		JOIN change c ON c.workshop_id = x.workshop_id AND c.id = x.change_id LEFT JOIN person w ON w.workshop_id = c.workshop_id AND w.id = c.person_id
		LEFT JOIN LATERAL (`+lastChange(`'unit_return'`, `x.id`)+`) z ON x.replaced_by IS NOT NULL `+where, args...)
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, pgx.RowToStructByPos[UnitReturn])
}

// WithdrawReturn takes back a return that did not happen as it was written; its hold ends with it. Where its units have
// left again since, those entries come first. Faults: reason.
func (s *Store) WithdrawReturn(ctx context.Context, who Who, entry Entry, code, reason string) error {
	_, err := s.write(ctx, who, correct, reason, entry, func(t *tx) error {
		var id ReturnID
		if err := t.QueryRow(ctx, `SELECT x.id FROM unit_return x WHERE x.workshop_id = $1 AND x.code = $2 ORDER BY x.replaced_by IS NULL DESC LIMIT 1`, who.Workshop, code).Scan(&id); err != nil {
			return notFound(err, fmt.Sprintf("There is no return %q.", code))
		}
		return t.withdrawReturn(ctx, id, reason)
	})
	if err != nil {
		return fmt.Errorf("store: withdraw return %q: %w", code, err)
	}
	return nil
}

// withdrawReturn takes back a return, its hold, and where a recall counted it that count.
func (t *tx) withdrawReturn(ctx context.Context, id ReturnID, reason string) error {
	var packing string
	if err := t.QueryRow(ctx, `SELECT p.code FROM unit_return x JOIN packing p ON p.workshop_id = x.workshop_id AND p.id = x.packing_id WHERE x.workshop_id = $1 AND x.id = $2`, t.who.Workshop, id).Scan(&packing); err != nil {
		return err
	}
	p, err := t.lockPacking(ctx, packing)
	if err != nil {
		return err
	}
	// Read again under the lock: somebody may have withdrawn it while we waited.
	var back int
	var by *PersonID
	var at time.Time
	err = t.QueryRow(ctx, `SELECT CASE WHEN x.disposition = 'destroy' THEN 0 ELSE x.units END, c.person_id, c.at FROM unit_return x JOIN change c ON c.workshop_id = x.workshop_id AND c.id = x.change_id
		WHERE x.workshop_id = $1 AND x.id = $2 AND x.replaced_by IS NULL`, t.who.Workshop, id).Scan(&back, &by, &at)
	if errors.Is(err, pgx.ErrNoRows) {
		return fault.New(fault.Conflict, "This return has been taken back already.")
	}
	if err != nil {
		return err
	}
	if err := t.mayCorrect(by, at); err != nil {
		return err
	}
	var f fault.Fields
	checkWords(&f, "reason", reason)
	if back > p.OnHand {
		f.Add("reason", fmt.Sprintf("The book holds %s of %s: some of these have left again. Correct what they left by first.", UnitCount(p.OnHand), p.Code))
	}
	if err := f.Err(); err != nil {
		return err
	}
	if _, err := t.Exec(ctx, `UPDATE unit_return SET replaced_by = id WHERE workshop_id = $1 AND id = $2`, t.who.Workshop, id); err != nil {
		return err
	}
	if _, err := t.Exec(ctx, `UPDATE recall_count SET replaced_by = id WHERE workshop_id = $1 AND return_id = $2 AND replaced_by IS NULL`, t.who.Workshop, id); err != nil {
		return err
	}
	t.result = packing
	_, err = t.Exec(ctx, `UPDATE hold SET lifted_at = $3, lift_reason = $4 WHERE workshop_id = $1 AND return_id = $2 AND lifted_at IS NULL`, t.who.Workshop, id, t.now, reason)
	return err
}
