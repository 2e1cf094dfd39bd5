package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"net/http"
	"time"

	"github.com/go-chi/chi/v5"

	"example.org/stillroom/internal/store/floor"
	"example.org/stillroom/web/paths"
)

// recording is what the store asked of the database while something was done.
type recording struct{ list []floor.Statement }

// measurePage asks for pages of batches, and holds their rate against a bare handler that reads the same rows in one
// batch of statements and writes them into a table.
func (r *run) measurePage(ctx context.Context) (err error) {
	if err := floor.Settle(ctx, r.place.owner); err != nil {
		return err
	}
	ours, err := serveStore(ctx, r.place.store, &r.place.clock, r.place.cookie)
	if err != nil {
		return err
	}
	defer ours.close()
	recorded, err := serveStore(ctx, r.place.traced, &r.place.clock, r.place.cookie)
	if err != nil {
		return err
	}
	defer recorded.close()
	const pages = 200
	codes := make([]string, pages)
	asked := map[string][]floor.Statement{}
	for n := range codes {
		code := r.maker.code(n * (r.maker.n / pages))
		codes[n] = code
		what, err := r.place.recorded(func() error { return recorded.page(ctx, paths.Batch(code), nil) })
		if err != nil {
			return err
		}
		asked[code] = floor.Reads(what.list)
	}
	bare, err := serveHandler(ctx, bareHandler(r.place.floor, asked), "")
	if err != nil {
		return err
	}
	defer bare.close()
	const lasts = 2 * time.Second
	var fs, os []float64
	for round := range r.rounds + 1 {
		f, err := perSecond(ctx, clients, lasts, func(ctx context.Context, n int) error { return bare.page(ctx, "/bare/"+codes[n%pages], nil) })
		if err != nil {
			return err
		}
		o, err := perSecond(ctx, clients, lasts, func(ctx context.Context, n int) error { return ours.page(ctx, paths.Batch(codes[n%pages]), nil) })
		if err != nil {
			return err
		}
		if round > 0 {
			fs, os = append(fs, f), append(os, o)
		}
	}
	f, o := median(fs), median(os)
	r.results = append(r.results, result{what: "/batches/{code} with session and layout, against a bare handler", floor: rate(f), ours: rate(o), ratio: o / f, least: 0.7,
		note: fmt.Sprintf("%d statements a page, which the bare handler sends in one batch", len(asked[codes[0]]))})
	return nil
}

func bareHandler(db *floor.DB, asked map[string][]floor.Statement) http.Handler {
	router := chi.NewRouter()
	router.Get("/bare/{code}", func(w http.ResponseWriter, req *http.Request) {
		code := chi.URLParam(req, "code")
		all, err := db.Batch(req.Context(), asked[code])
		var body bytes.Buffer
		if err == nil && len(all) < 2 {
			err = errors.New("nothing was recorded")
		}
		if err == nil {
			err = barePage(code, all).Render(req.Context(), &body)
		}
		if err != nil {
			http.Error(w, err.Error(), http.StatusInternalServerError)
			return
		}
		w.Header().Set("Content-Type", "text/html; charset=utf-8")
		_, _ = body.WriteTo(w) // the client is ours
	})
	return router
}
