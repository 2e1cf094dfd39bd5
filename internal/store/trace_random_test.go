package store_test

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"sync/atomic"
	"testing"

	gocmp "github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
	"github.com/google/uuid"
	"pgregory.net/rapid"

	"example.org/stillroom/internal/batchcode"
	"example.org/stillroom/internal/pgtest"
	"example.org/stillroom/internal/store"
	"example.org/stillroom/internal/trace"
)

// traceWorld is a book made up at random, held in memory: what the database must answer is found here by going over
// all entries until nothing is added.
type traceWorld struct {
	lots     []traceRow
	batches  []traceRow
	packings []tracePacking
	entries  []traceEntry
	sent     []traceSent
	back     []traceBack
	moved    []traceMoved
	sets     map[int]bool // batches put together from units: nothing else goes into them but packaging, by their packings
	marks    []traceMark
}

// traceMark is units of a packing that bear another code.
type traceMark struct {
	packing  int
	code     string
	replaced bool
}

type traceRow struct {
	id   uuid.UUID
	code string
}

type tracePacking struct {
	traceRow
	batch, n, good, retained int
}

// traceEntry leads from a node to a node; nodes are "lot 3", "batch 0", "packing 2".
type traceEntry struct {
	from, to traceNode
	source   int // for units of a packing: that packing plus 1; the batch is from
	quantity int
	replaced bool
}

type traceNode struct {
	kind string
	i    int
}

type traceSent struct {
	dispatch          uuid.UUID
	code              string
	packing, customer int
	units             int
	replaced          bool
}

type traceBack struct {
	sent        int // -1 where the dispatch is not known
	packing     int
	units       int
	disposition string
	replaced    bool
}

type traceMoved struct {
	packing, units int
	replaced       bool
}

var traceWorlds atomic.Int64

// traceDraw makes up a world. Entries may lead anywhere, so diamonds and circles come by themselves.
func traceDraw(t *rapid.T) *traceWorld {
	serial := traceWorlds.Add(1)
	w := &traceWorld{sets: map[int]bool{}}
	row := func(letter string, i int) traceRow {
		return traceRow{uuid.Must(uuid.NewV7()), fmt.Sprintf("%s%dX%d", letter, serial, i)}
	}
	count := func(name string, low, high int) int { return rapid.IntRange(low, high).Draw(t, name) }
	replaced := func() bool { return count("replaced", 0, 4) == 0 }
	for i := range count("lots", 1, 6) {
		w.lots = append(w.lots, row("T", i))
	}
	for i := range count("batches", 1, 7) {
		w.batches = append(w.batches, row("B", i))
		w.sets[i] = count("set", 0, 2) == 0
		for n := range count("packings", 0, 3) {
			p := tracePacking{row("B", i), i, n + 1, count("good", 0, 40), count("retained", 0, 2)}
			p.id = uuid.Must(uuid.NewV7())
			if n > 0 {
				p.code += fmt.Sprintf("P%d", n)
			}
			w.packings = append(w.packings, p)
		}
	}
	used := map[int]int{}
	for range count("entries", 0, 22) {
		e := traceEntry{quantity: count("quantity", 1, 9), replaced: replaced()}
		lot, batch := traceNode{"lot", count("lot", 0, len(w.lots)-1)}, traceNode{"batch", count("batch", 0, len(w.batches)-1)}
		switch kind := count("kind", 0, 4); {
		case kind == 0:
			e.from, e.to = lot, traceNode{"lot", count("tub", 0, len(w.lots)-1)}
		case kind == 1:
			e.from, e.to = lot, batch
		case kind == 2 && len(w.packings) > 0:
			e.from, e.to = lot, traceNode{"packing", count("packing", 0, len(w.packings)-1)}
		case kind == 3 && len(w.packings) > 0:
			p := count("packing", 0, len(w.packings)-1)
			e.from, e.to, e.source = traceNode{"batch", w.packings[p].batch}, batch, p+1
			if !e.replaced {
				if used[p]+e.quantity > w.packings[p].good {
					continue
				}
				used[p] += e.quantity
			}
		default:
			e.from, e.to = traceNode{"batch", count("source", 0, len(w.batches)-1)}, batch
		}
		if set := w.sets[batch.i] && e.to == batch && e.source == 0; e.from != e.to && !set {
			w.entries = append(w.entries, e)
		}
	}
	w.drawTubs(count, replaced)
	w.drawMarks(serial, count, replaced)
	w.drawUnits(t, serial, used, count, replaced)
	return w
}

// drawTubs fills tubs from tubs in a chain, each topped up from the one before it and perhaps again, and uses the last of
// them in a batch or on a packing.
func (w *traceWorld) drawTubs(count func(string, int, int) int, replaced func() bool) {
	for range count("chains", 0, 2) {
		at := count("first", 0, len(w.lots)-1)
		for range count("length", 1, 4) {
			next := count("next", 0, len(w.lots)-1)
			if next == at {
				continue
			}
			for range count("top-ups", 1, 3) {
				w.entries = append(w.entries, traceEntry{from: traceNode{"lot", at}, to: traceNode{"lot", next}, quantity: count("filled", 1, 9), replaced: replaced()})
			}
			at = next
		}
		into := traceNode{"batch", count("used in", 0, len(w.batches)-1)}
		if w.sets[into.i] {
			if len(w.packings) == 0 {
				continue
			}
			into = traceNode{"packing", count("used on", 0, len(w.packings)-1)}
		}
		w.entries = append(w.entries, traceEntry{from: traceNode{"lot", at}, to: into, quantity: count("used", 1, 9), replaced: replaced()})
	}
}

// drawMarks puts codes of other packings, and codes of none, on units.
func (w *traceWorld) drawMarks(serial int64, count func(string, int, int) int, replaced func() bool) {
	if len(w.packings) == 0 {
		return
	}
	for i := range count("marks", 0, 4) {
		m := traceMark{packing: count("marked", 0, len(w.packings)-1), code: fmt.Sprintf("M%dX%d", serial, i), replaced: replaced()}
		if of := count("bears", 0, len(w.packings)); of < len(w.packings) && of != m.packing {
			m.code = w.packings[of].code
		}
		w.marks = append(w.marks, m)
	}
}

// marked are the marks that a trace shows: those on affected packings, and those on others with a code of an affected one.
func (w *traceWorld) marked(affected map[int]bool) (marked, strangers []string) {
	own := map[string]bool{}
	for p, x := range w.packings {
		own[x.code] = own[x.code] || affected[p]
	}
	for _, m := range w.marks {
		words := m.code + " on " + w.packings[m.packing].code
		switch {
		case m.replaced:
		case affected[m.packing]:
			marked = append(marked, words)
		case own[m.code]:
			strangers = append(strangers, words)
		}
	}
	return marked, strangers
}

func (w *traceWorld) drawUnits(t *rapid.T, serial int64, used map[int]int, count func(string, int, int) int, replaced func() bool) {
	if len(w.packings) == 0 {
		return
	}
	left := make([]int, len(w.packings))
	for p := range w.packings {
		left[p] = w.packings[p].good - used[p]
	}
	for i := range count("dispatches", 0, 6) {
		s := traceSent{dispatch: uuid.Must(uuid.NewV7()), code: fmt.Sprintf("D%dX%d", serial, i), packing: count("of", 0, len(w.packings)-1), customer: count("customer", 0, 2), replaced: replaced()}
		if s.units = count("units", 1, 30); !s.replaced {
			if s.units > left[s.packing] {
				continue
			}
			left[s.packing] -= s.units
		}
		w.sent = append(w.sent, s)
		if !s.replaced && count("comes back", 0, 1) == 1 {
			r := traceBack{sent: len(w.sent) - 1, packing: s.packing, units: count("back", 1, s.units), replaced: replaced(),
				disposition: rapid.SampledFrom([]string{"restock", "hold", "destroy"}).Draw(t, "disposition")}
			if count("whence", 0, 3) == 0 {
				r.sent = -1
			}
			if !r.replaced && r.disposition != "destroy" {
				left[s.packing] += r.units
			}
			w.back = append(w.back, r)
		}
	}
	for range count("moves", 0, 2) {
		m := traceMoved{packing: count("moved", 0, len(w.packings)-1), units: -count("lost", 1, 5), replaced: replaced()}
		if !m.replaced {
			if left[m.packing]+m.units < 0 {
				continue
			}
			left[m.packing] += m.units
		}
		w.moved = append(w.moved, m)
	}
}

// traceSelf is the value of replaced_by: an entry withdrawn points at itself.
func traceSelf(id uuid.UUID, replaced bool) any {
	if replaced {
		return id
	}
	return nil
}

// store writes the world in one transaction.
func (w *traceWorld) store(b *pgtest.Book, material, product, person uuid.UUID, customers []uuid.UUID) {
	var s []pgtest.Statement
	add := func(sql string, args ...any) { s = append(s, pgtest.Statement{SQL: sql, Args: args}) }
	for _, l := range w.lots {
		add(`INSERT INTO material_lot (workshop_id, id, code, material_id, received_on, quantity, status, change_id) VALUES ($1, $3, $4, $5, '2026-01-05', 500, 'released', $2)`, l.id, l.code, material)
	}
	for i, x := range w.batches {
		if w.sets[i] {
			add(`INSERT INTO batch (workshop_id, id, code, code_key, origin, kind, product_id, status, made_at, made_on, made_by, change_id) VALUES ($1, $3, $4, $7, 'bench', 'set', $5, 'released', '2026-02-01', '2026-02-01', $6, $2)`, x.id, x.code, product, person, batchcode.Fold(x.code))
			continue
		}
		add(`INSERT INTO batch (workshop_id, id, code, code_key, origin, product_id, status, made_at, made_on, change_id) VALUES ($1, $3, $4, $6, 'history', $5, 'released', '2026-02-01', '2026-02-01', $2)`, x.id, x.code, product, batchcode.Fold(x.code))
	}
	for _, p := range w.packings {
		add(`INSERT INTO packing (workshop_id, id, batch_id, n, code, code_key, product_id, packed_on, units_good, units_retained, best_before, status, change_id) VALUES ($1, $3, $4, $5, $6, $10, $7, '2026-03-01', $8, $9, '2027-03-01', 'released', $2)`,
			p.id, w.batches[p.batch].id, p.n, p.code, product, p.good, p.retained, batchcode.Fold(p.code))
	}
	id := func(n traceNode) uuid.UUID {
		return map[string]func() uuid.UUID{"lot": func() uuid.UUID { return w.lots[n.i].id }, "batch": func() uuid.UUID { return w.batches[n.i].id }, "packing": func() uuid.UUID { return w.packings[n.i].id }}[n.kind]()
	}
	for _, e := range w.entries {
		own := uuid.Must(uuid.NewV7())
		args := []any{own, id(e.to), id(e.from), e.quantity, traceSelf(own, e.replaced)}
		switch e.from.kind + " " + e.to.kind {
		case "lot lot":
			add(`INSERT INTO lot_input (workshop_id, id, lot_id, source_lot_id, quantity, happened_on, replaced_by, change_id) VALUES ($1, $3, $4, $5, $6, '2026-01-06', $7, $2)`, args...)
		case "lot packing":
			add(`INSERT INTO packing_input (workshop_id, id, packing_id, material_lot_id, quantity, replaced_by, change_id) VALUES ($1, $3, $4, $5, $6, $7, $2)`, args...)
		case "lot batch":
			add(`INSERT INTO batch_input (workshop_id, id, batch_id, material_lot_id, quantity, unit, replaced_by, change_id) VALUES ($1, $3, $4, $5, $6, 'g', $7, $2)`, args...)
		default:
			var packing any
			unit := "g"
			if e.source > 0 {
				packing, unit = w.packings[e.source-1].id, "each"
			}
			add(`INSERT INTO batch_input (workshop_id, id, batch_id, source_batch_id, quantity, replaced_by, source_packing_id, unit, change_id) VALUES ($1, $3, $4, $5, $6, $7, $8, $9, $2)`, append(args, packing, unit)...)
		}
	}
	for _, x := range w.sent {
		own := uuid.Must(uuid.NewV7())
		add(`INSERT INTO dispatch (workshop_id, id, code, customer_id, dispatched_on, change_id) VALUES ($1, $3, $4, $5, '2026-04-01', $2)`, x.dispatch, x.code, customers[x.customer])
		add(`INSERT INTO dispatch_line (workshop_id, id, dispatch_id, customer_id, packing_id, units, replaced_by, change_id) VALUES ($1, $3, $4, $5, $6, $7, $8, $2)`, own, x.dispatch, customers[x.customer], w.packings[x.packing].id, x.units, traceSelf(own, x.replaced))
	}
	for _, r := range w.back {
		own := uuid.Must(uuid.NewV7())
		var dispatch any
		if r.sent >= 0 {
			dispatch = w.sent[r.sent].dispatch
		}
		add(`INSERT INTO unit_return (workshop_id, id, code, dispatch_id, packing_id, returned_on, units, disposition, replaced_by, change_id) VALUES ($1, $3, $4, $5, $6, '2026-05-01', $7, $8, $9, $2)`,
			own, own.String(), dispatch, w.packings[r.packing].id, r.units, r.disposition, traceSelf(own, r.replaced))
	}
	for _, m := range w.moved {
		own := uuid.Must(uuid.NewV7())
		add(`INSERT INTO unit_move (workshop_id, id, code, packing_id, moved_on, units, reason, replaced_by, change_id) VALUES ($1, $3, $4, $5, '2026-05-02', $6, 'broken', $7, $2)`,
			own, own.String(), w.packings[m.packing].id, m.units, traceSelf(own, m.replaced))
	}
	for _, m := range w.marks {
		own := uuid.Must(uuid.NewV7())
		add(`INSERT INTO unit_code (workshop_id, id, code, code_key, packing_id, kind, reason, noted_on, replaced_by, change_id) VALUES ($1, $3, $4, $5, $6, 'mix_up', 'labels mixed up', '2026-05-03', $7, $2)`,
			own, m.code, batchcode.Fold(m.code), w.packings[m.packing].id, traceSelf(own, m.replaced))
	}
	b.Do(s...)
}

// reach goes over all entries until nothing is added. Units drawn of a packing lead on from that packing and from its
// batch; with ever, entries corrected away count too.
func (w *traceWorld) reach(ever bool, from ...traceNode) map[traceNode]bool {
	set := map[traceNode]bool{}
	for _, n := range from {
		set[n] = true
	}
	for grew := true; grew; {
		grew = false
		for _, e := range w.entries {
			if (e.replaced && !ever) || set[e.to] {
				continue
			}
			if set[e.from] || (e.source > 0 && set[traceNode{"packing", e.source - 1}]) {
				set[e.to], grew = true, true
			}
		}
	}
	return set
}

// depths relaxes all steps from batch to batch until nothing gets nearer.
func (w *traceWorld) depths(start map[int]bool, steps func(traceEntry) (from, to int, ok bool)) map[int]int {
	depth := map[int]int{}
	for b := range start {
		depth[b] = 0
	}
	for nearer := true; nearer; {
		nearer = false
		for _, e := range w.entries {
			from, to, ok := steps(e)
			if !ok {
				continue
			}
			if d, known := depth[from]; known {
				if old, has := depth[to]; !has || d+1 < old {
					depth[to], nearer = d+1, true
				}
			}
		}
	}
	return depth
}

func (w *traceWorld) units(p int) trace.Units {
	u := trace.Units{Good: w.packings[p].good}
	for _, s := range w.sent {
		if s.packing == p && !s.replaced {
			u.Dispatched += s.units
		}
	}
	for _, r := range w.back {
		if r.packing == p && !r.replaced {
			u.Returned += r.units
			if r.disposition == "destroy" {
				u.Destroyed += r.units
			} else {
				u.RestockedOrHeld += r.units
			}
		}
	}
	for _, e := range w.entries {
		if e.source == p+1 && !e.replaced {
			u.Used += e.quantity
		}
	}
	for _, m := range w.moved {
		if m.packing == p && !m.replaced {
			u.Moved += m.units
		}
	}
	return u
}

// forward is the answer that the database must give.
func (w *traceWorld) forward(origin trace.Origin, from traceNode) (f trace.Forward, lots, away []string, retained int, marked, strangers []string) {
	set := w.reach(false, from)
	direct := map[int]bool{}
	if from.kind == "batch" {
		direct[from.i] = true
	}
	for _, e := range w.entries {
		if !e.replaced && e.to.kind == "batch" && e.from.kind == "lot" && set[e.from] {
			direct[e.to.i] = true
		}
	}
	affected := map[int]bool{}
	for p, x := range w.packings {
		if set[traceNode{"packing", p}] {
			direct[x.batch] = true
		}
		affected[p] = set[traceNode{"packing", p}] || set[traceNode{"batch", x.batch}]
	}
	depth := w.depths(direct, func(e traceEntry) (int, int, bool) {
		through := set[e.from] || (e.source > 0 && affected[e.source-1])
		return e.from.i, e.to.i, !e.replaced && e.from.kind == "batch" && through
	})
	var rows []trace.BatchRow
	var lines []trace.Line
	for i, b := range w.batches {
		sum, hit := trace.Units{}, set[traceNode{"batch", i}]
		row := trace.BatchRow{Code: b.code, Product: "SB", MadeOn: "2026-02-01", Status: "released", Depth: depth[i]}
		for p, x := range w.packings {
			if x.batch == i && affected[p] {
				hit = true
				sum = sum.Add(w.units(p))
				row.BestBefore = "2027-03-01"
				retained += x.retained
				lines = append(lines, w.lines(p, b.code)...)
			}
		}
		if hit {
			rows = append(rows, row.WithUnits(sum))
		}
	}
	slices.SortFunc(rows, func(a, b trace.BatchRow) int { return cmp.Compare(a.Code, b.Code) })
	for i, l := range w.lots {
		if set[traceNode{"lot", i}] {
			lots = append(lots, l.code)
		}
	}
	slices.Sort(lots)
	marked, strangers = w.marked(affected)
	return trace.NewForward(origin, rows, lines), lots, w.away(set, from), retained, marked, strangers
}

func (w *traceWorld) away(set map[traceNode]bool, from traceNode) []string {
	ever := w.reach(true, from)
	var away []string
	gone := func(n traceNode) bool { return ever[n] && !set[n] }
	for i, b := range w.batches {
		if gone(traceNode{"batch", i}) {
			away = append(away, b.code)
		}
	}
	for i, p := range w.packings {
		if gone(traceNode{"packing", i}) && !ever[traceNode{"batch", p.batch}] {
			away = append(away, p.code)
		}
	}
	slices.Sort(away)
	return away
}

func (w *traceWorld) lines(p int, batch string) []trace.Line {
	blank := trace.Line{Batch: batch, Packing: w.packings[p].code, Product: "SB", ProductName: "Sage bar", MadeOn: "2026-02-01", BestBefore: "2027-03-01"}
	var also []string
	for _, m := range w.marks {
		if m.packing == p && !m.replaced {
			also = append(also, m.code)
		}
	}
	slices.Sort(also)
	blank.AlsoMarked = strings.Join(also, " ")
	var out []trace.Line
	for i, s := range w.sent {
		if s.packing != p || s.replaced {
			continue
		}
		l := blank
		l.Units, l.Dispatch, l.DispatchedOn = s.units, s.code, "2026-04-01"
		l.Customer, l.CustomerName, l.CustomerKind = fmt.Sprintf("C%d", s.customer), fmt.Sprintf("Customer %d", s.customer), "stockist"
		for _, r := range w.back {
			if r.sent == i && !r.replaced {
				l.Returned += r.units
			}
		}
		out = append(out, l)
	}
	if on := trace.OnHand(w.units(p)); on > 0 {
		l := blank
		l.Units, l.CustomerKind = on, trace.OnHandKind
		out = append(out, l)
	}
	return out
}

// sources are the rows of the way back: depth, batch, tub, lot or source batch, quantity.
func (w *traceWorld) sources(of int) []string {
	set := map[traceNode]bool{{"batch", of}: true}
	for p, x := range w.packings {
		if x.batch == of {
			set[traceNode{"packing", p}] = true
		}
	}
	for grew := true; grew; {
		grew = false
		for _, e := range w.entries {
			if e.replaced || !set[e.to] {
				continue
			}
			found := []traceNode{e.from}
			if e.source > 0 {
				found = append(found, traceNode{"packing", e.source - 1})
			}
			for _, n := range found {
				if !set[n] {
					set[n], grew = true, true
				}
			}
		}
	}
	depth := w.depths(map[int]bool{of: true}, func(e traceEntry) (int, int, bool) {
		return e.to.i, e.from.i, !e.replaced && e.from.kind == "batch"
	})
	// A tub stands with the nearest batch that used it, through tubs: the least depth, then the first code.
	type place struct {
		depth int
		batch string
	}
	nearest := map[int]place{}
	better := func(lot int, p place) bool {
		old, ok := nearest[lot]
		if ok && cmp.Or(cmp.Compare(old.depth, p.depth), cmp.Compare(old.batch, p.batch)) <= 0 {
			return false
		}
		nearest[lot] = p
		return true
	}
	for nearer := true; nearer; {
		nearer = false
		for _, e := range w.entries {
			if e.replaced || e.from.kind != "lot" || !set[e.to] {
				continue
			}
			switch e.to.kind {
			case "batch":
				nearer = better(e.from.i, place{depth[e.to.i], w.batches[e.to.i].code}) || nearer
			case "packing":
				b := w.packings[e.to.i].batch
				nearer = better(e.from.i, place{depth[b], w.batches[b].code}) || nearer
			default:
				if p, ok := nearest[e.to.i]; ok {
					nearer = better(e.from.i, p) || nearer
				}
			}
		}
	}
	var rows []string
	for _, e := range w.entries {
		if e.replaced || !set[e.to] {
			continue
		}
		into, tub := place{}, ""
		switch e.to.kind {
		case "batch":
			into = place{depth[e.to.i], w.batches[e.to.i].code}
		case "packing":
			b := w.packings[e.to.i].batch
			into = place{depth[b], w.batches[b].code}
		default:
			into, tub = nearest[e.to.i], w.lots[e.to.i].code
		}
		lot, source, packing, unit := "", "", "", "g"
		if e.from.kind == "lot" {
			lot = w.lots[e.from.i].code
		} else if source = w.batches[e.from.i].code; e.source > 0 {
			packing, unit = w.packings[e.source-1].code, "each"
		}
		rows = append(rows, fmt.Sprintf("%d %s tub=%s lot=%s batch=%s packing=%s %d %s", into.depth, into.batch, tub, lot, source, packing, e.quantity, unit))
	}
	slices.Sort(rows)
	return rows
}

func TestTracesAgreeWithASearchByHandInRandomBooks(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	book := pgtest.History(t, h.db, uuid.UUID(h.owner.Workshop))
	material, product := book.Material("OO", "Oat oil"), book.Product("SB", "Sage bar")
	var customers []uuid.UUID
	for i := range 3 {
		customers = append(customers, book.Customer(fmt.Sprintf("C%d", i), fmt.Sprintf("Customer %d", i), "stockist"))
	}
	sortLines := cmpopts.SortSlices(func(a, b trace.Line) bool {
		return cmp.Or(cmp.Compare(a.Packing, b.Packing), cmp.Compare(a.Dispatch, b.Dispatch)) < 0
	})
	sortWords := cmpopts.SortSlices(func(a, b string) bool { return a < b })
	marks := func(list []store.UnitCode) (out []string) {
		for _, u := range list {
			out = append(out, u.Code+" on "+u.Packing)
		}
		return out
	}
	same := func(rt *rapid.T, what string, got, want any) {
		if diff := gocmp.Diff(want, got, sortLines, sortWords, cmpopts.EquateEmpty()); diff != "" {
			rt.Fatalf("%s (-by hand +database):\n%s", what, diff)
		}
	}
	rapid.Check(t, func(rt *rapid.T) {
		w := traceDraw(rt)
		w.store(book, material, product, uuid.UUID(h.owner.Person), customers)
		for i, l := range w.lots {
			got, err := h.TraceLot(t.Context(), h.owner.Workshop, l.code)
			if err != nil {
				rt.Fatal(err)
			}
			want, lots, away, retained, marked, strangers := w.forward(trace.Origin{Kind: "lot", Code: l.code}, traceNode{"lot", i})
			same(rt, "lot "+l.code, got.Forward, want)
			same(rt, "lots of "+l.code, got.Lots, lots)
			same(rt, "corrected away for "+l.code, got.CorrectedAway, away)
			same(rt, "retained of "+l.code, got.Retained, retained)
			same(rt, "marked for "+l.code, marks(got.Marked), marked)
			same(rt, "strangers for "+l.code, marks(got.Strangers), strangers)
		}
		for i, b := range w.batches {
			got, err := h.TraceBatch(t.Context(), h.owner.Workshop, b.code)
			if err != nil {
				rt.Fatal(err)
			}
			want, _, away, _, marked, strangers := w.forward(trace.Origin{Kind: "batch", Code: b.code}, traceNode{"batch", i})
			same(rt, "batch "+b.code, got.Forward, want)
			same(rt, "corrected away for "+b.code, got.CorrectedAway, away)
			same(rt, "marked for "+b.code, marks(got.Marked), marked)
			same(rt, "strangers for "+b.code, marks(got.Strangers), strangers)
			back, err := h.TraceSources(t.Context(), h.owner.Workshop, b.code)
			if err != nil {
				rt.Fatal(err)
			}
			var rows []string
			for _, x := range back.Lines {
				rows = append(rows, fmt.Sprintf("%d %s tub=%s lot=%s batch=%s packing=%s %s %s", x.Depth, x.Batch, x.IntoLot, x.MaterialLot, x.SourceBatch, x.SourcePacking, x.Quantity, x.Unit))
			}
			slices.Sort(rows)
			same(rt, "sources of "+b.code, rows, w.sources(i))
		}
		w.frozen(rt, h, same)
	})
}

// frozen holds the scope and the list that a drill freezes, from a lot and a batch at once, against the search by hand.
func (w *traceWorld) frozen(t *rapid.T, h house, same func(t *rapid.T, what string, got, want any)) {
	ctx, last := context.Background(), len(w.batches)-1
	code, err := h.OpenRecall(ctx, h.owner, store.Entry{}, store.NewRecall{Drill: true, Level: "stock", Title: "Drill", Reason: "A book made up at random.",
		From: []store.TraceStart{{Kind: "lot", Code: w.lots[0].code}, {Kind: "batch", Code: w.batches[last].code}}})
	if err != nil {
		t.Fatal(err)
	}
	number, err := strconv.Atoi(code)
	if err != nil {
		t.Fatal(err)
	}
	page, err := h.Recall(ctx, h.owner.Workshop, number)
	if err != nil {
		t.Fatal(err)
	}
	lines, err := h.RecallLines(ctx, h.owner.Workshop, number)
	if err != nil {
		t.Fatal(err)
	}
	set := w.reach(false, traceNode{"lot", 0}, traceNode{"batch", last})
	var want, got []string
	for node := range set {
		switch node.kind {
		case "lot":
			want = append(want, "lot "+w.lots[node.i].code)
		case "batch":
			want = append(want, "batch "+w.batches[node.i].code)
		}
	}
	for p, x := range w.packings {
		if !set[traceNode{"packing", p}] && !set[traceNode{"batch", x.batch}] {
			continue
		}
		want = append(want, fmt.Sprintf("packing %s %d", x.code, trace.OnHand(w.units(p))))
		for _, l := range w.lines(p, w.batches[x.batch].code) {
			if l.Dispatch != "" {
				want = append(want, fmt.Sprintf("%d of %s in %s", l.Units, l.Packing, l.Dispatch))
			}
		}
	}
	for _, n := range page.Lots {
		got = append(got, "lot "+n.Code)
	}
	for _, n := range page.Batches {
		got = append(got, "batch "+n.Code)
	}
	for _, p := range page.Packings {
		got = append(got, fmt.Sprintf("packing %s %d", p.Code, p.OnHand))
	}
	for _, l := range lines {
		got = append(got, fmt.Sprintf("%d of %s in %s", l.Units, l.Packing, l.Dispatch))
	}
	same(t, "frozen from "+w.lots[0].code+" and "+w.batches[last].code, got, want)
	if since, err := h.RecallSince(ctx, h.owner.Workshop, number); err != nil || since.Any() {
		t.Fatalf("nothing was entered since, and yet %+v, %v", since, err)
	}
}
