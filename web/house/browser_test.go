package house_test

import (
	"testing"

	"example.org/stillroom/internal/access"
	"example.org/stillroom/internal/chrome"
	"example.org/stillroom/web/webtest"
)

// The promise: while a pattern of batch codes is typed, its code stands below; what is off is said there too, and
// nothing is stored until it is saved.
func TestAPatternShowsItsCodeWhileItIsTyped(t *testing.T) {
	t.Parallel()
	site := webtest.New(t)
	page := chrome.Open(t).Page()
	page.Goto(site.Link(access.Owner))
	page.Goto(site.URL + "/settings")
	said := func() string { return page.Text("#pattern-preview") }
	before := said()
	page.Fill("code_pattern", "{letters}{yymmdd}{nnn}")
	page.MustEval(`document.getElementById("pattern-preview").textContent.includes("001")`)
	if said() == before {
		t.Errorf("the preview still says %q", before)
	}
	page.Fill("code_pattern", "{letters}{year}")
	page.MustEval(`!document.getElementById("pattern-preview").textContent.includes("001")`)
	page.Goto(site.URL + "/settings")
	if said() != before {
		t.Errorf("typing stored something: %q, before %q", said(), before)
	}
	if red := page.Errors(); len(red) > 0 {
		t.Errorf("a developer sees in red: %v", red)
	}
	// Without the module the button says the same.
	page.JavaScript(false)
	page.Goto(site.URL + "/settings")
	page.Fill("code_pattern", "{letters}{yymmdd}{nnn}")
	page.Submit("Show the code first")
	page.MustHave("001")
}
