package measure

import (
	"github.com/shopspring/decimal"

	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/quantity"
)

// Unit is a unit that a delivery is written in. US and imperial units bear their country: a bare "fl oz" is never
// guessed.
type Unit struct {
	Name  string // as forms send it: "lb", "fl_oz_us"
	Words string // as it stands behind a number: "lb", "fl oz (US)"
	about string // g, ml or each: what one of it is counted in
	holds decimal.Decimal
}

// units hold their definitions, all of them exact: the pound of 453.59237 g and the inch of 2.54 cm (yard and pound
// agreement of 1959), the US gallon of 231 cubic inches and its 128 fluid ounces (NIST Special Publication 811,
// appendix B), the imperial fluid ounce of 28.4130625 ml (UK Units of Measurement Regulations 1995). From memory.
var units = []Unit{
	{"g", "g", "g", decimal.NewFromInt(1)},
	{"kg", "kg", "g", thousand},
	{"oz", "oz", "g", gramsPerOunce},
	{"lb", "lb", "g", gramsPerPound},
	{"ml", "ml", "ml", decimal.NewFromInt(1)},
	{"l", "l", "ml", thousand},
	{"fl_oz_us", "fl oz (US)", "ml", usGallon.Div(decimal.NewFromInt(128))},
	{"fl_oz_imp", "fl oz (imperial)", "ml", decimal.RequireFromString("28.4130625")},
	{"gal_us", "gal (US)", "ml", usGallon},
	{"each", "each", "each", decimal.NewFromInt(1)},
}

// usGallon is 231 in³ in ml.
var usGallon = decimal.RequireFromString("2.54").Pow(decimal.NewFromInt(3)).Mul(decimal.NewFromInt(231))

// intakePlaces is to how many places an amount is kept: as fine as a number may be typed.
const intakePlaces = quantity.MaxFractionDigits

// IntakeUnits are the units that a delivery of a material kept in g, ml or each may be written in, its own first.
func IntakeUnits(kept string) []Unit {
	var own, others []Unit
	for _, u := range units {
		switch {
		case u.Name == kept:
			own = append(own, u)
		case kept != "each" && u.about != "each":
			others = append(others, u)
		}
	}
	return append(own, others...)
}

// IntakeWords writes an amount as it was written: "5 lb". An unknown unit is left out.
func IntakeWords(amount decimal.Decimal, unit string) string {
	for _, u := range units {
		if u.Name == unit {
			return quantity.Format(amount) + " " + u.Words
		}
	}
	return quantity.Format(amount)
}

// Intake is an amount, written in one of IntakeUnits, in the unit that its material is kept in: g, ml or each. It is
// exact within mass and within volume, then rounded to a millionth; between them it goes by the density in g per ml.
// An empty unit is the kept one. A fault says what is missing, for the field of the unit.
func Intake(amount decimal.Decimal, unit, kept string, density decimal.NullDecimal) (decimal.Decimal, error) {
	if unit == "" || unit == kept {
		return amount, nil
	}
	times, parts, err := holding(unit, kept, density)
	if err != nil {
		return decimal.Zero, err
	}
	return amount.Mul(times).DivRound(parts, intakePlaces), nil
}

// PriceOfOne is the price of one g, ml or each of a material, kept in that, from the price of an amount above zero in one of
// IntakeUnits. It is exact and then rounded to a millionth. An empty unit is the kept one. Faults are those of Intake.
func PriceOfOne(price, amount decimal.Decimal, unit, kept string, density decimal.NullDecimal) (decimal.Decimal, error) {
	if unit == "" {
		unit = kept
	}
	times, parts, err := holding(unit, kept, density)
	if err != nil {
		return decimal.Zero, err
	}
	return price.Mul(parts).DivRound(amount.Mul(times), intakePlaces), nil
}

// holding is how much of the kept unit one of another holds, as a fraction, so that what is exact stays so.
func holding(unit, kept string, density decimal.NullDecimal) (times, parts decimal.Decimal, err error) {
	one := decimal.NewFromInt(1)
	for _, u := range IntakeUnits(kept) {
		switch {
		case u.Name != unit:
			continue
		case u.about == kept:
			return u.holds, one, nil
		case !density.Valid || !density.Decimal.IsPositive():
			return one, one, fault.New(fault.Invalid, "It is kept in "+kept+": from "+u.Words+" to "+kept+" its density is needed. Add it to the material, or write it in "+kept+".")
		case kept == "g":
			return u.holds.Mul(density.Decimal), one, nil
		default:
			return u.holds, density.Decimal, nil
		}
	}
	return one, one, fault.New(fault.Invalid, "Choose the unit it is written in.")
}
