package sheet

import (
	"fmt"
	"maps"
	"slices"
	"strconv"
	"strings"
	"unicode/utf8"

	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/interchange"
	"example.org/stillroom/internal/quantity"
)

// Choice is what a maker said about one column of a spreadsheet.
type Choice struct {
	Column   string            `json:"column"`             // of the table; "" leaves it out
	Dates    string            `json:"dates,omitempty"`    // DayFirst or MonthFirst, where it had to be asked
	Month    string            `json:"month,omitempty"`    // LastDay, FirstDay or NoDay, where months without a day are there
	Decimals string            `json:"decimals,omitempty"` // Point or Comma, where it had to be asked
	Unit     string            `json:"unit,omitempty"`     // of numbers without one; "" is the material's own
	Price    string            `json:"price,omitempty"`    // what prices are for that do not say it: OwnPrice, LotPrice or one of PriceFors
	Time     string            `json:"time,omitempty"`     // of days without one, 09:00
	Words    map[string]string `json:"words,omitempty"`    // of the table's list by the maker's word
}

// OwnUnit says of numbers without a unit that they are in the material's own, where that had to be asked.
const OwnUnit = "own"

// Mapping is how a spreadsheet becomes a table.
type Mapping struct {
	Columns []Choice          // by column of the spreadsheet
	All     map[string]string // one value for all rows, by column of the table
	Make    bool              // codes are made: Prefix and a number
	Prefix  string
}

// Field names the field of a form in which something is said about the mapping.
func Field(part string, at ...any) string {
	for _, a := range at {
		part += fmt.Sprintf("-%v", a)
	}
	return part
}

// Parts of the form.
const (
	PartColumn, PartDates, PartDecimals, PartUnit, PartTime = "column", "dates", "decimals", "unit", "time"
	PartWord, PartAll, PartMake, PartPrefix                 = "word", "all", "make", "prefix"
	PartMonth, PartPrice                                    = "month", "price"
)

// Suggested is what the headings and words look like.
func (l Look) Suggested(t interchange.Table) Mapping {
	m := Mapping{Columns: make([]Choice, len(l.Columns)), All: map[string]string{}}
	for n, name := range Suggest(t, l.Headings()) {
		m.Columns[n].Column = name
		if isAmount(t, name) {
			m.Columns[n].Unit = headingUnit(l.Columns[n].Heading)
		}
		if isPrice(name) {
			_, m.Columns[n].Price = pricedHeading(l.Columns[n].Heading)
		}
	}
	return l.WithWords(t, m)
}

// WithWords suggests what the words of lists stand for, where nothing was said yet.
func (l Look) WithWords(t interchange.Table, m Mapping) Mapping {
	m.Columns = slices.Clone(m.Columns)
	for n := range m.Columns {
		ch := &m.Columns[n]
		c, ok := column(t, ch.Column)
		if !ok || !isList(c) {
			continue
		}
		words := map[string]string{}
		for _, w := range l.Columns[n].words {
			if words[w] = ch.Words[w]; words[w] == "" {
				words[w] = SuggestWord(c, w)
			}
		}
		ch.Words = words
	}
	return m
}

// Memory is a mapping by headings, for the next spreadsheet that has the same.
type Memory struct {
	Columns map[string]Choice `json:"columns"`
	All     map[string]string `json:"all,omitempty"`
	Make    bool              `json:"make,omitempty"`
	Prefix  string            `json:"prefix,omitempty"`
}

// Remember keeps what holds for the next file too: a day or a number that was given for all rows does not.
func (l Look) Remember(t interchange.Table, m Mapping) Memory {
	kept := Memory{Columns: map[string]Choice{}, All: map[string]string{}, Make: m.Make, Prefix: m.Prefix}
	for n, key := range l.keys() {
		kept.Columns[key] = m.Columns[n]
	}
	for name, value := range m.All {
		if c, ok := column(t, name); ok && (isList(c) || c.Kind == interchange.Code || c.Kind == interchange.Text) {
			kept.All[name] = value
		}
	}
	return kept
}

// Recall is the mapping as it was the last time, with what is new in this file suggested.
func (l Look) Recall(t interchange.Table, kept Memory) Mapping {
	m := Mapping{Columns: make([]Choice, len(l.Columns)), All: map[string]string{}, Make: kept.Make, Prefix: kept.Prefix}
	for n, key := range l.keys() {
		m.Columns[n] = kept.Columns[key]
	}
	maps.Copy(m.All, kept.All)
	return l.WithWords(t, m)
}

func column(t interchange.Table, name string) (interchange.Column, bool) {
	at := slices.IndexFunc(t.Columns, func(c interchange.Column) bool { return c.Name == name })
	if at < 0 {
		return interchange.Column{}, false
	}
	return t.Columns[at], true
}

func isList(c interchange.Column) bool {
	return c.Kind == interchange.Word || c.Kind == interchange.Bool
}

func isNumber(c interchange.Column) bool {
	return c.Kind == interchange.Decimal || c.Kind == interchange.Integer
}

func isAmount(t interchange.Table, name string) bool {
	return slices.Contains(amounts, t.Name+"."+name) || name == "net_content_g"
}

// MakesCodes tells whether a table's codes are the workshop's own numbers, which may be made. A batch's code stands on its
// units and cannot.
func MakesCodes(t interchange.Table) bool {
	c, ok := column(t, "code")
	return ok && c.Kind == interchange.Code && slices.Contains(t.Identity, "code")
}

// Asked is what has to be said about a column, given which column of the table it is.
type Asked struct {
	Dates, Decimals       string // a value that could mean two things; "" where nothing is asked
	MixedDates, MixedMark bool   // some values fit one reading only, and some the other
	Month                 string // a month without a day
	MonthDays             []string
	AsFirst, AsLast       string // what Month means as its first day, and as its last
	Unit                  bool   // numbers without a unit may be in one
	UnitOf                string // such a number, among others that have one: it must be said
	Units                 []string
	Price                 string // a price that does not say what it is for
	AsDay, AsMonth        string // what Dates means with the day first, and with the month first
	AsPoint, AsComma      string // what Decimals means
	Time                  string // a day without a time, where a time is needed
	Words                 []Word // that stand for words of the list
	TooMany               bool   // of them: it is no list
}

// Word is one of a column's different values: At is its place among them, whatever is asked. A row without a value has the
// text "".
type Word struct {
	At   int
	Text string
}

// Ask finds what has to be said about a column.
func (l Look) Ask(t interchange.Table, at int, name string) (a Asked) {
	c, ok := column(t, name)
	if !ok {
		return a
	}
	s := l.Columns[at]
	switch {
	case c.Kind == interchange.Date || c.Kind == interchange.Moment:
		if _, ask := s.orders.settled(); ask {
			a.MixedDates, a.Dates = s.orders.both == "", s.orders.both
			if a.MixedDates {
				a.Dates = s.orders.one
			}
			day, _ := splitTime(a.Dates)
			a.AsDay, _ = date(day, DayFirst)
			a.AsMonth, _ = date(day, MonthFirst)
		}
		if a.Month = s.month; a.Month != "" {
			a.MonthDays = monthDays(c)
			a.AsFirst, _ = monthOnly(a.Month, FirstDay)
			a.AsLast, _ = monthOnly(a.Month, LastDay)
		}
		if c.Kind == interchange.Moment {
			a.Time = s.days
		}
	case isNumber(c):
		if _, ask := s.marks.settled(); ask {
			a.MixedMark, a.Decimals = s.marks.both == "", s.marks.both
			if a.MixedMark {
				a.Decimals = s.Samples[0]
			}
			a.AsPoint, a.AsComma = meaning(a.Decimals, Point), meaning(a.Decimals, Comma)
		}
		if isAmount(t, name) {
			a.Unit, a.Units = s.bare != "", s.units
			if s.bare != "" && len(s.units) > 0 {
				a.UnitOf = s.bare
			}
		}
		if isPrice(name) {
			a.Price = s.bare
		}
	case isList(c):
		if a.TooMany = len(s.words) > MostWords; a.TooMany {
			return a
		}
		for n, w := range s.words {
			if w != "" || !c.Optional {
				a.Words = append(a.Words, Word{n, w})
			}
		}
	}
	return a
}

// Words are a column's different values, in the order in which a form numbers them.
func (l Look) Words(at int) []string { return l.Columns[at].words }

// meaning is what a written number is with one mark, "" where it is none.
func meaning(text, mark string) string {
	f, _ := figureOf(text)
	d, ok := number(f.digits, mark)
	if !ok {
		return ""
	}
	return quantity.Format(d)
}

// Unfilled are the needed columns of the table that no column of the spreadsheet fills, its own code aside where that can be
// made.
func Unfilled(t interchange.Table, m Mapping) (list []interchange.Column, code bool) {
	for _, c := range t.Columns {
		if c.Optional || slices.ContainsFunc(m.Columns, func(ch Choice) bool { return ch.Column == c.Name }) {
			continue
		}
		if c.Name == "code" && MakesCodes(t) {
			code = true
			continue
		}
		list = append(list, c)
	}
	return list, code
}

// Check tells everything that is still to be said, beside its field.
func (l Look) Check(t interchange.Table, m Mapping) error {
	var f fault.Fields
	taken, any := map[string]int{}, false
	for n, ch := range m.Columns {
		if ch.Column == "" {
			continue
		}
		any = true
		c, ok := column(t, ch.Column)
		before, twice := taken[ch.Column]
		switch {
		case !ok:
			f.Add(Field(PartColumn, n), "Choose a column of the table, or leave it out.")
			continue
		case twice:
			f.Add(Field(PartColumn, n), fmt.Sprintf("\"%s\" is taken for %s already. Leave one of them out.", l.Columns[before].Label, ch.Column))
			continue
		}
		taken[ch.Column] = n
		l.checkColumn(&f, n, ch, l.Ask(t, n, c.Name), c)
	}
	if !any {
		f.Add(Field(PartColumn, 0), "Say of at least one column what it is.")
	}
	open, code := Unfilled(t, m)
	for _, c := range open {
		value := m.All[c.Name]
		switch _, wrong := c.Value(value); {
		case c.Name == "code":
			f.Add(Field(PartAll, c.Name), "Each row needs its own code. Choose above which column holds it.")
		case value == "":
			f.Add(Field(PartAll, c.Name), "Choose the column that holds it above, or give one value for all rows.")
		case wrong != "":
			f.Add(Field(PartAll, c.Name), sentence(wrong))
		}
	}
	switch {
	case code && !m.Make:
		f.Add(PartMake, "Choose above which column holds the code, or let codes be made.")
	case code && (strings.TrimSpace(m.Prefix) != m.Prefix || m.Prefix == "" || utf8.RuneCountInString(m.Prefix) > 30):
		f.Add(PartPrefix, "Type how the codes begin, in 1 to 30 characters, such as S-.")
	}
	return f.Err()
}

func (l Look) checkColumn(f *fault.Fields, n int, ch Choice, a Asked, c interchange.Column) {
	if a.Dates != "" && ch.Dates != DayFirst && ch.Dates != MonthFirst {
		f.Add(Field(PartDates, n), fmt.Sprintf("Say what comes first in \"%s\", the day or the month.", clip(a.Dates)))
	}
	checkMonth(f, n, ch, a)
	if a.Decimals != "" && ch.Decimals != Point && ch.Decimals != Comma {
		f.Add(Field(PartDecimals, n), fmt.Sprintf("Say how much \"%s\" is.", clip(a.Decimals)))
	}
	if ch.Unit != "" && ch.Unit != OwnUnit && unitOf(unitName(ch.Unit)) != ch.Unit {
		f.Add(Field(PartUnit, n), "Choose a unit from the list.")
	} else if a.UnitOf != "" && ch.Unit == "" {
		f.Add(Field(PartUnit, n), fmt.Sprintf("Say what \"%s\" is counted in: others in the column have a unit.", clip(a.UnitOf)))
	}
	if _, known := priceFor(ch.Price); a.Price != "" && !known && ch.Price != OwnPrice && ch.Price != LotPrice {
		f.Add(Field(PartPrice, n), fmt.Sprintf("Say what \"%s\" is the price of.", clip(a.Price)))
	}
	if a.Time != "" {
		if _, _, _, ok := clockTime(ch.Time); !ok {
			f.Add(Field(PartTime, n), fmt.Sprintf("\"%s\" has no time of day. Type the time that is to stand for it, such as 09:00.", clip(a.Time)))
		}
	}
	if a.TooMany {
		f.Add(Field(PartColumn, n), fmt.Sprintf("It has more than %d different values, and %s is one of %s. Is it another column?", MostWords, c.Name, strings.Join(c.Words, ", ")))
		return
	}
	for _, w := range a.Words {
		switch {
		case slices.Contains(c.Words, ch.Words[w.Text]):
		case w.Text == "":
			f.Add(Field(PartWord, n, w.At), "Choose what a row without a value is.")
		default:
			f.Add(Field(PartWord, n, w.At), fmt.Sprintf("Choose what \"%s\" stands for.", clip(w.Text)))
		}
	}
}

// unitName is a unit as unitWords has it.
func unitName(unit string) string {
	switch unit {
	case "fl_oz_us":
		return "fl oz (us)"
	case "fl_oz_imp":
		return "fl oz (imperial)"
	case "gal_us":
		return "gal (us)"
	}
	return unit
}

// sentence makes of the words of a check, which follow a place, a sentence beside a field.
func sentence(words string) string {
	if words == "is empty, and is needed" {
		return "It is needed."
	}
	if r, size := utf8.DecodeRuneInString(words); r >= 'a' && r <= 'z' {
		words = "It " + words[:size] + words[size:]
		words = strings.Replace(words, "It it ", "It ", 1)
	}
	return strings.TrimSuffix(words, ".") + "."
}

// Made is the code of the nth row that gets one.
func Made(prefix string, n int) string { return prefix + strconv.Itoa(n) }
