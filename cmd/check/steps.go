package main

import (
	"bytes"
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"go/format"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"time"
)

// command runs a program in a process group of its own, so that an interrupt ends its children too.
func command(ctx context.Context, name string, args ...string) *exec.Cmd {
	c := exec.CommandContext(ctx, name, args...)
	c.SysProcAttr = &syscall.SysProcAttr{Setpgid: true}
	c.Cancel = func() error { return syscall.Kill(-c.Process.Pid, syscall.SIGTERM) }
	c.WaitDelay = 10 * time.Second
	return c
}

// output runs a program; a failure carries what it printed.
func output(ctx context.Context, name string, args ...string) ([]byte, error) {
	out, err := command(ctx, name, args...).CombinedOutput()
	if err != nil {
		if cause := context.Cause(ctx); cause != nil {
			err = cause
		}
		err = &failure{fmt.Errorf("%s %s: %w", name, strings.Join(args, " "), err), string(out)}
	}
	return out, err
}

// goFiles are the Go files that git has or would take, by their path from the root.
func goFiles(ctx context.Context) ([]string, error) {
	list, err := command(ctx, "git", "ls-files", "-z", "--cached", "--others", "--exclude-standard", "*.go").Output()
	if err != nil {
		return nil, fmt.Errorf("git ls-files: %w", err)
	}
	var files []string
	for name := range strings.SplitSeq(string(list), "\x00") {
		if name == "" || slices.Contains(files, name) {
			continue
		}
		if _, err := os.Stat(name); err == nil { // removed and not yet committed
			files = append(files, name)
		}
	}
	return files, nil
}

func (r *run) gofmt(ctx context.Context) (string, error) {
	files, err := goFiles(ctx)
	if err != nil {
		return "", err
	}
	if len(files) == 0 {
		return "", errors.New("git knows no Go file")
	}
	var wrong []string
	for _, name := range files {
		src, err := os.ReadFile(name)
		if err != nil {
			return "", err
		}
		want, err := format.Source(src)
		switch {
		case err != nil:
			wrong = append(wrong, fmt.Sprintf("%s: %v", name, err))
		case !bytes.Equal(src, want):
			wrong = append(wrong, name)
		}
	}
	if len(wrong) > 0 {
		return "", &failure{fmt.Errorf("%d files need gofmt -w", len(wrong)), strings.Join(wrong, "\n")}
	}
	return fmt.Sprintf("%d files", len(files)), nil
}

// generated lets templ write its files and compares all of them, ignored and untracked ones too, with what was there
// before. It works on contents, so that a tree with uncommitted work is judged as it stands; what templ wrote stays.
func (r *run) generated(ctx context.Context) (string, error) {
	before, err := digests(".")
	if err != nil {
		return "", err
	}
	if _, err := output(ctx, "go", "tool", "templ", "generate"); err != nil {
		return "", err
	}
	after, err := digests(".")
	if err != nil {
		return "", err
	}
	if diff := changes(before, after); len(diff) > 0 {
		return "", &failure{errors.New("generated files were not fresh; they are now: commit them"), strings.Join(diff, "\n")}
	}
	return fmt.Sprintf("%d files", len(after)), nil
}

// digests gives the SHA-256 of each *_templ.go file under root, by path.
func digests(root string) (map[string][sha256.Size]byte, error) {
	found := map[string][sha256.Size]byte{}
	err := filepath.WalkDir(root, func(path string, d fs.DirEntry, err error) error {
		switch {
		case err != nil:
			return err
		case d.IsDir() && d.Name() == ".git":
			return filepath.SkipDir
		case d.IsDir() || !strings.HasSuffix(path, "_templ.go"):
			return nil
		}
		b, err := os.ReadFile(path)
		if err == nil {
			found[filepath.ToSlash(path)] = sha256.Sum256(b)
		}
		return err
	})
	return found, err
}

func changes(before, after map[string][sha256.Size]byte) []string {
	var diff []string
	for path, sum := range after {
		if old, ok := before[path]; !ok {
			diff = append(diff, path+": was missing")
		} else if old != sum {
			diff = append(diff, path+": was stale")
		}
	}
	for path := range before {
		if _, ok := after[path]; !ok {
			diff = append(diff, path+": has no template")
		}
	}
	slices.Sort(diff)
	return diff
}

func (r *run) tidy(ctx context.Context) (string, error) {
	_, err := output(ctx, "go", "mod", "tidy", "-diff")
	return "", err
}

func (r *run) build(ctx context.Context) (string, error) {
	_, err := output(ctx, "go", append([]string{"build"}, r.packages...)...)
	return "", err
}

func (r *run) vet(ctx context.Context) (string, error) {
	_, err := output(ctx, "go", append([]string{"vet"}, r.packages...)...)
	return "", err
}

func (r *run) staticcheck(ctx context.Context) (string, error) {
	_, err := output(ctx, "go", append([]string{"tool", "staticcheck"}, r.packages...)...)
	return "", err
}

func (r *run) vuln(ctx context.Context) (string, error) {
	out, err := output(ctx, "go", append([]string{"tool", "govulncheck"}, r.packages...)...)
	if err != nil && unreachable(out) {
		return "database not reachable, not checked", nil
	}
	return "", err
}

// unreachable tells govulncheck's failure to load its database, which says nothing about us, from a finding.
func unreachable(out []byte) bool {
	return bytes.Contains(out, []byte("govulncheck: fetching vulnerabilities: "))
}
