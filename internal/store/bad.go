package store

import (
	"context"
	"strings"

	"github.com/jackc/pgx/v5"
)

// BadPacking is a packing that holds, through any number of steps, lots that were rejected or are in a recall: perhaps
// only since it was released or left.
type BadPacking struct {
	Packing string   // code
	Lots    []string // codes
}

// badPackings finds those among packings of the codes, with their own packaging and that of units in them. Mostly there
// are none, which one trace of all of them together tells.
func badPackings(ctx context.Context, t pgx.Tx, workshop WorkshopID, codes ...string) ([]BadPacking, error) {
	rows, err := t.Query(ctx, `SELECT code, id, batch_id FROM packing WHERE workshop_id = $1 AND code = ANY ($2) ORDER BY code`, workshop, codes)
	if err != nil {
		return nil, err
	}
	type packed struct {
		Code           string
		Packing, Batch [16]byte
	}
	list, err := pgx.CollectRows(rows, pgx.RowToStructByPos[packed])
	if err != nil || len(list) == 0 {
		return nil, err
	}
	var all []node
	for _, p := range list {
		all = append(all, node{"packing", p.Packing}, node{"batch", p.Batch})
	}
	if any, err := badLotsFrom(ctx, t, workshop, all...); err != nil || len(any) == 0 {
		return nil, err
	}
	lots := make([][]string, len(list))
	readers := make([]reader, len(list))
	for i := range list {
		readers[i] = func(t pgx.Tx) (err error) {
			lots[i], err = badLotsFrom(ctx, t, workshop, all[2*i:2*i+2]...)
			return err
		}
	}
	if err := together(ctx, t, readers...); err != nil {
		return nil, err
	}
	var out []BadPacking
	for i, p := range list {
		if len(lots[i]) > 0 {
			out = append(out, BadPacking{p.Code, lots[i]})
		}
	}
	return out, nil
}

// badBackward finds the lots that may not be used in one question, since pages of batches ask it each time.
var badBackward = strings.TrimSuffix(reachBackward, `SELECT kind, id FROM reach`) + `SELECT l.code FROM reach r CROSS JOIN LATERAL (
	SELECT x.code FROM material_lot x WHERE r.kind = 'lot' AND x.workshop_id = $1 AND x.id = r.id AND (x.status = 'rejected' OR x.recalled) OFFSET 0) l ORDER BY l.code`

// badInBatch is that of one batch $2 and all its packings.
var badInBatch = strings.Replace(badBackward, `SELECT o.kind, o.id FROM unnest($2::text[], $3::uuid[]) o (kind, id)`,
	`(SELECT 'batch', $2::uuid UNION ALL SELECT 'packing', k.id FROM packing k WHERE k.workshop_id = $1 AND k.batch_id = $2)`, 1)

// badLotsFrom are the codes of lots behind the origins that were rejected or are in a recall.
func badLotsFrom(ctx context.Context, t pgx.Tx, workshop WorkshopID, origins ...node) ([]string, error) {
	kinds, ids := split(origins)
	rows, err := t.Query(ctx, badBackward, workshop, kinds, ids)
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, pgx.RowTo[string])
}
