package bench_test

import (
	"net/http"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"example.org/stillroom/internal/access"
	"example.org/stillroom/internal/store"
	"example.org/stillroom/web/webtest"
)

// gearShop keeps a coarse and a fine scale, a pot that is to be clean, and a mould.
func gearShop(t *testing.T) shop {
	t.Helper()
	s := newShop(t)
	for _, e := range []store.Equipment{
		{Name: "Bench scale", Kind: "scale", ReadabilityG: some("1"), MaxLoadG: some("6000"), CheckDays: 30},
		{Name: "Fine scale", Kind: "scale", ReadabilityG: some("0.01"), MinLoadG: some("0.5"), MaxLoadG: some("500")},
		{Name: "Steel pot", Kind: "vessel", CleanBeforeUse: true},
		{Name: "Stick blender", Kind: "vessel"},
		{Name: "Tin rack", Kind: "mould"},
	} {
		_, err := s.Store.AddEquipment(t.Context(), s.Who(access.Maker), store.Entry{}, e)
		s.ok(err)
	}
	return s
}

// uses are what the batch names now.
func (s shop) uses(code string) (out []string) {
	s.t.Helper()
	for _, u := range s.read(code).Equipment {
		if !u.Replaced {
			out = append(out, u.Equipment)
		}
	}
	return out
}

func TestABatchIsAskedWhatItIsMadeWith(t *testing.T) {
	t.Parallel()
	s := gearShop(t)
	helper := s.As(access.Helper)
	first := s.begun()
	open := helper.Get("/batches/" + first + "/bench")
	if !strings.HasSuffix(open.Location, "/bench/equipment") {
		t.Fatalf("the bench opens at %s", open.Location)
	}
	page := helper.Follow(open)
	if page.Find("[name^=used-][checked]").Length() != 0 || page.Find("[name='used-SC-1'], [name='used-MO-1']").Length() != 0 {
		t.Errorf("before anything was named: %q", page.Text("main"))
	}
	refused := helper.Submit(page, "Record what is used", nil)
	if refused.Status != http.StatusUnprocessableEntity || !strings.Contains(refused.Text("#f-used"), "Tick what was used") || refused.Find(`.summary a[href="#f-used"]`).Length() != 1 {
		t.Errorf("nothing ticked: %d %q", refused.Status, refused.Text("main"))
	}
	asked := helper.Submit(page, "Record what is used", map[string]string{"used-VE-1": "on", "used-VE-2": "on"})
	if asked.Status != http.StatusUnprocessableEntity || !strings.Contains(asked.Text(".note.care"), "Steel pot (VE-1) was not clean before use.") || asked.Find("[name='used-VE-2'][checked]").Length() != 1 {
		t.Fatalf("not clean: %d %q", asked.Status, asked.Text("main"))
	}
	if got := s.uses(first); len(got) != 0 {
		t.Fatalf("half saved: %v", got)
	}
	silent := helper.Submit(asked, "Used as it was", nil)
	if silent.Status != http.StatusUnprocessableEntity || !strings.Contains(silent.Error("reason"), "Say how") {
		t.Errorf("without a reason: %d %q", silent.Status, silent.Text("main"))
	}
	kept := helper.Submit(asked, "Used as it was", map[string]string{"reason": "a rim of yesterday's balm"})
	next := helper.Follow(kept)
	if again := helper.Submit(asked, "Used as it was", map[string]string{"reason": "a rim of yesterday's balm"}); again.Status != http.StatusSeeOther {
		t.Errorf("sent twice: %d", again.Status)
	}
	if !strings.Contains(next.Text("#said"), "Steel pot, Stick blender") || !strings.HasPrefix(next.Text("h1"), "Weigh") {
		t.Errorf("after it: %q, %q", next.Text("#said"), next.Text("h1"))
	}
	if diff := cmp.Diff([]string{"VE-1", "VE-2"}, s.uses(first)); diff != "" {
		t.Error(diff)
	}
	if d := s.read(first).Deviations; len(d) != 1 || d[0].Kind != "equipment" || d[0].Reason != "a rim of yesterday's balm" {
		t.Errorf("deviations: %+v", d)
	}
	// The next batch of the formula starts with what this one used, but looks for itself.
	second := s.begun()
	page = helper.Get("/batches/" + second + "/bench/equipment")
	if page.Find("[name='used-VE-1'][checked], [name='used-VE-2'][checked]").Length() != 2 || page.Find("[name='clean-VE-1'][checked]").Length() != 0 {
		t.Errorf("the next batch: %q", page.Text("main"))
	}
	helper.Follow(helper.Submit(page, "Record what is used", map[string]string{"clean-VE-1": "on"}))
	if d := s.read(second).Deviations; len(d) != 0 {
		t.Errorf("clean, and yet: %+v", d)
	}
	page = helper.Get("/batches/" + second + "/bench/equipment")
	back := helper.Get(page.Find("main a[href*='/entries/equipment/']").First().AttrOr("href", "?"))
	if !strings.Contains(back.Text("h1"), "Take back") {
		t.Fatalf("taking back: %q", back.Text("main"))
	}
	helper.Follow(helper.Submit(back, "Take it back", map[string]string{"reason": "the other pot"}))
	if got := s.uses(second); len(got) != 1 {
		t.Errorf("taken back, and yet: %v", got)
	}
	if p := helper.Get("/batches/" + second + "/bench/equipment"); p.Find("main s").Length() != 1 {
		t.Errorf("taken back: %q", p.Text("main"))
	}
}

func TestNothingOfEquipmentIsInTheWay(t *testing.T) {
	t.Parallel()
	s := gearShop(t)
	helper := s.As(access.Helper)
	code := s.begun()
	page := helper.Get("/batches/" + code + "/bench/equipment")
	onward := ""
	for _, a := range page.Find("main a").EachIter() {
		if strings.Contains(a.Text(), "Go on without") {
			onward = a.AttrOr("href", "")
		}
	}
	weigh := helper.Get(onward)
	if !strings.HasPrefix(weigh.Text("h1"), "Weigh") {
		t.Fatalf("going on leads to %q", weigh.Text("h1"))
	}
	helper.Follow(helper.Submit(weigh, "Record", map[string]string{"grams": s.read(code).Lines[0].TargetG.String(), "scale": ""}))
	if open := helper.Get("/batches/" + code + "/bench"); !strings.HasSuffix(open.Location, "/bench/line-2") {
		t.Errorf("once something is weighed the bench opens at %s", open.Location)
	}
	if got := s.uses(code); len(got) != 0 {
		t.Errorf("named by itself: %v", got)
	}
	moulds := helper.Get("/batches/" + code + "/bench/moulds")
	helper.Follow(helper.Submit(moulds, "Record what is used", map[string]string{"used-MO-1": "on"}))
	if diff := cmp.Diff([]string{"MO-1"}, s.uses(code)); diff != "" {
		t.Error(diff)
	}
	bare := newShop(t)
	plain := bare.begun()
	tablet := bare.As(access.Helper)
	if p := tablet.Get("/batches/" + plain + "/bench/equipment"); p.Status != http.StatusNotFound {
		t.Errorf("where none is kept: %d", p.Status)
	}
	if p := tablet.Get("/batches/" + plain + "/bench/line-1"); p.Find("[name=scale]").Length() != 0 {
		t.Error("asks for a scale where none is kept")
	}
}

// option is the scale that a page proposes.
func scaleOn(p *webtest.Page) string { return p.Value("scale") }

func TestAWeighingProposesTheScaleThatSuitsIt(t *testing.T) {
	t.Parallel()
	s := gearShop(t)
	helper := s.As(access.Helper)
	code := s.begun()
	path := func(task string) string { return "/batches/" + code + "/bench/" + task }
	// Targets of a batch of 1,000 g: 336 g of oat oil, 560 g of the base, 20 g of tocopherol.
	if p := helper.Get(path("line-1")); scaleOn(p) != "SC-2" || p.Text("details.other summary") == "" {
		t.Errorf("336 g are proposed for %q", scaleOn(p))
	}
	base := helper.Get(path("line-4"))
	if scaleOn(base) != "SC-1" || !strings.Contains(base.Text(".weigh"), "SC-1: It was never checked.") {
		t.Errorf("560 g are proposed for %q: %q", scaleOn(base), base.Text(".weigh"))
	}
	helper.Follow(helper.Submit(base, "Record", map[string]string{"grams": "560"}))
	if diff := cmp.Diff([]string{"SC-1"}, s.uses(code)); diff != "" {
		t.Errorf("named by what was weighed:\n%s", diff)
	}
	// The scale used last is kept where it suits, and left where it does not.
	if p := helper.Get(path("line-1")); scaleOn(p) != "SC-1" {
		t.Errorf("336 g after 560 g: %q", scaleOn(p))
	}
	small := helper.Get(path("line-6"))
	if small.Find(`option[value="SC-1"]`).Length() != 1 || scaleOn(small) != "SC-1" {
		t.Errorf("20 g, the least of a scale of 1 g: %q", scaleOn(small))
	}
	water := helper.Get(path("line-7"))
	if scaleOn(water) != "SC-1" {
		t.Errorf("up to 20 g as needed: %q", scaleOn(water))
	}
	wrong := helper.Submit(helper.Get(path("line-1")), "Record", map[string]string{"grams": "336", "scale": "SC-9"})
	if wrong.Status != http.StatusUnprocessableEntity || !strings.Contains(wrong.Error("scale"), "no equipment") || wrong.Value("grams") != "336" || wrong.Find("details.other[open]").Length() == 0 {
		t.Errorf("no such scale: %d %q", wrong.Status, wrong.Text("main"))
	}
	// Too coarse for it: recorded all the same, and said.
	said := helper.Follow(helper.Submit(helper.Get(path("line-7")), "Record", map[string]string{"grams": "5", "scale": "SC-1"}))
	if !strings.Contains(said.Text("#said"), "5 g needs a finer scale: SC-2 would do.") {
		t.Errorf("said: %q", said.Text("#said"))
	}
	for _, in := range s.read(code).Lines[3].Inputs {
		if in.Scale != "SC-1" {
			t.Errorf("weighed on %q", in.Scale)
		}
		correct := helper.Get(path("inputs/" + store.Text(in.ID) + "/correct"))
		if scaleOn(correct) != "SC-1" {
			t.Errorf("the correction starts with %q", scaleOn(correct))
		}
		helper.Follow(helper.Submit(correct, "Correct it to", map[string]string{"scale": "SC-2", "reason": "mis-tap"}))
	}
	var stands []string
	for _, in := range s.read(code).Lines[3].Inputs {
		if !in.Replaced {
			stands = append(stands, in.Scale)
		}
	}
	if diff := cmp.Diff([]string{"SC-2"}, stands); diff != "" {
		t.Error(diff)
	}
}
