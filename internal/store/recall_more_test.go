package store_test

import (
	"context"
	"fmt"
	"math/rand/v2"
	"slices"
	"strconv"
	"sync"
	"testing"

	"github.com/jackc/pgx/v5"

	"example.org/stillroom/internal/access"
	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/release"
	"example.org/stillroom/internal/store"
)

// recallOf opens a recall that has to succeed.
func recallOf(t testing.TB, s *store.Store, owner store.Who, from ...store.TraceStart) int {
	t.Helper()
	code, err := s.OpenRecall(context.Background(), owner, store.Entry{}, store.NewRecall{From: from, Level: "consumer", Title: "Rash after use", Reason: "Three customers report a rash."})
	packOK(t, err)
	n, err := strconv.Atoi(code)
	packOK(t, err)
	return n
}

// Sixteen hands weigh, pack, send and correct while the owner opens a recall of a lot and of what stands on the shelf. Nobody
// waits for each other for ever; and what left of the scope is in the list, or is told apart: what had left already and was
// written down late, or a correction.
func TestARecallOpenedWhileOthersWorkMissesNothing(t *testing.T) {
	t.Parallel()
	s := newStorm(t)
	ctx, cancel := context.WithTimeout(t.Context(), stormLasts)
	defer cancel()
	var hands sync.WaitGroup
	var once sync.Once
	begun := make(chan struct{})
	for hand := range stormHands {
		hands.Go(func() {
			rnd := rand.New(rand.NewPCG(15, uint64(hand)))
			for n := range 12 {
				if n == 4 {
					once.Do(func() { close(begun) })
				}
				if kind, err := s.anything(ctx, rnd); err != nil && ctx.Err() == nil && fault.As(err) == nil {
					t.Errorf("%s: %v%s", kind, err, stormDetail(err))
				}
			}
		})
	}
	number := 0
	hands.Go(func() {
		select {
		case <-begun:
		case <-ctx.Done():
		}
		number = recallOf(t, s.Store, s.owner, store.TraceStart{Kind: "lot", Code: "SB-1"}, store.TraceStart{Kind: "batch", Code: s.released[0]}, store.TraceStart{Kind: "batch", Code: s.released[1]})
	})
	hands.Wait()
	if number == 0 {
		t.Fatal("no recall was opened")
	}
	since, err := s.RecallSince(t.Context(), s.owner.Workshop, number)
	packOK(t, err)
	shown := map[string]int{}
	for _, l := range since.Lines {
		shown[l.Packing+" "+l.Dispatch] = l.Is
	}
	lines, err := s.RecallLines(t.Context(), s.owner.Workshop, number)
	packOK(t, err)
	for _, l := range lines {
		if at := l.Packing + " " + l.Dispatch; !slices.ContainsFunc(since.Lines, func(x store.RecallLineSince) bool { return x.Packing+" "+x.Dispatch == at }) {
			shown[at] = l.Units
		}
	}
	conn, err := pgx.Connect(t.Context(), s.db.OwnerURL)
	packOK(t, err)
	defer conn.Close(context.Background())
	rows, err := conn.Query(t.Context(), `SELECT k.code, d.code, e.units, d.late OR c.kind = 'correct' OR f.id IS NOT NULL FROM recall r JOIN recall_scope z ON z.recall_id = r.id JOIN dispatch_line e ON e.packing_id = z.packing_id AND e.replaced_by IS NULL
		JOIN dispatch d ON d.id = e.dispatch_id JOIN packing k ON k.id = e.packing_id JOIN change c ON c.id = e.change_id LEFT JOIN recall_line f ON f.recall_id = r.id AND f.line_id = e.id WHERE r.n = $1`, number)
	packOK(t, err)
	var packing, dispatch string
	var units, seen int
	var fair bool
	_, err = pgx.ForEachRow(rows, []any{&packing, &dispatch, &units, &fair}, func() error {
		seen++
		if is, there := shown[packing+" "+dispatch]; !there || is != units {
			t.Errorf("%d units of %s in %s are neither in the list nor in the difference (%d)", units, packing, dispatch, is)
		}
		if !fair {
			t.Errorf("%s left in %s after the recall was open", packing, dispatch)
		}
		return nil
	})
	packOK(t, err)
	if seen == 0 {
		t.Error("nothing of the scope was sent")
	}
	s.verified()
}

func TestWhatIsMadeOfARecalledBatchAfterwardsIsHeld(t *testing.T) {
	t.Parallel()
	ctx := t.Context()
	h := newPackShop(t)
	batch := h.dried()
	number := recallOf(t, h.Store, h.owner, store.TraceStart{Kind: "batch", Code: batch})
	first := h.pack(h.nine(batch))
	page, err := h.PackingUnits(ctx, h.owner.Workshop, first)
	packOK(t, err)
	if len(page.Holds) != 1 || page.Holds[0].Recall != number || page.Packing.Recall != number || page.Held != page.OnHand || page.Held == 0 {
		t.Fatalf("a packing of a recalled batch: %+v", page.Holds)
	}
	if p := h.packing(first); !slices.ContainsFunc(p.Conditions, func(c release.Condition) bool { return c.State == release.Fail }) {
		t.Errorf("nothing stands in the way of its release: %+v", p.Conditions)
	}
	since, err := h.RecallSince(ctx, h.owner.Workshop, number)
	packOK(t, err)
	if len(since.More) != 1 || since.More[0] != (store.RecallDifference{Kind: "packing", Code: first}) || !since.Grew() {
		t.Fatalf("since %+v", since)
	}
	if err := h.ExtendRecall(ctx, h.maker, store.Entry{}, number); !fault.Is(err, fault.Forbidden) {
		t.Errorf("a maker takes it in: %v", err)
	}
	packOK(t, h.ExtendRecall(ctx, h.owner, store.Entry{}, number))
	recall, err := h.Recall(ctx, h.owner.Workshop, number)
	packOK(t, err)
	if len(recall.Packings) != 1 || !recall.Packings[0].Blocked || recall.Packings[0].OnHand != page.OnHand {
		t.Errorf("scope %+v", recall.Packings)
	}
	if err := h.ExtendRecall(ctx, h.owner, store.Entry{}, number); !fault.Is(err, fault.Conflict) {
		t.Errorf("taken in twice: %v", err)
	}

	// A lot: it is weighed in only as a deviation, and then what it went into is told.
	lot := recallOf(t, h.Store, h.owner, store.TraceStart{Kind: "lot", Code: "SB-1"})
	making := h.begunFizz()
	b := h.read(making)
	w := store.Weighing{Batch: making, Line: b.Lines[0].ID, Lot: "SB-1", Grams: packDec("10")}
	packFault(t, h.Weigh(ctx, h.maker, store.Entry{}, w), fault.Invalid, "really", "in a recall")
	w.Really = stormReally
	packOK(t, h.Weigh(ctx, h.maker, store.Entry{}, w))
	since, err = h.RecallSince(ctx, h.owner.Workshop, lot)
	packOK(t, err)
	if !slices.Contains(since.More, store.RecallDifference{Kind: "batch", Code: making}) {
		t.Errorf("since %+v", since.More)
	}
	h.verified()
}

func TestCorrectionsShowInWhatARecallReachesSince(t *testing.T) {
	t.Parallel()
	ctx := t.Context()
	h := newUnitsShop(t)
	h.packed("OB-1", 40, 300)
	shop := h.customer("Alder House")
	sent, other := h.send(shop, unitsLine("OB-1", 12)), h.send(shop, unitsLine("OB-1", 4))
	number := recallOf(t, h.Store, h.owner, store.TraceStart{Kind: "packing", Code: "ob 1"})
	correct := func(dispatch string, units int) {
		t.Helper()
		packOK(t, h.CorrectDispatch(ctx, h.owner, store.Entry{}, store.LineCorrection{Dispatch: dispatch, Packing: "OB-1", Units: units, Reason: "counted the box"}))
	}
	differs := func(was, is int, grew bool) {
		t.Helper()
		since, err := h.RecallSince(ctx, h.owner.Workshop, number)
		packOK(t, err)
		if len(since.Lines) != 1 || since.Lines[0].Was != was || since.Lines[0].Is != is || since.Grew() != grew || len(since.More)+len(since.Less) > 0 {
			t.Errorf("since %+v, want %d then and %d now", since, was, is)
		}
	}
	correct(sent, 5)
	differs(12, 5, true)
	packOK(t, h.ExtendRecall(ctx, h.owner, store.Entry{}, number))
	if since, err := h.RecallSince(ctx, h.owner.Workshop, number); err != nil || since.Any() {
		t.Errorf("taken in, and yet %+v, %v", since, err)
	}
	correct(other, 0)
	differs(4, 0, false)
	lines, err := h.RecallLines(ctx, h.owner.Workshop, number)
	packOK(t, err)
	units := map[string]string{}
	for _, l := range lines {
		units[l.Dispatch] = fmt.Sprint(l.Units, l.Gone)
	}
	if len(lines) != 2 || units[sent] != "5 false" || units[other] != "4 true" {
		t.Errorf("list %v", units)
	}
	if err := h.ExtendRecall(ctx, h.owner, store.Entry{}, number); !fault.Is(err, fault.Conflict) {
		t.Errorf("a withdrawn line is taken in: %v", err)
	}
	h.stands()
}

func TestWhatARecallBlockedIsLetGoOneByOne(t *testing.T) {
	t.Parallel()
	ctx := t.Context()
	h := newUnitsShop(t)
	h.packed("OB-1", 40, 300)
	shop := h.customer("Alder House")
	first := recallOf(t, h.Store, h.owner, store.TraceStart{Kind: "batch", Code: "OB-1"})
	second := recallOf(t, h.Store, h.owner, store.TraceStart{Kind: "packing", Code: "OB-1"})
	free := func(n int, kind, why string, who store.Who) error {
		return h.Unblock(ctx, who, store.Entry{}, n, kind, "OB-1", why)
	}
	maker := h.helper
	maker.Role = access.Maker
	if err := free(first, "batch", "It was the label.", maker); !fault.Is(err, fault.Forbidden) {
		t.Errorf("a maker: %v", err)
	}
	unitsSays(t, free(first, "batch", " ", h.owner), "reason", "Say what was found, and why it may be used again.")
	if err := free(first, "packing", "It was the label.", h.owner); !fault.Is(err, fault.Conflict) {
		t.Errorf("another recall still keeps it: %v", err)
	}
	if err := free(second, "lot", "It was the label.", h.owner); !fault.Is(err, fault.NotFound) {
		t.Errorf("no such lot: %v", err)
	}
	if err := free(second, "batch", "It was the label.", h.owner); !fault.Is(err, fault.Conflict) {
		t.Errorf("the batch is in the first recall: %v", err)
	}
	packOK(t, free(first, "batch", "It was the label.", h.owner))
	if err := free(first, "batch", "It was the label.", h.owner); !fault.Is(err, fault.Conflict) {
		t.Errorf("twice: %v", err)
	}
	counted, more := 39, 2_000_000
	if err := h.CountScope(ctx, h.helper, store.Entry{}, second, []store.ScopeCount{{Packing: "OB-1", Counted: &more}}); fault.As(err).Of(store.CountedField(0)) == "" {
		t.Errorf("two million: %v", err)
	}
	packOK(t, h.CountScope(ctx, h.helper, store.Entry{}, second, []store.ScopeCount{{Packing: "ob1", Counted: &counted}}))
	packOK(t, h.CountScope(ctx, h.helper, store.Entry{}, second, []store.ScopeCount{{Packing: "OB-1", Seen: &counted, Counted: &counted}, {Packing: "XX-9"}}))
	page, err := h.Recall(ctx, h.owner.Workshop, second)
	packOK(t, err)
	if k := page.Packings[0]; k.Counted == nil || *k.Counted != 39 || k.OnHandNow != 40 || !k.Blocked || len(page.Batches) != 0 {
		t.Errorf("scope %+v", page)
	}
	// One hold after the other; only then it leaves.
	for _, n := range []int{second, first} {
		if _, err := h.Dispatch(ctx, h.owner, store.Entry{}, store.NewDispatch{Customer: shop, On: h.today, Lines: []store.DispatchLine{unitsLine("OB-1", 1)}}); !fault.Is(err, fault.Invalid) {
			t.Errorf("it leaves while R-%d holds it: %v", n, err)
		}
		for _, hold := range h.units("OB-1").Holds {
			if hold.Recall == n {
				packOK(t, h.LiftHold(ctx, h.owner, store.Entry{}, hold.ID, "It was the label."))
			}
		}
	}
	h.send(shop, unitsLine("OB-1", 1))
	h.stands()
}

func TestATypedCodeIsAnsweredWithAllThatItCanMean(t *testing.T) {
	t.Parallel()
	ctx := t.Context()
	h := newPackShop(t)
	batch := h.dried()
	half := h.nine(batch)
	half.Good, half.Retained, half.Finished = 4, 0, false
	first := h.pack(half)
	half.Good, half.Retained, half.Finished = 5, 1, true
	second := h.pack(half)
	found, err := h.RecallChoices(ctx, h.owner.Workshop, []string{"sb1", "", first, second, "nothing-like-it"})
	packOK(t, err)
	got := make([][]string, len(found))
	for i, list := range found {
		for _, c := range list {
			got[i] = append(got[i], c.Start.Kind+" "+c.Start.Code)
		}
	}
	want := [][]string{{"lot SB-1"}, nil, {"batch " + batch, "packing " + first}, {"packing " + second}, nil}
	for i := range want {
		if !slices.Equal(got[i], want[i]) {
			t.Errorf("%d: %v, want %v", i, got[i], want[i])
		}
	}
}
