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
	// Percent is good units of theoretical ones; of a batch packed in several sizes the mass of the good ones of what the
	// mass should give, and ByMass is set.
	Percent decimal.NullDecimal
	ByMass  bool
	Counts  yield.Counts    // Made is what was moulded, else zero
	LossG   decimal.Decimal // expected, or measured where it was
	Balance yield.Balance
	// Stages is the mass from stage to stage; nil where there is no balance, and for bulk.
	Stages []yield.StageLine
	// Unknown says why there is no balance; empty where there is one.
	Unknown string
	// Countable tells that what was moulded are the units that were packed, so that counts can be held against each other.
	Countable bool
	// Closed tells that nothing more comes out: until then what is missing is simply not packed yet.
	Closed bool
	Note   string
}

// Over tells whether somebody has to explain the balance.
func (y Yield) Over() bool {
	if y.Unknown != "" {
		return y.Closed
	}
	return y.UnitsOff() != "" || y.Balance.Over && (y.Closed || y.Balance.UnexplainedG.IsNegative())
}

// UnitsOff says how the units counted fall short of those moulded, empty where they do not. What is left over was weighed
// and not counted, so that beside it only the mass can tell; more than were moulded is a deviation already.
func (y Yield) UnitsOff() string {
	if !y.Countable || !y.Closed || y.Balance.LeftOverG.IsPositive() || y.Counts.Missing() <= 0 {
		return ""
	}
	return y.Counts.Words()
}

// Words says the balance in one sentence, and in a second one what is wrong with the counts.
func (y Yield) Words() string {
	words := y.Unknown
	if words == "" {
		words = y.Balance.Words()
	}
	if off := y.UnitsOff(); off != "" {
		words += " " + off + "."
	}
	return words
}

// LeftToPack is what is still to be packed by estimate: units of a nominal fill that the mass not accounted for gives,
// rounded down; what is countable goes by the count. It is not known once packing is finished, or without a balance.
func (y Yield) LeftToPack(fillG decimal.Decimal) (units int, known bool) {
	switch {
	case y.Closed:
		return 0, false
	case y.Countable && fillG.Equal(y.FillG):
		return max(y.Counts.Missing(), 0), true
	case y.Unknown != "" || !fillG.IsPositive():
		return 0, false
	case !y.Balance.UnexplainedG.IsPositive():
		return 0, true
	}
	return int(y.Balance.UnexplainedG.Div(fillG).IntPart()), true
}

// oneSize tells that everything packed so far is of one product, and of the planned one where one was planned.
func (b BatchRecord) oneSize() bool {
	for _, p := range b.Packings {
		if p.ProductID != b.Packings[0].ProductID || b.ProductCode != "" && p.ProductCode != b.ProductCode {
			return false
		}
	}
	return true
}

// countable tells that the units moulded are those that are packed. A loaf moulded as one is cut into many: where the
// mass gives twice as many as were moulded, or more, they were.
func (b BatchRecord) countable() bool {
	if b.MouldedUnits == nil || *b.MouldedUnits == 0 || b.ProductCode == "" || !b.oneSize() {
		return false
	}
	return b.theoretical(b.FillG.Decimal).LessThan(decimal.NewFromInt(2 * int64(*b.MouldedUnits)))
}

// theoretical units of a fill that the mass as weighed gives, less the expected loss; zero where that is not known.
func (b BatchRecord) theoretical(fillG decimal.Decimal) decimal.Decimal {
	return yield.Theoretical(b.WeighedG(), b.Limits.ExpectedLossPct, fillG)
}

// loadYield works out a batch's yield from its record.
func loadYield(ctx context.Context, t pgx.Tx, workshop WorkshopID, record *BatchRecord) (Yield, error) {
	m, err := loadMeans(ctx, t, record, workshop)
	if err != nil {
		return Yield{}, err
	}
	b := *record // read beside us, it is whole by now
	y := Yield{Note: b.YieldNote, Countable: b.countable(), Closed: b.Status == "quarantined" || b.Status == "released" || b.Status == "rejected"}
	r := m.reckon(b)
	y.FillG = r.planned.FillG.Decimal
	for _, p := range b.Packings {
		y.Counts.Good += p.UnitsGood
		y.Counts.Retained += p.UnitsRetained
	}
	for _, x := range b.Rejects {
		if !x.Replaced {
			y.Counts.Rejected += x.Units
		}
	}
	if b.MouldedUnits != nil {
		y.Counts.Made = *b.MouldedUnits
	}
	if one := r.unitG(); y.Countable && one.IsPositive() {
		y.Counts.LeftOver = int(b.LeftOverG.Decimal.DivRound(one, 0).IntPart())
	}
	y.LossG = r.in.WeighedG.Mul(r.in.ExpectedLossPct).Shift(-2)
	if r.in.LossMeasuredG.Valid {
		y.LossG = r.in.LossMeasuredG.Decimal
	}
	y.Theoretical = b.theoretical(y.FillG)
	y.Percent = yield.PercentOf(y.Counts.Good, y.Theoretical)
	if y.Balance, err = yield.Reconcile(r.in); err != nil {
		f := fault.As(err)
		if f == nil {
			return y, err
		}
		y.Unknown = unknownYield(f)
		return y, nil
	}
	if !b.oneSize() {
		y.ByMass, y.Percent = true, decimal.NullDecimal{}
		if due := y.Balance.InG.Sub(y.Balance.LossG).Sub(y.Balance.DryingG); due.IsPositive() {
			y.Percent = decimal.NewNullDecimal(y.Balance.GoodG.Mul(decimal.NewFromInt(100)).DivRound(due, 4))
		}
	}
	if b.Yields == "bulk" {
		return y, nil
	}
	if y.Stages, err = yield.ByStage(m.style, r.in.WeighedG, r.stages(b, y)); err != nil {
		return y, fmt.Errorf("store: yield of %q by stage: %w", b.Code, err)
	}
	return y, nil
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
		if b.IsSet() {
			return fault.New(fault.Conflict, "Batch "+b.Code+" is a set: units went in and units came out, and no mass is compared.")
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
