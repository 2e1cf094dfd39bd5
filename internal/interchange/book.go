package interchange

import (
	"bufio"
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"regexp"
	"slices"
	"strings"
	"unicode/utf8"

	"github.com/google/uuid"
)

// BookFolder is where an export keeps the tables of the book itself, beside those of the contract, and DocumentFolder the
// files of its papers.
const (
	BookFolder     = "book/"
	DocumentFolder = BookFolder + "documents/"
)

// BookKind is how a value of the book's own tables is written.
type BookKind int

const (
	BookText   BookKind = iota // as it is
	BookID                     // a UUID
	BookWhole                  // a whole number of four bytes
	BookLong                   // of eight
	BookNumber                 // exact, with a point; zeros at its end stay
	BookFlag                   // true or false
	BookDay                    // 2026-03-14
	BookMoment                 // 2026-03-14T09:30:00Z
	BookBytes                  // hexadecimal
	BookJSON                   // a JSON document
)

// BookColumn is one column of such a table.
type BookColumn struct {
	Name   string
	Kind   BookKind
	Needed bool // may not be nothing
	Filled bool // where the file lacks the column the book has a value
}

// BookTable is one of the book's own tables.
type BookTable struct {
	Name    string
	Doc     string
	Columns []BookColumn
	Key     []string
}

// File is its name within an export.
func (t BookTable) File() string { return BookFolder + t.Name + ".csv" }

// Cell is a value, or nothing: in the file nothing is an empty field without quotes, an empty text is two quotes.
type Cell struct {
	Text string
	None bool
}

// BookRow is one row, with a cell for each column of the table.
type BookRow struct {
	Number int
	Cells  []Cell // valid until the next row; nil where the row's form is broken
	Faults []Fault
}

// BookReader reads a file of one of the book's tables.
type BookReader struct {
	table   BookTable
	records *Records
	at      []int
	heads   int
	cells   []Cell
}

// NewBookReader reads the header. Faults in it end the reading of this file.
func NewBookReader(in io.Reader, t BookTable) (*BookReader, []Fault, error) {
	r := &BookReader{table: t, cells: make([]Cell, len(t.Columns))}
	var bad BadRow
	var header []string
	var err error
	if r.records, err = NewRecords(in, ','); err == nil {
		header, err = r.records.Next()
	}
	row := 1
	if r.records != nil {
		row = max(r.records.row, 1)
	}
	switch {
	case errors.Is(err, io.EOF):
		return nil, []Fault{{File: t.File(), Row: 1, Words: "the file is empty; its first row has to name the columns"}}, nil
	case errors.As(err, &bad):
		return nil, []Fault{{File: t.File(), Row: row, Words: bad.Words}}, nil
	case err != nil:
		return nil, nil, err
	}
	r.heads, r.at = len(header), slices.Repeat([]int{-1}, len(t.Columns))
	var faults []Fault
	wrong := func(column, words string) {
		faults = append(faults, Fault{File: t.File(), Row: row, Column: column, Words: words})
	}
	for i, name := range header {
		at := slices.IndexFunc(t.Columns, func(c BookColumn) bool { return c.Name == name })
		switch {
		case at < 0:
			wrong("", fmt.Sprintf("unknown column %s; this program's book has none of that name", quoted(strings.ToValidUTF8(strings.ReplaceAll(name, "\x00", "?"), "?"))))
		case r.at[at] >= 0:
			wrong(name, "the column stands there twice")
		default:
			r.at[at] = i
		}
	}
	for i, c := range t.Columns {
		if r.at[i] < 0 && c.Needed && !c.Filled {
			wrong(c.Name, "the column is missing")
		}
	}
	return r, faults, nil
}

// Has tells whether the file has a column.
func (r *BookReader) Has(column int) bool { return r.at[column] >= 0 }

// Next gives the next row; io.EOF after the last. A row whose form is broken is the last.
func (r *BookReader) Next() (BookRow, error) {
	cells, err := r.records.Next()
	var bad BadRow
	if errors.As(err, &bad) {
		row := r.records.row
		r.records = &Records{in: bufio.NewReader(strings.NewReader("")), row: row}
		return BookRow{Number: row, Faults: []Fault{{File: r.table.File(), Row: row, Words: bad.Words}}}, nil
	}
	if err != nil {
		return BookRow{}, err
	}
	row := BookRow{Number: r.records.row, Cells: r.cells}
	if len(cells) != r.heads {
		row.Faults = []Fault{{File: r.table.File(), Row: row.Number, Words: fmt.Sprintf("has %d fields, the header has %d", len(cells), r.heads)}}
		row.Cells = nil
		return row, nil
	}
	for i, c := range r.table.Columns {
		r.cells[i] = Cell{None: true}
		if r.at[i] < 0 {
			continue
		}
		cell, wrong := c.read(cells[r.at[i]], r.records.marks[r.at[i]])
		if wrong != "" {
			row.Faults = append(row.Faults, Fault{File: r.table.File(), Row: row.Number, Column: c.Name, Words: wrong})
			cell = Cell{None: true}
		}
		r.cells[i] = cell
	}
	return row, nil
}

var (
	longForm  = regexp.MustCompile(`^-?[0-9]{1,1000}(\.[0-9]{1,1000})?$`)
	bytesForm = regexp.MustCompile(`^([0-9a-f]{2})*$`)
	momentHas = regexp.MustCompile(`\.[0-9]{7}`)
)

// read gives one cell in the form that the database takes, or says what is wrong with it.
func (c BookColumn) read(cell string, quotes bool) (Cell, string) {
	if cell == "" && !quotes {
		// A spreadsheet takes the quotes off; where nothing is not allowed, it can only have been the empty text.
		if c.Needed && c.Kind == BookText {
			return Cell{}, ""
		}
		if c.Needed {
			return Cell{}, "is empty, and is needed"
		}
		return Cell{None: true}, ""
	}
	if !utf8.ValidString(cell) {
		return Cell{}, "this is not UTF-8 text; save the file as UTF-8"
	}
	if strings.IndexByte(cell, 0) >= 0 {
		return Cell{}, "a NUL byte stands in it"
	}
	wrong := ""
	switch c.Kind {
	case BookID:
		if id, err := uuid.Parse(cell); err != nil || len(cell) != 36 {
			wrong = quoted(cell) + " is no id such as 018f3a52-6a0e-7cc1-9d5e-1f2a3b4c5d6e"
		} else {
			cell = id.String()
		}
	case BookWhole, BookLong:
		most := "2147483647"
		if c.Kind == BookLong {
			most = "9223372036854775807"
		}
		if !integerForm.MatchString(cell) {
			wrong = quoted(cell) + " is not a whole number"
		} else if cell = plain(cell); lessPlain(most, strings.TrimPrefix(cell, "-")) {
			wrong = fmt.Sprintf("%s: has to be from -%s to %s", quoted(cell), most, most)
		}
	case BookNumber:
		if !longForm.MatchString(cell) {
			wrong = quoted(cell) + " is not a number with a point, such as 12.5"
		}
	case BookFlag:
		if cell != "true" && cell != "false" {
			wrong = quoted(cell) + " is none of true, false"
		}
	case BookDay:
		cell, wrong = dateValue(cell)
	case BookMoment:
		if momentHas.MatchString(cell) {
			wrong = quoted(cell) + " is finer than a microsecond, which is the finest that the book keeps"
		} else {
			cell, wrong = momentValue(cell)
		}
	case BookBytes:
		if !bytesForm.MatchString(cell) {
			wrong = quoted(cell) + " is no pairs of the digits 0 to 9 and a to f"
		} else {
			cell = `\x` + cell
		}
	case BookJSON:
		if !storableJSON(cell) {
			wrong = quoted(cell) + " is no JSON that can be kept"
		}
	}
	if wrong != "" {
		return Cell{}, wrong
	}
	return Cell{Text: cell}, ""
}

// loneHalf is an escape of half a character, or of NUL, neither of which a text of the database holds.
var loneHalf = regexp.MustCompile(`(?i)\\u(d[89a-f]|0000)`)

// storableJSON tells whether a document is one that the database keeps: its numbers are plain, its escapes characters.
func storableJSON(text string) bool {
	if !json.Valid([]byte(text)) || loneHalf.MatchString(text) {
		return false
	}
	d := json.NewDecoder(bytes.NewReader([]byte(text)))
	d.UseNumber()
	for {
		token, err := d.Token()
		if errors.Is(err, io.EOF) {
			return true
		}
		if err != nil {
			return false
		}
		if n, number := token.(json.Number); number && !decimalForm.MatchString(n.String()) {
			return false
		}
	}
}
