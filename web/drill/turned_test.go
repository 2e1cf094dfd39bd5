package drillpages

import (
	"slices"
	"strconv"
	"testing"

	"example.org/stillroom/web/ui"
)

func TestPagesOfAListHoldEachRowOnce(t *testing.T) {
	t.Parallel()
	for _, n := range []int{0, 1, ui.PageLength, ui.PageLength + 1, 2*ui.PageLength + 7} {
		list := make([]int, n)
		for i := range list {
			list[i] = i
		}
		var seen []int
		for behind, pages := "", 0; pages <= n/ui.PageLength; pages++ {
			page, next := turned(list, behind, strconv.Itoa)
			if len(page) > ui.PageLength {
				t.Errorf("%d rows of %d on a page", len(page), n)
			}
			seen = append(seen, page...)
			if behind = next; next == "" {
				break
			}
		}
		if !slices.Equal(seen, list) {
			t.Errorf("the pages of %d rows hold %v", n, seen)
		}
	}
}
