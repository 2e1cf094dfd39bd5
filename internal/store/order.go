package store

import (
	"cmp"
	"context"
	"fmt"
	"slices"

	"github.com/jackc/pgx/v5"
	"github.com/shopspring/decimal"

	"example.org/stillroom/internal/day"
	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/scaling"
	"example.org/stillroom/internal/supply"
)

// stuff is what a batch takes: a material by its code, or bulk by the code of its formula.
type stuff struct{ kind, code string }

// NeededBy is a plan or a begun batch that still takes something.
type NeededBy struct {
	Plan   PlanID // zero for a batch
	Batch  string // code; empty for a plan
	Name   string
	On     day.Day
	Amount decimal.Decimal // in the unit of what is taken
}

// shelved is what lies on the shelf of one thing, and who still takes of it.
type shelved struct {
	name, kind, unit string          // kind is raw, packaging or bulk
	tracked          bool            // false for water and the like: there is always enough
	gPerUnit         decimal.Decimal // of ml the density, else 1
	sources          []supply.Source // released, of no recall
	waiting          []supply.Source // in quarantine
	needs            []supply.Need
	by               []NeededBy // of the same index
}

// shelf is what a workshop has, and what its plans and started batches still need of it. It is the one answer to what is
// usable: the pages of a plan, of what to order and of the day ask it.
type shelf struct {
	today    day.Day
	of       map[stuff]*shelved
	order    []stuff // by name
	plans    []Plan
	unpacked []unpacked
	scales   []scaling.Scale
	versions map[VersionID]*FormulaVersion
	products map[string]Product
}

// unpacked is a begun batch whose units still take packaging.
type unpacked struct {
	by      NeededBy
	product string // code
	massG   decimal.NullDecimal
	units   int
	done    int
	lossPct decimal.Decimal
}

// loadShelf reads the shelf. The plan that is looked at is left out of the needs, though what it is made of is read with
// what the others are made of; nil leaves none out.
func loadShelf(ctx context.Context, t pgx.Tx, w Workshop, looked *Plan) (*shelf, error) {
	s := &shelf{of: map[stuff]*shelved{}, products: map[string]Product{}}
	var except PlanID
	if looked != nil {
		except = looked.ID
	}
	if err := together(ctx, t,
		func(t pgx.Tx) error {
			return t.QueryRow(ctx, `SELECT (transaction_timestamp() AT TIME ZONE zone)::date FROM workshop WHERE id = $1`, w.ID).Scan(&s.today)
		},
		func(t pgx.Tx) error { return s.loadNames(ctx, t, w) },
		func(t pgx.Tx) error { return s.loadLots(ctx, t, w) },
		func(t pgx.Tx) error { return s.loadBulk(ctx, t, w) },
		func(t pgx.Tx) error { return s.loadBegun(ctx, t, w) },
		func(t pgx.Tx) error { return s.loadUnpacked(ctx, t, w) },
		func(t pgx.Tx) error {
			rows, err := t.Query(ctx, planQuery+`WHERE n.workshop_id = $1 AND n.id <> $2 ORDER BY n.planned_on, n.id`, w.ID, except)
			if err == nil {
				s.plans, err = pgx.CollectRows(rows, pgx.RowToStructByPos[Plan])
			}
			return err
		},
		func(t pgx.Tx) (err error) {
			s.scales, err = scalesOf(ctx, t, w)
			return err
		}); err != nil {
		return nil, err
	}
	if err := s.loadMade(ctx, t, w, looked); err != nil {
		return nil, err
	}
	s.needPackaging()
	for _, p := range s.plans {
		takes, _, err := s.takes(p)
		// A plan from before the scale was changed may not be weighable on it any more: its own page says so.
		if fault.As(err) != nil {
			continue
		}
		if err != nil {
			return nil, err
		}
		for _, x := range takes {
			s.need(x.stuff, NeededBy{Plan: p.ID, Name: planTitle(p), On: s.later(p.On), Amount: x.amount})
		}
	}
	return s, nil
}

// loadMade reads the formulas and products of all plans and of what is not packed, each once.
func (s *shelf) loadMade(ctx context.Context, t pgx.Tx, w Workshop, looked *Plan) error {
	var versions []VersionID
	var products []string
	add := func(version VersionID, product string) {
		if !slices.Contains(versions, version) {
			versions = append(versions, version)
		}
		if product != "" && !slices.Contains(products, product) {
			products = append(products, product)
		}
	}
	for _, p := range s.plans {
		add(p.VersionID, p.ProductCode)
	}
	if looked != nil {
		add(looked.VersionID, looked.ProductCode)
	}
	for _, u := range s.unpacked {
		if !slices.Contains(products, u.product) {
			products = append(products, u.product)
		}
	}
	return together(ctx, t, func(t pgx.Tx) (err error) {
		s.versions, err = loadVersions(ctx, t, w.ID, versions...)
		return err
	}, func(t pgx.Tx) error {
		list, err := queryProducts(ctx, t, `WHERE p.workshop_id = $1 AND p.code = ANY ($2)`, w.ID, products)
		for _, p := range list {
			s.products[p.Code] = p
		}
		return err
	})
}

func planTitle(p Plan) string {
	if p.ProductName != "" {
		return p.ProductName
	}
	return p.FormulaName
}

// later is a day that is still to come: what was meant for last week is made today at the earliest.
func (s *shelf) later(on day.Day) day.Day {
	if on.Before(s.today) {
		return s.today
	}
	return on
}

// need notes what somebody takes; several lines of one batch are one need.
func (s *shelf) need(what stuff, by NeededBy) {
	x := s.of[what]
	if x == nil || !by.Amount.IsPositive() {
		return
	}
	if n := len(x.by) - 1; n >= 0 && by.Batch != "" && x.by[n].Batch == by.Batch {
		x.by[n].Amount = x.by[n].Amount.Add(by.Amount)
		x.needs[n].Amount = x.by[n].Amount
		return
	}
	x.needs, x.by = append(x.needs, supply.Need{On: by.On, Amount: by.Amount}), append(x.by, by)
}

func (s *shelf) loadNames(ctx context.Context, t pgx.Tx, w Workshop) error {
	rows, err := t.Query(ctx, `SELECT 'material', m.code, m.name, m.kind, m.unit, m.tracked, CASE WHEN m.unit = 'ml' THEN coalesce(m.density_g_per_ml, 1) ELSE 1 END FROM material m WHERE m.workshop_id = $1
		UNION ALL SELECT 'bulk', f.code, f.name, 'bulk', 'g', true, 1 FROM formula f WHERE f.workshop_id = $1 ORDER BY 3, 2`, w.ID)
	if err != nil {
		return err
	}
	var what stuff
	var x shelved
	_, err = pgx.ForEachRow(rows, []any{&what.kind, &what.code, &x.name, &x.kind, &x.unit, &x.tracked, &x.gPerUnit}, func() error {
		one := x
		s.of[what], s.order = &one, append(s.order, what)
		return nil
	})
	return err
}

func (s *shelf) loadLots(ctx context.Context, t pgx.Tx, w Workshop) error {
	rows, err := t.Query(ctx, `SELECT m.code, l.code, l.status, l.expires_on, k.on_hand FROM material_lot l JOIN material m ON m.workshop_id = l.workshop_id AND m.id = l.material_id
		JOIN lot_stock k ON k.workshop_id = l.workshop_id AND k.lot_id = l.id WHERE l.workshop_id = $1 AND l.status IN ('released', 'quarantined') AND NOT l.recalled AND k.on_hand > 0 ORDER BY l.code`, w.ID)
	if err != nil {
		return err
	}
	var material, status string
	var src supply.Source
	_, err = pgx.ForEachRow(rows, []any{&material, &src.Code, &status, &src.Until, &src.Left}, func() error {
		s.of[stuff{"material", material}].put(src, status == "released")
		return nil
	})
	return err
}

func (x *shelved) put(src supply.Source, released bool) {
	if released {
		x.sources = append(x.sources, src)
	} else {
		x.waiting = append(x.waiting, src)
	}
}

func (s *shelf) loadBulk(ctx context.Context, t pgx.Tx, w Workshop) error {
	list, err := bulkSources(ctx, t, w.ID, "")
	for _, b := range list {
		if len(b.Bad) == 0 {
			s.of[stuff{"bulk", b.Formula}].put(supply.Source{Code: b.Code, Left: b.LeftG, Until: b.BestBefore}, b.Status == "released")
		}
	}
	return err
}

// loadBegun adds what batches in making have not weighed yet: of a line with nothing its target, of one with something
// what is missing beyond the tolerance, of an as-needed line the lowest amount.
func (s *shelf) loadBegun(ctx context.Context, t pgx.Tx, w Workshop) error {
	rows, err := t.Query(ctx, `SELECT b.code, coalesce(r.name, f.name, ''), b.made_on, p.kind, coalesce(m.code, g.code, ''),
			CASE WHEN p.as_needed THEN CASE WHEN i.n = 0 THEN l.low_g ELSE 0 END WHEN i.g >= l.target_g - greatest(l.target_g * v.tolerance_pct / 100, v.tolerance_g) THEN 0 ELSE l.target_g - i.g END
		FROM batch b JOIN batch_line l ON l.workshop_id = b.workshop_id AND l.batch_id = b.id JOIN portion_line p ON p.workshop_id = l.workshop_id AND p.id = l.line_id AND p.kind <> 'portion'
		JOIN formula_version v ON v.workshop_id = b.workshop_id AND v.id = b.version_id JOIN formula f ON f.workshop_id = b.workshop_id AND f.id = b.formula_id
		LEFT JOIN product r ON r.workshop_id = b.workshop_id AND r.id = b.product_id LEFT JOIN material m ON m.workshop_id = p.workshop_id AND m.id = p.material_id
		LEFT JOIN formula g ON g.workshop_id = p.workshop_id AND g.id = p.bulk_formula_id
		CROSS JOIN LATERAL (SELECT count(*) AS n, coalesce(sum(x.weighed_g), 0) AS g FROM batch_input x WHERE x.workshop_id = l.workshop_id AND x.line_id = l.id AND x.batch_id = b.id AND x.replaced_by IS NULL) i
		WHERE b.workshop_id = $1 AND b.status = 'making' ORDER BY b.made_at, b.code, l.position`, w.ID)
	if err != nil {
		return err
	}
	var by NeededBy
	var what stuff
	var grams decimal.Decimal
	_, err = pgx.ForEachRow(rows, []any{&by.Batch, &by.Name, &by.On, &what.kind, &what.code, &grams}, func() error {
		if x := s.of[what]; x != nil {
			one := by
			one.On, one.Amount = s.later(by.On), x.fromG(grams)
			s.need(what, one)
		}
		return nil
	})
	return err
}

// loadUnpacked reads what has units that were begun and are not packed, kept back or rejected yet.
func (s *shelf) loadUnpacked(ctx context.Context, t pgx.Tx, w Workshop) error {
	rows, err := t.Query(ctx, `SELECT b.code, r.code, r.name, b.made_on, b.planned_g, coalesce(b.moulded_units, b.planned_units, 0),
			coalesce((SELECT sum(k.units_good + k.units_retained) FROM packing k WHERE k.workshop_id = b.workshop_id AND k.batch_id = b.id), 0)::int
			+ coalesce((SELECT sum(x.units) FROM reject x WHERE x.workshop_id = b.workshop_id AND x.batch_id = b.id AND x.replaced_by IS NULL), 0)::int, coalesce(v.expected_loss_pct, 0)
		FROM batch b JOIN product r ON r.workshop_id = b.workshop_id AND r.id = b.product_id LEFT JOIN formula_version v ON v.workshop_id = b.workshop_id AND v.id = b.version_id
		WHERE b.workshop_id = $1 AND b.status IN ('making', 'curing', 'packing') ORDER BY b.made_at, b.code`, w.ID)
	if err != nil {
		return err
	}
	s.unpacked, err = pgx.CollectRows(rows, func(row pgx.CollectableRow) (unpacked, error) {
		var u unpacked
		err := row.Scan(&u.by.Batch, &u.product, &u.by.Name, &u.by.On, &u.massG, &u.units, &u.done, &u.lossPct)
		return u, err
	})
	return err
}

// needPackaging adds what the units take that are not packed yet.
func (s *shelf) needPackaging() {
	for _, u := range s.unpacked {
		p := s.products[u.product]
		if u.units == 0 {
			u.units = scaling.UnitsFor(u.massG.Decimal, p.NominalFill(), u.lossPct)
		}
		for _, k := range p.Packaging {
			by := u.by
			by.On, by.Amount = s.later(by.On), k.PerUnit.Mul(decimal.NewFromInt(int64(max(u.units-u.done, 0))))
			s.need(stuff{"material", k.MaterialCode}, by)
		}
	}
}

// fromG is a mass in the thing's own unit.
func (x *shelved) fromG(g decimal.Decimal) decimal.Decimal {
	if x.gPerUnit.Equal(decimal.NewFromInt(1)) {
		return g
	}
	return g.DivRound(x.gPerUnit, 4)
}

// toG is an amount in g.
func (x *shelved) toG(amount decimal.Decimal) decimal.Decimal { return amount.Mul(x.gPerUnit) }

// take is an amount of one thing, in its own unit.
type take struct {
	stuff
	amount decimal.Decimal
}

// takes is all that a plan takes, each thing once in the order of the formula, its packaging last; and the formula
// scaled. An as-needed line counts with its lowest amount.
func (s *shelf) takes(p Plan) ([]take, scaling.Plan, error) {
	v := s.versions[p.VersionID]
	scaled, err := scaling.PlanFor(v.Scaling(), p.MassG, s.scales...)
	if err != nil {
		return nil, scaled, err
	}
	var list []take
	at := map[stuff]int{}
	add := func(what stuff, amount decimal.Decimal) {
		i, known := at[what]
		if !known {
			i = len(list)
			at[what], list = i, append(list, take{what, decimal.Zero})
		}
		list[i].amount = list[i].amount.Add(amount)
	}
	for _, target := range scaled.Lines {
		what, grams := stuffOf(v.Portions[target.Portion].Lines[target.Line]), target.TargetG
		if target.AsNeeded {
			grams = target.LowG
		}
		if x := s.of[what]; x != nil {
			add(what, x.fromG(grams))
		}
	}
	if p.ProductCode == "" {
		return list, scaled, nil
	}
	product := s.products[p.ProductCode]
	units := p.Units
	if units == 0 {
		units = scaling.UnitsFor(scaled.BatchG, product.NominalFill(), v.ExpectedLossPct)
	}
	for _, k := range product.Packaging {
		add(stuff{"material", k.MaterialCode}, k.PerUnit.Mul(decimal.NewFromInt(int64(units))))
	}
	return list, scaled, nil
}

// stuffOf is what a line takes from the shelf; the zero stuff for a portion of the same batch.
func stuffOf(l FormulaLine) stuff {
	switch l.Kind {
	case scaling.KindMaterial:
		return stuff{"material", l.MaterialCode}
	case scaling.KindBulk:
		return stuff{"bulk", l.BulkFormula}
	}
	return stuff{}
}

// Supply is one thing that is needed, against what there is of it, in its own unit (bulk in g).
type Supply struct {
	Kind    string // raw, packaging or bulk
	Code    string // of the material, or of the bulk's formula
	Name    string
	Unit    string // g, ml or each
	Tracked bool   // false: no lots are kept of it, and there is always enough
	Needed  decimal.Decimal
	// OnHand may be used on the day; Usable is what others leave of it.
	OnHand, Usable decimal.Decimal
	Missing        decimal.Decimal
	Waiting        decimal.Decimal // in quarantine
	TooSoon        []supply.Source // with something in them, and past their last day on the day
	// MakeG is for missing bulk the batch, in g, that gives what is missing after its expected loss; zero where no
	// version of it is in force.
	MakeG decimal.Decimal
	// Coming are the plans that make this bulk, each with its mass in g. They are not counted: bulk counts once it is
	// released.
	Coming []NeededBy
	For    []NeededBy
}

// one is what there is of a thing for one more need of a day, when the needs of others are served.
func (s *shelf) one(what stuff, needed decimal.Decimal, on day.Day) Supply {
	x := s.of[what]
	u := Supply{Kind: x.kind, Code: what.code, Name: x.name, Unit: x.unit, Tracked: x.tracked, Needed: needed, OnHand: supply.On(x.sources, on), Usable: supply.Usable(x.sources, x.needs, on),
		Waiting: supply.On(x.waiting, on), TooSoon: supply.TooSoon(x.sources, on), For: x.by}
	if x.tracked {
		u.Missing = decimal.Max(needed.Sub(u.Usable), decimal.Zero)
	}
	u.Coming = s.coming(what)
	return u
}

// coming are the plans that make a bulk.
func (s *shelf) coming(what stuff) []NeededBy {
	var list []NeededBy
	for _, p := range s.plans {
		if what == (stuff{"bulk", p.FormulaCode}) {
			list = append(list, NeededBy{Plan: p.ID, Name: planTitle(p), On: p.On, Amount: p.MassG})
		}
	}
	return list
}

// all is what there is of a thing for all who need it.
func (s *shelf) all(what stuff) Supply {
	x := s.of[what]
	left, missing := supply.Serve(x.sources, x.needs)
	u := Supply{Kind: x.kind, Code: what.code, Name: x.name, Unit: x.unit, Tracked: x.tracked, OnHand: supply.On(x.sources, s.today), Waiting: supply.On(x.waiting, s.today), For: x.by}
	u.Usable, u.Coming = u.OnHand, s.coming(what)
	var last day.Day
	for i, n := range x.needs {
		u.Needed, u.Missing = u.Needed.Add(n.Amount), u.Missing.Add(missing[i])
		if missing[i].IsPositive() && (last.IsZero() || n.On.After(last)) {
			last = n.On
		}
	}
	if !last.IsZero() {
		u.TooSoon = supply.TooSoon(left, last)
	}
	return u
}

// loadToMake fills in how much bulk to make where it is missing and a version of it is in force.
func loadToMake(ctx context.Context, t pgx.Tx, w Workshop, list []*Supply) error {
	var codes []string
	for _, u := range list {
		if u.Kind == "bulk" && u.Missing.IsPositive() {
			codes = append(codes, u.Code)
		}
	}
	if len(codes) == 0 {
		return nil
	}
	rows, err := t.Query(ctx, `SELECT f.code, v.expected_loss_pct FROM formula_version v JOIN formula f ON f.workshop_id = v.workshop_id AND f.id = v.formula_id
		WHERE v.workshop_id = $1 AND f.code = ANY ($2) AND v.status = 'approved'`, w.ID, codes)
	if err != nil {
		return err
	}
	loss := map[string]decimal.Decimal{}
	var code string
	var pct decimal.Decimal
	if _, err := pgx.ForEachRow(rows, []any{&code, &pct}, func() error { loss[code] = pct; return nil }); err != nil {
		return err
	}
	for _, u := range list {
		if pct, inForce := loss[u.Code]; inForce && u.Kind == "bulk" && u.Missing.IsPositive() {
			// One unit that is as large as what is missing.
			whole := scaling.BatchFor(1, u.Missing, pct)
			u.MakeG = whole.DivRound(w.ReadabilityG, 8).Ceil().Mul(w.ReadabilityG)
		}
	}
	return nil
}

// LastDelivery is the last one of a material from a supplier.
type LastDelivery struct {
	Supplier     string // code; empty where none was noted
	SupplierName string
	Lot          string
	On           day.Day
	Quantity     decimal.Decimal // in the material's unit
	Typed        string          // as it stood on the delivery, where in another unit
	UnitCost     decimal.NullDecimal
}

// OrderLine is one thing over all plans and started batches, with the suppliers it last came from, the latest first.
type OrderLine struct {
	Supply
	Last []LastDelivery
}

// Order is what is needed for all that is planned and begun: what is missing first, then by name. Untracked materials
// are not in it.
type Order struct {
	Today   day.Day
	Plans   int
	Batches int
	Lines   []OrderLine
}

// Missing are the lines that go short.
func (o Order) Missing() []OrderLine {
	return slices.DeleteFunc(slices.Clone(o.Lines), func(l OrderLine) bool { return !l.Missing.IsPositive() })
}

// Order adds up what is needed. The needs of bulk that is missing are not in it until a batch of that bulk is planned.
func (s *Store) Order(ctx context.Context, workshop WorkshopID) (Order, error) {
	var out Order
	err := s.read(ctx, workshop, func(t pgx.Tx) error {
		w, err := workshopIn(ctx, t, workshop)
		if err != nil {
			return err
		}
		if out, err = addUp(ctx, t, w); err != nil {
			return err
		}
		return together(ctx, t, func(t pgx.Tx) error { return out.loadDeliveries(ctx, t, workshop) }, func(t pgx.Tx) error {
			var list []*Supply
			for i := range out.Lines {
				list = append(list, &out.Lines[i].Supply)
			}
			return loadToMake(ctx, t, w, list)
		})
	})
	if err != nil {
		return Order{}, fmt.Errorf("store: order: %w", err)
	}
	return out, nil
}

// addUp is the order without what helps to place it: suppliers, and how much bulk to make.
func addUp(ctx context.Context, t pgx.Tx, w Workshop) (Order, error) {
	shelf, err := loadShelf(ctx, t, w, nil)
	if err != nil {
		return Order{}, err
	}
	out := Order{Today: shelf.today}
	plans, batches := map[PlanID]bool{}, map[string]bool{}
	for _, what := range shelf.order {
		line := OrderLine{Supply: shelf.all(what)}
		for _, by := range line.For {
			if by.Batch != "" {
				batches[by.Batch] = true
			} else {
				plans[by.Plan] = true
			}
		}
		if line.Tracked && line.Needed.IsPositive() {
			out.Lines = append(out.Lines, line)
		}
	}
	out.Plans, out.Batches = len(plans), len(batches)
	slices.SortStableFunc(out.Lines, func(a, b OrderLine) int {
		return cmp.Compare(b.Missing.Sign(), a.Missing.Sign())
	})
	return out, nil
}

// suppliersListed is how many suppliers of a material are worth naming.
const suppliersListed = 3

func (o *Order) loadDeliveries(ctx context.Context, t pgx.Tx, workshop WorkshopID) error {
	var codes []string
	at := map[string]int{}
	for i, l := range o.Lines {
		if l.Kind != "bulk" {
			at[l.Code], codes = i, append(codes, l.Code)
		}
	}
	rows, err := t.Query(ctx, `SELECT x.material, x.supplier, x.name, x.lot, x.received_on, x.quantity, x.typed, x.unit_cost FROM (
			SELECT DISTINCT ON (m.code, l.supplier_id) m.code AS material, coalesce(p.code, '') AS supplier, coalesce(p.name, '') AS name, l.code AS lot, l.received_on, l.quantity, coalesce(l.typed, '') AS typed, l.unit_cost
			FROM material m JOIN material_lot l ON l.workshop_id = m.workshop_id AND l.material_id = m.id AND l.quantity > 0 LEFT JOIN supplier p ON p.workshop_id = l.workshop_id AND p.id = l.supplier_id
			WHERE m.workshop_id = $1 AND m.code = ANY ($2) ORDER BY m.code, l.supplier_id, l.received_on DESC, l.code DESC) x ORDER BY x.received_on DESC, x.supplier`, workshop, codes)
	if err != nil {
		return err
	}
	var material string
	var d LastDelivery
	_, err = pgx.ForEachRow(rows, []any{&material, &d.Supplier, &d.SupplierName, &d.Lot, &d.On, &d.Quantity, &d.Typed, &d.UnitCost}, func() error {
		if l := &o.Lines[at[material]]; len(l.Last) < suppliersListed {
			l.Last = append(l.Last, d)
		}
		return nil
	})
	return err
}
