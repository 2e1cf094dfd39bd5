package bench_test

import (
	"testing"

	"example.org/stillroom/internal/access"
	"example.org/stillroom/internal/store"
	"example.org/stillroom/web/paths"
)

func TestACautionStandsWhereTheHandIs(t *testing.T) {
	t.Parallel()
	s := newShop(t)
	helper := s.As(access.Helper)
	const sheetFirst = "The supplier's safety data sheet goes first."

	plan := s.plan()
	says(t, helper.Get(paths.Plan(plan)), "Have ready", "Beeswax: Hot wax burns.", "Caution: Hot oils: gloves and goggles.", sheetFirst)
	says(t, helper.Get(paths.StartPlan(plan)), "Beeswax: Hot wax burns.", "Caution: Hot oils: gloves and goggles.", sheetFirst)

	code := s.begun()
	says(t, helper.Get(paths.BenchTask(code, "line-3")), "Weigh Beeswax", "Caution: Hot wax burns.", sheetFirst)
	step := helper.Get(paths.BenchTask(code, "step-1"))
	says(t, step, "Melt to 70 °C", "Caution: Do not leave it.", "Caution: Hot oils: gloves and goggles.")
	if n := step.Find(".note.care").Length(); n != 1 {
		t.Errorf("the cautions of a step stand in one strip, not in %d", n)
	}
}

func TestAnInnerPortionHasTheCautionsOfWhatWasMixedIntoIt(t *testing.T) {
	t.Parallel()
	s := newShop(t)
	for code, name := range map[string]string{"OO": "Oat oil", "SH": "Shea butter"} {
		s.ok(s.Store.CorrectMaterial(t.Context(), s.Who(access.Maker), store.Entry{}, store.Material{Code: code, Name: name, Tracked: true, ExpiryCounts: true, Caution: "Slippery: wipe spills at once."}, "from its data sheet"))
	}
	code := s.begun()
	for _, l := range s.read(code).Lines {
		if l.Kind == "portion" {
			page := s.As(access.Helper).Get(paths.BenchTask(code, "line-4"))
			says(t, page, "Weigh Base, as mixed", "Oat oil, Shea butter: Slippery: wipe spills at once.")
			return
		}
	}
	t.Error("the batch has no inner portion")
}
