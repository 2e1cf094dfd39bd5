package web_test

import (
	"encoding/json"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/chromedp/chromedp/kb"

	"example.org/stillroom/internal/access"
	"example.org/stillroom/internal/chrome"
	"example.org/stillroom/web"
	"example.org/stillroom/web/ui"
	"example.org/stillroom/web/webtest"
)

// shelfAreas are the pages of what is bought, written down, sold, kept and set: all but the way of a batch, which
// demoPages follow.
var shelfAreas = regexp.MustCompile(`^/(materials|lots|tubs|order|suppliers|formulas|products|customers|dispatches|returns|stock|samples|crates|equipment|log|account|settings)(/|$)|^/packings/\{code\}/(units|move|take-back|hold|lift)$`)

// notShelves are what no link of a page leads to, and files that a browser keeps rather than shows.
var notShelves = []string{"/settings/preview", "/settings/data/export.zip", "/settings/data/templates/{name}.csv", "/settings/data/import", "/settings/data/import/{id}", "/settings/data/sheet/{id}"}

// shelfCrawl follows links from page to page, a dozen pages of each kind, and gives every address of the site that it
// met. What a page's code is does not make another kind: codes have capitals or figures, words of ours have none.
const shelfCrawl = `(async begins => {
	const met = new Set([...begins, "/materials", "/tubs", "/order", "/formulas", "/products", "/customers", "/dispatches", "/stock", "/samples", "/crates", "/equipment", "/log", "/account", "/settings"]), todo = [...met]
	const kinds = new Map()
	while (todo.length > 0) {
		const text = await (await fetch(todo.shift())).text()
		for (const a of new DOMParser().parseFromString(text, "text/html").querySelectorAll("main a[href^='/']")) {
			const to = a.getAttribute("href").replace(/#.*/, "")
			if (met.has(to)) continue
			met.add(to)
			const kind = to.replace(/\?.*/, "?").replace(/\/[^/?]*[A-Z0-9][^/?]*/g, "/*")
			kinds.set(kind, (kinds.get(kind) || 0) + 1)
			if (kinds.get(kind) <= 12 && /^\/(lots|tubs|suppliers|formulas|products|customers|dispatches|samples|crates|equipment|log|settings)|^\/materials\/[^/]+$|^\/packings\/[^/]+\/units/.test(to) && !/\.csv$/.test(to)) todo.push(to)
		}
	}
	return [...met]
})`

// shelfPaths gives for each route of the areas a page that links lead to.
func shelfPaths(t *testing.T, page *chrome.Page, begins []string) []string {
	t.Helper()
	from, err := json.Marshal(begins)
	walkCheck(t, err)
	var met []string
	page.Eval(shelfCrawl+"("+string(from)+")", &met)
	slices.Sort(met)
	var paths []string
	var patterns []*regexp.Regexp
	routes := map[*regexp.Regexp]string{}
	for _, r := range web.Routes(&ui.House{}) {
		if r.Method != "GET" || !shelfAreas.MatchString(r.Pattern) || slices.Contains(notShelves, r.Pattern) {
			continue
		}
		p := regexp.MustCompile("^" + regexp.MustCompile(`\{\w+\}`).ReplaceAllString(r.Pattern, `[^/?]+`) + `(\?.*)?$`)
		patterns, routes[p] = append(patterns, p), r.Pattern
	}
	// What has fewer parts that may be anything goes first: /lots/new is no lot.
	slices.SortStableFunc(patterns, func(a, b *regexp.Regexp) int {
		return strings.Count(routes[a], "{") - strings.Count(routes[b], "{")
	})
	found := map[*regexp.Regexp]int{}
	for _, path := range met {
		if i := slices.IndexFunc(patterns, func(p *regexp.Regexp) bool { return p.MatchString(path) }); i >= 0 {
			if found[patterns[i]]++; found[patterns[i]] == 1 {
				paths = append(paths, path)
			}
		}
	}
	for _, p := range patterns {
		if found[p] == 0 {
			t.Errorf("no link leads to %s", routes[p])
		}
	}
	return paths
}

// TestTheShelvesReadWellAtEverySize looks at each page that links of the shelves lead to, and at what forms answer.
func TestTheShelvesReadWellAtEverySize(t *testing.T) {
	t.Parallel()
	page := chrome.Open(t).Page()
	shop := newDemoShop(t, page)
	look := func(path string) {
		// A tablet held upright, a telephone, and a desk where everything is twice its size.
		for _, size := range [][2]int{{390, 844}, {640, 400}, {820, 1180}} {
			page.Size(size[0], size[1])
			if wider := page.Overflow(); wider > 0 {
				t.Errorf("%s is %d px wider than a window of %d", path, wider, size[0])
			}
		}
		var out []string
		page.Eval(`[...document.querySelectorAll(".sheet")].filter(s => s.checkVisibility() && s.scrollWidth > s.clientWidth + 1).map(s => s.innerText.slice(0, 40))`, &out)
		for _, sheet := range out {
			t.Errorf("%s: what stands in the sheet %q sticks out of it", path, sheet)
		}
		for _, wrong := range page.Axe() {
			t.Errorf("%s: %s", path, wrong)
		}
	}
	page.Goto(shop.url + "/formulas/OB")
	page.Submit("New version")
	look("a draft of a formula")
	page.Click("Add a portion")
	look("a portion's form")
	for _, path := range shelfPaths(t, page, shop.shelves) {
		page.Goto(shop.url + path)
		if page.Status() != 200 {
			t.Errorf("%s: %d", path, page.Status())
		}
		look(path)
	}
	page.Goto(shop.url + "/dispatches/new?customer=HSP")
	page.Fill("wanted-0", "1")
	page.Submit("Propose codes")
	look("a proposed dispatch")
	page.Goto(shop.url + "/materials/new")
	page.Fill("name", " ")
	page.Submit("Add this material")
	look("a form that came back")
	if wrong := page.Errors(); len(wrong) > 0 {
		t.Errorf("in red: %v", wrong)
	}
	page.Goto(shop.url + "/no-such-page")
	page.MustHave("Look it up in the box above")
	look("a page that is not there")
}

// TestANewWorkshopFindsItsNextStep goes from the first page of an empty book to a planned batch by what its pages
// offer, without an address typed, and books the first lot with the keyboard alone.
func TestANewWorkshopFindsItsNextStep(t *testing.T) {
	t.Parallel()
	site := webtest.New(t)
	page := chrome.Open(t).Page()
	page.Size(1180, 820)
	page.Goto(site.Link(access.Owner))
	page.Click("To the materials")
	page.Click("main a[href='/materials/new']")
	page.Fill("name", "Oat oil")
	page.Submit("Add this material")
	page.MustHave("Oat oil is in the book")
	tabTo(page, "Receive a lot")
	page.Press(kb.Enter)
	for _, field := range []struct{ name, value string }{{"quantity", "2500"}, {"supplier_lot", "7731B"}, {"new_supplier", "Fenmarch"}} {
		if field.name != "quantity" { // which has the focus from the start
			tabTo(page, field.name)
		}
		for _, key := range field.value {
			page.Press(string(key))
		}
	}
	page.Press(kb.Enter)
	page.MustHave("2 500 g left")
	page.Click("Formulas")
	page.Click("main .empty a")
	page.Fill("name", "Oat balm")
	page.Fill("letters", "OB")
	page.Submit("Begin this formula")
	page.Click("Add a portion")
	page.Fill("name", "Base")
	page.Fill("amount", "100")
	page.Submit("Save this portion")
	page.Click("Add to Base")
	page.Choose("kind", "Oat oil")
	page.Fill("amount", "100")
	page.Submit("Save this line")
	page.Click("Approve version 1")
	page.Submit("Put version 1 in force")
	page.Click("main .head .button") // what comes next stands first
	page.Fill("name", "Oat balm, 50 g")
	page.Fill("Net content", "50")
	page.Fill("shelf_life", "12")
	page.Submit("Save this product")
	page.Click("Plan a batch")
	page.Choose("product", "Oat balm, 50 g")
	page.Fill("units", "10")
	page.Submit("Plan it")
	page.MustHave("Start now")
}
