package materials_test

import (
	"context"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"github.com/shopspring/decimal"

	"example.org/stillroom/internal/access"
	"example.org/stillroom/internal/day"
	"example.org/stillroom/internal/store"
	"example.org/stillroom/web/webtest"
)

// oil puts one material into the book.
func oil(t *testing.T, site *webtest.Site) {
	t.Helper()
	m := store.Material{Code: "OO", Name: "Oat oil", Kind: "raw", Unit: "g", Tracked: true, ExpiryCounts: true, Caution: "Slippery: wipe spills at once."}
	if _, err := site.Store.AddMaterial(t.Context(), site.Who(access.Maker), store.Entry{}, m); err != nil {
		t.Fatal(err)
	}
}

// lot puts 1,000 g of the oil into the book, received by a person of the role, and answers its code.
func lot(t *testing.T, site *webtest.Site, by access.Role) string {
	t.Helper()
	code, err := site.Store.ReceiveLot(t.Context(), site.Who(by), store.Entry{}, store.Receipt{Material: "OO", NewSupplier: "Fenmarch Oils", SupplierLot: "7731-B",
		ReceivedOn: day.Must("2026-03-12"), ExpiresOn: day.Must("2099-06-30"), Quantity: decimal.NewFromInt(1000)})
	if err != nil {
		t.Fatal(err)
	}
	return code
}

// elsewhere is a second workshop in the same database with a material XX, a supplier XS, and a lot of it with a paper.
func elsewhere(t *testing.T, site *webtest.Site) (lot, document string) {
	t.Helper()
	ctx := t.Context()
	conn, err := pgx.Connect(ctx, site.DB.OwnerURL)
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close(context.Background())
	id := uuid.Must(uuid.NewV7())
	if _, err := conn.Exec(ctx, `INSERT INTO workshop (id, code, name) VALUES ($1, 'second', 'Fenmarch Workshop')`, id); err != nil {
		t.Fatal(err)
	}
	who := store.Who{Workshop: store.WorkshopID(id), Actor: "system"}
	if _, err := site.Store.AddMaterial(ctx, who, store.Entry{}, store.Material{Code: "XX", Name: "Theirs", Kind: "raw", Unit: "g", Tracked: true}); err != nil {
		t.Fatal(err)
	}
	if _, err := site.Store.AddSupplier(ctx, who, store.Entry{}, store.Supplier{Code: "XS", Name: "Their supplier"}); err != nil {
		t.Fatal(err)
	}
	paper := store.Upload{Kind: "certificate", Name: "theirs.pdf", MediaType: "application/pdf", Data: []byte("%PDF-1.4")}
	lot, err = site.Store.ReceiveLot(ctx, who, store.Entry{}, store.Receipt{Material: "XX", Supplier: "XS", ReceivedOn: day.Must("2026-03-12"), Quantity: decimal.NewFromInt(7)}, paper)
	if err != nil {
		t.Fatal(err)
	}
	page, err := site.Store.Lot(ctx, who.Workshop, lot)
	if err != nil {
		t.Fatal(err)
	}
	return lot, store.Text(page.Documents[0].ID)
}

// refused checks a form that was not taken: status, the words beside each field, the title and the summary.
func refused(t *testing.T, name string, page *webtest.Page, want map[string]string) {
	t.Helper()
	if page.Status != http.StatusUnprocessableEntity {
		t.Errorf("%s: status %d, said %q", name, page.Status, page.Text("main"))
		return
	}
	for field, words := range want {
		if !strings.Contains(page.Error(field), words) {
			t.Errorf("%s: beside %s stands %q, want %q", name, field, page.Error(field), words)
		}
		if page.Find(".summary a[href='#f-"+field+"']").Length() != 1 || page.Find("[id='f-"+field+"']").Length() != 1 {
			t.Errorf("%s: the summary does not lead to %s", name, field)
		}
	}
	if off := page.Find("p.error").Length(); off != len(want) {
		t.Errorf("%s: %d errors are shown, want %d", name, off, len(want))
	}
	if !strings.HasPrefix(page.Text("title"), "Error: ") || page.Find("h1").Length() != 1 {
		t.Errorf("%s: title %q, %d headings", name, page.Text("title"), page.Find("h1").Length())
	}
}

// keeps checks that everything typed is still there.
func keeps(t *testing.T, name string, page *webtest.Page, typed map[string]string) {
	t.Helper()
	if len(typed) == 0 {
		return
	}
	got := map[string]string{}
	for field := range typed {
		got[field] = page.Value(field)
	}
	if diff := cmp.Diff(typed, got); diff != "" {
		t.Errorf("%s: what was typed is gone:\n%s", name, diff)
	}
}

// changes counts all records of the site's workshop that were ever written.
func changes(t *testing.T, site *webtest.Site) int {
	t.Helper()
	conn, err := pgx.Connect(t.Context(), site.DB.OwnerURL)
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close(context.Background())
	var n int
	if err := conn.QueryRow(t.Context(), `SELECT count(*) FROM change`).Scan(&n); err != nil {
		t.Fatal(err)
	}
	return n
}

func TestEachRoleReachesWhatIsItsOwn(t *testing.T) {
	t.Parallel()
	site := webtest.New(t)
	oil(t, site)
	code := lot(t, site, access.Owner)
	clients := map[access.Role]*webtest.Client{}
	for _, role := range access.Roles() {
		clients[role] = site.As(role)
	}
	everybody, workers, makers := access.Roles(), access.Roles()[1:], access.Roles()[2:]
	for _, c := range []struct {
		path string
		may  []access.Role
	}{
		{"/materials", everybody}, {"/materials/OO", everybody}, {"/lots", everybody}, {"/lots/" + code, everybody}, {"/suppliers", everybody}, {"/suppliers/FO", everybody},
		{"/lots/new", workers}, {"/lots/" + code + "/move", workers}, {"/lots/" + code + "/papers", workers}, {"/suppliers/new", workers},
		{"/materials/new", makers}, {"/materials/OO/correct", makers}, {"/lots/" + code + "/correct", makers}, {"/suppliers/FO/correct", makers},
	} {
		for role, client := range clients {
			want := http.StatusForbidden
			if slices.Contains(c.may, role) {
				want = http.StatusOK
			}
			if page := client.Get(c.path); page.Status != want || page.Find("h1").Length() != 1 || strings.Contains(page.Body, "style=") {
				t.Errorf("%s asks for %s: %d, %d headings", role, c.path, page.Status, page.Find("h1").Length())
			}
		}
	}
	before := changes(t, site)
	viewer := clients[access.Viewer]
	for _, path := range []string{"/materials/new", "/materials/OO/correct", "/lots/new", "/lots/" + code + "/status", "/lots/" + code + "/move", "/lots/" + code + "/correct", "/lots/" + code + "/papers", "/suppliers/new", "/suppliers/FO/correct"} {
		if page := viewer.Post(path, url.Values{"entry_key": {uuid.NewString()}}); page.Status != http.StatusForbidden {
			t.Errorf("a viewer posts to %s: %d", path, page.Status)
		}
	}
	// A helper may ask to correct, but only what they received themselves today.
	form := url.Values{"entry_key": {uuid.NewString()}, "quantity": {"1"}, "received_on": {"2026-03-12"}, "reason": {"because"}, "name": {"X"}, "status": {"rejected"}}
	for _, path := range []string{"/lots/" + code + "/correct", "/suppliers/FO/correct", "/lots/" + code + "/status"} {
		if page := clients[access.Helper].Post(path, form); page.Status != http.StatusForbidden {
			t.Errorf("a helper posts to %s: %d", path, page.Status)
		}
	}
	if after := changes(t, site); after != before {
		t.Errorf("%d changes were stored by people without the right", after-before)
	}
}

func TestAnotherWorkshopsThingsAreNotThere(t *testing.T) {
	t.Parallel()
	site := webtest.New(t)
	oil(t, site)
	code := lot(t, site, access.Owner)
	theirs, document := elsewhere(t, site)
	owner := site.As(access.Owner)
	for _, path := range []string{"/materials/XX", "/materials/XX/correct", "/lots/" + theirs, "/lots/" + theirs + "/move", "/lots/" + theirs + "/correct", "/lots/" + theirs + "/papers",
		"/suppliers/XS", "/suppliers/XS/correct", "/documents/" + document, "/documents/" + uuid.NewString(), "/documents/x"} {
		if page := owner.Get(path); page.Status != http.StatusNotFound || strings.Contains(page.Text("main"), "Their") {
			t.Errorf("%s: %d %q", path, page.Status, page.Text("main"))
		}
	}
	before := changes(t, site)
	for _, path := range []string{"/materials/XX/correct", "/lots/" + theirs + "/status", "/lots/" + theirs + "/move", "/lots/" + theirs + "/correct", "/lots/" + theirs + "/papers", "/suppliers/XS/correct"} {
		form := url.Values{"entry_key": {uuid.NewString()}, "name": {"Mine"}, "status": {"released"}, "what": {"away"}, "away": {"1"}, "away_why": {"x"}, "reason": {"x"}}
		if page := owner.Post(path, form); page.Status != http.StatusNotFound {
			t.Errorf("posting to %s: %d %q", path, page.Status, page.Text("main"))
		}
	}
	// Named inside a form, their things are not known either.
	receipt := url.Values{"entry_key": {uuid.NewString()}, "material": {"XX"}, "quantity": {"1"}, "received_on": {"2026-03-12"}}
	refused(t, "their material", owner.Post("/lots/new", receipt), map[string]string{"material": "There is no material"})
	receipt.Set("material", "OO")
	receipt.Set("supplier", "XS")
	refused(t, "their supplier", owner.Post("/lots/new", receipt), map[string]string{"supplier": "There is no supplier"})
	page := owner.Get("/lots/" + code + "/correct")
	refused(t, "their supplier in a correction", owner.Submit(page, "Correct this lot", map[string]string{"supplier": "XS", "reason": "x"}), map[string]string{"supplier": "There is no supplier"})
	if after := changes(t, site); after != before {
		t.Errorf("%d changes were stored", after-before)
	}
}
