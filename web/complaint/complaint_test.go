package complaint_test

import (
	"bytes"
	"image"
	"image/png"
	"net/http"
	"net/url"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"

	"example.org/stillroom/internal/access"
	"example.org/stillroom/internal/batchcode"
	"example.org/stillroom/internal/day"
	"example.org/stillroom/internal/pgtest"
	"example.org/stillroom/internal/reporting"
	"example.org/stillroom/internal/store"
	"example.org/stillroom/web/webtest"
)

func ok(t *testing.T, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

// shelf is a workshop with two packings that were sent to a shop, found by their codes.
func shelf(t *testing.T) (site *webtest.Site, code, other string) {
	t.Helper()
	site = webtest.New(t)
	book := pgtest.History(t, site.DB, uuid.UUID(site.Who(access.Owner).Workshop))
	soap := book.Product("SB", "Sage bar")
	shop, err := site.Store.AddCustomer(t.Context(), site.Who(access.Owner), store.Entry{}, store.Customer{Code: "HSP", Name: "Harbour Street Pantry", Kind: "stockist"})
	ok(t, err)
	today := time.Now().UTC()
	for i, body := range []string{"SB-26305-01", "SB-26305-02"} {
		check, err := batchcode.Check(body)
		ok(t, err)
		made := body + string(check)
		p := book.Batch(made, batchcode.Fold(made), soap, today.AddDate(0, -2, 0).Format("2006-01-02"), 100, "released", "")
		book.Do(pgtest.Statement{SQL: `INSERT INTO code_near (workshop_id, near_key, code, batch_id) SELECT $1, k, $3, $4 FROM unnest($5::text[]) k WHERE $2::uuid IS NOT NULL`, Args: []any{made, p.Batch, batchcode.Deletions(batchcode.Fold(made))}})
		if _, err := site.Store.Dispatch(t.Context(), site.Who(access.Owner), store.Entry{}, store.NewDispatch{Customer: shop, On: day.In(today, time.UTC), Lines: []store.DispatchLine{{Packing: made, Units: 30 - 20*i}}}); err != nil {
			t.Fatal(err)
		}
		if code == "" {
			code = made
		} else {
			other = made
		}
	}
	return site, code, other
}

func TestAComplaintIsWrittenDownOnTheTelephone(t *testing.T) {
	t.Parallel()
	site, code, other := shelf(t)
	helper := site.As(access.Helper)
	wrong := code[:len(code)-2] + "9" + code[len(code)-1:]
	typed := map[string]string{"what": "Itches", "kind": "serious", "market": "us", "criteria-hospital": "on", "code_said": wrong, "name": "Odette Quarrymoss", "phone": "00 555 0177", "bought_at": "Harbour Street"}

	// Looking a wrong code up says why it is wrong, chooses nothing, and keeps all that was typed.
	looked := helper.Submit(helper.Get("/complaints/new"), "Look up", typed)
	if looked.Status != http.StatusOK || !strings.Contains(looked.Text("#looked"), "mistyped or misheard") || looked.Find(`#looked input[name=packing][value="`+code+`"]`).Length() != 1 {
		t.Errorf("looked up: %d %s", looked.Status, looked.Text("#looked"))
	}
	if got := looked.Find(`input[name=packing][checked]`).AttrOr("value", ""); got != "-" {
		t.Errorf("the look-up chose %q", got)
	}
	if !strings.Contains(looked.Text("#looked"), "75 % of the 40 units sent there") || !strings.Contains(looked.Text("#looked"), "no proof") {
		t.Errorf("how sure: %s", looked.Text("#looked"))
	}
	for field, value := range typed {
		if field != "kind" && field != "market" && field != "criteria-hospital" && looked.Value(field) != value {
			t.Errorf("%s is %q, typed was %q", field, looked.Value(field), value)
		}
	}
	if looked.Find(`[name=kind][value=serious][checked], [name=market][value=us][checked], [name=criteria-hospital][checked]`).Length() != 3 {
		t.Error("what was chosen is gone")
	}

	// What cannot be taken answers 422 and keeps it all too.
	refused := helper.Submit(looked, "Write it down", map[string]string{"what": " ", "email": "nobody", "happened_on": "2199-01-01", "customer": "Nowhere"})
	for _, field := range []string{"what", "email", "happened_on", "customer"} {
		if refused.Status != http.StatusUnprocessableEntity || refused.Error(field) == "" {
			t.Errorf("%s: %d %q", field, refused.Status, refused.Error(field))
		}
	}
	if refused.Value("name") != "Odette Quarrymoss" || refused.Value("email") != "nobody" || refused.Value("code_said") != wrong {
		t.Error("the refused form lost something")
	}

	// A code that leads nowhere never stands in the way.
	page := helper.Follow(helper.Submit(looked, "Write it down", nil))
	if page.Path != "/complaints/1" || !strings.Contains(page.Text("main"), wrong) || !strings.Contains(page.Text("main"), "Nobody has decided") || !strings.Contains(page.Text(".note"), "15 business days") || !strings.Contains(page.Text(".note"), "not advice") {
		t.Errorf("%s: %s", page.Path, page.Text("main"))
	}
	if again := helper.Submit(looked, "Write it down", nil); again.Location != "/complaints/1" {
		t.Errorf("sent twice: %d to %s", again.Status, again.Location)
	}
	page = helper.Follow(helper.Submit(page, "It is this one", map[string]string{"packing": other}))
	if page.Text(".facts .tag") != other {
		t.Errorf("decided: %s", page.Text(".facts"))
	}

	// The module asks the same page; a code that proves itself is chosen there.
	sure := helper.Get("/complaints/new?code_said=" + url.QueryEscape(strings.ToLower(code)))
	if got := sure.Find(`input[name=packing][checked]`).AttrOr("value", ""); got != code || !strings.Contains(sure.Text("#looked"), "was read right") {
		t.Errorf("a right code: %q chosen, %s", got, sure.Text("#looked"))
	}
	for asked, words := range map[string]string{"code_said=" + other[:len(other)-1] + "~": "", "code_said=ZZZZZZZZ": "kept as it was said", "product=SB": "75 %", "product=SB&bought_at=Mars": "No customer of the book"} {
		if p := helper.Get("/complaints/new?" + asked); p.Status != http.StatusOK || !strings.Contains(p.Text("#looked"), words) {
			t.Errorf("%s: %d %s", asked, p.Status, p.Text("#looked"))
		}
	}
}

func TestAComplaintIsFollowedCorrectedClosedAndErased(t *testing.T) {
	t.Parallel()
	site, code, _ := shelf(t)
	helper, maker, owner, viewer := site.As(access.Helper), site.As(access.Maker), site.As(access.Owner), site.As(access.Viewer)
	evil := `"><script>alert(1)</script>`
	_, err := site.Store.LogComplaint(t.Context(), site.Who(access.Owner), store.Entry{}, store.NewComplaint{CameBy: "email", Name: evil, What: evil, CodeSaid: evil, BoughtAt: evil, Packing: code, Kind: reporting.Undesirable, Market: reporting.UK})
	ok(t, err)
	for _, path := range []string{"/complaints/1", "/complaints", "/complaints/rates", "/complaints/sources?of=C-1", "/complaints/sources?of=" + url.QueryEscape(evil), "/complaints/1/correct", "/complaints/new?code_said=" + url.QueryEscape(evil), "/packings/" + code, "/"} {
		if p := owner.Get(path); p.Status != http.StatusOK && p.Status != http.StatusUnprocessableEntity || p.Find("main script:not([src])").Length() > 0 {
			t.Errorf("%s: %d, a stored script acts", path, p.Status)
		}
	}
	for path, status := range map[string]int{"/complaints/99": 404, "/complaints/0": 404, "/complaints/01": 404, "/complaints/x": 404, "/complaints?kind=odd": 404} {
		if p := owner.Get(path); p.Status != status {
			t.Errorf("%s: %d", path, p.Status)
		}
	}

	// Who may: nothing is shown that would be refused, and what is not shown is refused.
	for name, c := range map[string]struct {
		as      *webtest.Client
		buttons string
	}{"viewer": {viewer, ""}, "helper": {helper, "Write it down, Keep this photo"}, "maker": {maker, "Write it down, Keep this photo, Sign and close"}} {
		var seen []string
		for _, b := range c.as.Get("/complaints/1").Find("main form button").EachIter() {
			seen = append(seen, strings.TrimSpace(b.Text()))
		}
		if got := strings.Join(seen, ", "); got != c.buttons {
			t.Errorf("%s is shown %q", name, got)
		}
	}
	for _, refused := range []struct {
		as   *webtest.Client
		path string
	}{{viewer, "/complaints/1/follow"}, {viewer, "/complaints/new"}, {helper, "/complaints/1/close"}, {helper, "/complaints/1/reopen"}, {maker, "/complaints/1/erase"}} {
		if p := refused.as.Post(refused.path, url.Values{"entry_key": {uuid.NewString()}}); p.Status != http.StatusForbidden {
			t.Errorf("%s: %d", refused.path, p.Status)
		}
	}
	if p := helper.Get("/complaints/1/correct"); p.Status != http.StatusForbidden {
		t.Errorf("a helper corrects another's: %d", p.Status)
	}

	page := helper.Get("/complaints/1")
	off := helper.Submit(page, "Write it down", map[string]string{"words": "", "at": "2199-01-01T10:00"})
	if off.Status != http.StatusUnprocessableEntity || off.Error("words") == "" || off.Error("at") == "" || off.Error("follow_kind") == "" || off.Value("at") != "2199-01-01T10:00" {
		t.Errorf("a bad entry: %d %s", off.Status, off.Text(".summary"))
	}
	page = helper.Follow(helper.Submit(page, "Write it down", map[string]string{"follow_kind": "test", "words": "The sample is fine"}))
	entry := page.Find(`a[href^="/complaints/1/follow/"]`).AttrOr("href", "")
	page = helper.Follow(helper.Submit(helper.Get(entry), "Correct this entry", map[string]string{"words": "The sample smells", "reason": "typed wrong"}))
	if !strings.Contains(page.Text("s"), "The sample is fine") || !strings.Contains(page.Text("main"), "Corrected: typed wrong") {
		t.Errorf("the old entry is not beside the new one: %s", page.Text("main"))
	}
	if p := helper.Get(entry); p.Status != http.StatusConflict {
		t.Errorf("a corrected entry is offered again: %d", p.Status)
	}
	var picture bytes.Buffer
	ok(t, png.Encode(&picture, image.NewGray(image.Rect(0, 0, 2, 2))))
	if p := helper.Upload("/complaints/1/photos", map[string]string{"entry_key": uuid.NewString()}, "file", "arm.png", []byte("no picture")); p.Status != http.StatusUnprocessableEntity {
		t.Errorf("no picture: %d", p.Status)
	}
	page = helper.Follow(helper.Upload("/complaints/1/photos", map[string]string{"entry_key": uuid.NewString()}, "file", "odette.png", picture.Bytes()))
	photo := page.Find(`a[href^="/documents/"]`)
	if photo.Text() != "C-1 photo 1.png" || strings.Contains(page.Body, "odette") {
		t.Errorf("the photo is called %q", photo.Text())
	}

	page = maker.Follow(maker.Submit(maker.Get("/complaints/1/correct"), "Correct this complaint", map[string]string{"kind": "quality", "what": "Smells", "reason": "no effect after all"}))
	if !strings.Contains(page.Text(".changes"), "undesirable") || !strings.Contains(page.Text(".changes"), "no effect after all") {
		t.Errorf("the correction is not shown: %s", page.Text(".changes"))
	}
	off = maker.Submit(page, "Sign and close", map[string]string{"outcome": "Replaced", "password": "wrong-wrong"})
	if off.Status != http.StatusUnprocessableEntity || off.Error("password") == "" || off.Value("outcome") != "Replaced" {
		t.Errorf("a wrong password: %d %s", off.Status, off.Text(".summary"))
	}
	page = maker.Follow(maker.Submit(page, "Sign and close", map[string]string{"outcome": "Replaced", "password": webtest.Password}))
	if !strings.Contains(page.Text("main"), "Signed closed, Maker Quill") || strings.Contains(page.Text("main"), "changed since") {
		t.Errorf("closed: %s", page.Text("main"))
	}
	off = owner.Submit(owner.Get("/complaints/1"), "Erase it for good", map[string]string{"reason": "asked to"})
	if off.Status != http.StatusUnprocessableEntity || off.Error("sure") == "" || off.Find(`#f-reason`).AttrOr("value", "") != "asked to" {
		t.Errorf("erased without a word: %d %s", off.Status, off.Text(".summary"))
	}
	page = owner.Follow(owner.Submit(off, "Erase it for good", map[string]string{"sure": "on"}))
	if !strings.Contains(page.Text("main"), "What was personal was erased") || strings.Contains(page.Text("main"), "The sample smells") || !strings.Contains(page.Text("main"), "Replaced") {
		t.Errorf("erased: %s", page.Text("main"))
	}
	if p := owner.Get(photo.AttrOr("href", "")); p.Status != http.StatusOK || p.Body != "erased" {
		t.Errorf("the photo is still there: %d, %d bytes", p.Status, len(p.Body))
	}
	if p := maker.Get("/complaints/1/correct"); p.Status != http.StatusConflict {
		t.Errorf("an erased one is corrected: %d", p.Status)
	}
}

func TestThePagesOfRatesAndSourcesSayWhatTheyCompare(t *testing.T) {
	t.Parallel()
	site, code, other := shelf(t)
	owner := site.As(access.Owner)
	if p := owner.Get("/complaints/rates"); !strings.Contains(p.Text("main"), "No complaint about a batch") || !strings.Contains(p.Text("table"), "0 % (0 % to ") {
		t.Errorf("without complaints: %s", p.Text("main"))
	}
	for range 6 {
		_, err := site.Store.LogComplaint(t.Context(), site.Who(access.Owner), store.Entry{}, store.NewComplaint{CameBy: "email", What: "Cracked", Packing: other, Kind: reporting.Quality, Market: reporting.EU})
		ok(t, err)
	}
	page := owner.Get("/complaints/rates?years=1")
	if text := page.Text("main"); !strings.Contains(text, "By batch: one stands out") || !strings.Contains(text, "6 complaints of 10 units; the rest of the product 0 complaints of 30 units") || !strings.Contains(text, "by chance alone") {
		t.Errorf("rates: %s", text)
	}
	page = owner.Get("/complaints/sources?of=C-1&of=C-2+" + url.QueryEscape(code))
	if text := page.Text("main"); page.Status != http.StatusOK || !strings.Contains(text, "2 batches compared with 0 other batches") || page.Find(".tag").Length() < 2 {
		t.Errorf("sources: %d %s", page.Status, text)
	}
	for asked, words := range map[string]string{"of=": "Choose at least one", "of=nothing": "No complaint and no batch is called “nothing”"} {
		if p := owner.Get("/complaints/sources?" + asked); p.Status != http.StatusUnprocessableEntity || !strings.Contains(p.Error("of"), words) {
			t.Errorf("%s: %d %q", asked, p.Status, p.Error("of"))
		}
	}
}
