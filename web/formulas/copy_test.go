package formulas_test

import (
	"net/http"
	"strings"
	"testing"
	"time"

	"github.com/shopspring/decimal"

	"example.org/stillroom/internal/access"
	"example.org/stillroom/internal/day"
	"example.org/stillroom/internal/store"
	"example.org/stillroom/web/paths"
	"example.org/stillroom/web/webtest"
)

// inForce is formula OB with version 1 in force.
func inForce(t *testing.T) (*webtest.Site, *webtest.Client) {
	t.Helper()
	site, maker := begun(t)
	open(t, maker, "portions-0-lines-0", "Save this line", map[string]string{"amount": "100"})
	maker.Follow(maker.Submit(maker.Get("/formulas/OB"), "Put version 1 in force", nil))
	return site, maker
}

func TestAFormulaIsBegunAsACopyOfAnother(t *testing.T) {
	t.Parallel()
	site, maker := inForce(t)
	page := maker.Get("/formulas/OB")
	form := maker.Get(page.Find("a:contains('Copy it into a new formula')").AttrOr("href", ""))
	if form.Value("name") != "Copy of Oat bar" || form.Value("letters") != "" || form.Find("[name=nominal]").Length() != 0 || !strings.Contains(form.Text(".head"), "version 1 of Oat bar (OB)") {
		t.Errorf("the form: %q, %q", form.Value("name"), form.Text(".head"))
	}
	for name, tc := range map[string]struct {
		values       map[string]string
		field, words string
	}{
		"no letters":       {map[string]string{"name": "Winter bar"}, "letters", "One to four letters"},
		"the same letters": {map[string]string{"name": "Winter bar", "letters": "OB"}, "letters", "has these letters"},
		"the same code":    {map[string]string{"name": "Winter bar", "letters": "WB", "code": "OB"}, "code", "has this code"},
		"no name":          {map[string]string{"name": "", "letters": "WB"}, "name", "What is it called?"},
		"a long name":      {map[string]string{"name": strings.Repeat("x", 201), "letters": "WB"}, "name", "200 characters"},
	} {
		refused := maker.Submit(form, "Begin this formula", tc.values)
		if refused.Status != http.StatusUnprocessableEntity || !strings.Contains(refused.Error(tc.field), tc.words) || refused.Value("name") != tc.values["name"] || refused.Value("copy") != "OB" {
			t.Errorf("%s: %d, %q, %q", name, refused.Status, refused.Error(tc.field), refused.Value("name"))
		}
	}
	values := map[string]string{"name": "Winter bar", "letters": "wb", "code": "WB"}
	made := maker.Submit(form, "Begin this formula", values)
	copied := maker.Follow(made)
	if got := lines(copied); len(got) != 1 || !strings.HasPrefix(got[0], "Oat oil OO 100 %") || !strings.Contains(copied.Text(".head"), "Version 1, a draft. Code letters WB.") || !strings.Contains(copied.Text("main"), "Copied from Oat bar (OB), version 1.") {
		t.Errorf("the copy: %q, %q", got, copied.Text("main"))
	}
	if twice := maker.Submit(form, "Begin this formula", values); twice.Location != made.Location {
		t.Errorf("one form began two formulas: %q and %q", made.Location, twice.Location)
	}
	for name, path := range map[string]string{"no such formula": paths.CopyFormula("NOSUCH", 0), "no such version": paths.CopyFormula("OB", 9), "no number": paths.NewFormula() + "?copy=OB&version=x"} {
		if p := maker.Get(path); p.Status != http.StatusNotFound {
			t.Errorf("%s: %d", name, p.Status)
		}
	}
	if p := site.As(access.Helper).Get(paths.CopyFormula("OB", 1)); p.Status != http.StatusForbidden {
		t.Errorf("a helper: %d", p.Status)
	}
	if site.As(access.Helper).Get("/formulas/OB").Find("a:contains('Copy it')").Length() != 0 {
		t.Error("a helper is offered a copy")
	}
}

func TestAVersionIsTakenOutOfForce(t *testing.T) {
	t.Parallel()
	site, maker := inForce(t)
	if _, err := site.Store.MakePlan(t.Context(), site.Who(access.Maker), store.NewPlan{Formula: "OB", MassG: decimal.NewFromInt(500), On: day.In(time.Now(), time.UTC)}); err != nil {
		t.Fatal(err)
	}
	form := maker.Get(maker.Get("/formulas/OB").Find("a:contains('Take it out of force')").AttrOr("href", ""))
	if !strings.Contains(form.Text(".note"), "One plan of this formula cannot be started then.") {
		t.Errorf("%q", form.Text("main"))
	}
	for name, reason := range map[string]string{"nothing": " ", "too long": strings.Repeat("x", 501)} {
		refused := maker.Submit(form, "Take it out of force", map[string]string{"reason": reason})
		if refused.Status != http.StatusUnprocessableEntity || refused.Error("reason") == "" || refused.Value("reason") != reason {
			t.Errorf("%s: %d, %q", name, refused.Status, refused.Error("reason"))
		}
	}
	page := maker.Follow(maker.Submit(form, "Take it out of force", map[string]string{"reason": "It sank in the tin."}))
	for _, want := range []string{"no longer in force", "Taken out of force by Maker Quill", "It sank in the tin.", "No version is in force, so nothing new is made"} {
		if !strings.Contains(page.Text("main"), want) {
			t.Errorf("the page does not say %q: %q", want, page.Text("main"))
		}
	}
	if twice := maker.Submit(form, "Take it out of force", map[string]string{"reason": "It sank in the tin."}); twice.Status != http.StatusSeeOther {
		t.Errorf("the same form again: %d", twice.Status)
	}
	stale := maker.Get(paths.RetireFormula("OB", 1))
	if stale.Status != http.StatusOK || !strings.Contains(stale.Text("main"), "This version is not in force.") {
		t.Errorf("a stale page: %d, %q", stale.Status, stale.Text("main"))
	}
	for name, tc := range map[string]struct {
		role   access.Role
		path   string
		status int
	}{
		"a helper":        {access.Helper, paths.RetireFormula("OB", 1), http.StatusForbidden},
		"no such version": {access.Maker, paths.RetireFormula("OB", 9), http.StatusNotFound},
		"no such formula": {access.Maker, paths.RetireFormula("NOSUCH", 1), http.StatusNotFound},
	} {
		if p := site.As(tc.role).Get(tc.path); p.Status != tc.status {
			t.Errorf("%s: %d", name, p.Status)
		}
	}
	// It comes back as a new version.
	maker.Follow(maker.Submit(page, "New version", nil))
	maker.Follow(maker.Submit(maker.Get("/formulas/OB/versions/2"), "Put version 2 in force", nil))
}
