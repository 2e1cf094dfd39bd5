package store

import (
	"context"

	"github.com/google/uuid"
)

// RegisterCode makes a code findable, as starting a batch and packing do.
func (s *Store) RegisterCode(ctx context.Context, who Who, code string, batch uuid.UUID) error {
	_, err := s.write(ctx, who, create, "", Entry{}, func(t *tx) error { return t.registerCode(ctx, code, BatchID(batch)) })
	return err
}

// IndexThing makes something findable by a name and a code, as adding it does.
func (s *Store) IndexThing(ctx context.Context, who Who, kind string, id uuid.UUID, name, code string) error {
	_, err := s.write(ctx, who, create, "", Entry{}, func(t *tx) error {
		return t.index(ctx, kind, id, append(words(name), foldWord(code), foldCode(code))...)
	})
	return err
}

// TakeCode gives a code to a new packing, or to a new batch where packing is 0, unless it is taken. checked runs
// between the check and the entry.
func (s *Store) TakeCode(ctx context.Context, who Who, code string, batch, product uuid.UUID, packing int, checked func()) (taken bool, err error) {
	_, err = s.write(ctx, who, create, "", Entry{}, func(t *tx) error {
		if taken, err = t.codeTaken(ctx, foldBatch(code)); err != nil || taken {
			return err
		}
		checked()
		if packing == 0 {
			_, err = t.Exec(ctx, `INSERT INTO batch (workshop_id, id, code, code_key, origin, status, made_at, made_on, change_id) VALUES ($1, $2, $3, $4, 'history', 'released', '2026-02-01', '2026-02-01', $5)`,
				who.Workshop, newID[BatchID](), code, foldBatch(code), t.change)
			return err
		}
		_, err = t.Exec(ctx, `INSERT INTO packing (workshop_id, id, batch_id, n, code, code_key, product_id, packed_on, units_good, status, change_id) VALUES ($1, $2, $3, $4, $5, $6, $7, '2026-03-01', 1, 'released', $8)`,
			who.Workshop, newID[PackingID](), batch, packing, code, foldBatch(code), product, t.change)
		return err
	})
	return taken, err
}

// DrawOn records that a batch used grams of another, unless that makes a circle. checked runs between the check and
// the entry.
func (s *Store) DrawOn(ctx context.Context, who Who, into, source uuid.UUID, checked func()) error {
	_, err := s.write(ctx, who, create, "", Entry{}, func(t *tx) error {
		if err := t.refuseCycle(ctx, BatchID(into), BatchID(source)); err != nil {
			return err
		}
		checked()
		_, err := t.Exec(ctx, `INSERT INTO batch_input (workshop_id, id, batch_id, source_batch_id, quantity, unit, change_id) VALUES ($1, $2, $3, $4, 5, 'g', $5)`, who.Workshop, newID[InputID](), into, source, t.change)
		return err
	})
	return err
}

// FillFrom records that a tub was filled from a lot, unless that makes a circle.
func (s *Store) FillFrom(ctx context.Context, who Who, tub, source uuid.UUID) error {
	_, err := s.write(ctx, who, create, "", Entry{}, func(t *tx) error {
		if err := t.refuseLotCycle(ctx, LotID(tub), LotID(source)); err != nil {
			return err
		}
		_, err := t.Exec(ctx, `INSERT INTO lot_input (workshop_id, id, lot_id, source_lot_id, quantity, happened_on, change_id) VALUES ($1, $2, $3, $4, 5, '2026-01-06', $5)`, who.Workshop, newID[InputID](), tub, source, t.change)
		return err
	})
	return err
}
