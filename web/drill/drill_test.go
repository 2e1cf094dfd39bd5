package drillpages_test

import (
	"net/http"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"

	"example.org/stillroom/internal/access"
	"example.org/stillroom/internal/day"
	"example.org/stillroom/internal/pgtest"
	"example.org/stillroom/web/webtest"
)

// soapRoom has a lot in one batch, of which units were sent to a shop without an address and to a fair.
func soapRoom(t *testing.T) (*webtest.Site, *webtest.Client) {
	t.Helper()
	site := webtest.New(t)
	book := pgtest.History(t, site.DB, uuid.UUID(site.DB.Workshop))
	today := day.In(time.Now(), time.UTC)
	lot := book.Lot("OIL-1", book.Material("OIL", "Olive oil"), 1000)
	p := book.Batch("OB-1", "0B1", book.Product("SB", "Oat soap bar"), today.AddDays(-400).String(), 40, "released", today.AddDays(300).String())
	book.Draw(p.Batch, lot, 100)
	book.Dispatch("D-1", book.Customer("AH", "Alder House", "stockist"), p.Packing, 12, today.AddDays(-390).String())
	book.Dispatch("D-2", book.Customer("FAIR", "Spring fair", "event"), p.Packing, 3, today.AddDays(-10).String())
	return site, site.As(access.Owner)
}

func says(t *testing.T, page *webtest.Page, where string, wants ...string) {
	t.Helper()
	text := page.Text(where)
	for _, want := range wants {
		if !strings.Contains(text, want) {
			t.Errorf("%s does not say %q: %q", page.Path, want, text)
		}
	}
}

// From the reminder on the first page to the signed report, without a script.
func TestADrillGoesFromItsReminderToItsReport(t *testing.T) {
	t.Parallel()
	site, owner := soapRoom(t)
	says(t, owner.Get("/"), "main", "Units have been leaving for a year, and there has been no drill yet")
	says(t, site.As(access.Viewer).Get("/drills"), "main", "No drill yet", "No target is set. Schemes for food use 4 hours (from memory). No hour limit is set for cosmetics")
	if page := site.As(access.Maker).Get("/drills/new"); page.Status != http.StatusForbidden {
		t.Errorf("a maker begins a drill: %d", page.Status)
	}
	form := owner.Get("/drills/new")
	bad := owner.Submit(form, "Begin the drill", map[string]string{"how": "chosen", "kind": "lot", "code": "NONE-1", "reason": "The oil is withdrawn."})
	if bad.Status != http.StatusUnprocessableEntity || bad.Error("code") != `There is no lot "NONE-1".` || bad.Value("reason") != "" && bad.Value("reason") != "The oil is withdrawn." {
		t.Errorf("a lot that is not there: %d, %q", bad.Status, bad.Error("code"))
	}
	if bad := owner.Submit(form, "Begin the drill", map[string]string{"how": "chosen", "reason": " "}); bad.Error("code") != "Which one?" || bad.Error("reason") != "What is pretended?" {
		t.Errorf("nothing chosen: %q, %q", bad.Error("code"), bad.Error("reason"))
	}
	page := owner.Follow(owner.Submit(owner.Get("/drills/new"), "Begin the drill", map[string]string{"how": "random", "reason": "The oil is withdrawn."}))
	says(t, page, "main", "DR-1: Drill of", "100 % accounted for", "Running for less than a minute", "Drawn at random", "Alder House", "Nothing in the book", "Public notice only", "0 of 1 packing is counted")
	if strings.Contains(page.Text("form[action$=count]"), "25") {
		t.Error("whoever counts is told what to find")
	}
	says(t, owner.Get("/"), "main", "Drill DR-1 is running")
	if none := owner.Submit(page, "Keep the count", nil); none.Status != http.StatusUnprocessableEntity {
		t.Errorf("a count of nothing: %d", none.Status)
	}
	// A count comes back to the page of the list that it was written on; refused, nothing on it leads away from what was typed.
	turned := owner.Get("/drills/1?stock=OB-0")
	if turned.Find(".pager a[rel=start]").Length() != 1 {
		t.Error("a later page does not lead to the start")
	}
	if odd := owner.Submit(turned, "Keep the count", map[string]string{"count-OB-1": "two"}); odd.Find(".pager").Length() != 0 || odd.Status != http.StatusUnprocessableEntity || odd.Value("count-OB-1") != "two" || odd.Error("count-OB-1") == "" {
		t.Errorf("a count that is no number: %d, %q", odd.Status, odd.Value("count-OB-1"))
	}
	helper := site.As(access.Helper)
	page = helper.Follow(helper.Submit(helper.Get("/drills/1?stock=OB-0"), "Keep the count", map[string]string{"count-OB-1": "23"}))
	if page.Find(".pager a[rel=start]").Length() != 1 {
		t.Errorf("the count leads to %s", page.Path)
	}
	says(t, page, "main", "95 % accounted for", "2 units that the book has were not found.", "23 found, 25 by the book")
	page = owner.Follow(owner.Submit(owner.Get("/drills/1"), "The list is complete", nil))
	says(t, page, "main", "Sign and end", "after less than a minute")
	end := owner.Get("/drills/1/end")
	wrong := owner.Submit(end, "Sign and end the drill", map[string]string{"note": "Testers.", "password": "guessed-at-random"})
	if wrong.Status != http.StatusUnprocessableEntity || wrong.Error("password") != "That is not your password." || !strings.Contains(wrong.Text("textarea"), "Testers.") {
		t.Errorf("a wrong password: %d, %q", wrong.Status, wrong.Error("password"))
	}
	report := owner.Follow(owner.Submit(end, "Sign and end the drill", map[string]string{"note": "Testers were not written down.", "password": webtest.Password}))
	says(t, report, "main", "Report of drill DR-1", "drawn at random by the program", "95.0 %: 38 of 40.", "Testers were not written down.", "Signed by Owner Quill", "by a public notice only", "The book's chain of records ended at link")
	says(t, owner.Get("/drills"), "tbody", "Drawn at random", "95 %", "Ended and signed")
	file := owner.Get("/drills/1/report.pdf")
	if file.Status != http.StatusOK || file.Header.Get("Content-Type") != "application/pdf" {
		t.Fatalf("the report as a file: %d", file.Status)
	}
	text := webtest.Flat(strings.Join(webtest.PDFPages(t, []byte(file.Body)), " "))
	for _, want := range []string{"Report of drill DR-1", "Units not found", "-2", "Alder House"} {
		if !strings.Contains(text, webtest.Flat(want)) {
			t.Errorf("the file does not say %q: %q", want, text)
		}
	}
	if strings.Contains(owner.Get("/").Text("main"), "rill") {
		t.Error("the first page still reminds of a drill")
	}
}

func TestReachAndPapersStandBeforeAnythingHappens(t *testing.T) {
	t.Parallel()
	site, owner := soapRoom(t)
	says(t, owner.Get("/reach"), "main", "Nothing was packed in the last twelve months.", "OIL-1 Olive oil0 %1402Where it went")
	page := owner.Get("/held")
	says(t, page, "main", "Confirm with the authority", "Oat soap bar", "safety report", "In the USA", "only soap", "2")
	if page.Find("form[action='/held']").Length() != 1 || site.As(access.Maker).Get("/held").Find("form[action='/held']").Length() != 0 {
		t.Error("only the owner says where the workshop sells")
	}
	page = owner.Follow(owner.Submit(page, "Save where you sell", map[string]string{"markets-us": "on", "us_small_business": "yes"}))
	says(t, page, "main", "kept for 3 years, since you say")
	if strings.Contains(page.Text("main"), "Article 11") {
		t.Error("a workshop that sells in the USA alone is told of Europe's law")
	}
	maker := site.As(access.Maker)
	soap := maker.Follow(maker.Submit(maker.Get("/products/SB/correct"), "Correct this product", map[string]string{"us_soap": "soap", "shelf_life": "12", "reason": "Asked."}))
	says(t, soap, "main", "only soap")
	sent := maker.Upload("/products/SB/papers", map[string]string{"kind": "proof", "entry_key": uuid.NewString()}, "file", "proof.pdf", []byte("%PDF-1.4"))
	if sent.Status != http.StatusSeeOther {
		t.Errorf("a paper of a product: %d %q", sent.Status, sent.Text("main"))
	}
	says(t, maker.Get("/products/SB"), "main", "Proof of the effect: proof.pdf")
	owner.Follow(owner.Submit(owner.Get("/held"), "Save where you sell", map[string]string{"markets-us": "", "markets-eu": "on"}))
	says(t, owner.Get("/held"), "main", "proof of the effect", "OB-1", "1 without contact")
}
