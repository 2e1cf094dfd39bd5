package formulas_test

import (
	"context"
	"net/http"
	"net/url"
	"strings"
	"testing"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"example.org/stillroom/internal/access"
	"example.org/stillroom/internal/pgtest"
	"example.org/stillroom/internal/store"
	"example.org/stillroom/web/webtest"
)

// shelves puts three materials into the book.
func shelves(t *testing.T, site *webtest.Site) {
	t.Helper()
	for code, name := range map[string]string{"OO": "Oat oil", "CB": "Cocoa butter", "LV": "Lavender <b>oil</b>"} {
		if _, err := site.Store.AddMaterial(t.Context(), site.Who(access.Maker), store.Entry{}, store.Material{Code: code, Name: name, Kind: "raw", Unit: "g", Tracked: true, ExpiryCounts: true}); err != nil {
			t.Fatal(err)
		}
	}
}

// begun is a site with formula OB, whose draft has one portion of one line.
func begun(t *testing.T) (*webtest.Site, *webtest.Client) {
	t.Helper()
	site := webtest.New(t)
	shelves(t, site)
	maker := site.As(access.Maker)
	maker.Follow(maker.Submit(maker.Get("/formulas/new"), "Begin this formula", map[string]string{"name": "Oat bar", "letters": "ob", "code": "OB"}))
	open(t, maker, "portions-0", "Save this portion", nil)
	open(t, maker, "portions-0-lines-0", "Save this line", map[string]string{"kind": "material:OO", "amount": "70"})
	return site, maker
}

// open opens the form of a part of OB's draft, fills it in and sends it; the answer is followed.
func open(t *testing.T, c *webtest.Client, part, button string, values map[string]string) *webtest.Page {
	t.Helper()
	return c.Follow(c.Submit(c.Get("/formulas/OB/versions/1?edit="+part), button, values))
}

// lines are what the table of the first portion says, a text a row.
func lines(p *webtest.Page) []string {
	var out []string
	for i := range p.Find("#portions-0 tbody tr").Length() {
		out = append(out, strings.Join(strings.Fields(p.Find("#portions-0 tbody tr").Eq(i).Find("td").Not(":last-child").Text()), " "))
	}
	return out
}

func TestAMakerWritesAFormulaAndPutsItInForce(t *testing.T) {
	t.Parallel()
	_, maker := begun(t)
	page := maker.Get("/formulas/OB")
	if got := page.Text("#portions-0 .total"); !strings.Contains(got, "70 of 100 %; 30 to go") {
		t.Errorf("a running total: %q", got)
	}
	if got := lines(page); len(got) != 1 || got[0] != "Oat oil OO 70 %700 g" {
		t.Errorf("both share and grams: %q", got)
	}
	// Another one straight after, and an as-needed one.
	next := open(t, maker, "portions-0-lines-1", "Save and add another", map[string]string{"kind": "material:CB", "amount": "30", "limit": "35,5"})
	if next.Find("form select[name=kind]").Length() != 1 || !strings.Contains(next.Text("#portions-0 .total"), "100 of 100 %") {
		t.Errorf("the next line's form is open: %q", next.Text("#portions-0"))
	}
	maker.Follow(maker.Submit(next, "Save this line", map[string]string{"kind": "material:LV", "low": "0", "high": "12,5"}))
	open(t, maker, "steps-0", "Save this step", map[string]string{"text": "Melt & pour.", "caution": "Hot.", "portion": "Base"})
	if form := maker.Get("/formulas/OB/versions/1?edit=steps-1"); !strings.Contains(form.Text("#steps"), "What burns, splashes, dusts or gets hot") {
		t.Errorf("a step asks for its caution: %q", form.Text("#steps"))
	}
	open(t, maker, "controls-0", "Save this control", map[string]string{"name": "pH", "stage": "cure_end", "low": "8", "high": "10,5", "readings": "2"})
	page = open(t, maker, "particulars", "Save for the batch", map[string]string{"cure": "4", "cure_unit": "weeks", "min_c": "15", "max_pct": "60", "expected_loss_pct": "4,5", "caution": "Hot oil."})
	for _, want := range []string{"0 to 12.5 g", "as needed", "35.5 %", "Melt & pour. after Base", "at end of cure", "8 to 10.5", "cures at least 4 weeks", "at least 15 °C, at most 60 % humidity", "4.5 % of what goes in", "Hot oil."} {
		if !strings.Contains(page.Text("main"), want) {
			t.Errorf("the draft does not say %q: %q", want, page.Text("main"))
		}
	}
	if strings.Contains(page.Body, "<b>oil</b>") {
		t.Error("a material's name is markup")
	}
	page = maker.Follow(maker.Submit(page, "Put version 1 in force", nil))
	if !strings.Contains(page.Text(".head"), "Version 1, in force.") || !strings.Contains(page.Text(".head"), "Approved by Maker Quill") || page.Find("form[action*=draft]").Length() > 0 {
		t.Errorf("in force: %q", page.Text("main"))
	}
	page = maker.Follow(maker.Submit(page, "New version", nil))
	if !strings.Contains(page.Text(".head"), "Version 2, a draft.") || len(lines(page)) != 3 {
		t.Errorf("the new draft: %q", page.Text("main"))
	}
	if got := maker.Get("/formulas/OB").Text("main"); !strings.Contains(got, "Version 2 is being drafted") {
		t.Errorf("the page in force leads to the draft: %q", got)
	}
	if row := maker.Get("/formulas").Text("tbody"); row != "Oat bar OBunitsVersion 1 draft of version 20" {
		t.Errorf("the list says %q", row)
	}
}

func TestLinesAreMovedChangedAndTakenOut(t *testing.T) {
	t.Parallel()
	_, maker := begun(t)
	open(t, maker, "portions-0-lines-1", "Save this line", map[string]string{"kind": "material:CB", "amount": "30"})
	page := maker.Follow(maker.Submit(maker.Get("/formulas/OB"), "Move Cocoa butter up", nil))
	if got := lines(page); len(got) != 2 || !strings.HasPrefix(got[0], "Cocoa butter") {
		t.Errorf("moved: %q", got)
	}
	page = open(t, maker, "portions-0-lines-0", "Save this line", map[string]string{"amount": "29.5"})
	if got := lines(page); got[0] != "Cocoa butter CB 29.5 %295 g" {
		t.Errorf("changed: %q", got)
	}
	page = open(t, maker, "portions-0-lines-1", "Take out this line", map[string]string{"amount": "no number at all"})
	if got := lines(page); len(got) != 1 || !strings.HasPrefix(got[0], "Cocoa butter") {
		t.Errorf("taken out: %q", got)
	}
}

func TestAPortionsNewNameIsCarriedToWhereItIsUsed(t *testing.T) {
	t.Parallel()
	_, maker := begun(t)
	open(t, maker, "portions-1", "Save this portion", map[string]string{"name": "Melt", "basis": "inner", "amount": ""})
	open(t, maker, "portions-1-lines-0", "Save this line", map[string]string{"kind": "material:CB", "amount": "100"})
	open(t, maker, "portions-0-lines-1", "Save this line", map[string]string{"kind": "portion:Melt", "amount": "30"})
	open(t, maker, "steps-0", "Save this step", map[string]string{"text": "Melt.", "portion": "Melt"})
	page := open(t, maker, "portions-1", "Save this portion", map[string]string{"name": "Warm melt"})
	if got := lines(page); got[1] != "Warm melt portion of this formula 30 %300 g" || !strings.Contains(page.Text("#steps"), "after Warm melt") || !strings.Contains(page.Text("#portions-1"), "made for other portions, 300 g") {
		t.Errorf("renamed: %q, %q", got, page.Text("main"))
	}
	refused := maker.Submit(maker.Get("/formulas/OB/versions/1?edit=portions-1"), "Take out this portion", nil)
	if refused.Status != http.StatusUnprocessableEntity || !strings.Contains(refused.Text(".summary"), "Warm melt is used in Base. Take it out there first.") {
		t.Errorf("a portion in use: %d %q", refused.Status, refused.Text(".summary"))
	}
}

func TestABadEntryIsToldBesideItsFieldAndKept(t *testing.T) {
	t.Parallel()
	_, maker := begun(t)
	before := maker.Get("/formulas/OB/versions/1").Text("main")
	cases := map[string]struct {
		part, button string
		typed        map[string]string
		errors       map[string]string
	}{
		"a line of nothing": {"portions-0-lines-1", "Save this line", map[string]string{"amount": ""}, map[string]string{"kind": "What goes in?", "amount": "How much?"}},
		"no number, and a limit over all": {"portions-0-lines-1", "Save this line", map[string]string{"kind": "material:CB", "amount": "a lot", "limit": "5"},
			map[string]string{"amount": "number"}},
		"a number that can be read two ways": {"portions-0-lines-0", "Save this line", map[string]string{"amount": "1,234"}, map[string]string{"amount": "could mean"}},
		"a limit over 100 %":                 {"portions-0-lines-0", "Save this line", map[string]string{"limit": "101"}, map[string]string{"limit": "at most 100 %"}},
		"an amount and as needed":            {"portions-0-lines-0", "Save this line", map[string]string{"high": "5"}, map[string]string{"amount": "not both"}},
		"as needed from more to less":        {"portions-0-lines-0", "Save this line", map[string]string{"amount": "", "low": "9", "high": "5"}, map[string]string{"high": "below the lowest"}},
		"a fifth decimal":                    {"portions-0-lines-0", "Save this line", map[string]string{"amount": "0.12345"}, map[string]string{"amount": "At most 4 decimals"}},
		"a second portion of the same name":  {"portions-1", "Save this portion", map[string]string{"name": "base", "amount": "5"}, map[string]string{"name": "Another portion"}},
		"a portion without name and amount":  {"portions-1", "Save this portion", map[string]string{"name": "", "amount": "-4"}, map[string]string{"name": "Name the portion", "amount": "more than 0"}},
		"a step that says nothing":           {"steps-0", "Save this step", map[string]string{"text": " ", "caution": "Hot."}, map[string]string{"text": "Say what is done."}},
		"a step too long":                    {"steps-0", "Save this step", map[string]string{"text": strings.Repeat("s", 1001)}, map[string]string{"text": "1000 characters"}},
		"a control of nothing":               {"controls-0", "Save this control", map[string]string{"readings": "1.5", "unit": "g"}, map[string]string{"name": "What is measured", "stage": "Choose the stage.", "readings": "whole"}},
		"control limits upside down":         {"controls-0", "Save this control", map[string]string{"name": "pH", "stage": "making", "low": "10", "high": "-2"}, map[string]string{"high": "below the lowest"}},
	}
	for name, c := range cases {
		t.Run(name, func(t *testing.T) {
			page := maker.Submit(maker.Get("/formulas/OB/versions/1?edit="+c.part), c.button, c.typed)
			if page.Status != http.StatusUnprocessableEntity || !strings.HasPrefix(page.Find("title").Text(), "Error: ") {
				t.Fatalf("status %d: %q", page.Status, page.Text("main"))
			}
			for field, want := range c.errors {
				id := c.part + "-" + field
				if !strings.Contains(page.Error(id), want) || page.Find(".summary a[href='#f-"+id+"']").Length() != 1 || page.Find("#f-"+id).Length() != 1 {
					t.Errorf("beside %s: %q, want %q; the summary says %q", id, page.Error(id), want, page.Text(".summary"))
				}
			}
			for field, typed := range c.typed {
				if got := page.Value(field); got != typed && strings.TrimSpace(got) != strings.TrimSpace(typed) {
					t.Errorf("%s holds %q, typed was %q", field, got, typed)
				}
			}
			if now := maker.Get("/formulas/OB/versions/1").Text("main"); now != before {
				t.Errorf("something was saved: %q", now)
			}
		})
	}
	t.Run("particulars, all at once", func(t *testing.T) {
		page := maker.Submit(maker.Get("/formulas/OB/versions/1?edit=particulars"), "Save for the batch", map[string]string{"nominal": "0", "tolerance_pct": "", "min_c": "warm", "max_pct": "101", "cure": "2.5", "caution": strings.Repeat("c", 2001)})
		for field, want := range map[string]string{"nominal": "more than 0", "tolerance_pct": "How far", "min_c": "number", "cure": "whole", "caution": "2000 characters"} {
			if !strings.Contains(page.Error(field), want) {
				t.Errorf("beside %s: %q", field, page.Error(field))
			}
		}
		if page.Value("min_c") != "warm" || page.Value("cure") != "2.5" {
			t.Error("what was typed is gone")
		}
	})
}

func TestAnApprovalThatCannotBeSaysWhereItIsOff(t *testing.T) {
	t.Parallel()
	_, maker := begun(t)
	page := maker.Submit(maker.Get("/formulas/OB/versions/1"), "Put version 1 in force", nil)
	if page.Status != http.StatusUnprocessableEntity || !strings.Contains(page.Text("#f-portions-0-lines"), "The lines make 70 %") || page.Find(".summary a[href='#f-portions-0-lines']").Length() != 1 {
		t.Errorf("%d: %q", page.Status, page.Text("main"))
	}
	open(t, maker, "portions-0-lines-1", "Save this line", map[string]string{"kind": "material:CB", "amount": "30", "limit": "5"})
	page = maker.Submit(maker.Get("/formulas/OB/versions/1"), "Put version 1 in force", nil)
	if got := page.Text("#portions-0-lines-1 .error"); got != "Cocoa butter is over its limit of use." || !strings.Contains(page.Text(".summary"), "Base, Cocoa butter: Cocoa butter is over") {
		t.Errorf("beside the line: %q; summary %q", got, page.Text(".summary"))
	}
}

func TestAStalePageSavesNothingAndKeepsWhatWasTyped(t *testing.T) {
	t.Parallel()
	site, maker := begun(t)
	owner := site.As(access.Owner)
	old := maker.Get("/formulas/OB/versions/1?edit=portions-0-lines-1")
	approval := maker.Get("/formulas/OB/versions/1")
	open(t, owner, "portions-0-lines-1", "Save this line", map[string]string{"kind": "material:CB", "amount": "30"})
	page := maker.Submit(old, "Save this line", map[string]string{"kind": "material:LV", "amount": "29,75"})
	if page.Status != http.StatusConflict || !strings.Contains(page.Text(".summary"), "Somebody saved this draft meanwhile") || page.Value("amount") != "29,75" || page.Value("kind") != "material:LV" {
		t.Errorf("%d: %q with %q of %q", page.Status, page.Text(".summary"), page.Value("amount"), page.Value("kind"))
	}
	if got := lines(maker.Get("/formulas/OB/versions/1")); len(got) != 2 || !strings.HasPrefix(got[1], "Cocoa butter") {
		t.Errorf("what stands: %q", got)
	}
	if stale := maker.Submit(approval, "Put version 1 in force", nil); stale.Status != http.StatusConflict || !strings.Contains(stale.Text(".summary"), "after you opened the page") {
		t.Errorf("an approval of what was not looked at: %d %q", stale.Status, stale.Text(".summary"))
	}
	owner.Follow(owner.Submit(owner.Get("/formulas/OB/versions/1"), "Put version 1 in force", nil))
	late := maker.Submit(old, "Save this line", map[string]string{"kind": "material:LV", "amount": "29,75"})
	if late.Status != http.StatusConflict || !strings.Contains(late.Text("main"), "an approved version never changes") || !strings.Contains(late.Text("main"), "amount: 29,75") {
		t.Errorf("after the approval: %d %q", late.Status, late.Text("main"))
	}
}

func TestASecondSendingChangesNothingMore(t *testing.T) {
	t.Parallel()
	_, maker := begun(t)
	form := maker.Get("/formulas/OB/versions/1?edit=portions-0-lines-1")
	values := map[string]string{"kind": "material:CB", "amount": "30"}
	first, again := maker.Submit(form, "Save this line", values), maker.Submit(form, "Save this line", values)
	if first.Status != 303 || again.Status != 303 || again.Location != first.Location {
		t.Errorf("first %d %s, again %d %s", first.Status, first.Location, again.Status, again.Location)
	}
	page := maker.Follow(again)
	if got := lines(page); len(got) != 2 {
		t.Errorf("lines: %q", got)
	}
	first, again = maker.Submit(page, "Put version 1 in force", nil), maker.Submit(page, "Put version 1 in force", nil)
	if first.Status != 303 || again.Status != 303 {
		t.Errorf("approved %d, again %d", first.Status, again.Status)
	}
	page = maker.Get("/formulas/OB")
	first, again = maker.Submit(page, "New version", nil), maker.Submit(page, "New version", nil)
	if first.Location != "/formulas/OB/versions/2" || again.Location != first.Location {
		t.Errorf("begun at %s, again %s", first.Location, again.Location)
	}
}

func TestOnlyWhoMayDraftSeesFormsAndCanSend(t *testing.T) {
	t.Parallel()
	site, _ := begun(t)
	helper := site.As(access.Helper)
	page := helper.Get("/formulas/OB/versions/1?edit=portions-0-lines-0")
	if page.Status != http.StatusOK || page.Find("main form").Length() > 0 || !strings.Contains(page.Text("main"), "Oat oil") {
		t.Errorf("a helper reads the draft and changes nothing: %d, %d forms", page.Status, page.Find("main form").Length())
	}
	for path, values := range map[string]url.Values{
		"/formulas/new":                   {"name": {"X"}},
		"/formulas/OB/correct":            {"name": {"X"}},
		"/formulas/OB/versions":           {},
		"/formulas/OB/versions/1/approve": {},
		"/formulas/OB/draft/lines":        {"part": {"portions-0-lines-0"}},
		"/formulas/OB/draft/portions":     {"part": {"portions-0"}},
		"/formulas/OB/draft/steps":        {"part": {"steps-0"}},
		"/formulas/OB/draft/controls":     {"part": {"controls-0"}},
		"/formulas/OB/draft/particulars":  {"part": {"particulars"}},
	} {
		if got := helper.Post(path, values); got.Status != http.StatusForbidden {
			t.Errorf("a helper's %s: %d", path, got.Status)
		}
	}
}

func TestAFormThatIsNoneOfOursIsRefused(t *testing.T) {
	t.Parallel()
	_, maker := begun(t)
	seen := maker.Get("/formulas/OB/versions/1?edit=portions-0-lines-0").Value("seen")
	for name, values := range map[string]url.Values{
		"no key":                      {"part": {"portions-0-lines-0"}, "seen": {seen}, "kind": {"material:OO"}, "basis": {"share"}, "amount": {"5"}},
		"a portion that there is not": {"part": {"portions-7-lines-0"}, "seen": {seen}, "entry_key": {uuid.NewString()}},
		"a line far behind the last":  {"part": {"portions-0-lines-9"}, "seen": {seen}, "entry_key": {uuid.NewString()}},
		"a part below nothing":        {"part": {"portions-0-lines--1"}, "seen": {seen}, "entry_key": {uuid.NewString()}},
		"another kind of part":        {"part": {"steps-0"}, "seen": {seen}, "entry_key": {uuid.NewString()}},
		"not said what was seen":      {"part": {"portions-0-lines-0"}, "entry_key": {uuid.NewString()}},
		"a material of nobody":        {"part": {"portions-0-lines-0"}, "seen": {seen}, "entry_key": {uuid.NewString()}, "kind": {"material:NOPE"}, "basis": {"share"}, "amount": {"5"}},
	} {
		if page := maker.Post("/formulas/OB/draft/lines", values); page.Status != http.StatusUnprocessableEntity && page.Status != http.StatusConflict {
			t.Errorf("%s: %d %q", name, page.Status, page.Text("main"))
		}
	}
	if got := lines(maker.Get("/formulas/OB/versions/1")); len(got) != 1 || got[0] != "Oat oil OO 70 %700 g" {
		t.Errorf("what stands: %q", got)
	}
	for _, path := range []string{"/formulas/NOPE", "/formulas/OB/versions/9", "/formulas/OB/versions/x", "/formulas/OB/versions/0"} {
		if got := maker.Get(path); got.Status != http.StatusNotFound {
			t.Errorf("%s: %d", path, got.Status)
		}
	}
	// A part that is none opens nothing.
	if page := maker.Get("/formulas/OB/versions/1?edit=" + url.QueryEscape("<script>")); page.Status != http.StatusOK || strings.Contains(page.Body, "<script>") {
		t.Error("an unknown part opens nothing")
	}
}

func TestAnotherWorkshopsFormulaIsNotFound(t *testing.T) {
	t.Parallel()
	site, maker := begun(t)
	book := elsewhere(t, site)
	formula := uuid.Must(uuid.NewV7())
	book.Do(pgtest.Statement{SQL: `INSERT INTO formula (workshop_id, id, code, name, letters, change_id) VALUES ($1, $3, 'ZZ', 'Theirs', 'ZZ', $2)`, Args: []any{formula}},
		pgtest.Statement{SQL: `INSERT INTO formula_version (workshop_id, id, formula_id, number, status, nominal_g, tolerance_pct, reconciliation_pct, change_id) VALUES ($1, $3, $4, 1, 'draft', 100, 1, 1, $2)`, Args: []any{uuid.Must(uuid.NewV7()), formula}})
	if got := maker.Get("/formulas/ZZ/versions/1"); got.Status != http.StatusNotFound || strings.Contains(got.Body, "Theirs") {
		t.Errorf("read: %d", got.Status)
	}
	for path, values := range map[string]url.Values{
		"/formulas/ZZ/draft/steps":        {"part": {"steps-0"}, "seen": {"x"}, "entry_key": {uuid.NewString()}, "text": {"Ours."}},
		"/formulas/ZZ/versions/1/approve": {"seen": {"x"}, "entry_key": {uuid.NewString()}},
		"/formulas/ZZ/versions":           {"entry_key": {uuid.NewString()}},
		"/formulas/ZZ/correct":            {"entry_key": {uuid.NewString()}, "name": {"Ours"}, "reason": {"ours"}},
	} {
		if got := maker.Post(path, values); got.Status != http.StatusNotFound {
			t.Errorf("%s: %d %q", path, got.Status, got.Text("main"))
		}
	}
}

func TestABadBeginningKeepsWhatWasTyped(t *testing.T) {
	t.Parallel()
	_, maker := begun(t)
	page := maker.Submit(maker.Get("/formulas/new"), "Begin this formula", map[string]string{"name": "  ", "letters": "O1", "nominal": "heavy", "code": "a b"})
	for field, want := range map[string]string{"name": "What is it called?", "nominal": "number"} {
		if !strings.Contains(page.Error(field), want) {
			t.Errorf("beside %s: %q", field, page.Error(field))
		}
	}
	if page.Status != http.StatusUnprocessableEntity || page.Value("nominal") != "heavy" || page.Value("code") != "a b" {
		t.Errorf("%d, kept %q and %q", page.Status, page.Value("nominal"), page.Value("code"))
	}
	page = maker.Submit(page, "Begin this formula", map[string]string{"name": "Bar", "letters": "OB", "nominal": "500", "code": "BAR"})
	if !strings.Contains(page.Error("letters"), "Another formula has these letters") {
		t.Errorf("letters: %q", page.Error("letters"))
	}
}

func TestANameIsCorrectedWithAReason(t *testing.T) {
	t.Parallel()
	_, maker := begun(t)
	page := maker.Submit(maker.Get("/formulas/OB/correct"), "Correct the name", map[string]string{"name": "Oat & honey bar"})
	if page.Status != http.StatusUnprocessableEntity || !strings.Contains(page.Error("reason"), "Say why") || page.Value("name") != "Oat & honey bar" {
		t.Errorf("%d: %q", page.Status, page.Error("reason"))
	}
	page = maker.Follow(maker.Submit(page, "Correct the name", map[string]string{"reason": "as on the label"}))
	if page.Text("h1") != "Oat & honey bar" || !strings.Contains(page.Text("main"), "was Oat bar") || !strings.Contains(page.Text("main"), "as on the label (Maker Quill") {
		t.Errorf("corrected: %q", page.Text("main"))
	}
}

func TestAStaleCorrectionOfANameIsToldTheNameThatStands(t *testing.T) {
	t.Parallel()
	_, maker := begun(t)
	old := maker.Get("/formulas/OB/correct")
	maker.Follow(maker.Submit(maker.Get("/formulas/OB/correct"), "Correct the name", map[string]string{"name": "Oat loaf", "reason": "it is a loaf"}))
	page := maker.Submit(old, "Correct the name", map[string]string{"name": "Oat block", "reason": "it is a block"})
	if page.Status != http.StatusConflict || !strings.Contains(page.Text(".summary"), `it is "Oat loaf" now`) || page.Value("name") != "Oat block" || page.Value("reason") != "it is a block" {
		t.Errorf("%d: %q", page.Status, page.Text("main"))
	}
	if page = maker.Follow(maker.Submit(page, "Correct the name", nil)); page.Text("h1") != "Oat block" {
		t.Errorf("sent again, it is meant: %q", page.Text("h1"))
	}
}

// elsewhere is the book of another workshop in the same database.
func elsewhere(t *testing.T, site *webtest.Site) *pgtest.Book {
	t.Helper()
	conn, err := pgx.Connect(t.Context(), site.DB.OwnerURL)
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close(context.Background())
	id := uuid.Must(uuid.NewV7())
	if _, err := conn.Exec(t.Context(), `INSERT INTO workshop (id, code, name) VALUES ($1, 'other', 'Fenmarch Workshop')`, id); err != nil {
		t.Fatal(err)
	}
	return pgtest.History(t, site.DB, id)
}
