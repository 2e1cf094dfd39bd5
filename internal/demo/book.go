package demo

import (
	"github.com/shopspring/decimal"

	"example.org/stillroom/internal/scaling"
	"example.org/stillroom/internal/store"
)

// recipe is a formula with its versions and its products; kinds differ so that each way of making is there.
type recipe struct {
	code, name, letters string
	since               int // days from today of its first version
	versions            []version
	products            []cutting // the first is the one that is planned
}

// version is a version of a formula and the day from which it is in force.
type version struct {
	since int
	store.FormulaVersion
}

// cutting is a product of a recipe: which share of the planned units' mass becomes it, how many days after the first is
// packed.
type cutting struct {
	store.Product
	part float64
	days int
}

// version is the one in force on a day.
func (r recipe) version(on int) store.FormulaVersion {
	v := r.versions[0]
	for _, x := range r.versions {
		if x.since <= on {
			v = x
		}
	}
	return v.FormulaVersion
}

// days is how long after its making a batch is packed.
func (r recipe) days(on int) int {
	if hours := r.version(on).CureHours; hours > 0 {
		return hours/24 + 1
	}
	return 0
}

// fill is what a unit of the planned product takes of a batch.
func (r recipe) fill() decimal.Decimal { return r.products[0].NominalFill() }

// unitsOf is how many units of a product so many moulded units of the planned one give.
func (c cutting) unitsOf(r recipe, moulded int) int {
	if c.Code == r.products[0].Code {
		rest := moulded
		for _, x := range r.products[1:] {
			rest -= x.mouldedFor(r, moulded)
		}
		return rest
	}
	grams := r.fill().Mul(decimal.NewFromInt(int64(c.mouldedFor(r, moulded))))
	return int(grams.Div(c.NominalFill()).IntPart())
}

// mouldedFor is how many moulded units of the planned product are cut up for this one.
func (c cutting) mouldedFor(r recipe, moulded int) int {
	if c.Code == r.products[0].Code || c.part == 0 {
		return 0
	}
	return int(float64(moulded) * c.part)
}

func share(material, pct string) store.FormulaLine {
	return store.FormulaLine{Kind: scaling.KindMaterial, MaterialCode: material, Basis: scaling.Share, Amount: num(pct)}
}

func inner(portion, pct string) store.FormulaLine {
	return store.FormulaLine{Kind: scaling.KindPortion, InnerPortion: portion, Basis: scaling.Share, Amount: num(pct)}
}

func bulk(formula, pct string) store.FormulaLine {
	return store.FormulaLine{Kind: scaling.KindBulk, BulkFormula: formula, Basis: scaling.Share, Amount: num(pct)}
}

func asNeeded(material, low, high string) store.FormulaLine {
	return store.FormulaLine{Kind: scaling.KindMaterial, MaterialCode: material, Basis: scaling.Weight, AsNeeded: true, Low: num(low), High: num(high)}
}

func upTo(l store.FormulaLine, pct string) store.FormulaLine {
	l.MaxPct = some(pct)
	return l
}

func portion(name, basis, amount string, lines ...store.FormulaLine) store.FormulaPortion {
	return store.FormulaPortion{Name: name, Basis: basis, Amount: num(amount), Lines: lines}
}

func packaging(per ...string) []store.ProductPackaging {
	var out []store.ProductPackaging
	for i := 0; i < len(per); i += 2 {
		out = append(out, store.ProductPackaging{MaterialCode: per[i], PerUnit: num(per[i+1])})
	}
	return out
}

const (
	press = "Keep fingers and loose sleeves away from the press."
	melt  = "Hot wax burns: dry gloves, jug not over half full."
	lye   = "Lye is caustic: gloves, goggles and long sleeves until the mould is closed. Follow its safety data sheet."
	into  = "Lye into water, never water into lye: it spits. Fresh air; do not breathe the steam."
)

// begun is the first day of the book, oilSince the day from which sunflower oil stands in for rapeseed oil, in days from
// today.
const (
	begun    = -730
	oilSince = -150
)

func step(text string) store.FormulaStep { return store.FormulaStep{Text: text} }

func careful(text, caution string) store.FormulaStep {
	return store.FormulaStep{Text: text, Caution: caution}
}

func after(portion, text, caution string) store.FormulaStep {
	return store.FormulaStep{Portion: portion, Text: text, Caution: caution}
}

func control(name, stage, unit, low, high string, readings int) store.FormulaControl {
	return store.FormulaControl{Name: name, Stage: stage, Unit: unit, Low: some(low), High: some(high), Readings: readings}
}

// soap is what cold-process soaps have in common: six weeks, pH of a bar.
func soap(nominal string, maxPct string, portions []store.FormulaPortion, last string) store.FormulaVersion {
	return store.FormulaVersion{NominalG: num(nominal), TolerancePct: num("1"), ToleranceG: num("0.5"), ExpectedLossPct: num("2"), ReconciliationPct: num("3"), CureHours: 42 * 24, CureWord: "cure", Yields: "units",
		MinC: some("15"), MaxC: some("26"), MaxPct: some(maxPct), Caution: lye, Portions: portions,
		Steps:    []store.FormulaStep{after("Lye", "Stir the lye into the water until clear", into), after("Oils", "Melt, cool to 38 °C", ""), step("Pour lye into oils, blend to a light trace"), step(last)},
		Controls: []store.FormulaControl{control("Temperature at pouring", "making", "°C", "32", "42", 1), control("pH of a bar", "cure_end", "", "8", "10.5", 1)}}
}

// fizz is what bath-fizz balls have in common. Common practice, no source: a round mould is filled to 165-170 g.
func fizz(nominal string, portions []store.FormulaPortion, last string) store.FormulaVersion {
	return store.FormulaVersion{NominalG: num(nominal), TolerancePct: num("1"), ToleranceG: num("0.5"), ExpectedLossPct: num("1.5"), ReconciliationPct: num("3"), CureHours: 48, CureWord: "dry", Yields: "units",
		MinC: some("15"), MaxC: some("25"), MaxPct: some("60"), Caution: acid, Portions: portions,
		Steps:    []store.FormulaStep{after("Base", "Sieve and mix until even", acid), step("Spray until it holds when pressed"), careful(last, press)},
		Controls: []store.FormulaControl{control("Fill weight", "moulding", "g", "165", "170", 8)}}
}

func infusion(oil string) store.FormulaVersion {
	return store.FormulaVersion{NominalG: num("2000"), TolerancePct: num("1"), ToleranceG: num("0.5"), ExpectedLossPct: num("8"), ReconciliationPct: num("4"), CureWord: "set", Yields: "bulk", BulkMonths: 9,
		Portions: []store.FormulaPortion{portion("Infusion", scaling.Share, "100", share(oil, "88"), share("CF", "11.5"), share("VE", "0.5"))},
		Steps:    []store.FormulaStep{after("Infusion", "Warm to 60 °C for two hours, covered", "Hot oil burns: dry hands, long sleeves, lid on."), step("Strain through cloth, let settle overnight")}}
}

func tidewrack(oil string) store.FormulaVersion {
	return soap("3000", "70", []store.FormulaPortion{
		portion("Lye", scaling.Share, "29", share("WA", "66.5"), share("LY", "33.5")),
		portion("Oils", scaling.Share, "69", share("OL", "52"), share("CO", "28"), share("SB", "14"), share(oil, "6")),
		portion("Scent and clay", scaling.Share, "2", upTo(share("LV", "60"), "2"), share("KC", "40"))}, "Add scent and clay, pour, cover for 24 hours")
}

func always(v store.FormulaVersion) []version { return []version{{begun, v}} }

// book holds formulas that are invented to show the program: nobody has tried or assessed them.
var book = []recipe{
	{"CI", "Calendula infusion", "CI", begun, []version{{begun, infusion("RO")}, {oilSince, infusion("SF")}}, nil},
	{"BB", "Balm base", "BB", -600, always(store.FormulaVersion{
		NominalG: num("1500"), TolerancePct: num("1"), ToleranceG: num("0.5"), ExpectedLossPct: num("3"), ReconciliationPct: num("4"), CureWord: "set", Yields: "bulk", BulkMonths: 12,
		Portions: []store.FormulaPortion{portion("Melt", scaling.Share, "100", share("CW", "24"), share("CB", "30"), share("CR", "45.5"), share("RX", "0.5"))},
		Steps:    []store.FormulaStep{after("Melt", "Melt in the bath, not over 80 °C", melt), step("Pour into the tray, cut into blocks when set")}}), nil},
	{"TW", "Tidewrack soap", "TW", begun, []version{{begun, tidewrack("RO")}, {oilSince, tidewrack("SF")}}, []cutting{
		{store.Product{Code: "TW100", Name: "Tidewrack soap, 100 g bar", NetContentG: some("100"), FillG: some("112"), ShelfLifeMonths: 18, ShelfLifeFrom: "cured", CapByExpiry: true, DatePrecision: "month", Packaging: packaging("WR", "1", "LB", "1"), LabelText: "Tidewrack soap. Olive, coconut, shea. Rinse-off."}, 1, 0},
		{store.Product{Code: "TW35", Name: "Tidewrack soap, 35 g guest bar", NetContentG: some("35"), FillG: some("39.2"), ShelfLifeMonths: 18, ShelfLifeFrom: "cured", CapByExpiry: true, DatePrecision: "month", Packaging: packaging("WG", "1", "LG", "1"), LabelText: "Tidewrack guest soap. Rinse-off."}, 0.13, 6},
		{store.Product{Code: "TW15", Name: "Tidewrack soap, fair sample", NetContentG: some("15"), FillG: some("16.8"), ShelfLifeMonths: 18, ShelfLifeFrom: "cured", CapByExpiry: true, DatePrecision: "month", Grade: "giveaway", Packaging: packaging("BG", "1", "LG", "1"), LabelText: "Tidewrack soap, a piece to try. Rinse-off."}, 0.07, 9}}},
	{"HH", "Heath honey soap", "HH", -620, always(soap("2600", "70", []store.FormulaPortion{
		portion("Lye", scaling.Share, "29", share("WA", "67"), share("LY", "33")),
		portion("Oils", scaling.Share, "68", share("OL", "48"), share("CO", "26"), share("SB", "18"), share("CR", "8")),
		portion("Honey and oats", scaling.Share, "3", share("HN", "55"), share("OT", "45"))}, "Stir in honey and oats, pour, leave uncovered: honey warms it")), []cutting{
		{store.Product{Code: "HH100", Name: "Heath honey soap, 100 g bar", NetContentG: some("100"), FillG: some("111"), ShelfLifeMonths: 18, ShelfLifeFrom: "cured", CapByExpiry: true, DatePrecision: "month", Packaging: packaging("WR", "1", "LB", "1"), LabelText: "Heath honey soap. Honey and oats. Rinse-off."}, 1, 0},
		{store.Product{Code: "HH35", Name: "Heath honey soap, 35 g guest bar", NetContentG: some("35"), FillG: some("38.9"), ShelfLifeMonths: 18, ShelfLifeFrom: "cured", CapByExpiry: true, DatePrecision: "month", Packaging: packaging("WG", "1", "LG", "1"), LabelText: "Heath honey guest soap. Rinse-off."}, 0.15, 7}}},
	{"SM", "Saltmarsh bar", "SM", -400, always(soap("2400", "65", []store.FormulaPortion{
		portion("Lye", scaling.Share, "27", share("WA", "65"), share("LY", "35")),
		portion("Oils", scaling.Share, "58", share("CO", "78"), share("OL", "16"), share("CR", "6")),
		portion("Salt and scent", scaling.Share, "15", share("SE", "85"), share("CH", "5"), upTo(share("PN", "10"), "2"))}, "Fold in salt and charcoal, pour into single moulds")), []cutting{
		{store.Product{Code: "SM90", Name: "Saltmarsh bar, 90 g", NetContentG: some("90"), FillG: some("98"), ShelfLifeMonths: 24, ShelfLifeFrom: "cured", CapByExpiry: true, DatePrecision: "month", Packaging: packaging("WR", "1", "LB", "1"), LabelText: "Saltmarsh bar. Sea salt and charcoal. Rinse-off."}, 1, 0}}},
	{"GP", "Glass pebble soap", "GP", -450, always(store.FormulaVersion{
		NominalG: num("2500"), TolerancePct: num("1"), ToleranceG: num("0.5"), ExpectedLossPct: num("3"), ReconciliationPct: num("4"), CureHours: 24, CureWord: "set", Yields: "units", MaxPct: some("70"),
		Portions: []store.FormulaPortion{portion("Base", scaling.Share, "98.8", share("GB", "100")), portion("Colour and scent", scaling.Share, "1.2", share("MU", "20"), upTo(share("GE", "80"), "1"))},
		Steps:    []store.FormulaStep{after("Base", "Melt below 65 °C, lid on", melt), step("Stir colour and scent in, pour at 55 °C")},
		Controls: []store.FormulaControl{control("Temperature at pouring", "making", "°C", "50", "60", 1)}}), []cutting{
		{store.Product{Code: "GP80", Name: "Glass pebble soap, 80 g", NetContentG: some("80"), FillG: some("81"), ShelfLifeMonths: 15, ShelfLifeFrom: "made", CapByExpiry: true, DatePrecision: "month", Packaging: packaging("SH", "1", "LG", "1"), LabelText: "Glass pebble soap. Rinse-off."}, 1, 0}}},
	{"GF", "Gorse fizz ball", "GF", begun, always(fizz("5000", []store.FormulaPortion{
		portion("Base", scaling.Inner, "0", share("BS", "64"), share("CA", "32"), share("CS", "4")),
		portion("White", scaling.Share, "60", inner("Base", "98.5"), share("SB", "1.1"), upTo(share("LV", "0.4"), "0.5")),
		portion("Yellow", scaling.Share, "40", inner("Base", "98"), share("SB", "1.1"), share("MY", "0.6"), share("LV", "0.3"), asNeeded("WH", "20", "60"))}, "Layer white and yellow, press firmly")), []cutting{
		{store.Product{Code: "GF165", Name: "Gorse fizz ball, 165 g", NetContentG: some("165"), FillG: some("167.5"), ShelfLifeMonths: 9, ShelfLifeFrom: "made", CapByExpiry: true, DatePrecision: "day", Packaging: packaging("WR", "1", "LB", "1"), LabelText: "Gorse fizz ball. Drop into a warm bath. Rinse-off."}, 1, 0}}},
	{"SL", "Sloe fizz ball", "SL", -520, always(fizz("4000", []store.FormulaPortion{
		portion("Base", scaling.Share, "98", share("BS", "63"), share("CA", "31.5"), share("CT", "5.5")),
		portion("Colour and scent", scaling.Share, "2", share("MR", "25"), share("MB", "55"), upTo(share("OG", "20"), "0.5"), asNeeded("WH", "15", "50"))}, "Press firmly, turn out at once")), []cutting{
		{store.Product{Code: "SL165", Name: "Sloe fizz ball, 165 g", NetContentG: some("165"), FillG: some("167.5"), ShelfLifeMonths: 9, ShelfLifeFrom: "made", CapByExpiry: true, DatePrecision: "day", Packaging: packaging("SH", "1", "LB", "1"), LabelText: "Sloe fizz ball. Drop into a warm bath. Rinse-off."}, 1, 0}}},
	{"OB", "Oat balm", "OB", begun, always(store.FormulaVersion{
		NominalG: num("2600"), TolerancePct: num("1"), ToleranceG: num("0.5"), ExpectedLossPct: num("4"), ReconciliationPct: num("3"), CureHours: 12, CureWord: "set", Yields: "units", MaxC: some("26"), MaxPct: some("65"),
		Portions: []store.FormulaPortion{
			portion("Melt", scaling.Share, "62", share("SB", "48"), share("CB", "30"), share("BW", "22")),
			portion("Cool below 45 °C", scaling.Share, "38", bulk("CI", "55"), share("OO", "43"), share("VE", "2"))},
		Steps:    []store.FormulaStep{after("Melt", "Melt in the bath, not over 75 °C", melt), step("Pour at 50 °C, leave the lids off until set")},
		Controls: []store.FormulaControl{control("Fill weight", "packing", "g", "49.5", "52", 6)}}), []cutting{
		{store.Product{Code: "OB50", Name: "Oat balm, 50 g tin", NetContentG: some("50"), FillG: some("50.6"), ShelfLifeMonths: 18, ShelfLifeFrom: "made", CapByExpiry: true, DatePrecision: "day", Packaging: packaging("TI", "1", "LB", "1"), LabelText: "Oat balm. For dry hands. Leave-on."}, 1, 0}}},
	{"LP", "Larkspur lip balm", "LP", -560, always(store.FormulaVersion{
		NominalG: num("600"), TolerancePct: num("1"), ToleranceG: num("0.3"), ExpectedLossPct: num("5"), ReconciliationPct: num("4"), CureHours: 12, CureWord: "set", Yields: "units", MaxC: some("26"),
		Portions: []store.FormulaPortion{portion("Melt", scaling.Share, "99", bulk("BB", "62"), share("JO", "20"), share("AL", "18")), portion("Cool below 60 °C", scaling.Share, "1", upTo(share("PM", "60"), "1"), share("VE", "40"))},
		Steps:    []store.FormulaStep{after("Melt", "Melt in the bath, not over 75 °C", melt), step("Fill the tubes to the brim, top up when they sink")},
		Controls: []store.FormulaControl{control("Fill weight", "packing", "g", "4.8", "5.4", 6)}}), []cutting{
		{store.Product{Code: "LP5", Name: "Larkspur lip balm, 5 g tube", NetContentG: some("5"), FillG: some("5.1"), ShelfLifeMonths: 18, ShelfLifeFrom: "made", CapByExpiry: true, DatePrecision: "month", Packaging: packaging("TU", "1", "LG", "1"), LabelText: "Larkspur lip balm. Leave-on."}, 1, 0}}},
	{"BO", "Bramble body oil", "BO", -140, always(store.FormulaVersion{
		NominalG: num("2500"), TolerancePct: num("1"), ToleranceG: num("0.5"), ExpectedLossPct: num("2"), ReconciliationPct: num("3"), CureWord: "set", Yields: "units",
		Portions: []store.FormulaPortion{portion("Oil", scaling.Share, "100", share("SF", "52"), share("AL", "24.2"), bulk("CI", "22"), share("VE", "0.8"), upTo(share("GE", "1"), "1"))},
		Steps:    []store.FormulaStep{after("Oil", "Stir until clear, cover over night", ""), step("Fill, wipe the necks, close")},
		Controls: []store.FormulaControl{control("Temperature at filling", "making", "°C", "16", "26", 1)}}), []cutting{
		{store.Product{Code: "BO90", Name: "Bramble body oil, 90 g bottle", NetContentG: some("90"), FillG: some("90.8"), ShelfLifeMonths: 12, ShelfLifeFrom: "made", CapByExpiry: true, DatePrecision: "month", Packaging: packaging("BT", "1", "DC", "1", "LB", "1"), LabelText: "Bramble body oil. Leave-on."}, 1, 0},
		{store.Product{Code: "BO27", Name: "Bramble body oil, 27 g bottle", NetContentG: some("27"), FillG: some("27.4"), ShelfLifeMonths: 12, ShelfLifeFrom: "made", CapByExpiry: true, DatePrecision: "month", Packaging: packaging("BM", "1", "DC", "1", "LG", "1"), LabelText: "Bramble body oil, to travel. Leave-on."}, 0.25, 1}}},
	{"QS", "Quarry sugar scrub", "QS", -320, always(store.FormulaVersion{
		NominalG: num("4000"), TolerancePct: num("1"), ToleranceG: num("1"), ExpectedLossPct: num("2"), ReconciliationPct: num("3"), CureWord: "set", Yields: "units", MaxPct: some("70"),
		Portions: []store.FormulaPortion{portion("Sugar", scaling.Share, "64", share("SU", "100")), portion("Oil", scaling.Share, "36", share("AL", "66"), bulk("CI", "20"), share("MB", "11"), share("VE", "1"), upTo(share("OG", "2"), "1"))},
		Steps:    []store.FormulaStep{after("Oil", "Melt the butter into the oil, let it cool", ""), step("Fold the sugar in, fill, press out the air")}}), []cutting{
		{store.Product{Code: "QS200", Name: "Quarry sugar scrub, 200 g jar", NetContentG: some("200"), FillG: some("201"), ShelfLifeMonths: 12, ShelfLifeFrom: "made", CapByExpiry: true, DatePrecision: "month", Packaging: packaging("JS", "1", "LB", "1"), LabelText: "Quarry sugar scrub. Rinse-off."}, 1, 0}}},
	{"FS", "Fen shampoo bar", "FS", begun, always(store.FormulaVersion{
		NominalG: num("1800"), TolerancePct: num("1"), ToleranceG: num("0.5"), ExpectedLossPct: num("3"), ReconciliationPct: num("3"), CureHours: 72, CureWord: "dry", Yields: "units", MaxPct: some("65"), Caution: acid,
		Portions: []store.FormulaPortion{
			portion("Powder", scaling.Share, "70", share("SN", "86"), share("CS", "9"), share("KC", "5")),
			portion("Melt", scaling.Share, "29", share("CB", "45"), share("OL", "35"), share("WA", "20")),
			portion("Scent", scaling.Share, "1", upTo(share("PM", "60"), "1"), upTo(share("TM", "40"), "1"))},
		Steps:    []store.FormulaStep{after("Melt", "Melt, stir into the powder", acid), careful("Press while warm", press)},
		Controls: []store.FormulaControl{control("Weight of a bar", "moulding", "g", "61", "65", 6)}}), []cutting{
		{store.Product{Code: "FS60", Name: "Fen shampoo bar, 60 g", NetContentG: some("60"), FillG: some("63"), ShelfLifeMonths: 36, ShelfLifeFrom: "packed", CapByExpiry: false, DatePrecision: "month", OpenedMonths: 12, Packaging: packaging("WR", "1", "LB", "1"), LabelText: "Fen shampoo bar. Rinse-off."}, 1, 0}}},
	{"SS", "Sedge bath salts", "SS", begun, always(store.FormulaVersion{
		NominalG: num("4000"), TolerancePct: num("1"), ToleranceG: num("1"), ExpectedLossPct: num("1"), ReconciliationPct: num("3"), CureWord: "dry", Yields: "units", MaxPct: some("65"),
		Portions: []store.FormulaPortion{portion("Salts", scaling.Share, "97", share("SE", "55"), share("EP", "43"), share("RC", "2")), portion("Oil", scaling.Share, "3", bulk("CI", "86"), upTo(share("LV", "14"), "0.5"))},
		Steps:    []store.FormulaStep{step("Fold the oil in until no lumps are left")}}), []cutting{
		{store.Product{Code: "SS250", Name: "Sedge bath salts, 250 g jar", NetContentG: some("250"), ShelfLifeMonths: 24, ShelfLifeFrom: "made", CapByExpiry: true, DatePrecision: "month", Packaging: packaging("JA", "1", "LB", "1"), LabelText: "Sedge bath salts. Rinse-off."}, 1, 0},
		{store.Product{Code: "SS50", Name: "Sedge bath salts, 50 g sachet", NetContentG: some("50"), ShelfLifeMonths: 24, ShelfLifeFrom: "made", CapByExpiry: true, DatePrecision: "month", Grade: "trial size", Packaging: packaging("SA", "1", "LG", "1"), LabelText: "Sedge bath salts, for one bath. Rinse-off."}, 0.2, 1}}},
}

// introduce adds and approves a formula's version, and with the first its products.
func (d *maker) introduce(r recipe, number int) error {
	mara := d.by("mara")
	v := r.versions[number-1].FormulaVersion
	if number == 1 {
		if _, err := d.s.AddFormula(d.ctx, mara, store.Entry{}, store.NewFormula{Code: r.code, Name: r.name, Letters: r.letters, NominalG: v.NominalG, Yields: v.Yields}); err != nil {
			return err
		}
	} else if _, err := d.s.NewVersion(d.ctx, mara, store.Entry{}, r.code); err != nil {
		return err
	}
	if err := d.s.SaveDraft(d.ctx, mara, store.Entry{}, r.code, v); err != nil {
		return err
	}
	if err := d.s.ApproveFormula(d.ctx, mara, store.Entry{}, r.code, number); err != nil || number > 1 {
		return err
	}
	for _, c := range r.products {
		c.FormulaCode = r.code
		if _, err := d.s.AddProduct(d.ctx, mara, store.Entry{}, c.Product); err != nil {
			return err
		}
	}
	return nil
}
