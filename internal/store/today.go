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
		if out.Deviations, err = queryDeviations(ctx, t, `WHERE d.workshop_id = $1 AND d.decision IS NULL AND d.withdrawn_at IS NULL ORDER BY d.n`, workshop); err != nil {
			return err
		}
		if out.Lots, err = queryLots(ctx, t, `WHERE l.workshop_id = $1 AND l.status <> 'rejected' AND l.emptied_on IS NULL AND s.on_hand > 0
			AND (l.status = 'quarantined' OR l.expires_on <= $2 OR l.retest_on <= $2) ORDER BY l.status = 'quarantined' DESC, coalesce(l.expires_on, l.retest_on), l.code LIMIT 30`, workshop, soon); err != nil {
			return err
		}
		out.Stock, err = queryPackings(ctx, t, `WHERE p.workshop_id = $1 AND p.status = 'released' AND p.best_before <= $2 AND s.on_hand > 0 ORDER BY p.best_before, p.code LIMIT 30`, workshop, soon)
		return err
	})
	if err != nil {
		return Today{}, fmt.Errorf("store: today: %w", err)
	}
	return out, nil
}
