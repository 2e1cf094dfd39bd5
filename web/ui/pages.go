package ui

import (
	"net/http"
	"net/url"
)

// After is the parameter that names the row behind which a page of a list begins.
const After = "after"

// PageLength is how many rows a page of a list has.
const PageLength = 50

// Pages are the links of a list that is read a page at a time; an empty one is left out.
type Pages struct{ First, Next string }

// Pages links to what follows the page that was asked for, which begins behind the key next, and back to the start.
// Whatever else the address chooses stays as it is.
func (r *Request) Pages(next string) Pages { return r.PagesBy(After, next) }

// PagesBy is Pages for a page with several lists, each with a parameter of its own. A form that was refused has none: turning
// a page would lose what was typed, and its address is not that of the list.
func (r *Request) PagesBy(name, next string) Pages {
	var p Pages
	if r.HTTP.Method == http.MethodPost {
		return p
	}
	if next != "" {
		p.Next = with(r.HTTP.URL, name, next)
	}
	if r.HTTP.URL.Query().Get(name) != "" {
		p.First = with(r.HTTP.URL, name, "")
	}
	return p
}

// AfterKey is the key behind which the page begins that was asked for; empty for the first.
func (r *Request) AfterKey() string { return r.HTTP.URL.Query().Get(After) }

func with(u *url.URL, name, key string) string {
	query := u.Query()
	query.Del(name)
	if key != "" {
		query.Set(name, key)
	}
	path := u.EscapedPath()
	if len(query) == 0 {
		return path
	}
	return path + "?" + query.Encode()
}

// PagesAt is the part of the address that says which pages of its lists are shown, so that a form comes back to them.
func (r *Request) PagesAt() string {
	if query := r.HTTP.URL.Query().Encode(); query != "" {
		return "?" + query
	}
	return ""
}
