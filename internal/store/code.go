package store

import (
	"context"

	"example.org/stillroom/internal/batchcode"
	"example.org/stillroom/internal/fault"
)

// registerCode makes a code on a unit findable: what is typed with one character wrong, by the near keys; its beginning,
// by the search keys. A packing's code is registered with its batch. The same code twice (a batch and its first
// packing) is one.
func (t *tx) registerCode(ctx context.Context, code string, batch BatchID) error {
	if err := t.nearCode(ctx, code, batch); err != nil {
		return err
	}
	_, err := t.Exec(ctx, `INSERT INTO search_key (workshop_id, key, kind, target_id) SELECT DISTINCT $1::uuid, k, 'batch', $2::uuid FROM unnest($3::text[]) k WHERE k <> '' ON CONFLICT DO NOTHING`,
		t.who.Workshop, batch, []string{foldWord(code), foldCode(code)})
	return err
}

// nearCode makes what is typed with one character wrong lead to a code on units. Rows stay for good: a code that nothing
// leads to any more is passed over by the look-up.
func (t *tx) nearCode(ctx context.Context, code string, batch BatchID) error {
	_, err := t.Exec(ctx, `INSERT INTO code_near (workshop_id, near_key, code, batch_id) SELECT $1, k, $2, $3 FROM unnest($4::text[]) k ON CONFLICT DO NOTHING`,
		t.who.Workshop, code, batch, batchcode.Deletions(foldBatch(code)))
	return err
}

// codeTaken tells whether a folded code is that of a batch or a packing of this workshop. Batches and packings share
// one room of codes over two tables, which no unique index spans: so the key is locked until the transaction ends,
// and whoever wants the same code concurrently asks after us.
func (t *tx) codeTaken(ctx context.Context, key string) (bool, error) {
	if _, err := t.Exec(ctx, `SELECT pg_advisory_xact_lock(hashtextextended('code:' || $1::text || ':' || $2::text, 0))`, Text(t.who.Workshop), key); err != nil {
		return false, err
	}
	var taken bool
	err := t.QueryRow(ctx, `SELECT EXISTS (SELECT FROM batch WHERE workshop_id = $1 AND code_key = $2) OR EXISTS (SELECT FROM packing WHERE workshop_id = $1 AND code_key = $2)`,
		t.who.Workshop, key).Scan(&taken)
	return taken, err
}

// lockGenealogy lets one transaction of a workshop at a time add edges between batches or between lots. Two that each
// add one half of a circle would both find nothing wrong otherwise. Take it before locking rows: whoever waits for it
// with a locked lot in hand may be waited for.
func (t *tx) lockGenealogy(ctx context.Context) error {
	_, err := t.Exec(ctx, `SELECT pg_advisory_xact_lock(hashtextextended('genealogy:' || $1::text, 0))`, Text(t.who.Workshop))
	return err
}

// refuseCycle refuses an edge from a source batch into a batch that the source was itself made from, through any
// number of steps. It follows what the batch went into, which for a batch in making is nothing.
func (t *tx) refuseCycle(ctx context.Context, into, source BatchID) error {
	return t.refuseCircle(ctx, into == source, `WITH RECURSIVE after (id) AS (
		SELECT $2::uuid UNION SELECT s.id FROM after a CROSS JOIN LATERAL (
			SELECT i.batch_id AS id FROM batch_input i WHERE i.workshop_id = $1 AND i.source_batch_id = a.id AND i.replaced_by IS NULL OFFSET 0) s)
		SELECT EXISTS (SELECT FROM after WHERE id = $3)`, into, source, "A batch cannot contain itself: what you draw on was made from this batch.")
}

// refuseLotCycle is refuseCycle for a tub filled from a lot.
func (t *tx) refuseLotCycle(ctx context.Context, into, source LotID) error {
	return t.refuseCircle(ctx, into == source, `WITH RECURSIVE after (id) AS (
		SELECT $2::uuid UNION SELECT s.id FROM after a CROSS JOIN LATERAL (
			SELECT i.lot_id AS id FROM lot_input i WHERE i.workshop_id = $1 AND i.source_lot_id = a.id AND i.replaced_by IS NULL OFFSET 0) s)
		SELECT EXISTS (SELECT FROM after WHERE id = $3)`, into, source, "A lot cannot contain itself: what you fill from was filled from this lot.")
}

func (t *tx) refuseCircle(ctx context.Context, same bool, query string, into, source any, words string) error {
	if err := t.lockGenealogy(ctx); err != nil {
		return err
	}
	circle := same
	if !circle {
		if err := t.QueryRow(ctx, query, t.who.Workshop, into, source).Scan(&circle); err != nil {
			return err
		}
	}
	if circle {
		return fault.New(fault.Conflict, words)
	}
	return nil
}
