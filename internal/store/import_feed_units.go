package store

import (
	"strings"

	"example.org/stillroom/internal/batchcode"
)

const recordedHere = "was recorded at the bench of this book; correct it there"

// unitCode are the keys under which a code on units is found, right and with one character wrong.
func unitCode() []hidden {
	return []hidden{
		{"code_key", func(value func(string) string) string { return foldBatch(value("code")) }},
		keys(func(value func(string) string) []string {
			return []string{foldWord(value("code")), foldCode(value("code"))}
		}),
		{"near", func(value func(string) string) string {
			return strings.Join(batchcode.Deletions(foldBatch(value("code"))), " ")
		}},
	}
}

func feedsOfUnits() []feed {
	near := func(batch string) string {
		return `INSERT INTO code_near (workshop_id, near_key, code, batch_id) SELECT DISTINCT ON (k, s.code) @ws::uuid, k, s.code, ` + batch + ` CROSS JOIN LATERAL unnest(string_to_array(s.near, ' ')) k WHERE k <> '' ON CONFLICT DO NOTHING`
	}
	return []feed{
		{
			name: "batches", hidden: unitCode(), refs: []ref{known("product", "product", "product", "products")},
			checks: []string{
				`SELECT s.row, 'code', 'reads the same as "' || o.code || '" once case, separators and look-alikes (O 0, I L 1) are put aside' FROM {staged} s JOIN in_batches o ON o.code_key = s.code_key AND o.code <> s.code AND o.row < s.row WHERE s.code_key <> ''`,
				`SELECT s.row, 'code', 'reads the same as batch "' || o.code || '" of the book once case, separators and look-alikes (O 0, I L 1) are put aside' FROM {staged} s JOIN batch o ON o.workshop_id = @ws AND o.code_key = s.code_key AND o.code <> s.code`,
				`SELECT s.row, 'code', 'is the code of a packing of batch "' || b.code || '"' FROM {staged} s JOIN packing o ON o.workshop_id = @ws AND o.code_key = s.code_key JOIN batch b ON b.workshop_id = @ws AND b.id = o.batch_id WHERE b.code <> s.code`,
				`SELECT s.row, 'product', 'is needed, since the row has units' FROM {staged} s WHERE s.product = '' AND concat(s.units_good, s.units_rejected, s.units_sampled) <> '' AND NOT EXISTS (SELECT FROM in_packings p WHERE p.batch = s.code)
					AND NOT EXISTS (SELECT FROM packing p JOIN batch b ON b.workshop_id = @ws AND b.id = p.batch_id WHERE p.workshop_id = @ws AND b.code = s.code)`,
			},
			project: `SELECT d.code, coalesce(r.code, '') AS product, moment_text(d.made_at) AS made_at, ` + num("coalesce(c.temperature_c, d.only_temperature_c)") + ` AS temperature_c, ` + num("coalesce(c.humidity_pct, d.only_humidity_pct)") + ` AS humidity_pct, ` +
				at("d.cure_started_at") + ` AS cure_started_at, ` + at("d.cure_ended_at") + ` AS cure_ended_at, ` + at("d.packed_at") + ` AS packed_at, ` + txt("d.best_before") + ` AS best_before, d.status, ` +
				txt("u.good") + ` AS units_good, ` + txt("u.rejected") + ` AS units_rejected, ` + txt("u.retained") + ` AS units_sampled
				FROM batch d LEFT JOIN product r ON r.workshop_id = d.workshop_id AND r.id = d.product_id
				LEFT JOIN (SELECT DISTINCT ON (x.batch_id) x.batch_id, x.temperature_c, x.humidity_pct FROM batch_climate x WHERE x.workshop_id = current_workshop() AND x.stage = 'making' AND x.replaced_by IS NULL ORDER BY x.batch_id, x.taken_at DESC, x.id DESC) c ON c.batch_id = d.id
				LEFT JOIN (SELECT p.batch_id, sum(p.units_good) AS good, sum(p.units_retained) AS retained, sum(coalesce(j.units, 0)) AS rejected
				             FROM packing p LEFT JOIN (SELECT x.packing_id, sum(x.units) AS units FROM reject x WHERE x.workshop_id = current_workshop() AND x.packing_id IS NOT NULL AND x.replaced_by IS NULL GROUP BY 1) j ON j.packing_id = p.id
				            WHERE p.workshop_id = current_workshop() GROUP BY 1) u ON u.batch_id = d.id
				WHERE d.workshop_id = current_workshop() {only}`,
			only: `AND d.code IN (SELECT code FROM in_batches)`,
			// Units left out go by the packings; a row that gives some gives them all, the others being none.
			differs: map[string]string{
				"units_good":     `concat(s.units_good, s.units_rejected, s.units_sampled) <> '' AND coalesce(nullif(s.units_good, ''), '0') <> coalesce(nullif(e.units_good, ''), '0')`,
				"units_rejected": `s.units_rejected <> '' AND s.units_rejected <> coalesce(nullif(e.units_rejected, ''), '0')`,
				"units_sampled":  `s.units_sampled <> '' AND s.units_sampled <> coalesce(nullif(e.units_sampled, ''), '0')`,
			},
			keep: `EXISTS (SELECT FROM batch b WHERE b.workshop_id = @ws AND b.code = s.code AND b.origin = 'bench')`, keepWords: `'batch "' || s.code || '" ` + recordedHere + `'`,
			put: []string{
				`UPDATE batch d SET product_id = r.id, status = s.status, made_at = s.made_at::timestamptz, made_on = (s.made_at::timestamptz AT TIME ZONE @zone::text)::date, cure_started_at = nullif(s.cure_started_at, '')::timestamptz,
					cure_ended_at = nullif(s.cure_ended_at, '')::timestamptz, packed_at = nullif(s.packed_at, '')::timestamptz, best_before = nullif(s.best_before, '')::date,
					only_temperature_c = CASE WHEN s.humidity_pct = '' THEN nullif(s.temperature_c, '')::numeric END, only_humidity_pct = CASE WHEN s.temperature_c = '' THEN nullif(s.humidity_pct, '')::numeric END
					FROM {changed} s LEFT JOIN product r ON r.workshop_id = @ws AND r.code = s.product WHERE d.workshop_id = @ws AND d.code = s.code`,
				`INSERT INTO batch (workshop_id, id, code, code_key, origin, product_id, status, made_at, made_on, cure_started_at, cure_ended_at, packed_at, best_before, only_temperature_c, only_humidity_pct, change_id)
					SELECT @ws::uuid, s.id, s.code, s.code_key, 'history', r.id, s.status, s.made_at::timestamptz, (s.made_at::timestamptz AT TIME ZONE @zone::text)::date, nullif(s.cure_started_at, '')::timestamptz, nullif(s.cure_ended_at, '')::timestamptz,
					       nullif(s.packed_at, '')::timestamptz, nullif(s.best_before, '')::date, CASE WHEN s.humidity_pct = '' THEN nullif(s.temperature_c, '')::numeric END, CASE WHEN s.temperature_c = '' THEN nullif(s.humidity_pct, '')::numeric END, @change::uuid
					  FROM {new} s LEFT JOIN product r ON r.workshop_id = @ws AND r.code = s.product WHERE s.product = '' OR r.id IS NOT NULL`,
				`UPDATE batch_climate c SET replaced_by = CASE WHEN s.temperature_c <> '' AND s.humidity_pct <> '' THEN s.id ELSE c.id END FROM {changed} s JOIN batch b ON b.workshop_id = @ws AND b.code = s.code
					WHERE c.workshop_id = @ws AND c.batch_id = b.id AND c.stage = 'making' AND c.replaced_by IS NULL`,
				`INSERT INTO batch_climate (workshop_id, id, batch_id, stage, temperature_c, humidity_pct, taken_at, source, change_id)
					SELECT @ws::uuid, s.id, b.id, 'making', s.temperature_c::numeric, s.humidity_pct::numeric, b.made_at, 'history', @change::uuid
					  FROM {put} s JOIN batch b ON b.workshop_id = @ws AND b.code = s.code WHERE s.temperature_c <> '' AND s.humidity_pct <> ''`,
				indexed("batch", "keys"), near(`s.id FROM {new} s`),
				// A row with units of which packings says nothing is its own packing; rows of batches stand there with a minus.
				`INSERT INTO in_packings (row, id, id2, bad, code, batch, product, packed_on, units_good, units_rejected, units_retained, best_before, status, code_key, keys, near)
					SELECT -s.row, s.id, s.id2, false, s.code, s.code, coalesce(nullif(s.product, ''), r.code), coalesce(x.packed_on, (coalesce(nullif(s.packed_at, ''), nullif(s.cure_ended_at, ''), s.made_at)::timestamptz AT TIME ZONE @zone::text)::date)::text,
					       coalesce(nullif(s.units_good, ''), '0'), coalesce(nullif(s.units_rejected, ''), '0'), coalesce(nullif(s.units_sampled, ''), '0'), s.best_before,
					       CASE s.status WHEN 'released' THEN 'released' WHEN 'rejected' THEN 'rejected' WHEN 'void' THEN 'rejected' ELSE 'quarantined' END, s.code_key, s.keys, s.near
					  FROM {put} s JOIN batch b ON b.workshop_id = @ws AND b.code = s.code LEFT JOIN packing x ON x.workshop_id = @ws AND x.batch_id = b.id AND x.code = s.code LEFT JOIN product r ON r.workshop_id = @ws AND r.id = x.product_id
					 WHERE concat(s.units_good, s.units_rejected, s.units_sampled) <> '' AND NOT EXISTS (SELECT FROM in_packings p WHERE p.batch = s.code)
					   AND NOT EXISTS (SELECT FROM packing o WHERE o.workshop_id = @ws AND o.batch_id = b.id AND o.code <> s.code)`,
			},
		},
		{
			name: "packings", hidden: unitCode(),
			refs: []ref{
				{"batch", "batch", `EXISTS (SELECT FROM batch d WHERE d.workshop_id = @ws AND d.code = s.batch) OR EXISTS (SELECT FROM in_batches p WHERE p.code = s.batch)`},
				known("product", "product", "product", "products"),
			},
			checks: []string{
				`SELECT s.row, 'code', 'reads the same as "' || o.code || '" once case, separators and look-alikes (O 0, I L 1) are put aside' FROM {staged} s JOIN in_packings o ON o.code_key = s.code_key AND o.code <> s.code AND o.row < s.row WHERE s.code_key <> ''`,
				`SELECT s.row, 'code', 'reads the same as packing "' || o.code || '" of the book once case, separators and look-alikes (O 0, I L 1) are put aside' FROM {staged} s JOIN packing o ON o.workshop_id = @ws AND o.code_key = s.code_key AND o.code <> s.code`,
				`SELECT s.row, 'code', 'reads the same as batch "' || o.code || '"' FROM {staged} s JOIN batch o ON o.workshop_id = @ws AND o.code_key = s.code_key WHERE o.code <> s.batch OR o.code <> s.code`,
			},
			project: `SELECT d.code, b.code AS batch, r.code AS product, d.packed_on::text AS packed_on, d.units_good::text AS units_good, coalesce(j.units, 0)::text AS units_rejected, d.units_retained::text AS units_retained, ` + txt("d.best_before") + ` AS best_before, d.status
				FROM packing d JOIN batch b ON b.workshop_id = d.workshop_id AND b.id = d.batch_id JOIN product r ON r.workshop_id = d.workshop_id AND r.id = d.product_id
				LEFT JOIN (SELECT x.packing_id, sum(x.units) AS units FROM reject x WHERE x.workshop_id = current_workshop() AND x.packing_id IS NOT NULL AND x.replaced_by IS NULL GROUP BY 1) j ON j.packing_id = d.id
				WHERE d.workshop_id = current_workshop() {only}`,
			only: `AND d.code IN (SELECT code FROM in_packings)`,
			keep: `EXISTS (SELECT FROM batch b WHERE b.workshop_id = @ws AND b.code = s.batch AND b.origin = 'bench')`, keepWords: `'batch "' || s.batch || '" ` + recordedHere + `'`,
			put: []string{
				`UPDATE packing d SET product_id = r.id, packed_on = s.packed_on::date, units_good = s.units_good::integer, units_retained = s.units_retained::integer, best_before = nullif(s.best_before, '')::date, status = s.status
					FROM {changed} s JOIN batch b ON b.workshop_id = @ws AND b.code = s.batch JOIN product r ON r.workshop_id = @ws AND r.code = s.product WHERE d.workshop_id = @ws AND d.code = s.code AND d.batch_id = b.id`,
				`INSERT INTO packing (workshop_id, id, batch_id, n, code, code_key, product_id, packed_on, packed_at, units_good, units_retained, best_before, date_precision, status, change_id)
					SELECT @ws::uuid, s.id, b.id, coalesce(m.n, 0) + row_number() OVER (PARTITION BY b.id ORDER BY s.code <> s.batch, s.code COLLATE "C"), s.code, s.code_key, r.id, s.packed_on::date, CASE WHEN s.row < 0 THEN b.packed_at END,
					       s.units_good::integer, s.units_retained::integer, nullif(s.best_before, '')::date, r.date_precision, s.status, @change::uuid
					  FROM {new} s JOIN batch b ON b.workshop_id = @ws AND b.code = s.batch JOIN product r ON r.workshop_id = @ws AND r.code = s.product
					  LEFT JOIN (SELECT p.batch_id, max(p.n) AS n FROM packing p WHERE p.workshop_id = @ws GROUP BY 1) m ON m.batch_id = b.id`,
				`UPDATE reject j SET replaced_by = CASE WHEN s.units_rejected <> '0' THEN s.id2 ELSE j.id END FROM {changed} s JOIN packing p ON p.workshop_id = @ws AND p.code = s.code
					WHERE j.workshop_id = @ws AND j.packing_id = p.id AND j.replaced_by IS NULL`,
				`INSERT INTO reject (workshop_id, id, batch_id, packing_id, stage, units, change_id)
					SELECT @ws::uuid, s.id2, p.batch_id, p.id, 'packing', s.units_rejected::integer, @change::uuid FROM {put} s JOIN packing p ON p.workshop_id = @ws AND p.code = s.code WHERE s.units_rejected <> '0'`,
				`INSERT INTO search_key (workshop_id, key, kind, target_id) SELECT DISTINCT @ws::uuid, k, 'batch', p.batch_id FROM {new} s JOIN packing p ON p.workshop_id = @ws AND p.code = s.code
					CROSS JOIN LATERAL unnest(string_to_array(s.keys, ' ')) k WHERE s.code <> s.batch AND k <> '' ON CONFLICT DO NOTHING`,
				near(`p.batch_id FROM (SELECT x.* FROM {new} x WHERE x.code <> x.batch) s JOIN packing p ON p.workshop_id = @ws AND p.code = s.code`),
			},
		},
		{
			name: "batch_inputs",
			refs: []ref{onUnits("batch", "batch"), known("material_lot", "lot", "material_lot", "material_lots"), onUnits("source_batch", "batch")},
			prepare: []string{
				`UPDATE in_batch_inputs s SET batch = b.code FROM packing p JOIN batch b ON b.workshop_id = @ws AND b.id = p.batch_id WHERE p.workshop_id = @ws AND p.code = s.batch AND b.code <> s.batch`,
				`UPDATE in_batch_inputs s SET source_batch = b.code FROM packing p JOIN batch b ON b.workshop_id = @ws AND b.id = p.batch_id WHERE p.workshop_id = @ws AND p.code = s.source_batch AND s.unit = 'g' AND b.code <> s.source_batch`,
				`UPDATE in_batch_inputs s SET source_batch = f.code FROM batch b CROSS JOIN LATERAL (SELECT p.code FROM packing p WHERE p.workshop_id = @ws AND p.batch_id = b.id ORDER BY p.n LIMIT 1) f
					WHERE s.unit = 'each' AND b.workshop_id = @ws AND b.code = s.source_batch AND NOT EXISTS (SELECT FROM packing p WHERE p.workshop_id = @ws AND p.code = s.source_batch)`,
			},
			checks: []string{
				neverPacked("source_batch", `s.unit = 'each' AND s.source_batch <> '' AND`),
				`SELECT s.row, 'unit', 'lot "' || s.material_lot || '" is counted in ' || m.unit || ', not in ' || s.unit FROM {staged} s JOIN material_lot l ON l.workshop_id = @ws AND l.code = s.material_lot
					JOIN material m ON m.workshop_id = @ws AND m.id = l.material_id WHERE s.material_lot <> '' AND s.unit <> '' AND s.unit <> m.unit`,
			},
			project: `SELECT b.code AS batch, coalesce(l.code, '') AS material_lot, CASE WHEN d.source_batch_id IS NULL THEN '' WHEN d.unit = 'each' THEN coalesce(k.code, o.code) ELSE o.code END AS source_batch, ` + num("sum(d.quantity)") + ` AS quantity,
				CASE WHEN d.source_batch_id IS NULL THEN '' ELSE d.unit END AS unit
				FROM batch_input d JOIN batch b ON b.workshop_id = d.workshop_id AND b.id = d.batch_id LEFT JOIN material_lot l ON l.workshop_id = d.workshop_id AND l.id = d.material_lot_id
				LEFT JOIN batch o ON o.workshop_id = d.workshop_id AND o.id = d.source_batch_id LEFT JOIN packing k ON k.workshop_id = d.workshop_id AND k.id = d.source_packing_id
				WHERE d.workshop_id = current_workshop() AND d.replaced_by IS NULL AND (d.material_lot_id IS NOT NULL OR d.source_batch_id IS NOT NULL) {only} GROUP BY 1, 2, 3, 5`,
			only: `AND b.code IN (SELECT batch FROM in_batch_inputs)`,
			keep: `EXISTS (SELECT FROM batch b WHERE b.workshop_id = @ws AND b.code = s.batch AND b.origin = 'bench')`, keepWords: `'batch "' || s.batch || '" ` + recordedHere + `'`,
			put: []string{
				`UPDATE batch_input d SET replaced_by = s.id FROM {changed} s JOIN batch b ON b.workshop_id = @ws AND b.code = s.batch JOIN material_lot l ON l.workshop_id = @ws AND l.code = s.material_lot
					WHERE d.workshop_id = @ws AND d.batch_id = b.id AND d.material_lot_id = l.id AND d.replaced_by IS NULL`,
				`UPDATE batch_input d SET replaced_by = s.id FROM {changed} s JOIN batch b ON b.workshop_id = @ws AND b.code = s.batch LEFT JOIN batch o ON o.workshop_id = @ws AND o.code = s.source_batch LEFT JOIN packing k ON k.workshop_id = @ws AND k.code = s.source_batch
					WHERE s.source_batch <> '' AND d.workshop_id = @ws AND d.batch_id = b.id AND d.unit = s.unit AND d.replaced_by IS NULL AND CASE WHEN s.unit = 'each' THEN d.source_packing_id = k.id ELSE d.source_batch_id = o.id END`,
				`INSERT INTO batch_input (workshop_id, id, batch_id, material_lot_id, source_batch_id, source_packing_id, quantity, unit, change_id)
					SELECT @ws::uuid, s.id, b.id, l.id, CASE WHEN s.unit = 'each' THEN k.batch_id ELSE o.id END, CASE WHEN s.unit = 'each' THEN k.id END, s.quantity::numeric, coalesce(m.unit, s.unit), @change::uuid
					  FROM {put} s JOIN batch b ON b.workshop_id = @ws AND b.code = s.batch
					  LEFT JOIN material_lot l ON l.workshop_id = @ws AND s.material_lot <> '' AND l.code = s.material_lot LEFT JOIN material m ON m.workshop_id = @ws AND m.id = l.material_id
					  LEFT JOIN batch o ON o.workshop_id = @ws AND s.source_batch <> '' AND o.code = s.source_batch LEFT JOIN packing k ON k.workshop_id = @ws AND s.unit = 'each' AND k.code = s.source_batch
					 WHERE l.id IS NOT NULL OR CASE WHEN s.unit = 'each' THEN k.id ELSE o.id END IS NOT NULL`,
			},
		},
		{
			name: "packing_inputs", refs: []ref{onUnits("packing", "packing"), known("material_lot", "lot", "material_lot", "material_lots")},
			prepare: []string{toPacking("packing_inputs", "packing")},
			checks:  []string{neverPacked("packing", "")},
			project: `SELECT k.code AS packing, l.code AS material_lot, ` + num("sum(d.quantity)") + ` AS quantity
				FROM packing_input d JOIN packing k ON k.workshop_id = d.workshop_id AND k.id = d.packing_id JOIN material_lot l ON l.workshop_id = d.workshop_id AND l.id = d.material_lot_id
				WHERE d.workshop_id = current_workshop() AND d.replaced_by IS NULL {only} GROUP BY 1, 2`,
			only: `AND k.code IN (SELECT packing FROM in_packing_inputs)`,
			keep: `EXISTS (SELECT FROM packing k JOIN batch b ON b.workshop_id = @ws AND b.id = k.batch_id WHERE k.workshop_id = @ws AND k.code = s.packing AND b.origin = 'bench')`, keepWords: `'packing "' || s.packing || '" ` + recordedHere + `'`,
			put: []string{
				`UPDATE packing_input d SET replaced_by = s.id FROM {changed} s JOIN packing k ON k.workshop_id = @ws AND k.code = s.packing JOIN material_lot l ON l.workshop_id = @ws AND l.code = s.material_lot
					WHERE d.workshop_id = @ws AND d.packing_id = k.id AND d.material_lot_id = l.id AND d.replaced_by IS NULL`,
				`INSERT INTO packing_input (workshop_id, id, packing_id, material_lot_id, quantity, change_id) SELECT @ws::uuid, s.id, k.id, l.id, s.quantity::numeric, @change::uuid
					FROM {put} s JOIN packing k ON k.workshop_id = @ws AND k.code = s.packing JOIN material_lot l ON l.workshop_id = @ws AND l.code = s.material_lot`,
			},
		},
		{
			name: "dispatches", refs: []ref{known("customer", "customer", "customer", "customers"), onUnits("batch", "batch")},
			hidden:  []hidden{keys(func(value func(string) string) []string { return []string{foldWord(value("code"))} })},
			prepare: []string{toPacking("dispatches", "batch")},
			checks: []string{
				neverPacked("batch", ""),
				`SELECT s.row, CASE WHEN s.customer <> o.customer THEN 'customer' ELSE 'dispatched_on' END, 'dispatch "' || s.code || '" goes to "' || o.customer || '" on ' || o.dispatched_on || ' in row ' || o.row || '; a dispatch has one customer and day'
					FROM (SELECT x.code, min(x.row) AS row FROM {staged} x GROUP BY x.code HAVING min(x.customer) <> max(x.customer) OR min(x.dispatched_on) <> max(x.dispatched_on)) f
					JOIN in_dispatches o ON o.code = f.code AND o.row = f.row JOIN in_dispatches s ON s.code = f.code AND (s.customer <> o.customer OR s.dispatched_on <> o.dispatched_on) WHERE NOT s.bad`,
				`SELECT s.row, CASE WHEN s.customer <> c.code THEN 'customer' ELSE 'dispatched_on' END, 'dispatch "' || s.code || '" stands in the book: to "' || c.code || '" on ' || d.dispatched_on FROM {staged} s JOIN dispatch d ON d.workshop_id = @ws AND d.code = s.code
					JOIN customer c ON c.workshop_id = @ws AND c.id = d.customer_id WHERE NOT @update::boolean AND (s.customer <> c.code OR s.dispatched_on <> d.dispatched_on::text)
					AND NOT EXISTS (SELECT FROM dispatch_line l JOIN packing p ON p.workshop_id = @ws AND p.id = l.packing_id WHERE l.workshop_id = @ws AND l.dispatch_id = d.id AND p.code = s.batch AND l.replaced_by IS NULL)`,
			},
			project: `SELECT h.code, c.code AS customer, h.dispatched_on::text AS dispatched_on, k.code AS batch, d.units::text AS units
				FROM dispatch_line d JOIN dispatch h ON h.workshop_id = d.workshop_id AND h.id = d.dispatch_id JOIN customer c ON c.workshop_id = d.workshop_id AND c.id = h.customer_id JOIN packing k ON k.workshop_id = d.workshop_id AND k.id = d.packing_id
				WHERE d.workshop_id = current_workshop() AND d.replaced_by IS NULL {only}`,
			only: `AND h.code IN (SELECT code FROM in_dispatches)`,
			put: []string{
				`UPDATE dispatch d SET customer_id = c.id, dispatched_on = s.dispatched_on::date FROM (SELECT DISTINCT ON (x.code) x.* FROM {put} x ORDER BY x.code, x.row) s JOIN customer c ON c.workshop_id = @ws AND c.code = s.customer
					WHERE @update::boolean AND d.workshop_id = @ws AND d.code = s.code AND (d.customer_id <> c.id OR d.dispatched_on <> s.dispatched_on::date)`,
				`UPDATE dispatch_line l SET customer_id = d.customer_id FROM dispatch d WHERE @update::boolean AND d.workshop_id = @ws AND l.workshop_id = @ws AND l.dispatch_id = d.id AND l.customer_id <> d.customer_id AND d.code IN (SELECT code FROM in_dispatches)`,
				`INSERT INTO dispatch (workshop_id, id, code, customer_id, dispatched_on, origin, change_id)
					SELECT @ws::uuid, s.id, s.code, c.id, s.dispatched_on::date, 'history', @change::uuid
					  FROM (SELECT x.code, min(x.id2::text)::uuid AS id, min(x.customer) AS customer, min(x.dispatched_on) AS dispatched_on FROM {new} x GROUP BY x.code) s JOIN customer c ON c.workshop_id = @ws AND c.code = s.customer
					 WHERE NOT EXISTS (SELECT FROM dispatch d WHERE d.workshop_id = @ws AND d.code = s.code)`,
				`INSERT INTO search_key (workshop_id, key, kind, target_id) SELECT @ws::uuid, s.keys, 'dispatch', d.id FROM (SELECT x.code, min(x.keys) AS keys FROM {new} x GROUP BY x.code) s JOIN dispatch d ON d.workshop_id = @ws AND d.code = s.code
					WHERE s.keys <> '' ON CONFLICT DO NOTHING`,
				`UPDATE dispatch_line l SET replaced_by = s.id FROM {changed} s JOIN dispatch d ON d.workshop_id = @ws AND d.code = s.code JOIN packing k ON k.workshop_id = @ws AND k.code = s.batch
					WHERE l.workshop_id = @ws AND l.dispatch_id = d.id AND l.packing_id = k.id AND l.replaced_by IS NULL AND l.units <> s.units::integer`,
				`INSERT INTO dispatch_line (workshop_id, id, dispatch_id, customer_id, packing_id, units, change_id)
					SELECT @ws::uuid, s.id, d.id, d.customer_id, k.id, s.units::integer, @change::uuid
					  FROM {put} s JOIN dispatch d ON d.workshop_id = @ws AND d.code = s.code JOIN packing k ON k.workshop_id = @ws AND k.code = s.batch
					 WHERE NOT EXISTS (SELECT FROM known_dispatches n WHERE n.row = s.row) OR NOT EXISTS (SELECT FROM dispatch_line l WHERE l.workshop_id = @ws AND l.dispatch_id = d.id AND l.packing_id = k.id AND l.replaced_by IS NULL)`,
			},
		},
		{
			name: "returns", refs: []ref{known("dispatch", "dispatch", "dispatch", "dispatches"), onUnits("batch", "batch")},
			prepare: []string{toPacking("returns", "batch")}, checks: []string{neverPacked("batch", "")},
			project: `SELECT d.code, coalesce(h.code, '') AS dispatch, k.code AS batch, d.returned_on::text AS returned_on, d.units::text AS units, d.disposition
				FROM unit_return d LEFT JOIN dispatch h ON h.workshop_id = d.workshop_id AND h.id = d.dispatch_id JOIN packing k ON k.workshop_id = d.workshop_id AND k.id = d.packing_id
				WHERE d.workshop_id = current_workshop() AND d.replaced_by IS NULL {only}`,
			only: `AND d.code IN (SELECT code FROM in_returns)`,
			put: []string{
				`UPDATE hold k SET lifted_at = now(), lift_reason = 'The return was corrected by an import' FROM {changed} s JOIN unit_return d ON d.workshop_id = @ws AND d.code = s.code AND d.replaced_by IS NULL
					WHERE k.workshop_id = @ws AND k.return_id = d.id AND k.lifted_at IS NULL`,
				`UPDATE unit_return d SET replaced_by = s.id FROM {changed} s WHERE d.workshop_id = @ws AND d.code = s.code AND d.replaced_by IS NULL`,
				`INSERT INTO unit_return (workshop_id, id, code, dispatch_id, packing_id, returned_on, units, disposition, change_id)
					SELECT @ws::uuid, s.id, s.code, h.id, k.id, s.returned_on::date, s.units::integer, s.disposition, @change::uuid
					  FROM {put} s JOIN packing k ON k.workshop_id = @ws AND k.code = s.batch LEFT JOIN dispatch h ON h.workshop_id = @ws AND h.code = s.dispatch WHERE s.dispatch = '' OR h.id IS NOT NULL`,
				`INSERT INTO hold (workshop_id, id, packing_id, return_id, units, reason, placed_at, change_id)
					SELECT @ws::uuid, s.id2, k.id, d.id, s.units::integer, 'Came back on hold (' || s.code || ')', s.returned_on::date::timestamp AT TIME ZONE @zone::text, @change::uuid
					  FROM {put} s JOIN packing k ON k.workshop_id = @ws AND k.code = s.batch JOIN unit_return d ON d.workshop_id = @ws AND d.id = s.id WHERE s.disposition = 'hold'`,
			},
		},
		{
			name: "unit_moves", refs: []ref{onUnits("batch", "batch")},
			prepare: []string{toPacking("unit_moves", "batch")}, checks: []string{neverPacked("batch", "")},
			project: `SELECT d.code, k.code AS batch, d.moved_on::text AS moved_on, d.units::text AS units, d.reason, d.note FROM unit_move d JOIN packing k ON k.workshop_id = d.workshop_id AND k.id = d.packing_id
				WHERE d.workshop_id = current_workshop() AND d.replaced_by IS NULL {only}`, only: `AND d.code IN (SELECT code FROM in_unit_moves)`,
			put: []string{
				`UPDATE unit_move d SET replaced_by = s.id FROM {changed} s WHERE d.workshop_id = @ws AND d.code = s.code AND d.replaced_by IS NULL`,
				`INSERT INTO unit_move (workshop_id, id, code, packing_id, moved_on, units, reason, note, change_id) SELECT @ws::uuid, s.id, s.code, k.id, s.moved_on::date, s.units::integer, s.reason, s.note, @change::uuid
					FROM {put} s JOIN packing k ON k.workshop_id = @ws AND k.code = s.batch`,
			},
		},
		{
			name: "stock_moves", refs: []ref{known("material_lot", "lot", "material_lot", "material_lots")},
			project: `SELECT d.code, l.code AS material_lot, d.moved_on::text AS moved_on, ` + num("d.quantity") + ` AS quantity, d.reason, d.note FROM stock_move d JOIN material_lot l ON l.workshop_id = d.workshop_id AND l.id = d.lot_id
				WHERE d.workshop_id = current_workshop() AND d.replaced_by IS NULL {only}`, only: `AND d.code IN (SELECT code FROM in_stock_moves)`,
			put: []string{
				`UPDATE stock_move d SET replaced_by = s.id FROM {changed} s WHERE d.workshop_id = @ws AND d.code = s.code AND d.replaced_by IS NULL`,
				`INSERT INTO stock_move (workshop_id, id, code, lot_id, moved_on, quantity, reason, note, change_id) SELECT @ws::uuid, s.id, s.code, l.id, s.moved_on::date, s.quantity::numeric, s.reason, s.note, @change::uuid
					FROM {put} s JOIN material_lot l ON l.workshop_id = @ws AND l.code = s.material_lot`,
			},
		},
		{
			name:    "climate_readings",
			project: `SELECT d.place, moment_text(d.taken_at) AS taken_at, ` + num("d.temperature_c") + ` AS temperature_c, ` + num("d.humidity_pct") + ` AS humidity_pct FROM climate_reading d WHERE d.workshop_id = current_workshop() {only}`,
			only:    `AND EXISTS (SELECT FROM in_climate_readings x WHERE x.place = d.place AND x.taken_at <> '' AND x.taken_at::timestamptz = d.taken_at)`,
			put: []string{
				`UPDATE climate_reading d SET temperature_c = s.temperature_c::numeric, humidity_pct = s.humidity_pct::numeric FROM {changed} s WHERE d.workshop_id = @ws AND d.place = s.place AND d.taken_at = s.taken_at::timestamptz`,
				`INSERT INTO climate_reading (workshop_id, place, taken_at, temperature_c, humidity_pct) SELECT @ws::uuid, s.place, s.taken_at::timestamptz, s.temperature_c::numeric, s.humidity_pct::numeric FROM {new} s`,
			},
		},
	}
}
