package sheet

import (
	"encoding/xml"
	"errors"
	"io"
	"slices"
	"strconv"
	"strings"
)

// area is a block of cells that were merged into one; columns from 0.
type area struct {
	name                     string
	top, bottom, left, right int
}

// sheetRows reads the cells of a sheet one row at a time. The merged cells stand behind them in the file, and are known
// at the end.
func (b *Book) sheetRows(name string, give func(Row) bool) error {
	at := slices.IndexFunc(b.work.sheets, func(s sheetPart) bool { return s.name == name })
	if at < 0 {
		return broken("the workbook has no sheet %q", name)
	}
	b.merged = nil
	s := reading{workbook: b.work, give: give}
	p, err := b.work.open(b.work.sheets[at].path)
	if p == nil && err == nil {
		err = io.ErrUnexpectedEOF
	}
	if err == nil {
		defer p.close()
		s.part = p
		err = s.read(b)
	}
	if err == nil || errors.Is(err, errStop) {
		return nil
	}
	err = damaged(err)
	if bad := (*Broken)(nil); errors.As(err, &bad) && bad.Row == 0 && s.row > 0 {
		return &Broken{Row: s.row, Column: bad.Column, Words: bad.Words}
	}
	return err
}

var errStop = errors.New("nobody wants more rows")

// reading is one sheet that is read.
type reading struct {
	*workbook
	*part
	give func(Row) bool
	row  int
}

func (s *reading) read(b *Book) error {
	whole := false
	for {
		s.done()
		t, err := s.next()
		if errors.Is(err, io.EOF) {
			if !whole {
				return io.ErrUnexpectedEOF
			}
			return nil
		}
		if err != nil {
			return err
		}
		if end, ok := t.(xml.EndElement); ok && end.Name.Local == "worksheet" {
			whole = true
		}
		e, ok := t.(xml.StartElement)
		if !ok {
			continue
		}
		switch e.Name.Local {
		case "row":
			if err := s.readRow(e); err != nil {
				return err
			}
		case "mergeCell":
			if a, ok := areaOf(attr(e, "ref")); ok {
				b.merged = append(b.merged, a)
			}
		}
	}
}

func (s *reading) readRow(e xml.StartElement) error {
	number := s.row + 1
	if r := attr(e, "r"); r != "" {
		n, err := strconv.Atoi(r)
		if err != nil || n < number || n > 1<<20 {
			return broken("the workbook is damaged: after row %d comes row %q", s.row, clip(r))
		}
		number = n
	}
	s.row = number
	row := Row{Number: number}
	for {
		t, err := s.next()
		if err != nil {
			return cut(err)
		}
		switch t := t.(type) {
		case xml.EndElement:
			if t.Name.Local == "row" {
				if !s.give(row) {
					return errStop
				}
				return nil
			}
		case xml.StartElement:
			if t.Name.Local != "c" {
				continue
			}
			at := len(row.Cells)
			if ref := attr(t, "r"); ref != "" {
				column, _, ok := place(ref)
				if !ok || column < at {
					return broken("the workbook is damaged: a cell is called %q", clip(ref))
				}
				at = column
			}
			cell, err := s.cell(t)
			if err != nil {
				return err
			}
			if at >= MostColumns {
				if cell.Text == "" && cell.Wrong == "" {
					continue // formats often reach to the last column
				}
				return &Broken{Row: number, Words: tooWide}
			}
			row.Cells = append(append(row.Cells, make([]Cell, at-len(row.Cells))...), cell)
		}
	}
}

// cell reads one cell: of a formula, the result that was stored with it.
func (s *reading) cell(e xml.StartElement) (Cell, error) {
	var value strings.Builder
	var text string
	in, formula, stored := "", false, false
	for {
		t, err := s.next()
		if err != nil {
			return Cell{}, cut(err)
		}
		switch t := t.(type) {
		case xml.StartElement:
			in = t.Name.Local
			switch in {
			case "f":
				formula = true
			case "v":
				stored = true
			case "is":
				if text, err = s.text("is"); err != nil {
					return Cell{}, err
				}
				in = ""
			}
		case xml.CharData:
			if in == "v" {
				value.Write(t)
			}
		case xml.EndElement:
			if in = ""; t.Name.Local == "c" {
				style, _ := strconv.Atoi(attr(e, "s")) // one that is no number is the plain style 0
				return s.valued(attr(e, "t"), style, value.String(), text, formula, stored), nil
			}
		}
	}
}

func (s *reading) valued(kind string, style int, value, text string, formula, stored bool) Cell {
	switch {
	case kind == "e":
		return Cell{Text: value, Wrong: "it holds the error " + clip(value)}
	case formula && (!stored || value == "" && kind != "str"):
		return Cell{Wrong: "its formula has no stored result; open the file in your spreadsheet program, save it there and send it again"}
	case kind == "s":
		n, err := strconv.Atoi(value)
		if err != nil || n < 0 || n >= len(s.texts) {
			return Cell{Wrong: "it points to a text that the workbook does not have"}
		}
		return Cell{Text: s.texts[n]}
	case kind == "inlineStr":
		return Cell{Text: text}
	case kind == "str":
		return Cell{Text: unescape(value)}
	case kind == "b" && value == "1":
		return Cell{Text: "true"}
	case kind == "b" && value == "0":
		return Cell{Text: "false"}
	case kind == "d":
		return Cell{Text: strings.TrimSuffix(strings.Replace(value, "T", " ", 1), " 00:00:00"), Kind: Day}
	case strings.TrimSpace(value) == "":
		return Cell{}
	}
	return s.number(strings.TrimSpace(value), style)
}

// place reads the name of a cell, such as AB12; column from 0.
func place(name string) (column, row int, ok bool) {
	letters := 0
	for letters < len(name) && name[letters] >= 'A' && name[letters] <= 'Z' && letters < 4 {
		column = column*26 + int(name[letters]-'A') + 1
		letters++
	}
	row, err := strconv.Atoi(name[letters:])
	return column - 1, row, letters > 0 && letters < 4 && err == nil && row > 0
}

func areaOf(ref string) (area, bool) {
	from, to, _ := strings.Cut(ref, ":")
	left, top, ok := place(from)
	right, bottom, also := place(to)
	return area{ref, top, bottom, left, right}, ok && also
}
