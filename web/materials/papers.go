package materials

import (
	"bytes"
	"io"
	"mime"
	"net/http"
	"strconv"

	"github.com/a-h/templ"

	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/store"
	"example.org/stillroom/web/paths"
	"example.org/stillroom/web/ui"
)

// paperKinds are what may come with a lot.
var paperKinds = []ui.Option{
	{Value: "certificate", Label: "Certificate of analysis"},
	{Value: "safety_data_sheet", Label: "Safety data sheet"},
	{Value: "delivery_note", Label: "Delivery note"},
	{Value: "other", Label: "Something else"},
}

func kindWords(kind string) string {
	for _, k := range paperKinds {
		if k.Value == kind {
			return k.Label
		}
	}
	return kind
}

type papersView struct {
	Key   string
	Lot   store.LotPage
	Kind  string
	Fault *fault.Fault
}

// Papers shows a lot's papers and the form that adds one.
func (a Area) Papers(r *ui.Request) error {
	lot, err := a.Store.Lot(r.HTTP.Context(), r.Who.Workshop, code(r))
	if err != nil {
		return err
	}
	return r.Render(http.StatusOK, r.Page("Papers of lot "+lot.Code, "materials"), papersPage(papersView{Key: ui.NewKey(), Lot: lot}))
}

// AddPaper keeps a file with a lot.
func (a Area) AddPaper(r *ui.Request) error {
	lot, err := a.Store.Lot(r.HTTP.Context(), r.Who.Workshop, code(r))
	if err != nil {
		return err
	}
	f := r.Form()
	kind := f.OneOf(fieldKind, "Choose what it is.", "certificate", "safety_data_sheet", "delivery_note", "other")
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
		err = a.Store.AttachToLot(r.HTTP.Context(), r.Who, entry, lot.Code, files[0])
	}
	if err == nil {
		return r.SeeOther(paths.Lot(lot.Code), files[0].Name+" is kept with lot "+lot.Code+".")
	}
	v := papersView{Key: f.Raw("entry_key"), Lot: lot, Kind: f.Raw(fieldKind)}
	return r.Refuse(err, r.Page("Papers of lot "+lot.Code, "materials"), func(f *fault.Fault) templ.Component {
		v.Fault = f
		return papersPage(v)
	})
}

// Document sends a stored file to be saved, never to be shown: what came in as a paper must not act as a page of ours.
func (a Area) Document(r *ui.Request) error {
	id, err := store.ParseID[store.DocumentID](r.Param("id"))
	if err != nil {
		return err
	}
	// Read whole before it is sent, so that a slow line does not hold a connection of the database.
	var file bytes.Buffer
	var d store.Document
	err = a.Store.Document(r.HTTP.Context(), r.Who.Workshop, id, func(head store.Document) io.Writer {
		d = head
		file.Grow(head.Size)
		return &file
	})
	if err != nil {
		return err
	}
	h := r.W.Header()
	h.Set("Content-Type", d.MediaType)
	h.Set("Content-Length", strconv.Itoa(file.Len()))
	h.Set("Content-Disposition", mime.FormatMediaType("attachment", map[string]string{"filename": d.Name}))
	h.Set("X-Content-Type-Options", "nosniff")
	h.Set("Content-Security-Policy", "sandbox; default-src 'none'")
	// Once the head is sent, a failure can only cut the line: the length tells the browser.
	if _, err := file.WriteTo(r.W); err != nil {
		r.Log("document not taken", "document", store.Text(id), "error", err.Error())
	}
	return nil
}
