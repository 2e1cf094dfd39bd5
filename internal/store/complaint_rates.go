package store

import (
	"cmp"
	"context"
	"fmt"
	"slices"

	"github.com/jackc/pgx/v5"

	"example.org/stillroom/internal/day"
	"example.org/stillroom/internal/rates"
)

// ProductRate is how often a product is complained about.
type ProductRate struct {
	Code, Name  string
	Units       int // sent, less what came back to stock
	Complaints  int
	Undesirable int // of them undesirable or serious
	Undecided   int // of them whose packing nobody has decided
}

// Range is the share of units complained about, with what is sure of it.
func (r ProductRate) Range() rates.Interval { return rates.Wilson(r.Complaints, r.Units) }

// BatchRate is how often units of one product from one batch are complained about.
type BatchRate struct {
	Batch       string
	Code, Name  string // of the product
	MadeOn      day.Day
	Units       int
	Complaints  int
	Undesirable int
	// Others are the units of the product from all other batches of the time.
	OtherUnits, OtherComplaints int
}

// Range is the share of units complained about, with what is sure of it.
func (r BatchRate) Range() rates.Interval { return rates.Wilson(r.Complaints, r.Units) }

// Table holds the units of the batch against those of the others. More complaints than units, as of units given away,
// count as all of them.
func (r BatchRate) Table() rates.Table {
	return rates.Table{With: r.Complaints, Without: max(r.Units-r.Complaints, 0), OthersWith: r.OtherComplaints, OthersWithout: max(r.OtherUnits-r.OtherComplaints, 0)}
}

// Chance is how often a batch would have so many complaints or more if it were like the others: Fisher's exact test.
func (r BatchRate) Chance() float64 { return r.Table().Chance() }

// ComplaintRates are those of batches made since a day.
type ComplaintRates struct {
	From     day.Day
	Products []ProductRate // the most complained about first; those without a complaint too
	Batches  []BatchRate   // with a complaint, the least likely by chance first
	More     int           // products and batches beyond those listed
}

// ratesMost is how many products and how many batches the page lists.
const ratesMost = 200

// complaintRates gives one row for each product ('p'), for each product and batch with a complaint ('b'), and for each
// product with complaints whose packing is not decided ('u'). $2 the first day of making, $3 the same moment.
const complaintRates = `WITH said AS MATERIALIZED (
		SELECT c.packing_id, count(*) AS n, count(*) FILTER (WHERE c.kind <> 'quality') AS undesirable FROM complaint c WHERE c.workshop_id = $1 AND c.packing_id IS NOT NULL GROUP BY c.packing_id),
	made AS MATERIALIZED (
		SELECT p.product_id, b.id AS batch_id, sum(l.units) AS units, coalesce(sum(s.n), 0) AS n, coalesce(sum(s.undesirable), 0) AS undesirable
		  FROM (SELECT x.id FROM batch x WHERE x.workshop_id = $1 AND x.made_on >= $2 AND x.status <> 'void') b
		 CROSS JOIN LATERAL (SELECT x.id, x.product_id FROM packing x WHERE x.workshop_id = $1 AND x.batch_id = b.id OFFSET 0) p
		 CROSS JOIN LATERAL (SELECT coalesce((SELECT sum(d.units) FROM dispatch_line d WHERE d.workshop_id = $1 AND d.packing_id = p.id AND d.replaced_by IS NULL), 0)
		        - coalesce((SELECT sum(u.units) FROM unit_return u WHERE u.workshop_id = $1 AND u.packing_id = p.id AND u.disposition = 'restock' AND u.replaced_by IS NULL), 0) AS units OFFSET 0) l
		  LEFT JOIN said s ON s.packing_id = p.id GROUP BY p.product_id, b.id)
	SELECT e.part, r.code, r.name, coalesce(b.code, ''), b.made_on, e.units::int, e.n::int, e.undesirable::int FROM (
		SELECT 'p' AS part, m.product_id, NULL::uuid AS batch_id, greatest(sum(m.units), 0) AS units, sum(m.n) AS n, sum(m.undesirable) AS undesirable FROM made m GROUP BY m.product_id HAVING sum(m.units) > 0 OR sum(m.n) > 0
		UNION ALL SELECT 'b', m.product_id, m.batch_id, greatest(m.units, 0), m.n, m.undesirable FROM made m WHERE m.n > 0
		UNION ALL SELECT 'u', c.product_id, NULL, 0, count(*), count(*) FILTER (WHERE c.kind <> 'quality') FROM complaint c WHERE c.workshop_id = $1 AND c.packing_id IS NULL AND c.product_id IS NOT NULL AND c.received_at >= $3 GROUP BY c.product_id) e
	JOIN product r ON r.workshop_id = $1 AND r.id = e.product_id LEFT JOIN batch b ON b.workshop_id = $1 AND b.id = e.batch_id ORDER BY r.code, b.code`

// ComplaintRates counts complaints against units sent, of batches made since a day. A complaint without a decided packing
// counts for its product alone, where it came in since then.
func (s *Store) ComplaintRates(ctx context.Context, workshop WorkshopID, from day.Day) (ComplaintRates, error) {
	out := ComplaintRates{From: from}
	err := s.readStandby(ctx, workshop, func(t pgx.Tx) error {
		w, err := workshopIn(ctx, t, workshop)
		if err != nil {
			return err
		}
		rows, err := t.Query(ctx, complaintRates, workshop, from, from.Start(w.Location()))
		if err != nil {
			return err
		}
		return out.gather(rows)
	})
	if err != nil {
		return ComplaintRates{}, fmt.Errorf("store: complaint rates: %w", err)
	}
	for _, left := range []int{len(out.Products) - ratesMost, len(out.Batches) - ratesMost} {
		out.More += max(left, 0)
	}
	out.Products, out.Batches = out.Products[:min(len(out.Products), ratesMost)], out.Batches[:min(len(out.Batches), ratesMost)]
	return out, nil
}

func (r *ComplaintRates) gather(rows pgx.Rows) error {
	products := map[string]*ProductRate{}
	var part string
	var b BatchRate
	if _, err := pgx.ForEachRow(rows, []any{&part, &b.Code, &b.Name, &b.Batch, &b.MadeOn, &b.Units, &b.Complaints, &b.Undesirable}, func() error {
		if part == "b" {
			r.Batches = append(r.Batches, b)
			return nil
		}
		p := products[b.Code]
		if p == nil {
			p = &ProductRate{Code: b.Code, Name: b.Name}
			products[b.Code] = p
		}
		p.Units, p.Complaints, p.Undesirable = p.Units+b.Units, p.Complaints+b.Complaints, p.Undesirable+b.Undesirable
		if part == "u" {
			p.Undecided = b.Complaints
		}
		return nil
	}); err != nil {
		return err
	}
	for i := range r.Batches {
		// Complaints of an unknown batch may be of this one: they stand with neither side.
		one, all := &r.Batches[i], products[r.Batches[i].Code]
		one.OtherUnits, one.OtherComplaints = all.Units-one.Units, all.Complaints-all.Undecided-one.Complaints
	}
	for _, p := range products {
		r.Products = append(r.Products, *p)
	}
	slices.SortFunc(r.Products, func(x, y ProductRate) int {
		return cmp.Or(cmp.Compare(y.Complaints, x.Complaints), cmp.Compare(x.Code, y.Code))
	})
	slices.SortFunc(r.Batches, func(x, y BatchRate) int {
		return cmp.Or(cmp.Compare(x.Chance(), y.Chance()), cmp.Compare(y.Complaints, x.Complaints), cmp.Compare(x.Batch, y.Batch), cmp.Compare(x.Code, y.Code))
	})
	return nil
}
