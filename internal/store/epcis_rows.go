package store

import (
	"fmt"
	"strconv"
	"strings"

	"example.org/stillroom/internal/epcis"
)

// epcisRow is what every kind of entry is read as, in this order: a column and its type for kinds that lack it.
var epcisRow = []struct{ name, kind string }{
	{"day", "date"}, {"kind", "int"}, {"id", "uuid"}, {"at", "timestamptz"}, {"recorded", "timestamptz"},
	{"of_id", "uuid"}, {"of_code", "text"}, {"of_gtin", "text"}, {"into_id", "uuid"}, {"into_code", "text"}, {"into_gtin", "text"},
	{"quantity", "numeric"}, {"unit", "text"}, {"party", "uuid"}, {"dispatch", "uuid"}, {"lot", "text"}, {"best", "date"}, {"reason", "text"},
	{"temperature", "numeric"}, {"humidity", "numeric"}, {"replaced", "timestamptz"}, {"by", "uuid"},
}

// epcisPart is how one kind of entry is read. $1 is the workshop throughout.
type epcisPart struct {
	kind epcis.Kind
	// table has the entries, as x; day is the date by which they are in order and found, lean what that date needs besides
	// x, and only what is so an event. In lean x comes last, so that the days are gone through first.
	table, day, lean, only string
	scoped                 string // the ids of a document of one lot, batch or recall, see epcisScope
	from                   string // what columns need besides x
	columns                map[string]string
}

// recordedAt, and when an entry was replaced: its successor was written under the same change; a withdrawal's change is in
// the trail, or, of one that a file told of, nowhere.
const epcisChange = `JOIN change c ON c.workshop_id = $1 AND c.id = x.change_id`

func epcisReplaced(table string) string {
	return fmt.Sprintf(`CASE WHEN x.replaced_by IS NOT NULL THEN coalesce(
		(SELECT y.at FROM %[1]s n JOIN change y ON y.workshop_id = $1 AND y.id = n.change_id WHERE n.workshop_id = $1 AND n.id = x.replaced_by AND n.id <> x.id),
		(SELECT y.at FROM audit a JOIN change y ON y.workshop_id = $1 AND y.id = a.change_id WHERE a.workshop_id = $1 AND a.table_name = '%[1]s' AND a.row_id = x.id::text AND a.op = 'U' ORDER BY a.n DESC LIMIT 1),
		c.at) END`, table)
}

// byEach are the ids of a table's entries at each of a list of ids: one index look-up for each, whatever the planner guesses.
func byEach(list int, table, where string) string {
	return fmt.Sprintf(`SELECT i.id FROM unnest($%d::uuid[]) o (id) CROSS JOIN LATERAL (SELECT x.id FROM %s x WHERE x.workshop_id = $1 AND %s OFFSET 0) i`, list, table, where)
}

// bothStates are the current entries by their index, and the few that were replaced by one look through the table.
func bothStates(list int, table, column string) string {
	return byEach(list, table, "x."+column+" = o.id AND x.replaced_by IS NULL") +
		fmt.Sprintf(` UNION ALL SELECT x.id FROM %s x WHERE x.workshop_id = $1 AND x.replaced_by IS NOT NULL AND x.%s = ANY ($%d::uuid[])`, table, column, list)
}

func union(parts ...string) string { return strings.Join(parts, " UNION ") }

// epcisParts are all kinds. The lists of ids, $2 to $11, are those of epcisScope.lists.
func epcisParts() []epcisPart {
	const (
		lotMaterial = ` JOIN material_lot l ON l.workshop_id = $1 AND l.id = %s JOIN material m ON m.workshop_id = $1 AND m.id = l.material_id`
		ofBatch     = ` JOIN batch b ON b.workshop_id = $1 AND b.id = x.batch_id`
		ofPacking   = ` JOIN packing k ON k.workshop_id = $1 AND k.id = x.packing_id JOIN product p ON p.workshop_id = $1 AND p.id = k.product_id`
	)
	units := func(more map[string]string) map[string]string {
		all := map[string]string{"of_id": "k.id", "of_code": "k.code", "of_gtin": "p.gtin", "unit": "'each'", "quantity": "x.units"}
		for name, sql := range more {
			all[name] = sql
		}
		return all
	}
	return []epcisPart{
		{kind: epcis.Received, table: "material_lot", day: "x.received_on", only: "x.quantity > 0", scoped: `SELECT o.id FROM unnest($2::uuid[]) o (id)`,
			from:    ` JOIN material m ON m.workshop_id = $1 AND m.id = x.material_id`,
			columns: map[string]string{"of_id": "x.id", "of_code": "x.code", "quantity": "x.quantity", "unit": "m.unit", "party": "x.supplier_id", "lot": "coalesce(nullif(x.supplier_lot, ''), x.code)", "best": "x.expires_on"}},
		{kind: epcis.Filled, table: "lot_input", day: "x.happened_on", scoped: union(byEach(4, "lot_input", "x.lot_id = o.id"), byEach(5, "lot_input", "x.source_lot_id = o.id")),
			from:    fmt.Sprintf(lotMaterial, "x.source_lot_id") + ` JOIN material_lot t ON t.workshop_id = $1 AND t.id = x.lot_id`,
			columns: map[string]string{"of_id": "l.id", "of_code": "l.code", "into_id": "t.id", "into_code": "t.code", "quantity": "x.quantity", "unit": "m.unit"}},
		{kind: epcis.LotMoved, table: "stock_move", day: "x.moved_on", scoped: byEach(3, "stock_move", "x.lot_id = o.id"), from: fmt.Sprintf(lotMaterial, "x.lot_id"),
			columns: map[string]string{"of_id": "l.id", "of_code": "l.code", "quantity": "x.quantity", "unit": "m.unit", "reason": "x.reason"}},
		{kind: epcis.Drawn, table: "batch_input", day: "b.made_on", lean: `batch b JOIN batch_input x ON x.workshop_id = $1 AND x.batch_id = b.id`, only: "NOT x.inner_line",
			scoped: union(byEach(6, "batch_input", "x.batch_id = o.id"), byEach(5, "batch_input", "x.material_lot_id = o.id"), byEach(7, "batch_input", "x.source_batch_id = o.id"), byEach(11, "batch_input", "x.source_packing_id = o.id")),
			from: ofBatch + ` LEFT JOIN material_lot l ON l.workshop_id = $1 AND l.id = x.material_lot_id LEFT JOIN batch sb ON sb.workshop_id = $1 AND sb.id = x.source_batch_id
				LEFT JOIN packing sk ON sk.workshop_id = $1 AND sk.id = x.source_packing_id LEFT JOIN product sp ON sp.workshop_id = $1 AND sp.id = sk.product_id`,
			columns: map[string]string{"at": "coalesce(x.happened_at, b.made_at)", "of_id": "coalesce(l.id, sk.id, sb.id, x.untracked_material_id)", "of_code": "coalesce(l.code, sk.code, sb.code)", "of_gtin": "sp.gtin",
				"into_id": "b.id", "into_code": "b.code", "quantity": "x.quantity", "unit": "x.unit"}},
		{kind: epcis.Climate, table: "batch_climate", day: "b.made_on", lean: `batch b JOIN batch_climate x ON x.workshop_id = $1 AND x.batch_id = b.id`, scoped: byEach(8, "batch_climate", "x.batch_id = o.id"), from: ofBatch,
			columns: map[string]string{"at": "x.taken_at", "of_id": "b.id", "of_code": "b.code", "temperature": "x.temperature_c", "humidity": "x.humidity_pct"}},
		// The single reading of an older book, which had no other, stands on the batch.
		{kind: epcis.Climate, table: "batch", day: "x.made_on", only: "num_nonnulls(x.only_temperature_c, x.only_humidity_pct) > 0", scoped: `SELECT o.id FROM unnest($8::uuid[]) o (id)`,
			columns: map[string]string{"at": "x.made_at", "of_id": "x.id", "of_code": "x.code", "temperature": "x.only_temperature_c", "humidity": "x.only_humidity_pct"}},
		{kind: epcis.Made, table: "batch", day: "x.made_on", only: "x.status NOT IN ('void', 'making')", scoped: `SELECT o.id FROM unnest($8::uuid[]) o (id)`,
			columns: map[string]string{"at": "coalesce(x.moulded_at, x.made_at)", "of_id": "x.id", "of_code": "x.code", "quantity": "x.bulk_g", "unit": "'g'", "best": "x.best_before"}},
		{kind: epcis.BulkMoved, table: "bulk_move", day: "x.moved_on", scoped: bothStates(9, "bulk_move", "batch_id"), from: ofBatch,
			columns: map[string]string{"of_id": "b.id", "of_code": "b.code", "quantity": "x.grams", "unit": "'g'", "reason": "x.reason"}},
		{kind: epcis.Packaging, table: "packing_input", day: "k.packed_on", lean: `packing k JOIN packing_input x ON x.workshop_id = $1 AND x.packing_id = k.id`,
			scoped: union(byEach(10, "packing_input", "x.packing_id = o.id"), byEach(5, "packing_input", "x.material_lot_id = o.id")), from: ofPacking + fmt.Sprintf(lotMaterial, "x.material_lot_id"),
			columns: map[string]string{"at": "coalesce(x.happened_at, k.packed_at)", "of_id": "l.id", "of_code": "l.code", "into_id": "k.id", "into_code": "k.code", "into_gtin": "p.gtin", "quantity": "x.quantity", "unit": "m.unit"}},
		{kind: epcis.Packed, table: "packing", day: "x.packed_on", only: "x.units_good > 0", scoped: `SELECT o.id FROM unnest($10::uuid[]) o (id)`,
			from:    ofBatch + ` JOIN product p ON p.workshop_id = $1 AND p.id = x.product_id`,
			columns: map[string]string{"at": "x.packed_at", "of_id": "b.id", "of_code": "b.code", "into_id": "x.id", "into_code": "x.code", "into_gtin": "p.gtin", "quantity": "x.units_good", "unit": "'each'", "best": "x.best_before"}},
		{kind: epcis.Dispatched, table: "dispatch_line", day: "d.dispatched_on", lean: `dispatch d CROSS JOIN LATERAL (SELECT y.id FROM dispatch_line y WHERE y.workshop_id = $1 AND y.dispatch_id = d.id AND y.replaced_by IS NULL
				UNION ALL SELECT y.id FROM dispatch_line y WHERE y.workshop_id = $1 AND y.dispatch_id = d.id AND y.replaced_by IS NOT NULL) x`,
			scoped:  byEach(11, "dispatch_line", "x.packing_id = o.id AND x.replaced_by IS NULL") + ` UNION ALL ` + byEach(11, "dispatch_line", "x.packing_id = o.id AND x.replaced_by IS NOT NULL"),
			from:    ofPacking + ` JOIN dispatch d ON d.workshop_id = $1 AND d.id = x.dispatch_id`,
			columns: units(map[string]string{"party": "x.customer_id", "dispatch": "x.dispatch_id"})},
		{kind: epcis.Returned, table: "unit_return", day: "x.returned_on", scoped: bothStates(11, "unit_return", "packing_id"), from: ofPacking + ` LEFT JOIN dispatch d ON d.workshop_id = $1 AND d.id = x.dispatch_id`,
			columns: units(map[string]string{"party": "d.customer_id", "dispatch": "x.dispatch_id"})},
		{kind: epcis.Destroyed, table: "unit_return", day: "x.returned_on", only: "x.disposition = 'destroy'", scoped: bothStates(11, "unit_return", "packing_id"), from: ofPacking, columns: units(nil)},
		{kind: epcis.UnitsMoved, table: "unit_move", day: "x.moved_on", scoped: bothStates(11, "unit_move", "packing_id"), from: ofPacking, columns: units(map[string]string{"reason": "x.reason"})},
	}
}

// entryTables have replaced_by; the others are things whose first event is the row itself.
func (p epcisPart) isEntry() bool {
	return p.table != "material_lot" && p.table != "batch" && p.table != "packing"
}

// where holds the condition of the kind, if it has one.
func (p epcisPart) where() string {
	if p.only == "" {
		return ""
	}
	return " AND " + p.only
}

// sql reads the entries of some ids.
func (p epcisPart) sql(ids string) string {
	columns := map[string]string{"day": p.day, "kind": strconv.Itoa(int(p.kind)), "id": "x.id", "recorded": "c.at"}
	if p.isEntry() {
		columns["replaced"], columns["by"] = epcisReplaced(p.table), "x.replaced_by"
	}
	for name, sql := range p.columns {
		columns[name] = sql
	}
	list := make([]string, len(epcisRow))
	for i, c := range epcisRow {
		sql, there := columns[c.name]
		if !there {
			sql = "NULL::" + c.kind
		}
		list[i] = sql + " AS " + c.name
	}
	return `SELECT e.* FROM (` + ids + `) h CROSS JOIN LATERAL (SELECT ` + strings.Join(list, ", ") + ` FROM ` + p.table + ` x ` + epcisChange + p.from +
		` WHERE x.workshop_id = $1 AND x.id = h.id` + p.where() + ` OFFSET 0) e`
}

// ranged are the ids of some days, $2 to $3, behind an event ($4 its day, $5 kind and $6 row), as many as one page needs ($7).
func (p epcisPart) ranged() string {
	lean, first := p.lean, strings.SplitN(p.lean, " ", 3)
	owner := "x"
	if lean == "" {
		lean = p.table + " x"
	} else {
		owner = first[1]
	}
	return fmt.Sprintf(`SELECT r.id FROM (SELECT x.id FROM %[1]s WHERE %[2]s.workshop_id = $1 AND %[3]s BETWEEN $2 AND $3 AND (%[3]s, %[4]d, x.id) > ($4::date, $5::int, $6::uuid)%[5]s ORDER BY %[3]s, x.id LIMIT $7) r`,
		lean, owner, p.day, p.kind, p.where())
}

// epcisOrder is that of documents: by day, then by kind, then as written.
const epcisOrder = ` ORDER BY day, kind, id`

func epcisUnion(ids func(epcisPart) string) string {
	var parts []string
	for _, p := range epcisParts() {
		parts = append(parts, p.sql(ids(p)))
	}
	return strings.Join(parts, "\nUNION ALL\n") + epcisOrder
}

// The two statements, put together once.
var (
	epcisScoped = epcisUnion(func(p epcisPart) string { return p.scoped })
	epcisRanged = epcisUnion(epcisPart.ranged) + ` LIMIT $7`
)
