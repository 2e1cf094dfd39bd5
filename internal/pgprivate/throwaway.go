//go:build unix

package pgprivate

import (
	"context"
	"os"
)

// OpenThrowaway is Open as Owner for tests: nothing is flushed, more connections, and all of it may be lost. It
// refuses a folder that already holds a cluster, so that it can never meet a real one.
func OpenThrowaway(ctx context.Context, cfg Config) (*Cluster, error) {
	f, err := openFolder(cfg.Dir)
	if err != nil {
		return nil, err
	}
	major, err := f.major()
	f.close()
	if err != nil {
		return nil, err
	}
	if major != 0 {
		return nil, &refusal{ErrFolder, cfg.Dir + " already holds a cluster; a throwaway one needs a folder of its own"}
	}
	cfg.throwaway = true
	return Open(ctx, cfg, Owner)
}

// RemoveThrowaway ends what still runs in a folder of OpenThrowaway whose process is gone, and removes the folder.
func RemoveThrowaway(ctx context.Context, cfg Config) error {
	cfg.throwaway = true
	cfg.applyDefaults()
	f, err := openFolder(cfg.Dir)
	if err != nil {
		return err
	}
	defer f.close()
	if f.root == nil {
		return nil
	}
	if err := f.prepare(); err != nil {
		return err
	}
	c := &Cluster{cfg: cfg, log: cfg.Log, folder: f}
	if err := c.enter(ctx, Owner); err != nil {
		return err
	}
	defer c.ownLock.close()
	if err := c.endLeftovers(ctx); err != nil {
		return err
	}
	return os.RemoveAll(f.dir)
}

// SuperuserURL connects to the maintenance database of a throwaway cluster; a kept one gives no such URL.
func (c *Cluster) SuperuserURL() string {
	if !c.cfg.throwaway {
		return ""
	}
	return socketURL(c.socket, superuser, superuser)
}
