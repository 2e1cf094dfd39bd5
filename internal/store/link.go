package store

import (
	"context"
	"errors"
	"fmt"
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

// How long a link can be used. One that sets a password waits for its person to look at their mail; one that signs in
// is asked for by somebody who sits there.
const (
	setUpLinkLasts    = 24 * time.Hour
	passwordLinkLasts = 7 * 24 * time.Hour
	signInLinkLasts   = 15 * time.Minute
)

func linkEnded() *fault.Fault {
	return fault.New(fault.NotFound, "This link has been used or has run out. Ask for a new one.")
}

// insertLink makes a link and answers its text, which is stored nowhere: the table has its hash only.
func insertLink(ctx context.Context, t pgx.Tx, workshop WorkshopID, purpose string, person *PersonID, expires time.Time) (string, error) {
	text, hash := token(workshop)
	_, err := t.Exec(ctx, `INSERT INTO one_time_link (workshop_id, token_hash, purpose, person_id, expires_at) VALUES ($1, $2, $3, $4, $5)`,
		workshop, hash[:], purpose, person, expires)
	return text, err
}

// useLink spends a link, or says that it has ended. It answers whose it is; nil for the set-up link.
func useLink(ctx context.Context, t pgx.Tx, workshop WorkshopID, hash [32]byte, purpose string, now time.Time) (*PersonID, error) {
	var person *PersonID
	err := t.QueryRow(ctx, `UPDATE one_time_link SET used_at = $4 WHERE workshop_id = $1 AND token_hash = $2 AND purpose = $3 AND used_at IS NULL AND expires_at > $4 RETURNING person_id`,
		workshop, hash[:], purpose, now).Scan(&person)
	if errors.Is(err, pgx.ErrNoRows) {
		return nil, linkEnded()
	}
	return person, err
}

// linkOpen tells whose a link is, without spending it; the person is nil for the set-up link. The link of somebody
// disabled has ended.
func (s *Store) linkOpen(ctx context.Context, link, purpose string, now time.Time) (*Person, error) {
	workshop, hash, err := splitToken(link)
	if err != nil {
		return nil, linkEnded()
	}
	var p *Person
	err = s.read(ctx, workshop, func(t pgx.Tx) error {
		var person *PersonID
		err := t.QueryRow(ctx, `SELECT person_id FROM one_time_link WHERE workshop_id = $1 AND token_hash = $2 AND purpose = $3 AND used_at IS NULL AND expires_at > $4`,
			workshop, hash[:], purpose, now).Scan(&person)
		if err == nil && person != nil {
			p = &Person{}
			err = t.QueryRow(ctx, `SELECT id, email, name, role FROM person WHERE workshop_id = $1 AND id = $2 AND disabled_at IS NULL`, workshop, *person).Scan(&p.ID, &p.Email, &p.Name, &p.Role)
		}
		if errors.Is(err, pgx.ErrNoRows) {
			return linkEnded()
		}
		return err
	})
	if err != nil {
		return nil, fmt.Errorf("store: link: %w", err)
	}
	return p, nil
}

// SetUpLink makes the one-time link that names the workshop and its first owner, good for a day; earlier ones end. It
// is given only while nobody is registered; otherwise the text is empty.
func (s *Store) SetUpLink(ctx context.Context, workshop WorkshopID, now time.Time) (string, error) {
	var text string
	err := s.settle(ctx, workshop, func(t pgx.Tx) error {
		registered, err := anybody(ctx, t, workshop)
		if err != nil || registered {
			return err
		}
		if _, err := t.Exec(ctx, `UPDATE one_time_link SET used_at = $2 WHERE workshop_id = $1 AND purpose = 'set_up' AND used_at IS NULL`, workshop, now); err != nil {
			return err
		}
		text, err = insertLink(ctx, t, workshop, linkSetUp, nil, now.Add(setUpLinkLasts))
		return err
	})
	if err != nil {
		return "", fmt.Errorf("store: set-up link: %w", err)
	}
	return text, nil
}

func anybody(ctx context.Context, t pgx.Tx, workshop WorkshopID) (registered bool, err error) {
	err = t.QueryRow(ctx, `SELECT EXISTS (SELECT FROM person WHERE workshop_id = $1)`, workshop).Scan(&registered)
	return registered, err
}

// SetUpOpen tells whether a set-up link still works, without spending it.
func (s *Store) SetUpOpen(ctx context.Context, link string, now time.Time) error {
	_, err := s.linkOpen(ctx, link, linkSetUp, now)
	return err
}

// SetUp names the workshop and registers its owner, by the one-time link; it answers the owner's cookie. Faults stand
// beside workshop, zone, name, email and password, and spend nothing.
func (s *Store) SetUp(ctx context.Context, link, workshopName, zone string, owner NewPerson, password, device string, now time.Time) (string, error) {
	workshop, hash, err := splitToken(link)
	if err != nil {
		return "", linkEnded()
	}
	// Asked before anything is hashed: a made-up link costs us nothing.
	if err := s.SetUpOpen(ctx, link, now); err != nil {
		return "", err
	}
	owner = owner.trimmed()
	owner.Role = access.Owner
	var f fault.Fields
	if workshopName == "" || utf8.RuneCountInString(workshopName) > 200 {
		f.Add("workshop", "Write the workshop's name, up to 200 characters.")
	}
	checkZone(&f, zone)
	if wrong := fault.As(owner.check()); wrong != nil {
		for _, field := range wrong.Fields {
			f.Add(field.Name, field.Message)
		}
	}
	f.Check("password", signin.CheckPassword(password))
	if err := f.Err(); err != nil {
		return "", err
	}
	passwordHash, err := s.hashPassword(ctx, password)
	if err != nil {
		return "", err
	}
	person := newID[PersonID]()
	who := Who{Workshop: workshop, Person: person, Name: owner.Name, Role: owner.Role, Actor: "person", Device: device}
	var cookie string
	_, err = s.write(ctx, who, create, "", Entry{}, func(t *tx) error {
		if err := t.lockWorkshop(ctx); err != nil {
			return err
		}
		// Somebody may have been added from the command line since the link was printed: it is theirs then.
		registered, err := anybody(ctx, t, workshop)
		if err != nil {
			return err
		}
		if registered {
			return linkEnded()
		}
		if _, err := useLink(ctx, t, workshop, hash, linkSetUp, now); err != nil {
			return err
		}
		if _, err := t.Exec(ctx, `UPDATE workshop SET name = $2, zone = $3, named = true WHERE id = $1`, workshop, workshopName, zone); err != nil {
			return err
		}
		if err := insertPerson(ctx, t, person, owner, &passwordHash); err != nil {
			return err
		}
		cookie, err = insertSession(ctx, t, workshop, person, nil, device, now)
		return err
	})
	if err != nil {
		return "", fmt.Errorf("store: set up: %w", err)
	}
	return cookie, nil
}

// SignInLink makes a one-time link that signs somebody in, good for 15 minutes.
func (s *Store) SignInLink(ctx context.Context, workshop WorkshopID, email string, now time.Time) (string, error) {
	var text string
	err := s.settle(ctx, workshop, func(t pgx.Tx) error {
		var person PersonID
		err := t.QueryRow(ctx, `SELECT id FROM person WHERE workshop_id = $1 AND email_key = $2 AND disabled_at IS NULL`, workshop, foldEmail(email)).Scan(&person)
		if err != nil {
			return notFound(err, fmt.Sprintf("Nobody with the address %q may sign in here.", email))
		}
		text, err = insertLink(ctx, t, workshop, linkSignIn, &person, now.Add(signInLinkLasts))
		return err
	})
	if err != nil {
		return "", fmt.Errorf("store: link: %w", err)
	}
	return text, nil
}

// SignInByLink spends a sign-in link and opens a session, both or neither.
func (s *Store) SignInByLink(ctx context.Context, link, device string, now time.Time) (string, error) {
	workshop, hash, err := splitToken(link)
	if err != nil {
		return "", linkEnded()
	}
	var cookie string
	err = s.settle(ctx, workshop, func(t pgx.Tx) error {
		person, err := useLink(ctx, t, workshop, hash, linkSignIn, now)
		if err != nil {
			return err
		}
		cookie, err = insertSession(ctx, t, workshop, *person, nil, device, now)
		return err
	})
	if err != nil {
		return "", fmt.Errorf("store: sign in by link: %w", err)
	}
	return cookie, nil
}

// NewPasswordLink makes a new link, good for a week, with which a person sets a password. Their earlier ones end.
func (s *Store) NewPasswordLink(ctx context.Context, who Who, person PersonID, now time.Time) (string, error) {
	workshop := who.Workshop
	var text string
	err := s.settle(ctx, workshop, func(t pgx.Tx) error {
		var there bool
		if err := t.QueryRow(ctx, `SELECT EXISTS (SELECT FROM person WHERE workshop_id = $1 AND id = $2 AND disabled_at IS NULL)`, workshop, person).Scan(&there); err != nil {
			return err
		}
		if !there {
			return fault.New(fault.NotFound, "There is no such person, or they may not sign in.")
		}
		if _, err := t.Exec(ctx, `UPDATE one_time_link SET used_at = $3 WHERE workshop_id = $1 AND person_id = $2 AND purpose = 'password' AND used_at IS NULL`, workshop, person, now); err != nil {
			return err
		}
		var err error
		text, err = insertLink(ctx, t, workshop, linkPassword, &person, now.Add(passwordLinkLasts))
		return err
	})
	if err != nil {
		return "", fmt.Errorf("store: password link: %w", err)
	}
	return text, nil
}

// PasswordLinkOpen tells whose password a link sets, without spending it.
func (s *Store) PasswordLinkOpen(ctx context.Context, link string, now time.Time) (Person, error) {
	p, err := s.linkOpen(ctx, link, linkPassword, now)
	if err != nil {
		return Person{}, err
	}
	return *p, nil
}

// SetPassword sets a password by a one-time link, ends all sessions and links of that person and opens a new session.
// A fault stands beside password, and spends nothing.
func (s *Store) SetPassword(ctx context.Context, link, password, device string, now time.Time) (string, error) {
	workshop, hash, err := splitToken(link)
	if err != nil {
		return "", linkEnded()
	}
	person, err := s.PasswordLinkOpen(ctx, link, now)
	if err != nil {
		return "", err
	}
	if err := signin.CheckPassword(password); err != nil {
		return "", fault.In("password", err.Error())
	}
	passwordHash, err := s.hashPassword(ctx, password)
	if err != nil {
		return "", err
	}
	who := Who{Workshop: workshop, Person: person.ID, Name: person.Name, Role: access.Role(person.Role), Actor: "person", Device: device}
	var cookie string
	_, err = s.write(ctx, who, progress, "", Entry{}, func(t *tx) error {
		if _, err := useLink(ctx, t, workshop, hash, linkPassword, now); err != nil {
			return err
		}
		if err := storePassword(ctx, t, person.ID, passwordHash, now); err != nil {
			return err
		}
		cookie, err = insertSession(ctx, t, workshop, person.ID, nil, device, now)
		return err
	})
	if err != nil {
		return "", fmt.Errorf("store: set password: %w", err)
	}
	return cookie, nil
}
