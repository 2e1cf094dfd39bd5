package interchange

import (
	"encoding/csv"
	"errors"
	"io"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

func readRecords(text string) (rows [][]string, err error) {
	r, err := NewRecords(strings.NewReader(text), ',')
	for err == nil {
		var cells []string
		if cells, err = r.Next(); err == nil {
			rows = append(rows, append([]string(nil), cells...))
		}
	}
	if errors.Is(err, io.EOF) {
		err = nil
	}
	return rows, err
}

func TestRecordsAreReadAfterRFC4180(t *testing.T) {
	t.Parallel()
	for _, tt := range []struct {
		name, text string
		want       [][]string
		wrong      string
	}{
		{"nothing", "", nil, ""},
		{"no line break after the last row", "a,b", [][]string{{"a", "b"}}, ""},
		{"LF and CRLF", "a,b\nc,d\r\n", [][]string{{"a", "b"}, {"c", "d"}}, ""},
		{"empty fields", ",\n\"\",\n", [][]string{{"", ""}, {"", ""}}, ""},
		{"a quote, a comma and both line breaks inside", "\"a\"\"b\",\"c,d\",\"e\r\nf\ng\"\n", [][]string{{`a"b`, "c,d", "e\r\nf\ng"}}, ""},
		{"blanks stay", " a , b \n", [][]string{{" a ", " b "}}, ""},
		{"empty lines are no rows", "a\n\n\r\nb\n\n", [][]string{{"a"}, {"b"}}, ""},
		{"a byte-order mark", "\xef\xbb\xbfa\n", [][]string{{"a"}}, ""},
		{"a carriage return alone is part of a field", "a\rb\n", [][]string{{"a\rb"}}, ""},
		{"a quote never closed", "a,\"b\nc", nil, "a quote is opened and never closed"},
		{"a quote in the middle", "a\"b\n", nil, "a quote stands inside a field that does not begin with one"},
		{"something after a quote", "\"a\"b\n", nil, "something follows the quote that ends a field"},
		{"UTF-16", "\xff\xfea\x00", nil, "this is UTF-16 text; save the file as CSV in UTF-8"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			t.Parallel()
			rows, err := readRecords(tt.text)
			if diff := cmp.Diff(tt.want, rows); diff != "" {
				t.Errorf("rows (-want +got):\n%s", diff)
			}
			if wrong := ""; err != nil {
				wrong = err.Error()
				if wrong != tt.wrong {
					t.Errorf("error %q, want %q", wrong, tt.wrong)
				}
			} else if tt.wrong != "" {
				t.Errorf("no error, want %q", tt.wrong)
			}
		})
	}
}

// endless is a file that opens a quote and goes on for ever.
type endless struct{ read int }

func (e *endless) Read(p []byte) (int, error) {
	for n := range p {
		p[n] = 'a'
	}
	if e.read == 0 {
		p[0] = '"'
	}
	e.read += len(p)
	return len(p), nil
}

func TestARowWithoutEndIsRefusedBeforeItFillsMemory(t *testing.T) {
	t.Parallel()
	in := &endless{}
	r, err := NewRecords(in, ',')
	if err != nil {
		t.Fatal(err)
	}
	if _, err := r.Next(); err == nil || !strings.Contains(err.Error(), "is a quote not closed?") {
		t.Errorf("error %v", err)
	}
	if in.read > MostRow+1<<20 {
		t.Errorf("%d bytes were read", in.read)
	}
}

// FuzzRecords holds the reader to encoding/csv, an independent one, wherever both read the text. encoding/csv drops a
// carriage return before a line feed inside a field, so texts with carriage returns are held to themselves alone.
func FuzzRecords(f *testing.F) {
	for _, seed := range []string{"", "a,b\n", "\"a\"\"b\",\"c\nd\"\n", "a\"b", "\"a\"b", "\xef\xbb\xbfa,b\r\n1,2\r\n", "\"", ",,\n", "a\r\n\r\nb", "\x00,\xff\n"} {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, text string) {
		rows, err := readRecords(text)
		if strings.ContainsRune(text, '\r') || strings.HasPrefix(text, "\xff\xfe") || strings.HasPrefix(text, "\xfe\xff") {
			return
		}
		other := csv.NewReader(strings.NewReader(strings.TrimPrefix(text, "\xef\xbb\xbf")))
		other.FieldsPerRecord = -1
		want, otherErr := other.ReadAll()
		if (err == nil) != (otherErr == nil) {
			t.Fatalf("error %v, encoding/csv says %v", err, otherErr)
		}
		if err == nil {
			if diff := cmp.Diff(want, rows); diff != "" {
				t.Errorf("rows (-encoding/csv +ours):\n%s", diff)
			}
		}
	})
}

// FuzzReader reads any text as any table: it ends, says rows that rise, and what it took is taken again unchanged.
func FuzzReader(f *testing.F) {
	for n, table := range tables {
		f.Add(n, strings.Join(table.Header(), ",")+"\n"+strings.Repeat("1,", len(table.Columns)-1)+"1\n")
	}
	f.Add(7, "code,product,made_at,status\nA-1,,2026-01-02T03:04:05.60+01:00,released\n")
	f.Fuzz(func(t *testing.T, n int, text string) {
		table := tables[(n%len(tables)+len(tables))%len(tables)]
		r, faults, err := NewReader(strings.NewReader(text), table)
		if err != nil {
			t.Fatal(err)
		}
		if len(faults) > 0 {
			return
		}
		last := 0
		for {
			row, err := r.Next()
			if errors.Is(err, io.EOF) {
				return
			}
			if err != nil {
				t.Fatal(err)
			}
			if row.Number <= last {
				t.Fatalf("row %d after row %d", row.Number, last)
			}
			last = row.Number
			if len(row.Faults) > 0 {
				continue
			}
			for c, value := range row.Values {
				again, wrong := table.Columns[c].Value(value)
				if wrong != "" || again != value {
					t.Fatalf("%s: %q is read again as %q %s", table.Columns[c].Name, value, again, wrong)
				}
			}
		}
	})
}
