package store

import (
	"context"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"

	"example.org/stillroom/internal/day"
	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/reporting"
)

// CameBy are the ways in which a complaint comes, in the order in which forms offer them.
var CameBy = []string{"telephone", "email", "letter", "in_person", "message", "stockist", "other"}

// FollowUpKinds are what may be noted about a complaint.
var FollowUpKinds = []string{"call", "letter", "test", "medical", "authority", "decision", "other"}

// Complaint is a customer's report.
type Complaint struct {
	ID           ComplaintID
	N            int
	ReceivedAt   time.Time
	CameBy       string // one of CameBy
	Name         string // personal, as are Email, Phone and What
	Email, Phone string
	Customer     string // code of the customer of the book who passed it on or is it; empty for none
	CustomerName string
	Product      string // code, as somebody said or decided; empty where nobody knows
	ProductName  string
	Packing      string // code, as somebody decided; empty where nobody has
	Batch        string // code, of the packing
	CodeSaid     string // as it was read out
	BoughtAt     string // where
	BoughtOn     day.Day
	HappenedOn   day.Day
	What         string
	Kind         reporting.Kind
	Criteria     []string // keys of reporting.Criteria
	Market       reporting.Market
	Outcome      string
	ClosedAt     *time.Time // nil while it is open
	ErasedAt     *time.Time // nil while its personal values are kept
}

// Code is the number as it is shown.
func (c Complaint) Code() string { return ComplaintCode(c.N) }

// Open tells whether nobody has closed it.
func (c Complaint) Open() bool { return c.ClosedAt == nil }

// ComplaintCode is "C-12".
func ComplaintCode(n int) string { return "C-" + strconv.Itoa(n) }

// ParseComplaint reads "C-12", "c12" or "12".
func ParseComplaint(code string) (int, error) {
	digits := strings.TrimPrefix(strings.TrimPrefix(strings.ToUpper(strings.TrimSpace(code)), "C"), "-")
	n, err := strconv.Atoi(digits)
	if err != nil || n < 1 || n > math.MaxInt32 || strings.HasPrefix(digits, "+") {
		return 0, fault.New(fault.NotFound, fmt.Sprintf("There is no complaint %q.", code))
	}
	return n, nil
}

const complaintColumns = `e.id, e.n, e.received_at, e.came_by, e.name, e.email, e.phone, coalesce(u.code, ''), coalesce(u.name, ''), coalesce(r.code, ''), coalesce(r.name, ''), coalesce(k.code, ''), coalesce(b.code, ''),
	e.code_said, e.bought_at, e.bought_on, e.happened_on, e.what, e.kind, string_to_array(e.criteria, ','), e.market, e.outcome, e.closed_at, e.erased_at`

const complaintFrom = ` FROM complaint e LEFT JOIN customer u ON u.workshop_id = e.workshop_id AND u.id = e.customer_id LEFT JOIN product r ON r.workshop_id = e.workshop_id AND r.id = e.product_id
	LEFT JOIN packing k ON k.workshop_id = e.workshop_id AND k.id = e.packing_id LEFT JOIN batch b ON b.workshop_id = e.workshop_id AND b.id = k.batch_id `

// queryComplaints reads complaints; where may name e (complaint), u (customer), r (product), k (packing), b (batch), and order.
func queryComplaints(ctx context.Context, t pgx.Tx, where string, args ...any) ([]Complaint, error) {
	rows, err := t.Query(ctx, `SELECT `+complaintColumns+complaintFrom+where, args...)
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, func(row pgx.CollectableRow) (Complaint, error) {
		var c Complaint
		err := row.Scan(&c.ID, &c.N, &c.ReceivedAt, &c.CameBy, &c.Name, &c.Email, &c.Phone, &c.Customer, &c.CustomerName, &c.Product, &c.ProductName, &c.Packing, &c.Batch,
			&c.CodeSaid, &c.BoughtAt, &c.BoughtOn, &c.HappenedOn, &c.What, &c.Kind, &c.Criteria, &c.Market, &c.Outcome, &c.ClosedAt, &c.ErasedAt)
		return c, err
	})
}

func complaintByNumber(ctx context.Context, t pgx.Tx, workshop WorkshopID, number int) (Complaint, error) {
	list, err := queryComplaints(ctx, t, `WHERE e.workshop_id = $1 AND e.n = $2`, workshop, number)
	if err == nil && len(list) == 0 {
		err = fault.New(fault.NotFound, "There is no complaint "+ComplaintCode(number)+".")
	}
	if err != nil {
		return Complaint{}, err
	}
	return list[0], nil
}

// ComplaintFilter chooses complaints; an empty field chooses all.
type ComplaintFilter struct {
	OpenOnly bool
	Kind     string
	Product  string // code
	Packing  string // code
	Customer string // code
}

// Complaints is a page of at most limit of them, the newest first, behind the one of a code, and the code that the next
// begins behind.
func (s *Store) Complaints(ctx context.Context, workshop WorkshopID, f ComplaintFilter, after string, limit int) (list []Complaint, next string, err error) {
	before := math.MaxInt32
	if n, err := ParseComplaint(after); err == nil {
		before = n
	}
	err = s.read(ctx, workshop, func(t pgx.Tx) (err error) {
		list, err = queryComplaints(ctx, t, `WHERE e.workshop_id = $1 AND e.n < $2 AND ($3 = '' OR e.kind = $3) AND ($4 = '' OR r.code = $4) AND ($5 = '' OR k.code = $5) AND ($6 = '' OR u.code = $6)
			AND (NOT $7 OR e.closed_at IS NULL) ORDER BY e.n DESC LIMIT $8`, workshop, before, f.Kind, f.Product, f.Packing, f.Customer, f.OpenOnly, limit+1)
		return err
	})
	if err != nil {
		return nil, "", fmt.Errorf("store: complaints: %w", err)
	}
	list, next = cut(list, limit, Complaint.Code)
	return list, next, nil
}

// FollowUp is what was done or learned about a complaint.
type FollowUp struct {
	ID         FollowUpID
	Kind       string // one of FollowUpKinds
	HappenedAt time.Time
	Words      string   // personal
	Replaced   bool     // another entry stands for it
	Withdrawn  bool     // it did not happen
	Why        string   // it was replaced or withdrawn
	Person     PersonID // who wrote it; zero for a program
	Made
}

// Stands tells whether the entry counts.
func (f FollowUp) Stands() bool { return !f.Replaced && !f.Withdrawn }

// ComplaintPage is a complaint with all that was done about it.
type ComplaintPage struct {
	Complaint
	Entered
	EnteredBy  string
	FollowUps  []FollowUp // the oldest first, corrected ones too
	Photos     []Document
	Signatures []Signature
	Changes    []RowChange
	Zone       *time.Location
}

// Clocks are those that run for it.
func (p ComplaintPage) Clocks() []reporting.Clock {
	return reporting.Clocks(p.Market, p.Kind, day.In(p.ReceivedAt, p.Zone), p.daysOf("medical"), p.daysOf("authority"))
}

// Keep is how long it is to be kept, where that is known.
func (p ComplaintPage) Keep() reporting.Keep {
	if p.ClosedAt == nil {
		return reporting.Keep{}
	}
	return reporting.KeepUntil(p.Market, p.Kind, day.In(*p.ClosedAt, p.Zone))
}

func (p ComplaintPage) daysOf(kind string) (list []day.Day) {
	for _, f := range p.FollowUps {
		if f.Kind == kind && f.Stands() {
			list = append(list, day.In(f.HappenedAt, p.Zone))
		}
	}
	return list
}

// facts is what a closing signs: all but the personal values, so that these can be erased and the signature still
// holds. Follow-ups count as they stood; what is added later breaks nothing.
func (p ComplaintPage) facts(at time.Time) any {
	type followed struct{ ID, Kind, At string }
	list := []followed{}
	for _, f := range p.FollowUps {
		if f.Stands() && !f.At.After(at) {
			list = append(list, followed{Text(f.ID), f.Kind, f.HappenedAt.UTC().Format(time.RFC3339)})
		}
	}
	slices.SortFunc(list, func(a, b followed) int { return strings.Compare(a.ID, b.ID) })
	return map[string]any{"received_at": p.ReceivedAt.UTC().Format(time.RFC3339), "came_by": p.CameBy, "customer": p.Customer, "product": p.Product, "packing": p.Packing, "code_said": p.CodeSaid,
		"bought_at": p.BoughtAt, "bought_on": p.BoughtOn.String(), "happened_on": p.HappenedOn.String(), "kind": string(p.Kind), "criteria": strings.Join(p.Criteria, ","), "market": string(p.Market), "outcome": p.Outcome, "follow_ups": list}
}

// Complaint reads one with all that was done about it.
func (s *Store) Complaint(ctx context.Context, workshop WorkshopID, number int) (ComplaintPage, error) {
	var p ComplaintPage
	err := s.read(ctx, workshop, func(t pgx.Tx) error {
		c, err := complaintByNumber(ctx, t, workshop, number)
		if err == nil {
			p, err = loadComplaint(ctx, t, workshop, c)
		}
		return err
	})
	if err != nil {
		return ComplaintPage{}, fmt.Errorf("store: complaint %d: %w", number, err)
	}
	return p, nil
}

func loadComplaint(ctx context.Context, t pgx.Tx, workshop WorkshopID, c Complaint) (ComplaintPage, error) {
	p := ComplaintPage{Complaint: c}
	var stored map[ComplaintID][]storedSignature
	err := together(ctx, t, func(t pgx.Tx) error {
		w, err := workshopIn(ctx, t, workshop)
		p.Zone = w.Location()
		return err
	}, func(t pgx.Tx) (err error) {
		p.Entered, err = entered(ctx, t, workshop, "complaint", c.ID)
		return err
	}, func(t pgx.Tx) error {
		return t.QueryRow(ctx, `SELECT coalesce(p.name, c.actor) FROM complaint e`+madeBy+`WHERE e.workshop_id = $1 AND e.id = $2`, workshop, c.ID).Scan(&p.EnteredBy)
	}, func(t pgx.Tx) (err error) {
		p.FollowUps, err = followUps(ctx, t, workshop, c.ID)
		return err
	}, func(t pgx.Tx) (err error) {
		p.Photos, err = documents(ctx, t, workshop, `d.complaint_id = $2`, c.ID)
		return err
	}, func(t pgx.Tx) (err error) {
		stored, err = storedSignatures(ctx, t, workshop, []ComplaintID{c.ID})
		return err
	}, func(t pgx.Tx) (err error) {
		p.Changes, err = history(ctx, t, workshop, "complaint", c.ID)
		return err
	})
	if err != nil {
		return p, err
	}
	for _, s := range stored[c.ID] {
		one, err := s.against(func() any { return p.facts(s.at()) })
		if err != nil {
			return p, err
		}
		p.Signatures = append(p.Signatures, one)
	}
	return p, nil
}

func followUps(ctx context.Context, t pgx.Tx, workshop WorkshopID, complaint ComplaintID) ([]FollowUp, error) {
	rows, err := t.Query(ctx, `SELECT e.id, e.kind, e.happened_at, e.words, coalesce(e.replaced_by <> e.id, false), coalesce(e.replaced_by = e.id, false), coalesce(z.reason, ''), c.person_id, coalesce(p.name, c.actor), c.at
		FROM complaint_entry e`+madeBy+`LEFT JOIN LATERAL (SELECT y.reason FROM audit a JOIN change y ON y.workshop_id = $1 AND y.id = a.change_id
			WHERE a.workshop_id = $1 AND a.table_name = 'complaint_entry' AND a.row_id = e.id::text AND a.op = 'U' ORDER BY a.n LIMIT 1) z ON e.replaced_by IS NOT NULL
		WHERE e.workshop_id = $1 AND e.complaint_id = $2 ORDER BY e.happened_at, e.id`, workshop, complaint)
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, func(row pgx.CollectableRow) (FollowUp, error) {
		var f FollowUp
		var person *PersonID
		err := row.Scan(&f.ID, &f.Kind, &f.HappenedAt, &f.Words, &f.Replaced, &f.Withdrawn, &f.Why, &person, &f.By, &f.At)
		if person != nil {
			f.Person = *person
		}
		return f, err
	})
}

// OpenComplaint is one that nobody has closed, for the first page.
type OpenComplaint struct {
	N          int
	ReceivedAt time.Time
	Kind       reporting.Kind
	Product    string // name; empty where nobody knows
	Overdue    bool   // an authority was to be told by now, and nobody noted that it was
}

// openComplaints are the open ones, serious first and then the oldest, and how many there are of all.
func openComplaints(ctx context.Context, t pgx.Tx, w Workshop, today day.Day, limit int) (list []OpenComplaint, all int, err error) {
	rows, err := t.Query(ctx, `SELECT e.n, e.received_at, e.kind, e.market, coalesce(r.name, ''), e.news, e.told, count(*) OVER ()::int FROM (
			SELECT x.n, x.received_at, x.kind, x.market, x.product_id,
			       ARRAY (SELECT (y.happened_at AT TIME ZONE $2)::date FROM complaint_entry y WHERE y.workshop_id = $1 AND y.complaint_id = x.id AND y.kind = 'medical' AND y.replaced_by IS NULL) AS news,
			       ARRAY (SELECT (y.happened_at AT TIME ZONE $2)::date FROM complaint_entry y WHERE y.workshop_id = $1 AND y.complaint_id = x.id AND y.kind = 'authority' AND y.replaced_by IS NULL) AS told
			  FROM complaint x WHERE x.workshop_id = $1 AND x.closed_at IS NULL) e
		LEFT JOIN product r ON r.workshop_id = $1 AND r.id = e.product_id ORDER BY e.kind = 'serious' DESC, e.n LIMIT $3`, w.ID, w.Zone, limit)
	if err != nil {
		return nil, 0, err
	}
	var c OpenComplaint
	var market reporting.Market
	var news, told []day.Day
	_, err = pgx.ForEachRow(rows, []any{&c.N, &c.ReceivedAt, &c.Kind, &market, &c.Product, &news, &told, &all}, func() error {
		c.Overdue = slices.ContainsFunc(reporting.Clocks(market, c.Kind, day.In(c.ReceivedAt, w.Location()), news, told), func(k reporting.Clock) bool { return k.Overdue(today) })
		list = append(list, c)
		return nil
	})
	return list, all, err
}
