package store

import (
	"context"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"

	"example.org/stillroom/internal/record"
	"example.org/stillroom/internal/release"
)

// Record reads a batch, by its code or that of one of its packings, as its batch record is written from: everything in
// one snapshot, corrected entries too. by is who asks for it, now when.
func (s *Store) Record(ctx context.Context, workshop WorkshopID, code, by string, now time.Time) (record.Source, error) {
	l := recorder{workshop: workshop, out: record.Source{Now: now, By: by}}
	err := s.read(ctx, workshop, func(t pgx.Tx) error {
		id, _, err := batchOfCode(ctx, t, workshop, code)
		if err != nil {
			return err
		}
		return l.load(ctx, t, id)
	})
	if err != nil {
		return record.Source{}, fmt.Errorf("store: record of %q: %w", code, err)
	}
	return l.out, nil
}

// recorder fills a record's source, part by part.
type recorder struct {
	workshop WorkshopID
	w        Workshop
	b        BatchRecord
	packings []PackingRecord
	gone     map[[16]byte]*record.Gone
	out      record.Source
}

func (l *recorder) load(ctx context.Context, t pgx.Tx, id BatchID) error {
	if err := together(ctx, t, func(t pgx.Tx) (err error) {
		l.w, err = scanWorkshop(t.QueryRow(ctx, `SELECT `+workshopColumns+` FROM workshop WHERE id = $1`, l.workshop))
		return err
	}, func(t pgx.Tx) (err error) {
		l.b, err = loadBatch(ctx, t, l.workshop, id)
		return err
	}, func(t pgx.Tx) error { return l.loadGone(ctx, t, id) }); err != nil {
		return err
	}
	var err error
	if l.packings, err = loadPackings(ctx, t, l.w, l.b, l.b.Packings...); err != nil {
		return err
	}
	var readers []reader
	for _, part := range []func(context.Context, pgx.Tx) error{
		l.loadHead, l.loadMaster, l.loadInputs, l.loadLots, l.loadSources, l.loadMaking, l.loadEquipment, l.loadYield, l.loadPackings, l.loadCodes, l.loadSamples,
		l.loadDeviations, l.loadChanges, l.loadRework, l.loadReleases, l.loadWent,
	} {
		readers = append(readers, func(t pgx.Tx) error { return part(ctx, t) })
	}
	if err := together(ctx, t, readers...); err != nil {
		return err
	}
	for _, d := range l.b.Documents {
		l.out.Documents = append(l.out.Documents, record.Paper{Name: d.Name, Kind: d.Kind, Size: d.Size, SHA256: hex.EncodeToString(d.SHA256)})
	}
	return nil
}

// loadGone reads which entries of the batch no longer stand: what replaced them, why, by whom and when, from the trail. The
// other parts mark their entries by it.
func (l *recorder) loadGone(ctx context.Context, t pgx.Tx, id BatchID) error {
	l.gone = map[[16]byte]*record.Gone{}
	rows, err := t.Query(ctx, `SELECT e.id, e.replaced_by, z.reason, z.who, z.at FROM (
			SELECT 'batch_input' AS what, i.id, i.replaced_by FROM batch_input i WHERE i.workshop_id = $1 AND i.batch_id = $2 AND i.replaced_by IS NOT NULL
			UNION ALL SELECT 'step_tick', i.id, i.replaced_by FROM step_tick i WHERE i.workshop_id = $1 AND i.batch_id = $2 AND i.replaced_by IS NOT NULL
			UNION ALL SELECT 'control_reading', i.id, i.replaced_by FROM control_reading i WHERE i.workshop_id = $1 AND i.batch_id = $2 AND i.replaced_by IS NOT NULL
			UNION ALL SELECT 'batch_climate', i.id, i.replaced_by FROM batch_climate i WHERE i.workshop_id = $1 AND i.batch_id = $2 AND i.replaced_by IS NOT NULL
			UNION ALL SELECT 'cure_weighing', i.id, i.replaced_by FROM cure_weighing i WHERE i.workshop_id = $1 AND i.batch_id = $2 AND i.replaced_by IS NOT NULL
			UNION ALL SELECT 'reject', i.id, i.replaced_by FROM reject i WHERE i.workshop_id = $1 AND i.batch_id = $2 AND i.replaced_by IS NOT NULL
			UNION ALL SELECT 'stage_mass', i.id, i.replaced_by FROM stage_mass i WHERE i.workshop_id = $1 AND i.batch_id = $2 AND i.replaced_by IS NOT NULL
			UNION ALL SELECT 'batch_equipment', i.id, i.replaced_by FROM batch_equipment i WHERE i.workshop_id = $1 AND i.batch_id = $2 AND i.replaced_by IS NOT NULL
			UNION ALL SELECT 'packing_input', i.id, i.replaced_by FROM packing_input i JOIN packing p ON p.workshop_id = $1 AND p.id = i.packing_id WHERE i.workshop_id = $1 AND p.batch_id = $2 AND i.replaced_by IS NOT NULL
			UNION ALL SELECT 'unit_code', i.id, i.replaced_by FROM unit_code i JOIN packing p ON p.workshop_id = $1 AND p.id = i.packing_id WHERE i.workshop_id = $1 AND p.batch_id = $2 AND i.replaced_by IS NOT NULL
			UNION ALL SELECT 'sample', i.id, i.replaced_by FROM sample i JOIN packing p ON p.workshop_id = $1 AND p.id = i.packing_id WHERE i.workshop_id = $1 AND p.batch_id = $2 AND i.replaced_by IS NOT NULL
			UNION ALL SELECT 'sample_check', i.id, i.replaced_by FROM sample_check i JOIN sample s ON s.workshop_id = $1 AND s.id = i.sample_id JOIN packing p ON p.workshop_id = $1 AND p.id = s.packing_id
				WHERE i.workshop_id = $1 AND p.batch_id = $2 AND i.replaced_by IS NOT NULL) e
		CROSS JOIN LATERAL (`+lastChange(`e.what`, `e.id`)+`) z`, l.workshop, id)
	if err != nil {
		return err
	}
	var row, by [16]byte
	var g record.Gone
	_, err = pgx.ForEachRow(rows, []any{&row, &by, &g.Why, &g.By, &g.At}, func() error {
		gone := g
		if by != row {
			gone.Now = Text(InputID(by))
		}
		l.gone[row] = &gone
		return nil
	})
	return err
}

// entry is what an entry's id says about it.
func (l *recorder) entry(id [16]byte, m Made) record.Entry {
	return record.Entry{ID: Text(InputID(id)), Made: record.Made(m), Gone: l.gone[id]}
}

func moment(t *time.Time) time.Time {
	if t == nil {
		return time.Time{}
	}
	return *t
}

func (l *recorder) loadHead(ctx context.Context, t pgx.Tx) error {
	b, o := l.b, &l.out
	o.Workshop, o.Zone, o.Style = l.w.Name, l.w.Location(), l.w.Style
	o.Code, o.Origin, o.Status, o.Bulk = b.Code, b.Origin, b.Status, b.Yields == "bulk"
	o.FormulaCode, o.FormulaName, o.ProductCode, o.ProductName = b.FormulaCode, b.FormulaName, b.ProductCode, b.ProductName
	o.PlannedUnits, o.PlannedG, o.MadeAt, o.MadeOn, o.MadeBy, o.Late, o.Place = b.PlannedUnits, b.PlannedG, b.MadeAt, b.MadeOn, b.MadeBy, b.Late, b.Place
	o.Moulded = record.Moulded{At: moment(b.MouldedAt), Units: b.MouldedUnits, Grams: b.MouldedG}
	o.BestBefore, o.BulkG, o.DrawnG = b.BestBefore, b.BulkG, b.Drawn
	if err := t.QueryRow(ctx, `SELECT coalesce(kind, '') = 'set' FROM batch WHERE workshop_id = $1 AND id = $2`, l.workshop, b.ID).Scan(&o.Set); err != nil {
		return err
	}
	return t.QueryRow(ctx, `SELECT n, encode(hash, 'hex') FROM chain_head WHERE workshop_id = $1`, l.workshop).Scan(&o.ChainN, &o.ChainSum)
}

func (l *recorder) loadMaster(ctx context.Context, t pgx.Tx) error {
	if l.b.VersionID == nil {
		return nil
	}
	v, err := loadVersion(ctx, t, l.workshop, *l.b.VersionID)
	if err != nil {
		return err
	}
	m := &record.Master{Version: v.Number, ApprovedBy: v.ApprovedBy, ApprovedAt: moment(v.ApprovedAt), Computed: v.Seen, NominalG: v.NominalG, TolerancePct: v.TolerancePct, ToleranceG: v.ToleranceG,
		LossPct: v.ExpectedLossPct, LimitPct: v.ReconciliationPct, MinC: v.MinC, MaxC: v.MaxC, MinPct: v.MinPct, MaxPct: v.MaxPct, BulkMonths: v.BulkMonths, Caution: v.Caution, Note: v.Note}
	if err := t.QueryRow(ctx, `SELECT coalesce(encode(content_hash, 'hex'), '') FROM formula_version WHERE workshop_id = $1 AND id = $2`, l.workshop, v.ID).Scan(&m.Approved); err != nil {
		return err
	}
	for _, p := range v.Portions {
		portion := record.MasterPortion{Name: p.Name, Basis: p.Basis, Amount: p.Amount}
		for _, x := range p.Lines {
			code := x.MaterialCode
			if code == "" {
				code = x.BulkFormula
			}
			if c := (record.MasterCaution{Name: x.Name, Text: x.Caution}); c.Text != "" && !slices.Contains(m.Cautions, c) {
				m.Cautions = append(m.Cautions, c)
			}
			portion.Lines = append(portion.Lines, record.MasterLine{Name: x.Name, Code: code, Kind: x.Kind, Basis: x.Basis, Amount: x.Amount, AsNeeded: x.AsNeeded, Low: x.Low, High: x.High, MaxPct: x.MaxPct})
		}
		m.Portions = append(m.Portions, portion)
	}
	for _, s := range v.Steps {
		m.Steps = append(m.Steps, record.MasterStep{Portion: s.Portion, Text: s.Text, Caution: s.Caution})
	}
	for _, c := range v.Controls {
		m.Controls = append(m.Controls, record.Control{Name: c.Name, Stage: c.Stage, Unit: c.Unit, Low: c.Low, High: c.High, Asked: c.Readings})
	}
	l.out.Master = m
	return nil
}

// inputMore is what the batch's own reader does not say of an input.
type inputMore struct {
	ID                   InputID
	Scale, From, Packing string
}

func (l *recorder) loadInputs(ctx context.Context, t pgx.Tx) error {
	rows, err := t.Query(ctx, `SELECT i.id, coalesce(e.code || ' ' || e.name, ''), coalesce(m.source_note, ''), coalesce(k.code, '') FROM batch_input i LEFT JOIN equipment e ON e.workshop_id = i.workshop_id AND e.id = i.scale_id
		LEFT JOIN material m ON m.workshop_id = i.workshop_id AND m.id = i.untracked_material_id LEFT JOIN packing k ON k.workshop_id = i.workshop_id AND k.id = i.source_packing_id
		WHERE i.workshop_id = $1 AND i.batch_id = $2`, l.workshop, l.b.ID)
	if err != nil {
		return err
	}
	list, err := pgx.CollectRows(rows, pgx.RowToStructByPos[inputMore])
	if err != nil {
		return err
	}
	more := map[InputID]inputMore{}
	for _, m := range list {
		more[m.ID] = m
	}
	input := func(in BatchInput) record.Input {
		source := in.SourceBatch
		if packing := more[in.ID].Packing; packing != "" {
			source = packing
		}
		return record.Input{Entry: l.entry(in.ID, in.Made), Name: in.Name, Material: in.Material, Lot: in.Lot, Batch: source, Untracked: in.Untracked, Inner: in.Inner, From: more[in.ID].From,
			Quantity: in.Quantity, Unit: in.Unit, WeighedG: in.WeighedG, Happened: moment(in.HappenedAt), Late: in.Late, Scale: more[in.ID].Scale}
	}
	for _, x := range l.b.Lines {
		line := record.Line{Portion: x.Portion, Name: x.Name, PlannedG: x.PlannedG, TargetG: x.TargetG, AsNeeded: x.AsNeeded, LowG: x.LowG, HighG: x.HighG}
		for _, in := range x.Inputs {
			line.Inputs = append(line.Inputs, input(in))
		}
		l.out.Lines = append(l.out.Lines, line)
	}
	for _, in := range l.b.Additions {
		l.out.Additions = append(l.out.Additions, input(in))
	}
	return nil
}

// usedIn are the lots of the batch and of its packings, through tubs.
func (l *recorder) usedIn(ctx context.Context, t pgx.Tx) ([][16]byte, error) {
	var packings []PackingID
	for _, p := range l.packings {
		packings = append(packings, p.ID)
	}
	lots, err := queryUsedLots(ctx, t, l.w, l.b.ID, packings)
	if err != nil {
		return nil, err
	}
	var ids [][16]byte
	for _, lot := range lots {
		ids = append(ids, lot.LotID)
	}
	// What was corrected away stands in the record too, and so does where it came from.
	rows, err := t.Query(ctx, `SELECT i.material_lot_id FROM batch_input i WHERE i.workshop_id = $1 AND i.batch_id = $2 AND i.material_lot_id IS NOT NULL AND i.replaced_by IS NOT NULL
		UNION SELECT i.material_lot_id FROM packing_input i JOIN packing p ON p.workshop_id = $1 AND p.id = i.packing_id WHERE i.workshop_id = $1 AND p.batch_id = $2 AND i.replaced_by IS NOT NULL`, l.workshop, l.b.ID)
	if err != nil {
		return nil, err
	}
	old, err := pgx.CollectRows(rows, pgx.RowTo[[16]byte])
	return append(ids, old...), err
}

func (l *recorder) loadLots(ctx context.Context, t pgx.Tx) error {
	ids, err := l.usedIn(ctx, t)
	if err != nil {
		return err
	}
	lots, err := queryLots(ctx, t, `WHERE l.workshop_id = $1 AND l.id = ANY ($2::uuid[]) ORDER BY m.kind DESC, m.name, l.code`, l.workshop, ids)
	if err != nil {
		return err
	}
	papers, err := l.pairs(ctx, t, `SELECT d.lot_id, d.kind || ': ' || d.name FROM document d WHERE d.workshop_id = $1 AND d.lot_id = ANY ($2::uuid[]) ORDER BY d.id`, ids)
	if err != nil {
		return err
	}
	tubs, err := l.pairs(ctx, t, `SELECT DISTINCT i.source_lot_id, t.code FROM lot_input i JOIN material_lot t ON t.workshop_id = $1 AND t.id = i.lot_id
		WHERE i.workshop_id = $1 AND i.source_lot_id = ANY ($2::uuid[]) AND i.lot_id = ANY ($2::uuid[]) AND i.replaced_by IS NULL ORDER BY 2`, ids)
	if err != nil {
		return err
	}
	for _, x := range lots {
		lot := record.Lot{Code: x.Code, Material: x.Material.Code, Name: x.Material.Name, Kind: x.Material.Kind, SupplierCode: x.SupplierCode, Supplier: x.SupplierName, SupplierLot: x.SupplierLot, Received: x.ReceivedOn,
			Expires: x.ExpiresOn, Retest: x.RetestOn, Status: x.Status, Recalled: x.Recalled, DeliveryNote: x.DeliveryNote, Tub: x.Tub, Into: tubs[x.ID]}
		for _, p := range papers[x.ID] {
			kind, name, _ := strings.Cut(p, ": ")
			lot.Papers = append(lot.Papers, record.PaperKind(kind)+" "+name)
		}
		l.out.Lots = append(l.out.Lots, lot)
	}
	return nil
}

// pairs reads texts by the id that they belong to.
func (l *recorder) pairs(ctx context.Context, t pgx.Tx, query string, ids [][16]byte) (map[LotID][]string, error) {
	rows, err := t.Query(ctx, query, l.workshop, ids)
	if err != nil {
		return nil, err
	}
	out := map[LotID][]string{}
	var id LotID
	var text string
	_, err = pgx.ForEachRow(rows, []any{&id, &text}, func() error {
		out[id] = append(out[id], text)
		return nil
	})
	return out, err
}

func (l *recorder) loadSources(ctx context.Context, t pgx.Tx) error {
	rows, err := t.Query(ctx, `SELECT DISTINCT coalesce(k.code, b.code), coalesce(kp.name, f.name, p.name, ''), coalesce(k.status, b.status), b.made_on, coalesce(k.best_before, b.best_before)
		FROM batch_input i JOIN batch b ON b.workshop_id = $1 AND b.id = i.source_batch_id LEFT JOIN formula f ON f.workshop_id = $1 AND f.id = b.formula_id LEFT JOIN product p ON p.workshop_id = $1 AND p.id = b.product_id
		LEFT JOIN packing k ON k.workshop_id = $1 AND k.id = i.source_packing_id LEFT JOIN product kp ON kp.workshop_id = $1 AND kp.id = k.product_id
		WHERE i.workshop_id = $1 AND i.batch_id = $2 ORDER BY 1`, l.workshop, l.b.ID)
	if err != nil {
		return err
	}
	l.out.Sources, err = pgx.CollectRows(rows, pgx.RowToStructByPos[record.SourceBatch])
	return err
}

// loadMaking takes over what the batch's own reader knows: steps, controls, the room, the cure, rejects.
func (l *recorder) loadMaking(ctx context.Context, t pgx.Tx) error {
	for _, s := range l.b.Steps {
		step := record.Step{Portion: s.Portion, Text: s.Text}
		ticks := s.Undone
		if s.Tick != nil {
			ticks = append(append([]StepTick{}, ticks...), *s.Tick)
		}
		for _, k := range ticks {
			step.Ticks = append(step.Ticks, record.Tick{Entry: l.entry(k.ID, k.Made), Done: k.At, Note: k.Note})
		}
		l.out.Steps = append(l.out.Steps, step)
	}
	l.out.OnlyC, l.out.OnlyPct = l.b.OnlyC, l.b.OnlyPct
	for _, a := range l.b.Climate {
		l.out.Air = append(l.out.Air, record.Air{Entry: l.entry(a.ID, a.Made), Stage: a.Stage, C: a.TemperatureC, Pct: a.HumidityPct, Taken: a.TakenAt, Source: a.Source})
	}
	page := BatchPage{BatchRecord: l.b}
	if err := page.loadRoom(ctx, t, l.workshop, l.out.Now); err != nil {
		return err
	}
	l.out.Cure = record.Cure{Word: l.b.CureWord, Hours: l.b.CureHours, Start: moment(l.b.CureStartedAt), End: moment(l.b.CureEndedAt), Room: page.CureRoom}
	for _, x := range l.b.Weighings {
		l.out.Cure.Weighings = append(l.out.Cure.Weighings, record.CureWeighing{Entry: l.entry(x.ID, x.Made), Taken: x.At, Grams: x.Grams})
	}
	for _, r := range l.b.Rejects {
		l.out.Rejects = append(l.out.Rejects, record.Reject{Entry: l.entry(r.ID, r.Made), Packing: r.Packing, Stage: r.Stage, Reason: r.Reason, Units: r.Units, MassG: r.MassG})
	}
	packingOf := map[ReadingID]string{}
	rows, err := t.Query(ctx, `SELECT r.id, p.code FROM control_reading r JOIN packing p ON p.workshop_id = r.workshop_id AND p.id = r.packing_id WHERE r.workshop_id = $1 AND r.batch_id = $2`, l.workshop, l.b.ID)
	if err != nil {
		return err
	}
	var id ReadingID
	var code string
	if _, err := pgx.ForEachRow(rows, []any{&id, &code}, func() error { packingOf[id] = code; return nil }); err != nil {
		return err
	}
	for _, c := range l.b.Controls {
		control := record.Control{Name: c.Name, Stage: c.Stage, Unit: c.Unit, Low: c.Low, High: c.High, Asked: c.Asked}
		for _, r := range c.Readings {
			control.Readings = append(control.Readings, record.Reading{Entry: l.entry(r.ID, r.Made), Packing: packingOf[r.ID], Value: r.Value, Taken: r.At})
		}
		l.out.Controls = append(l.out.Controls, control)
	}
	return nil
}

// lastLogged joins the last entry of a kind in the log of equipment q before it was used at e.happened_at, as one row of
// JSON; null where there is none.
func lastLogged(kind string) string {
	return `(SELECT jsonb_build_object('At', g.happened_at, 'Result', g.result, 'Words', g.words, 'By', coalesce(n.name, h.actor), 'Next', coalesce(to_char(g.next_on, 'YYYY-MM-DD'), ''))
		FROM log_entry g JOIN change h ON h.workshop_id = g.workshop_id AND h.id = g.change_id LEFT JOIN person n ON n.workshop_id = h.workshop_id AND n.id = h.person_id
		WHERE g.workshop_id = $1 AND g.equipment_id = q.id AND g.kind = '` + kind + `' AND g.happened_at <= e.happened_at AND g.replaced_by IS NULL ORDER BY g.happened_at DESC, g.id DESC LIMIT 1)`
}

// loadEquipment reads what the batch and its packings used, the scales that its inputs were weighed on among them, each
// with the last cleaning, check and maintenance before.
func (l *recorder) loadEquipment(ctx context.Context, t pgx.Tx) error {
	rows, err := t.Query(ctx, `SELECT e.id, q.code, q.name, q.kind, q.place, coalesce(k.code, ''), q.readability_g, q.min_load_g, e.was_clean, e.note, e.happened_at, coalesce(p.name, c.actor), c.at, coalesce(q.check_days, 0),
			`+lastLogged("cleaning")+`, `+lastLogged("check")+`, `+lastLogged("maintenance")+`
		FROM (SELECT b.workshop_id, b.id, b.packing_id, b.equipment_id, b.was_clean, b.note, b.happened_at, b.change_id FROM batch_equipment b WHERE b.workshop_id = $1 AND b.batch_id = $2
			UNION ALL (SELECT DISTINCT ON (i.scale_id) i.workshop_id, i.id, NULL, i.scale_id, NULL, '', coalesce(i.happened_at, x.at), i.change_id FROM batch_input i JOIN change x ON x.workshop_id = $1 AND x.id = i.change_id
				WHERE i.workshop_id = $1 AND i.batch_id = $2 AND i.scale_id IS NOT NULL AND i.replaced_by IS NULL
				  AND NOT EXISTS (SELECT FROM batch_equipment b WHERE b.workshop_id = $1 AND b.batch_id = $2 AND b.equipment_id = i.scale_id AND b.replaced_by IS NULL)
				ORDER BY i.scale_id, coalesce(i.happened_at, x.at))) e
		JOIN equipment q ON q.workshop_id = $1 AND q.id = e.equipment_id LEFT JOIN packing k ON k.workshop_id = $1 AND k.id = e.packing_id`+madeBy+` ORDER BY q.kind, q.code, e.happened_at, e.id`, l.workshop, l.b.ID)
	if err != nil {
		return err
	}
	l.out.Equipment, err = pgx.CollectRows(rows, func(row pgx.CollectableRow) (record.Equipment, error) {
		var e record.Equipment
		var id [16]byte
		var m Made
		var cleaned, checked, kept []byte
		err := row.Scan(&id, &e.Code, &e.Name, &e.Kind, &e.Place, &e.Packing, &e.Readability, &e.MinLoad, &e.WasClean, &e.Note, &e.Used, &m.By, &m.At, &e.CheckDays, &cleaned, &checked, &kept)
		if err != nil {
			return e, err
		}
		e.Entry = l.entry(id, m)
		for _, x := range []struct {
			text []byte
			to   **record.LogEntry
		}{{cleaned, &e.Cleaned}, {checked, &e.Checked}, {kept, &e.Kept}} {
			if x.text != nil {
				if err := json.Unmarshal(x.text, x.to); err != nil {
					return e, err
				}
			}
		}
		return e, nil
	})
	return err
}

func (l *recorder) loadYield(ctx context.Context, t pgx.Tx) error {
	y, err := loadYield(ctx, t, l.workshop, &l.b)
	if err != nil {
		return err
	}
	l.out.Yield = record.Yield{WeighedG: l.b.WeighedG(), FillG: y.FillG, Theoretical: y.Theoretical, Countable: y.Countable, ByMass: y.ByMass, Percent: y.Percent, Counts: y.Counts, Stages: y.Stages, Balance: y.Balance, Unknown: y.Unknown, Note: y.Note, LeftOverG: l.b.LeftOverG, LossG: l.b.LossG}
	for _, m := range l.b.StageMasses {
		l.out.Stages = append(l.out.Stages, record.StageMass{Entry: l.entry(m.ID, m.Recorded), Stage: m.Stage, Units: m.Units, Grams: m.Grams})
	}
	return nil
}

func (l *recorder) loadPackings(context.Context, pgx.Tx) error {
	for _, p := range l.packings {
		k := record.Packing{Entry: record.Entry{ID: Text(p.ID), Made: record.Made(p.Recorded)}, Code: p.Code, ProductCode: p.ProductCode, Product: p.ProductName, PackedOn: p.PackedOn, PackedAt: moment(p.PackedAt),
			Good: p.UnitsGood, Retained: p.UnitsRetained, BestBefore: p.BestBefore, OpenedMonths: p.OpenedMonths, Reason: p.DateReason, Printed: p.Printed, Status: p.Status, Late: p.Late, Cleared: p.Cleared, Checked: p.LabelChecked,
			Specimen: p.LabelSpecimen, LabelsUsed: p.LabelsUsed, Ledger: record.Ledger{Back: p.Returned - p.Destroyed, Destroyed: p.Destroyed, Used: p.Used, OnHand: p.OnHand, Held: p.Held}}
		k.LabelsIssued, k.LabelsSpoiled, k.LabelsReturned, k.PackagingNote = p.LabelsIssued, p.LabelsSpoiled, p.LabelsReturned, p.PackagingNote
		for _, x := range p.Packaging {
			k.Packaging = append(k.Packaging, record.Packaging{Entry: l.entry(x.ID, x.Made), Name: x.Name, Lot: x.Lot, Unit: x.Unit, Quantity: x.Quantity, Spoiled: x.Spoiled, Issued: x.Issued, Returned: x.Returned})
		}
		l.out.Packings = append(l.out.Packings, k)
	}
	return nil
}

func (l *recorder) loadCodes(ctx context.Context, t pgx.Tx) error {
	rows, err := t.Query(ctx, `SELECT e.id, e.code, k.code, e.kind, e.reason, coalesce(e.units, 0), e.noted_on, coalesce(p.name, c.actor), c.at FROM unit_code e JOIN packing k ON k.workshop_id = e.workshop_id AND k.id = e.packing_id`+madeBy+`
		WHERE e.workshop_id = $1 AND k.batch_id = $2 ORDER BY c.at, e.id`, l.workshop, l.b.ID)
	if err != nil {
		return err
	}
	l.out.Codes, err = pgx.CollectRows(rows, func(row pgx.CollectableRow) (record.OnUnits, error) {
		var u record.OnUnits
		var id [16]byte
		var m Made
		err := row.Scan(&id, &u.Code, &u.Packing, &u.Kind, &u.Reason, &u.Units, &u.Noted, &m.By, &m.At)
		u.Entry = l.entry(id, m)
		return u, err
	})
	return err
}

func (l *recorder) loadSamples(ctx context.Context, t pgx.Tx) error {
	rows, err := t.Query(ctx, `SELECT e.id, k.code, e.units, e.place, e.taken_on, e.keep_until, e.note, e.ended_on, coalesce(e.ended_note, ''), coalesce(p.name, c.actor), c.at FROM sample e
		JOIN packing k ON k.workshop_id = e.workshop_id AND k.id = e.packing_id`+madeBy+`WHERE e.workshop_id = $1 AND k.batch_id = $2 ORDER BY k.n, e.taken_on, e.id`, l.workshop, l.b.ID)
	if err != nil {
		return err
	}
	at := map[[16]byte]int{}
	l.out.Samples, err = pgx.CollectRows(rows, func(row pgx.CollectableRow) (record.Sample, error) {
		var s record.Sample
		var id [16]byte
		var m Made
		err := row.Scan(&id, &s.Packing, &s.Units, &s.Place, &s.Taken, &s.Until, &s.Note, &s.Ended, &s.EndedNote, &m.By, &m.At)
		s.Entry = l.entry(id, m)
		at[id] = len(at)
		return s, err
	})
	if err != nil {
		return err
	}
	rows, err = t.Query(ctx, `SELECT e.sample_id, e.id, e.looked_on, e.result, e.words, e.units_used, coalesce(p.name, c.actor), c.at FROM sample_check e JOIN sample s ON s.workshop_id = e.workshop_id AND s.id = e.sample_id
		JOIN packing k ON k.workshop_id = s.workshop_id AND k.id = s.packing_id`+madeBy+`WHERE e.workshop_id = $1 AND k.batch_id = $2 ORDER BY e.looked_on, e.id`, l.workshop, l.b.ID)
	if err != nil {
		return err
	}
	var sample, id [16]byte
	var x record.Inspection
	var m Made
	_, err = pgx.ForEachRow(rows, []any{&sample, &id, &x.On, &x.Result, &x.Words, &x.Used, &m.By, &m.At}, func() error {
		look := x
		look.Entry = l.entry(id, m)
		s := &l.out.Samples[at[sample]]
		s.Inspections = append(s.Inspections, look)
		return nil
	})
	return err
}

func (l *recorder) loadDeviations(context.Context, pgx.Tx) error {
	for _, d := range l.b.Deviations {
		about := d.Packing
		if about == "" {
			about = d.Lot
		}
		l.out.Deviations = append(l.out.Deviations, record.Deviation{N: d.N, About: about, What: d.What, Reason: d.Reason, Raised: record.Made{By: d.RaisedBy, At: d.RaisedAt}, Decision: d.Decision, Note: d.DecisionNote,
			Decided: record.Made{By: d.DecidedBy, At: moment(d.DecidedAt)}, Withdrawn: d.Withdrawn})
	}
	return nil
}

// loadChanges reads what was corrected in its place: values of the batch, of its packings, and targets that were
// rescaled.
func (l *recorder) loadChanges(ctx context.Context, t pgx.Tx) error {
	add := func(what string, list []RowChange) {
		for _, c := range list {
			for _, f := range c.Fields {
				if c.Kind == correct || c.Kind == void {
					l.out.Changes = append(l.out.Changes, record.Change{What: what + ": " + f.Field, Was: f.Old, Now: f.New, Why: c.Reason, Made: record.Made{By: c.Who, At: c.At}})
				}
			}
		}
	}
	var batch []RowChange
	lines := make([][]RowChange, len(l.b.Lines))
	readers := []reader{func(t pgx.Tx) (err error) {
		batch, err = historyOf(ctx, t, l.w, "batch", l.b.ID)
		return err
	}}
	for i, x := range l.b.Lines {
		if !x.PlannedG.Equal(x.TargetG) {
			readers = append(readers, func(t pgx.Tx) (err error) {
				lines[i], err = historyOf(ctx, t, l.w, "batch_line", x.ID)
				return err
			})
		}
	}
	if err := together(ctx, t, readers...); err != nil {
		return err
	}
	add("The batch", batch)
	for _, p := range l.packings {
		add("Packing "+p.Code, p.Changes)
	}
	for i, x := range l.b.Lines {
		add("Target of "+x.Name, lines[i])
	}
	return nil
}

func (l *recorder) loadRework(ctx context.Context, t pgx.Tx) error {
	list, err := queryReworks(ctx, t, `WHERE r.workshop_id = $1 AND r.batch_id = $2 ORDER BY r.id`, l.workshop, l.b.ID)
	if err != nil {
		return err
	}
	signed, err := reworkSignatures(ctx, t, l.workshop, list)
	if err != nil {
		return err
	}
	for i, r := range list {
		one := record.Signature{Name: r.Name, Meaning: r.Meaning, LocalTime: r.LocalTime, Hash: r.Hash, Broken: signed[i].Broken || signed[i].Hash == "", Told: r.Told}
		l.out.Rework = append(l.out.Rework, record.Rework{What: r.What, Into: r.FormulaName, Reason: r.Reason, Grams: r.Grams, DrawnG: r.DrawnG, Signature: one, Withdrawn: r.Withdrawn})
	}
	return nil
}

func (l *recorder) loadReleases(ctx context.Context, t pgx.Tx) error {
	add := func(code, status string, now []release.Condition, signed []Signature) {
		r := record.Release{Code: code, Status: status, Conditions: now}
		for _, s := range signed {
			one := record.Signature{Name: s.Name, Meaning: s.Meaning, LocalTime: s.LocalTime, Hash: s.Hash, Broken: s.Broken, Told: s.Told}
			if err := json.Unmarshal(s.Seen, &one.Seen); err != nil {
				one.Broken = true // what was signed cannot be read, so it is not what was signed
			}
			r.Signatures = append(r.Signatures, one)
		}
		l.out.Releases = append(l.out.Releases, r)
	}
	if l.b.Yields == "bulk" {
		r, err := judgedBulk(ctx, t, l.w, l.b)
		if err != nil {
			return err
		}
		add(l.b.Code, l.b.Status, r.Conditions, r.Signatures)
		return nil
	}
	for _, p := range l.packings {
		add(p.Code, p.Status, p.Conditions, p.Signatures)
	}
	return nil
}

// loadWent sums what was sent by kind of customer: whom it went to by name stands in a trace.
func (l *recorder) loadWent(ctx context.Context, t pgx.Tx) error {
	ledger := map[PackingID]*record.Ledger{}
	var ids []PackingID
	for i, p := range l.packings {
		ids, ledger[p.ID] = append(ids, p.ID), &l.out.Packings[i].Ledger
	}
	var id PackingID
	return together(ctx, t, func(t pgx.Tx) error {
		rows, err := t.Query(ctx, `SELECT d.packing_id, c.kind, sum(d.units)::int, count(DISTINCT c.id)::int FROM dispatch_line d JOIN customer c ON c.workshop_id = d.workshop_id AND c.id = d.customer_id
			WHERE d.workshop_id = $1 AND d.packing_id = ANY ($2::uuid[]) AND d.replaced_by IS NULL GROUP BY d.packing_id, c.kind ORDER BY c.kind`, l.workshop, ids)
		if err != nil {
			return err
		}
		var s record.Sent
		_, err = pgx.ForEachRow(rows, []any{&id, &s.Kind, &s.Units, &s.Customers}, func() error {
			ledger[id].Sent = append(ledger[id].Sent, s)
			return nil
		})
		return err
	}, func(t pgx.Tx) error {
		rows, err := t.Query(ctx, `SELECT m.packing_id, m.reason, sum(m.units)::int FROM unit_move m WHERE m.workshop_id = $1 AND m.packing_id = ANY ($2::uuid[]) AND m.replaced_by IS NULL GROUP BY m.packing_id, m.reason ORDER BY m.reason`, l.workshop, ids)
		if err != nil {
			return err
		}
		var m record.Move
		_, err = pgx.ForEachRow(rows, []any{&id, &m.Reason, &m.Units}, func() error {
			ledger[id].Moves = append(ledger[id].Moves, m)
			return nil
		})
		return err
	})
}
