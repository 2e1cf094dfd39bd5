package exchange

import (
	"io"
	"time"
)

// patience is how long the other side may be silent while a file comes or goes. A file as a whole may take longer than the
// server gives a page.
const patience = time.Minute

// slow is one direction of a line that may take as long as it needs, so long as something moves.
type slow struct {
	silence *time.Timer
}

// slowly takes the server's deadline off a line; set is its SetReadDeadline or SetWriteDeadline. Where the line knows no
// deadlines there is none to take off.
func slowly(set func(time.Time) error) slow {
	_ = set(time.Time{})
	return slow{time.AfterFunc(patience, func() { _ = set(time.Unix(1, 0)) })}
}

func (s slow) moved() { s.silence.Reset(patience) }
func (s slow) end()   { s.silence.Stop() }

type slowWriter struct {
	slow
	w io.Writer
}

func (s slowWriter) Write(b []byte) (int, error) {
	n, err := s.w.Write(b)
	s.moved()
	return n, err
}
