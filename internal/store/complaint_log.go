package store

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"time"
	"unicode/utf8"

	"github.com/jackc/pgx/v5"

	"example.org/stillroom/internal/day"
	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/reporting"
)

// NewComplaint is a complaint as it is written down, or as a correction says it was.
type NewComplaint struct {
	ReceivedAt   time.Time // zero for now
	CameBy       string
	Name         string
	Email, Phone string
	Customer     string // code; empty for none of the book
	Product      string // code; empty where it is not known, or is that of the packing
	Packing      string // code, as somebody decided; empty where nobody has
	CodeSaid     string // kept as it was said, whatever the book has
	BoughtAt     string
	BoughtOn     day.Day
	HappenedOn   day.Day
	What         string
	Kind         reporting.Kind
	Criteria     []string
	Market       reporting.Market
}

func (n NewComplaint) trimmed() NewComplaint {
	for _, text := range []*string{&n.Name, &n.Email, &n.Phone, &n.Customer, &n.Product, &n.Packing, &n.CodeSaid, &n.BoughtAt, &n.What} {
		*text = strings.TrimSpace(*text)
	}
	if n.Kind != reporting.Serious {
		n.Criteria = nil
	}
	return n
}

// check tells everything that cannot be. Faults: received, came_by, name, email, phone, code_said, bought_at, bought_on,
// happened_on, what, kind, criteria, market. Nobody is asked for more than what happened and of which kind it is: the caller
// may not know the rest.
func (n NewComplaint) check(f *fault.Fields, now time.Time, today day.Day) {
	if n.ReceivedAt.After(now) {
		f.Add("received", "That moment has not come yet.")
	}
	if !slices.Contains(CameBy, n.CameBy) {
		f.Add("came_by", "How did it come?")
	}
	checkLength(f, "name", n.Name, 200)
	if n.Email != "" {
		f.Check("email", checkEmail(n.Email))
	}
	checkLength(f, "phone", n.Phone, 60)
	checkLength(f, "code_said", n.CodeSaid, 100)
	checkLength(f, "bought_at", n.BoughtAt, 200)
	for field, on := range map[string]day.Day{"bought_on": n.BoughtOn, "happened_on": n.HappenedOn} {
		if on.After(today) {
			f.Add(field, "That day has not come yet.")
		}
	}
	if n.What == "" {
		f.Add("what", "What happened? A few words will do; more can follow.")
	} else if utf8.RuneCountInString(n.What) > 4000 {
		f.Add("what", "At most 4,000 characters, please.")
	}
	if !slices.Contains(reporting.Kinds, n.Kind) {
		f.Add("kind", "What kind is it?")
	}
	for _, key := range n.Criteria {
		if !reporting.Known(key) {
			f.Add("criteria", "Choose from the list.")
		}
	}
	if !slices.Contains(reporting.Markets, n.Market) {
		f.Add("market", "Where was it sold?")
	}
}

// Check tells everything at once that cannot be right, as far as the book need not be asked; now and today are the
// workshop's. Faults are those of LogComplaint but customer, product and packing.
func (n NewComplaint) Check(now time.Time, today day.Day) error {
	var f fault.Fields
	n.trimmed().check(&f, now, today)
	return f.Err()
}

// complaintRefs are what a complaint points to.
type complaintRefs struct {
	customer *CustomerID
	product  *ProductID
	packing  *PackingID
}

// refs finds what a complaint points to; a packing says the product. Faults: customer, product, packing.
func (n NewComplaint) refs(ctx context.Context, t pgx.Tx, workshop WorkshopID, f *fault.Fields) (r complaintRefs, err error) {
	find := func(field, words, query, code string, into any) error {
		err := notFound(t.QueryRow(ctx, query, workshop, code).Scan(into), words)
		if fault.Is(err, fault.NotFound) {
			f.Add(field, words)
			return nil
		}
		return err
	}
	if n.Customer != "" {
		r.customer = new(CustomerID)
		if err := find("customer", fmt.Sprintf("There is no customer %q.", n.Customer), `SELECT id FROM customer WHERE workshop_id = $1 AND code = $2`, n.Customer, r.customer); err != nil {
			return r, err
		}
	}
	if n.Packing != "" {
		p, err := packingByCode(ctx, t, workshop, n.Packing)
		switch {
		case fault.Is(err, fault.NotFound):
			f.Add("packing", fault.As(err).Message)
		case err != nil:
			return r, err
		case n.Product != "" && n.Product != p.ProductCode:
			f.Add("product", fmt.Sprintf("Packing %s is %s, another product. Choose that, or another packing.", p.Code, p.ProductName))
		}
		r.packing, r.product = &p.ID, &p.ProductID
		return r, nil
	}
	if n.Product != "" {
		r.product = new(ProductID)
		return r, find("product", fmt.Sprintf("There is no product %q.", n.Product), `SELECT id FROM product WHERE workshop_id = $1 AND code = $2`, n.Product, r.product)
	}
	return r, nil
}

// LogComplaint writes a complaint down and answers its code. A code that is not in the book is kept as it was said.
func (s *Store) LogComplaint(ctx context.Context, who Who, entry Entry, n NewComplaint) (string, error) {
	n = n.trimmed()
	code, err := s.write(ctx, who, create, "", entry, func(t *tx) error {
		if n.ReceivedAt.IsZero() {
			n.ReceivedAt = t.now
		}
		var f fault.Fields
		n.check(&f, t.now, t.today)
		refs, err := n.refs(ctx, t, who.Workshop, &f)
		if err != nil {
			return err
		}
		if err := f.Err(); err != nil {
			return err
		}
		number, err := t.next(ctx, "complaint")
		if err != nil {
			return err
		}
		t.result = ComplaintCode(number)
		_, err = t.Exec(ctx, `INSERT INTO complaint (workshop_id, id, n, received_at, came_by, name, email, phone, customer_id, product_id, packing_id, code_said, bought_at, bought_on, happened_on, what, kind, criteria, market, personal_key, change_id)
			VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13, $14, $15, $16, $17, $18, $19, $20, $21)`,
			who.Workshop, newID[ComplaintID](), number, n.ReceivedAt, n.CameBy, n.Name, n.Email, n.Phone, refs.customer, refs.product, refs.packing, n.CodeSaid, n.BoughtAt, n.BoughtOn, n.HappenedOn,
			n.What, string(n.Kind), strings.Join(n.Criteria, ","), string(n.Market), personalKey(), t.change)
		return err
	})
	if err != nil {
		return "", fmt.Errorf("store: log complaint: %w", err)
	}
	return code, nil
}

// lockComplaint keeps others from changing a complaint until the transaction ends.
func (t *tx) lockComplaint(ctx context.Context, number int) (Complaint, error) {
	if _, err := t.Exec(ctx, `SELECT FROM complaint WHERE workshop_id = $1 AND n = $2 FOR NO KEY UPDATE`, t.who.Workshop, number); err != nil {
		return Complaint{}, err
	}
	c, err := complaintByNumber(ctx, t, t.who.Workshop, number)
	if err == nil {
		t.result = c.Code()
	}
	return c, err
}

// keptComplaint is lockComplaint for one whose personal values are still there.
func (t *tx) keptComplaint(ctx context.Context, number int) (Complaint, error) {
	c, err := t.lockComplaint(ctx, number)
	if err == nil && c.ErasedAt != nil {
		err = fault.New(fault.Conflict, "What was personal in "+c.Code()+" is erased: nothing more is written about it. A new report is a new complaint.")
	}
	return c, err
}

// CorrectComplaint says what a complaint should have said; the code as read out may be corrected where it was misheard.
// seen is Entered.Seen of the page it was written on. Faults are those of a new one, and reason.
func (s *Store) CorrectComplaint(ctx context.Context, who Who, entry Entry, number int, n NewComplaint, seen, reason string) error {
	n = n.trimmed()
	if err := checkReason(reason); err != nil {
		return err
	}
	_, err := s.write(ctx, who, correct, reason, entry, func(t *tx) error {
		c, err := t.keptComplaint(ctx, number)
		if err != nil {
			return err
		}
		if err := mayCorrectRow(ctx, t, "complaint", c.ID, seen); err != nil {
			return err
		}
		if n.ReceivedAt.IsZero() {
			n.ReceivedAt = c.ReceivedAt
		}
		var f fault.Fields
		n.check(&f, t.now, t.today)
		refs, err := n.refs(ctx, t, who.Workshop, &f)
		if err != nil {
			return err
		}
		if err := f.Err(); err != nil {
			return err
		}
		_, err = t.Exec(ctx, `UPDATE complaint SET received_at = $3, came_by = $4, name = $5, email = $6, phone = $7, customer_id = $8, product_id = $9, packing_id = $10, code_said = $11, bought_at = $12, bought_on = $13, happened_on = $14,
			what = $15, kind = $16, criteria = $17, market = $18 WHERE workshop_id = $1 AND id = $2`,
			who.Workshop, c.ID, n.ReceivedAt, n.CameBy, n.Name, n.Email, n.Phone, refs.customer, refs.product, refs.packing, n.CodeSaid, n.BoughtAt, n.BoughtOn, n.HappenedOn,
			n.What, string(n.Kind), strings.Join(n.Criteria, ","), string(n.Market))
		return err
	})
	if err != nil {
		return fmt.Errorf("store: correct complaint %d: %w", number, err)
	}
	return nil
}

// DecidePacking says which packing the unit of a complaint was, where nobody has said so yet. Another decision later is a
// correction. Faults: packing.
func (s *Store) DecidePacking(ctx context.Context, who Who, entry Entry, number int, packing string) error {
	_, err := s.write(ctx, who, progress, "", entry, func(t *tx) error {
		c, err := t.keptComplaint(ctx, number)
		if err != nil {
			return err
		}
		if c.Packing != "" {
			return fault.New(fault.Conflict, c.Code()+" is about "+c.Packing+" already. To say otherwise, correct it.")
		}
		p, err := packingByCode(ctx, t, who.Workshop, packing)
		if err != nil {
			return faultIn("packing", err)
		}
		if c.Product != "" && c.Product != p.ProductCode {
			return fault.In("packing", fmt.Sprintf("It is %s; the complaint says %s. Correct the complaint first.", p.ProductName, c.ProductName))
		}
		_, err = t.Exec(ctx, `UPDATE complaint SET packing_id = $3, product_id = $4 WHERE workshop_id = $1 AND id = $2`, who.Workshop, c.ID, p.ID, p.ProductID)
		return err
	})
	if err != nil {
		return fmt.Errorf("store: decide packing of complaint %d: %w", number, err)
	}
	return nil
}

// AttachToComplaint keeps a photo with a complaint, under a name of ours: what a telephone calls it may say who it shows.
func (s *Store) AttachToComplaint(ctx context.Context, who Who, entry Entry, number int, u Upload) error {
	_, err := s.write(ctx, who, create, "", entry, func(t *tx) error {
		c, err := t.keptComplaint(ctx, number)
		if err != nil {
			return err
		}
		var n int
		if err := t.QueryRow(ctx, `SELECT count(*) + 1 FROM document WHERE workshop_id = $1 AND complaint_id = $2`, who.Workshop, c.ID).Scan(&n); err != nil {
			return err
		}
		u.Name = fmt.Sprintf("%s photo %d%s", c.Code(), n, documentEndings[u.MediaType])
		return t.attach(ctx, "complaint_id", c.ID, u)
	})
	if err != nil {
		return fmt.Errorf("store: attach to complaint %d: %w", number, err)
	}
	return nil
}
