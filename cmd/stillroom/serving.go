package main

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"sync"
	"time"

	"example.org/stillroom/internal/mail"
	"example.org/stillroom/internal/pgprivate"
	"example.org/stillroom/internal/store"
	"example.org/stillroom/web"
	"example.org/stillroom/web/ui"
)

// serving says how to serve.
type serving struct {
	addr    string
	metrics string // HOST:PORT, or empty for none
	proxied bool
	// smtp is the server that e-mails are handed to, smtpFrom whom they are from; both or neither.
	smtp, smtpFrom string
}

// running is what a server has when it is about to answer.
type running struct {
	db    *database
	store *store.Store
	house *ui.House
	base  string // where printed links lead, without a slash at the end
}

// endPatience is how long pages under way may take once the program was told to end.
const endPatience = 10 * time.Second

// serve brings the database up to date and answers until ctx ends, which is no error. first runs when everything
// else stands, before the first answer (and so before /readyz says 200): what it prints comes last.
func (p *program) serve(ctx context.Context, o serving, first func(context.Context, running) error) (err error) {
	secure, err := p.secureURL()
	if err != nil {
		return err
	}
	if _, _, err := net.SplitHostPort(o.addr); err != nil {
		return wrong("--addr: %q is not HOST:PORT", o.addr)
	}
	if _, _, err := net.SplitHostPort(o.metrics); o.metrics != "" && err != nil {
		return wrong("--metrics: %q is not HOST:PORT", o.metrics)
	}
	post, err := p.mailServer(o)
	if err != nil {
		return err
	}
	err = p.serveUntil(ctx, o, secure, post, first)
	if ctx.Err() != nil && (err == nil || errors.Is(err, ctx.Err())) {
		return nil // told to end, at whatever point
	}
	return err
}

// mailServer is the SMTP server that was set up, nil for none.
func (p *program) mailServer(o serving) (*mail.Server, error) {
	address, err := p.setting(o.smtp, "STILLROOM_SMTP_URL")
	if err != nil || address == "" {
		return nil, err
	}
	from, err := p.setting(o.smtpFrom, "STILLROOM_SMTP_FROM")
	if err != nil {
		return nil, err
	}
	password, err := p.setting("", "STILLROOM_SMTP_PASSWORD")
	if err != nil {
		return nil, err
	}
	server, err := mail.Parse(address, password, from)
	if err != nil {
		return nil, wrong("STILLROOM_SMTP_URL and STILLROOM_SMTP_FROM: %w", err)
	}
	return server, nil
}

func (p *program) serveUntil(ctx context.Context, o serving, secure string, post *mail.Server, first func(context.Context, running) error) (err error) {
	log := p.logger(slog.LevelInfo)
	db, err := p.openDatabase(ctx, pgprivate.Owner, log)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, db.Close()) }()
	if err := p.migrate(ctx, db); err != nil {
		return err
	}
	s, err := db.openStore(ctx)
	if err != nil {
		return err
	}
	defer s.Close()
	listener, err := (&net.ListenConfig{}).Listen(ctx, "tcp", o.addr)
	if err != nil {
		return wrong("--addr: %w", err)
	}
	defer listener.Close()

	// What goes on after its answer was sent (an import) ends before the store does.
	var under sync.WaitGroup
	defer under.Wait()
	working, stop := context.WithCancel(ctx)
	defer stop()
	house := &ui.House{Store: s, Clock: time.Now, Secure: secure != "", Proxied: o.proxied, Log: log, Mail: post,
		Go: func(work func(context.Context)) { under.Go(func() { work(working) }) }}
	place := placeOf(listener.Addr(), secure)
	p.tellPlaces(place)
	if err := first(ctx, running{db: db, store: s, house: house, base: place.base()}); err != nil {
		return err
	}
	note := leaveNote(db.data, place, log)
	defer note.remove()

	pages := web.Handler(house)
	if o.metrics != "" {
		counting := newMetrics(s)
		end, err := p.serveMetrics(ctx, o.metrics, counting, log)
		if err != nil {
			return err
		}
		defer end()
		pages = counting.count(pages)
	}
	server := web.Server(o.addr, pages)
	server.ErrorLog = slog.NewLogLogger(log.Handler(), slog.LevelWarn)
	ended := make(chan error, 1)
	go func() { ended <- server.Serve(listener) }()
	select {
	case err := <-ended:
		return fmt.Errorf("the server ended: %w", err)
	case <-ctx.Done():
	}
	log.Info("told to end")
	last, cancel := context.WithTimeout(context.WithoutCancel(ctx), endPatience)
	defer cancel()
	if err := server.Shutdown(last); err != nil && !errors.Is(err, http.ErrServerClosed) {
		log.Warn("pages under way were cut off", "error", err.Error())
		_ = server.Close() // the listener is closed already
	}
	return nil
}
