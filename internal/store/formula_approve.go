package store

import (
	"context"
	"fmt"

	"github.com/shopspring/decimal"

	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/measure"
	"example.org/stillroom/internal/scaling"
)

// ApproveFormula makes a formula's draft the version in force, for ever unchanged, and retires the one before. number
// has to be the draft's. Faults are those of scaling.Validate ("portions.i.lines", …), "portions.i.lines.j.kind"
// beside a material that is not bought any more and a bulk that cannot be drawn from, "portions.i.lines.j.limit"
// beside a line over its limit of use, and "yields".
func (s *Store) ApproveFormula(ctx context.Context, who Who, entry Entry, code string, number int) error {
	return s.ApproveSeen(ctx, who, entry, code, number, "")
}

// ApproveSeen is ApproveFormula of the content that somebody looked at: FormulaVersion.Seen of the page. Where the
// draft was saved meanwhile it is a conflict.
func (s *Store) ApproveSeen(ctx context.Context, who Who, entry Entry, code string, number int, seen string) error {
	_, err := s.write(ctx, who, progress, "", entry, func(t *tx) error {
		if who.Person == (PersonID{}) {
			return fault.New(fault.Forbidden, "A person approves a formula.")
		}
		l, err := t.lockFormula(ctx, code)
		if err != nil {
			return err
		}
		if l.Draft == nil || l.Number != number {
			return fault.New(fault.Conflict, fmt.Sprintf("Version %d of %s is no draft any more.", number, code))
		}
		v, err := loadVersion(ctx, t, who.Workshop, *l.Draft)
		if err != nil {
			return err
		}
		if seen != "" && seen != v.Seen {
			return fault.New(fault.Conflict, "Somebody saved this draft after you opened the page. Look at what stands now, then approve it.")
		}
		// Two formulas approved at once could each draw from the other.
		if err := t.lockGenealogy(ctx); err != nil {
			return err
		}
		if err := t.mayApprove(ctx, v); err != nil {
			return err
		}
		if l.Approved != nil {
			if _, err := t.Exec(ctx, `UPDATE formula_version SET status = 'retired' WHERE workshop_id = $1 AND id = $2`, who.Workshop, *l.Approved); err != nil {
				return err
			}
		}
		hash, err := v.hash()
		if err != nil {
			return err
		}
		_, err = t.Exec(ctx, `UPDATE formula_version SET status = 'approved', content_hash = $3, approved_by = $4, approved_at = $5, change_id = $6 WHERE workshop_id = $1 AND id = $2`,
			who.Workshop, v.ID, hash[:], who.Person, t.now, t.change)
		return err
	})
	if err != nil {
		return fmt.Errorf("store: approve version %d of %q: %w", number, code, err)
	}
	return nil
}

// mayApprove gathers all that keeps a draft from being made at the bench.
func (t *tx) mayApprove(ctx context.Context, v FormulaVersion) error {
	var f fault.Fields
	for _, err := range []error{v.Check(), scaling.Validate(inStyle(v.Scaling(), t.workshop.Style))} {
		if bad := fault.As(err); bad != nil {
			for _, field := range bad.Fields {
				f.Add(field.Name, field.Message)
			}
		}
	}
	if !f.Any() {
		if err := overLimits(&f, v); err != nil {
			return err
		}
	}
	for i, p := range v.Portions {
		for j, l := range p.Lines {
			field := fmt.Sprintf("portions.%d.lines.%d.kind", i, j)
			switch {
			case l.Retired:
				f.Add(field, l.Name+" is not bought any more. Take another material, or take it up again.")
			case l.Kind == scaling.KindBulk:
				words, err := t.bulkTrouble(ctx, v, l)
				if err != nil {
					return err
				}
				if words != "" {
					f.Add(field, words)
				}
			}
		}
	}
	if v.Yields != "bulk" {
		user, err := bulkUser(ctx, t, t.who.Workshop, v.FormulaID)
		if err != nil {
			return err
		}
		if user != "" {
			f.Add("yields", user+" draws from this formula, so it has to yield bulk.")
		}
	}
	return f.Err()
}

// overLimits notes lines that are over their limit of use already as the formula stands, rounding apart.
func overLimits(f *fault.Fields, v FormulaVersion) error {
	plan, err := scaling.PlanFor(v.Scaling(), v.NominalG, scaling.Scale{ReadabilityG: decimal.New(1, -scaling.Decimals)})
	if err != nil {
		return err
	}
	for _, target := range plan.Lines {
		if target.OverLimit {
			f.Add(fmt.Sprintf("portions.%d.lines.%d.limit", target.Portion, target.Line), v.Portions[target.Portion].Lines[target.Line].Name+" is over its limit of use.")
		}
	}
	return nil
}

// bulkTrouble says why a line cannot draw from another formula's bulk, empty where it can.
func (t *tx) bulkTrouble(ctx context.Context, v FormulaVersion, l FormulaLine) (string, error) {
	var yields string
	var back bool
	err := t.QueryRow(ctx, `WITH RECURSIVE into_it (formula_id) AS (
			SELECT f.id FROM formula f WHERE f.workshop_id = $1 AND f.code = $2
			UNION
			SELECT x.bulk_formula_id FROM into_it i CROSS JOIN LATERAL (
				SELECT l.bulk_formula_id FROM formula_version v JOIN portion_line l ON l.workshop_id = v.workshop_id AND l.version_id = v.id
				WHERE v.workshop_id = $1 AND v.formula_id = i.formula_id AND v.status = 'approved' AND l.kind = 'bulk' OFFSET 0) x)
		SELECT coalesce((SELECT v.yields FROM formula f JOIN formula_version v ON v.workshop_id = f.workshop_id AND v.formula_id = f.id AND v.status = 'approved' WHERE f.workshop_id = $1 AND f.code = $2), ''),
			EXISTS (SELECT FROM into_it WHERE formula_id = $3)`, t.who.Workshop, l.BulkFormula, v.FormulaID).Scan(&yields, &back)
	switch {
	case err != nil:
		return "", err
	case back:
		return l.Name + " is itself made with this formula, directly or through others.", nil
	case yields == "":
		return l.Name + " has no approved version to draw from.", nil
	case yields != "bulk":
		return l.Name + " makes units, not bulk.", nil
	}
	return "", nil
}

func inStyle(f scaling.Formula, style measure.Style) scaling.Formula {
	f.Style = style
	return f
}
