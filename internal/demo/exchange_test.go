package demo_test

import (
	"bytes"
	"context"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"example.org/stillroom/internal/access"
	"example.org/stillroom/internal/pgtest"
	"example.org/stillroom/internal/store"
)

func exported(t *testing.T, x shop) map[string]string {
	t.Helper()
	s := serving(t, x.url)
	files := map[string]*bytes.Buffer{}
	if err := s.Export(t.Context(), x.id, func(name string) (io.Writer, error) {
		files[name] = &bytes.Buffer{}
		return files[name], nil
	}); err != nil {
		t.Fatal(err)
	}
	out := map[string]string{}
	for name, b := range files {
		out[name] = b.String()
	}
	return out
}

// serving is the store as the role that serves.
func serving(t *testing.T, ownerURL string) *store.Store {
	t.Helper()
	s, err := store.Open(t.Context(), strings.Replace(ownerURL, "user=stillroom_owner", "user=stillroom_app", 1))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(s.Close)
	return s
}

// The longest book that the tests have leaves whole, enters an empty workshop, and leaves it the same: the tables of the
// contract, those of the folder book, and the papers.
func TestTheDemoComesBackByteForByte(t *testing.T) {
	t.Parallel()
	x := whole(t)
	first := exported(t, x)
	for name, least := range map[string]int{"batches.csv": 180, "book/person.csv": 2, "book/signature.csv": 50, "book/batch_input.csv": 500, "book/portion_line.csv": 30, "book/deviation.csv": 2, "book/log_entry.csv": 100, "book/complaint.csv": 9, "book/complaint_entry.csv": 10} {
		if n := strings.Count(first[name], "\n"); n < least {
			t.Errorf("%s has %d lines, want %d at least", name, n, least)
		}
	}
	dir := t.TempDir()
	for name, text := range first {
		if err := os.MkdirAll(filepath.Dir(filepath.Join(dir, name)), 0o700); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	src, err := store.OpenImportDir(dir)
	if err != nil {
		t.Fatal(err)
	}
	y := open(t, pgtest.Database(t))
	who := store.Who{Workshop: y.id, Role: access.Owner, Actor: "command"}
	report, err := serving(t, y.url).Import(context.Background(), who, src, store.ImportOptions{})
	if err != nil || !report.Saved {
		t.Fatalf("%v %+v", err, report.Faults[:min(20, len(report.Faults))])
	}
	if diff := cmp.Diff(first, exported(t, y)); diff != "" {
		t.Errorf("exported (-first +second):\n%s", diff)
	}
	y.holds(t)
	if told := y.count(t, `SELECT count(*) FROM signature s JOIN change c ON c.id = s.change_id WHERE c.within IS NOT NULL`); told != x.count(t, `SELECT count(*) FROM signature`) {
		t.Errorf("%d signatures are told ones, want all", told)
	}
	report, err = serving(t, x.url).Import(context.Background(), store.Who{Workshop: x.id, Role: access.Owner, Actor: "command"}, src, store.ImportOptions{})
	if err != nil || !report.Nothing() {
		t.Errorf("its own export again: %v %+v %+v", err, report.Tables, report.Faults[:min(20, len(report.Faults))])
	}
}
