package main

import (
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"example.org/stillroom/internal/pgprivate"
	"example.org/stillroom/internal/pgtest"
	"example.org/stillroom/internal/store"
)

func TestABackupIsOneFileThatGoesIntoAnEmptyDatabase(t *testing.T) {
	t.Parallel()
	db, _ := book(t)
	env := []string{"STILLROOM_DATABASE_URL=" + db.OwnerURL}
	dir := t.TempDir()
	file := filepath.Join(dir, "book.backup")
	got := run(t, env, "backup", file)
	wantStatus(t, "backup", got, 0)
	if !strings.HasPrefix(got.out, file+": 1 workshop with ") || got.errs != "" {
		t.Errorf("out %q, err %q", got.out, got.errs)
	}
	info, err := os.Stat(file)
	check(t, err)
	if info.Mode().Perm() != 0o600 {
		t.Errorf("mode %v: it holds people's credentials", info.Mode())
	}
	whole, err := os.ReadFile(file)
	check(t, err)

	again := run(t, env, "backup", file)
	wantStatus(t, "over a file that is there", again, 1)
	if !strings.Contains(again.errs, "--force") {
		t.Errorf("it says %q", again.errs)
	}
	if now, err := os.ReadFile(file); err != nil || string(now) != string(whole) {
		t.Errorf("the file was touched: %v", err)
	}
	wantStatus(t, "with --force", run(t, env, "backup", file, "--force"), 0)
	wantStatus(t, "to standard output", run(t, env, "backup", "-"), 2)
	wantStatus(t, "into no folder", run(t, env, "backup", filepath.Join(dir, "no", "folder")), 1)
	if list, err := os.ReadDir(dir); err != nil || len(list) != 1 {
		t.Errorf("beside the backup there is %v, %v", list, err)
	}

	// Into a private database that is made for it, while nothing runs.
	data := folder(t)
	got = run(t, nil, "restore", file, "--data", data)
	wantStatus(t, "restore", got, 0)
	if !strings.Contains(got.out, "restored: 1 workshop with ") || !strings.Contains(got.out, "main: the chain of ") {
		t.Errorf("it says %q", got.out)
	}
	list := run(t, nil, "trace", "lot", "OO-0042", "--format", "csv", "--data", data)
	wantStatus(t, "a trace in it", list, 0)
	if want := run(t, env, "trace", "lot", "OO-0042", "--format", "csv"); list.out != want.out {
		t.Errorf("the trace says %q, and of the first book %q", list.out, want.out)
	}
	got = run(t, nil, "restore", file, "--data", data)
	wantStatus(t, "restore once more", got, 1)
	if !strings.Contains(got.errs, "not empty") {
		t.Errorf("it says %q", got.errs)
	}
	broken := filepath.Join(dir, "broken.backup")
	check(t, os.WriteFile(broken, whole[:len(whole)/2], 0o600))
	fresh := folder(t)
	for _, bad := range []string{broken, filepath.Join(dir, "absent.backup")} {
		wantStatus(t, "restore "+bad, run(t, nil, "restore", bad, "--data", fresh), 1)
		if _, err := os.Stat(fresh); !os.IsNotExist(err) {
			t.Errorf("after %s the data folder is there: %v", bad, err)
		}
	}
}

func TestARestoreGoesIntoAServerThatHasJustBegun(t *testing.T) {
	t.Parallel()
	db, _ := book(t)
	file := filepath.Join(t.TempDir(), "book.backup")
	wantStatus(t, "backup", run(t, []string{"STILLROOM_DATABASE_URL=" + db.OwnerURL}, "backup", file), 0)
	data := folder(t)
	s := serve(t, nil, "--data", data)
	wantStatus(t, "restore while it serves", run(t, nil, "restore", file, "--data", data), 0)
	s.until("it is ready with the restored book", func() bool { return run(t, nil, "healthcheck", "--data", data).status == 0 })
	wantStatus(t, "verify", run(t, nil, "verify", "--data", data), 0)
	if got := s.end(syscall.SIGTERM); got != 0 {
		t.Errorf("it ended with %d", got)
	}
}

// A private database of an older program is kept in a file before it is brought up to date, and that file restores.
func TestAnOlderPrivateDatabaseIsBackedUpBeforeItIsMigrated(t *testing.T) {
	t.Parallel()
	data := folder(t)
	const older = 6
	cluster, err := pgprivate.Open(t.Context(), pgprivate.Config{Dir: data}, pgprivate.Owner)
	check(t, err)
	check(t, store.MigrateTo(t.Context(), cluster.OwnerURL(), older))
	conn, err := pgx.Connect(t.Context(), cluster.OwnerURL())
	check(t, err)
	shop := uuid.Must(uuid.NewV7())
	_, err = conn.Exec(t.Context(), `INSERT INTO workshop (id, code, name, named) VALUES ($1, 'main', 'Quillmoor Workshop', true)`, shop)
	check(t, err)
	check(t, conn.Close(t.Context()))
	t.Run("work", func(t *testing.T) { // its connection is closed with it
		h := pgtest.History(t, pgtest.DB{OwnerURL: cluster.OwnerURL()}, shop)
		h.Lot("OO-0042", h.Material("OO", "Oat oil"), 1000)
	})
	check(t, cluster.Close())

	s := serve(t, nil, "--data", data)
	file := filepath.Join(data, "before-migration-6.backup")
	if !strings.Contains(s.stderr(), file) {
		t.Errorf("it does not say where the backup is: %s", s.stderr())
	}
	s.end(syscall.SIGTERM)
	first, err := os.Stat(file)
	check(t, err)
	if got := serve(t, nil, "--data", data); strings.Contains(got.stderr(), "before-migration") {
		t.Error("with nothing to migrate it writes one again")
	}
	if now, err := os.Stat(file); err != nil || !now.ModTime().Equal(first.ModTime()) {
		t.Errorf("the backup was written again: %v", err)
	}
	other := folder(t)
	wantStatus(t, "restore of it", run(t, nil, "restore", file, "--data", other), 0)
	wantStatus(t, "a trace in it", run(t, nil, "trace", "lot", "OO-0042", "--data", other), 0)
}
