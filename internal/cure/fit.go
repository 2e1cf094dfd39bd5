package cure

import (
	"math"
	"slices"

	"example.org/stillroom/internal/fault"
)

// Curve is w(t) = WInf + (W0 - WInf) exp(-K t), t in days from the start of the cure.
type Curve struct {
	W0, WInf     float64 // weight at the start and in the end, g
	K            float64 // share of what is left to go that goes in a day, 1/day
	HalfLifeDays float64 // days for half of it, ln 2 / K
	RSS          float64 // sum of squared residuals, g²
}

// At is the weight in g after days.
func (c Curve) At(days float64) float64 { return c.WInf + (c.W0-c.WInf)*math.Exp(-c.K*days) }

// DaysTo is the days until share (0 to below 1) of the whole change has happened: 0.95 for 95 %. NaN outside that.
func (c Curve) DaysTo(share float64) float64 {
	if !(share >= 0 && share < 1) {
		return math.NaN()
	}
	return -math.Log1p(-share) / c.K
}

// FieldWeighings is the field that a refusal to fit stands beside.
const FieldWeighings = "weighings"

// Fit finds the curve nearest to weighings of grams g after days days, by least squares in all three parameters. The
// order of the weighings does not matter. It refuses, by an Invalid fault beside FieldWeighings: fewer than three
// weighings on three different days, what is no number, days before the start, weights not above zero, weights that
// are all the same, weights that fall (or rise) as in a straight line or ever faster, so that no end of it can be
// told, and weights that had come to rest at the second weighing, so that no rate can be told.
func Fit(days, grams []float64) (Curve, error) {
	if err := check(days, grams, 3); err != nil {
		return Curve{}, err
	}
	for _, g := range grams {
		if g <= 0 {
			return Curve{}, refuse("A weight must be more than zero.")
		}
	}
	first := slices.Min(days)
	at := func(k float64) Curve { return solveLine(days, grams, first, k) }
	c, err := search(days, first, at)
	if err != nil {
		return Curve{}, err
	}
	if c.WInf <= 0 {
		return Curve{}, tooEarly()
	}
	return c, nil
}

// FitLoss finds the curve nearest to a loss (or gain) of grams g after days days that is nothing on day 0: the two
// parameters of loss(t) = WInf (1 - exp(-K t)), with W0 = 0. For losses against a weight at the start that is taken
// as exact. Refusals as in Fit, but two different days after day 0 are enough among the three.
func FitLoss(days, loss []float64) (Curve, error) {
	if err := check(days, loss, 2); err != nil {
		return Curve{}, err
	}
	at := func(k float64) Curve { return solveOrigin(days, loss, k) }
	return search(days, 0, at)
}

func refuse(words string) error { return fault.In(FieldWeighings, words) }

func tooEarly() error {
	return refuse("The weight does not level off yet, so where it ends cannot be told. Weigh again later.")
}

func check(days, grams []float64, daysNeeded int) error {
	if len(days) != len(grams) {
		return refuse("Each weighing needs a day and a weight.")
	}
	if len(days) < 3 {
		return refuse("At least three weighings are needed.")
	}
	for i := range days {
		if math.IsNaN(days[i]) || math.IsInf(days[i], 0) || math.IsNaN(grams[i]) || math.IsInf(grams[i], 0) {
			return refuse("Each weighing needs a day and a weight that are numbers.")
		}
		if days[i] < 0 {
			return refuse("A weighing lies before the start of the cure.")
		}
	}
	distinct := distinctDays(days)
	if daysNeeded == 2 && distinct[0] == 0 { // through the origin, day 0 says nothing
		distinct = distinct[1:]
	}
	if len(distinct) < daysNeeded {
		return refuse("Weighings on more different days are needed.")
	}
	if slices.Max(grams) == slices.Min(grams) {
		return refuse("All weights are the same.")
	}
	return nil
}

func distinctDays(days []float64) []float64 {
	sorted := slices.Clone(days)
	slices.Sort(sorted)
	return slices.Compact(sorted)
}

// The edges of the search, in parts of the data's own time. A curve that has gone less than a twentieth of its way at
// the last weighing is a straight line to any scale, and one that has gone all but e^-20 of it at the second weighing
// says nothing of its rate.
const (
	leastWay  = 0.05
	mostWay   = 20
	gridSteps = 400
	noise     = 1e-16 // of a sum of squares: a hundred-millionth of the change, below the digits of any scale
)

// search finds the least sum of squares over k: the other parameters are linear once k is fixed, so a grid over
// log k finds the valley whatever the start (BoxBOD is known to break solvers that walk from a start), and a golden
// section search its floor. origin is the day on which the way begins.
func search(days []float64, origin float64, at func(k float64) Curve) (Curve, error) {
	distinct := distinctDays(days)
	if distinct[0] == origin {
		distinct = distinct[1:]
	}
	low := math.Log(leastWay / (distinct[len(distinct)-1] - origin))
	high := math.Log(mostWay / (distinct[0] - origin))
	step := (high - low) / gridSteps
	best := 0
	rss := make([]float64, gridSteps+1)
	for i := range rss {
		rss[i] = at(math.Exp(low + float64(i)*step)).RSS
		if rss[i] < rss[best] {
			best = i
		}
	}
	switch {
	case best == 0:
		return Curve{}, tooEarly()
	case rss[gridSteps]-rss[best] <= noise*rss[0]:
		// Nothing is gained by any rate over "at once", as far as a scale could tell.
		return Curve{}, refuse("The weight had come to rest before the second weighing, so how fast it went cannot be told.")
	}
	logK := golden(low+float64(best-1)*step, low+float64(best+1)*step, func(logK float64) float64 {
		return at(math.Exp(logK)).RSS
	})
	c := at(math.Exp(logK))
	c.HalfLifeDays = math.Ln2 / c.K
	if math.IsNaN(c.RSS) || math.IsInf(c.W0, 0) || math.IsInf(c.WInf, 0) {
		return Curve{}, refuse("The weights lie too far apart to be fitted.")
	}
	return c, nil
}

// golden narrows [a, b] around the least f. A parabola is flat at its floor to the square root of the float's
// precision, so going on below 1e-10 of log k would compare noise.
func golden(a, b float64, f func(float64) float64) float64 {
	ratio := (math.Sqrt(5) - 1) / 2
	x1, x2 := b-ratio*(b-a), a+ratio*(b-a)
	f1, f2 := f(x1), f(x2)
	for b-a > 1e-10 {
		if f1 <= f2 {
			b, x2, f2 = x2, x1, f1
			x1 = b - ratio*(b-a)
			f1 = f(x1)
		} else {
			a, x1, f1 = x1, x2, f2
			x2 = a + ratio*(b-a)
			f2 = f(x2)
		}
	}
	return (a + b) / 2
}

// solveLine is the straight line of grams over exp(-k (t - first)) by least squares. Time counts from the first
// weighing, so that a steep k does not underflow where that is late.
func solveLine(days, grams []float64, first, k float64) Curve {
	n := float64(len(days))
	x := make([]float64, len(days))
	var meanX, meanY float64
	for i, d := range days {
		x[i] = math.Exp(-k * (d - first))
		meanX += x[i] / n
		meanY += grams[i] / n
	}
	var sxx, sxy float64
	for i := range x {
		sxx += (x[i] - meanX) * (x[i] - meanX)
		sxy += (x[i] - meanX) * (grams[i] - meanY)
	}
	slope := sxy / sxx
	c := Curve{K: k, WInf: meanY - slope*meanX}
	c.W0 = c.WInf + slope*math.Exp(k*first)
	for i := range x {
		r := grams[i] - (c.WInf + slope*x[i])
		c.RSS += r * r
	}
	return c
}

// solveOrigin is the factor of (1 - exp(-k t)) that comes nearest to loss by least squares.
func solveOrigin(days, loss []float64, k float64) Curve {
	var sxx, sxy float64
	for i, d := range days {
		x := -math.Expm1(-k * d)
		sxx += x * x
		sxy += x * loss[i]
	}
	c := Curve{K: k, WInf: sxy / sxx}
	for i, d := range days {
		r := loss[i] + c.WInf*math.Expm1(-k*d)
		c.RSS += r * r
	}
	return c
}
