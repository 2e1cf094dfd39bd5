package store

import (
	"context"
	"fmt"

	"github.com/jackc/pgx/v5"
)

// Verdict is what verify found for one workshop.
type Verdict struct {
	Workshop string
	Links    int64
	Head     string // hex of the chain's head
	Broken   []string
}

// Verify checks, as the owner, the chain of every workshop, that each record stands as the trail last saw it, and
// that no ledger is below zero. Broken places are in order, the first one first.
func Verify(ctx context.Context, ownerURL string) ([]Verdict, error) {
	conn, err := pgx.Connect(ctx, ownerURL)
	if err != nil {
		return nil, fmt.Errorf("store: verify: %w", err)
	}
	defer conn.Close(ctx)
	var verdicts []Verdict
	err = pgx.BeginTxFunc(ctx, conn, pgx.TxOptions{IsoLevel: pgx.RepeatableRead, AccessMode: pgx.ReadOnly}, func(t pgx.Tx) error {
		rows, err := t.Query(ctx, `SELECT w.id, w.code, h.n, encode(h.hash, 'hex') FROM workshop w JOIN chain_head h ON h.workshop_id = w.id ORDER BY w.code`)
		if err != nil {
			return err
		}
		type head struct {
			ID   WorkshopID
			Code string
			N    int64
			Hash string
		}
		heads, err := pgx.CollectRows(rows, pgx.RowToStructByPos[head])
		if err != nil {
			return err
		}
		for _, h := range heads {
			v := Verdict{Workshop: h.Code, Links: h.N, Head: h.Hash}
			if v.Broken, err = brokenPlaces(ctx, t, h.ID); err != nil {
				return err
			}
			verdicts = append(verdicts, v)
		}
		return nil
	})
	if err != nil {
		return nil, fmt.Errorf("store: verify: %w", err)
	}
	return verdicts, nil
}

func brokenPlaces(ctx context.Context, t pgx.Tx, workshop WorkshopID) ([]string, error) {
	var broken []string
	add := func(format string, columns int, query string) error {
		rows, err := t.Query(ctx, query, workshop)
		if err != nil {
			return err
		}
		defer rows.Close()
		for rows.Next() {
			values, err := rows.Values()
			if err != nil {
				return err
			}
			broken = append(broken, fmt.Sprintf(format, values[:columns]...))
		}
		return rows.Err()
	}
	if err := add("chain link %v, change %v: %v", 3, `SELECT n, coalesce(change_id::text, '-'), problem FROM chain_breaks($1) LIMIT 100`); err != nil {
		return nil, err
	}
	if err := add("%v %v: %v", 3, `SELECT table_name, row_id, problem FROM record_drift($1) LIMIT 100`); err != nil {
		return nil, err
	}
	if err := add("lot %v: the ledger is below zero (%v)", 2, `SELECT l.code, s.on_hand::text FROM lot_stock s JOIN material_lot l ON l.workshop_id = s.workshop_id AND l.id = s.lot_id
		WHERE s.workshop_id = $1 AND s.on_hand < 0 ORDER BY l.code LIMIT 100`); err != nil {
		return nil, err
	}
	if err := add("packing %v: the ledger is below zero (%v)", 2, `SELECT p.code, s.on_hand::text FROM packing_stock s JOIN packing p ON p.workshop_id = s.workshop_id AND p.id = s.packing_id
		WHERE s.workshop_id = $1 AND s.on_hand < 0 ORDER BY p.code LIMIT 100`); err != nil {
		return nil, err
	}
	formulas, err := brokenFormulas(ctx, t, workshop)
	return append(broken, formulas...), err
}
