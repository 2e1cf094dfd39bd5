package batches_test

import (
	"bytes"
	"image"
	"image/png"
	"net/http"
	"net/url"
	"strings"
	"testing"

	"github.com/google/uuid"

	"example.org/stillroom/internal/access"
	"example.org/stillroom/internal/pgtest"
	"example.org/stillroom/internal/store"
	"example.org/stillroom/web/webtest"
)

// labels makes the wrap of the fizz a label that is kept in lots.
func (h fizz) labels() {
	h.t.Helper()
	ok(h.t, h.Store.CorrectMaterial(h.t.Context(), h.maker, store.Entry{}, store.Material{Code: "WR", Name: "Label", Tracked: true, IsLabel: true}, "it is a label"))
}

func TestLabelsAreAskedForInOnePlace(t *testing.T) {
	t.Parallel()
	h := newFizz(t)
	code := h.dried()
	helper := h.As(access.Helper)
	form := helper.Get("/batches/" + code + "/pack")
	if form.Find("[name=labels_used]").Length() != 1 {
		t.Error("labels without lots are not asked for")
	}
	h.labels()
	form = helper.Get("/batches/" + code + "/pack")
	if form.Find("[name=labels_used]").Length() != 0 || !strings.Contains(form.Text("main"), "taken from their lots above") {
		t.Error("labels that have lots are asked for twice")
	}
	page := helper.Follow(helper.Submit(form, "Record this packing", h.nine(code)))
	if !strings.Contains(page.Text("dl.facts"), "Labels used10") {
		t.Errorf("the labels follow from the lot: %q", page.Text("dl.facts"))
	}
	if correct := helper.Get("/packings/" + code + "/correct"); correct.Find("[name=labels_used]").Length() != 0 {
		t.Error("the correction asks for them again")
	}
}

func TestTheCautionOfPackagingStandsWhereItIsFilled(t *testing.T) {
	t.Parallel()
	h := newFizz(t)
	code := h.dried()
	ok(t, h.Store.CorrectMaterial(t.Context(), h.maker, store.Entry{}, store.Material{Code: "WR", Name: "Jar", Tracked: true, Caution: "Glass: look for chips."}, "it is a jar"))
	form := h.As(access.Helper).Get("/batches/" + code + "/pack")
	if note := form.Text(".note.care"); !strings.Contains(note, "Jar: Glass: look for chips.") || !strings.Contains(note, "safety data sheet goes first") {
		t.Errorf("the caution of the jar: %q", note)
	}
}

func TestTheSecondPackingShowsTheFirstAndWhatIsLeft(t *testing.T) {
	t.Parallel()
	h := newFizz(t)
	code := h.dried()
	helper := h.As(access.Helper)
	if got := helper.Get("/batches/" + code + "/pack").Text("dl.facts"); !strings.Contains(got, "10 units by the count") || strings.Contains(got, "Packed so far") {
		t.Errorf("before the first: %q", got)
	}
	typed := h.nine(code)
	typed["good"], typed["retained"], typed["finished"] = "5", "", ""
	helper.Follow(helper.Submit(helper.Get("/batches/"+code+"/pack"), "Record this packing", typed))
	got := helper.Get("/batches/" + code + "/pack").Text("dl.facts")
	for _, want := range []string{"Packed so far", code, "5 units of Bath fizz, 165 g", "5 units by the count: 10 made: 5 good, 5 not accounted for"} {
		if !strings.Contains(got, want) {
			t.Errorf("the second form does not say %q: %q", want, got)
		}
	}
}

func TestWhatWasHandedOutAndDoesNotAddUpIsExplainedFromTheRelease(t *testing.T) {
	t.Parallel()
	h := newFizz(t)
	code := h.dried()
	helper, maker := h.As(access.Helper), h.As(access.Maker)
	form := helper.Get("/batches/" + code + "/pack")
	typed := h.nine(code)
	typed["pack-issued-0"], typed["pack-returned-0"], typed["labels_issued"] = "14", "x", "1"
	bad := helper.Submit(form, "Record this packing", typed)
	if bad.Status != http.StatusUnprocessableEntity || bad.Error("pack-returned-0") == "" || bad.Value("pack-issued-0") != "14" || bad.Value("labels_issued") != "1" {
		t.Fatalf("%d: %q, kept %q and %q", bad.Status, bad.Error("pack-returned-0"), bad.Value("pack-issued-0"), bad.Value("labels_issued"))
	}
	if bad.Find("details[open] [name=pack-returned-0], details[open] [name=labels_issued]").Length() != 2 {
		t.Error("what is off stands in a part that is shut")
	}
	typed["pack-returned-0"], typed["labels_issued"] = "2", ""
	packing := helper.Follow(helper.Submit(form, "Record this packing", typed))
	if !strings.Contains(packing.Text("main"), "2 not accounted for") {
		t.Errorf("the packing says %q", packing.Text("main"))
	}
	release := maker.Get("/packings/" + code + "/release")
	if strings.Contains(release.Body, "Sign and release") || !strings.Contains(release.Text("dl.facts"), "Wrap: 14 handed out, 10 used + 0 spoiled + 2 put back; 2 not accounted for") {
		t.Fatalf("the release: %q", release.Text("main"))
	}
	href, _ := release.Find("dl.facts a:contains('Say what became of it')").Attr("href")
	explain := maker.Get(href)
	if explain.Status != http.StatusOK || !strings.Contains(explain.Text("table"), "14") {
		t.Fatalf("%s: %d %q", href, explain.Status, explain.Text("main"))
	}
	if empty := maker.Submit(explain, "Record this explanation", nil); empty.Status != http.StatusUnprocessableEntity || empty.Error("packaging_note") == "" {
		t.Errorf("without words: %d", empty.Status)
	}
	long := strings.Repeat("x", 1001)
	if page := maker.Submit(explain, "Record this explanation", map[string]string{"packaging_note": long}); page.Status != http.StatusUnprocessableEntity || page.Value("packaging_note") != long {
		t.Errorf("too many words: %d", page.Status)
	}
	first := maker.Submit(explain, "Record this explanation", map[string]string{"packaging_note": "blown off the bench"})
	if again := maker.Submit(explain, "Record this explanation", map[string]string{"packaging_note": "blown off the bench"}); again.Status != http.StatusSeeOther || again.Location != first.Location {
		t.Errorf("sent twice: %d %s", again.Status, again.Location)
	}
	if page := maker.Follow(first); !strings.Contains(page.Text("main"), "blown off the bench") {
		t.Errorf("after explaining: %q", page.Text("main"))
	}
	stale := maker.Submit(maker.Get("/packings/"+code+"/packaging"), "Correct it", map[string]string{"packaging_note": "swept up", "reason": ""})
	if stale.Status != http.StatusUnprocessableEntity || stale.Error("reason") == "" || stale.Value("packaging_note") != "swept up" {
		t.Errorf("changed without a reason: %d %q", stale.Status, stale.Error("reason"))
	}
	maker.Follow(maker.Submit(maker.Get("/packings/"+code+"/release"), "Sign and release", map[string]string{"password": webtest.Password}))
}

func TestEachBlockedConditionLeadsToTheFormThatLiftsIt(t *testing.T) {
	t.Parallel()
	h := newFizz(t)
	code := h.dried()
	ok(t, h.Store.NoteDeviation(t.Context(), h.maker, store.Entry{}, code, "A fly", ""))
	helper, maker := h.As(access.Helper), h.As(access.Maker)
	typed := h.nine(code)
	typed["cleared"], typed["label_checked"], typed["good"], typed["yield_note"] = "", "", "8", ""
	asked := helper.Submit(helper.Get("/batches/"+code+"/pack"), "Record this packing", typed)
	if !strings.Contains(asked.Error("yield_note"), "1 not accounted for") {
		t.Errorf("a unit gone: %q", asked.Error("yield_note"))
	}
	typed["finished"] = ""
	helper.Follow(helper.Submit(asked, "Record this packing", typed))
	ok(t, h.Store.SetLotStatus(t.Context(), h.Who(access.Owner), store.Entry{}, "SB-1", "rejected", "withdrawn"))
	release := maker.Get("/packings/" + code + "/release")
	for words, want := range map[string]string{"Decide deviation 1": "/deviations/1", "Correct the packing": "/packings/" + code + "/correct", "Look at lot SB-1": "/lots/SB-1"} {
		link := release.Find("dl.facts a:contains('" + words + "')").First()
		if href, _ := link.Attr("href"); href != want {
			t.Errorf("%q leads to %q, want %q", words, href, want)
		} else if page := maker.Get(href); page.Status != http.StatusOK {
			t.Errorf("%s answers %d", href, page.Status)
		}
	}
}

func TestUnitsWeighedTogetherTellWhereTheMassWent(t *testing.T) {
	t.Parallel()
	h := newFizz(t)
	code := h.dried()
	helper := h.As(access.Helper)
	form := helper.Get("/batches/" + code + "/stage?stage=cure_end")
	if got := form.Find("[name=stage][checked]").AttrOr("value", ""); got != "cure_end" {
		t.Errorf("the stage that the link names is not chosen: %q", got)
	}
	bad := helper.Submit(form, "Record this weighing", map[string]string{"units": "2.5", "grams": "heavy"})
	if bad.Status != http.StatusUnprocessableEntity || bad.Error("units") == "" || bad.Error("grams") == "" || bad.Value("units") != "2.5" || bad.Value("grams") != "heavy" {
		t.Errorf("%d: %q, %q", bad.Status, bad.Error("units"), bad.Error("grams"))
	}
	if none := helper.Post("/batches/"+code+"/stage", url.Values{"entry_key": {uuid.NewString()}}); none.Error("stage") == "" || none.Error("units") == "" || none.Error("grams") == "" {
		t.Errorf("an empty form: %d", none.Status)
	}
	asked := helper.Submit(form, "Record this weighing", map[string]string{"units": "2", "grams": "33.1"})
	if !strings.Contains(asked.Error("really"), "a unit is meant to hold 168 g") || asked.Value("grams") != "33.1" {
		t.Errorf("a slip of the point: %q", asked.Error("really"))
	}
	first := helper.Submit(asked, "Record this weighing", map[string]string{"grams": "331", "really": "no"})
	if again := helper.Submit(asked, "Record this weighing", map[string]string{"grams": "331", "really": "no"}); again.Status != http.StatusSeeOther {
		t.Errorf("sent twice: %d", again.Status)
	}
	if other := helper.Submit(asked, "Record this weighing", map[string]string{"grams": "332", "really": "no"}); other.Status != http.StatusUnprocessableEntity || other.Value("grams") != "332" {
		t.Errorf("another weight under the same key: %d", other.Status)
	}
	list := helper.Follow(first)
	if !strings.Contains(list.Text("main"), "End of the drying: 2 units, 331 g, 165.5 g each") || list.Find("ul.rows li").Length() != 1 {
		t.Fatalf("in the book: %q", list.Text("main"))
	}
	href, _ := list.Find("ul.rows a").Attr("href")
	entry, old := helper.Get(href), helper.Get(href)
	if without := helper.Submit(entry, "Record the correction", map[string]string{"grams": "330"}); without.Status != http.StatusUnprocessableEntity || without.Error("reason") == "" || without.Value("grams") != "330" {
		t.Errorf("without a reason: %d %q", without.Status, without.Error("reason"))
	}
	fixed := helper.Follow(helper.Submit(entry, "Record the correction", map[string]string{"grams": "330", "reason": "read it wrong"}))
	if fixed.Find("s").Length() != 1 || !strings.Contains(fixed.Text("main"), "330 g") {
		t.Errorf("after the correction: %q", fixed.Text("main"))
	}
	stale := helper.Submit(old, "Record the correction", map[string]string{"grams": "329", "reason": "once more"})
	if stale.Status != http.StatusConflict || !strings.Contains(stale.Text("main"), "corrected meanwhile") || !strings.Contains(stale.Text("main"), "You typed: 2 units, 329 g. once more") {
		t.Errorf("a stale correction: %d %q", stale.Status, stale.Text("main"))
	}
	helper.Follow(helper.Submit(helper.Get("/batches/"+code+"/pack"), "Record this packing", h.nine(code)))
	table := h.As(access.Viewer).Get("/batches/" + code).Text("[aria-label='Mass from stage to stage']")
	for _, want := range []string{"End of the drying", "10 × 165 g, the mean weight at that stage", "Packed", "all that came out, by fate", "38.5 g"} {
		if !strings.Contains(table, want) {
			t.Errorf("the table does not say %q: %q", want, table)
		}
	}
	next, _ := fixed.Find("ul.rows a").Attr("href")
	gone := helper.Follow(helper.Submit(helper.Get(next), "take it back", map[string]string{"reason": "never weighed"}))
	if gone.Find("s").Length() != 2 {
		t.Errorf("taken back: %q", gone.Text("main"))
	}
}

func TestAStageIsTypedAndShownInTheWorkshopsUnit(t *testing.T) {
	t.Parallel()
	h := newFizz(t)
	code := h.dried()
	pgtest.History(t, h.DB, uuid.UUID(h.maker.Workshop)).Do(pgtest.Statement{SQL: `UPDATE workshop SET mass_unit = 'oz' WHERE id = $1 AND $2::uuid IS NOT NULL`})
	helper := h.As(access.Helper)
	page := helper.Follow(helper.Submit(helper.Get("/batches/"+code+"/stage?stage=packing"), "Record this weighing", map[string]string{"units": "2", "grams": "11.7"}))
	if !strings.Contains(page.Text("main"), "2 units, 11.7 oz, 5.85 oz each") {
		t.Errorf("in the book: %q", page.Text("main"))
	}
	b, err := h.Store.Batch(t.Context(), h.maker.Workshop, code)
	ok(t, err)
	if m := b.StageMasses[0]; !m.Grams.Equal(dec("331.6894")) || m.Typed != "11.7 oz" {
		t.Errorf("%s g, typed %q", m.Grams, m.Typed)
	}
}

func TestPackingIsTakenUpAgainFromTheBatchsPage(t *testing.T) {
	t.Parallel()
	h := newFizz(t)
	code := h.packed()
	helper := h.As(access.Helper)
	href, _ := helper.Get("/batches/" + code).Find("a:contains('not finished after all')").Attr("href")
	form := helper.Get(href)
	if bad := helper.Submit(form, "Take up packing again", nil); bad.Status != http.StatusUnprocessableEntity || bad.Error("reason") != "Say why." {
		t.Errorf("without a reason: %d %q", bad.Status, bad.Error("reason"))
	}
	long := strings.Repeat("x", 1001)
	if bad := helper.Submit(form, "Take up packing again", map[string]string{"reason": long}); bad.Error("reason") == "" || bad.Value("reason") != long {
		t.Errorf("too many words: %d", bad.Status)
	}
	page := helper.Follow(helper.Submit(form, "Take up packing again", map[string]string{"reason": "one stood behind the kettle"}))
	if !strings.Contains(page.Text(".head"), "Pack more") || !strings.Contains(page.Text(".changes"), "one stood behind the kettle") {
		t.Errorf("after: %q", page.Text("main"))
	}
	if got := helper.Submit(form, "Take up packing again", map[string]string{"reason": "and again"}).Status; got != http.StatusUnprocessableEntity {
		t.Errorf("a stale page answers %d", got)
	}
	if got := h.As(access.Viewer).Get("/batches/" + code + "/reopen").Status; got != http.StatusForbidden {
		t.Errorf("a viewer: %d", got)
	}
}

func TestABatchWithPackingsThatWaitIsRejectedWithAPassword(t *testing.T) {
	t.Parallel()
	h := newFizz(t)
	code := h.packed()
	maker := h.As(access.Maker)
	page := maker.Get("/batches/" + code)
	for typed, want := range map[string]string{"": "sign with your password", "guessed-at-random": "That is not your password."} {
		bad := maker.Submit(page, "Reject it", map[string]string{"reason": "mould found", "password": typed})
		if bad.Status != http.StatusUnprocessableEntity || !strings.Contains(bad.Error("password"), want) || bad.Value("reason") != "mould found" || bad.Value("password") != "" {
			t.Errorf("with %q: %d %q", typed, bad.Status, bad.Error("password"))
		}
	}
	maker.Follow(maker.Submit(page, "Reject it", map[string]string{"reason": "mould found", "password": webtest.Password}))
	packing := maker.Get("/packings/" + code)
	if got := packing.Text(".note.stop"); !strings.Contains(got, "Rejected by Maker Quill") || !strings.Contains(got, "mould found") {
		t.Errorf("the packing says %q", got)
	}
}

func TestAPhotoIsKeptWithTheBatch(t *testing.T) {
	t.Parallel()
	h := newFizz(t)
	code := h.pressed()
	helper := h.As(access.Helper)
	form := helper.Get("/batches/" + code + "/papers")
	bad := helper.Submit(form, "Keep this paper", nil)
	if bad.Status != http.StatusUnprocessableEntity || bad.Error("kind") == "" || bad.Error("file") != "Choose the file." {
		t.Errorf("an empty form: %d %q %q", bad.Status, bad.Error("kind"), bad.Error("file"))
	}
	key := form.Value("entry_key")
	wrong := helper.Upload("/batches/"+code+"/papers", map[string]string{"entry_key": key, "kind": "photo"}, "file", "notes.txt", []byte("not a picture"))
	if wrong.Status != http.StatusUnprocessableEntity || wrong.Error("file") == "" || wrong.Find("[name=kind][checked]").AttrOr("value", "") != "photo" {
		t.Errorf("a text: %d %q", wrong.Status, wrong.Error("file"))
	}
	var picture bytes.Buffer
	ok(t, png.Encode(&picture, image.NewGray(image.Rect(0, 0, 2, 2))))
	for range 2 { // sent twice, kept once
		if page := helper.Upload("/batches/"+code+"/papers", map[string]string{"entry_key": key, "kind": "photo"}, "file", "loaf.png", picture.Bytes()); page.Status != http.StatusSeeOther {
			t.Fatalf("%d: %q", page.Status, page.Text("main"))
		}
	}
	link := helper.Get("/batches/" + code).Find("a:contains('loaf.png')")
	if link.Length() != 1 {
		t.Fatalf("the photo stands %d times on the batch's page", link.Length())
	}
	href, _ := link.Attr("href")
	if file := helper.Get(href); file.Status != http.StatusOK || file.Header.Get("Content-Type") != "image/png" {
		t.Errorf("%s: %d %s", href, file.Status, file.Header.Get("Content-Type"))
	}
	if got := h.As(access.Viewer).Get("/batches/" + code + "/papers").Status; got != http.StatusForbidden {
		t.Errorf("a viewer: %d", got)
	}
}

func TestTheNewPagesOfAnotherWorkshopAreNotFound(t *testing.T) {
	t.Parallel()
	h := newFizz(t)
	code := h.packed()
	other := webtest.New(t).As(access.Owner)
	for _, path := range []string{"/batches/" + code + "/stage", "/batches/" + code + "/stage/" + uuid.NewString(), "/batches/" + code + "/reopen", "/batches/" + code + "/papers", "/packings/" + code + "/packaging"} {
		if got := other.Get(path).Status; got != http.StatusNotFound {
			t.Errorf("%s answers %d", path, got)
		}
		if got := other.Post(path, url.Values{"entry_key": {uuid.NewString()}, "reason": {"x"}, "packaging_note": {"x"}, "stage": {"packing"}, "units": {"1"}, "grams": {"1"}}).Status; got != http.StatusNotFound {
			t.Errorf("sent to %s: %d", path, got)
		}
	}
}
