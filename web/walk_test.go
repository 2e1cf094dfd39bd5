package web_test

import (
	"context"
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"net/url"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/PuerkitoBio/goquery"
	"github.com/google/go-cmp/cmp"
	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"github.com/shopspring/decimal"

	"example.org/stillroom/internal/access"
	"example.org/stillroom/internal/day"
	"example.org/stillroom/internal/measure"
	"example.org/stillroom/internal/store"
	"example.org/stillroom/web"
	"example.org/stillroom/web/ui"
)

// The walk is made from the route list itself: a route that is added is walked, or fails for want of a sample.

// samples say what stands for the parameters of routes: the longest key that a route begins with, and a query for
// rows of the values in order, in the workshop $1. Pages are looked at with every row, forms are sent with the first.
var samples = map[string]string{
	"/sign-in/{link}":                     `SELECT 'no-such-link'`,
	"/set-up/{link}":                      `SELECT 'no-such-link'`,
	"/password/{link}":                    `SELECT 'no-such-link'`,
	"/account/sessions/{id}":              `SELECT id::text FROM session WHERE workshop_id = $1 ORDER BY created_at LIMIT 1`,
	"/settings/tokens/{id}":               `SELECT id::text FROM api_token WHERE workshop_id = $1 ORDER BY id LIMIT 1`,
	"/settings/people/{id}":               `SELECT id::text FROM person WHERE workshop_id = $1 AND email_key NOT LIKE '%@walk.example.org' ORDER BY email_key LIMIT 2`,
	"/settings/data/import/{id}":          `SELECT id::text FROM import_job WHERE workshop_id = $1 AND sheet IS NULL ORDER BY state DESC LIMIT 2`,
	"/settings/data/sheet/{id}":           `SELECT id::text FROM import_job WHERE workshop_id = $1 AND sheet IS NOT NULL ORDER BY id LIMIT 1`,
	"/settings/data/templates/{name}.csv": `SELECT 'batches.csv'`,
	"/materials/{code}":                   `SELECT code FROM material WHERE workshop_id = $1 ORDER BY code LIMIT 3`,
	"/suppliers/{code}":                   `SELECT code FROM supplier WHERE workshop_id = $1 ORDER BY code LIMIT 1`,
	"/lots/{code}":                        `(SELECT DISTINCT ON (status) code FROM material_lot WHERE workshop_id = $1 AND supplier_id IS NOT NULL ORDER BY status, code) UNION ALL (SELECT code FROM material_lot WHERE workshop_id = $1 AND tub IS NOT NULL ORDER BY code LIMIT 1)`,
	"/lots/{code}/top-up":                 `SELECT code FROM material_lot WHERE workshop_id = $1 AND tub IS NOT NULL AND washed_on IS NULL ORDER BY code LIMIT 1`,
	"/lots/{code}/empty":                  `SELECT code FROM material_lot WHERE workshop_id = $1 AND tub IS NOT NULL AND washed_on IS NULL ORDER BY code LIMIT 1`,
	"/lots/{code}/reopen":                 `SELECT code FROM material_lot WHERE workshop_id = $1 AND tub IS NOT NULL ORDER BY code LIMIT 1`,
	"/lots/{code}/fillings/{id}":          `SELECT l.code, i.id::text FROM lot_input i JOIN material_lot l ON l.workshop_id = $1 AND l.id = i.lot_id AND l.tub IS NOT NULL WHERE i.workshop_id = $1 AND i.replaced_by IS NULL ORDER BY 1, 2 LIMIT 1`,
	"/lots/{code}/retests/{id}":           `SELECT l.code, r.id::text FROM lot_retest r JOIN material_lot l ON l.workshop_id = $1 AND l.id = r.lot_id WHERE r.workshop_id = $1 AND r.replaced_by IS NULL ORDER BY 1, 2 LIMIT 1`,
	"/documents/{id}":                     `SELECT id::text FROM document WHERE workshop_id = $1 ORDER BY id LIMIT 1`,
	"/formulas/{code}":                    `SELECT code FROM formula WHERE workshop_id = $1 ORDER BY code LIMIT 2`,
	"/formulas/{code}/versions/{number}":  `SELECT f.code, v.number::text FROM formula_version v JOIN formula f ON f.workshop_id = $1 AND f.id = v.formula_id WHERE v.workshop_id = $1 ORDER BY 1, 2 LIMIT 3`,
	"/products/{code}":                    `SELECT code FROM product WHERE workshop_id = $1 ORDER BY code LIMIT 2`,
	"/plans/{id}":                         `SELECT id::text FROM plan WHERE workshop_id = $1 ORDER BY id LIMIT 1`,
	"/batches/{code}":                     `SELECT DISTINCT ON (status) code FROM batch WHERE workshop_id = $1 ORDER BY status, code DESC`,
	"/batches/{code}/rejects/{id}":        `SELECT b.code, r.id::text FROM reject r JOIN batch b ON b.workshop_id = $1 AND b.id = r.batch_id WHERE r.workshop_id = $1 ORDER BY 1, 2 LIMIT 1`,
	"/batches/{code}/stage/{id}":          `SELECT b.code, s.id::text FROM stage_mass s JOIN batch b ON b.workshop_id = $1 AND b.id = s.batch_id WHERE s.workshop_id = $1 AND s.replaced_by IS NULL ORDER BY 1, 2 LIMIT 1`,
	"/batches/{code}/bench/{task}":        `SELECT DISTINCT ON (status, task) code, task FROM batch, unnest('{line-1,room,line-2,step-1,step-2,control-1,mould,cure,cure-end,pack,bulk}'::text[]) task WHERE workshop_id = $1 AND status IN ('making', 'curing') ORDER BY status DESC, task, code DESC`,
	"/batches/{code}/bench/inputs/{id}":   `SELECT b.code, i.id::text FROM batch_input i JOIN batch b ON b.workshop_id = $1 AND b.id = i.batch_id AND b.status = 'making' WHERE i.workshop_id = $1 AND i.replaced_by IS NULL ORDER BY 1, 2 LIMIT 1`,
	"/batches/{code}/bench/entries/{kind}/{id}": `(SELECT b.code, 'step', t.id::text FROM step_tick t JOIN batch b ON b.workshop_id = $1 AND b.id = t.batch_id AND b.status = 'making' WHERE t.workshop_id = $1 AND t.replaced_by IS NULL ORDER BY 1, 3 LIMIT 1)
		UNION ALL (SELECT b.code, 'climate', c.id::text FROM batch_climate c JOIN batch b ON b.workshop_id = $1 AND b.id = c.batch_id AND b.status = 'making' WHERE c.workshop_id = $1 AND c.replaced_by IS NULL ORDER BY 1, 3 LIMIT 1)`,
	"/packings/{code}":                            `SELECT DISTINCT ON (status) code FROM packing WHERE workshop_id = $1 ORDER BY status, packed_on DESC, code`,
	"/deviations/{n}":                             `SELECT n::text FROM deviation WHERE workshop_id = $1 ORDER BY n LIMIT 2`,
	"/batches/{code}/bulk/left":                   `SELECT code FROM batch WHERE workshop_id = $1 AND bulk_g IS NOT NULL ORDER BY code LIMIT 1`,
	"/batches/{code}/bulk/left/{id}":              `SELECT b.code, v.id::text FROM bulk_move v JOIN batch b ON b.workshop_id = $1 AND b.id = v.batch_id WHERE v.workshop_id = $1 ORDER BY 1, 2 LIMIT 1`,
	"/batches/{code}/rework/{id}":                 `SELECT b.code, r.id::text FROM rework r JOIN batch b ON b.workshop_id = $1 AND b.id = r.batch_id WHERE r.workshop_id = $1 ORDER BY 1, 2 LIMIT 1`,
	"/packings/{code}/codes/{id}":                 `SELECT k.code, u.id::text FROM unit_code u JOIN packing k ON k.workshop_id = $1 AND k.id = u.packing_id WHERE u.workshop_id = $1 ORDER BY 1, 2 LIMIT 1`,
	"/sets/{code}":                                `SELECT code FROM batch WHERE workshop_id = $1 AND kind = 'set' ORDER BY code LIMIT 1`,
	"/customers/{code}":                           `SELECT code FROM customer WHERE workshop_id = $1 ORDER BY code LIMIT 2`,
	"/crates/{code}":                              `SELECT DISTINCT ON (status) code FROM crate WHERE workshop_id = $1 ORDER BY status DESC, code`,
	"/samples/{id}":                               `SELECT id::text FROM sample WHERE workshop_id = $1 AND replaced_by IS NULL ORDER BY id LIMIT 2`,
	"/samples/{id}/checks/{check}":                `SELECT sample_id::text, id::text FROM sample_check WHERE workshop_id = $1 AND replaced_by IS NULL ORDER BY id LIMIT 1`,
	"/dispatches/{code}":                          `SELECT code FROM dispatch WHERE workshop_id = $1 ORDER BY code LIMIT 2`,
	"/equipment/{code}":                           `SELECT code FROM equipment WHERE workshop_id = $1 ORDER BY code LIMIT 3`,
	"/log/{id}":                                   `SELECT id::text FROM log_entry WHERE workshop_id = $1 ORDER BY id LIMIT 2`,
	"/trace/lots/{code}":                          `SELECT code FROM material_lot WHERE workshop_id = $1 ORDER BY code LIMIT 2`,
	"/trace/batches/{code}":                       `SELECT b.code FROM batch b JOIN packing p ON p.workshop_id = $1 AND p.batch_id = b.id JOIN dispatch_line l ON l.workshop_id = $1 AND l.packing_id = p.id WHERE b.workshop_id = $1 ORDER BY 1 LIMIT 1`,
	"/recalls/{n}":                                `SELECT n::text FROM recall WHERE workshop_id = $1 AND NOT drill ORDER BY n LIMIT 2`,
	"/trace/sources/{code}":                       `SELECT code FROM batch WHERE workshop_id = $1 AND status = 'released' ORDER BY code LIMIT 1`,
	"/recalls/{n}/telling":                        `SELECT n::text FROM recall WHERE workshop_id = $1 AND NOT drill ORDER BY n LIMIT 2`,
	"/recalls/{n}/telling/{customer}":             `SELECT r.n::text, c.code FROM recall r JOIN recall_line l ON l.workshop_id = $1 AND l.recall_id = r.id JOIN customer c ON c.workshop_id = $1 AND c.id = l.customer_id AND c.kind = 'stockist' WHERE r.workshop_id = $1 AND NOT r.drill AND r.level <> 'stock' ORDER BY r.n, c.code LIMIT 2`,
	"/recalls/{n}/letters":                        `SELECT n::text FROM recall WHERE workshop_id = $1 AND NOT drill AND level <> 'stock' ORDER BY n LIMIT 1`,
	"/recalls/{n}/letters/{text}":                 `SELECT r.n::text, x FROM recall r, unnest('{email,web_text}'::text[]) x WHERE r.workshop_id = $1 AND NOT r.drill AND r.level <> 'stock' ORDER BY r.n, x LIMIT 2`,
	"/recalls/{n}/close":                          `SELECT n::text FROM recall WHERE workshop_id = $1 AND NOT drill ORDER BY n LIMIT 1`,
	"/recalls/{n}/report":                         `SELECT n::text FROM recall WHERE workshop_id = $1 AND NOT drill ORDER BY n LIMIT 1`,
	"/trace/supplier-lots/{supplier}/{lot}":       `SELECT s.code, l.supplier_lot FROM material_lot l JOIN supplier s ON s.workshop_id = $1 AND s.id = l.supplier_id WHERE l.workshop_id = $1 AND l.supplier_lot <> '' ORDER BY 1, 2 LIMIT 1`,
	"/complaints/{n}":                             `SELECT n::text FROM complaint WHERE workshop_id = $1 AND kind IN ('serious', 'quality') ORDER BY closed_at IS NULL, n LIMIT 3`,
	"/complaints/{n}/follow/{id}":                 `SELECT c.n::text, e.id::text FROM complaint_entry e JOIN complaint c ON c.workshop_id = $1 AND c.id = e.complaint_id WHERE e.workshop_id = $1 AND e.replaced_by IS NULL ORDER BY c.n, e.happened_at LIMIT 1`,
	"/drills/{n}":                                 `SELECT n::text FROM recall WHERE workshop_id = $1 AND drill ORDER BY closed_at IS NOT NULL, n LIMIT 2`,
	"/recalls/{n}/telling/{customer}/{kind}/{id}": `SELECT r.n::text, c.code, 'told', t.id::text FROM recall_told t JOIN recall r ON r.workshop_id = $1 AND r.id = t.recall_id JOIN customer c ON c.workshop_id = $1 AND c.id = t.customer_id WHERE t.workshop_id = $1 ORDER BY 1, 2, 4 LIMIT 1`,
	"/recalls/{n}/letters.csv":                    `SELECT n::text FROM recall WHERE workshop_id = $1 AND NOT drill AND level <> 'stock' ORDER BY n LIMIT 1`,
	"/recalls/{n}/report.pdf":                     `SELECT n::text FROM recall WHERE workshop_id = $1 AND NOT drill AND level <> 'stock' ORDER BY n LIMIT 1`,
	"/recalls/{n}/letters/{text}.txt":             `SELECT r.n::text, x FROM recall r, unnest('{email,web_text}'::text[]) x WHERE r.workshop_id = $1 AND NOT r.drill AND r.level <> 'stock' ORDER BY r.n, x LIMIT 2`,
}

// doors are the routes that are open to anybody. There are no others.
var doors = []string{
	"GET /sign-in", "POST /sign-in", "GET /sign-in/{link}", "POST /sign-out",
	"GET /set-up/{link}", "POST /set-up/{link}", "GET /password/{link}", "POST /password/{link}",
}

// marker is what somebody put into every text that is stored.
const marker = `'"><script>alert(1)</script>`

// unmarked are columns that are no text of a person's: codes and keys that URLs and look-ups are made of, and what
// decides how the rest is read.
var unmarked = []string{"code", "zone", "code_pattern", "pattern", "password_hash", "media_type", "supplier_lot"}

// walkWorld is a served database with two workshops: the invented one of the demo, which everything is asked about, and
// an empty one whose owner asks for what is not theirs.
type walkWorld struct {
	url         string
	store       *store.Store
	routes      []web.Route
	full, empty store.WorkshopID
	conn        *pgx.Conn // as the database's owner
	marked      []string  // columns that hold the marker
	values      map[string][][]string
}

// TestTheWalk has one world for all its claims, since two years are dear to seed. What one claim changes another
// does not look at.
func TestTheWalk(t *testing.T) {
	t.Parallel()
	w := newWalkWorld(t)
	for name, claim := range map[string]func(*testing.T, *walkWorld){
		"only the door is open to anybody":                         onlyDoorsAreOpen,
		"each route lets in the roles of its right and no others":  eachRoleWhereItMay,
		"each page has one heading and nothing inline":             eachPageIsPlain,
		"each answer has the headers that keep a browser safe":     eachAnswerIsGuarded,
		"each form refuses to come from another site":              eachFormIsOurOwn,
		"nothing of another workshop is found":                     nothingOfOthersIsFound,
		"a script that somebody stored is only text on every page": storedScriptIsText,
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			claim(t, w)
		})
	}
}

func newWalkWorld(t *testing.T) *walkWorld {
	t.Helper()
	w := newServedDemo(t)
	w.mark(t)
	return w
}

// newServedDemo serves the invented workshop beside an empty one.
func newServedDemo(t *testing.T) *walkWorld {
	t.Helper()
	ctx := t.Context()
	db := demoDatabase(t)
	s, err := store.Open(ctx, db.AppURL)
	walkCheck(t, err)
	t.Cleanup(s.Close)
	list, err := store.Workshops(ctx, db.OwnerURL)
	walkCheck(t, err)
	w := &walkWorld{store: s, full: list[0].ID, empty: store.WorkshopID(uuid.Must(uuid.NewV7())), values: map[string][][]string{}}
	w.conn, err = pgx.Connect(ctx, db.OwnerURL)
	walkCheck(t, err)
	t.Cleanup(func() { _ = w.conn.Close(context.Background()) })
	_, err = w.conn.Exec(ctx, `INSERT INTO workshop (id, code, name) VALUES ($1, 'empty', 'Workshop')`, w.empty)
	walkCheck(t, err)

	link, err := s.SetUpLink(ctx, w.empty, time.Now())
	walkCheck(t, err)
	_, err = s.SetUp(ctx, link, "Fenmarch Workshop", "UTC", store.NewPerson{Email: "owner@walk.example.org", Name: "Ann Fen"}, "eleven-brass-kettles", "test", time.Now())
	walkCheck(t, err)
	people := map[string]access.Role{reader: access.Owner}
	for _, role := range access.Roles() {
		people[string(role)], people[string(role)+sender] = role, role
	}
	for name, role := range people {
		_, err := s.AddPerson(ctx, store.Who{Workshop: w.full, Actor: "system"}, store.Entry{}, store.NewPerson{Email: name + "@walk.example.org", Name: "Walker", Role: role}, time.Now())
		walkCheck(t, err)
	}
	w.signIn(t, w.full, reader) // so that there is a session to ask for
	_, err = s.MakeToken(ctx, store.Who{Workshop: w.full, Actor: "system"}, store.Entry{}, "Walker", true)
	walkCheck(t, err)
	var lot string
	walkCheck(t, w.conn.QueryRow(ctx, `SELECT min(code) FROM material_lot WHERE workshop_id = $1`, w.full).Scan(&lot))
	walkCheck(t, s.AttachToLot(ctx, store.Who{Workshop: w.full, Actor: "system"}, store.Entry{}, lot, store.Upload{Kind: "certificate", Name: "certificate.pdf", MediaType: "application/pdf", Data: []byte("%PDF-1.4")}))
	w.keepAndPack(t)
	_, err = s.OpenDrill(ctx, store.Who{Workshop: w.full, Actor: "system"}, store.Entry{}, store.NewDrill{Random: true, Title: "Walk", Reason: "Walked."}, func(int) int { return 0 })
	walkCheck(t, err)
	var loaf string
	walkCheck(t, w.conn.QueryRow(ctx, `SELECT min(code) FROM batch WHERE workshop_id = $1 AND status = 'quarantined' AND kind IS NULL AND origin = 'bench' AND EXISTS (SELECT FROM packing p WHERE p.workshop_id = $1 AND p.batch_id = batch.id)`, w.full).Scan(&loaf))
	walkCheck(t, s.WeighStage(ctx, store.Who{Workshop: w.full, Actor: "system"}, store.Entry{}, store.NewStageMass{Batch: loaf, Stage: "packing", Units: 1, Grams: decimal.NewFromInt(100), Really: store.Really{Yes: true, Reason: "for the walk"}}))
	walkTub(t, s, w.full)
	w.fillSets(t)
	w.sendTables(t)
	w.fill(t)

	house := &ui.House{Store: s, Clock: time.Now, Log: slog.New(slog.NewTextHandler(walkLog{t}, &slog.HandlerOptions{Level: slog.LevelError}))}
	w.routes = web.Routes(house)
	server := httptest.NewServer(web.Handler(house))
	t.Cleanup(server.Close)
	w.url = server.URL
	return w
}

// keepAndPack looks at a retained sample and has a crate of each state, so that there is one to ask for.
func (w *walkWorld) keepAndPack(t *testing.T) {
	t.Helper()
	ctx, who, today := t.Context(), store.Who{Workshop: w.full, Actor: "system"}, day.In(time.Now(), time.UTC)
	book, err := w.store.Samples(ctx, w.full, today, "")
	walkCheck(t, err)
	if len(book.Unplaced) > 0 {
		p := book.Unplaced[0]
		id, err := w.store.AddSample(ctx, who, store.Entry{}, store.NewSample{Packing: p.Code, Units: p.Units, Place: "Cupboard", TakenOn: p.PackedOn, KeepUntil: p.KeepUntil(), Note: "In paper"})
		walkCheck(t, err)
		walkCheck(t, w.store.InspectSample(ctx, who, store.Entry{}, id, store.Inspection{On: today, Result: "changed", Words: "Paler"}))
	}
	stock, err := w.store.Stock(ctx, w.full)
	walkCheck(t, err)
	var code string
	for _, s := range stock {
		for _, p := range s.Packings {
			if code == "" && p.Refuse(measure.Style{}, 3, today) == "" {
				code = p.Code
			}
		}
	}
	var crates [3]string
	for i := range crates {
		crates[i], err = w.store.AddCrate(ctx, who, store.Entry{}, store.NewCrate{NewEvent: fmt.Sprintf("Fair %d", i), On: today, Note: "Pitch 4", Lines: []store.DispatchLine{{Packing: code, Units: 1}}})
		walkCheck(t, err)
	}
	for _, c := range crates[1:] {
		_, err := w.store.SendCrate(ctx, who, store.Entry{}, c, store.CrateLeaves{On: today})
		walkCheck(t, err)
	}
	walkCheck(t, w.store.BookCrateBack(ctx, who, store.Entry{}, crates[2], store.CrateBack{On: today, Lines: []store.CrateCount{{Packing: code, Tester: 1}}}))
}

// walkTub fills a tub from a lot that is fit and looks at the lot again, so that both have pages to walk.
func walkTub(t *testing.T, s *store.Store, shop store.WorkshopID) {
	t.Helper()
	who := store.Who{Workshop: shop, Actor: "system"}
	materials, err := s.Materials(t.Context(), shop)
	walkCheck(t, err)
	for _, m := range materials {
		if m.Kind != "raw" || !m.OnHand.IsPositive() {
			continue
		}
		page, err := s.MaterialPage(t.Context(), shop, m.Code, "", "")
		walkCheck(t, err)
		for _, l := range page.InStock {
			if l.Status != "released" || l.Tub != "" {
				continue
			}
			_, err := s.FillTub(t.Context(), who, store.Entry{}, store.TubFill{Tub: "Walked crock", Material: m.Code, From: []store.TubDraw{{Lot: l.Code, Quantity: l.OnHand}}, Really: store.Really{Yes: true, Reason: "walked"}})
			walkCheck(t, err)
			walkCheck(t, s.RetestLot(t.Context(), who, store.Entry{}, store.NewRetest{Lot: l.Code, Passed: true, Words: "Clear."}))
			return
		}
	}
	t.Fatal("the demo holds nothing to fill a tub from")
}

func walkCheck(t *testing.T, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

// fillSets adds what the invented workshop may not have: a set, leave to work something in again, bulk thrown away, and a
// misprinted code.
func (w *walkWorld) fillSets(t *testing.T) {
	t.Helper()
	ctx, s := t.Context(), w.store
	list, err := s.People(ctx, w.full)
	walkCheck(t, err)
	var owner store.Who
	for _, p := range list {
		if access.Role(p.Role) == access.Owner {
			owner = store.Who{Workshop: w.full, Person: p.ID, Name: p.Name, Role: access.Owner, Actor: "system"}
		}
	}
	var packing, product, bulk string
	walkCheck(t, w.conn.QueryRow(ctx, `SELECT k.code, r.code FROM packing k JOIN product r ON r.workshop_id = $1 AND r.id = k.product_id JOIN packing_stock s ON s.workshop_id = $1 AND s.packing_id = k.id
		WHERE k.workshop_id = $1 AND k.status = 'released' AND s.on_hand - s.held > 1 ORDER BY k.best_before DESC, 1 LIMIT 1`, w.full).Scan(&packing, &product))
	_, err = s.AddProduct(ctx, owner, store.Entry{}, store.Product{Code: "WALKSET", Name: "Walk set", Letters: "WKS", DatePrecision: "day", Parts: []store.ProductPart{{Product: product, PerUnit: 1}}})
	walkCheck(t, err)
	_, err = s.PutTogether(ctx, owner, store.Entry{}, store.NewSet{Product: "WALKSET", On: day.In(time.Now(), time.UTC), Good: 1, Units: []store.SetUnits{{Packing: packing, Units: 1}}})
	walkCheck(t, err)
	walkCheck(t, s.NoteUnitCode(ctx, owner, store.Entry{}, store.NewUnitCode{Packing: packing, Code: "WALK-1", Kind: "misprint", Reason: "printer jammed"}))
	walkCheck(t, w.conn.QueryRow(ctx, `SELECT b.code FROM batch b WHERE b.workshop_id = $1 AND b.bulk_g > 0 AND b.status IN ('quarantined', 'released') ORDER BY 1 LIMIT 1`, w.full).Scan(&bulk))
	left, err := s.BulkLeft(ctx, w.full, bulk)
	walkCheck(t, err)
	walkCheck(t, s.MoveBulk(ctx, owner, store.Entry{}, store.NewBulkMove{Batch: bulk, Reason: "count", Grams: left.LeftG.Add(decimal.NewFromInt(1)), Note: "weighed"}))
	rows, err := w.conn.Query(ctx, `SELECT DISTINCT b.code FROM batch b JOIN reject r ON r.workshop_id = $1 AND r.batch_id = b.id AND r.replaced_by IS NULL WHERE b.workshop_id = $1 AND b.status IN ('released', 'quarantined', 'packing') ORDER BY 1`, w.full)
	walkCheck(t, err)
	sources, err := pgx.CollectRows(rows, pgx.RowTo[string])
	walkCheck(t, err)
	for _, source := range sources {
		page, err := s.ReworkPage(ctx, w.full, source)
		walkCheck(t, err)
		if s.SignRework(ctx, owner, store.Entry{}, store.NewRework{Batch: source, Formula: page.Formulas[0].Code, What: "rejects", Grams: decimal.NewFromInt(1), Reason: "clean crumbs"}, "") == nil {
			return
		}
	}
	t.Errorf("no batch of %d with rejects can be signed for", len(sources))
}

// sendTables has a file to import of which nobody has said which table it is, and one that was looked through and has a
// fault in it.
func (w *walkWorld) sendTables(t *testing.T) {
	t.Helper()
	ctx, s := t.Context(), w.store
	list, err := s.People(ctx, w.full)
	walkCheck(t, err)
	who := store.Who{Workshop: w.full, Person: list[0].ID, Role: access.Owner, Actor: "person"}
	_, err = s.KeepImport(ctx, who, store.NewImport{Key: uuid.New(), FileName: "old book.csv"}, strings.NewReader("code,name\n"))
	walkCheck(t, err)
	text := "code,material,received_on,quantity,status\nWALK-9,\"" + strings.ReplaceAll(marker, `"`, `""`) + "\",2026-01-02,1,released\n"
	// A spreadsheet with everything that can be asked about its columns.
	sheet := "Our lot;Ingredient;" + marker[5:] + ";Came in;Qty;Status;Expiry;Price\nL-1;" + marker[5:] + ";x;03/04/2026;1,250;fine;03/2027;£4.50\nL-2;y;;04/04/2026;2 kg;;;\n"
	_, err = s.KeepImport(ctx, who, store.NewImport{Key: uuid.New(), FileName: "old lots.csv", Table: "material_lots", Sheet: &store.SheetReading{Head: 1, Comma: ";"}}, strings.NewReader(sheet))
	walkCheck(t, err)
	id, err := s.KeepImport(ctx, who, store.NewImport{Key: uuid.New(), FileName: "material_lots.csv"}, strings.NewReader(text))
	walkCheck(t, err)
	run, err := s.LookThrough(ctx, who, id, "", false)
	walkCheck(t, err)
	walkCheck(t, s.RunImport(ctx, run))
}

// fill finds the samples.
func (w *walkWorld) fill(t *testing.T) {
	t.Helper()
	for key, query := range samples {
		var args []any
		if strings.Contains(query, "$1") {
			args = append(args, w.full)
		}
		rows, err := w.conn.Query(t.Context(), query, args...)
		walkCheck(t, err)
		w.values[key], err = pgx.CollectRows(rows, func(row pgx.CollectableRow) ([]string, error) {
			found, err := row.Values()
			texts := make([]string, len(found))
			for i, v := range found {
				texts[i] = fmt.Sprint(v)
			}
			return texts, err
		})
		walkCheck(t, err)
		if len(w.values[key]) == 0 {
			t.Errorf("the demo has nothing that could stand for %s", key)
		}
	}
}

// mark puts the marker behind every text of the full workshop that takes it. Triggers and the trail look away: it does
// not matter here how it came in.
func (w *walkWorld) mark(t *testing.T) {
	t.Helper()
	ctx := t.Context()
	rows, err := w.conn.Query(ctx, `SELECT c.table_name, c.column_name FROM information_schema.columns c JOIN information_schema.tables x USING (table_schema, table_name)
		WHERE c.table_schema = 'public' AND x.table_type = 'BASE TABLE' AND c.data_type = 'text' AND c.column_name NOT LIKE '%\_key' AND c.column_name <> ALL ($1)
		  AND EXISTS (SELECT FROM information_schema.columns k WHERE k.table_schema = 'public' AND k.table_name = c.table_name AND k.column_name = 'workshop_id') ORDER BY 1, 2`, unmarked)
	walkCheck(t, err)
	type column struct{ Table, Name string }
	columns, err := pgx.CollectRows(rows, pgx.RowToStructByPos[column])
	walkCheck(t, err)
	columns = append(columns, column{"workshop", "name"})
	for _, c := range columns {
		err := pgx.BeginFunc(ctx, w.conn, func(tx pgx.Tx) error {
			table, name, id := pgx.Identifier{c.Table}.Sanitize(), pgx.Identifier{c.Name}.Sanitize(), "workshop_id"
			if c.Table == "workshop" {
				id = "id"
			}
			if _, err := tx.Exec(ctx, `ALTER TABLE `+table+` DISABLE TRIGGER USER`); err != nil {
				return err
			}
			if _, err := tx.Exec(ctx, `UPDATE `+table+` SET `+name+` = `+name+` || $2 WHERE `+id+` = $1 AND `+name+` IS NOT NULL`, w.full, marker); err != nil {
				return err
			}
			// What was deferred is checked before the triggers come back.
			if _, err := tx.Exec(ctx, `SET CONSTRAINTS ALL IMMEDIATE`); err != nil {
				return err
			}
			_, err := tx.Exec(ctx, `ALTER TABLE `+table+` ENABLE TRIGGER USER`)
			return err
		})
		if err == nil {
			w.marked = append(w.marked, c.Table+"."+c.Name)
		}
	}
}

// Besides one person a role there is an owner who only reads, and for each role one who sends forms: a form may end
// all sessions of its sender.
const (
	reader = "reader"
	sender = "-sender"
)

// signIn gives the cookie of somebody.
func (w *walkWorld) signIn(t *testing.T, shop store.WorkshopID, name string) string {
	t.Helper()
	link, err := w.store.SignInLink(t.Context(), shop, name+"@walk.example.org", time.Now())
	walkCheck(t, err)
	cookie, err := w.store.SignInByLink(t.Context(), link, "walk", time.Now())
	walkCheck(t, err)
	return cookie
}

// paths puts samples into a pattern, and fails where there is none: a route that is not walked is not checked.
func (w *walkWorld) paths(t *testing.T, pattern string) []string {
	t.Helper()
	if !strings.Contains(pattern, "{") {
		return []string{pattern}
	}
	best := ""
	for key := range samples {
		rest, begins := strings.CutPrefix(pattern, key)
		if begins && !strings.Contains(rest, "{") && (rest == "" || rest[0] == '/') && len(key) > len(best) {
			best = key
		}
	}
	if best == "" {
		t.Errorf("%s has no sample in this test: add one", pattern)
	}
	var list []string
	for _, values := range w.values[best] {
		var path []string
		for part := range strings.SplitSeq(pattern, "/") {
			if strings.HasPrefix(part, "{") {
				part, values = url.PathEscape(values[0]), values[1:]
			}
			path = append(path, part)
		}
		list = append(list, strings.Join(path, "/"))
	}
	return list
}

// eachRoute walks the routes with the first sample of each.
func (w *walkWorld) eachRoute(t *testing.T, walk func(r web.Route, path string)) {
	t.Helper()
	for _, r := range w.routes {
		if paths := w.paths(t, r.Pattern); len(paths) > 0 {
			walk(r, paths[0])
		}
	}
}

type walkAnswer struct {
	status int
	header http.Header
	body   string
}

func (a walkAnswer) html() bool { return strings.HasPrefix(a.header.Get("Content-Type"), "text/html") }

func (a walkAnswer) page(t *testing.T) *goquery.Document {
	t.Helper()
	doc, err := goquery.NewDocumentFromReader(strings.NewReader(a.body))
	walkCheck(t, err)
	return doc
}

// ask sends a request with a cookie; a POST is an empty form with an entry key, from our own pages unless headers say
// otherwise.
func (w *walkWorld) ask(t *testing.T, method, path, cookie string, headers ...string) walkAnswer {
	t.Helper()
	var body io.Reader
	if method == http.MethodPost {
		body = strings.NewReader("entry_key=" + uuid.NewString())
	}
	req, err := http.NewRequestWithContext(t.Context(), method, w.url+path, body)
	walkCheck(t, err)
	if method == http.MethodPost {
		req.Header.Set("Content-Type", "application/x-www-form-urlencoded")
		req.Header.Set("Origin", w.url)
	}
	if cookie != "" {
		req.Header.Set("Cookie", "stillroom="+cookie)
	}
	for i := 0; i < len(headers); i += 2 {
		req.Header.Set(headers[i], headers[i+1])
	}
	res, err := http.DefaultTransport.RoundTrip(req)
	walkCheck(t, err)
	defer res.Body.Close()
	text, err := io.ReadAll(res.Body)
	walkCheck(t, err)
	return walkAnswer{res.StatusCode, res.Header, string(text)}
}

func onlyDoorsAreOpen(t *testing.T, w *walkWorld) {
	var open []string
	for _, r := range w.routes {
		name := r.Method + " " + r.Pattern
		switch {
		case r.Right == "":
			open = append(open, name)
		case !slices.Contains(access.Rights(), r.Right):
			t.Errorf("%s asks for %q, which is no right: nobody may", name, r.Right)
		case r.Method != http.MethodGet && r.Method != http.MethodPost:
			t.Errorf("%s: a form sends GET or POST", name)
		}
	}
	slices.Sort(open)
	if diff := cmp.Diff(slices.Sorted(slices.Values(doors)), open); diff != "" {
		t.Error(diff)
	}
}

func eachRoleWhereItMay(t *testing.T, w *walkWorld) {
	// Sends everybody to the sign-in page, as it says.
	leaving := []string{"/sign-out", "/account/sessions/end"}
	cookies := map[access.Role]string{}
	for _, role := range access.Roles() {
		cookies[role] = w.signIn(t, w.full, string(role))
	}
	w.eachRoute(t, func(r web.Route, path string) {
		for _, role := range append(access.Roles(), "") {
			cookie := cookies[role]
			if r.Method == http.MethodPost && role != "" {
				cookie = w.signIn(t, w.full, string(role)+sender)
			}
			got := w.ask(t, r.Method, path, cookie)
			toSignIn := strings.HasPrefix(got.header.Get("Location"), "/sign-in") && !slices.Contains(leaving, r.Pattern)
			refused := got.status == http.StatusForbidden || got.status == http.StatusUnauthorized || toSignIn
			what := fmt.Sprintf("%s %s as %q", r.Method, path, role)
			switch {
			case got.status >= 500:
				t.Errorf("%s: %d", what, got.status)
			case r.Right == access.CorrectOwn && role == access.Helper && got.status == http.StatusForbidden:
				// The sample is somebody else's entry, or of another day.
			case r.Right == "" || access.May(role, r.Right):
				if refused {
					t.Errorf("%s: %d to %q, and the right is %q", what, got.status, got.header.Get("Location"), r.Right)
				}
			case role != "":
				if got.status != http.StatusForbidden {
					t.Errorf("%s: %d, want 403: the right is %q", what, got.status, r.Right)
				}
			case r.Method == http.MethodGet:
				if !toSignIn || got.status != http.StatusSeeOther {
					t.Errorf("%s: %d to %q, want 303 to sign in", what, got.status, got.header.Get("Location"))
				}
			case got.status != http.StatusUnauthorized:
				t.Errorf("%s: %d, want 401", what, got.status)
			}
		}
	})
}

// eachGet walks all pages as the owner.
func (w *walkWorld) eachGet(t *testing.T, look func(t *testing.T, path string, a walkAnswer)) {
	t.Helper()
	cookie := w.signIn(t, w.full, reader)
	paths := []string{"/no-such-page", "/lots/no-such-lot", "/healthz", "/readyz"}
	for _, r := range w.routes {
		if r.Method == http.MethodGet {
			paths = append(paths, w.paths(t, r.Pattern)...)
		}
	}
	for _, path := range paths {
		a := w.ask(t, http.MethodGet, path, cookie)
		if a.status >= 500 {
			t.Errorf("%s: %d", path, a.status)
		}
		look(t, path, a)
	}
}

func eachPageIsPlain(t *testing.T, w *walkWorld) {
	pages := 0
	w.eachGet(t, func(t *testing.T, path string, a walkAnswer) {
		if !a.html() || a.status/100 == 3 {
			return
		}
		pages++
		doc := a.page(t)
		for _, one := range []string{"h1", "head > title", "main#main", "html[lang=en]", "[role=status]"} {
			if n := doc.Find(one).Length(); n != 1 {
				t.Errorf("%s has %d of %s", path, n, one)
			}
		}
		if strings.TrimSpace(doc.Find("h1").Text()) == "" {
			t.Errorf("%s has an empty heading", path)
		}
		nothingInline(t, path, doc)
		ids := map[string]bool{}
		for _, e := range doc.Find("[id]").EachIter() {
			id := e.AttrOr("id", "")
			if ids[id] {
				t.Errorf("%s has two elements with the id %q", path, id)
			}
			ids[id] = true
		}
		for _, e := range doc.Find("form").EachIter() {
			if strings.EqualFold(e.AttrOr("method", ""), "post") && e.Find("button").Length() == 0 {
				t.Errorf("%s has a form to %s without a button", path, e.AttrOr("action", "itself"))
			}
		}
	})
	if pages < 20 {
		t.Errorf("only %d pages were looked at", pages)
	}
}

// nothingInline finds what the Content-Security-Policy would refuse, and what only a stored script could have made.
func nothingInline(t *testing.T, path string, doc *goquery.Document) {
	t.Helper()
	for _, e := range doc.Find("*").EachIter() {
		for _, a := range e.Nodes[0].Attr {
			name, value := strings.ToLower(a.Key), strings.ToLower(strings.TrimSpace(a.Val))
			if name == "style" || strings.HasPrefix(name, "on") || (name == "href" || name == "action" || name == "src") && strings.HasPrefix(value, "javascript:") {
				t.Errorf("%s: <%s %s=%q>", path, e.Nodes[0].Data, a.Key, a.Val)
			}
		}
		switch e.Nodes[0].Data {
		case "style":
			t.Errorf("%s: <style>", path)
		case "script":
			if e.AttrOr("type", "") != "module" || !strings.HasPrefix(e.AttrOr("src", ""), "/static/") || e.Text() != "" {
				t.Errorf("%s: a script that is no module of ours: %q", path, e.Text())
			}
		}
	}
}

// guards are the headers of every answer.
var guards = map[string]string{
	"Content-Security-Policy": "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' blob:; font-src 'self'; connect-src 'self'; " +
		"manifest-src 'self'; worker-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'",
	"X-Content-Type-Options":      "nosniff",
	"Referrer-Policy":             "same-origin",
	"Cache-Control":               "no-store",
	"Access-Control-Allow-Origin": "",
}

func eachAnswerIsGuarded(t *testing.T, w *walkWorld) {
	guarded := func(t *testing.T, path string, a walkAnswer) {
		t.Helper()
		for name, want := range guards {
			got := a.header.Get(name)
			if name == "Content-Security-Policy" && strings.HasPrefix(path, "/documents/") {
				// A file that somebody uploaded may do less than a page, never more.
				if !strings.Contains(got, "sandbox") || !strings.Contains(got, "default-src 'none'") || strings.HasPrefix(a.header.Get("Content-Disposition"), "inline") {
					t.Errorf("%s: %s is %q, Content-Disposition %q", path, name, got, a.header.Get("Content-Disposition"))
				}
				continue
			}
			if got != want {
				t.Errorf("%s (%d): %s is %q, want %q", path, a.status, name, got, want)
			}
		}
	}
	w.eachGet(t, guarded)
	for name, a := range map[string]walkAnswer{
		"/lots (nobody)":           w.ask(t, http.MethodGet, "/lots", ""),
		"/lots/new (denied)":       w.ask(t, http.MethodGet, "/lots/new", w.signIn(t, w.full, string(access.Viewer))),
		"/sign-in (refused)":       w.ask(t, http.MethodPost, "/sign-in", ""),
		"/sign-in (another site)":  w.ask(t, http.MethodPost, "/sign-in", "", "Origin", "https://elsewhere.example.org"),
		"/sign-in (other method)":  w.ask(t, http.MethodDelete, "/sign-in", ""),
		"/lots (too old a cookie)": w.ask(t, http.MethodGet, "/lots", "stale"),
	} {
		guarded(t, name, a)
	}
}

func eachFormIsOurOwn(t *testing.T, w *walkWorld) {
	cookie := w.signIn(t, w.full, reader)
	forms := 0
	w.eachRoute(t, func(r web.Route, path string) {
		if r.Method == http.MethodGet {
			return
		}
		forms++
		for name, headers := range map[string][]string{
			"another origin":       {"Origin", "https://elsewhere.example.org"},
			"a page without one":   {"Origin", "null"},
			"another port":         {"Origin", "http://127.0.0.1:1"},
			"as browsers say it":   {"Sec-Fetch-Site", "cross-site"},
			"a neighbour's domain": {"Sec-Fetch-Site", "same-site"},
		} {
			if got := w.ask(t, r.Method, path, cookie, headers...); got.status != http.StatusForbidden {
				t.Errorf("%s %s from %s: %d, want 403", r.Method, path, name, got.status)
			}
		}
	})
	if forms < 10 {
		t.Errorf("only %d forms were sent", forms)
	}
	if a := w.ask(t, http.MethodGet, "/account", cookie); a.status != http.StatusOK {
		t.Errorf("afterwards the session is gone (%d): a refused form did something", a.status)
	}
}

func nothingOfOthersIsFound(t *testing.T, w *walkWorld) {
	ctx := t.Context()
	conn, err := pgx.ConnectConfig(ctx, w.conn.Config())
	walkCheck(t, err)
	defer conn.Close(context.Background())
	changes := func() (n int) {
		walkCheck(t, conn.QueryRow(ctx, `SELECT count(*) FROM change WHERE workshop_id = $1`, w.empty).Scan(&n))
		return n
	}
	before := changes()
	asked := 0
	w.eachRoute(t, func(r web.Route, path string) {
		if !strings.Contains(r.Pattern, "{") || r.Right == "" || r.Pattern == "/settings/data/templates/{name}.csv" {
			return // an empty table is nobody's
		}
		asked++
		// A fresh cookie each time: what is found here could be what ends the session.
		if got := w.ask(t, r.Method, path, w.signIn(t, w.empty, "owner")); got.status != http.StatusNotFound {
			t.Errorf("%s %s of another workshop: %d, want 404", r.Method, path, got.status)
		}
	})
	if asked < 10 {
		t.Errorf("only %d routes were asked", asked)
	}
	if n := changes() - before; n != 0 {
		t.Errorf("%d changes were recorded all the same", n)
	}
}

func storedScriptIsText(t *testing.T, w *walkWorld) {
	if len(w.marked) < 40 || !slices.Contains(w.marked, "material.name") || !slices.Contains(w.marked, "customer.name") || !slices.Contains(w.marked, "workshop.name") {
		t.Fatalf("only these columns hold the script: %v", w.marked)
	}
	shown := 0
	w.eachGet(t, func(t *testing.T, path string, a walkAnswer) {
		if !a.html() {
			return
		}
		doc := a.page(t)
		nothingInline(t, path, doc)
		if strings.Contains(a.body, "<script>alert") {
			t.Errorf("%s: the script stands in the page", path)
		}
		if strings.Contains(doc.Find("main").Text(), marker) {
			shown++
		}
	})
	if shown < 15 {
		t.Errorf("it was seen as text on %d pages only", shown)
	}
}

// walkLog shows what the server found wrong beside the claim that met it.
type walkLog struct{ t testing.TB }

func (l walkLog) Write(line []byte) (int, error) {
	l.t.Log(strings.TrimSpace(string(line)))
	return len(line), nil
}
