// Package house is who may come in and how the workshop is set: signing in and out, one-time links, one's own account,
// the people, the settings.
package house

import (
	_ "embed"
	"net/http"
	"net/url"
	"strings"

	"example.org/stillroom/internal/store"
	"example.org/stillroom/web/paths"
	"example.org/stillroom/web/ui"
)

// Area serves the pages of the house.
type Area struct {
	Store *store.Store
	// Secure is set where people come by HTTPS: a link shown here then says so.
	Secure bool
}

// Names of form fields, shared by form, fault and page.
const (
	fieldEmail       = "email"
	fieldPassword    = "password"
	fieldOld         = "old"
	fieldNext        = "next"
	fieldTicket      = "ticket"
	fieldWorkshop    = "workshop"
	fieldZone        = "zone"
	fieldName        = "name"
	fieldRole        = "role"
	fieldAccess      = "access"
	fieldPattern     = "code_pattern"
	fieldSoonDays    = "soon_days"
	fieldReadability = "readability_g"
	fieldMinLoad     = "min_load_g"
	fieldMass        = "mass_unit"
	fieldTemperature = "temp_unit"
	fieldDate        = "date_style"
	fieldDrill       = "drill_minutes"
	fieldContact     = "contact"
	fieldSeen        = "seen"
	fieldShow        = "show"
	fieldReadOnly    = "read_only"
	fieldReason      = "reason"
)

const passwordHint = "8 to 128 characters; three or four words do well. You may paste it."

//go:embed zones.txt
var zoneList string

// zones are the names that the box for a time zone suggests.
var zones = func() []string {
	var list []string
	for line := range strings.Lines(zoneList) {
		if line = strings.TrimSpace(line); line != "" && !strings.HasPrefix(line, "#") {
			list = append(list, line)
		}
	}
	return list
}()

// zoneNamed takes a zone as it is typed: "europe/isle of man" is Europe/Isle_of_Man. What is on no list stays as it is,
// since the database of zones has older names too.
func zoneNamed(typed string) string {
	name := strings.ReplaceAll(strings.TrimSpace(typed), " ", "_")
	for _, z := range zones {
		if strings.EqualFold(z, name) {
			return z
		}
	}
	return name
}

// localPath is where to go after signing in: a page of our own, else Today. A link from elsewhere must not lead away
// from here under our name.
func localPath(next string) string {
	u, err := url.Parse(next)
	if err != nil || u.Scheme != "" || u.Host != "" || u.Opaque != "" || u.User != nil ||
		!strings.HasPrefix(next, "/") || strings.HasPrefix(next, "//") || strings.ContainsFunc(next, unfit) ||
		u.Path == paths.SignIn() || strings.HasPrefix(u.Path, paths.SignIn()+"/") || u.Path == paths.SignOut() {
		return paths.Today()
	}
	return next
}

// unfit are characters that browsers drop or turn round in a URL: a path with them is not the path we looked at.
func unfit(r rune) bool { return r < 0x20 || r == 0x7f || r == '\\' }

// enter gives the browser its new session. The one it had ends, so that a cookie planted before is worth nothing.
func (a Area) enter(r *ui.Request, cookie, by string) error {
	ctx := r.HTTP.Context()
	session, err := a.Store.Session(ctx, cookie, r.Now)
	if err != nil {
		return err
	}
	if err := a.Store.SignOut(ctx, r.Cookie()); err != nil {
		return err
	}
	r.Keep(cookie)
	r.Log("signed in", "person", store.Text(session.Who.Person), "by", by, "address", r.Address())
	return nil
}

// base is this site's address as the browser came to it.
func (a Area) base(r *ui.Request) string {
	scheme := "http://"
	if a.Secure {
		scheme = "https://"
	}
	return scheme + r.HTTP.Host
}

// linkCookie carries a one-time link from the form that made it to the page that shows it, once. It is in no URL, page
// history or log, and the browser drops it when it was shown.
const linkCookie = "link"

// freshLink is a link to show.
type freshLink struct{ Name, URL string }

func (a Area) keepLink(r *ui.Request, l freshLink) {
	a.setLink(r, &http.Cookie{Value: url.QueryEscape(l.Name + "\n" + l.URL), MaxAge: 120})
}

func (a Area) takeLink(r *ui.Request) (freshLink, bool) {
	c, err := r.HTTP.Cookie(linkCookie)
	if err != nil {
		return freshLink{}, false
	}
	a.setLink(r, &http.Cookie{MaxAge: -1})
	text, err := url.QueryUnescape(c.Value)
	name, link, ok := strings.Cut(text, "\n")
	return freshLink{name, link}, err == nil && ok
}

func (a Area) setLink(r *ui.Request, c *http.Cookie) {
	c.Name, c.Path, c.HttpOnly, c.Secure, c.SameSite = linkCookie, paths.People(), true, a.Secure, http.SameSiteStrictMode
	http.SetCookie(r.W, c)
}
