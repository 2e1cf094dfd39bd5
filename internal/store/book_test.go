package store_test

import (
	"archive/zip"
	"io"
	"maps"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/jackc/pgx/v5"

	"example.org/stillroom/internal/access"
	"example.org/stillroom/internal/measure"
	"example.org/stillroom/internal/pgtest"
	"example.org/stillroom/internal/store"
)

// wholeShop has what the contract's tables do not: people, settings, a formula with an approved version and a draft, a
// batch at the bench with a correction, a signed packing, a paper, a scale and the log.
func wholeShop(t *testing.T) (packShop, string) {
	t.Helper()
	h := newPackShop(t)
	ctx := t.Context()
	w := h.asHouse().shop(t)
	stamp := w.Stamp()
	w.Name, w.Zone, w.SoonDays, w.Style = "Quillmoor Workshop", "Europe/Dublin", 45, measure.Style{Mass: "oz", Temperature: "F", Date: "iso"}
	packOK(t, h.SetWorkshop(ctx, h.owner, store.Entry{}, w, stamp))
	packOK(t, h.AttachToLot(ctx, h.owner, store.Entry{}, "SB-1", store.Upload{Kind: "certificate", Name: "certificate.pdf", MediaType: "application/pdf", Data: []byte(strings.Repeat("%PDF certificate ", 40_000))}))
	_, err := h.AddEquipment(ctx, h.maker, store.Entry{}, store.Equipment{Code: "SC-1", Name: "Bench scale", Kind: "scale", ReadabilityG: packSome("0.10")})
	packOK(t, err)
	_, err = h.AddLogEntry(ctx, h.maker, store.Entry{}, store.NewLogEntry{Kind: "cleaning", Equipment: "SC-1", Result: "fine", At: time.Now().Add(-time.Minute)})
	packOK(t, err)
	code := h.pack(h.nine(h.dried()))
	packOK(t, h.ReleasePacking(ctx, h.maker, store.Entry{}, code, packPassword, store.SeenHash(h.packing(code).Conditions)))
	packOK(t, second(h.NewVersion(ctx, h.maker, store.Entry{}, "BF")))
	h.pressed()
	return h, code
}

// bare is a workshop in which nobody works yet.
func bare(t *testing.T) house {
	t.Helper()
	db := pgtest.Database(t)
	s, err := store.Open(t.Context(), db.AppURL)
	packOK(t, err)
	t.Cleanup(s.Close)
	shops, err := store.Workshops(t.Context(), db.OwnerURL)
	packOK(t, err)
	return house{s, db, store.Who{Workshop: shops[0].ID, Role: access.Owner, Actor: "command"}}
}

func (h packShop) asHouse() house { return house{h.Store, h.db, h.owner} }

func (h house) shop(t *testing.T) store.Workshop {
	t.Helper()
	shops, err := store.Workshops(t.Context(), h.db.OwnerURL)
	packOK(t, err)
	return shops[0]
}

func (h house) ask(t *testing.T, sql string, args ...any) (answer string) {
	t.Helper()
	conn, err := pgx.Connect(t.Context(), h.db.OwnerURL)
	packOK(t, err)
	defer func() { _ = conn.Close(t.Context()) }()
	packOK(t, conn.QueryRow(t.Context(), sql, args...).Scan(&answer))
	return answer
}

func TestAWholeWorkshopMovesAndLooksTheSame(t *testing.T) {
	t.Parallel()
	x, code := wholeShop(t)
	files := x.asHouse().exportedWhole(t)
	y := bare(t)
	preview := y.bring(t, files, store.ImportOptions{Preview: true})
	if len(preview.Faults) > 0 || preview.Saved {
		t.Fatalf("looked through: %+v", preview)
	}
	if got := y.ask(t, `SELECT count(*)::text FROM change`); got != "0" {
		t.Errorf("looking through left %s changes", got)
	}
	report := y.bring(t, files, store.ImportOptions{})
	if !report.Saved || len(report.Faults) > 0 {
		t.Fatalf("%q", toldOf(report))
	}
	for _, c := range report.Tables {
		if c.New == 0 || c.Changed > 0 || c.Same > 0 || c.Refused > 0 {
			t.Errorf("%s: %+v, want all of it new", c.File(), c)
		}
	}
	if diff := cmp.Diff(files, y.exportedWhole(t)); diff != "" {
		t.Errorf("exported (-first +second):\n%s", diff)
	}
	if broken := y.verified(t); len(broken) > 0 {
		t.Errorf("verify: %v", broken)
	}
	again := y.bring(t, files, store.ImportOptions{})
	if !again.Nothing() || again.Saved {
		t.Errorf("the same again: %+v %q", again.Tables, toldOf(again))
	}
	if again := x.asHouse().bring(t, files, store.ImportOptions{}); !again.Nothing() {
		t.Errorf("into where it came from: %+v %q", again.Tables, toldOf(again))
	}
	// What is made anew is what it was.
	for _, made := range []string{`SELECT string_agg(key || ' ' || kind || ' ' || target_id, E'\n' ORDER BY kind, key, target_id) FROM search_key`, `SELECT string_agg(near_key || ' ' || code, E'\n' ORDER BY near_key, code) FROM code_near`,
		`SELECT string_agg(document_id || ' ' || n || ' ' || sha256(data)::text, E'\n' ORDER BY document_id, n) FROM document_chunk`, `SELECT string_agg(email_key || ' ' || (password_hash IS NULL), E'\n' ORDER BY email_key) FROM (SELECT email_key, NULL AS password_hash FROM person) p`} {
		if diff := cmp.Diff(x.asHouse().ask(t, made), y.ask(t, made)); diff != "" {
			t.Errorf("%s (-first +second):\n%s", made, diff)
		}
	}
	if got := y.ask(t, `SELECT count(*)::text FROM person WHERE password_hash IS NOT NULL`); got != "0" {
		t.Errorf("%s people came with a password", got)
	}

	// Pages say the same, and that it was told.
	was := x.packing(code)
	is, err := y.PackingRecord(t.Context(), y.owner.Workshop, code)
	packOK(t, err)
	if len(is.Signatures) != 1 || !is.Signatures[0].Told || is.Signatures[0].Broken || is.Signatures[0].Name != "maker Quill" || was.Signatures[0].Told {
		t.Errorf("signatures: %+v, at home %+v", is.Signatures, was.Signatures)
	}
	if !is.Recorded.At.Equal(was.Recorded.At) || is.Recorded.By != was.Recorded.By {
		t.Errorf("recorded %v by %s, was %v by %s", is.Recorded.At, is.Recorded.By, was.Recorded.At, was.Recorded.By)
	}
	if len(is.Changes) == 0 || !is.Changes[0].Told || is.Changes[0].Who != "command" || !strings.HasPrefix(is.Changes[0].Reason, "Import of ") {
		t.Errorf("history: %+v", is.Changes)
	}
	w := y.shop(t)
	if w.SoonDays != 45 || w.Style != (measure.Style{Mass: "oz", Temperature: "F", Date: "iso"}) || w.Zone != "Europe/Dublin" {
		t.Errorf("settings: %+v", w)
	}

	// Work goes on: with the next number, on a draft, on an approved version.
	maker := y.ask(t, `SELECT id::text FROM person WHERE role = 'maker'`)
	id, err := store.ParseID[store.PersonID](maker)
	packOK(t, err)
	x.Store, x.db, x.maker.Workshop, x.maker.Person = y.Store, y.db, y.owner.Workshop, id
	if next := x.pressed(); !strings.HasSuffix(next[:len(next)-1], "-03") {
		t.Errorf("the next batch is %q", next)
	}
	packOK(t, x.ApproveFormula(t.Context(), x.maker, store.Entry{}, "BF", 2))
	if err := y.asApp(t, `UPDATE portion SET name = 'Other' WHERE version_id = (SELECT id FROM formula_version WHERE number = 1)`); err == nil || !strings.Contains(err.Error(), "never changes") {
		t.Errorf("a told version's portion: %v", err)
	}
	if broken := y.verified(t); len(broken) > 0 {
		t.Errorf("verify after more work: %v", broken)
	}
}

// The same ids may stand in two workshops of one database.
func TestAWholeWorkshopMovesWithinItsDatabase(t *testing.T) {
	t.Parallel()
	x, _ := wholeShop(t)
	files := x.asHouse().exportedWhole(t)
	y := x.asHouse()
	y.asOwner(t, `INSERT INTO workshop (id, code, name) VALUES ('018f0000-0000-7000-8000-0000000000aa', 'other', 'Other')`)
	id, err := store.ParseID[store.WorkshopID]("018f0000-0000-7000-8000-0000000000aa")
	packOK(t, err)
	y.owner = store.Who{Workshop: id, Role: access.Owner, Actor: "command"}
	if _, err := y.Import(t.Context(), y.owner, writeBook(t, files), store.ImportOptions{}); err == nil || !strings.Contains(err.Error(), `Another workshop of this database has the code "main"`) {
		t.Errorf("with the code of the first: %v", err)
	}
	for _, name := range []string{"workshop.csv", "book/workshop.csv"} {
		files[name] = strings.Replace(files[name], "\nmain,", "\nsecond,", 1)
	}
	if report := y.bring(t, files, store.ImportOptions{}); !report.Saved {
		t.Fatalf("%q", toldOf(report))
	}
	if diff := cmp.Diff(files, y.exportedWhole(t)); diff != "" {
		t.Errorf("exported (-first +second):\n%s", diff)
	}
	verdicts, err := store.Verify(t.Context(), y.db.OwnerURL)
	packOK(t, err)
	for _, v := range verdicts {
		if len(v.Broken) > 0 {
			t.Errorf("verify %s: %v", v.Workshop, v.Broken)
		}
	}
}

func TestVerifyFindsWhatWasToldAndThenAltered(t *testing.T) {
	t.Parallel()
	x, _ := wholeShop(t)
	files := x.asHouse().exportedWhole(t)
	for name, c := range map[string]struct{ tamper, want string }{
		"a told row":                     {`ALTER TABLE deviation DISABLE TRIGGER USER; ALTER TABLE batch DISABLE TRIGGER USER; UPDATE batch SET place = 'elsewhere'`, "the rows of this import are not those that came in"},
		"a told row taken out":           {`ALTER TABLE log_entry DISABLE TRIGGER USER; DELETE FROM log_entry`, "the rows of this import are not those that came in"},
		"a row slipped in":               {`ALTER TABLE equipment DISABLE TRIGGER USER; INSERT INTO equipment (workshop_id, id, code, name, kind, change_id) SELECT workshop_id, gen_random_uuid(), 'X', 'X', 'vessel', change_id FROM equipment`, "the rows of this import are not those that came in"},
		"a draft":                        {`ALTER TABLE formula_version DISABLE TRIGGER USER; UPDATE formula_version SET nominal_g = 5 WHERE status = 'draft'`, "the row is not what the trail last recorded"},
		"the time of a told change":      {`UPDATE change SET at = at - interval '1 day' WHERE within IS NOT NULL AND id = (SELECT change_id FROM signature)`, "the changes that this import told of"},
		"a told change moved into chain": {`UPDATE change SET within = NULL WHERE id = (SELECT change_id FROM signature)`, "stands outside the chain"},
		"a change taken out of chain":    {`UPDATE change SET within = (SELECT within FROM change WHERE within IS NOT NULL LIMIT 1) WHERE within IS NULL AND id IN (SELECT change_id FROM supplier)`, "was altered"},
		"a portion of a told version":    {`ALTER TABLE portion DISABLE TRIGGER USER; UPDATE portion SET name = 'Other' WHERE version_id = (SELECT id FROM formula_version WHERE status = 'approved')`, "the content is not what was approved"},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			y := bare(t)
			if report := y.bring(t, files, store.ImportOptions{}); !report.Saved {
				t.Fatalf("%q", toldOf(report))
			}
			if name == "a change taken out of chain" {
				packOK(t, second(y.AddSupplier(t.Context(), y.owner, store.Entry{}, store.Supplier{Name: "Fenmarch Oils"})))
			}
			if broken := y.verified(t); len(broken) > 0 {
				t.Fatalf("before: %v", broken)
			}
			y.asOwner(t, c.tamper)
			if broken := strings.Join(y.verified(t), "\n"); !strings.Contains(broken, c.want) {
				t.Errorf("verify says %q, want %q", broken, c.want)
			}
		})
	}
}

// swap replaces a text in one file of an export.
func swap(file, old, with string) func(map[string]string) {
	return func(files map[string]string) {
		if !strings.Contains(files[file], old) {
			panic(file + " has no " + old)
		}
		files[file] = strings.Replace(files[file], old, with, 1)
	}
}

func TestAFolderThatDoesNotFitIsToldRowByRow(t *testing.T) {
	t.Parallel()
	x, _ := wholeShop(t)
	files := x.asHouse().exportedWhole(t)
	y := bare(t)
	paper := ""
	for name := range files {
		if strings.HasPrefix(name, "book/documents/") {
			paper = name
		}
	}
	version := x.asHouse().ask(t, `SELECT id::text FROM formula_version WHERE number = 1`)
	step := x.asHouse().ask(t, `SELECT id::text FROM method_step WHERE version_id::text = $1`, version)
	packing := x.asHouse().ask(t, `SELECT id::text FROM packing ORDER BY id LIMIT 1`)
	lot := x.asHouse().ask(t, `SELECT material_lot_id::text FROM batch_input ORDER BY id LIMIT 1`)
	type wrong struct {
		name   string
		change func(map[string]string)
		want   []string
	}
	// What one reading of the folder tells of together is sent together: an import of a whole workshop is dear.
	for _, group := range [][]wrong{{
		{"a bad id", swap("book/method_step.csv", step, "step-one"), []string{"book/method_step.csv:2: id: \"step-one\" is no id such as"}},
		{"a bad reference", swap("book/batch.csv", ",bench,", ",bench,x"), []string{"book/batch.csv:2: formula_id: "}},
		{"nothing where needed", swap("book/packing.csv", packing, ""), []string{"book/packing.csv:2: id: is empty, and is needed"}},
		{"no number", swap("book/portion.csv", ",share,100", ",share,ten"), []string{"book/portion.csv:2: amount: \"ten\" is not a number"}},
		{"a finer moment", swap("book/log_entry.csv", "Z,fine", "999999Z,fine"), []string{"book/log_entry.csv:2: happened_at: "}},
		{"an unknown column", swap("book/plan.csv", "made_by", "made_by,shade"), []string{`book/plan.csv:1: unknown column "shade"`}},
		{"a missing column", swap("book/product.csv", ",name", ""), []string{"book/product.csv:1: name: the column is missing"}},
		{"an unknown table", func(f map[string]string) { f["book/oven.csv"] = "id\n" }, []string{"book/oven.csv: is no table of this program's book"}},
		{"a table of ours", func(f map[string]string) { f["book/session.csv"] = "id\n" }, []string{"book/session.csv: does not come in"}},
		{"a broken row", func(f map[string]string) { f["book/supplier.csv"] += "\"x" }, []string{"a quote is opened and never closed"}},
		{"two workshops", func(f map[string]string) {
			f["book/workshop.csv"] += strings.Replace(strings.SplitAfter(f["book/workshop.csv"], "\n")[1], "main", "other", 1)
		}, []string{"book/workshop.csv:3: code: there is one workshop in a file"}},
	}, {
		{"a missing reference", swap("book/batch_input.csv", lot, "018f3a52-6a0e-7cc1-9d5e-1f2a3b4c5d6e"), []string{"book/batch_input.csv:2: material_lot_id: no row of book/material_lot.csv has the id 018f3a52-6a0e-7cc1-9d5e-1f2a3b4c5d6e"}},
		{"a rule", swap("book/portion.csv", ",share,100", ",half,100"), []string{"book/portion.csv:2: basis: does not fit the rule portion_basis_check"}},
		{"a rule of two", swap("book/packing_input.csv", ",10,0,", ",10,11,"), []string{"book/packing_input.csv:2: ", "does not fit the rule packing_input_spoiled"}},
		{"the same twice", func(f map[string]string) {
			f["book/equipment.csv"] += strings.SplitAfter(f["book/equipment.csv"], "\n")[1]
		}, []string{"book/equipment.csv:3: id: the same stands in row 2", "book/equipment.csv:3: code: the same stands in row 2"}},
		{"a signature", swap("book/signature.csv", `""maker Quill""`, `""Somebody""`), []string{"book/signature.csv:2: content_hash: does not fit the rule signature_hash"}},
		{"other bytes", func(f map[string]string) { f[paper] = "%PDF other" }, []string{"book/document.csv:2: sha256: the file " + paper + " has other bytes than this says"}},
		{"a zone", swap("book/workshop.csv", "Europe/Dublin", "Europe/Doubling"), []string{`book/workshop.csv:2: zone: "Europe/Doubling" is no time zone`}},
	}, {
		{"no bytes", func(f map[string]string) { delete(f, paper) }, []string{"book/document.csv:2: id: there is no file book/documents/"}},
		{"another workshop", swap("workshop.csv", "Quillmoor Workshop", "Fenmarch Workshop"), []string{`book/workshop.csv:2: name: workshop.csv says "Fenmarch Workshop"`}},
	}, {
		{"bytes of nothing", func(f map[string]string) { f["book/documents/x.pdf"] = "x" }, []string{"book/documents/x.pdf: no row of book/document.csv has its id"}},
	}, {
		{"another content", swap("book/portion.csv", ",Fizz,", ",Fuzz,"), []string{"book/formula_version.csv:2: content_hash: formula BF version 1"}},
		{"the contract's row", swap("batches.csv", ",released,", ",rejected,"), []string{`batches.csv:2: status: the book has "released" for`}},
	}, {
		{"more than it held", func(f map[string]string) {
			f["book/material_lot.csv"] = strings.Replace(f["book/material_lot.csv"], ",5000,", ",50,", 1)
			delete(f, "material_lots.csv")
		}, []string{"than it held, by"}},
	}} {
		changed := maps.Clone(files)
		for _, c := range group {
			before := maps.Clone(changed)
			if c.change(changed); maps.Equal(before, changed) {
				t.Fatalf("%s: the folder is as it was", c.name)
			}
		}
		report := y.bring(t, changed, store.ImportOptions{})
		got := strings.Join(toldOf(report), "\n")
		for _, c := range group {
			for _, want := range c.want {
				if !strings.Contains(got, want) {
					t.Errorf("%s: got %q, want %q", c.name, got, want)
				}
			}
		}
		if report.Saved || y.ask(t, `SELECT count(*)::text FROM change`) != "0" {
			t.Fatalf("with %s and others something was saved", group[0].name)
		}
	}
	many := maps.Clone(files)
	many["book/plan.csv"] += strings.Repeat("a,b,c,d,e,f,g,h,i\n", 600)
	if report := y.bring(t, many, store.ImportOptions{}); len(report.Faults) != store.MostFaults || report.More < 1000 {
		t.Errorf("%d faults and %d more", len(report.Faults), report.More)
	}
	if report := y.bring(t, files, store.ImportOptions{}); !report.Saved {
		t.Errorf("afterwards: %q", toldOf(report))
	}
}

func TestTheFolderGoesIntoAnEmptyWorkshopOnly(t *testing.T) {
	t.Parallel()
	x, _ := wholeShop(t)
	files := x.asHouse().exportedWhole(t)
	h := newHouse(t)
	h.oatLot(t)
	report := h.bring(t, files, store.ImportOptions{})
	got := strings.Join(toldOf(report), "\n")
	for _, want := range []string{"book/portion.csv:2: id: the workshop has no such row: the folder book/ goes into an empty workshop only, and may be left out", "book/workshop.csv:2: zone: the workshop has \"UTC\""} {
		if report.Saved || !strings.Contains(got, want) {
			t.Errorf("got %q, want %q", got, want)
		}
	}
	// Back home after more work: what was changed since is told, and nothing is put back.
	packOK(t, x.CorrectMaterial(t.Context(), x.owner, store.Entry{}, store.Material{Code: "WR", Name: "Tissue", Kind: "packaging", Unit: "each", Tracked: true}, "read anew"))
	got = strings.Join(toldOf(x.asHouse().bring(t, files, store.ImportOptions{})), "\n")
	if !strings.Contains(got, "book/material.csv:") || !strings.Contains(got, `name: the workshop has "Tissue"`) {
		t.Errorf("got %q", got)
	}
}

func TestSomebodyWithTheSameAddressIsThatPerson(t *testing.T) {
	t.Parallel()
	x, code := wholeShop(t)
	files := x.asHouse().exportedWhole(t)
	y := bare(t)
	_, err := y.AddPerson(t.Context(), y.owner, store.Entry{}, store.NewPerson{Email: "Maker@Quillmoor.example.org", Name: "Mara Thistle", Role: access.Owner}, time.Now())
	packOK(t, err)
	here := y.ask(t, `SELECT id::text FROM person`)
	report := y.bring(t, files, store.ImportOptions{})
	if !report.Saved {
		t.Fatalf("%q", toldOf(report))
	}
	if got := y.ask(t, `SELECT string_agg(name || ' ' || role, ', ' ORDER BY name COLLATE "C") FROM person`); got != "Mara Thistle owner, helper Quill helper, owner Quill owner" {
		t.Errorf("people: %s", got)
	}
	if got := y.ask(t, `SELECT (s.person_id::text = $1 AND c.person_id::text = $1)::text FROM signature s JOIN change c ON c.id = s.change_id`, here); got != "true" {
		t.Error("the signature is of somebody else")
	}
	p, err := y.PackingRecord(t.Context(), y.owner.Workshop, code)
	packOK(t, err)
	if p.Signatures[0].Name != "maker Quill" {
		t.Errorf("signed by %q, want the name as it was printed", p.Signatures[0].Name)
	}
	if again := y.bring(t, files, store.ImportOptions{}); !again.Nothing() {
		t.Errorf("the same again: %+v %q", again.Tables, toldOf(again))
	}
	if broken := y.verified(t); len(broken) > 0 {
		t.Errorf("verify: %v", broken)
	}
	third := bare(t)
	moved := y.exportedWhole(t)
	if report := third.bring(t, moved, store.ImportOptions{}); !report.Saved {
		t.Fatalf("%q", toldOf(report))
	}
	if diff := cmp.Diff(moved, third.exportedWhole(t)); diff != "" {
		t.Errorf("moved on (-first +second):\n%s", diff)
	}
}

// The serving role tells of changes while an import is open, and at no other time.
func TestOnlyAnOpenImportTellsOfChanges(t *testing.T) {
	t.Parallel()
	x, _ := wholeShop(t)
	y := bare(t)
	if report := y.bring(t, x.asHouse().exportedWhole(t), store.ImportOptions{}); !report.Saved {
		t.Fatalf("%q", toldOf(report))
	}
	tell := `INSERT INTO told_change (workshop_id, id, at, kind, actor, role, device, request_id, reason, within) SELECT c.workshop_id, gen_random_uuid(), '2020-01-02', 'create', 'system', '', '', '', '', c.id FROM change c WHERE c.within IS NULL LIMIT 1`
	for name, sql := range map[string]string{
		"without an import":      tell,
		"under one that is over": `DO $$ BEGIN PERFORM set_config('app.bulk', 'on', true), set_config('app.change_id', (SELECT id::text FROM change WHERE within IS NULL LIMIT 1), true); ` + tell + `; END $$`,
		"a part of a version":    `DO $$ BEGIN PERFORM set_config('app.bulk', 'on', true), set_config('app.change_id', (SELECT id::text FROM change WHERE within IS NULL LIMIT 1), true); INSERT INTO portion (workshop_id, id, version_id, position, name, basis) SELECT workshop_id, gen_random_uuid(), id, 9, 'Late', 'inner' FROM formula_version WHERE status = 'approved'; END $$`,
		"straight into changes":  `INSERT INTO change (workshop_id, id, kind, actor, within) SELECT workshop_id, gen_random_uuid(), 'create', 'system', id FROM change WHERE within IS NULL LIMIT 1`,
		"altering a told one":    `UPDATE told_change SET at = now()`,
	} {
		if err := y.asApp(t, sql); err == nil || !strings.Contains(err.Error(), "told by an import") && !strings.Contains(err.Error(), "never changes") && !strings.Contains(err.Error(), "42501") {
			t.Errorf("%s: %v", name, err)
		}
	}
}

// A table or a column that a later migration adds is in the folder, or somebody said why not.
func TestEveryTableIsInTheFolderOrStaysBehindForAReason(t *testing.T) {
	t.Parallel()
	h := bare(t)
	in, err := h.BookTables(t.Context(), h.owner.Workshop)
	packOK(t, err)
	written := map[string]bool{}
	for _, table := range in {
		if table.Doc == "" {
			t.Errorf("%s: nothing is said of it", table.Name)
		}
		for _, c := range table.Columns {
			written[table.Name+"."+c.Name] = true
		}
	}
	conn, err := pgx.Connect(t.Context(), h.db.OwnerURL)
	packOK(t, err)
	defer func() { _ = conn.Close(t.Context()) }()
	rows, err := conn.Query(t.Context(), `SELECT c.relname::text, a.attname::text, format_type(a.atttypid, -1), EXISTS (SELECT FROM pg_trigger g WHERE g.tgrelid = c.oid AND g.tgname = 'audit_insert')
		FROM pg_class c JOIN pg_attribute a ON a.attrelid = c.oid AND a.attnum > 0 AND NOT a.attisdropped WHERE c.relkind = 'r' AND c.relnamespace = 'public'::regnamespace AND c.relname <> 'goose_db_version' ORDER BY 1, a.attnum`)
	packOK(t, err)
	type column struct {
		Table, Name, Type string
		Record            bool
	}
	columns, err := pgx.CollectRows(rows, pgx.RowToStructByPos[column])
	packOK(t, err)
	// No records, and yet what somebody wrote: each was looked at.
	beside := map[string]bool{"workshop": true, "change": true, "code_pattern": true, "code_counter": true, "plan": true, "portion": true, "portion_line": true, "method_step": true, "control": true}
	// What looks like a secret and is none.
	open := map[string]bool{"formula_version.content_hash": true, "signature.content_hash": true, "document.sha256": true}
	tables, without := map[string]bool{}, store.BookWithout()
	for _, c := range columns {
		tables[c.Table], tables[c.Table+"."+c.Name], tables[c.Name] = true, true, true
		name := c.Table + "." + c.Name
		left := without[c.Table] != "" || without[name] != "" || without[c.Name] != ""
		switch {
		case written[name] == left:
			t.Errorf("%s is written %t and left out %t", name, written[name], left)
		case written[name] && !c.Record && !beside[c.Table]:
			t.Errorf("%s leaves with an export, and keeps no record: say why it stays, or that it may go", c.Table)
		case written[name] && !open[name] && (c.Type == "bytea" || strings.HasSuffix(c.Name, "_key") || strings.HasSuffix(c.Name, "_hash") || strings.Contains(c.Name, "token") || strings.Contains(c.Name, "password")):
			t.Errorf("%s leaves with an export, and looks like a secret", name)
		}
	}
	for name, why := range without {
		if !tables[name] || why == "" {
			t.Errorf("%s stays behind for %q, and is not there", name, why)
		}
	}
}

// A zip may have the tables in a folder of its own, and the folder book in that.
func TestAFolderInAZip(t *testing.T) {
	t.Parallel()
	x, _ := wholeShop(t)
	files := x.asHouse().exportedWhole(t)
	path := filepath.Join(t.TempDir(), "workshop.zip")
	file, err := os.Create(path)
	packOK(t, err)
	z := zip.NewWriter(file)
	for name, text := range files {
		w, err := z.Create("book/" + name) // of all names
		packOK(t, err)
		_, err = io.WriteString(w, text)
		packOK(t, err)
	}
	packOK(t, z.Close())
	packOK(t, file.Close())
	src, done, err := store.OpenImportZip(path)
	packOK(t, err)
	defer func() { packOK(t, done()) }()
	y := bare(t)
	report, err := y.Import(t.Context(), y.owner, src, store.ImportOptions{})
	if err != nil || !report.Saved {
		t.Fatalf("%v %q", err, toldOf(report))
	}
	if diff := cmp.Diff(files, y.exportedWhole(t)); diff != "" {
		t.Errorf("exported (-first +second):\n%s", diff)
	}
}
