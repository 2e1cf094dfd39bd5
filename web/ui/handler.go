// Package ui is what every page shares: the adapter from handlers to HTTP, forms, the layout and its components.
package ui

import (
	"bytes"
	"context"
	"crypto/rand"
	"encoding/hex"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"sync"
	"time"
	"unicode/utf8"

	"github.com/a-h/templ"
	"github.com/go-chi/chi/v5"

	"example.org/stillroom/internal/access"
	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/mail"
	"example.org/stillroom/internal/store"
)

// Request is one question of a browser with what every handler needs to answer it.
type Request struct {
	HTTP     *http.Request
	W        http.ResponseWriter
	Now      time.Time
	ID       string // of the request; shown where something went wrong
	Who      store.Who
	Session  store.SessionID
	Workshop store.Workshop
	Flash    string
	house    *House
}

// Param is a part of the path as it was meant. Where the path holds an escaped slash or the like, chi hands its parts on
// escaped; where it holds none they are plain already, and a "%" in them is one. A part that cannot be read is "", which
// nothing is called.
func (r *Request) Param(name string) string {
	text := chi.URLParam(r.HTTP, name)
	if r.HTTP.URL.RawPath == "" {
		return text
	}
	plain, err := url.PathUnescape(text)
	if err != nil {
		return ""
	}
	return plain
}

// Handler answers a request or says why not. An error is shown by one adapter: a fault by its kind, anything else
// as "Something went wrong" with the request's id.
type Handler func(*Request) error

// House holds what handlers of all areas are served with.
type House struct {
	Store *store.Store
	Clock func() time.Time
	// Secure is set where people come by HTTPS: cookies are then bound to it.
	Secure bool
	// Proxied is set where a proxy that sets X-Forwarded-For stands in front; it counts for nothing otherwise.
	Proxied bool
	Log     *slog.Logger
	// Go starts work that goes on after its answer was sent, with a context that ends when the program does. Where it is
	// nil nobody waits for that work.
	Go func(work func(context.Context))
	// ImportMost is how many bytes a file to import may have; 0 is what the store says.
	ImportMost int64
	// Mail is where e-mails are handed over; nil sends none.
	Mail *mail.Server
	// pictures are drawn anew one at a time: a small file may unfold into 320 MB.
	pictures sync.Mutex
}

// formLimit is the most a form without files may send; fileLimit with them.
const (
	formLimit = 1 << 20
	fileLimit = 12 << 20
)

// Open serves a handler to anybody.
func (h *House) Open(handler Handler) http.HandlerFunc {
	return h.serve(func(r *Request) error {
		if cookie := r.Cookie(); cookie != "" {
			if session, err := h.Store.Session(r.HTTP.Context(), cookie, r.Now); err == nil {
				r.take(session)
			}
		}
		return handler(r)
	}, (*Request).parse)
}

// For serves a handler to people who hold the right.
func (h *House) For(right access.Right, handler Handler) http.HandlerFunc {
	return h.serve(h.allowed(right, handler), (*Request).parse)
}

// Streamed is For where the handler reads what was sent by itself, piece by piece, once the right is known: nobody else
// makes us take a large file.
func (h *House) Streamed(right access.Right, handler Handler) http.HandlerFunc {
	return h.serve(h.allowed(right, handler), (*Request).parseAddress)
}

func (h *House) allowed(right access.Right, handler Handler) Handler {
	return func(r *Request) error {
		session, err := h.Store.Session(r.HTTP.Context(), r.Cookie(), r.Now)
		if err != nil {
			return err
		}
		r.take(session)
		if !access.May(r.Who.Role, right) {
			h.Log.Warn("denied", "person", store.Text(r.Who.Person), "right", string(right), "method", r.HTTP.Method, "path", r.HTTP.URL.Path, "request", r.ID)
			return fault.New(fault.Forbidden, "Your role ("+string(r.Who.Role)+") may not do this. Ask a maker or the owner.")
		}
		return handler(r)
	}
}

func (r *Request) take(s store.Session) {
	r.Session, r.Workshop = s.ID, s.Workshop
	s.Who.Device, s.Who.RequestID = r.Device(), r.ID
	r.Who = s.Who
}

func (h *House) serve(handler Handler, parse func(*Request) error) http.HandlerFunc {
	return func(w http.ResponseWriter, hr *http.Request) {
		id := make([]byte, 8)
		rand.Read(id)
		r := &Request{HTTP: hr, W: w, Now: h.Clock(), ID: hex.EncodeToString(id), house: h}
		defer func() {
			if p := recover(); p != nil {
				if p == http.ErrAbortHandler {
					panic(p)
				}
				h.Log.Error("panic", "request", r.ID, "path", hr.URL.Path, "panic", fmt.Sprint(p))
				r.sorry(fmt.Errorf("panic: %v", p))
			}
		}()
		err := parse(r)
		if err == nil {
			r.Flash = r.takeFlash()
			err = handler(r)
		}
		if err != nil {
			r.sorry(err)
		}
	}
}

// plain tells whether PostgreSQL can hold the text.
func plain(text string) bool { return utf8.ValidString(text) && strings.IndexByte(text, 0) < 0 }

// parseAddress reads the address.
func (r *Request) parseAddress() error {
	if !plain(r.HTTP.URL.Path) {
		return NotFound(r)
	}
	query := r.HTTP.URL.Query()
	for _, values := range query {
		for _, v := range values {
			// A look-up takes any text, so it forgives; nothing is stored from an address.
			if !plain(v) {
				r.HTTP.URL.RawQuery = cleaned(query).Encode()
			}
		}
	}
	return nil
}

// parse reads the address and, within its limit, the form, so that handlers only look values up.
func (r *Request) parse() error {
	if err := r.parseAddress(); err != nil {
		return err
	}
	if r.HTTP.Method != http.MethodPost {
		return nil
	}
	limit := int64(formLimit)
	multipart := strings.HasPrefix(r.HTTP.Header.Get("Content-Type"), "multipart/form-data")
	if multipart {
		limit = fileLimit
	}
	r.HTTP.Body = http.MaxBytesReader(r.W, r.HTTP.Body, limit)
	var err error
	if multipart {
		err = r.HTTP.ParseMultipartForm(1 << 20)
	} else {
		err = r.HTTP.ParseForm()
	}
	var tooLarge *http.MaxBytesError
	switch {
	case errors.As(err, &tooLarge):
		return errTooLarge
	case err != nil:
		return fault.New(fault.Invalid, "The form could not be read. Go back and send it again.")
	}
	for _, values := range r.HTTP.PostForm {
		for _, v := range values {
			if !plain(v) {
				return fault.New(fault.Invalid, "The form holds characters that cannot be stored. Go back and type them anew.")
			}
		}
	}
	return nil
}

// cleaned leaves out what PostgreSQL cannot hold.
func cleaned(query url.Values) url.Values {
	out := url.Values{}
	for name, values := range query {
		for _, v := range values {
			out.Add(name, strings.ReplaceAll(strings.ToValidUTF8(v, ""), "\x00", ""))
		}
	}
	return out
}

var errTooLarge = errors.New("the request is too large")

// sorry shows an error as a page. It is the one place where a fault becomes a status.
func (r *Request) sorry(err error) {
	if r.HTTP.Context().Err() != nil {
		r.house.Log.Info("nobody waits for the answer any more", "request", r.ID, "path", r.HTTP.URL.Path)
		return
	}
	status, title, words := http.StatusInternalServerError, "Something went wrong", "What you did was not saved. If it happens again, tell the owner this number: "+r.ID
	if r.HTTP.Method == http.MethodGet {
		words = "This page could not be shown. If it happens again, tell the owner this number: " + r.ID
	}
	f := fault.As(err)
	switch {
	case errors.Is(err, errTooLarge):
		status, title, words = http.StatusRequestEntityTooLarge, "That is too large", "A form may hold 1 MB, a file 10 MB."
	case f != nil && f.Kind == fault.Sign:
		if r.HTTP.Method == http.MethodGet {
			http.Redirect(r.W, r.HTTP, "/sign-in?next="+url.QueryEscape(r.HTTP.URL.RequestURI()), http.StatusSeeOther)
			return
		}
		status, title, words = http.StatusUnauthorized, "You are signed out", "Nothing was saved. Sign in again, go back and send it once more."
	case f != nil:
		status, title, words = StatusOf(f), titles[f.Kind], f.Error()
		if f.RetryAfter > 0 {
			r.W.Header().Set("Retry-After", strconv.Itoa(f.RetryAfter))
		}
	case store.IsDown(err):
		status, title, words = http.StatusServiceUnavailable, "The batch book cannot be reached", "The database does not answer just now. Try again in a moment. ("+r.ID+")"
		if r.HTTP.Method == http.MethodPost {
			words = "The database does not answer just now, so it is not certain that this was saved. Go back in a moment and send it again: however often it is sent, it is stored once. (" + r.ID + ")"
		}
		r.W.Header().Set("Retry-After", "2")
	}
	if status >= 500 {
		r.house.Log.Error("failed", "request", r.ID, "method", r.HTTP.Method, "path", r.HTTP.URL.Path, "error", err.Error())
	}
	p := r.Page(title, "")
	p.Flash, p.Failed = "", true
	if err := r.Render(status, p, sorryPage(title, words, p.Signed && status == http.StatusNotFound)); err != nil {
		r.house.Log.Error("failed to say so", "request", r.ID, "error", err.Error())
	}
}

var titles = map[fault.Kind]string{fault.Invalid: "That could not be taken", fault.NotFound: "Not found", fault.Conflict: "That has changed meanwhile", fault.Forbidden: "Not for your role", fault.TooMany: "Too often", fault.TooLarge: "That is too large"}

// StatusOf is the one table from a fault's kind to an HTTP status.
func StatusOf(f *fault.Fault) int {
	switch f.Kind {
	case fault.Invalid:
		return http.StatusUnprocessableEntity
	case fault.NotFound:
		return http.StatusNotFound
	case fault.Conflict:
		return http.StatusConflict
	case fault.Forbidden:
		return http.StatusForbidden
	case fault.TooMany:
		return http.StatusTooManyRequests
	case fault.TooLarge:
		return http.StatusRequestEntityTooLarge
	case fault.Sign:
		return http.StatusUnauthorized
	}
	return http.StatusInternalServerError
}

// Page starts the layout's data for this request.
func (r *Request) Page(title, area string) Page {
	p := Page{Title: title, Area: area, Flash: r.Flash, Query: r.HTTP.URL.Query().Get("q")}
	if r.Who.Person != (store.PersonID{}) {
		p.Signed, p.Workshop, p.Person, p.PersonID, p.Role = true, r.Workshop.Name, r.Who.Name, store.Text(r.Who.Person), string(r.Who.Role)
	}
	return p
}

// Render draws the page into memory first: a page is sent whole with its status, or not at all.
func (r *Request) Render(status int, p Page, body templ.Component) error {
	return r.render(status, Layout(p), body)
}

// RenderBench is Render for a bench task with the list it is part of.
func (r *Request) RenderBench(status int, p Page, list, body templ.Component) error {
	return r.render(status, BenchLayout(p, list), body)
}

func (r *Request) render(status int, layout, body templ.Component) error {
	var page bytes.Buffer
	ctx := context.WithValue(r.HTTP.Context(), styleKey{}, r.Workshop.Style)
	if err := layout.Render(templ.WithChildren(ctx, body), &page); err != nil {
		return fmt.Errorf("render: %w", err)
	}
	r.W.Header().Set("Content-Type", "text/html; charset=utf-8")
	r.W.WriteHeader(status)
	_, err := page.WriteTo(r.W)
	if err != nil && !errors.Is(err, context.Canceled) {
		r.house.Log.Info("page not taken", "request", r.ID, "error", err.Error())
	}
	return nil
}

// Refuse renders a form again after err: with the fault and its status where err is one, else err is passed on. draw
// gets the fault to show.
func (r *Request) Refuse(err error, p Page, draw func(*fault.Fault) templ.Component) error {
	f := fault.As(err)
	if f == nil || (f.Kind != fault.Invalid && f.Kind != fault.Conflict && f.Kind != fault.TooMany && f.Kind != fault.TooLarge) {
		return err
	}
	if f.RetryAfter > 0 {
		r.W.Header().Set("Retry-After", strconv.Itoa(f.RetryAfter))
	}
	p.Failed = true
	return r.Render(StatusOf(f), p, draw(f))
}

// SeeOther ends a form that was saved: 303, and a sentence for the next page.
func (r *Request) SeeOther(path, saved string) error {
	if saved != "" {
		r.setCookie(&http.Cookie{Name: "said", Value: url.QueryEscape(saved), MaxAge: 60})
	}
	http.Redirect(r.W, r.HTTP, path, http.StatusSeeOther)
	return nil
}

func (r *Request) takeFlash() string {
	if r.HTTP.Method != http.MethodGet {
		return ""
	}
	c, err := r.HTTP.Cookie("said")
	if err != nil {
		return ""
	}
	r.setCookie(&http.Cookie{Name: "said", MaxAge: -1})
	said, err := url.QueryUnescape(c.Value)
	if err != nil || len(said) > 300 {
		return ""
	}
	return said
}

func (h *House) cookieName() string {
	if h.Secure {
		return "__Host-stillroom"
	}
	return "stillroom"
}

// Cookie is the session's token, empty where there is none.
func (r *Request) Cookie() string {
	c, err := r.HTTP.Cookie(r.house.cookieName())
	if err != nil {
		return ""
	}
	return c.Value
}

// Keep gives the browser its session; an empty token takes it away.
func (r *Request) Keep(token string) {
	c := &http.Cookie{Name: r.house.cookieName(), Value: token, MaxAge: 30 * 24 * 3600}
	if token == "" {
		c.MaxAge = -1
	}
	r.setCookie(c)
}

func (r *Request) setCookie(c *http.Cookie) {
	c.Path, c.HttpOnly, c.Secure, c.SameSite = "/", true, r.house.Secure, http.SameSiteLaxMode
	http.SetCookie(r.W, c)
}

// Device is a short name of what the person holds, for the trail and the list of sessions.
func (r *Request) Device() string {
	agent := r.HTTP.UserAgent()
	device := "browser"
	for _, k := range []struct{ mark, words string }{{"iPad", "iPad"}, {"iPhone", "iPhone"}, {"Android", "Android"}, {"Windows", "Windows"}, {"Macintosh", "Mac"}, {"CrOS", "Chromebook"}, {"Linux", "Linux"}} {
		if strings.Contains(agent, k.mark) {
			device = k.words
			break
		}
	}
	return device + " at " + r.Address()
}

// Address is where the request comes from.
func (r *Request) Address() string { return r.house.Address(r.HTTP) }

// Address is where a request comes from. A forwarded address counts only from a proxy that was set up.
func (h *House) Address(r *http.Request) string {
	if h.Proxied {
		parts := strings.Split(r.Header.Get("X-Forwarded-For"), ",")
		if ip := net.ParseIP(strings.TrimSpace(parts[len(parts)-1])); ip != nil {
			return ip.String()
		}
	}
	host, _, err := net.SplitHostPort(r.RemoteAddr)
	if err != nil {
		return r.RemoteAddr
	}
	return host
}

// Go starts work that goes on after this request is answered.
func (r *Request) Go(work func(context.Context)) {
	if r.house.Go != nil {
		r.house.Go(work)
		return
	}
	go work(context.WithoutCancel(r.HTTP.Context()))
}

// Throttle refuses the request where its key was tried too often.
func (r *Request) Throttle(key string, most int, window time.Duration) error {
	return r.house.Store.Throttle(r.HTTP.Context(), key, most, window, r.Now)
}

// Log is for sign-ins, denials, exports and changes of settings.
func (r *Request) Log(event string, args ...any) {
	r.house.Log.Info(event, append(args, "request", r.ID)...)
}
