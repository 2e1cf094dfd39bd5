package dispatch

import (
	"fmt"
	"net/http"
	"strconv"
	"strings"

	"github.com/a-h/templ"

	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/store"
	"example.org/stillroom/web/paths"
	"example.org/stillroom/web/ui"
)

// countRow is one packing of the shelf: what the book held when the form was drawn, and what was counted.
type countRow struct {
	Code    string
	Counted string
	Seen    string
	Packing *store.Packing // nil for a code read off units that the list does not have
}

type countView struct {
	Key     string
	Product string // code; empty for the whole shelf
	Rows    []countRow
	Note    string
	More    bool // more packings than one form takes
	Fault   *fault.Fault
}

func seenField(i int) string { return "seen-" + strconv.Itoa(i) }

// labels are the words above each field, for the summary.
func (v countView) labels() map[string]string {
	words := map[string]string{fieldNote: "Why", fieldLines: "Shelf"}
	for i, row := range v.Rows {
		words[store.LineField(i)] = row.Code
		words[store.CodeField(i)] = "Code"
	}
	return words
}

// free are the indexes of rows for codes that the list does not have.
func (v countView) free() []int {
	var list []int
	for i, row := range v.Rows {
		if row.Packing == nil {
			list = append(list, i)
		}
	}
	return list
}

// freeUsed tells whether something stands in them.
func (v countView) freeUsed() bool {
	for _, i := range v.free() {
		if v.Rows[i].Code != "" || v.Rows[i].Counted != "" {
			return true
		}
	}
	return len(v.free()) == len(v.Rows)
}

// shelfOf are the packings on hand, of one product or of all, in the order in which the stock page shows them.
func (a Area) shelfOf(r *ui.Request, product string) ([]store.Packing, error) {
	stock, err := a.Store.Stock(r.HTTP.Context(), r.Who.Workshop)
	var list []store.Packing
	for _, s := range stock {
		if product == "" || s.Code == product {
			list = append(list, s.Packings...)
		}
	}
	return list, err
}

// CountShelf shows the packings on hand with a box each.
func (a Area) CountShelf(r *ui.Request) error {
	v := countView{Key: ui.NewKey(), Product: r.HTTP.URL.Query().Get("product")}
	shelf, err := a.shelfOf(r, v.Product)
	if err != nil {
		return err
	}
	if v.Product != "" && len(shelf) == 0 {
		return fault.New(fault.NotFound, "Nothing of product "+strconv.Quote(v.Product)+" is on hand.")
	}
	if most := mostRows - freeRows; len(shelf) > most {
		shelf, v.More = shelf[:most], true
	}
	for i := range shelf {
		v.Rows = append(v.Rows, countRow{Code: shelf[i].Code, Seen: strconv.Itoa(shelf[i].OnHand), Packing: &shelf[i]})
	}
	for range freeRows {
		v.Rows = append(v.Rows, countRow{})
	}
	return r.Render(http.StatusOK, r.Page("Count the shelf", "stock"), countPage(v))
}

// BookCount books the rows that differ from the book, in one go.
func (a Area) BookCount(r *ui.Request) error {
	f := r.Form()
	v, c, index := parseCount(f)
	off := 0
	err := save(r, f, func(entry store.Entry) (err error) {
		off, err = a.Store.CountShelf(r.HTTP.Context(), r.Who, entry, c)
		return atRows(err, index)
	})
	if err == nil {
		to := paths.Stock()
		if v.Product != "" {
			to = paths.StockOf(v.Product)
			if shelf, err := a.shelfOf(r, v.Product); err != nil || len(shelf) == 0 {
				to = paths.Stock() // nothing of it is left to be shown
			}
		}
		return r.SeeOther(to, counted(len(c.Lines), off))
	}
	if loadErr := a.refillCount(r, &v); loadErr != nil {
		return loadErr
	}
	return r.Refuse(err, r.Page("Count the shelf", "stock"), func(said *fault.Fault) templ.Component {
		v.Fault = said
		return countPage(v)
	})
}

func counted(lines, off int) string {
	if off == 0 {
		return count(lines, "packing", "packings") + " counted: the book agrees."
	}
	return fmt.Sprintf("%s counted; %s off and booked.", count(lines, "packing", "packings"), count(off, "was", "were"))
}

// parseCount reads the form. Rows without a count were not counted and are passed over; index says which row each line
// of the count came from.
func parseCount(f *ui.Form) (v countView, c store.ShelfCount, index []int) {
	v = countView{Key: f.Raw("entry_key"), Product: f.Raw(fieldProduct), Note: f.Raw(fieldNote)}
	c.Note = f.Text(fieldNote, 1000)
	rows, err := strconv.Atoi(f.Raw(fieldRows))
	if err != nil || rows < 0 || rows > mostRows {
		rows = 0
	}
	for i := range rows {
		row := countRow{Code: strings.TrimSpace(f.Raw(store.CodeField(i))), Counted: f.Raw(store.LineField(i)), Seen: f.Raw(seenField(i))}
		v.Rows = append(v.Rows, row)
		listed := row.Seen != ""
		if strings.TrimSpace(row.Counted) == "" {
			if !listed && row.Code != "" {
				f.Add(store.LineField(i), "How many of them are there?")
			}
			continue
		}
		line := store.CountedLine{Packing: row.Code, Units: f.Whole(store.LineField(i), "")}
		if seen, err := strconv.Atoi(row.Seen); err == nil {
			line.Seen = &seen
		}
		c.Lines, index = append(c.Lines, line), append(index, i)
	}
	return v, c, index
}

// atRows puts the faults of lines beside the rows that they came from.
func atRows(err error, index []int) error {
	said := fault.As(err)
	if said == nil {
		return err
	}
	moved := *said
	moved.Fields = nil
	for _, off := range said.Fields {
		for line, row := range index {
			switch off.Name {
			case store.LineField(line):
				off.Name = store.LineField(row)
			case store.CodeField(line):
				off.Name = store.CodeField(row)
			default:
				continue
			}
			break
		}
		moved.Fields = append(moved.Fields, off)
	}
	return &moved
}

// refillCount puts what the book holds now beside what was typed: a count sent again is made against that.
func (a Area) refillCount(r *ui.Request, v *countView) error {
	shelf, err := a.shelfOf(r, "")
	if err != nil {
		return err
	}
	now := map[string]*store.Packing{}
	for i := range shelf {
		now[shelf[i].Code] = &shelf[i]
	}
	for i := range v.Rows {
		row := &v.Rows[i]
		if row.Seen == "" {
			continue
		}
		if row.Packing = now[row.Code]; row.Packing == nil {
			// All of it left meanwhile.
			p, err := a.Store.PackingTyped(r.HTTP.Context(), r.Who.Workshop, row.Code)
			if fault.Is(err, fault.NotFound) {
				row.Seen = ""
				continue
			}
			if err != nil {
				return err
			}
			row.Packing = &p
		}
		row.Seen = strconv.Itoa(row.Packing.OnHand)
	}
	if len(v.free()) == 0 {
		v.Rows = append(v.Rows, countRow{})
	}
	return nil
}
