package yield

import (
	"fmt"

	"github.com/shopspring/decimal"

	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/measure"
)

// Stage is a phase that a batch went through. What was there is known by what it weighed together, else by its parts,
// else by count × mean weight of that stage; by none of them where nobody weighed.
type Stage struct {
	Name  string // "moulded", "end of the cure"
	MassG decimal.NullDecimal
	Parts []Units // everything that was there, by fate; what was taken out at this stage is among them
	Count int
	MeanG decimal.NullDecimal
	// ExtraG is there beside the units counted: what is left over at the end was part of them all along.
	ExtraG decimal.Decimal
	// LossG is what is expected to go, or was measured as gone, between the stage before and this one.
	LossG    decimal.Decimal
	Rejected []Units // taken out at this stage
}

// StageLine is a stage as it turned out.
type StageLine struct {
	Name     string
	Known    bool // false: nobody weighed, and the figures but Rejected and Loss are empty
	Grams    decimal.Decimal
	Words    string // how the mass is known
	Measured bool   // weighed, and not worked out
	// LossG and UnexplainedG are what went since the last stage whose mass is known: as expected, and beside that.
	LossG, UnexplainedG decimal.Decimal
	RejectedG           decimal.Decimal
	// TheoreticalG is what would be there had nothing but the expected losses gone; Pct is Grams in % of it, to four
	// places, not valid where it is nothing. 21 CFR 211.188(b)(7): actual yield and percentage of theoretical yield at
	// appropriate phases.
	TheoreticalG decimal.Decimal
	Pct          decimal.NullDecimal
}

// ByStage follows the mass of a batch from what was weighed in, which is the first line, to the last stage. Nothing is
// lost on the way: what was weighed in is the rejects, losses and unexplained differences of all stages up to the last
// whose mass is known, and what was there then less its rejects. Invalid faults: "weighed", and for stage i
// "stage.i.loss" and those of Units under "stage.i.parts.j." and "stage.i.rejected.j.".
func ByStage(style measure.Style, inG decimal.Decimal, stages []Stage) ([]StageLine, error) {
	if err := checkStages(inG, stages); err != nil {
		return nil, err
	}
	lines := []StageLine{{Name: "weighed in", Known: true, Grams: inG, Words: "as weighed", Measured: true, TheoreticalG: inG, Pct: decimal.NewNullDecimal(hundred)}}
	carried, expected, open := inG, inG, decimal.Zero
	for _, s := range stages {
		line := StageLine{Name: s.Name}
		for _, u := range s.Rejected {
			line.RejectedG = line.RejectedG.Add(u.part(style).Grams)
		}
		expected, open = expected.Sub(s.LossG), open.Add(s.LossG)
		line.TheoreticalG = expected
		if s.weigh(style, &line); line.Known {
			line.LossG, line.UnexplainedG = open, carried.Sub(line.Grams).Sub(open)
			carried, open = line.Grams, decimal.Zero
			if expected.IsPositive() {
				line.Pct = decimal.NewNullDecimal(line.Grams.Mul(hundred).DivRound(expected, 4))
			}
		}
		carried = carried.Sub(line.RejectedG)
		lines = append(lines, line)
	}
	return lines, nil
}

// weigh fills in what is known of the mass.
func (s Stage) weigh(style measure.Style, line *StageLine) {
	switch {
	case s.MassG.Valid:
		line.Known, line.Measured, line.Grams = true, true, s.MassG.Decimal
		line.Words = grams(style, line.Grams) + " weighed together"
	case s.Parts != nil:
		line.Known, line.Measured = true, true
		for _, u := range s.Parts {
			part := u.part(style)
			line.Grams, line.Measured = line.Grams.Add(part.Grams), line.Measured && (part.Measured || part.Grams.IsZero())
		}
		line.Words = "all that came out, by fate"
	case s.Count > 0 && s.MeanG.Valid:
		line.Known = true
		line.Grams = s.MeanG.Decimal.Mul(decimal.NewFromInt(int64(s.Count))).Add(s.ExtraG)
		line.Words = fmt.Sprintf("%d × %s, the mean weight at that stage", s.Count, grams(style, s.MeanG.Decimal))
		if s.ExtraG.IsPositive() {
			line.Words += ", and " + grams(style, s.ExtraG) + " left over"
		}
	default:
		line.Words = "not weighed"
	}
}

// Unexplained is the sum over all stages. It is the balance's own where the last stage is known, since nothing is lost
// in between.
func Unexplained(lines []StageLine) decimal.Decimal {
	sum := decimal.Zero
	for _, l := range lines {
		sum = sum.Add(l.UnexplainedG)
	}
	return sum
}

func checkStages(inG decimal.Decimal, stages []Stage) error {
	var faults fault.Fields
	if !inG.IsPositive() {
		faults.Add("weighed", "What went in must be more than 0 g.")
	}
	for i, s := range stages {
		if s.LossG.IsNegative() {
			faults.Add(fmt.Sprintf("stage.%d.loss", i), "A loss cannot be below 0 g.")
		}
		for j, u := range s.Parts {
			u.check(&faults, fmt.Sprintf("stage.%d.parts.%d.", i, j))
		}
		for j, u := range s.Rejected {
			u.check(&faults, fmt.Sprintf("stage.%d.rejected.%d.", i, j))
		}
	}
	return faults.Err()
}

// OtherSize tells that units of unitG g are of another size than those that a window of unit weights is meant for: bars
// and guest bars of one loaf share the formula's controls, and 50 g units are not weighed against 165 to 170 g. It takes
// more than a quarter below the lowest or a third above the highest, so that an overfill or a wrong window still shows.
// Common practice, no source.
func OtherSize(unitG decimal.Decimal, low, high decimal.NullDecimal) bool {
	if !unitG.IsPositive() || !low.Valid && !high.Valid {
		return false
	}
	light := low.Valid && unitG.Mul(decimal.NewFromInt(4)).LessThan(low.Decimal.Mul(decimal.NewFromInt(3)))
	heavy := high.Valid && unitG.Mul(decimal.NewFromInt(3)).GreaterThan(high.Decimal.Mul(decimal.NewFromInt(4)))
	return light || heavy
}
