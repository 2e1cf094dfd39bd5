package tellingpages

import (
	"bytes"
	"net/http"
	"strconv"
	"time"

	"github.com/a-h/templ"

	"example.org/stillroom/internal/access"
	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/notice"
	"example.org/stillroom/internal/store"
	"example.org/stillroom/web/paths"
	"example.org/stillroom/web/ui"
)

// Files hold names and addresses: they are bounded a person.
const (
	filesMost   = 30
	filesWindow = time.Minute
)

// kindNames are the texts in words.
var kindNames = map[string]string{notice.Letter: "Letter", notice.Email: "E-mail", notice.ShopNotice: "Notice for a shop", notice.WebText: "Text for a web page"}

type lettersView struct {
	store.RecallLetters
	Clock   ui.Clock
	MayTell bool
	Mail    bool // a mail server is set up
	Key     string
	Words   store.RecallWords
	Fault   *fault.Fault
	About   string // words or picture
	Kind    string // of a picture
}

func (v lettersView) faultOf(form, field string) string {
	if v.About != form {
		return ""
	}
	return v.Fault.Of(field)
}

func (a Area) lettersOf(r *ui.Request) (lettersView, int, error) {
	n, err := number(r)
	if err != nil {
		return lettersView{}, 0, err
	}
	letters, err := a.Store.RecallLetters(r.HTTP.Context(), r.Who.Workshop, n)
	v := lettersView{RecallLetters: letters, Clock: r.Clock(), MayTell: r.May(access.Dispatch) && letters.Open(), Mail: a.Mail != nil, Key: ui.NewKey(), Kind: "photo"}
	v.Words = store.RecallWords{Hazard: letters.Hazard, ToDo: letters.ToDo, Remedy: letters.Remedy, Contact: letters.Facts.Contact}
	return v, n, err
}

// Letters shows what the texts are made of, and how each stands.
func (a Area) Letters(r *ui.Request) error {
	v, _, err := a.lettersOf(r)
	if err != nil {
		return err
	}
	return r.Render(http.StatusOK, r.Page("Letters of "+v.Code(), "trace"), lettersPage(v))
}

// Words changes what the texts are made of.
func (a Area) Words(r *ui.Request) error {
	v, n, err := a.lettersOf(r)
	if err != nil {
		return err
	}
	f := r.Form()
	v.Key, v.About = f.Raw("entry_key"), "words"
	v.Words = store.RecallWords{Hazard: f.Text(fieldHazard, 2000), ToDo: f.Text(fieldToDo, 2000), Remedy: f.Text(fieldRemedy, 2000), Contact: f.Text(fieldContact, 1000)}
	err = save(r, f, func(entry store.Entry) error {
		return a.Store.SetRecallWords(r.HTTP.Context(), r.Who, entry, n, v.Words)
	})
	if err == nil {
		return r.SeeOther(paths.RecallLetters(n), "The drafts say it now. Texts that were saved stay as they are.")
	}
	return r.Refuse(err, r.Page("Letters of "+v.Code(), "trace"), func(said *fault.Fault) templ.Component {
		v.Fault = said
		return lettersPage(v)
	})
}

// Picture adds a picture of the product.
func (a Area) Picture(r *ui.Request) error {
	v, n, err := a.lettersOf(r)
	if err != nil {
		return err
	}
	f := r.Form()
	v.Key, v.About, v.Kind = ui.NewKey(), "picture", f.Raw(fieldKind)
	kind := f.OneOf(fieldKind, "What does it show?", "photo", "label")
	files, err := r.Uploads(fieldFile, kind)
	if err != nil {
		f.Check(fieldFile, err)
	} else if len(files) == 0 {
		f.Add(fieldFile, "Choose a picture.")
	}
	if err = f.Err(); err == nil {
		var entry store.Entry
		if entry, err = r.EntryWith(files); err == nil {
			err = a.Store.AttachToRecall(r.HTTP.Context(), r.Who, entry, n, files)
		}
	}
	if err == nil {
		return r.SeeOther(paths.RecallLetters(n), "The picture is in the book.")
	}
	return r.Refuse(err, r.Page("Letters of "+v.Code(), "trace"), func(said *fault.Fault) templ.Component {
		v.Fault = said
		return lettersPage(v)
	})
}

type textView struct {
	lettersView
	Text store.RecallText
	Seen string
	Form struct{ Subject, Body string }
}

func (a Area) textOf(r *ui.Request) (textView, int, error) {
	letters, n, err := a.lettersOf(r)
	if err != nil {
		return textView{}, 0, err
	}
	v := textView{lettersView: letters, Text: letters.Text(r.Param("text"))}
	if kindNames[v.Text.Kind] == "" {
		return v, n, fault.New(fault.NotFound, "There is no such text.")
	}
	v.Seen, v.Form.Subject, v.Form.Body = v.Text.Seen(), v.Text.Subject, v.Text.Body
	return v, n, nil
}

func (v textView) title() string { return kindNames[v.Text.Kind] + " of " + v.Code() }

// public tells whether Article 36 is about the text.
func (v textView) public() bool { return notice.Public(v.Text.Kind) }

// Text shows one text, to read, to print and to edit.
func (a Area) Text(r *ui.Request) error {
	v, _, err := a.textOf(r)
	if err != nil {
		return err
	}
	return r.Render(http.StatusOK, r.Page(v.title(), "trace"), textPage(v))
}

// SaveText keeps a text as it was edited.
func (a Area) SaveText(r *ui.Request) error {
	v, n, err := a.textOf(r)
	if err != nil {
		return err
	}
	f := r.Form()
	v.Key, v.Form.Subject, v.Form.Body = f.Raw("entry_key"), f.Raw(fieldSubject), f.Raw(fieldBody)
	text := store.NewRecallText{Kind: v.Text.Kind, Subject: f.Text(fieldSubject, 200), Body: f.Text(fieldBody, 20000), Seen: f.Raw(fieldSeen)}
	err = save(r, f, func(entry store.Entry) error {
		return a.Store.SaveRecallText(r.HTTP.Context(), r.Who, entry, n, text)
	})
	if err == nil {
		words := "The text is saved."
		if text.Body == "" {
			words = "The draft from the recall's facts stands again."
		}
		return r.SeeOther(paths.RecallText(n, v.Text.Kind), words)
	}
	return r.Refuse(err, r.Page(v.title(), "trace"), func(said *fault.Fault) templ.Component {
		v.Fault = said
		return textPage(v)
	})
}

// TextFile is the text as a file.
func (a Area) TextFile(r *ui.Request) error {
	v, n, err := a.textOf(r)
	if err != nil {
		return err
	}
	body := v.Text.Body + "\n"
	if v.Text.Subject != "" {
		body = "Subject: " + v.Text.Subject + "\n\n" + body
	}
	return a.file(r, n, "text", "text/plain; charset=utf-8", v.Text.Kind+"-"+v.Code()+".txt", []byte(body))
}

// Merge is the list for a mail merge.
func (a Area) Merge(r *ui.Request) error {
	n, err := number(r)
	if err != nil {
		return err
	}
	var body bytes.Buffer
	if err := a.Store.RecallMerge(r.HTTP.Context(), r.Who.Workshop, n, &body); err != nil {
		return err
	}
	return a.file(r, n, "mail merge", "text/csv; charset=utf-8", "mail-merge-R-"+strconv.Itoa(n)+".csv", body.Bytes())
}

// file sends what was written into memory: half a list must not look like a whole one.
func (a Area) file(r *ui.Request, n int, what, media, name string, body []byte) error {
	if err := r.Throttle("list:"+store.Text(r.Who.Workshop)+":"+store.Text(r.Who.Person), filesMost, filesWindow); err != nil {
		return err
	}
	r.Log("export", "what", what, "of", "recall", "code", strconv.Itoa(n), "person", store.Text(r.Who.Person), "workshop", store.Text(r.Who.Workshop))
	h := r.W.Header()
	h.Set("Content-Type", media)
	h.Set("Content-Length", strconv.Itoa(len(body)))
	h.Set("Content-Disposition", `attachment; filename="`+name+`"`)
	if _, err := r.W.Write(body); err != nil {
		r.Log("file not taken", "what", what, "error", err.Error())
	}
	return nil
}
