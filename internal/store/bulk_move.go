package store

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/shopspring/decimal"

	"example.org/stillroom/internal/day"
	"example.org/stillroom/internal/fault"
)

// NewBulkMove is bulk that left its pot other than into a batch, or was weighed again.
type NewBulkMove struct {
	Batch  string
	Reason string          // thrown_away: so much is gone; count: so much is there now
	Grams  decimal.Decimal // for a count 0 says that the pot is empty
	On     day.Day         // zero for today
	Note   string
	// Seen is what the book held when the form was drawn, in g. A count made against another number is asked again: a batch
	// may have drawn on it meanwhile.
	Seen decimal.NullDecimal
}

// BulkMove is one of them as it stands in the book, signed.
type BulkMove struct {
	ID       BulkMoveID
	On       day.Day
	Grams    decimal.Decimal
	Reason   string
	Note     string
	Replaced bool
	Made
}

// BulkLeft is a batch of bulk with what is left of it and what happened to it besides being drawn on.
type BulkLeft struct {
	Batch  Batch
	LeftG  decimal.Decimal
	DrawnG decimal.Decimal
	Moves  []BulkMove // the oldest first
}

// bulkMovedG sums what bulk lost or gained otherwise; $1 is the workshop, and b the batch of the query around it.
const bulkMovedG = `coalesce((SELECT sum(v.grams) FROM bulk_move v WHERE v.workshop_id = b.workshop_id AND v.batch_id = b.id AND v.replaced_by IS NULL), 0)`

// BulkLeft reads what is left of a batch of bulk.
func (s *Store) BulkLeft(ctx context.Context, workshop WorkshopID, code string) (BulkLeft, error) {
	var left BulkLeft
	err := s.read(ctx, workshop, func(t pgx.Tx) error {
		id, _, err := batchOfCode(ctx, t, workshop, code)
		if err != nil {
			return err
		}
		left, err = loadBulkLeft(ctx, t, workshop, id)
		return err
	})
	if err != nil {
		return BulkLeft{}, fmt.Errorf("store: bulk left of %q: %w", code, err)
	}
	return left, nil
}

func loadBulkLeft(ctx context.Context, t pgx.Tx, workshop WorkshopID, id BatchID) (BulkLeft, error) {
	list, err := queryBatches(ctx, t, `WHERE b.workshop_id = $1 AND b.id = $2`, workshop, id)
	if err != nil {
		return BulkLeft{}, err
	}
	left := BulkLeft{Batch: list[0]}
	if left.Batch.Yields != "bulk" || !left.Batch.BulkG.Valid {
		return left, fault.New(fault.Conflict, "Batch "+left.Batch.Code+" has no bulk in the book.")
	}
	if err := t.QueryRow(ctx, `SELECT coalesce((SELECT sum(i.quantity) FROM batch_input i WHERE i.workshop_id = $1 AND i.source_batch_id = $2 AND i.unit = 'g' AND i.replaced_by IS NULL), 0), `+bulkMovedG+` FROM batch b WHERE b.workshop_id = $1 AND b.id = $2`, workshop, id).Scan(&left.DrawnG, &left.LeftG); err != nil {
		return left, err
	}
	left.LeftG = left.LeftG.Add(left.Batch.BulkG.Decimal).Sub(left.DrawnG)
	rows, err := t.Query(ctx, `SELECT e.id, e.moved_on, e.grams, e.reason, e.note, e.replaced_by IS NOT NULL, coalesce(p.name, c.actor), c.at FROM bulk_move e`+madeBy+`WHERE e.workshop_id = $1 AND e.batch_id = $2 ORDER BY c.at, e.id`, workshop, id)
	if err != nil {
		return left, err
	}
	left.Moves, err = pgx.CollectRows(rows, func(row pgx.CollectableRow) (BulkMove, error) {
		var m BulkMove
		err := row.Scan(&m.ID, &m.On, &m.Grams, &m.Reason, &m.Note, &m.Replaced, &m.By, &m.Made.At)
		return m, err
	})
	return left, err
}

// MoveBulk books bulk that was thrown away, or what a weighing of the pot came to. Faults: reason, grams, note, moved_on.
func (s *Store) MoveBulk(ctx context.Context, who Who, entry Entry, n NewBulkMove) error {
	_, err := s.write(ctx, who, create, "", entry, func(t *tx) error {
		b, err := t.lockBatch(ctx, n.Batch)
		if err != nil {
			return err
		}
		left, err := loadBulkLeft(ctx, t, who.Workshop, b.ID)
		if err != nil {
			return err
		}
		if n.On.IsZero() {
			n.On = t.today
		}
		grams, err := n.signed(t, left)
		if err != nil {
			return err
		}
		_, err = t.Exec(ctx, `INSERT INTO bulk_move (workshop_id, id, batch_id, moved_on, grams, reason, note, change_id) VALUES ($1, $2, $3, $4, $5, $6, $7, $8)`,
			who.Workshop, newID[BulkMoveID](), b.ID, n.On, grams, n.Reason, strings.TrimSpace(n.Note), t.change)
		return err
	})
	if err != nil {
		return fmt.Errorf("store: move bulk of %q: %w", n.Batch, err)
	}
	return nil
}

// signed checks a move against what a locked batch holds and gives what it adds to it.
func (n NewBulkMove) signed(t *tx, left BulkLeft) (decimal.Decimal, error) {
	var f fault.Fields
	show := t.workshop.Style.Grams
	checkHappened(&f, "moved_on", n.On, t.today, "When was that?")
	if n.On.Before(left.Batch.MadeOn) && !n.On.IsZero() {
		f.Add("moved_on", "It was made only on "+t.workshop.Style.Day(left.Batch.MadeOn)+".")
	}
	if strings.TrimSpace(n.Note) == "" {
		f.Add("note", "Say why; it goes into the record.")
	}
	checkWords(&f, "note", n.Note)
	grams := n.Grams.Neg()
	switch n.Reason {
	case "thrown_away":
		if !n.Grams.IsPositive() {
			f.Add("grams", "How much? Write more than 0.")
		} else if n.Grams.GreaterThan(left.LeftG) {
			f.Add("grams", fmt.Sprintf("The book holds only %s. If more was there, weigh the pot and note that first.", show(decimal.Max(left.LeftG, decimal.Zero))))
		}
	case "count":
		grams = n.Grams.Sub(left.LeftG)
		switch {
		case n.Grams.IsNegative() || n.Grams.GreaterThan(mostG):
			f.Add("grams", "How much is there? Write 0 or more.")
		case n.Seen.Valid && !n.Seen.Decimal.Equal(left.LeftG):
			f.Add("grams", fmt.Sprintf("The book held %s when you began and holds %s now. Look again and write what is there.", show(n.Seen.Decimal), show(left.LeftG)))
		case grams.IsZero():
			f.Add("grams", fmt.Sprintf("The book says %s too: nothing to record.", show(left.LeftG)))
		}
		if n.On != t.today {
			f.Add("moved_on", "A weighing is of today: the book is compared as it stands now.")
		}
	default:
		f.Add("reason", "Choose what happened to it.")
	}
	return grams, f.Err()
}

// drawBulk books as more than recorded what a locked batch of bulk is short of when so much is drawn from it, and answers
// that: what is in the bowl is in the bowl, and the ledger never goes below zero. Bulk that was never noted as ready has
// no ledger yet: all of it is short, and nothing is booked.
func (t *tx) drawBulk(ctx context.Context, source Batch, grams decimal.Decimal, on day.Day) (short decimal.Decimal, err error) {
	if !source.BulkG.Valid {
		return grams, nil
	}
	left, err := loadBulkLeft(ctx, t, t.who.Workshop, source.ID)
	if err != nil {
		return decimal.Zero, err
	}
	if short = grams.Sub(left.LeftG); !short.IsPositive() {
		return decimal.Zero, nil
	}
	_, err = t.Exec(ctx, `INSERT INTO bulk_move (workshop_id, id, batch_id, moved_on, grams, reason, more_than_recorded, note, change_id) VALUES ($1, $2, $3, $4, $5, 'count', true, 'more in the pot than recorded', $6)`,
		t.who.Workshop, newID[BulkMoveID](), source.ID, on, short, t.change)
	return short, err
}

// coverBulk is cover for a batch that an entry drew on; nothing where it is no bulk.
func (t *tx) coverBulk(ctx context.Context, batch string) error {
	if batch == "" {
		return nil
	}
	b, err := t.lockBatch(ctx, batch)
	if err != nil || b.Yields != "bulk" {
		return err
	}
	_, err = t.drawBulk(ctx, b, decimal.Zero, t.today)
	return err
}

// WithdrawBulkMove takes back an entry that did not happen as it was written. Faults: reason.
func (s *Store) WithdrawBulkMove(ctx context.Context, who Who, entry Entry, batch string, id BulkMoveID, reason string) error {
	if err := checkReason(reason); err != nil {
		return err
	}
	_, err := s.write(ctx, who, correct, reason, entry, func(t *tx) error {
		b, err := t.lockBatch(ctx, batch)
		if err != nil {
			return err
		}
		var grams decimal.Decimal
		var replaced bool
		var by *PersonID
		var at time.Time
		err = t.QueryRow(ctx, `SELECT v.grams, v.replaced_by IS NOT NULL, c.person_id, c.at FROM bulk_move v JOIN change c ON c.workshop_id = v.workshop_id AND c.id = v.change_id WHERE v.workshop_id = $1 AND v.batch_id = $2 AND v.id = $3`, who.Workshop, b.ID, id).Scan(&grams, &replaced, &by, &at)
		switch {
		case errors.Is(err, pgx.ErrNoRows):
			return fault.New(fault.NotFound, "That is not in the book of this batch.")
		case err != nil:
			return err
		case replaced:
			return fault.New(fault.Conflict, "This has been taken back already: nothing more is to be done.")
		}
		if err := t.mayCorrect(by, at); err != nil {
			return err
		}
		left, err := loadBulkLeft(ctx, t, who.Workshop, b.ID)
		if err != nil {
			return err
		}
		if grams.GreaterThan(left.LeftG) {
			return fault.In("reason", fmt.Sprintf("The book holds %s of %s: some of what this entry added was drawn since.", t.workshop.Style.Grams(decimal.Max(left.LeftG, decimal.Zero)), b.Code))
		}
		_, err = t.Exec(ctx, `UPDATE bulk_move SET replaced_by = id WHERE workshop_id = $1 AND id = $2`, who.Workshop, id)
		return err
	})
	if err != nil {
		return fmt.Errorf("store: withdraw bulk move of %q: %w", batch, err)
	}
	return nil
}
