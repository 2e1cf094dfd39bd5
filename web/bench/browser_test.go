package bench_test

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"example.org/stillroom/internal/access"
	"example.org/stillroom/internal/chrome"
	"example.org/stillroom/internal/store"
	"example.org/stillroom/web/paths"
)

// small adds a formula of two lines, a step and a control, without a cure, and begins a plan of 500 g of it.
func (s shop) small() (plan string) {
	s.t.Helper()
	ctx, maker := s.t.Context(), s.Who(access.Maker)
	_, err := s.Store.AddFormula(ctx, maker, store.Entry{}, store.NewFormula{Code: "LB", Name: "Lip balm", Letters: "LB"})
	s.ok(err)
	v, err := s.Store.FormulaVersion(ctx, maker.Workshop, "LB", 1)
	s.ok(err)
	v.TolerancePct, v.ToleranceG, v.Caution = dec("1"), dec("0.5"), "Hot wax: gloves and goggles."
	v.Portions = []store.FormulaPortion{{Name: "Melt", Basis: "share", Amount: dec("100"), Lines: []store.FormulaLine{share("BW", "40"), share("SH", "60")}}}
	v.Steps = []store.FormulaStep{{Portion: "Melt", Text: "Melt to 70 °C"}}
	v.Controls = []store.FormulaControl{{Name: "Weight of a tube", Stage: "moulding", Unit: "g", Low: some("4.5"), High: some("5.5"), Readings: 2}}
	s.ok(s.Store.SaveDraft(ctx, maker, store.Entry{}, "LB", v))
	s.ok(s.Store.ApproveFormula(ctx, maker, store.Entry{}, "LB", 1))
	id, err := s.Store.MakePlan(ctx, maker, store.NewPlan{Formula: "LB", MassG: dec("500"), On: s.today})
	s.ok(err)
	return store.Text(id)
}

// tablet is somebody's at the bench, with the network that a workshop has: plain HTTP.
func (s shop) tablet(t *testing.T) *chrome.Page {
	p := chrome.Open(t).Page()
	p.Touch(true)
	p.Size(820, 1180)
	p.Goto(chrome.LAN(s.Link(access.Helper)))
	return p
}

// measure tells what of a bench page is too small for a wet thumb, or too close to what is beside it: controls at least
// 64 px, what records and the keypad 96 px, gaps 16 px, text 20 px, the target and the box 32 px (assurance 4.1).
const measure = `(() => {
	const off = [], shown = (e) => e.checkVisibility() && e.getBoundingClientRect().width > 2;
	const name = (e) => (e.tagName + " " + (e.textContent.trim() || e.name || e.id)).slice(0, 40);
	const controls = [...document.querySelectorAll("main button, main .button, main summary, main .choice, main a, main select, main textarea, main input:not([type=hidden], [type=radio], [type=checkbox])")].filter(shown);
	for (const e of controls) {
		const { height, width } = e.getBoundingClientRect();
		if (height < 64 || width < 64) off.push(name(e) + ": " + Math.round(width) + " x " + Math.round(height));
		const records = e.matches("form button:not(.second, .stop, .link), .keypad button, .next");
		if (records && height < 96) off.push(name(e) + " records, and is " + Math.round(height) + " high");
	}
	const task = controls.filter((e) => e.closest(".task"));
	for (const [i, a] of task.entries()) for (const b of task.slice(i + 1)) {
		if (a.contains(b) || b.contains(a)) continue;
		const p = a.getBoundingClientRect(), q = b.getBoundingClientRect();
		const dx = Math.max(p.left - q.right, q.left - p.right), dy = Math.max(p.top - q.bottom, q.top - p.bottom);
		if (Math.max(dx, dy) < 15.5) off.push(name(a) + " is " + Math.round(Math.max(dx, dy)) + " px from " + name(b));
	}
	const walk = document.createTreeWalker(document.querySelector("main"), NodeFilter.SHOW_TEXT);
	for (let n; (n = walk.nextNode()); ) {
		const e = n.parentElement;
		if (!n.textContent.trim() || !shown(e) || e.closest(".vh, svg")) continue;
		const size = parseFloat(getComputedStyle(e).fontSize);
		if (size < 20) off.push("text of " + size + " px: " + n.textContent.trim().slice(0, 30));
	}
	for (const e of document.querySelectorAll(".target, .enter input, .rows strong.num")) {
		const style = getComputedStyle(e);
		if (parseFloat(style.fontSize) < 32 || style.fontVariantNumeric !== "tabular-nums") off.push(name(e) + " is " + style.fontSize + ", " + style.fontVariantNumeric);
	}
	return off;
})()`

func looksRight(t *testing.T, p *chrome.Page) {
	t.Helper()
	var off []string
	p.Eval(measure, &off)
	for _, words := range append(off, p.Axe()...) {
		t.Errorf("%s: %s", p.URL(), words)
	}
	if n := p.Overflow(); n > 0 {
		t.Errorf("%s is %d px too wide", p.URL(), n)
	}
}

func TestASmallFormulaIsWeighedByTouchAlone(t *testing.T) {
	t.Parallel()
	s := newShop(t)
	plan := s.small()
	p := s.tablet(t)
	key := func(digits string) {
		p.MustEval(`!document.querySelector(".keypad").hidden`)
		for _, d := range digits {
			p.Click(fmt.Sprintf(`.keypad [data-key="%c"]`, d))
		}
	}
	// The list beside a task names the others too, so a screen is told by its heading.
	on := func(h1 string) {
		p.MustEval(fmt.Sprintf(`document.readyState === "complete" && document.querySelector("h1").textContent === %q`, h1))
	}
	p.Goto(chrome.LAN(s.URL + paths.StartPlan(plan)))
	looksRight(t, p)
	p.Click("Temperature (optional)")
	key("21.5")
	p.Click("Humidity (optional)")
	key("48")
	p.Click("Start now")
	on("Weigh Beeswax")
	p.MustHave("Hot wax burns.")
	looksRight(t, p)
	key("201.2")
	p.Click("Record 201.2 g")
	on("Weigh Shea butter")
	p.MustHave("Saved a moment ago: Beeswax 201.2 g, within tolerance")
	// The keypad stands where there is something to type: of what is weighed there is nothing, unless more is.
	shea := p.URL()
	p.Goto(strings.Replace(shea, "line-2", "line-1", 1))
	on("Weigh Beeswax")
	p.MustEval(`document.querySelector(".keypad").hidden`)
	p.Click("Weigh more of it")
	p.MustEval(`!document.querySelector(".keypad").hidden`)
	p.Goto(shea)
	on("Weigh Shea butter")
	// A slip of the finger: the question, with the number still in its box and the focus in it.
	key("3002")
	p.Click("Record 3\u202f002 g")
	on("Typed wrong, or really in the bowl?")
	p.MustEval(`document.activeElement.name === "grams" && document.activeElement.value === "3002" && document.title.startsWith("Error:")`)
	looksRight(t, p)
	key("300") // takes the place of what was typed
	p.Click("Record 300 g")
	on("Melt to 70 °C")
	looksRight(t, p)
	p.Click("Done")
	on("Check Weight of a tube")
	p.MustHave("4.5 to 5.5 g")
	looksRight(t, p)
	key("5")
	p.Click("Record 5 g")
	p.MustHave("1 of 2 readings")
	key("4.9")
	p.Click("Record 4.9 g")
	on("Mould and count")
	looksRight(t, p)
	key("99")
	p.Click("Record the units")
	p.MustHave("99 units moulded.")
	list, _, err := s.Store.Batches(t.Context(), s.Who(access.Maker).Workshop, store.AllBatches, store.BatchKey{}, 10)
	s.ok(err)
	b := s.read(list[0].Code)
	var got []string
	for _, in := range b.Inputs() {
		got = append(got, in.Name+" "+in.WeighedG.Decimal.String()+" from "+in.Lot)
	}
	if diff := cmp.Diff([]string{"Beeswax 201.2 from BW-1", "Shea butter 300 from SH-1"}, got); diff != "" {
		t.Error(diff)
	}
	if b.Status != "packing" || *b.MouldedUnits != 99 || b.Climate[0].TemperatureC.String() != "21.5" || len(b.Deviations) != 0 || len(b.Controls[0].Current()) != 2 {
		t.Errorf("%+v, deviations %v", b.Batch, b.Deviations)
	}
}

// Poor Wi-Fi at the shelf: what was typed is kept on the tablet, goes by itself when there is a connection again, and is
// stored once.
func TestAnEntryMadeWithoutAConnectionIsKeptAndStoredOnce(t *testing.T) {
	t.Parallel()
	s := newShop(t)
	code := s.begun()
	p := s.tablet(t)
	p.Goto(chrome.LAN(s.URL + paths.BenchTask(code, "line-3")))
	p.MustEval(`!document.querySelector(".keypad").hidden`)
	p.Offline(true)
	p.Fill("Weighed", "240.5")
	p.Click("Record 240.5 g")
	p.MustHave("Beeswax, BW-1, Weighed: 240.5 g")
	p.MustEval(`[...document.querySelectorAll(".enter button")].every(b => b.disabled)`)
	if got := s.weighed(code, "line-3"); got != "" {
		t.Fatalf("stored without a connection: %s", got)
	}
	p.Offline(false)
	p.MustHave("Weigh Base, as mixed")
	p.Eval(`dispatchEvent(new Event("online"))`, nil)
	p.MustHave("Recorded: Beeswax 240.5 g.")
	if got := s.weighed(code, "line-3"); got != "240.5 from BW-1" {
		t.Errorf("stored: %s", got)
	}
	var device string
	s.row(`SELECT c.device FROM batch_input i JOIN change c ON c.workshop_id = i.workshop_id AND c.id = i.change_id`, &device)
	if !strings.Contains(device, ", its clock 20") {
		t.Errorf("the tablet's own time is not beside the device: %q", device)
	}
}

func TestTheBenchFitsATelephoneAndTheDark(t *testing.T) {
	t.Parallel()
	s := newShop(t)
	s.lot("BW", "BW-2", "800")
	code, cured := s.begun(), s.moulded(4*24*time.Hour)
	for i, grams := range []string{"52", "51", "50.5", "50.3"} {
		s.ok(s.Store.WeighCure(t.Context(), s.Who(access.Helper), store.Entry{}, cured, dec(grams), s.read(cured).CureStartedAt.AddDate(0, 0, i)))
	}
	p := chrome.Open(t).Page()
	p.Touch(true)
	p.Goto(s.Link(access.Helper))
	for _, path := range []string{paths.BenchTask(code, "line-3"), paths.BenchTask(code, "control-2"), paths.BenchTask(cured, "cure"), paths.BenchAdd(code), paths.BenchOff(code)} {
		p.Goto(s.URL + path)
		for _, words := range p.Looks([2]int{390, 844}, [2]int{1180, 820}) {
			t.Errorf("%s: %s", path, words)
		}
	}
	if errs := p.Errors(); len(errs) > 0 {
		t.Error(errs)
	}
}
