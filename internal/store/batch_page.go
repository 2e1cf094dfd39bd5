package store

import (
	"context"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/shopspring/decimal"

	"example.org/stillroom/internal/climate"
	"example.org/stillroom/internal/release"
)

// BatchPage is a batch with what its page says beyond the record.
type BatchPage struct {
	BatchRecord
	Yield Yield
	// Corrected tells who replaced or withdrew an input, and when.
	Corrected map[InputID]Made
	// Open counts, by code, the conditions in the way of each release that is waited for: of packings, or of bulk under
	// the batch's own code.
	Open map[string]int
	// Decided is when a packing was released or rejected, by code.
	Decided map[string]time.Time
	// CureRoom is the air over the cure, from the room's logger and from what was noted; no readings where there are
	// none.
	CureRoom climate.Summary
	// Bad are the lots in it, through every level, that were rejected or recalled.
	Bad []string
	// LeftG is what is left of bulk.
	LeftG decimal.Decimal
	// History is what happened to the batch's own row, the oldest first.
	History []RowChange
	// Codes are other codes that stand on its units, and units of other batches that bear one of its codes.
	Codes []UnitCode
}

// BatchPage reads what the page of a batch shows, by its code or that of one of its packings.
func (s *Store) BatchPage(ctx context.Context, w Workshop, code string, now time.Time) (BatchPage, error) {
	page := BatchPage{Corrected: map[InputID]Made{}, Open: map[string]int{}, Decided: map[string]time.Time{}}
	workshop := w.ID
	err := s.read(ctx, workshop, func(t pgx.Tx) error {
		list, err := queryBatches(ctx, t, `WHERE b.workshop_id = $1 AND b.id = `+batchCoded, workshop, foldBatch(code))
		if err == nil && len(list) == 0 {
			err = elsewhere(ctx, t, workshop, code)
		}
		if err != nil {
			return err
		}
		page.Batch = list[0]
		readers := append(page.entries(ctx, workshop, w.Style),
			func(t pgx.Tx) (err error) {
				page.History, err = historyOf(ctx, t, w, "batch", page.ID)
				return err
			},
			// Those below ask by what the batch itself says, and look at its entries, which stand before them.
			func(t pgx.Tx) (err error) {
				page.Yield, err = loadYield(ctx, t, workshop, &page.BatchRecord)
				return err
			},
			func(t pgx.Tx) error { return page.loadCorrected(ctx, t, workshop) },
			func(t pgx.Tx) error { return page.loadDecided(ctx, t, workshop) },
			func(t pgx.Tx) error { return page.loadBad(ctx, t, workshop) },
			func(t pgx.Tx) error { return page.loadLeft(ctx, t, workshop) },
			func(t pgx.Tx) error { return page.loadCodes(ctx, t, workshop) },
			func(t pgx.Tx) error { return page.loadRoom(ctx, t, workshop, now) })
		if err := together(ctx, t, readers...); err != nil {
			return err
		}
		return page.loadOpen(ctx, t, w)
	})
	if err != nil {
		return BatchPage{}, fmt.Errorf("store: batch page %q: %w", code, err)
	}
	return page, nil
}

func (p *BatchPage) loadBad(ctx context.Context, t pgx.Tx, workshop WorkshopID) error {
	rows, err := t.Query(ctx, badInBatch, workshop, p.ID)
	if err != nil {
		return err
	}
	p.Bad, err = pgx.CollectRows(rows, pgx.RowTo[string])
	return err
}

func (p *BatchPage) loadLeft(ctx context.Context, t pgx.Tx, workshop WorkshopID) error {
	if p.Yields != "bulk" || !p.BulkG.Valid {
		return nil
	}
	left, err := loadBulkLeft(ctx, t, workshop, p.ID)
	p.LeftG = left.LeftG
	return err
}

func (p *BatchPage) loadCodes(ctx context.Context, t pgx.Tx, workshop WorkshopID) (err error) {
	p.Codes, err = queryUnitCodes(ctx, t, `WHERE u.workshop_id = $1 AND u.id IN (SELECT y.id FROM packing x CROSS JOIN LATERAL (
			SELECT z.id FROM unit_code z WHERE z.workshop_id = $1 AND z.packing_id = x.id AND z.replaced_by IS NULL
			UNION SELECT z.id FROM unit_code z WHERE z.workshop_id = $1 AND z.code_key = x.code_key AND z.replaced_by IS NULL OFFSET 0) y
		WHERE x.workshop_id = $1 AND x.batch_id = $2) ORDER BY k.code, u.code`, workshop, p.ID)
	return err
}

func (p *BatchPage) loadCorrected(ctx context.Context, t pgx.Tx, workshop WorkshopID) error {
	rows, err := t.Query(ctx, `SELECT i.id, z.who, z.at FROM batch_input i CROSS JOIN LATERAL (`+lastChange(`'batch_input'`, `i.id`)+`) z WHERE i.workshop_id = $1 AND i.batch_id = $2 AND i.replaced_by IS NOT NULL`, workshop, p.ID)
	if err != nil {
		return err
	}
	var id InputID
	var m Made
	_, err = pgx.ForEachRow(rows, []any{&id, &m.By, &m.At}, func() error {
		p.Corrected[id] = m
		return nil
	})
	return err
}

func (p *BatchPage) loadDecided(ctx context.Context, t pgx.Tx, workshop WorkshopID) error {
	rows, err := t.Query(ctx, `SELECT code, decided_at FROM packing WHERE workshop_id = $1 AND batch_id = $2 AND decided_at IS NOT NULL`, workshop, p.ID)
	if err != nil {
		return err
	}
	var code string
	var at time.Time
	_, err = pgx.ForEachRow(rows, []any{&code, &at}, func() error {
		p.Decided[code] = at
		return nil
	})
	return err
}

func (p *BatchPage) loadOpen(ctx context.Context, t pgx.Tx, w Workshop) error {
	var waiting []Packing
	for _, k := range p.Packings {
		if k.Status == "quarantined" && (p.VersionID != nil || p.IsSet()) {
			waiting = append(waiting, k)
		}
	}
	bulk := p.Yields == "bulk" && p.Status == "quarantined"
	if len(waiting) == 0 && !bulk {
		return nil
	}
	j, err := newJudge(ctx, t, w, p.BatchRecord, waiting...)
	if err != nil {
		return err
	}
	for _, k := range waiting {
		p.Open[k.Code] = j.packing(k).Open()
	}
	if bulk {
		p.Open[p.Code] = release.Open(j.bulk())
	}
	return nil
}

func (p *BatchPage) loadRoom(ctx context.Context, t pgx.Tx, workshop WorkshopID, now time.Time) error {
	if p.CureStartedAt == nil {
		return nil
	}
	end := now
	if p.CureEndedAt != nil {
		end = *p.CureEndedAt
	}
	rows, err := t.Query(ctx, `SELECT taken_at, temperature_c::float8, humidity_pct::float8 FROM climate_reading WHERE workshop_id = $1 AND place = $2 AND taken_at BETWEEN $3 AND $4 ORDER BY taken_at`,
		workshop, p.Place, p.CureStartedAt.Add(-climate.MaxGap), end.Add(climate.MaxGap))
	if err != nil {
		return err
	}
	readings, err := pgx.CollectRows(rows, pgx.RowToStructByPos[climate.Reading])
	for _, c := range p.Climate {
		if c.Stage == "cure" && !c.Replaced {
			readings = append(readings, climate.Reading{At: c.TakenAt, TempC: c.TemperatureC.InexactFloat64(), HumidityPct: c.HumidityPct.InexactFloat64()})
		}
	}
	p.CureRoom = climate.Over(readings, *p.CureStartedAt, end, p.Limits.Room())
	return err
}
