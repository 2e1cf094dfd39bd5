// Package chrome drives headless Chromium for tests that hold a promise to a person: that a page can be used with
// a thumb, without scripts, without a network. Its verbs are those of somebody at the bench (Goto, Fill, Choose,
// Submit), use real mouse, touch and key events, and fail the test with the page's text and a picture of it.
//
// It is imported by tests and by cmd/check only.
package chrome

import (
	"context"
	"errors"
	"fmt"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/target"
	"github.com/chromedp/chromedp"
)

// InstallLine is the command that brings Chromium to a Debian-like machine.
const InstallLine = "apt-get update && apt-get install -y chromium-headless-shell"

// shells are Chromium without its windows. It takes a third less of the processor, and every IndexedDB that was opened in it
// answered; in the whole of Chromium 156 in headless mode some did not, in every second run of the bench's tests.
var shells = []string{"chromium-headless-shell", "chrome-headless-shell"}

var browsers = append(slices.Clone(shells), "chromium", "chromium-browser", "google-chrome", "/usr/bin/chromium")

// Find gives the path of the browser: STILLROOM_CHROMIUM where it is set, else the usual names on PATH. The error
// says how to get one.
func Find() (string, error) { return find(os.Getenv("STILLROOM_CHROMIUM"), browsers, exec.LookPath) }

// FindShell is Find for one that has no windows, or that STILLROOM_CHROMIUM names.
func FindShell() (string, error) {
	return find(os.Getenv("STILLROOM_CHROMIUM"), shells, exec.LookPath)
}

func find(named string, usual []string, lookPath func(string) (string, error)) (string, error) {
	if named != "" {
		path, err := lookPath(named)
		if err != nil {
			return "", fmt.Errorf("STILLROOM_CHROMIUM is %q, which cannot be run: %w", named, err)
		}
		return path, nil
	}
	for _, name := range usual {
		if path, err := lookPath(name); err == nil {
			return path, nil
		}
	}
	return "", errors.New("no Chromium found; install it with: " + InstallLine)
}

// LAN gives the address under which the browser sees a test server as a workshop's tablet sees one on the local
// network: plain HTTP on a name that is not localhost, hence no secure context (no crypto.randomUUID, no service
// worker). rawURL is that of an httptest server, http://127.0.0.1:PORT/….
func LAN(rawURL string) string {
	u, err := url.Parse(rawURL)
	if err != nil {
		panic(err) // a test's own constant
	}
	u.Host = "bench.test"
	if p := port(rawURL); p != "" {
		u.Host += ":" + p
	}
	return u.String()
}

func port(rawURL string) string {
	u, err := url.Parse(rawURL)
	if err != nil {
		return ""
	}
	return u.Port()
}

// shared is the one Chromium of a test program: to start one costs as much as to look at a dozen pages.
var shared struct {
	sync.Mutex
	wanted bool // Main runs, and will end it
	eng    *engine
}

// Main runs the tests of a package that opens browsers, ends Chromium, and exits. Its TestMain is to call it.
func Main(m *testing.M) {
	shared.wanted = true
	code := m.Run()
	if shared.eng != nil {
		shared.eng.stop()
	}
	os.Exit(code)
}

func sharedEngine() (*engine, error) {
	shared.Lock()
	defer shared.Unlock()
	if !shared.wanted {
		return nil, errors.New("nobody would end Chromium: this package's TestMain is to call chrome.Main")
	}
	if shared.eng != nil {
		return shared.eng, nil
	}
	eng, err := startEngine(nil)
	shared.eng = eng
	return eng, err
}

// Browser is what one test has of Chromium: as a browser of its own, with an empty profile.
type Browser struct {
	t   testing.TB
	eng *engine
	jar cdp.BrowserContextID // of all Pages

	mu   sync.Mutex // subtests open tabs side by side
	jars []cdp.BrowserContextID
	tabs []*tab
}

// Open gives a browser, which ends with the test. Those of a test program share one Chromium, and nothing in it: cookies,
// storage, cache and workers are each its own. A second tablet in the same test is had by Private.
func Open(t testing.TB) *Browser {
	t.Helper()
	eng, err := sharedEngine()
	if err != nil {
		t.Fatalf("chrome: %v", err)
	}
	b := &Browser{t: t, eng: eng}
	t.Cleanup(b.close)
	b.jar = b.addJar()
	return b
}

// Page opens a tab, 1280 by 800, that shares its cookies with the browser's other Pages.
func (b *Browser) Page() *Page {
	b.t.Helper()
	return b.open(b.jar)
}

// Private opens a tab with a cookie jar and storage of its own: another person, or another tablet.
func (b *Browser) Private() *Page {
	b.t.Helper()
	return b.open(b.addJar())
}

func (b *Browser) addJar() cdp.BrowserContextID {
	b.t.Helper()
	made, err := chromedp.CallBrowser(b.eng.ctx, target.CreateBrowserContext, target.CreateBrowserContextParams{})
	if err != nil {
		b.t.Fatalf("chrome: a fresh profile: %v", err)
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	b.jars = append(b.jars, made.BrowserContextID)
	return made.BrowserContextID
}

func (b *Browser) open(jar cdp.BrowserContextID) *Page {
	b.t.Helper()
	tab, err := b.eng.newTab(chromedp.WithExistingBrowserContext(jar))
	if err != nil {
		b.t.Fatalf("chrome: opening a page: %v", err)
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	b.tabs = append(b.tabs, tab)
	return &Page{t: b.t, tab: tab}
}

func (b *Browser) close() {
	for _, tab := range b.tabs {
		tab.close()
	}
	for _, jar := range b.jars {
		if _, err := chromedp.CallBrowser(b.eng.ctx, target.DisposeBrowserContext, target.DisposeBrowserContextParams{BrowserContextID: jar}); err != nil {
			b.t.Errorf("chrome: closing a profile: %v", err)
		}
	}
}

// engine is the process; it knows nothing of tests, so that cmd/check can use it to take pictures.
type engine struct {
	ctx       context.Context
	stop      func()
	downloads string // one folder for all tabs, files named by Chromium's own unique id

	mu       sync.Mutex
	received map[string]*received
}

// received is one download as far as the browser told.
type received struct {
	guid, url, name string
	frame           cdp.FrameID // that asked for it
	state           string
}

// inMemory is a folder in memory where there is one: IndexedDB's strict writes wait for the disk, which on a busy
// machine takes longer than the outbox is patient, and then a test would see the tablet's paper notice.
func inMemory() string {
	const shm = "/dev/shm"
	if info, err := os.Stat(shm); err == nil && info.IsDir() {
		return shm
	}
	return ""
}

// startEngine starts Chromium. hosts are names it may reach besides those of this machine; nil for tests, whose
// pages must not depend on the internet: a request elsewhere fails and stands in Errors.
func startEngine(hosts []string) (*engine, error) {
	path, err := Find()
	if err != nil {
		return nil, err
	}
	rules := "MAP *.test 127.0.0.1,MAP * ~NOTFOUND,EXCLUDE 127.0.0.1,EXCLUDE [::1],EXCLUDE localhost,EXCLUDE *.localhost"
	for _, h := range hosts {
		rules += ",EXCLUDE " + h
	}
	folder, err := os.MkdirTemp(inMemory(), "stillroom-chrome-")
	if err != nil {
		return nil, err
	}
	downloads := filepath.Join(folder, "downloads")
	if err := os.Mkdir(downloads, 0o700); err != nil {
		return nil, err
	}
	opts := append(chromedp.DefaultExecAllocatorOptions[:],
		chromedp.ExecPath(path),
		chromedp.UserDataDir(filepath.Join(folder, "profile")),
		// Containers refuse the namespaces that the sandbox needs, as root always; the browser sees our pages only.
		chromedp.NoSandbox,
		chromedp.Flag("disable-gpu", true),
		// The first two are chromedp's own. The others are pages of the browser's own surface, which no test sees and which
		// each window loads anew: without them a page costs less than half.
		chromedp.Flag("disable-features", "Translate,BlinkGenPropertyTrees,WebUIOmniboxPopup,WebUIOmniboxAimPopup,WebUIOmniboxFullPopup"),
		// What the scripts' engine does beside the page's own thread costs more than it saves where all cores are busy.
		chromedp.Flag("js-flags", "--single-threaded"),
		chromedp.Flag("disable-quic", true),
		chromedp.Flag("disable-component-update", true),
		chromedp.Flag("no-proxy-server", true),
		chromedp.Flag("host-resolver-rules", rules),
		chromedp.Flag("lang", "en-GB"),
		// One language on every machine, else <input type=date> and number formats follow the developer's.
		chromedp.Env("LANGUAGE=en_GB", "LC_ALL=C.UTF-8", "TZ=UTC"),
	)
	allocator, stopAllocator := chromedp.NewExecAllocator(context.Background(), opts...)
	quiet := func(string, ...any) {}
	ctx, stopBrowser := chromedp.NewContext(allocator, chromedp.WithLogf(quiet), chromedp.WithErrorf(quiet))
	e := &engine{ctx: ctx, downloads: downloads, received: map[string]*received{}}
	e.stop = func() {
		// Chromium is asked to close and given ten seconds; then it is killed. Its profile goes with it.
		polite, done := context.WithTimeout(ctx, 10*time.Second)
		_ = chromedp.Cancel(polite)
		done()
		stopBrowser()
		stopAllocator()
		_ = os.RemoveAll(folder)
	}
	if err := chromedp.Do(ctx); err != nil {
		e.stop()
		return nil, fmt.Errorf("starting %s: %w", path, err)
	}
	if err := chromedp.ListenBrowser(ctx, e.heard); err != nil {
		e.stop()
		return nil, err
	}
	return e, nil
}

// repositoryFile gives the path of a file named from the repository's root: tests run in their package's folder.
func repositoryFile(name string) (string, error) {
	dir, err := os.Getwd()
	if err != nil {
		return "", err
	}
	for {
		if _, err := os.Stat(filepath.Join(dir, "go.mod")); err == nil {
			return filepath.Join(dir, filepath.FromSlash(name)), nil
		}
		parent := filepath.Dir(dir)
		if parent == dir {
			return "", errors.New("no go.mod above the working folder")
		}
		dir = parent
	}
}
