package main

// An invented workshop's catalogue: what it buys and what it sells. Shares are in tenths of a gram (or of an ml, or
// whole pieces) for each unit made.

type material struct {
	code, name, kind, unit, inci, cas, density string
	share                                      int
	// cover is for how many batches one lot lasts.
	cover int
}

// tub is the material that is kept in a tub: each of its lots is filled from two deliveries.
const tub = 0

// The first rawCount materials go into batches, the rest around units. The last raw one is the limited scent: its
// lots are those whose reach is known by design.
const (
	rawCount     = 34
	limited      = rawCount - 1
	packagingOne = rawCount
)

var materials = []material{
	{"OLIVE", "Olive oil", "raw", "g", "Olea Europaea Fruit Oil", "8001-25-0", "", 310, 700},
	{"COCONUT", "Coconut oil", "raw", "g", "Cocos Nucifera Oil", "8001-31-8", "", 220, 640},
	{"SHEA", "Shea butter", "raw", "g", "Butyrospermum Parkii Butter", "", "", 90, 860},
	{"CASTOR", "Castor oil", "raw", "g", "Ricinus Communis Seed Oil", "8001-79-4", "", 40, 910},
	{"LYE", "Sodium hydroxide", "raw", "g", "Sodium Hydroxide", "1310-73-2", "", 110, 610},
	{"WATER", "Distilled water", "raw", "ml", "Aqua", "7732-18-5", "0.998", 240, 560},
	{"RICE", "Rice bran oil", "raw", "g", "Oryza Sativa Bran Oil", "", "", 120, 730},
	{"COCOA", "Cocoa butter", "raw", "g", "Theobroma Cacao Seed Butter", "8002-31-1", "", 70, 780},
	{"CLAY-W", "White clay", "raw", "g", "Kaolin", "1332-58-7", "", 15, 990},
	{"CLAY-R", "Red clay", "raw", "g", "Illite", "", "", 12, 1010},
	{"OAT", "Oat flour", "raw", "g", "Avena Sativa Kernel Flour", "", "", 14, 830},
	{"HONEY", "Honey", "raw", "g", "Mel", "8028-66-8", "", 11, 770},
	{"LAV", "Lavender oil", "raw", "ml", "Lavandula Angustifolia Oil", "8000-28-0", "0.885", 21, 690},
	{"ROSEM", "Rosemary oil", "raw", "ml", "Rosmarinus Officinalis Leaf Oil", "8000-25-7", "0.905", 18, 820},
	{"LEMON", "Lemon oil", "raw", "ml", "Citrus Limon Peel Oil", "8008-56-8", "0.852", 19, 750},
	{"CEDAR", "Cedarwood oil", "raw", "ml", "Cedrus Atlantica Wood Oil", "8023-85-6", "0.938", 16, 880},
	{"MINT", "Peppermint oil", "raw", "ml", "Mentha Piperita Oil", "8006-90-4", "0.905", 15, 940},
	{"TOCO", "Vitamin E", "raw", "g", "Tocopherol", "59-02-9", "", 3, 1250},
	{"WAX", "Beeswax", "raw", "g", "Cera Alba", "8012-89-3", "", 85, 660},
	{"JOJOBA", "Jojoba oil", "raw", "g", "Simmondsia Chinensis Seed Oil", "61789-91-1", "", 60, 840},
	{"ALMOND", "Almond oil", "raw", "g", "Prunus Amygdalus Dulcis Oil", "8007-69-0", "", 130, 720},
	{"CALEN", "Marigold infusion", "raw", "g", "Calendula Officinalis Flower Extract", "", "", 55, 800},
	{"LANO", "Lanolin", "raw", "g", "Lanolin", "8006-54-0", "", 45, 900},
	{"ARROW", "Arrowroot powder", "raw", "g", "Maranta Arundinacea Root Powder", "", "", 33, 870},
	{"MICA", "Mica, gold", "raw", "g", "Mica", "12001-26-2", "", 2, 1340},
	{"SALT-S", "Sea salt", "raw", "g", "Maris Sal", "", "", 520, 580},
	{"SALT-E", "Magnesium sulphate", "raw", "g", "Magnesium Sulfate", "7487-88-9", "", 410, 600},
	{"SODA", "Sodium bicarbonate", "raw", "g", "Sodium Bicarbonate", "144-55-8", "", 190, 680},
	{"CITRIC", "Citric acid", "raw", "g", "Citric Acid", "77-92-9", "", 95, 740},
	{"STARCH", "Maize starch", "raw", "g", "Zea Mays Starch", "9005-25-8", "", 60, 850},
	{"PETAL", "Rose petals", "raw", "g", "Rosa Damascena Flower", "", "", 8, 1120},
	{"SPIRUL", "Spirulina", "raw", "g", "Spirulina Platensis Powder", "", "", 4, 1280},
	{"YLANG", "Ylang ylang oil", "raw", "ml", "Cananga Odorata Flower Oil", "8006-81-3", "0.945", 13, 1060},
	{"LIMITED", "Limited scent, winter hedge", "raw", "ml", "Parfum", "", "0.91", 9, 0},
	{"WRAP", "Paper wrap", "packaging", "each", "", "", "", 1, 620},
	{"CARTON", "Carton", "packaging", "each", "", "", "", 1, 760},
	{"TIN", "Tin with lid", "packaging", "each", "", "", "", 1, 710},
	{"JAR", "Glass jar with lid", "packaging", "each", "", "", "", 1, 790},
	{"LABEL", "Label, printed", "packaging", "each", "", "", "", 1, 650},
	{"SEAL", "Paper seal", "packaging", "each", "", "", "", 1, 890},
}

// family is a kind of product: how long it cures and keeps, what it is made of and what is around it.
type family struct {
	letters, prefix, from, precision string
	cureDays, keepsDays, keepsMonths int
	netG                             string
	// always goes into each of its products, some into one or another.
	always, some []int
	packaging    [2]int
}

var families = []family{
	{"QS", "SOAP", "cured", "day", 35, 730, 0, "95", []int{0, 1, 2, 3, 4, 5, 6}, []int{7, 8, 9, 10, 11, 12, 13, 14, 15, 16, 17, 24, 31, 32}, [2]int{packagingOne, packagingOne + 4}},
	{"QB", "SALVE", "made", "month", 0, 0, 18, "60", []int{0, 2, 17, 18, 19, 20, 21}, []int{7, 12, 13, 14, 15, 16, 22, 23, 24, 32, 11}, [2]int{packagingOne + 2, packagingOne + 4}},
	{"QT", "SALT", "packed", "day", 0, 540, 0, "250", []int{25, 26, 27, 28, 29, 1}, []int{8, 9, 12, 13, 14, 15, 16, 24, 30, 31, 32, 10, 17}, [2]int{packagingOne + 3, packagingOne + 5}},
}

var scents = []string{"Lavender", "Rosemary", "Lemon", "Cedar", "Mint", "Oat and honey", "White clay", "Rose"}

// product is one of 24: three families, eight scents.
type product struct {
	family  int
	code    string
	name    string
	recipe  []int
	letters string
}

var products = func() []product {
	kinds := []string{"soap", "salve", "bath salt"}
	var list []product
	for f, fam := range families {
		for s, scent := range scents {
			p := product{family: f, code: fam.prefix + "-" + string(rune('A'+s)), name: scent + " " + kinds[f], letters: fam.letters}
			p.recipe = append(p.recipe, fam.always...)
			for k := 0; len(p.recipe) < 12+(s%3-1); k++ {
				p.recipe = append(p.recipe, fam.some[(s*3+k)%len(fam.some)])
			}
			list = append(list, p)
		}
	}
	return list
}()

type supplier struct{ code, name string }

var suppliers = []supplier{
	{"HOLM", "Holm & Daughters"}, {"TARN", "Tarn Oils"}, {"FELL", "Fellside Apothecary Supply"}, {"BRACK", "Bracken Botanicals"},
	{"KESTREL", "Kestrel Packaging"}, {"MERE", "Mere Salt Works"}, {"ALDER", "Alder Lane Waxes"}, {"SPINNEY", "Spinney Clays"},
	{"WEIR", "Weir Glass"}, {"COPSE", "Copse Paper"}, {"MARL", "Marl Chemicals"}, {"RUSH", "Rush Bee Farm"},
}

const customerCount = 211

var customerKinds = []string{"stockist", "stockist", "online", "online", "online", "direct", "event"}

var (
	customerFirst = []string{"Harrow", "Linden", "Otter", "Pebble", "Quince", "Robin", "Sorrel", "Thistle", "Umber", "Vetch", "Willow", "Yarrow", "Ash", "Birch", "Clover"}
	customerLast  = []string{"Corner Shop", "Gift Shop", "Gallery", "Farm Shop", "Market", "Bakery", "Bookshop", "Inn", "Dairy", "Nursery", "Pharmacy", "House", "Fair", "Green"}
)
