package batches

import (
	"net/http"
	"time"

	"github.com/a-h/templ"

	"example.org/stillroom/internal/access"
	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/measure"
	"example.org/stillroom/internal/quantity"
	"example.org/stillroom/internal/release"
	"example.org/stillroom/internal/store"
	"example.org/stillroom/web/paths"
	"example.org/stillroom/web/ui"
)

type packingView struct {
	store.PackingRecord
	Clock                                        ui.Clock
	MayRelease, MayCorrect, MayPack, MayComplain bool
	Samples                                      []store.Sample
	Codes                                        store.UnitCodesPage
}

// placed is how many of the units kept back have a place, or had one.
func (v packingView) placed() int {
	n := 0
	for _, s := range v.Samples {
		n += s.Units
	}
	return n
}

// Packing shows one packing: its date, counts, packaging, what stands in the way of its release, and who signed.
func (a Area) Packing(r *ui.Request) error {
	p, err := a.Store.PackingRecord(r.HTTP.Context(), r.Who.Workshop, code(r))
	if err != nil {
		return err
	}
	samples, err := a.Store.PackingSamples(r.HTTP.Context(), r.Who.Workshop, p.Code)
	if err != nil {
		return err
	}
	codes, err := a.Store.UnitCodes(r.HTTP.Context(), r.Who.Workshop, p.Code)
	if err != nil {
		return err
	}
	own := p.Status == "quarantined" && p.Recorded.By == r.Who.Name && r.May(access.CorrectOwn)
	return r.Render(http.StatusOK, r.Page("Packing "+p.Code, "batches"), packingPage(packingView{PackingRecord: p, Samples: samples, Codes: codes, Clock: r.Clock(), MayRelease: r.May(access.Release), MayPack: r.May(access.Pack), MayComplain: r.May(access.Complain), MayCorrect: own || r.May(access.CorrectAny)}))
}

// releaseView is a decision that is signed: on a packing, or on bulk.
type releaseView struct {
	Code, Title, Sub string
	Action, Back     string
	Bulk             bool
	Status           string
	Conditions       []release.Condition
	Todo             map[string][]ui.Link // by key of a condition, what to do about one that stands in the way
	Seen             string
	Key              string
	Reason           string
	Decision         string
	Fault            *fault.Fault
}

func (v releaseView) open() int { return release.Open(v.Conditions) }

func packingRelease(style measure.Style, p store.PackingRecord) releaseView {
	return releaseView{Code: p.Code, Title: "Release " + p.ProductName, Sub: store.UnitCount(p.UnitsGood) + ", best before " + printed(style, p.Packing), Action: paths.ReleasePacking(p.Code), Back: paths.Packing(p.Code),
		Status: p.Status, Conditions: p.Conditions, Todo: packingTodo(p), Seen: store.SeenHash(p.Conditions), Key: ui.NewKey()}
}

func bulkRelease(style measure.Style, b store.BulkRecord) releaseView {
	return releaseView{Code: b.Code, Title: "Release " + b.FormulaName, Sub: g(style, b.BulkG.Decimal) + " of bulk, for other batches to draw on", Action: paths.ReleaseBulk(b.Code), Back: paths.Batch(b.Code), Bulk: true,
		Status: b.Status, Conditions: b.Conditions, Todo: bulkTodo(b), Seen: store.SeenHash(b.Conditions), Key: ui.NewKey()}
}

// ReleaseForm shows the conditions with their evidence, and the place to sign.
func (a Area) ReleaseForm(r *ui.Request) error {
	p, err := a.Store.PackingRecord(r.HTTP.Context(), r.Who.Workshop, code(r))
	if err != nil {
		return err
	}
	return r.Render(http.StatusOK, r.Page("Release "+p.Code, "batches"), releasePage(packingRelease(r.Workshop.Style, p)))
}

// BulkReleaseForm is the same for bulk.
func (a Area) BulkReleaseForm(r *ui.Request) error {
	b, err := a.Store.BulkRecord(r.HTTP.Context(), r.Who.Workshop, code(r))
	if err != nil {
		return err
	}
	return r.Render(http.StatusOK, r.Page("Release "+b.Code, "batches"), releasePage(bulkRelease(r.Workshop.Style, b)))
}

// signed is a decision as it was posted.
type signed struct{ Decision, Password, Reason, Seen string }

func parseSigned(r *ui.Request) (signed, error) {
	f := r.Form()
	s := signed{Decision: f.OneOf(fieldDecision, "Choose whether to release it or to reject it.", "release", "reject"), Password: f.Raw(fieldPassword), Reason: f.Text(fieldReason, 1000), Seen: f.Raw(fieldSeen)}
	if s.Password == "" {
		f.Add(fieldPassword, "Sign with your password.")
	} else if len(s.Password) > 128 {
		f.Add(fieldPassword, "That is not your password.")
	}
	if s.Decision == "reject" && s.Reason == "" {
		f.Add(fieldReason, "Say why.")
	}
	if s.Decision == "release" && s.Seen == "" {
		f.Add(fieldSeen, "Open the page anew: what is signed has to be what was shown.")
	}
	return s, f.Err()
}

// sign throttles, so that a password cannot be tried out on an open tablet, and passes on to the store.
func (a Area) sign(r *ui.Request, store func(signed) error) error {
	s, err := parseSigned(r)
	if err != nil {
		return err
	}
	if err := r.Throttle("sign:"+personKey(r), 10, 10*time.Minute); err != nil {
		return err
	}
	return store(s)
}

func personKey(r *ui.Request) string {
	return store.Text(r.Who.Workshop) + ":" + store.Text(r.Who.Person)
}

// Release signs a packing out of quarantine, or rejects it.
func (a Area) Release(r *ui.Request) error {
	entry, err := r.Entry()
	ctx, done := r.HTTP.Context(), "released"
	if err == nil {
		err = a.sign(r, func(s signed) error {
			if s.Decision == "reject" {
				done = "rejected"
				return a.Store.RejectPacking(ctx, r.Who, entry, code(r), s.Password, s.Reason)
			}
			return a.Store.ReleasePacking(ctx, r.Who, entry, code(r), s.Password, s.Seen)
		})
	}
	if err == nil {
		return r.SeeOther(paths.Packing(code(r)), "Packing "+code(r)+" is "+done+".")
	}
	p, loadErr := a.Store.PackingRecord(ctx, r.Who.Workshop, code(r))
	if loadErr != nil {
		return loadErr
	}
	return a.refuseSigned(r, err, packingRelease(r.Workshop.Style, p))
}

// ReleaseBulk signs bulk out of quarantine, or rejects it.
func (a Area) ReleaseBulk(r *ui.Request) error {
	entry, err := r.Entry()
	ctx, done := r.HTTP.Context(), "released"
	if err == nil {
		err = a.sign(r, func(s signed) error {
			if s.Decision == "reject" {
				done = "rejected"
			}
			return a.Store.DecideBulk(ctx, r.Who, entry, code(r), s.Password, s.Seen, s.Decision == "release", s.Reason)
		})
	}
	if err == nil {
		return r.SeeOther(paths.Batch(code(r)), "Bulk "+code(r)+" is "+done+".")
	}
	b, loadErr := a.Store.BulkRecord(ctx, r.Who.Workshop, code(r))
	if loadErr != nil {
		return loadErr
	}
	return a.refuseSigned(r, err, bulkRelease(r.Workshop.Style, b))
}

func (a Area) refuseSigned(r *ui.Request, err error, v releaseView) error {
	f := r.Form()
	v.Key, v.Reason, v.Decision = f.Raw("entry_key"), f.Raw(fieldReason), f.Raw(fieldDecision)
	return r.Refuse(err, r.Page("Release "+v.Code, "batches"), func(fl *fault.Fault) templ.Component {
		v.Fault = fl
		return releasePage(v)
	})
}

// correctForm is what was typed into the correction.
type correctForm struct {
	Good, Retained, LabelsUsed, LabelSpecimen string
	labelsForm
	Cleared, LabelChecked bool
	Uses                  []useRow
	Reason, Really, Seen  string
}

type correctView struct {
	store.PackingRecord
	Key      string
	Clock    ui.Clock
	Labelled bool // lots count the labels
	Form     correctForm
	Fault    *fault.Fault
}

// CorrectForm shows a packing's counts, checks and packaging to be put right.
func (a Area) CorrectForm(r *ui.Request) error {
	p, err := a.Store.PackingRecord(r.HTTP.Context(), r.Who.Workshop, code(r))
	if err != nil {
		return err
	}
	v := correctView{PackingRecord: p, Key: ui.NewKey(), Clock: r.Clock()}
	v.Form = correctForm{Good: itoa(p.UnitsGood), Retained: itoa(p.UnitsRetained), LabelsUsed: countOrNone(p.LabelsUsed), LabelSpecimen: p.LabelSpecimen, Cleared: p.Cleared, LabelChecked: p.LabelChecked, Seen: p.Seen(),
		labelsForm: labelsForm{countOrNone(p.LabelsIssued), countOrNone(p.LabelsSpoiled), countOrNone(p.LabelsReturned), p.PackagingNote}}
	for _, l := range p.Packaging {
		if !l.Replaced {
			v.Form.Uses = append(v.Form.Uses, useRow{Material: l.Material, Input: store.Text(l.ID), Lot: l.Lot, Used: quantity.Plain(l.Used()), Spoiled: quantity.Plain(l.Spoiled), Issued: plain(l.Issued), Returned: plain(l.Returned)})
		}
	}
	if err := a.fillUses(r, &v); err != nil {
		return err
	}
	return r.Render(http.StatusOK, r.Page("Correct "+p.Code, "batches"), correctPage(v))
}

// fillUses names the rows of packaging and gives them lots to choose from, like the form for packing. What the units take
// is what they took when they were packed.
func (a Area) fillUses(r *ui.Request, v *correctView) error {
	need, err := a.Store.CorrectionSheet(r.HTTP.Context(), r.Who.Workshop, v.Code)
	if err != nil {
		return err
	}
	v.Labelled = labelled(need)
	pack := packView{Form: packForm{Uses: v.Form.Uses}}
	for i := range need {
		n := &need[i]
		for _, u := range v.Form.Uses {
			if u.Material == n.Material && u.Lot != "" && !hasLot(n.Lots, u.Lot) {
				n.Lots = append(n.Lots, store.LotChoice{Lot: store.Lot{Code: u.Lot}})
			}
		}
	}
	pack.fillRows(need)
	v.Form.Uses = pack.Form.Uses
	return nil
}

func hasLot(list []store.LotChoice, code string) bool {
	for _, l := range list {
		if l.Code == code {
			return true
		}
	}
	return false
}

// Correct replaces what was written down; the old stays beside the new.
func (a Area) Correct(r *ui.Request) error {
	f := r.Form()
	form := correctForm{Good: f.Raw(fieldGood), Retained: f.Raw(fieldRetained), LabelsUsed: f.Raw(fieldLabelsUsed), LabelSpecimen: f.Raw(fieldLabelSpecimen), Cleared: f.On(fieldCleared), LabelChecked: f.On(fieldLabelChecked),
		Reason: f.Raw(fieldReason), Really: f.Raw(fieldReally), Seen: f.Raw(fieldSeen)}
	c := store.PackingCorrection{Packing: code(r), Good: f.Whole(fieldGood, "How many are good?"), Retained: f.OptionalWhole(fieldRetained), LabelsUsed: optionalCount(f, fieldLabelsUsed), Cleared: form.Cleared,
		LabelChecked: form.LabelChecked, LabelSpecimen: f.Text(fieldLabelSpecimen, 2000), Reason: f.Must(fieldReason, 500, "Say why: the old value is kept beside the new one."), Seen: form.Seen}
	c.Really = store.Really{Yes: form.Really == "yes", Reason: c.Reason}
	form.Uses, c.Packaging = parseUses(f)
	form.labelsForm, c.Labels, c.PackagingNote = parseLabels(f)
	err := f.Err()
	var entry store.Entry
	if err == nil {
		entry, err = r.Entry()
	}
	if err == nil {
		err = a.Store.CorrectPacking(r.HTTP.Context(), r.Who, entry, c)
	}
	if err == nil {
		return r.SeeOther(paths.Packing(code(r)), "Packing "+code(r)+" is corrected.")
	}
	p, loadErr := a.Store.PackingRecord(r.HTTP.Context(), r.Who.Workshop, code(r))
	if loadErr != nil {
		return loadErr
	}
	v := correctView{PackingRecord: p, Key: f.Raw("entry_key"), Clock: r.Clock(), Form: form}
	if loadErr := a.fillUses(r, &v); loadErr != nil {
		return loadErr
	}
	return r.Refuse(err, r.Page("Correct "+p.Code, "batches"), func(fl *fault.Fault) templ.Component {
		v.Fault = fl
		return correctPage(v)
	})
}

func countOrNone(n *int) string {
	if n == nil {
		return ""
	}
	return itoa(*n)
}
