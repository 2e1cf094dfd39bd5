package batches_test

import (
	"net/http"
	"strings"
	"testing"

	"github.com/google/uuid"

	"example.org/stillroom/internal/access"
	"example.org/stillroom/internal/batchcode"
	"example.org/stillroom/internal/pgtest"
	"example.org/stillroom/internal/store"
	"example.org/stillroom/web/webtest"
)

// crumbled is a packed batch with two crumbled units of 330 g.
func (h fizz) crumbled() string {
	h.t.Helper()
	code := h.dried()
	helper := h.As(access.Helper)
	values := h.nine(code)
	values["good"], values["retained"] = "8", "0"
	values["reject-units-0"], values["reject-reason-0"], values["reject-mass-0"] = "2", "crumbled", "330"
	helper.Follow(helper.Submit(helper.Get("/batches/"+code+"/pack"), "Record this packing", values))
	return code
}

func TestLeaveToWorkRejectsInIsSignedAndOfferedAtTheBench(t *testing.T) {
	t.Parallel()
	h := newFizz(t)
	source := h.crumbled()
	maker := h.As(access.Maker)
	if batch := maker.Get("/batches/" + source); batch.Find(`a[href="/batches/`+source+`/rework"]`).Length() != 1 {
		t.Errorf("the batch does not lead to it: %q", batch.Text("main"))
	}
	form := maker.Get("/batches/" + source + "/rework")
	if !strings.Contains(form.Text("main"), "Rejects: crumbled, 2 units") || !strings.Contains(form.Text("main"), "330 g to be signed for") {
		t.Fatalf("%d: %q", form.Status, form.Text("main"))
	}
	typed := map[string]string{"what": "rejects", "grams": "300", "reason": "clean and dry", "password": webtest.Password}
	for name, tc := range map[string]struct {
		change       map[string]string
		field, words string
	}{
		"more than is there": {map[string]string{"grams": "331"}, "grams", "Only 330 g"},
		"not a number":       {map[string]string{"grams": "some"}, "grams", ""},
		"no password":        {map[string]string{"password": ""}, "password", "Sign with your password"},
		"a wrong password":   {map[string]string{"password": "brass kettles of another"}, "password", "not your password"},
		"no reason":          {map[string]string{"reason": ""}, "reason", "Say why"},
		"nothing of it":      {map[string]string{"what": "left_over"}, "grams", "Only 0 g"},
		"into nothing":       {map[string]string{"formula": ""}, "formula", "Choose the formula"},
	} {
		values := map[string]string{}
		for k, v := range typed {
			values[k] = v
		}
		for k, v := range tc.change {
			values[k] = v
		}
		page := maker.Submit(form, "Sign this leave", values)
		if page.Status != http.StatusUnprocessableEntity || page.Error(tc.field) == "" || !strings.Contains(page.Error(tc.field), tc.words) {
			t.Errorf("%s: %d, beside %s %q", name, page.Status, tc.field, page.Error(tc.field))
		}
		if page.Value("grams") != values["grams"] || page.Value("reason") != values["reason"] {
			t.Errorf("%s: what was typed is gone", name)
		}
	}
	page := maker.Follow(maker.Submit(form, "Sign this leave", typed))
	if !strings.Contains(page.Text("main"), "300 g of rejects into Bath fizz, 0 g drawn") || !strings.Contains(page.Text("main"), "Signed by Maker Quill") {
		t.Errorf("signed: %q", page.Text("main"))
	}
	again := maker.Submit(form, "Sign this leave", typed)
	if again.Status != http.StatusSeeOther {
		t.Errorf("sent twice: %d", again.Status)
	}
	if list, err := h.Store.ReworkFor(t.Context(), h.maker.Workshop, "BF"); err != nil || len(list) != 1 {
		t.Errorf("%d leaves, %v", len(list), err)
	}
	// At the bench of a later batch it is offered, and weighed without a question.
	plan, err := h.Store.MakePlan(t.Context(), h.maker, store.NewPlan{Formula: "BF", Product: "BF165", MassG: dec("1690"), On: h.today})
	ok(t, err)
	into, err := h.Store.StartBatch(t.Context(), h.maker, store.Entry{}, store.Start{Plan: plan, TemperatureC: some("20"), HumidityPct: some("45")})
	ok(t, err)
	helper := h.As(access.Helper)
	add := helper.Get("/batches/" + into + "/bench/add")
	if !strings.Contains(add.Text("main"), "Signed for to be worked in") || !strings.Contains(add.Text("main"), "signed by Maker Quill") {
		t.Fatalf("the bench offers nothing: %q", add.Text("main"))
	}
	add = helper.Get("/batches/" + into + "/bench/add?source=" + source)
	if add.Value("code") != source {
		t.Fatalf("the code is %q", add.Value("code"))
	}
	helper.Follow(helper.Submit(add, "Add", map[string]string{"grams": "200"}))
	b, err := h.Store.Batch(t.Context(), h.maker.Workshop, into)
	ok(t, err)
	if len(b.Additions) != 1 || len(b.Deviations) > 0 {
		t.Errorf("additions %+v, deviations %+v", b.Additions, b.Deviations)
	}
	if batch := maker.Get("/batches/" + into); !strings.Contains(batch.Text("main"), "reprocessing signed for by Maker Quill") {
		t.Errorf("the later batch: %q", batch.Text("main"))
	}
	if page := helper.Get("/batches/" + source + "/rework"); page.Status != http.StatusForbidden {
		t.Errorf("a helper at the leave: %d", page.Status)
	}
}

func TestLeaveThatNobodyDrewIsTakenBack(t *testing.T) {
	t.Parallel()
	h := newFizz(t)
	source := h.crumbled()
	ok(t, h.Store.SignRework(t.Context(), h.maker, store.Entry{}, store.NewRework{Batch: source, Formula: "BF", What: "rejects", Grams: dec("100"), Reason: "clean"}, webtest.Password))
	maker := h.As(access.Maker)
	form := maker.Get("/batches/" + source + "/rework")
	if page := maker.Submit(form, "Take back", map[string]string{"reason": ""}); page.Status != http.StatusUnprocessableEntity || !strings.Contains(page.Text("main"), "Say why") {
		t.Errorf("without a reason: %d %q", page.Status, page.Text("main"))
	}
	page := maker.Follow(maker.Submit(form, "Take back", map[string]string{"reason": "thrown away instead"}))
	if page.Find("s").Length() != 1 || !strings.Contains(page.Text("main"), "330 g to be signed for") {
		t.Errorf("%q", page.Text("main"))
	}
	if page := maker.Get("/batches/NONE-1/rework"); page.Status != http.StatusNotFound {
		t.Errorf("a batch of nobody's: %d", page.Status)
	}
}

func TestCodesOnUnitsAreNotedFoundAndTakenBack(t *testing.T) {
	t.Parallel()
	h := newFizz(t)
	code := h.packed()
	book := pgtest.History(t, h.DB, uuid.UUID(h.maker.Workshop))
	other := book.Batch("OLD-77", batchcode.Fold("OLD-77"), book.Product("OLD", "Old soap"), "2026-01-01", 20, "released", "2027-01-01")
	book.Do(pgtest.Statement{SQL: `INSERT INTO code_near (workshop_id, near_key, code, batch_id) SELECT $1, k, 'OLD-77', $3 FROM unnest($4::text[]) k WHERE $2::uuid IS NOT NULL`, Args: []any{other.Batch, batchcode.Deletions(batchcode.Fold("OLD-77"))}})
	helper := h.As(access.Helper)
	form := helper.Get("/packings/OLD-77/codes")
	typed := map[string]string{"code": strings.ToLower(code), "kind": "mix_up", "units": "5", "reason": "labels <i>left</i> in the tray"}
	for name, tc := range map[string]struct {
		change       map[string]string
		field, words string
	}{
		"nobody's code": {map[string]string{"code": "QQ-1"}, "code", "choose misprinted"},
		"its own":       {map[string]string{"code": "old 77"}, "code", "own code"},
		"too many":      {map[string]string{"units": "21"}, "units", "only 20 units"},
		"not a number":  {map[string]string{"units": "few"}, "units", ""},
		"no reason":     {map[string]string{"reason": ""}, "reason", "Say how"},
		"no day":        {map[string]string{"noted_on": ""}, "noted_on", "Which day"},
	} {
		values := map[string]string{}
		for k, v := range typed {
			values[k] = v
		}
		for k, v := range tc.change {
			values[k] = v
		}
		page := helper.Submit(form, "Note this code", values)
		if page.Status != http.StatusUnprocessableEntity || page.Error(tc.field) == "" || !strings.Contains(page.Error(tc.field), tc.words) || page.Value("reason") != values["reason"] || page.Value("code") != values["code"] {
			t.Errorf("%s: %d, beside %s %q", name, page.Status, tc.field, page.Error(tc.field))
		}
	}
	page := helper.Follow(helper.Submit(form, "Note this code", typed))
	if !strings.Contains(page.Text("main"), "5 units of it bear the code") || page.Find("main i").Length() != 0 {
		t.Errorf("%q", page.Text("main"))
	}
	if again := helper.Submit(form, "Note this code", typed); again.Status != http.StatusSeeOther {
		t.Errorf("sent twice: %d", again.Status)
	}
	for path, want := range map[string]string{
		"/find?q=" + code:                   "This code stands on units of 2 packings",
		"/packings/" + code:                 "Its code also stands on 5 units of OLD-77",
		"/batches/" + code:                  "also stands on 5 units of OLD-77",
		"/batches/OLD-77":                   "5 units of OLD-77 bear the code",
		"/packings/OLD-77":                  "5 units of it bear the code",
		"/trace/batches/OLD-77":             "5 units of OLD-77 also bear the code",
		"/trace/batches/OLD-77/list":        "OLD-77 or marked " + strings.ToLower(code),
		"/trace/batches/" + code:            "also stands on 5 units of OLD-77",
		"/trace?code=" + code + "&way=back": "",
	} {
		page := helper.Get(path)
		if want == "" {
			if page.Status != http.StatusSeeOther || page.Location != "/find?q="+code {
				t.Errorf("%s: %d to %q", path, page.Status, page.Location)
			}
			continue
		}
		if page.Status != http.StatusOK || !strings.Contains(page.Text("main"), want) {
			t.Errorf("%s: %d, does not say %q: %q", path, page.Status, want, page.Text("main"))
		}
	}
	found := helper.Get("/find?q=" + code)
	if found.Find("main li").Length() != 2 || !strings.Contains(found.Text("main"), "5 units, labels mixed up") || !strings.Contains(found.Text("main"), "its own code") {
		t.Errorf("the look-up: %q", found.Text("main"))
	}
	csv := helper.Get("/trace/batches/OLD-77/list.csv")
	if !strings.Contains(csv.Body, "also_marked") || !strings.Contains(csv.Body, ","+strings.ToLower(code)+"\n") {
		t.Errorf("the list for a spreadsheet: %q", csv.Body)
	}
	helper.Follow(helper.Submit(helper.Get("/packings/OLD-77/codes"), "Take back", map[string]string{"reason": "it was another box"}))
	if page := helper.Get("/find?q=" + code); page.Status != http.StatusSeeOther || page.Location != "/batches/"+code {
		t.Errorf("taken back: %d to %q", page.Status, page.Location)
	}
	if page := h.As(access.Viewer).Get("/packings/OLD-77/codes"); page.Status != http.StatusOK || page.Find("form[method=post][action^='/packings']").Length() != 0 {
		t.Errorf("a viewer: %d with a form", page.Status)
	}
}

func TestBulkThatIsThrownAwayIsBookedOnItsPage(t *testing.T) {
	t.Parallel()
	h := newFizz(t)
	ctx, s := t.Context(), h.Store
	_, err := s.AddFormula(ctx, h.maker, store.Entry{}, store.NewFormula{Code: "IN", Name: "Infused soda", Letters: "IN", Yields: "bulk"})
	ok(t, err)
	v, err := s.FormulaVersion(ctx, h.maker.Workshop, "IN", 1)
	ok(t, err)
	v.BulkMonths = 6
	v.Portions = []store.FormulaPortion{{Name: "All", Basis: "share", Amount: dec("100"), Lines: []store.FormulaLine{{Kind: "material", MaterialCode: "SB", Basis: "share", Amount: dec("100")}}}}
	ok(t, s.SaveDraft(ctx, h.maker, store.Entry{}, "IN", v))
	ok(t, s.ApproveFormula(ctx, h.maker, store.Entry{}, "IN", 1))
	plan, err := s.MakePlan(ctx, h.maker, store.NewPlan{Formula: "IN", MassG: dec("500"), On: h.today})
	ok(t, err)
	code, err := s.StartBatch(ctx, h.maker, store.Entry{}, store.Start{Plan: plan, TemperatureC: some("20"), HumidityPct: some("45")})
	ok(t, err)
	b, err := s.Batch(ctx, h.maker.Workshop, code)
	ok(t, err)
	ok(t, s.Weigh(ctx, h.maker, store.Entry{}, store.Weighing{Batch: code, Line: b.Lines[0].ID, Lot: "SB-1", Grams: dec("500")}))
	ok(t, s.Mould(ctx, h.maker, store.Entry{}, store.Moulding{Batch: code}))
	helper := h.As(access.Helper)
	if page := helper.Get("/batches/" + code + "/bulk/left"); page.Status != http.StatusConflict {
		t.Errorf("before it is ready: %d", page.Status)
	}
	ok(t, s.NoteBulkReady(ctx, h.maker, store.Entry{}, store.BulkReady{Batch: code, Grams: dec("500")}))
	form := helper.Get("/batches/" + code + "/bulk/left")
	bad := helper.Submit(form, "Record what happened", map[string]string{"happened": "thrown_away", "grams": "501", "note": "turned <b>grey</b>"})
	if bad.Status != http.StatusUnprocessableEntity || !strings.Contains(bad.Error("grams"), "holds only 500 g") || bad.Value("note") != "turned <b>grey</b>" || bad.Value("grams") != "501" {
		t.Errorf("%d, beside grams %q", bad.Status, bad.Error("grams"))
	}
	if bad := helper.Submit(form, "Record what happened", map[string]string{"grams": "", "note": ""}); bad.Error("happened") == "" || bad.Error("grams") == "" || bad.Error("note") == "" {
		t.Errorf("an empty form: %q", bad.Text(".summary"))
	}
	helper.Follow(helper.Submit(form, "Record what happened", map[string]string{"happened": "thrown_away", "grams": "120", "note": "turned grey"}))
	stale := helper.Submit(form, "Record what happened", map[string]string{"happened": "count", "grams": "10", "note": "weighed", "entry_key": uuid.NewString()})
	if !strings.Contains(stale.Error("grams"), "held 500 g when you began and holds 380 g now") {
		t.Errorf("a stale page: %q", stale.Error("grams"))
	}
	if page := helper.Get("/batches/" + code); !strings.Contains(page.Text("main"), "380 g") {
		t.Errorf("the batch: %q", page.Text("main"))
	}
	page := helper.Follow(helper.Submit(helper.Get("/batches/"+code+"/bulk/left"), "Take back", map[string]string{"reason": "only the lid"}))
	if page.Text(".answer") != "500 g" || page.Find("s").Length() != 1 {
		t.Errorf("taken back: %q", page.Text("main"))
	}
}
