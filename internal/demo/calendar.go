package demo

import (
	"fmt"
	"time"

	"example.org/stillroom/internal/store"
)

// makings of three months: five products and an intermediate, with what goes wrong in a real workshop.
var makings = []making{
	{formula: "CI", on: -93, hour: 10, massG: "2000", by: "jun"},
	{formula: "TW", on: -92, hour: 9, units: 26, by: "mara"},
	{formula: "GF", on: -91, hour: 9, units: 28, by: "pia"},
	{formula: "OB", on: -90, hour: 9, units: 44, by: "jun"},
	{formula: "FS", on: -88, hour: 9, units: 27, by: "jun"},
	{formula: "TW", on: -85, hour: 9, units: 26, by: "mara", slip: "typed"},
	{formula: "SS", on: -84, hour: 10, units: 15, by: "pia"},
	{formula: "GF", on: -82, hour: 9, units: 28, by: "pia", light: 1},
	{formula: "TW", on: -77, hour: 9, units: 26, by: "mara", cracked: 2},
	{formula: "GF", on: -74, hour: 9, units: 28, by: "pia", damp: true, cracked: 3},
	{formula: "FS", on: -72, hour: 9, units: 27, by: "jun", slip: "real"},
	{formula: "TW", on: -70, hour: 9, units: 26, by: "mara", rework: true},
	{formula: "CI", on: -68, hour: 10, massG: "2000", by: "jun"},
	{formula: "OB", on: -66, hour: 9, units: 44, by: "jun"},
	{formula: "GF", on: -63, hour: 9, units: 28, by: "pia"},
	{formula: "TW", on: -61, hour: 9, units: 26, by: "mara"},
	{formula: "SS", on: -58, hour: 10, units: 15, by: "pia"},
	{formula: "TW", on: -56, hour: 13, units: 26, by: "mara", discard: true},
	{formula: "FS", on: -54, hour: 9, units: 27, by: "jun"},
	{formula: "GF", on: -52, hour: 9, units: 28, by: "pia", light: 1},
	{formula: "TW", on: -49, hour: 9, units: 26, by: "mara"},
	{formula: "OB", on: -47, hour: 9, units: 44, by: "jun"},
	{formula: "GF", on: -42, hour: 9, units: 28, by: "pia"},
	{formula: "CI", on: -41, hour: 10, massG: "1600", by: "jun"},
	{formula: "TW", on: -36, hour: 9, units: 26, by: "mara"},
	{formula: "FS", on: -34, hour: 9, units: 27, by: "jun"},
	{formula: "GF", on: -31, hour: 9, units: 28, by: "pia"},
	{formula: "SS", on: -28, hour: 10, units: 15, by: "pia"},
	{formula: "TW", on: -27, hour: 9, units: 26, by: "mara", slip: "typed"},
	{formula: "OB", on: -25, hour: 9, units: 44, by: "jun", light: 1},
	{formula: "GF", on: -20, hour: 9, units: 28, by: "pia"},
	{formula: "TW", on: -15, hour: 9, units: 26, by: "mara", rework: true},
	{formula: "FS", on: -12, hour: 9, units: 27, by: "jun"},
	{formula: "GF", on: -8, hour: 9, units: 28, by: "pia", damp: true},
	{formula: "CI", on: -7, hour: 14, massG: "2000", by: "jun"},
	{formula: "SS", on: -1, hour: 10, units: 15, by: "pia"},
	{formula: "GF", on: -1, hour: 13, units: 28, by: "pia", light: 1},
	// At the bench today, begun before anybody looks.
	{formula: "OB", on: 0, hour: 0, units: 40, by: "jun", stopsAt: "weighing"},
	{formula: "FS", on: 0, hour: 0, units: 27, by: "mara", stopsAt: "weighing"},
}

var customers = []store.Customer{
	{Code: "HSP", Name: "Harbour Street Pantry", Kind: "stockist", Contact: store.Contact{Email: "orders@harbour.example.org", Phone: "00 555 0170"}},
	{Code: "LBW", Name: "The Lamplit Bookroom", Kind: "stockist", Contact: store.Contact{Email: "shop@lamplit.example.org"}},
	{Code: "MWS", Name: "Millwheel Stores", Kind: "stockist", Contact: store.Contact{Email: "buy@millwheel.example.org", Phone: "00 555 0188"}},
	{Code: "SSF", Name: "Sedgebank autumn fair", Kind: "event"},
	{Code: "QLM", Name: "Quillmoor lantern market", Kind: "event"},
	{Code: "W1", Name: "I. Ashdown", Kind: "online", Contact: store.Contact{Email: "ashdown@mail.example.org", Address: "3 Weir Lane, Quillmoor"}},
	{Code: "W2", Name: "R. Penhallow", Kind: "online", Contact: store.Contact{Email: "penhallow@mail.example.org"}},
	{Code: "W3", Name: "T. Marchbank", Kind: "online", Contact: store.Contact{Email: "marchbank@mail.example.org"}},
	{Code: "W4", Name: "D. Fairweather", Kind: "online", Contact: store.Contact{Email: "fairweather@mail.example.org"}},
	{Code: "W5", Name: "L. Osgood", Kind: "online", Contact: store.Contact{Email: "osgood@mail.example.org"}},
	{Code: "W6", Name: "S. Netherby", Kind: "online", Contact: store.Contact{Email: "netherby@mail.example.org"}},
	{Code: "DV", Name: "Dove Cottage guest house", Kind: "direct", Contact: store.Contact{Phone: "00 555 0123"}},
}

// calendar notes everything that is to happen.
func (d *maker) calendar() {
	d.at(d.begin, d.shelf)
	d.at(d.begin, d.formulas)
	d.at(d.begin, func() error {
		for _, c := range customers {
			if _, err := d.s.AddCustomer(d.ctx, d.by("mara"), store.Entry{}, c); err != nil {
				return err
			}
		}
		return nil
	})
	for _, m := range makings {
		if m.on == 0 {
			// Whatever the time of day now, it began in the last hour and a half.
			d.makeBefore(m)
			continue
		}
		d.make(m)
	}
	for on := -80; on < 0; on++ {
		switch weekday := int(d.today.AddDays(on).Time().Weekday()); weekday {
		case 2, 5:
			d.sell(on, 14, customers[(-on/3)%3].Code, 4, 12)
		case 1, 3, 4:
			d.sell(on, 16, customers[5+d.rand.IntN(6)].Code, 2, 3)
		}
	}
	d.sell(-57, 7, "SSF", 5, 7)
	d.sell(-22, 7, "QLM", 5, 8)
	d.sell(-30, 11, "DV", 2, 10)
	d.at(d.on(-56, 18, 0), func() error { return d.comeBack("SSF", 3, "restock", "left over from the fair") })
	d.at(d.on(-21, 18, 0), func() error { return d.comeBack("QLM", 4, "restock", "left over from the market") })
	d.at(d.on(-40, 11, 0), func() error { return d.comeBack("HSP", 1, "destroy", "dropped in the shop") })
	d.at(d.on(-50, 12, 0), func() error { return d.move("tester", 1, "for the shop counter") })
	d.at(d.on(-33, 12, 0), func() error { return d.move("broken", 2, "fell from the shelf") })
	d.at(d.on(-18, 12, 0), func() error { return d.move("gift", 1, "for the school raffle") })
	d.at(d.on(-9, 10, 30), d.goesWrong)
	d.at(d.on(-3, 9, 0), func() error {
		_, err := d.s.MakePlan(d.ctx, d.by("mara"), store.NewPlan{Formula: "TW", Product: "TW100", Units: 26, On: d.today.AddDays(2), Place: "Still room"})
		return err
	})
}

func (d *maker) makeBefore(m making) {
	r := recipeOf(m.formula)
	begun := d.end.Add(-95 * time.Minute)
	if m.by == "mara" {
		begun = d.end.Add(-70 * time.Minute)
	}
	d.at(begun, func() error {
		plan, err := d.s.MakePlan(d.ctx, d.by(m.by), store.NewPlan{Formula: m.formula, Product: r.product.Code, Units: m.units, On: d.date(), Place: "Still room"})
		if err != nil {
			return err
		}
		return d.start(m, r, plan)
	})
}

// sell sends up to so many units of up to so many products to a customer, from what is free, first out first.
func (d *maker) sell(on, hour int, customer string, kinds, most int) {
	d.at(d.on(on, hour, d.rand.IntN(50)), func() error {
		stock, err := d.s.Stock(d.ctx, d.workshop)
		if err != nil {
			return err
		}
		n := store.NewDispatch{Customer: customer, On: d.date()}
		d.rand.Shuffle(len(stock), func(i, j int) { stock[i], stock[j] = stock[j], stock[i] })
		for _, p := range stock {
			if kinds == 0 {
				break
			}
			want := 1 + d.rand.IntN(most)
			for _, k := range p.Packings {
				if k.Unfit(d.date()) != "" || k.Free() == 0 || want == 0 {
					continue
				}
				units := min(want, k.Free())
				want -= units
				n.Lines = append(n.Lines, store.DispatchLine{Packing: k.Code, Units: units})
			}
			kinds--
		}
		if len(n.Lines) == 0 {
			return nil
		}
		_, err = d.s.Dispatch(d.ctx, d.by("pia"), store.Entry{}, n)
		return err
	})
}

// comeBack returns units of the customer's last dispatch.
func (d *maker) comeBack(customer string, units int, disposition, note string) error {
	page, err := d.s.Customer(d.ctx, d.workshop, customer, "", 5)
	if err != nil {
		return err
	}
	if len(page.Dispatches) == 0 {
		return nil
	}
	sent, err := d.s.DispatchPage(d.ctx, d.workshop, page.Dispatches[0].Code)
	if err != nil {
		return err
	}
	for _, l := range sent.Packings {
		if l.Out() < units {
			continue
		}
		_, err := d.s.Return(d.ctx, d.by("pia"), store.Entry{}, store.NewReturn{Dispatch: sent.Code, Packing: l.Packing, On: d.date(), Units: units, Disposition: disposition, Note: note})
		return err
	}
	return nil
}

func (d *maker) move(reason string, units int, note string) error {
	stock, err := d.s.Stock(d.ctx, d.workshop)
	if err != nil {
		return err
	}
	for _, p := range stock {
		for _, k := range p.Packings {
			if k.Status == "released" && k.Free() >= units {
				_, err := d.s.MoveUnits(d.ctx, d.by("pia"), store.Entry{}, store.UnitMove{Packing: k.Code, On: d.date(), Reason: reason, Units: units, Note: note})
				return err
			}
		}
	}
	return nil
}

// goesWrong is the call that every maker dreads: the supplier withdraws a lot that is in the balm. The lot is
// rejected, and what is left of the units that it reached is held.
func (d *maker) goesWrong() error {
	page, err := d.s.TraceSupplierLot(d.ctx, d.workshop, "FO", "7731-B")
	if err != nil {
		return err
	}
	for _, lot := range page.Lots {
		if err := d.s.SetLotStatus(d.ctx, d.by("mara"), store.Entry{}, lot, "rejected", "Fenmarch Oils withdrew their lot 7731-B: peroxide value too high"); err != nil {
			return err
		}
	}
	for _, l := range page.Lines {
		if l.Customer == "" && l.Units > 0 {
			if err := d.s.PlaceHold(d.ctx, d.by("mara"), store.Entry{}, store.NewHold{Packing: l.Packing, Reason: fmt.Sprintf("Holds sunflower oil of the withdrawn lot, %s", page.Lots[0])}); err != nil {
				return err
			}
		}
	}
	return nil
}
