package house

import (
	"fmt"
	"net/http"
	"time"

	"github.com/a-h/templ"

	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/store"
	"example.org/stillroom/web/paths"
	"example.org/stillroom/web/ui"
)

type accountView struct {
	Name, Email, Role string
	Sessions          []sessionLine
	Limits            string
	Fault             *fault.Fault
}

type sessionLine struct {
	ID, Device, Since, Used string
	Here                    bool
}

// Account shows who one is here, and where one is signed in.
func (a Area) Account(r *ui.Request) error {
	v, err := a.accountView(r)
	if err != nil {
		return err
	}
	return r.Render(http.StatusOK, r.Page("Your account", ""), accountPage(v))
}

func (a Area) accountView(r *ui.Request) (accountView, error) {
	ctx := r.HTTP.Context()
	person, err := a.Store.Person(ctx, r.Who.Workshop, r.Who.Person)
	if err != nil {
		return accountView{}, err
	}
	sessions, err := a.Store.Sessions(ctx, r.Who, r.Now)
	if err != nil {
		return accountView{}, err
	}
	v := accountView{Name: person.Name, Email: person.Email, Role: roleWords(person.Role), Limits: limits}
	for _, s := range sessions {
		v.Sessions = append(v.Sessions, sessionLine{
			ID: store.Text(s.ID), Device: s.Device, Since: r.Clock().Time(s.CreatedAt), Used: r.Clock().Time(s.SeenAt), Here: s.ID == r.Session,
		})
	}
	return v, nil
}

var limits = fmt.Sprintf("A session ends after %d hours without use, and after %d days in any case.", store.SessionIdle/time.Hour, store.SessionMost/(24*time.Hour))

// ChangePassword changes one's own password; all other sessions end.
func (a Area) ChangePassword(r *ui.Request) error {
	f := r.Form()
	key := "password of " + store.Text(r.Who.Person)
	if f.Raw(fieldOld) == "" {
		f.Add(fieldOld, "Write the password that you have now.")
	}
	if f.Raw(fieldPassword) == "" {
		f.Add(fieldPassword, "Write the new password.")
	}
	err := f.Err()
	if err == nil {
		err = r.Throttle(key, triesHere, triesWindow)
	}
	var cookie string
	if err == nil {
		cookie, err = a.Store.ChangePassword(r.HTTP.Context(), r.Who, f.Raw(fieldOld), f.Raw(fieldPassword), r.Device(), r.Now)
	}
	if err == nil {
		err = a.Store.ClearThrottle(r.HTTP.Context(), r.Now, key)
	}
	if err == nil {
		r.Keep(cookie)
		r.Log("password changed", "person", store.Text(r.Who.Person))
		return r.SeeOther(paths.Account(), "Your password is changed. You are signed out everywhere else.")
	}
	v, loadErr := a.accountView(r)
	if loadErr != nil {
		return loadErr
	}
	return r.Refuse(err, r.Page("Your account", ""), func(f *fault.Fault) templ.Component {
		v.Fault = f
		return accountPage(v)
	})
}

// EndSession ends one of one's own sessions, this one too.
func (a Area) EndSession(r *ui.Request) error {
	id, err := store.ParseID[store.SessionID](r.Param("id"))
	if err == nil {
		err = a.Store.EndSession(r.HTTP.Context(), r.Who, id)
	}
	if err != nil {
		return err
	}
	if id == r.Session {
		r.Keep("")
		return r.SeeOther(paths.SignIn(), "You are signed out.")
	}
	return r.SeeOther(paths.Account(), "That session has ended.")
}

// EndSessions signs out everywhere.
func (a Area) EndSessions(r *ui.Request) error {
	if err := a.Store.EndSessions(r.HTTP.Context(), r.Who); err != nil {
		return err
	}
	r.Log("signed out everywhere", "person", store.Text(r.Who.Person))
	r.Keep("")
	return r.SeeOther(paths.SignIn(), "You are signed out everywhere.")
}
