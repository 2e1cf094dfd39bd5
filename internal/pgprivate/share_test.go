//go:build unix

package pgprivate

import (
	"os"
	"strconv"
	"sync"
	"testing"
	"time"
)

func TestGuestOfAnotherProcessKeepsTheServerUntilItIsDone(t *testing.T) {
	t.Parallel()
	c := open(t, Config{Dir: made(t)}, Owner)
	guest := startChild(t, "guest", c.cfg.Dir)
	guest.says("ready false")

	closed := make(chan error, 1)
	go func() { closed <- c.Close() }()
	select {
	case err := <-closed:
		t.Fatalf("the owner closed (%v) while a guest was at work", err)
	case <-time.After(400 * time.Millisecond):
	}
	_, err := guest.stdin.Write([]byte("go on\n"))
	check(t, err)
	guest.says("count 0")
	check(t, guest.stdin.Close())
	check(t, guest.cmd.Wait())
	select {
	case err := <-closed:
		check(t, err)
	case <-time.After(10 * time.Second):
		t.Fatal("the owner did not close after its guest had left")
	}
}

func TestGuestStartsTheServerForItselfWhereNoneRuns(t *testing.T) {
	t.Parallel()
	dir := place(t)
	c := open(t, Config{Dir: dir}, Guest)
	if !c.Owns() {
		t.Fatal("the guest joined a server, and none ran")
	}
	second := open(t, Config{Dir: dir}, Guest)
	if second.Owns() || !second.Running() {
		t.Errorf("second guest: Owns %t, Running %t, want it joined", second.Owns(), second.Running())
	}
	check(t, second.Close())
	check(t, c.Close())
	check(t, c.Close()) // the same again is no fault
}

func TestOwnerWaitsForTheFolderAndIsNeverAGuest(t *testing.T) {
	t.Parallel()
	c := open(t, Config{Dir: made(t)}, Owner)
	began := time.Now()
	_, err := tryOpen(t, Config{Dir: c.cfg.Dir, LockWait: 300 * time.Millisecond}, Owner)
	wantRefusal(t, err, ErrInUse, c.folder.dir, "process "+strconv.Itoa(os.Getpid()))
	if waited := time.Since(began); waited < 300*time.Millisecond || waited > 5*time.Second {
		t.Errorf("waited %s, want about 300 ms", waited)
	}
	second := make(chan *Cluster, 1)
	go func() {
		next, err := Open(t.Context(), Config{Dir: c.cfg.Dir, LockWait: 20 * time.Second}, Owner)
		if err != nil {
			t.Error(err)
		}
		second <- next
	}()
	time.Sleep(100 * time.Millisecond)
	check(t, c.Close())
	next := <-second
	if next == nil {
		t.Fatal("the second owner did not get the folder that the first let go")
	}
	if !next.Owns() || !next.Running() {
		t.Errorf("second owner: Owns %t, Running %t, want both", next.Owns(), next.Running())
	}
	check(t, next.Close())
}

// Several commands begin at once on an empty folder, and end at different times: one starts the server, and all get
// their answer.
func TestGuestsThatRaceForAnEmptyFolder(t *testing.T) {
	t.Parallel()
	dir := place(t)
	var all sync.WaitGroup
	for range 6 {
		all.Go(func() {
			c, err := Open(t.Context(), Config{Dir: dir, LockWait: 30 * time.Second}, Guest)
			if err != nil {
				t.Error(err)
				return
			}
			if got := ask(t, c.AppURL(), `SELECT 'here'`); got != "here" {
				t.Errorf("the server said %q", got)
			}
			if err := c.Close(); err != nil {
				t.Error(err)
			}
		})
	}
	all.Wait()
}
