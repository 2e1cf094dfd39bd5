package store

import (
	"context"
	"fmt"
)

// OpenDemo names the empty workshop and marks it as the demo, so that no real workshop is ever taken for one.
func (s *Store) OpenDemo(ctx context.Context, who Who, name, zone, contact string, drillMinutes int) error {
	_, err := s.write(ctx, who, progress, "", Entry{}, func(t *tx) error {
		_, err := t.Exec(ctx, `UPDATE workshop SET name = $2, zone = $3, named = true, is_demo = true, contact = $4, drill_minutes = $5 WHERE id = $1`, who.Workshop, name, zone, contact, drillMinutes)
		return err
	})
	if err != nil {
		return fmt.Errorf("store: open demo: %w", err)
	}
	return nil
}

// RefreshStatistics tells the planner what the tables hold by now: while a book grows by years within seconds, nothing
// else does. It needs the owner role.
func (s *Store) RefreshStatistics(ctx context.Context) error {
	if _, err := s.pool.Exec(ctx, `ANALYZE`); err != nil {
		return fmt.Errorf("store: refresh statistics: %w", err)
	}
	return nil
}
