//go:build unix

package pgprivate

import (
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
)

func TestFirstStartMakesRolesAndDatabaseAndWarmStartKeepsRows(t *testing.T) {
	t.Parallel()
	dir := place(t)
	began := time.Now()
	c := open(t, Config{Dir: dir}, Owner)
	t.Logf("first start %s", time.Since(began).Round(time.Millisecond))
	if !c.Running() || !c.Owns() {
		t.Errorf("Running %t, Owns %t, want both", c.Running(), c.Owns())
	}
	for _, row := range []struct{ claim, sql, want string }{
		{"the owner owns the database", `SELECT pg_get_userbyid(datdba)::text FROM pg_database WHERE datname = 'stillroom'`, "stillroom_owner"},
		{"the owner is no superuser", `SELECT (rolsuper OR rolbypassrls)::text FROM pg_roles WHERE rolname = 'stillroom_owner'`, "false"},
		{"the serving role has no rights of its own", `SELECT (rolsuper OR rolbypassrls OR rolcreaterole OR rolcreatedb)::text FROM pg_roles WHERE rolname = 'stillroom_app'`, "false"},
		{"the serving role is no member of another", `SELECT count(*)::text FROM pg_auth_members WHERE member = 'stillroom_app'::regrole`, "0"},
		{"text is UTF-8", `SHOW server_encoding`, "UTF8"},
		{"text sorts by bytes", `SELECT datcollate FROM pg_database WHERE datname = 'stillroom'`, "C.UTF-8"},
		{"pages have checksums", `SHOW data_checksums`, "on"},
		{"writes are flushed", `SHOW fsync`, "on"},
		{"no network address is listened on", `SHOW listen_addresses`, ""},
		{"the server keeps UTC", `SHOW timezone`, "UTC"},
	} {
		if got := ask(t, c.OwnerURL(), row.sql); got != row.want {
			t.Errorf("%s: %s gave %q, want %q", row.claim, row.sql, got, row.want)
		}
	}
	if got := ask(t, c.AppURL(), `SELECT current_user::text`); got != AppRole {
		t.Errorf("the application URL connects as %q, want %q", got, AppRole)
	}
	execute(t, c.OwnerURL(), `CREATE TABLE entry (n integer)`)
	execute(t, c.OwnerURL(), `INSERT INTO entry VALUES (7)`)
	check(t, c.Close())
	if c.Running() {
		t.Error("still running after Close")
	}

	began = time.Now()
	c = open(t, Config{Dir: dir}, Owner)
	t.Logf("warm start %s", time.Since(began).Round(time.Millisecond))
	if got := ask(t, c.OwnerURL(), `SELECT n::text FROM entry`); got != "7" {
		t.Errorf("after a warm start the row reads %q, want 7", got)
	}
}

func TestFolderIsForItsUserAlone(t *testing.T) {
	t.Parallel()
	c := open(t, Config{Dir: place(t)}, Owner)
	for _, name := range []string{"", clusterName, socketName, ownerLockName, guestLockName, logName} {
		st, err := os.Stat(filepath.Join(c.folder.dir, name))
		check(t, err)
		if st.Mode().Perm()&0o077 != 0 {
			t.Errorf("%q has mode %v, want nothing for group and others", name, st.Mode())
		}
	}
}

func TestPathsThatNeedCare(t *testing.T) {
	t.Parallel()
	for _, row := range []struct {
		name, under string
		short       bool
	}{
		{"space, quotes, percent, plus, accent", `a b'c"d%20e+f é`, false},
		{"comma, which separates hosts in a URL", "soap, bath", true},
		{"longer than a socket address", strings.Repeat("long-name-", 12), true},
	} {
		t.Run(row.name, func(t *testing.T) {
			t.Parallel()
			c := open(t, Config{Dir: filepath.Join(place(t), row.under)}, Owner)
			if outside := !strings.HasPrefix(c.socket, c.folder.dir); outside != row.short {
				t.Errorf("socket is in %s, want it outside the data folder: %t", c.socket, row.short)
			}
			if got := ask(t, c.AppURL(), `SELECT 'here'`); got != "here" {
				t.Errorf("the server said %q", got)
			}
			guest := open(t, Config{Dir: c.cfg.Dir}, Guest)
			if diff := cmp.Diff(c.OwnerURL(), guest.OwnerURL()); diff != "" {
				t.Errorf("guest's URL differs from the owner's: %s", diff)
			}
			st, err := os.Stat(c.socket)
			check(t, err)
			if st.Mode().Perm() != 0o700 {
				t.Errorf("socket folder has mode %v, want 0700", st.Mode())
			}
			check(t, guest.Close())
			check(t, c.Close())
			if _, err := os.Stat(c.socket); row.short && !errors.Is(err, fs.ErrNotExist) {
				t.Errorf("short socket folder %s is still there: %v", c.socket, err)
			}
		})
	}
}

func TestHalfMadeClusterOfACrashIsReplaced(t *testing.T) {
	t.Parallel()
	dir := place(t)
	check(t, os.MkdirAll(filepath.Join(dir, newName, "base"), 0o755))
	check(t, os.Chmod(dir, 0o755))
	check(t, os.WriteFile(filepath.Join(dir, newName, "PG_VERSION"), []byte("15\n"), 0o600))
	c := open(t, Config{Dir: dir}, Owner)
	if got := ask(t, c.AppURL(), `SELECT current_database()::text`); got != Database {
		t.Errorf("connected to %q", got)
	}
	if _, err := os.Stat(filepath.Join(dir, newName)); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("the half-made cluster is still there: %v", err)
	}
}

func TestLogIsSetAsideOnceItIsLong(t *testing.T) {
	t.Parallel()
	dir := made(t)
	c := open(t, Config{Dir: dir}, Owner)
	l, err := c.folder.openServerLog()
	check(t, err)
	defer l.close()
	before, err := os.ReadFile(filepath.Join(dir, logName))
	check(t, err)
	check(t, l.setAside(int64(len(before))))
	if _, err := os.Stat(filepath.Join(dir, logName+".1")); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("set aside at its limit, not over it: %v", err)
	}
	check(t, l.setAside(1))
	aside, err := os.ReadFile(filepath.Join(dir, logName+".1"))
	check(t, err)
	if !strings.HasPrefix(string(aside), string(before)) || len(before) == 0 {
		t.Errorf("set aside %d bytes that do not begin with the %d that were there", len(aside), len(before))
	}
	eventually(t, "the running server goes on in the emptied log", func() bool {
		execute(t, c.OwnerURL(), `DO $$ BEGIN RAISE LOG 'a line after'; END $$`)
		now, err := os.ReadFile(filepath.Join(dir, logName))
		check(t, err)
		return strings.Contains(string(now), "a line after") && !strings.Contains(string(now), "\x00")
	})
}
