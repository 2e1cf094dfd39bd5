package exchange_test

import (
	"strings"
	"testing"

	"github.com/google/uuid"

	"example.org/stillroom/internal/access"
	"example.org/stillroom/internal/chrome"
	"example.org/stillroom/internal/store"
	"example.org/stillroom/web/paths"
	"example.org/stillroom/web/webtest"
)

// The promise: a page of an import that runs shows its end by itself, with a script and without, also when it was opened
// on another device than the one that sent the file.
func TestAPageOfAnImportShowsItsEndByItself(t *testing.T) {
	t.Parallel()
	site := webtest.New(t)
	who := site.Who(access.Owner)
	page := chrome.Open(t).Page()
	page.Goto(site.Link(access.Owner))
	for _, script := range []bool{true, false} {
		id, err := site.Store.KeepImport(t.Context(), who, store.NewImport{Key: uuid.New(), FileName: "suppliers.csv"}, strings.NewReader(suppliers))
		check(t, err)
		run, err := site.Store.LookThrough(t.Context(), who, id, "", false)
		check(t, err)
		// An import waits for whoever holds the workshop.
		conn := ownerConn(t, site)
		_, err = conn.Exec(t.Context(), `BEGIN; SELECT FROM workshop FOR UPDATE`)
		check(t, err)
		ended := make(chan error, 1)
		go func() { ended <- site.Store.RunImport(t.Context(), run) }()
		page.JavaScript(script)
		page.Goto(site.URL + paths.Import(store.Text(id)))
		page.MustHave("It is being looked through")
		_, err = conn.Exec(t.Context(), `ROLLBACK`)
		check(t, err)
		check(t, <-ended)
		page.MustHave("No fault was found. Nothing is saved yet.")
		if faults := page.Axe(); len(faults) > 0 {
			t.Errorf("a screen reader trips over %v", faults)
		}
		if red := page.Errors(); len(red) > 0 {
			t.Errorf("a developer sees in red: %v", red)
		}
	}
}

// The promise: the columns of a spreadsheet are told on any screen, with and without a script, and read aloud.
func TestTheColumnsOfASpreadsheetAreToldOnAnyScreen(t *testing.T) {
	t.Parallel()
	site := webtest.New(t)
	who := site.Who(access.Owner)
	page := chrome.Open(t).Page()
	page.Goto(site.Link(access.Owner))
	for _, script := range []bool{true, false} {
		id, err := site.Store.KeepImport(t.Context(), who, store.NewImport{Key: uuid.New(), FileName: "lots.csv", Table: "material_lots", Sheet: &store.SheetReading{Head: 1, Comma: ";"}}, strings.NewReader(strings.Replace(lotList, "How it is", "A heading that is much longer than what stands below it", 1)))
		check(t, err)
		page.JavaScript(script)
		page.Goto(site.URL + paths.Sheet(store.Text(id)))
		page.Choose("column-2", "received_on")
		page.Choose("column-5", "status")
		page.Submit("Look it through")
		page.MustHave("Please look at this again")
		page.Click(".sheet summary")
		for _, size := range [][2]int{{390, 844}, {820, 1180}, {1280, 800}} {
			page.Size(size[0], size[1])
			if wider := page.Overflow(); wider > 0 {
				t.Errorf("it is %d px wider than a window of %d", wider, size[0])
			}
			var out []string
			page.Eval(`[...document.querySelectorAll(".sheet")].filter(s => s.checkVisibility() && s.scrollWidth > s.clientWidth + 1).map(s => s.innerText.slice(0, 40))`, &out)
			if len(out) > 0 {
				t.Errorf("at %d px something sticks out of %q", size[0], out)
			}
		}
		if faults := page.Axe(); len(faults) > 0 {
			t.Errorf("a screen reader trips over %v", faults)
		}
	}
	page.JavaScript(true)
	for _, path := range []string{paths.Sheets(), paths.DataColumns("")} {
		page.Goto(site.URL + path)
		page.Size(390, 844)
		if wider := page.Overflow(); wider > 0 {
			t.Errorf("%s is %d px wider than a telephone", path, wider)
		}
		if faults := page.Axe(); len(faults) > 0 {
			t.Errorf("%s: a screen reader trips over %v", path, faults)
		}
	}
	if red := page.Errors(); len(red) > 0 && !strings.Contains(strings.Join(red, " "), "422") {
		t.Errorf("a developer sees in red: %v", red)
	}
}
