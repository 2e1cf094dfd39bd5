package demo

import (
	"fmt"
	"strings"
	"time"

	"example.org/stillroom/internal/access"
	"example.org/stillroom/internal/store"
)

// oddities are what stands out: each is told once or a few times.
func (d *maker) oddities() {
	d.lastDays()
	d.at(d.on(-690, 9, 0), d.tamComes)
	d.labelRecall()
	d.at(d.on(-429, 16, 0), d.tamLeaves)
	for on := max(d.begun+100, -640); on < -12; on += 30 {
		d.at(d.on(on, 16, 40), d.clearShelves)
	}
	for _, on := range []int{-505, -330, -118, -37} {
		d.at(d.on(on, 17, 5), d.countLot)
	}
	d.at(d.on(-471, 8, 15), func() error {
		return d.refuse("CF", "HB", "4 of 6 bags damp inside, smell of hay gone: sent back with the driver")
	})
	d.at(d.on(-212, 8, 15), func() error { return d.refuse("OT", "SD", "Moths in the sack") })
	d.at(d.on(-389, 10, 20), d.typedTwice)
	for on := -166; on < -90; on++ {
		d.at(d.on(on, 17, 50), d.correctDispatch)
	}
	d.at(d.on(-252, 11, 30), d.takeBackMove)
	d.at(d.on(-141, 10, 45), d.correctExpiry)
	for on := -128; on < -90; on++ {
		d.at(d.on(on, 17, 35), d.leftUnreleased)
	}
	d.at(d.on(-287, 9, 30), func() error {
		return d.keepBack("TW100", 24*time.Hour*9, "A customer says the bar has no scent", "Compared with three others: the customer had a cold")
	})
	d.at(d.on(-24, 9, 30), func() error {
		return d.keepBack("FS60", 0, "Soft after a night in the van; looked at again in a month")
	})
	d.at(d.on(-233, 10, 0), d.changeAddress)
	d.at(d.on(-203, 13, 20), func() error {
		return d.otherCode("TW35", "HH35", "mix_up", 6, "The rolls of small labels stood side by side; six guest bars have the wrong one")
	})
	d.at(d.on(-71, 13, 20), func() error {
		return d.otherCode("OB50", "OB50", "relabelled", 9, "Their label named a scent that is not in them: new labels from the next batch")
	})
	d.at(d.on(-318, 13, 20), func() error { return d.misprint("FS60") })
	d.at(d.on(-76, 14, 30), func() error {
		// A second version of the scrub that nobody has finished.
		_, err := d.s.NewVersion(d.ctx, d.by("mara"), store.Entry{}, "QS")
		return err
	})
}

// lastDays are what whoever looks at the demo finds to do.
func (d *maker) lastDays() {
	d.at(d.end.Add(-3*time.Hour), func() error {
		// One came this morning and waits to be looked at.
		_, err := d.s.ReceiveLot(d.ctx, d.by("pia"), store.Entry{}, store.Receipt{Material: "CF", Supplier: "HB", SupplierLot: "5512-C9", ReceivedOn: d.date(), ExpiresOn: d.date().AddDays(260), Quantity: num("500"), DeliveryNote: "LS 41122"})
		return err
	})
	d.at(d.end.Add(-2*time.Hour), func() error {
		// The letter that every maker dreads has come with the post; what to do about it is up to whoever reads it.
		return d.s.AttachToLot(d.ctx, d.by("pia"), store.Entry{}, "SF-0002", paper("other", "Letter of Fenmarch Oils.pdf", "Fenmarch Oils", "Dear customer,", "we have to withdraw our lot "+badLot+" of sunflower oil:", "its peroxide value is above what our certificate says.", "Please tell us what you still hold of it.", "Made up for the demo."))
	})
	// One crate is at a fair of two days, and one is being packed.
	d.at(d.on(-1, 6, 45), func() error {
		code, lines, err := d.crate("WIN", d.today.AddDays(-1), 6, 6)
		if code == "" || err != nil {
			return err
		}
		return d.leave(code, "WIN", lines)
	})
	d.at(d.on(-1, 17, 20), func() error {
		_, _, err := d.crate("QLM", d.today.AddDays(4), 4, 5)
		return err
	})
	d.at(d.on(-3, 9, 0), func() error { return d.plan("TW", 32, 2, "") })
	d.at(d.on(-2, 9, 5), func() error { return d.plan("GF", 30, 0, "For the lantern market") })
	d.at(d.on(-2, 9, 8), func() error { return d.plan("OB", 92, 4, "Twice as many: Harbour Street Pantry asked for it") })
	d.at(d.on(-2, 9, 12), func() error { return d.plan("HH", 40, 6, "") })
}

func (d *maker) plan(formula string, units, in int, note string) error {
	_, err := d.s.MakePlan(d.ctx, d.by("mara"), store.NewPlan{Formula: formula, Product: recipeOf(formula).products[0].Code, Units: units, On: d.today.AddDays(in), Place: "Still room", Note: note})
	return err
}

// tamComes and tamLeaves: somebody who worked here for a while still stands in the book.
func (d *maker) tamComes() error {
	if _, err := d.s.AddPerson(d.ctx, d.by("mara"), store.Entry{}, store.NewPerson{Email: "tam@quillmoor.example.org", Name: "Tam Orrell", Role: access.Helper}, d.clock); err != nil {
		return err
	}
	return d.meet()
}

func (d *maker) tamLeaves() error {
	return d.s.DisablePerson(d.ctx, d.by("mara"), store.Entry{}, d.people["tam"].Person, true)
}

// clearShelves takes off what is out of date: lots are written off, units thrown away.
func (d *maker) clearShelves() error {
	lots, _, err := d.s.LotsToWatch(d.ctx, d.workshop, d.date(), "", 200)
	if err != nil {
		return err
	}
	for _, l := range lots {
		if l.ExpiresOn.IsZero() || !l.ExpiresOn.Before(d.date()) {
			continue
		}
		if err := d.s.MoveLot(d.ctx, d.by("jun"), store.Entry{}, store.LotMove{Lot: l.Code, Quantity: l.OnHand.Neg(), Reason: "write_off", Note: "Past its date", On: d.date()}); err != nil {
			return err
		}
	}
	d.stock = nil
	stock, err := d.counted()
	if err != nil {
		return err
	}
	for i := range stock {
		for k := range stock[i].Packings {
			p := &stock[i].Packings[k]
			if p.BestBefore.IsZero() || !p.BestBefore.Before(d.date()) || p.Free() == 0 {
				continue
			}
			if _, err := d.s.MoveUnits(d.ctx, d.by("jun"), store.Entry{}, store.UnitMove{Packing: p.Code, On: d.date(), Reason: "broken", Units: p.Free(), Note: "Out of date: taken off the shelf and thrown away"}); err != nil {
				return err
			}
			p.OnHand = p.Held
		}
	}
	return nil
}

// countLot finds a little less in a lot than the book says.
func (d *maker) countLot() error {
	lots, err := d.s.LotsFor(d.ctx, d.workshop, "SE", d.date())
	if err != nil || len(lots) == 0 {
		return err
	}
	_, err = d.s.CountLot(d.ctx, d.by("jun"), store.Entry{}, store.LotCount{Lot: lots[0].Code, Counted: lots[0].OnHand.Mul(num("0.985")).Round(0), Note: "Sack weighed; some had run out at the seam"})
	return err
}

// refuse books a delivery that is turned down the same hour.
func (d *maker) refuse(material, supplier, reason string) error {
	code, err := d.s.ReceiveLot(d.ctx, d.by("jun"), store.Entry{}, store.Receipt{Material: material, Supplier: supplier, SupplierLot: fmt.Sprintf("X%d", 300+d.dice(material, 1).IntN(600)), ReceivedOn: d.date(), ExpiresOn: d.date().AddDays(250), Quantity: num("1000")})
	if err != nil {
		return err
	}
	d.after(20, func() error { return d.s.SetLotStatus(d.ctx, d.by("mara"), store.Entry{}, code, "rejected", reason) })
	return nil
}

// typedTwice is a batch begun by a second tap on the same plan's twin, and voided before anything was weighed.
func (d *maker) typedTwice() error {
	plan, err := d.s.MakePlan(d.ctx, d.by("pia"), store.NewPlan{Formula: "GF", Product: "GF165", Units: 30, On: d.date(), Place: "Dry room"})
	if err != nil {
		return err
	}
	code, err := d.s.StartBatch(d.ctx, d.by("pia"), store.Entry{}, store.Start{Plan: plan, TemperatureC: some("20.1"), HumidityPct: some("48"), Place: "Dry room"})
	if err != nil {
		return err
	}
	d.after(3, func() error {
		return d.s.VoidBatch(d.ctx, d.by("jun"), store.Entry{}, code, "Begun by mistake: the plan was for next week")
	})
	return nil
}

// correctDispatch: one unit fewer was in the parcel than the list said. It is told once, of the first parcel of which
// nothing has come back yet.
func (d *maker) correctDispatch() error {
	p := d.sent["LBW"]
	if p.back || d.done["dispatch"] {
		return nil
	}
	for i, l := range p.lines {
		if l.Units > 1 {
			p.lines[i].Units--
			d.stock, d.done["dispatch"] = nil, true
			return d.s.CorrectDispatch(d.ctx, d.by("jun"), store.Entry{}, store.LineCorrection{Dispatch: p.code, Packing: l.Packing, Units: l.Units - 1, Reason: "The shop counted one fewer, and one was found in the packing table's drawer"})
		}
	}
	return nil
}

// takeBackMove withdraws an entry of units that had not left.
func (d *maker) takeBackMove() error {
	code, err := d.moved("tester", 1, "For the shop counter")
	if err != nil || code == "" {
		return err
	}
	d.after(18, func() error {
		d.stock = nil
		return d.s.WithdrawMove(d.ctx, d.by("jun"), store.Entry{}, code, "The tester came from an older bar")
	})
	return nil
}

// correctExpiry: a date read wrong from a drum.
func (d *maker) correctExpiry() error {
	lots, err := d.s.LotsFor(d.ctx, d.workshop, "AL", d.date())
	if err != nil || len(lots) == 0 {
		return err
	}
	l := lots[len(lots)-1]
	return d.s.CorrectLot(d.ctx, d.by("mara"), store.Entry{}, store.LotCorrection{Code: l.Code, Supplier: l.SupplierCode, SupplierLot: l.SupplierLot, ReceivedOn: l.ReceivedOn, ExpiresOn: l.ExpiresOn.AddDays(30), RetestOn: l.RetestOn, Quantity: l.Quantity, UnitCost: l.UnitCost, DeliveryNote: l.DeliveryNote},
		"The 4 on the drum was read as a 3")
}

// leftUnreleased is what happens: units left before anybody had signed for them.
func (d *maker) leftUnreleased() error {
	if d.done["unreleased"] {
		return nil
	}
	for _, w := range d.waiting {
		w.job.deviant, d.done["unreleased"] = true, true
		lines := []store.DispatchLine{{Packing: w.packing, Units: 3}}
		_, err := d.s.Dispatch(d.ctx, d.by("pia"), store.Entry{}, store.NewDispatch{Customer: "DV", On: d.date(), AlreadyLeft: true, Reason: "The guest house came for them while Mara was out", Lines: lines})
		return err
	}
	return nil
}

// keepBack holds what is on hand of a product, or where nothing is of another, and after a while lets it go again; for no
// time it stays.
func (d *maker) keepBack(product string, while time.Duration, why string, found ...string) error {
	d.stock = nil
	stock, err := d.counted()
	if err != nil {
		return err
	}
	var held string
	for _, p := range stock {
		for _, k := range p.Packings {
			if k.Status == "released" && k.Held == 0 && k.Free() > 1 && (held == "" || p.Code == product) {
				held = k.Code
			}
		}
	}
	if held == "" {
		return nil
	}
	d.stock = nil
	if while > 0 {
		d.at(d.clock.Add(while), func() error { return d.letGo(held, found[0]) })
	}
	return d.s.PlaceHold(d.ctx, d.by("mara"), store.Entry{}, store.NewHold{Packing: held, Reason: why})
}

func (d *maker) letGo(packing, found string) error {
	page, err := d.s.PackingUnits(d.ctx, d.workshop, packing)
	if err != nil {
		return err
	}
	for _, h := range page.Holds {
		if h.LiftedAt == nil && h.Recall == 0 { // a recall keeps what it holds
			if err := d.s.LiftHold(d.ctx, d.by("mara"), store.Entry{}, h.ID, found); err != nil {
				return err
			}
		}
	}
	d.stock = nil
	return nil
}

// otherCode notes that units of the latest packing of a product bear the code of the latest of another, or of the one
// before it.
func (d *maker) otherCode(product, bears, kind string, units int, why string) error {
	own, err := d.lastOf(product, "")
	if err != nil || own == "" {
		return err
	}
	other, err := d.lastOf(bears, own)
	if err != nil || other == "" {
		return err
	}
	return d.s.NoteUnitCode(d.ctx, d.by("jun"), store.Entry{}, store.NewUnitCode{Packing: own, Code: other, Kind: kind, Units: units, Reason: why, On: d.date()})
}

func (d *maker) misprint(product string) error {
	own, err := d.lastOf(product, "")
	if err != nil || own == "" {
		return err
	}
	return d.s.NoteUnitCode(d.ctx, d.by("pia"), store.Entry{}, store.NewUnitCode{Packing: own, Code: own[:len(own)-3] + "7", Kind: "misprint", Reason: "The ribbon of the stamp ran out: the last figures are missing", On: d.date()})
}

// lastOf is the latest packing of a product, other than one; empty for none.
func (d *maker) lastOf(product, other string) (string, error) {
	for i := len(d.packed) - 1; i >= 0; i-- {
		if d.packed[i] == other || !strings.HasPrefix(product, d.packed[i][:2]) {
			continue
		}
		p, err := d.s.Packing(d.ctx, d.workshop, d.packed[i])
		if err != nil || p.ProductCode == product {
			return p.Code, err
		}
	}
	return "", nil
}

func (d *maker) changeAddress() error {
	c, _, err := d.s.CustomerSeen(d.ctx, d.workshop, "MWS")
	if err != nil {
		return err
	}
	c.Address = "The Old Mill, Fenmarch"
	return d.s.CorrectCustomer(d.ctx, d.by("mara"), store.Entry{}, c, "", "Moved across the river")
}
