package store

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"
	"unicode/utf8"

	"github.com/jackc/pgx/v5"

	"example.org/stillroom/internal/day"
	"example.org/stillroom/internal/fault"
)

// DispatchLine is units of one packing to send.
type DispatchLine struct {
	Packing string // code, as written in the book or as typed from a label
	Units   int    // lines of 0 are passed over
}

// NewDispatch is units that leave for one customer on one day.
type NewDispatch struct {
	Customer    string   // code; or
	NewCustomer Customer // one not known yet: name and kind
	On          day.Day
	Lines       []DispatchLine
	// AlreadyLeft says that this has happened, whatever the book allows: it is stored with a deviation for what is off.
	AlreadyLeft bool
	Reason      string // needed with AlreadyLeft
	Note        string
}

// LineField and CodeField name the form fields of the line at an index, which faults stand beside.
func LineField(i int) string { return fmt.Sprintf("line-%d", i) }

// CodeField is the field of a line's code.
func CodeField(i int) string { return fmt.Sprintf("packing-%d", i) }

// mostUnits is the most of one line: what a form's count takes.
const mostUnits = 1_000_000

// mostLines is the most packings of one dispatch.
const mostLines = 500

// Dispatch records units leaving for a customer and answers the dispatch's code. Faults: customer, new_customer,
// new_kind, dispatched_on, reason, note, lines, and beside a line LineField and CodeField. Units that may not leave
// (unreleased, rejected, out of date, on hold, more than there are) are refused unless they have already left; then they
// are stored as late, each with a deviation, and what the book lacks is booked as more than recorded.
func (s *Store) Dispatch(ctx context.Context, who Who, entry Entry, n NewDispatch) (string, error) {
	reason := ""
	if n.AlreadyLeft {
		reason = n.Reason
	}
	code, err := s.write(ctx, who, create, reason, entry, func(t *tx) error {
		return t.dispatch(ctx, n)
	})
	if err != nil {
		return "", fmt.Errorf("store: dispatch: %w", err)
	}
	return code, nil
}

func (t *tx) dispatch(ctx context.Context, n NewDispatch) error {
	var f fault.Fields
	n.check(&f, t.today)
	lines, err := t.packingsOf(ctx, &f, n.Lines)
	if err != nil {
		return err
	}
	for _, l := range lines {
		if why := l.packing.Refuse(t.workshop.Style, l.units, n.On); why != "" && !n.AlreadyLeft {
			f.Add(l.field, why)
		}
	}
	var customer Customer
	if n.Customer != "" {
		customer, err = customerByCode(ctx, t, t.who.Workshop, n.Customer)
		if known := fault.As(err); known != nil {
			f.Add("customer", known.Message)
		} else if err != nil {
			return err
		}
	}
	if err := f.Err(); err != nil {
		return err
	}
	if n.Customer == "" {
		if customer, err = t.addCustomer(ctx, n.NewCustomer); err != nil {
			return err
		}
	}
	d := sent{ID: newID[DispatchID](), Customer: customer.ID, On: n.On}
	if d.Code, err = t.yearCode(ctx, "D", "dispatch", n.On.Year()); err != nil {
		return err
	}
	if _, err := t.Exec(ctx, `INSERT INTO dispatch (workshop_id, id, code, customer_id, dispatched_on, late, note, change_id) VALUES ($1, $2, $3, $4, $5, $6, $7, $8)`,
		t.who.Workshop, d.ID, d.Code, customer.ID, n.On, n.AlreadyLeft || n.On.Before(t.today), n.Note, t.change); err != nil {
		return err
	}
	var deviants []deviant
	for _, l := range lines {
		off, err := t.send(ctx, d, newID[DispatchLineID](), l.packing, l.units)
		if err != nil {
			return err
		}
		deviants = append(deviants, off...)
	}
	// Deviations come after all lines: whoever numbers moves and deviations in turns, and somebody else in the other
	// order, would wait for each other.
	for _, off := range deviants {
		off.Reason = n.Reason
		if err := t.deviate(ctx, off); err != nil {
			return err
		}
	}
	t.result = d.Code
	return t.index(ctx, "dispatch", d.ID, foldWord(d.Code))
}

func (n NewDispatch) check(f *fault.Fields, today day.Day) {
	switch {
	case n.Customer == "" && n.NewCustomer.Name == "":
		f.Add("customer", "Who are they for? Choose a customer, or write a new one.")
	case n.Customer != "" && n.NewCustomer.Name != "":
		f.Add("new_customer", "Choose a customer or write a new one, not both.")
	case n.Customer == "":
		if utf8.RuneCountInString(n.NewCustomer.Name) > 200 {
			f.Add("new_customer", "At most 200 characters, please.")
		}
		checkCustomerKind(f, "new_kind", n.NewCustomer.Kind)
	}
	checkHappened(f, "dispatched_on", n.On, today, "When did they leave?")
	if n.AlreadyLeft && strings.TrimSpace(n.Reason) == "" {
		f.Add("reason", "Say how it came about; it goes into the record.")
	}
	checkWords(f, "reason", n.Reason)
	checkWords(f, "note", n.Note)
}

func checkHappened(f *fault.Fields, field string, on, today day.Day, ask string) {
	if on.IsZero() {
		f.Add(field, ask)
	} else if on.After(today) {
		f.Add(field, "That day has not come yet.")
	}
}

// checkWords holds a note or reason to what its column takes.
func checkWords(f *fault.Fields, field, text string) {
	if utf8.RuneCountInString(text) > 1000 {
		f.Add(field, "At most 1,000 characters, please.")
	}
}

// line is a checked line with its packing, locked.
type line struct {
	field   string
	packing Packing
	units   int
}

// packingsOf finds and locks the packings of lines, and notes what is off beside each.
func (t *tx) packingsOf(ctx context.Context, f *fault.Fields, asked []DispatchLine) ([]line, error) {
	if len(asked) > mostLines {
		f.Add("lines", fmt.Sprintf("At most %d packings in one dispatch.", mostLines))
		return nil, nil
	}
	var lines []line
	var ids []PackingID
	seen := map[PackingID]bool{}
	for i, l := range asked {
		if l.Units == 0 {
			continue
		}
		if l.Units < 0 || l.Units > mostUnits {
			f.Add(LineField(i), "Between 1 and 1,000,000 units.")
			continue
		}
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
		if seen[p.ID] {
			f.Add(LineField(i), p.Code+" stands here twice: write its units in one line.")
			continue
		}
		seen[p.ID] = true
		ids = append(ids, p.ID)
		lines = append(lines, line{field: LineField(i), packing: p, units: l.Units})
	}
	if len(ids) == 0 && !f.Any() {
		f.Add("lines", "Which units leave? Write how many.")
	}
	locked, err := t.lockPackings(ctx, ids)
	for i := range lines {
		lines[i].packing = locked[lines[i].packing.ID]
	}
	return lines, err
}

// sent is the dispatch that a line belongs to.
type sent struct {
	ID       DispatchID
	Code     string
	Customer CustomerID
	On       day.Day
}

// send writes one line of a locked packing. What may not leave and has left is the deviation that it answers, to be
// raised; what the book lacks is booked in the same transaction as more than recorded, so that the ledger never goes
// below zero.
func (t *tx) send(ctx context.Context, d sent, id DispatchLineID, p Packing, units int) ([]deviant, error) {
	if _, err := t.Exec(ctx, `INSERT INTO dispatch_line (workshop_id, id, dispatch_id, customer_id, packing_id, units, change_id) VALUES ($1, $2, $3, $4, $5, $6, $7)`,
		t.who.Workshop, id, d.ID, d.Customer, p.ID, units, t.change); err != nil {
		return nil, err
	}
	var off []string
	if why := p.Unfit(t.workshop.Style, d.On); why != "" {
		off = append(off, why)
	}
	if short := units - p.OnHand; short > 0 {
		off = append(off, fmt.Sprintf("The book held %s: %d more than recorded.", UnitCount(max(p.OnHand, 0)), short))
		if err := t.moveUnits(ctx, p.ID, d.On, short, "count", true, "More left in "+d.Code+" than the book held."); err != nil {
			return nil, err
		}
	}
	if onHold := min(units, p.OnHand) - p.Free(); onHold > 0 {
		off = append(off, UnitCount(onHold)+" of it on hold.")
	}
	if len(off) == 0 {
		return nil, nil
	}
	return []deviant{{Kind: "dispatch", Packing: &p.ID, Dispatch: &d.ID, About: id,
		What: fmt.Sprintf("%s of %s left in %s. %s", UnitCount(units), p.Code, d.Code, strings.Join(off, " "))}}, nil
}

// yearCode gives the next code of a year, "D-2026-0001"; codes that an older book took are passed over.
func (t *tx) yearCode(ctx context.Context, letter, scope string, year int) (string, error) {
	for {
		n, err := t.next(ctx, fmt.Sprintf("%s:%d", scope, year))
		if err != nil {
			return "", err
		}
		code := fmt.Sprintf("%s-%d-%04d", letter, year, n)
		var taken bool
		if err := t.QueryRow(ctx, `SELECT EXISTS (SELECT FROM dispatch WHERE workshop_id = $1 AND code = $2) OR EXISTS (SELECT FROM unit_return WHERE workshop_id = $1 AND code = $2)`, t.who.Workshop, code).Scan(&taken); err != nil {
			return "", err
		}
		if !taken {
			return code, nil
		}
	}
}

// LineCorrection says what really left of one packing in a dispatch. A packing that the dispatch does not have is added
// to it, for a code that was read wrong.
type LineCorrection struct {
	Dispatch    string
	Packing     string
	Units       int // 0: none of it left
	AlreadyLeft bool
	Reason      string
}

// CorrectDispatch replaces what a dispatch says of one packing; the old line stays, struck through. Faults: packing,
// units, reason. More than may leave is refused unless AlreadyLeft, as in Dispatch.
func (s *Store) CorrectDispatch(ctx context.Context, who Who, entry Entry, c LineCorrection) error {
	_, err := s.write(ctx, who, correct, c.Reason, entry, func(t *tx) error {
		t.result = c.Dispatch
		return t.correctDispatch(ctx, c)
	})
	if err != nil {
		return fmt.Errorf("store: correct dispatch %q: %w", c.Dispatch, err)
	}
	return nil
}

func (t *tx) correctDispatch(ctx context.Context, c LineCorrection) error {
	d, err := t.sentByCode(ctx, c.Dispatch)
	if err != nil {
		return err
	}
	p, err := t.lockPacking(ctx, c.Packing)
	if err != nil {
		return faultIn("packing", err)
	}
	old, err := t.lineOf(ctx, d.ID, p.ID)
	if err != nil {
		return err
	}
	if err := t.mayCorrect(old.by, old.at); err != nil {
		return err
	}
	var f fault.Fields
	checkWords(&f, "reason", c.Reason)
	switch {
	case c.Units < 0 || c.Units > mostUnits:
		f.Add("units", "Between 0 and 1,000,000 units.")
	case c.Units == old.units:
		f.Add("units", "That is what stands there: nothing to correct.")
	case c.Units < old.returned:
		f.Add("units", fmt.Sprintf("%s of it came back already: it cannot be fewer.", UnitCount(old.returned)))
	case p.Dispatched-old.units+c.Units < p.Returned:
		f.Add("units", fmt.Sprintf("%s of %s came back in all: fewer cannot have left.", UnitCount(p.Returned), p.Code))
	}
	if err := f.Err(); err != nil {
		return err
	}
	return t.replaceLine(ctx, d, p, old, c)
}

// replaceLine takes back the line that stands, with what was booked so that it could, and writes the new one against the
// packing as it then is.
func (t *tx) replaceLine(ctx context.Context, d sent, p Packing, old oldLine, c LineCorrection) error {
	id := newID[DispatchLineID]()
	if old.units > 0 {
		by := id
		if c.Units == 0 {
			by = old.id
		}
		if err := t.takeBackLine(ctx, p.ID, old, by); err != nil {
			return err
		}
		list, err := queryPackings(ctx, t, `WHERE p.workshop_id = $1 AND p.id = $2`, t.who.Workshop, p.ID)
		if err != nil {
			return err
		}
		p = list[0]
	}
	if why := p.Refuse(t.workshop.Style, c.Units, d.On); why != "" && c.Units > old.units && !c.AlreadyLeft {
		return fault.In("units", why)
	}
	if c.Units > 0 {
		deviants, err := t.send(ctx, d, id, p, c.Units)
		// Fewer of what left in order is in order, whatever became of the packing since.
		if err != nil || c.Units < old.units && !old.deviant {
			return err
		}
		for _, off := range deviants {
			off.Reason = c.Reason
			if err := t.deviate(ctx, off); err != nil {
				return err
			}
		}
		return nil
	}
	if p.OnHand < 0 {
		// What had been booked as more than recorded was used since: it was there after all.
		return t.moveUnits(ctx, p.ID, d.On, -p.OnHand, "count", true, "Used after "+d.Code+" was corrected.")
	}
	return nil
}

func (t *tx) takeBackLine(ctx context.Context, packing PackingID, old oldLine, by DispatchLineID) error {
	if _, err := t.Exec(ctx, `UPDATE dispatch_line SET replaced_by = $3 WHERE workshop_id = $1 AND id = $2`, t.who.Workshop, old.id, by); err != nil {
		return err
	}
	if _, err := t.Exec(ctx, `UPDATE unit_move SET replaced_by = id WHERE workshop_id = $1 AND packing_id = $2 AND change_id = $3 AND more_than_recorded AND replaced_by IS NULL`, t.who.Workshop, packing, old.change); err != nil {
		return err
	}
	return t.withdrawDeviations(ctx, old.id)
}

// oldLine is the line that stands for a packing in a dispatch; units are 0 where there is none.
type oldLine struct {
	id       DispatchLineID
	units    int
	change   ChangeID
	by       *PersonID
	at       time.Time
	returned int
	deviant  bool // something was off with it
}

func (t *tx) lineOf(ctx context.Context, dispatch DispatchID, packing PackingID) (oldLine, error) {
	var l oldLine
	err := t.QueryRow(ctx, `SELECT l.id, l.units, l.change_id, c.person_id, c.at,
			coalesce((SELECT sum(x.units) FROM unit_return x WHERE x.workshop_id = $1 AND x.dispatch_id = $2 AND x.packing_id = $3 AND x.replaced_by IS NULL), 0)::int,
			EXISTS (SELECT FROM deviation e WHERE e.workshop_id = $1 AND e.packing_id = $3 AND e.about_id = l.id AND e.withdrawn_at IS NULL)
		FROM dispatch_line l JOIN change c ON c.workshop_id = l.workshop_id AND c.id = l.change_id
		WHERE l.workshop_id = $1 AND l.dispatch_id = $2 AND l.packing_id = $3 AND l.replaced_by IS NULL`, t.who.Workshop, dispatch, packing).
		Scan(&l.id, &l.units, &l.change, &l.by, &l.at, &l.returned, &l.deviant)
	if errors.Is(err, pgx.ErrNoRows) {
		err = t.QueryRow(ctx, `SELECT c.person_id, c.at FROM dispatch d JOIN change c ON c.workshop_id = d.workshop_id AND c.id = d.change_id WHERE d.workshop_id = $1 AND d.id = $2`, t.who.Workshop, dispatch).Scan(&l.by, &l.at)
	}
	return l, err
}

func (t *tx) sentByCode(ctx context.Context, code string) (sent, error) {
	d := sent{Code: code}
	err := t.QueryRow(ctx, `SELECT id, customer_id, dispatched_on FROM dispatch WHERE workshop_id = $1 AND code = $2`, t.who.Workshop, code).Scan(&d.ID, &d.Customer, &d.On)
	return d, notFound(err, fmt.Sprintf("There is no dispatch %q.", code))
}
