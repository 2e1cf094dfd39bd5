package materials_test

import (
	"net/http"
	"strings"
	"testing"

	"example.org/stillroom/internal/access"
	"example.org/stillroom/internal/store"
	"example.org/stillroom/web/webtest"
)

func TestAHelperReceivesALotAndAMakerReleasesIt(t *testing.T) {
	t.Parallel()
	site := webtest.New(t)
	oil(t, site)
	helper := site.As(access.Helper)
	choice := helper.Get("/lots/new")
	form := helper.Get(choice.Find("section.choices a").AttrOr("href", "?"))
	if !strings.HasPrefix(form.Text(".note.care"), "Caution: Slippery: wipe spills at once.") || form.Value("unit") != "g" || form.Find("#f-release").Length() != 0 {
		t.Errorf("the caution and the unit stand where the hand is, and a helper releases nothing: %q", form.Text("main"))
	}
	saved := helper.Submit(form, "Receive this lot", map[string]string{"quantity": "2500,5", "new_supplier": "Fenmarch Oils", "supplier_lot": "7731-B", "expires_on": "2099-06-30"})
	page := helper.Follow(saved)
	if saved.Location != "/lots/OO-0001" || page.Text("h1") != "2 500.5 g left" {
		t.Fatalf("received: %s says %q", saved.Location, page.Text("main"))
	}
	if !strings.Contains(page.Text("main"), "In quarantine") || strings.Contains(page.Body, "Release for use") || strings.Contains(page.Body, "Reject this lot") {
		t.Error("a helper sees the lot in quarantine and no button to release or reject it")
	}
	maker := site.As(access.Maker)
	released := maker.Follow(maker.Submit(maker.Get("/lots/OO-0001"), "Release for use", nil))
	if !strings.Contains(released.Text("main"), "Released") || !strings.Contains(released.Text("table.changes"), "was quarantined now released") {
		t.Errorf("after the release: %q", released.Text("main"))
	}
	if next := helper.Get("/lots/new?material=OO"); next.Value("supplier") != "FO" {
		t.Errorf("who delivered last is chosen already, not %q", next.Value("supplier"))
	}
}

func TestAMakerReleasesAtOnce(t *testing.T) {
	t.Parallel()
	site := webtest.New(t)
	oil(t, site)
	maker := site.As(access.Maker)
	page := maker.Follow(maker.Submit(maker.Get("/lots/new?material=OO"), "Receive this lot", map[string]string{"quantity": "5", "release": "on", "code": "OLD-17", "unit_cost": "0.02", "retest_on": "2099-01-01", "delivery_note": "DN 4"}))
	for _, want := range []string{"Released", "Retest by", "1 Jan 2099", "DN 4", "0.02"} {
		if !strings.Contains(page.Text("main"), want) {
			t.Errorf("the lot does not say %q: %q", want, page.Text("main"))
		}
	}
	// A helper who sends the tick all the same is told.
	helper := site.As(access.Helper)
	form := helper.Get("/lots/new?material=OO")
	form.Find("form.form").AppendHtml(`<input type="checkbox" name="release" value="on">`)
	forged := helper.Submit(form, "Receive this lot", map[string]string{"quantity": "5", "release": "on"})
	if forged.Status != http.StatusUnprocessableEntity || !strings.Contains(forged.Text(".summary"), "Only a maker or the owner releases a lot") {
		t.Errorf("a helper releasing: %d %q", forged.Status, forged.Text("main"))
	}
}

func TestABadReceiptTellsEverythingAtOnceAndKeepsWhatWasTyped(t *testing.T) {
	t.Parallel()
	site := webtest.New(t)
	oil(t, site)
	if _, err := site.Store.AddMaterial(t.Context(), site.Who(access.Maker), store.Entry{}, store.Material{Code: "TIN", Name: "Tin", Kind: "packaging", Unit: "each", Tracked: true}); err != nil {
		t.Fatal(err)
	}
	lot(t, site, access.Maker)
	helper := site.As(access.Helper)
	before := changes(t, site)
	for _, c := range []struct {
		name, material string
		typed          map[string]string
		want           map[string]string
	}{
		{"nothing but a material", "OO", nil, map[string]string{"quantity": "How much came?"}},
		{"no material, a quantity that could be two, a day that is none", "OO", map[string]string{"material": "", "quantity": "1,234", "expires_on": "2099-02-30", "supplier_lot": "77<b>31"},
			map[string]string{"material": "Choose the material.", "quantity": "could mean", "expires_on": "30 February"}},
		{"nothing came", "OO", map[string]string{"quantity": "0"}, map[string]string{"quantity": ""}},
		{"a quantity in words, a price below zero", "OO", map[string]string{"quantity": "two drums", "unit_cost": "-1"}, map[string]string{"quantity": "", "unit_cost": ""}},
		{"half a tin, tomorrow's tomorrow, a shorthand day", "TIN", map[string]string{"quantity": "2.5", "received_on": "2199-01-01", "retest_on": "1/2/27"},
			map[string]string{"quantity": "Pieces are counted whole: write a whole number.", "received_on": "has not come yet", "retest_on": ""}},
		{"no day", "OO", map[string]string{"quantity": "5", "received_on": ""}, map[string]string{"received_on": "When did it come?"}},
		{"everything too long", "OO", map[string]string{"quantity": "5", "supplier_lot": strings.Repeat("x", 81), "delivery_note": strings.Repeat("x", 81), "code": strings.Repeat("x", 41), "new_supplier": strings.Repeat("x", 201)},
			map[string]string{"supplier_lot": "At most", "delivery_note": "At most", "code": "At most", "new_supplier": "At most"}},
		{"a code with a space", "OO", map[string]string{"quantity": "5", "code": "A 1"}, map[string]string{"code": "letters, digits"}},
		{"a code that is taken", "OO", map[string]string{"quantity": "5", "code": "OO-0001"}, map[string]string{"code": "Another lot has this code."}},
	} {
		page := helper.Submit(helper.Get("/lots/new?material="+c.material), "Receive this lot", c.typed)
		refused(t, c.name, page, c.want)
		keeps(t, c.name, page, c.typed)
		for _, field := range []string{"received_on", "retest_on", "unit_cost", "delivery_note", "code"} {
			if _, open := page.Find("form.form details").Attr("open"); !open && page.Error(field) != "" {
				t.Errorf("%s: what is off in %s is folded away", c.name, field)
			}
		}
	}
	if after := changes(t, site); after != before {
		t.Errorf("%d changes were stored", after-before)
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
	if first.Status != http.StatusSeeOther || again.Location != first.Location {
		t.Errorf("first %d %s, again %d %s", first.Status, first.Location, again.Status, again.Location)
	}
	if other.Status != http.StatusUnprocessableEntity || other.Value("quantity") != "101" {
		t.Errorf("another quantity under the same key: %d, %q kept", other.Status, other.Value("quantity"))
	}
	old := helper.Submit(form, "Receive this lot", map[string]string{"quantity": "100", "entry_key": ""})
	if old.Status != http.StatusConflict {
		t.Errorf("a form without a key: %d", old.Status)
	}
	verdict, err := store.Verify(t.Context(), site.DB.OwnerURL)
	if err != nil || len(verdict[0].Broken) > 0 {
		t.Errorf("verify: %v, %v", verdict, err)
	}
}
