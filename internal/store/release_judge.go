package store

import (
	"context"
	"fmt"
	"slices"
	"strings"

	"github.com/jackc/pgx/v5"

	"example.org/stillroom/internal/bestbefore"
	"example.org/stillroom/internal/day"
	"example.org/stillroom/internal/equipment"
	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/release"
)

// judge holds what the releases of one batch are judged by: of its packings, or of its bulk. Everything is read once for
// all of them, however many there are.
type judge struct {
	w     Workshop
	b     BatchRecord
	yield Yield
	lots  []usedLot         // in the batch and in the packings, by material
	onLot []Deviation       // on those lots themselves
	below []Lot             // rejected or recalled, in the batch through every level
	notes map[string]string // source of what has no lot, by material
	from  map[InputID]sourceBatch
	gear  []usedGear
	kept  bool // the workshop keeps equipment at all
	// Of packings:
	packaging map[PackingID][]PackagingLine
	need      map[PackingID][]PackagingNeed
	products  map[ProductID]Product
	readingOf map[ReadingID]PackingID
	recorded  map[PackingID]Made
	caps      []bestbefore.Cap // of the batch; read where a product's date is capped by what went in
}

// sourceBatch is how a batch that was drawn on stands, or its packing whose units were taken.
type sourceBatch struct {
	status, yields string
	held           bool
}

// usedGear is equipment in the making (the zero packing) or at one packing.
type usedGear struct {
	packing PackingID
	release.Equipment
}

// bulkID stands for the packing where bulk is judged: it has none of its own.
var bulkID PackingID

// newJudge reads for these packings of a batch, or for its bulk where there are none.
func newJudge(ctx context.Context, t pgx.Tx, w Workshop, b BatchRecord, packings ...Packing) (*judge, error) {
	j := &judge{w: w, b: b, notes: map[string]string{}, from: map[InputID]sourceBatch{}, packaging: map[PackingID][]PackagingLine{}, need: map[PackingID][]PackagingNeed{},
		products: map[ProductID]Product{}, readingOf: map[ReadingID]PackingID{}, recorded: map[PackingID]Made{}}
	ids, products := []PackingID{}, []ProductID{}
	for _, p := range packings {
		ids, products = append(ids, p.ID), append(products, p.ProductID)
	}
	readers := []reader{
		func(t pgx.Tx) (err error) {
			j.yield, err = loadYield(ctx, t, w.ID, &b)
			return err
		},
		func(t pgx.Tx) error { return j.loadLots(ctx, t, ids) },
		func(t pgx.Tx) error { return j.loadBelow(ctx, t) },
		func(t pgx.Tx) error { return j.loadSources(ctx, t) },
		func(t pgx.Tx) error { return j.loadGear(ctx, t, ids) },
	}
	if len(packings) > 0 {
		readers = append(readers,
			func(t pgx.Tx) (err error) {
				j.packaging, err = packagingOfPackings(ctx, t, w.ID, ids)
				return err
			},
			func(t pgx.Tx) (err error) {
				j.need, err = packagingTakenBy(ctx, t, w.ID, ids)
				return err
			},
			func(t pgx.Tx) error { return j.loadProducts(ctx, t, products) },
			func(t pgx.Tx) error { return j.loadEntries(ctx, t, ids) })
	}
	return j, together(ctx, t, readers...)
}

// usedLot is a lot in a batch (the zero packing) or in a packing: directly, or in a tub that was drawn on.
type usedLot struct {
	Packing            PackingID
	Code, Name, Status string
	Recalled           bool
	UsedOn, ExpiresOn  day.Day
	RetestOn           day.Day
	LotID, EntryID     [16]byte
}

// usedLots follows tubs to any depth, not source batches: those were released themselves.
const usedLots = `WITH RECURSIVE used (packing_id, lot_id, entry_id, used_on) AS (
	(SELECT '00000000-0000-0000-0000-000000000000'::uuid, i.material_lot_id, i.id, (coalesce(i.happened_at, b.made_at) AT TIME ZONE $4)::date FROM batch_input i JOIN batch b ON b.workshop_id = i.workshop_id AND b.id = i.batch_id
	  WHERE i.workshop_id = $1 AND i.batch_id = $2 AND i.material_lot_id IS NOT NULL AND i.replaced_by IS NULL
	UNION ALL SELECT i.packing_id, i.material_lot_id, i.id, p.packed_on FROM packing_input i JOIN packing p ON p.workshop_id = i.workshop_id AND p.id = i.packing_id
	  WHERE i.workshop_id = $1 AND i.packing_id = ANY ($3::uuid[]) AND i.replaced_by IS NULL)
	UNION SELECT u.packing_id, f.source_lot_id, f.id, f.happened_on FROM used u CROSS JOIN LATERAL (
	  SELECT i.source_lot_id, i.id, i.happened_on FROM lot_input i WHERE i.workshop_id = $1 AND i.lot_id = u.lot_id AND i.replaced_by IS NULL OFFSET 0) f)
	SELECT u.packing_id, l.code, m.name, l.status, l.recalled, u.used_on, l.expires_on, l.retest_on, l.id, u.entry_id FROM used u JOIN material_lot l ON l.workshop_id = $1 AND l.id = u.lot_id
	JOIN material m ON m.workshop_id = $1 AND m.id = l.material_id ORDER BY m.name, l.code, u.used_on DESC`

func queryUsedLots(ctx context.Context, t pgx.Tx, w Workshop, batch BatchID, packings []PackingID) ([]usedLot, error) {
	rows, err := t.Query(ctx, usedLots, w.ID, batch, packings, w.Zone)
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, pgx.RowToStructByPos[usedLot])
}

// loadLots reads the lots and the deviations on them, such as that of a tub filled from an expired lot.
func (j *judge) loadLots(ctx context.Context, t pgx.Tx, packings []PackingID) error {
	var err error
	if j.lots, err = queryUsedLots(ctx, t, j.w, j.b.ID, packings); err != nil {
		return err
	}
	ids := make([][16]byte, len(j.lots))
	for i, l := range j.lots {
		ids[i] = l.LotID
	}
	j.onLot, err = queryDeviations(ctx, t, `WHERE d.workshop_id = $1 AND d.lot_id = ANY ($2::uuid[]) AND d.batch_id IS NULL AND d.packing_id IS NULL ORDER BY d.n`, j.w.ID, ids)
	return err
}

// loadBelow reads the lots in the batch and in its source batches, at any depth, that were rejected or recalled.
func (j *judge) loadBelow(ctx context.Context, t pgx.Tx) error {
	set, err := reach(ctx, t, j.w.ID, reachBackward, node{"batch", j.b.ID})
	if err != nil {
		return err
	}
	j.below, err = queryLots(ctx, t, `WHERE l.workshop_id = $1 AND l.id = ANY ($2::uuid[]) AND (l.recalled OR l.status = 'rejected') ORDER BY l.code`, j.w.ID, set["lot"])
	return err
}

// loadSources reads how the batches stand that were drawn on, and where what has no lot comes from.
func (j *judge) loadSources(ctx context.Context, t pgx.Tx) error {
	var materials []string
	var inputs []InputID
	for _, in := range j.b.Inputs() {
		if in.Untracked {
			materials = append(materials, in.Material)
		}
		if in.SourceBatch != "" {
			inputs = append(inputs, in.ID)
		}
	}
	return together(ctx, t, func(t pgx.Tx) error {
		if len(materials) == 0 {
			return nil
		}
		rows, err := t.Query(ctx, `SELECT code, source_note FROM material WHERE workshop_id = $1 AND code = ANY ($2)`, j.w.ID, materials)
		if err != nil {
			return err
		}
		var code, note string
		_, err = pgx.ForEachRow(rows, []any{&code, &note}, func() error { j.notes[code] = note; return nil })
		return err
	}, func(t pgx.Tx) error {
		if len(inputs) == 0 {
			return nil
		}
		rows, err := t.Query(ctx, `SELECT i.id, coalesce(p.status, b.status), coalesce(v.yields, 'units'), coalesce(p.status, b.status) = 'released' AND EXISTS (SELECT FROM hold h WHERE h.workshop_id = $1 AND h.packing_id = i.source_packing_id AND h.units IS NULL AND h.lifted_at IS NULL) FROM batch_input i JOIN batch b ON b.workshop_id = i.workshop_id AND b.id = i.source_batch_id
			LEFT JOIN packing p ON p.workshop_id = i.workshop_id AND p.id = i.source_packing_id LEFT JOIN formula_version v ON v.workshop_id = b.workshop_id AND v.id = b.version_id
			WHERE i.workshop_id = $1 AND i.id = ANY ($2::uuid[])`, j.w.ID, inputs)
		if err != nil {
			return err
		}
		var id InputID
		var s sourceBatch
		_, err = pgx.ForEachRow(rows, []any{&id, &s.status, &s.yields, &s.held}, func() error { j.from[id] = s; return nil })
		return err
	})
}

// loadGear reads the equipment of each packing, that of the making included. Of several uses the last counts for the
// date. A failed check counts from the one before the first use to the one after the last: the thing was wrong at some
// time between two checks, and nobody knows when.
func (j *judge) loadGear(ctx context.Context, t pgx.Tx, packings []PackingID) error {
	packings = append(slices.Clone(packings), bulkID)
	return together(ctx, t, func(t pgx.Tx) error {
		rows, err := t.Query(ctx, `WITH used AS (
				SELECT o.id AS packing_id, x.equipment_id, min(x.at) AS first, max(x.at) AS last FROM unnest($3::uuid[]) o (id) CROSS JOIN LATERAL (
					SELECT u.equipment_id, u.happened_at AS at FROM batch_equipment u WHERE u.workshop_id = $1 AND u.batch_id = $2 AND (u.packing_id IS NULL OR u.packing_id = o.id) AND u.replaced_by IS NULL
					UNION ALL SELECT i.scale_id, coalesce(i.happened_at, $4) FROM batch_input i WHERE i.workshop_id = $1 AND i.batch_id = $2 AND i.scale_id IS NOT NULL AND i.replaced_by IS NULL) x GROUP BY o.id, x.equipment_id)
			SELECT u.packing_id, e.code, e.name, coalesce(e.check_days, 0), (u.last AT TIME ZONE $5)::date, (k.happened_at AT TIME ZONE $5)::date, k.next_on, (f.at AT TIME ZONE $5)::date, coalesce(f.at > u.last, false)
			FROM used u JOIN equipment e ON e.workshop_id = $1 AND e.id = u.equipment_id
			LEFT JOIN LATERAL (SELECT g.happened_at, g.next_on FROM log_entry g WHERE g.workshop_id = $1 AND g.equipment_id = e.id AND g.kind = 'check' AND g.replaced_by IS NULL AND g.happened_at <= u.last
				ORDER BY g.happened_at DESC, g.id DESC LIMIT 1) k ON true
			LEFT JOIN LATERAL (SELECT max(g.happened_at) AS at FROM log_entry g WHERE g.workshop_id = $1 AND g.equipment_id = e.id AND g.kind = 'check' AND g.replaced_by IS NULL AND g.result = 'failed'
				AND g.happened_at >= coalesce((SELECT max(c.happened_at) FROM log_entry c WHERE c.workshop_id = $1 AND c.equipment_id = e.id AND c.kind = 'check' AND c.replaced_by IS NULL AND c.happened_at <= u.first), '-infinity')
				AND g.happened_at <= coalesce((SELECT min(c.happened_at) FROM log_entry c WHERE c.workshop_id = $1 AND c.equipment_id = e.id AND c.kind = 'check' AND c.replaced_by IS NULL AND c.happened_at > u.last), 'infinity')) f ON true
			ORDER BY e.code`, j.w.ID, j.b.ID, packings, j.b.MadeAt, j.w.Zone)
		if err != nil {
			return err
		}
		var packing PackingID
		var code, name string
		var days int
		var used, checked, noted, failed day.Day
		var after bool
		_, err = pgx.ForEachRow(rows, []any{&packing, &code, &name, &days, &used, &checked, &noted, &failed, &after}, func() error {
			e := release.Equipment{Name: name + " (" + code + ")", UsedOn: used.String(), FailedOn: failed.String(), FailedAfter: after}
			if checked.IsZero() {
				e.NoCheck, e.Never = days == 0, days > 0
			} else {
				due := equipment.Due(checked, noted, days)
				e.CheckDue, e.NoCheck = due.String(), due.IsZero()
			}
			j.gear = append(j.gear, usedGear{packing, e})
			return nil
		})
		return err
	}, func(t pgx.Tx) error {
		return t.QueryRow(ctx, `SELECT EXISTS (SELECT FROM equipment WHERE workshop_id = $1 AND retired_at IS NULL)`, j.w.ID).Scan(&j.kept)
	})
}

// loadProducts reads what the packings are of and, where the date of one is cut by what went in, what that is.
func (j *judge) loadProducts(ctx context.Context, t pgx.Tx, ids []ProductID) error {
	list, err := queryProducts(ctx, t, `WHERE p.workshop_id = $1 AND p.id = ANY ($2::uuid[])`, j.w.ID, ids)
	if err != nil {
		return err
	}
	capped := false
	for _, p := range list {
		j.products[p.ID], capped = p, capped || p.CapByExpiry
	}
	if capped {
		j.caps, err = capsOf(ctx, t, j.w.ID, j.b.ID)
	}
	return err
}

// loadEntries reads which readings were taken of which packing, and who entered each packing.
func (j *judge) loadEntries(ctx context.Context, t pgx.Tx, ids []PackingID) error {
	return together(ctx, t, func(t pgx.Tx) error {
		rows, err := t.Query(ctx, `SELECT id, packing_id FROM control_reading WHERE workshop_id = $1 AND batch_id = $2 AND packing_id = ANY ($3::uuid[])`, j.w.ID, j.b.ID, ids)
		if err != nil {
			return err
		}
		var id ReadingID
		var packing PackingID
		_, err = pgx.ForEachRow(rows, []any{&id, &packing}, func() error { j.readingOf[id] = packing; return nil })
		return err
	}, func(t pgx.Tx) error {
		rows, err := t.Query(ctx, `SELECT e.id, coalesce(p.name, c.actor), c.at FROM packing e`+madeBy+`WHERE e.workshop_id = $1 AND e.id = ANY ($2::uuid[])`, j.w.ID, ids)
		if err != nil {
			return err
		}
		var packing PackingID
		var m Made
		_, err = pgx.ForEachRow(rows, []any{&packing, &m.By, &m.At}, func() error { j.recorded[packing] = m; return nil })
		return err
	})
}

// packing judges one of the packings that were read for.
func (j *judge) packing(p Packing) PackingRecord {
	r := PackingRecord{Packing: p, Batch: j.b, Packaging: j.packaging[p.ID], Need: j.need[p.ID], Yield: j.yield, Recorded: j.recorded[p.ID]}
	product := j.products[p.ProductID]
	r.runs(product, j.readingOf)
	r.Late = day.In(r.Recorded.At, j.w.Location()).After(p.PackedOn)
	if product.CapByExpiry {
		for _, c := range j.caps {
			if c.Date.IsZero() {
				r.Unknown = append(r.Unknown, strings.ToUpper(string(c.Kind[:1]))+string(c.Kind[1:])+" "+c.Code)
			}
		}
	}
	r.Conditions = release.Conditions(j.packingEvidence(&r, product))
	r.Bad = j.bad(p.ID)
	return r
}

// bad are the lots in a packing and on it, through every level, that were rejected or are in a recall.
func (j *judge) bad(packing PackingID) []string {
	var codes []string
	for _, l := range j.below {
		codes = append(codes, l.Code)
	}
	for _, l := range j.lots {
		if l.Packing == packing && (l.Recalled || l.Status == "rejected") {
			codes = append(codes, l.Code)
		}
	}
	slices.Sort(codes)
	return slices.Compact(codes)
}

// bulk judges the release of what was made to be drawn on.
func (j *judge) bulk() []release.Condition {
	e := j.evidence(nil)
	e.Subject = release.Bulk
	e.Yield = j.yield.evidence(j.b, j.b.BulkG.Valid, 0)
	return release.Conditions(e)
}

// runs gives the controls at packing the readings of this packing alone. One that is meant for units of another size
// and was not read is not asked for.
func (r *PackingRecord) runs(product Product, readingOf map[ReadingID]PackingID) {
	for _, c := range r.Batch.Controls {
		if c.Stage != "packing" {
			continue
		}
		all := c.Readings
		c.Readings = nil
		for _, reading := range all {
			if packing, known := readingOf[reading.ID]; known && packing == r.ID {
				c.Readings = append(c.Readings, reading)
			}
		}
		if len(c.Readings) == 0 && c.otherSize(product.NominalFill(), product.NetContentG.Decimal) {
			r.Others = append(r.Others, c)
			continue
		}
		r.Runs = append(r.Runs, c)
	}
}

// loadPacking reads one packing with all that its release is judged by.
func loadPacking(ctx context.Context, t pgx.Tx, workshop WorkshopID, p Packing) (PackingRecord, error) {
	var w Workshop
	var b BatchRecord
	if err := together(ctx, t, func(t pgx.Tx) (err error) {
		w, err = scanWorkshop(t.QueryRow(ctx, `SELECT `+workshopColumns+` FROM workshop WHERE id = $1`, workshop))
		return err
	}, func(t pgx.Tx) error {
		id, _, err := batchOfCode(ctx, t, workshop, p.Code)
		if err == nil {
			b, err = loadBatch(ctx, t, workshop, id)
		}
		return err
	}); err != nil {
		return PackingRecord{Packing: p}, err
	}
	list, err := loadPackings(ctx, t, w, b, p)
	if err != nil {
		return PackingRecord{Packing: p}, err
	}
	return list[0], nil
}

// loadPackings reads packings of a batch with all that their releases are judged by, and what was signed.
func loadPackings(ctx context.Context, t pgx.Tx, w Workshop, b BatchRecord, packings ...Packing) ([]PackingRecord, error) {
	if len(packings) == 0 {
		return nil, nil
	}
	var j *judge
	changes := make([][]RowChange, len(packings))
	var signed map[PackingID][]storedSignature
	readers := []reader{
		func(t pgx.Tx) (err error) {
			j, err = newJudge(ctx, t, w, b, packings...)
			return err
		},
		func(t pgx.Tx) (err error) {
			ids := make([]PackingID, len(packings))
			for i, p := range packings {
				ids[i] = p.ID
			}
			signed, err = storedSignatures(ctx, t, w.ID, ids)
			return err
		},
	}
	for i, p := range packings {
		readers = append(readers, func(t pgx.Tx) (err error) {
			changes[i], err = historyOf(ctx, t, w, "packing", p.ID)
			return err
		})
	}
	if err := together(ctx, t, readers...); err != nil {
		return nil, err
	}
	list := make([]PackingRecord, len(packings))
	for i, p := range packings {
		r := j.packing(p)
		r.Changes = changes[i]
		for _, s := range signed[p.ID] {
			one, err := s.against(func() any { return r.facts(s.at()) })
			if err != nil {
				return nil, fmt.Errorf("signature of %s: %w", p.Code, err)
			}
			r.Signatures = append(r.Signatures, one)
		}
		list[i] = r
	}
	return list, nil
}

func loadBulk(ctx context.Context, t pgx.Tx, workshop WorkshopID, id BatchID) (BulkRecord, error) {
	b, err := loadBatch(ctx, t, workshop, id)
	if err != nil {
		return BulkRecord{}, err
	}
	w, err := scanWorkshop(t.QueryRow(ctx, `SELECT `+workshopColumns+` FROM workshop WHERE id = $1`, workshop))
	if err != nil {
		return BulkRecord{}, err
	}
	return judgedBulk(ctx, t, w, b)
}

// judgedBulk judges the release of a batch's bulk and checks what was signed.
func judgedBulk(ctx context.Context, t pgx.Tx, w Workshop, b BatchRecord) (BulkRecord, error) {
	r := BulkRecord{BatchRecord: b}
	if b.Yields != "bulk" {
		return r, fault.New(fault.NotFound, "Batch "+b.Code+" gives units, not bulk.")
	}
	err := together(ctx, t, func(t pgx.Tx) error {
		j, err := newJudge(ctx, t, w, b)
		if err == nil {
			r.Yield, r.Conditions = j.yield, j.bulk()
		}
		return err
	}, func(t pgx.Tx) (err error) {
		r.Signatures, err = signatures(ctx, t, w.ID, b.ID, bulkFacts(b))
		return err
	})
	return r, err
}
