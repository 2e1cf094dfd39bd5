package dispatch_test

import (
	"net/http"
	"strings"
	"testing"

	"example.org/stillroom/internal/access"
	"example.org/stillroom/internal/pgtest"
)

// kept3 says that three units of SB-1 were kept back when it was packed.
func (s shelf) kept3() {
	s.t.Helper()
	s.book.Do(pgtest.Statement{SQL: `UPDATE packing SET units_retained = 3 WHERE workshop_id = $1 AND code = 'SB-1' AND $2::uuid IS NOT NULL`})
}

func TestSamplesGetAPlaceAreLookedAtAndEnd(t *testing.T) {
	t.Parallel()
	s := newShelf(t)
	s.kept3()
	helper := s.As(access.Helper)
	list := helper.Get("/samples")
	if !strings.Contains(list.Text("main"), "Kept back, without a place") || list.Find("a[href='/packings/SB-1/sample']").Length() != 1 {
		t.Errorf("nothing waits for a place: %s", list.Text("main"))
	}
	form := helper.Get("/packings/SB-1/sample")
	if form.Value("units") != "3" || form.Value("keep_until") != s.today.AddDays(90).AddMonths(12).String() || !strings.Contains(form.Text("#f-keep_until-hint"), "no source") {
		t.Errorf("offered: %s units until %s (%s)", form.Value("units"), form.Value("keep_until"), form.Text("#f-keep_until-hint"))
	}
	for _, row := range []struct {
		name        string
		typed, want map[string]string
	}{
		{"nothing typed", map[string]string{"units": "", "taken_on": "", "keep_until": ""}, map[string]string{"units": "How many?", "place": "Where do they lie?", "taken_on": "When were they put there?"}},
		{"more than were kept back", map[string]string{"units": "4", "place": "A<b>"}, map[string]string{"units": "The packing says 3 kept back. If more were, correct the packing first."}},
		{"a place too long", map[string]string{"place": strings.Repeat("p", 81)}, map[string]string{"place": "At most 80 characters, please."}},
		{"words for a number", map[string]string{"units": "some", "place": "A"}, map[string]string{"units": ""}},
	} {
		t.Run(row.name, func(t *testing.T) {
			page := helper.Submit(helper.Get("/packings/SB-1/sample"), "Keep them there", row.typed)
			want := map[string]string{}
			for field, words := range row.want {
				if words == "" {
					words = page.Error(field)
				}
				want[field] = words
			}
			says(t, page, want)
			kept(t, page, row.typed)
		})
	}
	saved := helper.Submit(form, "Keep them there", map[string]string{"units": "2", "place": "Cupboard A"})
	again := helper.Submit(form, "Keep them there", map[string]string{"units": "2", "place": "Cupboard A"})
	page := helper.Follow(saved)
	if page.Text("h1") != "2 units in Cupboard A" || again.Location != saved.Location {
		t.Errorf("kept: %q; again %s", page.Text("h1"), again.Location)
	}
	if packing := helper.Get("/packings/SB-1"); !strings.Contains(packing.Text("main"), "2 units in Cupboard A") || !strings.Contains(packing.Text("main"), "Say where they lie") {
		t.Errorf("the packing says %s", packing.Text(".cols"))
	}
	path := saved.Location
	for _, row := range []struct {
		name        string
		typed, want map[string]string
	}{
		{"nothing typed", map[string]string{"looked_on": ""}, map[string]string{"result": "Choose how it is.", "looked_on": "When was it looked at?"}},
		{"spoiled without a word", map[string]string{"result": "spoiled"}, map[string]string{"words": "Say how it is: look, smell, feel."}},
		{"more than there are", map[string]string{"result": "as_made", "units_used": "3"}, map[string]string{"units_used": "Only 2 units are left of it."}},
	} {
		t.Run(row.name, func(t *testing.T) {
			page := helper.Submit(helper.Get(path+"/check"), "Record it", row.typed)
			says(t, page, row.want)
			kept(t, page, row.typed)
		})
	}
	page = helper.Follow(helper.Submit(helper.Get(path+"/check"), "Record it", map[string]string{"result": "spoiled", "words": "rancid", "units_used": "1"}))
	if page.Text("h1") != "1 of 2 units left in Cupboard A" || !strings.Contains(page.Text(".note"), "Deviation 1 waits for a decision") || page.Find(".note a[href='/packings/SB-1/hold']").Length() != 1 {
		t.Errorf("spoiled: %s", page.Text("main"))
	}
	check := page.Find("a[href*='/checks/']").AttrOr("href", "")
	says(t, helper.Submit(helper.Get(check), "Correct this inspection", nil), map[string]string{"reason": "Say why: the old entry is kept beside the new one."})
	page = helper.Follow(helper.Submit(helper.Get(check), "Take this inspection back", map[string]string{"reason": "of another packing"}))
	if page.Text("h1") != "2 units in Cupboard A" || !strings.Contains(page.Text("td"), "Corrected: of another packing") {
		t.Errorf("taken back: %s", page.Text("main"))
	}
	says(t, helper.Submit(helper.Get(path+"/end"), "Record it", nil), map[string]string{"ended_note": "Say what became of it."})
	helper.Follow(helper.Submit(helper.Get(path+"/end"), "Record it", map[string]string{"ended_note": "Thrown away"}))
	old := helper.Get(path + "/correct")
	page = helper.Follow(helper.Submit(helper.Get(path+"/correct"), "Correct this sample", map[string]string{"place": "Cupboard B", "still_there": "on", "reason": "it was the other one"}))
	if page.Text("h1") != "2 units in Cupboard B" || !strings.Contains(page.Text(".changes"), "it was the other one") {
		t.Errorf("corrected: %s", page.Text("main"))
	}
	stale := helper.Submit(old, "Correct this sample", map[string]string{"place": "Cupboard C", "reason": "x"})
	if stale.Status != http.StatusConflict || stale.Value("place") != "Cupboard C" {
		t.Errorf("a stale correction: %d, %q", stale.Status, stale.Value("place"))
	}
	if page = helper.Get(path); page.Text("h1") != "2 units in Cupboard B" {
		t.Errorf("at its old address: %d %q", page.Status, page.Text("h1"))
	}
	s.onHand("SB-1", 10)
}

func TestAPackingIsNotCorrectedBelowItsPlacedSamples(t *testing.T) {
	t.Parallel()
	s := newShelf(t)
	s.kept3()
	maker := s.As(access.Maker)
	maker.Follow(maker.Submit(maker.Get("/packings/SB-1/sample"), "Keep them there", map[string]string{"place": "Cupboard A"}))
	page := maker.Submit(maker.Get("/packings/SB-1/correct"), "Record the correction", map[string]string{"retained": "2", "reason": "x"})
	if got := page.Error("retained"); got != "3 of them have a place as samples; it cannot be fewer. Correct those first." {
		t.Errorf("beside kept back: %q (%d)", got, page.Status)
	}
}
