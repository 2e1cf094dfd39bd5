// Package interchange decides how a workshop's content looks outside: the tables, their columns, and the one way in which
// each value is written. Source: Stillroom's own interchange contract; CSV after RFC 4180, dates after ISO 8601, moments
// after RFC 3339, the characters of a batch code after the GS1 General Specifications (AI 10, character set 82).
package interchange

import "strings"

// Kind is how a value is read and written.
type Kind int

const (
	Text     Kind = iota // as it is, untrimmed, up to Max characters
	Code                 // 1 to 40 characters
	UnitCode             // 1 to 20 characters of GS1 set 82
	Decimal              // exact, with a point, no exponent
	Integer              // whole
	Date                 // 2026-03-14
	Moment               // 2026-03-14T09:30:00Z
	Bool                 // true or false
	Word                 // one of Words
)

// Column is one column of a table. Low and High are limits of a number, as decimals in text; "" is none.
type Column struct {
	Name     string
	Kind     Kind
	Optional bool
	Max      int      // of a Text, in characters
	Words    []string // of a Word
	Low      string   // least value; Over says that it has to be more than that
	Over     bool
	High     string
	Default  string // what an empty value means, where the book keeps a value then
	Doc      string // for the person who fills it in
}

// Table is one CSV file.
type Table struct {
	Name     string // without .csv
	Columns  []Column
	Identity []string // columns that name a row; a value may be empty in them
	Doc      string
}

// File is the table's file name.
func (t Table) File() string { return t.Name + ".csv" }

// Header is the names of the columns in order.
func (t Table) Header() []string {
	names := make([]string, len(t.Columns))
	for i, c := range t.Columns {
		names[i] = c.Name
	}
	return names
}

// Lookup finds a table by name, with or without .csv.
func Lookup(name string) (Table, bool) {
	name = strings.TrimSuffix(name, ".csv")
	for _, t := range tables {
		if t.Name == name {
			return t, true
		}
	}
	return Table{}, false
}

// Tables are all tables, each after those that it refers to.
func Tables() []Table { return append([]Table(nil), tables...) }

func code(name, doc string) Column { return Column{Name: name, Kind: Code, Doc: doc} }
func unitCode(name, doc string) Column {
	return Column{Name: name, Kind: UnitCode, Doc: doc}
}
func text(name string, most int, doc string) Column {
	return Column{Name: name, Kind: Text, Max: most, Doc: doc}
}
func date(name, doc string) Column   { return Column{Name: name, Kind: Date, Doc: doc} }
func moment(name, doc string) Column { return Column{Name: name, Kind: Moment, Doc: doc} }
func word(name, doc string, words ...string) Column {
	return Column{Name: name, Kind: Word, Words: words, Doc: doc}
}
func decimal(name, doc string) Column { return Column{Name: name, Kind: Decimal, Doc: doc} }
func count(name, doc string) Column {
	return Column{Name: name, Kind: Integer, Low: "0", High: "2000000000", Doc: doc}
}

func (c Column) optional() Column { c.Optional = true; return c }
func (c Column) or(value string) Column {
	c.Optional, c.Default = true, value
	return c
}
func (c Column) from(low string) Column { c.Low = low; return c }
func (c Column) to(high string) Column  { c.High = high; return c }
func (c Column) over(low string) Column { c.Low, c.Over = low, true; return c }

var yesNo = []string{"true", "false"}

func flag(name, doc, or string) Column {
	return Column{Name: name, Kind: Bool, Words: yesNo, Optional: true, Default: or, Doc: doc}
}

// The tables and columns of the contract. A batch_input's unit is part of what names it: from one source batch, bulk by
// weight and whole units may both have gone in.
var tables = []Table{
	{Name: "workshop", Identity: []string{"code"}, Doc: "The workshop itself: one row.", Columns: []Column{
		code("code", "Short name of the workshop."),
		text("name", 200, "Name of the workshop."),
		text("zone", 64, "Time zone by its IANA name, such as Europe/Dublin: dates are counted in it."),
		text("code_pattern", 200, "How new batch codes are built, such as {letters}-{yyddd}-{nn}{check}.").or(DefaultPattern),
	}},
	{Name: "suppliers", Identity: []string{"code"}, Doc: "Who delivers materials.", Columns: []Column{
		code("code", "Your short name for the supplier."),
		text("name", 200, "Name."),
		text("email", 254, "E-mail.").optional(),
		text("phone", 80, "Telephone.").optional(),
		text("address", 1000, "Postal address.").optional(),
	}},
	{Name: "customers", Identity: []string{"code"}, Doc: "Who receives units. Buyers at a fair who are not known by name are one customer, the event.", Columns: []Column{
		code("code", "Your short name for the customer."),
		text("name", 200, "Name."),
		word("kind", "stockist: a shop; online: an order over the web; event: a fair; direct: a buyer at your door.", "stockist", "online", "event", "direct"),
		text("email", 254, "E-mail, to be told of a recall.").optional(),
		text("phone", 80, "Telephone.").optional(),
		text("address", 1000, "Postal address.").optional(),
	}},
	{Name: "materials", Identity: []string{"code"}, Doc: "Raw materials and packaging.", Columns: []Column{
		code("code", "Your short name for the material."),
		text("name", 200, "Name."),
		word("kind", "raw goes into a batch, packaging around it.", "raw", "packaging"),
		word("unit", "What it is counted in; quantities of its lots are in this unit.", "g", "ml", "each"),
		text("inci_name", 400, "Name in the list of ingredients.").optional(),
		text("cas_number", 40, "CAS registry number.").optional(),
		decimal("density_g_per_ml", "Density, for what is bought by volume and weighed.").over("0").optional(),
		flag("tracked", "false for water and the like, of which no lots are kept.", "true"),
	}},
	{Name: "material_lots", Identity: []string{"code"}, Doc: "Deliveries: one material, one supplier's lot, one day.", Columns: []Column{
		code("code", "Your number of the lot."),
		code("material", "Code of the material."),
		code("supplier", "Code of the supplier.").optional(),
		text("supplier_lot", 80, "The supplier's own lot number, as on the drum.").optional(),
		date("received_on", "Day of delivery."),
		date("expires_on", "Expiry.").optional(),
		decimal("quantity", "How much came, in the material's unit. 0 for a tub that is filled from other lots.").from("0"),
		decimal("unit_cost", "Price of one unit (g, ml or piece).").from("0").optional(),
		word("status", "quarantined until looked at, then released or rejected.", "quarantined", "released", "rejected"),
		date("retest_on", "When it is to be looked at again, which is not its expiry.").optional(),
	}},
	{Name: "lot_inputs", Identity: []string{"lot", "source_lot"}, Doc: "A tub filled or topped up from lots.", Columns: []Column{
		code("lot", "The tub's own lot."),
		code("source_lot", "The lot that was poured in."),
		decimal("quantity", "How much, in the material's unit.").from("0"),
	}},
	{Name: "products", Identity: []string{"code"}, Doc: "What is sold.", Columns: []Column{
		code("code", "Your short name for the product."),
		text("name", 200, "Name."),
		decimal("net_content_g", "Net content in g.").over("0").optional(),
		Column{Name: "shelf_life_months", Kind: Integer, Low: "1", High: "600", Optional: true, Doc: "Shelf life in whole months."},
		Column{Name: "shelf_life_days", Kind: Integer, Low: "1", High: "20000", Optional: true, Doc: "Shelf life in days, added to the months."},
		word("shelf_life_from", "From when it is counted.", "made", "cured", "packed").optional(),
		flag("cap_by_expiry", "Whether the earliest expiry of what went in shortens it.", "true"),
		word("date_precision", "How the date is printed.", "day", "month").or("day"),
	}},
	{Name: "batches", Identity: []string{"code"}, Doc: "What was made. With units and no row for it in packings, the batch is also its one packing.", Columns: []Column{
		unitCode("code", "Batch code, as on the units."),
		code("product", "Code of the product.").optional(),
		moment("made_at", "When making started, such as 2026-03-14T09:30:00Z."),
		decimal("temperature_c", "Temperature of the room at making, in degrees Celsius.").from("-45").to("80").optional(),
		decimal("humidity_pct", "Relative humidity at making, in percent.").from("0").to("100").optional(),
		moment("cure_started_at", "When the cure started.").optional(),
		moment("cure_ended_at", "When the cure ended.").optional(),
		moment("packed_at", "When it was packed.").optional(),
		date("best_before", "Best-before date.").optional(),
		word("status", "Where the batch stands.", "making", "curing", "packing", "quarantined", "released", "rejected", "void"),
		count("units_good", "Good units.").optional(),
		count("units_rejected", "Units that did not pass.").optional(),
		count("units_sampled", "Units kept back as samples, not among the good ones.").optional(),
	}},
	{Name: "packings", Identity: []string{"code"}, Doc: "Units of one product packed from one batch on one day.", Columns: []Column{
		unitCode("code", "Code on these units."),
		unitCode("batch", "Code of the batch."),
		code("product", "Code of the product."),
		date("packed_on", "Day of packing."),
		count("units_good", "Good units."),
		count("units_rejected", "Units rejected at packing.").or("0"),
		count("units_retained", "Units kept back as samples.").or("0"),
		date("best_before", "Best-before date.").optional(),
		word("status", "quarantined until it was decided that they may leave.", "quarantined", "released", "rejected"),
	}},
	{Name: "batch_inputs", Identity: []string{"batch", "material_lot", "source_batch", "unit"}, Doc: "What went into a batch: from a lot, or from another batch.", Columns: []Column{
		unitCode("batch", "Code of the batch."),
		code("material_lot", "Your number of the lot. Either this or source_batch.").optional(),
		unitCode("source_batch", "Code of the batch, or of one of its packings, that was drawn from.").optional(),
		decimal("quantity", "How much: in the material's unit, from a batch in g or in units.").from("0"),
		word("unit", "From a batch: g of bulk, rejects or left-over (the default), or each for good units.", "g", "each").optional(),
	}},
	{Name: "packing_inputs", Identity: []string{"packing", "material_lot"}, Doc: "Packaging that a packing used.", Columns: []Column{
		unitCode("packing", "Code of the packing."),
		code("material_lot", "Your number of the packaging's lot."),
		decimal("quantity", "How much, in the material's unit.").from("0"),
	}},
	{Name: "dispatches", Identity: []string{"code", "batch"}, Doc: "Units that left: a row for each batch in a dispatch. The dispatch's code repeats, with one customer and one day.", Columns: []Column{
		code("code", "Your number of the dispatch."),
		code("customer", "Code of the customer."),
		date("dispatched_on", "Day."),
		unitCode("batch", "The code on the units: of a batch or a packing."),
		count("units", "How many.").from("1"),
	}},
	{Name: "returns", Identity: []string{"code"}, Doc: "Units that came back.", Columns: []Column{
		code("code", "Your number of the return."),
		code("dispatch", "Code of the dispatch, where it is known.").optional(),
		unitCode("batch", "The code on the units."),
		date("returned_on", "Day."),
		count("units", "How many.").from("1"),
		word("disposition", "Back to stock, on hold, or destroyed.", "restock", "hold", "destroy"),
	}},
	{Name: "unit_moves", Identity: []string{"code"}, Doc: "Units that left or came without a dispatch.", Columns: []Column{
		code("code", "Your number of the move."),
		unitCode("batch", "The code on the units."),
		date("moved_on", "Day."),
		Column{Name: "units", Kind: Integer, Low: "-2000000000", High: "2000000000", Doc: "How many, with a minus for those that left."},
		word("reason", "Why.", "tester", "broken", "gift", "own_use", "count"),
		text("note", 1000, "What happened.").optional(),
	}},
	{Name: "stock_moves", Identity: []string{"code"}, Doc: "Material counted, adjusted or written off.", Columns: []Column{
		code("code", "Your number of the move."),
		code("material_lot", "Your number of the lot."),
		date("moved_on", "Day."),
		decimal("quantity", "How much, with a minus for what is gone, in the material's unit."),
		word("reason", "adjust after counting, or write_off.", "adjust", "write_off"),
		text("note", 1000, "What happened.").optional(),
	}},
	{Name: "climate_readings", Identity: []string{"place", "taken_at"}, Doc: "Readings of a room's logger.", Columns: []Column{
		text("place", 80, "Room."),
		moment("taken_at", "When."),
		decimal("temperature_c", "Temperature in degrees Celsius.").from("-45").to("80"),
		decimal("humidity_pct", "Relative humidity in percent.").from("0").to("100"),
	}},
}

// DefaultPattern is how batch codes are built where a workshop says nothing else.
const DefaultPattern = "{letters}-{yyddd}-{nn}{check}"
