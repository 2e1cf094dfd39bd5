package store

import (
	"context"
	"encoding/hex"
	"fmt"

	"github.com/jackc/pgx/v5"
	"github.com/shopspring/decimal"

	"example.org/stillroom/internal/quantity"
	"example.org/stillroom/internal/release"
)

// content is what an approval approves, as plain values. Names of materials and formulas are left out: they may be
// corrected, their codes never are. Numbers stand without trailing zeros, which a column keeps and a form does not.
func (v FormulaVersion) content() map[string]any {
	portions := []any{}
	for _, p := range v.Portions {
		lines := []any{}
		for _, l := range p.Lines {
			lines = append(lines, map[string]any{"kind": l.Kind, "material": l.MaterialCode, "portion": l.InnerPortion, "bulk": l.BulkFormula, "basis": l.Basis,
				"amount": quantity.Plain(l.Amount), "as_needed": l.AsNeeded, "low_g": quantity.Plain(l.Low), "high_g": quantity.Plain(l.High), "max_pct": plainOrNone(l.MaxPct)})
		}
		portions = append(portions, map[string]any{"name": p.Name, "basis": p.Basis, "amount": quantity.Plain(p.Amount), "lines": lines})
	}
	steps := []any{}
	for _, s := range v.Steps {
		steps = append(steps, map[string]any{"portion": s.Portion, "text": s.Text, "caution": s.Caution})
	}
	controls := []any{}
	for _, c := range v.Controls {
		controls = append(controls, map[string]any{"name": c.Name, "stage": c.Stage, "unit": c.Unit, "low": plainOrNone(c.Low), "high": plainOrNone(c.High), "readings": c.Readings})
	}
	return map[string]any{"formula": v.FormulaCode, "number": v.Number, "particulars": v.particulars(), "portions": portions, "steps": steps, "controls": controls}
}

func (v FormulaVersion) particulars() map[string]any {
	return map[string]any{
		"nominal_g": quantity.Plain(v.NominalG), "tolerance_pct": quantity.Plain(v.TolerancePct), "tolerance_g": quantity.Plain(v.ToleranceG),
		"expected_loss_pct": quantity.Plain(v.ExpectedLossPct), "reconciliation_pct": quantity.Plain(v.ReconciliationPct),
		"min_c": plainOrNone(v.MinC), "max_c": plainOrNone(v.MaxC), "min_rh_pct": plainOrNone(v.MinPct), "max_rh_pct": plainOrNone(v.MaxPct),
		"cure_hours": v.CureHours, "cure_word": v.CureWord, "yields": v.Yields, "bulk_months": v.BulkMonths, "caution": v.Caution, "note": v.Note,
	}
}

func plainOrNone(d decimal.NullDecimal) any {
	if !d.Valid {
		return nil
	}
	return quantity.Plain(d.Decimal)
}

func (v FormulaVersion) hash() ([32]byte, error) {
	text, err := release.Canonical(v.content())
	return release.Hash(text), err
}

func (v FormulaVersion) hashText() (string, error) {
	h, err := v.hash()
	return hex.EncodeToString(h[:]), err
}

// brokenFormulas computes the hash of every approved and retired version anew and says which are not what was approved.
func brokenFormulas(ctx context.Context, t pgx.Tx, workshop WorkshopID) ([]string, error) {
	list, err := brokenVersions(ctx, t, workshop)
	var broken []string
	for _, v := range list {
		broken = append(broken, fmt.Sprintf("formula %s version %d: the content is not what was approved", v.Formula, v.Number))
	}
	return broken, err
}

type brokenVersion struct {
	ID      VersionID
	Formula string
	Number  int
}

// brokenVersions are the approved versions whose content gives another hash than that of the approval.
func brokenVersions(ctx context.Context, t pgx.Tx, workshop WorkshopID) ([]brokenVersion, error) {
	rows, err := t.Query(ctx, `SELECT id, content_hash FROM formula_version WHERE workshop_id = $1 AND status <> 'draft' ORDER BY id`, workshop)
	if err != nil {
		return nil, err
	}
	type approved struct {
		ID   VersionID
		Hash []byte
	}
	list, err := pgx.CollectRows(rows, pgx.RowToStructByPos[approved])
	if err != nil {
		return nil, err
	}
	var broken []brokenVersion
	for _, a := range list {
		v, err := loadVersion(ctx, t, workshop, a.ID)
		if err != nil {
			return nil, err
		}
		if v.Seen != hex.EncodeToString(a.Hash) {
			broken = append(broken, brokenVersion{a.ID, v.FormulaCode, v.Number})
		}
	}
	return broken, nil
}
