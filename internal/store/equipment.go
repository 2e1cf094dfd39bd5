package store

import (
	"context"
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"github.com/shopspring/decimal"

	"example.org/stillroom/internal/day"
	"example.org/stillroom/internal/equipment"
	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/scaling"
)

// EquipmentKinds are what equipment may be, in the order in which lists show it.
var EquipmentKinds = []string{"scale", "vessel", "mould", "dehumidifier", "thermometer", "other"}

// equipmentPrefix begins the codes that are made for a kind.
var equipmentPrefix = map[string]string{"scale": "SC", "vessel": "VE", "mould": "MO", "dehumidifier": "DH", "thermometer": "TH", "other": "EQ"}

// Equipment is a scale, a vessel or another thing that a batch names.
type Equipment struct {
	ID             EquipmentID
	Code           string
	Name           string
	Kind           string // one of EquipmentKinds
	Place          string
	ReadabilityG   decimal.NullDecimal // of a scale, its smallest step
	MinLoadG       decimal.NullDecimal // of a scale, where stated
	MaxLoadG       decimal.NullDecimal
	CheckDays      int // its check is due so many days after the last; 0 where none is kept
	CleanBeforeUse bool
	Note           string
	Retired        bool
	Seen           string // for a correction, Entered.Seen of the page it was written on; empty is not compared
}

// Scale is what the rule needs of a scale.
func (e Equipment) Scale() equipment.Scale {
	return equipment.Scale{ReadabilityG: e.ReadabilityG.Decimal, MinLoadG: e.MinLoadG.Decimal, MaxLoadG: e.MaxLoadG.Decimal}
}

// mostCheckDays is ten years.
const mostCheckDays = 3660

// Check tells everything at once that cannot be right: name, code, kind, place, readability, min_load, max_load,
// check_days, note.
func (e Equipment) Check() error {
	var f fault.Fields
	checkName(&f, e.Name, "Write what it is called, up to 200 characters.")
	checkCode(&f, e.Code)
	if equipmentPrefix[e.Kind] == "" {
		f.Add("kind", "Choose what it is.")
	}
	checkLength(&f, "place", e.Place, 80)
	checkWords(&f, "note", e.Note)
	if e.CheckDays < 0 || e.CheckDays > mostCheckDays {
		f.Add("check_days", "Between 1 and 3,660 days, or nothing.")
	}
	e.checkScale(&f)
	return f.Err()
}

func (e Equipment) checkScale(f *fault.Fields) {
	if e.Kind == "scale" && !e.ReadabilityG.Valid {
		f.Add("readability", "What is its smallest step?")
	}
	for _, m := range []struct {
		field string
		g     decimal.NullDecimal
		zero  bool
	}{{"readability", e.ReadabilityG, false}, {"min_load", e.MinLoadG, true}, {"max_load", e.MaxLoadG, false}} {
		switch {
		case !m.g.Valid:
		case e.Kind != "scale" && equipmentPrefix[e.Kind] != "":
			f.Add(m.field, "Only a scale has this.")
		case m.g.Decimal.IsNegative(), m.g.Decimal.IsZero() && !m.zero:
			f.Add(m.field, "Write more than 0.")
		case m.g.Decimal.GreaterThan(mostG):
			f.Add(m.field, "That is more than a hundred tonnes.")
		}
	}
	if e.MinLoadG.Valid && e.MaxLoadG.Valid && !e.MinLoadG.Decimal.LessThan(e.MaxLoadG.Decimal) {
		f.Add("max_load", "It is more than the minimum load.")
	}
	if e.ReadabilityG.Valid && e.MaxLoadG.Valid && !e.ReadabilityG.Decimal.LessThan(e.MaxLoadG.Decimal) {
		f.Add("max_load", "It is more than the smallest step.")
	}
}

// EquipmentStanding is equipment with how its check stands.
type EquipmentStanding struct {
	Equipment
	CheckedOn day.Day // the last check; no day for none
	DueOn     day.Day // the last day on which it holds
	Stands    equipment.Standing
}

const equipmentColumns = `e.id, e.code, e.name, e.kind, e.place, e.readability_g, e.min_load_g, e.max_load_g, coalesce(e.check_days, 0), e.clean_before_use, e.note, e.retired_at IS NOT NULL`

// equipmentQuery reads equipment with its last check that stands. $1 workshop, $2 its zone.
const equipmentQuery = `SELECT ` + equipmentColumns + `, (k.happened_at AT TIME ZONE $2)::date, coalesce(k.result = 'failed', false), k.next_on
	FROM equipment e LEFT JOIN LATERAL (SELECT g.happened_at, g.result, g.next_on FROM log_entry g WHERE g.workshop_id = $1 AND g.equipment_id = e.id AND g.kind = 'check' AND g.replaced_by IS NULL
		ORDER BY g.happened_at DESC, g.id DESC LIMIT 1) k ON true `

// queryEquipment reads standings on a day; where begins with WHERE e.workshop_id = $1.
func queryEquipment(ctx context.Context, t pgx.Tx, w Workshop, on day.Day, where string, args ...any) ([]EquipmentStanding, error) {
	rows, err := t.Query(ctx, equipmentQuery+where, append([]any{w.ID, w.Zone}, args...)...)
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, func(row pgx.CollectableRow) (EquipmentStanding, error) {
		var e EquipmentStanding
		var failed bool
		var noted day.Day
		err := row.Scan(&e.ID, &e.Code, &e.Name, &e.Kind, &e.Place, &e.ReadabilityG, &e.MinLoadG, &e.MaxLoadG, &e.CheckDays, &e.CleanBeforeUse, &e.Note, &e.Retired, &e.CheckedOn, &failed, &noted)
		if !e.CheckedOn.IsZero() {
			e.DueOn = equipment.Due(e.CheckedOn, noted, e.CheckDays)
		}
		e.Stands = equipment.Stands(e.CheckDays > 0, e.CheckedOn, failed, e.DueOn, on)
		return e, err
	})
}

func workshopIn(ctx context.Context, t pgx.Tx, id WorkshopID) (Workshop, error) {
	return scanWorkshop(t.QueryRow(ctx, `SELECT `+workshopColumns+` FROM workshop WHERE id = $1`, id))
}

// equipmentOrder is the order of its lists: by kind, then by code. $3 is EquipmentKinds. It has no index of its own: what
// a workshop ever worked with is some hundreds of rows, and only those of a page are read with their checks.
const equipmentOrder = `array_position($3::text[], e.kind), e.code`

// EquipmentInUse is all that is in use, with how its checks stand on a day: what a form offers.
func (s *Store) EquipmentInUse(ctx context.Context, workshop WorkshopID, on day.Day) (list []EquipmentStanding, err error) {
	err = s.read(ctx, workshop, func(t pgx.Tx) error {
		w, err := workshopIn(ctx, t, workshop)
		if err == nil {
			list, err = queryEquipment(ctx, t, w, on, `WHERE e.workshop_id = $1 AND e.retired_at IS NULL ORDER BY `+equipmentOrder, EquipmentKinds)
		}
		return err
	})
	if err != nil {
		return nil, fmt.Errorf("store: equipment in use: %w", err)
	}
	return list, nil
}

// EquipmentList is a page of at most limit of what is in use, with retired of all that ever was, with how its checks stand
// on a day, behind that of a code, and the code that the next page begins behind.
func (s *Store) EquipmentList(ctx context.Context, workshop WorkshopID, on day.Day, retired bool, after string, limit int) (list []EquipmentStanding, next string, err error) {
	err = s.read(ctx, workshop, func(t pgx.Tx) error {
		w, err := workshopIn(ctx, t, workshop)
		if err != nil {
			return err
		}
		var kind, code string
		if err := boundary(ctx, t, workshop, after, `SELECT kind, code FROM equipment WHERE workshop_id = $1 AND code = $2`, &kind, &code); err != nil {
			return err
		}
		list, err = queryEquipment(ctx, t, w, on, `WHERE e.workshop_id = $1 AND e.id = ANY (ARRAY (SELECT e.id FROM equipment e WHERE e.workshop_id = $1 AND ($4 OR e.retired_at IS NULL)
			AND (`+equipmentOrder+`) > (coalesce(array_position($3, $5), 0), $6) ORDER BY `+equipmentOrder+` LIMIT $7)) ORDER BY `+equipmentOrder, EquipmentKinds, retired, kind, code, limit+1)
		return err
	})
	if err != nil {
		return nil, "", fmt.Errorf("store: equipment: %w", err)
	}
	list, next = cut(list, limit, func(e EquipmentStanding) string { return e.Code })
	return list, next, nil
}

func equipmentByCode(ctx context.Context, t pgx.Tx, workshop WorkshopID, code string) (Equipment, error) {
	var e Equipment
	err := t.QueryRow(ctx, `SELECT `+equipmentColumns+` FROM equipment e WHERE e.workshop_id = $1 AND e.code = $2`, workshop, code).
		Scan(&e.ID, &e.Code, &e.Name, &e.Kind, &e.Place, &e.ReadabilityG, &e.MinLoadG, &e.MaxLoadG, &e.CheckDays, &e.CleanBeforeUse, &e.Note, &e.Retired)
	return e, notFound(err, fmt.Sprintf("There is no equipment %q.", code))
}

// scalesOf are the scales that lines are planned for: those that the workshop keeps, by code; where it keeps none, the
// one of its settings.
func scalesOf(ctx context.Context, t pgx.Tx, w Workshop) ([]scaling.Scale, error) {
	rows, err := t.Query(ctx, `SELECT readability_g, coalesce(min_load_g, 0), coalesce(max_load_g, 0) FROM equipment WHERE workshop_id = $1 AND kind = 'scale' AND retired_at IS NULL ORDER BY code`, w.ID)
	if err != nil {
		return nil, err
	}
	list, err := pgx.CollectRows(rows, pgx.RowToStructByPos[scaling.Scale])
	if len(list) == 0 {
		list = []scaling.Scale{{ReadabilityG: w.ReadabilityG, MinLoadG: w.MinLoadG}}
	}
	return list, err
}

// AddEquipment stores equipment; without a code it gets one by its kind, such as SC-1. It answers the code.
func (s *Store) AddEquipment(ctx context.Context, who Who, entry Entry, e Equipment) (string, error) {
	if err := e.Check(); err != nil {
		return "", err
	}
	code, err := s.write(ctx, who, create, "", entry, func(t *tx) error {
		var err error
		if e.Code == "" {
			if e.Code, err = t.equipmentCode(ctx, equipmentPrefix[e.Kind]); err != nil {
				return err
			}
		}
		id := newID[EquipmentID]()
		if _, err := t.Exec(ctx, `INSERT INTO equipment (workshop_id, id, code, name, kind, place, readability_g, min_load_g, max_load_g, check_days, clean_before_use, note, change_id)
			VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, nullif($10, 0), $11, $12, $13)`,
			who.Workshop, id, e.Code, e.Name, e.Kind, e.Place, e.ReadabilityG, e.MinLoadG, e.MaxLoadG, e.CheckDays, e.CleanBeforeUse, e.Note, t.change); err != nil {
			if constraint(err) == "equipment_code_key" {
				return fault.In("code", "Other equipment has this code.")
			}
			return err
		}
		t.result = e.Code
		return t.index(ctx, "equipment", id, append(words(e.Name), foldWord(e.Code), foldCode(e.Code))...)
	})
	if err != nil {
		return "", fmt.Errorf("store: add equipment %q: %w", e.Name, err)
	}
	return code, nil
}

func (t *tx) equipmentCode(ctx context.Context, prefix string) (string, error) {
	for {
		n, err := t.next(ctx, "code:equipment:"+prefix)
		if err != nil {
			return "", err
		}
		code := fmt.Sprintf("%s-%d", prefix, n)
		var taken bool
		if err := t.QueryRow(ctx, `SELECT EXISTS (SELECT FROM equipment WHERE workshop_id = $1 AND code = $2)`, t.who.Workshop, code).Scan(&taken); err != nil || !taken {
			return code, err
		}
	}
}

// CorrectEquipment changes the particulars; code and kind stay. Retired takes it out of the lists to choose from; what
// it was used for stays.
func (s *Store) CorrectEquipment(ctx context.Context, who Who, entry Entry, e Equipment, reason string) error {
	_, err := s.write(ctx, who, correct, reason, entry, func(t *tx) error {
		if _, err := t.Exec(ctx, `SELECT FROM equipment WHERE workshop_id = $1 AND code = $2 FOR NO KEY UPDATE`, who.Workshop, e.Code); err != nil {
			return err
		}
		have, err := equipmentByCode(ctx, t, who.Workshop, e.Code)
		if err != nil {
			return err
		}
		if err := mayCorrectRow(ctx, t, "equipment", have.ID, e.Seen); err != nil {
			return err
		}
		e.Kind = have.Kind
		if err := e.Check(); err != nil {
			return err
		}
		if _, err := t.Exec(ctx, `UPDATE equipment SET name = $3, place = $4, readability_g = $5, min_load_g = $6, max_load_g = $7, check_days = nullif($8, 0), clean_before_use = $9, note = $10,
				retired_at = CASE WHEN $11 THEN coalesce(retired_at, $12) END WHERE workshop_id = $1 AND id = $2`,
			who.Workshop, have.ID, e.Name, e.Place, e.ReadabilityG, e.MinLoadG, e.MaxLoadG, e.CheckDays, e.CleanBeforeUse, e.Note, e.Retired, t.now); err != nil {
			return err
		}
		return t.index(ctx, "equipment", have.ID, append(words(e.Name), foldWord(e.Code), foldCode(e.Code))...)
	})
	if err != nil {
		return fmt.Errorf("store: correct equipment %q: %w", e.Code, err)
	}
	return nil
}

// MomentKey is where a page of a list in order of time ends: the next one starts after it. The zero key is before the
// newest.
type MomentKey struct {
	At time.Time
	ID uuid.UUID
}

// String writes the key for a URL; empty for the zero key.
func (k MomentKey) String() string {
	if k.At.IsZero() {
		return ""
	}
	return strconv.FormatInt(k.At.UnixMicro(), 10) + "." + k.ID.String()
}

// ParseMomentKey reads what String wrote; anything else, and a moment outside the calendar, is the zero key.
func ParseMomentKey(text string) MomentKey {
	at, id, _ := strings.Cut(text, ".")
	micros, err := strconv.ParseInt(at, 10, 64)
	if err != nil || micros < 0 || micros > math.MaxInt32*int64(1e6)*4 {
		return MomentKey{}
	}
	row, err := uuid.Parse(id)
	if err != nil {
		return MomentKey{}
	}
	return MomentKey{time.UnixMicro(micros).UTC(), row}
}

// bounds are the arguments of "(happened_at, id) < (…)": the zero key is after everything.
func (k MomentKey) bounds() (time.Time, uuid.UUID) {
	if k.At.IsZero() {
		return time.Date(9999, 1, 1, 0, 0, 0, 0, time.UTC), uuid.Max
	}
	return k.At, k.ID
}

// EquipmentUse is one batch, or one packing of it, that used a piece of equipment.
type EquipmentUse struct {
	ID      UsedID
	Batch   string // code
	Packing string // code; empty for the making
	Name    string // of the product, else of the formula
	Status  string // of the packing, else of the batch
	At      time.Time
	Clean   *bool
}

// EquipmentPage is a piece of equipment with its log, what used it and what was changed in its particulars.
type EquipmentPage struct {
	EquipmentStanding
	Log     []LogEntry // the newest; all of them are in the log
	More    bool       // the log goes on
	Uses    []EquipmentUse
	Next    string // key that the next page of uses begins behind, empty for none
	Suspect *Suspect
	History []RowChange
	Entered Entered
}

const (
	usesAPage     = 50
	logOfAnything = 10
)

// EquipmentPage reads it as it stands on a day; before is the key that the page of uses begins behind.
func (s *Store) EquipmentPage(ctx context.Context, workshop WorkshopID, code string, on day.Day, before MomentKey) (EquipmentPage, error) {
	var p EquipmentPage
	err := s.read(ctx, workshop, func(t pgx.Tx) error {
		w, err := workshopIn(ctx, t, workshop)
		if err != nil {
			return err
		}
		list, err := queryEquipment(ctx, t, w, on, `WHERE e.workshop_id = $1 AND e.code = $3`, code)
		if err != nil {
			return err
		}
		if len(list) == 0 {
			return fault.New(fault.NotFound, fmt.Sprintf("There is no equipment %q.", code))
		}
		p.EquipmentStanding = list[0]
		if p.Log, err = queryLog(ctx, t, `WHERE g.workshop_id = $1 AND g.equipment_id = $2 AND `+notReplaced+` ORDER BY g.happened_at DESC, g.id DESC LIMIT $3`, workshop, p.ID, logOfAnything+1); err != nil {
			return err
		}
		if p.More = len(p.Log) > logOfAnything; p.More {
			p.Log = p.Log[:logOfAnything]
		}
		if err := p.uses(ctx, t, workshop, before); err != nil {
			return err
		}
		if p.Stands == equipment.Failed {
			list, err := suspects(ctx, t, w, p.EquipmentStanding)
			if err != nil {
				return err
			}
			p.Suspect = &list[0]
		}
		if p.Entered, err = entered(ctx, t, workshop, "equipment", p.ID); err != nil {
			return err
		}
		p.History, err = history(ctx, t, workshop, "equipment", p.ID)
		return err
	})
	if err != nil {
		return EquipmentPage{}, fmt.Errorf("store: equipment page %q: %w", code, err)
	}
	return p, nil
}

func (p *EquipmentPage) uses(ctx context.Context, t pgx.Tx, workshop WorkshopID, before MomentKey) error {
	at, id := before.bounds()
	rows, err := t.Query(ctx, `SELECT x.id, b.code, coalesce(k.code, ''), coalesce(kp.name, bp.name, f.name, ''), coalesce(k.status, b.status), x.happened_at, x.was_clean
		FROM (SELECT u.id, u.batch_id, u.packing_id, u.happened_at, u.was_clean FROM batch_equipment u WHERE u.workshop_id = $1 AND u.equipment_id = $2 AND u.replaced_by IS NULL AND (u.happened_at, u.id) < ($3, $4)
			ORDER BY u.happened_at DESC, u.id DESC LIMIT $5) x
		JOIN batch b ON b.workshop_id = $1 AND b.id = x.batch_id LEFT JOIN packing k ON k.workshop_id = $1 AND k.id = x.packing_id LEFT JOIN product kp ON kp.workshop_id = $1 AND kp.id = k.product_id
		LEFT JOIN product bp ON bp.workshop_id = $1 AND bp.id = b.product_id LEFT JOIN formula f ON f.workshop_id = $1 AND f.id = b.formula_id
		ORDER BY x.happened_at DESC, x.id DESC`, workshop, p.ID, at, id, usesAPage+1)
	if err != nil {
		return err
	}
	p.Uses, err = pgx.CollectRows(rows, pgx.RowToStructByPos[EquipmentUse])
	p.Uses, p.Next = cut(p.Uses, usesAPage, func(u EquipmentUse) string { return MomentKey{u.At, uuid.UUID(u.ID)}.String() })
	return err
}
