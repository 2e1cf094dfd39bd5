package store

import (
	"context"
	"fmt"

	"github.com/jackc/pgx/v5"

	"example.org/stillroom/internal/day"
)

// StockQuery chooses a page of what is on hand.
type StockQuery struct {
	Product     string  // code: its packings alone; empty for an overview of all products
	After       string  // the code of the product, or for one product of the packing, that the page begins behind
	Today, Soon day.Day // what is out of date, and what soon is
	Products    int     // at most so many on a page of the overview
	Packings    int     // at most so many of a product
}

// StockPage is a page of what is on hand, by product in order of name. The sums are of all, whatever the page shows.
type StockPage struct {
	OnHand, Free int
	Past, Near   int // packings out of date, and soon
	Products     []StockedProduct
	Next         string // code that the next page begins behind, empty for none
}

// StockedProduct is a product with the first of its packings that are on hand.
type StockedProduct struct {
	ProductStock
	Free int // may leave today
	All  int // packings
}

// stockPage sums by product, and names the packings of the page. What may leave, what is out of date and what soon is are
// Packing.Unfit and the words of the page in SQL, since sums over a whole shelf are not for reading row by row; a test
// holds them to each other.
const stockPage = `WITH here AS MATERIALIZED (
		SELECT p.id, r.code, r.name, lower(r.name) AS fold, s.on_hand, s.held, p.status, p.best_before, p.packed_on,
		       (coalesce(p.best_before, 'infinity'), b.made_on, p.packed_on, p.n, p.code) > (SELECT coalesce(x.best_before, 'infinity'), y.made_on, x.packed_on, x.n, x.code
		          FROM packing x JOIN batch y ON y.workshop_id = x.workshop_id AND y.id = x.batch_id WHERE x.workshop_id = $1 AND x.code = $5) AS behind,
		       row_number() OVER (` + packingOrder + `) AS rank
		` + packingFrom + `WHERE ` + inStock + ` AND ($2 = '' OR r.code = $2)),
	sums AS (
		SELECT h.code, h.name, h.fold, sum(h.on_hand)::int AS on_hand, sum(h.held)::int AS held, count(*)::int AS packings,
		       sum(CASE WHEN h.status = 'released' AND coalesce(h.best_before >= $3, true) AND h.packed_on <= $3 THEN greatest(h.on_hand - h.held, 0) ELSE 0 END)::int AS free,
		       count(*) FILTER (WHERE h.status <> 'rejected' AND h.best_before < $3)::int AS past,
		       count(*) FILTER (WHERE h.status = 'released' AND h.held < h.on_hand AND h.best_before BETWEEN $3 AND $4)::int AS near,
		       (array_agg(h.id ORDER BY h.rank) FILTER (WHERE coalesce(h.behind, true)))[1:$8] AS ids
		  FROM here h GROUP BY h.code, h.name, h.fold),
	total AS (SELECT coalesce(sum(on_hand), 0)::int AS on_hand, coalesce(sum(free), 0)::int AS free, coalesce(sum(past), 0)::int AS past, coalesce(sum(near), 0)::int AS near FROM sums)
	SELECT t.on_hand, t.free, t.past, t.near, coalesce(q.code, ''), coalesce(q.name, ''), coalesce(q.on_hand, 0), coalesce(q.held, 0), coalesce(q.free, 0), coalesce(q.packings, 0), coalesce(q.ids, '{}')
	  FROM total t LEFT JOIN LATERAL (SELECT o.code, o.name, o.fold, o.on_hand, o.held, o.free, o.packings, o.ids FROM sums o
		WHERE coalesce((o.fold, o.code) > (SELECT lower(z.name), z.code FROM product z WHERE z.workshop_id = $1 AND z.code = $6), true) ORDER BY o.fold, o.code LIMIT $7) q ON true
	 ORDER BY q.fold, q.code`

// StockPage reads a page of what is on hand; held, unreleased, rejected and out-of-date units are part of it.
func (s *Store) StockPage(ctx context.Context, workshop WorkshopID, q StockQuery) (StockPage, error) {
	var page StockPage
	err := s.read(ctx, workshop, func(t pgx.Tx) error {
		behindProduct, behindPacking := q.After, ""
		if q.Product != "" {
			behindProduct, behindPacking = "", q.After
		}
		rows, err := t.Query(ctx, stockPage, workshop, q.Product, q.Today, q.Soon, behindPacking, behindProduct, q.Products+1, q.Packings+1)
		if err != nil {
			return err
		}
		of := map[PackingID]int{}
		var all []PackingID
		list, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (StockedProduct, error) {
			var p StockedProduct
			var ids []PackingID
			err := row.Scan(&page.OnHand, &page.Free, &page.Past, &page.Near, &p.Code, &p.Name, &p.OnHand, &p.Held, &p.Free, &p.All, &ids)
			for _, id := range ids {
				of[id] = len(page.Products)
			}
			all = append(all, ids...)
			page.Products = append(page.Products, p)
			return p, err
		})
		if err != nil {
			return err
		}
		if len(list) == 1 && list[0].Code == "" {
			page.Products = nil // nothing on hand, or nothing more
			return nil
		}
		packings, err := queryPackings(ctx, t, `WHERE p.workshop_id = $1 AND p.id = ANY ($2::uuid[])`+packingOrder, workshop, all)
		for _, p := range packings {
			at := of[p.ID]
			page.Products[at].Packings = append(page.Products[at].Packings, p)
		}
		return err
	})
	if err != nil {
		return StockPage{}, fmt.Errorf("store: stock page: %w", err)
	}
	page.cut(q)
	return page, nil
}

// cut makes a page of what was asked one longer: by product, or by the packings of one.
func (p *StockPage) cut(q StockQuery) {
	if q.Product == "" {
		p.Products, p.Next = cut(p.Products, q.Products, func(s StockedProduct) string { return s.Code })
	}
	for i := range p.Products {
		one := &p.Products[i]
		next := ""
		one.Packings, next = cut(one.Packings, q.Packings, func(k Packing) string { return k.Code })
		if q.Product != "" {
			p.Next = next
		}
	}
}
