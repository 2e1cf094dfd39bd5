//go:build unix && !linux

package pgprivate

import (
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
)

const linux = false

// processAttributes: without a signal at the parent's death, which only Linux has here, a server outlives a killed
// program; the next start ends it.
func processAttributes(a account) *syscall.SysProcAttr {
	return &syscall.SysProcAttr{Credential: a.credential(), Setpgid: true}
}

// serversIn finds the server that postmaster.pid names. Its backends cannot be found without /proc; PostgreSQL
// itself then refuses to start while one is attached to its shared memory.
func serversIn(dir string) []int {
	text, err := os.ReadFile(filepath.Join(dir, "postmaster.pid"))
	if err != nil {
		return nil
	}
	pid := parsePID(string(text)).pid
	if pid == 0 || pid == os.Getpid() {
		return nil
	}
	name, err := exec.Command("ps", "-o", "comm=", "-p", strconv.Itoa(pid)).Output()
	if err != nil || !strings.HasPrefix(filepath.Base(strings.TrimSpace(string(name))), "post") {
		return nil
	}
	return []int{pid}
}
