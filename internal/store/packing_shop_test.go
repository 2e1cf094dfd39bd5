package store_test

import (
	"context"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/shopspring/decimal"

	"example.org/stillroom/internal/access"
	"example.org/stillroom/internal/day"
	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/pgtest"
	"example.org/stillroom/internal/store"
)

const packPassword = "eleven-brass-kettles"

// packShop is a workshop with a bath fizz: pressed at 165 to 170 g into round moulds and dried for 48 h, both common
// practice, no source.
type packShop struct {
	*store.Store
	t                    testing.TB
	db                   pgtest.DB
	owner, maker, helper store.Who
	today                day.Day
}

func newPackShop(t testing.TB) packShop {
	t.Helper()
	s, db := pgtest.Begun(t, "pack", func(ctx context.Context, s *store.Store, workshop store.WorkshopID) error {
		for _, role := range []access.Role{access.Owner, access.Maker, access.Helper} {
			link, err := s.AddPerson(ctx, store.Who{Workshop: workshop, Actor: "system"}, store.Entry{}, store.NewPerson{Email: string(role) + "@quillmoor.example.org", Name: string(role) + " Quill", Role: role}, time.Now())
			if err != nil {
				return err
			}
			if _, err := s.SetPassword(ctx, link, packPassword, "test", time.Now()); err != nil {
				return err
			}
		}
		return nil
	})
	workshop := store.WorkshopID(db.Workshop)
	h := packShop{Store: s, t: t, db: db, today: day.In(time.Now(), time.UTC)}
	people, err := s.People(context.Background(), workshop)
	packOK(t, err)
	for _, p := range people {
		who := store.Who{Workshop: workshop, Person: p.ID, Name: p.Name, Role: access.Role(p.Role), Actor: "person", Device: "test"}
		switch who.Role {
		case access.Owner:
			h.owner = who
		case access.Maker:
			h.maker = who
		default:
			h.helper = who
		}
	}
	h.book()
	return h
}

func packOK(t testing.TB, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

func packDec(text string) decimal.Decimal { return decimal.RequireFromString(text) }

func packSome(text string) decimal.NullDecimal { return decimal.NewNullDecimal(packDec(text)) }

// book writes materials, lots, formula and product.
func (h packShop) book() {
	h.t.Helper()
	ctx := h.t.Context()
	for _, m := range []store.Material{
		{Code: "SB", Name: "Sodium bicarbonate", Kind: "raw", Unit: "g", Tracked: true, ExpiryCounts: true},
		{Code: "CA", Name: "Citric acid", Kind: "raw", Unit: "g", Tracked: true, ExpiryCounts: true},
		{Code: "WR", Name: "Wrap", Kind: "packaging", Unit: "each", Tracked: true},
	} {
		_, err := h.AddMaterial(ctx, h.maker, store.Entry{}, m)
		packOK(h.t, err)
	}
	h.lot("SB", "SB-1", "5000", h.today.AddDays(900))
	h.lot("CA", "CA-1", "5000", h.today.AddDays(100))
	h.lot("WR", "WR-1", "50", day.Day{})
	_, err := h.AddFormula(ctx, h.maker, store.Entry{}, store.NewFormula{Code: "BF", Name: "Bath fizz", Letters: "BF"})
	packOK(h.t, err)
	v, err := h.FormulaVersion(ctx, h.maker.Workshop, "BF", 1)
	packOK(h.t, err)
	v.ExpectedLossPct, v.ReconciliationPct, v.CureHours, v.CureWord = packDec("0.5"), packDec("3"), 48, "dry"
	v.MaxPct = packSome("60")
	v.Portions = []store.FormulaPortion{{Name: "Fizz", Basis: "share", Amount: packDec("100"), Lines: []store.FormulaLine{
		{Kind: "material", MaterialCode: "SB", Basis: "share", Amount: packDec("66")}, {Kind: "material", MaterialCode: "CA", Basis: "share", Amount: packDec("34")}}}}
	v.Steps = []store.FormulaStep{{Text: "Press into the moulds"}}
	v.Controls = []store.FormulaControl{
		{Name: "Weight pressed", Stage: "moulding", Unit: "g", Low: packSome("165"), High: packSome("170"), Readings: 3},
		{Name: "Weight dried", Stage: "packing", Unit: "g", Low: packSome("160"), High: packSome("170"), Readings: 2},
	}
	packOK(h.t, h.SaveDraft(ctx, h.maker, store.Entry{}, "BF", v))
	packOK(h.t, h.ApproveFormula(ctx, h.maker, store.Entry{}, "BF", 1))
	h.product("BF165", "Bath fizz, 165 g", "165", "WR")
}

func (h packShop) product(code, name, net string, packaging ...string) {
	h.t.Helper()
	p := store.Product{Code: code, Name: name, FormulaCode: "BF", NetContentG: packSome(net), ShelfLifeMonths: 12, ShelfLifeFrom: "made", CapByExpiry: true, DatePrecision: "day"}
	if code == "BF165" {
		p.FillG = packSome("168")
	}
	for _, m := range packaging {
		p.Packaging = append(p.Packaging, store.ProductPackaging{MaterialCode: m, PerUnit: packDec("1")})
	}
	_, err := h.AddProduct(h.t.Context(), h.maker, store.Entry{}, p)
	packOK(h.t, err)
}

func (h packShop) lot(material, code, quantity string, expires day.Day) {
	h.t.Helper()
	_, err := h.ReceiveLot(h.t.Context(), h.maker, store.Entry{}, store.Receipt{Code: code, Material: material, Quantity: packDec(quantity), ReceivedOn: h.today.AddDays(-90), ExpiresOn: expires, Release: true})
	packOK(h.t, err)
}

// pressed makes a batch of 1,690 g and presses ten of it, three days ago; it is still drying.
func (h packShop) pressed() string {
	h.t.Helper()
	ctx, began := h.t.Context(), time.Now().Add(-72*time.Hour)
	plan, err := h.MakePlan(ctx, h.maker, store.NewPlan{Formula: "BF", Product: "BF165", MassG: packDec("1690"), On: h.today})
	packOK(h.t, err)
	code, err := h.StartBatch(ctx, h.maker, store.Entry{}, store.Start{Plan: plan, MadeAt: began, TemperatureC: packSome("20"), HumidityPct: packSome("45")})
	packOK(h.t, err)
	b := h.read(code)
	for _, l := range b.Lines {
		packOK(h.t, h.Weigh(ctx, h.maker, store.Entry{}, store.Weighing{Batch: code, Line: l.ID, Lot: l.Material + "-1", Grams: l.TargetG, At: began}))
	}
	packOK(h.t, h.TickStep(ctx, h.maker, store.Entry{}, code, b.Steps[0].ID, "", began))
	packOK(h.t, h.ReadControl(ctx, h.maker, store.Entry{}, store.Readings{Batch: code, Control: b.Controls[0].ID, Values: []decimal.Decimal{packDec("168"), packDec("168.5"), packDec("167.5")}, At: began}))
	packOK(h.t, h.Mould(ctx, h.maker, store.Entry{}, store.Moulding{Batch: code, Units: 10, At: began.Add(time.Hour)}))
	return code
}

// dried is a pressed batch whose drying ended an hour ago.
func (h packShop) dried() string {
	h.t.Helper()
	code := h.pressed()
	packOK(h.t, h.EndCure(h.t.Context(), h.maker, store.Entry{}, code, time.Now().Add(-time.Hour), store.Really{}))
	return code
}

// nine is the packing of common practice: ten pressed, nine saleable and one light one kept back.
func (h packShop) nine(code string) store.NewPacking {
	b := h.read(code)
	return store.NewPacking{Batch: code, Product: "BF165", PackedOn: h.today, Good: 9, Retained: 1, Cleared: true, LabelChecked: true, LabelSpecimen: "Bath fizz 165 g, " + code, Packaging: []store.PackagingUse{{Material: "WR", Lot: "WR-1"}},
		Readings: []store.Readings{{Control: b.Controls[1].ID, Values: []decimal.Decimal{packDec("166"), packDec("165.4")}}}, Finished: true}
}

func (h packShop) read(code string) store.BatchRecord {
	h.t.Helper()
	b, err := h.Batch(h.t.Context(), h.maker.Workshop, code)
	packOK(h.t, err)
	return b
}

func (h packShop) packing(code string) store.PackingRecord {
	h.t.Helper()
	p, err := h.PackingRecord(h.t.Context(), h.maker.Workshop, code)
	packOK(h.t, err)
	return p
}

func (h packShop) pack(n store.NewPacking) string {
	h.t.Helper()
	code, err := h.Pack(h.t.Context(), h.helper, store.Entry{}, n)
	packOK(h.t, err)
	return code
}

func (h packShop) verified() {
	h.t.Helper()
	verdicts, err := store.Verify(context.Background(), h.db.OwnerURL)
	packOK(h.t, err)
	for _, v := range verdicts {
		if len(v.Broken) > 0 {
			h.t.Errorf("verify: %v", v.Broken)
		}
	}
}

// packFault wants a fault of a kind; beside a field where that is not empty, with words in it.
func packFault(t testing.TB, err error, kind fault.Kind, field, words string) {
	t.Helper()
	f := fault.As(err)
	if f == nil || f.Kind != kind {
		t.Fatalf("got %v, want a fault of kind %q", err, kind)
	}
	said := f.Error()
	if field != "" {
		said = f.Of(field)
	}
	if said == "" || !strings.Contains(said, words) {
		t.Fatalf("beside %q: %q, want %q; all: %v", field, said, words, f.Fields)
	}
}

// sql changes the book behind the store's back, as its owner, under a change row.
func (h packShop) sql(statements ...string) {
	h.t.Helper()
	book := pgtest.History(h.t, h.db, uuid.UUID(h.maker.Workshop))
	for _, s := range statements {
		change := s
		if !strings.Contains(change, "$2") {
			change += ` AND $2::uuid IS NOT NULL`
		}
		book.Do(pgtest.Statement{SQL: change})
	}
}
