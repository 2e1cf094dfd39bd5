// Package sheet decides how a maker's own spreadsheet is understood: which of its columns is which column of the
// interchange, how its dates and numbers are written, and what its words stand for. What could mean two things is asked
// about and never guessed. It reads CSV (RFC 4180, divided by a comma, a semicolon or a tab, in UTF-8, UTF-16 with its mark
// or Windows-1252) and XLSX (ECMA-376, Office Open XML, part 1). Which words the trade has for a column is common practice, no source.
package sheet

import (
	"bytes"
	"fmt"
	"iter"
	"strings"
	"unicode/utf8"
)

// Bounds of a spreadsheet. They are far above any list that people keep by hand, and keep one file from taking all memory.
const (
	Most        = 10 << 20  // bytes of the file
	MostRows    = 200_000   // rows with something in them
	MostColumns = 200       // columns
	mostUnpack  = 200 << 20 // bytes of one part of an XLSX file
	mostTexts   = 64 << 20  // bytes of its shared texts
	headWithin  = 50        // rows in which the headings are looked for
)

// Kind is what a cell is by itself, before anybody said what its column means.
type Kind int

const (
	Text   Kind = iota // as it was typed
	Number             // a number of a workbook, written with a point: never two-faced
	Day                // a date of a workbook as 2026-03-14, or 2026-03-14 09:30:00 where it has a time
)

// Cell is one cell; Wrong says why it cannot be read, and matters only where its column is taken over.
type Cell struct {
	Text  string
	Kind  Kind
	Wrong string
}

func (c Cell) blank() bool { return c.Text == "" && c.Wrong == "" }

// Row is one row with its number as the spreadsheet shows it.
type Row struct {
	Number int
	Cells  []Cell
}

// at is a cell, blank beyond the end of the row.
func (r Row) at(n int) Cell {
	if n < len(r.Cells) {
		return r.Cells[n]
	}
	return Cell{}
}

func (r Row) filled() (n int) {
	for _, c := range r.Cells {
		if !c.blank() {
			n++
		}
	}
	return n
}

// Broken says where a file cannot be read at all.
type Broken struct {
	Row    int
	Column string
	Words  string
}

func (b *Broken) Error() string {
	s := ""
	if b.Row > 0 {
		s = fmt.Sprintf("row %d: ", b.Row)
	}
	if b.Column != "" {
		s += "column " + b.Column + ": "
	}
	return s + b.Words
}

func broken(words string, args ...any) *Broken { return &Broken{Words: fmt.Sprintf(words, args...)} }

// Book is an opened spreadsheet.
type Book struct {
	Sheets  []string // names of its sheets in order; a CSV file has none
	Comma   byte     // of a CSV file: what divides its columns
	Western bool     // it was no UTF-8 and was read as Windows-1252
	data    []byte
	wide    bool // it was UTF-16
	work    *workbook
	merged  []area
}

// Open looks at a file by its content, not by its name. comma is 0 where it is to be found from the first line.
func Open(data []byte, comma byte) (*Book, error) {
	switch {
	case len(data) > Most:
		return nil, broken("the file has more than %d MB", Most>>20)
	case len(bytes.TrimSpace(data)) == 0:
		return nil, broken("the file is empty")
	case bytes.HasPrefix(data, []byte("\xD0\xCF\x11\xE0")):
		return nil, broken("this is an old workbook (.xls), or one with a password; save it as .xlsx or CSV without one")
	case bytes.HasPrefix(data, []byte("PK\x03\x04")), bytes.HasPrefix(data, []byte("PK\x05\x06")):
		w, err := openWorkbook(data)
		if err != nil {
			return nil, err
		}
		return &Book{Sheets: w.names(), work: w}, nil
	}
	return openText(data, comma)
}

// Rows are the rows that have something in them. It ends at the first *Broken.
func (b *Book) Rows(sheet string) iter.Seq2[Row, error] {
	return func(yield func(Row, error) bool) {
		read := b.textRows
		if b.work != nil {
			read = func(give func(Row) bool) error { return b.sheetRows(sheet, give) }
		}
		rows, stopped := 0, false
		err := read(func(r Row) bool {
			for n := range r.Cells {
				b.tidy(&r.Cells[n])
			}
			if r.filled() == 0 {
				return true
			}
			if rows++; rows > MostRows {
				stopped = true
				yield(Row{}, &Broken{Row: r.Number, Words: fmt.Sprintf("there are more than %d rows; send them in several files", MostRows)})
				return false
			}
			stopped = !yield(r, nil)
			return !stopped
		})
		if err != nil && !stopped {
			yield(Row{}, err)
		}
	}
}

// tidy drops the spaces around a value and notes what no text of a book may hold.
func (b *Book) tidy(c *Cell) {
	switch {
	case c.Wrong != "":
	case b.wide && !utf8.ValidString(c.Text):
		c.Wrong = "a broken character stands in it: half of a UTF-16 pair"
	case !utf8.ValidString(c.Text):
		c.Wrong = "a broken character stands in it: the file is UTF-8 in most places and not here"
	case strings.IndexByte(c.Text, 0) >= 0:
		c.Wrong = "a NUL byte stands in it"
	}
	if c.Wrong != "" {
		c.Text = strings.ReplaceAll(strings.ToValidUTF8(c.Text, "\uFFFD"), "\x00", "\uFFFD")
	}
	c.Text = strings.TrimSpace(c.Text)
}

// Letters is how a spreadsheet calls its columns: A for 0, Z, AA.
func Letters(column int) string {
	name := ""
	for n := column + 1; n > 0; n = (n - 1) / 26 {
		name = string(rune('A'+(n-1)%26)) + name
	}
	return name
}
