package chrome

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/chromedp/cdproto/dom"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/input"
	"github.com/chromedp/cdproto/network"
	"github.com/chromedp/cdproto/runtime"
	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"
)

// Page is one tab. Every verb waits up to ten seconds for what it needs, and fails the test when that does not come.
// Its methods are to be called from the goroutine of the test that owns it.
//
// Words are matched as a person reads them: white space squeezed, hidden elements and closed <details> not there,
// and letters as CSS shows them (text-transform: uppercase makes "Save" read "SAVE").
type Page struct {
	t   testing.TB
	tab *tab
}

// In is the same page with failures going to t: for subtests that share a page, one after another.
func (p *Page) In(t testing.TB) *Page { return &Page{t: t, tab: p.tab} }

// Goto loads an address and waits for its load event. Any status will do, see Status.
func (p *Page) Goto(url string) {
	p.t.Helper()
	p.must(p.tab.goTo(url), "Goto(%q)", url)
}

// Click presses, or with Touch taps, what is called so (link, button, summary, label) or matches the CSS selector,
// and waits for the page that follows, if one does.
func (p *Page) Click(what string) {
	p.t.Helper()
	p.must(p.press(what, false, false), "Click(%q)", what)
}

// Submit presses the button that submits a form and whose words contain text, and waits for the page that follows.
// No such page is a failure: for a form that a script sends, use Click.
func (p *Page) Submit(text string) {
	p.t.Helper()
	err := p.press(text, true, true)
	if errors.Is(err, errTimedOut) {
		var invalid []string
		if p.tab.ask(&invalid, "invalid") == nil && len(invalid) > 0 {
			err = fmt.Errorf("%w; the browser holds the form back: %s", err, strings.Join(invalid, "; "))
		}
	}
	p.must(err, "Submit(%q)", text)
}

// answer is what driver.js says.
type answer struct {
	Trouble string
	X, Y    *float64
	Set     bool
	Empty   bool
	Done    bool
	Value   string
	Found   bool
	Text    string
}

// untilNoTrouble asks until the page can do what is asked.
func (p *Page) untilNoTrouble(verb string, args ...any) (answer, error) {
	var last answer
	for until := time.Now().Add(p.tab.patience); ; time.Sleep(pollEvery) {
		var a answer
		if err := p.tab.ask(&a, verb, args...); err != nil {
			return a, err
		}
		if a.Trouble == "" && a.X == nil {
			return a, nil
		}
		// A place to press has to stand still: what comes in late (a message on top) moves it under the finger.
		if a.Trouble == "" && last.X != nil && *last.X == *a.X && *last.Y == *a.Y {
			return a, nil
		}
		if last = a; a.Trouble == "" {
			time.Sleep(standStill)
			continue
		}
		if time.Now().After(until) {
			return a, errors.New(a.Trouble)
		}
	}
}

// standStill is how long a place to press has not moved; the page's own messages come within 60 ms.
const standStill = 100 * time.Millisecond

func (p *Page) press(what string, forms, mustNavigate bool) error {
	a, err := p.untilNoTrouble("press", what, forms)
	if err != nil {
		return err
	}
	return p.pressAt(a, mustNavigate)
}

func (p *Page) pressAt(a answer, mustNavigate bool) error {
	before := p.tab.started()
	ctx, done := context.WithTimeout(p.tab.ctx, oneCommand)
	defer done()
	action := chromedp.MouseClickXY(*a.X, *a.Y)
	if p.tab.touch {
		action = chromedp.TapXY(*a.X, *a.Y)
	}
	if err := chromedp.Do(ctx, action); err != nil {
		return err
	}
	return p.tab.settle(before, mustNavigate)
}

// Fill replaces what a field holds; the field goes by its name, id, label or placeholder. Text is inserted as a
// keyboard or a wedge scanner inserts it; dates, times and numbers are set in the form the element takes
// (2026-03-31, 07:30, 12.5).
func (p *Page) Fill(field, value string) {
	p.t.Helper()
	p.must(p.fill(field, value), "Fill(%q, %q)", field, value)
}

func (p *Page) fill(field, value string) error {
	a, err := p.untilNoTrouble("focus", field, value)
	if err != nil {
		return err
	}
	switch {
	case a.Set:
	case value != "":
		if _, err := call(p.tab, input.InsertText, input.InsertTextParams{Text: value}); err != nil {
			return err
		}
	case !a.Empty:
		if err := p.key(kb.Backspace); err != nil {
			return err
		}
	}
	var now answer
	if err := p.tab.ask(&now, "value", field); err != nil {
		return err
	}
	if now.Value != value {
		return fmt.Errorf("the field holds %q afterwards", now.Value)
	}
	return nil
}

// Press sends one key to what has the focus, as chromedp's kb package names it (kb.Enter, kb.Tab, "a"), and waits
// for the page that follows, if one does.
func (p *Page) Press(key string) {
	p.t.Helper()
	before := p.tab.started()
	err := p.key(key)
	if err == nil {
		err = p.tab.settle(before, false)
	}
	p.must(err, "Press(%q)", key)
}

func (p *Page) key(key string) error {
	ctx, done := context.WithTimeout(p.tab.ctx, oneCommand)
	defer done()
	return chromedp.Do(ctx, chromedp.KeyEvent(key))
}

// Choose picks a radio button or ticks a checkbox (by field name, or by its label when it is alone; value is the
// choice's value or words; "on" and "off" for a lone checkbox), or picks from a list (by name or label; value or words).
func (p *Page) Choose(name, value string) {
	p.t.Helper()
	p.must(p.choose(name, value), "Choose(%q, %q)", name, value)
}

func (p *Page) choose(name, value string) error {
	a, err := p.untilNoTrouble("choose", name, value)
	if err != nil || a.Done {
		return err
	}
	before := p.tab.started()
	if err := p.pressAt(a, false); err != nil {
		return err
	}
	if p.tab.started() > before { // a script took the choice and went on
		return nil
	}
	return waitFor(p.tab.patience, "it was pressed and is not chosen", func() bool {
		var ok bool
		return p.tab.ask(&ok, "chosen", name, value) == nil && ok
	})
}

// Upload gives a file to a file field, by name or label.
func (p *Page) Upload(field, path string) {
	p.t.Helper()
	p.must(p.upload(field, path), "Upload(%q, %q)", field, path)
}

func (p *Page) upload(field, path string) error {
	full, err := filepath.Abs(path)
	if err != nil {
		return err
	}
	if _, err := os.Stat(full); err != nil { // Chromium would take a file that does not exist
		return err
	}
	for until := time.Now().Add(p.tab.patience); ; time.Sleep(pollEvery) {
		res, err := call(p.tab, runtime.Evaluate, runtime.EvaluateParams{Expression: invocation("file", field)})
		if err != nil {
			return err
		}
		if res.Result.ObjectID != "" {
			_, err := call(p.tab, dom.SetFileInputFiles, dom.SetFileInputFilesParams{Files: []string{full}, ObjectID: res.Result.ObjectID})
			return err
		}
		if time.Now().After(until) {
			return errors.New("no file field has that name or label")
		}
	}
}

// Download presses what is called so and gives the file that the browser stored.
func (p *Page) Download(what string) []byte {
	p.t.Helper()
	_, data := p.DownloadNamed(what)
	return data
}

// DownloadNamed is Download with the name under which the browser would have stored the file.
func (p *Page) DownloadNamed(what string) (name string, data []byte) {
	p.t.Helper()
	name, data, err := p.tab.download(func() error { return p.press(what, false, false) })
	p.must(err, "Download(%q)", what)
	return name, data
}

// Text gives the words of the first element that matches the CSS selector, a visible one before others, white
// space squeezed.
func (p *Page) Text(selector string) string {
	p.t.Helper()
	var a answer
	err := p.until("nothing matches", func() (bool, error) {
		err := p.tab.ask(&a, "text", selector)
		return a.Found, err
	})
	p.must(err, "Text(%q)", selector)
	return a.Text
}

// Has tells whether the page shows the words now. It does not wait: after something that a script does, use
// MustHave first.
func (p *Page) Has(text string) bool {
	p.t.Helper()
	var ok bool
	p.must(p.tab.ask(&ok, "has", text), "Has(%q)", text)
	return ok
}

// MustHave waits until the page shows the words.
func (p *Page) MustHave(text string) {
	p.t.Helper()
	err := p.until("the page does not show it", func() (ok bool, err error) {
		err = p.tab.ask(&ok, "has", text)
		return ok, err
	})
	p.must(err, "MustHave(%q)", text)
}

// MustEval waits until the script's value is true: for what has no words, such as a focus or a stored entry.
func (p *Page) MustEval(script string) {
	p.t.Helper()
	err := p.until("it did not become true", func() (ok bool, err error) {
		err = p.tab.eval(script, &ok, true)
		return ok, err
	})
	p.must(err, "MustEval(%q)", script)
}

func (p *Page) until(what string, ready func() (bool, error)) error {
	var failed error
	return errors.Join(waitFor(p.tab.patience, what, func() bool {
		ok, err := ready()
		failed = err
		return ok || err != nil
	}), failed)
}

// Eval runs script, awaits it when it is a promise, and decodes its JSON value into out, which may be nil.
func (p *Page) Eval(script string, out any) {
	p.t.Helper()
	p.must(p.tab.eval(script, out, true), "Eval(%q)", script)
}

// URL is the page's address with query and fragment.
func (p *Page) URL() string {
	p.t.Helper()
	var u string
	p.must(p.tab.eval("location.href", &u, false), "URL()")
	return u
}

// Status is the HTTP status of the page shown.
func (p *Page) Status() int {
	p.tab.mu.Lock()
	defer p.tab.mu.Unlock()
	return p.tab.status
}

// Size sets the window's inner width and height in CSS pixels.
func (p *Page) Size(width, height int) {
	p.t.Helper()
	p.tab.width, p.tab.height = int64(width), int64(height)
	p.must(p.tab.applySize(), "Size(%d, %d)", width, height)
}

// Touch makes the page a tablet's: a coarse pointer, and Click and Choose tap.
func (p *Page) Touch(on bool) {
	p.t.Helper()
	p.tab.touch = on
	p.must(p.tab.applySize(), "Touch(%t)", on)
}

// JavaScript switches the page's scripts off or on, from the next page on. The verbs go on working.
func (p *Page) JavaScript(on bool) {
	p.t.Helper()
	p.tab.noScripts = !on
	_, err := call(p.tab, emulation.SetScriptExecutionDisabled, emulation.SetScriptExecutionDisabledParams{Value: !on})
	p.must(err, "JavaScript(%t)", on)
}

// Dark makes the page see prefers-color-scheme: dark.
func (p *Page) Dark(on bool) {
	p.t.Helper()
	p.must(p.tab.dark(on), "Dark(%t)", on)
}

func (p *tab) dark(on bool) error {
	scheme := "light"
	if on {
		scheme = "dark"
	}
	_, err := call(p, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{
		Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: scheme}},
	})
	return err
}

// Offline cuts this page from the network, or joins it again; navigator.onLine and its events follow.
func (p *Page) Offline(off bool) {
	p.t.Helper()
	_, err := call(p.tab, network.OverrideNetworkState, network.OverrideNetworkStateParams{
		Offline: off, DownloadThroughput: -1, UploadThroughput: -1,
	})
	if err == nil {
		_, err = call(p.tab, network.EmulateNetworkConditionsByRule, offlineRule(off))
	}
	p.must(err, "Offline(%t)", off)
}

func offlineRule(off bool) network.EmulateNetworkConditionsByRuleParams {
	workers := off
	params := network.EmulateNetworkConditionsByRuleParams{
		EmulateOfflineServiceWorker: &workers, MatchedNetworkConditions: []*network.Conditions{},
	}
	if off {
		params.MatchedNetworkConditions = []*network.Conditions{{Offline: true, DownloadThroughput: -1, UploadThroughput: -1}}
	}
	return params
}

// Errors gives what a developer would see in red since the page was opened: console errors, refusals by the content
// security policy, uncaught exceptions, dialogs, failed requests and responses of 400 and more. A form answered with
// 4xx is not among them.
func (p *Page) Errors() []string {
	p.t.Helper()
	p.must(p.tab.eval("0", nil, false), "Errors()") // what was sent before the answer has then been heard
	return p.tab.troubles()
}

func (p *tab) troubles() []string {
	p.mu.Lock()
	defer p.mu.Unlock()
	return append([]string(nil), p.errors...)
}

// Overflow tells by how many CSS pixels the page is wider than its window; 0 when it fits.
func (p *Page) Overflow() int {
	p.t.Helper()
	n, err := p.tab.overflow()
	p.must(err, "Overflow()")
	return n
}

func (p *tab) overflow() (int, error) {
	var w struct{ Scroll, Window int }
	err := p.ask(&w, "width")
	return max(0, w.Scroll-w.Window), err
}

// Screenshot writes the whole page as PNG.
func (p *Page) Screenshot(path string) {
	p.t.Helper()
	p.must(p.tab.picture(path), "Screenshot(%q)", path)
}

// Close closes the tab before the test ends, as a person would.
func (p *Page) Close() { p.tab.close() }

func (p *Page) must(err error, format string, args ...any) {
	p.t.Helper()
	if err != nil {
		p.t.Fatalf("chrome: %s: %v%s", fmt.Sprintf(format, args...), err, p.circumstances())
	}
}

var (
	pictures   atomic.Int64
	notInNames = regexp.MustCompile(`[^A-Za-z0-9_.-]+`)
)

// circumstances is what somebody needs who sees only the failed run's output.
func (p *Page) circumstances() string {
	var b strings.Builder
	var u, text string
	if p.tab.eval("location.href", &u, false) == nil {
		fmt.Fprintf(&b, "\n  at %s, status %d", u, p.Status())
	}
	for _, e := range p.tab.troubles() {
		fmt.Fprintf(&b, "\n  %s", e)
	}
	name := fmt.Sprintf("%s-%d-%d.png", notInNames.ReplaceAllString(p.t.Name(), "-"), os.Getpid(), pictures.Add(1))
	path := filepath.Join(os.TempDir(), "stillroom-shots", name)
	if err := p.tab.picture(path); err != nil {
		fmt.Fprintf(&b, "\n  no screenshot: %v", err)
	} else {
		fmt.Fprintf(&b, "\n  screenshot: %s", path)
	}
	if p.tab.ask(&text, "all") == nil {
		const most = 4000
		if len(text) > most {
			text = text[:most] + " …"
		}
		fmt.Fprintf(&b, "\n  the page reads:\n    | %s", strings.ReplaceAll(strings.TrimSpace(text), "\n", "\n    | "))
	}
	return b.String()
}
