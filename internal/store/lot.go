package store

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/shopspring/decimal"

	"example.org/stillroom/internal/access"
	"example.org/stillroom/internal/batchcode"
	"example.org/stillroom/internal/day"
	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/measure"
	"example.org/stillroom/internal/quantity"
)

// Lot is one delivery of one material, or a tub filled from others, with its ledger summed.
type Lot struct {
	ID           LotID
	Code         string
	Material     Material
	SupplierCode string
	SupplierName string
	SupplierLot  string
	ReceivedOn   day.Day
	ExpiresOn    day.Day
	RetestOn     day.Day
	Quantity     decimal.Decimal
	Typed        string              // the amount as written on the delivery, where that was in another unit: "5 lb"
	UnitCost     decimal.NullDecimal // of one g, ml or piece
	DeliveryNote string
	Status       string // quarantined, released, rejected
	Recalled     bool
	OpenedOn     day.Day
	EmptiedOn    day.Day
	OnHand       decimal.Decimal
	Drawn        decimal.Decimal
	Moved        decimal.Decimal
	Tub          string   // what the maker calls the tub it stands in, for a lot filled from others
	WashedOn     day.Day  // the tub was emptied and washed: its name is free again
	Holds        []string // codes of rejected or recalled lots that a tub holds, at any depth: it may not be used either
	FailedTest   bool     // it did not pass when it was last looked at again
}

// Fit tells whether the lot may be planned with on a day.
func (l Lot) Fit(on day.Day) bool {
	return l.Status == "released" && !l.Recalled && len(l.Holds) == 0 && (l.ExpiresOn.IsZero() || !l.ExpiresOn.Before(on))
}

// RetestDue tells whether the day by which the lot is looked at again is past: it may be used, and its page warns.
func (l Lot) RetestDue(on day.Day) bool { return !l.RetestOn.IsZero() && l.RetestOn.Before(on) }

const lotColumns = `l.id, l.code, l.supplier_lot, l.received_on, l.expires_on, l.retest_on, l.quantity, coalesce(l.typed, ''), l.unit_cost, l.delivery_note, l.status, l.recalled, l.opened_on, l.emptied_on,
	coalesce(p.code, ''), coalesce(p.name, ''), s.on_hand, s.drawn, s.moved, coalesce(l.tub, ''), l.washed_on, ` + tubHolds + `, ` + testFailed + `, ` + materialColumns

// tubHolds are the codes of rejected and recalled lots in a tub l, through every level; for a delivery it is empty and
// costs nothing.
const tubHolds = `CASE WHEN l.quantity > 0 THEN '{}'::text[] ELSE ARRAY (WITH RECURSIVE held (id) AS (
		SELECT i.source_lot_id FROM lot_input i WHERE i.workshop_id = l.workshop_id AND i.lot_id = l.id AND i.replaced_by IS NULL
		UNION SELECT f.source_lot_id FROM held h CROSS JOIN LATERAL (
			SELECT i.source_lot_id FROM lot_input i WHERE i.workshop_id = l.workshop_id AND i.lot_id = h.id AND i.replaced_by IS NULL OFFSET 0) f)
	SELECT x.code FROM held h JOIN material_lot x ON x.workshop_id = l.workshop_id AND x.id = h.id WHERE x.recalled OR x.status = 'rejected' ORDER BY x.code) END`

const testFailed = `coalesce((SELECT NOT r.passed FROM lot_retest r WHERE r.workshop_id = l.workshop_id AND r.lot_id = l.id AND r.replaced_by IS NULL ORDER BY r.done_on DESC, r.id DESC LIMIT 1), false)`

// lotFrom sums the ledgers of the lots that are asked for and of no others: OFFSET keeps the planner from summing all of
// them first, which with a few hundred lots looks no dearer to it.
const lotFrom = ` FROM material_lot l` + lotJoins

// lotJoins are what lotColumns reads beside the lot l.
const lotJoins = ` JOIN material m ON m.workshop_id = l.workshop_id AND m.id = l.material_id
	LEFT JOIN supplier p ON p.workshop_id = l.workshop_id AND p.id = l.supplier_id
	CROSS JOIN LATERAL (SELECT x.on_hand, x.drawn, x.moved FROM lot_stock x WHERE x.workshop_id = l.workshop_id AND x.lot_id = l.id OFFSET 0) s `

func scanLot(row pgx.CollectableRow) (Lot, error) {
	var l Lot
	return l, row.Scan(l.fields()...)
}

func (l *Lot) fields() []any {
	return append([]any{&l.ID, &l.Code, &l.SupplierLot, &l.ReceivedOn, &l.ExpiresOn, &l.RetestOn, &l.Quantity, &l.Typed, &l.UnitCost, &l.DeliveryNote, &l.Status, &l.Recalled, &l.OpenedOn, &l.EmptiedOn,
		&l.SupplierCode, &l.SupplierName, &l.OnHand, &l.Drawn, &l.Moved, &l.Tub, &l.WashedOn, &l.Holds, &l.FailedTest}, l.Material.fields()...)
}

func queryLots(ctx context.Context, t pgx.Tx, where string, args ...any) ([]Lot, error) {
	rows, err := t.Query(ctx, `SELECT `+lotColumns+lotFrom+where, args...)
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, scanLot)
}

// lotsAPage is how many lots a page lists; the next page begins behind the last one's day and code.
const lotsAPage = 50

func lotCode(l Lot) string { return l.Code }

// lotAfter is the boundary of a page of lots: where the list of the newest first goes on. Without a code it is the
// beginning, before every day.
func lotAfter(ctx context.Context, t pgx.Tx, workshop WorkshopID, code string) (on day.Day, after string, err error) {
	on, after = lastDay, "\U0010FFFF"
	err = boundary(ctx, t, workshop, code, `SELECT received_on, code FROM material_lot WHERE workshop_id = $1 AND code = $2`, &on, &after)
	return on, after, err
}

// LotsToWatch is a page of at most limit lots with something in them that wait in quarantine, expire within the workshop's days,
// or are past their expiry or retest date, and the code that the next page begins behind.
func (s *Store) LotsToWatch(ctx context.Context, workshop WorkshopID, until day.Day, after string, limit int) (list []Lot, next string, err error) {
	err = s.read(ctx, workshop, func(t pgx.Tx) (err error) {
		list, err = lotsToWatch(ctx, t, workshop, until, after, limit+1)
		return err
	})
	if err != nil {
		return nil, "", fmt.Errorf("store: lots to watch: %w", err)
	}
	list, next = cut(list, limit, lotCode)
	return list, next, nil
}

// watchOrder puts lots that wait in quarantine first, then the first to be out of date; never is later than any date.
const watchOrder = `l.status <> 'quarantined', coalesce(least(l.expires_on, l.retest_on), 'infinity'), l.code`

func lotsToWatch(ctx context.Context, t pgx.Tx, workshop WorkshopID, until day.Day, after string, most int) ([]Lot, error) {
	return queryLots(ctx, t, `WHERE l.workshop_id = $1 AND l.status <> 'rejected' AND l.emptied_on IS NULL AND s.on_hand > 0
		AND (l.status = 'quarantined' OR l.expires_on <= $2 OR l.retest_on <= $2)
		AND coalesce((`+watchOrder+`) > (SELECT `+watchOrder+` FROM material_lot l WHERE l.workshop_id = $1 AND l.code = $4), true)
		ORDER BY `+watchOrder+` LIMIT $3`, workshop, until, most, after)
}

// LotEntry is one line of a lot's ledger.
type LotEntry struct {
	ID       RowID
	On       day.Day
	Quantity decimal.Decimal // signed, in the material's unit
	What     string          // received, drawn, packed, into, from, adjusted, written off, more than recorded
	Code     string          // of the batch, packing or lot
	Note     string
	Who      string
	At       time.Time
	Replaced bool
}

// ledgerAPage is how many entries a page of a ledger lists.
const ledgerAPage = 100

// LotPage is a lot with its ledger, papers, deviations, and what was changed in it.
type LotPage struct {
	Lot
	FilledFrom []Filling  // for a tub: what was filled in, the first first
	WentInto   []Filling  // tubs that were filled from it
	HeldIn     []Lot      // tubs that it is in, or was in until they were washed, through every level
	Deliveries []Lot      // of the same supplier's lot, this one among them, in the order in which they came
	Retests    []Retest   // when it was looked at again, the latest first
	Entries    []LotEntry // a page of the ledger, the oldest first
	Next       string     // id of the entry that the next page begins behind, empty for none
	Documents  []Document
	Deviations []Deviation // about the lot, or raised by a correction of it
	History    []RowChange
	Entered    Entered
}

// Lot reads one lot's page, with the first page of its ledger.
func (s *Store) Lot(ctx context.Context, workshop WorkshopID, code string) (LotPage, error) {
	return s.LotAfter(ctx, workshop, code, "")
}

// LotAfter is Lot with the page of its ledger that begins behind the entry of an id.
func (s *Store) LotAfter(ctx context.Context, workshop WorkshopID, code, after string) (LotPage, error) {
	var page LotPage
	err := s.read(ctx, workshop, func(t pgx.Tx) (err error) {
		if page.Lot, err = lotByCode(ctx, t, workshop, code); err != nil {
			return err
		}
		if page.Entries, page.Next, err = lotLedger(ctx, t, workshop, page.ID, after); err != nil {
			return err
		}
		if page.Documents, err = documents(ctx, t, workshop, `d.lot_id = $2`, page.ID); err != nil {
			return err
		}
		if err := page.fillings(ctx, t, workshop); err != nil {
			return err
		}
		if page.Deliveries, err = queryLots(ctx, t, `WHERE l.workshop_id = $1 AND l.supplier_lot_key <> '' AND (l.supplier_id, l.supplier_lot_key) = (SELECT o.supplier_id, o.supplier_lot_key FROM material_lot o WHERE o.workshop_id = $1 AND o.id = $2)
			ORDER BY l.received_on, l.code`, workshop, page.ID); err != nil {
			return err
		}
		if page.Retests, err = retestsOf(ctx, t, workshop, page.ID); err != nil {
			return err
		}
		if page.Deviations, err = queryDeviations(ctx, t, `WHERE d.workshop_id = $1 AND (d.lot_id = $2 OR d.about_id = $2) ORDER BY d.n`, workshop, page.ID); err != nil {
			return err
		}
		if page.Entered, err = entered(ctx, t, workshop, "material_lot", page.ID); err != nil {
			return err
		}
		page.History, err = history(ctx, t, workshop, "material_lot", page.ID)
		return err
	})
	if err != nil {
		return LotPage{}, fmt.Errorf("store: lot %q: %w", code, err)
	}
	return page, nil
}

// lotLedger reads a page of a lot's ledger in the order in which it was recorded; of what was recorded at once, as an
// import is, in the order of its days, and what came in before what went out.
func lotLedger(ctx context.Context, t pgx.Tx, workshop WorkshopID, lot LotID, after string) ([]LotEntry, string, error) {
	var behind *RowID
	if id, err := ParseID[RowID](after); err == nil {
		behind = &id
	}
	rows, err := t.Query(ctx, `WITH e AS (
			SELECT l.id, l.received_on AS happened_on, l.quantity, 'received' AS what, '' AS code, l.delivery_note AS note, l.change_id, false AS replaced
			  FROM material_lot l WHERE l.workshop_id = $1 AND l.id = $2 AND l.quantity > 0
			UNION ALL SELECT i.id, (coalesce(i.happened_at, b.made_at) AT TIME ZONE $3)::date, -i.quantity, 'drawn', b.code, '', i.change_id, i.replaced_by IS NOT NULL
			  FROM batch_input i JOIN batch b ON b.workshop_id = i.workshop_id AND b.id = i.batch_id WHERE i.workshop_id = $1 AND i.material_lot_id = $2
			UNION ALL SELECT i.id, k.packed_on, -i.quantity, 'packed', k.code, '', i.change_id, i.replaced_by IS NOT NULL
			  FROM packing_input i JOIN packing k ON k.workshop_id = i.workshop_id AND k.id = i.packing_id WHERE i.workshop_id = $1 AND i.material_lot_id = $2
			UNION ALL SELECT i.id, i.happened_on, -i.quantity, 'into', o.code, '', i.change_id, i.replaced_by IS NOT NULL
			  FROM lot_input i JOIN material_lot o ON o.workshop_id = i.workshop_id AND o.id = i.lot_id WHERE i.workshop_id = $1 AND i.source_lot_id = $2
			UNION ALL SELECT i.id, i.happened_on, i.quantity, 'from', o.code, '', i.change_id, i.replaced_by IS NOT NULL
			  FROM lot_input i JOIN material_lot o ON o.workshop_id = i.workshop_id AND o.id = i.source_lot_id WHERE i.workshop_id = $1 AND i.lot_id = $2
			UNION ALL SELECT v.id, v.moved_on, v.quantity, CASE WHEN v.more_than_recorded THEN 'more than recorded' WHEN v.reason = 'write_off' THEN 'written off' ELSE 'adjusted' END, '', v.note, v.change_id, v.replaced_by IS NOT NULL
			  FROM stock_move v WHERE v.workshop_id = $1 AND v.lot_id = $2),
		f AS (SELECT e.*, c.at, c.actor, c.person_id FROM e JOIN change c ON c.workshop_id = $1 AND c.id = e.change_id)
		SELECT f.id, f.happened_on, f.quantity, f.what, f.code, f.note, coalesce(p.name, f.actor), f.at, f.replaced FROM f LEFT JOIN person p ON p.workshop_id = $1 AND p.id = f.person_id
		WHERE coalesce((f.at, f.happened_on, f.quantity < 0, f.id) > (SELECT x.at, x.happened_on, x.quantity < 0, x.id FROM f x WHERE x.id = $4), true)
		ORDER BY f.at, f.happened_on, f.quantity < 0, f.id LIMIT $5`, workshop, lot, zoneOf(ctx, t, workshop), behind, ledgerAPage+1)
	if err != nil {
		return nil, "", err
	}
	list, err := pgx.CollectRows(rows, pgx.RowToStructByPos[LotEntry])
	list, next := cut(list, ledgerAPage, func(e LotEntry) string { return Text(e.ID) })
	return list, next, err
}

// zoneOf is the workshop's zone as PostgreSQL takes it; UTC where it cannot be read, so that the query itself fails
// with the real error.
func zoneOf(ctx context.Context, t pgx.Tx, workshop WorkshopID) string {
	zone := "UTC"
	_ = t.QueryRow(ctx, `SELECT zone FROM workshop WHERE id = $1`, workshop).Scan(&zone)
	return zone
}

func lotByCode(ctx context.Context, t pgx.Tx, workshop WorkshopID, code string) (Lot, error) {
	list, err := queryLots(ctx, t, `WHERE l.workshop_id = $1 AND l.code = $2`, workshop, code)
	if err == nil && len(list) == 0 {
		err = fault.New(fault.NotFound, fmt.Sprintf("There is no lot %q.", code))
	}
	if err != nil {
		return Lot{}, err
	}
	return list[0], nil
}

// Receipt is a delivery as it is written down.
type Receipt struct {
	Code         string // own code, for a lot that has one already; else one is given
	Material     string // code
	Supplier     string // code, or empty
	NewSupplier  string // name of one not known yet
	SupplierLot  string
	ReceivedOn   day.Day
	ExpiresOn    day.Day
	RetestOn     day.Day
	Quantity     decimal.Decimal
	Unit         string              // that Quantity is written in, one of measure.IntakeUnits; empty for the material's own
	UnitCost     decimal.NullDecimal // of one of the material's own unit, whatever the delivery is written in
	DeliveryNote string
	Release      bool // looked at and fit: released at once, by somebody who may
}

// Converted says behind a sentence what a delivery in another unit comes to: ": 5 lb, that is 2 267.96185 g". It is empty
// for one in the material's own.
func (r Receipt) Converted(m Material) string {
	amount, typed, err := r.taken(m)
	if err != nil || typed == nil {
		return ""
	}
	return ": " + *typed + ", that is " + quantity.Format(amount) + " " + m.Unit
}

// taken is a delivery's amount in the material's unit, and how it was written where that is another one.
func (r Receipt) taken(m Material) (amount decimal.Decimal, typed *string, err error) {
	amount, err = measure.Intake(r.Quantity, r.Unit, m.Unit, m.Density)
	if err == nil && r.Unit != "" && r.Unit != m.Unit {
		words := measure.IntakeWords(r.Quantity, r.Unit)
		typed = &words
	}
	return amount, typed, err
}

// ReceiveLot books a delivery and answers the lot's own code. It is quarantined unless released at once.
func (s *Store) ReceiveLot(ctx context.Context, who Who, entry Entry, r Receipt, papers ...Upload) (string, error) {
	code, err := s.write(ctx, who, create, "", entry, func(t *tx) error {
		m, err := materialByCode(ctx, t, who.Workshop, r.Material)
		if err != nil {
			return faultIn("material", err)
		}
		if err := r.Check(m, t.today); err != nil {
			return err
		}
		supplier, err := t.supplierOf(ctx, r)
		if err != nil {
			return err
		}
		if r.Code == "" {
			if r.Code, err = t.lotCode(ctx, m.Code); err != nil {
				return err
			}
		}
		amount, typed, err := r.taken(m)
		if err != nil {
			return err
		}
		status := "quarantined"
		if r.Release {
			if who.Actor == "person" && !access.May(who.Role, access.ReleaseLot) {
				return fault.In("release", "Only a maker or the owner releases a lot. Leave it in quarantine.")
			}
			status = "released"
		}
		id := newID[LotID]()
		if _, err := t.Exec(ctx, `INSERT INTO material_lot (workshop_id, id, code, material_id, supplier_id, supplier_lot, supplier_lot_key, received_on, expires_on, retest_on, quantity, typed, unit_cost, delivery_note, status, change_id)
			VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13, $14, $15, $16)`,
			who.Workshop, id, r.Code, m.ID, supplier, r.SupplierLot, foldWord(r.SupplierLot), r.ReceivedOn, r.ExpiresOn, r.RetestOn, amount, typed, r.UnitCost, r.DeliveryNote, status, t.change); err != nil {
			if constraint(err) == "material_lot_code_key" {
				return fault.In("code", "Another lot has this code.")
			}
			return err
		}
		for _, p := range papers {
			if err := t.attach(ctx, "lot_id", id, p); err != nil {
				return err
			}
		}
		if err := t.index(ctx, "lot", id, foldWord(r.Code), foldCode(r.Code)); err != nil {
			return err
		}
		t.result = r.Code
		return t.index(ctx, "supplier_lot", id, foldWord(r.SupplierLot))
	})
	if err != nil {
		return "", fmt.Errorf("store: receive lot of %q: %w", r.Material, err)
	}
	return code, nil
}

// foldCode is a code with its look-alikes gone, as a look-up key.
func foldCode(code string) string { return foldWord(batchcode.Fold(code)) }

// faultIn moves a not-found fault to the field that named what was not found.
func faultIn(field string, err error) error {
	if f := fault.As(err); f != nil && f.Kind == fault.NotFound {
		return fault.In(field, f.Message)
	}
	return err
}

// Check tells everything at once that cannot be right in a delivery of a material; today is the workshop's. Faults
// are beside code, material, quantity, unit, received_on, supplier_lot and delivery_note.
func (r Receipt) Check(m Material, today day.Day) error {
	var f fault.Fields
	r.check(&f, m, today)
	return f.Err()
}

func (r Receipt) check(f *fault.Fields, m Material, today day.Day) {
	checkCode(f, r.Code)
	if !m.Tracked {
		f.Add("material", m.Name+" is not tracked: no lots are kept of it.")
	}
	amount, _, err := r.taken(m)
	if wrong := fault.As(err); wrong != nil {
		f.Add("unit", wrong.Message)
	}
	if !r.Quantity.IsPositive() {
		f.Add("quantity", "How much came? Write more than 0.")
	} else if err == nil && !amount.IsPositive() {
		f.Add("quantity", "That is less than the book can hold.")
	} else if m.Unit == "each" && !r.Quantity.IsInteger() {
		f.Add("quantity", "Pieces are counted whole: write a whole number.")
	}
	if r.ReceivedOn.IsZero() {
		f.Add("received_on", "When did it come?")
	} else if r.ReceivedOn.After(today) {
		f.Add("received_on", "That day has not come yet.")
	}
	checkLength(f, "supplier_lot", r.SupplierLot, 80)
	checkLength(f, "delivery_note", r.DeliveryNote, 80)
}

// supplierOf is the supplier of a delivery. A new one's name that is known already, whatever its case, is the known one.
func (t *tx) supplierOf(ctx context.Context, r Receipt) (*SupplierID, error) {
	if name := strings.TrimSpace(r.NewSupplier); name != "" {
		n := Supplier{Name: name}
		if err := n.Check(); err != nil {
			return nil, fault.In("new_supplier", "Write the supplier's name, up to 200 characters.")
		}
		err := t.QueryRow(ctx, `SELECT code FROM supplier WHERE workshop_id = $1 AND lower(name) = lower($2) ORDER BY code LIMIT 1`, t.who.Workshop, name).Scan(&r.Supplier)
		if errors.Is(err, pgx.ErrNoRows) {
			if err = t.addSupplier(ctx, n); err == nil {
				r.Supplier = t.result
			}
		}
		if err != nil {
			return nil, err
		}
	}
	if r.Supplier == "" {
		return nil, nil
	}
	var id SupplierID
	err := t.QueryRow(ctx, `SELECT id FROM supplier WHERE workshop_id = $1 AND code = $2`, t.who.Workshop, r.Supplier).Scan(&id)
	return &id, faultIn("supplier", notFound(err, fmt.Sprintf("There is no supplier %q.", r.Supplier)))
}

// lotCode gives the next own code of a material: OO-0042. Codes that are taken are passed over.
func (t *tx) lotCode(ctx context.Context, material string) (string, error) {
	for {
		n, err := t.next(ctx, "lot:"+material)
		if err != nil {
			return "", err
		}
		code := fmt.Sprintf("%s-%04d", material, n)
		var taken bool
		if err := t.QueryRow(ctx, `SELECT EXISTS (SELECT FROM material_lot WHERE workshop_id = $1 AND code = $2)`, t.who.Workshop, code).Scan(&taken); err != nil {
			return "", err
		}
		if !taken {
			return code, nil
		}
	}
}

// SetLotStatus releases a quarantined lot (a maker), or rejects or re-admits one (an owner, with a reason). Released
// lots go back to quarantine as a rejection does: by the owner. What a lot may no longer be used for its tubs may not
// either: with a rejected lot every tub that was filled from it, at any depth, is rejected, with one that goes back to
// quarantine its released tubs go back too. A lot that is taken back takes none of its tubs with it: each is looked at
// and decided for itself. A tub is released only when nothing in it waits or was rejected.
func (s *Store) SetLotStatus(ctx context.Context, who Who, entry Entry, code, status, reason string) error {
	if status != "released" && who.Actor == "person" && !access.May(who.Role, access.RejectLot) {
		return fault.New(fault.Forbidden, "Only the owner rejects a lot or takes one back.")
	}
	kind := progress
	if status != "released" {
		kind = correct
	}
	// A lot that was rejected is re-admitted with a reason, which the change keeps.
	if reason != "" {
		kind = correct
	}
	_, err := s.write(ctx, who, kind, reason, entry, func(t *tx) error {
		tubs, err := t.lockTubs(ctx, code)
		if err != nil {
			return err
		}
		l, err := lotByCode(ctx, t, who.Workshop, code)
		if err != nil {
			return err
		}
		switch {
		case l.Status == status:
			return fault.New(fault.Conflict, "Lot "+code+" is "+status+" already.")
		case status == "released" && l.Status == "quarantined":
		case status == "released" || status == "rejected" || status == "quarantined":
			if who.Actor == "person" && !access.May(who.Role, access.RejectLot) {
				return fault.New(fault.Forbidden, "Only the owner rejects a lot or takes one back.")
			}
			if reason == "" {
				return fault.In("reason", "Say why.")
			}
		default:
			return fault.In("status", "Choose released, rejected or quarantined.")
		}
		if status == "released" {
			if err := t.mayReleaseTub(ctx, l); err != nil {
				return err
			}
		}
		if _, err := t.Exec(ctx, `UPDATE material_lot SET status = $3 WHERE workshop_id = $1 AND id = $2`, who.Workshop, l.ID, status); err != nil {
			return err
		}
		return t.tubsFollow(ctx, tubs, l.Status, status)
	})
	if err != nil {
		return fmt.Errorf("store: lot %q %s: %w", code, status, err)
	}
	return nil
}

// lockLot reads a lot and keeps others from drawing on it until the transaction ends: what is on hand is then true.
func (t *tx) lockLot(ctx context.Context, code string) (Lot, error) {
	var id LotID
	err := t.QueryRow(ctx, `SELECT id FROM material_lot WHERE workshop_id = $1 AND code = $2 FOR NO KEY UPDATE`, t.who.Workshop, code).Scan(&id)
	if err != nil {
		return Lot{}, notFound(err, fmt.Sprintf("There is no lot %q.", code))
	}
	return lotByCode(ctx, t, t.who.Workshop, code)
}

// LotMove is a count, an adjustment or a write-off of a lot.
type LotMove struct {
	Lot      string
	Quantity decimal.Decimal // signed, in the material's unit
	Reason   string          // adjust or write_off
	Note     string          // why, in words
	On       day.Day
}

// MoveLot books a signed move; the ledger never goes below zero.
func (s *Store) MoveLot(ctx context.Context, who Who, entry Entry, m LotMove) error {
	_, err := s.write(ctx, who, create, "", entry, func(t *tx) error {
		l, err := t.lockLot(ctx, m.Lot)
		if err != nil {
			return err
		}
		var f fault.Fields
		checkNote(&f, m.Note)
		if m.Quantity.IsZero() {
			f.Add("quantity", "Write how much more or less: not 0.")
		} else if m.Reason == "write_off" && m.Quantity.IsPositive() {
			f.Add("quantity", "Write how much is thrown away: more than 0.")
		} else if l.OnHand.Add(m.Quantity).IsNegative() {
			f.Add("quantity", fmt.Sprintf("The book holds %s %s of this lot; no more can leave it. If more was there than the book says, count it first.", quantity.Format(l.OnHand), l.Material.Unit))
		} else if l.Material.Unit == "each" && !m.Quantity.IsInteger() {
			f.Add("quantity", "Pieces are counted whole: write a whole number.")
		}
		if m.Reason != "adjust" && m.Reason != "write_off" {
			f.Add("reason", "Choose adjust or write off.")
		}
		if m.On.IsZero() {
			m.On = t.today
		} else if m.On.After(t.today) {
			f.Add("on", "That day has not come yet.")
		}
		if err := f.Err(); err != nil {
			return err
		}
		return t.moveLot(ctx, l.ID, m, false)
	})
	if err != nil {
		return fmt.Errorf("store: move lot %q: %w", m.Lot, err)
	}
	return nil
}

func checkNote(f *fault.Fields, note string) {
	if strings.TrimSpace(note) == "" {
		f.Add("note", "Say why.")
	}
	checkLength(f, "note", note, 500)
}

// LotCount is what somebody found in a lot.
type LotCount struct {
	Lot     string
	Counted decimal.Decimal // there now, in the material's unit; zero or more
	// Seen is what the book said when the counting page was drawn: where something was drawn since, the count may be
	// from before or after it, so it is asked for anew. Not valid: not compared.
	Seen  decimal.NullDecimal
	Typed string // how the count was written, where that was in another unit: "2 lb"
	Note  string // why it differs, in words
}

// errAgrees ends a count that found what the book says: there is nothing to record.
var errAgrees = errors.New("the count agrees with the book")

// CountLot sets a lot to what is there and answers the signed difference that was booked, zero where the count agrees
// with the book. Faults are beside counted and note; a lot that moved since the page was drawn is a conflict.
func (s *Store) CountLot(ctx context.Context, who Who, entry Entry, c LotCount) (decimal.Decimal, error) {
	result, err := s.write(ctx, who, create, "", entry, func(t *tx) error {
		l, err := t.lockLot(ctx, c.Lot)
		if err != nil {
			return err
		}
		if c.Seen.Valid && !c.Seen.Decimal.Equal(l.OnHand) {
			return fault.New(fault.Conflict, fmt.Sprintf("While you counted, the book went from %s to %s %s. Look whether your count still holds, then send it again.",
				quantity.Format(c.Seen.Decimal), quantity.Format(l.OnHand), l.Material.Unit))
		}
		difference := c.Counted.Sub(l.OnHand)
		var f fault.Fields
		if c.Counted.IsNegative() {
			f.Add("counted", "Write 0 or more.")
		} else if l.Material.Unit == "each" && !c.Counted.IsInteger() {
			f.Add("counted", "Pieces are counted whole: write a whole number.")
		} else if difference.IsZero() {
			return errAgrees
		}
		checkNote(&f, c.Note)
		if err := f.Err(); err != nil {
			return err
		}
		t.result = difference.String()
		counted := quantity.Format(c.Counted) + " " + l.Material.Unit
		if c.Typed != "" {
			counted = c.Typed + " (" + counted + ")"
		}
		note := "counted " + counted + ": " + c.Note
		return t.moveLot(ctx, l.ID, LotMove{Quantity: difference, Reason: "adjust", Note: note, On: t.today}, false)
	})
	if errors.Is(err, errAgrees) {
		return decimal.Zero, nil
	}
	if err != nil {
		return decimal.Zero, fmt.Errorf("store: count lot %q: %w", c.Lot, err)
	}
	return decimal.NewFromString(result)
}

func (t *tx) moveLot(ctx context.Context, lot LotID, m LotMove, moreThanRecorded bool) error {
	_, err := t.Exec(ctx, nextCode("SM")+`INSERT INTO stock_move (workshop_id, id, code, lot_id, moved_on, quantity, reason, more_than_recorded, note, change_id)
		SELECT $1, $3, k.code, $4, $5, $6, $7, $8, $9, $10 FROM numbered k`,
		t.who.Workshop, "stock_move", newID[StockMoveID](), lot, m.On, m.Quantity, m.Reason, moreThanRecorded, m.Note, t.change)
	return err
}

// draw makes sure that a locked lot holds a quantity that has left it already: what the book lacks is booked as more
// than recorded, in the same transaction. It answers how much that was.
func (t *tx) draw(ctx context.Context, l Lot, quantity decimal.Decimal, on day.Day) (short decimal.Decimal, err error) {
	short = quantity.Sub(l.OnHand)
	if !short.IsPositive() {
		return decimal.Zero, nil
	}
	return short, t.moveLot(ctx, l.ID, LotMove{Quantity: short, Reason: "adjust", Note: "more in the lot than recorded", On: on}, true)
}

// LotCorrection is what of a lot may be corrected: not its material, and not what was drawn.
type LotCorrection struct {
	Code         string
	Seen         string // Entered.Seen of the page that was corrected from; empty is not compared
	Supplier     string
	SupplierLot  string
	ReceivedOn   day.Day
	ExpiresOn    day.Day
	RetestOn     day.Day
	Quantity     decimal.Decimal
	Unit         string // that Quantity is written in; empty for the material's own
	UnitCost     decimal.NullDecimal
	DeliveryNote string
}

// CorrectLot replaces a lot's particulars; the trail keeps the old ones. A helper may correct what they received
// themselves today. A printed best-before does not move: where the new expiry is earlier than a packing's date, a
// deviation names the labels that are out, and the dates of tubs filled from the lot follow, at every level. Where more
// was drawn than the corrected receipt holds, the rest is booked as more than recorded.
func (s *Store) CorrectLot(ctx context.Context, who Who, entry Entry, c LotCorrection, reason string) error {
	_, err := s.write(ctx, who, correct, reason, entry, func(t *tx) error {
		tubs, err := t.lockTubs(ctx, c.Code)
		if err != nil {
			return err
		}
		l, err := lotByCode(ctx, t, who.Workshop, c.Code)
		if err != nil {
			return err
		}
		if err := mayCorrectRow(ctx, t, "material_lot", l.ID, c.Seen); err != nil {
			return err
		}
		if err := c.Check(l, t.today); err != nil {
			return err
		}
		if err := t.noLaterThanHeld(ctx, l, c); err != nil {
			return err
		}
		return t.correctLot(ctx, l, c, tubs)
	})
	if err != nil {
		return fmt.Errorf("store: correct lot %q: %w", c.Code, err)
	}
	return nil
}

// correctLot writes a correction of a locked lot and what follows from it.
func (t *tx) correctLot(ctx context.Context, l Lot, c LotCorrection, tubs downstream) error {
	r := Receipt{Supplier: c.Supplier, Quantity: c.Quantity, Unit: c.Unit}
	amount, typed, err := r.taken(l.Material)
	if err != nil {
		return err
	}
	if typed == nil && amount.Equal(l.Quantity) && l.Typed != "" {
		typed = &l.Typed
	}
	if after := l.OnHand.Add(amount).Sub(l.Quantity); after.IsNegative() {
		more := LotMove{Quantity: after.Neg(), Reason: "adjust", Note: "more was drawn than the corrected receipt holds", On: t.today}
		if err := t.moveLot(ctx, l.ID, more, true); err != nil {
			return err
		}
	}
	supplier, err := t.supplierOf(ctx, r)
	if err != nil {
		return err
	}
	if _, err := t.Exec(ctx, `UPDATE material_lot SET supplier_id = $3, supplier_lot = $4, supplier_lot_key = $5, received_on = $6, expires_on = $7, retest_on = $8, quantity = $9, unit_cost = $10, delivery_note = $11, typed = $12
		WHERE workshop_id = $1 AND id = $2`, t.who.Workshop, l.ID, supplier, c.SupplierLot, foldWord(c.SupplierLot), c.ReceivedOn, c.ExpiresOn, c.RetestOn, amount, c.UnitCost, c.DeliveryNote, typed); err != nil {
		return err
	}
	if err := t.index(ctx, "supplier_lot", l.ID, foldWord(c.SupplierLot)); err != nil {
		return err
	}
	if c.ExpiresOn != l.ExpiresOn {
		// What an earlier correction of the expiry raised is measured anew.
		if err := t.withdrawDeviations(ctx, l.ID); err != nil {
			return err
		}
		if !c.ExpiresOn.IsZero() {
			if err := t.datesOut(ctx, l, c.ExpiresOn, node{"lot", l.ID}); err != nil {
				return err
			}
		}
	}
	return t.settleTubs(ctx, tubs.below(l.ID))
}

// Check tells everything at once that cannot be right in a correction of a lot. A tub's receipt is nothing: what it
// holds came from other lots.
func (c LotCorrection) Check(l Lot, today day.Day) error {
	r := Receipt{SupplierLot: c.SupplierLot, ReceivedOn: c.ReceivedOn, Quantity: c.Quantity, Unit: c.Unit, DeliveryNote: c.DeliveryNote}
	tub := l.Quantity.IsZero()
	if tub {
		r.Quantity, r.Unit = decimal.NewFromInt(1), ""
	}
	// A material that is no longer tracked keeps its old lots, and they stay correctable.
	l.Material.Tracked = true
	var f fault.Fields
	r.check(&f, l.Material, today)
	if tub && !c.Quantity.IsZero() {
		f.Add("quantity", "Nothing was received: this lot was filled from others.")
	}
	return f.Err()
}
