package main

import (
	"bytes"
	"context"
	"errors"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

func TestArgumentsChooseTheSteps(t *testing.T) {
	t.Parallel()
	everything := "tools gofmt generated tidy build vet staticcheck vuln test"
	for _, c := range []struct {
		name, args      string
		steps, packages string
		fast            bool
	}{
		{"none means all", "", everything, "./...", false},
		{"fast leaves out the vulnerability database", "-fast", strings.Replace(everything, "vuln ", "", 1), "./...", true},
		{"named ones in their usual order", "vet gofmt", "gofmt vet", "./...", false},
		{"fast and named", "-fast vuln", "vuln", "./...", true},
		{"tests bring their tools", "test", "tools test", "./...", false},
		{"packages begin with a dot", "vet ./web/bench ./internal/...", "vet", "./web/bench ./internal/...", false},
		{"packages alone narrow every step", "./cmd/check", everything, "./cmd/check", false},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			r := &run{packages: []string{"./..."}}
			chosen, err := r.parse(strings.Fields(c.args), io.Discard)
			if err != nil {
				t.Fatal(err)
			}
			var names []string
			for _, s := range chosen {
				names = append(names, s.name)
			}
			got := []any{strings.Join(names, " "), strings.Join(r.packages, " "), r.fast}
			if diff := cmp.Diff([]any{c.steps, c.packages, c.fast}, got); diff != "" {
				t.Errorf("(-want +got):\n%s", diff)
			}
		})
	}
}

func TestAnUnknownStepIsRefusedAndNotPassedOver(t *testing.T) {
	t.Parallel()
	if _, err := (&run{}).parse([]string{"vett"}, io.Discard); err == nil || !strings.Contains(err.Error(), `"vett"`) {
		t.Errorf("got %v", err)
	}
}

func TestARunGoesOnAfterAFailureAndEndsWithTheCount(t *testing.T) {
	t.Parallel()
	good := step{name: "good", do: func(r *run, _ context.Context) (string, error) { r.testsPassed = 40; return "noted", nil }}
	bad := step{name: "bad", do: func(*run, context.Context) (string, error) {
		return "", &failure{errors.New("exit status 1"), "what the tool said"}
	}}
	for _, c := range []struct {
		name  string
		steps []step
		code  int
		last  string
		holds []string
	}{
		{"all good", []step{good}, 0, "41 passed, 0 failed", []string{"good", "noted"}},
		{"one bad", []step{bad, good}, 1, "41 passed, 1 failed", []string{"what the tool said", "-- bad FAILED: exit status 1", "noted"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			var out bytes.Buffer
			code := (&run{out: &out}).all(t.Context(), c.steps)
			lines := strings.Split(strings.TrimSuffix(out.String(), "\n"), "\n")
			if last := lines[len(lines)-1]; code != c.code || last != c.last {
				t.Errorf("exit %d with last line %q, want %d and %q", code, last, c.code, c.last)
			}
			for _, want := range c.holds {
				if !strings.Contains(out.String(), want) {
					t.Errorf("no %q in:\n%s", want, out.String())
				}
			}
		})
	}
}

func TestAnInterruptedRunBeginsNoFurtherStepAndFails(t *testing.T) {
	t.Parallel()
	ctx, cancel := context.WithCancel(t.Context())
	begun := 0
	first := step{name: "first", do: func(*run, context.Context) (string, error) { begun++; cancel(); return "", nil }}
	second := step{name: "second", do: func(*run, context.Context) (string, error) { begun++; return "", nil }}
	if code := (&run{out: io.Discard}).all(ctx, []step{first, second}); code != 1 || begun != 1 {
		t.Errorf("exit %d after %d steps", code, begun)
	}
}

func TestAFailedToolIsShownWithItsOutput(t *testing.T) {
	t.Parallel()
	_, err := output(t.Context(), "sh", "-c", "echo to one; echo to the other >&2; exit 3")
	var f *failure
	if !errors.As(err, &f) || f.output != "to one\nto the other\n" || !strings.Contains(err.Error(), "exit status 3") {
		t.Errorf("got %#v: %v", f, err)
	}
}

func TestOnlyAnAbsentDatabaseExcusesTheVulnerabilityCheck(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		name, said string
		want       bool
	}{
		{"no such host", `govulncheck: fetching vulnerabilities: Get "https://vuln.invalid/index.gz": dial tcp: no such host`, true},
		{"a finding", "=== Symbol Results ===\n\nVulnerability #1: GO-2099-0001\n", false},
		{"code that does not load", "govulncheck: loading packages: undefined: x", false},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			if got := unreachable([]byte(c.said)); got != c.want {
				t.Errorf("got %t", got)
			}
		})
	}
}

func TestGeneratedFilesAreComparedByContent(t *testing.T) {
	t.Parallel()
	root := t.TempDir()
	write := func(name, content string) {
		t.Helper()
		path := filepath.Join(root, name)
		if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(path, []byte(content), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	write("web/same_templ.go", "a")
	write("web/stale_templ.go", "old")
	write("web/orphan_templ.go", "a")
	write("web/hand.go", "old")
	write(".git/x_templ.go", "old")
	before, err := digests(root)
	if err != nil {
		t.Fatal(err)
	}
	write("web/same_templ.go", "a")
	write("web/stale_templ.go", "new")
	write("web/fresh_templ.go", "new")
	write("web/hand.go", "new")
	write(".git/x_templ.go", "new")
	if err := os.Remove(filepath.Join(root, "web/orphan_templ.go")); err != nil {
		t.Fatal(err)
	}
	after, err := digests(root)
	if err != nil {
		t.Fatal(err)
	}
	var got []string
	for _, line := range changes(before, after) {
		got = append(got, strings.TrimPrefix(line, filepath.ToSlash(root)+"/web/"))
	}
	want := []string{"fresh_templ.go: was missing", "orphan_templ.go: has no template", "stale_templ.go: was stale"}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
}
