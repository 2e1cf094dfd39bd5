package main

import (
	"bytes"
	"encoding/csv"
	"os"
	"path/filepath"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/shopspring/decimal"

	"example.org/stillroom/internal/batchcode"
	"example.org/stillroom/internal/interchange"
)

func made(t *testing.T, seed uint64, batches int) (*maker, string) {
	t.Helper()
	m, err := newMaker(seed, batches)
	if err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	if _, err := m.Write(dir); err != nil {
		t.Fatal(err)
	}
	return m, dir
}

// rows reads a table as maps from column to cell.
func rows(t *testing.T, dir, name string) []map[string]string {
	t.Helper()
	f, err := os.Open(filepath.Join(dir, name+".csv"))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	all, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatalf("%s: %v", name, err)
	}
	if len(all) < 2 {
		t.Fatalf("%s has no rows", name)
	}
	list := make([]map[string]string, 0, len(all)-1)
	for _, cells := range all[1:] {
		row := map[string]string{}
		for i, column := range all[0] {
			row[column] = cells[i]
		}
		list = append(list, row)
	}
	return list
}

func number(t *testing.T, text string) decimal.Decimal {
	t.Helper()
	d, err := decimal.NewFromString(text)
	if err != nil {
		t.Fatal(err)
	}
	return d
}

func TestTheSameSeedMakesTheSameBytes(t *testing.T) {
	t.Parallel()
	_, a := made(t, 7, 300)
	_, b := made(t, 7, 300)
	_, c := made(t, 8, 300)
	differ := 0
	for _, table := range interchange.Tables() {
		var texts [3][]byte
		for i, dir := range []string{a, b, c} {
			text, err := os.ReadFile(filepath.Join(dir, table.File()))
			if err != nil {
				t.Fatal(err)
			}
			texts[i] = text
		}
		if !bytes.Equal(texts[0], texts[1]) {
			t.Errorf("%s differs with the same seed", table.File())
		}
		if !bytes.Equal(texts[0], texts[2]) {
			differ++
		}
	}
	if differ < 8 {
		t.Errorf("only %d tables differ with another seed", differ)
	}
}

func TestTheTablesAreThoseOfTheContract(t *testing.T) {
	t.Parallel()
	_, dir := made(t, 1, 400)
	for _, table := range interchange.Tables() {
		ids := map[string]bool{}
		for n, row := range rows(t, dir, table.Name) {
			if len(row) != len(table.Columns) {
				t.Fatalf("%s has %d columns, the contract %d", table.Name, len(row), len(table.Columns))
			}
			id := ""
			for _, name := range table.Identity {
				id += row[name] + "\x00"
			}
			if ids[id] {
				t.Errorf("%s:%d: %q stands twice", table.Name, n+2, id)
			}
			ids[id] = true
			for _, column := range table.Columns {
				cell, there := row[column.Name]
				value, wrong := column.Value(cell)
				if !there || wrong != "" || cell != "" && value != cell {
					t.Fatalf("%s:%d: %s %q: %s (%q)", table.Name, n+2, column.Name, cell, wrong, value)
				}
			}
		}
	}
}

func TestLedgersHold(t *testing.T) {
	t.Parallel()
	_, dir := made(t, 3, 900)
	left := map[string]decimal.Decimal{}
	known := func(kind, code string) {
		t.Helper()
		if _, there := left[kind+code]; !there {
			t.Fatalf("there is no %s %q", kind, code)
		}
	}
	add := func(kind, code, quantity string, sign int64) {
		t.Helper()
		known(kind, code)
		left[kind+code] = left[kind+code].Add(number(t, quantity).Mul(decimal.NewFromInt(sign)))
	}
	for _, r := range rows(t, dir, "material_lots") {
		left["lot "+r["code"]] = number(t, r["quantity"])
	}
	for _, r := range rows(t, dir, "batches") {
		left["batch "+r["code"]] = decimal.Zero
		left["packing "+r["code"]] = number(t, r["units_good"])
	}
	sums := map[string]decimal.Decimal{}
	for _, r := range rows(t, dir, "packings") {
		known("batch ", r["batch"])
		left["packing "+r["code"]] = number(t, r["units_good"])
		sums[r["batch"]] = sums[r["batch"]].Add(number(t, r["units_good"]))
	}
	for _, r := range rows(t, dir, "batches") {
		if sum, listed := sums[r["code"]]; listed && !sum.Equal(number(t, r["units_good"])) {
			t.Errorf("batch %s has %s units, its packings %s", r["code"], r["units_good"], sum)
		}
	}
	for _, r := range rows(t, dir, "lot_inputs") {
		add("lot ", r["lot"], r["quantity"], 1)
		add("lot ", r["source_lot"], r["quantity"], -1)
	}
	sources := 0
	for _, r := range rows(t, dir, "batch_inputs") {
		known("batch ", r["batch"])
		switch {
		case r["material_lot"] != "":
			add("lot ", r["material_lot"], r["quantity"], -1)
		case r["unit"] == "each":
			add("packing ", r["source_batch"], r["quantity"], -1)
			sources++
		default:
			known("packing ", r["source_batch"])
			sources++
		}
	}
	if sources < 900/20 {
		t.Errorf("%d inputs from other batches, want one in twenty batches", sources)
	}
	for _, r := range rows(t, dir, "packing_inputs") {
		known("packing ", r["packing"])
		add("lot ", r["material_lot"], r["quantity"], -1)
	}
	for _, r := range rows(t, dir, "stock_moves") {
		add("lot ", r["material_lot"], r["quantity"], 1)
	}
	type sending struct{ customer, on string }
	sent, of := map[string]decimal.Decimal{}, map[string]sending{}
	for _, r := range rows(t, dir, "dispatches") {
		add("packing ", r["batch"], r["units"], -1)
		sent[r["code"]+" "+r["batch"]] = number(t, r["units"])
		this := sending{r["customer"], r["dispatched_on"]}
		if before, seen := of[r["code"]]; seen && before != this {
			t.Errorf("dispatch %s went to %v and to %v", r["code"], before, this)
		}
		of[r["code"]] = this
	}
	for _, r := range rows(t, dir, "returns") {
		if r["dispatch"] != "" && number(t, r["units"]).GreaterThan(sent[r["dispatch"]+" "+r["batch"]]) {
			t.Errorf("return %s brings back more than was sent", r["code"])
		}
		// Returns are left out of the sum: what was sent has to be covered by what was made alone.
		known("packing ", r["batch"])
	}
	for _, r := range rows(t, dir, "unit_moves") {
		add("packing ", r["batch"], r["units"], 1)
	}
	for what, n := range left {
		if n.IsNegative() {
			t.Errorf("%s is at %s", what, n)
		}
	}
}

// graph reads what went into what from the tables: parents of each batch, by the codes of batches.
func graph(t *testing.T, dir string) (parents map[string][]string, users map[string][]string) {
	t.Helper()
	of := map[string]string{}
	for _, r := range rows(t, dir, "batches") {
		of[r["code"]] = r["code"]
	}
	for _, r := range rows(t, dir, "packings") {
		of[r["code"]] = r["batch"]
	}
	parents, users = map[string][]string{}, map[string][]string{}
	for _, r := range rows(t, dir, "batch_inputs") {
		if r["source_batch"] != "" {
			parents[r["batch"]] = append(parents[r["batch"]], of[r["source_batch"]])
		} else {
			users[r["material_lot"]] = append(users[r["material_lot"]], r["batch"])
		}
	}
	return parents, users
}

func TestBatchesDrawOnEarlierOnesSixDeepAndMore(t *testing.T) {
	t.Parallel()
	m, dir := made(t, 5, 4*block)
	parents, _ := graph(t, dir)
	if want := 4 * drawers; len(parents) != want || want*20 != m.n {
		t.Errorf("%d of %d batches draw on others, want %d: one in twenty", len(parents), m.n, want)
	}
	children := map[string][]string{}
	for child, list := range parents {
		for _, p := range list {
			children[p] = append(children[p], child)
		}
	}
	// The least number of steps from one batch to another, as a trace counts them.
	deepest := 0
	for origin := range children {
		steps := map[string]int{origin: 0}
		for todo := []string{origin}; len(todo) > 0; todo = todo[1:] {
			for _, child := range children[todo[0]] {
				if _, seen := steps[child]; !seen {
					steps[child] = steps[todo[0]] + 1
					deepest = max(deepest, steps[child])
					todo = append(todo, child)
				}
			}
		}
	}
	if deepest < 6 {
		t.Errorf("the deepest batch is %d steps away, want 6 or more", deepest)
	}
}

func TestMarkedLotsReachWhatTheySay(t *testing.T) {
	t.Parallel()
	m, dir := made(t, 1, 4620)
	parents, users := graph(t, dir)
	children := map[string][]string{}
	for child, list := range parents {
		for _, p := range list {
			children[p] = append(children[p], child)
		}
	}
	got, want := map[string]int{}, map[string]int{}
	for _, k := range m.marks {
		want[k.Code()] = k.Reach
		reached := map[string]bool{}
		todo := users[k.Code()]
		for len(todo) > 0 {
			code := todo[0]
			todo = todo[1:]
			if !reached[code] {
				reached[code] = true
				todo = append(todo, children[code]...)
			}
		}
		got[k.Code()] = len(reached)
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("reach (-want +got):\n%s", diff)
	}
	if len(want) != 3 {
		t.Errorf("%d marked lots in a workshop of %d batches, want 3", len(want), m.n)
	}
}

func TestALargeWorkshopBeginsAsASmallOne(t *testing.T) {
	t.Parallel()
	small, err := newMaker(1, 2000)
	if err != nil {
		t.Fatal(err)
	}
	large, err := newMaker(1, 5000)
	if err != nil {
		t.Fatal(err)
	}
	for _, size := range []int{0, 1} {
		if diff := cmp.Diff(small.marks[size].direct, large.marks[size].direct); diff != "" {
			t.Errorf("lot %s (-small +large):\n%s", small.marks[size].Code(), diff)
		}
	}
	for i := range 2000 - block {
		if small.code(i) != large.code(i) || small.good(i, 0) != large.good(i, 0) || small.lines(i) != large.lines(i) {
			t.Fatalf("batch %d differs", i)
		}
	}
}

func TestSizesAreThoseOfALargeBook(t *testing.T) {
	t.Parallel()
	const n = 100_000
	m, err := newMaker(1, n)
	if err != nil {
		t.Fatal(err)
	}
	if lots := len(m.drawn); lots < 4700 || lots > 5300 {
		t.Errorf("%d lots, want some 5,000", lots)
	}
	inputs, lines := 0, 0
	for i := range n {
		inputs += len(m.inputs(i)) + len(m.sources(i))
		lines += m.lines(i)
	}
	if inputs < 1_150_000 || inputs > 1_300_000 {
		t.Errorf("%d inputs, want some 1.2 million", inputs)
	}
	if lines < 2_400_000 || lines > 2_600_000 {
		t.Errorf("%d dispatch lines, want some 2.5 million", lines)
	}
}

func TestCodesHaveTheirCheckCharacter(t *testing.T) {
	t.Parallel()
	m, err := newMaker(1, 500)
	if err != nil {
		t.Fatal(err)
	}
	for i := range 500 {
		for p := range 2 {
			if code := m.packingCode(i, p); !batchcode.Valid(code) || !m.pattern.Matches(code) {
				t.Errorf("%s is no code of %s", code, m.pattern)
			}
		}
	}
}
