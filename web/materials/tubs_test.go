package materials_test

import (
	"net/http"
	"net/url"
	"strings"
	"testing"

	"github.com/PuerkitoBio/goquery"
	"github.com/google/uuid"
	"github.com/shopspring/decimal"

	"example.org/stillroom/internal/access"
	"example.org/stillroom/internal/day"
	"example.org/stillroom/internal/store"
	"example.org/stillroom/web/webtest"
)

// tubOil receives 1,000 g of oil under a code, released, from one supplier's lot.
func tubOil(t *testing.T, site *webtest.Site, code string, change ...func(*store.Receipt)) {
	t.Helper()
	r := store.Receipt{Material: "OO", Code: code, NewSupplier: "Fenmarch Oils", SupplierLot: "7731-B", ReceivedOn: day.Must("2026-03-12"), ExpiresOn: day.Must("2099-06-30"), Quantity: decimal.NewFromInt(1000), Release: true}
	for _, c := range change {
		c(&r)
	}
	if _, err := site.Store.ReceiveLot(t.Context(), site.Who(access.Maker), store.Entry{}, r); err != nil {
		t.Fatal(err)
	}
}

// tubCrock fills the tub "Blue crock" with 400 g of OO-A.
func tubCrock(t *testing.T, site *webtest.Site, client *webtest.Client) *webtest.Page {
	t.Helper()
	return client.Follow(client.Submit(client.Get("/tubs/new?material=OO"), "Fill this tub", map[string]string{"tub": "Blue crock", "amount-0": "400"}))
}

func TestAHelperFillsATubTopsItUpAndEmptiesIt(t *testing.T) {
	t.Parallel()
	site := webtest.New(t)
	oil(t, site)
	tubOil(t, site, "OO-A")
	tubOil(t, site, "OO-B", func(r *store.Receipt) { r.ExpiresOn = day.Must("2098-01-31") })
	helper := site.As(access.Helper)
	first := helper.Get("/tubs")
	form := helper.Get(helper.Get(first.Find(".empty a").AttrOr("href", "?")).Find("section.choices a").AttrOr("href", "?"))
	if !strings.HasPrefix(form.Text(".note.care"), "Caution: Slippery: wipe spills at once.") || !strings.Contains(form.Text("#f-amount-0-hint"), "holds 1 000 g, expires 31 Jan 2098") {
		t.Errorf("the caution and what each lot holds stand where the hand is: %q", form.Text("main"))
	}
	page := helper.Follow(helper.Submit(form, "Fill this tub", map[string]string{"tub": "Blue crock", "amount-1": "400"}))
	if page.Text("h1") != "400 g left" || !strings.Contains(page.Text("main"), "Blue crock") || !strings.Contains(page.Text("main"), "to be on the safe side") || page.Find("a[href='/lots/OO-A']").Length() == 0 {
		t.Errorf("the tub's lot: %q", page.Text("main"))
	}
	if source := helper.Get("/lots/OO-A"); !strings.Contains(source.Text("main"), "Went into tubs") || source.Find("a[href='/lots/OO-0001']").Length() == 0 {
		t.Errorf("the lot does not lead to the tub: %q", source.Text("main"))
	}
	more := helper.Get("/lots/OO-0001/top-up")
	topped := helper.Follow(helper.Submit(more, "Top it up", map[string]string{"amount-" + tubRow(more, "OO-B"): "100,5"}))
	if topped.Text("h1") != "500.5 g left" || !strings.Contains(topped.Text("dl.facts"), "31 Jan 2098") {
		t.Errorf("topped up: %q", topped.Text("main"))
	}
	if list := helper.Get("/tubs"); !strings.Contains(list.Text("table tbody"), "Blue crockOO-0001Oat oilReleasedOO-AOO-B31 Jan 2098500.5 g") {
		t.Errorf("what stands in the tubs: %q", list.Text("table tbody"))
	}
	empty := helper.Get("/lots/OO-0001/empty")
	done := helper.Follow(helper.Submit(empty, "Note it as empty", map[string]string{"rest": "away", "note": "gone <rancid>"}))
	if done.Text("h1") != "0 g left" || !strings.Contains(done.Text("main"), "Emptied and washed") || !strings.Contains(done.Text("main"), "gone <rancid>") {
		t.Errorf("emptied: %q", done.Text("main"))
	}
	if again := tubCrock(t, site, helper); again.Path != "/lots/OO-0002" {
		t.Errorf("filled anew it is %s", again.Path)
	}
	maker := site.As(access.Maker)
	taken := maker.Submit(maker.Get("/lots/OO-0001"), "Take it back", map[string]string{"reason": "it was the other one"})
	if taken.Status != http.StatusConflict || !strings.Contains(taken.Text(".summary"), "filled anew") || taken.Value("reason") == "" {
		t.Errorf("taking back an emptying of a tub that is in use: %d %q", taken.Status, taken.Text("main"))
	}
}

func TestATubThatWasNotEmptiedStandsThereAgain(t *testing.T) {
	t.Parallel()
	site := webtest.New(t)
	oil(t, site)
	tubOil(t, site, "OO-A")
	maker := site.As(access.Maker)
	tubCrock(t, site, maker)
	maker.Follow(maker.Submit(maker.Get("/lots/OO-0001/empty"), "Note it as empty", map[string]string{"rest": "gone", "note": "x"}))
	silent := maker.Submit(maker.Get("/lots/OO-0001"), "Take it back", nil)
	refused(t, "without a reason", silent, map[string]string{"reason": "Say why"})
	back := maker.Follow(maker.Submit(maker.Get("/lots/OO-0001"), "Take it back", map[string]string{"reason": "it was the other one"}))
	if strings.Contains(back.Text("main"), "Emptied and washed 1") || back.Find("a[href='/lots/OO-0001/top-up']").Length() != 1 {
		t.Errorf("it does not stand there again: %q", back.Text("main"))
	}
}

func TestWhatIsOffInAFillingIsToldBesideItsLotAndKept(t *testing.T) {
	t.Parallel()
	site := webtest.New(t)
	oil(t, site)
	tubOil(t, site, "OO-A")
	if _, err := site.Store.AddMaterial(t.Context(), site.Who(access.Maker), store.Entry{}, store.Material{Code: "SH", Name: "Shea", Kind: "raw", Unit: "g", Tracked: true}); err != nil {
		t.Fatal(err)
	}
	tubOil(t, site, "SH-1", func(r *store.Receipt) { r.Material = "SH" })
	theirs, _ := elsewhere(t, site)
	helper := site.As(access.Helper)
	tubCrock(t, site, helper)
	form := helper.Get("/tubs/new?material=OO")
	other := "" // the row whose code is typed is the last
	form.Find("input[name^='lot-']").Each(func(_ int, s *goquery.Selection) { other = strings.TrimPrefix(s.AttrOr("name", ""), "lot-") })
	rowOfA := tubRow(form, "OO-A")
	before := changes(t, site)
	for _, c := range []struct {
		name  string
		typed map[string]string
		want  map[string]string
	}{
		{"nothing filled in", nil, map[string]string{"tub": "What is the tub called?", "from": "Write beside each lot"}},
		{"words for a number, no day", map[string]string{"tub": "New", "amount-" + rowOfA: "half", "on": ""}, map[string]string{"amount-" + rowOfA: "number", "on": "When was it filled?"}},
		{"nothing of it", map[string]string{"tub": "New", "amount-" + rowOfA: "0"}, map[string]string{"amount-" + rowOfA: "more than 0"}},
		{"a tub in use", map[string]string{"tub": "blue CROCK", "amount-" + rowOfA: "5"}, map[string]string{"tub": "Lot OO-0001 stands in it"}},
		{"too long a name, a day to come", map[string]string{"tub": strings.Repeat("x", 81), "amount-" + rowOfA: "5"}, map[string]string{"tub": "At most"}},
		{"a day to come", map[string]string{"tub": "New", "amount-" + rowOfA: "5", "on": "2199-01-01"}, map[string]string{"on": "has not come yet"}},
		{"another material's lot", map[string]string{"tub": "New", "lot-" + other: "SH-1", "amount-" + other: "5"}, map[string]string{"lot-" + other: "Lot SH-1 is Shea, not Oat oil."}},
		{"another workshop's lot", map[string]string{"tub": "New", "lot-" + other: theirs, "amount-" + other: "5"}, map[string]string{"lot-" + other: "There is no lot"}},
		{"an amount of no lot", map[string]string{"tub": "New", "amount-" + other: "5"}, map[string]string{"lot-" + other: "From which lot?"}},
		{"a lot and no amount", map[string]string{"tub": "New", "lot-" + other: "OO-A"}, map[string]string{"amount-" + other: "How much of it?"}},
		{"one lot twice", map[string]string{"tub": "New", "amount-" + rowOfA: "5", "lot-" + other: "OO-A", "amount-" + other: "5"}, map[string]string{"lot-" + other: "stands here twice"}},
		{"another workshop's material", map[string]string{"tub": "New", "material": "XX", "amount-" + rowOfA: "5"}, nil},
	} {
		page := helper.Submit(helper.Get("/tubs/new?material=OO"), "Fill this tub", c.typed)
		if c.want == nil {
			if page.Status != http.StatusUnprocessableEntity || !strings.Contains(page.Text(".summary"), "There is no material") {
				t.Errorf("%s: %d %q", c.name, page.Status, page.Text("main"))
			}
			continue
		}
		refused(t, c.name, page, c.want)
		keeps(t, c.name, page, c.typed)
	}
	if after := changes(t, site); after != before {
		t.Errorf("%d changes were stored", after-before)
	}
	// Sent twice it is one tub; sent with other values under the same key it is none.
	sent := map[string]string{"tub": "Twice", "amount-" + rowOfA: "5"}
	one, two := helper.Submit(form, "Fill this tub", sent), helper.Submit(form, "Fill this tub", sent)
	if one.Status != http.StatusSeeOther || one.Location != two.Location {
		t.Errorf("sent twice: %s and %s", one.Location, two.Location)
	}
	sent["tub"] = "Thrice"
	if three := helper.Submit(form, "Fill this tub", sent); three.Status != http.StatusUnprocessableEntity || three.Value("tub") != "Thrice" {
		t.Errorf("other values under the same key: %d, %q kept", three.Status, three.Value("tub"))
	}
}

// tubRow is the number of the row of a lot.
func tubRow(page *webtest.Page, lot string) string {
	return strings.TrimPrefix(page.Find("input[type=hidden][value='"+lot+"']").AttrOr("name", "?"), "lot-")
}

func TestMoreThanTheBookHoldsIsAskedOnceOnThePage(t *testing.T) {
	t.Parallel()
	site := webtest.New(t)
	oil(t, site)
	tubOil(t, site, "OO-A")
	helper := site.As(access.Helper)
	asked := helper.Submit(helper.Get("/tubs/new?material=OO"), "Fill this tub", map[string]string{"tub": "Crock", "amount-0": "1200"})
	refused(t, "more than the book holds", asked, map[string]string{"really": "The book holds 1 000 g of lot OO-A."})
	if asked.Value("amount-0") != "1200" || asked.Value("tub") != "Crock" {
		t.Error("what was typed is gone")
	}
	silent := helper.Submit(asked, "Fill this tub", map[string]string{"really": "yes"})
	refused(t, "really so, without a word", silent, map[string]string{"really": "The book holds", "reason": "Say how it came about"})
	page := helper.Follow(helper.Submit(silent, "Fill this tub", map[string]string{"reason": "the drum was overfull"}))
	if page.Text("h1") != "1 200 g left" {
		t.Errorf("it is not in the tub: %q", page.Text("main"))
	}
}

func TestAFillingIsCorrectedOnItsPage(t *testing.T) {
	t.Parallel()
	site := webtest.New(t)
	oil(t, site)
	tubOil(t, site, "OO-A")
	helper := site.As(access.Helper)
	page := tubCrock(t, site, helper)
	var href string
	page.Find("a[href*='/fillings/']").Each(func(_ int, s *goquery.Selection) { href = s.AttrOr("href", "") })
	form := helper.Get(href)
	bad := helper.Submit(form, "Correct this filling", map[string]string{"amount": "much"})
	refused(t, "words, no reason", bad, map[string]string{"amount": "number", "reason": "Say why"})
	keeps(t, "words, no reason", bad, map[string]string{"amount": "much"})
	fixed := helper.Follow(helper.Submit(form, "Correct this filling", map[string]string{"amount": "40", "reason": "a nought too many"}))
	if fixed.Text("h1") != "40 g left" || !strings.Contains(fixed.Text("main"), "corrected, was 400 g") {
		t.Errorf("corrected: %q", fixed.Text("main"))
	}
	if late := helper.Submit(form, "Correct this filling", map[string]string{"amount": "41", "reason": "again"}); late.Status != http.StatusUnprocessableEntity {
		t.Errorf("from a stale page: %d", late.Status)
	}
	for _, path := range []string{"/lots/OO-0001/fillings/" + uuid.NewString(), "/lots/OO-0001/fillings/x", "/lots/OO-A/top-up", "/lots/OO-A/empty", "/lots/XX-1/top-up"} {
		if page := helper.Get(path); page.Status != http.StatusNotFound {
			t.Errorf("%s: %d", path, page.Status)
		}
	}
}

func TestTubsAreForThoseWhoReceive(t *testing.T) {
	t.Parallel()
	site := webtest.New(t)
	oil(t, site)
	tubOil(t, site, "OO-A")
	tubCrock(t, site, site.As(access.Helper))
	viewer := site.As(access.Viewer)
	if list := viewer.Get("/tubs"); list.Status != http.StatusOK || list.Find(".acts a").Length() != 0 {
		t.Errorf("a viewer sees what stands in the tubs and fills none: %q", list.Text("main"))
	}
	before := changes(t, site)
	for path, client := range map[string]*webtest.Client{"/tubs/new": viewer, "/lots/OO-0001/top-up": viewer, "/lots/OO-0001/empty": viewer, "/lots/OO-0001/retest": site.As(access.Helper)} {
		if page := client.Get(path); page.Status != http.StatusForbidden {
			t.Errorf("%s: %d", path, page.Status)
		}
		if page := client.Post(path, url.Values{"entry_key": {uuid.NewString()}}); page.Status != http.StatusForbidden {
			t.Errorf("posting to %s: %d", path, page.Status)
		}
	}
	if page := site.As(access.Helper).Post("/lots/OO-0001/reopen", url.Values{"entry_key": {uuid.NewString()}, "reason": {"x"}}); page.Status != http.StatusForbidden {
		t.Errorf("a helper takes back an emptying: %d", page.Status)
	}
	if after := changes(t, site); after != before {
		t.Errorf("%d changes were stored", after-before)
	}
}

func TestRejectingALotNamesTheTubsThatHoldIt(t *testing.T) {
	t.Parallel()
	site := webtest.New(t)
	oil(t, site)
	tubOil(t, site, "OO-A")
	owner := site.As(access.Owner)
	tubCrock(t, site, owner)
	page := owner.Follow(owner.Submit(owner.Get("/lots/OO-A"), "Reject it", map[string]string{"reason": "recalled by the press"}))
	if !strings.Contains(page.Text("#said"), "So are the tubs that hold it") || !strings.Contains(page.Text(".note.stop"), "Blue crock") || page.Find(".note.stop a[href='/lots/OO-0001']").Length() != 1 {
		t.Errorf("rejected: %q", page.Text("main"))
	}
	if tub := owner.Get("/lots/OO-0001"); !strings.Contains(tub.Text("dl.facts"), "Rejected") || tub.Find(".note.stop a[href='/lots/OO-A']").Length() != 1 {
		t.Errorf("the tub: %q", tub.Text("main"))
	}
	back := owner.Follow(owner.Submit(owner.Get("/lots/OO-A"), "Put back in quarantine", map[string]string{"reason": "it was another pressing"}))
	if !strings.Contains(back.Text("#said"), "Look at the tubs") || back.Find(".note.care a[href='/lots/OO-0001']").Length() != 1 || !strings.Contains(owner.Get("/lots/OO-0001").Text("dl.facts"), "Rejected") {
		t.Errorf("taken back: %q", back.Text("main"))
	}
}

func TestAnOunceWorkshopPoursInOunces(t *testing.T) {
	t.Parallel()
	site := webtest.New(t)
	oil(t, site)
	tubOil(t, site, "OO-A", func(r *store.Receipt) { r.Unit, r.Quantity = "lb", decimal.NewFromInt(2) })
	owner, helper := site.As(access.Owner), site.As(access.Helper)
	owner.Follow(owner.Submit(owner.Get("/settings"), "Save settings", map[string]string{"mass_unit": "oz"}))
	form := helper.Get("/tubs/new?material=OO")
	if form.Text("#f-amount-0-unit") != "oz" || !strings.Contains(form.Text("#f-amount-0-hint"), "holds 32 oz") {
		t.Errorf("the box: %q", form.Text("main"))
	}
	helper.Follow(helper.Submit(form, "Fill this tub", map[string]string{"tub": "Crock", "amount-0": "16"}))
	l, err := site.Store.Lot(t.Context(), site.Who(access.Owner).Workshop, "OO-0001")
	if err != nil || l.OnHand.String() != "453.5924" {
		t.Errorf("16 oz are %s g, %v", l.OnHand, err)
	}
}

func TestTheListOfTubsLeadsToToppingUpWhoMay(t *testing.T) {
	t.Parallel()
	site := webtest.New(t)
	oil(t, site)
	tubOil(t, site, "OO-A")
	helper := site.As(access.Helper)
	tubCrock(t, site, helper)
	const topUp = "a[href='/lots/OO-0001/top-up']"
	list := helper.Get("/tubs")
	if got := list.Find(topUp).Text(); got != "Top up Blue crock" {
		t.Errorf("the link reads %q", got)
	}
	if n := site.As(access.Viewer).Get("/tubs").Find(topUp).Length(); n != 0 {
		t.Errorf("a viewer has %d links", n)
	}
	if form := helper.Get("/lots/OO-0001/top-up"); strings.Contains(form.Text("form"), "holds no other lot") {
		t.Errorf("OO-A has something in it: %q", form.Text("form"))
	}
	helper.Follow(helper.Submit(helper.Get("/lots/OO-0001/top-up"), "Top it up", map[string]string{"amount-0": "600"}))
	form := helper.Get("/lots/OO-0001/top-up")
	if !strings.Contains(form.Text("form"), "The book holds no other lot of Oat oil.") || form.Find("form a[href='/lots/new?material=OO']").Length() != 1 {
		t.Errorf("with nothing to pour from: %q", form.Text("form"))
	}
}
