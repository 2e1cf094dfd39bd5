// Package record lays a batch out as one document: the batch record that is printed, kept and shown to an inspector. It
// decides what stands in it and in which words; pages and PDF only draw the tree.
//
// What a batch record holds follows 21 CFR 211.188 (read in full), 21 CFR 111.260 ((a) to (i) read, the rest from memory)
// and the clauses of ISO 22716:2007 (list of clauses read, their content from memory). They are yardsticks for what is
// written down: nothing here claims that they bind a small maker, or that a product is safe or legal. A test walks them
// (testdata/batch_record_clauses.txt).
package record

import "strings"

// Look is how words are drawn.
type Look int

// Looks of a Span. An Old one is struck through: it was corrected, and what replaced it stands beside it.
const (
	Plain Look = iota
	Strong
	Quiet
	Old
	BatchCode // of a batch or packing, as on a swing tag
	LotCode   // of a material lot
)

// Span is words in one look. A line feed in them begins a new line.
type Span struct {
	Text string
	Look Look
}

// Cell is what stands in one place of a table or beside a term: spans one after the other, apart by a space.
type Cell []Span

// Text is the words of a cell without their looks.
func (c Cell) Text() string {
	words := make([]string, 0, len(c))
	for _, s := range c {
		if s.Text != "" {
			words = append(words, s.Text)
		}
	}
	return strings.Join(words, " ")
}

// Fact is a term and what it is.
type Fact struct {
	Term  string
	Value Cell
}

// Column is a column of a table. Share is its part of the width, beside those of the others; a Number is set to the
// right.
type Column struct {
	Title  string
	Share  int
	Number bool
}

// Block is one of Facts, Table, Text and List.
type Block interface{ block() }

// Facts are terms with what they are, below an optional title.
type Facts struct {
	Title string
	List  []Fact
}

// Table has as many cells in each row as it has columns; its head is drawn again on each page.
type Table struct {
	Caption string
	Columns []Column
	Rows    [][]Cell
}

// Text is one paragraph.
type Text Cell

// List is one line an entry.
type List []Cell

func (Facts) block() {}
func (Table) block() {}
func (Text) block()  {}
func (List) block()  {}

// Section is one part of the record. A part that does not apply to this batch has no blocks and says why in Absent.
type Section struct {
	Key     string
	Title   string
	Clauses []string // "21 CFR 211.188(b)(4)": what asks for it
	Absent  string
	Blocks  []Block
}

// Document is the whole record. Printed is one line that names who printed it, when, and where the chain of records
// stood then; it stands at the foot of every page.
type Document struct {
	Title    string
	Workshop string
	Code     string
	Printed  string
	Sections []Section
}

// Section finds a section by its key; an empty one where there is none.
func (d Document) Section(key string) Section {
	for _, s := range d.Sections {
		if s.Key == key {
			return s
		}
	}
	return Section{}
}
