package store

import (
	"context"

	"github.com/jackc/pgx/v5"

	"example.org/stillroom/internal/bestbefore"
	"example.org/stillroom/internal/day"
	"example.org/stillroom/internal/fault"
)

// dated is a best-before as it is frozen into a packing.
type dated struct{ bestbefore.Decision }

func (d dated) precision() string {
	if d.Precision == bestbefore.ToMonth {
		return "month"
	}
	return "day"
}

func (d dated) opened() *int {
	if d.Opened == 0 {
		return nil
	}
	return &d.Opened
}

// decideDate finds the best-before of a packing. A product without a rule that can be followed leaves it open, and the
// release waits for it: the units are packed all the same.
func (t *tx) decideDate(ctx context.Context, b BatchRecord, product Product, on day.Day, lots []packaged) (dated, error) {
	if b.IsSet() {
		parts, err := partDates(ctx, t, t.who.Workshop, b.ID)
		return setDate(t.workshop.Style, product, parts, lots), err
	}
	caps, err := capsOf(ctx, t, t.who.Workshop, b.ID)
	if err != nil {
		return dated{}, err
	}
	for _, p := range lots {
		if p.lot.Material.ExpiryCounts {
			caps = append(caps, bestbefore.Cap{Code: p.lot.Code, Kind: bestbefore.Lot, Date: p.lot.ExpiresOn})
		}
	}
	return dateBy(b.Batch, product, t.workshop, on, caps)
}

func dateBy(b Batch, product Product, w Workshop, on day.Day, caps []bestbefore.Cap) (dated, error) {
	dates := bestbefore.Dates{Made: b.MadeOn, Packed: on}
	switch {
	case b.CureEndedAt != nil:
		dates.CureEnded = day.In(*b.CureEndedAt, w.Location())
	case b.CureStartedAt != nil:
		dates.CureEnded = on // packing ends the cure
	case b.CureHours == 0 && b.MouldedAt != nil:
		dates.CureEnded = day.In(*b.MouldedAt, w.Location()) // what does not cure is ready when it is moulded
	}
	rule := product.Rule()
	rule.Style = w.Style
	decision, err := bestbefore.Decide(rule, dates, caps)
	if f := fault.As(err); f != nil {
		words := f.Message
		if len(f.Fields) > 0 {
			words = f.Fields[0].Message
		}
		return dated{bestbefore.Decision{Reason: "not decided: " + words}}, nil
	}
	return dated{decision}, err
}

// capsOf is everything that went into a batch, through every level, and can cut its date: lots whose expiry counts, and
// source batches or their packings by their best-before. A tub has no expiry of its own unless one is stated: what was
// filled into it counts.
func capsOf(ctx context.Context, t pgx.Tx, workshop WorkshopID, batch BatchID) ([]bestbefore.Cap, error) {
	set, err := reach(ctx, t, workshop, reachBackward, node{"batch", batch})
	if err != nil {
		return nil, err
	}
	rows, err := t.Query(ctx, `SELECT 'lot', l.code, l.expires_on FROM material_lot l JOIN material m ON m.workshop_id = l.workshop_id AND m.id = l.material_id
		 WHERE l.workshop_id = $1 AND l.id = ANY ($2::uuid[]) AND m.expiry_counts
		   AND (l.expires_on IS NOT NULL OR NOT EXISTS (SELECT FROM lot_input i WHERE i.workshop_id = $1 AND i.lot_id = l.id AND i.replaced_by IS NULL))
		UNION ALL SELECT 'batch', k.code, k.best_before FROM packing k WHERE k.workshop_id = $1 AND k.id = ANY ($3::uuid[])
		UNION ALL SELECT 'batch', b.code, coalesce(b.best_before, (SELECT min(k.best_before) FROM packing k WHERE k.workshop_id = $1 AND k.batch_id = b.id)) FROM batch b
		 WHERE b.workshop_id = $1 AND b.id = ANY ($4::uuid[]) AND b.id <> $5
		   AND EXISTS (SELECT FROM batch_input i WHERE i.workshop_id = $1 AND i.source_batch_id = b.id AND i.batch_id = ANY ($4::uuid[]) AND i.source_packing_id IS NULL AND i.replaced_by IS NULL)
		ORDER BY 1, 2`, workshop, set["lot"], set["packing"], set["batch"], batch)
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, func(row pgx.CollectableRow) (bestbefore.Cap, error) {
		var c bestbefore.Cap
		var kind string
		err := row.Scan(&kind, &c.Code, &c.Date)
		c.Kind = bestbefore.CapKind(kind)
		return c, err
	})
}
