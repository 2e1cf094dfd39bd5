package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"strconv"
	"strings"
	"text/tabwriter"
	"time"

	"github.com/spf13/cobra"

	"example.org/stillroom/internal/store"
)

func (p *program) importCommand() *cobra.Command {
	var update bool
	cmd := &cobra.Command{
		Use: "import DIR|ZIP", Short: "Bring a folder or a zip of tables into the book, all or nothing",
		Long: "Bring a folder or a zip of tables into the book. All of it is saved, or nothing: everything that is wrong is told, row\n" +
			"by row. The same import again changes nothing. A row that the book has with other values is refused, unless --update\n" +
			"is given: then it is corrected, and the old values stay readable. The folder book of an export goes into an empty\n" +
			"workshop only; without it the tables alone come in. The database is made, and brought up to date, where that is\n" +
			"needed.",
		Args: cobra.ExactArgs(1),
		RunE: p.does(func(ctx context.Context, args []string) (err error) {
			src, done, err := importSource(args[0])
			if err != nil {
				return err
			}
			defer func() { err = errors.Join(err, done()) }()
			return p.asNewcomer(ctx, func(db *database) error { return p.bringIn(ctx, db, src, update) })
		}),
	}
	cmd.Flags().BoolVar(&update, "update", false, "correct rows that the book has with other values")
	return cmd
}

func importSource(path string) (store.ImportSource, func() error, error) {
	info, err := os.Stat(path)
	if err != nil {
		return nil, nil, err
	}
	if !info.IsDir() {
		return store.OpenImportZip(path)
	}
	src, err := store.OpenImportDir(path)
	return src, func() error { return nil }, err
}

func (p *program) bringIn(ctx context.Context, db *database, src store.ImportSource, update bool) error {
	if err := p.migrate(ctx, db); err != nil {
		return err
	}
	workshop, err := p.workshop(ctx, db)
	if err != nil {
		return err
	}
	s, err := db.openStore(ctx)
	if err != nil {
		return err
	}
	defer s.Close()
	who := store.Who{Workshop: workshop.ID, Actor: "command", Name: "command line", Device: "command line"}
	told, end := p.tableProgress()
	report, err := s.Import(ctx, who, src, store.ImportOptions{Update: update, Progress: told})
	end()
	if err != nil {
		return err
	}
	return p.tellImport(report)
}

// tellImport writes what came of it: the tables to standard output, or what is wrong to standard error.
func (p *program) tellImport(r store.ImportReport) error {
	if n := int64(len(r.Faults)) + r.More; n > 0 {
		for _, f := range r.Faults {
			fmt.Fprintln(p.errs, visible(f.String()))
		}
		if r.More > 0 {
			fmt.Fprintf(p.errs, "and %d more\n", r.More)
		}
		return &exit{saysNo, fmt.Errorf("%s: nothing was saved", counted(int(n), "fault", "faults"))}
	}
	t := table{tabwriter.NewWriter(p.out, 0, 0, 2, ' ', 0)}
	t.row("TABLE", "NEW", "CHANGED", "SAME")
	for _, c := range r.Tables {
		t.row(strings.TrimSuffix(c.File(), ".csv"), strconv.FormatInt(c.New, 10), strconv.FormatInt(c.Changed, 10), strconv.FormatInt(c.Same, 10))
	}
	last := "Saved."
	if !r.Saved {
		last = "The book has all of it already; nothing was changed."
	}
	t.gap(last)
	return t.Flush()
}

// tableProgress shows on a terminal which table is read and how far, a few times a second.
func (p *program) tableProgress() (told func(string, int64), end func()) {
	if !p.terminal() {
		return nil, func() {}
	}
	var shown time.Time
	clock, any := time.Now, false
	return func(table string, rows int64) {
			if now := clock(); now.Sub(shown) > 200*time.Millisecond {
				shown, any = now, true
				fmt.Fprintf(p.errs, "\r%-30s %12d rows", strings.TrimSuffix(table, ".csv"), rows)
			}
		}, func() {
			if any {
				fmt.Fprintln(p.errs)
			}
		}
}
