package store

import (
	"context"
	"errors"
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
	IsLabel      bool // packaging that is a label: what a packing takes of it counts its labels
	Caution      string
	Retired      bool   // not bought any more: left out of lists to choose from
	Seen         string // for a correction, Entered.Seen of the page it was written on; empty is not compared
}

// MaterialStock is a material with what the book says is there.
type MaterialStock struct {
	Material
	OnHand decimal.Decimal // of lots that may be used, in the material's unit
	Lots   int             // with something in them
}

const materialColumns = `m.id, m.code, m.name, m.kind, m.unit, m.inci_name, m.cas_number, m.density_g_per_ml, m.tracked, m.source_note, m.expiry_counts, coalesce(m.is_label, false), m.caution, m.retired_at IS NOT NULL`

func (m *Material) fields() []any {
	return []any{&m.ID, &m.Code, &m.Name, &m.Kind, &m.Unit, &m.INCIName, &m.CASNumber, &m.Density, &m.Tracked, &m.SourceNote, &m.ExpiryCounts, &m.IsLabel, &m.Caution, &m.Retired}
}

func scanMaterial(row pgx.CollectableRow) (Material, error) {
	var m Material
	err := row.Scan(m.fields()...)
	return m, err
}

// materialStock is a material with the sum of its lots that may be used today and the count of those with something
// in them. Each material's lots are summed in one block, so that a page costs its own materials only.
const materialStock = `SELECT ` + materialColumns + `, k.on_hand, k.lots FROM material m CROSS JOIN LATERAL (
	SELECT coalesce(sum(s.on_hand) FILTER (WHERE l.status = 'released' AND NOT l.recalled AND cardinality(` + tubHolds + `) = 0
			AND (l.expires_on IS NULL OR l.expires_on >= (transaction_timestamp() AT TIME ZONE (SELECT w.zone FROM workshop w WHERE w.id = $1))::date)), 0) AS on_hand,
		count(*) FILTER (WHERE s.on_hand > 0) AS lots
	FROM material_lot l JOIN lot_stock s ON s.workshop_id = l.workshop_id AND s.lot_id = l.id WHERE l.workshop_id = m.workshop_id AND l.material_id = m.id OFFSET 0) k `

func queryStock(ctx context.Context, t pgx.Tx, where string, args ...any) ([]MaterialStock, error) {
	rows, err := t.Query(ctx, materialStock+where, args...)
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, func(row pgx.CollectableRow) (MaterialStock, error) {
		var m MaterialStock
		return m, row.Scan(append(m.fields(), &m.OnHand, &m.Lots)...)
	})
}

// Materials lists all, raw first, by name, with stock; those not bought any more come last.
func (s *Store) Materials(ctx context.Context, workshop WorkshopID) ([]MaterialStock, error) {
	var list []MaterialStock
	err := s.read(ctx, workshop, func(t pgx.Tx) (err error) {
		list, err = queryStock(ctx, t, `WHERE m.workshop_id = $1 ORDER BY m.retired_at IS NOT NULL, m.kind DESC, m.name, m.code`, workshop)
		return err
	})
	if err != nil {
		return nil, fmt.Errorf("store: materials: %w", err)
	}
	return list, nil
}

// materialsAPage is how many materials a page lists.
const materialsAPage = 100

// MaterialList is a page of the materials by name, those not bought any more last, and the code that the next page
// begins behind, empty for none. after is that code of the page before, or empty.
func (s *Store) MaterialList(ctx context.Context, workshop WorkshopID, after string) (list []MaterialStock, next string, err error) {
	err = s.read(ctx, workshop, func(t pgx.Tx) error {
		var from Material
		if err := boundary(ctx, t, workshop, after, `SELECT retired_at IS NOT NULL, name, code FROM material WHERE workshop_id = $1 AND code = $2`, &from.Retired, &from.Name, &from.Code); err != nil {
			return err
		}
		var err error
		list, err = queryStock(ctx, t, `WHERE m.workshop_id = $1 AND m.id = ANY (ARRAY (SELECT x.id FROM material x WHERE x.workshop_id = $1
			AND (x.retired_at IS NOT NULL, x.name, x.code) > ($2, $3, $4) ORDER BY x.retired_at IS NOT NULL, x.name, x.code LIMIT $5))
			ORDER BY m.retired_at IS NOT NULL, m.name, m.code`, workshop, from.Retired, from.Name, from.Code, materialsAPage+1)
		return err
	})
	if err != nil {
		return nil, "", fmt.Errorf("store: material list: %w", err)
	}
	list, next = cut(list, materialsAPage, func(m MaterialStock) string { return m.Code })
	return list, next, nil
}

// TrackedMaterials are those that lots are received of, by name.
func (s *Store) TrackedMaterials(ctx context.Context, workshop WorkshopID) ([]Material, error) {
	var list []Material
	err := s.read(ctx, workshop, func(t pgx.Tx) error {
		rows, err := t.Query(ctx, `SELECT `+materialColumns+` FROM material m WHERE m.workshop_id = $1 AND m.tracked AND m.retired_at IS NULL ORDER BY m.name, m.code`, workshop)
		if err == nil {
			list, err = pgx.CollectRows(rows, scanMaterial)
		}
		return err
	})
	if err != nil {
		return nil, fmt.Errorf("store: tracked materials: %w", err)
	}
	return list, nil
}

// MaterialPage is a material with its lots and what was changed in its particulars.
type MaterialPage struct {
	MaterialStock
	InStock     []Lot  // with something in them, as they are taken: the opened one first, then first-expired; a page of them
	NextInStock string // code of the lot that the next page of InStock begins behind, empty for none
	UsedUp      []Lot  // the newest first, a page of them
	NextUsedUp  string
	SafetySheet *Document // the newest safety data sheet that came with a lot
	History     []RowChange
	Entered     Entered
}

// takenOrder is the order in which lots l of a material are taken; never is later than any date.
const takenOrder = `l.opened_on IS NULL, coalesce(l.expires_on, 'infinity'), l.received_on, l.code`

// MaterialPage reads one material's page; stockAfter and usedAfter are the codes of the lots that the pages of lots in
// stock and of used-up lots begin behind, or empty.
func (s *Store) MaterialPage(ctx context.Context, workshop WorkshopID, code, stockAfter, usedAfter string) (MaterialPage, error) {
	var page MaterialPage
	err := s.read(ctx, workshop, func(t pgx.Tx) error {
		list, err := queryStock(ctx, t, `WHERE m.workshop_id = $1 AND m.code = $2`, workshop, code)
		if err == nil && len(list) == 0 {
			err = fault.New(fault.NotFound, fmt.Sprintf("There is no material %q.", code))
		}
		if err != nil {
			return err
		}
		page.MaterialStock = list[0]
		lots, err := queryLots(ctx, t, `WHERE l.workshop_id = $1 AND l.material_id = $2 AND s.on_hand > 0
			AND coalesce((`+takenOrder+`) > (SELECT `+takenOrder+` FROM material_lot l WHERE l.workshop_id = $1 AND l.code = $3), true) ORDER BY `+takenOrder+` LIMIT $4`, workshop, page.ID, stockAfter, lotsAPage+1)
		if err != nil {
			return err
		}
		page.InStock, page.NextInStock = cut(lots, lotsAPage, lotCode)
		on, after, err := lotAfter(ctx, t, workshop, usedAfter)
		if err != nil {
			return err
		}
		lots, err = queryLots(ctx, t, `WHERE l.workshop_id = $1 AND l.material_id = $2 AND s.on_hand <= 0 AND (l.received_on, l.code) < ($3, $4)
			ORDER BY l.received_on DESC, l.code DESC LIMIT $5`, workshop, page.ID, on, after, lotsAPage+1)
		if err != nil {
			return err
		}
		page.UsedUp, page.NextUsedUp = cut(lots, lotsAPage, lotCode)
		sheets, err := documents(ctx, t, workshop, `d.id = (SELECT x.id FROM material_lot l JOIN document x ON x.workshop_id = l.workshop_id AND x.lot_id = l.id
			WHERE l.workshop_id = $1 AND l.material_id = $2 AND x.kind = 'safety_data_sheet' ORDER BY x.id DESC LIMIT 1)`, page.ID)
		if err != nil {
			return err
		}
		if len(sheets) > 0 {
			page.SafetySheet = &sheets[0]
		}
		if page.Entered, err = entered(ctx, t, workshop, "material", page.ID); err != nil {
			return err
		}
		page.History, err = history(ctx, t, workshop, "material", page.ID)
		return err
	})
	if err != nil {
		return MaterialPage{}, fmt.Errorf("store: material page %q: %w", code, err)
	}
	return page, nil
}

// LastSupplier is the code of who delivered a material last, empty where nobody is known.
func (s *Store) LastSupplier(ctx context.Context, workshop WorkshopID, material MaterialID) (string, error) {
	var code string
	err := s.read(ctx, workshop, func(t pgx.Tx) error {
		return t.QueryRow(ctx, `SELECT coalesce((SELECT p.code FROM material_lot l JOIN supplier p ON p.workshop_id = l.workshop_id AND p.id = l.supplier_id
			WHERE l.workshop_id = $1 AND l.material_id = $2 ORDER BY l.received_on DESC, l.code DESC LIMIT 1), '')`, workshop, material).Scan(&code)
	})
	if err != nil {
		return "", fmt.Errorf("store: last supplier: %w", err)
	}
	return code, nil
}

func materialByCode(ctx context.Context, t pgx.Tx, workshop WorkshopID, code string) (Material, error) {
	rows, err := t.Query(ctx, `SELECT `+materialColumns+` FROM material m WHERE m.workshop_id = $1 AND m.code = $2`, workshop, code)
	if err != nil {
		return Material{}, err
	}
	m, err := pgx.CollectExactlyOneRow(rows, scanMaterial)
	return m, notFound(err, fmt.Sprintf("There is no material %q.", code))
}

// Check tells everything at once that cannot be right in a material's particulars. Faults are beside name, code, kind,
// unit, density, source_note, inci_name, cas_number and caution.
func (m Material) Check() error {
	var f fault.Fields
	checkName(&f, m.Name, "Write the material's name, up to 200 characters.")
	checkCode(&f, m.Code)
	if m.Kind != "raw" && m.Kind != "packaging" {
		f.Add("kind", "Choose raw material or packaging.")
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
		f.Add("density", "The density has to be more than 0.")
	}
	if !m.Tracked && strings.TrimSpace(m.SourceNote) == "" {
		f.Add("source_note", "Say where it comes from, such as the tap or the still.")
	}
	checkLength(&f, "source_note", m.SourceNote, 200)
	checkLength(&f, "inci_name", m.INCIName, 200)
	checkLength(&f, "cas_number", m.CASNumber, 80)
	checkLength(&f, "caution", m.Caution, 1000)
	return f.Err()
}

// AddMaterial stores a material; without a code it gets its initials. It answers the code.
func (s *Store) AddMaterial(ctx context.Context, who Who, entry Entry, m Material) (string, error) {
	if err := m.Check(); err != nil {
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
		if _, err := t.Exec(ctx, `INSERT INTO material (workshop_id, id, code, name, kind, unit, inci_name, cas_number, density_g_per_ml, tracked, source_note, expiry_counts, caution, change_id, is_label)
			VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13, $14, $15)`,
			who.Workshop, id, m.Code, m.Name, m.Kind, m.Unit, m.INCIName, m.CASNumber, m.Density, m.Tracked, m.SourceNote, m.ExpiryCounts, m.Caution, t.change, m.IsLabel); err != nil {
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

// CorrectMaterial changes a material's particulars; its code, kind and unit stay, since lots count in them. Retired
// takes it out of the lists to choose from.
func (s *Store) CorrectMaterial(ctx context.Context, who Who, entry Entry, m Material, reason string) error {
	_, err := s.write(ctx, who, correct, reason, entry, func(t *tx) error {
		if _, err := t.Exec(ctx, `SELECT FROM material WHERE workshop_id = $1 AND code = $2 FOR NO KEY UPDATE`, who.Workshop, m.Code); err != nil {
			return err
		}
		have, err := materialByCode(ctx, t, who.Workshop, m.Code)
		if err != nil {
			return err
		}
		if err := mayCorrectRow(ctx, t, "material", have.ID, m.Seen); err != nil {
			return err
		}
		m.Kind, m.Unit = have.Kind, have.Unit
		if err := m.Check(); err != nil {
			return err
		}
		if have.Tracked && !m.Tracked {
			if err := t.noStockOf(ctx, have); err != nil {
				return err
			}
		}
		if _, err := t.Exec(ctx, `UPDATE material SET name = $3, inci_name = $4, cas_number = $5, density_g_per_ml = $6, tracked = $7, source_note = $8, expiry_counts = $9, caution = $10,
				retired_at = CASE WHEN $11 THEN coalesce(retired_at, $12) END, is_label = $13
			WHERE workshop_id = $1 AND id = $2`, who.Workshop, have.ID, m.Name, m.INCIName, m.CASNumber, m.Density, m.Tracked, m.SourceNote, m.ExpiryCounts, m.Caution, m.Retired, t.now, m.IsLabel); err != nil {
			return err
		}
		return t.indexMaterial(ctx, have.ID, m)
	})
	if err != nil {
		return fmt.Errorf("store: correct material %q: %w", m.Code, err)
	}
	return nil
}

// noStockOf refuses to stop tracking a material while the book holds some of it: the lots would be there unseen.
func (t *tx) noStockOf(ctx context.Context, m Material) error {
	var code string
	err := t.QueryRow(ctx, `SELECT l.code FROM material_lot l JOIN lot_stock s ON s.workshop_id = l.workshop_id AND s.lot_id = l.id
		WHERE l.workshop_id = $1 AND l.material_id = $2 AND s.on_hand > 0 ORDER BY l.code LIMIT 1`, t.who.Workshop, m.ID).Scan(&code)
	if errors.Is(err, pgx.ErrNoRows) {
		return nil
	}
	if err != nil {
		return err
	}
	return fault.In("tracked", "The book still holds some of it in lot "+code+". Count it to zero first.")
}
