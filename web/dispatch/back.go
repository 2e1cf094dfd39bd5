package dispatch

import (
	"net/http"
	"strconv"
	"strings"

	"github.com/a-h/templ"

	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/measure"
	"example.org/stillroom/internal/quantity"
	"example.org/stillroom/internal/store"
	"example.org/stillroom/web/paths"
	"example.org/stillroom/web/ui"
)

// backRow is one line of a crate that is back, as it was typed.
type backRow struct {
	Left, Tester, Broken, Gift, Damaged, Disposition, Note string
	Sold                                                   string // empty until it is checked
}

type backView struct {
	store.CratePage
	Style   measure.Style
	Key     string
	Now     string // the state that the form is written against
	On      string
	Rows    []backRow // as Out
	Checked bool
	Total   int // sold of the whole crate, once it is checked
	Fault   *fault.Fault
}

var damagedGo = []ui.Option{{Value: "hold", Label: "On hold", Hint: "here, until somebody decides"}, {Value: "destroy", Label: "Destroyed", Hint: "gone"}}

// countedParts are the columns that are counted in each line.
var countedParts = []struct{ Field, Label string }{{"left", "Left"}, {"tester", "Tester"}, {"broken", "Broken"}, {"gift", "Gift"}}

// part is what was typed in one of them.
func (b backRow) part(field string) string {
	switch field {
	case "left":
		return b.Left
	case "tester":
		return b.Tester
	case "broken":
		return b.Broken
	}
	return b.Gift
}

// damagedUsed tells whether something stands in the fields of damaged units, or is off with them.
func (v backView) damagedUsed(i int) bool {
	row := v.Rows[i]
	return row.Damaged+row.Disposition+row.Note != "" || v.Fault.Of(store.BackField("damaged", i))+v.Fault.Of(store.BackField("disposition", i))+v.Fault.Of(store.BackField("note", i)) != ""
}

// labels are the words above each field, for the summary.
func (v backView) labels() map[string]string {
	words := map[string]string{fieldReturnedOn: "Came back on", fieldLines: "Lines"}
	for i, o := range v.Out {
		for _, field := range []string{"left", "tester", "broken", "gift", "damaged", "disposition", "note"} {
			words[store.BackField(field, i)] = o.Packing + ", " + field
		}
	}
	return words
}

func (a Area) backOf(r *ui.Request) (backView, error) {
	page, err := a.Store.CratePage(r.HTTP.Context(), r.Who.Workshop, r.Param("code"))
	return backView{CratePage: page, Style: r.Workshop.Style, Now: page.Seen, Rows: make([]backRow, len(page.Out))}, err
}

// NewCrateBack shows the lines of a crate to count.
func (a Area) NewCrateBack(r *ui.Request) error {
	v, err := a.backOf(r)
	if err != nil {
		return err
	}
	switch v.Status {
	case "packing", "dropped":
		return r.SeeOther(paths.Crate(v.Code), "Crate "+v.Code+" has not left.")
	case "back":
		return r.SeeOther(paths.Crate(v.Code), "Crate "+v.Code+" is back already.")
	}
	v.Key, v.On = ui.NewKey(), r.Today().String()
	return r.Render(http.StatusOK, r.Page("Crate "+v.Code+" is back", "crates"), backPage(v))
}

// CrateBack checks the count and shows its sums, or books it.
func (a Area) CrateBack(r *ui.Request) error {
	v, err := a.backOf(r)
	if err != nil {
		return err
	}
	f := r.Form()
	b := v.parse(f)
	page := r.Page("Crate "+v.Code+" is back", "crates")
	if f.Raw(fieldStep) == "check" {
		// What the store would say of the rest is said at once, beside what cannot be read.
		for _, off := range offOf(b.Check(r.Workshop.Style, v.CratePage, r.Today())) {
			f.Add(off.Name, off.Message)
		}
		if err := f.Err(); err != nil {
			return r.Refuse(err, page, func(said *fault.Fault) templ.Component {
				v.Fault = said
				return backPage(v)
			})
		}
		v.Checked = true
		v.sum(b)
		return r.Render(http.StatusOK, page, backPage(v))
	}
	err = save(r, f, func(entry store.Entry) error {
		return a.Store.BookCrateBack(r.HTTP.Context(), r.Who, entry, v.Code, b)
	})
	if err == nil {
		v.sum(b)
		return r.SeeOther(paths.Crate(v.Code), "Crate "+v.Code+" is back: "+strconv.Itoa(v.Total)+" sold.")
	}
	// A page drawn before a change: what is typed stays, and is held against what is in the book now when it is sent again.
	return r.Refuse(err, page, func(said *fault.Fault) templ.Component {
		v.Fault = said
		return backPage(v)
	})
}

// offOf are the fields of a fault, none for nil.
func offOf(err error) []fault.Field {
	if f := fault.As(err); f != nil {
		return f.Fields
	}
	return nil
}

// parse reads the form into the view and gives the count. A line is found by its code, not by its place: the dispatch
// may have been corrected since the page was drawn.
func (v *backView) parse(f *ui.Form) store.CrateBack {
	v.Key, v.On = f.Raw("entry_key"), f.Raw(fieldReturnedOn)
	b := store.CrateBack{On: f.Day(fieldReturnedOn, "When did it come back?"), Seen: f.Raw(fieldSeen)}
	at := map[string]int{}
	for i := range mostRows {
		code := f.Raw(store.CodeField(i))
		if code == "" {
			break
		}
		at[code] = i
	}
	for i, o := range v.Out {
		from, sent := at[o.Packing]
		if !sent {
			f.Add(store.BackField("left", i), "How many are left? 0 where all were sold.")
			continue
		}
		read := func(field string) string { return f.Raw(store.BackField(field, from)) }
		v.Rows[i] = backRow{Left: read("left"), Tester: read("tester"), Broken: read("broken"), Gift: read("gift"), Damaged: read("damaged"), Disposition: read("disposition"), Note: read("note")}
		units := func(field, ask string) int {
			text := strings.TrimSpace(read(field))
			if text == "" {
				if ask != "" {
					f.Add(store.BackField(field, i), ask)
				}
				return 0
			}
			n, err := quantity.ParseWhole(text)
			f.Check(store.BackField(field, i), err)
			return n
		}
		b.Lines = append(b.Lines, store.CrateCount{Packing: o.Packing, Left: units("left", "How many are left? 0 where all were sold."), Tester: units("tester", ""), Broken: units("broken", ""), Gift: units("gift", ""),
			Damaged: units("damaged", ""), Disposition: read("disposition"), Note: strings.TrimSpace(read("note"))})
	}
	return b
}

// sum says how many of each line were sold.
func (v *backView) sum(b store.CrateBack) {
	for i, c := range b.Lines {
		if i < len(v.Out) {
			sold := v.Out[i].Out() - c.Accounted()
			v.Rows[i].Sold = strconv.Itoa(sold)
			v.Total += sold
		}
	}
}
