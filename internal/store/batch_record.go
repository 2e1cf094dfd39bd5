package store

import (
	"context"
	"fmt"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/shopspring/decimal"

	"example.org/stillroom/internal/day"
	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/measure"
)

// Batch reads a batch with everything that happened to it, by its own code or by that of one of its packings.
func (s *Store) Batch(ctx context.Context, workshop WorkshopID, code string) (BatchRecord, error) {
	var record BatchRecord
	err := s.read(ctx, workshop, func(t pgx.Tx) error {
		id, _, err := batchOfCode(ctx, t, workshop, code)
		if err != nil {
			return err
		}
		record, err = loadBatch(ctx, t, workshop, id)
		return err
	})
	if err != nil {
		return BatchRecord{}, fmt.Errorf("store: batch %q: %w", code, err)
	}
	return record, nil
}

// loadBatch reads the whole record in one transaction's view. Replaced entries come too, marked as such.
func loadBatch(ctx context.Context, t pgx.Tx, workshop WorkshopID, id BatchID) (BatchRecord, error) {
	b, style, err := oneBatch(ctx, t, workshop, `b.id = $2`, id)
	if err != nil {
		return BatchRecord{}, err
	}
	r := BatchRecord{Batch: b}
	return r, together(ctx, t, r.entries(ctx, workshop, style)...)
}

// oneBatch reads a batch alone, and how its workshop writes things. The condition names it by $2.
func oneBatch(ctx context.Context, t pgx.Tx, workshop WorkshopID, which string, arg any) (b Batch, style measure.Style, err error) {
	err = together(ctx, t,
		func(t pgx.Tx) error {
			list, err := queryBatches(ctx, t, `WHERE b.workshop_id = $1 AND `+which, workshop, arg)
			if err == nil && len(list) == 0 {
				err = fault.New(fault.NotFound, "There is no such batch.")
			}
			if err == nil {
				b = list[0]
			}
			return err
		},
		func(t pgx.Tx) (err error) {
			style, err = styleOf(ctx, t, workshop)
			return err
		})
	return b, style, err
}

// entries read all that happened to the batch.
func (r *BatchRecord) entries(ctx context.Context, workshop WorkshopID, style measure.Style) []reader {
	id := r.ID
	readers := []reader{
		func(t pgx.Tx) (err error) {
			r.Packings, err = queryPackings(ctx, t, `WHERE p.workshop_id = $1 AND p.batch_id = $2 ORDER BY p.n`, workshop, id)
			return err
		},
		func(t pgx.Tx) (err error) {
			r.Deviations, err = queryDeviations(ctx, t, `WHERE d.workshop_id = $1 AND (d.batch_id = $2 OR k.batch_id = $2) ORDER BY d.n`, workshop, id)
			return err
		},
		func(t pgx.Tx) (err error) {
			r.Documents, err = documents(ctx, t, workshop, `d.batch_id = $2`, id)
			return err
		},
		func(t pgx.Tx) error {
			return t.QueryRow(ctx, `SELECT coalesce(sum(quantity), 0) FROM batch_input WHERE workshop_id = $1 AND source_batch_id = $2 AND unit = 'g' AND replaced_by IS NULL`, workshop, id).Scan(&r.Drawn)
		},
	}
	inputs := func(ctx context.Context, t pgx.Tx, workshop WorkshopID) error {
		return r.loadInputs(ctx, t, workshop, style)
	}
	// Entries stand behind what they belong to: inputs behind lines, ticks behind steps, readings behind controls.
	for _, load := range []func(context.Context, pgx.Tx, WorkshopID) error{
		r.loadLimits, r.loadLines, inputs, r.loadSteps, r.loadTicks, r.loadControls, r.loadReadings, r.loadClimate, r.loadCure, r.loadRejects, r.loadEquipment, r.loadStageMasses, r.loadFill,
	} {
		readers = append(readers, func(t pgx.Tx) error { return load(ctx, t, workshop) })
	}
	return readers
}

func (b *BatchRecord) loadLimits(ctx context.Context, t pgx.Tx, workshop WorkshopID) error {
	if b.VersionID == nil {
		return nil
	}
	l := &b.Limits
	return t.QueryRow(ctx, `SELECT tolerance_pct, tolerance_g, expected_loss_pct, reconciliation_pct, min_c, max_c, min_rh_pct, max_rh_pct, caution FROM formula_version WHERE workshop_id = $1 AND id = $2`, workshop, b.VersionID).
		Scan(&l.TolerancePct, &l.ToleranceG, &l.ExpectedLossPct, &l.ReconciliationPct, &l.MinC, &l.MaxC, &l.MinPct, &l.MaxPct, &l.Caution)
}

func (b *BatchRecord) loadLines(ctx context.Context, t pgx.Tx, workshop WorkshopID) error {
	rows, err := t.Query(ctx, `SELECT l.id, l.position, r.name, p.kind, coalesce(m.name, f.name, q.name, ''), coalesce(m.code, ''), coalesce(m.unit, 'g'), coalesce(m.tracked, true), coalesce(m.source_note, ''), `+cautionOfLine+`, coalesce(f.code, ''),
			l.planned_g, l.target_g, p.as_needed, l.low_g, l.high_g, l.finer_scale
		FROM batch_line l JOIN portion_line p ON p.workshop_id = l.workshop_id AND p.id = l.line_id JOIN portion r ON r.workshop_id = l.workshop_id AND r.id = l.portion_id
		LEFT JOIN material m ON m.workshop_id = p.workshop_id AND m.id = p.material_id LEFT JOIN formula f ON f.workshop_id = p.workshop_id AND f.id = p.bulk_formula_id
		LEFT JOIN portion q ON q.workshop_id = p.workshop_id AND q.id = p.inner_portion_id
		WHERE l.workshop_id = $1 AND l.batch_id = $2 ORDER BY l.position`, workshop, b.ID)
	if err != nil {
		return err
	}
	b.Lines, err = pgx.CollectRows(rows, func(row pgx.CollectableRow) (BatchLine, error) {
		var l BatchLine
		err := row.Scan(&l.ID, &l.Position, &l.Portion, &l.Kind, &l.Name, &l.Material, &l.Unit, &l.Tracked, &l.SourceNote, &l.Caution, &l.BulkFormula, &l.PlannedG, &l.TargetG, &l.AsNeeded, &l.LowG, &l.HighG, &l.FinerScale)
		return l, err
	})
	return err
}

// loadInputs puts each input under its line, in the order of entry; the rest are additions. A replaced one has the
// reason of the change that replaced it: that of its successor or, withdrawn, that of the update in the trail.
func (b *BatchRecord) loadInputs(ctx context.Context, t pgx.Tx, workshop WorkshopID, style measure.Style) error {
	rows, err := t.Query(ctx, `SELECT i.id, i.line_id, coalesce(m.name, um.name, kp.name, sf.name, sp.name, ''), coalesce(m.code, um.code, ''), coalesce(l.code, ''), coalesce(s.code, ''), coalesce(y0.code, ''), i.source_packing_id IS NOT NULL OR i.unit = 'each',
			i.untracked_material_id IS NOT NULL, i.inner_line, i.quantity, i.unit, i.weighed_g, i.happened_at, i.late, coalesce(w.name, c.actor), c.at, i.replaced_by IS NOT NULL, coalesce(x.reason, y.reason, ''), coalesce(k.code, ''), coalesce(kp.code, ''), coalesce(rs.printed_name, ''), coalesce(left(rs.local_time, 10), '')
		FROM batch_input i JOIN change c ON c.workshop_id = i.workshop_id AND c.id = i.change_id LEFT JOIN person w ON w.workshop_id = c.workshop_id AND w.id = c.person_id
		LEFT JOIN material_lot l ON l.workshop_id = i.workshop_id AND l.id = i.material_lot_id LEFT JOIN material m ON m.workshop_id = l.workshop_id AND m.id = l.material_id
		LEFT JOIN material um ON um.workshop_id = i.workshop_id AND um.id = i.untracked_material_id LEFT JOIN equipment y0 ON y0.workshop_id = i.workshop_id AND y0.id = i.scale_id
		LEFT JOIN batch s ON s.workshop_id = i.workshop_id AND s.id = i.source_batch_id LEFT JOIN formula sf ON sf.workshop_id = s.workshop_id AND sf.id = s.formula_id
		LEFT JOIN product sp ON sp.workshop_id = s.workshop_id AND sp.id = s.product_id
		LEFT JOIN packing k ON k.workshop_id = i.workshop_id AND k.id = i.source_packing_id LEFT JOIN product kp ON kp.workshop_id = k.workshop_id AND kp.id = k.product_id
		LEFT JOIN rework rw ON rw.workshop_id = i.workshop_id AND rw.id = i.rework_id LEFT JOIN signature rs ON rs.workshop_id = rw.workshop_id AND rs.id = rw.signature_id
		LEFT JOIN batch_input n ON n.workshop_id = i.workshop_id AND n.id = i.replaced_by AND n.id <> i.id LEFT JOIN change x ON x.workshop_id = n.workshop_id AND x.id = n.change_id
		LEFT JOIN LATERAL (SELECT h.reason FROM audit a JOIN change h ON h.workshop_id = a.workshop_id AND h.id = a.change_id
			WHERE a.workshop_id = i.workshop_id AND a.table_name = 'batch_input' AND a.row_id = i.id::text AND a.op = 'U' AND i.replaced_by = i.id ORDER BY a.n DESC LIMIT 1) y ON true
		WHERE i.workshop_id = $1 AND i.batch_id = $2 ORDER BY c.at, i.id`, workshop, b.ID)
	if err != nil {
		return err
	}
	at := map[BatchLineID]int{}
	for i, l := range b.Lines {
		at[l.ID] = i
	}
	inputs, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (BatchInput, error) {
		var in BatchInput
		var signer, signedOn string
		err := row.Scan(&in.ID, &in.LineID, &in.Name, &in.Material, &in.Lot, &in.SourceBatch, &in.Scale, &in.SourceUnits, &in.Untracked, &in.Inner, &in.Quantity, &in.Unit, &in.WeighedG, &in.HappenedAt, &in.Late, &in.By, &in.At, &in.Replaced, &in.Reason, &in.SourcePacking, &in.SourceProduct, &signer, &signedOn)
		in.Signed = signedBy(style, signer, signedOn)
		return in, err
	})
	for _, in := range inputs {
		if in.LineID == nil {
			b.Additions = append(b.Additions, in)
		} else if i, ok := at[*in.LineID]; ok {
			if in.Name == "" {
				in.Name = b.Lines[i].Name
			}
			b.Lines[i].Inputs = append(b.Lines[i].Inputs, in)
		}
	}
	return err
}

// loadSteps reads the steps in the order of the method: those of a portion after its lines, the others last.
func (b *BatchRecord) loadSteps(ctx context.Context, t pgx.Tx, workshop WorkshopID) error {
	if b.VersionID == nil {
		return nil
	}
	rows, err := t.Query(ctx, `SELECT s.id, coalesce(p.name, ''), s.text, s.caution FROM method_step s LEFT JOIN portion p ON p.workshop_id = s.workshop_id AND p.id = s.portion_id
		WHERE s.workshop_id = $1 AND s.version_id = $2 ORDER BY p.position NULLS LAST, s.position`, workshop, b.VersionID)
	if err != nil {
		return err
	}
	b.Steps, err = pgx.CollectRows(rows, func(row pgx.CollectableRow) (BatchStep, error) {
		var s BatchStep
		err := row.Scan(&s.ID, &s.Portion, &s.Text, &s.Caution)
		return s, err
	})
	return err
}

func (b *BatchRecord) loadTicks(ctx context.Context, t pgx.Tx, workshop WorkshopID) error {
	rows, err := t.Query(ctx, `SELECT e.step_id, e.id, e.note, e.happened_at, coalesce(p.name, c.actor), c.at, e.replaced_by IS NOT NULL FROM step_tick e`+madeBy+`WHERE e.workshop_id = $1 AND e.batch_id = $2 ORDER BY e.happened_at, e.id`, workshop, b.ID)
	if err != nil {
		return err
	}
	at := map[StepID]int{}
	for i, s := range b.Steps {
		at[s.ID] = i
	}
	var step StepID
	var tick StepTick
	var replaced bool
	_, err = pgx.ForEachRow(rows, []any{&step, &tick.ID, &tick.Note, &tick.At, &tick.Made.By, &tick.Made.At, &replaced}, func() error {
		i, ok := at[step]
		if !ok {
			return nil
		}
		if replaced {
			b.Steps[i].Undone = append(b.Steps[i].Undone, tick)
		} else {
			done := tick
			b.Steps[i].Tick = &done
		}
		return nil
	})
	return err
}

// madeBy joins who entered a row e, and when.
const madeBy = ` JOIN change c ON c.workshop_id = e.workshop_id AND c.id = e.change_id LEFT JOIN person p ON p.workshop_id = c.workshop_id AND p.id = c.person_id `

func (b *BatchRecord) loadControls(ctx context.Context, t pgx.Tx, workshop WorkshopID) error {
	if b.VersionID == nil {
		return nil
	}
	rows, err := t.Query(ctx, `SELECT id, name, stage, unit, low, high, readings FROM control WHERE workshop_id = $1 AND version_id = $2 ORDER BY position`, workshop, b.VersionID)
	if err != nil {
		return err
	}
	b.Controls, err = pgx.CollectRows(rows, func(row pgx.CollectableRow) (BatchControl, error) {
		var c BatchControl
		err := row.Scan(&c.ID, &c.Name, &c.Stage, &c.Unit, &c.Low, &c.High, &c.Asked)
		return c, err
	})
	return err
}

func (b *BatchRecord) loadReadings(ctx context.Context, t pgx.Tx, workshop WorkshopID) error {
	rows, err := t.Query(ctx, `SELECT e.control_id, e.id, e.value, e.happened_at, e.replaced_by IS NOT NULL, coalesce(p.name, c.actor), c.at FROM control_reading e`+madeBy+`WHERE e.workshop_id = $1 AND e.batch_id = $2 ORDER BY e.happened_at, e.id`, workshop, b.ID)
	if err != nil {
		return err
	}
	at := map[ControlID]int{}
	for i, c := range b.Controls {
		at[c.ID] = i
	}
	var control ControlID
	var r ControlReading
	_, err = pgx.ForEachRow(rows, []any{&control, &r.ID, &r.Value, &r.At, &r.Replaced, &r.Made.By, &r.Made.At}, func() error {
		if i, ok := at[control]; ok {
			b.Controls[i].Readings = append(b.Controls[i].Readings, r)
		}
		return nil
	})
	return err
}

func (b *BatchRecord) loadClimate(ctx context.Context, t pgx.Tx, workshop WorkshopID) error {
	rows, err := t.Query(ctx, `SELECT e.id, e.stage, e.temperature_c, e.humidity_pct, e.taken_at, e.source, e.replaced_by IS NOT NULL, coalesce(p.name, c.actor), c.at FROM batch_climate e`+madeBy+`WHERE e.workshop_id = $1 AND e.batch_id = $2 ORDER BY e.taken_at, e.id`, workshop, b.ID)
	if err != nil {
		return err
	}
	b.Climate, err = pgx.CollectRows(rows, func(row pgx.CollectableRow) (ClimateNote, error) {
		var n ClimateNote
		err := row.Scan(&n.ID, &n.Stage, &n.TemperatureC, &n.HumidityPct, &n.TakenAt, &n.Source, &n.Replaced, &n.By, &n.At)
		return n, err
	})
	return err
}

func (b *BatchRecord) loadCure(ctx context.Context, t pgx.Tx, workshop WorkshopID) error {
	rows, err := t.Query(ctx, `SELECT e.id, e.grams, e.happened_at, e.replaced_by IS NOT NULL, coalesce(p.name, c.actor), c.at FROM cure_weighing e`+madeBy+`WHERE e.workshop_id = $1 AND e.batch_id = $2 ORDER BY e.happened_at, e.id`, workshop, b.ID)
	if err != nil {
		return err
	}
	b.Weighings, err = pgx.CollectRows(rows, func(row pgx.CollectableRow) (CureWeighing, error) {
		var w CureWeighing
		err := row.Scan(&w.ID, &w.Grams, &w.At, &w.Replaced, &w.Made.By, &w.Made.At)
		return w, err
	})
	return err
}

func (b *BatchRecord) loadRejects(ctx context.Context, t pgx.Tx, workshop WorkshopID) error {
	rows, err := t.Query(ctx, `SELECT e.id, coalesce(k.code, ''), e.stage, e.reason, e.units, e.mass_g, e.replaced_by IS NOT NULL, coalesce(p.name, c.actor), c.at FROM reject e LEFT JOIN packing k ON k.workshop_id = e.workshop_id AND k.id = e.packing_id`+madeBy+`
		WHERE e.workshop_id = $1 AND e.batch_id = $2 ORDER BY c.at, e.id`, workshop, b.ID)
	if err != nil {
		return err
	}
	b.Rejects, err = pgx.CollectRows(rows, func(row pgx.CollectableRow) (Reject, error) {
		var r Reject
		err := row.Scan(&r.ID, &r.Packing, &r.Stage, &r.Reason, &r.Units, &r.MassG, &r.Replaced, &r.By, &r.At)
		return r, err
	})
	return err
}

// BatchFilter chooses which batches a list shows.
type BatchFilter string

// All batches, or those that are not decided yet.
const (
	AllBatches  BatchFilter = "all"
	OpenBatches BatchFilter = "open"
)

// BatchKey is where a page of the list ends: the next one starts after it. The zero key is before the newest.
type BatchKey struct {
	MadeOn day.Day
	ID     BatchID
}

// String writes the key for a URL; empty for the zero key.
func (k BatchKey) String() string {
	if k.MadeOn.IsZero() {
		return ""
	}
	return k.MadeOn.String() + "." + Text(k.ID)
}

// ParseBatchKey reads what String wrote; anything else is the zero key.
func ParseBatchKey(text string) BatchKey {
	date, id, _ := strings.Cut(text, ".")
	on, err := day.Parse(date)
	if err != nil {
		return BatchKey{}
	}
	batch, err := ParseID[BatchID](id)
	if err != nil {
		return BatchKey{}
	}
	return BatchKey{on, batch}
}

// BatchRow is one line of the list of batches.
type BatchRow struct {
	ID            BatchID
	Code          string
	Status        string
	MadeOn        day.Day
	FormulaName   string
	ProductName   string // of the first packing, or planned; empty for bulk
	Yields        string
	PlannedUnits  int
	Good          int // units of all packings
	BulkG         decimal.NullDecimal
	Waiting       int // deviations without a decision
	CureStartedAt *time.Time
	CureHours     int
	CureWord      string
}

// Key is where the list goes on after this row.
func (r BatchRow) Key() BatchKey { return BatchKey{r.MadeOn, r.ID} }

// Name is what the batch is called in lists: its product, else its formula.
func (r BatchRow) Name() string {
	if r.ProductName != "" {
		return r.ProductName
	}
	return r.FormulaName
}

// Batches is a page of at most limit batches by day of making, the newest first, behind a key, and the key that the next begins
// behind, empty for none.
func (s *Store) Batches(ctx context.Context, workshop WorkshopID, filter BatchFilter, after BatchKey, limit int) (list []BatchRow, next string, err error) {
	where, args := `WHERE b.workshop_id = $1`, []any{workshop, limit + 1}
	if filter == OpenBatches {
		where += ` AND b.status IN ('making', 'curing', 'packing', 'quarantined')`
	}
	if !after.MadeOn.IsZero() {
		where += ` AND (b.made_on, b.id) < ($3, $4)`
		args = append(args, after.MadeOn, after.ID)
	}
	err = s.read(ctx, workshop, func(t pgx.Tx) error {
		rows, err := t.Query(ctx, `SELECT x.id, x.code, x.status, x.made_on, coalesce(f.name, ''), coalesce(k.product, p.name, ''), coalesce(v.yields, 'units'), coalesce(x.planned_units, 0), coalesce(k.good, 0)::int, x.bulk_g,
				(SELECT count(*) FROM deviation d WHERE d.workshop_id = $1 AND d.batch_id = x.id AND d.decision IS NULL AND d.withdrawn_at IS NULL)::int, x.cure_started_at, coalesce(v.cure_hours, 0), coalesce(v.cure_word, 'cure')
			FROM (SELECT b.id, b.code, b.status, b.made_on, b.formula_id, b.version_id, b.product_id, b.planned_units, b.bulk_g, b.cure_started_at FROM batch b `+where+` ORDER BY b.made_on DESC, b.id DESC LIMIT $2) x
			LEFT JOIN formula f ON f.workshop_id = $1 AND f.id = x.formula_id LEFT JOIN formula_version v ON v.workshop_id = $1 AND v.id = x.version_id LEFT JOIN product p ON p.workshop_id = $1 AND p.id = x.product_id
			LEFT JOIN LATERAL (SELECT (array_agg(r.name ORDER BY q.n))[1] AS product, sum(q.units_good) AS good FROM packing q JOIN product r ON r.workshop_id = $1 AND r.id = q.product_id WHERE q.workshop_id = $1 AND q.batch_id = x.id) k ON true
			ORDER BY x.made_on DESC, x.id DESC`, args...)
		if err != nil {
			return err
		}
		list, err = pgx.CollectRows(rows, pgx.RowToStructByPos[BatchRow])
		return err
	})
	if err != nil {
		return nil, "", fmt.Errorf("store: batches: %w", err)
	}
	list, next = cut(list, limit, func(r BatchRow) string { return r.Key().String() })
	return list, next, nil
}
