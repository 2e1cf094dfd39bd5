package store

import (
	"context"
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"time"
	"unicode/utf8"

	"github.com/jackc/pgx/v5"

	"example.org/stillroom/internal/access"
	"example.org/stillroom/internal/day"
	"example.org/stillroom/internal/drill"
	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/release"
	"example.org/stillroom/internal/trace"
)

// NewDrill opens a drill: from what is named, or from a lot that is drawn.
type NewDrill struct {
	Random bool
	From   TraceStart
	Title  string
	Reason string // what is pretended
}

// drillYears is how far back a drawn lot has to have reached units that left: two years are what a workshop still has to
// be able to tell of.
const drillYears = 2

// drawnAtOnce is how many lots are looked at together until one of them reached somebody.
const drawnAtOnce = 20

// OpenDrill freezes what the start reaches, as a recall does, and blocks nothing; the clock runs from then on, to the target
// that the workshop has set. pick draws a number of 0 to n-1, each as likely. It answers the number. Only the owner may.
// Faults: from, title, reason.
func (s *Store) OpenDrill(ctx context.Context, who Who, entry Entry, d NewDrill, pick func(n int) int) (string, error) {
	if who.Actor == "person" && !access.May(who.Role, access.Recall) {
		return "", fault.New(fault.Forbidden, "Only the owner begins a drill.")
	}
	n := NewRecall{Drill: true, From: []TraceStart{d.From}, Level: "consumer", Title: d.Title, Reason: d.Reason}
	if err := n.Check(); err != nil {
		return "", err
	}
	number, err := s.write(ctx, who, create, "", entry, func(t *tx) error {
		n.Target = t.workshop.DrillMinutes
		if d.Random {
			code, err := t.drawLot(ctx, pick)
			if err != nil {
				return err
			}
			n.From = []TraceStart{{Kind: "lot", Code: code}}
		}
		if err := t.openRecall(ctx, n); err != nil || !d.Random {
			return err
		}
		_, err := t.Exec(ctx, `UPDATE recall SET drawn = true WHERE workshop_id = $1 AND n = $2::int`, who.Workshop, t.result)
		return err
	})
	if err != nil {
		return "", fmt.Errorf("store: open drill: %w", err)
	}
	return number, nil
}

// drawLot draws one of the lots that reached units which left in the last years, each as likely: all lots are gone through
// in a drawn order, and the first that reached any is taken.
func (t *tx) drawLot(ctx context.Context, pick func(n int) int) (string, error) {
	rows, err := t.Query(ctx, `SELECT l.id FROM material_lot l WHERE l.workshop_id = $1 ORDER BY l.code`, t.who.Workshop)
	if err != nil {
		return "", err
	}
	ids, err := pgx.CollectRows(rows, pgx.RowTo[LotID])
	if err != nil {
		return "", err
	}
	for i := range ids {
		j := i + pick(len(ids)-i)
		ids[i], ids[j] = ids[j], ids[i]
	}
	// Each lot's own reach, one after the other in its order: what it went into, and whether a unit of that left.
	const reached = `SELECT l.code FROM unnest($2::uuid[]) WITH ORDINALITY o (id, n) JOIN material_lot l ON l.workshop_id = $1 AND l.id = o.id WHERE EXISTS (
		WITH RECURSIVE r (kind, id) AS (SELECT 'lot', o.id UNION SELECT s.kind, s.id FROM r CROSS JOIN LATERAL (` + reachedBy + ` OFFSET 0) s)
		SELECT FROM r CROSS JOIN LATERAL (SELECT k.id FROM packing k WHERE r.kind = 'batch' AND k.workshop_id = $1 AND k.batch_id = r.id UNION ALL SELECT r.id WHERE r.kind = 'packing' OFFSET 0) p
		CROSS JOIN LATERAL (SELECT d.id FROM dispatch_line e JOIN dispatch d ON d.workshop_id = $1 AND d.id = e.dispatch_id WHERE e.workshop_id = $1 AND e.packing_id = p.id AND e.replaced_by IS NULL AND d.dispatched_on > $3 LIMIT 1) d)
		ORDER BY o.n LIMIT 1`
	for some := range slices.Chunk(ids, drawnAtOnce) {
		rows, err := t.Query(ctx, reached, t.who.Workshop, some, t.today.AddMonths(-12*drillYears))
		if err != nil {
			return "", err
		}
		if found, err := pgx.CollectRows(rows, pgx.RowTo[string]); err != nil || len(found) > 0 {
			return strings.Join(found, ""), err
		}
	}
	return "", fault.In("from", "No lot has reached a unit that left in the last two years. Choose one to begin with.")
}

// DrillCustomer is a customer in the list of a drill.
type DrillCustomer struct {
	Code, Name, Kind      string
	Email, Phone, Address string
	Units, Returned       int // as frozen
}

// DrillPage is a drill with what it has shown so far. Once it has ended, Signed are the results as they were signed; the
// rest is as the book says now.
type DrillPage struct {
	RecallPage
	Drawn     bool
	Customers []DrillCustomer
	Result    drill.Result
	Signed    []release.Condition
	books     map[PackingID]int // what the book said where a packing was counted
}

// Took is how long the list took, to now where it is not complete.
func (r Recall) Took(now time.Time) time.Duration {
	if r.ListedAt != nil {
		now = *r.ListedAt
	}
	return now.Sub(r.OpenedAt)
}

// Drill reads a drill in one snapshot.
func (s *Store) Drill(ctx context.Context, workshop WorkshopID, n int) (DrillPage, error) {
	var page DrillPage
	err := s.read(ctx, workshop, func(t pgx.Tx) (err error) {
		page, err = loadDrill(ctx, t, workshop, n)
		return err
	})
	if err != nil {
		return DrillPage{}, fmt.Errorf("store: drill %d: %w", n, err)
	}
	return page, nil
}

func loadDrill(ctx context.Context, t pgx.Tx, workshop WorkshopID, n int) (DrillPage, error) {
	r, err := loadRecall(ctx, t, workshop, n)
	if err == nil && !r.Drill || fault.Is(err, fault.NotFound) {
		err = fault.New(fault.NotFound, fmt.Sprintf("There is no drill %d.", n))
	}
	if err != nil {
		return DrillPage{}, err
	}
	page := DrillPage{RecallPage: r, books: map[PackingID]int{}}
	scope := drill.Scope{}
	err = together(ctx, t,
		func(t pgx.Tx) error {
			return t.QueryRow(ctx, `SELECT coalesce(drawn, false) FROM recall WHERE workshop_id = $1 AND id = $2`, workshop, r.ID).Scan(&page.Drawn)
		},
		func(t pgx.Tx) error {
			rows, err := t.Query(ctx, `SELECT packing_id, counted_book FROM recall_scope WHERE workshop_id = $1 AND recall_id = $2 AND counted_book IS NOT NULL`, workshop, r.ID)
			if err != nil {
				return err
			}
			var id PackingID
			var book int
			_, err = pgx.ForEachRow(rows, []any{&id, &book}, func() error {
				page.books[id] = book
				return nil
			})
			return err
		},
		func(t pgx.Tx) (err error) {
			rows, err := t.Query(ctx, `SELECT c.code, c.name, c.kind, c.email, c.phone, c.address, l.units, l.returned FROM (
					SELECT customer_id, sum(units)::int AS units, sum(returned)::int AS returned FROM recall_list WHERE workshop_id = $1 AND recall_id = $2 GROUP BY customer_id) l
				JOIN customer c ON c.workshop_id = $1 AND c.id = l.customer_id ORDER BY c.code`, workshop, r.ID)
			if err == nil {
				page.Customers, err = pgx.CollectRows(rows, pgx.RowToStructByPos[DrillCustomer])
			}
			return err
		},
		func(t pgx.Tx) (err error) {
			rows, err := t.Query(ctx, `SELECT l.code, l.tub IS NOT NULL, l.supplier_id IS NOT NULL, l.supplier_lot <> '' FROM recall_scope s JOIN material_lot l ON l.workshop_id = $1 AND l.id = s.lot_id WHERE s.workshop_id = $1 AND s.recall_id = $2 ORDER BY l.code`, workshop, r.ID)
			if err == nil {
				scope.Lots, err = pgx.CollectRows(rows, pgx.RowToStructByPos[drill.Lot])
			}
			return err
		},
		func(t pgx.Tx) (err error) {
			rows, err := t.Query(ctx, `SELECT b.code, i.any FROM recall_scope s CROSS JOIN LATERAL (SELECT x.code FROM batch x WHERE x.workshop_id = $1 AND x.id = s.batch_id OFFSET 0) b
				CROSS JOIN LATERAL (SELECT EXISTS (SELECT FROM batch_input e WHERE e.workshop_id = $1 AND e.batch_id = s.batch_id AND e.replaced_by IS NULL AND num_nonnulls(e.material_lot_id, e.source_batch_id) > 0) AS any OFFSET 0) i
				WHERE s.workshop_id = $1 AND s.recall_id = $2 AND s.batch_id IS NOT NULL ORDER BY b.code`, workshop, r.ID)
			if err == nil {
				scope.Batches, err = pgx.CollectRows(rows, pgx.RowToStructByPos[drill.Batch])
			}
			return err
		})
	if err != nil {
		return DrillPage{}, err
	}
	page.judge(scope)
	if page.Signature != nil && len(page.Signature.Seen) > 0 {
		if err := json.Unmarshal(page.Signature.Seen, &page.Signed); err != nil {
			return DrillPage{}, err
		}
	}
	return page, nil
}

func (p *DrillPage) judge(scope drill.Scope) {
	for _, x := range p.Packings {
		scope.Packings = append(scope.Packings, drill.Packing{Code: x.Code, Units: x.Frozen, OnHand: x.OnHand, Counted: x.Counted, Book: p.Book(x)})
	}
	for _, c := range p.Customers {
		scope.Customers = append(scope.Customers, drill.Customer{Code: c.Code, Name: c.Name, Kind: c.Kind, Units: c.Units, Reachable: c.Email+c.Phone+c.Address != ""})
	}
	p.Result = drill.Judge(scope)
}

// Book is what the book said was on hand of a packing: at the moment when it was counted, else when the drill began.
func (p DrillPage) Book(x RecallPacking) int {
	if book, counted := p.books[x.ID]; counted {
		return book
	}
	return x.OnHand
}

// DrillRow is a drill in the list of drills.
type DrillRow struct {
	Recall
	Drawn    bool
	Packings int
	Pct      float64 // of units accounted for
	Known    bool    // there is such a percentage
}

// Drills lists drills, the newest first, after the one that a page ended with (0 for the first page).
func (s *Store) Drills(ctx context.Context, workshop WorkshopID, after, limit int) (list []DrillRow, next int, err error) {
	err = s.read(ctx, workshop, func(t pgx.Tx) error {
		recalls, err := queryRecalls(ctx, t, `WHERE r.workshop_id = $1 AND r.drill AND ($2 = 0 OR r.n < $2) ORDER BY r.n DESC LIMIT $3`, workshop, after, limit+1)
		if err != nil {
			return err
		}
		if len(recalls) > limit {
			recalls, next = recalls[:limit], recalls[limit-1].Number
		}
		at, ids := map[RecallID]int{}, []RecallID{}
		for i, r := range recalls {
			list, ids, at[r.ID] = append(list, DrillRow{Recall: r}), append(ids, r.ID), i
		}
		rows, err := t.Query(ctx, `SELECT r.id, coalesce(r.drawn, false), u.packings, u.good, u.dispatched, u.returned, u.destroyed, u.used, u.moved, u.found
			FROM unnest($2::uuid[]) o (id) JOIN recall r ON r.workshop_id = $1 AND r.id = o.id CROSS JOIN LATERAL (
				SELECT count(*)::int AS packings, coalesce(sum(s.units_good), 0)::int AS good, coalesce(sum(s.units_dispatched), 0)::int AS dispatched, coalesce(sum(s.units_returned), 0)::int AS returned, coalesce(sum(s.units_destroyed), 0)::int AS destroyed,
				       coalesce(sum(s.units_used), 0)::int AS used, coalesce(sum(s.units_moved), 0)::int AS moved, coalesce(sum(s.units_on_hand + coalesce(s.counted - coalesce(s.counted_book, s.units_on_hand), 0)), 0)::int AS found
				  FROM recall_scope s WHERE s.workshop_id = $1 AND s.recall_id = o.id AND s.packing_id IS NOT NULL OFFSET 0) u`, workshop, ids)
		if err != nil {
			return err
		}
		var id RecallID
		var drawn bool
		var packings, found int
		var u trace.Units
		_, err = pgx.ForEachRow(rows, []any{&id, &drawn, &packings, &u.Good, &u.Dispatched, &u.Returned, &u.Destroyed, &u.Used, &u.Moved, &found}, func() error {
			d := &list[at[id]]
			d.Drawn, d.Packings = drawn, packings
			d.Pct, d.Known = trace.AccountedCounted(u, found)
			return nil
		})
		return err
	})
	if err != nil {
		return nil, 0, fmt.Errorf("store: drills: %w", err)
	}
	return list, next, nil
}

// DrillWatch says whether it is time for a drill.
type DrillWatch struct {
	Last    day.Day // on which the last one began; none where there never was one
	First   day.Day // first dispatch
	Running int     // number of one that is not ended, 0 for none
}

func drillWatch(ctx context.Context, t pgx.Tx, workshop WorkshopID) (w DrillWatch, err error) {
	err = t.QueryRow(ctx, `SELECT (SELECT max(r.opened_on) FROM recall r WHERE r.workshop_id = $1 AND r.drill AND r.closed_at IS NOT NULL), (SELECT min(d.dispatched_on) FROM dispatch d WHERE d.workshop_id = $1),
		coalesce((SELECT min(r.n) FROM recall r WHERE r.workshop_id = $1 AND r.drill AND r.closed_at IS NULL), 0)`, workshop).Scan(&w.Last, &w.First, &w.Running)
	return w, err
}

// DrillWatch reads when the last drill was.
func (s *Store) DrillWatch(ctx context.Context, workshop WorkshopID) (w DrillWatch, err error) {
	err = s.read(ctx, workshop, func(t pgx.Tx) (err error) {
		w, err = drillWatch(ctx, t, workshop)
		return err
	})
	if err != nil {
		return w, fmt.Errorf("store: drill watch: %w", err)
	}
	return w, nil
}

// lockDrill is lockRecall of a drill that is not ended.
func (t *tx) lockDrill(ctx context.Context, n int) (Recall, error) {
	r, err := t.lockRecall(ctx, n)
	if err == nil && !r.Drill || fault.Is(err, fault.NotFound) {
		return r, fault.New(fault.NotFound, fmt.Sprintf("There is no drill %d.", n))
	}
	if err == nil && !r.Open() {
		return r, fault.New(fault.Conflict, "This drill has ended.")
	}
	return r, err
}

// CountDrill stores how many units of packings were found on the shelf, by the packing's code, with what the book says at
// this moment. A count can be made again until the list is complete. Faults stand beside "count-" and the code.
func (s *Store) CountDrill(ctx context.Context, who Who, entry Entry, n int, found map[string]int) error {
	codes := make([]string, 0, len(found))
	var f fault.Fields
	for code, units := range found {
		codes = append(codes, code)
		if units < 0 || units > 1_000_000 {
			f.Add("count-"+code, "Between 0 and 1,000,000.")
		}
	}
	if err := f.Err(); err != nil {
		return err
	}
	slices.Sort(codes)
	units := make([]int, len(codes))
	for i, code := range codes {
		units[i] = found[code]
	}
	_, err := s.write(ctx, who, progress, "", entry, func(t *tx) error {
		r, err := t.lockDrill(ctx, n)
		if err != nil {
			return err
		}
		if r.ListedAt != nil {
			return fault.New(fault.Conflict, "The list is complete already: what was counted stays.")
		}
		tag, err := t.Exec(ctx, `UPDATE recall_scope s SET counted = c.units, counted_book = k.on_hand
			FROM (SELECT p.id, x.units FROM unnest($3::text[], $4::int[]) x (code, units) JOIN packing p ON p.workshop_id = $1 AND p.code = x.code) c
			CROSS JOIN LATERAL (SELECT y.on_hand FROM packing_stock y WHERE y.workshop_id = $1 AND y.packing_id = c.id OFFSET 0) k
			WHERE s.workshop_id = $1 AND s.recall_id = $2 AND s.packing_id = c.id`, who.Workshop, r.ID, codes, units)
		if err == nil && tag.RowsAffected() != int64(len(codes)) {
			return fault.New(fault.Invalid, "One of these packings is not in this drill. Open the page anew.")
		}
		return err
	})
	if err != nil {
		return fmt.Errorf("store: count for drill %d: %w", n, err)
	}
	return nil
}

// ListDrill says that the list is complete: looked through, the shelf counted. The time stands still here, by the
// database's clock. Only the owner may.
func (s *Store) ListDrill(ctx context.Context, who Who, entry Entry, n int) error {
	if who.Actor == "person" && !access.May(who.Role, access.Recall) {
		return fault.New(fault.Forbidden, "Only the owner says that the list is complete.")
	}
	_, err := s.write(ctx, who, progress, "", entry, func(t *tx) error {
		r, err := t.lockDrill(ctx, n)
		if err != nil {
			return err
		}
		if r.ListedAt != nil {
			return fault.New(fault.Conflict, "The list was complete already.")
		}
		_, err = t.Exec(ctx, `UPDATE recall SET listed_at = $3 WHERE workshop_id = $1 AND id = $2`, who.Workshop, r.ID, t.now)
		return err
	})
	if err != nil {
		return fmt.Errorf("store: list of drill %d: %w", n, err)
	}
	return nil
}

// EndDrill ends a drill whose list is complete: what it has shown is signed with the owner's password, as it stands. Faults:
// note, password.
func (s *Store) EndDrill(ctx context.Context, who Who, entry Entry, n int, note, password string) error {
	var f fault.Fields
	note = strings.TrimSpace(note)
	if note == "" {
		f.Add("note", "What has it shown, and what will you change?")
	} else if utf8.RuneCountInString(note) > 2000 {
		f.Add("note", "At most 2,000 characters, please.")
	}
	if err := f.Err(); err != nil {
		return err
	}
	if who.Person == (PersonID{}) {
		return fault.New(fault.Forbidden, "A drill is signed by a person.")
	}
	if who.Actor == "person" {
		if !access.May(who.Role, access.Recall) {
			return fault.New(fault.Forbidden, "Only the owner ends a drill.")
		}
		if err := s.ConfirmPassword(ctx, who, password, "password"); err != nil {
			return err
		}
	}
	_, err := s.write(ctx, who, progress, "", entry, func(t *tx) error {
		r, err := t.lockDrill(ctx, n)
		if err != nil {
			return err
		}
		if r.ListedAt == nil {
			return fault.New(fault.Conflict, "Say first that the list is complete.")
		}
		page, err := loadDrill(ctx, t, who.Workshop, n)
		if err != nil {
			return err
		}
		r.Note = note // what is signed is the drill as it will stand
		id, err := t.sign(ctx, "recall", r.ID, release.Content{Subject: release.Recall, Code: r.Code(), Meaning: "closed", Record: r.facts(), Listed: append(page.Conditions(), release.Condition{Key: "note", Name: "Said at the end", State: release.OK, Words: note})})
		if err != nil {
			return err
		}
		_, err = t.Exec(ctx, `UPDATE recall SET closed_at = $3, close_note = $4, signature_id = $5 WHERE workshop_id = $1 AND id = $2`, who.Workshop, r.ID, t.now, note, id)
		return err
	})
	if err != nil {
		return fmt.Errorf("store: end drill %d: %w", n, err)
	}
	return nil
}

// mostNamed is how many codes stand beside a gap where it is signed; the words before them say how many there are.
const mostNamed = 20

// Conditions are what a drill has shown, as it is signed.
func (p DrillPage) Conditions() []release.Condition {
	var list []release.Condition
	add := func(key, name string, state release.State, words string) {
		list = append(list, release.Condition{Key: key, Name: name, State: state, Words: words})
	}
	took := p.Took(p.OpenedAt)
	state, words := release.OK, drill.Took(took)+" from start to full list; no target was set."
	if p.Target > 0 {
		words = fmt.Sprintf("%s from start to full list, of %s.", drill.Took(took), drill.Took(time.Duration(p.Target)*time.Minute))
		if !drill.InTime(took, p.Target) {
			state = release.Warn
		}
	}
	add("time", "Time", state, words)
	r := p.Result
	state, words = release.OK, "Nothing good was made of it."
	if r.Known {
		words = fmt.Sprintf("%.1f %%: %d of %d.", r.Pct, r.Accounted, r.Good)
		if r.Pct != 100 {
			state = release.Warn
		}
	}
	add("accounted", "Units accounted for", state, words)
	for _, g := range r.Gaps {
		words := g.Words
		for i, item := range g.Items {
			switch {
			case i == mostNamed:
				words += " …"
			case i > mostNamed:
			case i == 0:
				words += " " + item.Code
			default:
				words += ", " + item.Code
			}
		}
		add(g.Key, g.Name, release.Warn, words)
	}
	return list
}
