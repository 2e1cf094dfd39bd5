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
