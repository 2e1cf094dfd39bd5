package store

import (
	"context"
	"crypto/rand"
	"fmt"
	"net/mail"
	"strings"
	"time"
	"unicode/utf8"

	"github.com/jackc/pgx/v5"

	"example.org/stillroom/internal/access"
	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/signin"
)

// Person is somebody who may sign in.
type Person struct {
	ID         PersonID
	Email      string
	Name       string
	Role       string
	Disabled   bool
	HasSignIn  bool       // a password was set
	LastSeenAt *time.Time // when a session that is still open was last used
}

// NewPerson is what the people page and `user add` send.
type NewPerson struct {
	Email string
	Name  string
	Role  access.Role
}

func personalKey() []byte {
	key := make([]byte, 32)
	rand.Read(key)
	return key
}

func (n NewPerson) trimmed() NewPerson {
	n.Email, n.Name = strings.TrimSpace(n.Email), strings.TrimSpace(n.Name)
	return n
}

func (n NewPerson) check() error {
	var f fault.Fields
	f.Check("email", checkEmail(n.Email))
	if n.Name == "" || utf8.RuneCountInString(n.Name) > 200 {
		f.Add("name", "Write the name as it stands on the batch record, up to 200 characters.")
	}
	if _, err := access.ParseRole(string(n.Role)); err != nil {
		f.Add("role", "Choose what this person may do.")
	}
	return f.Err()
}

func checkEmail(email string) error {
	if a, err := mail.ParseAddress(email); err != nil || a.Address != email || len(email) > 254 {
		return fault.New(fault.Invalid, "Write an e-mail address such as name@example.org.")
	}
	return nil
}

func insertPerson(ctx context.Context, t *tx, id PersonID, n NewPerson, passwordHash *string) error {
	_, err := t.Exec(ctx, `INSERT INTO person (workshop_id, id, email, email_key, name, role, password_hash, personal_key, change_id) VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9)`,
		t.who.Workshop, id, n.Email, foldEmail(n.Email), n.Name, string(n.Role), passwordHash, personalKey(), t.change)
	if constraint(err) == "person_email_key" {
		return fault.In("email", "Somebody with this address is registered already.")
	}
	return err
}

// AddPerson registers somebody and answers a one-time link, good for a week, with which they set their password. The
// same form sent again adds nobody and answers no link: a link is told once and stored only as its hash.
func (s *Store) AddPerson(ctx context.Context, who Who, entry Entry, n NewPerson, now time.Time) (string, error) {
	n = n.trimmed()
	if err := n.check(); err != nil {
		return "", err
	}
	var link string
	_, err := s.write(ctx, who, create, "", entry, func(t *tx) error {
		id := newID[PersonID]()
		if err := insertPerson(ctx, t, id, n, nil); err != nil {
			return err
		}
		var err error
		link, err = insertLink(ctx, t, t.who.Workshop, linkPassword, &id, now.Add(passwordLinkLasts))
		return err
	})
	if err != nil {
		return "", fmt.Errorf("store: add person: %w", err)
	}
	return link, nil
}

// ChangePassword changes one's own, given the old one; it ends every session of that person and answers a new one.
func (s *Store) ChangePassword(ctx context.Context, who Who, old, password, device string, now time.Time) (string, error) {
	var f fault.Fields
	if err := s.ConfirmPassword(ctx, who, old, "old"); err != nil {
		wrong := fault.As(err)
		if wrong == nil {
			return "", err
		}
		f.Add("old", wrong.Of("old"))
	}
	f.Check("password", signin.CheckPassword(password))
	if err := f.Err(); err != nil {
		return "", err
	}
	passwordHash, err := s.hashPassword(ctx, password)
	if err != nil {
		return "", err
	}
	var cookie string
	_, err = s.write(ctx, who, progress, "", Entry{}, func(t *tx) error {
		if err := storePassword(ctx, t, who.Person, passwordHash, now); err != nil {
			return err
		}
		cookie, err = insertSession(ctx, t, who.Workshop, who.Person, nil, device, now)
		return err
	})
	if err != nil {
		return "", fmt.Errorf("store: change password: %w", err)
	}
	return cookie, nil
}

// storePassword ends all sessions of the person, and all links that would let somebody in.
func storePassword(ctx context.Context, t *tx, person PersonID, hash string, now time.Time) error {
	if _, err := t.Exec(ctx, `UPDATE person SET password_hash = $3 WHERE workshop_id = $1 AND id = $2`, t.who.Workshop, person, hash); err != nil {
		return err
	}
	return endAccess(ctx, t, person, now)
}

// endAccess takes away whatever lets a person in without a password: sessions and open links.
func endAccess(ctx context.Context, t *tx, person PersonID, now time.Time) error {
	if _, err := t.Exec(ctx, `UPDATE one_time_link SET used_at = $3 WHERE workshop_id = $1 AND person_id = $2 AND used_at IS NULL`, t.who.Workshop, person, now); err != nil {
		return err
	}
	_, err := t.Exec(ctx, `DELETE FROM session WHERE workshop_id = $1 AND person_id = $2`, t.who.Workshop, person)
	return err
}

// ConfirmPassword is asked before a signature; the fault stands beside the named field.
func (s *Store) ConfirmPassword(ctx context.Context, who Who, password, field string) error {
	ok, _, _, err := s.checkPassword(ctx, who.Workshop, who.Person, password)
	if err == nil && !ok {
		err = fault.In(field, "That is not your password.")
	}
	return err
}

const personColumns = `p.id, p.email, p.name, p.role, p.disabled_at IS NOT NULL, p.password_hash IS NOT NULL,
	(SELECT max(s.seen_at) FROM session s WHERE s.workshop_id = p.workshop_id AND s.person_id = p.id)`

// Person is one of the workshop's people, by id.
func (s *Store) Person(ctx context.Context, workshop WorkshopID, id PersonID) (Person, error) {
	var p Person
	err := s.read(ctx, workshop, func(t pgx.Tx) error {
		rows, err := t.Query(ctx, `SELECT `+personColumns+` FROM person p WHERE p.workshop_id = $1 AND p.id = $2`, workshop, id)
		if err == nil {
			p, err = pgx.CollectExactlyOneRow(rows, pgx.RowToStructByPos[Person])
		}
		return notFound(err, "There is no such person.")
	})
	if err != nil {
		return Person{}, fmt.Errorf("store: person: %w", err)
	}
	return p, nil
}

// People lists everybody who is or was registered, by name.
func (s *Store) People(ctx context.Context, workshop WorkshopID) ([]Person, error) {
	var list []Person
	err := s.read(ctx, workshop, func(t pgx.Tx) error {
		rows, err := t.Query(ctx, `SELECT `+personColumns+` FROM person p WHERE p.workshop_id = $1 ORDER BY p.disabled_at IS NOT NULL, p.name, p.id`, workshop)
		if err == nil {
			list, err = pgx.CollectRows(rows, pgx.RowToStructByPos[Person])
		}
		return err
	})
	if err != nil {
		return nil, fmt.Errorf("store: people: %w", err)
	}
	return list, nil
}

// ChangeRole gives a person another role; the workshop keeps at least one owner.
func (s *Store) ChangeRole(ctx context.Context, who Who, entry Entry, person PersonID, role access.Role) error {
	if _, err := access.ParseRole(string(role)); err != nil {
		return fault.In("role", "Choose what this person may do.")
	}
	_, err := s.write(ctx, who, progress, "", entry, func(t *tx) error {
		return t.changePerson(ctx, person, `UPDATE person SET role = $3 WHERE workshop_id = $1 AND id = $2`, string(role))
	})
	if err != nil {
		return fmt.Errorf("store: change role: %w", err)
	}
	return nil
}

// DisablePerson ends a person's access at once, sessions and open links included; what they recorded stays theirs.
// With disable false the person may sign in again, with the password they had.
func (s *Store) DisablePerson(ctx context.Context, who Who, entry Entry, person PersonID, disable bool) error {
	_, err := s.write(ctx, who, progress, "", entry, func(t *tx) error {
		var at *time.Time
		if disable {
			at = &t.now
		}
		if err := t.changePerson(ctx, person, `UPDATE person SET disabled_at = $3 WHERE workshop_id = $1 AND id = $2`, at); err != nil || !disable {
			return err
		}
		return endAccess(ctx, t, person, t.now)
	})
	if err != nil {
		return fmt.Errorf("store: disable person: %w", err)
	}
	return nil
}

// changePerson runs one update and refuses to leave the workshop without an owner. The workshop is locked, so that two
// owners cannot demote each other at once.
func (t *tx) changePerson(ctx context.Context, person PersonID, update string, value any) error {
	if err := t.lockWorkshop(ctx); err != nil {
		return err
	}
	tag, err := t.Exec(ctx, update, t.who.Workshop, person, value)
	if err != nil {
		return err
	}
	if tag.RowsAffected() == 0 {
		return fault.New(fault.NotFound, "There is no such person.")
	}
	var owners int
	if err := t.QueryRow(ctx, `SELECT count(*) FROM person WHERE workshop_id = $1 AND role = 'owner' AND disabled_at IS NULL`, t.who.Workshop).Scan(&owners); err != nil {
		return err
	}
	if owners == 0 {
		return fault.New(fault.Conflict, "A workshop keeps at least one owner. Make somebody else owner first.")
	}
	return nil
}
