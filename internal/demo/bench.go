package demo

import (
	"fmt"
	"math/rand/v2"
	"time"

	"github.com/shopspring/decimal"

	"example.org/stillroom/internal/day"
	"example.org/stillroom/internal/quantity"
	"example.org/stillroom/internal/store"
)

// job is a making under way.
type job struct {
	making
	recipe  recipe
	code    string
	record  store.BatchRecord // as it was begun: lines, steps, controls
	dice    *rand.Rand
	weighed decimal.Decimal // g that went in
	out     decimal.Decimal // g that came out as units, good or not
	units   int             // moulded and not rejected
	deviant bool            // something of it waits to be decided
}

// leftOver is what is left of a batch, for a later one to take in.
type leftOver struct {
	batch string
	grams decimal.Decimal
	at    time.Time
}

func (d *maker) newJob(m making) *job {
	j := &job{making: m, recipe: recipeOf(m.formula), dice: d.dice(m.formula, m.on)}
	if m.whole {
		j.recipe.products = j.recipe.products[:1]
	}
	return j
}

// product is the code of what is planned, empty for bulk.
func (j *job) product() string {
	if len(j.recipe.products) == 0 {
		return ""
	}
	return j.recipe.products[0].Code
}

// make notes all of it, moment by moment: each step is an event of its own, so that the book is in order of time.
func (d *maker) make(m making) {
	j := d.newJob(m)
	d.at(d.on(m.on, m.hour, j.dice.IntN(25)), func() error {
		plan, err := d.s.MakePlan(d.ctx, d.by(m.by), store.NewPlan{Formula: m.formula, Product: j.product(), Units: m.units, MassG: num("0" + m.massG), On: d.date(), Place: place(m)})
		if err != nil {
			return err
		}
		d.after(4, func() error { return d.start(j, plan) })
		return nil
	})
}

func (d *maker) makeBefore(m making) {
	j := d.newJob(m)
	begun := d.end.Add(-95 * time.Minute)
	if m.by == "mara" {
		begun = d.end.Add(-70 * time.Minute)
	}
	d.at(begun, func() error {
		plan, err := d.s.MakePlan(d.ctx, d.by(m.by), store.NewPlan{Formula: m.formula, Product: j.product(), Units: m.units, On: d.date(), Place: place(m)})
		if err != nil {
			return err
		}
		return d.start(j, plan)
	})
}

func place(m making) string {
	if m.formula == "GF" || m.formula == "SL" || m.formula == "SS" {
		return "Dry room"
	}
	return "Still room"
}

func (d *maker) start(j *job, plan store.PlanID) error {
	summer := 0.0
	if month := d.date().Time().Month(); month >= time.June && month <= time.August {
		summer = 1.8
	}
	temperature, humidity := 18.2+summer+3.5*j.dice.Float64(), 43+12*j.dice.Float64()
	if j.damp {
		humidity = 66 + 9*j.dice.Float64()
	}
	s := store.Start{Plan: plan, TemperatureC: tenth(temperature), HumidityPct: tenth(humidity), Place: place(j.making)}
	code, err := d.s.StartBatch(d.ctx, d.by(j.by), store.Entry{}, s)
	err = j.really(err, "The dehumidifier was off over night; running again since eight", func(yes store.Really) error {
		s.Really = yes
		code, err = d.s.StartBatch(d.ctx, d.by(j.by), store.Entry{}, s)
		return err
	})
	if err != nil {
		return err
	}
	j.code = code
	if j.record, err = d.s.Batch(d.ctx, d.workshop, code); err != nil {
		return err
	}
	d.after(3, func() error { return d.nameGear(j) })
	at := 6
	b := j.record
	for i, l := range b.Lines {
		if j.stopsAt == "weighing" && i >= len(b.Lines)*3/5 {
			return nil
		}
		d.after(at, func() error { return d.weigh(j, i) })
		at += 3 + j.dice.IntN(4)
		if i+1 == len(b.Lines) || b.Lines[i+1].Portion != l.Portion {
			at = d.tick(j, l.Portion, at, 5)
		}
	}
	if j.extra {
		d.after(at, func() error { return d.add(j) })
		at += 4
	}
	if j.rework {
		d.after(at, func() error { return d.reworkInto(j) })
		at += 5
	}
	at = d.tick(j, "", at, 9)
	for _, c := range b.Controls {
		if c.Stage == "making" || c.Stage == "moulding" {
			d.after(at, func() error { return d.read(j, c) })
			at += 6
		}
	}
	d.after(at, func() error { return d.mould(j) })
	return nil
}

// tick notes the steps of a portion, from so many minutes on, and answers when the last is done.
func (d *maker) tick(j *job, portion string, at, every int) int {
	for _, step := range j.record.Steps {
		if step.Portion == portion {
			d.after(at, func() error { return d.s.TickStep(d.ctx, d.by(j.by), store.Entry{}, j.code, step.ID, "", time.Time{}) })
			at += every
		}
	}
	return at
}

func tenth(v float64) decimal.NullDecimal {
	return decimal.NewNullDecimal(decimal.NewFromFloat(v).Round(1))
}

// weigh takes a line's target from the lots that the bench would offer, in their order.
func (d *maker) weigh(j *job, i int) error {
	l := j.record.Lines[i]
	target := l.TargetG
	if l.AsNeeded {
		target = l.LowG.Decimal.Add(l.HighG.Decimal).Div(num("2")).Round(1)
	} else if grams := target.InexactFloat64(); grams > 40 {
		target = decimal.NewFromFloat(grams * (1 + 0.003*(j.dice.Float64()-0.5))).Round(1)
	}
	if !target.IsPositive() {
		return nil
	}
	w := store.Weighing{Batch: j.code, Line: l.ID, Scale: d.scale(j, target), Grams: target, Typed: quantity.Plain(target)}
	switch {
	case l.Kind == "portion":
		return d.s.Weigh(d.ctx, d.by(j.by), store.Entry{}, w)
	case l.Kind == "material" && !l.Tracked:
		j.weighed = j.weighed.Add(target)
		return d.s.Weigh(d.ctx, d.by(j.by), store.Entry{}, w)
	case l.Kind == "bulk":
		return d.weighBulk(j, l, w)
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
		if j.slip != "" && i == len(j.record.Lines)/2 && !rest.IsPositive() {
			return d.slips(j, i, w)
		}
		j.weighed = j.weighed.Add(w.Grams)
		if err := d.s.Weigh(d.ctx, d.by(j.by), store.Entry{}, w); err != nil {
			return err
		}
	}
	if rest.IsPositive() {
		return fmt.Errorf("no lot of %s holds the last %s g for %s", l.Material, rest, j.code)
	}
	return nil
}

func (d *maker) weighBulk(j *job, l store.BatchLine, w store.Weighing) error {
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
		w.Typed = quantity.Plain(w.Grams)
		rest = rest.Sub(w.Grams)
		j.weighed = j.weighed.Add(w.Grams)
		if err := d.s.Weigh(d.ctx, d.by(j.by), store.Entry{}, w); err != nil {
			return err
		}
	}
	if rest.IsPositive() {
		return fmt.Errorf("no bulk of %s holds the last %s g for %s", l.BulkFormula, rest, j.code)
	}
	return nil
}

// slips records a weight that was off: typed wrong and corrected a minute later, or really in the bowl, where the rest
// of its portion is rescaled.
func (d *maker) slips(j *job, i int, w store.Weighing) error {
	right := w.Grams
	w.Grams = right.Mul(num("1.06")).Round(1)
	reason := "Poured too fast"
	if j.slip == "typed" {
		w.Grams, reason = right.Add(num("90")), "Read from the scale before the jug was taken off"
	}
	w.Really = store.Really{Yes: true, Reason: reason}
	if err := d.s.Weigh(d.ctx, d.by(j.by), store.Entry{}, w); err != nil {
		return err
	}
	if j.slip == "real" {
		j.deviant, j.weighed = true, j.weighed.Add(w.Grams)
		d.after(1, func() error {
			if err := d.s.RescaleRest(d.ctx, d.by(j.by), store.Entry{}, w.Batch, w.Line); err != nil {
				return err
			}
			b, err := d.s.Batch(d.ctx, d.workshop, j.code)
			j.record.Lines = b.Lines
			return err
		})
		return nil
	}
	j.weighed = j.weighed.Add(right)
	d.after(1, func() error {
		b, err := d.s.Batch(d.ctx, d.workshop, w.Batch)
		if err != nil {
			return err
		}
		for _, in := range b.Lines[i].Inputs {
			if !in.Replaced && in.WeighedG.Decimal.Equal(w.Grams) {
				return d.s.CorrectInput(d.ctx, d.by(j.by), store.Entry{}, store.Correction{Batch: w.Batch, Input: in.ID, Grams: right, Lot: w.Lot, Typed: quantity.Plain(right), Reason: "mis-tap"})
			}
		}
		return fmt.Errorf("the slip of %s is gone", w.Batch)
	})
	return nil
}

// add puts something in that the formula does not have.
func (d *maker) add(j *job) error {
	lots, err := d.s.LotsFor(d.ctx, d.workshop, "PN", d.date())
	if err != nil || len(lots) == 0 || len(lots[0].Unfit) > 0 || lots[0].OnHand.LessThan(num("10")) {
		return err
	}
	j.deviant, j.weighed = true, j.weighed.Add(num("4"))
	return d.s.Weigh(d.ctx, d.by(j.by), store.Entry{}, store.Weighing{Batch: j.code, Lot: lots[0].Code, Grams: num("4"), Typed: "4", Really: store.Really{Yes: true, Reason: "A few drops of pine, to try it on the stall"}})
}

// reworkInto works the latest left-over of an earlier batch of the formula into this one.
func (d *maker) reworkInto(j *job) error {
	for i := len(d.left) - 1; i >= 0; i-- {
		l := d.left[i]
		if l.batch[:2] != j.code[:2] || d.clock.Sub(l.at) > 100*24*time.Hour {
			continue
		}
		// What goes in cuts the date of what comes out.
		if p, err := d.s.Packing(d.ctx, d.workshop, l.batch); err != nil || p.BestBefore.Before(d.date().AddDays(150)) {
			return err
		}
		d.left = append(d.left[:i:i], d.left[i+1:]...)
		why := "Clean trimmings of " + l.batch + ", grated in at trace"
		if err := d.s.SignRework(d.ctx, d.by("mara"), store.Entry{}, store.NewRework{Batch: l.batch, Formula: j.formula, What: "left_over", Grams: l.grams, Reason: why}, ""); err != nil {
			return err
		}
		w := store.Weighing{Batch: j.code, SourceBatch: l.batch, Grams: l.grams, Typed: quantity.Plain(l.grams)}
		j.weighed = j.weighed.Add(l.grams)
		err := d.s.Weigh(d.ctx, d.by(j.by), store.Entry{}, w)
		return j.really(err, why, func(yes store.Really) error {
			w.Really = yes
			return d.s.Weigh(d.ctx, d.by(j.by), store.Entry{}, w)
		})
	}
	return nil
}

// read takes a run of readings inside the limits, with the light ones of a making that has some.
func (d *maker) read(j *job, c store.BatchControl) error {
	r := j.readings(c)
	err := d.s.ReadControl(d.ctx, d.by(j.by), store.Entry{}, r)
	return j.really(err, "The first one out of the press was short; kept back", func(yes store.Really) error {
		r.Really = yes
		return d.s.ReadControl(d.ctx, d.by(j.by), store.Entry{}, r)
	})
}

func (j *job) readings(c store.BatchControl) store.Readings {
	low, high := c.Low.Decimal.InexactFloat64(), c.High.Decimal.InexactFloat64()
	r := store.Readings{Batch: j.code, Control: c.ID}
	for i := range c.Asked {
		v := low + (high-low)*(0.3+0.5*j.dice.Float64())
		if i == 0 && j.light > 0 && c.Asked > 1 {
			v = low * 0.982
		}
		r.Values = append(r.Values, decimal.NewFromFloat(v).Round(1))
	}
	return r
}

func (d *maker) mould(j *job) error {
	b := j.record
	if j.making.units > 0 {
		loss := decimal.NewFromInt(1).Sub(b.Limits.ExpectedLossPct.Div(num("100")))
		j.units = int(j.weighed.Mul(loss).Div(j.recipe.fill()).IntPart())
	}
	m := store.Moulding{Batch: j.code, Units: j.units}
	err := d.s.Mould(d.ctx, d.by(j.by), store.Entry{}, m)
	err = j.really(err, "The last line was not needed", func(yes store.Really) error {
		m.Really = yes
		return d.s.Mould(d.ctx, d.by(j.by), store.Entry{}, m)
	})
	if err != nil {
		return err
	}
	if j.deviant && j.on < -3 { // those of the last days wait for whoever looks at the demo
		d.at(d.nextMorning(j, 9, 10), func() error { return d.decide(j) })
	}
	switch {
	case j.discard:
		d.after(40, func() error {
			return d.s.RejectBatch(d.ctx, d.by("jun"), store.Entry{}, j.code, "", "Seized in the pot; nothing could be poured")
		})
	case j.making.units == 0:
		d.at(d.nextMorning(j, 8, 30), func() error { return d.bulk(j) })
	case b.CureHours == 0:
		d.after(50, func() error { return d.pack(j, 0) })
	default:
		d.cure(j)
	}
	return nil
}

// cure notes what happens until the batch is packed.
func (d *maker) cure(j *job) {
	if j.cut > 0 {
		d.at(d.nextMorning(j, 10, 0), func() error { return d.reject(j, "cut", "Crumbled at the edge", j.cut) })
		d.at(d.nextMorning(j, 10, 30), func() error { return d.weighStage(j, "cut", j.recipe.fill().Sub(num("0.4"))) })
	}
	ends := d.clock.Add(time.Duration(j.record.CureHours) * time.Hour)
	if j.record.CureHours > 500 {
		weeks := []int{3, 6}
		if j.on%4 == 0 {
			weeks = []int{1, 2, 3, 4, 5, 6}
		}
		for _, week := range weeks {
			d.at(d.clock.Add(time.Duration(week)*7*24*time.Hour-time.Hour), func() error { return d.weighCure(j, week) })
		}
	}
	at := day.In(ends, d.loc).AddDays(1).Start(d.loc).Add(9*time.Hour + time.Duration(20+j.dice.IntN(80))*time.Minute)
	d.at(at, func() error { return d.endCure(j) })
}

// nextMorning is a time of the day after the clock's.
func (d *maker) nextMorning(j *job, hour, minute int) time.Time {
	return d.date().AddDays(1).Start(d.loc).Add(time.Duration(hour)*time.Hour + time.Duration(minute+j.dice.IntN(20))*time.Minute)
}

// weighCure weighs the marked bar: it loses water towards a limit.
func (d *maker) weighCure(j *job, week int) error {
	lost := []float64{0, 4.6, 7.3, 9.0, 10.1, 10.8, 11.2}[week] * (0.97 + 0.06*j.dice.Float64())
	return d.s.WeighCure(d.ctx, d.by("pia"), store.Entry{}, j.code, j.recipe.fill().Sub(decimal.NewFromFloat(lost)).Round(1), time.Time{})
}

// weighStage weighs ten units together.
func (d *maker) weighStage(j *job, stage string, each decimal.Decimal) error {
	grams := each.Mul(num("10")).Add(decimal.NewFromInt(int64(j.dice.IntN(5)))).Round(0)
	return d.s.WeighStage(d.ctx, d.by("pia"), store.Entry{}, store.NewStageMass{Batch: j.code, Stage: stage, Units: 10, Grams: grams, Typed: quantity.Plain(grams)})
}

// reject counts units that did not pass at a stage before packing.
func (d *maker) reject(j *job, stage, reason string, units int) error {
	j.units -= units
	j.out = j.out.Add(j.recipe.fill().Mul(decimal.NewFromInt(int64(units))))
	return d.s.RejectUnits(d.ctx, d.by(j.by), store.Entry{}, j.code, []store.NewReject{{Stage: stage, Reason: reason, Units: units}}, store.Really{})
}

func (d *maker) endCure(j *job) error {
	if err := d.s.EndCure(d.ctx, d.by(j.by), store.Entry{}, j.code, time.Time{}, store.Really{}); err != nil {
		return err
	}
	for _, c := range j.record.Controls {
		if c.Stage == "cure_end" {
			d.after(6, func() error { return d.read(j, c) })
		}
	}
	if j.cut > 0 {
		d.after(9, func() error {
			return d.weighStage(j, "cure_end", j.recipe.products[0].NetContentG.Decimal.Add(num("0.9")))
		})
	}
	if j.cracked > 0 {
		d.after(12, func() error { return d.reject(j, "cure_end", "Cracked", j.cracked) })
	}
	d.after(25, func() error { return d.pack(j, 0) })
	return nil
}

// decide is Mara looking at what was off.
func (d *maker) decide(j *job) error {
	b, err := d.s.Batch(d.ctx, d.workshop, j.code)
	if err != nil {
		return err
	}
	j.deviant = false
	for _, v := range b.Deviations {
		if v.Open() {
			if err := d.s.DecideDeviation(d.ctx, d.by("mara"), store.Entry{}, v.N, "accept", verdict(v)); err != nil {
				return err
			}
		}
	}
	return nil
}

func verdict(v store.Deviation) string {
	switch v.Kind {
	case "climate":
		return "Looked at the units next morning: dry and hard. The dehumidifier has a timer now"
	case "addition":
		return "Far below its limit of use; the label of these jars names it"
	case "rework":
		return "Same formula, same week, nothing wrong with it but its shape"
	case "dispatch":
		return "Looked at what was left of it the same evening: it would have been released"
	case "equipment":
		return "Washed and looked at again before the first weighing"
	case "weight":
		return "The rest of the portion was rescaled; trace and feel as always"
	}
	return "Looked at the units: no difference to see or feel; light ones are not sold"
}

// really is the answer of the bench where the store asks about something outside its limits.
func (j *job) really(err error, reason string, again func(store.Really) error) error {
	return really(err, reason, func(yes store.Really) error {
		j.deviant = true
		return again(yes)
	})
}
