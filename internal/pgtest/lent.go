package pgtest

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"sync"
	"testing"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgxpool"

	"example.org/stillroom/internal/store"
)

// lent is a database that one test after another has, each of them alone: most of what a test's database costs is its
// making and the first use of each connection to it.
type lent struct {
	DB
	super *pgx.Conn
	store *store.Store
	// shape is what tests must leave as it was for the database to be lent again: triggers, functions, columns, rules.
	shape string
	wipe  string
	kept  map[string]string // what brings back a beginning, by its name
}

// free are the databases that wait for the next test. Their number is that of tests that ran at once.
var free struct {
	sync.Mutex
	list []*lent
}

// Begun gives a database with one workshop, and a store on it that stays open between tests. It holds what begin wrote into
// a fresh one, the same each time, under a name: written once for a database and brought back for each test after that.
func Begun(t testing.TB, name string, begin func(ctx context.Context, s *store.Store, workshop store.WorkshopID) error) (*store.Store, DB) {
	t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), patience)
	defer cancel()
	l, err := borrow(ctx)
	if err != nil {
		t.Fatalf("pgtest: no test database: %v", err)
	}
	t.Cleanup(func() {
		if t.Failed() {
			t.Logf("pgtest: database kept, as long as its cluster runs (%s keeps one across runs): psql '%s'", ClusterVariable, l.OwnerURL)
			l.close()
			return
		}
		l.back(t)
	})
	if err := l.bring(ctx, name, begin); err != nil {
		t.Fatalf("pgtest: begin %s: %v", name, err)
	}
	return l.store, l.DB
}

func borrow(ctx context.Context) (*lent, error) {
	free.Lock()
	if n := len(free.list); n > 0 {
		l := free.list[n-1]
		free.list = free.list[:n-1]
		free.Unlock()
		return l, nil
	}
	free.Unlock()
	cluster, err := clusterURL()
	if err != nil {
		return nil, err
	}
	run, err := lender(ctx, cluster)
	if err != nil {
		return nil, err
	}
	db, err := create(ctx, cluster, lentName+run+"_", template)
	if err != nil {
		return nil, err
	}
	l := &lent{DB: db, kept: map[string]string{}}
	if l.super, err = pgx.Connect(ctx, as(cluster, "", db.Name)); err != nil {
		return nil, err
	}
	if l.store, err = store.Open(ctx, db.AppURL); err != nil {
		return nil, err
	}
	if l.owner, err = pgxpool.New(context.Background(), db.OwnerURL); err != nil {
		return nil, err
	}
	if l.shape, err = l.shapeNow(ctx); err != nil {
		return nil, err
	}
	return l, l.prepareWipe(ctx)
}

// most is what the trail of a lent database may take. What was deleted stays in the files, and each emptying reads through
// it: after a test that wrote thousands of rows a new database is cheaper.
const most = 8 << 20

// back wipes nothing yet: the next test does, so that what still runs of this one has ended by then. A database whose
// shape was changed, or that has become large, is dropped.
func (l *lent) back(t testing.TB) {
	ctx, cancel := context.WithTimeout(context.Background(), patience)
	defer cancel()
	shape, err := l.shapeNow(ctx)
	var trail int64
	if err == nil && shape == l.shape {
		err = l.super.QueryRow(ctx, `SELECT pg_relation_size('public.audit')`).Scan(&trail)
	}
	if err == nil && shape == l.shape && trail <= most {
		free.Lock()
		defer free.Unlock()
		free.list = append(free.list, l)
		return
	}
	l.close()
	cluster, err := clusterURL()
	if err == nil {
		err = drop(cluster, l.Name)
	}
	if err != nil {
		t.Errorf("pgtest: drop %s: %v", l.Name, err)
	}
}

func (l *lent) close() {
	l.store.Close()
	l.owner.Close()
	_ = l.super.Close(context.Background())
}

func (l *lent) shapeNow(ctx context.Context) (shape string, err error) {
	err = l.super.QueryRow(ctx, `SELECT md5(concat_ws('|',
		(SELECT string_agg(oid::text || tgenabled::text, ',' ORDER BY oid) FROM pg_trigger),
		(SELECT string_agg(oid::text || md5(prosrc), ',' ORDER BY oid) FROM pg_proc WHERE pronamespace = 'public'::regnamespace),
		(SELECT string_agg(oid::text || convalidated, ',' ORDER BY oid) FROM pg_constraint),
		(SELECT string_agg(oid::text || relname || relrowsecurity || relforcerowsecurity || coalesce(relacl::text, ''), ',' ORDER BY oid) FROM pg_class WHERE relnamespace = 'public'::regnamespace),
		(SELECT string_agg(attrelid::text || attname || attnotnull || coalesce(attacl::text, ''), ',' ORDER BY attrelid, attnum) FROM pg_attribute a JOIN pg_class c ON c.oid = a.attrelid WHERE c.relnamespace = 'public'::regnamespace),
		(SELECT string_agg(oid::text, ',' ORDER BY oid) FROM pg_policy),
		(SELECT string_agg(setconfig::text, ',' ORDER BY setrole) FROM pg_db_role_setting s JOIN pg_database d ON d.oid = s.setdatabase WHERE d.datname = current_database()),
		(SELECT datacl::text FROM pg_database WHERE datname = current_database()),
		(SELECT string_agg(version_id::text, ',' ORDER BY id) FROM goose_db_version)))`).Scan(&shape)
	return shape, err
}

// tables are those that a test may have filled.
func (l *lent) tables(ctx context.Context) ([]string, error) {
	rows, err := l.super.Query(ctx, `SELECT quote_ident(relname) FROM pg_class WHERE relkind = 'r' AND relnamespace = 'public'::regnamespace AND relname NOT LIKE 'goose%' ORDER BY relname`)
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, pgx.RowTo[string])
}

// prepareWipe writes the statements that empty every table: as a superuser in the role of a replica, where neither
// triggers nor references are asked, and not by TRUNCATE, which has every connection read its catalogs again.
func (l *lent) prepareWipe(ctx context.Context) error {
	tables, err := l.tables(ctx)
	if err != nil {
		return err
	}
	var b strings.Builder
	b.WriteString("SET LOCAL lock_timeout = '10s'; SET LOCAL session_replication_role = replica;\n")
	for _, table := range tables {
		b.WriteString("DELETE FROM public." + table + ";\n")
	}
	l.wipe = b.String()
	return nil
}

// bring empties the database and brings back a beginning, or has it written and keeps it.
func (l *lent) bring(ctx context.Context, name string, begin func(context.Context, *store.Store, store.WorkshopID) error) (err error) {
	inOne := func(statements string) error {
		return pgx.BeginFunc(ctx, l.super, func(tx pgx.Tx) error {
			_, err := tx.Exec(ctx, statements)
			return err
		})
	}
	defer func() {
		if err == nil {
			err = l.super.QueryRow(ctx, `SELECT id FROM workshop`).Scan(&l.Workshop)
		}
	}()
	if again, ok := l.kept[name]; ok {
		return inOne(l.wipe + again)
	}
	// As a migrated database begins (store.Migrate): with an unnamed workshop.
	if err := inOne(l.wipe + `SET LOCAL session_replication_role = origin; INSERT INTO workshop (id, code, name, zone) VALUES (gen_random_uuid(), 'main', 'Workshop', 'UTC');`); err != nil {
		return err
	}
	var workshop store.WorkshopID
	if err := l.super.QueryRow(ctx, `SELECT id FROM workshop`).Scan(&workshop); err != nil {
		return err
	}
	if err := begin(ctx, l.store, workshop); err != nil {
		return err
	}
	return l.keep(ctx, name)
}

// keep copies what the tables hold into a schema of its own.
func (l *lent) keep(ctx context.Context, name string) error {
	tables, err := l.tables(ctx)
	if err != nil {
		return err
	}
	schema := pgx.Identifier{"kept_" + name}.Sanitize()
	var save, again strings.Builder
	save.WriteString("CREATE SCHEMA " + schema + ";\n")
	for _, table := range tables {
		var filled bool
		if err := l.super.QueryRow(ctx, "SELECT EXISTS (SELECT FROM public."+table+")").Scan(&filled); err != nil {
			return err
		}
		if !filled {
			continue
		}
		var columns string
		if err := l.super.QueryRow(ctx, `SELECT string_agg(quote_ident(attname), ', ' ORDER BY attnum) FROM pg_attribute
			WHERE attrelid = ('public.' || $1)::regclass AND attnum > 0 AND NOT attisdropped AND attgenerated = ''`, table).Scan(&columns); err != nil {
			return err
		}
		fmt.Fprintf(&save, "CREATE TABLE %s.%s AS SELECT %s FROM public.%s;\n", schema, table, columns, table)
		fmt.Fprintf(&again, "INSERT INTO public.%s (%s) OVERRIDING SYSTEM VALUE SELECT %s FROM %s.%s;\n", table, columns, columns, schema, table)
	}
	if _, err := l.super.Exec(ctx, save.String()); err != nil {
		return err
	}
	l.kept[name] = again.String()
	return nil
}

const lentName = "lent_"

// run names this process among those that lend databases on a cluster; its lock there lasts as long as the process.
var run struct {
	sync.Mutex
	name string
	conn *pgx.Conn
}

// lender gives this process's name on the cluster, and drops what processes that are gone have left.
func lender(ctx context.Context, cluster string) (string, error) {
	run.Lock()
	defer run.Unlock()
	if run.name != "" {
		return run.name, nil
	}
	conn, err := pgx.Connect(ctx, cluster)
	if err != nil {
		return "", err
	}
	name := randomHex()
	if _, err := conn.Exec(ctx, `SELECT pg_advisory_lock(hashtext($1))`, lentName+name); err != nil {
		return "", errors.Join(err, conn.Close(ctx))
	}
	run.name, run.conn = name, conn
	return name, dropLeft(ctx, conn, name)
}

// dropLeft drops the databases of processes that hold no lock any more.
func dropLeft(ctx context.Context, conn *pgx.Conn, mine string) error {
	rows, err := conn.Query(ctx, `SELECT datname FROM pg_database WHERE datname LIKE 'lent\_%'`)
	if err != nil {
		return err
	}
	left, err := pgx.CollectRows(rows, pgx.RowTo[string])
	if err != nil {
		return err
	}
	for _, db := range left {
		whose, _, _ := strings.Cut(strings.TrimPrefix(db, lentName), "_")
		if whose == mine {
			continue
		}
		var gone bool
		if err := conn.QueryRow(ctx, `SELECT pg_try_advisory_lock(hashtext($1))`, lentName+whose).Scan(&gone); err != nil {
			return err
		}
		if !gone {
			continue
		}
		_, err := conn.Exec(ctx, `DROP DATABASE IF EXISTS `+db+` WITH (FORCE)`)
		if _, e := conn.Exec(ctx, `SELECT pg_advisory_unlock(hashtext($1))`, lentName+whose); err != nil || e != nil {
			return errors.Join(err, e)
		}
	}
	return nil
}
