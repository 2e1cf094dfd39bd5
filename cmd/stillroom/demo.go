package main

import (
	"context"
	"errors"
	"fmt"
	"net/url"
	"os"
	"time"

	"github.com/spf13/cobra"

	"example.org/stillroom/internal/demo"
	"example.org/stillroom/internal/store"
	"example.org/stillroom/web/paths"
)

func (p *program) demoCommand() *cobra.Command {
	var o serving
	cmd := &cobra.Command{
		Use: "demo", Short: "Serve an invented workshop to look at",
		Long: "Serve an invented workshop with two years of work, ending today. Without --data or STILLROOM_DATA it is made\n" +
			"afresh, within half a minute, in a folder of its own, which goes when the demo ends. The last line is a link\n" +
			"that signs in its owner, once. The formulas in it are invented: do not make them.",
		Args: cobra.NoArgs,
		RunE: p.does(func(ctx context.Context, _ []string) error { return p.demo(ctx, o) }),
	}
	o.addFlags(cmd)
	return cmd
}

func (p *program) demo(ctx context.Context, o serving) (err error) {
	data, err := p.setting(p.flags.data, "STILLROOM_DATA")
	if err != nil {
		return err
	}
	server, err := p.setting(p.flags.databaseURL, "STILLROOM_DATABASE_URL")
	if err != nil {
		return err
	}
	if data == "" && server == "" {
		dir, err := os.MkdirTemp("", "stillroom-demo-")
		if err != nil {
			return err
		}
		defer func() { err = errors.Join(err, os.RemoveAll(dir)) }()
		// The user that PostgreSQL runs as must get to its own folder inside.
		if err := os.Chmod(dir, 0o755); err != nil {
			return err
		}
		p.flags.data = dir
	}
	return p.serve(ctx, o, p.seedDemo)
}

// seedDemo fills the workshop and prints how to get in, the link alone on the last line.
func (p *program) seedDemo(ctx context.Context, r running) error {
	// The owner's role, which alone may date records back.
	owner, err := store.Open(ctx, r.db.hurriedURL())
	if err != nil {
		return err
	}
	defer owner.Close()
	list, err := store.Workshops(ctx, r.db.ownerURL)
	if err != nil {
		return err
	}
	if len(list) != 1 {
		return fmt.Errorf("%w (there are %d)", demo.ErrOther, len(list))
	}
	now := r.house.Clock()
	if err := demo.Seed(ctx, owner, list[0], now, p.progress("Writing two years of work")); err != nil {
		return err
	}
	password, err := demo.Password(ctx, owner, list[0].ID, now)
	if err != nil {
		return err
	}
	link, err := owner.SignInLink(ctx, list[0].ID, demo.OwnerEmail, now)
	if err != nil {
		return err
	}
	fmt.Fprintf(p.errs, "Everything in it is invented. To sign a release, its owner's password is: %s\nSign in with this link, which works once and for 15 minutes:\n", password)
	fmt.Fprintln(p.out, r.base+paths.SignInLink(link))
	return nil
}

// hurriedURL is the owner's for writing a demo: into the private PostgreSQL without waiting for the disk at each of its
// thousands of entries. A server of somebody else's may not take that, and is asked as always.
func (d *database) hurriedURL() string {
	u, err := url.Parse(d.ownerURL)
	if d.cluster == nil || err != nil {
		return d.ownerURL
	}
	query := u.Query()
	query.Set("synchronous_commit", "off")
	u.RawQuery = query.Encode()
	return u.String()
}

// progress shows how far something is on a terminal, a few times a second.
func (p *program) progress(what string) func(float64) {
	if !p.terminal() {
		return nil
	}
	var shown time.Time
	clock := time.Now
	return func(done float64) {
		if now := clock(); now.Sub(shown) > 200*time.Millisecond || done >= 1 {
			shown = now
			fmt.Fprintf(p.errs, "\r%s: %3.0f %%", what, 100*min(done, 1))
			if done >= 1 {
				fmt.Fprintln(p.errs)
			}
		}
	}
}

// terminal tells whether messages go to one, where a line may be written over.
func (p *program) terminal() bool {
	file, isFile := p.errs.(*os.File)
	if !isFile {
		return false
	}
	info, err := file.Stat()
	return err == nil && info.Mode()&os.ModeCharDevice != 0
}
