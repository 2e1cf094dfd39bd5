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
	Plans      []Plan
	Waiting    []Packing // in quarantine
	Bulk       []Batch   // bulk ready and not released
	Deviations []Deviation
	Lots       []Lot     // in quarantine, or about to expire or past it
	Stock      []Packing // on hand and about to be out of date, or past it
}

// mostListed is how many lots and packings the first page lists; their own pages list the rest.
const mostListed = 30

// Today reads the first page in one snapshot. soon is the day up to which dates count as near.
func (s *Store) Today(ctx context.Context, workshop WorkshopID, soon day.Day) (Today, error) {
	var out Today
	err := s.read(ctx, workshop, func(t pgx.Tx) error {
		batches, err := queryBatches(ctx, t, `WHERE b.workshop_id = $1 AND b.status IN ('making', 'curing', 'packing', 'quarantined') ORDER BY b.cure_started_at + make_interval(hours => coalesce(v.cure_hours, 0)), b.made_at, b.code`, workshop)
		if err != nil {
			return err
		}
		if err := t.QueryRow(ctx, `SELECT NOT EXISTS (SELECT FROM formula WHERE workshop_id = $1)`, workshop).Scan(&out.New); err != nil {
			return err
		}
		for _, b := range batches {
			switch {
			case b.Status == "curing":
				out.Curing = append(out.Curing, b)
			case b.Status == "quarantined" && b.Yields == "bulk":
				out.Bulk = append(out.Bulk, b)
			case b.Status != "quarantined":
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
		if out.Waiting, err = queryPackings(ctx, t, `WHERE p.workshop_id = $1 AND p.status = 'quarantined' ORDER BY p.packed_on, p.code`, workshop); err != nil {
			return err
		}
		if out.Deviations, err = openDeviations(ctx, t, workshop); err != nil {
			return err
		}
		if out.Lots, err = lotsToWatch(ctx, t, workshop, soon, mostListed); err != nil {
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
