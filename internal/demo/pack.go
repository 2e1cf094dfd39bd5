package demo

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"time"

	"github.com/shopspring/decimal"

	"example.org/stillroom/internal/batchcode"
	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/quantity"
	"example.org/stillroom/internal/release"
	"example.org/stillroom/internal/store"
)

// unsigned is a packing that waits for its release.
type unsigned struct {
	packing string
	job     *job
}

// pack packs the batch's units as the ith of its products. Of the first one is retained, and the light ones are
// rejected; the last finishes the packing.
func (d *maker) pack(j *job, i int) error {
	c := j.recipe.products[i]
	units := c.unitsOf(j.recipe, j.units)
	last := i+1 == len(j.recipe.products)
	n := store.NewPacking{Batch: j.code, Product: c.Code, PackedOn: d.date(), Good: units, Cleared: true, LabelChecked: true, Finished: last}
	if i == 0 {
		n.Retained = 1 + j.dice.IntN(2)
		n.Good -= n.Retained + j.light
		if j.light > 0 {
			n.Rejects = append(n.Rejects, store.NewReject{Stage: "packing", Reason: "Light", Units: j.light})
		}
	}
	labels := n.Good + n.Retained
	n.LabelsUsed = &labels
	j.out = j.out.Add(c.NominalFill().Mul(decimal.NewFromInt(int64(units))))
	if last {
		d.balance(j, &n)
	}
	for _, p := range c.Packaging {
		uses, err := d.take(j.dice, p, labels)
		if err != nil {
			return err
		}
		if j.on > handedOut {
			n.PackagingNote += handOut(j, uses)
		}
		n.Packaging = append(n.Packaging, uses...)
	}
	for _, x := range j.record.Controls {
		if x.Stage == "packing" {
			n.Readings = append(n.Readings, j.readings(x))
		}
	}
	n.LabelSpecimen = fmt.Sprintf("%s Batch %s", c.LabelText, batchcode.PackingCode(j.code, i+1, true))
	packing, err := d.s.Pack(d.ctx, d.by(j.by), store.Entry{}, n)
	err = j.really(err, "One light unit found while packing; not sold", func(yes store.Really) error {
		n.Really = yes
		packing, err = d.s.Pack(d.ctx, d.by(j.by), store.Entry{}, n)
		return err
	})
	if err != nil {
		return err
	}
	if !last {
		next := j.recipe.products[i+1]
		d.at(d.date().AddDays(next.days-c.days).Start(d.loc).Add(14*time.Hour+time.Duration(j.dice.IntN(60))*time.Minute), func() error { return d.pack(j, i+1) })
	}
	if d.date() != d.today && d.date() != d.today.AddDays(-1) {
		d.at(d.nextMorning(j, 9, 40), func() error { return d.release(j, packing) })
	}
	if n.Retained > 0 && (j.on < -20 || j.on%2 == 0) { // for some of the last weeks nobody has found a place yet
		d.at(d.nextMorning(j, 10, 30), func() error { return d.keep(j, packing, n.Retained) })
	}
	d.waiting = append(d.waiting, unsigned{packing, j})
	d.packed = append(d.packed, packing)
	return nil
}

// balance writes down what is left over and lost. Left-over soap waits for a later batch.
func (d *maker) balance(j *job, n *store.NewPacking) {
	loss := j.weighed.Mul(j.record.Limits.ExpectedLossPct).Div(num("100")).Mul(decimal.NewFromFloat(0.92 + 0.1*j.dice.Float64())).Round(0)
	n.LossG = decimal.NewNullDecimal(loss)
	if over := j.weighed.Sub(j.out).Sub(loss).Round(0); over.IsPositive() {
		n.LeftOverG = decimal.NewNullDecimal(over)
		if j.formula == "TW" && over.GreaterThan(num("20")) {
			d.left = append(d.left, leftOver{j.code, over, d.clock})
		}
	}
}

// take fetches packaging from the lots there are, the oldest first.
func (d *maker) take(rnd *rand.Rand, p store.ProductPackaging, units int) ([]store.PackagingUse, error) {
	lots, err := d.s.LotsFor(d.ctx, d.workshop, p.MaterialCode, d.date())
	if err != nil {
		return nil, err
	}
	need := p.PerUnit.Mul(decimal.NewFromInt(int64(units)))
	var uses []store.PackagingUse
	for _, l := range lots {
		if !need.IsPositive() {
			break
		}
		if len(l.Unfit) > 0 {
			continue
		}
		spoiled := decimal.Zero
		if len(uses) == 0 && rnd.IntN(4) == 0 && l.OnHand.GreaterThan(need) {
			spoiled = num("1")
		}
		used := decimal.Min(need, l.OnHand)
		need = need.Sub(used)
		uses = append(uses, store.PackagingUse{Material: p.MaterialCode, Lot: l.Code, Used: decimal.NewNullDecimal(used), Spoiled: spoiled})
	}
	if need.IsPositive() {
		return nil, fmt.Errorf("no lot holds the last %s of %s", quantity.Format(need), p.MaterialCode)
	}
	return uses, nil
}

// handedOut is the day from which packaging was counted to the table and back.
const handedOut = -420

// handOut counts what of one packaging was brought to the table in tens, and what went back. Where one is missing it says
// what became of it.
func handOut(j *job, uses []store.PackagingUse) (note string) {
	for i := range uses {
		u := &uses[i]
		taken := u.Used.Decimal.Add(u.Spoiled)
		issued := taken.Div(num("10")).Ceil().Mul(num("10"))
		back := issued.Sub(taken)
		if i == 0 && j.on%11 == 0 && u.Material == "LB" && back.IsPositive() {
			back, note = back.Sub(num("1")), "One label fell behind the bench and was thrown away with the sweepings"
		}
		u.Issued, u.Returned = decimal.NewNullDecimal(issued), decimal.NewNullDecimal(back)
	}
	return note
}

// release signs a packing, or rejects one that nobody would buy.
func (d *maker) release(j *job, packing string) error {
	d.waiting = slices.DeleteFunc(d.waiting, func(u unsigned) bool { return u.packing == packing })
	if j.deviant {
		if err := d.decide(j); err != nil {
			return err
		}
	}
	if j.fails {
		return d.s.RejectPacking(d.ctx, d.by("mara"), store.Entry{}, packing, "", "Grey specks under the wrap on the second day; not for sale, not for gifts")
	}
	err := d.s.ReleasePacking(d.ctx, d.by("mara"), store.Entry{}, packing, "", "")
	if !fault.Is(err, fault.Conflict) {
		return err
	}
	record, err := d.s.PackingRecord(d.ctx, d.workshop, packing)
	if err != nil {
		return err
	}
	for _, c := range record.Conditions {
		if c.State == release.Fail {
			return fmt.Errorf("release of %s: %s: %s", packing, c.Name, c.Words)
		}
	}
	return fmt.Errorf("release of %s was refused", packing)
}

// bulk weighs an intermediate out and releases it.
func (d *maker) bulk(j *job) error {
	loss := j.record.Limits.ExpectedLossPct.Div(num("100"))
	grams := j.weighed.Mul(num("0.995").Sub(loss)).Round(0)
	if err := d.s.NoteBulkReady(d.ctx, d.by(j.by), store.Entry{}, store.BulkReady{Batch: j.code, Grams: grams, LossG: decimal.NewNullDecimal(j.weighed.Sub(grams).Sub(num("4")).Round(0))}); err != nil {
		return err
	}
	d.after(90, func() error { return d.s.DecideBulk(d.ctx, d.by("mara"), store.Entry{}, j.code, "", "", true, "") })
	return nil
}
