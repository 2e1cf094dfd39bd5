package pgtest

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"syscall"
	"time"

	"golang.org/x/sys/unix"

	"example.org/stillroom/internal/pgprivate"
)

const (
	dataName = "data"
	runLock  = "run.lock"
	// roomNeeded is what a template, some dozen test databases and the log may take.
	roomNeeded = 1 << 30
)

// Start starts a throwaway cluster, for cmd/check to name in STILLROOM_TEST_CLUSTER. url is a superuser's on its
// maintenance database. stop ends and removes it; without stop it ends with this process, and the next Start removes
// what is left.
func Start() (stop func(), url string, err error) {
	ctx, cancel := context.WithTimeout(context.Background(), patience)
	defer cancel()
	dir, lock, err := claim(ctx)
	if err != nil {
		return nil, "", err
	}
	remove := func() {
		_ = os.RemoveAll(dir) // what stays is removed by the next start
		lock.Close()
	}
	c, err := pgprivate.OpenThrowaway(ctx, pgprivate.Config{Dir: filepath.Join(dir, dataName)})
	if err != nil {
		remove()
		return nil, "", err
	}
	return func() {
		_ = c.Close()
		remove()
	}, c.SuperuserURL(), nil
}

// claim makes a folder for a cluster, with a lock on it that lasts as long as this process, and removes the folders of
// processes that are gone. Both happen under one lock, so that no one removes a folder before its lock is taken.
func claim(ctx context.Context) (dir string, lock *os.File, err error) {
	base, err := basePlace()
	if err != nil {
		return "", nil, err
	}
	all, err := os.OpenFile(filepath.Join(base, "all.lock"), os.O_RDWR|os.O_CREATE, 0o600)
	if err != nil {
		return "", nil, err
	}
	defer all.Close()
	if err := flock(all, unix.LOCK_EX); err != nil {
		return "", nil, err
	}
	removeAbandoned(ctx, base)
	if dir, err = os.MkdirTemp(base, "c"); err != nil {
		return "", nil, err
	}
	if err := os.Chmod(dir, 0o711); err != nil { // the user that root drops to must pass through
		return "", nil, err
	}
	lock, err = os.OpenFile(filepath.Join(dir, runLock), os.O_RDWR|os.O_CREATE, 0o600)
	if err != nil {
		return "", nil, err
	}
	if err := flock(lock, unix.LOCK_EX|unix.LOCK_NB); err != nil {
		lock.Close()
		return "", nil, err
	}
	return dir, lock, nil
}

// removeAbandoned goes on past what it cannot remove: it is tried again at the next start.
func removeAbandoned(ctx context.Context, base string) {
	entries, _ := os.ReadDir(base)
	for _, e := range entries {
		if !e.IsDir() {
			continue
		}
		dir := filepath.Join(base, e.Name())
		lock, err := os.OpenFile(filepath.Join(dir, runLock), os.O_RDWR|os.O_CREATE, 0o600)
		if err != nil {
			continue
		}
		if flock(lock, unix.LOCK_EX|unix.LOCK_NB) == nil {
			cfg := pgprivate.Config{Dir: filepath.Join(dir, dataName), LockWait: time.Second}
			if pgprivate.RemoveThrowaway(ctx, cfg) == nil {
				_ = os.RemoveAll(dir)
			}
		}
		lock.Close()
	}
}

// basePlace is a folder of this user's in memory where that has room, else in the temporary folder.
func basePlace() (string, error) {
	parent := os.TempDir()
	var room unix.Statfs_t
	if err := unix.Statfs("/dev/shm", &room); err == nil && room.Bavail*uint64(room.Bsize) >= roomNeeded {
		parent = "/dev/shm"
	}
	base := filepath.Join(parent, "stillroom-tests-"+strconv.Itoa(os.Geteuid()))
	if err := os.Mkdir(base, 0o711); err != nil && !errors.Is(err, os.ErrExist) {
		return "", err
	}
	st, err := os.Lstat(base)
	if err != nil {
		return "", err
	}
	if sys, ok := st.Sys().(*syscall.Stat_t); !st.IsDir() || !ok || int(sys.Uid) != os.Geteuid() {
		return "", fmt.Errorf("%s is not a folder of this user's", base)
	}
	return base, nil
}

func flock(f *os.File, how int) error {
	for {
		if err := unix.Flock(int(f.Fd()), how); !errors.Is(err, unix.EINTR) {
			return err
		}
	}
}
