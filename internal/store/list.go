package store

import (
	"context"
	"errors"

	"github.com/jackc/pgx/v5"

	"example.org/stillroom/internal/day"
)

// A list that may grow long is read a page at a time, by key: WHERE (a, b) > ($x, $y) ORDER BY a, b LIMIT n+1, over an
// index of that order. The key is what the last row of a page is called: its code, or its id where it has none. So a page
// costs what it shows, and what is added meanwhile neither repeats a row nor loses one.

// lastDay is behind every day that a date in the book may have: where a list of the newest first begins.
var lastDay = day.Must("2199-12-31")

// boundary reads where a list goes on behind the row that a key names: query finds the values of the order, $1 being the
// workshop and $2 the key. A key that names no row of the workshop, having been typed by hand, leaves into as it is: the
// list then begins at its beginning.
func boundary(ctx context.Context, t pgx.Tx, workshop WorkshopID, key, query string, into ...any) error {
	if key == "" {
		return nil
	}
	err := t.QueryRow(ctx, query, workshop, key).Scan(into...)
	if errors.Is(err, pgx.ErrNoRows) {
		return nil
	}
	return err
}

// boundaryID is boundary for rows without a code: the key is an id.
func boundaryID(ctx context.Context, t pgx.Tx, workshop WorkshopID, key, query string, into ...any) error {
	if _, err := ParseID[RowID](key); err != nil {
		return nil
	}
	return boundary(ctx, t, workshop, key, query, into...)
}

// cut makes a page of a list that was asked one longer, and answers the key that the next one begins behind; empty for
// the last.
func cut[T any](list []T, limit int, key func(T) string) (page []T, next string) {
	if len(list) <= limit {
		return list, ""
	}
	return list[:limit], key(list[limit-1])
}
