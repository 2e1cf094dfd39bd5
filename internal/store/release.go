package store

import (
	"bytes"
	"context"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/shopspring/decimal"

	"example.org/stillroom/internal/access"
	"example.org/stillroom/internal/bestbefore"
	"example.org/stillroom/internal/day"
	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/release"
	"example.org/stillroom/internal/yield"
)

// PackagingLine is packaging taken from a lot for a packing.
type PackagingLine struct {
	ID       PackingInputID
	Material string // code
	Name     string
	Unit     string
	Lot      string // code
	Quantity decimal.Decimal
	Spoiled  decimal.Decimal
	// Issued and Returned as somebody counted them, not valid where nobody did.
	Issued, Returned decimal.NullDecimal
	Replaced         bool
	Made
}

// Used is what went into units.
func (l PackagingLine) Used() decimal.Decimal { return l.Quantity.Sub(l.Spoiled) }

// Out is what was handed out: as counted, else what was used, spoiled and put back.
func (l PackagingLine) Out() decimal.Decimal {
	if l.Issued.Valid {
		return l.Issued.Decimal
	}
	return l.Quantity.Add(l.Returned.Decimal)
}

func packagingLines(ctx context.Context, t pgx.Tx, workshop WorkshopID, packing PackingID) ([]PackagingLine, error) {
	of, err := packagingOfPackings(ctx, t, workshop, []PackingID{packing})
	return of[packing], err
}

func packagingOfPackings(ctx context.Context, t pgx.Tx, workshop WorkshopID, packings []PackingID) (map[PackingID][]PackagingLine, error) {
	rows, err := t.Query(ctx, `SELECT e.packing_id, e.id, m.code, m.name, m.unit, l.code, e.quantity, e.spoiled, e.issued, e.returned, e.replaced_by IS NOT NULL, coalesce(p.name, c.actor), c.at FROM packing_input e JOIN material_lot l ON l.workshop_id = e.workshop_id AND l.id = e.material_lot_id
		JOIN material m ON m.workshop_id = l.workshop_id AND m.id = l.material_id`+madeBy+`WHERE e.workshop_id = $1 AND e.packing_id = ANY ($2::uuid[]) ORDER BY m.name, c.at, e.id`, workshop, packings)
	if err != nil {
		return nil, err
	}
	of := map[PackingID][]PackagingLine{}
	var packing PackingID
	var l PackagingLine
	_, err = pgx.ForEachRow(rows, []any{&packing, &l.ID, &l.Material, &l.Name, &l.Unit, &l.Lot, &l.Quantity, &l.Spoiled, &l.Issued, &l.Returned, &l.Replaced, &l.By, &l.At}, func() error {
		of[packing], l = append(of[packing], l), PackagingLine{}
		return nil
	})
	return of, err
}

// Signature is a signed decision as it is shown.
type Signature struct {
	ID        SignatureID
	Name      string
	Meaning   string // released, rejected
	LocalTime string
	Hash      string          // hex SHA-256 of what was signed
	Seen      json.RawMessage // the conditions that the signer saw
	// Broken tells that the record is no longer what was signed.
	Broken bool
	// Told tells that it came in with an import: a file says that it was signed, and this program did not see it.
	Told bool
}

// PackingRecord is a packing with everything that its release is judged by.
type PackingRecord struct {
	Packing
	Batch      BatchRecord
	Packaging  []PackagingLine
	Need       []PackagingNeed // what a unit took of each packaging material when it was packed; without lots
	Runs       []BatchControl  // of stage packing, for units of this size, with this packing's readings
	Others     []BatchControl  // of stage packing, for units of another size: they were not asked for
	Yield      Yield
	Conditions []release.Condition
	Signatures []Signature
	Changes    []RowChange
	Unknown    []string // lots and source batches that count and have no known date
	Bad        []string // lots in it, through every level and on it, that were rejected or recalled
	Recorded   Made
	Late       bool // written down on a later day than it was packed
}

// Labels are the labels of a packing where no lots count them; false where nobody counted, or none were used.
func (p Packing) Labels() (l yield.Packaging, counted bool) {
	whole := func(n *int) decimal.Decimal {
		if n == nil {
			return decimal.Zero
		}
		return decimal.NewFromInt(int64(*n))
	}
	l = yield.Packaging{Used: whole(p.LabelsUsed), Spoiled: whole(p.LabelsSpoiled), Returned: whole(p.LabelsReturned)}
	l.Issued = decimal.Sum(l.Used, l.Spoiled, l.Returned)
	if p.LabelsIssued != nil {
		l.Issued = whole(p.LabelsIssued)
	}
	return l, l.Used.IsPositive() || l.Issued.IsPositive()
}

// Open counts the conditions that stand in the way of the release.
func (p PackingRecord) Open() int { return release.Open(p.Conditions) }

// Deviations are those of the batch and of this packing, not of its other packings.
func (p PackingRecord) Deviations() []Deviation {
	var out []Deviation
	for _, d := range p.Batch.Deviations {
		if d.Packing == "" || d.Packing == p.Code {
			out = append(out, d)
		}
	}
	return out
}

// SeenHash names the conditions as they stand, so that a releaser signs what they saw and nothing else.
func SeenHash(conditions []release.Condition) string {
	content, err := release.Canonical(conditions)
	if err != nil {
		return ""
	}
	hash := release.Hash(content)
	return hex.EncodeToString(hash[:])
}

// PackingRecord reads a packing, judges its release and checks its signatures.
func (s *Store) PackingRecord(ctx context.Context, workshop WorkshopID, code string) (PackingRecord, error) {
	var r PackingRecord
	err := s.read(ctx, workshop, func(t pgx.Tx) error {
		p, err := packingByCode(ctx, t, workshop, code)
		if err != nil {
			return err
		}
		r, err = loadPacking(ctx, t, workshop, p)
		return err
	})
	if err != nil {
		return PackingRecord{}, fmt.Errorf("store: packing record %q: %w", code, err)
	}
	return r, nil
}

// ReleasePacking lets a packing leave quarantine: every condition is judged anew under locks, the releaser signs with
// the password, and what was signed is kept with its hash. seen is SeenHash of the conditions on the page that was
// signed; where they have changed since, nothing is signed.
func (s *Store) ReleasePacking(ctx context.Context, who Who, entry Entry, code, password, seen string) error {
	err := s.signPacking(ctx, who, entry, code, password, "", func(r PackingRecord) (status string, err error) {
		if seen != "" && seen != SeenHash(r.Conditions) {
			return "", fault.New(fault.Conflict, "The conditions have changed since you opened the page. Look at them again before you sign.")
		}
		if n := r.Open(); n > 0 {
			return "", fault.New(fault.Conflict, fmt.Sprintf("%s in the way of this release.", plural(n, "condition stands", "conditions stand")))
		}
		return "released", nil
	})
	if err != nil {
		return fmt.Errorf("store: release packing %q: %w", code, err)
	}
	return nil
}

// RejectPacking is the signed decision that a packing does not leave.
func (s *Store) RejectPacking(ctx context.Context, who Who, entry Entry, code, password, reason string) error {
	if err := checkReason(reason); err != nil {
		return err
	}
	err := s.signPacking(ctx, who, entry, code, password, reason, func(PackingRecord) (string, error) { return "rejected", nil })
	if err != nil {
		return fmt.Errorf("store: reject packing %q: %w", code, err)
	}
	return nil
}

func checkReason(reason string) error {
	if strings.TrimSpace(reason) == "" {
		return fault.In("reason", "Say why.")
	}
	if len([]rune(reason)) > 1000 {
		return fault.In("reason", "At most 1,000 characters, please.")
	}
	return nil
}

// maySign asks for the right and the password; a program signs for the person it names without one.
func (s *Store) maySign(ctx context.Context, who Who, password string) error {
	if who.Person == (PersonID{}) {
		return fault.New(fault.Forbidden, "A release is signed by a person.")
	}
	if who.Actor != "person" {
		return nil
	}
	if !access.May(who.Role, access.Release) {
		return fault.New(fault.Forbidden, "Only a maker or the owner signs a release.")
	}
	return s.ConfirmPassword(ctx, who, password, "password")
}

func (s *Store) signPacking(ctx context.Context, who Who, entry Entry, code, password, reason string, decide func(PackingRecord) (string, error)) error {
	if err := s.maySign(ctx, who, password); err != nil {
		return err
	}
	_, err := s.write(ctx, who, progress, reason, entry, func(t *tx) error {
		p, err := packingByCode(ctx, t, who.Workshop, code)
		if err != nil {
			return err
		}
		b, err := t.lockBatch(ctx, p.BatchCode)
		if err != nil {
			return err
		}
		locked, err := t.lockPackings(ctx, []PackingID{p.ID})
		if err != nil {
			return err
		}
		if p = locked[p.ID]; p.Status != "quarantined" {
			return fault.New(fault.Conflict, "Packing "+p.Code+" is "+p.Status+" already.")
		}
		// Lots keep their state until the signature stands: a lot rejected at the same moment waits, or is seen.
		if err := t.holdLots(ctx, node{"batch", b.ID}, node{"packing", p.ID}); err != nil {
			return err
		}
		r, err := loadPacking(ctx, t, who.Workshop, p)
		if err != nil {
			return err
		}
		status, err := decide(r)
		if err != nil {
			return err
		}
		if _, err := t.decidePacking(ctx, r, status, reason); err != nil {
			return err
		}
		return t.settleBatch(ctx, b.ID)
	})
	return err
}

// decidePacking signs a locked packing as released or rejected.
func (t *tx) decidePacking(ctx context.Context, r PackingRecord, status, reason string) (SignatureID, error) {
	id, err := t.sign(ctx, "packing", r.ID, release.Content{Subject: release.Packing, Code: r.Code, Meaning: status, Record: r.facts(t.now), Listed: listed(r.Conditions, reason)})
	if err != nil {
		return id, err
	}
	_, err = t.Exec(ctx, `UPDATE packing SET status = $3, decided_at = $4, signature_id = $5 WHERE workshop_id = $1 AND id = $2`, t.who.Workshop, r.ID, status, t.now, id)
	return id, err
}

// listed is what the signer saw, with the reason of a rejection.
func listed(conditions []release.Condition, reason string) []release.Condition {
	if reason == "" {
		return conditions
	}
	return append(append([]release.Condition{}, conditions...), release.Condition{Key: "reason", Name: "Reason", State: release.Fail, Words: reason})
}

// holdLots keeps all lots behind the origins as they are, in the order of their codes, as lockLots and packing take them.
func (t *tx) holdLots(ctx context.Context, origins ...node) error {
	set, err := reach(ctx, t, t.who.Workshop, reachBackward, origins...)
	if err != nil {
		return err
	}
	_, err = t.Exec(ctx, `SELECT FROM material_lot WHERE workshop_id = $1 AND id = ANY ($2::uuid[]) ORDER BY code FOR SHARE`, t.who.Workshop, set["lot"])
	return err
}

// sign stores a signature of the person who acts over what content says.
func (t *tx) sign(ctx context.Context, subject string, subjectID [16]byte, c release.Content) (SignatureID, error) {
	var name string
	if err := t.QueryRow(ctx, `SELECT name FROM person WHERE workshop_id = $1 AND id = $2`, t.who.Workshop, t.who.Person).Scan(&name); err != nil {
		return SignatureID{}, notFound(err, "There is no such person.")
	}
	c.Workshop, c.Name, c.At = Text(t.who.Workshop), name, t.now
	content, err := c.Bytes()
	if err != nil {
		return SignatureID{}, err
	}
	hash := release.Hash(content)
	id := newID[SignatureID]()
	_, err = t.Exec(ctx, `INSERT INTO signature (workshop_id, id, person_id, printed_name, personal_key, meaning, subject, subject_id, local_time, content, content_hash, change_id)
		VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12)`,
		t.who.Workshop, id, t.who.Person, name, personalKey(), c.Meaning, subject, subjectID, t.now.In(t.workshop.Location()).Format("2006-01-02 15:04:05 -0700")+" "+t.workshop.Zone, string(content), hash[:], t.change)
	return id, err
}

// signatures are those over a subject, the first first, each held against the record as it stands now.
func signatures(ctx context.Context, t pgx.Tx, workshop WorkshopID, subject [16]byte, facts any) ([]Signature, error) {
	stored, err := storedSignatures(ctx, t, workshop, [][16]byte{subject})
	if err != nil {
		return nil, err
	}
	var list []Signature
	for _, s := range stored[subject] {
		one, err := s.against(func() any { return facts })
		if err != nil {
			return nil, err
		}
		list = append(list, one)
	}
	return list, nil
}

// storedSignature is a signature before it is held against what it is over.
type storedSignature struct {
	Signature
	record json.RawMessage
	signed time.Time
}

// at is the instant of the signature: a record may have grown since.
func (s storedSignature) at() time.Time { return s.signed }

// against holds it against the record as it stands, without what was only added since: another weighing breaks nothing,
// and a corrected one does.
func (s storedSignature) against(facts func() any) (Signature, error) {
	if s.Broken {
		return s.Signature, nil
	}
	now, err := release.Canonical(facts())
	if err != nil {
		return s.Signature, err
	}
	record, err := release.Canonical(s.record)
	s.Broken = err != nil || !bytes.Equal(record, now)
	return s.Signature, nil
}

// storedSignatures are those over each of the subjects, the first first. One whose content is not what was hashed is
// broken, whatever it says.
func storedSignatures[T ~[16]byte](ctx context.Context, t pgx.Tx, workshop WorkshopID, subjects []T) (map[T][]storedSignature, error) {
	rows, err := t.Query(ctx, `SELECT g.subject_id, g.id, g.printed_name, g.meaning, g.local_time, g.content, encode(g.content_hash, 'hex'), c.within IS NOT NULL
		FROM signature g JOIN change c ON c.workshop_id = g.workshop_id AND c.id = g.change_id WHERE g.workshop_id = $1 AND g.subject_id = ANY ($2::uuid[]) ORDER BY g.id`, workshop, subjects)
	if err != nil {
		return nil, err
	}
	of := map[T][]storedSignature{}
	var subject T
	var row Signature
	var content string
	_, err = pgx.ForEachRow(rows, []any{&subject, &row.ID, &row.Name, &row.Meaning, &row.LocalTime, &content, &row.Hash, &row.Told}, func() error {
		s := storedSignature{Signature: row}
		var signed struct {
			At         time.Time       `json:"at"`
			Record     json.RawMessage `json:"record"`
			Conditions json.RawMessage `json:"conditions"`
		}
		hash := release.Hash([]byte(content))
		if err := json.Unmarshal([]byte(content), &signed); err != nil || hex.EncodeToString(hash[:]) != s.Hash {
			s.Broken = true
		} else {
			s.Seen, s.record, s.signed = signed.Conditions, signed.Record, signed.At
		}
		of[subject] = append(of[subject], s)
		return nil
	})
	return of, err
}

// BulkReady is a batch of bulk whose mass is known.
type BulkReady struct {
	Batch  string
	Grams  decimal.Decimal
	LossG  decimal.NullDecimal
	Note   string // why the balance is over its limit
	Really Really
}

// NoteBulkReady records the mass of bulk that is ready to be drawn, and the date until which it is to be used: counted
// from the day of making, cut by what went in. It waits in quarantine for its release.
func (s *Store) NoteBulkReady(ctx context.Context, who Who, entry Entry, n BulkReady) error {
	_, err := s.write(ctx, who, progress, "", entry, func(t *tx) error {
		b, err := t.openBatch(ctx, n.Batch)
		if err != nil {
			return err
		}
		if b.Yields != "bulk" || b.Status == "making" {
			return fault.New(fault.Conflict, "Batch "+b.Code+" has no bulk ready: it is still being made, or is packed into units.")
		}
		var f fault.Fields
		if !n.Grams.IsPositive() {
			f.Add("grams", "How much is ready? Write more than 0.")
		}
		YieldNote{LossG: n.LossG, Note: n.Note}.check(&f)
		if err := f.Err(); err != nil {
			return err
		}
		record, err := loadBatch(ctx, t, who.Workshop, b.ID)
		if err != nil {
			return err
		}
		asked := record.unread(t.workshop.Style, PackingID{}, Product{}, nil)
		if in := record.WeighedG(); n.Grams.GreaterThan(in) {
			asked = append(asked, deviant{Kind: "yield", About: b.ID, What: fmt.Sprintf("%s ready; %s went in.", t.workshop.Style.Grams(n.Grams), t.workshop.Style.Grams(in))})
		}
		if err := t.askAll(n.Really, asked); err != nil {
			return err
		}
		record.Status, record.BulkG, record.LossG = "quarantined", decimal.NewNullDecimal(n.Grams), n.LossG
		y, err := loadYield(ctx, t, who.Workshop, &record)
		if err != nil {
			return err
		}
		if y.Over() && strings.TrimSpace(n.Note) == "" && strings.TrimSpace(b.YieldNote) == "" {
			return fault.In("yield_note", y.Words()+" What became of it?")
		}
		best, err := t.bulkDate(ctx, record)
		if err != nil {
			return err
		}
		if err := t.raise(ctx, b.ID, asked, n.Really.Reason); err != nil {
			return err
		}
		_, err = t.Exec(ctx, `UPDATE batch SET status = 'quarantined', bulk_g = $3, loss_g = $4, yield_note = $5, best_before = $6 WHERE workshop_id = $1 AND id = $2`,
			who.Workshop, b.ID, n.Grams, n.LossG, firstOf(b.YieldNote, n.Note), best)
		if err != nil {
			return err
		}
		// It may have been drawn on before anybody noted how much there is.
		return t.coverBulk(ctx, b.Code)
	})
	if err != nil {
		return fmt.Errorf("store: bulk ready of %q: %w", n.Batch, err)
	}
	return nil
}

// bulkDate is the day until which bulk is to be used; none where the formula gives no months.
func (t *tx) bulkDate(ctx context.Context, b BatchRecord) (day.Day, error) {
	var months *int
	if err := t.QueryRow(ctx, `SELECT bulk_months FROM formula_version WHERE workshop_id = $1 AND id = $2`, t.who.Workshop, b.VersionID).Scan(&months); err != nil {
		return day.Day{}, err
	}
	caps, err := capsOf(ctx, t, t.who.Workshop, b.ID)
	if err != nil {
		return day.Day{}, err
	}
	return bulkBest(b.MadeOn, months, caps), nil
}

// bulkBest counts months from the day of making and cuts by the earliest known date; without months the cut alone
// decides.
func bulkBest(made day.Day, months *int, caps []bestbefore.Cap) day.Day {
	var best day.Day
	if months != nil {
		best = made.AddMonths(*months)
	}
	for _, c := range caps {
		if !c.Date.IsZero() && (best.IsZero() || c.Date.Before(best)) {
			best = c.Date
		}
	}
	return best
}

// BulkRecord is a batch of bulk with what its release is judged by.
type BulkRecord struct {
	BatchRecord
	Yield      Yield
	Conditions []release.Condition
	Signatures []Signature
}

// BulkRecord reads a batch of bulk, judges its release and checks its signatures.
func (s *Store) BulkRecord(ctx context.Context, workshop WorkshopID, code string) (BulkRecord, error) {
	var r BulkRecord
	err := s.read(ctx, workshop, func(t pgx.Tx) error {
		id, _, err := batchOfCode(ctx, t, workshop, code)
		if err != nil {
			return err
		}
		r, err = loadBulk(ctx, t, workshop, id)
		return err
	})
	if err != nil {
		return BulkRecord{}, fmt.Errorf("store: bulk record %q: %w", code, err)
	}
	return r, nil
}

// DecideBulk signs bulk out of quarantine, so that other batches may draw on it, or rejects it with a reason.
func (s *Store) DecideBulk(ctx context.Context, who Who, entry Entry, code, password, seen string, accept bool, reason string) error {
	if !accept {
		if err := checkReason(reason); err != nil {
			return err
		}
	}
	if err := s.maySign(ctx, who, password); err != nil {
		return err
	}
	_, err := s.write(ctx, who, progress, reason, entry, func(t *tx) error {
		b, err := t.lockBatch(ctx, code)
		if err != nil {
			return err
		}
		if b.Status != "quarantined" {
			return fault.New(fault.Conflict, "Bulk "+b.Code+" does not wait for a release.")
		}
		if err := t.holdLots(ctx, node{"batch", b.ID}); err != nil {
			return err
		}
		r, err := loadBulk(ctx, t, who.Workshop, b.ID)
		if err != nil {
			return err
		}
		meaning, released := "rejected", (*time.Time)(nil)
		if accept {
			meaning, released = "released", &t.now
			if seen != "" && seen != SeenHash(r.Conditions) {
				return fault.New(fault.Conflict, "The conditions have changed since you opened the page. Look at them again before you sign.")
			}
			if n := release.Open(r.Conditions); n > 0 {
				return fault.New(fault.Conflict, fmt.Sprintf("%s in the way of this release.", plural(n, "condition stands", "conditions stand")))
			}
		}
		if _, err := t.sign(ctx, "batch", b.ID, release.Content{Subject: release.Bulk, Code: b.Code, Meaning: meaning, Record: bulkFacts(r.BatchRecord), Listed: listed(r.Conditions, reason)}); err != nil {
			return err
		}
		_, err = t.Exec(ctx, `UPDATE batch SET status = $3, bulk_released_at = $4 WHERE workshop_id = $1 AND id = $2`, who.Workshop, b.ID, meaning, released)
		return err
	})
	if err != nil {
		return fmt.Errorf("store: decide bulk %q: %w", code, err)
	}
	return nil
}
