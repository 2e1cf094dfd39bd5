package demo

import (
	"github.com/shopspring/decimal"

	"example.org/stillroom/internal/scaling"
	"example.org/stillroom/internal/store"
)

// recipe is a formula with its product; kinds differ so that each way of making is there.
type recipe struct {
	code, name, letters string
	version             store.FormulaVersion
	product             store.Product
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

const eyes = "Keep fingers and loose sleeves away from the press."

// recipes are invented to show the program: nobody has tried or assessed them.
func recipes() []recipe {
	return []recipe{
		{"CI", "Calendula infusion", "CI", store.FormulaVersion{
			NominalG: num("2000"), TolerancePct: num("1"), ToleranceG: num("0.5"), ExpectedLossPct: num("8"), ReconciliationPct: num("4"), CureWord: "set", Yields: "bulk", BulkMonths: 9,
			Portions: []store.FormulaPortion{portion("Infusion", scaling.Share, "100", share("SF", "88"), share("CF", "11.5"), share("VE", "0.5"))},
			Steps:    []store.FormulaStep{{Portion: "Infusion", Text: "Warm to 60 °C for two hours, covered", Caution: "Hot oil burns: dry hands, long sleeves, lid on."}, {Text: "Strain through cloth, let settle overnight"}},
		}, store.Product{}},
		{"TW", "Tidewrack soap", "TW", store.FormulaVersion{
			NominalG: num("3000"), TolerancePct: num("1"), ToleranceG: num("0.5"), ExpectedLossPct: num("2"), ReconciliationPct: num("3"), CureHours: 42 * 24, CureWord: "cure", Yields: "units",
			MinC: some("15"), MaxC: some("26"), MaxPct: some("70"),
			Caution: "Lye is caustic: gloves, goggles and long sleeves until the mould is closed. Follow its safety data sheet.",
			Portions: []store.FormulaPortion{
				portion("Lye", scaling.Share, "29", share("WA", "66.5"), share("LY", "33.5")),
				portion("Oils", scaling.Share, "69", share("OL", "52"), share("CO", "28"), share("SB", "14"), share("SF", "6")),
				portion("Scent and clay", scaling.Share, "2", upTo(share("LV", "60"), "2"), share("KC", "40"))},
			Steps: []store.FormulaStep{
				{Portion: "Lye", Text: "Stir the lye into the water until clear", Caution: "Lye into water, never water into lye: it spits. Fresh air; do not breathe the steam."},
				{Portion: "Oils", Text: "Melt, cool to 38 °C"},
				{Text: "Pour lye into oils, blend to a light trace"}, {Text: "Add scent and clay, pour, cover for 24 hours"}},
			Controls: []store.FormulaControl{{Name: "Temperature at pouring", Stage: "making", Unit: "°C", Low: some("32"), High: some("42"), Readings: 1}, {Name: "pH of a bar", Stage: "cure_end", Low: some("8"), High: some("10.5"), Readings: 1}},
		}, store.Product{Code: "TW100", Name: "Tidewrack soap, 100 g bar", NetContentG: some("100"), FillG: some("112"), ShelfLifeMonths: 18, ShelfLifeFrom: "cured", CapByExpiry: true, DatePrecision: "month", Packaging: packaging("WR", "1", "LB", "1"), LabelText: "Tidewrack soap. Olive, coconut, shea. Rinse-off."}},
		{"GF", "Gorse fizz ball", "GF", store.FormulaVersion{
			NominalG: num("5000"), TolerancePct: num("1"), ToleranceG: num("0.5"), ExpectedLossPct: num("1.5"), ReconciliationPct: num("3"), CureHours: 48, CureWord: "dry", Yields: "units",
			MinC: some("15"), MaxC: some("25"), MaxPct: some("60"), Caution: acid,
			Portions: []store.FormulaPortion{
				portion("Base", scaling.Inner, "0", share("BS", "64"), share("CA", "32"), share("CS", "4")),
				portion("White", scaling.Share, "60", inner("Base", "98.5"), share("SB", "1.1"), upTo(share("LV", "0.4"), "0.5")),
				portion("Yellow", scaling.Share, "40", inner("Base", "98"), share("SB", "1.1"), share("MY", "0.6"), share("LV", "0.3"), asNeeded("WH", "20", "60"))},
			Steps: []store.FormulaStep{{Portion: "Base", Text: "Sieve and mix until even", Caution: acid}, {Portion: "Yellow", Text: "Spray until it holds when pressed"}, {Text: "Layer white and yellow, press firmly", Caution: eyes}},
			// Common practice, no source: a round bath-fizz mould is filled to 165-170 g.
			Controls: []store.FormulaControl{{Name: "Fill weight", Stage: "moulding", Unit: "g", Low: some("165"), High: some("170"), Readings: 8}},
		}, store.Product{Code: "GF165", Name: "Gorse fizz ball, 165 g", NetContentG: some("165"), FillG: some("167.5"), ShelfLifeMonths: 9, ShelfLifeFrom: "made", CapByExpiry: true, DatePrecision: "day", Packaging: packaging("WR", "1", "LB", "1"), LabelText: "Gorse fizz ball. Drop into a warm bath. Rinse-off."}},
		{"OB", "Oat balm", "OB", store.FormulaVersion{
			NominalG: num("2600"), TolerancePct: num("1"), ToleranceG: num("0.5"), ExpectedLossPct: num("4"), ReconciliationPct: num("3"), CureHours: 12, CureWord: "set", Yields: "units", MaxC: some("26"), MaxPct: some("65"),
			Portions: []store.FormulaPortion{
				portion("Melt", scaling.Share, "62", share("SB", "48"), share("CB", "30"), share("BW", "22")),
				portion("Cool below 45 °C", scaling.Share, "38", bulk("CI", "55"), share("OO", "43"), share("VE", "2"))},
			Steps:    []store.FormulaStep{{Portion: "Melt", Text: "Melt in the bath, not over 75 °C", Caution: "Hot wax burns: dry gloves, jug not over half full."}, {Text: "Pour at 50 °C, leave the lids off until set"}},
			Controls: []store.FormulaControl{{Name: "Fill weight", Stage: "packing", Unit: "g", Low: some("49.5"), High: some("52"), Readings: 6}},
		}, store.Product{Code: "OB50", Name: "Oat balm, 50 g tin", NetContentG: some("50"), FillG: some("50.6"), ShelfLifeMonths: 18, ShelfLifeFrom: "made", CapByExpiry: true, DatePrecision: "day", Packaging: packaging("TI", "1", "LB", "1"), LabelText: "Oat balm. For dry hands. Leave-on."}},
		{"FS", "Fen shampoo bar", "FS", store.FormulaVersion{
			NominalG: num("1800"), TolerancePct: num("1"), ToleranceG: num("0.5"), ExpectedLossPct: num("3"), ReconciliationPct: num("3"), CureHours: 72, CureWord: "dry", Yields: "units", MaxPct: some("65"), Caution: acid,
			Portions: []store.FormulaPortion{
				portion("Powder", scaling.Share, "70", share("SN", "86"), share("CS", "9"), share("KC", "5")),
				portion("Melt", scaling.Share, "29", share("CB", "45"), share("OL", "35"), share("WA", "20")),
				portion("Scent", scaling.Share, "1", upTo(share("PM", "100"), "1"))},
			Steps:    []store.FormulaStep{{Portion: "Melt", Text: "Melt, stir into the powder", Caution: acid}, {Text: "Press while warm", Caution: eyes}},
			Controls: []store.FormulaControl{{Name: "Weight of a bar", Stage: "moulding", Unit: "g", Low: some("61"), High: some("65"), Readings: 6}},
		}, store.Product{Code: "FS60", Name: "Fen shampoo bar, 60 g", NetContentG: some("60"), FillG: some("63"), ShelfLifeMonths: 36, ShelfLifeFrom: "packed", CapByExpiry: false, DatePrecision: "month", OpenedMonths: 12, Packaging: packaging("WR", "1", "LB", "1"), LabelText: "Fen shampoo bar. Rinse-off."}},
		{"SS", "Sedge bath salts", "SS", store.FormulaVersion{
			NominalG: num("4000"), TolerancePct: num("1"), ToleranceG: num("1"), ExpectedLossPct: num("1"), ReconciliationPct: num("3"), CureWord: "dry", Yields: "units", MaxPct: some("65"),
			Portions: []store.FormulaPortion{portion("Salts", scaling.Share, "97", share("SE", "55"), share("EP", "45")), portion("Oil", scaling.Share, "3", bulk("CI", "86"), upTo(share("LV", "14"), "0.5"))},
			Steps:    []store.FormulaStep{{Text: "Fold the oil in until no lumps are left"}},
		}, store.Product{Code: "SS250", Name: "Sedge bath salts, 250 g jar", NetContentG: some("250"), ShelfLifeMonths: 24, ShelfLifeFrom: "made", CapByExpiry: true, DatePrecision: "month", Packaging: packaging("JA", "1", "LB", "1"), LabelText: "Sedge bath salts. Rinse-off."}},
	}
}

// formulas adds and approves the formulas, and adds the products.
func (d *maker) formulas() error {
	for _, r := range recipes() {
		mara := d.by("mara")
		code, err := d.s.AddFormula(d.ctx, mara, store.Entry{}, store.NewFormula{Code: r.code, Name: r.name, Letters: r.letters, NominalG: r.version.NominalG, Yields: r.version.Yields})
		if err != nil {
			return err
		}
		if err := d.s.SaveDraft(d.ctx, mara, store.Entry{}, code, r.version); err != nil {
			return err
		}
		if err := d.s.ApproveFormula(d.ctx, mara, store.Entry{}, code, 1); err != nil {
			return err
		}
		if r.product.Code == "" {
			continue
		}
		r.product.FormulaCode = code
		if _, err := d.s.AddProduct(d.ctx, mara, store.Entry{}, r.product); err != nil {
			return err
		}
	}
	return nil
}

// fill is what a unit of a recipe's product takes.
func (r recipe) fill() decimal.Decimal { return r.product.NominalFill() }
