package sheet_test

import (
	"bytes"
	"io"
	"strconv"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/xuri/excelize/v2"

	"example.org/stillroom/internal/sheet"
)

// excelize reads what was written: a library of others, which knows nothing of ours.
func TestAnIndependentReaderFindsWhatWasWritten(t *testing.T) {
	t.Parallel()
	rows := [][]string{{"code", "units"}, {`'=SUM(A1)`, "12"}, {"=1+1", "-3"}, {" a <b> & \"c\" ", "0"}, {"Zoë\nŁódź", "1000000"}, {"", "7"}}
	var file bytes.Buffer
	w, err := sheet.NewWriter(&file, `Recall "R-12" & more`, rows[0]...)
	for _, r := range rows[1:] {
		if n, wrong := strconv.Atoi(r[1]); err == nil && wrong == nil {
			err = w.Row(r[0], n)
		}
	}
	if err == nil {
		err = w.Close()
	}
	if err != nil {
		t.Fatal(err)
	}
	book, err := excelize.OpenReader(bytes.NewReader(file.Bytes()))
	if err != nil {
		t.Fatal(err)
	}
	defer book.Close()
	name := book.GetSheetName(0)
	if name != `Recall "R-12" & more` {
		t.Errorf("sheet %q", name)
	}
	got, err := book.GetRows(name)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(rows, got); diff != "" {
		t.Error(diff)
	}
	for cell, want := range map[string]excelize.CellType{"A2": excelize.CellTypeInlineString, "A3": excelize.CellTypeInlineString, "B3": excelize.CellTypeUnset} {
		if kind, err := book.GetCellType(name, cell); err != nil || kind != want {
			t.Errorf("%s is of type %v, want %v, %v", cell, kind, want, err)
		}
		if formula, err := book.GetCellFormula(name, cell); err != nil || formula != "" {
			t.Errorf("%s is the formula %q, %v", cell, formula, err)
		}
	}
}

func TestOnlyTextsAndWholeNumbersAreWritten(t *testing.T) {
	t.Parallel()
	w, err := sheet.NewWriter(io.Discard, "List", "units")
	if err != nil {
		t.Fatal(err)
	}
	if err := w.Row(1.5); err == nil {
		t.Error("half a unit is written")
	}
}

// 100,000 rows of 16 cells: what is written does not pile up in memory.
func BenchmarkWriter(b *testing.B) {
	b.ReportAllocs()
	for range b.N {
		w, err := sheet.NewWriter(io.Discard, "List", "a", "b", "c", "d", "e", "f", "g", "h", "i", "j", "k", "l", "m", "n", "o", "p")
		if err != nil {
			b.Fatal(err)
		}
		for i := range 100_000 {
			if err := w.Row("OB-26305-01S", "SB", "Sage bar", "2026-04-01", "2027-03-31", i, 0, "HSP", "Harbour Street Pantry", "stockist", "orders@harbour.example.org", "", "D-2026-0001", "2026-05-01", "OB-26305-01S", ""); err != nil {
				b.Fatal(err)
			}
		}
		if err := w.Close(); err != nil {
			b.Fatal(err)
		}
	}
}
