package store

import (
	"context"
	"fmt"
	"strings"
	"unicode/utf8"

	"github.com/jackc/pgx/v5"

	"example.org/stillroom/internal/access"
	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/release"
)

// RecallClosing is a recall with what is still open about it.
type RecallClosing struct {
	Told       RecallTold // without its customers
	Page       RecallPage
	Conditions []release.Condition // what whoever closes it signs with in view; none stands in the way
}

// Open counts what is still to be done.
func (c RecallClosing) Open() int {
	n := 0
	for _, x := range c.Conditions {
		if x.State != release.OK {
			n++
		}
	}
	return n
}

// RecallClosing reads what is still open about a recall, in one snapshot.
func (s *Store) RecallClosing(ctx context.Context, workshop WorkshopID, n int) (RecallClosing, error) {
	var out RecallClosing
	err := s.read(ctx, workshop, func(t pgx.Tx) (err error) {
		out, err = recallClosing(ctx, t, workshop, n)
		return err
	})
	if err != nil {
		return RecallClosing{}, fmt.Errorf("store: closing of recall %d: %w", n, err)
	}
	return out, nil
}

func recallClosing(ctx context.Context, t pgx.Tx, workshop WorkshopID, n int) (RecallClosing, error) {
	var out RecallClosing
	var err error
	if out.Page, err = loadRecall(ctx, t, workshop, n); err != nil {
		return out, err
	}
	if out.Page.Drill {
		return out, fault.New(fault.NotFound, "A drill tells nobody, and is ended on its own page.")
	}
	if out.Told, err = recallTold(ctx, t, workshop, out.Page.Recall, "", 1); err != nil {
		return out, err
	}
	since, err := recallSince(ctx, t, workshop, out.Page.ID)
	out.Conditions = closingConditions(out.Told, out.Page.Packings, since)
	return out, err
}

// closingConditions say how telling, counting back and stock stand, always in the same order.
func closingConditions(told RecallTold, packings []RecallPacking, since RecallSince) []release.Condition {
	say := func(key, name string, fine bool, good, open string) release.Condition {
		if fine {
			return release.Condition{Key: key, Name: name, State: release.OK, Words: good}
		}
		return release.Condition{Key: key, Name: name, State: release.Warn, Words: open}
	}
	u := told.Units
	var list []release.Condition
	if told.Level != "stock" {
		counted := fmt.Sprintf("%s went out; %d came back or were destroyed (%s), %d are accounted for (%s).", UnitCount(u.Out), u.Recovered(), or(u.RecoveredPct(), "none out"), u.Accounted(), or(u.AccountedPct(), "none out"))
		open := counted + fmt.Sprintf(" Of %d nobody says what became.", u.Missing())
		if u.Over() > 0 {
			open = counted + fmt.Sprintf(" That is %d more than went out: look for a wrong entry.", u.Over())
		}
		list = append(list,
			say("told", "Customers told", told.NotTold == 0, plural(told.Count, "customer is", "customers are")+" told.", fmt.Sprintf("%d of %s not told yet.", told.NotTold, plural(told.Count, "customer", "customers"))),
			say("answered", "Answers", told.Silent == 0, fmt.Sprintf("%d answered; nobody who was told by name is silent.", told.Answered), plural(told.Silent, "customer was told and has", "customers were told and have")+" not answered."),
			say("units", "Units counted back", u.Missing() == 0 && u.Over() == 0, counted, open))
	}
	here, free := 0, 0
	for _, p := range packings {
		here += p.OnHandNow
		free += max(0, p.OnHandNow-p.HeldNow)
	}
	stock := fmt.Sprintf("%s are still here, %d of them on hold.", UnitCount(here), here-free)
	if here == 1 {
		stock = fmt.Sprintf("1 unit is still here, %d on hold.", here-free)
	}
	list = append(list, say("stock", "Our own stock", here == 0, "Nothing of it is here any more.", stock+" They stay as they are when it is closed."))
	return append(list, say("scope", "Scope", !since.Grew(), "Nothing entered since reaches further.", "Entries made since reach further than the frozen scope: look at the difference first."))
}

func or(text, other string) string { return firstOf(text, other) }

// CloseRecall ends a recall with a note and a signature over it and what is still open. What is blocked stays blocked. seen
// is SeenHash of the conditions on the page that was signed. Only the owner may. Faults: note, password.
func (s *Store) CloseRecall(ctx context.Context, who Who, entry Entry, n int, note, password, seen string) error {
	note = strings.TrimSpace(note)
	var f fault.Fields
	if note == "" {
		f.Add("note", "Say what was done and found, and why it can be closed.")
	}
	if utf8.RuneCountInString(note) > 2000 {
		f.Add("note", "At most 2,000 characters, please.")
	}
	if err := f.Err(); err != nil {
		return err
	}
	if err := s.maySignClosing(ctx, who, password); err != nil {
		return err
	}
	_, err := s.write(ctx, who, progress, "", entry, func(t *tx) error {
		r, err := t.lockRecall(ctx, n)
		if err != nil {
			return err
		}
		if !r.Open() {
			return fault.New(fault.Conflict, r.Code()+" is closed already.")
		}
		closing, err := recallClosing(ctx, t, who.Workshop, n)
		if err != nil {
			return err
		}
		if seen != "" && seen != SeenHash(closing.Conditions) {
			return fault.New(fault.Conflict, "What is open has changed since you opened the page. Look at it again before you sign.")
		}
		r.Note = note
		id, err := t.sign(ctx, "recall", r.ID, release.Content{Subject: release.Recall, Code: r.Code(), Meaning: "closed", Record: r.facts(), Listed: closing.Conditions})
		if err != nil {
			return err
		}
		_, err = t.Exec(ctx, `UPDATE recall SET closed_at = $3, close_note = $4, signature_id = $5 WHERE workshop_id = $1 AND id = $2`, who.Workshop, r.ID, t.now, note, id)
		return err
	})
	if err != nil {
		return fmt.Errorf("store: close recall %d: %w", n, err)
	}
	return nil
}

// maySignClosing asks for the owner and the password; a program signs for the person it names without one.
func (s *Store) maySignClosing(ctx context.Context, who Who, password string) error {
	if who.Person == (PersonID{}) {
		return fault.New(fault.Forbidden, "A closing is signed by a person.")
	}
	if who.Actor != "person" {
		return nil
	}
	if !access.May(who.Role, access.Recall) {
		return fault.New(fault.Forbidden, "Only the owner closes a recall.")
	}
	return s.ConfirmPassword(ctx, who, password, "password")
}
