package main

import (
	"context"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/jackc/pgx/v5"

	"example.org/stillroom/internal/pgtest"
)

func TestAFreshFolderIsServedAndSetUpByALinkThatIsPrintedOnce(t *testing.T) {
	t.Parallel()
	data := folder(t)
	s := serve(t, nil, "--data", data)
	if !regexp.MustCompile(`^http://127\.0\.0\.1:\d+/set-up/\S+\n$`).MatchString(s.stdout()) || !strings.HasPrefix(s.stdout(), s.base) {
		t.Fatalf("standard output is %q, want the link alone", s.stdout())
	}
	link := strings.TrimSpace(s.stdout())
	if status, _, page := get(t, browser(t), link); status != http.StatusOK || page.Find("h1").Text() != "Set up the workshop" {
		t.Errorf("the link answered %d, %q", status, page.Find("h1").Text())
	}
	c := registered(t, s)
	if status, _, page := get(t, c, s.base+"/account"); status != http.StatusOK || !strings.Contains(page.Text(), "Mara Thistle") {
		t.Errorf("the account answered %d", status)
	}
	if strings.Contains(s.stderr(), "eleven-brass-kettles") || strings.Contains(s.stderr(), link[strings.LastIndex(link, ".")+1:]) {
		t.Error("the log holds a secret")
	}

	wantStatus(t, "healthcheck", run(t, nil, "healthcheck", "--data", data), 0)
	if got := s.end(syscall.SIGTERM); got != 0 {
		t.Errorf("after SIGTERM: exit status %d", got)
	}
	if _, err := os.Stat(filepath.Join(data, "pg", "postmaster.pid")); !os.IsNotExist(err) {
		t.Errorf("its PostgreSQL still runs: %v", err)
	}
	wantStatus(t, "healthcheck afterwards", run(t, nil, "healthcheck", "--data", data, "--addr", strings.TrimPrefix(s.base, "http://")), 3)

	// Without a server each command starts PostgreSQL for itself and ends it after.
	got := run(t, []string{"STILLROOM_DATA=" + data}, "verify")
	wantStatus(t, "verify", got, 0)
	if !strings.HasPrefix(got.out, "main: the chain of 1 links and the ledgers hold; head ") {
		t.Errorf("verify says %q", got.out)
	}
	if _, err := os.Stat(filepath.Join(data, "pg", "postmaster.pid")); !os.IsNotExist(err) {
		t.Errorf("PostgreSQL runs on after verify: %v", err)
	}
	again := serve(t, nil, "--data", data)
	if again.stdout() != "" {
		t.Errorf("with somebody registered it prints %q", again.stdout())
	}
	if got := again.end(syscall.SIGINT); got != 0 {
		t.Errorf("after Ctrl-C: exit status %d", got)
	}
}

func TestASecondServerOnTheSameFolderWaitsAndGivesUp(t *testing.T) {
	t.Parallel()
	data := folder(t)
	first := serve(t, nil, "--data", data)
	began := time.Now()
	got := run(t, nil, "serve", "--addr", "127.0.0.1:0", "--data", data, "--lock-wait", "1s")
	wantStatus(t, "the second", got, 3)
	if took := time.Since(began); took < time.Second || !strings.Contains(got.errs, data) {
		t.Errorf("after %v it said %q", took, got.errs)
	}
	waiting := start(t, nil, "serve", "--addr", "127.0.0.1:0", "--data", data)
	waiting.until("it waits for the folder", func() bool { return opened(waiting.cmd.Process.Pid, data) })
	if got := waiting.end(syscall.SIGTERM); got != 0 {
		t.Errorf("told to end while it waits: exit status %d:\n%s", got, waiting.stderr())
	}
	// A guest goes along with the first.
	got = run(t, nil, "database-url", "--data", data)
	wantStatus(t, "database-url", got, 0)
	conn, err := pgx.Connect(t.Context(), strings.TrimSpace(got.out))
	check(t, err)
	defer conn.Close(context.Background())
	var user string
	check(t, conn.QueryRow(t.Context(), `SELECT current_user::text`).Scan(&user))
	if user != "stillroom_owner" || got.errs != "" {
		t.Errorf("the URL connects as %s; said besides: %q", user, got.errs)
	}
	if status, _, _ := get(t, browser(t), first.base+"/readyz"); status != http.StatusOK {
		t.Errorf("the first answers %d", status)
	}
}

func TestAPortInUseIsSaid(t *testing.T) {
	t.Parallel()
	taken, err := net.Listen("tcp", "127.0.0.1:0")
	check(t, err)
	defer taken.Close()
	db := pgtest.Database(t)
	got := run(t, nil, "serve", "--addr", taken.Addr().String(), "--database-url", db.OwnerURL, "--data", folder(t))
	wantStatus(t, "serve", got, 2)
	if !strings.Contains(got.errs, taken.Addr().String()) || !strings.Contains(got.errs, "in use") {
		t.Errorf("it says %q", got.errs)
	}
}

func TestPagesAnswer503WhilePostgreSQLIsDownAndRecover(t *testing.T) {
	t.Parallel()
	data := folder(t)
	s := serve(t, nil, "--data", data)
	c := registered(t, s)
	text, err := os.ReadFile(filepath.Join(data, "pg", "postmaster.pid"))
	check(t, err)
	pid, err := strconv.Atoi(strings.Fields(string(text))[0])
	check(t, err)
	check(t, syscall.Kill(pid, syscall.SIGKILL))
	seen := map[int]int{}
	deadline := time.Now().Add(patience)
	for seen[http.StatusServiceUnavailable] == 0 || seen[-1] < 20 {
		if time.Now().After(deadline) {
			t.Fatalf("not back within %v: %v", patience, seen)
		}
		res, err := c.Get(s.base + "/account")
		check(t, err)
		res.Body.Close()
		seen[res.StatusCode]++
		switch res.StatusCode {
		case http.StatusOK:
			seen[-1]++ // in a row
		case http.StatusServiceUnavailable:
			seen[-1] = 0
			if res.Header.Get("Retry-After") == "" {
				t.Error("503 without Retry-After")
			}
		default:
			t.Fatalf("a page answered %d (to %q): %v\n%s", res.StatusCode, res.Header.Get("Location"), seen, s.stderr())
		}
	}
	if got := s.end(syscall.SIGTERM); got != 0 {
		t.Errorf("afterwards: exit status %d", got)
	}
}

func TestAServerOfYourOwnIsServedWithOneLoginOrTwo(t *testing.T) {
	t.Parallel()
	db := pgtest.Empty(t)
	for name, env := range map[string][]string{
		"with the owner's login alone": {"STILLROOM_DATABASE_URL=" + db.OwnerURL},
		"with a login of its own":      {"STILLROOM_DATABASE_URL=" + db.OwnerURL, "STILLROOM_APP_URL=" + db.AppURL},
	} {
		t.Run(name, func(t *testing.T) {
			data := folder(t)
			s := serve(t, env, "--data", data)
			link := strings.TrimSpace(s.stdout())
			if status, _, _ := get(t, browser(t), link); status != http.StatusOK {
				t.Errorf("the set-up page answered %d", status)
			}
			wantStatus(t, "verify", run(t, env, "verify"), 0)
			if _, err := os.Stat(filepath.Join(data, "pg")); !os.IsNotExist(err) {
				t.Errorf("it made a private cluster besides: %v", err)
			}
			if got := s.end(syscall.SIGTERM); got != 0 {
				t.Errorf("exit status %d", got)
			}
		})
	}
}

func TestBehindAProxyLinksAndCookiesAreForHTTPS(t *testing.T) {
	t.Parallel()
	db := pgtest.Database(t)
	data := folder(t)
	env := []string{"STILLROOM_DATABASE_URL=" + db.OwnerURL, "STILLROOM_DATA=" + data}
	s := start(t, env, "serve", "--addr", "127.0.0.1:0", "--secure-url", "https://book.quillmoor.example.org/", "--proxied")
	s.until("it is served", func() bool { return strings.Contains(s.stdout(), "/set-up/") && served(data).Secure != "" })
	if !strings.HasPrefix(s.stdout(), "https://book.quillmoor.example.org/set-up/") {
		t.Errorf("the link is %q", s.stdout())
	}
	wantStatus(t, "healthcheck", run(t, env, "healthcheck"), 0)
	added := run(t, env, "user", "add", "mara@quillmoor.example.org", "--role", "owner")
	wantStatus(t, "user add", added, 0)
	if !strings.HasPrefix(added.out, "https://book.quillmoor.example.org/password/") {
		t.Errorf("the link is %q", added.out)
	}
	res, err := browser(t).Get("http://" + served(data).Local + strings.TrimPrefix(strings.TrimSpace(run(t, env, "link", "mara@quillmoor.example.org").out), "https://book.quillmoor.example.org"))
	check(t, err)
	res.Body.Close()
	if cookie := res.Header.Get("Set-Cookie"); !strings.HasPrefix(cookie, "__Host-stillroom=") || !strings.Contains(cookie, "; Secure") {
		t.Errorf("the cookie is %q", cookie)
	}
}

func TestAnAddressForTabletsIsPrinted(t *testing.T) {
	t.Parallel()
	lan := lanAddresses("7420")
	for name, tc := range map[string]struct {
		addr *net.TCPAddr
		want place
	}{
		"this machine only":  {&net.TCPAddr{IP: net.IPv4(127, 0, 0, 1), Port: 7420}, place{Local: "127.0.0.1:7420"}},
		"IPv6, this machine": {&net.TCPAddr{IP: net.IPv6loopback, Port: 7420}, place{Local: "[::1]:7420"}},
		"one network":        {&net.TCPAddr{IP: net.IPv4(192, 0, 2, 7), Port: 7420}, place{Local: "192.0.2.7:7420", lan: []string{"192.0.2.7:7420"}}},
		"everywhere":         {&net.TCPAddr{IP: net.IPv4zero, Port: 7420}, place{Local: "127.0.0.1:7420", lan: lan, all: true}},
		"everywhere, IPv6":   {&net.TCPAddr{IP: net.IPv6unspecified, Port: 7420}, place{Local: "127.0.0.1:7420", lan: lan, all: true}},
	} {
		if diff := cmp.Diff(tc.want, placeOf(tc.addr, ""), cmp.AllowUnexported(place{})); diff != "" {
			t.Errorf("%s: %s", name, diff)
		}
	}
	for _, addr := range lan {
		host, _, err := net.SplitHostPort(addr)
		if ip := net.ParseIP(host); err != nil || ip == nil || ip.IsLoopback() || ip.IsLinkLocalUnicast() {
			t.Errorf("%q is no address for a tablet", addr)
		}
	}
	var told strings.Builder
	p := &program{errs: &told}
	p.tellPlaces(place{Local: "127.0.0.1:7420", lan: []string{"192.0.2.7:7420", "[2001:db8::7]:7420"}, all: true})
	for _, want := range []string{"http://127.0.0.1:7420\n", "http://192.0.2.7:7420\n", "http://[2001:db8::7]:7420\n", "plain HTTP"} {
		if !strings.Contains(told.String(), want) {
			t.Errorf("it does not say %q:\n%s", want, told.String())
		}
	}
}

// opened tells whether a process has a file of the folder open, such as its lock; elsewhere than on Linux it is taken
// for granted.
func opened(pid int, folder string) bool {
	fds := "/proc/" + strconv.Itoa(pid) + "/fd"
	list, err := os.ReadDir(fds)
	if err != nil {
		return true
	}
	for _, fd := range list {
		if to, err := os.Readlink(filepath.Join(fds, fd.Name())); err == nil && strings.HasPrefix(to, folder) {
			return true
		}
	}
	return false
}
