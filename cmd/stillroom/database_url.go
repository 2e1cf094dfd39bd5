package main

import (
	"context"
	"fmt"

	"github.com/spf13/cobra"
)

func (p *program) databaseURLCommand() *cobra.Command {
	return &cobra.Command{
		Use: "database-url", Short: "Print the owner's URL of the database in use, for psql and pg_dump", Args: cobra.NoArgs,
		RunE: p.does(func(ctx context.Context, _ []string) error {
			return p.asGuest(ctx, func(db *database) error {
				if db.cluster != nil && db.cluster.Owns() {
					fmt.Fprintln(p.errs, "The private database does not run just now: the URL answers while stillroom serve does.")
				}
				_, err := fmt.Fprintln(p.out, db.ownerURL)
				return err
			})
		}),
	}
}
