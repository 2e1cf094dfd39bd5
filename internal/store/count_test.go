package store_test

import (
	"sync"
	"testing"

	"github.com/google/uuid"

	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/store"
)

func countAll(h unitsShop, note string, lines ...store.CountedLine) (int, error) {
	return h.CountShelf(h.t.Context(), h.helper, store.Entry{}, store.ShelfCount{Lines: lines, Note: note})
}

func TestAShelfIsCountedInOneGo(t *testing.T) {
	t.Parallel()
	h := newUnitsShop(t)
	h.packed("SB-1", 10, 100)
	h.packed("SB-2", 20, 100)
	h.packedAs("SB-3", 5, 100, "quarantined")
	h.packed("SB-4", 0, 100)
	off, err := countAll(h, "not known", store.CountedLine{Packing: "SB-1", Units: 8}, store.CountedLine{Packing: "SB-2", Units: 20}, store.CountedLine{Packing: "sb 3", Units: 6}, store.CountedLine{Packing: "SB-4", Units: 1})
	if err != nil || off != 3 {
		t.Errorf("%d were off, %v; want 3", off, err)
	}
	for code, want := range map[string]int{"SB-1": 8, "SB-2": 20, "SB-3": 6, "SB-4": 1} {
		h.onHand(code, want)
	}
	if n := unitsAsk[int](h, `SELECT count(DISTINCT change_id) FROM unit_move`); n != 1 {
		t.Errorf("booked under %d changes, want one", n)
	}
	if off, err := countAll(h, "", store.CountedLine{Packing: "SB-1", Units: 8}); err != nil || off != 0 {
		t.Errorf("a count that agrees: %d, %v", off, err)
	}
	if got := unitsAsk[string](h, `SELECT reason FROM change ORDER BY at DESC LIMIT 1`); got != "Shelf counted: 1 packing." {
		t.Errorf("the trail says %q", got)
	}
}

func TestABadCountBooksNothing(t *testing.T) {
	t.Parallel()
	h := newUnitsShop(t)
	h.packed("SB-1", 10, 100)
	h.packed("SB-2", 20, 100)
	h.elsewhere()
	seen := 11
	one := store.CountedLine{Packing: "SB-1", Units: 9}
	for _, row := range []struct {
		name, field, want, note string
		lines                   []store.CountedLine
	}{
		{"nothing", "lines", "Write how many are there of at least one packing.", "", nil},
		{"no such code", "packing-1", `No packing has the code "SB-9".`, "x", []store.CountedLine{one, {Packing: "SB-9", Units: 1}}},
		{"another workshop's code", "packing-1", `No packing has the code "ZZ-1".`, "x", []store.CountedLine{one, {Packing: "ZZ-1", Units: 1}}},
		{"a code twice", "line-1", "SB-1 stands here twice: write what is there in one line.", "x", []store.CountedLine{one, {Packing: "sb1", Units: 1}}},
		{"too many", "line-1", "How many are there? Between 0 and 1,000,000.", "x", []store.CountedLine{one, {Packing: "SB-2", Units: 1_000_001}}},
		{"off without a word", "note", "Say why the book was off, or that you do not know.", " ", []store.CountedLine{one}},
		{"sent meanwhile", "line-1", "The book held 11 when you began and holds 20 now. Look again and write what is there.", "x", []store.CountedLine{one, {Packing: "SB-2", Units: 11, Seen: &seen}}},
	} {
		t.Run(row.name, func(t *testing.T) {
			_, err := countAll(h, row.note, row.lines...)
			unitsSays(t, err, row.field, row.want)
		})
	}
	h.onHand("SB-1", 10)
}

func TestCountsAndDispatchesOfTheSameShelfNeverWaitForEachOther(t *testing.T) {
	t.Parallel()
	h := newUnitsShop(t)
	h.packed("SB-1", 50, 100)
	h.packed("SB-2", 50, 100)
	shop := h.customer("Pantry")
	var all sync.WaitGroup
	for i := range 12 {
		all.Go(func() {
			lines := []store.CountedLine{{Packing: "SB-1", Units: 40 + i}, {Packing: "SB-2", Units: 40 + i}}
			if i%2 == 0 {
				lines[0], lines[1] = lines[1], lines[0]
			}
			if _, err := countAll(h, "x", lines...); err != nil {
				t.Errorf("count: %v", err)
			}
		})
		all.Go(func() {
			_, err := h.Dispatch(t.Context(), h.owner, store.Entry{}, store.NewDispatch{Customer: shop, On: h.today, Lines: []store.DispatchLine{unitsLine("SB-2", 1), unitsLine("SB-1", 1)}})
			if err != nil && fault.As(err) == nil {
				t.Errorf("dispatch: %v", err)
			}
		})
	}
	all.Wait()
	h.stands()
}

func TestUnitsThatMayNotLeaveAndWentAsGiftsAreAskedAboutOnce(t *testing.T) {
	t.Parallel()
	h := newUnitsShop(t)
	h.packedAs("SB-1", 10, 100, "quarantined")
	h.packed("SB-2", 10, -1)
	h.packed("SB-3", 10, 100)
	ctx := t.Context()
	if err := h.PlaceHold(ctx, h.owner, store.Entry{}, store.NewHold{Packing: "SB-3", Units: 8, Reason: "dented"}); err != nil {
		t.Fatal(err)
	}
	for _, row := range []struct {
		name, packing, reason, asked string
		units                        int
	}{
		{"a broken one in quarantine", "SB-1", "broken", "", 1},
		{"a gift in quarantine", "SB-1", "gift", "It is not released yet.", 1},
		{"own use in quarantine", "SB-1", "own_use", "It is not released yet.", 1},
		{"a tester out of date", "SB-2", "tester", "It is out of date: best before " + h.today.AddDays(-1).Long() + ".", 1},
		{"own use out of date", "SB-2", "own_use", "", 1},
		{"a gift of free ones", "SB-3", "gift", "", 1},
		{"a gift that takes some on hold", "SB-3", "gift", "1 unit of it on hold.", 2},
	} {
		t.Run(row.name, func(t *testing.T) {
			m := store.UnitMove{Packing: row.packing, Reason: row.reason, Units: row.units}
			_, err := h.MoveUnits(ctx, h.helper, store.Entry{}, m)
			if row.asked == "" {
				if err != nil {
					t.Error(err)
				}
				return
			}
			unitsSays(t, err, "really", row.asked)
			m.Really = true
			_, err = h.MoveUnits(ctx, h.helper, store.Entry{}, m)
			unitsSays(t, err, "note", "Say how it came about; it goes into the record.")
			m.Note = "given away by mistake"
			code, err := h.MoveUnits(ctx, h.helper, store.Entry{}, m)
			if err != nil {
				t.Fatal(err)
			}
			open, _, err := h.OpenDeviations(ctx, h.owner.Workshop, "", 50)
			if err != nil || len(open) != 1 || open[0].Packing != row.packing || open[0].Kind != "dispatch" || open[0].Reason != m.Note {
				t.Fatalf("deviations: %+v, %v", open, err)
			}
			if err := h.WithdrawMove(ctx, h.owner, store.Entry{}, code, "mis-tap"); err != nil {
				t.Fatal(err)
			}
			if open, _, err = h.OpenDeviations(ctx, h.owner.Workshop, "", 50); err != nil || len(open) != 0 {
				t.Errorf("its deviation is still open: %+v, %v", open, err)
			}
		})
	}
	h.onHand("SB-1", 9)
	h.onHand("SB-2", 9)
	h.onHand("SB-3", 9)
}

func TestBrokenUnitsAreTakenOutOfTheirHoldAndGoBackIntoIt(t *testing.T) {
	t.Parallel()
	h := newUnitsShop(t)
	h.packed("SB-1", 10, 100)
	h.packed("SB-2", 10, 100)
	ctx := t.Context()
	for _, packing := range []string{"SB-1", "SB-2"} {
		if err := h.PlaceHold(ctx, h.owner, store.Entry{}, store.NewHold{Packing: packing, Units: 4, Reason: "dented"}); err != nil {
			t.Fatal(err)
		}
	}
	hold := h.units("SB-1").Holds[0].ID
	broken := store.UnitMove{Packing: "SB-1", Reason: "broken", Units: 3, Hold: hold}
	for _, row := range []struct {
		name, field, want string
		change            func(*store.UnitMove)
	}{
		{"more than are on it", "units", "Only 4 units are on that hold.", func(m *store.UnitMove) { m.Units = 5 }},
		{"of another packing", "hold", "That hold has been lifted meanwhile, or is of another packing. Choose again.", func(m *store.UnitMove) { m.Hold = h.units("SB-2").Holds[0].ID }},
		{"no hold at all", "hold", "That hold has been lifted meanwhile, or is of another packing. Choose again.", func(m *store.UnitMove) { m.Hold = store.HoldID(uuid.New()) }},
		{"a gift", "really", "1 unit of it on hold.", func(m *store.UnitMove) { m.Reason, m.Units = "gift", 1 }},
	} {
		t.Run(row.name, func(t *testing.T) {
			m := broken
			row.change(&m)
			_, err := h.MoveUnits(ctx, h.owner, store.Entry{}, m)
			unitsSays(t, err, row.field, row.want)
		})
	}
	code, err := h.MoveUnits(ctx, h.owner, store.Entry{}, broken)
	if err != nil {
		t.Fatal(err)
	}
	page := h.units("SB-1")
	if page.OnHand != 7 || page.Held != 1 || page.Free() != 6 || page.Holds[0].Reason != "dented" {
		t.Errorf("after: %d on hand, %d held, %d free; %+v", page.OnHand, page.Held, page.Free(), page.Holds)
	}
	if err := h.WithdrawMove(ctx, h.owner, store.Entry{}, code, "they were mended"); err != nil {
		t.Fatal(err)
	}
	if page = h.units("SB-1"); page.OnHand != 10 || page.Held != 4 {
		t.Errorf("taken back: %d on hand, %d held; want 10 and 4", page.OnHand, page.Held)
	}
	h.stands()
}
