package store

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"strings"

	"github.com/jackc/pgx/v5"

	"example.org/stillroom/internal/day"
	"example.org/stillroom/internal/fault"
)

// Purchase is what a customer remembers who threw the wrapper away.
type Purchase struct {
	Product  string // code; empty for any
	Place    string // code or words of a customer's name: the shop, the fair; empty for any
	On       day.Day
	BackDays int // how long before that day what was bought may have been sent there
}

// PurchaseAnswer ranks packings by the units that were sent to the place in that time and had not come back by the
// day of purchase.
type PurchaseAnswer struct {
	From, To day.Day
	Places   []FoundItem // the customers that the place can mean, where one was named
	Sold     []SoldUnits // most units first
	Total    int         // units in all
}

// SoldUnits are units of one packing, wherever they were sent.
type SoldUnits struct {
	Packing, Batch     string // codes
	ProductName        string
	MadeOn, BestBefore day.Day
	Units              int
	To                 []SentTo // most units first
}

// SentTo is where some of the units were sent.
type SentTo struct {
	Code, Name string // of the customer
	LastOn     day.Day
	Units      int
}

// purchaseMost bounds how many customers a few words may mean.
const purchaseMost = 50

// WhatWasBought answers a purchase without any code.
func (s *Store) WhatWasBought(ctx context.Context, workshop WorkshopID, p Purchase) (PurchaseAnswer, error) {
	var f fault.Fields
	if p.Product == "" && strings.TrimSpace(p.Place) == "" {
		f.Add("product", "Name the product or the place, or both.")
	}
	if p.On.IsZero() {
		f.Add("on", "On which day, about?")
	}
	if p.BackDays < 1 || p.BackDays > 1100 {
		f.Add("back", "Choose how far back to look.")
	}
	if err := f.Err(); err != nil {
		return PurchaseAnswer{}, err
	}
	a := PurchaseAnswer{From: p.On.AddDays(-p.BackDays), To: p.On}
	err := s.read(ctx, workshop, func(t pgx.Tx) error {
		var product *ProductID
		if p.Product != "" {
			product = new(ProductID)
			if err := t.QueryRow(ctx, `SELECT id FROM product WHERE workshop_id = $1 AND code = $2`, workshop, p.Product).Scan(product); err != nil {
				return faultIn("product", notFound(err, fmt.Sprintf("There is no product %q.", p.Product)))
			}
		}
		source, args := `SELECT d.id, d.dispatched_on FROM dispatch d WHERE d.workshop_id = $1 AND d.dispatched_on BETWEEN $2 AND $3`, []any{workshop, a.From, a.To, product}
		if strings.TrimSpace(p.Place) != "" {
			ids, err := a.places(ctx, t, workshop, p.Place)
			if err != nil {
				return err
			}
			source, args = `SELECT d.id, d.dispatched_on FROM unnest($5::uuid[]) c (id) CROSS JOIN LATERAL (
				SELECT x.id, x.dispatched_on FROM dispatch x WHERE x.workshop_id = $1 AND x.customer_id = c.id AND x.dispatched_on BETWEEN $2 AND $3 OFFSET 0) d`, append(args, ids)
		}
		return a.units(ctx, t, source, args)
	})
	if err != nil {
		return PurchaseAnswer{}, fmt.Errorf("store: purchase: %w", err)
	}
	return a, nil
}

// places finds the customers that a place can mean: the one with that code, else those with all of its words.
func (a *PurchaseAnswer) places(ctx context.Context, t pgx.Tx, workshop WorkshopID, place string) ([][16]byte, error) {
	place = strings.TrimSpace(place)
	var ids [][16]byte
	take := func(query string, args ...any) error {
		rows, err := t.Query(ctx, query, args...)
		if err != nil {
			return err
		}
		i, id := FoundItem{Kind: "customer"}, [16]byte{}
		_, err = pgx.ForEachRow(rows, []any{&id, &i.Code, &i.Name, &i.Detail}, func() error {
			ids, a.Places = append(ids, id), append(a.Places, i)
			return nil
		})
		return err
	}
	if err := take(`SELECT id, code, name, kind FROM customer WHERE workshop_id = $1 AND code = $2`, workshop, place); err != nil {
		return nil, err
	}
	if ws := words(place); len(ids) == 0 && len(ws) > 0 && len(ws) < 10 {
		rarest, err := rarestWord(ctx, t, workshop, ws)
		if err != nil {
			return nil, err
		}
		if err := take(`SELECT c.id, c.code, c.name, c.kind FROM (`+prefixHits+`) h CROSS JOIN LATERAL (
				SELECT x.id, x.code, x.name, x.kind FROM customer x WHERE x.workshop_id = $1 AND x.id = h.target_id OFFSET 0) c ORDER BY c.name, c.code`,
			workshop, []string{"customer"}, rarest, rarest+pastPrefix, ws, 4*(purchaseMost+1)); err != nil {
			return nil, err
		}
	}
	switch {
	case len(ids) == 0:
		return nil, fault.In("place", "No customer is called that. Try one word of the name, or leave the place open.")
	case len(ids) > purchaseMost:
		return nil, fault.In("place", fmt.Sprintf("More than %d customers are called that. Write more of the name.", purchaseMost))
	}
	return ids, nil
}

func (a *PurchaseAnswer) units(ctx context.Context, t pgx.Tx, source string, args []any) error {
	rows, err := t.Query(ctx, `SELECT p.code, p.batch, p.name, p.made_on, p.best_before, c.code, c.name, s.last_on, s.units FROM (
			SELECT l.packing_id, l.customer_id, max(d.dispatched_on) AS last_on, sum(l.units)::int AS units FROM (`+source+`) d CROSS JOIN LATERAL (
				SELECT y.packing_id, y.customer_id, y.units - coalesce((SELECT sum(r.units) FROM unit_return r
				        WHERE r.workshop_id = $1 AND r.dispatch_id = d.id AND r.packing_id = y.packing_id AND r.returned_on <= $3 AND r.replaced_by IS NULL), 0) AS units
				  FROM dispatch_line y WHERE y.workshop_id = $1 AND y.dispatch_id = d.id AND y.replaced_by IS NULL OFFSET 0) l
			GROUP BY l.packing_id, l.customer_id) s
		CROSS JOIN LATERAL (SELECT k.code, b.code AS batch, pr.name, b.made_on, k.best_before FROM packing k JOIN batch b ON b.workshop_id = $1 AND b.id = k.batch_id JOIN product pr ON pr.workshop_id = $1 AND pr.id = k.product_id
			WHERE k.workshop_id = $1 AND k.id = s.packing_id AND ($4::uuid IS NULL OR k.product_id = $4) OFFSET 0) p
		CROSS JOIN LATERAL (SELECT x.code, x.name FROM customer x WHERE x.workshop_id = $1 AND x.id = s.customer_id OFFSET 0) c
		WHERE s.units > 0 ORDER BY s.units DESC, s.last_on DESC, p.code, c.code`, args...)
	if err != nil {
		return err
	}
	at := map[string]int{} // by packing
	var u SoldUnits
	var to SentTo
	if _, err := pgx.ForEachRow(rows, []any{&u.Packing, &u.Batch, &u.ProductName, &u.MadeOn, &u.BestBefore, &to.Code, &to.Name, &to.LastOn, &to.Units}, func() error {
		i, ok := at[u.Packing]
		if !ok {
			i = len(a.Sold)
			at[u.Packing] = i
			a.Sold = append(a.Sold, u)
		}
		a.Sold[i].To = append(a.Sold[i].To, to)
		a.Sold[i].Units += to.Units
		a.Total += to.Units
		return nil
	}); err != nil {
		return err
	}
	slices.SortStableFunc(a.Sold, func(x, y SoldUnits) int { return -cmp.Compare(x.Units, y.Units) })
	return nil
}

// ProductChoices lists the products by name, for a form: code and name.
func (s *Store) ProductChoices(ctx context.Context, workshop WorkshopID) ([]FoundItem, error) {
	var list []FoundItem
	err := s.read(ctx, workshop, func(t pgx.Tx) error {
		rows, err := t.Query(ctx, `SELECT code, name FROM product WHERE workshop_id = $1 ORDER BY name, code`, workshop)
		if err != nil {
			return err
		}
		list, err = pgx.CollectRows(rows, func(row pgx.CollectableRow) (FoundItem, error) {
			i := FoundItem{Kind: "product"}
			err := row.Scan(&i.Code, &i.Name)
			return i, err
		})
		return err
	})
	if err != nil {
		return nil, fmt.Errorf("store: product choices: %w", err)
	}
	return list, nil
}
