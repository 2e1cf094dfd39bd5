package store

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"

	"github.com/jackc/pgx/v5"

	"example.org/stillroom/internal/batchcode"
	"example.org/stillroom/internal/day"
	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/trace"
)

// reachForward follows what used what: lots into lots, lots into batches, batches and packings into batches, packaging
// lots into packings. UNION on the node alone ends on diamonds and cycles; each step is one LATERAL block with OFFSET 0,
// so that the planner keeps to the indexes whatever it guesses about the size. $2 kinds, $3 ids of the origins.
const reachForward = `WITH RECURSIVE reach (kind, id) AS (
	SELECT o.kind, o.id FROM unnest($2::text[], $3::uuid[]) o (kind, id)
	UNION
	SELECT s.kind, s.id FROM reach r CROSS JOIN LATERAL (` + reachedBy + ` OFFSET 0) s)
	SELECT kind, id FROM reach`

// reachedBy is one step of it: what used the node r.
const reachedBy = `SELECT 'lot' AS kind, i.lot_id AS id FROM lot_input i WHERE r.kind = 'lot' AND i.workshop_id = $1 AND i.source_lot_id = r.id AND i.replaced_by IS NULL
		UNION ALL SELECT 'batch', i.batch_id FROM batch_input i WHERE r.kind = 'lot' AND i.workshop_id = $1 AND i.material_lot_id = r.id AND i.replaced_by IS NULL
		UNION ALL SELECT 'packing', i.packing_id FROM packing_input i WHERE r.kind = 'lot' AND i.workshop_id = $1 AND i.material_lot_id = r.id AND i.replaced_by IS NULL
		UNION ALL SELECT 'batch', i.batch_id FROM batch_input i WHERE r.kind = 'batch' AND i.workshop_id = $1 AND i.source_batch_id = r.id AND i.replaced_by IS NULL
		UNION ALL SELECT 'batch', i.batch_id FROM batch_input i WHERE r.kind = 'packing' AND i.workshop_id = $1 AND i.source_packing_id = r.id AND i.replaced_by IS NULL`

// reachEver is reachForward along every entry, those that were corrected away too.
var reachEver = strings.ReplaceAll(reachForward, " AND i.replaced_by IS NULL", "")

// node is a lot, batch or packing of the genealogy.
type node struct {
	Kind string
	ID   [16]byte
}

// reached is a set of nodes, by kind.
type reached map[string][][16]byte

func (r reached) has(n node) bool { return slices.Contains(r[n.Kind], n.ID) }

// split gives kinds and ids as two lists of the same order.
func split(nodes []node) (kinds []string, ids [][16]byte) {
	kinds, ids = make([]string, len(nodes)), make([][16]byte, len(nodes))
	for i, o := range nodes {
		kinds[i], ids[i] = o.Kind, o.ID
	}
	return kinds, ids
}

func reach(ctx context.Context, t pgx.Tx, workshop WorkshopID, query string, origins ...node) (reached, error) {
	kinds, ids := split(origins)
	rows, err := t.Query(ctx, query, workshop, kinds, ids)
	if err != nil {
		return nil, err
	}
	set := reached{}
	var n node
	_, err = pgx.ForEachRow(rows, []any{&n.Kind, &n.ID}, func() error {
		set[n.Kind] = append(set[n.Kind], n.ID)
		return nil
	})
	return set, err
}

// TraceForward is where a lot or a batch went, as read in one snapshot, with the genealogy between the batches.
type TraceForward struct {
	trace.Forward
	// Origins are the batches at depth 0; Edges lead from a source batch to the batch that drew on it.
	Origins []string
	Edges   []trace.Edge
	// Lots are the origin lots and the tubs filled from them.
	Lots []string
	// Deliveries are the origin lots, for a trace from lots. Others are further deliveries of their supplier's lots,
	// which are not part of this trace.
	Deliveries, Others []Delivery
	// Packings are the affected ones with their ledger, by batch and number. Held and Retained are their sums: units
	// that may not leave for now, which are on hand, and retained samples, which never were among the good ones.
	Packings       []TracedPacking
	Held, Retained int
	// Names says in words what each batch made: its product, else its formula. Addresses are the customers' postal
	// ones by customer code, where the book has one.
	Names, Addresses map[string]string
	// Marked are affected units that bear another code than their packing's own. Strangers are units of packings that are
	// not part of the trace, though they bear a code of one that is.
	Marked, Strangers []UnitCode
	// CorrectedAway are batches, and packings of other batches, that were reached only by entries corrected since;
	// they are not part of the rest.
	CorrectedAway []string
}

// TracedPacking is an affected packing.
type TracedPacking struct {
	ID           PackingID
	Batch        string // code
	Code         string
	Status       string // quarantined, released, rejected
	ProductCode  string
	ProductName  string
	BestBefore   day.Day
	Held         int
	Retained     int
	Units        trace.Units
	batch        [16]byte
	number       int
	unitsOnShelf int
}

// Delivery is a lot as it came in.
type Delivery struct {
	Code, Material, SupplierCode, SupplierName, SupplierLot string
	ReceivedOn                                              day.Day
}

// TraceStart is where a trace forward begins, and what it is called: of a lot, a batch, a packing, a supplier's lot, or of
// the packing that a complaint is about.
type TraceStart struct {
	Kind     string // lot, batch, packing, supplier lot or complaint
	Code     string // of the lot; of the batch or one of its packings; the supplier's lot, compared folded; C-12
	Supplier string // code, of a supplier's lot
}

// TraceLot follows one material lot forward, through tubs too: what was drawn from a tub before the lot was topped up into
// it is listed with the rest, to be on the safe side.
func (s *Store) TraceLot(ctx context.Context, workshop WorkshopID, code string) (TraceForward, error) {
	return s.Trace(ctx, workshop, TraceStart{Kind: "lot", Code: code})
}

// TraceSupplierLot follows every delivery of one supplier's lot forward. The supplier is its code; the lot is compared
// folded, as a withdrawal notice may write it otherwise than the drum.
func (s *Store) TraceSupplierLot(ctx context.Context, workshop WorkshopID, supplier, supplierLot string) (TraceForward, error) {
	return s.Trace(ctx, workshop, TraceStart{Kind: "supplier lot", Code: supplierLot, Supplier: supplier})
}

// TraceBatch follows one batch forward; a packing's code leads to its batch.
func (s *Store) TraceBatch(ctx context.Context, workshop WorkshopID, code string) (TraceForward, error) {
	return s.Trace(ctx, workshop, TraceStart{Kind: "batch", Code: code})
}

// Trace follows what a trace starts from forward.
func (s *Store) Trace(ctx context.Context, workshop WorkshopID, start TraceStart) (TraceForward, error) {
	var out TraceForward
	err := s.readStandby(ctx, workshop, func(t pgx.Tx) error {
		origin, origins, err := start.find(ctx, t, workshop)
		if err != nil {
			return err
		}
		out, err = forward(ctx, t, workshop, origin, origins...)
		return err
	})
	if err != nil {
		return TraceForward{}, fmt.Errorf("store: trace %s %q: %w", start.Kind, start.Code, err)
	}
	return out, nil
}

// RecallList is the list of Trace alone, in the same order, without what its page shows around it.
func (s *Store) RecallList(ctx context.Context, workshop WorkshopID, start TraceStart) (trace.Origin, []trace.Line, error) {
	var origin trace.Origin
	var lines []trace.Line
	err := s.readStandby(ctx, workshop, func(t pgx.Tx) error {
		var origins []node
		var err error
		if origin, origins, err = start.find(ctx, t, workshop); err != nil {
			return err
		}
		set, err := reach(ctx, t, workshop, reachForward, origins...)
		if err != nil {
			return err
		}
		var list TraceForward
		if _, lines, err = list.affected(ctx, t, workshop, set); err != nil {
			return err
		}
		list.Lines = lines
		list.alsoMarked()
		return nil
	})
	if err != nil {
		return trace.Origin{}, nil, fmt.Errorf("store: recall list of %s %q: %w", start.Kind, start.Code, err)
	}
	return origin, lines, nil
}

// find reads what the start stands for.
func (s TraceStart) find(ctx context.Context, t pgx.Tx, workshop WorkshopID) (trace.Origin, []node, error) {
	switch s.Kind {
	case "lot":
		var id LotID
		err := t.QueryRow(ctx, `SELECT id FROM material_lot WHERE workshop_id = $1 AND code = $2`, workshop, s.Code).Scan(&id)
		if err != nil {
			return trace.Origin{}, nil, notFound(err, fmt.Sprintf("There is no lot %q.", s.Code))
		}
		return trace.Origin{Kind: "lot", Code: s.Code}, []node{{"lot", id}}, nil
	case "batch":
		id, code, err := batchOfCode(ctx, t, workshop, s.Code)
		return trace.Origin{Kind: "batch", Code: code}, []node{{"batch", id}}, err
	case "packing":
		p, err := typedPacking(ctx, t, workshop, s.Code)
		return trace.Origin{Kind: "packing", Code: p.Code}, []node{{"packing", p.ID}}, err
	case "complaint":
		p, err := complainedPacking(ctx, t, workshop, s.Code)
		return trace.Origin{Kind: "packing", Code: p.Code}, []node{{"packing", p.ID}}, err
	}
	rows, err := t.Query(ctx, `SELECT l.id FROM material_lot l JOIN supplier p ON p.workshop_id = l.workshop_id AND p.id = l.supplier_id
		WHERE l.workshop_id = $1 AND p.code = $2 AND l.supplier_lot_key = $3 AND l.supplier_lot_key <> ''`, workshop, s.Supplier, foldWord(s.Code))
	if err != nil {
		return trace.Origin{}, nil, err
	}
	ids, err := pgx.CollectRows(rows, pgx.RowTo[[16]byte])
	if err != nil {
		return trace.Origin{}, nil, err
	}
	if len(ids) == 0 {
		return trace.Origin{}, nil, fault.New(fault.NotFound, fmt.Sprintf("No delivery of lot %q from %s is in the book.", s.Code, s.Supplier))
	}
	origins := make([]node, len(ids))
	for i, id := range ids {
		origins[i] = node{"lot", id}
	}
	return trace.Origin{Kind: "lot", Code: s.Code}, origins, nil
}

// foldBatch is a batch code's uniqueness key.
func foldBatch(code string) string { return batchcode.Fold(code) }

// batchCoded is the id of the batch that a folded code $2 stands for: its own, or that of one of its packings.
const batchCoded = `(SELECT k.id FROM (SELECT x.id, 1 AS rank FROM batch x WHERE x.workshop_id = $1 AND x.code_key = $2
	UNION ALL SELECT p.batch_id, 2 FROM packing p WHERE p.workshop_id = $1 AND p.code_key = $2) k ORDER BY k.rank LIMIT 1)`

// batchOfCode finds a batch by its code or by that of one of its packings, however case, separators and look-alikes
// are written: folded codes are unique.
func batchOfCode(ctx context.Context, t pgx.Tx, workshop WorkshopID, code string) (BatchID, string, error) {
	var id BatchID
	var batch string
	err := t.QueryRow(ctx, `SELECT b.id, b.code FROM batch b WHERE b.workshop_id = $1 AND b.id = `+batchCoded, workshop, foldBatch(code)).Scan(&id, &batch)
	if errors.Is(err, pgx.ErrNoRows) {
		err = elsewhere(ctx, t, workshop, code)
	}
	return id, batch, err
}

func forward(ctx context.Context, t pgx.Tx, workshop WorkshopID, origin trace.Origin, origins ...node) (TraceForward, error) {
	set, err := reach(ctx, t, workshop, reachForward, origins...)
	if err != nil {
		return TraceForward{}, err
	}
	var out TraceForward
	batches, lines, err := out.affected(ctx, t, workshop, set)
	if err != nil {
		return TraceForward{}, err
	}
	code := map[[16]byte]string{}
	for _, b := range batches {
		code[b.id] = b.row.Code
	}
	if err := together(ctx, t,
		func(t pgx.Tx) error { return out.genealogy(ctx, t, workshop, set, origins, code) },
		func(t pgx.Tx) error { return out.provenance(ctx, t, workshop, set, origins) },
		func(t pgx.Tx) error { return out.strangers(ctx, t, workshop) },
		func(t pgx.Tx) (err error) {
			out.Addresses, err = addresses(ctx, t, workshop, lines)
			return err
		},
		func(t pgx.Tx) (err error) {
			out.CorrectedAway, err = correctedAway(ctx, t, workshop, set)
			return err
		}); err != nil {
		return TraceForward{}, err
	}
	out.Forward = trace.NewForward(origin, out.sum(batches), lines)
	out.alsoMarked()
	return out, nil
}

// affectedIDs are the ids of all packings of the reached batches ($2) and of those reached by their packaging alone ($3).
const affectedIDs = `(SELECT a.id FROM unnest($2::uuid[]) b (id) CROSS JOIN LATERAL (SELECT k.id FROM packing k WHERE k.workshop_id = $1 AND k.batch_id = b.id OFFSET 0) a
	UNION SELECT o.id FROM unnest($3::uuid[]) o (id)) h`

// affected reads what a list is made of in one round trip: the packings, their marks and batches, and where they went.
func (f *TraceForward) affected(ctx context.Context, t pgx.Tx, workshop WorkshopID, set reached) (batches []tracedBatch, lines []trace.Line, err error) {
	err = together(ctx, t,
		func(t pgx.Tx) (err error) {
			f.Packings, err = affectedPackings(ctx, t, workshop, set)
			return err
		},
		func(t pgx.Tx) (err error) {
			batches, err = affectedBatches(ctx, t, workshop, set)
			return err
		},
		func(t pgx.Tx) (err error) {
			f.Marked, err = queryUnitCodes(ctx, t, `WHERE u.workshop_id = $1 AND u.packing_id IN (SELECT h.id FROM `+affectedIDs+`) AND u.replaced_by IS NULL ORDER BY k.code, u.code`, workshop, set["batch"], set["packing"])
			return err
		},
		func(t pgx.Tx) (err error) {
			lines, err = dispatchLines(ctx, t, workshop, set, func() ([]TracedPacking, []tracedBatch) { return f.Packings, batches })
			return err
		})
	return batches, lines, err
}

// affectedPackings are all packings of the reached batches and those reached by their packaging alone.
func affectedPackings(ctx context.Context, t pgx.Tx, workshop WorkshopID, set reached) ([]TracedPacking, error) {
	rows, err := t.Query(ctx, `SELECT p.* FROM `+affectedIDs+`
		CROSS JOIN LATERAL (
			SELECT k.id, k.batch_id, k.n, k.code, k.status, pr.code AS product, pr.name, k.best_before, s.held, k.units_retained,
			       s.units_good, s.dispatched, s.returned, s.returned_back, s.destroyed, s.used, s.moved
			  FROM packing k JOIN packing_stock s ON s.workshop_id = $1 AND s.packing_id = k.id JOIN product pr ON pr.workshop_id = $1 AND pr.id = k.product_id
			 WHERE k.workshop_id = $1 AND k.id = h.id OFFSET 0) p`, workshop, set["batch"], set["packing"])
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, func(row pgx.CollectableRow) (TracedPacking, error) {
		var p TracedPacking
		u := &p.Units
		err := row.Scan(&p.ID, &p.batch, &p.number, &p.Code, &p.Status, &p.ProductCode, &p.ProductName, &p.BestBefore, &p.Held, &p.Retained,
			&u.Good, &u.Dispatched, &u.Returned, &u.RestockedOrHeld, &u.Destroyed, &u.Used, &u.Moved)
		p.unitsOnShelf = trace.OnHand(p.Units)
		return p, err
	})
}

// OnHand is what is in the house of it, held units too.
func (p TracedPacking) OnHand() int { return p.unitsOnShelf }

// tracedBatch is an affected batch before its units are summed.
type tracedBatch struct {
	id      [16]byte
	row     trace.BatchRow
	product string // name of the planned product
	formula string // name
}

// affectedBatches are the reached batches, and those of packings reached by their packaging alone, in order of code.
func affectedBatches(ctx context.Context, t pgx.Tx, workshop WorkshopID, set reached) ([]tracedBatch, error) {
	rows, err := t.Query(ctx, `SELECT b.* FROM (SELECT x.id FROM unnest($2::uuid[]) x (id)
			UNION SELECT p.batch_id FROM unnest($3::uuid[]) o (id) CROSS JOIN LATERAL (SELECT k.batch_id FROM packing k WHERE k.workshop_id = $1 AND k.id = o.id OFFSET 0) p) w CROSS JOIN LATERAL (
			SELECT k.id, k.code, coalesce(pr.code, ''), k.made_on, k.best_before, k.status, coalesce(pr.name, ''), coalesce(f.name, '')
			  FROM batch k LEFT JOIN product pr ON pr.workshop_id = $1 AND pr.id = k.product_id LEFT JOIN formula f ON f.workshop_id = $1 AND f.id = k.formula_id
			 WHERE k.workshop_id = $1 AND k.id = w.id OFFSET 0) b`, workshop, set["batch"], set["packing"])
	if err != nil {
		return nil, err
	}
	list, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (tracedBatch, error) {
		var b tracedBatch
		var made, best day.Day
		err := row.Scan(&b.id, &b.row.Code, &b.row.Product, &made, &best, &b.row.Status, &b.product, &b.formula)
		b.row.MadeOn, b.row.BestBefore = made.String(), best.String()
		return b, err
	})
	slices.SortFunc(list, func(a, b tracedBatch) int { return cmp.Compare(a.row.Code, b.row.Code) })
	return list, err
}

// sum gives each batch its depth and the units of its affected packings: a batch reached only through the packaging
// of some of its packings counts those alone. A batch packed has the product and the earliest date of its packings.
func (f *TraceForward) sum(batches []tracedBatch) []trace.BatchRow {
	index := map[[16]byte]int{}
	for i, b := range batches {
		index[b.id] = i
	}
	units, best, product := make([]trace.Units, len(batches)), make([]day.Day, len(batches)), make([]string, len(batches))
	f.Names = map[string]string{}
	for i := range f.Packings {
		p := &f.Packings[i]
		at := index[p.batch]
		p.Batch = batches[at].row.Code
		units[at] = units[at].Add(p.Units)
		if !p.BestBefore.IsZero() && (best[at].IsZero() || p.BestBefore.Before(best[at])) {
			best[at] = p.BestBefore
		}
		f.Held, f.Retained = f.Held+p.Held, f.Retained+p.Retained
	}
	slices.SortFunc(f.Packings, func(a, b TracedPacking) int {
		return cmp.Or(cmp.Compare(a.Batch, b.Batch), cmp.Compare(a.number, b.number))
	})
	for _, p := range f.Packings {
		if at := index[p.batch]; product[at] == "" {
			product[at], f.Names[p.Batch] = p.ProductCode, p.ProductName
		}
	}
	depths := trace.Depths(f.Origins, f.Edges)
	rows := make([]trace.BatchRow, len(batches))
	for i, b := range batches {
		b.row.Depth = depths[b.row.Code]
		if !best[i].IsZero() {
			b.row.BestBefore = best[i].String()
		}
		if product[i] != "" {
			b.row.Product = product[i]
		} else {
			f.Names[b.row.Code] = cmp.Or(b.product, b.formula)
		}
		rows[i] = b.row.WithUnits(units[i])
	}
	return rows
}

// genealogy reads the edges between the affected batches and which of them stand at depth 0: those that used the
// origin itself, not another batch. A batch whose packing was reached by its packaging is one of these, and what
// drew that packing's units counts from it.
func (f *TraceForward) genealogy(ctx context.Context, t pgx.Tx, workshop WorkshopID, set reached, origins []node, code map[[16]byte]string) error {
	rows, err := t.Query(ctx, `SELECT DISTINCT e.source, e.id FROM unnest($2::uuid[]) r (id) CROSS JOIN LATERAL (
			SELECT i.source_batch_id AS source, i.batch_id AS id FROM batch_input i WHERE i.workshop_id = $1 AND i.source_batch_id = r.id AND i.replaced_by IS NULL OFFSET 0) e
		UNION SELECT e.source, e.id FROM unnest($3::uuid[]) r (id) CROSS JOIN LATERAL (
			SELECT i.source_batch_id AS source, i.batch_id AS id FROM batch_input i WHERE i.workshop_id = $1 AND i.source_packing_id = r.id AND i.replaced_by IS NULL OFFSET 0) e`,
		workshop, set["batch"], set["packing"])
	if err != nil {
		return err
	}
	var from, to [16]byte
	if _, err = pgx.ForEachRow(rows, []any{&from, &to}, func() error {
		f.Edges = append(f.Edges, trace.Edge{From: code[from], To: code[to]})
		return nil
	}); err != nil {
		return err
	}
	slices.SortFunc(f.Edges, func(a, b trace.Edge) int {
		return cmp.Or(cmp.Compare(a.From, b.From), cmp.Compare(a.To, b.To))
	})
	rows, err = t.Query(ctx, `SELECT e.id FROM unnest($2::uuid[]) r (id) CROSS JOIN LATERAL (
			SELECT i.batch_id AS id FROM batch_input i WHERE i.workshop_id = $1 AND i.material_lot_id = r.id AND i.replaced_by IS NULL OFFSET 0) e
		UNION SELECT e.id FROM unnest($3::uuid[]) r (id) CROSS JOIN LATERAL (
			SELECT p.batch_id AS id FROM packing p WHERE p.workshop_id = $1 AND p.id = r.id OFFSET 0) e`, workshop, set["lot"], set["packing"])
	if err != nil {
		return err
	}
	direct, err := pgx.CollectRows(rows, pgx.RowTo[[16]byte])
	for _, o := range origins {
		if o.Kind == "batch" {
			direct = append(direct, o.ID)
		}
	}
	for _, id := range direct {
		f.Origins = append(f.Origins, code[id])
	}
	slices.Sort(f.Origins)
	f.Origins = slices.Compact(f.Origins)
	return err
}

// dispatchLines is a row for each dispatch line of an affected packing, and one for what is still on hand of it.
// made gives the packings and their batches, once they have been read in answer to one question.
func dispatchLines(ctx context.Context, t pgx.Tx, workshop WorkshopID, set reached, made func() ([]TracedPacking, []tracedBatch)) ([]trace.Line, error) {
	rows, err := t.Query(ctx, `SELECT x.* FROM `+affectedIDs+` CROSS JOIN LATERAL (
			SELECT l.packing_id, l.units, coalesce((SELECT sum(r.units) FROM unit_return r WHERE r.workshop_id = $1 AND r.dispatch_id = l.dispatch_id AND r.packing_id = h.id AND r.replaced_by IS NULL), 0)::int,
			       c.code, c.name, c.kind, c.email, c.phone, d.code AS dispatch, d.dispatched_on
			  FROM dispatch_line l JOIN dispatch d ON d.workshop_id = $1 AND d.id = l.dispatch_id JOIN customer c ON c.workshop_id = $1 AND c.id = l.customer_id
			 WHERE l.workshop_id = $1 AND l.packing_id = h.id AND l.replaced_by IS NULL OFFSET 0) x`, workshop, set["batch"], set["packing"])
	if err != nil {
		return nil, err
	}
	packings, batches := made()
	blank := map[[16]byte]trace.Line{}
	row := map[[16]byte]trace.BatchRow{}
	for _, b := range batches {
		row[b.id] = b.row
	}
	var lines pieces[trace.Line]
	for _, p := range packings {
		b := row[p.batch]
		l := trace.Line{Batch: b.Code, Product: p.ProductCode, ProductName: p.ProductName, MadeOn: b.MadeOn, BestBefore: p.BestBefore.String(), Packing: p.Code}
		blank[p.ID] = l
		if l.Units = p.unitsOnShelf; l.Units > 0 {
			l.CustomerKind = trace.OnHandKind
			lines.add(l)
		}
	}
	var id [16]byte
	var l trace.Line
	var sent day.Day
	_, err = pgx.ForEachRow(rows, []any{&id, &l.Units, &l.Returned, &l.Customer, &l.CustomerName, &l.CustomerKind, &l.Email, &l.Phone, &l.Dispatch, &sent}, func() error {
		b := blank[id]
		l.Batch, l.Product, l.ProductName, l.MadeOn, l.BestBefore, l.Packing = b.Batch, b.Product, b.ProductName, b.MadeOn, b.BestBefore, b.Packing
		l.DispatchedOn = sent.String()
		lines.add(l)
		return nil
	})
	list := lines.joined()
	// What is on hand stands after what left.
	slices.SortFunc(list, func(a, b trace.Line) int {
		return cmp.Or(cmp.Compare(a.Batch, b.Batch), cmp.Compare(a.Packing, b.Packing), -cmp.Compare(min(1, len(a.Dispatch)), min(1, len(b.Dispatch))),
			cmp.Compare(a.DispatchedOn, b.DispatchedOn), cmp.Compare(a.Dispatch, b.Dispatch))
	})
	return list, err
}

// pieces collects a list of unknown length: a slice of tens of thousands of wide rows that grows by append spends more
// time on copying itself than reading them takes.
type pieces[T any] struct {
	full [][]T
	last []T
	n    int
}

func (p *pieces[T]) add(v T) {
	if len(p.last) == cap(p.last) {
		p.full, p.last = append(p.full, p.last), make([]T, 0, 512)
	}
	p.last = append(p.last, v)
	p.n++
}

// joined is all of them in one slice, which is not nil.
func (p *pieces[T]) joined() []T {
	list := make([]T, 0, p.n)
	for _, piece := range p.full {
		list = append(list, piece...)
	}
	return append(list, p.last...)
}
