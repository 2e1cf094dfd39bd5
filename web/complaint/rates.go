package complaint

import (
	"fmt"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"unicode"

	"github.com/a-h/templ"

	"example.org/stillroom/internal/day"
	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/store"
	"example.org/stillroom/web/paths"
	"example.org/stillroom/web/ui"
)

// spans are how many years of making the rates may be about.
var spans = []int{1, 2, 5, 10}

type ratesView struct {
	store.ComplaintRates
	Clock ui.Clock
	Years int
}

// Rates counts complaints against units sent, of batches of the last ?years=.
func (a Area) Rates(r *ui.Request) error {
	v := ratesView{Clock: r.Clock(), Years: 2}
	if years, err := strconv.Atoi(query(r, "years")); err == nil && slices.Contains(spans, years) {
		v.Years = years
	}
	var err error
	v.ComplaintRates, err = a.Store.ComplaintRates(r.HTTP.Context(), r.Who.Workshop, r.Today().AddMonths(-12*v.Years))
	if err != nil {
		return err
	}
	return r.Render(http.StatusOK, r.Page("Complaint rates", "complaints"), ratesPage(v))
}

func (v ratesView) links() []ui.Link {
	var list []ui.Link
	for _, y := range spans {
		list = append(list, ui.Link{Href: paths.ComplaintRates() + "?years=" + strconv.Itoa(y), Words: plural(y, "year", "years"), Current: y == v.Years})
	}
	return list
}

// out are the batches that stand out.
func (v ratesView) out() (list []store.BatchRate) {
	for _, b := range v.Batches {
		if b.Chance() < standsOut {
			list = append(list, b)
		}
	}
	return list
}

// byChance says plainly how many of so many would stand out with nothing behind it.
func (v ratesView) byChance() string {
	n := len(v.Batches)
	words := fmt.Sprintf("Looked at: %s. ", plural(n, "batch with a complaint", "batches with a complaint"))
	return words + "A batch is marked when so many complaints or more would come by chance in fewer than 5 of 100 batches like the others (Fisher's exact test, one-sided; the bound is common practice, no source). Among many batches some are marked by chance alone: it is a reason to look, and no proof."
}

// against says a batch's counts against the rest of its product.
func against(b store.BatchRate) string {
	return fmt.Sprintf("%s of %s; the rest of the product %s of %s", plural(b.Complaints, "complaint", "complaints"), store.UnitCount(b.Units), plural(b.OtherComplaints, "complaint", "complaints"), store.UnitCount(b.OtherUnits))
}

type sourcesView struct {
	store.Suspicion
	Clock  ui.Clock
	Today  day.Day
	Of     string // as it was typed
	Asked  bool
	Recent []store.Complaint // with a decided packing, to choose from
	Ticked []string          // codes
	Fault  *fault.Fault
}

// recentMost is how many complaints the page offers to tick.
const recentMost = 20

// Sources asks what complained batches share, and answers where the address names some.
func (a Area) Sources(r *ui.Request) error {
	v := sourcesView{Clock: r.Clock(), Today: r.Today(), Asked: r.HTTP.URL.Query().Has(fieldOf)}
	list, _, err := a.Store.Complaints(r.HTTP.Context(), r.Who.Workshop, store.ComplaintFilter{}, "", 2*recentMost)
	if err != nil {
		return err
	}
	for _, c := range list {
		if c.Packing != "" && len(v.Recent) < recentMost {
			v.Recent = append(v.Recent, c)
		}
	}
	page := r.Page("Sources of a suspicion", "complaints")
	if !v.Asked {
		return r.Render(http.StatusOK, page, sourcesPage(v))
	}
	codes, typed := v.read(r.HTTP.URL.Query()[fieldOf])
	v.Of = strings.Join(typed, " ")
	err = nil
	switch {
	case len(codes) == 0:
		err = fault.In(fieldOf, "Choose at least one.")
	default:
		err = r.Throttle("find:"+store.Text(r.Who.Workshop)+":"+store.Text(r.Who.Person), findMost, findWindow)
	}
	if err == nil {
		v.Suspicion, err = a.Store.Suspect(r.HTTP.Context(), r.Who.Workshop, codes)
	}
	if err != nil {
		v.Asked = false
		return r.Refuse(err, page, func(f *fault.Fault) templ.Component {
			v.Fault = f
			return sourcesPage(v)
		})
	}
	return r.Render(http.StatusOK, page, sourcesPage(v))
}

// read takes the codes out of what was ticked and typed, each once, and notes which of the offered are ticked.
func (v *sourcesView) read(values []string) (codes, typed []string) {
	for _, value := range values {
		value = strings.ReplaceAll(strings.ToValidUTF8(value, ""), "\x00", "")
		for _, word := range strings.FieldsFunc(value, func(r rune) bool { return unicode.IsSpace(r) || strings.ContainsRune(",;", r) }) {
			if slices.Contains(codes, word) {
				continue
			}
			codes = append(codes, word)
			if slices.ContainsFunc(v.Recent, func(c store.Complaint) bool { return c.Code() == word }) {
				v.Ticked = append(v.Ticked, word)
			} else {
				typed = append(typed, word)
			}
		}
	}
	return codes, typed
}

// compared says what the batches are compared with.
func (v sourcesView) compared() string {
	to := v.To
	if to.After(v.Today) {
		to = v.Today // nothing is made later
	}
	return fmt.Sprintf("%s compared with %s: all made from %s to %s, a year before and after, of which units were sent.", plural(len(v.Batches), "batch", "batches"), plural(v.Others, "other batch", "other batches"), v.Clock.Style.Day(v.From), v.Clock.Style.Day(to))
}

// byChance says plainly what the ranking is worth.
func (v sourcesView) byChance() string {
	n := len(v.Inputs) + v.MoreInputs + len(v.Conditions)
	words := fmt.Sprintf("%s were compared. ", plural(n, "thing", "things"))
	if len(v.Batches) == 1 {
		words += "With one batch nothing can be shared: the list only shows what is rare in others. "
	}
	return words + "“By chance” is how often so many of the batches in question or more would have it if it had nothing to do with them (Fisher's exact test, one-sided). Of many things some come out low by chance alone, and what always goes together cannot be told apart: it says where to look first, and no more."
}

// inputPath leads to a lot or a batch.
func inputPath(t store.Trait) string {
	switch t.Kind {
	case "lot":
		return paths.Lot(t.Code)
	case "supplier lot":
		return paths.TraceSupplierLot(t.Supplier, t.SupplierLot)
	}
	return paths.Batch(t.Code)
}

// tracePath leads to all that it went into.
func tracePath(t store.Trait) string {
	switch t.Kind {
	case "lot":
		return paths.TraceLot(t.Code)
	case "supplier lot":
		return paths.TraceSupplierLot(t.Supplier, t.SupplierLot)
	}
	return paths.TraceBatch(t.Code)
}

func outWords(n int) string {
	switch n {
	case 0:
		return "By batch: none stands out"
	case 1:
		return "By batch: one stands out"
	}
	return "By batch: " + strconv.Itoa(n) + " stand out"
}

func codesOf(list []store.BatchRate) (codes []string) {
	for _, b := range list {
		if !slices.Contains(codes, b.Batch) {
			codes = append(codes, b.Batch)
		}
	}
	return codes
}

func productShare(p store.ProductRate) string {
	if p.Units == 0 {
		return "none sent"
	}
	r := p.Range()
	return rated(float64(min(p.Complaints, p.Units))/float64(p.Units), r.Low, r.High)
}

func batchShare(b store.BatchRate) string {
	if b.Units == 0 {
		return "none sent"
	}
	r := b.Range()
	return rated(float64(min(b.Complaints, b.Units))/float64(b.Units), r.Low, r.High)
}
