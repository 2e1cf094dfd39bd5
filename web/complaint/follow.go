package complaint

import (
	"net/http"
	"strings"

	"github.com/a-h/templ"

	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/store"
	"example.org/stillroom/web/paths"
	"example.org/stillroom/web/ui"
)

// followForm is what was typed about something done.
type followForm struct{ Kind, At, Words, Reason string }

func parseFollow(r *ui.Request, f *ui.Form) (followForm, store.NewFollowUp) {
	form := followForm{Kind: f.Raw(fieldFollow), At: f.Raw(fieldAt), Words: f.Raw(fieldWords), Reason: f.Raw(fieldReason)}
	return form, store.NewFollowUp{Kind: form.Kind, At: f.Moment(fieldAt, r.Workshop.Location(), "When was it?"), Words: form.Words}
}

// send stores one of the page's forms, or draws the page again with what is off. keep gets the view to put back what was
// typed.
func (a Area) send(r *ui.Request, form, saved string, f *ui.Form, files []store.Upload, do func(number int, entry store.Entry) error, keep func(*pageView)) error {
	n, err := number(r)
	if err != nil {
		return err
	}
	err = f.Err()
	var entry store.Entry
	if err == nil {
		entry, err = r.EntryWith(files)
	}
	if err == nil {
		err = do(n, entry)
	}
	if err == nil {
		return r.SeeOther(paths.Complaint(n), saved)
	}
	if fault.As(err) == nil {
		return err
	}
	v, e := a.page(r)
	if e != nil {
		return e
	}
	v.Sent, v.Keys = form, map[string]string{form: f.Raw("entry_key")}
	if keep != nil {
		keep(&v)
	}
	return r.Refuse(err, r.Page(v.title(), "complaints"), func(f *fault.Fault) templ.Component {
		v.Fault = f
		return onePage(v)
	})
}

// Decide says which packing the unit was.
func (a Area) Decide(r *ui.Request) error {
	f := r.Form()
	packing := f.Must(fieldPacking, 40, "Choose which it is.")
	return a.send(r, "packing", "It is about "+packing+" now.", f, nil, func(n int, entry store.Entry) error {
		return a.Store.DecidePacking(r.HTTP.Context(), r.Who, entry, n, packing)
	}, nil)
}

// Follow notes what was done or learned.
func (a Area) Follow(r *ui.Request) error {
	f := r.Form()
	form, n := parseFollow(r, f)
	alsoOff(f, n.Check(r.Now))
	return a.send(r, "follow", "Written down: "+strings.ToLower(followWords[n.Kind])+".", f, nil, func(number int, entry store.Entry) error {
		return a.Store.FollowComplaint(r.HTTP.Context(), r.Who, entry, number, n)
	}, func(v *pageView) { v.Follow = form })
}

// AddPhoto keeps a picture with the complaint.
func (a Area) AddPhoto(r *ui.Request) error {
	f := r.Form()
	files, err := r.Uploads(fieldFile, "photo")
	f.Check(fieldFile, err)
	switch {
	case err != nil:
	case len(files) != 1:
		f.Add(fieldFile, "Choose one picture.")
	case !strings.HasPrefix(files[0].MediaType, "image/"):
		f.Add(fieldFile, "Choose a picture: JPEG or PNG.")
	}
	return a.send(r, "photos", "The photo is kept.", f, files, func(n int, entry store.Entry) error {
		return a.Store.AttachToComplaint(r.HTTP.Context(), r.Who, entry, n, files[0])
	}, nil)
}

// Close ends a complaint with a signature.
func (a Area) Close(r *ui.Request) error {
	f := r.Form()
	outcome := f.Raw(fieldOutcome)
	return a.send(r, "close", "It is closed and signed.", f, nil, func(n int, entry store.Entry) error {
		return a.Store.CloseComplaint(r.HTTP.Context(), r.Who, entry, n, outcome, f.Raw(fieldPassword))
	}, func(v *pageView) { v.Typed = outcome })
}

// Reopen takes a closing back.
func (a Area) Reopen(r *ui.Request) error {
	f := r.Form()
	reason := f.Must(fieldReason, 1000, "Say what became known.")
	return a.send(r, "reopen", "It is open again.", f, nil, func(n int, entry store.Entry) error {
		return a.Store.ReopenComplaint(r.HTTP.Context(), r.Who, entry, n, reason)
	}, func(v *pageView) { v.Reason = f.Raw(fieldReason) })
}

// Erase takes what is personal out of a closed complaint for good.
func (a Area) Erase(r *ui.Request) error {
	f := r.Form()
	reason := f.Must(fieldReason, 1000, "Say why.")
	sure := f.On(fieldSure)
	if !sure {
		f.Add(fieldSure, "Say that it is no longer required.")
	}
	return a.send(r, "erase", "What was personal is erased.", f, nil, func(n int, entry store.Entry) error {
		return a.Store.EraseComplaint(r.HTTP.Context(), r.Who, entry, n, sure, reason)
	}, func(v *pageView) { v.Reason, v.Sure = f.Raw(fieldReason), sure })
}

type followView struct {
	Complaint store.ComplaintPage
	ID        store.FollowUpID
	Key       string
	Form      followForm
	Was       store.FollowUp
	Withdraw  bool // the form that takes it back was sent
	Fault     *fault.Fault
}

func (v followView) fault(field string, withdraw bool) string {
	if v.Withdraw != withdraw {
		return ""
	}
	return v.Fault.Of(field)
}

// followOf loads the entry that the address names.
func (a Area) followOf(r *ui.Request) (followView, error) {
	p, err := a.read(r)
	if err != nil {
		return followView{}, err
	}
	id, err := store.ParseID[store.FollowUpID](r.Param("id"))
	if err != nil {
		return followView{}, err
	}
	for _, f := range p.FollowUps {
		if f.ID != id {
			continue
		}
		switch {
		case !f.Stands():
			return followView{}, fault.New(fault.Conflict, "This was corrected meanwhile. Look at what stands now.")
		case !mayCorrect(r, f.Person, f.At):
			return followView{}, fault.New(fault.Forbidden, "You may correct what you entered yourself today. For anything else ask a maker.")
		}
		return followView{Complaint: p, ID: id, Was: f, Form: followForm{Kind: f.Kind, At: r.Clock().Input(f.HappenedAt), Words: f.Words}}, nil
	}
	return followView{}, fault.New(fault.NotFound, "That is not in the book of this complaint.")
}

// EditFollow shows the form that corrects an entry, and the one that takes it back.
func (a Area) EditFollow(r *ui.Request) error {
	v, err := a.followOf(r)
	if err != nil {
		return err
	}
	v.Key = ui.NewKey()
	return r.Render(http.StatusOK, r.Page("Correct an entry", "complaints"), followPage(v))
}

// CorrectFollow stores the correction, or takes the entry back.
func (a Area) CorrectFollow(r *ui.Request) error {
	v, err := a.followOf(r)
	if err != nil {
		return err
	}
	f := r.Form()
	v.Withdraw, v.Key = f.On(fieldWithdraw), f.Raw("entry_key")
	reason := f.Must(fieldReason, 1000, "Say why: the old entry is kept beside the new one.")
	var n *store.NewFollowUp
	if v.Withdraw {
		v.Form.Reason = f.Raw(fieldReason)
	} else {
		form, next := parseFollow(r, f)
		if form.At == r.Clock().Input(v.Was.HappenedAt) {
			next.At = v.Was.HappenedAt
		}
		alsoOff(f, next.Check(r.Now))
		v.Form, n = form, &next
	}
	err = f.Err()
	var entry store.Entry
	if err == nil {
		entry, err = r.Entry()
	}
	if err == nil {
		err = a.Store.CorrectFollowUp(r.HTTP.Context(), r.Who, entry, v.Complaint.N, v.ID, n, reason)
	}
	if err == nil {
		return r.SeeOther(paths.Complaint(v.Complaint.N), "The entry is corrected.")
	}
	return r.Refuse(err, r.Page("Correct an entry", "complaints"), func(f *fault.Fault) templ.Component {
		v.Fault = f
		return followPage(v)
	})
}
