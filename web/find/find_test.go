package find_test

import (
	"fmt"
	"net/http"
	"net/url"
	"strings"
	"testing"

	"github.com/google/uuid"

	"example.org/stillroom/internal/access"
	"example.org/stillroom/internal/batchcode"
	"example.org/stillroom/internal/pgtest"
	"example.org/stillroom/internal/store"
	"example.org/stillroom/web/webtest"
)

// shelf is a workshop with a few batches that can be looked up.
type shelf struct {
	*webtest.Site
	book    *pgtest.Book
	product uuid.UUID
}

func newShelf(t *testing.T) shelf {
	t.Helper()
	site := webtest.New(t)
	s := shelf{Site: site, book: pgtest.History(t, site.DB, uuid.UUID(site.Who(access.Owner).Workshop))}
	s.product = s.book.Product("SB", "Sage bar")
	return s
}

// batch adds a batch of 40 units, findable by its code and codes near it.
func (s shelf) batch(code string) pgtest.Packed {
	p := s.book.Batch(code, batchcode.Fold(code), s.product, "2026-02-01", 40, "released", "2027-02-01")
	s.near(code, p.Batch)
	return p
}

func (s shelf) near(code string, batch uuid.UUID) {
	s.book.Do(pgtest.Statement{SQL: `INSERT INTO code_near (workshop_id, near_key, code, batch_id) SELECT $1, k, $3, $4 FROM unnest($5::text[]) k WHERE $2::uuid IS NOT NULL`, Args: []any{code, batch, batchcode.Deletions(batchcode.Fold(code))}})
}

func (s shelf) key(kind, key string, id uuid.UUID) {
	s.book.Do(pgtest.Statement{SQL: `INSERT INTO search_key (workshop_id, key, kind, target_id) SELECT $1, $3, $4, $5 WHERE $2::uuid IS NOT NULL`, Args: []any{key, kind, id}})
}

// ours makes a code with its check character.
func ours(t *testing.T, body string) string {
	t.Helper()
	check, err := batchcode.Check(body)
	if err != nil {
		t.Fatal(err)
	}
	return body + string(check)
}

func TestACodeReadOutGoesStraightToItsPage(t *testing.T) {
	t.Parallel()
	s := newShelf(t)
	code := ours(t, "OB-26305-01")
	p := s.batch(code)
	later := batchcode.PackingCode(code, 2, true)
	s.book.Do(pgtest.Statement{SQL: `INSERT INTO packing (workshop_id, id, batch_id, n, code, code_key, product_id, packed_on, units_good, status, change_id) VALUES ($1, $3, $4, 2, $5, $6, $7, '2026-03-01', 5, 'released', $2)`,
		Args: []any{uuid.Must(uuid.NewV7()), p.Batch, later, batchcode.Fold(later), s.product}})
	s.near(later, p.Batch)
	viewer := s.As(access.Viewer)
	for query, want := range map[string]string{strings.ToLower(code): "/batches/" + code, strings.ReplaceAll(code, "-", " "): "/batches/" + code, later: "/packings/" + later} {
		page := viewer.Get("/find?q=" + url.QueryEscape(query))
		if page.Status != http.StatusSeeOther || page.Location != want {
			t.Errorf("%q: %d to %q, want %q", query, page.Status, page.Location, want)
		}
	}
}

func TestACodeThatProvesNothingIsConfirmed(t *testing.T) {
	t.Parallel()
	s := newShelf(t)
	s.batch("LAV725")
	s.batch("LAV825")
	page := s.As(access.Viewer).Get("/find?q=lav+725")
	if page.Status != http.StatusOK || page.Text("h1") != "Is it this one?" {
		t.Fatalf("%d %q", page.Status, page.Text("main"))
	}
	for _, want := range []string{"Sage bar", "1 Feb 2027", "1 Feb 2026", "Yes, it is LAV725", "LAV825", "one character away"} {
		if !strings.Contains(page.Text("main"), want) {
			t.Errorf("the page does not say %q: %q", want, page.Text("main"))
		}
	}
	if page.Find(`main a[href="/batches/LAV725"]`).Length() != 1 || page.Find(`main a[href="/batches/LAV825"]`).Length() != 1 {
		t.Error("both lead to their pages")
	}
}

func TestAMistakeIsShownNotDecided(t *testing.T) {
	t.Parallel()
	s := newShelf(t)
	code := ours(t, "OB-26305-01")
	s.batch(code)
	viewer := s.As(access.Viewer)
	wrong := strings.Replace(code, "305", "306", 1)
	page := viewer.Get("/find?q=" + wrong)
	if page.Status != http.StatusOK || page.Text("h1") != "Which one was meant?" || !strings.Contains(page.Text(".note"), "mistyped") || page.Text("li .tag") != code {
		t.Errorf("mistyped: %d %q", page.Status, page.Text("main"))
	}
	stranger := ours(t, "OB-26399-77")
	page = viewer.Get("/find?q=" + stranger)
	if !strings.Contains(page.Text(".note"), "not ours") || strings.Contains(page.Text(".note"), "mistyped") {
		t.Errorf("not ours: %q", page.Text("main"))
	}
	page = viewer.Get("/find?q=lavender")
	if page.Find(".note").Length() != 0 || page.Text("h1") != "Nothing found for “lavender”" {
		t.Errorf("a word: %q", page.Text("main"))
	}
}

func TestWordsFindThingsByKindAndALotIsGoneToStraight(t *testing.T) {
	t.Parallel()
	s := newShelf(t)
	material := s.book.Material("OO", "Oat oil")
	s.key("material", "oat", material)
	lot := s.book.Lot("OO-0042", material, 500)
	s.key("lot", "oo0042", lot)
	customer := s.book.Customer("OA", "Oat <b>Street</b> Pantry", "stockist")
	s.key("customer", "oat", customer)
	viewer := s.As(access.Viewer)
	page := viewer.Get("/find?q=oat")
	if page.Text("h2") != "CustomersMaterials" && page.Text("h2") != "Customers Materials" {
		t.Errorf("headings %q", page.Text("h2"))
	}
	if page.Find(`main a[href="/customers/OA"]`).Text() != "Oat <b>Street</b> Pantry" || page.Find("main b").Length() != 0 {
		t.Error("the customer's name is shown as it was written")
	}
	if page := viewer.Get("/find?q=oo+0042"); page.Status != http.StatusSeeOther || page.Location != "/lots/OO-0042" {
		t.Errorf("the lot: %d %q", page.Status, page.Location)
	}
}

func TestAnyTextCanBeLookedUp(t *testing.T) {
	t.Parallel()
	s := newShelf(t)
	s.batch(ours(t, "OB-26305-01"))
	viewer := s.As(access.Viewer)
	for name, query := range map[string]string{
		"nothing": "", "spaces": "   ", "quotes": `'"; DROP TABLE batch --`, "a script": "<script>alert(1)</script>", "signs of search": "% _ * ? \\",
		"very long": strings.Repeat("OB263", 4000), "no text": "\xff\xfe\x00", "another script": "ОВ 26305", "many words": strings.Repeat("oat ", 30),
	} {
		page := viewer.Get("/find?q=" + url.QueryEscape(query))
		if page.Status != http.StatusOK || page.Find("h1").Length() != 1 || page.Find("main script").Length() != 0 {
			t.Errorf("%s: %d", name, page.Status)
		}
	}
}

func TestNobodyLooksUpWithoutSigningIn(t *testing.T) {
	t.Parallel()
	s := newShelf(t)
	for _, path := range []string{"/find?q=OB", "/find/purchase"} {
		if page := s.As("").Get(path); page.Status != http.StatusSeeOther || !strings.HasPrefix(page.Location, "/sign-in") {
			t.Errorf("%s: %d %s", path, page.Status, page.Location)
		}
	}
}

func TestTryingCodesIsBounded(t *testing.T) {
	t.Parallel()
	s := newShelf(t)
	viewer := s.As(access.Viewer)
	for i := range 120 {
		if page := viewer.Get(fmt.Sprintf("/find?q=OB-%05d", i)); page.Status != http.StatusOK {
			t.Fatalf("try %d: %d", i, page.Status)
		}
	}
	page := viewer.Get("/find?q=OB-99999")
	if page.Status != http.StatusTooManyRequests || page.Header.Get("Retry-After") == "" {
		t.Errorf("the 121st in a minute: %d, Retry-After %q", page.Status, page.Header.Get("Retry-After"))
	}
	if page := s.As(access.Helper).Get("/find?q=OB-99999"); page.Status != http.StatusOK {
		t.Errorf("somebody else: %d", page.Status)
	}
}

func TestAPurchaseWithoutACodeIsRanked(t *testing.T) {
	t.Parallel()
	s := newShelf(t)
	shop := s.book.Customer("HSP", "Harbour Street Pantry", "stockist")
	s.key("customer", "harbour", shop)
	many, few := s.batch(ours(t, "OB-26305-01")), s.batch(ours(t, "OB-26305-02"))
	s.book.Dispatch("D-1", shop, many.Packing, 37, "2026-03-01")
	s.book.Dispatch("D-2", shop, few.Packing, 3, "2026-03-02")
	viewer := s.As(access.Viewer)
	form := viewer.Get("/find/purchase")
	page := viewer.Submit(form, "Find what it can be", map[string]string{"product": "SB", "place": "harbour", "on": "2026-03-10"})
	if page.Status != http.StatusOK {
		t.Fatalf("%d: %s", page.Status, page.Text("main"))
	}
	if !strings.Contains(page.Text("main h2"), "Most likely "+ours(t, "OB-26305-01")+": 37 of 40 units") {
		t.Errorf("the answer is %q", page.Text("main h2"))
	}
	if rows := page.Find("tbody tr"); rows.Length() != 2 || rows.Eq(0).Find("[data-label=Units]").Text() != "37" || rows.Eq(1).Find("[data-label=Units]").Text() != "3" {
		t.Errorf("rows %q", page.Text("tbody"))
	}
	if page.Value("place") != "harbour" || page.Value("product") != "SB" {
		t.Error("the question is still there")
	}
	none := viewer.Submit(form, "Find what it can be", map[string]string{"product": "SB", "place": "harbour", "on": "2026-03-10", "back": "7"})
	if none.Status != http.StatusOK || !strings.Contains(none.Text("main"), "Nothing was sent there") {
		t.Errorf("one week back: %q", none.Text("main"))
	}
}

func TestABadPurchaseIsAskedAgainWithEverythingTyped(t *testing.T) {
	t.Parallel()
	s := newShelf(t)
	s.book.Customer("HSP", "Harbour Street Pantry", "stockist")
	viewer := s.As(access.Viewer)
	for name, c := range map[string]struct {
		query  string
		errors map[string]string
	}{
		"nothing said":        {"product=&place=&on=&back=", map[string]string{"on": "On which day", "back": "how far back", "product": "product or the place"}},
		"no such day":         {"product=SB&on=2026-02-30&back=92", map[string]string{"on": "30 February"}},
		"not a day":           {"product=SB&on=last+week&back=92", map[string]string{"on": "-"}},
		"a day to come":       {"product=SB&on=2199-01-01&back=92", map[string]string{"on": "has not come"}},
		"no such product":     {"product=ZZ&on=2026-03-01&back=92", map[string]string{"product": "There is no product"}},
		"no such place":       {"place=nowhere&on=2026-03-01&back=92", map[string]string{"place": "No customer"}},
		"a span of our own":   {"product=SB&on=2026-03-01&back=99999", map[string]string{"back": "how far back"}},
		"a span not a number": {"product=SB&on=2026-03-01&back=x", map[string]string{"back": "how far back"}},
	} {
		page := viewer.Get("/find/purchase?" + c.query)
		if page.Status != http.StatusUnprocessableEntity {
			t.Errorf("%s: %d", name, page.Status)
		}
		for field, want := range c.errors {
			if !strings.Contains(page.Error(field), want) {
				t.Errorf("%s: beside %s %q", name, field, page.Error(field))
			}
		}
		typed, err := url.ParseQuery(c.query)
		if err != nil {
			t.Fatal(err)
		}
		if page.Value("place") != typed.Get("place") || page.Value("on") != typed.Get("on") {
			t.Errorf("%s: what was typed is gone", name)
		}
	}
}

func TestARecallADrillAndAComplaintAreFoundByTheirCodes(t *testing.T) {
	t.Parallel()
	s := newShelf(t)
	owner := s.Who(access.Owner)
	s.batch("SB-1")
	for _, drill := range []bool{false, true} {
		n := store.NewRecall{Drill: drill, From: []store.TraceStart{{Kind: "batch", Code: "SB-1"}}, Level: "stock", Title: "Rash", Reason: "A rash."}
		if _, err := s.Store.OpenRecall(t.Context(), owner, store.Entry{}, n); err != nil {
			t.Fatal(err)
		}
	}
	page := s.As(access.Viewer)
	for typed, want := range map[string]string{"R-1": "/recalls/1", "r1": "/recalls/1", "dr-2": "/drills/2", "R-2": "", "DR-1": "", "C-1": "", "R-999999999": ""} {
		if got := page.Get("/find?q=" + url.QueryEscape(typed)).Location; got != want {
			t.Errorf("%q leads to %q, want %q", typed, got, want)
		}
	}
}
