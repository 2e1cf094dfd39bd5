package store

import (
	"context"
	"fmt"
	"strings"

	"github.com/shopspring/decimal"

	"example.org/stillroom/internal/access"
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
// planned product, and what was moulded are units of it: a loaf moulded as one is cut into many.
func (b BatchRecord) moreThanMoulded(more int, product string) []string {
	if product != b.ProductCode || !b.countable() {
		return nil
	}
	sum := more
	for _, p := range b.Packings {
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

// RejectBatch ends a batch that will not be packed or released. What was packed of it and waits is rejected with it, each
// packing signed for by itself with the same password: without packings that wait no password is asked. Faults: reason,
// password.
func (s *Store) RejectBatch(ctx context.Context, who Who, entry Entry, batch, password, reason string) error {
	if err := checkReason(reason); err != nil {
		return err
	}
	if who.Actor == "person" && !access.May(who.Role, access.Decide) {
		return fault.New(fault.Forbidden, "Only a maker or the owner rejects a batch. Note what is off, and ask one.")
	}
	// The password is looked at before the transaction: hashing holds no locks. What waits may change until then, so it
	// is asked for again under the lock.
	confirmed := password != ""
	if confirmed {
		if err := s.maySign(ctx, who, password); err != nil {
			return err
		}
	}
	_, err := s.write(ctx, who, correct, reason, entry, func(t *tx) error {
		b, err := t.lockBatch(ctx, batch)
		if err != nil {
			return err
		}
		if b.Status == "void" || b.Status == "rejected" || b.Status == "released" {
			return fault.New(fault.Conflict, "Batch "+batch+" is "+b.Status+" already.")
		}
		if err := t.rejectWaiting(ctx, b, confirmed, reason); err != nil {
			return err
		}
		_, err = t.Exec(ctx, `UPDATE batch SET status = 'rejected' WHERE workshop_id = $1 AND id = $2`, who.Workshop, b.ID)
		return err
	})
	if err != nil {
		return fmt.Errorf("store: reject %q: %w", batch, err)
	}
	return nil
}

// rejectWaiting signs the packings of a locked batch that wait out of quarantine as rejected.
func (t *tx) rejectWaiting(ctx context.Context, b Batch, confirmed bool, reason string) error {
	list, err := queryPackings(ctx, t, `WHERE p.workshop_id = $1 AND p.batch_id = $2 AND p.status = 'quarantined' ORDER BY p.n`, t.who.Workshop, b.ID)
	if err != nil || len(list) == 0 {
		return err
	}
	if t.who.Actor == "person" && !confirmed {
		return fault.In("password", plural(len(list), "packing of it waits and is", "packings of it wait and are")+" rejected with it: sign with your password.")
	}
	if t.who.Person == (PersonID{}) {
		return fault.New(fault.Forbidden, "A rejection is signed by a person.")
	}
	ids := make([]PackingID, len(list))
	for i, p := range list {
		ids[i] = p.ID
	}
	locked, err := t.lockPackings(ctx, ids)
	if err != nil {
		return err
	}
	for _, id := range ids {
		r, err := loadPacking(ctx, t, t.who.Workshop, locked[id])
		if err != nil {
			return err
		}
		if _, err := t.decidePacking(ctx, r, "rejected", reason); err != nil {
			return err
		}
	}
	return nil
}
