package store

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/shopspring/decimal"

	"example.org/stillroom/internal/day"
	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/quantity"
)

// A tub filled or topped up from lots is a lot of its own, drawn from them, until it is noted as emptied and washed.
// Nobody can say which of what is in it went where, so a trace of any lot in it lists all that was drawn from the tub,
// what was drawn before that lot was topped up too: to be on the safe side.

// Filling is a lot, or another tub, poured into a tub.
type Filling struct {
	ID       FillingID
	Lot      Lot // the other side: what was filled in, or the tub that it went into
	Quantity decimal.Decimal
	On       day.Day
	Who      string
	By       PersonID // zero for a program
	At       time.Time
	Replaced bool // corrected or taken back since
}

const fillingQuery = `SELECT i.id, i.quantity, i.happened_on, coalesce(w.name, c.actor), coalesce(c.person_id, '00000000-0000-0000-0000-000000000000'), c.at, i.replaced_by IS NOT NULL, ` + lotColumns +
	` FROM lot_input i JOIN change c ON c.workshop_id = i.workshop_id AND c.id = i.change_id LEFT JOIN person w ON w.workshop_id = c.workshop_id AND w.id = c.person_id `

// queryFillings reads fillings with the lot at the end that the column side names.
func queryFillings(ctx context.Context, t pgx.Tx, side, where string, args ...any) ([]Filling, error) {
	rows, err := t.Query(ctx, fillingQuery+`JOIN material_lot l ON l.workshop_id = i.workshop_id AND l.id = i.`+side+lotJoins+where+` ORDER BY i.happened_on, i.id`, args...)
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, func(row pgx.CollectableRow) (Filling, error) {
		var f Filling
		return f, row.Scan(append([]any{&f.ID, &f.Quantity, &f.On, &f.Who, &f.By, &f.At, &f.Replaced}, f.Lot.fields()...)...)
	})
}

// fillings reads what a lot was filled from and which tubs it went into.
func (p *LotPage) fillings(ctx context.Context, t pgx.Tx, workshop WorkshopID) (err error) {
	if p.FilledFrom, err = queryFillings(ctx, t, "source_lot_id", `WHERE i.workshop_id = $1 AND i.lot_id = $2`, workshop, p.ID); err != nil {
		return err
	}
	if p.WentInto, err = queryFillings(ctx, t, "lot_id", `WHERE i.workshop_id = $1 AND i.source_lot_id = $2`, workshop, p.ID); err != nil || len(p.WentInto) == 0 {
		return err
	}
	p.HeldIn, err = queryLots(ctx, t, `WHERE l.workshop_id = $1 AND l.id <> $3 AND l.id IN (`+tubsBelow+` SELECT id FROM below) ORDER BY l.code`, workshop, []string{p.Code}, p.ID)
	return err
}

// Tub is a tub in use: what stands in it, and what it was filled from.
type Tub struct {
	Lot
	From []string // codes of the lots that were filled in, each once, the first first
}

// Tubs is a page of at most limit tubs that were not washed yet, by name, behind the one in which the lot of a code stands,
// and the code that the next page begins behind.
func (s *Store) Tubs(ctx context.Context, workshop WorkshopID, after string, limit int) (list []Tub, next string, err error) {
	err = s.read(ctx, workshop, func(t pgx.Tx) error {
		var name, code string
		if err := boundary(ctx, t, workshop, after, `SELECT lower(tub), code FROM material_lot WHERE workshop_id = $1 AND code = $2 AND tub IS NOT NULL`, &name, &code); err != nil {
			return err
		}
		lots, err := queryLots(ctx, t, `WHERE l.workshop_id = $1 AND l.tub IS NOT NULL AND l.washed_on IS NULL AND (lower(l.tub), l.code) > ($2, $3) ORDER BY lower(l.tub), l.code LIMIT $4`, workshop, name, code, limit+1)
		if err != nil {
			return err
		}
		lots, next = cut(lots, limit, lotCode)
		ids, at := make([][16]byte, len(lots)), map[LotID]int{}
		for i, l := range lots {
			list = append(list, Tub{Lot: l})
			ids[i], at[l.ID] = l.ID, i
		}
		rows, err := t.Query(ctx, `SELECT i.lot_id, x.code FROM lot_input i JOIN material_lot x ON x.workshop_id = i.workshop_id AND x.id = i.source_lot_id
			WHERE i.workshop_id = $1 AND i.lot_id = ANY ($2::uuid[]) AND i.replaced_by IS NULL GROUP BY i.lot_id, x.code ORDER BY i.lot_id, min(i.happened_on), x.code`, workshop, ids)
		if err != nil {
			return err
		}
		var id LotID
		_, err = pgx.ForEachRow(rows, []any{&id, &code}, func() error {
			list[at[id]].From = append(list[at[id]].From, code)
			return nil
		})
		return err
	})
	if err != nil {
		return nil, "", fmt.Errorf("store: tubs: %w", err)
	}
	return list, next, nil
}

// TubDraw is so much of one lot, in its material's unit, that was poured into a tub.
type TubDraw struct {
	Lot      string // code
	Quantity decimal.Decimal
}

// TubFill is a tub filled anew.
type TubFill struct {
	Tub      string // what the maker calls it
	Material string // code
	From     []TubDraw
	On       day.Day // zero for today
	Really   Really
}

// FillTub fills a clean tub and answers the code of the lot that now stands in it. Its expiry and retest date are the
// earliest known of what was filled in. It is released where all of that was; from a lot in quarantine it waits there
// too, from a rejected or recalled one it is rejected. A lot that is not fit, and more than the book holds of it, is
// asked about once (a fault at `really`); the first is kept as a deviation on the tub's lot, the second as more than
// recorded. Faults: tub, material, on, from, and for row i "lot-i" and "amount-i".
func (s *Store) FillTub(ctx context.Context, who Who, entry Entry, n TubFill) (string, error) {
	code, err := s.write(ctx, who, create, "", entry, func(t *tx) error {
		if err := t.lockGenealogy(ctx); err != nil {
			return err
		}
		var f fault.Fields
		n.Tub = strings.TrimSpace(n.Tub)
		if n.Tub == "" {
			f.Add("tub", "What is the tub called?")
		}
		checkLength(&f, "tub", n.Tub, 80)
		if err := t.tubIsFree(ctx, &f, n.Tub); err != nil {
			return err
		}
		m, err := materialByCode(ctx, t, who.Workshop, n.Material)
		if wrong := fault.As(err); wrong != nil {
			f.Add("material", wrong.Error())
		} else if err != nil {
			return err
		}
		p := pouring{m: m, from: n.From, on: n.On, really: n.Really}
		if _, err := t.lockPouring(ctx, &f, &p, nil); err != nil {
			return err
		}
		if p.lot.ID, err = t.newTub(ctx, n.Tub, m, p); err != nil {
			return err
		}
		return t.pour(ctx, p)
	})
	if err != nil {
		return "", fmt.Errorf("store: fill tub %q: %w", n.Tub, err)
	}
	return code, nil
}

// heldDates are the earliest known dates of what is in the tub $2.
const heldDates = `SELECT min(x.expires_on) AS expires_on, min(x.retest_on) AS retest_on FROM lot_input i JOIN material_lot x ON x.workshop_id = i.workshop_id AND x.id = i.source_lot_id
	WHERE i.workshop_id = $1 AND i.lot_id = $2 AND i.replaced_by IS NULL`

// tubIsFree refuses the name of a tub that was not washed since it was filled. The unique index holds two who fill the
// same one at once to it; this says it in words, beside what else is off.
func (t *tx) tubIsFree(ctx context.Context, f *fault.Fields, name string) error {
	var code string
	err := t.QueryRow(ctx, `SELECT code FROM material_lot WHERE workshop_id = $1 AND lower(tub) = lower($2) AND washed_on IS NULL`, t.who.Workshop, name).Scan(&code)
	if errors.Is(err, pgx.ErrNoRows) {
		return nil
	}
	if err == nil {
		f.Add("tub", "Lot "+code+" stands in it. Top that up, or note first that the tub was emptied and washed.")
	}
	return err
}

func (t *tx) newTub(ctx context.Context, name string, m Material, p pouring) (LotID, error) {
	id := newID[LotID]()
	code, err := t.lotCode(ctx, m.Code)
	if err != nil {
		return id, err
	}
	t.result = code
	var dates heldOf
	for _, l := range p.lots {
		dates = heldOf{earliest(dates.Expires, l.ExpiresOn), earliest(dates.Retest, l.RetestOn)}
	}
	if _, err := t.Exec(ctx, `INSERT INTO material_lot (workshop_id, id, code, material_id, received_on, opened_on, expires_on, retest_on, quantity, status, tub, change_id) VALUES ($1, $2, $3, $4, $5, $5, $6, $7, 0, $8, $9, $10)`,
		t.who.Workshop, id, code, m.ID, p.on, dates.Expires, dates.Retest, p.status("released"), name, t.change); err != nil {
		if constraint(err) == "material_lot_one_tub" {
			return id, fault.In("tub", "Somebody else has just filled it. Look which lot stands in it.")
		}
		return id, err
	}
	return id, t.index(ctx, "lot", id, append(words(name), foldWord(code), foldCode(code), foldWord(name))...)
}

// TopUp is more poured into a tub that was not washed since.
type TopUp struct {
	Lot    string // code of the lot that stands in the tub
	From   []TubDraw
	On     day.Day // zero for today
	Really Really
}

// TopUpTub adds to what stands in a tub: it stays the same lot, with the earliest dates of all that is in it. Batches that
// drew on it on or after that day and are packed with a later date become a deviation that names their labels; a
// trace lists those before it too. Faults and what is asked are those of FillTub.
func (s *Store) TopUpTub(ctx context.Context, who Who, entry Entry, n TopUp) error {
	// Dates of a tub that have a value change by this, so it is a correction of them and says why.
	var codes []string
	for _, d := range n.From {
		codes = append(codes, d.Lot)
	}
	reason := "Topped up from " + strings.Join(codes, ", ") + ": the dates of a tub are the earliest of what is in it"
	_, err := s.write(ctx, who, correct, reason, entry, func(t *tx) error {
		if err := t.lockGenealogy(ctx); err != nil {
			return err
		}
		tub, err := t.openTub(ctx, n.Lot)
		if err != nil {
			return err
		}
		var f fault.Fields
		p := pouring{lot: tub, m: tub.Material, from: n.From, on: n.On, really: n.Really}
		tubs, err := t.lockPouring(ctx, &f, &p, &tub)
		if err != nil {
			return err
		}
		if err := t.pour(ctx, p); err != nil {
			return err
		}
		if _, err := t.Exec(ctx, `UPDATE material_lot SET status = $3, emptied_on = NULL WHERE workshop_id = $1 AND id = $2`, who.Workshop, tub.ID, p.status(tub.Status)); err != nil {
			return err
		}
		t.result = tub.Code
		if worse := p.status(tub.Status); worse != tub.Status {
			if err := t.tubsFollow(ctx, tubs.below(tub.ID), tub.Status, worse); err != nil {
				return err
			}
		}
		return t.settleTubs(ctx, tubs.since(p.on))
	})
	if err != nil {
		return fmt.Errorf("store: top up %q: %w", n.Lot, err)
	}
	return nil
}

// openTub reads a tub that may be poured into.
func (t *tx) openTub(ctx context.Context, code string) (Lot, error) {
	l, err := lotByCode(ctx, t, t.who.Workshop, code)
	switch {
	case err != nil:
		return l, err
	case l.Tub == "":
		return l, fault.New(fault.NotFound, fmt.Sprintf("Lot %q stands in no tub.", code))
	case !l.WashedOn.IsZero():
		return l, fault.New(fault.Conflict, "The tub of lot "+code+" was emptied and washed. What is filled in now is a new lot.")
	}
	return l, nil
}

// pouring is what goes into a tub in one entry.
type pouring struct {
	lot    Lot // the tub
	m      Material
	from   []TubDraw
	lots   []Lot // of from
	on     day.Day
	really Really
	unfit  [][]string // of lots, in words
}

// status is what a tub of a status is once this is in it: the worst of all.
func (p pouring) status(have string) string {
	for _, l := range p.lots {
		switch {
		case l.Recalled || l.Status == "rejected" || len(l.Holds) > 0:
			return "rejected"
		case l.Status == "quarantined" && have == "released":
			have = "quarantined"
		}
	}
	return have
}

// lockPouring locks what is poured from and, for a tub that stands already, the tub and what was filled from it, then
// tells everything at once that is off and asks what has to be asked.
func (t *tx) lockPouring(ctx context.Context, f *fault.Fields, p *pouring, tub *Lot) (downstream, error) {
	var codes []string
	for _, d := range p.from {
		codes = append(codes, d.Lot)
	}
	var tubs downstream
	var err error
	if tub != nil {
		tubs, err = t.lockTubs(ctx, tub.Code, codes...)
		if err == nil {
			*tub, err = t.openTub(ctx, tub.Code)
			p.lot = *tub
		}
	} else {
		_, err = t.Exec(ctx, `SELECT FROM material_lot WHERE workshop_id = $1 AND code = ANY ($2) ORDER BY code FOR NO KEY UPDATE`, t.who.Workshop, codes)
	}
	if err != nil {
		return tubs, err
	}
	checkHappened(f, "on", p.happened(t.today), t.today, "When was it filled?")
	p.on = p.happened(t.today)
	if len(p.from) == 0 {
		f.Add("from", "From which lot, and how much?")
	}
	asked, err := t.checkPouring(ctx, f, p)
	if err == nil {
		err = f.Err()
	}
	if err == nil {
		err = p.really.ask(asked)
	}
	return tubs, err
}

func (p pouring) happened(today day.Day) day.Day {
	if p.on.IsZero() {
		return today
	}
	return p.on
}

// checkPouring reads the lots that are poured from and says in words what about them is asked.
func (t *tx) checkPouring(ctx context.Context, f *fault.Fields, p *pouring) (asked []string, err error) {
	seen := map[string]bool{}
	for i, d := range p.from {
		at := func(name string) string { return fmt.Sprintf("%s-%d", name, i) }
		l, err := lotByCode(ctx, t, t.who.Workshop, d.Lot)
		if wrong := fault.As(err); wrong != nil {
			f.Add(at("lot"), wrong.Error())
		} else if err != nil {
			return nil, err
		} else if p.m.Code != "" && l.Material.ID != p.m.ID {
			f.Add(at("lot"), fmt.Sprintf("Lot %s is %s, not %s.", l.Code, l.Material.Name, p.m.Name))
		} else if seen[l.Code] {
			f.Add(at("lot"), "Lot "+l.Code+" stands here twice.")
		}
		seen[d.Lot] = true
		if !d.Quantity.IsPositive() {
			f.Add(at("amount"), "How much of it? Write more than 0.")
		} else if d.Quantity.GreaterThan(mostG) {
			f.Add(at("amount"), "That is more than a hundred tonnes.")
		} else if l.Material.Unit == "each" && !d.Quantity.IsInteger() {
			f.Add(at("amount"), "Pieces are counted whole: write a whole number.")
		}
		unfit := lotUnfit(t.workshop.Style, l, p.on)
		p.lots, p.unfit = append(p.lots, l), append(p.unfit, unfit)
		asked = append(asked, unfit...)
		if d.Quantity.GreaterThan(l.OnHand) && l.Code != "" {
			asked = append(asked, fmt.Sprintf("The book holds %s of lot %s.", t.amount(l.OnHand, l.Material.Unit), l.Code))
		}
		// Edges are checked before any is written: none of these leads from one row to another.
		if p.lot.ID != (LotID{}) && l.Code != "" {
			if err := t.refuseLotCycle(ctx, p.lot.ID, l.ID); fault.Is(err, fault.Conflict) {
				f.Add(at("lot"), fault.As(err).Message)
			} else if err != nil {
				return nil, err
			}
		}
	}
	return asked, nil
}

// amount writes a quantity of a material as the workshop shows it.
func (t *tx) amount(q decimal.Decimal, unit string) string {
	switch unit {
	case "g":
		return t.workshop.Style.Grams(q)
	case "each":
		return quantity.Format(q)
	}
	return quantity.Format(q) + " " + unit
}

// pour draws the lots and writes what went into the tub, with a deviation on the tub's lot for each that is not fit.
func (t *tx) pour(ctx context.Context, p pouring) error {
	ids := make([]FillingID, len(p.lots))
	for i, l := range p.lots {
		ids[i] = newID[FillingID]()
		if err := t.pourOne(ctx, p, l, p.from[i].Quantity, ids[i]); err != nil {
			return err
		}
	}
	// Deviations come after all moves, as in a dispatch: numbers are taken in one order.
	for i, id := range ids {
		if err := t.pouredUnfit(ctx, p, id, p.unfit[i]); err != nil {
			return err
		}
	}
	return nil
}

func (t *tx) pourOne(ctx context.Context, p pouring, l Lot, amount decimal.Decimal, id FillingID) error {
	if _, err := t.draw(ctx, l, amount, p.on); err != nil {
		return err
	}
	if _, err := t.Exec(ctx, `INSERT INTO lot_input (workshop_id, id, lot_id, source_lot_id, quantity, happened_on, change_id) VALUES ($1, $2, $3, $4, $5, $6, $7)`,
		t.who.Workshop, id, p.lot.ID, l.ID, amount, p.on, t.change); err != nil {
		return err
	}
	if l.OpenedOn.IsZero() {
		if _, err := t.Exec(ctx, `UPDATE material_lot SET opened_on = $3 WHERE workshop_id = $1 AND id = $2`, t.who.Workshop, l.ID, p.on); err != nil {
			return err
		}
	}
	return nil
}

// pouredUnfit keeps what was asked about a lot that was poured as a deviation on the tub's lot.
func (t *tx) pouredUnfit(ctx context.Context, p pouring, id FillingID, unfit []string) error {
	if len(unfit) == 0 {
		return nil
	}
	return t.deviate(ctx, deviant{Kind: "lot", Lot: &p.lot.ID, About: id, What: "Filled into the tub: " + strings.Join(unfit, " "), Reason: p.really.Reason})
}

// TubEmptied is a tub that is empty.
type TubEmptied struct {
	Lot    string  // code of the lot that stood in it
	On     day.Day // zero for today
	Washed bool    // and washed: its name is free for a new lot
	// Rest says what became of what the book still holds: away (thrown away) or gone (it was not there). Needed only
	// where it holds something.
	Rest string
	Note string // why, for a rest
	Seen decimal.NullDecimal
}

// EmptyTub notes that a tub was emptied, and washed. What the book still holds of it is booked as a stock move with its
// words. A tub that was emptied and not washed is the same lot when it is filled again. Faults: on, rest, note.
func (s *Store) EmptyTub(ctx context.Context, who Who, entry Entry, e TubEmptied) error {
	_, err := s.write(ctx, who, create, "", entry, func(t *tx) error {
		if _, err := t.lockLot(ctx, e.Lot); err != nil {
			return err
		}
		l, err := t.openTub(ctx, e.Lot)
		if err != nil {
			return err
		}
		if e.On.IsZero() {
			e.On = t.today
		}
		if err := t.checkEmptied(l, e); err != nil {
			return err
		}
		if l.OnHand.IsPositive() {
			reason, note := "write_off", "thrown away when the tub was emptied: "
			if e.Rest == "gone" {
				reason, note = "adjust", "not there when the tub was emptied: "
			}
			if err := t.moveLot(ctx, l.ID, LotMove{Quantity: l.OnHand.Neg(), Reason: reason, Note: note + e.Note, On: e.On}, false); err != nil {
				return err
			}
		}
		t.result = l.Code
		_, err = t.Exec(ctx, `UPDATE material_lot SET emptied_on = coalesce(emptied_on, $3), washed_on = CASE WHEN $4 THEN $3 END WHERE workshop_id = $1 AND id = $2`, who.Workshop, l.ID, e.On, e.Washed)
		return err
	})
	if err != nil {
		return fmt.Errorf("store: empty tub of %q: %w", e.Lot, err)
	}
	return nil
}

func (t *tx) checkEmptied(l Lot, e TubEmptied) error {
	if e.Seen.Valid && !e.Seen.Decimal.Equal(l.OnHand) {
		return fault.New(fault.Conflict, fmt.Sprintf("Meanwhile the book went from %s to %s. Look again, then send it once more.", t.amount(e.Seen.Decimal, l.Material.Unit), t.amount(l.OnHand, l.Material.Unit)))
	}
	if !l.EmptiedOn.IsZero() && !e.Washed {
		return fault.New(fault.Conflict, "It is noted as emptied already.")
	}
	var f fault.Fields
	checkHappened(&f, "on", e.On, t.today, "When was that?")
	if e.On.Before(l.ReceivedOn) {
		f.Add("on", "It was filled only on "+t.workshop.Style.Day(l.ReceivedOn)+".")
	}
	if l.OnHand.IsPositive() {
		if e.Rest != "away" && e.Rest != "gone" {
			f.Add("rest", "The book still holds "+t.amount(l.OnHand, l.Material.Unit)+". Say what became of it.")
		}
		checkNote(&f, e.Note)
	}
	return f.Err()
}

// ReopenTub takes back that a tub was emptied and washed, where it was not. What was booked away then stays booked: a count
// sets it right. Faults: reason.
func (s *Store) ReopenTub(ctx context.Context, who Who, entry Entry, code, reason string) error {
	_, err := s.write(ctx, who, correct, reason, entry, func(t *tx) error {
		l, err := t.lockLot(ctx, code)
		if err != nil {
			return err
		}
		if l.Tub == "" || l.EmptiedOn.IsZero() {
			return fault.New(fault.Conflict, "Nobody noted that this tub was emptied.")
		}
		var f fault.Fields
		checkLength(&f, "reason", reason, 500)
		if !l.WashedOn.IsZero() {
			if err := t.tubIsFree(ctx, &f, l.Tub); err != nil {
				return err
			}
		}
		if wrong := fault.As(f.Err()); wrong != nil && wrong.Of("tub") != "" {
			return fault.New(fault.Conflict, "The tub was filled anew since. "+wrong.Of("tub"))
		} else if wrong != nil {
			return wrong
		}
		t.result = l.Code
		_, err = t.Exec(ctx, `UPDATE material_lot SET emptied_on = NULL, washed_on = NULL WHERE workshop_id = $1 AND id = $2`, who.Workshop, l.ID)
		return err
	})
	if err != nil {
		return fmt.Errorf("store: reopen tub of %q: %w", code, err)
	}
	return nil
}

// FillingCorrection replaces what was written of one pouring: another amount, or it never was.
type FillingCorrection struct {
	Lot      string // code of the tub's lot
	ID       FillingID
	Quantity decimal.Decimal
	Withdraw bool
	Reason   string
	Really   Really
}

// CorrectFilling corrects or takes back an entry of a filling. Both ledgers follow, and the tub's dates with all tubs
// below; its status does not: that is decided by people. A helper may correct what they entered themselves today.
// Faults: amount, reason.
func (s *Store) CorrectFilling(ctx context.Context, who Who, entry Entry, c FillingCorrection) error {
	_, err := s.write(ctx, who, correct, c.Reason, entry, func(t *tx) error {
		if err := t.lockGenealogy(ctx); err != nil {
			return err
		}
		old, err := t.fillingToCorrect(ctx, c)
		if err != nil {
			return err
		}
		tubs, err := t.lockTubs(ctx, c.Lot, old.Lot.Code)
		if err != nil {
			return err
		}
		next := c.ID // its own id: withdrawn
		if !c.Withdraw {
			next = newID[FillingID]()
		}
		tag, err := t.Exec(ctx, `UPDATE lot_input SET replaced_by = $3 WHERE workshop_id = $1 AND id = $2 AND replaced_by IS NULL`, who.Workshop, c.ID, next)
		if err != nil {
			return err
		}
		if tag.RowsAffected() == 0 {
			return fault.New(fault.Conflict, "This was corrected meanwhile. Look at what stands now.")
		}
		t.result = c.Lot
		return t.refill(ctx, c, old, next, tubs)
	})
	if err != nil {
		return fmt.Errorf("store: correct filling of %q: %w", c.Lot, err)
	}
	return nil
}

// fillingToCorrect reads the entry and whether its writer may.
func (t *tx) fillingToCorrect(ctx context.Context, c FillingCorrection) (oldFilling, error) {
	var f fault.Fields
	checkLength(&f, "reason", c.Reason, 500)
	if !c.Withdraw && !c.Quantity.IsPositive() {
		f.Add("amount", "How much of it? Write more than 0.")
	} else if !c.Withdraw && c.Quantity.GreaterThan(mostG) {
		f.Add("amount", "That is more than a hundred tonnes.")
	}
	var old oldFilling
	list, err := queryFillings(ctx, t, "source_lot_id", `JOIN material_lot tub ON tub.workshop_id = i.workshop_id AND tub.id = i.lot_id WHERE i.workshop_id = $1 AND i.id = $2 AND tub.code = $3`, t.who.Workshop, c.ID, c.Lot)
	if err != nil {
		return old, err
	}
	if len(list) == 0 {
		return old, fault.New(fault.NotFound, "That is not in the book of this tub.")
	}
	old.Filling = list[0]
	var by *PersonID
	if old.By != (PersonID{}) {
		by = &old.By
	}
	if err := t.mayCorrect(by, old.At); err != nil {
		return old, err
	}
	if old.Lot.Material.Unit == "each" && !c.Quantity.IsInteger() {
		f.Add("amount", "Pieces are counted whole: write a whole number.")
	}
	if err := f.Err(); err != nil {
		return old, err
	}
	return old, t.QueryRow(ctx, `SELECT change_id FROM lot_input WHERE workshop_id = $1 AND id = $2`, t.who.Workshop, c.ID).Scan(&old.Change)
}

type oldFilling struct {
	Filling
	Change ChangeID
}

// refill books what stands instead of a filling that was marked as replaced.
func (t *tx) refill(ctx context.Context, c FillingCorrection, old oldFilling, next FillingID, tubs downstream) error {
	if err := t.withdrawDeviations(ctx, c.ID); err != nil {
		return err
	}
	if err := t.undraw(ctx, oldInput{Lot: old.Lot.Code, Change: old.Change}); err != nil {
		return err
	}
	var poured pouring
	var unfit []string
	if !c.Withdraw {
		tub, err := lotByCode(ctx, t, t.who.Workshop, c.Lot)
		if err != nil {
			return err
		}
		source, err := lotByCode(ctx, t, t.who.Workshop, old.Lot.Code)
		if err != nil {
			return err
		}
		asked := lotUnfit(t.workshop.Style, source, old.On)
		unfit = asked
		if c.Quantity.GreaterThan(source.OnHand) {
			asked = append(append([]string{}, asked...), fmt.Sprintf("The book holds %s of lot %s.", t.amount(source.OnHand, source.Material.Unit), source.Code))
		}
		if c.Really.Reason == "" {
			c.Really.Reason = c.Reason
		}
		if err := c.Really.ask(asked); err != nil {
			return err
		}
		poured = pouring{lot: tub, on: old.On, really: c.Really}
		if err := t.pourOne(ctx, poured, source, c.Quantity, next); err != nil {
			return err
		}
	}
	// Others may have drawn since on what is taken back here.
	for _, code := range []string{old.Lot.Code, c.Lot} {
		if err := t.cover(ctx, code); err != nil {
			return err
		}
	}
	if err := t.pouredUnfit(ctx, poured, next, unfit); err != nil {
		return err
	}
	return t.settleTubs(ctx, tubs)
}
