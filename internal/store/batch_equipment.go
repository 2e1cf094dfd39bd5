package store

import (
	"context"
	"fmt"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"

	"example.org/stillroom/internal/fault"
)

// UsedEquipment is equipment that a batch, or one packing of it, names.
type UsedEquipment struct {
	ID        UsedID
	Equipment string // code
	Name      string
	Kind      string
	Packing   string // code; empty for the making
	Clean     *bool  // looked at and clean before use; nil where nobody was asked
	Note      string
	UsedAt    time.Time
	Made
	Replaced bool
	Reason   string // why it was taken back
}

// NameUse is one piece of equipment to name.
type NameUse struct {
	Equipment string // code
	Clean     *bool
}

// BatchEquipment names what a batch used.
type BatchEquipment struct {
	Batch   string
	Packing string // code; empty for the making
	Used    []NameUse
	Note    string
	At      time.Time // zero for now
	Really  Really
}

// NameEquipment records what a batch, or one packing of it, used. What the batch names already is passed over. What is
// to be clean before use and was not is asked about once (a fault at `really`), then kept with its deviation. Faults:
// used, note, at, packing.
func (s *Store) NameEquipment(ctx context.Context, who Who, entry Entry, n BatchEquipment) error {
	_, err := s.write(ctx, who, create, "", entry, func(t *tx) error {
		b, packing, err := t.takesEquipment(ctx, n)
		if err != nil {
			return err
		}
		at, err := t.moment(n.At)
		if err != nil {
			return err
		}
		var f fault.Fields
		checkWords(&f, "note", n.Note)
		if len(n.Used) == 0 {
			f.Add("used", "Tick what was used.")
		}
		uses, dirty, err := t.gearOf(ctx, n.Used)
		if fl := fault.As(err); fl != nil {
			for _, field := range fl.Fields {
				f.Add(field.Name, field.Message)
			}
		} else if err != nil {
			return err
		}
		if err := f.Err(); err != nil {
			return err
		}
		if err := t.askAll(n.Really, dirty); err != nil {
			return err
		}
		return t.nameUses(ctx, b.ID, packing, uses, n.Note, at, n.Really.Reason)
	})
	if err != nil {
		return fmt.Errorf("store: name equipment of %q: %w", n.Batch, err)
	}
	return nil
}

// gearUse is a use to store.
type gearUse struct {
	Equipment
	clean *bool
}

func (u gearUse) dirty() bool { return u.clean != nil && !*u.clean }

// gearOf finds the equipment, all faults at `used`, and what is to be asked about first: its deviation is raised where
// the use is stored.
func (t *tx) gearOf(ctx context.Context, used []NameUse) (uses []gearUse, dirty []deviant, err error) {
	var f fault.Fields
	for _, n := range used {
		e, err := equipmentByCode(ctx, t, t.who.Workshop, n.Equipment)
		if fault.Is(err, fault.NotFound) {
			f.Add("used", fault.As(err).Message)
			continue
		}
		if err != nil {
			return nil, nil, err
		}
		u := gearUse{e, n.Clean}
		if uses = append(uses, u); u.dirty() {
			dirty = append(dirty, deviant{What: notClean(e)})
		}
	}
	return uses, dirty, f.Err()
}

// nameUses stores uses of a locked batch or packing, each with its deviation where it was not clean.
func (t *tx) nameUses(ctx context.Context, b BatchID, packing *PackingID, uses []gearUse, note string, at time.Time, reason string) error {
	for _, u := range uses {
		id, err := t.nameUse(ctx, b, packing, u.ID, u.clean, note, at)
		if err != nil {
			return err
		}
		if u.dirty() && id != (UsedID{}) {
			if err := t.deviate(ctx, deviant{Kind: "equipment", Batch: &b, Packing: packing, About: id, What: notClean(u.Equipment), Reason: reason}); err != nil {
				return err
			}
		}
	}
	return nil
}

func notClean(e Equipment) string { return e.Name + " (" + e.Code + ") was not clean before use." }

// takesEquipment locks the batch, and finds the packing, that equipment is named for: until it is decided.
func (t *tx) takesEquipment(ctx context.Context, n BatchEquipment) (Batch, *PackingID, error) {
	b, err := t.lockBatch(ctx, n.Batch)
	if err != nil {
		return b, nil, err
	}
	switch b.Status {
	case "void":
		return b, nil, fault.New(fault.Conflict, "Batch "+b.Code+" is void: it was never begun.")
	case "released", "rejected":
		return b, nil, fault.New(fault.Conflict, "Batch "+b.Code+" is "+b.Status+": what it used was decided with it.")
	}
	if n.Packing == "" {
		return b, nil, nil
	}
	var id PackingID
	var status string
	if err := t.QueryRow(ctx, `SELECT id, status FROM packing WHERE workshop_id = $1 AND batch_id = $2 AND code = $3`, t.who.Workshop, b.ID, n.Packing).Scan(&id, &status); err != nil {
		return b, nil, faultIn("packing", notFound(err, fmt.Sprintf("Batch %s has no packing %q.", b.Code, n.Packing)))
	}
	if status != "quarantined" {
		return b, nil, fault.New(fault.Conflict, "Packing "+n.Packing+" is "+status+": what it used was decided with it.")
	}
	return b, &id, nil
}

// nameUse stores one use of a locked batch, once; the zero id where it is named already.
func (t *tx) nameUse(ctx context.Context, b BatchID, packing *PackingID, e EquipmentID, clean *bool, note string, at time.Time) (UsedID, error) {
	id := newID[UsedID]()
	tag, err := t.Exec(ctx, `INSERT INTO batch_equipment (workshop_id, id, batch_id, packing_id, equipment_id, was_clean, note, happened_at, change_id)
		SELECT $1, $2, $3, $4, $5, $6, $7, $8, $9 WHERE NOT EXISTS (SELECT FROM batch_equipment WHERE workshop_id = $1 AND batch_id = $3 AND equipment_id = $5 AND packing_id IS NOT DISTINCT FROM $4 AND replaced_by IS NULL)`,
		t.who.Workshop, id, b, packing, e, clean, note, at, t.change)
	if err == nil && tag.RowsAffected() == 0 {
		id = UsedID{}
	}
	return id, err
}

// scale is the scale that something was weighed on. A retired one may still stand on the bench.
func (t *tx) scale(ctx context.Context, code string) (*EquipmentID, error) {
	if code == "" {
		return nil, nil
	}
	e, err := equipmentByCode(ctx, t, t.who.Workshop, code)
	if err != nil {
		return nil, faultIn("scale", err)
	}
	if e.Kind != "scale" {
		return nil, fault.In("scale", e.Name+" ("+e.Code+") is no scale.")
	}
	return &e.ID, nil
}

// WithdrawEquipment takes a mistaken use back; the deviation it raised is withdrawn with it. A scale stays named while
// a weighing on it stands. Faults: reason.
func (s *Store) WithdrawEquipment(ctx context.Context, who Who, entry Entry, batch string, id UsedID, reason string) error {
	_, err := s.write(ctx, who, correct, reason, entry, func(t *tx) error {
		b, err := t.lockBatch(ctx, batch)
		if err != nil {
			return err
		}
		var f fault.Fields
		if checkWords(&f, "reason", reason); f.Any() {
			return f.Err()
		}
		var weighed int
		if err := t.QueryRow(ctx, `SELECT count(*)::int FROM batch_equipment u JOIN batch_input i ON i.workshop_id = $1 AND i.batch_id = $2 AND i.scale_id = u.equipment_id AND i.replaced_by IS NULL
			WHERE u.workshop_id = $1 AND u.batch_id = $2 AND u.id = $3 AND u.packing_id IS NULL`, who.Workshop, b.ID, id).Scan(&weighed); err != nil {
			return err
		}
		if weighed > 0 {
			return fault.In("reason", plural(weighed, "weighing stands", "weighings stand")+" on this scale. Correct what it was weighed on first.")
		}
		return t.withdraw(ctx, `SELECT c.person_id, c.at FROM batch_equipment e JOIN change c ON c.workshop_id = e.workshop_id AND c.id = e.change_id WHERE e.workshop_id = $1 AND e.batch_id = $2 AND e.id = $3 AND e.replaced_by IS NULL`,
			`UPDATE batch_equipment SET replaced_by = id WHERE workshop_id = $1 AND batch_id = $2 AND id = $3`, b.ID, id)
	})
	if err != nil {
		return fmt.Errorf("store: withdraw equipment of %q: %w", batch, err)
	}
	return nil
}

// loadEquipment reads what the batch and its packings name, in order of use; what was taken back comes too, marked so.
func (b *BatchRecord) loadEquipment(ctx context.Context, t pgx.Tx, workshop WorkshopID) error {
	rows, err := t.Query(ctx, `SELECT e.id, q.code, q.name, q.kind, coalesce(k.code, ''), e.was_clean, e.note, e.happened_at, coalesce(p.name, c.actor), c.at, e.replaced_by IS NOT NULL, coalesce(z.reason, '')
		FROM batch_equipment e JOIN equipment q ON q.workshop_id = e.workshop_id AND q.id = e.equipment_id LEFT JOIN packing k ON k.workshop_id = e.workshop_id AND k.id = e.packing_id`+madeBy+`
		LEFT JOIN LATERAL (`+lastChange(`'batch_equipment'`, `e.id`)+`) z ON e.replaced_by IS NOT NULL WHERE e.workshop_id = $1 AND e.batch_id = $2 ORDER BY e.happened_at, e.id`, workshop, b.ID)
	if err != nil {
		return err
	}
	b.Equipment, err = pgx.CollectRows(rows, func(row pgx.CollectableRow) (UsedEquipment, error) {
		var u UsedEquipment
		err := row.Scan(&u.ID, &u.Equipment, &u.Name, &u.Kind, &u.Packing, &u.Clean, &u.Note, &u.UsedAt, &u.By, &u.At, &u.Replaced, &u.Reason)
		return u, err
	})
	return err
}

// EquipmentBefore is what the last batch of the same formula that names any equipment named for its making, by code.
func (s *Store) EquipmentBefore(ctx context.Context, workshop WorkshopID, batch BatchID) ([]string, error) {
	var list []string
	err := s.read(ctx, workshop, func(t pgx.Tx) error {
		rows, err := t.Query(ctx, `SELECT DISTINCT e.code FROM batch_equipment u JOIN equipment e ON e.workshop_id = $1 AND e.id = u.equipment_id
			WHERE u.workshop_id = $1 AND u.packing_id IS NULL AND u.replaced_by IS NULL AND u.batch_id = (SELECT o.id FROM batch b JOIN batch o ON o.workshop_id = $1 AND o.formula_id = b.formula_id AND o.id <> b.id AND o.status <> 'void'
				WHERE b.workshop_id = $1 AND b.id = $2 AND EXISTS (SELECT FROM batch_equipment x WHERE x.workshop_id = $1 AND x.batch_id = o.id AND x.packing_id IS NULL AND x.replaced_by IS NULL)
				ORDER BY o.made_on DESC, o.id DESC LIMIT 1) ORDER BY 1`, workshop, batch)
		if err == nil {
			list, err = pgx.CollectRows(rows, pgx.RowTo[string])
		}
		return err
	})
	if err != nil {
		return nil, fmt.Errorf("store: equipment before: %w", err)
	}
	return list, nil
}

// equipmentFacts are what a release signs of it: what was named for the making up to a moment (no moment for all of it)
// and for the packing itself.
func equipmentFacts(b BatchRecord, packing string, upTo *time.Time) []string {
	var list []string
	for _, u := range b.Equipment {
		making := u.Packing == "" && (upTo == nil || !u.UsedAt.After(*upTo))
		if !u.Replaced && (making || packing != "" && u.Packing == packing) {
			list = append(list, strings.TrimSpace(u.Equipment+" "+u.Packing))
		}
	}
	return list
}

// TakesEquipment tells whether equipment may still be named: until the batch is decided.
func (b Batch) TakesEquipment() bool {
	return b.Origin == "bench" && b.Status != "void" && b.Status != "released" && b.Status != "rejected"
}
