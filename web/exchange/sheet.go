package exchange

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"io"
	"net/http"
	"strconv"
	"strings"
	"time"

	"github.com/a-h/templ"
	"github.com/google/uuid"

	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/interchange"
	"example.org/stillroom/internal/sheet"
	"example.org/stillroom/internal/store"
	"example.org/stillroom/web/paths"
	"example.org/stillroom/web/ui"
)

// Fields of how a spreadsheet is read.
const (
	fieldSheet = "sheet"
	fieldHead  = "head"
	fieldComma = "comma"
)

type newSheetView struct {
	Key    string
	Table  string
	Tables []ui.Option
	Most   string
	Fault  *fault.Fault
}

// NewSheet is where a spreadsheet with other headings is sent.
func (a Area) NewSheet(r *ui.Request) error {
	return r.Render(http.StatusOK, r.Page("A spreadsheet with other headings", "settings"), newSheetPage(newSheet("")))
}

func newSheet(table string) newSheetView {
	v := newSheetView{Key: ui.NewKey(), Table: table, Most: strconv.Itoa(sheet.Most>>20) + " MB"}
	for _, t := range interchange.Tables() {
		if t.Name != "workshop" { // one row, which the settings show
			v.Tables = append(v.Tables, ui.Option{Value: t.Name, Label: strings.ReplaceAll(t.Name, "_", " "), Hint: t.Doc})
		}
	}
	return v
}

// SendSheet takes a spreadsheet that can be read, and leads to its columns.
func (a Area) SendSheet(r *ui.Request) error {
	id, err := a.keepSheet(r)
	if err != nil {
		return r.Refuse(err, r.Page("A spreadsheet with other headings", "settings"), func(f *fault.Fault) templ.Component {
			v := newSheet(r.Form().Raw(fieldTable))
			v.Fault = f
			return newSheetPage(v)
		})
	}
	return r.SeeOther(paths.Sheet(store.Text(id)), "")
}

func (a Area) keepSheet(r *ui.Request) (store.ImportJobID, error) {
	var none store.ImportJobID
	if err := r.Throttle("import:"+store.Text(r.Who.Person), 60, 10*time.Minute); err != nil {
		return none, err
	}
	f := r.Form()
	table, known := interchange.Lookup(f.Raw(fieldTable))
	if !known || table.Name == "workshop" {
		f.Add(fieldTable, "Choose what stands in the spreadsheet.")
	}
	name, data, err := sentSheet(r)
	if err != nil {
		return none, err
	}
	if data == nil {
		f.Add(fieldFile, "Choose a spreadsheet: XLSX or CSV.")
	}
	if err := f.Err(); err != nil {
		return none, err
	}
	key, err := uuid.Parse(f.Raw(fieldKey))
	if err != nil || key == uuid.Nil {
		return none, fault.New(fault.Conflict, "This form is too old. Open the page anew and choose the file again.")
	}
	reading, err := firstReading(name, data)
	if err != nil {
		return none, err
	}
	return a.Store.KeepImport(r.HTTP.Context(), r.Who, store.NewImport{Key: key, FileName: name, Table: table.Name, Most: sheet.Most, Sheet: &reading}, bytes.NewReader(data))
}

// sentSheet is the file of the form; no data where none was chosen.
func sentSheet(r *ui.Request) (name string, data []byte, err error) {
	if r.HTTP.MultipartForm == nil || len(r.HTTP.MultipartForm.File[fieldFile]) == 0 {
		return "", nil, nil
	}
	header := r.HTTP.MultipartForm.File[fieldFile][0]
	in, err := header.Open()
	if err != nil {
		return "", nil, errTorn
	}
	defer in.Close()
	if data, err = io.ReadAll(io.LimitReader(in, sheet.Most+1)); err != nil {
		return "", nil, errTorn
	}
	return sentName(header.Filename), data, nil
}

// firstReading is how a spreadsheet is read before anybody said otherwise: the first sheet that has rows.
func firstReading(name string, data []byte) (store.SheetReading, error) {
	book, err := sheet.Open(data, 0)
	if err != nil {
		return store.SheetReading{}, unreadable(name, fieldFile, err)
	}
	if len(book.Sheets) == 0 {
		look, err := book.Look("", 0)
		return store.SheetReading{Head: look.Head, Comma: string(book.Comma)}, unreadable(name, fieldFile, err)
	}
	var first error
	for _, s := range book.Sheets {
		look, err := book.Look(s, 0)
		if err == nil {
			return store.SheetReading{Sheet: s, Head: look.Head}, nil
		}
		if first == nil {
			first = err
		}
	}
	return store.SheetReading{}, unreadable(name, fieldFile, first)
}

// unreadable says beside a field why a spreadsheet cannot be read, with its file, row and column.
func unreadable(name, field string, err error) error {
	var bad *sheet.Broken
	if errors.As(err, &bad) {
		return fault.In(field, interchange.Fault{File: name, Row: bad.Row, Column: bad.Column, Words: bad.Words}.String())
	}
	return err
}

// sheetJob is a spreadsheet that was sent, opened.
type sheetJob struct {
	store.ImportJob
	data  []byte
	table interchange.Table
	book  *sheet.Book
	look  sheet.Look
}

// sheetJob finds and reads the spreadsheet of the address. Where it cannot be read as it was said, the error is a fault.
func (a Area) sheetJob(r *ui.Request) (sheetJob, error) {
	id, err := store.ParseID[store.ImportJobID](r.Param("id"))
	if err != nil {
		return sheetJob{}, err
	}
	// Each look reads the whole file anew: many a minute are no person's.
	if err := r.Throttle("sheet:"+store.Text(r.Who.Person), 120, 10*time.Minute); err != nil {
		return sheetJob{}, err
	}
	var j sheetJob
	if j.ImportJob, j.data, err = a.Store.SheetFile(r.HTTP.Context(), r.Who.Workshop, id); err != nil {
		return j, err
	}
	table, known := interchange.Lookup(j.Table)
	if !known {
		return j, fault.New(fault.NotFound, "There is no such table.")
	}
	j.table = table
	return j, j.read(*j.ImportJob.Sheet)
}

func (j *sheetJob) read(as store.SheetReading) (err error) {
	comma := byte(0)
	if len(as.Comma) == 1 {
		comma = as.Comma[0]
	}
	if j.book, err = sheet.Open(j.data, comma); err == nil {
		j.look, err = j.book.Look(as.Sheet, as.Head)
	}
	return unreadable(j.FileName, fieldHead, err)
}

// Sheet asks what the columns of a spreadsheet are.
func (a Area) Sheet(r *ui.Request) error {
	j, err := a.sheetJob(r)
	if err != nil {
		return err
	}
	mapping, last := j.look.Suggested(j.table), ""
	if r.HTTP.URL.Query().Get("anew") == "" {
		kept, err := a.Store.SheetMapping(r.HTTP.Context(), r.Who.Workshop, j.table.Name, j.look.Key())
		switch {
		case err == nil:
			mapping, last = j.look.Recall(j.table, kept.Choices), r.Clock().Date(kept.UsedAt)
		case !fault.Is(err, fault.NotFound):
			return err
		}
	}
	v := j.view(r, mapping)
	v.LastTime = last
	return r.Render(http.StatusOK, r.Page("Columns of "+j.FileName, "settings"), sheetPage(v))
}

// ReadSheet reads a spreadsheet otherwise: another sheet, another row of headings, another divider.
func (a Area) ReadSheet(r *ui.Request) error {
	j, err := a.sheetJob(r)
	if err != nil && j.book == nil {
		return err
	}
	f := r.Form()
	as := store.SheetReading{Sheet: f.Raw(fieldSheet), Comma: f.Raw(fieldComma)}
	if as.Head, err = strconv.Atoi(strings.TrimSpace(f.Raw(fieldHead))); err != nil || as.Head < 1 || as.Head > 1<<20 {
		err = fault.In(fieldHead, "Type the number of the row in which the headings stand, such as 1.")
	}
	was := j
	if err == nil {
		err = j.read(as)
	}
	if err == nil {
		err = a.Store.ReadSheet(r.HTTP.Context(), r.Who, j.ID, as)
	}
	if err == nil {
		return r.SeeOther(paths.Sheet(store.Text(j.ID)), "")
	}
	return r.Refuse(err, r.Page("Columns of "+j.FileName, "settings"), func(f *fault.Fault) templ.Component {
		v := was.view(r, was.look.Suggested(was.table))
		v.Sheet, v.Head, v.Comma, v.Fault = as.Sheet, r.Form().Raw(fieldHead), as.Comma, f
		return sheetPage(v)
	})
}

// MapSheet takes what the columns are, makes a table of the spreadsheet, and has it looked through like any other.
func (a Area) MapSheet(r *ui.Request) error {
	j, err := a.sheetJob(r)
	if err != nil {
		return err
	}
	mapping := typedMapping(r.Form(), j)
	// Words of a column that was chosen just now are suggested, and taken once somebody saw them.
	v := j.view(r, j.look.WithWords(j.table, mapping))
	id, err := a.makeTable(r, j, mapping, &v)
	if err == nil {
		return r.SeeOther(paths.Import(store.Text(id)), "")
	}
	return r.Refuse(err, r.Page("Columns of "+j.FileName, "settings"), func(f *fault.Fault) templ.Component {
		v.put(f)
		return sheetPage(v)
	})
}

func (a Area) makeTable(r *ui.Request, j sheetJob, m sheet.Mapping, v *sheetView) (store.ImportJobID, error) {
	var none store.ImportJobID
	ctx := r.HTTP.Context()
	if err := j.look.Check(j.table, m); err != nil {
		return none, err
	}
	key, err := uuid.Parse(r.Form().Raw(fieldKey))
	if err != nil || key == uuid.Nil {
		return none, fault.New(fault.Conflict, "This form is too old. Open the page anew.")
	}
	facts, err := a.Store.SheetFacts(ctx, r.Workshop, j.table, m.Prefix)
	if err != nil {
		return none, err
	}
	made, err := j.book.Convert(j.FileName, j.table, j.look, m, facts)
	if err != nil {
		return none, unreadable(j.FileName, fieldHead, err)
	}
	// What was said holds for the file put right as well.
	if err := a.Store.KeepSheetMapping(ctx, r.Who, j.table.Name, j.look.Key(), j.look.Remember(j.table, m)); err != nil {
		return none, err
	}
	if len(made.Faults) > 0 {
		v.Faults, v.More = made.Faults, made.More
		return none, fault.New(fault.Invalid, "Some cells cannot be read, so nothing was taken over. Put them right in the spreadsheet and send it again: what you said about its columns is remembered.")
	}
	// The same form sent twice is one table; gone back to and answered otherwise it is another.
	sum := sha256.Sum256(made.CSV)
	key = uuid.NewSHA1(key, append(sum[:], strconv.FormatBool(r.Form().On(fieldUpdate))...))
	id, err := a.Store.KeepImport(ctx, r.Who, store.NewImport{Key: key, FileName: j.FileName, Table: j.table.Name, Update: r.Form().On(fieldUpdate), MadeFrom: &j.ID,
		Origin: &store.ImportOrigin{Labels: made.Labels, SHA256: hex.EncodeToString(j.SHA256)}}, bytes.NewReader(made.CSV))
	if err != nil {
		return none, err
	}
	return id, a.begin(r, id)
}
