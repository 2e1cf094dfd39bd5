//go:build unix

package pgprivate

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
)

// The test program is also the other process that many claims here need: see childMain.
const (
	childRole = "STILLROOM_PGPRIVATE_CHILD"
	childDir  = "STILLROOM_PGPRIVATE_DIR"
)

func TestMain(m *testing.M) {
	if role := os.Getenv(childRole); role != "" {
		if err := childMain(role, os.Getenv(childDir)); err != nil {
			fmt.Println("error", err)
			os.Exit(1)
		}
		os.Exit(0)
	}
	code := m.Run()
	if firstPlace != "" {
		_ = os.RemoveAll(filepath.Dir(firstPlace))
	}
	os.Exit(code)
}

// childMain opens the folder and says "ready", then goes on until its standard input ends. A writer saves numbers from 1
// on and says each once it is committed; another answers each line with the count of entries.
func childMain(role, dir string) error {
	ctx := context.Background()
	mode := Owner
	if role == "guest" {
		mode = Guest
	}
	c, err := Open(ctx, Config{Dir: dir, LockWait: 20 * time.Second, patience: 3 * time.Second}, mode)
	if err != nil {
		return err
	}
	conn, err := pgx.Connect(ctx, c.OwnerURL())
	if err != nil {
		return err
	}
	if _, err := conn.Exec(ctx, `CREATE TABLE IF NOT EXISTS entry (n integer PRIMARY KEY)`); err != nil {
		return err
	}
	fmt.Println("ready", c.Owns())
	if role == "writer" {
		for n := 1; ; n++ {
			if _, err := conn.Exec(ctx, `INSERT INTO entry VALUES ($1)`, n); err != nil {
				return err
			}
			fmt.Println("saved", n)
		}
	}
	for lines := bufio.NewScanner(os.Stdin); lines.Scan(); {
		var count int
		if err := conn.QueryRow(ctx, `SELECT count(*) FROM entry`).Scan(&count); err != nil {
			return err
		}
		fmt.Println("count", count)
	}
	return errors.Join(conn.Close(ctx), c.Close())
}

// child is a running childMain.
type child struct {
	t     *testing.T
	cmd   *exec.Cmd
	stdin io.WriteCloser
	lines *bufio.Scanner
}

func startChild(t *testing.T, role, dir string) *child {
	t.Helper()
	cmd := exec.Command(os.Args[0])
	cmd.Env = append(os.Environ(), childRole+"="+role, childDir+"="+dir)
	cmd.Stderr = os.Stderr
	stdin, err := cmd.StdinPipe()
	check(t, err)
	stdout, err := cmd.StdoutPipe()
	check(t, err)
	check(t, cmd.Start())
	t.Cleanup(func() {
		_ = cmd.Process.Kill()
		_ = cmd.Wait()
	})
	return &child{t: t, cmd: cmd, stdin: stdin, lines: bufio.NewScanner(stdout)}
}

// says waits for the next line and fails the test where it is another.
func (c *child) says(want string) {
	c.t.Helper()
	if !c.lines.Scan() || c.lines.Text() != want {
		c.t.Fatalf("the other process said %q, want %q", c.lines.Text(), want)
	}
}

// place is a data folder that does not exist yet.
func place(t *testing.T) string {
	t.Helper()
	dir, err := newPlace()
	check(t, err)
	t.Cleanup(func() { check(t, os.RemoveAll(filepath.Dir(dir))) })
	return dir
}

// newPlace is in memory where there is a place for it, and reachable for the user that root drops to (t.TempDir is not).
func newPlace() (string, error) {
	base := ""
	if st, err := os.Stat("/dev/shm"); err == nil && st.IsDir() {
		base = "/dev/shm"
	}
	dir, err := os.MkdirTemp(base, "stillroom-pgprivate-")
	if err != nil {
		return "", err
	}
	return filepath.Join(dir, "data"), os.Chmod(dir, 0o755)
}

// firstPlace is a folder in which firstMade made a cluster and closed it, once for this program.
var firstPlace string

var firstMade = sync.OnceValue(func() (err error) {
	if firstPlace, err = newPlace(); err != nil {
		return err
	}
	c, err := Open(context.Background(), Config{Dir: firstPlace}, Owner)
	if err != nil {
		return err
	}
	return c.Close()
})

// made is a data folder with a cluster that was used before: a copy, since to make one takes longer than most of what is
// tried on it.
func made(t *testing.T) string {
	t.Helper()
	check(t, firstMade())
	dir := place(t)
	out, err := exec.CommandContext(t.Context(), "cp", "-a", firstPlace, dir).CombinedOutput()
	if err != nil {
		t.Fatalf("copying a cluster: %v %s", err, out)
	}
	return dir
}

func open(t *testing.T, cfg Config, mode Mode) *Cluster {
	t.Helper()
	c, err := tryOpen(t, cfg, mode)
	check(t, err)
	return c
}

func tryOpen(t *testing.T, cfg Config, mode Mode) (*Cluster, error) {
	t.Helper()
	if cfg.patience == 0 {
		cfg.patience = 3 * time.Second
	}
	if cfg.LockWait == 0 {
		cfg.LockWait = 20 * time.Second
	}
	c, err := Open(t.Context(), cfg, mode)
	if err == nil {
		t.Cleanup(func() { check(t, c.Close()) })
	}
	return c, err
}

func connect(t *testing.T, url string) *pgx.Conn {
	t.Helper()
	conn, err := pgx.Connect(t.Context(), url)
	check(t, err)
	t.Cleanup(func() { _ = conn.Close(context.Background()) })
	return conn
}

// execute runs one statement on a connection of its own.
func execute(t *testing.T, url, sql string) {
	t.Helper()
	conn := connect(t, url)
	_, err := conn.Exec(t.Context(), sql)
	check(t, err)
	check(t, conn.Close(t.Context()))
}

// ask gives the one text value of a query, on a connection of its own.
func ask(t *testing.T, url, sql string) string {
	t.Helper()
	conn := connect(t, url)
	var v string
	check(t, conn.QueryRow(t.Context(), sql).Scan(&v))
	check(t, conn.Close(t.Context()))
	return v
}

// wantRefusal fails unless err is of that kind and holds each of the words.
func wantRefusal(t *testing.T, err, kind error, words ...string) {
	t.Helper()
	if !errors.Is(err, kind) {
		t.Fatalf("error is %v, want one of the kind %v", err, kind)
	}
	for _, w := range words {
		if !strings.Contains(err.Error(), w) {
			t.Errorf("error does not say %q: %v", w, err)
		}
	}
}

func eventually(t *testing.T, what string, holds func() bool) {
	t.Helper()
	for deadline := time.Now().Add(20 * time.Second); !holds(); time.Sleep(10 * time.Millisecond) {
		if time.Now().After(deadline) {
			t.Fatalf("not within 20 s: %s", what)
		}
	}
}

func check(t testing.TB, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}
