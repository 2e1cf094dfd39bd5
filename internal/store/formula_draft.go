package store

import (
	"context"
	"errors"
	"fmt"
	"strconv"
	"strings"

	"github.com/jackc/pgx/v5"
	"github.com/shopspring/decimal"

	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/scaling"
)

// NewFormula is a formula to begin, with an empty draft of its first version.
type NewFormula struct {
	Code     string          // empty for one made of the name
	Name     string          //
	Letters  string          // one to four of A to Z, which no other formula has
	NominalG decimal.Decimal // zero for 1,000 g
	Yields   string          // units or bulk; empty for units
	// Copy is the code of a formula whose content it begins with, and CopyOf the number of the version: 0 for the one in
	// force, or the newest where none is. Nominal batch and yields are then those of the copied one.
	Copy   string
	CopyOf int
}

// AddFormula begins a formula with version 1 as a draft, empty or a copy. Faults are beside name, code, letters, nominal,
// yields and copy. It answers the code.
func (s *Store) AddFormula(ctx context.Context, who Who, entry Entry, n NewFormula) (string, error) {
	v := FormulaVersion{Number: 1, NominalG: n.NominalG, Yields: n.Yields, CureWord: "cure",
		// A scale's own error and the last drop in a jug: common practice, no source. The maker changes them.
		TolerancePct: decimal.NewFromInt(1), ReconciliationPct: decimal.NewFromInt(3)}
	if v.NominalG.IsZero() {
		v.NominalG = decimal.NewFromInt(1000)
	}
	if v.Yields == "" {
		v.Yields = "units"
	}
	var f fault.Fields
	checkName(&f, n.Name, "Write the formula's name, up to 200 characters.")
	checkCode(&f, n.Code)
	if !isLetters(n.Letters) {
		f.Add("letters", "One to four letters from A to Z: batch codes begin with them.")
	}
	v.checkParticulars(&f)
	if err := f.Err(); err != nil {
		return "", err
	}
	code, err := s.write(ctx, who, create, "", entry, func(t *tx) error {
		var err error
		if n.Copy != "" {
			if v, err = copyVersion(ctx, t, who.Workshop, n); err != nil {
				return faultIn("copy", err)
			}
		}
		if n.Code == "" {
			if n.Code, err = t.freeCode(ctx, "formula", n.Name); err != nil {
				return err
			}
		}
		if err := t.freeLetters(ctx, n.Letters, ProductID{}); err != nil {
			return err
		}
		v.FormulaID = newID[FormulaID]()
		if _, err := t.Exec(ctx, `INSERT INTO formula (workshop_id, id, code, name, letters, change_id) VALUES ($1, $2, $3, $4, $5, $6)`,
			who.Workshop, v.FormulaID, n.Code, n.Name, n.Letters, t.change); err != nil {
			switch constraint(err) {
			case "formula_code_key":
				return fault.In("code", "Another formula has this code.")
			case "formula_letters_key":
				return fault.In("letters", "Another formula has these letters; batch codes would be mixed up.")
			}
			return err
		}
		if err := t.insertVersion(ctx, v); err != nil {
			return err
		}
		t.result = n.Code
		return t.indexFormula(ctx, v.FormulaID, n.Code, n.Name, n.Letters)
	})
	if err != nil {
		return "", fmt.Errorf("store: add formula %q: %w", n.Name, err)
	}
	return code, nil
}

// copyVersion is the content of another formula's version as the first draft of a new one. It says in its note where it
// came from, so far as there is room.
func copyVersion(ctx context.Context, t pgx.Tx, workshop WorkshopID, n NewFormula) (FormulaVersion, error) {
	v, err := versionOf(ctx, t, workshop, n.Copy, n.CopyOf)
	if err != nil {
		return v, err
	}
	from := fmt.Sprintf("Copied from %s (%s), version %d.", v.FormulaName, v.FormulaCode, v.Number)
	if v.Note != "" {
		from += "\n\n" + v.Note
	}
	if len([]rune(from)) <= longNote {
		v.Note = from
	}
	v.Number = 1
	return v, nil
}

// RetireFormula takes the version in force out of use: nothing new is made of the formula until a version is approved
// again. What was made of it, and the version itself, stay as they are. The reason stands with the change.
func (s *Store) RetireFormula(ctx context.Context, who Who, entry Entry, code string, number int, reason string) error {
	if strings.TrimSpace(reason) == "" {
		return fault.In("reason", "Say why it is not made any more.")
	}
	var f fault.Fields
	checkLength(&f, "reason", reason, 500)
	if err := f.Err(); err != nil {
		return err
	}
	_, err := s.write(ctx, who, progress, reason, entry, func(t *tx) error {
		l, err := t.lockFormula(ctx, code)
		if err != nil {
			return err
		}
		var approved int
		if l.Approved != nil {
			if err := t.QueryRow(ctx, `SELECT number FROM formula_version WHERE workshop_id = $1 AND id = $2`, who.Workshop, *l.Approved).Scan(&approved); err != nil {
				return err
			}
		}
		if approved != number {
			return fault.New(fault.Conflict, fmt.Sprintf("Version %d of %s is not in force.", number, code))
		}
		// Somebody who approves a formula that draws from this one at the same moment asks under this lock too.
		if err := t.lockGenealogy(ctx); err != nil {
			return err
		}
		if user, err := bulkUser(ctx, t, who.Workshop, l.ID); err != nil || user != "" {
			if err == nil {
				err = fault.New(fault.Conflict, user+" draws from this formula. Change that one, or take it out of force, first.")
			}
			return err
		}
		_, err = t.Exec(ctx, `UPDATE formula_version SET status = 'retired' WHERE workshop_id = $1 AND id = $2`, who.Workshop, *l.Approved)
		return err
	})
	if err != nil {
		return fmt.Errorf("store: retire version %d of %q: %w", number, code, err)
	}
	return nil
}

// bulkUser is the name of a formula in force that draws from a formula; empty for none.
func bulkUser(ctx context.Context, t pgx.Tx, workshop WorkshopID, formula FormulaID) (string, error) {
	var user string
	err := t.QueryRow(ctx, `SELECT f.name FROM portion_line l JOIN formula_version v ON v.workshop_id = l.workshop_id AND v.id = l.version_id AND v.status = 'approved'
		JOIN formula f ON f.workshop_id = v.workshop_id AND f.id = v.formula_id WHERE l.workshop_id = $1 AND l.bulk_formula_id = $2 ORDER BY f.name LIMIT 1`, workshop, formula).Scan(&user)
	if errors.Is(err, pgx.ErrNoRows) {
		err = nil
	}
	return user, err
}

func isLetters(text string) bool {
	return len(text) >= 1 && len(text) <= 4 && strings.Trim(text, "ABCDEFGHIJKLMNOPQRSTUVWXYZ") == ""
}

func (t *tx) indexFormula(ctx context.Context, id FormulaID, code, name, letters string) error {
	return t.index(ctx, "formula", id, append(words(name), foldWord(code), foldWord(letters))...)
}

// CorrectFormula changes a formula's name. Its code and letters stay: they stand on labels and in batch codes. was is
// the name that the correction was written against, or empty; where another stands meanwhile it is a conflict.
func (s *Store) CorrectFormula(ctx context.Context, who Who, entry Entry, code, was, name, reason string) error {
	var f fault.Fields
	checkName(&f, name, "Write the formula's name, up to 200 characters.")
	if strings.TrimSpace(reason) == "" {
		f.Add("reason", "Say why: the old value is kept beside the new one.")
	}
	if err := f.Err(); err != nil {
		return err
	}
	_, err := s.write(ctx, who, correct, reason, entry, func(t *tx) error {
		have, err := t.lockFormula(ctx, code)
		if err != nil {
			return err
		}
		if was != "" && was != have.Name {
			return fault.New(fault.Conflict, fmt.Sprintf("Somebody corrected the name meanwhile: it is %q now. What you typed is still in its box.", have.Name))
		}
		if _, err := t.Exec(ctx, `UPDATE formula SET name = $3 WHERE workshop_id = $1 AND id = $2`, who.Workshop, have.ID, name); err != nil {
			return err
		}
		return t.indexFormula(ctx, have.ID, code, name, have.Letters)
	})
	if err != nil {
		return fmt.Errorf("store: correct formula %q: %w", code, err)
	}
	return nil
}

// lockedFormula is a formula whose versions nobody else begins, saves or approves until the transaction ends.
type lockedFormula struct {
	ID       FormulaID
	Name     string
	Letters  string
	Draft    *VersionID
	Approved *VersionID
	Newest   VersionID
	Number   int // of the newest
}

// lockFormula orders those who work on the versions of one formula. NO KEY: starting a batch of it need not wait.
func (t *tx) lockFormula(ctx context.Context, code string) (lockedFormula, error) {
	var l lockedFormula
	err := t.QueryRow(ctx, `SELECT id, name, letters FROM formula WHERE workshop_id = $1 AND code = $2 FOR NO KEY UPDATE`, t.who.Workshop, code).Scan(&l.ID, &l.Name, &l.Letters)
	if err != nil {
		return l, notFound(err, fmt.Sprintf("There is no formula %q.", code))
	}
	rows, err := t.Query(ctx, `SELECT id, number, status FROM formula_version WHERE workshop_id = $1 AND formula_id = $2 ORDER BY number`, t.who.Workshop, l.ID)
	if err != nil {
		return l, err
	}
	var status string
	var id VersionID
	_, err = pgx.ForEachRow(rows, []any{&id, &l.Number, &status}, func() error {
		this := id
		switch status {
		case "draft":
			l.Draft = &this
		case "approved":
			l.Approved = &this
		}
		l.Newest = this
		return nil
	})
	return l, err
}

// errNoDraft answers an edit that came after the approval.
func errNoDraft(code string) error {
	return fault.New(fault.Conflict, fmt.Sprintf("Formula %s has no draft: its newest version is approved, and an approved version never changes. Make a new version to go on.", code))
}

// SaveDraft replaces the whole content of a formula's draft. v.Seen, where given, has to be the content it was changed
// from, or somebody else's work would be lost unseen. Faults are those of FormulaVersion.Check, and ".kind" beside a
// line whose material or formula there is not.
func (s *Store) SaveDraft(ctx context.Context, who Who, entry Entry, formulaCode string, v FormulaVersion) error {
	_, err := s.write(ctx, who, progress, "", entry, func(t *tx) error {
		l, err := t.lockFormula(ctx, formulaCode)
		if err != nil {
			return err
		}
		if l.Draft == nil {
			return errNoDraft(formulaCode)
		}
		have, err := loadVersion(ctx, t, who.Workshop, *l.Draft)
		if err != nil {
			return err
		}
		if v.Seen != "" && v.Seen != have.Seen {
			return errStaleDraft()
		}
		v.settle()
		if err := v.Check(); err != nil {
			return err
		}
		v.ID, v.FormulaID, v.FormulaCode, v.Number = have.ID, have.FormulaID, have.FormulaCode, have.Number
		if err := t.updateVersion(ctx, have, v); err != nil {
			return err
		}
		for _, sql := range []string{
			`DELETE FROM method_step WHERE workshop_id = $1 AND version_id = $2`,
			`DELETE FROM control WHERE workshop_id = $1 AND version_id = $2`,
			`DELETE FROM portion_line WHERE workshop_id = $1 AND version_id = $2`,
			`DELETE FROM portion WHERE workshop_id = $1 AND version_id = $2`,
		} {
			if _, err := t.Exec(ctx, sql, who.Workshop, v.ID); err != nil {
				return err
			}
		}
		return t.insertContent(ctx, v)
	})
	if err != nil {
		return fmt.Errorf("store: save draft of %q: %w", formulaCode, err)
	}
	return nil
}

func errStaleDraft() error {
	return fault.New(fault.Conflict, "Somebody saved this draft meanwhile. The page now shows what stands, and what you typed is still in its boxes: look whether it belongs there, then save it again.")
}

// settle clears what a choice makes meaningless, so that two drafts that say the same have the same content.
func (v *FormulaVersion) settle() {
	if v.Yields != "bulk" {
		v.BulkMonths = 0
	}
	portions := make([]FormulaPortion, len(v.Portions))
	for i, p := range v.Portions {
		p.Name = strings.TrimSpace(p.Name)
		if p.Basis == scaling.Inner {
			p.Amount = decimal.Zero
		}
		lines := make([]FormulaLine, len(p.Lines))
		for j, l := range p.Lines {
			if !l.AsNeeded {
				l.Low, l.High = decimal.Zero, decimal.Zero
			}
			if at := v.portion(l.InnerPortion); l.Kind == scaling.KindPortion && at >= 0 {
				l.InnerPortion = strings.TrimSpace(v.Portions[at].Name)
			}
			lines[j] = l
		}
		p.Lines = lines
		portions[i] = p
	}
	v.Portions = portions
}

// insertVersion stores v as a draft with all of its content.
func (t *tx) insertVersion(ctx context.Context, v FormulaVersion) error {
	v.ID = newID[VersionID]()
	if _, err := t.Exec(ctx, `INSERT INTO formula_version (workshop_id, id, formula_id, number, status, nominal_g, tolerance_pct, tolerance_g, expected_loss_pct, reconciliation_pct, min_c, max_c, min_rh_pct, max_rh_pct,
			cure_hours, cure_word, yields, bulk_months, caution, note) VALUES ($1, $2, $3, $4, 'draft', $5, $6, $7, $8, $9, $10, $11, $12, $13, $14, $15, $16, nullif($17::int, 0), $18, $19)`,
		t.who.Workshop, v.ID, v.FormulaID, v.Number, v.NominalG, v.TolerancePct, v.ToleranceG, v.ExpectedLossPct, v.ReconciliationPct, v.MinC, v.MaxC, v.MinPct, v.MaxPct,
		v.CureHours, v.CureWord, v.Yields, v.BulkMonths, v.Caution, v.Note); err != nil {
		return err
	}
	return t.insertContent(ctx, v)
}

// updateVersion saves the particulars of a draft where they differ, so that moving a line leaves no trail of them.
func (t *tx) updateVersion(ctx context.Context, have, v FormulaVersion) error {
	before, after := have.particulars(), v.particulars()
	same := true
	for k := range before {
		same = same && before[k] == after[k]
	}
	if same {
		return nil
	}
	_, err := t.Exec(ctx, `UPDATE formula_version SET nominal_g = $3, tolerance_pct = $4, tolerance_g = $5, expected_loss_pct = $6, reconciliation_pct = $7, min_c = $8, max_c = $9, min_rh_pct = $10, max_rh_pct = $11,
			cure_hours = $12, cure_word = $13, yields = $14, bulk_months = nullif($15::int, 0), caution = $16, note = $17 WHERE workshop_id = $1 AND id = $2`,
		t.who.Workshop, v.ID, v.NominalG, v.TolerancePct, v.ToleranceG, v.ExpectedLossPct, v.ReconciliationPct, v.MinC, v.MaxC, v.MinPct, v.MaxPct,
		v.CureHours, v.CureWord, v.Yields, v.BulkMonths, v.Caution, v.Note)
	return err
}

// lineRefs looks up the materials and formulas that lines name.
func (t *tx) lineRefs(ctx context.Context, v FormulaVersion) (map[string]Material, map[string]FormulaID, error) {
	var materialCodes, formulaCodes []string
	for _, p := range v.Portions {
		for _, l := range p.Lines {
			materialCodes, formulaCodes = append(materialCodes, l.MaterialCode), append(formulaCodes, l.BulkFormula)
		}
	}
	materials, err := t.materialsByCode(ctx, materialCodes)
	if err != nil {
		return nil, nil, err
	}
	formulas, err := t.formulasByCode(ctx, formulaCodes)
	if err != nil {
		return nil, nil, err
	}
	var f fault.Fields
	for i, p := range v.Portions {
		for j, l := range p.Lines {
			field := fmt.Sprintf("portions.%d.lines.%d.kind", i, j)
			m, known := materials[l.MaterialCode]
			switch {
			case l.Kind == scaling.KindMaterial && !known:
				f.Add(field, fmt.Sprintf("There is no material %q.", l.MaterialCode))
			case l.Kind == scaling.KindMaterial && m.Kind == "packaging":
				f.Add(field, m.Name+" is packaging; it belongs to a product.")
			case l.Kind == scaling.KindBulk && formulas[l.BulkFormula] == FormulaID{}:
				f.Add(field, fmt.Sprintf("There is no formula %q.", l.BulkFormula))
			case l.Kind == scaling.KindBulk && formulas[l.BulkFormula] == v.FormulaID:
				f.Add(field, "A formula cannot go into itself.")
			}
		}
	}
	return materials, formulas, f.Err()
}

// insertContent stores portions, lines, steps and controls of a draft that has none.
func (t *tx) insertContent(ctx context.Context, v FormulaVersion) error {
	materials, formulas, err := t.lineRefs(ctx, v)
	if err != nil {
		return err
	}
	w := t.who.Workshop
	b := &pgx.Batch{}
	ids := make([]PortionID, len(v.Portions))
	for i, p := range v.Portions {
		ids[i] = newID[PortionID]()
		b.Queue(`INSERT INTO portion (workshop_id, id, version_id, position, name, basis, amount) VALUES ($1, $2, $3, $4, $5, $6, $7)`, w, ids[i], v.ID, i+1, p.Name, p.Basis, p.Amount)
	}
	for i, p := range v.Portions {
		for j, l := range p.Lines {
			var material *MaterialID
			var inner *PortionID
			var bulk *FormulaID
			switch l.Kind {
			case scaling.KindMaterial:
				id := materials[l.MaterialCode].ID
				material = &id
			case scaling.KindPortion:
				inner = &ids[v.portion(l.InnerPortion)]
			case scaling.KindBulk:
				id := formulas[l.BulkFormula]
				bulk = &id
			}
			low, high := decimal.NewNullDecimal(l.Low), decimal.NewNullDecimal(l.High)
			low.Valid, high.Valid = l.AsNeeded, l.AsNeeded
			b.Queue(`INSERT INTO portion_line (workshop_id, id, version_id, portion_id, position, kind, material_id, inner_portion_id, bulk_formula_id, basis, amount, as_needed, low_g, high_g, max_pct)
				VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13, $14, $15)`, w, newID[PortionLineID](), v.ID, ids[i], j+1, l.Kind, material, inner, bulk, l.Basis, l.Amount, l.AsNeeded, low, high, l.MaxPct)
		}
	}
	for i, s := range v.Steps {
		var portion *PortionID
		if at := v.portion(s.Portion); s.Portion != "" && at >= 0 {
			portion = &ids[at]
		}
		b.Queue(`INSERT INTO method_step (workshop_id, id, version_id, portion_id, position, text, caution) VALUES ($1, $2, $3, $4, $5, $6, $7)`, w, newID[StepID](), v.ID, portion, i+1, s.Text, s.Caution)
	}
	for i, c := range v.Controls {
		b.Queue(`INSERT INTO control (workshop_id, id, version_id, position, name, stage, unit, low, high, readings) VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10)`,
			w, newID[ControlID](), v.ID, i+1, c.Name, c.Stage, c.Unit, c.Low, c.High, c.Readings)
	}
	return t.SendBatch(ctx, b).Close()
}

// NewVersion begins a draft with the content of the newest version, and answers its number.
func (s *Store) NewVersion(ctx context.Context, who Who, entry Entry, code string) (int, error) {
	number, err := s.write(ctx, who, create, "", entry, func(t *tx) error {
		l, err := t.lockFormula(ctx, code)
		if err != nil {
			return err
		}
		if l.Draft != nil {
			return fault.New(fault.Conflict, fmt.Sprintf("Version %d of %s is a draft already. Go on with that one.", l.Number, code))
		}
		v, err := loadVersion(ctx, t, who.Workshop, l.Newest)
		if err != nil {
			return err
		}
		v.Number++
		t.result = strconv.Itoa(v.Number)
		return t.insertVersion(ctx, v)
	})
	var n int
	if err == nil {
		n, err = strconv.Atoi(number)
	}
	if err != nil {
		return 0, fmt.Errorf("store: new version of %q: %w", code, err)
	}
	return n, nil
}
