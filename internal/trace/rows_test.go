package trace_test

import (
	"bytes"
	"encoding/json"
	"errors"
	"io"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/shopspring/decimal"
	"pgregory.net/rapid"

	"example.org/stillroom/internal/trace"
)

const (
	lineHeader = "batch,product,product_name,made_on,best_before,units,returned,customer,customer_name," +
		"customer_kind,email,phone,dispatch,dispatched_on,packing\n"
	sourceHeader = "depth,batch,material_lot,material,material_name,supplier,supplier_name,supplier_lot," +
		"expires_on,quantity,source_batch,into_lot,unit,source_packing\n"
)

// peopleHeader is the table as a list for people.
var peopleHeader = strings.TrimSuffix(lineHeader, "\n") + ",also_marked\n"

func TestTotalsAddUpAndCountCustomersOnce(t *testing.T) {
	t.Parallel()
	rows := []trace.BatchRow{
		trace.BatchRow{Code: "QM-26073-01Z"}.WithUnits(trace.Units{Good: 48, Dispatched: 30, Returned: 4, RestockedOrHeld: 1, Destroyed: 3}),
		trace.BatchRow{Code: "QM-26074-01K", Depth: 1}.WithUnits(trace.Units{Good: 52, Dispatched: 20, Used: 6, Moved: -2}),
		trace.BatchRow{Code: "QM-26075-01B", Depth: 2},
	}
	lines := []trace.Line{
		{Customer: "HARBOUR"}, {Customer: "MILL"}, {Customer: "HARBOUR"}, {CustomerKind: trace.OnHandKind},
	}
	full := 100.0
	want := trace.Totals{
		Batches: 3, Customers: 2, UnitsGood: 100, UnitsOnHand: 43, UnitsDispatched: 50, UnitsReturned: 4,
		UnitsDestroyed: 3, UnitsUsed: 6, UnitsMoved: -2, AccountedPct: &full,
	}
	if diff := cmp.Diff(want, trace.Total(rows, trace.Customers(lines))); diff != "" {
		t.Errorf("Total (-want +got):\n%s", diff)
	}
}

func TestForwardJSONHasTheNamesOfTheInterchange(t *testing.T) {
	t.Parallel()
	row := trace.BatchRow{
		Code: "QM-26073-01Z", Product: "OAT-90", MadeOn: "2026-03-14", BestBefore: "2027-03-31", Status: "released", Depth: 1,
	}.WithUnits(trace.Units{Good: 48, Dispatched: 24, Returned: 2, RestockedOrHeld: 1, Destroyed: 1, Used: 3, Moved: -1})
	line := trace.Line{
		Batch: "QM-26073-01Z", Product: "OAT-90", ProductName: "Oat bar, 90 g", MadeOn: "2026-03-14",
		BestBefore: "2027-03-31", Units: 24, Returned: 2, Customer: "MILL", CustomerName: "Mill & Daughter",
		CustomerKind: "stockist", Email: "mill@example.org", Phone: "+44 20 7946 0000", Dispatch: "D-1",
		DispatchedOn: "2026-05-02", Packing: "QM-26073-01AQ",
	}
	got, err := json.Marshal(trace.NewForward(trace.Origin{Kind: "lot", Code: "OIL-1"}, []trace.BatchRow{row}, []trace.Line{line}))
	if err != nil {
		t.Fatal(err)
	}
	want := `{"origin":{"kind":"lot","code":"OIL-1"},` +
		`"batches":[{"code":"QM-26073-01Z","product":"OAT-90","made_on":"2026-03-14","best_before":"2027-03-31",` +
		`"status":"released","depth":1,"units_good":48,"units_on_hand":21,"units_dispatched":24,"units_returned":2,` +
		`"units_destroyed":1,"units_used":3,"units_moved":-1}],` +
		`"lines":[{"batch":"QM-26073-01Z","product":"OAT-90","product_name":"Oat bar, 90 g","made_on":"2026-03-14",` +
		`"best_before":"2027-03-31","units":24,"returned":2,"customer":"MILL","customer_name":"Mill \u0026 Daughter",` +
		`"customer_kind":"stockist","email":"mill@example.org","phone":"+44 20 7946 0000","dispatch":"D-1",` +
		`"dispatched_on":"2026-05-02","packing":"QM-26073-01AQ"}],` +
		`"totals":{"batches":1,"customers":1,"units_good":48,"units_on_hand":21,"units_dispatched":24,` +
		`"units_returned":2,"units_destroyed":1,"units_used":3,"units_moved":-1,"accounted_pct":100}}`
	if diff := cmp.Diff(want, string(got)); diff != "" {
		t.Errorf("JSON (-want +got):\n%s", diff)
	}
}

func TestAnEmptyTraceHasEmptyListsAndNoPercentage(t *testing.T) {
	t.Parallel()
	for _, tt := range []struct {
		name string
		doc  any
		want string
	}{
		{
			"forward", trace.NewForward(trace.Origin{Kind: "batch", Code: "QM-1"}, nil, nil),
			`{"origin":{"kind":"batch","code":"QM-1"},"batches":[],"lines":[],"totals":{"batches":0,"customers":0,` +
				`"units_good":0,"units_on_hand":0,"units_dispatched":0,"units_returned":0,"units_destroyed":0,` +
				`"units_used":0,"units_moved":0,"accounted_pct":null}}`,
		},
		{
			"backward", trace.NewBackward(trace.Origin{Kind: "batch", Code: "QM-1"}, nil),
			`{"origin":{"kind":"batch","code":"QM-1"},"lines":[]}`,
		},
	} {
		t.Run(tt.name, func(t *testing.T) {
			t.Parallel()
			got, err := json.Marshal(tt.doc)
			if err != nil {
				t.Fatal(err)
			}
			if diff := cmp.Diff(tt.want, string(got)); diff != "" {
				t.Errorf("JSON (-want +got):\n%s", diff)
			}
		})
	}
}

func TestASourceQuantityIsABareExactNumberInJSON(t *testing.T) {
	t.Parallel()
	line := trace.SourceLine{
		Depth: 1, Batch: "QM-1", MaterialLot: "OIL-1", Material: "OLIVE", MaterialName: "Olive oil", Supplier: "PRESS",
		SupplierName: "The Press", SupplierLot: "4471", ExpiresOn: "2027-01-31",
		Quantity: decimal.RequireFromString("12345678901234567.1250"), IntoLot: "TUB-2", Unit: "g",
	}
	text, err := json.Marshal(line)
	if err != nil {
		t.Fatal(err)
	}
	var got map[string]any
	reader := json.NewDecoder(bytes.NewReader(text))
	reader.UseNumber()
	if err := reader.Decode(&got); err != nil {
		t.Fatal(err)
	}
	want := map[string]any{
		"depth": json.Number("1"), "batch": "QM-1", "material_lot": "OIL-1", "material": "OLIVE",
		"material_name": "Olive oil", "supplier": "PRESS", "supplier_name": "The Press", "supplier_lot": "4471",
		"expires_on": "2027-01-31", "quantity": json.Number("12345678901234567.125"), "source_batch": "",
		"into_lot": "TUB-2", "unit": "g", "source_packing": "",
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("JSON (-want +got):\n%s", diff)
	}
}

// nasty is a line whose every text is one that a table or a spreadsheet trips over.
var nasty = trace.Line{
	Batch: "=1+1", Product: "+P", ProductName: `Oat "bar", 90 g`, MadeOn: "2026-03-14", Units: -3, Returned: 2,
	Customer: "@SUM(A1)", CustomerName: "two\nlines", CustomerKind: "-stockist", Email: "\ttab", Phone: "+44 20 7946 0000",
	Dispatch: "\rD", DispatchedOn: "2026-05-02", Packing: " led by a space ", AlsoMarked: "=CODE",
}

func TestInterchangeIsExact(t *testing.T) {
	t.Parallel()
	want := lineHeader + `=1+1,+P,"Oat ""bar"", 90 g",2026-03-14,,-3,2,@SUM(A1),"two` + "\n" + `lines",-stockist,` +
		"\"\ttab\",+44 20 7946 0000,\"\rD\",2026-05-02,\" led by a space \"\n"
	if diff := cmp.Diff(want, written(t, trace.CSV, []trace.Line{nasty})); diff != "" {
		t.Errorf("CSV (-want +got):\n%s", diff)
	}
}

func TestAListForPeopleHoldsNoFormula(t *testing.T) {
	t.Parallel()
	want := peopleHeader + `'=1+1,'+P,"Oat ""bar"", 90 g",2026-03-14,,-3,2,'@SUM(A1),"two` + "\n" + `lines",'-stockist,` +
		"'\ttab,'+44 20 7946 0000,\"'\rD\",2026-05-02,\" led by a space \",'=CODE\n"
	if diff := cmp.Diff(want, written(t, trace.RecallCSV, []trace.Line{nasty})); diff != "" {
		t.Errorf("RecallCSV (-want +got):\n%s", diff)
	}
}

func TestSourcesGoOutExactAndGuarded(t *testing.T) {
	t.Parallel()
	lines := []trace.SourceLine{
		{
			Batch: "QM-1", MaterialLot: "OIL-1", Material: "OLIVE", MaterialName: "Olive oil", Supplier: "PRESS",
			SupplierName: "=The Press", SupplierLot: "-4471", ExpiresOn: "2027-01-31",
			Quantity: decimal.RequireFromString("803.20"), Unit: "g",
		},
		{Depth: 1, Batch: "QM-0", Quantity: decimal.RequireFromString("-5"), SourceBatch: "@QM", SourcePacking: "@QM-A"},
	}
	want := sourceHeader + "0,QM-1,OIL-1,OLIVE,Olive oil,PRESS,=The Press,-4471,2027-01-31,803.2,,,g,\n" +
		"1,QM-0,,,,,,,,-5,@QM,,,@QM-A\n"
	if diff := cmp.Diff(want, written(t, trace.SourcesCSV, lines)); diff != "" {
		t.Errorf("SourcesCSV (-want +got):\n%s", diff)
	}
	want = sourceHeader + "0,QM-1,OIL-1,OLIVE,Olive oil,PRESS,'=The Press,'-4471,2027-01-31,803.2,,,g,\n" +
		"1,QM-0,,,,,,,,-5,'@QM,,,'@QM-A\n"
	if diff := cmp.Diff(want, written(t, trace.SourcesListCSV, lines)); diff != "" {
		t.Errorf("SourcesListCSV (-want +got):\n%s", diff)
	}
}

func TestAnEmptyTableStillHasItsHeader(t *testing.T) {
	t.Parallel()
	for name, got := range map[string][2]string{
		"lines":             {lineHeader, written(t, trace.CSV, nil)},
		"lines for people":  {peopleHeader, written(t, trace.RecallCSV, nil)},
		"sources":           {sourceHeader, written(t, trace.SourcesCSV, nil)},
		"source for people": {sourceHeader, written(t, trace.SourcesListCSV, nil)},
	} {
		if diff := cmp.Diff(got[0], got[1]); diff != "" {
			t.Errorf("%s (-want +got):\n%s", name, diff)
		}
	}
}

func TestAnyTextComesBackFromTheTable(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		text := rapid.StringOf(rapid.RuneFrom([]rune("ab ,\"'\r\n\t=+-@;é")))
		line := trace.Line{
			Batch: text.Draw(t, "batch"), ProductName: text.Draw(t, "name"), CustomerName: text.Draw(t, "customer"),
			Packing: text.Draw(t, "packing"), Units: rapid.IntRange(-9, 9).Draw(t, "units"),
		}
		var exact, people bytes.Buffer
		if err := errors.Join(trace.CSV(&exact, []trace.Line{line}), trace.RecallCSV(&people, []trace.Line{line})); err != nil {
			t.Fatal(err)
		}
		pick := func(table string, cells int) []string {
			rows := read(table)
			if len(rows) != 2 || len(rows[1]) != cells {
				t.Fatalf("%d rows, the last of %d cells, in %q", len(rows), len(rows[len(rows)-1]), table)
			}
			return []string{rows[1][0], rows[1][2], rows[1][8], rows[1][14]}
		}
		want := []string{line.Batch, line.ProductName, line.CustomerName, line.Packing}
		if diff := cmp.Diff(want, pick(exact.String(), 15)); diff != "" {
			t.Fatalf("interchange (-stored +read):\n%s", diff)
		}
		for i, cell := range pick(people.String(), 16) {
			if cell != "" && strings.ContainsAny(cell[:1], "=+-@\t\r") {
				t.Fatalf("a spreadsheet takes %q for a formula", cell)
			}
			if cell != want[i] && cell != "'"+want[i] {
				t.Fatalf("%q became %q", want[i], cell)
			}
		}
	})
}

func TestAWriterThatFailsIsToldOf(t *testing.T) {
	t.Parallel()
	many := make([]trace.Line, 1000) // more than one buffer, so that the rows fail too
	for name, err := range map[string]error{
		"lines":              trace.CSV(full{}, nil),
		"many lines":         trace.CSV(full{}, many),
		"lines for people":   trace.RecallCSV(full{}, nil),
		"sources":            trace.SourcesCSV(full{}, make([]trace.SourceLine, 1000)),
		"sources for people": trace.SourcesListCSV(full{}, nil),
	} {
		if !errors.Is(err, errFull) {
			t.Errorf("%s: err = %v, want the writer's", name, err)
		}
	}
}

var errFull = errors.New("disk full")

type full struct{}

func (full) Write([]byte) (int, error) { return 0, errFull }

func written[T any](t *testing.T, write func(io.Writer, []T) error, lines []T) string {
	t.Helper()
	var out bytes.Buffer
	if err := write(&out, lines); err != nil {
		t.Fatal(err)
	}
	return out.String()
}

// read is a reader of RFC 4180 of our own, since encoding/csv turns CR LF inside a field into LF.
func read(table string) [][]string {
	var rows [][]string
	var row []string
	var cell strings.Builder
	quoted := false
	for i := 0; i < len(table); i++ {
		c := table[i]
		switch {
		case quoted && c == '"' && i+1 < len(table) && table[i+1] == '"':
			cell.WriteByte('"')
			i++
		case c == '"':
			quoted = !quoted
		case !quoted && c == ',':
			row = append(row, cell.String())
			cell.Reset()
		case !quoted && c == '\n':
			rows, row = append(rows, append(row, cell.String())), nil
			cell.Reset()
		default:
			cell.WriteByte(c)
		}
	}
	return rows
}
