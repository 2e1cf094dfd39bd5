package sheet

import (
	"strings"
	"unicode"

	"golang.org/x/text/unicode/norm"

	"example.org/stillroom/internal/interchange"
)

// Fold is a heading, a name or a word without case, accents and signs, so that "Lot No." and "lot_no" are the same.
func Fold(text string) string {
	var b strings.Builder
	gap := false
	for _, r := range norm.NFKD.String(text) {
		switch {
		case unicode.Is(unicode.Mn, r):
		case unicode.IsLetter(r) || unicode.IsDigit(r):
			if gap && b.Len() > 0 {
				b.WriteByte(' ')
			}
			gap = false
			b.WriteRune(unicode.ToLower(r))
		default:
			gap = true
		}
	}
	return b.String()
}

// headings are what makers call columns, folded, by table and column; "*" is any table. Where two tables call different
// things alike, each says its own.
var headings = map[string]map[string][]string{
	"*": {
		"code": {"code", "id", "ref", "reference", "short name", "short code", "sku", "item code", "number", "no"},
		"name": {"name", "full name", "title", "description"}, "email": {"email", "e mail", "mail", "email address", "e mail address"},
		"phone": {"phone", "telephone", "tel", "phone number", "telephone number", "mobile"}, "address": {"address", "postal address", "street address"},
		"kind": {"kind", "type", "category"}, "unit": {"unit", "units", "uom", "unit of measure", "counted in"},
		"status": {"status", "state"}, "note": {"note", "notes", "comment", "comments", "remark", "remarks"}, "reason": {"reason", "why"},
		"quantity": {"quantity", "qty", "amount", "weight", "how much"}, "units": {"units", "qty", "quantity", "number of units", "count", "pieces", "how many"},
		"customer": {"customer", "client", "sold to", "buyer", "stockist", "customer code"}, "supplier": {"supplier", "vendor", "supplier code", "bought from"},
		"material": {"material", "ingredient", "raw material", "item", "material code"}, "product": {"product", "product code", "item"},
		"batch":        {"batch", "batch no", "batch number", "batch code", "batch id"},
		"material_lot": {"material lot", "lot", "lot no", "lot number", "ingredient lot", "lot code"},
		"source_batch": {"source batch", "from batch"}, "best_before": {"best before", "bb", "bbd", "bbe", "best before date", "best by", "use by"},
		"units_good": {"units good", "good units", "good", "units made", "units", "yield"}, "units_rejected": {"units rejected", "rejected", "rejects"},
		"units_sampled": {"units sampled", "samples"}, "units_retained": {"units retained", "retained", "samples", "retains"},
		"moved_on": {"moved on", "date", "day"}, "temperature_c": {"temperature c", "temperature", "temp", "temp c"}, "humidity_pct": {"humidity pct", "humidity", "rh", "relative humidity", "rh pct"},
		"place": {"place", "room", "location"}, "taken_at": {"taken at", "time", "date", "timestamp", "date time", "date and time"},
		"zone": {"zone", "time zone", "timezone"},
	},
	"suppliers":      {"name": {"supplier", "supplier name", "company", "company name", "vendor", "vendor name"}, "code": {"supplier code", "supplier no", "supplier id", "vendor code"}},
	"customers":      {"name": {"customer", "customer name", "client", "shop", "stockist", "company"}, "code": {"customer code", "customer no", "customer id", "account"}, "kind": {"customer type", "channel"}},
	"materials":      {"name": {"material", "material name", "ingredient", "ingredient name", "raw material", "item", "item name"}, "code": {"material code", "ingredient code", "item no"}, "inci_name": {"inci", "inci name"}, "cas_number": {"cas", "cas no", "cas number"}, "density_g_per_ml": {"density", "density g ml", "specific gravity", "sg"}, "tracked": {"lots kept"}},
	"material_lots":  {"code": {"lot", "our lot", "our lot no", "lot code", "internal lot", "lot id", "our number", "lot no", "lot number"}, "supplier_lot": {"supplier lot", "supplier s lot", "supplier lot no", "supplier lot number", "supplier batch", "supplier batch no", "vendor lot", "manufacturer lot", "batch no", "batch number"}, "received_on": {"received", "received on", "date received", "delivery date", "delivered", "delivered on", "date in", "received date", "arrived"}, "expires_on": {"expires", "expires on", "expiry", "expiry date", "expiration date", "exp", "exp date", "best before", "bbd", "use by"}, "quantity": {"qty received", "quantity received", "amount received", "net weight"}, "unit_cost": {"unit cost", "cost per unit", "price per unit", "unit price", "price", "cost", "price paid", "purchase price", "lot price", "lot cost", "total price", "total cost"}, "retest_on": {"retest", "retest on", "retest date"}},
	"lot_inputs":     {"lot": {"lot", "tub", "into"}, "source_lot": {"source lot", "from lot", "from", "poured from"}},
	"products":       {"name": {"product", "product name"}, "code": {"product code", "sku"}, "net_content_g": {"net content g", "net content", "net weight", "net weight g", "weight", "size"}, "shelf_life_months": {"shelf life months", "shelf life", "shelf life in months"}, "shelf_life_days": {"shelf life days", "shelf life in days"}},
	"batches":        {"code": {"batch", "batch no", "batch number", "batch code", "lot", "lot no", "lot number"}, "made_at": {"made", "made at", "made on", "date made", "date", "production date", "manufactured", "batch date"}, "cure_started_at": {"cure started", "cure start"}, "cure_ended_at": {"cure ended", "cure end", "cured"}, "packed_at": {"packed", "packed on", "date packed"}},
	"packings":       {"code": {"packing code", "lot code", "unit code"}, "packed_on": {"packed", "packed on", "date packed", "pack date", "date"}},
	"batch_inputs":   {"quantity": {"used", "amount used", "quantity used", "qty used"}},
	"packing_inputs": {"packing": {"packing", "batch", "batch no"}, "quantity": {"used", "amount used", "quantity used"}},
	"dispatches":     {"code": {"order", "order no", "order number", "invoice", "invoice no", "dispatch", "dispatch no"}, "dispatched_on": {"dispatched", "dispatched on", "date", "sent", "sent on", "date sent", "shipped", "shipped on", "ship date", "order date"}, "batch": {"lot", "lot no"}},
	"returns":        {"dispatch": {"dispatch", "order", "order no"}, "returned_on": {"returned", "returned on", "date", "return date"}, "disposition": {"disposition", "what was done", "outcome"}, "batch": {"lot", "lot no"}},
}

// unitless is a heading without the unit that it ends with.
func unitless(heading string) string {
	if headingUnit(heading) == "" {
		return Fold(heading)
	}
	at := inHeading.FindStringIndex(heading)
	return Fold(heading[:at[0]])
}

// Suggest says which column of a table each heading looks like, "" for none. A column of the table is suggested once:
// for the heading that is called exactly so, else for the first that the trade calls so.
func Suggest(t interchange.Table, names []string) []string {
	found, taken := make([]string, len(names)), map[string]bool{}
	pass := func(is func(name string, c interchange.Column) bool) {
		for n, name := range names {
			for _, c := range t.Columns {
				if found[n] == "" && !taken[c.Name] && strings.TrimSpace(name) != "" && is(name, c) {
					found[n], taken[c.Name] = c.Name, true
				}
			}
		}
	}
	among := func(name string, words []string) bool {
		for _, w := range words {
			if w == Fold(name) || w == unitless(name) {
				return true
			}
		}
		return false
	}
	pass(func(name string, c interchange.Column) bool {
		return Fold(name) == Fold(c.Name) || unitless(name) == Fold(c.Name)
	})
	pass(func(name string, c interchange.Column) bool {
		priced, _ := pricedHeading(name)
		return isPrice(c.Name) && among(priced, headings[t.Name][c.Name])
	})
	pass(func(name string, c interchange.Column) bool { return among(name, headings[t.Name][c.Name]) })
	pass(func(name string, c interchange.Column) bool { return among(name, headings["*"][c.Name]) })
	return found
}

// listWords are what makers write for the words of a fixed list, by column; "*" is any column with the word.
var listWords = map[string]map[string][]string{
	"kind": {"raw": {"raw", "raw material", "raw materials", "ingredient", "ingredients"}, "packaging": {"packaging", "package", "pack", "container", "containers"},
		"stockist": {"stockist", "shop", "wholesale", "retailer", "trade"}, "online": {"online", "web", "webshop", "website"}, "event": {"event", "fair", "market", "show"}, "direct": {"direct", "private", "at the door"}},
	"unit":            {"g": {"g", "gram", "grams", "gr"}, "ml": {"ml", "millilitre", "millilitres", "milliliter", "milliliters"}, "each": {"each", "ea", "piece", "pieces", "pcs", "pc", "unit", "units", "item"}},
	"status":          {"quarantined": {"quarantined", "quarantine", "in quarantine"}, "released": {"released", "release", "approved", "passed"}, "rejected": {"rejected", "reject", "failed"}, "void": {"void", "cancelled", "canceled"}, "curing": {"curing", "cure"}, "making": {"making", "in progress"}, "packing": {"packing"}},
	"tracked":         {"true": {"true", "yes", "y", "1", "x"}, "false": {"false", "no", "n", "0"}},
	"cap_by_expiry":   {"true": {"true", "yes", "y", "1", "x"}, "false": {"false", "no", "n", "0"}},
	"reason":          {"tester": {"tester", "testers", "sample"}, "broken": {"broken", "damaged", "breakage"}, "gift": {"gift", "gifts", "donation"}, "own_use": {"own use", "personal"}, "count": {"count", "stock take", "stocktake"}, "adjust": {"adjust", "adjustment", "count", "stock take", "stocktake"}, "write_off": {"write off", "written off", "waste", "spilled", "spilt", "expired"}},
	"disposition":     {"restock": {"restock", "restocked", "back to stock"}, "hold": {"hold", "on hold", "held"}, "destroy": {"destroy", "destroyed", "thrown away"}},
	"shelf_life_from": {"made": {"made", "date made"}, "cured": {"cured", "end of cure"}, "packed": {"packed", "date packed"}},
	"date_precision":  {"day": {"day"}, "month": {"month"}},
}

// SuggestWord says which word of a column's list a maker's word looks like, "" for none.
func SuggestWord(c interchange.Column, word string) string {
	for _, w := range c.Words {
		if Fold(word) == Fold(w) {
			return w
		}
	}
	for _, w := range c.Words {
		for _, other := range listWords[c.Name][w] {
			if Fold(word) == other {
				return w
			}
		}
	}
	return ""
}
