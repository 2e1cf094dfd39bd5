// Package products is what is sold or given away: sizes and grades, with how long they keep and what they are packed in.
package products

import (
	"fmt"
	"net/http"
	"slices"
	"strconv"
	"strings"

	"github.com/a-h/templ"

	"example.org/stillroom/internal/access"
	"example.org/stillroom/internal/bestbefore"
	"example.org/stillroom/internal/epcis"
	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/keeping"
	"example.org/stillroom/internal/measure"
	"example.org/stillroom/internal/quantity"
	"example.org/stillroom/internal/store"
	"example.org/stillroom/web/paths"
	"example.org/stillroom/web/ui"
)

// Area serves the pages of products.
type Area struct{ Store *store.Store }

// Names of form fields, shared by form, fault and page.
const (
	fieldName      = "name"
	fieldCode      = "code"
	fieldFormula   = "formula"
	fieldNet       = "net_content"
	fieldFill      = "fill"
	fieldShelf     = "shelf_life"
	fieldShelfUnit = "shelf_unit"
	fieldFrom      = bestbefore.FieldFrom
	fieldCap       = "cap"
	fieldPrecision = bestbefore.FieldPrecision
	fieldOpened    = bestbefore.FieldOpened
	fieldGrade     = "grade"
	fieldGTIN      = epcis.FieldGTIN
	fieldLabel     = "label"
	fieldRetired   = "retired"
	fieldReason    = "reason"
	fieldLetters   = "letters"
	fieldUSSoap    = "us_soap"
)

func materialField(i int) string { return fmt.Sprintf("packaging-%d-material", i) }
func perUnitField(i int) string  { return fmt.Sprintf("packaging-%d-per_unit", i) }

func partField(i int) string      { return fmt.Sprintf("parts-%d-product", i) }
func partCountField(i int) string { return fmt.Sprintf("parts-%d-per_unit", i) }

// packagingMost is how many kinds of packaging, or parts of a set, a form takes.
const packagingMost = 30

// Products lists all products.
func (a Area) Products(r *ui.Request) error {
	list, next, err := a.Store.ProductList(r.HTTP.Context(), r.Who.Workshop, r.AfterKey())
	if err != nil {
		return err
	}
	v := productsView{Products: list, Pages: r.Pages(next), MayEdit: r.May(access.EditFormula)}
	if len(list) == 0 {
		formulas, err := a.Store.Formulas(r.HTTP.Context(), r.Who.Workshop)
		if err != nil {
			return err
		}
		v.NoFormula = len(formulas) == 0
	}
	return r.Render(http.StatusOK, r.Page("Products", "products"), productsPage(v))
}

type productsView struct {
	Products  []store.Product
	Pages     ui.Pages
	NoFormula bool // nothing is there yet that a product could be made of
	MayEdit   bool
}

// Product shows one product.
func (a Area) Product(r *ui.Request) error {
	p, err := a.Store.ProductPage(r.HTTP.Context(), r.Who.Workshop, r.Param("code"))
	if err != nil {
		return err
	}
	return r.Render(http.StatusOK, r.Page(p.Name, "products"), productPage(productView{ProductPage: p, Clock: r.Clock(), MayEdit: r.May(access.EditFormula), MayPlan: r.May(access.Bench), MayPack: r.May(access.Pack)}))
}

type productView struct {
	store.ProductPage
	Clock                     ui.Clock
	MayEdit, MayPlan, MayPack bool
}

// form is what was typed, kept as it was.
type form struct {
	Name, Code, Formula, Net, Fill, Shelf, ShelfUnit, From, Precision, Opened, Grade, GTIN, Label, Reason, Seen string
	Cap, Retired                                                                                                bool
	Packaging                                                                                                   []packagingRow
	USSoap                                                                                                      string
	Letters                                                                                                     string
	Parts                                                                                                       []partRow
}

type partRow struct{ Product, PerUnit string }

type packagingRow struct{ Material, PerUnit string }

type formView struct {
	Key        string
	Form       form
	Correct    string // code of the product that is corrected, empty for a new one
	Title      string
	Formulas   []ui.Option
	Packagings []ui.Option
	Products   []ui.Option // that a set may hold
	AskSoap    bool        // the workshop sells in the USA, or has not said where
	Differs    []string    // what stands in the book now, where it is not what was typed
	Fault      *fault.Fault
}

// New shows the form for a product.
func (a Area) New(r *ui.Request) error {
	v := formView{Key: ui.NewKey(), Title: "New product", Form: form{Formula: r.HTTP.URL.Query().Get("formula"), ShelfUnit: "months", From: "cured", Precision: "month", Cap: true}}
	if err := a.choices(r, &v); err != nil {
		return err
	}
	return r.Render(http.StatusOK, r.Page(v.Title, "products"), formPage(v))
}

// Add stores a product.
func (a Area) Add(r *ui.Request) error {
	typed, p, err := parse(r, store.Product{})
	var entry store.Entry
	if err == nil {
		entry, err = r.Entry()
	}
	var code string
	if err == nil {
		code, err = a.Store.AddProduct(r.HTTP.Context(), r.Who, entry, p)
	}
	if err == nil {
		return r.SeeOther(paths.Product(code), "Product "+code+" is in the book.")
	}
	return a.refuse(r, formView{Key: r.Form().Raw("entry_key"), Title: "New product", Form: typed}, err)
}

// Edit shows a product's form to correct it.
func (a Area) Edit(r *ui.Request) error {
	p, err := a.Store.Product(r.HTTP.Context(), r.Who.Workshop, r.Param("code"))
	if err != nil {
		return err
	}
	v := formView{Key: ui.NewKey(), Title: "Correct " + p.Name, Correct: p.Code, Form: formOf(p, r.Workshop.Style)}
	if err := a.choices(r, &v); err != nil {
		return err
	}
	return r.Render(http.StatusOK, r.Page(v.Title, "products"), formPage(v))
}

// Correct changes a product.
func (a Area) Correct(r *ui.Request) error {
	code := r.Param("code")
	have, err := a.Store.Product(r.HTTP.Context(), r.Who.Workshop, code)
	if err != nil {
		return err
	}
	typed, p, err := parse(r, have)
	p.Code, p.Seen = code, typed.Seen
	if err == nil && p.Seen == "" {
		err = fault.New(fault.Invalid, "The form is too old. Open the product anew and correct it there.")
	}
	var entry store.Entry
	if err == nil {
		entry, err = r.Entry()
	}
	if err == nil {
		err = a.Store.CorrectProduct(r.HTTP.Context(), r.Who, entry, p, typed.Reason)
	}
	if err == nil {
		return r.SeeOther(paths.Product(code), "The product is corrected.")
	}
	v := formView{Key: r.Form().Raw("entry_key"), Title: "Correct " + have.Name, Correct: code, Form: typed}
	if f := fault.As(err); f != nil && f.Kind == fault.Conflict {
		// The page says what stands now, so that the next saving is meant; under a key of its own, since the first may
		// have been used.
		v.Form.Seen, v.Differs, v.Key = have.Seen, differs(formOf(have, r.Workshop.Style), typed), ui.NewKey()
	}
	return a.refuse(r, v, err)
}

func (a Area) refuse(r *ui.Request, v formView, err error) error {
	if loadErr := a.choices(r, &v); loadErr != nil {
		return loadErr
	}
	return r.Refuse(named(err), r.Page(v.Title, "products"), func(f *fault.Fault) templ.Component {
		v.Fault = f
		return formPage(v)
	})
}

// named gives the store's faults the names of the form.
func named(err error) error {
	f := fault.As(err)
	if f == nil || len(f.Fields) == 0 {
		return err
	}
	var out fault.Fields
	for _, field := range f.Fields {
		name := strings.ReplaceAll(field.Name, ".", "-")
		if name == bestbefore.FieldMonths || name == bestbefore.FieldDays {
			name = fieldShelf
		}
		out.Add(name, field.Message)
	}
	return out.Err()
}

func (a Area) choices(r *ui.Request, v *formView) error {
	v.AskSoap = slices.Contains(keeping.Markets(r.Workshop.Markets), keeping.US)
	formulas, err := a.Store.Formulas(r.HTTP.Context(), r.Who.Workshop)
	if err != nil {
		return err
	}
	for _, f := range formulas {
		v.Formulas = append(v.Formulas, ui.Option{Value: f.Code, Label: f.Name, Hint: f.Code})
	}
	materials, err := a.Store.Materials(r.HTTP.Context(), r.Who.Workshop)
	if err != nil {
		return err
	}
	products, err := a.Store.Products(r.HTTP.Context(), r.Who.Workshop)
	if err != nil {
		return err
	}
	chosen := map[string]bool{}
	for _, row := range v.Form.Parts {
		chosen[row.Product] = true
	}
	for _, p := range products {
		if p.Code != v.Correct && (!p.Retired || chosen[p.Code]) {
			v.Products = append(v.Products, ui.Option{Value: p.Code, Label: p.Name, Hint: p.Code})
		}
	}
	for _, row := range v.Form.Packaging {
		chosen[row.Material] = true
	}
	for _, m := range materials {
		if m.Kind == "packaging" && (!m.Retired || chosen[m.Code]) {
			v.Packagings = append(v.Packagings, ui.Option{Value: m.Code, Label: m.Name, Hint: "in " + m.Unit})
		}
	}
	// Some empty rows to go on with, without a script that would add them.
	for free := 0; free < 3 && len(v.Form.Packaging) < packagingMost; free++ {
		v.Form.Packaging = append(v.Form.Packaging, packagingRow{})
	}
	for free := 0; free < 3 && len(v.Form.Parts) < packagingMost; free++ {
		v.Form.Parts = append(v.Form.Parts, partRow{})
	}
	return nil
}

func formOf(p store.Product, style measure.Style) form {
	f := form{Name: p.Name, Code: p.Code, Formula: p.FormulaCode, From: p.ShelfLifeFrom, Precision: p.DatePrecision, Grade: p.Grade, GTIN: p.GTIN, Label: p.LabelText, Cap: p.CapByExpiry, Retired: p.Retired, Seen: p.Seen, ShelfUnit: "months"}
	if p.NetContentG.Valid {
		f.Net = style.Figure(p.NetContentG.Decimal)
	}
	if p.FillG.Valid {
		f.Fill = style.Figure(p.FillG.Decimal)
	}
	switch {
	case p.ShelfLifeDays > 0:
		f.Shelf, f.ShelfUnit = strconv.Itoa(p.ShelfLifeDays), "days"
	case p.ShelfLifeMonths > 0:
		f.Shelf = strconv.Itoa(p.ShelfLifeMonths)
	}
	if p.OpenedMonths > 0 {
		f.Opened = strconv.Itoa(p.OpenedMonths)
	}
	for _, k := range p.Packaging {
		f.Packaging = append(f.Packaging, packagingRow{k.MaterialCode, quantity.Plain(k.PerUnit)})
	}
	f.Letters, f.USSoap = p.Letters, p.USSoap
	for _, k := range p.Parts {
		f.Parts = append(f.Parts, partRow{k.Product, strconv.Itoa(k.PerUnit)})
	}
	if p.IsSet() {
		f.From = "made" // a set has none of its own; the form needs something to stand there
	}
	return f
}

// parse reads the form; have is the product that it corrects, or none.
func parse(r *ui.Request, have store.Product) (form, store.Product, error) {
	f := r.Form()
	typed := form{
		Name: f.Raw(fieldName), Code: f.Raw(fieldCode), Formula: f.Raw(fieldFormula), Net: f.Raw(fieldNet), Fill: f.Raw(fieldFill), Shelf: f.Raw(fieldShelf), ShelfUnit: f.Raw(fieldShelfUnit), From: f.Raw(fieldFrom),
		Precision: f.Raw(fieldPrecision), Opened: f.Raw(fieldOpened), Grade: f.Raw(fieldGrade), GTIN: f.Raw(fieldGTIN), Label: f.Raw(fieldLabel), Reason: f.Raw(fieldReason), Seen: f.Raw("seen"), Cap: f.On(fieldCap), Retired: f.On(fieldRetired), USSoap: f.Raw(fieldUSSoap),
	}
	p := store.Product{
		Name: f.Must(fieldName, 200, "What is it called?"), Code: f.Text(fieldCode, 40), FormulaCode: f.Text(fieldFormula, 40),
		NetContentG: f.OptionalMass(fieldNet, have.NetContentG), FillG: f.OptionalMass(fieldFill, have.FillG),
		CapByExpiry:   typed.Cap,
		DatePrecision: f.OneOf(fieldPrecision, "Choose day or month.", "day", "month"), OpenedMonths: f.OptionalWhole(fieldOpened),
		Grade: f.Text(fieldGrade, 40), GTIN: digits(f.Text(fieldGTIN, 40)), LabelText: f.Text(fieldLabel, 4000), Retired: typed.Retired,
	}
	parseParts(f, &typed, &p)
	if typed.USSoap != "" {
		p.USSoap = f.OneOf(fieldUSSoap, "Choose only soap, a cosmetic, or not said.", "soap", "cosmetic")
	}
	if !p.IsSet() {
		p.ShelfLifeFrom = f.OneOf(fieldFrom, "Choose what it counts from.", "made", "cured", "packed")
		length := f.Whole(fieldShelf, "How long does it keep?")
		switch f.OneOf(fieldShelfUnit, "Choose months or days.", "months", "days") {
		case "months":
			p.ShelfLifeMonths = length
		case "days":
			p.ShelfLifeDays = length
		}
	}
	// A row left empty is none; the faults of the store count only those that are filled in, so the page does too.
	for i := range packagingMost {
		row := packagingRow{strings.TrimSpace(f.Raw(materialField(i))), strings.TrimSpace(f.Raw(perUnitField(i)))}
		if row == (packagingRow{}) {
			continue
		}
		at := len(typed.Packaging)
		typed.Packaging = append(typed.Packaging, row)
		k := store.ProductPackaging{MaterialCode: row.Material}
		if row.Material == "" {
			f.Add(materialField(at), "Which packaging?")
		}
		n, err := quantity.ParsePositive(row.PerUnit)
		if row.PerUnit == "" {
			f.Add(perUnitField(at), "How much for one unit?")
		} else {
			f.Check(perUnitField(at), err)
		}
		k.PerUnit = n
		p.Packaging = append(p.Packaging, k)
	}
	return typed, p, f.Err()
}

// digits takes out what a number is grouped by where it stands under its bar code.
func digits(typed string) string {
	return strings.NewReplacer(" ", "", "-", "", "\u00a0", "").Replace(typed)
}

// parseParts reads what a set holds, closed up like the packaging.
func parseParts(f *ui.Form, typed *form, p *store.Product) {
	typed.Letters = f.Raw(fieldLetters)
	p.Letters = strings.ToUpper(f.Text(fieldLetters, 4))
	for i := range packagingMost {
		row := partRow{strings.TrimSpace(f.Raw(partField(i))), strings.TrimSpace(f.Raw(partCountField(i)))}
		if row == (partRow{}) {
			continue
		}
		at := len(typed.Parts)
		typed.Parts = append(typed.Parts, row)
		if row.Product == "" {
			f.Add(partField(at), "Which product?")
		}
		n, err := quantity.ParseWhole(row.PerUnit)
		if row.PerUnit == "" {
			f.Add(partCountField(at), "How many in one set?")
		} else {
			f.Check(partCountField(at), err)
		}
		p.Parts = append(p.Parts, store.ProductPart{Product: row.Product, PerUnit: n})
	}
}
