//go:build linux

// The tests of this file look into /proc.

package pgprivate

import (
	"crypto/sha256"
	"fmt"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// tree is every file of a folder with its mode, times of change and hash.
func tree(t *testing.T, dir string) map[string]string {
	t.Helper()
	got := map[string]string{}
	check(t, filepath.WalkDir(dir, func(path string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		st, err := d.Info()
		if err != nil {
			return err
		}
		sum := ""
		if st.Mode().IsRegular() {
			text, err := os.ReadFile(path)
			if err != nil {
				return err
			}
			sum = fmt.Sprintf("%x", sha256.Sum256(text))
		}
		got[path] = fmt.Sprint(st.Mode(), st.ModTime().UnixNano(), st.Sys().(*syscall.Stat_t).Uid, sum)
		return nil
	}))
	return got
}

func TestAnotherMajorIsRefusedAndItsFolderUntouched(t *testing.T) {
	t.Parallel()
	for _, row := range []struct {
		name, version, says string
		kind                error
		locks               bool
	}{
		{"made by an older one", "9\n", "made by PostgreSQL 9", ErrMajor, true},
		{"made by a newer one", "99\n", "made by PostgreSQL 99", ErrMajor, true},
		{"never used by stillroom here", "9\n", "made by PostgreSQL 9", ErrMajor, false},
		{"a version that no one knows", "fifteen\n", "fifteen", ErrFolder, true},
	} {
		t.Run(row.name, func(t *testing.T) {
			t.Parallel()
			dir := made(t)
			check(t, open(t, Config{Dir: dir}, Owner).Close())
			check(t, os.WriteFile(filepath.Join(dir, clusterName, "PG_VERSION"), []byte(row.version), 0o600))
			if !row.locks {
				check(t, os.Remove(filepath.Join(dir, ownerLockName)))
				check(t, os.Remove(filepath.Join(dir, guestLockName)))
			}
			before := tree(t, dir)
			for _, mode := range []Mode{Owner, Guest} {
				_, err := tryOpen(t, Config{Dir: dir}, mode)
				wantRefusal(t, err, row.kind, row.says, dir)
			}
			if diff := cmp.Diff(before, tree(t, dir)); diff != "" {
				t.Errorf("the folder was touched: %s", diff)
			}
		})
	}
}

func TestFolderThatIsNotOursIsLeftAsItIs(t *testing.T) {
	t.Parallel()
	for _, row := range []struct{ name, file, says string }{
		{"a cluster of someone else's", "PG_VERSION", "is itself a PostgreSQL cluster"},
		{"files but no cluster where ours would be", clusterName + "/letter.txt", "PG_VERSION is missing"},
	} {
		t.Run(row.name, func(t *testing.T) {
			t.Parallel()
			dir := place(t)
			check(t, os.MkdirAll(filepath.Dir(filepath.Join(dir, row.file)), 0o755))
			check(t, os.WriteFile(filepath.Join(dir, row.file), []byte("15\n"), 0o644))
			before := tree(t, dir)
			_, err := tryOpen(t, Config{Dir: dir}, Owner)
			wantRefusal(t, err, ErrFolder, row.says, dir)
			if diff := cmp.Diff(before, tree(t, dir)); diff != "" {
				t.Errorf("the folder was touched: %s", diff)
			}
		})
	}
}

func TestClusterThatCouldLoseWhatItAcknowledgedIsRefused(t *testing.T) {
	t.Parallel()
	for _, row := range []struct {
		name string
		harm func(t *testing.T, c *Cluster)
		says string
	}{
		{"fsync off in postgresql.conf", appendTo("postgresql.conf", "fsync = off"), "fsync is turned off in"},
		{"fsync off by ALTER SYSTEM", appendTo("postgresql.auto.conf", "fsync = 'no'"), "postgresql.auto.conf"},
		{"full_page_writes off", appendTo("postgresql.conf", "full_page_writes=0"), "full_page_writes is turned off"},
		{"synchronous_commit off", appendTo("postgresql.conf", "synchronous_commit = off"), "synchronous_commit is turned off"},
		{"checksums off", func(t *testing.T, c *Cluster) {
			cmd := exec.CommandContext(t.Context(), c.bin.Path("pg_checksums"), "--disable", "-D", filepath.Join(c.folder.dir, clusterName))
			cmd.Dir, cmd.SysProcAttr = "/", &syscall.SysProcAttr{Credential: c.folder.acct.credential()}
			out, err := cmd.CombinedOutput()
			t.Logf("%s", out)
			check(t, err)
		}, "pg_checksums --enable"},
	} {
		t.Run(row.name, func(t *testing.T) {
			t.Parallel()
			dir := made(t)
			c := open(t, Config{Dir: dir}, Owner)
			check(t, c.Close())
			row.harm(t, c)
			_, err := tryOpen(t, Config{Dir: dir}, Owner)
			wantRefusal(t, err, ErrUnsafe, row.says)
			if left := serversIn(filepath.Join(dir, clusterName)); len(left) != 0 {
				t.Errorf("processes %v still run after the refusal", left)
			}
		})
	}
}

func appendTo(name, line string) func(*testing.T, *Cluster) {
	return func(t *testing.T, c *Cluster) {
		f, err := os.OpenFile(filepath.Join(c.folder.dir, clusterName, name), os.O_APPEND|os.O_WRONLY, 0)
		check(t, err)
		_, err = f.WriteString(line + "\n")
		check(t, err)
		check(t, f.Close())
	}
}

func TestSettingThatPostgreSQLCannotReadIsToldInItsWords(t *testing.T) {
	t.Parallel()
	dir := made(t)
	c := open(t, Config{Dir: dir}, Owner)
	check(t, c.Close())
	appendTo("postgresql.conf", "work_mem = lots")(t, c)
	_, err := tryOpen(t, Config{Dir: dir}, Owner)
	if err == nil || !strings.Contains(err.Error(), "work_mem") {
		t.Errorf("error is %v, want one that names work_mem", err)
	}
}

func TestFolderOnTheWayThatBlocksIsNamed(t *testing.T) {
	t.Parallel()
	dir := place(t)
	shut := filepath.Join(dir, "shut")
	check(t, os.MkdirAll(shut, 0o755))
	check(t, os.Chmod(shut, 0))
	t.Cleanup(func() { check(t, os.Chmod(shut, 0o700)) })
	_, err := tryOpen(t, Config{Dir: filepath.Join(shut, "data")}, Owner)
	wantRefusal(t, err, ErrFolder, "may not pass through "+shut+",")
}

func TestNoNetworkPortIsOpen(t *testing.T) {
	t.Parallel()
	c := open(t, Config{Dir: made(t)}, Owner)
	sockets := map[string]bool{}
	for _, pid := range serversIn(filepath.Join(c.folder.dir, clusterName)) {
		fds, err := filepath.Glob(fmt.Sprintf("/proc/%d/fd/*", pid))
		check(t, err)
		for _, fd := range fds {
			if to, err := os.Readlink(fd); err == nil && strings.HasPrefix(to, "socket:[") {
				sockets[strings.Trim(strings.TrimPrefix(to, "socket:"), "[]")] = true
			}
		}
	}
	if len(sockets) == 0 {
		t.Fatal("no sockets seen at all, not even the unix one: the test looks in the wrong place")
	}
	const listening = "0A"
	for _, table := range []string{"/proc/net/tcp", "/proc/net/tcp6"} {
		text, err := os.ReadFile(table)
		if err != nil {
			continue // a kernel without IPv6
		}
		for line := range strings.Lines(string(text)) {
			if f := strings.Fields(line); len(f) > 9 && f[3] == listening && sockets[f[9]] {
				t.Errorf("listens on the network (%s): %s", table, line)
			}
		}
	}
}

func TestThrowawayNeverOpensAClusterThatIsThere(t *testing.T) {
	t.Parallel()
	dir := made(t)
	check(t, open(t, Config{Dir: dir}, Owner).Close())
	_, err := OpenThrowaway(t.Context(), Config{Dir: dir})
	wantRefusal(t, err, ErrFolder, "already holds a cluster")
}
