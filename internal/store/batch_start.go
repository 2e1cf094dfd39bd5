package store

import (
	"context"
	"fmt"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/shopspring/decimal"

	"example.org/stillroom/internal/batchcode"
	"example.org/stillroom/internal/climate"
	"example.org/stillroom/internal/day"
	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/scaling"
)

// Really answers the one question asked about something outside its limits: "Typed wrong, or really so?" With Yes and
// a reason it is stored as it is, with a deviation.
type Really struct {
	Yes    bool
	Reason string
}

// ask turns what is outside its limits into the question, unless it was answered. The field is `really`; a page shows
// it with the two answers.
func (r Really) ask(outside []string) error {
	if len(outside) == 0 {
		return nil
	}
	var f fault.Fields
	if r.Yes && strings.TrimSpace(r.Reason) == "" {
		f.Add("reason", "Say how it came about; it goes into the record.")
	}
	checkLength(&f, "reason", r.Reason, 1000)
	if !r.Yes || f.Any() {
		// The question comes with every refusal, so that the page can ask it again.
		f.Add("really", strings.Join(outside, " "))
	}
	return f.Err()
}

// Start turns a plan into a batch.
type Start struct {
	Plan         PlanID
	MadeAt       time.Time // zero for now; an earlier moment for a batch written up late
	TemperatureC decimal.NullDecimal
	HumidityPct  decimal.NullDecimal
	Source       string // typed, or logger where the page took the reading from there
	Place        string
	Really       Really
}

// StartBatch gives the batch its code, freezes the formula's version and the scaled targets, and notes the room. A
// batch written up late has the code of the day it was made, and is marked late. It answers the code.
func (s *Store) StartBatch(ctx context.Context, who Who, entry Entry, n Start) (string, error) {
	code, err := s.write(ctx, who, create, "", entry, func(t *tx) error {
		plan, version, err := t.takePlan(ctx, n.Plan)
		if err != nil {
			return err
		}
		if n.MadeAt.IsZero() {
			n.MadeAt = t.now
		}
		if n.Place == "" {
			n.Place = plan.Place
		}
		if n.MadeAt.After(t.now.Add(time.Minute)) {
			return fault.In("made_at", "That time has not come yet.")
		}
		if n.MadeAt.Before(t.now.AddDate(-longAgo, 0, 0)) {
			return fault.In("made_at", fmt.Sprintf("That is more than %d years ago. Look at the year once more.", longAgo))
		}
		if len([]rune(n.Place)) > 80 {
			return fault.In("place", "At most 80 characters, please.")
		}
		madeOn := day.In(n.MadeAt, t.workshop.Location())
		id := newID[BatchID]()
		code, err := t.giveCode(ctx, version.Letters, madeOn)
		if err != nil {
			return err
		}
		var product *ProductID
		if plan.ProductCode != "" {
			p, err := productByCode(ctx, t, who.Workshop, plan.ProductCode)
			if err != nil {
				return err
			}
			product = &p.ID
		}
		var units *int
		if plan.Units > 0 {
			units = &plan.Units
		}
		if _, err := t.Exec(ctx, `INSERT INTO batch (workshop_id, id, code, code_key, origin, formula_id, version_id, product_id, status, planned_units, planned_g, made_at, made_on, made_by, late, place, change_id)
			VALUES ($1, $2, $3, $4, 'bench', $5, $6, $7, 'making', $8, $9, $10, $11, $12, $13, $14, $15)`,
			who.Workshop, id, code, foldBatch(code), version.FormulaID, version.ID, product, units, plan.MassG, n.MadeAt, madeOn, who.Person, madeOn.Before(t.today), n.Place, t.change); err != nil {
			return err
		}
		if err := t.registerCode(ctx, code, id); err != nil {
			return err
		}
		if err := t.freezeLines(ctx, id, version, plan.MassG); err != nil {
			return err
		}
		if n.TemperatureC.Valid || n.HumidityPct.Valid {
			if err := t.noteClimate(ctx, id, limitsOf(version), Climate{Stage: "making", TemperatureC: n.TemperatureC, HumidityPct: n.HumidityPct, TakenAt: n.MadeAt, Source: n.Source, Really: n.Really}); err != nil {
				return err
			}
		}
		t.result = code
		return nil
	})
	if err != nil {
		return "", fmt.Errorf("store: start batch: %w", err)
	}
	return code, nil
}

// longAgo is how many years back a batch may be written up: a year of 0026 is a slip. Older ones are imported.
const longAgo = 20

// takePlan reads and removes a plan: two tablets cannot start it twice.
func (t *tx) takePlan(ctx context.Context, id PlanID) (Plan, FormulaVersion, error) {
	rows, err := t.Query(ctx, planQuery+`WHERE n.workshop_id = $1 AND n.id = $2 FOR UPDATE OF n`, t.who.Workshop, id)
	if err != nil {
		return Plan{}, FormulaVersion{}, err
	}
	plan, err := pgx.CollectExactlyOneRow(rows, pgx.RowToStructByPos[Plan])
	if err != nil {
		return Plan{}, FormulaVersion{}, notFound(err, "This plan was started or dropped meanwhile.")
	}
	version, err := loadVersion(ctx, t, t.who.Workshop, plan.VersionID)
	if err != nil {
		return Plan{}, FormulaVersion{}, err
	}
	if version.Status != "approved" {
		return Plan{}, FormulaVersion{}, fault.New(fault.Conflict, fmt.Sprintf("Version %d of %s is no longer in force. Plan the batch anew with the version that is.", version.Number, version.FormulaName))
	}
	_, err = t.Exec(ctx, `DELETE FROM plan WHERE workshop_id = $1 AND id = $2`, t.who.Workshop, id)
	return plan, version, err
}

// giveCode takes the next free code of the day. The counter's row lock orders concurrent starts; codes that were
// taken otherwise (an import) are passed over; a number is never given twice, also not after a void.
func (t *tx) giveCode(ctx context.Context, letters string, madeOn day.Day) (string, error) {
	pattern, err := batchcode.ParsePattern(t.workshop.CodePattern)
	if err != nil {
		return "", fmt.Errorf("code pattern %q: %w", t.workshop.CodePattern, err)
	}
	for {
		n, err := t.next(ctx, "batch:"+madeOn.String())
		if err != nil {
			return "", err
		}
		code, err := pattern.Code(letters, madeOn, n)
		if err != nil {
			return "", err
		}
		taken, err := t.codeTaken(ctx, foldBatch(code))
		if err != nil {
			return "", err
		}
		if !taken {
			return code, nil
		}
	}
}

func (t *tx) freezeLines(ctx context.Context, batch BatchID, version FormulaVersion, massG decimal.Decimal) error {
	scales, err := scalesOf(ctx, t, t.workshop)
	if err != nil {
		return err
	}
	plan, err := scaling.PlanFor(version.Scaling(), massG, scales...)
	if err != nil {
		return err
	}
	rows := make([][]any, 0, len(plan.Lines))
	for i, target := range plan.Lines {
		portion := version.Portions[target.Portion]
		var low, high decimal.NullDecimal
		if target.AsNeeded {
			low, high = decimal.NewNullDecimal(target.LowG), decimal.NewNullDecimal(target.HighG)
		}
		rows = append(rows, []any{newID[BatchLineID](), i + 1, portion.ID, portion.Lines[target.Line].ID, target.TargetG, low, high, target.NeedsFinerScale})
	}
	for _, r := range rows {
		if _, err := t.Exec(ctx, `INSERT INTO batch_line (workshop_id, id, batch_id, position, portion_id, line_id, planned_g, target_g, low_g, high_g, finer_scale, change_id)
			VALUES ($1, $3, $2, $4, $5, $6, $7, $7, $8, $9, $10, $11)`, append(append([]any{t.who.Workshop, batch}, r...), t.change)...); err != nil {
			return err
		}
	}
	return nil
}

func limitsOf(v FormulaVersion) BatchLimits {
	return BatchLimits{TolerancePct: v.TolerancePct, ToleranceG: v.ToleranceG, ExpectedLossPct: v.ExpectedLossPct, ReconciliationPct: v.ReconciliationPct,
		MinC: v.MinC, MaxC: v.MaxC, MinPct: v.MinPct, MaxPct: v.MaxPct, Caution: v.Caution}
}

// Room gives the climate limits to the rule.
func (l BatchLimits) Room() climate.Limits {
	float := func(d decimal.NullDecimal) *float64 {
		if !d.Valid {
			return nil
		}
		f := d.Decimal.InexactFloat64()
		return &f
	}
	return climate.Limits{MinC: float(l.MinC), MaxC: float(l.MaxC), MinPct: float(l.MinPct), MaxPct: float(l.MaxPct)}
}

// Climate is a reading of the room for a batch.
type Climate struct {
	Stage        string // making or cure
	TemperatureC decimal.NullDecimal
	HumidityPct  decimal.NullDecimal
	TakenAt      time.Time
	Source       string // typed, or logger where the page took it from there
	Really       Really
}

func (t *tx) noteClimate(ctx context.Context, batch BatchID, limits BatchLimits, c Climate) error {
	var f fault.Fields
	if !c.TemperatureC.Valid {
		f.Add("temperature", "And the temperature?")
	} else if v := c.TemperatureC.Decimal; v.LessThan(decimal.NewFromInt(-45)) || v.GreaterThan(decimal.NewFromInt(60)) {
		f.Add("temperature", "Between "+t.workshop.Style.TemperatureFigure(decimal.NewFromInt(-45))+" and "+t.workshop.Style.Degrees(decimal.NewFromInt(60))+".")
	}
	if !c.HumidityPct.Valid {
		f.Add("humidity", "And the humidity?")
	} else if v := c.HumidityPct.Decimal; v.IsNegative() || v.GreaterThan(decimal.NewFromInt(100)) {
		f.Add("humidity", "Between 0 and 100 %.")
	}
	if c.Stage != "making" && c.Stage != "cure" {
		f.Add("stage", "Choose making or cure.")
	}
	if err := f.Err(); err != nil {
		return err
	}
	outside := limits.Room().Outside(t.workshop.Style, c.TemperatureC.Decimal.InexactFloat64(), c.HumidityPct.Decimal.InexactFloat64())
	if err := c.Really.ask(outside); err != nil {
		return err
	}
	if c.Source != "logger" {
		c.Source = "typed"
	}
	id := newID[ClimateID]()
	if _, err := t.Exec(ctx, `INSERT INTO batch_climate (workshop_id, id, batch_id, stage, temperature_c, humidity_pct, taken_at, source, change_id) VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9)`,
		t.who.Workshop, id, batch, c.Stage, c.TemperatureC.Decimal, c.HumidityPct.Decimal, c.TakenAt, c.Source, t.change); err != nil {
		return err
	}
	if len(outside) == 0 {
		return nil
	}
	return t.deviate(ctx, deviant{Kind: "climate", Batch: &batch, About: id, What: "Room at " + c.Stage + ": " + strings.Join(outside, "; "), Reason: c.Really.Reason})
}

// RoomNow is the latest reading of a place's logger within two hours, for the form to start with.
func (s *Store) RoomNow(ctx context.Context, workshop WorkshopID, place string, now time.Time) (temperatureC, humidityPct decimal.NullDecimal, err error) {
	err = s.read(ctx, workshop, func(t pgx.Tx) error {
		rows, err := t.Query(ctx, `SELECT temperature_c, humidity_pct FROM climate_reading WHERE workshop_id = $1 AND place = $2 AND taken_at BETWEEN $3 AND $4 ORDER BY taken_at DESC LIMIT 1`,
			workshop, place, now.Add(-2*time.Hour), now)
		if err != nil {
			return err
		}
		_, err = pgx.ForEachRow(rows, []any{&temperatureC, &humidityPct}, func() error { return nil })
		return err
	})
	if err != nil {
		err = fmt.Errorf("store: room now: %w", err)
	}
	return temperatureC, humidityPct, err
}

// RoomReadings are the readings of a place's logger from one moment to another, in order.
func (s *Store) RoomReadings(ctx context.Context, workshop WorkshopID, place string, from, to time.Time) ([]climate.Reading, error) {
	var list []climate.Reading
	err := s.read(ctx, workshop, func(t pgx.Tx) error {
		rows, err := t.Query(ctx, `SELECT taken_at, temperature_c::float8, humidity_pct::float8 FROM climate_reading WHERE workshop_id = $1 AND place = $2 AND taken_at BETWEEN $3 AND $4 ORDER BY taken_at`,
			workshop, place, from, to)
		if err == nil {
			list, err = pgx.CollectRows(rows, pgx.RowToStructByPos[climate.Reading])
		}
		return err
	})
	if err != nil {
		return nil, fmt.Errorf("store: room readings: %w", err)
	}
	return list, nil
}
