package main

import (
	"archive/zip"
	"errors"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"example.org/stillroom/internal/interchange"
	"example.org/stillroom/internal/pgtest"
)

// tablesIn reads a folder of tables, with the folder book in it.
func tablesIn(t *testing.T, dir string) map[string]string {
	t.Helper()
	all := map[string]string{}
	check(t, fs.WalkDir(os.DirFS(dir), ".", func(path string, e fs.DirEntry, err error) error {
		if err != nil || e.IsDir() {
			return err
		}
		text, err := os.ReadFile(filepath.Join(dir, filepath.FromSlash(path)))
		all[path] = string(text)
		return err
	}))
	return all
}

func write(t *testing.T, dir string, files map[string]string) string {
	t.Helper()
	check(t, os.MkdirAll(dir, 0o755))
	for name, text := range files {
		check(t, os.WriteFile(filepath.Join(dir, name), []byte(text), 0o644))
	}
	return dir
}

func TestABookGoesOutAsTablesAndComesBackTheSame(t *testing.T) {
	t.Parallel()
	db, _ := book(t)
	env := []string{"STILLROOM_DATABASE_URL=" + db.OwnerURL}
	dir := filepath.Join(t.TempDir(), "deep", "tables")
	got := run(t, env, "export", dir)
	wantStatus(t, "export", got, 0)
	first := tablesIn(t, dir)
	if len(first) <= len(interchange.Tables()) || !strings.Contains(first["book/batch.csv"], "OB-26101-01") || !strings.Contains(first["batches.csv"], "OB-26101-01") || !strings.HasPrefix(got.out, dir+": ") {
		t.Fatalf("it wrote %d tables, batches %q, and says %q", len(first), first["batches.csv"], got.out)
	}

	// Into a private database that is made for it, from the folder and from a zip.
	data := folder(t)
	in := run(t, nil, "import", dir, "--data", data)
	wantStatus(t, "import", in, 0)
	if !strings.Contains(in.out, "Saved.") || in.errs != "" {
		t.Errorf("out %q, err %q", in.out, in.errs)
	}
	packed := filepath.Join(t.TempDir(), "tables.zip")
	file, err := os.Create(packed)
	check(t, err)
	z := zip.NewWriter(file)
	check(t, z.AddFS(os.DirFS(dir)))
	check(t, errors.Join(z.Close(), file.Close()))
	in = run(t, nil, "import", packed, "--data", data)
	wantStatus(t, "the same again", in, 0)
	if !strings.Contains(in.out, "nothing was changed") {
		t.Errorf("the same again says %q", in.out)
	}
	other := filepath.Join(t.TempDir(), "tables")
	wantStatus(t, "export of the copy", run(t, nil, "export", other, "--data", data), 0)
	if diff := cmp.Diff(first, tablesIn(t, other)); diff != "" {
		t.Errorf("the copy exports otherwise: %s", diff)
	}
	wantStatus(t, "verify of the copy", run(t, nil, "verify", "--data", data), 0)

	// Over an earlier export; a row that is gone is gone.
	check(t, os.WriteFile(filepath.Join(dir, "batches.csv"), []byte("old"), 0o644))
	check(t, os.WriteFile(filepath.Join(dir, "book", "gone.csv"), []byte("old"), 0o644))
	wantStatus(t, "export over an earlier one", run(t, env, "export", dir), 0)
	if diff := cmp.Diff(first, tablesIn(t, dir)); diff != "" {
		t.Error(diff)
	}
}

func TestAnImportWithFaultsSavesNothingAndTellsThemAll(t *testing.T) {
	t.Parallel()
	db := pgtest.Database(t)
	env := []string{"STILLROOM_DATABASE_URL=" + db.OwnerURL}
	bad := write(t, t.TempDir(), map[string]string{
		"suppliers.csv":     "code,name\nFO,Fenmarch Oils\n",
		"material_lots.csv": "code,material,supplier,received_on,quantity,status\nOO-1,OO,FO,2026-02-30,5,released\nOO-2,NONE,FO,2026-02-03,-5,released\n",
		"materials.csv":     "code,name,kind,unit\nOO,Oat oil,raw,g\n",
	})
	got := run(t, env, "import", bad)
	wantStatus(t, "with faults", got, 1)
	for _, want := range []string{"material_lots.csv:2: received_on:", "material_lots.csv:3: quantity:", "nothing was saved"} {
		if !strings.Contains(got.errs, want) {
			t.Errorf("it does not say %q: %s", want, got.errs)
		}
	}
	if got.out != "" {
		t.Errorf("standard output says %q", got.out)
	}
	out := filepath.Join(t.TempDir(), "out")
	wantStatus(t, "export", run(t, env, "export", out), 0)
	if suppliers := tablesIn(t, out)["suppliers.csv"]; strings.Contains(suppliers, "FO") {
		t.Errorf("something was saved: %q", suppliers)
	}

	good := write(t, t.TempDir(), map[string]string{"suppliers.csv": "code,name\nFO,Fenmarch Oils\n"})
	wantStatus(t, "without", run(t, env, "import", good), 0)
	write(t, good, map[string]string{"suppliers.csv": "code,name\nFO,Fenmarch Oil Company\n"})
	wantStatus(t, "another name is a conflict", run(t, env, "import", good), 1)
	changed := run(t, env, "import", good, "--update")
	wantStatus(t, "with --update", changed, 0)
	wantStatus(t, "verify", run(t, env, "verify"), 0)
	wantStatus(t, "a folder that is not there", run(t, env, "import", filepath.Join(good, "none")), 1)
	wantStatus(t, "a file that is no zip", run(t, env, "import", filepath.Join(good, "suppliers.csv")), 1)
}

func TestAFolderOfSomethingElseIsNotExportedInto(t *testing.T) {
	t.Parallel()
	db, _ := book(t)
	env := []string{"STILLROOM_DATABASE_URL=" + db.OwnerURL}
	for name, files := range map[string]map[string]string{
		"letters":              {"letter.txt": "Dear Mara"},
		"a table of another's": {"sales.csv": "a,b\n"},
		"tables, and a letter": {"batches.csv": "code\n", "letter.txt": "Dear Mara"},
	} {
		dir := write(t, t.TempDir(), files)
		got := run(t, env, "export", dir)
		wantStatus(t, name, got, 1)
		if diff := cmp.Diff(files, tablesIn(t, dir)); diff != "" {
			t.Errorf("%s was touched: %s", name, diff)
		}
	}
	file := filepath.Join(t.TempDir(), "file")
	check(t, os.WriteFile(file, nil, 0o644))
	wantStatus(t, "a file", run(t, env, "export", file), 1)
	empty := t.TempDir()
	wantStatus(t, "an empty folder", run(t, env, "export", empty), 0)
}

// An export that breaks off leaves the folder as it was.
func TestAnExportThatBreaksOffLeavesNoHalf(t *testing.T) {
	t.Parallel()
	broken := errors.New("the line broke")
	half := func(create func(string) (io.Writer, error)) error {
		w, err := create("batches.csv")
		check(t, err)
		_, err = io.WriteString(w, "code,half")
		check(t, err)
		return broken
	}
	fresh := filepath.Join(t.TempDir(), "tables")
	if _, err := exportTo(fresh, half); !errors.Is(err, broken) {
		t.Error(err)
	}
	if _, err := os.Stat(fresh); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("the folder is there: %v", err)
	}
	old := map[string]string{"batches.csv": "code\n", "materials.csv": "code\n"}
	dir := write(t, t.TempDir(), old)
	if _, err := exportTo(dir, half); !errors.Is(err, broken) {
		t.Error(err)
	}
	if diff := cmp.Diff(old, tablesIn(t, dir)); diff != "" {
		t.Error(diff)
	}
}
