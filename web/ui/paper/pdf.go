// Package paper draws a document of sections as a PDF on A4: a batch record, a list to sign, a report.
package paper

import (
	"bytes"
	"fmt"
	"strings"
	"time"

	"codeberg.org/go-pdf/fpdf"

	"example.org/stillroom/internal/record"
)

// The sheet in mm: A4 with room to punch and to staple.
const (
	pageWidth, pageHeight = 210.0, 297.0
	left, right           = 16.0, 14.0
	top, bottom           = 22.0, 20.0 // where text begins and ends
	width                 = pageWidth - left - right
	lineHeight            = 3.9
	gap                   = 1.1 // above and below the text of a row, and beside it
)

// face is a font with its size in points.
type face struct {
	family, style string
	size          float64
}

var (
	body    = face{"sans", "", 8.5}
	strong  = face{"sans", "B", 8.5}
	small   = face{"sans", "", 7}
	tagged  = face{"mono", "B", 8}
	head    = face{"sans", "B", 7.5}
	section = face{"sans", "B", 12}
	title   = face{"sans", "B", 17}
)

// piece is words in one face on one line.
type piece struct {
	text  string
	look  record.Look
	face  face
	width float64
}

type line []piece

func (l line) width() float64 {
	sum := 0.0
	for _, p := range l {
		sum += p.width
	}
	return sum
}

// printer lays a document out. It runs twice: the first time only to learn how many pages there are.
type printer struct {
	pdf   *fpdf.Fpdf
	doc   record.Document
	y     float64
	page  int
	total int
}

// PDF draws the document on A4: text that can be selected, table heads again on each page, "page n of m" with where the
// chain of records stood at every foot. The same document at the same moment gives the same bytes.
func PDF(d record.Document, at time.Time) ([]byte, error) {
	pages, _, err := layOut(d, at, 0)
	if err != nil {
		return nil, err
	}
	_, file, err := layOut(d, at, pages)
	return file, err
}

func layOut(d record.Document, at time.Time, total int) (pages int, file []byte, err error) {
	pdf := fpdf.New("P", "mm", "A4", "")
	// Both times and the order of objects are what would differ from one run to the next.
	pdf.SetCreationDate(at.UTC().Truncate(time.Second))
	pdf.SetModificationDate(at.UTC().Truncate(time.Second))
	pdf.SetCatalogSort(true)
	pdf.SetAutoPageBreak(false, 0)
	pdf.SetLang("en")
	pdf.SetTitle(legible(d.Title), true)
	pdf.SetAuthor(legible(d.Workshop), true)
	pdf.SetCreator("Stillroom", true)
	pdf.AddUTF8FontFromBytes("sans", "", sansRegular)
	pdf.AddUTF8FontFromBytes("sans", "B", sansBold)
	pdf.AddUTF8FontFromBytes("mono", "B", monoBold)
	p := &printer{pdf: pdf, doc: d, total: total}
	p.newPage()
	p.write(title, left, d.Title)
	p.y += 4
	for _, s := range d.Sections {
		p.section(s)
	}
	if total == 0 {
		return p.page, nil, pdf.Error()
	}
	var out bytes.Buffer
	if err := pdf.Output(&out); err != nil {
		return 0, nil, fmt.Errorf("paper: pdf: %w", err)
	}
	return p.page, out.Bytes(), nil
}

func (p *printer) use(f face) { p.pdf.SetFont(f.family, f.style, f.size) }

func (p *printer) newPage() {
	p.pdf.AddPage()
	p.page++
	p.pdf.SetTextColor(80, 80, 80)
	p.pdf.SetDrawColor(150, 150, 150)
	p.pdf.SetLineWidth(0.2)
	p.y = 10
	p.write(small, left, cut(p, small, p.doc.Workshop+" · "+p.doc.Title, width))
	p.pdf.Line(left, 15, left+width, 15)
	foot := pageHeight - bottom + 6
	p.pdf.Line(left, foot, left+width, foot)
	page := fmt.Sprintf("page %d of %d", p.page, p.total)
	p.use(small)
	used := p.pdf.GetStringWidth(page)
	p.y = foot + 1.5
	p.write(small, left+width-used, page)
	p.y = foot + 1.5
	p.write(small, left, cut(p, small, p.doc.Printed, width-used-4))
	p.pdf.SetTextColor(0, 0, 0)
	p.y = top
}

// cut shortens words to one line of a width.
func cut(p *printer, f face, text string, most float64) string {
	text = strings.ReplaceAll(legible(text), "\n", " ")
	p.use(f)
	if p.pdf.GetStringWidth(text) <= most {
		return text
	}
	letters := []rune(text)
	for len(letters) > 0 && p.pdf.GetStringWidth(string(letters)+"…") > most {
		letters = letters[:len(letters)-1]
	}
	return string(letters) + "…"
}

// write sets one line and moves below it.
func (p *printer) write(f face, x float64, text string) {
	p.use(f)
	height := f.size * 0.3528 // points in mm
	p.pdf.Text(x, p.y+height*0.85, visual(legible(text)))
	p.y += height * 1.3
}

// need begins a new page where less than so much is left of this one.
func (p *printer) need(height float64) {
	if p.y+height > pageHeight-bottom {
		p.newPage()
	}
}

func (p *printer) section(s record.Section) {
	// A title does not stand at the foot of a page with its table on the next.
	room := 26.0
	if len(s.Blocks) > 0 && s.Absent == "" {
		if t, ok := s.Blocks[0].(record.Table); ok {
			room = max(room, 14+p.columns(t).begins)
		}
	}
	p.need(room)
	p.y += 4
	p.write(section, left, s.Title)
	if len(s.Clauses) > 0 {
		p.pdf.SetTextColor(90, 90, 90)
		p.write(small, left, cut(p, small, strings.Join(s.Clauses, "; "), width))
		p.pdf.SetTextColor(0, 0, 0)
	}
	p.y += 1
	if s.Absent != "" {
		p.text(record.Cell{{Text: s.Absent}})
	}
	for _, b := range s.Blocks {
		p.block(b)
	}
}

func (p *printer) block(b record.Block) {
	switch b := b.(type) {
	case record.Facts:
		p.facts(b)
	case record.Table:
		p.table(b)
	case record.Text:
		p.text(record.Cell(b))
	case record.List:
		for _, cell := range b {
			p.text(cell)
		}
	}
	p.y += 2
}

func (p *printer) text(c record.Cell) {
	p.row([][]line{p.wrap(c, width)}, []float64{left}, []float64{width}, []bool{false}, nil)
}

func (p *printer) facts(b record.Facts) {
	p.need(3 * lineHeight)
	if b.Title != "" {
		p.write(strong, left, b.Title)
		p.y += 0.5
	}
	const term = 44.0
	for _, f := range b.List {
		p.row([][]line{p.wrap(record.Cell{{Text: f.Term, Look: record.Quiet}}, term-gap), p.wrap(f.Value, width-term)}, []float64{left, left + term}, []float64{term - gap, width - term}, []bool{false, false}, nil)
	}
}

// columns are where the cells of a table stand.
type columns struct {
	at, widths []float64
	numbers    []bool
	heads      [][]line
	begins     float64 // height of caption, heads and first row, which stay together
}

// mostBegins keeps a first row that is longer than a page from asking for more than there is.
const mostBegins = 20 * lineHeight

func (p *printer) columns(t record.Table) columns {
	shares := 0
	for _, c := range t.Columns {
		shares += c.Share
	}
	x, at := left, make([]float64, len(t.Columns))
	widths, numbers := make([]float64, len(t.Columns)), make([]bool, len(t.Columns))
	for i, c := range t.Columns {
		at[i], numbers[i] = x, c.Number
		widths[i] = width*float64(c.Share)/float64(shares) - 2*gap
		x += width * float64(c.Share) / float64(shares)
		if i > 0 && numbers[i-1] && !c.Number {
			// Words behind a figure need more room than words behind words.
			at[i], widths[i] = at[i]+2, widths[i]-2
		}
	}
	heads := make([][]line, len(t.Columns))
	for i, c := range t.Columns {
		heads[i] = p.wrapIn(record.Cell{{Text: c.Title}}, widths[i], func(record.Look) face { return head })
	}
	c := columns{at: at, widths: widths, numbers: numbers, heads: heads}
	most := 1
	if len(t.Rows) > 0 {
		for _, cell := range p.cells(t.Rows[0], widths) {
			most = max(most, len(cell))
		}
	}
	c.begins = min(float64(max(6, most+4))*lineHeight, mostBegins)
	return c
}

// cells wraps a row; what a row leaves out at its end is empty.
func (p *printer) cells(row []record.Cell, widths []float64) [][]line {
	cells := make([][]line, len(widths))
	for i := range widths {
		if i < len(row) {
			cells[i] = p.wrap(row[i], widths[i])
		}
	}
	return cells
}

func (p *printer) table(t record.Table) {
	c := p.columns(t)
	p.need(c.begins)
	if t.Caption != "" {
		p.write(strong, left, cut(p, strong, t.Caption, width))
		p.y += 0.5
	}
	drawHead := func() {
		p.lines(c.heads, c.at, c.widths, c.numbers)
		p.rule(0.35)
	}
	drawHead()
	for _, row := range t.Rows {
		p.row(p.cells(row, c.widths), c.at, c.widths, c.numbers, drawHead)
		p.rule(0.1)
	}
}

func (p *printer) rule(thick float64) {
	p.pdf.SetDrawColor(120, 120, 120)
	p.pdf.SetLineWidth(thick)
	p.pdf.Line(left, p.y, left+width, p.y)
}

// row draws cells beside each other, on a new page where they do not fit any more. A row that is longer than a page goes
// on over as many as it takes. again draws what stands above it on each page.
func (p *printer) row(cells [][]line, at, widths []float64, numbers []bool, again func()) {
	tall := 1
	for _, c := range cells {
		tall = max(tall, len(c))
	}
	turn := func() {
		p.newPage()
		if again != nil {
			again()
		}
	}
	const perPage = (pageHeight - bottom - top - 20) / lineHeight
	for from := 0; from < tall; {
		fit := int((pageHeight - bottom - p.y - 2*gap) / lineHeight)
		rest := tall - from
		if fit < rest && (from == 0 && float64(rest) <= perPage || fit < 3) {
			turn()
			fit = int((pageHeight - bottom - p.y - 2*gap) / lineHeight)
		}
		take := max(1, min(rest, fit))
		part := make([][]line, len(cells))
		for i, c := range cells {
			if from < len(c) {
				part[i] = c[from:min(len(c), from+take)]
			}
		}
		p.lines(part, at, widths, numbers)
		if from += take; from < tall {
			turn()
		}
	}
}

// lines draws the lines of cells that have room here.
func (p *printer) lines(cells [][]line, at, widths []float64, numbers []bool) {
	tall := 1
	for i, c := range cells {
		tall = max(tall, len(c))
		for n, l := range c {
			x := at[i] + gap
			if numbers[i] {
				x += widths[i] - l.width()
			}
			p.draw(l, x, p.y+gap+float64(n)*lineHeight)
		}
	}
	p.y += 2*gap + float64(tall)*lineHeight
}

func (p *printer) draw(l line, x, y float64) {
	for _, w := range l {
		p.use(w.face)
		switch w.look {
		case record.Old, record.Quiet:
			p.pdf.SetTextColor(80, 80, 80)
		default:
			p.pdf.SetTextColor(0, 0, 0)
		}
		base := y + lineHeight*0.76
		p.pdf.Text(x, base, visual(w.text))
		if w.look == record.Old {
			p.pdf.SetDrawColor(0, 0, 0)
			p.pdf.SetLineWidth(0.25)
			long := p.pdf.GetStringWidth(strings.TrimRight(w.text, " "))
			p.pdf.Line(x, base-1.0, x+long, base-1.0)
		}
		x += w.width
	}
	p.pdf.SetTextColor(0, 0, 0)
}

func faceOf(l record.Look) face {
	switch l {
	case record.Strong:
		return strong
	case record.BatchCode, record.LotCode:
		return tagged
	}
	return body
}

func (p *printer) wrap(c record.Cell, most float64) []line { return p.wrapIn(c, most, faceOf) }

// wrapIn breaks a cell into lines: at line feeds, between words, and within a word that is longer than a line.
func (p *printer) wrapIn(c record.Cell, most float64, faces func(record.Look) face) []line {
	lines := []line{nil}
	used := 0.0
	feed := func() { lines, used = append(lines, nil), 0 }
	for i, s := range c {
		f := faces(s.Look)
		p.use(f)
		space := p.pdf.GetStringWidth(" ")
		put := func(text string, wide float64) {
			last := &lines[len(lines)-1]
			if n := len(*last); n > 0 && (*last)[n-1].look == s.Look && (*last)[n-1].face == f {
				(*last)[n-1].text += text
				(*last)[n-1].width += wide
			} else {
				*last = append(*last, piece{text, s.Look, f, wide})
			}
			used += wide
		}
		for n, paragraph := range strings.Split(legible(s.Text), "\n") {
			if n > 0 && (i > 0 || n > 1 || used > 0) {
				feed()
			}
			for _, word := range strings.FieldsFunc(paragraph, func(r rune) bool { return r == ' ' }) {
				wide := p.pdf.GetStringWidth(word)
				switch {
				case used > 0 && used+space+wide <= most:
					// With the words before it, so that a line through struck words does not begin in the gap.
					before := lines[len(lines)-1]
					before[len(before)-1].text += " "
					before[len(before)-1].width += space
					used += space
				case used > 0:
					feed()
				}
				for wide > most {
					head, tail := p.split(word, most)
					put(head, p.pdf.GetStringWidth(head))
					feed()
					word, wide = tail, p.pdf.GetStringWidth(tail)
				}
				put(word, wide)
			}
		}
	}
	for len(lines) > 1 && len(lines[len(lines)-1]) == 0 {
		lines = lines[:len(lines)-1]
	}
	return lines
}

// split takes as much of a word as one line holds, at least one character.
func (p *printer) split(word string, most float64) (string, string) {
	letters := []rune(word)
	n := 1
	for n < len(letters)-1 && p.pdf.GetStringWidth(string(letters[:n+1])) <= most {
		n++
	}
	return string(letters[:n]), string(letters[n:])
}
