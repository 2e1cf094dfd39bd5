package web_test

import (
	"context"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"example.org/stillroom/internal/access"
	"example.org/stillroom/internal/pgtest"
	"example.org/stillroom/internal/store"
	"example.org/stillroom/web"
	"example.org/stillroom/web/ui"
	"example.org/stillroom/web/webtest"
)

// counter counts round trips to the database: a query, or a batch of them.
type counter struct{ n atomic.Int64 }

func (c *counter) TraceQueryStart(ctx context.Context, _ *pgx.Conn, _ pgx.TraceQueryStartData) context.Context {
	c.n.Add(1)
	return ctx
}
func (c *counter) TraceQueryEnd(context.Context, *pgx.Conn, pgx.TraceQueryEndData) {}

func (c *counter) TraceBatchStart(ctx context.Context, _ *pgx.Conn, _ pgx.TraceBatchStartData) context.Context {
	c.n.Add(1)
	return ctx
}
func (c *counter) TraceBatchQuery(context.Context, *pgx.Conn, pgx.TraceBatchQueryData) {}
func (c *counter) TraceBatchEnd(context.Context, *pgx.Conn, pgx.TraceBatchEndData)     {}

// listed are the lists that grow with the years, the links that stand for their rows, and the parameter that turns the pages
// where a page has several.
var listed = []struct{ path, rows, by string }{
	{"/suppliers", "/suppliers/S", ui.After},
	{"/suppliers/S0001", "/lots/L", ui.After},
	{"/materials", "/materials/M", ui.After},
	{"/materials/M0001", "/lots/L", "stock"},
	{"/lots", "/lots/L", ui.After},
	{"/lots/L0001", "/batches/B", ui.After},
	{"/tubs", "/lots/T", ui.After},
	{"/products", "/products/P", ui.After},
	{"/formulas", "/formulas/F", ui.After},
	{"/batches?show=all", "/batches/B", ui.After},
	{"/deviations", "/deviations/", ui.After},
	{"/customers", "/customers/C", ui.After},
	{"/customers/C0001", "/dispatches/D", ui.After},
	{"/customers/C0001", "/packings/B", "received"},
	{"/customers/C0001", "/crates/K", "crate"},
	{"/dispatches", "/dispatches/D", ui.After},
	{"/packings/B0001/units", "/dispatches/D", ui.After},
	{"/stock?product=P0001", "/packings/B", ui.After},
	{"/samples", "/samples/", ui.After},
	{"/crates", "/crates/K", ui.After},
	{"/equipment?retired=1", "/equipment/V", ui.After},
	{"/log", "/log/", ui.After},
	{"/complaints?show=all", "/complaints/", ui.After},
	{"/recalls/1", "/packings/B", "stock"},
	{"/recalls/1", "/samples/", "place"},
	{"/recalls/1", "/lots/L", "lot"},
	{"/recalls/1", "/batches/B", "batch"},
	{"/recalls/1", "/customers/C", "customer"},
}

// manyRows adds rows from one number to another to every list.
func manyRows(book *pgtest.Book, from, to int) {
	code := func(letter string) string { return `'` + letter + `' || lpad(n::text, 4, '0')` }
	of := func(table, code string) string {
		return `(SELECT o.id FROM ` + table + ` o WHERE o.workshop_id = $1 AND o.code = '` + code + `')`
	}
	const recall = `(SELECT r.id FROM recall r WHERE r.workshop_id = $1 AND r.n = 1)`
	var list []pgtest.Statement
	for _, sql := range []string{
		`INSERT INTO supplier (workshop_id, id, code, name, personal_key, change_id) SELECT $1, gen_random_uuid(), ` + code("S") + `, 'Supplier ' || n % 7, sha256('test'), $2`,
		`INSERT INTO material (workshop_id, id, code, name, kind, unit, retired_at, change_id) SELECT $1, gen_random_uuid(), ` + code("M") + `, 'Material ' || n % 7, 'raw', 'g', CASE WHEN n % 3 = 0 THEN now() END, $2`,
		`INSERT INTO product (workshop_id, id, code, name, net_content_g, retired_at, change_id) SELECT $1, gen_random_uuid(), ` + code("P") + `, 'Product ' || n % 7, 100, CASE WHEN n % 3 = 0 THEN now() END, $2`,
		`INSERT INTO formula (workshop_id, id, code, name, letters, change_id) SELECT $1, gen_random_uuid(), ` + code("F") + `, 'Formula ' || n % 7, chr(65 + n / 26 % 26) || chr(65 + n % 26), $2`,
		`INSERT INTO customer (workshop_id, id, code, name, kind, personal_key, change_id) SELECT $1, gen_random_uuid(), ` + code("C") + `, 'customer ' || n % 7, CASE WHEN n % 2 = 0 THEN 'stockist' ELSE 'event' END, sha256('test'), $2`,
		`INSERT INTO material_lot (workshop_id, id, code, material_id, supplier_id, received_on, quantity, status, change_id) SELECT $1, gen_random_uuid(), ` + code("L") + `, ` + of("material", "M0001") + `, ` + of("supplier", "S0001") + `, date '2026-01-01' + n % 5, 1000000, 'quarantined', $2`,
		`INSERT INTO batch (workshop_id, id, code, code_key, origin, product_id, status, made_at, made_on, change_id) SELECT $1, gen_random_uuid(), ` + code("B") + `, ` + code("B") + `, 'history', ` + of("product", "P0001") + `, 'released', '2026-02-01', date '2026-02-01' + n % 5, $2`,
		`INSERT INTO batch_input (workshop_id, id, batch_id, material_lot_id, quantity, unit, change_id) SELECT $1, gen_random_uuid(), b.id, ` + of("material_lot", "L0001") + `, 1, 'g', $2 FROM batch b, LATERAL (SELECT substr(b.code, 2)::int AS n) x WHERE b.workshop_id = $1 AND x.n`,
		`INSERT INTO packing (workshop_id, id, batch_id, n, code, code_key, product_id, packed_on, units_good, units_retained, status, change_id) SELECT $1, gen_random_uuid(), b.id, 1, b.code, b.code, b.product_id, b.made_on, 10000, 1, 'released', $2 FROM batch b, LATERAL (SELECT substr(b.code, 2)::int AS n) x WHERE b.workshop_id = $1 AND x.n`,
		`INSERT INTO sample (workshop_id, id, packing_id, units, place, taken_on, keep_until, change_id) SELECT $1, gen_random_uuid(), p.id, 1, 'Cupboard ' || x.n % 3, p.packed_on, CASE WHEN x.n % 2 = 0 THEN date '2199-01-01' END, $2 FROM packing p, LATERAL (SELECT substr(p.code, 2)::int AS n) x WHERE p.workshop_id = $1 AND x.n`,
		`INSERT INTO deviation (workshop_id, id, n, batch_id, kind, what, change_id) SELECT $1, gen_random_uuid(), n, ` + of("batch", "B0001") + `, 'other', 'Something', $2`,
		`INSERT INTO dispatch (workshop_id, id, code, customer_id, dispatched_on, origin, change_id) SELECT $1, gen_random_uuid(), ` + code("D") + `, ` + of("customer", "C0001") + `, date '2026-03-01' + n % 5, 'history', $2`,
		`INSERT INTO dispatch_line (workshop_id, id, dispatch_id, customer_id, packing_id, units, change_id) SELECT $1, gen_random_uuid(), d.id, d.customer_id, ` + of("packing", "B0001") + `, 1, $2 FROM dispatch d, LATERAL (SELECT substr(d.code, 2)::int AS n) x WHERE d.workshop_id = $1 AND x.n`,
		`INSERT INTO dispatch_line (workshop_id, id, dispatch_id, customer_id, packing_id, units, change_id) SELECT $1, gen_random_uuid(), d.id, d.customer_id, p.id, 1, $2 FROM dispatch d JOIN packing p ON p.workshop_id = $1 AND p.code = 'B' || substr(d.code, 2), LATERAL (SELECT substr(d.code, 2)::int AS n) x WHERE d.workshop_id = $1 AND d.code <> 'D0001' AND x.n`,
		`INSERT INTO crate (workshop_id, id, code, customer_id, event_on, status, change_id) SELECT $1, gen_random_uuid(), ` + code("K") + `, ` + of("customer", "C0001") + `, date '2026-03-01' + n % 5, 'packing', $2`,
		`INSERT INTO recall (workshop_id, id, n, drill, level, title, reason, opened_at, opened_on, change_id) SELECT $1, gen_random_uuid(), x.n, false, 'consumer', 'Rash', 'Rash', '2026-04-01', '2026-04-01', $2 FROM (SELECT 1 AS n) x WHERE true AND x.n`,
		`INSERT INTO recall_scope (workshop_id, id, recall_id, lot_id, added_at, change_id) SELECT $1, gen_random_uuid(), ` + recall + `, l.id, '2026-04-01', $2 FROM material_lot l, LATERAL (SELECT substr(l.code, 2)::int AS n) x WHERE l.workshop_id = $1 AND l.code LIKE 'L%' AND x.n`,
		`INSERT INTO recall_scope (workshop_id, id, recall_id, batch_id, added_at, change_id) SELECT $1, gen_random_uuid(), ` + recall + `, b.id, '2026-04-01', $2 FROM batch b, LATERAL (SELECT substr(b.code, 2)::int AS n) x WHERE b.workshop_id = $1 AND b.code LIKE 'B%' AND x.n`,
		`INSERT INTO recall_scope (workshop_id, id, recall_id, packing_id, units_good, units_dispatched, units_returned, units_destroyed, units_used, units_moved, units_on_hand, added_at, change_id) SELECT $1, gen_random_uuid(), ` + recall + `, p.id, 1, 0, 0, 0, 0, 0, 1, '2026-04-01', $2 FROM packing p, LATERAL (SELECT substr(p.code, 2)::int AS n) x WHERE p.workshop_id = $1 AND p.code LIKE 'B%' AND x.n`,
		// Each line for a customer of its own, and of a packing that no other list has.
		`INSERT INTO packing (workshop_id, id, batch_id, n, code, code_key, product_id, packed_on, units_good, status, change_id) SELECT $1, gen_random_uuid(), b.id, 2, 'X0', 'X0', b.product_id, b.made_on, 10000, 'released', $2 FROM batch b, (SELECT 1 AS n) x WHERE b.workshop_id = $1 AND b.code = 'B0001' AND x.n`,
		`INSERT INTO recall_line (workshop_id, id, recall_id, line_id, packing_id, customer_id, units, returned, added_at, change_id) SELECT $1, gen_random_uuid(), ` + recall + `, l.id, ` + of("packing", "X0") + `, c.id, 1 + x.n % 3, 0, '2026-04-01', $2
			FROM dispatch d JOIN dispatch_line l ON l.workshop_id = $1 AND l.dispatch_id = d.id AND l.packing_id = ` + of("packing", "B0001") + ` JOIN customer c ON c.workshop_id = $1 AND c.code = 'C' || substr(d.code, 2), LATERAL (SELECT substr(d.code, 2)::int AS n) x WHERE d.workshop_id = $1 AND x.n`,
		`INSERT INTO complaint (workshop_id, id, n, received_at, came_by, what, kind, market, personal_key, change_id) SELECT $1, gen_random_uuid(), n, '2026-04-01', 'email', 'It crumbles', 'quality', 'eu', sha256('test'), $2`,
		`INSERT INTO material_lot (workshop_id, id, code, material_id, received_on, quantity, status, tub, change_id) SELECT $1, gen_random_uuid(), ` + code("T") + `, ` + of("material", "M0002") + `, '2026-01-01', 0, 'released', (CASE WHEN n % 2 = 0 THEN 'Tub ' ELSE 'tub ' END) || n, $2`,
		`INSERT INTO equipment (workshop_id, id, code, name, kind, check_days, retired_at, change_id) SELECT $1, gen_random_uuid(), ` + code("V") + `, 'Vessel', CASE WHEN n % 2 = 0 THEN 'vessel' ELSE 'mould' END, 30, CASE WHEN n % 3 = 0 THEN now() END, $2`,
		`INSERT INTO log_entry (workshop_id, id, kind, about, happened_at, result, change_id) SELECT $1, gen_random_uuid(), 'cleaning', 'Bench', timestamptz '2026-03-01' + n % 5 * interval '1 day', 'fine', $2`,
	} {
		if strings.HasSuffix(sql, "AND x.n") {
			sql += ` BETWEEN $3::int AND $4::int`
		} else {
			sql += ` FROM generate_series($3::int, $4::int) n`
		}
		list = append(list, pgtest.Statement{SQL: sql, Args: []any{from, to}})
	}
	book.Do(list...)
}

// manyWaiting adds what the pages of one batch, of plans and of the first day read: packings of one batch, waiting for their
// release, with deviations of it; plans, each of a formula and a material of its own; equipment whose last check failed. The
// products, formulas, materials and equipment are those of manyRows.
func manyWaiting(book *pgtest.Book, from, to int) {
	var list []pgtest.Statement
	add := func(sql string) {
		list = append(list, pgtest.Statement{SQL: sql + ` AND $2::uuid IS NOT NULL`, Args: []any{from, to}})
	}
	const numbered = `generate_series($3::int, $4::int) n JOIN formula f ON f.workshop_id = $1 AND f.code = 'F' || lpad(n::text, 4, '0')`
	const versions = numbered + ` JOIN formula_version v ON v.workshop_id = $1 AND v.formula_id = f.id`
	add(`INSERT INTO formula_version (workshop_id, id, formula_id, number, status, nominal_g, tolerance_pct, reconciliation_pct) SELECT $1, gen_random_uuid(), f.id, 1, 'draft', 1000, 1, 5 FROM ` + numbered + ` WHERE true`)
	add(`INSERT INTO portion (workshop_id, id, version_id, position, name, basis, amount) SELECT $1, gen_random_uuid(), v.id, 1, 'All', 'share', 100 FROM ` + versions + ` WHERE true`)
	add(`INSERT INTO portion_line (workshop_id, id, version_id, portion_id, position, kind, material_id, basis, amount) SELECT $1, gen_random_uuid(), v.id, p.id, 1, 'material', m.id, 'share', 100
		FROM ` + versions + ` JOIN portion p ON p.workshop_id = $1 AND p.version_id = v.id JOIN material m ON m.workshop_id = $1 AND m.code = 'M' || lpad(n::text, 4, '0') WHERE true`)
	add(`INSERT INTO plan (workshop_id, id, version_id, product_id, mass_g, planned_on) SELECT $1, ('00000000-0000-4000-8000-' || lpad(n::text, 12, '0'))::uuid, v.id, r.id, 5000, date '2026-03-01' + n % 5
		FROM ` + versions + ` JOIN product r ON r.workshop_id = $1 AND r.code = 'P' || lpad(n::text, 4, '0') WHERE true`)
	add(`INSERT INTO log_entry (workshop_id, id, kind, equipment_id, happened_at, result, change_id) SELECT $1, gen_random_uuid(), 'check', e.id, '2026-03-01', 'failed', $2
		FROM generate_series($3::int, $4::int) n JOIN equipment e ON e.workshop_id = $1 AND e.code = 'V' || lpad(n::text, 4, '0') WHERE true`)
	add(`INSERT INTO batch (workshop_id, id, code, code_key, origin, formula_id, version_id, product_id, status, made_at, made_on, change_id) SELECT $1, gen_random_uuid(), 'W900000', 'W900000', 'history', v.formula_id, v.id, r.id, 'packing', '2026-02-01', '2026-02-01', $2
		FROM ` + versions + ` JOIN product r ON r.workshop_id = $1 AND r.code = 'P0002' WHERE n = 1`)
	add(`INSERT INTO packing (workshop_id, id, batch_id, n, code, code_key, product_id, packed_on, units_good, status, change_id) SELECT $1, gen_random_uuid(), b.id, n, 'W' || lpad(n::text, 4, '0'), 'W' || lpad(n::text, 4, '0'), b.product_id, b.made_on, 10, 'quarantined', $2
		FROM generate_series($3::int, $4::int) n JOIN batch b ON b.workshop_id = $1 AND b.code = 'W900000' WHERE true`)
	add(`INSERT INTO batch_equipment (workshop_id, id, batch_id, equipment_id, happened_at, change_id) SELECT $1, gen_random_uuid(), b.id, e.id, '2026-03-02', $2
		FROM generate_series($3::int, $4::int) n JOIN equipment e ON e.workshop_id = $1 AND e.code = 'V' || lpad(n::text, 4, '0') JOIN batch b ON b.workshop_id = $1 AND b.code = 'W900000' WHERE true`)
	add(`INSERT INTO deviation (workshop_id, id, n, batch_id, kind, what, change_id) SELECT $1, gen_random_uuid(), 100000 + n, b.id, 'other', 'Something', $2
		FROM generate_series($3::int, $4::int) n JOIN batch b ON b.workshop_id = $1 AND b.code = 'W900000' WHERE true`)
	book.Do(list...)
}

// wholly are the pages that show all there is of one thing, or a part of each of many.
var wholly = []string{
	"/", "/order", "/plans", "/plans/00000000-0000-4000-8000-000000000001", "/stock", "/lots/L0002", "/packings/B0002", "/packings/W0001",
	"/batches/W900000", "/batches/W900000/record", "/equipment/V0001",
}

// parameter is what an address says for one of its parameters.
func parameter(t *testing.T, href, name string) string {
	u, err := url.Parse(href)
	walkCheck(t, err)
	return u.Query().Get(name)
}

// TestLongListsArePages walks the lists of a workshop with many rows. While somebody turns a page another writes: a row is
// neither repeated nor lost for it. What a page asks of the database does not grow with what is stored.
func TestLongListsArePages(t *testing.T) {
	t.Parallel()
	trips := &counter{}
	site := webtest.New(t, store.Traced(trips))
	book := pgtest.History(t, site.DB, uuid.UUID(site.Who(access.Viewer).Workshop))
	viewer := site.As(access.Viewer)
	// The smaller of two: the first may note that the session is in use.
	asked := func(path string) int64 {
		least := int64(0)
		for i := range 2 {
			before := trips.n.Load()
			if page := viewer.Get(path); page.Status != http.StatusOK {
				t.Fatalf("%s: %d %s", path, page.Status, page.Text("main"))
			}
			if n := trips.n.Load() - before; i == 0 || n < least {
				least = n
			}
		}
		return least
	}
	manyRows(book, 1, 2)
	manyWaiting(book, 1, 2)
	few := map[string]int64{}
	for _, l := range listed {
		few[l.path] = asked(l.path)
	}
	for _, path := range wholly {
		few[path] = asked(path)
	}
	const many = 205
	manyRows(book, 3, many)
	manyWaiting(book, 3, 40) // these are not turned page by page, and go by the square
	for path, n := range few {
		if now := asked(path); now > n {
			t.Errorf("%s asks %d times with many rows, %d with 2", path, now, n)
		}
	}
	last := many
	for _, l := range listed {
		rowsOf := "main tbody tr"
		if l.by == "place" { // the one list that is no table
			rowsOf = "main .rows li"
		}
		seen := map[string]int{}
		next, pages := l.path, 0
		for next != "" && pages < 20 {
			page := viewer.Get(next)
			if page.Status != http.StatusOK {
				t.Errorf("%s: %d", next, page.Status)
				break
			}
			rows := 0
			for _, a := range page.Find(rowsOf).EachIter() {
				href := a.Find(`a[href^="`+l.rows+`"]`).First().AttrOr("href", "")
				if href != "" {
					seen[href]++
					rows++
				}
			}
			if rows > 2*ui.PageLength {
				t.Errorf("%s has %d rows", next, rows)
			}
			if pages > 0 != (page.Find(`.pager a[rel=start]`).Length() > 0) {
				t.Errorf("%s: a link to the start on page %d", next, pages+1)
			}
			// The link that turns this list, not another one of its page.
			here := parameter(t, next, l.by)
			next = ""
			for _, a := range page.Find(".pager a[rel=next]").EachIter() {
				if href := a.AttrOr("href", ""); parameter(t, href, l.by) != here {
					next = href
				}
			}
			if pages++; pages == 1 {
				last++
				manyRows(book, last, last)
			}
		}
		for href, n := range seen {
			if n > 1 {
				t.Errorf("%s lists %s %d times", l.path, href, n)
			}
		}
		if len(seen) < many || pages < 3 {
			t.Errorf("%s lists %d of %d rows on %d pages", l.path, len(seen), many, pages)
		}
		// What is behind no row is the first page.
		for _, bad := range []string{"nonsense", "%00", "9999", "2026-13-01.x", uuid.NewString(), "1.1"} {
			with := "?"
			if strings.Contains(l.path, "?") {
				with = "&"
			}
			if page := viewer.Get(l.path + with + l.by + "=" + bad); page.Status >= 500 || page.Status == http.StatusNotFound {
				t.Errorf("%s after %s: %d", l.path, bad, page.Status)
			}
		}
	}
}

// mostTrips is how often a page may ask. The session, the workshop and the frame around a page take 8 of them; one page
// takes a transaction of its own for each part of the house that it shows.
const mostTrips = 30

// TestTripsAPage walks every page of the invented workshop and counts what it asks of the database.
func TestTripsAPage(t *testing.T) {
	t.Parallel()
	w := newServedDemo(t)
	trips := &counter{}
	s, err := store.Open(t.Context(), w.conn.Config().ConnString(), store.Traced(trips))
	walkCheck(t, err)
	t.Cleanup(s.Close)
	server := httptest.NewServer(web.Handler(&ui.House{Store: s, Clock: time.Now, Log: slog.New(slog.NewTextHandler(walkLog{t}, &slog.HandlerOptions{Level: slog.LevelError}))}))
	t.Cleanup(server.Close)
	w.url = server.URL
	cookie := w.signIn(t, w.full, reader)
	for _, r := range w.routes {
		if r.Method != http.MethodGet || r.Pattern == "/settings/data/export.zip" { // which asks once a table of the book
			continue
		}
		for _, path := range w.paths(t, r.Pattern) {
			before := trips.n.Load()
			w.ask(t, r.Method, path, cookie)
			if n := trips.n.Load() - before; n > mostTrips {
				t.Errorf("%s asks %d times", path, n)
			}
		}
	}
}
