package web_test

import (
	"context"
	"log/slog"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp/kb"
	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"example.org/stillroom/internal/chrome"
	"example.org/stillroom/internal/demo"
	"example.org/stillroom/internal/pgtest"
	"example.org/stillroom/internal/store"
	"example.org/stillroom/web"
	"example.org/stillroom/web/ui"
)

// demoPages are the pages on which a maker follows a batch: from the first page to who holds what. A query finds the
// codes, in the workshop $1, for which a path is looked at.
var demoPages = []struct{ path, codes string }{
	{"/", ""},
	{"/batches", ""},
	{"/batches?show=all", ""},
	{"/batches/*", `SELECT DISTINCT ON (status, origin, bulk_g IS NULL) code FROM batch WHERE workshop_id = $1 ORDER BY status, origin, bulk_g IS NULL, code DESC`},
	{"/batches/*/pack", `SELECT code FROM batch WHERE workshop_id = $1 AND status = 'curing' ORDER BY code LIMIT 1`},
	{"/batches/*/rejects", `SELECT code FROM batch WHERE workshop_id = $1 AND status = 'curing' ORDER BY code LIMIT 1`},
	{"/batches/*/yield", `SELECT code FROM batch WHERE workshop_id = $1 AND status = 'released' AND bulk_g IS NULL ORDER BY code LIMIT 1`},
	{"/packings/*", `SELECT DISTINCT ON (status) code FROM packing WHERE workshop_id = $1 ORDER BY status, code`},
	{"/packings/*/release", `SELECT code FROM packing WHERE workshop_id = $1 AND status = 'quarantined' LIMIT 1`},
	{"/packings/*/correct", `SELECT code FROM packing WHERE workshop_id = $1 AND status = 'quarantined' LIMIT 1`},
	{"/deviations", ""},
	{"/deviations/*", `SELECT max(n)::text FROM deviation WHERE workshop_id = $1`},
	{"/find", ""},
	{"/find?q=soap", ""},
	{"/find?q=no-such-thing", ""},
	{"/find?q=*", `SELECT left(code, -1) || CASE right(code, 1) WHEN '0' THEN '1' ELSE '0' END FROM batch WHERE workshop_id = $1 ORDER BY code LIMIT 1`},
	{"/find/purchase", ""},
	{"/trace", ""},
	{"/trace/lots/*", `SELECT 'SF-0002'`},
	{"/trace/lots/*/list", `SELECT 'SF-0002'`},
	{"/trace/batches/*", `SELECT code FROM batch WHERE workshop_id = $1 AND status = 'released' AND bulk_g IS NOT NULL ORDER BY code LIMIT 1`},
	{"/trace/sources/*", `SELECT code FROM packing WHERE workshop_id = $1 AND status = 'quarantined' LIMIT 1`},
	{"/trace/supplier-lots/*", `SELECT 'FO/7731-B'`},
	{"/plans", ""},
	{"/plans/*", `SELECT id::text FROM plan WHERE workshop_id = $1 ORDER BY planned_on DESC LIMIT 1`},
	{"/batches/*/record", `SELECT DISTINCT ON (kind, bulk_g IS NULL) code FROM batch WHERE workshop_id = $1 AND status = 'released' ORDER BY kind, bulk_g IS NULL, code DESC`},
	{"/batches/*/papers", `SELECT code FROM batch WHERE workshop_id = $1 AND status = 'released' ORDER BY code DESC LIMIT 1`},
	{"/batches/*/stage", `SELECT code FROM batch WHERE workshop_id = $1 AND status = 'curing' ORDER BY code LIMIT 1`},
	{"/batches/*/rework", `SELECT b.code FROM rework r JOIN batch b ON b.workshop_id = $1 AND b.id = r.batch_id WHERE r.workshop_id = $1 ORDER BY b.code DESC LIMIT 1`},
	{"/batches/compare?*", `SELECT 'a=' || min(code) || '&b=' || max(code) FROM batch WHERE workshop_id = $1 AND code LIKE 'TW%' AND status = 'released'`},
	{"/plans/new", ""},
	{"/plans/new?again=*", `SELECT max(code) FROM batch WHERE workshop_id = $1 AND code LIKE 'TW%' AND status = 'released'`},
	{"/plans/*/start", `SELECT id::text FROM plan WHERE workshop_id = $1 ORDER BY planned_on LIMIT 1`},
	{"/sets/new", ""},
	{"/sets/new?product=MX&sets=3", ""},
	{"/batches/*", `SELECT max(code) FROM batch WHERE workshop_id = $1 AND kind = 'set'`},
	{"/sets/*/correct", `SELECT max(code) FROM batch WHERE workshop_id = $1 AND kind = 'set'`},
	{"/packings/*/packaging", `SELECT code FROM packing WHERE workshop_id = $1 AND status = 'quarantined' LIMIT 1`},
	{"/packings/*/codes", `SELECT p.code FROM unit_code u JOIN packing p ON p.workshop_id = $1 AND p.id = u.packing_id WHERE u.workshop_id = $1`},
	{"/batches/*/bench", `SELECT code FROM batch WHERE workshop_id = $1 AND status = 'making' ORDER BY code LIMIT 1`},
	{"/batches/*/bench/equipment", `SELECT code FROM batch WHERE workshop_id = $1 AND status = 'making' ORDER BY code LIMIT 1`},
	{"/batches/*/bench/moulds", `SELECT code FROM batch WHERE workshop_id = $1 AND status = 'making' ORDER BY code DESC LIMIT 1`},
	{"/batches/*/stage?stage=cut", `SELECT code FROM batch WHERE workshop_id = $1 AND status = 'curing' ORDER BY code LIMIT 1`},
	{"/batches/*/finish", `SELECT b.code FROM batch b WHERE workshop_id = $1 AND status = 'packing' AND EXISTS (SELECT FROM packing p WHERE p.workshop_id = $1 AND p.batch_id = b.id) ORDER BY code LIMIT 1`},
	{"/batches/*/bulk/left", `SELECT code FROM batch WHERE workshop_id = $1 AND status = 'released' AND bulk_g IS NOT NULL ORDER BY code DESC LIMIT 1`},
	{"/complaints/rates", ""},
	{"/complaints/sources?of=C-5&of=C-6&of=C-7&of=C-8", ""},
	{"/complaints/*", `SELECT n::text FROM complaint WHERE workshop_id = $1 AND (kind = 'serious' OR packing_id IS NULL) ORDER BY n`},
	{"/trace/batches/*/list", `SELECT code FROM batch WHERE workshop_id = $1 AND status = 'released' AND bulk_g IS NOT NULL ORDER BY code LIMIT 1`},
	{"/trace/supplier-lots/*/list", `SELECT 'FO/7731-B'`},
	{"/recalls", ""},
	{"/recalls/new?from=supplier+lot&code=7731-B&supplier=FO", ""},
	{"/recalls/*", `SELECT n::text FROM recall WHERE workshop_id = $1 AND NOT drill ORDER BY n LIMIT 1`},
	{"/recalls/*/list", `SELECT n::text FROM recall WHERE workshop_id = $1 AND NOT drill ORDER BY n LIMIT 1`},
	{"/find?q=*", `SELECT code FROM unit_code WHERE workshop_id = $1 LIMIT 1`},
	{"/drills", ""},
	{"/drills/new", ""},
	{"/drills/*", `SELECT n::text FROM recall WHERE workshop_id = $1 AND drill ORDER BY n LIMIT 1`},
	{"/drills/*/report", `SELECT n::text FROM recall WHERE workshop_id = $1 AND drill ORDER BY n LIMIT 1`},
	{"/reach", ""},
	{"/held", ""},
	{"/packings/*/sample", `SELECT p.code FROM packing p WHERE workshop_id = $1 AND units_retained > 0 AND NOT EXISTS (SELECT FROM sample s WHERE s.workshop_id = $1 AND s.packing_id = p.id) LIMIT 1`},
}

// shelfBegins are pages that are links away from any shelf: of a tub, of a lot that was looked at again, of a sample that
// was inspected, of what is on hold.
const shelfBegins = `(SELECT '/lots/' || code FROM material_lot WHERE workshop_id = $1 AND tub IS NOT NULL ORDER BY washed_on IS NULL DESC, code LIMIT 1)
	UNION ALL (SELECT '/lots/' || l.code FROM lot_retest r JOIN material_lot l ON l.workshop_id = $1 AND l.id = r.lot_id WHERE r.workshop_id = $1 LIMIT 1)
	UNION ALL (SELECT '/samples/' || sample_id FROM sample_check WHERE workshop_id = $1 LIMIT 1)
	UNION ALL (SELECT '/crates/' || code FROM crate WHERE workshop_id = $1 AND status IN ('packing', 'away'))
	UNION ALL (SELECT '/packings/' || p.code || '/units' FROM hold h JOIN packing p ON p.workshop_id = $1 AND p.id = h.packing_id WHERE h.workshop_id = $1 AND h.lifted_at IS NULL LIMIT 1)
	UNION ALL (SELECT '/customers/' || code FROM customer WHERE workshop_id = $1 ORDER BY code LIMIT 2)`

// demoShop is the demo, served, with its owner signed in.
type demoShop struct {
	url      string
	password string
	paths    []string
	waiting  string // code of a packing in quarantine
	shelves  []string
}

// demoDatabase is a copy of the demo, which is written once for all tests here.
func demoDatabase(t *testing.T) pgtest.DB {
	t.Helper()
	return pgtest.Seeded(t, "demo", func(ctx context.Context, s *store.Store, shop store.Workshop) error {
		return demo.Seed(ctx, s, shop, time.Now(), nil)
	})
}

func newDemoShop(t *testing.T, page *chrome.Page) demoShop {
	t.Helper()
	ctx := t.Context()
	db := demoDatabase(t)
	s, err := store.Open(ctx, db.AppURL)
	walkCheck(t, err)
	t.Cleanup(s.Close)
	seeder, err := store.Open(ctx, db.OwnerURL)
	walkCheck(t, err)
	defer seeder.Close()
	shops, err := store.Workshops(ctx, db.OwnerURL)
	walkCheck(t, err)
	id := shops[0].ID
	password, err := demo.Password(ctx, seeder, id, time.Now())
	walkCheck(t, err)
	server := httptest.NewServer(web.Handler(&ui.House{Store: s, Clock: time.Now, Log: slog.New(slog.DiscardHandler)}))
	t.Cleanup(server.Close)
	shop := demoShop{url: server.URL, password: password}
	conn, err := pgx.Connect(ctx, db.OwnerURL)
	walkCheck(t, err)
	defer conn.Close(ctx)
	for _, p := range demoPages {
		shop.paths = append(shop.paths, demoPaths(t, conn, uuid.UUID(id), p.path, p.codes)...)
	}
	walkCheck(t, conn.QueryRow(ctx, `SELECT code FROM packing WHERE workshop_id = $1 AND status = 'quarantined' ORDER BY code LIMIT 1`, id).Scan(&shop.waiting))
	shop.shelves = demoPaths(t, conn, uuid.UUID(id), "*", shelfBegins)
	link, err := s.SignInLink(ctx, id, demo.OwnerEmail, time.Now())
	walkCheck(t, err)
	page.Goto(shop.url + "/sign-in/" + link)
	return shop
}

// TestTheDemoReadsWellWithoutAMouse looks at pages at a tablet held upright, as somebody reads them who sees colours
// badly or not at all, doubles their size, and has a keyboard only.
func TestTheDemoReadsWellWithoutAMouse(t *testing.T) {
	t.Parallel()
	page := chrome.Open(t).Page()
	shop := newDemoShop(t, page)
	page.Size(820, 1180)
	for _, path := range shop.paths {
		page.Goto(shop.url + path)
		if page.Status() != 200 {
			t.Errorf("%s: %d", path, page.Status())
			continue
		}
		if wider := page.Overflow(); wider > 0 {
			t.Errorf("%s is %d px wider than a tablet held upright", path, wider)
		}
		for _, wrong := range page.Axe() {
			t.Errorf("%s: %s", path, wrong)
		}
	}
	// Twice the size leaves half the pixels.
	page.Size(640, 400)
	for _, path := range []string{"/batches/" + shop.waiting, "/trace/lots/SF-0002"} {
		page.Goto(shop.url + path)
		if wider := page.Overflow(); wider > 0 {
			t.Errorf("%s is %d px wider than its window at 200 %%", path, wider)
		}
	}
	shop.countsAgree(t, page)
	page.Size(1280, 800)
	shop.releaseByKeyboard(page)
	if wrong := page.Errors(); len(wrong) > 0 {
		t.Errorf("in red: %v", wrong)
	}
}

// countsAgree holds what the trace of the lot that went wrong says against its list for a spreadsheet and against the
// pages of its batches.
func (shop demoShop) countsAgree(t *testing.T, page *chrome.Page) {
	t.Helper()
	const trace = "/trace/lots/SF-0002"
	page.Goto(shop.url + trace)
	var said, listed, batches map[string]int
	page.Eval(`(() => { const cells = [...document.querySelectorAll(".life b")].map(b => parseInt(b.textContent.replace(/\s/g, "")))
		return {good: cells[1], here: cells[2], away: cells[3]} })()`, &said)
	page.Eval(`fetch("`+trace+`/list.csv").then(r => r.text()).then(text => {
		const sum = {here: 0, away: 0}, [head, ...rows] = text.trim().split("\n").map(l => l.match(/("[^"]*"|[^,]*)(,|$)/g).map(c => c.replace(/,$/, "").trim()))
		const at = name => head.indexOf(name)
		for (const r of rows) r[at("dispatch")] ? sum.away += r[at("units")] - r[at("returned")] : sum.here += +r[at("units")]
		return sum })`, &listed)
	page.Eval(`Promise.all([...document.querySelectorAll("table:last-of-type td[data-label=Batch] a")].map(a => fetch(a.href).then(r => r.text()))).then(texts => {
		const sum = {good: 0, here: 0}
		for (const text of texts) for (const td of new DOMParser().parseFromString(text, "text/html").querySelectorAll("td[data-label=Good], td[data-label='On hand']"))
			sum[td.dataset.label === "Good" ? "good" : "here"] += parseInt(td.textContent.replace(/\s/g, ""))
		return sum })`, &batches)
	if said["here"] == 0 || said["away"] == 0 {
		t.Fatalf("the trace says %v: nothing to compare", said)
	}
	if listed["here"] != said["here"] || listed["away"] != said["away"] {
		t.Errorf("the trace says %v, its list %v", said, listed)
	}
	if batches["good"] != said["good"] || batches["here"] != said["here"] {
		t.Errorf("the trace says %v, the batches %v", said, batches)
	}
}

// releaseByKeyboard goes from the batch's page to its signed release with the keyboard alone.
func (shop demoShop) releaseByKeyboard(page *chrome.Page) {
	page.Goto(shop.url + "/batches/" + shop.waiting)
	tabTo(page, "Release")
	page.Press(kb.Enter)
	page.MustHave("With your password you sign")
	page.MustEval(`document.activeElement === document.body || document.activeElement.closest("main") !== null`)
	tabTo(page, "password")
	for _, key := range shop.password {
		page.Press(string(key))
	}
	page.Press(kb.Enter)
	page.MustHave("Packing " + shop.waiting + " is released.")
}

// tabTo presses Tab until what has the focus is called so, and fails where it never comes or its focus cannot be seen.
func tabTo(page *chrome.Page, called string) {
	for range 60 {
		page.Press(kb.Tab)
		var at struct {
			Name string
			Seen bool
		}
		page.Eval(`(() => { const e = document.activeElement, s = getComputedStyle(e), b = e.getBoundingClientRect()
			return {Name: e.name || e.textContent.trim(), Seen: s.outlineStyle !== "none" && b.width > 0 && b.top < innerHeight && b.bottom > 0} })()`, &at)
		if at.Name == called {
			if !at.Seen {
				page.MustEval(`"the focus can be seen" === ""`)
			}
			return
		}
	}
	page.MustEval(`"the Tab key comes to ` + called + `" === ""`)
}

// demoPaths puts codes into a path.
func demoPaths(t *testing.T, conn *pgx.Conn, shop uuid.UUID, path, query string) (paths []string) {
	t.Helper()
	if query == "" {
		return []string{path}
	}
	var args []any
	if strings.Contains(query, "$1") {
		args = append(args, shop)
	}
	rows, err := conn.Query(t.Context(), query, args...)
	walkCheck(t, err)
	codes, err := pgx.CollectRows(rows, pgx.RowTo[string])
	walkCheck(t, err)
	if len(codes) == 0 {
		t.Errorf("the demo has nothing to look at for %s", path)
	}
	for _, code := range codes {
		paths = append(paths, strings.ReplaceAll(path, "*", code))
	}
	return paths
}
