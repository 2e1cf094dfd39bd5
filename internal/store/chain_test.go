package store_test

import (
	"context"
	"os"
	"os/exec"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/jackc/pgx/v5"
	"github.com/shopspring/decimal"

	"example.org/stillroom/internal/access"
	"example.org/stillroom/internal/day"
	"example.org/stillroom/internal/pgprivate"
	"example.org/stillroom/internal/pgtest"
	"example.org/stillroom/internal/store"
)

// house is a workshop with an owner, on a database of its own.
type house struct {
	*store.Store
	db    pgtest.DB
	owner store.Who
}

func newHouse(t *testing.T) house {
	t.Helper()
	s, db := pgtest.Begun(t, "house", func(ctx context.Context, s *store.Store, workshop store.WorkshopID) error {
		link, err := s.SetUpLink(ctx, workshop, time.Now())
		if err != nil {
			return err
		}
		_, err = s.SetUp(ctx, link, "Quillmoor Workshop", "UTC", store.NewPerson{Email: "mara@quillmoor.example.org", Name: "Mara Thistle"}, "eleven-brass-kettles", "test", time.Now())
		return err
	})
	people, err := s.People(t.Context(), store.WorkshopID(db.Workshop))
	if err != nil {
		t.Fatal(err)
	}
	return house{s, db, store.Who{Workshop: store.WorkshopID(db.Workshop), Person: people[0].ID, Name: "Mara Thistle", Role: access.Owner, Actor: "person"}}
}

// asOwner runs SQL as the database's owner, who can do everything: what an intruder with the owner's password could.
func (h house) asOwner(t *testing.T, statements ...string) {
	t.Helper()
	conn, err := pgx.Connect(t.Context(), h.db.OwnerURL)
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close(context.Background())
	for _, sql := range statements {
		if _, err := conn.Exec(t.Context(), sql); err != nil {
			t.Fatalf("%s: %v", sql, err)
		}
	}
}

func (h house) asApp(t *testing.T, sql string) error {
	t.Helper()
	conn, err := pgx.Connect(t.Context(), h.db.AppURL)
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close(context.Background())
	if _, err := conn.Exec(t.Context(), `SELECT set_config('app.workshop_id', $1, false)`, store.Text(h.owner.Workshop)); err != nil {
		t.Fatal(err)
	}
	_, err = conn.Exec(t.Context(), sql)
	return err
}

func (h house) broken(t *testing.T) []string {
	t.Helper()
	verdicts, err := store.Verify(t.Context(), h.db.OwnerURL)
	if err != nil {
		t.Fatal(err)
	}
	return verdicts[0].Broken
}

// oatLot receives 1,000 g of oat oil.
func (h house) oatLot(t *testing.T) string {
	t.Helper()
	ctx := t.Context()
	if _, err := h.AddMaterial(ctx, h.owner, store.Entry{}, store.Material{Code: "OO", Name: "Oat oil", Kind: "raw", Unit: "g", Tracked: true, ExpiryCounts: true}); err != nil {
		t.Fatal(err)
	}
	code, err := h.ReceiveLot(ctx, h.owner, store.Entry{}, store.Receipt{Material: "OO", NewSupplier: "Fenmarch Oils", SupplierLot: "7731-B", ReceivedOn: day.Must("2026-03-12"), Quantity: decimal.NewFromInt(1000)})
	if err != nil {
		t.Fatal(err)
	}
	return code
}

func TestVerifyFindsWhatWasTamperedWithAndSaysWhere(t *testing.T) {
	t.Parallel()
	cases := map[string]struct {
		tamper []string
		want   string
	}{
		"a record edited behind the trail":    {[]string{`ALTER TABLE material_lot DISABLE TRIGGER ALL`, `UPDATE material_lot SET quantity = 900`}, "material_lot"},
		"a record removed":                    {[]string{`ALTER TABLE search_key DISABLE TRIGGER ALL`, `ALTER TABLE material_lot DISABLE TRIGGER ALL`, `DELETE FROM material_lot`}, "the row is gone"},
		"a record slipped in":                 {[]string{`ALTER TABLE material_lot DISABLE TRIGGER ALL`, `INSERT INTO material_lot (workshop_id, id, code, material_id, received_on, quantity, status, change_id) SELECT workshop_id, gen_random_uuid(), 'X', material_id, received_on, 5, status, change_id FROM material_lot`}, "not in the trail"},
		"a trail row edited":                  {[]string{`UPDATE audit SET new = jsonb_set(new, '{quantity}', '900') WHERE table_name = 'material_lot'`}, "chain link"},
		"a trail row removed":                 {[]string{`DELETE FROM audit WHERE table_name = 'material_lot'`}, "rows of this change were added or removed"},
		"two trail rows swapped":              {[]string{`ALTER TABLE audit ALTER n DROP IDENTITY`, `UPDATE audit SET n = -n - 1 WHERE n IN (SELECT n FROM audit WHERE change_id = (SELECT change_id FROM audit GROUP BY change_id HAVING count(*) > 1 LIMIT 1))`}, "altered"},
		"a change's reason rewritten":         {[]string{`UPDATE change SET reason = 'better'`}, "altered"},
		"a link removed from the middle":      {[]string{`DELETE FROM chain_link WHERE n = 2`}, "missing"},
		"the end cut off":                     {[]string{`DELETE FROM chain_link WHERE n = (SELECT max(n) FROM chain_link)`}, "outside the chain"},
		"the end cut off with its change row": {[]string{`ALTER TABLE audit DISABLE TRIGGER ALL`, `DELETE FROM chain_link WHERE n = (SELECT max(n) FROM chain_link)`}, "head of the chain"},
	}
	for name, c := range cases {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			h := newHouse(t)
			h.oatLot(t)
			if broken := h.broken(t); len(broken) > 0 {
				t.Fatalf("before tampering: %v", broken)
			}
			// The owner of these tables may switch off its own triggers, but not those of foreign keys.
			for i, sql := range c.tamper {
				c.tamper[i] = strings.ReplaceAll(sql, "DISABLE TRIGGER ALL", "DISABLE TRIGGER USER")
			}
			h.asOwner(t, c.tamper...)
			broken := strings.Join(h.broken(t), "\n")
			if !strings.Contains(broken, c.want) {
				t.Errorf("verify says %q, want %q in it", broken, c.want)
			}
		})
	}
}

func TestTheServingRoleCannotTouchTheTrail(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	h.oatLot(t)
	for _, sql := range []string{
		`UPDATE audit SET new = '{}'`, `DELETE FROM audit`, `TRUNCATE audit`, `INSERT INTO audit (workshop_id, change_id, table_name, op, row_id, new) SELECT workshop_id, id, 'x', 'I', 'x', '{}' FROM change`,
		`UPDATE change SET reason = 'x'`, `DELETE FROM change`, `UPDATE chain_link SET rows = 0`, `DELETE FROM chain_link`, `UPDATE chain_head SET n = 0`,
		`ALTER TABLE material_lot DISABLE TRIGGER USER`, `DROP TRIGGER audit_insert ON material_lot`, `DELETE FROM material_lot`, `DELETE FROM signature`,
		`INSERT INTO change (workshop_id, id, kind, actor, at) SELECT id, gen_random_uuid(), 'create', 'system', now() FROM workshop`,
	} {
		if err := h.asApp(t, sql); err == nil || !strings.Contains(err.Error(), "42501") {
			t.Errorf("%s: %v, want permission denied", sql, err)
		}
	}
}

func TestAChangeOfARecordNeedsAChangeRowAndACorrectionAReason(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	h.oatLot(t)
	if err := h.asApp(t, `UPDATE material SET name = 'Other'`); err == nil || !strings.Contains(err.Error(), "without a change row") {
		t.Errorf("no change row: %v", err)
	}
	in := func(kind, reason, update string) error {
		return h.asApp(t, `DO $$ BEGIN
			PERFORM set_config('app.change_id', '018f0000-0000-7000-8000-000000000001', true);
			INSERT INTO change (workshop_id, id, kind, actor, reason) SELECT id, '018f0000-0000-7000-8000-000000000001', '`+kind+`', 'system', '`+reason+`' FROM workshop;
			`+update+`; END $$`)
	}
	if err := in("progress", "", `UPDATE material SET name = 'Other'`); err == nil || !strings.Contains(err.Error(), "needs a reason") {
		t.Errorf("a progress that changes a value: %v", err)
	}
	if err := in("correct", "  ", `UPDATE material SET name = 'Other'`); err == nil || !strings.Contains(err.Error(), "change_reason") {
		t.Errorf("a correction without a reason: %v", err)
	}
	if err := in("correct", "label read anew", `UPDATE material SET name = 'Other'`); err != nil {
		t.Errorf("a correction with a reason: %v", err)
	}
	if broken := h.broken(t); len(broken) > 0 {
		t.Errorf("afterwards: %v", broken)
	}
}

func TestRowsOfAnotherWorkshopAreNotThere(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	h.oatLot(t)
	h.asOwner(t, `INSERT INTO workshop (id, code, name) VALUES ('018f0000-0000-7000-8000-0000000000aa', 'other', 'Other')`)
	conn, err := pgx.Connect(t.Context(), h.db.AppURL)
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close(context.Background())
	var tables []string
	rows, err := conn.Query(t.Context(), `SELECT c.relname FROM pg_class c JOIN pg_attribute a ON a.attrelid = c.oid AND a.attname = 'workshop_id' WHERE c.relkind IN ('r', 'v') AND c.relnamespace = 'public'::regnamespace ORDER BY 1`)
	if err != nil {
		t.Fatal(err)
	}
	if tables, err = pgx.CollectRows(rows, pgx.RowTo[string]); err != nil {
		t.Fatal(err)
	}
	if len(tables) < 35 {
		t.Fatalf("only %d tables: %v", len(tables), tables)
	}
	for _, ws := range []string{"", "018f0000-0000-7000-8000-0000000000aa"} {
		if _, err := conn.Exec(t.Context(), `SELECT set_config('app.workshop_id', $1, false)`, ws); err != nil {
			t.Fatal(err)
		}
		for _, table := range tables {
			var n int
			if err := conn.QueryRow(t.Context(), `SELECT count(*) FROM `+pgx.Identifier{table}.Sanitize()+` WHERE workshop_id <> '018f0000-0000-7000-8000-0000000000aa'`).Scan(&n); err != nil || n != 0 {
				t.Errorf("workshop %q sees %d rows of %s, %v", ws, n, table, err)
			}
		}
	}
}

// Each table of content is guarded, and the serving role owns nothing and bypasses nothing.
func TestEveryTableIsGuarded(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	conn, err := pgx.Connect(t.Context(), h.db.OwnerURL)
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close(context.Background())
	rows, err := conn.Query(t.Context(), `SELECT relname FROM pg_class WHERE relkind = 'r' AND relnamespace = 'public'::regnamespace AND NOT relrowsecurity AND relname NOT IN ('goose_db_version', 'throttle')
		UNION ALL SELECT relname || ': the key does not begin with the workshop' FROM pg_class c JOIN pg_index i ON i.indrelid = c.oid JOIN pg_attribute a ON a.attrelid = c.oid AND a.attnum = i.indkey[0]
		 WHERE c.relkind = 'r' AND c.relnamespace = 'public'::regnamespace AND a.attname <> 'workshop_id' AND c.relname NOT IN ('goose_db_version', 'throttle', 'workshop') AND NOT (c.relname = 'person' AND a.attname = 'email_key')
		UNION ALL SELECT relname || ': no comment' FROM pg_class c WHERE relkind IN ('r', 'v') AND relnamespace = 'public'::regnamespace AND relname <> 'goose_db_version' AND obj_description(c.oid) IS NULL
		UNION ALL SELECT proname || ': search_path is open' FROM pg_proc WHERE pronamespace = 'public'::regnamespace AND prosecdef AND NOT coalesce(proconfig::text, '') LIKE '%search_path%'
		UNION ALL SELECT rolname || ' may too much' FROM pg_roles WHERE rolname = 'stillroom_app' AND (rolsuper OR rolbypassrls OR rolcreaterole OR rolcreatedb)
		UNION ALL SELECT relname || ' is owned by the serving role' FROM pg_class WHERE relowner = 'stillroom_app'::regrole`)
	if err != nil {
		t.Fatal(err)
	}
	bad, err := pgx.CollectRows(rows, pgx.RowTo[string])
	if err != nil {
		t.Fatal(err)
	}
	for _, b := range bad {
		t.Error(b)
	}
}

func TestPersonalValuesAreInTheTrailOnlyAsKeyedHashesAndCanBeErased(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	if _, err := h.AddSupplier(t.Context(), h.owner, store.Entry{}, store.Supplier{Name: "Fenmarch Oils", Contact: store.Contact{Email: "orders@fenmarch.example.org", Phone: "00 555 0101"}}); err != nil {
		t.Fatal(err)
	}
	conn, err := pgx.Connect(t.Context(), h.db.OwnerURL)
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close(context.Background())
	var trail string
	if err := conn.QueryRow(t.Context(), `SELECT string_agg(new::text, ' ') FROM audit`).Scan(&trail); err != nil {
		t.Fatal(err)
	}
	for _, personal := range []string{"fenmarch.example.org", "555 0101", "mara@", "Mara Thistle", "argon2"} {
		if strings.Contains(trail, personal) {
			t.Errorf("the trail holds %q", personal)
		}
	}
	if !strings.Contains(trail, "keyed:") || !strings.Contains(trail, "Fenmarch Oils") {
		t.Error("a supplier's contact stands as a hash, its name in plain")
	}
	if err := h.CorrectSupplier(t.Context(), h.owner, store.Entry{}, store.Supplier{Code: "FO", Name: "Fenmarch Oils"}, "asked to be erased"); err != nil {
		t.Fatal(err)
	}
	if broken := h.broken(t); len(broken) > 0 {
		t.Errorf("after the erasure: %v", broken)
	}
}

func TestTheServingRoleCannotChooseTheTimeOfARecord(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	who := h.owner
	who.RecordTime = time.Date(2020, 1, 2, 3, 4, 5, 0, time.UTC)
	if _, err := h.AddSupplier(t.Context(), who, store.Entry{}, store.Supplier{Name: "Fenmarch Oils"}); err != nil {
		t.Fatal(err)
	}
	conn, err := pgx.Connect(t.Context(), h.db.OwnerURL)
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close(context.Background())
	var early int
	if err := conn.QueryRow(t.Context(), `SELECT count(*) FROM change WHERE at < now() - interval '1 hour'`).Scan(&early); err != nil || early != 0 {
		t.Errorf("%d changes are dated back, %v", early, err)
	}
	asOwner, err := store.Open(t.Context(), h.db.OwnerURL)
	if err != nil {
		t.Fatal(err)
	}
	defer asOwner.Close()
	if _, err := asOwner.AddSupplier(t.Context(), who, store.Entry{}, store.Supplier{Name: "Sedgebank Wax"}); err != nil {
		t.Fatal(err)
	}
	if err := conn.QueryRow(t.Context(), `SELECT count(*) FROM change WHERE at = '2020-01-02T03:04:05Z'`).Scan(&early); err != nil || early != 1 {
		t.Errorf("the owner role's seed has %d changes of 2020, %v", early, err)
	}
}

func TestConcurrentWritesMakeOneUnbrokenChain(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	errs := make(chan error, 24)
	for i := range 24 {
		go func() {
			_, err := h.AddSupplier(t.Context(), h.owner, store.Entry{}, store.Supplier{Name: "Supplier " + string(rune('A'+i))})
			errs <- err
		}()
	}
	for range 24 {
		if err := <-errs; err != nil {
			t.Error(err)
		}
	}
	verdicts, err := store.Verify(t.Context(), h.db.OwnerURL)
	if err != nil || len(verdicts[0].Broken) > 0 || verdicts[0].Links != 25 {
		t.Errorf("%+v, %v", verdicts, err)
	}
}

// One database takes each step by a run of its own, so that every earlier state is one to go on from; that many steps may be
// one run is what every other test's template shows, which begins with nothing, and the book begun at schema 6.
func TestMigrationsWalkUpFromEveryEarlierState(t *testing.T) {
	t.Parallel()
	const newest = 20
	db := pgtest.Empty(t)
	for version := int64(1); version < newest; version++ {
		if err := store.MigrateTo(t.Context(), db.OwnerURL, version); err != nil {
			t.Fatalf("to %d: %v", version, err)
		}
		if err := store.CheckSchema(t.Context(), db.OwnerURL); err == nil {
			t.Errorf("schema %d is taken for the newest", version)
		}
	}
	for range 2 { // and once more, when there is nothing to do
		if err := store.Migrate(t.Context(), db.OwnerURL); err != nil {
			t.Fatalf("from %d: %v", newest-1, err)
		}
		if err := store.CheckSchema(t.Context(), db.OwnerURL); err != nil {
			t.Errorf("after migrating: %v", err)
		}
	}
}

func TestADatabaseOfANewerProgramIsRefusedUntouched(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	h.asOwner(t, `INSERT INTO goose_db_version (version_id, is_applied) VALUES (9999, true)`)
	if err := store.Migrate(t.Context(), h.db.OwnerURL); err == nil || !strings.Contains(err.Error(), "newer program") {
		t.Errorf("migrate: %v", err)
	}
	if err := store.CheckSchema(t.Context(), h.db.OwnerURL); err == nil {
		t.Error("check: no error")
	}
}

// testdata/schema.sql shows reviewers the schema; STILLROOM_UPDATE=schema writes it anew.
func TestTheGoldenSchemaIsWhatTheMigrationsMake(t *testing.T) {
	t.Parallel()
	db := pgtest.Database(t)
	bin, err := pgprivate.Find("", 0)
	if err != nil {
		t.Fatal(err)
	}
	out, err := exec.CommandContext(t.Context(), bin.Path("pg_dump"), "--schema-only", "--no-owner", "--exclude-table=goose_db_version", "--exclude-table=goose_db_version_id_seq", db.OwnerURL).Output()
	if err != nil {
		t.Fatal(err)
	}
	var kept []string
	for _, line := range strings.Split(string(out), "\n") {
		// What differs between PostgreSQL versions, or says nothing.
		if strings.HasPrefix(line, "--") || strings.HasPrefix(line, "SET ") || strings.HasPrefix(line, `\`) || strings.HasPrefix(line, "SELECT pg_catalog.set_config") {
			continue
		}
		if line == "" && len(kept) > 0 && kept[len(kept)-1] == "" {
			continue
		}
		kept = append(kept, line)
	}
	schema := strings.TrimSpace(strings.Join(kept, "\n")) + "\n"
	const golden = "../../testdata/schema.sql"
	if os.Getenv("STILLROOM_UPDATE") == "schema" {
		if err := os.WriteFile(golden, []byte(schema), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(golden)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(string(want), schema); diff != "" {
		t.Errorf("the schema moved; look at it, then STILLROOM_UPDATE=schema go test ./internal/store -run Golden\n%s", diff)
	}
}
