package demo

import (
	"cmp"
	"fmt"
	"slices"

	"github.com/shopspring/decimal"

	"example.org/stillroom/internal/scaling"
	"example.org/stillroom/internal/store"
)

const (
	acid  = "Dust irritates eyes and lungs: goggles and mask while weighing, as its safety data sheet says."
	scent = "Concentrated allergen: gloves, fresh air; see its safety data sheet."
	dust  = "Fine dust: mask while weighing, as its safety data sheet says."
	wax   = "Hot when molten: it burns the skin. Dry gloves, never left on the heat; see its safety data sheet."
	glass = "Glass: look for chips, tap out splinters; after a breakage clear the whole bench."
)

// stuff is a material and how it is bought.
type stuff struct {
	code, name, inci string
	supplier         string
	pack             string // what a delivery is a multiple of, in the material's unit
	lasts            int    // days that a delivery is meant to last
	keeps            int    // days from receipt until it expires; 0 for not stated
	caution          string
}

// raws are weighed. Properties are common practice, no source; cautions defer to the safety data sheet.
var raws = []stuff{
	{"OL", "Olive oil", "Olea Europaea Fruit Oil", "FO", "5000", 80, 420, ""},
	{"CO", "Coconut oil", "Cocos Nucifera Oil", "FO", "5000", 110, 500, ""},
	{"SB", "Shea butter", "Butyrospermum Parkii Butter", "FO", "1000", 85, 380, ""},
	{"CB", "Cocoa butter", "Theobroma Cacao Seed Butter", "FO", "1000", 90, 400, ""},
	{"MB", "Mango butter", "Mangifera Indica Seed Butter", "FO", "500", 160, 540, ""},
	{"BW", "Beeswax", "Cera Alba", "HB", "500", 100, 0, wax},
	{"CW", "Candelilla wax", "Euphorbia Cerifera Wax", "HB", "250", 200, 0, wax},
	{"OO", "Oat oil", "Avena Sativa Kernel Oil", "FO", "500", 100, 300, ""},
	{"RO", "Rapeseed oil", "Brassica Campestris Seed Oil", "FO", "1000", 110, 330, ""},
	{"SF", "Sunflower oil", "Helianthus Annuus Seed Oil", "FO", "500", 60, 330, ""},
	{"CR", "Castor oil", "Ricinus Communis Seed Oil", "FO", "500", 130, 500, ""},
	{"AL", "Sweet almond oil", "Prunus Amygdalus Dulcis Oil", "FO", "1000", 110, 450, ""},
	{"JO", "Jojoba oil", "Simmondsia Chinensis Seed Oil", "FO", "500", 150, 800, ""},
	{"CF", "Calendula flowers, dried", "Calendula Officinalis Flower", "HB", "250", 90, 260, ""},
	{"OT", "Oats, ground", "Avena Sativa Kernel Flour", "SD", "500", 150, 420, dust},
	{"HN", "Heather honey", "Mel", "BH", "500", 150, 900, ""},
	{"LY", "Sodium hydroxide", "Sodium Hydroxide", "SD", "1000", 80, 700, "Caustic: burns skin and eyes. Gloves, goggles and long sleeves; lye into water, never water into lye; follow its safety data sheet."},
	{"BS", "Sodium bicarbonate", "Sodium Bicarbonate", "SD", "5000", 90, 600, ""},
	{"CA", "Citric acid", "Citric Acid", "SD", "5000", 110, 700, acid},
	{"CT", "Cream of tartar", "Potassium Bitartrate", "SD", "500", 190, 700, dust},
	{"CS", "Maize starch", "Zea Mays Starch", "SD", "500", 90, 400, dust},
	{"WH", "Witch hazel water", "Hamamelis Virginiana Leaf Water", "HB", "250", 110, 400, ""},
	{"LV", "Lavender oil", "Lavandula Angustifolia Oil", "HB", "100", 90, 500, scent},
	{"PM", "Peppermint oil", "Mentha Piperita Oil", "HB", "50", 130, 480, scent},
	{"OG", "Sweet orange oil", "Citrus Aurantium Dulcis Peel Oil", "HB", "100", 150, 480, scent},
	{"TM", "Thyme oil", "Thymus Vulgaris Oil", "HB", "50", 190, 480, scent},
	{"PN", "Pine needle oil", "Pinus Sylvestris Leaf Oil", "HB", "50", 170, 400, scent},
	{"GE", "Geranium oil", "Pelargonium Graveolens Oil", "HB", "50", 190, 480, scent},
	{"MY", "Yellow mica", "Mica, CI 77492", "WC", "50", 150, 900, dust},
	{"MR", "Red mica", "Mica, CI 77491", "WC", "50", 220, 900, dust},
	{"MU", "Blue mica", "Mica, CI 77007", "WC", "50", 220, 900, dust},
	{"CH", "Charcoal powder", "Charcoal Powder", "WC", "100", 220, 0, dust},
	{"KC", "Kaolin clay", "Kaolin", "SD", "500", 130, 0, dust},
	{"RC", "Red clay", "Illite", "SD", "250", 220, 0, dust},
	{"SN", "Surfactant noodles", "Sodium Cocoyl Isethionate", "SD", "1000", 90, 540, acid},
	{"GB", "Clear soap base", "Glycerin, Aqua, Sodium Stearate", "GL", "5000", 130, 540, wax},
	{"SU", "Cane sugar", "Sucrose", "SD", "5000", 120, 700, ""},
	{"SE", "Sea salt", "Sodium Chloride", "SD", "5000", 110, 0, ""},
	{"EP", "Epsom salt", "Magnesium Sulfate", "SD", "5000", 130, 0, ""},
	{"VE", "Tocopherol", "Tocopherol", "HB", "100", 120, 365, ""},
	{"RX", "Rosemary extract", "Rosmarinus Officinalis Leaf Extract", "HB", "50", 170, 1000, ""},
	{"WA", "Water", "Aqua", "", "0", 0, 0, ""},
}

// packs are counted.
var packs = []stuff{
	{"TI", "Tin, 50 g", "", "PP", "50", 80, 0, ""},
	{"TU", "Lip balm tube", "", "PP", "100", 150, 0, ""},
	{"WR", "Paper wrap", "", "PP", "250", 80, 0, ""},
	{"WG", "Guest bar wrap", "", "PP", "250", 190, 0, ""},
	{"BG", "Sample bag", "", "PP", "200", 160, 0, ""},
	{"SH", "Shrink band", "", "PP", "100", 190, 0, ""},
	{"JA", "Jar, 250 g", "", "PP", "24", 110, 0, ""},
	{"JS", "Jar, 200 g", "", "GL", "24", 120, 0, glass},
	{"SA", "Sachet, 50 g", "", "PP", "100", 190, 0, ""},
	{"BT", "Bottle, 100 ml", "", "GL", "24", 60, 0, glass},
	{"BM", "Bottle, 30 ml", "", "GL", "48", 90, 0, glass},
	{"DC", "Dropper cap", "", "GL", "48", 75, 0, ""},
	{"LB", "Label", "", "PR", "500", 60, 0, ""},
	{"LG", "Label, small", "", "PR", "500", 130, 0, ""},
	{"BX", "Gift box", "", "PP", "25", 90, 0, ""},
	{"RB", "Ribbon, 60 cm", "", "PP", "100", 200, 0, ""},
	{"TP", "Tissue paper", "", "PP", "100", 200, 0, ""},
	{"SW", "Shipping box", "", "PP", "50", 120, 0, ""},
}

var suppliers = []store.Supplier{
	{Code: "FO", Name: "Fenmarch Oils", Contact: store.Contact{Email: "orders@fenmarch.example.org", Phone: "00 555 0110"}},
	{Code: "SD", Name: "Saltdyke Dry Goods", Contact: store.Contact{Email: "hello@saltdyke.example.org"}},
	{Code: "HB", Name: "Hollin Botanicals", Contact: store.Contact{Email: "post@hollin.example.org"}},
	{Code: "PP", Name: "Pennock Packaging", Contact: store.Contact{Email: "sales@pennock.example.org"}},
	{Code: "GL", Name: "Glassford Bottles and Bases", Contact: store.Contact{Email: "desk@glassford.example.org", Phone: "00 555 0131"}},
	{Code: "WC", Name: "Withy Colour House", Contact: store.Contact{Email: "colour@withy.example.org"}},
	{Code: "BH", Name: "Bracken Hill Apiary", Contact: store.Contact{Phone: "00 555 0142", Address: "Bracken Hill, near Quillmoor"}},
	{Code: "PR", Name: "Pressgate Printers", Contact: store.Contact{Email: "labels@pressgate.example.org"}},
}

// need is so much of a material or bulk, taken on a day.
type need struct {
	on     int // days from today
	amount decimal.Decimal
}

// delivery is so much of a material that comes on a day.
type delivery struct {
	material, supplier string
	on, n              int // days from today; the how-manieth of its material
	quantity           decimal.Decimal
	keeps              int
}

// wants adds up what a making takes, by material and by "bulk:" and the formula.
func (m making) wants(needs map[string][]need) error {
	r := recipeOf(m.formula)
	plan, err := scaling.PlanFor(r.version(m.on).Scaling(), m.mass(), scaling.Scale{ReadabilityG: num("0.1")})
	if err != nil {
		return err
	}
	lines := r.version(m.on).Scaling()
	for _, t := range plan.Lines {
		l := lines.Portions[t.Portion].Lines[t.Line]
		grams := t.TargetG
		if t.AsNeeded {
			grams = t.HighG
		}
		if m.slip == "real" {
			grams = grams.Mul(num("1.06")) // with it the rest of its portion is rescaled
		}
		if l.Kind != scaling.KindPortion {
			needs[l.Name] = append(needs[l.Name], need{m.on, grams.Mul(num("1.005"))})
		}
	}
	for _, c := range r.products {
		for _, p := range c.Packaging {
			// A few more than the units that are meant: some are spoiled.
			units := decimal.NewFromInt(int64(c.unitsOf(r, m.units) + 3))
			needs[p.MaterialCode] = append(needs[p.MaterialCode], need{m.on + r.days(m.on) + c.days, p.PerUnit.Mul(units)})
		}
	}
	return nil
}

// deliveries are ordered so that each comes some days before what is there runs out. What today and the time after it
// will take has not been ordered yet.
func deliveries(needs map[string][]need, begin int) []delivery {
	var out []delivery
	for i, s := range slices.Concat(raws, packs) {
		list := needs[s.code]
		if s.supplier == "" || s.code == "SF" {
			continue
		}
		slices.SortStableFunc(list, func(a, b need) int { return cmp.Compare(a.on, b.on) })
		var have shelfful
		n := 0
		for j, want := range list {
			if want.on > 0 {
				break
			}
			if have.take(want) {
				continue
			}
			due := have.left(want.on).Neg()
			for _, later := range list[j:] {
				if later.on < want.on+s.lasts {
					due = due.Add(later.amount)
				}
			}
			n++
			d := delivery{material: s.code, supplier: s.supplier, on: max(begin, want.on-4-i%5), n: n, keeps: s.keeps}
			perUnit := num("1")
			if s.code == "WH" { // bought by volume
				perUnit = witchHazel
			}
			d.quantity = due.Mul(num("1.06")).Div(perUnit).Div(num(s.pack)).Ceil().Mul(num(s.pack))
			have = append(have, lotLeft{d.quantity.Mul(perUnit), d.on, d.keeps})
			have.take(want)
			out = append(out, d)
		}
	}
	return append(out, sunflower(needs["SF"], begin)...)
}

// shelfful is what the calendar expects to be there of a material, the first delivered first.
type shelfful []lotLeft

type lotLeft struct {
	amount    decimal.Decimal
	on, keeps int
}

// left is what may still be used on a day.
func (s shelfful) left(on int) decimal.Decimal {
	sum := decimal.Zero
	for _, l := range s {
		if l.keeps == 0 || on <= l.on+l.keeps {
			sum = sum.Add(l.amount)
		}
	}
	return sum
}

// take takes what is wanted, and tells whether there was enough.
func (s shelfful) take(want need) bool {
	if s.left(want.on).LessThan(want.amount) {
		return false
	}
	for i := range s {
		if s[i].keeps == 0 || want.on <= s[i].on+s[i].keeps {
			some := decimal.Min(s[i].amount, want.amount)
			s[i].amount, want.amount = s[i].amount.Sub(some), want.amount.Sub(some)
		}
	}
	return true
}

var witchHazel = num("0.98") // g/ml; from memory

// The sunflower oil of lot 7731-B of Fenmarch Oils came in three deliveries, since the drum that it was drawn from
// stood at theirs: SF-0002 is the first of them. Nothing was wrong with it to see.
const (
	badLot   = "7731-B"
	badFirst = -103
)

func sunflower(list []need, begin int) []delivery {
	between := func(from, to int) decimal.Decimal {
		sum := decimal.Zero
		for _, n := range list {
			if n.on >= from && n.on < to {
				sum = sum.Add(n.amount)
			}
		}
		return sum.Div(num("250")).Ceil().Mul(num("250"))
	}
	first := max(begin, oilSince-6)
	return []delivery{
		{"SF", "FO", first, 1, between(-900, badFirst).Add(num("250")), 330},
		{"SF", "FO", badFirst, 2, between(badFirst, -84), 330}, {"SF", "FO", badFirst + 7, 3, between(-84, -62), 323}, {"SF", "FO", badFirst + 14, 4, between(-62, -44).Add(num("750")), 316},
		{"SF", "FO", -48, 5, between(-44, -16).Add(num("500")), 330}, {"SF", "FO", -20, 6, between(-16, 1).Add(num("500")), 330},
	}
}

// shelf adds suppliers and materials.
func (d *maker) shelf() error {
	for _, s := range suppliers {
		if _, err := d.s.AddSupplier(d.ctx, d.by("mara"), store.Entry{}, s); err != nil {
			return err
		}
	}
	add := func(s stuff, m store.Material) error {
		m.Code, m.Name, m.INCIName, m.Caution, m.Tracked = s.code, s.name, s.inci, s.caution, true
		if m.Code == "WA" {
			m.Tracked, m.SourceNote = false, "From the still in the back room, made the same day"
		}
		if m.Code == "WH" {
			m.Unit, m.Density = "ml", decimal.NewNullDecimal(witchHazel)
		}
		_, err := d.s.AddMaterial(d.ctx, d.by("mara"), store.Entry{}, m)
		return err
	}
	for _, s := range raws {
		if err := add(s, store.Material{Kind: "raw", Unit: "g", ExpiryCounts: true}); err != nil {
			return err
		}
	}
	for _, s := range packs {
		if err := add(s, store.Material{Kind: "packaging", Unit: "each"}); err != nil {
			return err
		}
	}
	return nil
}

// receive books a delivery, with the paper that came with it; Jun looks at it and releases it.
func (d *maker) receive(dl delivery) error {
	rnd := d.dice(dl.material, dl.on)
	r := store.Receipt{Material: dl.material, Supplier: dl.supplier, SupplierLot: fmt.Sprintf("%d-%c%d", 5100+rnd.IntN(2400), 'A'+rune(dl.n%6), dl.n), ReceivedOn: d.date(), Quantity: dl.quantity, DeliveryNote: fmt.Sprintf("LS %d", 40210+rnd.IntN(900))}
	if dl.keeps > 0 {
		r.ExpiresOn = d.date().AddDays(dl.keeps)
	}
	switch dl.material {
	case "CB", "EP", "KC", "GB", "SE":
		r.RetestOn = d.date().AddDays(70)
	case "OL", "CO":
		r.RetestOn = d.date().AddDays(300)
	}
	if dl.material == "SF" && dl.n >= 2 && dl.n <= 4 {
		r.SupplierLot = badLot
	}
	code, err := d.s.ReceiveLot(d.ctx, d.by("pia"), store.Entry{}, r, d.papers(dl, r)...)
	if err != nil {
		return err
	}
	d.after(35, func() error { return d.s.SetLotStatus(d.ctx, d.by("jun"), store.Entry{}, code, "released", "") })
	if tub := tubbed(dl.material); tub != "" && dl.on > -600 {
		d.at(d.on(dl.on+1, 8, 20), func() error { return d.pour(dl.material, tub) })
	}
	return nil
}

// papers are those that came with a delivery: a certificate with some oils, a safety data sheet with the first delivery
// of what needs care. Their words say that they are made up.
func (d *maker) papers(dl delivery, r store.Receipt) []store.Upload {
	i := slices.IndexFunc(raws, func(s stuff) bool { return s.code == dl.material })
	if i < 0 {
		return nil
	}
	var out []store.Upload
	if raws[i].caution != "" && dl.n == 1 {
		out = append(out, paper("safety_data_sheet", dl.material+" safety data sheet.pdf", "Safety data sheet: "+raws[i].name, "Made up for the demo. The real one comes from the supplier."))
	}
	if dl.supplier == "FO" && dl.n%3 != 1 || dl.material == "SF" {
		out = append(out, paper("certificate", "Certificate "+r.SupplierLot+".pdf", "Certificate of analysis: "+raws[i].name+", lot "+r.SupplierLot, "Appearance: conforms. Odour: conforms. Made up for the demo."))
	}
	return out
}

// paper is a page of text as a PDF.
func paper(kind, name string, lines ...string) store.Upload {
	text := "BT /F1 12 Tf 60 780 Td 18 TL"
	for _, l := range lines {
		text += fmt.Sprintf(" (%s) Tj T*", l)
	}
	text += " ET"
	parts := []string{"<< /Type /Catalog /Pages 2 0 R >>", "<< /Type /Pages /Kids [3 0 R] /Count 1 >>",
		"<< /Type /Page /Parent 2 0 R /MediaBox [0 0 595 842] /Contents 4 0 R /Resources << /Font << /F1 5 0 R >> >> >>",
		fmt.Sprintf("<< /Length %d >>\nstream\n%s\nendstream", len(text), text), "<< /Type /Font /Subtype /Type1 /BaseFont /Helvetica >>"}
	pdf, at := "%PDF-1.4\n", []int{}
	for i, p := range parts {
		at = append(at, len(pdf))
		pdf += fmt.Sprintf("%d 0 obj\n%s\nendobj\n", i+1, p)
	}
	table := len(pdf)
	pdf += fmt.Sprintf("xref\n0 %d\n0000000000 65535 f \n", len(parts)+1)
	for _, a := range at {
		pdf += fmt.Sprintf("%010d 00000 n \n", a)
	}
	pdf += fmt.Sprintf("trailer\n<< /Size %d /Root 1 0 R >>\nstartxref\n%d\n%%%%EOF\n", len(parts)+1, table)
	return store.Upload{Kind: kind, Name: name, MediaType: "application/pdf", Data: []byte(pdf)}
}
