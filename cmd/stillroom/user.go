package main

import (
	"context"
	"fmt"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"example.org/stillroom/internal/access"
	"example.org/stillroom/internal/store"
	"example.org/stillroom/web/paths"
)

func (p *program) userCommand() *cobra.Command {
	var role, name string
	cmd := &cobra.Command{Use: "user", Short: "The people who sign in", Args: cobra.ArbitraryArgs, RunE: needsCommand}
	add := &cobra.Command{
		Use: "add EMAIL --role owner|maker|helper|viewer", Short: "Register somebody, and print a link with which they set a password",
		Long: "Register somebody, and print a link that works once, for a week, with which they set a password.",
		Args: cobra.ExactArgs(1),
		RunE: p.does(func(ctx context.Context, args []string) error {
			may, err := access.ParseRole(role)
			if err != nil {
				return wrong("--role: %q is none of owner, maker, helper, viewer", role)
			}
			n := store.NewPerson{Email: args[0], Name: name, Role: may}
			if n.Name == "" {
				n.Name, _, _ = strings.Cut(n.Email, "@")
			}
			return p.inWorkshop(ctx, func(db *database, s *store.Store, w store.Workshop) error {
				base, err := p.linkBase(db.data)
				if err != nil {
					return err
				}
				link, err := s.AddPerson(ctx, store.Who{Workshop: w.ID, Actor: "command", Name: "command line", Device: "command line"}, store.Entry{}, n, time.Now())
				if err != nil {
					return err
				}
				fmt.Fprintf(p.errs, "%s is registered as %s in %s. The link to set a password works once, for a week:\n", n.Name, may, w.Name)
				_, err = fmt.Fprintln(p.out, base+paths.SetPassword(link))
				return err
			})
		}),
	}
	add.Flags().StringVar(&role, "role", "", "owner, maker, helper or viewer")
	add.Flags().StringVar(&name, "name", "", "the name that stands beside what they record (else the first part of the address)")
	_ = add.MarkFlagRequired("role") // the flag is ours, so it is there
	cmd.AddCommand(add)
	return cmd
}

func (p *program) linkCommand() *cobra.Command {
	return &cobra.Command{
		Use: "link EMAIL", Short: "Print a link that signs somebody in, once, within 15 minutes", Args: cobra.ExactArgs(1),
		RunE: p.does(func(ctx context.Context, args []string) error {
			return p.inWorkshop(ctx, func(db *database, s *store.Store, w store.Workshop) error {
				base, err := p.linkBase(db.data)
				if err != nil {
					return err
				}
				link, err := s.SignInLink(ctx, w.ID, args[0], time.Now())
				if err != nil {
					return err
				}
				_, err = fmt.Fprintln(p.out, base+paths.SignInLink(link))
				return err
			})
		}),
	}
}
