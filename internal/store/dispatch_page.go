package store

import (
	"context"
	"fmt"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"example.org/stillroom/internal/day"
	"example.org/stillroom/internal/fault"
)

// DispatchSummary is a dispatch in a list.
type DispatchSummary struct {
	ID           DispatchID
	Code         string
	CustomerCode string
	CustomerName string
	CustomerKind string
	On           day.Day
	Late         bool // recorded after the units had left
	Note         string
	Lines        int // packings
	Units        int
	Returned     int
}

func queryDispatches(ctx context.Context, t pgx.Tx, where string, args ...any) ([]DispatchSummary, error) {
	rows, err := t.Query(ctx, `SELECT d.id, d.code, c.code, c.name, c.kind, d.dispatched_on, d.late, d.note,
			(SELECT count(*) FROM dispatch_line l WHERE l.workshop_id = d.workshop_id AND l.dispatch_id = d.id AND l.replaced_by IS NULL)::int,
			coalesce((SELECT sum(l.units) FROM dispatch_line l WHERE l.workshop_id = d.workshop_id AND l.dispatch_id = d.id AND l.replaced_by IS NULL), 0)::int,
			coalesce((SELECT sum(x.units) FROM unit_return x WHERE x.workshop_id = d.workshop_id AND x.dispatch_id = d.id AND x.replaced_by IS NULL), 0)::int
		FROM dispatch d JOIN customer c ON c.workshop_id = d.workshop_id AND c.id = d.customer_id `+where, args...)
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, pgx.RowToStructByPos[DispatchSummary])
}

// Dispatches is a page of at most limit of them, newest first, behind the dispatch of a code, and the code that the next begins behind.
func (s *Store) Dispatches(ctx context.Context, workshop WorkshopID, after string, limit int) (list []DispatchSummary, next string, err error) {
	err = s.read(ctx, workshop, func(t pgx.Tx) (err error) {
		list, next, err = dispatchesAfter(ctx, t, workshop, after, limit, `SELECT x.id FROM dispatch x WHERE x.workshop_id = $1`)
		return err
	})
	if err != nil {
		return nil, "", fmt.Errorf("store: dispatches: %w", err)
	}
	return list, next, nil
}

// dispatchesAfter reads a page by key, newest first; dispatches of one day are in the order in which they were recorded.
// from chooses ids of dispatches x with its own arguments from $5. The page is cut before its lines are summed.
func dispatchesAfter(ctx context.Context, t pgx.Tx, workshop WorkshopID, after string, limit int, from string, args ...any) (list []DispatchSummary, next string, err error) {
	on, id := lastDay, DispatchID(uuid.Max)
	if err := boundary(ctx, t, workshop, after, `SELECT dispatched_on, id FROM dispatch WHERE workshop_id = $1 AND code = $2`, &on, &id); err != nil {
		return nil, "", err
	}
	list, err = queryDispatches(ctx, t, `WHERE d.workshop_id = $1 AND d.id = ANY (ARRAY (`+from+` AND (x.dispatched_on, x.id) < ($2, $3) ORDER BY x.dispatched_on DESC, x.id DESC LIMIT $4))
		ORDER BY d.dispatched_on DESC, d.id DESC`, append([]any{workshop, on, id, limit + 1}, args...)...)
	list, next = cut(list, limit, func(d DispatchSummary) string { return d.Code })
	return list, next, err
}

// DispatchedLine is what a dispatch says of one packing.
type DispatchedLine struct {
	Packing     string
	ProductCode string
	ProductName string
	BestBefore  day.Day
	Printed     string // the date as it stands on the label
	Units       int    // 0 where the line was withdrawn
	Returned    int
	Old         []ReplacedLine
}

// Out is what has not come back of it.
func (l DispatchedLine) Out() int { return l.Units - l.Returned }

// ReplacedLine is what stood there before a correction.
type ReplacedLine struct {
	Units  int
	Reason string // why it was corrected
	Who    string
	At     time.Time
}

// DispatchPage is a dispatch with all that belongs to it.
type DispatchPage struct {
	DispatchSummary
	Contact
	Made
	Reason     string // given with what had already left
	Packings   []DispatchedLine
	Returns    []UnitReturn
	Deviations []Deviation
	Bad        []BadPacking // of those sent
}

// DispatchPage reads one dispatch.
func (s *Store) DispatchPage(ctx context.Context, workshop WorkshopID, code string) (DispatchPage, error) {
	var page DispatchPage
	err := s.read(ctx, workshop, func(t pgx.Tx) error {
		list, err := queryDispatches(ctx, t, `WHERE d.workshop_id = $1 AND d.code = $2`, workshop, code)
		if err == nil && len(list) == 0 {
			err = fault.New(fault.NotFound, fmt.Sprintf("There is no dispatch %q.", code))
		}
		if err != nil {
			return err
		}
		page.DispatchSummary = list[0]
		if err := t.QueryRow(ctx, `SELECT c.email, c.phone, c.address, coalesce(p.name, h.actor), h.at, h.reason FROM dispatch d JOIN customer c ON c.workshop_id = d.workshop_id AND c.id = d.customer_id
			JOIN change h ON h.workshop_id = d.workshop_id AND h.id = d.change_id LEFT JOIN person p ON p.workshop_id = h.workshop_id AND p.id = h.person_id
			WHERE d.workshop_id = $1 AND d.id = $2`, workshop, page.ID).Scan(&page.Email, &page.Phone, &page.Address, &page.By, &page.At, &page.Reason); err != nil {
			return err
		}
		if page.Packings, err = dispatchedLines(ctx, t, workshop, page.ID); err != nil {
			return err
		}
		if page.Returns, err = queryReturns(ctx, t, `WHERE x.workshop_id = $1 AND x.dispatch_id = $2 ORDER BY c.at, x.id`, workshop, page.ID); err != nil {
			return err
		}
		if page.Deviations, err = queryDeviations(ctx, t, `WHERE d.workshop_id = $1 AND d.dispatch_id = $2 ORDER BY d.n`, workshop, page.ID); err != nil {
			return err
		}
		var codes []string
		for _, l := range page.Packings {
			if l.Units > 0 {
				codes = append(codes, l.Packing)
			}
		}
		page.Bad, err = badPackings(ctx, t, workshop, codes...)
		return err
	})
	if err != nil {
		return DispatchPage{}, fmt.Errorf("store: dispatch %q: %w", code, err)
	}
	return page, nil
}

// linesOf are the lines of a dispatch, read once for what stands and once for what was replaced: each has an index.
const linesOf = `SELECT i.id, i.packing_id, i.units, i.replaced_by FROM dispatch_line i WHERE i.workshop_id = $1 AND i.dispatch_id = $2 AND i.replaced_by `

// dispatchedLines reads a dispatch's lines by packing, what was corrected under what stands.
func dispatchedLines(ctx context.Context, t pgx.Tx, workshop WorkshopID, dispatch DispatchID) ([]DispatchedLine, error) {
	rows, err := t.Query(ctx, `SELECT p.code, r.code, r.name, p.best_before, p.printed, l.units, l.replaced_by IS NOT NULL, coalesce(z.reason, ''), coalesce(z.who, ''), z.at,
			coalesce((SELECT sum(x.units) FROM unit_return x WHERE x.workshop_id = $1 AND x.dispatch_id = $2 AND x.packing_id = l.packing_id AND x.replaced_by IS NULL), 0)::int
		FROM (`+linesOf+`IS NULL UNION ALL `+linesOf+`IS NOT NULL) l JOIN packing p ON p.workshop_id = $1 AND p.id = l.packing_id JOIN product r ON r.workshop_id = p.workshop_id AND r.id = p.product_id
		LEFT JOIN LATERAL (`+lastChange(`'dispatch_line'`, `l.id`)+`) z ON l.replaced_by IS NOT NULL
		ORDER BY r.name, p.code, l.id`, workshop, dispatch)
	if err != nil {
		return nil, err
	}
	var lines []DispatchedLine
	var l DispatchedLine
	var old ReplacedLine
	var units, returned int
	var replaced bool
	var at *time.Time
	_, err = pgx.ForEachRow(rows, []any{&l.Packing, &l.ProductCode, &l.ProductName, &l.BestBefore, &l.Printed, &units, &replaced, &old.Reason, &old.Who, &at, &returned}, func() error {
		if len(lines) == 0 || lines[len(lines)-1].Packing != l.Packing {
			lines = append(lines, l)
		}
		last := &lines[len(lines)-1]
		last.Returned = returned
		if !replaced {
			last.Units = units
			return nil
		}
		old.Units = units
		if at != nil {
			old.At = *at
		}
		last.Old = append(last.Old, old)
		return nil
	})
	return lines, err
}
