package demo_test

import (
	"context"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/jackc/pgx/v5"

	"example.org/stillroom/internal/day"
	"example.org/stillroom/internal/demo"
	"example.org/stillroom/internal/pgtest"
	"example.org/stillroom/internal/store"
)

// shop is a seeded workshop.
type shop struct {
	store *store.Store
	id    store.WorkshopID
	conn  *pgx.Conn
	url   string
}

func open(t *testing.T, db pgtest.DB) shop {
	t.Helper()
	s, err := store.Open(t.Context(), db.OwnerURL)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(s.Close)
	conn, err := pgx.Connect(t.Context(), db.OwnerURL)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = conn.Close(context.Background()) })
	return shop{store: s, id: theShop(t, db.OwnerURL).ID, conn: conn, url: db.OwnerURL}
}

func theShop(t *testing.T, url string) store.Workshop {
	t.Helper()
	shops, err := store.Workshops(t.Context(), url)
	if err != nil || len(shops) != 1 {
		t.Fatalf("workshops: %+v, %v", shops, err)
	}
	return shops[0]
}

// whole is the demo of two years, as somebody sees it who starts it now.
func whole(t *testing.T) shop {
	t.Helper()
	return open(t, pgtest.Seeded(t, "demo", func(ctx context.Context, s *store.Store, shop store.Workshop) error {
		began := time.Now()
		err := demo.Seed(ctx, s, shop, began, nil)
		t.Logf("seeded in %s", time.Since(began).Round(time.Millisecond))
		return err
	}))
}

// short is its last half year, told at some moment: for the first who asks for a moment, and a copy for the others.
func short(t *testing.T, now time.Time) shop {
	t.Helper()
	return open(t, pgtest.Seeded(t, now.Format("short_20060102_1504"), func(ctx context.Context, s *store.Store, shop store.Workshop) error {
		return demo.SeedShort(ctx, s, shop, now)
	}))
}

var lateAtNight = time.Date(2026, 6, 14, 22, 50, 0, 0, time.UTC)

func (x shop) holds(t *testing.T) {
	t.Helper()
	verdicts, err := store.Verify(t.Context(), x.url)
	if err != nil || len(verdicts[0].Broken) > 0 {
		t.Fatalf("verify: %+v, %v", verdicts, err)
	}
}

func (x shop) count(t *testing.T, sql string) (n int) {
	t.Helper()
	if err := x.conn.QueryRow(t.Context(), sql).Scan(&n); err != nil {
		t.Fatalf("%s: %v", sql, err)
	}
	return n
}

// The demo is the longest story that the store is told in a test: two years through the same methods as real entries,
// and at the end the chain and the ledgers hold.
func TestTheDemoIsAWholeWorkshopAndItsBookHolds(t *testing.T) {
	t.Parallel()
	x := whole(t)
	x.holds(t)
	w := theShop(t, x.url)
	if !w.IsDemo || w.Name != "Quillmoor Workshop" {
		t.Fatalf("workshop: %+v", w)
	}
	for what, c := range map[string]struct {
		least int
		sql   string
	}{
		"batches":        {180, `SELECT count(*) FROM batch`},
		"packings":       {230, `SELECT count(*) FROM packing`},
		"materials":      {60, `SELECT count(*) FROM material`},
		"lots":           {220, `SELECT count(*) FROM material_lot`},
		"products":       {14, `SELECT count(*) FROM product`},
		"formulas":       {13, `SELECT count(*) FROM formula`},
		"customers":      {55, `SELECT count(*) FROM customer`},
		"dispatches":     {500, `SELECT count(*) FROM dispatch`},
		"days of book":   {725, `SELECT max(made_on) - min(made_on) FROM batch`},
		"entries of log": {150, `SELECT count(*) FROM log_entry`},
	} {
		if n := x.count(t, c.sql); n < c.least {
			t.Errorf("%s: %d, want %d at least", what, n, c.least)
		}
	}
}

// TestTheDemoHasEverySituation finds each in the book; what is not there, nobody who looks at the demo comes upon.
func TestTheDemoHasEverySituation(t *testing.T) {
	t.Parallel()
	x := whole(t)
	for what, sql := range map[string]string{
		"a batch at the bench":                  `SELECT count(*) FROM batch WHERE status = 'making'`,
		"a batch that cures":                    `SELECT count(*) FROM batch WHERE status = 'curing'`,
		"a batch that is half packed":           `SELECT count(*) FROM batch b WHERE status = 'packing' AND EXISTS (SELECT FROM packing p WHERE p.batch_id = b.id AND p.status = 'released')`,
		"a batch rejected before it was packed": `SELECT count(*) FROM batch b WHERE status = 'rejected' AND NOT EXISTS (SELECT FROM packing p WHERE p.batch_id = b.id)`,
		"a packing that was not released":       `SELECT count(*) FROM packing WHERE status = 'rejected'`,
		"a packing that waits for its release":  `SELECT count(*) FROM packing WHERE status = 'quarantined'`,
		"a recall closed with units that nobody accounts for": `SELECT count(*) FROM recall r WHERE r.closed_at IS NOT NULL AND NOT r.drill AND EXISTS (SELECT FROM recall_count c WHERE c.recall_id = r.id AND c.kind = 'returned') AND EXISTS (SELECT FROM recall_count c WHERE c.recall_id = r.id AND c.kind = 'destroyed')
			AND (SELECT sum(l.units - l.returned_before) FROM recall_list l JOIN customer c ON c.id = l.customer_id AND c.kind = 'stockist' WHERE l.recall_id = r.id) > (SELECT sum(c.units) FROM recall_count c WHERE c.recall_id = r.id)`,
		"an open complaint": `SELECT count(*) FROM complaint WHERE closed_at IS NULL`,
		"a serious one, told to the authority and closed":  `SELECT count(*) FROM complaint c JOIN complaint_entry e ON e.complaint_id = c.id AND e.kind = 'authority' WHERE c.kind = 'serious' AND c.closed_at IS NOT NULL`,
		"one whose code was misread":                       `SELECT count(*) FROM complaint c WHERE c.packing_id IS NULL AND NOT EXISTS (SELECT FROM packing p WHERE p.code = c.code_said)`,
		"a void batch":                                     `SELECT count(*) FROM batch WHERE status = 'void'`,
		"three products of one loaf":                       `SELECT count(*) FROM (SELECT FROM packing GROUP BY batch_id HAVING count(DISTINCT product_id) = 3) x`,
		"bulk that other batches drew on":                  `SELECT count(DISTINCT b.id) FROM batch b JOIN batch_input i ON i.source_batch_id = b.id JOIN formula_version v ON v.id = b.version_id WHERE v.yields = 'bulk'`,
		"left-over worked in again, signed for":            `SELECT count(*) FROM rework r WHERE EXISTS (SELECT FROM batch_input i WHERE i.source_batch_id = r.batch_id)`,
		"sets of units of several batches":                 `SELECT count(*) FROM (SELECT FROM batch b JOIN batch_input i ON i.batch_id = b.id WHERE b.kind = 'set' GROUP BY b.id HAVING count(DISTINCT i.source_packing_id) > 2) x`,
		"a formula with an older version":                  `SELECT count(*) FROM formula_version WHERE status = 'retired'`,
		"a version that nobody has finished":               `SELECT count(*) FROM formula_version WHERE status = 'draft'`,
		"a weight typed wrong and corrected":               `SELECT count(*) FROM batch_input WHERE replaced_by <> id`,
		"a weight that was really too much":                `SELECT count(*) FROM deviation WHERE kind = 'weight' AND withdrawn_at IS NULL`,
		"something added that the formula does not have":   `SELECT count(*) FROM deviation WHERE kind = 'addition'`,
		"a deviation that was decided":                     `SELECT count(*) FROM deviation WHERE decision = 'accept'`,
		"a deviation that is open":                         `SELECT count(*) FROM deviation WHERE decision IS NULL AND withdrawn_at IS NULL`,
		"a damp day":                                       `SELECT count(*) FROM deviation WHERE kind = 'climate'`,
		"rejects at cutting":                               `SELECT count(*) FROM reject WHERE stage = 'cut'`,
		"rejects at the end of the cure":                   `SELECT count(*) FROM reject WHERE stage = 'cure_end'`,
		"rejects at packing":                               `SELECT count(*) FROM reject WHERE stage = 'packing'`,
		"units weighed at a stage":                         `SELECT count(*) FROM stage_mass`,
		"a cure weighed week by week":                      `SELECT count(*) FROM (SELECT FROM cure_weighing GROUP BY batch_id HAVING count(*) >= 6) x`,
		"a lot that waits to be looked at":                 `SELECT count(*) FROM material_lot WHERE status = 'quarantined'`,
		"a lot turned down":                                `SELECT count(*) FROM material_lot WHERE status = 'rejected'`,
		"papers with lots":                                 `SELECT count(*) FROM document WHERE kind = 'certificate'`,
		"a safety data sheet":                              `SELECT count(*) FROM document WHERE kind = 'safety_data_sheet'`,
		"a lot looked at again, fine":                      `SELECT count(*) FROM lot_retest WHERE passed`,
		"a lot looked at again, not fine":                  `SELECT count(*) FROM lot_retest WHERE NOT passed`,
		"a lot counted":                                    `SELECT count(*) FROM stock_move WHERE reason = 'adjust' AND NOT more_than_recorded`,
		"a lot written off":                                `SELECT count(*) FROM stock_move WHERE reason = 'write_off'`,
		"a lot whose date was corrected":                   `SELECT count(*) FROM audit WHERE table_name = 'material_lot' AND op = 'U' AND old ->> 'expires_on' <> new ->> 'expires_on'`,
		"a tub topped up":                                  `SELECT count(*) FROM (SELECT FROM lot_input i JOIN material_lot l ON l.id = i.lot_id WHERE l.tub IS NOT NULL GROUP BY l.id HAVING count(*) > 1) x`,
		"a tub washed":                                     `SELECT count(*) FROM material_lot WHERE washed_on IS NOT NULL`,
		"a tub filled from a tub":                          `SELECT count(*) FROM lot_input i JOIN material_lot l ON l.id = i.source_lot_id WHERE l.tub IS NOT NULL`,
		"a tester":                                         `SELECT count(*) FROM unit_move WHERE reason = 'tester'`,
		"a broken unit":                                    `SELECT count(*) FROM unit_move WHERE reason = 'broken'`,
		"a gift":                                           `SELECT count(*) FROM unit_move WHERE reason = 'gift'`,
		"own use":                                          `SELECT count(*) FROM unit_move WHERE reason = 'own_use'`,
		"a move taken back":                                `SELECT count(*) FROM unit_move WHERE replaced_by IS NOT NULL`,
		"units that came back to stock":                    `SELECT count(*) FROM unit_return WHERE disposition = 'restock'`,
		"units that came back and were destroyed":          `SELECT count(*) FROM unit_return WHERE disposition = 'destroy'`,
		"units that came back on hold":                     `SELECT count(*) FROM unit_return WHERE disposition = 'hold'`,
		"a hold that stands":                               `SELECT count(*) FROM hold WHERE lifted_at IS NULL`,
		"a hold that was lifted":                           `SELECT count(*) FROM hold WHERE lifted_at IS NOT NULL`,
		"a dispatch corrected":                             `SELECT count(*) FROM dispatch_line WHERE replaced_by IS NOT NULL`,
		"units that left before anybody had released them": `SELECT count(*) FROM deviation WHERE kind = 'dispatch'`,
		"labels mixed up":                                  `SELECT count(*) FROM unit_code WHERE kind = 'mix_up'`,
		"units relabelled":                                 `SELECT count(*) FROM unit_code WHERE kind = 'relabelled'`,
		"a misprint":                                       `SELECT count(*) FROM unit_code WHERE kind = 'misprint'`,
		"a sample in its place":                            `SELECT count(*) FROM sample WHERE ended_on IS NULL`,
		"a sample that changed":                            `SELECT count(*) FROM sample_check WHERE result = 'changed'`,
		"a sample that is as it was":                       `SELECT count(*) FROM sample_check WHERE result = 'as_made'`,
		"a sample kept long enough":                        `SELECT count(*) FROM sample WHERE ended_on IS NOT NULL`,
		"a dozen crates counted back":                      `SELECT count(*) / 12 FROM crate WHERE status = 'back'`,
		"a crate that is away":                             `SELECT count(*) FROM crate WHERE status = 'away'`,
		"a crate that is being packed":                     `SELECT count(*) FROM crate WHERE status = 'packing'`,
		"two scales":                                       `SELECT count(*) / 2 FROM equipment WHERE kind = 'scale'`,
		"a check that failed":                              `SELECT count(*) FROM log_entry WHERE kind = 'check' AND result = 'failed'`,
		"a check overdue":                                  `SELECT count(*) FROM equipment e WHERE check_days IS NOT NULL AND NOT EXISTS (SELECT FROM log_entry l WHERE l.equipment_id = e.id AND l.kind = 'check' AND l.happened_at > now() - make_interval(days => e.check_days))`,
		"a hundred cleanings":                              `SELECT count(*) / 100 FROM log_entry WHERE kind = 'cleaning'`,
		"pests looked for":                                 `SELECT count(*) FROM log_entry WHERE kind = 'pest'`,
		"water tested":                                     `SELECT count(*) FROM log_entry WHERE kind = 'water'`,
		"training":                                         `SELECT count(*) FROM log_entry WHERE kind = 'training'`,
		"something due today":                              `SELECT count(*) FROM log_entry WHERE abs(next_on - current_date) <= 1`,
		"a batch that names its vessel":                    `SELECT count(*) FROM batch_equipment u JOIN equipment e ON e.id = u.equipment_id WHERE e.kind = 'vessel'`,
		"a vessel that was not clean":                      `SELECT count(*) FROM batch_equipment WHERE NOT was_clean`,
		"packaging counted to the table and back":          `SELECT count(*) FROM packing_input WHERE issued > returned`,
		"a label that is missing and explained":            `SELECT count(*) FROM packing WHERE packaging_note <> ''`,
		"a spoiled label":                                  `SELECT count(*) FROM packing_input i JOIN material_lot l ON l.id = i.material_lot_id JOIN material m ON m.id = l.material_id WHERE m.code IN ('LB', 'LG') AND i.spoiled > 0`,
		"a weighing on the fine scale":                     `SELECT count(*) FROM batch_input i JOIN equipment e ON e.id = i.scale_id WHERE e.code = 'SC-2'`,
		"plans for the next week":                          `SELECT count(*) / 3 FROM plan`,
		"a drill that was signed":                          `SELECT count(*) FROM recall WHERE drill AND closed_at IS NOT NULL`,
		"product information, and some that is missing":    `SELECT count(*) FROM product p WHERE EXISTS (SELECT FROM document d WHERE d.product_id = p.id AND d.kind = 'safety_report') AND NOT EXISTS (SELECT FROM document d WHERE d.product_id = p.id AND d.kind = 'proof')`,
		"somebody who has left":                            `SELECT count(*) FROM person WHERE disabled_at IS NOT NULL`,
	} {
		if x.count(t, sql) == 0 {
			t.Errorf("there is no %s", what)
		}
	}
}

// The lot that went wrong: nothing in the book says so yet but a letter, and a trace of it finds everything.
func TestTheLotThatWentWrongIsFoundEverywhere(t *testing.T) {
	t.Parallel()
	x := whole(t)
	bad, err := x.store.TraceSupplierLot(t.Context(), x.id, "FO", "7731-B")
	if err != nil {
		t.Fatal(err)
	}
	if len(bad.Lots) != 3 || bad.Totals.Batches < 8 || bad.Totals.UnitsDispatched < 60 || bad.Totals.Customers < 8 || bad.Totals.UnitsOnHand < 20 {
		t.Errorf("of lots %v the trace finds %+v", bad.Lots, bad.Totals)
	}
	var affected, numbers []string
	for _, p := range bad.Packings {
		affected = append(affected, p.Code)
	}
	rows, err := x.conn.Query(t.Context(), `SELECT 'C-' || c.n FROM complaint c JOIN packing p ON p.id = c.packing_id WHERE p.code = ANY ($1)`, affected)
	if err == nil {
		numbers, err = pgx.CollectRows(rows, pgx.RowTo[string])
	}
	if err != nil {
		t.Fatal(err)
	}
	suspicion, err := x.store.Suspect(t.Context(), x.id, numbers)
	if err != nil {
		t.Fatal(err)
	}
	if top := suspicion.Inputs[0]; len(suspicion.Batches) < 3 || top.SupplierLot != "7731-B" || top.Table.Without != 0 || top.Chance() > 0.01 {
		t.Errorf("what %d complained batches share first is %+v", len(suspicion.Batches), top)
	}
	for what, sql := range map[string]string{
		"released lot":             `SELECT count(*) FROM material_lot WHERE code = 'SF-0002' AND status = 'released'`,
		"letter with it":           `SELECT count(*) FROM document d JOIN material_lot l ON l.id = d.lot_id WHERE l.code = 'SF-0002' AND d.kind = 'other'`,
		"infusion that carries it": `SELECT count(*) FROM batch b JOIN batch_input i ON i.batch_id = b.id JOIN material_lot l ON l.id = i.material_lot_id JOIN batch_input o ON o.source_batch_id = b.id WHERE l.supplier_lot = '7731-B' AND b.bulk_g > 0`,
		"left-over that does":      `SELECT count(*) FROM batch b JOIN batch_input i ON i.batch_id = b.id JOIN material_lot l ON l.id = i.material_lot_id JOIN batch_input o ON o.source_batch_id = b.id WHERE l.supplier_lot = '7731-B' AND b.bulk_g IS NULL`,
		"set that does":            `SELECT count(*) FROM batch b JOIN batch_input i ON i.batch_id = b.id JOIN packing p ON p.id = i.source_packing_id JOIN batch_input o ON o.batch_id = p.batch_id JOIN batch s ON s.id = o.source_batch_id JOIN batch_input m ON m.batch_id = s.id JOIN material_lot l ON l.id = m.material_lot_id WHERE b.kind = 'set' AND l.supplier_lot = '7731-B'`,
		"fair that sold it":        `SELECT count(*) FROM dispatch_line d JOIN customer c ON c.id = d.customer_id JOIN packing p ON p.id = d.packing_id JOIN batch_input i ON i.batch_id = p.batch_id JOIN material_lot l ON l.id = i.material_lot_id WHERE c.kind = 'event' AND l.supplier_lot = '7731-B'`,
	} {
		if x.count(t, sql) == 0 {
			t.Errorf("there is no %s", what)
		}
	}
}

// Whatever the hour, and on a leap day's morrow too, somebody waits at the bench and something for release.
func TestSomethingWaitsAtEveryHour(t *testing.T) {
	t.Parallel()
	for name, now := range map[string]time.Time{"just after midnight": time.Date(2028, 3, 1, 0, 20, 0, 0, time.UTC), "late at night": lateAtNight} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			x := short(t, now)
			x.holds(t)
			today, err := x.store.Today(t.Context(), x.id, day.In(now, theShop(t, x.url).Location()), 60)
			if err != nil {
				t.Fatal(err)
			}
			if len(today.Open) < 2 || len(today.Curing) < 3 || len(today.Plans) != 4 || len(today.Lots) == 0 || len(today.Waiting) == 0 || len(today.Deviations) == 0 {
				t.Errorf("today: %d open, %d curing, %d plans, %d lots, %d waiting, %d deviations", len(today.Open), len(today.Curing), len(today.Plans), len(today.Lots), len(today.Waiting), len(today.Deviations))
			}
			batches, _, err := x.store.Batches(t.Context(), x.id, store.AllBatches, store.BatchKey{}, 500)
			if err != nil {
				t.Fatal(err)
			}
			for _, b := range batches {
				record, err := x.store.Batch(t.Context(), x.id, b.Code)
				if err != nil {
					t.Fatal(err)
				}
				if record.Late {
					t.Errorf("batch %s counts as written up late", b.Code)
				}
				if strings.TrimSpace(record.MadeBy) == "" {
					t.Errorf("batch %s names nobody", b.Code)
				}
			}
		})
	}
}

// TestTwoDemosOfOneMomentAreAlike: ids are new each time, everything that a person reads is not.
func TestTwoDemosOfOneMomentAreAlike(t *testing.T) {
	t.Parallel()
	told := func(x shop) (lines []string) {
		for _, sql := range []string{
			`SELECT code || status || coalesce(planned_g, 0) || made_at::text FROM batch ORDER BY code`,
			`SELECT l.code || l.supplier_lot || l.status || s.on_hand FROM material_lot l JOIN lot_stock s ON s.lot_id = l.id ORDER BY l.code`,
			`SELECT p.code || p.status || p.printed || s.on_hand FROM packing p JOIN packing_stock s ON s.packing_id = p.id ORDER BY p.code`,
			`SELECT d.code || c.code || p.code || l.units FROM dispatch_line l JOIN dispatch d ON d.id = l.dispatch_id JOIN customer c ON c.id = d.customer_id JOIN packing p ON p.id = l.packing_id ORDER BY d.code, p.code`,
			`SELECT n || what || coalesce(decision, '') FROM deviation ORDER BY n`,
			`SELECT b.code || i.weighed_g || i.happened_at::text FROM batch_input i JOIN batch b ON b.id = i.batch_id WHERE i.weighed_g IS NOT NULL ORDER BY b.code, i.happened_at, i.weighed_g`,
			`SELECT kind || about || words || happened_at::text FROM log_entry ORDER BY happened_at, kind, about`,
		} {
			rows, err := x.conn.Query(t.Context(), sql)
			if err != nil {
				t.Fatal(err)
			}
			more, err := pgx.CollectRows(rows, pgx.RowTo[string])
			if err != nil || len(more) == 0 {
				t.Fatalf("%s: %d rows, %v", sql, len(more), err)
			}
			lines = append(lines, more...)
		}
		return lines
	}
	again := open(t, pgtest.Database(t))
	if err := demo.SeedShort(t.Context(), again.store, theShop(t, again.url), lateAtNight); err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(told(short(t, lateAtNight)), told(again)); diff != "" {
		t.Error(diff)
	}
}
