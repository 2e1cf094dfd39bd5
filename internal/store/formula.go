package store

import (
	"context"
	"fmt"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/shopspring/decimal"

	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/scaling"
)

// FormulaVersion is one numbered version of a formula with all of its content. A draft may be edited and may be
// unfinished; an approved or retired one never changes.
type FormulaVersion struct {
	ID          VersionID
	FormulaID   FormulaID
	FormulaCode string
	FormulaName string
	Letters     string // of the batch codes
	Number      int
	Status      string // draft, approved or retired

	NominalG          decimal.Decimal // the batch mass that weights and as-needed amounts refer to
	TolerancePct      decimal.Decimal // of a target; the larger of the two tolerances counts
	ToleranceG        decimal.Decimal
	ExpectedLossPct   decimal.Decimal // of what goes in
	ReconciliationPct decimal.Decimal // of what goes in; the most that may be unexplained
	MinC, MaxC        decimal.NullDecimal
	MinPct, MaxPct    decimal.NullDecimal // relative humidity
	CureHours         int                 // 0 for none
	CureWord          string              // cure, dry or set
	Yields            string              // units or bulk
	BulkMonths        int                 // for bulk: until it must be used; 0 for no limit of its own
	Caution           string
	Note              string

	Portions []FormulaPortion
	Steps    []FormulaStep
	Controls []FormulaControl

	ApprovedBy string
	ApprovedAt *time.Time
	// Seen is the hash of the content as it was read. SaveDraft refuses to save over another content than that;
	// empty is not compared.
	Seen string
}

// FormulaPortion is what is weighed and mixed together.
type FormulaPortion struct {
	ID     PortionID
	Name   string // no two of a version alike, whatever the case
	Basis  string // scaling.Share, scaling.Weight or scaling.Inner
	Amount decimal.Decimal
	Lines  []FormulaLine
}

// cautionOfLine is the caution of the material m, or of the bulk formula f as it is in force.
const cautionOfLine = `coalesce(m.caution, (SELECT bv.caution FROM formula_version bv WHERE bv.workshop_id = f.workshop_id AND bv.formula_id = f.id AND bv.status = 'approved' ORDER BY bv.number DESC LIMIT 1), '')`

// FormulaLine is one thing weighed into a portion: a material, an inner portion of the same version, or bulk.
type FormulaLine struct {
	ID           PortionLineID
	Kind         string // scaling.KindMaterial, KindPortion or KindBulk
	MaterialCode string
	InnerPortion string // name of the portion
	BulkFormula  string // code
	Name         string // of material, portion or formula; read only
	Caution      string // the material's, or that of the bulk's formula in force; read only
	Retired      bool   // the material is not bought any more; read only
	Basis        string // scaling.Share or scaling.Weight
	Amount       decimal.Decimal
	AsNeeded     bool // then Low and High, in g per nominal batch, and no Amount
	Low, High    decimal.Decimal
	MaxPct       decimal.NullDecimal // limit of use, % of the batch
}

// FormulaStep is a step of the method.
type FormulaStep struct {
	ID      StepID
	Portion string // name of the portion after whose lines it comes; empty for after all portions
	Text    string
	Caution string
}

// FormulaControl is an in-process control with its limits.
type FormulaControl struct {
	ID        ControlID
	Name      string
	Stage     string // making, moulding, cure_end or packing
	Unit      string
	Low, High decimal.NullDecimal
	Readings  int // at least so many
}

// Scaling is what internal/scaling needs of the version. Lines of the same material have the same name, its code, so
// that its limit of use counts for all of them together.
func (v FormulaVersion) Scaling() scaling.Formula {
	f := scaling.Formula{NominalG: v.NominalG}
	for _, p := range v.Portions {
		portion := scaling.Portion{Name: p.Name, Basis: p.Basis, Amount: p.Amount}
		for _, l := range p.Lines {
			line := scaling.Line{Kind: l.Kind, Portion: -1, Basis: l.Basis, Amount: l.Amount, AsNeeded: l.AsNeeded, Low: l.Low, High: l.High, MaxPct: l.MaxPct}
			switch l.Kind {
			case scaling.KindMaterial:
				line.Name = l.MaterialCode
			case scaling.KindPortion:
				line.Portion = v.portion(l.InnerPortion)
			case scaling.KindBulk:
				line.Name = "bulk:" + l.BulkFormula // no material's code has a colon
			}
			portion.Lines = append(portion.Lines, line)
		}
		f.Portions = append(f.Portions, portion)
	}
	return f
}

// portion is the index of the portion of that name, -1 for none.
func (v FormulaVersion) portion(name string) int {
	for i, p := range v.Portions {
		if strings.EqualFold(p.Name, name) {
			return i
		}
	}
	return -1
}

// FormulaSummary is a formula in a list.
type FormulaSummary struct {
	Code     string
	Name     string
	Letters  string
	Approved int // number of the version in force, 0 for none
	Draft    int // number of the draft, 0 for none
	Batches  int // made, in any version
	Yields   string
}

// Formulas lists all by name: what a form chooses from.
func (s *Store) Formulas(ctx context.Context, workshop WorkshopID) ([]FormulaSummary, error) {
	var list []FormulaSummary
	err := s.read(ctx, workshop, func(t pgx.Tx) (err error) {
		list, err = queryFormulas(ctx, t, workshop, "", "", nil)
		return err
	})
	if err != nil {
		return nil, fmt.Errorf("store: formulas: %w", err)
	}
	return list, nil
}

// formulasAPage is how many formulas a page lists.
const formulasAPage = 100

// FormulaList is a page of the formulas by name, behind the formula of a code, and the code that the next begins behind.
func (s *Store) FormulaList(ctx context.Context, workshop WorkshopID, after string) (list []FormulaSummary, next string, err error) {
	err = s.read(ctx, workshop, func(t pgx.Tx) error {
		var name, code string
		if err := boundary(ctx, t, workshop, after, `SELECT name, code FROM formula WHERE workshop_id = $1 AND code = $2`, &name, &code); err != nil {
			return err
		}
		most := formulasAPage + 1
		var err error
		list, err = queryFormulas(ctx, t, workshop, name, code, &most)
		return err
	})
	if err != nil {
		return nil, "", fmt.Errorf("store: formula list: %w", err)
	}
	list, next = cut(list, formulasAPage, func(f FormulaSummary) string { return f.Code })
	return list, next, nil
}

// queryFormulas reads formulas behind a name and code, all where most is nil.
func queryFormulas(ctx context.Context, t pgx.Tx, workshop WorkshopID, name, code string, most *int) ([]FormulaSummary, error) {
	rows, err := t.Query(ctx, `SELECT f.code, f.name, f.letters, coalesce(a.number, 0), coalesce(d.number, 0),
				(SELECT count(*) FROM batch b WHERE b.workshop_id = f.workshop_id AND b.formula_id = f.id AND b.status <> 'void')::int, coalesce(a.yields, d.yields, 'units')
			FROM (SELECT x.workshop_id, x.id, x.code, x.name, x.letters FROM formula x WHERE x.workshop_id = $1 AND (x.name, x.code) > ($2, $3) ORDER BY x.name, x.code LIMIT $4) f
			LEFT JOIN formula_version a ON a.workshop_id = f.workshop_id AND a.formula_id = f.id AND a.status = 'approved'
			LEFT JOIN formula_version d ON d.workshop_id = f.workshop_id AND d.formula_id = f.id AND d.status = 'draft'
			ORDER BY f.name, f.code`, workshop, name, code, most)
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, pgx.RowToStructByPos[FormulaSummary])
}

// VersionSummary is a version in the list of its formula.
type VersionSummary struct {
	Number     int
	Status     string
	ApprovedBy string
	ApprovedAt *time.Time
	// RetiredBy, RetiredAt and Why are of one that is not in force any more. Why is empty where the next version took
	// its place.
	RetiredBy string
	RetiredAt *time.Time
	Why       string
}

// FormulaPage is a formula with its versions, the newest first, and the products made of it.
type FormulaPage struct {
	ID       FormulaID
	Code     string
	Name     string
	Letters  string
	Versions []VersionSummary
	Products []Product
	Batches  int
	// Last is the code of the latest batch that got beyond the bench, empty for none; Plans are those not begun.
	Last    string
	Plans   int
	History []RowChange
}

// Formula reads what stands about a formula across its versions.
func (s *Store) Formula(ctx context.Context, workshop WorkshopID, code string) (FormulaPage, error) {
	var page FormulaPage
	err := s.read(ctx, workshop, func(t pgx.Tx) error {
		err := t.QueryRow(ctx, `SELECT f.id, f.code, f.name, f.letters, (SELECT count(*) FROM batch b WHERE b.workshop_id = f.workshop_id AND b.formula_id = f.id AND b.status <> 'void'),
				coalesce((SELECT b.code FROM batch b WHERE b.workshop_id = f.workshop_id AND b.formula_id = f.id AND b.status NOT IN ('making', 'void') ORDER BY b.made_on DESC, b.made_at DESC, b.id DESC LIMIT 1), ''),
				(SELECT count(*) FROM plan n JOIN formula_version v ON v.workshop_id = n.workshop_id AND v.id = n.version_id WHERE n.workshop_id = f.workshop_id AND v.formula_id = f.id)
			FROM formula f WHERE f.workshop_id = $1 AND f.code = $2`, workshop, code).Scan(&page.ID, &page.Code, &page.Name, &page.Letters, &page.Batches, &page.Last, &page.Plans)
		if err != nil {
			return notFound(err, fmt.Sprintf("There is no formula %q.", code))
		}
		rows, err := t.Query(ctx, `SELECT v.number, v.status, coalesce(p.name, ''), v.approved_at, coalesce(z.who, ''), z.at, coalesce(z.reason, '') FROM formula_version v LEFT JOIN person p ON p.workshop_id = v.workshop_id AND p.id = v.approved_by
			LEFT JOIN LATERAL (SELECT coalesce(w.name, c.actor) AS who, c.at, c.reason FROM audit a JOIN change c ON c.workshop_id = a.workshop_id AND c.id = a.change_id LEFT JOIN person w ON w.workshop_id = c.workshop_id AND w.id = c.person_id
				WHERE a.workshop_id = v.workshop_id AND a.table_name = 'formula_version' AND a.row_id = v.id::text AND a.new ->> 'status' = 'retired' ORDER BY a.n LIMIT 1) z ON v.status = 'retired'
			WHERE v.workshop_id = $1 AND v.formula_id = $2 ORDER BY v.number DESC`, workshop, page.ID)
		if err != nil {
			return err
		}
		if page.Versions, err = pgx.CollectRows(rows, pgx.RowToStructByPos[VersionSummary]); err != nil {
			return err
		}
		if page.Products, err = queryProducts(ctx, t, `WHERE p.workshop_id = $1 AND p.formula_id = $2 ORDER BY p.retired_at IS NOT NULL, p.name, p.code`, workshop, page.ID); err != nil {
			return err
		}
		page.History, err = history(ctx, t, workshop, "formula", page.ID)
		return err
	})
	if err != nil {
		return FormulaPage{}, fmt.Errorf("store: formula %q: %w", code, err)
	}
	return page, nil
}

// FormulaVersion reads one version; number 0 is the one in force, or the newest where none is.
func (s *Store) FormulaVersion(ctx context.Context, workshop WorkshopID, formulaCode string, number int) (FormulaVersion, error) {
	var v FormulaVersion
	err := s.read(ctx, workshop, func(t pgx.Tx) error {
		var err error
		v, err = versionOf(ctx, t, workshop, formulaCode, number)
		return err
	})
	if err != nil {
		return FormulaVersion{}, fmt.Errorf("store: version %d of formula %q: %w", number, formulaCode, err)
	}
	return v, nil
}

func versionOf(ctx context.Context, t pgx.Tx, workshop WorkshopID, formulaCode string, number int) (FormulaVersion, error) {
	var id VersionID
	err := t.QueryRow(ctx, `SELECT v.id FROM formula_version v JOIN formula f ON f.workshop_id = v.workshop_id AND f.id = v.formula_id
		WHERE v.workshop_id = $1 AND f.code = $2 AND ($3 = 0 OR v.number = $3) ORDER BY v.status = 'approved' DESC, v.number DESC LIMIT 1`, workshop, formulaCode, number).Scan(&id)
	if err != nil {
		if number == 0 {
			return FormulaVersion{}, notFound(err, fmt.Sprintf("There is no formula %q.", formulaCode))
		}
		return FormulaVersion{}, notFound(err, fmt.Sprintf("There is no version %d of formula %q.", number, formulaCode))
	}
	return loadVersion(ctx, t, workshop, id)
}

const versionColumns = `v.id, v.formula_id, f.code, f.name, f.letters, v.number, v.status, v.nominal_g, v.tolerance_pct, v.tolerance_g, v.expected_loss_pct, v.reconciliation_pct,
	v.min_c, v.max_c, v.min_rh_pct, v.max_rh_pct, v.cure_hours, v.cure_word, v.yields, coalesce(v.bulk_months, 0), v.caution, v.note, coalesce(p.name, ''), v.approved_at`

// loadVersion reads a version by its id with all of its content.
func loadVersion(ctx context.Context, t pgx.Tx, workshop WorkshopID, id VersionID) (FormulaVersion, error) {
	of, err := loadVersions(ctx, t, workshop, id)
	if err != nil {
		return FormulaVersion{}, err
	}
	v, found := of[id]
	if !found {
		return FormulaVersion{}, fault.New(fault.NotFound, "There is no such version of a formula.")
	}
	return *v, nil
}

// loadVersions reads versions whole, by their ids; those that are not there are left out.
func loadVersions(ctx context.Context, t pgx.Tx, workshop WorkshopID, ids ...VersionID) (map[VersionID]*FormulaVersion, error) {
	of := map[VersionID]*FormulaVersion{}
	at := map[PortionID]int{}
	var id VersionID
	err := together(ctx, t, func(t pgx.Tx) error {
		rows, err := t.Query(ctx, `SELECT `+versionColumns+` FROM formula_version v JOIN formula f ON f.workshop_id = v.workshop_id AND f.id = v.formula_id
			LEFT JOIN person p ON p.workshop_id = v.workshop_id AND p.id = v.approved_by WHERE v.workshop_id = $1 AND v.id = ANY ($2::uuid[])`, workshop, ids)
		if err != nil {
			return err
		}
		_, err = pgx.CollectRows(rows, func(row pgx.CollectableRow) (struct{}, error) {
			v := &FormulaVersion{}
			err := row.Scan(&v.ID, &v.FormulaID, &v.FormulaCode, &v.FormulaName, &v.Letters, &v.Number, &v.Status, &v.NominalG, &v.TolerancePct, &v.ToleranceG, &v.ExpectedLossPct, &v.ReconciliationPct,
				&v.MinC, &v.MaxC, &v.MinPct, &v.MaxPct, &v.CureHours, &v.CureWord, &v.Yields, &v.BulkMonths, &v.Caution, &v.Note, &v.ApprovedBy, &v.ApprovedAt)
			of[v.ID] = v
			return struct{}{}, err
		})
		return err
	}, func(t pgx.Tx) error {
		rows, err := t.Query(ctx, `SELECT version_id, id, name, basis, amount FROM portion WHERE workshop_id = $1 AND version_id = ANY ($2::uuid[]) ORDER BY version_id, position`, workshop, ids)
		if err != nil {
			return err
		}
		var p FormulaPortion
		_, err = pgx.ForEachRow(rows, []any{&id, &p.ID, &p.Name, &p.Basis, &p.Amount}, func() error {
			at[p.ID] = len(of[id].Portions)
			of[id].Portions = append(of[id].Portions, p)
			return nil
		})
		return err
	}, func(t pgx.Tx) error {
		rows, err := t.Query(ctx, `SELECT l.version_id, l.portion_id, l.id, l.kind, coalesce(m.code, ''), coalesce(q.name, ''), coalesce(f.code, ''), coalesce(m.name, q.name, f.name), `+cautionOfLine+`, m.retired_at IS NOT NULL,
				l.basis, l.amount, l.as_needed, coalesce(l.low_g, 0), coalesce(l.high_g, 0), l.max_pct
			FROM portion_line l LEFT JOIN material m ON m.workshop_id = l.workshop_id AND m.id = l.material_id
			LEFT JOIN portion q ON q.workshop_id = l.workshop_id AND q.id = l.inner_portion_id LEFT JOIN formula f ON f.workshop_id = l.workshop_id AND f.id = l.bulk_formula_id
			WHERE l.workshop_id = $1 AND l.version_id = ANY ($2::uuid[]) ORDER BY l.portion_id, l.position`, workshop, ids)
		if err != nil {
			return err
		}
		var portion PortionID
		var l FormulaLine
		_, err = pgx.ForEachRow(rows, []any{&id, &portion, &l.ID, &l.Kind, &l.MaterialCode, &l.InnerPortion, &l.BulkFormula, &l.Name, &l.Caution, &l.Retired, &l.Basis, &l.Amount, &l.AsNeeded, &l.Low, &l.High, &l.MaxPct}, func() error {
			p := &of[id].Portions[at[portion]]
			p.Lines, l = append(p.Lines, l), FormulaLine{}
			return nil
		})
		return err
	}, func(t pgx.Tx) error {
		rows, err := t.Query(ctx, `SELECT s.version_id, s.id, coalesce(p.name, ''), s.text, s.caution FROM method_step s LEFT JOIN portion p ON p.workshop_id = s.workshop_id AND p.id = s.portion_id
			WHERE s.workshop_id = $1 AND s.version_id = ANY ($2::uuid[]) ORDER BY s.position`, workshop, ids)
		if err != nil {
			return err
		}
		var s FormulaStep
		_, err = pgx.ForEachRow(rows, []any{&id, &s.ID, &s.Portion, &s.Text, &s.Caution}, func() error {
			of[id].Steps = append(of[id].Steps, s)
			return nil
		})
		return err
	}, func(t pgx.Tx) error {
		rows, err := t.Query(ctx, `SELECT version_id, id, name, stage, unit, low, high, readings FROM control WHERE workshop_id = $1 AND version_id = ANY ($2::uuid[]) ORDER BY position`, workshop, ids)
		if err != nil {
			return err
		}
		var c FormulaControl
		_, err = pgx.ForEachRow(rows, []any{&id, &c.ID, &c.Name, &c.Stage, &c.Unit, &c.Low, &c.High, &c.Readings}, func() error {
			of[id].Controls, c = append(of[id].Controls, c), FormulaControl{}
			return nil
		})
		return err
	})
	if err != nil {
		return nil, err
	}
	for _, v := range of {
		if v.Seen, err = v.hashText(); err != nil {
			return nil, err
		}
	}
	return of, nil
}
