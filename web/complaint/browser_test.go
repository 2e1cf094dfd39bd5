package complaint_test

import (
	"testing"

	"example.org/stillroom/internal/access"
	"example.org/stillroom/internal/chrome"
	"example.org/stillroom/internal/reporting"
	"example.org/stillroom/internal/store"
)

// The promise: while somebody is on the telephone, the page says beside the code what it can be, and loses nothing; and the
// pages of complaints fit and speak at every size.
func TestACodeIsLookedUpWhileItIsTyped(t *testing.T) {
	t.Parallel()
	site, code, other := shelf(t)
	for _, n := range []store.NewComplaint{
		{CameBy: "email", What: "Hospital", CodeSaid: "?", Product: "SB", Kind: reporting.Serious, Market: reporting.US},
		{CameBy: "stockist", Customer: "HSP", What: "Cracked", Packing: other, CodeSaid: other, Kind: reporting.Quality, Market: reporting.EU},
	} {
		_, err := site.Store.LogComplaint(t.Context(), site.Who(access.Owner), store.Entry{}, n)
		ok(t, err)
	}
	p := chrome.Open(t).Page()
	p.Size(820, 1180)
	p.Goto(site.Link(access.Owner))
	p.Goto(site.URL + "/complaints/new")
	p.Fill("what", "It itches")
	p.Choose("kind", "undesirable")
	p.MustEval(`getComputedStyle(document.querySelector(".criteria")).display === "none"`)
	p.Choose("kind", "serious")
	p.MustEval(`getComputedStyle(document.querySelector(".criteria")).display !== "none"`)
	p.Choose("market", "eu")
	p.Fill("code_said", code[:len(code)-2]+"9"+code[len(code)-1:])
	p.MustEval(`document.getElementById("looked").textContent.includes("mistyped or misheard") && document.querySelector("input[name=packing]:checked").value === "-"`)
	p.Fill("code_said", code)
	p.MustEval(`document.querySelector("input[name=packing]:checked")?.value === "` + code + `"`)
	p.Choose("packing", "-")
	p.Fill("bought_at", "Harbour Street")
	p.MustEval(`document.querySelector("[name=what]").value === "It itches"`)
	p.Choose("packing", code)
	p.Submit("Write it down")
	p.MustHave("It is in the book as C-3.")
	for _, size := range [][2]int{{390, 844}, {820, 1180}, {1280, 800}} {
		p.Size(size[0], size[1])
		for _, path := range []string{"/complaints", "/complaints/new?code_said=" + other + "X&product=SB", "/complaints/1", "/complaints/2", "/complaints/2/correct", "/complaints/rates", "/complaints/sources?of=C-2"} {
			p.Goto(site.URL + path)
			for _, words := range p.Axe() {
				t.Errorf("%s at %v: %s", path, size, words)
			}
			if n := p.Overflow(); n > 0 {
				t.Errorf("%s at %v is %d px too wide", path, size, n)
			}
		}
	}
	if errs := p.Errors(); len(errs) > 0 {
		t.Errorf("the console says %v", errs)
	}
}
