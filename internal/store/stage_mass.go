package store

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/shopspring/decimal"

	"example.org/stillroom/internal/fault"
)

// StageMass is units weighed together at a stage: their mean is the mean weight of that stage.
type StageMass struct {
	ID       StageMassID
	Stage    string // cut, cure_end, packing
	Units    int
	Grams    decimal.Decimal
	Typed    string // as it was typed
	At       time.Time
	Recorded Made
	Replaced bool
}

// NewStageMass is a weighing of units at a stage.
type NewStageMass struct {
	Batch string
	Stage string // cut, cure_end, packing
	Units int
	Grams decimal.Decimal
	Typed string
	At    time.Time // zero for now
	// Really answers for a mean weight that is far from the nominal fill, or more units than were moulded.
	Really Really
}

// StageMassCorrection is a weighing as it should have been written down; Reason says why it was not.
type StageMassCorrection struct {
	NewStageMass
	ID       StageMassID
	Withdraw bool // it never took place: the rest is not looked at
	Reason   string
}

func (b *BatchRecord) loadStageMasses(ctx context.Context, t pgx.Tx, workshop WorkshopID) error {
	rows, err := t.Query(ctx, `SELECT e.id, e.stage, e.units, e.grams, e.typed, e.happened_at, e.replaced_by IS NOT NULL, coalesce(p.name, c.actor), c.at FROM stage_mass e`+madeBy+`WHERE e.workshop_id = $1 AND e.batch_id = $2 ORDER BY e.happened_at, e.id`, workshop, b.ID)
	if err != nil {
		return err
	}
	b.StageMasses, err = pgx.CollectRows(rows, func(row pgx.CollectableRow) (StageMass, error) {
		var m StageMass
		err := row.Scan(&m.ID, &m.Stage, &m.Units, &m.Grams, &m.Typed, &m.At, &m.Replaced, &m.Recorded.By, &m.Recorded.At)
		return m, err
	})
	return err
}

// loadFill reads the nominal fill of the planned product.
func (b *BatchRecord) loadFill(ctx context.Context, t pgx.Tx, workshop WorkshopID) error {
	if b.ProductCode == "" {
		return nil
	}
	return t.QueryRow(ctx, `SELECT coalesce(fill_g, net_content_g) FROM product WHERE workshop_id = $1 AND code = $2`, workshop, b.ProductCode).Scan(&b.FillG)
}

// weighedAt sums the current weighings of a stage: how many units, and what they weighed.
func (b BatchRecord) weighedAt(stage string) (units int, grams decimal.Decimal) {
	for _, m := range b.StageMasses {
		if m.Stage == stage && !m.Replaced {
			units, grams = units+m.Units, grams.Add(m.Grams)
		}
	}
	return units, grams
}

// WeighStage records units weighed together at cutting, at the end of the cure or at packing. Faults: stage, units,
// grams, at, really, reason.
func (s *Store) WeighStage(ctx context.Context, who Who, entry Entry, n NewStageMass) error {
	_, err := s.write(ctx, who, create, "", entry, func(t *tx) error {
		b, err := t.stageBatch(ctx, n.Batch)
		if err != nil {
			return err
		}
		return t.storeStage(ctx, b, newID[StageMassID](), n)
	})
	if err != nil {
		return fmt.Errorf("store: weigh stage of %q: %w", n.Batch, err)
	}
	return nil
}

// CorrectStage replaces a weighing, or takes it back; the old one stays in the record, struck through.
func (s *Store) CorrectStage(ctx context.Context, who Who, entry Entry, c StageMassCorrection) error {
	_, err := s.write(ctx, who, correct, c.Reason, entry, func(t *tx) error {
		b, err := t.lockBatch(ctx, c.Batch)
		if err != nil {
			return err
		}
		var by *PersonID
		var recorded, happened time.Time
		if err := t.QueryRow(ctx, `SELECT c.person_id, c.at, e.happened_at FROM stage_mass e JOIN change c ON c.workshop_id = e.workshop_id AND c.id = e.change_id WHERE e.workshop_id = $1 AND e.batch_id = $2 AND e.id = $3 AND e.replaced_by IS NULL`,
			who.Workshop, b.ID, c.ID).Scan(&by, &recorded, &happened); err != nil {
			if errors.Is(err, pgx.ErrNoRows) {
				return fault.New(fault.Conflict, "This weighing was corrected meanwhile. Look at those that stand now.")
			}
			return err
		}
		if err := t.mayCorrect(by, recorded); err != nil {
			return err
		}
		next := c.ID
		if !c.Withdraw {
			next = newID[StageMassID]()
		}
		if _, err := t.Exec(ctx, `UPDATE stage_mass SET replaced_by = $3 WHERE workshop_id = $1 AND id = $2`, who.Workshop, c.ID, next); err != nil {
			return err
		}
		if err := t.withdrawDeviations(ctx, c.ID); err != nil || c.Withdraw {
			return err
		}
		if c.At.IsZero() {
			c.At = happened
		}
		c.Really.Reason = firstOf(c.Really.Reason, c.Reason)
		return t.storeStage(ctx, b, next, c.NewStageMass)
	})
	if err != nil {
		return fmt.Errorf("store: correct stage of %q: %w", c.Batch, err)
	}
	return nil
}

// stageBatch locks a batch whose units may still be weighed: after packing is finished too, since that is when somebody
// asks where the rest went.
func (t *tx) stageBatch(ctx context.Context, code string) (Batch, error) {
	b, err := t.lockBatch(ctx, code)
	switch {
	case err != nil:
		return b, err
	case b.Status == "making" || b.Yields == "bulk" || b.IsSet():
		return b, fault.New(fault.Conflict, "No units were moulded in batch "+b.Code+" yet.")
	case b.Origin != "bench" || b.Status == "void" || b.Status == "rejected" || b.Status == "released":
		return b, fault.New(fault.Conflict, "Batch "+b.Code+" is "+b.Status+": there is nothing to weigh any more.")
	}
	return b, nil
}

func (t *tx) storeStage(ctx context.Context, b Batch, id StageMassID, n NewStageMass) error {
	var f fault.Fields
	if n.Stage != "cut" && n.Stage != "cure_end" && n.Stage != "packing" {
		f.Add("stage", "Choose at which stage they were weighed.")
	}
	if n.Units < 1 || n.Units > 1_000_000 {
		f.Add("units", "How many were weighed together? At least one.")
	}
	if !n.Grams.IsPositive() || n.Grams.GreaterThan(mostG) {
		f.Add("grams", "What did they weigh together?")
	}
	checkLength(&f, "typed", n.Typed, 200)
	at, err := t.moment(n.At)
	if err != nil {
		f.Add("at", fault.As(err).Of("at"))
	} else if b.MouldedAt != nil && at.Before(*b.MouldedAt) {
		f.Add("at", "The batch was moulded after that.")
	}
	if err := f.Err(); err != nil {
		return err
	}
	record, err := loadBatch(ctx, t, t.who.Workshop, b.ID)
	if err != nil {
		return err
	}
	odd := t.oddStage(record, n)
	if err := n.Really.ask(odd); err != nil {
		return err
	}
	if _, err := t.Exec(ctx, `INSERT INTO stage_mass (workshop_id, id, batch_id, stage, units, grams, typed, happened_at, change_id) VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9)`,
		t.who.Workshop, id, b.ID, n.Stage, n.Units, n.Grams, n.Typed, at, t.change); err != nil || len(odd) == 0 {
		return err
	}
	return t.deviate(ctx, deviant{Kind: "yield", Batch: &b.ID, About: id, What: strings.Join(odd, " "), Reason: n.Really.Reason})
}

// oddStage asks about what is likely mistyped: a mean weight under half or over one and a half times the nominal fill
// (common practice, no source), or more units than were moulded. Of a batch packed in several sizes neither can be told.
func (t *tx) oddStage(b BatchRecord, n NewStageMass) (odd []string) {
	if !b.oneSize() {
		return nil
	}
	mean := n.Grams.DivRound(decimal.NewFromInt(int64(n.Units)), 4)
	twice := mean.Mul(decimal.NewFromInt(2))
	if fill := b.FillG.Decimal; fill.IsPositive() && (twice.LessThan(fill) || twice.GreaterThan(fill.Mul(decimal.NewFromInt(3)))) {
		odd = append(odd, fmt.Sprintf("%s weigh %s each; a unit is meant to hold %s.", UnitCount(n.Units), t.workshop.Style.Grams(mean.Round(2)), t.workshop.Style.Grams(fill)))
	}
	if b.countable() && n.Units > *b.MouldedUnits {
		odd = append(odd, fmt.Sprintf("%s weighed; %d moulded.", UnitCount(n.Units), *b.MouldedUnits))
	}
	return odd
}
