package materials_test

import (
	"net/http"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/shopspring/decimal"

	"example.org/stillroom/internal/access"
	"example.org/stillroom/internal/day"
	"example.org/stillroom/internal/store"
	"example.org/stillroom/web/webtest"
)

func TestOnlyTheOwnerRejectsALotWithAReasonAndTakesItBack(t *testing.T) {
	t.Parallel()
	site := webtest.New(t)
	oil(t, site)
	code := lot(t, site, access.Helper)
	owner, maker := site.As(access.Owner), site.As(access.Maker)
	page := owner.Get("/lots/" + code)
	if strings.Contains(maker.Get("/lots/"+code).Body, "Reject this lot") {
		t.Error("a maker is offered to reject a lot")
	}
	forged := maker.Get("/lots/" + code)
	forged.Find("input[name=status]").SetAttr("value", "rejected")
	if answer := maker.Submit(forged, "Release for use", nil); answer.Status != http.StatusForbidden {
		t.Errorf("a maker rejecting: %d", answer.Status)
	}
	silent := owner.Submit(page, "Reject it", nil)
	refused(t, "without a reason", silent, map[string]string{"reason": "Say why"})
	if silent.Find("details #f-reason").Length() != 0 {
		t.Error("what is off is folded away")
	}
	rejected := owner.Follow(owner.Submit(page, "Reject it", map[string]string{"reason": "smells of <paint>"}))
	if !strings.Contains(rejected.Text("dl.facts"), "Rejected") || !strings.Contains(rejected.Text("table.changes"), "smells of <paint>") {
		t.Errorf("rejected: %q", rejected.Text("main"))
	}
	// The maker's page is from before: it still offers to release.
	stale := maker.Submit(forged, "Release for use", map[string]string{"status": "released"})
	if stale.Status != http.StatusForbidden || !strings.Contains(stale.Text("main"), "Only the owner") {
		t.Errorf("releasing from a stale page: %d %q", stale.Status, stale.Text("main"))
	}
	twice := owner.Submit(page, "Reject it", map[string]string{"reason": "again"})
	if twice.Status != http.StatusUnprocessableEntity {
		t.Errorf("rejecting from a stale page: %d", twice.Status)
	}
	back := owner.Follow(owner.Submit(rejected, "Put back in quarantine", map[string]string{"reason": "it was the shelf"}))
	if !strings.Contains(back.Text("dl.facts"), "In quarantine") {
		t.Errorf("taken back: %q", back.Text("main"))
	}
	if none := owner.Submit(back, "Release for use", map[string]string{"status": "sold"}); none.Status != http.StatusUnprocessableEntity || !strings.Contains(none.Text(".summary"), "Choose what to do") {
		t.Errorf("a status that is none: %d", none.Status)
	}
}

func TestALotIsCountedOrWrittenOff(t *testing.T) {
	t.Parallel()
	site := webtest.New(t)
	oil(t, site)
	code := lot(t, site, access.Helper)
	helper := site.As(access.Helper)
	form := helper.Get("/lots/" + code + "/move")
	if form.Text(".note.care") == "" || !strings.Contains(form.Text("main"), "The book holds 1 000 g") {
		t.Errorf("the caution and what the book holds: %q", form.Text("main"))
	}
	agreed := helper.Follow(helper.Submit(form, "Record the count", map[string]string{"counted": "1000"}))
	if agreed.Text("#said") != "The count agrees with the book; nothing had to be changed." || agreed.Find("table tbody tr").Length() != 1 {
		t.Errorf("a count that agrees: %q", agreed.Text("main"))
	}
	counted := helper.Submit(form, "Record the count", map[string]string{"counted": "980,5", "counted_why": "drips"})
	again := helper.Submit(form, "Record the count", map[string]string{"counted": "980,5", "counted_why": "drips"})
	if page := helper.Follow(counted); page.Text("h1") != "980.5 g left" || page.Text("#said") != "Counted: 19.5 g less than the book said." {
		t.Errorf("after the count: %q", page.Text("main"))
	}
	if again.Location != counted.Location {
		t.Errorf("sent twice: %d", again.Status)
	}
	form = helper.Get("/lots/" + code + "/move")
	away := helper.Follow(helper.Submit(form, "Write it off", map[string]string{"away": "80.5", "away_why": "spilt <again>"}))
	if away.Text("h1") != "900 g left" || !strings.Contains(away.Text("table"), "spilt <again>") {
		t.Errorf("after the write-off: %q", away.Text("main"))
	}
	if rows := away.Find("table").First().Find("tbody tr").Length(); rows != 3 {
		t.Errorf("%d rows in the ledger: receipt, count, write-off", rows)
	}
}

func TestABadCountIsToldAndKept(t *testing.T) {
	t.Parallel()
	site := webtest.New(t)
	oil(t, site)
	code := lot(t, site, access.Helper)
	helper := site.As(access.Helper)
	form := helper.Get("/lots/" + code + "/move")
	before := changes(t, site)
	for _, c := range []struct {
		name, button string
		typed        map[string]string
		want         map[string]string
	}{
		{"nothing counted", "Record the count", nil, map[string]string{"counted": "How much is there?"}},
		{"words, too long a reason", "Record the count", map[string]string{"counted": "half", "counted_why": strings.Repeat("x", 501)}, map[string]string{"counted": "", "counted_why": "At most"}},
		{"below zero", "Record the count", map[string]string{"counted": "-1", "counted_why": "x"}, map[string]string{"counted": ""}},
		{"could be two", "Record the count", map[string]string{"counted": "1,000", "counted_why": "x"}, map[string]string{"counted": "could mean"}},
		{"no reason", "Record the count", map[string]string{"counted": "900"}, map[string]string{"counted_why": "Say why."}},
		{"nothing thrown away", "Write it off", nil, map[string]string{"away": "How much", "away_why": "Say why."}},
		{"less than nothing", "Write it off", map[string]string{"away": "-5", "away_why": "x"}, map[string]string{"away": ""}},
		{"more than there is", "Write it off", map[string]string{"away": "1000.1", "away_why": "x"}, map[string]string{"away": "The book holds 1 000 g"}},
	} {
		page := helper.Submit(form, c.button, c.typed)
		refused(t, c.name, page, c.want)
		keeps(t, c.name, page, c.typed)
	}
	if none := helper.Submit(form, "Write it off", map[string]string{"what": "sell", "away": "1", "away_why": "x"}); none.Status != http.StatusUnprocessableEntity {
		t.Errorf("a move that is none: %d", none.Status)
	}
	if after := changes(t, site); after != before {
		t.Errorf("%d changes were stored", after-before)
	}
	// Somebody writes off while another counts.
	helper.Submit(form, "Write it off", map[string]string{"away": "100", "away_why": "spilt"})
	late := helper.Submit(form, "Record the count", map[string]string{"counted": "900", "counted_why": "counted twice"})
	if late.Status != http.StatusConflict || !strings.Contains(late.Text(".summary"), "went from 1 000 to 900 g") {
		t.Fatalf("a count from a stale page: %d %q", late.Status, late.Text("main"))
	}
	keeps(t, "a stale page", late, map[string]string{"counted": "900", "counted_why": "counted twice"})
	if page := helper.Follow(helper.Submit(late, "Record the count", nil)); page.Text("h1") != "900 g left" {
		t.Errorf("looked at again and sent: %q", page.Text("h1"))
	}
}

func TestACorrectedLotShowsOldStruckThroughBesideNew(t *testing.T) {
	t.Parallel()
	site := webtest.New(t)
	oil(t, site)
	code := lot(t, site, access.Helper)
	helper, other := site.As(access.Helper), site.As(access.Maker)
	form := helper.Get("/lots/" + code + "/correct")
	stale := other.Get("/lots/" + code + "/correct")
	page := helper.Follow(helper.Submit(form, "Correct this lot", map[string]string{"supplier_lot": "7731-D", "quantity": "1200", "expires_on": "", "reason": "wrong <drum>"}))
	row := page.Text("table.changes tbody")
	for _, want := range []string{"Expires: was 30 Jun 2099", "now nothing", "Supplier's lot: was 7731-B", "now 7731-D", "wrong <drum>", "Helper Quill"} {
		if !strings.Contains(row, want) {
			t.Errorf("what was changed does not say %q: %q", want, row)
		}
	}
	if page.Text("h1") != "1 200 g left" || page.Find("table.changes s").Length() != 3 {
		t.Errorf("%q, %d old values struck through", page.Text("h1"), page.Find("table.changes s").Length())
	}
	late := other.Submit(stale, "Correct this lot", map[string]string{"retest_on": "2098-01-01", "reason": "on the note"})
	if late.Status != http.StatusConflict || late.Text("#f-supplier_lot-hint") != "In the book: 7731-D" || late.Text("#f-quantity-hint") != "In the book: 1200" {
		t.Errorf("a stale page: %d, %q", late.Status, late.Text("main"))
	}
	keeps(t, "a stale page", late, map[string]string{"retest_on": "2098-01-01", "reason": "on the note", "supplier_lot": "7731-B"})
	if again := helper.Submit(form, "Correct this lot", map[string]string{"supplier_lot": "7731-D", "quantity": "1200", "expires_on": "", "reason": "wrong <drum>"}); again.Status != http.StatusSeeOther {
		t.Errorf("sent twice: %d", again.Status)
	}
	if rows := helper.Get("/lots/" + code).Find("table.changes tbody tr").Length(); rows != 1 {
		t.Errorf("%d changes after one correction sent twice", rows)
	}
}

func TestABadCorrectionOfALotIsToldAndKept(t *testing.T) {
	t.Parallel()
	site := webtest.New(t)
	oil(t, site)
	code := lot(t, site, access.Helper)
	maker := site.As(access.Maker)
	form := maker.Get("/lots/" + code + "/correct")
	before := changes(t, site)
	for _, c := range []struct {
		name  string
		typed map[string]string
		want  map[string]string
	}{
		{"no reason", map[string]string{"supplier_lot": "X"}, map[string]string{"reason": "Say why"}},
		{"nothing left in it", map[string]string{"quantity": "", "received_on": "", "reason": ""}, map[string]string{"quantity": "How much came?", "received_on": "When did it come?", "reason": "Say why"}},
		{"wrong kinds", map[string]string{"quantity": "lots", "received_on": "2199-01-01", "expires_on": "soon", "retest_on": "2027-13-01", "unit_cost": "cheap", "reason": "x"},
			map[string]string{"quantity": "", "received_on": "has not come yet", "expires_on": "", "retest_on": "", "unit_cost": ""}},
		{"too long", map[string]string{"supplier_lot": strings.Repeat("x", 81), "delivery_note": strings.Repeat("x", 81), "reason": strings.Repeat("x", 501)}, map[string]string{"supplier_lot": "At most", "delivery_note": "At most", "reason": "At most"}},
	} {
		page := maker.Submit(form, "Correct this lot", c.typed)
		refused(t, c.name, page, c.want)
		keeps(t, c.name, page, c.typed)
	}
	if after := changes(t, site); after != before {
		t.Errorf("%d changes were stored", after-before)
	}
}

func TestLotsToWatchStandWhereTheFirstThingToDoIs(t *testing.T) {
	t.Parallel()
	site := webtest.New(t)
	oil(t, site)
	today := day.In(site.House.Clock(), site.House.Clock().UTC().Location())
	receive := func(code string, release bool, expires, retest day.Day) {
		t.Helper()
		if _, err := site.Store.ReceiveLot(t.Context(), site.Who(access.Maker), store.Entry{}, store.Receipt{Code: code, Material: "OO", ReceivedOn: today, ExpiresOn: expires, RetestOn: retest, Quantity: decimal.NewFromInt(5), Release: release}); err != nil {
			t.Fatal(err)
		}
	}
	var none day.Day
	receive("WAITS", false, none, none)
	receive("WAITS-EXPIRED", false, today.AddDays(-1), none)
	receive("EXPIRED", true, today.AddDays(-30), none)
	receive("LAST-DAY", true, today, none)
	receive("SOON", true, today.AddDays(60), today.AddDays(90))
	receive("RETEST", true, today.AddDays(400), today.AddDays(60))
	receive("RETEST-PAST", true, none, today.AddDays(-1))
	receive("FINE", true, today.AddDays(61), today.AddDays(61))
	receive("GONE", false, today.AddDays(-1), none)
	if _, err := site.Store.CountLot(t.Context(), site.Who(access.Maker), store.Entry{}, store.LotCount{Lot: "GONE", Note: "used"}); err != nil {
		t.Fatal(err)
	}
	page := site.As(access.Viewer).Get("/lots")
	got := map[string][]string{}
	for i := range page.Find("main table").Length() {
		table := page.Find("main table").Eq(i)
		for j := range table.Find("tbody tr").Length() {
			caption := table.Find("caption").Text()
			got[caption] = append(got[caption], table.Find("tbody tr").Eq(j).Find(".tag").Text())
		}
	}
	want := map[string][]string{
		"Waiting in quarantine":     {"WAITS"},
		"Expired":                   {"WAITS-EXPIRED", "EXPIRED"},
		"Expires within 60 days":    {"LAST-DAY", "SOON"},
		"Retest due within 60 days": {"RETEST-PAST", "RETEST"},
	}
	// Within a list what waits in quarantine comes first, then the nearest date.
	if diff := cmp.Diff(want, got); diff != "" {
		t.Error(diff)
	}
}

func TestNothingToWatchSaysSo(t *testing.T) {
	t.Parallel()
	page := webtest.New(t).As(access.Viewer).Get("/lots")
	if !strings.Contains(page.Text("main"), "Nothing waits") || page.Find("table").Length() != 0 {
		t.Errorf("an empty book: %q", page.Text("main"))
	}
}

func TestALotThatIsUsedUpIsNotToldAsExpired(t *testing.T) {
	t.Parallel()
	for name, tc := range map[string]struct {
		released bool
		left     int64
		state    string
	}{
		"released, with something left":     {true, 5, "Expired"},
		"released, with nothing left":       {true, 0, "Used up"},
		"never released, with nothing left": {false, 0, "Expired"},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			site := webtest.New(t)
			oil(t, site)
			yesterday := day.In(site.House.Clock(), site.House.Clock().UTC().Location()).AddDays(-1)
			if _, err := site.Store.ReceiveLot(t.Context(), site.Who(access.Maker), store.Entry{}, store.Receipt{Code: "OLD", Material: "OO", ReceivedOn: yesterday, ExpiresOn: yesterday, Quantity: decimal.NewFromInt(9), Release: tc.released}); err != nil {
				t.Fatal(err)
			}
			if _, err := site.Store.CountLot(t.Context(), site.Who(access.Maker), store.Entry{}, store.LotCount{Lot: "OLD", Counted: decimal.NewFromInt(tc.left), Note: "used"}); err != nil {
				t.Fatal(err)
			}
			viewer := site.As(access.Viewer)
			page := viewer.Get("/lots/OLD")
			if got := viewer.Get("/materials/OO").Text("table .state"); got != tc.state || page.Text("dl.facts .state") != tc.state {
				t.Errorf("in the list %q, on its page %q; want %q", got, page.Text("dl.facts .state"), tc.state)
			}
			if was := strings.Contains(page.Text("dl.facts"), "was released"); was != (tc.state == "Used up") {
				t.Errorf("its page says %q", page.Text("dl.facts"))
			}
		})
	}
}
