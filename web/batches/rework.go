package batches

import (
	"net/http"
	"slices"
	"time"

	"github.com/a-h/templ"
	"github.com/shopspring/decimal"

	"example.org/stillroom/internal/access"
	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/measure"
	"example.org/stillroom/internal/quantity"
	"example.org/stillroom/internal/store"
	"example.org/stillroom/web/paths"
	"example.org/stillroom/web/ui"
)

const (
	fieldFormula   = "formula"
	fieldWhat      = "what"
	fieldMovedOn   = "moved_on"
	fieldHappens   = "happened"
	fieldCode      = "code"
	fieldCodeKind  = "kind"
	fieldCodeUnits = "units"
	fieldNotedOn   = "noted_on"
)

// reworkView is what may be worked in again of a batch, and the leave for it.
type reworkView struct {
	store.ReworkPage
	Style                        measure.Style
	Clock                        ui.Clock
	Key                          string
	Formula, What, Grams, Reason string
	Fault                        *fault.Fault
}

var reworkLabels = map[string]string{fieldFormula: "Into", fieldWhat: "What", fieldGrams: "How much", fieldReason: "Why", fieldPassword: "Password"}

func (a Area) reworkView(r *ui.Request) (reworkView, error) {
	page, err := a.Store.ReworkPage(r.HTTP.Context(), r.Who.Workshop, code(r))
	return reworkView{ReworkPage: page, Style: r.Workshop.Style, Clock: r.Clock(), Key: ui.NewKey()}, err
}

// Rework shows what is there of a batch that was not packed as good, and what was signed for.
func (a Area) Rework(r *ui.Request) error {
	v, err := a.reworkView(r)
	if err != nil {
		return err
	}
	v.Formula = v.Batch.FormulaCode
	return r.Render(http.StatusOK, r.Page("Reprocessing of "+v.Batch.Code, "batches"), reworkPage(v))
}

// SignRework signs leave to work it into later batches of a formula.
func (a Area) SignRework(r *ui.Request) error {
	f := r.Form()
	n := store.NewRework{Batch: code(r), Formula: f.Must(fieldFormula, 40, "Choose the formula that it goes into."), What: f.OneOf(fieldWhat, "Choose rejects or what is left over.", "rejects", "left_over"), Reason: f.Must(fieldReason, 1000, "Say why it is fit to be worked in again.")}
	grams := f.Positive(fieldGrams, "How much may be worked in?")
	n.Grams = r.Workshop.Style.ToGrams(grams)
	password := f.Raw(fieldPassword)
	if password == "" {
		f.Add(fieldPassword, "Sign with your password.")
	} else if len(password) > 128 {
		f.Add(fieldPassword, "That is not your password.")
	}
	err := f.Err()
	var entry store.Entry
	if err == nil {
		entry, err = r.Entry()
	}
	if err == nil {
		err = r.Throttle("sign:"+personKey(r), 10, 10*time.Minute)
	}
	if err == nil {
		err = a.Store.SignRework(r.HTTP.Context(), r.Who, entry, n, password)
	}
	if err == nil {
		return r.SeeOther(paths.Rework(code(r)), "Signed: "+r.Workshop.Style.Grams(n.Grams)+" of "+code(r)+" may be worked in.")
	}
	v, loadErr := a.reworkView(r)
	if loadErr != nil {
		return loadErr
	}
	v.Key, v.Formula, v.What, v.Grams, v.Reason = f.Raw("entry_key"), f.Raw(fieldFormula), f.Raw(fieldWhat), f.Raw(fieldGrams), f.Raw(fieldReason)
	return r.Refuse(err, r.Page("Reprocessing of "+v.Batch.Code, "batches"), func(fl *fault.Fault) templ.Component {
		v.Fault = fl
		return reworkPage(v)
	})
}

// WithdrawRework takes leave back that nothing was drawn under.
func (a Area) WithdrawRework(r *ui.Request) error {
	id, err := store.ParseID[store.ReworkID](r.Param("id"))
	if err != nil {
		return err
	}
	page, err := a.Store.ReworkPage(r.HTTP.Context(), r.Who.Workshop, code(r))
	if err != nil {
		return err // before its reason is asked for: there may be no such batch, or no such leave
	}
	known := false
	for _, l := range page.Leaves {
		known = known || l.ID == id
	}
	if !known {
		return fault.New(fault.NotFound, "There is no such leave.")
	}
	return takeBackWith(r, paths.Rework(code(r)), func(entry store.Entry, reason string) error {
		return a.Store.WithdrawRework(r.HTTP.Context(), r.Who, entry, code(r), id, reason)
	})
}

// takeBackWith takes an entry back that has no form of its own to draw again: what is wrong is said on a page of its own.
func takeBackWith(r *ui.Request, back string, do func(store.Entry, string) error) error {
	f := r.Form()
	reason := f.Must(fieldReason, 1000, "Say why it is taken back: it stays in the book, struck through.")
	if bad := fault.As(f.Err()); bad != nil {
		return fault.New(fault.Invalid, bad.Of(fieldReason))
	}
	entry, err := r.Entry()
	if err == nil {
		err = do(entry, reason)
	}
	if bad := fault.As(err); bad != nil && bad.Of(fieldReason) != "" {
		return fault.New(bad.Kind, bad.Of(fieldReason))
	}
	if err != nil {
		return err
	}
	return r.SeeOther(back, "Taken back; it stays in the book, struck through.")
}

// bulkLeftView is what is left of bulk.
type bulkLeftView struct {
	store.BulkLeft
	Style                           measure.Style
	Clock                           ui.Clock
	Key                             string
	Happened, Grams, On, Note, Seen string
	MayMove                         bool
	Fault                           *fault.Fault
}

var bulkLeftLabels = map[string]string{fieldHappens: "What happened", fieldGrams: "How much", fieldMovedOn: "When", fieldNote: "Why"}

func (a Area) bulkLeftView(r *ui.Request) (bulkLeftView, error) {
	left, err := a.Store.BulkLeft(r.HTTP.Context(), r.Who.Workshop, code(r))
	return bulkLeftView{BulkLeft: left, Style: r.Workshop.Style, Clock: r.Clock(), Key: ui.NewKey(), Seen: quantity.Plain(left.LeftG), On: r.Today().String(), MayMove: r.May(access.Pack)}, err
}

// BulkLeft shows what is left of bulk and takes what became of it other than going into a batch.
func (a Area) BulkLeft(r *ui.Request) error {
	v, err := a.bulkLeftView(r)
	if err != nil {
		return err
	}
	return r.Render(http.StatusOK, r.Page("Bulk left of "+v.Batch.Code, "batches"), bulkLeftPage(v))
}

// MoveBulk books it.
func (a Area) MoveBulk(r *ui.Request) error {
	f := r.Form()
	n := store.NewBulkMove{Batch: code(r), Reason: f.OneOf(fieldHappens, "Choose what happened to it.", "thrown_away", "count"), On: f.Day(fieldMovedOn, "When was that?"), Note: f.Must(fieldNote, 1000, "Say why; it goes into the record.")}
	n.Grams = r.Workshop.Style.ToGrams(f.NonNegative(fieldGrams, "How much?"))
	if seen := f.Raw(fieldSeen); seen != "" {
		if d, err := quantity.Parse(seen); err == nil {
			n.Seen = decimal.NewNullDecimal(d)
		}
	}
	err := f.Err()
	var entry store.Entry
	if err == nil {
		entry, err = r.Entry()
	}
	if err == nil {
		err = a.Store.MoveBulk(r.HTTP.Context(), r.Who, entry, n)
	}
	if err == nil {
		return r.SeeOther(paths.BulkLeft(code(r)), "It is in the book.")
	}
	v, loadErr := a.bulkLeftView(r)
	if loadErr != nil {
		return loadErr
	}
	v.Key, v.Happened, v.Grams, v.On, v.Note = f.Raw("entry_key"), f.Raw(fieldHappens), f.Raw(fieldGrams), f.Raw(fieldMovedOn), f.Raw(fieldNote)
	return r.Refuse(moved(err), r.Page("Bulk left of "+v.Batch.Code, "batches"), func(fl *fault.Fault) templ.Component {
		v.Fault = fl
		return bulkLeftPage(v)
	})
}

// moved gives the store's fault about the reason the name of the choice on the page.
func moved(err error) error {
	bad := fault.As(err)
	if bad == nil || bad.Of(fieldReason) == "" {
		return err
	}
	out := &fault.Fault{Kind: bad.Kind, Message: bad.Message}
	for _, field := range bad.Fields {
		if field.Name == fieldReason {
			field.Name = fieldHappens
		}
		out.Fields = append(out.Fields, field)
	}
	return out
}

// WithdrawBulkMove takes an entry back.
func (a Area) WithdrawBulkMove(r *ui.Request) error {
	id, err := store.ParseID[store.BulkMoveID](r.Param("id"))
	if err != nil {
		return err
	}
	if _, err := a.Store.BulkLeft(r.HTTP.Context(), r.Who.Workshop, code(r)); err != nil {
		return err
	}
	return takeBackWith(r, paths.BulkLeft(code(r)), func(entry store.Entry, reason string) error {
		return a.Store.WithdrawBulkMove(r.HTTP.Context(), r.Who, entry, code(r), id, reason)
	})
}

// codesView is the codes that stand on a packing's units.
type codesView struct {
	store.UnitCodesPage
	Clock                         ui.Clock
	Style                         measure.Style
	Key                           string
	Code, Kind, Units, Reason, On string
	MayNote                       bool
	Fault                         *fault.Fault
}

var codesLabels = map[string]string{fieldCode: "What stands on them", fieldCodeKind: "How it came about", fieldCodeUnits: "How many", fieldReason: "What happened", fieldNotedOn: "When"}

func (a Area) codesView(r *ui.Request) (codesView, error) {
	page, err := a.Store.UnitCodes(r.HTTP.Context(), r.Who.Workshop, code(r))
	return codesView{UnitCodesPage: page, Clock: r.Clock(), Style: r.Workshop.Style, Key: ui.NewKey(), On: r.Today().String(), MayNote: r.May(access.Pack)}, err
}

// Codes shows which codes stand on a packing's units besides its own.
func (a Area) Codes(r *ui.Request) error {
	v, err := a.codesView(r)
	if err != nil {
		return err
	}
	return r.Render(http.StatusOK, r.Page("Codes on units of "+v.Packing.Code, "batches"), codesPage(v))
}

// NoteCode notes one.
func (a Area) NoteCode(r *ui.Request) error {
	f := r.Form()
	n := store.NewUnitCode{Packing: code(r), Code: f.Must(fieldCode, 40, "What stands on them? Copy it as it is printed."), Kind: f.OneOf(fieldCodeKind, "Choose how it came about.", "mix_up", "relabelled", "misprint"),
		Units: f.OptionalWhole(fieldCodeUnits), Reason: f.Must(fieldReason, 1000, "Say how it came about; it goes into the record."), On: f.Day(fieldNotedOn, "Which day?")}
	err := f.Err()
	var entry store.Entry
	if err == nil {
		entry, err = r.Entry()
	}
	if err == nil {
		err = a.Store.NoteUnitCode(r.HTTP.Context(), r.Who, entry, n)
	}
	if err == nil {
		return r.SeeOther(paths.PackingCodes(code(r)), n.Code+" leads to "+code(r)+" too from now on.")
	}
	v, loadErr := a.codesView(r)
	if loadErr != nil {
		return loadErr
	}
	v.Key, v.Code, v.Kind, v.Units, v.Reason, v.On = f.Raw("entry_key"), f.Raw(fieldCode), f.Raw(fieldCodeKind), f.Raw(fieldCodeUnits), f.Raw(fieldReason), f.Raw(fieldNotedOn)
	return r.Refuse(err, r.Page("Codes on units of "+v.Packing.Code, "batches"), func(fl *fault.Fault) templ.Component {
		v.Fault = fl
		return codesPage(v)
	})
}

// WithdrawCode takes an entry back.
func (a Area) WithdrawCode(r *ui.Request) error {
	id, err := store.ParseID[store.UnitCodeID](r.Param("id"))
	if err != nil {
		return err
	}
	if _, err := a.Store.UnitCodes(r.HTTP.Context(), r.Who.Workshop, code(r)); err != nil {
		return err
	}
	return takeBackWith(r, paths.PackingCodes(code(r)), func(entry store.Entry, reason string) error {
		return a.Store.WithdrawUnitCode(r.HTTP.Context(), r.Who, entry, code(r), id, reason)
	})
}

// whatWords are the kinds of remainder.
func whatWords(what string) string {
	if what == "left_over" {
		return "Left over"
	}
	return "Rejects"
}

// remainderWords says what a remainder is.
func remainderWords(x store.Remainder) string {
	words := whatWords(x.What)
	if x.Reason != "" {
		words += ": " + x.Reason
	}
	if x.Units > 0 {
		words += ", " + store.UnitCount(x.Units)
	}
	return words
}

func (v reworkView) remainderMass(x store.Remainder) string {
	if !x.Grams.Valid {
		return "not weighed"
	}
	return v.Style.Grams(x.Grams.Decimal.Round(1))
}

// free says how much of a kind may still be signed for.
func (v reworkView) free(what string) string {
	g, known := v.FreeG(what)
	if !known {
		return "how much is there was not weighed"
	}
	return v.Style.Grams(g.Round(1)) + " to be signed for"
}

// signable tells whether leave may be signed at all.
func (v reworkView) signable() bool {
	return len(v.Bad) == 0 && len(v.Remainders) > 0 && v.Batch.Yields != "bulk" && !v.Batch.IsSet() && v.Batch.Status != "making" && v.Batch.Status != "void"
}

func (v reworkView) formulas() []ui.Option {
	var out []ui.Option
	for _, f := range v.Formulas {
		out = append(out, ui.Option{Value: f.Code, Label: f.Name, Hint: f.Code})
	}
	return out
}

func (v bulkLeftView) words(m store.BulkMove) string {
	if m.Reason == "thrown_away" {
		return v.Style.Grams(m.Grams.Neg()) + " thrown away"
	}
	if m.Grams.IsNegative() {
		return v.Style.Grams(m.Grams.Neg()) + " less than the book held, when weighed"
	}
	return v.Style.Grams(m.Grams) + " more than the book held, when weighed"
}

// unitsIn counts the units in a set.
func (v batchView) unitsIn() int {
	sum := 0
	for _, in := range v.Inputs() {
		sum += int(in.Quantity.IntPart())
	}
	return sum
}

// owns tells whether a packing is of this batch.
func (v batchView) owns(packing string) bool {
	return slices.ContainsFunc(v.Packings, func(p store.Packing) bool { return p.Code == packing })
}
