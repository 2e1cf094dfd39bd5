package dispatch_test

import (
	"testing"

	"example.org/stillroom/internal/access"
	"example.org/stillroom/internal/chrome"
)

// The promise: what was counted at a fair without network is kept on the tablet and booked once there is one again, and
// the sums stand beside what is typed.
func TestACrateCountedWithoutAConnectionIsKeptAndBookedOnce(t *testing.T) {
	t.Parallel()
	s := newShelf(t)
	code := s.crateAway()
	p := chrome.Open(t).Page()
	p.Touch(true)
	p.Size(820, 1180)
	p.Goto(chrome.LAN(s.Link(access.Helper)))
	p.Goto(chrome.LAN(s.URL + "/crates/" + code + "/back"))
	p.Fill("left-0", "2")
	p.Fill("tester-0", "1")
	p.Fill("left-1", "5")
	p.MustEval(`document.querySelector("tr[data-out='8'] output").textContent === "5"`)
	p.Submit("Check the sums")
	p.MustHave("12 of 20 units sold.")
	s.onHand("SB-1", 2)
	p.Offline(true)
	p.Click("Book it")
	p.MustHave("Kept on this tablet")
	s.onHand("SB-1", 2)
	p.Offline(false)
	p.MustHave("12 of 20 units sold at Quay Fair")
	s.onHand("SB-1", 4)
	s.onHand("SB-2", 13)
	if errs := p.Errors(); len(errs) > 0 {
		t.Logf("the console says %v", errs) // requests that the cut connection failed
	}
}

func TestThePagesOfCratesSamplesAndCountsFitAndSpeak(t *testing.T) {
	t.Parallel()
	s := newShelf(t)
	code, packed := s.crateAway(), s.cratePacked()
	p := chrome.Open(t).Page()
	p.Goto(s.Link(access.Owner))
	for _, path := range []string{"/stock/count", "/samples", "/packings/SB-1/sample", "/crates", "/crates/new", "/crates/" + packed, "/crates/" + packed + "/edit", "/crates/" + packed + "/leaves", "/crates/" + code + "/back"} {
		p.Goto(s.URL + path)
		for _, words := range p.Looks([2]int{390, 844}, [2]int{820, 1180}, [2]int{1180, 820}) {
			t.Errorf("%s: %s", path, words)
		}
	}
	if errs := p.Errors(); len(errs) > 0 {
		t.Errorf("the console says %v", errs)
	}
}
