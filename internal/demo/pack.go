package demo

import (
	"fmt"

	"github.com/shopspring/decimal"

	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/quantity"
	"example.org/stillroom/internal/release"
	"example.org/stillroom/internal/store"
)

// pack packs what is left of a batch's units: one is retained, the light ones are rejected.
func (d *maker) pack(code string, m making, r recipe, units int) error {
	b, err := d.s.Batch(d.ctx, d.workshop, code)
	if err != nil {
		return err
	}
	retained := 1
	good := units - retained - m.light
	labels := good + retained
	n := store.NewPacking{Batch: code, Product: r.product.Code, PackedOn: d.date(), Good: good, Retained: retained, Cleared: true, LabelsUsed: &labels, LabelChecked: true, Finished: true}
	if m.light > 0 {
		n.Rejects = append(n.Rejects, store.NewReject{Stage: "packing", Reason: "Light", Units: m.light})
	}
	out := r.fill().Mul(decimal.NewFromInt(int64(units + m.cracked)))
	loss := b.WeighedG().Mul(b.Limits.ExpectedLossPct).Div(num("100")).Mul(decimal.NewFromFloat(0.92 + 0.1*d.rand.Float64())).Round(0)
	if over := b.WeighedG().Sub(out).Sub(loss).Round(0); over.IsPositive() {
		n.LeftOverG = decimal.NewNullDecimal(over)
		if r.code == "TW" && over.GreaterThan(num("20")) {
			d.left[code] = over
		}
	}
	n.LossG = decimal.NewNullDecimal(loss)
	for _, p := range r.product.Packaging {
		uses, err := d.take(p, good+retained)
		if err != nil {
			return err
		}
		n.Packaging = append(n.Packaging, uses...)
	}
	for _, c := range b.Controls {
		if c.Stage == "packing" {
			n.Readings = append(n.Readings, d.readings(code, m, c))
		}
	}
	n.LabelSpecimen = fmt.Sprintf("%s Batch %s", r.product.LabelText, code)
	packing, err := d.s.Pack(d.ctx, d.by(m.by), store.Entry{}, n)
	err = really(err, "One light unit found while packing; not sold", func(yes store.Really) error {
		n.Really = yes
		packing, err = d.s.Pack(d.ctx, d.by(m.by), store.Entry{}, n)
		return err
	})
	if err != nil {
		return err
	}
	if m.on < -1 {
		d.at(d.nextMorning(9, 40), func() error { return d.release(code, packing, m) })
	}
	return nil
}

// take fetches packaging from the lots there are, the oldest first.
func (d *maker) take(p store.ProductPackaging, units int) ([]store.PackagingUse, error) {
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
		if len(uses) == 0 && d.rand.IntN(4) == 0 && l.OnHand.GreaterThan(need) {
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

func (d *maker) release(code, packing string, m making) error {
	if err := d.decide(code, m); err != nil {
		return err
	}
	err := d.s.ReleasePacking(d.ctx, d.by("mara"), store.Entry{}, packing, "", "")
	if !fault.Is(err, fault.Conflict) {
		return err
	}
	// A condition stands in the way: of these batches it is only the withdrawn lot.
	record, err := d.s.PackingRecord(d.ctx, d.workshop, packing)
	if err != nil {
		return err
	}
	for _, c := range record.Conditions {
		if c.Key == release.KeyLots && c.State == release.Fail {
			return d.s.RejectPacking(d.ctx, d.by("mara"), store.Entry{}, packing, "", "Holds a lot that its supplier withdrew: "+c.Words)
		}
	}
	return fmt.Errorf("release %s: %+v", packing, record.Conditions)
}

// bulk weighs an intermediate out and releases it.
func (d *maker) bulk(code string, b store.BatchRecord) error {
	grams := b.WeighedG().Mul(num("0.925")).Round(0)
	if err := d.s.NoteBulkReady(d.ctx, d.by("jun"), store.Entry{}, store.BulkReady{Batch: code, Grams: grams, LossG: decimal.NewNullDecimal(b.WeighedG().Sub(grams).Sub(num("4")).Round(0))}); err != nil {
		return err
	}
	d.after(90, func() error {
		return d.s.DecideBulk(d.ctx, d.by("mara"), store.Entry{}, code, "", "", true, "")
	})
	return nil
}
