package interchange_test

import (
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/shopspring/decimal"
	"pgregory.net/rapid"

	"example.org/stillroom/internal/interchange"
)

func column(t *testing.T, table, name string) interchange.Column {
	t.Helper()
	tab, ok := interchange.Lookup(table)
	at := slices.IndexFunc(tab.Columns, func(c interchange.Column) bool { return c.Name == name })
	if !ok || at < 0 {
		t.Fatalf("no column %s of %s", name, table)
	}
	return tab.Columns[at]
}

func TestValuesAreWrittenInOneForm(t *testing.T) {
	t.Parallel()
	for _, tt := range []struct{ table, column, cell, want, wrong string }{
		{"material_lots", "quantity", "0012.500", "12.5", ""},
		{"material_lots", "quantity", "0.0", "0", ""},
		{"material_lots", "quantity", "100", "100", ""},
		{"stock_moves", "quantity", "-0.50", "-0.5", ""},
		{"stock_moves", "quantity", "-0", "0", ""},
		{"material_lots", "quantity", "1,5", "", `"1,5" is not a number with a point, such as 12.5`},
		{"material_lots", "quantity", "1e3", "", `"1e3" is not a number with a point, such as 12.5`},
		{"material_lots", "quantity", " 1", "", `" 1" is not a number with a point, such as 12.5`},
		{"material_lots", "quantity", "-0.1", "", `-0.1: has to be 0 or more`},
		{"material_lots", "received_on", "2024-02-29", "2024-02-29", ""},
		{"material_lots", "received_on", "2026-02-29", "", `"2026-02-29": there is no such day`},
		{"material_lots", "received_on", "29/02/2024", "", `"29/02/2024" is not a date such as 2026-03-14`},
		{"batches", "made_at", "2026-03-14T09:30:00Z", "2026-03-14T09:30:00Z", ""},
		{"batches", "made_at", "2026-03-14t10:30:00.500000+01:00", "2026-03-14T09:30:00.5Z", ""},
		{"batches", "made_at", "2026-03-14T09:30:00", "", `"2026-03-14T09:30:00" is not a moment such as 2026-03-14T09:30:00Z (with its offset from UTC)`},
		{"batches", "made_at", "2026-03-14T24:30:00Z", "", `"2026-03-14T24:30:00Z": there is no such moment`},
		{"batches", "humidity_pct", "100", "100", ""},
		{"batches", "humidity_pct", "100.1", "", `100.1: has to be 100 or less`},
		{"batches", "units_good", "1.5", "", `"1.5" is not a whole number`},
		{"batches", "code", "LV 1", "", `"LV 1": a batch code cannot hold a space; letters, digits and - . / are safe`},
		{"batches", "code", "", "", `is empty, and is needed`},
		{"materials", "tracked", "", "true", ""},
		{"materials", "tracked", "yes", "", `"yes" is none of true, false`},
		{"suppliers", "code", strings.Repeat("x", 41), "", `has 41 characters; a code has 1 to 40`},
		{"suppliers", "name", "  kept as it is ", "  kept as it is ", ""},
		{"suppliers", "name", strings.Repeat("é", 201), "", `has 201 characters; 200 are the most`},
	} {
		t.Run(tt.column+" "+tt.cell, func(t *testing.T) {
			t.Parallel()
			got, wrong := column(t, tt.table, tt.column).Value(tt.cell)
			if got != tt.want || wrong != tt.wrong {
				t.Errorf("Value(%q) = %q, %q; want %q, %q", tt.cell, got, wrong, tt.want, tt.wrong)
			}
		})
	}
}

// TestNumbersKeepTheirValue holds the plain form and the limits to shopspring/decimal, an independent reader.
func TestNumbersKeepTheirValue(t *testing.T) {
	t.Parallel()
	humidity := column(t, "batches", "humidity_pct")
	quantity := column(t, "stock_moves", "quantity")
	rapid.Check(t, func(t *rapid.T) {
		cell := rapid.StringMatching(`-?[0-9]{1,6}(\.[0-9]{1,6})?`).Draw(t, "cell")
		want := decimal.RequireFromString(cell)
		got, wrong := quantity.Value(cell)
		if wrong != "" || got != want.String() {
			t.Fatalf("Value(%q) = %q, %q; want %s", cell, got, wrong, want)
		}
		_, wrong = humidity.Value(cell)
		outside := want.IsNegative() || want.GreaterThan(decimal.NewFromInt(100))
		if (wrong != "") != outside {
			t.Fatalf("humidity %q: %q", cell, wrong)
		}
	})
}

func TestCirclesAreTheRowsThatLeadBack(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(1, 12).Draw(t, "nodes")
		type edge struct{ From, To int }
		edges := rapid.SliceOfN(rapid.Custom(func(t *rapid.T) edge {
			return edge{rapid.IntRange(0, n-1).Draw(t, "from"), rapid.IntRange(0, n-1).Draw(t, "to")}
		}), 0, 30).Draw(t, "edges")
		var g interchange.Edges[int]
		// The slow and plain way: what can be reached from what, until nothing is added.
		reach := make([][]bool, n)
		for i := range reach {
			reach[i] = make([]bool, n)
		}
		for row, e := range edges {
			g.Add(row+1, e.From, e.To)
			reach[e.From][e.To] = true
		}
		for range n {
			for a := range n {
				for b := range n {
					for c := range n {
						reach[a][c] = reach[a][c] || reach[a][b] && reach[b][c]
					}
				}
			}
		}
		var want, got []int
		for row, e := range edges {
			if reach[e.To][e.From] || e.From == e.To {
				want = append(want, row+1)
			}
		}
		for _, c := range g.Circles() {
			got = append(got, c.Row)
		}
		if diff := cmp.Diff(want, got); diff != "" {
			t.Fatalf("rows (-want +got):\n%s", diff)
		}
	})
}

func TestEveryTableIsExplained(t *testing.T) {
	t.Parallel()
	for _, table := range interchange.Tables() {
		if table.Doc == "" {
			t.Errorf("%s has no words", table.Name)
		}
		for _, c := range table.Columns {
			if c.Doc == "" || c.Kind == interchange.Text && c.Max == 0 {
				t.Errorf("%s.%s is not explained, or has no limit", table.Name, c.Name)
			}
		}
	}
}
