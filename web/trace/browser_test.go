package tracepages_test

import (
	"testing"

	"example.org/stillroom/internal/access"
	"example.org/stillroom/internal/chrome"
)

func TestATraceCanBeReadOnAPhoneAndWithoutSight(t *testing.T) {
	t.Parallel()
	h := newHarbour(t)
	page := chrome.Open(t).Page()
	page.Goto(h.Link(access.Viewer))
	for _, path := range []string{"/trace", "/trace/lots/" + h.lot, "/trace/lots/" + h.lot + "/list", "/trace/batches/OB-26101-01", "/trace/sources/OB-26101-01", "/find?q=OB-26101-02", "/find/purchase?product=SB&place=&on=2026-05-09&back=92"} {
		page.Goto(h.URL + path)
		if page.Status() != 200 {
			t.Fatalf("%s: %d", path, page.Status())
		}
		for _, wrong := range page.Looks(chrome.Sizes...) {
			t.Errorf("%s: %s", path, wrong)
		}
	}
	if wrong := page.Errors(); len(wrong) > 0 {
		t.Errorf("in red: %v", wrong)
	}
}
