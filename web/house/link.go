package house

import (
	"net/http"

	"github.com/a-h/templ"

	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/store"
	"example.org/stillroom/web/paths"
	"example.org/stillroom/web/ui"
)

// setUpForm is what was typed, kept as it was; the password is not.
type setUpForm struct{ Workshop, Zone, Name, Email string }

type setUpView struct {
	Link  string
	Form  setUpForm
	Zones []string
	Fault *fault.Fault
}

// SetUp shows the form that names the workshop and its first owner.
func (a Area) SetUp(r *ui.Request) error {
	link := r.Param("link")
	if err := a.Store.SetUpOpen(r.HTTP.Context(), link, r.Now); err != nil {
		return err
	}
	return r.Render(http.StatusOK, r.Page("Set up the workshop", ""), setUpPage(setUpView{Link: link, Zones: zones}))
}

// FinishSetUp names the workshop, registers its owner and signs them in.
func (a Area) FinishSetUp(r *ui.Request) error {
	link := r.Param("link")
	f := r.Form()
	form := setUpForm{Workshop: f.Raw(fieldWorkshop), Zone: f.Raw(fieldZone), Name: f.Raw(fieldName), Email: f.Raw(fieldEmail)}
	owner := store.NewPerson{Email: form.Email, Name: form.Name}
	// The store finds all faults at once, and spends the link only where there are none.
	cookie, err := a.Store.SetUp(r.HTTP.Context(), link, f.Text(fieldWorkshop, 200), zoneNamed(form.Zone), owner, f.Raw(fieldPassword), r.Device(), r.Now)
	if err == nil {
		err = a.enter(r, cookie, "set-up link")
	}
	if err != nil {
		return r.Refuse(err, r.Page("Set up the workshop", ""), func(f *fault.Fault) templ.Component {
			return setUpPage(setUpView{Link: link, Form: form, Zones: zones, Fault: f})
		})
	}
	return r.SeeOther(paths.Today(), "The workshop is set up, and you are signed in as its owner.")
}

type passwordView struct {
	Link   string
	Person store.Person
	Fault  *fault.Fault
}

// Password shows the form in which somebody sets their password by a one-time link.
func (a Area) Password(r *ui.Request) error {
	link := r.Param("link")
	person, err := a.Store.PasswordLinkOpen(r.HTTP.Context(), link, r.Now)
	if err != nil {
		return err
	}
	return r.Render(http.StatusOK, r.Page("Set your password", ""), passwordPage(passwordView{Link: link, Person: person}))
}

// SetPassword keeps it and signs the person in.
func (a Area) SetPassword(r *ui.Request) error {
	link := r.Param("link")
	person, err := a.Store.PasswordLinkOpen(r.HTTP.Context(), link, r.Now)
	if err != nil {
		return err
	}
	cookie, err := a.Store.SetPassword(r.HTTP.Context(), link, r.Form().Raw(fieldPassword), r.Device(), r.Now)
	if err == nil {
		err = a.enter(r, cookie, "password link")
	}
	if err != nil {
		return r.Refuse(err, r.Page("Set your password", ""), func(f *fault.Fault) templ.Component {
			return passwordPage(passwordView{Link: link, Person: person, Fault: f})
		})
	}
	return r.SeeOther(paths.Today(), "Your password is set, and you are signed in.")
}
