package store

import (
	"context"
	"fmt"
	"slices"
	"strings"

	"github.com/jackc/pgx/v5"
	"github.com/shopspring/decimal"

	"example.org/stillroom/internal/bestbefore"
	"example.org/stillroom/internal/day"
	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/measure"
	"example.org/stillroom/internal/release"
)

// SetUnits is units of one packing that went into sets.
type SetUnits struct {
	Packing string // code, as written in the book or as typed from a label
	Units   int    // lines of 0 are passed over
}

// UnitsField and UnitsCodeField name the form fields of the units at an index, which faults stand beside.
func UnitsField(i int) string { return fmt.Sprintf("units-%d", i) }

// UnitsCodeField is the field of the code of the packing they come from.
func UnitsCodeField(i int) string { return fmt.Sprintf("source-%d", i) }

// NewSet is sets of one product put together on one day.
type NewSet struct {
	Product       string // code of a product that has parts
	On            day.Day
	Good          int
	Retained      int // kept back besides
	Units         []SetUnits
	Packaging     []PackagingUse
	Cleared       bool
	LabelsUsed    *int
	LabelChecked  bool
	LabelSpecimen string
	Really        Really
}

// source is a packing, locked, that units are taken from.
type setSource struct {
	id      InputID
	field   string
	packing Packing
	units   int
}

// PutTogether records sets: a batch without a formula, the units that leave the stock of their packings for it, and a
// packing with the batch's code. It answers the code. Faults: product, packed_on, good, retained, labels_used,
// label_specimen, units, beside units UnitsField and UnitsCodeField, beside packaging as in Pack. What has happened is
// always stored: units that may not leave, more or fewer than the sets hold, or more than the book holds are asked about
// once (a fault at `really`), then kept with their deviations; what the book lacks is booked as more than recorded.
func (s *Store) PutTogether(ctx context.Context, who Who, entry Entry, n NewSet) (string, error) {
	code, err := s.write(ctx, who, create, "", entry, func(t *tx) error { return t.putTogether(ctx, n) })
	if err != nil {
		return "", fmt.Errorf("store: put together %q: %w", n.Product, err)
	}
	return code, nil
}

func (t *tx) putTogether(ctx context.Context, n NewSet) error {
	// Before any row: what is drawn on here may be drawn on by whoever waits for the genealogy.
	if err := t.lockGenealogy(ctx); err != nil {
		return err
	}
	product, err := productByCode(ctx, t, t.who.Workshop, n.Product)
	if err != nil {
		return faultIn("product", err)
	}
	if !product.IsSet() {
		return fault.In("product", product.Name+" is no set: it is packed from a batch.")
	}
	var f fault.Fields
	n.check(&f, t.today)
	sources, err := t.setSources(ctx, &f, n.Units)
	if err != nil {
		return err
	}
	if err := f.Err(); err != nil {
		return err
	}
	packing := newID[PackingID]()
	lots, asked, err := t.packaging(ctx, packing, product.ID, n.Good+n.Retained, n.On, n.Packaging)
	if err != nil {
		return err
	}
	asked = append(asked, unitsOff(packing, product.Parts, takenFrom(sources), n.Good+n.Retained)...)
	for _, s := range sources {
		asked = append(asked, s.off(t.workshop.Style, product, n.On)...)
	}
	if err := t.askAll(n.Really, asked); err != nil {
		return err
	}
	batch := newID[BatchID]()
	code, err := t.giveCode(ctx, product.Letters, n.On)
	if err != nil {
		return err
	}
	at := t.packedAt(n.On)
	if _, err := t.Exec(ctx, `INSERT INTO batch (workshop_id, id, code, code_key, origin, kind, product_id, status, planned_units, made_at, made_on, made_by, late, packed_at, change_id)
		VALUES ($1, $2, $3, $4, 'bench', 'set', $5, 'quarantined', $6, $7, $8, $9, $10, $7, $11)`,
		t.who.Workshop, batch, code, foldBatch(code), product.ID, n.Good+n.Retained, at, n.On, t.who.Person, n.On.Before(t.today), t.change); err != nil {
		return err
	}
	if err := t.registerCode(ctx, code, batch); err != nil {
		return err
	}
	date := setDate(t.workshop.Style, product, datesOf(sources), lots)
	if _, err := t.Exec(ctx, `INSERT INTO packing (workshop_id, id, batch_id, n, code, code_key, product_id, packed_on, packed_at, units_good, units_retained, best_before, date_precision, opened_months, date_reason, printed, status, cleared, label_checked, label_specimen, labels_used, change_id, takes)
		VALUES ($1, $2, $3, 1, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13, $14, $15, 'quarantined', $16, $17, $18, $19, $20, `+takesNow("$6")+`)`,
		t.who.Workshop, packing, batch, code, foldBatch(code), product.ID, n.On, at, n.Good, n.Retained, date.Date, date.precision(), date.opened(), date.Reason, bestbefore.Printed(date.Decision), n.Cleared, n.LabelChecked, n.LabelSpecimen, n.LabelsUsed, t.change); err != nil {
		return err
	}
	for _, s := range sources {
		if err := t.takeUnits(ctx, batch, code, s, n.On); err != nil {
			return err
		}
	}
	for _, l := range lots {
		if err := t.insertPackaging(ctx, packing, l, n.On); err != nil {
			return err
		}
	}
	// Deviations come after all moves, as in a dispatch: numbers are taken in one order.
	if err := t.raise(ctx, batch, asked, n.Really.Reason); err != nil {
		return err
	}
	t.result = code
	return nil
}

func (n NewSet) check(f *fault.Fields, today day.Day) {
	checkHappened(f, "packed_on", n.On, today, "Which day?")
	if n.On.Year() > 1 && n.On.Before(today.AddMonths(-12*longAgo)) {
		f.Add("packed_on", fmt.Sprintf("That is more than %d years ago. Look at the year once more.", longAgo))
	}
	checkCounts(f, n.Good, n.Retained, n.LabelsUsed, n.LabelSpecimen)
	if n.Good+n.Retained == 0 && f.Err() == nil {
		f.Add("good", "How many sets?")
	}
}

// setSources finds and locks the packings that units are taken from, others along with them, and notes what is off beside
// each.
func (t *tx) setSources(ctx context.Context, f *fault.Fields, asked []SetUnits, others ...PackingID) ([]setSource, error) {
	if len(asked) > mostLines {
		f.Add("units", fmt.Sprintf("At most %d packings in one form.", mostLines))
		return nil, nil
	}
	var list []setSource
	var ids []PackingID
	for i, u := range asked {
		if u.Units == 0 {
			continue
		}
		if u.Units < 0 || u.Units > mostUnits {
			f.Add(UnitsField(i), "Between 1 and 1,000,000 units.")
			continue
		}
		if strings.TrimSpace(u.Packing) == "" {
			f.Add(UnitsCodeField(i), "Which code stands on them?")
			continue
		}
		p, err := typedPacking(ctx, t, t.who.Workshop, u.Packing)
		if fault.Is(err, fault.NotFound) {
			f.Add(UnitsCodeField(i), fmt.Sprintf("No packing has the code %q.", u.Packing))
			continue
		}
		if err != nil {
			return nil, err
		}
		if slices.Contains(ids, p.ID) {
			f.Add(UnitsField(i), p.Code+" stands here twice: write its units in one line.")
			continue
		}
		ids = append(ids, p.ID)
		list = append(list, setSource{id: newID[InputID](), field: UnitsField(i), packing: p, units: u.Units})
	}
	if len(list) == 0 && !f.Any() {
		f.Add("units", "Which units went in? Write how many of each code.")
	}
	locked, err := t.lockPackings(ctx, append(ids, others...))
	for i := range list {
		list[i].packing = locked[list[i].packing.ID]
	}
	return list, err
}

// off is what is not as it should be about units taken: of a product that the set does not hold, that may not leave, on
// hold, or more than the book holds.
func (s setSource) off(style measure.Style, product Product, on day.Day) []deviant {
	p := s.packing
	var words []string
	if why := p.Unfit(style, on); why != "" {
		words = append(words, why)
	}
	if short := s.units - p.OnHand; short > 0 {
		words = append(words, fmt.Sprintf("The book held %s: %d more than recorded.", UnitCount(max(p.OnHand, 0)), short))
	}
	if onHold := min(s.units, p.OnHand) - p.Free(); onHold > 0 {
		words = append(words, UnitCount(onHold)+" of it on hold.")
	}
	if !slices.ContainsFunc(product.Parts, func(k ProductPart) bool { return k.Product == p.ProductCode }) {
		words = append(words, p.ProductName+" is not among what the set holds.")
	}
	if len(words) == 0 {
		return nil
	}
	return []deviant{{Kind: "lot", About: s.id, What: fmt.Sprintf("%s of %s (%s) in the sets. %s", UnitCount(s.units), p.Code, p.ProductName, strings.Join(words, " "))}}
}

// takenFrom counts units by product.
func takenFrom(sources []setSource) map[string]int {
	sum := map[string]int{}
	for _, s := range sources {
		sum[s.packing.ProductCode] += s.units
	}
	return sum
}

// taken is takenFrom for units that stand in the book.
func taken(inputs []BatchInput) map[string]int {
	sum := map[string]int{}
	for _, in := range inputs {
		if in.SourceUnits {
			sum[in.SourceProduct] += int(in.Quantity.IntPart())
		}
	}
	return sum
}

// unitsOff is units in against units out, a deviation for each part that does not come out even.
func unitsOff(packing PackingID, parts []ProductPart, taken map[string]int, sets int) []deviant {
	var out []deviant
	for _, k := range parts {
		if need := k.PerUnit * sets; taken[k.Product] != need {
			out = append(out, deviant{Kind: "yield", Packing: &packing, About: aboutIn(packing, partKey(k.Product)), What: fmt.Sprintf("%s: %s taken; %s hold %d.", k.Name, UnitCount(taken[k.Product]), plural(sets, "set", "sets"), need)})
		}
	}
	return out
}

// partKey names a part in a deviation by the product's code: sixteen bytes of its hash.
func partKey(code string) (key [16]byte) {
	hash := release.Hash([]byte(code))
	copy(key[:], hash[:])
	return key
}

// takeUnits books units of a locked packing into a set, and first what the book lacks of them.
func (t *tx) takeUnits(ctx context.Context, set BatchID, code string, s setSource, on day.Day) error {
	if short := s.units - s.packing.OnHand; short > 0 {
		if err := t.moveUnits(ctx, s.packing.ID, on, short, "count", true, "More went into "+code+" than the book held."); err != nil {
			return err
		}
	}
	_, err := t.Exec(ctx, `INSERT INTO batch_input (workshop_id, id, batch_id, source_batch_id, source_packing_id, quantity, unit, happened_at, late, change_id)
		SELECT $1, $2, $3, k.batch_id, k.id, $5, 'each', $6, $7, $8 FROM packing k WHERE k.workshop_id = $1 AND k.id = $4`,
		t.who.Workshop, s.id, set, s.packing.ID, decimal.NewFromInt(int64(s.units)), t.packedAt(on), on.Before(t.today), t.change)
	return err
}

func datesOf(sources []setSource) []bestbefore.Part {
	var parts []bestbefore.Part
	for _, s := range sources {
		parts = append(parts, bestbefore.Part{Code: s.packing.Code, Date: s.packing.BestBefore, Opened: s.packing.OpenedMonths})
	}
	return parts
}

// partDates are the dates of the packings that units of a set stand recorded from.
func partDates(ctx context.Context, t pgx.Tx, workshop WorkshopID, set BatchID) ([]bestbefore.Part, error) {
	rows, err := t.Query(ctx, `SELECT DISTINCT k.code, k.best_before, coalesce(k.opened_months, 0) FROM batch_input i JOIN packing k ON k.workshop_id = i.workshop_id AND k.id = i.source_packing_id
		WHERE i.workshop_id = $1 AND i.batch_id = $2 AND i.replaced_by IS NULL ORDER BY k.code`, workshop, set)
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, func(row pgx.CollectableRow) (bestbefore.Part, error) {
		var p bestbefore.Part
		err := row.Scan(&p.Code, &p.Date, &p.Opened)
		return p, err
	})
}

func setDate(style measure.Style, product Product, parts []bestbefore.Part, lots []packaged) dated {
	var caps []bestbefore.Cap
	for _, p := range lots {
		if p.lot.Material.ExpiryCounts {
			caps = append(caps, bestbefore.Cap{Code: p.lot.Code, Kind: bestbefore.Lot, Date: p.lot.ExpiresOn})
		}
	}
	return dated{bestbefore.DecideSet(style, bestbefore.Precision(product.DatePrecision), parts, caps)}
}

// partEvidence holds units in to units out. What was kept back is a set too.
func (r *PackingRecord) partEvidence(product Product, deviations []Deviation) release.List[release.Part] {
	used := taken(r.Batch.Inputs())
	var out []release.Part
	for _, k := range product.Parts {
		out = append(out, release.Part{Name: k.Name, Needed: k.PerUnit * (r.UnitsGood + r.UnitsRetained), Used: used[k.Product],
			Deviation: decided(deviations, about(map[[16]byte]bool{aboutIn(r.ID, partKey(k.Product)): true}))})
	}
	return release.Read(out...)
}

// SetPart is a part of a set with the packings that it may come from.
type SetPart struct {
	ProductPart
	Needed   int
	Packings []Packing // on hand, in the order in which stock leaves
	Taken    []int     // of each packing, as preselected: only what may leave
	Missing  int       // what no packing has
}

// SetSheet is what the form for putting sets together starts with.
type SetSheet struct {
	Sets       []ProductChoice // products that are sets
	Product    Product         // the one asked for; its code is empty where none was
	Count      int
	Parts      []SetPart
	Packaging  []PackagingNeed
	BestBefore bestbefore.Decision // of what is preselected, packed on that day
}

// SetSheet reads what the form for so many sets of a product needs. Units are preselected oldest best-before first, from
// packings that may leave on that day.
func (s *Store) SetSheet(ctx context.Context, workshop WorkshopID, product string, sets int, on day.Day) (SetSheet, error) {
	sheet := SetSheet{Count: sets}
	err := s.read(ctx, workshop, func(t pgx.Tx) error {
		rows, err := t.Query(ctx, `SELECT p.code, p.name, true FROM product p WHERE p.workshop_id = $1 AND p.retired_at IS NULL
			AND EXISTS (SELECT FROM product_part x WHERE x.workshop_id = $1 AND x.product_id = p.id AND x.replaced_by IS NULL) ORDER BY p.name, p.code`, workshop)
		if err != nil {
			return err
		}
		if sheet.Sets, err = pgx.CollectRows(rows, pgx.RowToStructByPos[ProductChoice]); err != nil || product == "" {
			return err
		}
		p, err := productByCode(ctx, t, workshop, product)
		if err != nil {
			return err
		}
		if !p.IsSet() {
			return fault.New(fault.NotFound, p.Name+" is no set: it is packed from a batch.")
		}
		return sheet.fill(ctx, t, workshop, p, on)
	})
	if err != nil {
		return SetSheet{}, fmt.Errorf("store: set sheet of %q: %w", product, err)
	}
	return sheet, nil
}

func (s *SetSheet) fill(ctx context.Context, t pgx.Tx, workshop WorkshopID, p Product, on day.Day) error {
	s.Product = p
	var dates []bestbefore.Part
	for _, k := range p.Parts {
		part := SetPart{ProductPart: k, Needed: k.PerUnit * s.Count}
		var err error
		if part.Packings, err = queryPackings(ctx, t, `WHERE `+inStock+` AND r.code = $2`+packingOrder, workshop, k.Product); err != nil {
			return err
		}
		part.Taken, part.Missing = Pick(part.Packings, part.Needed, on)
		for i, q := range part.Packings {
			if part.Taken[i] > 0 {
				dates = append(dates, bestbefore.Part{Code: q.Code, Date: q.BestBefore, Opened: q.OpenedMonths})
			}
		}
		s.Parts = append(s.Parts, part)
	}
	if len(dates) > 0 {
		w, err := scanWorkshop(t.QueryRow(ctx, `SELECT `+workshopColumns+` FROM workshop WHERE id = $1`, workshop))
		if err != nil {
			return err
		}
		s.BestBefore = bestbefore.DecideSet(w.Style, bestbefore.Precision(p.DatePrecision), dates, nil)
	}
	var err error
	if s.Packaging, err = packagingOf(ctx, t, workshop, p.ID); err != nil {
		return err
	}
	for i := range s.Packaging {
		if s.Packaging[i].Lots, err = packagingLots(ctx, t, workshop, s.Packaging[i].Material, on); err != nil {
			return err
		}
	}
	return nil
}
