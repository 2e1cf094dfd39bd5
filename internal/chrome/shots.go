package chrome

import (
	"fmt"
	"io"
	"net/url"
	"path/filepath"
	"strings"
)

// Sizes are the windows in which pages are looked at: a desk, a tablet both ways round, a telephone; CSS pixels.
var Sizes = [][2]int{{1280, 800}, {1180, 820}, {820, 1180}, {390, 844}}

// Shots says which pages to take pictures of.
type Shots struct {
	URL   string   // where the program answers, http://127.0.0.1:8080
	Login string   // an address or path that signs in, visited once before; may be empty
	Paths []string // /batches/…
	Out   string   // folder for the pictures
	Dark  bool     // prefers-color-scheme: dark
}

// Take writes one full-page PNG for each path and size, and to w what each page got wrong: console and policy
// errors, a status of 400 or more, and by how much it is wider than the window. The error says that a page could
// not be opened or a picture not be written.
func (s Shots) Take(w io.Writer) error {
	base, err := url.Parse(s.URL)
	if err != nil || base.Host == "" {
		return fmt.Errorf("%q is not an address such as http://127.0.0.1:8080", s.URL)
	}
	eng, err := startEngine([]string{base.Hostname()})
	if err != nil {
		return err
	}
	defer eng.stop()
	tab, err := eng.newTab()
	if err != nil {
		return err
	}
	if err := tab.dark(s.Dark); err != nil {
		return err
	}
	if s.Login != "" {
		if err := s.visit(w, tab, base, s.Login, "sign-in"); err != nil {
			return err
		}
	}
	for _, path := range s.Paths {
		for _, size := range Sizes {
			if err := s.take(w, tab, base, path, size); err != nil {
				return err
			}
		}
	}
	return nil
}

func (s Shots) take(w io.Writer, tab *tab, base *url.URL, path string, size [2]int) error {
	tab.width, tab.height = int64(size[0]), int64(size[1])
	if err := tab.applySize(); err != nil {
		return err
	}
	file := filepath.Join(s.Out, shotName(path, size, s.Dark))
	if err := s.visit(w, tab, base, path, file); err != nil {
		return err
	}
	if wider, err := tab.overflow(); err != nil {
		return err
	} else if wider > 0 {
		fmt.Fprintf(w, "  is %d px wider than its window of %d px\n", wider, size[0])
	}
	return tab.picture(file)
}

// visit opens a path and tells what it got wrong since the last visit.
func (s Shots) visit(w io.Writer, tab *tab, base *url.URL, path, as string) error {
	ref, err := url.Parse(path)
	if err != nil {
		return err
	}
	before := len(tab.troubles())
	if err := tab.goTo(base.ResolveReference(ref).String()); err != nil {
		return fmt.Errorf("%s: %w", path, err)
	}
	var title string
	if err := tab.eval("document.title", &title, false); err != nil {
		return err
	}
	fmt.Fprintf(w, "%s  %q\n", as, title)
	tab.mu.Lock()
	status := tab.status
	tab.mu.Unlock()
	if status >= 400 {
		fmt.Fprintf(w, "  status %d\n", status)
	}
	for _, e := range tab.troubles()[before:] {
		fmt.Fprintf(w, "  %s\n", e)
	}
	return nil
}

// shotName makes a file's name of path and size: /batches/OB-1?tab=2 gives batches-OB-1-tab-2-390x844.png.
func shotName(path string, size [2]int, dark bool) string {
	name := strings.Trim(notInNames.ReplaceAllString(path, "-"), "-.")
	if name == "" {
		name = "home"
	}
	if dark {
		name += "-dark"
	}
	return fmt.Sprintf("%s-%dx%d.png", name, size[0], size[1])
}
