package main

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net/url"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"github.com/google/uuid"

	"example.org/stillroom/internal/access"
	"example.org/stillroom/internal/pgprivate"
	"example.org/stillroom/internal/store"
	"example.org/stillroom/internal/store/floor"
)

// place is a database of its own, migrated, with one workshop and its owner.
type place struct {
	owner, app string
	store      *store.Store
	traced     *store.Store // one whose statements the recorder keeps
	floor      *floor.DB
	recorder   *floor.Recorder
	workshop   store.Workshop
	cookie     string
	clock      stepping
	kept       bool // it holds what an earlier run with --keep brought in
	closers    []func() error
}

// ID is the workshop's.
func (p *place) ID() uuid.UUID { return uuid.UUID(p.workshop.ID) }

// Who brings data in.
func (p *place) Who() store.Who { return store.Who{Workshop: p.workshop.ID, Actor: "command"} }

func (p *place) Close() error {
	var all []error
	for i := len(p.closers) - 1; i >= 0; i-- {
		all = append(all, p.closers[i]())
	}
	return errors.Join(all...)
}

func (p *place) later(do func()) { p.closers = append(p.closers, func() error { do(); return nil }) }

// open makes a fresh place: a private PostgreSQL of its own, with fsync on as a maker has it, or a database on the server
// that --database-url names.
func (r *run) open(ctx context.Context, name string) (*place, error) {
	p := &place{recorder: &floor.Recorder{}}
	if err := r.connect(ctx, p, name); err != nil {
		return nil, errors.Join(err, p.Close())
	}
	if err := p.prepare(ctx); err != nil {
		return nil, errors.Join(fmt.Errorf("%s: %w", name, err), p.Close())
	}
	return p, nil
}

func (r *run) connect(ctx context.Context, p *place, name string) error {
	if r.databaseURL == "" {
		cluster, err := pgprivate.Open(ctx, pgprivate.Config{Dir: filepath.Join(r.data, name), BinDir: r.pgBin, Log: slog.New(slog.DiscardHandler)}, pgprivate.Owner)
		if err != nil {
			return err
		}
		p.closers = append(p.closers, cluster.Close)
		p.owner, p.app = cluster.OwnerURL(), cluster.AppURL()
		return nil
	}
	u, err := url.Parse(r.databaseURL)
	if err != nil {
		return errors.New("--database-url is not of the form postgres://user@host/database") // without the text: it may hold a password
	}
	database := "stillroom_load_" + name
	if err := floor.NewDatabase(ctx, r.databaseURL, database); err != nil {
		return err
	}
	if !r.keep {
		p.closers = append(p.closers, func() error { return floor.DropDatabase(context.WithoutCancel(ctx), r.databaseURL, database) })
	}
	u.Path = "/" + database
	p.owner = u.String()
	p.app = with(p.owner, "role", pgprivate.AppRole)
	return nil
}

// with adds a setting to a URL.
func with(text, name, value string) string {
	u, err := url.Parse(text)
	if err != nil {
		return text // it was read before
	}
	query := u.Query()
	query.Set(name, value)
	u.RawQuery = query.Encode()
	return u.String()
}

const ownerEmail = "owner@quillmoor.example.org"

func (p *place) prepare(ctx context.Context) error {
	if err := store.Migrate(ctx, p.owner); err != nil {
		return err
	}
	if err := store.LetOwnerServe(ctx, p.owner, p.app); err != nil {
		return err
	}
	s, err := store.Open(ctx, p.app)
	if err != nil {
		return err
	}
	p.store = s
	p.later(s.Close)
	if p.traced, err = store.Open(ctx, p.app, store.Traced(p.recorder)); err != nil {
		return err
	}
	p.later(p.traced.Close)
	if p.floor, err = floor.Open(ctx, p.app); err != nil {
		return err
	}
	p.later(p.floor.Close)
	list, err := store.Workshops(ctx, p.owner)
	if err != nil {
		return err
	}
	list = slices.DeleteFunc(list, func(w store.Workshop) bool { return strings.HasPrefix(w.Code, benchCode) })
	if len(list) != 1 {
		return fmt.Errorf("the database holds %d workshops", len(list))
	}
	p.workshop, p.kept = list[0], list[0].Named
	if p.kept {
		link, err := s.SignInLink(ctx, p.workshop.ID, ownerEmail, time.Now())
		if err != nil {
			return fmt.Errorf("what is kept here is of no earlier run; name a new folder with --data: %w", err)
		}
		p.cookie, err = s.SignInByLink(ctx, link, "load", time.Now())
		return err
	}
	link, err := s.SetUpLink(ctx, p.workshop.ID, time.Now())
	if err != nil {
		return err
	}
	owner := store.NewPerson{Email: ownerEmail, Name: "Owner Quill", Role: access.Owner}
	p.cookie, err = s.SetUp(ctx, link, "Quillmoor Workshop", "UTC", owner, uuid.NewString(), "load", time.Now())
	return err
}

// fill brings in a folder of tables, where that many batches are not kept from an earlier run, and answers how long it took.
func (p *place) fill(ctx context.Context, dir string, batches int) (time.Duration, error) {
	if !p.kept {
		return p.bring(ctx, dir)
	}
	counts, err := p.floor.Counts(ctx, p.ID())
	if err == nil && counts["batch"] != int64(batches) {
		err = fmt.Errorf("%d batches are kept there and not %d; name a new folder with --data", counts["batch"], batches)
	}
	return 0, err
}

// bring imports a folder of tables and leaves the database as it would be a while later.
func (p *place) bring(ctx context.Context, dir string) (time.Duration, error) {
	began := time.Now()
	src, err := store.OpenImportDir(dir)
	if err != nil {
		return 0, err
	}
	report, err := p.traced.Import(ctx, p.Who(), src, store.ImportOptions{})
	took := time.Since(began)
	if err != nil {
		return 0, err
	}
	if !report.Saved {
		for _, f := range report.Faults[:min(20, len(report.Faults))] {
			fmt.Fprintln(os.Stderr, f)
		}
		return 0, fmt.Errorf("the import was refused with %d faults", int64(len(report.Faults))+report.More)
	}
	return took, nil
}
