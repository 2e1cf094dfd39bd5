package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"time"

	"example.org/stillroom/internal/store"
	"example.org/stillroom/internal/store/floor"
	"example.org/stillroom/web/paths"
)

// measureTrace asks for the recall list of the marked lots as a file, and holds it against COPY of one statement that
// gives the same lines; then the same lot in a small workshop, and with plans made anew for each statement.
func (r *run) measureTrace(ctx context.Context) (err error) {
	if err := floor.Settle(ctx, r.place.owner); err != nil {
		return err
	}
	dir, _, err := r.write("tables-small", r.small)
	if err != nil {
		return err
	}
	small, err := r.open(ctx, "small")
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, small.Close()) }()
	if _, err := small.fill(ctx, dir, r.small); err != nil {
		return err
	}
	if err := floor.Settle(ctx, small.owner); err != nil {
		return err
	}
	for _, custom := range []bool{false, true} {
		if err := r.traceWith(ctx, small, custom); err != nil {
			return err
		}
	}
	return nil
}

func (r *run) traceWith(ctx context.Context, small *place, custom bool) error {
	how, plans := "", "auto"
	if custom {
		how, plans = ", custom plans", "force_custom_plan"
	}
	large, err := openTraced(ctx, r.place, plans)
	if err != nil {
		return err
	}
	defer large.Close()
	little, err := openTraced(ctx, small, plans)
	if err != nil {
		return err
	}
	defer little.Close()
	for _, k := range r.maker.marks {
		reached, err := large.floor.Reached(ctx, r.place.ID(), k.Code())
		if err != nil {
			return err
		}
		if reached != k.Reach {
			return fmt.Errorf("lot %s reaches %d batches and not %d", k.Code(), reached, k.Reach)
		}
		f, ours, lines, err := r.traceOnce(ctx, large, k.Code(), k.Reach)
		if err != nil {
			return err
		}
		what := fmt.Sprintf("trace with CSV, %d batches (%d lines)%s", reached, lines, how)
		r.results = append(r.results, result{what: what, floor: spell(f), ours: spell(ours), ratio: ours.Seconds() / f.Seconds(), most: 1.3})
		there, err := little.floor.Reached(ctx, small.ID(), k.Code())
		if err != nil {
			return err
		}
		if there != reached {
			continue // the small workshop is too small for it
		}
		on, off, err := inTurns(r.times(k.Reach), func(n int) error { return little.ask(ctx, n, k.Code()) }, func(n int) error { return large.ask(ctx, n, k.Code()) })
		if err != nil {
			return err
		}
		r.results = append(r.results, result{what: fmt.Sprintf("the same on %d and on %d batches, %d affected%s", r.small, r.batches, reached, how), floor: spell(on), ours: spell(off), ratio: off.Seconds() / on.Seconds(), most: 1.3})
	}
	return nil
}

// times is how often a trace is asked for: small ones more often, since they take so little.
func (r *run) times(reach int) int {
	if reach < 1000 {
		return r.rounds * 8
	}
	return r.rounds * 2
}

func (r *run) traceOnce(ctx context.Context, t *traced, code string, reach int) (f, ours time.Duration, lines int64, err error) {
	f, ours, err = inTurns(r.times(reach), func(int) error {
		var out bytes.Buffer
		lines, err = t.floor.CopyTrace(ctx, r.place.ID(), code, &out)
		return err
	}, func(n int) error { return t.ask(ctx, n, code) })
	if err != nil {
		return 0, 0, 0, err
	}
	var list bytes.Buffer
	if err := t.page(ctx, paths.TraceCSV(paths.TraceLot(code)), &list); err != nil {
		return 0, 0, 0, err
	}
	// A floor that gives other lines would be none. No text of this workshop holds a line break.
	if got := int64(bytes.Count(list.Bytes(), []byte("\n"))) - 1; got != lines {
		return 0, 0, 0, fmt.Errorf("the list of lot %s has %d lines, the floor %d", code, got, lines)
	}
	return f, ours, lines, nil
}

// traced is a place served with one way of planning.
type traced struct {
	*site
	store *store.Store
	floor *floor.DB
}

func openTraced(ctx context.Context, p *place, plans string) (*traced, error) {
	url := with(p.app, "plan_cache_mode", plans)
	s, err := store.Open(ctx, url)
	if err != nil {
		return nil, err
	}
	db, err := floor.Open(ctx, url)
	if err != nil {
		s.Close()
		return nil, err
	}
	t, err := serveStore(ctx, s, &p.clock, p.cookie)
	if err != nil {
		s.Close()
		db.Close()
		return nil, err
	}
	return &traced{t, s, db}, nil
}

func (t *traced) Close() {
	_ = t.close()
	t.store.Close()
	t.floor.Close()
}

// ask reads the list of a lot to its end.
func (t *traced) ask(ctx context.Context, n int, code string) error {
	t.clock.every(20, n)
	return t.page(ctx, paths.TraceCSV(paths.TraceLot(code)), nil)
}
