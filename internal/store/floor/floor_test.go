package floor

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
)

func TestReadsOfAPageNameTheWorkshopOnce(t *testing.T) {
	t.Parallel()
	named := `SELECT set_config('app.workshop_id', $1::text, true)`
	got := Reads([]Statement{
		{SQL: "begin isolation level repeatable read read only"}, {SQL: named}, {SQL: `SELECT s.id FROM session s WHERE s.workshop_id = $1`}, {SQL: "commit"},
		{SQL: "begin"}, {SQL: named}, {SQL: `SELECT code FROM batch`}, {SQL: ` WITH RECURSIVE x AS (SELECT 1) SELECT * FROM x`}, {SQL: `UPDATE session SET seen_at = $1`}, {SQL: "commit"},
	})
	var texts []string
	for _, s := range got {
		texts = append(texts, s.SQL)
	}
	want := []string{named, `SELECT code FROM batch`, ` WITH RECURSIVE x AS (SELECT 1) SELECT * FROM x`}
	if diff := cmp.Diff(want, texts); diff != "" {
		t.Errorf("reads (-want +got):\n%s", diff)
	}
}

func TestReadsFindTheWorkshopInTheBeginning(t *testing.T) {
	t.Parallel()
	naming := `SELECT set_config('app.workshop_id', '01890000-0000-7000-8000-0000000000ab', true)`
	got := Reads([]Statement{{SQL: "begin isolation level repeatable read read only; " + naming}, {SQL: `SELECT code FROM batch`}, {SQL: "commit"}, {SQL: "begin; " + naming}, {SQL: `UPDATE session SET seen_at = $1`}})
	if diff := cmp.Diff([]Statement{{SQL: naming}, {SQL: `SELECT code FROM batch`}}, got); diff != "" {
		t.Errorf("reads (-want +got):\n%s", diff)
	}
}

func TestScriptIsTheImportWithoutItsChecks(t *testing.T) {
	t.Parallel()
	dir, work, workshop := t.TempDir(), t.TempDir(), uuid.MustParse("00000000-0000-4000-8000-00000000000a")
	table := "code,name,email\nH&D,\"Holm, and\tDaughters\",a@example.org\n"
	if err := os.WriteFile(filepath.Join(dir, "suppliers.csv"), []byte(table), 0o644); err != nil {
		t.Fatal(err)
	}
	args := []any{pgx.NamedArgs{"ws": workshop, "change": uuid.New(), "zone": "Europe/Dublin", "update": false}}
	recorded := []Statement{
		{SQL: `INSERT INTO change (id) VALUES ($1)`, Args: []any{1}},
		{SQL: `CREATE TEMP TABLE import_fault (tab text)`},
		{SQL: `CREATE TEMP TABLE in_suppliers (row integer, id uuid, id2 uuid, bad boolean, code text COLLATE "C", name text, email text, keys text) ON COMMIT DROP`},
		{SQL: `ANALYZE in_suppliers`},
		{SQL: `INSERT INTO import_fault (tab) SELECT 'suppliers'`, Args: args},
		{SQL: `CREATE TEMP TABLE known_suppliers ON COMMIT DROP AS SELECT 1`},
	}
	for range 20 {
		recorded = append(recorded, Statement{SQL: `INSERT INTO supplier SELECT @ws::uuid, @change::uuid, @zone::text, @update::boolean FROM in_suppliers`, Args: args})
	}
	s, err := NewScript(t.Context(), recorded, dir, work, workshop)
	if err != nil {
		t.Fatal(err)
	}
	var all strings.Builder
	copies := 0
	for _, st := range s.steps {
		all.WriteString(st.sql + "\n")
		if st.copy != "" {
			copies++
		}
	}
	text := all.String()
	for _, no := range []string{"INSERT INTO import_fault", "VALUES ($1)", "AS SELECT 1", "@"} {
		if strings.Contains(text, no) {
			t.Errorf("the script holds %q", no)
		}
	}
	for _, yes := range []string{"'" + workshop.String() + "'::uuid", "'Europe/Dublin'::text", "false::boolean", "known_suppliers (row integer", "INSERT INTO change"} {
		if !strings.Contains(text, yes) {
			t.Errorf("the script does not hold %q", yes)
		}
	}
	data, err := os.ReadFile(filepath.Join(work, "suppliers.copy"))
	if err != nil || copies != 1 {
		t.Fatalf("%d copies, %v", copies, err)
	}
	cells := strings.Split(strings.TrimSuffix(string(data), "\n"), "\t")
	cells[1], cells[2] = "id", "id2"
	if diff := cmp.Diff([]string{"2", "id", "id2", "f", "H&D", `Holm, and\tDaughters`, "a@example.org", "holm and daughters hd"}, cells); diff != "" {
		t.Errorf("copied (-want +got):\n%s", diff)
	}
}

func TestEntriesTellFreshValuesFromKeptOnes(t *testing.T) {
	t.Parallel()
	lot, a, b := uuid.New(), uuid.New(), uuid.New()
	one := []Statement{{SQL: "begin"}, {"SELECT set_config('x', $1, true)", []any{a.String()}}, {"SELECT 1", nil}, {"INSERT", []any{lot, [16]byte(a)}}, {"SELECT 2", nil}, {SQL: "commit"}}
	two := []Statement{{SQL: "begin"}, {"SELECT set_config('x', $1, true)", []any{b.String()}}, {"SELECT 1", nil}, {"INSERT", []any{lot, [16]byte(b)}}, {"SELECT 2", nil}, {SQL: "commit"}}
	e, err := NewEntry(one, two)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(map[string]bool{a.String(): true}, e.fresh); diff != "" || len(e.list) != 4 {
		t.Errorf("%d statements, fresh (-want +got):\n%s", len(e.list), diff)
	}
	if _, err := NewEntry(one, one); err == nil {
		t.Error("the same recording twice is taken for two entries")
	}
	if _, err := NewEntry(one, two[:3]); err == nil {
		t.Error("recordings of different length are taken for the same entry")
	}
}
