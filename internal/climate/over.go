package climate

import (
	"math"
	"slices"
	"time"

	"example.org/stillroom/internal/fault"
)

// Reading is the air at one moment: °C and % relative humidity.
type Reading struct {
	At                 time.Time
	TempC, HumidityPct float64
}

// Check refuses a reading that no air can have: Invalid faults beside FieldTemp (no number, or outside -45..60 °C) and
// FieldHumidity (no number, or outside 0..100 %).
func (r Reading) Check() error {
	var faults fault.Fields
	addTemp(&faults, FieldTemp, r.TempC)
	addHumidity(&faults, FieldHumidity, r.HumidityPct)
	return faults.Err()
}

// MaxGap is the longest time between two readings over which the air is taken to have changed evenly. Over a longer
// one nothing is known. Common practice, no source.
const MaxGap = 6 * time.Hour

// Summary is the air over a span of time.
type Summary struct {
	Readings int           // usable readings in the span, ends included
	Unusable int           // readings in the span that no air can have; they count for nothing else
	Covered  time.Duration // time between readings at most MaxGap apart
	Unknown  time.Duration // the rest of the span
	Outside  time.Duration // the part of Covered outside the limits
	// Worst is the moment furthest outside the limits, or nearest to one where all is inside; the earliest of equals.
	// It is a reading, or the value between two readings at an end of the span. Nil without limits or readings.
	Worst *Reading
	// MeanC and MeanPct are means by time (trapezoid) over Covered, nil where nothing is covered.
	MeanC, MeanPct *float64
}

// Over sums up readings, in any order, from one moment to another against limits. Between two readings at most MaxGap
// apart the air changes in a straight line; before the first, after the last and in longer gaps it is unknown. A span
// that ends before it starts has nothing in it.
func Over(readings []Reading, from, to time.Time, l Limits) Summary {
	var s Summary
	if !from.Before(to) {
		return s
	}
	var usable []Reading
	for _, r := range readings {
		in := !r.At.Before(from) && !r.At.After(to)
		switch {
		case r.Check() == nil:
			usable = append(usable, r)
			if in {
				s.Readings++
			}
		case in:
			s.Unusable++
		}
	}
	slices.SortStableFunc(usable, func(a, b Reading) int { return a.At.Compare(b.At) })

	var areaC, areaPct, outsideS float64
	points := make([]Reading, 0, len(usable)+2)
	for i, r := range usable {
		if !r.At.Before(from) && !r.At.After(to) {
			points = append(points, r)
		}
		if i == 0 {
			continue
		}
		a, b, ok := clip(usable[i-1], r, from, to)
		if !ok {
			continue
		}
		points = append(points, a, b)
		length := b.At.Sub(a.At)
		s.Covered += length
		areaC += length.Seconds() * (a.TempC + b.TempC) / 2
		areaPct += length.Seconds() * (a.HumidityPct + b.HumidityPct) / 2
		outsideS += length.Seconds() * l.shareOutside(a, b)
	}
	s.Unknown = to.Sub(from) - s.Covered
	s.Outside = min(time.Duration(math.Round(outsideS*float64(time.Second))), s.Covered)
	if s.Covered > 0 {
		meanC, meanPct := areaC/s.Covered.Seconds(), areaPct/s.Covered.Seconds()
		s.MeanC, s.MeanPct = &meanC, &meanPct
	}
	s.Worst = l.worst(points)
	return s
}

// clip is the part of the straight line from a to b that lies in the span; not ok where they are too far apart or
// no time of it is left.
func clip(a, b Reading, from, to time.Time) (Reading, Reading, bool) {
	length := b.At.Sub(a.At)
	if length <= 0 || length > MaxGap || !a.At.Before(to) || !b.At.After(from) {
		return a, b, false
	}
	at := func(t time.Time) Reading {
		u := t.Sub(a.At).Seconds() / length.Seconds()
		return Reading{
			At:          t,
			TempC:       a.TempC + u*(b.TempC-a.TempC),
			HumidityPct: a.HumidityPct + u*(b.HumidityPct-a.HumidityPct),
		}
	}
	start, end := a, b
	if a.At.Before(from) {
		start = at(from)
	}
	if b.At.After(to) {
		end = at(to)
	}
	return start, end, true
}

// shareOutside is the share, 0 to 1, of the straight line from a to b where any limit is broken. A straight line
// breaks one limit over one stretch that starts or ends with the line, so a stretch from 0 and one to 1 tell all.
func (l Limits) shareOutside(a, b Reading) float64 {
	head, tail := 0.0, 1.0
	for _, e := range []struct {
		limit  *float64
		va, vb float64
		side   float64
	}{
		{l.MinC, a.TempC, b.TempC, -1},
		{l.MaxC, a.TempC, b.TempC, 1},
		{l.MinPct, a.HumidityPct, b.HumidityPct, -1},
		{l.MaxPct, a.HumidityPct, b.HumidityPct, 1},
	} {
		if e.limit == nil {
			continue
		}
		over0, over1 := e.side*(e.va-*e.limit), e.side*(e.vb-*e.limit)
		switch {
		case over0 <= 0 && over1 <= 0:
		case over0 >= 0 && over1 >= 0: // touching the limit at one end takes no time
			return 1
		case over0 > 0:
			head = max(head, over0/(over0-over1))
		default:
			tail = min(tail, over0/(over0-over1))
		}
	}
	return min(1, head+1-tail)
}

func (l Limits) worst(points []Reading) *Reading {
	var worst *Reading
	most := math.Inf(-1)
	for _, p := range points {
		e := l.excess(p.TempC, p.HumidityPct)
		if e > most || (worst != nil && e == most && p.At.Before(worst.At)) {
			most, worst = e, &p
		}
	}
	return worst
}
