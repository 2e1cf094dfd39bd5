// Package exchange is how a workshop's content comes in and leaves as tables: a file is looked through first, which saves
// nothing and tells everything that is off, and is saved as one piece or not at all.
package exchange

import (
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"os"
	"strconv"
	"strings"
	"time"

	"github.com/a-h/templ"

	"example.org/stillroom/internal/day"
	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/interchange"
	"example.org/stillroom/internal/store"
	"example.org/stillroom/web/ui"
)

// Area serves the pages of the workshop's data.
type Area struct {
	Store *store.Store
	Log   *slog.Logger
	Most  int64 // bytes of a file to import; 0 is what the store says
}

// Names of form fields, shared by form, fault and page.
const (
	fieldKey    = "entry_key"
	fieldFile   = "file"
	fieldUpdate = "update"
	fieldTable  = "table"
)

// An export reads the whole book: some an hour are a person's, more are not.
const (
	exportsMost   = 20
	exportsWindow = time.Hour
)

type dataView struct {
	Key    string
	Update bool
	Most   string
	Tables []interchange.Table
	Jobs   []jobLine
	Fault  *fault.Fault
}

type jobLine struct{ ID, File, By, At, Kind, State string }

// Data is where tables leave and come in.
func (a Area) Data(r *ui.Request) error {
	v := dataView{Key: ui.NewKey()}
	if err := a.fill(r, &v); err != nil {
		return err
	}
	return r.Render(http.StatusOK, r.Page("Data", "settings"), dataPage(v))
}

func (a Area) fill(r *ui.Request, v *dataView) error {
	jobs, err := a.Store.ImportJobs(r.HTTP.Context(), r.Who.Workshop)
	if err != nil {
		return err
	}
	for _, j := range jobs {
		kind, words := stateOf(j)
		v.Jobs = append(v.Jobs, jobLine{ID: store.Text(j.ID), File: j.FileName, By: j.MadeBy, At: r.Clock().Short(j.MadeAt), Kind: kind, State: words})
	}
	v.Tables, v.Most = interchange.Tables(), fmt.Sprintf("%d MB", a.most()>>20)
	return nil
}

func (a Area) most() int64 {
	if a.Most == 0 {
		return store.ImportMost
	}
	return a.Most
}

// refuse shows the page again with what was off about the file.
func (a Area) refuse(r *ui.Request, err error) error {
	v := dataView{Key: ui.NewKey(), Update: r.Form().On(fieldUpdate)}
	if filled := a.fill(r, &v); filled != nil {
		return filled
	}
	return r.Refuse(err, r.Page("Data", "settings"), func(f *fault.Fault) templ.Component {
		v.Fault = f
		return dataPage(v)
	})
}

// Export sends every table as one zip. It is written to a temporary file first, so that an export that could not be
// finished is never sent as if it were whole, and a slow line does not hold the database's snapshot.
func (a Area) Export(r *ui.Request) error {
	if err := r.Throttle("export:"+store.Text(r.Who.Workshop)+":"+store.Text(r.Who.Person), exportsMost, exportsWindow); err != nil {
		return err
	}
	r.Log("export", "what", "all tables", "person", store.Text(r.Who.Person), "workshop", store.Text(r.Who.Workshop))
	file, err := os.CreateTemp("", "stillroom-export-*")
	if err != nil {
		return fmt.Errorf("export: %w", err)
	}
	defer func() {
		_ = file.Close()
		_ = os.Remove(file.Name())
	}()
	if err := a.Store.ExportZip(r.HTTP.Context(), r.Who.Workshop, file); err != nil {
		return err
	}
	size, err := file.Seek(0, io.SeekEnd)
	if err == nil {
		_, err = file.Seek(0, io.SeekStart)
	}
	if err != nil {
		return fmt.Errorf("export: %w", err)
	}
	h := r.W.Header()
	h.Set("Content-Type", "application/zip")
	h.Set("Content-Length", strconv.FormatInt(size, 10))
	h.Set("Content-Disposition", `attachment; filename="`+zipName(r.Workshop.Code, r.Today())+`"`)
	out := slowWriter{slowly(http.NewResponseController(r.W).SetWriteDeadline), r.W}
	defer out.end()
	// Once the head is sent, a failure can only cut the line: the length tells the browser.
	if _, err := io.Copy(out, file); err != nil {
		r.Log("export not taken", "error", err.Error())
	}
	return nil
}

// zipName is a name that says whose tables of which day they are, in letters that any system takes.
func zipName(code string, today day.Day) string {
	name := strings.Trim(strings.Map(func(c rune) rune {
		if c >= 'a' && c <= 'z' || c >= 'A' && c <= 'Z' || c >= '0' && c <= '9' {
			return c
		}
		return '-'
	}, code), "-")
	return strings.TrimLeft(name+"-"+today.String()+".zip", "-")
}

type columnsView struct {
	Tables []interchange.Table
	Book   []interchange.BookTable
}

// Columns explains what stands in each table.
func (a Area) Columns(r *ui.Request) error {
	book, err := a.Store.BookTables(r.HTTP.Context(), r.Who.Workshop)
	if err != nil {
		return err
	}
	return r.Render(http.StatusOK, r.Page("Tables and columns", "settings"), columnsPage(columnsView{interchange.Tables(), book}))
}

// Template is a table with its header and nothing below, to be filled in.
func (a Area) Template(r *ui.Request) error {
	t, known := interchange.Lookup(r.Param("name"))
	if !known {
		return fault.New(fault.NotFound, "There is no such table.")
	}
	h := r.W.Header()
	h.Set("Content-Type", "text/csv; charset=utf-8; header=present")
	h.Set("Content-Disposition", `attachment; filename="`+t.File()+`"`)
	_, err := io.WriteString(r.W, strings.Join(t.Header(), ",")+"\n")
	return err
}

// kindWords says in plain words what a column takes.
func kindWords(c interchange.Column) string {
	switch c.Kind {
	case interchange.Code:
		return "a short name, 1 to 40 characters"
	case interchange.UnitCode:
		return "a code, 1 to 20 letters, digits and plain signs, no spaces"
	case interchange.Decimal:
		return "a number with a point, such as 12.5" + limits(c)
	case interchange.Integer:
		return "a whole number" + limits(c)
	case interchange.Date:
		return "a date, such as 2026-03-14"
	case interchange.Moment:
		return "date and time, such as 2026-03-14T09:30:00Z"
	case interchange.Bool:
		return "true or false"
	case interchange.Word:
		return "one of " + strings.Join(c.Words, ", ")
	}
	return "text, up to " + strconv.Itoa(c.Max) + " characters"
}

// vast is a bound that is there for the database's sake and means nothing to a maker.
const vast = 6

func limits(c interchange.Column) string {
	low, high := c.Low, c.High
	if len(strings.TrimPrefix(high, "-")) > vast {
		high = ""
	}
	if len(strings.TrimPrefix(low, "-")) > vast {
		low = ""
	}
	switch {
	case low != "" && c.Over:
		return ", more than " + low
	case low != "" && high != "":
		return ", " + low + " to " + high
	case low != "":
		return ", " + low + " or more"
	case high != "":
		return ", at most " + high
	}
	return ""
}

// needWords says whether a column may stay empty, and what that means.
func needWords(c interchange.Column) string {
	switch {
	case !c.Optional:
		return "needed"
	case c.Default != "":
		return "empty means " + c.Default
	}
	return "may be empty"
}
