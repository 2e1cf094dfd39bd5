package house

import (
	"net/http"

	"github.com/a-h/templ"

	"example.org/stillroom/internal/access"
	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/store"
	"example.org/stillroom/web/paths"
	"example.org/stillroom/web/ui"
)

// roles are the choices of what somebody may do, in rising order.
var roles = []ui.Option{
	{Value: string(access.Viewer), Label: "Viewer", Hint: "Reads everything and traces; changes nothing."},
	{Value: string(access.Helper), Label: "Helper", Hint: "Receives, weighs, packs and dispatches; corrects own entries of the day."},
	{Value: string(access.Maker), Label: "Maker", Hint: "What a helper may; corrects any entry, decides deviations, approves formulas, releases."},
	{Value: string(access.Owner), Label: "Owner", Hint: "Everything, recalls, rejected lots, people and settings included."},
}

func roleWords(role string) string {
	for _, o := range roles {
		if o.Value == role {
			return o.Label + ": " + o.Hint
		}
	}
	return role
}

type personForm struct{ Name, Email, Role string }

type peopleView struct {
	Key    string
	People []personLine
	Form   personForm
	Link   *freshLink
	Fault  *fault.Fault
}

type personLine struct {
	ID, Name, Email, Role string
	Kind, State           string
	LastUsed              string
}

// People lists everybody, with the form that adds somebody.
func (a Area) People(r *ui.Request) error {
	v, err := a.peopleView(r)
	if err != nil {
		return err
	}
	v.Key = ui.NewKey()
	if link, ok := a.takeLink(r); ok {
		v.Link = &link
	}
	return r.Render(http.StatusOK, r.Page("People", "settings"), peoplePage(v))
}

func (a Area) peopleView(r *ui.Request) (peopleView, error) {
	list, err := a.Store.People(r.HTTP.Context(), r.Who.Workshop)
	if err != nil {
		return peopleView{}, err
	}
	var v peopleView
	for _, p := range list {
		v.People = append(v.People, lineOf(r, p))
	}
	return v, nil
}

func lineOf(r *ui.Request, p store.Person) personLine {
	line := personLine{ID: store.Text(p.ID), Name: p.Name, Email: p.Email, Role: p.Role, Kind: "good", State: "may sign in"}
	switch {
	case p.Disabled:
		line.Kind, line.State = "stop", "disabled"
	case !p.HasSignIn:
		line.Kind, line.State = "wait", "has no password yet"
	}
	if p.LastSeenAt != nil {
		line.LastUsed = r.Clock().Time(*p.LastSeenAt)
	}
	return line
}

// AddPerson registers somebody; the next page shows the link with which they set their password, once.
func (a Area) AddPerson(r *ui.Request) error {
	f := r.Form()
	form := personForm{Name: f.Raw(fieldName), Email: f.Raw(fieldEmail), Role: f.Raw(fieldRole)}
	entry, err := r.Entry()
	var link string
	if err == nil {
		// The store finds all faults at once.
		link, err = a.Store.AddPerson(r.HTTP.Context(), r.Who, entry, store.NewPerson{Email: form.Email, Name: form.Name, Role: access.Role(form.Role)}, r.Now)
	}
	if err == nil {
		name := f.Text(fieldName, 200)
		if link == "" {
			return r.SeeOther(paths.People(), name+" is registered already. For a link, open their page and make a new one.")
		}
		r.Log("person added", "by", store.Text(r.Who.Person), "role", form.Role)
		a.keepLink(r, freshLink{name, a.base(r) + paths.SetPassword(link)})
		return r.SeeOther(paths.People(), name+" is registered.")
	}
	v, loadErr := a.peopleView(r)
	if loadErr != nil {
		return loadErr
	}
	return r.Refuse(err, r.Page("People", "settings"), func(fa *fault.Fault) templ.Component {
		v.Key, v.Form, v.Fault = r.Form().Raw("entry_key"), form, fa
		return peoplePage(v)
	})
}

type personView struct {
	personLine
	Key      string
	Self     bool
	Disabled bool
	Chosen   string // the role that is ticked
	Link     *freshLink
	Fault    *fault.Fault
}

func (a Area) person(r *ui.Request) (store.Person, error) {
	id, err := store.ParseID[store.PersonID](r.Param("id"))
	if err != nil {
		return store.Person{}, err
	}
	return a.Store.Person(r.HTTP.Context(), r.Who.Workshop, id)
}

func viewOf(r *ui.Request, p store.Person) personView {
	return personView{personLine: lineOf(r, p), Key: ui.NewKey(), Self: p.ID == r.Who.Person, Disabled: p.Disabled, Chosen: p.Role}
}

// Person shows one of the people and what can be changed about them.
func (a Area) Person(r *ui.Request) error {
	p, err := a.person(r)
	if err != nil {
		return err
	}
	v := viewOf(r, p)
	if link, ok := a.takeLink(r); ok {
		v.Link = &link
	}
	return r.Render(http.StatusOK, r.Page(p.Name, "settings"), personPage(v))
}

// notSelf keeps an owner from shutting themselves out by a slip: another owner does it, or nobody.
func notSelf(r *ui.Request, p store.Person) error {
	if p.ID == r.Who.Person {
		return fault.New(fault.Conflict, "This is you. Another owner changes your role or access.")
	}
	return nil
}

// change runs one change of a person, and shows their page again where it was refused.
func (a Area) change(r *ui.Request, do func(store.Person, store.Entry) (saved string, err error)) error {
	p, err := a.person(r)
	if err != nil {
		return err
	}
	entry, err := r.Entry()
	var saved string
	if err == nil {
		err = notSelf(r, p)
	}
	if err == nil {
		saved, err = do(p, entry)
	}
	if err == nil {
		return r.SeeOther(paths.Person(store.Text(p.ID)), saved)
	}
	return r.Refuse(err, r.Page(p.Name, "settings"), func(f *fault.Fault) templ.Component {
		v := viewOf(r, p)
		v.Fault = f
		if role := r.Form().Raw(fieldRole); role != "" {
			v.Chosen = role
		}
		return personPage(v)
	})
}

// SetRole gives somebody another role, from their next page on.
func (a Area) SetRole(r *ui.Request) error {
	return a.change(r, func(p store.Person, entry store.Entry) (string, error) {
		role := access.Role(r.Form().Raw(fieldRole))
		if err := a.Store.ChangeRole(r.HTTP.Context(), r.Who, entry, p.ID, role); err != nil {
			return "", err
		}
		r.Log("role changed", "person", store.Text(p.ID), "role", string(role), "by", store.Text(r.Who.Person))
		return p.Name + " is now " + string(role) + ".", nil
	})
}

// SetAccess ends somebody's access, or gives it back.
func (a Area) SetAccess(r *ui.Request) error {
	return a.change(r, func(p store.Person, entry store.Entry) (string, error) {
		f := r.Form()
		wanted := f.OneOf(fieldAccess, "Choose whether this person may sign in.", "disable", "enable")
		if err := f.Err(); err != nil {
			return "", err
		}
		if err := a.Store.DisablePerson(r.HTTP.Context(), r.Who, entry, p.ID, wanted == "disable"); err != nil {
			return "", err
		}
		r.Log("access changed", "person", store.Text(p.ID), "access", wanted, "by", store.Text(r.Who.Person))
		if wanted == "disable" {
			return p.Name + " is signed out everywhere and may not sign in.", nil
		}
		return p.Name + " may sign in again.", nil
	})
}

// NewLink makes a new link to set a password; the next page shows it, once. It touches no record, so it needs no entry
// key: made twice, the later one counts.
func (a Area) NewLink(r *ui.Request) error {
	p, err := a.person(r)
	if err != nil {
		return err
	}
	link, err := a.Store.NewPasswordLink(r.HTTP.Context(), r.Who, p.ID, r.Now)
	if err != nil {
		return err
	}
	r.Log("password link made", "person", store.Text(p.ID), "by", store.Text(r.Who.Person))
	a.keepLink(r, freshLink{p.Name, a.base(r) + paths.SetPassword(link)})
	return r.SeeOther(paths.Person(store.Text(p.ID)), "There is a new link for "+p.Name+".")
}
