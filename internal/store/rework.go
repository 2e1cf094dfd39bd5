package store

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/shopspring/decimal"

	"example.org/stillroom/internal/access"
	"example.org/stillroom/internal/day"
	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/measure"
	"example.org/stillroom/internal/release"
)

// NewRework asks leave to work rejected or left-over product of a batch into later batches of a formula.
type NewRework struct {
	Batch   string // code of the source
	Formula string // code of what it goes into
	What    string // rejects or left_over
	Grams   decimal.Decimal
	Reason  string
	Really  Really
}

// Rework is leave that was signed.
type Rework struct {
	ID          ReworkID
	Batch       string // code of the source
	Formula     string // code of what it goes into
	FormulaName string
	What        string // rejects or left_over
	Grams       decimal.Decimal
	DrawnG      decimal.Decimal // under this leave
	Reason      string
	Withdrawn   bool
	Signature
	Made
}

// LeftG is what may still be drawn under it.
func (r Rework) LeftG() decimal.Decimal {
	if r.Withdrawn {
		return decimal.Zero
	}
	return decimal.Max(r.Grams.Sub(r.DrawnG), decimal.Zero)
}

// Remainder is rejected or left-over product of a batch: what is there of one kind and reason.
type Remainder struct {
	What   string // rejects or left_over
	Reason string // of rejects
	Units  int
	// Grams as weighed, or by the mean or nominal weight of a unit; not valid where nothing says it.
	Grams decimal.NullDecimal
}

// ReworkPage is a batch with what may be worked in again of it.
type ReworkPage struct {
	Batch      Batch
	Remainders []Remainder
	DrawnG     decimal.Decimal // by later batches, with leave or without
	SignedG    decimal.Decimal // signed for and not drawn yet
	Bad        []string        // lots in it, through every level, that were rejected or recalled: then nothing may be signed for
	Leaves     []Rework        // the oldest first
	Formulas   []FormulaChoice // that it may go into
}

// FormulaChoice is a formula that is in force.
type FormulaChoice struct{ Code, Name string }

// OnHandG is what is there in all; ok is false where part of it was never weighed.
func (p ReworkPage) OnHandG() (grams decimal.Decimal, ok bool) {
	grams, ok = remaining(p.Remainders, "")
	return grams.Sub(p.DrawnG), ok
}

// FreeG is what is there of one kind less what was drawn and signed of it, never below zero.
func (p ReworkPage) FreeG(what string) (grams decimal.Decimal, ok bool) {
	grams, ok = remaining(p.Remainders, what)
	for _, l := range p.Leaves {
		if l.What == what && !l.Withdrawn {
			grams = grams.Sub(l.Grams)
		}
	}
	// What was drawn without leave is of no kind: it may have been all of either.
	total, _ := p.OnHandG()
	return decimal.Max(decimal.Min(grams, total.Sub(p.SignedG)), decimal.Zero), ok
}

// remaining sums remainders of one kind, or of all for "".
func remaining(list []Remainder, what string) (sum decimal.Decimal, ok bool) {
	ok = true
	for _, r := range list {
		if what == "" || r.What == what {
			sum, ok = sum.Add(r.Grams.Decimal), ok && r.Grams.Valid
		}
	}
	return sum, ok
}

// remainders lists what is there of a batch that was not packed as good: rejects by reason, what is left over, and where
// the batch was rejected before it was packed, all of it.
func remainders(ctx context.Context, t pgx.Tx, workshop WorkshopID, b BatchRecord) ([]Remainder, error) {
	m, err := loadMeans(ctx, t, &b, workshop)
	if err != nil {
		return nil, err
	}
	var out []Remainder
	for _, r := range b.Rejects {
		if r.Replaced {
			continue
		}
		u := m.rejected(b, r)
		grams := u.MassG
		each := u.MeanG
		if !each.Valid {
			each = u.NominalG
		}
		if !grams.Valid && each.Valid {
			grams = decimal.NewNullDecimal(each.Decimal.Mul(decimal.NewFromInt(int64(r.Units))))
		}
		at := slices.IndexFunc(out, func(x Remainder) bool { return x.Reason == r.Reason })
		if at < 0 {
			out = append(out, Remainder{What: "rejects", Reason: r.Reason, Grams: decimal.NewNullDecimal(decimal.Zero)})
			at = len(out) - 1
		}
		out[at].Units += r.Units
		out[at].Grams = decimal.NullDecimal{Decimal: out[at].Grams.Decimal.Add(grams.Decimal), Valid: out[at].Grams.Valid && grams.Valid}
	}
	if b.LeftOverG.Valid && b.LeftOverG.Decimal.IsPositive() {
		out = append(out, Remainder{What: "left_over", Grams: b.LeftOverG})
	}
	if in := b.WeighedG(); b.Status == "rejected" && len(b.Packings) == 0 && in.IsPositive() {
		// All of it was rejected: the units rejected before are part of it.
		loss := in.Mul(b.Limits.ExpectedLossPct).Shift(-2)
		if b.LossG.Valid {
			loss = b.LossG.Decimal
		}
		out = []Remainder{{What: "rejects", Reason: "the whole batch", Grams: decimal.NewNullDecimal(in.Sub(loss))}}
	}
	return out, nil
}

// ReworkPage reads what is there of a batch to be worked in again, and what was signed for.
func (s *Store) ReworkPage(ctx context.Context, workshop WorkshopID, code string) (ReworkPage, error) {
	var page ReworkPage
	err := s.read(ctx, workshop, func(t pgx.Tx) error {
		id, _, err := batchOfCode(ctx, t, workshop, code)
		if err != nil {
			return err
		}
		page, err = loadRework(ctx, t, workshop, id)
		if err != nil {
			return err
		}
		rows, err := t.Query(ctx, `SELECT f.code, f.name FROM formula f WHERE f.workshop_id = $1 AND EXISTS (SELECT FROM formula_version v WHERE v.workshop_id = $1 AND v.formula_id = f.id AND v.status = 'approved') ORDER BY f.name, f.code`, workshop)
		if err != nil {
			return err
		}
		page.Formulas, err = pgx.CollectRows(rows, pgx.RowToStructByPos[FormulaChoice])
		return err
	})
	if err != nil {
		return ReworkPage{}, fmt.Errorf("store: rework of %q: %w", code, err)
	}
	return page, nil
}

func loadRework(ctx context.Context, t pgx.Tx, workshop WorkshopID, id BatchID) (ReworkPage, error) {
	record, err := loadBatch(ctx, t, workshop, id)
	if err != nil {
		return ReworkPage{}, err
	}
	page := ReworkPage{Batch: record.Batch, DrawnG: record.Drawn}
	if page.Remainders, err = remainders(ctx, t, workshop, record); err != nil {
		return page, err
	}
	if page.Bad, err = badLots(ctx, t, workshop, id); err != nil {
		return page, err
	}
	if page.Leaves, err = queryReworks(ctx, t, `WHERE r.workshop_id = $1 AND r.batch_id = $2 ORDER BY r.id`, workshop, id); err != nil {
		return page, err
	}
	signed, err := reworkSignatures(ctx, t, workshop, page.Leaves)
	if err != nil {
		return page, err
	}
	for i, l := range page.Leaves {
		page.SignedG = page.SignedG.Add(l.LeftG())
		page.Leaves[i].Signature = signed[i]
	}
	return page, nil
}

// reworkSignatures are the signatures of leaves, each held against what stands now; one that is not there is empty.
func reworkSignatures(ctx context.Context, t pgx.Tx, workshop WorkshopID, leaves []Rework) ([]Signature, error) {
	ids := make([]ReworkID, len(leaves))
	for i, l := range leaves {
		ids[i] = l.ID
	}
	stored, err := storedSignatures(ctx, t, workshop, ids)
	if err != nil {
		return nil, err
	}
	out := make([]Signature, len(leaves))
	for i, l := range leaves {
		if list := stored[l.ID]; len(list) > 0 {
			if out[i], err = list[0].against(func() any { return l.facts() }); err != nil {
				return nil, err
			}
		}
	}
	return out, nil
}

func queryReworks(ctx context.Context, t pgx.Tx, where string, args ...any) ([]Rework, error) {
	rows, err := t.Query(ctx, `SELECT r.id, b.code, f.code, f.name, r.what, r.grams, coalesce((SELECT sum(i.quantity) FROM batch_input i WHERE i.workshop_id = r.workshop_id AND i.rework_id = r.id AND i.replaced_by IS NULL), 0), r.reason, r.withdrawn_at IS NOT NULL,
			g.printed_name, g.meaning, g.local_time, encode(g.content_hash, 'hex'), c.within IS NOT NULL, coalesce(p.name, c.actor), c.at
		FROM rework r JOIN batch b ON b.workshop_id = r.workshop_id AND b.id = r.batch_id JOIN formula f ON f.workshop_id = r.workshop_id AND f.id = r.formula_id JOIN signature g ON g.workshop_id = r.workshop_id AND g.id = r.signature_id
		JOIN change c ON c.workshop_id = r.workshop_id AND c.id = r.change_id LEFT JOIN person p ON p.workshop_id = c.workshop_id AND p.id = c.person_id `+where, args...)
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, func(row pgx.CollectableRow) (Rework, error) {
		var r Rework
		err := row.Scan(&r.ID, &r.Batch, &r.Formula, &r.FormulaName, &r.What, &r.Grams, &r.DrawnG, &r.Reason, &r.Withdrawn, &r.Name, &r.Meaning, &r.LocalTime, &r.Hash, &r.Told, &r.By, &r.At)
		return r, err
	})
}

// signedRework is what a signature of leave signs.
type signedRework struct {
	Batch   string          `json:"batch"`
	Formula string          `json:"formula"`
	What    string          `json:"what"`
	Grams   decimal.Decimal `json:"grams"`
	Reason  string          `json:"reason"`
}

func (r Rework) facts() signedRework {
	return signedRework{r.Batch, r.Formula, r.What, r.Grams, r.Reason}
}

// signedBy names a signer and the day, empty where nobody signed.
func signedBy(style measure.Style, name, on string) string {
	if name == "" {
		return ""
	}
	if d, err := day.Parse(on); err == nil {
		return name + ", " + style.Day(d)
	}
	return name
}

func (n NewRework) check(t *tx, page ReworkPage) error {
	var f fault.Fields
	if n.What != "rejects" && n.What != "left_over" {
		f.Add("what", "Choose rejects or what is left over.")
	}
	switch {
	case !n.Grams.IsPositive():
		f.Add("grams", "How much? Write more than 0.")
	case n.Grams.GreaterThan(mostG):
		f.Add("grams", "That is more than a hundred tonnes.")
	}
	if strings.TrimSpace(n.Reason) == "" {
		f.Add("reason", "Say why it is fit to be worked in again.")
	}
	checkWords(&f, "reason", n.Reason)
	if err := f.Err(); err != nil {
		return err
	}
	// Planning may refuse: nothing has been drawn yet.
	switch free, known := page.FreeG(n.What); {
	case known && n.Grams.GreaterThan(free):
		return fault.In("grams", fmt.Sprintf("Only %s of it is there that is not drawn or signed for already.", t.workshop.Style.Grams(free)))
	case len(page.Remainders) == 0:
		return fault.In("grams", "No rejects of "+page.Batch.Code+" and nothing left over is in the book. Record it there first.")
	}
	return nil
}

// SignRework signs leave to draw rejected or left-over product of a batch into later batches of a formula: before it is
// weighed in, with the password. A batch with a rejected or recalled lot in it, through any number of steps, cannot be
// signed for by anybody. Faults: formula, what, grams, reason, password.
func (s *Store) SignRework(ctx context.Context, who Who, entry Entry, n NewRework, password string) error {
	if err := s.maySign(ctx, who, password); err != nil {
		return err
	}
	_, err := s.write(ctx, who, create, "", entry, func(t *tx) error {
		b, err := t.lockBatch(ctx, n.Batch)
		if err != nil {
			return err
		}
		switch {
		case b.Recalled:
			return fault.New(fault.Conflict, "Batch "+b.Code+" is in a recall. It cannot be worked in again.")
		case b.Yields == "bulk":
			return fault.New(fault.Conflict, "Batch "+b.Code+" is bulk: once it is released, batches draw on it.")
		case b.IsSet():
			return fault.New(fault.Conflict, "Batch "+b.Code+" is a set: take it apart, and its units go back.")
		case b.Status == "making" || b.Status == "void":
			return fault.New(fault.Conflict, "Nothing came out of batch "+b.Code+" yet.")
		}
		// A lot rejected at the same moment waits, or is seen.
		if err := t.holdLots(ctx, node{"batch", b.ID}); err != nil {
			return err
		}
		page, err := loadRework(ctx, t, who.Workshop, b.ID)
		if err != nil {
			return err
		}
		if len(page.Bad) > 0 {
			return fault.New(fault.Conflict, "Batch "+b.Code+" holds what was rejected or recalled: lot "+strings.Join(page.Bad, ", ")+". It cannot be worked in again.")
		}
		var formula FormulaID
		err = t.QueryRow(ctx, `SELECT id FROM formula WHERE workshop_id = $1 AND code = $2`, who.Workshop, n.Formula).Scan(&formula)
		if errors.Is(err, pgx.ErrNoRows) {
			return fault.In("formula", "Choose the formula that it goes into.")
		}
		if err != nil {
			return err
		}
		if err := n.check(t, page); err != nil {
			return err
		}
		id := newID[ReworkID]()
		facts := Rework{Batch: b.Code, Formula: n.Formula, What: n.What, Grams: n.Grams, Reason: strings.TrimSpace(n.Reason)}.facts()
		signature, err := t.sign(ctx, "rework", id, release.Content{Subject: "rework", Code: b.Code, Meaning: "approved", Record: facts})
		if err != nil {
			return err
		}
		_, err = t.Exec(ctx, `INSERT INTO rework (workshop_id, id, batch_id, formula_id, what, grams, reason, signature_id, change_id) VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9)`,
			who.Workshop, id, b.ID, formula, n.What, n.Grams, facts.Reason, signature, t.change)
		return err
	})
	if err != nil {
		return fmt.Errorf("store: sign rework of %q: %w", n.Batch, err)
	}
	return nil
}

// WithdrawRework takes leave back that nothing was drawn under. Faults: reason.
func (s *Store) WithdrawRework(ctx context.Context, who Who, entry Entry, batch string, id ReworkID, reason string) error {
	if err := checkReason(reason); err != nil {
		return err
	}
	if who.Actor == "person" && !access.May(who.Role, access.Release) {
		return fault.New(fault.Forbidden, "Only a maker or the owner takes leave back.")
	}
	_, err := s.write(ctx, who, correct, reason, entry, func(t *tx) error {
		// The source batch orders drawing and taking back.
		b, err := t.lockBatch(ctx, batch)
		if err != nil {
			return err
		}
		list, err := queryReworks(ctx, t, `WHERE r.workshop_id = $1 AND r.batch_id = $2 AND r.id = $3`, who.Workshop, b.ID, id)
		if err != nil {
			return err
		}
		switch {
		case len(list) == 0:
			return fault.New(fault.NotFound, "There is no such leave.")
		case list[0].Withdrawn:
			return fault.New(fault.Conflict, "This leave was taken back already.")
		case list[0].DrawnG.IsPositive():
			return fault.New(fault.Conflict, fmt.Sprintf("%s was drawn under it already: it stays. Correct that weighing first if it was not so.", t.workshop.Style.Grams(list[0].DrawnG)))
		}
		_, err = t.Exec(ctx, `UPDATE rework SET withdrawn_at = $3 WHERE workshop_id = $1 AND id = $2`, who.Workshop, id, t.now)
		return err
	})
	if err != nil {
		return fmt.Errorf("store: withdraw rework of %q: %w", batch, err)
	}
	return nil
}

// reworked finds the leave that covers a weighing from a locked source batch that is no bulk, and says in words what is
// not covered: no leave, too little of it, or more than is there.
func (t *tx) reworked(ctx context.Context, into, source Batch, w Weighing) (*ReworkID, []string, error) {
	page, err := loadRework(ctx, t, t.who.Workshop, source.ID)
	if err != nil {
		return nil, nil, err
	}
	var unfit []string
	if len(page.Bad) > 0 {
		unfit = append(unfit, "Batch "+source.Code+" holds what may not be used: lot "+strings.Join(page.Bad, ", ")+".")
	}
	if have, known := page.OnHandG(); known && len(page.Remainders) > 0 && w.Grams.GreaterThan(have) {
		unfit = append(unfit, fmt.Sprintf("The book holds %s of rejects and left-over of %s.", t.workshop.Style.Grams(decimal.Max(have, decimal.Zero)), source.Code))
	}
	most := decimal.Zero
	for _, l := range page.Leaves {
		if l.Formula != into.FormulaCode || l.Withdrawn || len(page.Bad) > 0 || l.At.After(w.At.Add(time.Minute)) {
			continue
		}
		if !w.Grams.GreaterThan(l.LeftG()) {
			id := l.ID
			return &id, unfit, nil
		}
		most = decimal.Max(most, l.LeftG())
	}
	words := "Rejected or left-over product of " + source.Code + " is worked in again."
	if most.IsPositive() {
		words += " " + fmt.Sprintf("Leave was signed for %s more.", t.workshop.Style.Grams(most))
	}
	return nil, append([]string{words}, unfit...), nil
}

// ReworkFor lists the leaves under which something may still be drawn into batches of a formula.
func (s *Store) ReworkFor(ctx context.Context, workshop WorkshopID, formula string) ([]Rework, error) {
	var list []Rework
	err := s.read(ctx, workshop, func(t pgx.Tx) error {
		all, err := queryReworks(ctx, t, `WHERE r.workshop_id = $1 AND f.code = $2 AND r.withdrawn_at IS NULL ORDER BY r.id`, workshop, formula)
		for _, r := range all {
			if r.LeftG().IsPositive() {
				list = append(list, r)
			}
		}
		return err
	})
	if err != nil {
		return nil, fmt.Errorf("store: rework for %q: %w", formula, err)
	}
	return list, nil
}
