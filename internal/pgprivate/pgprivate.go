// Package pgprivate runs the program's own PostgreSQL in the data folder: made at the first start, reached
// over a unix socket only, ended with the program, and brought back after a kill of either without loss.
//
// One process owns the running cluster: it holds the lock file DIR/pg.lock, started PostgreSQL and restarts it
// when it dies. Other commands are guests: they hold a shared lock on DIR/pg.guests.lock while they work, and the
// owner waits for that lock before it ends PostgreSQL. The kernel frees both locks with the process that held
// them, so neither can be stale. DIR/pg is the cluster; nothing here ever makes it anew once it is there.
package pgprivate

import (
	"errors"
	"log/slog"
	"net/url"
	"os"
	"strings"
	"time"
)

// Mode says what the caller wants to be.
type Mode int

const (
	// Owner starts PostgreSQL and supervises it; never a guest. For serve and demo.
	Owner Mode = iota
	// Guest joins the PostgreSQL that runs, or starts it for itself where none does. For all other commands.
	Guest
)

// Roles and database of every private cluster.
const (
	Database  = "stillroom"
	OwnerRole = "stillroom_owner" // owns the database; LOGIN CREATEROLE, no superuser
	AppRole   = "stillroom_app"   // serves; LOGIN, neither owner, superuser nor BYPASSRLS
	superuser = "postgres"
)

// Kinds of refusal, for errors.Is. The error itself holds the words for the person.
var (
	ErrInUse      = errors.New("the data folder is in use")
	ErrNoBinaries = errors.New("no PostgreSQL server programs found")
	ErrMajor      = errors.New("the data folder was made by another major version of PostgreSQL")
	ErrUnsafe     = errors.New("the cluster is not set up to keep what it acknowledged")
	ErrFolder     = errors.New("the data folder cannot be used")
)

// refusal is an error whose text is for a person and whose kind is for errors.Is.
type refusal struct {
	kind error
	text string
}

func (r *refusal) Error() string { return r.text }
func (r *refusal) Unwrap() error { return r.kind }

// Config says where the cluster lives and how it is found.
type Config struct {
	// Dir is the data folder; the cluster lives in Dir/pg. Made where it is missing.
	Dir string
	// BinDir is the folder of postgres and initdb; empty searches PATH and the usual folders, then Fetched.
	BinDir  string
	Fetched Fetched
	// Log may be nil.
	Log *slog.Logger
	// LockWait is how long Open waits for another process to let go of the folder; 0 means 60 s.
	LockWait time.Duration

	throwaway bool
	patience  time.Duration // for each step of ending a server; 0 means 30 s
}

func (cfg *Config) applyDefaults() {
	if cfg.Log == nil {
		cfg.Log = slog.New(slog.DiscardHandler)
	}
	if cfg.LockWait == 0 {
		cfg.LockWait = 60 * time.Second
	}
	if cfg.patience == 0 {
		cfg.patience = 30 * time.Second
	}
}

// socketURL spells the port out, since libpq and pgx would else take PGPORT from the environment.
func socketURL(socket, role, database string) string {
	u := url.URL{Scheme: "postgres", Path: "/" + database, RawQuery: "host=" + escape(socket) + "&port=5432&user=" + escape(role)}
	return u.String()
}

// escape writes a space as %20, never as +, which libpq would take literally.
func escape(s string) string {
	return strings.NewReplacer("+", "%20", "%2F", "/").Replace(url.QueryEscape(s))
}

func isRoot() bool { return os.Geteuid() == 0 }
