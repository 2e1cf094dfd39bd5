package tellingpages_test

import (
	"bufio"
	"bytes"
	"context"
	"fmt"
	"image"
	"image/png"
	"net"
	"net/http/httptest"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/uuid"

	"example.org/stillroom/internal/access"
	"example.org/stillroom/internal/batchcode"
	"example.org/stillroom/internal/day"
	"example.org/stillroom/internal/mail"
	"example.org/stillroom/internal/pgtest"
	"example.org/stillroom/internal/store"
	"example.org/stillroom/web"
	"example.org/stillroom/web/paths"
	"example.org/stillroom/web/ui"
	"example.org/stillroom/web/webtest"
)

// recalled is a site with a recall of a packing of which two customers have 12 and 4 units.
func recalled(t *testing.T) (site *webtest.Site, n int, alder string) {
	t.Helper()
	site = webtest.New(t)
	ctx, owner := t.Context(), site.Who(access.Owner)
	book := pgtest.History(t, site.DB, site.DB.Workshop)
	today := day.In(site.House.Clock(), time.UTC)
	book.Batch("OB-1", batchcode.Fold("OB-1"), book.Product("OB", "Oat bar"), today.AddDays(-60).String(), 40, "released", today.AddDays(300).String())
	customer := func(c store.Customer, units int) string {
		code, err := site.Store.AddCustomer(ctx, owner, store.Entry{}, c)
		if err == nil {
			_, err = site.Store.Dispatch(ctx, owner, store.Entry{}, store.NewDispatch{Customer: code, On: today, Lines: []store.DispatchLine{{Packing: "OB-1", Units: units}}})
		}
		if err != nil {
			t.Fatal(err)
		}
		return code
	}
	alder = customer(store.Customer{Name: "Alder House", Kind: "stockist", Contact: store.Contact{Email: "alder@example.org", Phone: "01 555 0101", Address: "1 Lane"}}, 12)
	customer(store.Customer{Name: "Quill fair", Kind: "event", Contact: store.Contact{Address: "The green"}}, 4)
	number, err := site.Store.OpenRecall(ctx, owner, store.Entry{}, store.NewRecall{From: []store.TraceStart{{Kind: "batch", Code: "OB-1"}}, Level: "consumer", Title: "Rash after use", Reason: "Three customers report a rash."})
	if err != nil {
		t.Fatal(err)
	}
	n, err = strconv.Atoi(number)
	if err != nil {
		t.Fatal(err)
	}
	return site, n, alder
}

func TestACustomerIsToldAndAnswersOnThePage(t *testing.T) {
	t.Parallel()
	site, n, alder := recalled(t)
	helper := site.As(access.Helper)
	list := helper.Get(paths.RecallTelling(n))
	if got := list.Text("main"); !strings.Contains(got, "0 told 2 not yet") || !strings.Contains(got, "The green") || !strings.Contains(got, "by public notice") {
		t.Errorf("the list says %s", got)
	}
	page := helper.Get(paths.RecallCustomer(n, alder))
	bad := helper.Submit(page, "They are told", map[string]string{"told_at": "2999-01-01T10:00", "note": "spoke to the owner"})
	if bad.Status != 422 || bad.Error("told_at") != "That moment has not come yet." || bad.Value("note") != "spoke to the owner" {
		t.Errorf("%d, %q, %q", bad.Status, bad.Error("told_at"), bad.Value("note"))
	}
	helper.Follow(helper.Submit(page, "They are told", map[string]string{"how": "telephone"}))
	page = helper.Get(paths.RecallCustomer(n, alder))
	bad = helper.Submit(page, "Record the answer", map[string]string{"returned-0": "9", "sold-0": "4"})
	if bad.Status != 422 || bad.Error("returned-0") != "12 units of OB-1 went out: no more than 12 can be counted." || bad.Value("sold-0") != "4" {
		t.Errorf("%d, %q, %q", bad.Status, bad.Error("returned-0"), bad.Value("sold-0"))
	}
	done := helper.Follow(helper.Submit(page, "Record the answer", map[string]string{"returned-0": "9", "sold-0": "2", "disposition": "destroy"}))
	if got := done.Text("main"); !strings.Contains(got, "9, 75.0 %") || !strings.Contains(got, "11, 91.6 %") {
		t.Errorf("the customer's page says %s", got)
	}
	gone := helper.Follow(helper.Submit(done, "Take it back", map[string]string{"reason": "another shop's box"}))
	if got := gone.Text("main"); !strings.Contains(got, "taken back: another shop's box") {
		t.Errorf("after it was taken back %s", got)
	}
	if got := site.As(access.Viewer).Get(paths.RecallCustomer(n, alder)); got.Find("main form").Length() != 0 {
		t.Error("a viewer has forms")
	}
}

func TestLettersAreDraftedEditedAndWarnedAbout(t *testing.T) {
	t.Parallel()
	site, n, alder := recalled(t)
	helper := site.As(access.Helper)
	page := helper.Get(paths.RecallLetters(n))
	if got := page.Text("main"); !strings.Contains(got, "not in it: a picture of the product") || !strings.Contains(got, "not in it: the hazard") {
		t.Errorf("no warning in %s", got)
	}
	helper.Follow(helper.Submit(page, "Save", map[string]string{"hazard": "In rare cases a rash.", "to_do": "Send them back.", "remedy": "A refund.", "contact": "Freephone 0800 000000"}))
	var picture bytes.Buffer
	if err := png.Encode(&picture, image.NewGray(image.Rect(0, 0, 3, 2))); err != nil {
		t.Fatal(err)
	}
	upload := helper.Upload(paths.RecallPicture(n), map[string]string{"entry_key": uuid.NewString(), "kind": "photo"}, "file", "bar.png", picture.Bytes())
	page = helper.Follow(upload)
	if got := page.Text("main"); strings.Contains(got, "a picture of the product") || !strings.Contains(got, "makes it smaller: “In rare cases”") || page.Find("img[alt='bar.png']").Length() != 1 {
		t.Errorf("after words and picture %s", got)
	}
	web := helper.Get(paths.RecallText(n, "web_text"))
	if got := web.Text("main"); !strings.Contains(got, "Product safety recall") || !strings.Contains(got, "check the regulation") || !strings.Contains(got, "code on the units: OB-1") {
		t.Errorf("the web text is %s", got)
	}
	if bad := helper.Submit(web, "Save the text", map[string]string{"body": strings.Repeat("x", 20001)}); bad.Status != 422 || bad.Error("body") == "" {
		t.Errorf("too long: %d, %q", bad.Status, bad.Error("body"))
	}
	helper.Follow(helper.Submit(web, "Save the text", map[string]string{"body": "Product safety recall\n\nOurs."}))
	file := helper.Get(paths.RecallTextFile(n, "web_text"))
	if file.Body != "Product safety recall\n\nOurs.\n" || !strings.HasPrefix(file.Header.Get("Content-Disposition"), "attachment") {
		t.Errorf("%q", file.Body)
	}
	if late := helper.Submit(web, "Save the text", map[string]string{"body": "Over yours."}); late.Status != 422 || late.Value("body") != "Over yours." {
		t.Errorf("saved over somebody's: %d", late.Status)
	}
	merge := helper.Get(paths.RecallMerge(n))
	if d := cmp.Diff("customer,name,address,email,phone,products,codes,units\n"+alder+",Alder House,1 Lane,alder@example.org,01 555 0101,Oat bar,OB-1,12\n", merge.Body); d != "" {
		t.Error(d)
	}
}

func TestTheOwnerClosesWithThePasswordAndTheReportSaysSo(t *testing.T) {
	t.Parallel()
	site, n, _ := recalled(t)
	owner := site.As(access.Owner)
	if got := site.As(access.Maker).Get(paths.RecallClose(n)).Status; got != 403 {
		t.Errorf("a maker gets %d", got)
	}
	interim := webtest.Flat(strings.Join(webtest.PDFPages(t, []byte(owner.Get(paths.RecallReportPDF(n)).Body)), " "))
	page := owner.Get(paths.RecallClose(n))
	if got := page.Text("main"); !strings.Contains(got, "2 of 2 customers not told yet.") {
		t.Errorf("what is open: %s", got)
	}
	bad := owner.Submit(page, "Sign and close", map[string]string{"note": "Done.", "password": "wrong"})
	if bad.Status != 422 || bad.Error("password") == "" || bad.Value("note") != "Done." {
		t.Errorf("%d, %q", bad.Status, bad.Error("password"))
	}
	report := owner.Follow(owner.Submit(page, "Sign and close", map[string]string{"note": "The fair could not be reached.", "password": webtest.Password}))
	pdf := webtest.Flat(strings.Join(webtest.PDFPages(t, []byte(owner.Get(paths.RecallReportPDF(n)).Body)), " "))
	for _, want := range []string{"Closing report R-" + strconv.Itoa(n), "The fair could not be reached.", "Owner Quill", "Opened: Rash after use", "Alder House", "16 units went out; 0 came back or were destroyed (0.0 %)", "link"} {
		if !strings.Contains(report.Text("main"), want) {
			t.Errorf("no %q on the page %s", want, report.Text("main"))
		}
		if !strings.Contains(pdf, webtest.Flat(want)) {
			t.Errorf("no %q in the PDF %s", want, pdf)
		}
	}
	if !strings.Contains(interim, "Interimreport") || strings.Contains(pdf, "Interim") {
		t.Error("interim is told at the wrong time")
	}
	if again := owner.Get(paths.RecallClose(n)); again.Status != 303 {
		t.Errorf("closing again shows %d", again.Status)
	}
}

// TestTheEMailGoesOutOnceToEach hands the e-mail to a mail server of the test's own: a plain listener that takes what comes.
func TestTheEMailGoesOutOnceToEach(t *testing.T) {
	t.Parallel()
	site, n, alder := recalled(t)
	if got := site.As(access.Helper).Get(paths.RecallMail(n)).Status; got != 404 {
		t.Errorf("without a mail server %d", got)
	}
	addr, got := mailbox(t)
	post, err := mail.Parse("smtp://"+addr, "", "Quillmoor Workshop <post@quillmoor.example.org>")
	if err != nil {
		t.Fatal(err)
	}
	var under sync.WaitGroup
	server := httptest.NewServer(web.Handler(&ui.House{Store: site.Store, Clock: site.House.Clock, Log: site.House.Log, Mail: post, Go: func(work func(context.Context)) { under.Go(func() { work(context.Background()) }) }}))
	t.Cleanup(server.Close)
	site.URL = server.URL
	helper := site.As(access.Helper)
	if got := helper.Get(paths.RecallMail(n)).Text("main"); !strings.Contains(got, "a draft that nobody has saved yet") {
		t.Errorf("before it is saved: %s", got)
	}
	helper.Follow(helper.Submit(helper.Get(paths.RecallText(n, "email")), "Save the text", nil))
	if early := helper.Submit(helper.Get(paths.RecallMail(n)), "Send 1", nil); early.Status != 409 || !strings.Contains(early.Text("main"), "square brackets") {
		t.Errorf("a draft with gaps is sent: %d", early.Status)
	}
	helper.Follow(helper.Submit(helper.Get(paths.RecallText(n, "email")), "Save the text", map[string]string{"body": "Please stop.\n.\nA rash."}))
	page := helper.Get(paths.RecallMail(n))
	if got := page.Text("main"); !strings.Contains(got, "alder@example.orgnot sent") || strings.Contains(got, "Quill fair") {
		t.Errorf("the preview says %s", got)
	}
	helper.Follow(helper.Submit(page, "Send 1", nil))
	under.Wait()
	if again := helper.Submit(page, "Send 1", nil); again.Status != 409 {
		t.Errorf("pressed again: %d", again.Status)
	}
	under.Wait()
	if letters := <-got; !strings.Contains(letters, "RCPT TO:<alder@example.org>") || len(got) > 0 {
		t.Errorf("%d more letters beside %s", len(got), letters)
	}
	if got := helper.Get(paths.RecallMail(n)).Text("main"); !strings.Contains(got, "alder@example.orgsent") {
		t.Errorf("afterwards %s", got)
	}
	if got := helper.Get(paths.RecallCustomer(n, alder)).Text("main"); !strings.Contains(got, ", e-mail Sent from here.") {
		t.Errorf("not told by it: %s", got)
	}
}

// mailbox takes e-mails, one a connection, and gives each as it was handed over.
func mailbox(t *testing.T) (addr string, got chan string) {
	t.Helper()
	l, err := (&net.ListenConfig{}).Listen(t.Context(), "tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = l.Close() })
	got = make(chan string, 9)
	go func() {
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			var heard strings.Builder
			in, inside := bufio.NewScanner(c), false
			fmt.Fprint(c, "220 box\r\n")
			for in.Scan() {
				line := in.Text()
				heard.WriteString(line + "\n")
				switch {
				case inside && line != ".":
				case inside:
					inside = false
					fmt.Fprint(c, "250 taken\r\n")
				case line == "DATA":
					inside = true
					fmt.Fprint(c, "354 go on\r\n")
				default:
					fmt.Fprint(c, "250 ok\r\n")
				}
				if line == "QUIT" {
					break
				}
			}
			got <- heard.String()
			_ = c.Close()
		}
	}()
	return l.Addr().String(), got
}
