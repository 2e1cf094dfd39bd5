package store_test

import (
	"context"
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"github.com/shopspring/decimal"

	"example.org/stillroom/internal/access"
	"example.org/stillroom/internal/day"
	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/store"
)

// benchShop is a workshop that makes an oat balm: a base mixed first and used in the melt, a cool portion with an
// as-needed line, a step after the melt, controls, and a cure of 48 h. A batch of 1,000 g has round targets.
type benchShop struct {
	house
	t      *testing.T
	helper store.Who
	today  day.Day
}

func newBenchShop(t *testing.T) benchShop {
	t.Helper()
	h := benchShop{house: newHouse(t), t: t, today: day.In(time.Now(), time.UTC)}
	h.helper = h.person("Ned Fenwick", access.Helper)
	for _, m := range []store.Material{
		{Code: "OO", Name: "Oat oil", Kind: "raw", Unit: "g", Tracked: true, ExpiryCounts: true},
		{Code: "SH", Name: "Shea butter", Kind: "raw", Unit: "g", Tracked: true, ExpiryCounts: true},
		{Code: "BW", Name: "Beeswax", Kind: "raw", Unit: "g", Tracked: true, ExpiryCounts: true},
		{Code: "TC", Name: "Tocopherol", Kind: "raw", Unit: "ml", Density: benchMaybe("0.8"), Tracked: true, ExpiryCounts: true},
		{Code: "WA", Name: "Water", Kind: "raw", Unit: "g", SourceNote: "boiled tap water"},
	} {
		_, err := h.AddMaterial(h.t.Context(), h.owner, store.Entry{}, m)
		h.ok(err)
	}
	h.lot("OO", "OO-1", "5000")
	h.lot("SH", "SH-1", "5000")
	h.lot("BW", "BW-1", "5000")
	h.lot("TC", "TC-1", "500")
	h.formula("OB", "Oat balm", "units", func(v *store.FormulaVersion) {
		v.MinC, v.MaxC, v.MaxPct = benchMaybe("15"), benchMaybe("30"), benchMaybe("60")
		v.CureHours, v.CureWord = 48, "set"
		v.Portions = []store.FormulaPortion{
			{Name: "Base", Basis: "inner", Lines: []store.FormulaLine{benchLine("OO", "60"), benchLine("SH", "40")}},
			{Name: "Melt", Basis: "share", Amount: benchDec("80"), Lines: []store.FormulaLine{benchLine("BW", "30"), {Kind: "portion", InnerPortion: "Base", Basis: "share", Amount: benchDec("70")}}},
			{Name: "Cool", Basis: "share", Amount: benchDec("20"), Lines: []store.FormulaLine{benchLine("OO", "90"), benchLimited("TC", "10", "2.1"), {Kind: "material", MaterialCode: "WA", Basis: "share", AsNeeded: true, High: benchDec("20")}}},
		}
		v.Steps = []store.FormulaStep{{Portion: "Melt", Text: "Melt to 70 °C"}, {Text: "Stir until it traces"}}
		v.Controls = []store.FormulaControl{{Name: "pH", Stage: "making", Low: benchMaybe("5"), High: benchMaybe("7"), Readings: 1}, {Name: "Unit weight", Stage: "moulding", Unit: "g", Low: benchMaybe("50"), High: benchMaybe("54"), Readings: 3}}
	})
	_, err := h.AddProduct(h.t.Context(), h.owner, store.Entry{}, store.Product{Code: "OB50", Name: "Oat balm, 50 g", FormulaCode: "OB", NetContentG: benchMaybe("50"), ShelfLifeMonths: 12, ShelfLifeFrom: "made", CapByExpiry: true, DatePrecision: "day"})
	h.ok(err)
	return h
}

func benchDec(text string) decimal.Decimal { return decimal.RequireFromString(text) }

func benchMaybe(text string) decimal.NullDecimal { return decimal.NewNullDecimal(benchDec(text)) }

func benchLine(material, pct string) store.FormulaLine {
	return store.FormulaLine{Kind: "material", MaterialCode: material, Basis: "share", Amount: benchDec(pct)}
}

func benchLimited(material, pct, most string) store.FormulaLine {
	l := benchLine(material, pct)
	l.MaxPct = benchMaybe(most)
	return l
}

func (h benchShop) ok(err error) {
	h.t.Helper()
	if err != nil {
		h.t.Fatal(err)
	}
}

func (h benchShop) person(name string, role access.Role) store.Who {
	h.t.Helper()
	email := strings.ToLower(strings.ReplaceAll(name, " ", ".")) + "@quillmoor.example.org"
	_, err := h.AddPerson(h.t.Context(), h.owner, store.Entry{}, store.NewPerson{Email: email, Name: name, Role: role}, time.Now())
	h.ok(err)
	people, err := h.People(h.t.Context(), h.owner.Workshop)
	h.ok(err)
	for _, p := range people {
		if p.Name == name {
			return store.Who{Workshop: h.owner.Workshop, Person: p.ID, Name: name, Role: role, Actor: "person"}
		}
	}
	h.t.Fatalf("%s is not there", name)
	return store.Who{}
}

// lot receives a lot that is released and good for two years; change may say otherwise.
func (h benchShop) lot(material, code, quantity string, change ...func(*store.Receipt)) {
	h.t.Helper()
	r := store.Receipt{Material: material, Code: code, Quantity: benchDec(quantity), ReceivedOn: h.today.AddDays(-60), ExpiresOn: h.today.AddDays(730), Release: true}
	for _, c := range change {
		c(&r)
	}
	_, err := h.ReceiveLot(h.t.Context(), h.owner, store.Entry{}, r)
	h.ok(err)
}

func (h benchShop) formula(code, name, yields string, change func(*store.FormulaVersion)) {
	h.t.Helper()
	ctx := h.t.Context()
	_, err := h.AddFormula(ctx, h.owner, store.Entry{}, store.NewFormula{Code: code, Name: name, Letters: code, Yields: yields})
	h.ok(err)
	v, err := h.FormulaVersion(ctx, h.owner.Workshop, code, 1)
	h.ok(err)
	v.TolerancePct, v.ToleranceG = benchDec("1"), benchDec("0.5")
	change(&v)
	h.ok(h.SaveDraft(ctx, h.owner, store.Entry{}, code, v))
	h.ok(h.ApproveFormula(ctx, h.owner, store.Entry{}, code, 1))
}

func (h benchShop) plan(n store.NewPlan) store.PlanID {
	h.t.Helper()
	if n.On.IsZero() {
		n.On = h.today
	}
	id, err := h.MakePlan(h.t.Context(), h.owner, n)
	h.ok(err)
	return id
}

// begun is a batch of 1,000 g of oat balm in making.
func (h benchShop) begun() string {
	h.t.Helper()
	code, err := h.StartBatch(h.t.Context(), h.helper, store.Entry{}, store.Start{Plan: h.plan(store.NewPlan{Formula: "OB", Product: "OB50", MassG: benchDec("1000")})})
	h.ok(err)
	return code
}

func (h benchShop) read(code string) store.BatchRecord {
	h.t.Helper()
	b, err := h.Batch(h.t.Context(), h.owner.Workshop, code)
	h.ok(err)
	return b
}

// line finds a line by its portion and name.
func (h benchShop) line(code, portion, name string) store.BatchLine {
	h.t.Helper()
	for _, l := range h.read(code).Lines {
		if l.Portion == portion && l.Name == name {
			return l
		}
	}
	h.t.Fatalf("batch %s has no line %s in %s", code, name, portion)
	return store.BatchLine{}
}

// wax weighs beeswax, whose target is 240 g.
func (h benchShop) wax(code, grams string, change ...func(*store.Weighing)) error {
	h.t.Helper()
	w := store.Weighing{Batch: code, Line: h.line(code, "Melt", "Beeswax").ID, Lot: "BW-1", Grams: benchDec(grams), Typed: grams}
	for _, c := range change {
		c(&w)
	}
	return h.Weigh(h.t.Context(), h.helper, store.Entry{}, w)
}

func benchReally(reason string) func(*store.Weighing) {
	return func(w *store.Weighing) { w.Really = store.Really{Yes: true, Reason: reason} }
}

// weighAll records every line at its target, and every step, reading and the room.
func (h benchShop) weighAll(code string) {
	h.t.Helper()
	ctx := h.t.Context()
	b := h.read(code)
	for _, l := range b.Lines {
		w := store.Weighing{Batch: code, Line: l.ID, Grams: l.TargetG}
		if l.AsNeeded {
			continue
		}
		if l.Kind == "material" && l.Tracked {
			w.Lot = l.Material + "-1"
		}
		h.ok(h.Weigh(ctx, h.helper, store.Entry{}, w))
	}
	for _, s := range b.Steps {
		h.ok(h.TickStep(ctx, h.helper, store.Entry{}, code, s.ID, "", time.Time{}))
	}
}

// onHand is what the book holds of a lot.
func (h benchShop) onHand(lot string) string {
	h.t.Helper()
	l, err := h.Lot(h.t.Context(), h.owner.Workshop, lot)
	h.ok(err)
	return l.OnHand.String()
}

// open are the deviations of a batch that wait for a decision, each "kind: what".
func (h benchShop) open(code string) []string {
	h.t.Helper()
	var out []string
	for _, d := range h.read(code).Deviations {
		if d.Open() {
			out = append(out, d.Kind+": "+d.What)
		}
	}
	return out
}

// benchFault wants a fault with words beside a field, or in its message where the field is empty.
func benchFault(t *testing.T, err error, field, words string) {
	t.Helper()
	f := fault.As(err)
	if f == nil {
		t.Fatalf("got %v, want a fault beside %q", err, field)
	}
	said := f.Message
	if field != "" {
		said = f.Of(field)
	}
	if said == "" || !strings.Contains(said, words) {
		t.Fatalf("beside %q: %q, want %q; all: %v", field, said, words, f)
	}
}

// counts tells how many rows each table of records holds.
func (h benchShop) counts() map[string]int {
	h.t.Helper()
	conn, err := pgx.Connect(h.t.Context(), h.db.OwnerURL)
	h.ok(err)
	defer conn.Close(context.Background())
	out := map[string]int{}
	for _, table := range []string{"batch", "batch_line", "batch_input", "batch_climate", "step_tick", "control_reading", "deviation", "stock_move", "material_lot", "plan", "change", "audit", "chain_link", "entry_key", "code_near", "search_key"} {
		var n int
		h.ok(conn.QueryRow(h.t.Context(), `SELECT count(*) FROM `+table).Scan(&n))
		out[table] = n
	}
	return out
}

func benchEntry() store.Entry {
	e := store.Entry{Key: uuid.New()}
	copy(e.Payload[:], fmt.Sprintf("%032d", 1))
	return e
}
