package store

import (
	"context"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"

	"github.com/jackc/pgx/v5"

	"example.org/stillroom/internal/batchcode"
	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/interchange"
)

// A folder book/ is staged whole in temporary tables bk_NAME of the columns' own types, held to the rules of the catalogue
// set by set, and put into an empty workshop with one INSERT a table. Its changes come in as told ones, so who and when of
// every row stand as the file says, under the import. In a workshop that is not empty every row has to be there already.

// goesIntoEmpty ends the words about a row that does not fit what is there.
const goesIntoEmpty = `: the folder book/ goes into an empty workshop only, and may be left out`

type bookFiles struct {
	tables map[string]string // table to file
	papers map[string]string // id of the document to file
	taken  []string          // other files in it
}

func (b bookFiles) any() bool { return len(b.tables)+len(b.papers)+len(b.taken) > 0 }

// add takes a file of the folder.
func (b *bookFiles) add(name string) {
	if paper, ok := strings.CutPrefix(name, interchange.DocumentFolder); ok {
		id, _, _ := strings.Cut(paper, ".")
		if b.papers[id] != "" {
			b.taken = append(b.taken, name)
			return
		}
		b.papers[id] = name
		return
	}
	base := strings.TrimPrefix(name, interchange.BookFolder)
	if table, ok := strings.CutSuffix(base, ".csv"); ok {
		b.tables[table] = name
		return
	}
	b.taken = append(b.taken, name)
}

// bookImport is how far the folder is.
type bookImport struct {
	files   bookFiles
	tables  []bookTable
	empty   bool // nothing that it brings was there
	entered bool // it came in now
	rows    int64
	refused int64
	same    int64
}

func staged(table string) string { return "bk_" + table }

// bringBook stages the folder, checks it, and puts it into the book or holds it to what is there.
func (i *importing) bringBook(ctx context.Context, src ImportSource, withWorkshop bool) error {
	b := &i.book
	var err error
	if b.tables, err = bookTables(ctx, i); err != nil {
		return err
	}
	if b.empty, err = i.bookIsEmpty(ctx); err != nil {
		return err
	}
	for _, name := range b.files.taken {
		i.note(interchange.Fault{File: name, Words: "is no table of the book, or stands there twice"})
	}
	for name, file := range b.files.tables {
		if !slices.ContainsFunc(b.tables, func(t bookTable) bool { return t.Name == name }) {
			words := "is no table of this program's book; a newer one may have written it"
			if _, ok := interchange.Lookup(name); ok {
				words = "stands beside the folder book/, not in it"
			}
			if why := bookWithout[name]; why != "" {
				words = "does not come in: " + why
			}
			i.note(interchange.Fault{File: file, Words: words})
		}
	}
	for n := range b.tables {
		if err := i.stageBook(ctx, &b.tables[n], src); err != nil {
			return fmt.Errorf("%s: %w", b.tables[n].File(), err)
		}
	}
	if b.rows >= 500 {
		if _, err := i.Exec(ctx, `SELECT set_config('enable_nestloop', 'off', true)`); err != nil {
			return err
		}
	}
	if err := i.checkBook(ctx, src, withWorkshop); err != nil {
		return err
	}
	if len(i.report.Faults) == 0 {
		var wrong bool
		if err := i.QueryRow(ctx, `SELECT EXISTS (SELECT FROM import_fault)`).Scan(&wrong); err != nil {
			return err
		}
		if b.empty && !wrong {
			if err := i.enterBook(ctx, src, withWorkshop); err != nil {
				return err
			}
		}
	}
	return nil
}

// note keeps a fault that was found outside the database.
func (i *importing) note(faults ...interchange.Fault) {
	for _, f := range faults {
		if len(i.report.Faults) < MostFaults {
			i.report.Faults = append(i.report.Faults, f)
		} else {
			i.report.More++
		}
	}
}

// bookIsEmpty tells whether nothing stands in the workshop but who works in it and how it is set up.
func (i *importing) bookIsEmpty(ctx context.Context) (bool, error) {
	any := []string{`EXISTS (SELECT FROM climate_reading x WHERE x.workshop_id = $1)`}
	for _, b := range i.book.tables {
		if !slices.Contains([]string{"workshop", "change", "person", "code_pattern"}, b.Name) {
			any = append(any, fmt.Sprintf(`EXISTS (SELECT FROM %s x WHERE x.workshop_id = $1)`, b.Name))
		}
	}
	var full bool
	err := i.QueryRow(ctx, `SELECT `+strings.Join(any, " OR "), i.who.Workshop).Scan(&full)
	return !full, err
}

// stageBook makes the temporary table and fills it. A table without a file is empty.
func (i *importing) stageBook(ctx context.Context, b *bookTable, src ImportSource) error {
	declared := []string{"row integer", "bad boolean"}
	for _, c := range b.columns {
		d := c.Name + " " + c.Type
		if c.C {
			d += ` COLLATE "C"`
		}
		if c.Needed && c.Default != "" {
			d += " DEFAULT " + c.Default
		}
		declared = append(declared, d)
	}
	finds := bookFinds(b.Name)
	hidden := slices.Clone(b.made)
	for n := range finds {
		hidden = append(hidden, fmt.Sprintf("found_%d", n))
	}
	if bookNear[b.Name] != "" {
		hidden = append(hidden, "near")
	}
	for _, name := range hidden {
		declared = append(declared, name+` text COLLATE "C"`)
	}
	if _, err := i.Exec(ctx, fmt.Sprintf(`CREATE TEMP TABLE %s (%s) ON COMMIT DROP`, staged(b.Name), strings.Join(declared, ", "))); err != nil {
		return err
	}
	file := i.book.files.tables[b.Name]
	if file == "" {
		return nil
	}
	in, err := src.Open(file)
	if err != nil {
		return err
	}
	defer in.Close()
	rows, faults, err := interchange.NewBookReader(in, b.BookTable)
	if err != nil {
		return unreadable(err)
	}
	if len(faults) > 0 {
		i.note(faults...)
		return nil
	}
	columns := []string{"row", "bad"}
	pipe := &copyBook{importing: i, table: b, rows: rows, finds: finds}
	pipe.fill = pipe.next
	for n, c := range b.columns {
		if rows.Has(n) || !c.Needed {
			columns, pipe.has = append(columns, c.Name), append(pipe.has, n)
		}
	}
	_, err = i.Conn().PgConn().CopyFrom(ctx, pipe, fmt.Sprintf(`COPY %s (%s) FROM STDIN`, staged(b.Name), strings.Join(append(columns, hidden...), ", ")))
	if pipe.err != nil {
		return unreadable(pipe.err)
	}
	if err != nil {
		return err
	}
	_, err = i.Exec(ctx, `ANALYZE `+staged(b.Name))
	return err
}

// copyBook copies a file of the folder.
type copyBook struct {
	*importing
	copied
	table *bookTable
	rows  *interchange.BookReader
	finds []bookFound
	has   []int
}

func (c *copyBook) next() error {
	row, err := c.rows.Next()
	if err == nil {
		c.add(row)
	}
	return err
}

func (c *copyBook) add(row interchange.BookRow) {
	value := func(column string) string {
		for n, x := range c.table.columns {
			if x.Name == column && row.Cells != nil {
				return row.Cells[n].Text
			}
		}
		return ""
	}
	for _, x := range c.table.columns {
		says := bookSays[c.table.Name+"."+x.Name]
		if text := value(x.Name); says != nil && text != "" {
			if err := says(text); err != nil {
				row.Faults = append(row.Faults, interchange.Fault{File: c.table.File(), Row: row.Number, Column: x.Name, Words: err.Error()})
			}
		}
	}
	c.note(row.Faults...)
	if c.book.rows++; c.book.rows%10_000 == 0 && c.options.Progress != nil {
		c.options.Progress(BookOfReport, c.book.rows)
	}
	if len(row.Faults) > 0 {
		c.book.refused++
	}
	if row.Cells == nil {
		return
	}
	c.buf = fmt.Appendf(c.buf, "%d\t%t", row.Number, len(row.Faults) > 0)
	for _, n := range c.has {
		if c.buf = append(c.buf, '\t'); row.Cells[n].None {
			c.buf = append(c.buf, `\N`...)
		} else {
			c.buf = appendCopy(c.buf, row.Cells[n].Text)
		}
	}
	hidden := func(text string) { c.buf = appendCopy(append(c.buf, '\t'), text) }
	for _, name := range c.table.made {
		hidden(bookMade[c.table.Name+"."+name](value))
	}
	for _, f := range c.finds {
		hidden(strings.Join(f.keys(value), " "))
	}
	if bookNear[c.table.Name] != "" {
		hidden(strings.Join(batchcode.Deletions(foldBatch(value("code"))), " "))
	}
	c.buf = append(c.buf, '\n')
}

// enterBook puts what is staged and sound into the empty workshop.
func (i *importing) enterBook(ctx context.Context, src ImportSource, withWorkshop bool) error {
	for _, b := range i.book.tables {
		if b.Name == "workshop" {
			if err := i.enterWorkshop(ctx, b); err != nil {
				return err
			}
			continue
		}
		into, names, values := b.Name, b.names(), ""
		columns := strings.Join(append(names, b.made...), ", ")
		into += " (workshop_id, " + columns
		values = "@ws::uuid, " + columns
		switch {
		case b.Name == "change":
			into, values = "told_change (workshop_id, "+columns+", within", values+", @change::uuid"
		case b.personal:
			into, values = into+", personal_key", values+", "+randomKey
		}
		last := ""
		if b.Name == "code_pattern" {
			last = " ON CONFLICT DO NOTHING"
		}
		if _, err := i.Exec(ctx, fmt.Sprintf(`INSERT INTO %s) SELECT %s FROM %s%s`, into, values, staged(b.Name), last), i.args()); err != nil {
			return fmt.Errorf("%s: %w", b.Name, err)
		}
	}
	if err := i.enterPapers(ctx, src); err != nil {
		return err
	}
	i.book.entered = true
	for _, b := range i.book.tables {
		for n, f := range bookFinds(b.Name) {
			if _, err := i.Exec(ctx, fmt.Sprintf(`INSERT INTO search_key (workshop_id, key, kind, target_id) SELECT DISTINCT @ws::uuid, k, '%s', s.%s FROM %s s CROSS JOIN LATERAL unnest(string_to_array(s.found_%d, ' ')) k WHERE k <> '' ON CONFLICT DO NOTHING`,
				f.kind, f.target, staged(b.Name), n), i.args()); err != nil {
				return err
			}
		}
	}
	for _, table := range []string{"batch", "packing", "unit_code"} { // a batch before its packings, whose codes may be its own
		if _, err := i.Exec(ctx, fmt.Sprintf(`INSERT INTO code_near (workshop_id, near_key, code, batch_id) SELECT DISTINCT ON (k, s.code) @ws::uuid, k, s.code, %s FROM %s s CROSS JOIN LATERAL unnest(string_to_array(s.near, ' ')) k WHERE k <> '' ON CONFLICT DO NOTHING`,
			bookNear[table], staged(table)), i.args()); err != nil {
			return err
		}
	}
	return i.checkVersions(ctx)
}

// enterWorkshop gives the workshop the file's settings.
func (i *importing) enterWorkshop(ctx context.Context, b bookTable) error {
	set := make([]string, len(b.columns))
	for n, c := range b.columns {
		set[n] = c.Name + " = s." + c.Name
	}
	_, err := i.Exec(ctx, fmt.Sprintf(`UPDATE workshop w SET %s, named = true FROM %s s WHERE w.id = @ws`, strings.Join(set, ", "), staged(b.Name)), i.args())
	if constraint(err) == "workshop_code_key" {
		return fault.New(fault.Conflict, "Another workshop of this database has the code that the file gives to this one.")
	}
	if err != nil {
		return err
	}
	return i.QueryRow(ctx, `SELECT zone FROM workshop WHERE id = $1`, i.who.Workshop).Scan(&i.zone)
}

// enterPapers puts the bytes of papers beside their rows, which were held to them before.
func (i *importing) enterPapers(ctx context.Context, src ImportSource) error {
	rows, err := i.Query(ctx, `SELECT id::text FROM bk_document ORDER BY id`)
	if err != nil {
		return err
	}
	ids, err := pgx.CollectRows(rows, pgx.RowTo[string])
	if err != nil {
		return err
	}
	piece := make([]byte, chunkBytes)
	for _, id := range ids {
		in, err := src.Open(i.book.files.papers[id])
		if err != nil {
			return err
		}
		for n := 0; err == nil; n++ {
			var got int
			if got, err = io.ReadFull(in, piece); got > 0 {
				if _, e := i.Exec(ctx, `INSERT INTO document_chunk (workshop_id, document_id, n, data) VALUES ($1, $2, $3, $4)`, i.who.Workshop, id, n, piece[:got]); e != nil {
					err = e
				}
			}
		}
		in.Close()
		if !errors.Is(err, io.EOF) && !errors.Is(err, io.ErrUnexpectedEOF) {
			return unreadable(err)
		}
	}
	return nil
}

// bookCount is the folder's line of the report: all its tables together.
func (i *importing) bookCount(ctx context.Context) (TableCount, error) {
	c := TableCount{Table: BookOfReport, Refused: i.book.refused}
	var found int64
	if err := i.QueryRow(ctx, `SELECT count(*) FROM (SELECT DISTINCT f.tab, f.row FROM import_fault f WHERE f.tab LIKE 'book/%') x`).Scan(&found); err != nil {
		return c, err
	}
	c.Refused += found
	c.Same = i.book.same
	if rest := max(i.book.rows-c.Refused-c.Same, 0); i.book.empty {
		c.New = rest
	} else {
		c.Same += rest
	}
	return c, nil
}
