package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"runtime/debug"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"example.org/stillroom/internal/store"
)

func (p *program) backupCommand() *cobra.Command {
	var force bool
	cmd := &cobra.Command{
		Use: "backup FILE", Short: "Write everything in the database into one file",
		Long: "Write everything in the database, of all its workshops, into one file: records and their trail, papers, people with\n" +
			"the hashes of their passwords. Work goes on meanwhile. Keep the file where nobody else reads it, and one copy in\n" +
			"another house. stillroom restore puts it back.",
		Args: cobra.ExactArgs(1),
		RunE: p.does(func(ctx context.Context, args []string) error {
			if args[0] == "-" {
				return wrong("a backup goes into a file, which is there only once it is whole: name one")
			}
			if err := refuseOld(args[0], force); err != nil {
				return err
			}
			return p.asGuest(ctx, func(db *database) error {
				m, err := p.writeBackup(ctx, db, args[0])
				if err != nil {
					return err
				}
				if err := store.NoteBackup(ctx, db.ownerURL, m.MadeAt); err != nil {
					return fmt.Errorf("the backup is whole, but could not be noted: %w", err)
				}
				fmt.Fprintf(p.out, "%s: %s\n", args[0], holds(m))
				return nil
			})
		}),
	}
	cmd.Flags().BoolVar(&force, "force", false, "write over a file of that name")
	return cmd
}

func (p *program) restoreCommand() *cobra.Command {
	return &cobra.Command{
		Use: "restore FILE", Short: "Put a backup into an empty database",
		Long: "Put a backup into an empty database: a fresh one, or one in which nobody is registered yet. The file is read through\n" +
			"and checked first; then all of it is restored, or nothing. At the end the restored records are verified.",
		Args: cobra.ExactArgs(1),
		RunE: p.does(func(ctx context.Context, args []string) error {
			file, err := os.Open(args[0])
			if err != nil {
				return err
			}
			defer file.Close()
			info, err := file.Stat()
			if err != nil {
				return err
			}
			b, err := store.OpenBackup(file, info.Size())
			if err != nil {
				return fmt.Errorf("%s: %w", args[0], err)
			}
			return p.asNewcomer(ctx, func(db *database) error { return p.restore(ctx, db, b) })
		}),
	}
}

func (p *program) restore(ctx context.Context, db *database, b *store.BackupFile) error {
	if err := b.Restore(ctx, db.ownerURL, p.progress("Restoring")); err != nil {
		return err
	}
	if err := store.NoteBackup(ctx, db.ownerURL, b.MadeAt); err != nil {
		return err
	}
	verdicts, err := store.Verify(ctx, db.ownerURL)
	if err != nil {
		return err
	}
	fmt.Fprintf(p.out, "restored: %s\n", holds(b.Manifest))
	var broken error
	for _, v := range verdicts {
		if err := p.tellVerdict(v); err != nil {
			broken = &exit{saysNo, fmt.Errorf("everything is restored as it was, but in %s %w", v.Workshop, err)}
		}
	}
	return broken
}

func holds(m store.Manifest) string {
	return fmt.Sprintf("%s with %s, schema %d, made at %s by %s", counted(len(m.Workshops), "workshop", "workshops"), counted(int(m.Rows()), "row", "rows"),
		m.Schema, m.MadeAt.Format(time.RFC3339), m.Program)
}

// writeBackup writes one over whatever is there.
func (p *program) writeBackup(ctx context.Context, db *database, path string) (m store.Manifest, err error) {
	err = writeAside(path, 0o600, func(w io.Writer) error {
		m, err = store.Backup(ctx, db.ownerURL, w, version(), time.Now(), p.progress("Writing the backup"))
		return err
	})
	return m, err
}

// migrate brings the database to this program's schema. A private one is written into a file first: what a new version
// does to a book can then be undone without anybody having thought of it.
func (p *program) migrate(ctx context.Context, db *database) error {
	if db.cluster != nil {
		have, behind, err := store.Behind(ctx, db.ownerURL)
		if err != nil {
			return err
		}
		if behind {
			path := filepath.Join(db.data, fmt.Sprintf("before-migration-%d.backup", have))
			if _, err := p.writeBackup(ctx, db, path); err != nil {
				return fmt.Errorf("the backup before the migration: %w", err)
			}
			fmt.Fprintf(p.errs, "The database is brought from schema %d to this program's; as it was, it stands in %s\n", have, path)
		}
	}
	return store.Migrate(ctx, db.ownerURL)
}

// version is what this program was built from.
func version() string {
	name := "stillroom"
	if info, ok := debug.ReadBuildInfo(); ok && info.Main.Version != "" {
		name += " " + info.Main.Version
	}
	return name
}

// refuseOld refuses a file that is there, unless it may be written over.
func refuseOld(path string, force bool) error {
	_, err := os.Lstat(path)
	if errors.Is(err, fs.ErrNotExist) || err == nil && force {
		return nil
	}
	if err == nil {
		return &exit{saysNo, fmt.Errorf("%s is there already; --force writes over it", path)}
	}
	return err
}

// writeAside writes a file beside its place and renames it when all of it is on the disk: a file of that name is whole, or
// the old one.
func writeAside(path string, mode os.FileMode, write func(io.Writer) error) (err error) {
	dir := filepath.Dir(path)
	file, err := os.CreateTemp(dir, "."+strings.TrimPrefix(filepath.Base(path), ".")+"-*.new") // 0600 from its first byte
	if err != nil {
		return err
	}
	defer func() {
		if err != nil {
			err = errors.Join(err, os.Remove(file.Name()))
		}
	}()
	err = write(file)
	if err == nil {
		err = file.Chmod(mode)
	}
	if err == nil {
		err = file.Sync()
	}
	if e := file.Close(); err == nil {
		err = e
	}
	if err == nil {
		err = os.Rename(file.Name(), path)
	}
	if err == nil {
		syncFolder(dir)
	}
	return err
}

// syncFolder makes a rename last. A file system that cannot do that has done what it can.
func syncFolder(dir string) {
	if d, err := os.Open(dir); err == nil {
		_ = d.Sync()
		_ = d.Close()
	}
}
