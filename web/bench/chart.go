package bench

import (
	"fmt"
	"math"
	"strings"
	"time"

	"github.com/shopspring/decimal"

	"example.org/stillroom/internal/cure"
	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/measure"
	"example.org/stillroom/internal/store"
	"example.org/stillroom/web/ui"
)

// chart is the marked unit's weight over the cure, in the units of its drawing: 640 wide, 320 high.
type chart struct {
	Points   []mark
	Curve    string // the path of the fitted curve; empty where none can be told
	Least    string // the path of the weight in the end
	X, Y     []tick
	Title    string
	Summary  string
	Rows     []weighed
	NotTold  string // why there is no curve, in words
	LeastDay string
	style    measure.Style
}

// show is a mass in g as the drawing and its table write it, without the unit.
func (c *chart) show(g float64) string {
	if c.style.MassUnit() == "g" {
		return one(g)
	}
	return c.style.Each(decimal.NewFromFloat(g).Round(4), 1)
}

// mass is show with the unit.
func (c *chart) mass(g float64) string { return c.show(g) + " " + c.style.MassUnit() }

type mark struct{ X, Y string }

type tick struct{ At, Words string }

type weighed struct {
	When, Day, Grams, Fitted string
	Entry                    store.CureWeighing
}

// The frame of the drawing inside its margins.
const (
	chartLeft, chartRight = 90.0, 620.0
	chartTop, chartFoot   = 28.0, 270.0
)

// chartOf draws what the marked unit weighed; nil before the first weighing.
func chartOf(b store.BatchRecord, clock ui.Clock) *chart {
	if b.CureStartedAt == nil || len(b.Weighings) == 0 {
		return nil
	}
	c := &chart{style: clock.Style, Title: "Weight of the marked unit over the " + lower(cureGroup(b))}
	var days, grams []float64
	for _, w := range b.Weighings {
		d, g := w.At.Sub(*b.CureStartedAt).Hours()/24, w.Grams.InexactFloat64()
		c.Rows = append(c.Rows, weighed{When: clock.Time(w.At), Day: one(d), Grams: c.show(g), Entry: w})
		if !w.Replaced {
			days, grams = append(days, d), append(grams, g)
		}
	}
	if len(days) == 0 {
		return c
	}
	curve, err := cure.Fit(days, grams)
	if f := fault.As(err); f != nil {
		c.NotTold = f.Of(cure.FieldWeighings)
	}
	fitted := err == nil
	c.sum(days, grams, curve, fitted, len(days))
	s := scaleOf(days, grams, curve, fitted, float64(b.CureHours)/24)
	for i := range days {
		c.Points = append(c.Points, mark{px(s.x(days[i])), px(s.y(grams[i]))})
	}
	if fitted {
		c.Curve = s.path(curve)
		c.Least = fmt.Sprintf("M%s %sH%s", px(chartLeft), px(s.y(curve.WInf)), px(chartRight))
		for i, r := range c.Rows {
			c.Rows[i].Fitted = c.show(curve.At(r.Entry.At.Sub(*b.CureStartedAt).Hours() / 24))
		}
	}
	// The axis has round numbers of the workshop's unit.
	unitG := clock.Style.ToGrams(decimal.NewFromInt(1)).InexactFloat64()
	c.X, c.Y = s.ticks(s.fromX, s.toX, s.x, "%g"), s.ticks(s.fromY/unitG, s.toY/unitG, func(v float64) float64 { return s.y(v * unitG) }, "%g")
	return c
}

// sum says in one sentence what the drawing shows.
func (c *chart) sum(days, grams []float64, curve cure.Curve, fitted bool, n int) {
	first, last := 0, 0
	for i := range days {
		if days[i] < days[first] {
			first = i
		}
		if days[i] > days[last] {
			last = i
		}
	}
	if n == 1 {
		c.Summary = fmt.Sprintf("The marked unit weighed %s on day %s.", c.mass(grams[0]), one(days[0]))
		return
	}
	c.Summary = fmt.Sprintf("The marked unit went from %s on day %s to %s on day %s.", c.mass(grams[first]), one(days[first]), c.mass(grams[last]), one(days[last]))
	if fitted {
		c.Summary = strings.TrimSuffix(c.Summary, ".") + fmt.Sprintf("; the curve through it ends at %s, with half of the way gone in %s days and 95 %% in %s days.", c.mass(curve.WInf), one(curve.HalfLifeDays), one(curve.DaysTo(0.95)))
	}
}

// scale maps days and grams to the drawing.
type scale struct{ fromX, toX, fromY, toY float64 }

func scaleOf(days, grams []float64, curve cure.Curve, fitted bool, least float64) scale {
	s := scale{0, max(least, 1), math.Inf(1), math.Inf(-1)}
	for i := range days {
		s.toX = max(s.toX, days[i])
		s.fromY, s.toY = min(s.fromY, grams[i]), max(s.toY, grams[i])
	}
	if fitted {
		s.fromY, s.toY = min(s.fromY, curve.WInf, curve.At(0)), max(s.toY, curve.WInf, curve.At(0))
	}
	room := max((s.toY-s.fromY)*0.1, 0.5)
	s.fromY, s.toY = s.fromY-room, s.toY+room
	return s
}

func (s scale) x(day float64) float64 {
	return chartLeft + (day-s.fromX)/(s.toX-s.fromX)*(chartRight-chartLeft)
}

func (s scale) y(grams float64) float64 {
	return chartFoot - (grams-s.fromY)/(s.toY-s.fromY)*(chartFoot-chartTop)
}

func (s scale) path(curve cure.Curve) string {
	var p strings.Builder
	for i := range 61 {
		d := s.fromX + (s.toX-s.fromX)*float64(i)/60
		verb := "L"
		if i == 0 {
			verb = "M"
		}
		p.WriteString(verb + px(s.x(d)) + " " + px(s.y(curve.At(d))))
	}
	return p.String()
}

// ticks are round numbers along an axis, at most six.
func (s scale) ticks(from, to float64, at func(float64) float64, format string) []tick {
	step := math.Pow(10, math.Floor(math.Log10(to-from)))
	for _, part := range []float64{0.1, 0.2, 0.5, 1} {
		if (to-from)/(step*part) <= 6 {
			step *= part
			break
		}
	}
	var list []tick
	for v := math.Ceil(from/step) * step; v <= to+step/1000; v += step {
		list = append(list, tick{px(at(v)), fmt.Sprintf(format, math.Round(v*1000)/1000)})
	}
	return list
}

func px(v float64) string { return fmt.Sprintf("%.1f", v) }

// hours says a span of time of the air in words.
func hours(d time.Duration) string {
	if d >= time.Hour {
		d = d.Round(time.Hour)
	}
	return cure.Ran(d)
}
