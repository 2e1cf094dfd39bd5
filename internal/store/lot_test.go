package store_test

import (
	"context"
	"fmt"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"github.com/shopspring/decimal"

	"example.org/stillroom/internal/access"
	"example.org/stillroom/internal/day"
	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/pgtest"
	"example.org/stillroom/internal/store"
)

// lotHelper adds a person who works at the door and the bench.
func lotHelper(t *testing.T, h house, name string) store.Who {
	t.Helper()
	email := strings.ToLower(name) + "@quillmoor.example.org"
	if _, err := h.AddPerson(t.Context(), h.owner, store.Entry{}, store.NewPerson{Email: email, Name: name, Role: access.Helper}, time.Now()); err != nil {
		t.Fatal(err)
	}
	people, err := h.People(t.Context(), h.owner.Workshop)
	if err != nil {
		t.Fatal(err)
	}
	for _, p := range people {
		if p.Name == name {
			return store.Who{Workshop: h.owner.Workshop, Person: p.ID, Name: name, Role: access.Helper, Actor: "person"}
		}
	}
	t.Fatalf("%s is not there", name)
	return store.Who{}
}

func lotPage(t *testing.T, h house, code string) store.LotPage {
	t.Helper()
	l, err := h.Lot(t.Context(), h.owner.Workshop, code)
	if err != nil {
		t.Fatal(err)
	}
	return l
}

func lotGrams(n int64) decimal.Decimal { return decimal.NewFromInt(n) }

func TestTheLastOfALotLeavesOnce(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	lot := h.oatLot(t) // 1,000 g
	const tablets = 8
	results := make([]error, tablets)
	var start, done sync.WaitGroup
	start.Add(1)
	for i := range tablets {
		done.Go(func() {
			start.Wait()
			results[i] = h.MoveLot(context.Background(), h.owner, store.Entry{Key: uuid.New()}, store.LotMove{Lot: lot, Quantity: lotGrams(-600), Reason: "write_off", Note: "spilt"})
		})
	}
	start.Done()
	done.Wait()
	booked := 0
	for _, err := range results {
		if err == nil {
			booked++
		} else if f := fault.As(err); f == nil || !strings.Contains(f.Of("quantity"), "The book holds 400 g") {
			t.Errorf("who came too late is told %v", err)
		}
	}
	if left := lotPage(t, h, lot).OnHand; booked != 1 || !left.Equal(lotGrams(400)) {
		t.Errorf("%d of %d write-offs of 600 g were booked, %s g are left of 1,000", booked, tablets, left)
	}
}

// A write-off that waits for a lot which is being drawn on sees what was drawn, not what it held before.
func TestAMoveWaitsForADrawAndSeesWhatIsLeft(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	lot := h.oatLot(t)
	conn, err := pgx.Connect(t.Context(), h.db.OwnerURL)
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close(context.Background())
	draw, err := conn.Begin(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = draw.Rollback(context.Background()) }()
	id := uuid.UUID(lotPage(t, h, lot).ID)
	change := uuid.New()
	for _, s := range []struct {
		sql  string
		args []any
	}{
		{`SELECT set_config('app.workshop_id', $1::text, true), set_config('app.change_id', $2::text, true)`, []any{store.Text(h.owner.Workshop), change.String()}},
		{`INSERT INTO change (workshop_id, id, kind, actor) VALUES ($1, $2, 'create', 'system')`, []any{h.owner.Workshop, change}},
		{`SELECT id FROM material_lot WHERE workshop_id = $1 AND id = $2 FOR UPDATE`, []any{h.owner.Workshop, id}},
		{`INSERT INTO stock_move (workshop_id, id, code, lot_id, moved_on, quantity, reason, change_id) VALUES ($1, $2, 'SM-X', $3, '2026-03-13', -700, 'adjust', $4)`, []any{h.owner.Workshop, uuid.New(), id, change}},
	} {
		if _, err := draw.Exec(t.Context(), s.sql, s.args...); err != nil {
			t.Fatal(err)
		}
	}
	told := make(chan error, 1)
	go func() {
		told <- h.MoveLot(context.Background(), h.owner, store.Entry{}, store.LotMove{Lot: lot, Quantity: lotGrams(-400), Reason: "write_off", Note: "spilt"})
	}()
	select {
	case err := <-told:
		t.Fatalf("the write-off did not wait for the draw: %v", err)
	case <-time.After(200 * time.Millisecond):
	}
	if err := draw.Commit(t.Context()); err != nil {
		t.Fatal(err)
	}
	if f := fault.As(<-told); f == nil || !strings.Contains(f.Of("quantity"), "The book holds 300 g") {
		t.Errorf("after the draw the write-off is told %v", f)
	}
}

func TestACountSetsTheLotToWhatIsThere(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	lot := h.oatLot(t)
	seen := func(n int64) decimal.NullDecimal { return decimal.NewNullDecimal(lotGrams(n)) }
	for _, c := range []struct {
		name       string
		count      store.LotCount
		difference int64
		left       int64
	}{
		{"less than the book says", store.LotCount{Counted: lotGrams(950), Seen: seen(1000), Note: "drips"}, -50, 950},
		{"more than the book says", store.LotCount{Counted: lotGrams(1200), Seen: seen(950), Note: "overfilled drum"}, 250, 1200},
		{"as the book says, which needs no reason", store.LotCount{Counted: lotGrams(1200), Seen: seen(1200)}, 0, 1200},
		{"all gone", store.LotCount{Counted: decimal.Zero, Seen: seen(1200), Note: "tipped over"}, -1200, 0},
	} {
		c.count.Lot = lot
		entry := store.Entry{Key: uuid.New()}
		for sent := range 2 { // the second is the same form once more
			difference, err := h.CountLot(t.Context(), h.owner, entry, c.count)
			if c.name == "as the book says, which needs no reason" && sent == 1 {
				break
			}
			if err != nil || !difference.Equal(lotGrams(c.difference)) {
				t.Errorf("%s, sent %d: %s, %v", c.name, sent+1, difference, err)
			}
		}
		if left := lotPage(t, h, lot).OnHand; !left.Equal(lotGrams(c.left)) {
			t.Errorf("%s: the book says %s", c.name, left)
		}
	}
	entries := lotPage(t, h, lot).Entries
	if len(entries) != 4 || entries[1].Note != "counted 950 g: drips" {
		t.Errorf("the ledger has a receipt and three counts: %v", entries)
	}
}

func TestABadCountOrMoveIsToldAndNotBooked(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	lot := h.oatLot(t)
	if _, err := h.AddMaterial(t.Context(), h.owner, store.Entry{}, store.Material{Code: "TIN", Name: "Tin", Kind: "packaging", Unit: "each", Tracked: true}); err != nil {
		t.Fatal(err)
	}
	tins, err := h.ReceiveLot(t.Context(), h.owner, store.Entry{}, store.Receipt{Material: "TIN", ReceivedOn: day.Must("2026-03-12"), Quantity: lotGrams(100)})
	if err != nil {
		t.Fatal(err)
	}
	move := func(m store.LotMove) error { return h.MoveLot(t.Context(), h.owner, store.Entry{}, m) }
	count := func(c store.LotCount) error {
		_, err := h.CountLot(t.Context(), h.owner, store.Entry{}, c)
		return err
	}
	for _, c := range []struct {
		name   string
		err    error
		fields []string
	}{
		{"a count below zero", count(store.LotCount{Lot: lot, Counted: lotGrams(-1), Note: "x"}), []string{"counted"}},
		{"a count without a reason", count(store.LotCount{Lot: lot, Counted: lotGrams(1)}), []string{"note"}},
		{"half a tin counted, without a reason", count(store.LotCount{Lot: tins, Counted: decimal.RequireFromString("9.5")}), []string{"counted", "note"}},
		{"nothing moved, no reason, no kind", move(store.LotMove{Lot: lot}), []string{"note", "quantity", "reason"}},
		{"a write-off that adds", move(store.LotMove{Lot: lot, Quantity: lotGrams(1), Reason: "write_off", Note: "x"}), []string{"quantity"}},
		{"half a tin thrown away", move(store.LotMove{Lot: tins, Quantity: decimal.RequireFromString("-0.5"), Reason: "write_off", Note: "x"}), []string{"quantity"}},
		{"a day to come", move(store.LotMove{Lot: lot, Quantity: lotGrams(-1), Reason: "adjust", Note: "x", On: day.Must("2199-01-01")}), []string{"on"}},
		{"a reason of a novel", move(store.LotMove{Lot: lot, Quantity: lotGrams(-1), Reason: "adjust", Note: strings.Repeat("x", 501)}), []string{"note"}},
	} {
		f := fault.As(c.err)
		if f == nil || f.Kind != fault.Invalid {
			t.Errorf("%s: %v", c.name, c.err)
			continue
		}
		if diff := cmp.Diff(c.fields, f.Names()); diff != "" {
			t.Errorf("%s:\n%s", c.name, diff)
		}
	}
	stale := count(store.LotCount{Lot: lot, Counted: lotGrams(900), Seen: decimal.NewNullDecimal(lotGrams(990)), Note: "drips"})
	if !fault.Is(stale, fault.Conflict) {
		t.Errorf("a count against what the book no longer says: %v", stale)
	}
	for code, want := range map[string]int64{lot: 1000, tins: 100} {
		if l := lotPage(t, h, code); !l.OnHand.Equal(lotGrams(want)) || len(l.Entries) != 1 {
			t.Errorf("%s: %s left, %d entries", code, l.OnHand, len(l.Entries))
		}
	}
}

// lotCorrection is what stands in the book of the lot that oatLot receives.
func lotCorrection(l store.LotPage) store.LotCorrection {
	return store.LotCorrection{Code: l.Code, Seen: l.Entered.Seen, Supplier: l.SupplierCode, SupplierLot: l.SupplierLot, ReceivedOn: l.ReceivedOn, ExpiresOn: l.ExpiresOn, Quantity: l.Quantity}
}

func TestACorrectedLotKeepsOldBesideNew(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	code := h.oatLot(t)
	if _, err := h.AddSupplier(t.Context(), h.owner, store.Entry{}, store.Supplier{Name: "Heather Acre", Code: "HA"}); err != nil {
		t.Fatal(err)
	}
	if err := h.SetLotStatus(t.Context(), h.owner, store.Entry{}, code, "released", ""); err != nil {
		t.Fatal(err)
	}
	c := lotCorrection(lotPage(t, h, code))
	c.Supplier, c.SupplierLot, c.Quantity, c.ExpiresOn = "HA", "7731-D", decimal.RequireFromString("1250.5"), day.Must("2027-04-30")
	if err := h.CorrectLot(t.Context(), h.owner, store.Entry{}, c, "read from the wrong drum"); err != nil {
		t.Fatal(err)
	}
	l := lotPage(t, h, code)
	if !l.OnHand.Equal(c.Quantity) || l.SupplierName != "Heather Acre" {
		t.Errorf("after the correction: %s from %s", l.OnHand, l.SupplierName)
	}
	want := []store.RowChange{
		{Who: "Mara Thistle", Kind: "progress", Fields: []store.FieldChange{{"Status", "quarantined", "released"}}},
		{Who: "Mara Thistle", Kind: "correct", Reason: "read from the wrong drum", Fields: []store.FieldChange{
			{"Expires", "", "30 Apr 2027"}, {"Quantity received", "1\u202f000", "1\u202f250.5"}, {"Supplier", "Fenmarch Oils", "Heather Acre"}, {"Supplier's lot", "7731-B", "7731-D"},
		}},
	}
	got, err := h.History(t.Context(), h.owner.Workshop, "material_lot", uuid.UUID(l.ID))
	if err != nil {
		t.Fatal(err)
	}
	for i := range got {
		if got[i].At.IsZero() {
			t.Error("a change has its time")
		}
		got[i].At = time.Time{}
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("history:\n%s", diff)
	}
	if broken := h.broken(t); len(broken) > 0 {
		t.Errorf("verify: %v", broken)
	}
}

func TestACorrectionFromAStalePagePutsNothingBack(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	code := h.oatLot(t)
	page := lotPage(t, h, code)
	first := lotCorrection(page)
	first.SupplierLot = "7731-C"
	if err := h.CorrectLot(t.Context(), h.owner, store.Entry{}, first, "misread"); err != nil {
		t.Fatal(err)
	}
	second := lotCorrection(page)
	second.ExpiresOn = day.Must("2027-04-30")
	err := h.CorrectLot(t.Context(), h.owner, store.Entry{}, second, "not on the note")
	if !fault.Is(err, fault.Conflict) {
		t.Errorf("a correction of what is no longer there: %v", err)
	}
	if l := lotPage(t, h, code); l.SupplierLot != "7731-C" || !l.ExpiresOn.IsZero() {
		t.Errorf("the first correction does not stand: %s, %s", l.SupplierLot, l.ExpiresOn)
	}
}

func TestAHelperCorrectsTheirOwnReceiptOfTheDayOnly(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	h.oatLot(t)
	wren, tansy := lotHelper(t, h, "Wren"), lotHelper(t, h, "Tansy")
	code, err := h.ReceiveLot(t.Context(), wren, store.Entry{}, store.Receipt{Material: "OO", ReceivedOn: day.Must("2026-03-13"), Quantity: lotGrams(50)})
	if err != nil {
		t.Fatal(err)
	}
	fix := func(who store.Who, quantity int64) error {
		c := lotCorrection(lotPage(t, h, code))
		c.Quantity = lotGrams(quantity)
		return h.CorrectLot(t.Context(), who, store.Entry{}, c, "miscounted")
	}
	if err := fix(tansy, 51); !fault.Is(err, fault.Forbidden) {
		t.Errorf("another helper: %v", err)
	}
	if err := fix(wren, 52); err != nil {
		t.Errorf("who received it, the same day: %v", err)
	}
	if err := fix(h.owner, 53); err != nil {
		t.Errorf("the owner: %v", err)
	}
	// A receipt of two days ago, dated back by the database's owner, who alone can.
	old := wren
	old.RecordTime = time.Now().Add(-48 * time.Hour)
	asOwner, err := store.Open(t.Context(), h.db.OwnerURL)
	if err != nil {
		t.Fatal(err)
	}
	defer asOwner.Close()
	if code, err = asOwner.ReceiveLot(t.Context(), old, store.Entry{}, store.Receipt{Material: "OO", ReceivedOn: day.Must("2026-03-13"), Quantity: lotGrams(60)}); err != nil {
		t.Fatal(err)
	}
	if err := fix(wren, 61); !fault.Is(err, fault.Forbidden) {
		t.Errorf("two days later: %v", err)
	}
}

func TestACorrectedReceiptBelowWhatWasDrawnBooksTheRestAsMoreThanRecorded(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	code := h.oatLot(t)
	if err := h.MoveLot(t.Context(), h.owner, store.Entry{}, store.LotMove{Lot: code, Quantity: lotGrams(-800), Reason: "write_off", Note: "spilt"}); err != nil {
		t.Fatal(err)
	}
	c := lotCorrection(lotPage(t, h, code))
	c.Quantity = lotGrams(500)
	if err := h.CorrectLot(t.Context(), h.owner, store.Entry{}, c, "the note says 500"); err != nil {
		t.Fatal(err)
	}
	l := lotPage(t, h, code)
	last := l.Entries[len(l.Entries)-1]
	if !l.OnHand.IsZero() || last.What != "more than recorded" || !last.Quantity.Equal(lotGrams(300)) {
		t.Errorf("%s left; the last entry is %s %s", l.OnHand, last.What, last.Quantity)
	}
}

func TestAnEarlierExpiryNamesTheLabelsThatAreOutOnce(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	code := h.oatLot(t)
	book := pgtest.History(t, h.db, uuid.UUID(h.owner.Workshop))
	packed := book.Batch("OB-26071-01A", "0B2607101A", book.Product("OBS", "Oat bar"), "2026-03-12", 40, "released", "2028-03-12")
	book.Draw(packed.Batch, uuid.UUID(lotPage(t, h, code).ID), 200)
	for _, step := range []struct {
		name, expires string
		open          int
	}{
		{"later than the label", "2029-01-01", 0},
		{"earlier than the label", "2027-06-30", 1},
		{"earlier still", "2027-03-31", 1},
		{"after all later than the label", "2028-06-30", 0},
	} {
		c := lotCorrection(lotPage(t, h, code))
		c.ExpiresOn = day.Must(step.expires)
		if err := h.CorrectLot(t.Context(), h.owner, store.Entry{}, c, "certificate says so"); err != nil {
			t.Fatal(err)
		}
		open := 0
		for _, d := range lotPage(t, h, code).Deviations {
			if d.Open() {
				open++
				if want := fmt.Sprintf("Lot %s now expires on %s", code, c.ExpiresOn.Long()); !strings.HasPrefix(d.What, want) {
					t.Errorf("%s: %q", step.name, d.What)
				}
			}
		}
		if open != step.open {
			t.Errorf("%s: %d open deviations, want %d", step.name, open, step.open)
		}
	}
}

func TestANewSupplierThatIsKnownIsTheKnownOne(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	h.oatLot(t)
	if _, err := h.ReceiveLot(t.Context(), h.owner, store.Entry{}, store.Receipt{Material: "OO", NewSupplier: " fenmarch oils ", ReceivedOn: day.Must("2026-03-13"), Quantity: lotGrams(5)}); err != nil {
		t.Fatal(err)
	}
	list, err := h.Suppliers(t.Context(), h.owner.Workshop)
	if err != nil || len(list) != 1 {
		t.Errorf("suppliers: %v, %v", list, err)
	}
	m, err := h.MaterialPage(t.Context(), h.owner.Workshop, "OO", "", "")
	if err != nil {
		t.Fatal(err)
	}
	if last, err := h.LastSupplier(t.Context(), h.owner.Workshop, m.ID); err != nil || last != "FO" {
		t.Errorf("the last supplier of the oil: %q, %v", last, err)
	}
}

func TestLotsOfASupplierAndAMaterialComeInPages(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	h.oatLot(t) // OO-0001
	for i := range 120 {
		r := store.Receipt{Material: "OO", Supplier: "FO", ReceivedOn: day.Must("2026-01-01").AddDays(i / 3), Quantity: lotGrams(1)}
		code, err := h.ReceiveLot(t.Context(), h.owner, store.Entry{}, r)
		if err == nil {
			err = h.MoveLot(t.Context(), h.owner, store.Entry{}, store.LotMove{Lot: code, Quantity: lotGrams(-1), Reason: "write_off", Note: "used"})
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	walk := func(page func(before string) ([]store.Lot, string, error)) (codes []string, sizes []int) {
		before := ""
		for {
			lots, older, err := page(before)
			if err != nil {
				t.Fatal(err)
			}
			sizes = append(sizes, len(lots))
			for i, l := range lots {
				if i > 0 && l.ReceivedOn.After(lots[i-1].ReceivedOn) {
					t.Errorf("%s is newer than the one before it", l.Code)
				}
				codes = append(codes, l.Code)
			}
			if before = older; older == "" {
				return codes, sizes
			}
		}
	}
	codes, sizes := walk(func(before string) ([]store.Lot, string, error) {
		p, err := h.SupplierPage(t.Context(), h.owner.Workshop, "FO", before)
		return p.Lots, p.Next, err
	})
	if diff := cmp.Diff([]int{50, 50, 21}, sizes); diff != "" || codes[0] != "OO-0001" {
		t.Errorf("lots of the supplier, the newest (%s) first:\n%s", codes[0], diff)
	}
	used, sizes := walk(func(before string) ([]store.Lot, string, error) {
		p, err := h.MaterialPage(t.Context(), h.owner.Workshop, "OO", "", before)
		if len(p.InStock) != 1 || p.Lots != 1 {
			t.Errorf("in stock: %d lots", len(p.InStock))
		}
		return p.UsedUp, p.NextUsedUp, err
	})
	if diff := cmp.Diff([]int{50, 50, 20}, sizes); diff != "" {
		t.Errorf("used-up lots of the material:\n%s", diff)
	}
	seen := map[string]bool{}
	for _, code := range used {
		if seen[code] {
			t.Errorf("%s stands on two pages", code)
		}
		seen[code] = true
	}
	first, err := h.SupplierPage(t.Context(), h.owner.Workshop, "FO", "OO-9999")
	if err != nil || len(first.Lots) != 50 || first.Lots[0].Code != codes[0] {
		t.Errorf("a page behind no lot is not the first: %d lots, %v", len(first.Lots), err)
	}
}
