package store

import (
	"context"
	"fmt"
	"sort"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/shopspring/decimal"

	"example.org/stillroom/internal/access"
	"example.org/stillroom/internal/day"
	"example.org/stillroom/internal/equipment"
	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/measure"
	"example.org/stillroom/internal/scaling"
	"example.org/stillroom/internal/weighing"
)

// Weighing is what went into the bowl for one line of the formula, or as an addition where Line is zero.
type Weighing struct {
	Batch       string
	Line        BatchLineID
	Lot         string // code; or
	SourceBatch string // code of bulk, or of a batch whose rejects or left-over are reworked; or neither for untracked and inner lines
	Material    string // for an untracked addition
	Scale       string // code; empty where the workshop keeps none in its book
	Grams       decimal.Decimal
	Typed       string
	More        bool      // the rest follows from a second lot: too little so far is no deviation
	At          time.Time // zero for now
	Really      Really
}

// Weigh records what is in the bowl. What has happened is always stored: outside its limits, from a lot that is not
// fit, or more than the book holds is asked about once (a fault at `really`), then kept with its deviation.
func (s *Store) Weigh(ctx context.Context, who Who, entry Entry, w Weighing) error {
	_, err := s.write(ctx, who, create, "", entry, func(t *tx) error {
		if w.SourceBatch != "" {
			// Before any row, so that two batches that draw on each other's sources cannot wait for each other.
			if err := t.lockGenealogy(ctx); err != nil {
				return err
			}
		}
		b, err := t.openBatch(ctx, w.Batch)
		if err != nil {
			return err
		}
		return t.weigh(ctx, b, w, newID[InputID]())
	})
	if err != nil {
		return fmt.Errorf("store: weigh for %q: %w", w.Batch, err)
	}
	return nil
}

// openBatch locks a batch that still takes entries. A released or rejected batch is read-only but for corrections.
func (t *tx) openBatch(ctx context.Context, code string) (Batch, error) {
	b, err := t.lockBatch(ctx, code)
	if err != nil {
		return b, err
	}
	switch b.Status {
	case "making", "curing", "packing":
		return b, nil
	case "void":
		return b, fault.New(fault.Conflict, "Batch "+code+" is void: it was never begun.")
	}
	return b, fault.New(fault.Conflict, "Batch "+code+" is finished. What is wrong in it is corrected with a reason.")
}

// lockBatch puts entries of one batch in order.
func (t *tx) lockBatch(ctx context.Context, code string) (Batch, error) {
	var id BatchID
	err := t.QueryRow(ctx, `SELECT id FROM batch WHERE workshop_id = $1 AND code = $2 FOR NO KEY UPDATE`, t.who.Workshop, code).Scan(&id)
	if err != nil {
		return Batch{}, notFound(err, fmt.Sprintf("There is no batch %q.", code))
	}
	list, err := queryBatches(ctx, t, `WHERE b.workshop_id = $1 AND b.id = $2`, t.who.Workshop, id)
	if err != nil {
		return Batch{}, err
	}
	return list[0], nil
}

// lineState is a line with what stands recorded for it.
type lineState struct {
	ID           BatchLineID
	Kind         string
	Name         string
	Material     *MaterialID
	MaterialCode string
	Unit         string
	Density      decimal.NullDecimal
	Tracked      bool
	BulkFormula  string
	PortionID    PortionID
	TargetG      decimal.Decimal
	LowG, HighG  decimal.NullDecimal
	SoFarG       decimal.Decimal
	TolerancePct decimal.Decimal
	ToleranceG   decimal.Decimal
}

func (t *tx) line(ctx context.Context, batch BatchID, id BatchLineID) (lineState, error) {
	var l lineState
	err := t.QueryRow(ctx, `SELECT l.id, p.kind, coalesce(m.name, f.name, r.name), p.material_id, coalesce(m.code, ''), coalesce(m.unit, 'g'), m.density_g_per_ml, coalesce(m.tracked, true), coalesce(f.code, ''), l.portion_id,
			l.target_g, l.low_g, l.high_g, coalesce((SELECT sum(i.weighed_g) FROM batch_input i WHERE i.workshop_id = $1 AND i.batch_id = $2 AND i.line_id = l.id AND i.replaced_by IS NULL), 0),
			v.tolerance_pct, v.tolerance_g
		FROM batch_line l JOIN portion_line p ON p.workshop_id = l.workshop_id AND p.id = l.line_id JOIN formula_version v ON v.workshop_id = p.workshop_id AND v.id = p.version_id
		LEFT JOIN material m ON m.workshop_id = p.workshop_id AND m.id = p.material_id LEFT JOIN formula f ON f.workshop_id = p.workshop_id AND f.id = p.bulk_formula_id
		LEFT JOIN portion r ON r.workshop_id = p.workshop_id AND r.id = p.inner_portion_id
		WHERE l.workshop_id = $1 AND l.batch_id = $2 AND l.id = $3`, t.who.Workshop, batch, id).
		Scan(&l.ID, &l.Kind, &l.Name, &l.Material, &l.MaterialCode, &l.Unit, &l.Density, &l.Tracked, &l.BulkFormula, &l.PortionID, &l.TargetG, &l.LowG, &l.HighG, &l.SoFarG, &l.TolerancePct, &l.ToleranceG)
	return l, notFound(err, "There is no such line in this batch.")
}

// outside says in words how far the line is off once grams are added; too little so far may wait for a second lot.
func (l lineState) outside(style measure.Style, grams decimal.Decimal, more bool) []string {
	total := l.SoFarG.Add(grams)
	if !l.outsideAt(total) {
		return nil
	}
	if l.LowG.Valid {
		if more && total.LessThan(l.LowG.Decimal) {
			return nil
		}
		return []string{fmt.Sprintf("%s of %s; the formula allows %s to %s.", style.Grams(total), l.Name, strings.TrimSuffix(style.Grams(l.LowG.Decimal), " "+style.MassUnit()), style.Grams(l.HighG.Decimal))}
	}
	if more && total.LessThan(l.TargetG) {
		return nil
	}
	words := fmt.Sprintf("%s of %s instead of %s: %s.", style.Grams(total), l.Name, style.Grams(l.TargetG), weighing.Words(style, l.TargetG, total, l.TolerancePct, l.ToleranceG))
	if why, likely := weighing.LooksMistyped(style, l.TargetG, total); likely {
		words += " Perhaps " + why + "?"
	}
	return []string{words}
}

// mostG is more than any scale of a small maker shows: what is above it is a barcode in the wrong box.
var mostG = decimal.NewFromInt(100_000_000)

// weigh stores one input under an id. An input that it corrects has been replaced by that id already.
func (t *tx) weigh(ctx context.Context, b Batch, w Weighing, id InputID) error {
	if w.At.IsZero() {
		w.At = t.now
	}
	if w.At.After(t.now.Add(time.Minute)) {
		return fault.In("at", "That time has not come yet.")
	}
	if !w.Grams.IsPositive() {
		return fault.In("grams", "How much is in the bowl? Write more than 0.")
	}
	if w.Grams.GreaterThan(mostG) {
		return fault.In("grams", "That is more than a hundred tonnes.")
	}
	in := newInput{ID: id, Batch: b, Grams: w.Grams, Quantity: w.Grams, Unit: "g", Typed: w.Typed, At: w.At, Late: day.In(w.At, t.workshop.Location()).Before(t.today)}
	var outside []string
	kind := "weight"
	var line lineState
	if w.Line != (BatchLineID{}) {
		var err error
		if line, err = t.line(ctx, b.ID, w.Line); err != nil {
			return err
		}
		in.Line = &line.ID
		outside = line.outside(t.workshop.Style, w.Grams, w.More)
	} else {
		kind = "addition"
		outside = []string{"The formula does not have it."}
	}
	scale, err := t.scale(ctx, w.Scale)
	if err != nil {
		return err
	}
	in.Scale = scale
	deviant, err := t.sourceOf(ctx, b, line, w, &in)
	if err != nil {
		return err
	}
	if in.Rework != nil && in.Line == nil {
		outside = nil // leave was signed for it: the addition itself is no deviation
	}
	if err := w.Really.ask(append(outside, deviant...)); err != nil {
		return err
	}
	if err := t.insertInput(ctx, in); err != nil {
		return err
	}
	if in.Scale != nil {
		if _, err := t.nameUse(ctx, b.ID, nil, *in.Scale, nil, "", in.At); err != nil {
			return err
		}
	}
	if in.Line != nil && len(outside) == 0 && !line.outsideAt(line.SoFarG.Add(w.Grams)) {
		if err := t.settleLine(ctx, b.ID, line.ID); err != nil {
			return err
		}
	}
	if err := t.labelsOut(ctx, b, in); err != nil {
		return err
	}
	return t.deviateInput(ctx, b, in, kind, outside, deviant, w.Really.Reason)
}

// labelsOut raises a deviation for every packing, of this batch or of those that drew on it, whose date is later than
// a source that was entered after packing allows: a printed date never moves by itself.
func (t *tx) labelsOut(ctx context.Context, b Batch, in newInput) error {
	if in.Until.IsZero() || b.Status == "making" || b.Status == "curing" {
		return nil
	}
	set, err := reach(ctx, t, t.who.Workshop, reachForward, node{"batch", b.ID})
	if err != nil {
		return err
	}
	rows, err := t.Query(ctx, `SELECT p.id, p.batch_id, p.code, p.printed, p.units_good FROM packing p JOIN product r ON r.workshop_id = p.workshop_id AND r.id = p.product_id
		WHERE p.workshop_id = $1 AND p.batch_id = ANY ($2::uuid[]) AND r.cap_by_expiry AND p.best_before > $3 ORDER BY p.code`, t.who.Workshop, set["batch"], in.Until)
	if err != nil {
		return err
	}
	type dated struct {
		ID      PackingID
		Batch   BatchID
		Code    string
		Printed string
		Good    int
	}
	list, err := pgx.CollectRows(rows, pgx.RowToStructByPos[dated])
	if err != nil {
		return err
	}
	for _, p := range list {
		if err := t.deviate(ctx, deviant{Kind: "date", Batch: &p.Batch, Packing: &p.ID, About: in.ID,
			What: fmt.Sprintf("%s in %s is good until %s; the labels of %s (%s) say %s.", in.Name, b.Code, t.workshop.Style.Day(in.Until), p.Code, plural(p.Good, "unit", "units"), p.Printed)}); err != nil {
			return err
		}
	}
	return nil
}

// settleLine ends what was open about a line's weight: another lot, or a correction, brought it into its limits.
func (t *tx) settleLine(ctx context.Context, batch BatchID, line BatchLineID) error {
	_, err := t.Exec(ctx, `UPDATE deviation d SET withdrawn_at = $4 FROM batch_input i WHERE d.workshop_id = $1 AND d.batch_id = $2 AND d.kind = 'weight' AND d.decision IS NULL AND d.withdrawn_at IS NULL
		AND i.workshop_id = $1 AND i.batch_id = $2 AND i.line_id = $3 AND i.id = d.about_id`, t.who.Workshop, batch, line, t.now)
	return err
}

// outsideAt tells whether a total is outside what the line allows.
func (l lineState) outsideAt(total decimal.Decimal) bool {
	if l.LowG.Valid {
		return weighing.OutsideRange(l.LowG.Decimal, l.HighG.Decimal, total)
	}
	return weighing.Outside(l.TargetG, total, l.TolerancePct, l.ToleranceG)
}

func (t *tx) deviateInput(ctx context.Context, b Batch, in newInput, kind string, outside, unfit []string, reason string) error {
	if len(outside) > 0 {
		what := strings.Join(outside, " ")
		if kind == "addition" {
			what = fmt.Sprintf("%s of %s added; the formula does not have it.", t.workshop.Style.Grams(in.Grams), in.Name)
		}
		if err := t.deviate(ctx, deviantInput(b, in, kind, what, reason)); err != nil {
			return err
		}
	}
	if len(unfit) > 0 {
		return t.deviate(ctx, deviantInput(b, in, "lot", strings.Join(unfit, " "), reason))
	}
	return nil
}

func deviantInput(b Batch, in newInput, kind, what, reason string) deviant {
	return deviant{Kind: kind, Batch: &b.ID, Lot: in.Lot, About: in.ID, What: what, Reason: reason}
}

// newInput is a row of batch_input to be.
type newInput struct {
	ID        InputID
	Batch     Batch
	Line      *BatchLineID
	Lot       *LotID
	Source    *BatchID
	Rework    *ReworkID // the leave under which it is drawn
	Untracked *MaterialID
	Scale     *EquipmentID
	Inner     bool
	Name      string
	Quantity  decimal.Decimal
	Unit      string
	Grams     decimal.Decimal
	Typed     string
	At        time.Time
	Late      bool
	Until     day.Day // of the source: caps the dates of what is packed; zero where it does not count
}

func (t *tx) insertInput(ctx context.Context, in newInput) error {
	_, err := t.Exec(ctx, `INSERT INTO batch_input (workshop_id, id, batch_id, line_id, material_lot_id, source_batch_id, untracked_material_id, inner_line, quantity, unit, weighed_g, typed, happened_at, late, rework_id, scale_id, change_id)
		VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13, $14, $15, $16, $17)`,
		t.who.Workshop, in.ID, in.Batch.ID, in.Line, in.Lot, in.Source, in.Untracked, in.Inner, in.Quantity, in.Unit, in.Grams, in.Typed, in.At, in.Late, in.Rework, in.Scale, t.change)
	return err
}

// sourceOf finds where it came from, draws it, and says in words what about the source was not fit.
func (t *tx) sourceOf(ctx context.Context, b Batch, line lineState, w Weighing, in *newInput) (unfit []string, err error) {
	in.Name = line.Name
	on := day.In(w.At, t.workshop.Location())
	switch {
	case line.Kind == "portion":
		in.Inner = true
		return nil, nil
	case w.Lot != "":
		return t.fromLot(ctx, line, w, in, on)
	case w.SourceBatch != "":
		return t.fromBatch(ctx, b, line, w, in, on)
	case line.Kind == "material" && !line.Tracked:
		in.Untracked = line.Material
		return nil, nil
	case w.Material != "" && line.Kind == "":
		m, err := materialByCode(ctx, t, t.who.Workshop, w.Material)
		if err != nil {
			return nil, faultIn("lot", err)
		}
		if m.Tracked {
			return nil, fault.In("lot", "From which lot of "+m.Name+"?")
		}
		in.Untracked, in.Name = &m.ID, m.Name
		return nil, nil
	case line.Kind == "bulk":
		return nil, fault.In("lot", "From which batch of "+line.Name+"?")
	}
	return nil, fault.In("lot", "From which lot?")
}

func (t *tx) fromLot(ctx context.Context, line lineState, w Weighing, in *newInput, on day.Day) (unfit []string, err error) {
	l, err := t.lockLot(ctx, w.Lot)
	if err != nil {
		return nil, faultIn("lot", err)
	}
	if line.Kind != "" && (line.Material == nil || l.Material.ID != *line.Material) {
		return nil, fault.In("lot", fmt.Sprintf("Lot %s is %s, not %s. If that is what is in the bowl, add it as something the formula does not have.", l.Code, l.Material.Name, line.Name))
	}
	in.Lot, in.Name, in.Unit = &l.ID, l.Material.Name, l.Material.Unit
	if l.Material.ExpiryCounts {
		in.Until = l.ExpiresOn
	}
	if l.Material.Unit == "ml" {
		if !l.Material.Density.Valid {
			return nil, fault.In("lot", l.Material.Name+" is kept in ml and has no density; add it to the material first.")
		}
		in.Quantity = w.Grams.DivRound(l.Material.Density.Decimal, 4)
	} else if l.Material.Unit == "each" {
		return nil, fault.In("lot", l.Material.Name+" is counted in pieces and cannot be weighed in.")
	}
	if _, err := t.draw(ctx, l, in.Quantity, on); err != nil {
		return nil, err
	}
	if l.OpenedOn.IsZero() {
		if _, err := t.Exec(ctx, `UPDATE material_lot SET opened_on = $3 WHERE workshop_id = $1 AND id = $2`, t.who.Workshop, l.ID, on); err != nil {
			return nil, err
		}
	}
	return lotUnfit(t.workshop.Style, l, on), nil
}

// lotUnfit says why a lot may not be used on a day, in words; nothing where it may.
func lotUnfit(style measure.Style, l Lot, on day.Day) []string {
	var out []string
	switch {
	case l.Recalled:
		out = append(out, "Lot "+l.Code+" is in a recall and may not be used.")
	case l.Status == "rejected":
		out = append(out, "Lot "+l.Code+" was rejected and may not be used.")
	case len(l.Holds) > 0:
		out = append(out, "Lot "+l.Code+" holds what was rejected or recalled and may not be used: lot "+strings.Join(l.Holds, ", ")+".")
	case l.Status == "quarantined":
		out = append(out, "Lot "+l.Code+" is still in quarantine.")
	}
	if !l.ExpiresOn.IsZero() && l.ExpiresOn.Before(on) {
		out = append(out, "Lot "+l.Code+" expired on "+style.Day(l.ExpiresOn)+".")
	}
	if l.FailedTest {
		out = append(out, "Lot "+l.Code+" did not pass when it was last looked at.")
	}
	return out
}

func (t *tx) fromBatch(ctx context.Context, b Batch, line lineState, w Weighing, in *newInput, on day.Day) (unfit []string, err error) {
	source, err := t.lockBatch(ctx, w.SourceBatch)
	if err != nil {
		return nil, faultIn("lot", err)
	}
	if line.Kind == "bulk" && source.FormulaCode != line.BulkFormula {
		return nil, fault.In("lot", fmt.Sprintf("Batch %s is %s, not %s.", source.Code, source.FormulaName, line.Name))
	}
	if err := t.refuseCycle(ctx, b.ID, source.ID); err != nil {
		return nil, faultInConflict("lot", err)
	}
	in.Source, in.Name, in.Until = &source.ID, source.FormulaName, source.BestBefore
	if in.Name == "" {
		in.Name = source.ProductName
	}
	if source.Yields != "bulk" {
		in.Rework, unfit, err = t.reworked(ctx, b, source, w)
		return unfit, err
	}
	list, err := bulkSources(ctx, t, t.who.Workshop, source.FormulaCode)
	if err != nil {
		return nil, err
	}
	bulk := BulkSource{Code: source.Code, Status: source.Status, BestBefore: source.BestBefore, Recalled: source.Recalled} // where nothing is left
	for _, s := range list {
		if s.Code == source.Code {
			bulk = s
		}
	}
	unfit = bulk.Unfit(t.workshop.Style, on)
	short, err := t.drawBulk(ctx, source, w.Grams, on)
	if short.IsPositive() {
		unfit = append(unfit, fmt.Sprintf("The book holds %s of %s.", t.workshop.Style.Grams(decimal.Max(w.Grams.Sub(short), decimal.Zero)), source.Code))
	}
	return unfit, err
}

func faultInConflict(field string, err error) error {
	if f := fault.As(err); f != nil && f.Kind == fault.Conflict {
		return fault.In(field, f.Message)
	}
	return err
}

// Correction replaces an input: another weight, another lot or source batch, or withdrawn altogether.
type Correction struct {
	Batch       string
	Input       InputID
	Grams       decimal.Decimal
	Lot         string // code; empty for the one it was
	SourceBatch string // code; empty for the one it was
	Scale       string // code; empty for the one it was
	Withdraw    bool
	Typed       string
	Reason      string
	Really      Really
}

// CorrectInput replaces what was recorded by what is true. One's own entry of the day a helper may correct; any other
// needs a maker. The old value stays, struck through; the ledger follows, also what the old entry had booked as more
// than recorded; its open deviations are withdrawn and, where the new value is outside its limits too, raised anew.
func (s *Store) CorrectInput(ctx context.Context, who Who, entry Entry, c Correction) error {
	_, err := s.write(ctx, who, correct, c.Reason, entry, func(t *tx) error {
		if err := t.lockGenealogy(ctx); err != nil {
			return err
		}
		b, err := t.lockBatch(ctx, c.Batch)
		if err != nil {
			return err
		}
		if b.Status == "void" {
			return fault.New(fault.Conflict, "Batch "+b.Code+" is void.")
		}
		if b.IsSet() {
			return fault.New(fault.Conflict, "Batch "+b.Code+" is a set: what went into it is corrected on the set's own page.")
		}
		old, err := t.inputToCorrect(ctx, b, c.Input)
		if err != nil {
			return err
		}
		w := old.again(c)
		// Both lots are locked in one order, so that two corrections cannot wait for each other.
		if err := t.lockLots(ctx, old.Lot, w.Lot); err != nil {
			return err
		}
		next := c.Input // its own id: withdrawn
		if !c.Withdraw {
			next = newID[InputID]()
		}
		if _, err := t.Exec(ctx, `UPDATE batch_input SET replaced_by = $4 WHERE workshop_id = $1 AND batch_id = $2 AND id = $3`, who.Workshop, b.ID, c.Input, next); err != nil {
			return err
		}
		if err := t.withdrawDeviations(ctx, c.Input); err != nil {
			return err
		}
		if err := t.undraw(ctx, old); err != nil {
			return err
		}
		if !c.Withdraw {
			if err := t.weigh(ctx, b, w, next); err != nil {
				return err
			}
		}
		if err := t.coverBulk(ctx, old.Source); err != nil {
			return err
		}
		return t.cover(ctx, old.Lot)
	})
	if err != nil {
		return fmt.Errorf("store: correct input of %q: %w", c.Batch, err)
	}
	return nil
}

// again is the weighing that takes the old one's place.
func (old oldInput) again(c Correction) Weighing {
	w := Weighing{Batch: c.Batch, Lot: old.Lot, SourceBatch: old.Source, Material: old.Untracked, Scale: old.Scale, Grams: c.Grams, Typed: c.Typed, At: old.At, Really: c.Really}
	if old.Line != nil {
		w.Line = *old.Line
	}
	if old.Lot != "" && c.Lot != "" {
		w.Lot = c.Lot
	}
	if old.Source != "" && c.SourceBatch != "" {
		w.SourceBatch = c.SourceBatch
	}
	if c.Scale != "" {
		w.Scale = c.Scale
	}
	if w.Really.Reason == "" {
		w.Really.Reason = c.Reason
	}
	return w
}

// undraw takes back what an input that is replaced had booked as more than recorded: it rested on the old value.
func (t *tx) undraw(ctx context.Context, old oldInput) error {
	_, err := t.Exec(ctx, `UPDATE stock_move m SET replaced_by = m.id FROM material_lot l WHERE m.workshop_id = $1 AND m.change_id = $2 AND m.more_than_recorded AND m.replaced_by IS NULL
		AND l.workshop_id = $1 AND l.id = m.lot_id AND l.code = $3`, t.who.Workshop, old.Change, old.Lot)
	if err != nil || old.Source == "" {
		return err
	}
	_, err = t.Exec(ctx, `UPDATE bulk_move m SET replaced_by = m.id FROM batch b WHERE m.workshop_id = $1 AND m.change_id = $2 AND m.more_than_recorded AND m.replaced_by IS NULL
		AND b.workshop_id = $1 AND b.id = m.batch_id AND b.code = $3`, t.who.Workshop, old.Change, old.Source)
	return err
}

// cover books as more than recorded what a locked lot is short of, once what it rested on was taken back: others may
// have drawn on it since.
func (t *tx) cover(ctx context.Context, lot string) error {
	if lot == "" {
		return nil
	}
	l, err := lotByCode(ctx, t, t.who.Workshop, lot)
	if err != nil {
		return err
	}
	_, err = t.draw(ctx, l, decimal.Zero, t.today)
	return err
}

type oldInput struct {
	Line      *BatchLineID
	Lot       string
	Source    string
	Untracked string
	Scale     string
	At        time.Time
	Change    ChangeID
}

func (t *tx) inputToCorrect(ctx context.Context, b Batch, id InputID) (oldInput, error) {
	var old oldInput
	var person *PersonID
	var recorded time.Time
	var replaced bool
	err := t.QueryRow(ctx, `SELECT i.line_id, coalesce(l.code, ''), coalesce(s.code, ''), coalesce(m.code, ''), coalesce(e.code, ''), coalesce(i.happened_at, c.at), c.person_id, c.at, c.id, i.replaced_by IS NOT NULL
		FROM batch_input i JOIN change c ON c.workshop_id = i.workshop_id AND c.id = i.change_id
		LEFT JOIN material_lot l ON l.workshop_id = i.workshop_id AND l.id = i.material_lot_id LEFT JOIN batch s ON s.workshop_id = i.workshop_id AND s.id = i.source_batch_id
		LEFT JOIN material m ON m.workshop_id = i.workshop_id AND m.id = i.untracked_material_id LEFT JOIN equipment e ON e.workshop_id = i.workshop_id AND e.id = i.scale_id
		WHERE i.workshop_id = $1 AND i.batch_id = $2 AND i.id = $3`, t.who.Workshop, b.ID, id).
		Scan(&old.Line, &old.Lot, &old.Source, &old.Untracked, &old.Scale, &old.At, &person, &recorded, &old.Change, &replaced)
	if err != nil {
		return old, notFound(err, "That is not in the book of this batch.")
	}
	if replaced {
		return old, fault.New(fault.Conflict, "This was corrected meanwhile. Look at what stands now.")
	}
	return old, t.mayCorrect(person, recorded)
}

// mayCorrect lets a helper correct what they entered themselves today; everything else is a maker's.
func (t *tx) mayCorrect(by *PersonID, at time.Time) error {
	own := by != nil && *by == t.who.Person && day.In(at, t.workshop.Location()) == t.today
	if t.who.Actor != "person" || access.May(t.who.Role, access.CorrectAny) || own && access.May(t.who.Role, access.CorrectOwn) {
		return nil
	}
	return fault.New(fault.Forbidden, "You may correct what you entered yourself today. For anything else ask a maker.")
}

func (t *tx) lockLots(ctx context.Context, codes ...string) error {
	sort.Strings(codes)
	for _, code := range codes {
		if code == "" {
			continue
		}
		if _, err := t.lockLot(ctx, code); err != nil {
			return faultIn("lot", err)
		}
	}
	return nil
}

// Rescaled is a line still to be weighed, before and after the rest of its portion is rescaled.
type Rescaled struct {
	ID             BatchLineID
	Name           string
	TargetG, NextG decimal.Decimal
	OverLimit      bool // what is used of it in the whole batch would then be over its limit of use
}

// RestOf tells what RescaleRest would do after a line was weighed; nothing where nothing of its portion is left to
// weigh, or the line is still to be weighed itself.
func (s *Store) RestOf(ctx context.Context, workshop WorkshopID, batch BatchRecord, line BatchLineID) ([]Rescaled, error) {
	var list []Rescaled
	err := s.read(ctx, workshop, func(t pgx.Tx) error {
		w, err := scanWorkshop(t.QueryRow(ctx, `SELECT `+workshopColumns+` FROM workshop WHERE id = $1`, workshop))
		if err == nil {
			list, err = restOf(ctx, t, w, batch.ID, line)
		}
		return err
	})
	if err != nil {
		return nil, fmt.Errorf("store: rest of a portion of %q: %w", batch.Code, err)
	}
	return list, nil
}

// restOf counts from what was planned, so that rescaling twice is rescaling once.
func restOf(ctx context.Context, t pgx.Tx, w Workshop, batch BatchID, id BatchLineID) ([]Rescaled, error) {
	rows, err := t.Query(ctx, `SELECT l.id, l.portion_id, coalesce(m.name, f.name, r.name), l.planned_g, l.target_g, l.low_g IS NOT NULL, p.max_pct, coalesce(m.code, ''), x.weighed_g
		FROM batch_line l JOIN portion_line p ON p.workshop_id = l.workshop_id AND p.id = l.line_id LEFT JOIN material m ON m.workshop_id = p.workshop_id AND m.id = p.material_id
		LEFT JOIN formula f ON f.workshop_id = p.workshop_id AND f.id = p.bulk_formula_id LEFT JOIN portion r ON r.workshop_id = p.workshop_id AND r.id = p.inner_portion_id
		LEFT JOIN LATERAL (SELECT sum(i.weighed_g) AS weighed_g FROM batch_input i WHERE i.workshop_id = l.workshop_id AND i.batch_id = l.batch_id AND i.line_id = l.id AND i.replaced_by IS NULL) x ON true
		WHERE l.workshop_id = $1 AND l.batch_id = $2 ORDER BY l.position`, w.ID, batch)
	if err != nil {
		return nil, err
	}
	type row struct {
		ID       BatchLineID
		Portion  PortionID
		Name     string
		PlannedG decimal.Decimal
		TargetG  decimal.Decimal
		AsNeeded bool
		MaxPct   decimal.NullDecimal
		Material string
		WeighedG decimal.NullDecimal
	}
	lines, err := pgx.CollectRows(rows, pgx.RowToStructByPos[row])
	if err != nil {
		return nil, err
	}
	var of row
	for _, l := range lines {
		if l.ID == id {
			of = l
		}
	}
	if !of.WeighedG.Valid || !of.PlannedG.IsPositive() {
		return nil, nil
	}
	factor := scaling.FactorAfter(of.WeighedG.Decimal, of.PlannedG)
	scales, err := scalesOf(ctx, t, w)
	if err != nil {
		return nil, err
	}
	var list []Rescaled
	total, used := decimal.Zero, map[string]decimal.Decimal{}
	for _, l := range lines {
		mass := l.TargetG
		switch {
		case l.WeighedG.Valid:
			mass = l.WeighedG.Decimal
		case l.Portion == of.Portion && !l.AsNeeded:
			next := l.PlannedG.Mul(factor)
			mass = scaling.Rescale([]decimal.Decimal{l.PlannedG}, factor, scales[equipment.Best(scales, next)].ReadabilityG)[0]
			list = append(list, Rescaled{ID: l.ID, Name: l.Name, TargetG: l.TargetG, NextG: mass})
		}
		if l.Material != "" {
			used[l.Material], total = used[l.Material].Add(mass), total.Add(mass)
		}
	}
	over := map[BatchLineID]bool{}
	for _, l := range lines {
		over[l.ID] = l.MaxPct.Valid && used[l.Material].Mul(decimal.NewFromInt(100)).GreaterThan(total.Mul(l.MaxPct.Decimal))
	}
	for i, l := range list {
		list[i].OverLimit = over[l.ID]
	}
	return list, nil
}

// RescaleRest sets the targets of a portion's lines that are still to be weighed in the ratio in which one line was
// mis-weighed, after its deviation.
func (s *Store) RescaleRest(ctx context.Context, who Who, entry Entry, batch string, id BatchLineID) error {
	_, err := s.write(ctx, who, correct, "rest of the portion rescaled after a mis-weighing", entry, func(t *tx) error {
		b, err := t.openBatch(ctx, batch)
		if err != nil {
			return err
		}
		list, err := restOf(ctx, t, t.workshop, b.ID, id)
		if err != nil {
			return err
		}
		if len(list) == 0 {
			return fault.New(fault.Conflict, "Nothing of this portion is left to be rescaled.")
		}
		for _, l := range list {
			if l.NextG.Equal(l.TargetG) {
				continue
			}
			if _, err := t.Exec(ctx, `UPDATE batch_line SET target_g = $3 WHERE workshop_id = $1 AND id = $2`, who.Workshop, l.ID, l.NextG); err != nil {
				return err
			}
		}
		return nil
	})
	if err != nil {
		return fmt.Errorf("store: rescale %q: %w", batch, err)
	}
	return nil
}

// LotChoice is a lot that a line may be weighed from.
type LotChoice struct {
	Lot
	Unfit []string // why not, in words; it may be in the bowl all the same
}

// LotsFor lists the lots of a material with something in them: those fit to use first, the opened one before others,
// then by expiry. With one fit lot it is the one to preselect.
func (s *Store) LotsFor(ctx context.Context, workshop WorkshopID, material string, on day.Day) ([]LotChoice, error) {
	var list []LotChoice
	err := s.read(ctx, workshop, func(t pgx.Tx) error {
		lots, err := queryLots(ctx, t, `WHERE l.workshop_id = $1 AND m.code = $2 AND s.on_hand > 0 AND l.emptied_on IS NULL
			ORDER BY l.opened_on IS NULL, l.expires_on NULLS LAST, l.received_on, l.code`, workshop, material)
		if err != nil {
			return err
		}
		style, err := styleOf(ctx, t, workshop)
		for _, l := range lots {
			list = append(list, LotChoice{l, lotUnfit(style, l, on)})
		}
		sort.SliceStable(list, func(i, j int) bool { return len(list[i].Unfit) == 0 && len(list[j].Unfit) > 0 })
		return err
	})
	if err != nil {
		return nil, fmt.Errorf("store: lots for %q: %w", material, err)
	}
	return list, nil
}

// BulkFor lists the batches of a bulk formula with something left.
func (s *Store) BulkFor(ctx context.Context, workshop WorkshopID, formula string) ([]BulkSource, error) {
	var list []BulkSource
	err := s.read(ctx, workshop, func(t pgx.Tx) (err error) {
		list, err = bulkSources(ctx, t, workshop, formula)
		return err
	})
	if err != nil {
		return nil, fmt.Errorf("store: bulk for %q: %w", formula, err)
	}
	return list, nil
}
