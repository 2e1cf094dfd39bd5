package batches_test

import (
	"net/http"
	"net/url"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"

	"example.org/stillroom/internal/access"
	"example.org/stillroom/internal/day"
	"example.org/stillroom/internal/store"
)

func TestAPackingIsAskedWhatItWasPackedWithAndTheBatchShowsIt(t *testing.T) {
	t.Parallel()
	h := newFizz(t)
	code := h.dried()
	helper := h.As(access.Helper)
	if form := helper.Get("/batches/" + code + "/pack"); strings.Contains(form.Text("main"), "Equipment used in packing") {
		t.Error("a workshop that keeps no equipment is asked for it")
	}
	for _, e := range []store.Equipment{
		{Name: "Filling jug", Kind: "vessel", CleanBeforeUse: true, Place: "Dry room"},
		{Name: "Probe", Kind: "thermometer", CheckDays: 30},
		{Name: "Ball press", Kind: "mould"},
	} {
		_, err := h.Store.AddEquipment(t.Context(), h.maker, store.Entry{}, e)
		ok(t, err)
	}
	form := helper.Get("/batches/" + code + "/pack")
	if form.Find("[name='used-VE-1'], [name='clean-VE-1'], [name='used-TH-1']").Length() != 3 || form.Find("[name='used-MO-1']").Length() != 0 {
		t.Fatalf("it asks for %q", form.Text("main details"))
	}
	if !strings.Contains(form.Text("main details"), "TH-1. It was never checked.") {
		t.Errorf("a check that is due is not told: %q", form.Text("main details"))
	}
	typed := h.nine(code)
	typed["used-VE-1"], typed["used-TH-1"] = "on", "on"
	asked := helper.Submit(form, "Record this packing", typed)
	if asked.Status != http.StatusUnprocessableEntity || !strings.Contains(asked.Error("really"), "Filling jug (VE-1) was not clean before use.") {
		t.Fatalf("%d: %q", asked.Status, asked.Error("really"))
	}
	if asked.Find("details[open] [name='used-VE-1'][checked], details[open] [name='used-TH-1'][checked]").Length() != 2 {
		t.Error("what was ticked is not kept")
	}
	typed["really"], typed["reason"] = "yes", "a film of the batch before"
	if again := helper.Submit(asked, "Record this packing", typed); again.Status != http.StatusSeeOther {
		t.Fatalf("really so: %d %q", again.Status, again.Text("main"))
	}
	sheet := helper.Get("/batches/" + code).Text("section.sheet:has(h2:contains('Equipment'))")
	for _, want := range []string{"Filling jug (VE-1)", "Not clean before use", "Probe (TH-1)", "Packing " + code} {
		if !strings.Contains(sheet, want) {
			t.Errorf("the batch does not say %q: %q", want, sheet)
		}
	}
}

func TestEquipmentOfNobodysIsRefusedBesideItsTicks(t *testing.T) {
	t.Parallel()
	h := newFizz(t)
	code := h.dried()
	_, err := h.Store.AddEquipment(t.Context(), h.maker, store.Entry{}, store.Equipment{Name: "Filling jug", Kind: "vessel"})
	ok(t, err)
	helper := h.As(access.Helper)
	page := helper.Post("/batches/"+code+"/pack", url.Values{"entry_key": {uuid.NewString()}, "product": {helper.Get("/batches/" + code + "/pack").Value("product")}, "packed_on": {""}, "good": {"8"}, "used-VE-9": {"on"}, "used-VE-1": {"on"}})
	if page.Error("packed_on") == "" || page.Find("details[open] [name='used-VE-1'][checked]").Length() != 1 {
		t.Errorf("without a day: %q", page.Text("main"))
	}
	page = helper.Post("/batches/"+code+"/pack", url.Values{"entry_key": {uuid.NewString()}, "product": {page.Value("product")}, "packed_on": {day.In(time.Now(), time.UTC).String()}, "good": {"8"}, "pack-material-0": {"WR"}, "pack-lot-0": {"WR-1"}, "pack-used-0": {""}, "pack-spoiled-0": {""}, "used-VE-9": {"on"}})
	if page.Status != http.StatusUnprocessableEntity || !strings.Contains(page.Text("#f-used"), "VE-9") || page.Find(`.summary a[href="#f-used"]`).Length() != 1 || page.Value("good") != "8" {
		t.Errorf("%d: %q", page.Status, page.Text("main"))
	}
}
