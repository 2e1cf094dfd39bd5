// Command check is the one command that sets up what the tests need and runs every check, on a developer's machine
// and in CI alike:
//
//	go run ./cmd/check                      everything
//	go run ./cmd/check -fast                without the race detector and the vulnerability database
//	go run ./cmd/check gofmt vet            these steps only
//	go run ./cmd/check test ./web/bench     a step on some packages
//	go run ./cmd/check shots -url URL …     pictures of pages, see shots -help
//
// It goes on after a failed step, ends with a line "N passed, M failed" that counts steps and tests, and exits 1 when
// M is not 0. Nothing is skipped: PostgreSQL, Chromium and a C compiler are installed where that is possible (root, or
// sudo without a password, on a Debian-like system), else the run fails with the line to type.
package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"os"
	"os/signal"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"time"
)

// longest is what a run may take in CI; a step under way then fails and the rest is not begun. A run is meant to end in
// under 15 minutes on 2 cores; this ends one that hangs, and not one on a machine that is slow that day.
const longest = 29 * time.Minute

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	defer stop()
	code := mainCode(ctx, os.Args[1:])
	stop()
	os.Exit(code)
}

func mainCode(ctx context.Context, args []string) int {
	if len(args) > 0 && args[0] == "shots" {
		return shots(args[1:])
	}
	r := &run{out: os.Stdout, packages: []string{"./..."}}
	chosen, err := r.parse(args, os.Stderr)
	switch {
	case errors.Is(err, flag.ErrHelp):
		return 0
	case err != nil:
		fmt.Fprintln(os.Stderr, "check:", err)
		return 2
	}
	if err := errors.Join(enterRoot(), asTheImageIsBuilt(), withMemory()); err != nil {
		fmt.Fprintln(os.Stderr, "check:", err)
		return 2
	}
	if os.Getenv("CI") != "" {
		var cancel context.CancelFunc
		ctx, cancel = context.WithTimeout(ctx, longest)
		defer cancel()
	}
	return r.all(ctx, chosen)
}

// asTheImageIsBuilt has every step compile with the Dockerfile's flags, so that what one step compiled serves the next,
// the test that builds what the image holds among them.
func asTheImageIsBuilt() error {
	return errors.Join(os.Setenv("CGO_ENABLED", "0"), os.Setenv("GOFLAGS", strings.TrimSpace(os.Getenv("GOFLAGS")+" -trimpath")))
}

// withMemory has Go's tools and the test programs collect garbage a quarter as often, up to 2 GiB each: staticcheck takes
// half its time then.
func withMemory() error {
	for name, value := range map[string]string{"GOGC": "400", "GOMEMLIMIT": "2GiB"} {
		if os.Getenv(name) != "" {
			continue
		}
		if err := os.Setenv(name, value); err != nil {
			return err
		}
	}
	return nil
}

// run is one call of the command.
type run struct {
	out      io.Writer
	fast     bool
	packages []string
	// Counted by the test step, besides the steps themselves.
	testsPassed, testsFailed int
}

// step is one check. do gives a note for the summary, which may be empty; a *failure carries output to show.
type step struct {
	name, what string
	do         func(*run, context.Context) (note string, err error)
	slow       bool // left out by -fast
}

func steps() []step {
	return []step{
		{name: "tools", what: "PostgreSQL, Chromium, git and a C compiler are there, or are installed", do: (*run).tools},
		{name: "gofmt", what: "each Go file is as gofmt writes it", do: (*run).gofmt},
		{name: "generated", what: "the *_templ.go files are those of the templates", do: (*run).generated},
		{name: "tidy", what: "go.mod and go.sum are as go mod tidy writes them", do: (*run).tidy},
		{name: "build", what: "everything compiles", do: (*run).build},
		{name: "vet", what: "go vet", do: (*run).vet},
		{name: "staticcheck", what: "staticcheck", do: (*run).staticcheck},
		{name: "vuln", what: "no known vulnerability is called", do: (*run).vuln, slow: true},
		{name: "test", what: "every test, those of code that shares memory with the race detector", do: (*run).test},
	}
}

// parse reads flags, names of steps and packages (they begin with a dot); no name means every step.
func (r *run) parse(args []string, usage io.Writer) ([]step, error) {
	flags := flag.NewFlagSet("check", flag.ContinueOnError)
	flags.SetOutput(usage)
	flags.BoolVar(&r.fast, "fast", false, "without the race detector and the vulnerability database")
	flags.Usage = func() {
		fmt.Fprintln(usage, "usage: go run ./cmd/check [-fast] [step …] [./package …]\n       go run ./cmd/check shots -help\n\nsteps:")
		for _, s := range steps() {
			fmt.Fprintf(usage, "  %-12s %s\n", s.name, s.what)
		}
		fmt.Fprintln(usage)
		flags.PrintDefaults()
	}
	if err := flags.Parse(args); err != nil {
		return nil, err
	}
	var names, packages []string
	for _, a := range flags.Args() {
		if strings.HasPrefix(a, ".") {
			packages = append(packages, a)
			continue
		}
		if !slices.ContainsFunc(steps(), func(s step) bool { return s.name == a }) {
			return nil, fmt.Errorf("no step is called %q; see -help", a)
		}
		names = append(names, a)
	}
	if len(packages) > 0 {
		r.packages = packages
	}
	// Tests fail for want of their tools with many messages instead of one.
	if slices.Contains(names, "test") {
		names = append(names, "tools")
	}
	var chosen []step
	for _, s := range steps() {
		switch {
		case len(names) > 0 && !slices.Contains(names, s.name):
		case len(names) == 0 && r.fast && s.slow:
		default:
			chosen = append(chosen, s)
		}
	}
	return chosen, nil
}

// failure is an error with the output of the tool that failed.
type failure struct {
	err    error
	output string
}

func (f *failure) Error() string { return f.err.Error() }
func (f *failure) Unwrap() error { return f.err }

func (r *run) all(ctx context.Context, chosen []step) int {
	begun := time.Now()
	var summary strings.Builder
	passed, failed := 0, 0
	for _, s := range chosen {
		fmt.Fprintf(r.out, "== %s: %s\n", s.name, s.what)
		start := time.Now()
		note, err := "", context.Cause(ctx)
		if err == nil {
			note, err = s.do(r, ctx)
		}
		result := "passed"
		if err != nil {
			failed++
			result = "FAILED"
			if note == "" {
				note = firstLine(err.Error())
			}
			var f *failure
			if errors.As(err, &f) && f.output != "" {
				fmt.Fprintln(r.out, strings.TrimRight(f.output, "\n"))
			}
			fmt.Fprintf(r.out, "-- %s FAILED: %v\n", s.name, err)
		} else {
			passed++
		}
		line := strings.TrimRight(fmt.Sprintf("%-12s %6.1fs  %s  %s", s.name, time.Since(start).Seconds(), result, note), " ")
		if err == nil {
			fmt.Fprintln(r.out, "--", line)
		}
		fmt.Fprintln(&summary, line)
	}
	fmt.Fprintf(r.out, "\n%s%-12s %6.1fs\n\n", summary.String(), "in all", time.Since(begun).Seconds())
	passed, failed = passed+r.testsPassed, failed+r.testsFailed
	fmt.Fprintf(r.out, "%d passed, %d failed\n", passed, failed)
	if failed > 0 {
		return 1
	}
	return 0
}

func firstLine(s string) string {
	line, _, _ := strings.Cut(s, "\n")
	return line
}

// enterRoot makes the repository's root the working folder, wherever in it the command was called.
func enterRoot() error {
	dir, err := os.Getwd()
	if err != nil {
		return err
	}
	for {
		if _, err := os.Stat(filepath.Join(dir, "go.mod")); err == nil {
			return os.Chdir(dir)
		}
		parent := filepath.Dir(dir)
		if parent == dir {
			return errors.New("no go.mod here or above: call it inside the repository")
		}
		dir = parent
	}
}
