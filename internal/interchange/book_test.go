package interchange_test

import (
	"errors"
	"io"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"example.org/stillroom/internal/interchange"
)

func bookOf(columns ...interchange.BookColumn) interchange.BookTable {
	return interchange.BookTable{Name: "jar", Columns: columns}
}

// readBook gives what the rows hold, "-" for nothing, and what is wrong.
func readBook(t *testing.T, table interchange.BookTable, text string) (rows [][]string, told []string) {
	t.Helper()
	r, faults, err := interchange.NewBookReader(strings.NewReader(text), table)
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range faults {
		told = append(told, f.String())
	}
	for len(faults) == 0 {
		row, err := r.Next()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			t.Fatal(err)
		}
		for _, f := range row.Faults {
			told = append(told, f.String())
		}
		var cells []string
		for _, c := range row.Cells {
			if c.None {
				cells = append(cells, "-")
			} else {
				cells = append(cells, c.Text)
			}
		}
		rows = append(rows, cells)
	}
	return rows, told
}

func TestNothingAndAnEmptyTextAreTwoThings(t *testing.T) {
	t.Parallel()
	table := bookOf(interchange.BookColumn{Name: "note"}, interchange.BookColumn{Name: "name", Needed: true}, interchange.BookColumn{Name: "n", Kind: interchange.BookWhole})
	rows, told := readBook(t, table, "n,note,name\n,,\n1,\"\",\"\"\n2,\"a\nb\",\"c\"\"d\"\n")
	if diff := cmp.Diff([][]string{{"-", "", "-"}, {"", "", "1"}, {"a\nb", `c"d`, "2"}}, rows); diff != "" || told != nil {
		t.Errorf("rows (-want +got):\n%s\n%q", diff, told)
	}
	if rows, told := readBook(t, table, "name\nx\n"); len(told) > 0 || rows[0][0] != "-" || rows[0][2] != "-" {
		t.Errorf("columns left out: %q %q", rows, told)
	}
}

func TestAValueOfTheBookIsReadInItsOneForm(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		kind       interchange.BookKind
		cell, want string // want begins with ! for a fault
	}{
		"text":                    {interchange.BookText, " as it is ", " as it is "},
		"not UTF-8":               {interchange.BookText, "\xff", "!UTF-8"},
		"a NUL":                   {interchange.BookText, "a\x00b", "!NUL"},
		"an id":                   {interchange.BookID, "018F3A52-6A0E-7CC1-9D5E-1F2A3B4C5D6E", "018f3a52-6a0e-7cc1-9d5e-1f2a3b4c5d6e"},
		"an id in braces":         {interchange.BookID, "{018f3a52-6a0e-7cc1-9d5e-1f2a3b4c5d6e}", "!is no id"},
		"a number keeps its form": {interchange.BookNumber, "12.50", "12.50"},
		"an exponent":             {interchange.BookNumber, "1e5", "!is not a number"},
		"no number":               {interchange.BookNumber, "NaN", "!is not a number"},
		"whole":                   {interchange.BookWhole, "-2147483647", "-2147483647"},
		"too many":                {interchange.BookWhole, "2147483648", "!has to be from"},
		"long":                    {interchange.BookLong, "2147483648", "2147483648"},
		"a flag":                  {interchange.BookFlag, "t", "!is none of true, false"},
		"a day":                   {interchange.BookDay, "2026-02-30", "!there is no such day"},
		"a moment":                {interchange.BookMoment, "2026-03-14T10:30:00.250+01:00", "2026-03-14T09:30:00.25Z"},
		"a moment too fine":       {interchange.BookMoment, "2026-03-14T10:30:00.2500001Z", "!finer than a microsecond"},
		"bytes":                   {interchange.BookBytes, "00ff", `\x00ff`},
		"half a byte":             {interchange.BookBytes, "0", "!is no pairs"},
		"JSON":                    {interchange.BookJSON, `[{"per_unit": "1", "n": 12.5}]`, `[{"per_unit": "1", "n": 12.5}]`},
		"JSON cut off":            {interchange.BookJSON, `[{"per`, "!is no JSON"},
		"JSON with half a sign":   {interchange.BookJSON, `"\ud800"`, "!is no JSON"},
		"JSON with a NUL":         {interchange.BookJSON, `"\u0000"`, "!is no JSON"},
		"JSON of vast numbers":    {interchange.BookJSON, `1e999999`, "!is no JSON"},
	} {
		rows, told := readBook(t, bookOf(interchange.BookColumn{Name: "v", Kind: c.kind}), "v\n\""+strings.ReplaceAll(c.cell, `"`, `""`)+"\"\n")
		if want, bad := strings.CutPrefix(c.want, "!"); bad {
			if len(told) != 1 || !strings.HasPrefix(told[0], "book/jar.csv:2: v: ") || !strings.Contains(told[0], want) || rows[0][0] != "-" {
				t.Errorf("%s: %q %q, want %q", name, rows, told, want)
			}
		} else if len(told) > 0 || rows[0][0] != want {
			t.Errorf("%s: %q %q, want %q", name, rows, told, want)
		}
	}
}

func TestAHeaderOrARowThatDoesNotFitIsTold(t *testing.T) {
	t.Parallel()
	table := bookOf(interchange.BookColumn{Name: "id", Kind: interchange.BookID, Needed: true}, interchange.BookColumn{Name: "kind", Needed: true, Filled: true})
	for name, c := range map[string]struct{ text, want string }{
		"nothing":           {"", "book/jar.csv:1: the file is empty"},
		"an unknown column": {"id,shade\n", `book/jar.csv:1: unknown column "shade"`},
		"one missing":       {"kind\n", "book/jar.csv:1: id: the column is missing"},
		"one twice":         {"id,id\n", "book/jar.csv:1: id: the column stands there twice"},
		"too few fields":    {"id,kind\nx\n", "book/jar.csv:2: has 1 fields, the header has 2"},
		"needed":            {"id\n\"\"\n,\n", "book/jar.csv:2: id: "},
		"a quote left open": {"id\n\"x", "book/jar.csv:2: a quote is opened and never closed"},
		"UTF-16":            {"\xff\xfei\x00", "book/jar.csv:1: this is UTF-16 text"},
	} {
		if _, told := readBook(t, table, c.text); len(told) == 0 || !strings.HasPrefix(told[0], c.want) {
			t.Errorf("%s: %q, want %q", name, told, c.want)
		}
	}
}
