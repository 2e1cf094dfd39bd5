package store

import (
	"context"
	"fmt"
	"sort"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/shopspring/decimal"

	"example.org/stillroom/internal/batchcode"
	"example.org/stillroom/internal/bestbefore"
	"example.org/stillroom/internal/cure"
	"example.org/stillroom/internal/day"
	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/measure"
	"example.org/stillroom/internal/quantity"
	"example.org/stillroom/internal/weighing"
	"example.org/stillroom/internal/yield"
)

// PackagingUse is packaging taken from one lot.
type PackagingUse struct {
	// Input is the entry that this one corrects; zero for a new one. An entry without a lot is withdrawn.
	Input    PackingInputID
	Material string // code of the material it was listed under; empty for other packaging
	Lot      string // code
	// Used and Spoiled are in the material's unit; Used may be left out where the product says how much a unit takes.
	Used    decimal.NullDecimal
	Spoiled decimal.Decimal
	// Issued was taken to the packing table and Returned put back, where somebody counted: the ledger books used and
	// spoiled only, and what is missing then is explained before the release.
	Issued, Returned decimal.NullDecimal
}

// NewPacking is units of one product packed from one batch on one day.
type NewPacking struct {
	Batch     string
	Product   string // code
	PackedOn  day.Day
	Good      int
	Retained  int
	Rejects   []NewReject // at any stage; those at packing belong to the packing
	Packaging []PackagingUse
	Cleared   bool // the line was cleared before packing began
	// Labels are counted here where they are no packaging of the product with lots of its own; there the lots count them,
	// and what is said here is not looked at.
	LabelsUsed    *int
	Labels        LabelCounts
	PackagingNote string // why packaging or labels do not add up
	LabelChecked  bool
	LabelSpecimen string // as printed
	Readings      []Readings
	Used          []NameUse // equipment that the units were packed with; what the making used is named there
	// Finished tells that nothing more will be packed of the batch.
	Finished  bool
	LeftOverG decimal.NullDecimal
	LossG     decimal.NullDecimal
	YieldNote string
	Really    Really
}

// LabelCounts are labels handed out, spoiled and put back; nil where nobody counted.
type LabelCounts struct{ Issued, Spoiled, Returned *int }

// packaged is a use of packaging, checked against its lot.
type packaged struct {
	id               PackingInputID
	lot              Lot
	quantity         decimal.Decimal
	spoiled          decimal.Decimal
	issued, returned decimal.NullDecimal
	replaces         PackingInputID
}

// Pack records a packing and answers its code: the batch's own for the first, with a letter for the next. The
// best-before is decided now and frozen with its reason. What has happened is always stored: too early, more than
// there was, from a lot that is not fit or outside a control's limits is asked about once (a fault at `really`), then
// kept with its deviation.
func (s *Store) Pack(ctx context.Context, who Who, entry Entry, n NewPacking) (string, error) {
	code, err := s.write(ctx, who, create, "", entry, func(t *tx) error { return t.pack(ctx, n) })
	if err != nil {
		return "", fmt.Errorf("store: pack %q: %w", n.Batch, err)
	}
	return code, nil
}

func (t *tx) pack(ctx context.Context, n NewPacking) error {
	b, err := t.openBatch(ctx, n.Batch)
	if err != nil {
		return err
	}
	if b.Status == "making" || b.Yields == "bulk" {
		return fault.New(fault.Conflict, "Batch "+b.Code+" has no units yet: end the making first.")
	}
	record, err := loadBatch(ctx, t, t.who.Workshop, b.ID)
	if err != nil {
		return err
	}
	product, err := productByCode(ctx, t, t.who.Workshop, n.Product)
	if err != nil {
		return faultIn("product", err)
	}
	if err := n.check(t.workshop.Style, record, t.today); err != nil {
		return err
	}
	id := newID[PackingID]()
	need, err := packagingOf(ctx, t, t.who.Workshop, product.ID)
	if err != nil {
		return err
	}
	lots, unfit, err := t.packagingFor(ctx, id, need, n.Good+n.Retained, n.PackedOn, n.Packaging)
	if err != nil {
		return err
	}
	n.LabelsUsed, n.Labels = labelsBy(need, lots, n.LabelsUsed, n.Labels)
	many, err := t.tooManyOf(ctx, record, id, n, product)
	if err != nil {
		return err
	}
	asked := append(t.tooEarly(record, id, n.PackedOn), many...)
	asked = append(append(asked, record.unread(t.workshop.Style, id, product, n.Readings)...), unfit...)
	uses, dirty, err := t.gearOf(ctx, n.Used)
	if err != nil {
		return err
	}
	asked = append(asked, dirty...)
	if err := t.askAll(n.Really, asked); err != nil {
		return err
	}
	code, number, err := t.packingCode(ctx, b)
	if err != nil {
		return err
	}
	date, err := t.decideDate(ctx, record, product, n.PackedOn, lots)
	if err != nil {
		return err
	}
	at := t.packedAt(n.PackedOn)
	if _, err := t.Exec(ctx, `INSERT INTO packing (workshop_id, id, batch_id, n, code, code_key, product_id, packed_on, packed_at, units_good, units_retained, best_before, date_precision, opened_months, date_reason, printed, status, cleared, label_checked, label_specimen, labels_used, change_id, labels_issued, labels_spoiled, labels_returned, packaging_note, takes)
		VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13, $14, $15, $16, 'quarantined', $17, $18, $19, $20, $21, $22, $23, $24, nullif($25, ''), `+takesNow("$7")+`)`,
		t.who.Workshop, id, b.ID, number, code, foldBatch(code), product.ID, n.PackedOn, at, n.Good, n.Retained, date.Date, date.precision(), date.opened(), date.Reason, bestbefore.Printed(date.Decision), n.Cleared, n.LabelChecked, n.LabelSpecimen, n.LabelsUsed, t.change,
		n.Labels.Issued, n.Labels.Spoiled, n.Labels.Returned, strings.TrimSpace(n.PackagingNote)); err != nil {
		return err
	}
	if b.Recalled {
		if err := t.holdNewPacking(ctx, b.ID, id); err != nil {
			return err
		}
	}
	if err := t.registerCode(ctx, code, b.ID); err != nil {
		return err
	}
	if err := t.packingEntries(ctx, b, id, n, lots); err != nil {
		return err
	}
	if err := t.nameUses(ctx, b.ID, &id, uses, "", at, n.Really.Reason); err != nil {
		return err
	}
	if err := t.raise(ctx, b.ID, asked, n.Really.Reason); err != nil {
		return err
	}
	if err := t.advance(ctx, b, at); err != nil {
		return err
	}
	t.result = code
	if n.Finished {
		return t.finish(ctx, b.ID, Finish{Batch: b.Code, LeftOverG: n.LeftOverG, LossG: n.LossG, Note: n.YieldNote})
	}
	return nil
}

// packedAt is now, or noon of an earlier day: only the day is known of it then.
func (t *tx) packedAt(on day.Day) time.Time {
	if on == t.today {
		return t.now
	}
	return on.Start(t.workshop.Location()).Add(12 * time.Hour)
}

func (n NewPacking) check(style measure.Style, b BatchRecord, today day.Day) error {
	var f fault.Fields
	checkPackedOn(style, &f, n.PackedOn, b.MadeOn, today)
	checkCounts(&f, n.Good, n.Retained, n.LabelsUsed, n.LabelSpecimen)
	checkLabels(&f, n.LabelsUsed, n.Labels, n.PackagingNote)
	for i, r := range n.Rejects {
		r.check(&f, i, "cut", "cure_end", "packing")
	}
	if n.Good+n.Retained == 0 && len(n.Rejects) == 0 {
		f.Add("good", "How many came out good?")
	}
	if n.LeftOverG.Valid && !n.Finished {
		f.Add("left_over", "What is left over counts once packing is finished: tick that, or leave this empty.")
	}
	if n.LossG.Valid && !n.Finished {
		f.Add("loss", "The loss counts once packing is finished: tick that, or leave this empty.")
	}
	YieldNote{LeftOverG: n.LeftOverG, LossG: n.LossG, Note: n.YieldNote}.check(&f)
	for _, r := range n.Readings {
		if len(r.Values) > 500 {
			f.Add("run-"+Text(r.Control), "At most 500 readings, please.")
		}
	}
	return f.Err()
}

func checkPackedOn(style measure.Style, f *fault.Fields, on, made, today day.Day) {
	switch {
	case on.IsZero():
		f.Add("packed_on", "Which day?")
	case on.After(today):
		f.Add("packed_on", "That day has not come yet.")
	case on.Before(made):
		f.Add("packed_on", "The batch was made on "+style.Day(made)+", after that.")
	}
}

func checkCounts(f *fault.Fields, good, retained int, labels *int, specimen string) {
	for _, c := range []struct {
		field string
		n     int
	}{{"good", good}, {"retained", retained}} {
		if c.n < 0 || c.n > 1_000_000 {
			f.Add(c.field, "Between 0 and 1,000,000.")
		}
	}
	if labels != nil && (*labels < 0 || *labels > 1_000_000) {
		f.Add("labels_used", "Between 0 and 1,000,000.")
	}
	if len([]rune(specimen)) > 2000 {
		f.Add("label_specimen", "At most 2,000 characters, please.")
	}
}

// checkLabels holds the counts of labels and the words about packaging to what can be.
func checkLabels(f *fault.Fields, used *int, l LabelCounts, note string) {
	for _, c := range []struct {
		field string
		n     *int
	}{{"labels_issued", l.Issued}, {"labels_spoiled", l.Spoiled}, {"labels_returned", l.Returned}} {
		if c.n != nil && (*c.n < 0 || *c.n > 1_000_000) {
			f.Add(c.field, "Between 0 and 1,000,000.")
		}
	}
	if used == nil && (l.Issued != nil || l.Spoiled != nil || l.Returned != nil) {
		f.Add("labels_used", "How many of them are on units?")
	}
	checkLength(f, "packaging_note", note, 1000)
}

// labelsBy counts labels by what was taken of them from lots, where they have lots; else by what was typed.
func labelsBy(need []PackagingNeed, lots []packaged, used *int, counts LabelCounts) (*int, LabelCounts) {
	if !labelled(need) {
		return used, counts
	}
	sum, any := decimal.Zero, false
	for _, n := range need {
		for _, l := range lots {
			if n.IsLabel && l.lot.Material.Code == n.Material {
				sum, any = sum.Add(l.quantity.Sub(l.spoiled)), true
			}
		}
	}
	if !any {
		return nil, LabelCounts{}
	}
	taken := int(sum.IntPart())
	return &taken, LabelCounts{}
}

// askAll asks about everything unusual at once.
func (t *tx) askAll(really Really, asked []deviant) error {
	words := make([]string, len(asked))
	for i, d := range asked {
		words[i] = d.What
	}
	return really.ask(words)
}

// raise keeps what was asked about as deviations. One without a kind is raised where its entry is stored.
func (t *tx) raise(ctx context.Context, batch BatchID, asked []deviant, reason string) error {
	for _, d := range asked {
		if d.Kind == "" {
			continue
		}
		d.Batch, d.Reason = &batch, reason
		if err := t.deviate(ctx, d); err != nil {
			return err
		}
	}
	return nil
}

// tooEarly asks about packing before the cure is over.
func (t *tx) tooEarly(b BatchRecord, id PackingID, on day.Day) []deviant {
	switch {
	case b.CureHours == 0 || b.CureStartedAt == nil:
		return nil
	case b.Status == "curing" && !cure.LongEnough(*b.CureStartedAt, t.packedAt(on), cure.Rule{MinHours: b.CureHours}):
		return []deviant{{Kind: "cure", Packing: &id, What: fmt.Sprintf("Packed after %s; the formula asks for %s.", cure.Ran(t.packedAt(on).Sub(*b.CureStartedAt)), cure.Words(b.CureHours))}}
	case b.CureEndedAt != nil && on.Before(day.In(*b.CureEndedAt, t.workshop.Location())):
		return []deviant{{Kind: "cure", Packing: &id, What: fmt.Sprintf("Packed on %s; the cure ended on %s.", t.workshop.Style.Day(on), t.workshop.Style.Day(day.In(*b.CureEndedAt, t.workshop.Location())))}}
	}
	return nil
}

// tooManyOf asks about more units than were moulded, or than the mass can give, rounded up to whole units.
func (t *tx) tooManyOf(ctx context.Context, b BatchRecord, id PackingID, n NewPacking, product Product) ([]deviant, error) {
	more := n.Good + n.Retained
	for _, r := range n.Rejects {
		more += r.Units
	}
	words := b.moreThanMoulded(more, product.Code)
	if len(words) == 0 {
		words = b.moreThanTheoretical(more, product.Code, product.NominalFill())
	}
	if len(words) == 0 {
		var err error
		if words, err = t.moreThanMass(ctx, b, more, product); err != nil {
			return nil, err
		}
	}
	if len(words) == 0 {
		return nil, nil
	}
	return []deviant{{Kind: "yield", Packing: &id, About: id, What: strings.Join(words, " ")}}, nil
}

// moreThanMass asks about units of several sizes which by their fills together need more than the mass gives.
func (t *tx) moreThanMass(ctx context.Context, b BatchRecord, more int, product Product) ([]string, error) {
	fill, limit := product.NominalFill(), b.theoretical(decimal.NewFromInt(1))
	if more <= 0 || !fill.IsPositive() || !limit.IsPositive() {
		return nil, nil
	}
	m, err := loadMeans(ctx, t, &b, t.who.Workshop)
	if err != nil {
		return nil, err
	}
	sum, several := fill.Mul(decimal.NewFromInt(int64(more))), false
	add := func(n nominal, units int) bool {
		sum = sum.Add(n.FillG.Decimal.Mul(decimal.NewFromInt(int64(units))))
		return n.FillG.Valid || units == 0
	}
	for _, p := range b.Packings {
		several = several || p.ProductCode != product.Code
		if !add(m.nominal[p.ProductID], p.UnitsGood+p.UnitsRetained) {
			return nil, nil
		}
	}
	for _, r := range b.Rejects {
		of := m.planned
		for _, p := range b.Packings {
			if p.Code == r.Packing {
				of = m.nominal[p.ProductID]
			}
		}
		if !r.Replaced && !add(of, r.Units) {
			return nil, nil
		}
	}
	if !several || !sum.GreaterThan(limit.Add(fill)) {
		return nil, nil
	}
	style := t.workshop.Style
	return []string{fmt.Sprintf("All that was packed or rejected of it takes %s; the mass gives %s.", style.Bulk(sum.Round(0)), style.Bulk(limit.Round(0)))}, nil
}

func (b BatchRecord) moreThanTheoretical(more int, product string, fill decimal.Decimal) []string {
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
	theoretical := b.theoretical(fill)
	if !theoretical.IsPositive() || !decimal.NewFromInt(int64(sum)).GreaterThan(theoretical.Ceil()) {
		return nil
	}
	return []string{fmt.Sprintf("%s; the mass gives %s.", UnitCount(sum), theoretical.StringFixed(1))}
}

// unread asks about what was not measured, the room included, and about readings outside their limits. Whatever was
// asked about before is not asked again.
//
// A control of unit weights that is meant for units of another size is not asked for.
func (b BatchRecord) unread(style measure.Style, id PackingID, product Product, readings []Readings) []deviant {
	told := map[[16]byte]bool{}
	for _, d := range b.Deviations {
		if d.AboutID != nil {
			told[*d.AboutID] = true
		}
	}
	typed := map[ControlID][]decimal.Decimal{}
	for _, r := range readings {
		typed[r.Control] = append(typed[r.Control], r.Values...)
	}
	var out []deviant
	if !b.roomKnown() && b.VersionID != nil && !told[b.ID] {
		out = append(out, deviant{Kind: "climate", About: b.ID, What: "Temperature and humidity at making were not recorded."})
	}
	for _, c := range b.Controls {
		if c.Stage == "packing" && c.otherSize(product.NominalFill(), product.NetContentG.Decimal) {
			continue
		}
		have := len(c.Current())
		if c.Stage == "packing" {
			have = len(typed[c.ID])
			if run := weighing.Run(typed[c.ID], c.Low, c.High); run.Outside > 0 {
				out = append(out, deviant{What: fmt.Sprintf("%s: %d of %d outside %s.", c.Name, run.Outside, run.Count, Window(style, c.Low, c.High, c.Unit))})
			}
		}
		if have >= c.Asked {
			continue
		}
		what := fmt.Sprintf("%s %s: %s, the formula asks for %d.", c.Name, ControlStage(c.Stage), plural(have, "reading", "readings"), c.Asked)
		if c.Stage == "packing" {
			out = append(out, deviant{Kind: "control", Packing: &id, About: aboutIn(id, c.ID), What: what})
		} else if !told[c.ID] {
			out = append(out, deviant{Kind: "control", About: c.ID, What: what})
		}
	}
	return out
}

// otherSize tells that the control is a run of unit weights for units of another size than a product's: bars and guest
// bars of one loaf share the formula's controls.
func (c BatchControl) otherSize(fillG, netG decimal.Decimal) bool {
	return c.Unit == "g" && c.Asked > 1 && yield.OtherSize(fillG, c.Low, c.High) && (netG.IsZero() || yield.OtherSize(netG, c.Low, c.High))
}

// aboutIn names something that is asked about once in each packing, such as a control that was left out.
func aboutIn(packing PackingID, of [16]byte) (about [16]byte) {
	for i := range about {
		about[i] = packing[i] ^ of[i]
	}
	return about
}

func (b BatchRecord) roomKnown() bool {
	for _, c := range b.Climate {
		if c.Stage == "making" && !c.Replaced {
			return true
		}
	}
	return false
}

// ControlStage says a stage of a control as a maker would.
func ControlStage(stage string) string {
	switch stage {
	case "making":
		return "at making"
	case "moulding":
		return "at moulding"
	case "cure_end":
		return "at the end of the cure"
	}
	return "at packing"
}

// packaging locks the lots of all uses in one order, works out how much was taken of each, and asks about what is not
// as it should be: a lot that is not fit, packaging that the product does not have, more or less than the units take.
func (t *tx) packaging(ctx context.Context, packing PackingID, product ProductID, units int, on day.Day, uses []PackagingUse) ([]packaged, []deviant, error) {
	need, err := packagingOf(ctx, t, t.who.Workshop, product)
	if err != nil {
		return nil, nil, err
	}
	return t.packagingFor(ctx, packing, need, units, on, uses)
}

// packagingFor is packaging for what a unit takes, as it is now or as it was when the packing was made.
func (t *tx) packagingFor(ctx context.Context, packing PackingID, need []PackagingNeed, units int, on day.Day, uses []PackagingUse) ([]packaged, []deviant, error) {
	per := map[string]PackagingNeed{}
	for _, p := range need {
		per[p.Material] = p
	}
	order := make([]int, len(uses))
	for i := range order {
		order[i] = i
	}
	sort.SliceStable(order, func(a, b int) bool { return uses[order[a]].Lot < uses[order[b]].Lot })
	var f fault.Fields
	lots := make([]Lot, len(uses))
	for _, i := range order {
		if uses[i].Lot == "" {
			continue
		}
		l, err := t.lockLot(ctx, uses[i].Lot)
		if fault.As(err) != nil {
			f.Add(useField("lot", i), fault.As(err).Error())
			continue
		}
		if err != nil {
			return nil, nil, err
		}
		lots[i] = l
	}
	var out []packaged
	var asked []deviant
	taken := map[string]decimal.Decimal{}
	for i, u := range uses {
		l := lots[i]
		if l.Code == "" {
			continue
		}
		p := packaged{id: newID[PackingInputID](), lot: l, spoiled: u.Spoiled, issued: u.Issued, returned: u.Returned, replaces: u.Input}
		expected := per[l.Material.Code].PerUnit.Mul(decimal.NewFromInt(int64(units)))
		u.checkUse(&f, i, l, expected)
		if !u.Used.Valid {
			u.Used = decimal.NewNullDecimal(expected)
		}
		p.quantity = u.Used.Decimal.Add(u.Spoiled)
		taken[l.Material.Code] = taken[l.Material.Code].Add(u.Used.Decimal)
		out = append(out, p)
		if words := lotUnfit(t.workshop.Style, l, on); len(words) > 0 {
			asked = append(asked, deviant{Kind: "lot", Packing: &packing, Lot: &l.ID, About: p.id, What: strings.Join(words, " ")})
		}
		if _, listed := per[l.Material.Code]; !listed {
			asked = append(asked, deviant{Kind: "addition", Packing: &packing, Lot: &l.ID, About: p.id, What: fmt.Sprintf("%s (lot %s) is not among the product's packaging.", l.Material.Name, l.Code)})
		}
	}
	for _, p := range need {
		if _, ok := taken[p.Material]; !ok && p.Tracked && p.HasLots && units > 0 {
			f.Add(lotFieldOf(uses, p.Material), "Which lot of "+p.Name+"?")
		}
		expected := p.PerUnit.Mul(decimal.NewFromInt(int64(units)))
		if used, ok := taken[p.Material]; ok && p.Unit == "each" && !used.Equal(expected) {
			asked = append(asked, deviant{Kind: p.gapKind(), Packing: &packing, About: aboutIn(packing, p.ID), What: fmt.Sprintf("%s: %s used; %s take %s.", p.Name, quantity.Format(used), UnitCount(units), quantity.Format(expected))})
		}
	}
	return out, asked, f.Err()
}

// gapKind is the kind of a deviation about so many of it that do not fit the units.
func (n PackagingNeed) gapKind() string {
	if n.IsLabel {
		return "label"
	}
	return "packaging"
}

func useField(name string, i int) string { return fmt.Sprintf("pack-%s-%d", name, i) }

// lotFieldOf is the field beside which a missing lot is asked for.
func lotFieldOf(uses []PackagingUse, material string) string {
	for i, u := range uses {
		if u.Material == material {
			return useField("lot", i)
		}
	}
	return "packaging"
}

func (u PackagingUse) checkUse(f *fault.Fields, i int, l Lot, expected decimal.Decimal) {
	if u.Material != "" && l.Material.Code != u.Material {
		f.Add(useField("lot", i), fmt.Sprintf("Lot %s is %s.", l.Code, l.Material.Name))
	}
	if l.Material.Kind != "packaging" {
		f.Add(useField("lot", i), fmt.Sprintf("Lot %s is %s, which is no packaging.", l.Code, l.Material.Name))
	}
	if !u.Used.Valid && expected.IsZero() {
		f.Add(useField("used", i), "How much was used?")
	}
	for _, q := range []struct {
		name string
		d    decimal.Decimal
	}{{"used", u.Used.Decimal}, {"spoiled", u.Spoiled}, {"issued", u.Issued.Decimal}, {"returned", u.Returned.Decimal}} {
		if q.d.IsNegative() {
			f.Add(useField(q.name, i), "Write 0 or more.")
		} else if l.Material.Unit == "each" && !q.d.IsInteger() {
			f.Add(useField(q.name, i), "Pieces are counted whole: write a whole number.")
		}
	}
}

// packingEntries stores what belongs to a packing: packaging drawn from its lots, rejects and readings.
func (t *tx) packingEntries(ctx context.Context, b Batch, id PackingID, n NewPacking, lots []packaged) error {
	for _, p := range lots {
		if err := t.insertPackaging(ctx, id, p, n.PackedOn); err != nil {
			return err
		}
	}
	for _, r := range n.Rejects {
		of := &id
		if r.Stage != "packing" {
			of = nil
		}
		if _, err := t.insertReject(ctx, b.ID, of, r); err != nil {
			return err
		}
	}
	for _, r := range n.Readings {
		if len(r.Values) == 0 {
			continue
		}
		r.At, r.Really = t.packedAt(n.PackedOn), Really{Yes: true, Reason: n.Really.Reason}
		if err := t.readControl(ctx, b, &id, r); err != nil {
			return err
		}
	}
	return nil
}

// insertPackaging books packaging out of a locked lot; what the book lacks is more than recorded. The lot is read
// again: it may stand twice in one packing.
func (t *tx) insertPackaging(ctx context.Context, packing PackingID, p packaged, on day.Day) error {
	l, err := lotByCode(ctx, t, t.who.Workshop, p.lot.Code)
	if err != nil {
		return err
	}
	if _, err := t.draw(ctx, l, p.quantity, on); err != nil {
		return err
	}
	if l.OpenedOn.IsZero() {
		if _, err := t.Exec(ctx, `UPDATE material_lot SET opened_on = $3 WHERE workshop_id = $1 AND id = $2`, t.who.Workshop, l.ID, on); err != nil {
			return err
		}
	}
	_, err = t.Exec(ctx, `INSERT INTO packing_input (workshop_id, id, packing_id, material_lot_id, quantity, spoiled, happened_at, change_id, issued, returned) VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10)`,
		t.who.Workshop, p.id, packing, l.ID, p.quantity, p.spoiled, t.packedAt(on), t.change, p.issued, p.returned)
	return err
}

// packingCode is the next code of a locked batch. A letter whose code an import took is passed over.
func (t *tx) packingCode(ctx context.Context, b Batch) (code string, n int, err error) {
	if err := t.QueryRow(ctx, `SELECT coalesce(max(n), 0) FROM packing WHERE workshop_id = $1 AND batch_id = $2`, t.who.Workshop, b.ID).Scan(&n); err != nil {
		return "", 0, err
	}
	if n == 0 {
		return b.Code, 1, nil
	}
	check, err := hasCheck(ctx, t, t.who.Workshop, b.Code)
	if err != nil {
		return "", 0, err
	}
	for {
		n++
		code = batchcode.PackingCode(b.Code, n, check)
		if err := batchcode.Validate(code); err != nil {
			return "", 0, fault.New(fault.Conflict, "The batch code has no room for another packing's letter: "+code+" is too long.")
		}
		taken, err := t.codeTaken(ctx, foldBatch(code))
		if err != nil || !taken {
			return code, n, err
		}
	}
}

// hasCheck tells whether a batch code ends with a check character: it has the shape of a pattern with one that the
// workshop used. An imported code that merely happens to check out has not.
func hasCheck(ctx context.Context, t pgx.Tx, workshop WorkshopID, code string) (bool, error) {
	rows, err := t.Query(ctx, `SELECT pattern FROM code_pattern WHERE workshop_id = $1`, workshop)
	if err != nil {
		return false, err
	}
	patterns, err := pgx.CollectRows(rows, pgx.RowTo[string])
	if err != nil || !batchcode.Valid(code) {
		return false, err
	}
	for _, text := range patterns {
		if p, err := batchcode.ParsePattern(text); err == nil && p.HasCheck() && p.Matches(code) {
			return true, nil
		}
	}
	return false, nil
}

// advance notes the first packing's time, and ends a cure that packing cut short.
func (t *tx) advance(ctx context.Context, b Batch, at time.Time) error {
	_, err := t.Exec(ctx, `UPDATE batch SET status = 'packing', packed_at = coalesce(packed_at, $3), cure_ended_at = coalesce(cure_ended_at, CASE WHEN cure_started_at IS NOT NULL THEN greatest($3, cure_started_at) END)
		WHERE workshop_id = $1 AND id = $2`, t.who.Workshop, b.ID, at)
	return err
}

// Finish ends the packing of a batch.
type Finish struct {
	Batch     string
	LeftOverG decimal.NullDecimal
	LossG     decimal.NullDecimal // where it was weighed; else the formula's expected loss counts
	Note      string              // why the balance is over its limit
}

// FinishPacking moves the batch on to quarantine, or to what its packings were decided as. Where the balance is over
// the formula's limit somebody says why (a fault at `yield_note`).
func (s *Store) FinishPacking(ctx context.Context, who Who, entry Entry, n Finish) error {
	_, err := s.write(ctx, who, progress, "", entry, func(t *tx) error {
		var f fault.Fields
		YieldNote{LeftOverG: n.LeftOverG, LossG: n.LossG, Note: n.Note}.check(&f)
		if err := f.Err(); err != nil {
			return err
		}
		b, err := t.lockBatch(ctx, n.Batch)
		if err != nil {
			return err
		}
		return t.finish(ctx, b.ID, n)
	})
	if err != nil {
		return fmt.Errorf("store: finish packing of %q: %w", n.Batch, err)
	}
	return nil
}

func (t *tx) finish(ctx context.Context, id BatchID, n Finish) error {
	b, err := loadBatch(ctx, t, t.who.Workshop, id)
	if err != nil {
		return err
	}
	switch {
	case b.Status != "packing":
		return fault.New(fault.Conflict, "Batch "+b.Code+" is not being packed.")
	case len(b.Packings) == 0:
		return fault.New(fault.Conflict, "Nothing was packed of batch "+b.Code+" yet. A batch that will not be packed is rejected.")
	}
	b.Status, b.LeftOverG, b.LossG = "quarantined", n.LeftOverG, n.LossG
	y, err := loadYield(ctx, t, t.who.Workshop, &b)
	if err != nil {
		return err
	}
	if y.Over() && strings.TrimSpace(n.Note) == "" && strings.TrimSpace(b.YieldNote) == "" {
		return fault.In("yield_note", y.Words()+" The limit is "+quantity.Format(b.Limits.ReconciliationPct)+" %. What became of it?")
	}
	if strings.TrimSpace(n.Note) == "" {
		n.Note = b.YieldNote
	}
	if _, err := t.Exec(ctx, `UPDATE batch SET status = 'quarantined', left_over_g = $3, loss_g = $4, yield_note = $5 WHERE workshop_id = $1 AND id = $2`, t.who.Workshop, id, n.LeftOverG, n.LossG, n.Note); err != nil {
		if constraint(err) == "audit_needs_correction" {
			return fault.In("yield_note", "Another explanation stands there already; it is changed as a correction, with a reason.")
		}
		return err
	}
	return t.settleBatch(ctx, id)
}

// settleBatch gives a batch whose packing is finished its end, once every packing is decided.
func (t *tx) settleBatch(ctx context.Context, id BatchID) error {
	_, err := t.Exec(ctx, `UPDATE batch b SET status = CASE WHEN EXISTS (SELECT FROM packing p WHERE p.workshop_id = $1 AND p.batch_id = $2 AND p.status = 'released') THEN 'released' ELSE 'rejected' END
		WHERE b.workshop_id = $1 AND b.id = $2 AND b.status = 'quarantined' AND EXISTS (SELECT FROM packing p WHERE p.workshop_id = $1 AND p.batch_id = $2)
		AND NOT EXISTS (SELECT FROM packing p WHERE p.workshop_id = $1 AND p.batch_id = $2 AND p.status = 'quarantined')`, t.who.Workshop, id)
	return err
}
