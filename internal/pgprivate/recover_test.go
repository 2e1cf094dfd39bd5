//go:build linux

// The tests of this file look into /proc.

package pgprivate

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
)

func TestKilledPostmasterIsRestartedWithItsRows(t *testing.T) {
	t.Parallel()
	c := open(t, Config{Dir: made(t)}, Owner)
	execute(t, c.OwnerURL(), `CREATE TABLE entry (n integer)`)
	execute(t, c.OwnerURL(), `INSERT INTO entry VALUES (7)`)
	guest := open(t, Config{Dir: c.cfg.Dir}, Guest)
	url, down, guestDown := c.OwnerURL(), c.Down(), guest.Down()
	for round := 1; round <= 2; round++ {
		pid := c.folder.readPID().pid
		check(t, syscall.Kill(pid, syscall.SIGKILL))
		select {
		case <-down:
		case <-time.After(10 * time.Second):
			t.Fatal("Down was not told of the kill")
		}
		began := time.Now()
		eventually(t, "PostgreSQL is back", func() bool { return c.Running() && c.folder.readPID().pid != pid })
		t.Logf("back after %s", time.Since(began).Round(time.Millisecond))
		if got := ask(t, url, `SELECT n::text FROM entry`); got != "7" {
			t.Errorf("after the restart the row reads %q, want 7", got)
		}
		select {
		case <-c.Down():
			t.Error("Down of the new server is closed while it runs")
		default:
		}
		down = c.Down()
	}
	select {
	case <-guestDown:
	case <-time.After(10 * time.Second):
		t.Error("the guest was not told that the server it joined is gone")
	}
}

func TestKilledProgramLosesNothingCommitted(t *testing.T) {
	t.Parallel()
	dir := made(t)
	writer := startChild(t, "writer", dir)
	writer.says("ready true")
	for n := 1; n <= 50; n++ {
		writer.says("saved " + strconv.Itoa(n))
	}
	check(t, writer.cmd.Process.Signal(syscall.SIGKILL))
	saved := 50
	for writer.lines.Scan() {
		_, err := fmt.Sscanf(writer.lines.Text(), "saved %d", &saved)
		check(t, err)
	}
	began := time.Now()
	c := open(t, Config{Dir: dir}, Owner)
	t.Logf("started %s after the kill of the program", time.Since(began).Round(time.Millisecond))
	got := ask(t, c.OwnerURL(), fmt.Sprintf(`SELECT count(*)::text FROM entry WHERE n <= %d`, saved))
	if got != strconv.Itoa(saved) {
		t.Errorf("%s of the %d entries that were reported as saved are there", got, saved)
	}
}

// A backend that outlives its postmaster still has the cluster's shared memory: a second server beside it would
// ruin the folder.
func TestBackendLeftOverIsEndedBeforeANewStart(t *testing.T) {
	t.Parallel()
	dir := made(t)
	owner := startChild(t, "owner", dir)
	owner.says("ready true")
	joined := open(t, Config{Dir: dir}, Guest)
	conn := connect(t, joined.OwnerURL())
	backend := int(conn.PgConn().PID())
	postmaster := joined.folder.readPID().pid
	check(t, syscall.Kill(backend, syscall.SIGSTOP)) // so that it cannot notice anything
	check(t, owner.cmd.Process.Signal(syscall.SIGKILL))
	check(t, syscall.Kill(postmaster, syscall.SIGKILL))
	check(t, joined.Close())
	eventually(t, "only the stopped backend is left", func() bool {
		left := serversIn(filepath.Join(dir, clusterName))
		return len(left) == 1 && left[0] == backend
	})
	c := open(t, Config{Dir: dir, patience: 300 * time.Millisecond}, Owner)
	for _, pid := range serversIn(filepath.Join(dir, clusterName)) {
		if pid == backend {
			t.Errorf("backend %d is still there beside the new server", backend)
		}
	}
	if got := ask(t, c.OwnerURL(), `SELECT count(*)::text FROM entry`); got != "0" {
		t.Errorf("the new server counts %s entries, want 0", got)
	}
}

func TestStalePidFileThatNamesALivingStrangerIsNoObstacle(t *testing.T) {
	t.Parallel()
	dir := made(t)
	c := open(t, Config{Dir: dir}, Owner)
	pidPath := filepath.Join(dir, clusterName, "postmaster.pid")
	text, err := os.ReadFile(pidPath)
	check(t, err)
	lock, err := os.ReadFile(filepath.Join(dir, socketName, socketFile+".lock"))
	check(t, err)
	check(t, c.Close())
	// The pid of the test's parent: alive, and to PostgreSQL reason enough not to start.
	alive := strconv.Itoa(os.Getppid())
	old, _, _ := strings.Cut(string(text), "\n")
	check(t, os.WriteFile(pidPath, []byte(strings.Replace(string(text), old, alive, 1)), 0o600))
	check(t, os.WriteFile(filepath.Join(dir, socketName, socketFile+".lock"), []byte(strings.Replace(string(lock), old, alive, 1)), 0o600))

	c = open(t, Config{Dir: dir}, Owner)
	if !c.Running() {
		t.Error("not running")
	}
	check(t, syscall.Kill(os.Getppid(), 0)) // and the stranger was let be
}

func TestShellInTheFolderIsNoLeftover(t *testing.T) {
	t.Parallel()
	c := open(t, Config{Dir: made(t)}, Owner)
	all := serversIn(filepath.Join(c.folder.dir, clusterName))
	if len(all) < 4 {
		t.Fatalf("found %v, want the postmaster and its workers", all)
	}
	if got := serversIn(c.folder.dir); len(got) != 0 {
		t.Errorf("found %v in the data folder itself, want none", got)
	}
	for _, row := range []struct {
		name string
		want bool
	}{{"postgres", true}, {"postmaster", true}, {"bash", false}, {"psql", false}} {
		if got := isServer(row.name); got != row.want {
			t.Errorf("isServer(%q) is %t, want %t", row.name, got, row.want)
		}
	}
}

func TestCancelledStartLeavesNoServer(t *testing.T) {
	t.Parallel()
	dir := place(t)
	ctx, cancel := context.WithTimeout(t.Context(), 150*time.Millisecond)
	defer cancel()
	if _, err := Open(ctx, Config{Dir: dir, patience: 3 * time.Second}, Owner); !errors.Is(err, context.DeadlineExceeded) {
		t.Fatalf("error is %v, want the context's", err)
	}
	c := open(t, Config{Dir: dir}, Owner)
	conn, err := pgx.Connect(t.Context(), c.AppURL())
	check(t, err)
	check(t, conn.Close(t.Context()))
}
