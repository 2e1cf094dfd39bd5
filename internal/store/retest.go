package store

import (
	"context"
	"fmt"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"

	"example.org/stillroom/internal/day"
	"example.org/stillroom/internal/fault"
)

// Retest is a lot looked at again, on or after the day by which that was due.
type Retest struct {
	ID       RetestID
	On       day.Day
	Passed   bool
	Words    string
	NextOn   day.Day // when it is due next, for one that passed; zero for not again
	Who      string
	By       PersonID // zero for a program
	At       time.Time
	Replaced bool
	wasOn    day.Day
}

const retestQuery = `SELECT r.id, r.done_on, r.passed, r.words, r.next_on, coalesce(w.name, c.actor), coalesce(c.person_id, '00000000-0000-0000-0000-000000000000'), c.at, r.replaced_by IS NOT NULL, r.was_on
	FROM lot_retest r JOIN change c ON c.workshop_id = r.workshop_id AND c.id = r.change_id LEFT JOIN person w ON w.workshop_id = c.workshop_id AND w.id = c.person_id `

func scanRetest(row pgx.CollectableRow) (Retest, error) {
	var r Retest
	return r, row.Scan(&r.ID, &r.On, &r.Passed, &r.Words, &r.NextOn, &r.Who, &r.By, &r.At, &r.Replaced, &r.wasOn)
}

func retestsOf(ctx context.Context, t pgx.Tx, workshop WorkshopID, lot LotID) ([]Retest, error) {
	rows, err := t.Query(ctx, retestQuery+`WHERE r.workshop_id = $1 AND r.lot_id = $2 ORDER BY r.done_on DESC, r.id DESC`, workshop, lot)
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, scanRetest)
}

// NewRetest is what somebody found when they looked at a lot again.
type NewRetest struct {
	Lot    string  // code
	On     day.Day // zero for today
	Passed bool
	Words  string  // what was looked at and found
	NextOn day.Day // when it is due next, for one that passed; zero for not again
}

// RetestLot records that a lot was looked at again. One that passed is due again on the next day stated; one that did
// not becomes a deviation on the lot and stays due: rejecting it is the owner's decision. Faults: on, words, next_on.
func (s *Store) RetestLot(ctx context.Context, who Who, entry Entry, n NewRetest) error {
	_, err := s.write(ctx, who, correct, n.reason(), entry, func(t *tx) error {
		tubs, err := t.lockTubs(ctx, n.Lot)
		if err != nil {
			return err
		}
		l, err := lotByCode(ctx, t, who.Workshop, n.Lot)
		if err != nil {
			return err
		}
		if n, err = n.checked(l, t.today); err != nil {
			return err
		}
		t.result = l.Code
		if err := t.keepRetest(ctx, l, n, newID[RetestID](), l.RetestOn); err != nil {
			return err
		}
		return t.retestBy(ctx, l, n.makes(l.RetestOn), tubs)
	})
	if err != nil {
		return fmt.Errorf("store: retest %q: %w", n.Lot, err)
	}
	return nil
}

// reason stands in the trail beside the retest date that moves by this.
func (n NewRetest) reason() string {
	words := []rune(strings.TrimSpace(n.Words))
	if len(words) > 400 {
		words = append(words[:400], '…')
	}
	if n.Passed {
		return "Looked at again, fine: " + string(words)
	}
	return "Looked at again, not fine: " + string(words)
}

func (n NewRetest) checked(l Lot, today day.Day) (NewRetest, error) {
	if n.On.IsZero() {
		n.On = today
	}
	var f fault.Fields
	checkHappened(&f, "on", n.On, today, "When was it looked at?")
	if n.On.Before(l.ReceivedOn) {
		f.Add("on", "It came only on "+l.ReceivedOn.String()+".")
	}
	if strings.TrimSpace(n.Words) == "" {
		f.Add("words", "Say what was looked at and what you found.")
	}
	checkLength(&f, "words", n.Words, 1000)
	if !n.Passed {
		n.NextOn = day.Day{}
	} else if !n.NextOn.IsZero() && !n.NextOn.After(n.On) {
		f.Add("next_on", "The next day is after this one.")
	}
	return n, f.Err()
}

// keepRetest stores an entry under an id; was is the date that it replaces. One that did not pass is a deviation.
func (t *tx) keepRetest(ctx context.Context, l Lot, n NewRetest, id RetestID, was day.Day) error {
	if _, err := t.Exec(ctx, `INSERT INTO lot_retest (workshop_id, id, lot_id, done_on, passed, words, next_on, was_on, change_id) VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9)`,
		t.who.Workshop, id, l.ID, n.On, n.Passed, n.Words, n.NextOn, was, t.change); err != nil || n.Passed {
		return err
	}
	what := fmt.Sprintf("Lot %s did not pass when it was looked at again on %s: %s", l.Code, t.workshop.Style.Day(n.On), clipped(n.Words, 800))
	return t.deviate(ctx, deviant{Kind: "lot", Lot: &l.ID, About: id, What: what})
}

// makes is the date that an entry gives its lot; was is the one before it.
func (n NewRetest) makes(was day.Day) day.Day {
	if n.Passed {
		return n.NextOn
	}
	return was
}

func clipped(text string, most int) string {
	if runes := []rune(text); len(runes) > most {
		return string(runes[:most]) + "…"
	}
	return text
}

// retestBy sets the day by which a lot is looked at again, and those of tubs that have it from the lot.
func (t *tx) retestBy(ctx context.Context, l Lot, on day.Day, tubs downstream) error {
	if on != l.RetestOn {
		if _, err := t.Exec(ctx, `UPDATE material_lot SET retest_on = $3 WHERE workshop_id = $1 AND id = $2`, t.who.Workshop, l.ID, on); err != nil {
			return err
		}
	}
	return t.settleTubs(ctx, tubs.below(l.ID))
}

// RetestCorrection replaces what was written of a look, or takes it back.
type RetestCorrection struct {
	NewRetest
	ID       RetestID
	Withdraw bool
	Reason   string
}

// CorrectRetest corrects an entry or takes it back. The lot's retest date follows where it still is what the entry made
// it; the entry's open deviation is withdrawn. A helper may correct what they entered themselves today. Faults: those
// of RetestLot, and reason.
func (s *Store) CorrectRetest(ctx context.Context, who Who, entry Entry, c RetestCorrection) error {
	_, err := s.write(ctx, who, correct, c.Reason, entry, func(t *tx) error {
		tubs, err := t.lockTubs(ctx, c.Lot)
		if err != nil {
			return err
		}
		l, err := lotByCode(ctx, t, who.Workshop, c.Lot)
		if err != nil {
			return err
		}
		old, err := t.retestToCorrect(ctx, l, c)
		if err != nil {
			return err
		}
		n := c.NewRetest
		if !c.Withdraw {
			if n, err = n.checked(l, t.today); err != nil {
				return err
			}
		}
		next := c.ID // its own id: withdrawn
		if !c.Withdraw {
			next = newID[RetestID]()
		}
		if _, err := t.Exec(ctx, `UPDATE lot_retest SET replaced_by = $3 WHERE workshop_id = $1 AND id = $2`, who.Workshop, c.ID, next); err != nil {
			return err
		}
		if err := t.withdrawDeviations(ctx, c.ID); err != nil {
			return err
		}
		t.result = l.Code
		if !c.Withdraw {
			if err := t.keepRetest(ctx, l, n, next, old.wasOn); err != nil {
				return err
			}
		}
		if l.RetestOn != (NewRetest{Passed: old.Passed, NextOn: old.NextOn}).makes(old.wasOn) {
			return nil // something later moved the date, which stays as that left it
		}
		if c.Withdraw {
			return t.retestBy(ctx, l, old.wasOn, tubs)
		}
		return t.retestBy(ctx, l, n.makes(old.wasOn), tubs)
	})
	if err != nil {
		return fmt.Errorf("store: correct retest of %q: %w", c.Lot, err)
	}
	return nil
}

func (t *tx) retestToCorrect(ctx context.Context, l Lot, c RetestCorrection) (Retest, error) {
	rows, err := t.Query(ctx, retestQuery+`WHERE r.workshop_id = $1 AND r.lot_id = $2 AND r.id = $3`, t.who.Workshop, l.ID, c.ID)
	if err != nil {
		return Retest{}, err
	}
	old, err := pgx.CollectExactlyOneRow(rows, scanRetest)
	if err != nil {
		return old, notFound(err, "That is not in the book of this lot.")
	}
	if old.Replaced {
		return old, fault.New(fault.Conflict, "This was corrected meanwhile. Look at what stands now.")
	}
	var by *PersonID
	if old.By != (PersonID{}) {
		by = &old.By
	}
	if err := t.mayCorrect(by, old.At); err != nil {
		return old, err
	}
	var f fault.Fields
	checkLength(&f, "reason", c.Reason, 500)
	return old, f.Err()
}
