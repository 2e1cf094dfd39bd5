package demo_test

import (
	"bytes"
	"context"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/jackc/pgx/v5"

	"example.org/stillroom/internal/pgtest"
	"example.org/stillroom/internal/store"
)

// The longest book that the tests have is backed up and restored: all of it, and it holds.
func TestTheDemoIsRestoredFromItsBackup(t *testing.T) {
	t.Parallel()
	x := whole(t)
	var file bytes.Buffer
	if _, err := store.Backup(t.Context(), x.url, &file, "stillroom test", time.Date(2026, 5, 4, 12, 0, 0, 0, time.UTC), nil); err != nil {
		t.Fatal(err)
	}
	backup, err := store.OpenBackup(bytes.NewReader(file.Bytes()), int64(file.Len()))
	if err != nil {
		t.Fatal(err)
	}
	fresh := pgtest.Empty(t)
	if err := backup.Restore(t.Context(), fresh.OwnerURL, nil); err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(rows(t, x.url), rows(t, fresh.OwnerURL)); diff != "" {
		t.Errorf("tables (-backed up +restored):\n%s", diff)
	}
	open(t, fresh).holds(t)
}

// rows is how many rows each table has, with a digest of them.
func rows(t *testing.T, url string) map[string]string {
	t.Helper()
	conn, err := pgx.Connect(t.Context(), url)
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close(context.Background())
	list, err := conn.Query(t.Context(), `SELECT relname::text FROM pg_class WHERE relkind = 'r' AND relnamespace = 'public'::regnamespace AND relname NOT LIKE 'goose%'`)
	if err != nil {
		t.Fatal(err)
	}
	tables, err := pgx.CollectRows(list, pgx.RowTo[string])
	if err != nil || len(tables) < 50 {
		t.Fatalf("%d tables, %v", len(tables), err)
	}
	all := map[string]string{}
	for _, table := range tables {
		var digest string
		if err := conn.QueryRow(t.Context(), `SELECT count(*) || ' ' || coalesce(md5(string_agg(md5(x::text), '' ORDER BY x::text COLLATE "C")), '') FROM `+pgx.Identifier{table}.Sanitize()+` x`).Scan(&digest); err != nil {
			t.Fatalf("%s: %v", table, err)
		}
		all[table] = digest
	}
	return all
}
