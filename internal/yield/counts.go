package yield

import (
	"strconv"
	"strings"

	"github.com/shopspring/decimal"
)

// Counts are the units of a batch by fate. Each unit made has exactly one. LeftOver is worked out from the mass that was
// left over, to the nearest unit: nobody counted it.
type Counts struct{ Made, Good, Rejected, Retained, LeftOver int }

// Missing is how many units made have no fate; below zero, how many have one and were never made.
func (c Counts) Missing() int { return c.Made - c.Good - c.Rejected - c.Retained - c.LeftOver }

// Words says the counts as a maker would: "10 made: 9 good, 1 kept back", with what is missing or too many after it.
func (c Counts) Words() string {
	var fates []string
	for _, f := range []struct {
		n    int
		name string
	}{{c.Good, "good"}, {c.Rejected, "rejected"}, {c.Retained, "kept back"}} {
		if f.n != 0 {
			fates = append(fates, strconv.Itoa(f.n)+" "+f.name)
		}
	}
	if c.LeftOver > 0 {
		fates = append(fates, "about "+strconv.Itoa(c.LeftOver)+" left over")
	}
	switch missing := c.Missing(); {
	case missing > 0:
		fates = append(fates, strconv.Itoa(missing)+" not accounted for")
	case missing < 0:
		fates = append(fates, strconv.Itoa(-missing)+" too many")
	}
	if len(fates) == 0 {
		return "none made"
	}
	return strconv.Itoa(c.Made) + " made: " + strings.Join(fates, ", ")
}

// Packaging is one packaging material or label of a packing, in its own unit. All that was issued to the packing was
// used, spoiled or returned.
type Packaging struct{ Issued, Used, Spoiled, Returned decimal.Decimal }

// Missing is issued − used − spoiled − returned: above zero is not accounted for, below zero is more than was issued.
func (p Packaging) Missing() decimal.Decimal {
	return p.Issued.Sub(p.Used).Sub(p.Spoiled).Sub(p.Returned)
}

// Over tells whether the difference has to be explained: more than limitPct % of what was issued, either way. What is
// counted, labels above all, has a limit of nothing: any difference is over it.
func (p Packaging) Over(limitPct decimal.Decimal) bool {
	return p.Missing().Abs().Mul(hundred).GreaterThan(limitPct.Mul(p.Issued))
}

// Words says the check: "25 handed out = 20 used + 2 spoiled + 3 put back", with what is missing or too many after it.
func (p Packaging) Words() string {
	out := p.Used.String() + " used + " + p.Spoiled.String() + " spoiled + " + p.Returned.String() + " put back"
	switch missing := p.Missing(); missing.Sign() {
	case 1:
		return p.Issued.String() + " handed out, " + out + "; " + missing.String() + " not accounted for"
	case -1:
		return p.Issued.String() + " handed out, " + out + "; " + missing.Neg().String() + " more than were handed out"
	}
	return p.Issued.String() + " handed out = " + out
}
