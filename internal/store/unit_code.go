package store

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"

	"example.org/stillroom/internal/day"
	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/measure"
)

// UnitCode is units of a packing that bear another code than its own.
type UnitCode struct {
	ID       UnitCodeID
	Code     string // as it stands on the units
	Packing  string // code of the packing that they are of
	Batch    string // code
	Name     string // of the product
	Kind     string // mix_up, relabelled or misprint
	Units    int    // 0 where nobody knows
	Reason   string
	NotedOn  day.Day
	Replaced bool   // taken back
	Why      string // it was taken back
	WhyBy    string
	Made
}

// How says in words how a code came onto units.
func (u UnitCode) How() string {
	switch u.Kind {
	case "mix_up":
		return "labels mixed up"
	case "relabelled":
		return "relabelled"
	}
	return "misprinted"
}

// Count says in words how many units bear it.
func (u UnitCode) Count() string {
	if u.Units == 0 {
		return "an unknown number of units"
	}
	return UnitCount(u.Units)
}

const unitCodeQuery = `SELECT u.id, u.code, k.code, b.code, r.name, u.kind, coalesce(u.units, 0), u.reason, u.noted_on, u.replaced_by IS NOT NULL, coalesce(z.reason, ''), coalesce(z.who, ''), coalesce(p.name, c.actor), c.at
	FROM unit_code u JOIN packing k ON k.workshop_id = u.workshop_id AND k.id = u.packing_id JOIN batch b ON b.workshop_id = k.workshop_id AND b.id = k.batch_id JOIN product r ON r.workshop_id = k.workshop_id AND r.id = k.product_id
	JOIN change c ON c.workshop_id = u.workshop_id AND c.id = u.change_id LEFT JOIN person p ON p.workshop_id = c.workshop_id AND p.id = c.person_id `

// queryUnitCodes reads unit codes; where names u, k (its packing), b (its batch), and the order.
func queryUnitCodes(ctx context.Context, t pgx.Tx, where string, args ...any) ([]UnitCode, error) {
	rows, err := t.Query(ctx, unitCodeQuery+`LEFT JOIN LATERAL (`+lastChange(`'unit_code'`, `u.id`)+`) z ON u.replaced_by IS NOT NULL `+where, args...)
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, func(row pgx.CollectableRow) (UnitCode, error) {
		var u UnitCode
		err := row.Scan(&u.ID, &u.Code, &u.Packing, &u.Batch, &u.Name, &u.Kind, &u.Units, &u.Reason, &u.NotedOn, &u.Replaced, &u.Why, &u.WhyBy, &u.By, &u.At)
		return u, err
	})
}

// NewUnitCode says that units of a packing bear another code.
type NewUnitCode struct {
	Packing string // code of the packing that the units are of
	Code    string // what stands on them
	Kind    string // mix_up, relabelled or misprint
	Units   int    // 0 where nobody knows
	Reason  string
	On      day.Day // zero for today
}

// check tells what cannot be; other tells that another packing or batch of the book has the code.
func (n NewUnitCode) check(style measure.Style, p Packing, today day.Day, other bool) error {
	var f fault.Fields
	switch key := foldBatch(n.Code); {
	case strings.TrimSpace(n.Code) == "" || key == "":
		f.Add("code", "What stands on them? Copy it as it is printed.")
	case len([]rune(n.Code)) > 40:
		f.Add("code", "At most 40 characters, please.")
	case key == foldBatch(p.Code):
		f.Add("code", "That is the packing's own code, look-alikes aside.")
	case !other && (n.Kind == "mix_up" || n.Kind == "relabelled"):
		f.Add("code", fmt.Sprintf("No batch and no packing has the code %q. Where it was printed wrong, choose misprinted.", n.Code))
	}
	if n.Kind != "mix_up" && n.Kind != "relabelled" && n.Kind != "misprint" {
		f.Add("kind", "Choose how it came about.")
	}
	if most := p.UnitsGood + p.UnitsRetained; n.Units < 0 || n.Units > most {
		f.Add("units", fmt.Sprintf("The packing has only %s.", UnitCount(most)))
	}
	if strings.TrimSpace(n.Reason) == "" {
		f.Add("reason", "Say how it came about; it goes into the record.")
	}
	checkWords(&f, "reason", n.Reason)
	checkHappened(&f, "noted_on", n.On, today, "Which day?")
	if !n.On.IsZero() && n.On.Before(p.PackedOn) {
		f.Add("noted_on", "They were packed only on "+style.Day(p.PackedOn)+".")
	}
	return f.Err()
}

// NoteUnitCode records that units of a packing bear another code: from then on look-up, trace and recall list know it.
// The packing's own code goes on to lead to it. Faults: code, kind, units, reason, noted_on.
func (s *Store) NoteUnitCode(ctx context.Context, who Who, entry Entry, n NewUnitCode) error {
	n.Code, n.Reason = strings.TrimSpace(n.Code), strings.TrimSpace(n.Reason)
	_, err := s.write(ctx, who, create, "", entry, func(t *tx) error {
		p, err := t.lockPacking(ctx, n.Packing)
		if err != nil {
			return err
		}
		if n.On.IsZero() {
			n.On = t.today
		}
		key := foldBatch(n.Code)
		other, err := t.codeTaken(ctx, key)
		if err != nil {
			return err
		}
		if err := n.check(t.workshop.Style, p, t.today, other); err != nil {
			return err
		}
		var there bool
		if err := t.QueryRow(ctx, `SELECT EXISTS (SELECT FROM unit_code WHERE workshop_id = $1 AND packing_id = $2 AND code_key = $3 AND replaced_by IS NULL)`, who.Workshop, p.ID, key).Scan(&there); err != nil {
			return err
		}
		if there {
			return fault.In("code", "This code is noted for the packing already. To change it, take that entry back.")
		}
		var units *int
		if n.Units > 0 {
			units = &n.Units
		}
		if _, err := t.Exec(ctx, `INSERT INTO unit_code (workshop_id, id, code, code_key, packing_id, kind, units, reason, noted_on, change_id) VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10)`,
			who.Workshop, newID[UnitCodeID](), n.Code, key, p.ID, n.Kind, units, n.Reason, n.On, t.change); err != nil {
			return err
		}
		batch, _, err := batchOfCode(ctx, t, who.Workshop, p.Code)
		if err != nil {
			return err
		}
		t.result = p.Code
		if other {
			return nil // the code is findable as that of its own batch; what else it leads to is looked up then
		}
		return t.nearCode(ctx, n.Code, batch)
	})
	if err != nil {
		return fmt.Errorf("store: note code %q on %q: %w", n.Code, n.Packing, err)
	}
	return nil
}

// WithdrawUnitCode takes a mistaken entry back; it stays in the record, struck through. Faults: reason.
func (s *Store) WithdrawUnitCode(ctx context.Context, who Who, entry Entry, packing string, id UnitCodeID, reason string) error {
	if err := checkReason(reason); err != nil {
		return err
	}
	_, err := s.write(ctx, who, correct, reason, entry, func(t *tx) error {
		p, err := t.lockPacking(ctx, packing)
		if err != nil {
			return err
		}
		var by *PersonID
		var at time.Time
		var replaced bool
		err = t.QueryRow(ctx, `SELECT c.person_id, c.at, u.replaced_by IS NOT NULL FROM unit_code u JOIN change c ON c.workshop_id = u.workshop_id AND c.id = u.change_id WHERE u.workshop_id = $1 AND u.packing_id = $2 AND u.id = $3`, who.Workshop, p.ID, id).Scan(&by, &at, &replaced)
		if errors.Is(err, pgx.ErrNoRows) {
			return fault.New(fault.NotFound, "That is not in the book of this packing.")
		}
		if err != nil {
			return err
		}
		if replaced {
			return fault.New(fault.Conflict, "This has been taken back already: nothing more is to be done.")
		}
		if err := t.mayCorrect(by, at); err != nil {
			return err
		}
		t.result = p.Code
		_, err = t.Exec(ctx, `UPDATE unit_code SET replaced_by = id WHERE workshop_id = $1 AND id = $2`, who.Workshop, id)
		return err
	})
	if err != nil {
		return fmt.Errorf("store: withdraw code on %q: %w", packing, err)
	}
	return nil
}

// UnitCodesPage is a packing with the codes on its units.
type UnitCodesPage struct {
	Packing Packing
	Own     []UnitCode // on units of this packing, taken back ones too, the oldest first
	Others  []UnitCode // units of other packings that bear this packing's code
}

// Current are the other codes that units of the packing bear.
func (p UnitCodesPage) Current() []UnitCode {
	var out []UnitCode
	for _, u := range p.Own {
		if !u.Replaced {
			out = append(out, u)
		}
	}
	return out
}

// UnitCodes reads what codes the units of a packing bear, by its own code.
func (s *Store) UnitCodes(ctx context.Context, workshop WorkshopID, packing string) (UnitCodesPage, error) {
	var page UnitCodesPage
	err := s.read(ctx, workshop, func(t pgx.Tx) (err error) {
		if page.Packing, err = packingByCode(ctx, t, workshop, packing); err != nil {
			return err
		}
		if page.Own, err = queryUnitCodes(ctx, t, `WHERE u.workshop_id = $1 AND u.packing_id = $2 ORDER BY u.id`, workshop, page.Packing.ID); err != nil {
			return err
		}
		page.Others, err = queryUnitCodes(ctx, t, `WHERE u.workshop_id = $1 AND u.code_key = $2 AND u.packing_id <> $3 AND u.replaced_by IS NULL ORDER BY k.code`, workshop, foldBatch(page.Packing.Code), page.Packing.ID)
		return err
	})
	if err != nil {
		return UnitCodesPage{}, fmt.Errorf("store: codes on %q: %w", packing, err)
	}
	return page, nil
}

// elsewhere says in words where a code leads that no batch and no packing has as its own.
func elsewhere(ctx context.Context, t pgx.Tx, workshop WorkshopID, code string) error {
	list, err := queryUnitCodes(ctx, t, `WHERE u.workshop_id = $1 AND u.code_key = $2 AND u.replaced_by IS NULL ORDER BY k.code`, workshop, foldBatch(code))
	if err != nil {
		return err
	}
	if len(list) == 0 {
		return fault.New(fault.NotFound, fmt.Sprintf("There is no batch %q.", code))
	}
	var of []string
	for _, u := range list {
		of = append(of, u.Packing)
	}
	return fault.New(fault.NotFound, fmt.Sprintf("%s is no code of a batch: it stands on units of %s (%s).", list[0].Code, strings.Join(of, " and "), list[0].How()))
}
