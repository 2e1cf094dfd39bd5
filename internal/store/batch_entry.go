package store

import (
	"context"
	"fmt"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/shopspring/decimal"

	"example.org/stillroom/internal/cure"
	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/measure"
	"example.org/stillroom/internal/quantity"
	"example.org/stillroom/internal/weighing"
)

// moment is when something happened: now where it was not said, never in the future.
func (t *tx) moment(at time.Time) (time.Time, error) {
	if at.IsZero() {
		return t.now, nil
	}
	if at.After(t.now.Add(time.Minute)) {
		return at, fault.In("at", "That time has not come yet.")
	}
	return at, nil
}

// TickStep records a step of the method as done.
func (s *Store) TickStep(ctx context.Context, who Who, entry Entry, batch string, step StepID, note string, at time.Time) error {
	_, err := s.write(ctx, who, create, "", entry, func(t *tx) error {
		b, err := t.openBatch(ctx, batch)
		if err != nil {
			return err
		}
		if at, err = t.moment(at); err != nil {
			return err
		}
		var there bool
		if err := t.QueryRow(ctx, `SELECT EXISTS (SELECT FROM method_step WHERE workshop_id = $1 AND version_id = $2 AND id = $3)`, who.Workshop, b.VersionID, step).Scan(&there); err != nil {
			return err
		}
		if !there {
			return fault.New(fault.NotFound, "There is no such step in this batch.")
		}
		_, err = t.Exec(ctx, `INSERT INTO step_tick (workshop_id, id, batch_id, step_id, note, happened_at, change_id) VALUES ($1, $2, $3, $4, $5, $6, $7)`,
			who.Workshop, newID[TickID](), b.ID, step, note, at, t.change)
		if constraint(err) == "step_tick_once" {
			return fault.New(fault.Conflict, "This step was ticked meanwhile.")
		}
		return err
	})
	if err != nil {
		return fmt.Errorf("store: tick step of %q: %w", batch, err)
	}
	return nil
}

// UndoTick takes a mis-tap back; the tick stays in the record, struck through.
func (s *Store) UndoTick(ctx context.Context, who Who, entry Entry, batch string, tick TickID, reason string) error {
	_, err := s.write(ctx, who, correct, reason, entry, func(t *tx) error {
		b, err := t.openBatch(ctx, batch)
		if err != nil {
			return err
		}
		return t.withdraw(ctx, `SELECT c.person_id, c.at FROM step_tick e JOIN change c ON c.workshop_id = e.workshop_id AND c.id = e.change_id WHERE e.workshop_id = $1 AND e.batch_id = $2 AND e.id = $3 AND e.replaced_by IS NULL`,
			`UPDATE step_tick SET replaced_by = id WHERE workshop_id = $1 AND batch_id = $2 AND id = $3`, b.ID, tick)
	})
	if err != nil {
		return fmt.Errorf("store: undo tick of %q: %w", batch, err)
	}
	return nil
}

// withdraw takes an entry back by its owner's or a maker's hand.
func (t *tx) withdraw(ctx context.Context, whose, update string, batch BatchID, id [16]byte) error {
	var person *PersonID
	var at time.Time
	if err := t.QueryRow(ctx, whose, t.who.Workshop, batch, id).Scan(&person, &at); err != nil {
		return notFound(err, "This was corrected meanwhile. Look at what stands now.")
	}
	if err := t.mayCorrect(person, at); err != nil {
		return err
	}
	if _, err := t.Exec(ctx, update, t.who.Workshop, batch, id); err != nil {
		return err
	}
	return t.withdrawDeviations(ctx, id)
}

// Readings are values of one control, measured together.
type Readings struct {
	Batch   string
	Control ControlID
	Values  []decimal.Decimal
	At      time.Time
	Really  Really
}

// ReadControl records one or several readings; those outside the limits are asked about once.
func (s *Store) ReadControl(ctx context.Context, who Who, entry Entry, r Readings) error {
	_, err := s.write(ctx, who, create, "", entry, func(t *tx) error {
		b, err := t.openBatch(ctx, r.Batch)
		if err != nil {
			return err
		}
		return t.readControl(ctx, b, nil, r)
	})
	if err != nil {
		return fmt.Errorf("store: read control of %q: %w", r.Batch, err)
	}
	return nil
}

// readControl is shared with packing, whose readings belong to the packing too.
func (t *tx) readControl(ctx context.Context, b Batch, packing *PackingID, r Readings) error {
	at, err := t.moment(r.At)
	if err != nil {
		return err
	}
	if len(r.Values) == 0 || len(r.Values) > 500 {
		return fault.In("values", "Write at least one reading, and at most 500.")
	}
	var name, unit string
	var low, high decimal.NullDecimal
	if err := t.QueryRow(ctx, `SELECT name, unit, low, high FROM control WHERE workshop_id = $1 AND version_id = $2 AND id = $3`, t.who.Workshop, b.VersionID, r.Control).Scan(&name, &unit, &low, &high); err != nil {
		return notFound(err, "There is no such control in this batch.")
	}
	run := weighing.Run(r.Values, low, high)
	var outside []string
	if run.Outside > 0 {
		var off []string
		for _, i := range run.OutsideIdx {
			shown, _ := t.workshop.Style.In(r.Values[i], unit)
			off = append(off, quantity.Format(shown))
		}
		outside = []string{strings.TrimSpace(fmt.Sprintf("%s: %s %s", name, strings.Join(off, ", "), t.workshop.Style.Unit(unit))) + "; the formula allows " + Window(t.workshop.Style, low, high, unit) + "."}
	}
	if err := r.Really.ask(outside); err != nil {
		return err
	}
	var first ReadingID
	for i, v := range r.Values {
		id := newID[ReadingID]()
		typed := quantity.Plain(v)
		if shown, other := t.workshop.Style.In(v, unit); other != unit {
			typed = quantity.Plain(shown) + " " + other
		}
		if i == 0 {
			first = id
		}
		if _, err := t.Exec(ctx, `INSERT INTO control_reading (workshop_id, id, batch_id, packing_id, control_id, value, typed, happened_at, change_id) VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9)`,
			t.who.Workshop, id, b.ID, packing, r.Control, v, typed, at, t.change); err != nil {
			return err
		}
		for _, off := range run.OutsideIdx {
			if off == i {
				first = id
			}
		}
	}
	if len(outside) == 0 {
		return nil
	}
	return t.deviate(ctx, deviant{Kind: "control", Batch: &b.ID, Packing: packing, About: first, What: outside[0], Reason: r.Really.Reason})
}

// Window is a control's limits in words: "165 to 170 g", "at least 9", "up to 45 °C".
func Window(style measure.Style, low, high decimal.NullDecimal, unit string) string {
	kept := unit
	low.Decimal, _ = style.In(low.Decimal, kept)
	high.Decimal, unit = style.In(high.Decimal, kept)
	switch {
	case low.Valid && high.Valid:
		return strings.TrimSpace(quantity.Format(low.Decimal) + " to " + quantity.Format(high.Decimal) + " " + unit)
	case low.Valid:
		return strings.TrimSpace("at least " + quantity.Format(low.Decimal) + " " + unit)
	case high.Valid:
		return strings.TrimSpace("up to " + quantity.Format(high.Decimal) + " " + unit)
	}
	return "anything"
}

// WithdrawReading takes a mistaken reading back.
func (s *Store) WithdrawReading(ctx context.Context, who Who, entry Entry, batch string, reading ReadingID, reason string) error {
	_, err := s.write(ctx, who, correct, reason, entry, func(t *tx) error {
		b, err := t.lockBatch(ctx, batch)
		if err != nil {
			return err
		}
		return t.withdraw(ctx, `SELECT c.person_id, c.at FROM control_reading e JOIN change c ON c.workshop_id = e.workshop_id AND c.id = e.change_id WHERE e.workshop_id = $1 AND e.batch_id = $2 AND e.id = $3 AND e.replaced_by IS NULL`,
			`UPDATE control_reading SET replaced_by = id WHERE workshop_id = $1 AND batch_id = $2 AND id = $3`, b.ID, reading)
	})
	if err != nil {
		return fmt.Errorf("store: withdraw reading of %q: %w", batch, err)
	}
	return nil
}

// NoteClimate records the room at making or during the cure.
func (s *Store) NoteClimate(ctx context.Context, who Who, entry Entry, batch string, c Climate) error {
	_, err := s.write(ctx, who, create, "", entry, func(t *tx) error {
		b, err := t.openBatch(ctx, batch)
		if err != nil {
			return err
		}
		if c.TakenAt, err = t.moment(c.TakenAt); err != nil {
			return err
		}
		if b.VersionID == nil {
			return fault.New(fault.Conflict, "Batch "+b.Code+" came from an older book: nothing is made of it here.")
		}
		version, err := loadVersion(ctx, t, who.Workshop, *b.VersionID)
		if err != nil {
			return err
		}
		return t.noteClimate(ctx, b.ID, limitsOf(version), c)
	})
	if err != nil {
		return fmt.Errorf("store: note climate of %q: %w", batch, err)
	}
	return nil
}

// WeighCure records the marked unit's weight during the cure.
func (s *Store) WeighCure(ctx context.Context, who Who, entry Entry, batch string, grams decimal.Decimal, at time.Time) error {
	_, err := s.write(ctx, who, create, "", entry, func(t *tx) error {
		b, err := t.openBatch(ctx, batch)
		if err != nil {
			return err
		}
		if b.CureStartedAt == nil {
			return fault.New(fault.Conflict, "Nothing is curing in "+batch+" yet.")
		}
		if at, err = t.moment(at); err != nil {
			return err
		}
		if !grams.IsPositive() || grams.GreaterThan(mostG) {
			return fault.In("grams", "What does the marked unit weigh?")
		}
		if at.Before(*b.CureStartedAt) {
			return fault.In("at", "The cure began after that.")
		}
		_, err = t.Exec(ctx, `INSERT INTO cure_weighing (workshop_id, id, batch_id, grams, happened_at, change_id) VALUES ($1, $2, $3, $4, $5, $6)`,
			who.Workshop, newID[CureWeighingID](), b.ID, grams, at, t.change)
		return err
	})
	if err != nil {
		return fmt.Errorf("store: weigh cure of %q: %w", batch, err)
	}
	return nil
}

// WithdrawCureWeighing takes a mistaken weighing of the marked unit back.
func (s *Store) WithdrawCureWeighing(ctx context.Context, who Who, entry Entry, batch string, id CureWeighingID, reason string) error {
	_, err := s.write(ctx, who, correct, reason, entry, func(t *tx) error {
		b, err := t.lockBatch(ctx, batch)
		if err != nil {
			return err
		}
		return t.withdraw(ctx, `SELECT c.person_id, c.at FROM cure_weighing e JOIN change c ON c.workshop_id = e.workshop_id AND c.id = e.change_id WHERE e.workshop_id = $1 AND e.batch_id = $2 AND e.id = $3 AND e.replaced_by IS NULL`,
			`UPDATE cure_weighing SET replaced_by = id WHERE workshop_id = $1 AND batch_id = $2 AND id = $3`, b.ID, id)
	})
	if err != nil {
		return fmt.Errorf("store: withdraw cure weighing of %q: %w", batch, err)
	}
	return nil
}

// WithdrawClimate takes a mistaken reading of the room back.
func (s *Store) WithdrawClimate(ctx context.Context, who Who, entry Entry, batch string, id ClimateID, reason string) error {
	_, err := s.write(ctx, who, correct, reason, entry, func(t *tx) error {
		b, err := t.lockBatch(ctx, batch)
		if err != nil {
			return err
		}
		return t.withdraw(ctx, `SELECT c.person_id, c.at FROM batch_climate e JOIN change c ON c.workshop_id = e.workshop_id AND c.id = e.change_id WHERE e.workshop_id = $1 AND e.batch_id = $2 AND e.id = $3 AND e.replaced_by IS NULL`,
			`UPDATE batch_climate SET replaced_by = id WHERE workshop_id = $1 AND batch_id = $2 AND id = $3`, b.ID, id)
	})
	if err != nil {
		return fmt.Errorf("store: withdraw climate of %q: %w", batch, err)
	}
	return nil
}

// Moulding ends the making: how many units were moulded, poured or pressed, and what they weigh where that was taken.
// For bulk there are none: the making ends and the mass is told when it is ready.
type Moulding struct {
	Batch  string
	Units  int
	MassG  decimal.NullDecimal
	At     time.Time
	Really Really
}

// Mould ends the making and starts the cure, where the formula has one. Lines not weighed and steps not ticked are
// asked about once and kept as a deviation.
func (s *Store) Mould(ctx context.Context, who Who, entry Entry, m Moulding) error {
	_, err := s.write(ctx, who, progress, "", entry, func(t *tx) error {
		b, err := t.openBatch(ctx, m.Batch)
		if err != nil {
			return err
		}
		if b.Status != "making" {
			return fault.New(fault.Conflict, "Batch "+b.Code+" was moulded already.")
		}
		at, err := t.moment(m.At)
		if err != nil {
			return err
		}
		if b.Yields == "units" && m.Units <= 0 {
			return fault.In("units", "How many units? At least one.")
		}
		if m.MassG.Valid && !m.MassG.Decimal.IsPositive() {
			return fault.In("mass", "What do they weigh together? Leave it empty where you did not weigh them.")
		}
		if b.Yields == "bulk" {
			m.Units = 0
		}
		open, err := t.unfinished(ctx, b)
		if err != nil {
			return err
		}
		if err := m.Really.ask(open); err != nil {
			return err
		}
		if len(open) > 0 {
			if err := t.deviate(ctx, deviant{Kind: "step", Batch: &b.ID, What: strings.Join(open, " "), Reason: m.Really.Reason}); err != nil {
				return err
			}
		}
		status := "packing"
		var started *time.Time
		if b.CureHours > 0 && b.Yields == "units" {
			status, started = "curing", &at
		}
		_, err = t.Exec(ctx, `UPDATE batch SET status = $3, moulded_at = $4, moulded_units = $5, moulded_g = $6, cure_started_at = $7 WHERE workshop_id = $1 AND id = $2`,
			who.Workshop, b.ID, status, at, m.Units, m.MassG, started)
		return err
	})
	if err != nil {
		return fmt.Errorf("store: mould %q: %w", m.Batch, err)
	}
	return nil
}

// unfinished says in words what the formula asks for before moulding and is not recorded.
func (t *tx) unfinished(ctx context.Context, b Batch) ([]string, error) {
	record, err := loadBatch(ctx, t, t.who.Workshop, b.ID)
	if err != nil {
		return nil, err
	}
	var lines, steps []string
	for _, l := range record.Lines {
		if !l.Done() && !(l.AsNeeded && l.LowG.Decimal.IsZero()) {
			lines = append(lines, l.Name)
		}
	}
	for _, s := range record.Steps {
		if s.Tick == nil {
			steps = append(steps, s.Text)
		}
	}
	var out []string
	if len(lines) > 0 {
		out = append(out, "Not weighed: "+strings.Join(lines, ", ")+".")
	}
	if len(steps) > 0 {
		out = append(out, "Not ticked: "+strings.Join(steps, "; ")+".")
	}
	return out, nil
}

// EndCure ends the cure. One that was too short is asked about once and kept as a deviation.
func (s *Store) EndCure(ctx context.Context, who Who, entry Entry, batch string, at time.Time, really Really) error {
	_, err := s.write(ctx, who, progress, "", entry, func(t *tx) error {
		b, err := t.openBatch(ctx, batch)
		if err != nil {
			return err
		}
		if b.Status != "curing" || b.CureStartedAt == nil {
			return fault.New(fault.Conflict, "Nothing is curing in "+batch+".")
		}
		if at, err = t.moment(at); err != nil {
			return err
		}
		if at.Before(*b.CureStartedAt) {
			return fault.In("at", "The cure began after that.")
		}
		rule := cure.Rule{MinHours: b.CureHours}
		var short []string
		if !cure.LongEnough(*b.CureStartedAt, at, rule) {
			short = []string{fmt.Sprintf("The cure ran %s; the formula asks for %s.", cure.Ran(at.Sub(*b.CureStartedAt)), cure.Words(b.CureHours))}
		}
		if err := really.ask(short); err != nil {
			return err
		}
		if len(short) > 0 {
			if err := t.deviate(ctx, deviant{Kind: "cure", Batch: &b.ID, What: short[0], Reason: really.Reason}); err != nil {
				return err
			}
		}
		_, err = t.Exec(ctx, `UPDATE batch SET status = 'packing', cure_ended_at = $3 WHERE workshop_id = $1 AND id = $2`, who.Workshop, b.ID, at)
		return err
	})
	if err != nil {
		return fmt.Errorf("store: end cure of %q: %w", batch, err)
	}
	return nil
}

// NoteDeviation records that something is off which no limit shows.
func (s *Store) NoteDeviation(ctx context.Context, who Who, entry Entry, batch, what, reason string) error {
	_, err := s.write(ctx, who, create, "", entry, func(t *tx) error {
		b, err := t.openBatch(ctx, batch)
		if err != nil {
			return err
		}
		var f fault.Fields
		if strings.TrimSpace(what) == "" || len([]rune(what)) > 1000 {
			f.Add("what", "Say what is off, in up to 1,000 characters.")
		}
		checkLength(&f, "reason", reason, 1000)
		if err := f.Err(); err != nil {
			return err
		}
		return t.deviate(ctx, deviant{Kind: "other", Batch: &b.ID, What: what, Reason: reason})
	})
	if err != nil {
		return fmt.Errorf("store: note deviation of %q: %w", batch, err)
	}
	return nil
}

// VoidBatch takes a code back that was given before anything was weighed. The code is not given again.
func (s *Store) VoidBatch(ctx context.Context, who Who, entry Entry, batch, reason string) error {
	_, err := s.write(ctx, who, void, reason, entry, func(t *tx) error {
		b, err := t.openBatch(ctx, batch)
		if err != nil {
			return err
		}
		var by *PersonID
		var at time.Time
		if err := t.QueryRow(ctx, `SELECT c.person_id, c.at FROM batch b JOIN change c ON c.workshop_id = b.workshop_id AND c.id = b.change_id WHERE b.workshop_id = $1 AND b.id = $2`, who.Workshop, b.ID).Scan(&by, &at); err != nil {
			return err
		}
		if err := t.mayCorrect(by, at); err != nil {
			return err
		}
		var weighed bool
		if err := t.QueryRow(ctx, `SELECT EXISTS (SELECT FROM batch_input WHERE workshop_id = $1 AND batch_id = $2)`, who.Workshop, b.ID).Scan(&weighed); err != nil {
			return err
		}
		if weighed || b.Status != "making" {
			return fault.New(fault.Conflict, "Something was weighed already: batch "+batch+" can be rejected, not voided.")
		}
		_, err = t.Exec(ctx, `UPDATE batch SET status = 'void' WHERE workshop_id = $1 AND id = $2`, who.Workshop, b.ID)
		return err
	})
	if err != nil {
		return fmt.Errorf("store: void %q: %w", batch, err)
	}
	return nil
}

const batchQuery = `SELECT b.id, b.code, b.origin, coalesce(f.code, ''), coalesce(f.name, ''), b.version_id, coalesce(v.number, 0), coalesce(p.code, ''), coalesce(p.name, ''), coalesce(v.yields, 'units'), b.status,
		coalesce(b.planned_units, 0), b.planned_g, b.made_at, b.made_on, coalesce(w.name, ''), b.late, b.place, b.moulded_at, b.moulded_units, b.moulded_g, b.cure_started_at, b.cure_ended_at,
		coalesce(v.cure_hours, 0), coalesce(v.cure_word, 'cure'), b.packed_at, b.left_over_g, b.loss_g, b.yield_note, b.best_before, b.bulk_g, b.bulk_released_at, coalesce(b.kind, ''), b.only_temperature_c, b.only_humidity_pct, coalesce(b.recalled, false)
	FROM batch b LEFT JOIN formula f ON f.workshop_id = b.workshop_id AND f.id = b.formula_id LEFT JOIN formula_version v ON v.workshop_id = b.workshop_id AND v.id = b.version_id
	LEFT JOIN product p ON p.workshop_id = b.workshop_id AND p.id = b.product_id LEFT JOIN person w ON w.workshop_id = b.workshop_id AND w.id = b.made_by `

func queryBatches(ctx context.Context, t pgx.Tx, where string, args ...any) ([]Batch, error) {
	rows, err := t.Query(ctx, batchQuery+where, args...)
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, pgx.RowToStructByPos[Batch])
}
