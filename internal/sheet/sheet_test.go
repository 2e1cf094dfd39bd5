package sheet

import (
	"archive/zip"
	"bytes"
	"encoding/binary"
	"errors"
	"io"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/shopspring/decimal"
	"github.com/xuri/excelize/v2"
	"golang.org/x/text/encoding/charmap"
	encoding "golang.org/x/text/encoding/unicode"

	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/interchange"
)

func check(t testing.TB, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

// workbookOf writes a workbook by an independent library.
func workbookOf(t testing.TB, fill func(f *excelize.File)) []byte {
	t.Helper()
	f := excelize.NewFile()
	fill(f)
	var b bytes.Buffer
	check(t, f.Write(&b))
	check(t, f.Close())
	return b.Bytes()
}

func cells(t testing.TB, f *excelize.File, sheet string, values map[string]any) {
	t.Helper()
	for at, v := range values {
		check(t, f.SetCellValue(sheet, at, v))
	}
}

// readAll gives the texts of all rows, with "!" and why for a cell that cannot be read.
func readAll(b *Book, sheet string) (rows [][]string, numbers []int, err error) {
	for row, err := range b.Rows(sheet) {
		if err != nil {
			return rows, numbers, err
		}
		var texts []string
		for _, c := range row.Cells {
			if c.Wrong != "" {
				texts = append(texts, "!"+c.Wrong)
			} else {
				texts = append(texts, c.Text)
			}
		}
		rows, numbers = append(rows, texts), append(numbers, row.Number)
	}
	return rows, numbers, nil
}

// inUTF16 is a text in UTF-16 with its mark, written by another library than the one that reads it.
func inUTF16(text string, order binary.ByteOrder) string {
	end := encoding.LittleEndian
	if order == binary.BigEndian {
		end = encoding.BigEndian
	}
	wide, err := encoding.UTF16(end, encoding.UseBOM).NewEncoder().String(text)
	if err != nil {
		panic(err) // the texts are written here
	}
	return wide
}

func TestTextIsReadInTheFormThatItHas(t *testing.T) {
	t.Parallel()
	western, err := charmap.Windows1252.NewEncoder().String("Name;Ort\nCafé Müller;Zürich\n")
	check(t, err)
	for name, c := range map[string]struct {
		text    string
		comma   byte
		western bool
		want    [][]string
		numbers []int
	}{
		"commas, a BOM and CRLF":               {"\xEF\xBB\xBFa,b\r\n1,\"x,\r\ny\"\r\n", ',', false, [][]string{{"a", "b"}, {"1", "x,\r\ny"}}, []int{1, 2}},
		"semicolons in Windows-1252":           {western, ';', true, [][]string{{"Name", "Ort"}, {"Café Müller", "Zürich"}}, []int{1, 2}},
		"tabs":                                 {"a\tb, c\n1\t2\n", '\t', false, [][]string{{"a", "b, c"}, {"1", "2"}}, []int{1, 2}},
		"commas in the quotes of semicolons":   {"\"a, b, c\";d\n1;2\n", ';', false, [][]string{{"a, b, c", "d"}, {"1", "2"}}, []int{1, 2}},
		"a title above":                        {"Lots of 2026\n\na;b\n1;2\n", ';', false, [][]string{{"Lots of 2026"}, {"a", "b"}, {"1", "2"}}, []int{1, 3, 4}},
		"a line that says what divides":        {"sep=;\na,x;b\n1;2\n", ';', false, [][]string{{"sep=", ""}, {"a,x", "b"}, {"1", "2"}}, []int{1, 2, 3}},
		"blank rows, spaces and no last break": {"a, b \n,,\n 1 ,\u00a02", ',', false, [][]string{{"a", "b"}, {"1", "2"}}, []int{1, 3}},
		"Unicode text of a spreadsheet":        {inUTF16("Name\tPlace\r\nMühle\tŁódź\r\n\"a\r\nb\"\t🧼\r\n", binary.LittleEndian), '\t', false, [][]string{{"Name", "Place"}, {"Mühle", "Łódź"}, {"a\r\nb", "🧼"}}, []int{1, 2, 3}},
		"the same the other way, semicolons":   {inUTF16("Name;Place\nMühle;Ωμέγα\n", binary.BigEndian), ';', false, [][]string{{"Name", "Place"}, {"Mühle", "Ωμέγα"}}, []int{1, 2}},
		"halves of UTF-16 pairs":               {"\xFF\xFEa\x00\t\x00b\x00\n\x00\x3D\xD8x\x00\t\x002\x00\n\x00\xFD\xFF\t\x00\xFC\xDE\n\x00", '\t', false, [][]string{{"a", "b"}, {"!a broken character stands in it: half of a UTF-16 pair", "2"}, {"\uFFFD", "!a broken character stands in it: half of a UTF-16 pair"}}, []int{1, 2, 3}},
		"a NUL and a broken character":         {"näme,ä\nx\x00y,ö\nß,\xff\n", ',', false, [][]string{{"näme", "ä"}, {"!a NUL byte stands in it", "ö"}, {"ß", "!a broken character stands in it: the file is UTF-8 in most places and not here"}}, []int{1, 2, 3}},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			b, err := Open([]byte(c.text), 0)
			check(t, err)
			rows, numbers, err := readAll(b, "")
			check(t, err)
			if b.Comma != c.comma || b.Western != c.western {
				t.Errorf("divided by %q, western %v", b.Comma, b.Western)
			}
			if diff := cmp.Diff(c.want, rows); diff != "" {
				t.Errorf("rows (-want +got):\n%s", diff)
			}
			if diff := cmp.Diff(c.numbers, numbers); diff != "" {
				t.Errorf("their numbers (-want +got):\n%s", diff)
			}
		})
	}
}

func TestAWorkbookIsReadAsItIsShown(t *testing.T) {
	t.Parallel()
	data := workbookOf(t, func(f *excelize.File) {
		cells(t, f, "Sheet1", map[string]any{"A1": "Lots of the spring", "A3": "Lot no", "B3": "Received", "C3": "Qty", "D3": "Ok", "E3": "Seen at", "F3": "Sum", "G3": "Price",
			"A4": "L-1", "B4": time.Date(2026, 3, 14, 0, 0, 0, 0, time.UTC), "C4": 0.1 + 0.2, "D4": true, "E4": time.Date(2026, 3, 14, 9, 30, 0, 0, time.UTC), "F4": 25000, "G4": "€ 4,50", "A6": "a\r\nb"})
		style, err := f.NewStyle(&excelize.Style{CustomNumFmt: ptr(`dd"th of" mmm\-yy;@`)})
		check(t, err)
		check(t, f.SetCellStyle("Sheet1", "B4", "B4", style))
		money, err := f.NewStyle(&excelize.Style{CustomNumFmt: ptr(`[$€-407] #,##0.00;[Red]-#,##0.00`)})
		check(t, err)
		check(t, f.SetCellStyle("Sheet1", "F4", "F4", money))
		check(t, f.SetCellRichText("Sheet1", "B6", []excelize.RichTextRun{{Text: "Olive "}, {Text: "oil", Font: &excelize.Font{Bold: true}}}))
		_, err = f.NewSheet("Other")
		check(t, err)
		_, err = f.NewSheet("Secret")
		check(t, err)
		check(t, f.SetSheetVisible("Secret", false))
	})
	b, err := Open(data, 0)
	check(t, err)
	if diff := cmp.Diff([]string{"Sheet1", "Other"}, b.Sheets); diff != "" {
		t.Errorf("sheets (-want +got):\n%s", diff)
	}
	rows, numbers, err := readAll(b, "Sheet1")
	check(t, err)
	want := [][]string{{"Lots of the spring"}, {"Lot no", "Received", "Qty", "Ok", "Seen at", "Sum", "Price"}, {"L-1", "2026-03-14", "0.3", "true", "2026-03-14 09:30:00", "€ 25000", "€ 4,50"}, {"a\r\nb", "Olive oil"}}
	if diff := cmp.Diff(want, rows); diff != "" {
		t.Errorf("rows (-want +got):\n%s", diff)
	}
	if diff := cmp.Diff([]int{1, 3, 4, 6}, numbers); diff != "" {
		t.Errorf("their numbers (-want +got):\n%s", diff)
	}
	l, err := b.Look("Sheet1", 0)
	check(t, err)
	if l.Head != 3 || l.Rows != 2 {
		t.Errorf("headings in row %d, %d rows", l.Head, l.Rows)
	}
}

func TestANumberIsWhatItsFormatShows(t *testing.T) {
	t.Parallel()
	for code, want := range map[string]string{
		"General": "1500", "0.00": "1500", `#,##0.00`: "1500", `0.0" kg"`: "1500 kg", `0.0\ \k\g`: "1500 kg", `0.0,"kg"`: "1.5 kg", `#,##0.00\ [$€-407]`: "1500 €", `[$£-809]#,##0.00`: "£ 1500",
		`_-"€"* #,##0.00_-;-"€"* #,##0.00_-`: "€ 1500", `[$EUR] 0.00 "per kg"`: "EUR 1500 per kg", `[$-409]0.00`: "1500", `$#,##0_);($#,##0)`: "$ 1500",
		`0%`: "150000%", `_-* #,##0.00_-;-* #,##0.00_-`: "1500", `0 "g";[Red]-0 "drams"`: "1500 g", `yyyy`: "1904-02-08", `[h]:mm`: "1904-02-08", `"day "0`: "1500", `"Lot"`: "1500",
	} {
		styles := `<styleSheet><numFmts><numFmt numFmtId="200" formatCode="` + strings.ReplaceAll(code, `"`, "&quot;") + `"/></numFmts><cellStyleXfs><xf numFmtId="14"/></cellStyleXfs><cellXfs><xf numFmtId="0"/><xf numFmtId="200"/></cellXfs></styleSheet>`
		other := sheetOf(`<row><c s="1"><v>1500</v></c></row>`)
		other["xl/styles.xml"] = styles
		b, err := Open(parts(t, other), 0)
		check(t, err)
		rows, _, err := readAll(b, "One")
		check(t, err)
		if diff := cmp.Diff([][]string{{want}}, rows); diff != "" {
			t.Errorf("%s (-want +got):\n%s", code, diff)
		}
	}
}

func ptr[T any](v T) *T { return &v }

func TestOfAFormulaTheStoredResultIsRead(t *testing.T) {
	t.Parallel()
	const none = "!its formula has no stored result; open the file in your spreadsheet program, save it there and send it again"
	for name, c := range map[string]struct{ cell, want string }{
		"a number":                {`<c r="A1"><f>1+1</f><v>2</v></c>`, "2"},
		"a text":                  {`<c r="A1" t="str"><f>"a"</f><v>a_x000A_b</v></c>`, "a\nb"},
		"an error":                {`<c r="A1" t="e"><f>1/0</f><v>#DIV/0!</v></c>`, "!it holds the error #DIV/0!"},
		"nothing":                 {`<c r="A1"><f>NOW()</f></c>`, none},
		"an empty number":         {`<c r="A1"><f>B1</f><v></v></c>`, none},
		"a shared text":           {`<c r="A1" t="s"><f>B1</f><v>0</v></c>`, "shared"},
		"a text that is not kept": {`<c r="A1" t="s"><v>7</v></c>`, "!it points to a text that the workbook does not have"},
		"no number":               {`<c r="A1"><v>1.2.3</v></c>`, `!"1.2.3" is no number`},
		"a number too large":      {`<c r="A1"><v>1E+300</v></c>`, `!"1E+300" is larger or finer than a book keeps`},
		"an ISO date":             {`<c r="A1" t="d"><v>2026-03-14T00:00:00</v></c>`, "2026-03-14"},
		"text in the cell":        {`<c r="A1" t="inlineStr"><is><r><t>in </t></r><r><t>line</t></r><rPh><t>no</t></rPh></is></c>`, "in line"},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			b, err := Open(parts(t, map[string]string{"xl/worksheets/sheet1.xml": `<worksheet><sheetData><row>` + c.cell + `</row></sheetData></worksheet>`}), 0)
			check(t, err)
			rows, _, err := readAll(b, "One")
			check(t, err)
			if diff := cmp.Diff([][]string{{c.want}}, rows); diff != "" {
				t.Errorf("(-want +got):\n%s", diff)
			}
		})
	}
}

// parts is a workbook written by hand, with a sheet One; some parts may be others.
func parts(t testing.TB, other map[string]string) []byte {
	t.Helper()
	all := map[string]string{
		"xl/workbook.xml":            `<workbook xmlns:r="http://schemas.openxmlformats.org/officeDocument/2006/relationships"><sheets><sheet name="One" r:id="r1"/></sheets></workbook>`,
		"xl/_rels/workbook.xml.rels": `<Relationships><Relationship Id="r1" Type="http://schemas.openxmlformats.org/officeDocument/2006/relationships/worksheet" Target="worksheets/sheet1.xml"/></Relationships>`,
		"xl/sharedStrings.xml":       `<sst><si><t>shared</t></si></sst>`,
	}
	for name, text := range other {
		all[name] = text
	}
	var b bytes.Buffer
	z := zip.NewWriter(&b)
	for name, text := range all {
		w, err := z.Create(name)
		check(t, err)
		_, err = io.WriteString(w, text)
		check(t, err)
	}
	check(t, z.Close())
	return b.Bytes()
}

func sheetOf(rows string) map[string]string {
	return map[string]string{"xl/worksheets/sheet1.xml": `<worksheet><sheetData>` + rows + `</sheetData></worksheet>`}
}

func TestWhatCannotBeReadSaysWhereAndWhy(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		data []byte
		want string
	}{
		"nothing":                   {[]byte(" \n"), "the file is empty"},
		"too much":                  {bytes.Repeat([]byte("a,b\n"), Most/4+1), "the file has more than 10 MB"},
		"an old workbook":           {[]byte("\xD0\xCF\x11\xE0\xA1\xB1\x1A\xE1 and more"), "this is an old workbook (.xls), or one with a password; save it as .xlsx or CSV without one"},
		"UTF-16 that is cut off":    {[]byte(inUTF16("a\tb\n1\t2\n", binary.LittleEndian) + "3"), "the file is cut off: it is UTF-16 text and ends within a character; save it anew and send it again"},
		"UTF-16 of nothing":         {[]byte("\xFE\xFF"), "there is nothing in it"},
		"half a pair in a heading":  {[]byte("\xFE\xFF\x00a\x00\t\xD8\x3D\x00b\x00\n\x001\x00\t\x002"), "row 1: column B: a broken character stands in it: half of a UTF-16 pair"},
		"a quote open in UTF-16":    {[]byte(inUTF16("a\tb\n1\t\"2\n", binary.BigEndian)), "row 2: a quote is opened and never closed"},
		"a quote never closed":      {[]byte("a,b\n1,2\n3,\"x\n" + strings.Repeat("1,2\n", 100)), "row 3: a quote is opened and never closed"},
		"a quote within":            {[]byte("a,b\n5\" jar,2\n"), "row 2: a quote stands inside a field that does not begin with one"},
		"a row without end":         {[]byte("a,b\n1," + strings.Repeat("x", interchange.MostRow)), "row 2: the row has more than 1048576 bytes; is a quote not closed?"},
		"too many columns":          {[]byte("a,b\n" + strings.Repeat(",", MostColumns) + "1\n"), "row 2: has more than 200 columns"},
		"a NUL in a heading":        {[]byte("a,b\x00\n1,2\n"), "row 1: column B: a NUL byte stands in it"},
		"no rows":                   {[]byte("a,b\n"), "row 1: there are no rows below the headings"},
		"a torn zip":                {[]byte("PK\x03\x04 and nothing of a zip"), "the workbook is damaged and cannot be read whole; save it anew and send it again"},
		"a zip of something":        {zipOf(t, "a.csv", "a,b\n"), "this is a zip, and no XLSX workbook"},
		"a workbook without sheets": {parts(t, map[string]string{"xl/workbook.xml": `<workbook/>`}), "the workbook has no sheet with cells that is shown"},
		"a sheet that ends early":   {parts(t, map[string]string{"xl/worksheets/sheet1.xml": `<worksheet><sheetData><row r="1"><c><v>1</v></c></row>`}), "row 1: the workbook is damaged and cannot be read whole; save it anew and send it again"},
		"rows that go back":         {parts(t, sheetOf(`<row r="5"><c><v>1</v></c></row><row r="4"><c><v>1</v></c></row>`)), `row 5: the workbook is damaged: after row 5 comes row "4"`},
		"cells that go back":        {parts(t, sheetOf(`<row r="1"><c r="C1"><v>1</v></c><c r="B1"><v>1</v></c></row>`)), `row 1: the workbook is damaged: a cell is called "B1"`},
		"a wide sheet":              {parts(t, sheetOf(`<row r="1"><c r="XFD1"><v>1</v></c></row>`)), "row 1: has more than 200 columns"},
		"a huge cell":               {parts(t, sheetOf(`<row r="1"><c r="A1"><v>`+strings.Repeat("1", 2<<20)+`</v></c></row>`)), "row 1: the row has more than 1048576 bytes"},
		"a huge shared text":        {parts(t, map[string]string{"xl/sharedStrings.xml": `<sst><si><t>` + strings.Repeat("x", 2<<20) + `</t></si></sst>`}), "the row has more than 1048576 bytes"},
		"parts that nest":           {parts(t, map[string]string{"xl/sharedStrings.xml": `<sst>` + strings.Repeat("<a>", 1000)}), "the workbook is damaged: its parts nest without end"},
		"a zip bomb":                {bomb(t), "the workbook unpacks to more than 200 MB"},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			b, err := Open(c.data, 0)
			if err == nil {
				sheet := ""
				if len(b.Sheets) > 0 {
					sheet = b.Sheets[0]
				}
				_, err = b.Look(sheet, 0)
			}
			var bad *Broken
			if !errors.As(err, &bad) || bad.Error() != c.want {
				t.Errorf("%v, want %s", err, c.want)
			}
		})
	}
}

func zipOf(t testing.TB, name, text string) []byte {
	t.Helper()
	var b bytes.Buffer
	z := zip.NewWriter(&b)
	w, err := z.Create(name)
	check(t, err)
	_, err = io.WriteString(w, text)
	check(t, err)
	check(t, z.Close())
	return b.Bytes()
}

// bomb is a small workbook whose sheet unpacks to more than a memory should hold.
func bomb(t testing.TB) []byte {
	t.Helper()
	var b bytes.Buffer
	z := zip.NewWriter(&b)
	for name, text := range map[string]string{
		"xl/workbook.xml":            `<workbook xmlns:r="http://schemas.openxmlformats.org/officeDocument/2006/relationships"><sheets><sheet name="One" r:id="r1"/></sheets></workbook>`,
		"xl/_rels/workbook.xml.rels": `<Relationships><Relationship Id="r1" Type="x/worksheet" Target="/xl/worksheets/sheet1.xml"/></Relationships>`,
	} {
		w, err := z.Create(name)
		check(t, err)
		_, err = io.WriteString(w, text)
		check(t, err)
	}
	w, err := z.Create("xl/worksheets/sheet1.xml")
	check(t, err)
	_, err = io.WriteString(w, "<worksheet><sheetData>")
	check(t, err)
	row := []byte(strings.Repeat("<row></row>", 1<<16))
	for n := 0; n < mostUnpack; n += len(row) {
		_, err := w.Write(row)
		check(t, err)
	}
	check(t, z.Close())
	if b.Len() > Most {
		t.Fatalf("the bomb has %d bytes itself", b.Len())
	}
	return b.Bytes()
}

func TestHeadingsAreKnownByWhatTheTradeCallsThem(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		table    string
		headings []string
		want     []string
	}{
		"lots":                 {"material_lots", []string{"Lot no", "Ingredient", "Vendor", "Supplier's lot", "Date received", "Best before", "Qty (kg)", "Colour"}, []string{"code", "material", "supplier", "supplier_lot", "received_on", "expires_on", "quantity", ""}},
		"the contract's names": {"suppliers", []string{"NAME", "code", "E-mail"}, []string{"name", "code", "email"}},
		"one name once":        {"suppliers", []string{"Company", "Supplier", "Phone"}, []string{"name", "", "phone"}},
		"dispatches":           {"dispatches", []string{"Invoice No.", "Customer", "Ship date", "Batch", "Qty"}, []string{"code", "customer", "dispatched_on", "batch", "units"}},
		"nothing in it":        {"suppliers", []string{"", "§"}, []string{"", ""}},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			table, _ := interchange.Lookup(c.table)
			if diff := cmp.Diff(c.want, Suggest(table, c.headings)); diff != "" {
				t.Errorf("(-want +got):\n%s", diff)
			}
		})
	}
}

// What the trade says has to name columns and words that there are, or it would never be suggested.
func TestWhatTheTradeSaysNamesWhatThereIs(t *testing.T) {
	t.Parallel()
	any := map[string]bool{}
	for _, table := range interchange.Tables() {
		for _, c := range table.Columns {
			any[c.Name] = true
			for w := range listWords[c.Name] {
				any[c.Name+"="+w] = any[c.Name+"="+w] || SuggestWord(c, w) == w
			}
		}
		for column := range headings[table.Name] {
			if _, ok := columnNamed(table, column); !ok {
				t.Errorf("%s has no column %s", table.Name, column)
			}
		}
	}
	for column := range headings["*"] {
		if !any[column] {
			t.Errorf("no table has a column %s", column)
		}
	}
	for column, words := range listWords {
		for w := range words {
			if !any[column+"="+w] {
				t.Errorf("no list of %s has %s", column, w)
			}
		}
	}
	for _, m := range []map[string]map[string][]string{headings, listWords} {
		for of, list := range m {
			for name, words := range list {
				for _, w := range words {
					if Fold(w) != w {
						t.Errorf("%s %s: %q is not folded", of, name, w)
					}
				}
			}
		}
	}
}

func columnNamed(t interchange.Table, name string) (interchange.Column, bool) { return column(t, name) }

func faultNames(err error) []string { return fault.As(err).Names() }

// looked reads a text and says what its columns are.
func looked(t testing.TB, data []byte, table string) (*Book, interchange.Table, Look, Mapping) {
	t.Helper()
	b, err := Open(data, 0)
	check(t, err)
	sheet := ""
	if len(b.Sheets) > 0 {
		sheet = b.Sheets[0]
	}
	l, err := b.Look(sheet, 0)
	check(t, err)
	of, ok := interchange.Lookup(table)
	if !ok {
		t.Fatalf("no table %s", table)
	}
	return b, of, l, l.Suggested(of)
}

func converted(t testing.TB, b *Book, of interchange.Table, l Look, m Mapping, facts Facts) (string, []string) {
	t.Helper()
	if err := l.Check(of, m); err != nil {
		t.Fatalf("still to be said: %v", err)
	}
	r, err := b.Convert("list", of, l, m, facts)
	check(t, err)
	var faults []string
	for _, f := range r.Faults {
		faults = append(faults, f.String())
	}
	return string(r.CSV), faults
}

func oil() Facts {
	return Facts{Zone: time.UTC, Kept: map[string]Kept{"OIL": {Unit: "g", Density: decimal.NewNullDecimal(decimal.RequireFromString("0.92"))}, "JAR": {Unit: "each"}}}
}

const lots = "Lot no;Material;Received;Qty;Status\n"

func TestASupplierListWithDecimalCommasInWindows1252(t *testing.T) {
	t.Parallel()
	text, err := charmap.Windows1252.NewEncoder().String("Lieferant;Company;Telephone\nMÜH;Mühle & Söhne;+49 30 123\n;;\nCAF;\"Café; du Sud\";\n")
	check(t, err)
	b, of, l, m := looked(t, []byte(text), "suppliers")
	m.Columns[0].Column = "code"
	got, faults := converted(t, b, of, l, m, Facts{})
	if diff := cmp.Diff("code,name,phone\nMÜH,Mühle & Söhne,+49 30 123\n\nCAF,Café; du Sud,\n", got); diff != "" || faults != nil {
		t.Errorf("%v (-want +got):\n%s", faults, diff)
	}
	b, of, l, m = looked(t, []byte(lots+"L-1;OIL;14.03.2026;1.250,5;Quarantine\nL-2;OIL;1. 4. 2026;12,5 kg;approved\n"), "material_lots")
	m.Columns[3].Unit = OwnUnit
	got, faults = converted(t, b, of, l, m, oil())
	if diff := cmp.Diff("code,material,received_on,quantity,status\nL-1,OIL,2026-03-14,1250.5,quarantined\nL-2,OIL,2026-04-01,12500,released\n", got); diff != "" || faults != nil {
		t.Errorf("%v (-want +got):\n%s", faults, diff)
	}
}

func TestWhatCouldMeanTwoThingsIsAskedAndNeverGuessed(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		rows  string
		asked []string
		say   func(*Mapping)
		want  string
	}{
		"US dates by the one that is no day first": {"L-1;OIL;03/14/2026;1;released\nL-2;OIL;03/04/2026;1;released\n", nil, nil, "L-1,OIL,2026-03-14,1,released\nL-2,OIL,2026-03-04,1,released\n"},
		"dates that fit both":                      {"L-1;OIL;03/04/2026;1;released\n", []string{"dates-2"}, func(m *Mapping) { m.Columns[2].Dates = MonthFirst }, "L-1,OIL,2026-03-04,1,released\n"},
		"the same the other way":                   {"L-1;OIL;03/04/26;1;released\n", []string{"dates-2"}, func(m *Mapping) { m.Columns[2].Dates = DayFirst }, "L-1,OIL,2026-04-03,1,released\n"},
		"a day that is its month":                  {"L-1;OIL;04/04/2026;1;released\n", nil, nil, "L-1,OIL,2026-04-04,1,released\n"},
		"ISO and names of months":                  {"L-1;OIL;2026-04-03;1;released\nL-2;OIL;3 April 2026;1;released\nL-3;OIL;Apr 3rd, 2026;1;released\n", nil, nil, "L-1,OIL,2026-04-03,1,released\nL-2,OIL,2026-04-03,1,released\nL-3,OIL,2026-04-03,1,released\n"},
		"a number that fits both":                  {"L-1;OIL;2026-04-03;1,250;released\n", []string{"decimals-3"}, func(m *Mapping) { m.Columns[3].Decimals = Point }, "L-1,OIL,2026-04-03,1250,released\n"},
		"the same as a decimal":                    {"L-1;OIL;2026-04-03;1.250;released\n", []string{"decimals-3"}, func(m *Mapping) { m.Columns[3].Decimals = Point }, "L-1,OIL,2026-04-03,1.25,released\n"},
		"one that says it of its column":           {"L-1;OIL;2026-04-03;1,250;released\nL-2;OIL;2026-04-03;2,5;released\n", nil, nil, "L-1,OIL,2026-04-03,1.25,released\nL-2,OIL,2026-04-03,2.5,released\n"},
		"a word that the list does not have":       {"L-1;OIL;2026-04-03;1;fine\n", []string{"word-4-0"}, func(m *Mapping) { m.Columns[4].Words["fine"] = "released" }, "L-1,OIL,2026-04-03,1,released\n"},
		"a row without a word":                     {"L-1;OIL;2026-04-03;1;released\nL-2;OIL;2026-04-03;1;\n", []string{"word-4-1"}, func(m *Mapping) { m.Columns[4].Words[""] = "quarantined" }, "L-1,OIL,2026-04-03,1,released\nL-2,OIL,2026-04-03,1,quarantined\n"},
		"a number among others with a unit":        {"L-1;OIL;2026-04-03;1.5 kg;released\nL-2;OIL;2026-04-03;2;released\n", []string{"unit-3"}, func(m *Mapping) { m.Columns[3].Unit = "kg" }, "L-1,OIL,2026-04-03,1500,released\nL-2,OIL,2026-04-03,2000,released\n"},
		"volume by the density":                    {"L-1;OIL;2026-04-03;1 L;released\n", nil, nil, "L-1,OIL,2026-04-03,920,released\n"},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			b, of, l, m := looked(t, []byte(lots+c.rows), "material_lots")
			var asked []string
			if err := l.Check(of, m); err != nil {
				asked = faultNames(err)
			}
			if diff := cmp.Diff(c.asked, asked); diff != "" {
				t.Fatalf("asked (-want +got):\n%s", diff)
			}
			if c.say != nil {
				c.say(&m)
			}
			got, faults := converted(t, b, of, l, m, oil())
			if diff := cmp.Diff("code,material,received_on,quantity,status\n"+c.want, got); diff != "" || faults != nil {
				t.Errorf("%v (-want +got):\n%s", faults, diff)
			}
		})
	}
}

func TestACellThatCannotBeReadIsToldByRowAndHeading(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		text string
		want []string
	}{
		"no such day":             {lots + "L-1;OIL;31.02.2026;1;released\n", []string{`list:2: Received: "31.02.2026" is no day that there is`}},
		"no number":               {lots + "L-1;OIL;2026-02-03;a few;released\n", []string{`list:2: Qty: "a few" is no number`}},
		"an unknown unit":         {lots + "L-1;OIL;2026-02-03;3 drums;released\n", []string{`list:2: Qty: "3 drums": "drums" is no unit that is known`}},
		"a unit of another kind":  {lots + "L-1;JAR;2026-02-03;3 kg;released\n", []string{`list:2: Qty: "3 kg": The material is counted in each.`}},
		"money":                   {lots + "L-1;OIL;2026-02-03;€ 3;released\n", []string{`list:2: Qty: "€ 3" is money, and quantity is not`}},
		"a NUL":                   {lots + "L-\x001;OIL;2026-02-03;3;released\n", []string{"list:2: Lot no: a NUL byte stands in it"}},
		"a field too many":        {lots + "L-1;OIL;2026-02-03;3;released;and more\n", []string{"list:2: has 6 fields, and there are 5 headings; does a value hold what divides the columns? Then it needs quotes around it"}},
		"a number of no column":   {"Code,Name,Shelf life months\nA,Ash,12 parsecs\n", []string{`list:2: Shelf life months: "12 parsecs": what does "parsecs" stand for behind the number?`}},
		"headings that are alike": {"Lot no;Qty;Material;Received;Status;Qty\nL-1;x;OIL;2026-02-03;released;7\n", []string{`list:2: Qty (column B): "x" is no number`}},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			table := "material_lots"
			if strings.HasPrefix(c.text, "Code") {
				table = "products"
			}
			b, of, l, m := looked(t, []byte(c.text), table)
			got, faults := converted(t, b, of, l, m, oil())
			if diff := cmp.Diff(c.want, faults); diff != "" || got != "" {
				t.Errorf("%q (-want +got):\n%s", got, diff)
			}
		})
	}
}

func TestFormulasAndMergedCellsOfAWorkbook(t *testing.T) {
	t.Parallel()
	data := workbookOf(t, func(f *excelize.File) {
		cells(t, f, "Sheet1", map[string]any{"A1": "Code", "B1": "Name", "C1": "Phone", "D1": "Left out", "A2": "A", "B2": "Ash", "A3": "B", "B3": "Birch", "C3": 30123})
		check(t, f.SetCellFormula("Sheet1", "B4", `A3&" co"`))
		check(t, f.SetCellFormula("Sheet1", "D2", `A3&" co"`))
		cells(t, f, "Sheet1", map[string]any{"A4": "C"})
		check(t, f.MergeCell("Sheet1", "C2", "C3"))
	})
	b, of, l, m := looked(t, data, "suppliers")
	_, faults := converted(t, b, of, l, m, Facts{})
	want := []string{"list:2: Phone: the cells C2:C3 are merged; part them and give each its own value", "list:4: Name: its formula has no stored result; open the file in your spreadsheet program, save it there and send it again"}
	if diff := cmp.Diff(want, faults); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
}

func TestWhatNothingFillsIsAskedOnceForAllRows(t *testing.T) {
	t.Parallel()
	b, of, l, m := looked(t, []byte("Ingredient,INCI\nOlive oil,Olea Europaea Fruit Oil\n\nSalt,Sodium Chloride\n"), "materials")
	if diff := cmp.Diff([]string{"make", "all-kind", "all-unit"}, sorted(faultNames(l.Check(of, m)), []string{"make", "all-kind", "all-unit"})); diff != "" {
		t.Errorf("asked (-want +got):\n%s", diff)
	}
	m.All["kind"], m.All["unit"], m.Make, m.Prefix = "raw", "stone", true, "M-"
	if diff := cmp.Diff([]string{"all-unit"}, faultNames(l.Check(of, m))); diff != "" {
		t.Errorf("asked (-want +got):\n%s", diff)
	}
	m.All["unit"] = "g"
	got, faults := converted(t, b, of, l, m, Facts{Next: 7})
	if diff := cmp.Diff("code,name,kind,unit,inci_name\nM-7,Olive oil,raw,g,Olea Europaea Fruit Oil\n\nM-8,Salt,raw,g,Sodium Chloride\n", got); diff != "" || faults != nil {
		t.Errorf("%v (-want +got):\n%s", faults, diff)
	}
	m.Columns[1].Column = "name"
	if diff := cmp.Diff([]string{"column-1"}, faultNames(l.Check(of, m))); diff != "" {
		t.Errorf("one column twice (-want +got):\n%s", diff)
	}
}

// sorted puts names into the order of a list, those that are not in it last.
func sorted(names, order []string) (list []string) {
	for _, o := range order {
		for _, n := range names {
			if n == o {
				list = append(list, n)
			}
		}
	}
	for _, n := range names {
		if !strings.Contains(strings.Join(order, " "), n) {
			list = append(list, n)
		}
	}
	return list
}

func TestTimesAreThoseOfTheWorkshop(t *testing.T) {
	t.Parallel()
	dublin, err := time.LoadLocation("Europe/Dublin")
	check(t, err)
	b, of, l, m := looked(t, []byte("Batch,Made,Status\nA-1,14/03/2026 09:30,released\nA-2,14/07/2026,released\nA-3,14/07/2026 9:05 pm,released\nA-4,2026-07-14T09:30:00+02:00,released\n"), "batches")
	if diff := cmp.Diff([]string{"time-1"}, faultNames(l.Check(of, m))); diff != "" {
		t.Errorf("asked (-want +got):\n%s", diff)
	}
	m.Columns[1].Time = "08:00"
	got, faults := converted(t, b, of, l, m, Facts{Zone: dublin})
	if diff := cmp.Diff("code,made_at,status\nA-1,2026-03-14T09:30:00Z,released\nA-2,2026-07-14T07:00:00Z,released\nA-3,2026-07-14T20:05:00Z,released\nA-4,2026-07-14T07:30:00Z,released\n", got); diff != "" || faults != nil {
		t.Errorf("%v (-want +got):\n%s", faults, diff)
	}
	b, of, l, m = looked(t, []byte("Batch,Made,Status\nA-1,2026-03-29 01:30,released\nA-2,2026-10-25 01:30,released\nA-3,2026-10-25 25:30,released\n"), "batches")
	m.Columns[1].Time = "08:00"
	_, faults = converted(t, b, of, l, m, Facts{Zone: dublin})
	want := []string{"list:2: Made: 2026-03-29 01:30 does not happen in Europe/Dublin: the clocks go forward",
		"list:3: Made: 2026-10-25 01:30 happens twice in Europe/Dublin; write it with its offset, such as 2026-03-14T09:30:00+01:00", `list:4: Made: "2026-10-25 25:30" has no time of day that there is`}
	if diff := cmp.Diff(want, faults); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
}

func TestANameOfTheBookStandsForItsCode(t *testing.T) {
	t.Parallel()
	names := map[string]string{}
	for _, c := range [][2]string{{"OIL", "Olive oil"}, {"SALT", "Salt"}, {"SALT2", "Salt "}, {"WAX", "oil"}} {
		Called(names, c[0], c[1])
	}
	b, of, l, m := looked(t, []byte(lots+"L-1;olive  OIL;2026-04-03;1;released\nL-2;OIL;2026-04-03;1;released\nL-3;Tallow;2026-04-03;1;released\n"), "material_lots")
	facts := oil()
	facts.Codes = map[string]map[string]string{"material": names}
	got, faults := converted(t, b, of, l, m, facts)
	if diff := cmp.Diff("code,material,received_on,quantity,status\nL-1,OIL,2026-04-03,1,released\nL-2,OIL,2026-04-03,1,released\nL-3,Tallow,2026-04-03,1,released\n", got); diff != "" || faults != nil {
		t.Errorf("%v (-want +got):\n%s", faults, diff)
	}
	b, of, l, m = looked(t, []byte(lots+"L-1;Salt;2026-04-03;1;released\n"), "material_lots")
	if _, faults := converted(t, b, of, l, m, facts); len(faults) != 1 || faults[0] != `list:2: Material: more than one material is called "Salt"; write its code` {
		t.Errorf("of two names: %v", faults)
	}
}

func TestAMappingIsRememberedBySetOfHeadings(t *testing.T) {
	t.Parallel()
	_, of, l, m := looked(t, []byte("Lot no;Material;Received;Qty\nL-1;OIL;03/04/2026;1,250\n"), "material_lots")
	m.Columns[2].Dates, m.Columns[3].Decimals, m.Columns[3].Unit = MonthFirst, Comma, "kg"
	m.All["status"] = "released"
	kept := l.Remember(of, m)
	_, _, other, _ := looked(t, []byte("QTY;lot_no;Received;material\n2,250;L-2;05/06/2026;OIL\n"), "material_lots")
	if l.Key() != other.Key() {
		t.Error("the same headings in another order have another key")
	}
	got := other.Recall(of, kept)
	want := Mapping{Columns: []Choice{{Column: "quantity", Decimals: Comma, Unit: "kg"}, {Column: "code"}, {Column: "received_on", Dates: MonthFirst}, {Column: "material"}}, All: map[string]string{"status": "released"}}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
	_, _, third, _ := looked(t, []byte("QTY;lot_no;Received;material;Colour\n2,250;L-2;05/06/2026;OIL;red\n"), "material_lots")
	if l.Key() == third.Key() {
		t.Error("other headings have the same key")
	}
}

// The row numbers of the table that is made are the spreadsheet's: that is how faults of the later checks are told.
func TestRowsKeepTheirNumbers(t *testing.T) {
	t.Parallel()
	b, of, l, m := looked(t, []byte("Suppliers\n\nCode,Name\n\nA,Ash\n,\n\nB,\n"), "suppliers")
	got, _ := converted(t, b, of, l, m, Facts{})
	r, faults, err := interchange.NewReader(strings.NewReader(got), of)
	check(t, err)
	if len(faults) > 0 {
		t.Fatal(faults)
	}
	var numbers []int
	for {
		row, err := r.Next()
		if errors.Is(err, io.EOF) {
			break
		}
		check(t, err)
		numbers = append(numbers, row.Number)
	}
	if diff := cmp.Diff([]int{5, 8}, numbers); diff != "" {
		t.Errorf("(-want +got):\n%s\n%s", diff, got)
	}
}
