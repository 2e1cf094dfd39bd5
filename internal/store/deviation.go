package store

import (
	"context"
	"fmt"
	"strconv"
	"time"

	"github.com/jackc/pgx/v5"

	"example.org/stillroom/internal/day"
	"example.org/stillroom/internal/fault"
)

// Deviation is anything outside its limits or unlike the formula.
type Deviation struct {
	ID           DeviationID
	N            int
	Kind         string
	What         string
	Reason       string
	Batch        string // codes of what it is about, empty where not
	Packing      string
	Lot          string
	Dispatch     string
	AboutID      *[16]byte
	RaisedBy     string
	RaisedAt     time.Time
	Decision     string // accept, reject, or empty while it waits
	DecisionNote string
	DecidedBy    string
	DecidedAt    *time.Time
	Withdrawn    bool
}

// Open tells whether a decision is waited for.
func (d Deviation) Open() bool { return d.Decision == "" && !d.Withdrawn }

// deviant is a deviation to raise; its subjects may be nil but one.
type deviant struct {
	Kind     string
	What     string
	Reason   string
	Batch    *BatchID
	Packing  *PackingID
	Lot      *LotID
	Dispatch *DispatchID
	About    [16]byte // the entry it came from; zero for none
}

func (t *tx) deviate(ctx context.Context, d deviant) error {
	n, err := t.next(ctx, "deviation")
	if err != nil {
		return err
	}
	var about *[16]byte
	if d.About != ([16]byte{}) {
		about = &d.About
	}
	_, err = t.Exec(ctx, `INSERT INTO deviation (workshop_id, id, n, batch_id, packing_id, lot_id, dispatch_id, about_id, kind, what, reason, change_id) VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12)`,
		t.who.Workshop, newID[DeviationID](), n, d.Batch, d.Packing, d.Lot, d.Dispatch, about, d.Kind, d.What, d.Reason, t.change)
	return err
}

// withdrawDeviations ends the open deviations that came from an entry which was corrected.
func (t *tx) withdrawDeviations(ctx context.Context, about [16]byte) error {
	_, err := t.Exec(ctx, `UPDATE deviation SET withdrawn_at = $3 WHERE workshop_id = $1 AND about_id = $2 AND decision IS NULL AND withdrawn_at IS NULL`, t.who.Workshop, about, t.now)
	return err
}

// datesOut raises a deviation for every packing reached from the origins whose date is later than a lot's new, earlier
// expiry allows: a printed date never moves by itself. A packing that this change has raised one for already, by another
// lot of the same tub, is left out.
func (t *tx) datesOut(ctx context.Context, l Lot, expires day.Day, origins ...node) error {
	if !l.Material.ExpiryCounts || len(origins) == 0 {
		return nil
	}
	set, err := reach(ctx, t, t.who.Workshop, reachForward, origins...)
	if err != nil {
		return err
	}
	rows, err := t.Query(ctx, `SELECT p.id, p.batch_id, p.code, coalesce(nullif(p.printed, ''), to_char(p.best_before, 'FMDD Mon YYYY')), s.units_good FROM packing p JOIN product r ON r.workshop_id = p.workshop_id AND r.id = p.product_id
		JOIN packing_stock s ON s.workshop_id = p.workshop_id AND s.packing_id = p.id
		WHERE p.workshop_id = $1 AND p.batch_id = ANY ($2::uuid[]) AND r.cap_by_expiry AND p.best_before > $3
		  AND NOT EXISTS (SELECT FROM deviation d WHERE d.workshop_id = $1 AND d.packing_id = p.id AND d.kind = 'date' AND d.change_id = $4) ORDER BY p.code`, t.who.Workshop, set["batch"], expires, t.change)
	if err != nil {
		return err
	}
	type late struct {
		ID      PackingID
		Batch   BatchID
		Code    string
		Printed string
		Good    int
	}
	list, err := pgx.CollectRows(rows, pgx.RowToStructByPos[late])
	if err != nil {
		return err
	}
	for _, p := range list {
		if err := t.deviate(ctx, deviant{Kind: "date", Batch: &p.Batch, Packing: &p.ID, About: l.ID,
			What: fmt.Sprintf("Lot %s now expires on %s; the labels of %s (%s) say %s", l.Code, t.workshop.Style.Day(expires), p.Code, UnitCount(p.Good), p.Printed)}); err != nil {
			return err
		}
	}
	return nil
}

const deviationQuery = `SELECT d.id, d.n, d.kind, d.what, d.reason, coalesce(b.code, ''), coalesce(k.code, ''), coalesce(l.code, ''), coalesce(x.code, ''), d.about_id, coalesce(p.name, c.actor), c.at,
		coalesce(d.decision, ''), coalesce(d.decision_note, ''), coalesce(e.name, ''), d.decided_at, d.withdrawn_at IS NOT NULL
	FROM deviation d JOIN change c ON c.workshop_id = d.workshop_id AND c.id = d.change_id
	LEFT JOIN person p ON p.workshop_id = c.workshop_id AND p.id = c.person_id LEFT JOIN person e ON e.workshop_id = d.workshop_id AND e.id = d.decided_by
	LEFT JOIN batch b ON b.workshop_id = d.workshop_id AND b.id = d.batch_id LEFT JOIN packing k ON k.workshop_id = d.workshop_id AND k.id = d.packing_id
	LEFT JOIN material_lot l ON l.workshop_id = d.workshop_id AND l.id = d.lot_id LEFT JOIN dispatch x ON x.workshop_id = d.workshop_id AND x.id = d.dispatch_id `

func queryDeviations(ctx context.Context, t pgx.Tx, where string, args ...any) ([]Deviation, error) {
	rows, err := t.Query(ctx, deviationQuery+where, args...)
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, pgx.RowToStructByPos[Deviation])
}

// openDeviations are at most so many of those that wait for a decision, the oldest first, behind a number.
func openDeviations(ctx context.Context, t pgx.Tx, workshop WorkshopID, after, most int) ([]Deviation, error) {
	return queryDeviations(ctx, t, `WHERE d.workshop_id = $1 AND d.decision IS NULL AND d.withdrawn_at IS NULL AND d.n > $2 ORDER BY d.n LIMIT $3`, workshop, after, most)
}

// OpenDeviations is a page of at most limit of those of the whole workshop that wait for a decision, the oldest first, behind a number, and
// the number that the next begins behind.
func (s *Store) OpenDeviations(ctx context.Context, workshop WorkshopID, after string, limit int) (list []Deviation, next string, err error) {
	n, err := strconv.ParseInt(after, 10, 32)
	if err != nil {
		n = 0
	}
	err = s.read(ctx, workshop, func(t pgx.Tx) (err error) {
		list, err = openDeviations(ctx, t, workshop, int(n), limit+1)
		return err
	})
	if err != nil {
		return nil, "", fmt.Errorf("store: open deviations: %w", err)
	}
	list, next = cut(list, limit, func(d Deviation) string { return strconv.Itoa(d.N) })
	return list, next, nil
}

// Deviation is one by its number.
func (s *Store) Deviation(ctx context.Context, workshop WorkshopID, n int) (Deviation, error) {
	var d Deviation
	err := s.read(ctx, workshop, func(t pgx.Tx) error {
		list, err := queryDeviations(ctx, t, `WHERE d.workshop_id = $1 AND d.n = $2`, workshop, n)
		if err == nil && len(list) == 0 {
			err = fault.New(fault.NotFound, fmt.Sprintf("There is no deviation %d.", n))
		}
		if err == nil {
			d = list[0]
		}
		return err
	})
	if err != nil {
		return Deviation{}, fmt.Errorf("store: deviation %d: %w", n, err)
	}
	return d, nil
}

// DecideDeviation accepts or rejects what a deviation is about, with a note; it is decided once.
func (s *Store) DecideDeviation(ctx context.Context, who Who, entry Entry, n int, decision, note string) error {
	var f fault.Fields
	if decision != "accept" && decision != "reject" {
		f.Add("decision", "Choose accept or reject.")
	}
	if note == "" || len([]rune(note)) > 1000 {
		f.Add("note", "Say what the decision rests on, in up to 1,000 characters.")
	}
	if err := f.Err(); err != nil {
		return err
	}
	_, err := s.write(ctx, who, progress, "", entry, func(t *tx) error {
		tag, err := t.Exec(ctx, `UPDATE deviation SET decision = $3, decision_note = $4, decided_by = $5, decided_at = $6
			WHERE workshop_id = $1 AND n = $2 AND decision IS NULL AND withdrawn_at IS NULL`, who.Workshop, n, decision, note, who.Person, t.now)
		if err == nil && tag.RowsAffected() == 0 {
			return fault.New(fault.Conflict, "This deviation has been decided or taken back meanwhile.")
		}
		return err
	})
	if err != nil {
		return fmt.Errorf("store: decide deviation %d: %w", n, err)
	}
	return nil
}
