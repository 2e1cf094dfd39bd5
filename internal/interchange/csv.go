package interchange

import (
	"bufio"
	"bytes"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"unicode/utf8"
)

// MostRow is how many bytes one row may have. Nothing a workshop writes comes near it, and a quote that is never closed
// would else take the rest of the file into memory.
const MostRow = 1 << 20

// Records reads RFC 4180: fields between commas, quoted ones with their line breaks as they are. It differs from
// encoding/csv in keeping a carriage return before a line feed inside a field, in counting rows, and in bounding a row.
type Records struct {
	in    *bufio.Reader
	comma byte // what stands between fields
	row   int
	bytes int // of the row that is read
	buf   []byte
	ends  []int
	marks []bool // of the cells: whether it stood in quotes
	cells []string
}

// BadRow says what is wrong with the form of a row; nothing after it can be read.
type BadRow struct{ Words string }

func (b BadRow) Error() string { return b.Words }

// NewRecords begins to read rows whose fields are divided by comma, which need not be one.
func NewRecords(in io.Reader, comma byte) (*Records, error) {
	r := &Records{in: bufio.NewReaderSize(in, 64<<10), comma: comma}
	head, err := r.in.Peek(3)
	if err != nil && !errors.Is(err, io.EOF) {
		return nil, err
	}
	switch {
	case bytes.Equal(head, []byte{0xEF, 0xBB, 0xBF}):
		_, err = r.in.Discard(3)
	case len(head) >= 2 && (head[0] == 0xFF && head[1] == 0xFE || head[0] == 0xFE && head[1] == 0xFF):
		err = BadRow{"this is UTF-16 text; save the file as CSV in UTF-8"}
	default:
		err = nil
	}
	return r, err
}

func (r *Records) take() (byte, error) {
	c, err := r.in.ReadByte()
	if err != nil {
		return 0, err
	}
	if r.bytes++; r.bytes > MostRow {
		return 0, BadRow{fmt.Sprintf("the row has more than %d bytes; is a quote not closed?", MostRow)}
	}
	return c, nil
}

// Next gives the cells of the next row; they are valid until the one after. Empty lines are no rows, as most programs
// write one at the end, but they count: a spreadsheet shows them.
func (r *Records) Next() ([]string, error) {
	for {
		r.row++
		r.bytes, r.buf, r.ends, r.marks = 0, r.buf[:0], r.ends[:0], r.marks[:0]
		empty, err := r.read()
		if err != nil {
			return nil, err
		}
		if empty {
			continue
		}
		text := string(r.buf)
		r.cells = r.cells[:0]
		from := 0
		for _, end := range r.ends {
			r.cells = append(r.cells, text[from:end])
			from = end
		}
		return r.cells, nil
	}
}

// Row is the number of the row that was read last, or that broke.
func (r *Records) Row() int { return r.row }

// read fills buf and ends with one row. io.EOF is said only where nothing is left.
func (r *Records) read() (empty bool, err error) {
	for first := true; ; first = false {
		c, err := r.take()
		if errors.Is(err, io.EOF) {
			if first {
				return false, io.EOF
			}
			r.ends, r.marks = append(r.ends, len(r.buf)), append(r.marks, false)
			return false, nil
		}
		if err != nil {
			return false, err
		}
		r.marks = append(r.marks, c == '"')
		var last bool
		if c == '"' {
			last, err = r.quoted()
		} else {
			if first && (c == '\n' || c == '\r' && r.lineFeed()) {
				return true, nil
			}
			last, err = r.bare(c)
		}
		if err != nil {
			return false, err
		}
		r.ends = append(r.ends, len(r.buf))
		if last {
			return false, nil
		}
	}
}

// lineFeed takes a line feed if one is next.
func (r *Records) lineFeed() bool {
	next, err := r.in.Peek(1)
	if err == nil && next[0] == '\n' {
		_, _ = r.in.Discard(1) // peeked at just now
		return true
	}
	return false
}

func (r *Records) bare(c byte) (last bool, err error) {
	for {
		switch {
		case c == r.comma:
			return false, nil
		case c == '\n', c == '\r' && r.lineFeed():
			return true, nil
		case c == '"':
			return false, BadRow{"a quote stands inside a field that does not begin with one"}
		}
		r.buf = append(r.buf, c)
		if c, err = r.take(); errors.Is(err, io.EOF) {
			return true, nil
		} else if err != nil {
			return false, err
		}
	}
}

func (r *Records) quoted() (last bool, err error) {
	for {
		c, err := r.take()
		if errors.Is(err, io.EOF) {
			return false, BadRow{"a quote is opened and never closed"}
		}
		if err != nil {
			return false, err
		}
		if c != '"' {
			r.buf = append(r.buf, c)
			continue
		}
		c, err = r.take()
		switch {
		case errors.Is(err, io.EOF):
			return true, nil
		case err != nil:
			return false, err
		case c == '"':
			r.buf = append(r.buf, '"')
		case c == r.comma:
			return false, nil
		case c == '\n', c == '\r' && r.lineFeed():
			return true, nil
		default:
			return false, BadRow{"something follows the quote that ends a field"}
		}
	}
}

// Reader reads one table: each row's values in the one form in which they are written, in the order of the table's
// columns, and what is wrong with them.
type Reader struct {
	table   Table
	file    string
	records *Records
	at      []int // column of the file for each column of the table; -1 where the file has none
	heads   int
	values  []string
}

// NewReader reads the header. Faults in it end the reading of this file.
func NewReader(in io.Reader, t Table) (*Reader, []Fault, error) {
	r := &Reader{table: t, file: t.File(), values: make([]string, len(t.Columns))}
	var bad BadRow
	var err error
	if r.records, err = NewRecords(in, ','); err != nil {
		if errors.As(err, &bad) {
			return nil, []Fault{{File: r.file, Row: 1, Words: bad.Words}}, nil
		}
		return nil, nil, err
	}
	header, err := r.records.Next()
	switch {
	case errors.Is(err, io.EOF):
		return nil, []Fault{{File: r.file, Row: 1, Words: "the file is empty; its first row has to name the columns: " + strings.Join(t.Header(), ", ")}}, nil
	case errors.As(err, &bad):
		return nil, []Fault{{File: r.file, Row: r.records.row, Words: bad.Words}}, nil
	case err != nil:
		return nil, nil, err
	}
	r.heads = len(header)
	faults := r.header(header)
	return r, faults, nil
}

func (r *Reader) header(header []string) (faults []Fault) {
	wrong := func(column, words string) {
		faults = append(faults, Fault{File: r.file, Row: r.records.row, Column: column, Words: words})
	}
	names := r.table.Header()
	r.at = slices.Repeat([]int{-1}, len(names))
	for i, name := range header {
		shown := name
		if !utf8.ValidString(name) || strings.IndexByte(name, 0) >= 0 {
			shown = strings.ToValidUTF8(strings.ReplaceAll(name, "\x00", "?"), "?")
		}
		at := slices.Index(names, name)
		switch {
		case at < 0:
			wrong("", fmt.Sprintf("unknown column %s; the columns are %s", quoted(shown), strings.Join(names, ", ")))
		case r.at[at] >= 0:
			wrong(name, "the column stands there twice")
		default:
			r.at[at] = i
		}
	}
	for i, c := range r.table.Columns {
		if r.at[i] < 0 && !c.Optional {
			wrong(c.Name, "the column is missing")
		}
	}
	return faults
}

// Row is one row of a table.
type Row struct {
	Number int
	Values []string // valid until the next row
	Faults []Fault
}

// Next gives the next row; io.EOF after the last. A row whose form is broken is the last.
func (r *Reader) Next() (Row, error) {
	cells, err := r.records.Next()
	var bad BadRow
	if errors.As(err, &bad) {
		row := r.records.row
		r.records = &Records{in: bufio.NewReader(strings.NewReader("")), row: row}
		return Row{Number: row, Faults: []Fault{{File: r.file, Row: row, Words: bad.Words}}}, nil
	}
	if err != nil {
		return Row{}, err
	}
	row := Row{Number: r.records.row, Values: r.values}
	if len(cells) != r.heads {
		row.Faults = []Fault{{File: r.file, Row: row.Number, Words: fmt.Sprintf("has %d fields, the header has %d", len(cells), r.heads)}}
		row.Values = nil
		return row, nil
	}
	for i, c := range r.table.Columns {
		cell := ""
		if r.at[i] >= 0 {
			cell = cells[r.at[i]]
		}
		value, wrong := c.Value(cell)
		if wrong != "" {
			row.Faults = append(row.Faults, Fault{File: r.file, Row: row.Number, Column: c.Name, Words: wrong})
		}
		r.values[i] = value
	}
	r.table.together(&row)
	return row, nil
}
