package store_test

import (
	"context"
	"strconv"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/uuid"

	"example.org/stillroom/internal/batchcode"
	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/pgtest"
	"example.org/stillroom/internal/store"
)

// first draws what stands first in what is left.
func first(int) int { return 0 }

func (h unitsShop) openDrill(d store.NewDrill, pick func(int) int) int {
	h.t.Helper()
	number, err := h.OpenDrill(context.Background(), h.owner, store.Entry{}, d, pick)
	if err != nil {
		h.t.Fatal(err)
	}
	n, err := strconv.Atoi(number)
	if err != nil {
		h.t.Fatal(err)
	}
	return n
}

func (h unitsShop) drill(n int) store.DrillPage {
	h.t.Helper()
	page, err := h.Drill(context.Background(), h.owner.Workshop, n)
	if err != nil {
		h.t.Fatal(err)
	}
	return page
}

// drillBook has a lot in two batches, of one of which units left, and a lot that nothing was made of.
func drillBook(t *testing.T) (unitsShop, string) {
	t.Helper()
	h := newUnitsShop(t)
	oil := h.book.Material("OIL", "Olive oil")
	h.book.Lot("A-IDLE", oil, 1000)
	used := h.book.Lot("B-USED", oil, 1000)
	for _, code := range []string{"OB-1", "OB-2"} {
		batch := h.book.Batch(code, batchcode.Fold(code), h.soap, h.today.AddDays(-60).String(), 40, "released", h.today.AddDays(300).String()).Batch
		h.book.Draw(batch, used, 100)
	}
	alder := h.customer("Alder House")
	h.recallSent(alder, "OB-1", 12)
	return h, alder
}

func TestADrillIsTimedCountedAndSigned(t *testing.T) {
	t.Parallel()
	ctx := context.Background()
	h, alder := drillBook(t)
	d := store.NewDrill{From: store.TraceStart{Kind: "lot", Code: "B-USED"}, Title: "Yearly drill", Reason: "The supplier withdraws the oil."}
	if _, err := h.OpenDrill(ctx, h.helper, store.Entry{}, d, first); !fault.Is(err, fault.Forbidden) {
		t.Errorf("a helper begins a drill: %v", err)
	}
	n := h.openDrill(d, first)
	page := h.drill(n)
	if page.Drawn || page.Target != 0 || page.Result.Pct != 100 || page.Result.Uncounted != 2 || page.Result.Unreachable != 1 || len(page.Customers) != 1 || page.Customers[0].Units != 12 {
		t.Errorf("as it began: %+v", page)
	}
	h.recallSent(alder, "OB-2", 5) // a drill blocks nothing, and what leaves meanwhile is not missing
	if err := h.CountDrill(ctx, h.helper, store.Entry{}, n, map[string]int{"OB-1": 25, "OB-2": 35}); err != nil {
		t.Fatal(err)
	}
	if err := h.CountDrill(ctx, h.helper, store.Entry{}, n, map[string]int{"OB-1": 26}); err != nil {
		t.Errorf("counted again: %v", err)
	}
	if err := h.CountDrill(ctx, h.helper, store.Entry{}, n, map[string]int{"OB-9": 1}); !fault.Is(err, fault.Invalid) {
		t.Errorf("what is not in the drill is counted: %v", err)
	}
	unitsSays(t, h.CountDrill(ctx, h.helper, store.Entry{}, n, map[string]int{"OB-1": -1}), "count-OB-1", "Between 0 and 1,000,000.")
	who := h.owner
	who.Actor = "command"
	if err := h.EndDrill(ctx, who, store.Entry{}, n, "Fine.", ""); !fault.Is(err, fault.Conflict) {
		t.Errorf("ended before its list was complete: %v", err)
	}
	if err := h.ListDrill(ctx, h.owner, store.Entry{}, n); err != nil {
		t.Fatal(err)
	}
	for what, err := range map[string]error{
		"listed twice":  h.ListDrill(ctx, h.owner, store.Entry{}, n),
		"counted after": h.CountDrill(ctx, h.helper, store.Entry{}, n, map[string]int{"OB-1": 28}),
	} {
		if !fault.Is(err, fault.Conflict) {
			t.Errorf("%s: %v", what, err)
		}
	}
	unitsSays(t, h.EndDrill(ctx, who, store.Entry{}, n, " ", ""), "note", "What has it shown, and what will you change?")
	if err := h.EndDrill(ctx, who, store.Entry{}, n, "Two bars are missing.", ""); err != nil {
		t.Fatal(err)
	}
	page = h.drill(n)
	var said []string
	for _, c := range page.Signed {
		if c.Key != "time" {
			said = append(said, string(c.State)+" "+c.Words)
		}
	}
	want := []string{"warn 97.5 %: 78 of 80.", "warn 2 units that the book has were not found. OB-1", "warn 1 customer has no address, telephone number or e-mail address in the book. AH",
		"warn 1 lot has no supplier, or no lot number of the supplier's. B-USED", "ok Two bars are missing."}
	if diff := cmp.Diff(want, said); diff != "" {
		t.Errorf("signed (-want +got):\n%s", diff)
	}
	if page.Open() || page.Signature == nil || page.Signature.Broken || page.Signature.Meaning != "closed" {
		t.Errorf("its signature: %+v", page.Signature)
	}
	list, _, err := h.Drills(ctx, h.owner.Workshop, 0, 10)
	if err != nil || len(list) != 1 || list[0].Pct != 97.5 || list[0].Packings != 2 {
		t.Errorf("list %+v, %v", list, err)
	}
	if watch, err := h.DrillWatch(ctx, h.owner.Workshop); err != nil || watch.Last.IsZero() || watch.Running != 0 || watch.First != h.today {
		t.Errorf("watch %+v, %v", watch, err)
	}
	if _, err := h.Recall(ctx, h.owner.Workshop, n); err != nil {
		t.Error(err)
	}
	number := h.openRecall(store.NewRecall{From: []store.TraceStart{{Kind: "batch", Code: "OB-1"}}, Level: "stock", Title: "Rash", Reason: "A rash."})
	if _, err := h.Drill(ctx, h.owner.Workshop, number); !fault.Is(err, fault.NotFound) {
		t.Errorf("a recall is shown as a drill: %v", err)
	}
	h.onHand("OB-1", 28) // what was found for a drill changes nothing
}

func TestALotIsDrawnAmongThoseThatReachedWhatLeft(t *testing.T) {
	t.Parallel()
	ctx := context.Background()
	h, _ := drillBook(t)
	d := store.NewDrill{Random: true, Title: "Yearly drill", Reason: "Drawn."}
	asked := []int{}
	n := h.openDrill(d, func(n int) int { asked = append(asked, n); return n - 1 })
	page := h.drill(n)
	if !page.Drawn || len(page.Origins) != 1 || page.Origins[0].Code != "B-USED" {
		t.Errorf("drawn %+v", page.Origins)
	}
	if diff := cmp.Diff([]int{2, 1}, asked); diff != "" {
		t.Errorf("each of the lots is as likely (-want +got):\n%s", diff)
	}
	if n := h.openDrill(d, first); h.drill(n).Origins[0].Code != "B-USED" {
		t.Error("a lot that reached nothing was drawn")
	}
	empty := newUnitsShop(t)
	empty.book.Lot("A-IDLE", empty.book.Material("OIL", "Olive oil"), 10)
	_, err := empty.OpenDrill(ctx, empty.owner, store.Entry{}, d, first)
	unitsSays(t, err, "from", "No lot has reached a unit that left in the last two years. Choose one to begin with.")
}

// reachOf is what LotsReach answers, by the codes of the lots.
func (h unitsShop) reachOf() (store.LotsReach, map[string]store.LotReach) {
	h.t.Helper()
	r, err := h.LotsReach(context.Background(), h.owner.Workshop, h.today)
	if err != nil {
		h.t.Fatal(err)
	}
	by := map[string]store.LotReach{}
	for _, l := range append(append([]store.LotReach{}, r.Lots...), r.Delivered...) {
		key := ""
		for _, code := range l.Lots {
			key += code + " "
		}
		by[key] = l
	}
	return r, by
}

func TestReachCountsEachLotAsItsTraceDoes(t *testing.T) {
	t.Parallel()
	ctx := context.Background()
	h := newUnitsShop(t)
	oil, lye := h.book.Material("OIL", "Olive oil"), h.book.Material("LYE", "Lye")
	supplier := uuid.Must(uuid.NewV7())
	h.book.Do(pgtest.Statement{SQL: `INSERT INTO supplier (workshop_id, id, code, name, personal_key, change_id) VALUES ($1, $3, 'FO', 'Fenmarch Oils', sha256('test'), $2)`, Args: []any{supplier}})
	lots := map[string]uuid.UUID{}
	for _, l := range []struct {
		code string
		of   uuid.UUID
	}{{"OIL-1", oil}, {"OIL-2", oil}, {"OIL-3", oil}, {"LYE-1", lye}, {"TUB", oil}, {"OLD", oil}} {
		lots[l.code] = h.book.Lot(l.code, l.of, 1000)
	}
	h.book.Do(
		pgtest.Statement{SQL: `UPDATE material_lot SET supplier_id = $3, supplier_lot = '77', supplier_lot_key = '77' WHERE workshop_id = $1 AND code IN ('OIL-1', 'OIL-2') AND $2::uuid IS NOT NULL`, Args: []any{supplier}},
		pgtest.Statement{SQL: `INSERT INTO lot_input (workshop_id, id, lot_id, source_lot_id, quantity, happened_on, change_id) VALUES ($1, gen_random_uuid(), $3, $4, 10, '2026-01-06', $2)`, Args: []any{lots["TUB"], lots["OIL-2"]}},
		pgtest.Statement{SQL: `UPDATE material_lot SET emptied_on = '2026-02-01' WHERE workshop_id = $1 AND code = 'OLD' AND $2::uuid IS NOT NULL`},
	)
	made := map[string]pgtest.Packed{}
	for _, b := range []struct {
		code     string
		ago, old int
		good     int
		from     []string
	}{{"A", 30, 300, 40, []string{"OIL-1", "LYE-1"}}, {"B", 40, 300, 60, []string{"TUB", "LYE-1"}}, {"C", 500, 20, 100, []string{"OIL-2"}}, {"D", 900, -200, 7, []string{"OLD", "OIL-1"}}, {"E", 20, 300, 25, nil}} {
		made[b.code] = h.book.Batch(b.code, batchcode.Fold(b.code), h.soap, h.today.AddDays(-b.ago).String(), b.good, "released", h.today.AddDays(b.old).String())
		for _, l := range b.from {
			h.book.Draw(made[b.code].Batch, lots[l], 10)
		}
	}
	h.book.DrawBatch(made["E"].Batch, made["A"].Batch, 5)
	h.book.Do(pgtest.Statement{SQL: `INSERT INTO packing_input (workshop_id, id, packing_id, material_lot_id, quantity, change_id) VALUES ($1, gen_random_uuid(), $3, $4, 1, $2)`, Args: []any{made["C"].Packing, lots["OIL-3"]}})
	x, y := h.book.Customer("X", "Alder House", "stockist"), h.book.Customer("Y", "Fair", "event")
	for i, l := range []struct {
		to   uuid.UUID
		of   string
		many int
	}{{x, "A", 3}, {y, "A", 2}, {x, "B", 4}, {x, "D", 7}, {y, "E", 1}} {
		h.book.Dispatch("D-"+strconv.Itoa(i), l.to, made[l.of].Packing, l.many, h.today.AddDays(-5).String())
	}
	r, by := h.reachOf()
	for _, l := range r.Lots {
		trace, err := h.TraceLot(ctx, h.owner.Workshop, l.Lots[0])
		if err != nil {
			t.Fatal(err)
		}
		units, customers := 0, map[string]bool{}
		for _, p := range trace.Packings {
			units += p.Units.Good
		}
		for _, line := range trace.Lines {
			if line.Customer != "" { // a packing of which nothing was sent has a line too
				customers[line.Customer] = true
			}
		}
		if diff := cmp.Diff([]int{len(trace.Batches), units, len(customers)}, []int{l.Batches, l.Units, l.Customers}); diff != "" {
			t.Errorf("%s (-trace +reach):\n%s", l.Lots[0], diff)
		}
	}
	type row struct{ Batches, Units, Year, Customers int }
	got := map[string]row{}
	for key, l := range by {
		got[key] = row{l.Batches, l.Units, l.YearUnits, l.Customers}
	}
	// OLD is empty, and what was made of it is out of date and older than a year.
	want := map[string]row{"OIL-1 ": {3, 72, 65, 2}, "OIL-2 ": {2, 160, 60, 1}, "OIL-3 ": {1, 100, 0, 0}, "LYE-1 ": {3, 125, 125, 2}, "TUB ": {1, 60, 60, 1}, "OIL-1 OIL-2 ": {5, 232, 125, 2}}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
	if r.YearUnits != 125 || r.Lots[0].Lots[0] != "LYE-1" || r.Share(r.Lots[1]) != 52 {
		t.Errorf("of %d units; the widest is %v, the next has %v %%", r.YearUnits, r.Lots[0].Lots, r.Share(r.Lots[1]))
	}
	if len(r.Sole) != 1 || r.Sole[0].Lots[0] != "LYE-1" {
		t.Errorf("alone for their material: %+v", r.Sole)
	}
}

func TestWhatIsKeptNamesWhoWasSuppliedAndThePapers(t *testing.T) {
	t.Parallel()
	ctx := context.Background()
	h := newUnitsShop(t)
	h.packed("OB-1", 40, 300)
	h.packed("OB-2", 40, 300)
	h.book.Product("ZZ", "Zinc balm")
	h.recallSent(h.customer("Alder House"), "OB-1", 12)
	if err := h.AttachToProduct(ctx, h.owner, store.Entry{}, "SB", store.Upload{Kind: "safety_report", Name: "report.pdf", MediaType: "application/pdf", Data: []byte("%PDF-1.4")}); err != nil {
		t.Fatal(err)
	}
	products, next, err := h.HeldProducts(ctx, h.owner.Workshop, h.today, "")
	if err != nil || next != "" || len(products) != 2 || products[0].Papers["safety_report"] != 1 || products[0].LastLeft != h.today || !products[1].LastLeft.IsZero() {
		t.Errorf("products %+v, %q, %v", products, next, err)
	}
	// A year later the same day is found among all packings.
	later, _, err := h.HeldProducts(ctx, h.owner.Workshop, h.today.AddMonths(14), "")
	if err != nil || later[0].LastLeft != h.today {
		t.Errorf("later %+v, %v", later, err)
	}
	if after, _, err := h.HeldProducts(ctx, h.owner.Workshop, h.today, "SB"); err != nil || len(after) != 1 || after[0].Code != "ZZ" {
		t.Errorf("behind SB %+v, %v", after, err)
	}
	batches, _, err := h.HeldBatches(ctx, h.owner.Workshop, "")
	if err != nil || len(batches) != 1 || batches[0].Code != "OB-1" || batches[0].Last != h.today || batches[0].Customers != 1 || batches[0].NotReachable != 1 {
		t.Errorf("batches %+v, %v", batches, err)
	}
	yes := true
	if err := h.SetMarkets(ctx, h.owner, store.Entry{}, []string{"us", "eu"}, &yes); err != nil {
		t.Fatal(err)
	}
	unitsSays(t, h.SetMarkets(ctx, h.owner, store.Entry{}, []string{"mars"}, nil), "markets", "Choose among those that are listed.")
	if got := unitsAsk[string](h, `SELECT markets || ' ' || us_small_business FROM workshop WHERE id = $1`, uuid.UUID(h.owner.Workshop)); got != "eu,us true" {
		t.Errorf("stored %q", got)
	}
	if err := h.SetMarkets(ctx, h.owner, store.Entry{}, nil, nil); err != nil {
		t.Errorf("taken back: %v", err)
	}
}
