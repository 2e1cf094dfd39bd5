package bench_test

import (
	"strings"
	"testing"

	"example.org/stillroom/internal/access"
	"example.org/stillroom/internal/store"
	"example.org/stillroom/web/paths"
)

func TestTheScaleOffersATubByItsNameAndWarnsOfARetest(t *testing.T) {
	t.Parallel()
	s := newShop(t)
	s.lot("BW", "BW-2", "800", func(r *store.Receipt) { r.RetestOn = s.today.AddDays(-3) })
	tub, err := s.Store.FillTub(t.Context(), s.Who(access.Helper), store.Entry{}, store.TubFill{Tub: "Wax bin", Material: "BW", From: []store.TubDraw{{Lot: "BW-2", Quantity: dec("500")}}})
	s.ok(err)
	code := s.begun()
	helper := s.As(access.Helper)
	page := helper.Get(paths.BenchTask(code, "line-3"))
	says(t, page, "Weigh Beeswax", "Hot wax burns.", "The supplier's safety data sheet goes first.", "tub Wax bin, holds 500", "retest was due "+s.today.AddDays(-3).Long())
	// It warns and does not ask: a retest date is no expiry.
	next := helper.Submit(page, "Record", map[string]string{"lot": tub, "grams": "240"})
	helper.Follow(next)
	if got := s.weighed(code, "line-3"); got != "240 from "+tub || len(s.open(code)) != 0 {
		t.Errorf("weighed %q, open %v", got, s.open(code))
	}
}

func TestWhatIsNotTrackedSaysWhereItComesFromAndAsksForNoLot(t *testing.T) {
	t.Parallel()
	s := newShop(t)
	page := s.As(access.Helper).Get(paths.BenchTask(s.begun(), "line-7"))
	says(t, page, "Weigh Water", "not tracked: no lot (boiled tap water)")
	if strings.Contains(page.Text("main"), "From which lot") || page.Find("[name=lot], [name=other_lot]").Length() != 0 {
		t.Errorf("it asks for a lot: %q", page.Text("main"))
	}
}
