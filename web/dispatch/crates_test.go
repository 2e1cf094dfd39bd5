package dispatch_test

import (
	"net/http"
	"net/url"
	"strings"
	"testing"

	"github.com/google/uuid"

	"example.org/stillroom/internal/access"
	"example.org/stillroom/internal/store"
)

// crateAway sends a crate of 8 units of SB-1 and 12 of SB-2 to the quay fair and answers its code.
func (s shelf) crateAway() string {
	s.t.Helper()
	code := s.cratePacked()
	if _, err := s.Store.SendCrate(s.t.Context(), s.Who(access.Owner), store.Entry{}, code, store.CrateLeaves{On: s.today}); err != nil {
		s.t.Fatal(err)
	}
	return code
}

func (s shelf) cratePacked() string {
	s.t.Helper()
	code, err := s.Store.AddCrate(s.t.Context(), s.Who(access.Owner), store.Entry{}, store.NewCrate{NewEvent: "Quay Fair", On: s.today, Note: "Pitch 4",
		Lines: []store.DispatchLine{{Packing: "SB-1", Units: 8}, {Packing: "SB-2", Units: 12}}})
	if err != nil {
		s.t.Fatal(err)
	}
	return code
}

func TestAHelperPacksACratePrintsItsListAndCountsItBack(t *testing.T) {
	t.Parallel()
	s := newShelf(t)
	helper := s.As(access.Helper)
	proposed := helper.Submit(helper.Get("/crates/new"), "Propose codes", map[string]string{"new_customer": "Quay Fair", "wanted-0": "12", "note": "Pitch 4"})
	if proposed.Value("packing-0") != "SB-1" || proposed.Value("line-0") != "10" || proposed.Value("line-1") != "2" || proposed.Value("note") != "Pitch 4" {
		t.Errorf("proposed: %s", proposed.Text("main"))
	}
	page := helper.Follow(helper.Submit(proposed, "Begin this crate", map[string]string{"line-0": "8", "line-1": "3"}))
	if page.Text("h1") != "11 units for Quay Fair" || page.Find(".packlist tbody tr").Length() != 2 || !strings.Contains(page.Text("main"), "allergens") {
		t.Errorf("the list says %q", page.Text("main"))
	}
	code := strings.TrimPrefix(page.Path, "/crates/")
	s.onHand("SB-1", 10)
	page = helper.Follow(helper.Submit(page, "Add", map[string]string{"packing": "sb2"}))
	if page.Text("h1") != "12 units for Quay Fair" {
		t.Errorf("after a scan: %q", page.Text("h1"))
	}
	form := helper.Submit(helper.Get("/crates/"+code+"/edit"), "Propose more codes", map[string]string{"wanted-0": "5"})
	// Two more of SB-1 are there, and then SB-2 goes on.
	if form.Value("line-0") != "10" || form.Value("line-1") != "7" || form.Value("wanted-0") != "" {
		t.Errorf("more: %s of SB-1, %s of SB-2", form.Value("line-0"), form.Value("line-1"))
	}
	helper.Follow(helper.Submit(form, "Save the crate", map[string]string{"line-0": "9"}))
	page = helper.Follow(helper.Submit(helper.Get("/crates/"+code+"/leaves"), "It leaves", nil))
	if page.Text("h1") != "16 units at Quay Fair" {
		t.Errorf("away: %q", page.Text("h1"))
	}
	s.onHand("SB-1", 1)
	back := helper.Get("/crates/" + code + "/back")
	counts := map[string]string{"left-0": "2", "tester-0": "1", "left-1": "0", "damaged-1": "2", "disposition-1": "destroy", "note-1": "rain"}
	checked := helper.Submit(back, "Check the sums", counts)
	if checked.Status != http.StatusOK || !strings.Contains(checked.Text(".note"), "11 of 16 units sold.") || checked.Text("tr[data-out='9'] output") != "6" {
		t.Errorf("checked: %d %s", checked.Status, checked.Text("main"))
	}
	kept(t, checked, counts)
	s.onHand("SB-1", 1) // a look at the sums stores nothing
	page = helper.Follow(helper.Submit(checked, "Book it", nil))
	if page.Text("h1") != "11 of 16 units sold at Quay Fair" || !strings.Contains(page.Text("#said"), "11 sold") {
		t.Errorf("back: %s", page.Text("main"))
	}
	s.onHand("SB-1", 3)
	s.onHand("SB-2", 13)
	if customers := helper.Get("/customers/" + strings.TrimPrefix(page.Find("dd a[href^='/customers/']").AttrOr("href", ""), "/customers/")); !strings.Contains(customers.Text("table"), code) {
		t.Errorf("the event's page does not name the crate: %s", customers.Text("main"))
	}
	if correct := page.Find("a[href*='/take-back?entry=']"); correct.Length() != 3 {
		t.Errorf("%d entries can be corrected, want 3", correct.Length())
	}
}

func TestABadCrateTellsEverythingAtOnceAndKeepsWhatWasTyped(t *testing.T) {
	t.Parallel()
	s := newShelf(t)
	s.elsewhere()
	helper := s.As(access.Helper)
	for _, row := range []struct {
		name, button string
		typed, want  map[string]string
	}{
		{"nothing", "Propose", map[string]string{"event_on": ""}, map[string]string{"customer": "Which event? Choose one, or write a new one.", "event_on": "On which day is it?", "lines": "Which units leave? Write how many of a product, or the codes on them."}},
		{"a shop", "Begin", map[string]string{"customer": "HSP"}, map[string]string{"customer": "Harbour Street Pantry is no event. What goes to a shop or a buyer is a dispatch."}},
		{"another workshop's", "Begin", map[string]string{"customer": "OTHER"}, map[string]string{"customer": "No event is called that. Choose one from the list, or write a new one below."}},
		{"both", "Begin", map[string]string{"customer": "HSP", "new_customer": "<b>Fair"}, map[string]string{"new_customer": "Choose an event or write a new one, not both."}},
		{"more than may leave", "Propose", map[string]string{"new_customer": "Fair", "wanted-0": "31"}, map[string]string{"wanted-0": "Only 30 may leave: 1 too few."}},
		{"words for a number", "Begin", map[string]string{"new_customer": "Fair", "packing-0": "SB-1", "line-0": "two"}, map[string]string{"line-0": "write a whole number, without a point or comma"}},
		{"another workshop's code", "Begin", map[string]string{"new_customer": "Fair", "packing-0": "ZZ-1", "line-0": "2"}, map[string]string{"packing-0": `No packing has the code "ZZ-1".`}},
		{"a name and a note too long", "Begin", map[string]string{"new_customer": strings.Repeat("f", 201), "note": strings.Repeat("n", 1001)}, map[string]string{"new_customer": "At most 200 characters, please.", "note": "At most 1000 characters, please."}},
	} {
		t.Run(row.name, func(t *testing.T) {
			page := helper.Submit(helper.Get("/crates/new"), row.button, row.typed)
			if page.Error("line-0") != "" && row.want["line-0"] != "" {
				row.want["line-0"] = page.Error("line-0")
			}
			says(t, page, row.want)
			kept(t, page, row.typed)
		})
	}
	if list := helper.Get("/crates"); list.Find("tbody tr").Length() != 0 {
		t.Errorf("something was stored: %s", list.Text("main"))
	}
}

func TestABadCountOfACrateKeepsWhatWasTyped(t *testing.T) {
	t.Parallel()
	s := newShelf(t)
	code := s.crateAway()
	helper := s.As(access.Helper)
	path := "/crates/" + code + "/back"
	for _, row := range []struct {
		name        string
		typed, want map[string]string
	}{
		{"nothing counted", map[string]string{"returned_on": ""}, map[string]string{"returned_on": "When did it come back?", "left-0": "How many are left? 0 where all were sold.", "left-1": "How many are left? 0 where all were sold."}},
		{"more left than taken", map[string]string{"left-0": "9", "left-1": "0"}, map[string]string{"left-0": "8 were taken: 9 cannot be left."}},
		{"more in all", map[string]string{"left-0": "8", "gift-0": "1", "left-1": "0"}, map[string]string{"left-0": "8 were taken: 8 left, 1 gift make 9."}},
		{"damaged, nowhere", map[string]string{"left-0": "0", "damaged-0": "1", "left-1": "0"}, map[string]string{"disposition-0": "Choose what becomes of the damaged ones.", "note-0": "Say what is wrong with them."}},
		{"words for numbers", map[string]string{"left-0": "two", "tester-1": "1.5", "left-1": "0"}, map[string]string{"left-0": "", "tester-1": ""}},
		{"tomorrow", map[string]string{"left-0": "0", "left-1": "0", "returned_on": s.today.AddDays(1).String()}, map[string]string{"returned_on": "That day has not come yet."}},
	} {
		for _, button := range []string{"Check the sums", "Book it"} {
			t.Run(row.name+", "+button, func(t *testing.T) {
				page := helper.Submit(helper.Get(path), button, row.typed)
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
	}
	s.onHand("SB-1", 2)
}

func TestAStaleOrDoubledCountOfACrateIsStoredOnce(t *testing.T) {
	t.Parallel()
	s := newShelf(t)
	code := s.crateAway()
	helper := s.As(access.Helper)
	path := "/crates/" + code + "/back"
	stale := helper.Get(path)
	page, err := s.Store.CratePage(t.Context(), s.Who(access.Owner).Workshop, code)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := s.Store.Return(t.Context(), s.Who(access.Owner), store.Entry{}, store.NewReturn{Dispatch: page.Dispatch, Packing: "SB-1", On: s.today, Units: 3, Disposition: "restock"}); err != nil {
		t.Fatal(err)
	}
	counts := map[string]string{"left-0": "2", "left-1": "4"}
	refused := helper.Submit(stale, "Book it", counts)
	if refused.Status != http.StatusConflict || !strings.Contains(refused.Text("tr[data-out='5']"), "3 back already") {
		t.Errorf("a stale count: %d %s", refused.Status, refused.Text("main"))
	}
	kept(t, refused, counts)
	first := helper.Submit(refused, "Book it", nil)
	again := helper.Submit(refused, "Book it", nil)
	other := helper.Submit(refused, "Book it", map[string]string{"left-0": "1"})
	if first.Status != http.StatusSeeOther || again.Location != first.Location || other.Status != http.StatusUnprocessableEntity {
		t.Errorf("first %d, again %d %s, other values %d", first.Status, again.Status, again.Location, other.Status)
	}
	s.onHand("SB-1", 7)
	s.onHand("SB-2", 12)
	if late := helper.Get(path); late.Status != http.StatusSeeOther {
		t.Errorf("the form once it is back: %d", late.Status)
	}
}

func TestACrateChangedMeanwhileIsToldBeforeItIsChangedOrLeaves(t *testing.T) {
	t.Parallel()
	s := newShelf(t)
	code := s.cratePacked()
	helper := s.As(access.Helper)
	form, leaves := helper.Get("/crates/"+code+"/edit"), helper.Get("/crates/"+code+"/leaves")
	helper.Follow(helper.Submit(helper.Get("/crates/"+code), "Add", map[string]string{"packing": "SB-1", "units": "1"}))
	refused := helper.Submit(form, "Save the crate", map[string]string{"line-0": "5"})
	if refused.Status != http.StatusConflict || refused.Value("line-0") != "5" {
		t.Errorf("changed on an old page: %d, %s", refused.Status, refused.Text("main"))
	}
	if old := helper.Submit(leaves, "It leaves", nil); old.Status != http.StatusConflict || !strings.Contains(old.Text("main"), "meanwhile") {
		t.Errorf("leaves by an old page: %d", old.Status)
	}
	page := helper.Follow(helper.Submit(refused, "Save the crate", nil))
	if page.Text("h1") != "17 units for Quay Fair" {
		t.Errorf("changed: %q", page.Text("h1"))
	}
	says(t, helper.Submit(page, "Add", map[string]string{"packing": "SB-9", "units": "0"}), map[string]string{"packing": `No packing has the code "SB-9".`, "units": "Between 1 and 1,000,000 units."})
	page = helper.Follow(helper.Submit(helper.Get("/crates/"+code), "Drop it", nil))
	if !strings.Contains(page.Text("tbody"), "Dropped") {
		t.Errorf("dropped: %s", page.Text("main"))
	}
	s.onHand("SB-1", 10)
}

func TestWhatMayNotLeaveIsToldBesideItsLineOfTheCrate(t *testing.T) {
	t.Parallel()
	s := newShelf(t)
	helper := s.As(access.Helper)
	code, err := s.Store.AddCrate(t.Context(), s.Who(access.Owner), store.Entry{}, store.NewCrate{NewEvent: "Fair", On: s.today, Lines: []store.DispatchLine{{Packing: "SB-1", Units: 11}, {Packing: "SB-3", Units: 1}}})
	if err != nil {
		t.Fatal(err)
	}
	if page := helper.Get("/crates/" + code); !strings.Contains(page.Text(".packlist"), "Only 10 on hand.") || !strings.Contains(page.Text(".packlist"), "It is not released yet.") {
		t.Errorf("the list does not warn: %s", page.Text("main"))
	}
	form := helper.Get("/crates/" + code + "/leaves")
	says(t, helper.Submit(form, "It leaves", nil), map[string]string{"line-0": "Only 10 on hand.", "line-1": "It is not released yet."})
	says(t, helper.Submit(form, "It leaves", map[string]string{"already_left": "on"}), map[string]string{"reason": "Say how it came about; it goes into the record."})
	s.onHand("SB-1", 10)
	helper.Follow(helper.Submit(form, "It leaves", map[string]string{"already_left": "on", "reason": "loaded in the dark"}))
	s.onHand("SB-1", 0)
}

func TestTheShelfIsCountedOnOnePage(t *testing.T) {
	t.Parallel()
	s := newShelf(t)
	s.elsewhere()
	s.packed("SB-4", 0, 90, "released")
	helper := s.As(access.Helper)
	for _, row := range []struct {
		name        string
		typed, want map[string]string
	}{
		{"nothing", nil, map[string]string{"lines": "Write how many are there of at least one packing."}},
		{"off without a word", map[string]string{"line-1": "19"}, map[string]string{"note": "Say why the book was off, or that you do not know."}},
		{"words for a number", map[string]string{"line-1": "many"}, map[string]string{"line-1": ""}},
		{"another workshop's code", map[string]string{"line-1": "19", "note": "x", "packing-3": "ZZ-1", "line-3": "2"}, map[string]string{"packing-3": `No packing has the code "ZZ-1".`}},
		{"a code without a count", map[string]string{"packing-3": "SB-4"}, map[string]string{"line-3": "How many of them are there?"}},
		{"a note too long", map[string]string{"line-1": "19", "note": strings.Repeat("n", 1001)}, map[string]string{"note": "At most 1000 characters, please."}},
	} {
		t.Run(row.name, func(t *testing.T) {
			page := helper.Submit(helper.Get("/stock/count"), "Book the count", row.typed)
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
	old := helper.Get("/stock/count")
	s.sent()
	typed := map[string]string{"line-0": "10", "line-1": "18", "note": "not known", "packing-3": "sb4", "line-3": "1"}
	stale := helper.Submit(old, "Book the count", typed)
	says(t, stale, map[string]string{"line-0": "The book held 10 when you began and holds 4 now. Look again and write what is there."})
	kept(t, stale, typed)
	s.onHand("SB-2", 20)
	saved := helper.Submit(stale, "Book the count", map[string]string{"line-0": "4"})
	again := helper.Submit(stale, "Book the count", map[string]string{"line-0": "4"})
	page := helper.Follow(saved)
	if page.Text("#said") != "3 packings counted; 2 were off and booked." || again.Location != saved.Location {
		t.Errorf("booked: %q, again %s", page.Text("#said"), again.Location)
	}
	s.onHand("SB-1", 4)
	s.onHand("SB-2", 18)
	s.onHand("SB-4", 1)
	if page := helper.Get("/stock/count?product=SB"); page.Find("tbody tr").Length() != 4 {
		t.Errorf("one product: %d rows", page.Find("tbody tr").Length())
	}
	if page := helper.Get("/stock/count?product=ZZ"); page.Status != http.StatusNotFound {
		t.Errorf("another workshop's product: %d, want 404", page.Status)
	}
}

func TestAGiftOfUnreleasedUnitsIsAskedAboutOnce(t *testing.T) {
	t.Parallel()
	s := newShelf(t)
	helper := s.As(access.Helper)
	asked := helper.Submit(helper.Get("/packings/SB-3/move"), "Record it", map[string]string{"reason": "gift", "units": "2"})
	says(t, asked, map[string]string{"really": "It is not released yet."})
	says(t, helper.Submit(asked, "Record it", map[string]string{"really": "yes"}), map[string]string{"really": "It is not released yet.", "note": "Say how it came about; it goes into the record."})
	helper.Follow(helper.Submit(asked, "Record it", map[string]string{"really": "yes", "note": "for the neighbour"}))
	s.onHand("SB-3", 28)
	if err := s.Store.PlaceHold(t.Context(), s.Who(access.Owner), store.Entry{}, store.NewHold{Packing: "SB-2", Units: 4, Reason: "dented"}); err != nil {
		t.Fatal(err)
	}
	form := helper.Get("/packings/SB-2/move")
	hold := form.Find("input[name=hold]").Eq(1).AttrOr("value", "")
	page := helper.Follow(helper.Submit(form, "Record it", map[string]string{"reason": "broken", "units": "3", "hold": hold}))
	if !strings.Contains(page.Text(".life"), "1 on hold") || page.Text("h1") != "17 on hand" {
		t.Errorf("three of four on hold broke: %s", page.Text(".life"))
	}
	says(t, helper.Submit(form, "Record it", map[string]string{"reason": "broken", "units": "1", "hold": "x"}), map[string]string{"hold": "Choose which of them."})
}

func TestPagesOfCratesAndSamplesAreShownToViewersAndChangedByNone(t *testing.T) {
	t.Parallel()
	s := newShelf(t)
	packed := s.cratePacked()
	viewer := s.As(access.Viewer)
	for _, path := range []string{"/crates", "/crates/" + packed, "/samples"} {
		page := viewer.Get(path)
		if page.Status != http.StatusOK || page.Find("main form").Length() != 0 || page.Find("main a[href$='/new'], main a[href$='/edit'], main a[href$='/leaves']").Length() != 0 {
			t.Errorf("%s: %d, with something to change", path, page.Status)
		}
	}
	for _, path := range []string{"/stock/count", "/crates/new", "/crates/" + packed + "/edit", "/crates/" + packed + "/leaves", "/crates/" + packed + "/back", "/packings/SB-1/sample"} {
		if got := viewer.Get(path).Status; got != http.StatusForbidden {
			t.Errorf("GET %s: %d, want 403", path, got)
		}
		if got := viewer.Post(path, url.Values{}).Status; got != http.StatusForbidden {
			t.Errorf("POST %s: %d, want 403", path, got)
		}
	}
	for _, path := range []string{"/crates/C-1999-0001", "/crates/C-1999-0001/edit", "/crates/C-1999-0001/add", "/crates/C-1999-0001/drop", "/crates/C-1999-0001/leaves", "/crates/C-1999-0001/back", "/packings/NONE/sample", "/samples/" + uuid.NewString() + "/end", "/samples/x/end"} {
		if got := s.As(access.Owner).Post(path, url.Values{"entry_key": {uuid.NewString()}}).Status; got != http.StatusNotFound {
			t.Errorf("POST %s: %d, want 404", path, got)
		}
	}
}

func TestACrateIsFoundByItsCode(t *testing.T) {
	t.Parallel()
	s := newShelf(t)
	code := s.cratePacked()
	page := s.As(access.Viewer).Get("/find?q=" + strings.ToLower(code))
	if page.Find("main a[href='/crates/"+code+"']").Length() != 1 {
		t.Errorf("%d %s: %s", page.Status, page.Location, page.Text("main"))
	}
}
