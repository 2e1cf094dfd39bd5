package store

import (
	"context"
	"fmt"
	"slices"
	"time"

	"github.com/jackc/pgx/v5"

	"example.org/stillroom/internal/countback"
	"example.org/stillroom/internal/day"
	"example.org/stillroom/internal/fault"
)

// ToldCustomer is somebody on a recall's list who had units when it was frozen: what was said, and what is counted back.
type ToldCustomer struct {
	Customer
	countback.Units
	FirstOn, LastOn day.Day // of the dispatches; of an event, when it was
	Times           int     // told so often
	FirstAt         *time.Time
	LastAt          *time.Time // told last
	How, By         string     // of the last time
	Answered        day.Day    // last
}

// Event tells that the buyers are not known by name: a public notice tells them, and nobody answers.
func (c ToldCustomer) Event() bool { return c.Kind == "event" }

// Told tells whether anybody, or a notice, has said it.
func (c ToldCustomer) Told() bool { return c.Times > 0 }

// Silent tells that an answer is waited for.
func (c ToldCustomer) Silent() bool { return c.Told() && !c.Event() && c.Answered.IsZero() }

// RecallTold is how far the telling of a recall has come.
type RecallTold struct {
	Recall
	Customers                 []ToldCustomer // a page of them: not told first, then told and silent by when they were told, then the rest
	Next                      string         // code that the next page begins behind
	Units                     countback.Units
	Count                     int // customers with units in all
	NotTold, Silent, Answered int // of those; at events nobody answers
	Untied                    int // units that came back since without a known dispatch: in Units.Returned, on nobody's account
	Beyond, BeyondUnits       int // customers and units that the level leaves out: those who bought for themselves
}

// toldFrom are the customers of a recall's list as rows of told, with $1 the workshop, $2 the recall and $3 its level. Back
// is what has come back since the list was frozen, whichever page it was written down on; returns that were counted here
// are among it by that, and recall_count's own rows of that kind are not added again.
const toldFrom = `WITH lines AS (
	SELECT l.customer_id, l.packing_id, l.dispatch_id, l.units - l.returned_before AS units_out,
	       greatest(0, coalesce((SELECT sum(x.units) FROM unit_return x WHERE x.workshop_id = $1 AND x.dispatch_id = l.dispatch_id AND x.packing_id = l.packing_id AND x.replaced_by IS NULL), 0)::int - l.returned_before) AS back
	  FROM recall_list l WHERE l.workshop_id = $1 AND l.recall_id = $2 AND l.units > l.returned_before),
counted AS (
	SELECT k.customer_id, k.packing_id, sum(k.units) FILTER (WHERE k.kind = 'destroyed') AS destroyed, sum(k.units) FILTER (WHERE k.kind = 'used') AS used, sum(k.units) FILTER (WHERE k.kind = 'sold') AS sold
	  FROM recall_count k WHERE k.workshop_id = $1 AND k.recall_id = $2 AND k.replaced_by IS NULL AND k.kind <> 'returned' GROUP BY k.customer_id, k.packing_id),
held AS (
	SELECT l.customer_id, sum(l.units_out)::int AS units_out, sum(l.back)::int AS back, min(d.dispatched_on) AS first_on, max(d.dispatched_on) AS last_on
	  FROM lines l JOIN dispatch d ON d.workshop_id = $1 AND d.id = l.dispatch_id GROUP BY l.customer_id),
every AS (
	SELECT c.id, c.code, c.name, c.kind, c.email, c.phone, c.address, h.units_out, h.back, coalesce(k.destroyed, 0)::int AS destroyed, coalesce(k.used, 0)::int AS used, coalesce(k.sold, 0)::int AS sold,
	       h.first_on, h.last_on, coalesce(t.times, 0)::int AS times, t.first_at, t.last_at, z.how, z.by, a.answered_on
	  FROM held h JOIN customer c ON c.workshop_id = $1 AND c.id = h.customer_id
	  LEFT JOIN (SELECT customer_id, sum(destroyed) AS destroyed, sum(used) AS used, sum(sold) AS sold FROM counted GROUP BY customer_id) k ON k.customer_id = h.customer_id
	  LEFT JOIN (SELECT e.customer_id, count(*) AS times, min(e.told_at) AS first_at, max(e.told_at) AS last_at FROM recall_told e WHERE e.workshop_id = $1 AND e.recall_id = $2 AND e.replaced_by IS NULL GROUP BY e.customer_id) t ON t.customer_id = h.customer_id
	  LEFT JOIN (SELECT DISTINCT ON (e.customer_id) e.customer_id, e.how, coalesce(p.name, c.actor) AS by FROM recall_told e` + madeBy + `WHERE e.workshop_id = $1 AND e.recall_id = $2 AND e.replaced_by IS NULL ORDER BY e.customer_id, e.told_at DESC, e.id DESC) z ON z.customer_id = h.customer_id
	  LEFT JOIN (SELECT e.customer_id, max(e.answered_on) AS answered_on FROM recall_answer e WHERE e.workshop_id = $1 AND e.recall_id = $2 AND e.replaced_by IS NULL GROUP BY e.customer_id) a ON a.customer_id = h.customer_id),
told AS (
	SELECT e.*, CASE WHEN e.times = 0 THEN 0 WHEN e.kind <> 'event' AND e.answered_on IS NULL THEN 1 ELSE 2 END AS stage FROM every e WHERE $3 = 'consumer' OR $3 = 'stockist' AND e.kind = 'stockist') `

const toldColumns = `id, code, name, kind, email, phone, address, units_out, back, destroyed, used, sold, first_on, last_on, times, first_at, last_at, coalesce(how, ''), coalesce(by, ''), answered_on`

func scanTold(row pgx.CollectableRow) (ToldCustomer, error) {
	var c ToldCustomer
	u := &c.Units
	return c, row.Scan(append(c.fields(), &u.Out, &u.Returned, &u.Destroyed, &u.Used, &u.Sold, &c.FirstOn, &c.LastOn, &c.Times, &c.FirstAt, &c.LastAt, &c.How, &c.By, &c.Answered)...)
}

// toldOrder puts those first with whom something is to be done: not told, then silent, oldest first.
const toldOrder = `stage, coalesce(first_at, '-infinity'), name, code`

// RecallTold reads a page of at most limit customers behind the one of a code, with the sums over all. A limit of 0 reads all.
func (s *Store) RecallTold(ctx context.Context, workshop WorkshopID, n int, after string, limit int) (RecallTold, error) {
	var out RecallTold
	err := s.read(ctx, workshop, func(t pgx.Tx) error {
		r, err := recallByNumber(ctx, t, workshop, n)
		if err != nil {
			return err
		}
		if r.Drill {
			return fault.New(fault.NotFound, "A drill tells nobody.")
		}
		out, err = recallTold(ctx, t, workshop, r, after, limit)
		return err
	})
	if err != nil {
		return RecallTold{}, fmt.Errorf("store: telling of recall %d: %w", n, err)
	}
	return out, nil
}

func recallTold(ctx context.Context, t pgx.Tx, workshop WorkshopID, r Recall, after string, limit int) (RecallTold, error) {
	out := RecallTold{Recall: r}
	err := together(ctx, t,
		func(t pgx.Tx) error {
			most := "NULL"
			if limit > 0 {
				most = fmt.Sprint(limit + 1)
			}
			rows, err := t.Query(ctx, toldFrom+`SELECT `+toldColumns+` FROM told WHERE $4 = '' OR (`+toldOrder+`) > (SELECT `+toldOrder+` FROM told WHERE code = $4) ORDER BY `+toldOrder+` LIMIT `+most, workshop, r.ID, r.Level, after)
			if err != nil {
				return err
			}
			out.Customers, err = pgx.CollectRows(rows, scanTold)
			if limit > 0 && len(out.Customers) > limit {
				out.Customers = out.Customers[:limit]
				out.Next = out.Customers[limit-1].Code
			}
			return err
		},
		func(t pgx.Tx) error {
			u := &out.Units
			return t.QueryRow(ctx, toldFrom+`SELECT coalesce(sum(units_out), 0)::int, coalesce(sum(back), 0)::int, coalesce(sum(destroyed), 0)::int, coalesce(sum(used), 0)::int, coalesce(sum(sold), 0)::int,
					count(*)::int, (count(*) FILTER (WHERE stage = 0))::int, (count(*) FILTER (WHERE stage = 1))::int, (count(*) FILTER (WHERE answered_on IS NOT NULL))::int,
					(SELECT count(*)::int FROM every) - count(*)::int, (SELECT coalesce(sum(e.units_out), 0)::int FROM every e) - coalesce(sum(units_out), 0)::int FROM told`, workshop, r.ID, r.Level).
				Scan(&u.Out, &u.Returned, &u.Destroyed, &u.Used, &u.Sold, &out.Count, &out.NotTold, &out.Silent, &out.Answered, &out.Beyond, &out.BeyondUnits)
		},
		func(t pgx.Tx) error {
			return t.QueryRow(ctx, `SELECT coalesce(sum(x.units), 0)::int FROM recall_scope s JOIN unit_return x ON x.workshop_id = $1 AND x.packing_id = s.packing_id AND x.dispatch_id IS NULL AND x.replaced_by IS NULL
				JOIN change c ON c.workshop_id = $1 AND c.id = x.change_id WHERE s.workshop_id = $1 AND s.recall_id = $2 AND c.at >= $3`, workshop, r.ID, r.OpenedAt).Scan(&out.Untied)
		})
	if r.Level == "stock" {
		out.Untied = 0
	}
	out.Units.Returned += out.Untied
	return out, err
}

// ToldPacking is what one customer had of a packing.
type ToldPacking struct {
	ID          PackingID
	Code        string
	ProductName string
	BestBefore  day.Day
	Printed     string
	countback.Units
}

// ToldEntry is one entry about a customer of a recall: told, an answer, or units counted back.
type ToldEntry struct {
	ID        RowID
	Kind      string // told, answer, count
	At        time.Time
	On        day.Day // of an answer and a count
	How       string  // told: telephone, email, …; count: returned, destroyed, used, sold
	Packing   string
	Units     int
	Return    string // code of the return that a count made
	Note      string
	Made      Made
	Withdrawn bool
	Why       string // it was withdrawn
	answer    ChangeID
}

// RecallCustomer is one customer of a recall with everything that was entered.
type RecallCustomer struct {
	Recall   Recall
	Customer ToldCustomer
	Packings []ToldPacking
	Entries  []ToldEntry // the latest first; a count below its answer
}

// RecallCustomer reads one customer of a recall's list.
func (s *Store) RecallCustomer(ctx context.Context, workshop WorkshopID, n int, code string) (RecallCustomer, error) {
	var out RecallCustomer
	err := s.read(ctx, workshop, func(t pgx.Tx) (err error) {
		if out.Recall, err = recallByNumber(ctx, t, workshop, n); err != nil {
			return err
		}
		if out.Customer, out.Packings, err = customerOfRecall(ctx, t, workshop, out.Recall, code); err != nil {
			return err
		}
		out.Entries, err = toldEntries(ctx, t, workshop, out.Recall.ID, &out.Customer.ID)
		return err
	})
	if err != nil {
		return RecallCustomer{}, fmt.Errorf("store: customer %q of recall %d: %w", code, n, err)
	}
	return out, nil
}

func customerOfRecall(ctx context.Context, t pgx.Tx, workshop WorkshopID, r Recall, code string) (ToldCustomer, []ToldPacking, error) {
	rows, err := t.Query(ctx, toldFrom+`SELECT `+toldColumns+` FROM told WHERE code = $4`, workshop, r.ID, r.Level, code)
	if err != nil {
		return ToldCustomer{}, nil, err
	}
	list, err := pgx.CollectRows(rows, scanTold)
	if err != nil {
		return ToldCustomer{}, nil, err
	}
	if len(list) == 0 || r.Drill {
		return ToldCustomer{}, nil, fault.New(fault.NotFound, fmt.Sprintf("No customer %q is to be told of %s.", code, r.Code()))
	}
	packings, err := packingsTold(ctx, t, workshop, r, list[0].ID)
	return list[0], packings, err
}

func packingsTold(ctx context.Context, t pgx.Tx, workshop WorkshopID, r Recall, customer CustomerID) ([]ToldPacking, error) {
	rows, err := t.Query(ctx, toldFrom+`SELECT k.id, k.code, p.name, k.best_before, k.printed, l.units_out, l.back, coalesce(n.destroyed, 0)::int, coalesce(n.used, 0)::int, coalesce(n.sold, 0)::int
		FROM (SELECT packing_id, sum(units_out)::int AS units_out, sum(back)::int AS back FROM lines WHERE customer_id = $4 GROUP BY packing_id) l
		JOIN packing k ON k.workshop_id = $1 AND k.id = l.packing_id JOIN product p ON p.workshop_id = $1 AND p.id = k.product_id LEFT JOIN counted n ON n.customer_id = $4 AND n.packing_id = l.packing_id
		WHERE $3 <> 'stock' ORDER BY k.code`, workshop, r.ID, r.Level, customer)
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, func(row pgx.CollectableRow) (ToldPacking, error) {
		var p ToldPacking
		u := &p.Units
		return p, row.Scan(&p.ID, &p.Code, &p.ProductName, &p.BestBefore, &p.Printed, &u.Out, &u.Returned, &u.Destroyed, &u.Used, &u.Sold)
	})
}

// toldEntries are the entries about one customer, or of a whole recall where it is nil, the latest first. Who and when is
// the change's; of one that was withdrawn the trail says why.
func toldEntries(ctx context.Context, t pgx.Tx, workshop WorkshopID, recall RecallID, customer *CustomerID) ([]ToldEntry, error) {
	why := func(table string) string {
		return ` LEFT JOIN LATERAL (` + lastChange(`'`+table+`'`, `e.id`) + `) z ON e.replaced_by IS NOT NULL WHERE e.workshop_id = $1 AND e.recall_id = $2 AND ($3::uuid IS NULL OR e.customer_id = $3) `
	}
	rows, err := t.Query(ctx, `SELECT e.id, 'told' AS what, e.told_at AS happened, NULL::date AS day, e.how AS kind, '' AS packing, 0 AS units, '' AS return_code, e.note, coalesce(p.name, c.actor), c.at, e.replaced_by IS NOT NULL, coalesce(z.reason, ''), e.change_id
			FROM recall_told e`+madeBy+why("recall_told")+`
		UNION ALL SELECT e.id, 'answer', c.at, e.answered_on, '', '', 0, '', e.note, coalesce(p.name, c.actor), c.at, e.replaced_by IS NOT NULL, coalesce(z.reason, ''), e.change_id FROM recall_answer e`+madeBy+why("recall_answer")+`
		UNION ALL SELECT e.id, 'count', c.at, e.counted_on, e.kind, k.code, e.units, coalesce(x.code, ''), e.note, coalesce(p.name, c.actor), c.at, e.replaced_by IS NOT NULL, coalesce(z.reason, ''), e.change_id FROM recall_count e
			JOIN packing k ON k.workshop_id = e.workshop_id AND k.id = e.packing_id LEFT JOIN unit_return x ON x.workshop_id = e.workshop_id AND x.id = e.return_id`+madeBy+why("recall_count")+`
		ORDER BY 11 DESC, 14, 2, 5, 6, 1`, workshop, recall, customer)
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, func(row pgx.CollectableRow) (ToldEntry, error) {
		var e ToldEntry
		err := row.Scan(&e.ID, &e.Kind, &e.At, &e.On, &e.How, &e.Packing, &e.Units, &e.Return, &e.Note, &e.Made.By, &e.Made.At, &e.Withdrawn, &e.Why, &e.answer)
		return e, err
	})
}

// NewTold says that a customer was told.
type NewTold struct {
	At   time.Time
	How  string // telephone, email, letter, in_person, notice
	Note string
}

// TellCustomer records that a customer of a recall was told. Faults: told_at, how, note.
func (s *Store) TellCustomer(ctx context.Context, who Who, entry Entry, n int, customer string, told NewTold) error {
	_, err := s.write(ctx, who, create, "", entry, func(t *tx) error {
		r, err := t.openForTelling(ctx, n)
		if err != nil {
			return err
		}
		c, _, err := customerOfRecall(ctx, t, who.Workshop, r, customer)
		if err != nil {
			return err
		}
		var f fault.Fields
		switch {
		case told.At.IsZero():
			f.Add("told_at", "When were they told?")
		case told.At.After(t.now.Add(time.Minute)):
			f.Add("told_at", "That moment has not come yet.")
		}
		if !slices.Contains([]string{"telephone", "email", "letter", "in_person", "notice"}, told.How) {
			f.Add("how", "How were they told?")
		}
		checkWords(&f, "note", told.Note)
		if err := f.Err(); err != nil {
			return err
		}
		_, err = t.tell(ctx, r.ID, c.ID, told)
		return err
	})
	if err != nil {
		return fmt.Errorf("store: tell %q of recall %d: %w", customer, n, err)
	}
	return nil
}

func (t *tx) tell(ctx context.Context, recall RecallID, customer CustomerID, told NewTold) (RowID, error) {
	id := newID[RowID]()
	_, err := t.Exec(ctx, `INSERT INTO recall_told (workshop_id, id, recall_id, customer_id, told_at, how, note, change_id) VALUES ($1, $2, $3, $4, $5, $6, $7, $8)`,
		t.who.Workshop, id, recall, customer, told.At, told.How, told.Note, t.change)
	return id, err
}

// openForTelling locks a recall that still runs; drills and recalls of stock tell nobody.
func (t *tx) openForTelling(ctx context.Context, n int) (Recall, error) {
	r, err := t.lockRecall(ctx, n)
	switch {
	case err != nil:
		return r, err
	case r.Drill:
		return r, fault.New(fault.Conflict, "A drill tells nobody.")
	case !r.Open():
		return r, fault.New(fault.Conflict, r.Code()+" is closed: nothing more is written down about it.")
	}
	return r, nil
}
