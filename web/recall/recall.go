// Package recallpages opens recalls and shows them: what one covers, how that differs from now, where its units are, and its
// list on paper and as a file. Telling and closing are in web/telling.
package recallpages

import (
	"net/http"
	"strconv"

	"example.org/stillroom/internal/access"
	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/store"
	"example.org/stillroom/web/paths"
	"example.org/stillroom/web/ui"
)

// Area serves the pages of recalls.
type Area struct{ Store *store.Store }

type recallsView struct {
	Open, Closed []store.Recall
	Pages        ui.Pages
	Clock        ui.Clock
	First        bool // the first page of the closed ones: the open ones stand on it
	MayRecall    bool
}

// Recalls lists the recalls that run, and page by page those that are closed.
func (a Area) Recalls(r *ui.Request) error {
	after, _ := strconv.Atoi(r.AfterKey()) // what is no number begins at the beginning
	v := recallsView{Clock: r.Clock(), First: after <= 0, MayRecall: r.May(access.Recall)}
	var err error
	if v.First {
		if v.Open, err = a.Store.OpenRecalls(r.HTTP.Context(), r.Who.Workshop); err != nil {
			return err
		}
	}
	next := 0
	if v.Closed, next, err = a.Store.ClosedRecalls(r.HTTP.Context(), r.Who.Workshop, max(0, min(after, 1<<30)), ui.PageLength); err != nil {
		return err
	}
	key := ""
	if next > 0 {
		key = strconv.Itoa(next)
	}
	v.Pages = r.Pages(key)
	return r.Render(http.StatusOK, r.Page("Recalls", "trace"), recallsPage(v))
}

// number is the recall that the path names.
func number(r *ui.Request) (int, error) {
	n, err := strconv.Atoi(r.Param("n"))
	if err != nil || n < 1 || n > 1<<30 {
		return 0, fault.New(fault.NotFound, "There is no recall "+strconv.Quote(r.Param("n"))+".")
	}
	return n, nil
}

// Recall shows one recall.
func (a Area) Recall(r *ui.Request) error {
	n, err := number(r)
	if err != nil {
		return err
	}
	v, err := a.load(r, n)
	if err != nil {
		return err
	}
	if v.Drill {
		return r.SeeOther(paths.Drill(n), "")
	}
	return r.Render(http.StatusOK, r.Page(v.Code()+": "+v.Title, "trace"), recallPage(v))
}

// Each list of a recall's page goes on by a key of its own.
const (
	afterPacking  = "stock"
	afterPlace    = "place"
	afterLot      = "lot"
	afterBatch    = "batch"
	afterCustomer = "customer"
)

// load reads what the page of a recall shows: a page of each of its lists.
func (a Area) load(r *ui.Request, n int) (recallView, error) {
	ctx, workshop, q := r.HTTP.Context(), r.Who.Workshop, r.HTTP.URL.Query()
	after := store.RecallKeys{Packing: q.Get(afterPacking), Place: q.Get(afterPlace), Lot: q.Get(afterLot), Batch: q.Get(afterBatch), Customer: q.Get(afterCustomer)}
	page, lines, err := a.Store.RecallPart(ctx, workshop, n, after, ui.PageLength)
	if err != nil {
		return recallView{}, err
	}
	since, err := a.Store.RecallSince(ctx, workshop, n)
	if err != nil {
		return recallView{}, err
	}
	v := newRecallView(r.Workshop.Style, page, lines)
	v.Clock, v.Since, v.At = r.Clock(), since, r.PagesAt()
	v.Pages = pages{Stock: r.PagesBy(afterPacking, page.Next.Packing), Places: r.PagesBy(afterPlace, page.Next.Place), Lots: r.PagesBy(afterLot, page.Next.Lot), Batches: r.PagesBy(afterBatch, page.Next.Batch), Customers: r.PagesBy(afterCustomer, page.Next.Customer)}
	v.MayRecall, v.MayCount = r.May(access.Recall), r.May(access.Dispatch) && page.Open()
	return v, nil
}

// Extend takes what is reached since into the recall.
func (a Area) Extend(r *ui.Request) error {
	n, err := number(r)
	if err != nil {
		return err
	}
	entry, err := r.Entry()
	if err == nil {
		err = a.Store.ExtendRecall(r.HTTP.Context(), r.Who, entry, n)
	}
	if err != nil {
		return err
	}
	return r.SeeOther(paths.Recall(n), "Taken into the recall: its scope and its list hold what is reached now, and it is blocked.")
}
