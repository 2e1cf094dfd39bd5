package demo

import (
	"fmt"
	"time"

	"github.com/shopspring/decimal"

	"example.org/stillroom/internal/day"
	"example.org/stillroom/internal/quantity"
	"example.org/stillroom/internal/store"
)

// making is one batch of the calendar and what is told of it.
type making struct {
	formula string
	on      int // days from today
	hour    int
	units   int    // of the product; 0 for bulk
	massG   string // for bulk
	by      string
	damp    bool   // a damp day: the room is over its limit
	slip    string // "typed": a weight typed wrong and corrected; "real": really too much, decided and rescaled
	light   int    // units too light, kept back at packing
	cracked int    // units rejected at the end of the cure
	rework  bool   // left-over of the last batch of this formula is worked in
	stopsAt string // "weighing": at the bench today
	discard bool   // rejected as a whole
}

// run notes all of it, moment by moment: each step is an event of its own, so that the book is in order of time.
func (d *maker) make(m making) {
	r := recipeOf(m.formula)
	d.at(d.on(m.on, m.hour, 0), func() error {
		plan, err := d.s.MakePlan(d.ctx, d.by(m.by), store.NewPlan{Formula: m.formula, Product: r.product.Code, Units: m.units, MassG: num("0" + m.massG), On: d.date(), Place: "Still room"})
		if err != nil {
			return err
		}
		d.after(4, func() error { return d.start(m, r, plan) })
		return nil
	})
}

func recipeOf(code string) recipe {
	for _, r := range recipes() {
		if r.code == code {
			return r
		}
	}
	panic("demo: no recipe " + code)
}

func (d *maker) start(m making, r recipe, plan store.PlanID) error {
	temperature, humidity := 18.5+4*d.rand.Float64(), 44+11*d.rand.Float64()
	if m.damp {
		humidity = 72 + 3*d.rand.Float64()
	}
	s := store.Start{Plan: plan, TemperatureC: tenth(temperature), HumidityPct: tenth(humidity), Place: "Still room"}
	code, err := d.s.StartBatch(d.ctx, d.by(m.by), store.Entry{}, s)
	err = really(err, "The dehumidifier was off over night; running again since eight", func(yes store.Really) error {
		s.Really = yes
		code, err = d.s.StartBatch(d.ctx, d.by(m.by), store.Entry{}, s)
		return err
	})
	if err != nil {
		return err
	}
	b, err := d.s.Batch(d.ctx, d.workshop, code)
	if err != nil {
		return err
	}
	at := 6
	for i, l := range b.Lines {
		if m.stopsAt == "weighing" && i >= len(b.Lines)*3/5 {
			return nil
		}
		slip := ""
		if i == len(b.Lines)/2 {
			slip = m.slip
		}
		d.after(at, func() error { return d.weigh(code, m, l.ID, slip) })
		at += 3 + d.rand.IntN(4)
		if i+1 == len(b.Lines) || b.Lines[i+1].Portion != l.Portion {
			for _, step := range b.Steps {
				if step.Portion == l.Portion {
					d.after(at, func() error {
						return d.s.TickStep(d.ctx, d.by(m.by), store.Entry{}, code, step.ID, "", time.Time{})
					})
					at += 5
				}
			}
		}
	}
	if m.rework {
		d.after(at, func() error { return d.reworkInto(code, m) })
		at += 5
	}
	for _, step := range b.Steps {
		if step.Portion == "" {
			d.after(at, func() error {
				return d.s.TickStep(d.ctx, d.by(m.by), store.Entry{}, code, step.ID, "", time.Time{})
			})
			at += 9
		}
	}
	for _, c := range b.Controls {
		if c.Stage == "making" || c.Stage == "moulding" {
			d.after(at, func() error { return d.read(code, m, c) })
			at += 6
		}
	}
	d.after(at, func() error { return d.mould(code, m, r) })
	return nil
}

func tenth(v float64) decimal.NullDecimal {
	return decimal.NewNullDecimal(decimal.NewFromFloat(v).Round(1))
}

// weigh takes a line's target from the lots that the bench would offer, in their order.
func (d *maker) weigh(code string, m making, id store.BatchLineID, slip string) error {
	b, err := d.s.Batch(d.ctx, d.workshop, code)
	if err != nil {
		return err
	}
	var l store.BatchLine
	for _, x := range b.Lines {
		if x.ID == id {
			l = x
		}
	}
	target := l.TargetG
	if l.AsNeeded {
		target = l.LowG.Decimal.Add(l.HighG.Decimal).Div(num("2")).Round(1)
	} else if grams := target.InexactFloat64(); grams > 40 {
		target = decimal.NewFromFloat(grams * (1 + 0.003*(d.rand.Float64()-0.5))).Round(1)
	}
	if !target.IsPositive() {
		return nil
	}
	w := store.Weighing{Batch: code, Line: id, Grams: target, Typed: quantity.Plain(target)}
	switch {
	case l.Kind == "portion" || l.Kind == "material" && !l.Tracked:
		return d.s.Weigh(d.ctx, d.by(m.by), store.Entry{}, w)
	case l.Kind == "bulk":
		return d.weighBulk(m, l, w)
	}
	lots, err := d.s.LotsFor(d.ctx, d.workshop, l.Material, d.date())
	if err != nil {
		return err
	}
	rest := target
	for _, lot := range lots {
		if len(lot.Unfit) > 0 || !rest.IsPositive() {
			break
		}
		grams := lot.OnHand
		if lot.Material.Unit == "ml" {
			grams = grams.Mul(lot.Material.Density.Decimal).RoundDown(1)
		}
		w.Lot, w.Grams, w.More = lot.Code, decimal.Min(rest, grams), rest.GreaterThan(grams)
		w.Typed = quantity.Plain(w.Grams)
		rest = rest.Sub(w.Grams)
		if !w.Grams.IsPositive() {
			continue
		}
		if slip != "" && !rest.IsPositive() {
			return d.slips(m, w, slip)
		}
		if err := d.s.Weigh(d.ctx, d.by(m.by), store.Entry{}, w); err != nil {
			return err
		}
	}
	if rest.IsPositive() {
		return fmt.Errorf("no lot of %s holds the last %s g for %s", l.Material, rest, code)
	}
	return nil
}

func (d *maker) weighBulk(m making, l store.BatchLine, w store.Weighing) error {
	sources, err := d.s.BulkFor(d.ctx, d.workshop, l.BulkFormula)
	if err != nil {
		return err
	}
	rest := w.Grams
	for _, s := range sources {
		if !s.Fit(d.date()) || !rest.IsPositive() {
			continue
		}
		w.SourceBatch, w.Grams, w.More = s.Code, decimal.Min(rest, s.LeftG), rest.GreaterThan(s.LeftG)
		rest = rest.Sub(w.Grams)
		if err := d.s.Weigh(d.ctx, d.by(m.by), store.Entry{}, w); err != nil {
			return err
		}
	}
	if rest.IsPositive() {
		return fmt.Errorf("no bulk of %s holds the last %s g", l.BulkFormula, rest)
	}
	return nil
}

// slips records a weight that was off: typed wrong and corrected a minute later, or really in the bowl.
func (d *maker) slips(m making, w store.Weighing, slip string) error {
	right := w.Grams
	w.Grams = right.Mul(num("1.06")).Round(1)
	reason := "Poured too fast"
	if slip == "typed" {
		w.Grams, reason = right.Add(num("90")), "Read from the scale before the jug was taken off"
	}
	w.Really = store.Really{Yes: true, Reason: reason}
	if err := d.s.Weigh(d.ctx, d.by(m.by), store.Entry{}, w); err != nil {
		return err
	}
	if slip == "real" {
		d.after(1, func() error { return d.s.RescaleRest(d.ctx, d.by(m.by), store.Entry{}, w.Batch, w.Line) })
		return nil
	}
	d.after(1, func() error {
		b, err := d.s.Batch(d.ctx, d.workshop, w.Batch)
		if err != nil {
			return err
		}
		for _, l := range b.Lines {
			for _, in := range l.Inputs {
				if l.ID == w.Line && !in.Replaced && in.WeighedG.Decimal.Equal(w.Grams) {
					return d.s.CorrectInput(d.ctx, d.by(m.by), store.Entry{}, store.Correction{Batch: w.Batch, Input: in.ID, Grams: right, Lot: w.Lot, Typed: quantity.Plain(right), Reason: "mis-tap"})
				}
			}
		}
		return fmt.Errorf("the slip of %s is gone", w.Batch)
	})
	return nil
}

// reworkInto works left-over of the last batch of the formula into this one.
func (d *maker) reworkInto(code string, m making) error {
	for source, grams := range d.left {
		if source[:2] != code[:2] || !grams.IsPositive() {
			continue
		}
		delete(d.left, source)
		w := store.Weighing{Batch: code, SourceBatch: source, Grams: grams, Typed: quantity.Plain(grams), Really: store.Really{Yes: true, Reason: "Clean trimmings of " + source + ", grated in at trace"}}
		return d.s.Weigh(d.ctx, d.by(m.by), store.Entry{}, w)
	}
	return nil
}

// read takes a run of readings inside the limits, with the light ones of a making that has some.
func (d *maker) read(code string, m making, c store.BatchControl) error {
	r := d.readings(code, m, c)
	err := d.s.ReadControl(d.ctx, d.by(m.by), store.Entry{}, r)
	return really(err, "The first one out of the press was short; kept back", func(yes store.Really) error {
		r.Really = yes
		return d.s.ReadControl(d.ctx, d.by(m.by), store.Entry{}, r)
	})
}

func (d *maker) readings(code string, m making, c store.BatchControl) store.Readings {
	low, high := c.Low.Decimal.InexactFloat64(), c.High.Decimal.InexactFloat64()
	r := store.Readings{Batch: code, Control: c.ID}
	for i := range c.Asked {
		v := low + (high-low)*(0.3+0.5*d.rand.Float64())
		if i == 0 && m.light > 0 && c.Asked > 1 {
			v = low * 0.982
		}
		r.Values = append(r.Values, decimal.NewFromFloat(v).Round(1))
	}
	return r
}

func (d *maker) mould(code string, m making, r recipe) error {
	b, err := d.s.Batch(d.ctx, d.workshop, code)
	if err != nil {
		return err
	}
	units := 0
	if m.units > 0 {
		loss := decimal.NewFromInt(1).Sub(b.Limits.ExpectedLossPct.Div(num("100")))
		units = int(b.WeighedG().Mul(loss).Div(r.fill()).IntPart())
	}
	err = d.s.Mould(d.ctx, d.by(m.by), store.Entry{}, store.Moulding{Batch: code, Units: units})
	err = really(err, "The last line was not needed", func(yes store.Really) error {
		return d.s.Mould(d.ctx, d.by(m.by), store.Entry{}, store.Moulding{Batch: code, Units: units, Really: yes})
	})
	if err != nil {
		return err
	}
	if m.on < -1 { // yesterday's wait for whoever looks at the demo
		d.at(d.nextMorning(9, 10), func() error { return d.decide(code, m) })
	}
	switch {
	case m.discard:
		d.after(40, func() error {
			return d.s.RejectBatch(d.ctx, d.by("jun"), store.Entry{}, code, "Seized in the pot; nothing could be poured")
		})
	case m.units == 0:
		d.at(d.nextMorning(8, 30), func() error { return d.bulk(code, b) })
	case b.CureHours == 0:
		d.after(50, func() error { return d.pack(code, m, r, units) })
	default:
		ends := d.clock.Add(time.Duration(b.CureHours) * time.Hour)
		at := day.In(ends, d.loc).AddDays(1).Start(d.loc).Add(9*time.Hour + time.Duration(20+d.rand.IntN(80))*time.Minute)
		for week := 1; week <= 6 && b.CureHours > 500; week++ {
			d.at(d.clock.Add(time.Duration(week)*7*24*time.Hour), func() error { return d.weighCure(code, m, r, week) })
		}
		d.at(at, func() error { return d.endCure(code, m, r, units) })
	}
	return nil
}

// nextMorning is a time of the day after the clock's.
func (d *maker) nextMorning(hour, minute int) time.Time {
	return d.date().AddDays(1).Start(d.loc).Add(time.Duration(hour)*time.Hour + time.Duration(minute+d.rand.IntN(20))*time.Minute)
}

// weighCure weighs the marked bar: it loses water towards a limit.
func (d *maker) weighCure(code string, m making, r recipe, week int) error {
	lost := []float64{0, 4.6, 7.3, 9.0, 10.1, 10.8, 11.2}[week] * (0.97 + 0.06*d.rand.Float64())
	return d.s.WeighCure(d.ctx, d.by("pia"), store.Entry{}, code, r.fill().Sub(decimal.NewFromFloat(lost)).Round(1), time.Time{})
}

func (d *maker) endCure(code string, m making, r recipe, units int) error {
	if err := d.s.EndCure(d.ctx, d.by(m.by), store.Entry{}, code, time.Time{}, store.Really{}); err != nil {
		return err
	}
	b, err := d.s.Batch(d.ctx, d.workshop, code)
	if err != nil {
		return err
	}
	for _, c := range b.Controls {
		if c.Stage == "cure_end" {
			d.after(6, func() error { return d.read(code, making{by: m.by}, c) })
		}
	}
	if m.cracked > 0 {
		units -= m.cracked
		d.after(12, func() error {
			return d.s.RejectUnits(d.ctx, d.by(m.by), store.Entry{}, code, []store.NewReject{{Stage: "cure_end", Reason: "Cracked", Units: m.cracked}}, store.Really{})
		})
	}
	d.after(25, func() error { return d.pack(code, m, r, units) })
	return nil
}

// decide is Mara looking at what was off the day before.
func (d *maker) decide(code string, m making) error {
	b, err := d.s.Batch(d.ctx, d.workshop, code)
	if err != nil {
		return err
	}
	for _, v := range b.Deviations {
		if v.Open() {
			if err := d.s.DecideDeviation(d.ctx, d.by("mara"), store.Entry{}, v.N, "accept", "Looked at the units: no difference to see or feel; light ones are not sold"); err != nil {
				return err
			}
		}
	}
	return nil
}
