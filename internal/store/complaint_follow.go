package store

import (
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"
	"unicode/utf8"

	"github.com/jackc/pgx/v5"

	"example.org/stillroom/internal/access"
	"example.org/stillroom/internal/day"
	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/release"
)

// NewFollowUp is something done or learned about a complaint.
type NewFollowUp struct {
	Kind  string
	At    time.Time
	Words string
}

// Check tells everything at once that cannot be right. Faults: follow_kind, at, words.
func (n NewFollowUp) Check(now time.Time) error {
	var f fault.Fields
	if !slices.Contains(FollowUpKinds, n.Kind) {
		f.Add("follow_kind", "What was it?")
	}
	if n.At.IsZero() {
		f.Add("at", "When was it?")
	} else if n.At.After(now) {
		f.Add("at", "That moment has not come yet.")
	}
	if strings.TrimSpace(n.Words) == "" {
		f.Add("words", "What was said, done or found?")
	} else if utf8.RuneCountInString(n.Words) > 4000 {
		f.Add("words", "At most 4,000 characters, please.")
	}
	return f.Err()
}

func (t *tx) insertFollowUp(ctx context.Context, complaint ComplaintID, id FollowUpID, n NewFollowUp) error {
	_, err := t.Exec(ctx, `INSERT INTO complaint_entry (workshop_id, id, complaint_id, kind, happened_at, words, personal_key, change_id) VALUES ($1, $2, $3, $4, $5, $6, $7, $8)`,
		t.who.Workshop, id, complaint, n.Kind, n.At, strings.TrimSpace(n.Words), personalKey(), t.change)
	return err
}

// FollowComplaint notes what was done or learned; of a closed one too, for news may come late.
func (s *Store) FollowComplaint(ctx context.Context, who Who, entry Entry, number int, n NewFollowUp) error {
	_, err := s.write(ctx, who, create, "", entry, func(t *tx) error {
		c, err := t.keptComplaint(ctx, number)
		if err == nil {
			err = n.Check(t.now)
		}
		if err != nil {
			return err
		}
		return t.insertFollowUp(ctx, c.ID, newID[FollowUpID](), n)
	})
	if err != nil {
		return fmt.Errorf("store: follow complaint %d: %w", number, err)
	}
	return nil
}

// CorrectFollowUp puts another entry in the place of one; nil takes it back. The old one stays, struck through. Faults are
// those of a new one, and reason.
func (s *Store) CorrectFollowUp(ctx context.Context, who Who, entry Entry, number int, id FollowUpID, n *NewFollowUp, reason string) error {
	if err := checkReason(reason); err != nil {
		return err
	}
	_, err := s.write(ctx, who, correct, reason, entry, func(t *tx) error {
		c, err := t.keptComplaint(ctx, number)
		if err != nil {
			return err
		}
		var by *PersonID
		var at time.Time
		var replaced bool
		err = t.QueryRow(ctx, `SELECT c.person_id, c.at, e.replaced_by IS NOT NULL FROM complaint_entry e JOIN change c ON c.workshop_id = e.workshop_id AND c.id = e.change_id WHERE e.workshop_id = $1 AND e.complaint_id = $2 AND e.id = $3`,
			who.Workshop, c.ID, id).Scan(&by, &at, &replaced)
		switch {
		case errors.Is(err, pgx.ErrNoRows):
			return fault.New(fault.NotFound, "That is not in the book of this complaint.")
		case err != nil:
			return err
		case replaced:
			return fault.New(fault.Conflict, "This was corrected meanwhile. Look at what stands now.")
		}
		if err := t.mayCorrect(by, at); err != nil {
			return err
		}
		next := id // its own id: taken back
		if n != nil {
			if err := n.Check(t.now); err != nil {
				return err
			}
			next = newID[FollowUpID]()
		}
		if _, err := t.Exec(ctx, `UPDATE complaint_entry SET replaced_by = $3 WHERE workshop_id = $1 AND id = $2`, who.Workshop, id, next); err != nil || n == nil {
			return err
		}
		return t.insertFollowUp(ctx, c.ID, next, *n)
	})
	if err != nil {
		return fmt.Errorf("store: correct follow-up of complaint %d: %w", number, err)
	}
	return nil
}

// CloseComplaint ends a complaint with what came of it, signed with the password by a maker or the owner. Faults: outcome,
// password.
func (s *Store) CloseComplaint(ctx context.Context, who Who, entry Entry, number int, outcome, password string) error {
	outcome = strings.TrimSpace(outcome)
	var f fault.Fields
	if outcome == "" {
		f.Add("outcome", "What came of it?")
	} else {
		checkLength(&f, "outcome", outcome, 2000)
	}
	if err := f.Err(); err != nil {
		return err
	}
	switch {
	case who.Person == (PersonID{}):
		return fault.New(fault.Forbidden, "The closing of a complaint is signed by a person.")
	case who.Actor == "person" && !access.May(who.Role, access.Decide):
		return fault.New(fault.Forbidden, "Only a maker or the owner closes a complaint.")
	case who.Actor == "person":
		if err := s.ConfirmPassword(ctx, who, password, "password"); err != nil {
			return err
		}
	}
	_, err := s.write(ctx, who, progress, "", entry, func(t *tx) error {
		c, err := t.keptComplaint(ctx, number)
		if err != nil {
			return err
		}
		if !c.Open() {
			return fault.New(fault.Conflict, c.Code()+" is closed already.")
		}
		p, err := loadComplaint(ctx, t, who.Workshop, c)
		if err != nil {
			return err
		}
		p.Outcome = outcome
		id, err := t.sign(ctx, "complaint", c.ID, release.Content{Subject: "complaint", Code: c.Code(), Meaning: "closed", Record: p.facts(t.now)})
		if err != nil {
			return err
		}
		_, err = t.Exec(ctx, `UPDATE complaint SET outcome = $3, closed_at = $4, signature_id = $5 WHERE workshop_id = $1 AND id = $2`, who.Workshop, c.ID, outcome, t.now, id)
		return err
	})
	if err != nil {
		return fmt.Errorf("store: close complaint %d: %w", number, err)
	}
	return nil
}

// ReopenComplaint takes a closing back, where more became known. The signature stays in the record. Faults: reason.
func (s *Store) ReopenComplaint(ctx context.Context, who Who, entry Entry, number int, reason string) error {
	if err := checkReason(reason); err != nil {
		return err
	}
	_, err := s.write(ctx, who, correct, reason, entry, func(t *tx) error {
		c, err := t.keptComplaint(ctx, number)
		if err != nil {
			return err
		}
		if c.Open() {
			return fault.New(fault.Conflict, c.Code()+" is open.")
		}
		_, err = t.Exec(ctx, `UPDATE complaint SET closed_at = NULL, signature_id = NULL WHERE workshop_id = $1 AND id = $2`, who.Workshop, c.ID)
		return err
	})
	if err != nil {
		return fmt.Errorf("store: reopen complaint %d: %w", number, err)
	}
	return nil
}

// erased is what stands in the place of the bytes of an erased photo; erase_complaint_photos writes the same.
const erased = "erased"

// EraseComplaint takes what is personal out of a closed complaint for good: who complained, what was said, the words of all
// follow-ups, the photos, and the key of the hashes that stand for them in the trail. Number, product, packing, dates, kind
// and outcome stay, and the chain still verifies. What the law is known to ask to be kept longer is refused. Faults: sure,
// reason.
func (s *Store) EraseComplaint(ctx context.Context, who Who, entry Entry, number int, sure bool, reason string) error {
	if err := checkReason(reason); err != nil {
		return err
	}
	if who.Actor == "person" && !access.May(who.Role, access.Recall) {
		return fault.New(fault.Forbidden, "Only the owner erases what is personal.")
	}
	_, err := s.write(ctx, who, correct, reason, entry, func(t *tx) error {
		c, err := t.lockComplaint(ctx, number)
		switch {
		case err != nil:
			return err
		case c.ErasedAt != nil:
			return fault.New(fault.Conflict, "What was personal in "+c.Code()+" is erased already.")
		case c.Open():
			return fault.New(fault.Conflict, "Close "+c.Code()+" first: while it is open, it is needed.")
		}
		keep := ComplaintPage{Complaint: c, Zone: t.workshop.Location()}.Keep()
		switch {
		case !keep.Small.IsZero() && !t.today.After(keep.Small):
			return fault.New(fault.Conflict, "It is to be kept until "+t.workshop.Style.Day(keep.Until)+", by a small business until "+t.workshop.Style.Day(keep.Small)+" (US, MoCRA section 605).")
		case !sure:
			return fault.In("sure", "Say that it is no longer required.")
		}
		return t.eraseComplaint(ctx, c)
	})
	if err != nil {
		return fmt.Errorf("store: erase complaint %d: %w", number, err)
	}
	return nil
}

func (t *tx) eraseComplaint(ctx context.Context, c Complaint) error {
	if _, err := t.Exec(ctx, `UPDATE complaint SET name = '', email = '', phone = '', what = '', personal_key = $3, erased_at = $4 WHERE workshop_id = $1 AND id = $2`, t.who.Workshop, c.ID, personalKey(), t.now); err != nil {
		return err
	}
	if _, err := t.Exec(ctx, `UPDATE complaint_entry SET words = '', personal_key = $3 WHERE workshop_id = $1 AND complaint_id = $2`, t.who.Workshop, c.ID, personalKey()); err != nil {
		return err
	}
	sum := sha256.Sum256([]byte(erased))
	if _, err := t.Exec(ctx, `UPDATE document SET media_type = 'text/plain', size = $3, sha256 = $4 WHERE workshop_id = $1 AND complaint_id = $2`, t.who.Workshop, c.ID, len(erased), sum[:]); err != nil {
		return err
	}
	_, err := t.Exec(ctx, `SELECT erase_complaint_photos($1)`, c.ID)
	return err
}

// EraseFrom is the first day on which a complaint may be erased as far as the book knows; no day where no time is
// known.
func (p ComplaintPage) EraseFrom() day.Day {
	if keep := p.Keep(); !keep.Small.IsZero() {
		return keep.Small.AddDays(1)
	}
	return day.Day{}
}
