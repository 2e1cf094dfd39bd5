package store

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"strings"

	"github.com/jackc/pgx/v5"

	"example.org/stillroom/internal/day"
	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/rates"
)

// Trait is something that batches may share: a lot or a source batch in them, or a condition of their making.
type Trait struct {
	// Kind is lot, supplier lot (one that came more than once), batch, place, maker, version, temperature, humidity, or equipment with its kind behind a space.
	Kind string
	Code string // of the lot, batch, formula or equipment; of a supplier's lot its first delivery's; of a band the lower end in °C or %
	Name string
	// Supplier is the code of the supplier of a lot, where one is known; SupplierLot the supplier's number.
	Supplier, SupplierLot string
	// Table counts the batches in question with and without it, and the others; those of which nobody knows are in
	// neither.
	Table rates.Table
	// Batches, Packings and Units are what a lot or a source batch went into at all, the ones in question included, and
	// how many units of those are out.
	Batches, Packings, Units int
	source                   source
}

// source is where a trait of an input starts: one lot or batch, or all deliveries of a supplier's lot.
type source struct {
	node
	from []node
}

// Chance is how often so many of the batches in question would have it by chance alone.
func (t Trait) Chance() float64 { return t.Table.Chance() }

// SuspectBatch is a batch in question.
type SuspectBatch struct {
	Batch      string
	Name       string // what it made
	MadeOn     day.Day
	Complaints []int // numbers of the complaints that led to it
	id         [16]byte
}

// Suspicion is what complained batches share.
type Suspicion struct {
	Batches   []SuspectBatch
	Undecided []int   // complaints asked for whose packing nobody has decided
	From, To  day.Day // when the others were made
	Others    int     // batches made then of which units were sent
	// Inputs are lots and source batches in them, through every level; Conditions are those of their making. Both the
	// least likely by chance first. MoreInputs is how many are not listed.
	Inputs, Conditions []Trait
	MoreInputs         int
}

// Bounds of a question.
const (
	suspectsMost = 50
	traitsMost   = 40
)

// aroundDays is how far from the batches in question the others were made: a year, so that lots and seasons are alike.
const aroundDays = 365

// Suspect compares batches in question with all others of about their time. asked are complaints (C-12) and codes of batches
// or packings. Faults: of.
func (s *Store) Suspect(ctx context.Context, workshop WorkshopID, asked []string) (Suspicion, error) {
	var out Suspicion
	err := s.readStandby(ctx, workshop, func(t pgx.Tx) error {
		if err := out.find(ctx, t, workshop, asked); err != nil || len(out.Batches) == 0 {
			return err
		}
		ids := make([][16]byte, len(out.Batches))
		out.From, out.To = out.Batches[0].MadeOn, out.Batches[0].MadeOn
		for i, b := range out.Batches {
			ids[i] = b.id
			if b.MadeOn.Before(out.From) {
				out.From = b.MadeOn
			}
			if b.MadeOn.After(out.To) {
				out.To = b.MadeOn
			}
		}
		out.From, out.To = out.From.AddDays(-aroundDays), out.To.AddDays(aroundDays)
		candidates, err := sourcesOf(ctx, t, workshop, ids)
		if err != nil {
			return err
		}
		if err := together(ctx, t, func(t pgx.Tx) error { return out.count(ctx, t, workshop, ids) },
			func(t pgx.Tx) error { return out.conditions(ctx, t, workshop, ids) },
			func(t pgx.Tx) error { return out.inputs(ctx, t, workshop, ids, candidates) }); err != nil {
			return err
		}
		for i := range out.Inputs {
			out.Inputs[i].Table.OthersWithout = out.Others - out.Inputs[i].Table.OthersWith
		}
		rankTraits(out.Inputs)
		rankTraits(out.Conditions)
		if out.MoreInputs = len(out.Inputs) - traitsMost; out.MoreInputs > 0 {
			out.Inputs = out.Inputs[:traitsMost]
		}
		out.MoreInputs = max(out.MoreInputs, 0)
		return out.reaches(ctx, t, workshop)
	})
	if err != nil {
		return Suspicion{}, fmt.Errorf("store: suspicion: %w", err)
	}
	return out, nil
}

func rankTraits(list []Trait) {
	slices.SortFunc(list, func(x, y Trait) int {
		return cmp.Or(cmp.Compare(x.Chance(), y.Chance()), cmp.Compare(y.Table.With, x.Table.With), cmp.Compare(x.Table.OthersWith, y.Table.OthersWith), strings.Compare(x.Kind, y.Kind), strings.Compare(x.Code, y.Code))
	})
}

// find reads what was asked for. A word that is a complaint's number is one.
func (s *Suspicion) find(ctx context.Context, t pgx.Tx, workshop WorkshopID, asked []string) error {
	if len(asked) > suspectsMost {
		return fault.In("of", fmt.Sprintf("At most %d at a time, please.", suspectsMost))
	}
	numbers, keys := make([]int, len(asked)), make([]string, len(asked))
	for i, word := range asked {
		if n, err := ParseComplaint(word); err == nil {
			numbers[i] = n
		}
		keys[i] = foldBatch(word)
	}
	rows, err := t.Query(ctx, `SELECT a.i::int, coalesce(c.n, 0), b.id, b.code, b.made_on FROM unnest($2::int[], $3::text[]) WITH ORDINALITY a (n, key, i)
		LEFT JOIN complaint c ON c.workshop_id = $1 AND c.n = a.n LEFT JOIN packing p ON p.workshop_id = $1 AND p.id = c.packing_id
		LEFT JOIN LATERAL (SELECT x.id, x.code, x.made_on FROM batch x WHERE x.workshop_id = $1 AND CASE WHEN c.id IS NOT NULL THEN x.id = p.batch_id ELSE
			x.id = coalesce((SELECT y.id FROM batch y WHERE y.workshop_id = $1 AND y.code_key = a.key), (SELECT k.batch_id FROM packing k WHERE k.workshop_id = $1 AND k.code_key = a.key)) END OFFSET 0) b ON true
		ORDER BY a.i`, workshop, numbers, keys)
	if err != nil {
		return err
	}
	var unknown []string
	var i, n int
	var id *[16]byte
	var code *string
	var made day.Day
	if _, err := pgx.ForEachRow(rows, []any{&i, &n, &id, &code, &made}, func() error {
		switch {
		case id != nil:
			s.add(SuspectBatch{Batch: *code, MadeOn: made, id: *id}, n)
		case n > 0:
			s.Undecided = append(s.Undecided, n)
		default:
			unknown = append(unknown, "“"+asked[i-1]+"”")
		}
		return nil
	}); err != nil {
		return err
	}
	if len(unknown) > 0 {
		return fault.In("of", "No complaint and no batch is called "+strings.Join(unknown, ", ")+".")
	}
	ids := make([][16]byte, len(s.Batches))
	for i, b := range s.Batches {
		ids[i] = b.id
	}
	names, err := batchNames(ctx, t, workshop, ids)
	for i := range s.Batches {
		s.Batches[i].Name = names[s.Batches[i].Batch]
	}
	return err
}

func (s *Suspicion) add(b SuspectBatch, complaint int) {
	i := slices.IndexFunc(s.Batches, func(x SuspectBatch) bool { return x.id == b.id })
	if i < 0 {
		i = len(s.Batches)
		s.Batches = append(s.Batches, b)
	}
	if complaint > 0 && !slices.Contains(s.Batches[i].Complaints, complaint) {
		s.Batches[i].Complaints = append(s.Batches[i].Complaints, complaint)
	}
}

// sourcesOf are the lots and batches in batches and their packings, through every level, those themselves too; and the
// suppliers' lots that came more than once, each with all its deliveries.
func sourcesOf(ctx context.Context, t pgx.Tx, workshop WorkshopID, batches [][16]byte) ([]source, error) {
	rows, err := t.Query(ctx, `SELECT p.id FROM unnest($2::uuid[]) o (id) CROSS JOIN LATERAL (SELECT x.id FROM packing x WHERE x.workshop_id = $1 AND x.batch_id = o.id OFFSET 0) p`, workshop, batches)
	if err != nil {
		return nil, err
	}
	packings, err := pgx.CollectRows(rows, pgx.RowTo[[16]byte])
	if err != nil {
		return nil, err
	}
	var origins []node
	for _, id := range batches {
		origins = append(origins, node{"batch", id})
	}
	for _, id := range packings {
		origins = append(origins, node{"packing", id})
	}
	set, err := reach(ctx, t, workshop, reachBackward, origins...)
	if err != nil {
		return nil, err
	}
	var list []source
	for _, kind := range []string{"lot", "batch"} {
		for _, id := range set[kind] {
			list = append(list, source{node{kind, id}, []node{{kind, id}}})
		}
	}
	rows, err = t.Query(ctx, `SELECT l.first, l.id FROM (SELECT DISTINCT x.supplier_id, x.supplier_lot_key FROM unnest($2::uuid[]) o (id) CROSS JOIN LATERAL (
			SELECT y.supplier_id, y.supplier_lot_key FROM material_lot y WHERE y.workshop_id = $1 AND y.id = o.id AND y.supplier_lot_key <> '' AND y.supplier_id IS NOT NULL OFFSET 0) x) k
		CROSS JOIN LATERAL (SELECT y.id, first_value(y.id) OVER (ORDER BY y.code) AS first, count(*) OVER () AS n FROM material_lot y
			WHERE y.workshop_id = $1 AND y.supplier_lot_key = k.supplier_lot_key AND y.supplier_lot_key <> '' AND y.supplier_id = k.supplier_id OFFSET 0) l
		WHERE l.n > 1 ORDER BY l.first, l.id`, workshop, set["lot"])
	if err != nil {
		return nil, err
	}
	var first, id [16]byte
	_, err = pgx.ForEachRow(rows, []any{&first, &id}, func() error {
		if last := len(list) - 1; last < 0 || list[last].node != (node{"supplier lot", first}) {
			list = append(list, source{node: node{"supplier lot", first}})
		}
		list[len(list)-1].from = append(list[len(list)-1].from, node{"lot", id})
		return nil
	})
	return list, err
}

// seeds are the arguments of reachPairs.
func seeds(list []source) (originKinds []string, origins [][16]byte, kinds []string, ids [][16]byte) {
	for _, x := range list {
		for _, from := range x.from {
			originKinds, origins, kinds, ids = append(originKinds, x.Kind), append(origins, x.ID), append(kinds, from.Kind), append(ids, from.ID)
		}
	}
	return originKinds, origins, kinds, ids
}

// sentBatch says of a batch b whether it is one of the others: made between $3 and $4, not void, not in question ($2), and
// units of it were sent.
const sentBatch = `(b.made_on BETWEEN $3 AND $4 AND b.status <> 'void' AND b.id <> ALL ($2::uuid[]) AND EXISTS (
	SELECT FROM packing k JOIN dispatch_line d ON d.workshop_id = $1 AND d.packing_id = k.id AND d.replaced_by IS NULL WHERE k.workshop_id = $1 AND k.batch_id = b.id))`

func (s *Suspicion) count(ctx context.Context, t pgx.Tx, workshop WorkshopID, ids [][16]byte) error {
	return t.QueryRow(ctx, `SELECT count(*) FROM batch b WHERE b.workshop_id = $1 AND `+sentBatch, workshop, ids, s.From, s.To).Scan(&s.Others)
}

// reachPairs is reachForward from each of many origins by itself: which of them (origin_kind, origin) reached what. $5 to
// $8 are the seeds.
var reachPairs = strings.NewReplacer("$2::text[], $3::uuid[]) o (kind, id)", "$5::text[], $6::uuid[], $7::text[], $8::uuid[]) o (origin_kind, origin, kind, id)", "reach (kind, id)", "reach (origin_kind, origin, kind, id)",
	"SELECT o.kind, o.id FROM", "SELECT o.origin_kind, o.origin, o.kind, o.id FROM", "SELECT s.kind, s.id FROM reach r", "SELECT r.origin_kind, r.origin, s.kind, s.id FROM reach r",
	"\n\tSELECT kind, id FROM reach", "").Replace(reachForward)

// inputs counts for each candidate the batches that it is in. A batch in question is a candidate where another one drew
// on it.
func (s *Suspicion) inputs(ctx context.Context, t pgx.Tx, workshop WorkshopID, ids [][16]byte, candidates []source) error {
	of := map[node]source{}
	for _, c := range candidates {
		of[c.node] = c
	}
	originKinds, origins, kinds, from := seeds(candidates)
	rows, err := t.Query(ctx, reachPairs+`, hit AS MATERIALIZED (
			SELECT DISTINCT r.origin_kind, r.origin, h.batch_id FROM reach r CROSS JOIN LATERAL (
				SELECT r.id AS batch_id WHERE r.kind = 'batch' UNION ALL SELECT p.batch_id FROM packing p WHERE r.kind = 'packing' AND p.workshop_id = $1 AND p.id = r.id OFFSET 0) h),
		counted AS MATERIALIZED (
			SELECT h.origin_kind, h.origin, count(*) FILTER (WHERE b.id = ANY ($2::uuid[])) AS asked, count(*) FILTER (WHERE b.other) AS others
			  FROM hit h CROSS JOIN LATERAL (SELECT b.id, `+sentBatch+` AS other FROM batch b WHERE b.workshop_id = $1 AND b.id = h.batch_id OFFSET 0) b
			 GROUP BY h.origin_kind, h.origin HAVING h.origin_kind <> 'batch' OR bool_or(b.id = ANY ($2::uuid[]) AND b.id <> h.origin))
		SELECT c.origin_kind, c.origin, n.code, n.name, n.supplier, n.supplier_lot, c.asked::int, c.others::int FROM counted c CROSS JOIN LATERAL (
			SELECT l.code, m.name || CASE WHEN l.supplier_lot <> '' THEN ', ' || coalesce(u.name || ' ', '') || l.supplier_lot ELSE '' END AS name, coalesce(u.code, '') AS supplier, l.supplier_lot
				FROM material_lot l JOIN material m ON m.workshop_id = $1 AND m.id = l.material_id LEFT JOIN supplier u ON u.workshop_id = $1 AND u.id = l.supplier_id WHERE c.origin_kind <> 'batch' AND l.workshop_id = $1 AND l.id = c.origin
			UNION ALL SELECT b.code, coalesce(r.name, f.name, ''), '', '' FROM batch b LEFT JOIN product r ON r.workshop_id = $1 AND r.id = b.product_id LEFT JOIN formula f ON f.workshop_id = $1 AND f.id = b.formula_id
				WHERE c.origin_kind = 'batch' AND b.workshop_id = $1 AND b.id = c.origin OFFSET 0) n`, workshop, ids, s.From, s.To, originKinds, origins, kinds, from)
	if err != nil {
		return err
	}
	s.Inputs, err = pgx.CollectRows(rows, func(row pgx.CollectableRow) (Trait, error) {
		var x Trait
		var origin node
		err := row.Scan(&origin.Kind, &origin.ID, &x.Code, &x.Name, &x.Supplier, &x.SupplierLot, &x.Table.With, &x.Table.OthersWith)
		x.Kind, x.source, x.Table.Without = origin.Kind, of[origin], len(ids)-x.Table.With
		if n := len(x.source.from); origin.Kind == "supplier lot" {
			x.Name += fmt.Sprintf(", all %d deliveries", n)
		}
		return x, err
	})
	return err
}

// conditions counts what is known of the making of the batches in question and of the others. Temperatures stand in bands
// of 2 °C and humidities in bands of 10 %.
func (s *Suspicion) conditions(ctx context.Context, t pgx.Tx, workshop WorkshopID, ids [][16]byte) error {
	rows, err := t.Query(ctx, `WITH pool AS MATERIALIZED (
			SELECT b.id, b.id = ANY ($2::uuid[]) AS asked, b.place, b.made_by, b.version_id FROM batch b WHERE b.workshop_id = $1 AND (b.id = ANY ($2::uuid[]) OR `+sentBatch+`)),
		trait AS MATERIALIZED (
			SELECT p.id, p.asked, x.kind, x.code, x.name FROM pool p CROSS JOIN LATERAL (
				SELECT 'place' AS kind, '' AS code, p.place AS name WHERE p.place <> ''
				UNION ALL SELECT 'maker', y.id::text, y.name FROM person y WHERE y.workshop_id = $1 AND y.id = p.made_by
				UNION ALL SELECT 'version', f.code, f.name || ', version ' || v.number FROM formula_version v JOIN formula f ON f.workshop_id = $1 AND f.id = v.formula_id WHERE v.workshop_id = $1 AND v.id = p.version_id
				UNION ALL SELECT y.* FROM (SELECT c.temperature_c, c.humidity_pct FROM batch_climate c WHERE c.workshop_id = $1 AND c.batch_id = p.id AND c.stage = 'making' AND c.replaced_by IS NULL ORDER BY c.taken_at DESC, c.id DESC LIMIT 1) c
				    CROSS JOIN LATERAL (VALUES ('temperature', trunc(floor(c.temperature_c / 2) * 2)::text, ''), ('humidity', trunc(least(floor(c.humidity_pct / 10), 9) * 10)::text, '')) y
				UNION SELECT 'equipment ' || q.kind, q.code, q.name FROM equipment q WHERE q.workshop_id = $1 AND q.id IN (
				    SELECT u.equipment_id FROM batch_equipment u WHERE u.workshop_id = $1 AND u.batch_id = p.id AND u.replaced_by IS NULL
				    UNION SELECT i.scale_id FROM batch_input i WHERE i.workshop_id = $1 AND i.batch_id = p.id AND i.scale_id IS NOT NULL AND i.replaced_by IS NULL)
				OFFSET 0) x)
		SELECT t.kind, CASE WHEN t.kind = 'maker' THEN '' ELSE t.code END, t.name, count(*) FILTER (WHERE t.asked)::int, count(*) FILTER (WHERE NOT t.asked)::int, k.asked::int, k.others::int
		  FROM trait t JOIN (SELECT y.kind, count(DISTINCT y.id) FILTER (WHERE y.asked) AS asked, count(DISTINCT y.id) FILTER (WHERE NOT y.asked) AS others FROM trait y GROUP BY y.kind) k ON k.kind = t.kind
		 GROUP BY t.kind, t.code, t.name, k.asked, k.others HAVING count(*) FILTER (WHERE t.asked) > 0`, workshop, ids, s.From, s.To)
	if err != nil {
		return err
	}
	s.Conditions, err = pgx.CollectRows(rows, func(row pgx.CollectableRow) (Trait, error) {
		var x Trait
		var known, others int
		err := row.Scan(&x.Kind, &x.Code, &x.Name, &x.Table.With, &x.Table.OthersWith, &known, &others)
		x.Table.Without, x.Table.OthersWithout = known-x.Table.With, others-x.Table.OthersWith
		return x, err
	})
	return err
}

// reaches says what else the listed lots and source batches went into.
func (s *Suspicion) reaches(ctx context.Context, t pgx.Tx, workshop WorkshopID) error {
	var list []source
	at := map[node]int{}
	for i, x := range s.Inputs {
		list = append(list, x.source)
		at[x.source.node] = i
	}
	originKinds, origins, kinds, from := seeds(list)
	rows, err := t.Query(ctx, strings.NewReplacer("$5::", "$2::", "$6::", "$3::", "$7::", "$4::", "$8::", "$5::").Replace(reachPairs)+`, hit AS MATERIALIZED (
			SELECT DISTINCT r.origin_kind, r.origin, h.batch_id, h.id FROM reach r CROSS JOIN LATERAL (
				SELECT r.id AS batch_id, NULL::uuid AS id WHERE r.kind = 'batch' UNION ALL SELECT p.batch_id, p.id FROM packing p WHERE r.kind = 'batch' AND p.workshop_id = $1 AND p.batch_id = r.id
				UNION ALL SELECT p.batch_id, p.id FROM packing p WHERE r.kind = 'packing' AND p.workshop_id = $1 AND p.id = r.id OFFSET 0) h)
		SELECT h.origin_kind, h.origin, count(DISTINCT h.batch_id)::int, count(h.id)::int, coalesce(sum(l.units), 0)::int FROM hit h CROSS JOIN LATERAL (
			SELECT coalesce((SELECT sum(d.units) FROM dispatch_line d WHERE d.workshop_id = $1 AND d.packing_id = h.id AND d.replaced_by IS NULL), 0)
			     - coalesce((SELECT sum(u.units) FROM unit_return u WHERE u.workshop_id = $1 AND u.packing_id = h.id AND u.replaced_by IS NULL), 0) AS units OFFSET 0) l
		 GROUP BY h.origin_kind, h.origin`, workshop, originKinds, origins, kinds, from)
	if err != nil {
		return err
	}
	var origin node
	var batches, packings, units int
	_, err = pgx.ForEachRow(rows, []any{&origin.Kind, &origin.ID, &batches, &packings, &units}, func() error {
		x := &s.Inputs[at[origin]]
		x.Batches, x.Packings, x.Units = batches, packings, units
		return nil
	})
	return err
}
