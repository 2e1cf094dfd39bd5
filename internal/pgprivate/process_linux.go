package pgprivate

import (
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
)

const linux = true

// processAttributes: a process group of its own, so that a Ctrl-C on the terminal reaches only us; SIGINT, which is
// PostgreSQL's fast shutdown, from the kernel when the thread that started it ends.
func processAttributes(a account) *syscall.SysProcAttr {
	return &syscall.SysProcAttr{Credential: a.credential(), Setpgid: true, Pdeathsig: syscall.SIGINT}
}

// serversIn finds PostgreSQL processes that work in dir: every one of a cluster has its folder as working directory.
// The name is asked too, so that a person's shell in that folder is let be.
func serversIn(dir string) []int {
	entries, err := os.ReadDir("/proc")
	if err != nil {
		return nil
	}
	var pids []int
	for _, e := range entries {
		pid, err := strconv.Atoi(e.Name())
		if err != nil {
			continue
		}
		at, err := os.Readlink(filepath.Join("/proc", e.Name(), "cwd"))
		if err != nil || strings.TrimSuffix(at, " (deleted)") != dir {
			continue
		}
		name, err := os.ReadFile(filepath.Join("/proc", e.Name(), "comm"))
		if err == nil && isServer(strings.TrimSpace(string(name))) {
			pids = append(pids, pid)
		}
	}
	return pids
}

func isServer(name string) bool {
	return strings.HasPrefix(name, "postgres") || strings.HasPrefix(name, "postmaster")
}
