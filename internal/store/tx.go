package store

import (
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"github.com/shopspring/decimal"

	"example.org/stillroom/internal/access"
	"example.org/stillroom/internal/day"
	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/measure"
)

// Who acts: a person at a device, or a program on behalf of a workshop.
type Who struct {
	Workshop  WorkshopID
	Person    PersonID // zero for a program
	Name      string
	Role      access.Role
	Actor     string // person, token, command or system
	Device    string
	RequestID string
	// RecordTime names another moment than now. The database honours it only for the owner role (the demo's seed);
	// for the serving role it is ignored.
	RecordTime time.Time
}

// Entry makes a form stored once, however often it is sent. The zero Entry is for programs that do not retry.
type Entry struct {
	Key     uuid.UUID
	Payload [sha256.Size]byte
}

// Change kinds. Correct and void need a reason; the database refuses them without.
const (
	create   = "create"
	progress = "progress"
	correct  = "correct"
	void     = "void"
)

// Workshop is one maker's business with its settings.
type Workshop struct {
	ID           WorkshopID
	Code         string
	Name         string
	Zone         string
	CodePattern  string
	SoonDays     int
	ReadabilityG decimal.Decimal
	MinLoadG     decimal.Decimal
	IsDemo       bool
	Named        bool
	Style        measure.Style
	DrillMinutes int    // from the start of a drill to its full list, as the workshop wants to manage it; 0 for none
	Contact      string // as it stands under a letter or a notice
	Markets      string // where it sells: eu, uk, us, apart by commas; empty where nobody said
	USSmall      *bool  // a small business in the sense of the US cosmetics law; nil where nobody said
}

// Location is the workshop's zone; an unknown name is UTC.
func (w Workshop) Location() *time.Location {
	if loc, err := time.LoadLocation(w.Zone); err == nil {
		return loc
	}
	return time.UTC
}

// tx is a transaction that records: it has one change row, under which triggers write the trail.
type tx struct {
	pgx.Tx
	who      Who
	change   ChangeID
	now      time.Time // the record's time, by the database's clock
	today    day.Day   // in the workshop's zone
	workshop Workshop
	result   string // what the caller gets again when the same entry is sent again
}

const workshopColumns = `id, code, name, zone, code_pattern, soon_days, readability_g, min_load_g, is_demo, named, mass_unit, temp_unit, date_style, coalesce(drill_minutes, 0), coalesce(contact, ''), coalesce(markets, ''), us_small_business`

func scanWorkshop(row pgx.Row) (Workshop, error) {
	var w Workshop
	err := row.Scan(&w.ID, &w.Code, &w.Name, &w.Zone, &w.CodePattern, &w.SoonDays, &w.ReadabilityG, &w.MinLoadG, &w.IsDemo, &w.Named, &w.Style.Mass, &w.Style.Temperature, &w.Style.Date,
		&w.DrillMinutes, &w.Contact, &w.Markets, &w.USSmall)
	return w, err
}

// write runs one recorded transaction. With an entry key it is stored once: the same key and payload again answers
// the first result and changes nothing; the same key with another payload is a conflict.
func (s *Store) write(ctx context.Context, who Who, kind, reason string, entry Entry, do func(*tx) error) (string, error) {
	var result string
	err := pgx.BeginFunc(ctx, s.pool, func(pg pgx.Tx) error {
		t := &tx{Tx: pg, who: who, change: newID[ChangeID]()}
		repeated, err := t.begin(ctx, kind, reason, entry)
		if err != nil {
			return err
		}
		if repeated {
			result = t.result
			return nil
		}
		if err := do(t); err != nil {
			return err
		}
		result = t.result
		if entry.Key != uuid.Nil && t.result != "" {
			_, err = t.Exec(ctx, `UPDATE entry_key SET result = $3 WHERE workshop_id = $1 AND key = $2`, who.Workshop, entry.Key, t.result)
		}
		return err
	})
	return result, err
}

func (t *tx) begin(ctx context.Context, kind, reason string, entry Entry) (repeated bool, err error) {
	recordTime := ""
	if !t.who.RecordTime.IsZero() {
		recordTime = t.who.RecordTime.UTC().Format(time.RFC3339Nano)
	}
	var person *PersonID
	if t.who.Person != (PersonID{}) {
		person = &t.who.Person
	}
	b := &pgx.Batch{}
	b.Queue(`SELECT set_config('app.workshop_id', $1::text, true), set_config('app.change_id', $2::text, true), set_config('app.record_time', $3::text, true)`,
		Text(t.who.Workshop), Text(t.change), recordTime)
	b.Queue(`SELECT `+workshopColumns+` FROM workshop WHERE id = $1`, t.who.Workshop)
	stored := true
	if entry.Key != uuid.Nil {
		b.Queue(`INSERT INTO entry_key (workshop_id, key, payload, change_id) VALUES ($1, $2, $3, $4) ON CONFLICT DO NOTHING`,
			t.who.Workshop, entry.Key, entry.Payload[:], t.change)
	}
	// The change row is written after the entry key, and only where that one is ours: a repeated form leaves no empty change
	// behind.
	b.Queue(`INSERT INTO change (workshop_id, id, kind, actor, person_id, role, device, request_id, reason)
		SELECT $1::uuid, $2::uuid, $3::text, $4::text, $5::uuid, $6::text, $7::text, $8::text, $9::text
		 WHERE $10::uuid = $11::uuid OR EXISTS (SELECT FROM entry_key k WHERE k.workshop_id = $1 AND k.key = $10 AND k.change_id = $2) RETURNING at`,
		t.who.Workshop, t.change, kind, t.who.Actor, person, string(t.who.Role), t.who.Device, t.who.RequestID, reason, entry.Key, uuid.Nil)
	results := t.SendBatch(ctx, b)
	if _, err = results.Exec(); err == nil {
		t.workshop, err = scanWorkshop(results.QueryRow())
	}
	if err == nil && entry.Key != uuid.Nil {
		tag, e := results.Exec()
		stored, err = tag.RowsAffected() == 1, e
	}
	if err == nil && stored {
		err = results.QueryRow().Scan(&t.now)
	}
	if e := results.Close(); err == nil {
		err = e
	}
	switch {
	case t.workshop.ID == (WorkshopID{}) && errors.Is(err, pgx.ErrNoRows):
		return false, fault.New(fault.NotFound, "There is no such workshop.")
	case constraint(err) == "change_reason":
		return false, fault.In("reason", "Say why: the old value is kept beside the new one.")
	case err != nil:
		return false, fmt.Errorf("store: begin: %w", err)
	case !stored:
		return true, t.repeat(ctx, entry)
	}
	t.today = day.In(t.now, t.workshop.Location())
	return false, nil
}

func (t *tx) repeat(ctx context.Context, entry Entry) error {
	var payload []byte
	err := t.QueryRow(ctx, `SELECT payload, result FROM entry_key WHERE workshop_id = $1 AND key = $2`, t.who.Workshop, entry.Key).Scan(&payload, &t.result)
	if err != nil {
		return fmt.Errorf("store: entry key: %w", err)
	}
	if string(payload) != string(entry.Payload[:]) {
		as := ""
		if _, err := uuid.Parse(t.result); t.result != "" && err != nil { // a code, which people know, and no id
			as = ", as " + t.result
		}
		return fault.New(fault.Invalid, "This form was saved before with other values"+as+". What was saved stands. If what stands here now is true, open that entry and save it there as a correction.")
	}
	return nil
}

// reading and settling begin a transaction and name its workshop in one round trip. An id is written in hexadecimal
// digits and dashes only, so that it may stand in the text.
func reading(workshop WorkshopID) pgx.TxOptions {
	return pgx.TxOptions{BeginQuery: "begin isolation level repeatable read read only; SELECT set_config('app.workshop_id', '" + Text(workshop) + "', true)"}
}

func settling(workshop WorkshopID) pgx.TxOptions {
	return pgx.TxOptions{BeginQuery: "begin; SELECT set_config('app.workshop_id', '" + Text(workshop) + "', true)"}
}

// read runs queries for one workshop against one snapshot.
func (s *Store) read(ctx context.Context, workshop WorkshopID, do func(pgx.Tx) error) error {
	return pgx.BeginTxFunc(ctx, s.pool, reading(workshop), do)
}

// settle runs a transaction that touches no records (sessions, links, plans): no change row, no trail.
func (s *Store) settle(ctx context.Context, workshop WorkshopID, do func(pgx.Tx) error) error {
	return pgx.BeginTxFunc(ctx, s.pool, settling(workshop), do)
}

// notFound turns a missing row into a fault with words; other errors pass.
func notFound(err error, words string) error {
	if errors.Is(err, pgx.ErrNoRows) {
		return fault.New(fault.NotFound, words)
	}
	return err
}

// nextNumber gives the next number of a scope, with $1 the workshop and $2 the scope. The row lock orders concurrent callers;
// a number is never given twice.
const nextNumber = `INSERT INTO code_counter AS c (workshop_id, scope, last) VALUES ($1, $2, 1)
		ON CONFLICT (workshop_id, scope) DO UPDATE SET last = c.last + 1 RETURNING last`

func (t *tx) next(ctx context.Context, scope string) (int, error) {
	var n int
	err := t.QueryRow(ctx, nextNumber, t.who.Workshop, scope).Scan(&n)
	return n, err
}

// nextCode is a WITH that numbers a row in the statement that stores it: others of the workshop wait for the number until
// we commit, and so for one round trip less. The code is taken from n; from 100,000 on it is longer.
func nextCode(letters string) string {
	return `WITH n AS (` + nextNumber + `), numbered AS (SELECT '` + letters + `-' || lpad(last::text, greatest(5, length(last::text)), '0') AS code FROM n) `
}

// index replaces what the look-up box finds for a target.
func (t *tx) index(ctx context.Context, kind string, target any, keys ...string) error {
	if _, err := t.Exec(ctx, `DELETE FROM search_key WHERE workshop_id = $1 AND kind = $2 AND target_id = $3`, t.who.Workshop, kind, target); err != nil {
		return err
	}
	seen := map[string]bool{}
	unique := keys[:0:0]
	for _, key := range keys {
		if key != "" && !seen[key] {
			seen[key] = true
			unique = append(unique, key)
		}
	}
	_, err := t.Exec(ctx, `INSERT INTO search_key (workshop_id, key, kind, target_id) SELECT $1, k, $2, $3 FROM unnest($4::text[]) k`,
		t.who.Workshop, kind, target, unique)
	return err
}
