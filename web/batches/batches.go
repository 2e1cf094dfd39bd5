// Package batches is the life of a batch after the bench: its page, packing, yield, release, and the deviations that
// wait for a decision.
package batches

import (
	"net/http"
	"slices"

	"github.com/a-h/templ"

	"example.org/stillroom/internal/access"
	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/store"
	"example.org/stillroom/web/paths"
	"example.org/stillroom/web/ui"
)

// Area serves the pages of batches, packings and deviations.
type Area struct{ Store *store.Store }

// Names of form fields, shared by form, fault and page. Rows carry their index behind the name.
const (
	fieldProduct       = "product"
	fieldPackedOn      = "packed_on"
	fieldGood          = "good"
	fieldRetained      = "retained"
	fieldRejectStage   = "reject-stage"
	fieldRejectReason  = "reject-reason"
	fieldRejectUnits   = "reject-units"
	fieldRejectMass    = "reject-mass"
	fieldPackMaterial  = "pack-material"
	fieldPackInput     = "pack-input"
	fieldPackLot       = "pack-lot"
	fieldPackUsed      = "pack-used"
	fieldPackSpoiled   = "pack-spoiled"
	fieldPackIssued    = "pack-issued"
	fieldPackReturned  = "pack-returned"
	fieldPackagingNote = "packaging_note"
	fieldRun           = "run"
	fieldCleared       = "cleared"
	fieldLabelsUsed    = "labels_used"
	fieldLabelsIssued  = "labels_issued"
	fieldLabelsSpoiled = "labels_spoiled"
	fieldLabelsBack    = "labels_returned"
	fieldLabelChecked  = "label_checked"
	fieldLabelSpecimen = "label_specimen"
	fieldFinished      = "finished"
	fieldUsedGear      = "used" // and a hyphen and a code for the tick
	fieldCleanGear     = "clean"
	fieldLeftOver      = "left_over"
	fieldLoss          = "loss"
	fieldYieldNote     = "yield_note"
	fieldGrams         = "grams"
	fieldReally        = "really"
	fieldReason        = "reason"
	fieldPassword      = "password"
	fieldDecision      = "decision"
	fieldNote          = "note"
	fieldSeen          = "seen"
	fieldStage         = "stage"
	fieldUnits         = "units"
	fieldKind          = "kind"
	fieldFile          = "file"
)

func code(r *ui.Request) string { return r.Param("code") }

// Batches lists batches, the newest first; those not decided yet unless all are asked for.
func (a Area) Batches(r *ui.Request) error {
	q := r.HTTP.URL.Query()
	which := store.OpenBatches
	if q.Get("show") == string(store.AllBatches) {
		which = store.AllBatches
	}
	list, next, err := a.Store.Batches(r.HTTP.Context(), r.Who.Workshop, which, store.ParseBatchKey(r.AfterKey()), ui.PageLength)
	if err != nil {
		return err
	}
	v := listView{Batches: list, Show: string(which), Pages: r.Pages(next), MayBench: r.May(access.Bench)}
	return r.Render(http.StatusOK, r.Page(v.title(), "batches"), listPage(v))
}

type listView struct {
	Batches  []store.BatchRow
	Show     string
	Pages    ui.Pages
	MayBench bool
}

// title tells the open batches from all in the browser's tabs.
func (v listView) title() string {
	if v.Show == "open" {
		return "Open batches"
	}
	return "All batches"
}

// Batch shows one batch. A packing's code leads to its batch; the address then is the batch's own.
func (a Area) Batch(r *ui.Request) error {
	v, err := a.batchView(r)
	if err != nil {
		return err
	}
	if v.Code != code(r) {
		return r.SeeOther(paths.Batch(v.Code), "")
	}
	return r.Render(http.StatusOK, r.Page("Batch "+v.Code, "batches"), batchPage(v))
}

func (a Area) batchView(r *ui.Request) (batchView, error) {
	page, err := a.Store.BatchPage(r.HTTP.Context(), r.Workshop, code(r), r.Now)
	v := batchView{BatchPage: page, Key: ui.NewKey(), Clock: r.Clock(), Now: r.Now, Style: r.Workshop.Style, MayOwn: r.May(access.CorrectOwn), MayBench: r.May(access.Bench), MayPack: r.May(access.Pack), MayRelease: r.May(access.Release), MayDecide: r.May(access.Decide), MayCorrect: r.May(access.CorrectAny)}
	if err != nil {
		return v, err
	}
	v.takeChanges()
	if v.Yields == "bulk" && !v.BestBefore.IsZero() {
		return v, a.loadUntil(r, &v)
	}
	return v, nil
}

// takeChanges finds who rejected or voided the batch itself, and what was corrected in it.
func (v *batchView) takeChanges() {
	for i, c := range v.History {
		if c.Kind == "correct" || c.Told {
			v.Changes = append(v.Changes, c)
		}
		for _, f := range c.Fields {
			if f.Field == "Status" && f.New == v.Status && (v.Status == "rejected" || v.Status == "void") {
				v.Ended = &v.History[i]
			}
		}
	}
}

// loadUntil finds the lots that decide until when bulk is to be used.
func (a Area) loadUntil(r *ui.Request, v *batchView) error {
	back, err := a.Store.TraceSources(r.HTTP.Context(), r.Who.Workshop, v.Code)
	for _, l := range back.Lines {
		if l.MaterialLot != "" && l.ExpiresOn == v.BestBefore.String() && !slices.Contains(v.Until, l.MaterialLot) {
			v.Until = append(v.Until, l.MaterialLot)
		}
	}
	return err
}

// Reject ends a batch that will not be packed or released.
func (a Area) Reject(r *ui.Request) error {
	f := r.Form()
	reason := f.Text(fieldReason, 1000)
	if len(f.Raw(fieldPassword)) > 128 {
		f.Add(fieldPassword, "That is not your password.")
	}
	err := f.Err()
	var entry store.Entry
	if err == nil {
		entry, err = r.Entry()
	}
	if err == nil {
		err = a.Store.RejectBatch(r.HTTP.Context(), r.Who, entry, code(r), f.Raw(fieldPassword), reason)
	}
	if err == nil {
		return r.SeeOther(paths.Batch(code(r)), "Batch "+code(r)+" is rejected.")
	}
	v, loadErr := a.batchView(r)
	if loadErr != nil {
		return loadErr
	}
	v.Key = f.Raw("entry_key")
	return r.Refuse(err, r.Page("Batch "+v.Code, "batches"), func(fl *fault.Fault) templ.Component {
		v.Fault, v.Reason = fl, f.Raw(fieldReason)
		return batchPage(v)
	})
}
