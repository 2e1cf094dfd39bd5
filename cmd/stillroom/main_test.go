package main

import (
	"bufio"
	"bytes"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/http/cookiejar"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/PuerkitoBio/goquery"
)

// binary is the program, built as it is: what these tests claim they claim of the real thing.
var binary string

func TestMain(m *testing.M) {
	os.Exit(func() int {
		dir, err := os.MkdirTemp("", "stillroom-cmd-")
		if err != nil {
			fmt.Println(err)
			return 1
		}
		defer os.RemoveAll(dir)
		binary = filepath.Join(dir, "stillroom")
		if out, err := exec.Command("go", "build", "-o", binary, ".").CombinedOutput(); err != nil {
			fmt.Printf("go build: %v\n%s", err, out)
			return 1
		}
		return m.Run()
	}())
}

// patience is for a machine that runs other tests meanwhile.
const patience = 60 * time.Second

// folder is a data folder that does not exist yet, in memory where there is room, and reachable for the user that root
// drops to (t.TempDir is not).
func folder(t *testing.T) string {
	t.Helper()
	base := ""
	if st, err := os.Stat("/dev/shm"); err == nil && st.IsDir() {
		base = "/dev/shm"
	}
	dir, err := os.MkdirTemp(base, "stillroom-cmd-")
	check(t, err)
	check(t, os.Chmod(dir, 0o755))
	t.Cleanup(func() { check(t, os.RemoveAll(dir)) })
	return filepath.Join(dir, "data")
}

func check(t testing.TB, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

// command has an environment of its own: nothing of the machine's decides a test.
func command(t *testing.T, env []string, args ...string) *exec.Cmd {
	t.Helper()
	cmd := exec.CommandContext(t.Context(), binary, args...)
	cmd.Env = append([]string{"PATH=" + os.Getenv("PATH"), "HOME=" + filepath.Dir(binary)}, env...)
	return cmd
}

// said is what a finished command left.
type said struct {
	status    int
	out, errs string
}

func run(t *testing.T, env []string, args ...string) said {
	t.Helper()
	cmd := command(t, env, args...)
	var out, errs bytes.Buffer
	cmd.Stdout, cmd.Stderr = &out, &errs
	err := cmd.Run()
	var exit *exec.ExitError
	if err != nil && !errors.As(err, &exit) {
		t.Fatal(err)
	}
	return said{cmd.ProcessState.ExitCode(), out.String(), errs.String()}
}

func wantStatus(t *testing.T, what string, got said, want int) {
	t.Helper()
	if got.status != want {
		t.Fatalf("%s: exit status %d, want %d\nout: %s\nerr: %s", what, got.status, want, got.out, got.errs)
	}
}

// server is a running `stillroom serve`.
type server struct {
	t    *testing.T
	cmd  *exec.Cmd
	base string
	done chan struct{}

	mu        sync.Mutex
	out, errs bytes.Buffer
}

var answersAt = regexp.MustCompile(`Stillroom answers at (https?://\S+)`)

// serve starts one on a free port and waits until it is ready. It is killed when the test ends, if it still runs.
func serve(t *testing.T, env []string, args ...string) *server {
	t.Helper()
	s := start(t, env, append([]string{"serve", "--addr", "127.0.0.1:0"}, args...)...)
	s.until("it says where it answers", func() bool {
		s.mu.Lock()
		defer s.mu.Unlock()
		at := answersAt.FindStringSubmatch(s.errs.String())
		if at != nil {
			s.base = at[1]
		}
		return at != nil
	})
	s.until("it is ready", func() bool {
		res, err := http.Get(s.base + "/readyz")
		if err != nil {
			return false
		}
		res.Body.Close()
		return res.StatusCode == http.StatusOK
	})
	// It printed everything before it was ready; on a busy machine our readers may be behind.
	read := -1
	s.until("what it printed is read", func() bool {
		before := read
		time.Sleep(60 * time.Millisecond)
		read = len(s.stdout()) + len(s.stderr())
		return read == before
	})
	return s
}

// start starts any command, to be looked at while it runs.
func start(t *testing.T, env []string, args ...string) *server {
	t.Helper()
	s := &server{t: t, cmd: command(t, env, args...), done: make(chan struct{})}
	stdout, err := s.cmd.StdoutPipe()
	check(t, err)
	stderr, err := s.cmd.StderrPipe()
	check(t, err)
	check(t, s.cmd.Start())
	var readers sync.WaitGroup
	readers.Go(func() { s.collect(stdout, &s.out) })
	readers.Go(func() { s.collect(stderr, &s.errs) })
	go func() {
		readers.Wait()
		_ = s.cmd.Wait() // ProcessState says it
		close(s.done)
	}()
	t.Cleanup(func() {
		if t.Failed() {
			t.Logf("standard error of %v:\n%s", s.cmd.Args[1:], s.stderr())
		}
		_ = s.cmd.Process.Signal(syscall.SIGTERM)
		select {
		case <-s.done:
		case <-time.After(patience):
			_ = s.cmd.Process.Kill()
			<-s.done
		}
	})
	return s
}

func (s *server) collect(from io.Reader, to *bytes.Buffer) {
	for lines := bufio.NewScanner(from); lines.Scan(); {
		s.mu.Lock()
		to.WriteString(lines.Text() + "\n")
		s.mu.Unlock()
	}
}

func (s *server) stdout() string {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.out.String()
}

func (s *server) stderr() string {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.errs.String()
}

func (s *server) until(what string, holds func() bool) {
	s.t.Helper()
	for deadline := time.Now().Add(patience); !holds(); time.Sleep(10 * time.Millisecond) {
		select {
		case <-s.done:
			s.t.Fatalf("it ended with %d before %s:\n%s%s", s.cmd.ProcessState.ExitCode(), what, s.stdout(), s.stderr())
		default:
		}
		if time.Now().After(deadline) {
			s.t.Fatalf("not within %v: %s\n%s", patience, what, s.stderr())
		}
	}
}

// end sends a signal and answers the exit status.
func (s *server) end(signal os.Signal) int {
	s.t.Helper()
	check(s.t, s.cmd.Process.Signal(signal))
	select {
	case <-s.done:
	case <-time.After(patience):
		s.t.Fatalf("it did not end within %v of %v:\n%s", patience, signal, s.stderr())
	}
	return s.cmd.ProcessState.ExitCode()
}

// browser follows redirects and keeps cookies.
func browser(t *testing.T) *http.Client {
	t.Helper()
	jar, err := cookiejar.New(nil)
	check(t, err)
	return &http.Client{Jar: jar, CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
}

// get answers status, target of a redirect and page.
func get(t *testing.T, c *http.Client, address string) (int, string, *goquery.Document) {
	t.Helper()
	res, err := c.Get(address)
	check(t, err)
	defer res.Body.Close()
	doc, err := goquery.NewDocumentFromReader(res.Body)
	check(t, err)
	return res.StatusCode, res.Header.Get("Location"), doc
}

func post(t *testing.T, c *http.Client, address string, form map[string]string) int {
	t.Helper()
	values := url.Values{}
	for name, value := range form {
		values.Set(name, value)
	}
	res, err := c.PostForm(address, values)
	check(t, err)
	res.Body.Close()
	return res.StatusCode
}

// registered sets a fresh server up by its printed link.
func registered(t *testing.T, s *server) *http.Client {
	t.Helper()
	c := browser(t)
	link := strings.TrimSpace(s.stdout())
	if got := post(t, c, link, map[string]string{"workshop": "Quillmoor Workshop", "zone": "Europe/Dublin", "name": "Mara Thistle", "email": "mara@quillmoor.example.org", "password": "eleven-brass-kettles"}); got != http.StatusSeeOther {
		t.Fatalf("setting up by %q answered %d", link, got)
	}
	return c
}
