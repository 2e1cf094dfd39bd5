package store

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"sort"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"github.com/shopspring/decimal"

	"example.org/stillroom/internal/day"
	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/measure"
	"example.org/stillroom/internal/quantity"
)

// RowChange is one change of a record after it was first written, as the audit trail keeps it.
type RowChange struct {
	At        time.Time
	Who       string // printed name; for a program what it was
	Kind      string // progress, correct or void
	Reason    string // empty for a progress
	Withdrawn bool   // the entry was taken back; Fields is empty then
	Told      bool   // not a change: the record came in with an import here, which told who wrote it and when
	Fields    []FieldChange
}

// FieldChange is one value before and after, written for people; an empty text is no value.
type FieldChange struct {
	Field string // "Expires", "Supplier's lot"
	Old   string
	New   string
}

// History is what was changed in a record since it was written, the oldest change first. table names one of our
// tables, row its id. An entry that was replaced by another is followed through all its replacements, whichever of
// them row names. Values that are kept as keyed hashes are only said to have changed.
func (s *Store) History(ctx context.Context, workshop WorkshopID, table string, row uuid.UUID) ([]RowChange, error) {
	var list []RowChange
	err := s.read(ctx, workshop, func(t pgx.Tx) (err error) {
		list, err = history(ctx, t, workshop, table, row)
		return err
	})
	if err != nil {
		return nil, fmt.Errorf("store: history of %s %s: %w", table, row, err)
	}
	return list, nil
}

// trailRow is an update of a row with who did it.
type trailRow struct {
	At     time.Time
	Who    string
	Kind   string
	Reason string
	Old    []byte
	New    []byte
}

func history[T anyID](ctx context.Context, t pgx.Tx, workshop WorkshopID, table string, id T) ([]RowChange, error) {
	w, err := scanWorkshop(t.QueryRow(ctx, `SELECT `+workshopColumns+` FROM workshop WHERE id = $1`, workshop))
	if err != nil {
		return nil, err
	}
	return historyOf(ctx, t, w, table, id)
}

// historyOf is history where the workshop is known already.
func historyOf[T anyID](ctx context.Context, t pgx.Tx, w Workshop, table string, id T) ([]RowChange, error) {
	h := historian{ctx: ctx, t: t, workshop: w.ID, zone: w.Location(), style: w.Style, table: table, names: map[string]string{}}
	row := Text(id)
	if !alteredInPlace[table] {
		var err error
		if row, err = h.first(row); err != nil {
			return nil, err
		}
	}
	var list, changes []RowChange
	var next string
	err := together(ctx, t,
		func(t pgx.Tx) (err error) {
			list, err = h.on(t).told(row)
			return err
		},
		func(t pgx.Tx) (err error) {
			changes, next, err = h.on(t).changes(row)
			return err
		})
	for list = append(list, changes...); err == nil && next != ""; list = append(list, changes...) {
		changes, next, err = h.changes(next)
	}
	return list, err
}

// alteredInPlace are tables whose rows no other row replaces.
var alteredInPlace = map[string]bool{"batch": true, "packing": true}

// on is the same historian, asking t.
func (h historian) on(t pgx.Tx) historian {
	h.t = t
	return h
}

// historian reads the trail of one record.
type historian struct {
	ctx      context.Context
	t        pgx.Tx
	workshop WorkshopID
	zone     *time.Location
	style    measure.Style
	table    string
	names    map[string]string // of other records by column and id, looked up once
}

// first follows replacements back to the entry that was written first. A replacement was written under the same change
// that marked the old one.
func (h historian) first(row string) (string, error) {
	for {
		var before string
		err := h.t.QueryRow(h.ctx, `SELECT u.row_id FROM audit i JOIN audit u ON u.workshop_id = i.workshop_id AND u.change_id = i.change_id
			WHERE i.workshop_id = $1 AND i.table_name = $2 AND i.row_id = $3 AND i.op = 'I'
			  AND u.table_name = $2 AND u.op = 'U' AND u.row_id <> $3 AND u.new ->> 'replaced_by' = $3 LIMIT 1`, h.workshop, h.table, row).Scan(&before)
		if errors.Is(err, pgx.ErrNoRows) {
			return row, nil
		}
		if err != nil {
			return "", err
		}
		row = before
	}
}

// told is the import that a record came in with, if one told of it.
func (h historian) told(row string) ([]RowChange, error) {
	rows, err := h.t.Query(h.ctx, `SELECT i.at, coalesce(p.name, i.actor), i.kind, i.reason FROM `+pgx.Identifier{h.table}.Sanitize()+` r JOIN change c ON c.workshop_id = $1 AND c.id = r.change_id
		JOIN change i ON i.workshop_id = $1 AND i.id = c.within LEFT JOIN person p ON p.workshop_id = $1 AND p.id = i.person_id WHERE r.workshop_id = $1 AND r.id = $2`, h.workshop, row)
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, func(row pgx.CollectableRow) (RowChange, error) {
		c := RowChange{Told: true}
		return c, row.Scan(&c.At, &c.Who, &c.Kind, &c.Reason)
	})
}

// changes are those of one row, and the row that replaced it, empty where none did.
func (h historian) changes(row string) (list []RowChange, next string, err error) {
	rows, err := h.t.Query(h.ctx, `SELECT c.at, coalesce(p.name, c.actor), c.kind, c.reason, a.old, a.new FROM audit a
		JOIN change c ON c.workshop_id = a.workshop_id AND c.id = a.change_id LEFT JOIN person p ON p.workshop_id = c.workshop_id AND p.id = c.person_id
		WHERE a.workshop_id = $1 AND a.table_name = $2 AND a.row_id = $3 AND a.op = 'U' ORDER BY a.n`, h.workshop, h.table, row)
	if err != nil {
		return nil, "", err
	}
	trail, err := pgx.CollectRows(rows, pgx.RowToStructByPos[trailRow])
	if err != nil {
		return nil, "", err
	}
	for _, r := range trail {
		before, err := image(r.Old)
		if err != nil {
			return nil, "", err
		}
		after, err := image(r.New)
		if err != nil {
			return nil, "", err
		}
		c := RowChange{At: r.At, Who: r.Who, Kind: r.Kind, Reason: r.Reason}
		if by, _ := after["replaced_by"].(string); by == row {
			c.Withdrawn = true
		} else if by != "" {
			if after, err = h.written(by); err != nil {
				return nil, "", err
			}
			next = by
		}
		if !c.Withdrawn {
			if c.Fields, err = h.difference(before, after); err != nil {
				return nil, "", err
			}
		}
		if c.Withdrawn || len(c.Fields) > 0 {
			list = append(list, c)
		}
	}
	return list, next, nil
}

// written is a row as it was first stored.
func (h historian) written(row string) (map[string]any, error) {
	var data []byte
	err := h.t.QueryRow(h.ctx, `SELECT new FROM audit WHERE workshop_id = $1 AND table_name = $2 AND row_id = $3 AND op = 'I'`, h.workshop, h.table, row).Scan(&data)
	if err != nil {
		return nil, err
	}
	return image(data)
}

// image reads a row of the trail; numbers stay text, so that they stay exact.
func image(data []byte) (map[string]any, error) {
	decoder := json.NewDecoder(bytes.NewReader(data))
	decoder.UseNumber()
	var row map[string]any
	err := decoder.Decode(&row)
	return row, err
}

func (h historian) difference(before, after map[string]any) ([]FieldChange, error) {
	var list []FieldChange
	for column, old := range before {
		now := after[column]
		if inner(column) || old == now { // inner first: a column of JSON cannot be compared, and is one of them
			continue
		}
		from, err := h.words(column, old)
		if err != nil {
			return nil, err
		}
		to, err := h.words(column, now)
		if err != nil {
			return nil, err
		}
		list = append(list, FieldChange{fieldWords(h.style, h.table, column), from, to})
	}
	sort.Slice(list, func(i, j int) bool { return list[i].Field < list[j].Field })
	return list, nil
}

// inner are columns that people never typed: ids of the row itself, folded keys, what follows from others.
func inner(column string) bool {
	switch column {
	case "id", "workshop_id", "change_id", "replaced_by", "content_hash", "typed", "takes":
		return true
	}
	return strings.HasSuffix(column, "_key")
}

// words writes one stored value for people.
func (h historian) words(column string, value any) (string, error) {
	switch v := value.(type) {
	case nil:
		return "", nil
	case bool:
		if v {
			return "yes", nil
		}
		return "no", nil
	case json.Number:
		d, err := decimal.NewFromString(v.String())
		if err != nil {
			return "", err
		}
		for suffix, unit := range map[string]string{"_g": "g", "_c": "°C"} {
			if strings.HasSuffix(column, suffix) {
				d, _ = h.style.In(d, unit)
			}
		}
		return quantity.Format(d), nil
	case string:
		switch {
		case strings.HasPrefix(v, "keyed:"):
			return "(kept private)", nil
		case closedColumns[column]:
			return strings.ReplaceAll(v, "_", " "), nil
		case referTo[column] != "":
			return h.name(column, v)
		case strings.HasSuffix(column, "_at"):
			if at, err := time.Parse(time.RFC3339Nano, v); err == nil {
				return h.style.Moment(at, h.zone), nil
			}
		case strings.HasSuffix(column, "_on"), column == "best_before":
			if d, err := day.Parse(v); err == nil {
				return h.style.Day(d), nil
			}
		}
		return v, nil
	}
	return fmt.Sprint(value), nil
}

// name is what people call the record that an id names.
func (h historian) name(column, id string) (string, error) {
	key := column + " " + id
	if name, known := h.names[key]; known {
		return name, nil
	}
	var name string
	err := h.t.QueryRow(h.ctx, referTo[column], h.workshop, id).Scan(&name)
	if errors.Is(err, pgx.ErrNoRows) {
		name, err = id, nil
	}
	h.names[key] = name
	return name, err
}

// closedColumns hold one of a few words of ours, with _ for a space.
var closedColumns = map[string]bool{"kind": true, "reason": true, "status": true, "disposition": true, "stage": true, "source": true, "came_by": true, "criteria": true, "basis": true, "shelf_life_from": true, "role": true}

// referTo asks for the name or code of the record that a column points to; $1 is the workshop, $2 the id.
var referTo = map[string]string{
	"supplier_id":           `SELECT name FROM supplier WHERE workshop_id = $1 AND id = $2`,
	"material_id":           `SELECT name FROM material WHERE workshop_id = $1 AND id = $2`,
	"untracked_material_id": `SELECT name FROM material WHERE workshop_id = $1 AND id = $2`,
	"lot_id":                `SELECT code FROM material_lot WHERE workshop_id = $1 AND id = $2`,
	"material_lot_id":       `SELECT code FROM material_lot WHERE workshop_id = $1 AND id = $2`,
	"source_lot_id":         `SELECT code FROM material_lot WHERE workshop_id = $1 AND id = $2`,
	"batch_id":              `SELECT code FROM batch WHERE workshop_id = $1 AND id = $2`,
	"source_batch_id":       `SELECT code FROM batch WHERE workshop_id = $1 AND id = $2`,
	"packing_id":            `SELECT code FROM packing WHERE workshop_id = $1 AND id = $2`,
	"source_packing_id":     `SELECT code FROM packing WHERE workshop_id = $1 AND id = $2`,
	"equipment_id":          `SELECT code FROM equipment WHERE workshop_id = $1 AND id = $2`,
	"scale_id":              `SELECT code FROM equipment WHERE workshop_id = $1 AND id = $2`,
	"product_id":            `SELECT name FROM product WHERE workshop_id = $1 AND id = $2`,
	"formula_id":            `SELECT name FROM formula WHERE workshop_id = $1 AND id = $2`,
	"customer_id":           `SELECT name FROM customer WHERE workshop_id = $1 AND id = $2`,
	"dispatch_id":           `SELECT code FROM dispatch WHERE workshop_id = $1 AND id = $2`,
	"made_by":               `SELECT name FROM person WHERE workshop_id = $1 AND id = $2`,
	"decided_by":            `SELECT name FROM person WHERE workshop_id = $1 AND id = $2`,
	"approved_by":           `SELECT name FROM person WHERE workshop_id = $1 AND id = $2`,
}

// fieldNames are columns whose own name says too little, by table and column, or by column alone.
var fieldNames = map[string]string{
	"inci_name": "INCI name", "gtin": "GTIN", "cas_number": "CAS number", "density_g_per_ml": "Density, g per ml", "tracked": "Tracked in lots", "source_note": "Comes from",
	"expiry_counts": "Expiry counts for best-before", "retired_at": "Not bought any more since", "product.retired_at": "Not made any more since", "equipment.retired_at": "Not used any more since", "readability_g": "Smallest step, g", "min_load_g": "Minimum load, g",
	"max_load_g": "Maximum load, g", "check_days": "Days between checks", "reference_g": "Mass put on, g", "shown_g": "Mass shown, g", "next_on": "Due next", "supplier_lot": "Supplier's lot", "unit_cost": "Price a unit",
	"retest_on": "Retest by", "email": "E-mail", "recalled": "In a recall", "late": "Recorded late", "units_good": "Good units", "units_retained": "Units kept back",
	"us_soap": "In the USA", "drill_minutes": "Target of a drill, minutes", "contact": "Where to turn to", "us_small_business": "Small business in the USA",
	"printed": "As printed", "date_precision": "Printed to the", "date_reason": "Date decided by", "opened_months": "Months after opening",
	"material_lot.quantity": "Quantity received", "complaint.n": "Number", "complaint.came_by": "How it came", "complaint.code_said": "Code as read out", "complaint.bought_at": "Where it was bought", "complaint.what": "What happened", "complaint.criteria": "What makes it serious",
}

// suffixes of columns: units stand behind a comma, the kind of a value is not said.
var fieldSuffixes = []struct{ column, words string }{{"_pct", ", %"}, {"_g", ", g"}, {"_c", ", °C"}, {"_id", ""}, {"_at", ""}, {"_on", ""}, {"_by", " by"}}

// fieldWords is what a column is called on pages: "received_on" is "Received", "mass_g" is "Mass, g".
func fieldWords(style measure.Style, table, column string) string {
	words := keptWords(table, column)
	for _, unit := range []string{"g", "°C"} {
		if stem, cut := strings.CutSuffix(words, ", "+unit); cut {
			return stem + ", " + style.Unit(unit)
		}
	}
	return words
}

// keptWords is fieldWords in the units that the book keeps.
func keptWords(table, column string) string {
	for _, key := range []string{table + "." + column, column} {
		if words := fieldNames[key]; words != "" {
			return words
		}
	}
	for _, s := range fieldSuffixes {
		if stem, cut := strings.CutSuffix(column, s.column); cut {
			return capital(strings.ReplaceAll(stem, "_", " ")) + s.words
		}
	}
	return capital(strings.ReplaceAll(column, "_", " "))
}

func capital(words string) string {
	first, size := utf8.DecodeRuneInString(words)
	return string(unicode.ToUpper(first)) + words[size:]
}

// Entered says who wrote a record first and when, for the rule that a helper corrects their own entries of the day, and
// how far its trail goes, for telling whether a page about it is stale.
type Entered struct {
	By   PersonID // zero for a program
	At   time.Time
	Seen string // the last number of the record's trail; forms carry it
}

// entered reads who wrote a record of one of our tables.
func entered[T anyID](ctx context.Context, t pgx.Tx, workshop WorkshopID, table string, id T) (Entered, error) {
	var e Entered
	var by *PersonID
	query, known := enteredQueries[table]
	if !known {
		return e, fmt.Errorf("nobody asks who entered a %q", table)
	}
	err := t.QueryRow(ctx, query, workshop, id, Text(id)).Scan(&by, &e.At, &e.Seen)
	if by != nil {
		e.By = *by
	}
	return e, err
}

const enteredTrail = `coalesce((SELECT max(a.n) FROM audit a WHERE a.workshop_id = $1 AND a.row_id = $3 AND a.table_name = `

var enteredQueries = map[string]string{
	"material_lot": `SELECT c.person_id, c.at, ` + enteredTrail + `'material_lot'), 0)::text FROM material_lot r JOIN change c ON c.workshop_id = r.workshop_id AND c.id = r.change_id WHERE r.workshop_id = $1 AND r.id = $2`,
	"material":     `SELECT c.person_id, c.at, ` + enteredTrail + `'material'), 0)::text FROM material r JOIN change c ON c.workshop_id = r.workshop_id AND c.id = r.change_id WHERE r.workshop_id = $1 AND r.id = $2`,
	"equipment":    `SELECT c.person_id, c.at, ` + enteredTrail + `'equipment'), 0)::text FROM equipment r JOIN change c ON c.workshop_id = r.workshop_id AND c.id = r.change_id WHERE r.workshop_id = $1 AND r.id = $2`,
	"supplier":     `SELECT c.person_id, c.at, ` + enteredTrail + `'supplier'), 0)::text FROM supplier r JOIN change c ON c.workshop_id = r.workshop_id AND c.id = r.change_id WHERE r.workshop_id = $1 AND r.id = $2`,
	"complaint":    `SELECT c.person_id, c.at, ` + enteredTrail + `'complaint'), 0)::text FROM complaint r JOIN change c ON c.workshop_id = r.workshop_id AND c.id = r.change_id WHERE r.workshop_id = $1 AND r.id = $2`,
}

// mayCorrectRow asks mayCorrect of a locked record, and refuses a correction that was written on a page drawn before
// somebody else's change: it would put back old values unseen. An empty seen is not compared.
func mayCorrectRow[T anyID](ctx context.Context, t *tx, table string, id T, seen string) error {
	e, err := entered(ctx, t, t.who.Workshop, table, id)
	if err != nil {
		return err
	}
	var by *PersonID
	if e.By != (PersonID{}) {
		by = &e.By
	}
	if err := t.mayCorrect(by, e.At); err != nil {
		return err
	}
	if seen != "" && seen != e.Seen {
		return fault.New(fault.Conflict, "Somebody changed this meanwhile. Beside each box stands what is in the book now, where it differs from what you typed.")
	}
	return nil
}
