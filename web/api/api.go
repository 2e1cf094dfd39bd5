// Package api is Stillroom for programs: the traces, EPCIS events, import, export and a logger's readings under /api/v1, as the
// interchange contract has them. It decides by a bearer token who asks, describes itself in OpenAPI 3.1, and says no in
// problem documents (RFC 9457) and nothing else.
package api

import (
	"bytes"
	"context"
	"crypto/rand"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"net/http"
	"strings"

	"github.com/danielgtaylor/huma/v2"
	"github.com/danielgtaylor/huma/v2/adapters/humachi"
	"github.com/go-chi/chi/v5"

	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/store"
	"example.org/stillroom/web/ui"
)

// Root is where the interface stands.
const Root = "/api/v1"

// site is what the operations are served with.
type site struct {
	house  *ui.House
	router chi.Router
	api    huma.API
}

// call is one request. Operations read its body and write its answer themselves: what they take and give is larger than
// memory, or has a form of its own.
type call struct {
	r      *http.Request
	w      http.ResponseWriter
	bearer store.Bearer
}

func (c *call) ctx() context.Context { return c.r.Context() }

type callKey struct{}

// Handler serves the interface.
func Handler(h *ui.House) http.Handler {
	s := &site{house: h, router: chi.NewRouter()}
	s.router.NotFound(func(w http.ResponseWriter, r *http.Request) {
		s.sorry(w, r, fault.New(fault.NotFound, "There is nothing under this address. "+Root+"/openapi.json says what there is."))
	})
	s.router.MethodNotAllowed(s.wrongMethod)
	s.router.Route(Root, func(under chi.Router) {
		s.api = humachi.New(under, config())
		s.traces()
		s.events()
		s.readings()
		s.book()
		s.describe(under)
	})
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		id := make([]byte, 8)
		rand.Read(id)
		r = r.WithContext(context.WithValue(r.Context(), requestKey{}, hex.EncodeToString(id)))
		head := w.Header()
		head.Set("Content-Security-Policy", "default-src 'none'; frame-ancestors 'none'")
		head.Set("X-Content-Type-Options", "nosniff")
		head.Set("Cache-Control", "no-store")
		head.Set("Referrer-Policy", "no-referrer")
		defer func() {
			if p := recover(); p != nil {
				if p == http.ErrAbortHandler {
					panic(p)
				}
				s.sorry(w, r, fmt.Errorf("panic: %v", p))
			}
		}()
		s.router.ServeHTTP(w, r)
	})
}

// wrongMethod says which methods the address knows.
func (s *site) wrongMethod(w http.ResponseWriter, r *http.Request) {
	path := r.URL.RawPath
	if path == "" {
		path = r.URL.Path
	}
	var allowed []string
	for _, m := range []string{http.MethodGet, http.MethodPost} {
		if s.router.Match(chi.NewRouteContext(), m, path) {
			allowed = append(allowed, m)
		}
	}
	w.Header().Set("Allow", strings.Join(allowed, ", "))
	s.problem(w, r, Problem{Status: http.StatusMethodNotAllowed, Detail: "This address knows " + strings.Join(allowed, " and ") + "."})
}

// kind of an operation: what its token has to be.
type kind int

const (
	reads  kind = iota // any token
	writes             // not a read-only one
)

// serve adds an operation: who asks is found out before do is called, and what do returns as an error is the answer.
// I says which parameters the address has; their values reach do as they were sent.
func serve[I any](s *site, of kind, op huma.Operation, do func(*call, *I) error) {
	op.SkipValidateParams = true // judged by do, which says it in our own words
	op.Security = []map[string][]string{{"token": {}}}
	op.Middlewares = huma.Middlewares{func(hc huma.Context, next func(huma.Context)) {
		r, w := humachi.Unwrap(hc)
		bearer, err := s.admit(w, r, of)
		if err != nil {
			s.sorry(w, r, err)
			return
		}
		next(huma.WithValue(hc, callKey{}, &call{r: r, w: w, bearer: bearer}))
	}}
	s.document(&op, of)
	// The body is described once the operation stands: huma reads and judges one that it knows of, and do does that itself.
	body := op.RequestBody
	op.RequestBody = nil
	defer func() {
		if post := s.api.OpenAPI().Paths[op.Path].Post; body != nil && post != nil {
			post.RequestBody = body
		}
	}()
	huma.Register(s.api, op, func(ctx context.Context, in *I) (*huma.StreamResponse, error) {
		return &huma.StreamResponse{Body: func(huma.Context) {
			c := ctx.Value(callKey{}).(*call)
			if err := do(c, in); err != nil {
				s.sorry(c.w, c.r, err)
			}
		}}, nil
	})
}

// describe serves the description, made once.
func (s *site) describe(under chi.Router) {
	s.tidy()
	text, err := json.Marshal(s.api.OpenAPI())
	if err != nil {
		panic(err) // made of our own types only: a defect that every test meets
	}
	var indented bytes.Buffer
	_ = json.Indent(&indented, text, "", " ") // JSON from just above
	under.Get("/openapi.json", func(w http.ResponseWriter, _ *http.Request) {
		w.Header().Set("Content-Type", "application/json")
		_, _ = w.Write(indented.Bytes())
	})
}
