package store

import (
	"context"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"

	"example.org/stillroom/internal/fault"
)

// beginnings are the tables that have rows before anybody worked: the one unnamed workshop, its chain without a link, and
// the set-up link that serve printed.
var beginnings = []string{"workshop", "chain_head", "code_pattern", "one_time_link", "throttle", "backup_note"}

// Behind is the schema's version of a database, 0 where no Stillroom was ever set up in it, and whether that is one which
// this program would bring up to date.
func Behind(ctx context.Context, ownerURL string) (have int64, behind bool, err error) {
	conn, err := pgx.Connect(ctx, ownerURL)
	if err != nil {
		return 0, false, fmt.Errorf("store: connect: %w", err)
	}
	defer conn.Close(ctx)
	var there bool
	if err = conn.QueryRow(ctx, `SELECT to_regclass('public.goose_db_version') IS NOT NULL`).Scan(&there); err == nil && there {
		err = conn.QueryRow(ctx, `SELECT coalesce(max(version_id), 0) FROM goose_db_version WHERE is_applied`).Scan(&have)
	}
	if err != nil {
		return 0, false, fmt.Errorf("store: schema: %w", err)
	}
	return have, have > 0 && have < schemaVersion(), nil
}

// Restore puts a backup into an empty database: one where no Stillroom was set up, or only begun, without a person or a
// record. It brings the schema to the backup's, loads all of it in one transaction as the owner (no superuser is needed),
// and then brings the schema to this program's. Whatever fails on the way leaves no row. progress may be nil.
func (b *BackupFile) Restore(ctx context.Context, ownerURL string, progress func(float64)) error {
	have, _, err := Behind(ctx, ownerURL)
	if err != nil {
		return err
	}
	if have > schemaVersion() {
		return fmt.Errorf("%w: it has schema %d, this program knows up to %d; use the newer program", ErrSchema, have, schemaVersion())
	}
	if err := inEmptied(ctx, ownerURL, func(t pgx.Tx, tables []catalogueTable) error {
		if have <= b.Schema {
			return nil
		}
		// Begun by this program, while the backup is of an older one: migrations lead up only, so it begins anew.
		return dropBook(ctx, t, tables)
	}); err != nil {
		return fmt.Errorf("store: restore: %w", err)
	}
	if err := MigrateTo(ctx, ownerURL, b.Schema); err != nil {
		return err
	}
	if err := inEmptied(ctx, ownerURL, func(t pgx.Tx, tables []catalogueTable) error { return b.load(ctx, t, tables, progress) }); err != nil {
		return fmt.Errorf("store: restore: %w", err)
	}
	return Migrate(ctx, ownerURL)
}

// inEmptied runs a transaction in which nobody else reads or writes a table, and refuses a database that holds anything.
func inEmptied(ctx context.Context, ownerURL string, do func(pgx.Tx, []catalogueTable) error) error {
	conn, err := pgx.Connect(ctx, ownerURL)
	if err != nil {
		return fmt.Errorf("connect: %w", err)
	}
	defer conn.Close(ctx)
	return pgx.BeginFunc(ctx, conn, func(t pgx.Tx) error {
		if _, err := t.Exec(ctx, asText); err != nil {
			return err
		}
		tables, err := catalogue(ctx, t)
		if err != nil {
			return err
		}
		if len(tables) > 0 {
			if _, err := t.Exec(ctx, `LOCK TABLE `+tableList(tables)+` IN ACCESS EXCLUSIVE MODE`); err != nil {
				return err
			}
		}
		if err := refuseWork(ctx, t, tables); err != nil {
			return err
		}
		return do(t, tables)
	})
}

func tableList(tables []catalogueTable) string {
	names := make([]string, len(tables))
	for i, t := range tables {
		names[i] = t.quoted()
	}
	return strings.Join(names, ", ")
}

// refuseWork refuses a database in which anything was done.
func refuseWork(ctx context.Context, t pgx.Tx, tables []catalogueTable) error {
	taken := func(why string) error {
		return fault.New(fault.Conflict, "This database is not empty ("+why+"). A backup goes into an empty one only, so that nothing is ever written over: name a fresh folder with --data, or an empty database.")
	}
	for _, table := range tables {
		var any bool
		if err := t.QueryRow(ctx, `SELECT EXISTS (SELECT FROM `+table.quoted()+`)`).Scan(&any); err != nil {
			return err
		}
		if any && !slices.Contains(beginnings, table.Name) {
			return taken("there are rows in " + table.Name)
		}
	}
	if !slices.ContainsFunc(tables, func(t catalogueTable) bool { return t.Name == "workshop" }) {
		return nil
	}
	var others int
	if err := t.QueryRow(ctx, `SELECT count(*) FROM workshop WHERE named OR code <> 'main'`).Scan(&others); err != nil {
		return err
	}
	if others > 0 {
		return taken("it holds a workshop")
	}
	return nil
}

// dropBook removes the empty tables, and the functions that belong to them, so that migrations can begin anew. What an
// extension brought stays.
func dropBook(ctx context.Context, t pgx.Tx, tables []catalogueTable) error {
	if _, err := t.Exec(ctx, `DROP TABLE `+tableList(tables)+`, `+pgx.Identifier{"public", gooseTable}.Sanitize()+` CASCADE`); err != nil {
		return err
	}
	_, err := t.Exec(ctx, `DO $$ DECLARE f regprocedure; BEGIN
		FOR f IN SELECT p.oid FROM pg_proc p WHERE p.pronamespace = 'public'::regnamespace AND p.proowner = current_user::regrole
			AND NOT EXISTS (SELECT FROM pg_depend d WHERE d.classid = 'pg_proc'::regclass AND d.objid = p.oid AND d.deptype = 'e')
		LOOP EXECUTE 'DROP ROUTINE ' || f || ' CASCADE'; END LOOP; END $$`)
	return err
}

// load fills the tables. Triggers of ours are off meanwhile: they would write the trail of what is a trail already.
// Foreign keys and checks stay on.
func (b *BackupFile) load(ctx context.Context, t pgx.Tx, tables []catalogueTable, progress func(float64)) error {
	if err := b.fits(tables); err != nil {
		return err
	}
	order, err := loadOrder(ctx, t, tables)
	if err != nil {
		return err
	}
	if _, err := t.Exec(ctx, `TRUNCATE `+tableList(tables)); err != nil {
		return err
	}
	if err := switchTriggers(ctx, t, tables, "DISABLE"); err != nil {
		return err
	}
	if _, err := t.Exec(ctx, `SET CONSTRAINTS ALL DEFERRED`); err != nil {
		return err
	}
	var whole, done int64
	for _, table := range b.Tables {
		whole += table.Bytes
	}
	for _, table := range order {
		held := b.Tables[slices.IndexFunc(b.Tables, func(x BackupTable) bool { return x.Name == table.Name })]
		if err := b.copyIn(ctx, t, table, held); err != nil {
			return fmt.Errorf("table %s: %w", table.Name, err)
		}
		if done += held.Bytes; progress != nil {
			progress(0.99 * float64(done) / float64(max(whole, 1)))
		}
	}
	// What was deferred is checked before the triggers are switched: that is refused while checks wait.
	if _, err := t.Exec(ctx, `SET CONSTRAINTS ALL IMMEDIATE`); err != nil {
		return err
	}
	if err := switchTriggers(ctx, t, tables, "ENABLE"); err != nil {
		return err
	}
	if err := setSequences(ctx, t); err != nil {
		return err
	}
	now, err := chains(ctx, t)
	if err != nil {
		return err
	}
	if !slices.Equal(now, b.Workshops) {
		return fmt.Errorf("%w: its chains do not end as its manifest says", ErrBackup)
	}
	if progress != nil {
		progress(1)
	}
	return nil
}

// fits holds the backup's tables to those of the schema that it names.
func (b *BackupFile) fits(tables []catalogueTable) error {
	for _, table := range tables {
		i := slices.IndexFunc(b.Tables, func(x BackupTable) bool { return x.Name == table.Name })
		if i < 0 {
			return fmt.Errorf("%w: it lacks the table %s of schema %d", ErrBackup, table.Name, b.Schema)
		}
		want, got := slices.Sorted(slices.Values(table.Columns)), slices.Sorted(slices.Values(b.Tables[i].Columns))
		if !slices.Equal(want, got) {
			return fmt.Errorf("%w: its table %s has other columns than in schema %d", ErrBackup, table.Name, b.Schema)
		}
	}
	if len(tables) != len(b.Tables) {
		return fmt.Errorf("%w: it has %d tables, and schema %d has %d", ErrBackup, len(b.Tables), b.Schema, len(tables))
	}
	return nil
}

// loadOrder puts tables behind those that their rows name. References that are checked at the end of the transaction only,
// and those within a table, do not count.
func loadOrder(ctx context.Context, t pgx.Tx, tables []catalogueTable) ([]catalogueTable, error) {
	rows, err := t.Query(ctx, `SELECT a.relname, b.relname FROM pg_constraint c JOIN pg_class a ON a.oid = c.conrelid JOIN pg_class b ON b.oid = c.confrelid
		WHERE c.contype = 'f' AND NOT c.condeferrable AND c.conrelid <> c.confrelid AND c.connamespace = 'public'::regnamespace`)
	if err != nil {
		return nil, err
	}
	needs := map[string][]string{}
	var from, to string
	if _, err := pgx.ForEachRow(rows, []any{&from, &to}, func() error {
		needs[from] = append(needs[from], to)
		return nil
	}); err != nil {
		return nil, err
	}
	var order []catalogueTable
	placed := map[string]bool{}
	for len(order) < len(tables) {
		before := len(order)
		for _, table := range tables {
			if !placed[table.Name] && !slices.ContainsFunc(needs[table.Name], func(n string) bool { return !placed[n] }) {
				placed[table.Name] = true
				order = append(order, table)
			}
		}
		if len(order) == before {
			return nil, errors.New("tables name each other in a circle of references that cannot wait")
		}
	}
	return order, nil
}

func switchTriggers(ctx context.Context, t pgx.Tx, tables []catalogueTable, how string) error {
	for _, table := range tables {
		if _, err := t.Exec(ctx, `ALTER TABLE `+table.quoted()+` `+how+` TRIGGER USER`); err != nil {
			return err
		}
	}
	return nil
}

// copyIn pours one table in, and holds it to the manifest once more: the file may have changed since it was read.
func (b *BackupFile) copyIn(ctx context.Context, t pgx.Tx, table catalogueTable, held BackupTable) error {
	reader, writer := io.Pipe()
	poured := make(chan error, 1)
	go func() {
		err := b.pour(held, writer)
		writer.CloseWithError(err) // always nil
		poured <- err
	}()
	tag, err := t.Conn().PgConn().CopyFrom(ctx, reader, `COPY `+table.quoted()+` (`+columnList(held.Columns)+`) FROM STDIN`)
	reader.CloseWithError(io.ErrClosedPipe) // always nil; ends a pour that goes on after a refusal
	broken := <-poured
	if IsDown(err) {
		return err
	}
	var refused *pgconn.PgError
	if errors.As(err, &refused) && refused.Code != "57014" { // 57014: we broke off ourselves, since the file is broken
		return fmt.Errorf("%w: the database refused it: %w", ErrBackup, err)
	}
	if broken != nil {
		return broken
	}
	if err != nil {
		return err
	}
	if tag.RowsAffected() != held.Rows {
		return fmt.Errorf("%w: it has %d rows, and its manifest says %d", ErrBackup, tag.RowsAffected(), held.Rows)
	}
	return nil
}

// setSequences lets every column that numbers itself go on behind the highest number there is.
func setSequences(ctx context.Context, t pgx.Tx) error {
	rows, err := t.Query(ctx, `SELECT c.relname::text, a.attname::text FROM pg_attribute a JOIN pg_class c ON c.oid = a.attrelid
		WHERE a.attidentity <> '' AND c.relkind = 'r' AND c.relnamespace = 'public'::regnamespace AND c.relname <> $1`, gooseTable)
	if err != nil {
		return err
	}
	type numbered struct{ Table, Column string }
	list, err := pgx.CollectRows(rows, pgx.RowToStructByPos[numbered])
	if err != nil {
		return err
	}
	for _, n := range list {
		table, column := pgx.Identifier{"public", n.Table}.Sanitize(), pgx.Identifier{n.Column}.Sanitize()
		if _, err := t.Exec(ctx, `SELECT setval(pg_get_serial_sequence($1, $2), coalesce(max(`+column+`), 1), max(`+column+`) IS NOT NULL) FROM `+table, table, n.Column); err != nil {
			return err
		}
	}
	return nil
}
