package sheet

import (
	"archive/zip"
	"bufio"
	"bytes"
	"compress/flate"
	"encoding/xml"
	"fmt"
	"io"
	"strconv"
	"strings"
)

// writtenMost is how many rows a sheet has at most (Excel's specifications and limits, from memory).
const writtenMost = 1 << 20

// The parts of a workbook beside its one sheet: what is in the package, where it begins, and one style in bold for the
// heads (ECMA-376, Office Open XML, from memory; what is written is read back by an independent library in the tests).
var fixedParts = []struct{ name, text string }{
	{"[Content_Types].xml", `<Types xmlns="http://schemas.openxmlformats.org/package/2006/content-types"><Default Extension="rels" ContentType="application/vnd.openxmlformats-package.relationships+xml"/><Default Extension="xml" ContentType="application/xml"/>` +
		`<Override PartName="/xl/workbook.xml" ContentType="application/vnd.openxmlformats-officedocument.spreadsheetml.sheet.main+xml"/><Override PartName="/xl/styles.xml" ContentType="application/vnd.openxmlformats-officedocument.spreadsheetml.styles+xml"/>` +
		`<Override PartName="/xl/worksheets/sheet1.xml" ContentType="application/vnd.openxmlformats-officedocument.spreadsheetml.worksheet+xml"/></Types>`},
	{"_rels/.rels", `<Relationships xmlns="http://schemas.openxmlformats.org/package/2006/relationships"><Relationship Id="rId1" Type="http://schemas.openxmlformats.org/officeDocument/2006/relationships/officeDocument" Target="xl/workbook.xml"/></Relationships>`},
	{"xl/_rels/workbook.xml.rels", `<Relationships xmlns="http://schemas.openxmlformats.org/package/2006/relationships"><Relationship Id="rId1" Type="http://schemas.openxmlformats.org/officeDocument/2006/relationships/worksheet" Target="worksheets/sheet1.xml"/>` +
		`<Relationship Id="rId2" Type="http://schemas.openxmlformats.org/officeDocument/2006/relationships/styles" Target="styles.xml"/></Relationships>`},
	{"xl/styles.xml", `<styleSheet xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main"><fonts count="2"><font><sz val="11"/><name val="Calibri"/></font><font><b/><sz val="11"/><name val="Calibri"/></font></fonts>` +
		`<fills count="2"><fill><patternFill patternType="none"/></fill><fill><patternFill patternType="gray125"/></fill></fills><borders count="1"><border><left/><right/><top/><bottom/><diagonal/></border></borders>` +
		`<cellStyleXfs count="1"><xf numFmtId="0" fontId="0" fillId="0" borderId="0"/></cellStyleXfs><cellXfs count="2"><xf numFmtId="0" fontId="0" fillId="0" borderId="0" xfId="0"/><xf numFmtId="0" fontId="1" fillId="0" borderId="0" xfId="0" applyFont="1"/></cellXfs></styleSheet>`},
}

// Writer writes a workbook of one sheet row by row, so that memory does not grow with the rows. Texts are stored as texts,
// whatever they begin with: no cell is a formula.
type Writer struct {
	zip  *zip.Writer
	out  *bufio.Writer
	text bytes.Buffer
	rows int
}

// NewWriter begins a workbook with the sheet's name (at most 31 letters, digits and spaces) and the heads of its columns,
// which stay in view.
func NewWriter(w io.Writer, name string, heads ...string) (*Writer, error) {
	z := zip.NewWriter(w)
	z.RegisterCompressor(zip.Deflate, func(w io.Writer) (io.WriteCloser, error) { return flate.NewWriter(w, flate.BestSpeed) })
	write := func(part, text string) error {
		f, err := z.Create(part)
		if err == nil {
			_, err = io.WriteString(f, xml.Header+text)
		}
		return err
	}
	for _, p := range fixedParts {
		if err := write(p.name, p.text); err != nil {
			return nil, err
		}
	}
	x := &Writer{zip: z}
	if err := write("xl/workbook.xml", `<workbook xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main" xmlns:r="http://schemas.openxmlformats.org/officeDocument/2006/relationships"><sheets><sheet name="`+x.escaped(name)+`" sheetId="1" r:id="rId1"/></sheets></workbook>`); err != nil {
		return nil, err
	}
	f, err := z.Create("xl/worksheets/sheet1.xml")
	if err != nil {
		return nil, err
	}
	x.out = bufio.NewWriterSize(f, 64<<10)
	fmt.Fprintf(x.out, xml.Header+`<worksheet xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main"><sheetViews><sheetView workbookViewId="0"><pane ySplit="1" topLeftCell="A2" activePane="bottomLeft" state="frozen"/></sheetView></sheetViews>`+
		`<cols><col min="1" max="%d" width="18" customWidth="1"/></cols><sheetData>`, max(1, len(heads)))
	cells := make([]any, len(heads))
	for i, h := range heads {
		cells[i] = h
	}
	return x, x.row(` s="1"`, cells)
}

// Row writes a row. A cell is a string or an int; another type, or a row too many, is an error.
func (x *Writer) Row(cells ...any) error { return x.row("", cells) }

func (x *Writer) row(style string, cells []any) error {
	if x.rows++; x.rows > writtenMost {
		return fmt.Errorf("sheet: more than %d rows", writtenMost)
	}
	x.out.WriteString("<row>")
	for _, c := range cells {
		switch c := c.(type) {
		case string:
			x.textCell(style, c)
		case int:
			x.out.WriteString("<c")
			x.out.WriteString(style)
			x.out.WriteString("><v>")
			x.out.Write(strconv.AppendInt(x.out.AvailableBuffer(), int64(c), 10))
			x.out.WriteString("</v></c>")
		default:
			return fmt.Errorf("sheet: a cell is a text or a whole number, not %T", c)
		}
	}
	_, err := x.out.WriteString("</row>") // the writer keeps its first error
	return err
}

// textCell writes a text; white space around it is kept only where XML is told so, and an empty one is an empty cell.
func (x *Writer) textCell(style, text string) {
	x.out.WriteString("<c")
	x.out.WriteString(style)
	if text == "" {
		x.out.WriteString("/>")
		return
	}
	x.out.WriteString(` t="inlineStr"><is><t`)
	if strings.TrimSpace(text) != text {
		x.out.WriteString(` xml:space="preserve"`)
	}
	x.out.WriteString(">")
	x.out.WriteString(x.escaped(text))
	x.out.WriteString("</t></is></c>")
}

// escaped is a text as XML holds it; a character that XML cannot hold is the replacement character.
func (x *Writer) escaped(text string) string {
	if !strings.ContainsFunc(text, func(c rune) bool { return c < ' ' || c > '~' || strings.ContainsRune(`<>&"'`, c) }) {
		return text
	}
	x.text.Reset()
	_ = xml.EscapeText(&x.text, []byte(text)) // a buffer takes everything
	return x.text.String()
}

// Close ends the sheet and the workbook. Without it the file is broken, and no reader takes it for whole.
func (x *Writer) Close() error {
	x.out.WriteString("</sheetData></worksheet>")
	if err := x.out.Flush(); err != nil {
		return err
	}
	return x.zip.Close()
}
