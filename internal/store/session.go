package store

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"strings"
	"sync"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"example.org/stillroom/internal/access"
	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/signin"
)

// A session ends after 12 hours without a page, and after 30 days whatever happens: a bench tablet is signed in once
// a day, a lost one is worth nothing next morning.
const (
	SessionIdle = 12 * time.Hour
	SessionMost = 30 * 24 * time.Hour
)

// Session is who is signed in, and in which workshop.
type Session struct {
	ID       SessionID
	Who      Who
	Workshop Workshop
}

// token makes a cookie or link text `workshop.secret`, so that its look-up has its workshop, and the secret's hash.
func token(workshop WorkshopID) (text string, hash [32]byte) {
	random := make([]byte, 32)
	rand.Read(random) // never fails: crypto/rand ends the program rather than return an error
	secret, hash := signin.Token(random)
	return Text(workshop) + "." + secret, hash
}

// splitToken reads what token made; anything else is not signed in.
func splitToken(text string) (WorkshopID, [32]byte, error) {
	head, secret, ok := strings.Cut(text, ".")
	id, err := uuid.Parse(head)
	if !ok || err != nil {
		return WorkshopID{}, [32]byte{}, signin.ErrToken
	}
	hash, err := signin.HashToken(secret)
	return WorkshopID(id), hash, err
}

// Session finds who a cookie belongs to. No fault, no session: the error is a Sign fault.
func (s *Store) Session(ctx context.Context, cookie string, now time.Time) (Session, error) {
	none := fault.New(fault.Sign, "Sign in to go on.")
	workshop, hash, err := splitToken(cookie)
	if err != nil {
		return Session{}, none
	}
	var out Session
	var seen time.Time
	var role string
	w := &out.Workshop
	// Every page asks for it: one batch is a transaction in one round trip.
	b := &pgx.Batch{}
	b.Queue(`SELECT set_config('app.workshop_id', $1::text, true)`, Text(workshop))
	b.Queue(`SELECT s.id, s.seen_at, p.id, p.name, p.role, w.id, w.code, w.name, w.zone, w.code_pattern, w.soon_days, w.readability_g, w.min_load_g, w.is_demo, w.named, w.mass_unit, w.temp_unit, w.date_style, coalesce(w.drill_minutes, 0), coalesce(w.contact, ''), coalesce(w.markets, ''), w.us_small_business
			FROM session s JOIN person p ON p.workshop_id = s.workshop_id AND p.id = s.person_id JOIN workshop w ON w.id = s.workshop_id
			WHERE s.workshop_id = $1 AND s.token_hash = $2 AND p.disabled_at IS NULL AND s.seen_at > $3 AND s.created_at > $4`,
		workshop, hash[:], now.Add(-SessionIdle), now.Add(-SessionMost))
	results := s.pool.SendBatch(ctx, b)
	_, err = results.Exec()
	if err == nil {
		err = orNone(results.QueryRow().
			Scan(&out.ID, &seen, &out.Who.Person, &out.Who.Name, &role, &w.ID, &w.Code, &w.Name, &w.Zone, &w.CodePattern, &w.SoonDays, &w.ReadabilityG, &w.MinLoadG, &w.IsDemo, &w.Named, &w.Style.Mass, &w.Style.Temperature, &w.Style.Date,
				&w.DrillMinutes, &w.Contact, &w.Markets, &w.USSmall),
			func() { out.Who.Role = access.Role(role) }, none)
	}
	if closed := results.Close(); err == nil {
		err = closed
	}
	if err != nil {
		if fault.Is(err, fault.Sign) {
			return Session{}, err
		}
		return Session{}, fmt.Errorf("store: session: %w", err)
	}
	out.Who.Workshop, out.Who.Actor = workshop, "person"
	if now.Sub(seen) > time.Minute {
		err = s.settle(ctx, workshop, func(t pgx.Tx) error {
			_, err := t.Exec(ctx, `UPDATE session SET seen_at = $3 WHERE workshop_id = $1 AND token_hash = $2`, workshop, hash[:], now)
			return err
		})
	}
	if err != nil {
		return Session{}, fmt.Errorf("store: session: %w", err)
	}
	return out, nil
}

func orNone(err error, then func(), none *fault.Fault) error {
	if errors.Is(err, pgx.ErrNoRows) {
		return none
	}
	if err == nil {
		then()
	}
	return err
}

// WorkshopChoice is a workshop that an address signs in to. The ticket is a sign-in link's text: with it the password
// need not be typed again, nor kept in a page.
type WorkshopChoice struct {
	Name   string
	Ticket string
}

// longestTyped is more than any password has (128 characters of at most 4 bytes, twice that before they are joined):
// what is longer is wrong without being hashed.
const longestTyped = 1024

// SignIn checks address and password and opens a session. Where the address belongs to several workshops with this
// password it opens none and answers them to choose from. The answer to an unknown address and to a wrong password is
// the same, and takes as long.
func (s *Store) SignIn(ctx context.Context, email, password, device string, now time.Time) (cookie string, choose []WorkshopChoice, err error) {
	wrong := &fault.Fault{Kind: fault.Invalid, Message: "That address and password do not go together."}
	if len(password) > longestTyped {
		return "", nil, wrong
	}
	rows, err := s.pool.Query(ctx, `SELECT workshop_id, person_id FROM workshops_of_email($1)`, foldEmail(email))
	if err != nil {
		return "", nil, fmt.Errorf("store: sign in: %w", err)
	}
	type candidate struct {
		Workshop     WorkshopID
		Person       PersonID
		workshopName string
		hash         *string
	}
	candidates, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (c candidate, err error) {
		err = row.Scan(&c.Workshop, &c.Person)
		return c, err
	})
	if err != nil {
		return "", nil, fmt.Errorf("store: sign in: %w", err)
	}
	if len(candidates) == 0 {
		if _, err := s.matches(ctx, password, decoyHash()); err != nil {
			return "", nil, err
		}
		return "", nil, wrong
	}
	var match []candidate
	for _, c := range candidates {
		var ok bool
		if ok, c.workshopName, c.hash, err = s.checkPassword(ctx, c.Workshop, c.Person, password); err != nil {
			return "", nil, err
		}
		if ok {
			match = append(match, c)
		}
	}
	if len(match) == 0 {
		return "", nil, wrong
	}
	for _, c := range match {
		err := s.settle(ctx, c.Workshop, func(t pgx.Tx) error {
			if len(match) == 1 {
				var err error
				cookie, err = insertSession(ctx, t, c.Workshop, c.Person, c.hash, device, now)
				return err
			}
			ticket, err := insertLink(ctx, t, c.Workshop, linkSignIn, &c.Person, now.Add(signInLinkLasts))
			choose = append(choose, WorkshopChoice{c.workshopName, ticket})
			return err
		})
		if fault.Is(err, fault.NotFound) { // disabled, or the password changed, while it was being compared
			return "", nil, wrong
		}
		if err != nil {
			return "", nil, fmt.Errorf("store: sign in: %w", err)
		}
	}
	return cookie, choose, nil
}

// decoyHash is hashed against where an address is unknown, so that the answer takes as long. It is made when it is first
// needed: every command would wait for it.
var decoyHash = sync.OnceValue(func() string { return signin.Hash("no one has this password", make([]byte, 16)) })

// checkPassword also answers the stored hash that the password matched.
func (s *Store) checkPassword(ctx context.Context, workshop WorkshopID, person PersonID, password string) (ok bool, workshopName string, hash *string, err error) {
	err = s.read(ctx, workshop, func(t pgx.Tx) error {
		return t.QueryRow(ctx, `SELECT p.password_hash, w.name FROM person p JOIN workshop w ON w.id = p.workshop_id
			WHERE p.workshop_id = $1 AND p.id = $2 AND p.disabled_at IS NULL`, workshop, person).Scan(&hash, &workshopName)
	})
	if err != nil && !errors.Is(err, pgx.ErrNoRows) {
		return false, "", nil, fmt.Errorf("store: password: %w", err)
	}
	if hash == nil || len(password) > longestTyped {
		_, err = s.matches(ctx, "", decoyHash())
		return false, workshopName, nil, err
	}
	ok, err = s.matches(ctx, password, *hash)
	return ok, workshopName, hash, err
}

func (s *Store) matches(ctx context.Context, password, hash string) (bool, error) {
	if err := s.hashing.Acquire(ctx, 1); err != nil {
		return false, fmt.Errorf("store: password: %w", err)
	}
	defer s.hashing.Release(1)
	return signin.Matches(password, hash)
}

func (s *Store) hashPassword(ctx context.Context, password string) (string, error) {
	if err := s.hashing.Acquire(ctx, 1); err != nil {
		return "", fmt.Errorf("store: password: %w", err)
	}
	defer s.hashing.Release(1)
	salt := make([]byte, 16)
	rand.Read(salt)
	return signin.Hash(password, salt), nil
}

// insertSession opens a session for somebody who may sign in. Their row is held meanwhile, so that a session cannot slip
// past being disabled; nor, where hash names the password hash that was matched, past a change of the password.
func insertSession(ctx context.Context, t pgx.Tx, workshop WorkshopID, person PersonID, hash *string, device string, now time.Time) (string, error) {
	var may bool
	err := t.QueryRow(ctx, `SELECT disabled_at IS NULL AND ($3::text IS NULL OR password_hash = $3) FROM person WHERE workshop_id = $1 AND id = $2 FOR SHARE`,
		workshop, person, hash).Scan(&may)
	if err != nil {
		return "", err
	}
	if !may {
		return "", linkEnded()
	}
	// What can no longer be used is swept here: nothing else would.
	if _, err := t.Exec(ctx, `DELETE FROM session WHERE workshop_id = $1 AND person_id = $2 AND (seen_at < $3 OR created_at < $4)`,
		workshop, person, now.Add(-SessionIdle), now.Add(-SessionMost)); err != nil {
		return "", err
	}
	cookie, id := token(workshop)
	_, err = t.Exec(ctx, `INSERT INTO session (workshop_id, token_hash, id, person_id, device, created_at, seen_at) VALUES ($1, $2, $3, $4, $5, $6, $6)`,
		workshop, id[:], newID[SessionID](), person, device, now)
	return cookie, err
}

// SignOut ends the session of a cookie; one that has ended already is no error.
func (s *Store) SignOut(ctx context.Context, cookie string) error {
	workshop, hash, err := splitToken(cookie)
	if err != nil {
		return nil
	}
	err = s.settle(ctx, workshop, func(t pgx.Tx) error {
		_, err := t.Exec(ctx, `DELETE FROM session WHERE workshop_id = $1 AND token_hash = $2`, workshop, hash[:])
		return err
	})
	if err != nil {
		return fmt.Errorf("store: sign out: %w", err)
	}
	return nil
}

// OpenSession is a line of the list of one's own sessions.
type OpenSession struct {
	ID        SessionID
	Device    string
	CreatedAt time.Time
	SeenAt    time.Time
}

// Sessions lists where a person is signed in, the latest used first.
func (s *Store) Sessions(ctx context.Context, who Who, now time.Time) ([]OpenSession, error) {
	var list []OpenSession
	err := s.read(ctx, who.Workshop, func(t pgx.Tx) error {
		rows, err := t.Query(ctx, `SELECT id, device, created_at, seen_at FROM session WHERE workshop_id = $1 AND person_id = $2 AND seen_at > $3 AND created_at > $4 ORDER BY seen_at DESC`,
			who.Workshop, who.Person, now.Add(-SessionIdle), now.Add(-SessionMost))
		if err == nil {
			list, err = pgx.CollectRows(rows, pgx.RowToStructByPos[OpenSession])
		}
		return err
	})
	if err != nil {
		return nil, fmt.Errorf("store: sessions: %w", err)
	}
	return list, nil
}

// EndSession ends one of a person's own sessions.
func (s *Store) EndSession(ctx context.Context, who Who, id SessionID) error {
	err := s.settle(ctx, who.Workshop, func(t pgx.Tx) error {
		tag, err := t.Exec(ctx, `DELETE FROM session WHERE workshop_id = $1 AND person_id = $2 AND id = $3`, who.Workshop, who.Person, id)
		if err == nil && tag.RowsAffected() == 0 {
			return fault.New(fault.NotFound, "That session has ended already.")
		}
		return err
	})
	if err != nil {
		return fmt.Errorf("store: end session: %w", err)
	}
	return nil
}

// EndSessions ends all of a person's own sessions: sign out everywhere.
func (s *Store) EndSessions(ctx context.Context, who Who) error {
	err := s.settle(ctx, who.Workshop, func(t pgx.Tx) error {
		_, err := t.Exec(ctx, `DELETE FROM session WHERE workshop_id = $1 AND person_id = $2`, who.Workshop, who.Person)
		return err
	})
	if err != nil {
		return fmt.Errorf("store: end sessions: %w", err)
	}
	return nil
}

// Throttle counts a try under a key and refuses, with the seconds to wait, when there were more than most in the
// window. The window stands still while tries go on, so nobody is ever locked out for longer than one.
func (s *Store) Throttle(ctx context.Context, key string, most int, window time.Duration, now time.Time) error {
	var tries int
	var starts time.Time
	// A count that a power cut takes is no loss: nobody waits for the disk for it.
	var batch pgx.Batch
	batch.Queue(`SELECT set_config('synchronous_commit', 'off', true)`)
	batch.Queue(`INSERT INTO throttle AS t (key, starts_at, tries) VALUES ($1, $2, 1)
		ON CONFLICT (key) DO UPDATE SET tries = CASE WHEN t.starts_at <= $3 THEN 1 ELSE t.tries + 1 END,
			starts_at = CASE WHEN t.starts_at <= $3 THEN $2 ELSE t.starts_at END
		RETURNING tries, starts_at`, key, now, now.Add(-window)).QueryRow(func(row pgx.Row) error { return row.Scan(&tries, &starts) })
	if err := s.pool.SendBatch(ctx, &batch).Close(); err != nil {
		return fmt.Errorf("store: throttle: %w", err)
	}
	if tries > most {
		wait := int(starts.Add(window).Sub(now).Seconds()) + 1
		return &fault.Fault{Kind: fault.TooMany, Message: fmt.Sprintf("That was tried too often. Try again in %s.", wordsFor(wait)), RetryAfter: wait}
	}
	return nil
}

func wordsFor(seconds int) string {
	if seconds == 1 {
		return "a second"
	}
	if seconds <= 90 {
		return fmt.Sprintf("%d seconds", seconds)
	}
	return fmt.Sprintf("%d minutes", (seconds+59)/60)
}

// ClearThrottle forgets the tries under keys, after one that went well, and sweeps counts that are older than a day,
// longer than any window.
func (s *Store) ClearThrottle(ctx context.Context, now time.Time, keys ...string) error {
	if _, err := s.pool.Exec(ctx, `DELETE FROM throttle WHERE key = ANY ($1::text[]) OR starts_at < $2`, keys, now.Add(-24*time.Hour)); err != nil {
		return fmt.Errorf("store: throttle: %w", err)
	}
	return nil
}

func foldEmail(email string) string { return strings.ToLower(strings.TrimSpace(email)) }
