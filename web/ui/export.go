package ui

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"os"
	"strings"
	"time"

	"example.org/stillroom/internal/store"
)

// Lists with names and addresses are bounded a person, since each goes through the whole reach of a lot.
const (
	listMost   = 30
	listWindow = time.Minute
)

// Export bounds and logs that names and addresses leave the program.
func (r *Request) Export(what, kind, code string) error {
	if err := r.Throttle("list:"+store.Text(r.Who.Workshop)+":"+store.Text(r.Who.Person), listMost, listWindow); err != nil {
		return err
	}
	r.Log("export", "what", what, "of", kind, "code", code, "person", store.Text(r.Who.Person), "workshop", store.Text(r.Who.Workshop))
	return nil
}

// Stamp is what a printed list says about itself: when it was printed, by whom, and where the records' chain stood then.
type Stamp struct {
	At, Zone, By, Workshop string
	Links                  int64
	Hash                   string
}

// Stamp is that of now.
func (r *Request) Stamp() (Stamp, error) {
	n, hash, err := r.house.Store.ChainHead(r.HTTP.Context(), r.Who.Workshop)
	if len(hash) > 16 {
		hash = hash[:16]
	}
	return Stamp{At: r.Clock().Time(r.Now), Zone: r.Workshop.Zone, By: r.Who.Name, Workshop: r.Workshop.Name, Links: n, Hash: hash}, err
}

// Line ends before the hash.
func (s Stamp) Line() string {
	return fmt.Sprintf("%s. Printed %s (%s) by %s. The book's chain of records ended at link %d,", s.Workshop, s.At, s.Zone, s.By, s.Links)
}

// Download sends a file. It is written aside first: half a list must not look like a whole one, and a long one is not held in
// memory.
func (r *Request) Download(media, name string, write func(io.Writer) error) (err error) {
	file, err := os.CreateTemp("", "stillroom-*")
	if err != nil {
		return fmt.Errorf("download: %w", err)
	}
	defer func() {
		_ = file.Close()
		_ = os.Remove(file.Name())
	}()
	body := bufio.NewWriterSize(file, 1<<16)
	if err := errors.Join(write(body), body.Flush()); err != nil {
		return err
	}
	if _, err := file.Seek(0, io.SeekStart); err != nil {
		return fmt.Errorf("download: %w", err)
	}
	h := r.W.Header()
	h.Set("Content-Type", media)
	h.Set("Content-Disposition", `attachment; filename="`+name+`"`)
	if _, err := io.Copy(r.W, file); !errors.Is(err, r.HTTP.Context().Err()) {
		return err
	}
	return nil // nobody waits for it any more
}

// FileWord is a code as part of a file's name: letters and digits of ASCII, and dashes.
func FileWord(code string) string {
	return strings.Trim(strings.Map(func(c rune) rune {
		if c >= 'a' && c <= 'z' || c >= 'A' && c <= 'Z' || c >= '0' && c <= '9' {
			return c
		}
		return '-'
	}, code), "-")
}
