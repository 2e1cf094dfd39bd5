package products

import (
	"net/http"

	"github.com/a-h/templ"

	"example.org/stillroom/internal/access"
	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/keeping"
	"example.org/stillroom/internal/store"
	"example.org/stillroom/web/paths"
	"example.org/stillroom/web/ui"
)

const (
	fieldKind = "kind"
	fieldFile = "file"
)

// paperTypes are the endings that a browser offers to choose from.
const paperTypes = ".pdf,.jpg,.jpeg,.png,application/pdf,image/jpeg,image/png"

// paperKinds are what may be kept with a product: the parts of its information, its label, anything else.
func paperKinds() []ui.Option {
	var list []ui.Option
	for _, p := range keeping.Papers() {
		list = append(list, ui.Option{Value: p.Kind, Label: p.Name, Hint: p.About})
	}
	return append(list, ui.Option{Value: "label", Label: "Label"}, ui.Option{Value: "photo", Label: "Photo"}, ui.Option{Value: "other", Label: "Something else"})
}

func paperWords(kind string) string {
	for _, k := range paperKinds() {
		if k.Value == kind {
			return k.Label
		}
	}
	return "Paper"
}

type papersView struct {
	Product store.ProductPage
	Key     string
	Kind    string
	May     bool
	Fault   *fault.Fault
}

// PapersForm shows a product's papers and the form that adds one.
func (a Area) PapersForm(r *ui.Request) error {
	p, err := a.Store.ProductPage(r.HTTP.Context(), r.Who.Workshop, r.Param("code"))
	if err != nil {
		return err
	}
	return r.Render(http.StatusOK, r.Page("Papers of "+p.Name, "products"), papersPage(papersView{Product: p, Key: ui.NewKey(), May: r.May(access.EditFormula)}))
}

// AddPaper keeps a file with a product.
func (a Area) AddPaper(r *ui.Request) error {
	p, err := a.Store.ProductPage(r.HTTP.Context(), r.Who.Workshop, r.Param("code"))
	if err != nil {
		return err
	}
	f := r.Form()
	var kinds []string
	for _, k := range paperKinds() {
		kinds = append(kinds, k.Value)
	}
	kind := f.OneOf(fieldKind, "Choose what it is.", kinds...)
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
		err = a.Store.AttachToProduct(r.HTTP.Context(), r.Who, entry, p.Code, files[0])
	}
	if err == nil {
		return r.SeeOther(paths.ProductPapers(p.Code), files[0].Name+" is kept with "+p.Name+".")
	}
	v := papersView{Product: p, Key: f.Raw("entry_key"), Kind: f.Raw(fieldKind), May: true}
	return r.Refuse(err, r.Page("Papers of "+p.Name, "products"), func(f *fault.Fault) templ.Component {
		v.Fault = f
		return papersPage(v)
	})
}
