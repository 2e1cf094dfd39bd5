package exchange_test

import (
	"archive/zip"
	"bytes"
	"context"
	"encoding/csv"
	"io"
	"net/http"
	"net/http/httptest"
	"net/url"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"example.org/stillroom/internal/access"
	"example.org/stillroom/internal/interchange"
	"example.org/stillroom/internal/store"
	"example.org/stillroom/web"
	"example.org/stillroom/web/ui"
	"example.org/stillroom/web/webtest"
)

const (
	suppliers = "code,name\nBRACKEN,Bracken & Fenn\nSALT,\"Salt, Ltd\"\n"
	materials = "code,name,kind,unit\nOIL,Olive oil,raw,g\n"
)

func zipOf(t *testing.T, files map[string]string) []byte {
	t.Helper()
	var b bytes.Buffer
	z := zip.NewWriter(&b)
	for name, text := range files {
		w, err := z.Create(name)
		if err == nil {
			_, err = io.WriteString(w, text)
		}
		check(t, err)
	}
	check(t, z.Close())
	return b.Bytes()
}

func check(t *testing.T, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

func wantStatus(t *testing.T, what string, p *webtest.Page, want int) {
	t.Helper()
	if p.Status != want {
		t.Fatalf("%s: %d, want %d:\n%s", what, p.Status, want, p.Text("main"))
	}
}

// send sends a file by the form of the page.
func send(c *webtest.Client, name string, data []byte, more ...string) *webtest.Page {
	values := map[string]string{"entry_key": uuid.NewString()}
	for i := 0; i < len(more); i += 2 {
		values[more[i]] = more[i+1]
	}
	return c.Upload("/settings/data/import", values, "file", name, data)
}

// through waits, as a page without a script does, until nothing runs any more.
func through(t *testing.T, c *webtest.Client, path string) *webtest.Page {
	t.Helper()
	for range 300 {
		p := c.Get(path)
		wantStatus(t, path, p, http.StatusOK)
		if p.Find("#import[data-running]").Length() == 0 {
			return p
		}
		if !strings.Contains(p.Body, `http-equiv="refresh"`) || p.Find("progress").Length() != 1 {
			t.Fatalf("a page that waits does not ask for itself: %s", p.Body)
		}
		time.Sleep(50 * time.Millisecond)
	}
	t.Fatal("the import did not end")
	return nil
}

func sent(t *testing.T, c *webtest.Client, name string, data []byte, more ...string) *webtest.Page {
	t.Helper()
	p := send(c, name, data, more...)
	wantStatus(t, name, p, http.StatusSeeOther)
	return through(t, c, p.Location)
}

// rows are the counts on the page: table, new, changed, same, refused.
func rows(p *webtest.Page) [][]string {
	var list [][]string
	for _, tr := range p.Find("#import table tbody tr").EachIter() {
		var row []string
		for _, cell := range tr.Find("th, td").EachIter() {
			row = append(row, cell.Text())
		}
		list = append(list, row)
	}
	return list
}

func faults(p *webtest.Page) []string {
	var list []string
	for _, li := range p.Find("#import ul.faults li").EachIter() {
		list = append(list, li.Text())
	}
	return list
}

func TestAFileIsLookedThroughThenSaved(t *testing.T) {
	t.Parallel()
	site := webtest.New(t)
	c := site.As(access.Owner)
	p := sent(t, c, "book.zip", zipOf(t, map[string]string{"suppliers.csv": suppliers, "materials.csv": materials}))
	if diff := cmp.Diff([][]string{{"suppliers.csv", "2", "0", "0", "0"}, {"materials.csv", "1", "0", "0", "0"}}, rows(p)); diff != "" {
		t.Errorf("looked through (-want +got):\n%s", diff)
	}
	if !strings.Contains(p.Text("#import"), "No fault was found. Nothing is saved yet.") {
		t.Errorf("looked through: %q", p.Text("#import"))
	}
	wantStatus(t, "before it is saved", c.Get("/suppliers/SALT"), http.StatusNotFound)

	p = c.Follow(c.Submit(p, "Save 3 rows", nil))
	p = through(t, c, p.Path)
	if !strings.Contains(p.Text("#import"), "It is saved.") || p.Find(`#import a[href="/suppliers"]`).Length() != 1 {
		t.Errorf("saved: %q", p.Text("#import"))
	}
	if got := c.Get("/suppliers/SALT"); !strings.Contains(got.Text("h1"), "Salt, Ltd") {
		t.Errorf("after it is saved: %q", got.Text("main"))
	}
	verdicts, err := store.Verify(t.Context(), site.DB.OwnerURL)
	check(t, err)
	if len(verdicts[0].Broken) > 0 {
		t.Errorf("verify: %v", verdicts[0].Broken)
	}
	var kept int
	var reason string
	conn := ownerConn(t, site)
	check(t, conn.QueryRow(t.Context(), `SELECT (SELECT count(*) FROM import_chunk), (SELECT reason FROM change WHERE reason LIKE 'Import of%')`).Scan(&kept, &reason))
	if kept != 0 || !strings.HasPrefix(reason, "Import of book.zip (SHA-256 ") {
		t.Errorf("%d pieces of the file are kept, the reason is %q", kept, reason)
	}
	wantStatus(t, "saved twice", c.Post(p.Path+"/apply", url.Values{}), http.StatusConflict)

	again := sent(t, c, "suppliers.csv", []byte(suppliers))
	if !strings.Contains(again.Text("#import"), "All of it is in the book already") || again.Find(`form[action$="/apply"]`).Length() != 0 {
		t.Errorf("the same again: %q", again.Text("#import"))
	}
}

func ownerConn(t *testing.T, site *webtest.Site) *pgx.Conn {
	t.Helper()
	conn, err := pgx.Connect(t.Context(), site.DB.OwnerURL)
	check(t, err)
	t.Cleanup(func() { _ = conn.Close(context.Background()) })
	return conn
}

func TestAFileWithFaultsSavesNothingAndSaysAllOfThem(t *testing.T) {
	t.Parallel()
	site := webtest.New(t)
	c := site.As(access.Owner)
	p := sent(t, c, "book.zip", zipOf(t, map[string]string{"suppliers.csv": suppliers, "materials.csv": materials + "SALT,Salt,raw,kg\n",
		"material_lots.csv": "code,material,received_on,quantity,status\nL-1,NOPE,2026-02-30,5,released\nL-2,OIL,2026-02-03,5,released\n"}))
	got := faults(p)
	for _, want := range []string{"material_lots.csv:2: received_on:", "materials.csv:3: unit:"} {
		if !slices.ContainsFunc(got, func(s string) bool { return strings.HasPrefix(s, want) }) {
			t.Errorf("%q is not among %q", want, got)
		}
	}
	if !strings.Contains(p.Text("#import"), "Nothing was saved") || p.Find(`form[action$="/apply"]`).Length() != 0 {
		t.Errorf("with faults: %q", p.Text("#import"))
	}
	if refused := rows(p); !slices.ContainsFunc(refused, func(r []string) bool { return r[0] == "material_lots.csv" && r[4] == "1" }) {
		t.Errorf("refused: %v", refused)
	}
	wantStatus(t, "saved nevertheless", c.Post(p.Path+"/apply", url.Values{}), http.StatusConflict)
	wantStatus(t, "what was sound in it", c.Get("/suppliers/SALT"), http.StatusNotFound)
}

func TestAThousandFaultsAreShownAndTheRestCounted(t *testing.T) {
	t.Parallel()
	c := webtest.New(t).As(access.Owner)
	p := sent(t, c, "materials.csv", []byte("code,name,kind,unit\n"+strings.Repeat("OIL,Oil,raw,kg\n", 1234)))
	if n := len(faults(p)); n != store.MostFaults || !strings.Contains(p.Text("#import"), " more.") {
		t.Errorf("%d faults are shown: %q", n, p.Text("#import .sheet > p"))
	}
}

func TestARowWithOtherValuesIsChangedOnlyWhereThatWasAsked(t *testing.T) {
	t.Parallel()
	site := webtest.New(t)
	c := site.As(access.Owner)
	p := sent(t, c, "suppliers.csv", []byte(suppliers))
	through(t, c, c.Submit(p, "Save 2 rows", nil).Location)
	p = sent(t, c, "suppliers.csv", []byte("code,name\nSALT,Salt and Sea\n"))
	if got := faults(p); len(got) != 1 || !strings.HasPrefix(got[0], "suppliers.csv:2: name: ") {
		t.Fatalf("without being asked: %q", got)
	}
	p = through(t, c, c.Submit(p, "Look again, changing what is there", nil).Location)
	if diff := cmp.Diff([][]string{{"suppliers.csv", "0", "1", "0", "0"}}, rows(p)); diff != "" {
		t.Errorf("asked (-want +got):\n%s", diff)
	}
	through(t, c, c.Submit(p, "Save 1 row", nil).Location)
	if got := c.Get("/suppliers/SALT"); got.Text("h1") != "Salt and Sea" {
		t.Errorf("changed: %q", got.Text("h1"))
	}
	if p := sent(t, c, "suppliers.csv", []byte("code,name\nSALT,Salt once more\n"), "update", "on"); len(faults(p)) != 0 {
		t.Errorf("with the box ticked: %q", faults(p))
	}
}

func TestATableOfAnotherNameIsAskedFor(t *testing.T) {
	t.Parallel()
	c := webtest.New(t).As(access.Owner)
	p := sent(t, c, "my materials (1).csv", []byte(materials))
	if p.Find("select[name=table] option").Length() != len(interchange.Tables())+1 {
		t.Fatalf("not asked: %q", p.Text("main"))
	}
	none := c.Submit(p, "Look it through", map[string]string{"table": ""})
	wantStatus(t, "no table", none, http.StatusUnprocessableEntity)
	if none.Error("table") != "Choose which table it is." {
		t.Errorf("beside the field: %q", none.Error("table"))
	}
	wantStatus(t, "no such table", c.Post(p.Path+"/check", url.Values{"table": {"sales"}}), http.StatusUnprocessableEntity)
	p = through(t, c, c.Submit(p, "Look it through", map[string]string{"table": "materials"}).Location)
	if diff := cmp.Diff([][]string{{"materials.csv", "1", "0", "0", "0"}}, rows(p)); diff != "" {
		t.Errorf("as materials (-want +got):\n%s", diff)
	}
}

func TestAFileThatCannotBeReadSaysSo(t *testing.T) {
	t.Parallel()
	site := webtest.New(t)
	c := site.As(access.Owner)
	whole := zipOf(t, map[string]string{"suppliers.csv": "code,name\n" + strings.Repeat("BRACKEN,Bracken & Fenn\n", 50)})
	torn := bytes.Clone(whole)
	copy(torn[50:], bytes.Repeat([]byte{0xff}, 12))
	for name, tc := range map[string]struct {
		file string
		data []byte
		want string
	}{
		"not a zip":       {"book.zip", []byte("code,name\n"), "book.zip is no zip that can be read"},
		"half a zip":      {"book.zip", whole[:len(whole)/2], "is no zip that can be read"},
		"a damaged zip":   {"book.zip", torn, "Nothing was saved"},
		"an empty zip":    {"book.zip", zipOf(t, nil), "holds no table"},
		"another content": {"book.zip", zipOf(t, map[string]string{"sales.csv": "a,b\n"}), "sales.csv: is no table of a workshop"},
		"a zip renamed":   {"suppliers.csv", whole[:40], "is no zip that can be read"},
	} {
		t.Run(name, func(t *testing.T) {
			p := sent(t, c, tc.file, tc.data)
			if !strings.Contains(p.Text("#import"), tc.want) || !strings.Contains(p.Text("#import"), "Nothing was saved") {
				t.Errorf("it says %q", p.Text("#import"))
			}
			if p.Find(`form[action$="/drop"]`).Length() != 1 {
				t.Error("it cannot be given up")
			}
		})
	}
	p := send(c, "suppliers.csv", nil)
	wantStatus(t, "an empty file", p, http.StatusUnprocessableEntity)
	if !strings.Contains(p.Error("file"), "empty") {
		t.Errorf("an empty file: %q", p.Error("file"))
	}
	p = c.Post("/settings/data/import", url.Values{"entry_key": {uuid.NewString()}})
	wantStatus(t, "no file", p, http.StatusUnprocessableEntity)
	if !strings.Contains(p.Error("file"), "Choose a file") {
		t.Errorf("no file: %q", p.Error("file"))
	}
}

func TestAFileThatIsTooLargeIsRefusedAndNothingOfItKept(t *testing.T) {
	t.Parallel()
	site := webtest.New(t)
	server := httptest.NewServer(web.Handler(&ui.House{Store: site.Store, Clock: time.Now, Log: site.House.Log, ImportMost: 64 << 10}))
	t.Cleanup(server.Close)
	site.URL = server.URL
	c := site.As(access.Owner)
	p := send(c, "suppliers.csv", []byte("code,name\n"+strings.Repeat("BRACKEN,Bracken & Fenn\n", 4000)))
	wantStatus(t, "too large", p, http.StatusRequestEntityTooLarge)
	if !strings.Contains(p.Error("file"), "more than 64 KB") {
		t.Errorf("too large: %q", p.Text("main"))
	}
	var jobs int
	check(t, ownerConn(t, site).QueryRow(t.Context(), `SELECT count(*) FROM import_job`).Scan(&jobs))
	if jobs != 0 {
		t.Errorf("%d jobs are kept", jobs)
	}
	if p := sent(t, c, "suppliers.csv", []byte(suppliers)); len(rows(p)) != 1 {
		t.Errorf("just small enough: %q", p.Text("main"))
	}
}

func TestTheSameFormSentTwiceIsOneFile(t *testing.T) {
	t.Parallel()
	site := webtest.New(t)
	c := site.As(access.Owner)
	key := uuid.NewString()
	first, second := send(c, "suppliers.csv", []byte(suppliers), "entry_key", key), send(c, "suppliers.csv", []byte(suppliers), "entry_key", key)
	wantStatus(t, "once", first, http.StatusSeeOther)
	wantStatus(t, "twice", second, http.StatusSeeOther)
	if first.Location != second.Location {
		t.Errorf("%s and %s", first.Location, second.Location)
	}
	wantStatus(t, "with another file", send(c, "suppliers.csv", []byte("code,name\n"), "entry_key", key), http.StatusConflict)
	through(t, c, first.Location)
	if n := c.Get("/settings/data").Find("table tbody tr").Length(); n != 1 {
		t.Errorf("%d files are listed", n)
	}
}

func TestAFileCanBeGivenUp(t *testing.T) {
	t.Parallel()
	site := webtest.New(t)
	c := site.As(access.Owner)
	p := sent(t, c, "suppliers.csv", []byte(suppliers))
	list := c.Follow(c.Submit(p, "Give the file up", nil))
	if !strings.Contains(list.Text("#said"), "Nothing of it was saved") || !strings.Contains(list.Text("table"), "given up") {
		t.Errorf("given up: %q", list.Text("main"))
	}
	var kept int
	check(t, ownerConn(t, site).QueryRow(t.Context(), `SELECT count(*) FROM import_chunk`).Scan(&kept))
	if kept != 0 {
		t.Errorf("%d pieces are kept", kept)
	}
	wantStatus(t, "saved nevertheless", c.Post(p.Path+"/apply", url.Values{}), http.StatusConflict)
	wantStatus(t, "looked through again", c.Post(p.Path+"/check", url.Values{}), http.StatusConflict)
}

func TestOnlyTheOwnerOfTheWorkshopMay(t *testing.T) {
	t.Parallel()
	site := webtest.New(t)
	job := sent(t, site.As(access.Owner), "suppliers.csv", []byte(suppliers)).Path
	for _, role := range []access.Role{access.Maker, access.Helper, access.Viewer} {
		c := site.As(role)
		for _, path := range []string{"/settings/data", "/settings/data/export.zip", "/settings/data/columns", "/settings/data/templates/batches.csv", job} {
			wantStatus(t, string(role)+" "+path, c.Get(path), http.StatusForbidden)
		}
		for _, path := range []string{job + "/check", job + "/apply", job + "/drop"} {
			wantStatus(t, string(role)+" "+path, c.Post(path, url.Values{}), http.StatusForbidden)
		}
		wantStatus(t, string(role)+" sends", send(c, "suppliers.csv", []byte(suppliers)), http.StatusForbidden)
	}
	wantStatus(t, "nobody", send(site.As(""), "suppliers.csv", []byte(suppliers)), http.StatusUnauthorized)

	other := otherOwner(t, site)
	wantStatus(t, "another workshop's job", other.Get(job), http.StatusNotFound)
	for _, do := range []string{"/check", "/apply", "/drop"} {
		wantStatus(t, "another workshop's "+do, other.Post(job+do, url.Values{}), http.StatusNotFound)
	}
	if n := other.Get("/settings/data").Find("table tbody tr").Length(); n != 0 {
		t.Errorf("another workshop sees %d files", n)
	}
}

// otherOwner is the owner of a second workshop in the same database.
func otherOwner(t *testing.T, site *webtest.Site) *webtest.Client {
	t.Helper()
	shop := store.WorkshopID(uuid.Must(uuid.NewV7()))
	_, err := ownerConn(t, site).Exec(t.Context(), `INSERT INTO workshop (id, code, name) VALUES ($1, 'fenmarch', 'Workshop')`, shop)
	check(t, err)
	link, err := site.Store.SetUpLink(t.Context(), shop, time.Now())
	check(t, err)
	_, err = site.Store.SetUp(t.Context(), link, "Fenmarch Workshop", "UTC", store.NewPerson{Email: "owner@fenmarch.example.org", Name: "Ann Fen", Role: access.Owner}, webtest.Password, "test", time.Now())
	check(t, err)
	in, err := site.Store.SignInLink(t.Context(), shop, "owner@fenmarch.example.org", time.Now())
	check(t, err)
	c := site.As("")
	p := c.Get("/sign-in/" + in)
	wantStatus(t, "signing in", p, http.StatusSeeOther)
	return c
}

func TestTheExportIsEveryTableAndComesBackTheSame(t *testing.T) {
	t.Parallel()
	site := webtest.New(t)
	c := site.As(access.Owner)
	p := sent(t, c, "book.zip", zipOf(t, map[string]string{"suppliers.csv": suppliers, "materials.csv": materials}))
	through(t, c, c.Submit(p, "Save 3 rows", nil).Location)
	out := c.Get("/settings/data/export.zip")
	wantStatus(t, "export", out, http.StatusOK)
	if got := out.Header.Get("Content-Disposition"); !strings.HasPrefix(got, `attachment; filename="main-2`) {
		t.Errorf("Content-Disposition is %q", got)
	}
	z, err := zip.NewReader(strings.NewReader(out.Body), int64(len(out.Body)))
	check(t, err)
	var names, want []string
	for _, f := range z.File {
		names = append(names, f.Name)
	}
	for _, table := range interchange.Tables() {
		want = append(want, table.File())
	}
	shops, err := store.Workshops(t.Context(), site.DB.OwnerURL)
	check(t, err)
	tables, err := site.Store.BookTables(t.Context(), shops[0].ID)
	check(t, err)
	for _, table := range tables {
		want = append(want, table.File())
	}
	slices.Sort(names)
	slices.Sort(want)
	if diff := cmp.Diff(want, names); diff != "" {
		t.Errorf("tables (-want +got):\n%s", diff)
	}
	if again := sent(t, c, "export.zip", []byte(out.Body)); !strings.Contains(again.Text("#import"), "All of it is in the book already") {
		t.Errorf("brought in again: %q", again.Text("#import"))
	}

	// Into another workshop, where people are registered and nothing else stands.
	other := webtest.New(t).As(access.Owner)
	p = sent(t, other, "export.zip", []byte(out.Body))
	if got := p.Text("#import"); !strings.Contains(got, "No fault was found") || !strings.Contains(got, "book/") {
		t.Fatalf("looked through: %q", got)
	}
	saved := through(t, other, other.Submit(p, "Save", nil).Location)
	if got := saved.Text("#import"); !strings.Contains(got, "It is saved") {
		t.Fatalf("saved: %q", got)
	}
	if got := other.Get("/suppliers/BRACKEN").Text("main"); !strings.Contains(got, "Came in with an import") {
		t.Errorf("a supplier that was told of: %q", got)
	}
	full := webtest.New(t).As(access.Owner)
	through(t, full, full.Submit(sent(t, full, "book.zip", zipOf(t, map[string]string{"suppliers.csv": suppliers})), "Save", nil).Location)
	if got := sent(t, full, "export.zip", []byte(out.Body)).Text("#import"); !strings.Contains(got, "book/material.csv:2: id: the workshop has no such row") || !strings.Contains(got, "may be left out") {
		t.Errorf("into one that is not empty: %q", got)
	}
}

func TestEachTableIsExplainedAndHasAnEmptyOne(t *testing.T) {
	t.Parallel()
	c := webtest.New(t).As(access.Owner)
	page := c.Get("/settings/data/columns")
	for _, table := range interchange.Tables() {
		var named []string
		for _, th := range page.Find("#" + table.Name + " tbody th").EachIter() {
			named = append(named, th.Text())
		}
		if diff := cmp.Diff(table.Header(), named); diff != "" {
			t.Errorf("columns of %s (-want +got):\n%s", table.Name, diff)
		}
		href := page.Find("#"+table.Name+" a[download]").AttrOr("href", "")
		empty := c.Get(href)
		read, err := csv.NewReader(strings.NewReader(empty.Body)).ReadAll()
		check(t, err)
		if diff := cmp.Diff([][]string{table.Header()}, read); diff != "" {
			t.Errorf("%s (-want +got):\n%s", href, diff)
		}
	}
	if got := page.Text("#book"); !strings.Contains(got, "book/portion_line.csv") || !strings.Contains(got, "One ingredient of a portion") || strings.Contains(got, "session") {
		t.Errorf("the folder book: %q", got)
	}
	if got := page.Text("#batches"); !strings.Contains(got, "0 to 100") || !strings.Contains(got, "quarantined, released, rejected") {
		t.Errorf("batches: %q", got)
	}
	wantStatus(t, "no such table", c.Get("/settings/data/templates/person.csv"), http.StatusNotFound)
}
