package store

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"github.com/shopspring/decimal"

	"example.org/stillroom/internal/day"
	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/measure"
	"example.org/stillroom/internal/scaling"
)

// NewPlan is a batch that is meant: by units of a product, or by mass.
type NewPlan struct {
	Key     uuid.UUID // of the form: sent twice it is one plan; zero for a program
	Formula string
	Product string // code; may be empty where MassG is given
	Units   int
	MassG   decimal.Decimal // used where Units is 0
	On      day.Day
	Place   string
	Note    string
}

// Plan is a batch not begun: no record, no code.
type Plan struct {
	ID          PlanID
	FormulaCode string
	FormulaName string
	VersionID   VersionID
	Number      int
	ProductCode string
	ProductName string
	Units       int
	MassG       decimal.Decimal
	On          day.Day
	Place       string
	Note        string
	By          string
	Status      string // of the version: only an approved one can be begun
}

// PlanLine is one weighing of a plan, and whether the stock suffices.
type PlanLine struct {
	Portion    string
	Name       string
	Material   string // code; empty for a portion or bulk
	Kind       string // material, portion, bulk
	Bulk       string // formula code
	TargetG    decimal.Decimal
	AsNeeded   bool
	LowG       decimal.Decimal
	HighG      decimal.Decimal
	FinerScale bool
	OverLimit  bool
	Tracked    bool
	Caution    string // of the material, or of the bulk's formula
	// NeedG is what the whole batch needs of this material or bulk, OnHandG what is fit to use on the planned day and
	// not needed by other plans and started batches.
	NeedG, OnHandG decimal.Decimal
}

// Enough tells whether the stock suffices for the whole batch.
func (l PlanLine) Enough() bool {
	return l.Kind == "portion" || !l.Tracked || !l.NeedG.GreaterThan(l.OnHandG)
}

// PlanSheet is a plan scaled.
type PlanSheet struct {
	Plan
	Lines         []PlanLine
	BatchG        decimal.Decimal
	ExpectedUnits int
	LossPct       decimal.Decimal // the allowance that the mass holds, in % of it
	Caution       string
	Limits        BatchLimits
	// Supplies are what the batch and the packaging of its units need against what there is: what is missing first,
	// then in the order of the formula.
	Supplies []Supply
	// Last is the latest making of the formula that got beyond the bench; nil where there is none.
	Last *LastMaking
}

// Missing are the supplies that go short.
func (p PlanSheet) Missing() []Supply {
	return slices.DeleteFunc(slices.Clone(p.Supplies), func(u Supply) bool { return !u.Missing.IsPositive() })
}

// Short lists the materials that do not suffice, each once.
func (p PlanSheet) Short() []PlanLine {
	var out []PlanLine
	seen := map[string]bool{}
	for _, l := range p.Lines {
		if key := l.Kind + l.Material + l.Bulk; !l.Enough() && !seen[key] {
			seen[key] = true
			out = append(out, l)
		}
	}
	return out
}

const planQuery = `SELECT n.id, f.code, f.name, v.id, v.number, coalesce(p.code, ''), coalesce(p.name, ''), coalesce(n.units, 0), n.mass_g, n.planned_on, n.place, n.note, coalesce(w.name, ''), v.status
	FROM plan n JOIN formula_version v ON v.workshop_id = n.workshop_id AND v.id = n.version_id JOIN formula f ON f.workshop_id = v.workshop_id AND f.id = v.formula_id
	LEFT JOIN product p ON p.workshop_id = n.workshop_id AND p.id = n.product_id LEFT JOIN person w ON w.workshop_id = n.workshop_id AND w.id = n.made_by `

// plansAPage is how many plans a page lists.
const plansAPage = 50

// PlanList is a page of what is meant to be made, the next first, behind the plan of an id, and the id that the next page
// begins behind.
func (s *Store) PlanList(ctx context.Context, workshop WorkshopID, after string) (list []Plan, next string, err error) {
	err = s.read(ctx, workshop, func(t pgx.Tx) error {
		var on day.Day
		var id PlanID
		if err := boundaryID(ctx, t, workshop, after, `SELECT planned_on, id FROM plan WHERE workshop_id = $1 AND id = $2`, &on, &id); err != nil {
			return err
		}
		rows, err := t.Query(ctx, planQuery+`WHERE n.workshop_id = $1 AND ($2::date IS NULL OR (n.planned_on, n.id) > ($2, $3)) ORDER BY n.planned_on, n.id LIMIT $4`, workshop, on, id, plansAPage+1)
		if err == nil {
			list, err = pgx.CollectRows(rows, pgx.RowToStructByPos[Plan])
		}
		return err
	})
	if err != nil {
		return nil, "", fmt.Errorf("store: plan list: %w", err)
	}
	list, next = cut(list, plansAPage, func(p Plan) string { return Text(p.ID) })
	return list, next, nil
}

// Plan reads a plan, scaled to the workshop's scale, with the stock held against it.
func (s *Store) Plan(ctx context.Context, workshop WorkshopID, id PlanID) (PlanSheet, error) {
	var sheet PlanSheet
	err := s.read(ctx, workshop, func(t pgx.Tx) error {
		rows, err := t.Query(ctx, planQuery+`WHERE n.workshop_id = $1 AND n.id = $2`, workshop, id)
		if err != nil {
			return err
		}
		if sheet.Plan, err = pgx.CollectExactlyOneRow(rows, pgx.RowToStructByPos[Plan]); err != nil {
			return notFound(err, "This plan was started or dropped meanwhile.")
		}
		w, err := scanWorkshop(t.QueryRow(ctx, `SELECT `+workshopColumns+` FROM workshop WHERE id = $1`, workshop))
		if err != nil {
			return err
		}
		return sheet.fill(ctx, t, w)
	})
	if err != nil {
		return PlanSheet{}, fmt.Errorf("store: plan: %w", err)
	}
	return sheet, nil
}

// fill scales the plan and holds the shelf against it.
func (p *PlanSheet) fill(ctx context.Context, t pgx.Tx, w Workshop) error {
	shelf, err := loadShelf(ctx, t, w, &p.Plan)
	if err != nil {
		return err
	}
	takes, scaled, err := shelf.takes(p.Plan)
	if err != nil {
		return err
	}
	version := shelf.versions[p.VersionID]
	p.BatchG, p.Caution, p.LossPct = scaled.BatchG, version.Caution, version.ExpectedLossPct
	p.Limits = BatchLimits{MinC: version.MinC, MaxC: version.MaxC, MinPct: version.MinPct, MaxPct: version.MaxPct}
	have := map[stuff]Supply{}
	var list []*Supply
	p.Supplies = make([]Supply, len(takes))
	for i, x := range takes {
		p.Supplies[i] = shelf.one(x.stuff, x.amount, p.On)
		have[x.stuff], list = p.Supplies[i], append(list, &p.Supplies[i])
	}
	if err := together(ctx, t, func(t pgx.Tx) error { return loadToMake(ctx, t, w, list) }, func(t pgx.Tx) error { return p.loadLast(ctx, t, w.ID, version.FormulaID) }); err != nil {
		return err
	}
	slices.SortStableFunc(p.Supplies, func(a, b Supply) int { return cmp.Compare(b.Missing.Sign(), a.Missing.Sign()) })
	for _, target := range scaled.Lines {
		portion := version.Portions[target.Portion]
		line := portion.Lines[target.Line]
		l := PlanLine{Portion: portion.Name, Name: line.Name, Kind: line.Kind, Material: line.MaterialCode, Bulk: line.BulkFormula, TargetG: target.TargetG, AsNeeded: target.AsNeeded,
			LowG: target.LowG, HighG: target.HighG, FinerScale: target.NeedsFinerScale, OverLimit: target.OverLimit, Tracked: true, Caution: line.Caution}
		if what := stuffOf(line); shelf.of[what] != nil {
			x, u := shelf.of[what], have[what]
			l.Tracked, l.NeedG, l.OnHandG = x.tracked, x.toG(u.Needed), x.toG(u.Usable)
		}
		p.Lines = append(p.Lines, l)
	}
	if p.ProductCode != "" {
		if fill := shelf.products[p.ProductCode].NominalFill(); fill.IsPositive() {
			p.ExpectedUnits = scaling.UnitsFor(p.BatchG, fill, version.ExpectedLossPct)
		}
	}
	return nil
}

// BulkSource is a batch that another batch may draw from.
type BulkSource struct {
	Code       string
	Formula    string
	Name       string
	Status     string
	MadeOn     day.Day
	BestBefore day.Day
	LeftG      decimal.Decimal
	Recalled   bool
	// Bad are the lots in it, through every level, that were rejected or recalled since.
	Bad []string
}

// Fit tells whether the bulk may be planned with on a day.
func (b BulkSource) Fit(on day.Day) bool {
	return b.LeftG.IsPositive() && len(b.Unfit(measure.Style{}, on)) == 0
}

// Unfit says why the bulk may not be used on a day, in words; nothing where it may.
func (b BulkSource) Unfit(style measure.Style, on day.Day) []string {
	var out []string
	if b.Recalled {
		out = append(out, "Bulk "+b.Code+" is in a recall and may not be used.")
	}
	if b.Status != "released" {
		out = append(out, "Bulk "+b.Code+" is not released.")
	}
	if !b.BestBefore.IsZero() && b.BestBefore.Before(on) {
		out = append(out, "Bulk "+b.Code+" was to be used by "+style.Day(b.BestBefore)+".")
	}
	if len(b.Bad) > 0 {
		out = append(out, "Bulk "+b.Code+" holds what may not be used: lot "+strings.Join(b.Bad, ", ")+".")
	}
	return out
}

// bulkSources lists the batches of a bulk formula (all of them for "") with something left, the first to expire first.
func bulkSources(ctx context.Context, t pgx.Tx, workshop WorkshopID, formula string) ([]BulkSource, error) {
	rows, err := t.Query(ctx, `SELECT x.id, x.code, x.formula, x.name, x.status, x.made_on, x.best_before, x.left_g, x.recalled FROM (SELECT b.id, b.code, f.code AS formula, f.name, b.status, b.made_on, b.best_before, coalesce(b.recalled, false) AS recalled,
			coalesce(b.bulk_g, 0) - coalesce((SELECT sum(i.quantity) FROM batch_input i WHERE i.workshop_id = b.workshop_id AND i.source_batch_id = b.id AND i.unit = 'g' AND i.replaced_by IS NULL), 0) + `+bulkMovedG+` AS left_g
		FROM batch b JOIN formula_version v ON v.workshop_id = b.workshop_id AND v.id = b.version_id AND v.yields = 'bulk' JOIN formula f ON f.workshop_id = b.workshop_id AND f.id = b.formula_id
		WHERE b.workshop_id = $1 AND b.status IN ('making', 'packing', 'quarantined', 'released') AND ($2 = '' OR f.code = $2)) x WHERE x.left_g > 0 ORDER BY x.best_before NULLS LAST, x.code`, workshop, formula)
	if err != nil {
		return nil, err
	}
	var ids []BatchID
	list, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (BulkSource, error) {
		var id BatchID
		var b BulkSource
		err := row.Scan(&id, &b.Code, &b.Formula, &b.Name, &b.Status, &b.MadeOn, &b.BestBefore, &b.LeftG, &b.Recalled)
		ids = append(ids, id)
		return b, err
	})
	if err != nil {
		return nil, err
	}
	// Mostly nothing is bad, which one trace of all of them tells.
	origins := make([]node, len(ids))
	for i, id := range ids {
		origins[i] = node{"batch", id}
	}
	if bad, err := badLotsFrom(ctx, t, workshop, origins...); err != nil || len(bad) == 0 {
		return list, err
	}
	readers := make([]reader, len(list))
	for i := range list {
		readers[i] = func(t pgx.Tx) (err error) {
			list[i].Bad, err = badLots(ctx, t, workshop, ids[i])
			return err
		}
	}
	return list, together(ctx, t, readers...)
}

// badLots are the lots in a batch, through every level, that were rejected or are in a recall.
func badLots(ctx context.Context, t pgx.Tx, workshop WorkshopID, batch BatchID) ([]string, error) {
	return badLotsFrom(ctx, t, workshop, node{"batch", batch})
}

// MakePlan notes a batch that is meant. Faults are beside formula, product, units, mass, on, place and note.
func (s *Store) MakePlan(ctx context.Context, who Who, n NewPlan) (PlanID, error) {
	id := newID[PlanID]()
	if n.Key != uuid.Nil {
		id = PlanID(n.Key)
	}
	err := s.settle(ctx, who.Workshop, func(t pgx.Tx) error {
		plan, _, err := n.settle(ctx, t, who.Workshop)
		if err != nil {
			return err
		}
		var product *ProductID
		if n.Product != "" {
			p, err := productByCode(ctx, t, who.Workshop, n.Product)
			if err != nil {
				return err
			}
			product = &p.ID
		}
		var units *int
		if plan.Units > 0 {
			units = &plan.Units
		}
		var by *PersonID
		if who.Person != (PersonID{}) {
			by = &who.Person
		}
		tag, err := t.Exec(ctx, `INSERT INTO plan (workshop_id, id, version_id, product_id, units, mass_g, planned_on, place, note, made_by) VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10) ON CONFLICT DO NOTHING`,
			who.Workshop, id, plan.VersionID, product, units, plan.MassG, n.On, n.Place, n.Note, by)
		if err != nil || tag.RowsAffected() == 1 {
			return err
		}
		var same bool
		err = t.QueryRow(ctx, `SELECT (version_id, product_id, units, mass_g, planned_on, place, note) IS NOT DISTINCT FROM ($3::uuid, $4::uuid, $5::int, $6::numeric, $7::date, $8::text, $9::text) FROM plan WHERE workshop_id = $1 AND id = $2`,
			who.Workshop, id, plan.VersionID, product, units, plan.MassG, n.On, n.Place, n.Note).Scan(&same)
		if err == nil && !same {
			return fault.New(fault.Invalid, "This form was saved before with other values. Drop that plan and plan anew.")
		}
		return err
	})
	if err != nil {
		return PlanID{}, fmt.Errorf("store: plan %q: %w", n.Formula, err)
	}
	return id, nil
}

// PreviewPlan scales what would be planned and holds the stock against it, without noting it. Faults as in MakePlan.
func (s *Store) PreviewPlan(ctx context.Context, workshop WorkshopID, n NewPlan) (PlanSheet, error) {
	var sheet PlanSheet
	err := s.read(ctx, workshop, func(t pgx.Tx) error {
		plan, w, err := n.settle(ctx, t, workshop)
		if err != nil {
			return err
		}
		sheet.Plan = plan
		return sheet.fill(ctx, t, w)
	})
	if err != nil {
		return PlanSheet{}, fmt.Errorf("store: preview plan %q: %w", n.Formula, err)
	}
	return sheet, nil
}

// settle checks a plan against formula and product and gives it its mass.
func (n *NewPlan) settle(ctx context.Context, t pgx.Tx, workshop WorkshopID) (Plan, Workshop, error) {
	var f fault.Fields
	if n.On.IsZero() {
		f.Add("on", "Which day?")
	}
	checkLength(&f, "place", n.Place, 80)
	checkLength(&f, "note", n.Note, 1000)
	plan := Plan{ProductCode: n.Product, Units: n.Units, MassG: n.MassG, On: n.On, Place: n.Place, Note: n.Note}
	w, err := scanWorkshop(t.QueryRow(ctx, `SELECT `+workshopColumns+` FROM workshop WHERE id = $1`, workshop))
	if err != nil {
		return plan, w, err
	}
	version, err := approvedVersion(ctx, t, workshop, n.Formula)
	if fault.Is(err, fault.NotFound) {
		f.Add("formula", fault.As(err).Message)
		return plan, w, f.Err()
	}
	if err != nil {
		return plan, w, err
	}
	plan.FormulaCode, plan.FormulaName, plan.VersionID, plan.Number = version.FormulaCode, version.FormulaName, version.ID, version.Number
	if err := plan.ofProduct(ctx, t, workshop, version, &f); err != nil {
		return plan, w, err
	}
	switch {
	case n.Units < 0 || n.Units > 1_000_000:
		f.Add("units", "Between 1 and 1,000,000.")
	case n.Units > 0 && n.Product == "":
		f.Add("product", "Units of which product?")
	case n.Units == 0 && !n.MassG.IsPositive():
		f.Add("mass", "How much? Give units of a product, or a mass.")
	}
	if err := f.Err(); err != nil {
		return plan, w, err
	}
	scales, err := scalesOf(ctx, t, w)
	if err != nil {
		return plan, w, err
	}
	_, err = scaling.PlanFor(version.Scaling(), plan.MassG, scales...)
	if off := fault.As(err); off != nil {
		words := off.Message
		if len(off.Fields) > 0 {
			words = off.Fields[0].Message
		}
		return plan, w, fault.In("mass", words)
	}
	return plan, w, err
}

// ofProduct gives a plan by units its mass.
func (p *Plan) ofProduct(ctx context.Context, t pgx.Tx, workshop WorkshopID, version FormulaVersion, f *fault.Fields) error {
	if p.ProductCode == "" {
		return nil
	}
	product, err := productByCode(ctx, t, workshop, p.ProductCode)
	if fault.Is(err, fault.NotFound) {
		f.Add("product", fault.As(err).Message)
		return nil
	}
	if err != nil {
		return err
	}
	p.ProductName = product.Name
	switch fill := product.NominalFill(); {
	case product.FormulaCode != "" && product.FormulaCode != version.FormulaCode:
		f.Add("product", fmt.Sprintf("%s is not made by %s.", product.Name, version.FormulaName))
	case product.Retired:
		f.Add("product", product.Name+" is no longer sold.")
	case p.Units > 0 && !fill.IsPositive():
		f.Add("units", product.Name+" has no net content or fill, so units say nothing about mass. Plan by mass, or give the product its fill.")
	case p.Units > 0:
		p.MassG = scaling.BatchFor(p.Units, fill, version.ExpectedLossPct)
	}
	return nil
}

// DropPlan removes a plan; it was no record.
func (s *Store) DropPlan(ctx context.Context, who Who, id PlanID) error {
	err := s.settle(ctx, who.Workshop, func(t pgx.Tx) error {
		tag, err := t.Exec(ctx, `DELETE FROM plan WHERE workshop_id = $1 AND id = $2`, who.Workshop, id)
		if err == nil && tag.RowsAffected() == 0 {
			return fault.New(fault.NotFound, "There is no such plan any more: it was dropped or started.")
		}
		return err
	})
	if err != nil {
		return fmt.Errorf("store: drop plan: %w", err)
	}
	return nil
}

// approvedVersion is the version of a formula in force.
func approvedVersion(ctx context.Context, t pgx.Tx, workshop WorkshopID, formula string) (FormulaVersion, error) {
	var id VersionID
	err := t.QueryRow(ctx, `SELECT v.id FROM formula_version v JOIN formula f ON f.workshop_id = v.workshop_id AND f.id = v.formula_id
		WHERE v.workshop_id = $1 AND f.code = $2 AND v.status = 'approved'`, workshop, formula).Scan(&id)
	if errors.Is(err, pgx.ErrNoRows) {
		return FormulaVersion{}, fault.New(fault.NotFound, fmt.Sprintf("Formula %q has no approved version.", formula))
	}
	if err != nil {
		return FormulaVersion{}, err
	}
	return loadVersion(ctx, t, workshop, id)
}
