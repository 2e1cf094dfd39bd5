package tellingpages

import (
	"net/http"

	"github.com/a-h/templ"

	"example.org/stillroom/internal/closing"
	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/record"
	"example.org/stillroom/internal/release"
	"example.org/stillroom/internal/store"
	"example.org/stillroom/web/paths"
	"example.org/stillroom/web/ui"
	"example.org/stillroom/web/ui/paper"
)

type closeView struct {
	store.RecallClosing
	Clock ui.Clock
	Key   string
	Note  string
	Seen  string
	Fault *fault.Fault
}

func (a Area) closeOf(r *ui.Request) (closeView, int, error) {
	n, err := number(r)
	if err != nil {
		return closeView{}, 0, err
	}
	c, err := a.Store.RecallClosing(r.HTTP.Context(), r.Who.Workshop, n)
	return closeView{RecallClosing: c, Clock: r.Clock(), Key: ui.NewKey(), Seen: store.SeenHash(c.Conditions)}, n, err
}

func (v closeView) answer() string {
	if n := v.Open(); n > 0 {
		return count(n, "thing is still open", "things are still open")
	}
	return "Nothing is open"
}

// mark is a condition's state as ui.State draws it, and in a word.
func mark(c release.Condition) (kind, word string) {
	if c.State == release.OK {
		return "good", "done"
	}
	return "care", "open"
}

func markKind(c release.Condition) string { kind, _ := mark(c); return kind }
func markWord(c release.Condition) string { _, word := mark(c); return word }

// CloseForm shows what is still open, to sign.
func (a Area) CloseForm(r *ui.Request) error {
	v, n, err := a.closeOf(r)
	if err != nil {
		return err
	}
	if !v.Page.Open() {
		return r.SeeOther(paths.RecallReport(n), v.Page.Code()+" is closed already.")
	}
	return r.Render(http.StatusOK, r.Page("Close "+v.Page.Code(), "trace"), closePage(v))
}

// Close signs that the recall is at its end.
func (a Area) Close(r *ui.Request) error {
	v, n, err := a.closeOf(r)
	if err != nil {
		return err
	}
	f := r.Form()
	v.Key, v.Note = f.Raw("entry_key"), f.Raw(fieldNote)
	note := f.Must(fieldNote, 2000, "Say what was done and found, and why it can be closed.")
	err = save(r, f, func(entry store.Entry) error {
		return a.Store.CloseRecall(r.HTTP.Context(), r.Who, entry, n, note, f.Raw(fieldPassword), f.Raw(fieldSeen))
	})
	if err == nil {
		return r.SeeOther(paths.RecallReport(n), v.Page.Code()+" is closed.")
	}
	return r.Refuse(err, r.Page("Close "+v.Page.Code(), "trace"), func(said *fault.Fault) templ.Component {
		v.Fault = said
		return closePage(v)
	})
}

type reportView struct {
	Number int
	Closed bool
	Doc    record.Document
}

// Report is the closing report as a page; before the closing it is interim.
func (a Area) Report(r *ui.Request) error {
	n, err := number(r)
	if err != nil {
		return err
	}
	s, err := a.Store.RecallReport(r.HTTP.Context(), r.Who.Workshop, n, r.Who.Name, r.Now)
	if err != nil {
		return err
	}
	doc := closing.Build(s)
	return r.Render(http.StatusOK, r.Page(doc.Title, "trace"), reportPage(reportView{Number: n, Closed: s.Closed != nil, Doc: doc}))
}

// ReportPDF is the same as a file.
func (a Area) ReportPDF(r *ui.Request) error {
	n, err := number(r)
	if err != nil {
		return err
	}
	s, err := a.Store.RecallReport(r.HTTP.Context(), r.Who.Workshop, n, r.Who.Name, r.Now)
	if err != nil {
		return err
	}
	file, err := paper.PDF(closing.Build(s), s.Now)
	if err != nil {
		return err
	}
	return a.file(r, n, "closing report", "application/pdf", "recall-report-"+s.Code+".pdf", file)
}
