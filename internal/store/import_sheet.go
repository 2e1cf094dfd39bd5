package store

import (
	"bytes"
	"context"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/shopspring/decimal"

	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/interchange"
	"example.org/stillroom/internal/sheet"
)

// SheetReading is how a maker's spreadsheet is read.
type SheetReading struct {
	Sheet string `json:"sheet"` // of a workbook
	Head  int    `json:"head"`  // the row of the headings
	Comma string `json:"comma"` // of a CSV file: what divides its columns
}

// ImportOrigin is what the spreadsheet, from which a table was made, calls things.
type ImportOrigin struct {
	Labels map[string]string `json:"labels"` // by column of the table
	SHA256 string            `json:"sha256"`
}

// SheetFile is the spreadsheet as it was sent.
func (s *Store) SheetFile(ctx context.Context, workshop WorkshopID, id ImportJobID) (ImportJob, []byte, error) {
	var j ImportJob
	var data bytes.Buffer
	err := s.read(ctx, workshop, func(t pgx.Tx) (err error) {
		if j, err = importJob(ctx, t, workshop, id); err != nil {
			return err
		}
		if j.Sheet == nil {
			return fault.New(fault.NotFound, "There is no such spreadsheet.")
		}
		rows, err := t.Query(ctx, `SELECT data FROM import_chunk WHERE workshop_id = $1 AND job_id = $2 ORDER BY n`, workshop, id)
		if err != nil {
			return err
		}
		var piece []byte
		_, err = pgx.ForEachRow(rows, []any{&piece}, func() error {
			data.Write(piece)
			return nil
		})
		return err
	})
	if err == nil && int64(data.Len()) != j.Size {
		err = fault.New(fault.Conflict, "This spreadsheet was given up, or is older than a day and is no longer kept. Send it again.")
	}
	if err != nil {
		return j, nil, fmt.Errorf("store: spreadsheet %s: %w", Text(id), err)
	}
	return j, data.Bytes(), nil
}

// ReadSheet notes how a spreadsheet is to be read.
func (s *Store) ReadSheet(ctx context.Context, who Who, id ImportJobID, as SheetReading) error {
	err := s.settle(ctx, who.Workshop, func(t pgx.Tx) error {
		tag, err := t.Exec(ctx, `UPDATE import_job SET sheet = $3 WHERE workshop_id = $1 AND id = $2 AND sheet IS NOT NULL AND state = 'waiting'`, who.Workshop, id, as)
		if err == nil && tag.RowsAffected() == 0 {
			err = fault.New(fault.Conflict, "This spreadsheet was given up. Send it again.")
		}
		return err
	})
	if err != nil {
		return fmt.Errorf("store: read spreadsheet %s: %w", Text(id), err)
	}
	return nil
}

// SheetMapping is what was said the last time about a spreadsheet with the same headings.
type SheetMapping struct {
	Choices sheet.Memory
	UsedAt  time.Time
}

// SheetMapping finds it by table and set of headings; it is not found where there was none.
func (s *Store) SheetMapping(ctx context.Context, workshop WorkshopID, table string, headings [32]byte) (SheetMapping, error) {
	var m SheetMapping
	err := s.read(ctx, workshop, func(t pgx.Tx) error {
		return notFound(t.QueryRow(ctx, `SELECT choices, used_at FROM import_mapping WHERE workshop_id = $1 AND table_name = $2 AND headings_key = $3`, workshop, table, headings[:]).Scan(&m.Choices, &m.UsedAt),
			"There was no spreadsheet with these headings yet.")
	})
	if err != nil {
		return m, fmt.Errorf("store: mapping for %s: %w", table, err)
	}
	return m, nil
}

// KeepSheetMapping remembers what was said.
func (s *Store) KeepSheetMapping(ctx context.Context, who Who, table string, headings [32]byte, choices sheet.Memory) error {
	err := s.settle(ctx, who.Workshop, func(t pgx.Tx) error {
		_, err := t.Exec(ctx, `INSERT INTO import_mapping (workshop_id, table_name, headings_key, choices, used_by) VALUES ($1, $2, $3, $4, $5)
			ON CONFLICT (workshop_id, table_name, headings_key) DO UPDATE SET choices = EXCLUDED.choices, used_by = EXCLUDED.used_by, used_at = clock_timestamp()`, who.Workshop, table, headings[:], choices, who.Person)
		return err
	})
	if err != nil {
		return fmt.Errorf("store: keep mapping for %s: %w", table, err)
	}
	return nil
}

// codeTables are where the codes of an interchange table stand that may be made.
var codeTables = map[string]string{
	"suppliers": "supplier", "customers": "customer", "materials": "material", "material_lots": "material_lot", "products": "product",
	"dispatches": "dispatch", "returns": "unit_return", "unit_moves": "unit_move", "stock_moves": "stock_move",
}

// namedColumns are columns that hold the code of something with a name, which makers write in its place.
var namedColumns = map[string]string{"supplier": "supplier", "customer": "customer", "material": "material", "product": "product"}

// SheetFacts are what the book says that a spreadsheet of a table is held to. Codes that are made begin with prefix.
func (s *Store) SheetFacts(ctx context.Context, workshop Workshop, table interchange.Table, prefix string) (sheet.Facts, error) {
	f := sheet.Facts{Zone: workshop.Location(), Kept: map[string]sheet.Kept{}, Codes: map[string]map[string]string{}, Next: 1}
	err := s.read(ctx, workshop.ID, func(t pgx.Tx) error {
		for _, c := range table.Columns {
			if of := namedColumns[c.Name]; of != "" {
				f.Codes[c.Name] = map[string]string{}
				if err := called(ctx, t, workshop.ID, of, f.Codes[c.Name]); err != nil {
					return err
				}
			}
		}
		if err := keptIn(ctx, t, workshop.ID, table.Name, f.Kept); err != nil {
			return err
		}
		if of := codeTables[table.Name]; of != "" && prefix != "" {
			// A number of more figures is no count that somebody keeps.
			return t.QueryRow(ctx, `SELECT coalesce(max(substr(code, length($2) + 1)::bigint), 0) + 1 FROM `+of+`
				WHERE workshop_id = $1 AND starts_with(code, $2) AND substr(code, length($2) + 1) ~ '^[0-9]{1,9}$'`, workshop.ID, prefix).Scan(&f.Next)
		}
		return nil
	})
	if err != nil {
		return f, fmt.Errorf("store: facts for %s: %w", table.Name, err)
	}
	return f, nil
}

func called(ctx context.Context, t pgx.Tx, workshop WorkshopID, of string, codes map[string]string) error {
	rows, err := t.Query(ctx, `SELECT code, name FROM `+of+` WHERE workshop_id = $1 ORDER BY code`, workshop)
	if err != nil {
		return err
	}
	var code, name string
	_, err = pgx.ForEachRow(rows, []any{&code, &name}, func() error {
		sheet.Called(codes, code, name)
		return nil
	})
	return err
}

// keptIn reads what materials are counted in, by their own code or by those of their lots.
func keptIn(ctx context.Context, t pgx.Tx, workshop WorkshopID, table string, kept map[string]sheet.Kept) error {
	query := `SELECT l.code, m.unit, m.density_g_per_ml FROM material_lot l JOIN material m ON m.workshop_id = $1 AND m.id = l.material_id WHERE l.workshop_id = $1`
	switch table {
	case "material_lots":
		query = `SELECT code, unit, density_g_per_ml FROM material WHERE workshop_id = $1`
	case "lot_inputs", "batch_inputs", "packing_inputs", "stock_moves":
	default:
		return nil
	}
	rows, err := t.Query(ctx, query, workshop)
	if err != nil {
		return err
	}
	var code, unit string
	var density decimal.NullDecimal
	_, err = pgx.ForEachRow(rows, []any{&code, &unit, &density}, func() error {
		kept[code] = sheet.Kept{Unit: unit, Density: density}
		return nil
	})
	return err
}
