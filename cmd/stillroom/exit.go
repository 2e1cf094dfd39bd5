package main

import (
	"errors"
	"fmt"
	"io/fs"
	"os"

	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/pgprivate"
	"example.org/stillroom/internal/store"
)

// Exit statuses, besides 0.
const (
	saysNo      = 1 // the data or the records
	wrongLine   = 2 // the command line
	unreachable = 3 // the database, or it is in use
)

// exit is an error that knows its status.
type exit struct {
	status int
	err    error
}

func (e *exit) Error() string { return e.err.Error() }
func (e *exit) Unwrap() error { return e.err }

func wrong(format string, args ...any) error { return &exit{wrongLine, fmt.Errorf(format, args...)} }

// status is the one table from an error to an exit status.
func status(err error) int {
	var e *exit
	if errors.As(err, &e) {
		return e.status
	}
	for _, kind := range []error{pgprivate.ErrInUse, pgprivate.ErrNoBinaries, pgprivate.ErrMajor, pgprivate.ErrUnsafe, pgprivate.ErrFolder} {
		if errors.Is(err, kind) {
			return unreachable
		}
	}
	// A file's errors carry the system's number, as the network's do.
	if path, link := (*fs.PathError)(nil), (*os.LinkError)(nil); errors.As(err, &path) || errors.As(err, &link) {
		return saysNo
	}
	if fault.As(err) == nil && !errors.Is(err, store.ErrSchema) && !errors.Is(err, store.ErrBackup) && store.IsDown(err) {
		return unreachable
	}
	return saysNo
}

// words are what a person reads: a fault's own, without the calls that it came through.
func words(err error) string {
	if f := fault.As(err); f != nil {
		return f.Error()
	}
	return err.Error()
}
