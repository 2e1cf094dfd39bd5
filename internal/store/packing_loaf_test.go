package store_test

import (
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/shopspring/decimal"

	"example.org/stillroom/internal/batchcode"
	"example.org/stillroom/internal/day"
	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/store"
)

// loafLabels are the label materials of the loaf's three products.
var loafLabels = map[string]string{"LF100": "LB", "LF35": "LG", "LF15": "LG"}

// loafShop adds to the shop a soap that is moulded as one loaf of 5,000 g, dries for 48 h and is packed as bars, guest bars
// and samples for a fair: each with a label that is kept in lots.
func loafShop(t testing.TB) packShop {
	t.Helper()
	h := newPackShop(t)
	ctx := t.Context()
	for _, m := range []store.Material{
		{Code: "LB", Name: "Label", Kind: "packaging", Unit: "each", Tracked: true, IsLabel: true},
		{Code: "LG", Name: "Label, small", Kind: "packaging", Unit: "each", Tracked: true, IsLabel: true},
		{Code: "FI", Name: "Film", Kind: "packaging", Unit: "g", Tracked: true},
	} {
		_, err := h.AddMaterial(ctx, h.maker, store.Entry{}, m)
		packOK(t, err)
		h.lot(m.Code, m.Code+"-1", "200", day.Day{})
	}
	_, err := h.AddFormula(ctx, h.maker, store.Entry{}, store.NewFormula{Code: "LF", Name: "Loaf", Letters: "LF"})
	packOK(t, err)
	v, err := h.FormulaVersion(ctx, h.maker.Workshop, "LF", 1)
	packOK(t, err)
	v.ExpectedLossPct, v.ReconciliationPct, v.CureHours = packDec("1"), packDec("3"), 48
	v.Portions = []store.FormulaPortion{{Name: "Soap", Basis: "share", Amount: packDec("100"), Lines: []store.FormulaLine{{Kind: "material", MaterialCode: "SB", Basis: "share", Amount: packDec("100")}}}}
	v.Controls = []store.FormulaControl{{Name: "Bar weight", Stage: "packing", Unit: "g", Low: packSome("98"), High: packSome("104"), Readings: 2}}
	packOK(t, h.SaveDraft(ctx, h.maker, store.Entry{}, "LF", v))
	packOK(t, h.ApproveFormula(ctx, h.maker, store.Entry{}, "LF", 1))
	for code, of := range map[string][3]string{"LF100": {"Loaf bar", "100", "112"}, "LF35": {"Loaf guest bar", "35", "39.2"}, "LF15": {"Loaf sample", "15", "16.8"}} {
		p := store.Product{Code: code, Name: of[0], FormulaCode: "LF", NetContentG: packSome(of[1]), FillG: packSome(of[2]), ShelfLifeMonths: 12, ShelfLifeFrom: "packed", DatePrecision: "day",
			Packaging: []store.ProductPackaging{{MaterialCode: loafLabels[code], PerUnit: packDec("1")}, {MaterialCode: "FI", PerUnit: packDec("2")}}}
		_, err := h.AddProduct(ctx, h.maker, store.Entry{}, p)
		packOK(t, err)
	}
	return h
}

// loaf is a batch of 5,000 g moulded as one and dried, three days ago. What is weighed at moulding is 4,930 g.
func (h packShop) loaf() string {
	h.t.Helper()
	ctx, began := h.t.Context(), time.Now().Add(-90*time.Hour)
	plan, err := h.MakePlan(ctx, h.maker, store.NewPlan{Formula: "LF", Product: "LF100", MassG: packDec("5000"), On: h.today})
	packOK(h.t, err)
	code, err := h.StartBatch(ctx, h.maker, store.Entry{}, store.Start{Plan: plan, MadeAt: began, TemperatureC: packSome("20"), HumidityPct: packSome("45")})
	packOK(h.t, err)
	packOK(h.t, h.Weigh(ctx, h.maker, store.Entry{}, store.Weighing{Batch: code, Line: h.read(code).Lines[0].ID, Lot: "SB-1", Grams: packDec("5000"), At: began, Really: store.Really{Yes: true, Reason: "all of it"}}))
	packOK(h.t, h.Mould(ctx, h.maker, store.Entry{}, store.Moulding{Batch: code, Units: 1, MassG: packSome("4930"), At: began.Add(time.Hour)}))
	packOK(h.t, h.EndCure(ctx, h.maker, store.Entry{}, code, began.Add(50*time.Hour), store.Really{}))
	return code
}

// of packs so many units of a product of the loaf, from its own label lot.
func (h packShop) of(code, product string, good int, on day.Day) store.NewPacking {
	h.t.Helper()
	n := store.NewPacking{Batch: code, Product: product, PackedOn: on, Good: good, Cleared: true, LabelChecked: true, LabelSpecimen: product + " " + code,
		Packaging: []store.PackagingUse{{Material: loafLabels[product], Lot: loafLabels[product] + "-1"}, {Material: "FI", Lot: "FI-1"}}}
	if product == "LF100" {
		n.Readings = []store.Readings{{Control: h.read(code).Controls[0].ID, Values: []decimal.Decimal{packDec("100"), packDec("100.4")}}}
	}
	return n
}

func TestOneLoafGivesThreeProductsOnThreeDaysEachWithItsOwnRelease(t *testing.T) {
	t.Parallel()
	h := loafShop(t)
	code := h.loaf()
	h.lot("LG", "LG-2", "200", day.Day{})
	bars := h.of(code, "LF100", 30, h.today.AddDays(-1))
	guests := h.of(code, "LF35", 20, h.today)
	samples := h.of(code, "LF15", 25, h.today)
	samples.Packaging[0].Lot = "LG-2"
	first := h.pack(bars)
	packOK(t, h.ReleasePacking(t.Context(), h.maker, store.Entry{}, first, packPassword, store.SeenHash(h.packing(first).Conditions)))
	second, third := h.pack(guests), h.pack(samples)
	want := []string{code, batchcode.PackingCode(code, 2, true), batchcode.PackingCode(code, 3, true)}
	if diff := cmp.Diff(want, []string{first, second, third}); diff != "" {
		t.Errorf("codes (-want +got):\n%s", diff)
	}
	// The guest bars and samples are of another size than the weights the formula asks for, and nobody was asked for them.
	for _, c := range want[1:] {
		p := h.packing(c)
		if len(p.Runs) != 0 || len(p.Others) != 1 || len(p.Deviations()) != 0 {
			t.Errorf("%s: %d runs asked for, %d of another size, deviations %v", c, len(p.Runs), len(p.Others), p.Deviations())
		}
		if got := packConditions(p); len(got) != 0 {
			t.Errorf("%s: in the way %v", c, got)
		}
	}
	if p := h.packing(first); p.Status != "released" || p.Signatures[0].Broken || p.Printed == h.packing(second).Printed {
		t.Errorf("the first: %s, broken %t, printed %q", p.Status, p.Signatures[0].Broken, p.Printed)
	}
	// A label lot that is withdrawn reaches the packings it is on, and no others of the loaf.
	for lot, want := range map[string][]string{"LB-1": {first}, "LG-1": {second}, "LG-2": {third}, "FI-1": {first, second, third}} {
		trace, err := h.TraceLot(t.Context(), h.maker.Workshop, lot)
		packOK(t, err)
		var got []string
		for _, p := range trace.Packings {
			got = append(got, p.Code)
		}
		if diff := cmp.Diff(want, got); diff != "" {
			t.Errorf("from lot %s (-want +got):\n%s", lot, diff)
		}
	}
	h.verified()
}

func TestTheSecondPackingIsShownWhatIsLeftByTheMass(t *testing.T) {
	t.Parallel()
	h := loafShop(t)
	code := h.loaf()
	h.pack(h.of(code, "LF100", 30, h.today))
	sheet, err := h.PackSheet(t.Context(), h.maker.Workshop, code, "LF35", h.today)
	packOK(t, err)
	// 5000 − 50 expected − 30 × 100.2 packed − 30 × 12 dried away = 1584 g; at 39.2 g that is 40 guest bars.
	if sheet.Left != 40 || !sheet.LeftKnown || sheet.LeftByCount || len(sheet.Batch.Packings) != 1 {
		t.Errorf("left %d, known %t, by count %t, %d packed before", sheet.Left, sheet.LeftKnown, sheet.LeftByCount, len(sheet.Batch.Packings))
	}
	if len(sheet.Controls) != 0 || len(sheet.Others) != 1 {
		t.Errorf("%d controls asked for, %d of another size", len(sheet.Controls), len(sheet.Others))
	}
}

func TestMoreOfSeveralSizesThanTheMassGivesIsAskedAbout(t *testing.T) {
	t.Parallel()
	h := loafShop(t)
	code := h.loaf()
	h.pack(h.of(code, "LF100", 40, h.today))
	n := h.of(code, "LF35", 30, h.today)
	_, err := h.Pack(t.Context(), h.helper, store.Entry{}, n)
	packFault(t, err, fault.Invalid, "really", "All that was packed or rejected of it takes 5.656 kg; the mass gives 4.95 kg.")
	n.Good = 12 // 40 × 112 + 12 × 39.2 = 4950.4: within one unit
	h.pack(n)
	h.verified()
}

func TestLabelsThatHaveLotsAreCountedByThem(t *testing.T) {
	t.Parallel()
	h := loafShop(t)
	n := h.of(h.loaf(), "LF100", 30, h.today)
	typed := 7
	n.LabelsUsed, n.Labels = &typed, store.LabelCounts{Issued: &typed}
	n.Packaging[0].Spoiled = packDec("2")
	code := h.pack(n)
	p := h.packing(code)
	if p.LabelsUsed == nil || *p.LabelsUsed != 30 || p.LabelsIssued != nil {
		t.Fatalf("labels used %v, issued %v; want the 30 of the lot", p.LabelsUsed, p.LabelsIssued)
	}
	if got := packConditions(p); len(got) != 0 {
		t.Errorf("in the way: %v", got)
	}
	c := store.PackingCorrection{Packing: code, Good: 29, Cleared: true, LabelChecked: true, LabelSpecimen: p.LabelSpecimen, Packaging: packUses(p), Reason: "counted again", Really: store.Really{Yes: true}}
	c.Packaging[slices.IndexFunc(c.Packaging, func(u store.PackagingUse) bool { return u.Material == "LB" })].Used = packSome("29")
	packOK(t, h.CorrectPacking(t.Context(), h.maker, store.Entry{}, c))
	if p = h.packing(code); *p.LabelsUsed != 29 {
		t.Errorf("after the correction %d labels", *p.LabelsUsed)
	}
}

func TestALaterChangeOfTheProductsPackagingChangesNoEvidenceOfAnOldPacking(t *testing.T) {
	t.Parallel()
	h := loafShop(t)
	code := h.pack(h.of(h.loaf(), "LF100", 30, h.today))
	before := h.packing(code)
	product, err := h.Product(t.Context(), h.maker.Workshop, "LF100")
	packOK(t, err)
	product.Packaging = []store.ProductPackaging{{MaterialCode: "LB", PerUnit: packDec("2")}, {MaterialCode: "WR", PerUnit: packDec("1")}}
	product.Seen = ""
	packOK(t, h.CorrectProduct(t.Context(), h.owner, store.Entry{}, product, "two labels and a wrap from now on"))
	after := h.packing(code)
	if diff := cmp.Diff(before.Conditions, after.Conditions); diff != "" {
		t.Errorf("conditions (-before +after):\n%s", diff)
	}
	need, err := h.CorrectionSheet(t.Context(), h.maker.Workshop, code)
	packOK(t, err)
	var got []string
	for _, n := range need {
		got = append(got, n.Material+" "+n.PerUnit.String())
	}
	if diff := cmp.Diff([]string{"FI 2", "LB 1"}, got); diff != "" {
		t.Errorf("what the correction asks for (-want +got):\n%s", diff)
	}
	// A correction that leaves counts and packaging as they are asks about nothing.
	c := store.PackingCorrection{Packing: code, Good: 30, Cleared: true, LabelChecked: true, LabelSpecimen: "new words", Packaging: packUses(after), Reason: "the specimen was misread"}
	packOK(t, h.CorrectPacking(t.Context(), h.maker, store.Entry{}, c))
	h.verified()
}

func TestPackagingThatDoesNotAddUpIsExplainedBeforeTheRelease(t *testing.T) {
	t.Parallel()
	for _, tt := range []struct {
		name  string
		set   func(*store.NewPacking)
		words string
	}{
		{"labels gone", func(n *store.NewPacking) {
			n.Packaging[0].Issued, n.Packaging[0].Returned = packSome("40"), packSome("8")
		}, "Label: 40 handed out, 30 used + 0 spoiled + 8 put back; 2 not accounted for"},
		{"more labels than were handed out", func(n *store.NewPacking) { n.Packaging[0].Issued = packSome("29") }, "Label: 29 handed out, 30 used + 0 spoiled + 0 put back; 1 more than were handed out"},
		{"film beyond the formula's limit", func(n *store.NewPacking) { n.Packaging[1].Issued = packSome("62") }, "Film: 62 handed out, 60 used + 0 spoiled + 0 put back; 2 not accounted for"},
		{"film within it", func(n *store.NewPacking) { n.Packaging[1].Issued = packSome("61.8") }, ""},
		{"all of it put back", func(n *store.NewPacking) {
			n.Packaging[0].Issued, n.Packaging[0].Spoiled, n.Packaging[0].Returned = packSome("40"), packDec("1"), packSome("9")
		}, ""},
	} {
		t.Run(tt.name, func(t *testing.T) {
			t.Parallel()
			h := loafShop(t)
			n := h.of(h.loaf(), "LF100", 30, h.today)
			tt.set(&n)
			code := h.pack(n)
			p := h.packing(code)
			said, want := "", []string{}
			for _, c := range p.Conditions {
				if c.Key == "packaging" && c.State != "ok" {
					said = c.Words
				}
			}
			if tt.words != "" {
				want = []string{"packaging"}
			}
			if diff := cmp.Diff(want, packConditions(p)); diff != "" || !strings.Contains(said, tt.words) {
				t.Fatalf("says %q, want %q; in the way (-want +got):\n%s", said, tt.words, diff)
			}
			// The ledger books what was used and spoiled, whatever was handed out.
			for _, l := range p.Packaging {
				lot, err := h.Lot(t.Context(), h.maker.Workshop, l.Lot)
				packOK(t, err)
				if !lot.OnHand.Equal(packDec("200").Sub(l.Quantity)) {
					t.Errorf("lot %s holds %s after %s", l.Lot, lot.OnHand, l.Quantity)
				}
			}
			if tt.words == "" {
				return
			}
			packFault(t, h.ExplainPackaging(t.Context(), h.helper, store.Entry{}, code, " ", ""), fault.Invalid, "packaging_note", "Say what became of it")
			packOK(t, h.ExplainPackaging(t.Context(), h.helper, store.Entry{}, code, "blown off the bench", ""))
			if got := packConditions(h.packing(code)); len(got) != 0 {
				t.Errorf("explained, and still in the way: %v", got)
			}
			packFault(t, h.ExplainPackaging(t.Context(), h.helper, store.Entry{}, code, "swept up", ""), fault.Invalid, "reason", "say why")
			packOK(t, h.ExplainPackaging(t.Context(), h.helper, store.Entry{}, code, "swept up", "found them"))
			h.verified()
		})
	}
}

func TestLabelsWithoutLotsAreReconciledToo(t *testing.T) {
	t.Parallel()
	h := newPackShop(t)
	n := h.nine(h.dried())
	used, issued, spoiled, back := 10, 15, 1, 3
	n.LabelsUsed, n.Labels = &used, store.LabelCounts{Issued: &issued, Spoiled: &spoiled, Returned: &back}
	code := h.pack(n)
	p := h.packing(code)
	if diff := cmp.Diff([]string{"packaging"}, packConditions(p)); diff != "" {
		t.Errorf("in the way (-want +got):\n%s", diff)
	}
	back = 4
	c := store.PackingCorrection{Packing: code, Good: 9, Retained: 1, Cleared: true, LabelChecked: true, LabelSpecimen: p.LabelSpecimen, Packaging: packUses(p), LabelsUsed: &used, Labels: store.LabelCounts{Issued: &issued, Spoiled: &spoiled, Returned: &back}, Reason: "one stuck to the roll"}
	packOK(t, h.CorrectPacking(t.Context(), h.helper, store.Entry{}, c))
	if got := packConditions(h.packing(code)); len(got) != 0 {
		t.Errorf("in the way: %v", got)
	}
	h.verified()
}

func TestCountsThatCannotBeAreToldBesideTheirFields(t *testing.T) {
	t.Parallel()
	h := newPackShop(t)
	n := h.nine(h.dried())
	below := -1
	n.Labels = store.LabelCounts{Issued: &below, Spoiled: &below, Returned: &below}
	n.PackagingNote = strings.Repeat("x", 1001)
	_, err := h.Pack(t.Context(), h.helper, store.Entry{}, n)
	f := fault.As(err)
	if f == nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff([]string{"labels_issued", "labels_returned", "labels_spoiled", "labels_used", "packaging_note"}, f.Names()); diff != "" {
		t.Errorf("faults (-want +got):\n%s", diff)
	}
	n.Labels, n.PackagingNote = store.LabelCounts{}, ""
	n.Packaging[0].Issued, n.Packaging[0].Returned = packSome("1.5"), packSome("-1")
	_, err = h.Pack(t.Context(), h.helper, store.Entry{}, n)
	packFault(t, err, fault.Invalid, "pack-issued-0", "whole number")
	packFault(t, err, fault.Invalid, "pack-returned-0", "Write 0 or more")
}

func TestPapersAreKeptWithABatch(t *testing.T) {
	t.Parallel()
	h := newPackShop(t)
	code := h.pressed()
	packOK(t, h.AttachToBatch(t.Context(), h.helper, store.Entry{}, code, store.Upload{Kind: "lab_result", Name: "water.pdf", MediaType: "application/pdf", Data: []byte("%PDF-1.4")}))
	if docs := h.read(code).Documents; len(docs) != 1 || docs[0].Kind != "lab_result" || docs[0].Name != "water.pdf" {
		t.Errorf("papers: %+v", docs)
	}
	other := h.helper
	other.Workshop = store.WorkshopID{9}
	if err := h.AttachToBatch(t.Context(), other, store.Entry{}, code, store.Upload{Kind: "photo", Name: "x.png", MediaType: "image/png", Data: []byte("x")}); !fault.Is(err, fault.NotFound) {
		t.Errorf("another workshop's paper: %v", err)
	}
	h.verified()
}
