package demo

import (
	"fmt"
	"time"

	"github.com/shopspring/decimal"

	"example.org/stillroom/internal/store"
)

const acid = "Dust irritates eyes and lungs: goggles and mask while weighing, as its safety data sheet says."

// materials of the workshop. Properties are common practice, no source; cautions defer to the safety data sheet.
var materials = []store.Material{
	{Code: "OL", Name: "Olive oil", INCIName: "Olea Europaea Fruit Oil"},
	{Code: "CO", Name: "Coconut oil", INCIName: "Cocos Nucifera Oil"},
	{Code: "SB", Name: "Shea butter", INCIName: "Butyrospermum Parkii Butter"},
	{Code: "CB", Name: "Cocoa butter", INCIName: "Theobroma Cacao Seed Butter"},
	{Code: "BW", Name: "Beeswax", INCIName: "Cera Alba"},
	{Code: "OO", Name: "Oat oil", INCIName: "Avena Sativa Kernel Oil"},
	{Code: "SF", Name: "Sunflower oil", INCIName: "Helianthus Annuus Seed Oil"},
	{Code: "CF", Name: "Calendula flowers, dried", INCIName: "Calendula Officinalis Flower"},
	{Code: "LY", Name: "Sodium hydroxide", INCIName: "Sodium Hydroxide", Caution: "Caustic: burns skin and eyes. Gloves, goggles and long sleeves; lye into water, never water into lye; follow its safety data sheet."},
	{Code: "BS", Name: "Sodium bicarbonate", INCIName: "Sodium Bicarbonate"},
	{Code: "CA", Name: "Citric acid", INCIName: "Citric Acid", Caution: acid},
	{Code: "CS", Name: "Maize starch", INCIName: "Zea Mays Starch"},
	{Code: "WH", Name: "Witch hazel water", Unit: "ml", Density: decimal.NewNullDecimal(decimal.RequireFromString("0.98")), INCIName: "Hamamelis Virginiana Leaf Water"},
	{Code: "LV", Name: "Lavender oil", INCIName: "Lavandula Angustifolia Oil", Caution: "Concentrated allergen: gloves, fresh air; see its safety data sheet."},
	{Code: "PM", Name: "Peppermint oil", INCIName: "Mentha Piperita Oil", Caution: "Concentrated allergen: gloves, fresh air; see its safety data sheet."},
	{Code: "MY", Name: "Yellow mica", INCIName: "Mica, CI 77492"},
	{Code: "SN", Name: "Surfactant noodles", INCIName: "Sodium Cocoyl Isethionate", Caution: acid},
	{Code: "KC", Name: "Kaolin clay", INCIName: "Kaolin", Caution: "Fine dust: mask while weighing."},
	{Code: "SE", Name: "Sea salt", INCIName: "Sodium Chloride"},
	{Code: "EP", Name: "Epsom salt", INCIName: "Magnesium Sulfate"},
	{Code: "VE", Name: "Tocopherol", INCIName: "Tocopherol"},
	{Code: "WA", Name: "Water", INCIName: "Aqua"},
	{Code: "TI", Name: "Tin, 50 g", Kind: "packaging", Unit: "each"},
	{Code: "WR", Name: "Paper wrap", Kind: "packaging", Unit: "each"},
	{Code: "JA", Name: "Jar, 250 g", Kind: "packaging", Unit: "each"},
	{Code: "LB", Name: "Label", Kind: "packaging", Unit: "each"},
}

// delivery is so much of a material, every so many days, from a supplier.
type delivery struct {
	material, supplier string
	quantity           string
	first, every       int // days from today of the first; days between
	keeps              int // days from receipt until it expires; 0 for not stated
}

var suppliers = []store.Supplier{
	{Code: "FO", Name: "Fenmarch Oils", Contact: store.Contact{Email: "orders@fenmarch.example.org", Phone: "00 555 0110"}},
	{Code: "SD", Name: "Saltdyke Dry Goods", Contact: store.Contact{Email: "hello@saltdyke.example.org"}},
	{Code: "HB", Name: "Hollin Botanicals", Contact: store.Contact{Email: "post@hollin.example.org"}},
	{Code: "PP", Name: "Pennock Packaging", Contact: store.Contact{Email: "sales@pennock.example.org"}},
}

var deliveries = []delivery{
	{"OL", "FO", "4500", -96, 24, 420}, {"CO", "FO", "2400", -96, 24, 500}, {"SB", "FO", "2600", -96, 24, 380}, {"CB", "FO", "1900", -96, 31, 400},
	{"BW", "HB", "1100", -96, 40, 0}, {"OO", "FO", "1200", -96, 40, 300}, {"SF", "FO", "2400", -96, 24, 330}, {"CF", "HB", "480", -96, 40, 260},
	{"LY", "SD", "1300", -96, 27, 700}, {"BS", "SD", "9500", -96, 24, 600}, {"CA", "SD", "4800", -96, 24, 700}, {"CS", "SD", "1400", -96, 40, 400},
	{"WH", "HB", "300", -96, 40, 400}, {"LV", "HB", "420", -96, 40, 500}, {"PM", "HB", "100", -96, 50, 480}, {"MY", "HB", "100", -96, 50, 900},
	{"SN", "SD", "3400", -96, 32, 540}, {"KC", "SD", "500", -96, 50, 0}, {"SE", "SD", "4600", -96, 40, 0}, {"EP", "SD", "3800", -96, 40, 0},
	{"VE", "HB", "110", -96, 40, 365}, {"TI", "PP", "130", -96, 40, 0}, {"WR", "PP", "330", -96, 31, 0}, {"JA", "PP", "40", -96, 40, 0}, {"LB", "PP", "420", -96, 27, 0},
}

// shelf adds suppliers and materials, and notes the deliveries.
func (d *maker) shelf() error {
	for _, s := range suppliers {
		if _, err := d.s.AddSupplier(d.ctx, d.by("mara"), store.Entry{}, s); err != nil {
			return err
		}
	}
	for _, m := range materials {
		if m.Kind == "" {
			m.Kind, m.ExpiryCounts = "raw", true
		}
		if m.Unit == "" {
			m.Unit = "g"
		}
		m.Tracked = m.Code != "WA"
		if !m.Tracked {
			m.SourceNote = "From the still in the back room, made the same day"
		}
		if _, err := d.s.AddMaterial(d.ctx, d.by("mara"), store.Entry{}, m); err != nil {
			return err
		}
	}
	for i, dl := range deliveries {
		for n, on := 0, dl.first; on <= -1; n, on = n+1, on+dl.every {
			d.at(d.on(on, 8, 20+i), func() error { return d.receive(dl, n) })
		}
	}
	// One came this morning and waits to be looked at.
	d.at(d.end.Add(-3*time.Hour), func() error { return d.receive(delivery{"CF", "HB", "500", 0, 0, 260}, 9) })
	return nil
}

func (d *maker) receive(dl delivery, n int) error {
	r := store.Receipt{Material: dl.material, Supplier: dl.supplier, SupplierLot: fmt.Sprintf("%d-%c%d", 7100+d.rand.IntN(2400), 'A'+rune(n%6), n+1), ReceivedOn: d.date(), Quantity: num(dl.quantity), DeliveryNote: fmt.Sprintf("LS %d", 40210+d.rand.IntN(900))}
	if dl.keeps > 0 {
		r.ExpiresOn = d.date().AddDays(dl.keeps)
	}
	if dl.material == "SF" && n == 1 {
		r.SupplierLot = "7731-B" // the one that goes wrong
	}
	code, err := d.s.ReceiveLot(d.ctx, d.by("pia"), store.Entry{}, r)
	if err != nil {
		return err
	}
	if dl.every == 0 {
		return nil
	}
	d.after(35, func() error {
		return d.s.SetLotStatus(d.ctx, d.by("jun"), store.Entry{}, code, "released", "")
	})
	return nil
}
