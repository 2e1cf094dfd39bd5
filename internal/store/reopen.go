package store

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"

	"example.org/stillroom/internal/fault"
)

// ReopenPacking takes back that packing of a batch is finished: by mistake, or because units turned up, even after some
// of it was released. The batch is packed again; what was said to be left over and lost, and its explanation, go with the
// finish that said so, and the trail keeps them. Packings and their signatures stay as they are. Faults: reason.
func (s *Store) ReopenPacking(ctx context.Context, who Who, entry Entry, batch, reason string) error {
	if err := checkReason(reason); err != nil {
		return err
	}
	_, err := s.write(ctx, who, correct, reason, entry, func(t *tx) error {
		b, err := t.lockBatch(ctx, batch)
		if err != nil {
			return err
		}
		if why := b.closedForGood(); why != "" {
			return fault.New(fault.Conflict, why)
		}
		var by *PersonID
		var at time.Time
		if b.Status == "rejected" {
			// Rejected because all its packings were, which is a progress; or by a decision on the batch itself, which stands.
			var kind string
			if err := t.QueryRow(ctx, `SELECT c.kind FROM audit a JOIN change c ON c.workshop_id = a.workshop_id AND c.id = a.change_id
				WHERE a.workshop_id = $1 AND a.table_name = 'batch' AND a.row_id = $2 AND a.op = 'U' AND a.new ->> 'status' = 'rejected' ORDER BY a.n DESC LIMIT 1`, who.Workshop, Text(b.ID)).Scan(&kind); err != nil && !errors.Is(err, pgx.ErrNoRows) {
				return err // without a row: an import brought it as rejected, and nobody saw why
			}
			if kind != progress {
				return fault.New(fault.Conflict, "Batch "+b.Code+" was rejected: nothing more is packed of it.")
			}
		}
		// Who finished it: the last change that took the batch out of packing.
		if err := t.QueryRow(ctx, `SELECT c.person_id, c.at FROM audit a JOIN change c ON c.workshop_id = a.workshop_id AND c.id = a.change_id
			WHERE a.workshop_id = $1 AND a.table_name = 'batch' AND a.row_id = $2 AND a.op = 'U' AND a.old ->> 'status' = 'packing' AND a.new ->> 'status' <> 'packing' ORDER BY a.n DESC LIMIT 1`,
			who.Workshop, Text(b.ID)).Scan(&by, &at); err != nil {
			return notFound(err, "Packing of batch "+b.Code+" was never finished here.")
		}
		if err := t.mayCorrect(by, at); err != nil {
			return err
		}
		_, err = t.Exec(ctx, `UPDATE batch SET status = 'packing', left_over_g = NULL, loss_g = NULL, yield_note = '' WHERE workshop_id = $1 AND id = $2`, who.Workshop, b.ID)
		return err
	})
	if err != nil {
		return fmt.Errorf("store: reopen packing of %q: %w", batch, err)
	}
	return nil
}

// MayReopen tells whether packing of the batch is finished and may be taken up again, unless the batch itself was rejected.
func (b Batch) MayReopen() bool { return b.closedForGood() == "" }

// closedForGood says why packing of a batch cannot be taken up again; empty where it can.
func (b Batch) closedForGood() string {
	switch {
	case b.Origin != "bench" || b.Yields != "units" || b.IsSet():
		return "Batch " + b.Code + " is not packed here."
	case b.Status != "quarantined" && b.Status != "released" && b.Status != "rejected":
		return "Packing of batch " + b.Code + " is not finished."
	}
	return ""
}
