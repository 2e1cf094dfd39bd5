package demo

import (
	"fmt"
	"math/rand/v2"
	"time"

	"github.com/shopspring/decimal"

	"example.org/stillroom/internal/store"
)

// gear is what stands in the workshop. The fine scale came when lip balm began to be made.
var gear = []struct {
	since int
	store.Equipment
}{
	{begun, store.Equipment{Code: "SC-1", Name: "Bench scale, 6 kg", Kind: "scale", Place: "Still room", ReadabilityG: some("0.1"), MinLoadG: some("2"), MaxLoadG: some("6000"), CheckDays: 30}},
	{fineScale, store.Equipment{Code: "SC-2", Name: "Fine scale, 500 g", Kind: "scale", Place: "Still room", ReadabilityG: some("0.01"), MinLoadG: some("0.2"), MaxLoadG: some("500"), CheckDays: 30}},
	{begun, store.Equipment{Code: "VE-1", Name: "Steel pot, 8 l", Kind: "vessel", Place: "Still room", CleanBeforeUse: true}},
	{begun, store.Equipment{Code: "VE-2", Name: "Balm kettle, 4 l", Kind: "vessel", Place: "Still room", CleanBeforeUse: true}},
	{begun, store.Equipment{Code: "VE-3", Name: "Mixing drum", Kind: "vessel", Place: "Dry room", CleanBeforeUse: true}},
	{begun, store.Equipment{Code: "MO-1", Name: "Loaf mould, beech", Kind: "mould", Place: "Still room"}},
	{-300, store.Equipment{Code: "MO-2", Name: "Loaf mould, silicone", Kind: "mould", Place: "Still room"}},
	{begun, store.Equipment{Code: "MO-3", Name: "Ball press", Kind: "mould", Place: "Dry room", CleanBeforeUse: true}},
	{begun, store.Equipment{Code: "MO-4", Name: "Bar press", Kind: "mould", Place: "Dry room", CleanBeforeUse: true}},
	{begun, store.Equipment{Code: "DH-1", Name: "Dehumidifier", Kind: "dehumidifier", Place: "Dry room", CheckDays: 365, Note: "Empty the tank every evening"}},
	{begun, store.Equipment{Code: "TH-1", Name: "Probe thermometer", Kind: "thermometer", Place: "Still room", CheckDays: 182}},
}

// fineScale is the day from which there are two scales.
const fineScale = -565

// used is what a formula's making takes besides scales.
func (d *maker) used(j *job) []string {
	switch j.formula {
	case "TW", "HH":
		if j.on > -300 && j.on%2 == 0 {
			return []string{"VE-1", "MO-2", "TH-1"}
		}
		return []string{"VE-1", "MO-1", "TH-1"}
	case "SM":
		return []string{"VE-1", "TH-1"}
	case "GF", "SL":
		return []string{"VE-3", "MO-3", "DH-1"}
	case "FS":
		return []string{"VE-3", "MO-4", "TH-1"}
	case "SS", "QS":
		return []string{"VE-3"}
	}
	return []string{"VE-2", "TH-1"}
}

// nameGear notes what a batch is made with. Once the kettle had last week's scent in it.
func (d *maker) nameGear(j *job) error {
	yes, no := true, false
	n := store.BatchEquipment{Batch: j.code}
	for _, code := range d.used(j) {
		u := store.NameUse{Equipment: code}
		if code[:2] == "VE" || code == "MO-3" || code == "MO-4" {
			u.Clean = &yes
			if j.formula == "LP" && j.on < -200 && j.on > -300 && code == "VE-2" {
				u.Clean = &no
			}
		}
		n.Used = append(n.Used, u)
	}
	err := d.s.NameEquipment(d.ctx, d.by(j.by), store.Entry{}, n)
	return j.really(err, "A rim of peppermint in the kettle: washed at once, before anything went in", func(yes store.Really) error {
		n.Really = yes
		return d.s.NameEquipment(d.ctx, d.by(j.by), store.Entry{}, n)
	})
}

// scale is the one that somebody takes for so many grams.
func (d *maker) scale(j *job, grams decimal.Decimal) string {
	if j.on > fineScale && grams.LessThan(num("60")) {
		return "SC-2"
	}
	return "SC-1"
}

// logBook is two years of the workshop's log.
func (d *maker) logBook() {
	for _, g := range gear {
		d.at(d.on(max(g.since, d.begun), 8, 10), func() error {
			_, err := d.s.AddEquipment(d.ctx, d.by("mara"), store.Entry{}, g.Equipment)
			return err
		})
	}
	for on := d.begun + 4; on < 0; on++ {
		rnd := d.dice("log", on)
		if d.today.AddDays(on).Time().Weekday() == time.Friday {
			d.note(on, 16, "pia", store.NewLogEntry{Kind: "cleaning", About: "Benches, sink and floor", Result: "fine", Words: cleaned[rnd.IntN(len(cleaned))], NextOn: d.today.AddDays(on + 7)})
		}
		d.checks(on, rnd)
		switch on {
		case -700, -609, -518, -427, -336, -245, -154, -63:
			n := store.NewLogEntry{Kind: "pest", About: "Traps in both rooms and the store", Result: "fine", Words: "Nothing in the traps", NextOn: d.today.AddDays(on + 91)}
			if on == -245 {
				n.Result, n.Words = "attention", "Moths in the trap beside the oats. Sack thrown away, shelf washed, oats now in tins"
			}
			d.note(on, 10, "jun", n)
		case -728, -365: // the next is due today
			d.note(on, 11, "mara", store.NewLogEntry{Kind: "water", About: "Still in the back room", Result: "fine", Words: "Sample to the laboratory; result in the folder", NextOn: d.today.AddDays(on + 365)})
		case -722, -380, -40:
			d.note(on, 9, "mara", store.NewLogEntry{Kind: "training", About: "Pia Lund", Result: "fine", Words: "Lye: gloves, goggles, what to do with a splash. Read the safety data sheet together", NextOn: d.today.AddDays(on + 365)})
		case -688:
			d.note(on, 9, "mara", store.NewLogEntry{Kind: "training", About: "Tam Orrell", Result: "fine", Words: "Weighing, line clearance, what a deviation is"})
		case -350:
			d.note(on, 15, "jun", store.NewLogEntry{Kind: "maintenance", Equipment: "DH-1", Result: "fine", Words: "New filter"})
		case -11:
			d.note(on, 15, "jun", store.NewLogEntry{Kind: "maintenance", Equipment: "DH-1", Result: "attention", Words: "Rattles when it starts; a new bearing is ordered"})
		}
	}
}

var cleaned = []string{"", "", "Drains too", "Behind the shelves as well", "Moulds oiled", ""}

// checks are those of scales and the rest. The fine scale's is overdue.
func (d *maker) checks(on int, rnd *rand.Rand) {
	check := func(code, reference string, off float64) store.NewLogEntry {
		shown := num(reference).Add(decimal.NewFromFloat(off).Round(2))
		return store.NewLogEntry{Kind: "check", Equipment: code, ReferenceG: some(reference), ShownG: decimal.NewNullDecimal(shown), NextOn: d.today.AddDays(on + 30)}
	}
	if (on+727)%30 == 0 {
		off := []float64{0, 0, 0.1, -0.1}[rnd.IntN(4)]
		if on == -727+30*14 {
			off = -1.4
			d.note(on+1, 14, "mara", store.NewLogEntry{Kind: "maintenance", Equipment: "SC-1", Result: "fine", Words: "Feet levelled: the bench had been moved. Set to zero and calibrated"})
			d.note(on+1, 15, "mara", store.NewLogEntry{Kind: "check", Equipment: "SC-1", ReferenceG: some("2000"), ShownG: some("2000"), NextOn: d.today.AddDays(on + 31)})
		}
		d.note(on, 8, "jun", check("SC-1", "2000", off))
	}
	if on > fineScale && on < -40 && (on+560)%30 == 0 {
		d.note(on, 8, "jun", check("SC-2", "200", []float64{0, 0, 0.01, -0.01}[rnd.IntN(4)]))
	}
	if on == -715 || on == -535 || on == -355 || on == -175 {
		d.note(on, 12, "jun", store.NewLogEntry{Kind: "check", Equipment: "TH-1", Result: "fine", Words: "Ice water 0.2 °C, boiling water 99.6 °C", NextOn: d.today.AddDays(on + 182)})
	}
	if on == -710 || on == -348 {
		d.note(on, 12, "jun", store.NewLogEntry{Kind: "check", Equipment: "DH-1", Result: "fine", Words: "Room at 55 % after two hours", NextOn: d.today.AddDays(on + 365)})
	}
}

// note writes into the log.
func (d *maker) note(on, hour int, by string, n store.NewLogEntry) {
	at := d.on(on, hour, 20+d.dice(n.Kind+n.Equipment+n.About, on).IntN(30))
	if at.Before(d.begin.Add(24 * time.Hour)) {
		return
	}
	d.at(at, func() error {
		_, err := d.s.AddLogEntry(d.ctx, d.by(by), store.Entry{}, n)
		return err
	})
}

// drum and bin are the tubs: oil is poured into the drum as it comes, salt into the bin. The drum is washed now and then;
// what was in it is used up from a can.
const (
	drum = "Olive oil drum"
	can  = "Olive oil can"
	bin  = "Salt bin"
)

// tubbed tells into which tub a delivery goes.
func tubbed(material string) string { return map[string]string{"OL": drum, "SE": bin}[material] }

// pour fills a tub with what stands beside it.
func (d *maker) pour(material, tub string) error {
	lots, err := d.s.LotsFor(d.ctx, d.workshop, material, d.date())
	if err != nil {
		return err
	}
	var from []store.TubDraw
	for _, l := range lots {
		if l.Tub == "" && len(l.Unfit) == 0 && l.OnHand.IsPositive() {
			from = append(from, store.TubDraw{Lot: l.Code, Quantity: l.OnHand})
		}
	}
	if len(from) == 0 {
		return nil
	}
	return d.intoTub(material, tub, from)
}

func (d *maker) intoTub(material, tub string, from []store.TubDraw) error {
	there, err := d.tub(tub)
	if err != nil {
		return err
	}
	if there.Code != "" {
		return d.s.TopUpTub(d.ctx, d.by("jun"), store.Entry{}, store.TopUp{Lot: there.Code, From: from, On: d.date()})
	}
	_, err = d.s.FillTub(d.ctx, d.by("jun"), store.Entry{}, store.TubFill{Tub: tub, Material: material, From: from, On: d.date()})
	return err
}

// tub is what stands in a tub, without a code where nothing does. There are a handful of them: one page holds all.
func (d *maker) tub(name string) (store.Lot, error) {
	tubs, _, err := d.s.Tubs(d.ctx, d.workshop, "", 50)
	for _, t := range tubs {
		if t.Tub == name {
			return t.Lot, err
		}
	}
	return store.Lot{}, err
}

// wash empties the drum into the can and washes it.
func (d *maker) wash() error {
	old, err := d.tub(can)
	if err != nil {
		return err
	}
	if old.Code != "" && old.OnHand.IsZero() {
		if err := d.s.EmptyTub(d.ctx, d.by("jun"), store.Entry{}, store.TubEmptied{Lot: old.Code, On: d.date(), Washed: true}); err != nil {
			return err
		}
	}
	full, err := d.tub(drum)
	if err != nil || full.Code == "" {
		return err
	}
	if full.OnHand.IsPositive() {
		if err := d.intoTub("OL", can, []store.TubDraw{{Lot: full.Code, Quantity: full.OnHand}}); err != nil {
			return err
		}
	}
	return d.s.EmptyTub(d.ctx, d.by("jun"), store.Entry{}, store.TubEmptied{Lot: full.Code, On: d.date(), Washed: true})
}

// spoils tells of a sack more than was needed: a fortnight later it is caked and musty, and nobody uses it after that.
func (d *maker) spoils() error {
	code, err := d.s.ReceiveLot(d.ctx, d.by("pia"), store.Entry{}, store.Receipt{Material: "EP", Supplier: "SD", SupplierLot: "3318-K", ReceivedOn: d.date(), RetestOn: d.date().AddDays(15), Quantity: num("2000"), DeliveryNote: "LS 40977", Release: true})
	if err != nil {
		return err
	}
	d.at(d.clock.Add(15*24*time.Hour), func() error {
		return d.s.RetestLot(d.ctx, d.by("jun"), store.Entry{}, store.NewRetest{Lot: code, On: d.date(), Words: "Caked, and a musty smell at the bottom of the sack"})
	})
	return nil
}

// lookAgain looks at lots whose retest date has come.
func (d *maker) lookAgain() error {
	lots, _, err := d.s.LotsToWatch(d.ctx, d.workshop, d.date(), "", 200)
	if err != nil {
		return err
	}
	for _, l := range lots {
		if l.RetestOn.IsZero() || l.RetestOn.After(d.date()) || l.Status != "released" {
			continue
		}
		n := store.NewRetest{Lot: l.Code, On: d.date(), Passed: true, Words: "Clear, smells of nothing it should not", NextOn: d.date().AddDays(150)}
		if err := d.s.RetestLot(d.ctx, d.by("jun"), store.Entry{}, n); err != nil {
			return err
		}
	}
	return nil
}

// keep puts what was retained of a packing away, and has it looked at again.
func (d *maker) keep(j *job, packing string, units int) error {
	place := fmt.Sprintf("Sample shelf %c, box %d", 'A'+rune(j.dice.IntN(3)), 1+j.dice.IntN(8))
	id, err := d.s.AddSample(d.ctx, d.by("pia"), store.Entry{}, store.NewSample{Packing: packing, Units: units, Place: place, TakenOn: d.date(), KeepUntil: d.date().AddDays(700)})
	if err != nil {
		return err
	}
	look := func(after int, n store.Inspection) {
		d.at(d.clock.Add(time.Duration(after)*24*time.Hour), func() error {
			n.On = d.date()
			return d.s.InspectSample(d.ctx, d.by("jun"), store.Entry{}, id, n)
		})
	}
	switch {
	case j.formula == "GP" && j.on > -260 && j.on < -190:
		look(170, store.Inspection{Result: "changed", Words: "Beads of moisture under the band; colour as it was"})
	case j.formula == "TW" && j.on > -520 && j.on < -480:
		look(200, store.Inspection{Result: "changed", Words: "Paler than the label; lather and smell as they were"})
		d.at(d.clock.Add(202*24*time.Hour), func() error { return d.decideSample(id) })
	case j.dice.IntN(3) == 0:
		look(182, store.Inspection{Result: "as_made"})
		if j.dice.IntN(2) == 0 {
			look(365, store.Inspection{Result: "as_made", Words: "Weighed and washed with", Used: units - 1})
		}
	}
	d.at(d.clock.Add(701*24*time.Hour), func() error {
		return d.s.EndSample(d.ctx, d.by("pia"), store.Entry{}, id, d.date(), "Kept long enough; washed with")
	})
	return nil
}

func (d *maker) decideSample(id store.SampleID) error {
	page, err := d.s.Sample(d.ctx, d.workshop, id)
	if err != nil {
		return err
	}
	for _, c := range page.Checks {
		if c.Open {
			if err := d.s.DecideDeviation(d.ctx, d.by("mara"), store.Entry{}, c.Deviation, "accept", "Daylight on the shelf: the boxes have lids now. Nothing wrong with the soap"); err != nil {
				return err
			}
		}
	}
	return nil
}
