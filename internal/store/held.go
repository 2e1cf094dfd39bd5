package store

import (
	"context"
	"fmt"
	"slices"

	"github.com/jackc/pgx/v5"

	"example.org/stillroom/internal/day"
	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/keeping"
)

// HeldProduct is what is kept of a product for an authority.
type HeldProduct struct {
	Code, Name string
	USSoap     string         // as the workshop says
	Retired    bool           // not made any more
	LastLeft   day.Day        // the last unit that left; none where none ever did
	Papers     map[string]int // documents by kind
}

// HeldBatch is who was supplied with a batch.
type HeldBatch struct {
	Code         string
	Names        string // of its products
	MadeOn       day.Day
	First, Last  day.Day // dispatches; none where nothing left
	Customers    int
	NotReachable int // customers whom nothing in the book leads to, but events
}

// heldAPage is how many rows of each list a page has.
const heldAPage = 50

// HeldProducts is a page of the products by name, behind the product of a code, and the code that the next begins behind.
func (s *Store) HeldProducts(ctx context.Context, workshop WorkshopID, today day.Day, after string) (list []HeldProduct, next string, err error) {
	err = s.readStandby(ctx, workshop, func(t pgx.Tx) error {
		var name, code string
		if err := boundary(ctx, t, workshop, after, `SELECT name, code FROM product WHERE workshop_id = $1 AND code = $2`, &name, &code); err != nil {
			return err
		}
		// Most have left within a year, which one look at that year's dispatches tells of all; only for the rest all their
		// packings are gone through.
		rows, err := t.Query(ctx, `WITH recent AS MATERIALIZED (SELECT k.product_id, max(d.dispatched_on) AS at FROM dispatch d JOIN dispatch_line l ON l.workshop_id = $1 AND l.dispatch_id = d.id AND l.replaced_by IS NULL
				JOIN packing k ON k.workshop_id = $1 AND k.id = l.packing_id WHERE d.workshop_id = $1 AND d.dispatched_on > $5 GROUP BY k.product_id),
			page AS MATERIALIZED (SELECT p.id, p.code, p.name, p.us_soap, p.retired_at FROM product p WHERE p.workshop_id = $1 AND (p.name, p.code) > ($2, $3) ORDER BY p.name, p.code LIMIT $4)
			SELECT p.code, p.name, coalesce(p.us_soap, ''), p.retired_at IS NOT NULL,
				coalesce((SELECT r.at FROM recent r WHERE r.product_id = p.id), (SELECT max(d.dispatched_on) FROM packing k JOIN dispatch_line l ON l.workshop_id = $1 AND l.packing_id = k.id AND l.replaced_by IS NULL
					JOIN dispatch d ON d.workshop_id = $1 AND d.id = l.dispatch_id WHERE k.workshop_id = $1 AND k.product_id = p.id)),
				ARRAY (SELECT d.kind FROM document d WHERE d.workshop_id = $1 AND d.product_id = p.id)
			FROM page p ORDER BY p.name, p.code`, workshop, name, code, heldAPage+1, today.AddMonths(-12))
		if err != nil {
			return err
		}
		list, err = pgx.CollectRows(rows, func(row pgx.CollectableRow) (HeldProduct, error) {
			p := HeldProduct{Papers: map[string]int{}}
			var kinds []string
			err := row.Scan(&p.Code, &p.Name, &p.USSoap, &p.Retired, &p.LastLeft, &kinds)
			for _, k := range kinds {
				p.Papers[k]++
			}
			return p, err
		})
		return err
	})
	if err != nil {
		return nil, "", fmt.Errorf("store: papers of products: %w", err)
	}
	list, next = cut(list, heldAPage, func(p HeldProduct) string { return p.Code })
	return list, next, nil
}

// HeldBatches is a page of the batches of which something left, the latest made first, behind the batch of a code, and
// the code that the next begins behind.
func (s *Store) HeldBatches(ctx context.Context, workshop WorkshopID, after string) (list []HeldBatch, next string, err error) {
	err = s.readStandby(ctx, workshop, func(t pgx.Tx) error {
		on, id := day.Day{}, BatchID{}
		if err := boundary(ctx, t, workshop, after, `SELECT made_on, id FROM batch WHERE workshop_id = $1 AND code = $2`, &on, &id); err != nil {
			return err
		}
		rows, err := t.Query(ctx, `WITH page AS MATERIALIZED (SELECT b.id, b.code, b.made_on FROM batch b WHERE b.workshop_id = $1 AND ($2::date IS NULL OR (b.made_on, b.id) < ($2, $3))
				AND EXISTS (SELECT FROM packing k JOIN dispatch_line l ON l.workshop_id = $1 AND l.packing_id = k.id AND l.replaced_by IS NULL WHERE k.workshop_id = $1 AND k.batch_id = b.id) ORDER BY b.made_on DESC, b.id DESC LIMIT $4)
			SELECT b.code, coalesce((SELECT string_agg(DISTINCT p.name, ', ') FROM packing k JOIN product p ON p.workshop_id = $1 AND p.id = k.product_id WHERE k.workshop_id = $1 AND k.batch_id = b.id), ''), b.made_on, u.first, u.last, u.customers, u.lost
			FROM page b CROSS JOIN LATERAL (
				SELECT min(d.dispatched_on) AS first, max(d.dispatched_on) AS last, count(DISTINCT c.id)::int AS customers, (count(DISTINCT c.id) FILTER (WHERE c.kind <> 'event' AND c.email = '' AND c.phone = '' AND c.address = ''))::int AS lost
				  FROM packing k JOIN dispatch_line l ON l.workshop_id = $1 AND l.packing_id = k.id AND l.replaced_by IS NULL JOIN dispatch d ON d.workshop_id = $1 AND d.id = l.dispatch_id
				  JOIN customer c ON c.workshop_id = $1 AND c.id = l.customer_id WHERE k.workshop_id = $1 AND k.batch_id = b.id OFFSET 0) u
			ORDER BY b.made_on DESC, b.id DESC`, workshop, on, id, heldAPage+1)
		if err == nil {
			list, err = pgx.CollectRows(rows, pgx.RowToStructByPos[HeldBatch])
		}
		return err
	})
	if err != nil {
		return nil, "", fmt.Errorf("store: papers of batches: %w", err)
	}
	list, next = cut(list, heldAPage, func(b HeldBatch) string { return b.Code })
	return list, next, nil
}

// SetMarkets says where the workshop sells, and whether it is a small business in the sense of the US law (nil for not
// said). Faults: markets.
func (s *Store) SetMarkets(ctx context.Context, who Who, entry Entry, markets []string, small *bool) error {
	for _, m := range markets {
		if !slices.Contains(keeping.Markets(""), m) {
			return fault.In("markets", "Choose among those that are listed.")
		}
	}
	_, err := s.write(ctx, who, progress, "", entry, func(t *tx) error {
		_, err := t.Exec(ctx, `UPDATE workshop SET markets = nullif($2, ''), us_small_business = $3 WHERE id = $1`, who.Workshop, keeping.Join(markets), small)
		return err
	})
	if err != nil {
		return fmt.Errorf("store: markets: %w", err)
	}
	return nil
}

// AttachToProduct adds a paper to a product: a part of its information file, or another.
func (s *Store) AttachToProduct(ctx context.Context, who Who, entry Entry, product string, u Upload) error {
	_, err := s.write(ctx, who, create, "", entry, func(t *tx) error {
		p, err := productByCode(ctx, t, who.Workshop, product)
		if err != nil {
			return err
		}
		return t.attach(ctx, "product_id", p.ID, u)
	})
	if err != nil {
		return fmt.Errorf("store: attach to product %q: %w", product, err)
	}
	return nil
}
