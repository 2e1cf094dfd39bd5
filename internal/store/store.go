// Package store is PostgreSQL and the only place with SQL. A method is one use case in one transaction: lock, load,
// ask the rule, save. Everything is read and written for one workshop, which row-level security enforces a second
// time.
package store

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"strings"
	"time"

	pgxdecimal "github.com/jackc/pgx-shopspring-decimal"
	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"
	"github.com/jackc/pgx/v5/pgxpool"
	"golang.org/x/sync/semaphore"
)

// Store serves workshops from one PostgreSQL. It holds nothing but the pool, so any number may serve one database.
type Store struct {
	pool    *pgxpool.Pool
	standby *standby // nil without one
	// hashing bounds argon2id to two at a time: each takes 19 MiB and a core for some 30 ms.
	hashing *semaphore.Weighted
}

// Option changes how Open connects.
type Option func(*pgxpool.Config)

// Traced tells a tracer of each query: tests count with it what a page asks.
func Traced(tracer pgx.QueryTracer) Option {
	return func(c *pgxpool.Config) { c.ConnConfig.Tracer = tracer }
}

// Open connects with the serving role's URL and checks that the database answers.
func Open(ctx context.Context, url string, options ...Option) (*Store, error) {
	config, err := pgxpool.ParseConfig(url)
	if err != nil {
		return nil, fmt.Errorf("store: the database URL cannot be read: %w", err)
	}
	config.MaxConns = 8
	config.ConnConfig.RuntimeParams["timezone"] = "UTC"
	config.ConnConfig.RuntimeParams["application_name"] = "stillroom"
	config.ConnConfig.ConnectTimeout = 5 * time.Second
	config.AfterConnect = func(_ context.Context, conn *pgx.Conn) error {
		pgxdecimal.Register(conn.TypeMap())
		return nil
	}
	for _, option := range options {
		option(config)
	}
	pool, err := pgxpool.NewWithConfig(ctx, config)
	if err != nil {
		return nil, fmt.Errorf("store: open: %w", err)
	}
	return &Store{pool: pool, hashing: semaphore.NewWeighted(2)}, nil
}

// Close ends the connections.
func (s *Store) Close() {
	s.pool.Close()
	if s.standby != nil {
		s.standby.pool.Close()
	}
}

// Ready tells whether the database answers and holds just the schema that this program knows.
func (s *Store) Ready(ctx context.Context) error {
	var version int64
	if err := s.pool.QueryRow(ctx, `SELECT max(version_id) FROM goose_db_version WHERE is_applied`).Scan(&version); err != nil {
		return fmt.Errorf("store: ready: %w", err)
	}
	if want := schemaVersion(); version != want {
		return fmt.Errorf("store: the database has schema %d, this program has %d", version, want)
	}
	return nil
}

// IsDown tells whether err says that the database cannot be reached, rather than that it said no. Where the line broke off
// at a commit nobody knows whether that was stored: an entry key makes it safe to send again.
func IsDown(err error) bool {
	var connect *pgconn.ConnectError
	if errors.As(err, &connect) {
		return true
	}
	var pg *pgconn.PgError
	if errors.As(err, &pg) {
		// 57P01-57P03: shutting down, crashed, starting up; class 08: connection lost; class 53: no room left, or too many
		// connections; 40P01: gave way to another that waited for it. (PostgreSQL 15, appendix A.)
		switch pg.Code {
		case "57P01", "57P02", "57P03", "40P01":
			return true
		}
		return strings.HasPrefix(pg.Code, "08") || strings.HasPrefix(pg.Code, "53")
	}
	// A connection that broke off in mid-answer is an end of file, or the network's own error. A file's error has a number
	// of the system's as well, which calls itself a network error: only what went over the network is one.
	var network *net.OpError
	return pgconn.SafeToRetry(err) || errors.Is(err, context.DeadlineExceeded) || errors.Is(err, io.ErrUnexpectedEOF) || errors.Is(err, io.EOF) || errors.As(err, &network)
}

// constraint is the name of the constraint that refused, or "".
func constraint(err error) string {
	var pg *pgconn.PgError
	if errors.As(err, &pg) {
		return pg.ConstraintName
	}
	return ""
}
