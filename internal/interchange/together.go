package interchange

import "slices"

// together holds the values of one row to each other, where they are sound by themselves.
func (t Table) together(row *Row) {
	wrong := func(column, words string) {
		row.Faults = append(row.Faults, Fault{File: t.File(), Row: row.Number, Column: column, Words: words})
	}
	value := func(column string) *string { return &row.Values[t.index(column)] }
	switch t.Name {
	case "batch_inputs":
		lot, source, unit := *value("material_lot"), *value("source_batch"), value("unit")
		switch {
		case lot == "" && source == "" && !row.faulty("material_lot", "source_batch"):
			wrong("material_lot", "either material_lot or source_batch is needed")
		case lot != "" && source != "":
			wrong("source_batch", "a row names either material_lot or source_batch, not both")
		case source != "" && *unit == "":
			*unit = "g"
		}
		if source != "" && source == *value("batch") {
			wrong("source_batch", "a batch cannot go into itself: it would contain itself")
		}
	case "lot_inputs":
		if lot := *value("lot"); lot != "" && lot == *value("source_lot") {
			wrong("source_lot", "a lot cannot be filled from itself: it would contain itself")
		}
	case "unit_moves":
		units := *value("units")
		if units == "0" {
			wrong("units", "0 units did not move")
		}
	case "stock_moves":
		quantity := *value("quantity")
		if quantity == "0" {
			wrong("quantity", "0 did not move")
		}
	}
}

// faulty tells whether one of the columns has a fault already.
func (r Row) faulty(columns ...string) bool {
	return slices.ContainsFunc(r.Faults, func(f Fault) bool { return slices.Contains(columns, f.Column) })
}

func (t Table) index(column string) int {
	return slices.IndexFunc(t.Columns, func(c Column) bool { return c.Name == column })
}
