package store_test

import (
	"archive/zip"
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"io"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"example.org/stillroom/internal/batchcode"
	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/pgtest"
	"example.org/stillroom/internal/store"
)

var backupNoon = time.Date(2026, 5, 4, 12, 0, 0, 0, time.UTC)

// contents is how many rows each table has and a digest of them.
func contents(t *testing.T, url string) map[string]string {
	t.Helper()
	ctx := t.Context()
	conn, err := pgx.Connect(ctx, url)
	packOK(t, err)
	defer conn.Close(context.Background())
	rows, err := conn.Query(ctx, `SELECT relname::text FROM pg_class WHERE relkind = 'r' AND relnamespace = 'public'::regnamespace AND relname <> 'goose_db_version'`)
	packOK(t, err)
	tables, err := pgx.CollectRows(rows, pgx.RowTo[string])
	packOK(t, err)
	all := map[string]string{}
	for _, table := range tables {
		var digest string
		packOK(t, conn.QueryRow(ctx, `SELECT count(*) || ' ' || coalesce(md5(string_agg(x::text, E'\n' ORDER BY x::text COLLATE "C")), '') FROM `+pgx.Identifier{table}.Sanitize()+` x`).Scan(&digest))
		all[table] = digest
	}
	return all
}

func backup(t *testing.T, url string) []byte {
	t.Helper()
	var out bytes.Buffer
	_, err := store.Backup(t.Context(), url, &out, "stillroom test", backupNoon, nil)
	packOK(t, err)
	return out.Bytes()
}

func restore(t *testing.T, file []byte, url string) error {
	t.Helper()
	b, err := store.OpenBackup(bytes.NewReader(file), int64(len(file)))
	if err != nil {
		return err
	}
	return b.Restore(t.Context(), url, nil)
}

// twoWorkshops is a house with work and a paper in it, and a second workshop in the same database, with texts that a
// careless format would break.
func twoWorkshops(t *testing.T) house {
	t.Helper()
	h := newHouse(t)
	lot := h.oatLot(t)
	packOK(t, h.AttachToLot(t.Context(), h.owner, store.Entry{}, lot, store.Upload{Kind: "certificate", Name: "A\tB\\N \u00e9.pdf", MediaType: "application/pdf", Data: bytes.Repeat([]byte{0, 1, '\n', '\\', 0xff}, 100_000)}))
	other := uuid.Must(uuid.NewV7())
	h.asOwner(t, `INSERT INTO workshop (id, code, name, named) VALUES ('`+other.String()+`', 'fenmarch', E'Fen\\N\tmarch\n\\.\nWorkshop', true)`)
	book := pgtest.History(t, h.db, other)
	wax := book.Lot("BW-1", book.Material("BW", ""+`\N`), 500)
	made := book.Batch("OB-1", batchcode.Fold("OB-1"), book.Product("OB", "Oat balm"), "2026-02-01", 20, "released", "2030-01-01")
	book.Draw(made.Batch, wax, 100)
	book.Dispatch("D-1", book.Customer("FAIR", "Quay Fair", "event"), made.Packing, 5, "2026-03-01")
	return h
}

func TestABackupRestoredIsTheSameBook(t *testing.T) {
	t.Parallel()
	ctx := t.Context()
	h := twoWorkshops(t)
	file := backup(t, h.db.OwnerURL)
	if again := backup(t, h.db.OwnerURL); !bytes.Equal(file, again) {
		t.Error("two backups of the same book at the same time differ")
	}
	want := contents(t, h.db.OwnerURL)
	for name, target := range map[string]pgtest.DB{"a fresh database": pgtest.Empty(t), "one where serve has begun": begun(t)} {
		packOK(t, restore(t, file, target.OwnerURL))
		if diff := cmp.Diff(want, contents(t, target.OwnerURL)); diff != "" {
			t.Errorf("%s: %s", name, diff)
		}
		verdicts, err := store.Verify(ctx, target.OwnerURL)
		packOK(t, err)
		if len(verdicts) != 2 || len(verdicts[0].Broken)+len(verdicts[1].Broken) > 0 {
			t.Errorf("%s: verify says %+v", name, verdicts)
		}
		s, err := store.Open(ctx, target.AppURL)
		packOK(t, err)
		defer s.Close()
		packOK(t, s.Ready(ctx))
		// The trail goes on behind its last row, and its triggers are on again.
		restored := house{s, target, h.owner}
		packOK(t, s.SetLotStatus(ctx, h.owner, store.Entry{}, "OO-0001", "released", ""))
		if list := restored.broken(t); len(list) > 0 {
			t.Errorf("%s: after the next entry: %v", name, list)
		}
		restored.asOwner(t, `ALTER TABLE material_lot DISABLE TRIGGER USER`, `UPDATE material_lot SET quantity = quantity + 1`)
		if len(restored.broken(t)) == 0 {
			t.Errorf("%s: a change behind the trail's back is not found", name)
		}
	}
}

// begun is a database that was set up but that nobody has worked in: its set-up link is printed.
func begun(t *testing.T) pgtest.DB {
	t.Helper()
	db := pgtest.Database(t)
	s, err := store.Open(t.Context(), db.AppURL)
	packOK(t, err)
	defer s.Close()
	shops, err := store.Workshops(t.Context(), db.OwnerURL)
	packOK(t, err)
	link, err := s.SetUpLink(t.Context(), shops[0].ID, backupNoon)
	packOK(t, err)
	if link == "" {
		t.Fatal("no set-up link")
	}
	return db
}

func TestABackupOfAnOlderSchemaIsRestoredAndBroughtUpToDate(t *testing.T) {
	t.Parallel()
	ctx := t.Context()
	old := pgtest.Empty(t)
	packOK(t, store.MigrateTo(ctx, old.OwnerURL, 6))
	shop := uuid.Must(uuid.NewV7())
	house{db: old}.asOwner(t, `INSERT INTO workshop (id, code, name, named) VALUES ('`+shop.String()+`', 'main', 'Quillmoor Workshop', true)`)
	book := pgtest.History(t, old, shop)
	book.Lot("OO-1", book.Material("OO", "Oat oil"), 1000)
	file := backup(t, old.OwnerURL)
	for name, target := range map[string]pgtest.DB{"a fresh database": pgtest.Empty(t), "one begun by this program": begun(t)} {
		packOK(t, restore(t, file, target.OwnerURL))
		packOK(t, store.CheckSchema(ctx, target.OwnerURL))
		verdicts, err := store.Verify(ctx, target.OwnerURL)
		packOK(t, err)
		if len(verdicts) != 1 || verdicts[0].Links != 2 || len(verdicts[0].Broken) > 0 {
			t.Errorf("%s: verify says %+v", name, verdicts)
		}
	}
}

func TestABackupGoesIntoAnEmptyDatabaseOnly(t *testing.T) {
	t.Parallel()
	file := backup(t, twoWorkshops(t).db.OwnerURL)
	named := pgtest.Database(t)
	house{db: named}.asOwner(t, `INSERT INTO workshop (id, code, name) VALUES (gen_random_uuid(), 'second', 'Second')`)
	for name, target := range map[string]pgtest.DB{"a book with work in it": newHouse(t).db, "one with a second workshop": named} {
		before := contents(t, target.OwnerURL)
		err := restore(t, file, target.OwnerURL)
		if f := fault.As(err); f == nil || f.Kind != fault.Conflict || !strings.Contains(err.Error(), "not empty") {
			t.Errorf("%s: %v", name, err)
		}
		if diff := cmp.Diff(before, contents(t, target.OwnerURL)); diff != "" {
			t.Errorf("%s was touched: %s", name, diff)
		}
	}
}

func TestABrokenOrForeignFileIsRefusedBeforeAnythingIsWritten(t *testing.T) {
	t.Parallel()
	file := backup(t, twoWorkshops(t).db.OwnerURL)
	flipped := func(at int) []byte {
		other := bytes.Clone(file)
		other[at] ^= 0x40
		return other
	}
	cases := map[string][]byte{
		"nothing":                  nil,
		"a text":                   []byte("Dear Mara, here is the backup you asked for."),
		"another zip":              zipOf(t, map[string]string{"letter.txt": "Dear Mara"}),
		"cut off":                  file[:len(file)*2/3],
		"without its first byte":   file[1:],
		"a manifest of our own":    rewritten(t, file, "manifest.json", func([]byte) []byte { return []byte(`{"format": 1}`) }),
		"a manifest that is none":  rewritten(t, file, "manifest.json", func([]byte) []byte { return []byte(`]`) }),
		"a newer schema":           remanifested(t, file, func(m *store.Manifest) { m.Schema = 9999 }),
		"a newer format":           remanifested(t, file, func(m *store.Manifest) { m.Format = 2 }),
		"a table less":             remanifested(t, file, func(m *store.Manifest) { m.Tables = m.Tables[1:] }),
		"a row of a table changed": rewritten(t, file, "tables/material", func(b []byte) []byte { return bytes.Replace(b, []byte("Oat oil"), []byte("Nut oil"), 1) }),
	}
	z, err := zip.NewReader(bytes.NewReader(file), int64(len(file)))
	packOK(t, err)
	for _, part := range z.File {
		at, err := part.DataOffset()
		packOK(t, err)
		cases["a bit of "+part.Name] = flipped(int(at) + int(part.CompressedSize64)/2)
	}
	for name, broken := range cases {
		_, err := store.OpenBackup(bytes.NewReader(broken), int64(len(broken)))
		if !errors.Is(err, store.ErrBackup) {
			t.Errorf("%s: %v", name, err)
		}
	}
}

// What only the database can refuse is refused there, and leaves nothing behind.
func TestARestoreThatFailsHalfwayLeavesNothing(t *testing.T) {
	t.Parallel()
	file := backup(t, twoWorkshops(t).db.OwnerURL)
	forged := func(table string, change func([]byte) []byte) []byte {
		var sum store.BackupTable
		out := rewritten(t, file, "tables/"+table, func(b []byte) []byte {
			b = change(b)
			sum = store.BackupTable{Rows: int64(bytes.Count(b, []byte("\n"))), Bytes: int64(len(b)), SHA256: hexSum(b)}
			return b
		})
		return remanifested(t, out, func(m *store.Manifest) {
			i := slices.IndexFunc(m.Tables, func(x store.BackupTable) bool { return x.Name == table })
			m.Tables[i].Rows, m.Tables[i].Bytes, m.Tables[i].SHA256 = sum.Rows, sum.Bytes, sum.SHA256
		})
	}
	// All into one database, since each must leave it as it was; what begins it anew at an older schema comes last.
	target := begun(t)
	before := contents(t, target.OwnerURL)
	for _, broken := range []struct {
		name string
		file []byte
	}{
		{"an unknown status", forged("packing", func(b []byte) []byte { return bytes.ReplaceAll(b, []byte("released"), []byte("returned")) })},
		{"a person is missing", forged("person", func([]byte) []byte { return nil })},
		{"a chain cut short", remanifested(t, file, func(m *store.Manifest) { m.Workshops[0].Links-- })},
		{"another table's name", remanifested(t, rewritten(t, file, "tables/rework", func(b []byte) []byte { return b }), func(m *store.Manifest) { m.Schema = 6 })},
	} {
		err := restore(t, broken.file, target.OwnerURL)
		if !errors.Is(err, store.ErrBackup) && !strings.Contains(errText(err), "SQLSTATE 23") {
			t.Errorf("%s: %v", broken.name, err)
		}
		after := contents(t, target.OwnerURL)
		if broken.name != "another table's name" {
			if diff := cmp.Diff(before, after); diff != "" {
				t.Errorf("%s left something: %s", broken.name, diff)
			}
			continue
		}
		for table, rows := range after { // its tables are others, and empty
			if !strings.HasPrefix(rows, "0 ") {
				t.Errorf("%s: %s has %s", broken.name, table, rows)
			}
		}
	}
	// The same database still takes a whole one.
	packOK(t, restore(t, file, target.OwnerURL))
}

func hexSum(b []byte) string {
	sum := sha256.Sum256(b)
	return hex.EncodeToString(sum[:])
}

func errText(err error) string {
	if err == nil {
		return ""
	}
	return err.Error()
}

func zipOf(t *testing.T, parts map[string]string) []byte {
	t.Helper()
	var out bytes.Buffer
	z := zip.NewWriter(&out)
	for name, text := range parts {
		w, err := z.Create(name)
		packOK(t, err)
		_, err = io.WriteString(w, text)
		packOK(t, err)
	}
	packOK(t, z.Close())
	return out.Bytes()
}

// rewritten is a zip with one part changed; its checksums are right.
func rewritten(t *testing.T, file []byte, name string, change func([]byte) []byte) []byte {
	t.Helper()
	z, err := zip.NewReader(bytes.NewReader(file), int64(len(file)))
	packOK(t, err)
	parts := map[string]string{}
	for _, part := range z.File {
		in, err := part.Open()
		packOK(t, err)
		text, err := io.ReadAll(in)
		packOK(t, err)
		if part.Name == name {
			text = change(text)
		}
		parts[part.Name] = string(text)
	}
	return zipOf(t, parts)
}

func remanifested(t *testing.T, file []byte, change func(*store.Manifest)) []byte {
	t.Helper()
	return rewritten(t, file, "manifest.json", func(text []byte) []byte {
		var m store.Manifest
		packOK(t, json.Unmarshal(text, &m))
		change(&m)
		text, err := json.Marshal(m)
		packOK(t, err)
		return text
	})
}

func TestTheOwnersOfEveryWorkshopSeeWhenTheLastBackupWasMade(t *testing.T) {
	t.Parallel()
	ctx := t.Context()
	h := twoWorkshops(t)
	if at, err := h.LastBackup(ctx, h.owner.Workshop); err != nil || !at.IsZero() {
		t.Errorf("before any: %v, %v", at, err)
	}
	for _, at := range []time.Time{backupNoon, backupNoon.AddDate(0, 0, 1)} {
		packOK(t, store.NoteBackup(ctx, h.db.OwnerURL, at))
		shops, err := store.Workshops(ctx, h.db.OwnerURL)
		packOK(t, err)
		for _, w := range shops {
			if got, err := h.LastBackup(ctx, w.ID); err != nil || !got.Equal(at) {
				t.Errorf("%s: %v, %v; want %v", w.Code, got, err, at)
			}
		}
	}
	if list := h.broken(t); len(list) > 0 {
		t.Error(list)
	}
}
