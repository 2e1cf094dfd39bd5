package exchange

import (
	"fmt"
	"slices"
	"strconv"
	"strings"

	"example.org/stillroom/internal/day"
	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/interchange"
	"example.org/stillroom/internal/measure"
	"example.org/stillroom/internal/sheet"
	"example.org/stillroom/internal/store"
	"example.org/stillroom/web/ui"
)

type sheetView struct {
	ID, Key, File, About string
	Table                interchange.Table
	Western              bool
	Update               bool
	LastTime             string // the day on which such a spreadsheet was last taken over
	Sheet, Head, Comma   string
	Sheets, Commas       []ui.Option
	Columns              []columnView
	Open                 []asked // columns that nothing fills
	Code                 bool    // the code is one of them, and can be made
	Make                 bool
	MakeField, PrefixBox ui.Field
	Faults               []interchange.Fault
	More                 int
	Fault                *fault.Fault
}

// columnView is one column of the spreadsheet with everything that is asked about it.
type columnView struct {
	Label   string
	Letter  string
	Samples []string
	Fields  []asked
}

// asked is one question: a list to choose from, or a box where there is none.
type asked struct {
	ui.Field
	Options []ui.Option
}

// unread tells whether the spreadsheet could not be read as it was said.
func (v sheetView) unread() bool {
	return v.Fault.Of(fieldSheet)+v.Fault.Of(fieldHead)+v.Fault.Of(fieldComma) != ""
}

// otherwise is what could have been read in another way.
func (v sheetView) otherwise() string {
	if len(v.Sheets) > 0 {
		return fmt.Sprintf("This is sheet %q with its headings in row %s. Read it otherwise", v.Sheet, v.Head)
	}
	return fmt.Sprintf("The headings are in row %s. Read it otherwise", v.Head)
}

// typedMapping is what the form says.
func typedMapping(f *ui.Form, j sheetJob) sheet.Mapping {
	m := sheet.Mapping{Columns: make([]sheet.Choice, len(j.look.Columns)), All: map[string]string{}, Make: f.On(sheet.PartMake), Prefix: f.Raw(sheet.PartPrefix)}
	for n := range m.Columns {
		ch := sheet.Choice{Words: map[string]string{}}
		ch.Column, ch.Dates, ch.Decimals = f.Raw(sheet.Field(sheet.PartColumn, n)), f.Raw(sheet.Field(sheet.PartDates, n)), f.Raw(sheet.Field(sheet.PartDecimals, n))
		ch.Month, ch.Price = f.Raw(sheet.Field(sheet.PartMonth, n)), f.Raw(sheet.Field(sheet.PartPrice, n))
		ch.Unit, ch.Time = f.Raw(sheet.Field(sheet.PartUnit, n)), strings.TrimSpace(f.Raw(sheet.Field(sheet.PartTime, n)))
		for k, w := range j.look.Words(n) {
			if said := f.Raw(sheet.Field(sheet.PartWord, n, k)); said != "" {
				ch.Words[w] = said
			}
		}
		m.Columns[n] = ch
	}
	for _, c := range j.table.Columns {
		if v := strings.TrimSpace(f.Raw(sheet.Field(sheet.PartAll, c.Name))); v != "" {
			m.All[c.Name] = v
		}
	}
	return m
}

func (j sheetJob) view(r *ui.Request, m sheet.Mapping) sheetView {
	v := sheetView{ID: store.Text(j.ID), Key: r.Form().Raw(fieldKey), File: j.FileName, Table: j.table, Western: j.book.Western, Update: r.Form().On(fieldUpdate),
		Sheet: j.look.Sheet, Head: strconv.Itoa(j.look.Head), Comma: string(j.book.Comma),
		About: "For the table " + j.table.File() + ", " + many(int64(j.look.Rows), "row", "rows") + ", headings in row " + strconv.Itoa(j.look.Head)}
	if v.Key == "" {
		v.Key = ui.NewKey()
	}
	for _, s := range j.book.Sheets {
		v.Sheets = append(v.Sheets, ui.Option{Value: s, Label: s})
	}
	if len(j.book.Sheets) == 0 {
		v.Commas = []ui.Option{{Value: ",", Label: "a comma"}, {Value: ";", Label: "a semicolon"}, {Value: "\t", Label: "a tab"}}
	}
	for n, c := range j.look.Columns {
		v.Columns = append(v.Columns, columnView{Label: c.Label, Letter: sheet.Letters(n), Samples: c.Samples, Fields: j.questions(r, n, m.Columns[n])})
	}
	open, code := sheet.Unfilled(j.table, m)
	for _, c := range open {
		v.Open = append(v.Open, forAll(c, m.All[c.Name]))
	}
	v.Code, v.Make = code, m.Make
	v.MakeField = ui.Field{Name: sheet.PartMake, Label: "Make codes for these rows", Hint: "Numbers that no code has yet. The same spreadsheet sent again gets new ones, and its rows come in twice."}
	v.PrefixBox = ui.Field{Name: sheet.PartPrefix, Label: "The codes begin with", Hint: "Such as S- for S-1, S-2 and so on.", Value: m.Prefix, Max: 30}
	return v
}

// questions are what is asked about one column: what it is, and what follows from that.
func (j sheetJob) questions(r *ui.Request, n int, ch sheet.Choice) []asked {
	name := func(part string) string { return sheet.Field(part, n) }
	label := j.look.Columns[n].Label
	list := []asked{{ui.Field{Name: name(sheet.PartColumn), Label: fmt.Sprintf("What %q is", label), Value: ch.Column, Placeholder: "Leave it out"}, columnOptions(j.table)}}
	a := j.look.Ask(j.table, n, ch.Column)
	if a.Dates != "" {
		options := []ui.Option{{Value: sheet.DayFirst, Label: "The day", Hint: shown(r, a.AsDay)}, {Value: sheet.MonthFirst, Label: "The month", Hint: shown(r, a.AsMonth)}}
		list = append(list, asked{ui.Field{Name: name(sheet.PartDates), Label: fmt.Sprintf("What comes first in %q?", a.Dates), Value: ch.Dates, Placeholder: "Choose", Hint: mixed(a.MixedDates)}, options})
	}
	if a.Month != "" {
		list = append(list, monthQuestion(r, name(sheet.PartMonth), ch, a))
	}
	if a.Decimals != "" {
		options := []ui.Option{{Value: sheet.Point, Label: "A point before decimals", Hint: a.AsPoint}, {Value: sheet.Comma, Label: "A comma before decimals", Hint: a.AsComma}}
		list = append(list, asked{ui.Field{Name: name(sheet.PartDecimals), Label: fmt.Sprintf("How much is %q?", a.Decimals), Value: ch.Decimals, Placeholder: "Choose", Hint: mixed(a.MixedMark)}, options})
	}
	if len(a.Units) > 0 || a.Unit {
		list = append(list, unitQuestion(name(sheet.PartUnit), ch, a))
	}
	if a.Price != "" {
		list = append(list, priceQuestion(name(sheet.PartPrice), ch, a))
	}
	if a.Time != "" {
		list = append(list, asked{ui.Field{Name: name(sheet.PartTime), Label: "Time of day where there is none", Hint: fmt.Sprintf("%q has none.", a.Time), Type: "time", Value: ch.Time}, nil})
	}
	if c, ok := columnOf(j.table, ch.Column); ok {
		for _, w := range a.Words {
			words := fmt.Sprintf("What %q stands for", w.Text)
			if w.Text == "" {
				words = "What a row without a value is"
			}
			list = append(list, asked{ui.Field{Name: sheet.Field(sheet.PartWord, n, w.At), Label: words, Value: ch.Words[w.Text], Placeholder: "Choose"}, wordOptions(c)})
		}
	}
	return list
}

func mixed(is bool) string {
	if is {
		return "Some values fit one reading only, and some the other: those that do not fit are faults."
	}
	return ""
}

// shown is a day in the workshop's style; nothing where the text is none.
func shown(r *ui.Request, iso string) string {
	d, err := day.Parse(iso)
	if err != nil {
		return ""
	}
	return r.Workshop.Style.Day(d)
}

func monthQuestion(r *ui.Request, name string, ch sheet.Choice, a sheet.Asked) asked {
	words := map[string]ui.Option{
		sheet.LastDay:  {Value: sheet.LastDay, Label: "The last of the month", Hint: shown(r, a.AsLast)},
		sheet.FirstDay: {Value: sheet.FirstDay, Label: "The first of the month", Hint: shown(r, a.AsFirst)},
		sheet.NoDay:    {Value: sheet.NoDay, Label: "None: a month without a day is a fault"},
	}
	q := asked{ui.Field{Name: name, Label: fmt.Sprintf("Which day does %q stand for?", a.Month), Value: ch.Month, Placeholder: "Choose"}, nil}
	for _, as := range a.MonthDays {
		q.Options = append(q.Options, words[as])
	}
	return q
}

func unitQuestion(name string, ch sheet.Choice, a sheet.Asked) asked {
	q := asked{ui.Field{Name: name, Label: "Numbers without a unit are in", Value: ch.Unit, Placeholder: "the material's own unit"}, nil}
	if len(a.Units) > 0 {
		q.Hint = "Amounts with a unit (" + strings.Join(a.Units[:min(len(a.Units), 5)], ", ") + ") are turned into the material's own."
	}
	if a.UnitOf != "" {
		q.Placeholder = "Choose"
		q.Options = append(q.Options, ui.Option{Value: sheet.OwnUnit, Label: "the material's own unit"})
	}
	for _, u := range append(measure.IntakeUnits("g"), measure.IntakeUnits("each")...) {
		q.Options = append(q.Options, ui.Option{Value: u.Name, Label: u.Words})
	}
	return q
}

func priceQuestion(name string, ch sheet.Choice, a sheet.Asked) asked {
	q := asked{ui.Field{Name: name, Label: fmt.Sprintf("What is %q the price of?", a.Price), Value: ch.Price, Placeholder: "Choose", Hint: "The book keeps the price of one g, ml or piece, rounded to a millionth, without its currency."}, []ui.Option{
		{Value: sheet.OwnPrice, Label: "one g, ml or piece, as the material is counted"},
		{Value: sheet.LotPrice, Label: "the whole lot", Hint: "divided by the quantity of its row"},
	}}
	for _, p := range sheet.PriceFors {
		q.Options = append(q.Options, ui.Option{Value: p.Name, Label: p.Words})
	}
	return q
}

func columnOf(t interchange.Table, name string) (interchange.Column, bool) {
	at := slices.Index(t.Header(), name)
	if at < 0 {
		return interchange.Column{}, false
	}
	return t.Columns[at], true
}

func columnOptions(t interchange.Table) (list []ui.Option) {
	for _, c := range t.Columns {
		hint := ""
		if !c.Optional {
			hint = "needed"
		}
		list = append(list, ui.Option{Value: c.Name, Label: strings.ReplaceAll(c.Name, "_", " "), Hint: hint})
	}
	return list
}

func wordOptions(c interchange.Column) (list []ui.Option) {
	for _, w := range c.Words {
		list = append(list, ui.Option{Value: w, Label: strings.ReplaceAll(w, "_", " ")})
	}
	return list
}

// forAll asks for one value for all rows.
func forAll(c interchange.Column, value string) asked {
	f := ui.Field{Name: sheet.Field(sheet.PartAll, c.Name), Label: strings.ReplaceAll(c.Name, "_", " "), Hint: c.Doc, Value: value}
	switch {
	case len(c.Words) > 0:
		f.Placeholder = "Choose"
		return asked{f, wordOptions(c)}
	case c.Kind == interchange.Date:
		f.Type = "date"
	case c.Kind == interchange.Decimal:
		f.Type = "decimal"
	case c.Kind == interchange.Integer:
		f.Type = "number-whole"
	}
	return asked{f, nil}
}

// put puts each fault beside its field.
func (v *sheetView) put(f *fault.Fault) {
	v.Fault = f
	for n := range v.Columns {
		for k := range v.Columns[n].Fields {
			q := &v.Columns[n].Fields[k]
			q.Error = f.Of(q.Name)
		}
	}
	for n := range v.Open {
		v.Open[n].Error = f.Of(v.Open[n].Name)
	}
	v.MakeField.Error, v.PrefixBox.Error = f.Of(v.MakeField.Name), f.Of(v.PrefixBox.Name)
}

// labels are the words above the fields, for the summary of what is off.
func (v sheetView) labels() map[string]string {
	labels := map[string]string{fieldSheet: "Sheet", fieldHead: "Row of the headings", fieldComma: "Columns are divided by", v.MakeField.Name: "code", v.PrefixBox.Name: v.PrefixBox.Label}
	for _, c := range v.Columns {
		for _, q := range c.Fields {
			labels[q.Name] = c.Label
		}
	}
	for _, q := range v.Open {
		labels[q.Name] = q.Label
	}
	return labels
}
