package store_test

import (
	"fmt"
	"testing"

	"github.com/google/uuid"

	"example.org/stillroom/internal/measure"
	"example.org/stillroom/internal/pgtest"
	"example.org/stillroom/internal/store"
)

// The sums of the stock page are made in SQL; what may leave is decided packing by packing in Packing.Unfit. Every
// status, each side of every date, and units on hold: the two say the same.
func TestTheStockPageSumsWhatItsPackingsSay(t *testing.T) {
	t.Parallel()
	h := newUnitsShop(t)
	n := 0
	for _, status := range []string{"quarantined", "released", "rejected"} {
		for _, left := range []int{0, -30, -1, 1, 29, 30, 31, 400} { // 0: no date
			n++
			h.packedAs(fmt.Sprintf("SB-%d", n), 7+n, left, status)
		}
	}
	due := h.packed("SB-TODAY", 5, 1)
	h.book.Do(pgtest.Statement{SQL: `UPDATE packing SET best_before = $4::date WHERE workshop_id = $1 AND id = $3 AND $2::uuid IS NOT NULL`, Args: []any{due, h.today.String()}})
	later := h.packed("SB-LATER", 6, 90)
	h.book.Do(pgtest.Statement{SQL: `UPDATE packing SET packed_on = $4::date WHERE workshop_id = $1 AND id = $3 AND $2::uuid IS NOT NULL`, Args: []any{later, h.today.AddDays(2).String()}})
	for code, units := range map[string]int{"SB-12": 4, "SB-13": 20} { // a part of one, all of the other
		h.book.Do(pgtest.Statement{SQL: `INSERT INTO hold (workshop_id, id, packing_id, units, reason, placed_at, change_id) SELECT $1, $3, p.id, $5, 'smells', now(), $2 FROM packing p WHERE p.workshop_id = $1 AND p.code = $4`,
			Args: []any{uuid.Must(uuid.NewV7()), code, units}})
	}
	soon := h.today.AddDays(30)
	page, err := h.StockPage(t.Context(), h.owner.Workshop, store.StockQuery{Today: h.today, Soon: soon, Products: 10, Packings: 100})
	packOK(t, err)
	if len(page.Products) != 1 || page.Products[0].All != n+2 || len(page.Products[0].Packings) != n+2 {
		t.Fatalf("%d products, %+v", len(page.Products), page.Products)
	}
	var want store.StockPage
	for _, p := range page.Products[0].Packings {
		want.OnHand += p.OnHand
		may := p.Unfit(measure.Style{}, h.today) == ""
		if may {
			want.Free += p.Free()
		}
		if !p.BestBefore.IsZero() && p.BestBefore.Before(h.today) && p.Status != "rejected" {
			want.Past++
		}
		if !p.BestBefore.IsZero() && !p.BestBefore.Before(h.today) && !soon.Before(p.BestBefore) && p.Status == "released" && p.Free() > 0 {
			want.Near++
		}
	}
	if page.OnHand != want.OnHand || page.Free != want.Free || page.Past != want.Past || page.Near != want.Near || page.Products[0].Free != want.Free {
		t.Errorf("the page says %d on hand, %d may leave (%d of the product), %d past, %d near; its packings %d, %d, %d, %d",
			page.OnHand, page.Free, page.Products[0].Free, page.Past, page.Near, want.OnHand, want.Free, want.Past, want.Near)
	}
	if want.Free == 0 || want.Past == 0 || want.Near < 2 || want.Free == want.OnHand {
		t.Errorf("the packings tell nothing apart: %+v", want)
	}
}
