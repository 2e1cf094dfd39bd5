package store_test

import (
	"fmt"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/uuid"
	"github.com/shopspring/decimal"

	"example.org/stillroom/internal/day"
	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/pgtest"
	"example.org/stillroom/internal/store"
)

func materialOat() store.Material {
	return store.Material{Code: "OO", Name: "Oat oil", Kind: "raw", Unit: "g", Tracked: true, ExpiryCounts: true}
}

func TestWhatCannotBeRightInAMaterialIsToldAtOnce(t *testing.T) {
	t.Parallel()
	long := func(n int) string { return fmt.Sprintf("%0*d", n, 7) }
	for _, c := range []struct {
		name   string
		change func(*store.Material)
		fields []string
	}{
		{"nothing filled in", func(m *store.Material) { *m = store.Material{} }, []string{"kind", "name", "source_note", "unit"}},
		{"in ml, weighed, without density", func(m *store.Material) { m.Unit = "ml" }, []string{"density"}},
		{"a density of zero", func(m *store.Material) { m.Density = decimal.NewNullDecimal(decimal.Zero) }, []string{"density"}},
		{"untracked from nowhere", func(m *store.Material) { m.Tracked = false }, []string{"source_note"}},
		{"a code with a space", func(m *store.Material) { m.Code = "O O" }, []string{"code"}},
		{"a code that is a page", func(m *store.Material) { m.Code = "new" }, []string{"code"}},
		{"a code that is a step up", func(m *store.Material) { m.Code = ".." }, []string{"code"}},
		{"everything too long", func(m *store.Material) {
			m.Name, m.Code, m.INCIName, m.CASNumber, m.Caution, m.SourceNote = long(201), long(41), long(201), long(81), long(1001), long(201)
		}, []string{"cas_number", "caution", "code", "inci_name", "name", "source_note"}},
	} {
		m := materialOat()
		c.change(&m)
		f := fault.As(m.Check())
		if f == nil {
			t.Errorf("%s is taken", c.name)
			continue
		}
		if diff := cmp.Diff(c.fields, f.Names()); diff != "" {
			t.Errorf("%s:\n%s", c.name, diff)
		}
	}
	if err := materialOat().Check(); err != nil {
		t.Errorf("oat oil: %v", err)
	}
}

func TestACorrectedMaterialKeepsCodeKindAndUnit(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	if _, err := h.AddMaterial(t.Context(), h.owner, store.Entry{}, materialOat()); err != nil {
		t.Fatal(err)
	}
	m := store.Material{Code: "OO", Name: "Oat oil, cold", Kind: "packaging", Unit: "each", Tracked: true, Caution: "Slippery floors."}
	if err := h.CorrectMaterial(t.Context(), h.owner, store.Entry{}, m, "full name"); err != nil {
		t.Fatal(err)
	}
	page, err := h.MaterialPage(t.Context(), h.owner.Workshop, "OO", "", "")
	if err != nil {
		t.Fatal(err)
	}
	if page.Kind != "raw" || page.Unit != "g" || page.Name != "Oat oil, cold" {
		t.Errorf("after the correction: %s, %s in %s", page.Name, page.Kind, page.Unit)
	}
	want := []store.FieldChange{{"Caution", "", "Slippery floors."}, {"Expiry counts for best-before", "yes", "no"}, {"Name", "Oat oil", "Oat oil, cold"}}
	if len(page.History) != 1 {
		t.Fatalf("history: %v", page.History)
	}
	if diff := cmp.Diff(want, page.History[0].Fields); diff != "" {
		t.Errorf("history:\n%s", diff)
	}
	m.Seen = "1"
	if err := h.CorrectMaterial(t.Context(), h.owner, store.Entry{}, m, "again"); !fault.Is(err, fault.Conflict) {
		t.Errorf("from a stale page: %v", err)
	}
	m.Seen = ""
	if err := h.CorrectMaterial(t.Context(), h.owner, store.Entry{}, m, " "); fault.As(err).Of("reason") == "" {
		t.Errorf("without a reason: %v", err)
	}
}

func TestAMaterialWithStockStaysTracked(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	lot := h.oatLot(t)
	m := materialOat()
	m.Tracked, m.SourceNote = false, "the press"
	if err := h.CorrectMaterial(t.Context(), h.owner, store.Entry{}, m, "pressed here now"); fault.As(err).Of("tracked") == "" {
		t.Errorf("with 1,000 g in the book: %v", err)
	}
	if _, err := h.CountLot(t.Context(), h.owner, store.Entry{}, store.LotCount{Lot: lot, Note: "given away"}); err != nil {
		t.Fatal(err)
	}
	if err := h.CorrectMaterial(t.Context(), h.owner, store.Entry{}, m, "pressed here now"); err != nil {
		t.Errorf("with nothing left: %v", err)
	}
	// Its old lots stay correctable, and receive no more.
	c := lotCorrection(lotPage(t, h, lot))
	c.SupplierLot = "7731-C"
	if err := h.CorrectLot(t.Context(), h.owner, store.Entry{}, c, "misread"); err != nil {
		t.Errorf("an old lot: %v", err)
	}
	_, err := h.ReceiveLot(t.Context(), h.owner, store.Entry{}, store.Receipt{Material: "OO", ReceivedOn: day.Must("2026-03-13"), Quantity: lotGrams(5)})
	if fault.As(err).Of("material") == "" {
		t.Errorf("a new lot of what is not tracked: %v", err)
	}
}

func TestFitToUseCountsNoExpiredQuarantinedOrRejectedLot(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	if _, err := h.AddMaterial(t.Context(), h.owner, store.Entry{}, materialOat()); err != nil {
		t.Fatal(err)
	}
	for _, r := range []struct {
		grams   int64
		expires string
		status  string
	}{{1, "2199-01-01", "released"}, {20, "2020-01-01", "released"}, {300, "2199-01-01", "quarantined"}, {4000, "2199-01-01", "rejected"}} {
		code, err := h.ReceiveLot(t.Context(), h.owner, store.Entry{}, store.Receipt{Material: "OO", ReceivedOn: day.Must("2019-01-01"), ExpiresOn: day.Must(r.expires), Quantity: lotGrams(r.grams)})
		if err == nil && r.status != "quarantined" {
			err = h.SetLotStatus(t.Context(), h.owner, store.Entry{}, code, r.status, "looked at")
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	list, err := h.Materials(t.Context(), h.owner.Workshop)
	if err != nil || len(list) != 1 || !list[0].OnHand.Equal(lotGrams(1)) || list[0].Lots != 4 {
		t.Errorf("materials: %v, %v", list, err)
	}
}

func TestMaterialsComeInPagesByNameRetiredOnesLast(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	for i := range 130 {
		m := materialOat()
		m.Code, m.Name = fmt.Sprintf("M%d", i), fmt.Sprintf("Oil %03d", i%65)
		if _, err := h.AddMaterial(t.Context(), h.owner, store.Entry{}, m); err != nil {
			t.Fatal(err)
		}
	}
	m := materialOat()
	m.Code, m.Name, m.Retired = "M0", "Oil 000", true
	if err := h.CorrectMaterial(t.Context(), h.owner, store.Entry{}, m, "not bought any more"); err != nil {
		t.Fatal(err)
	}
	first, next, err := h.MaterialList(t.Context(), h.owner.Workshop, "")
	if err != nil {
		t.Fatal(err)
	}
	rest, end, err := h.MaterialList(t.Context(), h.owner.Workshop, next)
	if err != nil {
		t.Fatal(err)
	}
	seen := map[string]bool{}
	for _, m := range append(first, rest...) {
		seen[m.Code] = true
	}
	if len(first) != 100 || len(rest) != 30 || len(seen) != 130 || end != "" || rest[29].Code != "M0" {
		t.Errorf("pages of %d and %d, %d different, the last %s, then %q", len(first), len(rest), len(seen), rest[len(rest)-1].Code, end)
	}
	if again, _, err := h.MaterialList(t.Context(), h.owner.Workshop, "M999"); err != nil || len(again) != 100 || again[0].Code != first[0].Code {
		t.Errorf("a page behind no material is not the first: %d, %v", len(again), err)
	}
	tracked, err := h.TrackedMaterials(t.Context(), h.owner.Workshop)
	if err != nil || len(tracked) != 129 {
		t.Errorf("to receive: %d, %v", len(tracked), err)
	}
}

func TestASuppliersContactIsOnlySaidToHaveChanged(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	n := store.Supplier{Code: "FO", Name: "Fenmarch Oils", Contact: store.Contact{Email: "post@fenmarch.example.org"}}
	if _, err := h.AddSupplier(t.Context(), h.owner, store.Entry{}, n); err != nil {
		t.Fatal(err)
	}
	n.Email, n.Phone = "office@fenmarch.example.org", "555 0101"
	if err := h.CorrectSupplier(t.Context(), h.owner, store.Entry{}, n, "moved"); err != nil {
		t.Fatal(err)
	}
	page, err := h.SupplierPage(t.Context(), h.owner.Workshop, "FO", "")
	if err != nil || len(page.History) != 1 {
		t.Fatalf("%v, %v", page.History, err)
	}
	want := []store.FieldChange{{"E-mail", "(kept private)", "(kept private)"}, {"Phone", "", "(kept private)"}}
	if diff := cmp.Diff(want, page.History[0].Fields); diff != "" {
		t.Error(diff)
	}
	n.Seen = "0"
	if err := h.CorrectSupplier(t.Context(), h.owner, store.Entry{}, n, "moved"); !fault.Is(err, fault.Conflict) {
		t.Errorf("from a stale page: %v", err)
	}
}

func materialSQL(sql string, args ...any) pgtest.Statement {
	return pgtest.Statement{SQL: sql, Args: args}
}

// An entry is never updated: a correction is another row. Its history is one story, from whichever row it is asked.
func TestTheHistoryOfAnEntryFollowsItsReplacements(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	lot := h.oatLot(t)
	id := uuid.UUID(lotPage(t, h, lot).ID)
	ids := []uuid.UUID{uuid.Must(uuid.NewV7()), uuid.Must(uuid.NewV7()), uuid.Must(uuid.NewV7())}
	book := pgtest.History(t, h.db, uuid.UUID(h.owner.Workshop))
	insert := `INSERT INTO stock_move (workshop_id, id, code, lot_id, moved_on, quantity, reason, note, change_id) VALUES ($1, $3, $4, $5, '2026-03-13', $6, 'adjust', $7, $2)`
	replace := `UPDATE stock_move SET replaced_by = $4 WHERE workshop_id = $1 AND id = $3 AND $2::uuid IS NOT NULL`
	book.Do(materialSQL(insert, ids[0], "SM-1", id, -10, "spilt"))
	book.Do(materialSQL(insert, ids[1], "SM-2", id, -12, "spilt"), materialSQL(replace, ids[0], ids[1]))
	book.Do(materialSQL(insert, ids[2], "SM-3", id, -12, "dripped"), materialSQL(replace, ids[1], ids[2]))
	book.Do(materialSQL(replace, ids[2], ids[2]))
	var first []store.RowChange
	for i, row := range ids {
		got, err := h.History(t.Context(), h.owner.Workshop, "stock_move", row)
		if err != nil {
			t.Fatal(err)
		}
		if i == 0 {
			first = got
			continue
		}
		if diff := cmp.Diff(first, got); diff != "" {
			t.Errorf("asked from row %d:\n%s", i+1, diff)
		}
	}
	if len(first) != 3 || !first[2].Withdrawn || first[0].Withdrawn {
		t.Fatalf("two corrections and a withdrawal: %v", first)
	}
	if diff := cmp.Diff([]store.FieldChange{{"Code", "SM-1", "SM-2"}, {"Quantity", "-10", "-12"}}, first[0].Fields); diff != "" {
		t.Error(diff)
	}
}

func TestHistoryOfAnotherWorkshopIsEmpty(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	lot := lotPage(t, h, h.oatLot(t))
	if err := h.SetLotStatus(t.Context(), h.owner, store.Entry{}, lot.Code, "released", ""); err != nil {
		t.Fatal(err)
	}
	other := store.WorkshopID(uuid.Must(uuid.NewV7()))
	h.asOwner(t, `INSERT INTO workshop (id, code, name) VALUES ('`+store.Text(other)+`', 'other', 'Other Workshop')`)
	got, err := h.History(t.Context(), other, "material_lot", uuid.UUID(lot.ID))
	if err != nil || len(got) != 0 {
		t.Errorf("another workshop reads %v, %v", got, err)
	}
}
