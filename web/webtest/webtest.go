// Package webtest serves the real handler on a cloned database and asks it as a browser without JavaScript would.
package webtest

import (
	"bytes"
	"context"
	"io"
	"log/slog"
	"mime/multipart"
	"net/http"
	"net/http/cookiejar"
	"net/http/httptest"
	"net/url"
	"strings"
	"testing"
	"time"

	"github.com/PuerkitoBio/goquery"

	"example.org/stillroom/internal/access"
	"example.org/stillroom/internal/pgtest"
	"example.org/stillroom/internal/store"
	"example.org/stillroom/web"
	"example.org/stillroom/web/ui"
)

// Password is what everybody of a test site has.
const Password = "eleven-brass-kettles"

// Site is a workshop with one person of each role, served.
type Site struct {
	t      testing.TB
	URL    string
	Store  *store.Store
	DB     pgtest.DB
	House  *ui.House
	people map[access.Role]store.Who
}

// New serves a fresh workshop named Quillmoor Workshop, in UTC.
func New(t testing.TB, options ...store.Option) *Site {
	t.Helper()
	ctx := context.Background()
	s, db := pgtest.Begun(t, "site", begin)
	if len(options) > 0 { // a store of its own: those of a lent database are as they are
		var err error
		if s, err = store.Open(ctx, db.AppURL, options...); err != nil {
			t.Fatal(err)
		}
		t.Cleanup(s.Close)
	}
	house := &ui.House{Store: s, Clock: time.Now, Log: slog.New(slog.NewTextHandler(testLog{t}, &slog.HandlerOptions{Level: slog.LevelError}))}
	server := httptest.NewServer(web.Handler(house))
	t.Cleanup(server.Close)
	site := &Site{t: t, URL: server.URL, Store: s, DB: db, House: house, people: map[access.Role]store.Who{}}
	workshop := store.WorkshopID(db.Workshop)
	people, err := s.People(ctx, workshop)
	if err != nil {
		t.Fatal(err)
	}
	for _, p := range people {
		role := access.Role(p.Role)
		site.people[role] = store.Who{Workshop: workshop, Person: p.ID, Name: p.Name, Role: role, Actor: "person", Device: "test"}
	}
	return site
}

// begin sets the workshop up and lets one person of each role in.
func begin(ctx context.Context, s *store.Store, workshop store.WorkshopID) error {
	link, err := s.SetUpLink(ctx, workshop, time.Now())
	if err != nil {
		return err
	}
	owner := store.NewPerson{Email: "owner@quillmoor.example.org", Name: "Owner Quill", Role: access.Owner}
	if _, err := s.SetUp(ctx, link, "Quillmoor Workshop", "UTC", owner, Password, "test", time.Now()); err != nil {
		return err
	}
	for _, role := range []access.Role{access.Maker, access.Helper, access.Viewer} {
		name := strings.ToUpper(string(role[:1])) + string(role[1:])
		link, err := s.AddPerson(ctx, store.Who{Workshop: workshop, Actor: "system"}, store.Entry{}, store.NewPerson{Email: string(role) + "@quillmoor.example.org", Name: name + " Quill", Role: role}, time.Now())
		if err != nil {
			return err
		}
		if _, err := s.SetPassword(ctx, link, Password, "test", time.Now()); err != nil {
			return err
		}
	}
	return nil
}

// testLog shows what the server found wrong beside the test that met it.
type testLog struct{ t testing.TB }

func (l testLog) Write(line []byte) (int, error) {
	l.t.Log(strings.TrimSpace(string(line)))
	return len(line), nil
}

// Who is the person of a role, for calling the store directly.
func (s *Site) Who(role access.Role) store.Who { return s.people[role] }

// Link makes a one-time sign-in link for the person of a role, as a URL: for a real browser.
func (s *Site) Link(role access.Role) string {
	s.t.Helper()
	link, err := s.Store.SignInLink(context.Background(), s.people[role].Workshop, string(role)+"@quillmoor.example.org", time.Now())
	if err != nil {
		s.t.Fatal(err)
	}
	return s.URL + "/sign-in/" + link
}

// Client is a browser without JavaScript. It does not follow redirects unless told.
type Client struct {
	site *Site
	http *http.Client
}

// As signs in as the person of a role; an empty role is nobody.
func (s *Site) As(role access.Role) *Client {
	s.t.Helper()
	jar, err := cookiejar.New(nil)
	if err != nil {
		s.t.Fatal(err)
	}
	c := &Client{site: s, http: &http.Client{Jar: jar, CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}}
	if role != "" {
		link := strings.TrimPrefix(s.Link(role), s.URL+"/sign-in/")
		cookie, err := s.Store.SignInByLink(context.Background(), link, "test", time.Now())
		if err != nil {
			s.t.Fatal(err)
		}
		base, _ := url.Parse(s.URL)
		jar.SetCookies(base, []*http.Cookie{{Name: "stillroom", Value: cookie, Path: "/"}})
	}
	return c
}

// Page is an answer, parsed.
type Page struct {
	t        testing.TB
	Status   int
	Header   http.Header
	Location string
	Body     string
	Path     string
	doc      *goquery.Document
}

func (c *Client) do(req *http.Request) *Page {
	c.site.t.Helper()
	res, err := c.http.Do(req)
	if err != nil {
		c.site.t.Fatal(err)
	}
	defer res.Body.Close()
	body, err := io.ReadAll(res.Body)
	if err != nil {
		c.site.t.Fatal(err)
	}
	p := &Page{t: c.site.t, Status: res.StatusCode, Header: res.Header, Location: res.Header.Get("Location"), Body: string(body), Path: req.URL.RequestURI()}
	if p.doc, err = goquery.NewDocumentFromReader(strings.NewReader(p.Body)); err != nil {
		c.site.t.Fatal(err)
	}
	return p
}

// Get asks for a path.
func (c *Client) Get(path string) *Page {
	c.site.t.Helper()
	req, err := http.NewRequest("GET", c.site.URL+path, nil)
	if err != nil {
		c.site.t.Fatal(err)
	}
	return c.do(req)
}

// Post sends values as a form, from the same origin.
func (c *Client) Post(path string, values url.Values) *Page {
	c.site.t.Helper()
	req, err := http.NewRequest("POST", c.site.URL+path, strings.NewReader(values.Encode()))
	if err != nil {
		c.site.t.Fatal(err)
	}
	req.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	req.Header.Set("Origin", c.site.URL)
	return c.do(req)
}

// Upload sends a form with one file in it, as a browser does.
func (c *Client) Upload(path string, values map[string]string, field, name string, data []byte) *Page {
	c.site.t.Helper()
	var body bytes.Buffer
	w := multipart.NewWriter(&body)
	for k, v := range values {
		if err := w.WriteField(k, v); err != nil {
			c.site.t.Fatal(err)
		}
	}
	part, err := w.CreateFormFile(field, name)
	if err == nil {
		_, err = part.Write(data)
	}
	if err == nil {
		err = w.Close()
	}
	if err != nil {
		c.site.t.Fatal(err)
	}
	req, err := http.NewRequest("POST", c.site.URL+path, &body)
	if err != nil {
		c.site.t.Fatal(err)
	}
	req.Header.Set("Content-Type", w.FormDataContentType())
	req.Header.Set("Origin", c.site.URL)
	return c.do(req)
}

// Submit fills the form on a page whose button holds the words, and sends it as a browser would: fields that are not
// named keep what the page put in them. values may hold "name": "" to clear a field.
func (c *Client) Submit(p *Page, button string, values map[string]string) *Page {
	c.site.t.Helper()
	form, pressed := p.form(button)
	send := url.Values{}
	form.Find("input, select, textarea").Each(func(_ int, field *goquery.Selection) {
		name, _ := field.Attr("name")
		if name == "" {
			return
		}
		switch kind := field.AttrOr("type", ""); {
		case goquery.NodeName(field) == "select":
			option := field.Find("option[selected]")
			if option.Length() == 0 {
				option = field.Find("option").First()
			}
			send.Add(name, option.AttrOr("value", ""))
		case goquery.NodeName(field) == "textarea":
			send.Add(name, field.Text())
		case kind == "file" || kind == "submit":
		case kind == "checkbox" || kind == "radio":
			if _, on := field.Attr("checked"); on {
				send.Add(name, field.AttrOr("value", "on"))
			}
		default:
			send.Add(name, field.AttrOr("value", ""))
		}
	})
	if name := pressed.AttrOr("name", ""); name != "" {
		send.Set(name, pressed.AttrOr("value", ""))
	}
	for name, value := range values {
		if form.Find(`[name="`+name+`"]`).Length() == 0 {
			c.site.t.Fatalf("the form with %q on %s has no field %q:\n%s", button, p.Path, name, p.Text("main"))
		}
		if value == "" && form.Find(`input[type=checkbox][name="`+name+`"]`).Length() > 0 {
			send.Del(name)
			continue
		}
		send.Set(name, value)
	}
	action := form.AttrOr("action", p.Path)
	if strings.HasPrefix(form.AttrOr("enctype", ""), "multipart/") {
		return c.Post(action, send) // without a file a browser's fields are the same
	}
	if strings.EqualFold(form.AttrOr("method", "get"), "get") {
		return c.Get(action + "?" + send.Encode())
	}
	return c.Post(action, send)
}

// Follow takes the redirect that a saved form answers; any other answer fails the test with what the page said.
func (c *Client) Follow(p *Page) *Page {
	c.site.t.Helper()
	if p.Status != http.StatusSeeOther {
		c.site.t.Fatalf("%s answered %d, not a redirect:\n%s", p.Path, p.Status, p.Text("main"))
	}
	next := c.Get(p.Location)
	if next.Status != http.StatusOK {
		c.site.t.Fatalf("%s answered %d:\n%s", p.Location, next.Status, next.Text("main"))
	}
	return next
}

func (p *Page) form(button string) (form, pressed *goquery.Selection) {
	p.t.Helper()
	pressed = p.doc.Find("form button").FilterFunction(func(_ int, b *goquery.Selection) bool { return strings.Contains(b.Text(), button) }).First()
	form = pressed.Closest("form")
	if form.Length() == 0 {
		p.t.Fatalf("%s (%d) has no form with a button %q:\n%s", p.Path, p.Status, button, p.Text("body"))
	}
	return form, pressed
}

// Find selects on the page.
func (p *Page) Find(selector string) *goquery.Selection { return p.doc.Find(selector) }

// Text is the visible text of a selection, white space folded.
func (p *Page) Text(selector string) string {
	return strings.Join(strings.Fields(p.doc.Find(selector).Text()), " ")
}

// Error is the message beside a field, empty where there is none.
func (p *Page) Error(field string) string { return p.Text("#f-" + field + "-error") }

// Value is what stands in a field.
func (p *Page) Value(field string) string {
	f := p.doc.Find(`[name="` + field + `"]`).First()
	if goquery.NodeName(f) == "textarea" {
		return f.Text()
	}
	if goquery.NodeName(f) == "select" {
		return f.Find("option[selected]").AttrOr("value", "")
	}
	return f.AttrOr("value", "")
}
