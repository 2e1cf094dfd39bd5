package store_test

import (
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/uuid"
	"github.com/shopspring/decimal"

	"example.org/stillroom/internal/access"
	"example.org/stillroom/internal/batchcode"
	"example.org/stillroom/internal/day"
	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/store"
)

func TestAPlanIsCheckedAgainstFormulaAndProduct(t *testing.T) {
	t.Parallel()
	h := newBenchShop(t)
	ctx := t.Context()
	h.formula("LV", "Lavender bar", "units", func(v *store.FormulaVersion) {
		v.Portions = []store.FormulaPortion{{Name: "All", Basis: "share", Amount: benchDec("100"), Lines: []store.FormulaLine{benchLine("SH", "100")}}}
	})
	_, err := h.AddFormula(ctx, h.owner, store.Entry{}, store.NewFormula{Code: "DR", Name: "Draft", Letters: "DR"})
	h.ok(err)
	_, err = h.AddProduct(ctx, h.owner, store.Entry{}, store.Product{Code: "LVX", Name: "Lavender end piece", FormulaCode: "LV", ShelfLifeMonths: 12, ShelfLifeFrom: "made", DatePrecision: "day"})
	h.ok(err)
	mass := benchDec("1000")
	cases := map[string]struct {
		n     store.NewPlan
		field string
		words string
	}{
		"no such formula":                 {store.NewPlan{Formula: "XX", MassG: mass, On: h.today}, "formula", "no approved version"},
		"a formula that is a draft":       {store.NewPlan{Formula: "DR", MassG: mass, On: h.today}, "formula", "no approved version"},
		"no such product":                 {store.NewPlan{Formula: "OB", Product: "XX", Units: 10, On: h.today}, "product", "There is no product"},
		"a product of another formula":    {store.NewPlan{Formula: "OB", Product: "LVX", MassG: mass, On: h.today}, "product", "is not made by Oat balm"},
		"units of a product without fill": {store.NewPlan{Formula: "LV", Product: "LVX", Units: 10, On: h.today}, "units", "no net content or fill"},
		"units of nothing":                {store.NewPlan{Formula: "OB", Units: 10, On: h.today}, "product", "Units of which product?"},
		"neither units nor mass":          {store.NewPlan{Formula: "OB", Product: "OB50", On: h.today}, "mass", "How much?"},
		"no day":                          {store.NewPlan{Formula: "OB", MassG: mass}, "on", "Which day?"},
		"too many":                        {store.NewPlan{Formula: "OB", Product: "OB50", Units: 1_000_001, On: h.today}, "units", "1,000,000"},
		"a place without end":             {store.NewPlan{Formula: "OB", MassG: mass, On: h.today, Place: strings.Repeat("x", 81)}, "place", "At most 80"},
		"less than the scale shows":       {store.NewPlan{Formula: "OB", MassG: benchDec("0.01"), On: h.today}, "mass", ""},
	}
	for name, c := range cases {
		t.Run(name, func(t *testing.T) {
			_, err := h.MakePlan(ctx, h.helper, c.n)
			f := fault.As(err)
			if f == nil || f.Of(c.field) == "" || !strings.Contains(f.Of(c.field), c.words) {
				t.Errorf("got %v, want %q beside %s", err, c.words, c.field)
			}
			if _, err := h.PreviewPlan(ctx, h.owner.Workshop, c.n); fault.As(err) == nil {
				t.Errorf("the preview says %v", err)
			}
		})
	}
	plans, _, err := h.PlanList(ctx, h.owner.Workshop, "")
	if err != nil || len(plans) != 0 {
		t.Errorf("plans that were refused: %v, %v", plans, err)
	}
}

func TestAPlanShowsWhatTheStockLacks(t *testing.T) {
	t.Parallel()
	h := newBenchShop(t)
	n := store.NewPlan{Formula: "OB", Product: "OB50", Units: 400, On: h.today}
	sheet, err := h.PreviewPlan(t.Context(), h.owner.Workshop, n)
	h.ok(err)
	if sheet.BatchG.String() != "20000" || sheet.ExpectedUnits != 400 {
		t.Errorf("%s g, %d units", sheet.BatchG, sheet.ExpectedUnits)
	}
	// 20 kg: oat oil 6,720 + 3,600 of 5,000 g, tocopherol 400 g of 500 ml at 0.8 g/ml, beeswax 4,800 of 5,000 g.
	var short []string
	for _, l := range sheet.Short() {
		short = append(short, l.Name+" "+l.NeedG.String()+" of "+l.OnHandG.String())
	}
	if diff := cmp.Diff([]string{"Oat oil 10320 of 5000"}, short); diff != "" {
		t.Error(diff)
	}
	// On a day when it is out of date, nothing of a lot is fit.
	n.On = h.today.AddDays(731)
	sheet, err = h.PreviewPlan(t.Context(), h.owner.Workshop, n)
	h.ok(err)
	if got := len(sheet.Short()); got != 4 {
		t.Errorf("%d materials are short when every lot has expired, want 4", got)
	}
}

func TestAPlanIsMadeOnceAndGoneWhenItIsStartedOrDropped(t *testing.T) {
	t.Parallel()
	h := newBenchShop(t)
	ctx := t.Context()
	n := store.NewPlan{Key: uuid.New(), Formula: "OB", Product: "OB50", Units: 20, On: h.today, Note: "for the fair"}
	first, again := h.plan(n), h.plan(n)
	plans, _, err := h.PlanList(ctx, h.owner.Workshop, "")
	if err != nil || first != again || len(plans) != 1 || plans[0].By != "Mara Thistle" {
		t.Fatalf("%d plans, %v", len(plans), err)
	}
	n.Units = 21
	if _, err := h.MakePlan(ctx, h.owner, n); !fault.Is(err, fault.Invalid) {
		t.Errorf("another number under the same key: %v", err)
	}
	entry := benchEntry()
	code, err := h.StartBatch(ctx, h.helper, entry, store.Start{Plan: first})
	h.ok(err)
	if repeated, err := h.StartBatch(ctx, h.helper, entry, store.Start{Plan: first}); err != nil || repeated != code {
		t.Errorf("the same start again: %q, %v; want %q", repeated, err, code)
	}
	if _, err := h.StartBatch(ctx, h.helper, store.Entry{}, store.Start{Plan: first}); !fault.Is(err, fault.NotFound) {
		t.Errorf("a second start of the plan: %v", err)
	}
	dropped := h.plan(store.NewPlan{Formula: "OB", MassG: benchDec("500")})
	h.ok(h.DropPlan(ctx, h.helper, dropped))
	if _, err := h.Plan(ctx, h.owner.Workshop, dropped); !fault.Is(err, fault.NotFound) {
		t.Errorf("a dropped plan: %v", err)
	}
	if b := h.read(code); b.PlannedUnits != 20 || b.ProductCode != "OB50" || b.Status != "making" || b.MadeBy != "Ned Fenwick" {
		t.Errorf("%+v", b.Batch)
	}
}

func TestTwentyStartsAtOnceGetTwentyCodes(t *testing.T) {
	t.Parallel()
	h := newBenchShop(t)
	const n = 20
	var plans []store.PlanID
	for range n {
		plans = append(plans, h.plan(store.NewPlan{Formula: "OB", MassG: benchDec("500")}))
	}
	codes := make([]string, n)
	var group sync.WaitGroup
	for i, plan := range plans {
		group.Add(1)
		go func() {
			defer group.Done()
			var err error
			if codes[i], err = h.StartBatch(t.Context(), h.helper, store.Entry{}, store.Start{Plan: plan}); err != nil {
				t.Error(err)
			}
		}()
	}
	group.Wait()
	seen := map[string]bool{}
	for _, code := range codes {
		seen[batchcode.Fold(code)] = true
		if !strings.HasPrefix(code, "OB-") || len(code) > 12 {
			t.Errorf("code %q", code)
		}
	}
	if len(seen) != n {
		t.Errorf("%d codes among %v", len(seen), codes)
	}
	if broken := h.broken(t); len(broken) > 0 {
		t.Error(broken)
	}
}

func TestABatchWrittenUpLateHasTheNumberOfItsDay(t *testing.T) {
	t.Parallel()
	h := newBenchShop(t)
	ctx := t.Context()
	start := func(at time.Time) (string, error) {
		return h.StartBatch(ctx, h.helper, store.Entry{}, store.Start{Plan: h.plan(store.NewPlan{Formula: "OB", MassG: benchDec("1000")}), MadeAt: at})
	}
	week := time.Now().Add(-7 * 24 * time.Hour)
	code, err := start(week)
	h.ok(err)
	b := h.read(code)
	if on := day.In(week, time.UTC); !b.Late || b.MadeOn != on || !strings.Contains(code, on.Time().Format("06")) || !strings.Contains(code, on.Time().Format("002")) {
		t.Errorf("%s of %s, late %t", code, b.MadeOn, b.Late)
	}
	h.ok(h.Weigh(ctx, h.helper, store.Entry{}, store.Weighing{Batch: code, Line: h.line(code, "Melt", "Beeswax").ID, Lot: "BW-1", Grams: benchDec("240"), At: week}))
	if in := h.line(code, "Melt", "Beeswax").Inputs[0]; !in.Late || in.HappenedAt.Unix() != week.Unix() || in.Made.At.Before(week.Add(24*time.Hour)) {
		t.Errorf("an entry of then, written now: late %t, happened %s, recorded %s", in.Late, in.HappenedAt, in.Made.At)
	}
	now, err := start(time.Time{})
	h.ok(err)
	if h.read(now).Late {
		t.Error("a batch begun now is late")
	}
	_, err = start(time.Now().Add(time.Hour))
	benchFault(t, err, "made_at", "not come yet")
	_, err = start(time.Date(26, 3, 14, 9, 0, 0, 0, time.UTC))
	benchFault(t, err, "made_at", "years ago")
}

func TestTheRoomAtTheStartIsAskedAboutAndKept(t *testing.T) {
	t.Parallel()
	h := newBenchShop(t)
	ctx := t.Context()
	cases := map[string]struct {
		t, rh  string
		really store.Really
		field  string
		words  string
		open   string
	}{
		"within its limits":              {t: "20", rh: "45"},
		"not noted yet":                  {},
		"temperature alone":              {t: "20", field: "humidity", words: "And the humidity?"},
		"humidity alone":                 {rh: "45", field: "temperature", words: "And the temperature?"},
		"too damp":                       {t: "20", rh: "80", field: "really", words: "80"},
		"too damp, really":               {t: "20", rh: "80", really: store.Really{Yes: true, Reason: "thunderstorm"}, open: "climate: Room at making: "},
		"no such air":                    {t: "20", rh: "101", field: "humidity", words: "Between 0 and 100 %."},
		"a temperature no room can have": {t: "200", rh: "45", field: "temperature", words: "Between -45 and 60"},
	}
	for name, c := range cases {
		t.Run(name, func(t *testing.T) {
			n := store.Start{Plan: h.plan(store.NewPlan{Formula: "OB", MassG: benchDec("1000")}), Really: c.really, Source: "logger"}
			if c.t != "" {
				n.TemperatureC = benchMaybe(c.t)
			}
			if c.rh != "" {
				n.HumidityPct = benchMaybe(c.rh)
			}
			code, err := h.StartBatch(ctx, h.helper, store.Entry{}, n)
			if c.field != "" {
				benchFault(t, err, c.field, c.words)
				if _, err := h.Plan(ctx, h.owner.Workshop, n.Plan); err != nil {
					t.Errorf("the plan is gone though nothing was started: %v", err)
				}
				return
			}
			if err != nil {
				t.Fatal(err)
			}
			b := h.read(code)
			if want := map[bool]int{true: 1}[c.t != ""]; len(b.Climate) != want || want == 1 && b.Climate[0].Source != "logger" {
				t.Errorf("room: %+v", b.Climate)
			}
			if open := strings.Join(h.open(code), "\n"); !strings.HasPrefix(open, c.open) || c.open == "" && open != "" {
				t.Errorf("open: %q", open)
			}
		})
	}
}

func TestTheRoomsLoggerIsReadForTwoHours(t *testing.T) {
	t.Parallel()
	h := newBenchShop(t)
	now := time.Now().UTC().Truncate(time.Second)
	for _, r := range []struct {
		ago  string
		c, h string
	}{{"3 hours", "10", "90"}, {"1 hour", "20.5", "48"}, {"20 minutes", "21.4", "47.5"}} {
		h.asOwner(t, `INSERT INTO climate_reading (workshop_id, place, taken_at, temperature_c, humidity_pct) SELECT id, 'Still room', '`+now.Format(time.RFC3339)+`'::timestamptz - interval '`+r.ago+`', `+r.c+`, `+r.h+` FROM workshop`)
	}
	c, rh, err := h.RoomNow(t.Context(), h.owner.Workshop, "Still room", now)
	if err != nil || c.Decimal.String() != "21.4" || rh.Decimal.String() != "47.5" {
		t.Errorf("%v, %v, %v", c, rh, err)
	}
	for name, ask := range map[string]struct {
		place string
		at    time.Time
	}{"another room": {"Cellar", now}, "two hours and more later": {"Still room", now.Add(101 * time.Minute)}} {
		if c, _, err := h.RoomNow(t.Context(), h.owner.Workshop, ask.place, ask.at); err != nil || c.Valid {
			t.Errorf("%s: %v, %v", name, c, err)
		}
	}
	list, err := h.RoomReadings(t.Context(), h.owner.Workshop, "Still room", now.Add(-2*time.Hour), now)
	if err != nil || len(list) != 2 || list[0].TempC != 20.5 || list[1].HumidityPct != 47.5 {
		t.Errorf("%+v, %v", list, err)
	}
}

func TestVoidIsForWhatWasNeverBegun(t *testing.T) {
	t.Parallel()
	h := newBenchShop(t)
	ctx := t.Context()
	other := h.person("Tilly Marsh", access.Helper)
	code := h.begun()
	benchFault(t, h.VoidBatch(ctx, h.helper, store.Entry{}, code, ""), "reason", "Say why")
	if err := h.VoidBatch(ctx, other, store.Entry{}, code, "not mine"); !fault.Is(err, fault.Forbidden) {
		t.Errorf("another helper: %v", err)
	}
	h.ok(h.VoidBatch(ctx, h.helper, store.Entry{}, code, "wrong plan"))
	if err := h.wax(code, "240"); !fault.Is(err, fault.Conflict) {
		t.Errorf("weighing into a void batch: %v", err)
	}
	if next := h.begun(); next == code {
		t.Error("the number was given again")
	}
	weighed := h.begun()
	h.ok(h.wax(weighed, "240"))
	in := h.line(weighed, "Melt", "Beeswax").Inputs[0]
	h.ok(h.CorrectInput(ctx, h.helper, store.Entry{}, store.Correction{Batch: weighed, Input: in.ID, Withdraw: true, Reason: "mis-tap"}))
	if err := h.VoidBatch(ctx, h.owner, store.Entry{}, weighed, "wrong plan"); !fault.Is(err, fault.Conflict) {
		t.Errorf("something was weighed once: %v", err)
	}
	if err := h.RejectBatch(ctx, h.helper, store.Entry{}, weighed, "", "scorched"); !fault.Is(err, fault.Forbidden) {
		t.Errorf("a helper rejects: %v", err)
	}
	h.ok(h.RejectBatch(ctx, h.owner, store.Entry{}, weighed, "", "scorched"))
	if b := h.read(weighed); b.Status != "rejected" {
		t.Errorf("status %s", b.Status)
	}
	if err := h.wax(weighed, "240"); !fault.Is(err, fault.Conflict) {
		t.Errorf("weighing into a rejected batch: %v", err)
	}
}

func TestReadingsOutsideAreKeptWithADeviationAndCanBeTakenBack(t *testing.T) {
	t.Parallel()
	h := newBenchShop(t)
	ctx := t.Context()
	code := h.begun()
	control := h.read(code).Controls[1] // 50 to 54 g
	read := func(really store.Really, values ...string) error {
		r := store.Readings{Batch: code, Control: control.ID, Really: really}
		for _, v := range values {
			r.Values = append(r.Values, benchDec(v))
		}
		return h.ReadControl(ctx, h.helper, store.Entry{}, r)
	}
	benchFault(t, read(store.Really{}), "values", "at least one")
	benchFault(t, read(store.Really{}, "51", "49.9", "54", "54.1"), "really", "Unit weight: 49.9, 54.1 g; the formula allows 50 to 54 g.")
	h.ok(read(store.Really{Yes: true, Reason: "two were nicked"}, "51", "49.9", "54", "52"))
	if diff := cmp.Diff([]string{"control: Unit weight: 49.9 g; the formula allows 50 to 54 g."}, h.open(code)); diff != "" {
		t.Error(diff)
	}
	for _, r := range h.read(code).Controls[1].Readings {
		if r.Value.Equal(benchDec("49.9")) {
			h.ok(h.WithdrawReading(ctx, h.helper, store.Entry{}, code, r.ID, "wrong tin"))
			if err := h.WithdrawReading(ctx, h.helper, store.Entry{}, code, r.ID, "wrong tin"); !fault.Is(err, fault.NotFound) {
				t.Errorf("taken back twice: %v", err)
			}
		}
	}
	if n := len(h.read(code).Controls[1].Current()); n != 3 || len(h.open(code)) != 0 {
		t.Errorf("%d readings stand; open %v", n, h.open(code))
	}
	other := h.begun()
	if err := h.ReadControl(ctx, h.helper, store.Entry{}, store.Readings{Batch: other, Control: store.ControlID(uuid.New()), Values: []decimal.Decimal{benchDec("1")}}); !fault.Is(err, fault.NotFound) {
		t.Errorf("a control of no formula: %v", err)
	}
}

func TestAStepIsTickedOnceAndAMisTapTakenBack(t *testing.T) {
	t.Parallel()
	h := newBenchShop(t)
	ctx := t.Context()
	code := h.begun()
	step := h.read(code).Steps[0]
	h.ok(h.TickStep(ctx, h.helper, store.Entry{}, code, step.ID, "", time.Time{}))
	if err := h.TickStep(ctx, h.owner, store.Entry{}, code, step.ID, "", time.Time{}); !fault.Is(err, fault.Conflict) {
		t.Errorf("ticked meanwhile: %v", err)
	}
	tick := h.read(code).Steps[0].Tick
	if err := h.UndoTick(ctx, h.helper, store.Entry{}, code, tick.ID, ""); fault.As(err) == nil {
		t.Errorf("taken back without a reason: %v", err)
	}
	h.ok(h.UndoTick(ctx, h.helper, store.Entry{}, code, tick.ID, "mis-tap"))
	h.ok(h.TickStep(ctx, h.helper, store.Entry{}, code, step.ID, "at 71 °C", time.Time{}))
	s := h.read(code).Steps[0]
	if s.Tick == nil || s.Tick.Note != "at 71 °C" || len(s.Undone) != 1 {
		t.Errorf("%+v", s)
	}
}

func TestMouldingAsksAboutWhatIsLeftOutAndStartsTheCure(t *testing.T) {
	t.Parallel()
	h := newBenchShop(t)
	ctx := t.Context()
	code := h.begun()
	h.ok(h.wax(code, "240"))
	mould := func(m store.Moulding) error {
		m.Batch = code
		return h.Mould(ctx, h.helper, store.Entry{}, m)
	}
	benchFault(t, mould(store.Moulding{}), "units", "At least one.")
	benchFault(t, mould(store.Moulding{Units: 20, MassG: benchMaybe("-1")}), "mass", "weigh together")
	err := mould(store.Moulding{Units: 20})
	benchFault(t, err, "really", "Not weighed: Oat oil, Shea butter, Base, Oat oil, Tocopherol.")
	benchFault(t, err, "really", "Not ticked: Melt to 70 °C; Stir until it traces.")
	if fault.As(err).Of("really") == "" || strings.Contains(fault.As(err).Of("really"), "Water") {
		t.Error("what may be left out was asked for")
	}
	h.ok(mould(store.Moulding{Units: 20, Really: store.Really{Yes: true, Reason: "the lights went out"}}))
	b := h.read(code)
	if b.Status != "curing" || b.CureStartedAt == nil || *b.MouldedUnits != 20 || len(h.open(code)) != 1 {
		t.Errorf("%+v, open %v", b.Batch, h.open(code))
	}
	if err := mould(store.Moulding{Units: 20}); !fault.Is(err, fault.Conflict) {
		t.Errorf("moulded twice: %v", err)
	}
}

func TestTheCureIsWeighedAndItsEndAskedAboutWhereItIsShort(t *testing.T) {
	t.Parallel()
	h := newBenchShop(t)
	ctx := t.Context()
	code := h.begun()
	if err := h.WeighCure(ctx, h.helper, store.Entry{}, code, benchDec("52"), time.Time{}); !fault.Is(err, fault.Conflict) {
		t.Errorf("nothing cures yet: %v", err)
	}
	h.weighAll(code)
	began := time.Now().Add(-24 * time.Hour)
	h.ok(h.Mould(ctx, h.helper, store.Entry{}, store.Moulding{Batch: code, Units: 20, At: began}))
	benchFault(t, h.WeighCure(ctx, h.helper, store.Entry{}, code, benchDec("52"), began.Add(-time.Hour)), "at", "The cure began after that.")
	benchFault(t, h.WeighCure(ctx, h.helper, store.Entry{}, code, decimal.Zero, time.Time{}), "grams", "marked unit")
	h.ok(h.WeighCure(ctx, h.helper, store.Entry{}, code, benchDec("52"), time.Time{}))
	h.ok(h.NoteClimate(ctx, h.helper, store.Entry{}, code, store.Climate{Stage: "cure", TemperatureC: benchMaybe("21"), HumidityPct: benchMaybe("50")}))
	b := h.read(code)
	h.ok(h.WithdrawCureWeighing(ctx, h.helper, store.Entry{}, code, b.Weighings[0].ID, "other bar"))
	h.ok(h.WithdrawClimate(ctx, h.helper, store.Entry{}, code, b.Climate[0].ID, "other room"))
	if b = h.read(code); !b.Weighings[0].Replaced || !b.Climate[0].Replaced {
		t.Error("what was taken back still stands")
	}
	end := func(at time.Time, really store.Really) error {
		return h.EndCure(ctx, h.helper, store.Entry{}, code, at, really)
	}
	benchFault(t, end(began.Add(-time.Hour), store.Really{}), "at", "The cure began after that.")
	benchFault(t, end(time.Time{}, store.Really{}), "really", "The cure ran 24 hours; the formula asks for 48 hours.")
	h.ok(end(time.Time{}, store.Really{Yes: true, Reason: "hard already"}))
	if b = h.read(code); b.Status != "packing" || len(h.open(code)) != 1 {
		t.Errorf("%s, open %v", b.Status, h.open(code))
	}
	if err := end(time.Time{}, store.Really{}); !fault.Is(err, fault.Conflict) {
		t.Errorf("ended twice: %v", err)
	}
	if broken := h.broken(t); len(broken) > 0 {
		t.Error(broken)
	}
}

func TestSomethingOffIsNotedInWords(t *testing.T) {
	t.Parallel()
	h := newBenchShop(t)
	ctx := t.Context()
	code := h.begun()
	benchFault(t, h.NoteDeviation(ctx, h.helper, store.Entry{}, code, " ", ""), "what", "Say what is off")
	benchFault(t, h.NoteDeviation(ctx, h.helper, store.Entry{}, code, "a smell", strings.Repeat("x", 1001)), "reason", "At most")
	h.ok(h.NoteDeviation(ctx, h.helper, store.Entry{}, code, "smells of smoke", "the neighbour's grill"))
	if diff := cmp.Diff([]string{"other: smells of smoke"}, h.open(code)); diff != "" {
		t.Error(diff)
	}
}

// Wherever the database fails in an entry, nothing of it is left: not the entry, not its draw, not its change, and the
// same form can be sent again.
func TestAFailureAnywhereInAnEntryLeavesNothing(t *testing.T) {
	t.Parallel()
	for _, table := range []string{"batch_input", "stock_move", "material_lot", "deviation", "change", "audit", "chain_link"} {
		t.Run(table, func(t *testing.T) {
			t.Parallel()
			h := newBenchShop(t)
			h.lot("BW", "BW-Q", "100", func(r *store.Receipt) { r.Release = false })
			code := h.begun()
			before := h.counts()
			h.asOwner(t, `CREATE FUNCTION cut() RETURNS trigger LANGUAGE plpgsql AS $$ BEGIN RAISE EXCEPTION 'cut'; END $$`,
				`CREATE TRIGGER cut BEFORE INSERT OR UPDATE ON `+table+` FOR EACH ROW EXECUTE FUNCTION cut()`)
			w := store.Weighing{Batch: code, Line: h.line(code, "Melt", "Beeswax").ID, Lot: "BW-Q", Grams: benchDec("250"), Really: store.Really{Yes: true, Reason: "poured already"}}
			entry := benchEntry()
			if err := h.Weigh(t.Context(), h.helper, entry, w); err == nil || fault.As(err) != nil {
				t.Fatalf("got %v, want the database's failure", err)
			}
			h.asOwner(t, `DROP TRIGGER cut ON `+table)
			if diff := cmp.Diff(before, h.counts()); diff != "" {
				t.Errorf("something is left: %s", diff)
			}
			h.ok(h.Weigh(t.Context(), h.helper, entry, w))
			if got := h.line(code, "Melt", "Beeswax").WeighedG().String(); got != "250" || h.onHand("BW-Q") != "0" || len(h.open(code)) != 2 {
				t.Errorf("sent again: %s g, %s left, open %v", got, h.onHand("BW-Q"), h.open(code))
			}
		})
	}
}

func TestABatchOfAnotherWorkshopIsNotThere(t *testing.T) {
	t.Parallel()
	h := newBenchShop(t)
	code := h.begun()
	plan := h.plan(store.NewPlan{Formula: "OB", MassG: benchDec("500")})
	line := h.line(code, "Melt", "Beeswax").ID
	stranger := h.owner
	stranger.Workshop = sessionSecondShop(t, h.house)
	stranger.Actor, stranger.Person = "system", store.PersonID{}
	ctx := t.Context()
	_, readErr := h.Batch(ctx, stranger.Workshop, code)
	_, planErr := h.Plan(ctx, stranger.Workshop, plan)
	_, startErr := h.StartBatch(ctx, stranger, store.Entry{}, store.Start{Plan: plan})
	for name, err := range map[string]error{
		"read": readErr, "plan": planErr, "start": startErr,
		"weigh":   h.Weigh(ctx, stranger, store.Entry{}, store.Weighing{Batch: code, Line: line, Lot: "BW-1", Grams: benchDec("240")}),
		"void":    h.VoidBatch(ctx, stranger, store.Entry{}, code, "mine"),
		"mould":   h.Mould(ctx, stranger, store.Entry{}, store.Moulding{Batch: code, Units: 1}),
		"rescale": h.RescaleRest(ctx, stranger, store.Entry{}, code, line),
		"note":    h.NoteDeviation(ctx, stranger, store.Entry{}, code, "x", ""),
	} {
		if !fault.Is(err, fault.NotFound) {
			t.Errorf("%s: %v, want not found", name, err)
		}
	}
	benchFault(t, h.DropPlan(ctx, stranger, plan), "", "no such plan")
	if _, err := h.Plan(ctx, h.owner.Workshop, plan); err != nil {
		t.Errorf("another workshop dropped the plan: %v", err)
	}
}
