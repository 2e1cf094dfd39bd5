//go:build unix

package pgprivate

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strconv"
	"strings"
)

const (
	clusterName = "pg"
	newName     = "pg.new" // initdb's folder until it is complete
	socketName  = "socket"
	logName     = "postgresql.log"
)

// folder is the data folder. Everything this program itself writes goes through root: as the superuser it works
// in a folder that belongs to someone else, and must not be led out of it by a symbolic link.
type folder struct {
	dir  string // absolute, links resolved
	root *os.Root
	acct account // who runs PostgreSQL
}

// openFolder looks only; prepare makes and writes.
func openFolder(dir string) (*folder, error) {
	if dir == "" {
		return nil, &refusal{ErrFolder, "no data folder is named"}
	}
	abs, err := filepath.Abs(dir)
	if err != nil {
		return nil, err
	}
	f := &folder{dir: abs}
	if err := f.open(); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return nil, err
	}
	return f, nil
}

func (f *folder) open() error {
	dir, err := filepath.EvalSymlinks(f.dir)
	if err != nil {
		return f.explain(err)
	}
	f.dir = dir
	if f.root, err = os.OpenRoot(dir); err != nil {
		return f.explain(err)
	}
	if _, err := f.root.Stat("PG_VERSION"); err == nil {
		return &refusal{ErrFolder, dir + " is itself a PostgreSQL cluster; name a folder of Stillroom's own, in which it keeps its cluster as " + clusterName}
	}
	return nil
}

// explain says in words why the folder cannot be entered, and leaves "does not exist" to be made.
func (f *folder) explain(err error) error {
	if errors.Is(err, fs.ErrPermission) {
		blocked := blockedAt(f.dir, currentAccount())
		if blocked == "" {
			blocked = f.dir
		}
		return &refusal{ErrFolder, fmt.Sprintf("user %s may not pass through %s, which the data folder %s needs", currentAccount().name, blocked, f.dir)}
	}
	return err
}

func (f *folder) close() {
	if f != nil && f.root != nil {
		f.root.Close()
	}
}

// major reads PG_VERSION; 0 where there is no cluster yet.
func (f *folder) major() (int, error) {
	if f.root == nil {
		return 0, nil
	}
	text, err := f.root.ReadFile(clusterName + "/PG_VERSION")
	switch {
	case errors.Is(err, fs.ErrNotExist):
		entries, err := fs.ReadDir(f.root.FS(), clusterName)
		if err == nil && len(entries) > 0 {
			return 0, &refusal{ErrFolder, filepath.Join(f.dir, clusterName) + " holds files but no PostgreSQL cluster (PG_VERSION is missing); it was left as it is"}
		}
		return 0, nil
	case errors.Is(err, fs.ErrPermission):
		return 0, &refusal{ErrFolder, fmt.Sprintf("user %s may not read the cluster in %s; run this as the user that the folder belongs to", currentAccount().name, f.dir)}
	case err != nil:
		return 0, err
	}
	n, err := strconv.Atoi(strings.TrimSpace(string(text)))
	if err != nil || n < 1 {
		return 0, &refusal{ErrFolder, fmt.Sprintf("%s/%s/PG_VERSION reads %q, which is no version of PostgreSQL that this program knows", f.dir, clusterName, strings.TrimSpace(string(text)))}
	}
	return n, nil
}

// prepare makes the folder where it is missing, and decides who runs PostgreSQL in it.
func (f *folder) prepare() error {
	if f.root == nil {
		if err := os.MkdirAll(filepath.Dir(f.dir), 0o755); err != nil {
			return f.explain(err)
		}
		if err := os.Mkdir(f.dir, 0o700); err != nil && !errors.Is(err, fs.ErrExist) {
			return f.explain(err)
		}
		if err := f.open(); err != nil {
			return err
		}
		if isRoot() {
			acct, err := f.runner()
			if err != nil {
				return err
			}
			if err := f.root.Lchown(".", acct.uid, acct.gid); err != nil {
				return err
			}
		}
	}
	var err error
	if f.acct, err = f.runner(); err != nil {
		return err
	}
	return nil
}

// canRun makes sure that the user PostgreSQL runs as reaches the folder and the programs.
func (f *folder) canRun(bin Binaries) error {
	for _, dir := range []string{f.dir, bin.Dir} {
		if at := blockedAt(dir, f.acct); at != "" && !enters(dir, f.acct) {
			return &refusal{ErrFolder, fmt.Sprintf(
				"PostgreSQL will not run as root, so it runs as user %s, who may not pass through %s, on the way to %s. "+
					"Use a folder that this user can reach, or let others pass through it: chmod o+x %s", f.acct.name, at, dir, at)}
		}
	}
	return nil
}

// openLock opens a lock file, which belongs to the user of the cluster so that a later start as that user can.
func (f *folder) openLock(name string) (*lockFile, error) {
	file, err := f.root.OpenFile(name, os.O_RDWR|os.O_CREATE, 0o600)
	if err != nil {
		if errors.Is(err, fs.ErrPermission) {
			return nil, &refusal{ErrFolder, fmt.Sprintf("user %s may not write in the data folder %s", currentAccount().name, f.dir)}
		}
		return nil, fmt.Errorf("open %s in %s: %w", name, f.dir, err)
	}
	if err := f.hand(file); err != nil {
		file.Close()
		return nil, err
	}
	return &lockFile{f: file}, nil
}

// hand gives a file that root made to the user of the cluster.
func (f *folder) hand(file *os.File) error {
	if !isRoot() {
		return nil
	}
	return file.Chown(f.acct.uid, f.acct.gid)
}

// makeDir makes a folder of mode 0700 that belongs to the user of the cluster.
func (f *folder) makeDir(name string) error {
	if err := f.root.Mkdir(name, 0o700); err != nil && !errors.Is(err, fs.ErrExist) {
		return err
	}
	if isRoot() {
		if err := f.root.Lchown(name, f.acct.uid, f.acct.gid); err != nil {
			return err
		}
	}
	return f.root.Chmod(name, 0o700)
}

// write replaces a file whole and flushed, and leaves one that already reads so alone.
func (f *folder) write(name, text string) error {
	if have, err := f.root.ReadFile(name); err == nil && string(have) == text {
		return nil
	}
	temporary := name + ".new"
	if err := f.root.Remove(temporary); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	file, err := f.root.OpenFile(temporary, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o600)
	if err != nil {
		return err
	}
	defer file.Close()
	if _, err := file.WriteString(text); err != nil {
		return err
	}
	if err := errors.Join(f.hand(file), file.Sync()); err != nil {
		return err
	}
	return f.root.Rename(temporary, name)
}

// sync makes the names in the data folder durable.
func (f *folder) sync() error {
	d, err := f.root.Open(".")
	if err != nil {
		return err
	}
	defer d.Close()
	return d.Sync()
}
