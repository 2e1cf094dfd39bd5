// Package recordpages shows the batch record: as a page to read and print, as a PDF, and with everything that belongs to
// it as one folder for an inspection.
package recordpages

import (
	"fmt"
	"net/http"
	"strconv"
	"strings"
	"time"

	"example.org/stillroom/internal/record"
	"example.org/stillroom/internal/store"
	"example.org/stillroom/web/ui"
	"example.org/stillroom/web/ui/paper"
)

// Area serves the batch record.
type Area struct{ Store *store.Store }

// Files are bounded a person: each reads the whole reach of a batch.
const (
	filesMost   = 60
	filesWindow = time.Minute
)

type view struct {
	Code   string
	Sub    string
	Papers string // how many papers go into the folder, in words
	Doc    record.Document
}

// Record is the page.
func (a Area) Record(r *ui.Request) error {
	s, papers, err := a.Store.RecordPage(r.HTTP.Context(), r.Who.Workshop, r.Param("code"), r.Who.Name, r.Now)
	if err != nil {
		return err
	}
	v := view{Code: s.Code, Doc: record.Build(s), Sub: "made " + s.Style.Day(s.MadeOn), Papers: "no papers, since none are kept"}
	switch {
	case papers == 1:
		v.Papers = "the one paper kept with the batch and its lots"
	case papers > 1:
		v.Papers = fmt.Sprintf("the %d papers kept with the batch and its lots", papers)
	}
	if name := s.ProductName; name != "" {
		v.Sub = name + ", " + v.Sub
	} else if s.FormulaName != "" {
		v.Sub = s.FormulaName + ", " + v.Sub
	}
	return r.Render(http.StatusOK, r.Page("Batch record "+s.Code, "batches"), recordPage(v))
}

// RecordPDF is the same as a file; the code of a packing leads to its batch's.
func (a Area) RecordPDF(r *ui.Request) error {
	if err := a.export(r, "batch record"); err != nil {
		return err
	}
	s, err := a.Store.Record(r.HTTP.Context(), r.Who.Workshop, r.Param("code"), r.Who.Name, r.Now)
	if err != nil {
		return err
	}
	file, err := paper.PDF(record.Build(s), s.Now)
	if err != nil {
		return err
	}
	h := r.W.Header()
	h.Set("Content-Type", "application/pdf")
	h.Set("Content-Length", strconv.Itoa(len(file)))
	h.Set("Content-Disposition", `attachment; filename="batch-record-`+fileName(s.Code)+`.pdf"`)
	if _, err := r.W.Write(file); err != nil {
		r.Log("batch record not taken", "code", s.Code, "error", err.Error())
	}
	return nil
}

// export bounds and logs what leaves the program as a file.
func (a Area) export(r *ui.Request, what string) error {
	if err := r.Throttle("record:"+store.Text(r.Who.Workshop)+":"+store.Text(r.Who.Person), filesMost, filesWindow); err != nil {
		return err
	}
	r.Log("export", "what", what, "of", "batch", "code", r.Param("code"), "person", store.Text(r.Who.Person), "workshop", store.Text(r.Who.Workshop))
	return nil
}

// fileName is a code as part of a file's name: letters and digits of ASCII, and dashes.
func fileName(code string) string {
	name := strings.Trim(strings.Map(func(c rune) rune {
		if c >= 'a' && c <= 'z' || c >= 'A' && c <= 'Z' || c >= '0' && c <= '9' {
			return c
		}
		return '-'
	}, code), "-")
	if name == "" {
		return "batch"
	}
	return name
}
