package sheet

import (
	"bytes"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/shopspring/decimal"

	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/interchange"
	"example.org/stillroom/internal/measure"
)

// MostFaults is how many faults are told one by one; the rest are counted.
const MostFaults = 1000

// Kept is what a material is counted in.
type Kept struct {
	Unit    string
	Density decimal.NullDecimal
}

// Facts are what the book says that a spreadsheet is held to.
type Facts struct {
	Zone  *time.Location
	Kept  map[string]Kept              // by code of the material, or of the lot where the table names lots
	Codes map[string]map[string]string // by column of the table: codes by themselves, and by folded name; "" where several are called so
	Next  int                          // the first number that no code with the prefix has
}

// Result is a table in the interchange's form, whose rows have the numbers of the spreadsheet's; or what is wrong.
type Result struct {
	CSV    []byte
	Labels map[string]string // what the maker calls the columns, by column of the table
	Faults []interchange.Fault
	More   int // faults beyond
}

// Convert writes a spreadsheet as a table. The mapping has been checked.
func (b *Book) Convert(file string, t interchange.Table, l Look, m Mapping, facts Facts) (Result, error) {
	c := converter{table: t, look: l, mapping: m, facts: facts, file: file, Result: Result{Labels: map[string]string{}}, next: max(facts.Next, 1)}
	c.plan()
	for row, err := range b.Rows(l.Sheet) {
		if err != nil {
			return Result{}, err
		}
		if row.Number > l.Head {
			c.row(row)
		}
	}
	for _, a := range b.merged {
		c.hold(a)
	}
	slices.SortStableFunc(c.Faults, interchange.Compare)
	if len(c.Faults) == 0 {
		c.CSV = c.out.Bytes()
	}
	return c.Result, nil
}

type converter struct {
	Result
	table   interchange.Table
	look    Look
	mapping Mapping
	facts   Facts
	file    string
	out     bytes.Buffer
	line    int // rows written, blank ones as well
	columns []interchange.Column
	from    []int // column of the spreadsheet for each of columns; -1 for none
	next    int
	values  []string
}

// plan decides which columns are written, and writes their names into the row of the headings, so that row numbers stay.
func (c *converter) plan() {
	for _, column := range c.table.Columns {
		at := slices.IndexFunc(c.mapping.Columns, func(ch Choice) bool { return ch.Column == column.Name })
		switch {
		case at >= 0:
			c.Labels[column.Name] = c.look.Columns[at].Label
		case column.Name == "code" && c.mapping.Make && MakesCodes(c.table):
			c.Labels[column.Name] = "code (made)"
		case !column.Optional:
			c.Labels[column.Name] = column.Name + " (the same in all rows)"
		default:
			continue
		}
		c.columns, c.from = append(c.columns, column), append(c.from, at)
	}
	c.values = make([]string, len(c.columns))
	for n, column := range c.columns {
		c.values[n] = column.Name
	}
	c.write(c.look.Head)
}

func (c *converter) write(number int) {
	for c.line++; c.line < number; c.line++ {
		c.out.WriteByte('\n')
	}
	for n, v := range c.values {
		if n > 0 {
			c.out.WriteByte(',')
		}
		if strings.ContainsAny(v, "\",\r\n") || v == "" && len(c.values) == 1 {
			v = `"` + strings.ReplaceAll(v, `"`, `""`) + `"`
		}
		c.out.WriteString(v)
	}
	c.out.WriteByte('\n')
}

func (c *converter) wrong(row int, label, words string) {
	if len(c.Faults) == MostFaults {
		c.More++
		return
	}
	c.Faults = append(c.Faults, interchange.Fault{File: c.file, Row: row, Column: label, Words: words})
}

func (c *converter) row(row Row) {
	if beyond := c.look.fields; beyond > 0 && len(row.Cells) > beyond && (Row{Cells: row.Cells[beyond:]}).filled() > 0 {
		c.wrong(row.Number, "", fmt.Sprintf("has %d fields, and there are %d headings; does a value hold what divides the columns? Then it needs quotes around it", len(row.Cells), beyond))
		return
	}
	something := false
	for _, at := range c.from {
		something = something || at >= 0 && !row.at(at).blank()
	}
	if !something {
		return
	}
	clear(c.values)
	for n, column := range c.columns {
		at := c.from[n]
		switch {
		case at < 0 && column.Name == "code" && c.mapping.Make && MakesCodes(c.table):
			c.values[n] = Made(c.mapping.Prefix, c.next)
			c.next++
		case at < 0:
			c.values[n] = c.mapping.All[column.Name]
		case isAmount(c.table, column.Name), isPrice(column.Name): // once the rest of the row is known
		default:
			c.put(row, n, func(cell Cell, ch Choice) (string, string) { return c.value(column, at, cell, ch) })
		}
	}
	for n, column := range c.columns {
		if c.from[n] >= 0 && isAmount(c.table, column.Name) {
			c.put(row, n, func(cell Cell, ch Choice) (string, string) { return c.amount(column, c.from[n], cell, ch) })
		}
	}
	for n, column := range c.columns { // and a price once the amount is
		if c.from[n] >= 0 && isPrice(column.Name) {
			c.put(row, n, func(cell Cell, ch Choice) (string, string) { return c.price(row, column, c.from[n], cell, ch) })
		}
	}
	c.write(row.Number)
}

// put fills one value of the row from its cell.
func (c *converter) put(row Row, n int, read func(Cell, Choice) (value, wrong string)) {
	at := c.from[n]
	cell := row.at(at)
	wrong := cell.Wrong
	if wrong == "" {
		c.values[n], wrong = read(cell, c.mapping.Columns[at])
	}
	if wrong != "" {
		c.wrong(row.Number, c.look.Columns[at].Label, wrong)
	}
}

func (c *converter) value(column interchange.Column, at int, cell Cell, ch Choice) (value, wrong string) {
	if isList(column) {
		return ch.Words[cell.Text], ""
	}
	if cell.Text == "" {
		return "", ""
	}
	switch column.Kind {
	case interchange.Code, interchange.UnitCode:
		return c.code(column, cell.Text)
	case interchange.Decimal, interchange.Integer:
		d, f, wrong := c.figure(at, cell, ch)
		if wrong == "" && f.unit != "" && !c.idle(column, f.unit) {
			wrong = fmt.Sprintf("\"%s\": what does \"%s\" stand for behind the number?", clip(cell.Text), clip(f.unit))
		}
		if wrong == "" && f.money != "" {
			wrong = fmt.Sprintf("\"%s\" is money, and %s is not", clip(cell.Text), column.Name)
		}
		return plain(d), wrong
	case interchange.Date:
		day, _ := splitTime(cell.Text)
		return c.day(at, cell, day, ch)
	case interchange.Moment:
		return c.moment(column, at, cell, ch)
	}
	return cell.Text, ""
}

// code takes a name for the code that the book has for it: makers write names where the book has codes.
func (c *converter) code(column interchange.Column, text string) (value, wrong string) {
	known := c.facts.Codes[column.Name]
	if _, is := known[text]; is || known == nil {
		return text, ""
	}
	code, named := known[nameKey(text)]
	switch {
	case !named:
		return text, ""
	case code == "":
		return "", fmt.Sprintf("more than one %s is called \"%s\"; write its code", column.Name, clip(text))
	}
	return code, ""
}

// nameKey keeps names apart from codes in one map: no code begins with a line feed.
func nameKey(name string) string { return "\n" + Fold(name) }

// Called notes what a code stands for in a map of Facts.Codes.
func Called(codes map[string]string, code, name string) {
	codes[code] = code
	key := nameKey(name)
	if Fold(name) == "" {
		return
	}
	if _, twice := codes[key]; twice {
		codes[key] = ""
		return
	}
	codes[key] = code
}

func plain(d decimal.Decimal) string { return d.String() }

// figure reads a number by the mark that the column is known or said to have.
func (c *converter) figure(at int, cell Cell, ch Choice) (decimal.Decimal, figure, string) {
	mark, ask := c.look.Columns[at].marks.settled()
	if ask {
		mark = ch.Decimals
	}
	if cell.Kind == Number {
		mark = Point
	}
	f, ok := figureOf(cell.Text)
	d, read := number(f.digits, mark)
	if !ok || !read || cell.Kind == Day {
		words := fmt.Sprintf("\"%s\" is no number", clip(cell.Text))
		if ok && ask {
			words += " when it is read with a " + mark
		}
		return d, f, words
	}
	return d, f, ""
}

// idle tells whether what stands behind a number says nothing that its column does not say.
func (c *converter) idle(column interchange.Column, unit string) bool {
	unit = strings.ToLower(strings.Join(strings.Fields(unit), " "))
	return slices.Contains(tails[column.Name], unit) || strings.HasPrefix(column.Name, "units") && slices.Contains(countTails, unit)
}

// amount turns an amount into the unit that its material is counted in.
func (c *converter) amount(column interchange.Column, at int, cell Cell, ch Choice) (value, wrong string) {
	if cell.Text == "" {
		return "", ""
	}
	d, f, wrong := c.figure(at, cell, ch)
	if wrong != "" {
		return "", wrong
	}
	unit := ch.Unit
	if unit == OwnUnit {
		unit = ""
	}
	if f.unit != "" {
		if unit = unitOf(f.unit); unit == "" {
			return "", fmt.Sprintf("\"%s\": \"%s\" is no unit that is known", clip(cell.Text), clip(f.unit))
		}
	}
	if f.money != "" {
		return "", fmt.Sprintf("\"%s\" is money, and %s is not", clip(cell.Text), column.Name)
	}
	kept, known := c.kept(column)
	if unit == "" {
		return plain(d), ""
	}
	if !known {
		// What is not in the book is refused by the check that follows, which names it.
		return plain(d), ""
	}
	in, err := measure.Intake(d, unit, kept.Unit, kept.Density)
	if err != nil {
		return "", fmt.Sprintf("\"%s\": %s", clip(cell.Text), unitFault(err, kept.Unit, unit))
	}
	return plain(in), ""
}

// unitFault says why an amount in a unit is none in the one that the material is kept in.
func unitFault(err error, kept, unit string) string {
	if kept == "each" || unit == "each" {
		return "The material is counted in " + kept + "."
	}
	return fault.As(err).Message
}

// kept is what the row's material is counted in.
func (c *converter) kept(column interchange.Column) (Kept, bool) {
	at := func(name string) string {
		for n, column := range c.columns {
			if column.Name == name {
				return c.values[n]
			}
		}
		return ""
	}
	if column.Name == "net_content_g" {
		return Kept{Unit: "g"}, true
	}
	if c.table.Name == "batch_inputs" && at("source_batch") != "" {
		if at("unit") == "each" {
			return Kept{Unit: "each"}, true
		}
		return Kept{Unit: "g"}, true
	}
	for _, name := range []string{"material", "material_lot", "source_lot"} {
		if kept, ok := c.facts.Kept[at(name)]; ok {
			return kept, true
		}
	}
	return Kept{}, false
}

func (c *converter) day(at int, cell Cell, text string, ch Choice) (iso, wrong string) {
	order, ask := c.look.Columns[at].orders.settled()
	if ask {
		order = ch.Dates
	}
	iso, ok := date(text, order)
	if !ok && len(cell.Text) > 10 && cell.Text[10] == 'T' {
		iso, ok = date(cell.Text[:10], order)
	}
	if !ok && cell.Kind == Text {
		if iso, ok = monthOnly(text, ch.Month); ok && ch.Month == NoDay {
			return "", fmt.Sprintf("\"%s\" is a month without a day", clip(cell.Text))
		}
	}
	switch {
	case ok:
		return iso, ""
	case ask:
		return "", fmt.Sprintf("\"%s\" is no day with the %s first", clip(cell.Text), order)
	}
	return "", fmt.Sprintf("\"%s\" is no day that there is", clip(cell.Text))
}

func (c *converter) moment(column interchange.Column, at int, cell Cell, ch Choice) (value, wrong string) {
	if value, wrong := column.Value(cell.Text); wrong == "" {
		return value, ""
	}
	day, clock := splitTime(cell.Text)
	iso, wrong := c.day(at, cell, day, ch)
	if wrong != "" {
		return "", wrong
	}
	if clock == "" {
		clock = ch.Time
	}
	h, m, s, ok := clockTime(clock)
	if !ok {
		return "", fmt.Sprintf("\"%s\" has no time of day that there is", clip(cell.Text))
	}
	return moment(iso, h, m, s, c.facts.Zone)
}

// hold finds cells that were merged below the headings in a column that is taken over: all but the first are empty, and
// whether they were meant to hold the same nobody knows.
func (c *converter) hold(a area) {
	if a.top <= c.look.Head {
		return
	}
	for _, at := range c.from {
		if at >= a.left && at <= a.right {
			c.wrong(a.top, c.look.Columns[at].Label, fmt.Sprintf("the cells %s are merged; part them and give each its own value", a.name))
			return
		}
	}
}
