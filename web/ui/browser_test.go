package ui_test

import (
	"fmt"
	"net/http"
	"net/http/httptest"
	"sync"
	"testing"

	"github.com/a-h/templ"
	"github.com/google/go-cmp/cmp"
	"github.com/shopspring/decimal"

	"example.org/stillroom/internal/chrome"
	"example.org/stillroom/internal/quantity"
	"example.org/stillroom/static"
	"example.org/stillroom/web/ui"
)

// book is a server that stores weighings as the program does: once a key, 303 after it. refuse decides otherwise.
type book struct {
	t   *testing.T
	url string

	mu     sync.Mutex
	drawn  int
	stored map[string]string // entry key to weight
	order  []string          // weights as they came
	sent   int               // POSTs, stored or not
	clocks int               // of them with the tablet's own time
	person string
	refuse func(w http.ResponseWriter, r *http.Request) bool
}

// open starts a book and gives its address as a tablet sees it: plain HTTP on the workshop's network.
func open(t *testing.T) *book {
	t.Helper()
	b := &book{t: t, stored: map[string]string{}, person: "1"}
	mux := http.NewServeMux()
	mux.Handle(static.Prefix, static.Handler())
	mux.HandleFunc("GET /weigh", func(w http.ResponseWriter, r *http.Request) {
		write(w, r, 200, b.page(b.key(), "", ""))
	})
	mux.HandleFunc("GET /next", func(w http.ResponseWriter, r *http.Request) {
		p := signedIn("Weigh beeswax", "batches")
		p.Flash = ""
		if c, err := r.Cookie("said"); err == nil {
			p.Flash = c.Value
			http.SetCookie(w, &http.Cookie{Name: "said", MaxAge: -1})
		}
		write(w, r, 200, with(ui.Layout(b.signed(p)), with(ui.Head("Weigh beeswax", ""))))
	})
	mux.HandleFunc("POST /weighings", b.weighed)
	mux.HandleFunc("GET /batch", func(w http.ResponseWriter, r *http.Request) { write(w, r, 200, batchPage()) })
	mux.HandleFunc("GET /lot", func(w http.ResponseWriter, r *http.Request) { write(w, r, 200, lotPage()) })
	srv := httptest.NewServer(mux)
	t.Cleanup(srv.Close)
	b.url = chrome.LAN(srv.URL)
	return b
}

func (b *book) signed(p ui.Page) ui.Page {
	b.mu.Lock()
	defer b.mu.Unlock()
	p.PersonID = b.person
	return p
}

func (b *book) key() string {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.drawn++
	return fmt.Sprintf("key-%d", b.drawn)
}

func (b *book) page(key, value, message string) templ.Component {
	b.mu.Lock()
	defer b.mu.Unlock()
	return weighPageOf(b.person, key, value, message)
}

func (b *book) weighed(w http.ResponseWriter, r *http.Request) {
	b.mu.Lock()
	b.sent++
	if r.FormValue("device_time") != "" {
		b.clocks++
	}
	refuse := b.refuse
	b.mu.Unlock()
	if refuse != nil && refuse(w, r) {
		return
	}
	b.mu.Lock()
	if _, again := b.stored[r.FormValue("entry_key")]; !again {
		b.order = append(b.order, r.FormValue("weight"))
	}
	b.stored[r.FormValue("entry_key")] = r.FormValue("weight")
	b.mu.Unlock()
	http.SetCookie(w, &http.Cookie{Name: "said", Value: "Recorded."})
	http.Redirect(w, r, "/next", http.StatusSeeOther)
}

// refusing sets what the book says instead of storing; nil stores again.
func (b *book) refusing(f func(w http.ResponseWriter, r *http.Request) bool) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.refuse = f
}

func (b *book) signIn(person string) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.person = person
}

// holds checks the weights stored, in their order.
func (b *book) holds(t *testing.T, want ...string) {
	t.Helper()
	b.mu.Lock()
	defer b.mu.Unlock()
	if diff := cmp.Diff(want, append([]string(nil), b.order...)); diff != "" {
		t.Error(diff)
	}
}

const kept = `(async () => {
	const db = await new Promise((ok, no) => { const r = indexedDB.open("stillroom-outbox"); r.onsuccess = () => ok(r.result); r.onerror = no });
	const n = await new Promise((ok) => { const r = db.transaction("entries").objectStore("entries").count(); r.onsuccess = () => ok(r.result) });
	db.close(); return n })()`

func TestAnEntryMadeAtTheBenchIsNeverLost(t *testing.T) {
	t.Parallel()
	browser := chrome.Open(t)
	tablet := func(t *testing.T) (*book, *chrome.Page) {
		b := open(t)
		p := browser.Private().In(t)
		p.Touch(true)
		p.Goto(b.url + "/weigh")
		p.MustEval(`!document.querySelector(".keypad").hidden`) // the modules have started
		return b, p
	}
	weigh := func(p *chrome.Page, value string) {
		p.Fill("Weighed", value)
		p.Click(`button[data-echo]`)
	}
	online := func(p *chrome.Page) { p.Eval(`dispatchEvent(new Event("online"))`, nil) }

	t.Run("with a connection it is stored once and the next page says so", func(t *testing.T) {
		b, p := tablet(t)
		weigh(p, "803.2")
		p.MustHave("Weigh beeswax")
		p.MustHave("Recorded.")
		b.holds(t, "803.2")
		p.MustEval(kept + ".then(n => n === 0)")
		if b.clocks != 1 {
			t.Error("the tablet's own time was not sent")
		}
		if diff := cmp.Diff([]string(nil), p.Errors()); diff != "" {
			t.Error(diff)
		}
	})

	t.Run("without one it is kept, cannot be recorded twice, and goes by itself", func(t *testing.T) {
		b, p := tablet(t)
		p.Offline(true)
		weigh(p, "803.2")
		p.MustHave("Cocoa butter, Weighed: 803.2 g")
		p.MustEval(`document.querySelector("button[data-echo]").disabled && document.querySelector("#said").textContent.startsWith("Kept on this tablet")`)
		b.holds(t)
		p.Offline(false)
		p.MustHave("Weigh beeswax")
		b.holds(t, "803.2")
		p.MustEval(kept + ".then(n => n === 0)")
	})

	t.Run("it outlives the page", func(t *testing.T) {
		b, p := tablet(t)
		p.Offline(true)
		weigh(p, "803.2")
		p.MustEval(kept + ".then(n => n === 1)")
		p.Offline(false)
		p.Goto(b.url + "/next")
		// Either page may have sent it: the old one hears that the network is back, too.
		p.MustEval(kept + ".then(n => n === 0)")
		b.holds(t, "803.2")
	})

	t.Run("an answer lost on its way back stores it once", func(t *testing.T) {
		b, p := tablet(t)
		b.refusing(func(_ http.ResponseWriter, r *http.Request) bool {
			b.mu.Lock()
			if _, again := b.stored[r.FormValue("entry_key")]; !again {
				b.stored[r.FormValue("entry_key")], b.order = r.FormValue("weight"), append(b.order, r.FormValue("weight"))
			}
			b.mu.Unlock()
			panic(http.ErrAbortHandler) // stored, and the line breaks, also when the browser tries again by itself
		})
		weigh(p, "803.2")
		p.MustHave("It is sent as soon as there is a connection.")
		b.refusing(nil)
		p.MustHave("Weigh beeswax") // by the timer alone
		b.holds(t, "803.2")
	})

	t.Run("a server that is not ready is asked again", func(t *testing.T) {
		for _, status := range []int{500, 503, 429} {
			b, p := tablet(t)
			b.refusing(func(w http.ResponseWriter, _ *http.Request) bool {
				w.WriteHeader(status)
				return true
			})
			weigh(p, "803.2")
			p.MustHave("The server is not ready. It is sent again by itself.")
			b.refusing(nil)
			online(p)
			p.MustHave("Weigh beeswax")
			b.holds(t, "803.2")
		}
	})

	t.Run("a Wi-Fi's own log-in page is no receipt", func(t *testing.T) {
		b, p := tablet(t)
		b.refusing(func(w http.ResponseWriter, _ *http.Request) bool {
			w.Header().Set("Content-Type", "text/html")
			fmt.Fprint(w, "<h1>Welcome to our Wi-Fi</h1>")
			return true
		})
		weigh(p, "803.2")
		p.MustHave("It is sent as soon as there is a connection.")
		p.MustEval(kept + ".then(n => n === 1)")
		b.holds(t)
	})

	for name, answer := range map[string]func(w http.ResponseWriter, r *http.Request){
		"401":            func(w http.ResponseWriter, _ *http.Request) { w.WriteHeader(http.StatusUnauthorized) },
		"a sign-in page": func(w http.ResponseWriter, r *http.Request) { http.Redirect(w, r, "/sign-in", http.StatusSeeOther) },
	} {
		t.Run("it waits for the same person and is sent as nobody else: "+name, func(t *testing.T) {
			b, p := tablet(t)
			b.refusing(func(w http.ResponseWriter, r *http.Request) bool { answer(w, r); return true })
			weigh(p, "803.2")
			p.MustHave("It waits until Mara T. signs in again on this tablet.")
			b.refusing(nil)
			b.signIn("2")
			p.Goto(b.url + "/next")
			p.MustHave("It waits until Mara T. signs in on this tablet.")
			b.holds(t)
			b.signIn("1")
			p.Goto(b.url + "/next")
			p.MustHave("The entry kept on this tablet is saved.")
			b.holds(t, "803.2")
		})
	}

	t.Run("what the server refuses is shown in its words, and put right under the same key", func(t *testing.T) {
		b, p := tablet(t)
		b.refusing(func(w http.ResponseWriter, r *http.Request) bool {
			write(w, r, http.StatusUnprocessableEntity, b.page(r.FormValue("entry_key"), r.FormValue("weight"), "more than the lot holds"))
			return true
		})
		weigh(p, "9803.2")
		p.MustHave("more than the lot holds")
		p.MustEval(`document.activeElement.className === "summary" && document.title.startsWith("Error:") &&
			document.getElementById("f-weight").value === "9803.2" && document.querySelector("[name=entry_key]").value === "key-1"`)
		b.refusing(nil)
		weigh(p, "803.2")
		p.MustHave("Weigh beeswax")
		b.holds(t, "803.2")
		p.MustEval(kept + ".then(n => n === 0)")
	})

	t.Run("a refusal stops its batch, and what follows keeps its order", func(t *testing.T) {
		b, p := tablet(t)
		p.Offline(true)
		weigh(p, "1")
		p.MustEval(kept + ".then(n => n === 1)")
		b.refusing(func(w http.ResponseWriter, r *http.Request) bool {
			if r.FormValue("weight") != "1" {
				return false
			}
			write(w, r, http.StatusConflict, with(ui.Layout(signedIn("No", "")), with(ui.Head("This batch was rejected", ""))))
			return true
		})
		p.Offline(false)
		p.MustHave("Not taken. This batch was rejected")
		p.MustEval(`document.activeElement.id === "outbox" && document.querySelector("button[data-echo]").textContent === "Record 1 g"`)
		p.Goto(b.url + "/weigh")
		p.MustHave("Not taken. This batch was rejected")
		weigh(p, "2")
		p.MustHave("It waits for the entry above it that was not taken.")
		b.holds(t)
		// Opening it again puts back what was typed, under its own key.
		p.Goto(b.url + "/next")
		p.Click("Open the form again")
		p.MustEval(`document.getElementById("f-weight")?.value === "1" && document.querySelector("[name=entry_key]").value === "key-1"`)
		b.refusing(nil)
		weigh(p, "1.5")
		p.MustHave("Weigh beeswax")
		p.MustEval(kept + ".then(n => n === 0)")
		b.holds(t, "1.5", "2")
	})

	t.Run("a refused entry is given up only with a second tap", func(t *testing.T) {
		b, p := tablet(t)
		b.refusing(func(w http.ResponseWriter, _ *http.Request) bool {
			http.Error(w, "no", http.StatusForbidden)
			return true
		})
		weigh(p, "803.2")
		p.MustHave("The server did not take it (403).")
		p.Click("Leave it out")
		p.MustEval(kept + ".then(n => n === 1)")
		p.Click("It is on paper: take it off this tablet")
		p.MustEval(kept + ".then(n => n === 0)")
		p.MustEval(`!document.getElementById("outbox")`)
		b.holds(t)
	})

	t.Run("a tablet that cannot keep it says to write it on paper", func(t *testing.T) {
		b, p := tablet(t)
		p.Eval(`IDBFactory.prototype.open = () => { throw new Error("full") };
			IDBDatabase.prototype.transaction = () => { throw new Error("full") }; 0`, nil)
		p.Offline(true)
		weigh(p, "803.2")
		p.MustHave("Write this on paper. Cocoa butter, Weighed: 803.2 g")
		p.MustEval(`document.getElementById("f-weight").value === "803.2" && !document.querySelector("button[data-echo]").disabled`)
		p.Offline(false)
		p.Click(`button[data-echo]`)
		p.MustHave("Weigh beeswax")
		b.holds(t, "803.2")
	})

	t.Run("a form that may be used again is empty and has a new key", func(t *testing.T) {
		b, p := tablet(t)
		p.Eval(`document.querySelector("form[data-outbox]").dataset.again = ""; 0`, nil)
		p.Offline(true)
		weigh(p, "1")
		p.MustEval(`document.querySelector("#said").textContent.startsWith("Kept") && document.getElementById("f-weight").value === "" &&
			/^[0-9a-f]{8}-[0-9a-f]{4}-4[0-9a-f]{3}-[89ab][0-9a-f]{3}-[0-9a-f]{12}$/.test(document.querySelector("[name=entry_key]").value)`)
		weigh(p, "2")
		p.MustEval(kept + ".then(n => n === 2)")
		p.Offline(false)
		p.MustEval(kept + ".then(n => n === 0)")
		b.holds(t, "1", "2")
	})

	t.Run("without scripts the same form stores the same", func(t *testing.T) {
		b := open(t)
		p := browser.Private().In(t)
		p.JavaScript(false)
		p.Goto(b.url + "/weigh")
		weigh(p, "803.2")
		p.MustHave("Weigh beeswax")
		p.MustHave("Recorded.")
		b.holds(t, "803.2")
	})
}

func TestTheRecordButtonSaysWhatWillBeStored(t *testing.T) {
	t.Parallel()
	b := open(t)
	p := chrome.Open(t).Page()
	p.Goto(b.url + "/weigh")
	p.MustEval(`!document.querySelector(".keypad").hidden`)
	for typed, want := range map[string]string{
		"803.2": "Record 803.2 g", "803,2": "Record 803.2 g", "1 200.4": "Record 1\u202f200.4 g", "1,234": "Record", "": "Record", "8o3": "Record",
	} {
		p.Fill("Weighed", typed)
		var got string
		p.Eval(`document.querySelector("button[data-echo]").textContent`, &got)
		if got != want {
			t.Errorf("%q: the button says %q, want %q", typed, got, want)
		}
	}
	for _, key := range []string{"8", "0", "3", "back", "4", ".", "2"} {
		p.Click(`.keypad [data-key="` + key + `"]`)
	}
	p.MustEval(`document.getElementById("f-weight").value.endsWith("804.2") && document.activeElement.id === "f-weight"`)
}

func TestThePageReadsANumberAsTheServerDoes(t *testing.T) {
	t.Parallel()
	texts := []string{"1234", "0", "12.5", "12,5", "1.234", "1234,567", "1,23", "1,2345", "0,250", ",250", ".5", "1,234.5", "1.234,5",
		"1,234,567", "1.234.567", "1,234.567", "1 234.5", "1 234,567", "12\u00a0345", "12\u2009345", "1\u202f234\u202f567.8", "1'234'567,8",
		"1’234", "  7.5\u00a0", "-7.5", "\u22127.5", "+7.5", "999999999999.999999", "007", "1,234", "12,000", "123,456", " -1,500", "", " ",
		"12 g", "1e5", "0x10", "NaN", "Inf", "-", ".", "5.", "5,", "--5", "5-", "12 5", "1,23,456", "1234 567", "1.234 567", "1 234'567",
		"1 234,567.5", "1000000000000", "0.0000001", "1,2,3", "00,123", "000.5", "1.2.3", "1.234,567", "12,34.5", "1..5", "- 5", "１２"}
	b := open(t)
	p := chrome.Open(t).Page()
	p.Goto(b.url + "/weigh")
	for _, text := range texts {
		var got string
		p.Eval(fmt.Sprintf(`import(%q).then(m => m.read(%q))`, static.Path("number.js"), text), &got)
		want, err := quantity.Parse(text)
		if err != nil {
			if got != "" {
				t.Errorf("%q: the page reads %s, the server says: %v", text, got, err)
			}
			continue
		}
		if read, e := decimal.NewFromString(got); e != nil || !read.Equal(want) {
			t.Errorf("%q: the page reads %q, the server %s", text, got, want)
		}
	}
}

// Each page is loaded once, and its window changes round it as a tablet that is turned. axe looks at the widest in the
// light and the narrowest in the dark: between them only measures change, which are taken at each.
func TestPagesFitEveryScreenAndEveryThumb(t *testing.T) {
	t.Parallel()
	b := open(t)
	p := chrome.Open(t).Page()
	for _, path := range []string{"/batch", "/lot", "/weigh"} {
		p.Goto(b.url + path)
		for _, dark := range []bool{false, true} {
			p.Dark(dark)
			for _, size := range [][2]int{{1280, 800}, {1180, 820}, {820, 1180}, {390, 844}} {
				p.Size(size[0], size[1])
				fits(t, p, path, size)
				if !dark && size[0] == 1280 || dark && size[0] == 390 {
					for _, found := range p.Axe() {
						t.Errorf("%s at %v, dark %t: %s", path, size, dark, found)
					}
				}
			}
		}
	}
	if diff := cmp.Diff([]string(nil), p.Errors()); diff != "" {
		t.Error(diff)
	}
}

// fits measures a page at the size that its window has.
func fits(t *testing.T, p *chrome.Page, path string, size [2]int) {
	t.Helper()
	if n := p.Overflow(); n > 0 {
		t.Errorf("%s at %v is %d px too wide", path, size, n)
	}
	least := 44
	if path == "/weigh" {
		least = 64
	}
	var small []string
	p.Eval(fmt.Sprintf(tooSmall, least), &small)
	for _, s := range small {
		t.Errorf("%s at %v: %s is less than %d px high", path, size, s, least)
	}
	if path != "/weigh" {
		return
	}
	var low []string
	p.Eval(`[...document.querySelectorAll(".keypad button, .enter button")].filter(b => b.getBoundingClientRect().height < 96).map(b => b.textContent)`, &low)
	var weight, keyGap float64
	p.Eval(`parseFloat(getComputedStyle(document.getElementById("f-weight")).fontSize)`, &weight)
	p.Eval(`parseFloat(getComputedStyle(document.querySelector(".keypad")).gap)`, &keyGap)
	if len(low) > 0 || weight < 32 || keyGap < 16 {
		t.Errorf("at %v: low buttons %q, weight %v px, gap %v px", size, low, weight, keyGap)
	}
	var faint []string
	p.Eval(`[...document.querySelectorAll("body *")].filter(e => e.checkVisibility() && [...e.childNodes].some(n => n.nodeType === 3 && n.data.trim()) &&
		!e.matches(".vh, .skip, script") && parseFloat(getComputedStyle(e).fontSize) < 20).map(e => e.textContent.trim() + " " + getComputedStyle(e).fontSize)`, &faint)
	for _, f := range faint {
		t.Errorf("at %v: text under 20 px: %s", size, f)
	}
}

// tooSmall lists the controls lower than a number of pixels; links within a sentence are exempt (WCAG 2.5.8, inline),
// and a radio or checkbox is as large as its card, which is all label.
const tooSmall = `[...document.querySelectorAll("a, button, input:not([type=hidden]), select, textarea, summary")]
	.filter(e => e.checkVisibility() && !e.matches(".skip") && !(e.matches("a:not(.tag, .button)") && e.closest("p, dd, li:not(.steps li)")) &&
		!(e.matches(".tag") && e.closest("p")) &&
		Math.round((e.closest(".choice") ?? e).getBoundingClientRect().height) < %d)
	.map(e => e.tagName + " " + (e.textContent.trim() || e.name))`
