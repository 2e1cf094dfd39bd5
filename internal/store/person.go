package store

import (
	"context"
	"crypto/rand"
	"errors"
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

// Link purposes.
const (
	linkSetUp    = "set_up"
	linkPassword = "password"
	linkSignIn   = "sign_in"
)

// Person is somebody who may sign in.
type Person struct {
	ID         PersonID
	Email      string
	Name       string
	Role       string
	Disabled   bool
	HasSignIn  bool // a password was set
	LastSeenAt *time.Time
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
		return errors.New("Write an e-mail address such as name@example.org.")
	}
	return nil
}

// SetUpLink makes the one-time link that names the workshop and its first owner. It is given only while nobody is
// registered; otherwise the text is empty. The store must be the owner's.
func (s *Store) SetUpLink(ctx context.Context, workshop WorkshopID, now time.Time) (string, error) {
	var text string
	err := s.settle(ctx, workshop, func(t pgx.Tx) error {
		var registered bool
		if err := t.QueryRow(ctx, `SELECT EXISTS (SELECT FROM person WHERE workshop_id = $1)`, workshop).Scan(&registered); err != nil || registered {
			return err
		}
		if _, err := t.Exec(ctx, `UPDATE one_time_link SET used_at = $2 WHERE workshop_id = $1 AND purpose = 'set_up' AND used_at IS NULL`, workshop, now); err != nil {
			return err
		}
		var hash [32]byte
		text, hash = token(workshop)
		_, err := t.Exec(ctx, `INSERT INTO one_time_link (workshop_id, token_hash, purpose, expires_at) VALUES ($1, $2, $3, $4)`, workshop, hash[:], linkSetUp, now.Add(24*time.Hour))
		return err
	})
	if err != nil {
		return "", fmt.Errorf("store: set-up link: %w", err)
	}
	return text, nil
}

// SetUp names the workshop and registers its owner, by the one-time link; it answers the owner's cookie.
func (s *Store) SetUp(ctx context.Context, link, workshopName, zone string, owner NewPerson, password, device string, now time.Time) (string, error) {
	workshop, hash, err := splitToken(link)
	if err != nil {
		return "", linkEnded()
	}
	owner.Role = access.Owner
	var f fault.Fields
	if err := owner.check(); err != nil {
		for _, field := range fault.As(err).Fields {
			f.Add(field.Name, field.Message)
		}
	}
	if workshopName == "" || utf8.RuneCountInString(workshopName) > 200 {
		f.Add("workshop", "Write the workshop's name, up to 200 characters.")
	}
	if _, err := time.LoadLocation(zone); err != nil || zone == "" || zone == "Local" {
		f.Add("zone", "Choose the time zone that the workshop stands in.")
	}
	if err := signin.CheckPassword(password); err != nil {
		f.Add("password", err.Error())
	}
	if err := f.Err(); err != nil {
		return "", err
	}
	passwordHash, err := s.hashPassword(ctx, password)
	if err != nil {
		return "", err
	}
	person := newID[PersonID]()
	who := Who{Workshop: workshop, Actor: "system", Device: device}
	_, err = s.write(ctx, who, create, "", Entry{}, func(t *tx) error {
		if err := useLink(ctx, t.Tx, workshop, hash, linkSetUp, nil, t.now); err != nil {
			return err
		}
		if _, err := t.Exec(ctx, `UPDATE workshop SET name = $2, zone = $3, named = true WHERE id = $1`, workshop, workshopName, zone); err != nil {
			return err
		}
		return insertPerson(ctx, t, person, owner, &passwordHash)
	})
	if err != nil {
		return "", fmt.Errorf("store: set up: %w", err)
	}
	return s.openSession(ctx, workshop, person, device, now)
}

func linkEnded() *fault.Fault {
	return fault.New(fault.NotFound, "This link has been used or has run out. Ask for a new one.")
}

// useLink spends a link, or says that it has ended. person gets whose it is.
func useLink(ctx context.Context, t pgx.Tx, workshop WorkshopID, hash [32]byte, purpose string, person **PersonID, now time.Time) error {
	var of *PersonID
	err := t.QueryRow(ctx, `UPDATE one_time_link SET used_at = $4 WHERE workshop_id = $1 AND token_hash = $2 AND purpose = $3 AND used_at IS NULL AND expires_at > $4 RETURNING person_id`,
		workshop, hash[:], purpose, now).Scan(&of)
	if errors.Is(err, pgx.ErrNoRows) {
		return linkEnded()
	}
	if person != nil {
		*person = of
	}
	return err
}

func insertPerson(ctx context.Context, t *tx, id PersonID, n NewPerson, passwordHash *string) error {
	_, err := t.Exec(ctx, `INSERT INTO person (workshop_id, id, email, email_key, name, role, password_hash, personal_key, change_id) VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9)`,
		t.who.Workshop, id, n.Email, foldEmail(n.Email), n.Name, string(n.Role), passwordHash, personalKey(), t.change)
	if constraint(err) == "person_email_key" {
		return fault.In("email", "Somebody with this address is registered already.")
	}
	return err
}

// AddPerson registers somebody and answers a one-time link with which they set their password.
func (s *Store) AddPerson(ctx context.Context, who Who, entry Entry, n NewPerson, now time.Time) (string, error) {
	n.Email, n.Name = strings.TrimSpace(n.Email), strings.TrimSpace(n.Name)
	if err := n.check(); err != nil {
		return "", err
	}
	link, err := s.write(ctx, who, create, "", entry, func(t *tx) error {
		id := newID[PersonID]()
		if err := insertPerson(ctx, t, id, n, nil); err != nil {
			return err
		}
		return t.link(ctx, id, linkPassword, now.Add(7*24*time.Hour))
	})
	if err != nil {
		return "", fmt.Errorf("store: add person: %w", err)
	}
	return link, nil
}

// link makes a one-time link for a person, as the transaction's result.
func (t *tx) link(ctx context.Context, person PersonID, purpose string, expires time.Time) error {
	text, hash := token(t.who.Workshop)
	t.result = text
	_, err := t.Exec(ctx, `INSERT INTO one_time_link (workshop_id, token_hash, purpose, person_id, expires_at) VALUES ($1, $2, $3, $4, $5)`,
		t.who.Workshop, hash[:], purpose, person, expires)
	return err
}

// SignInLink makes a one-time link that signs somebody in, good for 15 minutes.
func (s *Store) SignInLink(ctx context.Context, workshop WorkshopID, email string, now time.Time) (string, error) {
	var text string
	err := s.settle(ctx, workshop, func(pg pgx.Tx) error {
		var person PersonID
		err := pg.QueryRow(ctx, `SELECT id FROM person WHERE workshop_id = $1 AND email_key = $2 AND disabled_at IS NULL`, workshop, foldEmail(email)).Scan(&person)
		if err != nil {
			return notFound(err, fmt.Sprintf("Nobody with the address %q is registered here.", email))
		}
		t := &tx{Tx: pg, who: Who{Workshop: workshop}}
		err = t.link(ctx, person, linkSignIn, now.Add(15*time.Minute))
		text = t.result
		return err
	})
	if err != nil {
		return "", fmt.Errorf("store: link: %w", err)
	}
	return text, nil
}

// SignInByLink spends a sign-in link and opens a session.
func (s *Store) SignInByLink(ctx context.Context, link, device string, now time.Time) (string, error) {
	workshop, hash, err := splitToken(link)
	if err != nil {
		return "", linkEnded()
	}
	var person *PersonID
	err = s.settle(ctx, workshop, func(t pgx.Tx) error {
		return useLink(ctx, t, workshop, hash, linkSignIn, &person, now)
	})
	if err != nil {
		return "", fmt.Errorf("store: sign in by link: %w", err)
	}
	return s.openSession(ctx, workshop, *person, device, now)
}

// LinkOpen tells whose password a link sets, without spending it; for the set-up link the person is nil.
func (s *Store) LinkOpen(ctx context.Context, link, purpose string, now time.Time) (*Person, error) {
	workshop, hash, err := splitToken(link)
	if err != nil {
		return nil, linkEnded()
	}
	var p *Person
	err = s.read(ctx, workshop, func(t pgx.Tx) error {
		var person *PersonID
		err := t.QueryRow(ctx, `SELECT person_id FROM one_time_link WHERE workshop_id = $1 AND token_hash = $2 AND purpose = $3 AND used_at IS NULL AND expires_at > $4`,
			workshop, hash[:], purpose, now).Scan(&person)
		if errors.Is(err, pgx.ErrNoRows) {
			return linkEnded()
		}
		if err != nil || person == nil {
			return err
		}
		p = &Person{}
		return t.QueryRow(ctx, `SELECT id, email, name, role FROM person WHERE workshop_id = $1 AND id = $2`, workshop, *person).Scan(&p.ID, &p.Email, &p.Name, &p.Role)
	})
	if err != nil {
		return nil, fmt.Errorf("store: link: %w", err)
	}
	return p, nil
}

// SetPassword sets a password by a one-time link, ends all of that person's sessions and opens a new one.
func (s *Store) SetPassword(ctx context.Context, link, password, device string, now time.Time) (string, error) {
	workshop, hash, err := splitToken(link)
	if err != nil {
		return "", linkEnded()
	}
	if err := signin.CheckPassword(password); err != nil {
		return "", fault.In("password", err.Error())
	}
	passwordHash, err := s.hashPassword(ctx, password)
	if err != nil {
		return "", err
	}
	var person *PersonID
	_, err = s.write(ctx, Who{Workshop: workshop, Actor: "system", Device: device}, progress, "", Entry{}, func(t *tx) error {
		if err := useLink(ctx, t.Tx, workshop, hash, linkPassword, &person, t.now); err != nil {
			return err
		}
		return storePassword(ctx, t, *person, passwordHash)
	})
	if err != nil {
		return "", fmt.Errorf("store: set password: %w", err)
	}
	return s.openSession(ctx, workshop, *person, device, now)
}

// ChangePassword changes one's own, given the old one; every other session ends.
func (s *Store) ChangePassword(ctx context.Context, who Who, old, password, device string, now time.Time) (string, error) {
	if err := s.ConfirmPassword(ctx, who, old, "old"); err != nil {
		return "", err
	}
	if err := signin.CheckPassword(password); err != nil {
		return "", fault.In("password", err.Error())
	}
	passwordHash, err := s.hashPassword(ctx, password)
	if err != nil {
		return "", err
	}
	_, err = s.write(ctx, who, progress, "", Entry{}, func(t *tx) error { return storePassword(ctx, t, who.Person, passwordHash) })
	if err != nil {
		return "", fmt.Errorf("store: change password: %w", err)
	}
	return s.openSession(ctx, who.Workshop, who.Person, device, now)
}

func storePassword(ctx context.Context, t *tx, person PersonID, hash string) error {
	if _, err := t.Exec(ctx, `UPDATE person SET password_hash = $3 WHERE workshop_id = $1 AND id = $2`, t.who.Workshop, person, hash); err != nil {
		return err
	}
	_, err := t.Exec(ctx, `DELETE FROM session WHERE workshop_id = $1 AND person_id = $2`, t.who.Workshop, person)
	return err
}

// ConfirmPassword is asked before a signature; the fault stands beside the named field.
func (s *Store) ConfirmPassword(ctx context.Context, who Who, password, field string) error {
	ok, _, err := s.checkPassword(ctx, who.Workshop, who.Person, password)
	if err == nil && !ok {
		err = fault.In(field, "That is not your password.")
	}
	return err
}

// People lists everybody who is or was registered, by name.
func (s *Store) People(ctx context.Context, workshop WorkshopID) ([]Person, error) {
	var list []Person
	err := s.read(ctx, workshop, func(t pgx.Tx) error {
		rows, err := t.Query(ctx, `SELECT p.id, p.email, p.name, p.role, p.disabled_at IS NOT NULL, p.password_hash IS NOT NULL,
				(SELECT max(s.seen_at) FROM session s WHERE s.workshop_id = p.workshop_id AND s.person_id = p.id)
			FROM person p WHERE p.workshop_id = $1 ORDER BY p.disabled_at IS NOT NULL, p.name, p.id`, workshop)
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

// DisablePerson ends a person's access at once, sessions included; what they recorded stays theirs.
func (s *Store) DisablePerson(ctx context.Context, who Who, entry Entry, person PersonID, disable bool) error {
	_, err := s.write(ctx, who, progress, "", entry, func(t *tx) error {
		var at *time.Time
		if disable {
			at = &t.now
		}
		if err := t.changePerson(ctx, person, `UPDATE person SET disabled_at = $3 WHERE workshop_id = $1 AND id = $2`, at); err != nil || !disable {
			return err
		}
		_, err := t.Exec(ctx, `DELETE FROM session WHERE workshop_id = $1 AND person_id = $2`, who.Workshop, person)
		return err
	})
	if err != nil {
		return fmt.Errorf("store: disable person: %w", err)
	}
	return nil
}

// NewPasswordLink gives a person a new link to set a password.
func (s *Store) NewPasswordLink(ctx context.Context, who Who, person PersonID, now time.Time) (string, error) {
	var text string
	err := s.settle(ctx, who.Workshop, func(pg pgx.Tx) error {
		var there bool
		if err := pg.QueryRow(ctx, `SELECT EXISTS (SELECT FROM person WHERE workshop_id = $1 AND id = $2 AND disabled_at IS NULL)`, who.Workshop, person).Scan(&there); err != nil {
			return err
		}
		if !there {
			return fault.New(fault.NotFound, "There is no such person.")
		}
		t := &tx{Tx: pg, who: who}
		err := t.link(ctx, person, linkPassword, now.Add(7*24*time.Hour))
		text = t.result
		return err
	})
	if err != nil {
		return "", fmt.Errorf("store: password link: %w", err)
	}
	return text, nil
}

// changePerson runs one update and refuses to leave the workshop without an owner. The workshop's row is locked, so
// that two owners cannot demote each other at once.
func (t *tx) changePerson(ctx context.Context, person PersonID, update string, value any) error {
	if _, err := t.Exec(ctx, `SELECT FROM workshop WHERE id = $1 FOR UPDATE`, t.who.Workshop); err != nil {
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
