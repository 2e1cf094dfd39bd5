package store

import (
	"context"
	"fmt"
	"slices"

	"github.com/jackc/pgx/v5"
	"github.com/shopspring/decimal"

	"example.org/stillroom/internal/batchcode"
	"example.org/stillroom/internal/bestbefore"
	"example.org/stillroom/internal/day"
	"example.org/stillroom/internal/fault"
)

// PackagingNeed is one packaging material of a product.
type PackagingNeed struct {
	ID       MaterialID
	Material string // code
	Name     string
	Unit     string
	PerUnit  decimal.Decimal
	Tracked  bool
	HasLots  bool // some lot of it is not noted as emptied
	IsLabel  bool // what is taken of it counts the labels
	Caution  string
	Lots     []LotChoice
}

// Preselected is the one lot that is fit to use, empty where there are several or none.
func (n PackagingNeed) Preselected() string {
	code := ""
	for _, l := range n.Lots {
		if len(l.Unfit) > 0 || !l.OnHand.IsPositive() {
			continue
		}
		if code != "" {
			return ""
		}
		code = l.Code
	}
	return code
}

const packagingNeeds = `SELECT m.id, m.code, m.name, m.unit, n.per_unit, m.tracked, EXISTS (SELECT FROM material_lot l WHERE l.workshop_id = $1 AND l.material_id = m.id AND l.emptied_on IS NULL), coalesce(m.is_label, false), m.caution `

// packagingOf is the packaging of a product as it is now: for what is packed now.
func packagingOf(ctx context.Context, t pgx.Tx, workshop WorkshopID, product ProductID) ([]PackagingNeed, error) {
	return queryNeeds(ctx, t, `FROM product_packaging n JOIN material m ON m.workshop_id = n.workshop_id AND m.id = n.material_id
		WHERE n.workshop_id = $1 AND n.product_id = $2 AND n.replaced_by IS NULL`, workshop, product)
}

// packagingTaken is the packaging of a packing's product as it was when it was packed: a later change of the product
// changes no evidence of what was packed before it. What was packed before that was kept goes by the product as it is.
func packagingTaken(ctx context.Context, t pgx.Tx, workshop WorkshopID, packing PackingID) ([]PackagingNeed, error) {
	of, err := packagingTakenBy(ctx, t, workshop, []PackingID{packing})
	return of[packing], err
}

// packagingTakenBy is packagingTaken for several packings.
func packagingTakenBy(ctx context.Context, t pgx.Tx, workshop WorkshopID, packings []PackingID) (map[PackingID][]PackagingNeed, error) {
	rows, err := t.Query(ctx, packagingNeeds+`, k.id FROM packing k CROSS JOIN LATERAL (
			SELECT y.material, y.per_unit FROM jsonb_to_recordset(k.takes) AS y (material uuid, per_unit numeric)
			UNION ALL SELECT p.material_id, p.per_unit FROM product_packaging p WHERE k.takes IS NULL AND p.workshop_id = $1 AND p.product_id = k.product_id AND p.replaced_by IS NULL) n
		JOIN material m ON m.workshop_id = $1 AND m.id = n.material WHERE k.workshop_id = $1 AND k.id = ANY ($2::uuid[]) ORDER BY m.name, m.code`, workshop, packings)
	if err != nil {
		return nil, err
	}
	of := map[PackingID][]PackagingNeed{}
	var n PackagingNeed
	var packing PackingID
	_, err = pgx.ForEachRow(rows, append(n.fields(), &packing), func() error {
		of[packing] = append(of[packing], n)
		return nil
	})
	return of, err
}

// takesNow is what packagingTaken reads later, for the product in the parameter named.
func takesNow(product string) string {
	return `(SELECT coalesce(jsonb_agg(jsonb_build_object('material', n.material_id, 'per_unit', n.per_unit) ORDER BY n.material_id), '[]') FROM product_packaging n WHERE n.workshop_id = $1 AND n.product_id = ` + product + ` AND n.replaced_by IS NULL)`
}

func queryNeeds(ctx context.Context, t pgx.Tx, from string, workshop WorkshopID, id [16]byte) ([]PackagingNeed, error) {
	rows, err := t.Query(ctx, packagingNeeds+from+` ORDER BY m.name, m.code`, workshop, id)
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, func(row pgx.CollectableRow) (PackagingNeed, error) {
		var n PackagingNeed
		err := row.Scan(n.fields()...)
		return n, err
	})
}

func (n *PackagingNeed) fields() []any {
	return []any{&n.ID, &n.Material, &n.Name, &n.Unit, &n.PerUnit, &n.Tracked, &n.HasLots, &n.IsLabel, &n.Caution}
}

// labelled tells whether labels come from lots among the packaging: then those count them, and nobody is asked twice.
func labelled(need []PackagingNeed) bool {
	return slices.ContainsFunc(need, func(n PackagingNeed) bool { return n.IsLabel && n.Tracked })
}

// ProductChoice is a product that a batch may be packed as.
type ProductChoice struct {
	Code, Name string
	OfFormula  bool
}

// PackSheet is what the packing form starts with.
type PackSheet struct {
	Batch     BatchRecord
	Products  []ProductChoice // those of the batch's formula first
	Product   Product         // the one chosen; its code is empty where none was
	Packaging []PackagingNeed
	Controls  []BatchControl // of stage packing, for units of the product's size
	Others    []BatchControl // of stage packing, for units of another size: they are not asked for
	Yield     Yield
	// Left is how many units of the product the batch still gives by estimate, LeftKnown where there is one. LeftByCount
	// tells that it is what was moulded less what has a fate, and no estimate.
	Left        int
	LeftKnown   bool
	LeftByCount bool
	// Code is what the packing will have, unless another is packed before it; BestBefore what will be printed if it is
	// packed on the day asked for.
	Code       string
	BestBefore bestbefore.Decision
}

// PackSheet reads what the form for packing a batch needs. An empty product chooses the planned one, or the only one
// of the formula.
func (s *Store) PackSheet(ctx context.Context, workshop WorkshopID, code, product string, on day.Day) (PackSheet, error) {
	var sheet PackSheet
	err := s.read(ctx, workshop, func(t pgx.Tx) error {
		id, _, err := batchOfCode(ctx, t, workshop, code)
		if err != nil {
			return err
		}
		if sheet.Batch, err = loadBatch(ctx, t, workshop, id); err != nil {
			return err
		}
		if sheet.Products, err = productChoices(ctx, t, workshop, sheet.Batch.FormulaCode); err != nil {
			return err
		}
		if sheet.Yield, err = loadYield(ctx, t, workshop, &sheet.Batch); err != nil {
			return err
		}
		return sheet.choose(ctx, t, workshop, product, on)
	})
	if err != nil {
		return PackSheet{}, fmt.Errorf("store: pack sheet of %q: %w", code, err)
	}
	return sheet, nil
}

func productChoices(ctx context.Context, t pgx.Tx, workshop WorkshopID, formula string) ([]ProductChoice, error) {
	rows, err := t.Query(ctx, `SELECT p.code, p.name, coalesce(f.code = $2, false) FROM product p LEFT JOIN formula f ON f.workshop_id = p.workshop_id AND f.id = p.formula_id
		WHERE p.workshop_id = $1 AND p.retired_at IS NULL ORDER BY coalesce(f.code = $2, false) DESC, p.name, p.code`, workshop, formula)
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, pgx.RowToStructByPos[ProductChoice])
}

// chosen is the product asked for, else the planned one, else the only one of the formula.
func (p PackSheet) chosen(asked string) string {
	if asked != "" {
		return asked
	}
	if p.Batch.ProductCode != "" {
		return p.Batch.ProductCode
	}
	only := ""
	for _, c := range p.Products {
		if c.OfFormula && only != "" {
			return ""
		}
		if c.OfFormula {
			only = c.Code
		}
	}
	return only
}

func (p *PackSheet) choose(ctx context.Context, t pgx.Tx, workshop WorkshopID, asked string, on day.Day) error {
	code := p.chosen(asked)
	if code == "" {
		return nil
	}
	product, err := productByCode(ctx, t, workshop, code)
	if fault.Is(err, fault.NotFound) {
		return nil // the form says so beside the field
	}
	if err != nil {
		return err
	}
	p.Product = product
	for _, c := range p.Batch.Controls {
		switch {
		case c.Stage != "packing":
		case c.otherSize(product.NominalFill(), product.NetContentG.Decimal):
			p.Others = append(p.Others, c)
		default:
			p.Controls = append(p.Controls, c)
		}
	}
	p.Left, p.LeftKnown = p.Yield.LeftToPack(product.NominalFill())
	p.LeftByCount = p.Yield.Countable && product.NominalFill().Equal(p.Yield.FillG)
	if p.Packaging, err = packagingOf(ctx, t, workshop, product.ID); err != nil {
		return err
	}
	for i := range p.Packaging {
		if p.Packaging[i].Lots, err = packagingLots(ctx, t, workshop, p.Packaging[i].Material, on); err != nil {
			return err
		}
	}
	w, err := scanWorkshop(t.QueryRow(ctx, `SELECT `+workshopColumns+` FROM workshop WHERE id = $1`, workshop))
	if err != nil {
		return err
	}
	caps, err := capsOf(ctx, t, workshop, p.Batch.ID)
	if err != nil {
		return err
	}
	date, err := dateBy(p.Batch.Batch, product, w, on, caps)
	p.BestBefore = date.Decision
	if err != nil {
		return err
	}
	check, err := hasCheck(ctx, t, workshop, p.Batch.Code)
	next := 0
	for _, k := range p.Batch.Packings {
		next = max(next, k.N)
	}
	p.Code = batchcode.PackingCode(p.Batch.Code, next+1, check)
	return err
}

// packagingLots lists the lots that packaging may come from: those fit first, then what the book holds nothing of,
// since the shelf may hold more than the book.
func packagingLots(ctx context.Context, t pgx.Tx, workshop WorkshopID, material string, on day.Day) ([]LotChoice, error) {
	lots, err := queryLots(ctx, t, `WHERE l.workshop_id = $1 AND m.code = $2 AND l.emptied_on IS NULL
		ORDER BY s.on_hand > 0 DESC, l.status = 'released' AND NOT l.recalled DESC, l.opened_on IS NULL, l.expires_on NULLS LAST, l.received_on DESC, l.code LIMIT 40`, workshop, material)
	if err != nil {
		return nil, err
	}
	style, err := styleOf(ctx, t, workshop)
	if err != nil {
		return nil, err
	}
	list := make([]LotChoice, len(lots))
	for i, l := range lots {
		list[i] = LotChoice{l, lotUnfit(style, l, on)}
	}
	return list, nil
}
