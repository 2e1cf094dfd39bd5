package batches

import (
	"net/http"
	"strings"

	"github.com/a-h/templ"
	"github.com/shopspring/decimal"

	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/measure"
	"example.org/stillroom/internal/release"
	"example.org/stillroom/internal/store"
	"example.org/stillroom/internal/yield"
	"example.org/stillroom/web/paths"
	"example.org/stillroom/web/ui"
)

type packagingView struct {
	store.PackingRecord
	Key          string
	Note, Reason string
	Fault        *fault.Fault
}

var packagingLabels = map[string]string{fieldPackagingNote: "What became of it", fieldReason: "Why the change"}

// PackagingForm shows what was handed out, used and put back, and takes the explanation of what does not add up.
func (a Area) PackagingForm(r *ui.Request) error {
	p, err := a.Store.PackingRecord(r.HTTP.Context(), r.Who.Workshop, code(r))
	if err != nil {
		return err
	}
	return r.Render(http.StatusOK, r.Page("Packaging of "+p.Code, "batches"), explainPage(packagingView{PackingRecord: p, Key: ui.NewKey(), Note: p.PackagingNote}))
}

// ExplainPackaging stores it.
func (a Area) ExplainPackaging(r *ui.Request) error {
	f := r.Form()
	note, reason := f.Must(fieldPackagingNote, 1000, "Say what became of it."), f.Text(fieldReason, 500)
	err := f.Err()
	var entry store.Entry
	if err == nil {
		entry, err = r.Entry()
	}
	if err == nil {
		err = a.Store.ExplainPackaging(r.HTTP.Context(), r.Who, entry, code(r), note, reason)
	}
	if err == nil {
		return r.SeeOther(paths.Packing(code(r)), "The packaging of "+code(r)+" is explained.")
	}
	p, loadErr := a.Store.PackingRecord(r.HTTP.Context(), r.Who.Workshop, code(r))
	if loadErr != nil {
		return loadErr
	}
	v := packagingView{PackingRecord: p, Key: f.Raw("entry_key"), Note: f.Raw(fieldPackagingNote), Reason: f.Raw(fieldReason)}
	return r.Refuse(err, r.Page("Packaging of "+p.Code, "batches"), func(f *fault.Fault) templ.Component {
		v.Fault = f
		return explainPage(v)
	})
}

// packagingCondition is how the packaging stands in the release.
func packagingCondition(p store.PackingRecord) release.Condition {
	for _, c := range p.Conditions {
		if c.Key == release.KeyPackaging {
			return c
		}
	}
	return release.Condition{}
}

// sum is one packaging material of a packing, over its lots; Unit is empty for labels that have none.
type sum struct {
	Name, Unit string
	yield.Packaging
	Take decimal.Decimal // what the units take; zero where nothing says so
}

// sums are what was handed out of each material, and the labels that have no lots.
func sums(p store.PackingRecord) []sum {
	var out []sum
	at := map[string]int{}
	for _, n := range p.Need {
		if n.Tracked {
			at[n.Material] = len(out)
			out = append(out, sum{Name: n.Name, Unit: n.Unit, Take: n.PerUnit.Mul(decimal.NewFromInt(int64(p.UnitsGood + p.UnitsRetained)))})
		}
	}
	for _, l := range p.Packaging {
		if l.Replaced {
			continue
		}
		i, ok := at[l.Material]
		if !ok {
			i = len(out)
			at[l.Material], out = i, append(out, sum{Name: l.Name, Unit: l.Unit})
		}
		s := &out[i]
		s.Issued, s.Used, s.Spoiled, s.Returned = s.Issued.Add(l.Out()), s.Used.Add(l.Used()), s.Spoiled.Add(l.Spoiled), s.Returned.Add(l.Returned.Decimal)
	}
	if l, counted := p.Labels(); counted && !labelled(p.Need) {
		out = append(out, sum{Name: "Labels", Unit: "each", Packaging: l})
	}
	return out
}

// labelled tells whether lots count the labels.
func labelled(need []store.PackagingNeed) bool {
	for _, n := range need {
		if n.IsLabel && n.Tracked {
			return true
		}
	}
	return false
}

// missingWords says what a material's counts leave open.
func (s sum) missingWords(style measure.Style) string {
	missing := s.Missing()
	switch {
	case missing.IsPositive():
		return counted(style, missing, s.Unit) + " not accounted for"
	case missing.IsNegative():
		return counted(style, missing.Neg(), s.Unit) + " more than handed out"
	case s.Unit == "each" && s.Take.IsPositive() && !s.Used.Equal(s.Take):
		return "the units take " + counted(style, s.Take, s.Unit)
	}
	return "adds up"
}

func explainButton(v packagingView) string {
	if strings.TrimSpace(v.PackagingNote) == "" {
		return "Record this explanation"
	}
	return "Correct it"
}

// nothingToExplain tells that all adds up and no words stand there that could be corrected.
func (v packagingView) nothingToExplain() bool {
	return v.Fault == nil && v.PackagingNote == "" && packagingCondition(v.PackingRecord).State == release.OK
}
