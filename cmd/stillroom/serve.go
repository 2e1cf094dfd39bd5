package main

import (
	"context"
	"fmt"

	"github.com/spf13/cobra"

	"example.org/stillroom/internal/store"
	"example.org/stillroom/web/paths"
)

// defaultAddr is this machine only: the first link lets whoever has it in, so nothing listens further unasked.
const defaultAddr = "127.0.0.1:7420"

func (p *program) serveCommand() *cobra.Command {
	var o serving
	cmd := &cobra.Command{
		Use: "serve", Short: "Serve the batch book",
		Long: "Serve the batch book: bring the database up to date, then answer until SIGTERM or Ctrl-C. While nobody is\n" +
			"registered it prints a link that works once, to name the workshop and its first owner.",
		Args: cobra.NoArgs,
		RunE: p.does(func(ctx context.Context, _ []string) error { return p.serve(ctx, o, p.offerSetUp) }),
	}
	o.addFlags(cmd)
	return cmd
}

func (o *serving) addFlags(cmd *cobra.Command) {
	cmd.Flags().StringVar(&o.addr, "addr", defaultAddr, "HOST:PORT to listen on; 0.0.0.0:7420 for tablets on the same network")
	cmd.Flags().StringVar(&o.metrics, "metrics", "", "HOST:PORT on which figures for Prometheus are served, at /metrics (else nowhere)")
	cmd.Flags().StringVar(&o.smtp, "smtp", "", "smtp://USER@HOST:PORT or smtps://… that e-mails of a recall are handed to (else none are sent; STILLROOM_SMTP_URL)")
	cmd.Flags().StringVar(&o.smtpFrom, "smtp-from", "", "the address that they come from (STILLROOM_SMTP_FROM)")
	cmd.Flags().BoolVar(&o.proxied, "proxied", false, "a proxy in front sets X-Forwarded-For: believe it")
}

// offerSetUp prints the set-up link of each workshop where nobody is registered.
func (p *program) offerSetUp(ctx context.Context, r running) error {
	list, err := store.Workshops(ctx, r.db.ownerURL)
	if err != nil {
		return err
	}
	for _, w := range list {
		link, err := r.store.SetUpLink(ctx, w.ID, r.house.Clock())
		if err != nil {
			return err
		}
		if link != "" {
			fmt.Fprintf(p.errs, "Nobody is registered in the workshop %q yet. Set it up with this link, which works once and for a day:\n", w.Code)
			fmt.Fprintln(p.out, r.base+paths.SetUp(link))
		}
	}
	return nil
}
