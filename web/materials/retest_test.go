package materials_test

import (
	"net/http"
	"strings"
	"testing"

	"github.com/google/uuid"

	"example.org/stillroom/internal/access"
	"example.org/stillroom/internal/day"
	"example.org/stillroom/internal/store"
	"example.org/stillroom/web/webtest"
)

func retestLot(t *testing.T, site *webtest.Site) {
	t.Helper()
	oil(t, site)
	tubOil(t, site, "OO-A", func(r *store.Receipt) { r.RetestOn = day.Must("2026-03-13") })
}

func TestALotPastItsRetestDateIsLookedAtAgain(t *testing.T) {
	t.Parallel()
	site := webtest.New(t)
	retestLot(t, site)
	maker := site.As(access.Maker)
	if !strings.Contains(maker.Get("/lots").Text("main"), "OO-A") || !strings.Contains(maker.Get("/").Text("main"), "Retest was due 13 Mar 2026") {
		t.Error("it stands neither among the lots to watch nor on Today")
	}
	page := maker.Get("/lots/OO-A")
	if !strings.Contains(page.Text(".note.care"), "It was to be looked at again by 13 Mar 2026.") {
		t.Errorf("the lot does not warn: %q", page.Text("main"))
	}
	form := maker.Get(page.Find(".note.care a[href$='/retest']").AttrOr("href", "?"))
	bad := maker.Submit(form, "Record it", map[string]string{"next_on": "2026-01-01", "words": strings.Repeat("x", 1001), "on": "2199-01-01"})
	refused(t, "no answer, a novel, a day to come", bad, map[string]string{"passed": "Is it still fit to use?", "words": "At most"})
	keeps(t, "no answer", bad, map[string]string{"next_on": "2026-01-01", "on": "2199-01-01", "words": strings.Repeat("x", 1001)})
	early := maker.Submit(form, "Record it", map[string]string{"passed": "yes", "words": "clear", "next_on": "2026-01-01"})
	refused(t, "due again before", early, map[string]string{"next_on": "after this one"})
	fine := maker.Follow(maker.Submit(form, "Record it", map[string]string{"passed": "yes", "words": "clear <and> fresh", "next_on": "2099-01-01"}))
	if !strings.Contains(fine.Text("dl.facts"), "Retest by1 Jan 2099") || !strings.Contains(fine.Text("main"), "clear <and> fresh") || strings.Contains(fine.Text("main"), "It was to be looked at") {
		t.Errorf("looked at: %q", fine.Text("main"))
	}
	if again := maker.Submit(form, "Record it", map[string]string{"passed": "yes", "words": "clear <and> fresh", "next_on": "2099-01-01"}); again.Location != "/lots/OO-A" || strings.Count(maker.Get("/lots/OO-A").Text("table"), "clear <and> fresh") != strings.Count(fine.Text("table"), "clear <and> fresh") {
		t.Errorf("sent twice: %d", again.Status)
	}
	old := maker.Get(fine.Find("a[href*='/retests/']").AttrOr("href", "?"))
	if old.Value("words") != "clear <and> fresh" || old.Value("next_on") != "2099-01-01" {
		t.Errorf("the form that corrects it: %q", old.Text("main"))
	}
	refused(t, "without a reason", maker.Submit(old, "Correct this entry", nil), map[string]string{"reason": "Say why"})
	back := maker.Follow(maker.Submit(old, "Correct this entry", map[string]string{"withdraw": "on", "reason": "it was another drum"}))
	if !strings.Contains(back.Text("dl.facts"), "Retest by13 Mar 2026") || !strings.Contains(back.Text("main"), "corrected since") {
		t.Errorf("taken back: %q", back.Text("main"))
	}
	if stale := maker.Submit(old, "Correct this entry", map[string]string{"words": "clear", "reason": "x"}); stale.Status != http.StatusUnprocessableEntity {
		t.Errorf("from a stale page: %d", stale.Status)
	}
	for _, path := range []string{"/lots/OO-A/retests/" + uuid.NewString(), "/lots/XX-1/retest"} {
		if page := maker.Get(path); page.Status != http.StatusNotFound {
			t.Errorf("%s: %d", path, page.Status)
		}
	}
}

func TestALotThatDidNotPassOffersToRejectIt(t *testing.T) {
	t.Parallel()
	site := webtest.New(t)
	retestLot(t, site)
	owner := site.As(access.Owner)
	page := owner.Follow(owner.Submit(owner.Get("/lots/OO-A/retest"), "Record it", map[string]string{"passed": "no", "words": "rancid"}))
	if !strings.Contains(page.Text(".note.stop"), "Reject it below.") || !strings.Contains(page.Text("main"), "waits for a decision") {
		t.Errorf("it did not pass: %q", page.Text("main"))
	}
	done := owner.Follow(owner.Submit(page, "Reject it", map[string]string{"reason": "rancid"}))
	if !strings.Contains(done.Text("dl.facts"), "Rejected") {
		t.Errorf("rejected: %q", done.Text("main"))
	}
}

func TestASupplierLotThatCameThreeTimesSaysSoOnEachPage(t *testing.T) {
	t.Parallel()
	site := webtest.New(t)
	oil(t, site)
	for _, code := range []string{"OO-A", "OO-B", "OO-C"} {
		tubOil(t, site, code)
	}
	owner := site.As(access.Owner)
	page := owner.Get("/lots/OO-B")
	if !strings.Contains(page.Text(".note"), "This supplier's lot came three times.") || page.Find(".note a[href='/lots/OO-A']").Length() != 1 || page.Find(".note a[href='/lots/OO-C']").Length() != 1 || page.Find(".note a[href='/lots/OO-B']").Length() != 0 {
		t.Errorf("the lot: %q", page.Text("main"))
	}
	all := owner.Get(page.Find(".note a[href^='/trace/supplier-lots/']").AttrOr("href", "?"))
	if all.Status != http.StatusOK || all.Path != "/trace/supplier-lots/FO/7731-B" {
		t.Errorf("traced as one: %d %s", all.Status, all.Path)
	}
	found := owner.Get("/find?q=7731b")
	if found.Find("a[href='/trace/supplier-lots/FO/7731-B']").Length() != 1 {
		t.Errorf("the look-up does not lead there: %q", found.Text("main"))
	}
	if led := owner.Get("/trace?code=7731b&way=forward"); led.Status != http.StatusSeeOther || led.Location != "/trace/supplier-lots/FO/7731-B" {
		t.Errorf("the trace's own box leads to %d %s", led.Status, led.Location)
	}
	rejected := owner.Follow(owner.Submit(page, "Reject it", map[string]string{"reason": "a withdrawal"}))
	if !strings.Contains(rejected.Text(".note.care"), "Only this delivery is decided; the others are the same supplier's lot:") || rejected.Find(".note.care a[href='/lots/OO-A']").Length() != 1 || rejected.Find(".note.care a[href='/lots/OO-C']").Length() != 1 {
		t.Errorf("one rejected: %q", rejected.Text("main"))
	}
}

func TestADeliveryIsWrittenAsItStandsOnTheDrum(t *testing.T) {
	t.Parallel()
	site := webtest.New(t)
	oil(t, site)
	helper := site.As(access.Helper)
	form := helper.Get("/lots/new?material=OO")
	if !strings.Contains(form.Text("label[for='f-unit_cost']"), "Price of 1 g") {
		t.Errorf("of how much the price is: %q", form.Text("label[for='f-unit_cost']"))
	}
	saved := helper.Follow(helper.Submit(form, "Receive this lot", map[string]string{"quantity": "5", "unit": "lb"}))
	if saved.Text("#said") != "Lot OO-0001 is in the book: 5 lb, that is 2 267.96185 g." || !strings.Contains(saved.Text("dl.facts"), "5 lb, that is 2 267.96185 g, on") {
		t.Errorf("shown back: %q, %q", saved.Text("#said"), saved.Text("dl.facts"))
	}
	typed := map[string]string{"quantity": "2", "unit": "gal_us"}
	crossed := helper.Submit(helper.Get("/lots/new?material=OO"), "Receive this lot", typed)
	refused(t, "volume without a density", crossed, map[string]string{"unit": "its density is needed"})
	keeps(t, "volume without a density", crossed, typed)
	page := helper.Get("/lots/OO-0001/correct")
	if !strings.Contains(page.Text("#f-quantity-hint"), "Written on the delivery as 5 lb.") {
		t.Errorf("the form that corrects it: %q", page.Text("main"))
	}
	count := helper.Get("/lots/OO-0001/move")
	counted := helper.Follow(helper.Submit(count, "Record the count", map[string]string{"counted": "4", "counted_unit": "lb", "counted_why": "drips"}))
	if counted.Text("h1") != "1 814.36948 g left" || !strings.Contains(counted.Text("main"), "counted 4 lb (1 814.36948 g): drips") {
		t.Errorf("counted in lb: %q", counted.Text("main"))
	}
	away := helper.Follow(helper.Submit(helper.Get("/lots/OO-0001/move"), "Write it off", map[string]string{"away": "1", "away_unit": "lb", "away_why": "spilt"}))
	if away.Text("h1") != "1 360.77711 g left" || !strings.Contains(away.Text("main"), "1 lb: spilt") {
		t.Errorf("written off in lb: %q", away.Text("main"))
	}
	off := map[string]string{"counted": "1", "counted_unit": "l"}
	refused(t, "a count by volume", helper.Submit(count, "Record the count", off), map[string]string{"counted_unit": "its density is needed"})
}

func TestAUsualCautionIsThereToStartFrom(t *testing.T) {
	t.Parallel()
	site := webtest.New(t)
	maker := site.As(access.Maker)
	form := maker.Get("/materials/new")
	for _, name := range []string{"caution_alkali", "caution_acid", "caution_hot", "caution_allergen", "caution_dust", "caution_glass"} {
		if hint := form.Text("#f-" + name + "-hint"); !strings.HasSuffix(hint, "The supplier's safety data sheet goes first, and the law of your place.") {
			t.Errorf("%s says %q", name, hint)
		}
	}
	page := maker.Follow(maker.Submit(form, "Add this material", map[string]string{"name": "Lye", "code": "LY", "caution_alkali": "on", "caution": "Flakes cling to gloves."}))
	if note := page.Text(".note.care"); !strings.HasPrefix(note, "Caution: Caustic: burns skin and eyes") || !strings.HasSuffix(note, "Flakes cling to gloves.") {
		t.Errorf("the caution: %q", note)
	}
	again := maker.Follow(maker.Submit(maker.Get("/materials/LY/correct"), "Correct this material", map[string]string{"caution_alkali": "on", "reason": "ticked it again"}))
	if n := strings.Count(again.Text(".note.care"), "Caustic: burns"); n != 1 {
		t.Errorf("chosen again it stands there %d times", n)
	}
}

func TestWhatIsNotTrackedAsksForNoLot(t *testing.T) {
	t.Parallel()
	site := webtest.New(t)
	maker := site.As(access.Maker)
	page := maker.Follow(maker.Submit(maker.Get("/materials/new"), "Add this material", map[string]string{"name": "Water", "code": "WA", "tracked": "", "source_note": "the tap, boiled"}))
	if !strings.Contains(page.Text("dl.facts"), "the tap, boiled (not tracked: no lots are kept)") || strings.Contains(page.Text("main"), "Receive a lot") || strings.Contains(page.Text("main"), "In stock") {
		t.Errorf("water: %q", page.Text("main"))
	}
	for _, path := range []string{"/lots/new", "/tubs/new"} {
		if choice := maker.Get(path); strings.Contains(choice.Text("main"), "Water") {
			t.Errorf("%s offers it: %q", path, choice.Text("main"))
		}
	}
	if forced := maker.Get("/tubs/new?material=WA"); forced.Find("#f-tub").Length() != 0 {
		t.Errorf("a tub of it: %q", forced.Text("main"))
	}
}
