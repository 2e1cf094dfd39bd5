package main

import (
	"bufio"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"runtime"
	"slices"
	"strconv"
	"strings"

	"example.org/stillroom/internal/pgtest"
)

// test runs go test once over all packages, with one PostgreSQL for all of them.
func (r *run) test(ctx context.Context) (string, error) {
	stop, url, err := pgtest.Start()
	if err != nil {
		return "", fmt.Errorf("starting the tests' PostgreSQL: %w", err)
	}
	defer stop()
	// Test programs wait for PostgreSQL and Chromium as much as they compute, so two at least; and each may run as
	// many browsers as it has parallel tests, so no more than four.
	width := strconv.Itoa(min(max(runtime.GOMAXPROCS(0), 2), 4))
	env := append(os.Environ(), pgtest.ClusterVariable+"="+url, pgtest.RunVariable+"="+strconv.Itoa(os.Getpid()))
	plain, race, err := r.split(ctx)
	if err != nil {
		return "", err
	}
	t := tally{out: r.out}
	// vet is a step of its own.
	args := []string{"test", "-json", "-count=1", "-vet=off", "-timeout=20m", "-p=" + width, "-parallel=" + width}
	err = r.goTest(ctx, &t, args, env, plain)
	if !r.fast {
		args, env = append(args, "-race"), append(env, "CGO_ENABLED=1")
	}
	err = errors.Join(err, r.goTest(ctx, &t, args, env, race))
	r.testsPassed, r.testsFailed = t.passed, t.failed
	return fmt.Sprintf("%d tests passed, %d failed, in %d packages", t.passed, t.failed, t.packages), t.verdict(err)
}

// raced are the packages that the race detector runs over: where goroutines of ours share memory. The private PostgreSQL and
// its guests; the pages with their handlers, sessions and limits; an import's job and its progress; e-mails that go out one
// after another. Under them is the store, whose own tests wait for PostgreSQL. Over everything it would take longer than a
// check may, most of it to compile the tests' libraries once more.
var raced = []string{"/internal/pgprivate", "/web/house", "/web/telling", "/web/exchange"}

// heavy packages go first, so that the last minutes are not spent on one of them alone.
var heavy = []string{"/internal/store", "/web", "/cmd/stillroom", "/internal/demo", "/internal/chrome"}

// split lists the packages to test: those without the race detector, and those with it.
func (r *run) split(ctx context.Context) (plain, race []string, err error) {
	out, err := command(ctx, "go", append([]string{"list"}, r.packages...)...).Output()
	if err != nil {
		return nil, nil, fmt.Errorf("go list: %w", err)
	}
	for _, pkg := range strings.Fields(string(out)) {
		if slices.ContainsFunc(raced, func(end string) bool { return strings.HasSuffix(pkg, end) }) {
			race = append(race, pkg)
		} else {
			plain = append(plain, pkg)
		}
	}
	rank := func(pkg string) int {
		for i, end := range heavy {
			if strings.HasSuffix(pkg, end) {
				return i
			}
		}
		return len(heavy)
	}
	slices.SortStableFunc(plain, func(a, b string) int { return rank(a) - rank(b) })
	return plain, race, nil
}

// goTest runs go test over packages, if there are any, and counts what it tells.
func (r *run) goTest(ctx context.Context, t *tally, args, env, packages []string) error {
	if len(packages) == 0 {
		return nil
	}
	cmd := command(ctx, "go", append(slices.Clone(args), packages...)...)
	cmd.Env = env
	var complaints strings.Builder
	cmd.Stderr = &complaints
	stdout, err := cmd.StdoutPipe()
	if err != nil {
		return err
	}
	if err := cmd.Start(); err != nil {
		return err
	}
	readErr := t.read(stdout)
	waitErr := cmd.Wait()
	if cause := context.Cause(ctx); cause != nil {
		waitErr = cause
	}
	if err := errors.Join(readErr, waitErr); err != nil {
		return &failure{err, complaints.String()}
	}
	return nil
}

// event is a line of `go test -json`, see `go doc test2json`.
type event struct {
	Action, Package, ImportPath, Test, Output string
}

// tally counts what go test reports and prints what a person wants to see of it: a line for each package, and all that
// a failed test printed.
type tally struct {
	out                      io.Writer
	passed, failed, packages int
	skipped                  []string
	printed                  map[string][]string // by package and test, until that test ends
}

// most lines are shown of one test: a panic prints every goroutine.
const most = 300

func (t *tally) read(stream io.Reader) error {
	if t.printed == nil {
		t.printed = map[string][]string{}
	}
	lines := bufio.NewReader(stream)
	for {
		line, err := lines.ReadBytes('\n')
		if len(line) > 0 {
			var e event
			if json.Unmarshal(line, &e) != nil || e.Action == "" {
				fmt.Fprint(t.out, string(line)) // go itself speaks
			} else {
				t.take(e)
			}
		}
		if errors.Is(err, io.EOF) {
			return nil
		}
		if err != nil {
			return err
		}
	}
}

func (t *tally) take(e event) {
	key := e.Package + "\x00" + e.Test
	switch e.Action {
	case "build-output":
		fmt.Fprint(t.out, e.Output)
	case "output":
		switch {
		case e.Test == "" && (strings.HasPrefix(e.Output, "ok  \t") || strings.HasPrefix(e.Output, "FAIL\t")):
			fmt.Fprint(t.out, e.Output)
		case e.Test == "" && strings.HasSuffix(e.Output, "[no test files]\n"), strings.HasPrefix(e.Output, "=== "):
		default:
			t.printed[key] = append(t.printed[key], e.Output)
		}
	case "pass":
		if e.Test != "" {
			t.passed++
		} else {
			t.packages++
		}
		delete(t.printed, key)
	case "skip":
		if e.Test != "" {
			t.failed++
			t.skipped = append(t.skipped, e.Package+" "+e.Test)
		}
		delete(t.printed, key)
	case "fail":
		if e.Test != "" {
			t.failed++
			t.show(key)
			return
		}
		t.packages++
		t.showUnended(e.Package)
	}
}

// showUnended prints what tests that never ended had to say, when their program died or was timed out.
func (t *tally) showUnended(pkg string) {
	var keys []string
	for key := range t.printed {
		if strings.HasPrefix(key, pkg+"\x00") {
			keys = append(keys, key)
		}
	}
	slices.Sort(keys)
	for _, key := range keys {
		if _, test, _ := strings.Cut(key, "\x00"); test != "" && len(t.printed[key]) > 0 {
			t.failed++
			fmt.Fprintf(t.out, "--- did not end: %s %s\n", pkg, test)
		}
		t.show(key)
	}
}

func (t *tally) show(key string) {
	lines := t.printed[key]
	delete(t.printed, key)
	if len(lines) > most {
		lines = append(lines[:most:most], fmt.Sprintf("… and %d lines more\n", len(lines)-most))
	}
	pkg, test, _ := strings.Cut(key, "\x00")
	if test != "" {
		fmt.Fprintf(t.out, "# %s\n", pkg)
	}
	fmt.Fprint(t.out, strings.Join(lines, ""))
}

// verdict is nil only when go test was content, at least one test ran and none was skipped.
func (t *tally) verdict(err error) error {
	switch {
	case len(t.skipped) > 0:
		err = errors.Join(err, fmt.Errorf("no test may be skipped: %s", strings.Join(t.skipped, ", ")))
	case err == nil && t.failed > 0:
		err = fmt.Errorf("%d tests failed", t.failed)
	case err == nil && t.passed == 0:
		err = errors.New("no test ran")
	}
	if err != nil {
		return fmt.Errorf("go test: %w", err)
	}
	return nil
}
