package store_test

import (
	"testing"
	"time"
)

func TestXX(t *testing.T) {
	b := newTraceBook(t)
	b.Lot("OO-1", b.material, 1)
	b.Lot("OO-2", b.material, 1)
	b.Lot("OO-3", b.material, 1)
	b.Lot("OO-4", b.material, 1)
	ws := `(SELECT id FROM workshop LIMIT 1)`
	ch := `(SELECT id FROM change LIMIT 1)`
	var off, on []string
	for _, tb := range []string{"batch", "packing", "batch_input", "customer", "dispatch", "dispatch_line", "unit_return"} {
		off = append(off, "ALTER TABLE "+tb+" DISABLE TRIGGER USER")
		on = append(on, "ALTER TABLE "+tb+" ENABLE TRIGGER USER")
	}
	b.asOwner(t, off...)
	id := func(kind string, n string) string { return `md5('` + kind + `' || ` + n + `)::uuid` }
	b.asOwner(t,
		`INSERT INTO batch (workshop_id, id, code, code_key, origin, product_id, status, made_at, made_on, change_id) SELECT `+ws+`, `+id("batch", "i")+`, 'OB-' || i, '0B' || i, 'history', p.id, 'released', '2026-02-01', '2026-02-01', `+ch+` FROM generate_series(100001, 200000) i, product p`,
		`INSERT INTO packing (workshop_id, id, batch_id, n, code, code_key, product_id, packed_on, units_good, status, change_id) SELECT `+ws+`, `+id("packing", "i")+`, `+id("batch", "i")+`, 1, 'OB-' || i, '0B' || i, p.id, '2026-02-01', 40, 'released', `+ch+` FROM generate_series(100001, 200000) i, product p`,
		`INSERT INTO batch_input (workshop_id, id, batch_id, material_lot_id, quantity, unit, change_id) SELECT `+ws+`, gen_random_uuid(), `+id("batch", "i")+`, l.id, 10, 'g', `+ch+` FROM generate_series(100001, 200000) i JOIN material_lot l ON l.code = CASE WHEN i % 33 = 0 THEN 'OO-1' WHEN i % 331 = 0 THEN 'OO-2' WHEN i % 3331 = 0 THEN 'OO-3' ELSE 'OO-4' END`,
		`INSERT INTO batch_input (workshop_id, id, batch_id, source_batch_id, quantity, unit, change_id) SELECT `+ws+`, gen_random_uuid(), `+id("batch", "i")+`, `+id("batch", "i - 3300")+`, 10, 'g', `+ch+` FROM generate_series(103301, 200000) i WHERE i % 10 = 0`,
		`INSERT INTO customer (workshop_id, id, code, name, kind, personal_key, change_id) SELECT `+ws+`, `+id("customer", "i")+`, 'C' || i, 'Buyer ' || i, 'online', sha256('k'), `+ch+` FROM generate_series(1, 20000) i`,
		`INSERT INTO dispatch (workshop_id, id, code, customer_id, dispatched_on, change_id) SELECT `+ws+`, `+id("dispatch", "i")+`, 'D-' || i, `+id("customer", "1 + i % 20000")+`, '2024-03-01'::date + i % 700, `+ch+` FROM generate_series(1, 300000) i`,
		`INSERT INTO dispatch_line (workshop_id, id, dispatch_id, customer_id, packing_id, units, change_id) SELECT `+ws+`, gen_random_uuid(), `+id("dispatch", "i")+`, `+id("customer", "1 + i % 20000")+`, `+id("packing", "100001 + i % 100000")+`, 3, `+ch+` FROM generate_series(1, 300000) i`,
		`ANALYZE`)
	b.asOwner(t, on...)
	for _, code := range []string{"OO-3", "OO-2", "OO-1"} {
		for range 8 {
			at := time.Now()
			f, err := b.TraceLot(t.Context(), b.owner.Workshop, code)
			if err != nil {
				t.Fatal(err)
			}
			t.Log(code, f.Totals.Batches, len(f.Lines), time.Since(at))
		}
	}
	at := time.Now()
	s, err := b.TraceSources(t.Context(), b.owner.Workshop, "OB-199980")
	t.Log(len(s.Lines), err, time.Since(at))
}
