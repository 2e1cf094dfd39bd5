//go:build unix

package pgprivate

import (
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strings"
	"sync"
	"syscall"
	"time"
)

const (
	firstDelay   = 100 * time.Millisecond
	longestDelay = 10 * time.Second
	steadyAfter  = 30 * time.Second // a server that ran so long starts again at the first delay
	readyPoll    = 5 * time.Millisecond
	logCheck     = time.Minute
)

// supervisor keeps one PostgreSQL running from begin to end.
type supervisor struct {
	c    *Cluster
	stop chan struct{} // closed by end
	once sync.Once
	done chan struct{} // closed when the last server process is gone

	mu    sync.Mutex
	ready bool
	down  chan struct{} // of the server that runs now, or closed
}

func newSupervisor(c *Cluster) *supervisor {
	down := make(chan struct{})
	close(down)
	return &supervisor{c: c, stop: make(chan struct{}), done: make(chan struct{}), down: down}
}

// begin returns when the first server is ready, or with what kept it from it.
func (s *supervisor) begin(ctx context.Context) error {
	first := make(chan error, 1)
	go s.loop(first)
	select {
	case err := <-first:
		if err != nil {
			<-s.done
		}
		return err
	case <-ctx.Done():
		return errors.Join(ctx.Err(), s.end())
	}
}

// end stops the server and waits until it is gone.
func (s *supervisor) end() error {
	s.once.Do(func() { close(s.stop) })
	<-s.done
	if pids := serversIn(filepath.Join(s.c.folder.dir, clusterName)); len(pids) > 0 {
		return fmt.Errorf("PostgreSQL processes %v in %s outlived their shutdown", pids, s.c.folder.dir)
	}
	return nil
}

func (s *supervisor) stopping() bool {
	select {
	case <-s.stop:
		return true
	default:
		return false
	}
}

// loop starts and waits on one locked thread, never unlocked: the kernel sends the signal at the parent's death
// when the thread that started the child ends, not the process.
func (s *supervisor) loop(first chan<- error) {
	runtime.LockOSThread()
	defer close(s.done)
	delay := firstDelay
	for run := 1; ; run++ {
		began := time.Now()
		wasReady := make(chan struct{})
		err := s.serve(func() {
			close(wasReady)
			if run == 1 {
				first <- nil
			}
		})
		select {
		case <-wasReady:
		default:
			if run == 1 {
				first <- err
				return
			}
		}
		if s.stopping() {
			return
		}
		if time.Since(began) > steadyAfter {
			delay = firstDelay
		}
		s.c.log.Error("PostgreSQL ended and is started again", "dir", s.c.folder.dir, "in", delay, "err", err)
		select {
		case <-s.stop:
			return
		case <-time.After(delay):
		}
		delay = min(2*delay, longestDelay)
		if err := s.c.endLeftovers(context.Background()); err != nil {
			s.c.log.Error("leftovers of PostgreSQL", "err", err)
		}
	}
}

// serve runs one server process from start to end. ready is called once it takes connections and keeps to what a
// record needs; it is not called for one that does not.
func (s *supervisor) serve(ready func()) error {
	began := time.Now()
	log, err := s.c.folder.openServerLog()
	if err != nil {
		return err
	}
	defer log.close()
	cmd := exec.Command(s.c.bin.Path("postgres"), s.c.serverArgs()...)
	cmd.Dir = "/"
	cmd.Env = serverEnv()
	cmd.SysProcAttr = processAttributes(s.c.folder.acct)
	// A file and no pipe: a pipe would end with us and block with us, and Wait would wait for every backend.
	cmd.Stdout, cmd.Stderr = log.file, log.file
	if err := cmd.Start(); err != nil {
		return fmt.Errorf("start PostgreSQL: %w", err)
	}
	exited := make(chan struct{})
	var refused error
	var helpers sync.WaitGroup
	helpers.Go(func() {
		if !s.awaitReady(cmd.Process.Pid, exited) {
			return
		}
		if refused = s.c.checkServer(); refused != nil {
			_ = cmd.Process.Signal(syscall.SIGINT)
			return
		}
		s.setReady(true)
		s.c.log.Info("PostgreSQL is ready", "pid", cmd.Process.Pid, "took", time.Since(began).Round(time.Millisecond))
		ready()
	})
	helpers.Go(func() { s.endOnStop(cmd.Process, exited) })
	helpers.Go(func() { log.keepSmall(exited, s.c.log) })
	_ = cmd.Wait() // the error says less than ProcessState below
	close(exited)
	helpers.Wait()
	s.setReady(false)
	switch {
	case refused != nil:
		return refused
	case s.stopping():
		return errors.New("stopped")
	}
	return fmt.Errorf("PostgreSQL ended (%s): %s", cmd.ProcessState, log.tail())
}

// awaitReady: line 8 of postmaster.pid says ready, and line 1 that it is our child that says so.
func (s *supervisor) awaitReady(pid int, exited <-chan struct{}) bool {
	for {
		if p := s.c.folder.readPID(); p.pid == pid && p.ready {
			return true
		}
		select {
		case <-exited:
			return false
		case <-time.After(readyPoll):
		}
	}
}

// endOnStop: a fast shutdown first, which loses nothing; then an immediate one, which is recovered from at the
// next start; then none is asked any more.
func (s *supervisor) endOnStop(p *os.Process, exited <-chan struct{}) {
	select {
	case <-exited:
		return
	case <-s.stop:
	}
	for _, signal := range []syscall.Signal{syscall.SIGINT, syscall.SIGQUIT, syscall.SIGKILL} {
		if signal != syscall.SIGINT {
			s.c.log.Warn("PostgreSQL is slow to end", "signal", signal)
		}
		_ = p.Signal(signal)
		select {
		case <-exited:
			return
		case <-time.After(s.c.cfg.patience):
		}
	}
}

func (s *supervisor) setReady(ready bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	switch {
	case ready && !s.ready:
		s.down = make(chan struct{})
	case !ready && s.ready:
		close(s.down)
	}
	s.ready = ready
}

func (s *supervisor) isReady() bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.ready
}

func (s *supervisor) downChannel() <-chan struct{} {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.down
}

// serverArgs holds what must be so whatever the files say.
func (c *Cluster) serverArgs() []string {
	args := []string{"-D", filepath.Join(c.folder.dir, clusterName)}
	set := []string{
		"listen_addresses=",
		"unix_socket_directories=" + `"` + strings.ReplaceAll(c.socket, `"`, `""`) + `"`,
		"unix_socket_permissions=0700",
		"port=5432",
	}
	if c.cfg.throwaway {
		set = append(set, "fsync=off", "full_page_writes=off", "synchronous_commit=off",
			"max_connections=200", "shared_buffers=128MB", "autovacuum=off", "max_wal_size=2GB")
	} else {
		set = append(set, "fsync=on", "full_page_writes=on", "synchronous_commit=on")
	}
	for _, s := range set {
		args = append(args, "-c", s)
	}
	return args
}
