package store_test

import (
	"strings"
	"sync"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/uuid"

	"example.org/stillroom/internal/day"
	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/pgtest"
	"example.org/stillroom/internal/store"
)

// sampleKept adds a packing of which so many units were kept back.
func sampleKept(h unitsShop, code string, retained, daysLeft int) {
	h.t.Helper()
	id := h.packed(code, 20, daysLeft)
	h.book.Do(pgtest.Statement{SQL: `UPDATE packing SET units_retained = $4 WHERE workshop_id = $1 AND id = $3 AND $2::uuid IS NOT NULL`, Args: []any{id, retained}})
}

// samplePlaced puts units in the cupboard, 50 days ago.
func samplePlaced(h unitsShop, code string, units int) store.SampleID {
	h.t.Helper()
	id, err := h.AddSample(h.t.Context(), h.helper, store.Entry{}, store.NewSample{Packing: code, Units: units, Place: "Cupboard A", TakenOn: h.today.AddDays(-50), KeepUntil: h.today.AddDays(400)})
	if err != nil {
		h.t.Fatal(err)
	}
	return id
}

func samplePage(h unitsShop, id store.SampleID) store.SamplePage {
	h.t.Helper()
	page, err := h.Sample(h.t.Context(), h.owner.Workshop, id)
	if err != nil {
		h.t.Fatal(err)
	}
	return page
}

func TestASampleIsOfferedToBeKeptAYearPastItsDateOrThreeYears(t *testing.T) {
	t.Parallel()
	for _, row := range []struct{ name, packed, best, want string }{
		{"with a date", "2026-03-14", "2027-02-28", "2028-02-28"},
		{"with a date on a leap day", "2026-03-14", "2028-02-29", "2029-02-28"},
		{"without a date", "2026-03-14", "", "2029-03-14"},
		{"without a date, packed on a leap day", "2028-02-29", "", "2031-02-28"},
	} {
		t.Run(row.name, func(t *testing.T) {
			t.Parallel()
			p := store.Packing{PackedOn: day.Must(row.packed)}
			if row.best != "" {
				p.BestBefore = day.Must(row.best)
			}
			if got := p.KeepUntil(); got != day.Must(row.want) {
				t.Errorf("kept until %s, want %s", got, row.want)
			}
		})
	}
}

func TestASampleIsDueOncePastItsDateAndEachYear(t *testing.T) {
	t.Parallel()
	today := day.Must("2026-06-10")
	for _, row := range []struct {
		name, want                      string
		taken, looked, best, keep, gone string
	}{
		{"fresh", "", "2026-01-05", "", "2027-01-05", "2028-01-05", ""},
		{"its date passed since", "Best before has passed.", "2025-08-05", "2026-01-05", "2026-06-09", "2027-06-09", ""},
		{"its last day", "", "2025-08-05", "2026-01-05", "2026-06-10", "2027-06-10", ""},
		{"looked at after its date", "", "2025-08-05", "2026-02-05", "2026-02-01", "2027-02-01", ""},
		{"never looked at", "Not looked at for a year.", "2025-06-09", "", "2027-01-05", "2028-01-05", ""},
		{"never looked at, a year today", "", "2025-06-10", "", "2027-01-05", "2028-01-05", ""},
		{"looked at long ago", "Last looked at more than a year ago.", "2024-06-10", "2025-06-09", "2027-01-05", "", ""},
		{"kept long enough", "", "2024-06-10", "2024-06-09", "2025-01-05", "2026-06-09", ""},
		{"gone", "", "2024-06-10", "", "2025-01-05", "", "2026-01-01"},
	} {
		t.Run(row.name, func(t *testing.T) {
			t.Parallel()
			at := func(text string) day.Day {
				if text == "" {
					return day.Day{}
				}
				return day.Must(text)
			}
			s := store.Sample{Units: 1, TakenOn: at(row.taken), LookedOn: at(row.looked), BestBefore: at(row.best), KeepUntil: at(row.keep), EndedOn: at(row.gone)}
			if got := s.Due(today); got != row.want {
				t.Errorf("due: %q, want %q", got, row.want)
			}
		})
	}
}

func TestASampleIsPlacedLookedAtAndEnds(t *testing.T) {
	t.Parallel()
	h := newUnitsShop(t)
	ctx := t.Context()
	sampleKept(h, "SB-1", 3, 100)
	id := samplePlaced(h, "sb 1", 3)
	if err := h.InspectSample(ctx, h.helper, store.Entry{}, id, store.Inspection{On: h.today, Result: "as_made", Used: 1}); err != nil {
		t.Fatal(err)
	}
	page := samplePage(h, id)
	if page.Left() != 2 || page.Looked != "as_made" || len(page.Checks) != 1 || page.Checks[0].By != "helper Quill" || page.By != "helper Quill" {
		t.Errorf("looked at: %+v", page)
	}
	if err := h.EndSample(ctx, h.helper, store.Entry{}, id, h.today, "Thrown away"); err != nil {
		t.Fatal(err)
	}
	if page = samplePage(h, id); page.Left() != 0 || page.EndedOn != h.today || page.EndedNote != "Thrown away" {
		t.Errorf("ended: %+v", page.Sample)
	}
	for name, err := range map[string]error{
		"ended again":          h.EndSample(ctx, h.owner, store.Entry{}, id, h.today, "Again"),
		"looked at once ended": h.InspectSample(ctx, h.owner, store.Entry{}, id, store.Inspection{On: h.today, Result: "as_made"}),
	} {
		if !fault.Is(err, fault.Conflict) {
			t.Errorf("%s: %v, want a conflict", name, err)
		}
	}
	// Units for sale are untouched.
	h.onHand("SB-1", 20)
}

func TestABadSampleIsToldInWords(t *testing.T) {
	t.Parallel()
	h := newUnitsShop(t)
	sampleKept(h, "SB-1", 3, 100)
	samplePlaced(h, "SB-1", 1)
	good := store.NewSample{Packing: "SB-1", Units: 1, Place: "Shelf", TakenOn: h.today}
	for _, row := range []struct {
		name, field, want string
		change            func(*store.NewSample)
	}{
		{"none", "units", "How many? At least 1.", func(n *store.NewSample) { n.Units = 0 }},
		{"more than were kept back", "units", "The packing says 3 kept back, and 1 of them have a place: 2 more. If more were kept back, correct the packing first.", func(n *store.NewSample) { n.Units = 3 }},
		{"nowhere", "place", "Where do they lie?", func(n *store.NewSample) { n.Place = " " }},
		{"a place too long", "place", "At most 80 characters, please.", func(n *store.NewSample) { n.Place = strings.Repeat("p", 81) }},
		{"tomorrow", "taken_on", "That day has not come yet.", func(n *store.NewSample) { n.TakenOn = h.today.AddDays(1) }},
		{"no day", "taken_on", "When were they put there?", func(n *store.NewSample) { n.TakenOn = day.Day{} }},
		{"before it was packed", "taken_on", "They were packed only on " + h.today.AddDays(-60).Long() + ".", func(n *store.NewSample) { n.TakenOn = h.today.AddDays(-61) }},
		{"kept until before it began", "keep_until", "That is before they were put there.", func(n *store.NewSample) { n.KeepUntil = h.today.AddDays(-1) }},
		{"a note too long", "note", "At most 1,000 characters, please.", func(n *store.NewSample) { n.Note = strings.Repeat("n", 1001) }},
	} {
		t.Run(row.name, func(t *testing.T) {
			n := good
			row.change(&n)
			_, err := h.AddSample(t.Context(), h.owner, store.Entry{}, n)
			unitsSays(t, err, row.field, row.want)
		})
	}
	if n := unitsAsk[int](h, `SELECT count(*) FROM sample`); n != 1 {
		t.Errorf("%d samples are stored, want the first alone", n)
	}
}

func TestABadInspectionIsToldInWords(t *testing.T) {
	t.Parallel()
	h := newUnitsShop(t)
	sampleKept(h, "SB-1", 2, 100)
	id := samplePlaced(h, "SB-1", 2)
	for _, row := range []struct {
		name, field, want string
		look              store.Inspection
	}{
		{"no result", "result", "Choose how it is.", store.Inspection{On: h.today}},
		{"spoiled without a word", "words", "Say how it is: look, smell, feel.", store.Inspection{On: h.today, Result: "spoiled", Words: " "}},
		{"words too long", "words", "At most 800 characters, please.", store.Inspection{On: h.today, Result: "as_made", Words: strings.Repeat("w", 801)}},
		{"more than there are", "units_used", "Only 2 units are left of it.", store.Inspection{On: h.today, Result: "as_made", Used: 3}},
		{"fewer than none", "units_used", "Write 0 or more.", store.Inspection{On: h.today, Result: "as_made", Used: -1}},
		{"tomorrow", "looked_on", "That day has not come yet.", store.Inspection{On: h.today.AddDays(1), Result: "as_made"}},
		{"before it was there", "looked_on", "It was put there only on " + h.today.AddDays(-50).Long() + ".", store.Inspection{On: h.today.AddDays(-51), Result: "as_made"}},
	} {
		t.Run(row.name, func(t *testing.T) {
			unitsSays(t, h.InspectSample(t.Context(), h.owner, store.Entry{}, id, row.look), row.field, row.want)
		})
	}
	if n := unitsAsk[int](h, `SELECT count(*) FROM sample_check`); n != 0 {
		t.Errorf("%d inspections were stored of those refused", n)
	}
}

func TestASpoiledSampleIsADeviationOfItsPackingThatGoesWithItsCorrection(t *testing.T) {
	t.Parallel()
	h := newUnitsShop(t)
	ctx := t.Context()
	sampleKept(h, "SB-1", 2, 100)
	id := samplePlaced(h, "SB-1", 2)
	if err := h.InspectSample(ctx, h.helper, store.Entry{}, id, store.Inspection{On: h.today, Result: "spoiled", Words: "Rancid", Used: 2}); err != nil {
		t.Fatal(err)
	}
	open, _, err := h.OpenDeviations(ctx, h.owner.Workshop, "", 50)
	if err != nil || len(open) != 1 || open[0].Kind != "sample" || open[0].Packing != "SB-1" || open[0].What != "Retained sample of SB-1 (Cupboard A) looked at on "+h.today.Long()+": spoiled. Rancid" {
		t.Fatalf("open deviations: %+v, %v", open, err)
	}
	page := samplePage(h, id)
	if check := page.Checks[0]; check.Deviation != open[0].N || !check.Open || page.EndedNote != "Used up by an inspection." || page.Left() != 0 {
		t.Errorf("the page says %+v", page)
	}
	// A mis-tap: it was changed, and one unit went back.
	err = h.CorrectInspection(ctx, h.helper, store.Entry{}, store.InspectionCorrection{Sample: id, Check: page.Checks[0].ID, Inspection: store.Inspection{On: h.today, Result: "as_made", Used: 1}, Reason: "mis-tap"})
	if err != nil {
		t.Fatal(err)
	}
	if open, _, err = h.OpenDeviations(ctx, h.owner.Workshop, "", 50); err != nil || len(open) != 0 {
		t.Errorf("still open: %+v, %v", open, err)
	}
	page = samplePage(h, id)
	if page.Left() != 1 || !page.EndedOn.IsZero() || len(page.Checks) != 2 || !page.Checks[0].Replaced || page.Checks[0].Why != "mis-tap" || page.Looked != "as_made" {
		t.Errorf("corrected: %+v", page)
	}
	again := store.InspectionCorrection{Sample: id, Check: page.Checks[0].ID, Withdraw: true, Reason: "again"}
	if err := h.CorrectInspection(ctx, h.owner, store.Entry{}, again); !fault.Is(err, fault.Conflict) {
		t.Errorf("the old one again: %v, want a conflict", err)
	}
	again.Check = page.Checks[1].ID
	if err := h.CorrectInspection(ctx, h.owner, store.Entry{}, again); err != nil {
		t.Fatal(err)
	}
	if page = samplePage(h, id); page.Left() != 2 || !page.LookedOn.IsZero() {
		t.Errorf("taken back: %+v", page.Sample)
	}
	h.stands()
}

func TestACorrectedSampleKeepsItsInspectionsAndItsOldAddress(t *testing.T) {
	t.Parallel()
	h := newUnitsShop(t)
	ctx := t.Context()
	sampleKept(h, "SB-1", 3, 100)
	old := samplePlaced(h, "SB-1", 2)
	if err := h.InspectSample(ctx, h.owner, store.Entry{}, old, store.Inspection{On: h.today, Result: "as_made", Used: 2}); err != nil {
		t.Fatal(err)
	}
	c := store.SampleCorrection{Sample: old, NewSample: store.NewSample{Units: 3, Place: "Cupboard B", TakenOn: h.today.AddDays(-50)}, Reason: "three, and in B"}
	id, err := h.CorrectSample(ctx, h.owner, store.Entry{}, c)
	if err != nil || id == old {
		t.Fatalf("corrected: %v, %v", id, err)
	}
	for _, address := range []store.SampleID{old, id} {
		page := samplePage(h, address)
		if page.ID != id || page.Place != "Cupboard B" || page.Left() != 1 || len(page.Checks) != 1 {
			t.Errorf("at %s: %+v", store.Text(address), page)
		}
		if len(page.Changes) == 0 || page.Changes[len(page.Changes)-1].Reason != "three, and in B" {
			t.Errorf("changes: %+v", page.Changes)
		}
	}
	if _, err := h.CorrectSample(ctx, h.owner, store.Entry{}, c); !fault.Is(err, fault.Conflict) {
		t.Errorf("from a page drawn before: %v, want a conflict", err)
	}
	for _, row := range []struct {
		name, field, want string
		change            func(*store.SampleCorrection)
	}{
		{"more than were kept back", "units", "The packing says 3 kept back. If more were, correct the packing first.", func(c *store.SampleCorrection) { c.Units = 4 }},
		{"fewer than were used", "units", "Inspections used up 2 of it: it cannot have been fewer.", func(c *store.SampleCorrection) { c.Units = 1 }},
		{"taken back with an inspection", "reason", "It was looked at: take its inspections back first.", func(c *store.SampleCorrection) { c.Withdraw = true }},
		{"without a reason", "reason", "Say why: the old value is kept beside the new one.", func(c *store.SampleCorrection) { c.Reason = "" }},
	} {
		t.Run(row.name, func(t *testing.T) {
			bad := c
			bad.Sample = id
			row.change(&bad)
			_, err := h.CorrectSample(ctx, h.owner, store.Entry{}, bad)
			unitsSays(t, err, row.field, row.want)
		})
	}
	_, err = h.CorrectSample(ctx, h.helper, store.Entry{}, store.SampleCorrection{Sample: id, NewSample: c.NewSample, Reason: "x"})
	if !fault.Is(err, fault.Forbidden) {
		t.Errorf("a helper corrects the owner's: %v, want forbidden", err)
	}
	h.stands()
}

func TestOfTwoWhoPlaceTheLastUnitsKeptBackOneIsTold(t *testing.T) {
	t.Parallel()
	h := newUnitsShop(t)
	sampleKept(h, "SB-1", 2, 100)
	errs := make([]error, 4)
	var all sync.WaitGroup
	for i := range errs {
		all.Go(func() {
			_, errs[i] = h.AddSample(t.Context(), h.owner, store.Entry{}, store.NewSample{Packing: "SB-1", Units: 2, Place: "Shelf", TakenOn: h.today})
		})
	}
	all.Wait()
	stored := 0
	for _, err := range errs {
		if err == nil {
			stored++
		} else if fault.As(err) == nil {
			t.Error(err)
		}
	}
	if stored != 1 {
		t.Errorf("%d samples were stored, want 1", stored)
	}
	list, err := h.PackingSamples(t.Context(), h.owner.Workshop, "SB-1")
	if err != nil || len(list) != 1 {
		t.Fatalf("samples: %+v, %v", list, err)
	}
	for i := range errs {
		all.Go(func() {
			errs[i] = h.InspectSample(t.Context(), h.owner, store.Entry{}, list[0].ID, store.Inspection{On: h.today, Result: "as_made", Used: 2})
		})
	}
	all.Wait()
	stored = 0
	for _, err := range errs {
		if err == nil {
			stored++
		} else if fault.As(err) == nil {
			t.Error(err)
		}
	}
	if page := samplePage(h, list[0].ID); stored != 1 || page.Used != 2 {
		t.Errorf("%d inspections used up %d of 2 units", stored, page.Used)
	}
}

func TestTheBookOfSamplesSaysWhatIsToBeDone(t *testing.T) {
	t.Parallel()
	h := newUnitsShop(t)
	ctx := t.Context()
	for _, p := range []struct {
		code           string
		kept, daysLeft int
	}{{"SB-1", 1, 100}, {"SB-2", 1, -2}, {"SB-3", 2, 100}, {"SB-4", 1, -400}, {"SB-5", 1, 100}} {
		sampleKept(h, p.code, p.kept, p.daysLeft)
	}
	put := func(code, place string, keep day.Day) store.SampleID {
		t.Helper()
		id, err := h.AddSample(ctx, h.owner, store.Entry{}, store.NewSample{Packing: code, Units: 1, Place: place, TakenOn: h.today.AddDays(-50), KeepUntil: keep})
		if err != nil {
			t.Fatal(err)
		}
		return id
	}
	put("SB-1", "b", h.today.AddDays(-1))
	put("SB-2", "A", h.today.AddDays(100))
	put("SB-3", "a", day.Day{})
	gone := put("SB-5", "a", h.today.AddDays(-5))
	if err := h.EndSample(ctx, h.owner, store.Entry{}, gone, h.today, "Used up"); err != nil {
		t.Fatal(err)
	}
	book, err := h.Samples(ctx, h.owner.Workshop, h.today, "")
	if err != nil {
		t.Fatal(err)
	}
	codes := func(list []store.Sample) (out []string) {
		for _, s := range list {
			out = append(out, s.Packing)
		}
		return out
	}
	// SB-4 waits for no place: what was kept of it would be kept no longer.
	got := [][]string{codes(book.Past), codes(book.Due), codes(book.Kept)}
	if diff := cmp.Diff([][]string{{"SB-1"}, {"SB-2"}, {"SB-2", "SB-3", "SB-1"}}, got); diff != "" {
		t.Error(diff)
	}
	if diff := cmp.Diff([]int{1, 1, 1, 3}, []int{book.AllPast, book.AllDue, book.AllUnplaced, book.AllKept}); diff != "" {
		t.Error(diff)
	}
	last, err := h.Samples(ctx, h.owner.Workshop, h.today, store.Text(book.Kept[1].ID))
	if diff := cmp.Diff([]string{"SB-1"}, codes(last.Kept)); diff != "" || err != nil || last.Next != "" {
		t.Errorf("behind the second: %s %v", diff, err)
	}
	if len(book.Unplaced) != 1 || book.Unplaced[0].Code != "SB-3" || book.Unplaced[0].Units != 1 {
		t.Errorf("without a place: %+v", book.Unplaced)
	}
	today, err := h.Today(ctx, h.owner.Workshop, h.today, 0)
	if err != nil || today.Samples != (store.SamplesWatch{Past: 1, Unplaced: 1}) {
		t.Errorf("to watch: %+v, %v", today.Samples, err)
	}
}

func TestAnotherWorkshopsSampleIsNotFound(t *testing.T) {
	t.Parallel()
	h := newUnitsShop(t)
	ctx := t.Context()
	sampleKept(h, "SB-1", 2, 100)
	id := samplePlaced(h, "SB-1", 1)
	h.elsewhere()
	other := h.owner
	other.Workshop = store.WorkshopID(unitsAsk[uuid.UUID](h, `SELECT id FROM workshop WHERE code = 'other'`))
	other.Person, other.Actor = store.PersonID{}, "system"
	_, read := h.Sample(ctx, other.Workshop, id)
	_, corrected := h.CorrectSample(ctx, other, store.Entry{}, store.SampleCorrection{Sample: id, Withdraw: true, Reason: "x"})
	_, added := h.AddSample(ctx, other, store.Entry{}, store.NewSample{Packing: "SB-1", Units: 1, Place: "x", TakenOn: h.today})
	for name, err := range map[string]error{"read": read, "corrected": corrected, "added": added, "ended": h.EndSample(ctx, other, store.Entry{}, id, h.today, "x"),
		"looked at": h.InspectSample(ctx, other, store.Entry{}, id, store.Inspection{On: h.today, Result: "as_made"})} {
		if !fault.Is(err, fault.NotFound) {
			t.Errorf("%s by another workshop: %v, want not found", name, err)
		}
	}
}

func TestASampleSentTwiceIsStoredOnce(t *testing.T) {
	t.Parallel()
	h := newUnitsShop(t)
	sampleKept(h, "SB-1", 2, 100)
	entry := store.Entry{Key: uuid.New()}
	n := store.NewSample{Packing: "SB-1", Units: 1, Place: "Shelf", TakenOn: h.today}
	first, err := h.AddSample(t.Context(), h.owner, entry, n)
	again, errAgain := h.AddSample(t.Context(), h.owner, entry, n)
	if err != nil || errAgain != nil || first != again {
		t.Errorf("first %v %v, again %v %v", first, err, again, errAgain)
	}
	if n := unitsAsk[int](h, `SELECT count(*) FROM sample`); n != 1 {
		t.Errorf("%d samples", n)
	}
}
