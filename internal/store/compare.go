package store

import (
	"context"
	"fmt"
	"slices"

	"github.com/jackc/pgx/v5"
	"github.com/shopspring/decimal"

	"example.org/stillroom/internal/compare"
	"example.org/stillroom/internal/day"
	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/scaling"
)

// Compared is what internal/compare holds against another version; the particulars are words, which the page adds.
func (v FormulaVersion) Compared() compare.Version {
	sums := v.Sums()
	out := compare.Version{NominalG: v.NominalG}
	// A share of the whole batch; of a draft it may not be known yet.
	pct := func(g decimal.NullDecimal) decimal.NullDecimal {
		if !g.Valid || !v.NominalG.IsPositive() {
			return decimal.NullDecimal{}
		}
		return decimal.NewNullDecimal(g.Decimal.Shift(2).DivRound(v.NominalG, 8))
	}
	sure := func(g decimal.Decimal) decimal.Decimal { return pct(decimal.NewNullDecimal(g)).Decimal }
	for i, p := range v.Portions {
		portion := compare.Portion{Name: p.Name, Basis: p.Basis, Pct: pct(sums.PortionG[i])}
		for j, l := range p.Lines {
			line := compare.Line{Kind: l.Kind, Code: l.MaterialCode, Name: l.Name, Basis: l.Basis, Amount: l.Amount, Pct: pct(sums.LineG[i][j]), MaxPct: l.MaxPct}
			switch l.Kind {
			case scaling.KindPortion:
				line.Code = l.InnerPortion
			case scaling.KindBulk:
				line.Code = l.BulkFormula
			}
			if l.AsNeeded {
				// Of as-needed lines nothing but lowest and highest has a meaning.
				line.AsNeeded, line.Basis, line.Amount = true, "", decimal.Zero
				line.LowPct, line.HighPct, line.Pct = sure(l.Low), sure(l.High), decimal.NullDecimal{}
			}
			portion.Lines = append(portion.Lines, line)
		}
		out.Portions = append(out.Portions, portion)
	}
	for _, s := range v.Steps {
		out.Steps = append(out.Steps, compare.Step{Text: s.Text, Caution: s.Caution, After: s.Portion})
	}
	for _, c := range v.Controls {
		out.Controls = append(out.Controls, compare.Control{Name: c.Name, Stage: c.Stage, Unit: c.Unit, Low: c.Low, High: c.High, Readings: c.Readings})
	}
	return out
}

// Making is a batch with what came out of it.
type Making struct {
	BatchRecord
	Yield Yield
}

// Compared is what internal/compare holds against another making; facts, rejects and packings are named by the page.
func (m Making) Compared() compare.Making {
	out := compare.Making{MadeAt: m.MadeAt}
	for _, l := range m.Lines {
		w := compare.Weighed{Portion: l.Portion, Kind: l.Kind, Code: l.Material, Name: l.Name, TargetG: l.TargetG, AsNeeded: l.AsNeeded, LowG: l.LowG.Decimal, HighG: l.HighG.Decimal}
		if l.Kind == scaling.KindBulk {
			w.Code = l.BulkFormula
		}
		w.ActualG, w.Lots = drawn(l.Inputs)
		out.Lines = append(out.Lines, w)
	}
	for _, in := range m.Additions {
		w := compare.Weighed{Kind: "added", Code: in.Material, Name: in.Name}
		if w.ActualG, w.Lots = drawn([]BatchInput{in}); w.ActualG.Valid {
			out.Lines = append(out.Lines, w)
		}
	}
	for _, s := range m.Steps {
		step := compare.Done{Text: s.Text}
		if s.Tick != nil {
			step.At = s.Tick.At
		}
		out.Steps = append(out.Steps, step)
	}
	for _, c := range m.Controls {
		control := compare.Measured{Name: c.Name, Stage: c.Stage, Unit: c.Unit, Low: c.Low, High: c.High}
		for _, r := range c.Current() {
			control.Values = append(control.Values, r.Value)
		}
		out.Controls = append(out.Controls, control)
	}
	return out
}

// drawn is what the current inputs weigh, and the lots and batches they came from; not valid where there are none.
func drawn(inputs []BatchInput) (sum decimal.NullDecimal, lots []string) {
	for _, in := range inputs {
		if in.Replaced {
			continue
		}
		sum = decimal.NewNullDecimal(sum.Decimal.Add(in.WeighedG.Decimal))
		if from := in.Lot + in.SourceBatch; from != "" && !slices.Contains(lots, from) {
			lots = append(lots, from)
		}
	}
	return sum, lots
}

// MadeBatch is a batch to choose from a list.
type MadeBatch struct {
	Code    string
	MadeOn  day.Day
	Number  int // of the version, 0 where an older book did not say
	Status  string
	Formula string // code, empty for none
}

// BatchComparison is two makings in one snapshot.
type BatchComparison struct {
	A, B Making
	// Others are the latest batches of B's formula and those that are compared, the newest first, to choose from.
	Others []MadeBatch
}

// othersListed is how many batches of a formula are offered.
const othersListed = 20

// CompareBatches reads two makings, by the code of a batch or packing. An empty a is the making before b of its formula.
// Faults are beside a and b: no such batch, the same one twice, and none before.
func (s *Store) CompareBatches(ctx context.Context, workshop WorkshopID, a, b string) (BatchComparison, error) {
	var out BatchComparison
	err := s.readStandby(ctx, workshop, func(t pgx.Tx) error {
		var f fault.Fields
		second, code, err := batchOfCode(ctx, t, workshop, b)
		switch {
		case b == "":
			f.Add("b", "Which batch?")
		case fault.Is(err, fault.NotFound):
			f.Add("b", fault.As(err).Message)
		case err != nil:
			return err
		default:
			if out.B, err = loadMaking(ctx, t, workshop, second); err != nil {
				return err
			}
			if out.Others, err = batchesLike(ctx, t, workshop, out.B.ID); err != nil {
				return err
			}
			if a == "" {
				if a = before(out.Others, out.B); a == "" {
					f.Add("a", "There is no batch of this formula before "+code+". Choose another, or type its code.")
				}
			}
		}
		if a == "" {
			f.Add("a", "Which batch?")
			return f.Err()
		}
		first, _, err := batchOfCode(ctx, t, workshop, a)
		switch {
		case fault.Is(err, fault.NotFound):
			f.Add("a", fault.As(err).Message)
		case err != nil:
			return err
		case first == second:
			f.Add("a", "That is the same batch twice. Choose another.")
		default:
			if out.A, err = loadMaking(ctx, t, workshop, first); err != nil {
				return err
			}
		}
		for _, m := range []Making{out.A, out.B} {
			if m.Code != "" && !slices.ContainsFunc(out.Others, func(o MadeBatch) bool { return o.Code == m.Code }) {
				out.Others = append(out.Others, MadeBatch{m.Code, m.MadeOn, m.VersionNumber, m.Status, m.FormulaCode})
			}
		}
		return f.Err()
	})
	if err != nil {
		// What could be read goes along, so that the page can offer what to choose from.
		return out, fmt.Errorf("store: compare batches %q and %q: %w", a, b, err)
	}
	return out, nil
}

func loadMaking(ctx context.Context, t pgx.Tx, workshop WorkshopID, id BatchID) (Making, error) {
	b, err := loadBatch(ctx, t, workshop, id)
	if err != nil {
		return Making{}, err
	}
	y, err := loadYield(ctx, t, workshop, &b)
	return Making{b, y}, err
}

// batchesLike are the batches of a batch's formula that were not void: the one before it, and the latest.
func batchesLike(ctx context.Context, t pgx.Tx, workshop WorkshopID, id BatchID) ([]MadeBatch, error) {
	rows, err := t.Query(ctx, `SELECT x.code, x.made_on, coalesce(v.number, 0), x.status, f.code FROM batch b JOIN formula f ON f.workshop_id = b.workshop_id AND f.id = b.formula_id
		CROSS JOIN LATERAL (
			(SELECT o.id, o.code, o.made_on, o.made_at, o.status, o.version_id FROM batch o WHERE o.workshop_id = b.workshop_id AND o.formula_id = b.formula_id AND o.status <> 'void' ORDER BY o.made_on DESC, o.made_at DESC, o.id DESC LIMIT $3)
			UNION (SELECT o.id, o.code, o.made_on, o.made_at, o.status, o.version_id FROM batch o WHERE o.workshop_id = b.workshop_id AND o.formula_id = b.formula_id AND o.status <> 'void'
				AND o.made_on <= b.made_on AND (o.made_on, o.made_at, o.id) < (b.made_on, b.made_at, b.id) ORDER BY o.made_on DESC, o.made_at DESC, o.id DESC LIMIT 1)) x
		LEFT JOIN formula_version v ON v.workshop_id = b.workshop_id AND v.id = x.version_id
		WHERE b.workshop_id = $1 AND b.id = $2 ORDER BY x.made_on DESC, x.made_at DESC, x.id DESC`, workshop, id, othersListed)
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, pgx.RowToStructByPos[MadeBatch])
}

// before is the code of the batch that comes after b in a list of the newest first; empty for none. A void batch is not
// in the list itself.
func before(list []MadeBatch, b Making) string {
	at := slices.IndexFunc(list, func(o MadeBatch) bool { return o.Code == b.Code })
	for i, o := range list {
		if i > at && (at >= 0 || !o.MadeOn.After(b.MadeOn)) {
			return o.Code
		}
	}
	return ""
}
