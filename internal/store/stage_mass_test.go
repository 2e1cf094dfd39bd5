package store_test

import (
	"context"
	"encoding/json"
	"maps"
	"slices"
	"strings"
	"sync"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/store"
	"example.org/stillroom/internal/yield"
)

func stageOf(code, stage string, units int, grams string) store.NewStageMass {
	return store.NewStageMass{Batch: code, Stage: stage, Units: units, Grams: packDec(grams)}
}

// The same batch as the first worked example of testdata/yield: weighed at every stage, it comes out as by hand.
func TestALoafWeighedAtEveryStageComesOutAsByHand(t *testing.T) {
	t.Parallel()
	h := loafShop(t)
	code := h.loaf()
	ctx := t.Context()
	packOK(t, h.WeighStage(ctx, h.helper, store.Entry{}, stageOf(code, "cut", 10, "1120")))
	packOK(t, h.RejectUnits(ctx, h.helper, store.Entry{}, code, []store.NewReject{{Stage: "cut", Reason: "short", Units: 2}}, store.Really{}))
	packOK(t, h.WeighStage(ctx, h.helper, store.Entry{}, stageOf(code, "cure_end", 5, "502.5")))
	packOK(t, h.RejectUnits(ctx, h.helper, store.Entry{}, code, []store.NewReject{{Stage: "cure_end", Reason: "cracked", Units: 1}}, store.Really{}))
	n := h.of(code, "LF100", 38, h.today)
	n.Retained, n.Finished, n.LeftOverG = 1, true, packSome("210")
	n.Packaging[0].Used = packSome("39")
	h.pack(n)
	y := h.packing(code).Yield
	type row struct{ Name, Grams, Loss, Unexplained, Rejected string }
	var got []row
	for _, l := range y.Stages {
		got = append(got, row{l.Name, l.Grams.String(), l.LossG.String(), l.UnexplainedG.String(), l.RejectedG.String()})
	}
	// As in testdata/yield/stages.json: 40 units dry by 12 g each, the one that cracked among them.
	want := []row{{"weighed in", "5000", "0", "0", "0"}, {"moulded", "4930", "50", "20", "0"}, {"cut", "4914", "0", "16", "224"}, {"end of the cure", "4230", "480", "-20", "100.5"}, {"packed", "4117.8", "0", "11.7", "0"}}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
	if !yield.Unexplained(y.Stages).Equal(y.Balance.UnexplainedG) || !y.Balance.UnexplainedG.Equal(packDec("27.7")) {
		t.Errorf("by stage %s, in the balance %s unexplained, want 27.7", yield.Unexplained(y.Stages), y.Balance.UnexplainedG)
	}
	if y.Over() || y.Countable {
		t.Errorf("over %t: %s; countable %t though a loaf was moulded", y.Over(), y.Words(), y.Countable)
	}
	h.verified()
}

func TestAUnitGoneIsExplainedThoughTheMassIsWithinItsLimit(t *testing.T) {
	t.Parallel()
	h := newPackShop(t)
	// 160 g weighed as lost is the mass of the one that is gone: by the mass nothing is missing.
	n := h.nine(h.dried())
	n.Retained, n.LossG = 0, packSome("160")
	_, err := h.Pack(t.Context(), h.helper, store.Entry{}, n)
	packFault(t, err, fault.Invalid, "yield_note", "10 made: 9 good, 1 not accounted for.")
	n.YieldNote = "fell into the sink"
	p := h.packing(h.pack(n))
	if p.Yield.UnitsOff() == "" || len(packConditions(p)) != 0 {
		t.Errorf("counts %q, in the way %v", p.Yield.UnitsOff(), packConditions(p))
	}
}

func TestLeftOverIsPartOfTheCountOfUnits(t *testing.T) {
	t.Parallel()
	h := newPackShop(t)
	n := h.nine(h.dried())
	n.Good, n.Retained, n.LeftOverG = 5, 0, packSome("830")
	y := h.packing(h.pack(n)).Yield
	if got := y.Counts.Words(); got != "10 made: 5 good, about 5 left over" || y.Over() {
		t.Errorf("counts %q, over %t: %s", got, y.Over(), y.Words())
	}
}

func TestWhatAScaleHardlyShowsIsAskedAboutOnceAndThenADeviation(t *testing.T) {
	t.Parallel()
	for _, tt := range []struct {
		name  string
		n     store.NewStageMass
		words string
	}{
		{"a unit of half its fill", stageOf("", "cure_end", 2, "160"), "2 units weigh 80 g each; a unit is meant to hold 168 g."},
		{"a unit of twice its fill", stageOf("", "packing", 1, "336"), "1 unit weigh 336 g each"},
		{"more than were pressed", stageOf("", "packing", 11, "1826"), "11 units weighed; 10 moulded."},
	} {
		t.Run(tt.name, func(t *testing.T) {
			t.Parallel()
			h := newPackShop(t)
			tt.n.Batch = h.dried()
			packFault(t, h.WeighStage(t.Context(), h.helper, store.Entry{}, tt.n), fault.Invalid, "really", tt.words)
			if b := h.read(tt.n.Batch); len(b.StageMasses) != 0 || len(b.Deviations) != 0 {
				t.Fatal("something was stored while it was only asked about")
			}
			tt.n.Really = store.Really{Yes: true, Reason: "it is so"}
			packOK(t, h.WeighStage(t.Context(), h.helper, store.Entry{}, tt.n))
			b := h.read(tt.n.Batch)
			if len(b.StageMasses) != 1 || len(b.Deviations) != 1 || b.Deviations[0].Kind != "yield" {
				t.Fatalf("%d weighings, deviations %v", len(b.StageMasses), b.Deviations)
			}
			packOK(t, h.CorrectStage(t.Context(), h.helper, store.Entry{}, store.StageMassCorrection{NewStageMass: stageOf(tt.n.Batch, "packing", 2, "331"), ID: b.StageMasses[0].ID, Reason: "misread"}))
			if b = h.read(tt.n.Batch); !b.Deviations[0].Withdrawn {
				t.Error("the deviation of a corrected weighing still waits")
			}
			h.verified()
		})
	}
}

func TestAWeighingThatCannotBeIsToldAllAtOnce(t *testing.T) {
	t.Parallel()
	h := newPackShop(t)
	code := h.dried()
	err := h.WeighStage(t.Context(), h.helper, store.Entry{}, stageOf(code, "making", 0, "0"))
	f := fault.As(err)
	if f == nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff([]string{"grams", "stage", "units"}, f.Names()); diff != "" {
		t.Errorf("faults (-want +got):\n%s", diff)
	}
	packOK(t, h.RejectBatch(t.Context(), h.maker, store.Entry{}, code, "", "scorched"))
	packFault(t, h.WeighStage(t.Context(), h.helper, store.Entry{}, stageOf(code, "packing", 1, "165")), fault.Conflict, "", "is rejected")
	if err := h.WeighStage(t.Context(), h.helper, store.Entry{}, stageOf("NO-SUCH", "packing", 1, "165")); !fault.Is(err, fault.NotFound) {
		t.Errorf("an unknown batch: %v", err)
	}
}

func TestAWeighingIsCorrectedOrTakenBackAndStaysInTheRecord(t *testing.T) {
	t.Parallel()
	h := newPackShop(t)
	code := h.dried()
	packOK(t, h.WeighStage(t.Context(), h.helper, store.Entry{}, stageOf(code, "packing", 2, "331")))
	id := h.read(code).StageMasses[0].ID
	c := store.StageMassCorrection{NewStageMass: stageOf(code, "cure_end", 2, "332"), ID: id}
	packFault(t, h.CorrectStage(t.Context(), h.helper, store.Entry{}, c), fault.Invalid, "reason", "Say why")
	c.Reason = "before they were packed"
	packOK(t, h.CorrectStage(t.Context(), h.helper, store.Entry{}, c))
	packFault(t, h.CorrectStage(t.Context(), h.helper, store.Entry{}, c), fault.Conflict, "", "corrected meanwhile")
	list := h.read(code).StageMasses
	if len(list) != 2 || !list[0].Replaced || list[1].Replaced || list[1].Stage != "cure_end" || !list[1].Grams.Equal(packDec("332")) {
		t.Fatalf("weighings: %+v", list)
	}
	packOK(t, h.CorrectStage(t.Context(), h.helper, store.Entry{}, store.StageMassCorrection{NewStageMass: store.NewStageMass{Batch: code}, ID: list[1].ID, Withdraw: true, Reason: "never weighed"}))
	for _, m := range h.read(code).StageMasses {
		if !m.Replaced {
			t.Errorf("%+v still counts", m)
		}
	}
	h.verified()
}

// Two hands that correct the same weighing at once: one does, the other is told.
func TestTwoCorrectionsOfOneWeighingAtOnceLeaveOne(t *testing.T) {
	t.Parallel()
	h := newPackShop(t)
	code := h.dried()
	packOK(t, h.WeighStage(t.Context(), h.maker, store.Entry{}, stageOf(code, "packing", 2, "331")))
	id := h.read(code).StageMasses[0].ID
	faults := make([]error, 2)
	var wait sync.WaitGroup
	for i, grams := range []string{"332", "333"} {
		wait.Go(func() {
			faults[i] = h.CorrectStage(t.Context(), h.maker, store.Entry{}, store.StageMassCorrection{NewStageMass: stageOf(code, "packing", 2, grams), ID: id, Reason: "read again"})
		})
	}
	wait.Wait()
	if (faults[0] == nil) == (faults[1] == nil) {
		t.Errorf("answers: %v and %v", faults[0], faults[1])
	}
	current := 0
	for _, m := range h.read(code).StageMasses {
		if !m.Replaced {
			current++
		}
	}
	if current != 1 {
		t.Errorf("%d weighings stand, want one", current)
	}
	h.verified()
}

// signedRecord is the record of the one signature over a packing, as it was hashed.
func (h packShop) signedRecord() map[string]any {
	h.t.Helper()
	conn, err := pgx.Connect(h.t.Context(), h.db.OwnerURL)
	packOK(h.t, err)
	defer conn.Close(context.Background())
	var content string
	packOK(h.t, conn.QueryRow(h.t.Context(), `SELECT content FROM signature WHERE workshop_id = $1 AND subject = 'packing'`, uuid.UUID(h.maker.Workshop)).Scan(&content))
	var signed struct{ Record map[string]any }
	packOK(h.t, json.Unmarshal([]byte(content), &signed))
	return signed.Record
}

// What a signature named before packaging and stages were counted is all that one names without them, so that it still fits.
func TestASignatureFromBeforeTheNewCountsStillFits(t *testing.T) {
	t.Parallel()
	h := newPackShop(t)
	code := h.pack(h.nine(h.dried()))
	packOK(t, h.ReleasePacking(t.Context(), h.maker, store.Entry{}, code, packPassword, store.SeenHash(h.packing(code).Conditions)))
	record := h.signedRecord()
	want := []string{"batch", "best_before", "cleared", "code", "label_checked", "label_specimen", "labels_used", "packaging", "packed_on", "printed", "product", "readings", "rejects", "units_good", "units_retained"}
	if diff := cmp.Diff(want, slices.Sorted(maps.Keys(record))); diff != "" {
		t.Errorf("what is named (-before +now):\n%s", diff)
	}
	use := record["packaging"].([]any)[0].(map[string]any)
	if diff := cmp.Diff([]string{"lot", "quantity", "spoiled"}, slices.Sorted(maps.Keys(use))); diff != "" {
		t.Errorf("of packaging (-before +now):\n%s", diff)
	}
	if h.packing(code).Signatures[0].Broken {
		t.Error("the signature is broken")
	}
}

func TestAChangeOfTheNewCountsShowsTheSignatureBroken(t *testing.T) {
	t.Parallel()
	for _, tt := range []struct {
		name   string
		change func(h packShop, code string)
		broken bool
	}{
		{"another weighing since", func(h packShop, code string) {
			packOK(h.t, h.WeighStage(h.t.Context(), h.maker, store.Entry{}, stageOf(code, "packing", 1, "165")))
		}, false},
		{"a weighing corrected", func(h packShop, code string) {
			packOK(h.t, h.CorrectStage(h.t.Context(), h.maker, store.Entry{}, store.StageMassCorrection{NewStageMass: stageOf(code, "cure_end", 2, "334"), ID: h.read(code).StageMasses[0].ID, Reason: "misread"}))
		}, true},
		{"a weighing taken back", func(h packShop, code string) {
			packOK(h.t, h.CorrectStage(h.t.Context(), h.maker, store.Entry{}, store.StageMassCorrection{NewStageMass: store.NewStageMass{Batch: code}, ID: h.read(code).StageMasses[0].ID, Withdraw: true, Reason: "never weighed"}))
		}, true},
		{"what was put back", func(h packShop, code string) {
			p := h.packing(code)
			uses := packUses(p)
			uses[0].Issued, uses[0].Returned = packSome("15"), packSome("5")
			packOK(h.t, h.CorrectPacking(h.t.Context(), h.maker, store.Entry{}, store.PackingCorrection{Packing: code, Good: 5, Cleared: true, LabelChecked: true, LabelSpecimen: p.LabelSpecimen, Packaging: uses, Reason: "counted"}))
		}, true},
		{"the words about packaging", func(h packShop, code string) {
			packOK(h.t, h.ExplainPackaging(h.t.Context(), h.maker, store.Entry{}, code, "swept up", "asked later"))
		}, true},
	} {
		t.Run(tt.name, func(t *testing.T) {
			t.Parallel()
			h := newPackShop(t)
			code := h.dried()
			packOK(t, h.WeighStage(t.Context(), h.helper, store.Entry{}, stageOf(code, "cure_end", 2, "333")))
			n := h.nine(code)
			n.Good, n.Retained, n.Finished = 5, 0, false
			h.pack(n)
			packOK(t, h.ReleasePacking(t.Context(), h.maker, store.Entry{}, code, packPassword, store.SeenHash(h.packing(code).Conditions)))
			tt.change(h, code)
			s := h.packing(code).Signatures
			if len(s) != 1 || s[0].Broken != tt.broken {
				t.Errorf("broken: %+v, want %t", s, tt.broken)
			}
			h.verified()
		})
	}
}

func TestAStageSaysTheMakersWords(t *testing.T) {
	t.Parallel()
	h := newPackShop(t)
	n := h.nine(h.dried())
	y := h.packing(h.pack(n)).Yield
	var names []string
	for _, l := range y.Stages {
		names = append(names, l.Name)
		if l.Known && l.Words == "" {
			t.Errorf("%s does not say how it is known", l.Name)
		}
	}
	if got := strings.Join(names, ", "); got != "weighed in, moulded, end of the cure, packed" {
		t.Errorf("stages: %s", got)
	}
}
