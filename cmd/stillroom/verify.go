package main

import (
	"context"
	"fmt"

	"github.com/spf13/cobra"

	"example.org/stillroom/internal/store"
)

func (p *program) verifyCommand() *cobra.Command {
	return &cobra.Command{
		Use: "verify", Short: "Check that no record was altered behind the book's back, and sum the ledgers", Args: cobra.NoArgs,
		RunE: p.does(func(ctx context.Context, _ []string) error {
			return p.asGuest(ctx, func(db *database) error {
				workshop, err := p.workshop(ctx, db)
				if err != nil {
					return err
				}
				verdicts, err := store.Verify(ctx, db.ownerURL)
				if err != nil {
					return err
				}
				for _, v := range verdicts {
					if v.Workshop == workshop.Code {
						return p.tellVerdict(v)
					}
				}
				return &exit{saysNo, fmt.Errorf("the workshop %q has no chain", workshop.Code)}
			})
		}),
	}
}

func (p *program) tellVerdict(v store.Verdict) error {
	if len(v.Broken) > 0 {
		fmt.Fprintf(p.out, "%s: %s\n", v.Workshop, v.Broken[0])
		more := ""
		if n := len(v.Broken) - 1; n > 0 {
			more = fmt.Sprintf("; %d more after it", n)
		}
		return &exit{saysNo, fmt.Errorf("the records do not hold: that is the first broken place%s", more)}
	}
	_, err := fmt.Fprintf(p.out, "%s: the chain of %d links and the ledgers hold; head %s\n", v.Workshop, v.Links, v.Head)
	return err
}
