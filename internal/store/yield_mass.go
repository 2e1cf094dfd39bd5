package store

import (
	"context"
	"fmt"
	"slices"

	"github.com/jackc/pgx/v5"
	"github.com/shopspring/decimal"

	"example.org/stillroom/internal/yield"

	"example.org/stillroom/internal/measure"
)

// nominal is what a product says of its units: the fill at making, or the net content where it names no fill of its own,
// and what it is expected to lose in the cure.
type nominal struct {
	FillG decimal.NullDecimal
	NetG  decimal.NullDecimal
	DryG  decimal.Decimal // fill − net content where both are named, else zero
}

// unitMeans are mean unit weights by stage, and by packing for what was weighed while packing.
type unitMeans struct {
	style     measure.Style                  // of the words
	byStage   map[string]decimal.NullDecimal // moulding, cut, cure_end, packing
	byPacking map[PackingID]decimal.NullDecimal
	nominal   map[ProductID]nominal
	planned   nominal // of the planned product, else of the first packed
}

// loadMeans reads what units weighed: units weighed together at a stage, else the run of a control in g that asks for
// more than one reading; a control of one reading may be anything in g, such as the whole loaf. It asks by what the batch
// itself says; what the record holds beside that is looked at when the answers are here.
func loadMeans(ctx context.Context, t pgx.Tx, b *BatchRecord, workshop WorkshopID) (unitMeans, error) {
	m := unitMeans{byStage: map[string]decimal.NullDecimal{}, byPacking: map[PackingID]decimal.NullDecimal{}, nominal: map[ProductID]nominal{}}
	err := together(ctx, t,
		func(t pgx.Tx) error { return m.loadRuns(ctx, t, b, workshop) },
		func(t pgx.Tx) error { return m.loadNominal(ctx, t, b, workshop) },
		func(t pgx.Tx) (err error) {
			m.style, err = styleOf(ctx, t, workshop)
			return err
		})
	if err != nil {
		return m, err
	}
	if b.MouldedG.Valid && b.MouldedG.Decimal.IsPositive() && b.MouldedUnits != nil && *b.MouldedUnits > 0 && !m.byStage["moulding"].Valid {
		m.byStage["moulding"] = decimal.NewNullDecimal(b.MouldedG.Decimal.DivRound(decimal.NewFromInt(int64(*b.MouldedUnits)), 4))
	}
	for _, stage := range []string{"cut", "cure_end", "packing"} {
		if units, grams := b.weighedAt(stage); units > 0 {
			m.byStage[stage] = decimal.NewNullDecimal(grams.DivRound(decimal.NewFromInt(int64(units)), 4))
		}
	}
	return m, nil
}

func (m *unitMeans) loadRuns(ctx context.Context, t pgx.Tx, b *BatchRecord, workshop WorkshopID) error {
	rows, err := t.Query(ctx, `SELECT c.stage, r.packing_id, avg(r.value) FROM control_reading r JOIN control c ON c.workshop_id = r.workshop_id AND c.id = r.control_id
		WHERE r.workshop_id = $1 AND r.batch_id = $2 AND r.replaced_by IS NULL AND c.unit = 'g' AND c.readings > 1 AND r.value > 0 GROUP BY c.position, c.stage, r.packing_id ORDER BY c.position DESC`, workshop, b.ID)
	if err != nil {
		return err
	}
	var stage string
	var packing *PackingID
	var mean decimal.Decimal
	_, err = pgx.ForEachRow(rows, []any{&stage, &packing, &mean}, func() error {
		if packing != nil {
			m.byPacking[*packing] = decimal.NewNullDecimal(mean)
		} else {
			m.byStage[stage] = decimal.NewNullDecimal(mean)
		}
		return nil
	})
	return err
}

func (m *unitMeans) loadNominal(ctx context.Context, t pgx.Tx, b *BatchRecord, workshop WorkshopID) error {
	rows, err := t.Query(ctx, `SELECT r.id, coalesce(r.code = $3, false), r.fill_g, r.net_content_g FROM product r
		WHERE r.workshop_id = $1 AND r.id IN (SELECT product_id FROM packing WHERE workshop_id = $1 AND batch_id = $2 UNION SELECT product_id FROM batch WHERE workshop_id = $1 AND id = $2)`, workshop, b.ID, b.ProductCode)
	if err != nil {
		return err
	}
	var id ProductID
	var planned bool
	var fill, net decimal.NullDecimal
	if _, err := pgx.ForEachRow(rows, []any{&id, &planned, &fill, &net}, func() error {
		n := nominal{FillG: fill, NetG: net}
		if fill.Valid && net.Valid && fill.Decimal.GreaterThan(net.Decimal) {
			n.DryG = fill.Decimal.Sub(net.Decimal)
		}
		if !fill.Valid {
			n.FillG = net
		}
		if m.nominal[id] = n; planned {
			m.planned = n
		}
		return nil
	}); err != nil {
		return err
	}
	if b.ProductCode == "" && len(b.Packings) > 0 {
		m.planned = m.nominal[b.Packings[0].ProductID]
	}
	return nil
}

// reckoning is the input of a batch's balance, with what its stages need of it beside that.
type reckoning struct {
	unitMeans
	in       yield.Input
	left     []yield.Units // left over
	rejected map[string][]yield.Units
	cures    bool
	oneSize  bool
}

// reckon puts a batch's masses together. What cures loses weight, so that a unit weighs another mass when it is packed
// than when it was made. Where dried units were weighed, their mass counts and what the product says that it loses (fill
// less net content) is the drying that was expected; else the mass at making counts, and nothing has dried yet.
func (m unitMeans) reckon(b BatchRecord) reckoning {
	r := reckoning{unitMeans: m, rejected: map[string][]yield.Units{}, cures: b.CureHours > 0, oneSize: b.oneSize()}
	r.in = yield.Input{Style: m.style, WeighedG: b.WeighedG(), ExpectedLossPct: b.Limits.ExpectedLossPct, LimitPct: b.Limits.ReconciliationPct, LossMeasuredG: b.LossG, LeftOverG: b.LeftOverG.Decimal}
	if b.Yields == "bulk" && b.BulkG.Valid {
		r.in.Good = []yield.Units{{Name: "bulk ready", Count: 1, MassG: b.BulkG}}
	}
	if r.in.LeftOverG.IsPositive() {
		r.left = []yield.Units{{Name: "left over", MassG: b.LeftOverG}}
	}
	for _, p := range b.Packings {
		r.in.Good = append(r.in.Good, r.packed(p, fmt.Sprintf("%s, %s for sale", p.ProductName, UnitCount(p.UnitsGood)), p.UnitsGood))
		if p.UnitsRetained > 0 {
			r.in.Retained = append(r.in.Retained, r.packed(p, fmt.Sprintf("%s, %s kept back", p.ProductName, UnitCount(p.UnitsRetained)), p.UnitsRetained))
		}
	}
	for _, x := range b.Rejects {
		if x.Replaced {
			continue
		}
		u := r.out(b, x)
		r.in.Rejected = append(r.in.Rejected, u)
		r.rejected[x.Stage] = append(r.rejected[x.Stage], u)
	}
	return r
}

// rejected is units rejected, with the best that is known of their weight.
func (m unitMeans) rejected(b BatchRecord, x Reject) yield.Units {
	r := reckoning{unitMeans: m, cures: b.CureHours > 0, oneSize: b.oneSize()}
	return r.out(b, x)
}

func (r *reckoning) out(b BatchRecord, x Reject) yield.Units {
	name := fmt.Sprintf("%s rejected %s", UnitCount(x.Units), RejectStage(x.Stage))
	u := yield.Units{}
	if at := slices.IndexFunc(b.Packings, func(p Packing) bool { return p.Code == x.Packing }); at >= 0 {
		u = r.packed(b.Packings[at], name, x.Units)
	} else {
		u = r.early(x, name)
	}
	u.MassG = x.MassG
	return u
}

// dried tells whether units were weighed after the cure, so that masses at packing are those of dried ones.
func (r reckoning) dried() bool {
	return r.cures && (r.byStage["cure_end"].Valid || r.byStage["packing"].Valid)
}

// packed is so many units of a packing, with the best that is known of their weight. A mean of the whole batch fits only
// where all units are of one size.
func (r *reckoning) packed(p Packing, name string, count int) yield.Units {
	n := r.nominal[p.ProductID]
	u := yield.Units{Name: name, Count: count, NominalG: n.FillG}
	means := []decimal.NullDecimal{r.byPacking[p.ID]}
	if r.oneSize {
		means = append(means, r.byStage["packing"])
		if r.cures {
			means = append(means, r.byStage["cure_end"])
		}
	}
	u.MeanG = firstKnown(means...)
	switch {
	case !r.cures && r.oneSize:
		u.MeanG = firstKnown(u.MeanG, r.byStage["cut"], r.byStage["moulding"])
	case !r.cures:
	case u.MeanG.Valid:
		r.dries(n, count)
	case r.dried():
		u.NominalG = firstKnown(n.NetG, n.FillG)
		r.dries(n, count)
	case r.oneSize && n.DryG.IsPositive():
		u.MeanG = firstKnown(r.byStage["cut"], r.byStage["moulding"])
	}
	return u
}

// early is units rejected before packing: at cutting still wet, at the end of the cure dried.
func (r *reckoning) early(x Reject, name string) yield.Units {
	u := yield.Units{Name: name, Count: x.Units, NominalG: r.planned.FillG}
	wet := firstKnown(r.byStage["cut"], r.byStage["moulding"])
	dry := firstKnown(r.byStage["cure_end"], r.byStage["packing"])
	switch {
	case !r.cures || x.Stage == "cut":
		if r.oneSize {
			u.MeanG = wet
		}
	case r.oneSize && dry.Valid, x.MassG.Valid:
		u.MeanG = dry
		r.dries(r.planned, x.Units)
	case r.dried():
		u.NominalG = firstKnown(r.planned.NetG, r.planned.FillG)
		r.dries(r.planned, x.Units)
	case r.oneSize && r.planned.DryG.IsPositive():
		u.MeanG = wet
	}
	return u
}

// dries counts what units whose dried mass stands in the balance are expected to have lost.
func (r *reckoning) dries(n nominal, count int) {
	r.in.DryingG = r.in.DryingG.Add(n.DryG.Mul(decimal.NewFromInt(int64(count))))
}

func firstKnown(list ...decimal.NullDecimal) decimal.NullDecimal {
	for _, d := range list {
		if d.Valid {
			return d
		}
	}
	return decimal.NullDecimal{}
}

// unitG is what one unit weighs at the end, for working out how many a mass that is left over makes.
func (r reckoning) unitG() decimal.Decimal {
	if r.cures {
		return firstKnown(r.byStage["packing"], r.byStage["cure_end"], r.planned.NetG, r.planned.FillG).Decimal
	}
	return firstKnown(r.byStage["packing"], r.byStage["cut"], r.byStage["moulding"], r.planned.FillG).Decimal
}

// stages are what a batch went through, each with what is known of its mass. The loss that the formula expects goes
// before moulding; where nothing names a drying of its own it is that of the cure.
func (r reckoning) stages(b BatchRecord, y Yield) []yield.Stage {
	moulded := yield.Stage{Name: "moulded"}
	if b.MouldedG.Valid && b.MouldedG.Decimal.IsPositive() {
		moulded.MassG = b.MouldedG
	} else if b.countable() {
		moulded.Count, moulded.MeanG = *b.MouldedUnits, r.byStage["moulding"]
	}
	cut := r.between(b, y, "cut", "cut", 0)
	end := r.between(b, y, "cure_end", "end of the cure", unitsOf(r.rejected["cut"]))
	end.LossG = r.in.DryingG
	if r.cures && !r.planned.DryG.IsPositive() {
		end.LossG = end.LossG.Add(y.LossG)
	} else {
		moulded.LossG = y.LossG
	}
	packed := yield.Stage{Name: "packed", Rejected: r.rejected["packing"]}
	if y.Closed {
		packed.Parts = append(append(append(append([]yield.Units{}, r.in.Good...), r.in.Retained...), r.rejected["packing"]...), r.left...)
	}
	list := []yield.Stage{moulded}
	if cut.MeanG.Valid || cut.MassG.Valid || len(cut.Rejected) > 0 {
		list = append(list, cut)
	}
	if r.cures || end.MeanG.Valid || end.MassG.Valid || len(end.Rejected) > 0 {
		list = append(list, end)
	}
	return append(list, packed)
}

// between is a stage between moulding and packing. How many units there were follows from those moulded less what was
// taken out before; else, once all have a fate, from their fates, with what is left over beside them. Several sizes have
// no mean: there only all of them weighed together tell.
func (r reckoning) between(b BatchRecord, y Yield, stage, name string, before int) yield.Stage {
	s := yield.Stage{Name: name, Rejected: r.rejected[stage]}
	count := 0
	switch {
	case y.Countable:
		count = y.Counts.Made - before
	case y.Closed:
		count = y.Counts.Good + y.Counts.Retained + y.Counts.Rejected - before
		s.ExtraG = r.in.LeftOverG
	}
	if units, grams := b.weighedAt(stage); units > 0 && units == count {
		s.MassG = decimal.NewNullDecimal(grams.Add(s.ExtraG))
	} else if r.oneSize {
		s.Count, s.MeanG = count, r.byStage[stage]
	}
	return s
}

func unitsOf(list []yield.Units) (n int) {
	for _, u := range list {
		n += u.Count
	}
	return n
}
