package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"strings"

	"example.org/stillroom/internal/chrome"
	"example.org/stillroom/internal/pgprivate"
)

// tool is a program that the checks need, and the Debian packages that bring it. Where those cannot be had, instead finds
// what serves as well, if there is such a thing.
type tool struct {
	name     string
	find     func() error
	packages []string
	instead  func() error
}

func (r *run) needed(ctx context.Context) []tool {
	tools := []tool{
		{name: "git", find: onPath("git"), packages: []string{"git"}},
		{name: "PostgreSQL 15 or later", find: func() error { _, err := pgprivate.Find("", 0); return err }, packages: []string{"postgresql"}},
		// Without a font, text has no size, and neither has anything measured in it.
		{name: "Chromium's headless shell", find: func() error { _, err := chrome.FindShell(); return err }, packages: []string{"chromium-headless-shell", "fonts-liberation"},
			instead: func() error { _, err := chrome.Find(); return err }},
	}
	if !r.fast {
		tools = append(tools, tool{name: "a C compiler, for the race detector", find: func() error {
			cc, err := command(ctx, "go", "env", "CC").Output()
			if err != nil {
				return fmt.Errorf("go env CC: %w", err)
			}
			fields := strings.Fields(string(cc))
			if len(fields) == 0 {
				return errors.New("go env CC is empty")
			}
			return onPath(fields[0])()
		}, packages: []string{"gcc", "libc6-dev"}})
	}
	return tools
}

func onPath(name string) func() error {
	return func() error { _, err := exec.LookPath(name); return err }
}

func (r *run) tools(ctx context.Context) (string, error) {
	s := setup{
		root:   os.Geteuid() == 0,
		exists: func(name string) bool { return onPath(name)() == nil },
		run: func(name string, args ...string) error {
			fmt.Fprintln(r.out, "  ", name, strings.Join(args, " "))
			_, err := output(ctx, name, args...)
			return err
		},
	}
	return s.provide(r.needed(ctx))
}

// setup is what installing depends on; tests give their own.
type setup struct {
	root   bool
	exists func(program string) bool
	run    func(name string, args ...string) error
}

// provide installs what is missing, or goes on with what serves instead.
func (s setup) provide(tools []tool) (string, error) {
	note, err := s.install(tools)
	if err == nil {
		return note, nil
	}
	for _, t := range tools {
		if t.find() != nil && (t.instead == nil || t.instead() != nil) {
			return "", err
		}
	}
	return "not all could be installed, and others serve", nil
}

// install installs what is missing, in one go, and looks again. It fails with the line to type where it cannot.
func (s setup) install(tools []tool) (string, error) {
	missing, packages := lacking(tools)
	if len(missing) == 0 {
		return "", nil
	}
	line := "apt-get update && apt-get install -y " + strings.Join(packages, " ")
	prefix, ok := s.asRoot()
	if !ok {
		return "", fmt.Errorf("missing: %s.\nOn Debian, run as root: %s", strings.Join(missing, "; "), line)
	}
	for _, args := range [][]string{
		{"update", "-q"},
		append([]string{"install", "-y", "-q", "--no-install-recommends"}, packages...),
	} {
		all := append(append([]string(nil), prefix...), append([]string{"env", "DEBIAN_FRONTEND=noninteractive", "apt-get"}, args...)...)
		if err := s.run(all[0], all[1:]...); err != nil {
			return "", fmt.Errorf("installing %s: %w", strings.Join(packages, ", "), err)
		}
	}
	if missing, _ := lacking(tools); len(missing) > 0 {
		return "", fmt.Errorf("installed %s and still missing: %s", strings.Join(packages, ", "), strings.Join(missing, "; "))
	}
	return "installed " + strings.Join(packages, ", "), nil
}

// asRoot gives what to put before a command so that it runs as root without a question being asked.
func (s setup) asRoot() (prefix []string, ok bool) {
	switch {
	case !s.exists("apt-get"):
		return nil, false
	case s.root:
		return nil, true
	case s.exists("sudo") && s.run("sudo", "-n", "true") == nil:
		return []string{"sudo", "-n"}, true
	}
	return nil, false
}

func lacking(tools []tool) (missing, packages []string) {
	for _, t := range tools {
		if err := t.find(); err != nil {
			missing = append(missing, fmt.Sprintf("%s (%s)", t.name, firstLine(err.Error())))
			packages = append(packages, t.packages...)
		}
	}
	return missing, packages
}
