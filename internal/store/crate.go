package store

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"strings"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"example.org/stillroom/internal/day"
	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/measure"
)

// Crate is units for an event: a list while it is packed, one dispatch once it is away, returns and moves once it is
// back.
type Crate struct {
	ID           CrateID
	Code         string
	CustomerCode string
	CustomerName string
	On           day.Day // of the event
	Note         string
	Status       string // packing, away, back, dropped
	Dispatch     string // code, once it left
	LeftOn       day.Day
	BackOn       day.Day
	Packings     int
	Units        int // packed; once it left, what its dispatch says left
	Returned     int // came back, testers and broken ones among them
}

// Sold is what did not come back of a crate that is back: as far as anybody knows, it was sold.
func (c Crate) Sold() int { return c.Units - c.Returned }

// CrateLine is units of one packing in a crate that is being packed.
type CrateLine struct {
	Packing
	InCrate int
}

// CrateOut is what a crate took of one packing, and what became of it.
type CrateOut struct {
	DispatchedLine
	Tester, Broken, Gift int // came back only in the book, and left as that
	Damaged              int // came back and is on hold, or destroyed
	Entries              []CrateEntry
}

// Shelf is what came back and is as good as when it left.
func (o CrateOut) Shelf() int { return o.Returned - o.Tester - o.Broken - o.Gift - o.Damaged }

// CrateEntry is a return or move that counting back booked: what a correction takes back.
type CrateEntry struct {
	Packing string
	Code    string
	What    string // restock, hold, destroy, tester, broken, gift
	Units   int
}

// CratePage is a crate with all that belongs to it.
type CratePage struct {
	Crate
	Made
	Lines []CrateLine  // as packed: what stands
	Out   []CrateOut   // once it left
	Bad   []BadPacking // of those in it or taken along; read for its page alone
	// Seen names what stands here now, so that a form written on a page drawn before a change is told.
	Seen string
}

func queryCrates(ctx context.Context, t pgx.Tx, where string, args ...any) ([]Crate, error) {
	rows, err := t.Query(ctx, `SELECT k.id, k.code, c.code, c.name, k.event_on, k.note, k.status, coalesce(d.code, ''), d.dispatched_on, k.back_on, n.packings, n.units, n.returned
		FROM crate k JOIN customer c ON c.workshop_id = k.workshop_id AND c.id = k.customer_id LEFT JOIN dispatch d ON d.workshop_id = k.workshop_id AND d.id = k.dispatch_id
		CROSS JOIN LATERAL (SELECT count(*)::int AS packings, coalesce(sum(x.units), 0)::int AS units,
			coalesce((SELECT sum(b.units) FROM unit_return b WHERE b.workshop_id = k.workshop_id AND b.dispatch_id = k.dispatch_id AND b.replaced_by IS NULL), 0)::int AS returned FROM (
				SELECT l.units FROM crate_line l WHERE k.dispatch_id IS NULL AND l.workshop_id = k.workshop_id AND l.crate_id = k.id AND l.replaced_by IS NULL
				UNION ALL SELECT l.units FROM dispatch_line l WHERE l.workshop_id = k.workshop_id AND l.dispatch_id = k.dispatch_id AND l.replaced_by IS NULL) x OFFSET 0) n `+where, args...)
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, pgx.RowToStructByPos[Crate])
}

// Crates is a page of at most limit of them, the latest event first, behind the crate of a code, and the code that the next begins behind.
func (s *Store) Crates(ctx context.Context, workshop WorkshopID, after string, limit int) (list []Crate, next string, err error) {
	err = s.read(ctx, workshop, func(t pgx.Tx) (err error) {
		list, next, err = cratesAfter(ctx, t, workshop, after, limit, `SELECT x.id FROM crate x WHERE x.workshop_id = $1`)
		return err
	})
	if err != nil {
		return nil, "", fmt.Errorf("store: crates: %w", err)
	}
	return list, next, nil
}

// cratesAfter reads a page by key. from chooses ids of crates x with its own arguments from $5. The page is cut before its
// lines are summed.
func cratesAfter(ctx context.Context, t pgx.Tx, workshop WorkshopID, after string, limit int, from string, args ...any) (list []Crate, next string, err error) {
	on, id := lastDay, CrateID(uuid.Max)
	if err := boundary(ctx, t, workshop, after, `SELECT event_on, id FROM crate WHERE workshop_id = $1 AND code = $2`, &on, &id); err != nil {
		return nil, "", err
	}
	list, err = queryCrates(ctx, t, `WHERE k.workshop_id = $1 AND k.id = ANY (ARRAY (`+from+` AND (x.event_on, x.id) < ($2, $3) ORDER BY x.event_on DESC, x.id DESC LIMIT $4))
		ORDER BY k.event_on DESC, k.id DESC`, append([]any{workshop, on, id, limit + 1}, args...)...)
	list, next = cut(list, limit, func(c Crate) string { return c.Code })
	return list, next, err
}

// CratePage reads one crate.
func (s *Store) CratePage(ctx context.Context, workshop WorkshopID, code string) (CratePage, error) {
	var page CratePage
	err := s.read(ctx, workshop, func(t pgx.Tx) (err error) {
		if page, err = cratePage(ctx, t, workshop, code); err != nil {
			return err
		}
		var codes []string
		for _, l := range page.Lines {
			codes = append(codes, l.Code)
		}
		for _, o := range page.Out {
			codes = append(codes, o.Packing)
		}
		page.Bad, err = badPackings(ctx, t, workshop, codes...)
		return err
	})
	if err != nil {
		return CratePage{}, fmt.Errorf("store: crate %q: %w", code, err)
	}
	return page, nil
}

func cratePage(ctx context.Context, t pgx.Tx, workshop WorkshopID, code string) (CratePage, error) {
	var page CratePage
	list, err := queryCrates(ctx, t, `WHERE k.workshop_id = $1 AND k.code = $2`, workshop, code)
	if err == nil && len(list) == 0 {
		err = fault.New(fault.NotFound, fmt.Sprintf("There is no crate %q.", code))
	}
	if err != nil {
		return page, err
	}
	page.Crate = list[0]
	if err := t.QueryRow(ctx, `SELECT coalesce(p.name, c.actor), c.at FROM crate e`+madeBy+`WHERE e.workshop_id = $1 AND e.id = $2`, workshop, page.ID).Scan(&page.By, &page.At); err != nil {
		return page, err
	}
	if page.Lines, err = crateLines(ctx, t, workshop, page.ID); err != nil {
		return page, err
	}
	if page.Dispatch != "" {
		if page.Out, err = crateOut(ctx, t, workshop, page.ID); err != nil {
			return page, err
		}
	}
	page.Seen = page.seen()
	return page, nil
}

// crateLines are the lines that stand, in the order in which stock leaves.
func crateLines(ctx context.Context, t pgx.Tx, workshop WorkshopID, crate CrateID) ([]CrateLine, error) {
	rows, err := t.Query(ctx, `SELECT packing_id, units FROM crate_line WHERE workshop_id = $1 AND crate_id = $2 AND replaced_by IS NULL`, workshop, crate)
	if err != nil {
		return nil, err
	}
	units := map[PackingID]int{}
	var ids []PackingID
	var id PackingID
	var n int
	if _, err := pgx.ForEachRow(rows, []any{&id, &n}, func() error {
		units[id] = n
		ids = append(ids, id)
		return nil
	}); err != nil {
		return nil, err
	}
	packings, err := queryPackings(ctx, t, `WHERE p.workshop_id = $1 AND p.id = ANY ($2::uuid[]) ORDER BY lower(r.name), r.code, p.best_before NULLS LAST, b.made_on, p.code`, workshop, ids)
	lines := make([]CrateLine, len(packings))
	for i, p := range packings {
		lines[i] = CrateLine{p, units[p.ID]}
	}
	return lines, err
}

// crateOut is what left in the crate's dispatch, with what came back of it.
func crateOut(ctx context.Context, t pgx.Tx, workshop WorkshopID, crate CrateID) ([]CrateOut, error) {
	var dispatch DispatchID
	if err := t.QueryRow(ctx, `SELECT dispatch_id FROM crate WHERE workshop_id = $1 AND id = $2`, workshop, crate).Scan(&dispatch); err != nil {
		return nil, err
	}
	lines, err := dispatchedLines(ctx, t, workshop, dispatch)
	if err != nil {
		return nil, err
	}
	// A move belongs to the crate where it was booked under one change with a return of its dispatch.
	rows, err := t.Query(ctx, `SELECT p.code, e.code, e.what, e.units FROM (
			SELECT x.packing_id, x.code, x.disposition AS what, x.units, 1 AS kind FROM unit_return x WHERE x.workshop_id = $1 AND x.dispatch_id = $2 AND x.replaced_by IS NULL
			UNION ALL SELECT v.packing_id, v.code, v.reason, -v.units, 2 FROM (SELECT DISTINCT y.packing_id, y.change_id FROM unit_return y WHERE y.workshop_id = $1 AND y.dispatch_id = $2) y
				JOIN unit_move v ON v.workshop_id = $1 AND v.packing_id = y.packing_id AND v.change_id = y.change_id AND v.replaced_by IS NULL) e
		JOIN packing p ON p.workshop_id = $1 AND p.id = e.packing_id ORDER BY e.kind, e.code`, workshop, dispatch)
	if err != nil {
		return nil, err
	}
	entries, err := pgx.CollectRows(rows, pgx.RowToStructByPos[CrateEntry])
	var out []CrateOut
	for _, l := range lines {
		if l.Units == 0 {
			continue
		}
		o := CrateOut{DispatchedLine: l}
		for _, e := range entries {
			if e.Packing == l.Packing {
				o.take(e)
			}
		}
		out = append(out, o)
	}
	return out, err
}

func (o *CrateOut) take(e CrateEntry) {
	o.Entries = append(o.Entries, e)
	switch e.What {
	case "tester":
		o.Tester += e.Units
	case "broken":
		o.Broken += e.Units
	case "gift":
		o.Gift += e.Units
	case "hold", "destroy":
		o.Damaged += e.Units
	}
}

// seen is a hash over what a form about the crate was drawn with.
func (p CratePage) seen() string {
	var words strings.Builder
	fmt.Fprintf(&words, "%s|%s|%s|%s", p.Status, p.On, p.Note, p.CustomerCode)
	for _, l := range p.Lines {
		fmt.Fprintf(&words, "|%s:%d", l.Code, l.InCrate)
	}
	for _, o := range p.Out {
		fmt.Fprintf(&words, "|%s:%d:%d", o.Packing, o.Units, o.Returned)
	}
	sum := sha256.Sum256([]byte(words.String()))
	return hex.EncodeToString(sum[:8])
}

// NewCrate is a crate to pack: for an event, with the units that go into it.
type NewCrate struct {
	Customer string // code of an event; or
	NewEvent string // the name of one that is not in the book yet
	On       day.Day
	Note     string
	Lines    []DispatchLine
}

func (n NewCrate) check(f *fault.Fields) {
	switch {
	case n.Customer == "" && strings.TrimSpace(n.NewEvent) == "":
		f.Add("customer", "Which event? Choose one, or write a new one.")
	case n.Customer != "" && n.NewEvent != "":
		f.Add("new_customer", "Choose an event or write a new one, not both.")
	default:
		checkLength(f, "new_customer", n.NewEvent, 200)
	}
	checkCrate(f, n.On, n.Note)
}

func checkCrate(f *fault.Fields, on day.Day, note string) {
	if on.IsZero() {
		f.Add("event_on", "On which day is it?")
	}
	checkWords(f, "note", note)
}

// AddCrate begins a crate and answers its code. What goes into it is a plan until it leaves: nothing is taken off the
// shelf, and whether it may leave is asked then. Faults: customer, new_customer, event_on, note, and beside a line
// LineField and CodeField.
func (s *Store) AddCrate(ctx context.Context, who Who, entry Entry, n NewCrate) (string, error) {
	code, err := s.write(ctx, who, create, "", entry, func(t *tx) error {
		var f fault.Fields
		n.check(&f)
		lines, err := t.cratePackings(ctx, &f, n.Lines)
		if err != nil {
			return err
		}
		var c Customer
		if n.Customer != "" {
			if c, err = t.eventByCode(ctx, &f, n.Customer); err != nil {
				return err
			}
		}
		if err := f.Err(); err != nil {
			return err
		}
		if n.Customer == "" {
			if c, err = t.addCustomer(ctx, Customer{Name: strings.TrimSpace(n.NewEvent), Kind: "event"}); err != nil {
				return err
			}
		}
		code, err := t.yearCode(ctx, "C", "crate", n.On.Year())
		if err != nil {
			return err
		}
		id := newID[CrateID]()
		if _, err := t.Exec(ctx, `INSERT INTO crate (workshop_id, id, code, customer_id, event_on, note, status, change_id) VALUES ($1, $2, $3, $4, $5, $6, 'packing', $7)`,
			who.Workshop, id, code, c.ID, n.On, n.Note, t.change); err != nil {
			return err
		}
		for _, l := range lines {
			if err := t.insertCrateLine(ctx, newID[CrateLineID](), id, l); err != nil {
				return err
			}
		}
		t.result = code
		return t.index(ctx, "crate", id, foldWord(code))
	})
	if err != nil {
		return "", fmt.Errorf("store: add crate: %w", err)
	}
	return code, nil
}

func (t *tx) eventByCode(ctx context.Context, f *fault.Fields, code string) (Customer, error) {
	c, err := customerByCode(ctx, t, t.who.Workshop, code)
	if known := fault.As(err); known != nil {
		f.Add("customer", known.Message)
		return c, nil
	}
	if err == nil && c.Kind != "event" {
		f.Add("customer", c.Name+" is no event. What goes to a shop or a buyer is a dispatch.")
	}
	return c, err
}

// cratePackings finds the packings of lines, and notes what is off beside each. They are not locked: a crate that is
// being packed takes nothing.
func (t *tx) cratePackings(ctx context.Context, f *fault.Fields, asked []DispatchLine) ([]line, error) {
	if len(asked) > mostLines {
		f.Add("lines", fmt.Sprintf("At most %d packings in one crate.", mostLines))
		return nil, nil
	}
	var lines []line
	seen := map[PackingID]bool{}
	for i, l := range asked {
		if l.Units == 0 {
			continue
		}
		p, err := t.crateLine(ctx, f, i, l)
		if err != nil {
			return nil, err
		}
		if p == nil {
			continue
		}
		if seen[p.ID] {
			f.Add(LineField(i), p.Code+" stands here twice: write its units in one line.")
			continue
		}
		seen[p.ID] = true
		lines = append(lines, line{field: LineField(i), packing: *p, units: l.Units})
	}
	return lines, nil
}

// crateLine finds the packing of one line; nil where something is off with it.
func (t *tx) crateLine(ctx context.Context, f *fault.Fields, i int, l DispatchLine) (*Packing, error) {
	fits := l.Units >= 1 && l.Units <= mostUnits
	if !fits {
		f.Add(LineField(i), "Between 1 and 1,000,000 units.")
	}
	if strings.TrimSpace(l.Packing) == "" {
		f.Add(CodeField(i), "Which code stands on them?")
		return nil, nil
	}
	p, err := typedPacking(ctx, t, t.who.Workshop, l.Packing)
	switch {
	case fault.Is(err, fault.NotFound):
		f.Add(CodeField(i), fmt.Sprintf("No packing has the code %q.", l.Packing))
		return nil, nil
	case err != nil || !fits:
		return nil, err
	}
	return &p, nil
}

func (t *tx) insertCrateLine(ctx context.Context, id CrateLineID, crate CrateID, l line) error {
	_, err := t.Exec(ctx, `INSERT INTO crate_line (workshop_id, id, crate_id, packing_id, units, change_id) VALUES ($1, $2, $3, $4, $5, $6)`, t.who.Workshop, id, crate, l.packing.ID, l.units, t.change)
	return err
}

// lockCrate keeps others from changing a crate until the transaction ends, and reads it then. One that is not in the
// status asked for, or not as it was seen, is a conflict; an empty seen is not compared. Take it before the packings.
func (t *tx) lockCrate(ctx context.Context, code, status, seen string) (CratePage, error) {
	if _, err := t.Exec(ctx, `SELECT FROM crate WHERE workshop_id = $1 AND code = $2 FOR NO KEY UPDATE`, t.who.Workshop, code); err != nil {
		return CratePage{}, err
	}
	page, err := cratePage(ctx, t, t.who.Workshop, code)
	if err != nil {
		return page, err
	}
	if page.Status != status {
		return page, fault.New(fault.Conflict, "Crate "+page.Code+" "+crateIs[page.Status]+".")
	}
	if seen != "" && seen != page.Seen {
		return page, fault.New(fault.Conflict, "Somebody changed crate "+page.Code+" meanwhile. Look at what is in the book now; sending it again puts yours in its place.")
	}
	return page, nil
}

var crateIs = map[string]string{"packing": "has not left yet", "away": "is away already", "back": "is back already", "dropped": "was dropped"}

// CrateEdit is a crate that is being packed, as it should be.
type CrateEdit struct {
	On    day.Day
	Note  string
	Lines []DispatchLine // all of it: what is not listed is taken out
	Seen  string         // of the page that was changed
}

// changedCrate is the reason kept with a change of a crate before it leaves: nobody is asked for one.
const changedCrate = "Changed while it was packed."

// EditCrate changes a crate that is being packed. Lines that differ are replaced, and the old ones stay. Faults:
// event_on, note, and beside a line LineField and CodeField.
func (s *Store) EditCrate(ctx context.Context, who Who, entry Entry, code string, e CrateEdit) error {
	_, err := s.write(ctx, who, correct, changedCrate, entry, func(t *tx) error {
		page, err := t.lockCrate(ctx, code, "packing", e.Seen)
		if err != nil {
			return err
		}
		var f fault.Fields
		checkCrate(&f, e.On, e.Note)
		lines, err := t.cratePackings(ctx, &f, e.Lines)
		if err != nil {
			return err
		}
		if err := f.Err(); err != nil {
			return err
		}
		t.result = code
		if _, err := t.Exec(ctx, `UPDATE crate SET event_on = $3, note = $4 WHERE workshop_id = $1 AND id = $2 AND (event_on, note) IS DISTINCT FROM ($3, $4)`, who.Workshop, page.ID, e.On, e.Note); err != nil {
			return err
		}
		wanted := map[PackingID]line{}
		for _, l := range lines {
			wanted[l.packing.ID] = l
		}
		for _, have := range page.Lines {
			l, stays := wanted[have.ID]
			delete(wanted, have.ID)
			if !stays || l.units != have.InCrate {
				if err := t.replaceCrateLine(ctx, page.ID, have.ID, l); err != nil {
					return err
				}
			}
		}
		for _, l := range lines {
			if _, isNew := wanted[l.packing.ID]; isNew {
				if err := t.insertCrateLine(ctx, newID[CrateLineID](), page.ID, l); err != nil {
					return err
				}
			}
		}
		return nil
	})
	if err != nil {
		return fmt.Errorf("store: edit crate %q: %w", code, err)
	}
	return nil
}

// replaceCrateLine puts a line in the place of the one that stands for a packing; one of no units takes it out.
func (t *tx) replaceCrateLine(ctx context.Context, crate CrateID, packing PackingID, l line) error {
	id := newID[CrateLineID]()
	if _, err := t.Exec(ctx, `UPDATE crate_line SET replaced_by = CASE WHEN $5 THEN $4 ELSE id END WHERE workshop_id = $1 AND crate_id = $2 AND packing_id = $3 AND replaced_by IS NULL`,
		t.who.Workshop, crate, packing, id, l.units > 0); err != nil || l.units == 0 {
		return err
	}
	return t.insertCrateLine(ctx, id, crate, l)
}

// AddToCrate puts so many more units of a packing into a crate that is being packed. Faults: packing, units.
func (s *Store) AddToCrate(ctx context.Context, who Who, entry Entry, code string, add DispatchLine) error {
	_, err := s.write(ctx, who, create, "", entry, func(t *tx) error {
		page, err := t.lockCrate(ctx, code, "packing", "")
		if err != nil {
			return err
		}
		var at fault.Fields
		p, err := t.crateLine(ctx, &at, 0, add)
		if err != nil {
			return err
		}
		if p == nil {
			var f fault.Fields
			off := fault.As(at.Err())
			for _, at := range []struct{ line, field string }{{CodeField(0), "packing"}, {LineField(0), "units"}} {
				if words := off.Of(at.line); words != "" {
					f.Add(at.field, words)
				}
			}
			return f.Err()
		}
		t.result = code
		for _, have := range page.Lines {
			if have.ID == p.ID {
				if have.InCrate+add.Units > mostUnits {
					return fault.In("units", "Between 1 and 1,000,000 units.")
				}
				return t.replaceCrateLine(ctx, page.ID, p.ID, line{packing: *p, units: have.InCrate + add.Units})
			}
		}
		if len(page.Lines) >= mostLines {
			return fault.In("packing", fmt.Sprintf("At most %d packings in one crate.", mostLines))
		}
		return t.insertCrateLine(ctx, newID[CrateLineID](), page.ID, line{packing: *p, units: add.Units})
	})
	if err != nil {
		return fmt.Errorf("store: add to crate %q: %w", code, err)
	}
	return nil
}

// DropCrate gives a crate up before it left; its list stays.
func (s *Store) DropCrate(ctx context.Context, who Who, entry Entry, code string) error {
	_, err := s.write(ctx, who, progress, "", entry, func(t *tx) error {
		page, err := t.lockCrate(ctx, code, "packing", "")
		if err != nil {
			return err
		}
		t.result = code
		_, err = t.Exec(ctx, `UPDATE crate SET status = 'dropped' WHERE workshop_id = $1 AND id = $2`, who.Workshop, page.ID)
		return err
	})
	if err != nil {
		return fmt.Errorf("store: drop crate %q: %w", code, err)
	}
	return nil
}

// CrateLeaves is a crate that leaves for its event.
type CrateLeaves struct {
	On          day.Day
	AlreadyLeft bool   // as in NewDispatch
	Reason      string // needed with AlreadyLeft
	Seen        string // of the page
}

// SendCrate records that a crate leaves: one dispatch to its event of all that is in it, by the same rules as any other.
// It answers the dispatch's code. Faults: as Dispatch, with lines in the order of the crate's page.
func (s *Store) SendCrate(ctx context.Context, who Who, entry Entry, code string, l CrateLeaves) (string, error) {
	reason := ""
	if l.AlreadyLeft {
		reason = l.Reason
	}
	dispatch, err := s.write(ctx, who, create, reason, entry, func(t *tx) error {
		page, err := t.lockCrate(ctx, code, "packing", l.Seen)
		if err != nil {
			return err
		}
		n := NewDispatch{Customer: page.CustomerCode, On: l.On, AlreadyLeft: l.AlreadyLeft, Reason: l.Reason, Note: "Crate " + page.Code}
		for _, line := range page.Lines {
			n.Lines = append(n.Lines, DispatchLine{Packing: line.Code, Units: line.InCrate})
		}
		if err := t.dispatch(ctx, n); err != nil {
			return err
		}
		d, err := t.sentByCode(ctx, t.result)
		if err != nil {
			return err
		}
		_, err = t.Exec(ctx, `UPDATE crate SET status = 'away', dispatch_id = $3 WHERE workshop_id = $1 AND id = $2`, who.Workshop, page.ID, d.ID)
		return err
	})
	if err != nil {
		return "", fmt.Errorf("store: send crate %q: %w", code, err)
	}
	return dispatch, nil
}

// CrateCount is what is there of one packing when a crate comes back. What is none of it was sold.
type CrateCount struct {
	Packing     string // code
	Left        int    // as good as when they left: back to stock
	Tester      int    // opened for people to try
	Broken      int    // gone
	Gift        int    // given away
	Damaged     int    // here, but not for sale
	Disposition string // of the damaged: hold or destroy
	Note        string // what is wrong with them
}

// gone are units that come back only in the book, to leave it as what they were.
func (c CrateCount) gone() int { return c.Tester + c.Broken + c.Gift }

// Accounted is all that was not sold.
func (c CrateCount) Accounted() int { return c.Left + c.gone() + c.Damaged }

// CrateBack is a crate that is back and was counted, line by line.
type CrateBack struct {
	On    day.Day
	Lines []CrateCount
	Seen  string // of the page
}

// BackField names the form field of what was counted ("left", "tester", "broken", "gift", "damaged", "disposition",
// "note") in the line at an index.
func BackField(what string, i int) string { return fmt.Sprintf("%s-%d", what, i) }

// Check tells everything at once that cannot be right in a count against what the crate took; today is the workshop's.
// Faults: returned_on, lines, and beside a line BackField.
func (b CrateBack) Check(style measure.Style, page CratePage, today day.Day) error {
	var f fault.Fields
	b.check(style, &f, page, today)
	return f.Err()
}

func (b CrateBack) check(style measure.Style, f *fault.Fields, page CratePage, today day.Day) {
	checkHappened(f, "returned_on", b.On, today, "When did it come back?")
	if b.On.Before(page.LeftOn) && !b.On.IsZero() {
		f.Add("returned_on", "It left only on "+style.Day(page.LeftOn)+".")
	}
	counted := map[string]bool{}
	for i, c := range b.Lines {
		at := -1
		for k, o := range page.Out {
			if o.Packing == c.Packing && !counted[c.Packing] {
				at = k
			}
		}
		if at < 0 {
			f.Add(BackField("left", i), fmt.Sprintf("%q is not in this crate, or stands here twice.", c.Packing))
			continue
		}
		counted[c.Packing] = true
		c.check(f, i, page.Out[at])
	}
	for _, o := range page.Out {
		if !counted[o.Packing] {
			f.Add("lines", "How many of "+o.Packing+" are left? 0 where all were sold.")
		}
	}
}

func (c CrateCount) check(f *fault.Fields, i int, o CrateOut) {
	for _, n := range []struct {
		what  string
		units int
	}{{"left", c.Left}, {"tester", c.Tester}, {"broken", c.Broken}, {"gift", c.Gift}, {"damaged", c.Damaged}} {
		if n.units < 0 || n.units > mostUnits {
			f.Add(BackField(n.what, i), "Between 0 and 1,000,000.")
			return
		}
	}
	taken := fmt.Sprintf("%d were taken", o.Units)
	if o.Returned > 0 {
		taken += fmt.Sprintf(" and %d came back already", o.Returned)
	}
	if c.Left > o.Out() {
		f.Add(BackField("left", i), fmt.Sprintf("%s: %d cannot be left.", taken, c.Left))
	} else if c.Accounted() > o.Out() {
		f.Add(BackField("left", i), fmt.Sprintf("%s: %s make %d.", taken, c.words(), c.Accounted()))
	}
	if c.Damaged == 0 {
		return
	}
	if c.Disposition != "hold" && c.Disposition != "destroy" {
		f.Add(BackField("disposition", i), "Choose what becomes of the damaged ones.")
	}
	if strings.TrimSpace(c.Note) == "" {
		f.Add(BackField("note", i), "Say what is wrong with them.")
	}
	checkLength(f, BackField("note", i), c.Note, 800)
}

// words lists what was counted: "18 left, 1 tester, 2 broken".
func (c CrateCount) words() string {
	var parts []string
	for _, n := range []struct {
		units int
		word  string
	}{{c.Left, "left"}, {c.Tester, "tester"}, {c.Broken, "broken"}, {c.Gift, "gift"}, {c.Damaged, "damaged"}} {
		if n.units > 0 {
			parts = append(parts, fmt.Sprintf("%d %s", n.units, n.word))
		}
	}
	return strings.Join(parts, ", ")
}

// BookCrateBack books a crate that is back, all of it or nothing: what is left returns to stock; testers, broken ones and
// gifts return and leave again as that, so that a recall does not look for them at the fair; damaged ones return on hold
// or as destroyed; the rest was sold. Faults: as CrateBack.Check.
func (s *Store) BookCrateBack(ctx context.Context, who Who, entry Entry, code string, b CrateBack) error {
	_, err := s.write(ctx, who, create, "", entry, func(t *tx) error {
		page, err := t.lockCrate(ctx, code, "away", b.Seen)
		if err != nil {
			return err
		}
		d, err := t.sentByCode(ctx, page.Dispatch)
		if err != nil {
			return err
		}
		var f fault.Fields
		b.check(t.workshop.Style, &f, page, t.today)
		if err := f.Err(); err != nil {
			return err
		}
		ids := make([]PackingID, len(b.Lines))
		for i, c := range b.Lines {
			p, err := packingByCode(ctx, t, who.Workshop, c.Packing)
			if err != nil {
				return err
			}
			ids[i] = p.ID
		}
		locked, err := t.lockPackings(ctx, ids)
		if err != nil {
			return err
		}
		// A return is written under its packing's lock: until now one could have come in between.
		if page, err = cratePage(ctx, t, who.Workshop, code); err != nil {
			return err
		}
		b.check(t.workshop.Style, &f, page, t.today)
		for i, c := range b.Lines {
			// Returns whose dispatch nobody knew may have been of these.
			if why, _, err := t.tooMany(ctx, sent{}, locked[ids[i]], c.Accounted()); err != nil {
				return err
			} else if why != "" {
				f.Add(BackField("left", i), why)
			}
		}
		if err := f.Err(); err != nil {
			return err
		}
		if err := t.crateReturns(ctx, page, d, ids, b); err != nil {
			return err
		}
		t.result = code
		_, err = t.Exec(ctx, `UPDATE crate SET status = 'back', back_on = $3 WHERE workshop_id = $1 AND id = $2`, who.Workshop, page.ID, b.On)
		return err
	})
	if err != nil {
		return fmt.Errorf("store: crate %q back: %w", code, err)
	}
	return nil
}

// crateReturns writes the returns and moves of a counted crate. Returns come first, then moves: whoever numbers them in
// turns, and somebody else in the other order, would wait for each other.
func (t *tx) crateReturns(ctx context.Context, page CratePage, d sent, ids []PackingID, b CrateBack) error {
	note := "Crate " + page.Code
	for i, c := range b.Lines {
		if back := c.Left + c.gone(); back > 0 {
			if _, _, err := t.insertReturn(ctx, &d.ID, ids[i], NewReturn{On: b.On, Units: back, Disposition: "restock", Note: note}); err != nil {
				return err
			}
		}
		if c.Damaged > 0 {
			if _, _, err := t.insertReturn(ctx, &d.ID, ids[i], NewReturn{On: b.On, Units: c.Damaged, Disposition: c.Disposition, Note: note + ": " + strings.TrimSpace(c.Note)}); err != nil {
				return err
			}
		}
	}
	for i, c := range b.Lines {
		for _, gone := range []struct {
			reason string
			units  int
		}{{"tester", c.Tester}, {"broken", c.Broken}, {"gift", c.Gift}} {
			if gone.units == 0 {
				continue
			}
			if err := t.moveUnits(ctx, ids[i], b.On, -gone.units, gone.reason, false, "At the fair, crate "+page.Code); err != nil {
				return err
			}
		}
	}
	return nil
}
