package main

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"time"

	"example.org/stillroom/internal/pgprivate"
	"example.org/stillroom/internal/store/floor"
)

// measureImport holds the import, which brought the large workshop in, against its own COPYs and INSERT … SELECTs alone,
// sent by psql into a database as fresh.
func (r *run) measureImport(ctx context.Context) (err error) {
	if r.place.kept {
		say("the import was measured when it was done")
		return nil
	}
	other, err := r.open(ctx, "floor")
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, other.Close()) }()
	work := filepath.Join(r.data, "copy")
	if err := os.MkdirAll(work, 0o755); err != nil {
		return err
	}
	script, err := floor.NewScript(ctx, r.recording.list, r.tables, work, other.ID())
	if err != nil {
		return err
	}
	run, by := func() error { return script.Run(ctx, other.floor) }, "pgx, as psql was not found"
	if psql := r.program("psql"); psql != "" {
		run, by = func() error { return script.Psql(ctx, psql, other.app) }, "psql"
	}
	began := time.Now()
	if err := run(); err != nil {
		return err
	}
	took := time.Since(began)
	rows, err := r.same(ctx, other)
	if err != nil {
		return err
	}
	r.results = append(r.results, result{
		what: fmt.Sprintf("import of %d batches, all checks, %d rows", r.batches, rows), floor: rate(float64(rows) / took.Seconds()), ours: rate(float64(rows) / r.brought.Seconds()),
		ratio: took.Seconds() / r.brought.Seconds(), least: 0.6, note: fmt.Sprintf("%s; the floor by %s in %s", spell(r.brought), by, spell(took)),
	})
	return nil
}

// same counts the rows, which have to be as many in both databases: a floor that does less would be none.
func (r *run) same(ctx context.Context, other *place) (rows int64, err error) {
	ours, err := r.place.floor.Counts(ctx, r.place.ID())
	if err != nil {
		return 0, err
	}
	theirs, err := other.floor.Counts(ctx, other.ID())
	if err != nil {
		return 0, err
	}
	for _, table := range slices.Sorted(maps.Keys(ours)) {
		if ours[table] != theirs[table] {
			return 0, fmt.Errorf("the import made %d rows of %s, the floor %d", ours[table], table, theirs[table])
		}
		rows += ours[table]
	}
	return rows, nil
}

// program finds one of PostgreSQL's programs, or nothing.
func (r *run) program(name string) string {
	if bin, err := pgprivate.Find(r.pgBin, 0); err == nil {
		if path := bin.Path(name); isProgram(path) {
			return path
		}
	}
	path, err := exec.LookPath(name)
	if err != nil {
		return ""
	}
	return path
}

func isProgram(path string) bool {
	info, err := os.Stat(path)
	return err == nil && info.Mode().IsRegular() && info.Mode()&0o111 != 0
}
