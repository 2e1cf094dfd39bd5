package bench_test

import (
	"net/http"
	"strings"
	"testing"
	"time"

	"github.com/PuerkitoBio/goquery"
	"github.com/google/go-cmp/cmp"

	"example.org/stillroom/internal/access"
	"example.org/stillroom/internal/store"
	"example.org/stillroom/web/paths"
	"example.org/stillroom/web/webtest"
)

// fold makes the narrow spaces of written numbers plain, for comparing.
func fold(text string) string { return strings.ReplaceAll(text, "\u202f", " ") }

func says(t *testing.T, p *webtest.Page, words ...string) {
	t.Helper()
	for _, w := range words {
		if !strings.Contains(fold(p.Text("main")), w) {
			t.Errorf("%s (%d) does not say %q:\n%s", p.Path, p.Status, w, fold(p.Text(".task")))
		}
	}
}

// arrive follows redirects to the page they lead to, as a browser does.
func arrive(c *webtest.Client, p *webtest.Page) *webtest.Page {
	for p.Status == http.StatusSeeOther {
		p = c.Get(p.Location)
	}
	return p
}

func TestABatchIsPlannedStartedAndMadeWithoutScripts(t *testing.T) {
	t.Parallel()
	s := newShop(t)
	helper := s.As(access.Helper)
	plan := helper.Follow(helper.Submit(helper.Get(paths.NewPlan()), "Plan it", map[string]string{"formula": "OB", "product": "OB50", "units": "20", "place": "Still room"}))
	says(t, plan, "Oat balm, 50 g, 20 units", "240.0 g", "0.0 to 20.0 g", "as needed", "enough", "15 to 30 °C", "Hot oils: gloves and goggles.")
	begun := arrive(helper, helper.Submit(helper.Get(plan.Path+"/start"), "Start now", map[string]string{"temperature": "21,5", "humidity": "48"}))
	says(t, begun, "Weigh Oat oil", "336.0 g", "is begun.")
	code := begun.Text(".whose > .tag")
	page := begun
	for _, want := range []struct{ h1, value string }{{"Weigh Oat oil", "336"}, {"Weigh Shea butter", "224"}, {"Weigh Beeswax", "240,4"}, {"Weigh Base, as mixed", "560"}} {
		if got := page.Text("h1"); got != want.h1 {
			t.Fatalf("the screen is %q, want %q", got, want.h1)
		}
		page = helper.Follow(helper.Submit(page, "Record", map[string]string{"grams": want.value}))
	}
	says(t, page, "Melt to 70 °C", "Do not leave it.", "Saved a moment ago: Base 560.0 g, within tolerance")
	page = helper.Follow(helper.Submit(page, "Done", map[string]string{"note": "71 °C"}))
	page = helper.Follow(helper.Submit(page, "Record", map[string]string{"grams": "180"}))
	page = helper.Follow(helper.Submit(page, "Record", map[string]string{"grams": "20"}))
	says(t, page, "Weigh Water", "not tracked: no lot", "None needed")
	page = helper.Get(page.Find("a:contains('None needed')").AttrOr("href", ""))
	page = helper.Follow(helper.Submit(page, "Done", nil))
	page = helper.Follow(helper.Submit(page, "Record", map[string]string{"values": "6.1"}))
	for i, v := range []string{"51", "52.5", "53"} {
		if got := page.Text("h1"); got != "Check Unit weight" {
			t.Fatalf("reading %d is asked on %q", i+1, got)
		}
		page = helper.Follow(helper.Submit(page, "Record", map[string]string{"values": v}))
	}
	says(t, page, "Mould and count", "1 000.4 g went in.")
	page = helper.Follow(helper.Submit(page, "Record the units", map[string]string{"units": "20"}))
	says(t, page, "Setting of 48 hours", "Ready ")
	b := s.read(code)
	if b.Status != "curing" || len(b.Deviations) != 0 || *b.MouldedUnits != 20 || b.Steps[0].Tick.Note != "71 °C" || b.Climate[0].TemperatureC.String() != "21.5" || b.Place != "Still room" {
		t.Errorf("%+v; deviations %v", b.Batch, b.Deviations)
	}
	if got := s.weighed(code, "line-3"); got != "240.4 from BW-1" {
		t.Errorf("beeswax: %s", got)
	}
	verdict, err := store.Verify(t.Context(), s.DB.OwnerURL)
	if err != nil || len(verdict[0].Broken) > 0 {
		t.Errorf("verify: %v, %v", verdict, err)
	}
}

func TestAPlanTellsEverythingAtOnceAndKeepsWhatWasTyped(t *testing.T) {
	t.Parallel()
	s := newShop(t)
	helper := s.As(access.Helper)
	cases := map[string]struct {
		typed map[string]string
		want  map[string]string
	}{
		"nothing":              {map[string]string{"on": ""}, map[string]string{"formula": "Choose the formula.", "on": "Which day?", "mass": "How much?"}},
		"numbers that are not": {map[string]string{"formula": "OB", "units": "1,5", "place": "x"}, map[string]string{"units": "whole"}},
		"two readings":         {map[string]string{"formula": "OB", "mass": "1,500"}, map[string]string{"mass": "could mean"}},
		"both":                 {map[string]string{"formula": "OB", "product": "OB50", "units": "20", "mass": "1000"}, map[string]string{"mass": "not both"}},
		"a day there is not":   {map[string]string{"formula": "OB", "mass": "1000", "on": "2026-02-30"}, map[string]string{"on": "30 February"}},
		"too long":             {map[string]string{"formula": "OB", "mass": "1000", "place": strings.Repeat("x", 81), "note": strings.Repeat("y", 1001)}, map[string]string{"place": "At most 80", "note": "At most 1000"}},
		"units of nothing":     {map[string]string{"formula": "OB", "units": "20"}, map[string]string{"product": "Units of which product?"}},
		"less than nothing":    {map[string]string{"formula": "OB", "mass": "-5"}, map[string]string{"mass": "more than 0"}},
	}
	for name, c := range cases {
		t.Run(name, func(t *testing.T) {
			page := helper.Submit(helper.Get(paths.NewPlan()), "Plan it", c.typed)
			if page.Status != http.StatusUnprocessableEntity {
				t.Fatalf("status %d: %s", page.Status, page.Text("main"))
			}
			for field, words := range c.want {
				if !strings.Contains(page.Error(field), words) {
					t.Errorf("beside %s: %q, want %q", field, page.Error(field), words)
				}
			}
			for field, value := range c.typed {
				if page.Value(field) != value {
					t.Errorf("%s holds %q, typed was %q", field, page.Value(field), value)
				}
			}
			if !strings.HasPrefix(page.Text("title"), "Error: ") || page.Find(".summary").Length() != 1 {
				t.Error("the title and a summary say that something is off")
			}
		})
	}
	plans, _, err := s.Store.PlanList(t.Context(), s.Who(access.Maker).Workshop, "")
	if err != nil || len(plans) != 0 {
		t.Errorf("something was planned: %v, %v", plans, err)
	}
}

func TestAPlanIsShownScaledBeforeItIsMade(t *testing.T) {
	t.Parallel()
	s := newShop(t)
	helper := s.As(access.Helper)
	form := helper.Get(paths.NewPlan() + "?formula=OB")
	page := helper.Submit(form, "Show it scaled first", map[string]string{"product": "OB50", "units": "400"})
	if page.Status != http.StatusOK {
		t.Fatalf("status %d: %s", page.Status, page.Text("main"))
	}
	says(t, page, "20 000 g", "400 units of Oat balm, 50 g", "5 320 g short")
	plans, _, err := s.Store.PlanList(t.Context(), s.Who(access.Maker).Workshop, "")
	if err != nil || len(plans) != 0 {
		t.Errorf("a look is no plan: %v, %v", plans, err)
	}
	made := helper.Submit(page, "Plan it", nil)
	again := helper.Submit(page, "Plan it", nil)
	if made.Status != http.StatusSeeOther || again.Location != made.Location {
		t.Errorf("made %d %s, again %d %s", made.Status, made.Location, again.Status, again.Location)
	}
	says(t, helper.Follow(made), "The stock does not suffice.", "Oat oil: needs 10 320 g, 5 000 g are fit to use")
	says(t, helper.Get(paths.Plans()), "Oat balm, 50 g", "400 units")
	dropped := helper.Follow(helper.Submit(helper.Get(made.Location), "Drop it", nil))
	says(t, dropped, "Nothing is planned.")
	if p := helper.Get(made.Location); p.Status != http.StatusNotFound {
		t.Errorf("a dropped plan answers %d", p.Status)
	}
	if p := helper.Get(made.Location + "/start"); p.Status != http.StatusNotFound {
		t.Errorf("its start answers %d", p.Status)
	}
}

func TestTheStartAsksForTheRoomAndTakesADayBefore(t *testing.T) {
	t.Parallel()
	s := newShop(t)
	helper := s.As(access.Helper)
	path := "/plans/" + s.plan() + "/start"
	bad := helper.Submit(helper.Get(path), "Start now", map[string]string{"temperature": "warm", "humidity": "148", "made_at": "yesterday"})
	if bad.Status != http.StatusUnprocessableEntity || bad.Error("temperature") == "" || bad.Error("made_at") == "" || bad.Value("temperature") != "warm" || bad.Value("made_at") != "yesterday" {
		t.Fatalf("status %d: %s", bad.Status, bad.Text("main"))
	}
	outside := helper.Submit(helper.Get(path), "Start now", map[string]string{"temperature": "35", "humidity": "48"})
	if outside.Status != http.StatusUnprocessableEntity {
		t.Fatalf("status %d", outside.Status)
	}
	says(t, outside, "Typed wrong, or really so?", "35")
	silent := helper.Submit(outside, "Start all the same", nil)
	if silent.Status != http.StatusUnprocessableEntity || silent.Error("reason") == "" {
		t.Fatalf("without a reason: %d", silent.Status)
	}
	says(t, silent, "Typed wrong, or really so?")
	then := s.today.AddDays(-3).String() + "T09:30"
	begun := helper.Submit(helper.Submit(helper.Get(path), "Start now", map[string]string{"temperature": "35", "humidity": "48", "made_at": then}), "Start all the same", map[string]string{"reason": "heat wave"})
	again := helper.Submit(outside, "Start all the same", map[string]string{"reason": "heat wave"})
	if begun.Status != http.StatusSeeOther || again.Status != http.StatusNotFound {
		t.Fatalf("begun %d, from the older page %d", begun.Status, again.Status)
	}
	page := arrive(helper, begun)
	says(t, page, "written up late", "This batch is written up late.")
	code := page.Text(".whose > .tag")
	b := s.read(code)
	if !b.Late || b.MadeOn != s.today.AddDays(-3) || len(s.open(code)) != 1 {
		t.Errorf("%+v, open %v", b.Batch, s.open(code))
	}
}

func TestAnEntryOfALateBatchHasTheTimeOfThen(t *testing.T) {
	t.Parallel()
	s := newShop(t)
	helper := s.As(access.Helper)
	id, err := store.ParseID[store.PlanID](s.plan())
	s.ok(err)
	began := s.today.AddDays(-3).Start(time.UTC).Add(9 * time.Hour)
	code, err := s.Store.StartBatch(t.Context(), s.Who(access.Helper), store.Entry{}, store.Start{Plan: id, MadeAt: began})
	s.ok(err)
	path := paths.BenchTask(code, "line-3")
	form := helper.Get(path)
	if want := s.today.AddDays(-3).String() + "T09:00"; form.Value("at") != want {
		t.Errorf("it starts with %q, want %q", form.Value("at"), want)
	}
	for typed, words := range map[string]string{"soon": "date and time", "2001-01-01T09:00": "The batch was started on", s.today.AddDays(2).String() + "T09:00": "not come yet"} {
		if p := helper.Submit(form, "Record", map[string]string{"grams": "240", "at": typed}); p.Status != http.StatusUnprocessableEntity || !strings.Contains(p.Error("at"), words) || p.Value("at") != typed {
			t.Errorf("%s: %d, %q", typed, p.Status, p.Error("at"))
		}
	}
	helper.Follow(helper.Submit(form, "Record", map[string]string{"grams": "240", "at": s.today.AddDays(-3).String() + "T10:15"}))
	in := s.read(code).Lines[2].Inputs[0]
	if !in.Late || !in.HappenedAt.Equal(began.Add(75*time.Minute)) {
		t.Errorf("late %t, happened %s", in.Late, in.HappenedAt)
	}
	if now := helper.Get(paths.BenchTask(s.begun(), "line-3")); now.Find(`[name=at]`).Length() != 0 {
		t.Error("a batch made now asks for no time")
	}
}

func TestTheRoomsLoggerFillsTheForm(t *testing.T) {
	t.Parallel()
	s := newShop(t)
	s.sql(`INSERT INTO climate_reading (workshop_id, place, taken_at, temperature_c, humidity_pct) SELECT id, 'Still room', now() - interval '5 minutes', 21.4, 47.5 FROM workshop WHERE id = $1 AND $2::uuid IS NOT NULL`)
	helper := s.As(access.Helper)
	for typed, want := range map[string]string{"21.4": "logger", "22": "typed"} {
		form := helper.Get("/plans/" + s.plan() + "/start")
		if form.Value("temperature") != "21.4" || form.Value("humidity") != "47.5" {
			t.Fatalf("the form starts with %q and %q", form.Value("temperature"), form.Value("humidity"))
		}
		page := arrive(helper, helper.Submit(form, "Start now", map[string]string{"temperature": typed}))
		if got := s.read(page.Text(".whose > .tag")).Climate[0].Source; got != want {
			t.Errorf("%s: the reading is from %s, want %s", typed, got, want)
		}
	}
}

func TestTheOnlyFitLotIsPreselectedAndOthersAreInReach(t *testing.T) {
	t.Parallel()
	s := newShop(t)
	helper := s.As(access.Helper)
	code := s.begun()
	page := helper.Get(paths.BenchTask(code, "line-3"))
	if got := page.Find(`input[name=lot][checked]`).AttrOr("value", ""); got != "BW-1" {
		t.Errorf("preselected is %q", got)
	}
	s.lot("BW", "BW-2", "800", func(r *store.Receipt) { r.ExpiresOn = s.today.AddDays(100) })
	s.lot("BW", "BW-Q", "800", func(r *store.Receipt) { r.Release = false })
	s.weigh(s.begun(), "line-3", "") // opens BW-1
	page = helper.Get(paths.BenchTask(code, "line-3"))
	var order []string
	page.Find(`input[name=lot]`).Each(func(_ int, lot *goquery.Selection) {
		order = append(order, lot.AttrOr("value", ""))
	})
	if diff := cmp.Diff([]string{"BW-1", "BW-2", "BW-Q"}, order); diff != "" {
		t.Errorf("the opened one first, then the first to expire, then what is not fit: %s", diff)
	}
	if page.Find(`input[name=lot][checked]`).Length() != 0 {
		t.Error("of two lots none is chosen for the maker")
	}
	says(t, page, "Not fit, but in the bowl", "Lot BW-Q is still in quarantine.", "holds 4 760 g")
	none := helper.Submit(page, "Record", map[string]string{"grams": "240"})
	if none.Status != http.StatusUnprocessableEntity || none.Error("lot") != "From which lot?" || none.Value("grams") != "240" {
		t.Errorf("without a lot: %d, %q", none.Status, none.Error("lot"))
	}
	unknown := helper.Submit(page, "Record", map[string]string{"grams": "240", "other_lot": "BW-9"})
	if unknown.Error("other_lot") == "" || unknown.Value("other_lot") != "BW-9" {
		t.Errorf("an unknown code: %q", unknown.Text("main"))
	}
	typed := helper.Submit(page, "Record", map[string]string{"grams": "240", "other_lot": "BW-2"})
	if typed.Status != http.StatusSeeOther || s.weighed(code, "line-3") != "240 from BW-2" {
		t.Errorf("typed or scanned: %d, %s", typed.Status, s.weighed(code, "line-3"))
	}
}

func TestTheOneQuestionHasTwoAnswers(t *testing.T) {
	t.Parallel()
	s := newShop(t)
	helper := s.As(access.Helper)
	code := s.begun()
	path := paths.BenchTask(code, "line-3")
	asked := helper.Submit(helper.Get(path), "Record", map[string]string{"grams": "280"})
	if asked.Status != http.StatusUnprocessableEntity {
		t.Fatalf("status %d", asked.Status)
	}
	if asked.Text("h1") != "Typed wrong, or really in the bowl?" || asked.Find("[autofocus]").AttrOr("name", "") != "grams" || asked.Value("grams") != "280" {
		t.Errorf("it asks %q, focus on %q", asked.Text("h1"), asked.Find("[autofocus]").AttrOr("name", ""))
	}
	says(t, asked, "280 g of Beeswax instead of 240 g: 40 g over, 16.7 %; 1 % allowed.", "Keep 280 g")
	right := helper.Submit(asked, "Record", map[string]string{"grams": "240"})
	if right.Status != http.StatusSeeOther || s.weighed(code, "line-3") != "240 from BW-1" {
		t.Errorf("typed wrong: %d, %s", right.Status, s.weighed(code, "line-3"))
	}
	// The other answer, in another batch: the reason is asked for, and the question stays.
	code = s.begun()
	asked = helper.Submit(helper.Get(paths.BenchTask(code, "line-5")), "Record", map[string]string{"grams": "270"})
	silent := helper.Submit(asked, "Keep 270 g", nil)
	if silent.Status != http.StatusUnprocessableEntity || silent.Error("reason") == "" {
		t.Fatalf("without a reason: %d", silent.Status)
	}
	says(t, silent, "Typed wrong, or really in the bowl?", "270 g of Oat oil instead of 180 g")
	kept := helper.Submit(silent, "Keep 270 g", map[string]string{"reason": "the jug slipped"})
	offer := helper.Follow(kept)
	says(t, offer, "Rescale the rest of Cool?", "20.0 g", "30.0 g")
	if diff := cmp.Diff([]string{"weight: 270 g of Oat oil instead of 180 g: 90 g over, 50 %; 1 % allowed. (the jug slipped)"}, s.open(code)); diff != "" {
		t.Error(diff)
	}
	next := helper.Follow(helper.Submit(offer, "Rescale the rest of Cool", nil))
	says(t, next, "The rest of Cool is rescaled.", "Weigh Tocopherol", "30.0 g", "rescaled from 20.0 g")
	again := helper.Submit(offer, "Rescale the rest of Cool", nil)
	if again.Status != http.StatusSeeOther || s.read(code).Lines[5].TargetG.String() != "30" {
		t.Errorf("sent again: %d, %s", again.Status, s.read(code).Lines[5].TargetG)
	}
}

func TestAnEntryIsStoredOnceAndBadOnesNotAtAll(t *testing.T) {
	t.Parallel()
	s := newShop(t)
	helper := s.As(access.Helper)
	code := s.begun()
	path := paths.BenchTask(code, "line-3")
	for name, c := range map[string]struct {
		grams, words string
	}{
		"nothing":           {"", "How much is in the bowl?"},
		"words":             {"a jug", ""},
		"two readings":      {"1,234", "could mean"},
		"zero":              {"0", "more than 0"},
		"below zero":        {"-240", "more than 0"},
		"without end":       {strings.Repeat("9", 40), ""},
		"a stored <script>": {"<script>alert(1)</script>", ""},
	} {
		page := helper.Submit(helper.Get(path), "Record", map[string]string{"grams": c.grams})
		if page.Status != http.StatusUnprocessableEntity || page.Error("grams") == "" || !strings.Contains(page.Error("grams"), c.words) || page.Value("grams") != c.grams || strings.Contains(page.Body, "<script>alert") {
			t.Errorf("%s: %d, %q, kept %q", name, page.Status, page.Error("grams"), page.Value("grams"))
		}
	}
	if got := s.weighed(code, "line-3"); got != "" {
		t.Errorf("stored: %s", got)
	}
	form := helper.Get(path)
	first := helper.Submit(form, "Record", map[string]string{"grams": "240"})
	second := helper.Submit(form, "Record", map[string]string{"grams": "240"})
	other := helper.Submit(form, "Record", map[string]string{"grams": "241"})
	if first.Status != http.StatusSeeOther || second.Status != http.StatusSeeOther || other.Status != http.StatusUnprocessableEntity {
		t.Errorf("first %d, again %d, another number under its key %d", first.Status, second.Status, other.Status)
	}
	says(t, other, "save it there as a correction")
	if got := s.weighed(code, "line-3"); got != "240 from BW-1" {
		t.Errorf("stored: %s", got)
	}
}

func TestALineTakesASecondLotOnItsScreen(t *testing.T) {
	t.Parallel()
	s := newShop(t)
	s.lot("BW", "BW-2", "800")
	helper := s.As(access.Helper)
	code := s.begun()
	page := helper.Follow(helper.Submit(helper.Get(paths.BenchTask(code, "line-3")), "Record, then add from a second lot", map[string]string{"grams": "100", "lot": "BW-1"}))
	says(t, page, "Weigh Beeswax", "140.0 g", "still to weigh of 240.0 g; 100.0 g are in the bowl")
	if got := s.open(code); len(got) > 0 {
		t.Errorf("open: %v", got)
	}
	page = helper.Follow(helper.Submit(page, "Record", map[string]string{"grams": "140", "lot": "BW-2"}))
	says(t, page, "Weigh Base, as mixed")
	if got := s.weighed(code, "line-3"); got != "100 from BW-1, 140 from BW-2" {
		t.Error(got)
	}
}

func TestAMisTapIsCorrectedWithOneTap(t *testing.T) {
	t.Parallel()
	s := newShop(t)
	helper := s.As(access.Helper)
	code := s.begun()
	page := helper.Follow(helper.Submit(helper.Get(paths.BenchTask(code, "line-3")), "Record", map[string]string{"grams": "241"}))
	says(t, page, "Saved a moment ago: Beeswax 241.0 g, within tolerance")
	link := page.Find(".before a").AttrOr("href", "")
	form := helper.Get(link)
	if form.Value("reason") != "mis-tap" || form.Value("grams") != "241" {
		t.Fatalf("the form starts with %q and %q", form.Value("reason"), form.Value("grams"))
	}
	asked := helper.Submit(form, "Correct it to", map[string]string{"grams": "2400"})
	says(t, asked, "Typed wrong, or really in the bowl?", "2 400 g of Beeswax instead of 240 g")
	right := helper.Follow(helper.Submit(asked, "Correct it to", map[string]string{"grams": "240"}))
	says(t, right, "Corrected: Beeswax 240 g.")
	if got := s.weighed(code, "line-3"); got != "(241 from BW-1), 240 from BW-1" {
		t.Error(got)
	}
	line := helper.Get(paths.BenchTask(code, "line-3"))
	if line.Text("s") != "241.0 g" {
		t.Errorf("struck through stands %q", line.Text("s"))
	}
	// The same page once more: the entry was corrected meanwhile.
	stale := helper.Submit(form, "Correct it to", map[string]string{"grams": "239"})
	if stale.Status != http.StatusUnprocessableEntity {
		t.Errorf("a stale page answers %d", stale.Status)
	}
	says(t, stale, "corrected meanwhile")
	// Taken out altogether.
	link = line.Find("a:contains('mis-tap')").First().AttrOr("href", "")
	out := helper.Follow(helper.Submit(helper.Get(link), "Take it out", nil))
	says(t, out, "Beeswax is taken out.", "Weigh Beeswax")
	if got := s.weighed(code, "line-3"); got != "(241 from BW-1), (240 from BW-1)" {
		t.Error(got)
	}
}

func TestTicksAndReadingsAreTakenBack(t *testing.T) {
	t.Parallel()
	s := newShop(t)
	helper := s.As(access.Helper)
	code := s.begun()
	ticked := helper.Follow(helper.Submit(helper.Get(paths.BenchTask(code, "step-1")), "Done", nil))
	says(t, ticked, "ticked")
	undone := helper.Follow(helper.Submit(ticked, "mis-tap?", nil))
	says(t, undone, "Taken back", "taken back")
	if b := s.read(code); b.Steps[0].Tick != nil || len(b.Steps[0].Undone) != 1 {
		t.Errorf("%+v", b.Steps[0])
	}
	stale := helper.Get(paths.BenchTask(code, "step-1"))
	helper.Submit(helper.Get(paths.BenchTask(code, "step-1")), "Done", nil)
	if p := helper.Submit(stale, "Done", nil); p.Status != http.StatusConflict || !strings.Contains(p.Text(".summary"), "ticked meanwhile") {
		t.Errorf("ticked on another tablet: %d, %q", p.Status, p.Text(".summary"))
	}
	control := paths.BenchTask(code, "control-2")
	many := helper.Submit(helper.Get(control), "Record them", map[string]string{"values": "51\n52,x\n\n5o"})
	if many.Status != http.StatusUnprocessableEntity || !strings.Contains(many.Error("values"), "Line 2") || !strings.Contains(many.Error("values"), "Line 4") {
		t.Fatalf("%d, %q", many.Status, many.Error("values"))
	}
	asked := helper.Submit(helper.Get(control), "Record them", map[string]string{"values": "51\n52,5\n49\n53"})
	says(t, asked, "Typed wrong, or really so?", "Unit weight: 49 g; the formula allows 50 to 54 g.")
	kept := helper.Submit(asked, "Keep it as it is", map[string]string{"reason": "a nick"})
	says(t, helper.Follow(kept), "Recorded: Unit weight 4 readings.")
	page := helper.Get(control)
	says(t, page, "51.38 g", "1 of 4", "49 g", "53 g")
	reading := page.Find("li:contains('49 g') a").AttrOr("href", "")
	says(t, helper.Follow(helper.Submit(helper.Get(reading), "Take it back", nil)), "0 of 3")
	if got := s.open(code); len(got) != 0 {
		t.Errorf("open: %v", got)
	}
	if p := helper.Submit(helper.Get(paths.BenchTask(code, "control-1")), "Record", map[string]string{"values": ""}); p.Error("values") != "What does it read?" {
		t.Errorf("no reading: %q", p.Error("values"))
	}
}

func TestMouldingShowsWhatIsLeftOut(t *testing.T) {
	t.Parallel()
	s := newShop(t)
	helper := s.As(access.Helper)
	code := s.begun()
	path := paths.BenchTask(code, "mould")
	bad := helper.Submit(helper.Get(path), "Record the units", map[string]string{"units": "2.5", "mass": "lots"})
	if bad.Status != http.StatusUnprocessableEntity || bad.Error("units") == "" || bad.Error("mass") == "" || bad.Value("units") != "2.5" {
		t.Fatalf("%d, %q", bad.Status, bad.Text("main"))
	}
	asked := helper.Submit(helper.Get(path), "Record the units", map[string]string{"units": "20", "mass": "1 050"})
	says(t, asked, "Left out, or still to do?", "Not weighed: Oat oil, Shea butter, Beeswax", "Go to Oat oil")
	page := helper.Follow(helper.Submit(asked, "Go on without", map[string]string{"reason": "weighed on paper"}))
	says(t, page, "Setting of 48 hours", "20 units moulded.")
	if b := s.read(code); b.MouldedG.Decimal.String() != "1050" || len(s.open(code)) != 1 {
		t.Errorf("%s g, open %v", b.MouldedG.Decimal, s.open(code))
	}
	if p := helper.Submit(asked, "Go on without", map[string]string{"reason": "once more"}); p.Status != http.StatusUnprocessableEntity {
		t.Errorf("moulded twice: %d", p.Status)
	}
}

func TestTheCureIsWatchedAndEnded(t *testing.T) {
	t.Parallel()
	s := newShop(t)
	helper := s.As(access.Helper)
	code := s.moulded(24 * time.Hour)
	cure := paths.BenchTask(code, "cure")
	says(t, helper.Get(paths.BenchTask(code, "cure-end")), "are over")
	for _, g := range []string{"52", "51.4"} {
		page := helper.Follow(helper.Submit(helper.Get(cure), "Record", map[string]string{"grams": g}))
		says(t, page, "Recorded: the marked unit")
	}
	page := helper.Get(cure)
	if page.Find(`svg[role=img] title`).Length() != 1 || page.Find("figure + table tbody tr").Length() != 2 || page.Find("[style]").Length() != 0 {
		t.Error("a drawing with a title, a sentence and its table")
	}
	says(t, page, "No curve yet")
	off := helper.Submit(page, "Record", map[string]string{"grams": "heavy"})
	if off.Error("grams") == "" || off.Value("temperature") != "" {
		t.Errorf("%q", off.Text("main"))
	}
	damp := helper.Submit(helper.Get(cure), "Note the room", map[string]string{"temperature": "21", "humidity": "75"})
	says(t, damp, "Typed wrong, or really so?", "75")
	noted := helper.Follow(helper.Submit(damp, "Keep it as it is", map[string]string{"reason": "door stood open"}))
	says(t, noted, "21 °C, 75 %; dew point 16.4 °C", "The room is noted.")
	early := helper.Submit(helper.Get(paths.BenchTask(code, "cure-end")), "It is over now", nil)
	says(t, early, "Is it really over?", "The cure ran 24 hours; the formula asks for 48 hours.", "Let it go on")
	ended := helper.Submit(early, "End it now", map[string]string{"reason": "hard already"})
	if ended.Status != http.StatusSeeOther || s.read(code).Status != "packing" || len(s.open(code)) != 2 {
		t.Errorf("%d, %s, open %v", ended.Status, s.read(code).Status, s.open(code))
	}
}

func TestSomethingElseIsAddedAndSomethingOffNoted(t *testing.T) {
	t.Parallel()
	s := newShop(t)
	helper := s.As(access.Helper)
	code := s.begun()
	empty := helper.Submit(helper.Get(paths.BenchAdd(code)), "Add", nil)
	if empty.Error("from") == "" || empty.Error("code") == "" || empty.Error("grams") == "" {
		t.Errorf("nothing filled in: %q", empty.Text(".summary"))
	}
	unknown := helper.Submit(helper.Get(paths.BenchAdd(code)), "Add", map[string]string{"from": "lot", "code": "XX-1", "grams": "12", "reason": "dry"})
	if !strings.Contains(unknown.Error("code"), `no lot "XX-1"`) || unknown.Value("reason") != "dry" {
		t.Errorf("%q", unknown.Error("code"))
	}
	asked := helper.Submit(helper.Get(paths.BenchAdd(code)), "Add", map[string]string{"from": "lot", "code": "SH-1", "grams": "12", "reason": "it looked dry"})
	says(t, asked, "The formula does not have it.")
	page := helper.Follow(helper.Submit(asked, "Keep 12 g", nil))
	says(t, page, "Added so far", "Shea butter", "12.0 g")
	water := helper.Submit(helper.Submit(helper.Get(paths.BenchAdd(code)), "Add", map[string]string{"from": "material", "code": "WA", "grams": "3"}), "Keep 3 g", map[string]string{"reason": "it set"})
	if water.Status != http.StatusSeeOther {
		t.Errorf("water: %d", water.Status)
	}
	self := helper.Submit(helper.Get(paths.BenchAdd(code)), "Add", map[string]string{"from": "batch", "code": code, "grams": "3"})
	if !strings.Contains(self.Error("code"), "A batch cannot contain itself") {
		t.Errorf("itself: %d, %q", self.Status, self.Text(".summary"))
	}
	blank := helper.Submit(helper.Get(paths.BenchOff(code)), "Note it", map[string]string{"what": " "})
	if blank.Error("what") != "Say what is off." {
		t.Errorf("%q", blank.Error("what"))
	}
	noted := helper.Submit(helper.Get(paths.BenchOff(code)), "Note it", map[string]string{"what": "smells of smoke"})
	if noted.Status != http.StatusSeeOther {
		t.Errorf("noted: %d", noted.Status)
	}
	want := []string{"addition: 12 g of Shea butter added; the formula does not have it. (it looked dry)", "addition: 3 g of Water added; the formula does not have it. (it set)", "other: smells of smoke ()"}
	if diff := cmp.Diff(want, s.open(code)); diff != "" {
		t.Error(diff)
	}
}

func TestABatchIsVoidBeforeTheFirstWeighingAndRejectedAfterIt(t *testing.T) {
	t.Parallel()
	s := newShop(t)
	helper := s.As(access.Helper)
	code := s.begun()
	if helper.Get(paths.BenchTask(code, "line-1")).Find("button.stop, a.stop").Length() != 0 {
		t.Error("something that cannot be taken back stands beside Record")
	}
	silent := helper.Submit(helper.Get(paths.BenchEnd(code)), "void", map[string]string{"reason": ""})
	if silent.Error("reason") != "Say why." {
		t.Errorf("%q", silent.Text("main"))
	}
	helper.Follow(helper.Submit(silent, "void", map[string]string{"reason": "wrong plan"}))
	if s.read(code).Status != "void" {
		t.Errorf("it is %s", s.read(code).Status)
	}
	says(t, helper.Get(paths.BenchTask(code, "line-1")), "This batch is void")
	if helper.Get(paths.BenchTask(code, "line-1")).Find("input[name=grams]").Length() != 0 {
		t.Error("a void batch takes no weights")
	}
	code = s.begun()
	stale := helper.Get(paths.BenchEnd(code))
	s.weigh(code, "line-1", "")
	late := helper.Submit(stale, "void", map[string]string{"reason": "wrong plan"})
	if late.Status != http.StatusConflict || s.read(code).Status != "making" {
		t.Errorf("weighed meanwhile: %d, %s", late.Status, s.read(code).Status)
	}
	says(t, helper.Get(paths.BenchEnd(code)), "Only a maker or the owner rejects a batch.")
	maker := s.As(access.Maker)
	maker.Follow(maker.Submit(maker.Get(paths.BenchEnd(code)), "Reject it", map[string]string{"reason": "scorched"}))
	if s.read(code).Status != "rejected" {
		t.Errorf("it is %s", s.read(code).Status)
	}
	if p := helper.Get(paths.Bench(code)); p.Location != paths.Batch(code) {
		t.Errorf("the bench of a rejected batch leads to %q", p.Location)
	}
}

func TestAViewerReadsPlansAndHasNoBench(t *testing.T) {
	t.Parallel()
	s := newShop(t)
	code, plan := s.begun(), s.plan()
	viewer := s.As(access.Viewer)
	for path, want := range map[string]int{paths.Plans(): 200, paths.Plan(plan): 200, paths.NewPlan(): 403, paths.StartPlan(plan): 403, paths.Bench(code): 403, paths.BenchTask(code, "line-1"): 403, paths.BenchEnd(code): 403} {
		if p := viewer.Get(path); p.Status != want {
			t.Errorf("%s answers %d, want %d", path, p.Status, want)
		}
	}
	if p := viewer.Get(paths.Plan(plan)); strings.Contains(p.Body, "Start now") || strings.Contains(p.Body, "Drop") {
		t.Error("a viewer is offered what they may not do")
	}
	nobody := s.As("")
	if p := nobody.Get(paths.BenchTask(code, "line-1")); p.Status != http.StatusSeeOther || !strings.HasPrefix(p.Location, "/sign-in") {
		t.Errorf("nobody: %d %s", p.Status, p.Location)
	}
	// A helper corrects their own; what a maker weighed is the maker's.
	l := s.read(code).Lines[2]
	s.ok(s.Store.Weigh(t.Context(), s.Who(access.Maker), store.Entry{}, store.Weighing{Batch: code, Line: l.ID, Lot: "BW-1", Grams: dec("240")}))
	helper := s.As(access.Helper)
	form := helper.Get(paths.CorrectInput(code, store.Text(s.read(code).Lines[2].Inputs[0].ID)))
	if form.Value("reason") != "" {
		t.Error("another's entry is no mis-tap of mine")
	}
	if p := helper.Submit(form, "Correct it to", map[string]string{"grams": "241", "reason": "misread"}); p.Status != http.StatusForbidden || s.weighed(code, "line-3") != "240 from BW-1" {
		t.Errorf("%d, %s", p.Status, s.weighed(code, "line-3"))
	}
}

func TestWhatThereIsNotIsNotFound(t *testing.T) {
	t.Parallel()
	s := newShop(t)
	code := s.begun()
	helper := s.As(access.Helper)
	unknown := "018f0000-0000-7000-8000-000000000001"
	for _, path := range []string{"/plans/x", "/plans/" + unknown, "/batches/XX-1/bench", paths.BenchTask(code, "line-99"), paths.BenchTask(code, "line-0"), paths.BenchTask(code, "nonsense"),
		paths.CorrectInput(code, unknown), paths.CorrectInput(code, "x"), paths.WithdrawEntry(code, "steps", unknown), paths.WithdrawEntry(code, "hats", unknown), paths.BenchRescale(code, "room")} {
		if p := helper.Get(path); p.Status != http.StatusNotFound {
			t.Errorf("%s answers %d", path, p.Status)
		}
	}
	// An entry of another batch is not one of this.
	other := s.begun()
	s.weigh(other, "line-3", "")
	id := store.Text(s.read(other).Lines[2].Inputs[0].ID)
	if p := helper.Get(paths.CorrectInput(code, id)); p.Status != http.StatusNotFound {
		t.Errorf("an entry of another batch answers %d", p.Status)
	}
}

// Every page of the bench has one heading and nothing inline; with several batches open each leads to the others.
func TestEveryPageOfTheBenchIsWholeAndLeadsToTheOtherBatches(t *testing.T) {
	t.Parallel()
	s := newShop(t)
	other, code := s.begun(), s.moulded(24*time.Hour)
	plan := s.plan()
	helper := s.As(access.Helper)
	list := []string{paths.Plans(), paths.NewPlan(), paths.Plan(plan), paths.StartPlan(plan), paths.BenchAdd(code), paths.BenchOff(code), paths.BenchEnd(code)}
	tasks := helper.Get(paths.BenchTask(code, "room"))
	tasks.Find(".steps ol a").Each(func(_ int, a *goquery.Selection) {
		list = append(list, a.AttrOr("href", ""))
	})
	if len(list) < 20 {
		t.Fatalf("only %v", list)
	}
	for _, path := range list {
		p := helper.Get(path)
		if p.Status != http.StatusOK || p.Find("h1").Length() != 1 || p.Find("[style], script:not([src]), [onclick]").Length() != 0 {
			t.Errorf("%s: status %d, %d headings", path, p.Status, p.Find("h1").Length())
		}
		seen := map[string]bool{}
		p.Find("[id]").Each(func(_ int, e *goquery.Selection) {
			id := e.AttrOr("id", "")
			if seen[id] {
				t.Errorf("%s: id %q twice", path, id)
			}
			seen[id] = true
		})
		if strings.HasPrefix(path, paths.Bench(code)) && p.Find(`.also a[href="`+paths.Bench(other)+`"]`).Length() != 1 {
			t.Errorf("%s does not lead to %s", path, other)
		}
	}
}
