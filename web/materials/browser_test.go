package materials_test

import (
	"testing"

	"example.org/stillroom/internal/access"
	"example.org/stillroom/internal/chrome"
	"example.org/stillroom/web/webtest"
)

// The promise: a delivery is written down on a tablet in one screen. What every delivery needs stands above the fold
// of 820 by 1180, in the order of the container's label, and the button with it; no script is needed.
func TestADeliveryIsReceivedOnATabletWithoutScrolling(t *testing.T) {
	t.Parallel()
	site := webtest.New(t)
	oil(t, site)
	lot(t, site, access.Maker) // a supplier is known, a usual day
	tablet := chrome.Open(t).Page()
	tablet.Size(820, 1180)
	tablet.Touch(true)
	tablet.JavaScript(false)
	tablet.Goto(site.Link(access.Maker))
	tablet.Goto(site.URL + "/lots/new")
	tablet.Click("Oat oil (OO)")
	var bottom float64
	tablet.Eval(`[...document.querySelectorAll("main button")].at(-1).getBoundingClientRect().bottom`, &bottom)
	if bottom > 1180 {
		t.Errorf("the button ends at %.0f px of 1180", bottom)
	}
	if found := tablet.Axe(); len(found) > 0 {
		t.Errorf("axe: %v", found)
	}
	tablet.Fill("quantity", "2500,5")
	tablet.Fill("supplier_lot", "7731-C")
	tablet.Fill("expires_on", "2099-06-30")
	tablet.Choose("release", "on")
	tablet.Submit("Receive this lot")
	tablet.MustHave("Released")
	if at := tablet.URL(); at != site.URL+"/lots/OO-0002" {
		t.Errorf("after receiving: %s", at)
	}
	for _, path := range []string{"/lots/OO-0002", "/lots/OO-0002/move", "/lots/OO-0002/correct", "/lots/OO-0002/papers", "/materials", "/materials/OO", "/materials/new", "/lots", "/suppliers", "/suppliers/FO", "/suppliers/new"} {
		tablet.Goto(site.URL + path)
		if over, found := tablet.Overflow(), tablet.Axe(); over > 0 || len(found) > 0 {
			t.Errorf("%s is %d px too wide; axe: %v", path, over, found)
		}
	}
	if red := tablet.Errors(); len(red) > 0 {
		t.Errorf("a developer sees in red: %v", red)
	}
}
