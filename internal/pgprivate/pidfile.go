//go:build unix

package pgprivate

import (
	"strconv"
	"strings"
)

// pidFile is what postmaster.pid says. Lines: pid, data folder, start, port, socket folder, address, shared
// memory, status.
type pidFile struct {
	pid    int // 0 where there is no such file
	socket string
	ready  bool
}

func parsePID(text string) pidFile {
	lines := strings.Split(text, "\n")
	line := func(n int) string {
		if n > len(lines) {
			return ""
		}
		return strings.TrimSpace(lines[n-1])
	}
	pid, err := strconv.Atoi(line(1))
	if err != nil || pid < 1 {
		return pidFile{}
	}
	return pidFile{pid: pid, socket: line(5), ready: line(8) == "ready"}
}

func (f *folder) readPID() pidFile {
	if f.root == nil {
		return pidFile{}
	}
	text, err := f.root.ReadFile(clusterName + "/postmaster.pid")
	if err != nil {
		return pidFile{}
	}
	return parsePID(string(text))
}

// runs tells whether a server in the folder has said that it is ready. The word may be stale: see answers.
func (f *folder) runs() bool { return f.readPID().ready }
