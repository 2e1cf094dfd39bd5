package batches

import (
	"fmt"
	"strings"
	"time"

	"github.com/shopspring/decimal"

	"example.org/stillroom/internal/climate"
	"example.org/stillroom/internal/cure"
	"example.org/stillroom/internal/day"
	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/measure"
	"example.org/stillroom/internal/quantity"
	"example.org/stillroom/internal/release"
	"example.org/stillroom/internal/store"
	"example.org/stillroom/internal/weighing"
	"example.org/stillroom/internal/yield"
	"example.org/stillroom/web/paths"
	"example.org/stillroom/web/ui"
)

type batchView struct {
	store.BatchPage
	Key                                                  string
	Clock                                                ui.Clock
	Now                                                  time.Time
	Style                                                measure.Style
	MayOwn                                               bool // correct one's own entries of the day
	MayBench, MayPack, MayRelease, MayDecide, MayCorrect bool
	Fault                                                *fault.Fault
	Reason                                               string
	// Ended is who rejected or voided the batch itself, and why; nil where nobody did.
	Ended *store.RowChange
	// Changes are the corrections of the batch itself: its yield, and packing taken up again.
	Changes []store.RowChange
	// Until are the lots that expire on the day until which bulk is to be used.
	Until []string
}

// batchState is a status as a mark and a word.
func batchState(status, cureWord string) (kind, word string) {
	switch status {
	case "making":
		return "wait", "Being made"
	case "curing":
		return "wait", cureDoing(cureWord)
	case "packing":
		return "wait", "To be packed"
	case "quarantined":
		return "care", "In quarantine"
	case "released":
		return "good", "Released"
	case "rejected":
		return "stop", "Rejected"
	}
	return "stop", "Void"
}

func cureDoing(word string) string {
	switch word {
	case "dry":
		return "Drying"
	case "set":
		return "Setting"
	}
	return "Curing"
}

func cureDone(word string) string {
	switch word {
	case "dry":
		return "Dried"
	case "set":
		return "Set"
	}
	return "Cured"
}

// title is what the batch is: its product, else its formula.
func (v batchView) title() string {
	switch {
	case v.ProductName != "":
		return v.ProductName
	case len(v.Packings) > 0:
		return v.Packings[0].ProductName
	case v.FormulaName != "":
		return v.FormulaName
	}
	return "Batch " + v.Code
}

func (v batchView) sub() string {
	words := "Made " + v.Clock.Style.Day(v.MadeOn)
	if v.IsSet() {
		words = "A set, put together " + v.Clock.Style.Day(v.MadeOn)
	}
	if v.MadeBy != "" {
		words += " by " + v.MadeBy
	}
	if v.VersionNumber > 0 {
		words += fmt.Sprintf(", formula %s, version %d", v.FormulaName, v.VersionNumber)
	}
	if v.Late {
		words += ", written up late"
	}
	if v.Origin == "history" {
		words += ", from an older book"
	}
	return words
}

// life is the strip: times and numbers, no actions.
func (v batchView) life() []ui.Cell {
	on := func(t *time.Time) string { return v.Clock.Style.Day(day.In(*t, v.Clock.Zone)) }
	cells := []ui.Cell{{Title: "Made", Detail: v.madeDetail(), Now: v.Status == "making"}}
	if v.IsSet() {
		cells[0].Title = "Put together"
	}
	if v.CureHours > 0 && v.Yields != "bulk" {
		c := ui.Cell{Title: cureDone(v.CureWord), Detail: v.notYet(), Now: v.Status == "curing"}
		if c.Now {
			c.Title = cureDoing(v.CureWord)
		}
		if v.CureStartedAt != nil {
			c.Detail = v.cureWords()
			if v.CureEndedAt != nil {
				c.Detail = fmt.Sprintf("%s to %s, %s", on(v.CureStartedAt), on(v.CureEndedAt), cure.Ran(v.CureEndedAt.Sub(*v.CureStartedAt)))
			}
		}
		cells = append(cells, c)
	}
	packed := ui.Cell{Title: "Packed", Detail: v.notYet(), Now: v.Status == "packing"}
	if v.Yields == "bulk" {
		packed = ui.Cell{Title: "Ready", Detail: v.notYet(), Now: v.Status == "packing"}
		if v.BulkG.Valid {
			packed.Detail = v.Style.Grams(v.BulkG.Decimal)
		}
	} else if v.PackedAt != nil {
		packed.Detail = fmt.Sprintf("%s, %d good", on(v.PackedAt), v.Yield.Counts.Good)
	} else if len(v.Packings) > 0 {
		packed.Detail = fmt.Sprintf("%s, %d good", v.Clock.Style.Day(v.Packings[0].PackedOn), v.Yield.Counts.Good)
	}
	wait := ui.Cell{Title: "In quarantine", Detail: v.notYet(), Now: v.Status == "quarantined"}
	if open, any := v.open(); any {
		wait.Detail = openWords(open)
	} else if t := v.decidedAt(); t != nil && (v.Status == "released" || v.Status == "rejected") {
		wait.Detail = "until " + on(t)
	}
	end := ui.Cell{Title: "Released", Detail: "not yet", Now: v.Status == "released"}
	if v.Status == "rejected" {
		end = ui.Cell{Title: "Rejected", Detail: "", Now: true}
	}
	if t := v.decidedAt(); t != nil {
		end.Detail = on(t)
	} else if v.Ended != nil {
		end.Detail = on(&v.Ended.At)
	} else if v.Status == "released" {
		end.Detail = "from an older book"
	}
	if v.Status == "void" {
		end = ui.Cell{Title: "Void", Detail: "never begun", Now: true}
	}
	if v.IsSet() {
		if v.Status == "void" {
			end.Detail = "taken apart"
		}
		return append(cells, wait, end)
	}
	return append(cells, packed, wait, end)
}

func (v batchView) madeDetail() string {
	words := v.Clock.Style.Day(v.MadeOn)
	for _, c := range v.Climate {
		if c.Stage == "making" && !c.Replaced {
			return words + ", " + v.Style.Air(c.TemperatureC, c.HumidityPct)
		}
	}
	return words
}

// open is how many conditions stand in the way of what waits, together.
func (v batchView) open() (n int, any bool) {
	for _, open := range v.Open {
		n, any = n+open, true
	}
	return n, any
}

func (v batchView) decidedAt() *time.Time {
	if v.BulkReleased != nil {
		return v.BulkReleased
	}
	var last *time.Time
	for _, t := range v.Decided {
		if last == nil || t.After(*last) {
			last = &t
		}
	}
	return last
}

func openWords(n int) string {
	switch n {
	case 0:
		return "Nothing in the way"
	case 1:
		return "1 condition open"
	}
	return fmt.Sprintf("%d conditions open", n)
}

// waiting are the packings that wait for a decision.
func (v batchView) waiting() []store.Packing {
	var out []store.Packing
	for _, p := range v.Packings {
		if p.Status == "quarantined" {
			out = append(out, p)
		}
	}
	return out
}

func (v batchView) undecided() []store.Deviation {
	var out []store.Deviation
	for _, d := range v.Deviations {
		if d.Open() {
			out = append(out, d)
		}
	}
	return out
}

// packable tells whether units may be packed now.
func (v batchView) packable() bool {
	return v.Yields == "units" && (v.Status == "curing" || v.Status == "packing") && v.Origin == "bench"
}

func (v batchView) rejectable() bool {
	return v.Origin == "bench" && v.Status != "void" && v.Status != "rejected" && v.Status != "released" && len(v.Open) <= len(v.Packings)
}

// reopenable tells whether packing may be taken up again: it was finished, and the batch itself was not rejected.
func (v batchView) reopenable() bool {
	return v.MayReopen() && (v.Ended == nil || v.Ended.Kind == "progress")
}

// best is the answer and its reason; for bulk the day until which it is to be used.
func (v batchView) best() (answer, reason string) {
	for _, p := range v.Packings {
		if p.Printed != "" {
			return p.Printed, p.DateReason
		}
	}
	if len(v.Packings) > 0 {
		p := v.Packings[0]
		if !p.BestBefore.IsZero() {
			return v.Clock.Style.Day(p.BestBefore), p.DateReason
		}
		return "Not decided", p.DateReason
	}
	if !v.BestBefore.IsZero() {
		return v.Clock.Style.Day(v.BestBefore), v.untilWords()
	}
	if v.Yields == "bulk" {
		return "No date", "The formula gives no months and nothing in it expires."
	}
	if v.Status == "rejected" || v.Status == "void" {
		return "None", "Nothing of it was packed."
	}
	return "Decided at packing", ""
}

func g(style measure.Style, d decimal.Decimal) string { return style.Grams(d) }

// gramsOnly and degreesOnly are figures under a head that names their unit.
func gramsOnly(style measure.Style, d decimal.Decimal) string {
	return strings.TrimSuffix(style.Grams(d), " "+style.MassUnit())
}

func degreesOnly(style measure.Style, c decimal.Decimal) string {
	return strings.TrimSuffix(style.Degrees(c), " "+style.TemperatureUnit())
}

// inputRow is one row of what went into a line: what stands, and struck through before it what it replaced.
type inputRow struct {
	Now   store.BatchInput
	There bool // Now stands
	Old   []store.BatchInput
}

// inputRows puts the old values of a line beside the new one. Where several stand, which of them an old one became
// cannot be shown side by side, and each gets a row of its own.
func inputRows(l store.BatchLine) []inputRow {
	var now, old []store.BatchInput
	for _, in := range l.Inputs {
		if in.Replaced {
			old = append(old, in)
		} else {
			now = append(now, in)
		}
	}
	switch len(now) {
	case 0:
		return []inputRow{{Old: old}}
	case 1:
		return []inputRow{{Now: now[0], There: true, Old: old}}
	}
	var rows []inputRow
	for _, in := range l.Inputs {
		rows = append(rows, additionRow(in))
	}
	return rows
}

func additionRow(in store.BatchInput) inputRow {
	if in.Replaced {
		return inputRow{Old: []store.BatchInput{in}}
	}
	return inputRow{Now: in, There: true}
}

// corrected says who put an entry right, when and why.
func (v batchView) corrected(in store.BatchInput) string {
	by := v.Corrected[in.ID]
	words := amount(v.Clock.Style, in) + " corrected by " + by.By + ", " + v.Clock.Short(by.At)
	if in.Reason != "" {
		words += ": " + in.Reason
	}
	return words
}

// theoretical says where the number comes from.
func theoretical(style measure.Style, y store.Yield, b store.BatchRecord) string {
	if !y.Theoretical.IsPositive() {
		return "not known: the product has no fill, or nothing was weighed"
	}
	in := b.WeighedG()
	return fmt.Sprintf("%s units (%s weighed, %s after loss, %s each)", yield.Shown(y.Theoretical), g(style, in), g(style, in.Sub(in.Mul(b.Limits.ExpectedLossPct).Shift(-2)).Round(1)), g(style, y.FillG))
}

func goodWords(y store.Yield) string {
	if !y.Percent.Valid {
		return fmt.Sprint(y.Counts.Good)
	}
	if y.ByMass {
		return fmt.Sprintf("%d (%s %% of the mass that should come out)", y.Counts.Good, y.Percent.Decimal.StringFixed(1))
	}
	return fmt.Sprintf("%d (%s %% of what the mass gives)", y.Counts.Good, y.Percent.Decimal.StringFixed(1))
}

func rejectedWords(style measure.Style, list []store.Reject) string {
	var out []string
	for _, r := range list {
		if !r.Replaced {
			out = append(out, rejectWords(style, r))
		}
	}
	if len(out) == 0 {
		return "none"
	}
	return strings.Join(out, ", ")
}

func rejectWords(style measure.Style, r store.Reject) string {
	words := fmt.Sprintf("%d %s (%s)", r.Units, r.Reason, store.RejectStage(r.Stage))
	if r.Reason == "" {
		words = fmt.Sprintf("%d %s", r.Units, store.RejectStage(r.Stage))
	}
	if r.MassG.Valid {
		words += ", " + g(style, r.MassG.Decimal)
	}
	return words
}

func unexplained(style measure.Style, y store.Yield, b store.BatchRecord) string {
	if y.Unknown != "" {
		return y.Unknown
	}
	words := fmt.Sprintf("%s (%s %% of mass, limit %s %%)", g(style, y.Balance.UnexplainedG.Round(1)), y.Balance.UnexplainedPct.Round(2), quantity.Format(b.Limits.ReconciliationPct))
	if !y.Closed {
		words += ", not all of it is out yet"
	}
	if off := y.UnitsOff(); off != "" {
		words += "; " + off
	}
	return words
}

// runState is a control as a mark and a word.
func runState(c store.BatchControl) (kind, word string, run weighing.RunStats) {
	var values []decimal.Decimal
	for _, r := range c.Current() {
		values = append(values, r.Value)
	}
	run = weighing.Run(values, c.Low, c.High)
	switch {
	case run.Outside > 0:
		return "care", "Outside", run
	case run.Count == 0:
		return "wait", "No reading", run
	case run.Count < c.Asked:
		return "wait", fmt.Sprintf("%d of %d", run.Count, c.Asked), run
	}
	return "good", "In limits", run
}

func runFacts(style measure.Style, run weighing.RunStats, c store.BatchControl) string {
	return store.RunWords(style, run, c)
}

// air is the dew point and the water in the air, where the Magnus form gives them.
func air(style measure.Style, tC, pct decimal.Decimal) (dewPoint, absolute string) {
	t, h := tC.InexactFloat64(), pct.InexactFloat64()
	if v, err := climate.DewPointC(t, h); err == nil {
		dewPoint = fmt.Sprintf("%.1f %s", style.Heat(v), style.TemperatureUnit())
	}
	if v, err := climate.AbsoluteHumidity(t, h); err == nil {
		absolute = fmt.Sprintf("%.1f g/m³", v)
	}
	return dewPoint, absolute
}

// cureRoom says the air over the cure in one sentence, empty where nobody measured.
func (v batchView) cureRoom() string {
	s := v.CureRoom
	if s.Readings == 0 {
		return ""
	}
	words := "Over the cure: 1 reading"
	if s.Readings > 1 {
		words = fmt.Sprintf("Over the cure: %d readings", s.Readings)
	}
	if s.MeanC != nil && s.MeanPct != nil {
		words += fmt.Sprintf(", mean %.1f %s and %.0f %%", v.Style.Heat(*s.MeanC), v.Style.TemperatureUnit(), *s.MeanPct)
	}
	if s.Outside > 0 {
		words += ", " + hours(s.Outside) + " outside the formula's limits"
		if s.Worst != nil {
			words += fmt.Sprintf(", worst %.1f %s and %.0f %% on %s", v.Style.Heat(s.Worst.TempC), v.Style.TemperatureUnit(), s.Worst.HumidityPct, v.Clock.Short(s.Worst.At))
		}
	}
	if s.Unknown > time.Hour {
		words += ", " + hours(s.Unknown) + " not known"
	}
	return words + "."
}

func hours(d time.Duration) string { return fmt.Sprintf("%.1f h", d.Hours()) }

// drying says what the weighings of the marked unit come to.
func (v batchView) drying() string {
	var days, grams []float64
	for _, w := range v.Weighings {
		if !w.Replaced && v.CureStartedAt != nil {
			days = append(days, w.At.Sub(*v.CureStartedAt).Hours()/24)
			grams = append(grams, w.Grams.InexactFloat64())
		}
	}
	if len(days) < 3 {
		return ""
	}
	curve, err := cure.Fit(days, grams)
	if f := fault.As(err); f != nil && len(f.Fields) > 0 {
		return f.Fields[0].Message
	}
	if err != nil {
		return ""
	}
	return fmt.Sprintf("It settles at %s; half of the change takes %.1f days, 95 %% of it %.1f days.", v.Style.Grams(decimal.NewFromFloat(curve.WInf).Round(1)), curve.HalfLifeDays, curve.DaysTo(0.95))
}

func packingState(status string) (kind, word string) {
	switch status {
	case "released":
		return "good", "Released"
	case "rejected":
		return "stop", "Rejected"
	}
	return "care", "In quarantine"
}

func conditionState(c release.Condition) (kind, word string) {
	switch c.State {
	case release.OK:
		return "good", "In order"
	case release.Warn:
		return "care", "Look at this"
	}
	return "stop", "In the way"
}

func lines(text string) []string { return strings.Split(text, "\n") }

// about is what a deviation is of, as tags.
func decisionWords(d store.Deviation) (kind, word string) {
	switch {
	case d.Withdrawn:
		return "wait", "Taken back: what raised it was corrected"
	case d.Decision == "accept":
		return "good", "Accepted"
	case d.Decision == "reject":
		return "stop", "Rejected"
	}
	return "care", "Waits for a decision"
}

// back is where a page about a deviation leads.
func back(d store.Deviation) (href, words string) {
	switch {
	case d.Packing != "":
		return paths.Packing(d.Packing), "To the packing"
	case d.Batch != "":
		return paths.Batch(d.Batch), "To the batch"
	case d.Lot != "":
		return paths.Lot(d.Lot), "To the lot"
	case d.Dispatch != "":
		return paths.Dispatch(d.Dispatch), "To the dispatch"
	}
	return paths.Deviations(), "To the deviations"
}
