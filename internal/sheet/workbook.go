package sheet

import (
	"archive/zip"
	"bytes"
	"encoding/xml"
	"errors"
	"fmt"
	"io"
	"path"
	"regexp"
	"strconv"
	"strings"

	"example.org/stillroom/internal/interchange"
)

var tooWide = fmt.Sprintf("has more than %d columns", MostColumns)

// workbook is what the parts of an XLSX file say besides the cells: its sheets, the texts that cells point to, and
// which styles show a number as a date.
type workbook struct {
	files    map[string]*zip.File
	sheets   []sheetPart
	texts    []string
	formats  []format // by style
	from1904 bool
}

type sheetPart struct{ name, path string }

func (w *workbook) names() (list []string) {
	for _, s := range w.sheets {
		list = append(list, s.name)
	}
	return list
}

// damaged is said of what cannot be unpacked or is no XML. The library's own words would mean nothing to a maker.
func damaged(err error) error {
	var known *Broken
	if errors.As(err, &known) {
		return known
	}
	return broken("the workbook is damaged and cannot be read whole; save it anew and send it again")
}

func openWorkbook(data []byte) (*workbook, error) {
	z, err := zip.NewReader(bytes.NewReader(data), int64(len(data)))
	if err != nil {
		return nil, damaged(err)
	}
	w := &workbook{files: map[string]*zip.File{}}
	for _, f := range z.File {
		w.files[strings.ToLower(strings.TrimPrefix(f.Name, "/"))] = f
	}
	if w.files["xl/workbook.xml"] == nil {
		return nil, broken("this is a zip, and no XLSX workbook")
	}
	targets, err := w.targets()
	if err == nil {
		err = w.readSheets(targets)
	}
	if err == nil {
		err = w.readStyles()
	}
	if err == nil {
		err = w.readTexts()
	}
	if err != nil {
		return nil, damaged(err)
	}
	if len(w.sheets) == 0 {
		return nil, broken("the workbook has no sheet with cells that is shown")
	}
	return w, nil
}

// part reads one part; what unpacks to more than it may was made to fill a memory.
type part struct {
	*xml.Decoder
	in    io.ReadCloser
	left  int // bytes that may still be unpacked
	span  int // bytes since Decoder was last told that what it read is done with
	depth int
}

func (w *workbook) open(name string) (*part, error) {
	f := w.files[strings.ToLower(name)]
	if f == nil {
		return nil, nil
	}
	if f.UncompressedSize64 > mostUnpack {
		return nil, broken("the workbook unpacks to more than %d MB", mostUnpack>>20)
	}
	in, err := f.Open()
	if err != nil {
		return nil, err
	}
	p := &part{in: in, left: mostUnpack}
	p.Decoder = xml.NewDecoder(p)
	return p, nil
}

func (p *part) Read(b []byte) (int, error) {
	n, err := p.in.Read(b)
	p.left, p.span = p.left-n, p.span+n
	if p.left < 0 {
		return 0, broken("the workbook unpacks to more than %d MB", mostUnpack>>20)
	}
	if p.span > interchange.MostRow {
		return 0, broken("the row has more than %d bytes", interchange.MostRow)
	}
	return n, err
}

func (p *part) close() { _ = p.in.Close() }

// done says that nothing that was read is held any more.
func (p *part) done() { p.span = 0 }

// deepest is far below what the parts of a workbook nest.
const deepest = 100

// next is the next piece of XML; io.EOF after the last.
func (p *part) next() (xml.Token, error) {
	t, err := p.Token()
	if err != nil {
		return nil, err
	}
	switch t.(type) {
	case xml.StartElement:
		if p.depth++; p.depth > deepest {
			return nil, broken("the workbook is damaged: its parts nest without end")
		}
	case xml.EndElement:
		p.depth--
	}
	return t, nil
}

// each calls do at the start of every element of a part. A part that is not there has none.
func (w *workbook) each(name string, do func(*part, xml.StartElement) error) error {
	p, err := w.open(name)
	if err != nil || p == nil {
		return err
	}
	defer p.close()
	for {
		p.done()
		t, err := p.next()
		if errors.Is(err, io.EOF) {
			return nil
		}
		if err != nil {
			return err
		}
		if start, ok := t.(xml.StartElement); ok {
			if err := do(p, start); err != nil {
				return err
			}
		}
	}
}

func attr(e xml.StartElement, name string) string {
	for _, a := range e.Attr {
		if a.Name.Local == name {
			return a.Value
		}
	}
	return ""
}

// targets are the worksheets by the id by which the workbook names them.
func (w *workbook) targets() (map[string]string, error) {
	list := map[string]string{}
	err := w.each("xl/_rels/workbook.xml.rels", func(_ *part, e xml.StartElement) error {
		if e.Name.Local == "Relationship" && strings.HasSuffix(attr(e, "Type"), "/worksheet") {
			target := attr(e, "Target")
			if !strings.HasPrefix(target, "/") {
				target = path.Join("xl", target)
			}
			list[attr(e, "Id")] = strings.TrimPrefix(target, "/")
		}
		return nil
	})
	return list, err
}

// readSheets lists the sheets that are shown: what somebody hid was not meant to be sent.
func (w *workbook) readSheets(targets map[string]string) error {
	return w.each("xl/workbook.xml", func(_ *part, e xml.StartElement) error {
		switch e.Name.Local {
		case "workbookPr":
			w.from1904 = attr(e, "date1904") == "1" || attr(e, "date1904") == "true"
		case "sheet":
			id := ""
			for _, a := range e.Attr {
				if a.Name.Local == "id" && a.Name.Space != "" {
					id = a.Value
				}
			}
			if target := targets[id]; target != "" && (attr(e, "state") == "" || attr(e, "state") == "visible") {
				w.sheets = append(w.sheets, sheetPart{name: attr(e, "name"), path: target})
			}
		}
		return nil
	})
}

// readTexts reads the texts that cells point to.
func (w *workbook) readTexts() error {
	total := 0
	return w.each("xl/sharedStrings.xml", func(p *part, e xml.StartElement) error {
		if e.Name.Local != "si" {
			return nil
		}
		text, err := p.text("si")
		if total += len(text) + 16; total > mostTexts {
			return broken("the workbook holds more than %d MB of text", mostTexts>>20)
		}
		w.texts = append(w.texts, text)
		return err
	})
}

// text is the text of an element that was begun (si or is), without the readings above its signs.
func (p *part) text(until string) (string, error) {
	var b strings.Builder
	in, aside := 0, 0
	for {
		t, err := p.next()
		if err != nil {
			return "", cut(err)
		}
		switch t := t.(type) {
		case xml.StartElement:
			switch t.Name.Local {
			case "t":
				in++
			case "rPh":
				aside++
			}
		case xml.EndElement:
			switch t.Name.Local {
			case "t":
				in--
			case "rPh":
				aside--
			case until:
				return unescape(b.String()), nil
			}
		case xml.CharData:
			if in > 0 && aside == 0 {
				b.Write(t)
			}
		}
	}
}

// cut makes of an end in the middle of something what it is.
func cut(err error) error {
	if errors.Is(err, io.EOF) {
		return io.ErrUnexpectedEOF
	}
	return err
}

var escaped = regexp.MustCompile(`_x([0-9A-Fa-f]{4})_`)

// unescape reads _x000D_, by which a workbook writes what XML cannot hold (ECMA-376 part 1, 22.9.2.19, ST_Xstring).
func unescape(text string) string {
	if !strings.Contains(text, "_x") {
		return text
	}
	return escaped.ReplaceAllStringFunc(text, func(s string) string {
		n, err := strconv.ParseUint(s[2:6], 16, 32)
		if err != nil {
			return s
		}
		return string(rune(n))
	})
}
