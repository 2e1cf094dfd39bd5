package climate

import (
	"math"
	"strconv"

	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/measure"
)

// Limits are what a formula allows the air to be, in °C and % relative humidity; nil is no limit. A value at the
// limit is inside.
type Limits struct{ MinC, MaxC, MinPct, MaxPct *float64 }

// Check tells whether the limits can be met at all: each in range, lowest not above highest. Invalid faults beside
// "min_c", "max_c", "min_pct" and "max_pct".
func (l Limits) Check() error {
	var faults fault.Fields
	each := func(name string, v *float64, add func(*fault.Fields, string, float64)) {
		if v != nil {
			add(&faults, name, *v)
		}
	}
	each("min_c", l.MinC, addTemp)
	each("max_c", l.MaxC, addTemp)
	each("min_pct", l.MinPct, addHumidity)
	each("max_pct", l.MaxPct, addHumidity)
	if l.MinC != nil && l.MaxC != nil && *l.MinC > *l.MaxC {
		faults.Add("max_c", "The highest temperature is below the lowest.")
	}
	if l.MinPct != nil && l.MaxPct != nil && *l.MinPct > *l.MaxPct {
		faults.Add("max_pct", "The highest humidity is below the lowest.")
	}
	return faults.Err()
}

// Outside says in words what is outside the limits, temperature first; nil where all is inside. What is no number
// cannot be inside, so it is told too where there is a limit on it.
// Temperatures are told on the style's scale.
func (l Limits) Outside(style measure.Style, tC, rhPct float64) []string {
	var out []string
	as := scale{" " + style.TemperatureUnit(), style.Heat, style.Heat}
	if style.Temperature == "F" {
		// A limit typed in °F is kept in hundredths of °C: the tenth of a degree that was typed is told again.
		as.limit = func(c float64) float64 { return math.Round(style.Heat(c)*10) / 10 }
	}
	out = outside(out, tC, l.MinC, l.MaxC, as, "", "temperature")
	same := func(pct float64) float64 { return pct }
	return outside(out, rhPct, l.MinPct, l.MaxPct, scale{" %", same, same}, " humidity", "humidity")
}

// scale is how a value and its limit are told.
type scale struct {
	unit         string
	value, limit func(float64) float64
}

// outside repeats only the unit beside the limit: "63 % humidity; the formula allows 60 %".
func outside(out []string, v float64, low, high *float64, as scale, of, noun string) []string {
	switch {
	case low == nil && high == nil:
	case math.IsNaN(v) || math.IsInf(v, 0):
		out = append(out, "no "+noun+" that can be read; the formula has limits for it")
	case high != nil && v > *high:
		out = append(out, number(as.value(v), as.limit(*high))+as.unit+of+"; the formula allows "+plain(as.limit(*high))+as.unit)
	case low != nil && v < *low:
		out = append(out, number(as.value(v), as.limit(*low))+as.unit+of+"; the formula asks for at least "+plain(as.limit(*low))+as.unit)
	}
	return out
}

// number shows v to one decimal, or in full where one decimal would make it look as if it kept the limit.
func number(v, limit float64) string {
	shown := math.Round(v*10) / 10
	if (v > limit) != (shown > limit) || (v < limit) != (shown < limit) {
		return plain(v)
	}
	return plain(shown)
}

func plain(v float64) string { return strconv.FormatFloat(v, 'f', -1, 64) }

// pctPerC is how many points of relative humidity weigh as much as one °C when readings outside by the one and by the
// other are ranked: what one degree does to the humidity of a room at 20 °C and 50 % by the Magnus form (6.2 % of 50).
const pctPerC = 3

// excess is how far the air is beyond its nearest limit, in °C or the like of it (pctPerC); negative inside the
// limits, -Inf where there are none.
func (l Limits) excess(tC, rhPct float64) float64 {
	worst := math.Inf(-1)
	for _, e := range []struct {
		limit *float64
		value float64
		side  float64
		scale float64
	}{
		{l.MinC, tC, -1, 1},
		{l.MaxC, tC, 1, 1},
		{l.MinPct, rhPct, -1, pctPerC},
		{l.MaxPct, rhPct, 1, pctPerC},
	} {
		if e.limit != nil {
			worst = max(worst, e.side*(e.value-*e.limit)/e.scale)
		}
	}
	return worst
}
