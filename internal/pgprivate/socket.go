//go:build unix

package pgprivate

import (
	"errors"
	"fmt"
	"net"
	"os"
	"path/filepath"
	"strings"
	"time"
)

const (
	socketFile = ".s.PGSQL.5432"
	// maxSocketPath is sun_path without its ending zero: 108 bytes on Linux, 104 on the BSDs and macOS.
	maxSocketPath   = 107
	maxSocketPathBS = 103
	shortPrefix     = "stillroom-"
)

// makeSocketFolder gives a folder of mode 0700 for the socket: in the data folder, or a short one elsewhere where the
// path would be longer than a socket address holds or could not stand in a URL. Guests find it in postmaster.pid.
func (f *folder) makeSocketFolder() (string, error) {
	inside := filepath.Join(f.dir, socketName)
	if fits(inside) {
		return inside, f.makeDir(socketName)
	}
	for _, parent := range []string{os.TempDir(), "/tmp"} {
		if !fits(filepath.Join(parent, shortPrefix+"0000000000")) || blockedAt(parent, f.acct) != "" {
			continue
		}
		dir, err := os.MkdirTemp(parent, shortPrefix)
		if err != nil {
			continue
		}
		if dir, err = filepath.EvalSymlinks(dir); err != nil {
			return "", err
		}
		if isRoot() {
			if err := os.Lchown(dir, f.acct.uid, f.acct.gid); err != nil {
				return "", err
			}
		}
		return dir, nil
	}
	return "", &refusal{ErrFolder, fmt.Sprintf("the path of the data folder %s is too long for a socket (%d bytes) or holds a comma, and no short folder could be made in %s", f.dir, maxSocketPath, os.TempDir())}
}

// fits also refuses a comma: in a connection URL it would separate two hosts.
func fits(dir string) bool {
	if strings.Contains(dir, ",") {
		return false
	}
	longest := maxSocketPath
	if !linux {
		longest = maxSocketPathBS
	}
	return len(filepath.Join(dir, socketFile)) <= longest
}

// removeShortSocketFolder empties and removes what makeSocketFolder made outside the data folder, and nothing else:
// dir may come from a postmaster.pid that another user wrote. The folder itself stays where it is keep.
func (f *folder) removeShortSocketFolder(dir, keep string) {
	if dir == "" || dir == filepath.Join(f.dir, socketName) || !strings.HasPrefix(filepath.Base(dir), shortPrefix) {
		return
	}
	for _, file := range []string{socketFile, socketFile + ".lock"} {
		if err := os.Remove(filepath.Join(dir, file)); err != nil && !errors.Is(err, os.ErrNotExist) {
			return
		}
	}
	if dir != keep {
		_ = os.Remove(dir) // refuses a folder that holds anything more
	}
}

// answers tells whether someone listens on the socket.
func answers(dir string) bool {
	conn, err := net.DialTimeout("unix", filepath.Join(dir, socketFile), time.Second)
	if err != nil {
		return false
	}
	conn.Close()
	return true
}
