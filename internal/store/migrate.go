package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"strings"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	_ "github.com/jackc/pgx/v5/stdlib" // goose speaks database/sql
	"github.com/pressly/goose/v3"
	"github.com/pressly/goose/v3/lock"

	"example.org/stillroom/migrations"
)

// ErrSchema says that the database's schema is not the one this program has.
var ErrSchema = errors.New("the database was migrated by another version of Stillroom")

// Migrate brings a database to this program's schema as its owner, each step in its own transaction under a lock
// that other copies wait for. It makes the serving role where that is missing, and in a fresh database one empty
// workshop, `main`. A database that is newer than the program is refused untouched.
func Migrate(ctx context.Context, ownerURL string) error {
	return MigrateTo(ctx, ownerURL, schemaVersion())
}

// MigrateTo stops at a version; tests walk up from every earlier state with it.
func MigrateTo(ctx context.Context, ownerURL string, version int64) error {
	if err := ensureAppRole(ctx, ownerURL); err != nil {
		return err
	}
	db, err := sql.Open("pgx", ownerURL)
	if err != nil {
		return fmt.Errorf("store: migrate: %w", err)
	}
	defer db.Close()
	locker, err := lock.NewPostgresSessionLocker()
	if err != nil {
		return fmt.Errorf("store: migrate: %w", err)
	}
	provider, err := goose.NewProvider(goose.DialectPostgres, db, migrations.FS, goose.WithSessionLocker(locker))
	if err != nil {
		return fmt.Errorf("store: migrate: %w", err)
	}
	have, err := provider.GetDBVersion(ctx)
	if err != nil {
		return fmt.Errorf("store: migrate: %w", err)
	}
	if have > schemaVersion() {
		return fmt.Errorf("%w: it has schema %d, this program knows up to %d; use the newer program", ErrSchema, have, schemaVersion())
	}
	if _, err := provider.UpTo(ctx, version); err != nil {
		return fmt.Errorf("store: migrate: %w", err)
	}
	if version < schemaVersion() {
		return nil
	}
	if _, err := db.ExecContext(ctx, `GRANT SELECT ON goose_db_version TO stillroom_app`); err != nil {
		return fmt.Errorf("store: migrate: %w", err)
	}
	if _, err := db.ExecContext(ctx, `INSERT INTO workshop (id, code, name, zone) SELECT $1::uuid, 'main', 'Workshop', 'UTC' WHERE NOT EXISTS (SELECT FROM workshop)`,
		uuid.Must(uuid.NewV7()).String()); err != nil {
		return fmt.Errorf("store: migrate: %w", err)
	}
	return nil
}

// CheckSchema refuses a database that does not match this program: what every command but serve, demo, import and
// restore asks first.
func CheckSchema(ctx context.Context, ownerURL string) error {
	conn, err := pgx.Connect(ctx, ownerURL)
	if err != nil {
		return fmt.Errorf("store: connect: %w", err)
	}
	defer conn.Close(ctx)
	var have int64
	if err := conn.QueryRow(ctx, `SELECT coalesce(max(version_id), 0) FROM goose_db_version WHERE is_applied`).Scan(&have); err != nil {
		if strings.Contains(err.Error(), "42P01") {
			return fmt.Errorf("%w: it holds no Stillroom yet; `stillroom serve` sets it up", ErrSchema)
		}
		return fmt.Errorf("store: schema: %w", err)
	}
	if have != schemaVersion() {
		return fmt.Errorf("%w: it has schema %d, this program has %d; `stillroom serve` brings it up to date", ErrSchema, have, schemaVersion())
	}
	return nil
}

// schemaVersion is the number of the newest embedded migration.
func schemaVersion() int64 {
	entries, err := migrations.FS.ReadDir(".")
	if err != nil {
		return 0
	}
	var newest int64
	for _, entry := range entries {
		if v, err := goose.NumericComponent(entry.Name()); err == nil && v > newest {
			newest = v
		}
	}
	return newest
}

// ensureAppRole makes the serving role. On a server where the owner may not, it says what an administrator runs.
func ensureAppRole(ctx context.Context, ownerURL string) error {
	conn, err := pgx.Connect(ctx, ownerURL)
	if err != nil {
		return fmt.Errorf("store: connect: %w", err)
	}
	defer conn.Close(ctx)
	var there bool
	if err := conn.QueryRow(ctx, `SELECT EXISTS (SELECT FROM pg_roles WHERE rolname = 'stillroom_app')`).Scan(&there); err != nil {
		return fmt.Errorf("store: roles: %w", err)
	}
	if there {
		return nil
	}
	if _, err := conn.Exec(ctx, `CREATE ROLE stillroom_app LOGIN NOSUPERUSER NOBYPASSRLS NOCREATEDB NOCREATEROLE`); err != nil {
		if constraint(err) != "" || strings.Contains(err.Error(), "23505") || strings.Contains(err.Error(), "42710") {
			return nil // another copy made it just now
		}
		return fmt.Errorf("store: the serving role is missing and this role may not make it; let an administrator run: CREATE ROLE stillroom_app LOGIN: %w", err)
	}
	return nil
}
