package store

import (
	"context"
	"fmt"
	"strings"

	"github.com/jackc/pgx/v5"
	"github.com/shopspring/decimal"

	"example.org/stillroom/internal/fault"
)

// Material is a raw or packaging material.
type Material struct {
	ID           MaterialID
	Code         string
	Name         string
	Kind         string // raw or packaging
	Unit         string // g, ml or each
	INCIName     string
	CASNumber    string
	Density      decimal.NullDecimal // g per ml
	Tracked      bool
	SourceNote   string // for untracked: where it comes from
	ExpiryCounts bool
	Caution      string
	Retired      bool
}

// MaterialStock is a material with what the book says is there.
type MaterialStock struct {
	Material
	OnHand decimal.Decimal // of lots that may be used, in the material's unit
	Lots   int             // with something in them
}

const materialColumns = `m.id, m.code, m.name, m.kind, m.unit, m.inci_name, m.cas_number, m.density_g_per_ml, m.tracked, m.source_note, m.expiry_counts, m.caution, m.retired_at IS NOT NULL`

func (m *Material) fields() []any {
	return []any{&m.ID, &m.Code, &m.Name, &m.Kind, &m.Unit, &m.INCIName, &m.CASNumber, &m.Density, &m.Tracked, &m.SourceNote, &m.ExpiryCounts, &m.Caution, &m.Retired}
}

func scanMaterial(row pgx.CollectableRow) (Material, error) {
	var m Material
	err := row.Scan(m.fields()...)
	return m, err
}

// Materials lists all, raw first, by name, with stock.
func (s *Store) Materials(ctx context.Context, workshop WorkshopID) ([]MaterialStock, error) {
	var list []MaterialStock
	err := s.read(ctx, workshop, func(t pgx.Tx) error {
		rows, err := t.Query(ctx, `SELECT `+materialColumns+`, coalesce(sum(s.on_hand) FILTER (WHERE l.status = 'released' AND NOT l.recalled), 0), count(*) FILTER (WHERE s.on_hand > 0)
			FROM material m LEFT JOIN material_lot l ON l.workshop_id = m.workshop_id AND l.material_id = m.id
			LEFT JOIN lot_stock s ON s.workshop_id = l.workshop_id AND s.lot_id = l.id
			WHERE m.workshop_id = $1 GROUP BY m.workshop_id, m.id ORDER BY m.retired_at IS NOT NULL, m.kind DESC, m.name, m.code`, workshop)
		if err == nil {
			list, err = pgx.CollectRows(rows, func(row pgx.CollectableRow) (MaterialStock, error) {
				var m MaterialStock
				return m, row.Scan(append(m.fields(), &m.OnHand, &m.Lots)...)
			})
		}
		return err
	})
	if err != nil {
		return nil, fmt.Errorf("store: materials: %w", err)
	}
	return list, nil
}

// Material is one of them by its code.
func (s *Store) Material(ctx context.Context, workshop WorkshopID, code string) (Material, error) {
	var m Material
	err := s.read(ctx, workshop, func(t pgx.Tx) (err error) {
		m, err = materialByCode(ctx, t, workshop, code)
		return err
	})
	if err != nil {
		return Material{}, fmt.Errorf("store: material %q: %w", code, err)
	}
	return m, nil
}

func materialByCode(ctx context.Context, t pgx.Tx, workshop WorkshopID, code string) (Material, error) {
	rows, err := t.Query(ctx, `SELECT `+materialColumns+` FROM material m WHERE m.workshop_id = $1 AND m.code = $2`, workshop, code)
	if err != nil {
		return Material{}, err
	}
	m, err := pgx.CollectExactlyOneRow(rows, scanMaterial)
	return m, notFound(err, fmt.Sprintf("There is no material %q.", code))
}

func (m Material) check() error {
	var f fault.Fields
	checkName(&f, m.Name, "Write the material's name, up to 200 characters.")
	checkCode(&f, m.Code)
	if m.Kind != "raw" && m.Kind != "packaging" {
		f.Add("kind", "Choose raw or packaging.")
	}
	switch m.Unit {
	case "g", "each":
	case "ml":
		if m.Kind == "raw" && m.Tracked && !m.Density.Valid {
			f.Add("density", "A material kept in ml and weighed in g needs its density in g per ml.")
		}
	default:
		f.Add("unit", "Choose g, ml or each.")
	}
	if m.Density.Valid && !m.Density.Decimal.IsPositive() {
		f.Add("density", "The density is above zero.")
	}
	if !m.Tracked && strings.TrimSpace(m.SourceNote) == "" {
		f.Add("source_note", "Say where it comes from, such as the tap or the still.")
	}
	return f.Err()
}

// AddMaterial stores a material; without a code it gets its initials. It answers the code.
func (s *Store) AddMaterial(ctx context.Context, who Who, entry Entry, m Material) (string, error) {
	if err := m.check(); err != nil {
		return "", err
	}
	code, err := s.write(ctx, who, create, "", entry, func(t *tx) error {
		var err error
		if m.Code == "" {
			if m.Code, err = t.freeCode(ctx, "material", m.Name); err != nil {
				return err
			}
		}
		id := newID[MaterialID]()
		if _, err := t.Exec(ctx, `INSERT INTO material (workshop_id, id, code, name, kind, unit, inci_name, cas_number, density_g_per_ml, tracked, source_note, expiry_counts, caution, change_id)
			VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13, $14)`,
			who.Workshop, id, m.Code, m.Name, m.Kind, m.Unit, m.INCIName, m.CASNumber, m.Density, m.Tracked, m.SourceNote, m.ExpiryCounts, m.Caution, t.change); err != nil {
			if constraint(err) == "material_code_key" {
				return fault.In("code", "Another material has this code.")
			}
			return err
		}
		t.result = m.Code
		return t.indexMaterial(ctx, id, m)
	})
	if err != nil {
		return "", fmt.Errorf("store: add material %q: %w", m.Name, err)
	}
	return code, nil
}

func (t *tx) indexMaterial(ctx context.Context, id MaterialID, m Material) error {
	return t.index(ctx, "material", id, append(append(words(m.Name), words(m.INCIName)...), foldWord(m.Code))...)
}

// CorrectMaterial changes a material's particulars; its code, kind and unit stay, since lots count in them.
func (s *Store) CorrectMaterial(ctx context.Context, who Who, entry Entry, m Material, reason string) error {
	_, err := s.write(ctx, who, correct, reason, entry, func(t *tx) error {
		have, err := materialByCode(ctx, t, who.Workshop, m.Code)
		if err != nil {
			return err
		}
		m.Kind, m.Unit = have.Kind, have.Unit
		if err := m.check(); err != nil {
			return err
		}
		if _, err := t.Exec(ctx, `UPDATE material SET name = $3, inci_name = $4, cas_number = $5, density_g_per_ml = $6, tracked = $7, source_note = $8, expiry_counts = $9, caution = $10
			WHERE workshop_id = $1 AND id = $2`, who.Workshop, have.ID, m.Name, m.INCIName, m.CASNumber, m.Density, m.Tracked, m.SourceNote, m.ExpiryCounts, m.Caution); err != nil {
			return err
		}
		return t.indexMaterial(ctx, have.ID, m)
	})
	if err != nil {
		return fmt.Errorf("store: correct material %q: %w", m.Code, err)
	}
	return nil
}
