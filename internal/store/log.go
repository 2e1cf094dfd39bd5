package store

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"sort"
	"strings"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"github.com/shopspring/decimal"

	"example.org/stillroom/internal/day"
	"example.org/stillroom/internal/equipment"
	"example.org/stillroom/internal/fault"
)

// LogKinds are what an entry of the log may be about, in the order in which forms show it.
var LogKinds = []string{"cleaning", "check", "maintenance", "pest", "water", "training", "other"}

// LogKindWords is what people call them.
var LogKindWords = map[string]string{"cleaning": "Cleaning", "check": "Check", "maintenance": "Maintenance", "pest": "Pests", "water": "Water", "training": "Training", "other": "Other"}

// LogEntry is one entry of the workshop's log.
type LogEntry struct {
	ID            LogEntryID
	Kind          string // one of LogKinds
	Equipment     string // code; empty where it is about something else
	EquipmentName string
	About         string // what or who else: "Bench and sink", "Mains tap", a name
	HappenedAt    time.Time
	Result        string // fine, attention, failed
	Words         string
	ReferenceG    decimal.NullDecimal // of a scale's check: the mass put on it,
	ShownG        decimal.NullDecimal // what it showed,
	ToleranceG    decimal.NullDecimal // and how far off that might be
	NextOn        day.Day             // when the same is due next
	Made
	Withdrawn bool
	Replaced  bool // corrected by another entry
}

// Subject is what or whom the entry is about, in words.
func (e LogEntry) Subject() string {
	if e.Equipment == "" {
		return e.About
	}
	return e.EquipmentName + " (" + e.Equipment + ")"
}

// Late tells whether it was written down on a later day than it happened, in the workshop's zone.
func (e LogEntry) Late(zone *time.Location) bool {
	return day.In(e.HappenedAt, zone).Before(day.In(e.Made.At, zone))
}

// notReplaced keeps entries that stand, and those that were taken back; a corrected one is told by its successor.
const notReplaced = `(g.replaced_by IS NULL OR g.replaced_by = g.id)`

func queryLog(ctx context.Context, t pgx.Tx, where string, args ...any) ([]LogEntry, error) {
	rows, err := t.Query(ctx, `SELECT g.id, g.kind, coalesce(e.code, ''), coalesce(e.name, ''), g.about, g.happened_at, g.result, g.words, g.reference_g, g.shown_g, g.tolerance_g, g.next_on,
			coalesce(p.name, c.actor), c.at, coalesce(g.replaced_by = g.id, false), coalesce(g.replaced_by <> g.id, false)
		FROM log_entry g LEFT JOIN equipment e ON e.workshop_id = g.workshop_id AND e.id = g.equipment_id
		JOIN change c ON c.workshop_id = g.workshop_id AND c.id = g.change_id LEFT JOIN person p ON p.workshop_id = c.workshop_id AND p.id = c.person_id `+where, args...)
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, func(row pgx.CollectableRow) (LogEntry, error) {
		var e LogEntry
		err := row.Scan(&e.ID, &e.Kind, &e.Equipment, &e.EquipmentName, &e.About, &e.HappenedAt, &e.Result, &e.Words, &e.ReferenceG, &e.ShownG, &e.ToleranceG, &e.NextOn, &e.By, &e.Made.At, &e.Withdrawn, &e.Replaced)
		return e, err
	})
}

// LogFilter chooses what a page of the log lists; the zero filter is everything.
type LogFilter struct {
	Kind      string
	Equipment string // code
}

// Log is a page of at most limit entries by when it happened, the newest first, behind a key; those that were taken back are marked
// so. next is the key that the next page begins behind, empty for none.
func (s *Store) Log(ctx context.Context, workshop WorkshopID, filter LogFilter, after MomentKey, limit int) (list []LogEntry, next string, err error) {
	at, id := after.bounds()
	where, args := `WHERE g.workshop_id = $1 AND `+notReplaced+` AND (g.happened_at, g.id) < ($2, $3)`, []any{workshop, at, id, limit + 1}
	err = s.read(ctx, workshop, func(t pgx.Tx) error {
		if filter.Kind != "" {
			args = append(args, filter.Kind)
			where += fmt.Sprintf(` AND g.kind = $%d`, len(args))
		}
		if filter.Equipment != "" {
			e, err := equipmentByCode(ctx, t, workshop, filter.Equipment)
			if err != nil {
				return err
			}
			args = append(args, e.ID)
			where += fmt.Sprintf(` AND g.equipment_id = $%d`, len(args))
		}
		list, err = queryLog(ctx, t, where+` ORDER BY g.happened_at DESC, g.id DESC LIMIT $4`, args...)
		return err
	})
	if err != nil {
		return nil, "", fmt.Errorf("store: log: %w", err)
	}
	list, next = cut(list, limit, func(e LogEntry) string { return MomentKey{e.HappenedAt, uuid.UUID(e.ID)}.String() })
	return list, next, nil
}

// LogPage is one entry with what was changed in it.
type LogPage struct {
	LogEntry
	Author  PersonID // zero for a program
	Now     string   // the id of the entry that stands in its place, where it was corrected
	History []RowChange
}

// LogEntry reads one entry, also one that was corrected or taken back.
func (s *Store) LogEntry(ctx context.Context, workshop WorkshopID, id LogEntryID) (LogPage, error) {
	var p LogPage
	err := s.read(ctx, workshop, func(t pgx.Tx) error {
		list, err := queryLog(ctx, t, `WHERE g.workshop_id = $1 AND g.id = $2`, workshop, id)
		if err != nil {
			return err
		}
		if len(list) == 0 {
			return fault.New(fault.NotFound, "That is not in the log.")
		}
		p.LogEntry = list[0]
		var by *PersonID
		if err := t.QueryRow(ctx, `SELECT c.person_id, CASE WHEN g.replaced_by <> g.id THEN g.replaced_by::text ELSE '' END FROM log_entry g JOIN change c ON c.workshop_id = g.workshop_id AND c.id = g.change_id
			WHERE g.workshop_id = $1 AND g.id = $2`, workshop, id).Scan(&by, &p.Now); err != nil {
			return err
		}
		if by != nil {
			p.Author = *by
		}
		p.History, err = history(ctx, t, workshop, "log_entry", id)
		return err
	})
	if err != nil {
		return LogPage{}, fmt.Errorf("store: log entry: %w", err)
	}
	return p, nil
}

// NewLogEntry is something to write into the log.
type NewLogEntry struct {
	Kind       string
	Equipment  string // code; or
	About      string // what or who else
	At         time.Time
	Result     string // fine, attention, failed; may be left out where two masses say it
	Words      string
	ReferenceG decimal.NullDecimal
	ShownG     decimal.NullDecimal
	ToleranceG decimal.NullDecimal // two readabilities of the scale where it is left out
	NextOn     day.Day
}

// logged is a checked entry.
type logged struct {
	NewLogEntry
	equipment *EquipmentID
}

// AddLogEntry writes into the log. A scale's check whose mass is off by more than the tolerance has failed, whatever is
// said of it. Faults: kind, equipment, about, at, result, words, reference, shown, tolerance, next_on.
func (s *Store) AddLogEntry(ctx context.Context, who Who, entry Entry, n NewLogEntry) (LogEntryID, error) {
	text, err := s.write(ctx, who, create, "", entry, func(t *tx) error {
		g, err := t.logEntry(ctx, n)
		if err != nil {
			return err
		}
		id := newID[LogEntryID]()
		t.result = Text(id)
		return t.insertLog(ctx, id, g)
	})
	if err != nil {
		return LogEntryID{}, fmt.Errorf("store: add log entry: %w", err)
	}
	return ParseID[LogEntryID](text)
}

func (t *tx) insertLog(ctx context.Context, id LogEntryID, g logged) error {
	_, err := t.Exec(ctx, `INSERT INTO log_entry (workshop_id, id, kind, equipment_id, about, happened_at, result, words, reference_g, shown_g, tolerance_g, next_on, change_id)
		VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13)`,
		t.who.Workshop, id, g.Kind, g.equipment, g.About, g.At, g.Result, g.Words, g.ReferenceG, g.ShownG, g.ToleranceG, g.NextOn, t.change)
	return err
}

// Check tells everything at once that cannot be right in an entry about equipment (zero for none), as of a moment in the
// workshop's zone. The faults are those of AddLogEntry.
func (n NewLogEntry) Check(gear Equipment, now time.Time, zone *time.Location) error {
	var f fault.Fields
	n.settle(&f, gear, now, zone)
	return f.Err()
}

// settle fills in what was left open and notes what is off.
func (n *NewLogEntry) settle(f *fault.Fields, e Equipment, now time.Time, zone *time.Location) {
	if !slices.Contains(LogKinds, n.Kind) {
		f.Add("kind", "Choose what was done.")
	}
	if n.Equipment != "" {
		n.About = ""
	} else if n.About = strings.TrimSpace(n.About); n.About == "" {
		f.Add("about", "What or who was it about?")
	}
	checkLength(f, "about", n.About, 200)
	checkWords(f, "words", n.Words)
	switch {
	case n.At.IsZero():
		n.At = now
	case n.At.After(now.Add(time.Minute)):
		f.Add("at", "That time has not come yet.")
	case n.At.Before(now.AddDate(-longAgo, 0, 0)):
		f.Add("at", fmt.Sprintf("That is more than %d years ago. Look at the year once more.", longAgo))
	}
	if !n.NextOn.IsZero() && n.NextOn.Before(day.In(n.At, zone)) {
		f.Add("next_on", "It is due again after it was done, not before.")
	}
	n.weighed(f, e)
	if !slices.Contains([]string{"fine", "attention", "failed"}, n.Result) {
		f.Add("result", "How was it: fine, to be watched, or failed?")
	} else if n.Result != "fine" && !n.ReferenceG.Valid && strings.TrimSpace(n.Words) == "" {
		f.Add("words", "Say what was off.")
	}
}

func (t *tx) logEntry(ctx context.Context, n NewLogEntry) (logged, error) {
	var f fault.Fields
	g := logged{NewLogEntry: n}
	var e Equipment
	if n.Equipment != "" {
		var err error
		if e, err = equipmentByCode(ctx, t, t.who.Workshop, n.Equipment); fault.Is(err, fault.NotFound) {
			f.Add("equipment", fault.As(err).Message)
		} else if err != nil {
			return g, err
		}
		g.equipment = &e.ID
	}
	g.settle(&f, e, t.now, t.workshop.Location())
	if err := f.Err(); err != nil || g.equipment != nil {
		return g, err
	}
	return g, t.sameSubject(ctx, &g)
}

// weighed checks the masses of a scale's check and lets them decide.
func (n *NewLogEntry) weighed(f *fault.Fields, e Equipment) {
	if !n.ReferenceG.Valid && !n.ShownG.Valid {
		n.ToleranceG = decimal.NullDecimal{}
		return
	}
	switch {
	case n.Kind != "check" || n.Equipment != "" && e.Code != "" && e.Kind != "scale" || n.Equipment == "":
		f.Add("reference", "Only the check of a scale takes masses.")
	case !n.ReferenceG.Valid:
		f.Add("reference", "Which mass was put on it?")
	case !n.ReferenceG.Decimal.IsPositive() || n.ReferenceG.Decimal.GreaterThan(mostG):
		f.Add("reference", "Which mass was put on it? Write more than 0.")
	}
	if !n.ShownG.Valid {
		f.Add("shown", "What did the scale show?")
	} else if n.ShownG.Decimal.Abs().GreaterThan(mostG) {
		f.Add("shown", "That is more than a hundred tonnes.")
	}
	if !n.ToleranceG.Valid {
		n.ToleranceG = decimal.NewNullDecimal(equipment.ToleranceG(e.ReadabilityG.Decimal))
	} else if n.ToleranceG.Decimal.IsNegative() || n.ToleranceG.Decimal.GreaterThan(mostG) {
		f.Add("tolerance", "How far off may it be? Write 0 or more.")
	}
	if !n.ReferenceG.Valid || !n.ShownG.Valid {
		if n.Result == "" {
			n.Result = "fine" // what cannot be judged yet is not asked twice
		}
		return
	}
	switch passed := equipment.Passed(n.ReferenceG.Decimal, n.ShownG.Decimal, n.ToleranceG.Decimal); {
	case !passed:
		n.Result = "failed"
	case n.Result == "":
		n.Result = "fine"
	}
}

// sameSubject writes what it is about as the last entry of the kind did: what is due again is told by it.
func (t *tx) sameSubject(ctx context.Context, g *logged) error {
	err := t.QueryRow(ctx, `SELECT about FROM log_entry WHERE workshop_id = $1 AND kind = $2 AND equipment_id IS NULL AND replaced_by IS NULL AND lower(about) = lower($3) ORDER BY happened_at DESC LIMIT 1`,
		t.who.Workshop, g.Kind, g.About).Scan(&g.About)
	if errors.Is(err, pgx.ErrNoRows) {
		return nil
	}
	return err
}

// LogCorrection replaces an entry of the log, or takes it back.
type LogCorrection struct {
	ID       LogEntryID
	Entry    NewLogEntry
	Withdraw bool
	Reason   string
}

// CorrectLogEntry keeps the old entry beside the new one. A helper may correct what they wrote themselves today.
// It answers the id of the entry that stands now, the old one's where it was taken back.
func (s *Store) CorrectLogEntry(ctx context.Context, who Who, entry Entry, c LogCorrection) (LogEntryID, error) {
	text, err := s.write(ctx, who, correct, c.Reason, entry, func(t *tx) error {
		var by *PersonID
		var at time.Time
		var replaced bool
		// The row is locked, so that of two corrections at once one is told.
		if err := t.QueryRow(ctx, `SELECT c.person_id, c.at, g.replaced_by IS NOT NULL FROM log_entry g JOIN change c ON c.workshop_id = g.workshop_id AND c.id = g.change_id
			WHERE g.workshop_id = $1 AND g.id = $2 FOR NO KEY UPDATE OF g`, who.Workshop, c.ID).Scan(&by, &at, &replaced); err != nil {
			return notFound(err, "That is not in the log.")
		}
		if replaced {
			return fault.New(fault.Conflict, "This was corrected or taken back meanwhile. Look at what stands now.")
		}
		if err := t.mayCorrect(by, at); err != nil {
			return err
		}
		var f fault.Fields
		if checkWords(&f, "reason", c.Reason); f.Any() {
			return f.Err()
		}
		next := c.ID // its own id: taken back
		var g logged
		if !c.Withdraw {
			var err error
			if g, err = t.logEntry(ctx, c.Entry); err != nil {
				return err
			}
			next = newID[LogEntryID]()
		}
		t.result = Text(next)
		if _, err := t.Exec(ctx, `UPDATE log_entry SET replaced_by = $3 WHERE workshop_id = $1 AND id = $2`, who.Workshop, c.ID, next); err != nil || c.Withdraw {
			return err
		}
		return t.insertLog(ctx, next, g)
	})
	if err != nil {
		return LogEntryID{}, fmt.Errorf("store: correct log entry: %w", err)
	}
	return ParseID[LogEntryID](text)
}

// LogHabit is what a form for an entry starts with.
type LogHabit struct {
	Every  int       // days between the last two times, or the check's own; 0 for not known
	LastOn day.Day   // when it was last done
	Gear   Equipment // where it is about equipment
}

// LogHabit is how often something is done, as of a day.
func (s *Store) LogHabit(ctx context.Context, workshop WorkshopID, kind, code, about string, on day.Day) (LogHabit, error) {
	var h LogHabit
	err := s.read(ctx, workshop, func(t pgx.Tx) error {
		w, err := workshopIn(ctx, t, workshop)
		if err != nil {
			return err
		}
		var id *EquipmentID
		if code != "" {
			if h.Gear, err = equipmentByCode(ctx, t, workshop, code); err != nil {
				return err
			}
			id = &h.Gear.ID
		}
		rows, err := t.Query(ctx, `SELECT DISTINCT (g.happened_at AT TIME ZONE $5)::date FROM log_entry g WHERE g.workshop_id = $1 AND g.kind = $2 AND g.replaced_by IS NULL
			AND CASE WHEN $3::uuid IS NULL THEN g.equipment_id IS NULL AND g.about = $4 ELSE g.equipment_id = $3 END ORDER BY 1 DESC LIMIT 2`, workshop, kind, id, about, w.Zone)
		if err != nil {
			return err
		}
		done, err := pgx.CollectRows(rows, pgx.RowTo[day.Day])
		if err != nil {
			return err
		}
		if len(done) > 0 {
			h.LastOn = done[0]
		}
		switch {
		case kind == "check" && h.Gear.CheckDays > 0:
			h.Every = h.Gear.CheckDays
		case len(done) == 1:
			h.Every = equipment.Every(done[0], on)
		default:
			h.Every = equipment.Every(done...)
		}
		return nil
	})
	if err != nil {
		return LogHabit{}, fmt.Errorf("store: log habit: %w", err)
	}
	return h, nil
}

// LogSubjects are what entries were about besides equipment, by kind in the order of LogKinds, the latest of each first: a
// form suggests them.
func (s *Store) LogSubjects(ctx context.Context, workshop WorkshopID) ([]string, error) {
	var list []string
	err := s.read(ctx, workshop, func(t pgx.Tx) error {
		rows, err := t.Query(ctx, `SELECT x.about FROM unnest($2::text[]) WITH ORDINALITY k (kind, n) CROSS JOIN LATERAL (
				SELECT g.about, max(g.happened_at) AS last FROM log_entry g WHERE g.workshop_id = $1 AND g.kind = k.kind AND g.equipment_id IS NULL AND g.replaced_by IS NULL
				GROUP BY g.about ORDER BY last DESC LIMIT 50) x ORDER BY k.n, x.last DESC`, workshop, LogKinds)
		if err == nil {
			list, err = pgx.CollectRows(rows, pgx.RowTo[string])
		}
		return err
	})
	if err != nil {
		return nil, fmt.Errorf("store: log subjects: %w", err)
	}
	return list, nil
}

// LogDue is something that is due, or was.
type LogDue struct {
	Kind          string
	Equipment     string // code, empty for something else
	EquipmentName string
	About         string
	DueOn         day.Day // no day for a check that was never made
	LastOn        day.Day // no day for never
	Failed        bool    // the last check failed: it is due until one passes
}

// Subject is what it is about, in words.
func (d LogDue) Subject() string {
	return LogEntry{Equipment: d.Equipment, EquipmentName: d.EquipmentName, About: d.About}.Subject()
}

// LogDue lists what the log says is due up to a day, the first to be due first: what was noted with the last entry of its
// kind about the same, and the checks of equipment in use.
func (s *Store) LogDue(ctx context.Context, workshop WorkshopID, today, until day.Day) ([]LogDue, error) {
	var list []LogDue
	err := s.read(ctx, workshop, func(t pgx.Tx) error {
		w, err := workshopIn(ctx, t, workshop)
		if err != nil {
			return err
		}
		list, err = logDue(ctx, t, w, today, until)
		return err
	})
	if err != nil {
		return nil, fmt.Errorf("store: log due: %w", err)
	}
	return list, nil
}

func logDue(ctx context.Context, t pgx.Tx, w Workshop, today, until day.Day) ([]LogDue, error) {
	// Only the last entry of a kind about the same thing counts: a later one has settled it.
	rows, err := t.Query(ctx, `SELECT g.kind, coalesce(e.code, ''), coalesce(e.name, ''), g.about, g.next_on, (g.happened_at AT TIME ZONE $3)::date, false
		FROM log_entry g LEFT JOIN equipment e ON e.workshop_id = g.workshop_id AND e.id = g.equipment_id
		WHERE g.workshop_id = $1 AND g.next_on <= $2 AND g.replaced_by IS NULL AND e.retired_at IS NULL AND NOT (g.kind = 'check' AND g.equipment_id IS NOT NULL)
		  AND NOT EXISTS (SELECT FROM log_entry h WHERE h.workshop_id = $1 AND h.equipment_id = g.equipment_id AND h.kind = g.kind AND h.replaced_by IS NULL AND (h.happened_at, h.id) > (g.happened_at, g.id))
		  AND NOT EXISTS (SELECT FROM log_entry h WHERE h.workshop_id = $1 AND g.equipment_id IS NULL AND h.equipment_id IS NULL AND h.kind = g.kind AND h.about = g.about AND h.replaced_by IS NULL AND (h.happened_at, h.id) > (g.happened_at, g.id))`,
		w.ID, until, w.Zone)
	if err != nil {
		return nil, err
	}
	list, err := pgx.CollectRows(rows, pgx.RowToStructByPos[LogDue])
	if err != nil {
		return nil, err
	}
	all, err := queryEquipment(ctx, t, w, today, `WHERE e.workshop_id = $1 AND e.retired_at IS NULL`)
	for _, e := range all {
		if due := e.DueOn; e.Stands == equipment.Never || e.Stands == equipment.Failed || !due.IsZero() && !due.After(until) {
			d := LogDue{Kind: "check", Equipment: e.Code, EquipmentName: e.Name, DueOn: due, LastOn: e.CheckedOn, Failed: e.Stands == equipment.Failed}
			if d.Failed {
				d.DueOn = e.CheckedOn
			}
			list = append(list, d)
		}
	}
	sort.SliceStable(list, func(i, j int) bool {
		a, b := list[i], list[j]
		if c := a.DueOn.Compare(b.DueOn); c != 0 {
			return c < 0
		}
		return a.Kind+a.Subject() < b.Kind+b.Subject()
	})
	return list, err
}

// Suspect is equipment whose last check failed, with what used it since it last was known to be right: the list to
// look into.
type Suspect struct {
	Equipment
	FailedOn day.Day
	GoodOn   day.Day  // the last check before that did not fail; no day for none
	Batches  []string // codes, the first use first; of a packing its own
}

// Suspects are those in use whose last check failed, by code.
func (s *Store) Suspects(ctx context.Context, workshop WorkshopID, today day.Day) ([]Suspect, error) {
	var list []Suspect
	err := s.read(ctx, workshop, func(t pgx.Tx) error {
		w, err := workshopIn(ctx, t, workshop)
		if err == nil {
			list, err = failedLast(ctx, t, w, today)
		}
		return err
	})
	if err != nil {
		return nil, fmt.Errorf("store: suspects: %w", err)
	}
	return list, nil
}

// failedLast are the suspects among the equipment in use.
func failedLast(ctx context.Context, t pgx.Tx, w Workshop, today day.Day) ([]Suspect, error) {
	all, err := queryEquipment(ctx, t, w, today, `WHERE e.workshop_id = $1 AND e.retired_at IS NULL AND k.result = 'failed' ORDER BY e.code`)
	if err != nil {
		return nil, err
	}
	return suspects(ctx, t, w, all...)
}

// suspects finds what used each of these since it last was known to be right.
func suspects(ctx context.Context, t pgx.Tx, w Workshop, failed ...EquipmentStanding) ([]Suspect, error) {
	if len(failed) == 0 {
		return nil, nil
	}
	list, ids, at := make([]Suspect, len(failed)), make([]EquipmentID, len(failed)), map[EquipmentID]int{}
	for i, e := range failed {
		list[i], ids[i], at[e.ID] = Suspect{Equipment: e.Equipment, FailedOn: e.CheckedOn}, e.ID, i
	}
	// A scale is named once a batch; each weighing on it is a use.
	rows, err := t.Query(ctx, `SELECT o.id, (g.good AT TIME ZONE $3)::date, coalesce(x.code, '') FROM unnest($2::uuid[]) o (id)
		CROSS JOIN LATERAL (SELECT max(l.happened_at) AS good FROM log_entry l WHERE l.workshop_id = $1 AND l.equipment_id = o.id AND l.kind = 'check' AND l.replaced_by IS NULL AND l.result <> 'failed') g
		LEFT JOIN LATERAL (SELECT y.code, min(y.at) AS first FROM (
			SELECT coalesce(k.code, b.code) AS code, u.happened_at AS at FROM batch_equipment u JOIN batch b ON b.workshop_id = $1 AND b.id = u.batch_id LEFT JOIN packing k ON k.workshop_id = $1 AND k.id = u.packing_id
			 WHERE u.workshop_id = $1 AND u.equipment_id = o.id AND u.replaced_by IS NULL AND u.happened_at > coalesce(g.good, '-infinity') AND b.status <> 'void'
			UNION ALL SELECT b.code, i.happened_at FROM batch_input i JOIN batch b ON b.workshop_id = $1 AND b.id = i.batch_id
			 WHERE i.workshop_id = $1 AND i.scale_id = o.id AND i.replaced_by IS NULL AND i.happened_at > coalesce(g.good, '-infinity') AND b.status <> 'void') y GROUP BY y.code) x ON true
		ORDER BY o.id, x.first, x.code`, w.ID, ids, w.Zone)
	if err != nil {
		return nil, err
	}
	var id EquipmentID
	var good day.Day
	var code string
	_, err = pgx.ForEachRow(rows, []any{&id, &good, &code}, func() error {
		one := &list[at[id]]
		if one.GoodOn = good; code != "" {
			one.Batches = append(one.Batches, code)
		}
		return nil
	})
	return list, err
}

// extractDays is how far around its making and packing the log of a batch's equipment is part of its record.
const extractDays = 90

// logExtract is what of the log belongs to a batch, the oldest first: entries about its equipment from 90 days before it
// was made to 90 days after it was last packed, and of cleaning, pests, water and training the latest about each thing
// that was in force on the day of making.
func logExtract(ctx context.Context, t pgx.Tx, workshop WorkshopID, batch BatchID) ([]LogEntry, error) {
	var w Workshop
	var from, to day.Day
	if err := together(ctx, t, func(t pgx.Tx) (err error) {
		w, err = workshopIn(ctx, t, workshop)
		return err
	}, func(t pgx.Tx) error {
		return t.QueryRow(ctx, `SELECT b.made_on, greatest(b.made_on, (SELECT max(k.packed_on) FROM packing k WHERE k.workshop_id = $1 AND k.batch_id = b.id)) FROM batch b WHERE b.workshop_id = $1 AND b.id = $2`, workshop, batch).Scan(&from, &to)
	}); err != nil {
		return nil, err
	}
	return queryLog(ctx, t, `WHERE g.workshop_id = $1 AND g.id IN (
		SELECT x.id FROM log_entry x WHERE x.workshop_id = $1 AND x.replaced_by IS NULL AND (x.happened_at AT TIME ZONE $3)::date BETWEEN $4 AND $5
		   AND x.equipment_id IN (SELECT u.equipment_id FROM batch_equipment u WHERE u.workshop_id = $1 AND u.batch_id = $2 AND u.replaced_by IS NULL
		       UNION SELECT i.scale_id FROM batch_input i WHERE i.workshop_id = $1 AND i.batch_id = $2 AND i.scale_id IS NOT NULL AND i.replaced_by IS NULL)
		UNION ALL (SELECT DISTINCT ON (x.kind, x.equipment_id, x.about) x.id FROM log_entry x WHERE x.workshop_id = $1 AND x.replaced_by IS NULL AND x.kind IN ('cleaning', 'pest', 'water', 'training')
		   AND (x.happened_at AT TIME ZONE $3)::date <= $6 ORDER BY x.kind, x.equipment_id, x.about, x.happened_at DESC, x.id DESC)) ORDER BY g.happened_at, g.id`,
		workshop, batch, w.Zone, from.AddDays(-extractDays), to.AddDays(extractDays), from)
}
