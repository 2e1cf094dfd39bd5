package scaling_test

import (
	"testing"

	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/scaling"
	"github.com/google/go-cmp/cmp"
	"github.com/shopspring/decimal"
)

func TestAllThatIsWrongWithAFormulaIsToldBesideItsField(t *testing.T) {
	t.Parallel()
	tests := []struct {
		name    string
		formula scaling.Formula
		want    map[string]string // field to words
	}{
		{"two colours of one base", fizz("1.5"), nil},
		{"shares only need no nominal batch", scaling.Formula{Portions: []scaling.Portion{share("", "100", material("a", "100"))}}, nil},
		{"nothing at all", scaling.Formula{}, map[string]string{
			"portions": "At least one portion that goes into the batch is needed."}},
		{"four decimals that make 100", only(material("a", "33.3333"), material("b", "33.3333"), material("c", "33.3334")), nil},
		{"four decimals that do not", only(material("a", "33.3333"), material("b", "33.3333"), material("c", "33.3333")),
			map[string]string{"portions.0.lines": "The lines make 99.9999 %; they must make 100 %."}},
		{"five decimals", only(material("a", "50.00001"), material("b", "49.99999")), map[string]string{
			"portions.0.lines.0.amount": "At most 4 decimals can be kept.",
			"portions.0.lines.1.amount": "At most 4 decimals can be kept."}},
		{"trailing zeros are no decimals", only(material("a", "50.000000"), material("b", "50")), nil},
		{"an exponent to fill the memory", only(material("a", "1e9999"), material("b", "1e-9999")),
			map[string]string{
				"portions.0.lines.0.amount": "This is too large or too fine an amount.",
				"portions.0.lines.1.amount": "This is too large or too fine an amount."}},
		{"amounts of nothing and less", only(material("a", "100"), material("b", "0"), material("c", "-5")),
			map[string]string{
				"portions.0.lines.1.amount": "Write an amount of more than 0.",
				"portions.0.lines.2.amount": "Write an amount of more than 0."}},
		{"a portion without lines", only(), map[string]string{
			"portions.0.lines": "At least one line with an amount is needed."}},
		{"as-needed lines only", only(asNeeded("w", "0", "5")), map[string]string{
			"portions.0.lines": "At least one line with an amount is needed."}},
		{"lines of both bases", only(material("a", "50"), weighed("b", "500")), map[string]string{
			"portions.0.lines": "The lines of a portion go all by share or all by weight."}},
		{"portions that do not make the batch", scaling.Formula{Portions: []scaling.Portion{
			share("", "60", material("a", "100")), share("", "39.5", material("b", "100"))}},
			map[string]string{"portions": "The portions make 99.5 %; they must make 100 %."}},
		{"portions of both bases", scaling.Formula{NominalG: d("100"), Portions: []scaling.Portion{
			share("", "100", material("a", "100")),
			{Basis: scaling.Weight, Amount: d("100"), Lines: []scaling.Line{material("b", "100")}}}},
			map[string]string{"portions": "The portions go all by share or all by weight."}},
		{"weights that do not make the nominal batch", scaling.Formula{NominalG: d("1000"), Portions: []scaling.Portion{
			{Basis: scaling.Weight, Amount: d("900"), Lines: []scaling.Line{material("b", "100")}}}},
			map[string]string{"portions": "The portions weigh 900 g; the nominal batch weighs 1\u202f000 g."}},
		{"lines that do not weigh what their portion does", scaling.Formula{NominalG: d("1000"), Portions: []scaling.Portion{
			share("", "60", weighed("a", "600")), share("", "40", weighed("b", "350"), weighed("c", "49"))}},
			map[string]string{"portions.1.lines": "The lines weigh 399 g; the portion weighs 400 g."}},
		{"weights without a nominal batch", scaling.Formula{Portions: []scaling.Portion{share("", "100", weighed("a", "600"))}},
			map[string]string{"nominal": "Write an amount of more than 0."}},
		{"bases and kinds that there are not", scaling.Formula{Portions: []scaling.Portion{
			{Basis: "half", Amount: d("50"), Lines: []scaling.Line{{Kind: "gas", Basis: "sniff", Amount: d("1")}}}}},
			map[string]string{
				"portions.0.basis":         "A portion goes by share, by weight, or inside other portions.",
				"portions.0.lines.0.kind":  "A line is a material, a portion or a bulk.",
				"portions.0.lines.0.basis": "A line goes by share or by weight."}},
		{"an inner portion that nothing takes from", scaling.Formula{Portions: []scaling.Portion{
			share("", "100", material("a", "100")), inner("", material("b", "100"))}},
			map[string]string{"portions.1.basis": "No other portion takes from this one."}},
		{"inner portions only", scaling.Formula{Portions: []scaling.Portion{inner("", material("b", "100"))}},
			map[string]string{
				"portions":         "At least one portion that goes into the batch is needed.",
				"portions.0.basis": "No other portion takes from this one."}},
		{"taking from a portion of the batch itself", scaling.Formula{Portions: []scaling.Portion{
			share("", "50", takes(1, "100")), share("", "50", material("a", "100"))}},
			map[string]string{"portions.0.lines.0.portion": "Only a portion that is used inside others can be taken from; " +
				"this one goes into the batch itself."}},
		{"taking from no portion", scaling.Formula{Portions: []scaling.Portion{
			share("", "100", takes(7, "50"), takes(-1, "50"))}},
			map[string]string{
				"portions.0.lines.0.portion": "There is no such portion.",
				"portions.0.lines.1.portion": "There is no such portion."}},
		{"a portion in itself", scaling.Formula{Portions: []scaling.Portion{
			share("", "100", takes(1, "100")), inner("", takes(1, "50"), material("a", "50"))}},
			map[string]string{"portions.1.lines.0.portion": "This takes from a portion that it goes into itself."}},
		{"portions in a circle", scaling.Formula{Portions: []scaling.Portion{
			share("", "100", takes(1, "100")), inner("", takes(2, "50"), material("a", "50")),
			inner("", material("b", "10"), takes(1, "90"))}},
			map[string]string{"portions.2.lines.1.portion": "This takes from a portion that it goes into itself."}},
		{"a portion taken from twice is no circle", scaling.Formula{Portions: []scaling.Portion{
			share("", "100", takes(1, "50"), takes(2, "50")), inner("", takes(2, "100")), inner("", material("b", "100"))}}, nil},
		{"as needed, lowest nothing", only(material("a", "100"), asNeeded("w", "0", "5")), nil},
		{"as needed, both the same", only(material("a", "100"), asNeeded("w", "5", "5")), nil},
		{"as needed, crossed", only(material("a", "100"), asNeeded("w", "6", "5")),
			map[string]string{"portions.0.lines.1.high": "The highest amount is below the lowest."}},
		{"as needed, none and less than none", only(material("a", "100"), asNeeded("w", "-1", "0")),
			map[string]string{
				"portions.0.lines.1.low":  "Write an amount of more than 0.",
				"portions.0.lines.1.high": "Write an amount of more than 0."}},
		{"as needed of an unknown batch", scaling.Formula{Portions: []scaling.Portion{
			share("", "100", material("a", "100"), asNeeded("w", "1", "5"))}},
			map[string]string{"nominal": "Write an amount of more than 0."}},
		{"limits of use that are none", only(limited("a", "50", "0"), limited("b", "50", "100.5")), map[string]string{
			"portions.0.lines.0.limit": "Write an amount of more than 0.",
			"portions.0.lines.1.limit": "A limit of use is at most 100 %."}},
		{"a formula over its own limit is the maker's to decide", only(limited("a", "100", "1")), nil},
		{"an amount of an inner portion means nothing", scaling.Formula{Portions: []scaling.Portion{
			share("", "100", takes(1, "100")),
			{Basis: scaling.Inner, Amount: decimal.NewFromInt(-3), Lines: []scaling.Line{material("a", "100")}}}}, nil},
	}
	for _, tc := range tests {
		t.Run(tc.name, func(t *testing.T) {
			t.Parallel()
			var got map[string]string
			if err := scaling.Validate(tc.formula); err != nil {
				f := fault.As(err)
				if f == nil || f.Kind != fault.Invalid {
					t.Fatalf("not an invalid fault: %v", err)
				}
				got = map[string]string{}
				for _, field := range f.Fields {
					got[field.Name] = field.Message
				}
			}
			if diff := cmp.Diff(tc.want, got); diff != "" {
				t.Errorf("(-want +got):\n%s", diff)
			}
		})
	}
}
