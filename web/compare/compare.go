// Package compare shows two versions of a formula, or two batches, side by side.
package compare

import (
	"net/http"
	"strconv"

	"github.com/a-h/templ"

	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/store"
	"example.org/stillroom/web/ui"
)

// Area serves the pages that hold two things side by side.
type Area struct{ Store *store.Store }

// Names of form fields, shared by form, fault and page.
const (
	fieldA = "a"
	fieldB = "b"
)

// labels are the words above each field, for the summary of what is off.
var labels = map[string]string{fieldA: "This", fieldB: "Beside"}

// Versions holds two versions of a formula side by side. What is not asked for is the draft beside the version in force,
// or the newest beside the one before.
func (a Area) Versions(r *ui.Request) error {
	ctx := r.HTTP.Context()
	page, err := a.Store.Formula(ctx, r.Who.Workshop, r.Param("code"))
	if err != nil {
		return err
	}
	q := r.HTTP.URL.Query()
	v := versionsView{Formula: page, TypedA: q.Get(fieldA), TypedB: q.Get(fieldB), Style: r.Workshop.Style}
	title := "Versions of " + page.Name
	if len(page.Versions) < 2 && v.TypedA+v.TypedB == "" {
		return r.Render(http.StatusOK, r.Page(title, "formulas"), versionsPage(v))
	}
	first, second, err := v.chosen()
	if err != nil {
		return r.Refuse(err, r.Page(title, "formulas"), func(f *fault.Fault) templ.Component {
			v.Fault = f
			return versionsPage(v)
		})
	}
	v.TypedA, v.TypedB = strconv.Itoa(first), strconv.Itoa(second)
	if v.A, err = a.Store.FormulaVersion(ctx, r.Who.Workshop, page.Code, first); err != nil {
		return err
	}
	if v.B, err = a.Store.FormulaVersion(ctx, r.Who.Workshop, page.Code, second); err != nil {
		return err
	}
	v.fill()
	return r.Render(http.StatusOK, r.Page(title, "formulas"), versionsPage(v))
}

// Batches holds two batches side by side; one alone is held beside the one before it of its formula.
func (a Area) Batches(r *ui.Request) error {
	q := r.HTTP.URL.Query()
	v := batchesView{TypedA: q.Get(fieldA), TypedB: q.Get(fieldB), Style: r.Workshop.Style, Clock: r.Clock()}
	const title = "Two batches side by side"
	switch {
	case v.TypedA == "" && v.TypedB == "":
		return r.Render(http.StatusOK, r.Page(title, "batches"), batchesPage(v))
	case v.TypedB == "":
		v.TypedA, v.TypedB = "", v.TypedA
	}
	found, err := a.Store.CompareBatches(r.HTTP.Context(), r.Who.Workshop, v.TypedA, v.TypedB)
	v.Others = found.Others
	if err != nil {
		return r.Refuse(err, r.Page(title, "batches"), func(f *fault.Fault) templ.Component {
			v.Fault = f
			return batchesPage(v)
		})
	}
	v.A, v.B, v.TypedA, v.TypedB = found.A, found.B, found.A.Code, found.B.Code
	v.fill()
	return r.Render(http.StatusOK, r.Page(v.A.Code+" and "+v.B.Code+" side by side", "batches"), batchesPage(v))
}

// row is one thing on both sides.
type row struct {
	Name string
	A, B cell
	Kind string // good for what only the second has, stop for what only the first has, care for what differs; empty for the same
	Word string // what became of it
	Diff []string
}

// cell is one side of a row; Lots are codes, of batches where the row says so.
type cell struct {
	Words []string
	Lots  []lot
}

// lot is where something was taken from; Both tells that the other side took from it too.
type lot struct {
	Code  string
	Batch bool
	Both  bool
}

func words(list ...string) cell {
	var c cell
	for _, w := range list {
		if w != "" {
			c.Words = append(c.Words, w)
		}
	}
	return c
}

// block is a table of rows under a heading.
type block struct {
	Title string
	Sub   string
	One   string // what one row is: "line"
	Many  string
	Rows  []row
	Note  string // stands where there are no rows
}

// parts are the rows that differ and those that are the same.
func (b block) parts() (differ, same []row) {
	for _, r := range b.Rows {
		if r.Kind == "" {
			same = append(same, r)
		} else {
			differ = append(differ, r)
		}
	}
	return differ, same
}

// unchanged names the folded rows: "12 lines unchanged".
func (b block) unchanged(n int) string {
	if n == 1 {
		return "1 " + b.One + " the same"
	}
	return strconv.Itoa(n) + " " + b.Many + " the same"
}
