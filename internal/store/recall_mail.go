package store

import (
	"context"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"

	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/notice"
)

// MailLine is a customer of a recall who can be told by e-mail, and what became of the last try of the text.
type MailLine struct {
	Code, Name, Email string
	Outcome           string // empty for not tried yet; trying, sent, failed
	Said              string
	TriedAt           *time.Time
}

// Due tells whether the text is still to be sent: an e-mail of which nobody knows whether it went is not sent again by itself.
func (m MailLine) Due() bool { return m.Outcome == "" || m.Outcome == "failed" }

// RecallMail is the e-mail of a recall with who gets it.
type RecallMail struct {
	RecallLetters
	Text    RecallText // saved, else nothing can be sent
	Lines   []MailLine // customers with an address, those to be sent to first
	Without int        // customers without one, events aside
}

// Due counts those whom it is still to be sent to.
func (m RecallMail) Due() (n int) {
	for _, l := range m.Lines {
		if l.Due() {
			n++
		}
	}
	return n
}

// RecallMail reads who gets the e-mail of a recall, and what became of it.
func (s *Store) RecallMail(ctx context.Context, workshop WorkshopID, n int) (RecallMail, error) {
	var out RecallMail
	err := s.read(ctx, workshop, func(t pgx.Tx) (err error) {
		if out.RecallLetters, err = recallLetters(ctx, t, workshop, n); err != nil {
			return err
		}
		out.Text = out.RecallLetters.Text(notice.Email)
		rows, err := t.Query(ctx, toldFrom+`SELECT u.code, u.name, u.email, coalesce(m.outcome, ''), coalesce(m.said, ''), m.tried_at FROM told u
			LEFT JOIN LATERAL (SELECT e.outcome, e.said, e.tried_at FROM mail_log e WHERE e.workshop_id = $1 AND e.recall_id = $2 AND e.customer_id = u.id AND e.text_id = $4 ORDER BY e.tried_at DESC, e.id DESC LIMIT 1) m ON true
			WHERE u.kind <> 'event' ORDER BY coalesce(m.outcome, '') = 'sent', u.name, u.code`, workshop, out.ID, out.Level, out.Text.ID)
		if err != nil {
			return err
		}
		list, err := pgx.CollectRows(rows, pgx.RowToStructByPos[MailLine])
		for _, l := range list {
			if l.Email == "" {
				out.Without++
			} else {
				out.Lines = append(out.Lines, l)
			}
		}
		return err
	})
	if err != nil {
		return RecallMail{}, fmt.Errorf("store: e-mail of recall %d: %w", n, err)
	}
	return out, nil
}

// MailTry is an e-mail that is about to be handed over.
type MailTry struct {
	ID        RowID
	Address   string
	MessageID string
}

// TryMail writes down that an e-mail is about to be sent, before it is: whoever comes second with the same text for the
// same customer is refused, whatever became of the first but a failure. domain is the sender's, for the message's id.
func (s *Store) TryMail(ctx context.Context, who Who, n int, text RecallText, customer, domain string) (MailTry, error) {
	var try MailTry
	_, err := s.write(ctx, who, create, "", Entry{}, func(t *tx) error {
		r, err := t.openForTelling(ctx, n)
		if err != nil {
			return err
		}
		c, _, err := customerOfRecall(ctx, t, who.Workshop, r, customer)
		if err != nil {
			return err
		}
		if c.Event() || checkEmail(c.Email) != nil {
			return fault.New(fault.Conflict, c.Name+" has no e-mail address.")
		}
		try = MailTry{ID: newID[RowID](), Address: c.Email}
		try.MessageID = Text(try.ID) + "@" + domain
		tag, err := t.Exec(ctx, `INSERT INTO mail_log (workshop_id, id, recall_id, customer_id, text_id, address, personal_key, message_id, tried_at, outcome, change_id)
			SELECT $1, $2, $3, $4, x.id, $6, $7, $8, $9, 'trying', $10 FROM recall_text x WHERE x.workshop_id = $1 AND x.recall_id = $3 AND x.id = $5 AND x.kind = 'email' AND x.replaced_by IS NULL
			ON CONFLICT (workshop_id, text_id, customer_id) WHERE outcome <> 'failed' DO NOTHING`, who.Workshop, try.ID, r.ID, c.ID, text.ID, c.Email, personalKey(), try.MessageID, t.now, t.change)
		if err == nil && tag.RowsAffected() == 0 {
			return fault.New(fault.Conflict, "This text has gone to "+c.Name+" already, or was changed meanwhile.")
		}
		return err
	})
	if err != nil {
		return MailTry{}, fmt.Errorf("store: try e-mail: %w", err)
	}
	return try, nil
}

// SettleMail writes down what became of an e-mail: one that was sent is an entry that the customer was told. said is what
// went wrong, empty for nothing.
func (s *Store) SettleMail(ctx context.Context, who Who, try MailTry, said string) error {
	_, err := s.write(ctx, who, progress, "", Entry{}, func(t *tx) error {
		var recall RecallID
		var customer CustomerID
		if err := t.QueryRow(ctx, `SELECT recall_id, customer_id FROM mail_log WHERE workshop_id = $1 AND id = $2 AND outcome = 'trying' FOR NO KEY UPDATE`, who.Workshop, try.ID).Scan(&recall, &customer); err != nil {
			return notFound(err, "There is no such e-mail on its way.")
		}
		if said != "" {
			_, err := t.Exec(ctx, `UPDATE mail_log SET outcome = 'failed', said = $3 WHERE workshop_id = $1 AND id = $2`, who.Workshop, try.ID, shortened(said, 1000))
			return err
		}
		told, err := t.tell(ctx, recall, customer, NewTold{At: t.now, How: "email", Note: "Sent from here."})
		if err != nil {
			return err
		}
		_, err = t.Exec(ctx, `UPDATE mail_log SET outcome = 'sent', told_id = $3 WHERE workshop_id = $1 AND id = $2`, who.Workshop, try.ID, told)
		return err
	})
	if err != nil {
		return fmt.Errorf("store: settle e-mail: %w", err)
	}
	return nil
}
