package materials_test

import (
	"net/http"
	"strings"
	"testing"

	"github.com/shopspring/decimal"

	"example.org/stillroom/internal/access"
	"example.org/stillroom/internal/day"
	"example.org/stillroom/internal/store"
	"example.org/stillroom/web/webtest"
)

func TestASupplierIsAddedCorrectedAndListsItsLots(t *testing.T) {
	t.Parallel()
	site := webtest.New(t)
	oil(t, site)
	helper := site.As(access.Helper)
	form := helper.Get("/suppliers/new")
	typed := map[string]string{"name": "Fenmarch <Oils>", "email": "post@fenmarch.example.org", "phone": "555 0101", "address": "Mill Lane 4\nQuillmoor"}
	saved := helper.Submit(form, "Add this supplier", typed)
	if page := helper.Follow(saved); saved.Location != "/suppliers/FO" || page.Text("h1") != "Fenmarch <Oils>" || page.Find("a[href='mailto:post@fenmarch.example.org']").Length() != 1 {
		t.Fatalf("%s: %q", saved.Location, page.Text("main"))
	}
	if again := helper.Submit(form, "Add this supplier", typed); again.Location != saved.Location {
		t.Errorf("sent twice: %s", again.Location)
	}
	for range 51 {
		if _, err := site.Store.ReceiveLot(t.Context(), site.Who(access.Helper), store.Entry{}, store.Receipt{Material: "OO", Supplier: "FO", SupplierLot: "7731-B", ReceivedOn: day.Must("2026-03-12"), Quantity: decimal.NewFromInt(5)}); err != nil {
			t.Fatal(err)
		}
	}
	page := helper.Get("/suppliers/FO")
	older := helper.Get(page.Find("a[rel=next]").AttrOr("href", "?"))
	if page.Find("tbody tr").Length() != 50 || older.Find("tbody tr").Length() != 1 || older.Find("a[rel=next]").Length() != 0 {
		t.Errorf("%d lots, then %d", page.Find("tbody tr").Length(), older.Find("tbody tr").Length())
	}
	// Who added it today may correct it; what changed in its contact is not shown, only that it did.
	stale := helper.Get("/suppliers/FO/correct")
	corrected := helper.Follow(helper.Submit(helper.Get("/suppliers/FO/correct"), "Correct this supplier", map[string]string{"phone": "555 0202", "reason": "new line"}))
	row := corrected.Text("table.changes tbody")
	if !strings.Contains(row, "new line") || !strings.Contains(row, "(kept private)") || strings.Contains(row, "555") {
		t.Errorf("what was changed: %q", row)
	}
	late := helper.Submit(stale, "Correct this supplier", map[string]string{"name": "Fenmarch", "reason": "short"})
	if late.Status != http.StatusConflict || late.Text("#f-phone-hint") != "In the book: 555 0202" {
		t.Errorf("a stale page: %d %q", late.Status, late.Text("#f-phone-hint"))
	}
	keeps(t, "a stale page", late, map[string]string{"name": "Fenmarch", "reason": "short", "phone": "555 0101"})
	if list := helper.Get("/suppliers"); list.Find("tbody tr").Length() != 1 || !strings.Contains(list.Text("tbody"), "555 0202") {
		t.Errorf("the list: %q", list.Text("main"))
	}
}

func TestABadSupplierIsToldAtOnceAndKept(t *testing.T) {
	t.Parallel()
	site := webtest.New(t)
	oil(t, site)
	lot(t, site, access.Maker) // its supplier is FO
	maker := site.As(access.Maker)
	before := changes(t, site)
	long := strings.Repeat("x", 501)
	for _, c := range []struct {
		name, path, button string
		typed              map[string]string
		want               map[string]string
	}{
		{"nothing", "/suppliers/new", "Add this supplier", nil, map[string]string{"name": "Write the supplier's name"}},
		{"no address of an e-mail, a code of two words", "/suppliers/new", "Add this supplier", map[string]string{"name": "Heather Acre", "email": "heather", "code": "H A"}, map[string]string{"email": "", "code": "letters, digits"}},
		{"everything too long", "/suppliers/new", "Add this supplier", map[string]string{"name": long, "phone": long, "address": long, "code": long}, map[string]string{"name": "", "phone": "At most", "address": "At most", "code": "At most"}},
		{"a code that is taken", "/suppliers/new", "Add this supplier", map[string]string{"name": "Heather Acre", "code": "FO"}, map[string]string{"code": "Another supplier has this code."}},
		{"a code that is a page", "/suppliers/new", "Add this supplier", map[string]string{"name": "Heather Acre", "code": "new"}, map[string]string{"code": "not the word new"}},
		{"corrected to nothing", "/suppliers/FO/correct", "Correct this supplier", map[string]string{"name": " ", "email": "x"}, map[string]string{"name": "Write the supplier's name", "email": "", "reason": "Say why"}},
	} {
		page := maker.Submit(maker.Get(c.path), c.button, c.typed)
		refused(t, c.name, page, c.want)
		keeps(t, c.name, page, c.typed)
	}
	if after := changes(t, site); after != before {
		t.Errorf("%d changes were stored", after-before)
	}
}
