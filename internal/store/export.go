package store

import (
	"archive/zip"
	"context"
	"fmt"
	"io"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"

	"example.org/stillroom/internal/interchange"
)

// Export writes every table of the interchange, and in the folder book/ every table of records as it is with the files of
// papers, in one snapshot and ordered by identity: the same content gives the same bytes. create is called once a file,
// with its name, in a fixed order; what it gives is written before the next.
// The database streams, so that nothing is held.
func (s *Store) Export(ctx context.Context, workshop WorkshopID, create func(name string) (io.Writer, error)) error {
	err := s.readStandby(ctx, workshop, func(t pgx.Tx) error {
		if _, err := t.Exec(ctx, `SELECT set_config('work_mem', '32MB', true), set_config('jit', 'off', true)`); err != nil {
			return err
		}
		own := `SELECT w.code, w.name, w.zone, w.code_pattern FROM workshop w WHERE w.id = current_workshop()`
		queries := map[string]string{"workshop": own}
		for _, f := range feeds() {
			queries[f.name] = strings.ReplaceAll(f.project, "{only}", "")
		}
		for _, table := range interchange.Tables() {
			out, err := create(table.File())
			if err != nil {
				return err
			}
			if err := copyOut(ctx, t, out, table, queries[table.Name]); err != nil {
				return fmt.Errorf("%s: %w", table.Name, err)
			}
		}
		return exportBook(ctx, t, create)
	})
	if err != nil {
		return fmt.Errorf("store: export: %w", err)
	}
	return nil
}

func copyOut(ctx context.Context, t pgx.Tx, out io.Writer, table interchange.Table, query string) error {
	columns := make([]string, len(table.Columns))
	for n, c := range table.Columns {
		columns[n] = fmt.Sprintf("nullif(e.%[1]s, '') AS %[1]s", c.Name)
	}
	order := make([]string, len(table.Identity))
	for n, c := range table.Identity {
		order[n] = "e." + c + ` COLLATE "C"`
	}
	_, err := t.Conn().PgConn().CopyTo(ctx, out, fmt.Sprintf(`COPY (SELECT %s FROM (%s) e ORDER BY %s) TO STDOUT (FORMAT csv, HEADER)`, strings.Join(columns, ", "), query, strings.Join(order, ", ")))
	return err
}

// ExportZip is Export as one zip. Its entries bear no time, so that the same content is the same file.
func (s *Store) ExportZip(ctx context.Context, workshop WorkshopID, w io.Writer) error {
	z := zip.NewWriter(w)
	err := s.Export(ctx, workshop, func(name string) (io.Writer, error) {
		return z.CreateHeader(&zip.FileHeader{Name: name, Method: zip.Deflate, Modified: time.Time{}})
	})
	if err != nil {
		return err
	}
	if err := z.Close(); err != nil {
		return fmt.Errorf("store: export: %w", err)
	}
	return nil
}
