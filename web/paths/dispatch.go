package paths

import "net/url"

func Customers() string                  { return "/customers" }
func NewCustomer() string                { return "/customers/new" }
func Customer(code string) string        { return "/customers/" + seg(code) }
func CorrectCustomer(code string) string { return "/customers/" + seg(code) + "/correct" }

func Dispatches() string { return "/dispatches" }

// NewDispatch is the form, for a customer where the code is not empty.
func NewDispatch(customer string) string {
	if customer == "" {
		return "/dispatches/new"
	}
	return "/dispatches/new?customer=" + url.QueryEscape(customer)
}
func Dispatch(code string) string { return "/dispatches/" + seg(code) }

// CorrectDispatch corrects what a dispatch says of one packing; without one it asks which.
func CorrectDispatch(code, packing string) string {
	return ofPacking(Dispatch(code)+"/correct", packing)
}

// ReturnTo takes units of a dispatch back; without a packing it asks which.
func ReturnTo(dispatch, packing string) string {
	return ofPacking(Dispatch(dispatch)+"/return", packing)
}

// NewReturn takes units back whose dispatch is not known.
func NewReturn(packing string) string { return ofPacking("/returns/new", packing) }

func ofPacking(path, packing string) string {
	if packing == "" {
		return path
	}
	return path + "?packing=" + url.QueryEscape(packing)
}

// StockOf is all stock of one product.
func StockOf(product string) string { return "/stock?product=" + url.QueryEscape(product) }

// CountStock is the form for counting the shelf: of one product, or of all where the code is empty.
func CountStock(product string) string {
	if product == "" {
		return "/stock/count"
	}
	return "/stock/count?product=" + url.QueryEscape(product)
}

func Stock() string { return "/stock" }

func Samples() string { return "/samples" }

// Sample is one retained sample, by its id: samples have no codes. So are its inspections.
func Sample(id string) string        { return "/samples/" + seg(id) }
func InspectSample(id string) string { return Sample(id) + "/check" }
func CorrectSample(id string) string { return Sample(id) + "/correct" }
func EndSample(id string) string     { return Sample(id) + "/end" }

// CorrectInspection corrects one inspection of a sample.
func CorrectInspection(sample, check string) string {
	return Sample(sample) + "/checks/" + seg(check)
}

// PackingSample gives units kept back from a packing their place.
func PackingSample(code string) string { return "/packings/" + seg(code) + "/sample" }

func Crates() string { return "/crates" }

// NewCrate is the form, for an event where the code is not empty.
func NewCrate(customer string) string {
	if customer == "" {
		return "/crates/new"
	}
	return "/crates/new?customer=" + url.QueryEscape(customer)
}
func Crate(code string) string      { return "/crates/" + seg(code) }
func EditCrate(code string) string  { return Crate(code) + "/edit" }
func AddToCrate(code string) string { return Crate(code) + "/add" }
func DropCrate(code string) string  { return Crate(code) + "/drop" }
func CrateLeaves(code string) string {
	return Crate(code) + "/leaves"
}
func CrateBack(code string) string { return Crate(code) + "/back" }

// PackingUnits is the ledger of a packing's units.
func PackingUnits(code string) string { return "/packings/" + seg(code) + "/units" }
func PackingMove(code string) string  { return "/packings/" + seg(code) + "/move" }
func PackingHold(code string) string  { return "/packings/" + seg(code) + "/hold" }

// LiftHold ends one hold of a packing, by the hold's id: holds have no codes.
func LiftHold(packing, hold string) string {
	return "/packings/" + seg(packing) + "/lift?hold=" + url.QueryEscape(hold)
}

// TakeBackUnits withdraws a return or a move of a packing, by the entry's code.
func TakeBackUnits(packing, entry string) string {
	return "/packings/" + seg(packing) + "/take-back?entry=" + url.QueryEscape(entry)
}
