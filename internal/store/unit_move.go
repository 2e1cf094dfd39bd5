package store

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"

	"example.org/stillroom/internal/day"
	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/measure"
)

// UnitMove is units leaving without a dispatch, or a shelf that was counted.
type UnitMove struct {
	Packing string // code
	On      day.Day
	Reason  string // tester, broken, gift, own_use: they leave; count: the shelf was counted
	Units   int    // how many leave; for a count, how many are there now
	Note    string // needed for a count that is off: why
	// Seen is what the book held when the form was drawn. A count made against another number is asked again: whoever
	// counted may have counted units that have been sent meanwhile.
	Seen *int
	// Hold is the hold that they are taken from, which keeps so many fewer then; zero for units that were free.
	Hold HoldID
	// Really answers the question at `really`: units that may not leave have left all the same. Note says how it came
	// about.
	Really bool
}

// MoveUnits books the move and answers its code. The ledger never goes below zero: more than the book holds is told, and
// the shelf counted first. Units that may not leave (unreleased, rejected, out of date, on hold) and went as tester, gift
// or own use are asked about once, then kept with a deviation; broken ones are not asked about, whatever their state.
// Faults: moved_on, reason, units, note, hold, really.
func (s *Store) MoveUnits(ctx context.Context, who Who, entry Entry, m UnitMove) (string, error) {
	code, err := s.write(ctx, who, create, "", entry, func(t *tx) error {
		p, err := t.lockPacking(ctx, m.Packing)
		if err != nil {
			return err
		}
		if m.On.IsZero() {
			m.On = t.today
		}
		units, err := m.signed(t.workshop.Style, p, t.today)
		if err != nil {
			return err
		}
		from, err := t.holdToTake(ctx, p, m)
		if err != nil {
			return err
		}
		outside := m.outside(t.workshop.Style, p)
		if err := m.ask(outside); err != nil {
			return err
		}
		id, code, err := t.insertMove(ctx, p.ID, m.On, units, m.Reason, false, m.Note)
		if err != nil {
			return err
		}
		t.result = code
		if from != nil {
			if err := t.shrinkHold(ctx, p.ID, *from, m.Units, "Taken out as "+m.word()+" in "+code+"."); err != nil {
				return err
			}
		}
		if len(outside) == 0 {
			return nil
		}
		return t.deviate(ctx, deviant{Kind: "dispatch", Packing: &p.ID, About: id, Reason: m.Note,
			What: fmt.Sprintf("%s of %s left as %s in %s. %s", UnitCount(m.Units), p.Code, m.word(), code, strings.Join(outside, " "))})
	})
	if err != nil {
		return "", fmt.Errorf("store: move units of %q: %w", m.Packing, err)
	}
	return code, nil
}

// signed checks a move against a locked packing and gives what it adds to the ledger.
func (m UnitMove) signed(style measure.Style, p Packing, today day.Day) (int, error) {
	var f fault.Fields
	checkHappened(&f, "moved_on", m.On, today, "When was that?")
	checkWords(&f, "note", m.Note)
	units := -m.Units
	switch m.Reason {
	case "count":
		units = m.Units - p.OnHand
		m.checkCount(&f, p, today)
	case "tester", "broken", "gift", "own_use":
		if m.Units < 1 || m.Units > mostUnits {
			f.Add("units", "How many? At least 1.")
		} else if m.Units > p.OnHand {
			f.Add("units", fmt.Sprintf("The book holds only %s. If more were there, count the shelf first.", UnitCount(p.OnHand)))
		}
		if m.On.Before(p.PackedOn) {
			f.Add("moved_on", "They were packed only on "+style.Day(p.PackedOn)+".")
		}
	default:
		f.Add("reason", "Choose what happened to them.")
	}
	return units, f.Err()
}

func (m UnitMove) checkCount(f *fault.Fields, p Packing, today day.Day) {
	if m.On != today {
		f.Add("moved_on", "A count is of today: the book is compared as it stands now.")
	}
	switch {
	case m.Units < 0 || m.Units > mostUnits:
		f.Add("units", "How many are there? Between 0 and 1,000,000.")
	case m.Seen != nil && *m.Seen != p.OnHand:
		f.Add("units", fmt.Sprintf("The book held %d when you began and holds %d now. Look again and write what is there.", *m.Seen, p.OnHand))
	case m.Units == p.OnHand:
		f.Add("units", fmt.Sprintf("The book says %d too: nothing to record.", p.OnHand))
	case strings.TrimSpace(m.Note) == "":
		f.Add("note", "Say why the book was off, or that you do not know.")
	}
}

// word is the reason as it stands in a sentence.
func (m UnitMove) word() string { return strings.ReplaceAll(m.Reason, "_", " ") }

// outside says what stood in the way of units that left for people. What is broken is gone, whatever its state; who
// uses up at home what is out of date does no harm to anybody's record.
func (m UnitMove) outside(style measure.Style, p Packing) []string {
	switch m.Reason {
	case "tester", "gift":
	case "own_use":
		if p.Status == "released" {
			p.BestBefore = day.Day{}
		}
	default:
		return nil
	}
	var out []string
	if why := p.Unfit(style, m.On); why != "" {
		out = append(out, why)
	}
	onHold := m.Units - p.Free()
	if m.Hold != (HoldID{}) {
		onHold = m.Units
	}
	if onHold > 0 {
		out = append(out, UnitCount(onHold)+" of it on hold.")
	}
	return out
}

func (m UnitMove) ask(outside []string) error {
	if len(outside) == 0 {
		return nil
	}
	var f fault.Fields
	if m.Really && strings.TrimSpace(m.Note) == "" {
		f.Add("note", "Say how it came about; it goes into the record.")
	}
	if !m.Really || f.Any() {
		// The question comes with every refusal, so that the page can ask it again.
		f.Add("really", strings.Join(outside, " "))
	}
	return f.Err()
}

// moveUnits books what a dispatch found to be more than recorded.
func (t *tx) moveUnits(ctx context.Context, packing PackingID, on day.Day, units int, reason string, moreThanRecorded bool, note string) error {
	_, _, err := t.insertMove(ctx, packing, on, units, reason, moreThanRecorded, note)
	return err
}

// insertMove writes a move of a locked packing.
func (t *tx) insertMove(ctx context.Context, packing PackingID, on day.Day, units int, reason string, moreThanRecorded bool, note string) (UnitMoveID, string, error) {
	id, code := newID[UnitMoveID](), ""
	err := t.QueryRow(ctx, nextCode("UM")+`INSERT INTO unit_move (workshop_id, id, code, packing_id, moved_on, units, reason, more_than_recorded, note, change_id)
		SELECT $1, $3, k.code, $4, $5, $6, $7, $8, $9, $10 FROM numbered k RETURNING code`,
		t.who.Workshop, "unit_move", id, packing, on, units, reason, moreThanRecorded, note, t.change).Scan(&code)
	return id, code, err
}

// CountedLine is one packing of a shelf that was counted.
type CountedLine struct {
	Packing string // code, as written in the book or as typed from a label
	Units   int    // there now
	Seen    *int   // what the book held when the form was drawn, as in UnitMove
}

// ShelfCount is a shelf that was counted as it stands today.
type ShelfCount struct {
	Lines []CountedLine
	Note  string // why the book was off; needed where one line differs
}

// CountShelf books the lines that differ from the book, all of them or none, and answers how many did. A count that
// agrees with the book leaves only its change: who counted how many packings, and when. Faults: lines, note, and beside
// a line LineField and CodeField.
func (s *Store) CountShelf(ctx context.Context, who Who, entry Entry, c ShelfCount) (off int, err error) {
	said, err := s.write(ctx, who, create, "Shelf counted: "+plural(len(c.Lines), "packing", "packings")+".", entry, func(t *tx) error {
		var f fault.Fields
		packings, err := t.countedPackings(ctx, &f, c.Lines)
		if err != nil {
			return err
		}
		checkWords(&f, "note", c.Note)
		differ := 0
		for i, l := range c.Lines {
			p, found := packings[i]
			if !found {
				continue
			}
			switch {
			case l.Units < 0 || l.Units > mostUnits:
				f.Add(LineField(i), "How many are there? Between 0 and 1,000,000.")
			case l.Seen != nil && *l.Seen != p.OnHand:
				f.Add(LineField(i), fmt.Sprintf("The book held %d when you began and holds %d now. Look again and write what is there.", *l.Seen, p.OnHand))
			case l.Units != p.OnHand:
				differ++
			}
		}
		if differ > 0 && strings.TrimSpace(c.Note) == "" {
			f.Add("note", "Say why the book was off, or that you do not know.")
		}
		if err := f.Err(); err != nil {
			return err
		}
		for i, l := range c.Lines {
			if p := packings[i]; l.Units != p.OnHand {
				if err := t.moveUnits(ctx, p.ID, t.today, l.Units-p.OnHand, "count", false, c.Note); err != nil {
					return err
				}
			}
		}
		t.result = strconv.Itoa(differ)
		return nil
	})
	if err != nil {
		return 0, fmt.Errorf("store: count shelf: %w", err)
	}
	return strconv.Atoi(said)
}

// countedPackings finds and locks the packings of lines, by their index, and notes what is off beside each.
func (t *tx) countedPackings(ctx context.Context, f *fault.Fields, lines []CountedLine) (map[int]Packing, error) {
	if len(lines) == 0 {
		f.Add("lines", "Write how many are there of at least one packing.")
	}
	found := map[int]Packing{}
	var ids []PackingID
	for i, l := range lines {
		if strings.TrimSpace(l.Packing) == "" {
			f.Add(CodeField(i), "Which code stands on them?")
			continue
		}
		p, err := typedPacking(ctx, t, t.who.Workshop, l.Packing)
		if fault.Is(err, fault.NotFound) {
			f.Add(CodeField(i), fmt.Sprintf("No packing has the code %q.", l.Packing))
			continue
		}
		if err != nil {
			return nil, err
		}
		if slices.Contains(ids, p.ID) {
			f.Add(LineField(i), p.Code+" stands here twice: write what is there in one line.")
			continue
		}
		ids = append(ids, p.ID)
		found[i] = p
	}
	locked, err := t.lockPackings(ctx, ids)
	for i, p := range found {
		found[i] = locked[p.ID]
	}
	return found, err
}

// WithdrawMove takes back a move that did not happen as it was written; units that it took from a hold are on hold
// again. What a dispatch booked as more than recorded
// goes with a correction of that dispatch. Faults: reason.
func (s *Store) WithdrawMove(ctx context.Context, who Who, entry Entry, code, reason string) error {
	_, err := s.write(ctx, who, correct, reason, entry, func(t *tx) error {
		var id UnitMoveID
		var packing string
		if err := t.QueryRow(ctx, `SELECT v.id, p.code FROM unit_move v JOIN packing p ON p.workshop_id = v.workshop_id AND p.id = v.packing_id
			WHERE v.workshop_id = $1 AND v.code = $2 ORDER BY v.replaced_by IS NULL DESC LIMIT 1`, who.Workshop, code).Scan(&id, &packing); err != nil {
			return notFound(err, fmt.Sprintf("There is no entry %q.", code))
		}
		p, err := t.lockPacking(ctx, packing)
		if err != nil {
			return err
		}
		var units int
		var booked bool
		var change ChangeID
		var by *PersonID
		var at time.Time
		err = t.QueryRow(ctx, `SELECT v.units, v.more_than_recorded, v.change_id, c.person_id, c.at FROM unit_move v JOIN change c ON c.workshop_id = v.workshop_id AND c.id = v.change_id
			WHERE v.workshop_id = $1 AND v.id = $2 AND v.replaced_by IS NULL`, who.Workshop, id).Scan(&units, &booked, &change, &by, &at)
		if errors.Is(err, pgx.ErrNoRows) {
			return fault.New(fault.Conflict, "This has been taken back already: nothing more is to be done.")
		}
		if err != nil {
			return err
		}
		if err := t.mayCorrect(by, at); err != nil {
			return err
		}
		var f fault.Fields
		checkWords(&f, "reason", reason)
		if booked {
			f.Add("reason", "A dispatch booked this. Correct that dispatch, and it goes with it.")
		} else if units > p.OnHand {
			f.Add("reason", fmt.Sprintf("The book holds %s of %s: some of what this entry added has left since.", UnitCount(p.OnHand), p.Code))
		}
		if err := f.Err(); err != nil {
			return err
		}
		t.result = packing
		if _, err = t.Exec(ctx, `UPDATE unit_move SET replaced_by = id WHERE workshop_id = $1 AND id = $2`, who.Workshop, id); err != nil {
			return err
		}
		if err := t.withdrawDeviations(ctx, id); err != nil {
			return err
		}
		return t.holdAgain(ctx, p.ID, change, -units, code)
	})
	if err != nil {
		return fmt.Errorf("store: withdraw move %q: %w", code, err)
	}
	return nil
}
