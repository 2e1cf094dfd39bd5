package store

import (
	"context"

	"github.com/jackc/pgx/v5"
)

// Together is together, for tests from outside.
func Together(ctx context.Context, t pgx.Tx, readers ...func(pgx.Tx) error) error {
	list := make([]reader, len(readers))
	for i, r := range readers {
		list[i] = r
	}
	return together(ctx, t, list...)
}
