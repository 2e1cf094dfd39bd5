package sheet

import (
	"regexp"
	"strings"
)

// unitWords are the ways in which units are written, by the name that internal/measure has for them. A bare "fl oz" is
// left out: it is two units.
var unitWords = map[string]string{
	"g": "g", "gr": "g", "gm": "g", "gms": "g", "gram": "g", "grams": "g", "gramme": "g", "grammes": "g",
	"kg": "kg", "kgs": "kg", "kilo": "kg", "kilos": "kg", "kilogram": "kg", "kilograms": "kg", "kilogramme": "kg", "kilogrammes": "kg",
	"oz": "oz", "ounce": "oz", "ounces": "oz", "lb": "lb", "lbs": "lb", "pound": "lb", "pounds": "lb",
	"ml": "ml", "millilitre": "ml", "millilitres": "ml", "milliliter": "ml", "milliliters": "ml",
	"l": "l", "ltr": "l", "ltrs": "l", "litre": "l", "litres": "l", "liter": "l", "liters": "l",
	"fl oz (us)": "fl_oz_us", "us fl oz": "fl_oz_us", "fl oz (imperial)": "fl_oz_imp", "fl oz (imp)": "fl_oz_imp",
	"gal (us)": "gal_us", "us gal": "gal_us",
	"each": "each", "ea": "each", "pc": "each", "pcs": "each", "piece": "each", "pieces": "each", "unit": "each", "units": "each",
}

// unitOf is the unit that a word means, "" for none that is known.
func unitOf(word string) string {
	return unitWords[strings.TrimSuffix(strings.ToLower(strings.Join(strings.Fields(word), " ")), ".")]
}

var inHeading = regexp.MustCompile(`[\s_(\[]+(?:[Ii][Nn]\s+)?([^\s_()\[\]]+)([)\]]?)\s*$`)

// headingUnit is a unit that a heading names: "Qty (kg)", "Amount in g", "weight_g".
func headingUnit(heading string) string {
	p := inHeading.FindStringSubmatch(heading)
	if p == nil {
		return ""
	}
	unit := unitOf(p[1])
	if unit == "each" && p[2] == "" {
		return "" // "lot units", "price per piece": a word of the heading, no unit
	}
	return unit
}

// amounts are the columns that hold an amount of a material, whose own unit counts.
var amounts = []string{"material_lots.quantity", "lot_inputs.quantity", "batch_inputs.quantity", "packing_inputs.quantity", "stock_moves.quantity"}

// tails are what may stand behind the numbers of other columns, and adds nothing to them.
var tails = map[string][]string{
	"temperature_c": {"c", "°c", "º c", "º", "°", "deg c", "degc"}, "humidity_pct": {"%", "% rh", "%rh", "rh", "pct", "percent", "per cent"},
	"density_g_per_ml": {"g/ml", "g per ml", "kg/l", "g/cm3", "g/cm³", "g/cc"}, "shelf_life_months": {"months", "month", "mths", "mo", "m"},
	"shelf_life_days": {"days", "day", "d"},
}

// countTails may stand behind a count of units.
var countTails = []string{"units", "unit", "pcs", "pc", "pieces", "piece", "bars", "bar", "jars", "jar", "bottles", "bottle", "each", "ea", "x"}
