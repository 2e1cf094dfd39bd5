package store

import (
	"context"
	"fmt"
	"strings"
	"unicode/utf8"

	"github.com/jackc/pgx/v5"

	"example.org/stillroom/internal/fault"
)

// Contact is how somebody is reached; each part may be empty.
type Contact struct {
	Email   string
	Phone   string
	Address string
}

func (c Contact) check(f *fault.Fields) {
	if c.Email != "" {
		f.Check("email", checkEmail(c.Email))
	}
	if utf8.RuneCountInString(c.Phone) > 60 {
		f.Add("phone", "At most 60 characters, please.")
	}
	if utf8.RuneCountInString(c.Address) > 500 {
		f.Add("address", "At most 500 characters, please.")
	}
}

// Supplier delivers lots.
type Supplier struct {
	ID   SupplierID
	Code string
	Name string
	Contact
	Seen string // for a correction, Entered.Seen of the page it was written on; empty is not compared
}

// Suppliers lists them by name.
func (s *Store) Suppliers(ctx context.Context, workshop WorkshopID) ([]Supplier, error) {
	var list []Supplier
	err := s.read(ctx, workshop, func(t pgx.Tx) error {
		rows, err := t.Query(ctx, `SELECT id, code, name, email, phone, address FROM supplier WHERE workshop_id = $1 ORDER BY name, code`, workshop)
		if err == nil {
			list, err = pgx.CollectRows(rows, scanSupplier)
		}
		return err
	})
	if err != nil {
		return nil, fmt.Errorf("store: suppliers: %w", err)
	}
	return list, nil
}

// suppliersAPage is how many suppliers a page lists.
const suppliersAPage = 100

// SupplierList is a page of the suppliers by name, behind the supplier of a code, and the code that the next begins behind.
func (s *Store) SupplierList(ctx context.Context, workshop WorkshopID, after string) (list []Supplier, next string, err error) {
	err = s.read(ctx, workshop, func(t pgx.Tx) error {
		var name, code string
		if err := boundary(ctx, t, workshop, after, `SELECT name, code FROM supplier WHERE workshop_id = $1 AND code = $2`, &name, &code); err != nil {
			return err
		}
		rows, err := t.Query(ctx, `SELECT id, code, name, email, phone, address FROM supplier WHERE workshop_id = $1 AND (name, code) > ($2, $3) ORDER BY name, code LIMIT $4`, workshop, name, code, suppliersAPage+1)
		if err == nil {
			list, err = pgx.CollectRows(rows, scanSupplier)
		}
		return err
	})
	if err != nil {
		return nil, "", fmt.Errorf("store: supplier list: %w", err)
	}
	list, next = cut(list, suppliersAPage, func(s Supplier) string { return s.Code })
	return list, next, nil
}

func scanSupplier(row pgx.CollectableRow) (Supplier, error) {
	var s Supplier
	err := row.Scan(&s.ID, &s.Code, &s.Name, &s.Email, &s.Phone, &s.Address)
	return s, err
}

// SupplierPage is a supplier with the newest lots that came from it, and what was changed in its particulars.
type SupplierPage struct {
	Supplier
	Lots    []Lot
	Next    string // code that the next page of lots begins behind, empty for none
	History []RowChange
	Entered Entered
}

// SupplierPage reads one supplier's page; lot is the code of the lot that the page of lots begins behind, or empty.
func (s *Store) SupplierPage(ctx context.Context, workshop WorkshopID, code, lot string) (SupplierPage, error) {
	var page SupplierPage
	err := s.read(ctx, workshop, func(t pgx.Tx) (err error) {
		if page.Supplier, err = supplierByCode(ctx, t, workshop, code); err != nil {
			return err
		}
		on, after, err := lotAfter(ctx, t, workshop, lot)
		if err != nil {
			return err
		}
		// The page is cut before its ledgers are summed.
		lots, err := queryLots(ctx, t, `WHERE l.workshop_id = $1 AND l.id = ANY (ARRAY (SELECT x.id FROM material_lot x WHERE x.workshop_id = $1 AND x.supplier_id = $2
			AND (x.received_on, x.code) < ($3, $4) ORDER BY x.received_on DESC, x.code DESC LIMIT $5)) ORDER BY l.received_on DESC, l.code DESC`, workshop, page.ID, on, after, lotsAPage+1)
		if err != nil {
			return err
		}
		page.Lots, page.Next = cut(lots, lotsAPage, lotCode)
		if page.Entered, err = entered(ctx, t, workshop, "supplier", page.ID); err != nil {
			return err
		}
		page.History, err = history(ctx, t, workshop, "supplier", page.ID)
		return err
	})
	if err != nil {
		return SupplierPage{}, fmt.Errorf("store: supplier page %q: %w", code, err)
	}
	return page, nil
}

func supplierByCode(ctx context.Context, t pgx.Tx, workshop WorkshopID, code string) (Supplier, error) {
	rows, err := t.Query(ctx, `SELECT id, code, name, email, phone, address FROM supplier WHERE workshop_id = $1 AND code = $2`, workshop, code)
	if err != nil {
		return Supplier{}, err
	}
	out, err := pgx.CollectExactlyOneRow(rows, scanSupplier)
	return out, notFound(err, fmt.Sprintf("There is no supplier %q.", code))
}

// AddSupplier stores a supplier; without a code it gets one from its name. It answers the code.
func (s *Store) AddSupplier(ctx context.Context, who Who, entry Entry, n Supplier) (string, error) {
	if err := n.Check(); err != nil {
		return "", err
	}
	code, err := s.write(ctx, who, create, "", entry, func(t *tx) error {
		return t.addSupplier(ctx, n)
	})
	if err != nil {
		return "", fmt.Errorf("store: add supplier %q: %w", n.Name, err)
	}
	return code, nil
}

func (t *tx) addSupplier(ctx context.Context, n Supplier) error {
	var err error
	if n.Code == "" {
		if n.Code, err = t.freeCode(ctx, "supplier", n.Name); err != nil {
			return err
		}
	}
	id := newID[SupplierID]()
	if _, err := t.Exec(ctx, `INSERT INTO supplier (workshop_id, id, code, name, email, phone, address, personal_key, change_id) VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9)`,
		t.who.Workshop, id, n.Code, n.Name, n.Email, n.Phone, n.Address, personalKey(), t.change); err != nil {
		if constraint(err) == "supplier_code_key" {
			return fault.In("code", "Another supplier has this code.")
		}
		return err
	}
	t.result = n.Code
	return t.index(ctx, "supplier", id, append(words(n.Name), foldWord(n.Code))...)
}

// Check tells everything at once that cannot be right in a supplier's particulars: name, code, email, phone, address.
func (n Supplier) Check() error {
	var f fault.Fields
	checkName(&f, n.Name, "Write the supplier's name, up to 200 characters.")
	checkCode(&f, n.Code)
	n.Contact.check(&f)
	return f.Err()
}

// CorrectSupplier changes a supplier's particulars; the trail keeps the old ones. A helper may correct whom they added
// themselves today.
func (s *Store) CorrectSupplier(ctx context.Context, who Who, entry Entry, n Supplier, reason string) error {
	if err := n.Check(); err != nil {
		return err
	}
	_, err := s.write(ctx, who, correct, reason, entry, func(t *tx) error {
		var id SupplierID
		err := t.QueryRow(ctx, `SELECT id FROM supplier WHERE workshop_id = $1 AND code = $2 FOR NO KEY UPDATE`, who.Workshop, n.Code).Scan(&id)
		if err != nil {
			return notFound(err, fmt.Sprintf("There is no supplier %q.", n.Code))
		}
		if err := mayCorrectRow(ctx, t, "supplier", id, n.Seen); err != nil {
			return err
		}
		if _, err := t.Exec(ctx, `UPDATE supplier SET name = $3, email = $4, phone = $5, address = $6 WHERE workshop_id = $1 AND id = $2`,
			who.Workshop, id, n.Name, n.Email, n.Phone, n.Address); err != nil {
			return err
		}
		return t.index(ctx, "supplier", id, append(words(n.Name), foldWord(n.Code))...)
	})
	if err != nil {
		return fmt.Errorf("store: correct supplier %q: %w", n.Code, err)
	}
	return nil
}

// freeCode makes a code of initials that no row of the table has: "Fenmarch Oils" gives FO, then FO2.
// The table is one of ours, never from outside.
func (t *tx) freeCode(ctx context.Context, table, name string) (string, error) {
	stem := initials(name)
	// The counter's row lock orders two makers who name the same thing at once.
	for {
		n, err := t.next(ctx, "code:"+table+":"+stem)
		if err != nil {
			return "", err
		}
		code := stem
		if n > 1 {
			code = fmt.Sprintf("%s%d", stem, n)
		}
		var taken bool
		query, known := takenQueries[table]
		if !known {
			return "", fmt.Errorf("no codes are made for %q", table)
		}
		if err := t.QueryRow(ctx, query, t.who.Workshop, code).Scan(&taken); err != nil {
			return "", err
		}
		if !taken {
			return code, nil
		}
	}
}

var takenQueries = map[string]string{
	"supplier": `SELECT EXISTS (SELECT FROM supplier WHERE workshop_id = $1 AND code = $2)`,
	"customer": `SELECT EXISTS (SELECT FROM customer WHERE workshop_id = $1 AND code = $2)`,
	"material": `SELECT EXISTS (SELECT FROM material WHERE workshop_id = $1 AND code = $2)`,
	"product":  `SELECT EXISTS (SELECT FROM product WHERE workshop_id = $1 AND code = $2)`,
	"formula":  `SELECT EXISTS (SELECT FROM formula WHERE workshop_id = $1 AND code = $2)`,
}

// initials are the first letters of up to four words, at least two letters where the name has them.
func initials(name string) string {
	var out []rune
	fields := strings.FieldsFunc(strings.ToUpper(plainLetters(name)), func(r rune) bool { return (r < 'A' || r > 'Z') && (r < '0' || r > '9') })
	for _, word := range fields {
		if len(out) < 4 {
			out = append(out, rune(word[0]))
		}
	}
	if len(out) == 1 && len(fields[0]) > 1 {
		out = append(out, rune(fields[0][1]))
	}
	if len(out) == 0 {
		return "X"
	}
	return string(out)
}
