package store

import (
	"context"
	"errors"
	"fmt"
	"sync/atomic"
	"time"

	pgxdecimal "github.com/jackc/pgx-shopspring-decimal"
	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgxpool"
)

// standbyRest is how long a standby that did not answer is left alone, so that not every reader waits for it anew.
const standbyRest = 10 * time.Second

// standby is a second server that follows the first and answers reading only.
type standby struct {
	pool    *pgxpool.Pool
	resting atomic.Bool
}

// ReadFrom names a standby for what reads much and may be a moment behind: traces, exports, comparisons. It is called
// before the store is used. A standby that cannot be reached, or has another schema, is left aside. Its login steps down
// to the serving role, whatever it is.
func (s *Store) ReadFrom(url string) error {
	config, err := pgxpool.ParseConfig(url)
	if err != nil {
		return fmt.Errorf("store: the standby's URL cannot be read: %w", err)
	}
	config.MaxConns = 8
	config.ConnConfig.RuntimeParams["timezone"] = "UTC"
	config.ConnConfig.RuntimeParams["application_name"] = "stillroom standby"
	config.ConnConfig.RuntimeParams["role"] = "stillroom_app"
	config.ConnConfig.ConnectTimeout = time.Second
	config.AfterConnect = func(_ context.Context, conn *pgx.Conn) error {
		pgxdecimal.Register(conn.TypeMap())
		return nil
	}
	pool, err := pgxpool.NewWithConfig(context.Background(), config) // connects when it is first asked
	if err != nil {
		return fmt.Errorf("store: standby: %w", err)
	}
	s.standby = &standby{pool: pool}
	return nil
}

var errStandbySchema = errors.New("the standby has another schema")

// readStandby is read on the standby, where there is one that answers. Never for what somebody must see of their own
// entry: that may not have arrived there. Once do has begun there is no second try, as it may have written already.
func (s *Store) readStandby(ctx context.Context, workshop WorkshopID, do func(pgx.Tx) error) error {
	if s.standby == nil || s.standby.resting.Load() {
		return s.read(ctx, workshop, do)
	}
	t, err := s.standby.begin(ctx, workshop)
	if err != nil {
		if ctx.Err() != nil {
			return err
		}
		s.standby.resting.Store(true)
		time.AfterFunc(standbyRest, func() { s.standby.resting.Store(false) })
		return s.read(ctx, workshop, do)
	}
	defer func() { _ = t.Rollback(context.WithoutCancel(ctx)) }() // of a transaction that only read
	return do(t)
}

func (b *standby) begin(ctx context.Context, workshop WorkshopID) (pgx.Tx, error) {
	t, err := b.pool.BeginTx(ctx, pgx.TxOptions{IsoLevel: pgx.RepeatableRead, AccessMode: pgx.ReadOnly})
	if err != nil {
		return nil, err
	}
	var version int64
	err = t.QueryRow(ctx, `SELECT max(version_id) FROM goose_db_version WHERE is_applied AND set_config('app.workshop_id', $1::text, true) IS NOT NULL`, Text(workshop)).Scan(&version)
	if err == nil && version != schemaVersion() {
		err = errStandbySchema
	}
	if err != nil {
		return nil, errors.Join(err, t.Rollback(context.WithoutCancel(ctx)))
	}
	return t, nil
}

// PoolStats is how busy the connections to the database are.
type PoolStats struct {
	Most, Open, InUse int32
	Waits             int64         // how often somebody waited for a connection
	Waited            time.Duration // and how long, together
}

// PoolStats tells how busy the connections to the primary are now.
func (s *Store) PoolStats() PoolStats {
	p := s.pool.Stat()
	return PoolStats{Most: p.MaxConns(), Open: p.TotalConns(), InUse: p.AcquiredConns(), Waits: p.EmptyAcquireCount(), Waited: p.EmptyAcquireWaitTime()}
}
