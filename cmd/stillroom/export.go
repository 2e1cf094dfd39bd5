package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"strings"

	"github.com/spf13/cobra"

	"example.org/stillroom/internal/interchange"
	"example.org/stillroom/internal/store"
)

func (p *program) exportCommand() *cobra.Command {
	return &cobra.Command{
		Use: "export DIR", Short: "Write the workshop's whole content into a folder of tables",
		Long: "Write the workshop's whole content into a folder of plain tables (CSV), which stillroom import and any spreadsheet\n" +
			"read, and beside them the folder book with everything else as it is stored: formulas, entries at the bench,\n" +
			"signatures, people, papers. The folder is made; one that is there is empty, or holds an earlier export, which is\n" +
			"replaced. People's credentials and the trail are not in it: they are in a backup.",
		Args: cobra.ExactArgs(1),
		RunE: p.does(func(ctx context.Context, args []string) error {
			if err := refuseForeign(args[0]); err != nil {
				return err
			}
			return p.inWorkshop(ctx, func(_ *database, s *store.Store, w store.Workshop) error {
				tables, err := exportTo(args[0], func(create func(string) (io.Writer, error)) error { return s.Export(ctx, w.ID, create) })
				if err != nil {
					return err
				}
				_, err = fmt.Fprintf(p.out, "%s: %s of the workshop %q\n", args[0], counted(tables, "file", "files"), w.Code)
				return err
			})
		}),
	}
}

// refuseForeign refuses a folder that holds anything but an earlier export: a mistyped name must not cost somebody their
// files.
func refuseForeign(dir string) error {
	entries, err := os.ReadDir(dir)
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	if err != nil {
		return err
	}
	for _, e := range entries {
		if strings.HasPrefix(e.Name(), asidePrefix) && e.IsDir() {
			continue // of an export that was cut off
		}
		if base, isCSV := strings.CutSuffix(e.Name(), ".csv"); isCSV && e.Type().IsRegular() {
			if _, ok := interchange.Lookup(base); ok {
				continue
			}
		}
		foreign := e.Name()
		if e.Name()+"/" == interchange.BookFolder && e.IsDir() {
			if foreign = foreignIn(filepath.Join(dir, e.Name())); foreign == "" {
				continue
			}
		}
		return &exit{saysNo, fmt.Errorf("%s holds something that is no export of Stillroom's (%s): name a new folder, or an empty one", dir, visible(foreign))}
	}
	return nil
}

var (
	bookTableFile = regexp.MustCompile(`^[a-z_]+\.csv$`)
	bookPaperFile = regexp.MustCompile(`^[0-9a-f]{8}(-[0-9a-f]{4}){3}-[0-9a-f]{12}(\.[a-z]+)?$`)
)

// foreignIn names a file of the folder book/ that no export wrote, if there is one.
func foreignIn(dir string) (name string) {
	err := fs.WalkDir(os.DirFS(dir), ".", func(path string, e fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		under, file := filepath.Split(filepath.FromSlash(path))
		switch {
		case path == "." || path == "documents" && e.IsDir():
		case under == "" && e.Type().IsRegular() && bookTableFile.MatchString(file):
		case filepath.ToSlash(under) == "documents/" && e.Type().IsRegular() && bookPaperFile.MatchString(file):
		default:
			name = interchange.BookFolder + path
			return fs.SkipAll
		}
		return nil
	})
	if err != nil && name == "" {
		name = interchange.BookFolder
	}
	return name
}

// asidePrefix begins the name of the folder in which tables are written, inside the one that they are for: it is on the
// same disk, whatever that one is.
const asidePrefix = ".stillroom-export-"

// exportTo writes tables aside, and puts them in their place when all of them are on the disk: a failure leaves the folder
// as it was, or not there.
func exportTo(dir string, export func(create func(string) (io.Writer, error)) error) (tables int, err error) {
	_, err = os.Lstat(dir)
	fresh := errors.Is(err, fs.ErrNotExist)
	if err := os.MkdirAll(dir, 0o755); err != nil {
		return 0, err
	}
	defer func() {
		if err != nil && fresh {
			err = errors.Join(err, os.Remove(dir))
		}
	}()
	aside, err := os.MkdirTemp(dir, asidePrefix)
	if err != nil {
		return 0, err
	}
	defer func() { err = errors.Join(err, os.RemoveAll(aside)) }()
	names, err := writeTables(aside, export)
	if err != nil {
		return 0, err
	}
	// The folder book/ goes as a whole, so that no paper of an earlier export stays behind. The earlier one waits aside.
	folders := map[string]bool{}
	for _, name := range names {
		top, _, deep := strings.Cut(name, "/")
		if deep && folders[top] {
			continue
		}
		if deep {
			folders[top] = true
			if err := os.Rename(filepath.Join(dir, top), filepath.Join(aside, "earlier-"+top)); err != nil && !errors.Is(err, fs.ErrNotExist) {
				return 0, err
			}
		}
		if err := os.Rename(filepath.Join(aside, top), filepath.Join(dir, top)); err != nil {
			return 0, err
		}
	}
	syncFolder(dir)
	return len(names), nil
}

// writeTables writes each table into a file of its own, one after the other.
func writeTables(dir string, export func(create func(string) (io.Writer, error)) error) (names []string, err error) {
	var file *os.File
	var out *bufio.Writer
	finish := func() error {
		if file == nil {
			return nil
		}
		err := out.Flush()
		if err == nil {
			err = file.Sync()
		}
		if e := file.Close(); err == nil {
			err = e
		}
		file = nil
		return err
	}
	err = export(func(name string) (io.Writer, error) {
		if err := finish(); err != nil {
			return nil, err
		}
		path := filepath.Join(dir, filepath.FromSlash(name))
		if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
			return nil, err
		}
		f, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o644)
		if err != nil {
			return nil, err
		}
		file, out, names = f, bufio.NewWriterSize(f, 64<<10), append(names, name)
		return out, nil
	})
	if e := finish(); err == nil {
		err = e
	}
	return names, err
}
