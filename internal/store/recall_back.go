package store

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"
	"unicode/utf8"

	"github.com/jackc/pgx/v5"

	"example.org/stillroom/internal/countback"
	"example.org/stillroom/internal/day"
	"example.org/stillroom/internal/fault"
)

// NewAnswer is what a customer of a recall answered, with the units that came back with it.
type NewAnswer struct {
	On          day.Day
	Note        string
	Disposition string // hold or destroy: where the returned units go
	Counts      []AnswerCount
}

// AnswerCount is what became of a customer's units of one packing.
type AnswerCount struct {
	Packing                         string // code
	Returned, Destroyed, Used, Sold int
}

func (c AnswerCount) sum() int { return c.Returned + c.Destroyed + c.Used + c.Sold }

// AnswerField is the name of a field of a count, by its place in the list.
func AnswerField(name string, i int) string { return fmt.Sprintf("%s-%d", name, i) }

// AnswerRecall records an answer and what it counts back, in one transaction: for units that came back a return for each
// of the customer's dispatches, the oldest first. Never more is counted than went out. Faults: answered_on, note,
// disposition, and returned-0 and the like by the count's place.
func (s *Store) AnswerRecall(ctx context.Context, who Who, entry Entry, n int, customer string, a NewAnswer) error {
	_, err := s.write(ctx, who, create, "", entry, func(t *tx) error {
		r, err := t.openForTelling(ctx, n)
		if err != nil {
			return err
		}
		c, packings, err := customerOfRecall(ctx, t, who.Workshop, r, customer)
		if err != nil {
			return err
		}
		ids := make([]PackingID, len(packings))
		for i, p := range packings {
			ids[i] = p.ID
		}
		locked, err := t.lockPackings(ctx, ids)
		if err != nil {
			return err
		}
		// Read again under the locks: a return may have been written down on the other page meanwhile.
		if packings, err = packingsTold(ctx, t, who.Workshop, r, c.ID); err != nil {
			return err
		}
		if err := a.check(packings, t.today); err != nil {
			return err
		}
		if _, err := t.Exec(ctx, `INSERT INTO recall_answer (workshop_id, id, recall_id, customer_id, answered_on, note, change_id) VALUES ($1, $2, $3, $4, $5, $6, $7)`,
			who.Workshop, newID[RowID](), r.ID, c.ID, a.On, a.Note, t.change); err != nil {
			return err
		}
		for i, k := range a.Counts {
			for _, p := range packings {
				if p.Code != k.Packing {
					continue
				}
				if err := t.countBack(ctx, r, c.ID, locked[p.ID], a, i); err != nil {
					return err
				}
			}
		}
		return nil
	})
	if err != nil {
		return fmt.Errorf("store: answer of %q to recall %d: %w", customer, n, err)
	}
	return nil
}

// check tells what cannot be, by what the customer had and what is counted already.
func (a NewAnswer) check(packings []ToldPacking, today day.Day) error {
	var f fault.Fields
	checkHappened(&f, "answered_on", a.On, today, "When did they answer?")
	if utf8.RuneCountInString(a.Note) > 800 { // with the recall's code it becomes the note of a return
		f.Add("note", "At most 800 characters, please.")
	}
	returned := 0
	seen := map[string]bool{}
	for i, k := range a.Counts {
		for _, part := range []struct {
			name  string
			units int
		}{{"returned", k.Returned}, {"destroyed", k.Destroyed}, {"used", k.Used}, {"sold", k.Sold}} {
			if part.units < 0 || part.units > mostUnits {
				f.Add(AnswerField(part.name, i), "A number of units, please.")
			}
		}
		returned += k.Returned
		had := ToldPacking{}
		for _, p := range packings {
			if p.Code == k.Packing {
				had = p
			}
		}
		switch left := had.Missing(); {
		case had.Code == "" || seen[k.Packing]:
			f.Add(AnswerField("returned", i), "They had none of this packing. Open the page anew.")
		case k.sum() > left:
			f.Add(AnswerField("returned", i), tooManyBack(had, left))
		}
		seen[k.Packing] = true
	}
	if returned > 0 && a.Disposition != "hold" && a.Disposition != "destroy" {
		f.Add("disposition", "Choose where they go: on hold, or destroyed.")
	}
	return f.Err()
}

func tooManyBack(had ToldPacking, left int) string {
	words := fmt.Sprintf("%s of %s went out", UnitCount(had.Out), had.Code)
	if had.Accounted() > 0 {
		words += fmt.Sprintf(", and %d are counted already", had.Accounted())
	}
	return words + fmt.Sprintf(": no more than %d can be counted.", left)
}

// countBack stores the ith count of an answer.
func (t *tx) countBack(ctx context.Context, r Recall, customer CustomerID, p Packing, a NewAnswer, i int) error {
	k := a.Counts[i]
	count := func(kind string, units int, of *ReturnID) error {
		if units == 0 {
			return nil
		}
		_, err := t.Exec(ctx, `INSERT INTO recall_count (workshop_id, id, recall_id, customer_id, packing_id, kind, units, counted_on, return_id, change_id) VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10)`,
			t.who.Workshop, newID[RowID](), r.ID, customer, p.ID, kind, units, a.On, of, t.change)
		return err
	}
	if k.Returned > 0 {
		if err := t.takeBackRecalled(ctx, r, customer, p, a, i, count); err != nil {
			return err
		}
	}
	return errors.Join(count("destroyed", k.Destroyed, nil), count("used", k.Used, nil), count("sold", k.Sold, nil))
}

// takeBackRecalled makes a return for each of the customer's dispatches of a packing that the units can be from.
func (t *tx) takeBackRecalled(ctx context.Context, r Recall, customer CustomerID, p Packing, a NewAnswer, i int, count func(string, int, *ReturnID) error) error {
	rows, err := t.Query(ctx, `SELECT d.id, e.units - coalesce((SELECT sum(x.units) FROM unit_return x WHERE x.workshop_id = $1 AND x.dispatch_id = d.id AND x.packing_id = $4 AND x.replaced_by IS NULL), 0)::int
		FROM recall_list l JOIN dispatch d ON d.workshop_id = $1 AND d.id = l.dispatch_id JOIN dispatch_line e ON e.workshop_id = $1 AND e.dispatch_id = d.id AND e.packing_id = $4 AND e.replaced_by IS NULL
		WHERE l.workshop_id = $1 AND l.recall_id = $2 AND l.customer_id = $3 AND l.packing_id = $4 AND d.dispatched_on <= $5 ORDER BY d.dispatched_on, d.code`, t.who.Workshop, r.ID, customer, p.ID, a.On)
	if err != nil {
		return err
	}
	var from []DispatchID
	var out []int
	var id DispatchID
	var units int
	if _, err := pgx.ForEachRow(rows, []any{&id, &units}, func() error {
		from, out = append(from, id), append(out, units)
		return nil
	}); err != nil {
		return err
	}
	k := a.Counts[i]
	taken, left := countback.Allocate(k.Returned, out)
	// Units may have come back without anybody knowing which dispatch they were of: those are no longer out either.
	if most := p.Dispatched - p.Returned; left > 0 || k.Returned > most {
		return fault.In(AnswerField("returned", i), fmt.Sprintf("By the dispatches until that day and what came back of them, no more than %d of %s can come back.", min(k.Returned-left, max(0, most)), p.Code))
	}
	for at, n := range taken {
		if n == 0 {
			continue
		}
		note := strings.TrimRight(r.Code()+": "+firstOf(strings.TrimSpace(a.Note), r.Title), " ")
		back := NewReturn{Packing: p.Code, On: a.On, Units: n, Disposition: a.Disposition, Note: note}
		of, _, err := t.insertReturn(ctx, &from[at], p.ID, back)
		if err != nil {
			return err
		}
		if err := count("returned", n, &of); err != nil {
			return err
		}
	}
	return nil
}

// WithdrawTold takes back a mistaken entry about a customer: with an answer what it counted, and with units that came
// back their return. kind is told, answer or count. Faults: reason.
func (s *Store) WithdrawTold(ctx context.Context, who Who, entry Entry, n int, customer, kind string, id RowID, reason string) error {
	table, known := map[string]string{"told": "recall_told", "answer": "recall_answer", "count": "recall_count"}[kind]
	if !known {
		return fault.New(fault.NotFound, "That is not in the book.")
	}
	if err := checkReason(reason); err != nil {
		return err
	}
	_, err := s.write(ctx, who, correct, reason, entry, func(t *tx) error {
		r, err := t.openForTelling(ctx, n)
		if err != nil {
			return err
		}
		var by *PersonID
		var at time.Time
		var change ChangeID
		var gone bool
		err = t.QueryRow(ctx, `SELECT c.person_id, c.at, e.change_id, e.replaced_by IS NOT NULL FROM `+table+` e JOIN change c ON c.workshop_id = e.workshop_id AND c.id = e.change_id
			JOIN customer u ON u.workshop_id = e.workshop_id AND u.id = e.customer_id WHERE e.workshop_id = $1 AND e.recall_id = $2 AND u.code = $3 AND e.id = $4`, who.Workshop, r.ID, customer, id).Scan(&by, &at, &change, &gone)
		switch {
		case err != nil:
			return notFound(err, "That is not in the book of this recall.")
		case gone:
			return fault.New(fault.Conflict, "This has been taken back already: nothing more is to be done.")
		}
		if err := t.mayCorrect(by, at); err != nil {
			return err
		}
		switch kind {
		case "answer":
			if err := t.withdrawCounts(ctx, r.ID, `change_id = $3`, change, reason); err != nil {
				return err
			}
		case "count":
			return t.withdrawCounts(ctx, r.ID, `id = $3`, id, reason)
		}
		_, err = t.Exec(ctx, `UPDATE `+table+` SET replaced_by = id WHERE workshop_id = $1 AND id = $2`, who.Workshop, id)
		return err
	})
	if err != nil {
		return fmt.Errorf("store: withdraw %s of recall %d: %w", kind, n, err)
	}
	return nil
}

// withdrawCounts takes back counts that still stand, with the returns that they made.
func (t *tx) withdrawCounts(ctx context.Context, recall RecallID, which string, of any, reason string) error {
	rows, err := t.Query(ctx, `SELECT k.return_id FROM recall_count k JOIN packing p ON p.workshop_id = k.workshop_id AND p.id = k.packing_id
		WHERE k.workshop_id = $1 AND k.recall_id = $2 AND k.replaced_by IS NULL AND k.return_id IS NOT NULL AND k.`+which+` ORDER BY k.packing_id, k.id`, t.who.Workshop, recall, of)
	if err != nil {
		return err
	}
	returns, err := pgx.CollectRows(rows, pgx.RowTo[ReturnID])
	if err != nil {
		return err
	}
	for _, id := range returns {
		if err := t.withdrawReturn(ctx, id, reason); err != nil {
			return err
		}
	}
	_, err = t.Exec(ctx, `UPDATE recall_count SET replaced_by = id WHERE workshop_id = $1 AND recall_id = $2 AND replaced_by IS NULL AND `+which, t.who.Workshop, recall, of)
	return err
}
