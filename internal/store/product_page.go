package store

import (
	"context"
	"fmt"
	"sort"
	"strconv"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/shopspring/decimal"

	"example.org/stillroom/internal/quantity"
)

// ProductPage is a product with its papers, and with what was corrected in it and in its packaging, the oldest first.
type ProductPage struct {
	Product
	Documents []Document // of its information: description, safety report and the like
	History   []RowChange
}

// ProductPage reads one product's page.
func (s *Store) ProductPage(ctx context.Context, workshop WorkshopID, code string) (ProductPage, error) {
	var page ProductPage
	err := s.read(ctx, workshop, func(t pgx.Tx) (err error) {
		if page.Product, err = productByCode(ctx, t, workshop, code); err != nil {
			return err
		}
		if page.Documents, err = documents(ctx, t, workshop, `d.product_id = $2`, page.ID); err != nil {
			return err
		}
		if page.History, err = history(ctx, t, workshop, "product", page.ID); err != nil {
			return err
		}
		packaging, err := packagingHistory(ctx, t, workshop, page.ID)
		if err != nil {
			return err
		}
		parts, err := partsHistory(ctx, t, workshop, page.ID)
		page.History = joinHistory(page.History, packaging, parts)
		return err
	})
	if err != nil {
		return ProductPage{}, fmt.Errorf("store: product page %q: %w", code, err)
	}
	return page, nil
}

// packagingHistory is what corrections did to a product's packaging: a row that ended is the old amount, a row that
// was written under the same correction the new one.
func packagingHistory(ctx context.Context, t pgx.Tx, workshop WorkshopID, product ProductID) ([]RowChange, error) {
	rows, err := t.Query(ctx, `SELECT c.at, coalesce(w.name, c.actor), c.kind, c.reason, m.name,
			max(k.per_unit) FILTER (WHERE a.op = 'U'), max(k.per_unit) FILTER (WHERE a.op = 'I')
		FROM product_packaging k JOIN material m ON m.workshop_id = k.workshop_id AND m.id = k.material_id
		JOIN audit a ON a.workshop_id = k.workshop_id AND a.table_name = 'product_packaging' AND a.row_id = k.id::text
		JOIN change c ON c.workshop_id = a.workshop_id AND c.id = a.change_id LEFT JOIN person w ON w.workshop_id = c.workshop_id AND w.id = c.person_id
		WHERE k.workshop_id = $1 AND k.product_id = $2 AND c.kind = 'correct' GROUP BY c.id, c.at, w.name, c.actor, c.kind, c.reason, m.name ORDER BY c.at, m.name`, workshop, product)
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, func(row pgx.CollectableRow) (RowChange, error) {
		var c RowChange
		var material string
		var old, now decimal.NullDecimal
		err := row.Scan(&c.At, &c.Who, &c.Kind, &c.Reason, &material, &old, &now)
		c.Fields = []FieldChange{{"For one unit, " + material, formatOrNone(old), formatOrNone(now)}}
		return c, err
	})
}

// partsHistory is what corrections did to what a set holds, as packagingHistory tells it of packaging.
func partsHistory(ctx context.Context, t pgx.Tx, workshop WorkshopID, product ProductID) ([]RowChange, error) {
	rows, err := t.Query(ctx, `SELECT c.at, coalesce(w.name, c.actor), c.kind, c.reason, m.name,
			max(k.per_unit) FILTER (WHERE a.op = 'U'), max(k.per_unit) FILTER (WHERE a.op = 'I')
		FROM product_part k JOIN product m ON m.workshop_id = k.workshop_id AND m.id = k.part_id
		JOIN audit a ON a.workshop_id = k.workshop_id AND a.table_name = 'product_part' AND a.row_id = k.id::text
		JOIN change c ON c.workshop_id = a.workshop_id AND c.id = a.change_id LEFT JOIN person w ON w.workshop_id = c.workshop_id AND w.id = c.person_id
		WHERE k.workshop_id = $1 AND k.product_id = $2 AND c.kind = 'correct' GROUP BY c.id, c.at, w.name, c.actor, c.kind, c.reason, m.name ORDER BY c.at, m.name`, workshop, product)
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, func(row pgx.CollectableRow) (RowChange, error) {
		var c RowChange
		var part string
		var old, now *int
		err := row.Scan(&c.At, &c.Who, &c.Kind, &c.Reason, &part, &old, &now)
		c.Fields = []FieldChange{{"In one set, " + part, countOrNone(old), countOrNone(now)}}
		return c, err
	})
}

func countOrNone(n *int) string {
	if n == nil {
		return ""
	}
	return strconv.Itoa(*n)
}

func formatOrNone(d decimal.NullDecimal) string {
	if !d.Valid {
		return ""
	}
	return quantity.Format(d.Decimal)
}

// joinHistory puts what one correction did to several rows together; the time of a transaction is its own.
func joinHistory(lists ...[]RowChange) []RowChange {
	var all []RowChange
	at := map[time.Time]int{}
	for _, list := range lists {
		for _, c := range list {
			if i, known := at[c.At]; known {
				all[i].Fields = append(all[i].Fields, c.Fields...)
				continue
			}
			at[c.At] = len(all)
			all = append(all, c)
		}
	}
	sort.SliceStable(all, func(i, j int) bool { return all[i].At.Before(all[j].At) })
	return all
}
