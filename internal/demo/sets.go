package demo

import (
	"time"

	"github.com/shopspring/decimal"

	"example.org/stillroom/internal/store"
)

// gifts are put together from units of several batches.
var gifts = []store.Product{
	{Code: "MX", Name: "Moor box", Letters: "MX", DatePrecision: "day", Parts: []store.ProductPart{{Product: "TW100", PerUnit: 1}, {Product: "GF165", PerUnit: 1}, {Product: "OB50", PerUnit: 1}}, Packaging: packaging("BX", "1", "RB", "1", "TP", "2", "LB", "1"), LabelText: "Moor box. A soap, a fizz ball, a balm: see their labels."},
	{Code: "LT", Name: "Little tray", Letters: "LT", DatePrecision: "day", Parts: []store.ProductPart{{Product: "HH35", PerUnit: 2}, {Product: "SS50", PerUnit: 1}, {Product: "LP5", PerUnit: 1}}, Packaging: packaging("BX", "1", "TP", "1", "LB", "1"), LabelText: "Little tray. Two soaps, a bath, a lip balm: see their labels."},
}

// most is how many of a set are put together at once.
const most = 10

// forSets is how many units of a product are not sold singly, so that there is something to put together.
func forSets(product string) int {
	for _, g := range gifts {
		for _, p := range g.Parts {
			if p.Product == product {
				return most * p.PerUnit
			}
		}
	}
	return 0
}

// giving are the days on which sets are put together: before midwinter, in spring, in early summer, and a month ago.
func (d *maker) giving() []int {
	var days []int
	for on := max(d.begun+150, -530); on < -3; on++ {
		date := d.today.AddDays(on).Time()
		late := date.Month() == time.November && date.Day() > 12 || date.Month() == time.December && date.Day() < 12
		if on == -31 || date.Weekday() == time.Wednesday && (late || date.Day() <= 7 && (date.Month() == time.March || date.Month() == time.June)) {
			days = append(days, on)
		}
	}
	return days
}

func (d *maker) sets() {
	for _, g := range gifts {
		d.at(d.on(max(d.begun+20, -540), 9, 0), func() error {
			_, err := d.s.AddProduct(d.ctx, d.by("mara"), store.Entry{}, g)
			return err
		})
	}
	for i, on := range d.giving() {
		d.at(d.on(on, 10, 15), func() error { return d.give(gifts[i%len(gifts)], most) })
	}
}

// boxed adds what sets take of packaging.
func (d *maker) boxed(needs map[string][]need) {
	for i, on := range d.giving() {
		for _, p := range gifts[i%len(gifts)].Packaging {
			needs[p.MaterialCode] = append(needs[p.MaterialCode], need{on, p.PerUnit.Mul(decimal.NewFromInt(most + 2))})
		}
	}
}

// give puts as many sets together as there are parts for, up to so many.
func (d *maker) give(g store.Product, sets int) error {
	for ; sets > 2; sets-- {
		sheet, err := d.s.SetSheet(d.ctx, d.workshop, g.Code, sets, d.date())
		if err != nil {
			return err
		}
		n := store.NewSet{Product: g.Code, On: d.date(), Good: sets, Cleared: true, LabelsUsed: &sets, LabelChecked: true, LabelSpecimen: g.LabelText}
		missing := 0
		for _, part := range sheet.Parts {
			missing = max(missing, (part.Missing+part.PerUnit-1)/part.PerUnit)
			for k, p := range part.Packings {
				n.Units = append(n.Units, store.SetUnits{Packing: p.Code, Units: part.Taken[k]})
			}
		}
		if missing > 0 {
			sets -= missing - 1
			continue
		}
		for _, p := range g.Packaging {
			uses, err := d.take(d.dice(g.Code, sets), p, sets)
			if err != nil {
				return err
			}
			n.Packaging = append(n.Packaging, uses...)
		}
		code, err := d.s.PutTogether(d.ctx, d.by("pia"), store.Entry{}, n)
		if err != nil {
			return err
		}
		d.stock = nil
		d.after(95, func() error { return d.s.ReleasePacking(d.ctx, d.by("mara"), store.Entry{}, code, "", "") })
		return nil
	}
	return nil
}
