package store_test

import (
	"fmt"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"example.org/stillroom/internal/access"
	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/store"
)

func TestTheScaledBatchIsFrozenWithItsTargets(t *testing.T) {
	t.Parallel()
	h := newBenchShop(t)
	code := h.begun()
	var got []string
	for _, l := range h.read(code).Lines {
		if l.AsNeeded {
			got = append(got, fmt.Sprintf("%s %s %s-%s", l.Portion, l.Name, l.LowG.Decimal, l.HighG.Decimal))
			continue
		}
		got = append(got, fmt.Sprintf("%s %s %s", l.Portion, l.Name, l.TargetG))
	}
	want := []string{"Base Oat oil 336", "Base Shea butter 224", "Melt Beeswax 240", "Melt Base 560", "Cool Oat oil 180", "Cool Tocopherol 20", "Cool Water 0-20"}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Error(diff)
	}
}

func TestAWeightWithinToleranceIsStoredAndOneOutsideIsAskedAbout(t *testing.T) {
	t.Parallel()
	h := newBenchShop(t)
	cases := []struct {
		name, grams string
		really      bool
		reason      string
		field       string // of the fault; empty where it is stored
		words       string
		open        []string
	}{
		{name: "at the target", grams: "240"},
		{name: "at the edge of 1 %", grams: "242.4"},
		{name: "over it", grams: "242.5", field: "really", words: "242.5 g of Beeswax instead of 240 g"},
		{name: "under it", grams: "237.5", field: "really", words: "237.5 g of Beeswax instead of 240 g"},
		{name: "a slip of the decimal mark", grams: "2400", field: "really", words: "decimal mark"},
		{name: "really so, without a reason", grams: "250", really: true, field: "reason", words: "Say how it came about"},
		{name: "really so", grams: "250", really: true, reason: "the jug slipped", open: []string{"weight: 250 g of Beeswax instead of 240 g: 10 g over, 4.2 %; 1 % allowed."}},
		{name: "really so, though it is not off", grams: "240", really: true},
		{name: "nothing", grams: "0", field: "grams", words: "more than 0"},
		{name: "a barcode in the wrong box", grams: "400123456789", field: "grams", words: "hundred tonnes"},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			code := benchShop{h.house, t, h.helper, h.today}.begun()
			err := h.wax(code, c.grams, func(w *store.Weighing) { w.Really = store.Really{Yes: c.really, Reason: c.reason} })
			if c.field != "" {
				benchFault(t, err, c.field, c.words)
				if h.line(code, "Melt", "Beeswax").Done() {
					t.Error("it is stored all the same")
				}
				return
			}
			if err != nil {
				t.Fatal(err)
			}
			if got := h.line(code, "Melt", "Beeswax").WeighedG(); !got.Equal(benchDec(c.grams)) {
				t.Errorf("stored %s", got)
			}
			if diff := cmp.Diff(c.open, h.open(code)); diff != "" {
				t.Error(diff)
			}
		})
	}
	if broken := h.broken(t); len(broken) > 0 {
		t.Error(broken)
	}
}

// The question comes again with every refusal, so that a page can ask it again.
func TestTheQuestionStaysWhileItsReasonIsMissing(t *testing.T) {
	t.Parallel()
	h := newBenchShop(t)
	code := h.begun()
	for name, reason := range map[string]string{"no reason": " ", "one without end": strings.Repeat("x", 1001)} {
		err := h.wax(code, "250", benchReally(reason))
		benchFault(t, err, "really", "instead of 240 g")
		if fault.As(err).Of("reason") == "" {
			t.Errorf("%s: nothing beside the reason", name)
		}
	}
}

func TestALineIsWeighedFromWhatItAsksFor(t *testing.T) {
	t.Parallel()
	h := newBenchShop(t)
	code := h.begun()
	ctx := t.Context()
	id := func(portion, name string) store.BatchLineID { return h.line(code, portion, name).ID }
	cases := []struct {
		name  string
		w     store.Weighing
		field string
		words string
	}{
		{"without its lot", store.Weighing{Line: id("Melt", "Beeswax"), Grams: benchDec("240")}, "lot", "From which lot?"},
		{"from a lot that there is not", store.Weighing{Line: id("Melt", "Beeswax"), Lot: "BW-9", Grams: benchDec("240")}, "lot", `no lot "BW-9"`},
		{"from a lot of something else", store.Weighing{Line: id("Melt", "Beeswax"), Lot: "SH-1", Grams: benchDec("240")}, "lot", "Lot SH-1 is Shea butter, not Beeswax."},
		{"at a time that has not come", store.Weighing{Line: id("Melt", "Beeswax"), Lot: "BW-1", Grams: benchDec("240"), At: time.Now().Add(time.Hour)}, "at", "not come yet"},
		{"a portion of the batch, without a lot", store.Weighing{Line: id("Melt", "Base"), Grams: benchDec("560")}, "", ""},
		{"water, which is not tracked", store.Weighing{Line: id("Cool", "Water"), Grams: benchDec("5")}, "", ""},
		{"above an as-needed range", store.Weighing{Line: id("Cool", "Water"), Grams: benchDec("16")}, "really", "21 g of Water; the formula allows 0 to 20 g."},
		{"what is bought by volume", store.Weighing{Line: id("Cool", "Tocopherol"), Lot: "TC-1", Grams: benchDec("20")}, "", ""},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			c.w.Batch = code
			err := h.Weigh(ctx, h.helper, store.Entry{}, c.w)
			if c.field != "" {
				benchFault(t, err, c.field, c.words)
			} else if err != nil {
				t.Fatal(err)
			}
		})
	}
	if got := h.onHand("TC-1"); got != "475" {
		t.Errorf("20 g at 0.8 g/ml are 25 ml of 500: the book holds %s", got)
	}
	other := h.begun()
	err := h.Weigh(ctx, h.helper, store.Entry{}, store.Weighing{Batch: other, Line: id("Melt", "Beeswax"), Lot: "BW-1", Grams: benchDec("240")})
	benchFault(t, err, "", "no such line in this batch")
}

func TestWhatIsMissingInTheBookIsBookedAsMoreThanRecorded(t *testing.T) {
	t.Parallel()
	h := newBenchShop(t)
	h.lot("BW", "BW-2", "100")
	code := h.begun()
	h.ok(h.wax(code, "240", func(w *store.Weighing) { w.Lot = "BW-2" }))
	lot, err := h.Lot(t.Context(), h.owner.Workshop, "BW-2")
	h.ok(err)
	var got []string
	for _, e := range lot.Entries {
		got = append(got, e.What+" "+e.Quantity.String())
	}
	if diff := cmp.Diff([]string{"received 100", "more than recorded 140", "drawn -240"}, got); diff != "" {
		t.Error(diff)
	}
	if lot.OnHand.String() != "0" || lot.OpenedOn != h.today {
		t.Errorf("on hand %s, opened %s", lot.OnHand, lot.OpenedOn)
	}
	if open := h.open(code); len(open) > 0 {
		t.Errorf("a shortfall of the book is no deviation of the batch: %v", open)
	}
}

// What is in the bowl is stored, whatever the lot; the lot stays what it was.
func TestALotThatIsNotFitIsAskedAboutAndBecomesADeviation(t *testing.T) {
	t.Parallel()
	h := newBenchShop(t)
	ctx := t.Context()
	h.lot("BW", "BW-Q", "500", func(r *store.Receipt) { r.Release = false })
	h.lot("BW", "BW-X", "500", func(r *store.Receipt) { r.ExpiresOn = h.today.AddDays(-1) })
	h.lot("BW", "BW-R", "500")
	h.ok(h.SetLotStatus(ctx, h.owner, store.Entry{}, "BW-R", "rejected", "smells"))
	h.lot("BW", "BW-L", "500", func(r *store.Receipt) { r.ExpiresOn = h.today })
	cases := map[string]struct{ lot, words, status string }{
		"in quarantine":             {"BW-Q", "Lot BW-Q is still in quarantine.", "quarantined"},
		"expired yesterday":         {"BW-X", "Lot BW-X expired on " + h.today.AddDays(-1).Long() + ".", "released"},
		"rejected":                  {"BW-R", "Lot BW-R was rejected and may not be used.", "rejected"},
		"on its last day it is fit": {"BW-L", "", "released"},
	}
	for name, c := range cases {
		t.Run(name, func(t *testing.T) {
			code := benchShop{h.house, t, h.helper, h.today}.begun()
			err := h.wax(code, "240", func(w *store.Weighing) { w.Lot = c.lot })
			if c.words == "" {
				if err != nil {
					t.Fatal(err)
				}
				return
			}
			benchFault(t, err, "really", c.words)
			if err := h.wax(code, "240", func(w *store.Weighing) { w.Lot = c.lot }, benchReally("poured before I looked")); err != nil {
				t.Fatal(err)
			}
			if diff := cmp.Diff([]string{"lot: " + c.words}, h.open(code)); diff != "" {
				t.Error(diff)
			}
			lot, err := h.Lot(ctx, h.owner.Workshop, c.lot)
			if err != nil || lot.Status != c.status || lot.OnHand.String() != "260" {
				t.Errorf("the lot is %s with %s g, %v", lot.Status, lot.OnHand, err)
			}
		})
	}
}

func TestALineTakesTwoLots(t *testing.T) {
	t.Parallel()
	h := newBenchShop(t)
	h.lot("BW", "BW-2", "500")
	code := h.begun()
	h.ok(h.wax(code, "100", func(w *store.Weighing) { w.More = true }))
	if open := h.open(code); len(open) > 0 {
		t.Errorf("too little so far is no deviation while a second lot follows: %v", open)
	}
	benchFault(t, h.wax(code, "150", func(w *store.Weighing) { w.Lot = "BW-2" }), "really", "250 g of Beeswax instead of 240 g")
	benchFault(t, h.wax(code, "150", func(w *store.Weighing) { w.Lot, w.More = "BW-2", true }), "really", "250 g of Beeswax instead of 240 g")
	h.ok(h.wax(code, "140", func(w *store.Weighing) { w.Lot = "BW-2" }))
	if got := h.line(code, "Melt", "Beeswax"); got.WeighedG().String() != "240" || len(got.Inputs) != 2 {
		t.Errorf("%s from %d lots", got.WeighedG(), len(got.Inputs))
	}
	if h.onHand("BW-1") != "4900" || h.onHand("BW-2") != "360" {
		t.Errorf("the book holds %s and %s", h.onHand("BW-1"), h.onHand("BW-2"))
	}
}

// One that was kept as too little, and is then made up from a second lot, leaves nothing to decide.
func TestASecondLotThatMakesItRightEndsTheDeviation(t *testing.T) {
	t.Parallel()
	h := newBenchShop(t)
	h.lot("BW", "BW-Q", "500", func(r *store.Receipt) { r.Release = false })
	code := h.begun()
	h.ok(h.wax(code, "200", func(w *store.Weighing) { w.Lot = "BW-Q" }, benchReally("the tub was empty")))
	if n := len(h.open(code)); n != 2 {
		t.Fatalf("%d deviations, want the weight and the lot", n)
	}
	h.ok(h.wax(code, "40"))
	if diff := cmp.Diff([]string{"lot: Lot BW-Q is still in quarantine."}, h.open(code)); diff != "" {
		t.Error(diff)
	}
}

func TestTheSameEntrySentAgainIsStoredOnce(t *testing.T) {
	t.Parallel()
	h := newBenchShop(t)
	code := h.begun()
	w := store.Weighing{Batch: code, Line: h.line(code, "Melt", "Beeswax").ID, Lot: "BW-1", Grams: benchDec("240")}
	entry := benchEntry()
	var group sync.WaitGroup
	for range 6 {
		group.Add(1)
		go func() {
			defer group.Done()
			if err := h.Weigh(t.Context(), h.helper, entry, w); err != nil {
				t.Error(err)
			}
		}()
	}
	group.Wait()
	if got := h.line(code, "Melt", "Beeswax"); len(got.Inputs) != 1 || h.onHand("BW-1") != "4760" {
		t.Errorf("%d entries, %s g left", len(got.Inputs), h.onHand("BW-1"))
	}
	entry.Payload[0]++
	w.Grams = benchDec("241")
	if err := h.Weigh(t.Context(), h.helper, entry, w); !fault.Is(err, fault.Invalid) {
		t.Errorf("another weight under the same key: %v", err)
	}
}

// Two tablets take the last of a lot at once: both are in a bowl, so both are stored, and the book is never below zero.
func TestTwoTabletsDrawTheLastOfALotAndBothAreStored(t *testing.T) {
	t.Parallel()
	h := newBenchShop(t)
	h.lot("BW", "BW-2", "250")
	codes := []string{h.begun(), h.begun()}
	errs := make([]error, 2)
	lines := []store.BatchLineID{h.line(codes[0], "Melt", "Beeswax").ID, h.line(codes[1], "Melt", "Beeswax").ID}
	var group sync.WaitGroup
	for i, code := range codes {
		group.Add(1)
		go func() {
			defer group.Done()
			errs[i] = h.Weigh(t.Context(), h.helper, store.Entry{}, store.Weighing{Batch: code, Line: lines[i], Lot: "BW-2", Grams: benchDec("240")})
		}()
	}
	group.Wait()
	for _, err := range errs {
		h.ok(err)
	}
	lot, err := h.Lot(t.Context(), h.owner.Workshop, "BW-2")
	h.ok(err)
	more := 0
	for _, e := range lot.Entries {
		if e.What == "more than recorded" {
			more++
			if e.Quantity.String() != "230" {
				t.Errorf("booked %s more", e.Quantity)
			}
		}
	}
	if more != 1 || lot.OnHand.String() != "0" {
		t.Errorf("%d booked more than recorded; %s g left", more, lot.OnHand)
	}
}

func TestACorrectionKeepsTheOldValueAndTheLedgerFollows(t *testing.T) {
	t.Parallel()
	h := newBenchShop(t)
	h.lot("BW", "BW-2", "500")
	code := h.begun()
	ctx := t.Context()
	h.ok(h.wax(code, "250", benchReally("the jug slipped")))
	in := h.line(code, "Melt", "Beeswax").Inputs[0]
	correct := func(c store.Correction) error {
		c.Batch = code
		return h.CorrectInput(ctx, h.helper, store.Entry{}, c)
	}
	benchFault(t, correct(store.Correction{Input: in.ID, Grams: benchDec("240"), Reason: " "}), "reason", "Say why")
	benchFault(t, correct(store.Correction{Input: in.ID, Grams: benchDec("300"), Reason: "misread"}), "really", "300 g of Beeswax instead of 240 g")
	h.ok(correct(store.Correction{Input: in.ID, Grams: benchDec("240"), Lot: "BW-2", Reason: "misread"}))
	line := h.line(code, "Melt", "Beeswax")
	if len(line.Inputs) != 2 || !line.Inputs[0].Replaced || line.Inputs[0].Reason != "misread" || line.WeighedG().String() != "240" || line.Inputs[1].Lot != "BW-2" {
		t.Errorf("the old value stands struck through beside the new: %+v", line.Inputs)
	}
	if h.onHand("BW-1") != "5000" || h.onHand("BW-2") != "260" {
		t.Errorf("the book holds %s and %s", h.onHand("BW-1"), h.onHand("BW-2"))
	}
	if open := h.open(code); len(open) > 0 {
		t.Errorf("within its limits now, and still open: %v", open)
	}
	if err := correct(store.Correction{Input: in.ID, Grams: benchDec("241"), Reason: "again"}); !fault.Is(err, fault.Conflict) {
		t.Errorf("a second correction of the same entry: %v", err)
	}
	h.ok(correct(store.Correction{Input: line.Inputs[1].ID, Grams: benchDec("238"), Reason: "misread"}))
	if last := h.line(code, "Melt", "Beeswax").Inputs; last[len(last)-1].Lot != "BW-2" {
		t.Error("a correction of the weight alone keeps its lot")
	}
	if broken := h.broken(t); len(broken) > 0 {
		t.Error(broken)
	}
}

// Ten times too much was typed and kept: the book took it as more than recorded. Corrected, it goes back to what it was.
func TestACorrectionTakesBackWhatTheOldValueBookedAsMoreThanRecorded(t *testing.T) {
	t.Parallel()
	h := newBenchShop(t)
	h.lot("BW", "BW-2", "300")
	code, other := h.begun(), h.begun()
	two := func(w *store.Weighing) { w.Lot = "BW-2" }
	h.ok(h.wax(code, "2400", two, benchReally("thought so")))
	if h.onHand("BW-2") != "0" {
		t.Fatalf("the book holds %s", h.onHand("BW-2"))
	}
	in := h.line(code, "Melt", "Beeswax").Inputs[0]
	h.ok(h.CorrectInput(t.Context(), h.helper, store.Entry{}, store.Correction{Batch: code, Input: in.ID, Grams: benchDec("240"), Reason: "decimal mark"}))
	if h.onHand("BW-2") != "60" {
		t.Errorf("300 g came and 240 g went; the book holds %s", h.onHand("BW-2"))
	}
	// Somebody else drew on it meanwhile: then what is missing is booked again, and the book is never below zero.
	h.ok(h.wax(other, "240", two))
	in = h.line(code, "Melt", "Beeswax").Inputs[1]
	h.ok(h.CorrectInput(t.Context(), h.helper, store.Entry{}, store.Correction{Batch: code, Input: in.ID, Withdraw: true, Reason: "was never weighed"}))
	if h.onHand("BW-2") != "240" {
		t.Errorf("what the withdrawn entry drew is back: %s", h.onHand("BW-2"))
	}
	first := h.line(other, "Melt", "Beeswax").Inputs[0]
	h.ok(h.CorrectInput(t.Context(), h.helper, store.Entry{}, store.Correction{Batch: other, Input: first.ID, Withdraw: true, Reason: "nor was this"}))
	if h.onHand("BW-2") != "300" {
		t.Errorf("all of it is back: %s", h.onHand("BW-2"))
	}
	if h.line(code, "Melt", "Beeswax").Done() {
		t.Error("a withdrawn entry leaves the line to be weighed")
	}
	if broken := h.broken(t); len(broken) > 0 {
		t.Error(broken)
	}
}

func TestWhoMayCorrectAnEntry(t *testing.T) {
	t.Parallel()
	h := newBenchShop(t)
	other := h.person("Tilly Marsh", access.Helper)
	maker := h.person("Bram Sedge", access.Maker)
	viewer := h.person("Vera Reed", access.Viewer)
	cases := map[string]struct {
		who  store.Who
		age  string // how old the entry is made
		want bool
	}{
		"a helper their own of today":         {h.helper, "0", true},
		"another helper":                      {other, "0", false},
		"a helper their own of another day":   {h.helper, "36 hours", false},
		"a maker anybody's":                   {maker, "0", true},
		"a maker anybody's of another day":    {maker, "36 hours", true},
		"a viewer nobody's":                   {viewer, "0", false},
		"a program on behalf of the workshop": {store.Who{Workshop: h.owner.Workshop, Actor: "system"}, "36 hours", true},
	}
	for name, c := range cases {
		t.Run(name, func(t *testing.T) {
			shop := benchShop{h.house, t, h.helper, h.today}
			code := shop.begun()
			shop.ok(shop.wax(code, "240"))
			in := shop.line(code, "Melt", "Beeswax").Inputs[0]
			if c.age != "0" {
				h.asOwner(t, `ALTER TABLE change DISABLE TRIGGER USER`, `UPDATE change SET at = at - interval '`+c.age+`' WHERE id = (SELECT change_id FROM batch_input WHERE id = '`+store.Text(in.ID)+`')`, `ALTER TABLE change ENABLE TRIGGER USER`)
			}
			err := h.CorrectInput(t.Context(), c.who, store.Entry{}, store.Correction{Batch: code, Input: in.ID, Grams: benchDec("241"), Reason: "misread"})
			if c.want && err != nil || !c.want && !fault.Is(err, fault.Forbidden) {
				t.Errorf("got %v", err)
			}
			if got := shop.line(code, "Melt", "Beeswax").WeighedG().String(); got != map[bool]string{true: "241", false: "240"}[c.want] {
				t.Errorf("the line says %s", got)
			}
		})
	}
}

func TestTheRestOfAPortionIsRescaledOnce(t *testing.T) {
	t.Parallel()
	h := newBenchShop(t)
	code := h.begun()
	ctx := t.Context()
	oil := h.line(code, "Cool", "Oat oil")
	if rest, err := h.RestOf(ctx, h.owner.Workshop, h.read(code), oil.ID); err != nil || len(rest) != 0 {
		t.Errorf("nothing was weighed yet: %v, %v", rest, err)
	}
	if err := h.RescaleRest(ctx, h.helper, store.Entry{}, code, oil.ID); !fault.Is(err, fault.Conflict) {
		t.Errorf("nothing was weighed yet: %v", err)
	}
	h.ok(h.Weigh(ctx, h.helper, store.Entry{}, store.Weighing{Batch: code, Line: oil.ID, Lot: "OO-1", Grams: benchDec("270"), Really: store.Really{Yes: true, Reason: "the jug slipped"}}))
	rest, err := h.RestOf(ctx, h.owner.Workshop, h.read(code), oil.ID)
	h.ok(err)
	// Half as much again: 30 g of tocopherol in a batch of 1,100 g are 2.7 %, over its 2.1 %. Water is as needed.
	if len(rest) != 1 || rest[0].Name != "Tocopherol" || rest[0].TargetG.String() != "20" || rest[0].NextG.String() != "30" || !rest[0].OverLimit {
		t.Errorf("the rest of the portion: %+v", rest)
	}
	for range 2 {
		h.ok(h.RescaleRest(ctx, h.helper, store.Entry{}, code, oil.ID))
		if got := h.line(code, "Cool", "Tocopherol"); got.TargetG.String() != "30" || got.PlannedG.String() != "20" {
			t.Errorf("target %s of planned %s", got.TargetG, got.PlannedG)
		}
	}
	if got := h.line(code, "Melt", "Beeswax").TargetG.String(); got != "240" {
		t.Errorf("another portion moved to %s", got)
	}
	h.ok(h.Weigh(ctx, h.helper, store.Entry{}, store.Weighing{Batch: code, Line: h.line(code, "Cool", "Tocopherol").ID, Lot: "TC-1", Grams: benchDec("30")}))
	if open := h.open(code); len(open) != 1 {
		t.Errorf("at its rescaled target: %v", open)
	}
	if err := h.RescaleRest(ctx, h.helper, store.Entry{}, code, oil.ID); !fault.Is(err, fault.Conflict) {
		t.Errorf("everything is weighed: %v", err)
	}
	if broken := h.broken(t); len(broken) > 0 {
		t.Error(broken)
	}
}

func TestAnAdditionIsADeviationWhateverItIs(t *testing.T) {
	t.Parallel()
	h := newBenchShop(t)
	code := h.begun()
	ctx := t.Context()
	cases := map[string]struct {
		w     store.Weighing
		words string
	}{
		"from a lot":            {store.Weighing{Lot: "SH-1", Grams: benchDec("12")}, "addition: 12 g of Shea butter added; the formula does not have it."},
		"not tracked":           {store.Weighing{Material: "WA", Grams: benchDec("3")}, "addition: 3 g of Water added; the formula does not have it."},
		"tracked without a lot": {store.Weighing{Material: "SH", Grams: benchDec("3")}, ""},
		"from nothing":          {store.Weighing{Grams: benchDec("3")}, ""},
	}
	for name, c := range cases {
		t.Run(name, func(t *testing.T) {
			c.w.Batch = code
			if c.words == "" {
				benchFault(t, h.Weigh(ctx, h.helper, store.Entry{}, c.w), "lot", "From which lot")
				return
			}
			benchFault(t, h.Weigh(ctx, h.helper, store.Entry{}, c.w), "really", "The formula does not have it.")
			c.w.Really = store.Really{Yes: true, Reason: "it looked dry"}
			if err := h.Weigh(ctx, h.helper, store.Entry{}, c.w); err != nil {
				t.Fatal(err)
			}
			if open := strings.Join(h.open(code), "\n"); !strings.Contains(open, c.words) {
				t.Errorf("open: %s", open)
			}
		})
	}
	if n := len(h.read(code).Additions); n != 2 {
		t.Errorf("%d additions", n)
	}
}

func TestBulkIsDrawnAndACircleIsRefused(t *testing.T) {
	t.Parallel()
	h := newBenchShop(t)
	ctx := t.Context()
	h.formula("BB", "Balm base", "bulk", func(v *store.FormulaVersion) {
		v.Portions = []store.FormulaPortion{{Name: "All", Basis: "share", Amount: benchDec("100"), Lines: []store.FormulaLine{benchLine("SH", "100")}}}
	})
	h.formula("BO", "Balm of bulk", "units", func(v *store.FormulaVersion) {
		v.Portions = []store.FormulaPortion{{Name: "All", Basis: "share", Amount: benchDec("100"), Lines: []store.FormulaLine{{Kind: "bulk", BulkFormula: "BB", Basis: "share", Amount: benchDec("100")}}}}
	})
	start := func(formula, mass string) string {
		code, err := h.StartBatch(ctx, h.helper, store.Entry{}, store.Start{Plan: h.plan(store.NewPlan{Formula: formula, MassG: benchDec(mass)})})
		h.ok(err)
		return code
	}
	bulk, balm := start("BB", "500"), start("BO", "400")
	h.ok(h.Weigh(ctx, h.helper, store.Entry{}, store.Weighing{Batch: bulk, Line: h.line(bulk, "All", "Shea butter").ID, Lot: "SH-1", Grams: benchDec("500")}))
	h.ok(h.Mould(ctx, h.helper, store.Entry{}, store.Moulding{Batch: bulk}))
	draw := func(source, grams string, really store.Really) error {
		return h.Weigh(ctx, h.helper, store.Entry{}, store.Weighing{Batch: balm, Line: h.line(balm, "All", "Balm base").ID, SourceBatch: source, Grams: benchDec(grams), Really: really})
	}
	benchFault(t, draw("", "400", store.Really{}), "lot", "From which batch of Balm base?")
	benchFault(t, draw(h.begun(), "400", store.Really{}), "lot", "is Oat balm, not Balm base")
	err := draw(bulk, "400", store.Really{})
	benchFault(t, err, "really", "Bulk "+bulk+" is not released.")
	benchFault(t, err, "really", "The book holds 0 g of "+bulk)
	h.ok(draw(bulk, "400", store.Really{Yes: true, Reason: "could not wait"}))
	if open := h.open(balm); len(open) != 1 || !strings.HasPrefix(open[0], "lot: ") {
		t.Errorf("open: %v", open)
	}
	// The balm is in the bulk no more than the bulk in itself.
	for name, source := range map[string]string{"what was made of it": balm, "itself": bulk} {
		err := h.Weigh(ctx, h.helper, store.Entry{}, store.Weighing{Batch: bulk, SourceBatch: source, Grams: benchDec("1"), Really: store.Really{Yes: true, Reason: "left over"}})
		if f := fault.As(err); f == nil || !strings.Contains(f.Error()+f.Of("lot"), "A batch cannot contain itself") {
			t.Errorf("%s: %v", name, err)
		}
	}
	if broken := h.broken(t); len(broken) > 0 {
		t.Error(broken)
	}
}

// A lot that turns out to be another after packing, and expires earlier, puts the labels out: the printed date stays.
func TestACorrectionAfterPackingSaysWhichLabelsAreOut(t *testing.T) {
	t.Parallel()
	h := newPackShop(t)
	code := h.dried()
	h.pack(h.nine(code))
	h.lot("CA", "CA-2", "2000", h.today.AddDays(20))
	var acid store.BatchInput
	for _, in := range h.read(code).Inputs() {
		if in.Lot == "CA-1" {
			acid = in
		}
	}
	packOK(t, h.CorrectInput(t.Context(), h.maker, store.Entry{}, store.Correction{Batch: code, Input: acid.ID, Grams: acid.WeighedG.Decimal, Lot: "CA-2", Reason: "wrong tub noted"}))
	want := "date: Citric acid in " + code + " is good until " + h.today.AddDays(20).Long() + "; the labels of " + code + " (9 units) say "
	found := false
	for _, d := range h.read(code).Deviations {
		found = found || d.Open() && strings.HasPrefix(d.Kind+": "+d.What, want)
	}
	if !found {
		t.Errorf("no deviation %q in %+v", want, h.read(code).Deviations)
	}
	h.verified()
}
