package batches_test

import (
	"net/http"
	"net/url"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/shopspring/decimal"

	"example.org/stillroom/internal/access"
	"example.org/stillroom/internal/day"
	"example.org/stillroom/internal/pgtest"
	"example.org/stillroom/internal/store"
	"example.org/stillroom/web/webtest"
)

func ok(t testing.TB, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

func dec(text string) decimal.Decimal { return decimal.RequireFromString(text) }

func some(text string) decimal.NullDecimal { return decimal.NewNullDecimal(dec(text)) }

// fizz is a site with a bath fizz, pressed three days ago: ten of them dry, or have dried since an hour.
type fizz struct {
	*webtest.Site
	t     testing.TB
	maker store.Who
	today day.Day
}

func newFizz(t testing.TB) fizz {
	t.Helper()
	site := webtest.New(t)
	h := fizz{Site: site, t: t, maker: site.Who(access.Maker), today: day.In(time.Now(), time.UTC)}
	ctx, s := t.Context(), site.Store
	for _, m := range []store.Material{
		{Code: "SB", Name: "Sodium bicarbonate", Kind: "raw", Unit: "g", Tracked: true, ExpiryCounts: true},
		{Code: "CA", Name: "Citric acid", Kind: "raw", Unit: "g", Tracked: true, ExpiryCounts: true},
		{Code: "WR", Name: "Wrap", Kind: "packaging", Unit: "each", Tracked: true},
	} {
		_, err := s.AddMaterial(ctx, h.maker, store.Entry{}, m)
		ok(t, err)
		quantity := "5000"
		if m.Kind == "packaging" {
			quantity = "50"
		}
		h.lot(m.Code, m.Code+"-1", quantity)
	}
	_, err := s.AddFormula(ctx, h.maker, store.Entry{}, store.NewFormula{Code: "BF", Name: "Bath fizz", Letters: "BF"})
	ok(t, err)
	v, err := s.FormulaVersion(ctx, h.maker.Workshop, "BF", 1)
	ok(t, err)
	v.ExpectedLossPct, v.ReconciliationPct, v.CureHours, v.CureWord = dec("0.5"), dec("3"), 48, "dry"
	v.Portions = []store.FormulaPortion{{Name: "Fizz", Basis: "share", Amount: dec("100"), Lines: []store.FormulaLine{
		{Kind: "material", MaterialCode: "SB", Basis: "share", Amount: dec("66")}, {Kind: "material", MaterialCode: "CA", Basis: "share", Amount: dec("34")}}}}
	v.Steps = []store.FormulaStep{{Text: "Press into the moulds <script>alert(1)</script>"}}
	v.Controls = []store.FormulaControl{{Name: "Weight dried", Stage: "packing", Unit: "g", Low: some("160"), High: some("170"), Readings: 2}}
	ok(t, s.SaveDraft(ctx, h.maker, store.Entry{}, "BF", v))
	ok(t, s.ApproveFormula(ctx, h.maker, store.Entry{}, "BF", 1))
	_, err = s.AddProduct(ctx, h.maker, store.Entry{}, store.Product{Code: "BF165", Name: "Bath fizz, 165 g", FormulaCode: "BF", NetContentG: some("165"), FillG: some("168"), ShelfLifeMonths: 12, ShelfLifeFrom: "made", CapByExpiry: true,
		DatePrecision: "day", Packaging: []store.ProductPackaging{{MaterialCode: "WR", PerUnit: dec("1")}}})
	ok(t, err)
	return h
}

func (h fizz) lot(material, code, quantity string) {
	h.t.Helper()
	_, err := h.Store.ReceiveLot(h.t.Context(), h.maker, store.Entry{}, store.Receipt{Code: code, Material: material, Quantity: dec(quantity), ReceivedOn: h.today.AddDays(-90), ExpiresOn: h.today.AddDays(500), Release: true})
	ok(h.t, err)
}

func (h fizz) pressed() string {
	h.t.Helper()
	ctx, s, began := h.t.Context(), h.Store, time.Now().Add(-72*time.Hour)
	plan, err := s.MakePlan(ctx, h.maker, store.NewPlan{Formula: "BF", Product: "BF165", MassG: dec("1690"), On: h.today})
	ok(h.t, err)
	code, err := s.StartBatch(ctx, h.maker, store.Entry{}, store.Start{Plan: plan, MadeAt: began, TemperatureC: some("20"), HumidityPct: some("45")})
	ok(h.t, err)
	b, err := s.Batch(ctx, h.maker.Workshop, code)
	ok(h.t, err)
	for _, l := range b.Lines {
		ok(h.t, s.Weigh(ctx, h.maker, store.Entry{}, store.Weighing{Batch: code, Line: l.ID, Lot: l.Material + "-1", Grams: l.TargetG, At: began}))
	}
	ok(h.t, s.TickStep(ctx, h.maker, store.Entry{}, code, b.Steps[0].ID, "", began))
	ok(h.t, s.Mould(ctx, h.maker, store.Entry{}, store.Moulding{Batch: code, Units: 10, At: began.Add(time.Hour)}))
	return code
}

func (h fizz) dried() string {
	h.t.Helper()
	code := h.pressed()
	ok(h.t, h.Store.EndCure(h.t.Context(), h.maker, store.Entry{}, code, time.Now().Add(-time.Hour), store.Really{}))
	return code
}

// run is the name of the box for the weights at packing.
func (h fizz) run(code string) string {
	h.t.Helper()
	b, err := h.Store.Batch(h.t.Context(), h.maker.Workshop, code)
	ok(h.t, err)
	return "run-" + store.Text(b.Controls[0].ID)
}

func (h fizz) nine(code string) map[string]string {
	return map[string]string{"good": "9", "retained": "1", "cleared": "on", "label_checked": "on", "label_specimen": "Bath fizz 165 g " + code, h.run(code): "166\n165,4\n", "finished": "on"}
}

// packed packs a dried batch in the browser and answers its code.
func (h fizz) packed() string {
	h.t.Helper()
	code := h.dried()
	helper := h.As(access.Helper)
	helper.Follow(helper.Submit(helper.Get("/batches/"+code+"/pack"), "Record this packing", h.nine(code)))
	return code
}

func TestABatchIsPackedReleasedAndShownFromPageToPage(t *testing.T) {
	t.Parallel()
	h := newFizz(t)
	code := h.dried()
	helper := h.As(access.Helper)
	page := helper.Get("/batches/" + code)
	if !strings.Contains(page.Text(".life"), "To be packed") && !strings.Contains(page.Text(".life .now"), "Packed") {
		t.Errorf("the strip: %q", page.Text(".life"))
	}
	form := helper.Get("/batches/" + code + "/pack")
	if got := form.Value("pack-lot-0"); got != "WR-1" {
		t.Errorf("the one fit lot of wraps is not chosen: %q", got)
	}
	if !strings.Contains(form.Text("main"), h.today.AddDays(-3).AddMonths(12).Long()) {
		t.Errorf("the form does not say the date that will be printed: %q", form.Text("dl.facts"))
	}
	packing := helper.Follow(helper.Submit(form, "Record this packing", h.nine(code)))
	if !strings.HasPrefix(packing.Path, "/packings/"+code) || !strings.Contains(packing.Text("main"), "2 readings, mean 165.7, 165.4 to 166 g") || packing.Text("td[data-label=Used]") != "10" {
		t.Errorf("%s: %q", packing.Path, packing.Text("main"))
	}
	if strings.Contains(packing.Text(".head"), "Release") {
		t.Error("a helper is offered the release")
	}
	maker := h.As(access.Maker)
	release := maker.Get("/packings/" + code + "/release")
	if !strings.Contains(release.Text(".answer"), "Nothing in the way") {
		t.Fatalf("conditions: %q", release.Text("main"))
	}
	wrong := maker.Submit(release, "Sign and release", map[string]string{"password": "guessed-at-random"})
	if wrong.Status != http.StatusUnprocessableEntity || wrong.Error("password") != "That is not your password." || wrong.Value("password") != "" {
		t.Errorf("a wrong password: %d, %q", wrong.Status, wrong.Error("password"))
	}
	done := maker.Follow(maker.Submit(release, "Sign and release", map[string]string{"password": webtest.Password}))
	if !strings.Contains(done.Text(".note.good"), "Released by Maker Quill") {
		t.Errorf("after the release: %q", done.Text("main"))
	}
	batch := maker.Get("/batches/" + code)
	for _, want := range []string{"Bath fizz, 165 g", "Unexplained", "Weight dried", "9 (89.9 % of what the mass gives)", "7.7 °C", "SB-1", "1 115.4"} {
		if !strings.Contains(batch.Text("main"), want) {
			t.Errorf("the batch's page does not say %q", want)
		}
	}
	if got := batch.Text(".life .now b"); got != "Released" {
		t.Errorf("the strip stands at %q", got)
	}
	if strings.Contains(batch.Body, "<script>alert") {
		t.Error("a stored script is live")
	}
}

func TestABadPackingTellsEverythingAtOnceAndKeepsWhatWasTyped(t *testing.T) {
	t.Parallel()
	h := newFizz(t)
	code := h.dried()
	helper := h.As(access.Helper)
	form := helper.Get("/batches/" + code + "/pack")
	run := h.run(code)
	page := helper.Submit(form, "Record this packing", map[string]string{"good": "1.000", "retained": "x", "packed_on": "2026-02-30", run: "166\nheavy\n", "pack-used-0": "1,234", "pack-lot-2": "NO-SUCH", "pack-used-2": "3",
		"reject-units-1": "", "reject-reason-1": "light", "left_over": "-1", "finished": "on", "label_specimen": strings.Repeat("x", 2001), "yield_note": strings.Repeat("y", 1001)})
	if page.Status != http.StatusUnprocessableEntity {
		t.Fatalf("status %d", page.Status)
	}
	for field, want := range map[string]string{"good": "whole number", "retained": "", "packed_on": "30 February", run: "Line 2 (heavy)", "pack-used-0": "could mean", "reject-units-0": "How many?", "left_over": "", "label_specimen": "At most 2000", "yield_note": "At most 1000"} {
		if page.Error(field) == "" || !strings.Contains(page.Error(field), want) {
			t.Errorf("beside %s: %q, want %q", field, page.Error(field), want)
		}
	}
	for field, want := range map[string]string{"good": "1.000", "packed_on": "2026-02-30", "pack-used-0": "1,234", "pack-lot-2": "NO-SUCH", "reject-reason-0": "light"} {
		if page.Value(field) != want {
			t.Errorf("what was typed into %s is %q, want %q", field, page.Value(field), want)
		}
	}
	if page.Find(".summary a[href='#f-good']").Length() != 1 || !strings.HasPrefix(page.Find("title").Text(), "Error: ") {
		t.Error("the summary leads to the field, and the title says that there is an error")
	}
	b, err := h.Store.Batch(t.Context(), h.maker.Workshop, code)
	ok(t, err)
	if len(b.Packings) != 0 {
		t.Error("half a packing was stored")
	}
	// A lot that is not in the book, once the rest can be read.
	page = helper.Submit(form, "Record this packing", map[string]string{"good": "9", "pack-lot-2": "NO-SUCH", "pack-used-2": "3"})
	if got := page.Error("pack-lot-2"); !strings.Contains(got, "There is no lot") {
		t.Errorf("beside the lot: %q", got)
	}
}

func TestWhatIsUnusualIsAskedAndAnsweredOnTheSamePage(t *testing.T) {
	t.Parallel()
	h := newFizz(t)
	code := h.dried()
	helper := h.As(access.Helper)
	typed := h.nine(code)
	typed["good"] = "12"
	asked := helper.Submit(helper.Get("/batches/"+code+"/pack"), "Record this packing", typed)
	if asked.Status != http.StatusUnprocessableEntity || !strings.Contains(asked.Error("really"), "13 units packed, kept back or rejected; 10 moulded.") || asked.Value("good") != "12" {
		t.Fatalf("%d: %q", asked.Status, asked.Error("really"))
	}
	still := helper.Submit(asked, "Record this packing", map[string]string{"really": "yes"})
	if !strings.Contains(still.Error("reason"), "Say how it came about") {
		t.Errorf("without a reason: %d %q", still.Status, still.Error("reason"))
	}
	page := helper.Follow(helper.Submit(asked, "Record this packing", map[string]string{"really": "yes", "reason": "two came from the mould of yesterday", "yield_note": "two more than were pressed"}))
	if !strings.Contains(page.Text("main"), "two came from the mould of yesterday") {
		t.Errorf("the deviation is not shown: %q", page.Text("main"))
	}
	maker := h.As(access.Maker)
	list := maker.Get("/deviations")
	if !strings.Contains(list.Text("main"), "10 moulded") {
		t.Errorf("the list of deviations: %q", list.Text("main"))
	}
	deviation := maker.Get("/deviations/1")
	bad := maker.Submit(deviation, "Record the decision", nil)
	if bad.Status != http.StatusUnprocessableEntity || bad.Error("decision") == "" || bad.Error("note") == "" {
		t.Errorf("an empty decision: %d", bad.Status)
	}
	maker.Follow(maker.Submit(deviation, "Record the decision", map[string]string{"decision": "accept", "note": "counted with her"}))
	if got := maker.Get("/packings/" + code); !strings.Contains(got.Text("main"), "counted with her") {
		t.Errorf("the decision is not shown: %q", got.Text("main"))
	}
}

func TestADecisionOnAStaleDeviationIsTold(t *testing.T) {
	t.Parallel()
	h := newFizz(t)
	code := h.dried()
	ok(t, h.Store.NoteDeviation(t.Context(), h.maker, store.Entry{}, code, "A fly", ""))
	maker, owner := h.As(access.Maker), h.As(access.Owner)
	mine, theirs := maker.Get("/deviations/1"), owner.Get("/deviations/1")
	owner.Follow(owner.Submit(theirs, "Record the decision", map[string]string{"decision": "accept", "note": "taken out"}))
	page := maker.Submit(mine, "Record the decision", map[string]string{"decision": "reject", "note": "not taken out"})
	if page.Status != http.StatusConflict || !strings.Contains(page.Text("main"), "decided or taken back meanwhile") {
		t.Errorf("%d: %q", page.Status, page.Text("main"))
	}
	helper := h.As(access.Helper)
	if strings.Contains(helper.Get("/deviations/1").Body, "Record the decision") {
		t.Error("a helper is offered the decision")
	}
	if got := helper.Post("/deviations/1", url.Values{"decision": {"accept"}, "note": {"x"}}).Status; got != http.StatusForbidden {
		t.Errorf("a helper's decision answers %d", got)
	}
}

func TestAPackingSentTwiceIsStoredOnceAndAnotherUnderItsKeyIsRefused(t *testing.T) {
	t.Parallel()
	h := newFizz(t)
	code := h.dried()
	helper := h.As(access.Helper)
	form := helper.Get("/batches/" + code + "/pack")
	first, again := helper.Submit(form, "Record this packing", h.nine(code)), helper.Submit(form, "Record this packing", h.nine(code))
	if first.Status != http.StatusSeeOther || again.Location != first.Location {
		t.Errorf("first %d %s, again %d %s", first.Status, first.Location, again.Status, again.Location)
	}
	other := h.nine(code)
	other["good"] = "8"
	if page := helper.Submit(form, "Record this packing", other); page.Status != http.StatusUnprocessableEntity {
		t.Errorf("other counts under the same key: %d", page.Status)
	}
	b, err := h.Store.Batch(t.Context(), h.maker.Workshop, code)
	ok(t, err)
	if len(b.Packings) != 1 || b.Packings[0].UnitsGood != 9 {
		t.Errorf("packings: %+v", b.Packings)
	}
	verdict, err := store.Verify(t.Context(), h.DB.OwnerURL)
	if err != nil || len(verdict[0].Broken) > 0 {
		t.Errorf("verify: %v, %v", verdict, err)
	}
}

func TestAReleaseBlocksOnThePageAndOnTheServer(t *testing.T) {
	t.Parallel()
	h := newFizz(t)
	code := h.dried()
	helper := h.As(access.Helper)
	typed := h.nine(code)
	typed["label_checked"] = ""
	helper.Follow(helper.Submit(helper.Get("/batches/"+code+"/pack"), "Record this packing", typed))
	maker := h.As(access.Maker)
	page := maker.Get("/packings/" + code + "/release")
	if strings.Contains(page.Body, "Sign and release") || !strings.Contains(page.Text(".answer"), "1 condition open") {
		t.Fatalf("with the label unchecked: %q", page.Text("main"))
	}
	posted := maker.Post("/packings/"+code+"/release", url.Values{"entry_key": {uuid.NewString()}, "decision": {"release"}, "password": {webtest.Password}, "seen": {"none"}})
	if posted.Status != http.StatusConflict {
		t.Errorf("posted straight: %d %q", posted.Status, posted.Text("main"))
	}
	unseen := maker.Post("/packings/"+code+"/release", url.Values{"entry_key": {uuid.NewString()}, "decision": {"release"}, "password": {webtest.Password}})
	if unseen.Status != http.StatusUnprocessableEntity {
		t.Errorf("posted unseen: %d", unseen.Status)
	}
	if got := helper.Post("/packings/"+code+"/release", url.Values{"decision": {"release"}}).Status; got != http.StatusForbidden {
		t.Errorf("a helper's release answers %d", got)
	}
	refused := maker.Submit(page, "Sign and reject", map[string]string{"password": "wrong-one-again", "reason": "damp"})
	if refused.Status != http.StatusUnprocessableEntity || refused.Error("password") == "" || refused.Value("reason") != "damp" {
		t.Errorf("a rejection with a wrong password: %d %q", refused.Status, refused.Error("password"))
	}
	done := maker.Follow(maker.Submit(refused, "Sign and reject", map[string]string{"password": webtest.Password}))
	if !strings.Contains(done.Text(".note.stop"), "Rejected by Maker Quill") {
		t.Errorf("after the rejection: %q", done.Text("main"))
	}
}

func TestTheConditionsSignedAreThoseShown(t *testing.T) {
	t.Parallel()
	h := newFizz(t)
	code := h.packed()
	maker := h.As(access.Maker)
	page := maker.Get("/packings/" + code + "/release")
	ok(t, h.Store.SetLotStatus(t.Context(), h.Who(access.Owner), store.Entry{}, "SB-1", "rejected", "withdrawn"))
	stale := maker.Submit(page, "Sign and release", map[string]string{"password": webtest.Password})
	if stale.Status != http.StatusConflict || !strings.Contains(stale.Text("main"), "changed since you opened") || !strings.Contains(stale.Text("main"), "SB-1 is rejected") {
		t.Errorf("%d: %q", stale.Status, stale.Text("main"))
	}
}

func TestACorrectionShowsOldBesideNewAndAStaleOneIsTold(t *testing.T) {
	t.Parallel()
	h := newFizz(t)
	code := h.packed()
	helper, maker := h.As(access.Helper), h.As(access.Maker)
	mine, stale := helper.Get("/packings/"+code+"/correct"), maker.Get("/packings/"+code+"/correct")
	for field, want := range map[string]string{"good": "9", "retained": "1", "pack-lot-0": "WR-1", "pack-used-0": "10", "pack-spoiled-0": "0"} {
		if mine.Value(field) != want {
			t.Errorf("%s starts with %q, want %q", field, mine.Value(field), want)
		}
	}
	without := helper.Submit(mine, "Record the correction", map[string]string{"good": "8", "retained": "2"})
	if without.Status != http.StatusUnprocessableEntity || without.Error("reason") == "" || without.Value("good") != "8" {
		t.Errorf("without a reason: %d %q", without.Status, without.Error("reason"))
	}
	page := helper.Follow(helper.Submit(mine, "Record the correction", map[string]string{"good": "8", "retained": "2", "reason": "one was chipped"}))
	if !strings.Contains(page.Text(".changes"), "was 9") || !strings.Contains(page.Text(".changes"), "one was chipped") {
		t.Errorf("what was changed: %q", page.Text(".changes"))
	}
	told := maker.Submit(stale, "Record the correction", map[string]string{"good": "7", "reason": "counted"})
	if told.Status != http.StatusConflict || told.Value("good") != "7" || !strings.Contains(told.Text("main"), "In the book now: 8 good") {
		t.Errorf("a stale correction: %d %q", told.Status, told.Text("main"))
	}
	if got := h.As(access.Viewer).Get("/packings/" + code + "/correct").Status; got != http.StatusForbidden {
		t.Errorf("a viewer's correction page answers %d", got)
	}
}

func TestCountsNeverGoBelowWhatHasLeft(t *testing.T) {
	t.Parallel()
	h := newFizz(t)
	code := h.packed()
	book := pgtest.History(t, h.DB, uuid.UUID(h.maker.Workshop))
	book.Do(pgtest.Statement{SQL: `INSERT INTO unit_move (workshop_id, id, code, packing_id, moved_on, units, reason, change_id) SELECT $1, gen_random_uuid(), 'UM-1', id, current_date, -4, 'gift', $2 FROM packing WHERE workshop_id = $1 AND code = $3`, Args: []any{code}})
	maker := h.As(access.Maker)
	page := maker.Submit(maker.Get("/packings/"+code+"/correct"), "Record the correction", map[string]string{"good": "3", "reason": "counted"})
	if page.Status != http.StatusUnprocessableEntity || !strings.Contains(page.Error("good"), "4 units of it have left") {
		t.Errorf("%d: %q", page.Status, page.Error("good"))
	}
}

func TestPackingMoreThenFinishingAsksWhatBecameOfTheRest(t *testing.T) {
	t.Parallel()
	h := newFizz(t)
	code := h.dried()
	helper := h.As(access.Helper)
	typed := h.nine(code)
	typed["good"], typed["retained"], typed["finished"] = "5", "", ""
	helper.Follow(helper.Submit(helper.Get("/batches/"+code+"/pack"), "Record this packing", typed))
	if page := helper.Get("/batches/" + code); !strings.Contains(page.Text(".head"), "Pack more") {
		t.Errorf("no way to pack more: %q", page.Text(".head"))
	}
	finish := helper.Get("/batches/" + code + "/finish")
	asked := helper.Submit(finish, "Packing is finished", map[string]string{"left_over": "12"})
	if asked.Status != http.StatusUnprocessableEntity || !strings.Contains(asked.Error("yield_note"), "are missing") || asked.Value("left_over") != "12" {
		t.Fatalf("%d: %q", asked.Status, asked.Error("yield_note"))
	}
	page := helper.Follow(helper.Submit(asked, "Packing is finished", map[string]string{"left_over": "12", "yield_note": "five fell on the floor"}))
	if !strings.Contains(page.Text("main"), "five fell on the floor") || page.Text(".life .now b") != "In quarantine" {
		t.Errorf("after finishing: %q", page.Text("main"))
	}
	if got := helper.Get("/batches/" + code + "/pack").Status; got != http.StatusConflict {
		t.Errorf("packing after the end answers %d", got)
	}
	maker := h.As(access.Maker)
	change := maker.Submit(maker.Get("/batches/"+code+"/yield"), "Record the yield", map[string]string{"left_over": "13"})
	if change.Status != http.StatusUnprocessableEntity || !strings.Contains(change.Error("reason"), "say why") {
		t.Errorf("a change without a reason: %d %q", change.Status, change.Error("reason"))
	}
}

func TestRejectsBeforePackingAreRecordedAndTakenBack(t *testing.T) {
	t.Parallel()
	h := newFizz(t)
	code := h.dried()
	helper := h.As(access.Helper)
	form := helper.Get("/batches/" + code + "/rejects")
	bad := helper.Submit(form, "Record rejects", map[string]string{"reject-units-0": "two", "reject-mass-0": "x"})
	for _, field := range []string{"reject-units-0", "reject-mass-0"} {
		if bad.Error(field) == "" {
			t.Errorf("nothing beside %s", field)
		}
	}
	empty := helper.Submit(form, "Record rejects", nil)
	if empty.Status != http.StatusUnprocessableEntity || empty.Error("reject-units-0") == "" {
		t.Errorf("an empty form: %d", empty.Status)
	}
	page := helper.Follow(helper.Submit(form, "Record rejects", map[string]string{"reject-units-0": "2", "reject-reason-0": "cracked"}))
	if !strings.Contains(page.Text("main"), "2 cracked (at the end of the cure)") {
		t.Fatalf("in the book: %q", page.Text("main"))
	}
	// Whose entry it is comes before what is wrong with the form.
	if got := helper.Post("/batches/"+code+"/rejects/"+uuid.NewString()+"/withdraw", url.Values{"entry_key": {uuid.NewString()}}); got.Status != http.StatusNotFound {
		t.Errorf("an entry that this batch does not have: %d", got.Status)
	}
	taken := helper.Follow(helper.Submit(page, "Take back", map[string]string{"reason": "they are fine"}))
	if taken.Find("s").Length() == 0 {
		t.Errorf("not struck through: %q", taken.Text("main"))
	}
}

func TestTheListShowsOpenAndAllAndPagesOfAnotherWorkshopAreNotFound(t *testing.T) {
	t.Parallel()
	h := newFizz(t)
	code := h.packed()
	viewer := h.As(access.Viewer)
	for _, path := range []string{"/batches", "/batches?show=all"} {
		page := viewer.Get(path)
		if page.Find("a.tag[href='/batches/"+code+"']").Length() != 1 || !strings.Contains(page.Text("table"), "In quarantine") {
			t.Errorf("%s: %q", path, page.Text("main"))
		}
	}
	other := webtest.New(t).As(access.Owner)
	for _, path := range []string{"", "/pack", "/finish", "/rejects", "/yield", "/bulk", "/release"} {
		if got := other.Get("/batches/" + code + path).Status; got != http.StatusNotFound {
			t.Errorf("/batches/…%s of another workshop answers %d", path, got)
		}
	}
	for _, path := range []string{"", "/release", "/correct"} {
		if got := other.Get("/packings/" + code + path).Status; got != http.StatusNotFound {
			t.Errorf("/packings/…%s of another workshop answers %d", path, got)
		}
	}
	for _, path := range []string{"/deviations/99", "/deviations/x", "/batches/NO-SUCH"} {
		if got := viewer.Get(path).Status; got != http.StatusNotFound {
			t.Errorf("%s answers %d", path, got)
		}
	}
	if got := viewer.Get("/batches?after=nonsense").Status; got != http.StatusOK {
		t.Errorf("behind no batch is not the first page: %d", got)
	}
}

func TestEveryPageHasOneHeadingAndNothingInline(t *testing.T) {
	t.Parallel()
	h := newFizz(t)
	drying, code := h.pressed(), h.packed()
	ok(t, h.Store.NoteDeviation(t.Context(), h.maker, store.Entry{}, drying, "A fly", ""))
	owner := h.As(access.Owner)
	for _, path := range []string{"/batches", "/batches/" + drying, "/batches/" + drying + "/pack", "/batches/" + drying + "/rejects", "/batches/" + code, "/batches/" + code + "/yield", "/packings/" + code, "/packings/" + code + "/release", "/packings/" + code + "/correct", "/packings/" + code + "/packaging", "/batches/" + drying + "/stage", "/batches/" + code + "/reopen", "/batches/" + code + "/papers", "/deviations", "/deviations/1"} {
		page := owner.Get(path)
		if page.Status != http.StatusOK || page.Find("h1").Length() != 1 {
			t.Errorf("%s: %d with %d headings", path, page.Status, page.Find("h1").Length())
		}
		if page.Find("[style], script:not([src]), style, [onclick]").Length() != 0 {
			t.Errorf("%s has something inline", path)
		}
		ids := map[string]bool{}
		for _, node := range page.Find("[id]").Nodes {
			for _, a := range node.Attr {
				if a.Key == "id" {
					if ids[a.Val] {
						t.Errorf("%s: the id %q stands twice", path, a.Val)
					}
					ids[a.Val] = true
				}
			}
		}
	}
}

func TestACorrectedWeightStandsStruckThroughBesideTheNew(t *testing.T) {
	t.Parallel()
	h := newFizz(t)
	code := h.pressed()
	b, err := h.Store.Batch(t.Context(), h.maker.Workshop, code)
	ok(t, err)
	in := b.Lines[1].Inputs[0]
	ok(t, h.Store.CorrectInput(t.Context(), h.maker, store.Entry{}, store.Correction{Batch: code, Input: in.ID, Grams: in.Quantity.Add(dec("0.4")), Lot: in.Lot, Reason: "read it wrong"}))
	row := h.As(access.Viewer).Get("/batches/" + code).Find("tr:contains('Citric acid')")
	got := strings.Join(strings.Fields(row.Text()), " ")
	for _, want := range []string{"574.6 g corrected by Maker Quill", ": read it wrong", "was 574.6 g 575 g"} {
		if !strings.Contains(got, want) {
			t.Errorf("the row says %q, not %q", got, want)
		}
	}
	if row.Find("s").Length() != 1 {
		t.Errorf("%d values struck through, want the old one", row.Find("s").Length())
	}
}

func TestBulkIsMeasuredAndReleasedForOthersToDraw(t *testing.T) {
	t.Parallel()
	h := newFizz(t)
	ctx, s := t.Context(), h.Store
	_, err := s.AddFormula(ctx, h.maker, store.Entry{}, store.NewFormula{Code: "BK", Name: "Fizz base", Letters: "BK", Yields: "bulk"})
	ok(t, err)
	v, err := s.FormulaVersion(ctx, h.maker.Workshop, "BK", 1)
	ok(t, err)
	v.Portions = []store.FormulaPortion{{Name: "Base", Basis: "share", Amount: dec("100"), Lines: []store.FormulaLine{{Kind: "material", MaterialCode: "SB", Basis: "share", Amount: dec("100")}}}}
	ok(t, s.SaveDraft(ctx, h.maker, store.Entry{}, "BK", v))
	ok(t, s.ApproveFormula(ctx, h.maker, store.Entry{}, "BK", 1))
	plan, err := s.MakePlan(ctx, h.maker, store.NewPlan{Formula: "BK", MassG: dec("1000"), On: h.today})
	ok(t, err)
	code, err := s.StartBatch(ctx, h.maker, store.Entry{}, store.Start{Plan: plan, TemperatureC: some("20"), HumidityPct: some("45")})
	ok(t, err)
	b, err := s.Batch(ctx, h.maker.Workshop, code)
	ok(t, err)
	ok(t, s.Weigh(ctx, h.maker, store.Entry{}, store.Weighing{Batch: code, Line: b.Lines[0].ID, Lot: "SB-1", Grams: dec("1000")}))
	ok(t, s.Mould(ctx, h.maker, store.Entry{}, store.Moulding{Batch: code}))
	maker := h.As(access.Maker)
	form := maker.Get("/batches/" + code + "/bulk")
	for typed, want := range map[string]string{"": "How much is ready?", "some": "", "0": ""} {
		if page := maker.Submit(form, "Record the bulk", map[string]string{"grams": typed}); page.Status != http.StatusUnprocessableEntity || page.Error("grams") == "" || !strings.Contains(page.Error("grams"), want) {
			t.Errorf("%q: %d %q", typed, page.Status, page.Error("grams"))
		}
	}
	asked := maker.Submit(form, "Record the bulk", map[string]string{"grams": "1100"})
	if !strings.Contains(asked.Error("really"), "1 100 g ready; 1 000 g went in.") || asked.Value("grams") != "1100" {
		t.Errorf("more than went in: %q", asked.Error("really"))
	}
	page := maker.Follow(maker.Submit(asked, "Record the bulk", map[string]string{"grams": "990", "really": "no"}))
	if !strings.Contains(page.Text(".life"), "Nothing in the way") {
		t.Fatalf("after measuring: %q", page.Text("main"))
	}
	done := maker.Follow(maker.Submit(maker.Get("/batches/"+code+"/release"), "Sign and release", map[string]string{"password": webtest.Password}))
	if done.Text(".life .now b") != "Released" || !strings.Contains(done.Text("dl.facts"), "Left990 g") {
		t.Errorf("after the release: %q", done.Text("main"))
	}
}

func TestARejectedBatchSaysSo(t *testing.T) {
	t.Parallel()
	h := newFizz(t)
	code := h.pressed()
	maker := h.As(access.Maker)
	page := maker.Get("/batches/" + code)
	bad := maker.Submit(page, "Reject it", nil)
	if bad.Status != http.StatusUnprocessableEntity || bad.Error("reason") != "Say why." {
		t.Errorf("without a reason: %d %q", bad.Status, bad.Error("reason"))
	}
	done := maker.Follow(maker.Submit(page, "Reject it", map[string]string{"reason": "it foamed over"}))
	if got := done.Text(".life .now b"); got != "Rejected" {
		t.Errorf("the strip stands at %q", got)
	}
	if got := done.Text(".note.stop"); !strings.Contains(got, "Rejected by ") || !strings.Contains(got, "it foamed over") {
		t.Errorf("who rejected it, and why: %q", got)
	}
	if got := done.Text(".answer"); got != "None" {
		t.Errorf("its best before is %q", got)
	}
}
