package demo

import (
	"context"
	"time"

	"example.org/stillroom/internal/store"
)

// SeedShort tells the last half year alone: what is told of every hour of the day need not take two years each time.
func SeedShort(ctx context.Context, s *store.Store, workshop store.Workshop, now time.Time) error {
	return seed(ctx, s, workshop, now, -190, nil)
}
