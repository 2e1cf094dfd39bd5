package sets_test

import (
	"net/http"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/shopspring/decimal"

	"example.org/stillroom/internal/access"
	"example.org/stillroom/internal/batchcode"
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

// gifts is a site that sells a gift set of two bars and one balm in a box.
type gifts struct {
	*webtest.Site
	t     testing.TB
	book  *pgtest.Book
	maker store.Who
	today day.Day
}

func newGifts(t testing.TB) gifts {
	t.Helper()
	site := webtest.New(t)
	h := gifts{Site: site, t: t, maker: site.Who(access.Maker), today: day.In(time.Now(), time.UTC)}
	h.book = pgtest.History(t, site.DB, uuid.UUID(h.maker.Workshop))
	bar, balm := h.book.Product("BAR", "Oat bar"), h.book.Product("BALM", "Oat balm")
	for _, p := range []struct {
		code    string
		product uuid.UUID
		good    int
		days    int
		status  string
	}{{"BR-1", bar, 4, 200, "released"}, {"BR-2", bar, 9, 100, "released"}, {"BR-3", bar, 9, 50, "quarantined"}, {"BM-1", balm, 9, 300, "released"}} {
		h.book.Batch(p.code, batchcode.Fold(p.code), p.product, h.today.AddDays(-60).String(), p.good, p.status, h.today.AddDays(p.days).String())
	}
	ctx := t.Context()
	_, err := site.Store.AddMaterial(ctx, h.maker, store.Entry{}, store.Material{Code: "BOX", Name: "Gift box", Kind: "packaging", Unit: "each", Tracked: true})
	ok(t, err)
	_, err = site.Store.ReceiveLot(ctx, h.maker, store.Entry{}, store.Receipt{Code: "BOX-1", Material: "BOX", Quantity: decimal.NewFromInt(20), ReceivedOn: h.today.AddDays(-9), Release: true})
	ok(t, err)
	return h
}

// product writes the set in the browser.
func (h gifts) product() {
	h.t.Helper()
	maker := h.As(access.Maker)
	page := maker.Follow(maker.Submit(maker.Get("/products/new"), "Save this product", map[string]string{"name": "Gift set", "code": "GIFT", "letters": "gs", "precision": "day", "parts-0-product": "BAR", "parts-0-per_unit": "2", "parts-1-product": "BALM", "parts-1-per_unit": "1", "packaging-0-material": "BOX", "packaging-0-per_unit": "1"}))
	for _, want := range []string{"Put sets together", "In one set", "Oat bar", "The earliest of what is put into it"} {
		if !strings.Contains(page.Text("main"), want) {
			h.t.Errorf("the page of the set does not say %q: %q", want, page.Text("main"))
		}
	}
}

func (h gifts) shelf(code string) int {
	h.t.Helper()
	p, err := h.Store.Packing(h.t.Context(), h.maker.Workshop, code)
	ok(h.t, err)
	return p.OnHand
}

func TestASetIsPutTogetherReleasedCorrectedAndTakenApart(t *testing.T) {
	t.Parallel()
	h := newGifts(t)
	h.product()
	helper := h.As(access.Helper)
	ask := helper.Get("/sets/new?product=GIFT")
	form := helper.Submit(ask, "Go on", map[string]string{"sets": "3"})
	if form.Status != http.StatusOK || form.Value("good") != "3" {
		t.Fatalf("%d: %s", form.Status, form.Text("main"))
	}
	// The oldest that may leave is filled in; what is in quarantine says so and is not.
	got := map[string]string{}
	for i := range 4 {
		n := string(rune('0' + i))
		got[form.Value("source-"+n)] = form.Value("units-" + n)
	}
	for code, want := range map[string]string{"BR-1": "", "BR-2": "6", "BR-3": "", "BM-1": "3"} {
		if got[code] != want {
			t.Errorf("%s is filled in with %q, want %q", code, got[code], want)
		}
	}
	if !strings.Contains(form.Text("main"), "It is not released yet.") || form.Value("pack-lot-0") != "BOX-1" {
		t.Errorf("the form says %q, box %q", form.Text("main"), form.Value("pack-lot-0"))
	}
	filled := map[string]string{"cleared": "on", "label_checked": "on", "label_specimen": "Gift set, code and date"}
	page := helper.Follow(helper.Submit(form, "Record these sets", filled))
	code := page.Text("main .tag.big")
	if !strings.HasPrefix(code, "GS-") || h.shelf("BR-2") != 3 || h.shelf("BM-1") != 6 {
		t.Fatalf("code %q, on hand %d and %d", code, h.shelf("BR-2"), h.shelf("BM-1"))
	}
	if !strings.Contains(page.Text("main"), "by batch BR-2") || !strings.Contains(page.Text("main"), "Units in and out") {
		t.Errorf("the packing says %q", page.Text("main"))
	}
	// The same form again is the same set.
	again := helper.Submit(form, "Record these sets", filled)
	if again.Status != http.StatusSeeOther || again.Location != "/packings/"+code || h.shelf("BR-2") != 3 {
		t.Errorf("again: %d to %s, on hand %d", again.Status, again.Location, h.shelf("BR-2"))
	}
	batch := helper.Get("/batches/" + code)
	for _, want := range []string{"A set, put together", "Put together", "BR-2", "Units in them", "9"} {
		if !strings.Contains(batch.Text("main"), want) {
			t.Errorf("the batch does not say %q: %q", want, batch.Text("main"))
		}
	}
	for _, never := range []string{"Theoretical", "Unexplained"} {
		if strings.Contains(batch.Text("main"), never) {
			t.Errorf("the batch of a set says %q", never)
		}
	}
	if list := helper.Get("/batches"); !strings.Contains(list.Text("tbody"), code) || !strings.Contains(list.Text("tbody"), "Gift set") {
		t.Errorf("the list of batches: %q", list.Text("tbody"))
	}
	maker := h.As(access.Maker)
	sign := maker.Get("/packings/" + code + "/release")
	maker.Follow(maker.Submit(sign, "Sign and release", map[string]string{"password": webtest.Password}))
	if stock := helper.Get("/stock"); !strings.Contains(stock.Text("main"), "Gift set") {
		t.Errorf("stock: %q", stock.Text("main"))
	}
	sources := helper.Get("/trace/sources/" + code)
	if !strings.Contains(sources.Text("main"), "BR-2") || !strings.Contains(sources.Text("main"), "6 units") || !strings.Contains(sources.Text("main"), "BOX-1") {
		t.Errorf("sources: %q", sources.Text("main"))
	}
	// A maker finds that one bar came from the other box.
	fix := maker.Get("/sets/" + code + "/correct")
	values := map[string]string{"reason": "one box was nearly empty"}
	for i := range 9 {
		n := string(rune('0' + i))
		switch fix.Value("source-" + n) {
		case "BR-2":
			values["units-"+n] = "5"
		case "BR-1":
			values["units-"+n] = "1"
		}
	}
	maker.Follow(maker.Submit(fix, "Record the correction", values))
	if h.shelf("BR-2") != 4 || h.shelf("BR-1") != 3 {
		t.Errorf("on hand %d and %d", h.shelf("BR-2"), h.shelf("BR-1"))
	}
	stale := maker.Submit(fix, "Record the correction", map[string]string{"reason": "again", "entry_key": uuid.NewString()})
	if stale.Status != http.StatusConflict || !strings.Contains(stale.Text("main"), "corrected meanwhile") || stale.Value("reason") != "again" {
		t.Errorf("a stale page: %d %q", stale.Status, stale.Text("main"))
	}
	maker.Follow(maker.Submit(maker.Get("/sets/"+code+"/correct"), "Take it apart", map[string]string{"reason": "the order was cancelled"}))
	if h.shelf("BR-2") != 9 || h.shelf("BR-1") != 4 || h.shelf("BM-1") != 9 {
		t.Errorf("on hand %d, %d and %d", h.shelf("BR-2"), h.shelf("BR-1"), h.shelf("BM-1"))
	}
	if gone := maker.Get("/batches/" + code); !strings.Contains(gone.Text(".life"), "taken apart") || !strings.Contains(gone.Text("main"), "the order was cancelled") {
		t.Errorf("the batch: %q", gone.Text("main"))
	}
}

func TestABadSetIsAskedAgainWithEverythingTyped(t *testing.T) {
	t.Parallel()
	h := newGifts(t)
	h.product()
	helper := h.As(access.Helper)
	form := helper.Get("/sets/new?product=GIFT&sets=2")
	bad := helper.Submit(form, "Record these sets", map[string]string{"good": "two", "units-0": "x", "source-4": "NONE-1", "units-4": "3", "packed_on": "2026-02-30", "labels_used": "-1", "label_specimen": "as <b>printed</b>", "retained": "1"})
	if bad.Status != http.StatusUnprocessableEntity {
		t.Fatalf("%d: %s", bad.Status, bad.Text("main"))
	}
	for _, field := range []string{"good", "units-0", "packed_on", "labels_used"} {
		if bad.Error(field) == "" {
			t.Errorf("nothing is said beside %s", field)
		}
	}
	for field, want := range map[string]string{"good": "two", "units-0": "x", "source-4": "NONE-1", "units-4": "3", "packed_on": "2026-02-30", "label_specimen": "as <b>printed</b>", "retained": "1"} {
		if got := bad.Value(field); got != want {
			t.Errorf("%s is %q, want what was typed, %q", field, got, want)
		}
	}
	unknown := helper.Submit(form, "Record these sets", map[string]string{"source-4": "NONE-1", "units-4": "3"})
	if !strings.Contains(unknown.Error("source-4"), "No packing has the code") {
		t.Errorf("beside the code: %q", unknown.Error("source-4"))
	}
	// More than is needed is asked once, and kept with what was said.
	asked := helper.Submit(form, "Record these sets", map[string]string{"units-1": "9", "cleared": "on"})
	if asked.Status != http.StatusUnprocessableEntity || !strings.Contains(asked.Error("really"), "not released yet") {
		t.Fatalf("%d: really %q", asked.Status, asked.Error("really"))
	}
	stored := helper.Follow(helper.Submit(asked, "Record these sets", map[string]string{"really": "yes", "reason": "they were in the box"}))
	if !strings.Contains(stored.Text("main"), "Deviation") || h.shelf("BR-3") != 0 {
		t.Errorf("on hand %d: %q", h.shelf("BR-3"), stored.Text("main"))
	}
}

func TestWhichSetIsAskedFirstAndOnlyOnesThatAreThere(t *testing.T) {
	t.Parallel()
	h := newGifts(t)
	helper := h.As(access.Helper)
	if page := helper.Get("/sets/new"); page.Status != http.StatusOK || !strings.Contains(page.Text("main"), "No product is a set yet") {
		t.Errorf("without a set: %d %q", page.Status, page.Text("main"))
	}
	h.product()
	for query, want := range map[string]struct {
		status int
		words  string
	}{
		"":                       {http.StatusOK, "Put sets together"},
		"?product=GIFT&sets=0":   {http.StatusUnprocessableEntity, "How many sets?"},
		"?product=GIFT&sets=all": {http.StatusUnprocessableEntity, "How many sets?"},
		"?product=BAR&sets=2":    {http.StatusNotFound, "is no set"},
		"?product=NONE&sets=2":   {http.StatusNotFound, "no product"},
		"?product=GIFT&sets=40":  {http.StatusOK, "are not there to be taken"},
	} {
		if page := helper.Get("/sets/new" + query); page.Status != want.status || !strings.Contains(page.Text("main"), want.words) {
			t.Errorf("%q: %d %q, want %d and %q", query, page.Status, page.Text("main"), want.status, want.words)
		}
	}
	if page := h.As(access.Viewer).Get("/sets/new"); page.Status != http.StatusForbidden {
		t.Errorf("a viewer: %d", page.Status)
	}
	if page := helper.Get("/sets/BR-1/correct"); page.Status != http.StatusNotFound {
		t.Errorf("what is no set: %d", page.Status)
	}
	bad := h.As(access.Maker)
	page := bad.Submit(bad.Get("/products/new"), "Save this product", map[string]string{"name": "Hamper", "letters": "1", "parts-0-product": "BAR", "parts-0-per_unit": "none"})
	if page.Status != http.StatusUnprocessableEntity || page.Error("parts-0-per_unit") == "" || page.Value("letters") != "1" || page.Value("parts-0-product") != "BAR" {
		t.Errorf("a bad set product: %d, %q, letters %q", page.Status, page.Error("parts-0-per_unit"), page.Value("letters"))
	}
	page = bad.Submit(page, "Save this product", map[string]string{"parts-0-per_unit": "2"})
	if !strings.Contains(page.Error("letters"), "One to four letters") {
		t.Errorf("letters: %q", page.Error("letters"))
	}
}

func TestASecondLotOfPackagingIsFoldedAwayUntilSomethingStandsInIt(t *testing.T) {
	t.Parallel()
	h := newGifts(t)
	h.product()
	helper := h.As(access.Helper)
	form := helper.Get("/sets/new?product=GIFT&sets=2")
	const second, open = "details:has([name='pack-lot-1'])", "details[open]:has([name='pack-lot-1'])"
	if form.Find(second).Length() != 1 || form.Find(open).Length() != 0 || form.Text(second+" summary") != "Gift box, another lot" {
		t.Fatalf("%d folded, %d open: %q", form.Find(second).Length(), form.Find(open).Length(), form.Text(second+" summary"))
	}
	off := helper.Submit(form, "Record these sets", map[string]string{"pack-used-1": "many"})
	if off.Error("pack-used-1") == "" || off.Value("pack-used-1") != "many" || off.Find(open).Length() != 1 {
		t.Errorf("what is off in it: %q, typed %q, %d open", off.Error("pack-used-1"), off.Value("pack-used-1"), off.Find(open).Length())
	}
}
