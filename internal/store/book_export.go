package store

import (
	"context"
	"fmt"
	"io"
	"slices"
	"strings"

	"github.com/jackc/pgx/v5"

	"example.org/stillroom/internal/interchange"
)

// exportBook writes the folder book/.
func exportBook(ctx context.Context, t pgx.Tx, create func(name string) (io.Writer, error)) error {
	if _, err := t.Exec(ctx, `SET LOCAL timezone = 'UTC'; SET LOCAL datestyle = 'ISO, YMD'; SET LOCAL bytea_output = 'hex'`); err != nil {
		return err
	}
	tables, err := bookTables(ctx, t)
	if err != nil {
		return err
	}
	told := toldOnly(tables)
	slices.SortFunc(tables, func(a, b bookTable) int { return strings.Compare(a.Name, b.Name) })
	for _, table := range tables {
		out, err := create(table.File())
		if err != nil {
			return err
		}
		where := ""
		if table.Name == "change" {
			where = told
		}
		if _, err := t.Conn().PgConn().CopyTo(ctx, out, `COPY (`+table.query(where)+`) TO STDOUT (FORMAT csv, HEADER)`); err != nil {
			return fmt.Errorf("%s: %w", table.File(), err)
		}
	}
	return exportDocuments(ctx, t, create)
}

// query selects what the book has in a table, each value in the one form in which it is written, in order of its key.
func (b bookTable) query(and string) string {
	values := make([]string, len(b.columns))
	for i, c := range b.columns {
		name := pgx.Identifier{c.Name}.Sanitize()
		values[i] = "e." + name
		switch b.Columns[i].Kind {
		case interchange.BookFlag:
			values[i] += "::text"
		case interchange.BookMoment:
			values[i] = "moment_text(e." + name + ")"
		case interchange.BookBytes:
			values[i] = "encode(e." + name + ", 'hex')"
		}
		values[i] += " AS " + name
	}
	own := "workshop_id"
	if b.Name == "workshop" {
		own = "id"
	}
	query := fmt.Sprintf(`SELECT %s FROM %s e WHERE e.%s = current_workshop()%s`, strings.Join(values, ", "), pgx.Identifier{"public", b.Name}.Sanitize(), own, and)
	if len(b.Key) == 0 {
		return query
	}
	order := make([]string, len(b.Key))
	for i, key := range b.Key {
		order[i] = "e." + pgx.Identifier{key}.Sanitize()
		if c := b.column(key); c.Type == "text" && !c.C {
			order[i] += ` COLLATE "C"`
		}
	}
	return query + " ORDER BY " + strings.Join(order, ", ")
}

// toldOnly narrows changes to those that rows of the other tables name: the others say something of the trail alone.
func toldOnly(tables []bookTable) string {
	var named []string
	for _, b := range tables {
		if b.changes {
			named = append(named, `SELECT x.change_id FROM `+pgx.Identifier{"public", b.Name}.Sanitize()+` x WHERE x.workshop_id = current_workshop()`)
		}
	}
	return ` AND e.id IN (` + strings.Join(named, " UNION ") + `)`
}

var documentEndings = map[string]string{"application/pdf": ".pdf", "image/jpeg": ".jpg", "image/png": ".png", "image/webp": ".webp", "text/plain": ".txt"}

func exportDocuments(ctx context.Context, t pgx.Tx, create func(name string) (io.Writer, error)) error {
	rows, err := t.Query(ctx, `SELECT d.id, d.media_type FROM document d WHERE d.workshop_id = current_workshop() ORDER BY d.id`)
	if err != nil {
		return err
	}
	type paper struct {
		ID   DocumentID
		Type string
	}
	papers, err := pgx.CollectRows(rows, pgx.RowToStructByPos[paper])
	if err != nil {
		return err
	}
	for _, p := range papers {
		out, err := create(interchange.DocumentFolder + Text(p.ID) + documentEndings[p.Type])
		if err != nil {
			return err
		}
		rows, err := t.Query(ctx, `SELECT data FROM document_chunk WHERE workshop_id = current_workshop() AND document_id = $1 ORDER BY n`, p.ID)
		if err != nil {
			return err
		}
		var data []byte
		if _, err := pgx.ForEachRow(rows, []any{&data}, func() error {
			_, err := out.Write(data)
			return err
		}); err != nil {
			return fmt.Errorf("document %s: %w", Text(p.ID), err)
		}
	}
	return nil
}
