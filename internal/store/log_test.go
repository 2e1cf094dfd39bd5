package store_test

import (
	"errors"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
	"github.com/shopspring/decimal"

	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/store"
)

func (h packShop) logged(id store.LogEntryID) store.LogPage {
	h.t.Helper()
	p, err := h.LogEntry(h.t.Context(), h.maker.Workshop, id)
	packOK(h.t, err)
	return p
}

func TestAScalesCheckIsJudgedByItsMasses(t *testing.T) {
	t.Parallel()
	h := newPackShop(t)
	h.gear(gearScale())
	for _, c := range []struct {
		name   string
		n      store.NewLogEntry
		result string
		within string
	}{
		{"within two steps of the scale", gearCheck("SC-1", "500.2"), "fine", "0.2"},
		{"off by more", gearCheck("SC-1", "500.3"), "failed", "0.2"},
		{"off by more, and said to be fine", func() store.NewLogEntry { n := gearCheck("SC-1", "499"); n.Result = "fine"; return n }(), "failed", "0.2"},
		{"within what the form states", func() store.NewLogEntry { n := gearCheck("SC-1", "499"); n.ToleranceG = packSome("1"); return n }(), "fine", "1"},
		{"within, and to be watched", func() store.NewLogEntry {
			n := gearCheck("SC-1", "500")
			n.Result, n.Words = "attention", "slow to settle"
			return n
		}(), "attention", "0.2"},
		{"without masses, by somebody else", store.NewLogEntry{Kind: "check", Equipment: "SC-1", Result: "fine", Words: "calibrated by Fenmarch Scales"}, "fine", ""},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			id, err := h.AddLogEntry(t.Context(), h.helper, store.Entry{}, c.n)
			packOK(t, err)
			p, err := h.Store.LogEntry(t.Context(), h.maker.Workshop, id)
			packOK(t, err)
			within := ""
			if p.ToleranceG.Valid {
				within = p.ToleranceG.Decimal.String()
			}
			if p.Result != c.result || within != c.within {
				t.Errorf("%s, within %s", p.Result, within)
			}
		})
	}
}

func TestWhatCannotBeRightInALogEntryIsToldAtOnce(t *testing.T) {
	t.Parallel()
	h := newPackShop(t)
	h.gear(gearScale())
	h.gear(store.Equipment{Name: "Steel pot", Kind: "vessel"})
	long := strings.Repeat("x", 1001)
	for _, c := range []struct {
		name   string
		n      store.NewLogEntry
		fields []string
	}{
		{"nothing", store.NewLogEntry{}, []string{"about", "kind", "result"}},
		{"no such equipment", store.NewLogEntry{Kind: "check", Equipment: "SC-9", Result: "fine"}, []string{"equipment"}},
		{"tomorrow", store.NewLogEntry{Kind: "pest", About: "Traps", Result: "fine", At: time.Now().Add(gearDay)}, []string{"at"}},
		{"a year of three digits", store.NewLogEntry{Kind: "pest", About: "Traps", Result: "fine", At: time.Date(226, 1, 1, 0, 0, 0, 0, time.UTC)}, []string{"at"}},
		{"something was off, without words", store.NewLogEntry{Kind: "pest", About: "Traps", Result: "attention"}, []string{"words"}},
		{"due before it was done", store.NewLogEntry{Kind: "pest", About: "Traps", Result: "fine", NextOn: h.today.AddDays(-1)}, []string{"next_on"}},
		{"a mass on a pot", store.NewLogEntry{Kind: "check", Equipment: "VE-1", ReferenceG: packSome("500"), ShownG: packSome("500")}, []string{"reference"}},
		{"a mass at a cleaning", store.NewLogEntry{Kind: "cleaning", Equipment: "SC-1", ReferenceG: packSome("500"), ShownG: packSome("500")}, []string{"reference"}},
		{"one of two masses", store.NewLogEntry{Kind: "check", Equipment: "SC-1", ReferenceG: packSome("500")}, []string{"shown"}},
		{"the other of two masses", store.NewLogEntry{Kind: "check", Equipment: "SC-1", ShownG: packSome("500")}, []string{"reference"}},
		{"a mass of nothing, a tolerance below it", store.NewLogEntry{Kind: "check", Equipment: "SC-1", ReferenceG: packSome("0"), ShownG: packSome("0"), ToleranceG: packSome("-1")}, []string{"reference", "tolerance"}},
		{"everything too long", store.NewLogEntry{Kind: "other", About: long, Words: long, Result: "fine"}, []string{"about", "words"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			_, err := h.AddLogEntry(t.Context(), h.helper, store.Entry{}, c.n)
			f := fault.As(err)
			if f == nil {
				t.Fatalf("taken: %v", err)
			}
			if diff := cmp.Diff(c.fields, f.Names()); diff != "" {
				t.Error(diff)
			}
		})
	}
	t.Cleanup(func() {
		if list, _, err := h.Log(t.Context(), h.maker.Workshop, store.LogFilter{}, store.MomentKey{}, 10); err == nil && len(list) != 0 {
			t.Errorf("half saved: %+v", list)
		}
	})
}

func TestALogEntryIsCorrectedAndTakenBackWithAReason(t *testing.T) {
	t.Parallel()
	h := newPackShop(t)
	ctx, shop := t.Context(), h.maker.Workshop
	entry := benchEntry()
	n := store.NewLogEntry{Kind: "cleaning", About: "Bench and sink", Result: "fine", At: time.Now().Add(-gearDay)}
	id, err := h.AddLogEntry(ctx, h.helper, entry, n)
	packOK(t, err)
	again, err := h.AddLogEntry(ctx, h.helper, entry, n)
	packOK(t, err)
	if again != id {
		t.Error("sent twice, stored twice")
	}
	if p := h.logged(id); !p.Late(time.UTC) || p.Author != h.helper.Person {
		t.Errorf("%+v", p)
	}
	n.Result, n.Words = "attention", "the drain is slow"
	_, err = h.CorrectLogEntry(ctx, h.helper, store.Entry{}, store.LogCorrection{ID: id, Entry: n})
	packFault(t, err, fault.Invalid, "reason", "Say why")
	next, err := h.CorrectLogEntry(ctx, h.helper, store.Entry{}, store.LogCorrection{ID: id, Entry: n, Reason: "seen only now"})
	packOK(t, err)
	_, err = h.CorrectLogEntry(ctx, h.helper, store.Entry{}, store.LogCorrection{ID: id, Entry: n, Reason: "on a stale page"})
	packFault(t, err, fault.Conflict, "", "meanwhile")
	if p := h.logged(id); !p.Replaced || p.Now != store.Text(next) {
		t.Errorf("the old one: %+v", p)
	}
	p := h.logged(next)
	if p.Replaced || p.Result != "attention" || len(p.History) != 1 || p.History[0].Reason != "seen only now" {
		t.Errorf("the new one: %+v", p)
	}
	list, older, err := h.Log(ctx, shop, store.LogFilter{}, store.MomentKey{}, 10)
	packOK(t, err)
	if len(list) != 1 || list[0].ID != next || older != "" {
		t.Errorf("the log: %+v", list)
	}
	_, err = h.CorrectLogEntry(ctx, h.maker, store.Entry{}, store.LogCorrection{ID: next, Withdraw: true, Reason: "it was another day"})
	packOK(t, err)
	if list, _, err = h.Log(ctx, shop, store.LogFilter{Kind: "cleaning"}, store.MomentKey{}, 10); err != nil || len(list) != 1 || !list[0].Withdrawn {
		t.Errorf("taken back: %+v %v", list, err)
	}
	mine := h.log(0, store.NewLogEntry{Kind: "pest", About: "Traps"})
	other := h.helper
	other.Person = h.owner.Person // somebody else with a helper's right
	_, err = h.CorrectLogEntry(ctx, other, store.Entry{}, store.LogCorrection{ID: mine, Withdraw: true, Reason: "not mine"})
	packFault(t, err, fault.Forbidden, "", "yourself today")
	h.verified()
}

func TestOfTwoCorrectionsOfALogEntryAtOnceOneIsTold(t *testing.T) {
	t.Parallel()
	h := newPackShop(t)
	id := h.log(0, store.NewLogEntry{Kind: "water", About: "Mains tap"})
	var wg sync.WaitGroup
	errs := make([]error, 4)
	for i := range errs {
		wg.Go(func() {
			_, errs[i] = h.CorrectLogEntry(t.Context(), h.maker, store.Entry{}, store.LogCorrection{ID: id, Entry: store.NewLogEntry{Kind: "water", About: "Rain butt", Result: "fine"}, Reason: "not the tap"})
		})
	}
	wg.Wait()
	told := 0
	for _, err := range errs {
		if fault.Is(err, fault.Conflict) {
			told++
		} else if err != nil {
			t.Error(errors.Unwrap(err))
		}
	}
	if told != len(errs)-1 {
		t.Errorf("%d were told: %v", told, errs)
	}
}

func TestTheLogIsPagedByKey(t *testing.T) {
	t.Parallel()
	h := newPackShop(t)
	h.gear(gearScale())
	for i := range 5 {
		h.log(time.Duration(i)*gearDay, gearCheck("SC-1", "500"))
		h.log(time.Duration(i)*gearDay, store.NewLogEntry{Kind: "pest", About: "Traps"})
	}
	seen := map[store.LogEntryID]bool{}
	before, pages := "", 0
	for {
		key := store.ParseMomentKey(before)
		list, older, err := h.Log(t.Context(), h.maker.Workshop, store.LogFilter{Equipment: "SC-1"}, key, 2)
		packOK(t, err)
		for _, e := range list {
			if seen[e.ID] || e.Equipment != "SC-1" {
				t.Errorf("twice, or not asked for: %+v", e)
			}
			seen[e.ID] = true
		}
		pages++
		if before = older; older == "" {
			break
		}
	}
	if len(seen) != 5 || pages != 3 {
		t.Errorf("%d entries on %d pages", len(seen), pages)
	}
	for _, bad := range []string{"x", "12", "12.x", "x." + store.Text(h.maker.Person), "-1." + store.Text(h.maker.Person), "9223372036854775807." + store.Text(h.maker.Person)} {
		if key := store.ParseMomentKey(bad); key != (store.MomentKey{}) {
			t.Errorf("%q is taken for %v", bad, key)
		}
	}
}

func TestWhatIsDueIsToldByTheLastEntryAboutIt(t *testing.T) {
	t.Parallel()
	h := newPackShop(t)
	ctx, shop, today := t.Context(), h.maker.Workshop, h.today
	never, overdue, fine, failed := h.gear(gearScale()), h.gear(gearScale()), h.gear(gearScale()), h.gear(gearScale())
	gone := gearScale()
	gone.Name = "Old scale"
	old := h.gear(gone)
	gone.Code, gone.Retired = old, true
	packOK(t, h.CorrectEquipment(ctx, h.maker, store.Entry{}, gone, "gone"))
	h.log(40*gearDay, gearCheck(overdue, "500"))
	h.log(1*gearDay, gearCheck(fine, "500"))
	h.log(2*gearDay, gearCheck(failed, "490"))
	h.log(20*gearDay, store.NewLogEntry{Kind: "pest", About: "Traps", NextOn: today.AddDays(-6)})
	h.log(15*gearDay, store.NewLogEntry{Kind: "water", About: "Mains tap", NextOn: today.AddDays(-8)})
	h.log(7*gearDay, store.NewLogEntry{Kind: "water", About: "mains TAP", NextOn: today.AddDays(200)}) // settles the one before
	h.log(3*gearDay, store.NewLogEntry{Kind: "cleaning", About: "Mains tap", NextOn: today.AddDays(3)})
	h.log(3*gearDay, store.NewLogEntry{Kind: "maintenance", Equipment: fine, NextOn: today.AddDays(8)})
	type due struct {
		kind, about, on string
		failed          bool
	}
	list, err := h.LogDue(ctx, shop, today, today.AddDays(7))
	packOK(t, err)
	var got []due
	for _, d := range list {
		got = append(got, due{d.Kind, d.Equipment + d.About, d.DueOn.String(), d.Failed})
	}
	want := []due{
		{"check", never, "", false}, {"check", overdue, today.AddDays(-10).String(), false}, {"pest", "Traps", today.AddDays(-6).String(), false},
		{"check", failed, today.AddDays(-2).String(), true}, {"cleaning", "Mains tap", today.AddDays(3).String(), false},
	}
	if diff := cmp.Diff(want, got, cmp.AllowUnexported(due{})); diff != "" {
		t.Error(diff)
	}
}

func TestHowOftenSomethingIsDoneIsLearntFromTheLastTwoTimes(t *testing.T) {
	t.Parallel()
	h := newPackShop(t)
	ctx, shop := t.Context(), h.maker.Workshop
	h.gear(gearScale())
	every := func(kind, gear, about string) int {
		habit, err := h.LogHabit(ctx, shop, kind, gear, about, h.today)
		packOK(t, err)
		return habit.Every
	}
	h.log(20*gearDay, store.NewLogEntry{Kind: "pest", About: "Traps"})
	h.log(6*gearDay, store.NewLogEntry{Kind: "pest", About: "Traps"})
	h.log(9*gearDay, store.NewLogEntry{Kind: "water", About: "Traps"})
	for _, c := range []struct {
		name, kind, gear, about string
		want                    int
	}{
		{"done twice", "pest", "", "Traps", 14}, {"done once, and today", "water", "", "Traps", 9}, {"never done", "pest", "", "Mains tap", 0},
		{"a check goes by its own days", "check", "SC-1", "", 30}, {"other work on the same thing does not", "cleaning", "SC-1", "", 0},
	} {
		if got := every(c.kind, c.gear, c.about); got != c.want {
			t.Errorf("%s: every %d days, want %d", c.name, got, c.want)
		}
	}
	subjects, err := h.LogSubjects(ctx, shop)
	packOK(t, err)
	if diff := cmp.Diff([]string{"Traps", "Traps"}, subjects); diff != "" {
		t.Error(diff)
	}
}

func TestABatchTakesItsPartOfTheLogAlong(t *testing.T) {
	t.Parallel()
	h := newPackShop(t)
	ctx := t.Context()
	h.gear(gearScale())
	h.gear(gearScale())
	batch := h.pressed() // three days ago
	packOK(t, h.NameEquipment(ctx, h.helper, store.Entry{}, store.BatchEquipment{Batch: batch, Used: []store.NameUse{{Equipment: "SC-1"}}, At: time.Now().Add(-3 * gearDay)}))
	about := func(words string) store.NewLogEntry {
		return store.NewLogEntry{Kind: "check", Equipment: "SC-1", Result: "fine", Words: words}
	}
	h.log(120*gearDay, about("long before"))
	h.log(20*gearDay, about("before"))
	h.log(gearDay, about("after"))
	other := about("of another scale")
	other.Equipment = "SC-2"
	h.log(20*gearDay, other)
	h.log(200*gearDay, store.NewLogEntry{Kind: "training", About: "Ned Fenwick", Words: "lye, long ago and in force"})
	h.log(30*gearDay, store.NewLogEntry{Kind: "cleaning", About: "Bench", Words: "an earlier cleaning"})
	h.log(4*gearDay, store.NewLogEntry{Kind: "cleaning", About: "Bench", Words: "the cleaning in force"})
	h.log(gearDay, store.NewLogEntry{Kind: "cleaning", About: "Bench", Words: "a later cleaning"})
	h.log(10*gearDay, store.NewLogEntry{Kind: "other", About: "Roof", Words: "nothing to do with it"})
	folder, err := h.Folder(ctx, h.maker.Workshop, batch, "Ada", time.Now())
	list := folder.Log
	packOK(t, err)
	var got []string
	for _, e := range list {
		got = append(got, e.Words)
	}
	if diff := cmp.Diff([]string{"lye, long ago and in force", "before", "the cleaning in force", "after"}, got, cmpopts.EquateEmpty()); diff != "" {
		t.Error(diff)
	}
	if _, err := h.Folder(ctx, h.maker.Workshop, "BF-0", "Ada", time.Now()); !fault.Is(err, fault.NotFound) {
		t.Errorf("no such batch: %v", err)
	}
}

func TestACheckThatNamesNoToleranceOfAThingWithoutStepsKeepsNone(t *testing.T) {
	t.Parallel()
	h := newPackShop(t)
	h.gear(store.Equipment{Name: "Probe", Kind: "thermometer", CheckDays: 90})
	id := h.log(0, store.NewLogEntry{Kind: "check", Equipment: "TH-1", Words: "0.2 °C in ice water", ToleranceG: decimal.NewNullDecimal(decimal.NewFromInt(1))})
	if p := h.logged(id); p.ToleranceG.Valid || p.Result != "fine" {
		t.Errorf("%+v", p)
	}
}
