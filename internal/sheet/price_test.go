package sheet

import (
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/shopspring/decimal"
)

const priced = "Lot no;Material;Received;Qty;Status;Price\n"

// stock is what a price is held to: a pound has 453.59237 g (yard and pound agreement of 1959, from memory).
func stock() Facts {
	f := oil()
	f.Kept["MILK"] = Kept{Unit: "ml", Density: decimal.NewNullDecimal(decimal.RequireFromString("1.03"))}
	f.Kept["ACID"] = Kept{Unit: "g"}
	return f
}

// The expected prices were worked out by hand.
func TestWhatAPriceIsForIsAskedAndConverted(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct{ rows, of, want string }{
		"one of the book's":       {"L-1;OIL;2026-04-03;1;released;0.0045\nL-2;JAR;2026-04-03;1;released;0.42\n", OwnPrice, "L-1,OIL,2026-04-03,1,0.0045,released\nL-2,JAR,2026-04-03,1,0.42,released\n"},
		"a kilogram":              {"L-1;OIL;2026-04-03;1;released;£4.50\nL-2;OIL;2026-04-03;1;released;£ 1,250.00\n", "kg", "L-1,OIL,2026-04-03,1,0.0045,released\nL-2,OIL,2026-04-03,1,1.25,released\n"},
		"a hundred grams":         {"L-1;OIL;2026-04-03;1;released;1,99 €\n", "100g", "L-1,OIL,2026-04-03,1,0.0199,released\n"},
		"a pound, to a millionth": {"L-1;OIL;2026-04-03;1;released;USD 4.50\n", "lb", "L-1,OIL,2026-04-03,1,0.009921,released\n"},
		"a litre, by density":     {"L-1;OIL;2026-04-03;1;released;9.20\nL-2;MILK;2026-04-03;1;released;9.20\n", "l", "L-1,OIL,2026-04-03,1,0.01,released\nL-2,MILK,2026-04-03,1,0.0092,released\n"},
		"a thousand pieces":       {"L-1;JAR;2026-04-03;1;released;420\n", "1000each", "L-1,JAR,2026-04-03,1,0.42,released\n"},
		"the whole lot":           {"L-1;OIL;2026-04-03;25 kg;released;112.50\nL-2;JAR;2026-04-03;144;released;60\nL-3;OIL;2026-04-03;1 l;released;9.20\n", LotPrice, "L-1,OIL,2026-04-03,25000,0.0045,released\nL-2,JAR,2026-04-03,144,0.416667,released\nL-3,OIL,2026-04-03,920,0.01,released\n"},
		"none, and nothing":       {"L-1;OIL;2026-04-03;5;released;0\nL-2;OIL;2026-04-03;0;released;\n", LotPrice, "L-1,OIL,2026-04-03,5,0,released\nL-2,OIL,2026-04-03,0,,released\n"},
		"some that say it":        {"L-1;OIL;2026-04-03;1;released;4,50 €/kg\nL-2;OIL;2026-04-03;1;released;0,45 per 100 g\nL-3;JAR;2026-04-03;1;released;42\n", "100each", "L-1,OIL,2026-04-03,1,0.0045,released\nL-2,OIL,2026-04-03,1,0.0045,released\nL-3,JAR,2026-04-03,1,0.42,released\n"},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			b, of, l, m := looked(t, []byte(priced+c.rows), "material_lots")
			m.Columns[3].Unit = OwnUnit
			if diff := cmp.Diff([]string{"price-5"}, faultNames(l.Check(of, m))); diff != "" {
				t.Fatalf("asked (-want +got):\n%s", diff)
			}
			m.Columns[5].Price = c.of
			got, faults := converted(t, b, of, l, m, stock())
			if diff := cmp.Diff("code,material,received_on,quantity,unit_cost,status\n"+c.want, got); diff != "" || faults != nil {
				t.Errorf("%v (-want +got):\n%s", faults, diff)
			}
			if kept := l.Recall(of, l.Remember(of, m)); kept.Columns[5].Price != c.of {
				t.Errorf("remembered: %q", kept.Columns[5].Price)
			}
		})
	}
}

func TestAPriceThatCannotBeToldIsAFaultOfItsRow(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		rows, of string
		want     []string
	}{
		"a lot of nothing":           {"L-1;OIL;2026-04-03;;released;45\nL-2;OIL;2026-04-03;0 kg;released;£45\n", LotPrice, []string{`list:2: Price: "45" is for the whole lot, and its quantity is empty`, `list:3: Price: "£45" is for the whole lot, and its quantity is 0: the price of one cannot be told`}},
		"a quantity that is none":    {"L-1;OIL;2026-04-03;some;released;45\n", LotPrice, []string{`list:2: Qty: "some" is no number`}},
		"two currencies":             {"L-1;OIL;2026-04-03;1;released;£4\nL-2;OIL;2026-04-03;1;released;4\nL-3;OIL;2026-04-03;1;released;EUR 4\n", "kg", []string{`list:4: Price: "EUR 4" is in EUR, and others in the column are in £; write all in one currency`}},
		"a unit that is no currency": {"L-1;OIL;2026-04-03;1;released;4\nL-2;OIL;2026-04-03;1;released;4 KGS\nL-3;OIL;2026-04-03;1;released;4 BOX\n", "kg", []string{`list:3: Price: "4 KGS": what does "KGS" stand for behind the number?`, `list:4: Price: "4 BOX": what does "BOX" stand for behind the number?`}},
		"words before it":            {"L-1;OIL;2026-04-03;1;released;4\nL-2;OIL;2026-04-03;1;released;about 4\n", "kg", []string{`list:3: Price: "about 4" is no number`}},
		"what nobody counts in":      {"L-1;OIL;2026-04-03;1;released;4\nL-2;OIL;2026-04-03;1;released;4 per drum\n", "kg", []string{`list:3: Price: "4 per drum": what does "per drum" stand for behind the number?`}},
		"a kilogram of jars":         {"L-1;JAR;2026-04-03;1;released;4\n", "kg", []string{`list:2: Price: "4": The material is counted in each.`}},
		"a piece of oil":             {"L-1;OIL;2026-04-03;1;released;4\n", "each", []string{`list:2: Price: "4": The material is counted in g.`}},
		"a litre without density":    {"L-1;ACID;2026-04-03;1;released;4\n", "l", []string{`list:2: Price: "4": It is kept in g: from l to g its density is needed. Add it to the material, or write it in g.`}},
		"too little to keep":         {"L-1;OIL;2026-04-03;1;released;0.0004\n", "kg", []string{`list:2: Price: "0.0004" is less than a millionth for one g, ml or piece: a book keeps no finer price`}},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			b, of, l, m := looked(t, []byte(priced+c.rows), "material_lots")
			m.Columns[3].Unit, m.Columns[5].Price = OwnUnit, c.of
			got, faults := converted(t, b, of, l, m, stock())
			if diff := cmp.Diff(c.want, faults); diff != "" || got != "" {
				t.Errorf("%q (-want +got):\n%s", got, diff)
			}
		})
	}
}

// What a heading says is filled in, to be seen and changed; what it leaves open is asked, and so is a word for which there is
// no price.
func TestAHeadingSaysWhatItsPricesAreFor(t *testing.T) {
	t.Parallel()
	for heading, want := range map[string]string{
		"Price per kg": "kg", "Cost (€/100 g)": "100g", "price_per_litre": "", "Price/lb": "lb", "Unit price per piece": "each", "Cost per 1000 pcs": "1000each", "Price": "", "Cost per unit": "", "Price (kg)": "", "Total cost": "",
		"Price per kg (£)": "kg", "Price [GBP]": "", "Price £/l": "l",
	} {
		_, of, l, m := looked(t, []byte(strings.Replace(priced, "Price", heading, 1)+"L-1;OIL;2026-04-03;1;released;4.50\n"), "material_lots")
		if ch := m.Columns[5]; ch.Price != want || ch.Column != "unit_cost" && heading != "price_per_litre" {
			t.Errorf("%q: %s of %q", heading, ch.Column, ch.Price)
		}
		m.Columns[5].Column = "unit_cost"
		m.Columns[5].Price = "ton"
		if diff := cmp.Diff([]string{"price-5"}, faultNames(l.Check(of, m))); diff != "" {
			t.Errorf("%q, asked (-want +got):\n%s", heading, diff)
		}
	}
	b, of, l, m := looked(t, []byte(priced+"L-1;OIL;2026-04-03;1;released;4.50/kg\n"), "material_lots")
	if got, faults := converted(t, b, of, l, m, stock()); faults != nil || !strings.Contains(got, ",0.0045,") {
		t.Errorf("where every price says it nothing is asked: %q %v", got, faults)
	}
	_, of, l, m = looked(t, []byte(priced+"L-1;OIL;2026-04-03;1;released;USD 1,250\n"), "material_lots")
	if diff := cmp.Diff([]string{"decimals-5", "price-5"}, faultNames(l.Check(of, m))); diff != "" {
		t.Errorf("behind a currency (-want +got):\n%s", diff)
	}
}
