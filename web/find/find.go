// Package find is the look-up: one box for whatever somebody reads out, and the way in where there is no code at all.
package find

import (
	"net/http"
	"strconv"
	"strings"
	"time"

	"github.com/a-h/templ"

	"example.org/stillroom/internal/day"
	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/store"
	"example.org/stillroom/web/paths"
	"example.org/stillroom/web/ui"
)

// Area serves the look-up.
type Area struct{ Store *store.Store }

// Look-ups are bounded a person: far above what a telephone asks for, far below what a program that tries codes needs.
const (
	findMost   = 120
	findWindow = time.Minute
)

// queryMost is the longest query that is looked at, in characters; the box takes no more.
const queryMost = 100

func throttle(r *ui.Request) error {
	return r.Throttle("find:"+store.Text(r.Who.Workshop)+":"+store.Text(r.Who.Person), findMost, findWindow)
}

// query is a value from the address as text that can be looked up.
func query(r *ui.Request, name string) string {
	text := strings.ReplaceAll(strings.ToValidUTF8(r.HTTP.URL.Query().Get(name), ""), "\x00", "")
	text = strings.TrimSpace(text)
	if long := []rune(text); len(long) > queryMost {
		text = string(long[:queryMost])
	}
	return text
}

// Find answers the box at the top of every page. A code that proves itself by its check character goes straight to its
// page, and so does the only lot or dispatch of that code; everything else is shown to choose from.
func (a Area) Find(r *ui.Request) error {
	if err := throttle(r); err != nil {
		return err
	}
	found, err := a.Store.Find(r.HTTP.Context(), r.Who.Workshop, query(r, "q"))
	switch {
	case err != nil:
		return err
	case found.Sure:
		return r.SeeOther(codePath(*found.Exact), "")
	case found.Straight != nil:
		return r.SeeOther(itemPath(*found.Straight), "")
	}
	if found.Exact == nil {
		kind, n, err := a.Store.CaseOf(r.HTTP.Context(), r.Who.Workshop, found.Query)
		if err != nil {
			return err
		}
		if path := casePath(kind, n); path != "" {
			return r.SeeOther(path, "")
		}
	}
	v := findView{Found: found}
	if v.Repeated, err = a.Store.RepeatedLots(r.HTTP.Context(), r.Who.Workshop, found.Query); err != nil {
		return err
	}
	return r.Render(http.StatusOK, r.Page(v.title(), ""), findPage(v))
}

// casePath leads to a complaint, a recall or a drill; nowhere for none.
func casePath(kind string, n int) string {
	switch kind {
	case "complaint":
		return paths.Complaint(n)
	case "recall":
		return paths.Recall(n)
	case "drill":
		return paths.Drill(n)
	}
	return ""
}

// Names of the purchase form's fields.
const (
	fieldProduct = "product"
	fieldPlace   = "place"
	fieldOn      = "on"
	fieldBack    = "back"
)

var backLabels = map[string]string{fieldProduct: "Product", fieldPlace: "Place", fieldOn: "Bought on", fieldBack: "How far back"}

// backs are how long something may have stood in a shop before it was bought.
var backs = []ui.Option{{Value: "7", Label: "One week"}, {Value: "31", Label: "One month"}, {Value: "92", Label: "Three months"}, {Value: "183", Label: "Half a year"}, {Value: "366", Label: "A year"}, {Value: "1096", Label: "Three years"}}

// Purchase asks for product, place and time of a purchase, and ranks what it can have been.
func (a Area) Purchase(r *ui.Request) error {
	v := purchaseView{Product: query(r, fieldProduct), Place: query(r, fieldPlace), On: query(r, fieldOn), Back: query(r, fieldBack), Backs: backs}
	choices, err := a.Store.ProductChoices(r.HTTP.Context(), r.Who.Workshop)
	if err != nil {
		return err
	}
	for _, p := range choices {
		v.Products = append(v.Products, ui.Option{Value: p.Code, Label: p.Name, Hint: p.Code})
	}
	page := r.Page("What was bought?", "")
	if !r.HTTP.URL.Query().Has(fieldOn) {
		v.On, v.Back = r.Today().String(), "92"
		return r.Render(http.StatusOK, page, purchasePage(v))
	}
	if err := throttle(r); err != nil {
		return err
	}
	purchase, err := v.parse(r.Today())
	if err == nil {
		v.Answer, err = a.Store.WhatWasBought(r.HTTP.Context(), r.Who.Workshop, purchase)
	}
	if err == nil {
		v.Asked = true
		return r.Render(http.StatusOK, page, purchasePage(v))
	}
	return r.Refuse(err, page, func(f *fault.Fault) templ.Component {
		v.Fault = f
		return purchasePage(v)
	})
}

// parse reads the form; the store asks the rest.
func (v purchaseView) parse(today day.Day) (store.Purchase, error) {
	var f fault.Fields
	p := store.Purchase{Product: v.Product, Place: v.Place}
	if v.On == "" {
		f.Add(fieldOn, "On which day, about?")
	} else {
		var err error
		p.On, err = day.Parse(v.On)
		f.Check(fieldOn, err)
		if p.On.After(today) {
			f.Add(fieldOn, "That day has not come yet.")
		}
	}
	for _, o := range backs {
		if o.Value == v.Back {
			p.BackDays, _ = strconv.Atoi(o.Value)
		}
	}
	if p.BackDays == 0 {
		f.Add(fieldBack, "Choose how far back to look.")
	}
	if p.Product == "" && p.Place == "" {
		f.Add(fieldProduct, "Name the product or the place, or both.")
	}
	return p, f.Err()
}

// codePath is the page of a code on a unit: a batch's, or that of a later packing. A code that is nobody's own leads to what
// it stands on.
func codePath(c store.FoundCode) string {
	switch {
	case c.Code == c.Batch:
		return paths.Batch(c.Code)
	case c.Batch == "":
		return paths.Find(c.Code)
	}
	return paths.Packing(c.Code)
}

// nearPath is where a code that was perhaps meant leads: its page, or where it leads to several packings, all of them.
func nearPath(c store.FoundCode) string {
	if len(c.Also) > 0 {
		return paths.Find(c.Code)
	}
	return codePath(c)
}

// itemPath is the page of something found.
func itemPath(i store.FoundItem) string {
	switch i.Kind {
	case "batch":
		return paths.Batch(i.Code)
	case "packing":
		return paths.Packing(i.Code)
	case "lot", "supplier_lot":
		return paths.Lot(i.Code)
	case "dispatch":
		return paths.Dispatch(i.Code)
	case "customer":
		return paths.Customer(i.Code)
	case "product":
		return paths.Product(i.Code)
	case "formula":
		return paths.Formula(i.Code)
	case "material":
		return paths.Material(i.Code)
	case "crate":
		return paths.Crate(i.Code)
	case "equipment":
		return paths.Gear(i.Code)
	default:
		return paths.Supplier(i.Code)
	}
}
