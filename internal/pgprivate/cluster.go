//go:build unix

package pgprivate

import (
	"context"
	"errors"
	"log/slog"
	"sync"
	"time"
)

// Cluster is a running private PostgreSQL, owned or joined.
type Cluster struct {
	cfg    Config
	log    *slog.Logger
	folder *folder
	bin    Binaries
	socket string // folder of the socket

	ownLock   *lockFile // nil for a guest that joined
	guestLock *lockFile // nil for an owner
	server    *supervisor

	closing   sync.Once
	closeErr  error
	guestDone chan struct{}
	guestDown chan struct{}
}

// Open gives the private PostgreSQL of cfg.Dir, ready for connections. The error is one of ErrInUse,
// ErrNoBinaries, ErrMajor, ErrUnsafe, ErrFolder (errors.Is), ctx's own, or what PostgreSQL said.
// Where the refusal is ErrMajor nothing in the folder has been touched.
func Open(ctx context.Context, cfg Config, mode Mode) (*Cluster, error) {
	cfg.applyDefaults()
	f, err := openFolder(cfg.Dir)
	if err != nil {
		return nil, err
	}
	c := &Cluster{cfg: cfg, log: cfg.Log, folder: f, guestDone: make(chan struct{}), guestDown: make(chan struct{})}
	if err := c.open(ctx, mode); err != nil {
		c.release()
		return nil, err
	}
	return c, nil
}

func (c *Cluster) open(ctx context.Context, mode Mode) error {
	bin, err := c.chooseBinaries(ctx)
	if err != nil && (mode == Owner || !c.folder.runs()) {
		return err // before the lock files are made: a folder of another major stays as it is
	}
	if err := c.folder.prepare(); err != nil {
		return err
	}
	if err := c.enter(ctx, mode); err != nil {
		return err
	}
	if c.guestLock != nil {
		go c.watchAsGuest()
		return nil
	}
	if bin.Dir == "" {
		return err // we meant to join, and the server ended meanwhile
	}
	return c.startServer(ctx, bin)
}

// chooseBinaries finds the programs of the folder's own major, or the newest for a folder without a cluster. What the
// machine does not have may come from the cache, or be fetched into it.
func (c *Cluster) chooseBinaries(ctx context.Context) (Binaries, error) {
	major, err := c.folder.major()
	if err != nil {
		return Binaries{}, err
	}
	bin, err := Find(c.cfg.BinDir, major)
	if c.cfg.BinDir == "" && (errors.Is(err, ErrNoBinaries) || errors.Is(err, ErrMajor)) {
		fetched, ok, failed := c.cfg.Fetched.find(ctx, major)
		if ok {
			return fetched, nil
		}
		if failed != nil {
			err = failed
		}
	}
	var r *refusal
	if major != 0 && errors.As(err, &r) {
		r.text = c.folder.dir + ": " + r.text
	}
	return bin, err
}

// startServer runs with the owner's lock held.
func (c *Cluster) startServer(ctx context.Context, bin Binaries) error {
	// Read again under the lock: another process may have made the cluster since.
	major, err := c.folder.major()
	if err == nil && major != 0 && major != bin.Major {
		bin, err = c.chooseBinaries(ctx)
	}
	if err != nil {
		return err
	}
	if err := c.folder.canRun(bin); err != nil {
		return err
	}
	c.bin = bin
	if err := c.endLeftovers(ctx); err != nil {
		return err
	}
	if c.socket, err = c.folder.makeSocketFolder(); err != nil {
		return err
	}
	if err := c.begin(ctx); err != nil {
		c.folder.removeShortSocketFolder(c.socket, "")
		return err
	}
	return nil
}

func (c *Cluster) begin(ctx context.Context) error {
	if err := c.initialise(ctx); err != nil {
		return err
	}
	if err := c.writeAccess(); err != nil {
		return err
	}
	c.server = newSupervisor(c)
	return c.server.begin(ctx)
}

// OwnerURL connects as the owner of the database: migrates, dumps, restores.
func (c *Cluster) OwnerURL() string { return socketURL(c.socket, OwnerRole, Database) }

// AppURL connects as the role that serves, under row-level security.
func (c *Cluster) AppURL() string { return socketURL(c.socket, AppRole, Database) }

// Owns tells whether this process started PostgreSQL (an Owner, or a Guest that found none running).
func (c *Cluster) Owns() bool { return c.server != nil }

// Running tells whether PostgreSQL takes connections at this moment.
func (c *Cluster) Running() bool {
	if c.server != nil {
		return c.server.isReady()
	}
	return c.folder.runs() && answers(c.socket)
}

// Down gives a channel that is closed when the server process that runs now has ended. After a restart, ask
// again for the channel of the new one. A server that is down already gives a closed channel.
func (c *Cluster) Down() <-chan struct{} {
	if c.server != nil {
		return c.server.downChannel()
	}
	return c.guestDown
}

// Close ends what this process has begun. A guest only leaves. An owner waits, without a limit, for the guests
// that joined, then ends PostgreSQL (fast shutdown, harder after 30 s) and lets go of the folder.
// Calls after the first wait for it and return its error.
func (c *Cluster) Close() error {
	c.closing.Do(func() {
		close(c.guestDone)
		if c.server != nil {
			c.waitForGuests()
			c.closeErr = c.server.end()
			c.folder.removeShortSocketFolder(c.socket, "")
		}
		c.release()
	})
	return c.closeErr
}

func (c *Cluster) release() {
	// The guests' lock last: who finds it free may rely on the owner's being free too.
	c.ownLock.close()
	c.guestLock.close()
	c.folder.close()
}

// watchAsGuest closes guestDown when the server that was joined is gone.
func (c *Cluster) watchAsGuest() {
	joined := c.folder.readPID().pid
	for n := 1; ; n++ {
		select {
		case <-c.guestDone:
			return
		case <-time.After(250 * time.Millisecond):
		}
		// The file outlives a killed server, so now and then the socket itself is asked.
		if c.folder.readPID().pid != joined || (n%4 == 0 && !answers(c.socket)) {
			close(c.guestDown)
			return
		}
	}
}
