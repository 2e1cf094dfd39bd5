package materials_test

import (
	"fmt"
	"net/http"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"example.org/stillroom/internal/access"
	"example.org/stillroom/internal/store"
	"example.org/stillroom/web/webtest"
)

func TestAMakerAddsAMaterialAndItsPageSaysEverything(t *testing.T) {
	t.Parallel()
	site := webtest.New(t)
	maker := site.As(access.Maker)
	form := maker.Get("/materials/new")
	typed := map[string]string{"name": "Rose water", "unit": "ml", "density": "0,998", "caution": "Keep <cool>.", "inci_name": "Rosa Damascena Flower Water", "cas_number": "90106-38-0", "code": "RW"}
	saved := maker.Submit(form, "Add this material", typed)
	page := maker.Follow(saved)
	if saved.Location != "/materials/RW" || page.Text("h1") != "Rose water" {
		t.Fatalf("%s says %q", saved.Location, page.Text("main"))
	}
	for _, want := range []string{"raw material in ml", "0.998 g per ml", "Keep <cool>.", "Rosa Damascena Flower Water", "90106-38-0", "0 ml fit to use", "caps the best-before", "The book holds none of it."} {
		if !strings.Contains(page.Text("main"), want) {
			t.Errorf("the page does not say %q: %q", want, page.Text("main"))
		}
	}
	if again := maker.Submit(form, "Add this material", typed); again.Location != saved.Location {
		t.Errorf("sent again: %d %s", again.Status, again.Location)
	}
	if list := maker.Get("/materials"); list.Find("tbody tr").Length() != 1 {
		t.Errorf("%d materials after sending the form twice", list.Find("tbody tr").Length())
	}
}

func TestWaterIsNotTrackedAndSaysWhereItComesFrom(t *testing.T) {
	t.Parallel()
	site := webtest.New(t)
	maker := site.As(access.Maker)
	form := maker.Get("/materials/new")
	refused(t, "from nowhere", maker.Submit(form, "Add this material", map[string]string{"name": "Water", "tracked": ""}), map[string]string{"source_note": "Say where it comes from"})
	page := maker.Follow(maker.Submit(form, "Add this material", map[string]string{"name": "Water", "tracked": "", "source_note": "The still", "expiry_counts": ""}))
	if !strings.Contains(page.Text("main"), "The still (not tracked: no lots are kept)") || strings.Contains(page.Body, "/lots/new?material=WA") {
		t.Errorf("the page of water: %q", page.Text("main"))
	}
	choice := maker.Get("/lots/new?material=WA")
	if choice.Find("form.form").Length() != 0 || !strings.Contains(choice.Text("main"), "no material yet that lots are kept of") {
		t.Errorf("receiving water: %q", choice.Text("main"))
	}
}

func TestABadMaterialIsToldAtOnceAndKept(t *testing.T) {
	t.Parallel()
	site := webtest.New(t)
	oil(t, site)
	maker := site.As(access.Maker)
	form := maker.Get("/materials/new")
	before := changes(t, site)
	for _, c := range []struct {
		name  string
		typed map[string]string
		want  map[string]string
	}{
		{"nothing", nil, map[string]string{"name": "Write the material's name"}},
		{"a kind and a unit that are none", map[string]string{"name": "Tin", "kind": "tin", "unit": "kg"}, map[string]string{"kind": "Choose raw material or packaging.", "unit": "Choose g, ml or each."}},
		{"a density in words, too long a caution", map[string]string{"name": "Tin", "density": "about 1", "caution": strings.Repeat("x", 1001)}, map[string]string{"density": "", "caution": "At most"}},
		{"a density that could be two", map[string]string{"name": "Tin", "density": "1,234"}, map[string]string{"density": "could mean"}},
		{"ml without a density", map[string]string{"name": "Milk", "unit": "ml"}, map[string]string{"density": "needs its density"}},
		{"a code with a slash", map[string]string{"name": "Tin", "code": "a/b"}, map[string]string{"code": "letters, digits"}},
		{"a code that is taken", map[string]string{"name": "Other oil", "code": "OO"}, map[string]string{"code": "Another material has this code."}},
	} {
		page := maker.Submit(form, "Add this material", c.typed)
		refused(t, c.name, page, c.want)
		for field, typed := range c.typed {
			if field == "kind" || field == "unit" {
				continue // an answer that was not among the choices is none of theirs
			}
			keeps(t, c.name, page, map[string]string{field: typed})
		}
	}
	if after := changes(t, site); after != before {
		t.Errorf("%d changes were stored", after-before)
	}
}

func TestACorrectedMaterialShowsOldBesideNew(t *testing.T) {
	t.Parallel()
	site := webtest.New(t)
	oil(t, site)
	maker := site.As(access.Maker)
	form := maker.Get("/materials/OO/correct")
	stale := maker.Get("/materials/OO/correct")
	refused(t, "without a reason", maker.Submit(form, "Correct this material", map[string]string{"name": ""}), map[string]string{"reason": "Say why", "name": "Write the material's name"})
	page := maker.Follow(maker.Submit(form, "Correct this material", map[string]string{"caution": "Wear gloves.", "retired": "on", "reason": "new <sheet>"}))
	row := page.Text("table.changes tbody")
	for _, want := range []string{"Caution", "was Slippery: wipe spills at once.", "now Wear gloves.", "new <sheet>", "Maker Quill", "Not bought any more since"} {
		if !strings.Contains(row, want) {
			t.Errorf("what was changed does not say %q: %q", want, row)
		}
	}
	if page.Find("table.changes s").Length() == 0 || !strings.Contains(page.Text(".note.care"), "Wear gloves.") {
		t.Error("the old value is struck through, and the new caution is shown")
	}
	late := maker.Submit(stale, "Correct this material", map[string]string{"name": "Oat oil, raw", "reason": "full name"})
	if late.Status != http.StatusConflict || !strings.Contains(late.Text(".summary"), "Somebody changed this meanwhile") {
		t.Fatalf("a stale page: %d %q", late.Status, late.Text(".summary"))
	}
	keeps(t, "a stale page", late, map[string]string{"name": "Oat oil, raw", "reason": "full name", "caution": "Slippery: wipe spills at once."})
	if hint := late.Text("#f-caution-hint"); hint != "In the book: Wear gloves." {
		t.Errorf("beside the box stands %q", hint)
	}
	// Having seen that, the maker sends it again as it is wanted.
	again := maker.Follow(maker.Submit(late, "Correct this material", map[string]string{"caution": "Wear gloves."}))
	if again.Text("h1") != "Oat oil, raw" {
		t.Errorf("after the second look: %q", again.Text("h1"))
	}
}

func TestTheListOfMaterialsGoesOnByName(t *testing.T) {
	t.Parallel()
	site := webtest.New(t)
	for i := range 103 {
		m := store.Material{Name: fmt.Sprintf("Oil %03d", i), Code: fmt.Sprintf("O%d", i), Kind: "raw", Unit: "g", Tracked: true}
		if _, err := site.Store.AddMaterial(t.Context(), site.Who(access.Maker), store.Entry{}, m); err != nil {
			t.Fatal(err)
		}
	}
	viewer := site.As(access.Viewer)
	first := viewer.Get("/materials")
	next := viewer.Get(first.Find("nav.pager a[rel=next]").AttrOr("href", "?"))
	if diff := cmp.Diff([]int{100, 3}, []int{first.Find("tbody tr").Length(), next.Find("tbody tr").Length()}); diff != "" || next.Find("nav.pager a[rel=next]").Length() != 0 {
		t.Errorf("rows of the two pages:\n%s", diff)
	}
	if first.Find("a[href='/lots/new']").Length()+first.Find("a[href='/materials/new']").Length() != 0 {
		t.Error("a viewer is offered what they may not do")
	}
}
