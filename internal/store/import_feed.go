package store

import (
	"fmt"
	"strings"

	"example.org/stillroom/internal/interchange"
)

// feed is how one table of the interchange meets the book. Its rows stand in a temporary table in_NAME, as text in the
// one form in which they are written: row, id and id2 (fresh), bad (a fault was found while reading), the columns, and
// the hidden ones. In the SQL, {new} is the sound rows that the book does not have, {changed} those that it has with other
// values and that this import may change, {put} both. @ws, @change and @zone are the workshop's.
type feed struct {
	name   string
	hidden []hidden
	refs   []ref
	// prepare runs once what the rows refer to is in the book: it makes one code of several that name the same.
	prepare []string
	// checks add faults: they select row, column and words from in_NAME s.
	checks []string
	// project selects what the book has in the table's columns, as text; {only} narrows it to the codes of the import.
	project string
	only    string
	// differs says otherwise than by inequality when a column is another.
	differs map[string]string
	// keep refuses a change of a row that the book has: it is a condition on the joined existing row e, with words.
	keep, keepWords string
	put             []string
}

type hidden struct {
	name string
	fill func(value func(column string) string) string
}

// ref is a column that holds the code of something: what the book calls it, and where it stands.
type ref struct{ column, what, exists string }

// known is a reference to a row by its code.
func known(column, what, table, file string) ref {
	return ref{column, what, fmt.Sprintf(`EXISTS (SELECT FROM %s d WHERE d.workshop_id = @ws AND d.code = s.%s) OR EXISTS (SELECT FROM in_%s p WHERE p.code = s.%s)`, table, column, file, column)}
}

// onUnits is a reference to a batch, also by the code of one of its packings.
func onUnits(column, what string) ref {
	return ref{column, what, fmt.Sprintf(`EXISTS (SELECT FROM batch d WHERE d.workshop_id = @ws AND d.code = s.%[1]s) OR EXISTS (SELECT FROM packing d WHERE d.workshop_id = @ws AND d.code = s.%[1]s)
		OR EXISTS (SELECT FROM in_batches p WHERE p.code = s.%[1]s) OR EXISTS (SELECT FROM in_packings p WHERE p.code = s.%[1]s)`, column)}
}

func keys(fill func(value func(string) string) []string) hidden {
	return hidden{"keys", func(value func(string) string) string { return strings.Join(fill(value), " ") }}
}

// indexed writes the words under which the look-up box finds the rows.
func indexed(kind, keys string) string {
	return fmt.Sprintf(`INSERT INTO search_key (workshop_id, key, kind, target_id) SELECT DISTINCT @ws::uuid, k, '%s', s.id FROM {new} s CROSS JOIN LATERAL unnest(string_to_array(s.%s, ' ')) k WHERE k <> '' ON CONFLICT DO NOTHING`, kind, keys)
}

// reindexed does so anew for rows whose names an import changed.
func reindexed(kind, table, keys string) []string {
	return []string{
		fmt.Sprintf(`DELETE FROM search_key x USING {changed} s JOIN %s d ON d.workshop_id = @ws AND d.code = s.code WHERE x.workshop_id = @ws AND x.kind = '%s' AND x.target_id = d.id`, table, kind),
		fmt.Sprintf(`INSERT INTO search_key (workshop_id, key, kind, target_id) SELECT DISTINCT @ws::uuid, k, '%s', d.id FROM {changed} s JOIN %s d ON d.workshop_id = @ws AND d.code = s.code
			CROSS JOIN LATERAL unnest(string_to_array(s.%s, ' ')) k WHERE k <> '' ON CONFLICT DO NOTHING`, kind, table, keys),
	}
}

func (f feed) table() interchange.Table {
	t, ok := interchange.Lookup(f.name)
	if !ok {
		panic("store: no table " + f.name) // the feeds are written down below; a test walks them
	}
	return t
}

// randomKey is the key of a person's hashes: 244 random bits, from two random UUIDs.
const randomKey = `uuid_send(gen_random_uuid()) || uuid_send(gen_random_uuid())`

// toPacking turns the code of a batch whose units do not bear it into that of its first packing.
func toPacking(name, column string) string {
	return fmt.Sprintf(`UPDATE in_%[1]s s SET %[2]s = f.code FROM batch b CROSS JOIN LATERAL (SELECT p.code FROM packing p WHERE p.workshop_id = @ws AND p.batch_id = b.id ORDER BY p.n LIMIT 1) f
		WHERE b.workshop_id = @ws AND b.code = s.%[2]s AND NOT EXISTS (SELECT FROM packing p WHERE p.workshop_id = @ws AND p.code = s.%[2]s)`, name, column)
}

// neverPacked finds rows that name a batch without any units.
func neverPacked(column, where string) string {
	return fmt.Sprintf(`SELECT s.row, '%[1]s', 'no units of batch "' || s.%[1]s || '" were packed' FROM {staged} s JOIN batch b ON b.workshop_id = @ws AND b.code = s.%[1]s
		WHERE %[2]s NOT EXISTS (SELECT FROM packing p WHERE p.workshop_id = @ws AND p.code = s.%[1]s)`, column, where)
}

// num gives a number as it is written; an empty one is ”.
func num(column string) string { return "coalesce(trim_scale(" + column + ")::text, '')" }

// txt gives a date, a whole number or a code as it is written; an empty one is ”.
func txt(column string) string { return "coalesce(" + column + "::text, '')" }
func at(column string) string  { return "coalesce(moment_text(" + column + "), '')" }

func feeds() []feed {
	return append(feedsOfMaterials(), feedsOfUnits()...)
}

func feedsOfMaterials() []feed {
	named := func(value func(string) string) []string { return append(words(value("name")), foldWord(value("code"))) }
	return []feed{
		{
			name: "suppliers", hidden: []hidden{keys(named)},
			project: `SELECT d.code, d.name, d.email, d.phone, d.address FROM supplier d WHERE d.workshop_id = current_workshop() {only}`, only: `AND d.code IN (SELECT code FROM in_suppliers)`,
			put: append([]string{
				`UPDATE supplier d SET name = s.name, email = s.email, phone = s.phone, address = s.address FROM {changed} s WHERE d.workshop_id = @ws AND d.code = s.code`,
				`INSERT INTO supplier (workshop_id, id, code, name, email, phone, address, personal_key, change_id) SELECT @ws::uuid, s.id, s.code, s.name, s.email, s.phone, s.address, ` + randomKey + `, @change::uuid FROM {new} s`,
				indexed("supplier", "keys"),
			}, reindexed("supplier", "supplier", "keys")...),
		},
		{
			name: "customers", hidden: []hidden{keys(named)},
			project: `SELECT d.code, d.name, d.kind, d.email, d.phone, d.address FROM customer d WHERE d.workshop_id = current_workshop() {only}`, only: `AND d.code IN (SELECT code FROM in_customers)`,
			put: append([]string{
				`UPDATE customer d SET name = s.name, kind = s.kind, email = s.email, phone = s.phone, address = s.address FROM {changed} s WHERE d.workshop_id = @ws AND d.code = s.code`,
				`INSERT INTO customer (workshop_id, id, code, name, kind, email, phone, address, personal_key, change_id) SELECT @ws::uuid, s.id, s.code, s.name, s.kind, s.email, s.phone, s.address, ` + randomKey + `, @change::uuid FROM {new} s`,
				indexed("customer", "keys"),
			}, reindexed("customer", "customer", "keys")...),
		},
		{
			name: "materials",
			hidden: []hidden{keys(func(value func(string) string) []string {
				return append(append(words(value("name")), words(value("inci_name"))...), foldWord(value("code")))
			})},
			project: `SELECT d.code, d.name, d.kind, d.unit, d.inci_name, d.cas_number, ` + num("d.density_g_per_ml") + ` AS density_g_per_ml, d.tracked::text AS tracked
				FROM material d WHERE d.workshop_id = current_workshop() {only}`, only: `AND d.code IN (SELECT code FROM in_materials)`,
			put: append([]string{
				`UPDATE material d SET name = s.name, kind = s.kind, unit = s.unit, inci_name = s.inci_name, cas_number = s.cas_number, density_g_per_ml = nullif(s.density_g_per_ml, '')::numeric, tracked = s.tracked::boolean
					FROM {changed} s WHERE d.workshop_id = @ws AND d.code = s.code`,
				`INSERT INTO material (workshop_id, id, code, name, kind, unit, inci_name, cas_number, density_g_per_ml, tracked, expiry_counts, change_id)
					SELECT @ws::uuid, s.id, s.code, s.name, s.kind, s.unit, s.inci_name, s.cas_number, nullif(s.density_g_per_ml, '')::numeric, s.tracked::boolean, s.kind = 'raw', @change::uuid FROM {new} s`,
				indexed("material", "keys"),
			}, reindexed("material", "material", "keys")...),
		},
		{
			name: "material_lots",
			hidden: []hidden{
				keys(func(value func(string) string) []string {
					return []string{foldWord(value("code")), foldCode(value("code"))}
				}),
				{"lot_key", func(value func(string) string) string { return foldWord(value("supplier_lot")) }},
			},
			refs: []ref{known("material", "material", "material", "materials"), known("supplier", "supplier", "supplier", "suppliers")},
			project: `SELECT d.code, m.code AS material, coalesce(p.code, '') AS supplier, d.supplier_lot, d.received_on::text AS received_on, ` + txt("d.expires_on") + ` AS expires_on, ` + num("d.quantity") + ` AS quantity, ` +
				num("d.unit_cost") + ` AS unit_cost, d.status, ` + txt("d.retest_on") + ` AS retest_on
				FROM material_lot d JOIN material m ON m.workshop_id = d.workshop_id AND m.id = d.material_id LEFT JOIN supplier p ON p.workshop_id = d.workshop_id AND p.id = d.supplier_id
				WHERE d.workshop_id = current_workshop() {only}`, only: `AND d.code IN (SELECT code FROM in_material_lots)`,
			put: []string{
				`UPDATE material_lot d SET material_id = m.id, supplier_id = p.id, supplier_lot = s.supplier_lot, supplier_lot_key = s.lot_key, received_on = s.received_on::date, expires_on = nullif(s.expires_on, '')::date,
					retest_on = nullif(s.retest_on, '')::date, quantity = s.quantity::numeric, unit_cost = nullif(s.unit_cost, '')::numeric, status = s.status
					FROM {changed} s JOIN material m ON m.workshop_id = @ws AND m.code = s.material LEFT JOIN supplier p ON p.workshop_id = @ws AND p.code = s.supplier WHERE d.workshop_id = @ws AND d.code = s.code`,
				`INSERT INTO material_lot (workshop_id, id, code, material_id, supplier_id, supplier_lot, supplier_lot_key, received_on, expires_on, retest_on, quantity, unit_cost, status, origin, change_id)
					SELECT @ws::uuid, s.id, s.code, m.id, p.id, s.supplier_lot, s.lot_key, s.received_on::date, nullif(s.expires_on, '')::date, nullif(s.retest_on, '')::date, s.quantity::numeric, nullif(s.unit_cost, '')::numeric,
					       s.status, 'history', @change::uuid
					  FROM {new} s JOIN material m ON m.workshop_id = @ws AND m.code = s.material LEFT JOIN supplier p ON p.workshop_id = @ws AND p.code = s.supplier WHERE s.supplier = '' OR p.id IS NOT NULL`,
				indexed("lot", "keys"), indexed("supplier_lot", "lot_key"),
				`DELETE FROM search_key x USING {changed} s JOIN material_lot d ON d.workshop_id = @ws AND d.code = s.code WHERE x.workshop_id = @ws AND x.kind = 'supplier_lot' AND x.target_id = d.id`,
				`INSERT INTO search_key (workshop_id, key, kind, target_id) SELECT @ws::uuid, s.lot_key, 'supplier_lot', d.id FROM {changed} s JOIN material_lot d ON d.workshop_id = @ws AND d.code = s.code WHERE s.lot_key <> '' ON CONFLICT DO NOTHING`,
			},
		},
		{
			name: "lot_inputs", refs: []ref{known("lot", "lot", "material_lot", "material_lots"), known("source_lot", "lot", "material_lot", "material_lots")},
			project: `SELECT a.code AS lot, b.code AS source_lot, ` + num("sum(d.quantity)") + ` AS quantity
				FROM lot_input d JOIN material_lot a ON a.workshop_id = d.workshop_id AND a.id = d.lot_id JOIN material_lot b ON b.workshop_id = d.workshop_id AND b.id = d.source_lot_id
				WHERE d.workshop_id = current_workshop() AND d.replaced_by IS NULL {only} GROUP BY a.code, b.code`, only: `AND a.code IN (SELECT lot FROM in_lot_inputs)`,
			put: []string{
				`UPDATE lot_input d SET replaced_by = s.id FROM {changed} s JOIN material_lot a ON a.workshop_id = @ws AND a.code = s.lot JOIN material_lot b ON b.workshop_id = @ws AND b.code = s.source_lot
					WHERE d.workshop_id = @ws AND d.lot_id = a.id AND d.source_lot_id = b.id AND d.replaced_by IS NULL`,
				`INSERT INTO lot_input (workshop_id, id, lot_id, source_lot_id, quantity, happened_on, change_id)
					SELECT @ws::uuid, s.id, a.id, b.id, s.quantity::numeric, a.received_on, @change::uuid
					  FROM {put} s JOIN material_lot a ON a.workshop_id = @ws AND a.code = s.lot JOIN material_lot b ON b.workshop_id = @ws AND b.code = s.source_lot`,
			},
		},
		{
			name: "products", hidden: []hidden{keys(named)},
			project: `SELECT d.code, d.name, ` + num("d.net_content_g") + ` AS net_content_g, ` + txt("d.shelf_life_months") + ` AS shelf_life_months, ` + txt("d.shelf_life_days") + ` AS shelf_life_days,
				coalesce(d.shelf_life_from, '') AS shelf_life_from, d.cap_by_expiry::text AS cap_by_expiry, d.date_precision FROM product d WHERE d.workshop_id = current_workshop() {only}`, only: `AND d.code IN (SELECT code FROM in_products)`,
			put: append([]string{
				`UPDATE product d SET name = s.name, net_content_g = nullif(s.net_content_g, '')::numeric, shelf_life_months = nullif(s.shelf_life_months, '')::integer, shelf_life_days = nullif(s.shelf_life_days, '')::integer,
					shelf_life_from = nullif(s.shelf_life_from, ''), cap_by_expiry = s.cap_by_expiry::boolean, date_precision = s.date_precision FROM {changed} s WHERE d.workshop_id = @ws AND d.code = s.code`,
				`INSERT INTO product (workshop_id, id, code, name, net_content_g, shelf_life_months, shelf_life_days, shelf_life_from, cap_by_expiry, date_precision, change_id)
					SELECT @ws::uuid, s.id, s.code, s.name, nullif(s.net_content_g, '')::numeric, nullif(s.shelf_life_months, '')::integer, nullif(s.shelf_life_days, '')::integer, nullif(s.shelf_life_from, ''),
					       s.cap_by_expiry::boolean, s.date_precision, @change::uuid FROM {new} s`,
				indexed("product", "keys"),
			}, reindexed("product", "product", "keys")...),
		},
	}
}
