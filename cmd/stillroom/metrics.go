package main

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"slices"
	"strconv"
	"time"

	"github.com/go-chi/chi/v5"
	"github.com/go-chi/chi/v5/middleware"
	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"
	"github.com/prometheus/client_golang/prometheus/promhttp"

	"example.org/stillroom/internal/store"
)

// metrics are figures about the running program, never about the book. They are served on a listener of their own alone:
// who may see pages need not see these, and the other way round.
type metrics struct {
	registry *prometheus.Registry
	requests *prometheus.HistogramVec
}

func newMetrics(s *store.Store) *metrics {
	m := &metrics{registry: prometheus.NewRegistry(), requests: prometheus.NewHistogramVec(prometheus.HistogramOpts{
		Name: "stillroom_http_request_duration_seconds", Help: "How long requests took, by route, method and status.",
		Buckets: []float64{0.001, 0.0025, 0.005, 0.01, 0.025, 0.05, 0.1, 0.25, 0.5, 1, 2.5, 10, 60},
	}, []string{"route", "method", "status"})}
	gauge := func(name, help string, value func(store.PoolStats) float64) prometheus.Collector {
		return prometheus.NewGaugeFunc(prometheus.GaugeOpts{Name: name, Help: help}, func() float64 { return value(s.PoolStats()) })
	}
	total := func(name, help string, value func(store.PoolStats) float64) prometheus.Collector {
		return prometheus.NewCounterFunc(prometheus.CounterOpts{Name: name, Help: help}, func() float64 { return value(s.PoolStats()) })
	}
	m.registry.MustRegister(m.requests, collectors.NewGoCollector(), collectors.NewProcessCollector(collectors.ProcessCollectorOpts{}), collectors.NewBuildInfoCollector(),
		gauge("stillroom_database_connections_max", "How many connections to the database there may be.", func(p store.PoolStats) float64 { return float64(p.Most) }),
		gauge("stillroom_database_connections", "How many connections to the database there are.", func(p store.PoolStats) float64 { return float64(p.Open) }),
		gauge("stillroom_database_connections_in_use", "How many of them are in use.", func(p store.PoolStats) float64 { return float64(p.InUse) }),
		total("stillroom_database_connection_waits_total", "How often a connection had to be waited for.", func(p store.PoolStats) float64 { return float64(p.Waits) }),
		total("stillroom_database_connection_wait_seconds_total", "How long was waited for connections, together.", func(p store.PoolStats) float64 { return p.Waited.Seconds() }))
	return m
}

// count measures requests by the pattern of their route, never by their path: that names batches, and has no end.
func (m *metrics) count(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		began := time.Now()
		route := chi.NewRouteContext() // the router fills it in, since it finds one
		seen := middleware.NewWrapResponseWriter(w, r.ProtoMajor)
		defer func() {
			pattern, status := route.RoutePattern(), seen.Status()
			if status == 0 {
				status = http.StatusOK
			}
			if pattern == "" || status == http.StatusNotFound && pattern == "/*" {
				pattern = "none"
			}
			m.requests.WithLabelValues(pattern, methodLabel(r.Method), strconv.Itoa(status)).Observe(time.Since(began).Seconds())
		}()
		next.ServeHTTP(seen, r.WithContext(context.WithValue(r.Context(), chi.RouteCtxKey, route)))
	})
}

// methodLabel keeps a stranger from making up labels.
func methodLabel(method string) string {
	if slices.Contains([]string{http.MethodGet, http.MethodHead, http.MethodPost}, method) {
		return method
	}
	return "other"
}

// serveMetrics answers /metrics at addr until end is called.
func (p *program) serveMetrics(ctx context.Context, addr string, m *metrics, log *slog.Logger) (end func(), err error) {
	listener, err := (&net.ListenConfig{}).Listen(ctx, "tcp", addr)
	if err != nil {
		return nil, wrong("--metrics: %w", err)
	}
	mux := http.NewServeMux()
	mux.Handle("GET /metrics", promhttp.HandlerFor(m.registry, promhttp.HandlerOpts{ErrorLog: slog.NewLogLogger(log.Handler(), slog.LevelWarn)}))
	server := &http.Server{Handler: mux, ReadTimeout: 10 * time.Second, WriteTimeout: 30 * time.Second, IdleTimeout: 2 * time.Minute}
	go func() {
		if err := server.Serve(listener); !errors.Is(err, http.ErrServerClosed) {
			log.Error("the metrics ended", "error", err.Error())
		}
	}()
	fmt.Fprintf(p.errs, "Metrics are at http://%s/metrics\n", listener.Addr())
	return func() { _ = server.Close() }, nil
}
