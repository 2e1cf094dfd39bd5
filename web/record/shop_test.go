package recordpages_test

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
	"example.org/stillroom/internal/store"
	"example.org/stillroom/web/webtest"
)

// shop is a site with a bath fizz that has everything a batch record can hold.
type shop struct {
	*webtest.Site
	t             testing.TB
	owner, helper store.Who
	today         day.Day
	base, code    string // the bulk that the batch drew on, and the batch
}

func ok(t testing.TB, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

func dec(text string) decimal.Decimal { return decimal.RequireFromString(text) }

func some(text string) decimal.NullDecimal { return decimal.NewNullDecimal(dec(text)) }

func really(why string) store.Really { return store.Really{Yes: true, Reason: why} }

// newShop writes the book up to a batch that is packed, released and partly sent.
func newShop(t testing.TB) shop {
	t.Helper()
	site := webtest.New(t)
	h := shop{Site: site, t: t, owner: site.Who(access.Owner), helper: site.Who(access.Helper), today: day.In(time.Now(), time.UTC)}
	h.shelves()
	h.formulas()
	h.base = h.bulk()
	h.code = h.made()
	h.packedAndSent()
	// One moment for all pages, so that two copies of a record can be held against each other.
	at := time.Now()
	h.House.Clock = func() time.Time { return at }
	return h
}

func (h shop) shelves() {
	h.t.Helper()
	ctx, s := h.t.Context(), h.Store
	for _, m := range []store.Material{
		{Code: "SB", Name: "Sodium bicarbonate", Kind: "raw", Unit: "g", Tracked: true, ExpiryCounts: true},
		{Code: "CA", Name: "Citric acid", Kind: "raw", Unit: "g", Tracked: true, ExpiryCounts: true, Caution: "Dust stings: goggles."},
		{Code: "MI", Name: "Mica blue", Kind: "raw", Unit: "g", Tracked: true, ExpiryCounts: true},
		{Code: "WA", Name: "Water", Kind: "raw", Unit: "g", SourceNote: "boiled tap water"},
		{Code: "WR", Name: "Wrap", Kind: "packaging", Unit: "each", Tracked: true},
	} {
		_, err := s.AddMaterial(ctx, h.owner, store.Entry{}, m)
		ok(h.t, err)
	}
	for _, l := range []store.Receipt{
		{Material: "SB", Code: "SB-1", Quantity: dec("9000"), NewSupplier: "Fenmarch Salts", SupplierLot: "7731-B", DeliveryNote: "DN-88"},
		{Material: "SB", Code: "SB-2", Quantity: dec("9000")}, {Material: "CA", Code: "CA-1", Quantity: dec("9000")}, {Material: "MI", Code: "MI-1", Quantity: dec("200")}, {Material: "WR", Code: "WR-1", Quantity: dec("60")},
	} {
		l.ReceivedOn, l.ExpiresOn, l.Release = h.today.AddDays(-90), h.today.AddDays(900), true
		_, err := s.ReceiveLot(ctx, h.owner, store.Entry{}, l)
		ok(h.t, err)
	}
	for _, p := range []struct{ lot, kind, name, text string }{
		{"SB-1", "certificate", "Certificate ../../etc/passwd.pdf", "%PDF-1.4 certificate"}, {"SB-1", "certificate", "certificate .. .. etc passwd.pdf", "%PDF-1.4 another"}, {"CA-1", "safety_data_sheet", "CON.pdf", "%PDF-1.4 sheet"},
	} {
		ok(h.t, s.AttachToLot(ctx, h.owner, store.Entry{}, p.lot, store.Upload{Kind: p.kind, Name: p.name, MediaType: "application/pdf", Data: []byte(p.text)}))
	}
	for _, e := range []store.Equipment{
		{Code: "S1", Name: "Bench scale", Kind: "scale", ReadabilityG: some("0.1"), CheckDays: 30}, {Code: "V1", Name: "Steel bowl", Kind: "vessel", CleanBeforeUse: true},
	} {
		_, err := s.AddEquipment(ctx, h.owner, store.Entry{}, e)
		ok(h.t, err)
	}
	before := time.Now().Add(-96 * time.Hour)
	for _, l := range []store.NewLogEntry{
		{Kind: "check", Equipment: "S1", At: before, ReferenceG: some("200"), ShownG: some("200"), Words: "with the 200 g mass"}, {Kind: "cleaning", Equipment: "V1", At: before, Result: "fine", Words: "washed and dried"},
	} {
		_, err := s.AddLogEntry(ctx, h.helper, store.Entry{}, l)
		ok(h.t, err)
	}
}

func (h shop) formulas() {
	h.t.Helper()
	ctx, s := h.t.Context(), h.Store
	formula := func(code, name, yields string, change func(*store.FormulaVersion)) {
		_, err := s.AddFormula(ctx, h.owner, store.Entry{}, store.NewFormula{Code: code, Name: name, Letters: code, Yields: yields})
		ok(h.t, err)
		v, err := s.FormulaVersion(ctx, h.owner.Workshop, code, 1)
		ok(h.t, err)
		v.TolerancePct, v.ToleranceG, v.ExpectedLossPct, v.ReconciliationPct = dec("1"), dec("0.5"), dec("0.5"), dec("3")
		change(&v)
		ok(h.t, s.SaveDraft(ctx, h.owner, store.Entry{}, code, v))
		ok(h.t, s.ApproveFormula(ctx, h.owner, store.Entry{}, code, 1))
	}
	line := func(material, share string) store.FormulaLine {
		return store.FormulaLine{Kind: "material", MaterialCode: material, Basis: "share", Amount: dec(share)}
	}
	formula("BK", "Fizz base", "bulk", func(v *store.FormulaVersion) {
		v.Caution = "Clumps: break it up with care."
		v.Portions = []store.FormulaPortion{{Name: "Base", Basis: "share", Amount: dec("100"), Lines: []store.FormulaLine{line("SB", "100")}}}
	})
	formula("BF", "Bath fizz", "units", func(v *store.FormulaVersion) {
		v.CureHours, v.CureWord, v.MaxPct, v.MinC, v.Caution = 48, "dry", some("60"), some("15"), "Dusty: see the safety data sheet."
		v.Portions = []store.FormulaPortion{{Name: "Fizz", Basis: "share", Amount: dec("100"), Lines: []store.FormulaLine{line("SB", "50"), line("CA", "30"), {Kind: "bulk", BulkFormula: "BK", Basis: "share", Amount: dec("20")},
			{Kind: "material", MaterialCode: "WA", Basis: "share", AsNeeded: true, High: dec("40")}}}}
		v.Steps = []store.FormulaStep{{Portion: "Fizz", Text: "Sieve together", Caution: "Wear a mask."}, {Text: "Press into the moulds"}}
		v.Controls = []store.FormulaControl{
			{Name: "Weight pressed", Stage: "moulding", Unit: "g", Low: some("165"), High: some("170"), Readings: 3},
			{Name: "Weight dried", Stage: "packing", Unit: "g", Low: some("160"), High: some("170"), Readings: 2},
		}
	})
	_, err := s.AddProduct(ctx, h.owner, store.Entry{}, store.Product{Code: "BF165", Name: "Bath fizz, 165 g", FormulaCode: "BF", NetContentG: some("165"), FillG: some("168"), ShelfLifeMonths: 12, ShelfLifeFrom: "made", CapByExpiry: true,
		DatePrecision: "day", Packaging: []store.ProductPackaging{{MaterialCode: "WR", PerUnit: dec("1")}}})
	ok(h.t, err)
}

// begin starts a batch some days ago.
func (h shop) begin(formula, product, grams string, at time.Time) store.BatchRecord {
	h.t.Helper()
	ctx, s := h.t.Context(), h.Store
	plan, err := s.MakePlan(ctx, h.owner, store.NewPlan{Formula: formula, Product: product, MassG: dec(grams), On: h.today})
	ok(h.t, err)
	code, err := s.StartBatch(ctx, h.owner, store.Entry{}, store.Start{Plan: plan, MadeAt: at, TemperatureC: some("20"), HumidityPct: some("45")})
	ok(h.t, err)
	return h.batch(code)
}

func (h shop) batch(code string) store.BatchRecord {
	h.t.Helper()
	b, err := h.Store.Batch(h.t.Context(), h.owner.Workshop, code)
	ok(h.t, err)
	return b
}

func (h shop) bulk() string {
	h.t.Helper()
	ctx, s, at := h.t.Context(), h.Store, time.Now().Add(-80*time.Hour)
	b := h.begin("BK", "", "1000", at)
	ok(h.t, s.Weigh(ctx, h.owner, store.Entry{}, store.Weighing{Batch: b.Code, Line: b.Lines[0].ID, Lot: "SB-1", Grams: dec("1000"), At: at}))
	ok(h.t, s.Mould(ctx, h.owner, store.Entry{}, store.Moulding{Batch: b.Code, At: at}))
	ok(h.t, s.NoteBulkReady(ctx, h.owner, store.Entry{}, store.BulkReady{Batch: b.Code, Grams: dec("990")}))
	ok(h.t, s.DecideBulk(ctx, h.owner, store.Entry{}, b.Code, webtest.Password, "", true, ""))
	return b.Code
}

// made makes the batch: a misread weighing, an addition, a mis-tap, a reading taken back, a reject, and its drying.
func (h shop) made() string {
	h.t.Helper()
	ctx, s, at := h.t.Context(), h.Store, time.Now().Add(-72*time.Hour)
	b := h.begin("BF", "BF165", "1680", at)
	weigh := func(w store.Weighing) {
		w.Batch, w.At, w.Scale = b.Code, at, "S1"
		ok(h.t, s.Weigh(ctx, h.owner, store.Entry{}, w))
	}
	for _, l := range b.Lines {
		w := store.Weighing{Line: l.ID, Grams: l.TargetG}
		switch {
		case l.BulkFormula != "":
			w.SourceBatch = h.base
		case l.AsNeeded:
			w.Grams = dec("12")
		case l.Material == "SB":
			w.Grams, w.Lot, w.Really = dec("804"), "SB-1", really("the tub was bumped")
		default:
			w.Lot = l.Material + "-1"
		}
		weigh(w)
	}
	weigh(store.Weighing{Lot: "MI-1", Grams: dec("5"), Really: really("a blue swirl was asked for")})
	for _, l := range h.batch(b.Code).Lines {
		if l.Material == "SB" {
			ok(h.t, s.CorrectInput(ctx, h.owner, store.Entry{}, store.Correction{Batch: b.Code, Input: l.Inputs[0].ID, Grams: dec("840"), Reason: "digits swapped when typing"}))
		}
	}
	for _, step := range b.Steps {
		ok(h.t, s.TickStep(ctx, h.owner, store.Entry{}, b.Code, step.ID, "", at))
	}
	ok(h.t, s.UndoTick(ctx, h.owner, store.Entry{}, b.Code, h.batch(b.Code).Steps[1].Tick.ID, "ticked the wrong step"))
	ok(h.t, s.TickStep(ctx, h.owner, store.Entry{}, b.Code, b.Steps[1].ID, "pressed hard", at))
	clean := true
	ok(h.t, s.NameEquipment(ctx, h.owner, store.Entry{}, store.BatchEquipment{Batch: b.Code, Used: []store.NameUse{{Equipment: "S1"}, {Equipment: "V1", Clean: &clean}}, At: at}))
	ok(h.t, s.ReadControl(ctx, h.owner, store.Entry{}, store.Readings{Batch: b.Code, Control: b.Controls[0].ID, Values: []decimal.Decimal{dec("168"), dec("168.5"), dec("167.5"), dec("166.1")}, At: at}))
	ok(h.t, s.WithdrawReading(ctx, h.owner, store.Entry{}, b.Code, h.batch(b.Code).Controls[0].Readings[3].ID, "read off the wrong bar"))
	ok(h.t, s.Mould(ctx, h.owner, store.Entry{}, store.Moulding{Batch: b.Code, Units: 10, At: at.Add(time.Hour)}))
	ok(h.t, s.RejectUnits(ctx, h.owner, store.Entry{}, b.Code, []store.NewReject{{Stage: "cut", Reason: "crumbled", Units: 1, MassG: some("168")}}, store.Really{}))
	ok(h.t, s.WeighCure(ctx, h.owner, store.Entry{}, b.Code, dec("167"), at.Add(30*time.Hour)))
	ok(h.t, s.EndCure(ctx, h.owner, store.Entry{}, b.Code, time.Now().Add(-time.Hour), store.Really{}))
	for _, d := range h.batch(b.Code).Deviations {
		if d.Open() {
			ok(h.t, s.DecideDeviation(ctx, h.owner, store.Entry{}, d.N, "accept", "the mica is one we use elsewhere"))
		}
	}
	return b.Code
}

func (h shop) packedAndSent() {
	h.t.Helper()
	ctx, s := h.t.Context(), h.Store
	b := h.batch(h.code)
	n := store.NewPacking{Batch: h.code, Product: "BF165", PackedOn: h.today, Good: 8, Retained: 1, Cleared: true, LabelChecked: true, LabelSpecimen: "Bath fizz 165 g, " + h.code,
		Packaging: []store.PackagingUse{{Material: "WR", Lot: "WR-1", Issued: some("12"), Returned: some("2"), Spoiled: dec("1")}}, Labels: store.LabelCounts{Issued: count(12), Spoiled: count(1), Returned: count(2)}, LabelsUsed: count(9),
		Readings: []store.Readings{{Control: b.Controls[1].ID, Values: []decimal.Decimal{dec("166"), dec("165.4")}}}, Finished: true}
	code, err := s.Pack(ctx, h.helper, store.Entry{}, n)
	ok(h.t, err)
	sample, err := s.AddSample(ctx, h.helper, store.Entry{}, store.NewSample{Packing: code, Units: 1, Place: "Shelf 4", TakenOn: h.today, KeepUntil: h.today.AddMonths(24)})
	ok(h.t, err)
	ok(h.t, s.InspectSample(ctx, h.helper, store.Entry{}, sample, store.Inspection{On: h.today, Result: "as_made", Words: "still fizzes"}))
	ok(h.t, s.AttachToBatch(ctx, h.owner, store.Entry{}, h.code, store.Upload{Kind: "lab_result", Name: "=result.pdf", MediaType: "application/pdf", Data: []byte("%PDF-1.4 result")}))
	ok(h.t, s.ReleasePacking(ctx, h.owner, store.Entry{}, code, webtest.Password, ""))
	ok(h.t, s.SignRework(ctx, h.owner, store.Entry{}, store.NewRework{Batch: h.code, Formula: "BF", What: "rejects", Grams: dec("100"), Reason: "only crumbled, nothing wrong with it"}, webtest.Password))
	_, err = s.Dispatch(ctx, h.owner, store.Entry{}, store.NewDispatch{NewCustomer: store.Customer{Name: "Marsh & Co", Kind: "stockist", Contact: store.Contact{Email: "marsh@example.org", Phone: "555 0100"}}, On: h.today, Lines: []store.DispatchLine{{Packing: code, Units: 3}}})
	ok(h.t, err)
	_, err = s.MoveUnits(ctx, h.owner, store.Entry{}, store.UnitMove{Packing: code, On: h.today, Reason: "gift", Units: 1})
	ok(h.t, err)
}

// sql changes the book behind the store's back, as its owner.
func (h shop) sql(query string) {
	h.t.Helper()
	conn, err := pgx.Connect(context.Background(), h.DB.OwnerURL)
	ok(h.t, err)
	defer conn.Close(context.Background())
	tag, err := conn.Exec(context.Background(), query)
	ok(h.t, err)
	if tag.RowsAffected() == 0 {
		h.t.Fatalf("nothing was changed by %s", query)
	}
}

func count(n int) *int { return &n }

// elsewhere is the code of a batch of another workshop in the same database.
func (h shop) elsewhere() string {
	h.t.Helper()
	conn, err := pgx.Connect(context.Background(), h.DB.OwnerURL)
	ok(h.t, err)
	defer conn.Close(context.Background())
	id, batch, change := uuid.Must(uuid.NewV7()), uuid.Must(uuid.NewV7()), uuid.Must(uuid.NewV7())
	ok(h.t, pgx.BeginFunc(context.Background(), conn, func(t pgx.Tx) error {
		for _, q := range []struct {
			sql  string
			args []any
		}{
			{`INSERT INTO workshop (id, code, name) VALUES ($1, 'second', 'Fenmarch Workshop')`, []any{id}},
			{`SELECT set_config('app.workshop_id', $1::text, true), set_config('app.change_id', $2::text, true)`, []any{id.String(), change.String()}},
			{`INSERT INTO change (workshop_id, id, kind, actor) VALUES ($1, $2, 'create', 'system')`, []any{id, change}},
			{`INSERT INTO batch (workshop_id, id, code, code_key, origin, status, made_at, made_on, change_id) VALUES ($1, $2, 'ZZ-1', 'ZZ1', 'history', 'released', now(), current_date, $3)`, []any{id, batch, change}},
		} {
			if _, err := t.Exec(context.Background(), q.sql, q.args...); err != nil {
				return err
			}
		}
		return nil
	}))
	return "ZZ-1"
}

func fields(text string) string { return strings.Join(strings.Fields(text), " ") }
