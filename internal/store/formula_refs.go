package store

import (
	"context"

	"github.com/jackc/pgx/v5"
)

// materialsByCode looks up materials; a code that is none is left out.
func (t *tx) materialsByCode(ctx context.Context, codes []string) (map[string]Material, error) {
	rows, err := t.Query(ctx, `SELECT `+materialColumns+` FROM material m WHERE m.workshop_id = $1 AND m.code = ANY ($2)`, t.who.Workshop, codes)
	if err != nil {
		return nil, err
	}
	list, err := pgx.CollectRows(rows, scanMaterial)
	if err != nil {
		return nil, err
	}
	known := make(map[string]Material, len(list))
	for _, m := range list {
		known[m.Code] = m
	}
	return known, nil
}

// formulasByCode looks up formulas; a code that is none is left out.
func (t *tx) formulasByCode(ctx context.Context, codes []string) (map[string]FormulaID, error) {
	rows, err := t.Query(ctx, `SELECT code, id FROM formula WHERE workshop_id = $1 AND code = ANY ($2)`, t.who.Workshop, codes)
	if err != nil {
		return nil, err
	}
	known := map[string]FormulaID{}
	var code string
	var id FormulaID
	_, err = pgx.ForEachRow(rows, []any{&code, &id}, func() error {
		known[code] = id
		return nil
	})
	return known, err
}
