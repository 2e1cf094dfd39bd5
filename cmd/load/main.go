// Command load makes an invented workshop of any size through the import, and measures Stillroom on it against floors in
// the same run: the least work that gives the same result, by PostgreSQL and pgx alone. It prints a table of ratios; a
// missed target is told and is no failure, data that could not be made is.
package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"os"
	"os/signal"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"time"
)

// run is what was asked for, and what came of it so far.
type run struct {
	batches, small int
	seed           uint64
	data           string
	databaseURL    string
	pgBin          string
	keep           bool
	rounds         int
	only           []string

	tables    string // folder of the large workshop's tables
	maker     *maker
	place     *place // the large workshop
	brought   time.Duration
	recording recording
	results   []result
}

// measures are all, by letter, in the order in which they are run.
var measures = []struct {
	letter, what string
	do           func(*run, context.Context) error
}{
	{"a", "import", (*run).measureImport},
	{"b", "forward trace with CSV", (*run).measureTrace},
	{"c", "page of a batch", (*run).measurePage},
	{"d", "look-up", (*run).measureFind},
	{"e", "durable entries", (*run).measureEntry},
	{"f", "memory of an export", (*run).measureExport},
}

func main() {
	if len(os.Args) > 1 && os.Args[1] == exportCommand {
		if err := exportAlone(context.Background(), os.Args[2:]); err != nil {
			fmt.Fprintln(os.Stderr, "load: export:", err)
			os.Exit(1)
		}
		return
	}
	r := &run{}
	var only string
	flag.IntVar(&r.batches, "batches", 100_000, "batches of the large workshop")
	flag.IntVar(&r.small, "small", 0, "batches of the small workshop beside it; 0 is a tenth")
	flag.Uint64Var(&r.seed, "seed", 1, "the same seed makes the same workshop")
	flag.StringVar(&r.data, "data", "", "folder for tables and databases; without it a temporary one, removed at the end")
	flag.StringVar(&r.databaseURL, "database-url", "", "PostgreSQL server whose owner may make databases, instead of private ones")
	flag.StringVar(&r.pgBin, "pg-bin", "", "folder of PostgreSQL's programs, where they are not found by themselves")
	flag.BoolVar(&r.keep, "keep", false, "leave tables and databases there; another run with the same --data then measures on them, all but the import")
	flag.IntVar(&r.rounds, "rounds", 5, "rounds of each measure; the median counts")
	flag.StringVar(&only, "only", "", "letters of the measures to run, such as b,c; without it all")
	flag.Parse()
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	defer stop()
	if err := r.all(ctx, only); err != nil {
		fmt.Fprintln(os.Stderr, "load:", err)
		os.Exit(1)
	}
}

func (r *run) all(ctx context.Context, only string) (err error) {
	var letters []string
	for _, m := range measures {
		letters = append(letters, m.letter)
	}
	r.only = letters
	if only != "" {
		r.only = strings.Split(only, ",")
	}
	for _, letter := range r.only {
		if !slices.Contains(letters, letter) {
			return fmt.Errorf("--only: there is no measure %q; there are %s", letter, list(letters))
		}
	}
	if r.batches < 1000 {
		return errors.New("--batches: from 1,000; fewer hold none of the lots that are traced")
	}
	if r.small == 0 {
		r.small = max(1000, r.batches/10)
	}
	if r.rounds < 1 {
		return errors.New("--rounds: at least one")
	}
	if r.data == "" {
		if r.data, err = os.MkdirTemp("", "stillroom-load-"); err != nil {
			return err
		}
		// A private PostgreSQL may run as another user than this program does.
		if err := os.Chmod(r.data, 0o755); err != nil {
			return err
		}
	} else if r.data, err = filepath.Abs(r.data); err != nil {
		return err
	}
	defer func() {
		if r.keep {
			say("kept in %s", r.data)
			return
		}
		err = errors.Join(err, r.remove())
	}()
	if err := r.make(ctx); err != nil {
		return err
	}
	defer func() { err = errors.Join(err, r.place.Close()) }()
	for _, m := range measures {
		if !slices.Contains(r.only, m.letter) {
			continue
		}
		say("%s: %s", m.letter, m.what)
		if err := m.do(r, ctx); err != nil {
			// What was measured until then took its time.
			return errors.Join(fmt.Errorf("%s: %w", m.what, err), printTable(os.Stdout, r.results))
		}
	}
	return printTable(os.Stdout, r.results)
}

// folders are what a run leaves in the data folder.
var folders = []string{"tables", "tables-small", "copy", "large", "small", "floor", "export", "bench"}

func (r *run) remove() error {
	var all []error
	for _, name := range folders {
		all = append(all, os.RemoveAll(filepath.Join(r.data, name)))
	}
	_ = os.Remove(r.data) // only where nothing else is in it
	return errors.Join(all...)
}

// make writes the tables and brings them in.
func (r *run) make(ctx context.Context) (err error) {
	if r.tables, r.maker, err = r.write("tables", r.batches); err != nil {
		return err
	}
	if r.place, err = r.open(ctx, "large"); err != nil {
		return err
	}
	r.place.recorder.Take()
	r.brought, err = r.place.fill(ctx, r.tables, r.batches)
	if err != nil {
		return errors.Join(err, r.place.Close())
	}
	r.recording = recording{r.place.recorder.Take()}
	if !r.place.kept {
		say("imported in %s", spell(r.brought))
	}
	return nil
}

func (r *run) write(folder string, batches int) (dir string, m *maker, err error) {
	began := time.Now()
	dir = filepath.Join(r.data, folder)
	if err = os.MkdirAll(dir, 0o755); err != nil {
		return "", nil, err
	}
	if m, err = newMaker(r.seed, batches); err != nil {
		return "", nil, err
	}
	counts, err := m.Write(dir)
	if err != nil {
		return "", nil, err
	}
	var words []string
	for _, c := range counts {
		words = append(words, fmt.Sprintf("%d %s", c.Rows, c.Table))
	}
	say("wrote %s in %s", list(words), spell(time.Since(began)))
	return dir, m, nil
}

// say tells how far it is; results go to standard output.
func say(format string, args ...any) { fmt.Fprintf(os.Stderr, format+"\n", args...) }

// recorded forgets what the store asked so far, does something, and answers what it asked meanwhile.
func (p *place) recorded(do func() error) (recording, error) {
	p.recorder.Take()
	err := do()
	return recording{p.recorder.Take()}, err
}
