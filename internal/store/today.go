package store

import (
	"context"
	"fmt"

	"github.com/jackc/pgx/v5"

	"example.org/stillroom/internal/day"
)

// Today is what a workshop has before it now.
type Today struct {
	New        bool    // no formula is written yet: the workshop has just begun
	Open       []Batch // making and packing, the oldest first
	Curing     []Batch // the first to be ready first
	MoreOpen   bool    // there are more of those than the first page lists
	Plans      []Plan
	Waiting    []Packing // in quarantine
	Bulk       []Batch   // bulk ready and not released
	Deviations []Deviation
	Lots       []Lot     // in quarantine, or about to expire or past it
	Stock      []Packing // on hand and about to be out of date, or past it
}

// mostListed is how many of each kind the first page lists, mostOpen how many batches that are being made; their own pages
// list the rest.
const (
	mostListed = 30
	mostOpen   = 100
)

// Today reads the first page in one snapshot. soon is the day up to which dates count as near.
func (s *Store) Today(ctx context.Context, workshop WorkshopID, soon day.Day) (Today, error) {
	var out Today
	err := s.read(ctx, workshop, func(t pgx.Tx) error {
		batches, err := queryBatches(ctx, t, `WHERE b.workshop_id = $1 AND b.status IN ('making', 'curing', 'packing') ORDER BY b.cure_started_at + make_interval(hours => coalesce(v.cure_hours, 0)), b.made_at, b.code LIMIT $2`, workshop, mostOpen+1)
		if err != nil {
			return err
		}
		if out.MoreOpen = len(batches) > mostOpen; out.MoreOpen {
			batches = batches[:mostOpen]
		}
		if out.Bulk, err = queryBatches(ctx, t, `WHERE b.workshop_id = $1 AND b.status = 'quarantined' AND v.yields = 'bulk' ORDER BY b.made_at, b.code LIMIT $2`, workshop, mostListed); err != nil {
			return err
		}
		if err := t.QueryRow(ctx, `SELECT NOT EXISTS (SELECT FROM formula WHERE workshop_id = $1)`, workshop).Scan(&out.New); err != nil {
			return err
		}
		for _, b := range batches {
			switch {
			case b.Status == "curing":
				out.Curing = append(out.Curing, b)
			default:
				out.Open = append(out.Open, b)
			}
		}
		rows, err := t.Query(ctx, planQuery+`WHERE n.workshop_id = $1 ORDER BY n.planned_on, n.id LIMIT 20`, workshop)
		if err != nil {
			return err
		}
		if out.Plans, err = pgx.CollectRows(rows, pgx.RowToStructByPos[Plan]); err != nil {
			return err
		}
		if out.Waiting, err = queryPackings(ctx, t, `WHERE p.workshop_id = $1 AND p.id = ANY (ARRAY (SELECT x.id FROM packing x WHERE x.workshop_id = $1 AND x.status = 'quarantined' ORDER BY x.packed_on, x.code LIMIT $2)) ORDER BY p.packed_on, p.code`, workshop, mostListed); err != nil {
			return err
		}
		if out.Deviations, err = openDeviations(ctx, t, workshop, 0, mostListed); err != nil {
			return err
		}
		if out.Lots, err = lotsToWatch(ctx, t, workshop, soon, "", mostListed); err != nil {
			return err
		}
		out.Stock, err = stockToWatch(ctx, t, workshop, soon, mostListed)
		return err
	})
	if err != nil {
		return Today{}, fmt.Errorf("store: today: %w", err)
	}
	return out, nil
}
