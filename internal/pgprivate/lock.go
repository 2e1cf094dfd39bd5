//go:build unix

package pgprivate

import (
	"context"
	"errors"
	"fmt"
	"os"
	"strconv"
	"strings"
	"time"

	"golang.org/x/sys/unix"
)

const (
	ownerLockName = "pg.lock"
	guestLockName = "pg.guests.lock"
	lockPoll      = 20 * time.Millisecond
)

// lockFile is an flock on a file that is never removed: two processes must always meet on the same inode.
type lockFile struct{ f *os.File }

// try takes the lock if it is free. how is unix.LOCK_EX or unix.LOCK_SH.
func (l *lockFile) try(how int) (bool, error) {
	for {
		err := unix.Flock(int(l.f.Fd()), how|unix.LOCK_NB)
		switch {
		case err == nil:
			return true, nil
		case errors.Is(err, unix.EINTR):
		case errors.Is(err, unix.EWOULDBLOCK):
			return false, nil
		default:
			return false, fmt.Errorf("lock %s: %w", l.f.Name(), err)
		}
	}
}

func (l *lockFile) close() {
	if l != nil {
		l.f.Close()
	}
}

// enter takes the owner's lock, or for a guest joins the server of whoever holds it. On success exactly one
// of c.ownLock and c.guestLock is held.
func (c *Cluster) enter(ctx context.Context, mode Mode) error {
	own, err := c.folder.openLock(ownerLockName)
	if err != nil {
		return err
	}
	guest, err := c.folder.openLock(guestLockName)
	if err != nil {
		own.close()
		return err
	}
	joined, err := c.await(ctx, mode, own, guest)
	switch {
	case err != nil:
		own.close()
		guest.close()
		return err
	case joined:
		own.close()
		c.guestLock = guest
	default:
		guest.close()
		c.ownLock = own
		// For the words of ErrInUse only; who holds the lock is decided by the kernel.
		if own.f.Truncate(0) == nil {
			_, _ = own.f.WriteAt([]byte(strconv.Itoa(os.Getpid())+"\n"), 0)
		}
	}
	return nil
}

func (c *Cluster) await(ctx context.Context, mode Mode, own, guest *lockFile) (joined bool, err error) {
	deadline := time.Now().Add(c.cfg.LockWait)
	said := false
	for {
		if got, err := own.try(unix.LOCK_EX); got || err != nil {
			return false, err
		}
		if mode == Guest {
			if joined, err := c.tryJoin(guest); joined || err != nil {
				return joined, err
			}
		}
		if time.Now().After(deadline) {
			return false, &refusal{ErrInUse, fmt.Sprintf(
				"the data folder %s is in use by another stillroom%s; waited %s for it", c.folder.dir, holder(own), c.cfg.LockWait)}
		}
		if !said && mode == Owner {
			c.log.Info("waiting for the data folder", "dir", c.folder.dir, "held_by", strings.TrimSpace(holder(own)))
			said = true
		}
		select {
		case <-ctx.Done():
			return false, ctx.Err()
		case <-time.After(lockPoll):
		}
	}
}

// tryJoin joins the server that runs under another process's owner lock. The shared lock comes first: with it
// held, an owner that was about to end its server waits; an owner that is ending it holds the lock alone.
func (c *Cluster) tryJoin(guest *lockFile) (bool, error) {
	got, err := guest.try(unix.LOCK_SH)
	if !got || err != nil {
		return false, err
	}
	if p := c.folder.readPID(); p.ready && answers(p.socket) {
		c.socket = p.socket
		return true, nil
	}
	return false, unix.Flock(int(guest.f.Fd()), unix.LOCK_UN)
}

// waitForGuests returns with the guests' lock held alone, so that no one joins a server that is being ended.
func (c *Cluster) waitForGuests() {
	l, err := c.folder.openLock(guestLockName)
	if err != nil {
		c.log.Error("guests' lock", "err", err)
		return
	}
	c.guestLock = l
	for said := false; ; said = true {
		got, err := l.try(unix.LOCK_EX)
		if err != nil {
			c.log.Error("guests' lock", "err", err)
		}
		if got || err != nil {
			return
		}
		if !said {
			c.log.Info("waiting for other commands that use the database", "dir", c.folder.dir)
		}
		time.Sleep(lockPoll)
	}
}

func holder(l *lockFile) string {
	b := make([]byte, 20)
	n, _ := l.f.ReadAt(b, 0)
	pid, err := strconv.Atoi(strings.TrimSpace(string(b[:n])))
	if err != nil {
		return ""
	}
	return fmt.Sprintf(" (process %d)", pid)
}
