package store

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"

	"example.org/stillroom/internal/day"
	"example.org/stillroom/internal/fault"
)

// How long a sample is kept where nobody says otherwise, and how often it is looked at. Common practice, no source: an
// assessor or the law of the place may ask otherwise, and each sample's own date counts.
const (
	keepPastDate   = 12 // months behind the best-before
	keepWithout    = 36 // months from packing, where there is no best-before
	lookEachMonths = 12
)

// KeepUntil is the day that is offered to keep samples of the packing until.
func (p Packing) KeepUntil() day.Day {
	if p.BestBefore.IsZero() {
		return p.PackedOn.AddMonths(keepWithout)
	}
	return p.BestBefore.AddMonths(keepPastDate)
}

// Sample is units kept back from a packing, in one place.
type Sample struct {
	ID          SampleID
	Packing     string // code
	ProductCode string
	ProductName string
	BestBefore  day.Day
	Printed     string
	Units       int // put there
	Used        int // used up by inspections
	Place       string
	TakenOn     day.Day
	KeepUntil   day.Day // zero: no end
	Note        string
	EndedOn     day.Day // zero: it is still there
	EndedNote   string
	LookedOn    day.Day // last inspection; zero: never
	Looked      string  // how it was then: as_made, changed, spoiled
	Withdrawn   bool    // it never was there
}

// Left is how many units are still there.
func (s Sample) Left() int {
	if !s.EndedOn.IsZero() || s.Withdrawn {
		return 0
	}
	return s.Units - s.Used
}

// Past tells whether it was to be kept until a day before today and is still there.
func (s Sample) Past(today day.Day) bool {
	return s.Left() > 0 && !s.KeepUntil.IsZero() && s.KeepUntil.Before(today)
}

// Due says in words why it is to be looked at, empty where it is not: its best-before has passed since it was last
// looked at, or that was more than twelve months ago.
func (s Sample) Due(today day.Day) string {
	if s.Left() == 0 || s.Past(today) {
		return ""
	}
	last := s.LookedOn
	if last.IsZero() {
		last = s.TakenOn
	}
	switch {
	case !s.BestBefore.IsZero() && s.BestBefore.Before(today) && !s.BestBefore.Before(last):
		return "Best before has passed."
	case last.AddMonths(lookEachMonths).Before(today) && s.LookedOn.IsZero():
		return "Not looked at for a year."
	case last.AddMonths(lookEachMonths).Before(today):
		return "Last looked at more than a year ago."
	}
	return ""
}

// SampleCheck is a sample looked at again.
type SampleCheck struct {
	ID       SampleCheckID
	On       day.Day
	Result   string // as_made, changed, spoiled
	Words    string
	Used     int
	By       string
	At       time.Time
	Replaced bool
	Why      string // it was replaced
	// Deviation is the number of what it raised, 0 where it raised none; Open tells whether that waits for a decision.
	Deviation int
	Open      bool
}

// SamplePage is a sample with its inspections, those corrected included, and what was changed.
type SamplePage struct {
	Sample
	Made
	Checks  []SampleCheck
	Changes []RowChange
}

// sampleRows are the samples that stand, or were withdrawn, with their inspections summed. An inspection belongs to the
// row that stood when it was made: a correction of the sample carries it on. where begins with AND and may name s
// (sample), p (packing) and r (product).
const sampleRows = `WITH RECURSIVE line (id, now) AS (
		SELECT s.id, s.id FROM sample s WHERE s.workshop_id = $1 AND (s.replaced_by IS NULL OR s.replaced_by = s.id)
		UNION ALL SELECT o.id, l.now FROM line l JOIN sample o ON o.workshop_id = $1 AND o.replaced_by = l.id AND o.id <> l.id),
	looks AS (SELECT l.now AS id, sum(k.units_used)::int AS used, max(k.looked_on) AS looked_on, (array_agg(k.result ORDER BY k.looked_on DESC, k.id DESC))[1] AS result
		FROM line l JOIN sample_check k ON k.workshop_id = $1 AND k.sample_id = l.id AND k.replaced_by IS NULL GROUP BY l.now)
	SELECT s.id, p.code, r.code, r.name, p.best_before, p.printed, s.units, coalesce(k.used, 0), s.place, s.taken_on, s.keep_until, s.note, s.ended_on, coalesce(s.ended_note, ''),
		k.looked_on, coalesce(k.result, ''), s.replaced_by IS NOT NULL
	FROM sample s JOIN packing p ON p.workshop_id = $1 AND p.id = s.packing_id JOIN product r ON r.workshop_id = $1 AND r.id = p.product_id LEFT JOIN looks k ON k.id = s.id
	WHERE s.workshop_id = $1 AND (s.replaced_by IS NULL OR s.replaced_by = s.id) `

func querySamples(ctx context.Context, t pgx.Tx, where string, args ...any) ([]Sample, error) {
	rows, err := t.Query(ctx, sampleRows+where, args...)
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, pgx.RowToStructByPos[Sample])
}

// standingSample is the id that a sample has now: a correction gives it another.
func standingSample(ctx context.Context, t pgx.Tx, workshop WorkshopID, id SampleID) (SampleID, error) {
	err := t.QueryRow(ctx, `WITH RECURSIVE line (id, replaced_by) AS (
			SELECT s.id, s.replaced_by FROM sample s WHERE s.workshop_id = $1 AND s.id = $2
			UNION SELECT s.id, s.replaced_by FROM line l JOIN sample s ON s.workshop_id = $1 AND s.id = l.replaced_by)
		SELECT id FROM line WHERE replaced_by IS NULL OR replaced_by = id`, workshop, id).Scan(&id)
	return id, notFound(err, "There is no such sample.")
}

func sampleByID(ctx context.Context, t pgx.Tx, workshop WorkshopID, id SampleID) (Sample, error) {
	list, err := querySamples(ctx, t, `AND s.id = $2`, workshop, id)
	if err == nil && len(list) == 0 {
		err = fault.New(fault.NotFound, "There is no such sample.")
	}
	if err != nil {
		return Sample{}, err
	}
	return list[0], nil
}

// Sample reads one retained sample by the id that it has or had before a correction.
func (s *Store) Sample(ctx context.Context, workshop WorkshopID, id SampleID) (SamplePage, error) {
	var page SamplePage
	err := s.read(ctx, workshop, func(t pgx.Tx) (err error) {
		if id, err = standingSample(ctx, t, workshop, id); err != nil {
			return err
		}
		if page.Sample, err = sampleByID(ctx, t, workshop, id); err != nil {
			return err
		}
		if err := t.QueryRow(ctx, `SELECT coalesce(p.name, c.actor), c.at FROM sample e`+madeBy+`WHERE e.workshop_id = $1 AND e.id = $2`, workshop, id).Scan(&page.By, &page.At); err != nil {
			return err
		}
		if page.Checks, err = sampleChecks(ctx, t, workshop, id); err != nil {
			return err
		}
		page.Changes, err = history(ctx, t, workshop, "sample", id)
		return err
	})
	if err != nil {
		return SamplePage{}, fmt.Errorf("store: sample: %w", err)
	}
	return page, nil
}

func sampleChecks(ctx context.Context, t pgx.Tx, workshop WorkshopID, sample SampleID) ([]SampleCheck, error) {
	rows, err := t.Query(ctx, `WITH RECURSIVE line (id) AS (
			SELECT $2::uuid UNION SELECT o.id FROM line l JOIN sample o ON o.workshop_id = $1 AND o.replaced_by = l.id)
		SELECT e.id, e.looked_on, e.result, e.words, e.units_used, coalesce(p.name, c.actor), c.at, e.replaced_by IS NOT NULL, coalesce(z.reason, ''), coalesce(d.n, 0), d.n IS NOT NULL AND d.decision IS NULL
		FROM line l JOIN sample_check e ON e.workshop_id = $1 AND e.sample_id = l.id JOIN change c ON c.workshop_id = $1 AND c.id = e.change_id LEFT JOIN person p ON p.workshop_id = $1 AND p.id = c.person_id
		LEFT JOIN deviation d ON d.workshop_id = $1 AND d.about_id = e.id AND d.withdrawn_at IS NULL
		LEFT JOIN LATERAL (`+lastChange(`'sample_check'`, `e.id`)+`) z ON e.replaced_by IS NOT NULL ORDER BY e.looked_on, e.id`, workshop, sample)
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, pgx.RowToStructByPos[SampleCheck])
}

// PackingSamples are the samples of one packing, those that ended included.
func (s *Store) PackingSamples(ctx context.Context, workshop WorkshopID, packing string) ([]Sample, error) {
	var list []Sample
	err := s.read(ctx, workshop, func(t pgx.Tx) (err error) {
		list, err = querySamples(ctx, t, `AND s.replaced_by IS NULL AND p.code_key = $2 ORDER BY s.taken_on, s.id`, workshop, foldBatch(packing))
		return err
	})
	if err != nil {
		return nil, fmt.Errorf("store: samples of %q: %w", packing, err)
	}
	return list, nil
}

// Unplaced is a packing with units kept back that the book has no place for.
type Unplaced struct {
	Packing
	Units int // without a place
}

// SampleBook is what is to be done about retained samples, the first of each list with how many there are in all, and a
// page of those that are still there.
type SampleBook struct {
	Past        []Sample // to be kept no longer, the longest past first
	AllPast     int
	Due         []Sample // to be looked at, by place
	AllDue      int
	Unplaced    []Unplaced // the longest packed first
	AllUnplaced int
	Kept        []Sample // by place, then the one to be kept the shortest first
	AllKept     int
	Next        string // id of the sample that the next page of Kept begins behind, empty for none
}

const (
	samplesAPage = 100
	// samplesToDo is how many each list of what is to be done shows.
	samplesToDo = 30
)

// keptNow are the samples that are still there. isPast and isDue say in SQL what Past and Due say of them; $2 is today.
const (
	keptNow = `AND s.replaced_by IS NULL AND s.ended_on IS NULL `
	isPast  = `AND s.units > coalesce(k.used, 0) AND s.keep_until < $2 `
	isDue   = `AND s.units > coalesce(k.used, 0) AND (s.keep_until >= $2) IS NOT FALSE
		AND (p.best_before < $2 AND p.best_before >= coalesce(k.looked_on, s.taken_on) OR coalesce(k.looked_on, s.taken_on) + interval '12 months' < $2) `
	byPlace = `lower(s.place), coalesce(s.keep_until, 'infinity'), p.code, s.id`
)

// Samples reads the book of retained samples as it stands on a day, with the page of them that begins behind the sample
// of an id.
func (s *Store) Samples(ctx context.Context, workshop WorkshopID, today day.Day, after string) (SampleBook, error) {
	var book SampleBook
	err := s.read(ctx, workshop, func(t pgx.Tx) (err error) {
		if err := t.QueryRow(ctx, `SELECT count(*) FROM sample s WHERE s.workshop_id = $1 `+keptNow, workshop).Scan(&book.AllKept); err != nil {
			return err
		}
		if book.Past, book.AllPast, err = samplesToDoOf(ctx, t, isPast, `s.keep_until, `+byPlace, workshop, today); err != nil {
			return err
		}
		if book.Due, book.AllDue, err = samplesToDoOf(ctx, t, isDue, byPlace, workshop, today); err != nil {
			return err
		}
		var behind *SampleID
		if id, err := ParseID[SampleID](after); err == nil {
			behind = &id
		}
		if book.Kept, err = querySamples(ctx, t, keptNow+`AND coalesce((`+byPlace+`) > (SELECT `+byPlace+` FROM sample s JOIN packing p ON p.workshop_id = $1 AND p.id = s.packing_id WHERE s.workshop_id = $1 AND s.id = $2), true)
			ORDER BY `+byPlace+` LIMIT $3`, workshop, behind, samplesAPage+1); err != nil {
			return err
		}
		book.Kept, book.Next = cut(book.Kept, samplesAPage, func(k Sample) string { return Text(k.ID) })
		if book.AllUnplaced, err = countUnplaced(ctx, t, workshop, today); err != nil {
			return err
		}
		book.Unplaced, err = unplaced(ctx, t, workshop, today, samplesToDo)
		return err
	})
	if err != nil {
		return SampleBook{}, fmt.Errorf("store: samples: %w", err)
	}
	return book, nil
}

// samplesToDoOf are the first samples that something is to be done about, and how many there are.
func samplesToDoOf(ctx context.Context, t pgx.Tx, which, order string, workshop WorkshopID, today day.Day) (list []Sample, all int, err error) {
	if err := t.QueryRow(ctx, `SELECT count(*) FROM (`+sampleRows+keptNow+which+`) x`, workshop, today).Scan(&all); err != nil {
		return nil, 0, err
	}
	list, err = querySamples(ctx, t, keptNow+which+`ORDER BY `+order+` LIMIT $3`, workshop, today, samplesToDo)
	return list, all, err
}

// SamplePlaces are the places where samples lie now: what a form suggests.
func (s *Store) SamplePlaces(ctx context.Context, workshop WorkshopID) ([]string, error) {
	var list []string
	err := s.read(ctx, workshop, func(t pgx.Tx) error {
		rows, err := t.Query(ctx, `SELECT place FROM sample s WHERE s.workshop_id = $1 `+keptNow+`GROUP BY place ORDER BY lower(place), place LIMIT 200`, workshop)
		if err == nil {
			list, err = pgx.CollectRows(rows, pgx.RowTo[string])
		}
		return err
	})
	if err != nil {
		return nil, fmt.Errorf("store: places of samples: %w", err)
	}
	return list, nil
}

// placedOf is a subquery for how many units of the packing p have a place, or had one.
const placedOf = `coalesce((SELECT sum(s.units) FROM sample s WHERE s.workshop_id = $1 AND s.packing_id = p.id AND s.replaced_by IS NULL), 0)::int`

// unplacedNow are the packings with units kept back and no place for them, as long as a sample of them would be kept: what
// KeepUntil says. $2 is today.
var unplacedNow = fmt.Sprintf(`WHERE p.workshop_id = $1 AND p.units_retained > 0 AND coalesce(p.best_before + interval '%d months', p.packed_on + interval '%d months') >= $2 AND p.units_retained > `+placedOf, keepPastDate, keepWithout)

func countUnplaced(ctx context.Context, t pgx.Tx, workshop WorkshopID, today day.Day) (n int, err error) {
	err = t.QueryRow(ctx, `SELECT count(*) FROM packing p `+unplacedNow, workshop, today).Scan(&n)
	return n, err
}

// unplaced lists the first of them, the longest packed first.
func unplaced(ctx context.Context, t pgx.Tx, workshop WorkshopID, today day.Day, most int) ([]Unplaced, error) {
	packings, err := queryPackings(ctx, t, `WHERE p.workshop_id = $1 AND p.id = ANY (ARRAY (SELECT p.id FROM packing p `+unplacedNow+` ORDER BY p.packed_on, p.code LIMIT $3)) ORDER BY p.packed_on, p.code`, workshop, today, most)
	if err != nil {
		return nil, err
	}
	ids := make([]PackingID, len(packings))
	for i, p := range packings {
		ids[i] = p.ID
	}
	placed, err := placedUnits(ctx, t, workshop, ids)
	var list []Unplaced
	for _, p := range packings {
		list = append(list, Unplaced{p, p.UnitsRetained - placed[p.ID]})
	}
	return list, err
}

func placedUnits(ctx context.Context, t pgx.Tx, workshop WorkshopID, packings []PackingID) (map[PackingID]int, error) {
	rows, err := t.Query(ctx, `SELECT packing_id, sum(units)::int FROM sample WHERE workshop_id = $1 AND packing_id = ANY ($2::uuid[]) AND replaced_by IS NULL GROUP BY packing_id`, workshop, packings)
	if err != nil {
		return nil, err
	}
	placed := map[PackingID]int{}
	var id PackingID
	var units int
	_, err = pgx.ForEachRow(rows, []any{&id, &units}, func() error {
		placed[id] = units
		return nil
	})
	return placed, err
}

// NewSample is units kept back from a packing, put in a place.
type NewSample struct {
	Packing   string // code
	Units     int    // of those kept back at packing, never of those for sale
	Place     string
	TakenOn   day.Day
	KeepUntil day.Day // zero: no end
	Note      string
}

func (n NewSample) check(f *fault.Fields, p Packing, t *tx) {
	switch {
	case strings.TrimSpace(n.Place) == "":
		f.Add("place", "Where do they lie?")
	default:
		checkLength(f, "place", n.Place, 80)
	}
	checkHappened(f, "taken_on", n.TakenOn, t.today, "When were they put there?")
	if n.TakenOn.Before(p.PackedOn) && !n.TakenOn.IsZero() {
		f.Add("taken_on", "They were packed only on "+t.workshop.Style.Day(p.PackedOn)+".")
	}
	if !n.KeepUntil.IsZero() && n.KeepUntil.Before(n.TakenOn) {
		f.Add("keep_until", "That is before they were put there.")
	}
	checkWords(f, "note", n.Note)
}

// room notes a fault where so many units were not kept back, or have a place already. placed is without the sample
// itself.
func (n NewSample) room(f *fault.Fields, p Packing, placed int) {
	switch left := p.UnitsRetained - placed; {
	case n.Units < 1 || n.Units > mostUnits:
		f.Add("units", "How many? At least 1.")
	case n.Units <= left:
	case placed == 0:
		f.Add("units", fmt.Sprintf("The packing says %d kept back. If more were, correct the packing first.", p.UnitsRetained))
	default:
		f.Add("units", fmt.Sprintf("The packing says %d kept back, and %d of them have a place: %d more. If more were kept back, correct the packing first.", p.UnitsRetained, placed, max(left, 0)))
	}
}

// samplesPlaced is how many units kept back from a packing have a place, or had one: what it may not be corrected below.
func (t *tx) samplesPlaced(ctx context.Context, packing PackingID) (int, error) {
	var placed int
	err := t.QueryRow(ctx, `SELECT coalesce(sum(units), 0)::int FROM sample WHERE workshop_id = $1 AND packing_id = $2 AND replaced_by IS NULL`, t.who.Workshop, packing).Scan(&placed)
	return placed, err
}

// AddSample says where units kept back lie and until when they are kept, and answers the sample's id. Faults: units,
// place, taken_on, keep_until, note.
func (s *Store) AddSample(ctx context.Context, who Who, entry Entry, n NewSample) (SampleID, error) {
	said, err := s.write(ctx, who, create, "", entry, func(t *tx) error {
		p, err := t.lockPacking(ctx, n.Packing)
		if err != nil {
			return err
		}
		placed, err := t.samplesPlaced(ctx, p.ID)
		if err != nil {
			return err
		}
		var f fault.Fields
		n.room(&f, p, placed)
		n.check(&f, p, t)
		if err := f.Err(); err != nil {
			return err
		}
		return t.insertSample(ctx, newID[SampleID](), p.ID, n, Sample{})
	})
	if err != nil {
		return SampleID{}, fmt.Errorf("store: add sample of %q: %w", n.Packing, err)
	}
	return ParseID[SampleID](said)
}

// insertSample writes a sample of a locked packing; end is how the one that it replaces ended.
func (t *tx) insertSample(ctx context.Context, id SampleID, packing PackingID, n NewSample, end Sample) error {
	var endedNote *string
	if !end.EndedOn.IsZero() {
		endedNote = &end.EndedNote
	}
	t.result = Text(id)
	_, err := t.Exec(ctx, `INSERT INTO sample (workshop_id, id, packing_id, units, place, taken_on, keep_until, note, ended_on, ended_note, change_id) VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11)`,
		t.who.Workshop, id, packing, n.Units, strings.TrimSpace(n.Place), n.TakenOn, n.KeepUntil, n.Note, end.EndedOn, endedNote, t.change)
	return err
}

// lockSample locks the packing of a sample, so that its units are counted by one at a time, and reads it then. A sample
// that was corrected since the id was shown is a conflict.
func (t *tx) lockSample(ctx context.Context, id SampleID) (Sample, Packing, error) {
	var code string
	if err := t.QueryRow(ctx, `SELECT p.code FROM sample s JOIN packing p ON p.workshop_id = s.workshop_id AND p.id = s.packing_id WHERE s.workshop_id = $1 AND s.id = $2`, t.who.Workshop, id).Scan(&code); err != nil {
		return Sample{}, Packing{}, notFound(err, "There is no such sample.")
	}
	p, err := t.lockPacking(ctx, code)
	if err != nil {
		return Sample{}, p, err
	}
	now, err := standingSample(ctx, t, t.who.Workshop, id)
	if err != nil {
		return Sample{}, p, err
	}
	s, err := sampleByID(ctx, t, t.who.Workshop, now)
	switch {
	case err != nil:
		return s, p, err
	case s.Withdrawn:
		return s, p, fault.New(fault.Conflict, "This sample has been taken back: it never was there.")
	case now != id:
		return s, p, fault.New(fault.Conflict, "This sample was corrected meanwhile. Look at what is in the book now; sending it again puts yours in its place.")
	}
	return s, p, nil
}

// SampleCorrection is a sample as it should have been written down.
type SampleCorrection struct {
	Sample SampleID // as it was shown; one corrected since is a conflict
	NewSample
	// StillThere takes back that it ended. Withdraw takes the sample itself back: it never was there.
	StillThere bool
	Withdraw   bool
	Reason     string
}

// CorrectSample replaces a sample; the old row stays. It answers the id that the sample has from now on. A helper may
// correct what they entered themselves today. Faults: as AddSample, and reason.
func (s *Store) CorrectSample(ctx context.Context, who Who, entry Entry, c SampleCorrection) (SampleID, error) {
	said, err := s.write(ctx, who, correct, c.Reason, entry, func(t *tx) error {
		old, p, err := t.lockSample(ctx, c.Sample)
		if err != nil {
			return err
		}
		if err := t.mayCorrectEntry(ctx, `sample`, old.ID); err != nil {
			return err
		}
		id := newID[SampleID]()
		if c.Withdraw {
			id = old.ID
		}
		if err := c.replaces(ctx, t, old, p); err != nil {
			return err
		}
		if _, err := t.Exec(ctx, `UPDATE sample SET replaced_by = $3 WHERE workshop_id = $1 AND id = $2`, who.Workshop, old.ID, id); err != nil {
			return err
		}
		t.result = Text(id)
		if c.Withdraw {
			return nil
		}
		if c.StillThere {
			old.EndedOn, old.EndedNote = day.Day{}, ""
		}
		if err := t.insertSample(ctx, id, p.ID, c.NewSample, old); err != nil {
			return err
		}
		return t.endUsedUp(ctx, id)
	})
	if err != nil {
		return SampleID{}, fmt.Errorf("store: correct sample: %w", err)
	}
	return ParseID[SampleID](said)
}

// replaces checks a correction against the sample that it replaces.
func (c SampleCorrection) replaces(ctx context.Context, t *tx, old Sample, p Packing) error {
	var f fault.Fields
	checkWords(&f, "reason", c.Reason)
	switch {
	case c.Withdraw && !old.LookedOn.IsZero():
		f.Add("reason", "It was looked at: take its inspections back first.")
	case !c.Withdraw:
		placed, err := t.samplesPlaced(ctx, p.ID)
		if err != nil {
			return err
		}
		c.room(&f, p, placed-old.Units)
		c.check(&f, p, t)
		if c.Units >= 1 && c.Units < old.Used {
			f.Add("units", fmt.Sprintf("Inspections used up %d of it: it cannot have been fewer.", old.Used))
		}
		if c.StillThere && c.Units == old.Used {
			f.Add("units", fmt.Sprintf("Inspections used up all %d: there is nothing left.", old.Used))
		}
	}
	return f.Err()
}

// mayCorrectEntry asks mayCorrect of a row of one of our tables.
func (t *tx) mayCorrectEntry(ctx context.Context, table string, id [16]byte) error {
	var by *PersonID
	var at time.Time
	if err := t.QueryRow(ctx, `SELECT c.person_id, c.at FROM `+table+` e JOIN change c ON c.workshop_id = e.workshop_id AND c.id = e.change_id WHERE e.workshop_id = $1 AND e.id = $2`, t.who.Workshop, id).Scan(&by, &at); err != nil {
		return err
	}
	return t.mayCorrect(by, at)
}

// EndSample notes that what was left of a sample is gone: thrown away, used up, given to a laboratory. Faults: ended_on,
// ended_note.
func (s *Store) EndSample(ctx context.Context, who Who, entry Entry, id SampleID, on day.Day, words string) error {
	_, err := s.write(ctx, who, progress, "", entry, func(t *tx) error {
		sample, _, err := t.lockSample(ctx, id)
		if err != nil {
			return err
		}
		if !sample.EndedOn.IsZero() {
			return fault.New(fault.Conflict, "This sample has ended already: "+sample.EndedNote)
		}
		var f fault.Fields
		checkHappened(&f, "ended_on", on, t.today, "On which day?")
		if on.Before(sample.TakenOn) && !on.IsZero() {
			f.Add("ended_on", "They were put there only on "+t.workshop.Style.Day(sample.TakenOn)+".")
		}
		if strings.TrimSpace(words) == "" {
			f.Add("ended_note", "Say what became of it.")
		}
		checkWords(&f, "ended_note", words)
		if err := f.Err(); err != nil {
			return err
		}
		t.result = Text(id)
		_, err = t.Exec(ctx, `UPDATE sample SET ended_on = $3, ended_note = $4 WHERE workshop_id = $1 AND id = $2`, who.Workshop, id, on, strings.TrimSpace(words))
		return err
	})
	if err != nil {
		return fmt.Errorf("store: end sample: %w", err)
	}
	return nil
}

// Inspection is a sample looked at again.
type Inspection struct {
	On     day.Day
	Result string // as_made, changed, spoiled
	Words  string // needed unless it is as it was made: how it is
	Used   int    // units that it used up
}

// mostLookedWords leaves room in a deviation for what stands around the words of an inspection.
const mostLookedWords = 800

func (n Inspection) check(f *fault.Fields, s Sample, left int, t *tx) {
	checkHappened(f, "looked_on", n.On, t.today, "When was it looked at?")
	if n.On.Before(s.TakenOn) && !n.On.IsZero() {
		f.Add("looked_on", "It was put there only on "+t.workshop.Style.Day(s.TakenOn)+".")
	}
	switch n.Result {
	case "as_made":
	case "changed", "spoiled":
		if strings.TrimSpace(n.Words) == "" {
			f.Add("words", "Say how it is: look, smell, feel.")
		}
	default:
		f.Add("result", "Choose how it is.")
	}
	checkLength(f, "words", n.Words, mostLookedWords)
	if n.Used < 0 {
		f.Add("units_used", "Write 0 or more.")
	} else if n.Used > left {
		f.Add("units_used", fmt.Sprintf("Only %s left of it.", plural(left, "unit is", "units are")))
	}
}

// InspectSample records that a sample was looked at. Changed or spoiled raises a deviation on its packing; a sample that
// it used up has ended with it. Faults: looked_on, result, words, units_used.
func (s *Store) InspectSample(ctx context.Context, who Who, entry Entry, id SampleID, n Inspection) error {
	_, err := s.write(ctx, who, create, "", entry, func(t *tx) error {
		sample, p, err := t.lockSample(ctx, id)
		if err != nil {
			return err
		}
		if !sample.EndedOn.IsZero() {
			return fault.New(fault.Conflict, "Nothing is left of this sample: "+sample.EndedNote)
		}
		var f fault.Fields
		n.check(&f, sample, sample.Left(), t)
		if err := f.Err(); err != nil {
			return err
		}
		t.result = Text(id)
		return t.inspect(ctx, newID[SampleCheckID](), sample, p, n)
	})
	if err != nil {
		return fmt.Errorf("store: inspect sample: %w", err)
	}
	return nil
}

// usedUp is what a sample's end says that came with its last inspection; a correction of that one takes it back.
const usedUp = "Used up by an inspection."

// inspect writes an inspection of a sample of a locked packing, with what follows from it.
func (t *tx) inspect(ctx context.Context, id SampleCheckID, s Sample, p Packing, n Inspection) error {
	if _, err := t.Exec(ctx, `INSERT INTO sample_check (workshop_id, id, sample_id, looked_on, result, words, units_used, change_id) VALUES ($1, $2, $3, $4, $5, $6, $7, $8)`,
		t.who.Workshop, id, s.ID, n.On, n.Result, strings.TrimSpace(n.Words), n.Used, t.change); err != nil {
		return err
	}
	if err := t.endUsedUp(ctx, s.ID); err != nil || n.Result == "as_made" {
		return err
	}
	return t.deviate(ctx, deviant{Kind: "sample", Packing: &p.ID, About: id,
		What: fmt.Sprintf("Retained sample of %s (%s) looked at on %s: %s. %s", p.Code, s.Place, t.workshop.Style.Day(n.On), n.Result, strings.TrimSpace(n.Words))})
}

// endUsedUp ends a sample of which its inspections left nothing, and takes that end back where they did after all.
func (t *tx) endUsedUp(ctx context.Context, id SampleID) error {
	s, err := sampleByID(ctx, t, t.who.Workshop, id)
	if err != nil {
		return err
	}
	switch {
	case s.Used >= s.Units && s.EndedOn.IsZero():
		_, err = t.Exec(ctx, `UPDATE sample SET ended_on = $3, ended_note = $4 WHERE workshop_id = $1 AND id = $2`, t.who.Workshop, id, s.LookedOn, usedUp)
	case s.Used < s.Units && s.EndedNote == usedUp:
		_, err = t.Exec(ctx, `UPDATE sample SET ended_on = NULL, ended_note = NULL WHERE workshop_id = $1 AND id = $2`, t.who.Workshop, id)
	}
	return err
}

// InspectionCorrection is an inspection as it should have been written down, or none at all.
type InspectionCorrection struct {
	Sample SampleID
	Check  SampleCheckID
	Inspection
	Withdraw bool
	Reason   string
}

// CorrectInspection replaces an inspection, or withdraws it; the old one stays, and what it raised and nobody decided is
// withdrawn with it. A helper may correct what they entered themselves today. Faults: as InspectSample, and reason.
func (s *Store) CorrectInspection(ctx context.Context, who Who, entry Entry, c InspectionCorrection) error {
	_, err := s.write(ctx, who, correct, c.Reason, entry, func(t *tx) error {
		sample, p, err := t.lockSample(ctx, c.Sample)
		if err != nil {
			return err
		}
		used, err := t.standingCheck(ctx, sample.ID, c.Check)
		if err != nil {
			return err
		}
		if err := t.mayCorrectEntry(ctx, `sample_check`, c.Check); err != nil {
			return err
		}
		var f fault.Fields
		checkWords(&f, "reason", c.Reason)
		if !c.Withdraw {
			c.check(&f, sample, sample.Units-sample.Used+used, t)
		}
		if err := f.Err(); err != nil {
			return err
		}
		by := newID[SampleCheckID]()
		if c.Withdraw {
			by = c.Check
		}
		if _, err := t.Exec(ctx, `UPDATE sample_check SET replaced_by = $3 WHERE workshop_id = $1 AND id = $2`, who.Workshop, c.Check, by); err != nil {
			return err
		}
		if err := t.withdrawDeviations(ctx, c.Check); err != nil {
			return err
		}
		t.result = Text(sample.ID)
		if c.Withdraw {
			return t.endUsedUp(ctx, sample.ID)
		}
		return t.inspect(ctx, by, sample, p, c.Inspection)
	})
	if err != nil {
		return fmt.Errorf("store: correct inspection: %w", err)
	}
	return nil
}

// standingCheck is how many units an inspection used up that stands and is of the sample, as it is or was before a
// correction of the sample.
func (t *tx) standingCheck(ctx context.Context, sample SampleID, check SampleCheckID) (used int, err error) {
	err = t.QueryRow(ctx, `WITH RECURSIVE line (id) AS (
			SELECT $2::uuid UNION SELECT o.id FROM line l JOIN sample o ON o.workshop_id = $1 AND o.replaced_by = l.id)
		SELECT k.units_used FROM line l JOIN sample_check k ON k.workshop_id = $1 AND k.sample_id = l.id WHERE k.id = $3 AND k.replaced_by IS NULL`, t.who.Workshop, sample, check).Scan(&used)
	if errors.Is(err, pgx.ErrNoRows) {
		return 0, fault.New(fault.Conflict, "This inspection has been corrected or taken back meanwhile. Open the sample anew.")
	}
	return used, err
}

// SamplesWatch counts what the first page says of samples.
type SamplesWatch struct {
	Past     int // to be kept no longer
	Unplaced int // packings with units kept back that have no place
}

// samplesToWatch counts what waits of the retained samples.
func samplesToWatch(ctx context.Context, t pgx.Tx, workshop WorkshopID, today day.Day) (w SamplesWatch, err error) {
	err = together(ctx, t, func(t pgx.Tx) error {
		return t.QueryRow(ctx, `SELECT count(*) FROM sample WHERE workshop_id = $1 AND keep_until < $2 AND ended_on IS NULL AND replaced_by IS NULL`, workshop, today).Scan(&w.Past)
	}, func(t pgx.Tx) (err error) {
		w.Unplaced, err = countUnplaced(ctx, t, workshop, today)
		return err
	})
	return w, err
}
