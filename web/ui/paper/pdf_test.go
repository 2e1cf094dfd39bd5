package paper_test

import (
	"bytes"
	"fmt"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/ledongthuc/pdf"

	"example.org/stillroom/internal/record"
	"example.org/stillroom/web/ui/paper"
	"example.org/stillroom/web/webtest"
)

var printedAt = time.Date(2026, 3, 16, 10, 0, 0, 0, time.UTC)

// pdfDocument is a document with one table of so many rows.
func pdfDocument(rows int, cells ...record.Cell) record.Document {
	t := record.Table{Caption: "Weighings", Columns: []record.Column{{Title: "Headword", Share: 30}, {Title: "Weighed", Share: 20, Number: true}, {Title: "Anything", Share: 50}}}
	for n := range rows {
		t.Rows = append(t.Rows, []record.Cell{{{Text: fmt.Sprintf("row-%03d", n)}}, {{Text: "803.2 g"}}, {{Text: "nothing"}}})
	}
	for _, c := range cells {
		t.Rows = append(t.Rows, []record.Cell{nil, nil, c})
	}
	return record.Document{Title: "Batch record OB-26073-01S", Workshop: "Quillmoor Workshop", Code: "OB-26073-01S", Printed: "Written out 16 Mar 2026 · chain of records 77, abab",
		Sections: []record.Section{{Key: "components", Title: "What was weighed", Clauses: []string{"21 CFR 211.188(b)(4)"}, Blocks: []record.Block{t, record.Facts{Title: "Facts", List: []record.Fact{{Term: "Term", Value: record.Cell{{Text: "value"}}}}}}}}}
}

func pdfOf(t testing.TB, d record.Document) []byte {
	t.Helper()
	file, err := paper.PDF(d, printedAt)
	if err != nil {
		t.Fatal(err)
	}
	return file
}

func TestALongTableGoesOverPagesWithItsHeadOnEachAndNoRowLost(t *testing.T) {
	t.Parallel()
	pages := webtest.PDFPages(t, pdfOf(t, pdfDocument(200)))
	if len(pages) < 4 {
		t.Fatalf("%d pages, want more than 3", len(pages))
	}
	rows := 0
	for n, page := range pages {
		if strings.Contains(page, "row-") && strings.Count(page, "Headword") != 1 {
			t.Errorf("page %d has the head %d times", n+1, strings.Count(page, "Headword"))
		}
		if want := fmt.Sprintf("page%dof%d", n+1, len(pages)); !strings.Contains(webtest.Flat(page), want) {
			t.Errorf("page %d does not say %q", n+1, want)
		}
		if !strings.Contains(webtest.Flat(page), "chainofrecords77") {
			t.Errorf("page %d does not name the chain", n+1)
		}
		rows += strings.Count(page, "row-")
	}
	if rows != 200 {
		t.Errorf("%d rows, want 200", rows)
	}
}

func TestARowLongerThanAPageGoesOnOverTheNext(t *testing.T) {
	t.Parallel()
	var words []string
	for n := range 1500 {
		words = append(words, fmt.Sprintf("word%04d", n))
	}
	pages := webtest.PDFPages(t, pdfOf(t, pdfDocument(3, record.Cell{{Text: strings.Join(words, " ")}})))
	all := strings.Join(pages, " ")
	for _, w := range words {
		if !strings.Contains(all, w) {
			t.Fatalf("%s is lost in %d pages", w, len(pages))
		}
	}
	if len(pages) < 3 {
		t.Errorf("%d pages, want the row to fill more than one", len(pages))
	}
}

func TestEveryTextIsDrawnInGlyphsThatTheFontHasOrAsItsCodePoint(t *testing.T) {
	t.Parallel()
	for _, tt := range []struct{ name, text, want string }{
		{"accents of Europe", "Crème brûlée, Łódź, Ōkami, Şükrü, ž", "Crèmebrûlée,Łódź,Ōkami,Şükrü,ž"},
		{"Greek and Cyrillic", "αβγ Ω µ Жук", "αβγΩµЖук"},
		{"signs of the trade", "19.5 °C, m², ≤ 5 %, 3 – 4, “so” …, ±", "19.5°C,m²,≤5%,3–4,“so”…,±"},
		{"a narrow space in a number", "1\u202f690 g", "1690g"},
		{"an emoji", "soap \U0001F600 bar", "soap[U+1F600]bar"},
		{"joined emoji", "\U0001F469\u200d\U0001F52C", "[U+1F469][U+1F52C]"},
		{"letters that no font here has", "茶", "[U+8336]"},
		{"Hebrew, drawn from right to left", "lot שלום 12", "lotםולש12"},
		{"a direction mark, which is nothing to see", "OB\u202e-1", "OB-1"},
		{"a control character", "a\x07b", "a[U+0007]b"},
		{"script stays text", "<script>alert(1)</script>", "<script>alert(1)</script>"},
		{"parentheses and backslashes", `(a\) \( b`, `(a\)\(b`},
	} {
		t.Run(tt.name, func(t *testing.T) {
			t.Parallel()
			for _, look := range []record.Look{record.Plain, record.Strong, record.Old, record.LotCode} {
				got := webtest.Flat(strings.Join(webtest.PDFPages(t, pdfOf(t, pdfDocument(1, record.Cell{{Text: tt.text, Look: look}}))), " "))
				if !strings.Contains(got, tt.want) {
					t.Errorf("look %d: no %q in %q", look, tt.want, got)
				}
			}
		})
	}
}

func TestALongWordIsBrokenAndNothingOfItLost(t *testing.T) {
	t.Parallel()
	word := strings.Repeat("abcdefghij", 60)
	got := webtest.Flat(strings.Join(webtest.PDFPages(t, pdfOf(t, pdfDocument(1, record.Cell{{Text: word}, {Text: "end"}}))), ""))
	if !strings.Contains(got, word+"end") {
		t.Errorf("the word is not whole in %q", got)
	}
}

func TestTheSameRecordAtTheSameMomentIsTheSameFile(t *testing.T) {
	t.Parallel()
	d := pdfDocument(60, record.Cell{{Text: "Crème \U0001F600"}})
	first, second := pdfOf(t, d), pdfOf(t, d)
	if !bytes.Equal(first, second) {
		t.Error("two files of the same record differ")
	}
	later, err := paper.PDF(d, printedAt.Add(time.Minute))
	if err != nil {
		t.Fatal(err)
	}
	if bytes.Equal(first, later) {
		t.Error("the moment does not stand in the file")
	}
}

func TestStruckWordsHaveALineThroughThem(t *testing.T) {
	t.Parallel()
	// Drawn lines are "x y m x y l S" in the page's stream; a struck word adds just one.
	lines := func(look record.Look) int {
		file := pdfOf(t, pdfDocument(1, record.Cell{{Text: "204.5 g", Look: look}}))
		r, err := pdf.NewReader(bytes.NewReader(file), int64(len(file)))
		if err != nil {
			t.Fatal(err)
		}
		return len(regexp.MustCompile(`[\d.]+ [\d.]+ m [\d.]+ [\d.]+ l S`).FindAll(webtest.PDFStream(t, r.Page(1).V.Key("Contents")), -1))
	}
	if diff := cmp.Diff(lines(record.Plain)+1, lines(record.Old)); diff != "" {
		t.Errorf("lines (-want +got):\n%s", diff)
	}
}
