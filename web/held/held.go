// Package heldpages shows what is kept for an authority, and until when: who was supplied, and the information on each
// product. It says what a law asks for as far as we know, and never that something is lawful.
package heldpages

import (
	"net/http"
	"slices"
	"strconv"

	"github.com/a-h/templ"

	"example.org/stillroom/internal/access"
	"example.org/stillroom/internal/day"
	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/keeping"
	"example.org/stillroom/internal/measure"
	"example.org/stillroom/internal/store"
	"example.org/stillroom/web/paths"
	"example.org/stillroom/web/ui"
)

// Area serves the page.
type Area struct{ Store *store.Store }

// Names of form fields.
const (
	fieldMarkets = "markets" // with the market
	fieldSmall   = "us_small_business"
)

// Each list of the page goes on by a key of its own.
const (
	afterProduct = "product"
	afterBatch   = "batch"
)

type view struct {
	Key           string
	Markets       []string // that concern the workshop
	Said          bool     // the workshop has said where it sells
	Small         string   // yes, no or empty
	Products      []store.HeldProduct
	Batches       []store.HeldBatch
	ProductsPages ui.Pages
	BatchesPages  ui.Pages
	Today         day.Day
	MaySet        bool
	Fault         *fault.Fault
}

// sells tells whether a market concerns the workshop.
func (v view) sells(market string) bool { return slices.Contains(v.Markets, market) }

// europe tells whether Regulation (EC) 1223/2009 or its United Kingdom version concerns it.
func (v view) europe() bool { return v.sells(keeping.EU) || v.sells(keeping.UK) }

func (a Area) load(r *ui.Request) (view, error) {
	w := r.Workshop
	v := view{Key: ui.NewKey(), Markets: keeping.Markets(w.Markets), Said: w.Markets != "", Today: r.Today(), MaySet: r.May(access.Settings)}
	if w.USSmall != nil {
		v.Small = yes(*w.USSmall)
	}
	query := r.HTTP.URL.Query()
	var next string
	var err error
	if v.Products, next, err = a.Store.HeldProducts(r.HTTP.Context(), r.Who.Workshop, r.Today(), query.Get(afterProduct)); err != nil {
		return v, err
	}
	v.ProductsPages = r.PagesBy(afterProduct, next)
	if v.Batches, next, err = a.Store.HeldBatches(r.HTTP.Context(), r.Who.Workshop, query.Get(afterBatch)); err != nil {
		return v, err
	}
	v.BatchesPages = r.PagesBy(afterBatch, next)
	return v, nil
}

func yes(b bool) string {
	if b {
		return "yes"
	}
	return "no"
}

// Held shows what is kept.
func (a Area) Held(r *ui.Request) error {
	v, err := a.load(r)
	if err != nil {
		return err
	}
	return r.Render(http.StatusOK, r.Page("Papers to keep", "trace"), page(v))
}

// SetMarkets keeps where the workshop sells.
func (a Area) SetMarkets(r *ui.Request) error {
	f := r.Form()
	var markets []string
	for _, m := range keeping.Markets("") {
		if f.On(fieldMarkets + "-" + m) {
			markets = append(markets, m)
		}
	}
	var small *bool
	if f.Raw(fieldSmall) != "" {
		said := f.OneOf(fieldSmall, "Choose yes, no or not said.", "yes", "no") == "yes"
		small = &said
	}
	err := f.Err()
	var entry store.Entry
	if err == nil {
		entry, err = r.Entry()
	}
	if err == nil {
		err = a.Store.SetMarkets(r.HTTP.Context(), r.Who, entry, markets, small)
	}
	if err == nil {
		r.Log("markets changed", "by", store.Text(r.Who.Person))
		return r.SeeOther(paths.Held(), "Only what concerns you is shown.")
	}
	v, loadErr := a.load(r)
	if loadErr != nil {
		return loadErr
	}
	v.Key, v.Markets, v.Said, v.Small = f.Raw("entry_key"), markets, len(markets) > 0, f.Raw(fieldSmall)
	return r.Refuse(err, r.Page("Papers to keep", "trace"), func(fl *fault.Fault) templ.Component {
		v.Fault = fl
		return page(v)
	})
}

var marketWords = map[string]string{keeping.EU: "In the European Union", keeping.UK: "In the United Kingdom", keeping.US: "In the USA"}

func smallChoices() []ui.Option {
	return []ui.Option{{Value: "", Label: "Not said"}, {Value: "yes", Label: "Yes"}, {Value: "no", Label: "No"}}
}

// reports is how long reports of adverse events are kept in the USA.
func (v view) reports() string {
	switch v.Small {
	case "yes":
		return "Reports of adverse events are kept for 3 years, since you say that you are a small business there."
	case "no":
		return "Reports of adverse events are kept for 6 years."
	}
	return "Reports of adverse events are kept for 6 years, by a small business for 3."
}

// until is a date with whether it is over.
func (v view) until(left day.Day, until func(day.Day) day.Day) (kind string, on day.Day) {
	on = until(left)
	if on.Before(v.Today) {
		return "wait", on
	}
	return "good", on
}

// missing are the parts of the product information that no paper is kept of.
func missing(p store.HeldProduct) []string {
	var list []string
	for _, x := range keeping.Papers() {
		if p.Papers[x.Kind] == 0 {
			list = append(list, x.Name)
		}
	}
	return list
}

func held(p store.HeldProduct) []string {
	var list []string
	for _, x := range keeping.Papers() {
		switch n := p.Papers[x.Kind]; {
		case n == 1:
			list = append(list, x.Name)
		case n > 1:
			list = append(list, x.Name+" ("+strconv.Itoa(n)+")")
		}
	}
	return list
}

var soapWords = map[string]string{"soap": "only soap, as you say", "cosmetic": "a cosmetic, as you say", "": "not said"}

// between says when units of a batch left: on one day, or from one to another.
func between(style measure.Style, b store.HeldBatch) string {
	if b.First == b.Last {
		return style.Day(b.Last)
	}
	return style.Day(b.First) + " to " + style.Day(b.Last)
}
