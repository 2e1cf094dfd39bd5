package store

import (
	"context"
	"fmt"
	"strings"

	"github.com/shopspring/decimal"

	"example.org/stillroom/internal/fault"
)

// NewReject is units that did not pass.
type NewReject struct {
	Stage  string // cut, cure_end, packing
	Reason string
	Units  int
	MassG  decimal.NullDecimal // weighed together
}

// check notes faults beside the fields of row i: reject-stage-0, reject-units-0 …
func (n NewReject) check(f *fault.Fields, i int, stages ...string) {
	at := func(name string) string { return fmt.Sprintf("reject-%s-%d", name, i) }
	known := false
	for _, s := range stages {
		known = known || s == n.Stage
	}
	if !known {
		f.Add(at("stage"), "Choose where they were rejected.")
	}
	if n.Units < 1 || n.Units > 1_000_000 {
		f.Add(at("units"), "How many? At least one.")
	}
	if strings.TrimSpace(n.Reason) == "" {
		f.Add(at("reason"), "What was wrong with them?")
	} else if len([]rune(n.Reason)) > 200 {
		f.Add(at("reason"), "At most 200 characters, please.")
	}
	if n.MassG.Valid && n.MassG.Decimal.IsNegative() {
		f.Add(at("mass"), "A mass cannot be below 0 g.")
	}
}

func (t *tx) insertReject(ctx context.Context, batch BatchID, packing *PackingID, n NewReject) (RejectID, error) {
	id := newID[RejectID]()
	_, err := t.Exec(ctx, `INSERT INTO reject (workshop_id, id, batch_id, packing_id, stage, reason, units, mass_g, happened_at, change_id) VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10)`,
		t.who.Workshop, id, batch, packing, n.Stage, strings.TrimSpace(n.Reason), n.Units, n.MassG, t.now, t.change)
	return id, err
}

// RejectUnits records units that did not pass at cutting or at the end of the cure. More than were moulded is asked
// about once, then kept with a deviation.
func (s *Store) RejectUnits(ctx context.Context, who Who, entry Entry, batch string, list []NewReject, really Really) error {
	_, err := s.write(ctx, who, create, "", entry, func(t *tx) error {
		b, err := t.openBatch(ctx, batch)
		if err != nil {
			return err
		}
		if b.Status == "making" || b.Yields == "bulk" {
			return fault.New(fault.Conflict, "No units were moulded in batch "+b.Code+" yet.")
		}
		var f fault.Fields
		if len(list) == 0 {
			f.Add("reject-units-0", "How many were rejected, and why?")
		}
		units := 0
		for i, n := range list {
			n.check(&f, i, "cut", "cure_end")
			units += n.Units
		}
		if err := f.Err(); err != nil {
			return err
		}
		record, err := loadBatch(ctx, t, who.Workshop, b.ID)
		if err != nil {
			return err
		}
		too := record.moreThanMoulded(units, b.ProductCode)
		if err := really.ask(too); err != nil {
			return err
		}
		var id RejectID
		for _, n := range list {
			if id, err = t.insertReject(ctx, b.ID, nil, n); err != nil {
				return err
			}
		}
		if len(too) > 0 {
			return t.deviate(ctx, deviant{Kind: "yield", Batch: &b.ID, About: id, What: strings.Join(too, " "), Reason: really.Reason})
		}
		return nil
	})
	if err != nil {
		return fmt.Errorf("store: reject units of %q: %w", batch, err)
	}
	return nil
}

// moreThanMoulded says that the units of all fates, with more now, exceed what was moulded. Only where all are of the
// planned product: a loaf moulded as one unit is cut into many.
func (b BatchRecord) moreThanMoulded(more int, product string) []string {
	if b.MouldedUnits == nil || product == "" || product != b.ProductCode {
		return nil
	}
	sum := more
	for _, p := range b.Packings {
		if p.ProductCode != product {
			return nil
		}
		sum += p.UnitsGood + p.UnitsRetained
	}
	for _, r := range b.Rejects {
		if !r.Replaced {
			sum += r.Units
		}
	}
	if sum <= *b.MouldedUnits {
		return nil
	}
	return []string{fmt.Sprintf("%s packed, kept back or rejected; %d moulded.", UnitCount(sum), *b.MouldedUnits)}
}

// WithdrawReject takes a mistaken entry of rejects back; it stays in the record, struck through.
func (s *Store) WithdrawReject(ctx context.Context, who Who, entry Entry, batch string, id RejectID, reason string) error {
	_, err := s.write(ctx, who, correct, reason, entry, func(t *tx) error {
		b, err := t.lockBatch(ctx, batch)
		if err != nil {
			return err
		}
		return t.withdraw(ctx, `SELECT c.person_id, c.at FROM reject e JOIN change c ON c.workshop_id = e.workshop_id AND c.id = e.change_id WHERE e.workshop_id = $1 AND e.batch_id = $2 AND e.id = $3 AND e.replaced_by IS NULL`,
			`UPDATE reject SET replaced_by = id WHERE workshop_id = $1 AND batch_id = $2 AND id = $3`, b.ID, id)
	})
	if err != nil {
		return fmt.Errorf("store: withdraw reject of %q: %w", batch, err)
	}
	return nil
}
