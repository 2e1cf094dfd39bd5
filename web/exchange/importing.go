package exchange

import (
	"context"
	"errors"
	"io"
	"mime/multipart"
	"net/http"
	"net/url"
	"time"
	"unicode/utf8"

	"github.com/a-h/templ"
	"github.com/google/uuid"

	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/interchange"
	"example.org/stillroom/internal/store"
	"example.org/stillroom/web/paths"
	"example.org/stillroom/web/ui"
)

// Bounds of what comes besides the file.
const (
	partsMost = 20
	fieldMost = 1 << 10
)

var errTorn = fault.In(fieldFile, "The file did not arrive whole. Send it again.")

// Send takes a file and begins to look it through.
func (a Area) Send(r *ui.Request) error {
	id, err := a.receive(r)
	if err == nil {
		err = a.begin(r, id)
	}
	if err != nil {
		return a.refuse(r, err)
	}
	return r.SeeOther(paths.Import(store.Text(id)), "")
}

// receive reads the form piece by piece: what stands before the file, then the file, straight to where it is kept.
func (a Area) receive(r *ui.Request) (store.ImportJobID, error) {
	var none store.ImportJobID
	line := http.NewResponseController(r.W)
	coming := slowly(line.SetReadDeadline)
	defer coming.end()
	_ = line.SetWriteDeadline(time.Time{}) // it is answered, however long it took to come
	r.HTTP.PostForm = url.Values{}
	if err := r.Throttle("import:"+store.Text(r.Who.Person), 60, 10*time.Minute); err != nil {
		return none, err
	}
	r.HTTP.Body = http.MaxBytesReader(r.W, r.HTTP.Body, a.most()+1<<20)
	parts, err := r.HTTP.MultipartReader()
	if err != nil {
		return none, fault.In(fieldFile, "Choose a file: a zip of tables, or one table as CSV.")
	}
	for range partsMost {
		coming.moved()
		part, err := parts.NextPart()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return none, errTorn
		}
		if part.FormName() == fieldFile && part.FileName() != "" {
			return a.keep(r, part, coming)
		}
		value, err := io.ReadAll(io.LimitReader(part, fieldMost+1))
		if err != nil || len(value) > fieldMost || !utf8.Valid(value) {
			return none, errTorn
		}
		r.HTTP.PostForm.Add(part.FormName(), string(value))
	}
	return none, fault.In(fieldFile, "Choose a file: a zip of tables, or one table as CSV.")
}

func (a Area) keep(r *ui.Request, part *multipart.Part, coming slow) (store.ImportJobID, error) {
	f := r.Form()
	key, err := uuid.Parse(f.Raw(fieldKey))
	if err != nil || key == uuid.Nil {
		return store.ImportJobID{}, fault.New(fault.Conflict, "This form is too old. Open the page anew and choose the file again.")
	}
	return a.Store.KeepImport(r.HTTP.Context(), r.Who, store.NewImport{Key: key, FileName: sentName(part.FileName()), Update: f.On(fieldUpdate), Most: a.most()}, arriving{coming, part})
}

// sentName is what the file is called from now on.
func sentName(name string) string {
	if !utf8.ValidString(name) {
		return "file"
	}
	return ui.FileName(name)
}

// arriving waits for a slow line as long as something comes, and says so when it breaks.
type arriving struct {
	slow
	in io.Reader
}

func (a arriving) Read(p []byte) (int, error) {
	n, err := a.in.Read(p)
	a.moved()
	if err != nil && !errors.Is(err, io.EOF) {
		err = errTorn
	}
	return n, err
}

// begin looks a file through that was sent a moment ago, unless it has to be asked first which table it is. The same form
// sent twice begins once.
func (a Area) begin(r *ui.Request, id store.ImportJobID) error {
	job, err := a.Store.ImportJob(r.HTTP.Context(), r.Who.Workshop, id)
	if err != nil || job.State != "waiting" || job.AsksTable() {
		return err
	}
	run, err := a.Store.LookThrough(r.HTTP.Context(), r.Who, id, "", false)
	if fault.Is(err, fault.Conflict) {
		return nil
	}
	if err == nil {
		a.run(r, run)
	}
	return err
}

// run goes on after the answer was sent.
func (a Area) run(r *ui.Request, run store.ImportRun) {
	r.Go(func(ctx context.Context) {
		if err := a.Store.RunImport(ctx, run); err != nil {
			a.Log.Error("import failed", "workshop", store.Text(r.Who.Workshop), "request", r.ID, "error", err.Error())
		}
	})
}

func (a Area) job(r *ui.Request) (store.ImportJob, error) {
	id, err := store.ParseID[store.ImportJobID](r.Param("id"))
	if err != nil {
		return store.ImportJob{}, err
	}
	return a.Store.ImportJob(r.HTTP.Context(), r.Who.Workshop, id)
}

// Import shows how far a file is, and what was found in it.
func (a Area) Import(r *ui.Request) error {
	job, err := a.job(r)
	if err != nil {
		return err
	}
	if job.Sheet != nil && job.State == "waiting" && !job.Expired {
		return r.SeeOther(paths.Sheet(store.Text(job.ID)), "")
	}
	return r.Render(http.StatusOK, importHead(r, job), importPage(a.view(r, job)))
}

// inOwnWords tells a fault by what the maker has: the spreadsheet from which the table was made, and its heading. The
// rows have the same numbers.
func inOwnWords(j store.ImportJob, f interchange.Fault) interchange.Fault {
	if j.Origin == nil {
		return f
	}
	f.File = j.FileName
	if label := j.Origin.Labels[f.Column]; label != "" {
		f.Column = label
	}
	return f
}

func importHead(r *ui.Request, job store.ImportJob) ui.Page {
	p := r.Page("Import of "+job.FileName, "settings")
	if job.Running() {
		p.Again = 2
	}
	return p
}

// act does something with a file and shows its page again where that was refused.
func (a Area) act(r *ui.Request, do func(store.ImportJobID) (path, said string, err error)) error {
	job, err := a.job(r)
	if err != nil {
		return err
	}
	path, said, err := do(job.ID)
	if err == nil {
		return r.SeeOther(path, said)
	}
	// It may have gone on since the page was drawn, which is why it was refused.
	if job, now := a.job(r); now == nil {
		return r.Refuse(err, r.Page("Import of "+job.FileName, "settings"), func(f *fault.Fault) templ.Component {
			v := a.view(r, job)
			v.Fault, v.Table = f, r.Form().Raw(fieldTable)
			return importPage(v)
		})
	}
	return err
}

// Check looks a file through, or does so again.
func (a Area) Check(r *ui.Request) error {
	return a.act(r, func(id store.ImportJobID) (string, string, error) {
		f := r.Form()
		run, err := a.Store.LookThrough(r.HTTP.Context(), r.Who, id, f.Raw(fieldTable), f.On(fieldUpdate))
		if err == nil {
			a.run(r, run)
		}
		return paths.Import(store.Text(id)), "", err
	})
}

// Apply saves what was looked through.
func (a Area) Apply(r *ui.Request) error {
	return a.act(r, func(id store.ImportJobID) (string, string, error) {
		run, err := a.Store.ApplyImport(r.HTTP.Context(), r.Who, id)
		if err == nil {
			r.Log("import", "job", store.Text(id), "by", store.Text(r.Who.Person), "workshop", store.Text(r.Who.Workshop))
			a.run(r, run)
		}
		return paths.Import(store.Text(id)), "", err
	})
}

// Drop gives a file up.
func (a Area) Drop(r *ui.Request) error {
	return a.act(r, func(id store.ImportJobID) (string, string, error) {
		return paths.Data(), "The file is given up. Nothing of it was saved.", a.Store.DropImport(r.HTTP.Context(), r.Who, id)
	})
}

type importView struct {
	Job    store.ImportJob
	ID     string
	About  string // who sent it and when, how large it is
	At     string // the table that is read
	Rows   string
	Done   int // tables before it
	Of     int
	Tables []ui.Option
	Table  string // that was chosen
	Fault  *fault.Fault
}

func (a Area) view(r *ui.Request, job store.ImportJob) importView {
	v := importView{Job: job, ID: store.Text(job.ID), About: "Sent by " + job.MadeBy + ", " + r.Clock().Time(job.MadeAt) + ", " + sizeWords(job.Size), Rows: count(job.ProgressRows)}
	for i, t := range interchange.Tables() {
		v.Tables = append(v.Tables, ui.Option{Value: t.Name, Label: t.File(), Hint: t.Doc})
		if t.Name == job.ProgressAt {
			v.At, v.Done = t.File(), i
		}
	}
	if job.ProgressAt == store.BookOfReport { // it is read before the tables
		v.At = interchange.BookFolder
	}
	v.Of = len(v.Tables)
	return v
}
