package paths

import (
	"net/url"
	"strconv"
)

func Formulas() string           { return "/formulas" }
func NewFormula() string         { return "/formulas/new" }
func Formula(code string) string { return "/formulas/" + seg(code) }

// FormulaVersions is where a new version is begun.
func FormulaVersions(code string) string { return Formula(code) + "/versions" }

func FormulaVersion(code string, number int) string {
	return FormulaVersions(code) + "/" + strconv.Itoa(number)
}

// FormulaEdit is a draft with one of its parts open to be changed, such as "portions-0-lines-2".
func FormulaEdit(code string, number int, part string) string {
	return FormulaVersion(code, number) + "?edit=" + url.QueryEscape(part) + "#" + part
}

// CopyFormula begins a new formula with the content of another's version; 0 is the one in force.
func CopyFormula(code string, number int) string {
	path := NewFormula() + "?copy=" + url.QueryEscape(code)
	if number > 0 {
		path += "&version=" + strconv.Itoa(number)
	}
	return path
}

func RetireFormula(code string, number int) string {
	return FormulaVersion(code, number) + "/retire"
}

func ApproveFormula(code string, number int) string {
	return FormulaVersion(code, number) + "/approve"
}
func CorrectFormula(code string) string { return Formula(code) + "/correct" }

// FormulaDraft is where a part of a draft is saved: particulars, portions, lines, steps or controls.
func FormulaDraft(code, part string) string { return Formula(code) + "/draft/" + part }

func Products() string { return "/products" }
func NewProduct(formula string) string {
	if formula == "" {
		return "/products/new"
	}
	return "/products/new?formula=" + url.QueryEscape(formula)
}
func Product(code string) string        { return "/products/" + seg(code) }
func ProductPapers(code string) string  { return "/products/" + seg(code) + "/papers" }
func CorrectProduct(code string) string { return Product(code) + "/correct" }
