package store

import (
	"context"
	"fmt"
	"sort"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"

	"example.org/stillroom/internal/day"
	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/measure"
)

// Unfit says in words why no unit of the packing may leave on a day; empty where they may.
func (p Packing) Unfit(style measure.Style, on day.Day) string {
	switch {
	case p.Status == "rejected":
		return "It was rejected."
	case p.Status != "released":
		return "It is not released yet."
	case !p.BestBefore.IsZero() && p.BestBefore.Before(on):
		return "It is out of date: best before " + style.Day(p.BestBefore) + "."
	case on.Before(p.PackedOn):
		return "It was packed only on " + style.Day(p.PackedOn) + "."
	}
	return ""
}

// fit tells whether units of the packing may leave on a day.
func (p Packing) fit(on day.Day) bool { return p.Unfit(measure.Style{}, on) == "" }

// Refuse says in words why so many units of the packing may not leave on a day; empty where they may.
func (p Packing) Refuse(style measure.Style, units int, on day.Day) string {
	if why := p.Unfit(style, on); why != "" {
		return why
	}
	switch {
	case units <= p.Free():
		return ""
	case p.Held >= p.OnHand && p.Held > 0:
		return "What is there is on hold: " + UnitCount(p.Held) + "."
	case p.Held > 0:
		return fmt.Sprintf("%d on hand, %d of them on hold: %d may leave.", p.OnHand, p.Held, p.Free())
	default:
		return fmt.Sprintf("Only %d on hand.", p.OnHand)
	}
}

// UnitCount is a number of units in words: "1 unit", "12 units".
func UnitCount(n int) string {
	if n == 1 {
		return "1 unit"
	}
	return fmt.Sprintf("%d units", n)
}

// Pick takes so many units from packings that may leave on a day, in the order they are given (Stock gives them
// earliest best-before first). It answers how many of each, and how many it did not find.
func Pick(packings []Packing, units int, on day.Day) (taken []int, missing int) {
	taken = make([]int, len(packings))
	for i, p := range packings {
		if p.fit(on) {
			taken[i] = min(units, p.Free())
			units -= taken[i]
		}
	}
	return taken, units
}

// ProductStock is what is on hand of a product.
type ProductStock struct {
	Code     string
	Name     string
	OnHand   int
	Held     int
	Packings []Packing // with units on hand, in the order in which they leave
}

// Free is how many units may leave on a day.
func (s ProductStock) Free(on day.Day) int {
	free := 0
	for _, p := range s.Packings {
		if p.fit(on) {
			free += p.Free()
		}
	}
	return free
}

// inStock are the packings with units on hand: the sum that packing_stock makes for one packing, made for all at once,
// since a book of many years holds mostly packings that are gone.
const inStock = `p.workshop_id = $1 AND p.id = ANY (ARRAY (SELECT e.id FROM (
		SELECT k.id, k.units_good::numeric AS units FROM packing k WHERE k.workshop_id = $1
		UNION ALL SELECT l.packing_id, -l.units FROM dispatch_line l WHERE l.workshop_id = $1 AND l.replaced_by IS NULL
		UNION ALL SELECT x.packing_id, x.units FROM unit_return x WHERE x.workshop_id = $1 AND x.replaced_by IS NULL AND x.disposition <> 'destroy'
		UNION ALL SELECT i.source_packing_id, -i.quantity FROM batch_input i WHERE i.workshop_id = $1 AND i.replaced_by IS NULL AND i.source_packing_id IS NOT NULL AND i.unit = 'each'
		UNION ALL SELECT v.packing_id, v.units FROM unit_move v WHERE v.workshop_id = $1 AND v.replaced_by IS NULL) e
	GROUP BY e.id HAVING sum(e.units) > 0))`

// Stock is everything on hand, by product in order of name; held, unreleased, rejected and out-of-date units are part of
// it.
func (s *Store) Stock(ctx context.Context, workshop WorkshopID) ([]ProductStock, error) {
	var list []ProductStock
	err := s.read(ctx, workshop, func(t pgx.Tx) error {
		packings, err := queryPackings(ctx, t, `WHERE `+inStock+packingOrder, workshop)
		if err == nil {
			list = byProduct(packings)
		}
		return err
	})
	if err != nil {
		return nil, fmt.Errorf("store: stock: %w", err)
	}
	return list, nil
}

// byProduct groups packings by product, in order of name, and keeps their own order.
func byProduct(packings []Packing) []ProductStock {
	at := map[string]int{}
	var list []ProductStock
	for _, p := range packings {
		i, known := at[p.ProductCode]
		if !known {
			i = len(list)
			at[p.ProductCode] = i
			list = append(list, ProductStock{Code: p.ProductCode, Name: p.ProductName})
		}
		list[i].OnHand += p.OnHand
		list[i].Held += p.Held
		list[i].Packings = append(list[i].Packings, p)
	}
	sort.SliceStable(list, func(i, j int) bool {
		return strings.Compare(strings.ToLower(list[i].Name)+"\x00"+list[i].Code, strings.ToLower(list[j].Name)+"\x00"+list[j].Code) < 0
	})
	return list
}

// stockToWatch lists packings with units on hand whose best-before is on or before a day, the earliest first. Rejected
// ones are not for sale and not listed.
func stockToWatch(ctx context.Context, t pgx.Tx, workshop WorkshopID, until day.Day, most int) ([]Packing, error) {
	return queryPackings(ctx, t, `WHERE `+inStock+` AND p.best_before <= $2 AND p.status <> 'rejected'`+packingOrder+` LIMIT $3`, workshop, until, most)
}

// UnitEntry is one line of a packing's ledger.
type UnitEntry struct {
	ID       RowID
	On       day.Day
	Units    int    // signed as it counts on hand; for what came back and was destroyed 0
	What     string // packed, dispatched, returned, destroyed, used, tester, broken, gift, own_use, count, more than recorded
	Moved    int    // as written: how many came back, left or were found
	Code     string // of the dispatch, return, batch or move
	Customer string // code
	Name     string // the customer's
	Note     string
	Who      string
	At       time.Time
	Replaced bool
	Why      string // it was replaced
}

// UnitsPage is a packing with its ledger and holds.
type UnitsPage struct {
	Packing
	Entries []UnitEntry // a page of the ledger, the oldest first
	Next    string      // id of the entry that the next page begins behind, empty for none
	Holds   []Hold
}

// sentEntries are the lines of a packing, read once for what stands and once for what was replaced: each has an index.
const sentEntries = `SELECT d.dispatched_on, -l.units, 'dispatched', l.units, d.code, k.code, k.name, d.note, l.change_id, l.replaced_by IS NOT NULL, 'dispatch_line', l.id
	FROM dispatch_line l JOIN dispatch d ON d.workshop_id = l.workshop_id AND d.id = l.dispatch_id JOIN customer k ON k.workshop_id = l.workshop_id AND k.id = l.customer_id
	WHERE l.workshop_id = $1 AND l.packing_id = $2 AND l.replaced_by `

// PackingUnits reads a packing with the first page of its ledger of units.
func (s *Store) PackingUnits(ctx context.Context, workshop WorkshopID, code string) (UnitsPage, error) {
	return s.PackingUnitsAfter(ctx, workshop, code, "")
}

// UnitEntry reads what a packing's ledger says of a return or a move by its code, in whatever page it stands.
func (s *Store) UnitEntry(ctx context.Context, workshop WorkshopID, packing, code string) (UnitEntry, error) {
	var e UnitEntry
	err := s.read(ctx, workshop, func(t pgx.Tx) error {
		p, err := packingByCode(ctx, t, workshop, packing)
		if err != nil {
			return err
		}
		list, err := unitLedger(ctx, t, workshop, p.ID, `f.code = $4 AND f.kept IN ('unit_return', 'unit_move')`, code, 1)
		if err == nil && len(list) == 0 {
			err = fault.New(fault.NotFound, fmt.Sprintf("There is no such entry of %s.", p.Code))
		}
		if err == nil {
			e = list[0]
		}
		return err
	})
	if err != nil {
		return UnitEntry{}, fmt.Errorf("store: entry %q of %q: %w", code, packing, err)
	}
	return e, nil
}

// unitLedger reads entries of a packing in the order in which they were recorded; of what was recorded at once, as an
// import is, in the order of their days, and what came in before what went out. where may name f (entry), x, and $4.
func unitLedger(ctx context.Context, t pgx.Tx, workshop WorkshopID, packing PackingID, where string, arg any, most int) ([]UnitEntry, error) {
	rows, err := t.Query(ctx, `WITH e AS (
			SELECT p.packed_on AS happened_on, p.units_good AS units, 'packed' AS what, p.units_good AS moved, '' AS code, '' AS customer, '' AS name, '' AS note, p.change_id, false AS replaced, 'packing' AS kept, p.id
			  FROM packing p WHERE p.workshop_id = $1 AND p.id = $2
			UNION ALL `+sentEntries+`IS NULL
			UNION ALL `+sentEntries+`IS NOT NULL
			UNION ALL SELECT x.returned_on, CASE WHEN x.disposition = 'destroy' THEN 0 ELSE x.units END, CASE WHEN x.disposition = 'destroy' THEN 'destroyed' ELSE 'returned' END, x.units, x.code, coalesce(k.code, ''), coalesce(k.name, ''), x.note, x.change_id, x.replaced_by IS NOT NULL, 'unit_return', x.id
			  FROM unit_return x LEFT JOIN dispatch d ON d.workshop_id = x.workshop_id AND d.id = x.dispatch_id LEFT JOIN customer k ON k.workshop_id = d.workshop_id AND k.id = d.customer_id WHERE x.workshop_id = $1 AND x.packing_id = $2
			UNION ALL SELECT (coalesce(i.happened_at, b.made_at) AT TIME ZONE $3)::date, -i.quantity::int, 'used', i.quantity::int, b.code, '', '', '', i.change_id, i.replaced_by IS NOT NULL, 'batch_input', i.id
			  FROM batch_input i JOIN batch b ON b.workshop_id = i.workshop_id AND b.id = i.batch_id WHERE i.workshop_id = $1 AND i.source_packing_id = $2 AND i.unit = 'each'
			UNION ALL SELECT v.moved_on, v.units, CASE WHEN v.more_than_recorded THEN 'more than recorded' ELSE v.reason END, v.units, v.code, '', '', v.note, v.change_id, v.replaced_by IS NOT NULL, 'unit_move', v.id
			  FROM unit_move v WHERE v.workshop_id = $1 AND v.packing_id = $2),
		f AS (SELECT e.*, c.at, c.actor, c.person_id FROM e JOIN change c ON c.workshop_id = $1 AND c.id = e.change_id)
		SELECT e.id, e.happened_on, e.units, e.what, e.moved, e.code, e.customer, e.name, e.note, coalesce(w.name, e.actor), e.at, e.replaced, coalesce(z.reason, '')
		FROM (SELECT f.* FROM f WHERE `+where+` ORDER BY f.at, f.happened_on, f.units < 0, f.id LIMIT $5) e
		LEFT JOIN person w ON w.workshop_id = $1 AND w.id = e.person_id
		LEFT JOIN LATERAL (`+lastChange(`e.kept`, `e.id`)+`) z ON e.replaced
		ORDER BY e.at, e.happened_on, e.units < 0, e.id`, workshop, packing, zoneOf(ctx, t, workshop), arg, most)
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, pgx.RowToStructByPos[UnitEntry])
}

// PackingUnitsAfter is PackingUnits with the page of the ledger that begins behind the entry of an id.
func (s *Store) PackingUnitsAfter(ctx context.Context, workshop WorkshopID, code, after string) (UnitsPage, error) {
	var page UnitsPage
	err := s.read(ctx, workshop, func(t pgx.Tx) (err error) {
		if page.Packing, err = packingByCode(ctx, t, workshop, code); err != nil {
			return err
		}
		var behind *RowID
		if id, err := ParseID[RowID](after); err == nil {
			behind = &id
		}
		list, err := unitLedger(ctx, t, workshop, page.ID, `coalesce((f.at, f.happened_on, f.units < 0, f.id) > (SELECT x.at, x.happened_on, x.units < 0, x.id FROM f x WHERE x.id = $4), true)`, behind, ledgerAPage+1)
		if err != nil {
			return err
		}
		page.Entries, page.Next = cut(list, ledgerAPage, func(e UnitEntry) string { return Text(e.ID) })
		page.Holds, err = queryHolds(ctx, t, `WHERE h.workshop_id = $1 AND h.packing_id = $2 ORDER BY h.lifted_at IS NOT NULL, h.placed_at, h.id`, workshop, page.ID)
		return err
	})
	if err != nil {
		return UnitsPage{}, fmt.Errorf("store: units of %q: %w", code, err)
	}
	return page, nil
}

// lastChange is a subquery for the change that last touched a row: its reason, who and when. Table and id are SQL
// expressions of ours.
func lastChange(table, id string) string {
	return `SELECT y.reason, coalesce(q.name, y.actor) AS who, y.at FROM audit a JOIN change y ON y.workshop_id = a.workshop_id AND y.id = a.change_id
		LEFT JOIN person q ON q.workshop_id = y.workshop_id AND q.id = y.person_id
		WHERE a.workshop_id = $1 AND a.table_name = ` + table + ` AND a.row_id = ` + id + `::text AND a.op = 'U' ORDER BY a.n DESC LIMIT 1`
}
