package store_test

import (
	"context"
	"fmt"
	"slices"
	"strings"

	"github.com/google/go-cmp/cmp"
	"github.com/jackc/pgx/v5"
)

// shelfEdge is an entry that stands, read from its row: what went into what.
type shelfEdge struct{ From, Packing, Into, Quantity string }

// tracesAgree holds the traces of every lot and every batch that the store's own entries made against a search by hand
// over all entries, both ways, and what they say is on hand against the ledgers.
func (s *shelfStorm) tracesAgree() {
	s.t.Helper()
	ctx := s.t.Context()
	conn, err := pgx.Connect(ctx, s.db.OwnerURL)
	packOK(s.t, err)
	defer conn.Close(context.Background())
	rows, err := conn.Query(ctx, `SELECT 'lot ' || a.code, '', 'lot ' || b.code, trim_scale(i.quantity)::text FROM lot_input i JOIN material_lot a ON a.id = i.source_lot_id JOIN material_lot b ON b.id = i.lot_id WHERE i.replaced_by IS NULL
		UNION ALL SELECT 'lot ' || a.code, '', 'packing ' || b.code, trim_scale(i.quantity)::text FROM packing_input i JOIN material_lot a ON a.id = i.material_lot_id JOIN packing b ON b.id = i.packing_id WHERE i.replaced_by IS NULL
		UNION ALL SELECT 'lot ' || a.code, '', 'batch ' || b.code, trim_scale(i.quantity)::text FROM batch_input i JOIN material_lot a ON a.id = i.material_lot_id JOIN batch b ON b.id = i.batch_id WHERE i.replaced_by IS NULL
		UNION ALL SELECT 'batch ' || a.code, coalesce('packing ' || k.code, ''), 'batch ' || b.code, trim_scale(i.quantity)::text FROM batch_input i JOIN batch a ON a.id = i.source_batch_id JOIN batch b ON b.id = i.batch_id LEFT JOIN packing k ON k.id = i.source_packing_id WHERE i.replaced_by IS NULL`)
	packOK(s.t, err)
	edges, err := pgx.CollectRows(rows, pgx.RowToStructByPos[shelfEdge])
	packOK(s.t, err)
	rows, err = conn.Query(ctx, `SELECT p.code, b.code, s.on_hand FROM packing p JOIN batch b ON b.id = p.batch_id JOIN packing_stock s ON s.packing_id = p.id`)
	packOK(s.t, err)
	type packed struct {
		Code, Batch string
		OnHand      int
	}
	packings, err := pgx.CollectRows(rows, pgx.RowToStructByPos[packed])
	packOK(s.t, err)

	forward := func(from string) (affected, lots []string, onHand int) {
		set := map[string]bool{from: true}
		for grew := true; grew; {
			grew = false
			for _, e := range edges {
				if !set[e.Into] && (set[e.From] || e.Packing != "" && set[e.Packing]) {
					set[e.Into], grew = true, true
				}
			}
		}
		for _, p := range packings {
			if set["packing "+p.Code] || set["batch "+p.Batch] {
				affected, onHand = append(affected, p.Code), onHand+p.OnHand
			}
		}
		for node := range set {
			if lot, ok := strings.CutPrefix(node, "lot "); ok {
				lots = append(lots, lot)
			}
		}
		slices.Sort(affected)
		slices.Sort(lots)
		return affected, lots, onHand
	}
	nodes := map[string]bool{}
	for _, e := range edges {
		nodes[e.From], nodes[e.Into] = true, true
	}
	looked := map[string]int{}
	for node := range nodes {
		kind, code, _ := strings.Cut(node, " ")
		looked[kind]++
		if kind == "packing" {
			continue
		}
		ask := s.TraceLot
		if kind == "batch" {
			ask = s.TraceBatch
		}
		got, err := ask(ctx, s.maker.Workshop, code)
		packOK(s.t, err)
		affected, lots, onHand := forward(node)
		var traced []string
		for _, p := range got.Packings {
			traced = append(traced, p.Code)
		}
		slices.Sort(traced)
		slices.Sort(got.Lots)
		if kind == "batch" {
			lots = nil
		}
		if diff := cmp.Diff(affected, traced) + cmp.Diff(lots, got.Lots); diff != "" || got.Totals.UnitsOnHand != onHand {
			s.t.Errorf("forward from %s (-by hand +database), %d on hand by hand and %d by the trace:\n%s", node, onHand, got.Totals.UnitsOnHand, diff)
		}
		if kind == "batch" {
			s.sourcesAgree(code, edges, func(batch string) (own []string) {
				for _, p := range packings {
					if p.Batch == batch {
						own = append(own, "packing "+p.Code)
					}
				}
				return own
			})
		}
	}
	if looked["lot"] < 8 || looked["batch"] < 8 || looked["packing"] < 3 {
		s.t.Errorf("only so much was there to trace: %v", looked)
	}
}

func (s *shelfStorm) sourcesAgree(batch string, edges []shelfEdge, packingsOf func(string) []string) {
	s.t.Helper()
	set := map[string]bool{"batch " + batch: true}
	for _, p := range packingsOf(batch) {
		set[p] = true
	}
	for grew := true; grew; {
		grew = false
		for _, e := range edges {
			if !set[e.Into] {
				continue
			}
			for _, node := range []string{e.From, e.Packing} {
				if node != "" && !set[node] {
					set[node], grew = true, true
				}
			}
		}
	}
	var want, got []string
	for _, e := range edges {
		if set[e.Into] {
			want = append(want, fmt.Sprintf("%s %s %s", e.From, e.Packing, e.Quantity))
		}
	}
	back, err := s.TraceSources(s.t.Context(), s.maker.Workshop, batch)
	packOK(s.t, err)
	for _, l := range back.Lines {
		from, packing := "lot "+l.MaterialLot, ""
		if l.SourceBatch != "" {
			from = "batch " + l.SourceBatch
		}
		if l.SourcePacking != "" {
			packing = "packing " + l.SourcePacking
		}
		got = append(got, fmt.Sprintf("%s %s %s", from, packing, l.Quantity))
	}
	slices.Sort(want)
	slices.Sort(got)
	if diff := cmp.Diff(want, got); diff != "" {
		s.t.Errorf("sources of %s (-by hand +database):\n%s", batch, diff)
	}
}
