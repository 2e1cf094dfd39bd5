package pgtest

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"io"
	"os"
	"sync"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"

	"example.org/stillroom/internal/store"
)

// seedPatience covers a long story told on a machine that runs other packages' tests meanwhile.
const seedPatience = 10 * time.Minute

// Seeded gives a fresh database that holds what seed wrote, with the owner's rights, into the workshop of a migrated one.
// It is written once by a test program and a day, under a name, and copied for each test after that.
func Seeded(t testing.TB, name string, seed func(context.Context, *store.Store, store.Workshop) error) DB {
	t.Helper()
	cluster, err := clusterURL()
	if err != nil {
		t.Fatalf("pgtest: no test cluster: %v", err)
	}
	source, err := seededTemplate(cluster, name, seed)
	if err != nil {
		t.Fatalf("pgtest: seed %s: %v", name, err)
	}
	return database(t, func(context.Context, *pgx.Conn, string) (string, error) { return source, nil })
}

// seeded are the templates that this process has seen, by name: each *story, whose lock is held while it is written, as
// all who wait for it want just that.
var seeded sync.Map

type story struct {
	sync.Mutex
	template string
}

func seededTemplate(cluster, name string, seed func(context.Context, *store.Store, store.Workshop) error) (string, error) {
	known, _ := seeded.LoadOrStore(cluster+" "+name, &story{})
	this := known.(*story)
	this.Lock()
	defer this.Unlock()
	if this.template != "" {
		return this.template, nil
	}
	ctx, cancel := context.WithTimeout(context.Background(), seedPatience)
	defer cancel()
	conn, err := pgx.Connect(ctx, cluster)
	if err != nil {
		return "", err
	}
	defer conn.Close(ctx)
	if err := prepare(ctx, cluster, conn); err != nil {
		return "", err
	}
	empty, err := template(ctx, conn, cluster)
	if err != nil {
		return "", err
	}
	program, err := programHash()
	if err != nil {
		return "", err
	}
	full := fmt.Sprintf("seeded_%s_%s_%s", name, program, time.Now().UTC().Format("20060102"))
	// A test program of the same hash that runs beside this one waits here, and finds it written.
	if _, err := conn.Exec(ctx, `SELECT pg_advisory_lock(hashtext($1))`, full); err != nil {
		return "", fmt.Errorf("take the lock of %s: %w", full, err)
	}
	var there bool
	if err := conn.QueryRow(ctx, `SELECT EXISTS (SELECT FROM pg_database WHERE datname = $1)`, full).Scan(&there); err != nil {
		return "", fmt.Errorf("look for %s: %w", full, err)
	}
	if !there {
		if err := makeTemplate(ctx, conn, cluster, full, empty, func(url string) error { return sow(ctx, url, seed) }); err != nil {
			return "", err
		}
	}
	this.template = full
	return full, nil
}

// sow calls seed with what it writes to.
func sow(ctx context.Context, ownerURL string, seed func(context.Context, *store.Store, store.Workshop) error) error {
	s, err := store.Open(ctx, ownerURL)
	if err != nil {
		return err
	}
	defer s.Close()
	shops, err := store.Workshops(ctx, ownerURL)
	if err != nil {
		return err
	}
	return seed(ctx, s, shops[0])
}

// RunVariable names one run of cmd/check over one state of the sources.
const RunVariable = "STILLROOM_TEST_RUN"

// programHash is over this test program's own file: what it seeds changes with its code, migrations among it.
func programHash() (string, error) {
	// In one run of cmd/check all test programs are of the same sources, and share what one of them wrote.
	if run := os.Getenv(RunVariable); run != "" {
		return run, nil
	}
	path, err := os.Executable()
	if err != nil {
		return "", err
	}
	file, err := os.Open(path)
	if err != nil {
		return "", err
	}
	defer file.Close()
	h := sha256.New()
	if _, err := io.Copy(h, file); err != nil {
		return "", err
	}
	return hex.EncodeToString(h.Sum(nil))[:16], nil
}
