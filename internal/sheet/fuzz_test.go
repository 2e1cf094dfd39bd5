package sheet

import (
	"bytes"
	"encoding/binary"
	"encoding/csv"
	"errors"
	"io"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/xuri/excelize/v2"

	"example.org/stillroom/internal/interchange"
)

// holdBook reads a book through, whatever it holds, and makes a table of it with every question answered. What comes out is
// read by the interchange's own reader without a fault of form, and its rows have the numbers of the spreadsheet's.
func holdBook(t *testing.T, b *Book, of interchange.Table, order, mark string) {
	sheet := ""
	if len(b.Sheets) > 0 {
		sheet = b.Sheets[0]
	}
	l, err := b.Look(sheet, 0)
	if bad := (*Broken)(nil); errors.As(err, &bad) {
		return
	}
	if err != nil {
		t.Fatalf("an error that says nothing to a maker: %v", err)
	}
	m := l.Suggested(of)
	for n := range m.Columns {
		ch := &m.Columns[n]
		if n < len(of.Columns) && ch.Column == "" {
			ch.Column = of.Columns[n].Name
			for k := range n {
				if m.Columns[k].Column == ch.Column {
					ch.Column = ""
				}
			}
			for k := n + 1; k < len(m.Columns); k++ {
				if m.Columns[k].Column == ch.Column {
					ch.Column = ""
				}
			}
		}
		ch.Month, ch.Price = []string{FirstDay, NoDay}[n%2], []string{OwnPrice, LotPrice, "lb"}[n%3]
		ch.Dates, ch.Decimals, ch.Time, ch.Words = order, mark, "08:00", map[string]string{}
		if c, ok := column(of, ch.Column); ok && len(c.Words) > 0 {
			for _, w := range l.Words(n) {
				ch.Words[w] = c.Words[0]
			}
		}
	}
	r, err := b.Convert("fuzz", of, l, m, Facts{Zone: time.UTC})
	if err != nil {
		t.Fatalf("it was read once, and then: %v", err)
	}
	if len(r.Faults) > 0 {
		return
	}
	numbers := map[int]bool{}
	for row, err := range b.Rows(sheet) {
		if err != nil {
			t.Fatal(err)
		}
		numbers[row.Number] = true
	}
	records, err := interchange.NewRecords(bytes.NewReader(r.CSV), ',')
	if err != nil {
		t.Fatal(err)
	}
	for width := 0; ; {
		row, err := records.Next()
		if errors.Is(err, io.EOF) {
			return
		}
		if err != nil {
			t.Fatalf("row %d of what was made: %v\n%s", records.Row(), err, r.CSV)
		}
		if width == 0 {
			width = len(row)
		}
		if len(row) != width || !numbers[records.Row()] {
			t.Fatalf("row %d of what was made is none of the spreadsheet's, or has %d of %d fields:\n%s", records.Row(), len(row), width, r.CSV)
		}
	}
}

func tableAt(n int) interchange.Table {
	list := interchange.Tables()
	return list[(n%len(list)+len(list))%len(list)]
}

func FuzzText(f *testing.F) {
	for n, text := range []string{"", "a,b\n1,2\n", "Name;Price\n\"x;\n y\";1.250,5\n", "\xEF\xBB\xBFcode\tname\r\n1\tx\r\n", "caf\xe9,b\n1,2\n", "a,\"b\n", "a\x00,b\n1,2\n", "\xff\xfea\x00", "sep=;\na;b\n1;2\n",
		"Lot no;Received;Qty\nL-1;03/04/2026;1,250 kg\n", "a;a;\n1;2;3\n", "title\n\n a, b\n,\n1,2,3\n",
		"Lot no,Material,Qty,Price\nL-1,OIL,2 kg,£4.50\nL-2,OIL,0,4.50 €/kg\n", "Lot;Best before;Cost per 100 g\nL-1;03/2027;USD 1,250\n",
		inUTF16("Lot no\tReceived\tQty\r\nL-1\t03/04/2026\t1,250 kg\r\n", binary.LittleEndian), inUTF16("a;b\n\"x\ny\";Ω🧼\n", binary.BigEndian), "\xff\xfea\x00\t\x00b\x00\n\x00\x3d\xd8x\x00", "\xfe\xff\x00a\x00,\xde\xfc\x00\n\x001\x00,\x002", "\xff\xfe", "\xfe\xff\x00"} {
		f.Add(n, text)
	}
	f.Fuzz(func(t *testing.T, n int, text string) {
		b, err := Open([]byte(text), 0)
		if bad := (*Broken)(nil); errors.As(err, &bad) {
			return
		}
		if err != nil {
			t.Fatal(err)
		}
		holdBook(t, b, tableAt(n), DayFirst, Comma)
		// Where encoding/csv reads the text as well, it finds the same cells.
		if b.work != nil || b.Western || strings.ContainsAny(text, "\r\x00") || !cleanUTF8(text) {
			return
		}
		rows, _, err := readAll(b, "")
		other := csv.NewReader(strings.NewReader(strings.TrimPrefix(text, "\xEF\xBB\xBF")))
		other.FieldsPerRecord, other.Comma = -1, rune(b.Comma)
		want, otherErr := other.ReadAll()
		if err != nil || otherErr != nil {
			return
		}
		var filled [][]string
		for _, row := range want {
			any := false
			for n := range row {
				row[n] = strings.TrimSpace(row[n])
				any = any || row[n] != ""
			}
			if any {
				filled = append(filled, row)
			}
		}
		if diff := cmp.Diff(filled, rows); diff != "" {
			t.Errorf("rows (-encoding/csv +ours):\n%s", diff)
		}
	})
}

func cleanUTF8(text string) bool { return strings.ToValidUTF8(text, "") == text }

// FuzzSheet puts any text where the cells of a workbook stand, and any where its shared texts and styles do.
func FuzzSheet(f *testing.F) {
	for n, rows := range []string{`<row r="1"><c r="A1" t="s"><v>0</v></c><c r="B1" t="inlineStr"><is><t>b</t></is></c></row><row r="3"><c s="1"><v>46095.5</v></c><c><f>1</f></c></row>`,
		`<row><c t="e"><v>#N/A</v></c></row>`, `<row r="0"/>`, `<row r="2"><c r="ZZZZ1"/></row>`, `<row><c><v>1e999</v></c></row>`, `</sheetData><mergeCells><mergeCell ref="A2:B9"/></mergeCells>`, `<row><c t="d"><v>2026-13-01</v></c>`} {
		f.Add(n, rows, `<sst><si><t>Name</t></si><si><r><t>x_x0000_</t></r></si></sst>`, `<styleSheet><numFmts><numFmt numFmtId="164" formatCode="yyyy\-mm"/></numFmts><cellXfs><xf numFmtId="0"/><xf numFmtId="164"/></cellXfs></styleSheet>`)
	}
	f.Fuzz(func(t *testing.T, n int, rows, texts, styles string) {
		other := sheetOf(rows)
		other["xl/sharedStrings.xml"], other["xl/styles.xml"] = texts, styles
		holdWorkbook(t, n, parts(t, other))
	})
}

// FuzzWorkbook takes any bytes for a workbook.
func FuzzWorkbook(f *testing.F) {
	f.Add(0, parts(f, sheetOf(`<row><c t="s"><v>0</v></c></row>`)))
	f.Add(1, workbookOf(f, func(w *excelize.File) {
		cells(f, w, "Sheet1", map[string]any{"A1": "Code", "B1": "Name", "A2": 1, "B2": "x"})
	}))
	f.Add(2, []byte("PK\x03\x04"))
	f.Add(3, []byte("PK\x05\x06"+strings.Repeat("\x00", 18)))
	f.Fuzz(func(t *testing.T, n int, data []byte) { holdWorkbook(t, n, data) })
}

func holdWorkbook(t *testing.T, n int, data []byte) {
	b, err := Open(data, 0)
	if bad := (*Broken)(nil); errors.As(err, &bad) {
		return
	}
	if err != nil {
		t.Fatalf("an error that says nothing to a maker: %v", err)
	}
	holdBook(t, b, tableAt(n), MonthFirst, Point)
}

// FuzzDate: a day that is read has the figures that were written, and writing it in ISO reads it back.
func FuzzDate(f *testing.F) {
	for _, text := range []string{"14/03/2026", "3.4.26", "2026-03-14", "14 March 2026", "Mar 14th, 2026", "29/02/2025", "0/0/0", "1-2/3", "14. 3. 2026", "03/2027", "2027-03", "Mar 2027", "Mar-27", "03/27", "13/2027"} {
		f.Add(text)
	}
	f.Fuzz(func(t *testing.T, text string) {
		for _, order := range []string{DayFirst, MonthFirst} {
			iso, ok := date(text, order)
			if !ok {
				continue
			}
			at, err := time.Parse("2006-01-02", iso)
			if err != nil {
				t.Fatalf("%q is %q: %v", text, iso, err)
			}
			if again, ok := date(iso, order); !ok || again != iso {
				t.Errorf("%q is %q, which is %q", text, iso, again)
			}
			if !strings.Contains(text, at.Format("2")) || !strings.Contains(text, at.Format("06")) {
				t.Errorf("%q is %q", text, iso)
			}
		}
		// A month without a day is no day, and its first and last are those of the month that was written.
		first, ok := monthOnly(text, FirstDay)
		if !ok {
			return
		}
		last, _ := monthOnly(text, LastDay)
		from, err := time.Parse("2006-01-02", first)
		to, otherErr := time.Parse("2006-01-02", last)
		if err != nil || otherErr != nil || from.Day() != 1 || !to.AddDate(0, 0, 1).Equal(from.AddDate(0, 1, 0)) {
			t.Errorf("%q is %q to %q", text, first, last)
		}
		if _, is := date(text, DayFirst); is || !strings.Contains(text, from.Format("06")) || !strings.Contains(text, from.Format("1")) && !strings.Contains(strings.ToLower(text), strings.ToLower(from.Format("Jan"))) {
			t.Errorf("%q is %q", text, first)
		}
	})
}

// FuzzNumber: a number that is read has the digits that were written, and no reading of it is off by more than the mark.
func FuzzNumber(f *testing.F) {
	for _, text := range []string{"1,250.5", "1.250,5 kg", "€ 12", "12 €", "-3", "1 250 g", "1'250", ".5", ",5", "12.", "1,25,0", "−4", "USD 1,250", "4,50 €/kg", "US$.5", "12 KGS", "kr 4"} {
		f.Add(text)
	}
	f.Fuzz(func(t *testing.T, text string) {
		digits := func(s string) string {
			return strings.TrimLeft(strings.Map(func(r rune) rune {
				if r >= '0' && r <= '9' {
					return r
				}
				return -1
			}, s), "0")
		}
		w, ok := figureOf(text)
		if !ok {
			return
		}
		for _, mark := range []string{Point, Comma} {
			d, ok := number(w.digits, mark)
			if !ok {
				continue
			}
			want, got := strings.TrimRight(digits(w.digits), "0"), strings.TrimRight(digits(d.String()), "0")
			if want != got {
				t.Errorf("%q with a %s is %s", text, mark, d)
			}
			if again, ok := number(d.String(), Point); !ok || !again.Equal(d) {
				t.Errorf("%q is %s, which is %s", text, d, again)
			}
		}
	})
}
