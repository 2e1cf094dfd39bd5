package materials_test

import (
	"bytes"
	"image"
	"image/png"
	"io"
	"mime/multipart"
	"net/http"
	"strings"
	"testing"
	"time"

	"github.com/PuerkitoBio/goquery"
	"github.com/google/uuid"

	"example.org/stillroom/internal/access"
	"example.org/stillroom/web/webtest"
)

var paper = []byte("%PDF-1.4\n1 0 obj <</Type/Catalog>> endobj\n")

// answer is what the server said to an upload.
type answer struct {
	status         int
	location, said string
	body           []byte
	header         http.Header
}

// carrier is a browser of the person of a role that can send files.
func carrier(t *testing.T, site *webtest.Site, role access.Role) func(method, path string, body io.Reader, contentType string) answer {
	t.Helper()
	link := strings.TrimPrefix(site.Link(role), site.URL+"/sign-in/")
	cookie, err := site.Store.SignInByLink(t.Context(), link, "test", time.Now())
	if err != nil {
		t.Fatal(err)
	}
	client := &http.Client{CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
	return func(method, path string, body io.Reader, contentType string) answer {
		t.Helper()
		req, err := http.NewRequest(method, site.URL+path, body)
		if err != nil {
			t.Fatal(err)
		}
		req.AddCookie(&http.Cookie{Name: "stillroom", Value: cookie})
		req.Header.Set("Origin", site.URL)
		if contentType != "" {
			req.Header.Set("Content-Type", contentType)
		}
		res, err := client.Do(req)
		if err != nil {
			t.Fatal(err)
		}
		defer res.Body.Close()
		data, err := io.ReadAll(res.Body)
		if err != nil {
			t.Fatal(err)
		}
		a := answer{status: res.StatusCode, location: res.Header.Get("Location"), body: data, header: res.Header}
		if doc, err := goquery.NewDocumentFromReader(bytes.NewReader(data)); err == nil {
			a.said = doc.Find("main").Text()
		}
		return a
	}
}

// withFile is a form with one file in it.
func withFile(t *testing.T, values map[string]string, name string, data []byte) (io.Reader, string) {
	t.Helper()
	var body bytes.Buffer
	w := multipart.NewWriter(&body)
	for k, v := range values {
		if err := w.WriteField(k, v); err != nil {
			t.Fatal(err)
		}
	}
	part, err := w.CreateFormFile("file", name)
	if err == nil {
		_, err = part.Write(data)
	}
	if err == nil {
		err = w.Close()
	}
	if err != nil {
		t.Fatal(err)
	}
	return &body, w.FormDataContentType()
}

func TestAPaperIsKeptAndSentAsAFileThatCannotAct(t *testing.T) {
	t.Parallel()
	site := webtest.New(t)
	oil(t, site)
	code := lot(t, site, access.Helper)
	send := carrier(t, site, access.Helper)
	key := map[string]string{"entry_key": uuid.NewString(), "kind": "safety_data_sheet"}
	body, kind := withFile(t, key, `C:\scans\oat "oil" §1.pdf`, paper)
	if a := send("POST", "/lots/"+code+"/papers", body, kind); a.status != http.StatusSeeOther || a.location != "/lots/"+code {
		t.Fatalf("the upload: %d %s", a.status, a.said)
	}
	body, kind = withFile(t, key, `C:\scans\oat "oil" §1.pdf`, paper)
	send("POST", "/lots/"+code+"/papers", body, kind) // once more
	viewer := site.As(access.Viewer)
	page := viewer.Get("/lots/" + code)
	link := page.Find("a[href^='/documents/']")
	if link.Length() != 1 || !strings.Contains(page.Text("main"), "Safety data sheet: ") {
		t.Fatalf("%d papers on the page: %q", link.Length(), page.Text("main"))
	}
	if m := viewer.Get("/materials/OO"); m.Find("dl.facts a[href^='/documents/']").Length() != 1 {
		t.Errorf("the material's page shows its latest safety data sheet: %q", m.Text("main"))
	}
	a := carrier(t, site, access.Viewer)("GET", link.AttrOr("href", ""), nil, "")
	if a.status != http.StatusOK || !bytes.Equal(a.body, paper) {
		t.Errorf("the download: %d, %d bytes", a.status, len(a.body))
	}
	for header, want := range map[string]string{
		"Content-Type": "application/pdf", "X-Content-Type-Options": "nosniff", "Content-Security-Policy": "sandbox; default-src 'none'",
		"Content-Disposition": `attachment; filename*=utf-8''oat%20_oil_%20%C2%A71.pdf`,
	} {
		if got := a.header.Get(header); got != want {
			t.Errorf("%s: %q, want %q", header, got, want)
		}
	}
}

// A form that comes back with another file under the same key would lose that file if only its fields were compared.
func TestAnotherFileUnderTheSameKeyIsNotSilentlyDropped(t *testing.T) {
	t.Parallel()
	site := webtest.New(t)
	oil(t, site)
	code := lot(t, site, access.Helper)
	send := carrier(t, site, access.Helper)
	form := map[string]string{"entry_key": uuid.NewString(), "kind": "certificate"}
	body, kind := withFile(t, form, "a.pdf", paper)
	send("POST", "/lots/"+code+"/papers", body, kind)
	body, kind = withFile(t, form, "b.pdf", append(paper, "other"...))
	if a := send("POST", "/lots/"+code+"/papers", body, kind); a.status != http.StatusUnprocessableEntity {
		t.Errorf("another file under the same key: %d %s", a.status, a.said)
	}
}

func TestACertificateComesWithTheDelivery(t *testing.T) {
	t.Parallel()
	site := webtest.New(t)
	oil(t, site)
	send := carrier(t, site, access.Helper)
	var picture bytes.Buffer
	if err := png.Encode(&picture, image.NewGray(image.Rect(0, 0, 3, 2))); err != nil {
		t.Fatal(err)
	}
	body, kind := withFile(t, map[string]string{"entry_key": uuid.NewString(), "material": "OO", "quantity": "5", "received_on": "2026-03-12"}, "certificate.png", picture.Bytes())
	a := send("POST", "/lots/new", body, kind)
	page := site.As(access.Viewer).Get("/lots/OO-0001")
	if a.status != http.StatusSeeOther || !strings.Contains(page.Text("main"), "Certificate of analysis: certificate.png") {
		t.Errorf("%d: %q", a.status, page.Text("main"))
	}
}

func TestWhatIsNoPaperIsRefusedAndNothingIsKept(t *testing.T) {
	t.Parallel()
	site := webtest.New(t)
	oil(t, site)
	code := lot(t, site, access.Helper)
	send := carrier(t, site, access.Helper)
	before := changes(t, site)
	for _, c := range []struct {
		name, kind, file string
		data             []byte
		status           int
		says             string
	}{
		{"no kind", "", "a.pdf", paper, http.StatusUnprocessableEntity, "Choose what it is."},
		{"a kind of another place", "label", "a.pdf", paper, http.StatusUnprocessableEntity, "Choose what it is."},
		{"a page named as a paper", "certificate", "a.pdf", []byte("<!doctype html><script>alert(1)</script>"), http.StatusUnprocessableEntity, "Choose a PDF, JPEG or PNG"},
		{"a paper named as a page", "certificate", "a.html", paper, http.StatusUnprocessableEntity, "Choose a PDF, JPEG or PNG"},
		{"half a picture", "certificate", "a.png", []byte("\x89PNG\r\n\x1a\n0000"), http.StatusUnprocessableEntity, "Choose a PDF, JPEG or PNG"},
		{"an empty file", "certificate", "a.pdf", nil, http.StatusUnprocessableEntity, "Choose a PDF, JPEG or PNG"},
		{"just over 10 MB", "certificate", "a.pdf", append(bytes.Clone(paper), make([]byte, 10<<20)...), http.StatusUnprocessableEntity, "up to 10 MB"},
		{"over what a form may carry", "certificate", "a.pdf", make([]byte, 13<<20), http.StatusRequestEntityTooLarge, "too large"},
	} {
		body, kind := withFile(t, map[string]string{"entry_key": uuid.NewString(), "kind": c.kind}, c.file, c.data)
		if a := send("POST", "/lots/"+code+"/papers", body, kind); a.status != c.status || !strings.Contains(a.said, c.says) {
			t.Errorf("%s: %d %q", c.name, a.status, strings.Join(strings.Fields(a.said), " "))
		}
	}
	helper := site.As(access.Helper)
	refused(t, "nothing chosen", helper.Submit(helper.Get("/lots/"+code+"/papers"), "Keep this paper", nil), map[string]string{"kind": "Choose what it is.", "file": "Choose the file."})
	if after := changes(t, site); after != before {
		t.Errorf("%d changes were stored", after-before)
	}
}

func TestManyFilesAMomentAreTooMany(t *testing.T) {
	t.Parallel()
	site := webtest.New(t)
	oil(t, site)
	code := lot(t, site, access.Helper)
	send := carrier(t, site, access.Helper)
	for i := range 61 {
		body, kind := withFile(t, map[string]string{"entry_key": uuid.NewString(), "kind": "other"}, "a.pdf", paper)
		a := send("POST", "/lots/"+code+"/papers", body, kind)
		if want := map[bool]int{true: http.StatusTooManyRequests, false: http.StatusSeeOther}[i == 60]; a.status != want {
			t.Fatalf("file %d: %d %s", i+1, a.status, a.said)
		}
		if i == 60 && a.header.Get("Retry-After") == "" {
			t.Error("it is not said when to come back")
		}
	}
}
