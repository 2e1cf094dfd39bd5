package main

import (
	"bytes"
	"errors"
	"fmt"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// said builds the lines of `go test -json`: action, package, test, output.
func said(rows ...[4]string) string {
	var b strings.Builder
	for _, r := range rows {
		fmt.Fprintf(&b, `{"Action":%q,"Package":%q,"Test":%q,"Output":%q}`+"\n", r[0], r[1], r[2], r[3])
	}
	return b.String()
}

func TestGoTestIsCountedAndOnlyFailuresAreShown(t *testing.T) {
	t.Parallel()
	exit := errors.New("exit status 1")
	good := [][4]string{
		{"output", "a", "TestOne", "=== RUN   TestOne\n"}, {"output", "a", "TestOne", "chatter\n"}, {"pass", "a", "TestOne", ""},
		{"pass", "a", "TestOne/row", ""}, {"output", "a", "", "PASS\n"}, {"output", "a", "", "ok  \ta\t0.1s\n"}, {"pass", "a", "", ""},
	}
	none := [][4]string{{"output", "n", "", "?   \tn\t[no test files]\n"}, {"skip", "n", "", ""}}
	for _, c := range []struct {
		name           string
		stream         string
		wait           error
		passed, failed int
		shown, err     string
	}{
		{"all pass", said(append(none, good...)...), nil, 2, 0, "ok  \ta\t0.1s\n", ""},
		{"no test at all", said(none...), nil, 0, 0, "", "no test ran"},
		{"one fails", said(append(good, [][4]string{
			{"output", "b", "TestTwo", "=== RUN   TestTwo\n"}, {"output", "b", "TestTwo", "    x_test.go:3: got 1\n"},
			{"output", "b", "TestTwo", "--- FAIL: TestTwo (0.00s)\n"}, {"fail", "b", "TestTwo", ""},
			{"output", "b", "", "FAIL\tb\t0.2s\n"}, {"fail", "b", "", ""},
		}...)...), exit, 2, 1,
			"ok  \ta\t0.1s\n# b\n    x_test.go:3: got 1\n--- FAIL: TestTwo (0.00s)\nFAIL\tb\t0.2s\n", "exit status 1"},
		{"a skipped test is a failed one", said(append(good, [4]string{"skip", "a", "TestLazy", ""})...), nil, 2, 1,
			"ok  \ta\t0.1s\n", "no test may be skipped: a TestLazy"},
		{"a test that never ended", said([][4]string{
			{"output", "b", "TestSlow", "where it hung\n"}, {"output", "b", "", "panic: test timed out\n"}, {"output", "b", "", "FAIL\tb\t9s\n"}, {"fail", "b", "", ""},
		}...), exit, 0, 1, "FAIL\tb\t9s\npanic: test timed out\n--- did not end: b TestSlow\n# b\nwhere it hung\n", "exit status 1"},
		{"code that does not compile", `{"ImportPath":"b","Action":"build-output","Output":"b.go:1: no\n"}` + "\n" +
			said([4]string{"output", "b", "", "FAIL\tb [build failed]\n"}, [4]string{"fail", "b", "", ""}), exit, 0, 0,
			"b.go:1: no\nFAIL\tb [build failed]\n", "exit status 1"},
		{"go itself complains, in no JSON", "go: no packages\n", exit, 0, 0, "go: no packages\n", "exit status 1"},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			var out bytes.Buffer
			tl := tally{out: &out}
			if err := tl.read(strings.NewReader(c.stream)); err != nil {
				t.Fatal(err)
			}
			err := tl.verdict(c.wait)
			if (err != nil) != (c.err != "") || (err != nil && !strings.Contains(err.Error(), c.err)) {
				t.Errorf("verdict %v, want %q", err, c.err)
			}
			got := []any{tl.passed, tl.failed, out.String()}
			if diff := cmp.Diff([]any{c.passed, c.failed, c.shown}, got); diff != "" {
				t.Errorf("passed, failed, shown (-want +got):\n%s", diff)
			}
		})
	}
}

func TestALongFailureIsCut(t *testing.T) {
	t.Parallel()
	var rows [][4]string
	for range most + 7 {
		rows = append(rows, [4]string{"output", "a", "TestLoud", "line\n"})
	}
	rows = append(rows, [4]string{"fail", "a", "TestLoud", ""})
	var out bytes.Buffer
	tl := tally{out: &out}
	if err := tl.read(strings.NewReader(said(rows...))); err != nil {
		t.Fatal(err)
	}
	if n := strings.Count(out.String(), "line\n"); n != most || !strings.HasSuffix(out.String(), "… and 7 lines more\n") {
		t.Errorf("%d lines, ending in %q", n, out.String()[max(0, out.Len()-40):])
	}
}
