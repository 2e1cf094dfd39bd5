package store_test

import (
	"context"
	"errors"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/jackc/pgx/v5"

	"example.org/stillroom/internal/pgtest"
	"example.org/stillroom/internal/store"
)

// tripCounter counts round trips, and the questions in them.
type tripCounter struct{ trips, questions int }

func (c *tripCounter) TraceQueryStart(ctx context.Context, _ *pgx.Conn, _ pgx.TraceQueryStartData) context.Context {
	c.trips++
	c.questions++
	return ctx
}
func (c *tripCounter) TraceQueryEnd(context.Context, *pgx.Conn, pgx.TraceQueryEndData) {}
func (c *tripCounter) TraceBatchStart(ctx context.Context, _ *pgx.Conn, _ pgx.TraceBatchStartData) context.Context {
	c.trips++
	return ctx
}
func (c *tripCounter) TraceBatchQuery(context.Context, *pgx.Conn, pgx.TraceBatchQueryData) {
	c.questions++
}
func (c *tripCounter) TraceBatchEnd(context.Context, *pgx.Conn, pgx.TraceBatchEndData) {}

// counting begins a transaction whose round trips are counted from here on.
func counting(t *testing.T) (pgx.Tx, *tripCounter) {
	t.Helper()
	config, err := pgx.ParseConfig(pgtest.Database(t).AppURL)
	check(t, err)
	trips := &tripCounter{}
	config.Tracer = trips
	conn, err := pgx.ConnectConfig(t.Context(), config)
	check(t, err)
	t.Cleanup(func() { _ = conn.Close(context.Background()) })
	tx, err := conn.Begin(t.Context())
	check(t, err)
	*trips = tripCounter{}
	return tx, trips
}

// asks reads numbers, one question after the other.
func asks(ctx context.Context, into *[]int, numbers ...int) func(pgx.Tx) error {
	return func(t pgx.Tx) error {
		for _, n := range numbers {
			rows, err := t.Query(ctx, `SELECT x FROM generate_series($1::int, $1::int + 1) x`, n)
			if err != nil {
				return err
			}
			got, err := pgx.CollectRows(rows, pgx.RowTo[int])
			if err != nil {
				return err
			}
			*into = append(*into, got...)
		}
		return nil
	}
}

func TestReadersTogetherTakeAsManyTripsAsTheLongest(t *testing.T) {
	t.Parallel()
	tx, trips := counting(t)
	ctx := t.Context()
	var order []int
	var row int
	err := store.Together(ctx, tx,
		asks(ctx, &order, 10, 20, 30),
		func(pgx.Tx) error { return nil },
		asks(ctx, &order, 40),
		func(t pgx.Tx) error {
			return store.Together(ctx, t, asks(ctx, &order, 50, 60), func(t pgx.Tx) error {
				if _, err := t.Exec(ctx, `SELECT 1`); err != nil {
					return err
				}
				return t.QueryRow(ctx, `SELECT $1::int`, 7).Scan(&row)
			})
		},
		func(t pgx.Tx) error {
			b := &pgx.Batch{}
			b.Queue(`SELECT 70`)
			b.Queue(`SELECT 71`)
			b.Queue(`SELECT 72`)
			results := t.SendBatch(ctx, b)
			var n int
			if err := results.QueryRow().Scan(&n); err != nil {
				return err
			}
			order = append(order, n)
			return results.Close() // the other two are nobody's
		},
		asks(ctx, &order, 80),
	)
	check(t, err)
	if diff := cmp.Diff([]int{10, 11, 40, 41, 50, 51, 70, 80, 81, 20, 21, 60, 61, 30, 31}, order); diff != "" {
		t.Error(diff)
	}
	if row != 7 {
		t.Errorf("the row was read as %d", row)
	}
	if trips.trips != 3 || trips.questions != 12 {
		t.Errorf("%d questions in %d trips", trips.questions, trips.trips)
	}
}

func TestAReaderThatFailsEndsTheOthers(t *testing.T) {
	t.Parallel()
	ctx := t.Context()
	enough := errors.New("enough")
	for name, fails := range map[string]func(pgx.Tx) error{
		"before it asks": func(pgx.Tx) error { return enough },
		"after its answer": func(t pgx.Tx) error {
			var n int
			return errors.Join(t.QueryRow(ctx, `SELECT 1`).Scan(&n), enough)
		},
		"within others": func(t pgx.Tx) error {
			var n int
			var left []int
			return store.Together(ctx, t, func(t pgx.Tx) error {
				return errors.Join(t.QueryRow(ctx, `SELECT 1`).Scan(&n), enough)
			}, asks(ctx, &left, 1, 2))
		},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			tx, _ := counting(t)
			var list []int
			var after error
			err := store.Together(ctx, tx, fails, func(t pgx.Tx) error {
				err := asks(ctx, &list, 1, 2, 3)(t)
				_, after = t.Exec(ctx, `SELECT 1`) // asked in vain, and no harm done
				return err
			})
			if !errors.Is(err, enough) {
				t.Errorf("%v", err)
			}
			if after == nil && name != "before it asks" {
				t.Error("the other reader went on")
			}
			// The connection is free again, and the transaction stands.
			var n int
			check(t, tx.QueryRow(ctx, `SELECT 5`).Scan(&n))
		})
	}
}

func TestWhatTheDatabaseRefusesIsTheErrorOfTheReaderThatAskedIt(t *testing.T) {
	t.Parallel()
	ctx := t.Context()
	tx, _ := counting(t)
	var list []int
	asked := false
	err := store.Together(ctx, tx, asks(ctx, &list, 1), func(t pgx.Tx) error {
		var n int
		err := t.QueryRow(ctx, `SELECT 1 / $1::int`, 0).Scan(&n)
		asked = err != nil
		return err
	}, asks(ctx, &list, 2))
	if err == nil || !asked || cmp.Diff([]int{1, 2}, list) != "" {
		t.Errorf("%v, %v, %v", err, asked, list)
	}
}

func check(t *testing.T, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}
