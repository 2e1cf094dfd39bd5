//go:build unix

package pgprivate

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"path/filepath"
	"slices"
	"syscall"
	"time"
)

// endLeftovers ends every server process left over in the folder and only then removes what would keep a new one
// from starting. Runs with the owner's lock held, so that none of them can belong to a living stillroom. The pid
// file is never removed by itself: it is what keeps two servers off one cluster.
func (c *Cluster) endLeftovers(ctx context.Context) error {
	for _, name := range []string{clusterName, newName} {
		if err := c.endServersIn(ctx, filepath.Join(c.folder.dir, name)); err != nil {
			return err
		}
	}
	stale := c.folder.readPID()
	names := []string{socketName + "/" + socketFile + ".lock", socketName + "/" + socketFile}
	if linux { // elsewhere backends may be left that we cannot see, and PostgreSQL judges the file itself
		names = append(names, clusterName+"/postmaster.pid")
	}
	for _, name := range names {
		if err := c.folder.root.Remove(name); err != nil && !errors.Is(err, fs.ErrNotExist) {
			return fmt.Errorf("remove stale %s: %w", name, err)
		}
	}
	c.folder.removeShortSocketFolder(stale.socket, c.socket)
	if err := c.folder.root.RemoveAll(newName); err != nil {
		return fmt.Errorf("remove half-made %s: %w", newName, err)
	}
	return nil
}

// endServersIn asks first, and harder after each wait. A backend whose postmaster is gone is asked by SIGTERM,
// since SIGINT only cancels its statement; SIGKILL alone reaches one that is stopped.
func (c *Cluster) endServersIn(ctx context.Context, dir string) error {
	pids := serversIn(dir)
	if len(pids) == 0 {
		return nil
	}
	c.log.Warn("ending PostgreSQL processes left over", "dir", dir, "pids", pids)
	postmaster := c.folder.readPID().pid
	steps := []func(pid int) syscall.Signal{
		func(pid int) syscall.Signal {
			switch {
			case pid == postmaster:
				return syscall.SIGINT
			case slices.Contains(pids, postmaster):
				return 0 // the postmaster ends its own
			}
			return syscall.SIGTERM
		},
		func(int) syscall.Signal { return syscall.SIGQUIT },
		func(int) syscall.Signal { return syscall.SIGKILL },
	}
	for _, signal := range steps {
		for _, pid := range pids {
			if s := signal(pid); s != 0 {
				_ = syscall.Kill(pid, s) // gone already is what we want; refused shows as still there
			}
		}
		for deadline := time.Now().Add(c.cfg.patience); time.Now().Before(deadline); {
			if pids = serversIn(dir); len(pids) == 0 {
				return nil
			}
			select {
			case <-ctx.Done():
				return ctx.Err()
			case <-time.After(10 * time.Millisecond):
			}
		}
	}
	return &refusal{ErrInUse, fmt.Sprintf("PostgreSQL processes %v still work in %s and could not be ended", pids, dir)}
}
