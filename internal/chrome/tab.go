package chrome

import (
	"context"
	_ "embed"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"time"

	"github.com/chromedp/cdproto/browser"
	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/network"
	"github.com/chromedp/cdproto/page"
	"github.com/chromedp/cdproto/runtime"
	"github.com/chromedp/chromedp"
)

const (
	longEnough = 40 * time.Second      // for something to appear, on two busy cores
	loadTime   = 45 * time.Second      // for a page to load
	grace      = 40 * time.Millisecond // a click that leads somewhere has begun to by then
	pollEvery  = 25 * time.Millisecond
	oneCommand = 60 * time.Second       // for one command to the browser
	settleTime = 300 * time.Millisecond // upper bound for fonts and layout before a picture
)

//go:embed driver.js
var driver string

// tab is one page's connection. Its methods return errors; Page turns them into failures of a test.
type tab struct {
	eng   *engine
	ctx   context.Context
	close context.CancelFunc

	patience      time.Duration // for something to appear
	width, height int64
	touch         bool
	noScripts     bool

	mu       sync.Mutex
	main     cdp.FrameID
	starts   int          // navigations of the main frame begun
	pending  cdp.LoaderID // the one under way; empty when none
	loaded   cdp.LoaderID // last document whose load event fired
	status   int          // of the last main document
	requests map[network.RequestID]string
	errors   []string
	deaf     bool // while a tool of ours runs in the page, what it causes is not the page's error
}

func (e *engine) newTab(opts ...chromedp.ContextOption) (*tab, error) {
	p := &tab{eng: e, patience: longEnough, width: 1280, height: 800, requests: map[network.RequestID]string{}}
	opts = append(opts, chromedp.WithListener(p.heard))
	p.ctx, p.close = chromedp.NewContext(e.ctx, opts...)
	if err := chromedp.Do(p.ctx); err != nil {
		return nil, err
	}
	tree, err := call(p, page.GetFrameTree, cdp.Empty{})
	if err != nil {
		return nil, err
	}
	p.mu.Lock()
	p.main = tree.FrameTree.Frame.ID
	p.mu.Unlock()
	yes := true
	if _, err := chromedp.CallBrowser(p.ctx, browser.SetDownloadBehavior, browser.SetDownloadBehaviorParams{
		Behavior:         browser.SetDownloadBehaviorBehaviorAllowAndName,
		BrowserContextID: chromedp.FromContext(p.ctx).BrowserContextID,
		DownloadPath:     e.downloads,
		EventsEnabled:    &yes,
	}); err != nil {
		return nil, err
	}
	// Without it only the foremost of several tabs has the focus, and :focus and visibilitychange differ from a
	// tablet's, which shows one page.
	if _, err := call(p, emulation.SetFocusEmulationEnabled, emulation.SetFocusEmulationEnabledParams{Enabled: true}); err != nil {
		return nil, err
	}
	return p, p.applySize()
}

func call[P, R any](p *tab, cmd cdp.Command[P, R], params P) (R, error) {
	ctx, done := context.WithTimeout(p.ctx, oneCommand)
	defer done()
	return chromedp.Call(ctx, cmd, params)
}

func (p *tab) applySize() error {
	_, err := call(p, emulation.SetDeviceMetricsOverride, emulation.SetDeviceMetricsOverrideParams{
		Width: p.width, Height: p.height, DeviceScaleFactor: 1,
	})
	if err != nil {
		return err
	}
	touch := emulation.SetTouchEmulationEnabledParams{Enabled: p.touch}
	if p.touch {
		touch.MaxTouchPoints = 5
	}
	_, err = call(p, emulation.SetTouchEmulationEnabled, touch)
	return err
}

// heard runs on the goroutine that reads the browser's messages: it may only note.
func (p *tab) heard(ev any) {
	p.mu.Lock()
	defer p.mu.Unlock()
	switch ev := ev.(type) {
	case *page.EventFrameStartedNavigating:
		within := ev.NavigationType == page.FrameStartedNavigatingNavigationTypeSameDocument ||
			ev.NavigationType == page.FrameStartedNavigatingNavigationTypeHistorySameDocument
		if ev.FrameID == p.main {
			p.starts++
			if !within {
				p.pending = ev.LoaderID
			}
		}
	case *page.EventFrameNavigated:
		if ev.Frame.ParentID == "" {
			p.main = ev.Frame.ID
		}
	case *page.EventLifecycleEvent:
		if ev.FrameID == p.main && ev.Name == "load" {
			p.loaded = ev.LoaderID
			if ev.LoaderID == p.pending {
				p.pending = ""
			}
		}
	case *page.EventFrameStoppedLoading:
		// A navigation that ends without a document: a download, or 204.
		if ev.FrameID == p.main {
			p.pending = ""
		}
	case *page.EventJavascriptDialogOpening:
		if ev.Type != page.DialogTypeBeforeunload {
			p.note("dialog: " + ev.Message)
		}
		// An open dialog stops the page and every later command.
		go func() {
			_, _ = call(p, page.HandleJavaScriptDialog, page.HandleJavaScriptDialogParams{Accept: true})
		}()
	default:
		p.hearTrouble(ev)
	}
}

// eval runs script as an expression and decodes its JSON value into out, which may be nil. A page that is just
// being replaced is waited for.
func (p *tab) eval(script string, out any, await bool) error {
	yes := true
	for until := time.Now().Add(p.patience); ; {
		res, err := call(p, runtime.Evaluate, runtime.EvaluateParams{
			Expression: script, ReturnByValue: &yes, UserGesture: &yes, AwaitPromise: &await,
		})
		switch {
		case err != nil && betweenPages(err) && time.Now().Before(until):
			time.Sleep(pollEvery)
			continue
		case err != nil:
			return err
		case res.ExceptionDetails != nil:
			return errors.New(exceptionText(res.ExceptionDetails))
		case out == nil || len(res.Result.Value) == 0:
			return nil
		}
		return json.Unmarshal(res.Result.Value, out)
	}
}

// betweenPages tells the errors that only say that the document went away under the command.
func betweenPages(err error) bool {
	for _, s := range []string{"context was destroyed", "Cannot find context", "Cannot find default execution context",
		"navigated or closed"} {
		if strings.Contains(err.Error(), s) {
			return true
		}
	}
	return false
}

// ask calls a verb of driver.js.
func (p *tab) ask(out any, verb string, args ...any) error {
	return p.eval(invocation(verb, args...), out, false)
}

func invocation(verb string, args ...any) string {
	all, err := json.Marshal(append([]any{verb}, args...))
	if err != nil {
		panic(err) // strings and numbers of this package
	}
	return "(" + driver + ")(..." + string(all) + ")"
}

// goTo loads a page and waits for its load event.
func (p *tab) goTo(url string) error {
	res, err := call(p, page.Navigate, page.NavigateParams{URL: url})
	if err != nil {
		return err
	}
	if res.ErrorText != "" {
		return errors.New(res.ErrorText)
	}
	if res.LoaderID == "" { // only the fragment changed
		return nil
	}
	return waitFor(loadTime, "the page did not finish loading", func() bool {
		p.mu.Lock()
		defer p.mu.Unlock()
		return p.loaded == res.LoaderID || (p.pending == "" && p.loaded != "")
	})
}

func (p *tab) started() int {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.starts
}

func (p *tab) idle() bool {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.pending == ""
}

// settle waits for what an action since `before` set off. With must it is an error when no navigation began.
func (p *tab) settle(before int, must bool) error {
	begun := func() bool { return p.started() > before }
	if must {
		if err := waitFor(p.patience, "no navigation followed", begun); err != nil {
			return err
		}
	} else {
		// Form submission is a task queued behind the click: two round trips and a moment see it begin.
		for range 2 {
			if err := p.eval("0", nil, false); err != nil {
				return err
			}
			if !begun() {
				time.Sleep(grace / 2)
			}
		}
	}
	if !begun() {
		return nil
	}
	return waitFor(loadTime, "the page did not finish loading", p.idle)
}

var errTimedOut = errors.New("timed out")

func waitFor(limit time.Duration, what string, ready func() bool) error {
	for until := time.Now().Add(limit); !ready(); time.Sleep(pollEvery) {
		if time.Now().After(until) {
			return fmt.Errorf("%s within %s: %w", what, limit, errTimedOut)
		}
	}
	return nil
}

// heard, of the engine: downloads are told to the browser, not to a tab.
func (e *engine) heard(ev any) {
	e.mu.Lock()
	defer e.mu.Unlock()
	switch ev := ev.(type) {
	case *browser.EventDownloadWillBegin:
		e.received[ev.GUID] = &received{guid: ev.GUID, url: ev.URL, name: ev.SuggestedFilename, frame: ev.FrameID}
	case *browser.EventDownloadProgress:
		if d := e.received[ev.GUID]; d != nil {
			d.state = string(ev.State)
		}
	}
}

// downloadsSoFar and newDownload: a tab's action is bracketed by them.
func (e *engine) downloadsSoFar() map[string]bool {
	e.mu.Lock()
	defer e.mu.Unlock()
	known := map[string]bool{}
	for guid := range e.received {
		known[guid] = true
	}
	return known
}

// newDownload is of the tab whose main frame that is: other tests' tabs download too.
func (e *engine) newDownload(known map[string]bool, main cdp.FrameID) (received, bool) {
	e.mu.Lock()
	defer e.mu.Unlock()
	for guid, d := range e.received {
		if !known[guid] && d.frame == main {
			return *d, true
		}
	}
	return received{}, false
}

func (p *tab) download(act func() error) (name string, data []byte, err error) {
	known := p.eng.downloadsSoFar()
	p.mu.Lock()
	main := p.main
	p.mu.Unlock()
	if err := act(); err != nil {
		return "", nil, err
	}
	if err := waitFor(p.patience, "no download began", func() bool { _, ok := p.eng.newDownload(known, main); return ok }); err != nil {
		return "", nil, err
	}
	var d received
	if err := waitFor(loadTime, "the download did not end", func() bool {
		d, _ = p.eng.newDownload(known, main)
		return d.state == string(browser.DownloadProgressStateCompleted) || d.state == string(browser.DownloadProgressStateCanceled)
	}); err != nil {
		return "", nil, err
	}
	if d.state != string(browser.DownloadProgressStateCompleted) {
		return "", nil, fmt.Errorf("download of %s: %s", d.url, d.state)
	}
	data, err = os.ReadFile(filepath.Join(p.eng.downloads, d.guid))
	return d.name, data, err
}

// picture writes the whole page, beyond the window, as PNG.
func (p *tab) picture(path string) error {
	// Fonts change the layout when they arrive; bounded, since a page that loads for ever still deserves a picture.
	_ = waitFor(settleTime, "fonts", func() bool {
		var ready bool
		return p.eval("document.fonts.status === 'loaded' && document.readyState === 'complete'", &ready, false) == nil && ready
	})
	metrics, err := call(p, page.GetLayoutMetrics, cdp.Empty{})
	if err != nil {
		return err
	}
	yes := true
	res, err := call(p, page.CaptureScreenshot, page.CaptureScreenshotParams{
		Format: page.CaptureScreenshotFormatPng, CaptureBeyondViewport: &yes, FromSurface: &yes,
		Clip: &page.Viewport{
			// As wide as the window, so that what overflows is seen to be cut; as high as the page.
			Width: float64(p.width), Height: max(metrics.CSSContentSize.Height, float64(p.height)), Scale: 1,
		},
	})
	if err != nil {
		return err
	}
	if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
		return err
	}
	return os.WriteFile(path, res.Data, 0o644)
}
