package sheet

import (
	"crypto/sha256"
	"fmt"
	"slices"
	"strings"
)

// MostWords is how many different values a column may have to be taken for a fixed list.
const MostWords = 40

// Column is one column of a spreadsheet as it was found.
type Column struct {
	Heading string
	Label   string   // what it is called on a page: its heading, with its letter where two are called alike or it has none
	Samples []string // the first three values
	words   []string // different values in order, one more than MostWords at the most; "" where a row has none
	orders  orders
	marks   marks
	units   []string // units as they stand behind its numbers
	bare    string   // a number without one
	money   string   // the mark of the first that is money
	days    string   // a day without a time
	month   string   // a month without a day
}

// Look is what a spreadsheet was found to be.
type Look struct {
	Sheet   string
	Head    int // the row of the headings
	Rows    int // below them
	Columns []Column
	fields  int // of the row of headings, where a CSV file has no more
}

// Look reads a sheet once. head is the row of the headings; 0 is the first that has two cells, since a title has one.
func (b *Book) Look(sheet string, head int) (Look, error) {
	l := Look{Sheet: sheet, Head: head}
	if head == 0 {
		var err error
		if l.Head, err = b.findHead(sheet); err != nil {
			return l, err
		}
	}
	for row, err := range b.Rows(sheet) {
		switch {
		case err != nil:
			return l, err
		case row.Number < l.Head:
		case row.Number == l.Head:
			if err := l.heads(row, b.work == nil); err != nil {
				return l, err
			}
		case l.Columns == nil:
			return l, &Broken{Row: l.Head, Words: "there are no headings in this row; say in which row they stand"}
		default:
			l.add(row)
		}
	}
	switch {
	case l.Columns == nil:
		return l, &Broken{Row: l.Head, Words: "there are no headings in this row; say in which row they stand"}
	case l.Rows == 0:
		return l, &Broken{Row: l.Head, Words: "there are no rows below the headings"}
	}
	l.label()
	return l, nil
}

func (b *Book) findHead(sheet string) (int, error) {
	first := 0
	for row, err := range b.Rows(sheet) {
		if err != nil {
			return 0, err
		}
		if row.Number > headWithin && first > 0 {
			break
		}
		if first == 0 {
			first = row.Number
		}
		if row.filled() > 1 {
			return row.Number, nil
		}
	}
	if first == 0 {
		return 0, broken("there is nothing in it")
	}
	return first, nil
}

func (l *Look) heads(row Row, text bool) error {
	for n, c := range row.Cells {
		if c.Wrong != "" {
			return &Broken{Row: row.Number, Column: Letters(n), Words: c.Wrong}
		}
		l.Columns = append(l.Columns, Column{Heading: c.Text})
	}
	if text {
		l.fields = len(row.Cells)
	}
	return nil
}

func (l *Look) add(row Row) {
	l.Rows++
	for len(l.Columns) < len(row.Cells) && l.fields == 0 {
		l.Columns = append(l.Columns, Column{})
		if l.Rows > 1 {
			l.Columns[len(l.Columns)-1].words = []string{""}
		}
	}
	for n := range l.Columns {
		l.Columns[n].see(row.at(n))
	}
}

func (c *Column) see(cell Cell) {
	if len(c.words) <= MostWords && cell.Wrong == "" && !slices.Contains(c.words, cell.Text) {
		c.words = append(c.words, cell.Text)
	}
	if cell.blank() {
		return
	}
	if len(c.Samples) < 3 {
		sample := cell.Text
		if cell.Wrong != "" {
			sample = "(" + cell.Wrong + ")"
		}
		c.Samples = append(c.Samples, clip(sample))
	}
	if cell.Wrong != "" {
		return
	}
	c.orders.see(cell)
	c.marks.see(cell)
	c.seeMonth(cell)
	if _, clock := splitTime(cell.Text); clock == "" && c.days == "" {
		c.days = cell.Text
	}
	if f, ok := figureOf(cell.Text); ok {
		if c.money == "" {
			c.money = f.money
		}
		if f.unit == "" && c.bare == "" {
			c.bare = cell.Text
		}
		if f.unit != "" && len(c.units) < MostWords && !slices.Contains(c.units, f.unit) {
			c.units = append(c.units, f.unit)
		}
	}
}

// label names the columns, and drops those on the right that have neither heading nor value.
func (l *Look) label() {
	for len(l.Columns) > 1 && l.Columns[len(l.Columns)-1].Heading == "" && l.Columns[len(l.Columns)-1].Samples == nil {
		l.Columns = l.Columns[:len(l.Columns)-1]
	}
	seen := map[string]int{}
	for _, c := range l.Columns {
		seen[Fold(c.Heading)]++
	}
	for n := range l.Columns {
		c := &l.Columns[n]
		switch {
		case c.Heading == "":
			c.Label = "Column " + Letters(n)
		case seen[Fold(c.Heading)] > 1:
			c.Label = fmt.Sprintf("%s (column %s)", clip(c.Heading), Letters(n))
		default:
			c.Label = clip(c.Heading)
		}
	}
}

// keys name the columns from one file to the next: by heading, and the how manieth of that heading it is.
func (l Look) keys() []string {
	keys, seen := make([]string, len(l.Columns)), map[string]int{}
	for n, c := range l.Columns {
		name := Fold(c.Heading)
		seen[name]++
		keys[n] = fmt.Sprintf("%s#%d", name, seen[name])
	}
	return keys
}

// Key is the same for two spreadsheets with the same set of headings, in whatever order.
func (l Look) Key() [sha256.Size]byte {
	keys := l.keys()
	slices.Sort(keys)
	return sha256.Sum256([]byte(strings.Join(keys, "\n")))
}

// Headings are the headings in order.
func (l Look) Headings() []string {
	list := make([]string, len(l.Columns))
	for n, c := range l.Columns {
		list[n] = c.Heading
	}
	return list
}
