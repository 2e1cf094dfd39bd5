package store

import (
	"archive/zip"
	"compress/flate"
	"context"
	"errors"
	"fmt"
	"io"
	"strings"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/interchange"
)

// readAll reads a small table, up to most rows of it.
func readAll(src ImportSource, name, table string, most int) (rows []interchange.Row, faults []interchange.Fault, err error) {
	in, err := src.Open(name)
	if err != nil {
		return nil, nil, err
	}
	defer in.Close()
	t, ok := interchange.Lookup(table)
	if !ok {
		return nil, nil, errUnknown
	}
	r, faults, err := interchange.NewReader(in, t)
	if err != nil || len(faults) > 0 {
		return nil, faults, unreadable(err)
	}
	for len(rows) < most {
		row, err := r.Next()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return nil, nil, unreadable(err)
		}
		faults = append(faults, row.Faults...)
		row.Values = append([]string(nil), row.Values...)
		rows = append(rows, row)
	}
	return rows, faults, nil
}

// unreadable says of a zip that it is damaged; other errors pass.
func unreadable(err error) error {
	var packed flate.CorruptInputError
	if errors.As(err, &packed) || errors.Is(err, zip.ErrChecksum) || errors.Is(err, zip.ErrFormat) || errors.Is(err, zip.ErrAlgorithm) || errors.Is(err, io.ErrUnexpectedEOF) {
		return fault.New(fault.Invalid, "The zip is damaged: what is packed in it cannot be read whole. Make it anew and send it again.")
	}
	return err
}

// stage makes the temporary table of a feed and fills it with what the file says. A table without a file is empty.
func (i *importing) stage(ctx context.Context, f feed, src ImportSource, name string) error {
	t := f.table()
	columns := []string{"row", "id", "id2", "bad"}
	kinds := []string{"integer", "uuid", "uuid", "boolean"}
	for _, c := range t.Columns {
		columns, kinds = append(columns, c.Name), append(kinds, `text COLLATE "C"`)
	}
	for _, h := range f.hidden {
		columns, kinds = append(columns, h.name), append(kinds, `text COLLATE "C"`)
	}
	declared := make([]string, len(columns))
	for n := range columns {
		declared[n] = columns[n] + " " + kinds[n]
	}
	if _, err := i.Exec(ctx, fmt.Sprintf(`CREATE TEMP TABLE in_%s (%s) ON COMMIT DROP`, f.name, strings.Join(declared, ", "))); err != nil {
		return err
	}
	if name == "" {
		return nil
	}
	in, err := src.Open(name)
	if err != nil {
		return err
	}
	defer in.Close()
	rows, faults, err := interchange.NewReader(in, t)
	if err != nil {
		return unreadable(err)
	}
	if len(faults) > 0 {
		i.report.Faults = append(i.report.Faults, faults...)
		i.refused[f.name]++
		return nil
	}
	pipe := &copyRows{importing: i, feed: f, rows: rows, columns: t.Header()}
	pipe.fill = pipe.next
	_, err = i.Conn().PgConn().CopyFrom(ctx, pipe, fmt.Sprintf(`COPY in_%s (%s) FROM STDIN`, f.name, strings.Join(columns, ", ")))
	if pipe.err != nil {
		return unreadable(pipe.err)
	}
	if err != nil {
		return err
	}
	i.staged[f.name] = pipe.staged
	_, err = i.Exec(ctx, `ANALYZE in_`+f.name)
	return err
}

// copied is the text form of COPY, row by row as it is asked for.
type copied struct {
	fill func() error // adds a row to buf; io.EOF after the last
	buf  []byte
	at   int
	err  error // why it broke off
}

func (c *copied) Read(p []byte) (int, error) {
	for c.at == len(c.buf) {
		c.buf, c.at = c.buf[:0], 0
		if err := c.fill(); err != nil {
			if !errors.Is(err, io.EOF) {
				c.err = err
			}
			return 0, err
		}
	}
	n := copy(p, c.buf[c.at:])
	c.at += n
	return n, nil
}

// copyRows copies a table.
type copyRows struct {
	*importing
	copied
	feed    feed
	rows    *interchange.Reader
	columns []string
	staged  int64
}

func (c *copyRows) next() error {
	row, err := c.rows.Next()
	if errors.Is(err, io.EOF) && c.options.Progress != nil {
		c.options.Progress(c.feed.name, c.staged)
	}
	if err == nil {
		c.add(row)
	}
	return err
}

func (c *copyRows) add(row interchange.Row) {
	if len(row.Faults) > 0 {
		c.refused[c.feed.name]++
		c.note(row.Faults...)
	}
	if row.Values == nil {
		return
	}
	if c.staged++; c.staged%10_000 == 0 && c.options.Progress != nil {
		c.options.Progress(c.feed.name, c.staged)
	}
	id, id2 := uuid.Must(uuid.NewV7()), uuid.Must(uuid.NewV7())
	c.buf = fmt.Appendf(c.buf, "%d\t%s\t%s\t%t", row.Number, id, id2, len(row.Faults) > 0)
	for _, v := range row.Values {
		c.buf = appendCopy(append(c.buf, '\t'), v)
	}
	value := func(column string) string {
		for n, name := range c.columns {
			if name == column {
				return row.Values[n]
			}
		}
		return ""
	}
	for _, h := range c.feed.hidden {
		c.buf = appendCopy(append(c.buf, '\t'), h.fill(value))
	}
	c.buf = append(c.buf, '\n')
}

// appendCopy writes a value in the text form of COPY (PostgreSQL, COPY, "Text Format").
func appendCopy(buf []byte, value string) []byte {
	for n := 0; n < len(value); n++ {
		switch b := value[n]; b {
		case '\\':
			buf = append(buf, '\\', '\\')
		case '\t':
			buf = append(buf, '\\', 't')
		case '\n':
			buf = append(buf, '\\', 'n')
		case '\r':
			buf = append(buf, '\\', 'r')
		default:
			buf = append(buf, b)
		}
	}
	return buf
}

// circles finds rows of a table whose two ends contain each other. The edges are all that is held in memory: two numbers
// each. What the book had already is read only where a row leads into something that was there before.
func (i *importing) circles(ctx context.Context, tab, into, column, rowsQuery, bookQuery, codeQuery string) error {
	if i.staged[tab] == 0 {
		return nil
	}
	return i.circlesOf(ctx, tab, into, column, rowsQuery, bookQuery, codeQuery)
}

func (i *importing) circlesOf(ctx context.Context, tab, into, column, rowsQuery, bookQuery, codeQuery string) error {
	var g interchange.Edges[uuid.UUID]
	read := func(query string) error {
		rows, err := i.Query(ctx, query, i.args())
		if err != nil {
			return err
		}
		var row int
		var to, from uuid.UUID
		_, err = pgx.ForEachRow(rows, []any{&row, &to, &from}, func() error {
			g.Add(row, from, to)
			return nil
		})
		return err
	}
	if err := read(rowsQuery); err != nil {
		return err
	}
	if g.Len() == 0 {
		return nil
	}
	if bookQuery != "" {
		if err := read(bookQuery); err != nil {
			return err
		}
	}
	for _, loop := range g.Circles() {
		var id uuid.UUID = loop.Into
		var code string
		if err := i.QueryRow(ctx, codeQuery, i.who.Workshop, id).Scan(&code); err != nil {
			return err
		}
		if _, err := i.Exec(ctx, `INSERT INTO import_fault (tab, row, col, words) VALUES ($1, $2, $3, $4)`, tab, loop.Row, column, fmt.Sprintf("%s %q would contain itself", into, code)); err != nil {
			return err
		}
	}
	return nil
}
