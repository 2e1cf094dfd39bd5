package products

import (
	"cmp"
	"fmt"
	"slices"
	"strconv"
	"strings"

	"example.org/stillroom/internal/bestbefore"
	"example.org/stillroom/internal/measure"
	"example.org/stillroom/internal/quantity"
	"example.org/stillroom/internal/store"
	"example.org/stillroom/web/ui"
)

// keeps says in a sentence what the rule will do to a packing's date.
func keeps(p store.Product) string {
	if p.IsSet() {
		if p.DatePrecision == "month" {
			return "The earliest of what is put into it; printed to the month, rounded down."
		}
		return "The earliest of what is put into it; printed to the day."
	}
	rule := p.Rule()
	if rule.Validate() != nil {
		return "Nothing says how long it keeps yet; a packing needs that for its date."
	}
	words := length(rule) + " from " + fromWords[p.ShelfLifeFrom]
	if rule.CapByExpiry {
		words += ", cut by the earliest expiry of its lots"
	}
	if rule.Precision == bestbefore.ToMonth {
		words += "; printed to the month, rounded down"
	} else {
		words += "; printed to the day"
	}
	if rule.OpenedMonths > 0 {
		words += fmt.Sprintf("; where more than 30 months are left, no date but %s after opening", months(rule.OpenedMonths))
	}
	return words + "."
}

func length(rule bestbefore.Rule) string {
	if rule.Days == 1 {
		return "1 day"
	}
	if rule.Days > 0 {
		return strconv.Itoa(rule.Days) + " days"
	}
	return months(rule.Months)
}

func months(n int) string {
	if n == 1 {
		return "1 month"
	}
	return strconv.Itoa(n) + " months"
}

var fromWords = map[string]string{"made": "start of making", "cured": "end of cure", "packed": "packing"}

// shelf is how long it keeps, short, for a list.
func shelf(p store.Product) string {
	if p.IsSet() {
		return "as long as what is in it"
	}
	if p.Rule().Validate() != nil {
		return "not said"
	}
	return length(p.Rule()) + " from " + fromWords[p.ShelfLifeFrom]
}

// content is the net content with the fill where it differs.
func content(style measure.Style, p store.Product) string {
	var list []string
	if p.NetContentG.Valid {
		list = append(list, style.Grams(p.NetContentG.Decimal))
	}
	if p.FillG.Valid {
		list = append(list, "filled at "+style.Grams(p.FillG.Decimal))
	}
	if len(list) == 0 {
		return "not said"
	}
	return strings.Join(list, ", ")
}

// graded tells whether any of the products has a grade.
func graded(list []store.Product) bool {
	return slices.ContainsFunc(list, func(p store.Product) bool { return p.Grade != "" })
}

// perUnit says one kind of packaging: "2", "0.5 g".
func perUnit(k store.ProductPackaging) string {
	if k.Unit == "each" {
		return quantity.Format(k.PerUnit)
	}
	return quantity.Format(k.PerUnit) + " " + k.Unit
}

// labels say what stands above each box, for the summary.
func (v formView) labels() map[string]string {
	labels := map[string]string{fieldName: "Name", fieldCode: "Code", fieldFormula: "Formula", fieldNet: "Net content", fieldFill: "Fill at making", fieldShelf: "Keeps", fieldShelfUnit: "Keeps", fieldFrom: "Counted from",
		fieldPrecision: "Printed to", fieldOpened: "After opening", fieldGrade: "Grade", fieldGTIN: "GTIN", fieldLabel: "Label", fieldReason: "Reason", fieldLetters: "Letters", fieldUSSoap: "In the USA"}
	for i := range v.Form.Parts {
		words := "Part " + strconv.Itoa(i+1)
		labels[partField(i)], labels[partCountField(i)] = words, words
	}
	for i := range v.Form.Packaging {
		words := "Packaging " + strconv.Itoa(i+1)
		labels[materialField(i)], labels[perUnitField(i)] = words, words
	}
	return labels
}

func (v formView) action() string { return pathOf(v.Correct) }

func fromChoices() []ui.Option {
	return []ui.Option{{Value: "made", Label: "Start of making"}, {Value: "cured", Label: "End of cure"}, {Value: "packed", Label: "Packing"}}
}

func precisionChoices() []ui.Option {
	return []ui.Option{{Value: "day", Label: "To the day", Hint: "30 Apr 2027"}, {Value: "month", Label: "To the month", Hint: "Apr 2027: the last month that it keeps all through"}}
}

// differs says what stands in the book where it is not what was typed.
func differs(now, typed form) []string {
	var list []string
	for _, x := range []struct{ label, now, typed string }{
		{"Name", now.Name, typed.Name}, {"Formula", now.Formula, typed.Formula}, {"Grade", now.Grade, typed.Grade}, {"GTIN", now.GTIN, typed.GTIN}, {"Net content, g", now.Net, typed.Net}, {"Fill at making, g", now.Fill, typed.Fill},
		{"Keeps", now.Shelf + " " + now.ShelfUnit, typed.Shelf + " " + typed.ShelfUnit}, {"Counted from", fromWords[now.From], fromWords[typed.From]}, {"Printed to the", now.Precision, typed.Precision},
		{"Cut by expiry", yes(now.Cap), yes(typed.Cap)}, {"Months after opening", now.Opened, typed.Opened}, {"Label", now.Label, typed.Label}, {"Not made any more", yes(now.Retired), yes(typed.Retired)},
		{"Packaging", rowsText(now.Packaging), rowsText(typed.Packaging)}, {"Letters", now.Letters, typed.Letters}, {"In one set", partsText(now.Parts), partsText(typed.Parts)}, {"In the USA", soapWords[now.USSoap], soapWords[typed.USSoap]},
	} {
		if x.now != x.typed {
			list = append(list, x.label+": "+cmp.Or(x.now, "nothing"))
		}
	}
	return list
}

var soapWords = map[string]string{"soap": "only soap", "cosmetic": "a cosmetic"}

func yes(b bool) string {
	if b {
		return "yes"
	}
	return "no"
}

func partsText(rows []partRow) string {
	list := make([]string, len(rows))
	for i, row := range rows {
		list[i] = row.PerUnit + " of " + row.Product
	}
	return strings.Join(list, ", ")
}

// showsSet tells whether the fields of a set stand open: something stands in them, or is at fault.
func (v formView) showsSet() bool {
	for i, row := range v.Form.Parts {
		if row != (partRow{}) || v.Fault.Of(partField(i)) != "" || v.Fault.Of(partCountField(i)) != "" {
			return true
		}
	}
	return v.Form.Letters != "" || v.Fault.Of(fieldLetters) != ""
}

func rowsText(rows []packagingRow) string {
	list := make([]string, len(rows))
	for i, row := range rows {
		list[i] = row.PerUnit + " of " + row.Material
	}
	return strings.Join(list, ", ")
}
