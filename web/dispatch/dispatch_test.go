package dispatch_test

import (
	"net/http"
	"net/url"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"example.org/stillroom/internal/access"
	"example.org/stillroom/internal/batchcode"
	"example.org/stillroom/internal/day"
	"example.org/stillroom/internal/pgtest"
	"example.org/stillroom/internal/store"
	"example.org/stillroom/web/webtest"
)

// shelf is a site with soap on the shelf: SB-1 with 10 good units and the nearer date, SB-2 with 20, SB-3 in quarantine.
type shelf struct {
	*webtest.Site
	t     *testing.T
	book  *pgtest.Book
	soap  uuid.UUID
	today day.Day
}

func newShelf(t *testing.T) shelf {
	t.Helper()
	site := webtest.New(t)
	s := shelf{Site: site, t: t, book: pgtest.History(t, site.DB, uuid.UUID(site.Who(access.Owner).Workshop)), today: day.In(time.Now(), time.UTC)}
	s.soap = s.book.Product("SB", "Oat soap bar")
	s.packed("SB-1", 10, 90, "released")
	s.packed("SB-2", 20, 200, "released")
	s.packed("SB-3", 30, 300, "quarantined")
	s.book.Customer("HSP", "Harbour Street Pantry", "stockist")
	return s
}

func (s shelf) packed(code string, good, daysLeft int, status string) {
	s.t.Helper()
	s.book.Batch(code, batchcode.Fold(code), s.soap, s.today.AddDays(-60).String(), good, status, s.today.AddDays(daysLeft).String())
}

func (s shelf) onHand(code string, want int) {
	s.t.Helper()
	p, err := s.Store.Packing(s.t.Context(), s.Who(access.Owner).Workshop, code)
	if err != nil || p.OnHand != want {
		s.t.Errorf("on hand of %s: %d, %v; want %d", code, p.OnHand, err, want)
	}
	verdicts, err := store.Verify(s.t.Context(), s.DB.OwnerURL)
	if err != nil || len(verdicts[0].Broken) > 0 {
		s.t.Errorf("verify: %v, %v", verdicts, err)
	}
}

// sent records 6 units of SB-1 to the pantry and answers the dispatch's code.
func (s shelf) sent() string {
	s.t.Helper()
	code, err := s.Store.Dispatch(s.t.Context(), s.Who(access.Owner), store.Entry{}, store.NewDispatch{Customer: "HSP", On: s.today, Lines: []store.DispatchLine{{Packing: "SB-1", Units: 6}}})
	if err != nil {
		s.t.Fatal(err)
	}
	return code
}

// elsewhere adds another workshop with a packing ZZ-1, a customer OTHER and a dispatch D-0001.
func (s shelf) elsewhere() {
	s.t.Helper()
	conn, err := pgx.Connect(s.t.Context(), s.DB.OwnerURL)
	if err != nil {
		s.t.Fatal(err)
	}
	defer conn.Close(s.t.Context())
	id := uuid.Must(uuid.NewV7())
	if _, err := conn.Exec(s.t.Context(), `INSERT INTO workshop (id, code, name) VALUES ($1, 'other', 'Sedgebank Workshop')`, id); err != nil {
		s.t.Fatal(err)
	}
	book := pgtest.History(s.t, s.DB, id)
	p := book.Batch("ZZ-1", batchcode.Fold("ZZ-1"), book.Product("ZZ", "Other soap"), "2026-01-05", 10, "released", "")
	book.Dispatch("D-0001", book.Customer("OTHER", "Other Shop", "stockist"), p.Packing, 3, "2026-01-06")
}

// says checks words beside fields.
func says(t *testing.T, page *webtest.Page, want map[string]string) {
	t.Helper()
	if page.Status != http.StatusUnprocessableEntity {
		t.Errorf("%s: status %d, want 422: %s", page.Path, page.Status, page.Text("main"))
	}
	if !strings.HasPrefix(page.Text("title"), "Error: ") {
		t.Errorf("%s: title %q does not say that there is an error", page.Path, page.Text("title"))
	}
	for field, words := range want {
		if got := page.Error(field); got != words {
			t.Errorf("%s: beside %s: %q, want %q", page.Path, field, got, words)
		}
		if page.Find(".summary a[href='#f-"+field+"']").Length() != 1 {
			t.Errorf("%s: the summary does not lead to %s", page.Path, field)
		}
		if page.Find("#f-"+field).Length() != 1 {
			t.Errorf("%s: there is no one #f-%s to lead to", page.Path, field)
		}
	}
	if got := page.Find(".summary li").Length(); got != len(want) {
		t.Errorf("%s: %d things are off, want %d: %s", page.Path, got, len(want), page.Text(".summary"))
	}
}

// kept checks that what was typed still stands there.
func kept(t *testing.T, page *webtest.Page, typed map[string]string) {
	t.Helper()
	for field, want := range typed {
		got := page.Value(field)
		if page.Find("input[type=radio][name='"+field+"']").Length() > 0 {
			got = page.Find("input[type=radio][name='"+field+"']:checked, input[type=radio][name='"+field+"'][checked]").AttrOr("value", "")
		}
		if page.Find("input[type=checkbox][name='"+field+"'][checked]").Length() > 0 {
			got = "on"
		}
		if got != want {
			t.Errorf("%s: %s is %q, want %q as typed", page.Path, field, got, want)
		}
	}
}

func TestAHelperSendsTheEarliestBestBeforeFirst(t *testing.T) {
	t.Parallel()
	s := newShelf(t)
	helper := s.As(access.Helper)
	proposed := helper.Submit(helper.Get("/dispatches/new"), "Propose codes", map[string]string{"new_customer": "I. Okafor", "new_kind": "online", "wanted-0": "12", "note": "order 1187"})
	if proposed.Status != http.StatusOK {
		t.Fatalf("proposal: %d %s", proposed.Status, proposed.Text("main"))
	}
	for field, want := range map[string]string{"packing-0": "SB-1", "line-0": "10", "packing-1": "SB-2", "line-1": "2", "packing-2": "SB-3", "line-2": "", "new_customer": "I. Okafor", "note": "order 1187"} {
		if got := proposed.Value(field); got != want {
			t.Errorf("%s is %q, want %q", field, got, want)
		}
	}
	if !strings.Contains(proposed.Text("main"), "It is not released yet.") {
		t.Error("the page does not say why SB-3 may not leave")
	}
	page := helper.Follow(helper.Submit(proposed, "Record this dispatch", map[string]string{"line-0": "9", "line-1": "3"}))
	if !strings.Contains(page.Text("main"), "12 units to I. Okafor") || !strings.Contains(page.Text("main"), "order 1187") {
		t.Errorf("the dispatch says %q", page.Text("main"))
	}
	if page.Find("a.tag").Length() != 2 {
		t.Errorf("%d batch tags, want 2", page.Find("a.tag").Length())
	}
	s.onHand("SB-1", 1)
	s.onHand("SB-2", 17)
}

func TestABadDispatchTellsEverythingAtOnceAndKeepsWhatWasTyped(t *testing.T) {
	t.Parallel()
	s := newShelf(t)
	s.elsewhere()
	helper := s.As(access.Helper)
	blank := map[string]string{"customer": "Harbour Street Pantry (HSP)", "wanted-0": "12"}
	for _, row := range []struct {
		name, button string
		typed, want  map[string]string
	}{
		{"nothing asked for", "Propose", map[string]string{"wanted-0": ""}, map[string]string{"lines": "Which units leave? Write how many of a product, or the codes on them."}},
		{"nobody", "Propose", map[string]string{"customer": ""}, map[string]string{"customer": "Who are they for? Choose a customer, or write a new one."}},
		{"somebody unknown", "Propose", map[string]string{"customer": "Zest"}, map[string]string{"customer": "No customer is called that. Choose one from the list, or write a new one below."}},
		{"another workshop's customer", "Propose", map[string]string{"customer": "OTHER"}, map[string]string{"customer": "No customer is called that. Choose one from the list, or write a new one below."}},
		{"a new one of no kind", "Propose", map[string]string{"customer": "", "new_customer": "I. <b>Okafor"}, map[string]string{"new_kind": "Choose what kind of customer."}},
		{"both", "Propose", map[string]string{"new_customer": "I. Okafor"}, map[string]string{"new_customer": "Choose a customer or write a new one, not both."}},
		{"a day that is none", "Propose", map[string]string{"dispatched_on": ""}, map[string]string{"dispatched_on": "When did they leave?"}},
		{"more than may leave", "Propose", map[string]string{"wanted-0": "31"}, map[string]string{"wanted-0": "Only 30 may leave: 1 too few."}},
		{"words for a number", "Propose", map[string]string{"wanted-0": "1.5"}, map[string]string{"wanted-0": "write a whole number, without a point or comma"}},
		{"left already, without saying how", "Propose", map[string]string{"already_left": "on"}, map[string]string{"reason": "Say how it came about; it goes into the record."}},
		{"several at once", "Propose", map[string]string{"customer": "Zest", "dispatched_on": "", "wanted-0": "31"}, map[string]string{"customer": "No customer is called that. Choose one from the list, or write a new one below.", "dispatched_on": "When did they leave?", "wanted-0": "Only 30 may leave: 1 too few."}},
		{"tomorrow", "Record", map[string]string{"dispatched_on": s.today.AddDays(1).String()}, map[string]string{"dispatched_on": "That day has not come yet."}},
		{"more than the shelf holds", "Record", map[string]string{"line-0": "11"}, map[string]string{"line-0": "Only 10 on hand."}},
		{"unreleased", "Record", map[string]string{"line-2": "1"}, map[string]string{"line-2": "It is not released yet."}},
		{"a count that is none", "Record", map[string]string{"line-1": "two"}, map[string]string{"line-1": "WHOLE"}},
		{"a count too large", "Record", map[string]string{"line-1": "10000000"}, map[string]string{"line-1": "WHOLE"}},
		{"nothing of any", "Record", map[string]string{"line-0": "", "line-1": ""}, map[string]string{"lines": "Which units leave? Write how many."}},
		{"a code that is none", "Record", map[string]string{"packing-3": "SB-9", "line-3": "1"}, map[string]string{"packing-3": `No packing has the code "SB-9".`}},
		{"another workshop's code", "Record", map[string]string{"packing-3": "ZZ-1", "line-3": "1"}, map[string]string{"packing-3": `No packing has the code "ZZ-1".`}},
		{"a code without a count", "Record", map[string]string{"packing-3": "SB-2"}, map[string]string{"line-3": "How many of them?"}},
		{"a count without a code", "Record", map[string]string{"line-3": "2"}, map[string]string{"packing-3": "Which code stands on them?"}},
		{"a code twice", "Record", map[string]string{"packing-3": "sb 1", "line-3": "1"}, map[string]string{"line-3": "SB-1 stands here twice: write its units in one line."}},
		{"a note too long", "Record", map[string]string{"note": strings.Repeat("n", 1001)}, map[string]string{"note": "At most 1000 characters, please."}},
	} {
		t.Run(row.name, func(t *testing.T) {
			form := helper.Get("/dispatches/new")
			typed := map[string]string{}
			for k, v := range blank {
				typed[k] = v
			}
			if row.button == "Record" {
				form = helper.Submit(form, "Propose codes", blank)
				typed = map[string]string{}
			}
			for k, v := range row.typed {
				typed[k] = v
			}
			page := helper.Submit(form, row.button, typed)
			want := map[string]string{}
			for field, words := range row.want {
				if words == "WHOLE" {
					words = page.Error(field)
					if words == "" {
						t.Errorf("nothing is said beside %s", field)
					}
				}
				want[field] = words
			}
			says(t, page, want)
			kept(t, page, typed)
		})
	}
	s.onHand("SB-1", 10)
}

func TestUnitsSentMeanwhileAreToldBesideTheirLine(t *testing.T) {
	t.Parallel()
	s := newShelf(t)
	helper := s.As(access.Helper)
	propose := func() *webtest.Page {
		return helper.Submit(helper.Get("/dispatches/new?customer=HSP"), "Propose codes", map[string]string{"wanted-0": "10"})
	}
	mine, theirs := propose(), propose()
	helper.Follow(helper.Submit(theirs, "Record this dispatch", nil))
	page := helper.Submit(mine, "Record this dispatch", nil)
	says(t, page, map[string]string{"line-0": "Only 0 on hand."})
	kept(t, page, map[string]string{"line-0": "10", "packing-0": "SB-1"})
	s.onHand("SB-1", 0)
}

func TestADispatchFormSentTwiceIsStoredOnce(t *testing.T) {
	t.Parallel()
	s := newShelf(t)
	helper := s.As(access.Helper)
	form := helper.Submit(helper.Get("/dispatches/new?customer=HSP"), "Propose codes", map[string]string{"wanted-0": "4"})
	first := helper.Submit(form, "Record this dispatch", nil)
	again := helper.Submit(form, "Record this dispatch", nil)
	other := helper.Submit(form, "Record this dispatch", map[string]string{"line-0": "5"})
	if first.Status != http.StatusSeeOther || again.Location != first.Location {
		t.Errorf("first %d %s, again %d %s", first.Status, first.Location, again.Status, again.Location)
	}
	if other.Status != http.StatusUnprocessableEntity {
		t.Errorf("another number under the same key: %d", other.Status)
	}
	s.onHand("SB-1", 6)
}

func TestWhatHasAlreadyLeftIsStoredLate(t *testing.T) {
	t.Parallel()
	s := newShelf(t)
	helper := s.As(access.Helper)
	form := helper.Submit(helper.Get("/dispatches/new?customer=HSP"), "Propose codes", map[string]string{"packing-0": "SB-3", "line-0": "40"})
	refused := helper.Submit(form, "Record this dispatch", nil)
	says(t, refused, map[string]string{"line-0": "It is not released yet."})
	page := helper.Follow(helper.Submit(refused, "Record this dispatch", map[string]string{"already_left": "on", "reason": "taken for SB-2"}))
	for _, want := range []string{"40 units to Harbour Street Pantry", "Written up after the units had left. How it came about: taken for SB-2", "Deviation 1: 40 units of SB-3 left in", "It is not released yet. The book held 30 units: 10 more than recorded.", "Waits for a decision."} {
		if !strings.Contains(page.Text("main"), want) {
			t.Errorf("the page does not say %q: %s", want, page.Text("main"))
		}
	}
	s.onHand("SB-3", 0)
}

func TestACorrectedDispatchShowsTheOldNumberStruckThrough(t *testing.T) {
	t.Parallel()
	s := newShelf(t)
	code := s.sent()
	maker := s.As(access.Maker)
	path := "/dispatches/" + code + "/correct?packing=SB-1"
	for _, row := range []struct {
		name        string
		typed, want map[string]string
	}{
		{"nothing typed", map[string]string{"packing": ""}, map[string]string{"packing": "Which code stands on the units?", "units": "How many really left? 0 for none.", "reason": "Say why: the old number is kept beside the new one."}},
		{"no reason", map[string]string{"units": "5"}, map[string]string{"reason": "Say why: the old number is kept beside the new one."}},
		{"no such code", map[string]string{"packing": "SB-9", "units": "5", "reason": "x"}, map[string]string{"packing": `There is no packing "SB-9".`}},
		{"more than there are", map[string]string{"units": "11", "reason": "x"}, map[string]string{"units": "Only 10 on hand."}},
		{"the same", map[string]string{"units": "6", "reason": "x"}, map[string]string{"units": "That is what stands there: nothing to correct."}},
	} {
		t.Run(row.name, func(t *testing.T) {
			page := maker.Submit(maker.Get(path), "Correct the dispatch", row.typed)
			says(t, page, row.want)
			kept(t, page, row.typed)
		})
	}
	page := maker.Follow(maker.Submit(maker.Get(path), "Correct the dispatch", map[string]string{"units": "4", "reason": "counted <again>"}))
	if got := page.Text("table td.n s"); got != "was 6" {
		t.Errorf("struck through: %q, want the old number", got)
	}
	if !strings.Contains(page.Text("main"), "corrected by Maker Quill") || !strings.Contains(page.Text("main"), "counted <again>") {
		t.Errorf("the page does not say who and why: %s", page.Text("main"))
	}
	s.onHand("SB-1", 6)
	if page := s.As(access.Helper).Submit(maker.Get(path), "Correct the dispatch", map[string]string{"units": "3", "reason": "x"}); page.Status != http.StatusForbidden {
		t.Errorf("a helper corrects another's dispatch: %d, want 403", page.Status)
	}
}

func TestUnitsComeBackFromTheirDispatch(t *testing.T) {
	t.Parallel()
	s := newShelf(t)
	code := s.sent()
	helper := s.As(access.Helper)
	path := "/dispatches/" + code + "/return"
	for _, row := range []struct {
		name        string
		typed, want map[string]string
	}{
		{"nothing typed", map[string]string{"returned_on": ""}, map[string]string{"returned_on": "When did they come back?", "units": "How many came back?", "disposition": "Choose where they go: back to stock, on hold, or destroyed."}},
		{"more than were sent", map[string]string{"units": "7", "disposition": "restock"}, map[string]string{"units": "6 units of SB-1 were in " + code + ": no more than 6 can come back."}},
		{"none", map[string]string{"units": "0", "disposition": "restock"}, map[string]string{"units": "How many came back? At least 1."}},
		{"destroyed without a word", map[string]string{"units": "1", "disposition": "destroy"}, map[string]string{"note": "Say what is wrong with them."}},
		{"before they left", map[string]string{"units": "1", "disposition": "restock", "returned_on": s.today.AddDays(-1).String()}, map[string]string{"returned_on": "They left only on " + s.today.Long() + "."}},
	} {
		t.Run(row.name, func(t *testing.T) {
			page := helper.Submit(helper.Get(path), "Record the return", row.typed)
			says(t, page, row.want)
			kept(t, page, row.typed)
		})
	}
	form := helper.Get(path)
	saved := helper.Submit(form, "Record the return", map[string]string{"units": "2", "disposition": "hold", "note": "box wet"})
	again := helper.Submit(form, "Record the return", map[string]string{"units": "2", "disposition": "hold", "note": "box wet"})
	page := helper.Follow(saved)
	if saved.Location != "/dispatches/"+code || again.Location != saved.Location || !strings.Contains(page.Text("main"), "1 packing; 2 came back") {
		t.Errorf("the dispatch says %q", page.Text("main"))
	}
	s.onHand("SB-1", 6)
	says(t, helper.Submit(helper.Get(path), "Record the return", map[string]string{"units": "5", "disposition": "restock"}), map[string]string{"units": "6 units of SB-1 were in " + code + ", and 2 came back already: no more than 4 can."})
}

func TestUnitsOfAnUnknownDispatchComeBackByTheirCode(t *testing.T) {
	t.Parallel()
	s := newShelf(t)
	s.elsewhere()
	s.sent()
	helper := s.As(access.Helper)
	for _, row := range []struct {
		name        string
		typed, want map[string]string
	}{
		{"no code", map[string]string{"units": "1", "disposition": "restock"}, map[string]string{"packing": "Which code stands on the units?"}},
		{"no such code", map[string]string{"packing": "<i>SB", "units": "1", "disposition": "restock"}, map[string]string{"packing": `No packing has the code "<i>SB".`}},
		{"another workshop's code", map[string]string{"packing": "ZZ-1", "units": "1", "disposition": "restock"}, map[string]string{"packing": `No packing has the code "ZZ-1".`}},
		{"more than are out", map[string]string{"packing": "SB-1", "units": "7", "disposition": "restock"}, map[string]string{"units": "6 units of SB-1 were sent in all: no more than 6 can come back."}},
	} {
		t.Run(row.name, func(t *testing.T) {
			page := helper.Submit(helper.Get("/returns/new"), "Record the return", row.typed)
			says(t, page, row.want)
			kept(t, page, row.typed)
		})
	}
	saved := helper.Submit(helper.Get("/returns/new"), "Record the return", map[string]string{"packing": "sb1", "units": "3", "disposition": "restock"})
	if page := helper.Follow(saved); saved.Location != "/packings/SB-1/units" || page.Text("h1") != "7 on hand" {
		t.Errorf("%s says %q", saved.Location, page.Text("main"))
	}
	s.onHand("SB-1", 7)
}

func TestStockIsMarkedWithWhatStandsInItsWay(t *testing.T) {
	t.Parallel()
	s := newShelf(t)
	s.packed("SB-4", 5, -1, "released")
	s.packed("SB-5", 5, 30, "released")
	s.packed("SB-6", 5, 100, "rejected")
	s.packed("SB-7", 0, 100, "released")
	if err := s.Store.PlaceHold(t.Context(), s.Who(access.Owner), store.Entry{}, store.NewHold{Packing: "SB-2", Reason: "smells off"}); err != nil {
		t.Fatal(err)
	}
	page := s.As(access.Viewer).Get("/stock")
	states := map[string]string{}
	var order []string
	for i := range page.Find("tbody tr").Length() {
		tr := page.Find("tbody tr").Eq(i)
		code := strings.TrimSpace(tr.Find(".tag").Text())
		order = append(order, code)
		states[code] = strings.TrimSpace(tr.Find(".state").Text())
	}
	if got := strings.Join(order, " "); got != "SB-4 SB-5 SB-1 SB-6 SB-2 SB-3" {
		t.Errorf("order %s, want the earliest best-before first and nothing that is gone", got)
	}
	for code, want := range map[string]string{"SB-1": "May leave", "SB-2": "On hold", "SB-3": "Not released", "SB-4": "Out of date", "SB-5": "Soon out of date", "SB-6": "Rejected"} {
		if states[code] != want {
			t.Errorf("%s is %q, want %q", code, states[code], want)
		}
	}
	if page.Text("h1") != "75 units on hand" || !strings.Contains(page.Text("main"), "15 may leave today") {
		t.Errorf("the page says %q", page.Text(".head"))
	}
	if strings.Contains(page.Body, "Move or count") {
		t.Error("a viewer is offered to move units")
	}
	if missing := s.As(access.Viewer).Get("/stock?product=NONE"); missing.Status != http.StatusNotFound {
		t.Errorf("stock of no product: %d, want 404", missing.Status)
	}
}

func TestUnitsAreCountedMovedAndTakenBack(t *testing.T) {
	t.Parallel()
	s := newShelf(t)
	helper := s.As(access.Helper)
	path := "/packings/SB-1/move"
	for _, row := range []struct {
		name        string
		typed, want map[string]string
	}{
		{"nothing typed", map[string]string{"moved_on": ""}, map[string]string{"reason": "Choose what happened to them.", "units": "How many?", "moved_on": "When was that?"}},
		{"more than there are", map[string]string{"reason": "gift", "units": "11"}, map[string]string{"units": "The book holds only 10 units. If more were there, count the shelf first."}},
		{"a count that is off, without a word", map[string]string{"reason": "count", "units": "9"}, map[string]string{"note": "Say why the book was off, or that you do not know."}},
		{"a day to come", map[string]string{"reason": "gift", "units": "1", "moved_on": s.today.AddDays(1).String()}, map[string]string{"moved_on": "That day has not come yet."}},
	} {
		t.Run(row.name, func(t *testing.T) {
			page := helper.Submit(helper.Get(path), "Record it", row.typed)
			says(t, page, row.want)
			kept(t, page, row.typed)
		})
	}
	old := helper.Get(path)
	page := helper.Follow(helper.Submit(helper.Get(path), "Record it", map[string]string{"reason": "tester", "units": "1"}))
	if page.Text("h1") != "9 on hand" || !strings.Contains(page.Text("main"), "Tester UM-00001") {
		t.Errorf("the ledger says %q", page.Text("main"))
	}
	stale := helper.Submit(old, "Record it", map[string]string{"reason": "count", "units": "8", "note": "not known"})
	says(t, stale, map[string]string{"units": "The book held 10 when you began and holds 9 now. Look again and write what is there."})
	page = helper.Follow(helper.Submit(stale, "Record it", nil))
	if page.Text("h1") != "8 on hand" {
		t.Errorf("counted again: %q", page.Text("h1"))
	}
	says(t, helper.Submit(helper.Get("/packings/SB-1/take-back?entry=UM-00001"), "Take this entry back", nil), map[string]string{"reason": "Say why: the entry stays, struck through."})
	page = helper.Follow(helper.Submit(helper.Get("/packings/SB-1/take-back?entry=UM-00001"), "Take this entry back", map[string]string{"reason": "mis-tap"}))
	if page.Text("h1") != "9 on hand" || page.Text("td s") != "−1" || !strings.Contains(page.Text("main"), "Corrected: mis-tap") {
		t.Errorf("taken back: %q", page.Text("main"))
	}
	if page := helper.Get("/packings/SB-2/take-back?entry=UM-00001"); page.Status != http.StatusNotFound {
		t.Errorf("an entry of another packing: %d, want 404", page.Status)
	}
	s.onHand("SB-1", 9)
}

func TestAHelperPutsUnitsOnHoldAndAMakerLiftsThem(t *testing.T) {
	t.Parallel()
	s := newShelf(t)
	helper, maker := s.As(access.Helper), s.As(access.Maker)
	for _, row := range []struct {
		name        string
		typed, want map[string]string
	}{
		{"no reason", nil, map[string]string{"reason": "Say why they may not leave."}},
		{"no number", map[string]string{"which": "some", "reason": "x"}, map[string]string{"units": "How many?"}},
		{"none", map[string]string{"which": "some", "units": "0", "reason": "x"}, map[string]string{"units": "How many? At least 1."}},
		{"more than there are", map[string]string{"which": "some", "units": "11", "reason": "x"}, map[string]string{"units": "10 are on hand and not on hold yet."}},
		{"neither", map[string]string{"which": "most", "reason": "x"}, map[string]string{"which": "All of them, or so many?"}},
	} {
		t.Run(row.name, func(t *testing.T) {
			page := helper.Submit(helper.Get("/packings/SB-1/hold"), "Put on hold", row.typed)
			says(t, page, row.want)
			delete(row.typed, "which")
			kept(t, page, row.typed)
		})
	}
	page := helper.Follow(helper.Submit(helper.Get("/packings/SB-1/hold"), "Put on hold", map[string]string{"which": "some", "units": "4", "reason": "two dented"}))
	if !strings.Contains(page.Text(".life"), "4 on hold") || page.Find("a[href*='/lift']").Length() != 0 {
		t.Errorf("the helper's page says %q", page.Text("main"))
	}
	lift := maker.Get("/packings/SB-1/units").Find("a[href*='/lift']").AttrOr("href", "")
	says(t, maker.Submit(maker.Get(lift), "Lift this hold", nil), map[string]string{"reason": "Say what was found, and why they may leave."})
	form := maker.Get(lift)
	if page := maker.Follow(maker.Submit(form, "Lift this hold", map[string]string{"reason": "only the boxes"})); !strings.Contains(page.Text("main"), "only the boxes") || !strings.Contains(page.Text(".life"), "none on hold") {
		t.Errorf("the page says %q", page.Text("main"))
	}
	if again := maker.Submit(maker.Get(lift), "Lift this hold", map[string]string{"reason": "again"}); again.Status != http.StatusConflict {
		t.Errorf("lifting it again: %d, want 409", again.Status)
	}
	if helperLifts := helper.Get(lift); helperLifts.Status != http.StatusForbidden {
		t.Errorf("a helper opens the lifting of a hold: %d, want 403", helperLifts.Status)
	}
	s.onHand("SB-1", 10)
}

func TestACustomerIsAddedCorrectedAndShown(t *testing.T) {
	t.Parallel()
	s := newShelf(t)
	s.sent()
	helper, maker := s.As(access.Helper), s.As(access.Maker)
	for _, row := range []struct {
		name        string
		typed, want map[string]string
	}{
		{"nothing typed", nil, map[string]string{"name": "Write the customer's name.", "kind": "Choose what kind of customer."}},
		{"all that can be off", map[string]string{"name": "I.", "kind": "online", "email": "nowhere", "phone": strings.Repeat("1", 61), "code": "a b"}, map[string]string{"email": "EMAIL", "phone": "At most 60 characters, please.", "code": "A code is letters, digits, - . and _, without spaces."}},
		{"a code that is taken", map[string]string{"name": "I.", "kind": "online", "code": "HSP"}, map[string]string{"code": "Another customer has this code."}},
	} {
		t.Run(row.name, func(t *testing.T) {
			page := helper.Submit(helper.Get("/customers/new"), "Add this customer", row.typed)
			if row.want["email"] != "" {
				row.want["email"] = page.Error("email")
			}
			says(t, page, row.want)
			kept(t, page, row.typed)
		})
	}
	saved := helper.Submit(helper.Get("/customers/new"), "Add this customer", map[string]string{"name": "<script>alert(1)</script>", "kind": "event"})
	page := helper.Follow(saved)
	if page.Find("main script").Length() != 0 || page.Text("h1") != "<script>alert(1)</script>" {
		t.Error("a script in a name is not inert")
	}
	if list := helper.Get("/customers"); list.Find("main script").Length() != 0 || list.Find("tbody tr").Length() != 2 || !strings.Contains(list.Text("main"), "public notice") {
		t.Errorf("the list says %q", list.Text("main"))
	}
	if page := helper.Get("/customers/HSP"); !strings.Contains(page.Text("main"), "6 units with them") || page.Find("a.tag").Length() != 1 {
		t.Errorf("the pantry's page says %q", page.Text("main"))
	}

	old := maker.Get("/customers/HSP/correct")
	says(t, maker.Submit(old, "Correct this customer", map[string]string{"name": "", "reason": ""}), map[string]string{"name": "Write the customer's name.", "reason": "Say why: the book keeps that it was changed."})
	maker.Follow(maker.Submit(maker.Get("/customers/HSP/correct"), "Correct this customer", map[string]string{"phone": "01632 960001", "reason": "new number"}))
	stale := maker.Submit(old, "Correct this customer", map[string]string{"email": "pantry@example.org", "reason": "moved"})
	if stale.Status != http.StatusConflict || !strings.Contains(stale.Text(".note"), "01632 960001") || stale.Value("email") != "pantry@example.org" {
		t.Errorf("from an old page: %d %q", stale.Status, stale.Text("main"))
	}
	page = maker.Follow(maker.Submit(stale, "Correct this customer", map[string]string{"phone": "01632 960001"}))
	if !strings.Contains(page.Text(".facts"), "pantry@example.org") || !strings.Contains(page.Text(".facts"), "01632 960001") {
		t.Errorf("the page says %q", page.Text("main"))
	}
	if forbidden := helper.Submit(helper.Get("/customers/HSP/correct"), "Correct this customer", map[string]string{"reason": "x"}); forbidden.Status != http.StatusForbidden {
		t.Errorf("a helper corrects whom they did not add: %d, want 403", forbidden.Status)
	}
}

func TestLongListsArePagedByKey(t *testing.T) {
	t.Parallel()
	s := newShelf(t)
	viewer := s.As(access.Viewer)
	customer := s.book.Customer("AA", "Apothecary", "stockist")
	packing := s.book.Batch("BIG", "B1G", s.soap, "2026-01-01", 1000, "released", "").Packing
	for i := range 51 {
		s.book.Dispatch("H-"+string(rune('A'+i/26))+string(rune('A'+i%26)), customer, packing, 1, "2026-01-02")
		s.book.Customer("C"+string(rune('A'+i/26))+string(rune('A'+i%26)), "Customer", "direct")
	}
	for path, want := range map[string]int{"/dispatches": 1, "/customers/AA": 1, "/customers": 3} {
		first := viewer.Get(path)
		next := first.Find(".pager a[rel=next]").AttrOr("href", "")
		if next == "" {
			t.Errorf("%s has no further page", path)
			continue
		}
		page := viewer.Get(next)
		if got := page.Find("table").Last().Find("tbody tr").Length(); got != want || page.Find(".pager a[rel=next]").Length() != 0 || page.Find(".pager a[rel=start]").AttrOr("href", "") != path {
			t.Errorf("%s: %d rows on the last page, want %d, and its links are %q", next, got, want, page.Text(".pager"))
		}
	}
}

func TestPagesOfUnitsAreShownToViewersAndChangedByNone(t *testing.T) {
	t.Parallel()
	s := newShelf(t)
	code := s.sent()
	viewer := s.As(access.Viewer)
	for _, path := range []string{"/customers", "/customers/HSP", "/dispatches", "/dispatches/" + code, "/stock", "/stock?product=SB", "/packings/SB-1/units"} {
		page := viewer.Get(path)
		if page.Status != http.StatusOK || page.Find("h1").Length() != 1 || page.Find("[style], main script").Length() != 0 {
			t.Errorf("%s: %d with %d headings", path, page.Status, page.Find("h1").Length())
		}
		if page.Find("main form").Length() != 0 || page.Find("main a[href$='/new'], main a[href*='/correct'], main a[href*='/move'], main a[href*='/hold'], main a[href*='/return']").Length() != 0 {
			t.Errorf("%s offers a viewer something to change", path)
		}
	}
	for _, path := range []string{"/customers/new", "/customers/HSP/correct", "/dispatches/new", "/dispatches/" + code + "/correct", "/dispatches/" + code + "/return", "/returns/new", "/packings/SB-1/move", "/packings/SB-1/take-back", "/packings/SB-1/hold", "/packings/SB-1/lift"} {
		if got := viewer.Get(path).Status; got != http.StatusForbidden {
			t.Errorf("GET %s: %d, want 403", path, got)
		}
		if got := viewer.Post(path, url.Values{}).Status; got != http.StatusForbidden {
			t.Errorf("POST %s: %d, want 403", path, got)
		}
	}
}

func TestWhatIsNotThereOrNotOursIsNotFound(t *testing.T) {
	t.Parallel()
	s := newShelf(t)
	s.elsewhere()
	owner := s.As(access.Owner)
	for _, path := range []string{"/customers/OTHER", "/customers/OTHER/correct", "/dispatches/D-0001", "/dispatches/D-0001/correct", "/dispatches/D-0001/return", "/packings/ZZ-1/units", "/packings/ZZ-1/move", "/packings/ZZ-1/hold", "/packings/ZZ-1/lift", "/packings/ZZ-1/take-back", "/dispatches/new?customer=OTHER"} {
		if got := owner.Get(path).Status; got != http.StatusNotFound {
			t.Errorf("GET %s: %d, want 404", path, got)
		}
	}
	all := url.Values{"entry_key": {uuid.NewString()}, "name": {"x"}, "kind": {"direct"}, "reason": {"x"}, "packing": {"SB-1"}, "units": {"1"}, "returned_on": {s.today.String()}, "moved_on": {s.today.String()}, "disposition": {"restock"}, "which": {"all"}, "hold": {uuid.NewString()}, "entry": {"UM-00001"}}
	for _, path := range []string{"/customers/OTHER/correct", "/dispatches/D-0001/correct", "/dispatches/D-0001/return", "/packings/ZZ-1/move", "/packings/ZZ-1/hold", "/packings/ZZ-1/lift", "/packings/ZZ-1/take-back"} {
		if got := owner.Post(path, all).Status; got != http.StatusNotFound {
			t.Errorf("POST %s: %d, want 404", path, got)
		}
		// Before anything is said about what was typed.
		if got := owner.Post(path, url.Values{"entry_key": {uuid.NewString()}}).Status; got != http.StatusNotFound {
			t.Errorf("POST %s, empty: %d, want 404", path, got)
		}
	}
	s.onHand("SB-1", 10)
}
