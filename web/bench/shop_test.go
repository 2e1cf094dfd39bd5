package bench_test

import (
	"context"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"github.com/shopspring/decimal"

	"example.org/stillroom/internal/access"
	"example.org/stillroom/internal/day"
	"example.org/stillroom/internal/pgtest"
	"example.org/stillroom/internal/store"
	"example.org/stillroom/web/webtest"
)

// shop is a site that makes an oat balm: a base mixed first and used in the melt, a cool portion with an as-needed line,
// steps, controls and a setting of 48 h. A batch of 1,000 g has round targets.
type shop struct {
	*webtest.Site
	t     testing.TB
	today day.Day
}

func newShop(t testing.TB) shop {
	t.Helper()
	s := shop{webtest.New(t), t, day.In(time.Now(), time.UTC)}
	ctx, maker := t.Context(), s.Who(access.Maker)
	for _, m := range []store.Material{
		{Code: "OO", Name: "Oat oil", Kind: "raw", Unit: "g", Tracked: true, ExpiryCounts: true},
		{Code: "SH", Name: "Shea butter", Kind: "raw", Unit: "g", Tracked: true, ExpiryCounts: true},
		{Code: "BW", Name: "Beeswax", Kind: "raw", Unit: "g", Tracked: true, ExpiryCounts: true, Caution: "Hot wax burns."},
		{Code: "TC", Name: "Tocopherol", Kind: "raw", Unit: "g", Tracked: true, ExpiryCounts: true},
		{Code: "WA", Name: "Water", Kind: "raw", Unit: "g", SourceNote: "boiled tap water"},
	} {
		_, err := s.Store.AddMaterial(ctx, maker, store.Entry{}, m)
		s.ok(err)
	}
	for _, m := range []string{"OO", "SH", "BW", "TC"} {
		s.lot(m, m+"-1", "5000")
	}
	_, err := s.Store.AddFormula(ctx, maker, store.Entry{}, store.NewFormula{Code: "OB", Name: "Oat balm", Letters: "OB"})
	s.ok(err)
	v, err := s.Store.FormulaVersion(ctx, maker.Workshop, "OB", 1)
	s.ok(err)
	v.TolerancePct, v.ToleranceG, v.Caution = dec("1"), dec("0.5"), "Hot oils: gloves and goggles."
	v.MinC, v.MaxC, v.MaxPct = some("15"), some("30"), some("60")
	v.CureHours, v.CureWord = 48, "set"
	v.Portions = []store.FormulaPortion{
		{Name: "Base", Basis: "inner", Lines: []store.FormulaLine{share("OO", "60"), share("SH", "40")}},
		{Name: "Melt", Basis: "share", Amount: dec("80"), Lines: []store.FormulaLine{share("BW", "30"), {Kind: "portion", InnerPortion: "Base", Basis: "share", Amount: dec("70")}}},
		{Name: "Cool", Basis: "share", Amount: dec("20"), Lines: []store.FormulaLine{share("OO", "90"), share("TC", "10"), {Kind: "material", MaterialCode: "WA", Basis: "share", AsNeeded: true, High: dec("20")}}},
	}
	v.Steps = []store.FormulaStep{{Portion: "Melt", Text: "Melt to 70 °C", Caution: "Do not leave it."}, {Text: "Stir until it traces"}}
	v.Controls = []store.FormulaControl{{Name: "pH", Stage: "making", Low: some("5"), High: some("7"), Readings: 1}, {Name: "Unit weight", Stage: "moulding", Unit: "g", Low: some("50"), High: some("54"), Readings: 3}}
	s.ok(s.Store.SaveDraft(ctx, maker, store.Entry{}, "OB", v))
	s.ok(s.Store.ApproveFormula(ctx, maker, store.Entry{}, "OB", 1))
	_, err = s.Store.AddProduct(ctx, maker, store.Entry{}, store.Product{Code: "OB50", Name: "Oat balm, 50 g", FormulaCode: "OB", NetContentG: some("50"), ShelfLifeMonths: 12, ShelfLifeFrom: "made", CapByExpiry: true, DatePrecision: "day"})
	s.ok(err)
	return s
}

func dec(text string) decimal.Decimal { return decimal.RequireFromString(text) }

func some(text string) decimal.NullDecimal { return decimal.NewNullDecimal(dec(text)) }

func share(material, pct string) store.FormulaLine {
	return store.FormulaLine{Kind: "material", MaterialCode: material, Basis: "share", Amount: dec(pct)}
}

func (s shop) ok(err error) {
	s.t.Helper()
	if err != nil {
		s.t.Fatal(err)
	}
}

func (s shop) lot(material, code, quantity string, change ...func(*store.Receipt)) {
	s.t.Helper()
	r := store.Receipt{Material: material, Code: code, Quantity: dec(quantity), ReceivedOn: s.today.AddDays(-60), ExpiresOn: s.today.AddDays(730), Release: true}
	for _, c := range change {
		c(&r)
	}
	_, err := s.Store.ReceiveLot(s.t.Context(), s.Who(access.Maker), store.Entry{}, r)
	s.ok(err)
}

func (s shop) plan() string {
	s.t.Helper()
	id, err := s.Store.MakePlan(s.t.Context(), s.Who(access.Helper), store.NewPlan{Formula: "OB", Product: "OB50", MassG: dec("1000"), On: s.today, Place: "Still room"})
	s.ok(err)
	return store.Text(id)
}

// begun is a batch of 1,000 g in making, whose room is noted.
func (s shop) begun() string {
	s.t.Helper()
	id, err := store.ParseID[store.PlanID](s.plan())
	s.ok(err)
	code, err := s.Store.StartBatch(s.t.Context(), s.Who(access.Helper), store.Entry{}, store.Start{Plan: id, TemperatureC: some("20"), HumidityPct: some("45")})
	s.ok(err)
	return code
}

func (s shop) read(code string) store.BatchRecord {
	s.t.Helper()
	b, err := s.Store.Batch(s.t.Context(), s.Who(access.Maker).Workshop, code)
	s.ok(err)
	return b
}

// weigh records a line at its target, or at so many grams.
func (s shop) weigh(code, task, grams string) {
	s.t.Helper()
	b := s.read(code)
	l := b.Lines[taskNumber(task)-1]
	w := store.Weighing{Batch: code, Line: l.ID, Grams: l.TargetG, Really: store.Really{Yes: true, Reason: "for the test"}}
	if grams != "" {
		w.Grams = dec(grams)
	}
	if l.Kind == "material" && l.Tracked {
		w.Lot = l.Material + "-1"
	}
	s.ok(s.Store.Weigh(s.t.Context(), s.Who(access.Helper), store.Entry{}, w))
}

func taskNumber(task string) int { return int(task[len(task)-1] - '0') }

// moulded is a batch with every line weighed and step ticked, moulded some time ago.
func (s shop) moulded(ago time.Duration) string {
	s.t.Helper()
	code, ctx, helper := s.begun(), s.t.Context(), s.Who(access.Helper)
	for i := range 6 {
		s.weigh(code, "line-"+string(rune('1'+i)), "")
	}
	for _, step := range s.read(code).Steps {
		s.ok(s.Store.TickStep(ctx, helper, store.Entry{}, code, step.ID, "", time.Time{}))
	}
	s.ok(s.Store.Mould(ctx, helper, store.Entry{}, store.Moulding{Batch: code, Units: 20, At: time.Now().Add(-ago)}))
	return code
}

// weighed is what stands recorded for a line: "240 from BW-1, 5 from BW-2".
func (s shop) weighed(code, task string) string {
	s.t.Helper()
	var out []string
	for _, in := range s.read(code).Lines[taskNumber(task)-1].Inputs {
		words := in.WeighedG.Decimal.String()
		if in.Lot != "" {
			words += " from " + in.Lot
		}
		if in.Replaced {
			words = "(" + words + ")"
		}
		out = append(out, words)
	}
	return strings.Join(out, ", ")
}

// open are the deviations of a batch that wait for a decision.
func (s shop) open(code string) []string {
	var out []string
	for _, d := range s.read(code).Deviations {
		if d.Open() {
			out = append(out, d.Kind+": "+d.What+" ("+d.Reason+")")
		}
	}
	return out
}

// sql writes into the book as its owner; $1 is the workshop and $2 the change.
func (s shop) sql(statement string) {
	s.t.Helper()
	pgtest.History(s.t, s.DB, uuid.UUID(s.Who(access.Maker).Workshop)).Do(pgtest.Statement{SQL: statement})
}

// row reads one value of the book as its owner.
func (s shop) row(query string, out *string) {
	s.t.Helper()
	conn, err := pgx.Connect(s.t.Context(), s.DB.OwnerURL)
	s.ok(err)
	defer conn.Close(context.Background())
	s.ok(conn.QueryRow(s.t.Context(), query).Scan(out))
}
