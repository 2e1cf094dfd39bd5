// Package floor is what `go run ./cmd/load` measures Stillroom against: the least work that gives the same result, done by
// PostgreSQL and pgx with nothing around it. It replays what the store itself asked, so that a floor never does other
// work than what it is compared with. Nothing that serves a maker uses it; it is here because SQL is.
package floor

import (
	"context"
	"fmt"
	"regexp"
	"strconv"
	"strings"
	"sync"
	"time"

	"github.com/google/uuid"
	pgxdecimal "github.com/jackc/pgx-shopspring-decimal"
	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgxpool"
)

// Statement is one statement that the store sent, with its values.
type Statement struct {
	SQL  string
	Args []any
}

// Recorder keeps what a store asks of the database, in order.
type Recorder struct {
	mu   sync.Mutex
	list []Statement
}

func (r *Recorder) add(sql string, args []any) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.list = append(r.list, Statement{sql, args})
}

// Take answers what was asked since the last Take.
func (r *Recorder) Take() []Statement {
	r.mu.Lock()
	defer r.mu.Unlock()
	list := r.list
	r.list = nil
	return list
}

// TraceQueryStart and the rest are what pgx tells a tracer.
func (r *Recorder) TraceQueryStart(ctx context.Context, _ *pgx.Conn, data pgx.TraceQueryStartData) context.Context {
	r.add(data.SQL, data.Args)
	return ctx
}

func (r *Recorder) TraceQueryEnd(context.Context, *pgx.Conn, pgx.TraceQueryEndData) {}

func (r *Recorder) TraceBatchStart(ctx context.Context, _ *pgx.Conn, _ pgx.TraceBatchStartData) context.Context {
	return ctx
}

func (r *Recorder) TraceBatchQuery(_ context.Context, _ *pgx.Conn, data pgx.TraceBatchQueryData) {
	r.add(data.SQL, data.Args)
}

func (r *Recorder) TraceBatchEnd(context.Context, *pgx.Conn, pgx.TraceBatchEndData) {}

// begins tells whether a statement starts with one of the words.
func (s Statement) begins(words ...string) bool {
	text := strings.ToUpper(strings.TrimSpace(s.SQL))
	for _, w := range words {
		if strings.HasPrefix(text, w) {
			return true
		}
	}
	return false
}

// beginning is how the store begins to read: the workshop is named in the same round trip.
var beginning = regexp.MustCompile(`(?i)^begin\b.*;\s*(SELECT set_config\('app\.workshop_id', '[0-9a-f-]+', true\))$`)

// Reads keeps the reading statements of a page: no beginning or end of a transaction, no session, nothing written. The
// workshop is named once.
func Reads(list []Statement) []Statement {
	var reads []Statement
	named := false
	for _, s := range list {
		if begun := beginning.FindStringSubmatch(s.SQL); begun != nil {
			s = Statement{SQL: begun[1]}
		}
		setting := strings.Contains(s.SQL, "set_config('app.workshop_id'")
		if !s.begins("SELECT", "WITH") || setting && named || strings.Contains(s.SQL, "FROM session ") {
			continue
		}
		named = named || setting
		reads = append(reads, s)
	}
	return reads
}

// DB is a pool of connections like the store's.
type DB struct {
	pool *pgxpool.Pool
}

// Open connects as the store does, with the URL of the serving role.
func Open(ctx context.Context, url string) (*DB, error) {
	config, err := pgxpool.ParseConfig(url)
	if err != nil {
		return nil, fmt.Errorf("floor: %w", err)
	}
	config.MaxConns = 8
	config.ConnConfig.RuntimeParams["timezone"] = "UTC"
	config.AfterConnect = func(_ context.Context, conn *pgx.Conn) error {
		pgxdecimal.Register(conn.TypeMap())
		return nil
	}
	pool, err := pgxpool.NewWithConfig(ctx, config)
	if err != nil {
		return nil, fmt.Errorf("floor: %w", err)
	}
	return &DB{pool}, nil
}

// Close ends the connections.
func (db *DB) Close() { db.pool.Close() }

// Rows is what one statement answered, as text.
type Rows [][]string

// Batch sends the statements in one batch, and so in one transaction and one round trip, and reads every row.
func (db *DB) Batch(ctx context.Context, list []Statement) ([]Rows, error) {
	b := &pgx.Batch{}
	for _, s := range list {
		b.Queue(s.SQL, s.Args...)
	}
	results := db.pool.SendBatch(ctx, b)
	defer results.Close()
	all := make([]Rows, 0, len(list))
	for range list {
		rows, err := results.Query()
		if err != nil {
			return nil, fmt.Errorf("floor: batch: %w", err)
		}
		var table Rows
		for rows.Next() {
			values, err := rows.Values()
			if err != nil {
				return nil, fmt.Errorf("floor: batch: %w", err)
			}
			cells := make([]string, len(values))
			for i, v := range values {
				cells[i] = written(v)
			}
			table = append(table, cells)
		}
		if err := rows.Err(); err != nil {
			return nil, fmt.Errorf("floor: batch: %w", err)
		}
		all = append(all, table)
	}
	return all, results.Close()
}

// written is a value as a page would write it.
func written(value any) string {
	switch v := value.(type) {
	case nil:
		return ""
	case string:
		return v
	case int32:
		return strconv.Itoa(int(v))
	case int64:
		return strconv.FormatInt(v, 10)
	case [16]byte:
		return uuid.UUID(v).String()
	case time.Time:
		return v.Format(time.DateOnly)
	}
	return fmt.Sprint(value)
}
