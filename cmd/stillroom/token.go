package main

import (
	"context"
	"fmt"

	"github.com/spf13/cobra"

	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/store"
)

func (p *program) tokenCommand() *cobra.Command {
	var readOnly bool
	cmd := &cobra.Command{Use: "token", Short: "Tokens with which programs come in", Args: cobra.ArbitraryArgs, RunE: needsCommand}
	create := &cobra.Command{
		Use: "create NAME", Short: "Print an API token, once",
		Long: "Print a token with which a program uses the interface under /api/v1. It is stored as its hash only, so that it can be\nshown only now; an owner revokes it under Settings, Tokens.",
		Args: cobra.ExactArgs(1),
		RunE: p.does(func(ctx context.Context, args []string) error {
			return p.inWorkshop(ctx, func(_ *database, s *store.Store, w store.Workshop) error {
				text, err := s.MakeToken(ctx, store.Who{Workshop: w.ID, Actor: "command", Name: "command line", Device: "command line"}, store.Entry{}, args[0], readOnly)
				if f := fault.As(err); f != nil && f.Of("name") != "" {
					return fault.New(f.Kind, f.Of("name"))
				}
				if err != nil {
					return err
				}
				may := "traces, exports, imports and stores readings"
				if readOnly {
					may = "traces and exports, and stores nothing"
				}
				fmt.Fprintf(p.errs, "The token %q of %s %s. It is shown only now:\n", args[0], w.Name, may)
				_, err = fmt.Fprintln(p.out, text)
				return err
			})
		}),
	}
	create.Flags().BoolVar(&readOnly, "read-only", false, "it may trace and export, and nothing that stores")
	cmd.AddCommand(create)
	return cmd
}
