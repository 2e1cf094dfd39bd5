// Package web puts the pages of all areas under their URLs.
package web

import (
	"net/http"
	"time"

	"github.com/go-chi/chi/v5"

	"example.org/stillroom/internal/access"
	"example.org/stillroom/static"
	"example.org/stillroom/web/materials"
	"example.org/stillroom/web/ui"
)

// Route is one line of the route list: who may ask what. An empty right is open to anybody.
type Route struct {
	Method  string
	Pattern string
	Right   access.Right
	Handler ui.Handler
}

// Routes is the whole list, the one place where a URL meets its handler and the right it needs.
func Routes(h *ui.House) []Route {
	lots := materials.Area{Store: h.Store}
	return []Route{
		{"GET", "/materials", access.Read, lots.Materials},
		{"GET", "/lots/new", access.Receive, lots.NewLot},
		{"POST", "/lots/new", access.Receive, lots.ReceiveLot},
		{"GET", "/lots/{code}", access.Read, lots.Lot},
		{"POST", "/lots/{code}/status", access.ReleaseLot, lots.SetStatus},
	}
}

// Handler is the whole site.
func Handler(h *ui.House) http.Handler {
	r := chi.NewRouter()
	r.Handle("/static/*", static.Handler())
	for _, route := range Routes(h) {
		if route.Right == "" {
			r.MethodFunc(route.Method, route.Pattern, h.Open(route.Handler))
		} else {
			r.MethodFunc(route.Method, route.Pattern, h.For(route.Right, route.Handler))
		}
	}
	r.Get("/healthz", func(w http.ResponseWriter, _ *http.Request) { _, _ = w.Write([]byte("ok\n")) })
	r.Get("/readyz", func(w http.ResponseWriter, r *http.Request) {
		if err := h.Store.Ready(r.Context()); err != nil {
			w.Header().Set("Retry-After", "1")
			http.Error(w, "not ready", http.StatusServiceUnavailable)
			return
		}
		_, _ = w.Write([]byte("ready\n"))
	})
	r.NotFound(h.Open(ui.NotFound))
	r.MethodNotAllowed(h.Open(ui.NotFound))
	return headers(crossOrigin(r))
}

// crossOrigin refuses a form that another site sent. No bypass patterns.
func crossOrigin(next http.Handler) http.Handler {
	return http.NewCrossOriginProtection().Handler(next)
}

// policy allows our own files and nothing else; no inline script or style anywhere.
const policy = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' blob:; font-src 'self'; connect-src 'self'; " +
	"manifest-src 'self'; worker-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"

func headers(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		h := w.Header()
		h.Set("Content-Security-Policy", policy)
		h.Set("X-Content-Type-Options", "nosniff")
		// no-referrer would make browsers on plain-HTTP LAN addresses send "Origin: null" with our own forms.
		h.Set("Referrer-Policy", "same-origin")
		h.Set("Cache-Control", "no-store")
		h.Set("Cross-Origin-Opener-Policy", "same-origin")
		next.ServeHTTP(w, r)
	})
}

// Server wraps the handler with limits on slow clients.
func Server(addr string, handler http.Handler) *http.Server {
	return &http.Server{Addr: addr, Handler: handler, ReadHeaderTimeout: 10 * time.Second, ReadTimeout: 60 * time.Second, WriteTimeout: 120 * time.Second, IdleTimeout: 120 * time.Second, MaxHeaderBytes: 64 << 10}
}
