package measure_test

import (
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/shopspring/decimal"

	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/measure"
)

// The definitions are exact: pound and inch of 1959, gallon of 231 in³ (NIST SP 811, appendix B), imperial fluid ounce (UK Units of
// Measurement Regulations 1995). From memory.
func TestADeliveryIsTakenInByTheDefinitionOfItsUnit(t *testing.T) {
	t.Parallel()
	for _, c := range []struct{ name, amount, unit, kept, density, want string }{
		{"as it is kept", "2.5", "g", "g", "", "2.5"},
		{"no unit is the kept one", "2.5", "", "ml", "", "2.5"},
		{"kilograms", "2.5", "kg", "g", "", "2500"},
		{"a pound", "1", "lb", "g", "", "453.59237"},
		{"five pounds", "5", "lb", "g", "", "2267.96185"},
		{"sixteen ounces are a pound", "16", "oz", "g", "", "453.59237"},
		{"an ounce to a millionth", "1", "oz", "g", "", "28.349523"},
		{"litres", "0.75", "l", "ml", "", "750"},
		{"a US gallon", "1", "gal_us", "ml", "", "3785.411784"},
		{"128 US fluid ounces are a US gallon", "128", "fl_oz_us", "ml", "", "3785.411784"},
		{"a US fluid ounce to a millionth", "1", "fl_oz_us", "ml", "", "29.57353"},
		{"an imperial fluid ounce to a millionth", "1", "fl_oz_imp", "ml", "", "28.413063"},
		{"160 imperial fluid ounces are an imperial gallon", "160", "fl_oz_imp", "ml", "", "4546.09"},
		{"a litre of oil that is kept in g", "1", "l", "g", "0.92", "920"},
		{"a kilogram of what is kept in ml", "1", "kg", "ml", "0.8", "1250"},
		{"a division that does not end", "1", "kg", "ml", "0.9", "1111.111111"},
		{"US gallons of what is kept in g", "2", "gal_us", "g", "0.5", "3785.411784"},
		{"pieces", "12", "each", "each", "", "12"},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			got, err := measure.Intake(decimal.RequireFromString(c.amount), c.unit, c.kept, density(c.density))
			if err != nil || got.String() != c.want {
				t.Errorf("%s %s are %s %s (%v), want %s", c.amount, c.unit, got, c.kept, err, c.want)
			}
		})
	}
}

func density(text string) decimal.NullDecimal {
	if text == "" {
		return decimal.NullDecimal{}
	}
	return decimal.NewNullDecimal(decimal.RequireFromString(text))
}

func TestWhatCannotBeConvertedIsTold(t *testing.T) {
	t.Parallel()
	for _, c := range []struct{ name, unit, kept, density, want string }{
		{"volume to mass without density", "l", "g", "", "It is kept in g: from l to g its density is needed. Add it to the material, or write it in g."},
		{"mass to volume without density", "lb", "ml", "", "It is kept in ml: from lb to ml its density is needed. Add it to the material, or write it in ml."},
		{"a density of nothing", "l", "g", "0", "It is kept in g: from l to g its density is needed. Add it to the material, or write it in g."},
		{"a fluid ounce of no country", "fl_oz", "ml", "", "Choose the unit it is written in."},
		{"pieces by weight", "g", "each", "1", "Choose the unit it is written in."},
		{"weight by the piece", "each", "g", "1", "Choose the unit it is written in."},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			_, err := measure.Intake(decimal.NewFromInt(1), c.unit, c.kept, density(c.density))
			if !fault.Is(err, fault.Invalid) || fault.As(err).Message != c.want {
				t.Errorf("got %v, want %q", err, c.want)
			}
		})
	}
}

func TestADeliveryMayBeWrittenInItsOwnUnitFirst(t *testing.T) {
	t.Parallel()
	names := func(kept string) (out []string) {
		for _, u := range measure.IntakeUnits(kept) {
			out = append(out, u.Name)
		}
		return out
	}
	for kept, want := range map[string][]string{
		"g":    {"g", "kg", "oz", "lb", "ml", "l", "fl_oz_us", "fl_oz_imp", "gal_us"},
		"ml":   {"ml", "g", "kg", "oz", "lb", "l", "fl_oz_us", "fl_oz_imp", "gal_us"},
		"each": {"each"},
	} {
		if diff := cmp.Diff(want, names(kept)); diff != "" {
			t.Errorf("kept in %s:\n%s", kept, diff)
		}
	}
	if got := measure.IntakeWords(decimal.RequireFromString("64"), "fl_oz_us"); got != "64 fl oz (US)" {
		t.Errorf("written as %q", got)
	}
}

// The expected values are the price divided by the definition above, worked out by hand to seven places.
func TestAPriceIsThatOfOneOfTheKeptUnit(t *testing.T) {
	t.Parallel()
	for _, c := range []struct{ name, price, amount, unit, kept, density, want string }{
		{"as it is kept", "0.0045", "1", "", "g", "", "0.0045"},
		{"a kilogram", "4.5", "1", "kg", "g", "", "0.0045"},
		{"a hundred grams", "1.99", "100", "g", "g", "", "0.0199"},
		{"a pound", "4.5", "1", "lb", "g", "", "0.009921"},   // 0.0099208
		{"an ounce", "1.25", "1", "oz", "g", "", "0.044092"}, // 0.0440925
		{"a litre", "7.2", "1", "l", "ml", "", "0.0072"},
		{"a US gallon", "40", "1", "gal_us", "ml", "", "0.010567"}, // 0.0105669
		{"a litre of what is kept in g", "9.2", "1", "l", "g", "0.92", "0.01"},
		{"a kilogram of what is kept in ml", "10", "1", "kg", "ml", "0.8", "0.008"},
		{"a hundred pieces", "42", "100", "each", "each", "", "0.42"},
		{"a lot of it", "12.5", "25000", "", "g", "", "0.0005"},
		{"half of a millionth goes up", "0.0015", "1", "kg", "g", "", "0.000002"},
		{"less than half of one is nothing", "0.0004", "1", "kg", "g", "", "0"},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			got, err := measure.PriceOfOne(decimal.RequireFromString(c.price), decimal.RequireFromString(c.amount), c.unit, c.kept, density(c.density))
			if err != nil || got.String() != c.want {
				t.Errorf("%s for %s %s is %s for one %s (%v), want %s", c.price, c.amount, c.unit, got, c.kept, err, c.want)
			}
		})
	}
	if _, err := measure.PriceOfOne(decimal.NewFromInt(1), decimal.NewFromInt(1), "l", "g", decimal.NullDecimal{}); err == nil || fault.As(err).Message != "It is kept in g: from l to g its density is needed. Add it to the material, or write it in g." {
		t.Errorf("without a density: %v", err)
	}
}
