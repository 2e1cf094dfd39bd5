// Package pgtest gives tests databases of their own: each a copy of a template that was migrated once, on a throwaway
// PostgreSQL in memory. The cluster is the one that STILLROOM_TEST_CLUSTER names (a superuser's URL; cmd/check sets
// it for all test programs of a run), else one that this process starts and that ends with it.
package pgtest

import (
	"context"
	"crypto/rand"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"io/fs"
	"net/url"
	"os"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgxpool"

	"example.org/stillroom/internal/pgprivate"
	"example.org/stillroom/internal/store"
	"example.org/stillroom/migrations"
)

// ClusterVariable names a cluster to use: the URL of a superuser on its maintenance database.
const ClusterVariable = "STILLROOM_TEST_CLUSTER"

// patience covers the slowest step, a template migrated on a machine that runs other packages' tests meanwhile.
const patience = 2 * time.Minute

// DB is one test's database. OwnerURL connects as stillroom_owner, who may migrate and is no superuser; AppURL as
// stillroom_app, under row-level security. Workshop is the one that a lent database holds (Begun).
type DB struct {
	Name, OwnerURL, AppURL string
	Workshop               uuid.UUID
	owner                  *pgxpool.Pool // of a lent database, kept open between tests
}

// Database gives a fresh, migrated database (it holds the workshop `main`), dropped when the test ends; if the test
// failed it is kept and named in its log. What belongs to a database but is not in it, as ALTER DATABASE … SET or a
// GRANT ON DATABASE, is not copied from the template.
func Database(t testing.TB) DB {
	t.Helper()
	return database(t, template)
}

// Empty gives a database that was not migrated, otherwise as Database does.
func Empty(t testing.TB) DB {
	t.Helper()
	return database(t, func(context.Context, *pgx.Conn, string) (string, error) { return "template0", nil })
}

func database(t testing.TB, from func(context.Context, *pgx.Conn, string) (string, error)) DB {
	t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), patience)
	defer cancel()
	cluster, err := clusterURL()
	if err != nil {
		t.Fatalf("pgtest: no test cluster: %v", err)
	}
	db, err := create(ctx, cluster, "test_", from)
	if err != nil {
		t.Fatalf("pgtest: no test database: %v", err)
	}
	t.Cleanup(func() {
		if t.Failed() {
			t.Logf("pgtest: database kept, as long as its cluster runs (%s keeps one across runs): psql '%s'", ClusterVariable, db.OwnerURL)
			return
		}
		if err := drop(cluster, db.Name); err != nil {
			t.Errorf("pgtest: drop %s: %v", db.Name, err)
		}
	})
	return db
}

func create(ctx context.Context, cluster, prefix string, from func(context.Context, *pgx.Conn, string) (string, error)) (DB, error) {
	conn, err := pgx.Connect(ctx, cluster)
	if err != nil {
		return DB{}, err
	}
	defer conn.Close(ctx)
	if err := prepare(ctx, cluster, conn); err != nil {
		return DB{}, err
	}
	source, err := from(ctx, conn, cluster)
	if err != nil {
		return DB{}, err
	}
	name := prefix + randomHex()
	if err := createDatabase(ctx, conn, name, source); err != nil {
		return DB{}, err
	}
	return DB{Name: name, OwnerURL: as(cluster, pgprivate.OwnerRole, name), AppURL: as(cluster, pgprivate.AppRole, name)}, nil
}

// createDatabase copies files, which in memory is faster than writing the copy to the log: 16 to 37 ms.
func createDatabase(ctx context.Context, conn *pgx.Conn, name, source string) error {
	locale := ""
	if source == "template0" {
		locale = " ENCODING 'UTF8' LOCALE 'C.UTF-8'"
	}
	_, err := conn.Exec(ctx, fmt.Sprintf(`CREATE DATABASE %s OWNER %s TEMPLATE %s STRATEGY file_copy%s`, name, pgprivate.OwnerRole, source, locale))
	if err != nil {
		return fmt.Errorf("create database %s from %s: %w", name, source, err)
	}
	return nil
}

func drop(cluster, name string) error {
	ctx, cancel := context.WithTimeout(context.Background(), patience)
	defer cancel()
	conn, err := pgx.Connect(ctx, cluster)
	if err != nil {
		return err
	}
	defer conn.Close(ctx)
	_, err = conn.Exec(ctx, `DROP DATABASE IF EXISTS `+name+` WITH (FORCE)`)
	return err
}

// prepared remembers, by cluster, what this process has already seen there.
var prepared struct {
	sync.Mutex
	roles     map[string]bool
	templates map[string]bool
}

// prepare makes the roles where they are missing: a cluster of pgprivate has them, another server may not.
func prepare(ctx context.Context, cluster string, conn *pgx.Conn) error {
	return once(&prepared.roles, cluster, func() error {
		return locked(ctx, conn, func() error {
			for role, rights := range map[string]string{pgprivate.OwnerRole: "CREATEROLE", pgprivate.AppRole: "NOCREATEROLE"} {
				var there bool
				if err := conn.QueryRow(ctx, `SELECT EXISTS (SELECT FROM pg_roles WHERE rolname = $1)`, role).Scan(&there); err != nil {
					return fmt.Errorf("look for role %s: %w", role, err)
				}
				if there {
					continue
				}
				sql := `CREATE ROLE ` + role + ` LOGIN NOSUPERUSER NOBYPASSRLS NOCREATEDB ` + rights
				if word := conn.Config().Password; word != "" {
					sql += ` PASSWORD '` + strings.ReplaceAll(word, `'`, `''`) + `'`
				}
				if _, err := conn.Exec(ctx, sql); err != nil {
					return fmt.Errorf("create role %s: %w", role, err)
				}
			}
			return nil
		})
	})
}

// template gives the name of the migrated template, which carries the hash of the migrations, and makes it where it is
// missing.
func template(ctx context.Context, conn *pgx.Conn, cluster string) (string, error) {
	hash, err := migrationsHash(migrations.FS)
	if err != nil {
		return "", err
	}
	name := "template_" + hash
	return name, once(&prepared.templates, cluster, func() error {
		return locked(ctx, conn, func() error {
			var there bool
			if err := conn.QueryRow(ctx, `SELECT EXISTS (SELECT FROM pg_database WHERE datname = $1)`, name).Scan(&there); err != nil {
				return fmt.Errorf("look for %s: %w", name, err)
			}
			if there {
				return nil
			}
			return makeTemplate(ctx, conn, cluster, name, "template0", func(url string) error {
				if err := store.Migrate(ctx, url); err != nil {
					return fmt.Errorf("migrate the template: %w", err)
				}
				return nil
			})
		})
	})
}

// makeTemplate makes a database from another and has it filled through its owner's URL: aside, then renamed, so that a
// template of the right name is a whole one.
func makeTemplate(ctx context.Context, conn *pgx.Conn, cluster, name, source string, fill func(url string) error) error {
	aside := name + "_aside"
	if _, err := conn.Exec(ctx, `DROP DATABASE IF EXISTS `+aside+` WITH (FORCE)`); err != nil {
		return fmt.Errorf("drop a half-made template: %w", err)
	}
	if err := createDatabase(ctx, conn, aside, source); err != nil {
		return err
	}
	if err := fill(as(cluster, pgprivate.OwnerRole, aside)); err != nil {
		return err
	}
	for _, sql := range []string{
		`ALTER DATABASE ` + aside + ` WITH ALLOW_CONNECTIONS false`, // a template in use cannot be copied
		`SELECT pg_terminate_backend(pid, 10000) FROM pg_stat_activity WHERE datname = '` + aside + `'`,
		`ALTER DATABASE ` + aside + ` RENAME TO ` + name,
	} {
		if _, err := conn.Exec(ctx, sql); err != nil {
			return fmt.Errorf("finish the template: %w", err)
		}
	}
	return nil
}

// once runs f unless it has succeeded in this process for that cluster. Others wait for it, and try again themselves
// where it failed.
func once(done *map[string]bool, cluster string, f func() error) error {
	prepared.Lock()
	defer prepared.Unlock()
	if (*done)[cluster] {
		return nil
	}
	if err := f(); err != nil {
		return err
	}
	if *done == nil {
		*done = map[string]bool{}
	}
	(*done)[cluster] = true
	return nil
}

// locked keeps the test programs of one run from doing the same at once. Advisory locks are per database, and all
// take this one on the maintenance database.
func locked(ctx context.Context, conn *pgx.Conn, f func() error) error {
	const key = 0x5717_1200 // any number, the same in every test program
	if _, err := conn.Exec(ctx, `SELECT pg_advisory_lock($1)`, key); err != nil {
		return fmt.Errorf("take the lock of the test cluster: %w", err)
	}
	defer func() { _, _ = conn.Exec(ctx, `SELECT pg_advisory_unlock($1)`, key) }() // closing the connection frees it too
	return f()
}

// migrationsHash is over names and contents, in order of name.
func migrationsHash(files fs.FS) (string, error) {
	h := sha256.New()
	err := fs.WalkDir(files, ".", func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		text, err := fs.ReadFile(files, path)
		if err != nil {
			return err
		}
		fmt.Fprintf(h, "%s\x00%d\x00%s", path, len(text), text)
		return nil
	})
	if err != nil {
		return "", fmt.Errorf("hash the migrations: %w", err)
	}
	return hex.EncodeToString(h.Sum(nil))[:16], nil
}

// as is the same cluster's URL for another role and database; an empty role is the superuser.
func as(cluster, role, database string) string {
	u, err := url.Parse(cluster)
	if err != nil {
		return cluster // create has connected with it, so this does not happen
	}
	u.Path = "/" + database
	q := u.Query()
	q.Del("dbname")
	if role == "" { // the superuser's own
		u.RawQuery = strings.ReplaceAll(q.Encode(), "+", "%20")
		return u.String()
	}
	q.Set("user", role)
	if word, ok := u.User.Password(); ok {
		q.Set("password", word)
	}
	u.User = nil
	u.RawQuery = strings.ReplaceAll(q.Encode(), "+", "%20")
	return u.String()
}

func randomHex() string {
	b := make([]byte, 6)
	_, _ = rand.Read(b) // never fails (crypto/rand)
	return hex.EncodeToString(b)
}

// clusterURL is decided once a process.
var clusterURL = sync.OnceValues(func() (string, error) {
	if url := os.Getenv(ClusterVariable); url != "" {
		return url, nil
	}
	_, url, err := Start() // never stopped: the kernel ends it with this process, and the next start removes it
	return url, err
})
