package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"sync"
	"sync/atomic"
	"time"

	"example.org/stillroom/internal/store"
	"example.org/stillroom/web"
	"example.org/stillroom/web/ui"
)

// stepping is a clock that can be put forward: people are bounded in how often a minute they may look up and list, and
// measuring is more than a person does.
type stepping struct{ ahead atomic.Int64 }

func (c *stepping) Now() time.Time { return time.Now().Add(time.Duration(c.ahead.Load())) }
func (c *stepping) NextMinute()    { c.ahead.Add(int64(61 * time.Second)) }
func (c *stepping) every(n, i int) { // a minute after each n
	if i%n == 0 {
		c.NextMinute()
	}
}

// site is a handler on a port of this machine, asked by somebody signed in.
type site struct {
	clock  *stepping
	url    string
	cookie string
	client *http.Client
	close  func() error
}

// serveStore is the program's own handler, as serve makes it. Every handler of one database goes by one clock, since
// what a person may do in a minute is counted in the database.
func serveStore(ctx context.Context, s *store.Store, clock *stepping, cookie string) (*site, error) {
	handler := web.Handler(&ui.House{Store: s, Clock: clock.Now, Log: slog.New(slog.DiscardHandler)})
	t, err := serveHandler(ctx, handler, cookie)
	if err == nil {
		t.clock = clock
	}
	return t, err
}

func serveHandler(ctx context.Context, handler http.Handler, cookie string) (*site, error) {
	listener, err := (&net.ListenConfig{}).Listen(ctx, "tcp", "127.0.0.1:0")
	if err != nil {
		return nil, err
	}
	server := web.Server(listener.Addr().String(), handler)
	go func() { _ = server.Serve(listener) }() // ends by Close
	transport := &http.Transport{MaxIdleConnsPerHost: clients, DisableCompression: true}
	return &site{
		url: "http://" + listener.Addr().String(), cookie: cookie,
		client: &http.Client{Transport: transport, CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }},
		close: func() error {
			transport.CloseIdleConnections()
			return server.Close()
		},
	}, nil
}

// get asks for a path and reads the answer to its end; the body is kept where the caller wants it.
func (t *site) get(ctx context.Context, path string, keep io.Writer) (status int, location string, err error) {
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, t.url+path, nil)
	if err != nil {
		return 0, "", err
	}
	req.AddCookie(&http.Cookie{Name: "stillroom", Value: t.cookie})
	res, err := t.client.Do(req)
	if err != nil {
		return 0, "", err
	}
	defer res.Body.Close()
	if keep == nil {
		keep = io.Discard
	}
	if _, err := io.Copy(keep, res.Body); err != nil {
		return 0, "", err
	}
	return res.StatusCode, res.Header.Get("Location"), nil
}

// page is get where anything but a page is an error.
func (t *site) page(ctx context.Context, path string, keep io.Writer) error {
	status, _, err := t.get(ctx, path, keep)
	if err == nil && status != http.StatusOK {
		err = fmt.Errorf("%s answered %d", path, status)
	}
	return err
}

// clients ask for pages at a time.
const clients = 8

// perSecond lets several clients ask for a while, and answers how many answers came a second.
func perSecond(ctx context.Context, clients int, lasts time.Duration, ask func(ctx context.Context, n int) error) (float64, error) {
	var wait sync.WaitGroup
	var done atomic.Int64
	errs := make([]error, clients)
	began := time.Now()
	for c := range clients {
		wait.Go(func() {
			for n := c; time.Since(began) < lasts; n += clients {
				if errs[c] = ask(ctx, n); errs[c] != nil {
					return
				}
				done.Add(1)
			}
		})
	}
	wait.Wait()
	return float64(done.Load()) / time.Since(began).Seconds(), errors.Join(errs...)
}
