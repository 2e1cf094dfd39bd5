package house

import (
	"net/http"
	"slices"

	"github.com/a-h/templ"

	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/store"
	"example.org/stillroom/web/paths"
	"example.org/stillroom/web/ui"
)

type tokenForm struct {
	Name     string
	ReadOnly bool
}

type tokensView struct {
	Key    string
	Tokens []tokenLine
	Form   tokenForm
	Made   *freshToken // shown once
	Fault  *fault.Fault
}

type freshToken struct{ Name, Text string }

type tokenLine struct {
	ID, Name, May       string
	Made, Used          string
	Revoked             string // when; empty for one that works
	Kind, State         string
	Key, FieldID        string // of the form that revokes it; each has a box of the same name
	Ending              bool   // its end was refused: Reason is what was typed
	Reason, ReasonFault string
}

// Tokens lists the tokens with which programs come in, with the form that makes one.
func (a Area) Tokens(r *ui.Request) error {
	v, err := a.tokensView(r)
	if err != nil {
		return err
	}
	v.Key = ui.NewKey()
	return r.Render(http.StatusOK, r.Page("Tokens", "settings"), tokensPage(v))
}

func (a Area) tokensView(r *ui.Request) (tokensView, error) {
	list, err := a.Store.Tokens(r.HTTP.Context(), r.Who.Workshop)
	if err != nil {
		return tokensView{}, err
	}
	var v tokensView
	clock := r.Clock()
	for _, t := range list {
		line := tokenLine{ID: store.Text(t.ID), Name: t.Name, May: "reads and stores", Made: clock.Time(t.CreatedAt) + ", " + t.By, Used: "never", Kind: "good", State: "works", Key: ui.NewKey()}
		line.FieldID = "f-" + fieldReason + "-" + line.ID
		if t.ReadOnly {
			line.May = "reads only"
		}
		if t.UsedAt != nil {
			line.Used = clock.Time(*t.UsedAt)
		}
		if t.RevokedAt != nil {
			line.Revoked, line.Kind, line.State = clock.Time(*t.RevokedAt), "stop", "revoked"
		}
		v.Tokens = append(v.Tokens, line)
	}
	return v, nil
}

// MakeToken makes a token and shows it on this very answer: it is in no address, cookie or second page. Sent again, the
// form makes no other and shows none.
func (a Area) MakeToken(r *ui.Request) error {
	f := r.Form()
	form := tokenForm{Name: f.Raw(fieldName), ReadOnly: f.On(fieldReadOnly)}
	entry, err := r.Entry()
	var text string
	if err == nil {
		text, err = a.Store.MakeToken(r.HTTP.Context(), r.Who, entry, form.Name, form.ReadOnly)
	}
	if err == nil && text == "" {
		return r.SeeOther(paths.Tokens(), "That token was made already and shown then. If it was not kept, revoke it and make another.")
	}
	if err == nil {
		r.Log("token made", "by", store.Text(r.Who.Person), "read_only", form.ReadOnly)
	}
	v, loadErr := a.tokensView(r)
	if loadErr != nil {
		return loadErr
	}
	page := r.Page("Tokens", "settings")
	if err == nil {
		v.Key, v.Made = ui.NewKey(), &freshToken{f.Text(fieldName, 80), text}
		return r.Render(http.StatusOK, page, tokensPage(v))
	}
	return r.Refuse(err, page, func(fa *fault.Fault) templ.Component {
		v.Key, v.Form, v.Fault = f.Raw("entry_key"), form, fa
		return tokensPage(v)
	})
}

// RevokeToken ends a token at once.
func (a Area) RevokeToken(r *ui.Request) error {
	id, err := store.ParseID[store.TokenID](r.Param("id"))
	if err != nil {
		return err
	}
	f := r.Form()
	entry, err := r.Entry()
	if err == nil {
		reason := f.Must(fieldReason, 500, "Say why the token ends.")
		if err = f.Err(); err == nil {
			err = a.Store.RevokeToken(r.HTTP.Context(), r.Who, entry, id, reason)
		}
	}
	if err == nil {
		r.Log("token revoked", "token", store.Text(id), "by", store.Text(r.Who.Person))
		return r.SeeOther(paths.Tokens(), "The token is revoked: nothing comes in with it any more.")
	}
	v, loadErr := a.tokensView(r)
	if loadErr != nil {
		return loadErr
	}
	if !slices.ContainsFunc(v.Tokens, func(line tokenLine) bool { return line.ID == store.Text(id) }) {
		return fault.New(fault.NotFound, "There is no such token.")
	}
	return r.Refuse(err, r.Page("Tokens", "settings"), func(fa *fault.Fault) templ.Component {
		v.Key, v.Fault = ui.NewKey(), fa
		for i, line := range v.Tokens {
			if line.ID == store.Text(id) {
				// The summary leads to the box by its plain id.
				line.Ending, line.Key, line.FieldID, line.Reason, line.ReasonFault = true, f.Raw("entry_key"), "", f.Raw(fieldReason), fa.Of(fieldReason)
				v.Tokens[i] = line
			}
		}
		return tokensPage(v)
	})
}
