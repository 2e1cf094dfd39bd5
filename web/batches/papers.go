package batches

import (
	"net/http"

	"github.com/a-h/templ"

	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/store"
	"example.org/stillroom/web/paths"
	"example.org/stillroom/web/ui"
)

// paperKinds are what may come with a batch.
var paperKinds = []ui.Option{
	{Value: "photo", Label: "Photo"},
	{Value: "lab_result", Label: "Result of a laboratory"},
	{Value: "label", Label: "Label"},
	{Value: "other", Label: "Something else"},
}

// paperTypes are the endings that a browser offers to choose from.
const paperTypes = ".pdf,.jpg,.jpeg,.png,application/pdf,image/jpeg,image/png"

func paperWords(kind string) string {
	for _, k := range paperKinds {
		if k.Value == kind {
			return k.Label
		}
	}
	return "Paper"
}

type papersView struct {
	Batch store.BatchRecord
	Key   string
	Kind  string
	Fault *fault.Fault
}

// PapersForm shows a batch's papers and the form that adds one.
func (a Area) PapersForm(r *ui.Request) error {
	b, err := a.Store.Batch(r.HTTP.Context(), r.Who.Workshop, code(r))
	if err != nil {
		return err
	}
	return r.Render(http.StatusOK, r.Page("Papers of batch "+b.Code, "batches"), papersPage(papersView{Batch: b, Key: ui.NewKey()}))
}

// AddPaper keeps a file with a batch.
func (a Area) AddPaper(r *ui.Request) error {
	b, err := a.Store.Batch(r.HTTP.Context(), r.Who.Workshop, code(r))
	if err != nil {
		return err
	}
	f := r.Form()
	kind := f.OneOf(fieldKind, "Choose what it is.", "photo", "lab_result", "label", "other")
	files, err := r.Uploads(fieldFile, kind)
	f.Check(fieldFile, err)
	if len(files) == 0 {
		f.Add(fieldFile, "Choose the file.")
	} else if len(files) > 1 {
		f.Add(fieldFile, "One file at a time, please.")
	}
	err = f.Err()
	var entry store.Entry
	if err == nil {
		entry, err = r.EntryWith(files)
	}
	if err == nil {
		err = a.Store.AttachToBatch(r.HTTP.Context(), r.Who, entry, b.Code, files[0])
	}
	if err == nil {
		return r.SeeOther(paths.Batch(b.Code), files[0].Name+" is kept with batch "+b.Code+".")
	}
	v := papersView{Batch: b, Key: f.Raw("entry_key"), Kind: f.Raw(fieldKind)}
	return r.Refuse(err, r.Page("Papers of batch "+b.Code, "batches"), func(f *fault.Fault) templ.Component {
		v.Fault = f
		return papersPage(v)
	})
}
