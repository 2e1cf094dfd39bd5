//go:build unix

package pgprivate

import (
	"fmt"
	"io"
	"log/slog"
	"os"
	"time"
)

// logLimit is when the log is set aside as postgresql.log.1; so the two hold at most about twice as much.
const logLimit = 5 << 20

// serverLog is PostgreSQL's own log in the data folder.
type serverLog struct {
	folder *folder
	file   *os.File
	start  int64 // where this server's lines begin
}

func (f *folder) openServerLog() (*serverLog, error) {
	if st, err := f.root.Stat(logName); err == nil && st.Size() > logLimit {
		if err := f.root.Rename(logName, logName+".1"); err != nil {
			return nil, err
		}
	}
	// Appending, so that the server, which shares this open file, goes on at the new end after a truncation.
	file, err := f.root.OpenFile(logName, os.O_RDWR|os.O_CREATE|os.O_APPEND, 0o600)
	if err != nil {
		return nil, fmt.Errorf("open %s in %s: %w", logName, f.dir, err)
	}
	l := &serverLog{folder: f, file: file}
	if err := f.hand(file); err != nil {
		file.Close()
		return nil, err
	}
	st, err := file.Stat()
	if err != nil {
		file.Close()
		return nil, err
	}
	l.start = st.Size()
	return l, nil
}

func (l *serverLog) close() { l.file.Close() }

// keepSmall sets the log aside whenever it has grown over the limit, until the server has ended.
func (l *serverLog) keepSmall(exited <-chan struct{}, log *slog.Logger) {
	tick := time.NewTicker(logCheck)
	defer tick.Stop()
	for {
		select {
		case <-exited:
			return
		case <-tick.C:
			if err := l.setAside(logLimit); err != nil {
				log.Error("set PostgreSQL's log aside", "err", err)
			}
		}
	}
}

// setAside copies and truncates: the server holds the file open, so a rename would take its lines along. Lines
// written between the two are lost, which a log bears.
func (l *serverLog) setAside(limit int64) error {
	st, err := l.file.Stat()
	if err != nil || st.Size() <= limit {
		return err
	}
	old, err := l.folder.root.OpenFile(logName+".1", os.O_WRONLY|os.O_CREATE|os.O_TRUNC, 0o600)
	if err != nil {
		return err
	}
	defer old.Close()
	if err := l.folder.hand(old); err != nil {
		return err
	}
	if _, err := io.Copy(old, io.NewSectionReader(l.file, 0, st.Size())); err != nil {
		return err
	}
	l.start = 0
	return l.file.Truncate(0)
}

// tail is the last of what this server said, for the error that tells of its end.
func (l *serverLog) tail() string {
	const most = 2000
	st, err := l.file.Stat()
	if err != nil {
		return err.Error()
	}
	from := max(l.start, st.Size()-most)
	text, err := io.ReadAll(io.NewSectionReader(l.file, from, most))
	if err != nil {
		return err.Error()
	}
	return lastLines(string(text), 6)
}
