package webtest

import (
	"bytes"
	"regexp"
	"strings"
	"testing"
	"unicode/utf16"

	"github.com/ledongthuc/pdf"
)

// PDFPages reads a PDF's text page by page with a reader that is not the writer's, one drawn piece a line. It fails where
// a character was drawn that its font has no glyph for: that is a box, whatever the text says.
func PDFPages(t testing.TB, file []byte) []string {
	t.Helper()
	r, err := pdf.NewReader(bytes.NewReader(file), int64(len(file)))
	if err != nil {
		t.Fatal(err)
	}
	var pages []string
	for n := 1; n <= r.NumPage(); n++ {
		page := r.Page(n)
		glyphs := map[string][]byte{}
		fonts := page.Resources().Key("Font")
		for _, name := range fonts.Keys() {
			if !strings.Contains(string(PDFStream(t, fonts.Key(name).Key("ToUnicode"))), "<0000> <FFFF> <0000>") {
				t.Errorf("font %s does not say which letters its codes are: its text cannot be selected", name)
			}
			glyphs[name] = PDFStream(t, fonts.Key(name).Key("DescendantFonts").Index(0).Key("CIDToGIDMap"))
		}
		var text []string
		font := ""
		for _, op := range pdfOperator.FindAllSubmatch(PDFStream(t, page.V.Key("Contents")), -1) {
			if len(op[1]) > 0 {
				font = string(op[1])
				continue
			}
			codes := pdfString(op[2])
			for _, c := range codes {
				if at := 2 * int(c); at+1 >= len(glyphs[font]) || glyphs[font][at] == 0 && glyphs[font][at+1] == 0 {
					t.Errorf("page %d: font %s has no glyph for %U", n, font, c)
				}
			}
			text = append(text, string(utf16.Decode(codes)))
		}
		pages = append(pages, strings.Join(text, "\n"))
	}
	return pages
}

// pdfOperator is a font chosen, or a string shown.
var pdfOperator = regexp.MustCompile(`(?s)/(F\w+) [\d.]+ Tf|\(((?:[^()\\]|\\.)*)\) ?Tj`)

// PDFStream is the bytes of a stream of a PDF, unpacked.
func PDFStream(t testing.TB, v pdf.Value) []byte {
	t.Helper()
	var b bytes.Buffer
	if _, err := b.ReadFrom(v.Reader()); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

// pdfString reads a string of two-byte codes (PDF 32000-1:2008, 7.3.4.2, from memory).
func pdfString(raw []byte) []uint16 {
	var plain []byte
	for i := 0; i < len(raw); i++ {
		c := raw[i]
		if c == '\\' && i+1 < len(raw) {
			i++
			if c = raw[i]; c == 'r' {
				c = '\r'
			}
		}
		plain = append(plain, c)
	}
	var codes []uint16
	for i := 0; i+1 < len(plain); i += 2 {
		codes = append(codes, uint16(plain[i])<<8|uint16(plain[i+1]))
	}
	return codes
}

// Flat is text without white space: a reader puts spaces and lines where it likes.
func Flat(text string) string {
	return strings.NewReplacer("\u00a0", "", "\u202f", "").Replace(strings.Join(strings.Fields(text), ""))
}
