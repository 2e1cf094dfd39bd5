package store

import (
	"context"
	"errors"
	"iter"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"
)

// reader is a part of what a page shows: it reads for itself and knows of no other.
type reader func(t pgx.Tx) error

// together runs readers of one transaction side by side and sends what they ask in the same batches: as many round trips
// as the longest of them has questions one after the other, however many there are. A reader sees what those before it in
// the list have read in answer to as many questions as it has asked itself. Only one runs at a time, so that they may share
// what they fill. They only read, each reads its rows to the end before it asks again (as pgx.CollectRows does), and none
// begins a transaction. Together may stand within together.
func together(ctx context.Context, t pgx.Tx, readers ...reader) error {
	parts := make([]*part, 0, len(readers))
	defer func() {
		for _, p := range parts {
			p.stop()
		}
	}()
	for _, read := range readers {
		p := begin(t, read)
		parts = append(parts, p)
		if err := p.resume(nil); err != nil {
			return err
		}
	}
	for {
		var all []*pgx.QueuedQuery
		for _, p := range parts {
			all = append(all, p.asked...)
		}
		if len(all) == 0 {
			return nil
		}
		if err := answer(ctx, t, parts, all); err != nil {
			return err
		}
	}
}

// answer sends what all parts ask, and lets each go on with its answers.
func answer(ctx context.Context, t pgx.Tx, parts []*part, all []*pgx.QueuedQuery) error {
	results := t.SendBatch(ctx, &pgx.Batch{QueuedQueries: all})
	for _, p := range parts {
		if len(p.asked) == 0 {
			continue
		}
		if err := p.resume(results); err != nil {
			_ = results.Close() // says the same, or that all the others were answered
			return err
		}
	}
	return results.Close()
}

// part is a reader that stops where it asks.
type part struct {
	pgx.Tx
	next    func() ([]*pgx.QueuedQuery, bool)
	stop    func()
	yield   func([]*pgx.QueuedQuery) bool
	asked   []*pgx.QueuedQuery // and not answered yet; none when it is done
	results pgx.BatchResults
	stopped bool
	err     error
}

func begin(t pgx.Tx, read reader) *part {
	p := &part{Tx: t}
	p.next, p.stop = iter.Pull(func(yield func([]*pgx.QueuedQuery) bool) {
		p.yield = yield
		p.err = read(p)
	})
	return p
}

// resume runs a reader up to its next question, and answers its error where it ended with one.
func (p *part) resume(results pgx.BatchResults) error {
	p.results = results
	p.asked, _ = p.next()
	return p.err
}

// errStopped ends a reader that waits for an answer when another has failed.
var errStopped = errors.New("store: another part of the page could not be read")

func (p *part) ask(list ...*pgx.QueuedQuery) (pgx.BatchResults, error) {
	if p.stopped = p.stopped || !p.yield(list); p.stopped {
		return nil, errStopped
	}
	return p.results, nil
}

// Query asks one question.
func (p *part) Query(_ context.Context, sql string, args ...any) (pgx.Rows, error) {
	results, err := p.ask(&pgx.QueuedQuery{SQL: sql, Arguments: args})
	if err != nil {
		return nil, err
	}
	return results.Query()
}

// QueryRow asks for one row.
func (p *part) QueryRow(_ context.Context, sql string, args ...any) pgx.Row {
	results, err := p.ask(&pgx.QueuedQuery{SQL: sql, Arguments: args})
	if err != nil {
		return noRow{err}
	}
	return results.QueryRow()
}

// Exec asks without wanting rows.
func (p *part) Exec(_ context.Context, sql string, args ...any) (pgconn.CommandTag, error) {
	results, err := p.ask(&pgx.QueuedQuery{SQL: sql, Arguments: args})
	if err != nil {
		return pgconn.CommandTag{}, err
	}
	return results.Exec()
}

// SendBatch asks several questions at once.
func (p *part) SendBatch(_ context.Context, b *pgx.Batch) pgx.BatchResults {
	results, err := p.ask(b.QueuedQueries...)
	return &share{results: results, left: len(b.QueuedQueries), err: err}
}

// noRow is the answer to a question that was not asked.
type noRow struct{ err error }

func (r noRow) Scan(...any) error { return r.err }

// share is the part of a batch's results that one reader asked for: closing it leaves the rest to the others.
type share struct {
	results pgx.BatchResults
	left    int
	err     error
}

var errAllRead = errors.New("store: more results were read than asked for")

func (s *share) take() error {
	if s.err == nil && s.left == 0 {
		return errAllRead
	}
	s.left--
	return s.err
}

// Exec reads the next result as a command's.
func (s *share) Exec() (pgconn.CommandTag, error) {
	if err := s.take(); err != nil {
		return pgconn.CommandTag{}, err
	}
	return s.results.Exec()
}

// Query reads the next result as rows.
func (s *share) Query() (pgx.Rows, error) {
	if err := s.take(); err != nil {
		return nil, err
	}
	return s.results.Query()
}

// QueryRow reads the next result as a row.
func (s *share) QueryRow() pgx.Row {
	if err := s.take(); err != nil {
		return noRow{err}
	}
	return s.results.QueryRow()
}

// Close reads what nobody wanted.
func (s *share) Close() error {
	for s.err == nil && s.left > 0 {
		_, s.err = s.Exec()
	}
	return s.err
}

// Tx is nil: a part begins no transaction.
func (s *share) Tx() pgx.Tx { return nil }
