package store

import (
	"context"
	"fmt"
	"strings"

	"github.com/jackc/pgx/v5"
	"github.com/shopspring/decimal"

	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/yield"
)

// Yield is what came out of a batch against what went in, as the current entries say.
type Yield struct {
	FillG       decimal.Decimal // nominal fill of the planned product, else of the first packed; zero for unknown
	Theoretical decimal.Decimal
	Percent     decimal.NullDecimal // good units of theoretical ones
	Counts      yield.Counts        // Made is what was moulded, else zero
	LossG       decimal.Decimal     // expected, or measured where it was
	Balance     yield.Balance
	// Unknown says why there is no balance; empty where there is one.
	Unknown string
	// Closed tells that nothing more comes out: until then what is missing is simply not packed yet.
	Closed bool
	Note   string
}

// Over tells whether somebody has to explain the balance.
func (y Yield) Over() bool {
	if y.Unknown != "" {
		return y.Closed
	}
	return y.Balance.Over && (y.Closed || y.Balance.UnexplainedG.IsNegative())
}

// Words says the balance in one sentence.
func (y Yield) Words() string {
	if y.Unknown != "" {
		return y.Unknown
	}
	return y.Balance.Words()
}

// unitMeans are mean unit weights by stage, and by packing for what was weighed while packing.
type unitMeans struct {
	byStage   map[string]decimal.NullDecimal
	byPacking map[PackingID]decimal.NullDecimal
	nominal   map[ProductID]decimal.NullDecimal
}

// loadMeans reads the runs of unit weights: controls in g that ask for more than one reading; a control of one reading
// may be anything in g, such as the whole loaf.
func loadMeans(ctx context.Context, t pgx.Tx, b BatchRecord, workshop WorkshopID) (unitMeans, error) {
	m := unitMeans{map[string]decimal.NullDecimal{}, map[PackingID]decimal.NullDecimal{}, map[ProductID]decimal.NullDecimal{}}
	rows, err := t.Query(ctx, `SELECT c.stage, r.packing_id, avg(r.value) FROM control_reading r JOIN control c ON c.workshop_id = r.workshop_id AND c.id = r.control_id
		WHERE r.workshop_id = $1 AND r.batch_id = $2 AND r.replaced_by IS NULL AND c.unit = 'g' AND c.readings > 1 AND r.value > 0 GROUP BY c.position, c.stage, r.packing_id ORDER BY c.position DESC`, workshop, b.ID)
	if err != nil {
		return m, err
	}
	var stage string
	var packing *PackingID
	var mean decimal.Decimal
	if _, err := pgx.ForEachRow(rows, []any{&stage, &packing, &mean}, func() error {
		if packing != nil {
			m.byPacking[*packing] = decimal.NewNullDecimal(mean)
		} else {
			m.byStage[stage] = decimal.NewNullDecimal(mean)
		}
		return nil
	}); err != nil {
		return m, err
	}
	if b.MouldedG.Valid && b.MouldedG.Decimal.IsPositive() && b.MouldedUnits != nil && *b.MouldedUnits > 0 && !m.byStage["moulding"].Valid {
		m.byStage["moulding"] = decimal.NewNullDecimal(b.MouldedG.Decimal.DivRound(decimal.NewFromInt(int64(*b.MouldedUnits)), 4))
	}
	rows, err = t.Query(ctx, `SELECT r.id, coalesce(r.fill_g, r.net_content_g) FROM product r WHERE r.workshop_id = $1 AND r.id IN (SELECT product_id FROM packing WHERE workshop_id = $1 AND batch_id = $2 UNION SELECT product_id FROM batch WHERE workshop_id = $1 AND id = $2)`, workshop, b.ID)
	if err != nil {
		return m, err
	}
	var product ProductID
	var fill decimal.NullDecimal
	_, err = pgx.ForEachRow(rows, []any{&product, &fill}, func() error {
		m.nominal[product] = fill
		return nil
	})
	return m, err
}

// of is what one good or retained unit of a packing weighed. What dries in the cure weighed more when it was made, and
// what went in was weighed then: so where there is a cure the weight at moulding counts, or the nominal fill, which is
// that at making. Several products of one loaf differ in size, so that a mean at moulding fits none of them.
func (m unitMeans) of(b BatchRecord, p Packing) (mean decimal.NullDecimal) {
	if b.CureHours == 0 {
		if mean = m.byPacking[p.ID]; mean.Valid {
			return mean
		}
		if mean = m.byStage["packing"]; mean.Valid {
			return mean
		}
	}
	if len(products(b.Packings)) == 1 {
		if mean = m.byStage["moulding"]; mean.Valid {
			return mean
		}
	}
	if b.CureHours > 0 && !m.nominal[p.ProductID].Valid {
		return m.byPacking[p.ID]
	}
	return decimal.NullDecimal{}
}

func products(list []Packing) map[ProductID]bool {
	set := map[ProductID]bool{}
	for _, p := range list {
		set[p.ProductID] = true
	}
	return set
}

// fill is the nominal fill that theoretical units count with.
func (m unitMeans) fill(ctx context.Context, t pgx.Tx, workshop WorkshopID, b BatchRecord) (decimal.NullDecimal, error) {
	if b.ProductCode != "" {
		var fill decimal.NullDecimal
		err := t.QueryRow(ctx, `SELECT coalesce(fill_g, net_content_g) FROM product WHERE workshop_id = $1 AND code = $2`, workshop, b.ProductCode).Scan(&fill)
		return fill, err
	}
	if len(b.Packings) > 0 {
		return m.nominal[b.Packings[0].ProductID], nil
	}
	return decimal.NullDecimal{}, nil
}

// loadYield works out a batch's yield from its record.
func loadYield(ctx context.Context, t pgx.Tx, workshop WorkshopID, b BatchRecord) (Yield, error) {
	y := Yield{Note: b.YieldNote, Closed: b.Status == "quarantined" || b.Status == "released" || b.Status == "rejected"}
	m, err := loadMeans(ctx, t, b, workshop)
	if err != nil {
		return y, err
	}
	fill, err := m.fill(ctx, t, workshop, b)
	if err != nil {
		return y, err
	}
	y.FillG = fill.Decimal
	in := yield.Input{WeighedG: b.WeighedG(), ExpectedLossPct: b.Limits.ExpectedLossPct, LimitPct: b.Limits.ReconciliationPct, LossMeasuredG: b.LossG, LeftOverG: b.LeftOverG.Decimal}
	if b.MouldedUnits != nil {
		y.Counts.Made = *b.MouldedUnits
	}
	if b.Yields == "bulk" && b.BulkG.Valid {
		in.Good = []yield.Units{{Name: "bulk ready", Count: 1, MassG: b.BulkG}}
	}
	of := map[string]Packing{}
	for _, p := range b.Packings {
		of[p.Code] = p
		y.Counts.Good += p.UnitsGood
		y.Counts.Retained += p.UnitsRetained
		mean, nominal := m.of(b, p), m.nominal[p.ProductID]
		in.Good = append(in.Good, yield.Units{Name: fmt.Sprintf("%s, %s for sale", p.ProductName, UnitCount(p.UnitsGood)), Count: p.UnitsGood, MeanG: mean, NominalG: nominal})
		if p.UnitsRetained > 0 {
			in.Retained = append(in.Retained, yield.Units{Name: fmt.Sprintf("%s, %s kept back", p.ProductName, UnitCount(p.UnitsRetained)), Count: p.UnitsRetained, MeanG: mean, NominalG: nominal})
		}
	}
	for _, r := range b.Rejects {
		if r.Replaced {
			continue
		}
		y.Counts.Rejected += r.Units
		in.Rejected = append(in.Rejected, m.rejected(b, r, of[r.Packing], fill))
	}
	y.Theoretical = b.theoretical(y.FillG)
	y.Percent = yield.PercentOf(y.Counts.Good, y.Theoretical)
	y.LossG = in.WeighedG.Mul(in.ExpectedLossPct).Shift(-2)
	if in.LossMeasuredG.Valid {
		y.LossG = in.LossMeasuredG.Decimal
	}
	if y.Balance, err = yield.Reconcile(in); err != nil {
		f := fault.As(err)
		if f == nil {
			return y, err
		}
		y.Unknown = unknownYield(f)
	}
	return y, nil
}

// theoretical units of a fill that the mass as weighed gives, less the expected loss; zero where that is not known.
func (b BatchRecord) theoretical(fillG decimal.Decimal) decimal.Decimal {
	return yield.Theoretical(b.WeighedG(), b.Limits.ExpectedLossPct, fillG)
}

func unknownYield(f *fault.Fault) string {
	if f.Of("weighed") != "" {
		return "Nothing with a weight went in, so masses cannot be compared."
	}
	for _, field := range f.Fields {
		if strings.HasSuffix(field.Name, ".nominal") {
			return "Nothing says what a unit weighs: weigh some, or give the product its fill."
		}
	}
	return "The masses cannot be compared: " + f.Error()
}

func (m unitMeans) rejected(b BatchRecord, r Reject, p Packing, fill decimal.NullDecimal) yield.Units {
	u := yield.Units{Name: fmt.Sprintf("%s rejected %s", UnitCount(r.Units), RejectStage(r.Stage)), Count: r.Units, MassG: r.MassG, NominalG: fill}
	switch {
	case r.Packing != "":
		u.MeanG, u.NominalG = m.of(b, p), m.nominal[p.ProductID]
	case b.CureHours == 0 && m.byStage[r.Stage].Valid:
		u.MeanG = m.byStage[r.Stage]
	default:
		u.MeanG = m.byStage["moulding"]
	}
	return u
}

// RejectStage says a stage of rejection as a maker would.
func RejectStage(stage string) string {
	switch stage {
	case "cut":
		return "at cutting"
	case "cure_end":
		return "at the end of the cure"
	}
	return "at packing"
}

func plural(n int, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return fmt.Sprintf("%d %s", n, many)
}

// YieldNote explains a batch's yield, or corrects what is left over and lost.
type YieldNote struct {
	Batch     string
	LeftOverG decimal.NullDecimal
	LossG     decimal.NullDecimal
	Note      string
	Reason    string // needed where something that was filled in changes
}

// ExplainYield stores why the balance is over its limit. Filling in what was empty needs no reason; changing what
// stands there does, and the trail keeps the old.
func (s *Store) ExplainYield(ctx context.Context, who Who, entry Entry, n YieldNote) error {
	kind := progress
	if strings.TrimSpace(n.Reason) != "" {
		kind = correct
	}
	_, err := s.write(ctx, who, kind, n.Reason, entry, func(t *tx) error {
		var f fault.Fields
		n.check(&f)
		if err := f.Err(); err != nil {
			return err
		}
		b, err := t.lockBatch(ctx, n.Batch)
		if err != nil {
			return err
		}
		if b.Status == "void" || b.Status == "making" {
			return fault.New(fault.Conflict, "Nothing came out of batch "+b.Code+" yet.")
		}
		_, err = t.Exec(ctx, `UPDATE batch SET left_over_g = $3, loss_g = $4, yield_note = $5 WHERE workshop_id = $1 AND id = $2`, who.Workshop, b.ID, n.LeftOverG, n.LossG, n.Note)
		if constraint(err) == "audit_needs_correction" {
			return fault.In("reason", "This changes what stands there already: say why.")
		}
		return err
	})
	if err != nil {
		return fmt.Errorf("store: explain yield of %q: %w", n.Batch, err)
	}
	return nil
}

func (n YieldNote) check(f *fault.Fields) {
	if n.LeftOverG.Valid && n.LeftOverG.Decimal.IsNegative() {
		f.Add("left_over", "What is left over cannot be below 0 g.")
	}
	if n.LossG.Valid && n.LossG.Decimal.IsNegative() {
		f.Add("loss", "A loss cannot be below 0 g.")
	}
	if len([]rune(n.Note)) > 1000 {
		f.Add("yield_note", "At most 1,000 characters, please.")
	}
}
