package store_test

import (
	"errors"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"github.com/shopspring/decimal"

	"example.org/stillroom/internal/access"
	"example.org/stillroom/internal/equipment"
	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/release"
	"example.org/stillroom/internal/store"
)

// gearScale is a bench scale of a tenth of a gram up to 3 kg, checked every 30 days.
func gearScale() store.Equipment {
	return store.Equipment{Name: "Bench scale", Kind: "scale", Place: "Still room", ReadabilityG: packSome("0.1"), MinLoadG: packSome("1"), MaxLoadG: packSome("3000"), CheckDays: 30}
}

func (h packShop) gear(e store.Equipment) string {
	h.t.Helper()
	code, err := h.AddEquipment(h.t.Context(), h.maker, store.Entry{}, e)
	packOK(h.t, err)
	return code
}

// log writes an entry that happened so long ago.
func (h packShop) log(ago time.Duration, n store.NewLogEntry) store.LogEntryID {
	h.t.Helper()
	n.At = time.Now().Add(-ago)
	if n.Result == "" && !n.ReferenceG.Valid {
		n.Result = "fine"
	}
	id, err := h.AddLogEntry(h.t.Context(), h.helper, store.Entry{}, n)
	packOK(h.t, err)
	return id
}

// check is a scale's check with 500 g put on it.
func gearCheck(scale, shown string) store.NewLogEntry {
	return store.NewLogEntry{Kind: "check", Equipment: scale, ReferenceG: packSome("500"), ShownG: packSome(shown)}
}

const gearDay = 24 * time.Hour

func TestWhatCannotBeRightInEquipmentIsToldAtOnce(t *testing.T) {
	t.Parallel()
	long := strings.Repeat("x", 1001)
	for _, c := range []struct {
		name   string
		change func(*store.Equipment)
		fields []string
	}{
		{"nothing filled in", func(e *store.Equipment) { *e = store.Equipment{} }, []string{"kind", "name"}},
		{"a scale without its step", func(e *store.Equipment) { e.ReadabilityG = decimal.NullDecimal{} }, []string{"readability"}},
		{"a step of nothing", func(e *store.Equipment) { e.ReadabilityG = packSome("0") }, []string{"readability"}},
		{"a load below zero", func(e *store.Equipment) { e.MinLoadG = packSome("-1") }, []string{"min_load"}},
		{"more at least than at most", func(e *store.Equipment) { e.MinLoadG = packSome("3000") }, []string{"max_load"}},
		{"a step as large as the load", func(e *store.Equipment) { e.MinLoadG, e.MaxLoadG = decimal.NullDecimal{}, packSome("0.1") }, []string{"max_load"}},
		{"a barcode for a load", func(e *store.Equipment) { e.MaxLoadG = packSome("5012345678900") }, []string{"max_load"}},
		{"a mould with a step", func(e *store.Equipment) { e.Kind = "mould" }, []string{"max_load", "min_load", "readability"}},
		{"a check before the last", func(e *store.Equipment) { e.CheckDays = -1 }, []string{"check_days"}},
		{"a check in eleven years", func(e *store.Equipment) { e.CheckDays = 4000 }, []string{"check_days"}},
		{"a code of two words", func(e *store.Equipment) { e.Code = "SC 1" }, []string{"code"}},
		{"a code that is a page", func(e *store.Equipment) { e.Code = "new" }, []string{"code"}},
		{"everything too long", func(e *store.Equipment) { e.Name, e.Code, e.Place, e.Note = long, long, long, long }, []string{"code", "name", "note", "place"}},
	} {
		e := gearScale()
		c.change(&e)
		f := fault.As(e.Check())
		if f == nil {
			t.Errorf("%s is taken", c.name)
			continue
		}
		if diff := cmp.Diff(c.fields, f.Names()); diff != "" {
			t.Errorf("%s:\n%s", c.name, diff)
		}
	}
	if err := gearScale().Check(); err != nil {
		t.Errorf("a bench scale: %v", err)
	}
}

func TestEquipmentIsNumberedCorrectedFoundAndRetired(t *testing.T) {
	t.Parallel()
	h := newPackShop(t)
	ctx, shop := t.Context(), h.maker.Workshop
	first, second := h.gear(gearScale()), h.gear(gearScale())
	pot := h.gear(store.Equipment{Name: "Steel pot", Kind: "vessel", CleanBeforeUse: true})
	if diff := cmp.Diff([]string{"SC-1", "SC-2", "VE-1"}, []string{first, second, pot}); diff != "" {
		t.Fatal(diff)
	}
	own := gearScale()
	own.Code = "SC-1"
	_, err := h.AddEquipment(ctx, h.maker, store.Entry{}, own)
	packFault(t, err, fault.Invalid, "code", "Other equipment has this code.")

	page, err := h.EquipmentPage(ctx, shop, "SC-1", h.today, store.MomentKey{})
	packOK(t, err)
	next := page.Equipment
	next.Name, next.Kind, next.CheckDays, next.Seen = "Bench scale by the door", "mould", 90, page.Entered.Seen
	packOK(t, h.CorrectEquipment(ctx, h.maker, store.Entry{}, next, "two of a name"))
	packFault(t, h.CorrectEquipment(ctx, h.maker, store.Entry{}, next, "again"), fault.Conflict, "", "Somebody changed this meanwhile")
	packFault(t, h.CorrectEquipment(ctx, h.maker, store.Entry{}, store.Equipment{Code: "SC-1", Name: "x", ReadabilityG: packSome("1")}, ""), fault.Invalid, "reason", "Say why")
	page, err = h.EquipmentPage(ctx, shop, "SC-1", h.today, store.MomentKey{})
	packOK(t, err)
	if page.Kind != "scale" || page.Name != next.Name || len(page.History) != 1 || page.History[0].Reason != "two of a name" {
		t.Errorf("after the correction: %+v", page)
	}
	want := []store.FieldChange{{"Days between checks", "30", "90"}, {"Name", "Bench scale", "Bench scale by the door"}}
	if diff := cmp.Diff(want, page.History[0].Fields); diff != "" {
		t.Error(diff)
	}
	for _, query := range []string{"sc-1", "SC1", "bench door"} {
		found, err := h.Find(ctx, shop, query)
		packOK(t, err)
		var hit bool
		for _, g := range found.Groups {
			for _, i := range g.Items {
				hit = hit || g.Kind == "equipment" && i.Code == "SC-1"
			}
		}
		if !hit {
			t.Errorf("%q does not find it: %+v", query, found.Groups)
		}
	}
	gone := page.Equipment
	gone.Retired = true
	packOK(t, h.CorrectEquipment(ctx, h.maker, store.Entry{}, gone, "its foot broke off"))
	codes := func(retired bool) (out []string) {
		list, _, err := h.EquipmentList(ctx, shop, h.today, retired, "", 50)
		packOK(t, err)
		for _, e := range list {
			out = append(out, e.Code)
		}
		return out
	}
	if diff := cmp.Diff([]string{"SC-2", "VE-1"}, codes(false)); diff != "" {
		t.Errorf("in use:\n%s", diff)
	}
	if diff := cmp.Diff([]string{"SC-1", "SC-2", "VE-1"}, codes(true)); diff != "" {
		t.Errorf("with retired:\n%s", diff)
	}
	h.verified()
}

func TestEquipmentOfAnotherWorkshopIsNotThere(t *testing.T) {
	t.Parallel()
	h := newPackShop(t)
	ctx := t.Context()
	h.gear(gearScale())
	entry := h.log(0, gearCheck("SC-1", "500"))
	other := store.WorkshopID(uuid.New())
	conn, err := pgx.Connect(ctx, h.db.OwnerURL)
	packOK(t, err)
	defer conn.Close(ctx)
	_, err = conn.Exec(ctx, `INSERT INTO workshop (id, code, name) VALUES ($1, 'fen', 'Fenmarch Workshop')`, other)
	packOK(t, err)
	stranger := store.Who{Workshop: other, Actor: "system", Role: access.Owner}
	if _, err := h.EquipmentPage(ctx, other, "SC-1", h.today, store.MomentKey{}); !fault.Is(err, fault.NotFound) {
		t.Errorf("its page: %v", err)
	}
	if _, err := h.Store.LogEntry(ctx, other, entry); !fault.Is(err, fault.NotFound) {
		t.Errorf("its log entry: %v", err)
	}
	if _, err := h.CorrectLogEntry(ctx, stranger, store.Entry{}, store.LogCorrection{ID: entry, Withdraw: true, Reason: "not mine"}); !fault.Is(err, fault.NotFound) {
		t.Errorf("taking it back: %v", err)
	}
	if err := h.CorrectEquipment(ctx, stranger, store.Entry{}, store.Equipment{Code: "SC-1", Name: "x"}, "not mine"); !fault.Is(err, fault.NotFound) {
		t.Errorf("correcting it: %v", err)
	}
	_, err = h.AddLogEntry(ctx, stranger, store.Entry{}, store.NewLogEntry{Kind: "cleaning", Equipment: "SC-1", Result: "fine"})
	packFault(t, err, fault.Invalid, "equipment", "no equipment")
	if list, _, err := h.Log(ctx, other, store.LogFilter{}, store.MomentKey{}, 10); err != nil || len(list) != 0 {
		t.Errorf("its log: %v %v", list, err)
	}
}

func TestABatchNamesWhatItUsed(t *testing.T) {
	t.Parallel()
	h := newPackShop(t)
	ctx := t.Context()
	h.gear(gearScale())
	h.gear(store.Equipment{Name: "Steel pot", Kind: "vessel", CleanBeforeUse: true})
	h.gear(store.Equipment{Name: "Round mould", Kind: "mould"})
	code := h.pressed()
	no, yes := false, true
	n := store.BatchEquipment{Batch: code, Used: []store.NameUse{{Equipment: "VE-1", Clean: &no}, {Equipment: "MO-1"}}}
	packFault(t, h.NameEquipment(ctx, h.helper, store.Entry{}, n), fault.Invalid, "really", "Steel pot (VE-1) was not clean before use.")
	n.Really = store.Really{Yes: true}
	packFault(t, h.NameEquipment(ctx, h.helper, store.Entry{}, n), fault.Invalid, "reason", "Say how")
	if b := h.read(code); len(b.Equipment) != 0 {
		t.Fatalf("half saved: %+v", b.Equipment)
	}
	n.Really.Reason = "a film of oil from the batch before"
	entry := benchEntry()
	packOK(t, h.NameEquipment(ctx, h.helper, entry, n))
	packOK(t, h.NameEquipment(ctx, h.helper, entry, n)) // sent twice
	packOK(t, h.NameEquipment(ctx, h.helper, store.Entry{}, store.BatchEquipment{Batch: code, Used: []store.NameUse{{Equipment: "VE-1", Clean: &yes}}}))
	b := h.read(code)
	if len(b.Equipment) != 2 || len(b.Deviations) != 1 || b.Deviations[0].Kind != "equipment" {
		t.Fatalf("named: %+v; deviations: %+v", b.Equipment, b.Deviations)
	}
	var pot store.UsedEquipment
	for _, u := range b.Equipment {
		if u.Equipment == "VE-1" {
			pot = u
		}
	}
	if pot.Clean == nil || *pot.Clean || pot.By != h.helper.Name {
		t.Errorf("the pot: %+v", pot)
	}
	packFault(t, h.WithdrawEquipment(ctx, h.helper, store.Entry{}, code, pot.ID, ""), fault.Invalid, "reason", "Say why")
	packOK(t, h.WithdrawEquipment(ctx, h.helper, store.Entry{}, code, pot.ID, "it was the other pot"))
	if err := h.WithdrawEquipment(ctx, h.helper, store.Entry{}, code, pot.ID, "twice"); !fault.Is(err, fault.NotFound) {
		t.Errorf("taken back twice: %v", err)
	}
	b = h.read(code)
	if open := b.Deviations[0].Open(); open {
		t.Error("its deviation stays open")
	}
	for _, u := range b.Equipment {
		if u.Equipment == "VE-1" && (!u.Replaced || u.Reason != "it was the other pot") {
			t.Errorf("taken back: %+v", u)
		}
	}
	for _, c := range []struct {
		name   string
		change func(*store.BatchEquipment)
		kind   fault.Kind
		field  string
		words  string
	}{
		{"nothing", func(n *store.BatchEquipment) { n.Used = nil }, fault.Invalid, "used", "Tick what was used."},
		{"nothing of ours", func(n *store.BatchEquipment) { n.Used = []store.NameUse{{Equipment: "VE-9"}} }, fault.Invalid, "used", "no equipment"},
		{"tomorrow", func(n *store.BatchEquipment) { n.At = time.Now().Add(gearDay) }, fault.Invalid, "at", "not come yet"},
		{"a novel", func(n *store.BatchEquipment) { n.Note = strings.Repeat("x", 1001) }, fault.Invalid, "note", "At most"},
		{"no such packing", func(n *store.BatchEquipment) { n.Packing = code }, fault.Invalid, "packing", "has no packing"},
		{"no such batch", func(n *store.BatchEquipment) { n.Batch = "BF-0" }, fault.NotFound, "", "no batch"},
	} {
		n := store.BatchEquipment{Batch: code, Used: []store.NameUse{{Equipment: "SC-1"}}}
		c.change(&n)
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			packFault(t, h.NameEquipment(t.Context(), h.helper, store.Entry{}, n), c.kind, c.field, c.words)
		})
	}
	h.verified()
}

func TestTwoWhoNameTheSameThingAtOnceNameItOnce(t *testing.T) {
	t.Parallel()
	h := newPackShop(t)
	h.gear(store.Equipment{Name: "Round mould", Kind: "mould"})
	code := h.pressed()
	var wg sync.WaitGroup
	errs := make([]error, 6)
	for i := range errs {
		wg.Go(func() {
			errs[i] = h.NameEquipment(t.Context(), h.helper, store.Entry{}, store.BatchEquipment{Batch: code, Used: []store.NameUse{{Equipment: "MO-1"}}})
		})
	}
	wg.Wait()
	packOK(t, errors.Join(errs...))
	if n := len(h.read(code).Equipment); n != 1 {
		t.Errorf("named %d times", n)
	}
}

func TestWhatWasWeighedOnAScaleNamesIt(t *testing.T) {
	t.Parallel()
	h := newPackShop(t)
	ctx := t.Context()
	h.gear(gearScale())
	h.gear(gearScale())
	h.gear(store.Equipment{Name: "Steel pot", Kind: "vessel"})
	plan, err := h.MakePlan(ctx, h.maker, store.NewPlan{Formula: "BF", Product: "BF165", MassG: packDec("1690"), On: h.today})
	packOK(t, err)
	code, err := h.StartBatch(ctx, h.maker, store.Entry{}, store.Start{Plan: plan})
	packOK(t, err)
	weigh := func(i int, scale string) error {
		l := h.read(code).Lines[i]
		return h.Weigh(ctx, h.helper, store.Entry{}, store.Weighing{Batch: code, Line: l.ID, Lot: l.Material + "-1", Scale: scale, Grams: l.TargetG})
	}
	packFault(t, weigh(0, "SC-9"), fault.Invalid, "scale", "no equipment")
	packFault(t, weigh(0, "VE-1"), fault.Invalid, "scale", "is no scale")
	packOK(t, weigh(0, "SC-1"))
	packOK(t, weigh(1, "SC-1"))
	named := func() (out []string) {
		for _, u := range h.read(code).Equipment {
			if !u.Replaced {
				out = append(out, u.Equipment)
			}
		}
		return out
	}
	if diff := cmp.Diff([]string{"SC-1"}, named()); diff != "" {
		t.Fatal(diff)
	}
	b := h.read(code)
	if b.Lines[0].Inputs[0].Scale != "SC-1" {
		t.Errorf("the weighing: %+v", b.Lines[0].Inputs[0])
	}
	packFault(t, h.WithdrawEquipment(ctx, h.helper, store.Entry{}, code, b.Equipment[0].ID, "not it"), fault.Invalid, "reason", "2 weighings stand on this scale")
	for _, l := range b.Lines {
		in := l.Inputs[0]
		packOK(t, h.CorrectInput(ctx, h.helper, store.Entry{}, store.Correction{Batch: code, Input: in.ID, Grams: in.WeighedG.Decimal, Scale: "SC-2", Reason: "it was the other one"}))
	}
	if diff := cmp.Diff([]string{"SC-1", "SC-2"}, named()); diff != "" {
		t.Fatal(diff)
	}
	packOK(t, h.WithdrawEquipment(ctx, h.helper, store.Entry{}, code, b.Equipment[0].ID, "not it"))
	in := h.read(code).Lines[0].Inputs[1]
	packOK(t, h.CorrectInput(ctx, h.helper, store.Entry{}, store.Correction{Batch: code, Input: in.ID, Grams: in.WeighedG.Decimal, Reason: "looked again"}))
	if got := h.read(code).Lines[0].Inputs[2].Scale; got != "SC-2" {
		t.Errorf("a correction that names no scale: on %q", got)
	}
	if diff := cmp.Diff([]string{"SC-2"}, named()); diff != "" {
		t.Error(diff)
	}
	h.verified()
}

func TestLinesAreStartedForTheScalesThatAreKept(t *testing.T) {
	t.Parallel()
	h := newPackShop(t)
	ctx := t.Context()
	targets := func() (out []string) {
		plan, err := h.MakePlan(ctx, h.maker, store.NewPlan{Formula: "BF", Product: "BF165", MassG: packDec("1234.567"), On: h.today})
		packOK(t, err)
		sheet, err := h.Plan(ctx, h.maker.Workshop, plan)
		packOK(t, err)
		code, err := h.StartBatch(ctx, h.maker, store.Entry{}, store.Start{Plan: plan})
		packOK(t, err)
		for i, l := range h.read(code).Lines {
			if !sheet.Lines[i].TargetG.Equal(l.TargetG) {
				t.Errorf("planned %s g, begun %s g", sheet.Lines[i].TargetG, l.TargetG)
			}
			words := l.TargetG.String()
			if l.FinerScale {
				words += " on a finer scale"
			}
			out = append(out, words)
		}
		return out
	}
	if diff := cmp.Diff([]string{"814.8", "419.8"}, targets()); diff != "" {
		t.Errorf("by the settings:\n%s", diff)
	}
	coarse := gearScale()
	coarse.ReadabilityG, coarse.MinLoadG = packSome("5"), packSome("500")
	h.gear(coarse)
	if diff := cmp.Diff([]string{"815", "420 on a finer scale"}, targets()); diff != "" {
		t.Errorf("by the one scale that is kept:\n%s", diff)
	}
	fine := gearScale()
	fine.ReadabilityG, fine.MinLoadG, fine.MaxLoadG = packSome("0.01"), packSome("1"), packSome("500")
	h.gear(fine)
	if diff := cmp.Diff([]string{"815", "419.75"}, targets()); diff != "" {
		t.Errorf("each by the one that suits it:\n%s", diff)
	}
}

// gearConditions are the words of the condition on equipment at a packing, empty where there is none.
func (h packShop) gearConditions(code string) (state release.State, words string) {
	h.t.Helper()
	for _, c := range h.packing(code).Conditions {
		if c.Key == release.KeyEquipment {
			return c.State, c.Words
		}
	}
	return "", ""
}

func TestAReleaseIsWarnedOfChecks(t *testing.T) {
	t.Parallel()
	const ago = 3 * gearDay // when the batch was made and named its scale
	for _, c := range []struct {
		name  string
		log   func(h packShop)
		named bool
		state release.State
		words string
	}{
		{"checked in time", func(h packShop) { h.log(10*gearDay, gearCheck("SC-1", "500.1")) }, true, release.OK, "All checks in date"},
		{"never checked", func(packShop) {}, true, release.Warn, "had never been checked"},
		{"checked only since", func(h packShop) { h.log(gearDay, gearCheck("SC-1", "500")) }, true, release.Warn, "had never been checked"},
		{"overdue when it was used", func(h packShop) { h.log(50*gearDay, gearCheck("SC-1", "500")) }, true, release.Warn, "its check was due on"},
		{"failed before it was used", func(h packShop) {
			h.log(20*gearDay, gearCheck("SC-1", "500"))
			h.log(10*gearDay, gearCheck("SC-1", "503"))
		}, true, release.Warn, "Bench scale (SC-1) failed its last check on"},
		{"failed and passed again before it was used", func(h packShop) {
			h.log(20*gearDay, gearCheck("SC-1", "503"))
			h.log(10*gearDay, gearCheck("SC-1", "500"))
		}, true, release.OK, "All checks in date"},
		{"failed after it was used", func(h packShop) {
			h.log(20*gearDay, gearCheck("SC-1", "500"))
			h.log(gearDay, gearCheck("SC-1", "497"))
		}, true, release.Warn, "failed its next check on"},
		{"failed after it was used, and passed since", func(h packShop) {
			h.log(20*gearDay, gearCheck("SC-1", "500"))
			h.log(2*gearDay, gearCheck("SC-1", "497"))
			h.log(gearDay, gearCheck("SC-1", "500"))
		}, true, release.Warn, "failed its next check on"},
		{"a failed check that was taken back", func(h packShop) {
			h.log(20*gearDay, gearCheck("SC-1", "500"))
			id := h.log(gearDay, gearCheck("SC-1", "497"))
			_, err := h.CorrectLogEntry(h.t.Context(), h.helper, store.Entry{}, store.LogCorrection{ID: id, Withdraw: true, Reason: "the mass was chipped"})
			packOK(h.t, err)
		}, true, release.OK, "All checks in date"},
		{"nothing is named", func(packShop) {}, false, release.Warn, "No equipment is named"},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			h := newPackShop(t)
			code := h.pack(h.nine(h.dried()))
			if state, _ := h.gearConditions(code); state != "" {
				t.Fatalf("asked where none is kept: %s", state)
			}
			h.gear(gearScale())
			c.log(h)
			if c.named {
				packOK(t, h.NameEquipment(t.Context(), h.helper, store.Entry{}, store.BatchEquipment{Batch: code, Used: []store.NameUse{{Equipment: "SC-1"}}, At: time.Now().Add(-ago)}))
			}
			state, words := h.gearConditions(code)
			if state != c.state || !strings.Contains(words, c.words) {
				t.Errorf("%s: %q", state, words)
			}
		})
	}
}

func TestWhatAnotherPackingUsedIsNotHeldAgainstThisOne(t *testing.T) {
	t.Parallel()
	h := newPackShop(t)
	ctx := t.Context()
	batch := h.dried()
	n := h.nine(batch)
	n.Good, n.Retained, n.Finished = 4, 0, false
	first := h.pack(n)
	n = h.nine(batch)
	n.Good, n.Retained, n.YieldNote = 5, 0, "one fell"
	second := h.pack(n)
	h.gear(gearScale())
	h.gear(store.Equipment{Name: "Round mould", Kind: "mould"})
	packOK(t, h.NameEquipment(ctx, h.helper, store.Entry{}, store.BatchEquipment{Batch: batch, Used: []store.NameUse{{Equipment: "MO-1"}}, At: time.Now().Add(-3 * gearDay)}))
	packOK(t, h.NameEquipment(ctx, h.helper, store.Entry{}, store.BatchEquipment{Batch: batch, Packing: second, Used: []store.NameUse{{Equipment: "SC-1"}}}))
	if state, words := h.gearConditions(first); state != release.OK {
		t.Errorf("the first: %s %q", state, words)
	}
	if state, words := h.gearConditions(second); state != release.Warn || !strings.Contains(words, "Bench scale (SC-1)") {
		t.Errorf("the second: %s %q", state, words)
	}
}

func TestEquipmentIsPartOfWhatAReleaseSigns(t *testing.T) {
	t.Parallel()
	h := newPackShop(t)
	ctx := t.Context()
	code := h.pack(h.nine(h.dried()))
	h.gear(store.Equipment{Name: "Round mould", Kind: "mould"})
	packOK(t, h.NameEquipment(ctx, h.helper, store.Entry{}, store.BatchEquipment{Batch: code, Used: []store.NameUse{{Equipment: "MO-1"}}, At: time.Now().Add(-3 * gearDay)}))
	packOK(t, h.ReleasePacking(ctx, h.maker, store.Entry{}, code, packPassword, store.SeenHash(h.packing(code).Conditions)))
	if p := h.packing(code); len(p.Signatures) != 1 || p.Signatures[0].Broken {
		t.Fatalf("signed: %+v", p.Signatures)
	}
	mould := store.BatchEquipment{Batch: code, Used: []store.NameUse{{Equipment: "MO-1"}}}
	packFault(t, h.NameEquipment(ctx, h.helper, store.Entry{}, mould), fault.Conflict, "", "decided with it")
	packOK(t, h.WithdrawEquipment(ctx, h.maker, store.Entry{}, code, h.read(code).Equipment[0].ID, "it was another mould"))
	if p := h.packing(code); !p.Signatures[0].Broken {
		t.Error("the signature stands over what was changed since")
	}
}

func TestTheEquipmentOfTheLastBatchIsOfferedAgain(t *testing.T) {
	t.Parallel()
	h := newPackShop(t)
	ctx := t.Context()
	h.gear(store.Equipment{Name: "Steel pot", Kind: "vessel"})
	h.gear(store.Equipment{Name: "Round mould", Kind: "mould"})
	first, second := h.pressed(), h.pressed()
	before := func() []string {
		list, err := h.EquipmentBefore(ctx, h.maker.Workshop, h.read(second).ID)
		packOK(t, err)
		return list
	}
	if list := before(); len(list) != 0 {
		t.Errorf("before anything was named: %v", list)
	}
	packOK(t, h.NameEquipment(ctx, h.helper, store.Entry{}, store.BatchEquipment{Batch: first, Used: []store.NameUse{{Equipment: "VE-1"}, {Equipment: "MO-1"}}}))
	packOK(t, h.WithdrawEquipment(ctx, h.helper, store.Entry{}, first, h.read(first).Equipment[0].ID, "not that one"))
	packOK(t, h.NameEquipment(ctx, h.helper, store.Entry{}, store.BatchEquipment{Batch: second, Used: []store.NameUse{{Equipment: "VE-1"}}}))
	if diff := cmp.Diff([]string{h.standing(first)[0]}, before()); diff != "" {
		t.Error(diff)
	}
}

// standing are the codes that a batch names now.
func (h packShop) standing(code string) (out []string) {
	h.t.Helper()
	for _, u := range h.read(code).Equipment {
		if !u.Replaced {
			out = append(out, u.Equipment)
		}
	}
	return out
}

func TestAFailedCheckNamesWhatUsedTheScaleSinceTheLastGoodOne(t *testing.T) {
	t.Parallel()
	h := newPackShop(t)
	ctx, shop := t.Context(), h.maker.Workshop
	h.gear(gearScale())
	before, since := h.pressed(), h.pressed()
	name := func(code string, ago time.Duration) {
		packOK(t, h.NameEquipment(ctx, h.helper, store.Entry{}, store.BatchEquipment{Batch: code, Used: []store.NameUse{{Equipment: "SC-1"}}, At: time.Now().Add(-ago)}))
	}
	name(before, 6*gearDay)
	name(since, 3*gearDay)
	suspects := func() []store.Suspect {
		list, err := h.Suspects(ctx, shop, h.today)
		packOK(t, err)
		return list
	}
	h.log(8*gearDay, gearCheck("SC-1", "500"))
	if list := suspects(); len(list) != 0 {
		t.Fatalf("nothing failed: %+v", list)
	}
	h.log(4*gearDay, gearCheck("SC-1", "499.9"))
	h.log(gearDay, gearCheck("SC-1", "496"))
	h.log(0, gearCheck("SC-1", "496.5"))
	list := suspects()
	if len(list) != 1 || list[0].Code != "SC-1" || list[0].GoodOn != h.today.AddDays(-4) || list[0].FailedOn != h.today {
		t.Fatalf("%+v", list)
	}
	if diff := cmp.Diff([]string{since}, list[0].Batches); diff != "" {
		t.Error(diff)
	}
	page, err := h.EquipmentPage(ctx, shop, "SC-1", h.today, store.MomentKey{})
	packOK(t, err)
	if page.Stands != equipment.Failed || page.Suspect == nil || len(page.Suspect.Batches) != 1 || len(page.Uses) != 2 || len(page.Log) != 4 {
		t.Errorf("its page: %+v", page)
	}
	h.log(0, gearCheck("SC-1", "500"))
	if list := suspects(); len(list) != 0 {
		t.Errorf("once it passes again: %+v", list)
	}
}

func TestAPackingNamesWhatItWasPackedWith(t *testing.T) {
	t.Parallel()
	h := newPackShop(t)
	ctx := t.Context()
	h.gear(gearScale())
	h.gear(store.Equipment{Name: "Filling jug", Kind: "vessel", CleanBeforeUse: true})
	batch := h.dried()
	no := false
	n := h.nine(batch)
	n.Used = []store.NameUse{{Equipment: "VE-9"}}
	_, err := h.Pack(ctx, h.helper, store.Entry{}, n)
	packFault(t, err, fault.Invalid, "used", "no equipment")
	n.Used = []store.NameUse{{Equipment: "SC-1"}, {Equipment: "VE-1", Clean: &no}}
	_, err = h.Pack(ctx, h.helper, store.Entry{}, n)
	packFault(t, err, fault.Invalid, "really", "Filling jug (VE-1) was not clean before use.")
	if b := h.read(batch); len(b.Equipment)+len(b.Packings) != 0 {
		t.Fatalf("half saved: %+v, %d packings", b.Equipment, len(b.Packings))
	}
	n.Really = store.Really{Yes: true, Reason: "a film of the batch before"}
	entry := benchEntry()
	for range 2 { // sent twice
		_, err := h.Pack(ctx, h.helper, entry, n)
		packOK(t, err)
	}
	b := h.read(batch)
	var got []string
	for _, u := range b.Equipment {
		got = append(got, u.Equipment+" "+u.Packing)
	}
	slices.Sort(got)
	if diff := cmp.Diff([]string{"SC-1 " + b.Packings[0].Code, "VE-1 " + b.Packings[0].Code}, got); diff != "" {
		t.Errorf("named (-want +got):\n%s", diff)
	}
	dirty := 0
	for _, d := range b.Deviations {
		if d.Kind == "equipment" && d.Packing == b.Packings[0].Code && d.Open() {
			dirty++
		}
	}
	if dirty != 1 {
		t.Errorf("%d deviations of the jug: %+v", dirty, b.Deviations)
	}
	h.verified()
}
