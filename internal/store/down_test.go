package store_test

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"net"
	"os"
	"path/filepath"
	"syscall"
	"testing"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"

	"example.org/stillroom/internal/fault"
	"example.org/stillroom/internal/store"
)

func TestTheDatabaseIsDownWhereTheLineToItIs(t *testing.T) {
	t.Parallel()
	_, noFile := os.Open(filepath.Join(t.TempDir(), "gone"))
	_, refused := (&net.Dialer{}).DialContext(t.Context(), "unix", filepath.Join(t.TempDir(), "socket"))
	_, noServer := pgx.Connect(t.Context(), "postgres://nobody@127.0.0.1:1/none?connect_timeout=1")
	if noFile == nil || refused == nil || noServer == nil {
		t.Fatal("none of these is there")
	}
	said := func(code string) error { return fmt.Errorf("store: %w", &pgconn.PgError{Code: code}) }
	for name, tc := range map[string]struct {
		err  error
		want bool
	}{
		"no server":                      {noServer, true},
		"nobody listens":                 {refused, true},
		"reset by the other side":        {&net.OpError{Op: "read", Net: "tcp", Err: syscall.ECONNRESET}, true},
		"broken off in mid-answer":       {fmt.Errorf("store: lots: %w", io.ErrUnexpectedEOF), true},
		"no answer in time":              {context.DeadlineExceeded, true},
		"shut down by an administrator":  {said("57P01"), true},
		"starting up":                    {said("57P03"), true},
		"connection failure":             {said("08006"), true},
		"too many connections":           {said("53300"), true},
		"a statement that was cancelled": {said("57014"), false},
		"a constraint":                   {said("23505"), false},
		"a file that is not there":       {noFile, false},
		"a disk that is full":            {&fs.PathError{Op: "write", Path: "backup.zip", Err: syscall.ENOSPC}, false},
		"a file that waits too long":     {fmt.Errorf("folder: %w", &fs.PathError{Op: "read", Path: "x", Err: syscall.ETIMEDOUT}), false},
		"the person went away":           {context.Canceled, false},
		"no from ourselves":              {fault.New(fault.Conflict, "It was released."), false},
		"anything else":                  {errors.New("a bug"), false},
		"nothing":                        {nil, false},
	} {
		if got := store.IsDown(tc.err); got != tc.want {
			t.Errorf("%s: %v for %v", name, got, tc.err)
		}
	}
}
