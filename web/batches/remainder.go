package batches

import (
	"net/http"
	"slices"
	"strings"

	"github.com/a-h/templ"
	"github.com/shopspring/decimal"

	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/measure"
	"example.org/stillroom/internal/quantity"
	"example.org/stillroom/internal/store"
	"example.org/stillroom/web/paths"
	"example.org/stillroom/web/ui"
)

// remainderView is the end of packing, and later the yield: what is left over, lost, and not explained.
type remainderView struct {
	Batch                        store.BatchRecord
	Yield                        store.Yield
	Style                        measure.Style
	Key                          string
	LeftOver, Loss, Note, Reason string
	Fault                        *fault.Fault
}

var remainderLabels = map[string]string{fieldLeftOver: "Left over", fieldLoss: "Loss", fieldYieldNote: "Yield", fieldReason: "Why the change"}

func (a Area) remainderView(r *ui.Request) (remainderView, error) {
	page, err := a.Store.BatchPage(r.HTTP.Context(), r.Workshop, code(r), r.Now)
	return remainderView{Batch: page.BatchRecord, Yield: page.Yield, Style: r.Workshop.Style, Key: ui.NewKey()}, err
}

// typed keeps what was typed on the page.
func (v *remainderView) typed(f *ui.Form) {
	v.Key, v.LeftOver, v.Loss, v.Note, v.Reason = f.Raw("entry_key"), f.Raw(fieldLeftOver), f.Raw(fieldLoss), f.Raw(fieldYieldNote), f.Raw(fieldReason)
}

// FinishForm asks what is left when packing is finished.
func (a Area) FinishForm(r *ui.Request) error {
	v, err := a.remainderView(r)
	if err != nil {
		return err
	}
	if v.Batch.Status != "packing" || v.Batch.Yields == "bulk" || len(v.Batch.Packings) == 0 {
		return fault.New(fault.Conflict, "Batch "+v.Batch.Code+" is not being packed.")
	}
	return r.Render(http.StatusOK, r.Page("Packing of "+v.Batch.Code+" is finished", "batches"), finishPage(v))
}

// Finish moves the batch on.
func (a Area) Finish(r *ui.Request) error {
	f := r.Form()
	n := store.Finish{Batch: code(r), LeftOverG: f.OptionalMass(fieldLeftOver), LossG: f.OptionalMass(fieldLoss), Note: f.Text(fieldYieldNote, 1000)}
	err := f.Err()
	var entry store.Entry
	if err == nil {
		entry, err = r.Entry()
	}
	if err == nil {
		err = a.Store.FinishPacking(r.HTTP.Context(), r.Who, entry, n)
	}
	if err == nil {
		return r.SeeOther(paths.Batch(code(r)), "Packing of "+code(r)+" is finished.")
	}
	v, loadErr := a.remainderView(r)
	if loadErr != nil {
		return loadErr
	}
	v.typed(f)
	return r.Refuse(err, r.Page("Packing of "+v.Batch.Code+" is finished", "batches"), func(f *fault.Fault) templ.Component {
		v.Fault = f
		return finishPage(v)
	})
}

type reopenView struct {
	Batch  store.BatchRecord
	Key    string
	Reason string
	Fault  *fault.Fault
}

// ReopenForm asks why packing is taken up again.
func (a Area) ReopenForm(r *ui.Request) error {
	b, err := a.Store.Batch(r.HTTP.Context(), r.Who.Workshop, code(r))
	if err != nil {
		return err
	}
	if !b.MayReopen() {
		return fault.New(fault.Conflict, "Packing of batch "+b.Code+" is not finished, or cannot be taken up again.")
	}
	return r.Render(http.StatusOK, r.Page("Packing of "+b.Code+" goes on", "batches"), reopenPage(reopenView{Batch: b, Key: ui.NewKey()}))
}

// Reopen takes the end of packing back.
func (a Area) Reopen(r *ui.Request) error {
	f := r.Form()
	reason := f.Text(fieldReason, 1000)
	err := f.Err()
	var entry store.Entry
	if err == nil {
		entry, err = r.Entry()
	}
	if err == nil {
		err = a.Store.ReopenPacking(r.HTTP.Context(), r.Who, entry, code(r), reason)
	}
	if err == nil {
		return r.SeeOther(paths.Batch(code(r)), "Packing of "+code(r)+" goes on.")
	}
	b, loadErr := a.Store.Batch(r.HTTP.Context(), r.Who.Workshop, code(r))
	if loadErr != nil {
		return loadErr
	}
	return r.Refuse(err, r.Page("Packing of "+b.Code+" goes on", "batches"), func(fl *fault.Fault) templ.Component {
		return reopenPage(reopenView{Batch: b, Key: f.Raw("entry_key"), Reason: f.Raw(fieldReason), Fault: fl})
	})
}

// YieldForm shows the balance and takes the explanation.
func (a Area) YieldForm(r *ui.Request) error {
	v, err := a.remainderView(r)
	if err != nil {
		return err
	}
	v.LeftOver, v.Loss, v.Note = figure(v.Style, v.Batch.LeftOverG), figure(v.Style, v.Batch.LossG), v.Batch.YieldNote
	return r.Render(http.StatusOK, r.Page("Yield of "+v.Batch.Code, "batches"), yieldPage(v))
}

// figure is a mass in g, or none, as a form holds it.
func figure(style measure.Style, g decimal.NullDecimal) string {
	if !g.Valid {
		return ""
	}
	return style.Figure(g.Decimal)
}

func plain(d decimal.NullDecimal) string {
	if !d.Valid {
		return ""
	}
	return quantity.Plain(d.Decimal)
}

// ExplainYield stores the explanation, or corrects what is left over and lost.
func (a Area) ExplainYield(r *ui.Request) error {
	f := r.Form()
	now, err := a.Store.Batch(r.HTTP.Context(), r.Who.Workshop, code(r))
	if err != nil {
		return err
	}
	n := store.YieldNote{Batch: code(r), LeftOverG: f.OptionalMass(fieldLeftOver, now.LeftOverG), LossG: f.OptionalMass(fieldLoss, now.LossG), Note: f.Text(fieldYieldNote, 1000), Reason: f.Text(fieldReason, 500)}
	err = f.Err()
	var entry store.Entry
	if err == nil {
		entry, err = r.Entry()
	}
	if err == nil {
		err = a.Store.ExplainYield(r.HTTP.Context(), r.Who, entry, n)
	}
	if err == nil {
		return r.SeeOther(paths.Batch(code(r)), "The yield of "+code(r)+" is in the book.")
	}
	v, loadErr := a.remainderView(r)
	if loadErr != nil {
		return loadErr
	}
	v.typed(f)
	return r.Refuse(err, r.Page("Yield of "+v.Batch.Code, "batches"), func(f *fault.Fault) templ.Component {
		v.Fault = f
		return yieldPage(v)
	})
}

type rejectsView struct {
	Batch          store.BatchRecord
	Key            string
	Clock          ui.Clock
	Rows           []rejectRow
	Really, Reason string
	Fault          *fault.Fault
}

// RejectsForm takes units rejected before packing.
func (a Area) RejectsForm(r *ui.Request) error {
	b, err := a.Store.Batch(r.HTTP.Context(), r.Who.Workshop, code(r))
	if err != nil {
		return err
	}
	return r.Render(http.StatusOK, r.Page("Rejects of "+b.Code, "batches"), rejectsPage(rejectsView{Batch: b, Key: ui.NewKey(), Clock: r.Clock(), Rows: freeRows(nil)}))
}

// RejectUnits records them.
func (a Area) RejectUnits(r *ui.Request) error {
	f := r.Form()
	rows, list := parseRejects(f)
	answer := really(f)
	err := f.Err()
	var entry store.Entry
	if err == nil {
		entry, err = r.Entry()
	}
	if err == nil {
		err = a.Store.RejectUnits(r.HTTP.Context(), r.Who, entry, code(r), list, answer)
	}
	if err == nil {
		return r.SeeOther(paths.BatchRejects(code(r)), "The rejects are in the book.")
	}
	b, loadErr := a.Store.Batch(r.HTTP.Context(), r.Who.Workshop, code(r))
	if loadErr != nil {
		return loadErr
	}
	return r.Refuse(err, r.Page("Rejects of "+b.Code, "batches"), func(fl *fault.Fault) templ.Component {
		return rejectsPage(rejectsView{Batch: b, Key: f.Raw("entry_key"), Clock: r.Clock(), Rows: freeRows(rows), Really: f.Raw(fieldReally), Reason: f.Raw(fieldReason), Fault: fl})
	})
}

// WithdrawReject takes an entry back.
func (a Area) WithdrawReject(r *ui.Request) error {
	f := r.Form()
	reason := f.Text(fieldReason, 500)
	id, err := store.ParseID[store.RejectID](r.Param("id"))
	if err != nil {
		return err
	}
	b, err := a.Store.Batch(r.HTTP.Context(), r.Who.Workshop, code(r))
	if err != nil {
		return err // before its reason is asked for: there may be no such batch, or no such entry
	}
	if !slices.ContainsFunc(b.Rejects, func(x store.Reject) bool { return x.ID == id }) {
		return fault.New(fault.NotFound, "That is not in the book of this batch.")
	}
	if err := f.Err(); err != nil {
		return fault.New(fault.Invalid, "The reason is too long: at most 500 characters, please.")
	}
	if strings.TrimSpace(reason) == "" {
		return fault.New(fault.Invalid, "Say why the entry is taken back: it stays in the book, struck through.")
	}
	entry, err := r.Entry()
	if err == nil {
		err = a.Store.WithdrawReject(r.HTTP.Context(), r.Who, entry, code(r), id, reason)
	}
	if err != nil {
		return err
	}
	return r.SeeOther(paths.BatchRejects(code(r)), "Taken back; it stays in the book, struck through.")
}

type bulkView struct {
	Batch                             store.BatchRecord
	Key                               string
	Grams, Loss, Note, Really, Reason string
	Fault                             *fault.Fault
}

// BulkForm asks how much bulk is ready.
func (a Area) BulkForm(r *ui.Request) error {
	b, err := a.Store.Batch(r.HTTP.Context(), r.Who.Workshop, code(r))
	if err != nil {
		return err
	}
	if b.Yields != "bulk" || b.Status != "packing" {
		return fault.New(fault.Conflict, "Batch "+b.Code+" has no bulk to be measured now.")
	}
	return r.Render(http.StatusOK, r.Page("Bulk "+b.Code, "batches"), bulkPage(bulkView{Batch: b, Key: ui.NewKey()}))
}

// BulkReady records it.
func (a Area) BulkReady(r *ui.Request) error {
	f := r.Form()
	n := store.BulkReady{Batch: code(r), Grams: f.Mass(fieldGrams, "How much is ready?"), LossG: f.OptionalMass(fieldLoss), Note: f.Text(fieldYieldNote, 1000), Really: really(f)}
	err := f.Err()
	var entry store.Entry
	if err == nil {
		entry, err = r.Entry()
	}
	if err == nil {
		err = a.Store.NoteBulkReady(r.HTTP.Context(), r.Who, entry, n)
	}
	if err == nil {
		return r.SeeOther(paths.Batch(code(r)), g(r.Workshop.Style, n.Grams)+" of bulk "+code(r)+" wait for their release.")
	}
	b, loadErr := a.Store.Batch(r.HTTP.Context(), r.Who.Workshop, code(r))
	if loadErr != nil {
		return loadErr
	}
	return r.Refuse(err, r.Page("Bulk "+b.Code, "batches"), func(fl *fault.Fault) templ.Component {
		return bulkPage(bulkView{Batch: b, Key: f.Raw("entry_key"), Grams: f.Raw(fieldGrams), Loss: f.Raw(fieldLoss), Note: f.Raw(fieldYieldNote), Really: f.Raw(fieldReally), Reason: f.Raw(fieldReason), Fault: fl})
	})
}
