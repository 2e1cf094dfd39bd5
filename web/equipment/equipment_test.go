package equipment_test

import (
	"net/http"
	"net/url"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"github.com/shopspring/decimal"

	"example.org/stillroom/internal/access"
	"example.org/stillroom/internal/day"
	"example.org/stillroom/internal/store"
	"example.org/stillroom/web/webtest"
)

func gearOK(t *testing.T, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

func gearSome(text string) decimal.NullDecimal {
	return decimal.NewNullDecimal(decimal.RequireFromString(text))
}

func gearAdd(t *testing.T, site *webtest.Site, e store.Equipment) string {
	t.Helper()
	code, err := site.Store.AddEquipment(t.Context(), site.Who(access.Maker), store.Entry{}, e)
	gearOK(t, err)
	return code
}

func gearScale() store.Equipment {
	return store.Equipment{Name: "Bench scale", Kind: "scale", Place: "Still room", ReadabilityG: gearSome("0.1"), MinLoadG: gearSome("1"), MaxLoadG: gearSome("3000"), CheckDays: 30}
}

// gearChanges counts what was recorded.
func gearChanges(t *testing.T, site *webtest.Site) (n int) {
	t.Helper()
	conn, err := pgx.Connect(t.Context(), site.DB.OwnerURL)
	gearOK(t, err)
	defer conn.Close(t.Context())
	gearOK(t, conn.QueryRow(t.Context(), `SELECT count(*) FROM change`).Scan(&n))
	return n
}

// gearRefused wants 422, an error in the title, and words beside each field.
func gearRefused(t *testing.T, name string, p *webtest.Page, want map[string]string) {
	t.Helper()
	if p.Status != http.StatusUnprocessableEntity || !strings.HasPrefix(p.Text("title"), "Error: ") {
		t.Errorf("%s: %d %q\n%s", name, p.Status, p.Text("title"), p.Text("main"))
	}
	for field, words := range want {
		if said := p.Error(field); said == "" || !strings.Contains(said, words) {
			t.Errorf("%s: beside %s stands %q, want %q", name, field, said, words)
		}
		if p.Find(`.summary a[href="#f-`+field+`"]`).Length() != 1 {
			t.Errorf("%s: the summary does not lead to %s", name, field)
		}
	}
}

func gearKeeps(t *testing.T, name string, p *webtest.Page, typed map[string]string) {
	t.Helper()
	for field, value := range typed {
		if field == "kind" || field == "result" {
			if got := p.Find(`[name="`+field+`"][checked]`).AttrOr("value", ""); got != value {
				t.Errorf("%s: %s is %q, typed was %q", name, field, got, value)
			}
			continue
		}
		if got := p.Value(field); got != value {
			t.Errorf("%s: %s is %q, typed was %q", name, field, got, value)
		}
	}
}

func TestAScaleIsAddedCheckedAndCorrected(t *testing.T) {
	t.Parallel()
	site := webtest.New(t)
	maker, helper := site.As(access.Maker), site.As(access.Helper)
	if empty := maker.Get("/equipment"); !strings.Contains(empty.Text("main"), "No equipment in the book") {
		t.Errorf("an empty list: %q", empty.Text("main"))
	}
	form := maker.Get("/equipment/new")
	typed := map[string]string{"name": "Bench <scale>", "kind": "scale", "place": "Still room", "readability": "0,1", "min_load": "1", "max_load": "3 000", "check_days": "30", "note": "Serial 7731"}
	saved := maker.Submit(form, "Add this equipment", typed)
	page := maker.Follow(saved)
	if saved.Location != "/equipment/SC-1" || page.Text("h1") != "Bench <scale>" || !strings.Contains(page.Text(".head"), "steps of 0.1 g, from 1 g, up to 3 kg") || page.Text(".answer") != "Never checked" {
		t.Fatalf("%s: %q", saved.Location, page.Text("main"))
	}
	if again := maker.Submit(form, "Add this equipment", typed); again.Location != saved.Location {
		t.Errorf("sent twice: %s", again.Location)
	}
	check := helper.Get("/log/new?kind=check&equipment=SC-1&about=")
	if check.Value("tolerance") != "0.2" || check.Value("next_on") != day.In(time.Now(), time.UTC).AddDays(30).String() {
		t.Errorf("the form of a check: within %q, next %q", check.Value("tolerance"), check.Value("next_on"))
	}
	page = helper.Follow(helper.Submit(check, "Write it down", map[string]string{"reference": "500", "shown": "500.1"}))
	if page.Text("h1") != "Bench <scale>" || !strings.HasPrefix(page.Text(".answer"), "Checked, due") || !strings.Contains(page.Text("tbody"), "500 g put on, 500.1 g shown; 0.2 g allowed") {
		t.Errorf("checked: %q", page.Text("main"))
	}
	stale := maker.Get("/equipment/SC-1/correct")
	corrected := maker.Follow(maker.Submit(maker.Get("/equipment/SC-1/correct"), "Correct this equipment", map[string]string{"max_load": "2000", "reason": "its plate says so"}))
	if row := corrected.Text("table.changes tbody"); !strings.Contains(row, "Maximum load, g") || !strings.Contains(row, "its plate says so") {
		t.Errorf("what was changed: %q", row)
	}
	late := maker.Submit(stale, "Correct this equipment", map[string]string{"place": "Cellar", "reason": "moved"})
	if late.Status != http.StatusConflict || late.Text("#f-max_load-hint") != "In the book: 2000" {
		t.Errorf("a stale page: %d %q", late.Status, late.Text("#f-max_load-hint"))
	}
	gearKeeps(t, "a stale page", late, map[string]string{"place": "Cellar", "reason": "moved", "max_load": "3000"})
	maker.Follow(maker.Submit(maker.Get("/equipment/SC-1/correct"), "Correct this equipment", map[string]string{"retired": "on", "reason": "sold"}))
	if list := maker.Get("/equipment"); list.Find("tbody tr").Length() != 0 {
		t.Errorf("retired, and in use: %q", list.Text("main"))
	}
	if list := maker.Get("/equipment?retired=1"); !strings.Contains(list.Text("tbody"), "Not in use any more") {
		t.Errorf("with retired: %q", list.Text("main"))
	}
}

func TestBadEquipmentIsToldAtOnceAndKept(t *testing.T) {
	t.Parallel()
	site := webtest.New(t)
	gearAdd(t, site, gearScale())
	gearAdd(t, site, store.Equipment{Name: "Steel pot", Kind: "vessel"})
	maker, before := site.As(access.Maker), gearChanges(t, site)
	long := strings.Repeat("x", 1001)
	for _, c := range []struct {
		name, path, button string
		typed, want        map[string]string
	}{
		{"nothing", "/equipment/new", "Add this equipment", nil, map[string]string{"name": "Write what it is called", "kind": "Choose what it is"}},
		{"a scale without its step", "/equipment/new", "Add this equipment", map[string]string{"name": "Scale", "kind": "scale"}, map[string]string{"readability": "smallest step"}},
		{"words for numbers", "/equipment/new", "Add this equipment", map[string]string{"name": "Scale", "kind": "scale", "readability": "fine", "min_load": "-1", "check_days": "monthly"}, map[string]string{"readability": "", "min_load": "", "check_days": ""}},
		{"a comma that could be two things", "/equipment/new", "Add this equipment", map[string]string{"name": "Scale", "kind": "scale", "readability": "0.1", "max_load": "3,000"}, map[string]string{"max_load": "could mean"}},
		{"everything too long", "/equipment/new", "Add this equipment", map[string]string{"name": long, "code": long, "place": long, "note": long, "kind": "vessel"}, map[string]string{"name": "At most", "code": "At most", "place": "At most", "note": "At most"}},
		{"a code that is taken", "/equipment/new", "Add this equipment", map[string]string{"name": "Scale", "kind": "scale", "readability": "1", "code": "SC-1"}, map[string]string{"code": "Other equipment has this code."}},
		{"corrected without a reason", "/equipment/SC-1/correct", "Correct this equipment", map[string]string{"name": " ", "readability": "0"}, map[string]string{"name": "Write what it is called", "readability": "more than 0", "reason": "Say why"}},
		{"a pot corrected to nothing", "/equipment/VE-1/correct", "Correct this equipment", map[string]string{"name": "", "reason": "x"}, map[string]string{"name": "Write what it is called"}},
	} {
		page := maker.Submit(maker.Get(c.path), c.button, c.typed)
		gearRefused(t, c.name, page, c.want)
		gearKeeps(t, c.name, page, c.typed)
	}
	if n := gearChanges(t, site) - before; n != 0 {
		t.Errorf("%d changes were stored", n)
	}
	for path, right := range map[string]access.Role{"/equipment/new": access.Helper, "/equipment/SC-1/correct": access.Helper, "/log/new": access.Viewer} {
		if p := site.As(right).Get(path); p.Status != http.StatusForbidden {
			t.Errorf("%s as %s: %d", path, right, p.Status)
		}
	}
	for _, path := range []string{"/equipment/SC-9", "/equipment/SC-9/correct", "/log?kind=party", "/log?equipment=SC-9", "/log/x", "/log/" + uuid.NewString(), "/log/" + uuid.NewString() + "/correct"} {
		if p := maker.Get(path); p.Status != http.StatusNotFound {
			t.Errorf("%s: %d", path, p.Status)
		}
	}
}

func TestAFailedCheckIsSaidWhereItMatters(t *testing.T) {
	t.Parallel()
	site := webtest.New(t)
	gearAdd(t, site, gearScale())
	helper := site.As(access.Helper)
	form := helper.Get("/log/new?kind=check&equipment=SC-1")
	saved := helper.Submit(form, "Write it down", map[string]string{"reference": "500", "shown": "502", "result": "fine"})
	page := helper.Follow(saved)
	if !strings.Contains(page.Text("#said"), "It failed.") || !strings.HasPrefix(page.Text(".answer"), "Failed on") || !strings.Contains(page.Text(".note.stop"), "no check before it passed") {
		t.Errorf("its page: %q", page.Text("main"))
	}
	for _, path := range []string{"/log", "/"} {
		if p := helper.Get(path); !strings.Contains(p.Text(".note.stop"), "Bench scale (SC-1)") || !strings.Contains(p.Text("main"), "Failed on") {
			t.Errorf("%s: %q", path, p.Text("main"))
		}
	}
	if list := helper.Get("/equipment"); !strings.Contains(list.Text("tbody"), "Failed on") {
		t.Errorf("the list: %q", list.Text("tbody"))
	}
	helper.Follow(helper.Submit(helper.Get("/log/new?kind=check&equipment=SC-1"), "Write it down", map[string]string{"reference": "500", "shown": "500"}))
	if p := helper.Get("/"); p.Find(".note.stop").Length() != 0 {
		t.Errorf("once it passed again: %q", p.Text("main"))
	}
}

func TestTheLogIsWrittenByChoosingFirst(t *testing.T) {
	t.Parallel()
	site := webtest.New(t)
	gearAdd(t, site, gearScale())
	helper := site.As(access.Helper)
	choose := helper.Get("/log/new")
	refused := helper.Submit(choose, "Go on", nil)
	gearRefused(t, "nothing chosen", refused, map[string]string{"kind": "Choose what was done", "about": "What or who"})
	refused = helper.Submit(choose, "Go on", map[string]string{"kind": "pest", "about": strings.Repeat("x", 201)})
	gearRefused(t, "too long", refused, map[string]string{"about": "At most 200"})
	gearKeeps(t, "too long", refused, map[string]string{"kind": "pest", "about": strings.Repeat("x", 201)})
	if p := helper.Get("/log/new?kind=check&equipment=SC-9"); p.Status != http.StatusUnprocessableEntity || !strings.Contains(p.Error("equipment"), "no equipment") {
		t.Errorf("no such equipment: %d %q", p.Status, p.Text("main"))
	}
	form := helper.Submit(choose, "Go on", map[string]string{"kind": "pest", "about": " Traps "})
	if form.Text("h1") != "Pests: Traps" || form.Find("[name=reference]").Length() != 0 || form.Value("next_on") != "" {
		t.Fatalf("the form: %q", form.Text("main"))
	}
	bad := map[string]string{"at": "last week", "words": strings.Repeat("x", 1001), "next_on": "soon"}
	refused = helper.Submit(form, "Write it down", bad)
	gearRefused(t, "nothing right", refused, map[string]string{"at": "date and time", "words": "At most", "next_on": ""})
	gearKeeps(t, "nothing right", refused, bad)
	refused = helper.Submit(form, "Write it down", map[string]string{"result": "attention", "at": "2999-01-01T10:00"})
	gearRefused(t, "not said what", refused, map[string]string{"at": "not come yet", "words": "Say what was off"})
	gearKeeps(t, "not said what", refused, map[string]string{"result": "attention", "at": "2999-01-01T10:00"})

	yesterday := time.Now().UTC().Add(-24 * time.Hour)
	typed := map[string]string{"result": "fine", "at": yesterday.Format("2006-01-02T15:04"), "next_on": day.In(time.Now(), time.UTC).AddDays(6).String()}
	saved := helper.Submit(form, "Write it down", typed)
	list := helper.Follow(saved)
	if !strings.Contains(list.Text("table tbody"), "Traps") || !strings.Contains(list.Text("table tbody"), "written late") || !strings.Contains(list.Text("section.sheet"), "Pests: Traps") {
		t.Errorf("the log: %q", list.Text("main"))
	}
	helper.Submit(form, "Write it down", typed)
	if n := helper.Get("/log").Find("table tbody tr").Length(); n != 1 {
		t.Errorf("sent twice, %d entries", n)
	}
	if p := helper.Get("/"); !strings.Contains(p.Text("main"), "Due in the log") {
		t.Errorf("today: %q", p.Text("main"))
	}
	if p := helper.Get("/log?kind=water"); p.Find("table").Length() != 0 {
		t.Errorf("of another kind: %q", p.Text("main"))
	}
	// A form that is older than its entry key, or has none.
	if p := helper.Post("/log/new", url.Values{"kind": {"pest"}, "about": {"Traps"}, "at": {typed["at"]}, "result": {"fine"}}); p.Status != http.StatusConflict {
		t.Errorf("without a key: %d", p.Status)
	}
	if p := helper.Post("/log/new", url.Values{"entry_key": {uuid.NewString()}, "kind": {"check"}, "equipment": {"SC-9"}}); p.Status != http.StatusUnprocessableEntity {
		t.Errorf("about nothing of ours: %d", p.Status)
	}
}

func TestAnEntryIsCorrectedBesideTheOldOneOrTakenBack(t *testing.T) {
	t.Parallel()
	site := webtest.New(t)
	gearAdd(t, site, gearScale())
	id, err := site.Store.AddLogEntry(t.Context(), site.Who(access.Helper), store.Entry{}, store.NewLogEntry{Kind: "check", Equipment: "SC-1", ReferenceG: gearSome("500"), ShownG: gearSome("503")})
	gearOK(t, err)
	path := "/log/" + store.Text(id) + "/correct"
	helper := site.As(access.Helper)
	form := helper.Get(path)
	before := gearChanges(t, site)
	bad := map[string]string{"shown": "lots", "reference": "0", "reason": ""}
	refused := helper.Submit(form, "Correct this entry", bad)
	gearRefused(t, "nothing right", refused, map[string]string{"shown": "", "reference": "", "reason": "Say why"})
	gearKeeps(t, "nothing right", refused, bad)
	refused = helper.Submit(form, "Take it back", map[string]string{"reason": " "})
	gearRefused(t, "taken back without a reason", refused, map[string]string{"reason": "Say why"})
	if n := gearChanges(t, site) - before; n != 0 {
		t.Errorf("%d changes were stored", n)
	}
	page := helper.Follow(helper.Submit(form, "Correct this entry", map[string]string{"shown": "500.1", "reason": "misread"}))
	if !strings.HasPrefix(page.Text(".answer"), "Checked, due") {
		t.Errorf("corrected: %q", page.Text("main"))
	}
	old := helper.Get("/log/" + store.Text(id))
	if !strings.Contains(old.Text(".note"), "was corrected") {
		t.Errorf("the old one: %q", old.Text("main"))
	}
	next := helper.Get(old.Find(".note a").AttrOr("href", "?"))
	if row := next.Text("table.changes"); !strings.Contains(row, "misread") || !strings.Contains(row, "503") {
		t.Errorf("the new one: %q", next.Text("main"))
	}
	if late := helper.Submit(form, "Correct this entry", map[string]string{"shown": "501", "reason": "again"}); late.Status != http.StatusUnprocessableEntity {
		t.Errorf("a stale page: %d %q", late.Status, late.Text("main"))
	}
	again := helper.Get(next.Find(".head a").AttrOr("href", "?"))
	log := helper.Follow(helper.Submit(again, "Take it back", map[string]string{"reason": "it was the other scale"}))
	if log.Find("table tbody s").Length() != 1 {
		t.Errorf("taken back: %q", log.Text("main"))
	}
	mine, err := site.Store.AddLogEntry(t.Context(), site.Who(access.Maker), store.Entry{}, store.NewLogEntry{Kind: "water", About: "Mains tap", Result: "fine"})
	gearOK(t, err)
	if p := helper.Get("/log/" + store.Text(mine) + "/correct"); p.Status != http.StatusForbidden {
		t.Errorf("somebody else's: %d", p.Status)
	}
}

func TestInOuncesAScaleKeepsItsGrams(t *testing.T) {
	t.Parallel()
	site := webtest.New(t)
	conn, err := pgx.Connect(t.Context(), site.DB.OwnerURL)
	gearOK(t, err)
	defer conn.Close(t.Context())
	_, err = conn.Exec(t.Context(), `ALTER TABLE workshop DISABLE TRIGGER USER; UPDATE workshop SET mass_unit = 'oz'; ALTER TABLE workshop ENABLE TRIGGER USER`)
	gearOK(t, err)
	gearAdd(t, site, gearScale())
	maker := site.As(access.Maker)
	maker.Follow(maker.Submit(maker.Get("/equipment/SC-1/correct"), "Correct this equipment", map[string]string{"place": "Cellar", "reason": "moved"}))
	list, err := site.Store.EquipmentInUse(t.Context(), site.Who(access.Maker).Workshop, day.In(time.Now(), time.UTC))
	gearOK(t, err)
	if g := list[0].MaxLoadG.Decimal.String(); g != "3000" || list[0].Place != "Cellar" {
		t.Errorf("a correction of the place makes the load %s g", g)
	}
	check := maker.Get("/log/new?kind=check&equipment=SC-1")
	page := maker.Follow(maker.Submit(check, "Write it down", map[string]string{"reference": "16", "shown": "16"}))
	if !strings.Contains(page.Text("tbody"), "16 oz put on, 16 oz shown") {
		t.Errorf("in ounces: %q", page.Text("tbody"))
	}
}
