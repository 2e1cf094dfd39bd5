package store

import (
	"context"
	"fmt"
	"slices"
	"strconv"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/shopspring/decimal"

	"example.org/stillroom/internal/day"
	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/trace"
)

// Recall is a recall or a drill as it was opened, and where it stands.
type Recall struct {
	ID       RecallID
	Number   int
	Drill    bool
	Level    string // consumer, stockist, stock
	Title    string
	Reason   string
	Hazard   string
	ToDo     string
	Remedy   string
	Contact  string
	OpenedAt time.Time
	OpenedOn day.Day
	OpenedBy string
	Target   int        // a drill's, in minutes; 0 for none
	ListedAt *time.Time // a drill's list was complete
	ClosedAt *time.Time
	Note     string // of closing
}

// RecallCode is how a recall is called: R-12, and a drill DR-12. Both are counted together.
func RecallCode(n int, drill bool) string {
	if drill {
		return "DR-" + strconv.Itoa(n)
	}
	return "R-" + strconv.Itoa(n)
}

// Code is how the recall is called.
func (r Recall) Code() string { return RecallCode(r.Number, r.Drill) }

// Open tells whether it still runs.
func (r Recall) Open() bool { return r.ClosedAt == nil }

// RecallOrigin is what a recall started from.
type RecallOrigin struct {
	Kind      string // lot, supplier_lot, batch, packing, complaint
	Said      string
	Node      string // lot, batch, packing
	Code      string // of the lot, batch or packing
	Complaint int    // number of the complaint, 0 where it was not opened from one
	id        [16]byte
}

// RecallPacking is a packing in a recall's scope, as frozen and as it stands.
type RecallPacking struct {
	ID          PackingID
	Code        string
	Batch       string
	ProductCode string
	ProductName string
	BestBefore  day.Day
	Printed     string // the date as it stands on the label
	Also        string // other codes that stand on units of it, with a space between
	Status      string // quarantined, released, rejected
	AddedAt     time.Time
	Frozen      trace.Units
	OnHand      int  // when frozen
	Counted     *int // on the shelf, for the recall
	Now         trace.Units
	OnHandNow   int
	Crated      int // of those on hand, in crates that are being packed
	HeldNow     int
	Blocked     bool // the hold that the recall placed stands
}

// RecallPage is a recall with its frozen scope.
type RecallPage struct {
	Recall
	Origins       []RecallOrigin
	Lots, Batches []RecallNode
	Packings      []RecallPacking
	Places        []RecallPlace
	Strangers     []UnitCode // units of packings that are not in the scope, though they bear a code of one that is
	Signature     *Signature
	Sums          RecallSums
	Next          RecallKeys // where only a page of each list was asked for: what the next begin behind
}

// RecallNode is a lot or a batch in a recall's scope.
type RecallNode struct {
	Code    string
	Name    string // the material; the product or the formula
	Blocked bool
	AddedAt time.Time
	OnHand  decimal.Decimal // of a lot in its material's unit; of bulk what is left, in g
	Unit    string          // g, ml or each; empty for a batch that is no bulk
	id      [16]byte
}

// alsoOn are the codes that stand on units of a packing k besides its own, with a space between.
const alsoOn = `coalesce((SELECT string_agg(DISTINCT u.code, ' ' ORDER BY u.code) FROM unit_code u WHERE u.workshop_id = $1 AND u.packing_id = k.id AND u.replaced_by IS NULL), '')`

const recallColumns = `r.id, r.n, r.drill, r.level, r.title, r.reason, r.hazard, r.to_do, r.remedy, r.contact, r.opened_at, r.opened_on, coalesce(w.name, c.actor), coalesce(r.target_minutes, 0), r.listed_at, r.closed_at, coalesce(r.close_note, '')`

const recallFrom = ` FROM recall r JOIN change c ON c.workshop_id = r.workshop_id AND c.id = r.change_id LEFT JOIN person w ON w.workshop_id = c.workshop_id AND w.id = c.person_id `

func queryRecalls(ctx context.Context, t pgx.Tx, where string, args ...any) ([]Recall, error) {
	rows, err := t.Query(ctx, `SELECT `+recallColumns+recallFrom+where, args...)
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, pgx.RowToStructByPos[Recall])
}

func recallByNumber(ctx context.Context, t pgx.Tx, workshop WorkshopID, n int) (Recall, error) {
	list, err := queryRecalls(ctx, t, `WHERE r.workshop_id = $1 AND r.n = $2`, workshop, n)
	if err == nil && len(list) == 0 {
		err = fault.New(fault.NotFound, fmt.Sprintf("There is no recall %d.", n))
	}
	if err != nil {
		return Recall{}, err
	}
	return list[0], nil
}

// Recalls lists recalls (or drills), the newest first, after the one that a page ended with (0 for the first page).
func (s *Store) Recalls(ctx context.Context, workshop WorkshopID, drill bool, after, limit int) (list []Recall, next int, err error) {
	err = s.read(ctx, workshop, func(t pgx.Tx) (err error) {
		list, err = queryRecalls(ctx, t, `WHERE r.workshop_id = $1 AND r.drill = $2 AND ($3 = 0 OR r.n < $3) ORDER BY r.n DESC LIMIT $4`, workshop, drill, after, limit+1)
		return err
	})
	if err != nil {
		return nil, 0, fmt.Errorf("store: recalls: %w", err)
	}
	if len(list) > limit {
		list, next = list[:limit], list[limit-1].Number
	}
	return list, next, nil
}

// ClosedRecalls lists the recalls (not the drills) that are closed, the newest first, after the one that a page ended with
// (0 for the first page).
func (s *Store) ClosedRecalls(ctx context.Context, workshop WorkshopID, after, limit int) (list []Recall, next int, err error) {
	err = s.read(ctx, workshop, func(t pgx.Tx) (err error) {
		list, err = queryRecalls(ctx, t, `WHERE r.workshop_id = $1 AND NOT r.drill AND r.closed_at IS NOT NULL AND ($2 = 0 OR r.n < $2) ORDER BY r.n DESC LIMIT $3`, workshop, after, limit+1)
		return err
	})
	if err != nil {
		return nil, 0, fmt.Errorf("store: closed recalls: %w", err)
	}
	if len(list) > limit {
		list, next = list[:limit], list[limit-1].Number
	}
	return list, next, nil
}

// OpenRecalls are the recalls (not the drills) that still run, the oldest first.
func (s *Store) OpenRecalls(ctx context.Context, workshop WorkshopID) (list []Recall, err error) {
	err = s.read(ctx, workshop, func(t pgx.Tx) (err error) {
		list, err = queryRecalls(ctx, t, `WHERE r.workshop_id = $1 AND r.closed_at IS NULL AND NOT r.drill ORDER BY r.n`, workshop)
		return err
	})
	if err != nil {
		return nil, fmt.Errorf("store: open recalls: %w", err)
	}
	return list, nil
}

// facts are what the closing signature is over.
func (r Recall) facts() any {
	return map[string]any{"number": r.Number, "drill": r.Drill, "level": r.Level, "title": r.Title, "reason": r.Reason, "opened_at": r.OpenedAt.UTC().Format(time.RFC3339Nano), "note": r.Note}
}

func recallOrigins(ctx context.Context, t pgx.Tx, workshop WorkshopID, id RecallID) ([]RecallOrigin, error) {
	rows, err := t.Query(ctx, `SELECT o.kind, o.said, CASE WHEN o.lot_id IS NOT NULL THEN 'lot' WHEN o.batch_id IS NOT NULL THEN 'batch' ELSE 'packing' END, coalesce(l.code, b.code, p.code), coalesce(c.n, 0), coalesce(o.lot_id, o.batch_id, o.packing_id)
		FROM recall_origin o LEFT JOIN material_lot l ON l.workshop_id = o.workshop_id AND l.id = o.lot_id LEFT JOIN batch b ON b.workshop_id = o.workshop_id AND b.id = o.batch_id
		LEFT JOIN packing p ON p.workshop_id = o.workshop_id AND p.id = o.packing_id LEFT JOIN complaint c ON c.workshop_id = o.workshop_id AND c.id = o.complaint_id WHERE o.workshop_id = $1 AND o.recall_id = $2 ORDER BY o.kind, coalesce(l.code, b.code, p.code)`, workshop, id)
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, func(row pgx.CollectableRow) (RecallOrigin, error) {
		var o RecallOrigin
		return o, row.Scan(&o.Kind, &o.Said, &o.Node, &o.Code, &o.Complaint, &o.id)
	})
}

// RecallLine is a line of a recall's list: units of a packing in one dispatch, as frozen.
type RecallLine struct {
	trace.Line
	Address     string
	ReturnedNow int  // what of the units has come back by now
	Gone        bool // the dispatch's line was corrected or withdrawn since
}

// RecallLines is the frozen list of a recall, by customer, batch, packing and dispatch.
func (s *Store) RecallLines(ctx context.Context, workshop WorkshopID, n int) (lines []RecallLine, err error) {
	err = s.EachRecallLine(ctx, workshop, n, func(l RecallLine) error {
		lines = append(lines, l)
		return nil
	})
	return lines, err
}

// EachRecallLine is RecallLines one by one, as they come from the database: a file of many lines is not held in memory. The
// recall is looked up before the first.
func (s *Store) EachRecallLine(ctx context.Context, workshop WorkshopID, n int, do func(RecallLine) error) error {
	err := s.read(ctx, workshop, func(t pgx.Tx) error {
		r, err := recallByNumber(ctx, t, workshop, n)
		if err != nil {
			return err
		}
		return eachRecallLine(ctx, t, workshop, r.ID, nil, do)
	})
	if err != nil {
		return fmt.Errorf("store: list of recall %d: %w", n, err)
	}
	return nil
}

// eachRecallLine reads the lines of some customers; nil is all.
func eachRecallLine(ctx context.Context, t pgx.Tx, workshop WorkshopID, id RecallID, customers []CustomerID, do func(RecallLine) error) error {
	args, of := []any{workshop, id}, ""
	if customers != nil {
		args, of = append(args, customers), " AND l.customer_id = ANY ($3::uuid[])"
	}
	rows, err := t.Query(ctx, `SELECT p.batch, p.product, p.product_name, p.made_on, p.best_before, l.units, l.returned, c.code, c.name, c.kind, c.email, c.phone, d.code, d.dispatched_on, p.code, p.also, c.address, x.back, l.gone
		FROM recall_list l
		CROSS JOIN LATERAL (SELECT k.code, k.n, b.code AS batch, b.made_on, k.best_before, pr.code AS product, pr.name AS product_name, `+alsoOn+` AS also
			FROM packing k JOIN batch b ON b.workshop_id = $1 AND b.id = k.batch_id JOIN product pr ON pr.workshop_id = $1 AND pr.id = k.product_id WHERE k.workshop_id = $1 AND k.id = l.packing_id OFFSET 0) p
		CROSS JOIN LATERAL (SELECT y.code, y.dispatched_on FROM dispatch y WHERE y.workshop_id = $1 AND y.id = l.dispatch_id OFFSET 0) d
		CROSS JOIN LATERAL (SELECT y.code, y.name, y.kind, y.email, y.phone, y.address FROM customer y WHERE y.workshop_id = $1 AND y.id = l.customer_id OFFSET 0) c
		CROSS JOIN LATERAL (SELECT coalesce(sum(y.units), 0)::int AS back FROM unit_return y WHERE y.workshop_id = $1 AND y.dispatch_id = l.dispatch_id AND y.packing_id = l.packing_id AND y.replaced_by IS NULL OFFSET 0) x
		WHERE l.workshop_id = $1 AND l.recall_id = $2`+of+` ORDER BY c.name, c.code, p.batch, p.n, d.dispatched_on, d.code`, args...)
	if err != nil {
		return err
	}
	var l RecallLine
	var made, best, sent day.Day
	x := &l.Line
	_, err = pgx.ForEachRow(rows, []any{&x.Batch, &x.Product, &x.ProductName, &made, &best, &x.Units, &x.Returned, &x.Customer, &x.CustomerName, &x.CustomerKind, &x.Email, &x.Phone, &x.Dispatch, &sent, &x.Packing, &x.AlsoMarked, &l.Address, &l.ReturnedNow, &l.Gone}, func() error {
		x.MadeOn, x.BestBefore, x.DispatchedOn = made.String(), best.String(), sent.String()
		return do(l)
	})
	return err
}

// starts reads what several starts stand for; the nodes of one place follow each other. Each is found or the fault names it.
func starts(ctx context.Context, t pgx.Tx, workshop WorkshopID, from []TraceStart) ([][]node, error) {
	all := make([][]node, len(from))
	for i, s := range from {
		_, nodes, err := s.find(ctx, t, workshop)
		if err != nil {
			return nil, err
		}
		all[i] = nodes
	}
	return all, nil
}

// PreviewRecall is what a recall from these starts would cover, in one snapshot; nothing is changed by it. Faults: from.
func (s *Store) PreviewRecall(ctx context.Context, workshop WorkshopID, from []TraceStart) (TraceForward, error) {
	var out TraceForward
	err := s.read(ctx, workshop, func(t pgx.Tx) error {
		if len(from) == 0 {
			return fault.In("from", "What does it start from? A lot, a supplier's lot, a batch or a packing.")
		}
		all, err := starts(ctx, t, workshop, from)
		if err != nil {
			return faultIn("from", err)
		}
		origin := trace.Origin{Kind: from[0].Kind, Code: from[0].Code}
		out, err = forward(ctx, t, workshop, origin, slices.Concat(all...)...)
		return err
	})
	if err != nil {
		return TraceForward{}, fmt.Errorf("store: preview of a recall: %w", err)
	}
	return out, nil
}
