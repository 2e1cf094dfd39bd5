package demo_test

import (
	"bytes"
	"encoding/json"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/shopspring/decimal"

	"example.org/stillroom/internal/epcis/epcistest"
	"example.org/stillroom/internal/store"
)

// ledger sums quantities by class, as events tell them.
type ledger map[string]decimal.Decimal

func (l ledger) add(t *testing.T, list any, sign int64) {
	t.Helper()
	for _, v := range asList(list) {
		q := v.(map[string]any)
		if n, counted := q["quantity"].(json.Number); counted {
			class := q["epcClass"].(string)
			l[class] = l[class].Add(decimal.RequireFromString(n.String()).Mul(decimal.NewFromInt(sign)))
		}
	}
}

func asList(v any) []any {
	list, _ := v.([]any)
	return list
}

// read takes what an event adds and takes away; one that was declared wrong does neither.
func (l ledger) read(t *testing.T, e map[string]any) {
	t.Helper()
	if e["errorDeclaration"] != nil {
		return
	}
	l.add(t, e["inputQuantityList"], -1)
	l.add(t, e["outputQuantityList"], 1)
	switch {
	case e["action"] == "ADD", e["bizStep"] == "receiving":
		l.add(t, e["quantityList"], 1)
	case e["action"] == "DELETE", e["bizStep"] == "shipping":
		l.add(t, e["quantityList"], -1)
	}
}

// The two years of the demo, told page by page: each page is sound, no event comes twice or is missed, and what the events add
// up to is what the book has of each lot and of each packing.
func TestTheEventsOfTwoYearsAddUpToTheBook(t *testing.T) {
	t.Parallel()
	x := whole(t)
	at := time.Date(2026, 11, 29, 12, 0, 0, 0, time.UTC)
	sums, seen, corrected, withdrawn, last := ledger{}, map[string]bool{}, 0, 0, ""
	for token, pages := "", 0; pages == 0 || token != ""; pages++ {
		var out bytes.Buffer
		next, err := x.store.EPCISPage(t.Context(), x.id, store.EPCISDays{PerPage: 700, Token: token}, at, &out)
		if err != nil {
			t.Fatal(err)
		}
		doc, faults := epcistest.Check(out.Bytes())
		if len(faults) > 0 {
			t.Fatalf("page %d: %s", pages, strings.Join(faults[:min(len(faults), 10)], "\n"))
		}
		if next != "" && len(doc.Events) != 700 {
			t.Errorf("page %d has %d events, and another follows", pages, len(doc.Events))
		}
		for _, e := range doc.Events {
			id := e["eventID"].(string)
			if seen[id] {
				t.Errorf("%s comes twice", id)
			}
			seen[id] = true
			sums.read(t, e)
			if d, wrong := e["errorDeclaration"].(map[string]any); wrong && d["reason"] == "incorrect_data" {
				corrected++
			} else if wrong {
				withdrawn++
			}
		}
		token, last = next, out.String()
	}
	if corrected == 0 || withdrawn == 0 || strings.Contains(last, "@") && strings.Contains(last, "example.org\"") {
		t.Errorf("%d corrected, %d withdrawn", corrected, withdrawn)
	}
	want, got := map[string]string{}, map[string]string{}
	rows, err := x.conn.Query(t.Context(), `SELECT l.code, 'urn:uuid:' || s.lot_id, s.on_hand FROM lot_stock s JOIN material_lot l ON l.id = s.lot_id
		UNION ALL SELECT p.code, 'urn:uuid:' || s.packing_id, s.on_hand FROM packing_stock s JOIN packing p ON p.id = s.packing_id`)
	if err != nil {
		t.Fatal(err)
	}
	defer rows.Close()
	for rows.Next() {
		var code, class string
		var onHand decimal.Decimal
		if err := rows.Scan(&code, &class, &onHand); err != nil {
			t.Fatal(err)
		}
		want[code+" "+class], got[code+" "+class] = onHand.String(), sums[class].String()
	}
	if rows.Err() != nil || len(want) < 300 {
		t.Fatalf("%d lots and packings: %v", len(want), rows.Err())
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("on hand by the book and by the events (-book +events):\n%s", diff)
	}
}
