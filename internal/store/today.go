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
	Crates     []Crate   // being packed, or away, the earliest event first
	MoreCrates bool
	Samples    SamplesWatch
	Due        []LogDue  // what the log says is due in the next days
	Recalls    []Recall  // that run, the oldest first
	Suspects   []Suspect // equipment that is not known to be right
	Missing    int       // materials and bulk that go short for what is planned and begun
	// Complaints are open ones, serious first; AllComplaints is how many there are.
	Complaints    []OpenComplaint
	AllComplaints int
	Drill         DrillWatch
}

// mostListed is how many of each kind the first page lists, mostOpen how many batches that are being made; their own pages
// list the rest. dueDays is how far ahead it tells what the log says is due; the log tells more.
const (
	mostListed  = 30
	mostPlanned = 20
	mostOpen    = 100
	// the page of complaints lists the rest
	mostComplained = 10
	dueDays        = 7
)

// Today reads the first page in one snapshot. Dates up to so many days from today count as near.
func (s *Store) Today(ctx context.Context, workshop WorkshopID, today day.Day, soonDays int) (Today, error) {
	var out Today
	err := s.read(ctx, workshop, func(t pgx.Tx) error {
		w, err := workshopIn(ctx, t, workshop)
		if err != nil {
			return err
		}
		return out.load(ctx, t, w, today, today.AddDays(soonDays))
	})
	if err != nil {
		return Today{}, fmt.Errorf("store: today: %w", err)
	}
	return out, nil
}

func (d *Today) load(ctx context.Context, t pgx.Tx, w Workshop, today, soon day.Day) error {
	return together(ctx, t,
		func(t pgx.Tx) error { return d.loadOpen(ctx, t, w.ID) },
		func(t pgx.Tx) (err error) {
			d.Bulk, err = queryBatches(ctx, t, `WHERE b.workshop_id = $1 AND b.status = 'quarantined' AND v.yields = 'bulk' ORDER BY b.made_at, b.code LIMIT $2`, w.ID, mostListed)
			return err
		},
		func(t pgx.Tx) error {
			return t.QueryRow(ctx, `SELECT NOT EXISTS (SELECT FROM formula WHERE workshop_id = $1)`, w.ID).Scan(&d.New)
		},
		func(t pgx.Tx) error {
			rows, err := t.Query(ctx, planQuery+`WHERE n.workshop_id = $1 ORDER BY n.planned_on, n.id LIMIT $2`, w.ID, mostPlanned)
			if err == nil {
				d.Plans, err = pgx.CollectRows(rows, pgx.RowToStructByPos[Plan])
			}
			return err
		},
		func(t pgx.Tx) (err error) {
			d.Waiting, err = queryPackings(ctx, t, `WHERE p.workshop_id = $1 AND p.id = ANY (ARRAY (SELECT x.id FROM packing x WHERE x.workshop_id = $1 AND x.status = 'quarantined' ORDER BY x.packed_on, x.code LIMIT $2)) ORDER BY p.packed_on, p.code`, w.ID, mostListed)
			return err
		},
		func(t pgx.Tx) (err error) {
			d.Deviations, err = openDeviations(ctx, t, w.ID, 0, mostListed)
			return err
		},
		func(t pgx.Tx) (err error) {
			d.Lots, err = lotsToWatch(ctx, t, w.ID, soon, "", mostListed)
			return err
		},
		func(t pgx.Tx) (err error) {
			d.Stock, err = stockToWatch(ctx, t, w.ID, soon, mostListed)
			return err
		},
		func(t pgx.Tx) error {
			list, err := queryCrates(ctx, t, `WHERE k.workshop_id = $1 AND k.status IN ('packing', 'away') ORDER BY k.event_on, k.id LIMIT $2`, w.ID, mostListed+1)
			d.Crates, d.MoreCrates = list[:min(len(list), mostListed)], len(list) > mostListed
			return err
		},
		func(t pgx.Tx) (err error) {
			d.Samples, err = samplesToWatch(ctx, t, w.ID, today)
			return err
		},
		func(t pgx.Tx) (err error) {
			d.Due, err = logDue(ctx, t, w, today, today.AddDays(dueDays))
			return err
		},
		func(t pgx.Tx) (err error) {
			d.Suspects, err = failedLast(ctx, t, w, today)
			return err
		},
		func(t pgx.Tx) (err error) {
			d.Recalls, err = queryRecalls(ctx, t, `WHERE r.workshop_id = $1 AND r.closed_at IS NULL AND NOT r.drill ORDER BY r.n LIMIT $2`, w.ID, mostListed)
			return err
		},
		func(t pgx.Tx) (err error) {
			d.Complaints, d.AllComplaints, err = openComplaints(ctx, t, w, today, mostComplained)
			return err
		},
		func(t pgx.Tx) error {
			order, err := addUp(ctx, t, w)
			d.Missing = len(order.Missing())
			return err
		},
		func(t pgx.Tx) (err error) {
			d.Drill, err = drillWatch(ctx, t, w.ID)
			return err
		})
}

func (d *Today) loadOpen(ctx context.Context, t pgx.Tx, workshop WorkshopID) error {
	batches, err := queryBatches(ctx, t, `WHERE b.workshop_id = $1 AND b.status IN ('making', 'curing', 'packing') ORDER BY b.cure_started_at + make_interval(hours => coalesce(v.cure_hours, 0)), b.made_at, b.code LIMIT $2`, workshop, mostOpen+1)
	if err != nil {
		return err
	}
	if d.MoreOpen = len(batches) > mostOpen; d.MoreOpen {
		batches = batches[:mostOpen]
	}
	for _, b := range batches {
		switch {
		case b.Status == "curing":
			d.Curing = append(d.Curing, b)
		default:
			d.Open = append(d.Open, b)
		}
	}
	return nil
}
