// Package tracepages shows where a lot or a batch went and what a batch was made of: on a page, as a list to print, and
// for a spreadsheet.
package tracepages

import (
	"errors"
	"fmt"
	"io"
	"net/http"
	"os"
	"strings"
	"time"

	"github.com/a-h/templ"

	"example.org/stillroom/internal/access"
	"example.org/stillroom/internal/epcis"
	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/store"
	"example.org/stillroom/internal/trace"
	"example.org/stillroom/web/paths"
	"example.org/stillroom/web/ui"
)

// Area serves the pages of traces.
type Area struct{ Store *store.Store }

// Names of the chooser's fields.
const (
	fieldCode = "code"
	fieldWay  = "way"
)

// listMedia is what a list is as a file.
const listMedia = "text/csv; charset=utf-8"

// Choose asks which lot or batch, and which way; with a code it leads on to the trace.
func (a Area) Choose(r *ui.Request) error {
	v := chooseView{Way: "forward"}
	asked := r.HTTP.URL.Query()
	page := r.Page("Trace", "trace")
	if !asked.Has(fieldCode) {
		return r.Render(http.StatusOK, page, choosePage(v))
	}
	v.Code = strings.TrimSpace(strings.ReplaceAll(strings.ToValidUTF8(asked.Get(fieldCode), ""), "\x00", ""))
	if asked.Get(fieldWay) == "back" {
		v.Way = "back"
	}
	path, err := a.lead(r, v)
	if err == nil {
		return r.SeeOther(path, "")
	}
	return r.Refuse(err, page, func(f *fault.Fault) templ.Component {
		v.Fault = f
		return choosePage(v)
	})
}

// lead finds the trace that a code asks for. It never chooses among several.
func (a Area) lead(r *ui.Request, v chooseView) (string, error) {
	switch {
	case v.Code == "":
		return "", fault.In(fieldCode, "Which lot or batch?")
	case len([]rune(v.Code)) > 100:
		return "", fault.In(fieldCode, "At most 100 characters, please.")
	}
	if err := r.Throttle("find:"+store.Text(r.Who.Workshop)+":"+store.Text(r.Who.Person), 120, time.Minute); err != nil {
		return "", err
	}
	found, err := a.Store.Find(r.HTTP.Context(), r.Who.Workshop, v.Code)
	if err != nil {
		return "", err
	}
	switch {
	case found.Exact != nil && len(found.Exact.Also) > 0:
		return paths.Find(v.Code), nil // it leads to several packings: which is not for us to choose
	case found.Exact != nil && v.Way == "back":
		return paths.TraceSources(found.Exact.Batch), nil
	case found.Exact != nil:
		return paths.TraceBatch(found.Exact.Batch), nil
	case found.Straight != nil && found.Straight.Kind == "lot" && v.Way == "back":
		return paths.Lot(found.Straight.Code), nil // what a tub was filled from stands on its page
	case found.Straight != nil && found.Straight.Kind == "lot":
		return paths.TraceLot(found.Straight.Code), nil
	}
	// A number that names nothing but one supplier's lot leads to all of its deliveries.
	if v.Way == "forward" && len(found.Near) == 0 && len(found.Groups) == 1 && found.Groups[0].Kind == "supplier_lot" {
		lots, err := a.Store.RepeatedLots(r.HTTP.Context(), r.Who.Workshop, v.Code)
		if err != nil {
			return "", err
		}
		if len(lots) == 1 && lots[0].Deliveries == len(found.Groups[0].Items) {
			return paths.TraceSupplierLot(lots[0].SupplierCode, lots[0].Lot), nil
		}
	}
	switch {
	case len(found.Groups) > 0 || len(found.Near) > 0:
		return paths.Find(v.Code), nil
	default:
		return "", fault.In(fieldCode, "No lot and no batch has this code. The box at the top of the page also finds codes with a mistake in them.")
	}
}

// forward is one of the three traces that lead forward, by its part of the path.
type forward struct {
	path  string
	start store.TraceStart
}

func (a Area) lot(r *ui.Request) forward {
	code := r.Param("code")
	return forward{paths.TraceLot(code), store.TraceStart{Kind: "lot", Code: code}}
}

func (a Area) batch(r *ui.Request) forward {
	code := r.Param("code")
	return forward{paths.TraceBatch(code), store.TraceStart{Kind: "batch", Code: code}}
}

func (a Area) supplierLot(r *ui.Request) forward {
	supplier, lot := r.Param("supplier"), r.Param("lot")
	return forward{paths.TraceSupplierLot(supplier, lot), store.TraceStart{Kind: "supplier lot", Code: lot, Supplier: supplier}}
}

// The pages of a trace forward: on the screen, as a list to print, for a spreadsheet.
func (a Area) Lot(r *ui.Request) error             { return a.page(r, a.lot(r)) }
func (a Area) LotList(r *ui.Request) error         { return a.list(r, a.lot(r)) }
func (a Area) LotCSV(r *ui.Request) error          { return a.csv(r, a.lot(r)) }
func (a Area) Batch(r *ui.Request) error           { return a.page(r, a.batch(r)) }
func (a Area) BatchList(r *ui.Request) error       { return a.list(r, a.batch(r)) }
func (a Area) BatchCSV(r *ui.Request) error        { return a.csv(r, a.batch(r)) }
func (a Area) SupplierLot(r *ui.Request) error     { return a.page(r, a.supplierLot(r)) }
func (a Area) SupplierLotList(r *ui.Request) error { return a.list(r, a.supplierLot(r)) }
func (a Area) SupplierLotCSV(r *ui.Request) error  { return a.csv(r, a.supplierLot(r)) }

// LotEPCIS, BatchEPCIS and SupplierLotEPCIS are the events as an EPCIS file.
func (a Area) LotEPCIS(r *ui.Request) error         { return a.epcis(r, a.lot(r)) }
func (a Area) BatchEPCIS(r *ui.Request) error       { return a.epcis(r, a.batch(r)) }
func (a Area) SupplierLotEPCIS(r *ui.Request) error { return a.epcis(r, a.supplierLot(r)) }

func (a Area) page(r *ui.Request, f forward) error {
	found, err := a.Store.Trace(r.HTTP.Context(), r.Who.Workshop, f.start)
	if err != nil {
		return err
	}
	v := newForwardView(r.Workshop.Style, f, found)
	v.MayRecall = r.May(access.Recall)
	return r.Render(http.StatusOK, r.Page("Where "+v.what()+" went", "trace"), forwardPage(v))
}

func (a Area) list(r *ui.Request, f forward) error {
	if err := r.Export("recall list, printed", f.start.Kind, f.start.Code); err != nil {
		return err
	}
	found, err := a.Store.Trace(r.HTTP.Context(), r.Who.Workshop, f.start)
	if err != nil {
		return err
	}
	v := newForwardView(r.Workshop.Style, f, found)
	stamp, err := r.Stamp()
	if err != nil {
		return err
	}
	return r.Render(http.StatusOK, r.Page("List: where "+v.what()+" went", "trace"), listPage(v, stamp))
}

func (a Area) csv(r *ui.Request, f forward) error {
	if err := r.Export("recall list", f.start.Kind, f.start.Code); err != nil {
		return err
	}
	origin, lines, err := a.Store.RecallList(r.HTTP.Context(), r.Who.Workshop, f.start)
	if err != nil {
		return err
	}
	return r.Download(listMedia, "recall-list-"+ui.FileWord(origin.Code)+".csv", func(w io.Writer) error { return trace.RecallCSV(w, lines) })
}

// epcis goes by way of a temporary file: a document of many batches is larger than what should be held, and one that could
// not be finished is never sent.
func (a Area) epcis(r *ui.Request, f forward) (err error) {
	if err := r.Export("EPCIS", f.start.Kind, f.start.Code); err != nil {
		return err
	}
	file, err := os.CreateTemp("", "stillroom-epcis-*")
	if err != nil {
		return fmt.Errorf("epcis: %w", err)
	}
	defer func() {
		_ = file.Close()
		_ = os.Remove(file.Name())
	}()
	if err := a.Store.EPCISOf(r.HTTP.Context(), r.Who.Workshop, f.start, r.Now, file); err != nil {
		return err
	}
	if _, err := file.Seek(0, io.SeekStart); err != nil {
		return fmt.Errorf("epcis: %w", err)
	}
	h := r.W.Header()
	h.Set("Content-Type", epcis.MediaType)
	h.Set("Content-Disposition", `attachment; filename="epcis-`+ui.FileWord(f.start.Code)+`.jsonld"`)
	if _, err = io.Copy(r.W, file); errors.Is(err, r.HTTP.Context().Err()) {
		return nil // nobody waits for it any more
	}
	return err
}

// Sources shows what a batch was made of, through every level.
func (a Area) Sources(r *ui.Request) error {
	found, err := a.Store.TraceSources(r.HTTP.Context(), r.Who.Workshop, r.Param("code"))
	if err != nil {
		return err
	}
	v := newSourcesView(found)
	return r.Render(http.StatusOK, r.Page("What went into batch "+v.Origin.Code, "trace"), sourcesPage(v))
}

// SourcesCSV is the same for a spreadsheet.
func (a Area) SourcesCSV(r *ui.Request) error {
	code := r.Param("code")
	if err := r.Export("source list", "batch", code); err != nil {
		return err
	}
	found, err := a.Store.TraceSources(r.HTTP.Context(), r.Who.Workshop, code)
	if err != nil {
		return err
	}
	return r.Download(listMedia, "sources-"+ui.FileWord(found.Origin.Code)+".csv", func(w io.Writer) error { return trace.SourcesListCSV(w, found.Lines) })
}
