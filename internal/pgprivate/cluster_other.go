//go:build !unix

package pgprivate

import (
	"context"
	"fmt"
	"runtime"
)

// Cluster is what there is none of here: the private PostgreSQL is reached by a socket that only its own user may open,
// and knows its user by the system's word, which needs a Unix.
type Cluster struct{}

// Open refuses, and says what to do instead.
func Open(_ context.Context, cfg Config, _ Mode) (*Cluster, error) {
	found := "Install PostgreSQL with its own installer"
	if bin, err := Find(cfg.BinDir, 0); err == nil {
		found = fmt.Sprintf("There is a PostgreSQL %d in %s", bin.Major, bin.Dir)
	}
	return nil, &refusal{ErrFolder, "on " + runtime.GOOS + " Stillroom does not start a PostgreSQL of its own. " + found +
		", let it run as a service, make a database there, and name it with --database-url postgres://user@localhost/database"}
}

// OwnerURL is empty: there is no cluster.
func (c *Cluster) OwnerURL() string { return "" }

// AppURL is empty: there is no cluster.
func (c *Cluster) AppURL() string { return "" }

// Close has nothing to end.
func (c *Cluster) Close() error { return nil }
