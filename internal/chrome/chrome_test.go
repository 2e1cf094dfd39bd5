package chrome

import (
	"bytes"
	"fmt"
	"html"
	"image/png"
	"io"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/target"
	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"
	"github.com/google/go-cmp/cmp"
)

// policy is the one of assurance 1.7, so that the verbs are tried where they will be used.
const policy = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' blob:; connect-src 'self'; " +
	"form-action 'self'; base-uri 'none'; frame-ancestors 'none'"

const formPage = `<!doctype html><html lang=en><title>Weighing</title><meta name=viewport content="width=device-width">
<link rel=stylesheet href=/page.css><script type=module src=/page.js></script>
<main><h1>Weighing</h1>
<form method=post action=/save enctype=multipart/form-data>
<p><label>Olive oil, g <input name=actual inputmode=decimal value=old required></label>
<p><label for=note>Note for the batch</label> <textarea id=note name=remark></textarea>
<p><label>Made on <input type=date name=made_on></label>
<p><label>Lot <select name=lot><option value="">pick<option value=l1>Lot A (open)<option value=l2>Lot B</select></label>
<fieldset><legend>Stage</legend><label><input type=radio name=stage value=mould> At moulding</label>
<label><input type=radio name=stage value=pack> At packing</label></fieldset>
<p><label class=tile><input type=checkbox name=sure value=yes> I have checked the label</label>
<p><label>Certificate <input type=file name=paper></label>
<p><button>Save and next</button> <button type=button id=other disabled>Save for later</button>
</form>
<details><summary>More</summary><p>Deep words</p></details>
<p><a href=/next?a=1#end>Next step</a> <a href=/paper.csv>Export</a> <button type=button id=script>By script</button>
<p id=out></p><p hidden>Secret words</p></main></html>`

const pageJS = `
document.documentElement.dataset.scripts = 'on';
const out = document.getElementById('out');
document.getElementById('script')?.addEventListener('click', async (e) => {
  try { out.textContent = 'script got ' + (await (await fetch('/answer')).text()); }
  catch { out.textContent = 'kept on this tablet'; }
});
document.getElementById('script')?.addEventListener('pointerdown', (e) => { document.body.dataset.pointer = e.pointerType; });
`

// workshop is a small server with one form, as a page of the program would have.
func workshop(t *testing.T) string {
	t.Helper()
	mux := http.NewServeMux()
	page := func(w http.ResponseWriter, status int, body string) {
		w.Header().Set("Content-Type", "text/html; charset=utf-8")
		w.Header().Set("Content-Security-Policy", policy)
		w.WriteHeader(status)
		_, _ = io.WriteString(w, body)
	}
	text := func(kind, body string) http.HandlerFunc {
		return func(w http.ResponseWriter, _ *http.Request) {
			w.Header().Set("Content-Type", kind)
			_, _ = io.WriteString(w, body)
		}
	}
	mux.HandleFunc("GET /form", func(w http.ResponseWriter, _ *http.Request) {
		http.SetCookie(w, &http.Cookie{Name: "seen", Value: "yes", Path: "/"})
		page(w, 200, formPage)
	})
	mux.HandleFunc("GET /page.js", text("text/javascript", pageJS))
	mux.HandleFunc("GET /page.css", text("text/css", `.tile input{position:absolute;opacity:0;width:1px;height:1px}
		.tile{display:inline-block;padding:1rem} a,button{display:inline-block;min-height:44px}`))
	mux.HandleFunc("GET /answer", text("text/plain", "42"))
	mux.HandleFunc("POST /save", func(w http.ResponseWriter, r *http.Request) {
		if err := r.ParseMultipartForm(1 << 20); err != nil {
			page(w, 400, err.Error())
			return
		}
		time.Sleep(150 * time.Millisecond) // Submit must wait for what is slow
		var b strings.Builder
		for _, name := range []string{"actual", "remark", "made_on", "lot", "stage", "sure"} {
			fmt.Fprintf(&b, "%s=%s;", name, r.FormValue(name))
		}
		if f, head, err := r.FormFile("paper"); err == nil {
			data, _ := io.ReadAll(f)
			fmt.Fprintf(&b, "%s=%s", head.Filename, data)
		}
		if r.FormValue("actual") == "no" {
			page(w, 422, `<!doctype html><title>Error: Weighing</title><p>Not a number`)
			return
		}
		http.Redirect(w, r, "/next?got="+strings.ReplaceAll(b.String(), ";", "%3B"), http.StatusSeeOther)
	})
	mux.HandleFunc("GET /next", func(w http.ResponseWriter, r *http.Request) {
		_, err := r.Cookie("seen")
		page(w, 200, fmt.Sprintf(`<!doctype html><html lang=en><title>Next</title><link rel=stylesheet href=/page.css>
			<main><h1>Next</h1><p>got %s<p>cookie %t</main>`, html.EscapeString(r.FormValue("got")), err == nil))
	})
	mux.HandleFunc("GET /paper.csv", func(w http.ResponseWriter, _ *http.Request) {
		w.Header().Set("Content-Disposition", `attachment; filename="batches.csv"`)
		_, _ = io.WriteString(w, "batch;units\nOB-26305-01S;24\n")
	})
	mux.HandleFunc("GET /bad", func(w http.ResponseWriter, _ *http.Request) {
		page(w, 200, `<!doctype html><html lang=en><title>Bad</title><script src=/bad.js></script>
			<main><h1>Bad</h1><p style="color:red">styled</p><img src=/absent.png alt=""><img src=https://example.org/x.png alt="">
			<script>document.title='inline ran'</script></main>`)
	})
	mux.HandleFunc("GET /bad.js", text("text/javascript", "console.error('from the console', 7); setTimeout(() => { throw new Error('uncaught') })"))
	mux.HandleFunc("GET /pale", func(w http.ResponseWriter, _ *http.Request) {
		page(w, 200, `<!doctype html><html lang=en><title>Pale</title><link rel=stylesheet href=/pale.css>
			<main><h1>Pale</h1><p class=pale>too pale to read</p><input name=nameless></main>`)
	})
	mux.HandleFunc("GET /pale.css", text("text/css", ".pale{color:#bbb;background:#fff}.wide{width:900px;height:1500px}"))
	mux.HandleFunc("GET /wide", func(w http.ResponseWriter, _ *http.Request) {
		page(w, 200, `<!doctype html><html lang=en><title>Wide</title><link rel=stylesheet href=/pale.css><div class=wide>wide</div>`)
	})
	server := httptest.NewServer(mux)
	t.Cleanup(server.Close)
	return server.URL
}

func TestAPersonFillsAFormAndSubmitsIt(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		name           string
		scripts, touch bool
	}{
		{"with scripts and a mouse", true, false},
		{"without scripts", false, false},
		{"with a thumb", true, true},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			url := workshop(t)
			paper := filepath.Join(t.TempDir(), "coa.txt")
			if err := os.WriteFile(paper, []byte("certificate"), 0o600); err != nil {
				t.Fatal(err)
			}
			p := Open(t).Page()
			p.JavaScript(c.scripts)
			p.Touch(c.touch)
			p.Goto(url + "/form")
			p.Fill("Olive oil, g", "412.5") // by label; the old value goes
			p.Fill("remark", "warm\nand clear")
			p.Fill("made_on", "2026-03-31")
			p.Choose("lot", "Lot B")
			p.Choose("stage", "At packing")
			p.Choose("sure", "on")
			p.Choose("sure", "off")
			p.Choose("I have checked the label", "on")
			p.Upload("Certificate", paper)
			p.Submit("Save and")
			want := "got actual=412.5;remark=warm and clear;made_on=2026-03-31;lot=l2;stage=pack;sure=yes;coa.txt=certificate"
			if got := p.Text("p"); got != want {
				t.Errorf("the server got %q, want %q", got, want)
			}
			if !strings.Contains(p.URL(), "/next?got=") || p.Status() != 200 {
				t.Errorf("at %s with status %d", p.URL(), p.Status())
			}
			if diff := cmp.Diff([]string(nil), p.Errors()); diff != "" {
				t.Errorf("errors (-want +got):\n%s", diff)
			}
		})
	}
}

func TestAnEmptyValueClearsAField(t *testing.T) {
	t.Parallel()
	p := Open(t).Page()
	p.Goto(workshop(t) + "/form")
	p.Fill("actual", "")
	var value string
	p.Eval("document.querySelector('[name=actual]').value", &value)
	if value != "" {
		t.Errorf("the field still holds %q", value)
	}
}

func TestAFormRefusedWith422IsNotAnErrorOfThePage(t *testing.T) {
	t.Parallel()
	p := Open(t).Page()
	p.Goto(workshop(t) + "/form")
	p.Fill("actual", "no")
	p.Submit("Save")
	p.MustHave("Not a number")
	if p.Status() != 422 {
		t.Errorf("status %d, want 422", p.Status())
	}
	if got := p.Errors(); got != nil {
		t.Errorf("errors: %q", got)
	}
}

func TestOnlyWhatIsShownIsRead(t *testing.T) {
	t.Parallel()
	p := Open(t).Page()
	p.Goto(workshop(t) + "/form")
	if p.Has("Deep words") || p.Has("Secret words") {
		t.Error("hidden words were read")
	}
	p.Click("More")
	p.MustHave("Deep   words") // white space does not count
	p.Click("By script")
	p.MustHave("script got 42")
}

func TestAClickFollowsALinkToItsPage(t *testing.T) {
	t.Parallel()
	url := workshop(t)
	p := Open(t).Page()
	for _, what := range []string{"Next step", "next STEP", "a[href^='/next']"} {
		p.Goto(url + "/form")
		p.Click(what)
		if got, want := p.URL(), url+"/next?a=1#end"; got != want {
			t.Errorf("Click(%q) led to %s, want %s", what, got, want)
		}
	}
}

func TestEnterSubmitsAsAWedgeScannerDoes(t *testing.T) {
	t.Parallel()
	p := Open(t).Page()
	p.Goto(workshop(t) + "/form")
	p.Fill("actual", "7")
	p.Press(kb.Enter)
	p.MustHave("actual=7;")
}

func TestTouchTapsAndAMouseClicks(t *testing.T) {
	t.Parallel()
	url := workshop(t)
	p := Open(t).Page()
	for kind, touch := range map[string]bool{"touch": true, "mouse": false} {
		p.Touch(touch)
		p.Goto(url + "/form")
		p.Click("#script")
		p.MustEval("document.body.dataset.pointer === '" + kind + "'")
		p.MustEval(fmt.Sprintf("matchMedia('(pointer: coarse)').matches === %t", touch))
	}
}

func TestWithScriptsOffNoneRun(t *testing.T) {
	t.Parallel()
	url := workshop(t)
	p := Open(t).Page()
	for _, on := range []bool{false, true} {
		p.JavaScript(on)
		p.Goto(url + "/form")
		p.MustEval(fmt.Sprintf("(document.documentElement.dataset.scripts === 'on') === %t", on))
	}
}

func TestOfflineCutsRequestsAndTellsThePage(t *testing.T) {
	t.Parallel()
	p := Open(t).Page()
	p.Goto(workshop(t) + "/form")
	p.Offline(true)
	p.MustEval("navigator.onLine === false")
	p.Click("By script")
	p.MustHave("kept on this tablet")
	p.Offline(false)
	p.MustEval("navigator.onLine === true")
	p.Click("By script")
	p.MustHave("script got 42")
	if got := strings.Join(p.Errors(), "\n"); !strings.Contains(got, "net::ERR_INTERNET_DISCONNECTED") {
		t.Errorf("the failed request is not among the errors: %q", got)
	}
}

func TestADownloadComesWithItsName(t *testing.T) {
	t.Parallel()
	url := workshop(t)
	b := Open(t)
	for name, p := range map[string]*Page{"page": b.Page(), "private page": b.Private()} {
		p.Goto(url + "/form")
		file, data := p.DownloadNamed("Export")
		if file != "batches.csv" || string(data) != "batch;units\nOB-26305-01S;24\n" {
			t.Errorf("%s: got %s: %q", name, file, data)
		}
		if again := p.Download("Export"); !bytes.Equal(again, data) {
			t.Errorf("%s: a second time %q", name, again)
		}
		if got := p.Errors(); got != nil {
			t.Errorf("%s: errors: %q", name, got)
		}
	}
}

func TestPagesShareCookiesAndPrivateOnesDoNot(t *testing.T) {
	t.Parallel()
	url := workshop(t)
	b := Open(t)
	first, second, other := b.Page(), b.Page(), b.Private()
	first.Goto(url + "/form")
	second.Goto(url + "/next")
	second.MustHave("cookie true")
	other.Goto(url + "/next")
	other.MustHave("cookie false")
}

func TestErrorsTellWhatADeveloperSeesInRed(t *testing.T) {
	t.Parallel()
	p := Open(t).Page()
	p.Goto(workshop(t) + "/bad")
	p.MustEval("document.title === 'Bad'") // the inline script was refused
	time.Sleep(100 * time.Millisecond)     // the uncaught exception comes from a timer
	got := strings.Join(p.Errors(), "\n")
	for name, want := range map[string]string{
		"console error":            "console: from the console 7",
		"uncaught exception":       "exception: Error: uncaught",
		"inline script refused":    "inline script",
		"inline style refused":     "inline style",
		"missing picture":          "/absent.png: 404",
		"picture from elsewhere":   "https://example.org/x.png",
		"and why it was not asked": "csp",
	} {
		if !strings.Contains(strings.ToLower(got), strings.ToLower(want)) {
			t.Errorf("%s: no %q in:\n%s", name, want, got)
		}
	}
}

func TestAxeFindsPaleTextAndANamelessField(t *testing.T) {
	t.Parallel()
	url := workshop(t)
	b := Open(t)
	for name, scripts := range map[string]bool{"scripts on": true, "scripts off": false} {
		p := b.Page()
		p.JavaScript(scripts)
		p.Goto(url + "/pale")
		got := strings.Join(p.Axe(), "\n")
		for _, want := range []string{"color-contrast: p: ", "label: input: "} {
			if !strings.Contains(got, want) {
				t.Errorf("%s: no %q in:\n%s", name, want, got)
			}
		}
		if strings.Count(got, "\n") != 1 {
			t.Errorf("%s: want two findings, got:\n%s", name, got)
		}
		p.Goto(url + "/next")
		if diff := cmp.Diff([]string{}, p.Axe()); diff != "" {
			t.Errorf("%s: a good page (-want +got):\n%s", name, diff)
		}
		if got := p.Errors(); got != nil {
			t.Errorf("%s: axe itself caused %q", name, got)
		}
	}
}

func TestAPageIsLookedAtInEachSizeAndScheme(t *testing.T) {
	t.Parallel()
	url := workshop(t)
	p := Open(t).Page()
	p.Goto(url + "/next")
	if got := p.Looks([2]int{390, 844}, [2]int{1280, 800}); got != nil {
		t.Errorf("a good page: %q", got)
	}
	p.Goto(url + "/wide")
	got := strings.Join(p.Looks([2]int{390, 844}, [2]int{820, 1180}, [2]int{1280, 800}), "\n")
	for _, want := range []string{"px wider than a window of 390", "px wider than a window of 820", "at 390 px, dark: ", "at 1280 px, light: "} {
		if !strings.Contains(got, want) {
			t.Errorf("no %q in:\n%s", want, got)
		}
	}
	if strings.Contains(got, "window of 1280") {
		t.Errorf("where it fits:\n%s", got)
	}
	p.MustEval("innerWidth === 1280 && !matchMedia('(prefers-color-scheme: dark)').matches")
}

func TestAPictureHoldsTheWholePageAtTheWindowsWidth(t *testing.T) {
	t.Parallel()
	p := Open(t).Page()
	p.Size(390, 844)
	p.Goto(workshop(t) + "/wide")
	path := filepath.Join(t.TempDir(), "new", "wide.png")
	p.Screenshot(path)
	f, err := os.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	size, err := png.DecodeConfig(f)
	if err != nil {
		t.Fatal(err)
	}
	if size.Width != 390 || size.Height < 1500 {
		t.Errorf("the picture is %d by %d", size.Width, size.Height)
	}
	if got := p.Overflow(); got < 500 {
		t.Errorf("Overflow() = %d, and the page is 900 wide", got)
	}
	p.Size(1280, 800)
	if got := p.Overflow(); got != 0 {
		t.Errorf("Overflow() = %d where it fits", got)
	}
}

func TestTheLANAddressIsNoSecureContext(t *testing.T) {
	t.Parallel()
	url := workshop(t)
	p := Open(t).Page()
	p.Goto(url + "/form")
	p.MustEval("isSecureContext")
	p.Goto(LAN(url + "/form"))
	p.MustEval("!isSecureContext && !crypto.randomUUID")
	p.Fill("actual", "3")
	p.Submit("Save")
	p.MustHave("actual=3;")
}

func TestADarkSchemeIsSeenByThePage(t *testing.T) {
	t.Parallel()
	p := Open(t).Page()
	for _, dark := range []bool{true, false} {
		p.Dark(dark)
		p.MustEval(fmt.Sprintf("matchMedia('(prefers-color-scheme: dark)').matches === %t", dark))
	}
}

// failure takes the message of Fatalf, which ends the goroutine as testing's does.
type failure struct {
	testing.TB
	said string
}

func (f *failure) Helper() {}
func (f *failure) Fatalf(format string, args ...any) {
	f.said = fmt.Sprintf(format, args...)
	panic(f)
}

func TestAFailureSaysWhatAndShowsThePage(t *testing.T) {
	t.Parallel()
	url := workshop(t)
	b := Open(t)
	for _, c := range []struct {
		name string
		do   func(*Page)
		want string
	}{
		{"a button that is not there", func(p *Page) { p.Click("Dance") }, `Click("Dance"): nothing here is called that`},
		{"a button that is disabled", func(p *Page) { p.Click("Save for later") }, "is disabled"},
		{"words that never come", func(p *Page) { p.MustHave("Yields") }, `MustHave("Yields"): the page does not show it`},
		{"a field that is not there", func(p *Page) { p.Fill("ghost", "1") }, "no field has that name or label"},
		{"a choice that is not there", func(p *Page) { p.Choose("lot", "Lot Z") }, "there are: pick | Lot A (open) | Lot B"},
		{"a form held back", func(p *Page) { p.Fill("actual", ""); p.Submit("Save") }, "the browser holds the form back: actual: "},
		{"a file that does not exist", func(p *Page) { p.Upload("paper", "/nowhere/x.pdf") }, "no such file"},
		{"a link that is no download", func(p *Page) { p.Download("Next step") }, "no download began"},
		{"a server that is not there", func(p *Page) { p.Goto("http://127.0.0.1:1/") }, "net::ERR_"},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			f := &failure{TB: t}
			p := b.Page()
			p.Goto(url + "/form")
			p.tab.patience = time.Second
			func() {
				defer func() {
					if r := recover(); r != nil && r != any(f) {
						panic(r)
					}
				}()
				c.do(p.In(f))
			}()
			if !strings.Contains(f.said, c.want) {
				t.Fatalf("it said %q, want %q", f.said, c.want)
			}
			_, rest, ok := strings.Cut(f.said, "screenshot: ")
			path, _, _ := strings.Cut(rest, "\n")
			if _, err := os.Stat(path); !ok || err != nil {
				t.Errorf("no screenshot: %v in %q", err, f.said)
			}
			_ = os.Remove(path)
		})
	}
}

func TestABrowserLeavesNothingBehind(t *testing.T) {
	t.Parallel()
	url := workshop(t)
	var jars []cdp.BrowserContextID
	t.Run("a test with a browser", func(t *testing.T) {
		b := Open(t)
		b.Page().Goto(url + "/form") // which sets a cookie
		b.Private().Goto(url + "/form")
		jars = b.jars
	})
	b := Open(t)
	p := b.Page()
	p.Goto(url + "/next")
	p.MustHave("cookie false")
	left, err := chromedp.CallBrowser(b.eng.ctx, target.GetBrowserContexts, cdp.Empty{})
	if err != nil {
		t.Fatal(err)
	}
	for _, jar := range jars {
		if slices.Contains(left.BrowserContextIDs, jar) {
			t.Errorf("profile %s is still there", jar)
		}
	}
}

func TestChromiumLeavesNothingBehind(t *testing.T) {
	t.Parallel()
	eng, err := startEngine(nil)
	if err != nil {
		t.Fatal(err)
	}
	folder := filepath.Dir(eng.downloads)
	eng.stop()
	if _, err := os.Stat(folder); !os.IsNotExist(err) {
		t.Errorf("%s is still there: %v", folder, err)
	}
}
