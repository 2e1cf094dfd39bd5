package sheet

import (
	"bytes"
	"encoding/binary"
	"errors"
	"io"
	"unicode/utf16"
	"unicode/utf8"

	"golang.org/x/text/encoding/charmap"

	"example.org/stillroom/internal/interchange"
)

// commas are what divides columns, in the order in which a tie is decided: a comma stands inside a value more often than
// a semicolon, and that more often than a tab.
var commas = []byte{'\t', ';', ','}

func openText(data []byte, comma byte) (*Book, error) {
	b := &Book{Comma: comma, data: data}
	if order := wideOrder(data); order != nil {
		text, err := narrow(data[2:], order)
		if err != nil {
			return nil, err
		}
		b.data, b.wide = text, true
	} else if western(data) {
		text, err := charmap.Windows1252.NewDecoder().Bytes(data)
		if err != nil {
			return nil, broken("the file is neither UTF-8 nor Windows-1252 text")
		}
		b.data, b.Western = text, true
	}
	if b.Comma == 0 {
		b.Comma = findComma(b.data)
	}
	return b, nil
}

// wideOrder is the order of the bytes of a text in UTF-16, as its byte-order mark says it; nil where there is none. It is
// what spreadsheets save as "Unicode text", divided by tabs.
func wideOrder(data []byte) binary.ByteOrder {
	switch {
	case bytes.HasPrefix(data, []byte("\xFF\xFE")):
		return binary.LittleEndian
	case bytes.HasPrefix(data, []byte("\xFE\xFF")):
		return binary.BigEndian
	}
	return nil
}

// narrow turns UTF-16 into UTF-8. Half of a pair becomes a byte that no UTF-8 has, so that its cell is found broken; a
// decoder that puts U+FFFD in its place would hide it.
func narrow(data []byte, order binary.ByteOrder) ([]byte, error) {
	if len(data)%2 != 0 {
		return nil, broken("the file is cut off: it is UTF-16 text and ends within a character; save it anew and send it again")
	}
	text := make([]byte, 0, len(data))
	for len(data) > 0 {
		r := rune(order.Uint16(data))
		data = data[2:]
		if utf16.IsSurrogate(r) && len(data) > 0 {
			if pair := utf16.DecodeRune(r, rune(order.Uint16(data))); pair != utf8.RuneError {
				r, data = pair, data[2:]
			}
		}
		if utf16.IsSurrogate(r) {
			text = append(text, 0xFF)
			continue
		}
		text = utf8.AppendRune(text, r)
	}
	return text, nil
}

// western tells whether a text is no UTF-8. One that holds more whole characters of several bytes than broken ones was
// UTF-8 and is damaged: read as Windows-1252 its names would be spoilt without a word.
func western(data []byte) bool {
	if bytes.HasPrefix(data, []byte("\xEF\xBB\xBF")) {
		return false
	}
	whole, torn := 0, 0
	for len(data) > 0 {
		r, size := utf8.DecodeRune(data)
		switch {
		case r == utf8.RuneError && size == 1:
			torn++
		case size > 1:
			whole++
		}
		data = data[size:]
	}
	return torn > 0 && torn >= whole
}

// findComma finds what divides columns from the first line that has any of it outside quotes.
func findComma(data []byte) byte {
	counts, quoted := map[byte]int{}, false
	for n, c := range data {
		switch {
		case c == '"':
			quoted = !quoted
		case quoted:
		case c == '\n':
			if bytes.HasPrefix(data, []byte("sep=")) && n > 4 { // a line that some programs write for themselves
				return data[4]
			}
			if found := most(counts); found != 0 {
				return found
			}
		case bytes.IndexByte(commas, c) >= 0:
			counts[c]++
		}
	}
	if found := most(counts); found != 0 {
		return found
	}
	return ','
}

func most(counts map[byte]int) (found byte) {
	for _, c := range commas {
		if counts[c] > counts[found] {
			found = c
		}
	}
	return found
}

func (b *Book) textRows(give func(Row) bool) error {
	records, err := interchange.NewRecords(bytes.NewReader(b.data), b.Comma)
	row := 1
	for err == nil {
		var cells []string
		if cells, err = records.Next(); err != nil {
			row = records.Row()
			break
		}
		if len(cells) > MostColumns {
			return &Broken{Row: records.Row(), Words: tooWide}
		}
		r := Row{Number: records.Row(), Cells: make([]Cell, len(cells))}
		for n, text := range cells {
			r.Cells[n].Text = text
		}
		if !give(r) {
			return nil
		}
	}
	var bad interchange.BadRow
	if errors.As(err, &bad) {
		return &Broken{Row: row, Words: bad.Words}
	}
	if errors.Is(err, io.EOF) {
		return nil
	}
	return err
}
