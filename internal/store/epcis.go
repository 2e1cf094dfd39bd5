package store

import (
	"context"
	"encoding/base64"
	"fmt"
	"io"
	"strconv"
	"strings"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"github.com/shopspring/decimal"

	"example.org/stillroom/internal/day"
	"example.org/stillroom/internal/epcis"
	"example.org/stillroom/internal/fault"
)

// epcisScope is what a document of a lot, a batch or a recall holds, by what is read of it.
type epcisScope struct {
	received   [][16]byte // lots whose delivery is told
	moved      [][16]byte // lots whose counts and write-offs are told
	filled     [][16]byte // tubs of which everything filled in is told
	lots       [][16]byte // lots of which everything drawn is told
	into       [][16]byte // batches of which everything put in is told
	drawn      [][16]byte // batches of which everything drawn is told
	batches    [][16]byte // batches whose making and climate are told
	bulk       [][16]byte // batches whose bulk moves are told
	packed     [][16]byte // packings that are told, with their packaging
	dispatched [][16]byte // packings of which all that left, came back or was drawn is told
}

// lists are the arguments of epcisScoped behind the workshop, $2 to $11.
func (s epcisScope) lists() []any {
	return []any{s.received, s.moved, s.filled, s.lots, s.into, s.drawn, s.batches, s.bulk, s.packed, s.dispatched}
}

// ofBatch is a batch with everything in it: deliveries of its lots, its making and that of its source batches, its packings,
// what was drawn from it, what was sent and what came back. Where its source batches' own units went is not part of it.
func (s *epcisScope) ofBatch(ctx context.Context, t pgx.Tx, workshop WorkshopID, origin node) error {
	own, err := withPackings(ctx, t, workshop, BatchID(origin.ID))
	if err != nil {
		return err
	}
	set, err := reach(ctx, t, workshop, reachBackward, own...)
	if err != nil {
		return err
	}
	s.received, s.filled, s.into, s.batches, s.packed = set["lot"], set["lot"], set["batch"], set["batch"], set["packing"]
	s.drawn, s.bulk = [][16]byte{origin.ID}, [][16]byte{origin.ID}
	for _, n := range own[1:] {
		s.dispatched = append(s.dispatched, n.ID)
	}
	return nil
}

// ofReached is where lots or batches went: everything drawn from what was reached, and all that was packed of it and sent.
func (s *epcisScope) ofReached(ctx context.Context, t pgx.Tx, workshop WorkshopID, set reached) error {
	rows, err := t.Query(ctx, `SELECT h.id FROM `+affectedIDs, workshop, set["batch"], set["packing"])
	if err != nil {
		return err
	}
	packings, err := pgx.CollectRows(rows, pgx.RowTo[[16]byte])
	if err != nil {
		return err
	}
	s.frozen(set["lot"], set["batch"], packings)
	return nil
}

// frozen is a scope whose nodes are known: that of a recall, as it was frozen.
func (s *epcisScope) frozen(lots, batches, packings [][16]byte) {
	s.received, s.moved, s.lots = lots, lots, lots
	s.drawn, s.batches, s.bulk = batches, batches, batches
	s.packed, s.dispatched = packings, packings
}

// EPCISOf writes the EPCIS document of a lot, a supplier's lot or a batch, event by event, from one snapshot. created is the
// time that it bears. A lot's tells where it went, a batch's what is in it and where it went.
func (s *Store) EPCISOf(ctx context.Context, workshop WorkshopID, start TraceStart, created time.Time, out io.Writer) error {
	err := s.epcisScoped(ctx, workshop, created, out, func(t pgx.Tx, scope *epcisScope) error {
		_, origins, err := start.find(ctx, t, workshop)
		if err != nil {
			return err
		}
		if start.Kind == "batch" {
			return scope.ofBatch(ctx, t, workshop, origins[0])
		}
		set, err := reach(ctx, t, workshop, reachForward, origins...)
		if err != nil {
			return err
		}
		return scope.ofReached(ctx, t, workshop, set)
	})
	if err != nil {
		return fmt.Errorf("store: EPCIS of %s %q: %w", start.Kind, start.Code, err)
	}
	return nil
}

// EPCISOfRecall writes that of a recall or a drill: its scope as it was frozen, with all that happened to it until now.
func (s *Store) EPCISOfRecall(ctx context.Context, workshop WorkshopID, number int, created time.Time, out io.Writer) error {
	err := s.epcisScoped(ctx, workshop, created, out, func(t pgx.Tx, scope *epcisScope) error {
		r, err := recallByNumber(ctx, t, workshop, number)
		if err != nil {
			return err
		}
		rows, err := t.Query(ctx, `SELECT CASE WHEN lot_id IS NOT NULL THEN 'lot' WHEN batch_id IS NOT NULL THEN 'batch' ELSE 'packing' END, coalesce(lot_id, batch_id, packing_id)
			FROM recall_scope WHERE workshop_id = $1 AND recall_id = $2`, workshop, r.ID)
		if err != nil {
			return err
		}
		nodes, err := pgx.CollectRows(rows, pgx.RowToStructByPos[node])
		if err != nil {
			return err
		}
		set := reached{}
		for _, n := range nodes {
			set[n.Kind] = append(set[n.Kind], n.ID)
		}
		scope.frozen(set["lot"], set["batch"], set["packing"])
		return nil
	})
	if err != nil {
		return fmt.Errorf("store: EPCIS of recall %d: %w", number, err)
	}
	return nil
}

// EPCISDays is which events EPCISPage gives: those of days from From to To, both included and either empty. A lot is of the
// day it came, what went into a batch and its climate of the day the batch was begun, packaging of the day of packing.
type EPCISDays struct {
	From, To day.Day
	PerPage  int    // between 1 and EPCISPageMost
	Token    string // of the page before, empty for the first
}

// EPCISPageMost is the most events that a page has.
const EPCISPageMost = 1000

// FieldNextPageToken is where the fault of a token stands.
const FieldNextPageToken = "nextPageToken"

// EPCISPage writes a page of the events of some days, by key, and answers the token of the next page, empty behind the last.
func (s *Store) EPCISPage(ctx context.Context, workshop WorkshopID, days EPCISDays, created time.Time, out io.Writer) (next string, err error) {
	from, to, after := days.From, days.To, epcisKey{day: days.From}
	if from.IsZero() {
		from = day.Must("1900-01-01")
		after.day = from
	}
	if to.IsZero() {
		to = day.Must("2199-12-31")
	}
	if days.Token != "" {
		if after, err = epcisKeyOf(days.Token); err != nil {
			return "", err
		}
		if from.Before(after.day) {
			from = after.day // or the index would be read from the first day on for each page
		}
	}
	err = s.readStandby(ctx, workshop, func(t pgx.Tx) error {
		w := epcisWriter{document: epcis.NewWriter(out, created), most: days.PerPage}
		if err := w.write(ctx, t, workshop, epcisRanged, from, to, after.day, int(after.kind), after.id, days.PerPage+1); err != nil {
			return err
		}
		if w.more {
			next = w.last.token()
		}
		return nil
	})
	if err != nil {
		return "", fmt.Errorf("store: EPCIS page: %w", err)
	}
	return next, nil
}

// epcisKey is where an event stands in the order of documents.
type epcisKey struct {
	day  day.Day
	kind epcis.Kind
	id   uuid.UUID
}

func (k epcisKey) token() string {
	return base64.RawURLEncoding.EncodeToString([]byte(k.day.String() + " " + strconv.Itoa(int(k.kind)) + " " + k.id.String()))
}

func epcisKeyOf(token string) (k epcisKey, err error) {
	text, err := base64.RawURLEncoding.DecodeString(token)
	parts := strings.Split(string(text), " ")
	if err == nil && len(parts) == 3 {
		var kind int
		k.day, err = day.Parse(parts[0])
		if err == nil {
			kind, err = strconv.Atoi(parts[1])
			k.kind = epcis.Kind(kind)
		}
		if err == nil {
			k.id, err = uuid.Parse(parts[2])
		}
		if err == nil && k.token() == token && k.kind >= 0 && k.kind <= epcis.UnitsMoved {
			return k, nil
		}
	}
	return epcisKey{}, fault.In(FieldNextPageToken, "This is no token of a page here. Ask for the first page without one.")
}

// epcisScoped finds a scope and writes its events.
func (s *Store) epcisScoped(ctx context.Context, workshop WorkshopID, created time.Time, out io.Writer, find func(pgx.Tx, *epcisScope) error) error {
	return s.readStandby(ctx, workshop, func(t pgx.Tx) error {
		var scope epcisScope
		if err := find(t, &scope); err != nil {
			return err
		}
		w := epcisWriter{document: epcis.NewWriter(out, created)}
		return w.write(ctx, t, workshop, epcisScoped, scope.lists()...)
	})
}

// epcisWriter turns rows into events as they come from the database, so that no more than one is held.
type epcisWriter struct {
	document *epcis.Writer
	most     int // events, 0 for all
	more     bool
	last     epcisKey
}

func (w *epcisWriter) write(ctx context.Context, t pgx.Tx, workshop WorkshopID, query string, args ...any) error {
	house, err := scanWorkshop(t.QueryRow(ctx, `SELECT `+workshopColumns+` FROM workshop WHERE id = $1`, workshop))
	if err != nil {
		return err
	}
	site := epcis.Site{Workshop: uuid.UUID(workshop), Zone: house.Location()}
	if _, err := t.Exec(ctx, `SELECT set_config('work_mem', '32MB', true), set_config('jit', 'off', true)`); err != nil {
		return err
	}
	rows, err := t.Query(ctx, query, append([]any{workshop}, args...)...)
	if err != nil {
		return err
	}
	defer rows.Close()
	for n := 0; rows.Next(); n++ {
		if w.more = w.most > 0 && n == w.most; w.more {
			break
		}
		entry, key, err := scanEPCIS(rows, site.Zone)
		if err != nil {
			return err
		}
		if err := w.document.Add(entry.Event(site)); err != nil {
			return err
		}
		w.last = key
	}
	rows.Close()
	if err := rows.Err(); err != nil {
		return err
	}
	return w.document.Close()
}

// scanEPCIS reads a row of epcisRow.
func scanEPCIS(rows pgx.Rows, zone *time.Location) (epcis.Entry, epcisKey, error) {
	var (
		e                            epcis.Entry
		key                          epcisKey
		at, replaced                 *time.Time
		into, party, dispatch, by    *uuid.UUID
		ofCode, ofGTIN, intoCode     *string
		intoGTIN, unit, lot, reason  *string
		best                         day.Day
		quantity, temperature, humid decimal.NullDecimal
	)
	err := rows.Scan(&key.day, &e.Kind, &e.ID, &at, &e.Recorded, &e.Of.ID, &ofCode, &ofGTIN, &into, &intoCode, &intoGTIN, &quantity, &unit, &party, &dispatch, &lot, &best, &reason, &temperature, &humid, &replaced, &by)
	if err != nil {
		return e, key, err
	}
	key.kind, key.id = e.Kind, e.ID
	e.At = key.day.Start(zone)
	if at != nil {
		e.At = *at
	}
	if replaced != nil {
		e.Replaced, e.By = *replaced, *by
	}
	e.Of.Code, e.Of.GTIN = orZero(ofCode), orZero(ofGTIN)
	e.Into = epcis.Thing{ID: orZero(into), Code: orZero(intoCode), GTIN: orZero(intoGTIN)}
	e.Party, e.Dispatch = orZero(party), orZero(dispatch)
	e.Quantity, e.TempC, e.HumidPct = quantity, temperature, humid
	e.Unit, e.Lot, e.Best, e.Reason = orZero(unit), orZero(lot), best.String(), orZero(reason)
	return e, key, nil
}

// orZero is the zero value where the database has none.
func orZero[T any](v *T) T {
	if v == nil {
		var none T
		return none
	}
	return *v
}
