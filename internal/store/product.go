package store

import (
	"context"
	"encoding/hex"
	"fmt"
	"strings"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"github.com/shopspring/decimal"

	"example.org/stillroom/internal/bestbefore"
	"example.org/stillroom/internal/epcis"
	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/quantity"
	"example.org/stillroom/internal/release"
)

// Product is what is sold or given away: a size or grade, also seconds, giveaways and sets.
type Product struct {
	ID              ProductID
	Code            string
	Name            string
	FormulaCode     string // empty for none, such as a set of others
	FormulaName     string // read only
	NetContentG     decimal.NullDecimal
	FillG           decimal.NullDecimal // nominal fill at making, where drying makes it more than the net content
	ShelfLifeMonths int                 // months or days, the other 0
	ShelfLifeDays   int
	ShelfLifeFrom   string // made, cured or packed; empty where an older book did not say
	CapByExpiry     bool
	DatePrecision   string // day or month
	OpenedMonths    int    // period after opening; 0 for none
	Grade           string
	GTIN            string // as it stands on the label, digits alone; empty for none
	LabelText       string
	Retired         bool // not made any more: left out of lists to choose from
	Packaging       []ProductPackaging
	// Parts make it a set: put together from units of other products, without a formula or a shelf life of its own.
	// Letters are those of its batch codes, as a formula owns those of what is made.
	Parts   []ProductPart
	Letters string
	USSoap  string // soap or cosmetic, as the workshop says of it in the USA; empty where nobody said
	Seen    string // for a correction, the hash of the page it was written on; empty is not compared
}

// ProductPackaging is a packaging material for one unit.
type ProductPackaging struct {
	MaterialCode string
	Name         string // read only
	Unit         string // read only: g, ml or each
	PerUnit      decimal.Decimal
}

// ProductPart is how many units of another product one set holds.
type ProductPart struct {
	Product string // code
	Name    string // read only
	PerUnit int
}

// IsSet tells whether it is put together from units of other products.
func (p Product) IsSet() bool { return len(p.Parts) > 0 }

// Rule is the product's shelf-life rule.
func (p Product) Rule() bestbefore.Rule {
	return bestbefore.Rule{Months: p.ShelfLifeMonths, Days: p.ShelfLifeDays, From: bestbefore.Basis(p.ShelfLifeFrom), CapByExpiry: p.CapByExpiry,
		Precision: bestbefore.Precision(p.DatePrecision), OpenedMonths: p.OpenedMonths}
}

// NominalFill is what a unit takes of a batch in g: the fill, or the net content where none is given; zero where
// neither is known.
func (p Product) NominalFill() decimal.Decimal {
	if p.FillG.Valid {
		return p.FillG.Decimal
	}
	return p.NetContentG.Decimal
}

const productQuery = `SELECT p.id, p.code, p.name, coalesce(f.code, ''), coalesce(f.name, ''), p.net_content_g, p.fill_g, coalesce(p.shelf_life_months, 0), coalesce(p.shelf_life_days, 0),
	coalesce(p.shelf_life_from, ''), p.cap_by_expiry, p.date_precision, coalesce(p.opened_months, 0), p.grade, p.label_text, p.retired_at IS NOT NULL, coalesce(p.letters, ''), coalesce(p.gtin, ''), coalesce(p.us_soap, '')
	FROM product p LEFT JOIN formula f ON f.workshop_id = p.workshop_id AND f.id = p.formula_id `

// queryProducts reads products with their packaging. where names p (product) and f (its formula), and the order.
func queryProducts(ctx context.Context, t pgx.Tx, where string, workshop WorkshopID, args ...any) ([]Product, error) {
	rows, err := t.Query(ctx, productQuery+where, append([]any{workshop}, args...)...)
	if err != nil {
		return nil, err
	}
	at := map[ProductID]int{}
	var ids []ProductID
	list, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (Product, error) {
		var p Product
		err := row.Scan(&p.ID, &p.Code, &p.Name, &p.FormulaCode, &p.FormulaName, &p.NetContentG, &p.FillG, &p.ShelfLifeMonths, &p.ShelfLifeDays,
			&p.ShelfLifeFrom, &p.CapByExpiry, &p.DatePrecision, &p.OpenedMonths, &p.Grade, &p.LabelText, &p.Retired, &p.Letters, &p.GTIN, &p.USSoap)
		at[p.ID] = len(ids)
		ids = append(ids, p.ID)
		return p, err
	})
	if err != nil {
		return nil, err
	}
	var product ProductID
	if err := together(ctx, t, func(t pgx.Tx) error {
		rows, err := t.Query(ctx, `SELECT k.product_id, m.code, m.name, m.unit, k.per_unit FROM product_packaging k JOIN material m ON m.workshop_id = k.workshop_id AND m.id = k.material_id
			WHERE k.workshop_id = $1 AND k.product_id = ANY ($2::uuid[]) AND k.replaced_by IS NULL ORDER BY m.name, m.code`, workshop, ids)
		if err != nil {
			return err
		}
		var k ProductPackaging
		_, err = pgx.ForEachRow(rows, []any{&product, &k.MaterialCode, &k.Name, &k.Unit, &k.PerUnit}, func() error {
			p := &list[at[product]]
			p.Packaging = append(p.Packaging, k)
			return nil
		})
		return err
	}, func(t pgx.Tx) error {
		rows, err := t.Query(ctx, `SELECT x.product_id, p.code, p.name, x.per_unit FROM product_part x JOIN product p ON p.workshop_id = x.workshop_id AND p.id = x.part_id
			WHERE x.workshop_id = $1 AND x.product_id = ANY ($2::uuid[]) AND x.replaced_by IS NULL ORDER BY p.name, p.code`, workshop, ids)
		if err != nil {
			return err
		}
		var part ProductPart
		_, err = pgx.ForEachRow(rows, []any{&product, &part.Product, &part.Name, &part.PerUnit}, func() error {
			p := &list[at[product]]
			p.Parts = append(p.Parts, part)
			return nil
		})
		return err
	}); err != nil {
		return nil, err
	}
	for i := range list {
		if list[i].Seen, err = list[i].hashText(); err != nil {
			return nil, err
		}
	}
	return list, nil
}

func productByCode(ctx context.Context, t pgx.Tx, workshop WorkshopID, code string) (Product, error) {
	list, err := queryProducts(ctx, t, `WHERE p.workshop_id = $1 AND p.code = $2`, workshop, code)
	if err != nil {
		return Product{}, err
	}
	if len(list) == 0 {
		return Product{}, fault.New(fault.NotFound, fmt.Sprintf("There is no product %q.", code))
	}
	return list[0], nil
}

// hashText is the hash of what a correction may change, for telling whether a page is stale.
func (p Product) hashText() (string, error) {
	packaging := []any{}
	for _, k := range p.Packaging {
		packaging = append(packaging, []string{k.MaterialCode, quantity.Plain(k.PerUnit)})
	}
	parts := []any{}
	for _, k := range p.Parts {
		parts = append(parts, []any{k.Product, k.PerUnit})
	}
	text, err := release.Canonical(map[string]any{"code": p.Code, "name": p.Name, "formula": p.FormulaCode, "net": plainOrNone(p.NetContentG), "fill": plainOrNone(p.FillG), "months": p.ShelfLifeMonths, "days": p.ShelfLifeDays,
		"from": p.ShelfLifeFrom, "cap": p.CapByExpiry, "precision": p.DatePrecision, "opened": p.OpenedMonths, "grade": p.Grade, "label": p.LabelText, "retired": p.Retired, "packaging": packaging, "parts": parts, "letters": p.Letters, "gtin": p.GTIN, "us_soap": p.USSoap})
	h := release.Hash(text)
	return hex.EncodeToString(h[:]), err
}

// Products lists all by name; those not made any more come last.
func (s *Store) Products(ctx context.Context, workshop WorkshopID) ([]Product, error) {
	var list []Product
	err := s.read(ctx, workshop, func(t pgx.Tx) (err error) {
		list, err = queryProducts(ctx, t, `WHERE p.workshop_id = $1 ORDER BY p.retired_at IS NOT NULL, p.name, p.code`, workshop)
		return err
	})
	if err != nil {
		return nil, fmt.Errorf("store: products: %w", err)
	}
	return list, nil
}

// productsAPage is how many products a page lists.
const productsAPage = 100

// ProductList is a page of the products by name, those not made any more last, behind the product of a code, and the code
// that the next begins behind.
func (s *Store) ProductList(ctx context.Context, workshop WorkshopID, after string) (list []Product, next string, err error) {
	err = s.read(ctx, workshop, func(t pgx.Tx) error {
		var from Product
		if err := boundary(ctx, t, workshop, after, `SELECT retired_at IS NOT NULL, name, code FROM product WHERE workshop_id = $1 AND code = $2`, &from.Retired, &from.Name, &from.Code); err != nil {
			return err
		}
		var err error
		list, err = queryProducts(ctx, t, `WHERE p.workshop_id = $1 AND p.id = ANY (ARRAY (SELECT x.id FROM product x WHERE x.workshop_id = $1
			AND (x.retired_at IS NOT NULL, x.name, x.code) > ($2, $3, $4) ORDER BY x.retired_at IS NOT NULL, x.name, x.code LIMIT $5))
			ORDER BY p.retired_at IS NOT NULL, p.name, p.code`, workshop, from.Retired, from.Name, from.Code, productsAPage+1)
		return err
	})
	if err != nil {
		return nil, "", fmt.Errorf("store: product list: %w", err)
	}
	list, next = cut(list, productsAPage, func(p Product) string { return p.Code })
	return list, next, nil
}

// Product is one of them by its code.
func (s *Store) Product(ctx context.Context, workshop WorkshopID, code string) (Product, error) {
	var p Product
	err := s.read(ctx, workshop, func(t pgx.Tx) (err error) {
		p, err = productByCode(ctx, t, workshop, code)
		return err
	})
	if err != nil {
		return Product{}, fmt.Errorf("store: product %q: %w", code, err)
	}
	return p, nil
}

// Check tells everything at once that cannot be right in a product. Faults are beside name, code, net_content, fill,
// months, days, from, precision, opened_months, grade, gtin, label, letters, for packaging i "packaging.i.material" and
// "packaging.i.per_unit", and for part i "parts.i.product" and "parts.i.per_unit".
func (p Product) Check() error {
	var f fault.Fields
	checkName(&f, p.Name, "Write the product's name, up to 200 characters.")
	checkCode(&f, p.Code)
	if p.NetContentG.Valid && !p.NetContentG.Decimal.IsPositive() {
		f.Add("net_content", "The net content has to be more than 0.")
	}
	if p.FillG.Valid && !p.FillG.Decimal.IsPositive() {
		f.Add("fill", "The fill has to be more than 0.")
	}
	if bad := fault.As(p.Rule().Validate()); bad != nil && !p.IsSet() {
		for _, field := range bad.Fields {
			f.Add(field.Name, capital(field.Message)+".")
		}
	}
	if p.OpenedMonths > 120 {
		f.Add(bestbefore.FieldOpened, "A period after opening has at most 120 months.")
	}
	checkLength(&f, "grade", p.Grade, 40)
	if p.GTIN != "" {
		if bad := fault.As(epcis.CheckGTIN(p.GTIN)); bad != nil {
			f.Add(epcis.FieldGTIN, bad.Of(epcis.FieldGTIN))
		}
	}
	checkLength(&f, "label", p.LabelText, 4000)
	if p.USSoap != "" && p.USSoap != "soap" && p.USSoap != "cosmetic" {
		f.Add("us_soap", "Choose only soap, a cosmetic, or not said.")
	}
	seen := map[string]bool{}
	for i, k := range p.Packaging {
		if k.MaterialCode == "" {
			f.Add(fmt.Sprintf("packaging.%d.material", i), "Which packaging?")
		} else if seen[k.MaterialCode] {
			f.Add(fmt.Sprintf("packaging.%d.material", i), "This packaging stands here twice; write it once with the sum.")
		}
		seen[k.MaterialCode] = true
		if !k.PerUnit.IsPositive() {
			f.Add(fmt.Sprintf("packaging.%d.per_unit", i), "How much for one unit? Write more than 0.")
		}
	}
	p.checkParts(&f)
	return f.Err()
}

func (p Product) checkParts(f *fault.Fields) {
	if !p.IsSet() {
		if p.Letters != "" {
			f.Add("letters", "Only a set has letters here; what is made has those of its formula. Name its parts, or leave this empty.")
		}
		return
	}
	if !isLetters(p.Letters) {
		f.Add("letters", "One to four letters from A to Z: the batch codes of the set begin with them.")
	}
	if p.FormulaCode != "" {
		f.Add("formula", "A set is put together from other products, so it has no formula.")
	}
	if p.DatePrecision != string(bestbefore.ToDay) && p.DatePrecision != string(bestbefore.ToMonth) {
		f.Add(bestbefore.FieldPrecision, "Choose day or month.")
	}
	seen := map[string]bool{}
	for i, k := range p.Parts {
		field := fmt.Sprintf("parts.%d.product", i)
		switch {
		case k.Product == "":
			f.Add(field, "Which product?")
		case k.Product == p.Code:
			f.Add(field, "A set cannot hold itself.")
		case seen[k.Product]:
			f.Add(field, "This product stands here twice; write it once with the sum.")
		}
		seen[k.Product] = true
		if k.PerUnit < 1 || k.PerUnit > 1000 {
			f.Add(fmt.Sprintf("parts.%d.per_unit", i), "How many in one set? Between 1 and 1,000.")
		}
	}
}

// asSet gives a set what all sets have: it keeps as long as what is in it, so its date is cut and nothing is counted.
func (p Product) asSet() Product {
	if p.IsSet() {
		p.CapByExpiry, p.ShelfLifeMonths, p.ShelfLifeDays, p.ShelfLifeFrom, p.OpenedMonths = true, 0, 0, "", 0
	}
	return p
}

// AddProduct stores a product with its packaging; without a code it gets its initials. It answers the code.
func (s *Store) AddProduct(ctx context.Context, who Who, entry Entry, p Product) (string, error) {
	p = p.asSet()
	if err := p.Check(); err != nil {
		return "", err
	}
	code, err := s.write(ctx, who, create, "", entry, func(t *tx) error {
		formula, packaging, err := t.productRefs(ctx, p)
		if err != nil {
			return err
		}
		if p.Code == "" {
			if p.Code, err = t.freeCode(ctx, "product", p.Name); err != nil {
				return err
			}
		}
		id := newID[ProductID]()
		if err := t.freeLetters(ctx, p.Letters, id); err != nil {
			return err
		}
		if _, err := t.Exec(ctx, `INSERT INTO product (workshop_id, id, code, name, formula_id, net_content_g, fill_g, shelf_life_months, shelf_life_days, shelf_life_from, cap_by_expiry, date_precision, opened_months, grade, label_text, letters, change_id, gtin, us_soap)
			VALUES ($1, $2, $3, $4, $5, $6, $7, nullif($8::int, 0), nullif($9::int, 0), nullif($10, ''), $11, $12, nullif($13::int, 0), $14, $15, nullif($16, ''), $17, nullif($18, ''), nullif($19, ''))`,
			who.Workshop, id, p.Code, p.Name, formula, p.NetContentG, p.FillG, p.ShelfLifeMonths, p.ShelfLifeDays, p.ShelfLifeFrom, p.CapByExpiry, p.DatePrecision, p.OpenedMonths, p.Grade, p.LabelText, p.Letters, t.change, p.GTIN, p.USSoap); err != nil {
			if constraint(err) == "product_code_key" {
				return fault.In("code", "Another product has this code.")
			}
			return err
		}
		if err := t.replaceParts(ctx, id, nil, p.Parts); err != nil {
			return err
		}
		for i, k := range p.Packaging {
			if err := t.insertPerUnit(ctx, newID[packagingID](), id, packaging[i], k.PerUnit); err != nil {
				return err
			}
		}
		t.result = p.Code
		return t.indexProduct(ctx, id, p)
	})
	if err != nil {
		return "", fmt.Errorf("store: add product %q: %w", p.Name, err)
	}
	return code, nil
}

// packagingID is the id of a row of packaging per unit; nobody outside needs it.
type packagingID uuid.UUID

func (t *tx) insertPerUnit(ctx context.Context, id packagingID, product ProductID, material MaterialID, perUnit decimal.Decimal) error {
	_, err := t.Exec(ctx, `INSERT INTO product_packaging (workshop_id, id, product_id, material_id, per_unit, change_id) VALUES ($1, $2, $3, $4, $5, $6)`,
		t.who.Workshop, id, product, material, perUnit, t.change)
	return err
}

func (t *tx) indexProduct(ctx context.Context, id ProductID, p Product) error {
	return t.index(ctx, "product", id, append(append(words(p.Name), words(p.Grade)...), foldWord(p.Code), foldWord(p.Letters))...)
}

// productRefs looks up the formula and the packaging that a product names.
func (t *tx) productRefs(ctx context.Context, p Product) (*FormulaID, []MaterialID, error) {
	var f fault.Fields
	var formula *FormulaID
	if p.FormulaCode != "" {
		ids, err := t.formulasByCode(ctx, []string{p.FormulaCode})
		if err != nil {
			return nil, nil, err
		}
		if id, known := ids[p.FormulaCode]; known {
			formula = &id
		} else {
			f.Add("formula", fmt.Sprintf("There is no formula %q.", p.FormulaCode))
		}
	}
	codes := make([]string, len(p.Packaging))
	for i, k := range p.Packaging {
		codes[i] = k.MaterialCode
	}
	known, err := t.materialsByCode(ctx, codes)
	if err != nil {
		return nil, nil, err
	}
	materials := make([]MaterialID, len(codes))
	for i, code := range codes {
		m, found := known[code]
		switch {
		case !found:
			f.Add(fmt.Sprintf("packaging.%d.material", i), fmt.Sprintf("There is no material %q.", code))
		case m.Kind != "packaging":
			f.Add(fmt.Sprintf("packaging.%d.material", i), m.Name+" is no packaging.")
		}
		materials[i] = m.ID
	}
	return formula, materials, f.Err()
}

// freeLetters asks that no formula and no other product has the letters: batch codes would be mixed up. Letters live in
// two tables, which no unique index spans, so whoever gives some waits for us.
func (t *tx) freeLetters(ctx context.Context, letters string, product ProductID) error {
	if letters == "" {
		return nil
	}
	if _, err := t.Exec(ctx, `SELECT pg_advisory_xact_lock(hashtextextended('letters:' || $1::text, 0))`, Text(t.who.Workshop)); err != nil {
		return err
	}
	var formula, other bool
	if err := t.QueryRow(ctx, `SELECT EXISTS (SELECT FROM formula WHERE workshop_id = $1 AND letters = $2), EXISTS (SELECT FROM product WHERE workshop_id = $1 AND letters = $2 AND id <> $3)`, t.who.Workshop, letters, product).Scan(&formula, &other); err != nil {
		return err
	}
	switch {
	case formula && product != (ProductID{}): // for a formula its own index says so
		return fault.In("letters", "A formula has these letters; batch codes would be mixed up.")
	case other:
		return fault.In("letters", "Another set has these letters; batch codes would be mixed up.")
	}
	return nil
}

// checkSet holds a correction to what was put together already: its letters stand in batch codes.
func (t *tx) checkSet(ctx context.Context, have, want Product) error {
	if have.Letters == want.Letters && have.IsSet() == want.IsSet() {
		return nil
	}
	if err := t.freeLetters(ctx, want.Letters, have.ID); err != nil {
		return err
	}
	var sets, packed bool
	if err := t.QueryRow(ctx, `SELECT EXISTS (SELECT FROM batch WHERE workshop_id = $1 AND product_id = $2 AND kind = 'set'), EXISTS (SELECT FROM packing k JOIN batch b ON b.workshop_id = k.workshop_id AND b.id = k.batch_id AND b.kind IS NULL WHERE k.workshop_id = $1 AND k.product_id = $2)`, t.who.Workshop, have.ID).Scan(&sets, &packed); err != nil {
		return err
	}
	switch {
	case sets:
		return fault.In("letters", "Sets of it were put together already: what it is and its letters stay, since they stand in batch codes. Write a new product.")
	case packed && want.IsSet():
		return fault.In("letters", "It was packed from batches already, so it cannot become a set. Write a new product.")
	}
	return nil
}

// partID is the id of a row of what a set holds; nobody outside needs it.
type partID uuid.UUID

// replaceParts brings what a set holds from what stands to what is wanted, as replacePackaging does. No set holds
// itself, through any number of sets in it.
func (t *tx) replaceParts(ctx context.Context, product ProductID, have, want []ProductPart) error {
	if len(have)+len(want) == 0 {
		return nil
	}
	if err := t.lockGenealogy(ctx); err != nil {
		return err
	}
	old := map[string]int{}
	for _, k := range have {
		old[k.Product] = k.PerUnit
	}
	var f fault.Fields
	for i, k := range want {
		field := fmt.Sprintf("parts.%d.product", i)
		part, err := productByCode(ctx, t, t.who.Workshop, k.Product)
		if fault.Is(err, fault.NotFound) {
			f.Add(field, fmt.Sprintf("There is no product %q.", k.Product))
			continue
		}
		if err != nil {
			return err
		}
		var circle bool
		if err := t.QueryRow(ctx, `WITH RECURSIVE within (id) AS (SELECT $2::uuid UNION SELECT x.part_id FROM within w JOIN product_part x ON x.workshop_id = $1 AND x.product_id = w.id AND x.replaced_by IS NULL)
			SELECT EXISTS (SELECT FROM within WHERE id = $3)`, t.who.Workshop, part.ID, product).Scan(&circle); err != nil {
			return err
		}
		if circle {
			f.Add(field, part.Name+" holds this set itself.")
			continue
		}
		was, there := old[k.Product]
		delete(old, k.Product)
		if there && was == k.PerUnit {
			continue
		}
		id := newID[partID]()
		if there {
			if err := t.replacePart(ctx, product, k.Product, &id); err != nil {
				return err
			}
		}
		if _, err := t.Exec(ctx, `INSERT INTO product_part (workshop_id, id, product_id, part_id, per_unit, change_id) VALUES ($1, $2, $3, $4, $5, $6)`, t.who.Workshop, id, product, part.ID, k.PerUnit, t.change); err != nil {
			return err
		}
	}
	for code := range old {
		if err := t.replacePart(ctx, product, code, nil); err != nil {
			return err
		}
	}
	return f.Err()
}

func (t *tx) replacePart(ctx context.Context, product ProductID, code string, by *partID) error {
	_, err := t.Exec(ctx, `UPDATE product_part SET replaced_by = coalesce($4, id) WHERE workshop_id = $1 AND product_id = $2 AND replaced_by IS NULL
		AND part_id = (SELECT id FROM product WHERE workshop_id = $1 AND code = $3)`, t.who.Workshop, product, code, by)
	return err
}

// CorrectProduct changes everything about a product but its code; the trail keeps what it was. Packings made before
// keep the date that was printed on them.
func (s *Store) CorrectProduct(ctx context.Context, who Who, entry Entry, p Product, reason string) error {
	_, err := s.write(ctx, who, correct, reason, entry, func(t *tx) error {
		if _, err := t.Exec(ctx, `SELECT FROM product WHERE workshop_id = $1 AND code = $2 FOR NO KEY UPDATE`, who.Workshop, p.Code); err != nil {
			return err
		}
		have, err := productByCode(ctx, t, who.Workshop, p.Code)
		if err != nil {
			return err
		}
		if p.Seen != "" && p.Seen != have.Seen {
			return fault.New(fault.Conflict, "Somebody changed this product meanwhile. What you typed is still here; look at what stands now before you save it again.")
		}
		p = p.asSet()
		if err := p.Check(); err != nil {
			return err
		}
		if err := t.checkSet(ctx, have, p); err != nil {
			return err
		}
		if strings.TrimSpace(reason) == "" {
			return fault.In("reason", "Say why: the old value is kept beside the new one.")
		}
		formula, packaging, err := t.productRefs(ctx, p)
		if err != nil {
			return err
		}
		if _, err := t.Exec(ctx, `UPDATE product SET name = $3, formula_id = $4, net_content_g = $5, fill_g = $6, shelf_life_months = nullif($7::int, 0), shelf_life_days = nullif($8::int, 0), shelf_life_from = nullif($9, ''),
				cap_by_expiry = $10, date_precision = $11, opened_months = nullif($12::int, 0), grade = $13, label_text = $14, retired_at = CASE WHEN $15 THEN coalesce(retired_at, $16) END, letters = nullif($17, ''), gtin = nullif($18, ''), us_soap = nullif($19, '')
			WHERE workshop_id = $1 AND id = $2`,
			who.Workshop, have.ID, p.Name, formula, p.NetContentG, p.FillG, p.ShelfLifeMonths, p.ShelfLifeDays, p.ShelfLifeFrom, p.CapByExpiry, p.DatePrecision, p.OpenedMonths, p.Grade, p.LabelText, p.Retired, t.now, p.Letters, p.GTIN, p.USSoap); err != nil {
			return err
		}
		if err := t.replaceParts(ctx, have.ID, have.Parts, p.Parts); err != nil {
			return err
		}
		if err := t.replacePackaging(ctx, have.ID, have.Packaging, p.Packaging, packaging); err != nil {
			return err
		}
		return t.indexProduct(ctx, have.ID, p)
	})
	if err != nil {
		return fmt.Errorf("store: correct product %q: %w", p.Code, err)
	}
	return nil
}

// replacePackaging brings the packaging per unit from what stands to what is wanted. What stays the same stays the
// same row; a changed amount replaces its row, what is gone is withdrawn.
func (t *tx) replacePackaging(ctx context.Context, product ProductID, have, want []ProductPackaging, materials []MaterialID) error {
	old := map[string]decimal.Decimal{}
	for _, k := range have {
		old[k.MaterialCode] = k.PerUnit
	}
	replace := func(code string, by *packagingID) error {
		_, err := t.Exec(ctx, `UPDATE product_packaging SET replaced_by = coalesce($4, id) WHERE workshop_id = $1 AND product_id = $2 AND replaced_by IS NULL
			AND material_id = (SELECT id FROM material WHERE workshop_id = $1 AND code = $3)`, t.who.Workshop, product, code, by)
		return err
	}
	for i, k := range want {
		was, there := old[k.MaterialCode]
		delete(old, k.MaterialCode)
		if there && was.Equal(k.PerUnit) {
			continue
		}
		id := newID[packagingID]()
		if there {
			if err := replace(k.MaterialCode, &id); err != nil {
				return err
			}
		}
		if err := t.insertPerUnit(ctx, id, product, materials[i], k.PerUnit); err != nil {
			return err
		}
	}
	for code := range old {
		if err := replace(code, nil); err != nil {
			return err
		}
	}
	return nil
}
