package api

import (
	"errors"
	"fmt"
	"io"
	"mime"
	"net/http"
	"os"
	"path/filepath"
	"reflect"
	"strconv"
	"strings"
	"time"

	"github.com/danielgtaylor/huma/v2"

	"example.org/stillroom/internal/day"
	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/interchange"
	"example.org/stillroom/internal/store"
)

// patience is how long the other side may be silent while a file comes or goes, and workMost how long an import may take
// to be read into the book. A file as a whole may take longer than the server gives a page.
const (
	patience = time.Minute
	workMost = time.Hour
)

// wallClock is what a line's deadlines go by, whatever time the house tells.
func wallClock() time.Time { return time.Now() }

// patient moves the deadline of the line on with each piece of a file.
type patient struct {
	c    *call
	line *http.ResponseController
	body io.Reader
}

func (c *call) patient(body io.Reader) patient {
	return patient{c, http.NewResponseController(c.w), body}
}

// Read takes the next piece. A server without deadlines has none to move.
func (p patient) Read(to []byte) (int, error) {
	_ = p.line.SetReadDeadline(wallClock().Add(patience))
	return p.body.Read(to)
}

func (p patient) Write(piece []byte) (int, error) {
	_ = p.line.SetWriteDeadline(wallClock().Add(patience))
	return p.c.w.Write(piece)
}

// importInput is documented from its tags.
type importInput struct {
	Table   string `query:"table" doc:"For text/csv: which table it is, such as batches"`
	Update  string `query:"update" enum:"true,false" doc:"Change rows that the book has with other values; else they are conflicts"`
	Preview string `query:"preview" enum:"true,false" doc:"Look through it and save nothing"`
}

// importReport is what came of an import that nothing was wrong with.
type importReport struct {
	Tables []store.TableCount `json:"tables"`
	Saved  bool               `json:"saved"`
}

// book adds the way in and the way out of everything.
func (s *site) book() {
	file := &huma.Schema{Type: huma.TypeString, Format: "binary"}
	report := s.named("ImportReport", s.registry().Schema(reflect.TypeFor[importReport](), false, ""))
	serve(s, writes, huma.Operation{
		Method: http.MethodPost, Path: "/import", OperationID: "import",
		Summary:     "Bring in a zip of tables, or one table",
		Description: "The same as `stillroom import`: all or nothing. With anything wrong the answer is 422 and tells where.",
		RequestBody: &huma.RequestBody{Required: true, Content: map[string]*huma.MediaType{
			"application/zip": {Schema: file},
			"text/csv":        {Schema: &huma.Schema{Type: huma.TypeString}},
		}},
		Responses: map[string]*huma.Response{
			"200": {Description: "Saved; or looked through, or there already, and then saved is false", Content: map[string]*huma.MediaType{"application/json": {Schema: report}}},
			"409": s.refusal(http.StatusConflict),
		},
	}, s.bringIn)
	serve(s, reads, huma.Operation{
		Method: http.MethodGet, Path: "/export", OperationID: "export",
		Summary: "Everything as a zip of tables", Description: "The same tables as `stillroom export`.",
		Responses: map[string]*huma.Response{
			"200": {Description: "The tables", Content: map[string]*huma.MediaType{"application/zip": {Schema: file}}, Headers: map[string]*huma.Param{
				"Content-Disposition": {Description: "The file's name", Required: true, Schema: &huma.Schema{Type: huma.TypeString}},
			}},
		},
	}, s.export)
}

func yes(f *fault.Fields, name, text string) bool {
	if text != "" && text != "true" && text != "false" {
		f.Add(name, "is true or false")
	}
	return text == "true"
}

// bringIn keeps the body in a temporary file first: it may be larger than memory, and a slow line must not hold the book.
func (s *site) bringIn(c *call, in *importInput) error {
	var f fault.Fields
	options := store.ImportOptions{Update: yes(&f, "update", in.Update), Preview: yes(&f, "preview", in.Preview)}
	kind := media(c.r)
	switch {
	case kind != "application/zip" && kind != "text/csv" || !utf8Said(c.r):
		return unsupported("a zip as application/zip or one table as text/csv, in UTF-8,")
	case kind == "application/zip" && in.Table != "":
		f.Add("table", "is said of one table as text/csv only; a zip names its tables itself")
	case kind == "text/csv":
		if _, ok := interchange.Lookup(in.Table); !ok {
			f.Add("table", fmt.Sprintf("%.60q is no table; the tables are %s", in.Table, tableNames()))
		}
	}
	if err := f.Err(); err != nil {
		return err
	}
	dir, err := os.MkdirTemp("", "stillroom-import-*")
	if err != nil {
		return fmt.Errorf("import: %w", err)
	}
	defer os.RemoveAll(dir)
	name := "import.zip"
	if kind == "text/csv" {
		name = strings.TrimSuffix(in.Table, ".csv") + ".csv"
	}
	path := filepath.Join(dir, name)
	if err := c.keep(path, s.importMost()); err != nil {
		return err
	}
	src, done, err := openImport(path, kind, in.Table)
	if err != nil {
		return err
	}
	defer done()
	_ = http.NewResponseController(c.w).SetWriteDeadline(wallClock().Add(workMost)) // a server without deadlines has none to move
	report, err := s.house.Store.Import(c.ctx(), c.bearer.Who, src, options)
	if err != nil {
		return err
	}
	s.house.Log.Info("import", "token", c.bearer.Who.Name, "saved", report.Saved, "faults", int64(len(report.Faults))+report.More, "request", requestID(c.r))
	if len(report.Faults) > 0 {
		return refused(report)
	}
	answer := importReport{Tables: report.Tables, Saved: report.Saved}
	if answer.Tables == nil {
		answer.Tables = []store.TableCount{}
	}
	return writeJSON(c.w, answer)
}

func (s *site) importMost() int64 {
	if s.house.ImportMost > 0 {
		return s.house.ImportMost
	}
	return store.ImportMost
}

// utf8Said is false where the content type names another character set.
func utf8Said(r *http.Request) bool {
	_, params, err := mime.ParseMediaType(r.Header.Get("Content-Type"))
	set := params["charset"]
	return err == nil && (set == "" || strings.EqualFold(set, "utf-8") || strings.EqualFold(set, "us-ascii"))
}

func tableNames() string {
	var names []string
	for _, t := range interchange.Tables() {
		names = append(names, t.Name)
	}
	return strings.Join(names, ", ")
}

// keep writes the body into a file.
func (c *call) keep(path string, most int64) (err error) {
	file, err := os.OpenFile(path, os.O_CREATE|os.O_EXCL|os.O_WRONLY, 0o600)
	if err != nil {
		return fmt.Errorf("import: %w", err)
	}
	defer func() { err = errors.Join(err, file.Close()) }()
	body := &broken{Reader: c.patient(http.MaxBytesReader(c.w, c.r.Body, most))}
	if _, err := io.Copy(file, body); err != nil {
		if body.err != nil {
			return unread(body.err)
		}
		return fmt.Errorf("import: %w", err)
	}
	return nil
}

// broken remembers what was wrong with reading, so that it is told from what is wrong with the disk.
type broken struct {
	io.Reader
	err error
}

func (b *broken) Read(to []byte) (int, error) {
	n, err := b.Reader.Read(to)
	if err != nil && !errors.Is(err, io.EOF) {
		b.err = err
	}
	return n, err
}

func openImport(path, kind, table string) (store.ImportSource, func(), error) {
	if kind == "text/csv" {
		src, err := store.OpenImportTable(path, table, filepath.Base(path))
		return src, func() {}, err
	}
	src, closeZip, err := store.OpenImportZip(path)
	if err != nil {
		return nil, nil, err
	}
	return src, func() { _ = closeZip() }, nil // read to its end, and removed next
}

func refused(report store.ImportReport) error {
	p := &Problem{Status: http.StatusUnprocessableEntity, Detail: "Nothing was saved: something is wrong in what was sent.", More: report.More}
	for _, f := range report.Faults {
		at := interchange.Fault{File: f.File, Row: f.Row, Column: f.Column}.String()
		p.Errors = append(p.Errors, Detail{Location: strings.TrimRight(at, ": "), Message: f.Words})
	}
	return p
}

// export goes by way of a temporary file, so that one that could not be finished is never sent as if it were whole.
func (s *site) export(c *call, _ *struct{}) error {
	file, err := os.CreateTemp("", "stillroom-export-*")
	if err != nil {
		return fmt.Errorf("export: %w", err)
	}
	defer func() {
		_ = file.Close()
		_ = os.Remove(file.Name())
	}()
	_ = http.NewResponseController(c.w).SetWriteDeadline(wallClock().Add(workMost)) // as above
	if err := s.house.Store.ExportZip(c.ctx(), c.bearer.Who.Workshop, file); err != nil {
		return err
	}
	size, err := file.Seek(0, io.SeekEnd)
	if err == nil {
		_, err = file.Seek(0, io.SeekStart)
	}
	if err != nil {
		return fmt.Errorf("export: %w", err)
	}
	s.house.Log.Info("export", "token", c.bearer.Who.Name, "request", requestID(c.r))
	head := c.w.Header()
	head.Set("Content-Type", "application/zip")
	head.Set("Content-Length", strconv.FormatInt(size, 10))
	today := day.In(s.house.Clock(), c.bearer.Workshop.Location())
	head.Set("Content-Disposition", mime.FormatMediaType("attachment", map[string]string{"filename": "stillroom-" + today.String() + ".zip"}))
	if _, err := io.Copy(c.patient(nil), file); err != nil {
		s.house.Log.Info("export not taken", "error", err.Error(), "request", requestID(c.r))
	}
	return nil
}
