package store_test

import (
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/shopspring/decimal"

	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/release"
	"example.org/stillroom/internal/store"
)

// crumbled is a batch of which eight are packed, two crumbled ones of 330 g are rejected, and 40 g are left over.
func (h packShop) crumbled() string {
	h.t.Helper()
	code := h.dried()
	n := h.nine(code)
	n.Good, n.Retained, n.LeftOverG = 8, 0, packSome("40")
	n.Rejects = []store.NewReject{{Stage: "packing", Reason: "crumbled", Units: 2, MassG: packSome("330")}}
	h.pack(n)
	return code
}

// begunFizz is a batch of bath fizz in making.
func (h packShop) begunFizz() string {
	h.t.Helper()
	plan, err := h.MakePlan(h.t.Context(), h.maker, store.NewPlan{Formula: "BF", Product: "BF165", MassG: packDec("1690"), On: h.today})
	packOK(h.t, err)
	code, err := h.StartBatch(h.t.Context(), h.maker, store.Entry{}, store.Start{Plan: plan, TemperatureC: packSome("20"), HumidityPct: packSome("45")})
	packOK(h.t, err)
	return code
}

func (h packShop) reworkOf(code string) store.ReworkPage {
	h.t.Helper()
	page, err := h.ReworkPage(h.t.Context(), h.maker.Workshop, code)
	packOK(h.t, err)
	return page
}

func reworkLeave(code, grams string) store.NewRework {
	return store.NewRework{Batch: code, Formula: "BF", What: "rejects", Grams: packDec(grams), Reason: "crumbled, but clean and dry"}
}

func (h packShop) workIn(into, source, grams string, really store.Really) error {
	return h.Weigh(h.t.Context(), h.helper, store.Entry{}, store.Weighing{Batch: into, SourceBatch: source, Grams: packDec(grams), Really: really})
}

// devs are the deviations of a batch that wait for a decision.
func (h packShop) devs(code string) []string {
	h.t.Helper()
	var out []string
	for _, d := range h.read(code).Deviations {
		if d.Open() {
			out = append(out, d.Kind+": "+d.What)
		}
	}
	return out
}

func TestWhatIsThereToBeWorkedInAgain(t *testing.T) {
	t.Parallel()
	h := newPackShop(t)
	page := h.reworkOf(h.crumbled())
	want := []store.Remainder{{What: "rejects", Reason: "crumbled", Units: 2, Grams: packSome("330")}, {What: "left_over", Grams: packSome("40")}}
	if diff := cmp.Diff(want, page.Remainders, cmp.Comparer(decimal.Decimal.Equal)); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
	if all, known := page.OnHandG(); !known || !all.Equal(packDec("370")) {
		t.Errorf("%s in all, known %t", all, known)
	}
	if len(page.Formulas) != 1 || page.Formulas[0].Code != "BF" {
		t.Errorf("formulas %v", page.Formulas)
	}
}

func TestWithinSignedLeaveThereIsNoDeviation(t *testing.T) {
	t.Parallel()
	h := newPackShop(t)
	ctx := t.Context()
	source := h.crumbled()
	packOK(t, h.SignRework(ctx, h.maker, store.Entry{}, reworkLeave(source, "300"), packPassword))
	into := h.begunFizz()
	offered, err := h.ReworkFor(ctx, h.maker.Workshop, "BF")
	packOK(t, err)
	if len(offered) != 1 || offered[0].Batch != source || !offered[0].LeftG().Equal(packDec("300")) || offered[0].Name != "maker Quill" {
		t.Fatalf("offered %+v", offered)
	}
	packOK(t, h.workIn(into, source, "200", store.Really{}))
	if list := h.devs(into); len(list) > 0 {
		t.Errorf("deviations %q", list)
	}
	page := h.reworkOf(source)
	if l := page.Leaves[0]; !l.DrawnG.Equal(packDec("200")) || l.Broken || l.Meaning != "approved" || !page.DrawnG.Equal(packDec("200")) || !page.SignedG.Equal(packDec("100")) {
		t.Errorf("leave %+v, drawn %s, signed %s", l, page.DrawnG, page.SignedG)
	}
	for _, in := range h.read(into).Additions {
		if in.SourceBatch != source || !strings.HasPrefix(in.Signed, "maker Quill, ") {
			t.Errorf("%s signed by %q", in.SourceBatch, in.Signed)
		}
	}
	// What is over the rest of the leave is asked, and kept as a deviation.
	err = h.workIn(into, source, "150", store.Really{})
	packFault(t, err, fault.Invalid, "really", "Leave was signed for 100")
	packOK(t, h.workIn(into, source, "150", store.Really{Yes: true, Reason: "it was all there was"}))
	list := h.devs(into)
	if len(list) != 2 || !strings.HasPrefix(list[0], "addition: 150") || !strings.HasPrefix(list[1], "lot: Rejected or left-over product of "+source) {
		t.Errorf("deviations %q", list)
	}
	h.verified()
}

func TestTheReleaseNamesWhoSignedForReprocessing(t *testing.T) {
	t.Parallel()
	h := newPackShop(t)
	ctx := t.Context()
	source := h.crumbled()
	packOK(t, h.SignRework(ctx, h.maker, store.Entry{}, reworkLeave(source, "300"), packPassword))
	// Fifty days on: the leave is older than the weighing, as the book asks.
	into := h.begunFizz()
	b := h.read(into)
	for _, l := range b.Lines {
		packOK(t, h.Weigh(ctx, h.maker, store.Entry{}, store.Weighing{Batch: into, Line: l.ID, Lot: l.Material + "-1", Grams: l.TargetG}))
	}
	packOK(t, h.workIn(into, source, "100", store.Really{}))
	packOK(t, h.TickStep(ctx, h.maker, store.Entry{}, into, b.Steps[0].ID, "", time.Time{}))
	packOK(t, h.ReadControl(ctx, h.maker, store.Entry{}, store.Readings{Batch: into, Control: b.Controls[0].ID, Values: []decimal.Decimal{packDec("168"), packDec("168.5"), packDec("167.5")}}))
	packOK(t, h.Mould(ctx, h.maker, store.Entry{}, store.Moulding{Batch: into, Units: 10}))
	n := h.nine(into)
	n.Finished, n.Really = false, store.Really{Yes: true, Reason: "early, for the test of another rule"}
	for _, c := range h.packing(h.pack(n)).Conditions {
		if c.Key == release.KeyLots && (c.State != release.OK || !strings.Contains(c.Words, source+" worked in again, as signed for by maker Quill, ")) {
			t.Errorf("%s: %s", c.State, c.Words)
		}
	}
}

func TestLeaveIsRefusedInWords(t *testing.T) {
	t.Parallel()
	h := newPackShop(t)
	ctx := t.Context()
	source := h.crumbled()
	for name, tc := range map[string]struct {
		who          store.Who
		change       func(*store.NewRework)
		password     string
		kind         fault.Kind
		field, words string
	}{
		"a helper":               {h.helper, func(*store.NewRework) {}, packPassword, fault.Forbidden, "", "maker or the owner"},
		"a wrong password":       {h.maker, func(*store.NewRework) {}, "no such kettles", fault.Invalid, "password", "not your password"},
		"more than is there":     {h.maker, func(n *store.NewRework) { n.Grams = packDec("331") }, packPassword, fault.Invalid, "grams", "Only 330"},
		"more than is left over": {h.maker, func(n *store.NewRework) { n.What, n.Grams = "left_over", packDec("41") }, packPassword, fault.Invalid, "grams", "Only 40"},
		"nothing":                {h.maker, func(n *store.NewRework) { n.Grams = decimal.Zero }, packPassword, fault.Invalid, "grams", "more than 0"},
		"of no kind":             {h.maker, func(n *store.NewRework) { n.What = "" }, packPassword, fault.Invalid, "what", "Choose"},
		"no reason":              {h.maker, func(n *store.NewRework) { n.Reason = " " }, packPassword, fault.Invalid, "reason", "Say why"},
		"too long a reason":      {h.maker, func(n *store.NewRework) { n.Reason = strings.Repeat("a", 1001) }, packPassword, fault.Invalid, "reason", "At most"},
		"into nothing":           {h.maker, func(n *store.NewRework) { n.Formula = "NONE" }, packPassword, fault.Invalid, "formula", "Choose the formula"},
		"a batch in making":      {h.maker, func(n *store.NewRework) { n.Batch = h.begunFizz() }, packPassword, fault.Conflict, "", "Nothing came out"},
		"no such batch":          {h.maker, func(n *store.NewRework) { n.Batch = "NONE" }, packPassword, fault.NotFound, "", "no batch"},
	} {
		t.Run(name, func(t *testing.T) {
			n := reworkLeave(source, "300")
			tc.change(&n)
			packFault(t, h.SignRework(ctx, tc.who, store.Entry{}, n, tc.password), tc.kind, tc.field, tc.words)
		})
	}
	packOK(t, h.SignRework(ctx, h.maker, store.Entry{}, reworkLeave(source, "300"), packPassword))
	packFault(t, h.SignRework(ctx, h.maker, store.Entry{}, reworkLeave(source, "31"), packPassword), fault.Invalid, "grams", "Only 30")
	packOK(t, h.SetLotStatus(ctx, h.owner, store.Entry{}, "CA-1", "rejected", "withdrawn by its maker"))
	packFault(t, h.SignRework(ctx, h.owner, store.Entry{}, reworkLeave(source, "10"), packPassword), fault.Conflict, "", "lot CA-1")
	// Leave given before does not cover it any more.
	packFault(t, h.workIn(h.begunFizz(), source, "10", store.Really{}), fault.Invalid, "really", "holds what may not be used: lot CA-1")
}

func TestMoreThanIsLeftIsAskedOnce(t *testing.T) {
	t.Parallel()
	h := newPackShop(t)
	source, into := h.crumbled(), h.begunFizz()
	packFault(t, h.workIn(into, source, "371", store.Really{}), fault.Invalid, "really", "The book holds 370")
	packOK(t, h.workIn(into, source, "371", store.Really{Yes: true, Reason: "the scale says so"}))
	if list := h.devs(into); len(list) != 2 || !strings.Contains(list[1], "The book holds 370") {
		t.Errorf("deviations %q", list)
	}
	packFault(t, h.workIn(into, source, "1", store.Really{}), fault.Invalid, "really", "The book holds 0")
}

func TestLeaveIsTakenBackWhileNothingWasDrawn(t *testing.T) {
	t.Parallel()
	h := newPackShop(t)
	ctx := t.Context()
	source := h.crumbled()
	packOK(t, h.SignRework(ctx, h.maker, store.Entry{}, reworkLeave(source, "200"), packPassword))
	packOK(t, h.SignRework(ctx, h.maker, store.Entry{}, reworkLeave(source, "100"), packPassword))
	into := h.begunFizz()
	packOK(t, h.workIn(into, source, "50", store.Really{}))
	leaves := h.reworkOf(source).Leaves
	packFault(t, h.WithdrawRework(ctx, h.maker, store.Entry{}, source, leaves[0].ID, "not wanted"), fault.Conflict, "", "was drawn under it already")
	packFault(t, h.WithdrawRework(ctx, h.helper, store.Entry{}, source, leaves[1].ID, "not wanted"), fault.Forbidden, "", "maker")
	packFault(t, h.WithdrawRework(ctx, h.maker, store.Entry{}, source, leaves[1].ID, ""), fault.Invalid, "reason", "Say why")
	packOK(t, h.WithdrawRework(ctx, h.maker, store.Entry{}, source, leaves[1].ID, "not wanted"))
	packFault(t, h.WithdrawRework(ctx, h.maker, store.Entry{}, source, leaves[1].ID, "again"), fault.Conflict, "", "already")
	packFault(t, h.WithdrawRework(ctx, h.maker, store.Entry{}, into, leaves[0].ID, "of another batch"), fault.NotFound, "", "no such leave")
	page := h.reworkOf(source)
	if free, _ := page.FreeG("rejects"); !page.Leaves[1].Withdrawn || !page.SignedG.Equal(packDec("150")) || !free.Equal(packDec("130")) {
		t.Errorf("signed %s, free %s, leaves %+v", page.SignedG, free, page.Leaves)
	}
	// A weighing that is taken back frees its leave.
	in := h.read(into).Additions[0]
	packOK(t, h.CorrectInput(ctx, h.maker, store.Entry{}, store.Correction{Batch: into, Input: in.ID, Withdraw: true, Reason: "wrong bowl"}))
	packOK(t, h.WithdrawRework(ctx, h.maker, store.Entry{}, source, leaves[0].ID, "not wanted either"))
	h.verified()
}

func TestTwoBenchesCannotUseTheSameLeave(t *testing.T) {
	t.Parallel()
	h := newPackShop(t)
	source := h.crumbled()
	packOK(t, h.SignRework(t.Context(), h.maker, store.Entry{}, reworkLeave(source, "100"), packPassword))
	batches := []string{h.begunFizz(), h.begunFizz(), h.begunFizz()}
	var wait sync.WaitGroup
	errs := make([]error, len(batches))
	for i, into := range batches {
		wait.Go(func() { errs[i] = h.workIn(into, source, "80", store.Really{}) })
	}
	wait.Wait()
	within := 0
	for _, err := range errs {
		if err == nil {
			within++
		} else {
			packFault(t, err, fault.Invalid, "really", "worked in again")
		}
	}
	if within != 1 {
		t.Errorf("%d of three weighed 80 g under leave for 100 g", within)
	}
}

func TestABatchRejectedBeforePackingIsThereAsAWhole(t *testing.T) {
	t.Parallel()
	h := newPackShop(t)
	code := h.pressed()
	packOK(t, h.RejectBatch(t.Context(), h.maker, store.Entry{}, code, packPassword, "does not set"))
	page := h.reworkOf(code)
	if len(page.Remainders) != 1 || page.Remainders[0].Reason != "the whole batch" || !page.Remainders[0].Grams.Decimal.Equal(packDec("1681.55")) {
		t.Errorf("%+v", page.Remainders) // 1,690 g less the formula's 0.5 %
	}
}
