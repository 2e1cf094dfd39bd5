package store

import (
	"context"
	"fmt"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"

	"example.org/stillroom/internal/day"
	"example.org/stillroom/internal/fault"
)

// Customer is who received units.
type Customer struct {
	ID   CustomerID
	Code string
	Name string
	Kind string // stockist, online, event or direct
	Contact
}

// CustomerLine is a customer in the list, with the day of the last dispatch.
type CustomerLine struct {
	Customer
	LastOn day.Day
}

const customerColumns = `c.id, c.code, c.name, c.kind, c.email, c.phone, c.address`

func (c *Customer) fields() []any {
	return []any{&c.ID, &c.Code, &c.Name, &c.Kind, &c.Email, &c.Phone, &c.Address}
}

func scanCustomer(row pgx.CollectableRow) (Customer, error) {
	var c Customer
	err := row.Scan(c.fields()...)
	return c, err
}

// Check tells everything at once that cannot be right in a customer's particulars: name, code, kind, email, phone,
// address.
func (c Customer) Check() error {
	var f fault.Fields
	checkName(&f, c.Name, "Write the customer's name, up to 200 characters.")
	checkCode(&f, c.Code)
	checkCustomerKind(&f, "kind", c.Kind)
	c.Contact.check(&f)
	return f.Err()
}

func checkCustomerKind(f *fault.Fields, field, kind string) {
	switch kind {
	case "stockist", "online", "event", "direct":
	default:
		f.Add(field, "Choose what kind of customer: stockist, online, event or direct.")
	}
}

// Customers is a page of at most limit of them by name, behind the customer of a code, and the code that the next begins behind.
func (s *Store) Customers(ctx context.Context, workshop WorkshopID, after string, limit int) (list []CustomerLine, next string, err error) {
	err = s.read(ctx, workshop, func(t pgx.Tx) error {
		var name, code string
		if err := boundary(ctx, t, workshop, after, `SELECT lower(name), code FROM customer WHERE workshop_id = $1 AND code = $2`, &name, &code); err != nil {
			return err
		}
		rows, err := t.Query(ctx, `SELECT `+customerColumns+`, (SELECT max(d.dispatched_on) FROM dispatch d WHERE d.workshop_id = c.workshop_id AND d.customer_id = c.id)
			FROM customer c WHERE c.workshop_id = $1 AND (lower(c.name), c.code) > ($2, $3)
			ORDER BY lower(c.name), c.code LIMIT $4`, workshop, name, code, limit+1)
		if err == nil {
			list, err = pgx.CollectRows(rows, func(row pgx.CollectableRow) (CustomerLine, error) {
				var c CustomerLine
				return c, row.Scan(append(c.fields(), &c.LastOn)...)
			})
		}
		return err
	})
	if err != nil {
		return nil, "", fmt.Errorf("store: customers: %w", err)
	}
	list, next = cut(list, limit, func(c CustomerLine) string { return c.Code })
	return list, next, nil
}

// RecentCustomers are those whose last dispatch is the latest, then the newest: what a form suggests.
func (s *Store) RecentCustomers(ctx context.Context, workshop WorkshopID, limit int) ([]Customer, error) {
	var list []Customer
	err := s.read(ctx, workshop, func(t pgx.Tx) error {
		rows, err := t.Query(ctx, `SELECT `+customerColumns+` FROM customer c CROSS JOIN LATERAL (
				SELECT max(d.dispatched_on) AS on FROM dispatch d WHERE d.workshop_id = c.workshop_id AND d.customer_id = c.id) l
			WHERE c.workshop_id = $1 ORDER BY l.on DESC NULLS LAST, c.id DESC LIMIT $2`, workshop, limit)
		if err == nil {
			list, err = pgx.CollectRows(rows, scanCustomer)
		}
		return err
	})
	if err != nil {
		return nil, fmt.Errorf("store: recent customers: %w", err)
	}
	return list, nil
}

func customerByCode(ctx context.Context, t pgx.Tx, workshop WorkshopID, code string) (Customer, error) {
	rows, err := t.Query(ctx, `SELECT `+customerColumns+` FROM customer c WHERE c.workshop_id = $1 AND c.code = $2`, workshop, code)
	if err != nil {
		return Customer{}, err
	}
	c, err := pgx.CollectExactlyOneRow(rows, scanCustomer)
	return c, notFound(err, fmt.Sprintf("There is no customer %q.", code))
}

// CustomerNamed finds the one customer that somebody wrote: by code, by name, or as suggested, "Name (CODE)". Several
// of a name are told with their codes and never chosen from.
func (s *Store) CustomerNamed(ctx context.Context, workshop WorkshopID, typed string) (Customer, error) {
	typed = strings.TrimSpace(typed)
	code := typed
	if open := strings.LastIndex(typed, "("); open >= 0 && strings.HasSuffix(typed, ")") {
		code = typed[open+1 : len(typed)-1]
	}
	var list []Customer
	err := s.read(ctx, workshop, func(t pgx.Tx) error {
		rows, err := t.Query(ctx, `SELECT `+customerColumns+` FROM customer c WHERE c.workshop_id = $1 AND (c.code = $2 OR lower(c.name) = lower($3)) ORDER BY c.code = $2 DESC, c.code LIMIT 5`, workshop, code, typed)
		if err == nil {
			list, err = pgx.CollectRows(rows, scanCustomer)
		}
		return err
	})
	switch {
	case err != nil:
		return Customer{}, fmt.Errorf("store: customer named: %w", err)
	case len(list) == 0:
		return Customer{}, fault.New(fault.NotFound, "No customer is called that. Choose one from the list, or write a new one below.")
	case len(list) > 1 && list[0].Code != code:
		codes := make([]string, len(list))
		for i, c := range list {
			codes[i] = c.Code
		}
		return Customer{}, fault.New(fault.NotFound, "Several are called that: write the code, one of "+strings.Join(codes, ", ")+".")
	}
	return list[0], nil
}

// Holding is what a customer received of one packing and what of it has not come back.
type Holding struct {
	Packing     string
	ProductCode string
	ProductName string
	BestBefore  day.Day
	Sent        int
	Returned    int
	LastOn      day.Day
}

// Out is what they still hold, as far as the book knows: whether an event's buyers used it up, it cannot know.
func (h Holding) Out() int { return h.Sent - h.Returned }

// CustomerPage is a customer with what they received. Its lists are a page each.
type CustomerPage struct {
	Customer
	Sent     int // units ever, and what came back of them
	Returned int
	Packings int       // different ones
	Holdings []Holding // those sent last first
	// Dispatches are the newest first.
	Dispatches []DispatchSummary
	// Crates are those of an event, the newest first: what was sold at each.
	Crates []Crate
	Next   CustomerKeys // what the next pages begin behind
}

// CustomerKeys are what pages of a customer's lists begin behind: the code of a dispatch and of a crate, and of a holding
// its last day and packing. Empty is the beginning, or the end of what follows.
type CustomerKeys struct{ Dispatch, Crate, Holding string }

// Customer reads one customer's page with at most limit rows of each list, behind those that after names.
func (s *Store) Customer(ctx context.Context, workshop WorkshopID, code string, after CustomerKeys, limit int) (CustomerPage, error) {
	var page CustomerPage
	err := s.read(ctx, workshop, func(t pgx.Tx) (err error) {
		if page.Customer, err = customerByCode(ctx, t, workshop, code); err != nil {
			return err
		}
		return together(ctx, t,
			func(t pgx.Tx) error {
				return t.QueryRow(ctx, `SELECT coalesce(sum(l.units), 0)::int, coalesce(sum((SELECT sum(x.units) FROM unit_return x WHERE x.workshop_id = $1 AND x.dispatch_id = l.dispatch_id AND x.packing_id = l.packing_id AND x.replaced_by IS NULL)), 0)::int, count(DISTINCT l.packing_id)::int
					FROM dispatch_line l WHERE l.workshop_id = $1 AND l.customer_id = $2 AND l.replaced_by IS NULL`, workshop, page.ID).Scan(&page.Sent, &page.Returned, &page.Packings)
			},
			func(t pgx.Tx) error { return page.holdings(ctx, t, workshop, after.Holding, limit) },
			func(t pgx.Tx) (err error) {
				page.Dispatches, page.Next.Dispatch, err = dispatchesAfter(ctx, t, workshop, after.Dispatch, limit, `SELECT x.id FROM dispatch x WHERE x.workshop_id = $1 AND x.customer_id = $5`, page.ID)
				return err
			},
			func(t pgx.Tx) (err error) {
				if page.Kind == "event" {
					page.Crates, page.Next.Crate, err = cratesAfter(ctx, t, workshop, after.Crate, limit, `SELECT x.id FROM crate x WHERE x.workshop_id = $1 AND x.customer_id = $5 AND x.status <> 'dropped'`, page.ID)
				}
				return err
			})
	})
	if err != nil {
		return CustomerPage{}, fmt.Errorf("store: customer %q: %w", code, err)
	}
	return page, nil
}

// holdings reads a page of what the customer received. Its key holds the day itself: what is sent again meanwhile goes to
// the beginning, and the pages after it stay where they were.
func (p *CustomerPage) holdings(ctx context.Context, t pgx.Tx, workshop WorkshopID, after string, limit int) error {
	said, packing, _ := strings.Cut(after, ".")
	on, err := day.Parse(said)
	if err != nil {
		on, packing = lastDay, ""
	}
	rows, err := t.Query(ctx, `SELECT p.code, r.code, r.name, p.best_before, h.sent, h.returned, h.last_on
		FROM (SELECT l.packing_id, sum(l.units)::int AS sent, max(d.dispatched_on) AS last_on,
		             coalesce(sum((SELECT sum(x.units) FROM unit_return x WHERE x.workshop_id = $1 AND x.dispatch_id = l.dispatch_id AND x.packing_id = l.packing_id AND x.replaced_by IS NULL)), 0)::int AS returned
		        FROM dispatch_line l JOIN dispatch d ON d.workshop_id = l.workshop_id AND d.id = l.dispatch_id
		       WHERE l.workshop_id = $1 AND l.customer_id = $2 AND l.replaced_by IS NULL GROUP BY l.packing_id) h
		CROSS JOIN LATERAL (SELECT x.code, x.product_id, x.best_before FROM packing x WHERE x.workshop_id = $1 AND x.id = h.packing_id OFFSET 0) p
		CROSS JOIN LATERAL (SELECT x.code, x.name FROM product x WHERE x.workshop_id = $1 AND x.id = p.product_id OFFSET 0) r
		WHERE h.last_on < $3 OR h.last_on = $3 AND p.code > $4
		ORDER BY h.last_on DESC, p.code LIMIT $5`, workshop, p.ID, on, packing, limit+1)
	if err != nil {
		return err
	}
	p.Holdings, err = pgx.CollectRows(rows, pgx.RowToStructByPos[Holding])
	p.Holdings, p.Next.Holding = cut(p.Holdings, limit, func(h Holding) string { return h.LastOn.String() + "." + h.Packing })
	return err
}

// AddCustomer stores a customer; without a code it gets one from its name. It answers the code.
func (s *Store) AddCustomer(ctx context.Context, who Who, entry Entry, c Customer) (string, error) {
	if err := c.Check(); err != nil {
		return "", err
	}
	code, err := s.write(ctx, who, create, "", entry, func(t *tx) error {
		added, err := t.addCustomer(ctx, c)
		t.result = added.Code
		return err
	})
	if err != nil {
		return "", fmt.Errorf("store: add customer: %w", err)
	}
	return code, nil
}

// addCustomer stores a checked customer and answers it with its id and code.
func (t *tx) addCustomer(ctx context.Context, c Customer) (Customer, error) {
	var err error
	if c.Code == "" {
		if c.Code, err = t.freeCode(ctx, "customer", c.Name); err != nil {
			return c, err
		}
	}
	c.ID = newID[CustomerID]()
	if _, err := t.Exec(ctx, `INSERT INTO customer (workshop_id, id, code, name, kind, email, phone, address, personal_key, change_id) VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10)`,
		t.who.Workshop, c.ID, c.Code, c.Name, c.Kind, c.Email, c.Phone, c.Address, personalKey(), t.change); err != nil {
		if constraint(err) == "customer_code_key" {
			return c, fault.In("code", "Another customer has this code.")
		}
		return c, err
	}
	return c, t.indexCustomer(ctx, c)
}

func (t *tx) indexCustomer(ctx context.Context, c Customer) error {
	return t.index(ctx, "customer", c.ID, append(words(c.Name), foldWord(c.Code))...)
}

// CustomerSeen reads a customer to correct, with how far its trail goes: a correction says it back, so that one written
// on a page drawn before somebody else's is refused.
func (s *Store) CustomerSeen(ctx context.Context, workshop WorkshopID, code string) (Customer, string, error) {
	var c Customer
	var seen string
	err := s.read(ctx, workshop, func(t pgx.Tx) (err error) {
		if c, err = customerByCode(ctx, t, workshop, code); err != nil {
			return err
		}
		_, _, seen, err = customerTrail(ctx, t, workshop, c.ID)
		return err
	})
	if err != nil {
		return Customer{}, "", fmt.Errorf("store: customer %q: %w", code, err)
	}
	return c, seen, nil
}

// customerTrail tells who wrote a customer down and when, and the last number of its trail.
func customerTrail(ctx context.Context, t pgx.Tx, workshop WorkshopID, id CustomerID) (by *PersonID, at time.Time, seen string, err error) {
	err = t.QueryRow(ctx, `SELECT h.person_id, h.at, coalesce((SELECT max(a.n) FROM audit a WHERE a.workshop_id = $1 AND a.table_name = 'customer' AND a.row_id = $3), 0)::text
		FROM customer c JOIN change h ON h.workshop_id = c.workshop_id AND h.id = c.change_id WHERE c.workshop_id = $1 AND c.id = $2`, workshop, id, Text(id)).Scan(&by, &at, &seen)
	return by, at, seen, err
}

// CorrectCustomer changes a customer's particulars; the code stays. The trail keeps that they were changed and why, with
// keyed hashes in place of the personal values. seen is what CustomerSeen gave; empty is not compared. A helper may
// correct whom they added themselves today.
func (s *Store) CorrectCustomer(ctx context.Context, who Who, entry Entry, c Customer, seen, reason string) error {
	if err := c.Check(); err != nil {
		return err
	}
	_, err := s.write(ctx, who, correct, reason, entry, func(t *tx) error {
		if err := t.QueryRow(ctx, `SELECT id FROM customer WHERE workshop_id = $1 AND code = $2 FOR NO KEY UPDATE`, who.Workshop, c.Code).Scan(&c.ID); err != nil {
			return notFound(err, fmt.Sprintf("There is no customer %q.", c.Code))
		}
		by, at, now, err := customerTrail(ctx, t, who.Workshop, c.ID)
		if err != nil {
			return err
		}
		if err := t.mayCorrect(by, at); err != nil {
			return err
		}
		if seen != "" && seen != now {
			return fault.New(fault.Conflict, "Somebody changed this customer meanwhile. Look at what is in the book now; saving again puts yours in its place.")
		}
		t.result = c.Code
		if _, err := t.Exec(ctx, `UPDATE customer SET name = $3, kind = $4, email = $5, phone = $6, address = $7 WHERE workshop_id = $1 AND id = $2`,
			who.Workshop, c.ID, c.Name, c.Kind, c.Email, c.Phone, c.Address); err != nil {
			return err
		}
		return t.indexCustomer(ctx, c)
	})
	if err != nil {
		return fmt.Errorf("store: correct customer %q: %w", c.Code, err)
	}
	return nil
}
