package main

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"net/url"
	"os"
	"path/filepath"

	"example.org/stillroom/internal/pgprivate"
	"example.org/stillroom/internal/store"
)

// database is the PostgreSQL in use: the private one of the data folder, or a server that a URL names.
type database struct {
	ownerURL, appURL string
	readURL          string             // a standby for reading, or empty
	data             string             // the data folder
	cluster          *pgprivate.Cluster // nil for a server
}

// Close leaves a private PostgreSQL, and ends it where this process started it.
func (d *database) Close() error {
	if d.cluster == nil {
		return nil
	}
	return d.cluster.Close()
}

// serverURLs are the owner's and the serving role's URL of a PostgreSQL server; empty for the private one.
func (p *program) serverURLs() (owner, app string, err error) {
	if owner, err = p.setting(p.flags.databaseURL, "STILLROOM_DATABASE_URL"); err != nil {
		return "", "", err
	}
	if app, err = p.setting("", "STILLROOM_APP_URL"); err != nil {
		return "", "", err
	}
	if owner == "" {
		if app != "" {
			return "", "", wrong("STILLROOM_APP_URL goes with a database URL, and none is given")
		}
		return "", "", nil
	}
	u, err := parseServer("the database URL", owner)
	if err != nil {
		return "", "", err
	}
	if app != "" {
		_, err = parseServer("STILLROOM_APP_URL", app)
		return owner, app, err
	}
	// The owner's login steps down to the serving role with its first breath.
	query := u.Query()
	query.Set("role", pgprivate.AppRole)
	u.RawQuery = query.Encode()
	return owner, u.String(), nil
}

// readURL is a standby of the owner's server, for reading; empty without one.
func (p *program) readURL(owner string) (string, error) {
	read, err := p.setting("", "STILLROOM_READ_DATABASE_URL")
	if err != nil || read == "" {
		return "", err
	}
	if owner == "" {
		return "", wrong("STILLROOM_READ_DATABASE_URL goes with a database URL, and none is given")
	}
	_, err = parseServer("STILLROOM_READ_DATABASE_URL", read)
	return read, err
}

func parseServer(what, text string) (*url.URL, error) {
	u, err := url.Parse(text)
	if err != nil || u.Scheme != "postgres" && u.Scheme != "postgresql" {
		// Without the text: it may hold a password.
		return nil, wrong("%s is not of the form postgres://user@host/database", what)
	}
	return u, nil
}

// openDatabase gives the database. As an owner it starts the private one; as a guest it joins it, or starts it for
// itself. Where there is none yet it is made.
func (p *program) openDatabase(ctx context.Context, mode pgprivate.Mode, log *slog.Logger) (*database, error) {
	data, err := p.dataFolder()
	if err != nil {
		return nil, err
	}
	owner, app, err := p.serverURLs()
	if err != nil {
		return nil, err
	}
	read, err := p.readURL(owner)
	if err != nil {
		return nil, err
	}
	if owner != "" {
		return &database{ownerURL: owner, appURL: app, readURL: read, data: data}, nil
	}
	cluster, err := pgprivate.Open(ctx, pgprivate.Config{Dir: data, BinDir: p.flags.pgBin, Fetched: p.fetched(), Log: log, LockWait: p.flags.lockWait}, mode)
	if err != nil {
		return nil, err
	}
	return &database{ownerURL: cluster.OwnerURL(), appURL: cluster.AppURL(), data: data, cluster: cluster}, nil
}

// openStore connects as the role that serves.
func (d *database) openStore(ctx context.Context) (*store.Store, error) {
	if d.cluster == nil && d.appURL != d.ownerURL {
		if err := store.LetOwnerServe(ctx, d.ownerURL, d.appURL); err != nil {
			return nil, err
		}
	}
	s, err := store.Open(ctx, d.appURL)
	if err != nil || d.readURL == "" {
		return s, err
	}
	if err := s.ReadFrom(d.readURL); err != nil {
		s.Close()
		return nil, err
	}
	return s, nil
}

// refuseNothing refuses a data folder without a database: a guest would set up a whole cluster in a mistyped folder only
// to find it empty.
func (p *program) refuseNothing() error {
	data, err := p.dataFolder()
	if err != nil {
		return err
	}
	if owner, _, err := p.serverURLs(); err != nil || owner != "" {
		return err
	}
	if _, err := os.Stat(filepath.Join(data, "pg")); errors.Is(err, fs.ErrNotExist) {
		return &exit{saysNo, fmt.Errorf("there is no Stillroom in %s yet; stillroom serve sets it up", data)}
	}
	return nil
}

// asGuest runs a command on a database whose schema is this program's, and leaves again.
func (p *program) asGuest(ctx context.Context, do func(*database) error) (err error) {
	if err := p.refuseNothing(); err != nil {
		return err
	}
	db, err := p.openDatabase(ctx, pgprivate.Guest, p.logger(slog.LevelWarn))
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, db.Close()) }()
	if err := store.CheckSchema(ctx, db.ownerURL); err != nil {
		return err
	}
	return do(db)
}

// asNewcomer is asGuest for the commands that bring a book in: they make the database where it is missing, and
// migrate it in their own time.
func (p *program) asNewcomer(ctx context.Context, do func(*database) error) (err error) {
	db, err := p.openDatabase(ctx, pgprivate.Guest, p.logger(slog.LevelWarn))
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, db.Close()) }()
	return do(db)
}

// inWorkshop is asGuest for commands about one workshop.
func (p *program) inWorkshop(ctx context.Context, do func(*database, *store.Store, store.Workshop) error) error {
	return p.asGuest(ctx, func(db *database) error {
		workshop, err := p.workshop(ctx, db)
		if err != nil {
			return err
		}
		s, err := db.openStore(ctx)
		if err != nil {
			return err
		}
		defer s.Close()
		return do(db, s, workshop)
	})
}

// workshop is the one that --workshop names, or the only one.
func (p *program) workshop(ctx context.Context, db *database) (store.Workshop, error) {
	list, err := store.Workshops(ctx, db.ownerURL)
	if err != nil {
		return store.Workshop{}, err
	}
	var codes []string
	for _, w := range list {
		if p.flags.workshop == w.Code || p.flags.workshop == "" && len(list) == 1 {
			return w, nil
		}
		codes = append(codes, w.Code)
	}
	if p.flags.workshop != "" {
		return store.Workshop{}, &exit{saysNo, fmt.Errorf("there is no workshop %q; there are %q", p.flags.workshop, codes)}
	}
	return store.Workshop{}, wrong("the database holds several workshops; name one with --workshop: %q", codes)
}
