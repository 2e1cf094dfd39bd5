package recordpages_test

import (
	"archive/zip"
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"io"
	"net/http"
	"os"
	"slices"
	"strings"
	"testing"

	"github.com/PuerkitoBio/goquery"
	"github.com/google/go-cmp/cmp"

	"example.org/stillroom/internal/access"
	"example.org/stillroom/internal/store"
	"example.org/stillroom/web/webtest"
)

// TestTheBatchRecord has one shop for the claims that only read, since a batch in which everything happened is dear to make.
func TestTheBatchRecord(t *testing.T) {
	t.Parallel()
	h := newShop(t)
	for name, claim := range map[string]func(*testing.T, shop){
		"every clause is answered on the page and in the PDF":             everyClauseIsAnswered,
		"what happened and what was corrected is told":                    whatHappenedIsTold,
		"the folder holds everything under safe names with its sums":      theFolderHoldsEverything,
		"a batch that is not there, or not ours, is not found by anybody": nothingOfOthersIsFound,
		"files are bounded a person":                                      filesAreBounded,
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			own := h
			own.t = t
			claim(t, own)
		})
	}
}

func TestWhatWasAlteredAfterwardsIsTold(t *testing.T) {
	t.Parallel()
	h := newShop(t)
	aBrokenSignatureIsTold(t, h)
	aForgedPaperIsTold(t, h)
	whatIsNotThereYetIsSaid(t, h)
}

// everyClauseIsAnswered walks the clauses over a batch in which everything happened.
func everyClauseIsAnswered(t *testing.T, h shop) {
	viewer := h.As(access.Viewer)
	page := viewer.Get("/batches/" + h.code + "/record")
	if page.Status != http.StatusOK {
		t.Fatalf("%d: %s", page.Status, page.Text("main"))
	}
	file := viewer.Get("/batches/" + h.code + "/record.pdf")
	if file.Status != http.StatusOK || file.Header.Get("Content-Type") != "application/pdf" || !strings.HasPrefix(file.Header.Get("Content-Disposition"), `attachment; filename="batch-record-`) {
		t.Fatalf("%d %v", file.Status, file.Header)
	}
	printed := webtest.Flat(strings.Join(webtest.PDFPages(t, []byte(file.Body)), " "))
	list, err := os.ReadFile("../../testdata/batch_record_clauses.txt")
	ok(t, err)
	walked := 0
	for _, line := range strings.Split(strings.TrimSpace(string(list)), "\n") {
		part := strings.Split(line, "\t")
		if strings.HasPrefix(line, "#") || len(part) != 4 {
			continue // a clause that no section answers has its reason in the fifth column
		}
		walked++
		clause, key := part[0]+" "+part[1], part[3]
		section := page.Find("#" + key)
		if section.Length() != 1 || section.Find("table tbody tr, dl dd").Length() == 0 {
			t.Errorf("%s (%s): the page's section %q has no content: %q", clause, part[2], key, page.Text("#"+key))
			continue
		}
		if title := webtest.Flat(section.Find("h2").Text()); !strings.Contains(printed, title) {
			t.Errorf("%s: the PDF has no section %q", clause, title)
		}
		// What stands on the page stands on paper: every cell of the section.
		section.Find("td, dd").Each(func(_ int, cell *goquery.Selection) {
			cell.Find(".vh").Remove()
			for word := range strings.FieldsSeq(cell.Text()) {
				if w := webtest.Flat(word); !strings.Contains(printed, w) {
					t.Errorf("%s: %q of section %q is not in the PDF", clause, w, key)
				}
			}
		})
	}
	if walked < 45 {
		t.Errorf("only %d clauses were walked", walked)
	}
}

func whatHappenedIsTold(t *testing.T, h shop) {
	page := h.As(access.Viewer).Get("/batches/" + h.code + "/record")
	for section, words := range map[string][]string{
		"batch":       {"Quillmoor Workshop", h.code, "Bath fizz, 165 g (BF165)", "released", "Drying began"},
		"formula":     {"Bath fizz (BF), version 1", "yes: its content gives this hash now", "Sodium bicarbonate (SB)", "50 %", "Wear a mask.", "Cautions of the materials", "Dust stings: goggles.", "Clumps: break it up with care.", "Weight pressed"},
		"components":  {"SB-1 Fenmarch Salts, lot 7731-B", "was 804 g", "840 g", "no lots kept; from: boiled tap water", h.base, "on S1 Bench scale", "within"},
		"lots":        {"DN-88", "certificate of analysis", "CA-1", "WR-1", "Water (WA) from: boiled tap water"},
		"sources":     {h.base, "Fizz base", "336 g"},
		"additions":   {"Mica blue", "MI-1", "5 g"},
		"steps":       {"Sieve together", "pressed hard", "Owner Quill"},
		"equipment":   {"S1 Bench scale", "with the 200 g mass", "V1 Steel bowl", "looked at: clean", "washed and dried"},
		"room":        {"20 °C", "45 %", "at least 15 °C; humidity at most 60 %"},
		"cure":        {"at least 48 hours", "167 g", "70 hours"},
		"controls":    {"165 g to 170 g", "168.5 g", "in limits (3 of 3)", "in limits (2 of 2)", "was 166.1 g"},
		"rejects":     {"at cutting", "crumbled", "168 g"},
		"yield":       {"Moulded 10", "Theoretical yield 10.1 units", "After cutting 9 89.5 % 1", "Good units 8", "Reconciliation by mass"},
		"packings":    {"Bath fizz, 165 g (BF165) 8 1", "WR-1", "12 9 1 2"},
		"clearance":   {"yes: nothing of the batch before was left"},
		"labels":      {"Bath fizz 165 g, " + h.code, "against product and batch by Helper Quill"},
		"samples":     {"Shelf 4", "as made, still fizzes (Helper Quill)"},
		"deviations":  {"a blue swirl was asked for", "accepted the mica is one we use elsewhere", "taken back"},
		"rework":      {"up to 100 g of rejected product", "a batch of Bath fizz", "only crumbled", "Owner Quill"},
		"release":     {"Signed Owner Quill, meaning: released", "Still what was signed yes", "Lots fit for use", "met"},
		"corrections": {"Weighing of Sodium bicarbonate was 804 g of SB-1 840 g of SB-1 digits swapped when typing Owner Quill", "taken back ticked the wrong step", "was 166.1 g taken back read off the wrong bar"},
		"people":      {"Owner Quill", "approved the formula", "Helper Quill", "packed", "A second person's check of each step is not kept"},
		"went":        {"sent: stockists, 1 customer 3", "without a dispatch: gifts -1", "on hand now 4"},
		"documents":   {"=result.pdf", "laboratory result"},
		"chain":       {"Viewer Quill", "link "},
	} {
		got := page.Text("#" + section)
		for _, w := range words {
			if !strings.Contains(got, fields(w)) {
				t.Errorf("%s does not say %q:\n%s", section, w, got)
			}
		}
	}
	if strings.Contains(page.Text("main article"), "marsh@example.org") || strings.Contains(page.Text("main article"), "Marsh") {
		t.Error("the record names a customer")
	}
	if page.Find("h1").Length() != 1 || page.Find("[style], script:not([src])").Length() > 0 {
		t.Error("not one heading, or something inline")
	}
	if link := h.As(access.Viewer).Get("/batches/" + h.code).Find(`a[href="/batches/` + h.code + `/record"]`).Length(); link != 1 {
		t.Errorf("%d links on the batch's page, want 1", link)
	}
}

func aBrokenSignatureIsTold(t *testing.T, h shop) {
	b := h.batch(h.code)
	ok(t, h.Store.WithdrawReading(t.Context(), h.owner, store.Entry{}, h.code, b.Controls[0].Readings[0].ID, "the scale was off"))
	page := h.As(access.Viewer).Get("/batches/" + h.code + "/record")
	if got := page.Text("#release"); !strings.Contains(got, "Still what was signed NO") {
		t.Errorf("the release says:\n%s", got)
	}
}

func theFolderHoldsEverything(t *testing.T, h shop) {
	answer := h.As(access.Viewer).Get("/batches/" + h.code + "/folder.zip")
	if answer.Status != http.StatusOK || answer.Header.Get("Content-Type") != "application/zip" || answer.Header.Get("Content-Disposition") != `attachment; filename="batch-`+h.code+`.zip"` {
		t.Fatalf("%d %v", answer.Status, answer.Header)
	}
	files := unzip(t, answer.Body, "batch-"+h.code+"/")
	var names []string
	for name := range files {
		names = append(names, name)
	}
	slices.Sort(names)
	want := []string{"contents.txt", "log.csv", "papers/batch/lab-result _result.pdf", "papers/lots/CA-1/safety-data-sheet _CON.pdf", "papers/lots/SB-1/certificate Certificate .._.._etc_passwd.pdf",
		"papers/lots/SB-1/certificate certificate .. .. etc passwd.pdf", "record.pdf", "samples.csv", "sha256.txt", "trace/backward.csv", "trace/forward.csv", "trace/summary.txt"}
	if diff := cmp.Diff(want, names); diff != "" {
		t.Errorf("files (-want +got):\n%s", diff)
	}
	sums := map[string]string{}
	for line := range strings.SplitSeq(strings.TrimSpace(files["sha256.txt"]), "\n") {
		sum, name, _ := strings.Cut(line, "  ")
		sums[name] = sum
	}
	for name, body := range files {
		got := sha256.Sum256([]byte(body))
		if name != "sha256.txt" && sums[name] != hex.EncodeToString(got[:]) {
			t.Errorf("%s: listed %q, is %x", name, sums[name], got)
		}
		if name != "trace/forward.csv" && (strings.Contains(body, "Marsh") || strings.Contains(body, "555 0100")) {
			t.Errorf("%s names a customer", name)
		}
		if !strings.Contains(files["contents.txt"], name) && name != "sha256.txt" && name != "contents.txt" {
			t.Errorf("contents.txt does not list %s", name)
		}
	}
	for name, words := range map[string]string{
		"trace/forward.csv": "marsh@example.org", "trace/backward.csv": "7731-B", "trace/summary.txt": "sent to stockist: 3 units", "samples.csv": "still fizzes", "log.csv": "washed and dried",
		"papers/lots/CA-1/safety-data-sheet _CON.pdf": "%PDF-1.4 sheet", "contents.txt": "PRIVATE",
	} {
		if !strings.Contains(files[name], words) {
			t.Errorf("%s does not say %q:\n%s", name, words, files[name])
		}
	}
	if pages := webtest.PDFPages(t, []byte(files["record.pdf"])); !strings.Contains(webtest.Flat(strings.Join(pages, "")), "BatchrecordBF") {
		t.Error("record.pdf is not the record")
	}
	if !strings.Contains(h.As(access.Viewer).Get("/batches/"+h.code+"/record").Text(".noprint"), "the 4 papers kept with the batch and its lots") {
		t.Error("the page does not say what the folder holds before it is taken")
	}
}

func unzip(t *testing.T, body, root string) map[string]string {
	t.Helper()
	r, err := zip.NewReader(bytes.NewReader([]byte(body)), int64(len(body)))
	ok(t, err)
	files := map[string]string{}
	for _, f := range r.File {
		name, under := strings.CutPrefix(f.Name, root)
		if !under || strings.Contains(name, "..\\") || strings.Contains("/"+name+"/", "/../") {
			t.Errorf("%q leads out of %q", f.Name, root)
		}
		in, err := f.Open()
		ok(t, err)
		text, err := io.ReadAll(in)
		ok(t, err)
		files[name] = string(text)
	}
	return files
}

func aForgedPaperIsTold(t *testing.T, h shop) {
	h.sql(`UPDATE document_chunk SET data = '%PDF-1.4 forged' WHERE data = '%PDF-1.4 sheet'`)
	files := unzip(t, h.As(access.Viewer).Get("/batches/"+h.code+"/folder.zip").Body, "batch-"+h.code+"/")
	if !strings.Contains(files["contents.txt"], "its bytes are NOT those that came in") {
		t.Errorf("contents.txt:\n%s", files["contents.txt"])
	}
}

func filesAreBounded(t *testing.T, h shop) {
	maker := h.As(access.Maker)
	var got *webtest.Page
	for range 61 {
		got = maker.Get("/batches/NOPE-1/record.pdf")
	}
	if got.Status != http.StatusTooManyRequests || got.Header.Get("Retry-After") == "" {
		t.Errorf("the 61st file in a minute: %d, Retry-After %q", got.Status, got.Header.Get("Retry-After"))
	}
}

func nothingOfOthersIsFound(t *testing.T, h shop) {
	other := h.elsewhere()
	for _, path := range []string{"/record", "/record.pdf", "/folder.zip"} {
		for _, code := range []string{other, "NOPE-1", "%00", "a%2Fb"} {
			if got := h.As(access.Owner).Get("/batches/" + code + path); got.Status != http.StatusNotFound {
				t.Errorf("%s%s: %d, want 404", code, path, got.Status)
			}
		}
		if got := h.As("").Get("/batches/" + h.code + path); got.Status != http.StatusSeeOther {
			t.Errorf("nobody at %s: %d, want to be asked to sign in", path, got.Status)
		}
	}
}

func whatIsNotThereYetIsSaid(t *testing.T, h shop) {
	now := h.begin("BF", "BF165", "1680", h.House.Clock())
	for code, want := range map[string]map[string]string{
		now.Code: {"packings": "Nothing has been packed of it.", "cure": "No drying has begun.", "components": "not weighed", "release": "Nothing has been packed of it.", "steps": "not done"},
		h.base:   {"packings": "Not packed: other batches draw on it as bulk.", "cure": "No cure: the formula asks for none.", "yield": "336 g", "release": "Signed Owner Quill, meaning: released", "went": "Drawn by other batches 336 g"},
	} {
		page := h.As(access.Viewer).Get("/batches/" + code + "/record")
		for section, words := range want {
			if got := page.Text("#" + section); !strings.Contains(got, words) {
				t.Errorf("%s, %s: no %q in %q", code, section, words, got)
			}
		}
		if file := h.As(access.Viewer).Get("/batches/" + code + "/record.pdf"); len(webtest.PDFPages(t, []byte(file.Body))) < 2 {
			t.Errorf("%s: its PDF has %d pages", code, len(webtest.PDFPages(t, []byte(file.Body))))
		}
	}
}
