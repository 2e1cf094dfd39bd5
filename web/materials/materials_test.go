package materials_test

import (
	"net/http"
	"strings"
	"testing"

	"example.org/stillroom/internal/access"
	"example.org/stillroom/internal/store"
	"example.org/stillroom/web/webtest"
)

// oil puts one material into the book.
func oil(t *testing.T, site *webtest.Site) {
	t.Helper()
	if _, err := site.Store.AddMaterial(t.Context(), site.Who(access.Maker), store.Entry{}, store.Material{Code: "OO", Name: "Oat oil", Kind: "raw", Unit: "g", Tracked: true, ExpiryCounts: true}); err != nil {
		t.Fatal(err)
	}
}

func TestAHelperReceivesALotAndAMakerReleasesIt(t *testing.T) {
	t.Parallel()
	site := webtest.New(t)
	oil(t, site)
	helper := site.As(access.Helper)
	form := helper.Get("/lots/new?material=OO")
	saved := helper.Submit(form, "Receive this lot", map[string]string{"quantity": "2500,5", "new_supplier": "Fenmarch Oils", "supplier_lot": "7731-B", "expires_on": "2030-06-30"})
	page := helper.Follow(saved)
	if saved.Location != "/lots/OO-0001" || !strings.Contains(page.Text("h1"), "2 500.5 g left") && !strings.Contains(page.Text("h1"), "2\u202f500.5 g left") {
		t.Fatalf("received: %s says %q", saved.Location, page.Text("main"))
	}
	if !strings.Contains(page.Text("main"), "In quarantine") || strings.Contains(page.Body, "Release for use") {
		t.Error("a helper sees the lot in quarantine and no button to release it")
	}
	maker := site.As(access.Maker)
	released := maker.Follow(maker.Submit(maker.Get("/lots/OO-0001"), "Release for use", nil))
	if !strings.Contains(released.Text("main"), "Released") {
		t.Errorf("after the release: %q", released.Text("main"))
	}
}

func TestABadReceiptTellsEverythingAtOnceAndKeepsWhatWasTyped(t *testing.T) {
	t.Parallel()
	site := webtest.New(t)
	oil(t, site)
	helper := site.As(access.Helper)
	page := helper.Submit(helper.Get("/lots/new"), "Receive this lot", map[string]string{"quantity": "1,234", "expires_on": "2030-02-30", "supplier_lot": "77<b>31"})
	if page.Status != http.StatusUnprocessableEntity {
		t.Fatalf("status %d", page.Status)
	}
	for field, want := range map[string]string{"material": "Choose the material.", "quantity": "could mean", "expires_on": "30 February"} {
		if !strings.Contains(page.Error(field), want) {
			t.Errorf("beside %s: %q, want %q", field, page.Error(field), want)
		}
	}
	if page.Value("quantity") != "1,234" || page.Value("supplier_lot") != "77<b>31" || page.Value("expires_on") != "2030-02-30" {
		t.Error("what was typed is gone")
	}
	if page.Find("title").Text()[:7] != "Error: " || page.Find(".summary a[href='#f-quantity']").Length() != 1 {
		t.Error("the summary leads to the field, and the title says that there is an error")
	}
}

func TestASecondSendingOfTheSameReceiptIsStoredOnce(t *testing.T) {
	t.Parallel()
	site := webtest.New(t)
	oil(t, site)
	helper := site.As(access.Helper)
	form := helper.Get("/lots/new?material=OO")
	first := helper.Submit(form, "Receive this lot", map[string]string{"quantity": "100"})
	again := helper.Submit(form, "Receive this lot", map[string]string{"quantity": "100"})
	other := helper.Submit(form, "Receive this lot", map[string]string{"quantity": "101"})
	if first.Status != 303 || again.Location != first.Location {
		t.Errorf("first %d %s, again %d %s", first.Status, first.Location, again.Status, again.Location)
	}
	if other.Status != http.StatusConflict {
		t.Errorf("another quantity under the same key: %d", other.Status)
	}
	verdict, err := store.Verify(t.Context(), site.DB.OwnerURL)
	if err != nil || len(verdict[0].Broken) > 0 {
		t.Errorf("verify: %v, %v", verdict, err)
	}
}
