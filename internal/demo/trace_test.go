package demo_test

import (
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// found is one dispatch of one packing.
type found struct {
	packing, dispatch string
	units             int
}

// Two years of real situations (tubs topped up, premixes, rework, sets, packaging) traced from each
// lot, packaging included, and held to a search by hand over the bare rows: exactly the dispatches that this finds, neither
// one more nor one less.
func TestEachLotReachesExactlyWhatASearchByHandFinds(t *testing.T) {
	t.Parallel()
	x := whole(t)
	read := func(sql string, row func(from, to string)) {
		t.Helper()
		rows, err := x.conn.Query(t.Context(), sql)
		if err != nil {
			t.Fatal(err)
		}
		defer rows.Close()
		for rows.Next() {
			var from, to string
			if err := rows.Scan(&from, &to); err != nil {
				t.Fatal(err)
			}
			row(from, to)
		}
		if rows.Err() != nil {
			t.Fatal(rows.Err())
		}
	}
	// What leads from one thing to the next, each node its kind and id.
	edges := map[string][]string{}
	for _, sql := range []string{
		`SELECT 'lot ' || source_lot_id, 'lot ' || lot_id FROM lot_input WHERE replaced_by IS NULL`,
		`SELECT 'lot ' || material_lot_id, 'batch ' || batch_id FROM batch_input WHERE replaced_by IS NULL AND material_lot_id IS NOT NULL`,
		`SELECT 'lot ' || material_lot_id, 'packing ' || packing_id FROM packing_input WHERE replaced_by IS NULL`,
		`SELECT 'batch ' || batch_id, 'packing ' || id FROM packing`,
		`SELECT 'packing ' || source_packing_id, 'batch ' || batch_id FROM batch_input WHERE replaced_by IS NULL AND source_packing_id IS NOT NULL`,
		`SELECT 'batch ' || source_batch_id, 'batch ' || batch_id FROM batch_input WHERE replaced_by IS NULL AND source_batch_id IS NOT NULL AND source_packing_id IS NULL`,
	} {
		read(sql, func(from, to string) { edges[from] = append(edges[from], to) })
	}
	sent := map[string][]found{}
	rows, err := x.conn.Query(t.Context(), `SELECT 'packing ' || p.id, p.code, d.code, l.units FROM dispatch_line l JOIN dispatch d ON d.id = l.dispatch_id JOIN packing p ON p.id = l.packing_id WHERE l.replaced_by IS NULL`)
	if err != nil {
		t.Fatal(err)
	}
	for rows.Next() {
		var node string
		var f found
		if err := rows.Scan(&node, &f.packing, &f.dispatch, &f.units); err != nil {
			t.Fatal(err)
		}
		sent[node] = append(sent[node], f)
	}
	if rows.Err() != nil {
		t.Fatal(rows.Err())
	}
	lots := map[string]string{}
	read(`SELECT 'lot ' || id, code FROM material_lot`, func(node, code string) { lots[node] = code })

	traced, packaging := 0, 0
	for node, code := range lots {
		seen := map[string]bool{node: true}
		for todo := []string{node}; len(todo) > 0; todo = todo[1:] {
			for _, next := range edges[todo[0]] {
				if !seen[next] {
					seen[next] = true
					todo = append(todo, next)
				}
			}
		}
		want := map[found]bool{}
		for n := range seen {
			for _, f := range sent[n] {
				want[f] = true
			}
		}
		trace, err := x.store.TraceLot(t.Context(), x.id, code)
		if err != nil {
			t.Fatal(err)
		}
		got := map[found]bool{}
		for _, l := range trace.Lines {
			if l.Dispatch != "" {
				got[found{l.Packing, l.Dispatch, l.Units}] = true
			}
		}
		if diff := cmp.Diff(want, got, cmp.AllowUnexported(found{})); diff != "" {
			t.Errorf("from %s (-by hand +traced):\n%s", code, diff)
		}
		traced += len(want)
		if slices.ContainsFunc(edges[node], func(next string) bool { return strings.HasPrefix(next, "packing ") }) {
			packaging++
		}
	}
	if traced < 5_000 || packaging < 20 {
		t.Errorf("too little to tell by: %d lots, %d of them packaging in use, led to %d dispatches", len(lots), packaging, traced)
	}
}
